"""The smooth part of what a field probe has read, and what is left of it.

The smooth part is the least-squares polynomial of low total degree in the coordinates that the
places span. What it leaves is ripple.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations_with_replacement

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]

#: Places span a direction if they extend in it over this part of their largest extent: what jitter
#: and two planes close together leave cannot carry a polynomial. (A choice of ours.)
SPANNED = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Variation:
    """How a quantity varies in a zone, in the unit of the quantity.

    Parameters
    ----------
    value, smooth : (K,) ndarray
        The quantity at the readings, and its low-order part.
    slope : float
        Largest minus smallest of the best linear part.
    curvature : float
        Largest minus smallest of the low-order part without it.
    """

    value: Real
    smooth: Real
    slope: float
    curvature: float

    @property
    def taper(self) -> float:
        """Largest minus smallest of the low-order part."""
        return float(np.ptp(self.smooth))

    @property
    def ripple(self) -> float:
        """Half of largest minus smallest of what the low-order part leaves: printed with +-."""
        return float(np.ptp(self.value - self.smooth) / 2)

    @property
    def ripple_rms(self) -> float:
        """Root mean square of what the low-order part leaves."""
        return float(np.sqrt(np.mean((self.value - self.smooth) ** 2)))

    @property
    def total(self) -> float:
        """Largest minus smallest of the quantity itself."""
        return float(np.ptp(self.value))


def variation(value: Real, coordinates: Real, *, degree: int) -> Variation:
    """Split a quantity into its low-order part and the rest.

    Parameters
    ----------
    value : (K,) ndarray
        The quantity at K places.
    coordinates : (K, D) ndarray
        The places in the coordinates that they span, any unit.
    degree : int
        Largest total degree of the polynomial.

    Returns
    -------
    Variation
        With the polynomial of least squares; of those that fit alike (two crossed lines do not
        determine the product of their coordinates) the one of least coefficients.
    """
    smooth = fitted(value, coordinates, degree=degree)
    linear = fitted(value, coordinates, degree=1)
    return Variation(value, smooth, float(np.ptp(linear)), float(np.ptp(smooth - linear)))


def fitted(value: Real, coordinates: Real, *, degree: int) -> Real:
    """The least-squares polynomial of a total degree, at the places themselves, (K,).

    Of lines that cross, each has a level of its own: a stray wave that is constant along one and ripples
    along the other would else be bent into a taper. What their levels differ by is left over.
    """
    matrix = powers(coordinates / max(float(np.abs(coordinates).max(initial=0)), 1e-300), degree)[:, 1:]
    levels = _crossed(coordinates)
    found = np.linalg.lstsq(np.hstack([levels, matrix]), value, rcond=1e-9)[0]
    smooth = matrix @ found[levels.shape[1] :]
    return np.asarray(smooth + np.mean(value - smooth))


def _crossed(coordinates: Real) -> Real:
    """Which of the lines that cross in the origin a place is on, (K, lines), 0 or 1; one line of all else."""
    apart: list[Real] = []
    size = np.linalg.norm(coordinates, axis=1)
    left = size
    while len(apart) < coordinates.shape[1] and left.max(initial=0) > SPANNED * size.max(initial=0):
        along = coordinates[np.argmax(left)]
        shadow = np.outer(coordinates @ along, along) / (along @ along)
        apart.append(np.linalg.norm(coordinates - shadow, axis=1))
        left = np.min(apart, axis=0)
    if not apart or left.max() > SPANNED * size.max(initial=0):
        return np.ones((len(coordinates), 1))
    return np.eye(len(apart))[np.argmin(apart, axis=0)]


def powers(coordinates: Real, degree: int) -> Real:
    """All products of coordinates up to a total degree, (K, terms)."""
    columns = [np.ones(len(coordinates))]
    for order in range(1, degree + 1):
        for chosen in combinations_with_replacement(range(coordinates.shape[1]), order):
            columns.append(np.prod(coordinates[:, chosen], axis=1))
    return np.stack(columns, axis=1)


def spanned(position: Real, axes: Real) -> Real:
    """Orthonormal directions (D, 3) that places (K, 3) extend in, next to ``axes`` (3, 3) in turn."""
    centred = position - position.mean(axis=0)
    _, _, principal = np.linalg.svd(centred.T @ centred)
    extent = np.ptp(centred @ principal.T, axis=0)
    base = principal[extent > SPANNED * extent.max(initial=0)]
    found: list[Real] = []
    # The axes seen within the space that is spanned, the one that lies in it best first.
    for axis in sorted(axes, key=lambda a: -float(np.linalg.norm(base @ a).round(6))):
        rest = base.T @ (base @ axis)
        for other in found:
            rest = rest - (rest @ other) * other
        if len(found) < len(base) and np.linalg.norm(rest) > 1e-6:
            found.append(rest / np.linalg.norm(rest))
    return np.array(found).reshape(-1, 3)


def unwrapped(phase: Real, position: Real) -> Real:
    """Phase [rad] (K,) without jumps of 2 pi, from each place to the next along the shortest tree."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import breadth_first_order, connected_components, minimum_spanning_tree
    from scipy.spatial import cKDTree

    count = len(phase)
    near = min(9, count)
    distance, other = cKDTree(position).query(position, k=near)
    # A distance of zero would be no edge; places that are read twice are next to each other.
    edges = np.maximum(distance[:, 1:].ravel(), 1e-12)
    rows = np.repeat(np.arange(count), near - 1)
    graph = coo_matrix((edges, (rows, other[:, 1:].ravel())), shape=(count, count))
    tree = minimum_spanning_tree(graph.tocsr())
    parts, label = connected_components(tree, directed=False)
    result = np.array(phase, dtype=float)
    for part in range(parts):
        members = np.flatnonzero(label == part)
        order, before = breadth_first_order(tree, members[0], directed=False)
        for i in order[1:]:
            step = phase[i] - phase[before[i]]
            result[i] = result[before[i]] + (step + np.pi) % (2 * np.pi) - np.pi
    first = result[label == 0].mean()
    for part in range(1, parts):
        turns = np.round((result[label == part].mean() - first) / (2 * np.pi))
        result[label == part] -= 2 * np.pi * turns
    return result
