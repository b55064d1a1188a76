"""Rows of a table in any order, arranged by frequency and position."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.measurement.samples import ResponseUnit, Samples
from nf2ff.messages.input_error import InputError

Real = NDArray[np.float64]
Index = NDArray[np.integer[Any]]

#: Positions that differ by no more than this are equal but for rounding [deg, m]: some hundred
#: roundings of 360, and still exact enough (2e-13 rad) for any antenna.
ROUNDING = 1e-11
#: Values that are looked at together.
_BLOCK = 2**16
#: Different values of a column from which they are held as they come.
_MANY = 2**18


@dataclass(frozen=True, slots=True, eq=False)
class Coded:
    """A column whose values recur: ``values``, increasing, and which of them each row has."""

    values: Real
    codes: NDArray[np.unsignedinteger[Any]]

    def __getitem__(self, rows: Any) -> Real:
        found: Real = self.values[self.codes[rows]]
        return found


Column = Real | Coded


class Recurring:
    """A column that comes in parts, of which each value is held once as long as they are few and real."""

    def __init__(self) -> None:
        self._values = np.empty(0)
        self._codes_of = np.empty(0, dtype=np.intp)
        self._rows: NDArray[Any] = np.empty(0, dtype=np.uint8)
        self._size = 0

    def add(self, part: NDArray[Any]) -> None:
        """Take the next rows."""
        for at in range(0, part.size, _BLOCK):
            self._add(part[at : at + _BLOCK])

    def _add(self, part: NDArray[Any]) -> None:
        if self._rows.dtype.kind == "u" and not np.iscomplexobj(part):
            values, inverse = np.unique(part + 0.0, return_inverse=True)  # no negative zero
            at = np.searchsorted(self._values, values)
            new = np.append(self._values, np.nan)[at] != values
            codes = np.arange(self._values.size, self._values.size + np.count_nonzero(new))
            self._values = np.insert(self._values, at[new], values[new])
            self._codes_of = np.insert(self._codes_of, at[new], codes)
            code = self._codes_of[np.searchsorted(self._values, values)]
            part = code.astype(np.min_scalar_type(self._values.size))[inverse]
        end = self._size + part.size
        self._rows = self._rows.astype(np.promote_types(self._rows.dtype, part.dtype), copy=False)
        if end > self._rows.size:
            self._rows.resize(end + end // 8, refcheck=False)  # in place where it is large
        self._rows[self._size : end] = part
        self._size = end
        if self._values.size > _MANY and self._rows.dtype.kind == "u":
            self._rows = self._values[np.argsort(self._codes_of)][self._rows[:end]]

    def column(self) -> Any:
        """All rows, which are let go of here: a `Coded` column, or an array; None if there are none."""
        self._rows.resize(self._size, refcheck=False)
        rows, self._rows = self._rows, np.empty(0, dtype=np.uint8)
        if rows.dtype.kind != "u":
            return rows
        rank = np.argsort(self._codes_of).astype(np.min_scalar_type(self._values.size))
        return Coded(self._values, rank[rows]) if rows.size else None


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

    frequency: Column
    theta_deg: Column
    phi_deg: Column
    chi_deg: Column
    radius: Column
    port: Column
    response: NDArray[np.complex128]
    time: Real | None = None
    coherence: Real | None = None

    def samples(self, unit: ResponseUnit, line: Callable[[int], str]) -> Samples:
        """Samples as `tables.read_table` describes them; ``line`` says where a row stands, for messages."""
        frequency, rows = self._arrange(line)
        present = rows >= 0
        # Where a position is missing at a frequency, rows is -1: its place comes from another row.
        whole = bool(present.all())
        if whole and np.all(np.diff(rows.ravel()) == 1):  # as in the file: no second copy of the largest part
            value = self.response.reshape(rows.shape)
        else:
            value = np.empty(rows.shape, dtype=complex)
            for one, which, there in zip(value, rows, present, strict=True):
                one[:] = np.where(there, self.response[which], complex(np.nan, np.nan))
        first = rows[0] if whole else rows.max(axis=0)
        place = [
            x[rows] if whole and _moves(x, rows) else x[first]
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

    def _groups(
        self, rows: Index, present: NDArray[np.bool_], line: Callable[[int], str]
    ) -> NDArray[np.int64]:
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
        return np.asarray(np.unique(found, return_inverse=True)[1] + 1, dtype=np.int64)

    def _arrange(self, line: Callable[[int], str]) -> tuple[Real, Index]:
        """Frequencies (F,) and the row of each sample (F, M), -1 where there is none.

        A column of the result is one position, or, where the axes move, one instant of the scan.
        """
        position = [self.theta_deg, self.phi_deg, self.chi_deg, self.radius, self.port]
        which: Index
        if isinstance(self.frequency, Coded):
            frequency, which = self.frequency.values, self.frequency.codes
        else:
            frequency, which = np.unique(self.frequency, return_inverse=True)
        count = np.bincount(which)
        even = np.all(count == count[0])
        in_turn: Index = np.argsort(which, kind="stable")
        if which.size < 2**31:
            in_turn = in_turn.astype(np.int32)  # of which there are as many as responses
        if even and not any(_moves(x, in_turn.reshape(frequency.size, -1)) for x in position):
            return frequency, in_turn.reshape(frequency.size, -1)
        place, positions = places(which, labels(x[:] for x in position))
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


def _moves(x: Column, rows: Index) -> bool:
    """Whether a column differs from frequency to frequency, the rows (F, M) given."""
    first, step = x[rows[0]], max(1, _BLOCK // rows.shape[1])
    blocks = (rows[at : at + step] for at in range(0, len(rows), step))
    return any(bool(np.any(np.abs(x[some] - first) > ROUNDING)) for some in blocks)


def _split_grid(position: list[Column], rows: Index) -> bool:
    """Whether the frequencies share out one raster of theta and phi among them.

    Axes that move during a sweep give each frequency a raster of its own over nearly the same
    range; a grid split among frequencies leaves them parts.
    """

    def raster(pick: Index) -> bool:
        theta, phi = (labels([position[i][pick]]) for i in (0, 1))
        size = (int(theta.max()) + 1) * (int(phi.max()) + 1)
        return np.unique(labels([position[0][pick], position[1][pick]])).size == size

    polar = np.abs(np.sin(np.radians(position[0][:]))) > 1e-9  # a pole may be recorded once
    if not polar.any() or not raster(np.flatnonzero(polar)):
        return False
    apart = []
    for x in position[:2]:
        low, high = x[rows].min(axis=1), x[rows].max(axis=1)
        apart.append(np.all(low < high) and high.min() < low.max())
    return any(apart) or not all(raster(r[polar[r]]) for r in rows if polar[r].any())
