"""Fields of antennas in closed form: time factor exp(+jwt), peak phasors.

The functions here raise ValueError where shapes do not fit, a frequency or radius is not positive, or a point
is on a source.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.dipoles import Antenna, DipoleCluster, SinusoidalWire
from nf2ff.antenna.modes import WAVE_IMPEDANCE, frequencies, wavenumber
from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.sphere import unit_vectors
from nf2ff.messages.input_error import InputError

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Pairs of point and dipole handled at once: about 5 MB of temporaries, which a cache holds.
PAIRS = 2**14
#: A point nearer to a source than this times its own radius is that source to rounding.
COINCIDENCE = 1e-12


def near_field(
    antenna: Antenna, *, frequency: ArrayLike, theta: ArrayLike, phi: ArrayLike, radius: ArrayLike
) -> tuple[Complex, Complex, Complex]:
    """Electric field at any points outside the sources, in closed form.

    Parameters
    ----------
    antenna : DipoleCluster or SinusoidalWire
        The antenna.
    frequency : (F,) array_like
        Frequencies [Hz].
    theta, phi : (M,), (F, M) or () array_like
        Directions of the points; negative theta is the far side of the pole, where theta^ and phi^ keep their
        formulas [rad].
    radius : (M,), (F, M) or () array_like
        Distances from the origin [m].

    Returns
    -------
    e_r, e_theta, e_phi : (F, M) ndarray
        Spherical components about the origin [V/m].

    Raises
    ------
    ValueError
        If shapes do not fit, a frequency or radius is not positive, or a point is on a source.

    Notes
    -----
    With q = 1/(jkR), R^ from dipole to point, moments p and m: E = -jk exp(-jkR)/(4 pi R) { Z0 [p (1 + q +
    q^2) - R^ (R^.p) (1 + 3q + 3q^2)] - R^ x m (1 + q) }. The wire's field is three spherical waves from its
    ends and centre (C. A. Balanis, Antenna Theory, chapter on the induced-EMF method; both from memory,
    checked against Maxwell's equations).
    """
    k, theta, phi, r = check_points(frequency, theta=theta, phi=phi, radius=radius)
    if not np.all(r > 0):
        raise InputError(f"radius is {r.min():.6g} m, expected > 0")
    out = np.empty((3, k.size, theta.shape[1]), dtype=complex)
    for row, part in _parts(antenna, k, theta):
        th, ph, rr = theta[row, part][0], phi[row, part][0], r[row, part][0]
        unit = np.stack(unit_vectors(th, ph), axis=1)
        points = rr[:, None] * unit[:, 0]
        if isinstance(antenna, SinusoidalWire):
            field = _wire_field(antenna, k[row], points)
        else:
            field = _cluster_field(antenna, k[row], points)
        out[:, row, part] = np.einsum("cui,fci->ufc", unit, field)
    return out[0], out[1], out[2]


def far_field_of(
    antenna: Antenna, *, frequency: ArrayLike, theta: ArrayLike, phi: ArrayLike
) -> tuple[Complex, Complex]:
    """Far field lim r exp(+jkr) E, in closed form.

    Parameters
    ----------
    antenna, frequency, theta, phi
        As in `near_field`.

    Returns
    -------
    e_theta, e_phi : (F, M) ndarray
        Components about the origin of coordinates [V].

    Raises
    ------
    ValueError
        If shapes do not fit or a frequency is not positive.
    """
    k, theta, phi, _ = check_points(frequency, theta=theta, phi=phi, radius=1.0)
    out = np.empty((2, k.size, theta.shape[1]), dtype=complex)
    for row, part in _parts(antenna, k, theta):
        r_unit, theta_unit, phi_unit = unit_vectors(theta[row, part][0], phi[row, part][0])
        lead = r_unit @ np.atleast_2d(antenna.position).T  # (C, D)
        for f in range(*row.indices(k.size)):
            ahead = np.exp(1j * k[f] * lead)
            if isinstance(antenna, SinusoidalWire):
                pattern = _wire_pattern(antenna, k[f], r_unit @ antenna.axis)
                level = -1j * WAVE_IMPEDANCE * antenna.current / (2 * np.pi)
                e = (level * pattern * ahead[:, 0])[:, None] * antenna.axis
            else:
                p, m = ahead @ (WAVE_IMPEDANCE * antenna.electric), ahead @ antenna.magnetic
                e = -1j * k[f] / (4 * np.pi) * (p - np.cross(r_unit, m))
            out[0, f, part] = np.sum(theta_unit * e, axis=1)
            out[1, f, part] = np.sum(phi_unit * e, axis=1)
    return out[0], out[1]


def radiated_power_of(antenna: Antenna, *, frequency: ArrayLike) -> Real:
    """Radiated power, in closed form for dipoles, by an exact quadrature for the wire.

    Parameters
    ----------
    antenna : DipoleCluster or SinusoidalWire
        The antenna.
    frequency : (F,) array_like
        Frequencies [Hz].

    Returns
    -------
    (F,) ndarray
        Power through any closed surface around the antenna [W].

    Notes
    -----
    Power delivered: -1/2 Re sum (p*.E + m*.H) at the dipoles. Only the field that is regular there takes
    part, E with exp(-jkR)/R replaced by -j sin(kR)/R, hence spherical Bessel functions: j_0 - j_1/x = (2 j_0
    - j_2)/3 across, j_2 along, j_1 between electric and magnetic moments. A single dipole: k^2 Z0 |p|^2 / (12
    pi). The wire: Z0 |I|^2 / (4 pi) int [cos(x c) - cos x]^2 / (1 - c^2) dc over c = cos(theta), x = k L / 2;
    the integrand is entire, so Gauss-Legendre nodes beyond x are exact.
    """
    k, *_ = check_points(frequency, theta=0.0, phi=0.0, radius=1.0)
    if isinstance(antenna, SinusoidalWire):
        nodes = int(k.max() * antenna.length / 2) + 30
        c, weight = np.polynomial.legendre.leggauss(nodes)
        level = WAVE_IMPEDANCE * abs(antenna.current) ** 2 / (4 * np.pi)
        pattern = _wire_pattern(antenna, k[:, None], c)
        return np.asarray(level * (pattern**2 * (1 - c**2)) @ weight)

    from scipy.special import spherical_jn

    z, p, m = WAVE_IMPEDANCE, antenna.electric, antenna.magnetic
    power = np.zeros(k.size)
    step = max(1, PAIRS // len(p))
    for start in range(0, len(p), step):
        rows = slice(start, start + step)
        distance, unit = _distances(antenna.position[rows], antenna.position)
        for i, kf in enumerate(k):
            x = kf * distance
            j0, j1, j2 = _sinc(x), spherical_jn(1, x), spherical_jn(2, x)
            e = np.zeros((distance.shape[0], 3), dtype=complex)
            h = np.zeros_like(e)
            _add_dipoles(e, unit, z * p, (2 * j0 - j2) / 3, j2)
            _add_dipoles(e, unit, m, cross=1j * j1)
            _add_dipoles(h, unit, m / z, (2 * j0 - j2) / 3, j2)
            _add_dipoles(h, unit, -p, cross=1j * j1)
            delivered = np.vdot(p[rows], e).real + np.vdot(m[rows], h).real
            power[i] += kf**2 / (8 * np.pi) * delivered
    return power


def _cluster_field(cluster: DipoleCluster, k: Real, points: Real) -> Complex:
    """Cartesian field (F, C, 3) of a cluster at points (C, 3)."""
    distance, unit = _distances(points, cluster.position)
    _refuse_coincidence(distance.min(axis=1), points)
    field = np.zeros((k.size, len(points), 3), dtype=complex)
    wave = np.empty(distance.shape, dtype=complex)
    for e, kf in zip(field, k, strict=True):
        x = kf * distance
        wave.real, wave.imag = np.cos(x), -np.sin(x)
        wave *= -1j * kf / (4 * np.pi * distance)
        t = 1 / x  # q = -jt
        if cluster.electric.any():
            across, along = 1 - t * t - 1j * t, 3 * t * t - 1 + 3j * t
            _add_dipoles(e, unit, WAVE_IMPEDANCE * cluster.electric, wave * across, wave * along)
        if cluster.magnetic.any():
            _add_dipoles(e, unit, cluster.magnetic, cross=wave * (1j * t - 1))
    return field


def _wire_field(wire: SinusoidalWire, k: Real, points: Real) -> Complex:
    """Cartesian field (F, C, 3) of a wire at points (C, 3).

    The component across the wire is a difference of waves divided by rho: nothing is left of it near the
    axis. So each (u/R) exp(-jkR), u its height over the source and d = R - |u| = rho^2/(R + |u|), is split
    into +-exp(-jk|u|), whose sum is known, and a rest of order rho^2, which is divided by rho^2 before it is
    summed.
    """
    offset = points - wire.position
    z = offset @ wire.axis
    rho = offset - z[:, None] * wire.axis
    rho2 = np.einsum("ci,ci->c", rho, rho)
    beyond = np.maximum(np.abs(z) - wire.length / 2, 0)
    _refuse_coincidence(np.sqrt(rho2 + beyond**2), points)
    # The field across is odd, that along even in z.
    u = np.abs(z) - wire.length / 2 * np.array([[1], [-1], [0]])  # (3, C): two ends, centre
    height = np.abs(u)
    distance = np.sqrt(height**2 + rho2)
    total = distance + height
    inside = np.flatnonzero(np.abs(z) < wire.length / 2)
    field = np.empty((k.size, len(points), 3), dtype=complex)
    for e, kf in zip(field, k, strict=True):
        weight = np.array([[1], [1], [-2 * np.cos(kf * wire.length / 2)]])
        along = -np.sum(weight * np.exp(-1j * kf * distance) / distance, axis=0)
        late = kf * rho2 / total  # k d
        rest = -1j * kf * _sinc(late / 2) * np.exp(-0.5j * late) - np.exp(-1j * late) / distance
        waves = weight * np.where(u < 0, -1, 1) * np.exp(-1j * kf * height) / total
        across = np.sum(waves * rest, axis=0)
        # Beside the wire the known sum is its line charge, beyond its ends it vanishes.
        charge = -2 * np.cos(kf * (wire.length / 2 - np.abs(z[inside])))
        across[inside] += charge / rho2[inside]
        e[:] = along[:, None] * wire.axis + (np.sign(z) * across)[:, None] * rho
        e *= 1j * WAVE_IMPEDANCE * wire.current / (4 * np.pi)
    return field


def _wire_pattern(wire: SinusoidalWire, k: ArrayLike, c: Real) -> Real:
    """[cos(x c) - cos x] / (1 - c^2), x = k L / 2, as two sincs: no pole on the axis."""
    x = np.asarray(k) * wire.length / 2
    return x**2 / 2 * _sinc(x * (1 + c) / 2) * _sinc(x * (1 - c) / 2)


def _distances(points: Real, sources: Real) -> tuple[Real, Real]:
    """Distance (C, D) from each source to each point, and unit vectors (3, C, D), 0 at 0."""
    unit = points.T[:, :, None] - sources.T[:, None, :]
    distance = np.sqrt(unit[0] ** 2 + unit[1] ** 2 + unit[2] ** 2)
    unit /= np.where(distance > 0, distance, 1)
    return distance, unit


def _add_dipoles(
    field: Complex,
    unit: Real,
    moment: Complex,
    across: Complex | None = None,
    along: Complex | None = None,
    *,
    cross: Complex | None = None,
) -> None:
    """Add sum_d across p + along u (u.p), or sum_d cross (u x p), to ``field`` (C, 3)."""
    if across is not None and along is not None:
        along = along * sum(u * m for u, m in zip(unit, moment.T, strict=True))
        field += across @ moment + np.einsum("cd,icd->ci", along, unit)
    if cross is not None:
        x, y, z = ((cross * u) @ moment for u in unit)
        field[:, 0] += y[:, 2] - z[:, 1]
        field[:, 1] += z[:, 0] - x[:, 2]
        field[:, 2] += x[:, 1] - y[:, 0]


def _refuse_coincidence(distance: Real, points: Real) -> None:
    """Raise if a distance from the sources vanishes against the point's own radius."""
    at = np.flatnonzero(distance <= COINCIDENCE * np.linalg.norm(points, axis=1))
    if at.size:
        place = ", ".join(f"{x:.6g}" for x in points[at[0]])
        raise InputError(f"the point ({place}) m lies on a source", "move it, the field is infinite there")


def check_points(
    frequency: ArrayLike, *, theta: ArrayLike, phi: ArrayLike, radius: ArrayLike, **more: ArrayLike
) -> tuple[Real, ...]:
    """Wavenumbers (F,), then positions (1, M), or (F, M) where the axes move."""
    f = frequencies(frequency)
    named = {"theta": theta, "phi": phi, "radius": radius, **more}
    arrays = [as_array(value, float, name) for name, value in named.items()]
    count = max((a.shape[-1] for a in arrays if a.ndim), default=1)
    for name, a in zip(named, arrays, strict=True):
        if a.shape not in ((), (count,), (f.size, count)):
            raise InputError(f"{name} has shape {a.shape}, expected (M,) = ({count},), (F, M) or a number")
    shape = (f.size if any(a.ndim == 2 for a in arrays) else 1, count)
    return wavenumber(f), *(np.broadcast_to(a, shape) for a in arrays)


def _parts(antenna: Antenna, k: Real, theta: Real) -> Iterator[tuple[slice, slice]]:
    """Frequencies that share their points, and parts of the points that a cache holds."""
    step = max(1, PAIRS // max(antenna.position.size // 3, k.size))
    for f in range(len(theta)):
        row = slice(f, f + 1) if len(theta) > 1 else slice(0, k.size)
        for start in range(0, theta.shape[1], step):
            yield row, slice(start, start + step)


def _sinc(x: Real) -> Real:
    """sin(x)/x."""
    return np.asarray(np.sinc(x / np.pi))
