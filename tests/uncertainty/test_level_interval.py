"""Intervals of a level by the errors of its field, against closed forms and draws."""

import math

import numpy as np
import pytest
from scipy import optimize, stats

from nf2ff.uncertainty.level_interval import level_interval

#: Probabilities are summed over a lattice of directions, to 1e-3; near the ends of 95 % the density
#: is about 0.06 per standard deviation (normal: phi(1.96), closed form), so that the ends err by
#: less than 0.02 standard deviations.
END = 0.02


def chi_interval(size, tail=0.025):
    """Ends of |E0| for four parts that err by 1 each, by scipy's noncentral chi-squared."""

    def below(t):
        return stats.ncx2.cdf(size**2, 4, t**2) if t else stats.chi2.cdf(size**2, 4)

    none, far = below(0.0), size + 10
    low = 0.0
    if none > 1 - tail:
        low = optimize.brentq(lambda t: below(t) - 1 + tail, 0, far)
    return low, optimize.brentq(lambda t: below(t) - tail * none, 0, far)


@pytest.mark.parametrize("size", [1.0, 2.0, 3.3, 4.0, 6.0, 30.0])
def test_four_parts_alike_are_noncentral_chi_squared(size):
    field = size * np.array([0.5, -0.5, 0.1, math.sqrt(0.49)])
    scale = 0.01
    low, high = level_interval(scale * field, scale**2 * np.eye(4))
    wanted = chi_interval(size)
    assert math.sqrt(low) / scale == pytest.approx(wanted[0], abs=END)
    assert math.sqrt(high) / scale == pytest.approx(wanted[1], abs=END)
    # Nothing is known of the lower end where errors alone make it, with 97.5 % below.
    assert (low == 0) == (size**2 < stats.chi2.ppf(0.975, 4))


def test_far_from_a_null_only_the_error_along_the_field_counts():
    # Closed form: t +- 1.96 u; what lies across adds its square over twice the field, 5e-7 of u.
    rng = np.random.default_rng(1)
    root = rng.normal(size=(4, 4))
    field = rng.normal(size=4)
    field *= 1e6 / np.linalg.norm(field)
    low, high = level_interval(field, root @ root.T)
    u = np.linalg.norm(root.T @ field) / 1e6
    for end, side in ((low, -1), (high, 1)):
        assert (math.sqrt(end) - 1e6) / u == pytest.approx(side * 1.959964, abs=END)


@pytest.mark.parametrize("size", [1.0, 1.9, 5.0])
def test_an_error_along_one_line(size):
    # Closed form: |t + z| <= e has the probability Phi(e - t) - Phi(-e - t).
    axis = np.array([0.6, 0, 0, 0.8])

    def inside(t):
        return stats.norm.cdf(size - t) - stats.norm.cdf(-size - t)

    none = inside(0)
    low = optimize.brentq(lambda t: inside(t) - 0.975, 0, 20) if none > 0.975 else 0
    high = optimize.brentq(lambda t: inside(t) - 0.025 * none, 0, 20)
    got = level_interval(size * axis, np.outer(axis, axis))
    assert np.sqrt(got) == pytest.approx([low, high], abs=END)


def test_errors_that_differ_hold_what_they_say():
    # Ends by definition: 2.5 % of drawn errors about the upper end stay below what was measured
    # (times the part that errors alone leave there), 2.5 % about the lower end are above it.
    rng = np.random.default_rng(2)
    root = rng.normal(size=(4, 4)) * [1.0, 0.3, 2.0, 0.0]
    drawn = rng.normal(size=(400_000, 4)) @ root.T
    field = np.array([5.0, -1.0, 6.0, 2.0])
    ends = np.sqrt(level_interval(field, root @ root.T))
    size = np.linalg.norm(field)

    def below(t):
        return np.mean(np.linalg.norm(t * field / size + drawn, axis=1) <= size)

    # Scatter of a mean of 400,000: 2.5e-4.
    assert below(ends[1]) == pytest.approx(0.025 * below(0), abs=2e-3)
    assert below(ends[0]) == pytest.approx(0.975, abs=2e-3)
    assert ends[0] > 0


@pytest.mark.slow
@pytest.mark.parametrize("size", [0.0, 1.0, 3.0, 20.0])
def test_it_holds_the_true_level(size):
    rng = np.random.default_rng(3)
    true = np.array([0.0, 0.6 * size, 0.8 * size, 0.0])
    found = [level_interval(true + e, np.eye(4)) for e in rng.normal(size=(300, 4))]
    held = np.mean([low <= size**2 <= high for low, high in found])
    # Binomial scatter of 300: 1.3 % at 95 %, three times that.
    assert held >= 0.91


def test_no_error_and_no_field():
    assert level_interval([3.0, 0, 4.0, 0], np.zeros((4, 4))) == (25.0, 25.0)
    # A reading below the error's standard deviation says as much as one as large.
    expected = level_interval([0, 0, 0, 1.0], np.eye(4))
    for field in (np.zeros(4), [0, 0, 0, 0.3]):
        assert level_interval(field, np.eye(4)) == pytest.approx(expected, rel=1e-9)
    assert expected[0] == 0


def test_what_is_no_field():
    with pytest.raises(ValueError, match=r"shapes \(3,\) and \(4, 4\), expected \(4,\) and"):
        level_interval(np.ones(3), np.eye(4))
    with pytest.raises(ValueError, match=r"level of confidence is 1\.5"):
        level_interval(np.ones(4), np.eye(4), confidence=1.5)
