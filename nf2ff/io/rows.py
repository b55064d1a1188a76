"""Rows of a table in any order, arranged by frequency and position."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]
Index = NDArray[np.intp]

#: Positions that differ by no more than this are equal but for rounding [deg, m]: some hundred
#: roundings of 360, and still exact enough (2e-13 rad) for any antenna.
ROUNDING = 1e-11


def labels(columns: Iterable[Real]) -> Index:
    """One number per row, the same where all columns are the same up to `ROUNDING`."""
    label = np.zeros(1, dtype=np.intp)
    for x in columns:
        values, inverse = np.unique(x, return_inverse=True)
        start = np.flatnonzero(np.diff(values, prepend=-np.inf) > ROUNDING)
        group = np.cumsum(np.diff(values, prepend=values[0]) > ROUNDING)
        # A chain of values, each within rounding of the next, is no single position.
        chained = np.any(np.append(values[start[1:] - 1], values[-1]) - values[start] > ROUNDING)
        code = inverse if chained else group[inverse]
        label = np.unique(label * (code.max() + 1) + code, return_inverse=True)[1]
    return label


def places(which: Index, label: Index) -> tuple[Index, int]:
    """Place of each row among the positions, in the order of their first rows, and how many there are.

    ``which`` and ``label`` number the frequency and the position of each row. The k-th row at one position
    and frequency goes with the k-th there at other frequencies.
    """
    order = np.lexsort((label, which))
    new = np.diff(which[order], prepend=-1) != 0
    new |= np.diff(label[order], prepend=-1) != 0
    index = np.arange(label.size)
    repeat = np.empty(label.size, dtype=np.intp)
    repeat[order] = index - np.maximum.accumulate(np.where(new, index, 0))
    _, first, key = np.unique(label * (repeat.max() + 1) + repeat, return_index=True, return_inverse=True)
    rank = np.empty(first.size, dtype=np.intp)
    rank[np.argsort(first)] = np.arange(first.size)
    return rank[key], first.size


def table_of(which: Index, place: Index, count: int) -> Index:
    """The row of each frequency and position, (F, ``count``); -1 where there is none."""
    rows = np.full((which.max() + 1, count), -1)
    rows[which, place] = np.arange(which.size)
    return rows


def moves(x: Real, rows: Index) -> bool:
    """Whether a column differs from frequency to frequency, the rows (F, M) given."""
    return bool(np.any(np.abs(x[rows] - x[rows[0]]) > ROUNDING))
