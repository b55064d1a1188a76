"""The value less its bias and the interval about it: closed forms."""

import math

import numpy as np
import pytest

from nf2ff.uncertainty.budget.budget import Budget
from nf2ff.uncertainty.budget.budget_term import direct_term
from nf2ff.uncertainty.budget.combine import combine
from nf2ff.uncertainty.budget.metric import METRICS
from nf2ff.uncertainty.level_interval import level_interval
from nf2ff.uncertainty.result import MetricResult
from nf2ff.uncertainty.stated import stated, stated_decibels

#: Standard uncertainty and its expansion to 95 % (normal quantile).
SIZE = 0.02
U = 1.959963984540054 * SIZE


def found_of(metric, bias=0.0, scale="amplitude", **more):
    term = direct_term("a", {metric: SIZE}, bias={metric: bias}, **more)
    return combine(Budget((term,), [METRICS[metric]], scale=scale), metric)


def test_power_that_errors_add_is_taken_off():
    # Noise adds a tenth to 2 W: 2.2 W are measured, and draws about them find 2.4 W.
    bias = math.sqrt(2.4 / 2.2) - 1
    result = MetricResult("power", [2.2])
    one = stated(result, found_of("trp", bias), 0)
    assert one.value == pytest.approx(2.0, rel=1e-14)
    assert math.sqrt(one.high) - math.sqrt(one.value) == pytest.approx(U * math.sqrt(2.2))
    assert math.sqrt(one.value) - math.sqrt(one.low) == pytest.approx(U * math.sqrt(2.2))
    power = stated(result, found_of("trp", bias, "power"), 0)
    assert power[1:] == pytest.approx((2 - 2 * U * 2.2, 2 + 2 * U * 2.2), rel=1e-14)
    factor = stated(result, found_of("trp", bias, "logarithm"), 0)
    # u of amplitude is ln(10)/20 for each dB: a factor exp(2 u) of power.
    assert factor[1:] == pytest.approx((2 * math.exp(-2 * U), 2 * math.exp(2 * U)), rel=1e-14)


@pytest.mark.parametrize("scale", ["amplitude", "power", "logarithm"])
def test_no_power_is_left_where_the_bias_is_all(scale):
    one = stated(MetricResult("power", [2.0]), found_of("trp", 0.5, scale), 0)
    assert (one.value, one.low) == (0, 0)
    ends = {"amplitude": 2 * U**2, "power": 4 * U, "logarithm": 0}
    assert one.high == pytest.approx(ends[scale], rel=1e-14)


def test_angles_have_equal_sides():
    one = stated(MetricResult("angle", [0.5]), found_of("beamwidth", 0.1), 0)
    assert one == pytest.approx((0.4, 0.4 - U, 0.4 + U), rel=1e-14)


def test_without_bias_it_is_the_expanded_uncertainty():
    found = found_of("eirp")
    result = MetricResult("power", [3.0])
    one = stated(result, found, 0)
    plus, minus = found.decibels
    assert one.value == 3
    assert 10 * math.log10(one.high / 3) == pytest.approx(plus, rel=1e-13)
    assert 10 * math.log10(3 / one.low) == pytest.approx(minus, rel=1e-13)
    assert stated_decibels(result, found, 0) == found.decibels


def test_a_level_with_a_field():
    field, covariance = np.array([3.0, 0, 1.0, 0]), np.diag([0.2, 0.1, 0.3, 0.4])
    result = MetricResult("directivity", [10.0], field=[field], field_covariance=[covariance])
    # Nine degrees of freedom: Student's 2.262 in the place of 1.960 (tables of the GUM, from
    # memory) stretches all errors alike.
    found = found_of("pattern", degrees_of_freedom=9)
    one = stated(result, found, 0)
    wanted = level_interval(field, (2.262157 / 1.959964) ** 2 * covariance)
    assert one[1:] == pytest.approx(wanted, rel=1e-5)
    assert one.value == pytest.approx(10 - 1.0, rel=1e-14)
    plus, minus = stated_decibels(result, found, 0)
    assert plus == pytest.approx(10 * math.log10(wanted[1] / 10), rel=1e-5)
    assert minus == pytest.approx(-10 * math.log10(wanted[0] / 10), rel=1e-5)
    # Gain without the power into the antenna has no value; its interval is about that of EIRP.
    unknown = MetricResult("unknown", [np.nan], field=[field], field_covariance=[covariance])
    assert stated(unknown, found, 0) is None
    assert stated_decibels(unknown, found, 0) == pytest.approx((plus, minus), rel=1e-14)


def test_errors_across_a_strong_field_turn_it():
    # One channel with a wrong phase turns the polarisation and adds nothing: far above its error,
    # 40 times here, the interval is that along the field, t +- 1.96 u, but for a hundredth of what
    # lies across, (4/40)^2.
    field, covariance = np.array([40.0, 0, 0, 0]), np.diag([0.01, 0.99, 0, 0])
    result = MetricResult("directivity", [1600.0], field=[field], field_covariance=[covariance])
    one = stated(result, found_of("pattern"), 0)
    for end, side in ((one.low, -1), (one.high, 1)):
        assert math.sqrt(end) - 40 == pytest.approx(side * 0.1959964, rel=0.02)
    # Additive errors all along: a shift of 0.99 / 80 down.
    low, high = level_interval(field, covariance)
    assert 0.5 * (math.sqrt(low) + math.sqrt(high)) - 40 == pytest.approx(-0.99 / 80, rel=0.3)


def test_what_has_no_interval():
    assert stated(MetricResult("direction", [0.0]), found_of("pointing"), 0) is None
    assert stated(MetricResult("unknown", [np.nan]), found_of("gain"), 0) is None
    nothing = combine(Budget((direct_term("a", {}),), [METRICS["trp"]]), "trp")
    result = MetricResult("power", [1.0])
    assert stated(result, nothing, 0) is None
    assert stated_decibels(result, nothing, 0) is None


@pytest.mark.parametrize(("field", "covariance"), [([[1.0]], np.eye(4)[None]), (np.ones((1, 4)), [[1.0]])])
def test_a_field_without_its_covariance(field, covariance):
    with pytest.raises(ValueError, match=r"has shape \(1, 1\), expected \(1, 4"):
        MetricResult("power", [1.0], field=field, field_covariance=covariance)


def test_a_field_alone():
    with pytest.raises(ValueError, match="a field and its covariance belong together: give both, or none"):
        MetricResult("power", [1.0], field=np.ones((1, 4)))
