"""Weights by which a sum over positions becomes an integral over the sphere.

Positions are directions in which a power was measured, on rings of equal steps or anywhere. All
weights are solid angles [sr]; but for the sin-theta rule, and the rounding, they sum to 4 pi.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.grids import ANGLE_TOLERANCE, Rule, recognise_rule
from nf2ff.antenna.points import largest_gap
from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.sphere import unit_vectors, wrapped
from nf2ff.kernel.spin import ring_weights
from nf2ff.messages.input_error import InputError

Real = NDArray[np.float64]

#: Positions nearer than this are one position measured several times [rad]: 6e-4 deg, below the
#: step of any scan, above what is left of the azimuths of a pole, and of encoders at rest.
MERGED = 1e-5

#: Radius of an empty circle that no set for a total may have [rad]. Steps of 90 deg, the coarsest
#: of grids, leave 54.7 deg.
MAX_GAP = np.radians(60)


# --- positions -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Positions:
    """Different positions among M samples; a pole recorded at every azimuth is one of them.

    Parameters
    ----------
    theta, phi : (U,) ndarray
        Positions, theta in [0, pi], phi in [0, 2 pi) [rad].
    group : (M,) ndarray of int
        Position of each sample.
    count : (U,) ndarray of int
        Samples at each position.
    """

    theta: Real
    phi: Real
    group: NDArray[np.intp]
    count: NDArray[np.intp]

    def directions(self) -> Real:
        """Unit vectors (U, 3)."""
        return unit_vectors(self.theta, self.phi)[0]

    def average(self, values: Real) -> Real:
        """Mean (F, U) of the samples (F, M) at each position."""
        order = np.argsort(self.group, kind="stable")
        starts = np.cumsum(self.count) - self.count
        result = values[:, order[starts]]
        # Most positions of a grid have one sample, and need no sum.
        several = np.flatnonzero(self.count > 1)
        copies = order[(self.count > 1)[self.group[order]]]
        first = np.cumsum(self.count[several]) - self.count[several]
        result[:, several] = np.add.reduceat(values[:, copies], first, axis=1) / self.count[several]
        return result

    def share(self, weights: Real) -> Real:
        """Weights (M,) of the samples from those (U,) of the positions."""
        return np.asarray((weights / self.count)[self.group])


def different_positions(theta: ArrayLike, phi: ArrayLike) -> Positions:
    """Different positions among directions (M,) [rad], each that of its first sample.

    Samples within `MERGED` of each other are one position, and so are chains of them.
    """
    from scipy.spatial import cKDTree

    theta = as_array(theta, float, "theta", ndim=1)
    turned = wrapped(as_array(phi, float, "phi", ndim=1))
    tree = cKDTree(unit_vectors(theta, turned)[0], balanced_tree=False, compact_nodes=False)
    pairs = tree.query_pairs(MERGED, output_type="ndarray")
    group = np.arange(theta.size)
    if pairs.size:
        from scipy.sparse import coo_array
        from scipy.sparse.csgraph import connected_components

        near = coo_array((np.ones(len(pairs)), pairs.T), shape=(theta.size, theta.size))
        group = connected_components(near, directed=False)[1]
    first = np.unique(group, return_index=True)[1]
    return Positions(theta[first], turned[first], group, np.bincount(group))


@dataclass(frozen=True, slots=True, eq=False)
class RingPositions:
    """Positions on T rings, all with the same P equal steps of azimuth; a pole is one position.

    Parameters
    ----------
    theta : (T,) ndarray
        Polar angles of the rings, increasing [rad].
    phi0, phi_count : float, int
        First azimuth, in [0, 2 pi / P) [rad]; positions P of a ring.
    ring, column : (U,) ndarray of int
        Ring and azimuth of each position; column 0 at a pole.
    """

    theta: Real
    phi0: float
    phi_count: int
    ring: NDArray[np.intp]
    column: NDArray[np.intp]

    @property
    def is_pole(self) -> NDArray[np.bool_]:
        """Which rings are poles, (T,)."""
        return np.minimum(self.theta, np.pi - self.theta) < MERGED

    def share(self, weights: Real) -> Real:
        """Weights (U,) of the positions from those (T,) of the rings."""
        return np.asarray(np.where(self.is_pole, weights, weights / self.phi_count)[self.ring])

    def zones(self) -> Real:
        """Solid angle (T,) of the zone about each ring, up to midway to the next [sr]."""
        edges = np.concatenate([[0], (self.theta[1:] + self.theta[:-1]) / 2, [np.pi]])
        return np.asarray(-2 * np.pi * np.diff(np.cos(edges)))

    def rule(self) -> tuple[Rule | None, NDArray[np.bool_]]:
        """Quadrature rule, and the rings that it uses (T,): a pole may stand beside the rule."""
        every = np.ones(self.theta.size, dtype=bool)
        found = recognise_rule(self.theta)
        if found is None and self.is_pole.any():
            return recognise_rule(self.theta[~self.is_pole]), ~self.is_pole
        return found, every


def recognise_rings(positions: Positions) -> RingPositions | None:
    """Rings that the positions make: two or more, with 3 positions each that is not a pole; or None."""
    # A pole is the same whatever its azimuth.
    pole = np.sin(positions.theta) < MERGED
    order = np.argsort(positions.theta, kind="stable")
    new = np.diff(positions.theta[order], prepend=-1) > ANGLE_TOLERANCE
    ring = np.empty(order.size, dtype=np.intp)
    ring[order] = np.cumsum(new) - 1
    theta = positions.theta[order][new]
    counts = np.bincount(ring)
    inner = counts[np.unique(ring[~pole])]
    if theta.size < 2 or inner.size == 0 or inner[0] < 3 or np.any(inner != inner[0]):
        return None
    count = int(inner[0])
    step = 2 * np.pi / count
    phi = positions.phi[~pole]
    phi0 = float(phi.min())
    column = np.zeros(order.size, dtype=np.intp)
    nearest = np.rint((phi - phi0) / step)
    if np.max(np.abs(phi - phi0 - step * nearest)) > ANGLE_TOLERANCE:
        return None
    column[~pole] = nearest.astype(np.intp) % count
    # Two in one cell would have been merged, so that each cell has one.
    return RingPositions(theta, phi0, count, ring, column)


# --- weights -------------------------------------------------------------------------------


def sin_theta_weights(rings: RingPositions) -> Real:
    """Weights sin(theta) dtheta dphi (U,) of rings in equal steps, with or without poles [sr].

    With N steps of theta and M of phi, the sum over EIRP / 4 pi is
    TRP = pi / (2 N M) sum sum (EIRP_theta + EIRP_phi) sin(theta).

    Notes
    -----
    They do not sum to 4 pi: an isotropic source comes out low by the factor
    (pi / 2N) cot(pi / 2N), 0.025 dB at 15 deg (closed form). `quadrature_weights` cost the same
    and have no such error.

    References
    ----------
    CTIA test plan for wireless device over-the-air performance (formula from memory).
    """
    rule, used = rings.rule()
    if rule is None or rule == "gauss-legendre":
        raise InputError(
            f"sin-theta weights need equal steps of theta from pole to pole, not {_angles(rings)}",
            "take 'voronoi' or 'harmonics', or measure the missing rings",
        )
    beyond = {"clenshaw-curtis": -1.0, "fejer-1": 0.0, "fejer-2": 1.0}.get(rule, -0.5)
    step = np.pi / (np.count_nonzero(used) + beyond)
    return rings.share(np.sin(np.where(rings.is_pole, 0, rings.theta)) * 2 * np.pi * step)


def quadrature_weights(rings: RingPositions) -> tuple[Real, Rule]:
    """Weights (U,) of the quadrature rule that the rings belong to [sr], and its name.

    They are exact for patterns of degree T - 1 (Gauss-Legendre: 2T - 1) and azimuthal orders below P,
    and 0 at a pole beside the rule. "clenshaw-curtis" has both poles, "fejer-2" none; others, see
    `antenna.grids.Rule`. Rings of no rule are refused.
    """
    rule, used = rings.rule()
    if rule is None:
        raise InputError(
            f"quadrature weights need rings of a quadrature rule, not {_angles(rings)}",
            "take 'voronoi' or 'harmonics', or measure the missing rings",
        )
    weights = np.zeros(rings.theta.size)
    weights[used] = ring_weights(rule, int(used.sum()))
    return rings.share(weights), rule


def _angles(rings: RingPositions) -> str:
    first, last = np.degrees(rings.theta[[0, -1]])
    return f"{rings.theta.size} rings from {first:.6g} to {last:.6g} deg"


def mean_weights(count: int) -> Real:
    """Equal weights 4 pi / U of ``count`` positions, (U,) [sr]: for constant density only."""
    return np.full(count, 4 * np.pi / count)


def voronoi_weights(positions: Positions, *, gap: float | None = None) -> Real:
    """Solid angle (U,) of all directions that are nearest to each position [sr].

    ``gap`` is what `sphere_gap` said of them, if it was asked; raises as that does.

    References
    ----------
    3GPP TS 38.521-2 M.4.3 recommends them for grids of constant density.
    """
    from scipy.spatial import SphericalVoronoi

    if gap is None:
        sphere_gap(positions)
    # The threshold only serves to find duplicates, which are merged already.
    cells = SphericalVoronoi(positions.directions(), threshold=MERGED / 10)
    return np.asarray(cells.calculate_areas())


def sphere_gap(positions: Positions) -> float:
    """Largest circle without a position, refused where a part of the sphere was left out.

    Returns
    -------
    float
        Its angular radius over sqrt(4 pi / U), the step of an even set: 0.7 to 0.8 of spirals and
        lattices of constant density, 0.9 of grids of constant steps, 1.3 to 2 of random points.

    Raises
    ------
    ValueError
        If its radius is above `MAX_GAP`: no weights make up for directions never measured.
    """
    gap = largest_gap(positions.theta, positions.phi)
    if gap > MAX_GAP:
        raise InputError(
            f"no position within {np.degrees(gap):z.1f} deg of some direction: a total needs the "
            "whole sphere; measure the rest, or turn the device over and combine two scans"
        )
    return gap / float(np.sqrt(4 * np.pi / positions.theta.size))
