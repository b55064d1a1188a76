"""Samples that a scan of an antenna of known field would give, in closed form.

No spherical wave enters, so that a solution, and the correction for a probe, can be held against them. Time
factor exp(+jwt), peak phasors.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.closed_form import check_points, near_field, radiated_power_of
from nf2ff.antenna.dipoles import Antenna, DipoleCluster
from nf2ff.antenna.grids import Grid
from nf2ff.antenna.modes import WAVE_IMPEDANCE
from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.sphere import direction_angles, unit_vectors
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]


def simulate(
    antenna: Antenna,
    *,
    frequency: ArrayLike,
    theta: ArrayLike,
    phi: ArrayLike,
    chi: ArrayLike,
    radius: ArrayLike,
    noise: float = 0.0,
    rng: int | np.random.Generator | None = None,
) -> Samples:
    """Responses of the ideal field probe, E_theta cos(chi) + E_phi sin(chi).

    Parameters
    ----------
    antenna : DipoleCluster or SinusoidalWire
        The antenna.
    frequency : (F,) array_like
        Frequencies [Hz].
    theta, phi, chi : (M,), (F, M) or () array_like
        Positions: polar angle in [-pi, pi], azimuth, probe rotation [rad].
    radius : (M,), (F, M) or () array_like
        Distances [m].
    noise : float
        Root mean square magnitude of white complex Gaussian noise added [V/m].
    rng : int, Generator or None
        Seed or generator of the noise.

    Returns
    -------
    Samples
        Response in V/m.

    Raises
    ------
    ValueError
        If shapes do not fit, a value is out of range, or a point is on a source.
    """
    _, *place = check_points(frequency, theta=theta, phi=phi, radius=radius, chi=chi)
    theta, phi, radius, chi = (a if len(a) > 1 else a[0] for a in place)
    _, e_theta, e_phi = near_field(antenna, frequency=frequency, theta=theta, phi=phi, radius=radius)
    response = e_theta * np.cos(chi) + e_phi * np.sin(chi)
    response += _noise(noise, rng, response.shape)
    port = np.ones(response.shape[1], dtype=np.int16)
    return Samples(np.asarray(frequency), theta, phi, chi, radius, port, response, "V/m")


def simulate_grid(
    antenna: Antenna,
    *,
    frequency: ArrayLike,
    grid: Grid,
    radius: float,
    noise: float = 0.0,
    rng: int | np.random.Generator | None = None,
) -> Samples:
    """Responses of the ideal field probe on a grid, both polarisations.

    Parameters
    ----------
    grid : Grid
        Directions.
    radius : float
        Distance [m].
    antenna, frequency, noise, rng
        As in `simulate`, which also says what is refused.

    Returns
    -------
    Samples
        2 T P samples: every direction at chi = 0, phi running faster than theta, then every direction at chi
        = 90 deg.
    """
    theta = np.repeat(grid.theta, grid.phi.size)
    phi = np.tile(grid.phi, grid.theta.size)
    _, *e = near_field(antenna, frequency=frequency, theta=theta, phi=phi, radius=radius)
    response = np.concatenate(e, axis=1)
    response += _noise(noise, rng, response.shape)
    return Samples(
        np.asarray(frequency),
        np.tile(theta, 2),
        np.tile(phi, 2),
        np.repeat([0.0, np.pi / 2], theta.size),
        np.broadcast_to(float(radius), response.shape[1:]),
        np.ones(response.shape[1], dtype=np.int16),
        response,
        "V/m",
    )


def receive(
    antenna: Antenna,
    probes: Sequence[DipoleCluster],
    *,
    frequency: ArrayLike,
    theta: ArrayLike,
    phi: ArrayLike,
    chi: ArrayLike,
    radius: ArrayLike,
    port: ArrayLike = 1,
    efficiency: ArrayLike = 1.0,
    noise: float = 0.0,
    rng: int | np.random.Generator | None = None,
) -> Samples:
    """Responses of a matched probe whose ports radiate as the clusters do, by reciprocity.

    Parameters
    ----------
    antenna : DipoleCluster or SinusoidalWire
        The antenna.
    probes : sequence of DipoleCluster
        For each port of the probe its dipoles, in the probe's own frame: boresight +z, reference polarisation
        x. Only their ratios count, the level follows from ``efficiency``.
    frequency, theta, phi, chi, rng
        As in `simulate`.
    radius : (M,), (F, M) or () array_like
        Distances of the origin of the probe's frame [m].
    port : (M,) or () array_like of int
        Port of each sample, counted from 1.
    efficiency : (F, ports), (ports,) or () array_like
        Power radiated over power into the port, above 0 and at most 1.
    noise : float
        Root mean square magnitude of white complex Gaussian noise added [sqrt(W)].

    Returns
    -------
    Samples
        Response in sqrt(W): 1/2 |w|^2 is the power into a matched load.

    Raises
    ------
    ValueError
        If shapes do not fit, a value is out of range, the probe reaches into the antenna's minimum sphere, or
        a magnetic dipole is to receive from a wire.

    Notes
    -----
    With v = sqrt(2) into the port (1/2 |v|^2 = 1 W) the port's moments p and m radiate; the reciprocity
    theorem, taken between this state and that in which the antenna transmits, gives w = -1/(2v) sum (p.E -
    m.H) over the dipoles, E and H the antenna's field without the probe (R. F. Harrington, Time-Harmonic
    Electromagnetic Fields, 1961, ch. 3 on reciprocity, from memory). Waves scattered to and fro between probe
    and antenna are left out. H of a cluster is E of its dual, with moments m/Z0^2 and -p.
    """
    frequency = as_array(frequency, float, "frequency", ndim=1)
    shapes = [np.shape(x) for x in (theta, phi, chi, radius, port)]
    shape = (frequency.size, max((s[-1] for s in shapes if s), default=1))
    # Positions and ports are checked where they belong, before there is a response.
    place = {"theta": theta, "phi": phi, "chi": chi, "radius": radius, "port": port}
    samples = Samples(frequency, **place, response=np.zeros(shape), response_unit="sqrt(W)")  # type: ignore[arg-type]
    level = _levels(probes, samples, efficiency)
    added = _noise(noise, rng, shape, unit="sqrt(W)")
    response = np.empty(shape, dtype=complex)
    for number in samples.ports():
        rows = np.flatnonzero(samples.port == number)
        where = [x[..., rows] for x in (samples.theta, samples.phi, samples.chi, samples.radius)]
        reaction = _reaction(antenna, probes[number - 1], frequency, *where)
        response[:, rows] = level[:, number - 1, None] * reaction
    return replace(samples, response=response + added)


def _levels(probes: Sequence[DipoleCluster], samples: Samples, efficiency: ArrayLike) -> Real:
    """Factor -1/(2v) (F, ports), v the wave into the port at which the moments are as given."""
    last = samples.ports()[-1]
    if last > len(probes):
        raise InputError(f"port {last} occurs, but the probe has {len(probes)} ports", "give it a cluster")
    power = np.stack([radiated_power_of(p, frequency=samples.frequency) for p in probes], axis=1)
    if not power.min() > 0:
        raise InputError(f"port {int(power.min(axis=0).argmin()) + 1} radiates no power: it has no response")
    share = as_array(efficiency, float, "efficiency")
    if share.shape not in ((), power.shape[1:], power.shape):
        raise InputError(f"efficiency has shape {share.shape}, expected {power.shape[1:]} or {power.shape}")
    if not np.all((share > 0) & (share <= 1)):
        raise InputError(f"efficiency is {share.min()} to {share.max()}, expected above 0 and at most 1")
    return np.asarray(-0.5 / np.sqrt(2 * power / share))


def _reaction(
    antenna: Antenna, probe: DipoleCluster, frequency: Real, theta: Real, phi: Real, chi: Real, radius: Real
) -> Complex:
    """Sum of p.E - m.H over the probe's dipoles (F, M)."""
    outward, across, along = unit_vectors(*np.broadcast_arrays(theta, phi))
    cos, sin = np.cos(chi)[..., None], np.sin(chi)[..., None]
    x, y = across * cos + along * sin, across * sin - along * cos
    frame = np.stack(np.broadcast_arrays(x, y, -outward), axis=-2)  # (..., M, axis, 3)
    centre = radius[..., None] * outward
    dual = _dual(antenna) if probe.magnetic.any() else None
    total = np.zeros((frequency.size, frame.shape[-3]), dtype=complex)
    for offset, electric, magnetic in zip(probe.position, probe.electric, probe.magnetic, strict=True):
        points = centre + offset @ frame
        distance = np.linalg.norm(points, axis=-1)
        if not distance.min() > antenna.minimum_radius:
            raise InputError(
                f"a dipole of the probe comes within {distance.min():.6g} m of the origin, the "
                f"antenna reaches out to {antenna.minimum_radius:.6g} m: increase the radius"
            )
        angles = [a.reshape(distance.shape) for a in direction_angles(points.reshape(-1, 3))]
        basis = unit_vectors(*angles)
        for moment, source in ((electric, antenna), (-magnetic, dual)):
            if source is None or not moment.any():
                continue
            field = near_field(source, frequency=frequency, theta=angles[0], phi=angles[1], radius=distance)
            turned = moment @ frame
            total += sum(e * np.sum(u * turned, axis=-1) for e, u in zip(field, basis, strict=True))
    return total


def _dual(antenna: Antenna) -> DipoleCluster:
    """The cluster whose electric field is the antenna's magnetic field."""
    if not isinstance(antenna, DipoleCluster):
        raise InputError(
            "the probe has magnetic dipoles and the antenna is a wire", "make it a line of dipoles"
        )
    return DipoleCluster(antenna.position, antenna.magnetic / WAVE_IMPEDANCE**2, -antenna.electric)


def _noise(
    rms: float, rng: int | np.random.Generator | None, shape: tuple[int, ...], *, unit: str = "V/m"
) -> Complex:
    if not (np.isfinite(rms) and rms >= 0):
        raise InputError(f"noise is {rms}, expected a root mean square value >= 0 [{unit}]")
    if rms == 0:
        return np.zeros(1, dtype=complex)
    parts = np.random.default_rng(rng).standard_normal((2, *shape))
    return np.asarray(rms / np.sqrt(2) * (parts[0] + 1j * parts[1]))
