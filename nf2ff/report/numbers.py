"""Numbers and tables in reports: short text, decibels, aligned columns."""

from __future__ import annotations

import math
from collections.abc import Sequence


def aligned(rows: Sequence[Sequence[str]], *, words: int) -> list[str]:
    """Rows as columns in plain text."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    lines = []
    for row in rows:
        cells = [x.rjust(w) for x, w in zip(row, widths, strict=True)]
        cells[:words] = [x.ljust(w) for x, w in zip(row[:words], widths, strict=False)]
        lines.append("  ".join(cells).rstrip())
    return lines


def decimals_of(uncertainty: float) -> int:
    """Decimals of an uncertainty to two digits, and of the value beside it (GUM 7.2.6)."""
    if not 0 < uncertainty < math.inf:
        return 4
    return max(0, 1 - int(f"{uncertainty:.1e}".partition("e")[2]))


def short(value: float, factor: float = 1.0) -> str:
    """A number times a factor, to three digits."""
    return "infinite" if math.isinf(value) else f"{value * factor:z.3g}"


def level(power: float) -> float | None:
    """10 log10 of a power, None of no power at all."""
    return 10 * math.log10(power) if power > 0 and math.isfinite(power) else None
