"""Rows of a table in any order, arranged by frequency and position."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nf2ff.measurement.samples import ResponseUnit, Samples
from nf2ff.messages.input_error import InputError

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


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Readings in any order: frequency [Hz], place [deg, m], port of the probe, response, exp(+jwt), when
    they were taken [s], and with which others they share a phase, 0 with none.
    """

    frequency: Real
    theta_deg: Real
    phi_deg: Real
    chi_deg: Real
    radius: Real
    port: Real
    response: NDArray[np.complex128]
    time: Real | None = None
    coherence: Real | None = None

    def samples(self, unit: ResponseUnit, line: Callable[[int], str]) -> Samples:
        """Samples as `tables.read_table` describes them; ``line`` says where a row stands, for messages."""
        frequency, rows = self._arrange(line)
        present = rows >= 0
        value = self.response[rows]
        value[~present] = complex(np.nan, np.nan)
        # Where a position is missing at a frequency, rows is -1: its place comes from another row.
        first = rows.max(axis=0) if not present.all() else rows[0]
        place = [
            x[rows] if present.all() and _moves(x, rows) else x[first]
            for x in (self.theta_deg, self.phi_deg, self.chi_deg, self.radius)
        ]
        theta, phi, chi = (np.radians(x, out=x) for x in place[:3])  # the copies made above
        port = self.port[first].astype(np.int16)
        time = None
        if self.time is not None:
            time = np.where(present, self.time[rows], self.time[first])
            time = time if np.any(time != time[0]) else time[0]
        groups = None if self.coherence is None else self._groups(rows, present, line)
        return Samples(frequency, theta, phi, chi, place[3], port, value, unit, None, time, groups)

    def _groups(self, rows: Index, present: NDArray[np.bool_], line: Callable[[int], str]) -> Index:
        """Group of each sample, (M,), from 1; refused where frequencies differ in them."""
        assert self.coherence is not None
        found = np.zeros(rows.shape[1], dtype=np.intp)
        for which, there in zip(rows, present, strict=True):
            number = self.coherence[which[there]].astype(np.int64)
            alone = number == 0
            number[alone] = number.max() + 1 + np.arange(alone.sum())
            own = np.unique(number, return_inverse=True)[1]
            # Groups of earlier frequencies must each be one of these, as far as samples are in both.
            before = found[there]
            link = np.zeros(own.max() + 1, dtype=np.intp)
            link[own[before > 0]] = before[before > 0]
            wrong = (before > 0) & (link[own] != before)
            if wrong.any() or np.unique(link[link > 0]).size < np.count_nonzero(link):
                raise InputError(
                    "frequencies differ in which samples share a phase (coherence)",
                    "give every frequency the same groups, or a table of its own",
                    where=line(int(which[there][np.argmax(wrong)])),
                )
            new = link == 0
            link[new] = found.max() + 1 + np.arange(new.sum())
            found[there] = link[own]
        return np.unique(found, return_inverse=True)[1] + 1

    def _arrange(self, line: Callable[[int], str]) -> tuple[Real, Index]:
        """Frequencies (F,) and the row of each sample (F, M), -1 where there is none.

        A column of the result is one position, or, where the axes move, one instant of the scan.
        """
        position = [self.theta_deg, self.phi_deg, self.chi_deg, self.radius, self.port]
        frequency, which = np.unique(self.frequency, return_inverse=True)
        count = np.bincount(which)
        even = np.all(count == count[0])
        in_turn = np.argsort(which, kind="stable")
        if even and not any(_moves(x, in_turn.reshape(frequency.size, -1)) for x in position):
            return frequency, in_turn.reshape(frequency.size, -1)
        place, positions = places(which, labels(position))
        if np.all(2 * count > positions):
            return frequency, table_of(which, place, positions)
        if even:
            rows = in_turn.reshape(frequency.size, -1)
            if not _moves(self.port, rows) and not _split_grid(position, rows):
                return frequency, rows
        rare = int(np.argmin(count))
        raise InputError(
            f"{frequency[rare]:.12g} Hz has rows at {count[rare]} of {positions} positions",
            "two frequencies mixed in one grid? Give every frequency the same positions, or a table of its "
            "own; where axes move, as many rows",
            where=line(int(np.argmax(which == rare))),
        )


def _moves(x: Real, rows: Index) -> bool:
    """Whether a column differs from frequency to frequency, the rows (F, M) given."""
    return bool(np.any(np.abs(x[rows] - x[rows[0]]) > ROUNDING))


def _split_grid(position: list[Real], rows: Index) -> bool:
    """Whether the frequencies share out one raster of theta and phi among them.

    Axes that move during a sweep give each frequency a raster of its own over nearly the same
    range; a grid split among frequencies leaves them parts.
    """

    def raster(pick: Index) -> bool:
        theta, phi = (labels([position[i][pick]]) for i in (0, 1))
        size = (int(theta.max()) + 1) * (int(phi.max()) + 1)
        return np.unique(labels([position[0][pick], position[1][pick]])).size == size

    polar = np.abs(np.sin(np.radians(position[0]))) > 1e-9  # a pole may be recorded once
    if not polar.any() or not raster(np.flatnonzero(polar)):
        return False
    apart = []
    for x in position[:2]:
        low, high = x[rows].min(axis=1), x[rows].max(axis=1)
        apart.append(np.all(low < high) and high.min() < low.max())
    return any(apart) or not all(raster(r[polar[r]]) for r in rows if polar[r].any())
