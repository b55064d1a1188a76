"""What the samples saw of the sphere, against brute force and closed forms of a blocked cone."""

import functools
import re
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from nf2ff import LeastSquares, Samples, field_probe, simulate, solve
from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.antenna.modes import SPEED_OF_LIGHT
from nf2ff.antenna.points import equal_area_spiral_for_degree, largest_gap, random_points
from nf2ff.solver.coverage import CROWD, MAX_DIRECTIONS, SEEN_STEPS, Coverage, Reach, measure_coverage
from nf2ff.solver.normal_fields import grid_fields
from nf2ff.solver.polarisations import places
from nf2ff.solver.solve import prepare

#: Two dipoles that a degree of 12 holds.
CLUSTER = DipoleCluster([[0.3, 0, 0.1], [-0.2, 0.4, 0]], np.array([[1, 0, 1j], [0, 1, 0.5]]))
#: Half-angle of the cone that is blocked, and where its axis points.
CONE = np.radians(20.0)
AXIS = {"theta": 1.9, "phi": 0.7}
#: Covering radius of the lattice of D directions over sqrt(4 pi / D), from the vertices of its
#: Voronoi cells (scipy's SphericalVoronoi, D = 5000 and 36,000: 0.7695 and 0.7696).
COVERING = 0.77


def covering_radius(coverage):
    """Largest angle from any direction to one that was searched."""
    return COVERING * np.sqrt(4 * np.pi / coverage.distance.size)


def vectors(theta, phi):
    s = np.sin(theta)
    return np.stack([s * np.cos(phi), s * np.sin(phi), np.cos(theta)], axis=-1)


def angles(a, b):
    """Angles (A, B) between unit vectors, by the chord, which is exact for small ones too."""
    return 2 * np.arcsin(np.minimum(1, np.linalg.norm(a[:, None] - b, axis=-1) / 2))


def from_axis(theta, phi):
    """Angle of directions from the axis of the cone."""
    return angles(vectors(theta, phi), vectors(**AXIS)[None])[:, 0]


def grid(rings, columns):
    """All pairs of rings half a step from the poles and of columns."""
    theta = np.pi * (np.arange(rings) + 0.5) / rings
    phi = 2 * np.pi * np.arange(columns) / columns
    return (x.ravel() for x in np.meshgrid(theta, phi, indexing="ij"))


def blocked(degree):
    """Equal-area spiral for ``degree`` without the points in the cone."""
    spiral = equal_area_spiral_for_degree(degree)
    keep = from_axis(spiral.theta, spiral.phi) > CONE
    return spiral, spiral.theta[keep], spiral.phi[keep]


# --- the measurement ----------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("count", [1, 5, CROWD, 400])
@pytest.mark.parametrize("threads", [1, 2])
def test_distances_are_those_of_brute_force(count, threads):
    points = random_points(count, rng=3)
    coverage = measure_coverage(theta=points.theta, phi=points.phi, degree=10, threads=threads)
    wanted = np.sort(angles(coverage.direction, vectors(points.theta, points.phi)), axis=1)
    # Chords to 1e-16; opposite a point the angle is the steep end of an arcsine, hence the root.
    np.testing.assert_allclose(coverage.distance, wanted[:, 0], rtol=0, atol=5e-8)
    crowd = wanted[:, min(CROWD, count) - 1]
    np.testing.assert_allclose(coverage.crowd_distance, crowd, rtol=0, atol=5e-8)
    assert coverage.largest_gap() == coverage.distance.max()


def measured_both_ways(theta, phi, degree):
    """What is known beforehand, and whether all was seen by distances from brute force."""
    coverage = measure_coverage(theta=theta, phi=phi, degree=degree, density=False)
    nearest = angles(coverage.direction, vectors(theta, phi)).min(axis=1)
    return coverage.complete, bool((nearest <= SEEN_STEPS * np.pi / degree).all())


@pytest.mark.parametrize("degree", [5, 16, 24])
@pytest.mark.parametrize("turned", [False, True])
def test_even_positions_are_known_to_be_seen(degree, turned):
    spiral = equal_area_spiral_for_degree(degree)
    theta, phi = spiral.theta, spiral.phi
    if turned:  # through the pole, and more than once around
        theta, phi = np.where(np.arange(theta.size) % 2, -theta, theta), phi - 7
        phi[1::2] += np.pi
    assert measured_both_ways(theta, phi, degree) == (degree, True)
    coverage = measure_coverage(theta=theta, phi=phi, degree=degree, density=False)
    assert not coverage.unseen(degree).any()
    assert not coverage.alone.any()
    assert "reach" not in vars(coverage)  # no distance was needed
    assert coverage.unseen(6 * degree).any()


@pytest.mark.parametrize("seed", range(4))
def test_nothing_is_known_of_what_was_not_seen(seed):
    # Random positions, and spirals with a hole about as wide as the reach, wherever it is: near a pole, or
    # across phi = 0.
    rng = np.random.default_rng(seed)
    degree, known, seen = int(rng.integers(2, 9)), 0, 0
    for share in np.linspace(0.8, 1.6, 9):
        spiral = equal_area_spiral_for_degree(degree)
        centre = vectors(rng.choice([0.02, 0.3, 1.5, 3.1]), rng.choice([0.01, 3.0, 6.27]))[None]
        away = angles(vectors(spiral.theta, spiral.phi), centre)[:, 0] > share * SEEN_STEPS * np.pi / degree
        even = spiral.theta[away], spiral.phi[away]
        count = int(6 * degree**2 * share)
        random = np.arccos(rng.uniform(-1, 1, count)), rng.uniform(0, 2 * np.pi, count)
        for theta, phi in (even, random):
            complete, all_seen = measured_both_ways(theta, phi, degree)
            assert all_seen or not complete
            known, seen = known + bool(complete), seen + all_seen
    assert known <= seen < 18


@pytest.mark.parametrize("degree", [1, 200, 2000])
def test_directions_stand_for_equal_solid_angles(degree):
    direction = measure_coverage(theta=np.zeros(1), phi=np.zeros(1), degree=degree).direction
    count = direction.shape[0]
    assert (count == MAX_DIRECTIONS) == (degree == 2000)
    assert direction.shape == (count, 3)
    # First and second moments of the sphere are 0 and 1/3.
    np.testing.assert_allclose(np.linalg.norm(direction, axis=1), 1, rtol=1e-15)
    np.testing.assert_allclose(direction.mean(axis=0), 0, atol=1e-5)
    np.testing.assert_allclose(direction.T @ direction / count, np.eye(3) / 3, atol=1e-5)
    # Caps hold their share, but for directions along their edge.
    for centre in np.random.default_rng(1).normal(size=(10, 3)):
        inside = (direction @ centre / np.linalg.norm(centre) > np.cos(0.5)).sum()
        share = count * (1 - np.cos(0.5)) / 2
        assert abs(inside - share) < 2 * np.sqrt(np.pi * share) ** 0.5


def test_angles_beyond_the_range_of_an_arcsine_are_kept():
    # One sample: the farthest direction is opposite, to the covering radius of the directions.
    coverage = measure_coverage(theta=np.array([1.0]), phi=np.array([2.0]), degree=1)
    assert np.pi - covering_radius(coverage) < coverage.largest_gap() <= np.pi


# --- a cone is blocked --------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("degree", [200, 300])
def test_largest_gap_is_the_cone(degree):
    spiral, theta, phi = blocked(degree)
    coverage = measure_coverage(theta=theta, phi=phi, degree=degree)
    rho = largest_gap(spiral.theta, spiral.phi)
    # From below: no sample is within the cone, and a direction searched is near its axis. From
    # above: of any circle in the cone, a sample lies within rho of the point rho beyond its edge.
    near = covering_radius(coverage)
    assert CONE - near < coverage.largest_gap() < CONE + 2 * rho
    assert np.degrees(near + 2 * rho) < 3.5
    # And without a cone it is that of the spiral, found to the same.
    whole = measure_coverage(theta=spiral.theta, phi=spiral.phi, degree=degree)
    assert rho - near < whole.largest_gap() <= rho * (1 + 1e-6)
    assert not whole.unseen(degree).any()
    assert whole.unseen_solid_angle(degree) == 0


@functools.cache
def fine():
    """The spiral of degree 300, its coverage without the cone, and its own largest gap."""
    spiral, theta, phi = blocked(300)
    coverage = measure_coverage(theta=theta, phi=phi, degree=300)
    return coverage, largest_gap(spiral.theta, spiral.phi)


@pytest.mark.slow
@pytest.mark.parametrize("degree", [40, 60, 90])
def test_solid_angle_not_seen(degree):
    # Samples dense against the reach of 1.5 pi/N: what is not seen is the cone without a rim as
    # wide as the reach, 2 pi (1 - cos(20 deg - reach)), the reach less up to rho, from the edge of
    # the cone to the first sample beyond.
    coverage, rho = fine()
    reach = SEEN_STEPS * np.pi / degree
    least, most = (2 * np.pi * (1 - np.cos(CONE - reach + x)) for x in (0, rho))
    # Directions along the edge count or do not: four times the square root of their number.
    at_edge = np.sqrt(np.pi * most / (4 * np.pi) * coverage.distance.size)
    chance = 4 * np.sqrt(at_edge) * 4 * np.pi / coverage.distance.size
    unseen = coverage.unseen_solid_angle(degree)
    assert least - chance < unseen < most + chance
    assert chance < 0.05 * least
    # They are around the axis, and nowhere else.
    away = angles(coverage.direction[coverage.unseen(degree)], vectors(**AXIS)[None])
    assert away.max() < CONE - reach + 2 * rho
    assert unseen == pytest.approx(4 * np.pi * coverage.unseen(degree).mean(), rel=1e-15)


def test_a_higher_degree_sees_less():
    _, theta, phi = blocked(60)
    coverage = measure_coverage(theta=theta, phi=phi, degree=60)
    unseen = [coverage.unseen_solid_angle(n) for n in (10, 20, 40, 60, 120, 10_000)]
    assert unseen[0] == 0  # a reach of 27 deg
    assert np.all(np.diff(unseen) > 0)
    assert unseen[-1] > 0.99 * 4 * np.pi


@pytest.mark.slow
@pytest.mark.parametrize("degree", [60, 150])
def test_every_hole_that_matters_is_found(degree, rng):
    # Of a hole that is wider than the reach by the covering radius of the directions searched, one
    # of them at least is not seen. That is so from 2.8 steps of pi/N on; the points of a spiral
    # with a hole of 2.5 steps still determine all waves (measured, see antenna/points.py).
    spiral = equal_area_spiral_for_degree(degree)
    at = vectors(spiral.theta, spiral.phi)
    whole = measure_coverage(theta=spiral.theta, phi=spiral.phi, degree=degree)
    hole = SEEN_STEPS * np.pi / degree + covering_radius(whole)
    assert hole < 2.8 * np.pi / degree
    for centre in rng.normal(size=(20, 3)):
        keep = angles(at, centre[None] / np.linalg.norm(centre))[:, 0] > hole
        coverage = measure_coverage(theta=spiral.theta[keep], phi=spiral.phi[keep], degree=degree)
        assert coverage.unseen(degree).any()


# --- the degree that a set supports -------------------------------------------------------------


@pytest.mark.parametrize("degree", [10, 30, 100])
def test_degree_of_a_square_grid(degree):
    # Steps of pi/N both ways determine N - 1. At the equator they are N^2 / pi^2 positions per
    # steradian, where 1.5 N^2 / 4 pi are wanted: sqrt(4 / 1.5 pi) N = 0.92 N, and 16 positions
    # tell the density to a tenth or so.
    theta, phi = grid(degree, 2 * degree)
    found = measure_coverage(theta=theta, phi=phi, degree=degree).supported_degree()
    assert 0.85 * 0.92 * degree < found < degree


@pytest.mark.parametrize("degree", [10, 30, 100, 200])
def test_degree_of_a_spiral(degree):
    # 1.5 positions per pair are what the rule wants; the crowd of 16 of nine tenths of all
    # directions is up to one part in ten less dense than the mean.
    spiral = equal_area_spiral_for_degree(degree)
    coverage = measure_coverage(theta=spiral.theta, phi=spiral.phi, degree=degree)
    assert 0.9 * degree <= coverage.supported_degree() <= 1.02 * degree


@pytest.mark.parametrize("degree", [20, 60])
def test_degree_of_a_set_with_a_hole_is_that_of_the_rest(degree):
    spiral, theta, phi = blocked(degree)
    whole = measure_coverage(theta=spiral.theta, phi=spiral.phi, degree=degree)
    rest = measure_coverage(theta=theta, phi=phi, degree=degree)
    assert rest.supported_degree() == pytest.approx(whole.supported_degree(), rel=0.06)


@pytest.mark.parametrize("degree", [18, 30])
@pytest.mark.parametrize("edge_deg", [60, 75, 90, 120])
def test_degree_of_a_cap_is_that_of_the_whole(degree, edge_deg):
    # From a quarter of the sphere on. The whole counts its equator, where columns lie farthest apart:
    # in a cap of 60 deg they are sin 60 deg of that.
    theta, phi = grid(degree, 2 * degree)
    kept = theta <= np.radians(edge_deg) + 1e-9
    whole = measure_coverage(theta=theta, phi=phi, degree=degree).supported_degree()
    cap = measure_coverage(theta=theta[kept], phi=phi[kept], degree=degree).supported_degree()
    assert 0.85 * whole <= cap <= 1.2 * whole


@pytest.mark.parametrize("degree", [20, 40])
def test_degree_of_a_random_set(degree):
    # Poisson, three points per pair, 3 (N+1)^2 / 4 pi per steradian: a circle of radius rho is
    # empty with probability exp(-density pi rho^2), a tenth at rho = 1.75 / (N+1), and 1.41 / rho
    # is taken. Their density, 16 of them in the emptiest tenth, would allow 1.2 N.
    points = random_points(3 * degree * (degree + 2), rng=2)
    found = measure_coverage(theta=points.theta, phi=points.phi, degree=degree).supported_degree()
    # The quantile of M random points is good to about 1 / sqrt(M).
    assert found == pytest.approx(1.41 / 1.75 * (degree + 1), rel=3 / (3 * degree**2) ** 0.5, abs=1)


@pytest.mark.parametrize("degree", [20, 60])
def test_degree_falls_with_the_steps(degree):
    # Half as many rings and columns, half the degree.
    found = []
    for n in (degree, degree // 2):
        theta, phi = grid(n, 2 * n)
        found.append(measure_coverage(theta=theta, phi=phi, degree=degree).supported_degree())
    assert found[1] == pytest.approx(found[0] / 2, abs=1)


@pytest.mark.parametrize("rings", [10, 18, 30, 60])
@pytest.mark.parametrize("excess", [3, 6])
def test_coarse_rings_support_no_more_than_their_number(rings, excess):
    # T rings, however dense along themselves, determine degree T at most: waves of order m = 0
    # are n = 1 ... N in theta, N unknowns from T equations.
    theta, phi = grid(rings, 2 * excess * rings)
    coverage = measure_coverage(theta=theta, phi=phi, degree=rings)
    assert 0.7 * rings <= coverage.supported_degree() <= rings


def test_a_single_place_supports_degree_1():
    place = {"theta": np.full(1, 0.3), "phi": np.full(1, 1.0)}
    assert measure_coverage(**place, degree=1).supported_degree() == 1


# --- where the far field can be trusted ---------------------------------------------------------


def cut_through_the_axis(count=721):
    """Directions on the great circle through the axis of the cone and the north pole."""
    along = np.linspace(-np.pi, np.pi, count)
    theta = AXIS["theta"] + along
    x = vectors(theta, AXIS["phi"])
    return along, np.arccos(np.clip(x[:, 2], -1, 1)), np.arctan2(x[:, 1], x[:, 0])


@pytest.mark.parametrize(("degree", "kr"), [(60, 80.0), (60, 300.0), (90, 1e4)])
def test_trust_ends_where_rays_cross_the_hole(degree, kr):
    coverage, rho = fine()
    along, t, p = cut_through_the_axis()
    trusted = coverage.trusted(theta=t, phi=p, degree=degree, kr=kr)
    assert trusted.shape == t.shape
    assert trusted.dtype == bool
    # The hole, asin(r0/r) for the rays of an antenna as wide as N/k, half a step.
    half = CONE + np.arcsin(degree / kr) + 0.5 * np.pi / degree
    near = covering_radius(coverage)
    assert not trusted[np.abs(along) < half - near].any()
    assert trusted[np.abs(along) > half + 2 * rho].all()
    # Both occur.
    assert 0.2 < trusted.mean() < 0.95


def test_the_farther_the_samples_the_sharper_the_shadow():
    _, theta, phi = blocked(60)
    coverage = measure_coverage(theta=theta, phi=phi, degree=60)
    _, t, p = cut_through_the_axis()
    parts = [coverage.trusted(theta=t, phi=p, degree=60, kr=kr) for kr in (61, 80, 200, 1e6)]
    for near, far in pairwise(parts):
        assert np.all(far >= near)
        assert far.sum() > near.sum()
    # Samples within the sphere that the degree stands for: rays go everywhere on their half.
    within = coverage.trusted(theta=t, phi=p, degree=60, kr=40.0)
    at = coverage.trusted(theta=t, phi=p, degree=60, kr=60.0)
    np.testing.assert_array_equal(within, at)


def test_all_is_trusted_where_all_was_seen():
    spiral = equal_area_spiral_for_degree(30)
    coverage = measure_coverage(theta=spiral.theta, phi=spiral.phi, degree=30)
    trusted = coverage.trusted(theta=np.zeros((3, 1)), phi=np.zeros(4), degree=30, kr=40.0)
    assert trusted.shape == (3, 4)
    assert trusted.all()


def test_directions_on_a_grid_or_in_a_row():
    _, theta, phi = blocked(60)
    coverage = measure_coverage(theta=theta, phi=phi, degree=60)
    t, p = np.linspace(0, np.pi, 19), np.linspace(0, 2 * np.pi, 36, endpoint=False)
    tt, pp = np.meshgrid(t, p, indexing="ij")
    whole = coverage.trusted(theta=tt, phi=pp, degree=60, kr=100.0)
    assert whole.shape == (19, 36)
    row = coverage.trusted(theta=tt.ravel(), phi=pp.ravel(), degree=60, kr=100.0)
    np.testing.assert_array_equal(whole.ravel(), row)
    with pytest.raises(ValueError, match=r"theta is nan at index \(0\)"):
        coverage.trusted(theta=[np.nan], phi=[0.0], degree=60, kr=100.0)


def test_reach_of_one_unseen_direction():
    # A coverage made by hand: one direction not seen, at the north pole.
    away = np.radians([0.0, 5, 10, 50, 90, 180])
    direction = vectors(away, 0.0)
    distance = np.array([0.2, 0, 0, 0, 0, 0])
    coverage = Coverage(direction, lambda: Reach(distance, distance, distance, np.zeros(6, dtype=bool)))
    degree, kr = 30, 60.0
    # asin(1/2) and 2 steps of 6 deg.
    edge = np.radians(30 + 12)
    theta = np.array([0, edge - 1e-6, edge + 1e-6, np.pi])
    trusted = coverage.trusted(theta=theta, phi=np.full(4, 2.0), degree=degree, kr=kr)
    assert trusted.tolist() == [False, False, True, True]
    # 0.2 rad lie within 1.5 steps of degree 23, not of degree 24.
    assert coverage.unseen(23).tolist() == [False] * 6
    assert coverage.unseen(24).tolist() == [True, *[False] * 5]


# --- positions and polarisations ----------------------------------------------------------------


@pytest.mark.parametrize("chi_deg", [(0, 90), (0, 0.8), (0, 1.2), (10, 50)])
@pytest.mark.parametrize("pole", [False, True])
def test_pairs_in_order_have_the_places_of_any_order(chi_deg, pole, rng):
    # What the usual order is spared is worked out where the same samples are shuffled.
    points = random_points(40, rng=5)
    theta, phi = points.theta.copy(), points.phi.copy()
    if pole:
        theta[0] = 0
    place = {"theta": np.tile(theta, 2), "phi": np.tile(phi, 2), "chi": np.repeat(np.radians(chi_deg), 40)}
    samples = Samples([1e9], **place, radius=3.0, port=1, response=np.ones((1, 80)))
    order = rng.permutation(80)
    shuffled = Samples(
        [1e9], **{k: x[order] for k, x in place.items()}, radius=3.0, port=1, response=np.ones((1, 80))
    )
    one, other = (places(x, field_probe()) for x in (samples, shuffled))
    for x in (one, other):
        assert x[0].size == 40
        assert (x[2] is not None) == (chi_deg == (0, 0.8))
    first, second = (vectors(x[0], x[1]) for x in (one, other))
    np.testing.assert_allclose(first[np.lexsort(first.T)], second[np.lexsort(second.T)], atol=1e-15)


@pytest.mark.parametrize("damping", [None, 1e-3])
@pytest.mark.parametrize("threads", [1, 2, 3])
def test_new_samples_are_planned_once_with_the_same_bits(damping, threads, monkeypatch):
    from nf2ff.solver import problem

    made = []

    def counted(*given):
        made.append(given)
        return grid_fields(*given)

    monkeypatch.setattr(problem, "grid_fields", counted)
    spiral = equal_area_spiral_for_degree(12)
    place = {"theta": np.tile(spiral.theta, 2), "phi": np.tile(spiral.phi, 2)}
    place["chi"] = np.repeat([0, np.pi / 2], spiral.theta.size)
    samples = simulate(CLUSTER, frequency=[SPEED_OF_LIGHT], radius=4.0, **place)
    method = LeastSquares(threads=threads, damping=damping)
    found = solve(samples, field_probe(), degree=12, method=method)
    assert len(made) == 1
    again = solve(samples, field_probe(), degree=12, method=method)
    assert len(made) == 1
    alone = prepare(samples, field_probe(), degree=12, method=replace(method, threads=1))
    for modes in (again.modes, alone.modes(samples.response)):
        np.testing.assert_array_equal(modes.coefficients, found.modes.coefficients)


@pytest.mark.parametrize(
    ("keep", "lacks"),
    [
        # A quarter of the sphere; all but what a mast hides; all but a window; belts and caps.
        (lambda t, p: (t <= 90) & (p <= 180), [(0, 90, 180, 360), (90, 180)]),
        (lambda t, p: (t <= 120) & ((t <= 80) | (p <= 100) | (p >= 200)), [(80, 120, 100, 200), (120, 180)]),
        (lambda t, p: (t <= 60) | (t >= 110) | (p <= 100) | (p >= 160), [(60, 110, 100, 160)]),
        (lambda t, _: (t >= 30) & (t <= 150), [(0, 30), (150, 180)]),
        (lambda t, _: (t <= 60) | (t >= 130), [(60, 130)]),
        (lambda t, _: t <= 90, [(90, 180)]),
        (lambda _, p: p <= 300, [(0, 180, 300, 360)]),
    ],
)
def test_what_lacks_is_told_by_belts_of_theta_and_their_phi(keep, lacks):
    theta, phi = (x.ravel() for x in np.meshgrid(np.arange(0, 181, 5.0), np.arange(0, 360, 5.0)))
    here = keep(theta, phi)
    found = measure_coverage(theta=np.radians(theta[here]), phi=np.radians(phi[here]), degree=30)
    (text,) = re.findall(r"\((.*)\)", found.describe(30))
    belts = [[float(x) for x in re.findall(r"[\d.]+", belt)] for belt in text.split(" and ")]
    assert [len(x) for x in belts] == [len(x) for x in lacks]
    for got, expected in zip(belts, lacks, strict=True):
        # Steps of 5 deg, and belts of 6; phi near a pole is at hand farther off.
        np.testing.assert_allclose(got[:2], expected[:2], atol=15)
        np.testing.assert_allclose(got[2:], expected[2:], atol=7)
