"""Samples that a scan of an antenna of known field would give, in closed form."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.closed_form import check_points, near_field
from nf2ff.antenna.dipoles import Antenna
from nf2ff.antenna.grids import Grid
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError

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
    antenna : DipoleCluster or SinusoidalWire
        The antenna.
    frequency : (F,) array_like
        Frequencies [Hz].
    grid : Grid
        Directions.
    radius : float
        Distance [m].
    noise : float
        Root mean square magnitude of white complex Gaussian noise added [V/m].
    rng : int, Generator or None
        Seed or generator of the noise.

    Returns
    -------
    Samples
        2 T P samples: every direction at chi = 0, phi running faster than theta, then every
        direction at chi = 90 deg.

    Raises
    ------
    ValueError
        If a value is out of range, or a point is on a source.
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


def _noise(rms: float, rng: int | np.random.Generator | None, shape: tuple[int, ...]) -> Complex:
    if not (np.isfinite(rms) and rms >= 0):
        raise InputError(f"noise is {rms}, expected a root mean square value >= 0 [V/m]")
    if rms == 0:
        return np.zeros(1, dtype=complex)
    parts = np.random.default_rng(rng).standard_normal((2, *shape))
    return np.asarray(rms / np.sqrt(2) * (parts[0] + 1j * parts[1]))
