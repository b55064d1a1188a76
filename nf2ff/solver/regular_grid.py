"""Recognises a full grid among samples in any order, and brings them onto it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple, NoReturn

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.grids import ANGLE_TOLERANCE, Grid, recognise_rule
from nf2ff.antenna.modes import SPEED_OF_LIGHT
from nf2ff.kernel.sphere import canonical_angles
from nf2ff.kernel.torus import turn_factors
from nf2ff.measurement.samples import Samples

Real = NDArray[np.float64]


class NotAGridError(ValueError):
    """The samples do not cover a full regular grid; the message says why."""


@dataclass(frozen=True, slots=True, eq=False)
class GridScan:
    """A full regular grid found in samples.

    At each position a probe of azimuthal orders +-s reads u cos(s chi) + v sin(s chi), one of
    order 0 a constant (an ideal field probe, s = 1: u = E_theta, v = E_phi), so enough values of
    chi give the maps u and v of each s.

    Parameters
    ----------
    grid : Grid
        The positions.
    radius : float
        Distance common to all samples [m].
    spins : tuple of int
        Orders s that the maps are of.
    shape : tuple of int or None
        (first axis, second axis, third axis) of the responses where they already stand as a
        raster of chi, theta and phi in some order, else None.
    axes : tuple of int
        Which axes of ``shape`` are chi, theta and phi.
    turns : (C, K) ndarray or None
        From the K values of chi of a raster to the maps; None where they are the maps.
    average : sparse matrix (C T P, M) or None
        Least squares over the samples of each position, where they do not stand as a raster.
    distinct : bool
        Whether it is known that no two samples have the same angles.
    """

    grid: Grid
    radius: float
    spins: tuple[int, ...]
    shape: tuple[int, int, int] | None
    axes: tuple[int, int, int]
    turns: Real | None
    average: Any
    distinct: bool = False

    @property
    def finest(self) -> bool:
        """Whether the last axis of the raster is that of theta or phi, and its steps are not the wider."""
        steps = {1: float(np.diff(self.grid.theta).min()), 2: float(self.grid.phi[1] - self.grid.phi[0])}
        own = steps.get(self.axes.index(2))
        return own is not None and own < 2 * min(steps.values())

    def maps(self, response: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Maps, (C, T, P), of the responses (M,) of one frequency: for each s one or two."""
        if self.shape is not None:
            maps = response.reshape(self.shape).transpose(self.axes)
            return maps if self.turns is None else np.tensordot(self.turns, maps, axes=1)
        found: NDArray[np.complex128] = self.average @ response
        return found.reshape(-1, self.grid.theta.size, self.grid.phi.size)


def _basis(spins: tuple[int, ...], chi: Real) -> Real:
    """What each map contributes to a reading at ``chi`` (M,): (C, M)."""
    return np.concatenate([turn_factors(s, chi) for s in spins])


#: Least over largest eigenvalue of the normal equations of one position: two readings of one
#: polarisation each tell them apart if chi differs by 1 deg.
SEPARABLE = 1e-4


def recognise_grid(samples: Samples, *, spins: tuple[int, ...] = (1,)) -> GridScan:
    """Find the full regular grid that the samples cover, whatever the order of their rows.

    Repeated positions, both ways of covering the sphere (theta in [0, pi] over the full circle
    of phi, or theta in [-pi, pi] over half of it) and poles visited only once are recognised.

    Parameters
    ----------
    samples : Samples
        Samples.
    spins : tuple of int
        |mu| of the probe's azimuthal orders, which chi must separate.

    Raises
    ------
    NotAGridError
        If positions are missing or irregular, radii differ, or the values of chi are too few.
    """
    if samples.moving:
        raise NotAGridError("the positions differ from frequency to frequency")
    if len(samples.ports()) > 1:
        raise NotAGridError("the samples are of several ports")
    spread = samples.farthest - samples.nearest
    # A phase error of 2 pi 1e-9 is below what any result can show.
    if spread > 1e-9 * SPEED_OF_LIGHT / samples.frequency.max():
        raise NotAGridError(f"the radius varies by {spread:.3g} m")
    if samples.any_missing:
        missing = np.isnan(samples.response)
        f = int(np.argmax(missing.any(axis=1)))
        raise NotAGridError(f"{missing[f].sum()} samples are missing at {samples.frequency[f] / 1e9:.9g} GHz")
    found = samples.once(_recognised, spins)
    if isinstance(found, str):
        raise NotAGridError(found)
    return found


def _recognised(samples: Samples, spins: tuple[int, ...]) -> GridScan | str:
    """The grid of the positions, or why there is none."""
    radius = float(samples.radius[0])
    raster = samples.once(raster_of)
    try:
        found = raster and _on_raster(raster, radius, spins)
        return found or _scattered(samples, radius, spins)
    except NotAGridError as error:
        return str(error)


class Raster(NamedTuple):
    """Rows and columns that samples stand in, each with every other.

    ``order`` says which of ``values`` of chi, theta and phi [rad] the three axes of ``shape`` are of.
    """

    shape: tuple[int, int, int]
    order: tuple[int, int, int]
    values: tuple[Real, Real, Real]


def raster_of(samples: Samples) -> Raster | None:
    """The rows and columns that samples stand in already, found without sorting; None if they do not."""
    columns = (samples.chi, samples.theta, samples.phi)
    count = samples.theta.size
    if samples.moving:
        return None
    strides = [_first_change(x) for x in columns]
    order = sorted(range(3), key=lambda i: -strides[i])
    outer, middle, inner = (strides[i] for i in order)
    if inner != 1 or middle % inner or outer % middle or count % outer:
        return None
    shape = (count // outer, outer // middle, middle // inner)
    axes_values = []
    for column in range(3):
        along = order.index(column)
        grid = columns[column].reshape(shape)
        values = np.moveaxis(grid, along, 0)[:, 0, 0]
        spread = [1, 1, 1]
        spread[along] = shape[along]
        if not np.array_equal(grid, np.broadcast_to(values.reshape(spread), shape)):
            return None
        axes_values.append(values)
    return Raster(shape, (order[0], order[1], order[2]), (axes_values[0], axes_values[1], axes_values[2]))


def _first_change(x: Real) -> int:
    """In a raster the value of an axis first changes after one step along it; how many there are if never."""
    start, size = 1, 64
    while start < x.size:
        changed = x[start : start + size] != x[0]
        if (at := int(np.argmax(changed))) or changed[0]:
            return start + at
        start, size = start + size, 2 * size
    return x.size


def _on_raster(raster: Raster, radius: float, spins: tuple[int, ...]) -> GridScan | None:
    """The grid that rows and columns are, if any."""
    chi, theta, phi = raster.values
    if theta.size < 2:
        return None
    turns = None
    if spins != (1,) or chi.size != 2 or np.max(np.abs(chi - [0, np.pi / 2])) > 1e-12:
        basis = _basis(spins, chi)
        size = np.linalg.svd(basis, compute_uv=False) if chi.size >= len(basis) else [1, 0]
        if size[-1] ** 2 < SEPARABLE * size[0] ** 2:
            return None
        turns = np.asarray(np.linalg.pinv(basis.T), dtype=float)
    rule = recognise_rule(theta)
    if rule is None or phi.size < 2 or not -1e-12 <= phi[0] < 2 * np.pi:
        return None
    steps = phi[0] + 2 * np.pi / phi.size * np.arange(phi.size)
    if np.max(np.abs(phi - steps)) > ANGLE_TOLERANCE:
        return None
    axes = (raster.order.index(0), raster.order.index(1), raster.order.index(2))
    distinct = np.unique(np.round(np.mod(chi, 2 * np.pi), 9)).size == chi.size
    return GridScan(Grid(theta, phi, rule), radius, spins, raster.shape, axes, turns, None, distinct)


def _clusters(values: Real) -> Real:
    """Different values, those closer than the tolerance taken as one, in increasing order."""
    ordered = np.sort(values)
    return ordered[np.append(True, np.diff(ordered) > ANGLE_TOLERANCE)]


def _nearest(values: Real, grid: Real) -> NDArray[np.intp]:
    return np.searchsorted(0.5 * (grid[1:] + grid[:-1]), values)


def _scattered(samples: Samples, radius: float, spins: tuple[int, ...]) -> GridScan:
    """The grid of samples in any order."""
    theta, phi, turned = canonical_angles(samples.theta, samples.phi)
    chi = samples.chi + np.pi * turned
    rings = _clusters(theta)
    if rings.size > max(8, theta.size / 4):
        raise NotAGridError(f"{theta.size} samples have {rings.size} different polar angles")
    north, south = theta < ANGLE_TOLERANCE, theta > np.pi - ANGLE_TOLERANCE
    away = ~(north | south)
    if not away.any():
        raise NotAGridError("all samples are at the poles")
    phi = np.where(phi > 2 * np.pi - ANGLE_TOLERANCE, 0.0, phi)
    steps = _clusters(phi[away])
    columns = steps[0] + 2 * np.pi / steps.size * np.arange(steps.size)
    if steps.size < 2 or np.max(np.abs(steps - columns)) > ANGLE_TOLERANCE:
        raise NotAGridError(
            f"the {steps.size} different azimuth angles are not equal steps of the full circle"
        )
    rule = recognise_rule(rings)
    if rule is None:
        raise NotAGridError(f"the {rings.size} different polar angles follow no quadrature rule")
    t, p = rings.size, steps.size
    cell = _nearest(theta, rings) * p + _nearest(phi, columns)
    # A pole's samples all count for its first column; the others are filled from there. On the
    # +z axis only chi + phi matters, on the -z axis chi - phi.
    place = np.where(away, cell, cell - cell % p)
    angle = np.where(north, chi + phi, np.where(south, chi - phi, chi))
    poles = [i for i in (0, t - 1) if min(rings[i], np.pi - rings[i]) < ANGLE_TOLERANCE]
    average = _least_squares_cells(place, angle, spins, rings, columns, poles)
    return GridScan(Grid(rings, columns, rule), radius, spins, None, (0, 1, 2), None, average)


def _least_squares_cells(
    place: NDArray[np.intp], angle: Real, spins: tuple[int, ...], rings: Real, columns: Real, poles: list[int]
) -> Any:
    """Sparse matrix (C T P, M) that fits the maps to the samples of each position."""
    from scipy import sparse

    t, p = rings.size, columns.size
    size = t * p
    basis = _basis(spins, angle)
    count = len(basis)
    normal = np.empty((size, count, count))
    for i in range(count):
        for k in range(i, count):
            normal[:, i, k] = normal[:, k, i] = np.bincount(place, basis[i] * basis[k], size)
    needed = np.ones(size, dtype=bool).reshape(t, p)
    for i in poles:
        needed[i, 1:] = False
    visits = np.bincount(place, minlength=size)
    if count == 2 and spins[0]:
        # (a, b; b, c): its eigenvalues by hand, which is much faster for large grids.
        a, b, c = normal[:, 0, 0], normal[:, 0, 1], normal[:, 1, 1]
        determinant = a * c - b * b
        separate = determinant > SEPARABLE * (a + c) ** 2
        safe = np.where(separate, determinant, 1.0)
        inverse = np.empty_like(normal)
        inverse[:, 0, 0], inverse[:, 1, 1] = c / safe, a / safe
        inverse[:, 0, 1] = inverse[:, 1, 0] = -b / safe
    else:
        values, vectors = np.linalg.eigh(normal)
        separate = values[:, 0] > SEPARABLE * values[:, -1]
        safe = np.where(separate[:, None], values, 1.0)
        inverse = (vectors / safe[:, None, :]) @ vectors.swapaxes(1, 2)
    lacking = needed.ravel() & ~separate
    if lacking.any():
        _refuse(lacking, needed.ravel() & (visits == 0), spins, rings, columns)
    fit = np.einsum("mck,km->cm", inverse[place], basis)
    rows = np.concatenate([place + i * size for i in range(count)])
    source = np.tile(np.arange(place.size), count)
    matrix = sparse.csr_array((fit.ravel(), (rows, source)), shape=(count * size, place.size))
    if not poles:
        return matrix
    return _fill_poles(matrix, spins, poles, t, columns)


def _refuse(
    lacking: NDArray[np.bool_], empty: NDArray[np.bool_], spins: tuple[int, ...], rings: Real, columns: Real
) -> NoReturn:
    p = columns.size
    first = int(np.argmax(empty if empty.any() else lacking))
    theta, phi = np.degrees(rings[first // p]), np.degrees(columns[first % p])
    if empty.any():
        problem = f"{empty.sum()} of {lacking.size} positions of the grid are missing"
    elif spins == (1,):
        problem = f"{lacking.sum()} of {lacking.size} positions lack a second polarisation (another chi)"
    else:
        orders = ", ".join("0" if s == 0 else f"+-{s}" for s in spins)
        problem = (
            f"{lacking.sum()} of {lacking.size} positions have values of chi that cannot separate "
            f"the probe's azimuthal orders {orders}"
        )
    raise NotAGridError(f"{problem}, first at theta {theta:z.6g} deg, phi {phi:z.6g} deg")


def _fill_poles(matrix: Any, spins: tuple[int, ...], poles: list[int], t: int, columns: Real) -> Any:
    """Tell what was found at a pole, where chi and phi are one, to all azimuth angles there."""
    from scipy import sparse

    p = columns.size
    size = t * p
    keep = np.ones(size, dtype=bool)
    for i in poles:
        keep[i * p : (i + 1) * p] = False
    others = np.flatnonzero(keep)
    rows, sources, values = [], [], []
    at_map = 0
    for s in spins:
        maps = 1 if s == 0 else 2
        for c in range(at_map, at_map + maps):
            rows.append(others + c * size)
            sources.append(others + c * size)
            values.append(np.ones(others.size))
        for i in poles:
            at = i * p + np.arange(p) + at_map * size
            first = np.full(p, i * p + at_map * size)
            # A cos s(chi +- phi) + B sin s(chi +- phi), + in the north, as u cos(s chi) + v sin.
            sign = 1.0 if i == 0 else -1.0
            cos, sin = np.cos(s * columns), sign * np.sin(s * columns)
            rows.append(at)
            sources.append(first)
            values.append(cos)
            if s:
                rows += [at, at + size, at + size]
                sources += [first + size, first, first + size]
                values += [sin, -sin, cos]
        at_map += maps
    fill = sparse.csr_array(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(sources))),
        shape=(at_map * size, at_map * size),
    )
    return fill @ matrix
