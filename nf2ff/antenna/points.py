"""Sets of points on the sphere for scans that are not grids, and what of the sphere they miss.

What a set supports was measured with the transmission operator, area weights and conjugate gradients to 1e-9
at degrees N = 30, 100 and 200, spirals from 1 to 400, two polarisations at each of M points. g is the angular
radius of the largest empty circle.

=======================================  ================  =============  =================
set                                      M / N(N+2)        g N / pi       steps
=======================================  ================  =============  =================
equal-area spiral                        1.25 / 1.3 / 1.5  0.71/0.69/.65  < 29 / 10 / 7
constant-rate spiral for a degree        2.0               0.62           10 or 11
constant density                         1.25 / 1.4 / 1.5  0.77/0.71/.68  > 150 / 12 / 10
spiral, jitter of a quarter step         1.25 / 1.5        0.95 / 0.85    34 / 23
spiral, jitter of half a step            1.25 / 1.5 / 2    1.2 / 1.1/0.9  104 / 63 / 36
spiral, jitter of a step                 1.5 / 2 / 3       1.4 / 1.2/1.0  185 / 85 / 42
random                                   2 / 3 / 4 / 6     1.7 ... 0.9    > 300/95/55/36
equal-area spiral, one round hole        1.5               1.1/1.7/2/2.5  12 / 21 / 35 / 90
=======================================  ================  =============  =================

So disordered sets are good where M >= 1.25 N(N+2) and g <= 1.2 pi/N (about 100 steps; 50 at g = pi/N), and
hopeless without damping beyond 1.5 pi/N. Random points are the worst: their gaps grow with log M, and they
want three or four points where a spiral does with 1.25. A single hole is milder, up to 2 pi/N; at 2.5 pi/N
the error of the stop is already magnified a hundred times. Neither number sees rows too far apart
(`constant_rate_spiral`): there the iteration may even stop early with a small residual and wrong waves, those
that vanish on the rows.

The functions here raise ValueError where a number is too small or an angle out of range.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.kernel import spin
from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.sphere import angle_of_chord, direction_angles, unit_vectors, wrapped
from nf2ff.messages.input_error import InputError

Real = NDArray[np.float64]

#: Fewest points for each pair of degree and order: at 1.2 no set converged in 150 steps at N = 100.
LEAST_OVERSAMPLING = 1.25

#: Largest gap of a set that supports degree N, in units of pi/N.
MAX_GAP = 1.2

#: Turn spacing over step along the turn of the equal-area spiral. With 1 the turns are pi/N apart
#: at 1.27 points per pair, and 1.25 fail at N = 200 (28 steps with 0.98). The steps, which
#: neighbouring turns interleave, may be the longer side.
PITCH_TO_STEP = 0.98

#: Turns that a constant-rate spiral needs beyond the degree: with 1 it takes 14 steps at degree
#: 50 and 17 at 200, with 2 it takes 11 and 12, with 4 it takes 10.
EXTRA_TURNS = 2

#: Test directions for holes by default, 0.45 deg apart.
RESOLUTION = 200_000


@dataclass(frozen=True, eq=False)
class PointSet:
    """Points on the sphere in the order in which they are scanned.

    Parameters
    ----------
    theta : (M,) array_like
        Polar angles from 0 to pi [rad].
    phi : (M,) array_like
        Azimuth angles [rad]; kept modulo 2 pi.
    duration : float, optional
        Time of the scan, first point to last [s].
    degree_limit : int, optional
        Largest degree by construction, where neither number of points nor largest gap tells.

    Raises
    ------
    ValueError
        If there is no point, the shapes differ or an angle is out of range.
    """

    theta: Real
    phi: Real
    duration: float | None = None
    degree_limit: int | None = None

    def __post_init__(self) -> None:
        theta, phi = _angles(self.theta, self.phi)
        bad = np.flatnonzero((theta < 0) | (theta > np.pi))
        if bad.size:
            value = np.degrees(theta[bad[0]])
            raise InputError(f"theta is {value:.6g} deg at point {bad[0] + 1}, expected 0 to 180 deg")
        object.__setattr__(self, "theta", theta)
        object.__setattr__(self, "phi", as_array(wrapped(phi), float, "phi"))

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
        """Largest degree N that the set supports with two polarisations at each point, 0 if none.

        M >= 1.25 N(N+2), no empty circle larger than 1.2 pi/N, and `degree_limit`: measured rules, see the
        table of this file.
        """
        by_count = np.sqrt(self.count / LEAST_OVERSAMPLING + 1) - 1
        by_gap = MAX_GAP * np.pi / self.largest_gap
        limit = by_count if self.degree_limit is None else self.degree_limit
        # A count taken from a degree must give that degree back.
        return int(min(by_count, by_gap, limit) + 1e-9)


def _angles(theta: ArrayLike, phi: ArrayLike) -> tuple[Real, Real]:
    first = as_array(theta, float, "theta", ndim=1)
    second = as_array(phi, float, "phi", ndim=1)
    if first.size != second.size or first.size == 0:
        raise InputError(
            f"theta and phi are {first.size} and {second.size} angles, expected equally many, at least one"
        )
    return first, second


def _check(name: str, value: float, *, least: float | None = None) -> None:
    """Refuse a number that is not finite, below ``least``, or not positive if that is None."""
    if not (value > 0 if least is None else value >= least) or value == np.inf:
        expected = "a positive number" if least is None else f"at least {least}"
        raise InputError(f"{name} is {value}, expected {expected}")


def _equal_area_theta(count: int) -> Real:
    """Polar angles of the middles of ``count`` zones of equal area, (M,) [rad]."""
    return np.asarray(np.arccos(1 - (2 * np.arange(count) + 1) / count))


def equal_area_spiral(count: int) -> PointSet:
    """Spiral from pole to pole on which every point stands for the same area.

    cos(theta) falls in equal steps and phi = sqrt(pi M / q) theta, so that turns are sqrt(4 pi q / M) apart
    and points sqrt(4 pi / (q M)) along the turn, q = `PITCH_TO_STEP`.

    Parameters
    ----------
    count : int
        Number of points M, at least 1.

    Returns
    -------
    PointSet
        The points, in the order of the scan.

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

    Measured up to degree 400: at most 8 conjugate gradients with 1.5, 11 with 1.3, 28 with 1.25.

    Parameters
    ----------
    degree : int
        Degree N.
    oversampling : float
        Points over N(N+2), at least `LEAST_OVERSAMPLING`.

    Returns
    -------
    PointSet
        The points, in the order of the scan.

    Raises
    ------
    ValueError
        If ``degree`` or ``oversampling`` is too small.
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

    theta runs from 0 to pi once while phi makes ``turns`` turns; the first point is one pole, the last the
    other. Moving positioners want interlocks, persons out of their reach, and the local rules for them
    obeyed.

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
        Its ``duration`` is the shortest time that every given limit admits, without run-up; the speeds are
        then pi / duration and 2 pi turns / duration. Its ``degree_limit`` is given by the rule below.

    Raises
    ------
    ValueError
        If a number is not positive.

    Notes
    -----
    The points are sparsest at the equator and form a lattice there: turns pi / turns apart, each shifted
    against the next by f, the distance of samples_per_turn from a whole number. Measured at N = 1 ... 400:
    conjugate gradients with area weights take at most 13 steps where

        turns >= N + 2,  samples_per_turn >= sqrt(3) N,
        sqrt(samples_per_turn^2 + (2 f turns)^2) >= 2N + 1

    and soon below take 30 and more or stop at wrong waves (the dual of the lattice must hold no vector
    shorter than 2N). So 2N + 1 samples per turn serve any f, at 2.0 points for each pair of degree and order;
    turns that interleave exactly, f = 1/2, need 1.74. At 1.1 N turns and 2.0 points per pair,
    samples_per_turn is 1.82 N and f decides: N = 100 converges in 9 steps (f = 0.45), N = 200 and 400 do not
    (f = 0.27 and 0.09).

    Examples
    --------
    One turn in 6 s, theta at 3 deg/s or less: 34 turns take 204 s.

    >>> speeds = {"phi_speed": 2 * np.pi / 6, "theta_speed": np.radians(3)}
    >>> spiral = constant_rate_spiral(turns=34, samples_per_turn=61.5, **speeds)
    >>> spiral.count, round(spiral.duration, 6), spiral.degree
    (2092, 204.0, 32)
    """
    _check("turns", turns)
    _check("samples_per_turn", samples_per_turn)
    steps = max(1, round(turns * samples_per_turn))
    times = []
    for name, way, speed in (("theta", np.pi, theta_speed), ("phi", 2 * np.pi * turns, phi_speed)):
        if speed is not None:
            _check(f"{name}_speed", speed)
            times.append(way / speed)
    if sample_time is not None:
        _check("sample_time", sample_time)
        times.append(steps * sample_time)
    theta = np.pi * (np.arange(steps + 1) / steps)
    limit = _lattice_degree(turns, steps / turns)
    return PointSet(theta, 2 * turns * theta, max(times, default=None), limit)


def _lattice_degree(turns: float, samples_per_turn: float) -> int:
    """Largest degree that a constant-rate spiral determines well, see `constant_rate_spiral`."""
    dual = np.hypot(samples_per_turn, 2 * turns * abs(samples_per_turn - round(samples_per_turn)))
    limit = min(turns - EXTRA_TURNS, (dual - 1) / 2, samples_per_turn / np.sqrt(3))
    return max(0, int(limit + 1e-9))


def constant_rate_spiral_for_degree(
    degree: int,
    *,
    theta_speed: float | None = None,
    phi_speed: float | None = None,
    sample_time: float | None = None,
) -> PointSet:
    """Constant-rate spiral of N + 4 turns of 2N + 1.5 samples: at most 11 conjugate gradients.

    Parameters
    ----------
    degree : int
        Degree N, at least 1.
    theta_speed, phi_speed, sample_time : float, optional
        As in `constant_rate_spiral`, which says what is refused.

    Returns
    -------
    PointSet
        The points, in the order of the scan.
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

    Not for a positioner to follow, but even over the whole sphere, for any number of points.

    Parameters
    ----------
    count : int
        Number of points, at least 1.

    Returns
    -------
    PointSet
        The points.

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
        Number of points, at least 1.
    rng : Generator or int, optional
        Source of randomness, or its seed.

    Returns
    -------
    PointSet
        The points.
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
        Largest displacement along theta and phi, uniform either way, over the mean step; at least 0.
    rng : Generator or int, optional
        Source of randomness, or its seed.

    Returns
    -------
    PointSet
        The points as they were moved.
    """
    _check("step_fraction", step_fraction, least=0)
    rng = np.random.default_rng(rng)
    largest = step_fraction * np.sqrt(4 * np.pi / points.count)
    south, east = rng.uniform(-largest, largest, (2, points.count, 1))
    outward, along, across = unit_vectors(points.theta, points.phi)
    theta, phi = direction_angles(outward + south * along + east * across)
    return PointSet(theta, phi, points.duration, points.degree_limit)


def _distance(tree: Any, at: Real) -> Real:
    """Angle from unit vectors (..., 3) to the nearest point of the tree, (...) [rad]."""
    chord, _ = tree.query(at, workers=spin.thread_count(None))
    return angle_of_chord(chord)


def largest_gap(theta: ArrayLike, phi: ArrayLike, *, resolution: int = RESOLUTION) -> float:
    """Angular radius of the largest circle on the sphere that holds no point [rad].

    Parameters
    ----------
    theta, phi : (M,) array_like
        Points [rad]; theta may be negative, beyond the pole.
    resolution : int
        Most test directions, at least 100.

    Returns
    -------
    float
        The radius.

    Raises
    ------
    ValueError
        If there is no point, the shapes differ, an angle is not finite or ``resolution`` is too low.

    Notes
    -----
    The distance to the nearest point is found at an even lattice of test directions, and the largest are
    followed uphill. The result is never above the truth. Gaps that repeat all over the sphere, and those at
    the poles, are found to 2 %, however small; one all alone elsewhere if it is larger than they by 2.8 /
    sqrt(resolution) rad, 0.36 deg by default. 1.5 million points take about a second.
    """
    from scipy.spatial import cKDTree

    theta, phi = _angles(theta, phi)
    _check("resolution", resolution, least=100)
    count = min(resolution, max(20 * theta.size, 20_000))
    tests = constant_density(count)
    at = unit_vectors(tests.theta, tests.phi)[0]
    # Spirals have their odd gap at the poles: a dense patch there, four mean steps around.
    reach = min(1.0, 4 * np.sqrt(4 * np.pi / theta.size))
    pole = unit_vectors(reach * np.sqrt(np.linspace(0, 1, 3000)), constant_density(3000).phi)[0]
    at = np.concatenate([at, pole, -pole])
    # Balanced and compact trees take three times as long to build and answer no faster here.
    tree = cKDTree(unit_vectors(theta, phi)[0], balanced_tree=False, compact_nodes=False)
    return _climb(tree, at, _distance(tree, at), np.sqrt(4 * np.pi / count))


def _climb(tree: Any, at: Real, distance: Real, step: float) -> float:
    """Largest distance near the directions ``at`` where it is largest, by ever finer patches."""
    centre = at[np.argpartition(distance, -64)[-64:]]
    row = np.arange(64)
    side = np.linspace(-step, step, 5)
    patch = np.stack(np.meshgrid(side, side)).reshape(2, -1, 1)
    # 27 patches of 0.6 the size of the one before end at 1e-6; halving might leave a ridge behind.
    for _ in range(27):
        _, along, across = unit_vectors(*direction_angles(centre))
        around = centre[:, None] + patch[0] * along[:, None] + patch[1] * across[:, None]
        around /= np.linalg.norm(around, axis=-1, keepdims=True)
        distance = _distance(tree, around)
        centre = around[row, distance.argmax(axis=1)]
        patch = 0.6 * patch
    return float(distance.max())
