"""Metrics, decibels and terms of a budget, and terms from draws."""

import math
from dataclasses import replace

import numpy as np
import pytest
import scipy.stats
from budget_cases import LENGTH, RTOL

from nf2ff.kernel.words import nearest
from nf2ff.uncertainty.budget.budget import Budget
from nf2ff.uncertainty.budget.budget_term import (
    DISTRIBUTIONS,
    Term,
    direct_term,
    drawn_term,
    judged_degrees_of_freedom,
    summarise_draws,
)
from nf2ff.uncertainty.budget.combine import combine, coverage_factor
from nf2ff.uncertainty.budget.metric import DECIBEL, METRICS, Metric, interval_db

# --- decibels ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("level", "plus", "minus", "digit"),
    [
        # Closed form 20 log10(1 +- a), to the digits printed.
        (-20, 0.828, 0.915, 1e-3),
        (-30, 0.270, 0.279, 1e-3),
        (-40, 0.0864, 0.0873, 1e-4),
        (-50, 0.0274, 0.0275, 1e-4),
        (-60, 0.0087, 0.0087, 1e-4),
    ],
)
def test_an_error_signal_adds_to_the_field(level, plus, minus, digit):
    found = interval_db(10 ** (level / 20))
    np.testing.assert_allclose(found, (plus, minus), rtol=0, atol=0.5 * digit)


@pytest.mark.parametrize(("scale", "bend"), [("amplitude", 0.5), ("power", 1.0), ("logarithm", 0)])
def test_scales_agree_to_first_order_only(scale, bend):
    # Closed form: 20 log10(1 + u) = (u - u^2/2 + u^3/3 ...) / DECIBEL; 10 log10(1 + 2u) =
    # (u - u^2 + 4 u^3/3 ...) / DECIBEL. The next term is below 4/3 u of u^2.
    u = 1e-4
    plus, minus = interval_db(u, scale=scale)
    assert (u - plus * DECIBEL) / u**2 == pytest.approx(bend, abs=4 / 3 * u + 1e-11 / u)
    assert (minus * DECIBEL - u) / u**2 == pytest.approx(bend, abs=4 / 3 * u + 1e-11 / u)


@pytest.mark.parametrize(("scale", "limit"), [("amplitude", 1.0), ("power", 0.5)])
def test_an_error_as_large_as_the_signal_may_cancel_it(scale, limit):
    assert interval_db(limit, scale=scale)[1] == math.inf
    assert interval_db(2 * limit, scale=scale)[1] == math.inf
    # Closed form: 6.02 dB above at twice the amplitude, 3.01 at twice the power.
    assert interval_db(limit, scale=scale)[0] == pytest.approx(20 * limit * math.log10(2))
    assert 100 < interval_db(limit * (1 - 1e-12), scale=scale)[1] < 300


def test_intervals_that_are_refused():
    with pytest.raises(ValueError, match=r"relative amplitude is -0\.1, expected not negative"):
        interval_db(-0.1)
    with pytest.raises(ValueError, match=r"scale is 'amplitud', expected one of .* 'amplitude'"):
        interval_db(0.1, scale="amplitud")


# --- metrics and terms ---------------------------------------------------------------------------


def test_metrics_know_their_units():
    assert METRICS["eirp"].is_level
    assert METRICS["eirp"].shown.name == "dB"
    # One decibel is ln(10)/20 of amplitude: closed form.
    assert METRICS["trp"].shown.factor * math.log(10) / 20 == pytest.approx(1, rel=RTOL)
    assert not METRICS["pointing"].is_level
    assert METRICS["pointing"].shown.factor == pytest.approx(180 / np.pi, rel=RTOL)
    assert LENGTH.shown == ("nm", 1.0)
    assert Metric("a_b").label == "a b"


@pytest.mark.parametrize("name", ["", "EIRP", "2nd", "a-b", "a b", "x" * 41, "_a", "ä"])
def test_a_metric_needs_a_name_fit_for_files(name):
    with pytest.raises(ValueError, match="expected 1 to 40 lower-case letters, digits and"):
        Metric(name)


@pytest.mark.parametrize(
    ("name", "reference"),
    [
        ("normal", scipy.stats.norm()),
        ("rectangular", scipy.stats.uniform(-1, 2)),
        ("triangular", scipy.stats.triang(0.5, -1, 2)),
        ("arcsine", scipy.stats.arcsine(-1, 2)),
    ],
)
def test_moments_of_distributions(name, reference):
    # scipy.stats, of half-width or standard deviation 1.
    variance, excess = reference.stats(moments="vk")
    found = DISTRIBUTIONS[name]
    assert found.divisor == pytest.approx(1 / math.sqrt(variance), rel=RTOL)
    assert found.kurtosis == pytest.approx(3 + float(excess), rel=RTOL)
    assert found.bounded == np.isfinite(reference.support()[1])
    assert Term("a", 0.3, distribution=name).standard_uncertainty == pytest.approx(
        0.3 * reference.std(), rel=RTOL
    )


def test_a_certificate_states_an_expanded_uncertainty():
    term = Term("a", 75.0, "nm", coverage_factor=3, sensitivity={"length": -2.0})
    assert term.standard_uncertainty == 25
    assert term.contribution("length") == -50


def test_what_is_not_supplied_is_not_zero():
    assert Term("a").standard_uncertainty is None
    assert Term("a", sensitivity={"eirp": 1.0}).contribution("eirp") is None
    assert Term("a", 1.0, sensitivity={"eirp": 1.0}).contribution("trp") is None
    assert Term("a", 0.0, sensitivity={"eirp": 1.0}).contribution("eirp") == 0
    assert Term("a", 1.0, sensitivity={"eirp": 0.0}).contribution("eirp") == 0
    assert direct_term("a", {}).size is None


def test_a_direct_term_is_its_effect():
    term = direct_term("a", {"eirp": 0.3, "trp": 0.0}, distribution="rectangular")
    assert term.contribution("eirp") == pytest.approx(0.3 / math.sqrt(3), rel=RTOL)
    assert term.contribution("trp") == 0
    assert term.contribution("gain") is None


def test_judged_degrees_of_freedom():
    # GUM G.4.2, eq. G.3 (from memory): 25 % is 8; and, example H.1, 10 % is 50, 50 % is 2.
    found = [judged_degrees_of_freedom(x) for x in (0.25, 0.1, 0.5, 0.0)]
    assert found == pytest.approx([8, 50, 2, math.inf], rel=RTOL)
    for bad in (-0.1, 0.8, math.nan):
        with pytest.raises(ValueError, match=rf"uncertainty is {bad}, expected from 0 to sqrt"):
            judged_degrees_of_freedom(bad)


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ({"name": " "}, "name ' ' is not fit for a report: give 1 to 80"),
        ({"name": "a\nb"}, "not fit for a report"),
        ({"unit": ""}, "not fit for a report"),
        ({"size": -0.1}, r"size of 'a' is -0\.1, expected finite and not negative: give its mag"),
        ({"size": math.inf}, "size of 'a' is inf, expected finite"),
        ({"size": math.nan}, "size of 'a' is nan, expected finite"),
        ({"distribution": "uniform"}, "'uniform', expected one of normal.*mean 'rectangular'?"),
        ({"distribution": "triangula"}, "did you mean 'triangular'?"),
        ({"coverage_factor": 0}, "coverage factor of 'a' is 0, expected above 0 and finite"),
        (
            {"coverage_factor": 2, "distribution": "arcsine"},
            r"factor of 'a' is 2, .* and 1 for a half-width \(arcsine\)",
        ),
        ({"degrees_of_freedom": 0.9}, r"freedom of 'a' are 0\.9, expected at least 1: repeat"),
        ({"degrees_of_freedom": math.nan}, "freedom of 'a' are nan, expected at least 1"),
        ({"evaluation": "C"}, "evaluation of 'a' is 'C', expected 'A' or 'B'"),
        ({"sensitivity": {"eirp": math.nan}}, "sensitivity of eirp to 'a' is nan, expected finite"),
        ({"bias": {"eirp": math.inf}}, "bias of eirp to 'a' is inf, expected finite"),
    ],
)
def test_terms_that_are_refused(keys, message):
    with pytest.raises(ValueError, match=message):
        Term(**{"name": "a", **keys})


def test_a_direct_term_with_a_negative_size_is_refused():
    with pytest.raises(ValueError, match=r"size of 'a' for trp is -1, expected finite and not neg"):
        direct_term("a", {"eirp": 1, "trp": -1})


def test_nouns_cannot_be_changed():
    term = Term("a", 1.0, sensitivity={"eirp": 1.0})
    with pytest.raises(TypeError):
        term.sensitivity["eirp"] = 2.0
    budget = Budget([term])
    with pytest.raises(ValueError, match="read-only"):
        budget.correlation[0, 0] = 2
    with pytest.raises(ValueError, match="read-only"):
        combine(budget, "eirp").shares[0] = 2


def test_the_nearest_name():
    assert nearest("gaussian", DISTRIBUTIONS) == ": did you mean 'normal'?"
    assert nearest("erip", METRICS) == ": did you mean 'eirp'?"
    assert nearest("xyz", METRICS) == ""


# --- draws ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("count", "confidence", "low", "high"),
    [
        # JCGM 101, 7.7.2 (from memory), by hand: q = pK or int(pK + 1/2), r = (K - q)/2 or
        # int((K - q + 1)/2); the draws are 1 ... K, so that values are ranks.
        (20, 0.95, 1, 20),  # q = 19, r = int(2/2)
        (1000, 0.95, 25, 975),  # q = 950, r = 25
        (101, 0.95, 3, 99),  # q = int(96.45), r = int(6/2)
        (10, 0.5, 3, 8),  # q = 5, r = int(6/2)
        (10000, 0.9545, 228, 9773),  # q = 9545, r = int(456/2)
    ],
)
def test_interval_of_draws(count, confidence, low, high, rng):
    found = summarise_draws(rng.permutation(np.arange(1, count + 1)), confidence=confidence)
    assert (found.low, found.high) == (low, high)
    assert found.degrees_of_freedom == count - 1
    # Closed forms: mean and unbiased variance K (K + 1)/12 of 1 ... K.
    assert found.mean == pytest.approx((count + 1) / 2, rel=RTOL)
    assert found.standard_deviation == pytest.approx(math.sqrt(count * (count + 1) / 12), rel=RTOL)


def test_a_term_from_draws():
    # Of a level: relative amplitudes 0.01 +- 0.02, as power; standard deviation of K = 4 values
    # +-0.02 about their mean is 0.02 sqrt(4/3): closed form.
    e = np.array([0.03, -0.01, 0.03, -0.01])
    angle = np.array([0.1, 0.2, 0.3])
    term = drawn_term(
        "noise",
        {"pointing": angle, "eirp": 5.0 * (1 + e) ** 2},
        nominal={"eirp": 5.0, "pointing": 0.15},
        evaluation="A",
        note="four scans",
    )
    # Square root of a square and the difference to 1: absolute rounding of a few eps.
    assert term.contribution("eirp") == pytest.approx(0.02 * math.sqrt(4 / 3), abs=1e-15)
    assert term.bias["eirp"] == pytest.approx(0.01, abs=1e-15)
    assert term.contribution("pointing") == pytest.approx(0.1, abs=1e-15)
    assert term.bias["pointing"] == pytest.approx(0.05, abs=1e-15)
    assert term.degrees_of_freedom == 2
    assert (term.evaluation, term.note) == ("A", "four scans")
    own = replace(METRICS["eirp"], name="beam_2")
    other = drawn_term("noise", {"beam_2": 5.0 * (1 + e) ** 2}, nominal={"beam_2": 5.0}, metrics=[own])
    assert other.contribution("beam_2") == term.contribution("eirp")
    found = combine(Budget([term]), "eirp")
    assert found.bias == term.bias["eirp"]
    assert found.standard_uncertainty == term.contribution("eirp")
    assert found.coverage_factor == coverage_factor(0.95, degrees_of_freedom=2)


@pytest.mark.parametrize(
    ("draws", "nominal", "message"),
    [
        ({}, {}, "there are no draws for 'noise': give those of at least one metric"),
        ({"eirp": []}, {"eirp": 1}, "0 draws of eirp for 'noise', expected at least 2: draw more"),
        ({"eirp": [1.0]}, {"eirp": 1}, "there are 1 draws"),
        ({"erip": [1, 2]}, {"eirp": 1}, "'erip' drawn for 'noise' is unknown: did you mean 'eirp'"),
        ({"eirp": [1, 2]}, {"trp": 1}, "'eirp' drawn for 'noise' has no nominal value"),
        ({"eirp": [1, -2]}, {"eirp": 1}, "eirp for 'noise' is -2 at least, expected linear power"),
        ({"eirp": [1, 2]}, {"eirp": 0}, "eirp for 'noise' is 0 at least, .* nominal value above 0"),
        ({"eirp": [1, np.nan]}, {"eirp": 1}, "draws of eirp for 'noise' is nan at index"),
        ({"eirp": [[1, 2]]}, {"eirp": 1}, "draws of eirp for 'noise' has 2 dimensions, expected 1"),
    ],
)
def test_draws_that_are_refused(draws, nominal, message):
    with pytest.raises(ValueError, match=message):
        drawn_term("noise", draws, nominal=nominal)


def test_too_few_draws_for_an_interval():
    with pytest.raises(ValueError, match=r"10 draws do not bound .* 95 %: draw at least 20"):
        summarise_draws(np.arange(10.0))
    with pytest.raises(ValueError, match="there are 0 draws of the metric, expected at least 2"):
        summarise_draws([])
    with pytest.raises(ValueError, match=r"confidence is 1, expected at least 0\.5 and below 1"):
        summarise_draws(np.arange(10.0), confidence=1)
