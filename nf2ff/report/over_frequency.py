"""Figures over frequency as a table: each frequency a column while they are few, then a summary."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from nf2ff.messages.notice import Code
from nf2ff.messages.recognised import recognised
from nf2ff.report.numbers import aligned

#: More frequencies than this are summarised.
MAX_COLUMNS = 8


class Row(NamedTuple):
    """A figure over frequency, for a table.

    Parameters
    ----------
    name : str
        What it is, ending in its unit.
    values : (F,) ndarray
        Values in that unit, NaN where there is none.
    decimals : int
        Decimals to show.
    digits : int, optional
        Significant digits, in the place of decimals.
    least : float
        What is below this is shown as such.
    """

    name: str
    values: NDArray[np.float64]
    decimals: int = 2
    digits: int | None = None
    least: float = -np.inf


def frequency_table(frequency: NDArray[np.float64], rows: Sequence[Row], *, every: bool = False) -> list[str]:
    """Lines of a table of figures over frequency.

    Up to `MAX_COLUMNS` frequencies a column each; of more the least, median and largest value of each figure
    and where they are. ``every``: one line for each frequency, however many there are.
    """
    ghz = [f"{x / 1e9:.9g}" for x in frequency]
    if every and frequency.size > MAX_COLUMNS:
        table = [("GHz", *(row.name for row in rows))]
        table += [(at, *(row_text(row, f) for row in rows)) for f, at in enumerate(ghz)]
        return aligned(table, words=0)
    if frequency.size <= MAX_COLUMNS:
        table = [("GHz", *ghz)]
        table += [(row.name, *(row_text(row, f) for f in range(frequency.size))) for row in rows]
        return aligned(table, words=1)
    table = [("", "least", "at GHz", "median", "largest", "at GHz")]
    for row in rows:
        if not np.isfinite(row.values).any():
            table.append((row.name, *["-"] * 5))
            continue
        low, high = int(np.nanargmin(row.values)), int(np.nanargmax(row.values))
        middle = row._replace(values=np.array([np.nanmedian(row.values)]))
        table.append(
            (row.name, row_text(row, low), ghz[low], row_text(middle, 0), row_text(row, high), ghz[high])
        )
    return [f"{frequency.size} frequencies from {ghz[0]} to {ghz[-1]} GHz", *aligned(table, words=1)]


def row_text(row: Row, index: int) -> str:
    """A figure at one frequency, as it stands in a table."""
    value = float(row.values[index])
    if np.isnan(value):
        return "-"
    if value < row.least:
        return f"< {row.least:g}"
    if row.digits is not None:
        return f"{value:#.{row.digits}g}".removesuffix(".")
    return f"{value:z.{row.decimals}f}"


# --- sentences of each frequency -------------------------------------------------------------------


def told_once(frequency: Iterable[float], warnings: Iterable[Iterable[str]]) -> list[str]:
    """Warnings of each frequency, those that are equal but for their figures told once."""
    hertz = list(frequency)
    alike: dict[tuple[object, ...], list[tuple[float, list[str]]]] = {}
    for at, some in zip(hertz, warnings, strict=False):
        for sentence in dict.fromkeys(some):
            code, figures = recognised(sentence)
            # Figures that are words are no range: warnings that differ in them stay apart.
            words = tuple(None if _number(x) is not None else x for x in figures)
            alike.setdefault((code, *words), []).append((at / 1e9, figures))
    lines = []
    for (kind, *_), group in alike.items():
        ghz = sorted({at for at, _ in group})
        place = f"{ghz[0]:.9g} GHz"
        if len(ghz) > 1:
            place = f"at {len(ghz)} of {len(hertz)} frequencies, {ghz[0]:.9g} to {ghz[-1]:.9g} GHz"
        ranges = [_range(column) for column in zip(*(figures for _, figures in group), strict=True)]
        literals = kind.literals() if isinstance(kind, Code) else ["", ""]
        told = [word + figure for word, figure in zip(literals, [*ranges, ""], strict=True)]
        lines.append(f"{place}: {''.join(told)}")
    return lines


def _number(text: str) -> float | None:
    """The number, or percentage, that a text is."""
    try:
        return float(text.removesuffix("%"))
    except ValueError:
        return None


def _range(texts: Sequence[str]) -> str:
    """Figures of equal warnings as one: the least to the largest."""
    if len(set(texts)) == 1:
        return texts[0]
    low, high = (pick(texts, key=lambda x: _number(x) or 0.0) for pick in (min, max))
    return low if _number(low) == _number(high) else f"{low} to {high}"
