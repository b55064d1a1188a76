"""What a budget lacks is said, and budgets that are wrong are refused."""

import math

import numpy as np
import pytest
from budget_cases import RTOL, terms_of

from nf2ff.uncertainty.budget.budget import Budget, Curvature, correlations, with_terms
from nf2ff.uncertainty.budget.budget_term import Term
from nf2ff.uncertainty.budget.combine import combine
from nf2ff.uncertainty.budget.metric import METRICS

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
    new = with_terms(
        old, [Term("z", 2.0, sensitivity={"eirp": 1.0}), Term("x", 5.0, sensitivity={"eirp": 1.0})]
    )
    assert new.names == ["x", "a", "b", "z"]
    assert combine(new, "eirp").missing == ()
    # Closed form: 5^2 + 3^2 + 4^2 + 2^2 + 2 x 0.5 x 5 x 4.
    assert combine(new, "eirp").standard_uncertainty ** 2 == pytest.approx(74, rel=RTOL)
    assert old.names == ["x", "a", "b"]
    for twice in ("z", "x"):
        with pytest.raises(ValueError, match=f"two terms are named '{twice}'"):
            with_terms(old, [Term(twice), Term(twice)])


# --- budgets that are refused --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("pairs", "message"),
    [
        ({("a", "b"): 1.2}, r"correlation of 'a' and 'b' is 1\.2, expected from -1 to 1"),
        ({("a", "x"): 0.2}, "correlation: there is no term 'x'"),
        ({("long term", "long tern"): 0.2}, "no term 'long tern': did you mean 'long term'?"),
        ({("a", "b"): 0.2, ("b", "a"): 0.3}, r"correlation of 'b' and 'a' is 0\.2 and 0\.3: keep one"),
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
        ({"curvatures": [Curvature("a", "beta", {"eirp": 1})]}, "curvature: there is no term 'beta'"),
        ({"curvatures": [Curvature("a", "b", {"x": 1})]}, "metric 'x' of the curvature of 'a' and"),
        ({"curvatures": [Curvature("a", "b", {}, {"x": 1})]}, "metric 'x' of the curvature"),
        (
            {"curvatures": [Curvature("a", "b", {"trp": 1})]},
            "sensitivity of trp to 'a' is not supplied, but a curvature is: give it, 0 if",
        ),
        (
            {"curvatures": [Curvature("a", "b", {"eirp": 1}), Curvature("b", "a", {"eirp": 1})]},
            "second derivative of eirp by 'b' and 'a' is given twice: keep one",
        ),
        (
            {
                "curvatures": [Curvature("c", "a", {"eirp": 1})],
                "correlation": [[1, 0.5, 0], [0.5, 1, 0], [0, 0, 1]],
            },
            "'c' and 'a' have a curvature, and one of them correlates: leave out one",
        ),
    ],
)
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
    with pytest.raises(ValueError, match=r"leave the variance -2 of eirp: .* use Monte Carlo draws"):
        combine(steep, "eirp")


def test_a_metric_that_the_budget_is_not_for():
    budget = Budget(terms_of([1.0]), [METRICS["eirp"]])
    with pytest.raises(ValueError, match=r"'trp' is not one of the budget \(eirp\)"):
        combine(budget, "trp")
