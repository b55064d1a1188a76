"""Rings of the quadrature rules, their weights and what they determine."""

import doctest

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nf2ff.antenna import grids
from nf2ff.antenna.grids import (
    ANGLE_TOLERANCE,
    RULES,
    Grid,
    equiangular_grid,
    gauss_legendre_grid,
    grid_for_degree,
    recognise_rule,
    ring_angles,
)

EPS = 2.0**-52
#: Roots of the Legendre polynomial of degree 5, with 0 (closed form).
GAUSS = np.sqrt(5 + 2 * np.sqrt(10 / 7) * np.array([-1, 1])) / 3


@pytest.mark.parametrize(
    ("rule", "degrees"),
    [
        ("clenshaw-curtis", [0, 45, 90, 135, 180]),
        ("fejer-1", [18, 54, 90, 126, 162]),
        ("fejer-2", [30, 60, 90, 120, 150]),
        ("north-pole", [0, 40, 80, 120, 160]),
        ("south-pole", [20, 60, 100, 140, 180]),
        ("gauss-legendre", np.degrees(np.arccos([GAUSS[1], GAUSS[0], 0, -GAUSS[0], -GAUSS[1]]))),
    ],
)
def test_five_rings_of_each_rule(rule, degrees):
    np.testing.assert_allclose(np.degrees(ring_angles(rule, 5)), degrees, rtol=0, atol=1e-12)


# Clenshaw-Curtis weights, sum 2, from one pole to the equator; the project's check values,
# section 3 (closed form).
PRINTED = {
    6: [0.02857143, 0.25396825, 0.45714286, 0.52063492],
    12: [0.00699301, 0.06605742, 0.13154253, 0.18476338, 0.22697303, 0.25267569, 0.26198986],
}


@pytest.mark.parametrize("n", PRINTED)
def test_clenshaw_curtis_weights(n):
    phi_count = 2 * n
    grid = equiangular_grid(n + 1, phi_count)
    half = PRINTED[n]
    # Half a unit of the last printed digit; of a ring 2 pi, shared among its points.
    wanted = np.array([*half, *half[-2::-1]])
    got = grid.weights * phi_count / (2 * np.pi)
    np.testing.assert_allclose(got, wanted, rtol=0, atol=0.51e-8)


def fejer(rule, count):
    """Fejer's first and second weights, sum 2 (closed form; J. Waldvogel, BIT 46, from memory)."""
    theta = ring_angles(rule, count)
    if rule == "fejer-1":
        j = np.arange(1, count // 2 + 1)
        series = np.cos(2 * np.outer(theta, j)) / (4 * j**2 - 1)
        return 2 / count * (1 - 2 * series.sum(axis=1))
    n = count + 1
    j = np.arange(1, n // 2 + 1)
    series = np.sin(np.outer(theta, 2 * j - 1)) / (2 * j - 1)
    return 4 / n * np.sin(theta) * series.sum(axis=1)


@pytest.mark.parametrize("count", [2, 5, 12, 31])
@pytest.mark.parametrize("rule", ["fejer-1", "fejer-2"])
def test_fejer_weights(rule, count):
    got = equiangular_grid(count, 8, rule=rule).weights * 8 / (2 * np.pi)
    np.testing.assert_allclose(got, fejer(rule, count), rtol=0, atol=20 * EPS)


def test_gauss_legendre_rule():
    x, weight = np.polynomial.legendre.leggauss(12)
    grid = gauss_legendre_grid(12, 5, phi0=0.1)
    assert grid.rule == "gauss-legendre"
    np.testing.assert_allclose(np.cos(grid.theta), x[::-1], rtol=0, atol=20 * EPS)
    np.testing.assert_allclose(grid.weights * 5 / (2 * np.pi), weight[::-1], rtol=0, atol=20 * EPS)
    np.testing.assert_allclose(grid.phi, 0.1 + 2 * np.pi * np.arange(5) / 5, rtol=0, atol=4 * EPS)


@pytest.mark.parametrize("rule", RULES)
def test_weights_cover_the_sphere(rule):
    grid = equiangular_grid(9, 7, rule=rule)
    assert grid.weights.shape == (9,)
    assert np.all(grid.weights > 0)
    assert 7 * grid.weights.sum() == pytest.approx(4 * np.pi, rel=10 * EPS)
    # integral of x^2 over the sphere = 4 pi/3 (closed form): a power that all rules integrate.
    assert 7 * grid.weights @ np.cos(grid.theta) ** 2 == pytest.approx(4 * np.pi / 3, rel=10 * EPS)


@pytest.mark.parametrize(
    ("rule", "theta_count", "phi_count", "degree"),
    [
        # Of phi: 2N + 1 points hold orders -N ... N; an even count loses the last to its alias.
        ("gauss-legendre", 50, 21, 10),
        ("gauss-legendre", 50, 22, 10),
        ("gauss-legendre", 50, 23, 11),
        # Of theta: T - 2 with both poles, for the spin-weighted maps vanish or are fixed there;
        # 2N + 1 rings without poles at whole steps; N + 1 otherwise.
        ("clenshaw-curtis", 13, 99, 11),
        ("fejer-1", 13, 99, 12),
        ("fejer-2", 13, 99, 6),
        ("fejer-2", 12, 99, 5),
        ("north-pole", 13, 99, 12),
        ("south-pole", 13, 99, 12),
        ("gauss-legendre", 13, 99, 12),
        ("clenshaw-curtis", 2, 2, 0),
    ],
)
def test_degree(rule, theta_count, phi_count, degree):
    assert equiangular_grid(theta_count, phi_count, rule=rule).degree == degree


@pytest.mark.parametrize("degree", [1, 2, 11, 16, 100])
@pytest.mark.parametrize("rule", RULES)
def test_grid_for_degree(rule, degree):
    grid = grid_for_degree(degree, rule=rule)
    assert grid.rule == rule
    assert grid.degree == degree
    # One ring less is not enough, and the padding of phi stays small.
    if grid.theta.size > 2:
        fewer = equiangular_grid(grid.theta.size - 1, grid.phi.size, rule=rule)
        assert fewer.degree < degree
    assert 2 * degree + 1 <= grid.phi.size <= 1.25 * (2 * degree + 1)


def test_grid_for_degree_pads_awkward_lengths():
    # 2 * 101 + 1 = 203 = 7 * 29; the next length of factors 2, 3 and 5 is 216 = 2^3 3^3.
    assert grid_for_degree(101).phi.size == 216


# --- recognition --------------------------------------------------------------------------------


@given(rule=st.sampled_from(RULES), count=st.integers(2, 60), noise=st.floats(-1, 1), at=st.integers(0, 59))
def test_recognise_rule(rule, count, noise, at):
    theta = ring_angles(rule, count)
    assert recognise_rule(theta) == rule
    at %= count
    theta[at] += 0.99 * ANGLE_TOLERANCE * noise
    assert recognise_rule(theta) == rule
    Grid(theta, [0.0, np.pi], rule)
    # The steps of 60 rings are 0.05 rad: half of that belongs to no other rule of 60 rings.
    theta[at] += np.copysign(3 * ANGLE_TOLERANCE, noise)
    assert recognise_rule(theta) is None


def test_angles_in_rounded_degrees_are_recognised():
    # 7 decimals of a degree: half a unit is 9e-10 rad.
    for rule in RULES:
        theta = np.radians(np.round(np.degrees(ring_angles(rule, 37)), 7))
        assert recognise_rule(theta) == rule


@pytest.mark.parametrize(
    "theta",
    [
        [],
        [np.pi / 2],
        [0.0, 1.0, np.pi],
        [np.pi, np.pi / 2, 0.0],
        np.linspace(0, np.pi / 2, 10),
        np.linspace(0.1, np.pi - 0.1, 10),
        np.linspace(-np.pi, np.pi, 13),
    ],
)
def test_other_angles_follow_no_rule(theta):
    assert recognise_rule(np.array(theta, dtype=float)) is None


# --- what is refused ----------------------------------------------------------------------------

RING = np.linspace(0, np.pi, 5)
AROUND = np.arange(6) * np.pi / 3


@pytest.mark.parametrize(
    ("theta", "phi", "rule", "message"),
    [
        (
            RING + 1e-6,
            AROUND,
            "clenshaw-curtis",
            "rule of 5 rings: ring 1 is at 5.72.*e-05 deg, expected 0 deg; take angles of",
        ),
        (RING[::-1], AROUND, "clenshaw-curtis", "theta is not the clenshaw-curtis rule of 5"),
        (RING, AROUND, "fejer-1", "theta is not the fejer-1 rule of 5 rings"),
        (
            RING,
            AROUND * 1.01,
            "clenshaw-curtis",
            "in 6 equal steps over the full circle: expected increasing steps of 60 deg",
        ),
        (RING, -AROUND, "clenshaw-curtis", "phi does not run in 6 equal steps over the full"),
        (RING, np.append(AROUND, 2 * np.pi), "clenshaw-curtis", "phi does not run in 7 equal"),
        (RING, AROUND, "simpson", "rule is 'simpson', expected one of cl"),
        (RING[None], AROUND, "clenshaw-curtis", "theta has 2 dimensions, expected 1"),
        (RING, AROUND[None], "clenshaw-curtis", "phi has 2 dimensions, expected 1"),
        (RING * np.nan, AROUND, "clenshaw-curtis", "theta is nan at index"),
        (RING, AROUND + np.inf, "clenshaw-curtis", "phi is .* at index .*, expected finite"),
        # One ring is no rule, and none is none: a line, not a warning or an error of numpy's.
        ([1.0], AROUND, "clenshaw-curtis", "theta"),
        ([], AROUND, "clenshaw-curtis", "theta"),
        (RING, [], "clenshaw-curtis", "phi"),
    ],
)
def test_grid_refuses(theta, phi, rule, message):
    with pytest.raises(ValueError, match=message):
        Grid(theta, phi, rule)


@pytest.mark.parametrize(("t", "p"), [(1, 4), (4, 1), (0, 0)])
def test_equiangular_grid_refuses(t, p):
    with pytest.raises(ValueError, match=f"a grid of {t} x {p} directions is too small"):
        equiangular_grid(t, p)
    with pytest.raises(ValueError, match="too small: at least 2 x 2"):
        gauss_legendre_grid(t, p)


def test_unknown_rules_and_degrees():
    with pytest.raises(ValueError, match="rule is 'lobatto', expected one of cl"):
        equiangular_grid(4, 4, rule="lobatto")
    with pytest.raises(ValueError, match="degree is 0, expected at least 1"):
        grid_for_degree(0)


def test_grid_is_read_only():
    theta = RING.copy()
    grid = Grid(theta, AROUND, "clenshaw-curtis")
    with pytest.raises(ValueError, match="read-only"):
        grid.theta[0] = 1
    assert theta.flags.writeable


def test_examples_exist_and_hold():
    result = doctest.testmod(grids)
    assert result.attempted >= 2
    assert result.failed == 0
