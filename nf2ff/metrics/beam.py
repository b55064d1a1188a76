"""The beam of an antenna: its peak, cuts, beamwidths and sidelobes.

All are exact: found on the expansion in `Modes` itself, never on the points of a grid. Terms are
those of IEEE Std 145 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna import fields
from nf2ff.antenna.far_field import AnyFarField, trusted_around
from nf2ff.antenna.modes import WAVE_IMPEDANCE, Modes
from nf2ff.kernel.arrays import freeze
from nf2ff.kernel.sphere import unit_vectors
from nf2ff.messages.input_error import InputError
from nf2ff.metrics import maxima
from nf2ff.metrics.cuts import LOBE_RISE, Circle, directions_along, lobe_edges, prominent_maxima
from nf2ff.metrics.gain_and_power import intensity, nonzero_power
from nf2ff.metrics.planes import Plane, PlaneLike, plane_of

Real = NDArray[np.float64]


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
#: Maxima that differ by less than this part are equal: ten times what rounding makes of them.
_EQUAL = 1e-11


#: Frequencies whose peaks are sought together.
_TOGETHER = 16


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
    count = modes.frequency.size
    # Some frequencies at a time: their patches hold more than the modes do.
    parts = [modes.at(range(f, min(f + _TOGETHER, count))) for f in range(0, count, _TOGETHER)]
    theta, phi, value = (np.concatenate(x) for x in zip(*map(_highest, parts), strict=True))
    maximum = 2 * np.pi / WAVE_IMPEDANCE * value
    eirp = maximum if modes.reference == "absolute" else None
    return Peak(theta, phi, maximum / power, eirp)


def _highest(modes: Modes) -> tuple[Real, Real, Real]:
    """theta, phi and |E|^2 of the maximum of each frequency."""
    index, centre = [], []
    for f, one in enumerate(modes.each()):
        step, u, theta, phi = _coarse_intensity(one)
        i, j = maxima.grid_maxima(u, least=_CANDIDATE_LEVEL * u.max(), limit=_CANDIDATES)
        index.append(np.full(i.size, f))
        centre.append(unit_vectors(theta[i], phi[j])[0])
    found = maxima.highest_lobes(
        modes,
        index=np.concatenate(index),
        centre=np.concatenate(centre),
        width=step,
        objective=lambda field, *_: np.sum(field.real**2 + field.imag**2, axis=-1),
        # A lobe may lie outside its patch, far outside on a ridge: no farther than round the sphere.
        rounds=4 * modes.degree + 4,
    )
    return maxima.first_of_equals(*found, equal=_EQUAL)


def peak_of(modes: Modes, at: Peak | None) -> Peak:
    """``at``, or the peak of ``modes`` where it is None; refused if it belongs to other modes."""
    at = peak(modes) if at is None else at
    if at.theta.size != modes.frequency.size:
        raise InputError(f"the peak has {at.theta.size} frequencies, the modes have {modes.frequency.size}")
    return at


def _coarse_intensity(one: Modes) -> tuple[float, Real, Real, Real]:
    """Step, U (T, P), theta and phi of a grid with poles of at most pi/4N between rings."""
    from scipy.fft import next_fast_len

    rings = next_fast_len(max(12, 4 * one.degree))
    theta, phi = np.linspace(0, np.pi, rings + 1), np.pi * np.arange(2 * rings) / rings
    u = np.empty((theta.size, phi.size))
    rows = max(1, 2**21 // phi.size)  # 32 MiB for each component
    for at in range(0, theta.size, rows):
        part = slice(at, at + rows)
        field = fields.far_field_grid(one, theta=theta[part], phi=phi, threads=maxima.threads_for(one))
        u[part] = intensity(*field)[0]
    u[0], u[-1] = u[0, 0], u[-1, 0]
    return np.pi / rings, u, theta, phi


# --- cuts ----------------------------------------------------------------------------------


_HALF_POWER = 10 * math.log10(2)
#: How planes are asked for: alike at all frequencies, or as `cut_planes` found them.
CutPlanes = PlaneLike | tuple[Plane, ...]


def cut_planes(modes: Modes, plane: PlaneLike, at: Peak | None = None) -> tuple[Plane, ...]:
    """Planes of the cuts through the peak of each frequency.

    Parameters
    ----------
    modes : Modes
        Mode coefficients, F frequencies.
    plane : float, str or Plane
        Which, as `nf2ff.metrics.planes.plane_of` has it.
    at : Peak, optional
        Result of `peak(modes)`, where it is known already.

    Returns
    -------
    tuple of Plane
        One for each frequency, with a name.

    Raises
    ------
    ValueError
        If the peak belongs to other modes, or a frequency has no such plane.
    """
    at = peak_of(modes, at)
    tops = zip(modes.each(), at.theta, at.phi, strict=True)
    return tuple(plane_of(one, plane, theta=float(t), phi=float(p)) for one, t, p in tops)


def circles(modes: Modes, plane: CutPlanes, at: Peak | None) -> Iterator[Circle]:
    """The cut through the peak of each frequency, see `beamwidth`."""
    at = peak_of(modes, at)
    if not isinstance(plane, tuple):
        plane = cut_planes(modes, plane, at)
    tops = zip(modes.each(), plane, at.theta, at.phi, strict=True)
    for one, own, theta, phi in tops:
        yield Circle(one, theta=theta, phi=phi, plane=own.angle_at(theta, phi))


def half_power_beamwidth(
    modes: Modes, *, plane: CutPlanes = 0.0, at: Peak | None = None, seen: AnyFarField | None = None
) -> Real:
    """Angle between the half-power directions on both sides of the peak: `beamwidth` at 1/2.

    Parameters
    ----------
    modes, plane, at, seen
        As in `beamwidth`, which also says what is refused.

    Returns
    -------
    (F,) ndarray
        Beamwidth, NaN where `beamwidth` is [rad].
    """
    return beamwidth(modes, drop_db=_HALF_POWER, plane=plane, at=at, seen=seen)


def beamwidth(
    modes: Modes,
    *,
    drop_db: float,
    plane: CutPlanes = 0.0,
    at: Peak | None = None,
    seen: AnyFarField | None = None,
) -> Real:
    """Width of the main lobe ``drop_db`` below the peak, in a cut through the peak.

    Parameters
    ----------
    modes : Modes
        Mode coefficients, F frequencies.
    drop_db : float
        Level below the peak that bounds the beam, positive [dB].
    plane : float, str, Plane or tuple of Plane
        The cut, a great circle through the peak, as `metrics.planes.plane_of` has it. 0: in the
        plane of phi that belongs to the beam, along theta^ but for rounding of phi to a small part
        of the beam's width, at a pole phi = 0; pi/2: across it. Or one for each frequency, as
        `cut_planes` gives them.
    at : Peak, optional
        Result of `peak(modes)`, where it is known already.
    seen : FarField or FarFieldBlocks, optional
        At the same frequencies; marks directions whose near field was not seen.

    Returns
    -------
    (F,) ndarray
        Beamwidth, NaN where the intensity of the cut never falls so far, or not all of the beam down to
        there was seen [rad].

    Raises
    ------
    ValueError
        If ``drop_db`` is not positive, the peak belongs to other modes, or there is no such plane.
    """
    if not (drop_db > 0 and np.isfinite(drop_db)):
        raise InputError(f"drop_db is {drop_db}, expected a positive level below the peak [dB]")
    found = []
    for f, circle in enumerate(circles(modes, plane, at)):
        lower, upper = lobe_edges(circle, drop_db)
        found.append(upper - lower if arc_seen(circle, lower, upper, seen, f) else np.nan)
    return np.array(found)


def arc_seen(circle: Circle, lower: float, upper: float, seen: AnyFarField | None, f: int = 0) -> bool:
    """Whether all directions of a circle between two angles [rad], all round where these are NaN, were seen
    at a frequency of ``seen``."""
    if seen is None or seen.trusted is None:
        return True
    if math.isnan(upper - lower):
        lower, upper = -np.pi, np.pi
    angle = np.append(np.arange(lower, upper, 2 * np.pi / circle.fine), upper)
    return bool(trusted_around(seen, *directions_along(**circle.place, angle=angle), index=f).all())


@dataclass(frozen=True, slots=True, eq=False)
class Sidelobes:
    """Sidelobes of one cut through the peak; all NaN where the cut has none.

    Parameters
    ----------
    first, first_angle : (F,) array_like
        Intensity of the first sidelobe over that of the peak, the higher of the two lobes next to
        the main lobe, linear; its angle from the peak along the cut, from -pi to pi [rad].
    highest, highest_angle : (F,) array_like
        The same for the highest sidelobe of the cut.
    """

    first: Real
    first_angle: Real
    highest: Real
    highest_angle: Real

    def __post_init__(self) -> None:
        freeze(self, missing=True)


def sidelobe_level(
    modes: Modes, *, plane: CutPlanes = 0.0, at: Peak | None = None, seen: AnyFarField | None = None
) -> Sidelobes:
    """First and highest sidelobe in a cut through the peak, relative to the peak.

    A sidelobe is a local maximum of the intensity of both polarisations beyond the first minimum
    beside the peak; a shoulder without a minimum is part of the main lobe. A back lobe counts.
    The highest is that of the directions that were seen, if the beam down to half power was; the first is
    told where all directions from one neighbour of the main lobe to the other were.

    Parameters
    ----------
    modes, plane, at, seen
        As in `beamwidth`.

    Returns
    -------
    Sidelobes
        Levels (linear, of power: 10 log10 gives dB) and angles, (F,) each.

    Raises
    ------
    ValueError
        If the peak belongs to other modes, or there is no such plane.
    """
    rows = []
    for f, circle in enumerate(circles(modes, plane, at)):
        level, step, top = circle.level_db(), 2 * np.pi / circle.fine, circle.intensity(0.0)[0]
        lobes = prominent_maxima(level, LOBE_RISE)
        there = trusted_around(seen, *directions_along(**circle.place, angle=lobes * step), index=f)
        beside = lobes.size and arc_seen(circle, (lobes[-1] - circle.fine) * step, lobes[0] * step, seen, f)
        lobes = lobes[there]
        if lobes.size == 0 or not arc_seen(circle, *lobe_edges(circle, _HALF_POWER), seen, f):
            rows.append((np.nan,) * 4)
            continue
        # The neighbours on both sides, and whatever may turn out the highest.
        keep = (level[lobes] > level[lobes].max() - 1) | np.isin(lobes, lobes[[0, -1]])
        angle = circle.extremum(lobes[keep] * step, 1)
        value = circle.intensity(angle)[0] / top
        angle = np.where(angle > np.pi + maxima.POLE, angle - 2 * np.pi, angle)
        first = 0 if value[0] >= value[-1] else -1
        best = int(np.argmax(value))
        next_to = (value[first], angle[first]) if beside else (np.nan, np.nan)
        rows.append((*next_to, value[best], angle[best]))
    return Sidelobes(*np.array(rows).T)
