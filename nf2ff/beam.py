"""The beam of an antenna: its peak, cuts, beamwidths and sidelobes.

All are exact: found on the expansion in `Modes` itself, never on the points of a grid. Terms are
those of IEEE Std 145 (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff import waves
from nf2ff.metrics import direction_angles, freeze, intensity, nonzero_power, unit_vectors
from nf2ff.modes import WAVE_IMPEDANCE, Modes
from nf2ff.special import as_array

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]


# --- peak ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Peak:
    """Direction of maximum radiation at each frequency.

    Parameters
    ----------
    theta, phi : (F,) array_like
        Direction, theta in [0, pi], phi in [0, 2 pi), 0 at a pole [rad].
    directivity : (F,) array_like
        Maximum directivity, linear.
    eirp : (F,) array_like or None
        Maximum EIRP, None for relative data [W].

    Raises
    ------
    ValueError
        If the shapes differ or a value is not finite.
    """

    theta: Real
    phi: Real
    directivity: Real
    eirp: Real | None

    def __post_init__(self) -> None:
        freeze(self)


#: A local maximum of the coarse grid is followed if it reaches this part of the highest. Between
#: points pi/3N apart even a pattern that uses degree N to the full falls no lower than
#: cos^2(pi/(3 sqrt 2)) = 0.55 of its peak (Bernstein's inequality for degree 2N).
_CANDIDATE_LEVEL = 0.54
#: A bound on memory that only disorder of very high degree could meet.
_CANDIDATES = 1024
_NODES = np.cos(np.pi * (np.arange(7) + 0.5) / 7)
_FIT = np.linalg.inv(np.vander(_NODES, increasing=True))
#: Curvature and slope (times the patch, over U) that rounding alone can feign.
_FLAT = 1e-9
_POLE = 1e-7


def peak(modes: Modes) -> Peak:
    """Maximum of the radiation intensity, found on the expansion itself.

    Parameters
    ----------
    modes : Modes
        Mode coefficients of degree N.

    Returns
    -------
    Peak
        Direction to better than 1e-4 deg wherever the maximum is curved. On a ridge (the
        equator of a dipole) any of its points; of equal maxima the one of smallest theta.

    Raises
    ------
    ValueError
        If no power is radiated at a frequency.

    Notes
    -----
    A grid of steps pi/3N finds the lobes that may hold the maximum. About each, U is sampled on
    a small patch of the tangent plane, which no pole disturbs, and the polynomial through the 7 x 7
    samples is climbed by Newton steps that keep inside the patch and never descend; then again on
    a patch six times smaller, where the polynomial errs by less than 1e-8 of U.
    """
    power = nonzero_power(modes.frequency, modes.radiated_power())
    found = np.array([_peak_direction(one) for one in _each_frequency(modes)])
    theta, phi, u = found.T
    maximum = 4 * np.pi * u
    return Peak(theta, phi, maximum / power, maximum if modes.reference == "absolute" else None)


def _each_frequency(modes: Modes) -> Iterator[Modes]:
    for f in range(modes.frequency.size):
        part = slice(f, f + 1)
        yield Modes(modes.frequency[part], modes.coefficients[part], modes.reference)


def _peak_direction(one: Modes) -> tuple[float, float, float]:
    """theta, phi and U [W/sr] of the maximum of ``one`` frequency."""
    step, u, theta, phi = _coarse_intensity(one)
    padded = np.pad(np.pad(u, ((1, 1), (0, 0)), mode="edge"), ((0, 0), (1, 1)), mode="wrap")
    rows = np.maximum(np.maximum(padded[:-2], padded[1:-1]), padded[2:])
    highest = np.maximum(np.maximum(rows[:, :-2], rows[:, 1:-1]), rows[:, 2:])
    # At a pole all of the next ring are neighbours.
    highest[[0, -1]] = np.maximum(u[[0, -1]], u[[1, -2]].max(axis=1, keepdims=True))
    i, j = np.nonzero((u >= (1 - _FLAT) * highest) & (u >= _CANDIDATE_LEVEL * u.max()))
    # A body of revolution has whole rings of equal maxima: one point stands for its ring.
    level = np.round(u[i, j] / u.max(), 9)
    new = np.append(True, (np.diff(i) != 0) | (np.diff(level) != 0))
    i, j, level = i[new], j[new], level[new]
    # The highest, in the order of theta.
    order = np.sort(np.argsort(-level, kind="stable")[:_CANDIDATES])
    centre = unit_vectors(theta[i[order]], phi[j[order]])[0]
    width = step
    for attempt in range(6):
        centre, value, inside = _climb(one, centre, width)
        high = value >= 0.97 * value.max()
        settled = bool(np.all(inside[high]))
        if settled and width < step:
            break
        # A lobe may lie just outside its patch; along a ridge the error of the polynomial drags
        # the point on and on: go finer all the same.
        if settled or attempt >= 2:
            centre, width = centre[high], width / 6
    best = int(np.argmax(value >= (1 - 1e-8) * value.max()))
    t, p = (float(x[0]) for x in direction_angles(centre[best : best + 1]))
    if min(t, np.pi - t) < _POLE:
        t, p = (0.0 if t < 1 else np.pi), 0.0
    elif min(p, 2 * np.pi - p) < _POLE / np.sin(t):
        p = 0.0
    return t, p, float(intensity(*waves.far_field_points(one, theta=[t], phi=[p]))[0, 0])


def _coarse_intensity(one: Modes) -> tuple[float, Real, Real, Real]:
    """Step, U (T, P), theta and phi of a grid with poles of at most pi/3N between rings."""
    from scipy.fft import next_fast_len

    rings = next_fast_len(max(12, 3 * one.degree))
    theta, phi = np.linspace(0, np.pi, rings + 1), np.pi * np.arange(2 * rings) / rings
    u = np.empty((theta.size, phi.size))
    rows = max(1, 2**21 // phi.size)  # 32 MiB for each component
    for at in range(0, theta.size, rows):
        part = slice(at, at + rows)
        u[part] = intensity(*waves.far_field_grid(one, theta=theta[part], phi=phi))[0]
    u[0], u[-1] = u[0, 0], u[-1, 0]
    return np.pi / rings, u, theta, phi


def _climb(one: Modes, centre: Real, width: float) -> tuple[Real, Real, NDArray[np.bool_]]:
    """Maxima of U within patches of the tangent planes at ``centre`` (K, 3).

    Returns the directions (K, 3), U there (K,), and whether each lies inside its patch (K,).
    """
    _, a, b = unit_vectors(*direction_angles(centre))
    x, y = (v.ravel()[None, :, None] * width for v in np.meshgrid(_NODES, _NODES, indexing="ij"))
    points = centre[:, None, :] + x * a[:, None, :] + y * b[:, None, :]
    theta, phi = direction_angles(points.reshape(-1, 3))
    u = intensity(*waves.far_field_points(one, theta=theta, phi=phi))
    u = u.reshape(-1, _NODES.size, _NODES.size)
    top = u.max()
    at, value = _climb_polynomial(u / top)
    new = centre + width * (at[:, :1] * a + at[:, 1:] * b)
    inside = np.all(np.abs(at) < 1, axis=1)
    return new / np.linalg.norm(new, axis=1, keepdims=True), value * top, inside


def _climb_polynomial(samples: Real) -> tuple[Real, Real]:
    """Maxima (K, 2) within [-1, 1]^2, and values, of the polynomials through ``samples``."""
    k, size, _ = samples.shape
    coefficients = _FIT @ samples @ _FIT.T
    power = np.arange(size)

    def derivatives(at: Real, highest: int) -> list[list[Real]]:
        base = at[..., None] ** power
        slopes = [base]
        for _ in range(highest):
            slopes.append(np.roll(slopes[-1], 1, axis=-1) * power)
        return [
            [
                np.einsum("ki,kij,kj->k", slopes[p][:, 0], coefficients, slopes[q][:, 1])
                for q in range(highest + 1 - p)
            ]
            for p in range(highest + 1)
        ]

    at = np.zeros((k, 2))
    value, reach = derivatives(at, 0)[0][0], np.ones((k, 1))
    for _ in range(40):
        d = derivatives(at, 2)
        hessian = np.stack([d[2][0], d[1][1], d[1][1], d[0][2]], axis=-1).reshape(k, 2, 2)
        curvature, axes = np.linalg.eigh(hessian)
        slope = np.einsum("kij,ki->kj", axes, np.stack([d[1][0], d[0][1]], axis=-1))
        concave = curvature < -_FLAT
        # Where U is not concave go uphill; where it is flat to rounding stay.
        uphill = np.where(np.abs(slope) > _FLAT, 0.5 * np.sign(slope), 0.0)
        step = np.where(concave, -slope / np.where(concave, curvature, 1.0), uphill)
        step = np.clip(reach * step, -1, 1)
        trial = np.clip(at + np.einsum("kij,kj->ki", axes, step), -1, 1)
        new = derivatives(trial, 0)[0][0]
        moved = np.abs(trial - at).max()
        better = new >= value
        at = np.where(better[:, None], trial, at)
        value = np.maximum(value, new)
        reach = np.where(better[:, None], np.minimum(1.0, 2 * reach), reach / 4)
        if moved < 1e-9:
            break
    return at, value


# --- cuts ----------------------------------------------------------------------------------


def cut(modes: Modes, *, phi: float, theta: ArrayLike) -> tuple[Complex, Complex]:
    """Far field along the great circle through the z axis at azimuth ``phi``.

    Negative theta is the half at azimuth phi + pi. There the unit vectors are continued (both
    are reversed), so that the components run smoothly through the pole.

    Parameters
    ----------
    modes : Modes
        Mode coefficients, F frequencies.
    phi : float
        Azimuth of the half with theta > 0 [rad].
    theta : (A,) array_like
        Angles from +z in [-pi, pi] [rad].

    Returns
    -------
    e_theta, e_phi : (F, A) ndarray
        Complex far field, phase included [V].

    Raises
    ------
    ValueError
        If theta is out of range or an angle is not finite.
    """
    azimuth = float(as_array(phi, float, "phi", ndim=0))
    theta = as_array(theta, float, "theta", ndim=1)
    return waves.far_field_points(modes, theta=theta, phi=azimuth)


def cut_through(
    modes: Modes, *, theta: float, phi: float, plane: float, angle: ArrayLike
) -> tuple[Complex, Complex]:
    """Far field along any great circle.

    Parameters
    ----------
    modes : Modes
        Mode coefficients, F frequencies.
    theta, phi : float
        Direction that the circle goes through [rad].
    plane : float
        Angle at that direction from theta^ towards phi^ in which the circle leaves: 0 along
        theta^, pi/2 along phi^ [rad].
    angle : (A,) array_like
        Angles from that direction along the circle [rad].

    Returns
    -------
    along, across : (F, A) ndarray
        Components of the far field along the circle and along its normal r^ x (along); with
        plane = 0 they are E_theta and E_phi at angle 0, continued through the poles [V].

    Raises
    ------
    ValueError
        If an angle is not finite.
    """
    angle = as_array(angle, float, "angle", ndim=1)
    scalars = {"theta": theta, "phi": phi, "plane": plane}
    t0, p0, turn = (float(as_array(v, float, k, ndim=0)) for k, v in scalars.items())
    origin, along, across = unit_vectors(t0, p0)
    along, across = (
        np.cos(turn) * along + np.sin(turn) * across,
        np.cos(turn) * across - np.sin(turn) * along,
    )
    c, s = np.cos(angle)[:, None], np.sin(angle)[:, None]
    at_theta, at_phi = direction_angles(c * origin + s * along)
    e_theta, e_phi = waves.far_field_points(modes, theta=at_theta, phi=at_phi)
    _, unit_theta, unit_phi = unit_vectors(at_theta, at_phi)
    tangent = c * along - s * origin
    cos, sin = np.sum(unit_theta * tangent, axis=1), np.sum(unit_phi * tangent, axis=1)
    return e_theta * cos + e_phi * sin, e_phi * cos - e_theta * sin


class _Circle:
    """Far field of one frequency on a great circle, as the Fourier series that it is.

    Both components along a great circle are trigonometric polynomials of degree N, so that 2N + 1
    equal steps hold the whole cut, derivatives included.
    """

    def __init__(self, one: Modes, *, theta: float, phi: float, plane: float) -> None:
        count = 2 * one.degree + 1
        angle = 2 * np.pi * np.arange(count) / count
        samples = cut_through(one, theta=theta, phi=phi, plane=plane, angle=angle)
        spectrum = np.fft.fft(np.concatenate(samples), axis=1) / count
        self.order = np.fft.ifftshift(np.arange(-one.degree, one.degree + 1))
        #: 16 points in the shortest period of the field: all lobes worth the name show.
        self.fine = 16 * (one.degree + 1)
        self.spectrum = spectrum

    def grid(self) -> Real:
        """U at ``fine`` equal steps from the peak once around."""
        padded = np.zeros((2, self.fine), dtype=complex)
        padded[:, self.order] = self.spectrum
        return intensity(*(np.fft.ifft(padded, axis=1) * self.fine))

    def intensity(self, angle: ArrayLike) -> tuple[Real, Real, Real]:
        """U and its first two derivatives at any angles."""
        wave = np.exp(1j * np.multiply.outer(self.order, np.asarray(angle, dtype=float)))
        e, d1, d2 = (
            np.tensordot(self.spectrum * (1j * self.order) ** p, wave, 1) for p in range(3)
        )
        slope = np.sum((e.conj() * d1).real, axis=0) / WAVE_IMPEDANCE
        curvature = np.sum((e.conj() * d2).real + np.abs(d1) ** 2, axis=0) / WAVE_IMPEDANCE
        return intensity(e[0], e[1]), slope, curvature

    def extremum(self, node: NDArray[Any], sign: int) -> Real:
        """Maxima (sign 1) or minima (-1) of U within a step of the grid angles ``node``."""
        step, angle = 2 * np.pi / self.fine, node
        for _ in range(8):
            _, slope, curvature = self.intensity(angle)
            curved = sign * curvature < 0
            move = np.where(curved, -slope / np.where(curved, curvature, 1.0), 0.0)
            angle = np.clip(angle + move, node - step, node + step)
        return angle


def _circles(modes: Modes, plane: float, at: Peak | None) -> Iterator[_Circle]:
    plane = float(as_array(plane, float, "plane", ndim=0))
    at = peak(modes) if at is None else at
    if at.theta.size != modes.frequency.size:
        msg = f"the peak has {at.theta.size} frequencies, the modes have {modes.frequency.size}"
        raise ValueError(msg)
    for one, theta, phi in zip(_each_frequency(modes), at.theta, at.phi, strict=True):
        yield _Circle(one, theta=theta, phi=phi, plane=plane)


def half_power_beamwidth(modes: Modes, *, plane: float = 0.0, at: Peak | None = None) -> Real:
    """Angle between the half-power directions on both sides of the peak: `beamwidth` at 1/2."""
    return beamwidth(modes, drop_db=10 * np.log10(2), plane=plane, at=at)


def beamwidth(modes: Modes, *, drop_db: float, plane: float = 0.0, at: Peak | None = None) -> Real:
    """Width of the main lobe ``drop_db`` below the peak, in a cut through the peak.

    Parameters
    ----------
    modes : Modes
        Mode coefficients, F frequencies.
    drop_db : float
        Level below the peak that bounds the beam, positive [dB].
    plane : float
        The cut: the great circle through the peak whose tangent there makes this angle with
        theta^, towards phi^. At a pole phi is 0, so theta^ is x^ (-x^ at -z) [rad].
    at : Peak, optional
        Result of `peak(modes)`, where it is known already.

    Returns
    -------
    (F,) ndarray
        Beamwidth, NaN where the intensity of the cut never falls so far [rad].

    Raises
    ------
    ValueError
        If ``drop_db`` is not positive or the peak belongs to other modes.
    """
    if not (drop_db > 0 and np.isfinite(drop_db)):
        msg = f"drop_db is {drop_db}, expected a positive level below the peak [dB]"
        raise ValueError(msg)
    result = []
    for circle in _circles(modes, plane, at):
        u = circle.grid()
        level = float(circle.intensity(0.0)[0]) * 10 ** (-drop_db / 10)
        # A null between two grid angles may be the first to fall so far.
        lowest = np.flatnonzero((u <= np.roll(u, 1)) & (u <= np.roll(u, -1)))
        below = np.flatnonzero(u < level)
        if below.size:
            lowest = lowest[(lowest <= below[0]) | (lowest >= below[-1])]
        step = 2 * np.pi / circle.fine
        nulls = circle.extremum(lowest * step, -1)
        angle = np.concatenate([step * np.arange(circle.fine + 1), nulls])
        value = np.concatenate([u, u[:1], circle.intensity(nulls)[0]])
        order = np.argsort(angle)
        angle = angle[order]
        below = np.flatnonzero(value[order] < (1 - _FLAT) * level)
        if below.size == 0:
            result.append(np.nan)
            continue
        # Counted from the peak once around, so that the lower edge is the last crossing.
        upper = _crossing(circle, level, angle[below[0] - 1], angle[below[0]])
        lower = _crossing(circle, level, angle[below[-1] + 1], angle[below[-1]])
        result.append(upper - lower + 2 * np.pi)
    return np.array(result)


def _crossing(circle: _Circle, level: float, inside: float, outside: float) -> float:
    """Angle at which U falls to ``level`` between one not below it and one below it."""
    from scipy.optimize import brentq

    def excess(angle: float) -> float:
        return float(circle.intensity(angle)[0]) / level - 1

    if excess(inside) <= 0:  # on the level but for rounding
        return inside
    return float(brentq(excess, inside, outside, xtol=1e-14))


@dataclass(frozen=True, slots=True, eq=False)
class Sidelobes:
    """Sidelobes of one cut through the peak; all NaN where the cut has none.

    Parameters
    ----------
    first : (F,) array_like
        Intensity of the first sidelobe over that of the peak: the higher of the two lobes next to
        the main lobe, one on each side, linear.
    first_angle : (F,) array_like
        Its angle from the peak along the cut, in [-pi, pi] [rad].
    highest, highest_angle : (F,) array_like
        The same for the highest sidelobe of the cut.
    """

    first: Real
    first_angle: Real
    highest: Real
    highest_angle: Real

    def __post_init__(self) -> None:
        freeze(self, missing=True)


#: A sidelobe rises at least this much out of the minima beside it [dB]: far above rounding, far
#: below anything a lobe would be called for. What lies under the floor is rounding [dB].
_LOBE_RISE = 1e-3
_LOBE_FLOOR = -200.0


def sidelobe_level(modes: Modes, *, plane: float = 0.0, at: Peak | None = None) -> Sidelobes:
    """First and highest sidelobe in a cut through the peak, relative to the peak.

    A sidelobe is a local maximum of the intensity of both polarisations beyond the first minimum
    beside the peak; a shoulder without a minimum is part of the main lobe. A back lobe counts.

    Parameters
    ----------
    modes : Modes
        Mode coefficients, F frequencies.
    plane, at
        The cut, as in `beamwidth`.

    Returns
    -------
    Sidelobes
        Levels (linear, of power: 10 log10 gives dB) and angles, (F,) each.

    Raises
    ------
    ValueError
        If the peak belongs to other modes.
    """
    from scipy.signal import find_peaks

    rows = []
    for circle in _circles(modes, plane, at):
        u, step = circle.grid(), 2 * np.pi / circle.fine
        top = circle.intensity(0.0)[0]
        level = 10 * np.log10(np.maximum(np.append(u, u[0]) / top, 10 ** (_LOBE_FLOOR / 10)))
        lobes, _ = find_peaks(level, prominence=_LOBE_RISE)
        if lobes.size == 0:
            rows.append((np.nan,) * 4)
            continue
        # The neighbours on both sides, and whatever may turn out the highest.
        keep = (level[lobes] > level[lobes].max() - 1) | np.isin(lobes, lobes[[0, -1]])
        angle = circle.extremum(lobes[keep] * step, 1)
        value = circle.intensity(angle)[0] / top
        angle = np.where(angle > np.pi + _POLE, angle - 2 * np.pi, angle)
        first = 0 if value[0] >= value[-1] else -1
        best = int(np.argmax(value))
        rows.append((value[first], angle[first], value[best], angle[best]))
    return Sidelobes(*np.array(rows).T)
