"""What part of the sphere the samples saw, and which far-field directions that leaves in doubt."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.special import as_array

#: A direction is seen if a sample lies within this many sampling steps pi/N of it. A grid of that
#: step leaves 0.7 steps, a spiral jittered by half a step 1.3.
SEEN_STEPS = 1.5
#: Positions over which their density is judged.
CROWD = 16
#: Directions at which the sphere is searched for gaps, at most.
MOST_DIRECTIONS = 200_000


@dataclass(frozen=True, slots=True, eq=False)
class Coverage:
    """Distance from evenly spread directions to the nearest sample.

    Parameters
    ----------
    direction : (D, 3) ndarray
        Unit vectors of directions that stand for equal solid angles.
    distance : (D,) ndarray
        Angle from each to the nearest sample [rad].
    crowd_distance : (D,) ndarray
        Angle from each within which there are `CROWD` positions [rad].
    """

    direction: NDArray[np.float64]
    distance: NDArray[np.float64]
    crowd_distance: NDArray[np.float64]

    def largest_gap(self) -> float:
        """Radius of the largest circle on the sphere without a sample [rad]."""
        return float(self.distance.max())

    def unseen(self, degree: int) -> NDArray[np.bool_]:
        """Which directions have no sample within the reach of sampling steps pi/N, (D,)."""
        return self.distance > SEEN_STEPS * math.pi / degree

    def unseen_solid_angle(self, degree: int) -> float:
        """Solid angle not seen [sr]."""
        return float(4 * math.pi * self.unseen(degree).mean())

    def supported_degree(self) -> int:
        """Degree for which spacing and density of the positions suffice, gaps aside.

        Spacing: nine tenths of what was seen lie within rho of a position; a square grid of step
        pi/N has rho = 1.76/N (closed form), and 1.8/rho is taken. Rings that far apart, dense along
        themselves, have rho = 1.41/N, and so much is taken where the spacing is larger than an
        even set of that density has, 0.56/sqrt(density). Density: in nine tenths of what was seen
        there are at least 1.5 positions for each pair of degree and order, from which on the
        iteration is short (measured).
        """
        rho = float(np.quantile(self.distance, 0.9))
        seen = self.distance <= 2.7 * rho
        rho = float(np.quantile(self.distance[seen], 0.9))
        crowd = float(np.quantile(self.crowd_distance[seen], 0.9))
        density = (CROWD - 0.5) / (2 * math.pi * (1 - math.cos(crowd)))
        even = rho < 1.1 * 0.56 / math.sqrt(density)
        spacing = (1.8 if even else 1.41) / rho
        pairs = 4 * math.pi * density / 1.5
        return max(1, min(int(spacing), int(math.sqrt(pairs + 1) - 1 + 0.05)))

    def trusted(
        self, *, theta: ArrayLike, phi: ArrayLike, degree: int, kr: float
    ) -> NDArray[np.bool_]:
        """Far-field directions whose near field was seen, (M,).

        Parameters
        ----------
        theta, phi : (M,) array_like
            Directions [rad].
        degree : int
            Degree N of the antenna, whose minimum sphere then is about N/k.
        kr : float
            Wavenumber times distance of the samples.

        Notes
        -----
        Rays that leave the antenna in one direction cross the sphere of the samples within
        asin(r0/r) of it; all of that cap must be seen (geometrical optics).
        """
        theta, phi = np.broadcast_arrays(
            as_array(theta, float, "theta"), as_array(phi, float, "phi")
        )
        holes = self.direction[self.unseen(degree)]
        if holes.shape[0] == 0:
            return np.ones(theta.shape, dtype=bool)
        from scipy.spatial import cKDTree

        reach = math.asin(min(1.0, degree / kr)) + math.pi / degree
        away = cKDTree(holes).query(_unit(theta.ravel(), phi.ravel()))[0]
        trusted: NDArray[np.bool_] = (2 * np.arcsin(np.minimum(1, away / 2)) > reach).reshape(
            theta.shape
        )
        return trusted


def _unit(theta: NDArray[np.float64], phi: NDArray[np.float64]) -> NDArray[np.float64]:
    sin = np.sin(theta)
    return np.stack([sin * np.cos(phi), sin * np.sin(phi), np.cos(theta)], axis=1)


def measure_coverage(
    *,
    theta: NDArray[np.float64],
    phi: NDArray[np.float64],
    degree: int,
    density: bool = True,
    threads: int = 1,
) -> Coverage:
    """Coverage of the sphere by samples, finely enough to find the gaps that ``degree`` feels.

    Parameters
    ----------
    theta, phi : (M,) ndarray
        Different positions [rad].
    degree : int
        Degree N: a gap that matters holds 2 or more of the 0.5 N^2 directions searched.
    density : bool
        Whether the density of the positions is wanted too, for `Coverage.supported_degree`.
    threads : int
        Threads.
    """
    from scipy.spatial import cKDTree

    count = min(MOST_DIRECTIONS, max(5000, int(0.5 * degree**2)))
    i = np.arange(count, dtype=np.float64) + 0.5
    # Golden-angle lattice: equal solid angles (closed form).
    direction = _unit(np.arccos(1 - 2 * i / count), math.pi * (3 - math.sqrt(5)) * i)
    # Chords serve instead of angles; splitting cells at their middle builds the tree in a third
    # of the time.
    tree = cKDTree(_unit(theta, phi), balanced_tree=False, compact_nodes=False)
    crowd = min(CROWD, theta.size) if density else 1
    chord = tree.query(direction, k=[1, crowd], workers=threads)[0]
    angle = 2 * np.arcsin(np.minimum(1, chord / 2))
    return Coverage(direction, angle[:, 0], angle[:, 1])


def worst_coverage(found: list[Coverage]) -> Coverage:
    """Of several coverages of the same directions, the largest distances."""
    return Coverage(
        found[0].direction,
        np.max([c.distance for c in found], axis=0),
        np.max([c.crowd_distance for c in found], axis=0),
    )
