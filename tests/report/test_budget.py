"""Budgets as tables and as JSON."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from budget_cases import LENGTH, RTOL, end_gauge

from nf2ff.report.budget import BUDGET_HEADER, NOT_SUPPLIED, budget_dict, budget_lines, budget_rows
from nf2ff.uncertainty.budget.budget import Budget, correlations
from nf2ff.uncertainty.budget.budget_term import ERROR_SIGNAL, Term, direct_term
from nf2ff.uncertainty.budget.combine import combine, coverage_factor
from nf2ff.uncertainty.budget.metric import DECIBEL, METRICS


def shown_budget():
    """A budget of every kind of term; invented values."""
    terms = [
        Term("leakage", 0.01, ERROR_SIGNAL, "arcsine", {"eirp": 1.0, "pointing": 0.0}),
        Term("theta axis", 1e-3, "rad", "rectangular", {"eirp": 2.0, "pointing": 1.0}),
        Term("distance", 1e-3, "m", sensitivity={"eirp": 3.0}, degrees_of_freedom=9),
        direct_term(
            "gain",
            {"eirp": 2 * DECIBEL},
            coverage_factor=2,
            degrees_of_freedom=5,
            bias={"eirp": 0.1},
            note="certificate",
        ),
        Term("scattering", sensitivity={"eirp": 1.0}),
        Term("warmth", 2.0, "K", sensitivity={"eirp": 0.0, "pointing": 0.0}),
    ]
    matrix = correlations(terms, {("leakage", "gain"): 0.25})
    return Budget(terms, [METRICS["eirp"], METRICS["pointing"]], matrix)


def test_rows_of_a_level():
    # Sizes by hand: arcsine at -40 dB, 0.0057 of 0.01 in deg and so on; u = 8.686 times relative
    # amplitude: 0.0614, 0.01, 0.0261, 1. Variance (dB^2) 0.00377 + 0.0001 + 0.00068 + 1 and
    # 2 x 0.25 x 0.0614 = 0.0307, half of it to each.
    rows = budget_rows(shown_budget(), "eirp")
    assert rows[0] == tuple(name.format("dB") for name in BUDGET_HEADER)
    total = 0.00377 + 0.0001 + 0.00068 + 1 + 0.0307
    shares = [f"{100 * x / total:.1f}" for x in (0.00377 + 0.01535, 0.0001, 0.00068, 1.01535)]
    assert rows[1:] == [
        ("leakage", "B", "arcsine", "-40 dB", "1.41", "1", "0.0614", shares[0], "infinite"),
        (
            "theta axis",
            "B",
            "rectangular",
            "0.0573 deg",
            "1.73",
            "0.303 dB/deg",
            "0.01",
            shares[1],
            "infinite",
        ),
        ("distance", "B", "normal", "1 mm", "1", "0.0261 dB/mm", "0.0261", shares[2], "9"),
        ("gain", "B", "normal", "2 dB", "2", "1", "1", shares[3], "5"),
        ("scattering", "B", "normal", NOT_SUPPLIED, "", "1", NOT_SUPPLIED, "", ""),
        ("warmth", "B", "normal", "2 K", "1", "0 dB/K", "0", "0.0", "infinite"),
    ]


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
    budget = Budget(
        [
            Term("a", 1.0, sensitivity={"eirp": 1.0}, bias={"eirp": -1.0}),
            Term("silence", 0.0, ERROR_SIGNAL, "arcsine", {"eirp": 1.0}),
        ]
    )
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
