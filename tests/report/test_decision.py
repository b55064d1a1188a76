"""Statements of conformity against the rule itself, and in all the ways in which something lacks."""

import math

import pytest

from nf2ff.report.decision import decide


# The rule, by hand: at most 10 with a guard band of 1 is kept up to 9, broken from above 11.
@pytest.mark.parametrize(
    ("value", "verdict"),
    [
        (8.9, "conforms"),
        (9.0, "conforms"),
        (9.1, "undecided"),
        (11.0, "undecided"),
        (11.1, "does not conform"),
    ],
)
@pytest.mark.parametrize("sign", [1, -1])
def test_guard_band_on_either_side(value, verdict, sign):
    found = decide(sign * value, sign * 10.0, upper=sign > 0, guard=1.0)
    assert (found.verdict, found.acceptance) == (verdict, sign * 9.0)


def test_simple_acceptance_leaves_nothing_open():
    assert decide(10.0, 10.0, upper=True, guard=0.0).verdict == "conforms"
    assert decide(10.001, 10.0, upper=True, guard=0.0).verdict == "does not conform"
    assert decide(9.999, 10.0, upper=False, guard=0.0).verdict == "does not conform"


@pytest.mark.parametrize(
    ("value", "guard"), [(None, 1.0), (math.nan, 1.0), (5.0, None), (5.0, math.nan), (5.0, math.inf)]
)
def test_nothing_is_decided_of_what_is_not_known(value, guard):
    assert decide(value, 10.0, upper=True, guard=guard).verdict == "not decided"


def test_an_infinite_figure_is_beyond_any_limit():
    assert decide(math.inf, 10.0, upper=False, guard=1.0).verdict == "conforms"
    assert decide(math.inf, 10.0, upper=True, guard=1.0).verdict == "does not conform"
