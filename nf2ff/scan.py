"""Recognises a full grid among samples in any order, and brings them onto it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.grid import ANGLE_TOLERANCE, Grid, recognise_rule
from nf2ff.modes import SPEED_OF_LIGHT
from nf2ff.samples import Samples
from nf2ff.waves import canonical_angles


class NotAGridError(ValueError):
    """The samples do not cover a full regular grid; the message says why."""


@dataclass(frozen=True, slots=True, eq=False)
class GridScan:
    """A full regular grid found in samples, for probes of azimuthal orders +-1.

    Such a probe reads u cos(chi) + v sin(chi) at each position (an ideal field probe
    u = E_theta, v = E_phi), so two or more values of chi give the maps u and v.

    Parameters
    ----------
    grid : Grid
        The positions.
    radius : float
        Distance common to all samples [m].
    shape : tuple of int or None
        (first axis, second axis, third axis) of the responses where they already stand as a
        raster of chi = 0 and 90 deg, theta and phi in some order, else None.
    axes : tuple of int
        Which axes of ``shape`` are chi, theta and phi.
    average : sparse matrix (2 T P, M) or None
        Least squares over the samples of each position, where they do not stand as a raster.
    """

    grid: Grid
    radius: float
    shape: tuple[int, int, int] | None
    axes: tuple[int, int, int]
    average: Any

    def maps(self, response: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Maps u and v, (2, T, P), of the responses (M,) of one frequency."""
        if self.shape is not None:
            return response.reshape(self.shape).transpose(self.axes)
        maps: NDArray[np.complex128] = self.average @ response
        return maps.reshape(2, self.grid.theta.size, self.grid.phi.size)


def recognise_grid(samples: Samples) -> GridScan:
    """Find the full regular grid that the samples cover, whatever the order of their rows.

    Repeated positions, both ways of covering the sphere (theta in [0, pi] over the full circle
    of phi, or theta in [-pi, pi] over half of it) and poles visited only once are recognised.

    Raises
    ------
    NotAGridError
        If positions are missing or irregular, radii differ, or one polarisation is lacking.
    """
    if samples.moving:
        msg = "the positions differ from frequency to frequency"
        raise NotAGridError(msg)
    if samples.port.min() != samples.port.max():
        msg = "the samples are of several ports"
        raise NotAGridError(msg)
    radius = float(samples.radius[0])
    spread = samples.radius.max() - samples.radius.min()
    # A phase error of 2 pi 1e-9 is below what any result can show.
    if spread > 1e-9 * SPEED_OF_LIGHT / samples.frequency.max():
        msg = f"the radius varies by {spread:.3g} m"
        raise NotAGridError(msg)
    if samples.any_missing:
        missing = np.isnan(samples.response)
        f = int(np.argmax(missing.any(axis=1)))
        msg = f"{missing[f].sum()} samples are missing at {samples.frequency[f] / 1e9:.9g} GHz"
        raise NotAGridError(msg)
    scan = _raster(samples, radius)
    return scan if scan is not None else _scattered(samples, radius)


def _raster(samples: Samples, radius: float) -> GridScan | None:
    """The grid of samples that stand in rows and columns already, found without sorting."""
    columns = (samples.chi, samples.theta, samples.phi)
    count = samples.theta.size
    # In a raster the value of an axis first changes after one step along it.
    strides = [int(np.argmax(x != x[0])) or count for x in columns]
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
    chi, theta, phi = axes_values
    if chi.size != 2 or np.max(np.abs(chi - [0, np.pi / 2])) > 1e-12 or theta.size < 2:
        return None
    rule = recognise_rule(theta)
    if rule is None or phi.size < 2 or not -1e-12 <= phi[0] < 2 * np.pi:
        return None
    steps = phi[0] + 2 * np.pi / phi.size * np.arange(phi.size)
    if np.max(np.abs(phi - steps)) > ANGLE_TOLERANCE:
        return None
    axes = (order.index(0), order.index(1), order.index(2))
    return GridScan(Grid(theta, phi, rule), radius, shape, axes, None)


def _clusters(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Different values, those closer than the tolerance taken as one, in increasing order."""
    ordered = np.sort(values)
    return ordered[np.append(True, np.diff(ordered) > ANGLE_TOLERANCE)]


def _nearest(values: NDArray[np.float64], grid: NDArray[np.float64]) -> NDArray[np.intp]:
    return np.searchsorted(0.5 * (grid[1:] + grid[:-1]), values)


def _scattered(samples: Samples, radius: float) -> GridScan:
    """The grid of samples in any order."""
    theta, phi, turned = canonical_angles(samples.theta, samples.phi)
    chi = samples.chi + np.pi * turned
    rings = _clusters(theta)
    if rings.size > max(8, theta.size / 4):
        msg = f"{theta.size} samples have {rings.size} different polar angles"
        raise NotAGridError(msg)
    north, south = theta < ANGLE_TOLERANCE, theta > np.pi - ANGLE_TOLERANCE
    away = ~(north | south)
    if not away.any():
        msg = "all samples are at the poles"
        raise NotAGridError(msg)
    phi = np.where(phi > 2 * np.pi - ANGLE_TOLERANCE, 0.0, phi)
    steps = _clusters(phi[away])
    columns = steps[0] + 2 * np.pi / steps.size * np.arange(steps.size)
    if steps.size < 2 or np.max(np.abs(steps - columns)) > ANGLE_TOLERANCE:
        msg = f"the {steps.size} different azimuth angles are not equal steps of the full circle"
        raise NotAGridError(msg)
    rule = recognise_rule(rings)
    if rule is None:
        msg = f"the {rings.size} different polar angles follow no quadrature rule"
        raise NotAGridError(msg)
    t, p = rings.size, steps.size
    cell = _nearest(theta, rings) * p + _nearest(phi, columns)
    average = _least_squares_cells(cell, chi, phi, north, south, t, p, rings, columns)
    return GridScan(Grid(rings, columns, rule), radius, None, (0, 1, 2), average)


def _least_squares_cells(
    cell: NDArray[np.intp],
    chi: NDArray[np.float64],
    phi: NDArray[np.float64],
    north: NDArray[np.bool_],
    south: NDArray[np.bool_],
    t: int,
    p: int,
    rings: NDArray[np.float64],
    columns: NDArray[np.float64],
) -> Any:
    """Sparse matrix (2 T P, M) that fits u cos(chi) + v sin(chi) to the samples of each cell.

    At a pole all azimuth angles are the same place: all samples there determine the field along
    x and y, which is then told to every column. On the +z axis the probe's polarisation
    theta^ cos(chi) + phi^ sin(chi) is x^ cos(phi + chi) + y^ sin(phi + chi), on the -z axis
    -x^ cos(phi - chi) - y^ sin(phi - chi).
    """
    from scipy import sparse

    angle = np.where(north, chi + phi, np.where(south, phi - chi + np.pi, chi))
    # A pole's samples all count for its first column; the others are filled from there.
    place = np.where(north | south, cell - cell % p, cell)
    cos, sin = np.cos(angle), np.sin(angle)
    size = t * p
    cc = np.bincount(place, cos * cos, size)
    cs = np.bincount(place, cos * sin, size)
    ss = np.bincount(place, sin * sin, size)
    det = cc * ss - cs * cs
    needed = np.ones(size, dtype=bool).reshape(t, p)
    poles = [i for i in (0, t - 1) if min(rings[i], np.pi - rings[i]) < ANGLE_TOLERANCE]
    for i in poles:
        needed[i, 1:] = False
    seen = cc + ss
    # det = (seen/2)^2 for two orthogonal polarisations; 1e-4 is chi differing by 1 deg.
    lacking = needed.ravel() & ~(det > 1e-4 * seen * seen)
    if lacking.any():
        empty = needed.ravel() & (seen == 0)
        first = int(np.argmax(empty if empty.any() else lacking))
        where = f"theta {np.degrees(rings[first // p]):.6g} deg, phi " + (
            f"{np.degrees(columns[first % p]):.6g} deg"
        )
        msg = (
            f"{empty.sum()} of {size} positions of the grid are missing, first at {where}"
            if empty.any()
            else f"{lacking.sum()} of {size} positions lack a second polarisation "
            f"(another chi), first at {where}"
        )
        raise NotAGridError(msg)
    safe = np.where(det > 0, det, 1.0)
    u = (ss[place] * cos - cs[place] * sin) / safe[place]
    v = (cc[place] * sin - cs[place] * cos) / safe[place]
    rows = np.concatenate([place, place + size])
    source = np.tile(np.arange(cell.size), 2)
    matrix = sparse.csr_array((np.concatenate([u, v]), (rows, source)), shape=(2 * size, cell.size))
    if not poles:
        return matrix
    return _fill_poles(matrix, poles, t, p, columns)


def _fill_poles(matrix: Any, poles: list[int], t: int, p: int, columns: NDArray[np.float64]) -> Any:
    """Tell the field found at a pole (along two fixed axes) to all azimuth angles there."""
    from scipy import sparse

    size = t * p
    keep = np.ones(size, dtype=bool)
    rows, sources, values = [], [], []
    cos, sin = np.cos(columns), np.sin(columns)
    for i in poles:
        at = i * p + np.arange(p)
        keep[at] = False
        first = np.full(p, i * p)
        # u is the reading at chi = 0, v at 90 deg; along the fixed axes that is the angle phi and
        # phi + 90 deg in the north, phi + 180 deg and phi + 90 deg in the south.
        sign = 1.0 if i == 0 else -1.0
        rows += [at, at, at + size, at + size]
        sources += [first, first + size, first, first + size]
        values += [sign * cos, sign * sin, -sin, cos]
    others = np.flatnonzero(keep)
    rows += [others, others + size]
    sources += [others, others + size]
    values += [np.ones(others.size)] * 2
    fill = sparse.csr_array(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(sources))),
        shape=(2 * size, 2 * size),
    )
    return fill @ matrix
