"""Positions and their weights, against printed and brute-force ones."""

import numpy as np
import pytest
from power_scan_cases import ROUNDING, decibel, grid, scan_of, vectors

from nf2ff.antenna import fields
from nf2ff.antenna.far_field import far_field
from nf2ff.antenna.grids import equiangular_grid, gauss_legendre_grid
from nf2ff.antenna.modes import Modes
from nf2ff.antenna.points import PointSet, constant_density, equal_area_spiral, random_points
from nf2ff.kernel import sphere
from nf2ff.metrics.gain_and_power import intensity, trp
from nf2ff.power_only.scan import power_scan
from nf2ff.power_only.totals import scan_trp
from nf2ff.power_only.weights import (
    MERGED,
    different_positions,
    mean_weights,
    quadrature_weights,
    recognise_rings,
    sin_theta_weights,
    sphere_gap,
    voronoi_weights,
)


def rings_of(theta, phi):
    return recognise_rings(different_positions(theta, phi))


# --- positions -----------------------------------------------------------------------------


def test_samples_of_one_position_are_merged(rng):
    theta, phi = grid(6, 12)
    order = rng.permutation(theta.size)
    theta, phi = theta[order], phi[order]
    positions = different_positions(theta, phi)
    assert positions.theta.size == 5 * 12 + 2
    assert sorted(positions.count)[-3:] == [1, 12, 12]
    first = np.unique(positions.group, return_index=True)[1]
    np.testing.assert_array_equal(positions.theta, theta[first])
    # Mean of the copies, share of the weight: brute force.
    values = rng.random((3, theta.size))
    average = positions.average(values)
    weights = rng.random(positions.theta.size)
    share = positions.share(weights)
    for u in range(positions.theta.size):
        copies = positions.group == u
        np.testing.assert_allclose(average[:, u], values[:, copies].mean(axis=1), rtol=1e-15)
        np.testing.assert_allclose(share[copies].sum(), weights[u], rtol=1e-15)
    np.testing.assert_allclose(values @ share, average @ weights, rtol=1e-13)


def test_near_duplicates_are_merged_and_neighbours_are_not():
    # 0.9 of the limit apart, a chain of three; and 1.1 of it from the last of them.
    theta = 1 + MERGED * np.array([0, 0.9, 1.8, 2.9])
    positions = different_positions(theta, np.zeros(4))
    np.testing.assert_array_equal(positions.group, [0, 0, 0, 1])
    # What the docstring says, in numbers: 6e-4 deg is one position, 3e-3 deg is two.
    assert different_positions(np.radians([50, 50.0005]), np.zeros(2)).theta.size == 1
    assert different_positions(np.radians([50, 50.003]), np.zeros(2)).theta.size == 2
    # Near a pole azimuth is no distance: the pole's copies with an encoder's noise.
    positions = different_positions(np.full(8, 0.4 * MERGED), np.arange(8.0))
    assert positions.theta.size == 1


def test_without_copies_the_order_is_that_of_the_samples(rng):
    points = constant_density(50)
    positions = different_positions(points.theta, points.phi)
    values = rng.random((2, 50))
    np.testing.assert_array_equal(positions.average(values), values)
    np.testing.assert_array_equal(positions.share(values[0]), values[0])


@pytest.mark.parametrize("phi0", [0.0, 0.1])
@pytest.mark.parametrize("rule", ["clenshaw-curtis", "fejer-1", "fejer-2", "gauss-legendre"])
def test_rings_are_recognised_in_any_order(rng, rule, phi0):
    theta, phi = grid(9, 8, rule, phi0)
    order = rng.permutation(theta.size)
    rings = rings_of(theta[order], phi[order] + 2 * np.pi * rng.integers(-1, 2, theta.size))
    assert (rings.theta.size, rings.phi_count) == (theta.size // 8, 8)
    assert rings.phi0 == pytest.approx(phi0, abs=1e-12)
    assert rings.rule()[0] == rule
    positions = different_positions(theta[order], phi[order])
    inner = ~rings.is_pole[rings.ring]
    np.testing.assert_allclose(rings.theta[rings.ring], positions.theta, atol=1e-12)
    turn = phi0 + 2 * np.pi * rings.column / 8 - positions.phi
    np.testing.assert_allclose(np.exp(1j * turn[inner]), 1, atol=1e-12)


def test_what_makes_no_rings():
    theta, phi = grid(6, 12)
    assert rings_of(theta, phi) is not None
    keep = np.arange(theta.size) != 40
    assert rings_of(theta[keep], phi[keep]) is None
    # One ring turned by half a step; and one position moved within its ring.
    turned = phi + np.where(np.abs(theta - np.pi / 2) < 0.1, np.pi / 12, 0)
    assert rings_of(theta, turned) is None
    assert rings_of(theta, np.where(keep, phi, phi[40] + 0.01)) is None
    # A half circle of azimuths, and poles alone.
    half = phi < np.pi - 0.01
    assert rings_of(theta[half], phi[half]) is None
    assert rings_of(np.array([0, np.pi]), np.zeros(2)) is None
    points = constant_density(100)
    assert rings_of(points.theta, points.phi) is None
    # One cut, or two azimuths, see too little of the sphere.
    for few in (1, 2):
        assert rings_of(*grid(6, few)) is None


def test_rounding_about_the_first_azimuth():
    # Rings whose azimuths are just below and just above zero, as rounding leaves them.
    theta, phi = grid(6, 12)
    rings = rings_of(theta, phi + np.where(np.arange(theta.size) // 12 % 2, -1e-9, 1e-9))
    assert rings.phi_count == 12
    assert np.all(np.bincount(rings.column[~rings.is_pole[rings.ring]]) == 5)


def test_zones_tile_the_sphere():
    rings = rings_of(*grid(6, 12))
    # Closed form: 2 pi (cos - cos) of the angles midway.
    edges = np.radians([0, 15, 45, 75, 105, 135, 165, 180])
    np.testing.assert_allclose(rings.zones(), -2 * np.pi * np.diff(np.cos(edges)), rtol=1e-13)


@pytest.mark.parametrize(
    ("points", "ratio"),
    # Radius of the largest empty circle over sqrt(4 pi / M). The octahedron leaves the middle of
    # its faces, arccos(1/sqrt 3), closed form.
    [(grid(2, 4), np.arccos(1 / np.sqrt(3)) / np.sqrt(4 * np.pi / 6))],
)
def test_gap(points, ratio):
    # largest_gap promises 2 %.
    assert sphere_gap(different_positions(*points)) == pytest.approx(ratio, rel=0.02)


@pytest.mark.parametrize("points", [equal_area_spiral(300), constant_density(300)])
def test_even_sets_leave_small_gaps(points):
    assert 0.65 < sphere_gap(different_positions(points.theta, points.phi)) < 0.8


def test_a_sphere_that_was_not_measured_is_refused():
    theta, phi = grid(12, 24)
    upper = theta < 1.6
    message = r"no position within 90\.\d deg .* whole sphere; measure the rest, or turn"
    with pytest.raises(ValueError, match=message):
        voronoi_weights(different_positions(theta[upper], phi[upper]))
    with pytest.raises(ValueError, match="no position within 90"):
        scan_trp(scan_of(np.ones(upper.sum()), theta[upper], phi[upper]))
    # A single ring lies in a plane, where Voronoi cells have no corners.
    with pytest.raises(ValueError, match="no position within 120"):
        voronoi_weights(different_positions(np.full(8, np.pi / 3), np.arange(8.0) * np.pi / 4))


# --- weights -------------------------------------------------------------------------------


def test_sin_theta_is_the_formula(rng):
    # CTIA (from memory): TRP = pi / (2 N M) sum_{i=1}^{N-1} sum_{j=0}^{M-1} EIRP sin(theta_i).
    n, m = 12, 24
    theta, phi = grid(n, m)
    table = rng.random((n + 1, m))
    total = 0.0
    for i in range(1, n):
        for j in range(m):
            total += table[i, j] * np.sin(np.pi * i / n)
    total *= np.pi / (2 * n * m)
    found = scan_trp(scan_of(table.ravel(), theta, phi), method="sin-theta")
    np.testing.assert_allclose(found.trp, total, rtol=ROUNDING)


@pytest.mark.parametrize(
    ("steps", "printed"),
    # Check values of the project, closed form: (pi/2n) cot(pi/2n).
    [(6, -0.10084), (12, -0.02490), (24, -0.00621)],
)
def test_sin_theta_bias_of_an_isotropic_source(steps, printed):
    theta, phi = grid(steps, 2 * steps)
    found = scan_trp(scan_of(np.ones(theta.size), theta, phi), method="sin-theta")
    x = np.pi / (2 * steps)
    np.testing.assert_allclose(found.trp, x / np.tan(x), rtol=ROUNDING)
    assert decibel(found.trp[0]) == pytest.approx(printed, abs=0.5e-5)
    # The pattern is all monopole, so that the stated uncertainty is the bias itself. The fit's
    # rounding adds to its square.
    np.testing.assert_allclose(found.standard_uncertainty, 1 - x / np.tan(x), rtol=1e-10)


@pytest.mark.parametrize(("steps", "printed"), [(6, 0.00436), (12, 0.00026)])
def test_sin_theta_bias_of_a_dipole(steps, printed):
    # Check values of the project, closed form: EIRP = 3/2 sin^2 of TRP 1.
    theta, phi = grid(steps, 2 * steps)
    found = scan_trp(scan_of(1.5 * np.sin(theta) ** 2, theta, phi), method="sin-theta")
    i = np.arange(1, steps)
    closed = np.pi / (2 * steps) * np.sum(1.5 * np.sin(np.pi * i / steps) ** 3)
    np.testing.assert_allclose(found.trp, closed, rtol=ROUNDING)
    assert decibel(found.trp[0]) == pytest.approx(printed, abs=0.5e-5)


@pytest.mark.parametrize("rule", ["fejer-1", "fejer-2", "north-pole", "south-pole"])
@pytest.mark.parametrize("count", [2, 11])
def test_sin_theta_on_other_rings(rule, count):
    theta, phi = grid(count, 24, rule)
    rings = np.unique(theta.round(9))
    step = np.diff(rings)[0]
    expected = np.sum(np.sin(rings)) * step * 2 * np.pi
    np.testing.assert_allclose(sin_theta_weights(rings_of(theta, phi)).sum(), expected, rtol=1e-8)


def test_sin_theta_does_not_need_the_poles(rng):
    theta, phi = grid(12, 24)
    values = rng.random(theta.size)
    full = scan_trp(scan_of(values, theta, phi), method="sin-theta").trp
    for keep in (theta < 3, theta > 0.1, (theta < 3) & (theta > 0.1)):
        part = scan_trp(scan_of(values[keep], theta[keep], phi[keep]), method="sin-theta")
        np.testing.assert_allclose(part.trp, full, rtol=ROUNDING)


@pytest.mark.parametrize(
    ("steps", "printed"),
    # Clenshaw-Curtis weights of sum 2, check values of the project (closed form).
    [
        (6, [0.02857143, 0.25396825, 0.45714286, 0.52063492]),
        (12, [0.00699301, 0.06605742, 0.13154253, 0.18476338, 0.22697303, 0.25267569, 0.26198986]),
    ],
)
def test_clenshaw_curtis_weights(steps, printed):
    theta, phi = grid(steps, 24)
    found = scan_trp(scan_of(np.ones(theta.size), theta, phi))
    assert found.method == "quadrature"
    assert found.rule == f"clenshaw-curtis, {steps + 1} rings of 24"
    ring = found.weights.reshape(steps + 1, 24).sum(axis=1) / (2 * np.pi)
    np.testing.assert_allclose(ring, [*printed, *printed[-2::-1]], atol=0.6e-8)
    np.testing.assert_allclose(found.trp, 1, rtol=ROUNDING)


def powers_of_a_component(theta, phi, axis, degree):
    """(r . a)^l on directions, whose mean is 1/(l+1) for even l and 0 for odd (closed form)."""
    return (vectors(theta, phi) @ axis) ** np.arange(degree + 1)[:, None]


@pytest.mark.parametrize(
    ("rule", "rings", "azimuths", "by_rule", "by_fit"),
    # T rings integrate degree T - 1 (Gauss-Legendre 2T - 1), P azimuths P - 1 (textbook). The
    # monopole: Driscoll and Healy's rule on 8 steps with poles is that of 7 rings between them; a
    # least-squares fit has a degree of its own.
    [
        ("clenshaw-curtis", 8, 20, 8, 7),
        ("clenshaw-curtis", 9, 20, 9, None),
        ("fejer-1", 9, 20, 8, None),
        ("fejer-2", 9, 20, 8, None),
        ("north-pole", 9, 20, 8, None),
        ("south-pole", 9, 20, 8, None),
        ("gauss-legendre", 6, 20, 11, 11),
        ("clenshaw-curtis", 12, 7, 6, 6),
    ],
)
@pytest.mark.parametrize("method", ["quadrature", "harmonics"])
def test_quadratures_are_exact_for_band_limited_patterns(rng, method, rule, rings, azimuths, by_rule, by_fit):
    theta, phi = grid(rings, azimuths, rule, phi0=0.1)
    axis = rng.normal(size=3)
    axis /= np.linalg.norm(axis)
    first = scan_trp(scan_of(np.ones(theta.size), theta, phi), method=method)
    degree = first.exact_degree
    fitted = min(first.resolved_degree, (azimuths - 1) // 2)
    assert degree == (by_rule if method == "quadrature" else by_fit or fitted)
    assert degree >= 2
    found = scan_trp(scan_of(1 + powers_of_a_component(theta, phi, axis, degree), theta, phi), method=method)
    power = np.arange(degree + 1)
    np.testing.assert_allclose(found.trp, 1 + (power % 2 == 0) / (power + 1), rtol=ROUNDING)
    # The azimuths end it, not the rings: one degree more, along an axis in the equator, fails.
    if azimuths == 7 and method == "quadrature":
        beyond = powers_of_a_component(theta, phi, [1, 0, 0], degree + 1)[-1]
        assert abs(scan_trp(scan_of(1 + beyond, theta, phi), method=method).trp - 1) > 1e-4


@pytest.mark.parametrize("missing", ["north", "south"])
def test_a_pole_beside_a_rule_gets_no_weight(missing):
    theta, phi = grid(12, 24)
    keep = theta > 0.1 if missing == "north" else theta < 3
    positions = different_positions(theta[keep], phi[keep])
    weights, rule = quadrature_weights(recognise_rings(positions))
    assert rule == "fejer-2"
    pole = np.sin(positions.theta) < 1e-9
    assert pole.sum() == 1
    assert weights[pole] == 0
    inner, _ = quadrature_weights(rings_of(*grid(11, 24, "fejer-2")))
    np.testing.assert_allclose(np.sort(weights[~pole]), np.sort(inner), rtol=1e-12)


def test_trp_of_modes_is_that_of_their_far_field(random_q):
    n = 6
    modes = Modes([1e9, 2e9], [random_q(n), 0.1 * random_q(n)])
    # The power pattern has degree 2n = 12: 13 rings and 13 azimuths do (1e-10 was asked; the
    # transforms' rounding is 1e-12).
    for rings, azimuths in ((2 * n + 1, 2 * n + 1), (30, 40)):
        at = equiangular_grid(rings, azimuths)
        scan = power_scan(far_field(modes, theta=at.theta, phi=at.phi))
        found = scan_trp(scan, field_degree=n)
        np.testing.assert_allclose(found.trp, trp(modes), rtol=3e-12)
        assert not any("aliased" in s for some in found.warnings for s in some)
    at = gauss_legendre_grid(n + 1, 2 * n + 1)
    scan = power_scan(far_field(modes, theta=at.theta, phi=at.phi))
    for method in ("quadrature", "harmonics"):
        found = scan_trp(scan, method=method)
        np.testing.assert_allclose(found.trp, trp(modes), rtol=3e-12)
    # At points the monopole of a fit of degree 2n is exact as well.
    points = equal_area_spiral(300)
    e = fields.far_field_points(modes, theta=points.theta, phi=points.phi)
    scan = scan_of(4 * np.pi * intensity(*e), points.theta, points.phi)
    found = scan_trp(scan, method="harmonics", field_degree=n)
    assert found.exact_degree >= 2 * n
    np.testing.assert_allclose(found.trp, trp(modes), rtol=3e-12)
    assert found.warnings == ((), ())


@pytest.mark.parametrize("count", [1, 2, 3, 60])
def test_equal_weights(count):
    np.testing.assert_array_equal(mean_weights(count), np.full(count, 4 * np.pi / count))


@pytest.mark.parametrize("points", [constant_density(60), equal_area_spiral(101)])
def test_plain_mean_of_constant_density(points):
    # cos(theta_i) = 1 - (2i + 1)/M, hence closed forms: the mean of cos is 0, that of sin^2 is
    # 2/3 + 1/(3 M^2).
    scan = scan_of([1 + np.cos(points.theta), np.sin(points.theta) ** 2], points.theta, points.phi)
    found = scan_trp(scan, method="mean")
    np.testing.assert_allclose(found.trp, [1, 2 / 3 + 1 / (3 * points.count**2)], rtol=ROUNDING)
    assert found.warnings == ((), ())


def test_voronoi_weights_of_regular_solids():
    # Closed form: equal weights by symmetry.
    cube = np.array(np.meshgrid([-1, 1], [-1, 1], [-1, 1])).reshape(3, -1)
    theta, phi = sphere.direction_angles(cube.T)
    weights = voronoi_weights(different_positions(theta, phi))
    np.testing.assert_allclose(weights, np.full(8, np.pi / 2), rtol=1e-12)


def test_voronoi_weights_are_areas(rng):
    points = random_points(40, rng=rng)
    weights = voronoi_weights(different_positions(points.theta, points.phi))
    assert weights.sum() == pytest.approx(4 * np.pi, rel=1e-12)
    # Brute force: of an even lattice the directions nearest to each point. A lattice counts an area
    # to its boundary: 2 pi sqrt(area / pi) / step cells at most, of which chance leaves sqrt.
    count = 200_000
    lattice = constant_density(count)
    nearest = np.argmax(vectors(lattice.theta, lattice.phi) @ vectors(points.theta, points.phi).T, axis=1)
    counted = np.bincount(nearest, minlength=40) * 4 * np.pi / count
    edge = np.sqrt(2 * np.sqrt(np.pi * weights) / np.sqrt(4 * np.pi / count)) * 4 * np.pi / count
    assert np.all(np.abs(counted - weights) < 3 * edge)


def test_copies_of_a_pole_share_its_voronoi_cell():
    theta, phi = grid(12, 24)
    found = scan_trp(scan_of(np.ones(theta.size), theta, phi), method="voronoi")
    ring = found.weights.reshape(13, 24)
    np.testing.assert_allclose(ring, ring[:, :1] * np.ones(24), rtol=1e-9)
    # The pole's cell is a polygon of 24 sides about a cap of 7.5 deg. Closed form: its area is
    # 24 (2 arctan-type excess); from scipy's triangles by the tangent of half the excess.
    half = np.pi / 24
    inner = np.radians(7.5)
    # Right spherical triangle (Napier): leg `inner`, angle `half` at the pole; other angle:
    other = np.arccos(np.cos(inner) * np.sin(half))
    area = 48 * (half + other - np.pi / 2)
    assert ring[0].sum() == pytest.approx(area, rel=1e-9)
    np.testing.assert_allclose(found.trp, 1, rtol=ROUNDING)


@pytest.mark.parametrize(
    ("method", "points", "message"),
    [
        ("sin-theta", constant_density(60), "sin-theta weights need rings .* 'voronoi' or"),
        ("quadrature", constant_density(60), "quadrature weights need rings .* 'voronoi' or"),
        ("sin-theta", "gauss", "need equal steps of theta from pole to pole, not 12 rings from"),
        ("quadrature", "part", "need rings of a quadrature rule, not 11 rings from 0 to 150 deg"),
        ("sin-theta", "part", "need equal steps .* not 11 rings from 0 to 150 deg: .*measure"),
        ("simpson", constant_density(60), "method is 'simpson', expected one of sin-theta, quad"),
    ],
)
def test_methods_that_do_not_suit(method, points, message):
    if isinstance(points, PointSet):
        theta, phi = points.theta, points.phi
    elif points == "gauss":
        theta, phi = grid(12, 24, "gauss-legendre")
    else:
        theta, phi = (x[: 11 * 24] for x in grid(12, 24))
    with pytest.raises(ValueError, match=message):
        scan_trp(scan_of(np.ones(theta.size), theta, phi), method=method)


def test_without_a_rule_the_default_is_voronoi():
    theta, phi = (x[: 11 * 24] for x in grid(12, 24))
    found = scan_trp(scan_of(np.ones(theta.size), theta, phi))
    assert (found.method, found.exact_degree) == ("voronoi", None)
    # 30 deg about the south pole, where sqrt(4 pi / M) / 2 is 6.5 deg.
    assert "gap between positions is 2.9 times that of an even set" in found.warnings[0][0]
    np.testing.assert_allclose(found.trp, 1, rtol=ROUNDING)
