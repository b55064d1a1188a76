"""Uncertainty budgets: the GUM's own examples, closed forms, and budgets that are refused."""

import json
import math
from dataclasses import replace

import mpmath
import numpy as np
import pytest
import scipy.stats
from budget_cases import RTOL, end_gauge, terms_of
from hypothesis import given, settings
from hypothesis import strategies as st

from nf2ff.report.budget import budget_dict
from nf2ff.uncertainty.budget.budget import Budget, Curvature, correlations
from nf2ff.uncertainty.budget.budget_term import (
    DISTRIBUTIONS,
    ERROR_SIGNAL,
    Term,
    direct_term,
    summarise_draws,
)
from nf2ff.uncertainty.budget.combine import combine, coverage_factor
from nf2ff.uncertainty.budget.metric import DECIBEL, METRICS, SCALES, Metric

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
    np.testing.assert_allclose([r[0, 1], r[0, 2], r[1, 2]], [-0.36, 0.86, -0.65], rtol=0, atol=0.005)
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
        [one.standard_uncertainty for one in found], each.std(axis=1, ddof=1) / math.sqrt(5), rtol=5e-3
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
        np.testing.assert_allclose(found.shares, np.array([3 * (3 + 4 * r), 4 * (4 + 3 * r)]) / u**2)
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
    variance += 2 * sum(c[i] * c[j] * u[i] * u[j] * r[i, j] for i in range(n - 1) for j in range(i + 1, n))
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
    mixed = [
        replace(t, degrees_of_freedom=nu)
        for t, nu in zip(terms_of([1.0, 2.0, 3.0]), (4, 9, math.inf), strict=True)
    ]
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
            Term(names[i], scaled[i], "1", sensitivity={"eirp": slopes[i]}, degrees_of_freedom=nu[i])
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


# --- second order --------------------------------------------------------------------------------


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
        (f2[i, j] ** 2 / 2 + f1[i] * f3[i, j]) * u[i] ** 2 * u[j] ** 2 for i in range(n) for j in range(n)
    )
    found = combine(Budget(terms, curvatures=bends), "eirp")
    assert found.standard_uncertainty**2 == pytest.approx(np.sum(f1**2 * u**2) + extra, rel=RTOL)
    assert found.second_order_share == pytest.approx(extra / found.standard_uncertainty**2, rel=RTOL)


def test_curvature_of_a_term_that_is_not_supplied():
    terms = [*terms_of([0.3]), Term("x")]
    bends = [Curvature("a", "x", {"eirp": 1.0}), Curvature("x", "a", {}, {"eirp": 1.0})]
    found = combine(Budget(terms, curvatures=bends), "eirp")
    assert found.second_order_share == 0
    assert found.missing == ("x",)


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
