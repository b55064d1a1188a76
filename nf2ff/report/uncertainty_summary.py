"""The uncertainty of a scan at many frequencies, in as many lines as at one."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from nf2ff.metrics.beam import peak
from nf2ff.report.budget import correlated_lines
from nf2ff.report.numbers import decimals_of, level, short
from nf2ff.report.over_frequency import MAX_COLUMNS, Row, frequency_table
from nf2ff.report.result import close_azimuths
from nf2ff.report.uncertainty import (
    ERROR_LEVEL,
    FEWEST,
    UNITS,
    UNKNOWN_LEVEL,
    converted,
    missing_lines,
    uncertainty_lines,
)
from nf2ff.uncertainty.budget.combine import CombinedUncertainty, combine
from nf2ff.uncertainty.budget.metric import Metric
from nf2ff.uncertainty.result import Uncertainty
from nf2ff.uncertainty.stated import stated_decibels

#: Terms of a metric that are named.
NAMED = 3


def uncertainty_report(uncertainty: Uncertainty, *, every: bool = False) -> list[str]:
    """Lines for people: everything where the frequencies are few, else a summary."""
    if every or uncertainty.modes.frequency.size <= MAX_COLUMNS:
        return uncertainty_lines(uncertainty)
    found = {
        metric.name: [combine(budget, metric.name) for budget in uncertainty.budgets]
        for metric in uncertainty.budgets[0].metrics
    }
    first = uncertainty.budgets[0]
    lines = summary_table(uncertainty, found)
    lines += ["", "largest terms, standard uncertainty (median over frequency)"]
    lines += [_largest_terms(metric, found[metric.name], first.names) for metric in first.metrics]
    lines += ["", *missing_lines(first, [some[0] for some in found.values()]), *correlated_lines(first)]
    return [*lines, *_draws(uncertainty), "all terms at each frequency: --all, --json"]


def summary_table(
    uncertainty: Uncertainty, found: dict[str, list[CombinedUncertainty]] | None = None
) -> list[str]:
    """Values and expanded uncertainties over frequency, as a table."""
    rows: list[Row] = []
    for metric in uncertainty.budgets[0].metrics:
        some = (found or {}).get(metric.name) or [combine(x, metric.name) for x in uncertainty.budgets]
        sides = _expanded(uncertainty, metric, some)
        known = np.concatenate([row.values for row in sides])
        known = known[np.isfinite(known) & (known > 0)]
        decimals = decimals_of(float(np.median(known)) if known.size else 0.0)
        rows += [x._replace(decimals=decimals) for x in (*_values(uncertainty, metric), *sides)]
    return frequency_table(uncertainty.modes.frequency, rows)


def _values(uncertainty: Uncertainty, metric: Metric) -> list[Row]:
    result = uncertainty.results[metric.name]
    unit = UNITS[result.quantity]
    if result.quantity == "unknown":
        return [Row(f"{metric.label} [{unit}]", np.full(len(result.value), math.nan))]
    if result.quantity == "direction":
        top = peak(uncertainty.modes)
        angles = {"theta": np.degrees(top.theta), "phi": close_azimuths(np.degrees(top.phi))}
        return [Row(f"{metric.label}, {name} [deg]", values) for name, values in angles.items()]
    values = [converted(float(x), result.quantity) for x in result.value]
    return [Row(f"{metric.label} [{unit}]", np.array([math.nan if x is None else x for x in values]))]


def _expanded(uncertainty: Uncertainty, metric: Metric, found: Sequence[CombinedUncertainty]) -> list[Row]:
    result = uncertainty.results[metric.name]
    percent = f"{100 * found[0].confidence:.6g} %"
    lacks = ", incomplete" if found[0].missing and found[0].expanded is not None else ""
    ends = [stated_decibels(result, one, f) for f, one in enumerate(found)]
    if any(x is not None for x in ends):
        sides = np.array([(math.nan, math.nan) if x is None else x for x in ends]).T
        if np.allclose(sides[0], sides[1], rtol=0.01, equal_nan=True):  # alike to the digits that are shown
            return [Row(f"  +-{percent} [dB]{lacks}", sides.max(axis=0))]
        return [Row(f"  {s}{percent} [dB]{lacks}", x) for s, x in zip("+-", sides, strict=True)]
    unit, factor = metric.shown
    values = np.array([math.nan if x.expanded is None else x.expanded * factor for x in found])
    return [Row(f"  +-{percent} [{unit}]{lacks}", values)]


def _largest_terms(metric: Metric, found: Sequence[CombinedUncertainty], names: Sequence[str]) -> str:
    parts = np.abs(np.array([one.contributions for one in found]))
    size = [float(np.median(x[~np.isnan(x)])) if not np.isnan(x).all() else 0.0 for x in parts.T]
    unit, factor = metric.shown
    told = [
        f"{names[t]} {short(size[t], factor)} {unit}" for t in np.argsort(size)[::-1][:NAMED] if size[t] > 0
    ]
    return f"{metric.label}: {', '.join(told) or 'none supplied'}"


def _draws(uncertainty: Uncertainty) -> list[str]:
    """What draws say of the derivatives, at how many of the frequencies."""
    made, count = uncertainty.made, uncertainty.modes.frequency.size
    if not made:
        return []
    lines = []
    if uncertainty.error_level is not None:
        levels = [level(float(x)) for x in uncertainty.error_level]
        known = [x for x in levels if x is not None]
        if known:
            lines.append(
                f"{made} draws: pattern error level {min(known):z.1f} to {max(known):z.1f} dB, {ERROR_LEVEL}"
            )
        if unknown := int(np.isnan(uncertainty.error_level).sum()):
            where = "" if unknown == count else f" (at {unknown} of {count} frequencies)"
            lines.append(f"{made} draws: {UNKNOWN_LEVEL}{where}")
    agree = []
    for metric in uncertainty.budgets[0].metrics:
        compared = uncertainty.results[metric.name].compared
        if compared is None:
            continue
        some = [f for f in range(count) if compared.used[f] >= FEWEST]
        differ = [f for f in some if compared.verdict(f) != "agree"]
        lost = [f for f in range(count) if compared.used[f] < made]
        if lost:
            lines.append(
                f"{metric.label}: not found in all draws at {len(lost)} of {count} frequencies: "
                "its errors are too large for it"
            )
        if differ:
            lines.append(
                f"{metric.label}: draws and first order differ at {len(differ)} of {count} frequencies, "
                "the larger counts"
            )
        elif len(some) == count:
            agree.append(metric.label)
    if agree:
        lines.append(f"draws and first order agree within sampling error: {', '.join(agree)}")
    return lines
