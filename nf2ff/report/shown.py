"""Numbers and columns as reports show them."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from nf2ff.uncertainty.budget.budget import Budget
from nf2ff.uncertainty.budget.metric import DECIBEL, Metric

#: What stands where a value was not supplied: never a number.
NOT_SUPPLIED = "not supplied"


def number_text(value: float) -> str:
    """A number to three digits."""
    return "infinite" if math.isinf(value) else f"{value:.3g}"


def shown_bias(value: float, metric: Metric) -> float | None:
    """Mean error of a metric in the unit of reports, None where no power is left of a level."""
    if not metric.is_level:
        return value * metric.shown.factor
    return math.log1p(value) / DECIBEL if value > -1 else None


def correlated_pairs(budget: Budget) -> list[tuple[str, str, float]]:
    """Terms that err together, and how they correlate."""
    names, matrix = budget.names, budget.correlation
    return [(names[i], names[j], float(matrix[i, j])) for i, j in np.argwhere(np.triu(matrix, 1))]


def correlated_lines(budget: Budget) -> list[str]:
    """The same in one line, or none."""
    pairs = [f"{a!r} and {b!r} ({r:.4g})" for a, b, r in correlated_pairs(budget)]
    return [f"correlated: {', '.join(pairs)}"] if pairs else []


def aligned(rows: Sequence[tuple[str, ...]], *, words: int) -> list[str]:
    """Rows as lines of aligned columns: the first ``words`` to the left, numbers to the right."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    lines = []
    for row in rows:
        sized = enumerate(zip(row, widths, strict=True))
        cells = [x.ljust(w) if i < words else x.rjust(w) for i, (x, w) in sized]
        lines.append("  ".join(cells).rstrip())
    return lines
