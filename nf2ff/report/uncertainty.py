"""The uncertainty of a scan's figures as plain text, and as an object for JSON."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.messages.notice import Notice
from nf2ff.messages.uncertainty import UncertaintyCode
from nf2ff.metrics.beam import peak
from nf2ff.report.budget import NOT_SUPPLIED, budget_dict, correlated_lines, shown_bias
from nf2ff.report.numbers import aligned, decimals_of, level, short
from nf2ff.report.result import azimuth_text
from nf2ff.uncertainty.budget.budget import Budget
from nf2ff.uncertainty.budget.budget_term import summarise_draws
from nf2ff.uncertainty.budget.combine import CombinedUncertainty, combine
from nf2ff.uncertainty.budget.metric import DECIBEL, SHOWN_UNITS, Metric
from nf2ff.uncertainty.result import BEYOND, DrawComparison, FigureKind, MetricResult, Uncertainty
from nf2ff.uncertainty.stated import Stated, stated, stated_decibels

#: Metrics side by side in the table of terms.
SIDE_BY_SIDE = 4
#: Known bias over standard uncertainty from which text mentions it.
NOTICED = 0.1
#: Part of the standard uncertainty that a bias may have which no draws were made for: beyond it an
#: interval of 95 % holds the truth in less than 94 % (closed form, normal distribution).
OVERLOOKED = 0.3
#: Fewest draws that have a standard deviation to compare.
FEWEST = 2
#: What the pattern error level is, and what is said where there is none.
ERROR_LEVEL = "mean square error of the far field over the sphere relative to it"
UNKNOWN_LEVEL = "no pattern error level, as what errs where nothing was measured is not known"
#: Unit in reports of each quantity; unknown: of gain, without the power into the antenna.
UNITS: dict[FigureKind, str] = {
    "directivity": "dBi",
    "power": "dBm",
    "ratio": "dB",
    "angle": "deg",
    "direction": "deg",
    "unknown": "dBi",
}


def uncertainty_lines(uncertainty: Uncertainty) -> list[str]:
    """Everything in plain text: for each frequency the metrics, then their terms."""
    lines = []
    for f in range(uncertainty.modes.frequency.size):
        lines += [*_frequency_lines(uncertainty, f), ""]
    return lines[:-1]


def uncertainty_dict(uncertainty: Uncertainty) -> list[dict[str, Any]]:
    """Everything as numbers, strings, lists and dictionaries, for JSON."""
    top, errors = peak(uncertainty.modes), uncertainty.error_level
    found = []
    for f, frequency in enumerate(uncertainty.modes.frequency):
        budget = budget_dict(uncertainty.budgets[f])
        for entry in budget["metrics"]:
            result = uncertainty.results[entry["name"]]
            if result.quantity == "direction":
                entry["theta_deg"] = math.degrees(top.theta[f])
                entry["phi_deg"] = math.degrees(top.phi[f])
            else:
                entry |= _value_dict(result, combine(uncertainty.budgets[f], entry["name"]), f)
            if result.planes:
                entry["plane"] = result.planes[f]
            metric = uncertainty.budgets[f].metric(entry["name"])
            entry["draws"] = _draws_dict(result, metric, f, uncertainty.budgets[f].confidence)
        found.append(
            {
                "frequency_hz": float(frequency),
                "degree": uncertainty.modes.degree,
                "draws_asked": uncertainty.asked,
                "draws_made": uncertainty.made,
                "error_level_db": None if errors is None else level(float(errors[f])),
                **budget,
            }
        )
    return found


def uncertainty_facts(uncertainty: Uncertainty) -> dict[str, Any]:
    """A few facts by name, for `inspect`: of each metric value and expanded uncertainty."""
    budgets = uncertainty.budgets
    facts: dict[str, Any] = {
        "frequencies_ghz": (uncertainty.modes.frequency / 1e9).tolist(),
        "confidence": budgets[0].confidence,
        "draws": uncertainty.made,
        "terms": len(budgets[0].terms),
    }
    for metric in budgets[0].metrics:
        result = uncertainty.results[metric.name]
        found = [combine(budget, metric.name) for budget in budgets]
        facts[metric.name] = [
            f"{_value(uncertainty, one, f)}, {_expanded(one, result, f)[0]}{_mark(one)}"
            for f, one in enumerate(found)
        ]
    return facts


def uncertainty_warnings(uncertainty: Uncertainty) -> list[list[Notice]]:
    """For each frequency, warnings of what derivatives alone cannot show."""
    found: list[list[Notice]] = [[] for _ in uncertainty.budgets]
    if uncertainty.noise_power is None:
        return found
    # Noise adds to the power in the modes; directivity is over that.
    powers = {"trp": "raises", "directivity": "lowers"}
    for some, budget, share in zip(found, uncertainty.budgets, uncertainty.noise_power, strict=True):
        for metric in budget.metrics:
            if metric.name not in powers:
                continue
            u = combine(budget, metric.name).standard_uncertainty or 0.0
            bias = math.sqrt(1 + share) - 1
            if bias > OVERLOOKED * u:
                some.append(
                    UncertaintyCode.NOISE_OVERLOOKED(
                        does=powers[metric.name],
                        label=metric.label,
                        bias_db=bias / DECIBEL,
                        uncertainty_db=u / DECIBEL,
                    )
                )
    return found


def _value_dict(result: MetricResult, found: CombinedUncertainty, index: int) -> dict[str, Any]:
    """Value, value less bias and ends of the interval, and how far these are from the value."""
    unit, one = UNITS[result.quantity].lower(), stated(result, found, index)
    names = (f"corrected_{unit}", f"interval_low_{unit}", f"interval_high_{unit}")
    values = [None] * 3 if one is None else [converted(x, result.quantity) for x in one]
    entry: dict[str, Any] = {f"value_{unit}": converted(float(result.value[index]), result.quantity)}
    entry |= dict(zip(names, values, strict=True))
    if result.field is not None:
        plus, minus = stated_decibels(result, found, index) or (None, None)
        entry["expanded_plus_db"] = plus
        entry["expanded_minus_db"] = None if minus is None or math.isinf(minus) else minus
    return entry


def _draws_dict(result: MetricResult, metric: Metric, index: int, confidence: float) -> dict[str, Any] | None:
    compared = result.compared
    if compared is None or result.draws is None:
        return None
    end = "_" + metric.shown.name.lower() if metric.unit in SHOWN_UNITS else ""
    unit, factor = UNITS[result.quantity].lower(), metric.shown.factor
    low, high = _interval(result.draws[:, index], result.quantity, confidence)
    few = compared.used[index] < FEWEST
    return {
        "used": int(compared.used[index]),
        f"standard_uncertainty{end}": None if few else float(compared.drawn[index]) * factor,
        f"first_order{end}": float(compared.first_order[index]) * factor,
        f"shift{end}": None if few else float(compared.shift[index]) * factor,
        "verdict": None if few else compared.verdict(index),
        f"low_{unit}": low,
        f"high_{unit}": high,
    }


def _interval(
    draws: NDArray[np.float64], quantity: FigureKind, confidence: float
) -> tuple[float | None, float | None]:
    """Interval that holds the draws with that probability, as shown; None of too few draws."""
    values = draws[np.isfinite(draws)]
    # As many as `summarise_draws` needs on both sides.
    if values.size * (1 - confidence) < 1 - 1e-9 or quantity == "unknown":
        return None, None
    found = summarise_draws(values, confidence=confidence)
    return converted(found.low, quantity), converted(found.high, quantity)


# --- text ----------------------------------------------------------------------------------------


def _frequency_lines(uncertainty: Uncertainty, index: int) -> list[str]:
    budget = uncertainty.budgets[index]
    found = [combine(budget, metric.name) for metric in budget.metrics]
    lines = [f"{uncertainty.modes.frequency[index] / 1e9:.9g} GHz", ""]
    percent = f"{100 * budget.confidence:.6g} %"
    rows = [("metric", "value", f"uncertainty, {percent}", "k", "degrees of freedom", "interval")]
    rows += [metric_cells(uncertainty, one, index) for one in found]
    lines += [*aligned(rows, words=1), ""]
    cuts = [(x, uncertainty.results[x.name].planes) for x in budget.metrics]
    if some := [f"{x.label}: {planes[index]}" for x, planes in cuts if planes]:
        lines += ["plane of the cut", *some, ""]
    lines += ["standard uncertainty by term"]
    for at in range(0, len(found), SIDE_BY_SIDE):
        lines += ["", *_term_lines(budget, found[at : at + SIDE_BY_SIDE])]
    return [*lines, "", *note_lines(uncertainty, found, index)]


def note_lines(uncertainty: Uncertainty, found: Sequence[CombinedUncertainty], index: int) -> list[str]:
    """What is not supplied, what errs together, known bias, and what draws say."""
    budget = uncertainty.budgets[index]
    lines = [*missing_lines(budget, found), *correlated_lines(budget)]
    for one in found:
        lines += _bias_lines(one, uncertainty.results[one.metric.name], index)
    return [*lines, *_draw_lines(uncertainty, index)]


def metric_cells(
    uncertainty: Uncertainty, found: CombinedUncertainty, index: int
) -> tuple[str, str, str, str, str, str]:
    """Label, value, expanded uncertainty, coverage factor, degrees of freedom and interval of a metric."""
    result = uncertainty.results[found.metric.name]
    return (
        found.metric.label,
        _value(uncertainty, found, index),
        *_expanded(found, result, index),
        (_ends(stated(result, found, index), result, found, index) + _mark(found)).removeprefix(", "),
    )


def _decimals(found: CombinedUncertainty, result: MetricResult, index: int) -> int:
    """Decimals of a value and of its uncertainty, by the two digits of the latter."""
    if found.expanded is None:
        return 4
    sides = stated_decibels(result, found, index) or (found.expanded * found.metric.shown.factor,)
    return decimals_of(min((x for x in sides if x > 0), default=0.0))


def _mark(found: CombinedUncertainty) -> str:
    """What stands behind an interval in which causes lack."""
    return ", incomplete" if found.missing and found.expanded is not None else ""


def _value(uncertainty: Uncertainty, found: CombinedUncertainty, index: int) -> str:
    result = uncertainty.results[found.metric.name]
    decimals = _decimals(found, result, index)
    if result.quantity == "unknown":
        return "unknown"
    if result.quantity == "direction":
        top = peak(uncertainty.modes.at(index))
        theta = math.degrees(top.theta[0])
        phi = azimuth_text(math.degrees(top.theta[0]), math.degrees(top.phi[0]), decimals)
        return f"theta {theta:z.{decimals}f}, phi {phi} deg"
    return _shown(float(result.value[index]), result.quantity, decimals)


def _expanded(found: CombinedUncertainty, result: MetricResult, index: int) -> tuple[str, str, str]:
    """Expanded uncertainty, coverage factor and effective degrees of freedom."""
    if found.expanded is None:
        return NOT_SUPPLIED, "", ""
    unit, factor = found.metric.shown
    places = _decimals(found, result, index)
    expanded = f"{found.expanded * factor:z.{places}f} {unit}"
    if (decibels := stated_decibels(result, found, index)) is not None:
        plus, minus = ("infinite" if math.isinf(x) else f"{x:z.{places}f}" for x in decibels)
        expanded = f"+{plus}/-{minus} dB"
    return expanded, f"{found.coverage_factor:.3g}", short(found.degrees_of_freedom)


def _term_lines(budget: Budget, found: Sequence[CombinedUncertainty]) -> list[str]:
    def row(name: str, parts: Sequence[float | None]) -> tuple[str, ...]:
        pairs = zip(parts, found, strict=True)
        none = [u is None or math.isnan(u) for u in parts]
        cells = (short(abs(u or 0.0), x.metric.shown.factor) for u, x in pairs)
        return (name, *("-" if lacking else cell for lacking, cell in zip(none, cells, strict=True)))

    rows = [("term", *(f"{x.metric.name} [{x.metric.shown.name}]" for x in found))]
    rows += [row(name, [x.contributions[t] for x in found]) for t, name in enumerate(budget.names)]
    return aligned([*rows, row("combined", [x.standard_uncertainty for x in found])], words=1)


def missing_lines(budget: Budget, found: Sequence[CombinedUncertainty]) -> list[str]:
    """What is not supplied, for all metrics or for some."""
    everywhere = [t for t in budget.names if all(t in x.missing for x in found)]
    lines = []
    if everywhere:
        lines.append(f"{NOT_SUPPLIED}, and so not part of it: {', '.join(everywhere)}")
    for one in found:
        some = [t for t in one.missing if t not in everywhere]
        if some:
            lines.append(f"{NOT_SUPPLIED} for {one.metric.label}: {', '.join(some)}")
    return lines


def _ends(one: Stated | None, result: MetricResult, found: CombinedUncertainty, index: int) -> str:
    """The interval in words."""
    if one is None:
        return ""
    decimals = _decimals(found, result, index)
    low, high = (_shown(x, result.quantity, decimals) for x in (one.low, one.high))
    return f"up to {high}" if low == "none" else f"{low.split()[0]} to {high}"


def _shown(value: float, quantity: FigureKind, decimals: int = 4) -> str:
    shown = converted(value, quantity)
    if shown is None:
        return "none"
    return f"{shown:z.{decimals}f} {UNITS[quantity]}"


def _bias_lines(found: CombinedUncertainty, result: MetricResult, index: int) -> list[str]:
    """Known error of a metric, if it is large enough to see beside the uncertainty."""
    one, label = stated(result, found, index), found.metric.label
    places = _decimals(found, result, index)
    if one is not None and result.field is not None:
        value = float(result.value[index])
        if not value - one.value > NOTICED * (one.high - value):
            return []
        if one.value > 0:
            return [
                f"{label}: errors add {short(10 * math.log10(value / one.value))} dB on average to "
                f"a level so low: less that it is {_shown(one.value, result.quantity, places)}"
            ]
        return [f"{label}: what was measured is no more than errors make on average"]
    if not abs(found.bias) > NOTICED * (found.standard_uncertainty or 0.0):
        return []
    said = f"known bias of {label}: {_bias(found.bias, found.metric)}, not part of the uncertainty: "
    if one is None:
        return [f"{said}correct the result for it"]
    least = _shown(one.value, result.quantity, places)
    return [f"{said}less it, the value is {least}, about which the interval stands"]


def _error_level(found: float) -> str:
    """Error of the far field over the sphere in words."""
    if math.isnan(found):
        return UNKNOWN_LEVEL
    shown = "none" if (x := level(found)) is None else f"{x:z.1f} dB"
    return f"pattern error level {shown}, {ERROR_LEVEL}"


def _draw_lines(uncertainty: Uncertainty, index: int) -> list[str]:
    """What draws say of the derivatives."""
    made = uncertainty.made
    if not made:
        return []
    lines = []
    errors = uncertainty.error_level
    if errors is not None:
        lines.append(f"{made} draws: {_error_level(float(errors[index]))}")
    budget = uncertainty.budgets[index]
    agree, other = [], []
    for metric in budget.metrics:
        compared = uncertainty.results[metric.name].compared
        if compared is None:
            continue
        if compared.used[index] < made:
            other.append(
                f"{metric.label}: not found near where it was in {made - compared.used[index]} of "
                f"{made} draws, which are left out: its errors are too large for it"
            )
        if compared.used[index] < FEWEST:
            other.append(f"{metric.label}: too few draws of it to compare with first order")
        elif compared.verdict(index) == "agree":
            agree.append(metric.label)
        else:
            other.append(_difference(compared, metric, index))
    if agree:
        lines.append(f"draws and first order agree within sampling error: {', '.join(agree)}")
    return [*lines, *other]


def _difference(compared: DrawComparison, metric: Metric, index: int) -> str:
    unit, factor = metric.shown
    drawn, first = (short(x[index], factor) for x in (compared.drawn, compared.first_order))
    larger = compared.verdict(index) == "larger"
    counted = f"the rest is counted as {BEYOND!r}" if larger else "the larger one is kept"
    return f"{metric.label}: {drawn} {unit} by draws, {first} {unit} to first order: {counted}"


# --- numbers -------------------------------------------------------------------------------------


def converted(value: float, quantity: FigureKind) -> float | None:
    """A linear value as reports show it, None where a level has none."""
    if quantity in ("angle", "direction"):
        return math.degrees(value) if math.isfinite(value) else None
    return level(value / 1e-3 if quantity == "power" else value)


def _bias(value: float, metric: Metric) -> str:
    shown = shown_bias(value, metric)
    return "down to zero power" if shown is None else f"{short(shown)} {metric.shown.name}"
