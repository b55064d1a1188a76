"""Point sets: where they are, what they leave empty, what degree they support."""

import doctest
import inspect

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial import ConvexHull, SphericalVoronoi

import nf2ff
from nf2ff.antenna import points as sets
from nf2ff.antenna.modes import SPEED_OF_LIGHT
from nf2ff.antenna.points import (
    PITCH_TO_STEP,
    PointSet,
    constant_density,
    constant_rate_spiral,
    constant_rate_spiral_for_degree,
    equal_area_spiral,
    equal_area_spiral_for_degree,
    jittered,
    largest_gap,
    random_points,
)
from nf2ff.kernel import spin
from nf2ff.measurement.samples import Samples
from nf2ff.solver import methods, transmission
from nf2ff.solver.positions import plan_geometry

EQUAL_AREA = {"spiral": equal_area_spiral, "lattice": constant_density}


def vectors(points):
    s = np.sin(points.theta)
    return np.stack([s * np.cos(points.phi), s * np.sin(points.phi), np.cos(points.theta)], axis=1)


def steps(theta, phi, degree, *, most=60, seed=0):
    """Conjugate-gradient steps to 1e-9 with area weights, and the error of random coefficients."""
    count, k = theta.size, 2 * np.pi
    radius = (1.1 * degree + 30) / k
    samples = Samples(
        [SPEED_OF_LIGHT],
        np.tile(theta, 2),
        np.tile(phi, 2),
        np.repeat([0, np.pi / 2], count),
        radius,
        1,
        np.ones((1, 2 * count)),
    )
    geometry = plan_geometry(samples)
    a = transmission.TransmissionOperator(geometry, nf2ff.field_probe(), SPEED_OF_LIGHT, degree)
    rng = np.random.default_rng(seed)
    x = spin.pack(rng.normal(size=(2, degree * (degree + 2), 2)) @ [1, 1j])
    weights = methods.area_weights(geometry, degree=degree, threads=1)
    estimate, found = methods.by_conjugate_gradients(
        a, a.forward(x), weights=weights, rtol=1e-9, max_iterations=most, damping=0
    )
    return estimate.iterations, np.linalg.norm(found - x) / np.linalg.norm(x)


# --- where the points are -----------------------------------------------------------------------


@pytest.mark.parametrize("make", EQUAL_AREA.values(), ids=EQUAL_AREA)
@pytest.mark.parametrize("count", [1, 2, 7, 1000])
def test_equal_area_sets_have_one_point_in_each_zone(make, count):
    points = make(count)
    assert points.count == count == points.phi.size
    # The zone of point i is 1 - 2 i/M > z > 1 - 2 (i+1)/M (Archimedes: area is 2 pi dz).
    np.testing.assert_array_equal(np.floor((1 - np.cos(points.theta)) * count / 2), np.arange(count))
    assert np.all((points.phi >= 0) & (points.phi < 2 * np.pi))


@pytest.mark.parametrize("make", EQUAL_AREA.values(), ids=EQUAL_AREA)
def test_caps_hold_their_share(make, rng):
    count = 20_000
    points = vectors(make(count))
    random = vectors(random_points(count, rng=1))
    centres = rng.normal(size=(40, 3))
    centres /= np.linalg.norm(centres, axis=1, keepdims=True)
    for radius in (0.2, 0.7, 1.5):
        share = 0.5 * (1 - np.cos(radius))
        miss, of_random = (
            np.abs((x @ centres.T >= np.cos(radius)).sum(axis=0) - share * count).max()
            for x in (points, random)
        )
        # Only the cells of sqrt(4 pi / M) that the edge cuts can miscount, each by less than one
        # point and of either sign: below a sixth of their number, where random points miss by a
        # half and more.
        edge = 2 * np.pi * np.sin(radius) / np.sqrt(4 * np.pi / count)
        assert miss < edge / 6 < edge / 2 < of_random


@pytest.mark.parametrize("make", EQUAL_AREA.values(), ids=EQUAL_AREA)
def test_spherical_harmonic_moments_of_equal_area_sets_are_small(make):
    # The plain mean over the points of any harmonic of degree 1 to 20 is nearly its integral, 0.
    # A random set of 2000 has |mean Y| = 1/sqrt(4 pi 2000) = 6.3e-3 (closed form, rms); a spiral
    # that lacks a cap of 1 % of the sphere 4e-3.
    points = make(2000)
    location = np.stack([points.theta, points.phi], axis=1)
    mean = spin.point_adjoint(
        np.full((1, 2000), 1 / 2000, dtype=complex),
        spin=0,
        degree=20,
        location=location,
        epsilon=1e-10,
        threads=1,
    )
    assert np.abs(spin.unpack(mean)).max() < 5e-4


def test_steps_of_the_equal_area_spiral():
    # Turn spacing over step along the turn, at the equator where the path is nearly along phi.
    points = equal_area_spiral(100_000)
    middle = np.flatnonzero(np.abs(points.theta - np.pi / 2) < 0.1)
    v = vectors(points)
    step = np.linalg.norm(np.diff(v[middle], axis=0), axis=1)
    turn = 2 * np.pi / np.median(np.mod(np.diff(points.phi[middle]), 2 * np.pi))
    pitch = np.median(np.diff(points.theta[middle])) * turn
    # sin(theta) is 0.995 at the ends of the strip; the step has 0.1 % along theta.
    np.testing.assert_allclose(pitch / step, PITCH_TO_STEP, rtol=0.01)
    np.testing.assert_allclose(pitch * np.median(step), 4 * np.pi / points.count, rtol=0.01)


@pytest.mark.parametrize("factor", [1.25, 1.5, 2.0])
@pytest.mark.parametrize("degree", [1, 4, 30, 137])
def test_counts_for_a_degree(degree, factor):
    pairs = degree * (degree + 2)
    count = equal_area_spiral_for_degree(degree, oversampling=factor).count
    assert factor * pairs <= count + 1e-9 < factor * pairs + 1
    rate = constant_rate_spiral_for_degree(degree).count
    # N + 4 turns of 2N + 1.5 samples.
    assert abs(rate - 1 - (degree + 4) * (2 * degree + 1.5)) <= 0.5


def test_default_oversampling():
    assert equal_area_spiral_for_degree(10).count == 180  # 1.5 * 10 * 12


@given(turns=st.floats(0.1, 40), per_turn=st.floats(0.5, 80))
def test_constant_rate_spiral_moves_at_constant_rate(turns, per_turn):
    points = constant_rate_spiral(turns=turns, samples_per_turn=per_turn)
    # From pole to pole, whatever the numbers.
    assert points.theta[0] == 0
    assert points.theta[-1] == np.pi
    assert abs(points.count - 1 - turns * per_turn) <= 0.5 or points.count == 2
    n = points.count - 1
    np.testing.assert_allclose(np.diff(points.theta), np.pi / n, rtol=1e-9, atol=1e-15)
    # phi advances by as much from each point to the next; modulo 2 pi, compared on the circle.
    advance = np.exp(1j * (np.diff(points.phi) - 2 * np.pi * turns / n))
    # Rounding of phi up to 250 rad: 250 * 2^-52 = 6e-14 a few times.
    np.testing.assert_allclose(advance, 1, rtol=0, atol=1e-12)
    assert points.duration is None


def test_axis_speeds_bound_the_time():
    given = {"turns": 30, "samples_per_turn": 61.5}
    fast = {"theta_speed": 1e3, "phi_speed": 1e3, "sample_time": 1e-9}

    def duration(**limits):
        return constant_rate_spiral(**given, **(fast | limits)).duration

    # pi at 0.01 rad/s; 30 turns at 2 rad/s; 1845 steps of 0.1 s: each alone (closed form).
    assert duration(theta_speed=0.01) == pytest.approx(100 * np.pi, rel=1e-14)
    assert duration(phi_speed=2.0) == pytest.approx(30 * np.pi, rel=1e-14)
    assert duration(sample_time=0.1) == pytest.approx(184.5, rel=1e-14)
    # Together, the slowest decides, and no axis exceeds its limit.
    limits = {"theta_speed": 0.01, "phi_speed": 0.5, "sample_time": 0.1}
    time = duration(**limits)
    assert time == pytest.approx(120 * np.pi, rel=1e-14)
    assert np.pi / time <= 0.01
    assert 2 * np.pi * 30 / time <= 0.5 * (1 + 1e-14)
    for_degree = constant_rate_spiral_for_degree(26, phi_speed=0.5)
    assert for_degree.duration == pytest.approx(120 * np.pi, rel=1e-14)


def test_random_points_are_uniform_and_repeatable():
    count = 40_000
    points = random_points(count, rng=5)
    v = vectors(points)
    # Means of x, y, z: 0 +- 1/sqrt(3 M); of their squares: 1/3 +- sqrt(4/45 / M) (closed form).
    assert np.abs(v.mean(axis=0)).max() < 4.5 / np.sqrt(3 * count)
    assert np.abs((v**2).mean(axis=0) - 1 / 3).max() < 4.5 * np.sqrt(4 / 45 / count)
    np.testing.assert_array_equal(points.theta, random_points(count, rng=5).theta)
    generator = np.random.default_rng(5)
    np.testing.assert_array_equal(points.phi, random_points(count, rng=generator).phi)
    assert not np.array_equal(points.phi, random_points(count, rng=6).phi)


@pytest.mark.parametrize("fraction", [0.0, 0.25, 1.0])
def test_jitter_moves_within_its_square(fraction):
    points = constant_rate_spiral(turns=20, samples_per_turn=100, theta_speed=1.0)
    moved = jittered(points, step_fraction=fraction, rng=1)
    step = np.sqrt(4 * np.pi / points.count)
    a, b = vectors(points), vectors(moved)
    # Back to the tangent plane, so that the length along each axis is that of the displacement.
    plane = b / np.sum(a * b, axis=1, keepdims=True) - a
    theta, phi = points.theta, points.phi
    south = np.stack([np.cos(theta) * np.cos(phi), np.cos(theta) * np.sin(phi), -np.sin(theta)], axis=1)
    east = np.stack([-np.sin(phi), np.cos(phi), 0 * phi], axis=1)
    for axis in (south, east):
        along = np.sum(plane * axis, axis=1) / step
        assert np.abs(along).max() <= fraction + 1e-12
        # Uniform: the variance is fraction^2 / 3, its standard error over 2001 points 2 %.
        np.testing.assert_allclose(along.var(), fraction**2 / 3, rtol=0.09, atol=1e-24)
    assert moved.duration == points.duration
    assert moved.degree_limit == points.degree_limit


# --- the largest empty circle -------------------------------------------------------------------


def voronoi_gap(points):
    """The vertex of the Voronoi diagram farthest from its sites: exactly the largest circle."""
    diagram = SphericalVoronoi(vectors(points))
    nearest = (diagram.vertices @ diagram.points.T).max(axis=1)
    return np.arccos(nearest.min())


GAP_SETS = {
    "spiral": equal_area_spiral(500),
    "lattice": constant_density(501),
    "constant rate": constant_rate_spiral_for_degree(12),
    "random": random_points(500, rng=3),
    "few": random_points(12, rng=4),
    "jittered": jittered(equal_area_spiral(2000), step_fraction=0.5, rng=2),
}


@pytest.mark.parametrize("name", GAP_SETS)
def test_gap_is_that_of_the_voronoi_diagram(name):
    points = GAP_SETS[name]
    exact = voronoi_gap(points)
    # The patches end at 1e-6 of a test step, which is no more than half a gap; where many
    # gaps are alike to within 1e-5, another of them may have been followed.
    assert points.largest_gap == pytest.approx(exact, rel=1e-5)
    assert points.largest_gap <= exact * (1 + 1e-12)


@pytest.mark.parametrize("points", [equal_area_spiral(20_000), constant_density(20_000)])
def test_gap_of_many_points(points):
    # The 200000 test directions are 10 to a point here, half of the 20 that fewer points get. Both
    # sets have their largest gap near a pole.
    # A face of the convex hull, at cos(g) from the centre, cuts off an empty circle of radius g.
    exact = np.arccos(-ConvexHull(vectors(points)).equations[:, 3].max())
    assert points.largest_gap == pytest.approx(exact, rel=1e-4)


def test_gap_by_brute_force(rng):
    points = random_points(300, rng=8)
    tests = rng.normal(size=(40_000, 3))
    tests /= np.linalg.norm(tests, axis=1, keepdims=True)
    brute = np.arccos(np.min((tests @ vectors(points).T).max(axis=1)))
    # No direction is further from the points; the best of 40000, one for each square of 0.018
    # rad, is not a whole such step short of it.
    assert brute <= points.largest_gap <= brute + 0.018


@pytest.mark.parametrize("radius", [0.02, 0.1, 0.5])
def test_gap_of_a_hole(radius):
    # A spiral of 0.0158 rad step with a cap left out around a direction that is on no lattice.
    points = equal_area_spiral(50_000)
    v = vectors(points)
    centre = np.array([0.48, -0.6, 0.64])  # of length 1 to 1e-4, enough for a cap
    kept = v @ (centre / np.linalg.norm(centre)) < np.cos(radius)
    gap = largest_gap(points.theta[kept], points.phi[kept])
    # The points of the edge stand up to one gap of the spiral itself, 0.7 steps, outside it on
    # either side, so the circle grows by that much at most.
    assert radius <= gap + 1e-9 < radius + 0.7 * 0.0159


def test_gap_of_simple_sets():
    # Closed forms: one point leaves all, its antipode is pi away; two poles leave the equator;
    # an octahedron the face centres, arccos(1/sqrt 3).
    assert largest_gap([0.3], [1.0]) == pytest.approx(np.pi, abs=1e-6)
    assert largest_gap([0, np.pi], [0, 0]) == pytest.approx(np.pi / 2, abs=1e-6)
    theta = [0, np.pi, *[np.pi / 2] * 4]
    phi = [0, 0, 0, np.pi / 2, np.pi, -np.pi / 2]
    assert largest_gap(theta, phi) == pytest.approx(np.arccos(1 / np.sqrt(3)), abs=1e-6)
    # A positioner that swings through the pole: the same points with negative theta.
    turned = largest_gap([0, np.pi, *[-np.pi / 2] * 4], phi)
    assert turned == pytest.approx(np.arccos(1 / np.sqrt(3)), abs=1e-6)
    # A ring, all points in one plane: the poles are the farthest.
    phi = np.arange(400) * np.pi / 200
    assert largest_gap(np.full(400, 1.2), phi) == pytest.approx(np.pi - 1.2, abs=1e-6)
    # So they are from the fewest test directions.
    assert largest_gap(np.full(400, 1.2), phi, resolution=100) == pytest.approx(np.pi - 1.2, abs=1e-6)


def test_gap_of_duplicates():
    points = equal_area_spiral(400)
    twice = largest_gap(np.tile(points.theta, 2), np.tile(points.phi, 2) + 2 * np.pi)
    assert twice == pytest.approx(points.largest_gap, rel=1e-5)


# --- what was not observed ----------------------------------------------------------------------


# --- the degree that a set supports -------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("degree", [1, 2, 3, 8, 30, 90])
def test_sets_made_for_a_degree_support_it(degree):
    assert equal_area_spiral_for_degree(degree, oversampling=1.25).degree == degree
    assert equal_area_spiral_for_degree(degree).degree >= degree
    rate = constant_rate_spiral_for_degree(degree)
    assert degree <= rate.degree <= degree + 2
    assert constant_rate_spiral(turns=degree + 2, samples_per_turn=2 * degree + 1).degree == degree


def test_degree_by_gap_and_by_count():
    # 2000 points are enough for N = 39: 1.25 * 39 * 41 = 1998.75.
    spiral = equal_area_spiral(2000)
    assert spiral.degree == 39
    assert random_points(2000, rng=1).degree < 30
    kept = spiral.theta < np.radians(170)
    holed = PointSet(spiral.theta[kept], spiral.phi[kept])
    assert holed.degree == int(1.2 * np.pi / holed.largest_gap) < 25
    # Three points are too few for any wave: 1.25 * 1 * 3 = 3.75.
    assert PointSet([0, 1, 2], [0, 2, 4]).degree == 0
    assert PointSet(spiral.theta, spiral.phi, degree_limit=17).degree == 17


@pytest.mark.slow
@pytest.mark.parametrize(
    ("turns", "per_turn", "degree"),
    [
        (64, 121, 60),  # f = 0: samples_per_turn = 2N + 1
        (64, 123, 61),
        (62, 300, 60),  # turns = N + 2
        (64, 105.5, 60),  # f = 1/2: sqrt(105.5^2 + 64^2) = 123.4 and 105.5 / sqrt 3 = 60.9
        (64, 105.0, 52),  # the same without interleaving
        (64, 110.25, 56),  # f = 1/4: sqrt(110.25^2 + 32^2) = 114.8
        (1.5, 9, 0),
    ],
)
def test_degree_of_constant_rate_spirals(turns, per_turn, degree):
    # The rule of its docstring by hand.
    assert constant_rate_spiral(turns=turns, samples_per_turn=per_turn).degree == degree


@pytest.mark.slow
@pytest.mark.parametrize("degree", [10, 40, 100])
def test_spirals_converge_in_few_steps(degree):
    # Measured: 7 or 8, 10 or 11, and up to 23 steps at these degrees. Error: the gradient has
    # fallen by 1e-9 of itself, and the weighted normal equations have a condition below 10
    # (100 at 1.25 points per pair).
    for points, most, error in (
        (equal_area_spiral_for_degree(degree), 9, 1e-8),
        (constant_rate_spiral_for_degree(degree), 12, 1e-8),
        (equal_area_spiral_for_degree(degree, oversampling=1.25), 26, 1e-7),
    ):
        taken, far = steps(points.theta, points.phi, degree, most=most)
        assert taken <= most
        assert far < error


@pytest.mark.parametrize(
    ("turns", "per_turn", "degree"), [(42, 81, 40), (44, 69.5, 40), (44, 80.31, 42), (42, 80.9, 40)], ids=str
)
def test_the_rule_of_the_constant_rate_spiral_holds(turns, per_turn, degree):
    points = constant_rate_spiral(turns=turns, samples_per_turn=per_turn)
    assert points.degree == degree
    taken, far = steps(points.theta, points.phi, degree, most=14)
    assert taken <= 13
    assert far < 1e-8


@pytest.mark.parametrize(("turns", "per_turn"), [(39, 200), (44, 76), (44, 64.5), (44, 73.25)], ids=str)
def test_beyond_the_rule_the_constant_rate_spiral_fails(turns, per_turn):
    # At N = 40: too few turns; rows in line; interleaved, but too few; shifted by a quarter, but
    # too few. More than 24 steps, or fewer that lead to wrong waves.
    points = constant_rate_spiral(turns=turns, samples_per_turn=per_turn)
    assert points.degree < 40
    taken, far = steps(points.theta, points.phi, 40, most=24)
    assert taken == 24 or far > 1e-3


def test_disordered_sets_converge_up_to_their_degree():
    # Measured: about 100 steps at most for gaps up to 1.2 pi/N; these are at the edge of the rule.
    jitter = jittered(equal_area_spiral_for_degree(30, oversampling=2), step_fraction=1, rng=1)
    for points in (jitter, random_points(4000, rng=2)):
        degree = points.degree
        assert 1.15 * np.pi / degree < points.largest_gap <= 1.2 * np.pi / degree
        taken, far = steps(points.theta, points.phi, degree, most=130)
        assert taken <= 110
        assert far < 1e-7
    # Gaps of 1.6 pi/N all over the sphere, M = 1.56 N(N+2): hopeless.
    sparse = random_points(1500, rng=2)
    assert sparse.largest_gap > 1.6 * np.pi / 30
    taken, far = steps(sparse.theta, sparse.phi, 30, most=150)
    assert taken == 150
    assert far > 1e-3


# --- what is refused ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: PointSet([0, 1], [0]), "theta and phi are 2 and 1 angles, expected equally many"),
        (lambda: PointSet([], []), "theta and phi are 0 and 0 angles, expected equally many, at least one"),
        (lambda: PointSet([0, -0.1], [0, 0]), "theta is -5.72958 deg at point 2, expected 0 to"),
        (lambda: PointSet([0, 3.2], [0, 0]), "theta is 183.346 deg at point 2, expected 0 to 180"),
        (lambda: PointSet([[0.0]], [[0.0]]), "theta has 2 dimensions, expected 1"),
        (lambda: PointSet([0.0], [np.nan]), "phi is nan at index .0., expected finite"),
        (lambda: equal_area_spiral(0), "count is 0, expected at least 1"),
        (lambda: constant_density(0), "count is 0, expected at least 1"),
        (lambda: random_points(-1, rng=1), "count is -1, expected at least 1"),
        (lambda: equal_area_spiral_for_degree(0), "degree is 0, expected at least 1"),
        (lambda: constant_rate_spiral_for_degree(0), "degree is 0, expected at least 1"),
        (lambda: equal_area_spiral_for_degree(9, oversampling=1.2), "oversampling is 1.2, expe"),
        (lambda: equal_area_spiral_for_degree(9, oversampling=np.inf), "oversampling is inf, ex"),
        (lambda: largest_gap([0, 1], [0]), "theta and phi are 2 and 1 angles"),
        (lambda: largest_gap([], []), "theta and phi are 0 and 0 angles"),
        (lambda: largest_gap([0.0], [0.0], resolution=99), "resolution is 99, expected at least 1"),
        (
            lambda: jittered(equal_area_spiral(5), step_fraction=-0.1),
            "step_fraction is -0.1, expected at least 0",
        ),
    ],
)
def test_refusals(call, message):
    with pytest.raises(ValueError, match=message):
        call()


@pytest.mark.parametrize("name", ["turns", "samples_per_turn", "theta_speed", "phi_speed", "sample_time"])
@pytest.mark.parametrize("value", [0.0, -1.0, np.inf, np.nan])
def test_constant_rate_spiral_refuses(name, value):
    arguments = {"turns": 3.0, "samples_per_turn": 8.0} | {name: value}
    with pytest.raises(ValueError, match=f"{name} is {value}, expected a positive number"):
        constant_rate_spiral(**arguments)


def test_point_set_is_read_only_and_wraps_phi():
    theta, phi = np.array([0.5, 1.0, 1.5]), np.array([-0.5, 7.0, -1e-20])
    points = PointSet(theta, phi)
    np.testing.assert_allclose(points.phi, [2 * np.pi - 0.5, 7 - 2 * np.pi, 0], rtol=1e-14, atol=0)
    for x in (points.theta, points.phi):
        with pytest.raises(ValueError, match="read-only"):
            x[0] = 1
    assert theta.flags.writeable
    assert phi[0] == -0.5


def test_positioners_are_not_forgotten():
    # A scan that moves two axes must say that people can be hurt by them.
    assert "interlocks" in inspect.getdoc(constant_rate_spiral)


def test_examples_exist_and_hold():
    result = doctest.testmod(sets)
    assert result.attempted >= 5
    assert result.failed == 0
