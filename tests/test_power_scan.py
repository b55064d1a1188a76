"""Totals and peaks of scans without phase, against closed forms, brute force and simulation."""

import json
import re
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from commands import succeed
from scipy.spatial.transform import Rotation
from scipy.special import eval_legendre, sph_harm_y
from scipy.stats import hmean

from nf2ff import beam, harmonic_iteration, metrics, power_fit, waves
from nf2ff.farfield import FarField, far_field
from nf2ff.grid import equiangular_grid, gauss_legendre_grid, ring_angles
from nf2ff.harmonic_iteration import IteratedBasis
from nf2ff.modes import Modes
from nf2ff.points import (
    PointSet,
    constant_density,
    constant_rate_spiral,
    equal_area_spiral,
    random_points,
)
from nf2ff.power_facts import power_facts
from nf2ff.power_fit import (
    PointBasis,
    PowerFit,
    RingBasis,
    fit_powers,
    harmonic_basis,
    harmonics,
)
from nf2ff.power_peak import fit_scan, scan_peak
from nf2ff.power_scan import PowerScan, SensitivityScan, power_scan
from nf2ff.power_tables import (
    POWER_COLUMNS,
    SENSITIVITY_COLUMNS,
    power_table_kind,
    read_power_table,
    read_sensitivity_table,
)
from nf2ff.power_totals import METHODS, scan_tis, scan_trp
from nf2ff.sphere_weights import (
    MERGED,
    constant_step_count,
    different_positions,
    mean_weights,
    quadrature_weights,
    recognise_rings,
    sin_theta_weights,
    sphere_gap,
    voronoi_weights,
)

#: Rounding of a sum of some hundred powers, relative.
ROUNDING = 1e-13


def vectors(theta, phi):
    sin = np.sin(theta)
    return np.stack([sin * np.cos(phi), sin * np.sin(phi), np.cos(theta)], axis=-1)


def pairs(theta, phi):
    return tuple(x.ravel() for x in np.meshgrid(theta, phi, indexing="ij"))


def grid(steps, azimuths, rule="clenshaw-curtis", phi0=0.0):
    """Directions of a grid; with both poles ``steps`` is the number of steps of theta."""
    count = steps + 1 if rule == "clenshaw-curtis" else steps
    return pairs(ring_angles(rule, count), phi0 + 2 * np.pi * np.arange(azimuths) / azimuths)


def scan_of(values, theta, phi, frequency=None):
    values = np.atleast_2d(values)
    frequency = np.arange(1.0, len(values) + 1) if frequency is None else frequency
    return PowerScan(frequency, theta, phi, eirp_total=values)


def rings_of(theta, phi):
    return recognise_rings(different_positions(theta, phi))


def decibel(ratio):
    return 10 * np.log10(ratio)


# --- number of positions -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("step", "count"),
    # 3GPP TS 38.521-2 annex M: 15 deg in its text; 7.5, 3.6, 3 and 2.5 in its tables. 30 deg by
    # the same formula.
    [(30, 62), (15, 266), (7.5, 1106), (3.6, 4902), (3, 7082), (2.5, 10226)],
)
def test_positions_of_constant_step_grids(step, count):
    assert constant_step_count(theta_step_deg=step) == count
    if step >= 7.5:
        theta, phi = pairs(*(np.radians(np.arange(0, end, step)) for end in (180.1, 360)))
        assert different_positions(theta, phi).theta.size == count


def test_two_steps():
    # 17 rings of 18 between the poles.
    assert constant_step_count(theta_step_deg=10, phi_step_deg=20) == 17 * 18 + 2


@pytest.mark.parametrize(
    ("steps", "message"),
    [
        ({"theta_step_deg": 7}, "theta_step_deg is 7, expected a whole part of 180 deg.* 6.92308"),
        ({"theta_step_deg": 0}, "theta_step_deg is 0, expected a whole part of 180 deg$"),
        ({"theta_step_deg": -15}, "theta_step_deg is -15, expected"),
        ({"theta_step_deg": 10, "phi_step_deg": 25}, "phi_step_deg is 25, .* 360 deg.* 25.7143"),
        ({"theta_step_deg": 1e-5}, "theta_step_deg is 1e-05, expected"),
    ],
)
def test_steps_that_do_not_divide_the_circle(steps, message):
    with pytest.raises(ValueError, match=message):
        constant_step_count(**steps)


# --- positions -----------------------------------------------------------------------------


def test_samples_of_one_position_are_merged(rng):
    theta, phi = grid(6, 12)
    order = rng.permutation(theta.size)
    theta, phi = theta[order], phi[order]
    positions = different_positions(theta, phi)
    assert positions.theta.size == constant_step_count(theta_step_deg=30)
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
        (
            12,
            [0.00699301, 0.06605742, 0.13154253, 0.18476338, 0.22697303, 0.25267569, 0.26198986],
        ),
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
def test_quadratures_are_exact_for_band_limited_patterns(
    rng, method, rule, rings, azimuths, by_rule, by_fit
):
    theta, phi = grid(rings, azimuths, rule, phi0=0.1)
    axis = rng.normal(size=3)
    axis /= np.linalg.norm(axis)
    first = scan_trp(scan_of(np.ones(theta.size), theta, phi), method=method)
    degree = first.exact_degree
    fitted = min(first.resolved_degree, (azimuths - 1) // 2)
    assert degree == (by_rule if method == "quadrature" else by_fit or fitted)
    assert degree >= 2
    found = scan_trp(
        scan_of(1 + powers_of_a_component(theta, phi, axis, degree), theta, phi), method=method
    )
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
        np.testing.assert_allclose(found.trp, metrics.trp(modes), rtol=3e-12)
        assert not any("aliased" in s for some in found.warnings for s in some)
    at = gauss_legendre_grid(n + 1, 2 * n + 1)
    scan = power_scan(far_field(modes, theta=at.theta, phi=at.phi))
    for method in ("quadrature", "harmonics"):
        found = scan_trp(scan, method=method)
        np.testing.assert_allclose(found.trp, metrics.trp(modes), rtol=3e-12)
    # At points the monopole of a fit of degree 2n is exact as well.
    points = equal_area_spiral(300)
    e = waves.far_field_points(modes, theta=points.theta, phi=points.phi)
    scan = scan_of(4 * np.pi * metrics.intensity(*e), points.theta, points.phi)
    found = scan_trp(scan, method="harmonics", field_degree=n)
    assert found.exact_degree >= 2 * n
    np.testing.assert_allclose(found.trp, metrics.trp(modes), rtol=3e-12)
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
    theta, phi = metrics.direction_angles(cube.T)
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
    nearest = np.argmax(
        vectors(lattice.theta, lattice.phi) @ vectors(points.theta, points.phi).T, axis=1
    )
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


# --- harmonics -----------------------------------------------------------------------------


def real_harmonics(degree, theta, phi):
    """The same by scipy, whose harmonics are orthonormal and have the Condon-Shortley phase."""
    columns = []
    for n in range(degree + 1):
        y = [np.sqrt(4 * np.pi) * (-1) ** m * sph_harm_y(n, m, theta, phi) for m in range(n + 1)]
        columns += [y[0].real] + [np.sqrt(2) * v.real for v in y[1:]]
        columns += [np.sqrt(2) * v.imag for v in y[1:]]
    return np.stack(columns, axis=1)


def test_harmonics(rng):
    theta, phi = np.arccos(rng.uniform(-1, 1, 20)), rng.uniform(0, 2 * np.pi, 20)
    theta[:2] = [0, np.pi]
    # Recurrences of length 12 and values up to sqrt(2n + 1).
    np.testing.assert_allclose(
        harmonics(12, theta=theta, phi=phi), real_harmonics(12, theta, phi), atol=1e-12
    )


@pytest.mark.parametrize(
    "points",
    [grid(12, 24), grid(11, 19, phi0=0.2), grid(10, 21, "gauss-legendre"), grid(9, 14, "fejer-1")],
)
def test_fit_on_rings_is_weighted_least_squares(rng, points):
    positions = different_positions(*points)
    rings = recognise_rings(positions)
    basis = harmonic_basis(positions, rings)
    assert isinstance(basis, RingBasis)
    assert basis.share.sum() == pytest.approx(1, rel=1e-13)
    values = rng.random((3, positions.theta.size))  # of no degree at all
    matrix = real_harmonics(basis.degree, positions.theta, positions.phi)
    root = np.sqrt(basis.share)
    expected = np.linalg.lstsq(root[:, None] * matrix, (root * values).T, rcond=None)[0].T
    coefficients, left = basis.fit(values)
    # Condition below 10, some hundred terms.
    np.testing.assert_allclose(coefficients, expected, atol=1e-12)
    np.testing.assert_allclose(left, (values - expected @ matrix.T) ** 2 @ basis.share, rtol=1e-12)
    np.testing.assert_allclose(values @ basis.monopole(), expected[:, 0], rtol=1e-12)
    weights = rings.share(rng.random(rings.theta.size))
    np.testing.assert_allclose(basis.moments(weights), weights @ matrix, atol=1e-11)


@pytest.mark.parametrize("kind", [PointBasis, IteratedBasis])
@pytest.mark.parametrize("points", [equal_area_spiral(150), random_points(150, rng=3)])
def test_fit_at_points_is_weighted_least_squares(rng, monkeypatch, points, kind):
    # The iteration ends at 1e-11 of a gradient below 1; the least eigenvalue is 0.25.
    tolerance = weights = sums = 1e-12
    if kind is IteratedBasis:
        monkeypatch.setattr(power_fit, "MOST_TERMS", 0)
        tolerance = 4 * harmonic_iteration.STOP
        weights, sums = 4 * tolerance, 1e-11
    positions = different_positions(points.theta, points.phi)
    basis = harmonic_basis(positions)
    assert isinstance(basis, kind)
    np.testing.assert_allclose(4 * np.pi * basis.share, voronoi_weights(positions), rtol=1e-13)
    values = rng.random((3, 150))
    matrix = real_harmonics(basis.degree, positions.theta, positions.phi)
    root = np.sqrt(basis.share)
    expected = np.linalg.lstsq(root[:, None] * matrix, (root * values).T, rcond=None)[0].T
    coefficients, left = basis.fit(values)
    np.testing.assert_allclose(coefficients, expected, atol=tolerance)
    np.testing.assert_allclose(left, (values - expected @ matrix.T) ** 2 @ basis.share, rtol=1e-12)
    np.testing.assert_allclose(values @ basis.monopole(), expected[:, 0], rtol=weights)
    np.testing.assert_allclose(basis.moments(root), root @ matrix, atol=sums)


def test_fits_of_two_frequencies_do_not_mix(rng):
    # They share each step of the iteration, as the real and the imaginary part of a map: the
    # weaker one must come out as if it were alone, to 1e-11 over the least eigenvalue of 0.25.
    points = equal_area_spiral(650)
    positions = different_positions(points.theta, points.phi)
    basis = harmonic_basis(positions, degree=21)
    assert isinstance(basis, IteratedBasis)
    values = rng.random((3, 650))
    level = np.array([1.0, 1e-12, 1e9])
    (found, left), (alone, rest) = basis.fit(level[:, None] * values), basis.fit(values)
    tolerance = 2 * 4 * harmonic_iteration.STOP * np.linalg.norm(alone, axis=1).max()
    np.testing.assert_allclose(found / level[:, None], alone, rtol=0, atol=tolerance)
    np.testing.assert_allclose(left / level**2, rest, rtol=1e-9)


@pytest.mark.parametrize(
    ("points", "degree"), [(equal_area_spiral(300), 14), (random_points(300, rng=3), 11)]
)
def test_least_eigenvalue_by_iteration(points, degree):
    # Without too few points (0.8), with them (4e-3). Never below the truth (Rayleigh); a few per
    # cent above.
    positions = different_positions(points.theta, points.phi)
    share = voronoi_weights(positions) / (4 * np.pi)
    matrix = real_harmonics(degree, positions.theta, positions.phi)
    exact = np.linalg.eigvalsh(matrix.T @ (share[:, None] * matrix))[0]
    location = np.stack([positions.theta, positions.phi], axis=1)
    found = IteratedBasis(degree, share, location).least_eigenvalue()
    assert exact * (1 - 1e-9) <= found < 1.05 * exact


def test_an_iteration_that_does_not_end(monkeypatch):
    monkeypatch.setattr(harmonic_iteration, "MOST_STEPS", 3)
    points = equal_area_spiral(700)
    message = "fit of degree 22 did not end in 3 steps: .* lower the degree"
    with pytest.raises(ValueError, match=message):
        fit_scan(scan_of(1 + np.cos(points.theta), points.theta, points.phi), degree=22)


def test_high_degrees_away_from_rings():
    # Closed form: ((1 + r . a) / 2)^60 is of degree 60, has the peak 1 at a and the mean 1/61.
    # Three frequencies are a pair and one; the iteration ends at 1e-11.
    points = equal_area_spiral(5000)
    r = vectors(points.theta, points.phi)
    axes = vectors(np.array([0.7, 2.0, 1.4]), np.array([6.2, 1.0, 3.0]))
    scan = scan_of(((1 + axes @ r.T) / 2) ** 60, points.theta, points.phi)
    fit = fit_scan(scan, degree=60)
    assert fit.degree == 60
    np.testing.assert_allclose(fit.mean, np.full(3, 1 / 61), rtol=1e-9)
    assert np.all(fit.residual < 1e-11)
    found = scan_peak(scan, field_degree=30)
    assert found.degree >= 60
    np.testing.assert_allclose(found.theta, [0.7, 2.0, 1.4], atol=1e-6)
    np.testing.assert_allclose(found.phi, [6.2, 1.0, 3.0], atol=1e-6)
    np.testing.assert_allclose(found.eirp, 1, rtol=1e-9)
    assert found.warnings == ((), (), ())


def test_degree_of_the_fit_behind_a_total():
    # (L + 1)^2 <= 0.8 M gives 55; of that as much as there is use for.
    points = constant_density(4000)
    scan = scan_of(np.ones(4000), points.theta, points.phi)
    assert scan_trp(scan, method="mean").resolved_degree == 50
    found = scan_trp(scan, method="mean", field_degree=27)
    assert (found.resolved_degree, found.warnings) == (54, ((),))
    assert scan_trp(scan, method="harmonics").exact_degree == 55
    # On rings that are cheap, (120 - 1) / 2.
    theta, phi = grid(60, 120)
    assert scan_trp(scan_of(np.ones(theta.size), theta, phi)).resolved_degree == 59


@pytest.mark.parametrize(
    ("points", "degree"),
    [
        # Rings: (P - 1)/2 azimuthal orders, or one degree for each ring that is no pole.
        (grid(12, 24), 11),
        (grid(24, 24), 11),
        (grid(11, 19), 9),
        (grid(6, 24), 5),
        # (L + 1)^2 <= 0.8 M, the areas being equal to 2 %.
        (equal_area_spiral(150), 9),
        (equal_area_spiral(300), 14),
        (equal_area_spiral(900), 25),
    ],
)
def test_degree_of_a_fit(points, degree):
    points = (points.theta, points.phi) if isinstance(points, PointSet) else points
    positions = different_positions(*points)
    assert harmonic_basis(positions, recognise_rings(positions)).degree == degree


@pytest.mark.parametrize(("seed", "dense"), [(0, True), (1, True), (2, True), (2, False)])
def test_chosen_degree_is_the_largest_that_is_well_determined(monkeypatch, seed, dense):
    if not dense:
        monkeypatch.setattr(power_fit, "MOST_TERMS", 0)
    points = random_points(120, rng=seed)
    positions = different_positions(points.theta, points.phi)
    degree = harmonic_basis(positions).degree
    share = voronoi_weights(positions) / (4 * np.pi)

    def least(n):
        matrix = real_harmonics(n, positions.theta, positions.phi)
        return np.linalg.eigvalsh(matrix.T @ (share[:, None] * matrix))[0]

    assert least(degree) >= power_fit.LEAST_EIGENVALUE > least(degree + 1)


def test_degree_asked_for(rng):
    positions = different_positions(*grid(12, 24))
    rings = recognise_rings(positions)
    assert harmonic_basis(positions, rings, degree=4).degree == 4
    for degree in (12, -1):
        with pytest.raises(ValueError, match=rf"degree is {degree}, .* determine 0 to 11: lower"):
            harmonic_basis(positions, rings, degree=degree)
    # A spiral does better than asked; random points are refused where they leave holes.
    points = random_points(60, rng=rng)
    scan = scan_of(np.ones(60), points.theta, points.phi)
    chosen = fit_scan(scan).degree
    assert fit_scan(scan, degree=chosen + 1).degree == chosen + 1
    with pytest.raises(ValueError, match=r"degree is 5, these positions determine 0 to [34]: "):
        fit_scan(scan, degree=5)


def test_dense_fits_stay_small(monkeypatch):
    points = equal_area_spiral(300)
    positions = different_positions(points.theta, points.phi)
    assert isinstance(harmonic_basis(positions), PointBasis)
    for name, limit in (("MOST_ENTRIES", 300 * 15**2 - 1), ("MOST_TERMS", 15**2 - 1)):
        with monkeypatch.context() as changed:
            changed.setattr(power_fit, name, limit)
            basis = harmonic_basis(positions)
        assert isinstance(basis, IteratedBasis)
        assert basis.degree == 14
    # Where few degrees are left after all, they are dense.
    points = random_points(900, rng=1)
    basis = harmonic_basis(different_positions(points.theta, points.phi))
    assert isinstance(basis, PointBasis)
    assert basis.degree < 20


def test_noise_is_what_is_left(rng):
    # White noise of variance 1 about nothing: the mean of residual^2 is 1. 400 patterns of some
    # 100 degrees of freedom: 1/sqrt(20000) = 0.7 %, and the approximation of the docstring.
    for points in (grid(12, 24), grid(11, 19)):
        positions = different_positions(*points)
        basis = harmonic_basis(positions, recognise_rings(positions))
        noise = rng.normal(size=(400, positions.theta.size))
        fit = fit_powers(basis, frequency=np.arange(400.0), values=noise)
        assert np.mean(fit.residual**2) == pytest.approx(1, abs=0.05)
        # Nothing but noise is nothing resolved: 1 of 1 + (L + 1)^2 sum(share^2).
        filling = (fit.degree + 1) ** 2 * np.sum(basis.share**2)
        share = np.sqrt(np.mean(fit.unresolved() ** 2))
        assert share == pytest.approx(np.sqrt(1 / (1 + filling)), abs=0.03)


def test_fit_interpolates_and_knows_its_spectrum(rng, monkeypatch):
    truth = rng.normal(size=(2, 36))
    theta, phi = grid(8, 13)
    scan = scan_of(50 + truth @ real_harmonics(5, theta, phi).T, theta, phi)
    fit = fit_scan(scan, degree=5)
    np.testing.assert_allclose(fit.coefficients[:, 1:], truth[:, 1:], atol=1e-12)
    np.testing.assert_allclose(fit.mean, 50 + truth[:, 0], rtol=1e-13)
    t, p = np.arccos(rng.uniform(-1, 1, 30)), rng.uniform(0, 2 * np.pi, 30)
    expected = 50 + truth @ real_harmonics(5, t, p).T
    np.testing.assert_allclose(fit.at(theta=t, phi=p), expected, rtol=1e-13)
    monkeypatch.setattr(power_fit, "MOST_ENTRIES", 36 * 2 * 7)  # seven directions at once
    np.testing.assert_allclose(fit.at(theta=t, phi=p), expected, rtol=1e-13)
    for n in range(1, 6):
        np.testing.assert_allclose(
            fit.spectrum()[:, n], np.sum(truth[:, n * n : (n + 1) ** 2] ** 2, axis=1), rtol=1e-10
        )
    assert np.all(fit.unresolved() < 1e-12)
    assert fit.unresolved().shape == (2,)


def test_shapes_of_a_fit():
    with pytest.raises(ValueError, match=r"shape \(1, 5\), residual \(1,\), expected \(F, \(L"):
        PowerFit([1e9], np.zeros((1, 5)), [0])
    with pytest.raises(ValueError, match=r"with F = 2"):
        PowerFit([1e9, 2e9], np.zeros((1, 4)), [0])
    assert PowerFit([1e9], np.zeros((1, 4)), [0]).unresolved()[0] == 0


# --- the stated uncertainty ----------------------------------------------------------------


def random_field(degree, seed):
    """A power pattern of degree 2N, |sum|^2 of random harmonics, and its mean (closed form)."""
    c = np.random.default_rng(seed).normal(size=(2, (degree + 1) ** 2))

    def pattern(r):
        theta, phi = metrics.direction_angles(r.reshape(-1, 3))
        u = np.sum((harmonics(degree, theta=theta, phi=phi) @ c.T) ** 2, axis=1)
        return u.reshape(r.shape[:-1])

    return pattern, np.sum(c**2)


def line_of_eight(r):
    """Eight isotropic sources half a wavelength apart: (sin(8u)/sin(u))^2 / 8, u = pi z / 2.

    Its mean is exactly 1 (closed form: the sources do not couple at that spacing).
    """
    s = np.sin(np.pi * r[..., 2] / 2)
    near = np.abs(s) < 1e-9
    return np.where(near, 64, (np.sin(4 * np.pi * r[..., 2]) / np.where(near, 1, s)) ** 2) / 8


def fringes(r):
    """Two isotropic sources, k times their distance 23: |1 + exp(23j z)|^2 / 2.

    Its mean is 1 + sin(23)/23 (closed form), and most of its ripple is of degrees about 23.
    """
    return 1 + np.cos(23 * r[..., 2])


def with_noise(r):
    """A dipole along x whose samples scatter by a fifth: EIRP of mean 1."""
    noise = np.random.default_rng(5).normal(size=r.shape[:-1])
    return 1.5 * (1 - r[..., 0] ** 2) * np.maximum(1 + 0.2 * noise, 0)


SETS = {
    "grid of 15 deg": grid(12, 24),
    "12 x 19": grid(11, 19),
    "135 points": constant_density(135),
    "spiral": equal_area_spiral(135),
    "constant rates": constant_rate_spiral(turns=11, samples_per_turn=20.5),
    "random": random_points(200, rng=8),
}
ORIENTATIONS = 150
PATTERNS = {
    "dipole": (lambda r: 1.5 * (1 - r[..., 0] ** 2), 1.0),
    "degree 6": random_field(3, seed=1),
    "degree 16": random_field(8, seed=2),
    "degree 28": random_field(14, seed=3),
    "line": (line_of_eight, 1.0),
    "noise": (with_noise, 1.0),
    "two sources": (fringes, 1 + np.sin(23) / 23),
}


@cache
def simulated(name):
    """A scan of a set: each pattern in random orientations, which stand for frequencies; means."""
    points = SETS[name]
    theta, phi = (points.theta, points.phi) if isinstance(points, PointSet) else points
    rotation = Rotation.random(ORIENTATIONS, random_state=np.random.default_rng(4)).as_matrix()
    r = np.einsum("kij,mj->kmi", rotation, vectors(theta, phi))
    values = np.concatenate([f(r) / mean for f, mean in PATTERNS.values()])
    return scan_of(values, theta, phi)


@pytest.mark.parametrize(
    ("name", "method"),
    [
        (name, method)
        for name in SETS
        for method in METHODS
        if method not in ("sin-theta", "quadrature") or not isinstance(SETS[name], PointSet)
    ],
)
def test_stated_uncertainty_covers_the_error(name, method):
    found = scan_trp(simulated(name), method=method)
    errors = (found.trp - 1).reshape(len(PATTERNS), ORIENTATIONS)
    all_stated = found.standard_uncertainty.reshape(errors.shape)
    for label, own, told in zip(PATTERNS, errors, all_stated, strict=True):
        error, stated = np.sqrt(np.mean(own**2)), np.sqrt(np.mean(told**2))
        if error < 1e-12:  # exact, and no wonder
            continue
        # No less than the error but for chance, three times the 1/sqrt(2 K) = 5.8 % of a normal
        # one; what the docstring says of fringes, and of the holes of random points.
        least = 0.7 if name == "random" else 0.83
        if label == "two sources":
            least = 0.55
        assert stated > least * error, (label, stated / error)
        if label in ("dipole", "degree 6") and found.resolved_degree >= 6:
            # All of the pattern is resolved: exact but for chance, three times that.
            assert stated == pytest.approx(error, rel=0.18), label


def test_uncertainty_is_the_mean_over_all_orientations():
    # A dipole on the grid of 30 deg, sin-theta: brute force over its axes, on a lattice of 4000.
    theta, phi = grid(6, 12)
    axes = constant_density(4000)
    r = vectors(theta, phi) @ vectors(axes.theta, axes.phi).T
    scan = scan_of(1.5 * (1 - r.T**2), theta, phi)
    found = scan_trp(scan, method="sin-theta")
    error = np.sqrt(np.mean((found.trp - 1) ** 2))
    # The same number for every orientation; the lattice's mean of a pattern of degree 4 is
    # exact to 1/(3 M^2) and its own aliases, some 1e-5.
    np.testing.assert_allclose(found.standard_uncertainty, error, rtol=1e-4)
    # Closed form: u^2 = b^2 + P_2 / 5 sum_m e_2m^2, P_2 = 1/5 of 1.5 sin^2 = 1 - P_2(cos), with b
    # the bias of an isotropic source.
    weights = found.weights / (4 * np.pi)
    bias = weights.sum() - 1
    alias = np.sqrt(5) * np.sum(weights * eval_legendre(2, np.cos(theta)))
    np.testing.assert_allclose(error**2, bias**2 + alias**2 / 25, rtol=2e-4)


def test_noise_alone(rng):
    # Closed form: the mean of M equal weights has the standard deviation sigma / sqrt(M). The
    # residual has 200 - 169 degrees of freedom in each of 300 patterns: 1 %; and the noise in the
    # fit itself adds the little that its alias counts.
    points = equal_area_spiral(200)
    values = 10 + rng.normal(size=(300, 200))
    found = scan_trp(scan_of(values, points.theta, points.phi), method="mean")
    stated = np.sqrt(np.mean(found.standard_uncertainty**2))
    assert stated == pytest.approx(1 / np.sqrt(200), rel=0.04)


# --- warnings ------------------------------------------------------------------------------


def test_aliasing_is_told():
    theta, phi = grid(12, 24)
    scan = scan_of(np.ones(theta.size), theta, phi)
    assert scan_trp(scan, field_degree=6).warnings == ((),)
    (message,) = scan_trp(scan, field_degree=7).warnings[0]
    assert "degree 7 has a power pattern of degree 14, these positions serve up to 12" in message
    assert "steps of 12 deg or less" in message  # 180 / (2 * 7 + 1)
    # The fit resolves 11.
    assert scan_peak(scan, field_degree=5).warnings == ((),)
    assert "serve up to 11" in scan_peak(scan, field_degree=6).warnings[0][0]
    assert "serve up to 11" in scan_trp(scan, field_degree=6, method="voronoi").warnings[0][0]
    for function in (scan_trp, scan_peak):
        with pytest.raises(ValueError, match="field_degree is 0, expected at least 1"):
            function(scan, field_degree=0)


def test_a_pattern_too_fine_is_told_at_its_frequency():
    theta, phi = grid(6, 12)
    fine = line_of_eight(vectors(theta, phi) @ Rotation.from_euler("y", 1.0).as_matrix())
    scan = scan_of([np.ones(theta.size), fine], theta, phi)
    for found in (scan_trp(scan), scan_peak(scan)):
        assert found.warnings[0] == ()
        message = next(x for x in found.warnings[1] if "(rms)" in x)
        assert "% (rms) of the pattern is beyond the degree 5 that these positions res" in message
        assert found.standard_uncertainty[0] < 1e-12
    # The beam, a disc 13 deg wide, lies between the rings: its peak is a guess.
    assert np.isnan(found.standard_uncertainty[1])
    assert "the steps are too coarse for the beam" in found.warnings[1][-1]


def test_a_mean_of_uneven_density_is_told():
    theta, phi = grid(12, 24)
    (message,) = scan_trp(scan_of(np.ones(theta.size), theta, phi), method="mean").warnings[0]
    # Closed form, but for the cells' straight edges: caps of 7.5 deg, zones shared by 24.
    edges = np.cos(np.radians([0, *np.arange(7.5, 180, 15), 180]))
    areas = np.repeat(-np.diff(edges) / [1, *[24] * 11, 1], [1, *[24] * 11, 1])
    spread = 100 * areas.std() / areas.mean()
    assert f"areas of the positions differ by {spread:.0f} %" in message
    assert "take 'voronoi'" in message


# --- scans ---------------------------------------------------------------------------------


def test_angles_beyond_the_pole_are_brought_back():
    scan = PowerScan([1e9], [-0.5, 0.5, np.pi], [0.2, -0.1, -1e-18], [[1, 2, 3]], [[4, 5, 6]])
    np.testing.assert_allclose(scan.theta, [0.5, 0.5, np.pi], rtol=1e-15)
    np.testing.assert_allclose(scan.phi, [0.2 + np.pi, 2 * np.pi - 0.1, 0], rtol=1e-15)
    np.testing.assert_array_equal(scan.eirp, [[5, 7, 9]])
    # The same direction: theta = -0.5 at phi is 0.5 at phi + pi.
    r = [np.sin(-0.5) * np.cos(0.2), np.sin(-0.5) * np.sin(0.2), np.cos(-0.5)]
    np.testing.assert_allclose(vectors(scan.theta, scan.phi)[0], r, rtol=1e-14)
    assert not scan.theta.flags.writeable
    assert not scan.phi.flags.writeable
    with pytest.raises(ValueError, match="read-only"):
        scan.eirp_theta[0, 0] = 1


def test_scan_of_a_far_field(random_q):
    modes = Modes([1e9, 2e9], [random_q(3), random_q(3)])
    field = far_field(modes, theta=[0.3, 1.2, 2.0], phi=[0.1, 5])
    scan = power_scan(field)
    np.testing.assert_allclose(scan.eirp.reshape(2, 3, 2), metrics.eirp(field), rtol=1e-14)
    np.testing.assert_array_equal(scan.theta, [0.3, 0.3, 1.2, 1.2, 2, 2])
    np.testing.assert_array_equal(scan.phi, [0.1, 5] * 3)
    # EIRP_theta = 4 pi |E_theta|^2 / (2 Z0).
    expected = 4 * np.pi * np.abs(field.e_theta) ** 2 / (2 * 376.730313)  # ohm, CODATA
    np.testing.assert_allclose(scan.eirp_theta.reshape(2, 3, 2), expected, rtol=1e-8)
    relative = FarField([1e9], [1.0], [1.0], [[[1]]], [[[1]]], [1], "relative")
    with pytest.raises(ValueError, match="EIRP needs absolute data"):
        power_scan(relative)


def test_results_are_read_only_and_have_one_value_a_frequency():
    theta, phi = grid(6, 12)
    scan = scan_of(np.ones((2, theta.size)), theta, phi)
    eis = SensitivityScan(scan.frequency, theta, phi, scan.eirp, scan.eirp)
    for found, names in (
        (scan_trp(scan), ("frequency", "trp", "standard_uncertainty", "weights")),
        (scan_tis(eis), ("tis", "lowest_tis", "standard_uncertainty", "missing", "weights")),
        (scan_peak(scan), ("theta", "phi", "eirp", "sample", "sample_eirp")),
    ):
        for name in names:
            with pytest.raises(ValueError, match="read-only"):
                getattr(found, name)[0] = 1
        with pytest.raises(ValueError, match=f"{names[1]} has 1 values, expected 2, one a freq"):
            replace(found, **{names[1]: [1.0]})


ONE = [[1.0]]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"eirp_phi": None}, "given is eirp_theta: expected eirp_theta and eirp_phi, or eirp_tot"),
        ({"eirp_total": ONE}, "given is eirp_theta, eirp_phi, eirp_total: expected"),
        ({"eirp_theta": None, "eirp_phi": None}, "given is none: expected eirp_theta and"),
        ({"frequency": [0]}, "frequency is 0 Hz, expected positive"),
        ({"frequency": []}, "frequency is empty, expected positive"),
        ({"phi": [0, 1]}, "theta and phi are 1 and 2 angles, expected as many"),
        ({"theta": [], "phi": []}, "theta and phi are 0 and 0 angles, expected as many, not 0"),
        ({"theta": [90]}, "theta is 90 rad at position 1, expected -pi to pi: convert degrees"),
        ({"eirp_phi": [[1, 2]]}, r"eirp_phi has shape \(1, 2\), expected \(F, M\) = \(1, 1\)"),
        ({"eirp_phi": [[-30]]}, r"eirp_phi is -30 W at 1e\+09 Hz, position 1: .* dBm to watts"),
        ({"eirp_theta": [[np.nan]]}, r"eirp_theta is nan at index \(0, 0\), expected finite"),
    ],
)
def test_power_scans_that_are_refused(change, message):
    given = {"frequency": [1e9], "theta": [1], "phi": [1], "eirp_theta": ONE, "eirp_phi": ONE}
    with pytest.raises(ValueError, match=message):
        PowerScan(**(given | change))


# --- sensitivity ---------------------------------------------------------------------------


def test_tis_of_a_lossless_dipole():
    # Closed form: EIS = S / G with the gain G = 3/2 sin^2(theta) of a z-dipole, in theta only. The
    # integral of 1/EIS is 4 pi / S: TIS = S. At the poles, and in phi, it never answers.
    level = 1e-12
    theta, phi = grid(12, 24)
    gain = 1.5 * np.sin(theta) ** 2
    dead = gain < 1e-9
    eis = np.where(dead, np.nan, level / np.where(dead, 1, gain))
    scan = SensitivityScan([1e9], theta, phi, [eis], [np.full(theta.size, np.nan)])
    highest = 1e-3
    found = scan_tis(scan, highest_power=highest)
    np.testing.assert_allclose(found.tis, level, rtol=ROUNDING)
    assert found.missing[0] == theta.size + dead.sum()
    # What is missing taken at the highest power: phi everywhere, theta at the poles. Quadrature is
    # exact for phi; the poles' weights by the check value for n = 12 (sum 2).
    extra = 1 / highest * (1 + 2 * 0.00699301 / 2)
    np.testing.assert_allclose(found.lowest_tis, 1 / (1 / level + extra), rtol=1e-9)
    assert found.lowest_tis[0] < found.tis[0]
    # Against 1 + cot-like bias of sin-theta weights, as for TRP.
    biased = scan_tis(scan, method="sin-theta", highest_power=highest)
    assert decibel(biased.tis[0] / level) == pytest.approx(-0.00026, abs=0.5e-5)


def test_tis_is_a_harmonic_mean(rng):
    points = constant_density(80)
    eis = rng.uniform(1, 3, (2, 1, 80))
    found = scan_tis(SensitivityScan([1e9], points.theta, points.phi, *eis), method="mean")
    # Of constant density: half the harmonic mean of all samples.
    np.testing.assert_allclose(found.tis, hmean(eis.ravel()) / 2, rtol=ROUNDING)
    np.testing.assert_array_equal(found.lowest_tis, found.tis)
    assert found.missing[0] == 0
    # 1/EIS is a scan of power: same relative uncertainty.
    inverse = scan_trp(PowerScan([1e9], points.theta, points.phi, *(1 / eis)), method="mean")
    np.testing.assert_allclose(found.tis, 1 / inverse.trp, rtol=ROUNDING)
    np.testing.assert_allclose(
        found.standard_uncertainty / found.tis, inverse.standard_uncertainty / inverse.trp
    )
    np.testing.assert_array_equal(found.weights, inverse.weights)
    assert (found.method, found.rule) == ("mean", "equal weights")


def test_missing_sensitivity():
    points = constant_density(80)
    eis = np.full((2, 2, 80), 2e-12)
    eis[1, 0, 5] = np.nan
    scan = SensitivityScan([1e9, 2e9], points.theta, points.phi, *eis)
    with pytest.raises(
        ValueError, match=r"eis_phi is missing at 1e\+09 Hz, position 6, and 0 more: give high"
    ):
        scan_tis(scan)
    found = scan_tis(scan, method="mean", highest_power=4e-12)
    # Closed form: 159 of 160 halves of 1/EIS; the missing one at most half of another.
    np.testing.assert_allclose(found.tis, [1e-12 * 160 / 159, 1e-12], rtol=ROUNDING)
    np.testing.assert_allclose(found.lowest_tis, [1e-12 * 160 / 159.5, 1e-12], rtol=ROUNDING)
    np.testing.assert_array_equal(found.missing, [1, 0])
    for power in (1e-12, np.inf, np.nan):
        with pytest.raises(ValueError, match=r"highest_power is .* of 2e-12 W was reached: give"):
            scan_tis(scan, highest_power=power)
    eis[:, 1] = np.nan
    scan = SensitivityScan([1e9, 2e9], points.theta, points.phi, *eis)
    with pytest.raises(ValueError, match=r"reached nowhere at 2e\+09 Hz: leave that freq"):
        scan_tis(scan, highest_power=4e-12)


@pytest.mark.parametrize("value", [0, -90])
def test_sensitivity_is_positive(value):
    with pytest.raises(ValueError, match=f"eis_phi is {value} W at .* a positive power; convert"):
        SensitivityScan([1e9], [1], [1], [[1]], [[value]])
    with pytest.raises(ValueError, match="eis_theta is inf at index"):
        SensitivityScan([1e9], [1], [1], [[np.inf]], [[1]])


# --- peak ----------------------------------------------------------------------------------


def angle_between(theta1, phi1, theta2, phi2):
    chord = np.linalg.norm(vectors(theta1, phi1) - vectors(theta2, phi2), axis=-1)
    return 2 * np.arcsin(np.minimum(1, chord / 2))


@pytest.mark.parametrize("degree", [1, 3, 5])
@pytest.mark.parametrize("kind", ["grid", "spiral", "random"])
def test_peak_is_that_of_the_modes(random_q, degree, kind):
    modes = Modes(np.arange(1.0, 9) * 1e9, [random_q(degree) for _ in range(8)])
    terms = (2 * degree + 1) ** 2
    if kind == "grid":
        theta, phi = grid(2 * degree + 1, 4 * degree + 1, phi0=0.05)
    else:
        points = (
            equal_area_spiral(2 * terms) if kind == "spiral" else random_points(9 * terms, rng=1)
        )
        theta, phi = points.theta, points.phi
    e = waves.far_field_points(modes, theta=theta, phi=phi)
    scan = PowerScan(modes.frequency, theta, phi, eirp_total=4 * np.pi * metrics.intensity(*e))
    found = scan_peak(scan, field_degree=degree)
    assert found.degree >= 2 * degree
    exact = beam.peak(modes)  # found on the field itself, to 1e-4 deg
    assert np.all(np.degrees(angle_between(found.theta, found.phi, exact.theta, exact.phi)) < 1e-4)
    np.testing.assert_allclose(found.eirp, exact.eirp, rtol=1e-11)
    np.testing.assert_array_equal(found.sample, scan.eirp.argmax(axis=1))
    np.testing.assert_array_equal(found.sample_eirp, scan.eirp.max(axis=1))
    assert np.all(found.sample_eirp <= found.eirp * (1 + 1e-12))


def test_peak_between_grid_points():
    # Closed form: (1 + r . a)^2 / 4 has its maximum 1 at a.
    theta, phi = grid(6, 12)
    for t, p in ((0.7, 6.2), (np.pi / 2, 0.0), (1e-3, 2.0), (3.0, 1.0)):
        u = (1 + vectors(theta, phi) @ vectors(t, p)) ** 2 / 4
        found = scan_peak(scan_of(1e-9 * u, theta, phi))
        assert angle_between(found.theta, found.phi, t, p) < 1e-6
        np.testing.assert_allclose(found.eirp, 1e-9, rtol=1e-12)
        assert 0 <= found.phi[0] < 2 * np.pi


@pytest.mark.parametrize(
    ("pattern", "theta", "level"),
    [
        (lambda t: 1 + np.cos(t), 0, 2),
        (lambda t: 1 - np.cos(t), 180, 2),
        (lambda t: np.sin(t) ** 2, 90, 1),  # a ridge
        (lambda t: np.cos(t) ** 2, 0, 1),  # two equal maxima: the smaller theta
        (lambda t: np.ones_like(t), 0, 1),
    ],
)
def test_peaks_of_bodies_of_revolution(pattern, theta, level):
    t, p = grid(6, 12)
    found = scan_peak(scan_of(pattern(t), t, p))
    np.testing.assert_allclose(np.degrees(found.theta), theta, atol=1e-5)
    np.testing.assert_allclose(found.eirp, level, rtol=1e-12)
    if theta in (0, 180):
        assert found.phi[0] == 0


def test_the_highest_of_very_many_maxima(rng):
    # Ripple of degree 24 on a constant: more maxima within 1 % of each other than are followed.
    points = constant_density(900)
    ripple = 0.01 * rng.normal(size=(2, 625))
    ripple[:, : 22**2] = 0
    values = 100 + ripple @ harmonics(24, theta=points.theta, phi=points.phi).T
    found = scan_peak(scan_of(values, points.theta, points.phi))
    assert found.degree >= 24
    # Brute force, 1.2 deg apart: along a great circle the curvature is at most 24^2 times the
    # height of the ripple, below 0.5, and half the diagonal of a cell 0.85 deg: 0.03.
    fine = constant_density(30_000)
    u = 100 + ripple @ harmonics(24, theta=fine.theta, phi=fine.phi).T
    assert np.all((u.max(axis=1) > 100.2) & (u.max(axis=1) < 100.5))
    assert np.all(found.eirp >= u.max(axis=1))
    assert np.all(found.eirp < u.max(axis=1) + 0.03)


def test_noise_is_averaged_out_by_a_lower_degree(rng):
    theta, phi = grid(12, 24)
    truth = (1 + vectors(theta, phi) @ vectors(0.9, 2.0)) ** 2 / 4
    noisy = np.maximum(truth + 0.03 * rng.normal(size=(40, theta.size)), 0)
    error = {}
    for degree in (2, None):
        found = scan_peak(scan_of(noisy, theta, phi), degree=degree)
        error[degree] = np.sqrt(np.mean(angle_between(found.theta, found.phi, 0.9, 2.0) ** 2))
    # 9 coefficients instead of 144: less than sqrt(9 / 144) at equal slopes, and the chance of 40
    # draws of two components is 8 %.
    assert error[2] < 0.5 * error[None]


def test_no_power_has_no_peak():
    theta, phi = grid(6, 12)
    with pytest.raises(ValueError, match="EIRP is 0 everywhere at 2 Hz: there is no peak, leave"):
        scan_peak(scan_of([np.ones(theta.size), np.zeros(theta.size)], theta, phi))


# --- tables --------------------------------------------------------------------------------

HEADER = "theta_deg,phi_deg,frequency_hz,eirp_theta_dbm,eirp_phi_dbm"
ROWS = [f"{t},{p},{f},{t / 10 + f / 1e9},{p / 20}" for f in (2e9, 1e9) for t in (0, 90, 180)
        for p in (0, 90, 180, 270)]  # fmt: skip


def put(path, *lines):
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_table_of_power(tmp_path, rng):
    scan = read_power_table(put(tmp_path / "a.csv", "# a comment", HEADER, *ROWS))
    np.testing.assert_array_equal(scan.frequency, [1e9, 2e9])
    np.testing.assert_allclose(np.degrees(scan.theta), np.repeat([0, 90, 180], 4))
    np.testing.assert_allclose(np.degrees(scan.phi), np.tile([0, 90, 180, 270], 3))
    # dBm: 30 dBm is 1 W.
    level = np.degrees(scan.theta) / 10 + np.array([[1], [2]])
    np.testing.assert_allclose(10 * np.log10(scan.eirp_theta) + 30, level, atol=1e-12)
    np.testing.assert_allclose(10 * np.log10(scan.eirp_phi[0]) + 30, np.degrees(scan.phi) / 20)
    # Rows and columns in any order: the same samples.
    columns = rng.permutation(5)
    lines = [",".join(line.split(",")[i] for i in columns) for line in (HEADER, *ROWS)]
    order = rng.permutation(len(ROWS))
    again = read_power_table(put(tmp_path / "b.csv", lines[0], *(lines[1 + i] for i in order)))
    a, b = (np.lexsort((s.phi, s.theta)) for s in (scan, again))
    for name in ("theta", "phi"):
        np.testing.assert_array_equal(getattr(scan, name)[a], getattr(again, name)[b])
    for name in ("eirp_theta", "eirp_phi"):
        np.testing.assert_array_equal(getattr(scan, name)[:, a], getattr(again, name)[:, b])


def test_table_of_totals_and_repeated_directions(tmp_path):
    header = "theta_deg,phi_deg,frequency_hz,eirp_dbm"
    rows = ["0,0,1e9,10", "-90,0,1e9,20", "0,0,1e9,30"]
    scan = read_power_table(put(tmp_path / "a.csv", header, *rows))
    assert scan.eirp_theta is None
    np.testing.assert_allclose(scan.eirp_total, [[1e-2, 1e-1, 1]], rtol=1e-14)
    np.testing.assert_allclose(np.degrees(scan.theta), [0, 90, 0])
    np.testing.assert_allclose(np.degrees(scan.phi), [0, 180, 0])


def test_a_table_gives_a_total(tmp_path):
    # 0 dBm in each polarisation everywhere: 2 mW.
    theta, phi = grid(6, 12)
    rows = [f"{t:.9g},{p:.9g},1e9,0,0" for t, p in np.degrees(np.stack([theta, phi], axis=1))]
    scan = read_power_table(put(tmp_path / "a.csv", HEADER, *rows))
    found = scan_trp(scan)
    assert found.method == "quadrature"
    np.testing.assert_allclose(found.trp, 2e-3, rtol=ROUNDING)


def test_table_of_sensitivity(tmp_path):
    header = "theta_deg,phi_deg,frequency_hz,eis_theta_dbm,eis_phi_dbm"
    rows = ["0,0,1e9,-90,", "90,0,1e9,,-80", "90,90,1e9,,"]
    scan = read_sensitivity_table(put(tmp_path / "a.csv", header, *rows))
    np.testing.assert_allclose(scan.eis_theta, [[1e-12, np.nan, np.nan]], rtol=1e-13)
    np.testing.assert_allclose(scan.eis_phi, [[np.nan, 1e-11, np.nan]], rtol=1e-13)
    with pytest.raises(ValueError, match=r"a.csv, line 2, column eis_theta_dbm: is -900: expected"):
        read_sensitivity_table(put(tmp_path / "a.csv", header, "0,0,1e9,-900,", *rows))
    with pytest.raises(ValueError, match=r"is 'inf': .* leave eis_phi_dbm empty where missing$"):
        read_sensitivity_table(put(tmp_path / "a.csv", header, "0,0,1e9,-90,inf", *rows))


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        ([HEADER, "0,0,1e9,1,300"], "line 2, column eirp_phi_dbm: is 300: expected a level in dBm"),
        ([HEADER, "0,0,1e9,1,"], "line 2, column eirp_phi_dbm: is empty: expected a number"),
        (
            [HEADER, "0,0,1e9,1,-inf"],
            "line 2, column eirp_phi_dbm: is '-inf': exp.* number; -200 stands for no power$",
        ),
        ([HEADER, "0,0,1e9,1,x"], "line 2, column eirp_phi_dbm: is 'x': expected a number"),
        ([HEADER, "0,0,1e9,1,2", "190,0,1e9,1,2"], "line 3, column theta_deg: is 190: exp.* -180"),
        ([HEADER, "0,0,-1,1,2"], "line 2, column frequency_hz: is -1: expected a positive"),
        ([HEADER, "0,0,1e9,1"], "line 2: has 4 fields, the header has 5"),
        (
            [HEADER, "0,0,1e9,1,2", "10,20,1e9,1,2", "0,0,2e9,1,2"],
            "line 3: theta_deg 10, phi_deg 20 has no row like this at frequency_hz 2000000000: g",
        ),
        (
            ["theta_deg,phi_deg,frequency_hz,eirp_theta_dbm", "0,0,1e9,1"],
            "line 1: has eirp_theta_dbm: expected eirp_theta_dbm and eirp_phi_dbm, or eirp_dbm",
        ),
        (["theta_deg,phi_deg,frequency_hz", "0,0,1e9"], "line 1: has no level: expected eirp_th"),
        (
            ["# first", HEADER + ",eirp_dbm", "0,0,1e9,1,2,3"],
            "line 2: has eirp_theta_dbm and eirp_phi_dbm and eirp_dbm: expected .* alone",
        ),
        (["theta_deg,phi_deg,eirp_dbm", "0,0,1"], "line 1: column frequency_hz is missing"),
    ],
)
def test_tables_that_are_refused(tmp_path, lines, message):
    with pytest.raises(ValueError, match=rf"bad\.csv, {message}") as caught:
        read_power_table(put(tmp_path / "bad.csv", *lines))
    assert "\n" not in str(caught.value)


# --- what `inspect` says of a table ----------------------------------------------------------


def table_of(path, columns, theta, phi, *levels):
    """A table of levels (F, M) [dBm] at 1, 2 ... GHz; NaN is left empty."""
    rows = [
        [np.degrees(theta[i]), np.degrees(phi[i]), (f + 1) * 1e9, *(x[f, i] for x in levels)]
        for f in range(len(levels[0]))
        for i in range(len(theta))
    ]
    rows = [",".join("" if np.isnan(x) else f"{x:.12g}" for x in row) for row in rows]
    return put(path, ",".join(columns), *rows)


def test_facts_of_a_table_of_power(tmp_path):
    # Closed form: (1 + r . a)^2 / 4 has the peak 1 at a and the mean 1/3; half of it each.
    theta, phi = grid(6, 12)
    u = (1 + vectors(theta, phi) @ vectors(0.9, 2.0)) ** 2 / 4
    levels = decibel(np.stack([u, u / 10]) / 2) + 30
    path = table_of(tmp_path / "a.csv", POWER_COLUMNS, theta, phi, levels, levels)
    facts = json.loads(succeed("inspect", path, "--json"))
    assert facts["holds"] == "power without phase"
    assert facts["frequencies_ghz"] == [1, 2]
    assert (facts["samples_per_frequency"], facts["directions"]) == (84, 62)
    assert (facts["theta_from_deg"], facts["theta_to_deg"]) == (0, pytest.approx(180))
    assert facts["polarisations"] == "theta and phi"
    # Twelve digits of a level: 1e-9 dB.
    np.testing.assert_allclose(facts["trp_dbm"], decibel([1 / 3, 1 / 30]) + 30, atol=1e-8)
    np.testing.assert_allclose(facts["peak_eirp_dbm"], [30, 20], atol=1e-8)
    np.testing.assert_allclose(facts["peak_theta_deg"], np.degrees(0.9), atol=1e-4)
    np.testing.assert_allclose(facts["peak_phi_deg"], np.degrees(2.0), atol=1e-4)
    np.testing.assert_allclose(facts["highest_sample_dbm"], decibel([u.max(), u.max() / 10]) + 30)
    np.testing.assert_allclose(facts["trp_sampling_uncertainty_db"], 0, atol=1e-8)
    assert facts["trp_by"] == "quadrature: clenshaw-curtis, 7 rings of 12"
    assert (facts["resolved_degree"], facts["warnings"]) == (5, [])
    assert "trp dbm" in succeed("inspect", path)


def test_facts_show_no_azimuth_of_360_deg(tmp_path):
    # Bodies of revolution, whose ridge may be found a rounding before phi = 0.
    for rings in (6, 12, 13, 14):
        theta, phi = grid(rings, 2 * rings)
        u = 1e-12 + 0.15 * np.sin(theta) ** 2 + 0.015 * (1 + np.cos(theta)) ** 2
        path = table_of(tmp_path / f"{rings}.csv", (*POWER_COLUMNS[:3], "eirp_dbm"), theta, phi,
                        decibel(u[None]) + 30)  # fmt: skip
        assert json.loads(succeed("inspect", path, "--json"))["peak_phi_deg"][0] < 359.9999


def test_facts_of_an_uncertain_total(tmp_path):
    # One column for the sum of polarisations; a pattern too fine, told once at its frequency.
    theta, phi = grid(6, 12)
    fine = line_of_eight(vectors(theta, phi) @ Rotation.from_euler("y", 1.0).as_matrix())
    values = np.stack([np.ones(theta.size), fine])
    columns = (*POWER_COLUMNS[:3], "eirp_dbm")
    path = table_of(tmp_path / "a.csv", columns, theta, phi, decibel(values) + 30)
    facts = power_facts(path, "power")
    assert facts["polarisations"] == "their sum"
    told = [x for x in facts["warnings"] if "(rms)" in x]
    assert len(told) == 1
    assert re.match(r"2 GHz: \d+ % \(rms\) of the pattern is beyond the degree 5", told[0])
    found = scan_trp(scan_of(values, theta, phi))
    expected = decibel(1 + found.standard_uncertainty / found.trp)
    np.testing.assert_allclose(facts["trp_sampling_uncertainty_db"], expected, rtol=1e-6, atol=1e-9)
    # The peak of what is too coarse has none.
    first, second = facts["peak_uncertainty_db"]
    assert first == pytest.approx(0, abs=1e-9)
    assert second is None


def test_facts_of_a_table_of_sensitivity(tmp_path):
    points = constant_density(80)
    level = np.full((2, 80), -90.0)
    holes = level.copy()
    holes[0, 5] = np.nan
    level[1, 7] = -87.0
    path = table_of(tmp_path / "a.csv", SENSITIVITY_COLUMNS, points.theta, points.phi, level, holes)
    facts = json.loads(succeed("inspect", path, "--json"))
    assert (facts["holds"], facts["not_reached"]) == ("sensitivity without phase", [1, 0])
    assert facts["tis_by"] == "voronoi: areas of Voronoi cells"
    # Closed form: 1/EIS weighted by the cells; what was not reached is none, or the weakest, -87.
    weight = voronoi_weights(different_positions(points.theta, points.phi)) / (4 * np.pi)
    inverse = 10 ** (-np.stack([level, np.where(np.isnan(holes), np.inf, holes)]) / 10)
    total = inverse.sum(axis=0) @ weight
    np.testing.assert_allclose(facts["tis_dbm"], -decibel(total), atol=1e-9)
    total[0] += weight[5] * 10**8.7
    np.testing.assert_allclose(facts["lowest_tis_dbm"], -decibel(total), atol=1e-9)
    assert len(facts["tis_sampling_uncertainty_db"]) == 2
    # All reached: one total. Nothing reached: none, and why.
    whole = table_of(
        tmp_path / "b.csv", SENSITIVITY_COLUMNS, points.theta, points.phi, level, level
    )
    assert "lowest_tis_dbm" not in power_facts(whole, "sensitivity")
    nothing = np.full((2, 80), np.nan)
    none = table_of(
        tmp_path / "c.csv", SENSITIVITY_COLUMNS, points.theta, points.phi, nothing, nothing
    )
    facts = power_facts(none, "sensitivity")
    assert facts["total"].startswith("no: sensitivity was reached nowhere at 1e+09 Hz")
    assert "tis_dbm" not in facts


def test_facts_of_a_part_of_the_sphere(tmp_path):
    theta, phi = grid(6, 12)
    upper = theta < 1.6
    columns = (*POWER_COLUMNS[:3], "eirp_dbm")
    level = np.zeros((1, upper.sum()))
    path = table_of(tmp_path / "a.csv", columns, theta[upper], phi[upper], level)
    facts = json.loads(succeed("inspect", path, "--json"))
    assert facts["total"].startswith("no: no position within 90")
    assert facts["highest_sample_dbm"] == [pytest.approx(0, abs=1e-9)]
    assert "trp_dbm" not in facts


@pytest.mark.parametrize(
    ("lines", "kind"),
    [
        (["# eirp_dbm", HEADER], "power"),
        (["theta_deg, eirp_dbm"], "power"),
        (["theta_deg,eis_phi_dbm"], "sensitivity"),
        (["theta_deg,phi_deg,frequency_hz"], None),
        (["# a comment", ""], None),
        (["theta_deg,phi_deg,directivity_dbi,eirp_dbm"], None),
    ],
)
def test_kind_of_a_table(tmp_path, lines, kind):
    assert power_table_kind(put(tmp_path / "a.csv", *lines)) == kind


def test_a_table_of_both_kinds_is_refused(tmp_path):
    path = put(tmp_path / "a.csv", HEADER + ",eis_theta_dbm,eis_phi_dbm", "0,0,1e9,1,2,3,4")
    with pytest.raises(ValueError, match=r"a.csv: has columns of EIRP and of EIS: keep those of"):
        power_table_kind(path)
