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

from nf2ff import search, waves
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
#: points pi/4N apart even a pattern that uses degree N to the full falls no lower than
#: cos^2(pi/(4 sqrt 2)) = 0.72 of its peak (Bernstein's inequality for degree 2N).
_CANDIDATE_LEVEL = 0.71
#: A bound on memory that only disorder of very high degree could meet.
_CANDIDATES = 1024
#: A maximum this part of the highest found so far may yet turn out the highest.
_HIGH = 0.97
#: Candidates that leave their patch and are followed farther.
_WANDERERS = 4
#: Maxima that differ by less than this part are equal: ten times what rounding makes of them.
_EQUAL = 1e-11
#: A peak closer than this to a pole, or to phi = 0, is on it [rad].
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
    A grid of steps pi/4N finds the lobes that may hold the maximum. About each, the field is
    sampled on a patch of the sphere, which no pole disturbs, and the polynomial through the 12 x 12
    samples, exact to 1e-13, is climbed by Newton steps.
    """
    power = nonzero_power(modes.frequency, modes.radiated_power())
    index, direction, value = _highest_lobes(modes)
    theta, phi = direction_angles(direction)
    at_pole = np.minimum(theta, np.pi - theta) < _POLE
    theta = np.where(at_pole, np.where(theta < 1, 0.0, np.pi), theta)
    seam = np.minimum(phi, 2 * np.pi - phi) * np.sin(theta) < _POLE
    phi = np.where(at_pole | seam, 0.0, phi)
    highest = np.zeros(modes.frequency.size)
    np.maximum.at(highest, index, value)
    equal = np.flatnonzero(value >= (1 - _EQUAL) * highest[index])
    order = equal[np.lexsort((phi[equal], np.round(theta[equal], 6), index[equal]))]
    best = order[np.unique(index[order], return_index=True)[1]]
    maximum = 2 * np.pi / WAVE_IMPEDANCE * value[best]
    eirp = maximum if modes.reference == "absolute" else None
    return Peak(theta[best], phi[best], maximum / power, eirp)


def peak_of(modes: Modes, at: Peak | None) -> Peak:
    """``at``, or the peak of ``modes`` where it is None.

    Raises
    ------
    ValueError
        If the peak belongs to other modes.
    """
    at = peak(modes) if at is None else at
    if at.theta.size != modes.frequency.size:
        msg = f"the peak has {at.theta.size} frequencies, the modes have {modes.frequency.size}"
        raise ValueError(msg)
    return at


def _highest_lobes(modes: Modes) -> tuple[NDArray[np.intp], Real, Real]:
    """Frequency (K,), direction (K, 3) and |E|^2 (K,) of maxima, the highest among them."""
    starts, found = [], []
    for f, one in enumerate(search.each_frequency(modes)):
        step, u, theta, phi = _coarse_intensity(one)
        i, j = search.grid_maxima(u, least=_CANDIDATE_LEVEL * u.max(), limit=_CANDIDATES)
        starts.append((np.full(i.size, f), unit_vectors(theta[i], phi[j])[0]))
    index, centre = (np.concatenate(part) for part in zip(*starts, strict=True))
    # A lobe may lie outside its patch, far outside on a ridge: no farther than round the sphere.
    for _ in range(4 * modes.degree + 4):
        patches = search.sample_patches(
            modes,
            index=index,
            centre=centre,
            width=step,
            objective=lambda field, *_: np.sum(field.real**2 + field.imag**2, axis=-1),
            keep=lambda top: top >= _HIGH * search.NODE_LEVEL * top.max(),
        )
        at, value = search.climb(patches)
        direction = patches.direction(at[:, None])[:, 0]
        found.append((patches.index, direction, value))
        high = np.zeros(modes.frequency.size)
        np.maximum.at(high, patches.index, _HIGH * value)
        move = np.any(np.abs(at) >= 1, axis=1) & (value >= high[patches.index])
        # The highest few will do: along a ridge many are on their way to the same place.
        order = np.flatnonzero(move)[np.lexsort((-value[move], patches.index[move]))]
        index = patches.index[order]
        few = np.arange(index.size) - np.searchsorted(index, index) < _WANDERERS
        index, centre = index[few], direction[order[few]]
        if index.size == 0:
            break
    index, direction, value = (np.concatenate(part) for part in zip(*found, strict=True))
    return index, direction, value


def _coarse_intensity(one: Modes) -> tuple[float, Real, Real, Real]:
    """Step, U (T, P), theta and phi of a grid with poles of at most pi/4N between rings."""
    from scipy.fft import next_fast_len

    rings = next_fast_len(max(12, 4 * one.degree))
    theta, phi = np.linspace(0, np.pi, rings + 1), np.pi * np.arange(2 * rings) / rings
    u = np.empty((theta.size, phi.size))
    rows = max(1, 2**21 // phi.size)  # 32 MiB for each component
    for at in range(0, theta.size, rows):
        part = slice(at, at + rows)
        field = waves.far_field_grid(
            one, theta=theta[part], phi=phi, threads=search.threads_for(one)
        )
        u[part] = intensity(*field)[0]
    u[0], u[-1] = u[0, 0], u[-1, 0]
    return np.pi / rings, u, theta, phi


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


#: A sidelobe rises at least this much out of the minima beside it [dB]: far above rounding, far
#: below anything a lobe would be called for. What lies under the floor is rounding [dB].
LOBE_RISE = 1e-3
_LOBE_FLOOR = -200.0


class Circle:
    """Far field of one frequency on a great circle, as the Fourier series that it is.

    Both components along a great circle are trigonometric polynomials of degree N, so that 2N + 1
    equal steps hold the whole cut, derivatives included. With ``weights`` of the components along
    the circle and across it only their weighted sum counts, one polarisation, with which the
    intensity is that of this polarisation alone.
    """

    def __init__(
        self,
        one: Modes,
        *,
        theta: float,
        phi: float,
        plane: float,
        weights: tuple[complex, complex] | None = None,
    ) -> None:
        count = 2 * one.degree + 1
        angle = 2 * np.pi * np.arange(count) / count
        samples = np.concatenate(cut_through(one, theta=theta, phi=phi, plane=plane, angle=angle))
        if weights is not None:
            samples = np.stack([np.asarray(weights) @ samples, np.zeros(count)])
        spectrum = np.fft.fft(samples, axis=1) / count
        self.order = np.fft.ifftshift(np.arange(-one.degree, one.degree + 1))
        #: 16 points in the shortest period of the field: all lobes worth the name show.
        self.fine = 16 * (one.degree + 1)
        self.spectrum = spectrum
        self.series = np.concatenate([spectrum * (1j * self.order) ** p for p in range(3)])

    def grid(self) -> Real:
        """U at ``fine`` equal steps from the peak once around."""
        padded = np.zeros((2, self.fine), dtype=complex)
        padded[:, self.order] = self.spectrum
        return intensity(*(np.fft.ifft(padded, axis=1) * self.fine))

    def level_db(self) -> Real:
        """U over that of the peak from the peak once around, both ends included [dB]."""
        u = self.grid()
        top = self.intensity(0.0)[0]
        return 10 * np.log10(np.maximum(np.append(u, u[0]) / top, 10 ** (_LOBE_FLOOR / 10)))

    def intensity(self, angle: ArrayLike) -> tuple[Real, Real, Real]:
        """U and its first two derivatives at any angles."""
        wave = np.exp(1j * np.multiply.outer(self.order, np.asarray(angle, dtype=float)))
        e, d1, d2 = (self.series @ wave).reshape(3, 2, *wave.shape[1:])
        slope = np.sum((e.conj() * d1).real, axis=0) / WAVE_IMPEDANCE
        curvature = np.sum((e.conj() * d2).real + np.abs(d1) ** 2, axis=0) / WAVE_IMPEDANCE
        return intensity(e[0], e[1]), slope, curvature

    def extremum(self, node: NDArray[Any], sign: int, *, steps: int = 8) -> Real:
        """Maxima (sign 1) or minima (-1) of U within a step of the grid angles ``node``."""
        step, angle = 2 * np.pi / self.fine, node
        for _ in range(steps):
            _, slope, curvature = self.intensity(angle)
            curved = sign * curvature < 0
            move = np.where(curved, -slope / np.where(curved, curvature, 1.0), 0.0)
            before, angle = angle, np.clip(angle + move, node - step, node + step)
            if np.max(np.abs(angle - before), initial=0) < 1e-15:
                break
        return angle


def circles(modes: Modes, plane: float, at: Peak | None) -> Iterator[Circle]:
    """The cut through the peak of each frequency, see `beamwidth`."""
    plane = float(as_array(plane, float, "plane", ndim=0))
    at = peak_of(modes, at)
    for one, theta, phi in zip(search.each_frequency(modes), at.theta, at.phi, strict=True):
        yield Circle(one, theta=theta, phi=phi, plane=plane)


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
    return np.array([lobe_width(circle, drop_db) for circle in circles(modes, plane, at)])


def lobe_width(circle: Circle, drop_db: float) -> float:
    """Width of the lobe about angle 0 of a cut, ``drop_db`` below the level there, as `beamwidth`.

    Parameters
    ----------
    circle : Circle
        The cut.
    drop_db : float
        Level below that at angle 0, positive [dB].

    Returns
    -------
    float
        Width, NaN where the intensity never falls so far [rad].
    """
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
    below = np.flatnonzero(value[order] < (1 - search.FLAT) * level)
    if below.size == 0:
        return np.nan
    # Counted from the peak once around, so that the lower edge is the last crossing.
    upper = _crossing(circle, level, angle[below[0] - 1], angle[below[0]])
    lower = _crossing(circle, level, angle[below[-1] + 1], angle[below[-1]])
    return upper - lower + 2 * np.pi


def _crossing(circle: Circle, level: float, inside: float, outside: float) -> float:
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
    rows = []
    for circle in circles(modes, plane, at):
        level, step, top = circle.level_db(), 2 * np.pi / circle.fine, circle.intensity(0.0)[0]
        lobes = search.prominent_maxima(level, LOBE_RISE)
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
