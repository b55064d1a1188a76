"""An uncertainty budget as a table in plain text, and as an object for JSON."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from nf2ff.report.numbers import aligned, short
from nf2ff.uncertainty.budget.budget import Budget
from nf2ff.uncertainty.budget.budget_term import ERROR_SIGNAL, PER_METRIC, Term
from nf2ff.uncertainty.budget.combine import CombinedUncertainty, combine
from nf2ff.uncertainty.budget.metric import DECIBEL, SHOWN_UNITS, Metric, shown_unit

#: What stands where a value was not supplied: never a number.
NOT_SUPPLIED = "not supplied"
#: Columns of `budget_rows`; {} is the unit of the metric.
BUDGET_HEADER: tuple[str, ...] = (
    *("term", "type", "distribution", "size", "divisor", "sensitivity"),
    *("u [{}]", "share [%]", "degrees of freedom"),
)


def budget_rows(budget: Budget, metric: str) -> list[tuple[str, ...]]:
    """Rows of the table of one metric, the header first.

    Parameters
    ----------
    budget : Budget
        The terms.
    metric : str
        Name of one of its metrics.

    Returns
    -------
    list of tuple of str
        Columns of `BUDGET_HEADER`, a row for each term, and one for the second order if there is any.
        ``u`` is |c| u(x), of levels in dB to first order; ``share`` is the part of the variance.

    Raises
    ------
    ValueError
        If the budget is not for the metric.
    """
    return _rows(budget, combine(budget, metric))


def _rows(budget: Budget, found: CombinedUncertainty) -> list[tuple[str, ...]]:
    shown = found.metric.shown
    rows = [tuple(name.format(shown.name) for name in BUDGET_HEADER)]
    for term, u, share in zip(budget.terms, found.contributions, found.shares, strict=True):
        part = (short(abs(u) * shown.factor), f"{100 * share:z.1f}")
        part = (NOT_SUPPLIED, "") if np.isnan(u) else part
        freedom = "" if term.size is None else short(term.degrees_of_freedom)
        words = (term.name, term.evaluation, term.distribution)
        rows.append((*words, *_quantity(term, found.metric), *part, freedom))
    if found.second_order_share:
        rows.append(("second order", *[""] * 6, f"{100 * found.second_order_share:z.1f}", ""))
    return rows


def budget_lines(budget: Budget) -> list[str]:
    """The whole budget as plain text: table and result of each metric.

    Parameters
    ----------
    budget : Budget
        What to show.

    Returns
    -------
    list of str
        Lines without their ends. Terms that are not supplied are named under each result.
    """
    lines = []
    for found in (combine(budget, metric.name) for metric in budget.metrics):
        rows = aligned(_rows(budget, found), words=3)
        lines += [found.metric.label, "", *rows, "", *_result_lines(budget, found), ""]
    correlated = correlated_lines(budget)
    return [*lines, *correlated] if correlated else lines[:-1]


def budget_dict(budget: Budget) -> dict[str, Any]:
    """Return the whole budget as numbers, strings, lists and dictionaries, for JSON.

    Parameters
    ----------
    budget : Budget
        What to show.

    Returns
    -------
    dict
        ``confidence``, ``scale``, ``metrics`` (an object for each) and ``correlations``. Keys of
        values end in the unit, "_db", "_deg" or "_mm", or in none, and ``unit`` names it. None
        stands for not supplied (then ``supplied`` is false), for infinite degrees of freedom, and
        where an interval or a bias reaches zero power.
    """
    return {
        "confidence": budget.confidence,
        "scale": budget.scale,
        "metrics": [_metric_dict(budget, combine(budget, m.name)) for m in budget.metrics],
        "correlations": [{"terms": [a, b], "coefficient": r} for a, b, r in _pairs(budget)],
    }


def _metric_dict(budget: Budget, found: CombinedUncertainty) -> dict[str, Any]:
    shown = found.metric.shown
    end = "_" + shown.name.lower() if found.metric.unit in SHOWN_UNITS else ""

    def number(value: float | None, factor: float = 1.0) -> float | None:
        return None if value is None or not math.isfinite(value) else float(value) * factor

    if found.metric.is_level:
        plus, minus = found.decibels or (None, None)
    else:
        plus = minus = number(found.expanded, shown.factor)
    supplied = found.standard_uncertainty is not None
    terms = [
        {
            "name": term.name,
            "evaluation": term.evaluation,
            "distribution": term.distribution,
            "supplied": not np.isnan(u),
            f"standard_uncertainty{end}": number(abs(u), shown.factor),
            "share": number(share),
            "degrees_of_freedom": number(term.degrees_of_freedom),
            f"bias{end}": shown_bias(term.bias.get(found.metric.name, 0.0), found.metric),
            "note": term.note,
        }
        for term, u, share in zip(budget.terms, found.contributions, found.shares, strict=True)
    ]
    return {
        "name": found.metric.name,
        "label": found.metric.label,
        "unit": shown.name,
        "supplied": supplied,
        f"standard_uncertainty{end}": number(found.standard_uncertainty, shown.factor),
        "degrees_of_freedom": number(found.degrees_of_freedom),
        "coverage_factor": found.coverage_factor if supplied else None,
        f"expanded_plus{end}": number(plus),
        f"expanded_minus{end}": number(minus),
        f"bias{end}": shown_bias(found.bias, found.metric),
        "second_order_share": found.second_order_share,
        "not_supplied": list(found.missing),
        "terms": terms,
    }


def correlated_lines(budget: Budget) -> list[str]:
    """Terms that err together, in one line, or none."""
    pairs = [f"{a!r} and {b!r} ({r:.4g})" for a, b, r in _pairs(budget)]
    return [f"correlated: {', '.join(pairs)}"] if pairs else []


def shown_bias(value: float, metric: Metric) -> float | None:
    """Mean error of a metric in the unit of reports, None where no power is left of a level."""
    if not metric.is_level:
        return value * metric.shown.factor
    return math.log1p(value) / DECIBEL if value > -1 else None


def _pairs(budget: Budget) -> list[tuple[str, str, float]]:
    names, matrix = budget.names, budget.correlation
    return [(names[i], names[j], float(matrix[i, j])) for i, j in np.argwhere(np.triu(matrix, 1))]


def _result_lines(budget: Budget, found: CombinedUncertainty) -> list[str]:
    unit, factor = found.metric.shown
    lines = []
    if found.standard_uncertainty is None or found.expanded is None:
        lines.append(f"combined: {NOT_SUPPLIED}, as no term is")
    else:
        lines += [
            f"combined standard uncertainty {short(found.standard_uncertainty * factor)} {unit}",
            f"effective degrees of freedom {short(found.degrees_of_freedom)}",
            f"coverage factor {found.coverage_factor:.3g} for {100 * found.confidence:.6g} %",
        ]
        if found.decibels is None:
            lines.append(f"expanded uncertainty {short(found.expanded * factor)} {unit}")
        else:
            plus, minus = map(short, found.decibels)
            lines.append(f"expanded uncertainty +{plus}/-{minus} dB (equal sides in {found.scale})")
    if found.bias:
        bias = shown_bias(found.bias, found.metric)
        size = "beyond zero power" if bias is None else f"{short(bias)} {unit}"
        lines.append(f"known bias {size}, not part of the uncertainty: correct the result for it")
    if 0 < len(found.missing) < len(budget.terms):
        lines.append(
            f"{NOT_SUPPLIED} and so not part of this, {len(found.missing)} of {len(budget.terms)} "
            f"terms: {', '.join(found.missing)}"
        )
    return lines


def _quantity(term: Term, metric: Metric) -> tuple[str, str, str]:
    """Size, divisor and sensitivity as text."""
    sensitivity, unit, factor = term.sensitivity.get(metric.name), *metric.shown
    if term.unit == PER_METRIC:
        if term.size is None or sensitivity is None:
            return NOT_SUPPLIED, "", ""
        return f"{short(sensitivity * factor)} {unit}", short(term.divisor), "1"
    # An error signal: decibel of the metric per decibel, as amplitude per amplitude.
    own = shown_unit("amplitude" if term.unit == ERROR_SIGNAL else term.unit)
    slope = NOT_SUPPLIED
    if sensitivity is not None:
        below = f"({own.name})" if "/" in own.name else own.name
        slope = short(sensitivity * (factor / own.factor))
        slope += "" if own.name == unit else f" {unit}/{below}"
    if term.size is None:
        return NOT_SUPPLIED, "", slope
    size = f"{short(term.size * own.factor)} {own.name}"
    if term.unit == ERROR_SIGNAL:
        size = f"{20 * math.log10(term.size):.4g} dB" if term.size else "none"
    return size, short(term.divisor), slope
