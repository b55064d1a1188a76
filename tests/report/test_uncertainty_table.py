"""Uncertainty as text and for JSON: every number in its unit, nothing left unsaid."""

import math

import numpy as np
import pytest
from patterns import modes_of

from nf2ff.antenna.modes import Modes
from nf2ff.metrics.beam import peak
from nf2ff.report.numbers import decimals_of
from nf2ff.report.uncertainty import (
    uncertainty_dict,
    uncertainty_facts,
    uncertainty_lines,
    uncertainty_warnings,
)
from nf2ff.uncertainty.budget.budget import Budget, correlations
from nf2ff.uncertainty.budget.budget_term import Term, direct_term
from nf2ff.uncertainty.budget.metric import METRICS
from nf2ff.uncertainty.level_interval import level_interval
from nf2ff.uncertainty.result import DrawComparison, MetricResult, Uncertainty

#: Decibels of relative amplitude, to first order (closed form).
DB = 20 / math.log(10)
#: A z-dipole's modes turned by nothing: its ridge is the equator, its peak there.
MODES = modes_of({(2, 0, 1): -1})
TERMS = (
    direct_term("cable", {"eirp": 0.02, "beamwidth": math.radians(2)}, bias={"eirp": -0.01}),
    Term("room"),
)
NAMES = ("eirp", "pointing", "beamwidth", "sidelobe_level", "gain", "directivity")


def made(compared=None, draws=None, terms=TERMS, **more):
    budget = Budget(terms, [METRICS[m] for m in NAMES])
    values = {
        "eirp": ("power", 2.0),
        "pointing": ("direction", 0.0),
        "gain": ("unknown", np.nan),
        "beamwidth": ("angle", math.radians(30)),
        "sidelobe_level": ("ratio", 0.01),
        "directivity": ("directivity", 0.0),
    }
    results = {
        m: MetricResult(values[m][0], [values[m][1]], (draws or {}).get(m), (compared or {}).get(m))
        for m in NAMES
    }
    return Uncertainty(MODES, (budget,), results, **more)


def compared(first, drawn, used=101, shift=0.0):
    return DrawComparison([first], [drawn], [shift], [used], [0.0])


def cells(lines, start):
    return next(x for x in lines if x.startswith(start)).removeprefix(start).split()


def test_values_are_in_their_units():
    lines = uncertainty_lines(made())
    assert lines[0] == "1 GHz"
    # 2 W are 33.0103 dBm, +-0.34 dB; 0.01 is -20 dB, of which nothing is known; closed forms.
    assert cells(lines, "peak EIRP")[:2] == ["33.01", "dBm"]
    assert cells(lines, "sidelobe level")[:2] == ["-20.0000", "dB"]
    assert cells(lines, "beamwidth")[:2] == ["30.0", "deg"]
    assert cells(lines, "peak gain")[:1] == ["unknown"]
    assert cells(lines, "peak directivity")[:1] == ["none"]
    theta, phi = cells(lines, "pointing")[1:4:2]
    assert (float(theta.rstrip(",")), float(phi)) == (pytest.approx(90), 0)
    (fact,) = uncertainty_dict(made())
    found = {x["name"]: x for x in fact["metrics"]}
    assert found["eirp"]["value_dbm"] == pytest.approx(10 * math.log10(2000), rel=1e-15)
    assert found["sidelobe_level"]["value_db"] == pytest.approx(-20, rel=1e-15)
    assert found["beamwidth"]["value_deg"] == pytest.approx(30, rel=1e-15)
    assert found["directivity"]["value_dbi"] is None
    assert found["gain"]["value_dbi"] is None
    assert found["pointing"]["theta_deg"] == pytest.approx(90)
    assert found["pointing"]["phi_deg"] == pytest.approx(0)
    assert (fact["frequency_hz"], fact["degree"], fact["draws_made"]) == (1e9, 1, 0)


@pytest.mark.parametrize(
    ("uncertainty", "decimals"),
    [(0.0996, 2), (0.0994, 3), (0.1, 2), (1.0, 1), (9.96, 0), (12, 0), (345, 0), (2e-5, 6), (0, 4)],
)
def test_decimals_show_two_digits_of_the_uncertainty(uncertainty, decimals):
    assert decimals_of(uncertainty) == decimals


def test_each_peak_is_searched_once(monkeypatch):
    # Of 101 frequencies not 101 times 101: the search takes long.
    searched = []

    def counted(modes):
        searched.extend(modes.frequency)
        return peak(modes)

    monkeypatch.setattr("nf2ff.report.uncertainty.peak", counted)
    one, count = made(), 5
    modes = Modes(1e9 * np.arange(1, count + 1), np.tile(MODES.coefficients, (count, 1)))
    results = {m: MetricResult(x.quantity, np.tile(x.value, count)) for m, x in one.results.items()}
    many = Uncertainty(modes, one.budgets * count, results)
    for show in (uncertainty_lines, uncertainty_dict, uncertainty_facts):
        searched.clear()
        show(many)
        assert sorted(searched) == modes.frequency.tolist(), show.__name__


def test_facts_in_a_few_words():
    facts = uncertainty_facts(made(made=7))
    assert (facts["confidence"], facts["draws"], facts["terms"]) == (0.95, 7, 2)
    # 1.96 x 2 deg: to two digits, the value to the same place; of the room nothing is known.
    assert facts["beamwidth"] == ["30.0 deg, 3.9 deg, incomplete"]
    assert facts["sidelobe_level"] == ["-20.0000 dB, not supplied"]
    assert facts["pointing"] == ["theta 90.0000, phi 0.0000 deg, not supplied"]
    assert list(facts)[4:] == list(NAMES)


def test_uncertainties_biases_and_what_is_missing():
    lines = uncertainty_lines(made())
    # 0.02 x 1.96 as amplitude: 20 log10(1 +- 0.0392) dB; 2 deg x 1.96.
    u = 0.02 * 1.959963984540054
    expected = f"+{20 * math.log10(1 + u):.2g}/-{-20 * math.log10(1 - u):.2g}"
    assert cells(lines, "peak EIRP")[2:6] == [expected, "dB", "1.96", "infinite"]
    assert cells(lines, "beamwidth")[2:4] == ["3.9", "deg"]
    # About the value less its bias: 2 W, of which 1 - 0.99^2 is missing; equal sides in amplitude.
    less = 2 * (2 - 0.99**2)
    ends = [10 * math.log10(1e3 * (math.sqrt(less) + s * u * math.sqrt(2)) ** 2) for s in (-1, 1)]
    assert cells(lines, "peak EIRP")[6:] == [
        *(f"{ends[0]:.2f}", "to", f"{ends[1]:.2f}", "dBm,"),
        "incomplete",
    ]
    assert cells(lines, "beamwidth")[6:] == ["26.1", "to", "33.9", "deg,", "incomplete"]  # 30 +- 2 x 1.96
    (fact,) = uncertainty_dict(made())
    eirp, width, lobe = (
        next(x for x in fact["metrics"] if x["name"] == n) for n in ("eirp", "beamwidth", "sidelobe_level")
    )
    assert eirp["corrected_dbm"] == pytest.approx(10 * math.log10(1e3 * less), rel=1e-14)
    assert eirp["interval_low_dbm"] == pytest.approx(ends[0], rel=1e-14)
    assert eirp["interval_high_dbm"] == pytest.approx(ends[1], rel=1e-14)
    assert width["interval_high_deg"] == pytest.approx(30 + 2 * 1.959963984540054, rel=1e-14)
    assert lobe["interval_low_db"] is None  # no term is supplied
    assert cells(lines, "sidelobe level")[2:] == ["not", "supplied"]
    first, second = (i for i, x in enumerate(lines) if x.startswith("term"))
    assert lines[first].split() == [
        "term",
        "eirp",
        "[dB]",
        "pointing",
        "[deg]",
        "beamwidth",
        "[deg]",
        "sidelobe_level",
        "[dB]",
    ]
    assert lines[second].split() == ["term", "gain", "[dB]", "directivity", "[dB]"]
    assert lines[first + 1].split() == ["cable", f"{0.02 * DB:.3g}", "-", "2", "-"]
    assert lines[first + 3].split() == ["combined", f"{0.02 * DB:.3g}", "-", "2", "-"]
    assert "not supplied, and so not part of it: room" in lines
    assert "not supplied for sidelobe level: cable" in lines
    assert not [x for x in lines if x.startswith("not supplied for peak EIRP")]
    # 20 log10(0.99) dB.
    said = f"known bias of peak EIRP: {20 * math.log10(0.99):.3g} dB, not part of the uncertainty"
    (line,) = (x for x in lines if x.startswith(said))
    assert f": less it, the value is {10 * math.log10(1e3 * less):.2f} dBm, about which " in line
    assert not [x for x in lines if x.startswith("correlated")]


def test_terms_that_err_together_are_named():
    one = made()
    pairs = correlations(TERMS, {("room", "cable"): -0.25})
    budget = Budget(TERMS, [METRICS[m] for m in NAMES], pairs)
    found = Uncertainty(MODES, (budget,), one.results)
    assert "correlated: 'cable' and 'room' (-0.25)" in uncertainty_lines(found)


@pytest.mark.parametrize(("size", "named"), [(0.09, False), (0.11, True)])
def test_a_bias_is_named_from_a_tenth_of_the_uncertainty_on(size, named):
    terms = (direct_term("a", {"beamwidth": 0.1}, bias={"beamwidth": 0.1 * size}),)
    lines = uncertainty_lines(made(terms=terms))
    said = [x for x in lines if x.startswith("known bias of beamwidth: ")]
    assert bool(said) == named
    if named:
        assert f": {math.degrees(0.011):.3g} deg, " in said[0]
    gone = (direct_term("a", {"eirp": 0.1}, bias={"eirp": -1.0}),)
    assert [x for x in uncertainty_lines(made(terms=gone)) if "EIRP: down to zero power" in x]


def in_a_direction(level, variance):
    """A pattern at a direction of that level, each of the four parts of the field erring alike."""
    budget = Budget((direct_term("noise", {"pattern": 0.1}),), [METRICS["pattern"]])
    field = np.array([[math.sqrt(level), 0, 0, 0]])
    covariance = variance * np.eye(4)[None]
    result = MetricResult("directivity", [level], field=field, field_covariance=covariance)
    return Uncertainty(MODES, (budget,), {"pattern": result})


def test_a_level_in_a_null_has_an_upper_limit_only():
    # Closed form: 4 parts of variance 1 make 4 on average, more than 11.1 in 2.5 %
    # (`test_level_interval` holds the interval itself).
    found = in_a_direction(4.0, 1.0)
    low, high = level_interval([2.0, 0, 0, 0], np.eye(4))
    lines = uncertainty_lines(found)
    shown = cells(lines, "pattern at a direction")
    up = 10 * math.log10(high / 4)
    assert low == 0
    assert shown[2:4] == [f"+{up:.2g}/-infinite", "dB"]
    assert shown[-4:] == ["up", "to", f"{10 * math.log10(high):.1f}", "dBi"]
    said = "pattern at a direction: what was measured is no more than errors make on average"
    assert said in lines
    (entry,) = uncertainty_dict(found)[0]["metrics"]
    assert entry["expanded_plus_db"] == pytest.approx(up, rel=1e-14)
    assert entry["interval_high_dbi"] == pytest.approx(10 * math.log10(high), rel=1e-14)
    nothing = ("expanded_minus_db", "interval_low_dbi", "corrected_dbi")
    assert [entry[x] for x in nothing] == [None] * 3
    facts = uncertainty_facts(found)
    assert facts["pattern"] == [f"6.0 dBi, +{up:.2g}/-infinite dB"]


def test_a_low_level_is_told_what_errors_add():
    found = in_a_direction(16.0, 1.0)
    lines = uncertainty_lines(found)
    # 16 less 4 (closed form): 10 log10(16/12) dB.
    said = f"pattern at a direction: errors add {10 * math.log10(16 / 12):.3g} dB on average to a "
    (line,) = (x for x in lines if x.startswith(said))
    assert line.endswith(f"less that it is {10 * math.log10(12):.1f} dBi")
    assert not [x for x in uncertainty_lines(in_a_direction(16.0, 1e-4)) if "on average" in x]


@pytest.mark.parametrize("part", [0.5, 0.29, 0.0])
def test_noise_that_derivatives_overlook_is_warned_of(part):
    # The relative amplitude sqrt(1 + share) - 1 is that part of 0.01.
    share = (1 + part * 0.01) ** 2 - 1
    names = ("trp", "directivity", "eirp")
    terms = (direct_term("noise", dict.fromkeys(names, 0.01)),)
    results = {m: MetricResult("power" if m != "directivity" else m, [2.0]) for m in names}
    budget = Budget(terms, [METRICS[m] for m in names])
    (said,) = uncertainty_warnings(Uncertainty(MODES, (budget,), results, noise_power=[share]))
    if part < 0.3:
        assert said == []
        return
    size = f"by about {part * 0.01 * DB:.3g} dB, where its standard uncertainty is {0.01 * DB:.3g}"
    assert said[0].startswith(f"noise raises TRP {size} dB: ")
    assert said[1].startswith(f"noise lowers peak directivity {size} dB: ")
    assert len(said) == 2
    assert uncertainty_warnings(Uncertainty(MODES, (budget,), results)) == [[]]


def test_draws_are_compared():
    results = {
        "eirp": compared(0.02, 0.02),
        "pointing": compared(math.radians(1), math.radians(2)),
        "beamwidth": compared(math.radians(2), math.radians(1), used=90),
    }
    values = {"eirp": np.linspace(1, 3, 101)[:, None], "beamwidth": np.full((101, 1), np.nan)}
    values["beamwidth"][:90, 0] = np.radians(np.linspace(20, 40, 90))
    found = made(results, values, asked=200, made=101, error_level=[1e-3])
    lines = uncertainty_lines(found)
    assert [x for x in lines if x.startswith("101 draws: pattern error level -30.0 dB, ")]
    assert "draws and first order agree within sampling error: peak EIRP" in lines
    said = "pointing: 2 deg by draws, 1 deg to first order: the rest is counted as "
    assert f"{said}'beyond first order'" in lines
    assert "beamwidth: 1 deg by draws, 2 deg to first order: the larger one is kept" in lines
    lost = "beamwidth: not found near where it was in 11 of 101 draws, which are left out"
    assert [x for x in lines if x.startswith(lost)]
    (fact,) = uncertainty_dict(found)
    assert (fact["draws_asked"], fact["draws_made"]) == (200, 101)
    assert fact["error_level_db"] == pytest.approx(-30, rel=1e-15)
    said = {x["name"]: x["draws"] for x in fact["metrics"]}
    assert said["gain"] is None
    assert said["pointing"] is None  # no draws of it were kept
    eirp, width = said["eirp"], said["beamwidth"]
    assert (eirp["verdict"], width["verdict"]) == ("agree", "smaller")
    assert eirp["standard_uncertainty_db"] == pytest.approx(0.02 * DB, rel=1e-15)
    assert width["first_order_deg"] == pytest.approx(2, rel=1e-15)
    assert width["used"] == 90
    # JCGM 101:2008, 7.7.2 (from memory): of 101 draws 96 lie between the 3rd and the 99th; steps of
    # 0.02 W from 1 W.
    assert eirp["low_dbm"] == pytest.approx(10 * math.log10(1040), rel=1e-12)
    assert eirp["high_dbm"] == pytest.approx(10 * math.log10(2960), rel=1e-12)
    # 86 of 90: the 2nd and the 88th, of steps of 20/89 deg.
    assert width["low_deg"] == pytest.approx(20 + 20 / 89, rel=1e-12)
    assert width["high_deg"] == pytest.approx(20 + 87 * 20 / 89, rel=1e-12)


@pytest.mark.parametrize("used", [0, 1, 2])
def test_too_few_draws_agree_with_nothing(used):
    # One draw has no standard deviation, and cannot agree with first order.
    values = {"eirp": np.where(np.arange(10) < used, 2.0, np.nan)[:, None]}
    found = made({"eirp": compared(0.02, 0.02, used=used)}, values, asked=10, made=10)
    (fact,) = uncertainty_dict(found)
    draws = fact["metrics"][0]["draws"]
    few = used < 2
    assert draws["used"] == used
    assert (draws["verdict"] is None) == few
    assert (draws["standard_uncertainty_db"] is None) == few
    assert (draws["shift_db"] is None) == few
    assert draws["first_order_db"] == pytest.approx(0.02 * DB, rel=1e-15)
    lines = uncertainty_lines(found)
    said = "peak EIRP: too few draws of it to compare with first order"
    assert (said in lines) == few
    assert bool([x for x in lines if x.startswith("draws and first order agree")]) != few


def test_no_error_level_is_stated_where_a_part_was_not_measured():
    found = made({"eirp": compared(0.02, 0.02)}, asked=101, made=101, error_level=[np.nan])
    lines = uncertainty_lines(found)
    said = "101 draws: no pattern error level, as what errs where nothing was measured is not known"
    assert [x for x in lines if "error level" in x] == [said]
    assert uncertainty_dict(found)[0]["error_level_db"] is None


def test_few_draws_bound_no_interval():
    values = {"eirp": np.linspace(1, 3, 19)[:, None]}
    results = {"eirp": compared(0.02, 0.02, used=19)}
    (fact,) = uncertainty_dict(made(results, values, asked=19, made=19, error_level=[0.0]))
    draws = fact["metrics"][0]["draws"]
    assert (draws["low_dbm"], draws["high_dbm"]) == (None, None)
    assert fact["error_level_db"] is None
    more = {"eirp": np.linspace(1, 3, 20)[:, None]}
    (fact,) = uncertainty_dict(made(results, more, asked=20, made=20, error_level=[0.0]))
    assert fact["metrics"][0]["draws"]["low_dbm"] == pytest.approx(30, rel=1e-12)
