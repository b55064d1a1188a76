"""What part of the sphere the samples saw, and which far-field directions that leaves in doubt."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, partial
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.sphere import angle_of_chord, canonical_angles, directions, unit_vectors
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.solver.polarisations import places

Real = NDArray[np.float64]

#: A direction is seen if both components were sampled within this many sampling steps pi/N of it.
#: A grid of that step leaves 0.7 steps, a spiral jittered by half a step 1.3.
SEEN_STEPS = 1.5
#: Steps from what was not seen to where rays count as seen: it begins 1.5 steps from the last
#: sample, and half a step beyond the error is still 0.1 dB of a beam there (simulated).
TRUST_STEPS = 2.0
#: Distance beyond which the rim of a gap is told of as a part of it: a grid leaves less.
RIM_STEPS = 0.75
#: Positions over which their density is judged.
CROWD = 16
#: Directions at which the sphere is searched for gaps, at most.
MAX_DIRECTIONS = 200_000


class Reach(NamedTuple):
    """From each of D directions to the samples, angles [rad] (D,).

    Parameters
    ----------
    distance : (D,) ndarray
        Within which two clearly different polarisations were measured, at one position or at several.
    crowd_distance : (D,) ndarray
        Within which there are `CROWD` positions.
    nearest : (D,) ndarray
        To the nearest sample, whatever its polarisation.
    alone : (D,) ndarray of bool
        Whether one polarisation alone was measured at the nearest position.
    """

    distance: Real
    crowd_distance: Real
    nearest: Real
    alone: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Coverage:
    """Distance from evenly spread directions to the samples that tell their field, as of `Reach`.

    Parameters
    ----------
    direction : (D, 3) ndarray
        Unit vectors of directions that stand for equal solid angles.
    find : callable
        Gives their `Reach`, when first asked for.
    complete : int
        Degree at which every direction is known to be seen beforehand, both polarisations having been
        measured at each position; 0 if nothing is known.
    """

    direction: Real
    find: Callable[[], Reach]
    complete: int = 0

    @cached_property
    def reach(self) -> Reach:
        """What `find` gives."""
        return self.find()

    @property
    def distance(self) -> Real:
        """As of `Reach`."""
        return self.reach.distance

    @property
    def crowd_distance(self) -> Real:
        """As of `Reach`."""
        return self.reach.crowd_distance

    @property
    def nearest(self) -> Real:
        """As of `Reach`."""
        return self.reach.nearest

    @property
    def alone(self) -> NDArray[np.bool_]:
        """As of `Reach`."""
        return np.zeros(len(self.direction), dtype=bool) if self.complete else self.reach.alone

    def largest_gap(self) -> float:
        """Radius of the largest circle on the sphere in which no field was determined [rad]."""
        return float(self.distance.max())

    def unseen(self, degree: int) -> NDArray[np.bool_]:
        """Which directions lack a component within the reach of sampling steps pi/N, (D,)."""
        if degree <= self.complete:
            return np.zeros(len(self.direction), dtype=bool)
        return self.distance > SEEN_STEPS * math.pi / degree

    def unseen_solid_angle(self, degree: int) -> float:
        """Solid angle in which a component of the field was not seen [sr]."""
        return float(4 * math.pi * self.unseen(degree).mean())

    def describe(self, degree: int) -> str:
        """What was not measured, and where: a clause for people, empty if nothing is missing."""
        told = []
        empty = self._gap(self.nearest, degree)
        half = self._gap(self.distance, degree) & ~empty
        for part, words in (
            (empty, "{} of the sphere was not measured ({})"),
            (half, "in {} of the sphere one polarisation alone was measured ({})"),
        ):
            share = float(part.mean())
            if share > 0:
                name = "half" if abs(share - 0.5) < 0.02 else f"{100 * share:.2g} %"
                name = "nearly all" if share > 0.99 else name
                told.append(words.format(name, _extent(self.direction[part])))
        return ", and ".join(told)

    def describe_alone(self) -> str:
        """Where positions have one polarisation alone, for people; empty if nowhere."""
        if not self.alone.any():
            return ""
        return f"one polarisation alone was measured at {_extent(self.direction[self.alone])}"

    def _gap(self, distance: Real, degree: int) -> NDArray[np.bool_]:
        """Directions of gaps that exceed the reach, to their rims."""
        from scipy.spatial import cKDTree

        step = math.pi / degree
        beyond = distance > SEEN_STEPS * step
        if not beyond.any() or beyond.all():
            return beyond
        near = _angle(cKDTree(self.direction[beyond]).query(self.direction)[0])
        gap: NDArray[np.bool_] = (near < SEEN_STEPS * step) & (distance > RIM_STEPS * step)
        return gap

    def supported_degree(self) -> int:
        """Degree for which spacing and density of the positions suffice, gaps aside.

        Spacing: nine tenths of what was seen lie within rho of a position; a square grid of step
        pi/N has rho = 1.76/N (closed form), and 1.8/rho is taken. Rings that far apart, dense along
        themselves, have rho = 1.41/N, and so much is taken where the spacing is larger than an
        even set of that density has, 0.56/sqrt(density). Density: in nine tenths of what was seen
        there are at least 1.5 positions for each pair of degree and order, from which on the
        iteration is short (measured).
        """
        # Whatever is missing, a quarter of the sphere is measured. The bound closes in on what was
        # seen: 1.4 times the quantile of a square grid exceeds its largest distance, 0.71 steps, and
        # so it does for rings (0.5 of their distance). The rim of a gap, which is as wide as the bound,
        # would hold it open.
        bound = 6 * float(np.quantile(self.distance, 0.25))
        among = self._among(bound)
        for _ in range(20):
            seen = among & (self.distance <= bound)
            rho = float(np.quantile(self.distance[seen], 0.9))
            if 1.4 * rho >= bound:
                break
            bound = 1.4 * rho
        crowd = float(np.quantile(self.crowd_distance[seen], 0.9))
        density = (CROWD - 0.5) / (2 * math.pi * (1 - math.cos(crowd)))
        even = rho < 1.1 * 0.56 / math.sqrt(density)
        spacing = (1.8 if even else 1.41) / rho
        pairs = 4 * math.pi * density / 1.5
        return max(1, min(int(spacing), int(math.sqrt(pairs + 1) - 1 + 0.05)))

    def _among(self, bound: float) -> NDArray[np.bool_]:
        """Directions among samples within a bound [rad], without the rim of gaps that exceed it."""
        from scipy.spatial import cKDTree

        seen = self.distance <= bound
        if seen.all():
            return seen
        away = _angle(cKDTree(self.direction[~seen]).query(self.direction)[0])
        inner: NDArray[np.bool_] = seen & (away >= bound)
        return inner if inner.any() else seen

    def trusted(self, *, theta: ArrayLike, phi: ArrayLike, degree: int, kr: float) -> NDArray[np.bool_]:
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
        theta, phi = np.broadcast_arrays(as_array(theta, float, "theta"), as_array(phi, float, "phi"))
        holes = self.direction[self.unseen(degree)]
        if holes.shape[0] == 0:
            return np.ones(theta.shape, dtype=bool)
        from scipy.spatial import cKDTree

        reach = math.asin(min(1.0, degree / kr)) + TRUST_STEPS * math.pi / degree
        away = cKDTree(holes).query(unit_vectors(theta.ravel(), phi.ravel())[0])[0]
        trusted: NDArray[np.bool_] = (angle_of_chord(away) > reach).reshape(theta.shape)
        return trusted


#: Step in theta from which parts of a gap are told apart [deg].
APART = 10.0
#: Cosine of theta from which on every phi is at hand.
NEAR_POLE = 0.98
#: Belts of theta of which it is asked whether a gap goes all round [deg].
BELT = 6.0


def _extent(direction: Real) -> str:
    """Ranges of theta, each with that of phi where it is not all round, of unit vectors (D, 3)."""
    theta = np.degrees(np.arccos(np.clip(direction[:, 2], -1, 1)))
    order = np.argsort(theta)
    # Parts at different theta, such as both caps beside a belt, are told apart.
    parts = np.split(order, np.flatnonzero(np.diff(theta[order]) > APART) + 1)
    belts = [belt for part in parts for belt in _belts(direction, theta, part)]
    return " and ".join(_part_extent(direction[belt], theta[belt]) for belt in belts)


def _belts(direction: Real, theta: Real, part: NDArray[np.intp]) -> list[NDArray[np.intp]]:
    """A part, in the order of theta, cut where one that is not all round meets one that is."""
    if _range_of_phi(direction[part]) is not None:
        return [part]
    belts = np.split(part, np.searchsorted(theta[part], np.arange(BELT, 180, BELT)))
    belts = [belt for belt in belts if belt.size]
    cut = [_range_of_phi(direction[belt]) is not None for belt in belts]
    # A belt by itself may lie across an edge; at a pole it is as the next one is.
    cut = [one and True in (*cut[max(0, i - 1) : i], *cut[i + 1 : i + 2]) for i, one in enumerate(cut)]
    away = np.flatnonzero([np.median(np.abs(direction[belt, 2])) < NEAR_POLE for belt in belts])
    if away.size:
        cut = [cut[away[np.argmin(np.abs(away - i))]] for i in range(len(belts))]
    found = [belts[0]]
    for belt, one, before in zip(belts[1:], cut[1:], cut, strict=False):
        if one == before:
            found[-1] = np.concatenate([found[-1], belt])
        else:
            found.append(belt)
    return found


def _range_of_phi(direction: Real) -> tuple[float, float] | None:
    """First and last phi [deg] of unit vectors (D, 3), None if they are all round."""
    away = np.abs(direction[:, 2]) < NEAR_POLE
    if not away.any():
        return None
    phi = np.sort(np.degrees(np.arctan2(direction[away, 1], direction[away, 0])) % 360)
    gaps = np.diff(np.append(phi, phi[0] + 360))
    widest = int(np.argmax(gaps))
    # Few directions leave wide gaps by themselves.
    if gaps[widest] <= max(30, 5 * 360 / phi.size):
        return None
    return float(phi[(widest + 1) % phi.size]), float(phi[widest])


def _part_extent(direction: Real, theta: Real) -> str:
    """The same of unit vectors (D, 3) whose theta leaves no gap."""
    # The directions searched are a degree or so apart, and leave the poles out.
    first = 0.0 if theta.min() < 3 else theta.min()
    last = 180.0 if theta.max() > 177 else theta.max()
    text = f"theta {first:z.0f} to {last:z.0f} deg"
    ends = _range_of_phi(direction)
    return text if ends is None else f"{text}, phi {ends[0]:z.0f} to {ends[1]:z.0f} deg"


def coverage_of(samples: Samples, probe: Probe, degree: int, density: bool, threads: int) -> Coverage:
    """Coverage of the sphere by samples of one frequency, as `measure_coverage`."""
    theta, phi, stokes = places(samples, probe)
    return measure_coverage(
        theta=theta, phi=phi, stokes=stokes, degree=degree, density=density, threads=threads
    )


def measure_coverage(
    *, theta: Real, phi: Real, degree: int, stokes: Real | None = None, density: bool = True, threads: int = 1
) -> Coverage:
    """Coverage of the sphere by samples.

    Parameters
    ----------
    theta, phi, stokes
        As `places` gives them; both components everywhere if ``stokes`` is None.
    degree : int
        Degree N: a gap that matters holds 2 or more of the 0.5 N^2 directions searched.
    density : bool
        Whether the density of the positions is wanted too, for `Coverage.supported_degree`.
    threads : int
        Threads.
    """
    count = min(MAX_DIRECTIONS, max(5000, int(0.5 * degree**2)))
    i = np.arange(count, dtype=np.float64) + 0.5
    # Golden-angle lattice: equal solid angles (closed form).
    polar, azimuth = np.arccos(1 - 2 * i / count), math.pi * (3 - math.sqrt(5)) * i
    direction = directions(polar, azimuth)
    find = partial(_reach, direction, theta, phi, stokes, density, threads)
    known = not density and stokes is None and _surely_seen(theta, phi, polar, azimuth, degree)
    return Coverage(direction, find, degree if known else 0)


#: Cells to half a box within which `_surely_seen` looks for positions: a box loses two cells of six.
CELLS = 3


def _surely_seen(theta: Real, phi: Real, polar: Real, azimuth: Real, degree: int) -> bool:
    """Whether a position is in a box about each direction all of which is near enough to count as seen.

    Of even positions it is, which takes a fifth of the time that their distances take.
    """
    # The chord between points so far apart in theta and phi is no longer than
    # sqrt(dtheta^2 + sin(theta) sin(theta') dphi^2) (closed form): twice the same, and no angle is wider.
    half = 2 * math.sin(SEEN_STEPS * math.pi / degree / 2) / math.sqrt(2)
    rows = math.ceil(CELLS * math.pi / half)
    size = math.pi / rows
    columns = 2 * rows
    taken = np.zeros((rows + 1, columns + 1), dtype=np.int32)
    # Rounding must not put a position into the next cell: boxes are that much smaller than cells.
    slack = 1e-9
    theta, phi, _ = canonical_angles(theta, phi)
    row = np.minimum((theta / size).astype(np.int32), rows - 1)
    column = np.minimum((phi / size).astype(np.int32), columns - 1)
    taken[row + 1, column + 1] = 1
    for above, own in pairwise(taken):  # four times as fast as the sum over this axis
        own += above
    np.cumsum(taken, axis=1, out=taken)
    sine = np.sin(polar)
    wide = np.minimum(half / np.sqrt(sine * np.minimum(sine + half, 1)), math.pi)
    top = np.ceil(np.maximum(polar - half, 0) / size + slack).astype(np.int32)
    end = np.floor(np.minimum(polar + half, math.pi) / size - slack).astype(np.int32)
    azimuth = np.mod(azimuth, 2 * math.pi)
    left = np.ceil((azimuth - wide) / size + slack).astype(np.int32)
    right = np.floor((azimuth + wide) / size - slack).astype(np.int32)

    def before(at: NDArray[np.int32]) -> NDArray[np.int32]:
        """Cells taken in a box's rows before a column, counted on over whole turns."""
        turns, own = np.divmod(at, columns)
        return taken[end, own] - taken[top, own] + turns * (taken[end, -1] - taken[top, -1])

    return bool(np.all(before(right) > before(left)))


def _reach(
    direction: Real, theta: Real, phi: Real, stokes: Real | None, density: bool, threads: int
) -> Reach:
    """From directions to positions, as `measure_coverage` has them."""
    from scipy.spatial import cKDTree

    # Chords serve instead of angles; splitting cells at their middle builds the tree in a third
    # of the time.
    tree = cKDTree(directions(theta, phi), balanced_tree=False, compact_nodes=False)
    crowd = min(CROWD, theta.size) if density else 1
    chord, which = tree.query(direction, k=[1, crowd], workers=threads)
    angle = _angle(chord)
    nearest = both = angle[:, 0]
    alone = np.zeros(len(direction), dtype=bool)
    if stokes is not None:
        both = _both(direction, theta, phi, stokes, threads)
        alone = ~np.isnan(stokes[which[:, 0], 0])
    return Reach(both, angle[:, 1], nearest, alone)


def _angle(chord: Real) -> Real:
    return angle_of_chord(chord)


#: Polarisations are sorted by orientation into so many kinds, and two of handedness. Linear ones
#: three kinds apart are 45 to 90 deg apart.
ORIENTATIONS = 8
#: Third Stokes parameter from which a polarisation counts as right or left circular.
CIRCULAR = 0.7


def _both(direction: Real, theta: Real, phi: Real, stokes: Real, threads: int) -> Real:
    """Angle from each direction within which two different polarisations were measured, (D,).

    Orientations are compared in the frame that x^ carries from the nearer pole along meridians,
    theta^ cos(phi) - phi^ sin(phi) on the northern half: it turns little within a sampling step.
    """
    from scipy.spatial import cKDTree

    at = unit_vectors(theta, phi)[0]
    alone = ~np.isnan(stokes[:, 0])
    whole = np.full(len(direction), np.inf)
    if not alone.all():
        whole = cKDTree(at[~alone]).query(direction, workers=threads)[0]
    orientation = 0.5 * np.arctan2(stokes[alone, 1], stokes[alone, 0])
    handed = stokes[alone, 2]
    for north in (True, False):
        mine = (direction[:, 2] >= 0) == north
        turned = orientation + (phi[alone] if north else -phi[alone])
        kind = np.floor(turned * (ORIENTATIONS / np.pi)).astype(int) % ORIENTATIONS
        kind[handed > CIRCULAR] = ORIENTATIONS
        kind[handed < -CIRCULAR] = ORIENTATIONS + 1
        reach: dict[int, Real] = {}
        for k in np.unique(kind).tolist():
            reach[k] = cKDTree(at[alone][kind == k]).query(direction[mine], workers=threads)[0]
        best = whole[mine]
        for a, b in itertools.combinations(reach, 2):
            apart = min((b - a) % ORIENTATIONS, (a - b) % ORIENTATIONS)
            if max(a, b) >= ORIENTATIONS or apart >= 3:
                best = np.minimum(best, np.maximum(reach[a], reach[b]))
        whole[mine] = best
    return _angle(np.minimum(whole, 2.0))
