"""Uncertainty budgets: the GUM's own examples, closed forms, and budgets that are refused."""

import json
import math
from dataclasses import replace

import mpmath
import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from nf2ff.budget import Budget, Curvature, correlations, with_terms
from nf2ff.budget_metrics import DECIBEL, METRICS, SCALES, Metric, interval_db, nearest
from nf2ff.budget_sum import combine, coverage_factor
from nf2ff.budget_table import HEADER, NOT_SUPPLIED, budget_dict, budget_lines, budget_rows
from nf2ff.budget_terms import (
    DISTRIBUTIONS,
    ERROR_SIGNAL,
    Term,
    direct_term,
    drawn_term,
    judged_degrees_of_freedom,
    summarise_draws,
)

#: Sums of a dozen products of factors with rounding errors of their own.
RTOL = 100 * 2.0**-52
LENGTH = Metric("length", "nm")


def terms_of(sizes, metric="eirp", **keys):
    """Terms a, b, c ... of these standard uncertainties, sensitivity 1."""
    return [Term(chr(97 + i), u, sensitivity={metric: 1.0}, **keys) for i, u in enumerate(sizes)]


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
    )
    # Square root of a square and the difference to 1: absolute rounding of a few eps.
    assert term.contribution("eirp") == pytest.approx(0.02 * math.sqrt(4 / 3), abs=1e-15)
    assert term.bias["eirp"] == pytest.approx(0.01, abs=1e-15)
    assert term.contribution("pointing") == pytest.approx(0.1, abs=1e-15)
    assert term.bias["pointing"] == pytest.approx(0.05, abs=1e-15)
    assert term.degrees_of_freedom == 2
    assert term.evaluation == "A"
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


# --- coverage factor -----------------------------------------------------------------------------


def test_normal_coverage_factors():
    # GUM table G.1 (from memory): 1.960 for 95 %, 2 for 95.45 %, 2.576 for 99 %.
    for confidence, k in ((0.95, 1.960), (0.9545, 2.000), (0.99, 2.576)):
        assert coverage_factor(confidence) == pytest.approx(k, abs=5e-4)
    # Closed form: erf(k / sqrt 2) is the confidence.
    assert math.erf(coverage_factor(0.95) / math.sqrt(2)) == pytest.approx(0.95, rel=RTOL)


@pytest.mark.parametrize(
    ("confidence", "dof", "k"),
    # GUM table G.2 (from memory).
    [(0.95, 1, 12.71), (0.95, 5, 2.57), (0.95, 10, 2.23), (0.99, 5, 4.03), (0.99, 16, 2.92)],
)
def test_published_quantiles_of_t(confidence, dof, k):
    assert coverage_factor(confidence, degrees_of_freedom=dof) == pytest.approx(k, abs=5e-3)


@pytest.mark.parametrize("dof", [0.4, 1, 2, 7, 50, 1000, 10**6])
@pytest.mark.parametrize("confidence", [0.5, 0.95, 0.999])
def test_quantiles_of_t(confidence, dof):
    k = coverage_factor(confidence, degrees_of_freedom=dof)
    # Closed form: P(|T| > k) is the regularised incomplete beta function I(nu/2, 1/2) up to
    # nu/(nu + k^2), here by mpmath. 1e-9: the library's quantile is found by iteration.
    with mpmath.workdps(30):
        x = mpmath.mpf(dof) / (dof + mpmath.mpf(k) ** 2)
        outside = mpmath.betainc(mpmath.mpf(dof) / 2, 0.5, 0, x, regularized=True)
    assert float(outside) == pytest.approx(1 - confidence, rel=1e-9)
    assert k == pytest.approx(scipy.stats.t(dof).ppf((1 + confidence) / 2), rel=1e-9)


def test_degrees_of_freedom_are_cut_to_whole_numbers():
    # GUM G.6.4 (from memory): the next lower integer.
    def k(dof):
        return coverage_factor(0.95, degrees_of_freedom=dof)

    assert k(16.99) == k(16)
    assert k(5 * (1 - 1e-15)) == k(5)
    assert k(0.5) > k(1)
    for bad in (0, -1, math.nan):
        with pytest.raises(ValueError, match=f"freedom are {bad}, expected above 0"):
            k(bad)


# --- the GUM's examples --------------------------------------------------------------------------


def end_gauge():
    """Terms of example H.1 of the GUM, from memory, in nm, K and 1/K."""
    nominal = 50.000623e6  # length of the standard [nm]
    excess, alpha = -0.1, 11.5e-6  # mean temperature above 20 degrees, expansion of the standard
    terms = [
        # Certificate: 0.075 um at k = 3, 18 degrees of freedom.
        Term("standard", 75, "nm", "normal", {"length": 1}, 3, 18),
        # 25 observations gave s = 13 nm; mean of five.
        Term("repeated", 13 / math.sqrt(5), "nm", "normal", {"length": 1}, 1, 24, "A"),
        # Comparator: 0.01 um at 95 % from six observations, t_95(5) = 2.57.
        Term("comparator, random", 10, "nm", "normal", {"length": 1}, 2.57, 5),
        # 0.02 um at three standard deviations, known to 25 %.
        Term("comparator, systematic", 20, "nm", "normal", {"length": 1}, 3, 8),
        Term("expansion", 2e-6, "1/K", "rectangular", {"length": 0}),
        Term("temperature", 0.2, "K", "normal", {"length": 0}),
        Term("its cycle", 0.5, "K", "arcsine", {"length": 0}),
        # +-1e-6 known to 10 %, +-0.05 degrees to 50 %.
        Term("difference of expansion", 1e-6, "1/K", "rectangular",
             {"length": -nominal * excess}, 1, judged_degrees_of_freedom(0.1)),
        Term("difference of temperature", 0.05, "K", "rectangular",
             {"length": -nominal * alpha}, 1, judged_degrees_of_freedom(0.5)),
    ]  # fmt: skip
    bends = [
        Curvature(a, b, {"length": -nominal})
        for a, b in (
            ("difference of expansion", "temperature"),
            ("its cycle", "difference of expansion"),
            ("expansion", "difference of temperature"),
        )
    ]
    return Budget(terms, [LENGTH], confidence=0.99), bends


def test_end_gauge():
    # GUM H.1 (from memory): contributions 25, 9.7 (of three), 0, 0, 2.9, 16.6 nm; u_c = 32 nm,
    # nu_eff = 16.7 and hence 16, k = t_99(16) = 2.92, U_99 = 2.92 x 32 nm = 93 nm.
    budget, _ = end_gauge()
    found = combine(budget, "length")
    parts = np.abs(found.contributions)
    together = [parts[0], math.hypot(*parts[1:4]), parts[4], parts[5], parts[7], parts[8]]
    np.testing.assert_allclose(together, [25, 9.7, 0, 0, 2.9, 16.6], rtol=0, atol=0.05)
    assert round(found.standard_uncertainty) == 32
    # The GUM rounds as it goes: 9.7 and 16.6 to 0.05 in parts of 31.7, to the fourth power, and
    # nu = 25.6 of the three; 0.05 for its own last digit.
    assert found.degrees_of_freedom == pytest.approx(16.7, abs=0.1)
    assert found.coverage_factor == pytest.approx(2.92, abs=5e-3)
    # The published 93 nm is k times the rounded u_c; unrounded it is 92.5.
    assert round(found.coverage_factor * round(found.standard_uncertainty)) == 93
    assert found.expanded == pytest.approx(93, abs=0.5 * found.coverage_factor)
    assert found.bias == 0
    assert found.missing == ()


def test_end_gauge_second_order():
    # GUM H.1.7 (from memory): 11.7 nm and 1.7 nm more, u_c = 34 nm.
    budget, bends = end_gauge()
    budget = replace(budget, curvatures=bends)
    found = combine(budget, "length")
    assert round(found.standard_uncertainty) == 34
    for pick, expected in ((bends[:2], 11.7), (bends[2:], 1.7)):
        one = combine(replace(budget, curvatures=pick), "length")
        extra = one.second_order_share * one.standard_uncertainty**2
        assert math.sqrt(extra) == pytest.approx(expected, abs=0.05)
    assert found.shares.sum() + found.second_order_share == pytest.approx(1, rel=RTOL)


#: GUM table H.2 (from memory): five simultaneous readings of V [V], I [A], phi [rad].
READINGS = np.array(
    [
        [5.007, 19.663e-3, 1.0456],
        [4.994, 19.639e-3, 1.0438],
        [5.005, 19.640e-3, 1.0468],
        [4.990, 19.685e-3, 1.0428],
        [4.999, 19.678e-3, 1.0433],
    ]
)


def test_resistance_and_reactance():
    # GUM H.2 (from memory): means 4.9990, 19.6610e-3, 1.04446, their standard deviations 0.0032,
    # 0.0095e-3, 0.00075, correlations -0.36, 0.86, -0.65; R = V/I cos phi, X = V/I sin phi,
    # Z = V/I: u = 0.071, 0.295, 0.236 ohm. To half of the last digit that is printed, and the
    # results to one of it: of X the readings as they are printed leave 0.2956.
    mean = READINGS.mean(axis=0)
    u = READINGS.std(axis=0, ddof=1) / math.sqrt(5)
    r = np.corrcoef(READINGS.T)
    np.testing.assert_allclose(mean, [4.9990, 19.6610e-3, 1.04446], rtol=1e-15)
    np.testing.assert_allclose(u / [0.0001, 0.0001e-3, 0.00001], [32, 95, 75], rtol=0, atol=0.5)
    np.testing.assert_allclose(
        [r[0, 1], r[0, 2], r[1, 2]], [-0.36, 0.86, -0.65], rtol=0, atol=0.005
    )
    (_, i, phi), z = mean, mean[0] / mean[1]
    c, s = math.cos(phi), math.sin(phi)
    metrics = [Metric(name, "ohm") for name in ("r", "x", "z")]
    slopes = [
        {"r": c / i, "x": s / i, "z": 1 / i},
        {"r": -z * c / i, "x": -z * s / i, "z": -z / i},
        {"r": -z * s, "x": z * c, "z": 0},
    ]
    terms = [
        Term(name, one, unit, sensitivity=slope, degrees_of_freedom=4, evaluation="A")
        for name, one, unit, slope in zip("VIp", u, ("V", "A", "rad"), slopes, strict=True)
    ]
    pairs = {("V", "I"): r[0, 1], ("V", "p"): r[0, 2], ("p", "I"): r[1, 2]}
    budget = Budget(terms, metrics, correlations(terms, pairs))
    found = [combine(budget, m.name) for m in metrics]
    np.testing.assert_allclose(
        [one.standard_uncertainty for one in found], [0.071, 0.295, 0.236], rtol=0, atol=0.001
    )
    # Approach 2 of H.2: R, X and Z of each of the five readings leave the same, to first order in
    # readings that spread by 0.1 %, and so have four degrees of freedom, however V, I and phi
    # cancel: of R, phi takes more away than it adds.
    volts, amperes, angles = READINGS.T
    each = volts / amperes * np.array([np.cos(angles), np.sin(angles), np.ones(5)])
    np.testing.assert_allclose(
        [one.standard_uncertainty for one in found],
        each.std(axis=1, ddof=1) / math.sqrt(5),
        rtol=5e-3,
    )
    for one in found:
        assert one.degrees_of_freedom == pytest.approx(4, rel=RTOL)
    assert found[0].shares.min() < 0
    plain = combine(replace(budget, correlation=np.eye(3)), "r").standard_uncertainty
    assert plain > 2 * found[0].standard_uncertainty


# --- eq. 10, 13 and G.2b -------------------------------------------------------------------------


def test_without_correlation_squares_add():
    # Closed form: 3, 4, 12 make 13.
    found = combine(Budget(terms_of([3.0, 4.0, 12.0])), "eirp")
    assert found.standard_uncertainty == pytest.approx(13, rel=RTOL)
    np.testing.assert_allclose(found.shares, np.array([9, 16, 144]) / 169, rtol=RTOL)
    assert found.degrees_of_freedom == math.inf
    assert found.expanded == pytest.approx(13 * coverage_factor(0.95), rel=RTOL)


def test_full_correlation_adds_and_cancels():
    terms = terms_of([3.0, 4.0], degrees_of_freedom=5)
    for r, u in ((1, 7), (-1, 1)):
        found = combine(Budget(terms, correlation=correlations(terms, {("a", "b"): r})), "eirp")
        assert found.standard_uncertainty == pytest.approx(u, rel=RTOL)
        # Shares with their part of the correlations, closed form: 3 (3 +- 4), 4 (4 +- 3).
        np.testing.assert_allclose(
            found.shares, np.array([3 * (3 + 4 * r), 4 * (4 + 3 * r)]) / u**2
        )
    # A sensitivity of the other sign turns it round.
    turned = [terms[0], replace(terms[1], sensitivity={"eirp": -1.0})]
    found = combine(Budget(turned, correlation=[[1, 1], [1, 1]]), "eirp")
    assert found.standard_uncertainty == pytest.approx(1, rel=RTOL)
    # What cancels leaves zero, not the rounding of 0.1 + 0.2 - 0.3.
    three = [*terms_of([0.1, 0.2]), Term("c", 0.3, sensitivity={"eirp": -1.0})]
    three = [replace(t, degrees_of_freedom=5) for t in three]
    found = combine(Budget(three, correlation=np.ones((3, 3))), "eirp")
    assert (found.standard_uncertainty, found.degrees_of_freedom) == (0, math.inf)
    np.testing.assert_array_equal(found.shares, 0)


def test_correlated_variance_against_the_double_sum(rng):
    n = 6
    root = rng.normal(size=(n, 2 * n))
    covariance = root @ root.T
    u = np.sqrt(np.diag(covariance))
    r = covariance / np.outer(u, u)
    r = (r + r.T) / 2
    np.fill_diagonal(r, 1)
    c = rng.normal(size=n)
    terms = [Term(str(i), u[i], sensitivity={"trp": c[i]}) for i in range(n)]
    found = combine(Budget(terms, correlation=r), "trp")
    # GUM eq. 13 as it is printed, sum by sum.
    variance = sum(c[i] ** 2 * u[i] ** 2 for i in range(n))
    variance += 2 * sum(
        c[i] * c[j] * u[i] * u[j] * r[i, j] for i in range(n - 1) for j in range(i + 1, n)
    )
    assert found.standard_uncertainty == pytest.approx(math.sqrt(variance), rel=RTOL)
    # And the variance of the linear combination.
    assert variance == pytest.approx(c @ covariance @ c, rel=RTOL)
    assert found.shares.sum() == pytest.approx(1, rel=RTOL)


def test_effective_degrees_of_freedom():
    # GUM G.2b, closed form: n equal terms of nu each have n nu; one term keeps its own.
    assert combine(Budget(terms_of([0.3], degrees_of_freedom=5)), "eirp").degrees_of_freedom == (
        pytest.approx(5, rel=RTOL)
    )
    four = combine(Budget(terms_of([0.3] * 4, degrees_of_freedom=5)), "eirp")
    assert four.degrees_of_freedom == pytest.approx(20, rel=RTOL)
    mixed = [replace(t, degrees_of_freedom=nu) for t, nu in zip(
        terms_of([1.0, 2.0, 3.0]), (4, 9, math.inf), strict=True)]  # fmt: skip
    expected = 14**2 / (1 / 4 + 16 / 9)
    assert combine(Budget(mixed), "eirp").degrees_of_freedom == pytest.approx(expected, rel=RTOL)


def test_correlated_terms_count_as_one():
    # Closed form: two equal terms that are one and the same keep its degrees of freedom; a third,
    # independent, adds by G.2b: (4 + 1)^2 / (4^2/5 + 1/5).
    terms = terms_of([1.0, 1.0, 1.0], degrees_of_freedom=5)
    budget = Budget(terms, correlation=correlations(terms, {("a", "b"): 1}))
    found = combine(budget, "eirp")
    assert found.degrees_of_freedom == pytest.approx(25 / (16 / 5 + 1 / 5), rel=RTOL)
    # Closed form with a term that takes away from the variance: u^2 = 1 + 0.09 - 0.48, h = 0.76
    # and -0.15, whose magnitudes add, as far as not less is left than the less certain one has.
    less = terms_of([1.0, 0.3], degrees_of_freedom=5)
    for nu, expected in ((5, 5), (1e3, 0.61**2 / (0.76 / 5**0.5 + 0.15 / 1e3**0.5) ** 2)):
        less[1] = replace(less[1], degrees_of_freedom=nu)
        found = combine(Budget(less, correlation=correlations(less, {("a", "b"): -0.8})), "eirp")
        assert found.degrees_of_freedom == pytest.approx(max(5, expected), rel=RTOL)
    # A chain is one group, whatever the order of its links.
    five = terms_of([1.0] * 5, degrees_of_freedom=5)
    pairs = {("e", "a"): 0.4, ("c", "e"): 0.4, ("b", "c"): 0.4, ("b", "d"): 0.4}
    chain = combine(Budget(five, correlation=correlations(five, pairs)), "eirp")
    assert chain.degrees_of_freedom == pytest.approx(5, rel=RTOL)
    # But not through a term without influence, or one that is not supplied.
    five[4] = replace(five[4], sensitivity={"eirp": 0.0})
    aside = combine(Budget(five, correlation=correlations(five, pairs)), "eirp")
    five[4] = Term("e")
    broken = combine(Budget(five, correlation=correlations(five, pairs)), "eirp")
    assert broken.degrees_of_freedom == pytest.approx((1 + 4.6) ** 2 / (1 / 5 + 4.6**2 / 5))
    assert aside.degrees_of_freedom == broken.degrees_of_freedom


def test_degrees_of_freedom_follow_the_derivatives_of_the_variance(rng):
    # Twin of the formula: h_i = u_i/2 du^2/du_i by central differences. Squares and products too.
    names = "abcdef"
    nu = np.array([3, 7, 12, 5, 20, 9])
    sizes = rng.uniform(0.5, 1.5, 6)
    slopes = rng.normal(size=6)
    pairs = {("a", "b"): 0.5, ("b", "c"): -0.6}
    bends = [
        Curvature("d", "d", {"eirp": 0.8}, {"eirp": 0.1}),
        Curvature("e", "d", {"eirp": -0.7}),
        Curvature("f", "e", {}, {"eirp": 0.2}),
    ]

    def budget(scaled):
        terms = [
            Term(
                names[i], scaled[i], "1", sensitivity={"eirp": slopes[i]}, degrees_of_freedom=nu[i]
            )
            for i in range(6)
        ]
        return Budget(terms, correlation=correlations(terms, pairs), curvatures=bends)

    found = combine(budget(sizes), "eirp")
    variance = found.standard_uncertainty**2
    h, step = np.zeros(6), 1e-5
    for i in range(6):
        up, down = (
            combine(budget(sizes * (1 + sign * step * np.eye(6)[i])), "eirp").standard_uncertainty
            for sign in (1, -1)
        )
        h[i] = (up**2 - down**2) / (4 * step)
    errors = np.abs(h) / np.sqrt(nu)
    # Difference quotients: eps/step + step^2 of the quantity.
    together = min(errors[:3].sum(), h[:3].sum() / math.sqrt(3))
    expected = variance**2 / (together**2 + np.sum(errors[3:] ** 2))
    assert found.degrees_of_freedom == pytest.approx(expected, rel=1e-8)


@st.composite
def budgets(draw):
    """Terms without and with influence, certain and not, correlated up to +-1; or not."""
    count = draw(st.integers(1, 5))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    terms = [
        Term(
            str(i),
            draw(st.sampled_from([0.0, 1e-6, 0.9, 1.0, 1.0, 3.0])),
            sensitivity={"eirp": draw(st.sampled_from([0.0, -1.0, 1.0, 1.0, 0.999]))},
            degrees_of_freedom=draw(st.sampled_from([1, 5, 8.5, 50, math.inf])),
        )
        for i in range(count)
    ]
    # One common cause: +-1, some of it, or none of it, for each term.
    shared = np.array([draw(st.sampled_from([1.0, -1.0, 0.5, -0.9, 0.0])) for _ in terms])
    own = np.diag(1 - shared**2)
    common = draw(st.booleans())
    matrix = np.outer(shared, shared) + own if common else np.eye(count)
    return Budget(terms, [METRICS["eirp"]], matrix), rng


@settings(max_examples=80, deadline=None)
@given(budgets())
def test_what_holds_of_every_budget(case):
    budget, rng = case
    found = combine(budget, "eirp")
    v = found.contributions
    # GUM eq. 13 in matrices; what cancels leaves rounding of the largest sum.
    variance, scale = v @ budget.correlation @ v, np.sum(np.abs(v)) ** 2
    assert found.standard_uncertainty**2 == pytest.approx(variance, abs=RTOL * scale, rel=RTOL)
    nu = np.array([float(t.degrees_of_freedom) for t in budget.terms])[v != 0]
    dof = found.degrees_of_freedom
    # Never less certain than the least certain; without correlations never more than all
    # together (closed form: G.2b by Cauchy and Schwarz).
    assert dof >= nu.min(initial=np.inf) * (1 - RTOL)
    if np.array_equal(budget.correlation, np.eye(len(budget.terms))) and nu.size:
        assert dof <= nu.sum() * (1 + RTOL)
    assert np.isfinite(found.expanded)
    json.dumps(budget_dict(budget), allow_nan=False)
    # Sizes in another unit, terms in another order, and one more without influence, correlated
    # with the first.
    order = rng.permutation(len(budget.terms))
    others = [replace(budget.terms[i], size=8 * budget.terms[i].size) for i in order]
    n = len(others)
    matrix = np.zeros((n + 1, n + 1))
    matrix[:n, :n] = budget.correlation[np.ix_(order, order)]
    matrix[n, :n] = matrix[:n, n] = 0.9 * matrix[0, :n]
    matrix[n, n] = 1
    idle = Term("idle", 1.0, sensitivity={"eirp": 0.0}, degrees_of_freedom=1)
    again = combine(Budget([*others, idle], [METRICS["eirp"]], matrix), "eirp")
    assert again.standard_uncertainty == pytest.approx(
        8 * found.standard_uncertainty, rel=1e-6, abs=1e-6 * np.sqrt(scale)
    )
    if variance > 1e-3 * scale:
        assert again.degrees_of_freedom == pytest.approx(dof, rel=1e-9)


# --- second order --------------------------------------------------------------------------------


def nodes(name, u, count=12):
    """Points and weights that integrate polynomials over a distribution exactly."""
    if name == "normal":
        x, w = np.polynomial.hermite_e.hermegauss(count)
    elif name == "arcsine":
        x, w = np.polynomial.chebyshev.chebgauss(count)
        x = x * math.sqrt(2)
    else:
        x, w = np.polynomial.legendre.leggauss(count)
        x = x * math.sqrt(3)
        if name == "triangular":  # the sum of two equal rectangular ones
            x, w = np.add.outer(x, x).ravel() / math.sqrt(2), np.outer(w, w).ravel()
    return x * u, w / w.sum()


@pytest.mark.parametrize("first", DISTRIBUTIONS)
@pytest.mark.parametrize("second", ["normal", "arcsine"])
def test_squares_and_products_are_exact(first, second):
    # Quadrature of y = c x + e z + p x^2/2 + q x z over both distributions. The budget leaves
    # out nothing here, so mean and variance agree.
    c, e, p, q = 0.7, -0.2, 1.1, -1.3
    (x, wx), (z, wz) = nodes(first, 0.3), nodes(second, 0.4)
    x, z, w = x[:, None], z[None, :], np.outer(wx, wz)
    y = c * x + e * z + p * x**2 / 2 + q * x * z
    mean = np.sum(w * y)
    variance = np.sum(w * (y - mean) ** 2)
    terms = [
        Term(name, u * DISTRIBUTIONS[kind].divisor, "1", kind, {"eirp": slope})
        for name, u, kind, slope in (("x", 0.3, first, c), ("z", 0.4, second, e))
    ]
    bends = [Curvature("x", "x", {"eirp": p}), Curvature("z", "x", {"eirp": q})]
    found = combine(Budget(terms, curvatures=bends), "eirp")
    assert found.standard_uncertainty**2 == pytest.approx(variance, rel=RTOL)
    assert found.bias == pytest.approx(mean, rel=RTOL)


@pytest.mark.parametrize("kind", DISTRIBUTIONS)
def test_third_derivatives(kind):
    # y = c x + t g with g = x^3/6 or x z^2/2: variance c^2 u^2 + 2 c t cov(x, g) + t^2 var(g), by
    # quadrature; the second order is the term linear in t.
    c, t = 0.7, 0.5
    (x, wx), (z, wz) = nodes("normal", 0.3), nodes(kind, 0.4)
    x, z, w = x[:, None], z[None, :], np.outer(wx, wz)
    terms = [
        Term("x", 0.3, "1", sensitivity={"eirp": c}),
        Term("z", 0.4 * DISTRIBUTIONS[kind].divisor, "1", kind, {"eirp": 0}),
        Term("s", 0.4 * DISTRIBUTIONS[kind].divisor, "1", kind, {"eirp": c}),
    ]
    mixed = Budget(terms[:2], curvatures=[Curvature("x", "z", {}, {"eirp": t})])
    covariance = np.sum(w * x * x * z**2 / 2)
    expected = c**2 * 0.3**2 + 2 * c * t * covariance
    assert combine(mixed, "eirp").standard_uncertainty ** 2 == pytest.approx(expected, rel=RTOL)
    single = Budget(terms[2:], curvatures=[Curvature("s", "s", {}, {"eirp": t})])
    expected = c**2 * 0.4**2 + 2 * c * t * np.sum(wz * z[0] ** 4 / 6)
    assert combine(single, "eirp").standard_uncertainty ** 2 == pytest.approx(expected, rel=RTOL)


def test_the_note_as_it_is_printed(rng):
    # GUM 5.1.2 note (from memory), normal quantities: sum over all i and j of
    # [1/2 f_ij^2 + f_i f_ijj] u_i^2 u_j^2.
    n = 4
    u, f1 = rng.uniform(0.1, 0.3, n), rng.uniform(1, 2, n)
    f2, f3 = rng.normal(size=(n, n)), rng.normal(size=(n, n))
    f2 = f2 + f2.T
    terms = [Term(str(i), u[i], sensitivity={"eirp": f1[i]}) for i in range(n)]
    bends = [
        Curvature(str(i), str(j), {"eirp": f2[i, j]} if i <= j else {}, {"eirp": f3[i, j]})
        for i in range(n)
        for j in range(n)
    ]
    extra = sum(
        (f2[i, j] ** 2 / 2 + f1[i] * f3[i, j]) * u[i] ** 2 * u[j] ** 2
        for i in range(n)
        for j in range(n)
    )
    found = combine(Budget(terms, curvatures=bends), "eirp")
    assert found.standard_uncertainty**2 == pytest.approx(np.sum(f1**2 * u**2) + extra, rel=RTOL)
    assert found.second_order_share == pytest.approx(
        extra / found.standard_uncertainty**2, rel=RTOL
    )


def test_curvature_of_a_term_that_is_not_supplied():
    terms = [*terms_of([0.3]), Term("x")]
    bends = [Curvature("a", "x", {"eirp": 1.0}), Curvature("x", "a", {}, {"eirp": 1.0})]
    found = combine(Budget(terms, curvatures=bends), "eirp")
    assert found.second_order_share == 0
    assert found.missing == ("x",)


# --- what is missing -----------------------------------------------------------------------------


def test_missing_terms_are_named_and_left_out():
    terms = [*terms_of([3.0, 4.0]), Term("x"), Term("y", 5.0, sensitivity={"trp": 1.0})]
    budget = Budget(terms)
    found = combine(budget, "eirp")
    assert found.standard_uncertainty == pytest.approx(5, rel=RTOL)
    assert found.missing == ("x", "y")
    np.testing.assert_array_equal(np.isnan(found.shares), [False, False, True, True])
    assert combine(budget, "trp").missing == ("a", "b", "x")
    nothing = combine(budget, "gain")
    assert nothing.standard_uncertainty is None
    assert nothing.expanded is None
    assert nothing.decibels is None


def test_zero_is_supplied():
    found = combine(Budget(terms_of([0.0])), "eirp")
    assert found.standard_uncertainty == found.expanded == 0
    assert found.missing == ()
    assert found.decibels == (0, 0)


def test_terms_are_put_in_place():
    terms = [Term("x"), *terms_of([3.0, 4.0])]
    old = Budget(terms, correlation=correlations(terms, {("x", "b"): 0.5}))
    new = with_terms(old, [Term("z", 2.0, sensitivity={"eirp": 1.0}),
                           Term("x", 5.0, sensitivity={"eirp": 1.0})])  # fmt: skip
    assert new.names == ["x", "a", "b", "z"]
    assert combine(new, "eirp").missing == ()
    # Closed form: 5^2 + 3^2 + 4^2 + 2^2 + 2 x 0.5 x 5 x 4.
    assert combine(new, "eirp").standard_uncertainty ** 2 == pytest.approx(74, rel=RTOL)
    assert old.names == ["x", "a", "b"]
    for twice in ("z", "x"):
        with pytest.raises(ValueError, match=f"two terms are named '{twice}'"):
            with_terms(old, [Term(twice), Term(twice)])


# --- levels, and Monte Carlo ---------------------------------------------------------------------


def test_levels_have_asymmetric_intervals():
    # Three error signals at -40 dB, closed form: 0.01/sqrt 2 each.
    terms = [Term(str(i), 0.01, ERROR_SIGNAL, "arcsine", {"eirp": 1.0}) for i in range(3)]
    found = combine(Budget(terms), "eirp")
    u = coverage_factor(0.95) * 0.01 * math.sqrt(3 / 2)
    expected = (20 * math.log10(1 + u), -20 * math.log10(1 - u))
    assert found.decibels == pytest.approx(expected, rel=RTOL)
    even = combine(Budget(terms, scale="logarithm"), "eirp")
    assert even.decibels == pytest.approx((u * 20 / math.log(10),) * 2, rel=RTOL)
    assert combine(Budget(direct_one("pointing")), "pointing").decibels is None


def direct_one(metric):
    """One direct term of standard uncertainty 0.1."""
    return [direct_term("a", {metric: 0.1})]


@pytest.mark.parametrize("scale", SCALES)
def test_intervals_hold_what_draws_say(scale, rng):
    # JCGM 101: draws of a level whose normal errors are even in amplitude, power or decibels.
    # A transformed quantile is the quantile of the transformed: no approximation but sampling,
    # sqrt(p (1 - p)/K) over the density: 0.013 standard deviations at p = 0.025. Four times that.
    sizes, count = [0.06, 0.08], 40_000
    e = rng.normal(size=(count, 2)) @ sizes
    level = {
        "amplitude": lambda: 20 * np.log10(np.abs(1 + e)),
        "power": lambda: 10 * np.log10(np.abs(1 + 2 * e)),
        "logarithm": lambda: 20 / math.log(10) * e,
    }[scale]()
    drawn = summarise_draws(level)
    z = coverage_factor(0.95)
    density = math.exp(-(z**2) / 2) / math.sqrt(2 * math.pi)
    wrong = math.sqrt(0.025 * 0.975 / count) / density * 0.1  # of the amplitude
    for other in SCALES:
        plus, minus = combine(Budget(terms_of(sizes), scale=other), "eirp").decibels
        # Slope of the level at the upper and lower end [dB over relative amplitude].
        ends = z * 0.1 * np.array([1, -1])
        slope = {"amplitude": 1 / (1 + ends), "power": 1 / (1 + 2 * ends), "logarithm": [1, 1]}
        up, down = 4 * wrong * np.array(slope[scale]) / DECIBEL
        agrees = abs(plus - drawn.high) < up and abs(minus + drawn.low) < down
        assert agrees == (other == scale)


# --- budgets that are refused --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("pairs", "message"),
    [
        ({("a", "b"): 1.2}, r"correlation of 'a' and 'b' is 1\.2, expected from -1 to 1"),
        ({("a", "x"): 0.2}, "correlation: there is no term 'x'"),
        ({("long term", "long tern"): 0.2}, "no term 'long tern': did you mean 'long term'?"),
        (
            {("a", "b"): 0.2, ("b", "a"): 0.3},
            r"correlation of 'b' and 'a' is 0\.2 and 0\.3: keep one",
        ),
        ({("a", "a"): 0.5}, r"correlation of 'a' and 'a' is 1 and 0\.5: keep one"),
        (
            {("a", "b"): 0.9, ("b", "c"): 0.9, ("a", "c"): -0.9},
            r"correlations of 'a', 'b', 'c' contradict each other \(.* variance -0\.8\): change",
        ),
        ({("a", "b"): math.nan}, "correlation of 'a' and 'b' is nan, expected from -1 to 1"),
    ],
)
def test_correlations_that_are_refused(pairs, message):
    terms = [*terms_of([1.0] * 4), Term("long term")]
    with pytest.raises(ValueError, match=message) as caught:
        Budget(terms, correlation=correlations(terms, pairs))
    assert "\n" not in str(caught.value)
    assert "'d'" not in str(caught.value)


@pytest.mark.parametrize(
    ("matrix", "message"),
    [
        (np.eye(3), r"shape \(3, 3\), expected \(2, 2\), one row for each term"),
        ([1.0, 2.0], "has 1 dimensions, expected 2"),
        ([[1, 0.5], [0.4, 1]], r"of 'a' and 'b' is 0\.5 and 0\.4: keep one of them"),
        ([[1, 0], [0, 0.5]], r"correlation of 'b' with itself is 0\.5, expected 1"),
        ([[1, np.nan], [np.nan, 1]], r"correlation is nan at index \(0, 1\), expected finite"),
        ([[1, -1.5], [-1.5, 1]], r"of 'a' and 'b' is -1\.5, expected from -1 to 1"),
    ],
)
def test_matrices_that_are_refused(matrix, message):
    with pytest.raises(ValueError, match=message):
        Budget(terms_of([1.0, 1.0]), correlation=matrix)


def test_correlations_that_a_program_computed_are_taken(rng):
    # Off by rounding on the diagonal and from side to side.
    matrix = np.corrcoef(rng.normal(size=(4, 9)))
    matrix[0, 1] *= 1 + 2.0**-52
    matrix[2, 2] = 1 - 2.0**-52
    found = Budget(terms_of([1.0] * 4), correlation=matrix).correlation
    np.testing.assert_array_equal(found, found.T)
    np.testing.assert_array_equal(np.diag(found), 1)
    np.testing.assert_allclose(found, matrix, rtol=0, atol=RTOL)


def test_correlations_at_the_edge_are_taken():
    terms = terms_of([1.0] * 20)
    ones = Budget(terms, correlation=np.ones((20, 20)))
    assert combine(ones, "eirp").standard_uncertainty == pytest.approx(20, rel=RTOL)
    # Three that sum to nothing: -1/2 each, closed form.
    three = Budget(terms[:3], correlation=1.5 * np.eye(3) - 0.5)
    assert combine(three, "eirp").standard_uncertainty == 0
    with pytest.raises(ValueError, match="contradict each other"):
        Budget(terms[:3], correlation=1.501 * np.eye(3) - 0.501)


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ({"terms": []}, "the budget has no term: give at least one"),
        ({"metrics": []}, "the budget has no metric: give at least one"),
        ({"terms": [Term("a"), Term("a")]}, "two terms are named 'a': name each once"),
        ({"metrics": [METRICS["eirp"]] * 2}, "two metrics are named 'eirp': name each once"),
        ({"confidence": 95}, r"level of confidence is 95, expected at least 0\.5 and below 1"),
        ({"confidence": math.nan}, "level of confidence is nan"),
        ({"scale": "volts"}, "scale is 'volts', expected one of amplitude, power, logarithm"),
        (
            {"terms": [Term("a", 1, sensitivity={"erip": 1})]},
            "metric 'erip' of 'a' is not one of the budget .*did you mean 'eirp'?",
        ),
        ({"terms": [Term("a", bias={"x": 1})]}, "metric 'x' of 'a' is not one of the budget"),
        (
            {"curvatures": [Curvature("a", "beta", {"eirp": 1})]},
            "curvature: there is no term 'beta'",
        ),
        ({"curvatures": [Curvature("a", "b", {"x": 1})]}, "metric 'x' of the curvature of 'a' and"),
        ({"curvatures": [Curvature("a", "b", {}, {"x": 1})]}, "metric 'x' of the curvature"),
        (
            {"curvatures": [Curvature("a", "b", {"trp": 1})]},
            "sensitivity of trp to 'a' is not supplied, but a curvature is: give it, 0 if",
        ),
        (
            {"curvatures": [Curvature("a", "b", {"eirp": 1}), Curvature("b", "a", {"eirp": 1})]},
            "second derivative of eirp by 'b' and 'a' is there twice: keep one",
        ),
        (
            {"curvatures": [Curvature("c", "a", {"eirp": 1})], "correlation": [
                [1, 0.5, 0], [0.5, 1, 0], [0, 0, 1]]},
            "'c' and 'a' have a curvature, and one of them correlates: leave out either",
        ),
    ],
)  # fmt: skip
def test_budgets_that_are_refused(keys, message):
    with pytest.raises(ValueError, match=message):
        Budget(**{"terms": terms_of([1.0, 1.0, 1.0]), **keys})


def test_curvatures_that_are_refused():
    with pytest.raises(ValueError, match="second derivative of eirp by 'a' and 'b' is nan, expect"):
        Curvature("a", "b", {"eirp": math.nan})
    with pytest.raises(ValueError, match="third derivative of eirp by 'a' and 'b' is inf, expect"):
        Curvature("a", "b", {}, {"eirp": math.inf})
    # 1 - 3 at u = 1: the series does not hold.
    steep = Budget(terms_of([1.0]), curvatures=[Curvature("a", "a", {}, {"eirp": -3.0})])
    with pytest.raises(
        ValueError, match=r"leave the variance -2 of eirp: .* use Monte Carlo draws"
    ):
        combine(steep, "eirp")


def test_a_metric_that_the_budget_is_not_for():
    budget = Budget(terms_of([1.0]), [METRICS["eirp"]])
    with pytest.raises(ValueError, match=r"'trp' is not one of the budget \(eirp\)"):
        combine(budget, "trp")


# --- tables --------------------------------------------------------------------------------------


def shown_budget():
    """A budget of every kind of term; invented values."""
    terms = [
        Term("leakage", 0.01, ERROR_SIGNAL, "arcsine", {"eirp": 1.0, "pointing": 0.0}),
        Term("theta axis", 1e-3, "rad", "rectangular", {"eirp": 2.0, "pointing": 1.0}),
        Term("distance", 1e-3, "m", sensitivity={"eirp": 3.0}, degrees_of_freedom=9),
        direct_term("gain", {"eirp": 2 * DECIBEL}, coverage_factor=2, degrees_of_freedom=5,
                    bias={"eirp": 0.1}, note="certificate"),
        Term("scattering", sensitivity={"eirp": 1.0}),
        Term("warmth", 2.0, "K", sensitivity={"eirp": 0.0, "pointing": 0.0}),
    ]  # fmt: skip
    matrix = correlations(terms, {("leakage", "gain"): 0.25})
    return Budget(terms, [METRICS["eirp"], METRICS["pointing"]], matrix)


def test_rows_of_a_level():
    # Sizes by hand: arcsine at -40 dB, 0.0057 of 0.01 in deg and so on; u = 8.686 times relative
    # amplitude: 0.0614, 0.01, 0.0261, 1. Variance (dB^2) 0.00377 + 0.0001 + 0.00068 + 1 and
    # 2 x 0.25 x 0.0614 = 0.0307, half of it to each.
    rows = budget_rows(shown_budget(), "eirp")
    assert rows[0] == tuple(name.format("dB") for name in HEADER)
    total = 0.00377 + 0.0001 + 0.00068 + 1 + 0.0307
    shares = [f"{100 * x / total:.1f}" for x in (0.00377 + 0.01535, 0.0001, 0.00068, 1.01535)]
    assert rows[1:] == [
        ("leakage", "B", "arcsine", "-40 dB", "1.41", "1", "0.0614", shares[0], "infinite"),
        ("theta axis", "B", "rectangular", "0.0573 deg", "1.73", "0.303 dB/deg", "0.01", shares[1],
         "infinite"),
        ("distance", "B", "normal", "1 mm", "1", "0.0261 dB/mm", "0.0261", shares[2], "9"),
        ("gain", "B", "normal", "2 dB", "2", "1", "1", shares[3], "5"),
        ("scattering", "B", "normal", NOT_SUPPLIED, "", "1", NOT_SUPPLIED, "", ""),
        ("warmth", "B", "normal", "2 K", "1", "0 dB/K", "0", "0.0", "infinite"),
    ]  # fmt: skip


def test_rows_of_an_angle():
    rows = budget_rows(shown_budget(), "pointing")
    assert rows[0][6] == "u [deg]"
    assert rows[2][3:8] == ("0.0573 deg", "1.73", "1", "0.0331", "100.0")
    assert rows[3][5:8] == (NOT_SUPPLIED, NOT_SUPPLIED, "")
    assert rows[4][3:8] == (NOT_SUPPLIED, "", "", NOT_SUPPLIED, "")


def test_a_row_for_the_second_order():
    budget, bends = end_gauge()
    assert budget_rows(budget, "length")[-1][0] == "difference of temperature"
    rows = budget_rows(replace(budget, curvatures=bends), "length")
    assert rows[-1][0] == "second order"
    # 1 - 32^2/34^2, from the published figures rounded to two digits: within 0.06.
    assert float(rows[-1][7]) == pytest.approx(100 * (1 - 32**2 / 34**2), abs=6)
    assert rows[5][5] == "0 nm/(1/K)"
    assert NOT_SUPPLIED not in "".join(budget_lines(budget))


def test_lines_say_what_was_found_and_what_was_not():
    lines = budget_lines(shown_budget())
    text = "\n".join(lines)
    found = combine(shown_budget(), "eirp")
    plus, minus = found.decibels
    assert lines[0] == "peak EIRP"
    assert f"combined standard uncertainty {found.standard_uncertainty / DECIBEL:.3g} dB" in lines
    assert f"effective degrees of freedom {found.degrees_of_freedom:.3g}" in lines
    assert f"coverage factor {found.coverage_factor:.3g} for 95 %" in lines
    assert f"expanded uncertainty +{plus:.3g}/-{minus:.3g} dB (equal sides in amplitude)" in lines
    # 20 log10(1.1), closed form.
    assert "known bias 0.828 dB, not part of the uncertainty: correct the result for it" in lines
    assert "not supplied and so not part of this, 1 of 6 terms: scattering" in lines
    # 1.96 x 0.0573 deg / sqrt 3, closed form.
    assert "expanded uncertainty 0.0648 deg" in lines
    assert "effective degrees of freedom infinite" in lines
    assert "not supplied and so not part of this, 3 of 6 terms: distance, gain, scattering" in text
    assert lines[-1] == "correlated: 'leakage' and 'gain' (0.25)"
    assert not any(line != line.rstrip() for line in lines)


def test_lines_of_a_budget_without_values():
    lines = budget_lines(Budget([Term("a")], [METRICS["eirp"]]))
    assert lines[-1] == "combined: not supplied, as no term is"
    assert not any("uncertainty" in line or "0.0" in line for line in lines)


def test_a_bias_and_an_interval_beyond_zero_power():
    budget = Budget([Term("a", 1.0, sensitivity={"eirp": 1.0}, bias={"eirp": -1.0}),
                     Term("silence", 0.0, ERROR_SIGNAL, "arcsine", {"eirp": 1.0})])  # fmt: skip
    text = "\n".join(budget_lines(budget))
    assert "known bias beyond zero power" in text
    # 20 log10(1 + 1.96), closed form.
    assert "expanded uncertainty +9.43/-infinite dB" in text
    assert budget_rows(budget, "eirp")[2][3] == "none"
    found = budget_dict(budget)["metrics"][2]
    assert found["name"] == "eirp"
    assert found["bias_db"] is found["expanded_minus_db"] is None
    assert found["expanded_plus_db"] == pytest.approx(20 * math.log10(1 + coverage_factor(0.95)))


def test_the_dictionary_is_json():
    budget = shown_budget()
    found = json.loads(json.dumps(budget_dict(budget), allow_nan=False))
    assert (found["confidence"], found["scale"]) == (0.95, "amplitude")
    assert found["correlations"] == [{"terms": ["leakage", "gain"], "coefficient": 0.25}]
    level, angle = found["metrics"]
    combined = combine(budget, "eirp")
    assert level["unit"] == "dB"
    assert level["supplied"]
    assert level["standard_uncertainty_db"] == pytest.approx(
        combined.standard_uncertainty / DECIBEL, rel=RTOL
    )
    assert (level["expanded_plus_db"], level["expanded_minus_db"]) == combined.decibels
    assert level["coverage_factor"] == combined.coverage_factor
    assert level["degrees_of_freedom"] == combined.degrees_of_freedom
    assert level["bias_db"] == pytest.approx(20 * math.log10(1.1), rel=RTOL)
    assert level["not_supplied"] == ["scattering"]
    assert sum(t["share"] or 0 for t in level["terms"]) == pytest.approx(1, rel=RTOL)
    by_name = {t["name"]: t for t in level["terms"]}
    assert by_name["gain"]["note"] == "certificate"
    assert by_name["gain"]["standard_uncertainty_db"] == pytest.approx(1, rel=RTOL)
    assert not by_name["scattering"]["supplied"]
    assert by_name["scattering"]["standard_uncertainty_db"] is None
    assert by_name["scattering"]["share"] is None
    assert by_name["leakage"]["degrees_of_freedom"] is None
    assert angle["degrees_of_freedom"] is None
    assert angle["expanded_plus_deg"] == angle["expanded_minus_deg"]
    expected = coverage_factor(0.95) * 1e-3 / math.sqrt(3) * 180 / np.pi
    assert angle["expanded_plus_deg"] == pytest.approx(expected, rel=RTOL)
    empty = budget_dict(Budget([Term("a")], [LENGTH]))["metrics"][0]
    assert not empty["supplied"]
    assert empty["standard_uncertainty"] is empty["coverage_factor"] is None
    assert empty["expanded_plus"] is empty["expanded_minus"] is None
