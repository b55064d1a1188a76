"""Maxima on the sphere of what depends on the far field, found on the expansion itself.

A grid of directions finds the lobes. About each, the field is sampled on a small patch of the
sphere and becomes a polynomial as exact as the expansion, on which the maximum is climbed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.polynomial.chebyshev import chebvander
from numpy.typing import NDArray

from nf2ff.antenna import fields
from nf2ff.antenna.modes import Modes
from nf2ff.kernel.sphere import direction_angles, unit_vectors
from nf2ff.metrics import patches as polynomials
from nf2ff.metrics.patches import FLAT

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
#: x, y of the nodes.
_NODES = np.stack(np.meshgrid(*2 * [polynomials.nodes(SIDE)], indexing="ij"), axis=-1).reshape(-1, 2)
#: Handing a transform over to another thread takes longer than one of this degree or less, unless
#: it is to so many directions.
_SMALL = 60
_FEW = 5000
#: A maximum this part of the highest found so far may yet turn out the highest.
_HIGH = 0.97
#: Candidates that leave their patch and are followed farther.
_WANDERERS = 4


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
    """Local maxima of ``value`` (T, P) on T rings of P equal steps about the pole of the first row.

    Parameters
    ----------
    value : (T, P) ndarray
        Values; all of the first row are one direction.
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


# --- patches -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Patches:
    """A field, or a real function, about K directions as polynomials.

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
    coefficients : (K, 3, 12, 12) ndarray of complex, or (K, 1, 12, 12) ndarray
        Of Chebyshev polynomials in x and y, for each Cartesian component of the field [V]; or for
        a real function.
    best : (K, 2) ndarray
        The node at which the objective is highest.
    """

    index: Index
    centre: Real
    along: Real
    across: Real
    width: float
    coefficients: NDArray[Any]
    best: Real

    def take(self, which: NDArray[np.bool_] | Index) -> Patches:
        """Some of the patches."""
        names = ("index", "centre", "along", "across", "coefficients", "best")
        return replace(self, **{name: getattr(self, name)[which] for name in names})

    def direction(self, at: Real) -> Real:
        """Unit vectors (K, S, 3) at x, y (K, S, 2) of each patch."""
        frame = (axis[:, None] for axis in (self.centre, self.along, self.across))
        return polynomials.around(at[..., 0] * self.width, at[..., 1] * self.width, *frame)

    def coordinates(self, direction: Real) -> Real:
        """The x, y (K, S, 2) of unit vectors (K, S, 3): inverse of `direction`."""
        frame = (axis[:, None] for axis in (self.centre, self.along, self.across))
        return np.stack(polynomials.coordinates(direction, *frame), axis=-1) / self.width

    def field(self, at: Real) -> NDArray[Any]:
        """Cartesian field (K, S, 3) at x, y (K, S, 2) of each patch [V]."""
        count, size = at.shape[:2]
        in_x, in_y = (chebvander(at[..., i], SIDE - 1) for i in (0, 1))
        columns = self.coefficients.transpose(0, 2, 1, 3).reshape(count, SIDE, -1)
        rows = (in_x @ columns).reshape(count, size, -1, SIDE)
        return np.asarray((rows @ in_y[..., None])[..., 0])

    def derivatives(self, at: Real) -> NDArray[Any]:
        """Field and derivatives (K, 3, 3, 3) at x, y (K, 2): component, order in x, order in y."""
        return polynomials.jet(self.coefficients, at)

    def jet(self, at: Real) -> Real:
        """|E|^2, or the real function itself, and derivatives (K, 3, 3) at x, y (K, 2)."""
        d = self.derivatives(at)
        if not np.iscomplexobj(d):
            return np.asarray(d[:, 0])

        def product(p: tuple[int, int], q: tuple[int, int]) -> Real:
            a, b = d[:, :, *p], d[:, :, *q]
            return np.asarray(np.sum(a.real * b.real + a.imag * b.imag, axis=1))

        e, x, y = (0, 0), (1, 0), (0, 1)
        result = np.zeros((len(at), 3, 3))
        result[:, 0, 0] = product(e, e)
        result[:, 1, 0], result[:, 0, 1] = 2 * product(e, x), 2 * product(e, y)
        result[:, 2, 0] = 2 * (product(x, x) + product(e, (2, 0)))
        result[:, 1, 1] = 2 * (product(x, y) + product(e, (1, 1)))
        result[:, 0, 2] = 2 * (product(y, y) + product(e, (0, 2)))
        return result


def sample_patches(
    source: Modes | Callable[[int, Real], NDArray[Any]],
    *,
    index: Index,
    centre: Real,
    width: float,
    objective: Objective,
    keep: Callable[[Real], NDArray[np.bool_]],
    axes: Real | None = None,
) -> Patches:
    """Sample a field about directions.

    Parameters
    ----------
    source : Modes or callable
        Mode coefficients; or (frequency index, direction (K, S, 3)) -> real values (K, S, 1).
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
    bare = Patches(index, centre, along, across, width, centre, centre)
    kept, coefficients, best = [], [], []
    for f in np.unique(index):
        here = np.flatnonzero(index == f)
        direction = bare.take(here).direction(_NODES[None])
        field = field_towards(source.at(f), direction) if isinstance(source, Modes) else source(f, direction)
        value = objective(field, direction, index[here])
        good = keep(value.max(axis=1))
        kept.append(here[good])
        best.append(_NODES[value[good].argmax(axis=1)])
        samples = field[good].transpose(0, 2, 1)
        coefficients.append(polynomials.fit(samples.reshape(*samples.shape[:2], SIDE, SIDE)))
    found = bare.take(np.concatenate(kept))
    return replace(found, coefficients=np.concatenate(coefficients), best=np.concatenate(best))


# --- maxima on patches ---------------------------------------------------------------------


def climb(patches: Patches) -> tuple[Real, Real]:
    """Maxima of |E|^2 [V^2], or of the real function, within patches, reached from their middles.

    Returns
    -------
    at, value : (K, 2), (K,) ndarray
        Their x, y, and what is there.
    """
    at, jets = polynomials.climb(lambda which, at: patches.take(which).jet(at), patches.index.size)
    return at, jets[:, 0, 0]


def highest_lobes(
    source: Modes | Callable[[int, Real], NDArray[Any]],
    *,
    index: Index,
    centre: Real,
    width: float,
    objective: Objective,
    rounds: int,
) -> tuple[Index, Real, Real]:
    """Maxima climbed from directions of a grid, the highest of each frequency among them.

    Parameters
    ----------
    source, index, centre, width, objective
        As in `sample_patches`; the objective is |E|^2, or the real function itself.
    rounds : int
        New patches, at most, for a lobe that lies outside its own.

    Returns
    -------
    index, direction, value : (K,), (K, 3), (K,) ndarray
        Frequency, unit vector and value of each.
    """
    high = np.full(index.max() + 1, -np.inf)
    found = []
    for _ in range(rounds):
        patches = sample_patches(
            source,
            index=index,
            centre=centre,
            width=width,
            objective=objective,
            keep=lambda top: top >= _HIGH * NODE_LEVEL * top.max(),
        )
        at, value = climb(patches)
        direction = patches.direction(at[:, None])[:, 0]
        found.append((patches.index, direction, value))
        np.maximum.at(high, patches.index, value)
        move = np.any(np.abs(at) >= 1, axis=1) & (value >= _HIGH * high[patches.index])
        # The highest few will do: along a ridge many are on their way to the same place.
        order = np.flatnonzero(move)[np.lexsort((-value[move], patches.index[move]))]
        index = patches.index[order]
        few = np.arange(index.size) - np.searchsorted(index, index) < _WANDERERS
        index, centre = index[few], direction[order[few]]
        if index.size == 0:
            break
    indices, directions, values = (np.concatenate(part) for part in zip(*found, strict=True))
    return indices, directions, values


#: A peak closer than this to a pole, or to phi = 0, is written as on it: rounding [rad].
POLE = 1e-7


def first_of_equals(index: Index, direction: Real, value: Real, *, equal: float) -> tuple[Real, Real, Real]:
    """Theta and phi [rad] and value (F,) of the highest of each frequency.

    Of those within the part ``equal`` of it the one of smallest theta; at a pole, or but for
    rounding at phi = 0, phi is 0.
    """
    theta, phi = direction_angles(direction)
    at_pole = np.minimum(theta, np.pi - theta) < POLE
    theta = np.where(at_pole, np.where(theta < 1, 0.0, np.pi), theta)
    seam = np.minimum(phi, 2 * np.pi - phi) * np.sin(theta) < POLE
    phi = np.where(at_pole | seam, 0.0, phi)
    highest = np.full(index.max() + 1, -np.inf)
    np.maximum.at(highest, index, value)
    among = np.flatnonzero(value >= (1 - equal) * highest[index])
    order = among[np.lexsort((phi[among], np.round(theta[among], 6), index[among]))]
    best = order[np.unique(index[order], return_index=True)[1]]
    return theta[best], phi[best], value[best]


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
    patches, objective
        The field, and what is to be made large.
    confine : callable
        (patches, direction (K, S, 3)) -> the nearest directions within the region.
    enough : float
        A value beyond which it matters no more how much higher the maximum of a frequency is:
        all its patches are left where they are.

    Returns
    -------
    direction, field, value : (K, 3), (K, 3), (K,) ndarray
        Unit vectors, to about 1e-5 of a patch; Cartesian field [V] and objective there.
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
        step = polynomials.newton_step(scaled @ _SLOPE.T, hessian)
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
