"""Figures over frequency as a table: each frequency a column while they are few, then a summary."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from nf2ff.report.shown import aligned

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
    """

    name: str
    values: NDArray[np.float64]
    decimals: int = 2


def frequency_table(frequency: NDArray[np.float64], rows: Sequence[Row], *, every: bool = False) -> list[str]:
    """Lines of a table of figures over frequency.

    Parameters
    ----------
    frequency : (F,) ndarray
        Frequencies [Hz].
    rows : sequence of Row
        The figures.
    every : bool
        One line for each frequency, however many there are.

    Returns
    -------
    list of str
        Up to `MAX_COLUMNS` frequencies a column each; of more the least, median and largest value
        of each figure and where they are.
    """
    ghz = [f"{x / 1e9:.9g}" for x in frequency]
    if every and frequency.size > MAX_COLUMNS:
        table = [("GHz", *(row.name for row in rows))]
        table += [(at, *(_text(row, f) for row in rows)) for f, at in enumerate(ghz)]
        return aligned(table, words=0)
    if frequency.size <= MAX_COLUMNS:
        table = [("GHz", *ghz)]
        table += [(row.name, *(_text(row, f) for f in range(frequency.size))) for row in rows]
        return aligned(table, words=1)
    table = [("", "least", "at GHz", "median", "largest", "at GHz")]
    for row in rows:
        if not np.isfinite(row.values).any():
            table.append((row.name, *["-"] * 5))
            continue
        low, high = int(np.nanargmin(row.values)), int(np.nanargmax(row.values))
        middle = Row("", np.array([np.nanmedian(row.values)]), row.decimals)
        table.append((row.name, _text(row, low), ghz[low], _text(middle, 0), _text(row, high), ghz[high]))
    return [f"{frequency.size} frequencies from {ghz[0]} to {ghz[-1]} GHz", *aligned(table, words=1)]


def _text(row: Row, index: int) -> str:
    value = round(float(row.values[index]), row.decimals) + 0.0  # no minus sign before nothing
    return "-" if np.isnan(value) else f"{value:.{row.decimals}f}"
