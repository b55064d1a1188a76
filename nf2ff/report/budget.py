"""An uncertainty budget as a table in plain text, and as an object for JSON."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from nf2ff.uncertainty.budget.budget import Budget
from nf2ff.uncertainty.budget.combine import CombinedUncertainty, combine
from nf2ff.uncertainty.budget.metric import DECIBEL, SHOWN_UNITS, Metric, ShownUnit
from nf2ff.uncertainty.budget.term import ERROR_SIGNAL, PER_METRIC, Term

#: What stands where a value was not supplied: never a number.
NOT_SUPPLIED = "not supplied"

#: Columns of `budget_rows`; {} is the unit of the metric.
BUDGET_HEADER = (
    "term",
    "type",
    "distribution",
    "size",
    "divisor",
    "sensitivity",
    "u [{}]",
    "share [%]",
    "degrees of freedom",
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
    found = combine(budget, metric)
    rows = [tuple(name.format(found.metric.shown.name) for name in BUDGET_HEADER)]
    for term, u, share in zip(budget.terms, found.contributions, found.shares, strict=True):
        missing = bool(np.isnan(u))
        rows.append(
            (
                term.name,
                term.evaluation,
                term.distribution,
                *_quantity(term, found.metric),
                NOT_SUPPLIED if missing else _text(abs(u) * found.metric.shown.factor),
                "" if missing else _share_text(share),
                "" if term.size is None else _text(term.degrees_of_freedom),
            )
        )
    if found.second_order_share:
        rows.append(("second order", *[""] * 6, _share_text(found.second_order_share), ""))
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
    for metric in budget.metrics:
        rows = budget_rows(budget, metric.name)
        widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
        lines += [metric.label, ""]
        for row in rows:
            # Words to the left, numbers to the right.
            cells = [x.ljust(w) for x, w in zip(row[:3], widths[:3], strict=True)]
            cells += [x.rjust(w) for x, w in zip(row[3:], widths[3:], strict=True)]
            lines.append("  ".join(cells).rstrip())
        lines += ["", *_result_lines(budget, combine(budget, metric.name)), ""]
    pairs = [f"{a!r} and {b!r} ({r:.4g})" for a, b, r in _pairs(budget)]
    return [*lines, "correlated: " + ", ".join(pairs)] if pairs else lines[:-1]


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
            f"bias{end}": _bias(term.bias.get(found.metric.name, 0.0), found.metric),
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
        f"bias{end}": _bias(found.bias, found.metric),
        "second_order_share": found.second_order_share,
        "not_supplied": list(found.missing),
        "terms": terms,
    }


def _result_lines(budget: Budget, found: CombinedUncertainty) -> list[str]:
    unit, factor = found.metric.shown
    lines = []
    if found.standard_uncertainty is None or found.expanded is None:
        lines.append(f"combined: {NOT_SUPPLIED}, as no term is")
    else:
        lines.append(f"combined standard uncertainty {_text(found.standard_uncertainty, factor)} {unit}")
        lines.append(f"effective degrees of freedom {_text(found.degrees_of_freedom)}")
        lines.append(f"coverage factor {found.coverage_factor:.3g} for {100 * found.confidence:.6g} %")
        if found.decibels is not None:
            plus, minus = found.decibels
            lines.append(
                f"expanded uncertainty +{_text(plus)}/-{_text(minus)} dB (equal sides in {found.scale})"
            )
        else:
            lines.append(f"expanded uncertainty {_text(found.expanded, factor)} {unit}")
    if found.bias:
        bias = _bias(found.bias, found.metric)
        size = "beyond zero power" if bias is None else f"{_text(bias)} {unit}"
        lines.append(f"known bias {size}, not part of the uncertainty: correct the result for it")
    if 0 < len(found.missing) < len(budget.terms):
        lines.append(
            f"{NOT_SUPPLIED} and so not part of this, {len(found.missing)} of {len(budget.terms)} "
            f"terms: {', '.join(found.missing)}"
        )
    return lines


def _quantity(term: Term, metric: Metric) -> tuple[str, str, str]:
    """Size, divisor and sensitivity as text."""
    sensitivity = term.sensitivity.get(metric.name)
    if term.unit == PER_METRIC:
        if term.size is None or sensitivity is None:
            return NOT_SUPPLIED, "", ""
        return _with_unit(sensitivity, metric.shown), _text(term.divisor), "1"
    own = SHOWN_UNITS.get(term.unit, ShownUnit(term.unit, 1.0))
    if term.unit == ERROR_SIGNAL:  # decibel of the metric per decibel, as amplitude per amplitude
        own = SHOWN_UNITS["amplitude"]
    slope = NOT_SUPPLIED
    if sensitivity is not None:
        below = f"({own.name})" if "/" in own.name else own.name
        unit = "" if own.name == metric.shown.name else f" {metric.shown.name}/{below}"
        slope = _text(sensitivity, metric.shown.factor / own.factor) + unit
    if term.size is None:
        return NOT_SUPPLIED, "", slope
    if term.unit == ERROR_SIGNAL:
        size = f"{20 * math.log10(term.size):.4g} dB" if term.size else "none"
    else:
        size = _with_unit(term.size, own)
    return size, _text(term.divisor), slope


def _bias(value: float, metric: Metric) -> float | None:
    """Mean error in the unit of reports, None where no power is left of a level."""
    if not metric.is_level:
        return value * metric.shown.factor
    return math.log1p(value) / DECIBEL if value > -1 else None


def _pairs(budget: Budget) -> list[tuple[str, str, float]]:
    upper = np.argwhere(np.triu(budget.correlation, 1))
    names = budget.names
    return [(names[i], names[j], float(budget.correlation[i, j])) for i, j in upper]


def _with_unit(value: float, shown: ShownUnit) -> str:
    return f"{_text(value, shown.factor)} {shown.name}"


def _share_text(share: float) -> str:
    return f"{100 * share:.1f}"


def _text(value: float, factor: float = 1.0) -> str:
    return "infinite" if math.isinf(value) else f"{value * factor:.3g}"
