"""Nulls, back radiation, squint and cross-polar discrimination of a beam.

All are found on the expansion in `Modes` itself. Terms are those of IEEE Std 145 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna import fields
from nf2ff.antenna.far_field import AnyFarField, trusted_around
from nf2ff.antenna.modes import WAVE_IMPEDANCE, Modes
from nf2ff.kernel.arrays import as_array, freeze, in_rows
from nf2ff.kernel.sphere import direction_angles, unit_vectors
from nf2ff.messages.input_error import InputError
from nf2ff.metrics import maxima
from nf2ff.metrics.beam import CutPlanes, Peak, circles, peak_of
from nf2ff.metrics.cuts import LOBE_RISE, prominent_maxima
from nf2ff.metrics.gain_and_power import intensity, nonzero_power
from nf2ff.metrics.polarisation import Basis, checked_basis, in_basis
from nf2ff.metrics.regions import Cone

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
Index = NDArray[np.intp]


# --- nulls ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Nulls:
    """The minima on both sides of the main lobe in a cut through the peak; NaN where none is.

    Parameters
    ----------
    upper, upper_angle : (F,) array_like
        Intensity of the first minimum at positive angles over that of the peak, linear; its angle from
        the peak along the cut, in (0, 2 pi) [rad].
    lower, lower_angle : (F,) array_like
        The same at negative angles, in (-2 pi, 0).
    """

    upper: Real
    upper_angle: Real
    lower: Real
    lower_angle: Real

    def __post_init__(self) -> None:
        freeze(self, missing=True)


def first_nulls(modes: Modes, *, plane: CutPlanes = 0.0, at: Peak | None = None) -> Nulls:
    """Depth and angle of the first nulls beside the main lobe, in a cut through the peak.

    A null is a minimum of the intensity of both polarisations, however shallow: beyond it the first
    sidelobe begins. Where there is no sidelobe, both are the one minimum of the cut.

    Parameters
    ----------
    modes, plane, at
        As in `nf2ff.metrics.beam.beamwidth`.

    Returns
    -------
    Nulls
        Levels (linear, of power) and angles, (F,) each.

    Raises
    ------
    ValueError
        If the peak belongs to other modes, or there is no such plane.
    """
    rows = []
    for circle in circles(modes, plane, at):
        level = circle.level_db()
        minima = prominent_maxima(-level, LOBE_RISE)
        if minima.size == 0:
            rows.append((np.nan,) * 4)
            continue
        ends = minima[[0, -1]]
        # Minima of the same depth to the last bit are both prominent, however little lies between them.
        if level[ends[0] : ends[1] + 1].max() < level[ends].max() + LOBE_RISE:
            ends[:] = ends[0]
        # Where several derivatives vanish with U, Newton's steps leave two thirds of the error.
        angle = circle.extremum(ends * 2 * np.pi / circle.fine, -1, steps=50)
        value = circle.intensity(angle)[0] / circle.intensity(0.0)[0]
        rows.append((value[0], angle[0], value[1], angle[1] - 2 * np.pi))
    return Nulls(*np.array(rows).T)


# --- back radiation, squint ----------------------------------------------------------------


def front_to_back(
    modes: Modes, *, rear_angle: float = 0.0, at: Peak | None = None, seen: AnyFarField | None = None
) -> Real:
    """Front-to-back ratio: directivity at the peak over that behind.

    Parameters
    ----------
    modes : Modes
        Mode coefficients, F frequencies.
    rear_angle : float
        With 0, behind is the direction opposite to the peak, as IEEE Std 145 has it. Else it is
        the strongest direction of the cone of this half angle about that direction, up to pi/2
        [rad].
    at : Peak, optional
        Result of `peak(modes)`, where it is known already.
    seen : FarField or FarFieldBlocks, optional
        At the same frequencies; marks directions whose near field was not seen.

    Returns
    -------
    (F,) ndarray
        Ratio of powers, linear; infinite if nothing is radiated there, NaN where the peak or what is
        behind was not seen. Above 1e24 it is rounding.

    Raises
    ------
    ValueError
        If the angle is out of range, no power is radiated, or the peak belongs to other modes.
    """
    angle = float(as_array(rear_angle, float, "rear_angle", ndim=0))
    if not 0 <= angle <= np.pi / 2:
        raise InputError(f"rear_angle is {angle:.6g} rad, expected 0 (the direction opposite) to pi/2")
    power = nonzero_power(modes.frequency, modes.radiated_power())
    at = peak_of(modes, at)
    theta, phi = np.pi - at.theta, at.phi + np.pi
    if angle == 0:
        pairs = zip(modes.each(), theta, phi, strict=True)
        u = np.array(
            [intensity(*fields.far_field_points(one, theta=t, phi=p, threads=1))[0, 0] for one, t, p in pairs]
        )
    else:
        u = _highest_within(modes, Cone(theta, phi, angle), _intensity)[2]
    rings = np.linspace(0, angle, 32 if angle else 1)
    known = []
    for f, front in enumerate(unit_vectors(at.theta, at.phi)[0]):
        both = np.concatenate([front[None], Cone.around(-front, rings, np.linspace(0, 2 * np.pi, 64))])
        known.append(bool(trusted_around(seen, *direction_angles(both), index=f).all()))
    with np.errstate(divide="ignore"):
        return np.where(known, at.directivity * power / (4 * np.pi * u), np.nan)


def _intensity(field: Complex, *_: NDArray[np.generic]) -> Real:
    square = np.sum(field.real**2 + field.imag**2, axis=-1)
    return np.asarray(square / (2 * WAVE_IMPEDANCE))


@dataclass(frozen=True, slots=True, eq=False)
class Squint:
    """How far the peak lies from a stated axis.

    Parameters
    ----------
    angle : (F,) array_like
        Angle between both, from 0 to pi [rad].
    along, across : (F,) array_like
        Angle from the axis to the peak as seen in the first and in the second principal plane:
        to the peak's projection on the plane, from -pi to pi [rad].
    """

    angle: Real
    along: Real
    across: Real

    def __post_init__(self) -> None:
        freeze(self)


def squint(modes: Modes, *, theta: float, phi: float, plane: float = 0.0, at: Peak | None = None) -> Squint:
    """Beam squint: angle between the peak and a stated axis.

    Parameters
    ----------
    modes : Modes
        Mode coefficients, F frequencies.
    theta, phi : float
        The axis, usually the mechanical boresight [rad].
    plane : float
        The first principal plane holds the axis and leaves it at this angle from theta^ towards
        phi^; positive is that way. The second leaves it pi/2 farther round. For the axis +z with
        phi = 0 they are the planes xz and yz [rad].
    at : Peak, optional
        Result of `peak(modes)`, where it is known already.

    Returns
    -------
    Squint
        Angles, (F,) each.

    Raises
    ------
    ValueError
        If an angle is not finite, or the peak belongs to other modes.
    """
    scalars = {"theta": theta, "phi": phi, "plane": plane}
    t0, p0, turn = (float(as_array(v, float, k, ndim=0)) for k, v in scalars.items())
    at = peak_of(modes, at)
    axis, unit_theta, unit_phi = unit_vectors(t0, p0)
    beam = unit_vectors(at.theta, at.phi)[0]
    ahead, a, b = beam @ axis, beam @ unit_theta, beam @ unit_phi
    along, across = np.cos(turn) * a + np.sin(turn) * b, np.cos(turn) * b - np.sin(turn) * a
    return Squint(np.arctan2(np.hypot(a, b), ahead), np.arctan2(along, ahead), np.arctan2(across, ahead))


# --- cross-polar discrimination --------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Discrimination:
    """The direction of least cross-polar discrimination, and what is radiated there.

    Parameters
    ----------
    theta, phi : (F,) array_like
        The direction, NaN where the cone is dark [rad].
    co, cross : (F,) array_like
        Partial directivities there, linear.
    """

    theta: Real
    phi: Real
    co: Real
    cross: Real

    def __post_init__(self) -> None:
        freeze(self, missing=True)

    @property
    def ratio(self) -> Real:
        """Cross-polar discrimination: co- over cross-polar intensity, (F,); infinite if none."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(self.co / self.cross)


#: A ratio this small is a null of the co-polar pattern, which is not chased further.
_NULL = 1e-4
#: Directions of a directivity below this are left out: rounding of 1e-13 in the field would be
#: seen there as cross-polarisation of 1e-6 and more.
_DARK = 1e-20


def cross_polar_discrimination(
    modes: Modes,
    cone: Cone,
    basis: Basis,
    *,
    reference_angle: float = 0.0,
    co: Literal["first", "second"] = "first",
) -> Discrimination:
    """The direction of least cross-polar discrimination within a cone, and what is radiated there.

    Parameters
    ----------
    modes : Modes
        Mode coefficients, F frequencies.
    cone : Cone
        Where to look: about a fixed axis, or with ``theta`` and ``phi`` of `peak(modes)` about
        the beam.
    basis, reference_angle
        As in `nf2ff.metrics.polarisation.components`.
    co : {"first", "second"}
        Which component of the basis is co-polar; "second" is left-hand circular, for instance.

    Returns
    -------
    Discrimination
        That direction, and both partial directivities there.

    Raises
    ------
    ValueError
        If basis and reference angle do not fit, the cone holds a pole at which the basis has no
        direction, no power is radiated, or the cone has axes for another number of frequencies.

    Notes
    -----
    The search runs on the cross-polar share of the intensity, which is bounded, about the highest
    local maxima of a grid of steps pi/4N or less. Where the co-polar pattern has a null within
    the cone the ratio is 0 there; the search for it ends below 1e-4, or a little earlier where
    the null lies on a narrow curved ridge.
    """
    reference = checked_basis(basis, reference_angle)
    if co not in ("first", "second"):
        raise InputError(f"co is {co!r}, expected 'first' or 'second' component of the basis")
    _refuse_poles(cone, basis)
    # Directivity over |E|^2.
    scale = 2 * np.pi / WAVE_IMPEDANCE / nonzero_power(modes.frequency, modes.radiated_power())

    def parts(field: Complex, direction: Real, index: Index) -> tuple[Real, Real]:
        e = maxima.components_towards(field, direction)
        phi = np.zeros(1)
        if basis == "ludwig-3":  # the only one that asks for the azimuth
            x, y, _ = in_rows(np.moveaxis(direction, -1, 0))
            phi = np.arctan2(y, x)
        first, second = (
            scale[index][:, None] * (c.real**2 + c.imag**2)
            for c in in_basis(*e, phi, basis=basis, reference_angle=reference)
        )
        return (first, second) if co == "first" else (second, first)

    def share(field: Complex, direction: Real, index: Index) -> Real:
        wanted, other = parts(field, direction, index)
        total = wanted + other
        lit = total > _DARK
        return np.where(lit, other / np.where(lit, total, 1.0), -1.0)

    direction, field, value = _highest_within(modes, cone, share, enough=1 - _NULL)
    here = parts(field[:, None], direction[:, None], np.arange(modes.frequency.size))
    theta, phi = direction_angles(direction)
    dark = value < 0
    return Discrimination(*(np.where(dark, np.nan, x) for x in (theta, phi, *(p[:, 0] for p in here))))


def _refuse_poles(cone: Cone, basis: Basis) -> None:
    reach = cone.half_angle * (1 + 1e-12)
    north = bool(np.any(cone.theta <= reach)) and basis in ("theta-phi", "linear")
    south = bool(np.any(np.pi - cone.theta <= reach)) and basis != "circular"
    if north or south:
        other = "'circular'" if south else "'ludwig-3' or 'circular'"
        raise InputError(
            f"the cone holds the pole theta = {0 if north else 180} deg, where the components of "
            f"{basis!r} have no direction",
            f"take a narrower cone or {other}",
        )


# --- search within a cone --------------------------------------------------------------------

#: Local maxima of the coarse grid that are looked at more closely, and those then climbed.
_CANDIDATES = 24
_CLIMBED = 4
#: Where some value is enough, so many of them come first: the rest are mostly not needed then.
_FIRST = 8
#: New patches for a maximum that leaves its own.
_ATTEMPTS = 6


def _highest_within(
    modes: Modes, cone: Cone, objective: maxima.Objective, *, enough: float = np.inf
) -> tuple[Real, Complex, Real]:
    """Direction (F, 3), field (F, 3) and value (F,) of the highest objective within ``cone``."""
    axes = cone.axes(modes.frequency.size)
    index, centre, rank, step = _lobes_within(modes, axes, cone.half_angle, objective, enough)
    first = rank < (_FIRST if enough < np.inf else _CANDIDATES)

    def within(field: Complex, direction: Real, index: Index) -> Real:
        ahead = np.sum(direction * axes[index][:, None], axis=-1)
        inside = ahead >= np.cos(cone.half_angle) - 1e-9
        return np.where(inside, objective(field, direction, index), -1.0)

    def confine(patches: maxima.Patches, direction: Real) -> Real:
        return _confine(direction, axes[patches.index][:, None], cone.half_angle)

    def highest(top: Real) -> NDArray[np.bool_]:
        few = 1 if top.max() >= enough else _CLIMBED
        return np.asarray(top >= np.sort(top)[-few:][0])

    count = modes.frequency.size
    best = np.full(count, -np.inf)
    towards, there = np.zeros((count, 3)), np.zeros((count, 3), dtype=complex)
    for part in (first, ~first):
        left = part & (best[index] < enough)
        which, middle = index[left], centre[left]
        for _ in range(_ATTEMPTS):
            if which.size == 0:
                break
            patches = maxima.sample_patches(
                modes, index=which, centre=middle, width=step, objective=within, keep=highest, axes=axes
            )
            direction, field, value = maxima.climb_within(patches, objective, confine, enough=enough)
            for k in np.flatnonzero(value > best[patches.index]):
                f = patches.index[k]
                if value[k] > best[f]:
                    best[f], towards[f], there[f] = value[k], direction[k], field[k]
            at = patches.coordinates(direction[:, None])[:, 0]
            outside = np.any(np.abs(at) > 1 - 1e-6, axis=1) & (best[patches.index] < enough)
            which, middle = patches.index[outside], direction[outside]
    return towards, there, best


def _lobes_within(
    modes: Modes, axes: Real, half_angle: float, objective: maxima.Objective, enough: float
) -> tuple[Index, Real, Index, float]:
    """Frequency (K,), direction (K, 3) and rank (K,) among those of its frequency, 0 the highest,
    of local maxima on a grid, and its step [rad]."""
    step = min(np.pi / (4 * max(modes.degree, 3)), half_angle / 8)
    rings = np.linspace(0, half_angle, int(np.ceil(half_angle / step)) + 1)
    turns = max(8, int(np.ceil(2 * np.pi * np.sin(min(half_angle, np.pi / 2)) / step)))
    psi = 2 * np.pi * np.arange(turns) / turns
    index, centre, rank = [], [], []
    for f, one in enumerate(modes.each()):
        direction = Cone.around(axes[f], rings, psi)
        field = maxima.field_towards(one, direction)
        value = objective(field[None], direction[None], np.array([f])).reshape(rings.size, turns)
        limit = 1 if value.max() >= enough else _CANDIDATES
        i, j = maxima.grid_maxima(value, least=0.0, limit=limit, last_is_pole=half_angle >= np.pi - 1e-9)
        # A cone without any light: its axis stands for it.
        chosen = i * turns + j if i.size else np.zeros(1, dtype=np.intp)
        index.append(np.full(chosen.size, f))
        centre.append(direction[chosen])
        rank.append(np.argsort(np.argsort(-value.ravel()[chosen], kind="stable")))
    return np.concatenate(index), np.concatenate(centre), np.concatenate(rank), step


def _confine(direction: Real, axis: Real, half_angle: float) -> Real:
    """The directions (..., 3) themselves or, outside the cone, the nearest ones on its surface."""
    ahead = np.sum(direction * axis, axis=-1, keepdims=True)
    aside = direction - ahead * axis
    size = np.linalg.norm(aside, axis=-1, keepdims=True)
    outside = (np.arctan2(size, ahead) > half_angle) & (size > 0)
    edge = np.cos(half_angle) * axis + np.sin(half_angle) * aside / np.where(size > 0, size, 1.0)
    return np.where(outside, edge, direction)
