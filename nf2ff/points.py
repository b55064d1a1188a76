"""Sets of points on the sphere for scans that are not grids, and what of the sphere they miss.

What a set supports was measured with the transmission operator, area weights and conjugate
gradients to 1e-9 at degrees N = 30, 100 and 200 (some at 400), two polarisations at each point.
Steps taken; M points, M / N(N+2) of them per degree-order pair, g the angular radius of the
largest empty circle:

=====================================  ================  =============  ====================
set                                    M / N(N+2)        g N / pi       steps
=====================================  ================  =============  ====================
equal-area spiral                      1.25 / 1.3 / 1.5  0.72 ... 0.65  23 / 10 / 7
constant-rate spiral, for a degree     2.0 (1.74)        0.66 (0.61)    10 (11)
constant density, golden angle         1.25 / 1.4 / 1.5  0.77 ... 0.70  > 150 / 13 / 10
spiral, jitter of a quarter step       1.25 / 1.5        0.95 / 0.85    65 / 25
spiral, jitter of half a step          1.5 / 2           1.1 / 0.95     66 to 140 / 40
spiral, jitter of a step               2 / 3             1.27 / 1.03    > 150 / 50 to 100
random                                 4 / 6 / 8         1.2 / 1.0/0.9  > 150 / 45 to 85 / 30
equal-area spiral 1.5, one round hole  1.5               1 / 1.5 / 2    12 / 20 / 40
the same                               1.5               2.5 / 3        90 / > 150
=====================================  ================  =============  ====================

So a set is good where M >= 1.25 N(N+2) and g <= pi / N; the second holds back sets that leave
many holes, most of all random ones, whose holes grow with log M: they want six points per pair
where a spiral does with 1.25. A single hole is milder: the steps stay few up to g = 2 pi / N, but
the noise of the samples and the error of the stop are magnified there. Past 2.5 pi / N, or past
1.2 pi / N everywhere, the problem is hopeless without damping. Neither number sees rows: see
`constant_rate_spiral`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff import spin
from nf2ff.special import as_array

#: Fewest points per degree-order pair: at 1.2 no set converged within 150 steps at degree 100.
LEAST_OVERSAMPLING = 1.25

#: Turn spacing over step along the turn of the equal-area spiral. With 1 the turns are pi/N apart
#: at 1.27 points per pair; a little less leaves the steps, which neighbouring turns interleave,
#: to be the longer side, and 1.25 points per pair converge in 23 steps at any degree.
PITCH_TO_STEP = 0.98

#: Turns that a constant-rate spiral needs beyond the degree: with 1 it takes 14 steps at degree
#: 50 and 17 at 400, with 2 it takes 11 and 12, with 4 it takes 10 and 11.
EXTRA_TURNS = 2

#: Test directions for holes by default, 0.45 deg apart.
RESOLUTION = 200_000


@dataclass(frozen=True, eq=False)
class PointSet:
    """Points on the sphere in the order in which they are scanned.

    Parameters
    ----------
    theta : (M,) array_like
        Polar angles in [0, pi] [rad].
    phi : (M,) array_like
        Azimuth angles [rad]; kept modulo 2 pi.
    duration : float, optional
        Time of the scan, first point to last [s].
    degree_limit : int, optional
        Largest degree that the arrangement admits by its construction, where neither the number
        of points nor the largest gap tells.

    Raises
    ------
    ValueError
        If there is no point, the shapes differ or an angle is out of range.
    """

    theta: NDArray[np.float64]
    phi: NDArray[np.float64]
    duration: float | None = None
    degree_limit: int | None = None

    def __post_init__(self) -> None:
        theta, phi = _angles(self.theta, self.phi)
        bad = np.flatnonzero((theta < 0) | (theta > np.pi))
        if bad.size:
            value = np.degrees(theta[bad[0]])
            msg = f"theta is {value:.6g} deg at point {bad[0] + 1}, expected 0 to 180 deg"
            raise ValueError(msg)
        object.__setattr__(self, "theta", theta)
        # A tiny negative angle is rounded to 2 pi by the remainder.
        turned = np.mod(phi, 2 * np.pi)
        turned[turned >= 2 * np.pi] = 0
        object.__setattr__(self, "phi", as_array(turned, float, "phi"))

    @property
    def count(self) -> int:
        """Number of points M."""
        return self.theta.size

    @cached_property
    def largest_gap(self) -> float:
        """Angular radius of the largest empty circle [rad], see `largest_gap`."""
        return largest_gap(self.theta, self.phi)

    @cached_property
    def degree(self) -> int:
        """Largest degree N that the set supports with two polarisations at each point.

        M >= 1.25 N(N+2), no empty circle larger than pi / N, and `degree_limit`: measured rules,
        see the table of this file. 0 where not even N = 1 is supported.
        """
        by_count = int(np.sqrt(self.count / LEAST_OVERSAMPLING + 1) - 1 + 1e-9)
        by_gap = int(np.pi / self.largest_gap + 1e-9) if self.largest_gap > 0 else by_count
        limit = by_count if self.degree_limit is None else self.degree_limit
        return min(by_count, by_gap, limit)


def _angles(theta: ArrayLike, phi: ArrayLike) -> tuple[NDArray[Any], NDArray[Any]]:
    first = as_array(theta, float, "theta", ndim=1)
    second = as_array(phi, float, "phi", ndim=1)
    if first.size != second.size:
        msg = f"theta has {first.size} points, phi has {second.size}: expected as many of both"
        raise ValueError(msg)
    if first.size == 0:
        msg = "there is no point"
        raise ValueError(msg)
    return first, second


def _check(name: str, value: float, *, least: float | None = None) -> None:
    """Refuse a number that is not finite, below ``least``, or not positive if that is None."""
    if not (value > 0 if least is None else value >= least) or value == np.inf:
        expected = "a positive number" if least is None else f"at least {least}"
        msg = f"{name} is {value}, expected {expected}"
        raise ValueError(msg)


def _equal_area_theta(count: int) -> NDArray[np.float64]:
    """Polar angles of the middles of ``count`` zones of equal area, (M,) [rad]."""
    theta: NDArray[np.float64] = np.arccos(1 - (2 * np.arange(count) + 1) / count)
    return theta


def equal_area_spiral(count: int) -> PointSet:
    """Spiral from pole to pole on which every point stands for the same area.

    cos(theta) falls in equal steps and phi = sqrt(pi M / q) theta, so that turns are
    sqrt(4 pi q / M) apart and points sqrt(4 pi / (q M)) along the turn, q = `PITCH_TO_STEP`.
    A positioner must slow its azimuth from the poles to the equator for it.

    Parameters
    ----------
    count : int
        Number of points M.

    Raises
    ------
    ValueError
        If ``count`` is below 1.

    Examples
    --------
    >>> spiral = equal_area_spiral(1000)
    >>> spiral.count, spiral.degree
    (1000, 27)
    """
    _check("count", count, least=1)
    theta = _equal_area_theta(count)
    return PointSet(theta, np.sqrt(np.pi * count / PITCH_TO_STEP) * theta)


def equal_area_spiral_for_degree(degree: int, *, oversampling: float = 1.5) -> PointSet:
    """Equal-area spiral with ``oversampling`` points per degree-order pair.

    Measured: conjugate gradients take 7 steps with 1.5, 10 with 1.3, 23 with 1.25, at any degree.

    Parameters
    ----------
    degree : int
        Degree N.
    oversampling : float
        Points over N(N+2), at least 1.25.

    Raises
    ------
    ValueError
        If ``degree`` is below 1 or ``oversampling`` below 1.25.
    """
    _check("degree", degree, least=1)
    _check("oversampling", oversampling, least=LEAST_OVERSAMPLING)
    # The product is a whole number often enough for its rounding to matter.
    return equal_area_spiral(int(np.ceil(oversampling * degree * (degree + 2) - 1e-9)))


def constant_rate_spiral(
    *,
    turns: float,
    samples_per_turn: float,
    theta_speed: float | None = None,
    phi_speed: float | None = None,
    sample_time: float | None = None,
) -> PointSet:
    """Spiral of two axes that both turn at constant speed, sampled at equal intervals of time.

    theta runs from 0 to pi once while phi makes ``turns`` turns; the first point is one pole, the
    last the other. Moving positioners want interlocks, persons out of their reach, and the local
    rules for them obeyed.

    Parameters
    ----------
    turns : float
        Turns of the azimuth axis; turns are pi / turns apart.
    samples_per_turn : float
        Points on one turn; rounded so that the last point is the pole.
    theta_speed, phi_speed : float, optional
        Highest speeds of the two axes [rad/s].
    sample_time : float, optional
        Shortest time from one sample to the next, for all polarisations [s].

    Returns
    -------
    PointSet
        Its ``duration`` is the shortest time that every given limit admits, without run-up; None
        if none is given. The speeds are then pi / duration and 2 pi turns / duration. Its
        ``degree_limit`` is given by the measured rule below.

    Raises
    ------
    ValueError
        If a number is not positive.

    Notes
    -----
    The points are as sparse as they get at the equator, where they form a lattice: turns one
    pi / turns from the next, shifted by f = the distance of samples_per_turn from a whole number.
    Measured at N = 5 ... 400: conjugate gradients with area weights take at most 12 steps where

        turns >= N + 2,  sqrt(samples_per_turn^2 + (2 f turns)^2) >= 2N + 1,
        samples_per_turn >= sqrt(3) N

    and more than 30, or do not converge, soon below (the lattice's dual has no vector shorter
    than 2N). So f = 1/2, turns that interleave, needs 1.74 points per degree-order pair; any f is
    served by samples_per_turn >= 2N + 1 and 2.0 points per pair. With 1.1 N turns and 2.0 points
    per pair, samples_per_turn is 1.82 N, and it depends on f, hence on N, whether that is enough:
    N = 100 converges (f = 0.45), N = 400 does not (f = 0.09).

    Examples
    --------
    One turn in 6 s, theta at 3 deg/s or less: 34 turns take 204 s.

    >>> spiral = constant_rate_spiral(
    ...     turns=34, samples_per_turn=61.5, phi_speed=2 * np.pi / 6, theta_speed=np.radians(3)
    ... )
    >>> spiral.count, round(spiral.duration, 6), spiral.degree
    (2092, 204.0, 32)
    """
    _check("turns", turns)
    _check("samples_per_turn", samples_per_turn)
    limits = {"theta_speed": theta_speed, "phi_speed": phi_speed, "sample_time": sample_time}
    for name, value in limits.items():
        _check(name, 1.0 if value is None else value)
    steps = max(1, round(turns * samples_per_turn))
    duration = max(
        np.pi / theta_speed if theta_speed else 0.0,
        2 * np.pi * turns / phi_speed if phi_speed else 0.0,
        steps * sample_time if sample_time else 0.0,
    )
    part = np.arange(steps + 1) / steps
    return PointSet(
        np.pi * part,
        2 * np.pi * turns * part,
        duration or None,
        _lattice_degree(turns, steps / turns),
    )


def _lattice_degree(turns: float, samples_per_turn: float) -> int:
    """Largest degree that a constant-rate spiral determines well, see `constant_rate_spiral`."""
    shift = abs(samples_per_turn - round(samples_per_turn))
    dual = np.hypot(samples_per_turn, 2 * shift * turns)
    limit = min(turns - EXTRA_TURNS, (dual - 1) / 2, samples_per_turn / np.sqrt(3))
    return max(0, int(limit + 1e-9))


def constant_rate_spiral_for_degree(
    degree: int,
    *,
    theta_speed: float | None = None,
    phi_speed: float | None = None,
    sample_time: float | None = None,
) -> PointSet:
    """Constant-rate spiral on which conjugate gradients converge in 10 or 11 steps.

    It has N + 4 turns of 2N + 1.5 samples, 2.0 points per degree-order pair for large N.

    Parameters
    ----------
    degree : int
        Degree N.
    theta_speed, phi_speed, sample_time : float, optional
        As in `constant_rate_spiral`.

    Raises
    ------
    ValueError
        If ``degree`` is below 1 or a limit is not positive.

    Examples
    --------
    >>> constant_rate_spiral_for_degree(100).count
    20957
    """
    _check("degree", degree, least=1)
    return constant_rate_spiral(
        turns=degree + 4,
        samples_per_turn=2 * degree + 1.5,
        theta_speed=theta_speed,
        phi_speed=phi_speed,
        sample_time=sample_time,
    )


def constant_density(count: int) -> PointSet:
    """Lattice of constant density: equal-area zones, one golden angle from each to the next.

    No positioner follows it point by point, but its points are even over the whole sphere and can
    be had for any number. It needs 1.4 points per degree-order pair (13 steps), more than the
    spiral, since its largest gap is 7 % wider.

    Parameters
    ----------
    count : int
        Number of points.

    Raises
    ------
    ValueError
        If ``count`` is below 1.

    References
    ----------
    R. Swinbank, R. J. Purser, Q. J. R. Meteorol. Soc. 132, 1769-1793, 2006 (from memory).
    """
    _check("count", count, least=1)
    golden_angle = np.pi * (3 - np.sqrt(5))
    return PointSet(_equal_area_theta(count), golden_angle * np.arange(count))


def random_points(count: int, *, rng: int | np.random.Generator | None = None) -> PointSet:
    """Independent points, uniform on the sphere.

    Parameters
    ----------
    count : int
        Number of points.
    rng : Generator or int, optional
        Source of randomness, or its seed.

    Raises
    ------
    ValueError
        If ``count`` is below 1.
    """
    _check("count", count, least=1)
    rng = np.random.default_rng(rng)
    return PointSet(np.arccos(rng.uniform(-1, 1, count)), rng.uniform(0, 2 * np.pi, count))


def jittered(
    points: PointSet, *, step_fraction: float, rng: int | np.random.Generator | None = None
) -> PointSet:
    """Move every point at random, as inaccurate axes do.

    Parameters
    ----------
    points : PointSet
        M points, whose mean step is sqrt(4 pi / M).
    step_fraction : float
        Largest displacement along theta and along phi over the mean step, not negative; both
        are uniform up to it, either way.
    rng : Generator or int, optional
        Source of randomness, or its seed.

    Raises
    ------
    ValueError
        If ``step_fraction`` is negative or not finite.
    """
    _check("step_fraction", step_fraction, least=0)
    rng = np.random.default_rng(rng)
    largest = step_fraction * np.sqrt(4 * np.pi / points.count)
    along = rng.uniform(-largest, largest, (2, points.count, 1))
    moved = _vectors(points.theta, points.phi)
    moved += sum(a * t for a, t in zip(along, _tangents(points.theta, points.phi), strict=True))
    theta = np.arctan2(np.hypot(moved[:, 0], moved[:, 1]), moved[:, 2])
    phi = np.arctan2(moved[:, 1], moved[:, 0])
    return PointSet(theta, phi, points.duration, points.degree_limit)


def _vectors(theta: NDArray[Any], phi: NDArray[Any]) -> NDArray[np.float64]:
    """Unit vectors, (M, 3)."""
    sine = np.sin(theta)
    return np.stack([sine * np.cos(phi), sine * np.sin(phi), np.cos(theta)], axis=-1)


def _tangents(theta: NDArray[Any], phi: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
    """Unit vectors theta^ and phi^, (M, 3) each."""
    c, s = np.cos(phi), np.sin(phi)
    along = np.stack([np.cos(theta) * c, np.cos(theta) * s, -np.sin(theta)], axis=-1)
    return along, np.stack([-s, c, np.zeros_like(c)], axis=-1)


def _tree(theta: NDArray[Any], phi: NDArray[Any]) -> Any:
    from scipy.spatial import cKDTree

    # Balanced and compact trees take three times as long to build and answer no faster here.
    return cKDTree(_vectors(theta, phi), balanced_tree=False, compact_nodes=False)


def _distance(tree: Any, at: NDArray[np.float64]) -> NDArray[np.float64]:
    """Angle from unit vectors (..., 3) to the nearest point of the tree, (...) [rad]."""
    chord, _ = tree.query(at, workers=spin.thread_count(None))
    return 2 * np.arcsin(np.minimum(0.5 * chord, 1))


def largest_gap(theta: ArrayLike, phi: ArrayLike, *, resolution: int = RESOLUTION) -> float:
    """Angular radius of the largest circle on the sphere that holds no point [rad].

    Parameters
    ----------
    theta, phi : (M,) array_like
        Points [rad]; theta may be negative, beyond the pole.
    resolution : int
        Most test directions, at least 100.

    Raises
    ------
    ValueError
        If there is no point, the shapes differ or an angle is not finite.

    Notes
    -----
    The distance to the nearest point is found at an even lattice of test directions, and the
    largest are followed uphill. The result is never above the truth. A hole all alone may be
    missed where it is smaller than the lattice sees, 2.8 / sqrt(resolution) (0.36 deg by default);
    gaps that repeat all over the sphere are found to 1 % however small. 1.5 million points take
    about a second.
    """
    theta, phi = _angles(theta, phi)
    _check("resolution", resolution, least=100)
    count = max(min(resolution, 20 * theta.size), min(resolution, 20_000))
    tests = constant_density(count)
    at = _vectors(tests.theta, tests.phi)
    tree = _tree(theta, phi)
    distance = _distance(tree, at)
    return _climb(tree, at, distance, np.sqrt(4 * np.pi / count))


def _climb(tree: Any, at: NDArray[np.float64], distance: NDArray[np.float64], step: float) -> float:
    """Largest distance near the directions ``at`` where it is largest, by ever finer patches."""
    centre = at[np.argpartition(distance, -64)[-64:]]
    row = np.arange(64)
    side = np.linspace(-step, step, 5)
    patch = np.stack(np.meshgrid(side, side)).reshape(2, -1, 1)
    # 27 patches, each 0.6 of the one before, end at 1e-6 of the first; the largest of each may
    # lie beside the middle of the next, so half would be too fast.
    for _ in range(27):
        theta = np.arctan2(np.hypot(centre[:, 0], centre[:, 1]), centre[:, 2])
        along, across = _tangents(theta, np.arctan2(centre[:, 1], centre[:, 0]))
        around = centre[:, None] + patch[0] * along[:, None] + patch[1] * across[:, None]
        around /= np.linalg.norm(around, axis=-1, keepdims=True)
        distance = _distance(tree, around)
        centre = around[row, distance.argmax(axis=1)]
        patch = 0.6 * patch
    return float(distance.max())


def unobserved(
    theta: ArrayLike, phi: ArrayLike, *, limit: float, resolution: int = RESOLUTION
) -> tuple[float, PointSet, NDArray[np.bool_]]:
    """Find what of the sphere is further than ``limit`` from every point.

    Parameters
    ----------
    theta, phi : (M,) array_like
        Points [rad].
    limit : float
        Distance up to which a direction counts as observed, positive [rad]; pi / N and more for
        degree N, see the table of this file.
    resolution : int
        Number T of test directions, at least 100; a hole whose radius exceeds ``limit`` by less
        than 2.8 / sqrt(T) rad may fall between them.

    Returns
    -------
    solid_angle : float
        Solid angle not observed [sr]. Of a round hole it is the part further than ``limit`` from
        the edge.
    directions : PointSet
        Test directions, even over the sphere.
    unseen : (T,) ndarray of bool
        Which of them are not observed.

    Raises
    ------
    ValueError
        As `largest_gap`, or if ``limit`` is not positive.

    Examples
    --------
    A scan that ends 20 deg before the pole, reach 3 deg: a cap of 17 deg, 0.275 sr.

    >>> spiral = equal_area_spiral(100_000)
    >>> kept = spiral.theta < np.radians(160)
    >>> angle, _, _ = unobserved(spiral.theta[kept], spiral.phi[kept], limit=np.radians(3))
    >>> bool(abs(angle - 0.275) < 0.005)
    True
    """
    theta, phi = _angles(theta, phi)
    _check("limit", limit)
    _check("resolution", resolution, least=100)
    tests = constant_density(resolution)
    distance = _distance(_tree(theta, phi), _vectors(tests.theta, tests.phi))
    unseen = distance > limit
    return float(4 * np.pi * unseen.mean()), tests, unseen
