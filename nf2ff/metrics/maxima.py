"""Maxima on the sphere of what depends on the far field, found on the expansion itself.

A grid of directions finds the lobes. About each, the field is sampled on a small patch of the
sphere and becomes a polynomial as exact as the expansion, on which the maximum is climbed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna import fields
from nf2ff.antenna.modes import Modes
from nf2ff.kernel.sphere import direction_angles, unit_vectors

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
Index = NDArray[np.intp]
#: (field (K, S, 3), direction (K, S, 3), frequency index (K,)) -> value (K, S) to be made as
#: large as possible; negative where a direction does not count.
Objective = Callable[[Complex, Real, Index], Real]

#: Samples along each side of a patch. A component of the field has degree N, so that in a patch
#: that reaches pi/4N to either side the interpolant through 12 Chebyshev nodes errs by less than
#: (pi/4)^12 / (12! 2^11) = 6e-14 of its largest value (Bernstein's inequality).
SIDE = 12
#: The nodes lie closer than 0.21/N, no point of the patch is farther than 0.15/N from one, and a
#: pattern of degree 2N falls no lower than cos^2(0.15) = 0.977 of a maximum so near.
NODE_LEVEL = 0.977
_ANGLES = np.pi * (np.arange(SIDE) + 0.5) / SIDE
_NODES = np.cos(_ANGLES)
_FIT = np.cos(np.outer(np.arange(SIDE), _ANGLES)) * np.where(np.arange(SIDE) == 0, 1, 2)[:, None]
_FIT /= SIDE
#: Curvature and slope (times the patch, over U) that rounding alone can feign.
FLAT = 1e-9
#: Handing a transform over to another thread takes longer than one of this degree or less, unless
#: it is to so many directions.
_SMALL = 60
_FEW = 5000


def threads_for(modes: Modes) -> int | None:
    """Threads for a transform at a few directions or on a coarse grid: one, or all (None)."""
    return 1 if modes.degree <= _SMALL else None


def field_towards(one: Modes, direction: Real) -> Complex:
    """Cartesian far field (..., 3) of ``one`` frequency in ``direction`` (..., 3) [V]."""
    theta, phi = direction_angles(direction.reshape(-1, 3))
    threads = threads_for(one) if theta.size < _FEW else None
    e_theta, e_phi = fields.far_field_points(one, theta=theta, phi=phi, threads=threads)
    e_theta, e_phi = (e[0].reshape(direction.shape[:-1]) for e in (e_theta, e_phi))
    cos, sin, sine, cosine = _sines(direction)
    away = e_theta * cosine
    field = np.empty(direction.shape, dtype=complex)
    field[..., 0] = away * cos - e_phi * sin
    field[..., 1] = away * sin + e_phi * cos
    field[..., 2] = -sine * e_theta
    return field


def components_towards(field: Complex, direction: Real) -> tuple[Complex, Complex]:
    """E_theta and E_phi (...) of a Cartesian ``field`` (..., 3) in ``direction`` (..., 3)."""
    cos, sin, sine, cosine = _sines(direction)
    x, y, z = field[..., 0], field[..., 1], field[..., 2]
    return cosine * (cos * x + sin * y) - sine * z, cos * y - sin * x


def _sines(direction: Real) -> tuple[Real, Real, Real, Real]:
    """cos(phi), sin(phi), sin(theta), cos(theta); at the poles phi is 0."""
    x, y, z = direction[..., 0], direction[..., 1], direction[..., 2]
    sine = np.sqrt(x * x + y * y)
    pole = sine == 0
    per = 1 / np.where(pole, 1.0, sine)
    return np.where(pole, 1.0, x * per), y * per, sine, z


def grid_maxima(value: Real, *, least: float, limit: int, last_is_pole: bool = True) -> tuple[Index, Index]:
    """Local maxima of ``value`` (T, P) on rings about the pole of the first row.

    Parameters
    ----------
    value : (T, P) ndarray
        Values on T rings of P equal steps once around; all of the first row are one direction.
    least : float
        Lower values are left out.
    limit : int
        The highest so many are kept.
    last_is_pole : bool
        Whether the last row is one direction too.

    Returns
    -------
    i, j : (K,) ndarray of int
        Ring and place on it, in the order of the rings.
    """
    i, j = np.nonzero(value >= least)
    here, last = value[i, j] / (1 - FLAT), value.shape[0] - 1
    highest = np.ones(i.size, dtype=bool)
    for up in (-1, 0, 1):
        ring = np.clip(i + up, 0, last)
        for right in (-1, 0, 1):
            highest &= here >= value[ring, (j + right) % value.shape[1]]
    # At a pole all of the next ring are neighbours.
    highest &= (i != 0) | (here >= value[1].max())
    if last_is_pole:
        highest &= (i != last) | (here >= value[-2].max())
    i, j = i[highest], j[highest]
    # A body of revolution has whole rings of equal maxima: one point stands for its ring.
    level = np.round(value[i, j] / max(value.max(), np.finfo(float).tiny), 9)
    new = np.append(True, (np.diff(i) != 0) | (np.diff(level) != 0))[: i.size]
    i, j, level = i[new], j[new], level[new]
    order = np.sort(np.argsort(-level, kind="stable")[:limit])
    return i[order], j[order]


def prominent_maxima(value: Real, least: float) -> Index:
    """Local maxima of ``value`` (M,) that rise out of the minima on both sides.

    Parameters
    ----------
    value : (M,) ndarray
        Values in a row; its ends are no maxima.
    least : float
        Least rise out of the deeper sea to the sides: on each side the lowest value before a
        higher one, or the end, the higher of both counts.

    Returns
    -------
    (K,) ndarray of int
        Their places, increasing; of equal neighbours the one in the middle.
    """
    first = np.flatnonzero(np.append(True, np.diff(value) != 0))
    last = np.append(first[1:], value.size) - 1
    height = value[first]
    rise = np.diff(height) > 0
    top = np.flatnonzero(rise[:-1] & ~rise[1:]) + 1
    if top.size == 0:
        return top
    # Lowest value before each maximum, after the one before it, and after the last.
    valley = np.minimum.reduceat(height, np.append(0, top))
    result = []
    for at, peak in enumerate(height[top]):
        higher = np.flatnonzero(height[top] > peak)
        left, right = higher[higher < at], higher[higher > at]
        low = valley[left[-1] + 1 if left.size else 0 : at + 1].min()
        high = valley[at + 1 : right[0] + 1 if right.size else None].min()
        result.append(peak - max(low, high) >= least)
    keep = top[np.array(result)]
    return (first[keep] + last[keep]) // 2


# --- patches -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Patches:
    """The field about K directions as polynomials.

    A direction of a patch is reached from its centre along a great circle that leaves towards
    x along + y across, and lies sqrt(x^2 + y^2) times ``width`` away; x and y are in [-1, 1].

    Parameters
    ----------
    index : (K,) ndarray of int
        Frequency of each patch, not decreasing.
    centre, along, across : (K, 3) ndarray
        Unit vectors: the middle, and two across it and each other.
    width : float
        From the middle to a side [rad].
    coefficients : (K, 3, 12, 12) ndarray
        Of Chebyshev polynomials in x and y, for each Cartesian component of the field [V].
    best : (K, 2) ndarray
        The node at which the objective is highest.
    """

    index: Index
    centre: Real
    along: Real
    across: Real
    width: float
    coefficients: Complex
    best: Real

    def take(self, which: NDArray[np.bool_] | Index) -> Patches:
        """Some of the patches."""
        return Patches(
            self.index[which],
            self.centre[which],
            self.along[which],
            self.across[which],
            self.width,
            self.coefficients[which],
            self.best[which],
        )

    def direction(self, at: Real) -> Real:
        """Unit vectors (K, S, 3) at x, y (K, S, 2) of each patch."""
        x, y = at[..., :1] * self.width, at[..., 1:] * self.width
        away = x * self.along[:, None] + y * self.across[:, None]
        angle = np.hypot(x, y)
        result: Real = np.cos(angle) * self.centre[:, None] + np.sinc(angle / np.pi) * away
        return result

    def coordinates(self, direction: Real) -> Real:
        """The x, y (K, S, 2) of unit vectors (K, S, 3): inverse of `direction`."""
        x, y, z = (
            np.sum(direction * axis[:, None], axis=-1) for axis in (self.along, self.across, self.centre)
        )
        sine = np.hypot(x, y)
        stretch = np.where(sine > 0, np.arctan2(sine, z) / np.where(sine > 0, sine, 1.0), 1.0)
        return np.stack([x * stretch, y * stretch], axis=-1) / self.width

    def field(self, at: Real) -> Complex:
        """Cartesian field (K, S, 3) at x, y (K, S, 2) of each patch [V]."""
        count, size = at.shape[:2]
        in_x = _chebyshev(at[..., 0], 0)[..., 0]
        in_y = _chebyshev(at[..., 1], 0)[..., 0]
        columns = self.coefficients.transpose(0, 2, 1, 3).reshape(count, SIDE, 3 * SIDE)
        rows = (in_x @ columns).reshape(count, size, 3, SIDE)
        return np.asarray((rows @ in_y[..., None])[..., 0])

    def derivatives(self, at: Real) -> Complex:
        """Field and derivatives (K, 3, 3, 3) at x, y (K, 2): component, order in x, order in y."""
        in_x = _chebyshev(at[:, 0], 2).swapaxes(1, 2)[:, None]
        in_y = _chebyshev(at[:, 1], 2)[:, None]
        return np.asarray(in_x @ self.coefficients @ in_y)


def _chebyshev(x: Real, highest: int) -> Real:
    """Chebyshev polynomials (..., 12, highest + 1) at ``x``, and their derivatives."""
    t = np.zeros((SIDE, *x.shape, highest + 1))
    t[0, ..., 0], t[1, ..., 0] = 1, x
    if highest:
        t[1, ..., 1] = 1
    times = np.arange(1, highest + 1)
    for k in range(2, SIDE):
        t[k] = 2 * x[..., None] * t[k - 1] - t[k - 2]
        # The p-th derivative of x T is x T^(p) + p T^(p-1).
        t[k, ..., 1:] += 2 * times * t[k - 1, ..., :-1]
    return np.moveaxis(t, 0, -2)


def sample_patches(
    modes: Modes,
    *,
    index: Index,
    centre: Real,
    width: float,
    objective: Objective,
    keep: Callable[[Real], NDArray[np.bool_]],
    axes: Real | None = None,
) -> Patches:
    """Sample the field of ``modes`` about directions.

    Parameters
    ----------
    modes : Modes
        Mode coefficients.
    index, centre, width
        As in `Patches`.
    objective : callable
        What is to be made large.
    keep : callable
        (K,) largest values of the objective on the nodes of the patches of one frequency ->
        which of them to keep.
    axes : (F, 3) ndarray, optional
        Unit vectors, one a frequency, away from which ``along`` points; towards theta^ if left out.

    Returns
    -------
    Patches
        Those kept.
    """
    _, along, across = unit_vectors(*direction_angles(centre))
    if axes is not None:
        aside = np.cross(axes[index], centre)
        size = np.linalg.norm(aside, axis=1, keepdims=True)
        # On the axis itself rounding would choose a direction, and not one across the middle.
        off = size > 1e-6
        across = np.where(off, aside / np.where(off, size, 1.0), across)
        along = np.cross(across, centre)
    node = np.stack(np.meshgrid(_NODES, _NODES, indexing="ij"), axis=-1).reshape(1, -1, 2)
    empty = np.zeros((centre.shape[0], 0, SIDE, SIDE), dtype=complex)
    bare = Patches(index, centre, along, across, width, empty, np.zeros((centre.shape[0], 2)))
    kept, coefficients, best = [], [], []
    for f in np.unique(index):
        here = np.flatnonzero(index == f)
        one = modes.at(f)
        direction = bare.take(here).direction(node)
        field = field_towards(one, direction)
        value = objective(field, direction, index[here])
        good = keep(value.max(axis=1))
        kept.append(here[good])
        best.append(node[0, value[good].argmax(axis=1)])
        samples = field[good].transpose(0, 2, 1).reshape(-1, 3, SIDE, SIDE)
        coefficients.append(_FIT @ samples @ _FIT.T)
    k = np.concatenate(kept)
    return Patches(
        index[k], centre[k], along[k], across[k], width, np.concatenate(coefficients), np.concatenate(best)
    )


# --- maxima on patches ---------------------------------------------------------------------


def climb(patches: Patches) -> tuple[Real, Real]:
    """Maxima of |E|^2 within patches, reached from their middles.

    Newton steps that keep inside the patch and never descend.

    Returns
    -------
    at : (K, 2) ndarray
        Their x, y.
    value : (K,) ndarray
        |E|^2 there [V^2].
    """
    at = np.zeros((patches.index.size, 2))
    slope, hessian, value = _slopes(patches, at)
    reach, active = np.ones(value.size), np.arange(value.size)
    top = value.max()
    for _ in range(40):
        step = _newton(slope / top, hessian / top, reach[active])
        trial = np.clip(at[active] + step, -1, 1)
        moved = np.abs(trial - at[active]).max(axis=1)
        new_slope, new_hessian, new = _slopes(patches.take(active), trial)
        better = new >= value[active]
        at[active[better]], value[active[better]] = trial[better], new[better]
        slope = np.where(better[:, None], new_slope, slope)
        hessian = np.where(better[:, None, None], new_hessian, hessian)
        reach[active] = np.where(better, np.minimum(1.0, 2 * reach[active]), reach[active] / 4)
        on = moved > FLAT
        active, slope, hessian = active[on], slope[on], hessian[on]
        if active.size == 0:
            break
    return at, value


def _newton(slope: Real, hessian: Real, reach: Real) -> Real:
    """Steps (K, 2) to the maximum of a parabola, where it has none uphill, times ``reach`` (K,)."""
    curvature, axes = np.linalg.eigh(hessian)
    rise = np.einsum("kij,ki->kj", axes, slope)
    concave = curvature < -FLAT
    # Where it is flat to rounding stay.
    uphill = np.where(np.abs(rise) > FLAT, 0.5 * np.sign(rise), 0.0)
    step = np.where(concave, -rise / np.where(concave, curvature, 1.0), uphill)
    return np.einsum("kij,kj->ki", axes, np.clip(reach[:, None] * step, -1, 1))


def _slopes(patches: Patches, at: Real) -> tuple[Real, Real, Real]:
    """Gradient (K, 2), second derivatives (K, 2, 2) and value (K,) of |E|^2."""
    d = patches.derivatives(at)

    def product(p: tuple[int, int], q: tuple[int, int]) -> Real:
        a, b = d[:, :, p[0], p[1]], d[:, :, q[0], q[1]]
        return np.asarray(np.sum(a.real * b.real + a.imag * b.imag, axis=1))

    e, x, y = (0, 0), (1, 0), (0, 1)
    slope = 2 * np.stack([product(e, x), product(e, y)], axis=-1)
    mixed = product(x, y) + product(e, (1, 1))
    rows = [product(x, x) + product(e, (2, 0)), mixed, mixed, product(y, y) + product(e, (0, 2))]
    return slope, 2 * np.stack(rows, axis=-1).reshape(-1, 2, 2), product(e, e)


#: Points of the square: the middle first.
_STENCIL = np.array([[0, 0], *([x, y] for x in (-1, 0, 1) for y in (-1, 0, 1) if x or y)], float)
#: Values at these points to gradient and second derivatives, in units of the square.
_SLOPE = np.linalg.pinv(_STENCIL)
_PARABOLA = np.stack([_STENCIL[:, 0] ** 2 / 2, np.prod(_STENCIL, 1), _STENCIL[:, 1] ** 2 / 2], 1)
_CURVATURE = np.linalg.pinv(np.column_stack([np.ones(9), _STENCIL, _PARABOLA]))[3:]
#: Gains below this part of the value are left: the direction is then known to its root, 1e-5 of
#: a patch, and rounding would feign more.
_GAIN = 1e-10
_STEPS = 80


def climb_within(
    patches: Patches,
    objective: Objective,
    confine: Callable[[Patches, Real], Real],
    *,
    enough: float = np.inf,
) -> tuple[Real, Complex, Real]:
    """Maxima of any objective over part of the sphere, reached from the best nodes of patches.

    Of nine points of a square, and the top of the parabola through them, the highest becomes the
    middle of the next; the square shrinks where the middle is the highest already. An edge of the
    region, on which the maximum may lie, does no harm if it runs ``across`` the patches.

    Parameters
    ----------
    patches : Patches
        The field.
    objective : callable
        What is to be made large.
    confine : callable
        (patches, direction (K, S, 3)) -> the nearest directions within the region.
    enough : float
        A value beyond which it matters no more how much higher the maximum of a frequency is:
        all its patches are left where they are.

    Returns
    -------
    direction : (K, 3) ndarray
        Unit vectors, to about 1e-5 of a patch.
    field : (K, 3) ndarray
        Cartesian field there [V].
    value : (K,) ndarray
        The objective there.
    """
    count = patches.index.size
    towards, there = np.empty((count, 3)), np.empty((count, 3), dtype=complex)
    highest, active = np.empty(count), np.arange(count)
    at, side = patches.best[:, None], np.full(count, 0.25)
    guess = at
    for _ in range(_STEPS):
        trial = np.concatenate([at + side[:, None, None] * _STENCIL, guess], axis=1)
        direction = confine(patches, patches.direction(np.clip(trial, -1, 1)))
        trial = patches.coordinates(direction)
        field = patches.field(trial)
        value = objective(field, direction, patches.index)
        towards[active], there[active] = direction[:, 0], field[:, 0]
        highest[active] = value[:, 0]
        size = np.abs(value[:, :1])
        # A gain by rounding is none, or the square would wander along an edge for ever.
        best = np.where(value - value[:, :1] > _GAIN * size, value, -np.inf).argmax(axis=1)
        scaled = value[:, :9] / np.where(size > 0, size, 1.0)
        hessian = (scaled @ _CURVATURE.T)[:, [0, 1, 1, 2]].reshape(-1, 2, 2)
        step = _newton(scaled @ _SLOPE.T, hessian, np.ones(side.size))
        guess = at + (side[:, None] * step)[:, None]
        at = np.take_along_axis(trial, best[:, None, None], axis=1)
        # Where only the parabola's top was higher the square was too large as well; where a point
        # of it was, it may have shrunk too early.
        grown = np.minimum(2 * side, 0.25)
        side = np.where(best == 0, side / 3, np.where(best == 9, side / 2, grown))
        on = (side > 1e-5) & ~np.isin(patches.index, patches.index[value[:, 0] >= enough])
        if not on.any():
            break
        if 2 * np.count_nonzero(on) < on.size:
            patches, active = patches.take(on), active[on]
            at, side, guess = at[on], side[on], guess[on]
    return towards, there, highest
