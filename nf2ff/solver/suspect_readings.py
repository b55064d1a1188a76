"""Readings that can hardly be right, told from the samples alone; nothing is left out.

A reading far above all of its neighbours, readings of one position that contradict each other, and
runs of equal readings, of which only a model can say whether the field is so.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.grids import ANGLE_TOLERANCE
from nf2ff.kernel import spin
from nf2ff.kernel.sphere import canonical_angles
from nf2ff.measurement.samples import Samples
from nf2ff.messages.notice import Notice
from nf2ff.messages.scan import ReadingCode
from nf2ff.solver.regular_grid import GridScan

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
Whole = NDArray[np.intp]

#: A reading over all of its neighbours that no antenna makes (26 dB): one that is 40 dB too high
#: stands out so even where its neighbours are 14 dB above what it should be. A heuristic; an
#: aperture as wide as the sampling allows falls by 15 dB from one step to the next (2 J1(x)/x at
#: x = pi, closed form).
SPIKE = 20.0
#: The same of powers, for a first look: by more than rounding below.
SCREEN = (1 - 1e-6) * SPIKE**2
#: Neighbours that are looked at, and how far away they may be, in mean distances of positions.
NEIGHBOURS, REACH = 8, 3.0
#: Level below the strongest reading from which nothing is said [amplitude]: -80 dB.
FAINTEST = 1e-4
#: Readings that are followed up in all; the strongest come first.
MOST = 50
#: Readings of one position differ beyond noise by that many of its standard deviations, ...
DEVIATIONS = 8.0
#: ... by that part of themselves, which drift and positions may make (0.4 dB or 3 deg), ...
PART = 0.05
#: ... and by that part of the rms reading.
LEAST = 0.01
#: Equal readings in a row that are worth a look.
RUN = 5
#: Values of chi that are told apart, those of a scan in steps; more are taken as one.
MAX_CHI = 8
#: Readings that are looked at together: a cache holds them.
TOGETHER = 2**14
#: Sums of angles and distances of one position agree to this [rad, m], two of others hardly.
SAME = 1e-12


@dataclass(frozen=True, eq=False)
class Places:
    """Where the samples of one frequency are; what these checks need of it is worked out when asked for.

    Canonical ``theta`` and ``phi`` and the ``chi`` that goes with them [rad], ``radius`` [m] and ``port``
    of each (M,); whether they are ``distinct``, differing in angles or port; the ``raster`` that they are,
    if any.
    """

    theta: Real
    phi: Real
    chi: Real
    radius: Real
    port: NDArray[np.int16]
    distinct: bool = False
    raster: GridScan | None = None
    threads: int = 1

    @property
    def _shape(self) -> tuple[int, int, int]:
        return (self.raster and self.raster.shape) or (0, 0, 0)

    @cached_property
    def kind(self) -> NDArray[np.int16]:
        """Which polarisation and port each sample has."""
        if self.raster is None:
            return _kinds(self.chi, self.port)
        chi, _, _ = _rows(self.raster)
        shape = [1, 1, 1]
        shape[self.raster.axes[0]] = chi.size
        kind = _kinds(self.chi[chi], self.port[chi]).reshape(shape)
        return np.broadcast_to(kind, self._shape).ravel()

    @property
    def kinds(self) -> int:
        """How many of them there are."""
        return int(self.kind.max()) + 1

    @cached_property
    def poles(self) -> tuple[Whole, Whole]:
        """Rows of the samples at the north and at the south pole."""
        theta = self.theta if self.raster is None else self.raster.grid.theta
        north, south = (
            np.flatnonzero(theta < ANGLE_TOLERANCE),
            np.flatnonzero(theta > np.pi - ANGLE_TOLERANCE),
        )
        if self.raster is not None:
            chi, rings, phi = _rows(self.raster)
            north, south = (
                np.sort((chi[:, None, None] + rings[x, None] + phi).ravel()) for x in (north, south)
            )
        return north, south

    @cached_property
    def pairs(self) -> tuple[Whole, Whole]:
        """Samples of the same position and kind as another, first and second.

        At a pole only chi + phi (north) or chi - phi (south) matters: there, samples of different phi and chi
        are of the same position, too.
        """
        first = second = np.zeros(0, dtype=np.intp)
        if not self.distinct:
            first, second = _pairs(self.theta, self.phi, self.chi, self.radius, self.port)
        polar = np.sort(np.concatenate(self.poles))
        if not polar.size:
            return first, second
        south = self.theta[polar] > 1
        chi, phi = self.chi[polar], self.phi[polar]
        turn = np.where(south, chi - phi, chi + phi)
        at = np.where(south, np.pi, 0.0)
        one, other = _pairs(at, np.zeros(turn.size), turn, self.radius[polar], self.port[polar])
        away = ~np.isin(second, polar)
        return np.concatenate([first[away], polar[one]]), np.concatenate([second[away], polar[other]])

    def first_look(self, w: Complex) -> tuple[Whole, bool]:
        """Rows of readings that may stand out from all near them, and whether there may be `runs`."""
        if self.raster is not None and self.raster.finest:
            count = self._shape[2]
            lines = spin.shares(w.size // count, self.threads)
            found = spin.run([partial(_out_of_lines, w, count, share) for share in lines], self.threads)
            return np.concatenate([rows for rows, _ in found]), any(repeated for _, repeated in found)
        return self._out_of_cells(w), _repeated(w, 0, w.size)

    def _out_of_cells(self, w: Complex) -> Whole:
        power = _powers(w, np.empty(2 * w.size), np.empty(w.size))
        if np.isnan(power.sum()):
            np.nan_to_num(power, copy=False)
        cell, _ = self._cells
        highest = np.flatnonzero(power >= self._tops(power)[cell])
        own = power[highest]
        power[highest] = 0
        return highest[own > SCREEN * self._tops(power)[cell[highest]]]

    @cached_property
    def _cells(self) -> tuple[NDArray[np.int32], Whole]:
        """Cell of each sample, and the rows from which on it is another."""
        cell = _cells(self.theta, self.phi, self.kind, self.kinds)
        return cell, np.flatnonzero(np.concatenate([[True], cell[1:] != cell[:-1]]))

    def _tops(self, power: Real) -> Real:
        """The most of each cell."""
        cell, starts = self._cells
        top = np.zeros(int(cell.max()) + 1)
        np.maximum.at(top, cell[starts], np.maximum.reduceat(power, starts))
        return top

    def near(self, row: int) -> tuple[Whole, float]:
        """Samples of the same kind, as near in theta as neighbours may be, and how near [rad]."""
        if self.raster is None:
            alike = self.kind == self.kind[row]
            reach = REACH * math.sqrt(4 * math.pi / np.count_nonzero(alike))
            return np.flatnonzero((np.abs(self.theta - self.theta[row]) <= reach) & alike), reach
        grid, start = self.raster.grid, np.unravel_index(row, self._shape)
        # Rows from this one to others along chi, theta and phi.
        chi, theta, phi = (x - x[start[k]] for x, k in zip(_rows(self.raster), self.raster.axes, strict=True))
        chi = chi[np.abs(np.sin(self.chi[row + chi] - self.chi[row])) < ANGLE_TOLERANCE]
        reach = REACH * math.sqrt(4 * math.pi / (chi.size * theta.size * phi.size))
        rings = np.abs(grid.theta - self.theta[row]) <= reach
        theta, narrowest = theta[rings], float(np.sin(grid.theta[rings]).min())
        # Within the reach |sin(dphi / 2)| is at most this.
        half = math.sin(reach / 2) / max(narrowest, 1e-9) if reach < math.pi else 1.0
        phi = phi[np.abs(np.sin((grid.phi - self.phi[row]) / 2)) <= half]
        return row + (chi[:, None, None] + theta[:, None] + phi).ravel(), reach


def _rows(raster: GridScan) -> tuple[Whole, Whole, Whole]:
    """Rows of a raster, from its first one along chi, along theta and along phi."""
    shape = raster.shape or (0, 0, 0)
    steps = np.cumprod([1, *shape[:0:-1]])[::-1]
    chi, theta, phi = (np.arange(shape[k]) * steps[k] for k in raster.axes)
    return chi, theta, phi


def places(
    theta: Real,
    phi: Real,
    chi: Real,
    radius: Real,
    port: NDArray[np.int16],
    *,
    scan: GridScan | None = None,
    threads: int = 1,
) -> Places:
    """Samples (M,) by place; ``scan`` if they are a grid."""
    raster = scan if scan is not None and scan.shape is not None else None
    if raster is None and not (theta.min() >= 0 and phi.min() >= 0 and phi.max() < 2 * np.pi):
        theta, phi, turned = canonical_angles(theta, phi)
        if turned.any():
            chi = chi + np.pi * turned
    return Places(theta, phi, chi, radius, port, scan is not None and scan.distinct, raster, threads)


def _kinds(chi: Real, port: NDArray[np.int16]) -> NDArray[np.int16]:
    """Which pair of port and chi (up to half a turn) each sample has."""
    kind = np.zeros(chi.size, dtype=np.int16)
    several = port.min() < port.max()
    count = 0
    for number in np.unique(port).tolist() if several else [int(port[0])]:
        own = np.flatnonzero(port == number) if several else slice(None)
        turn = chi[own]
        # Some thousand of them show which values there are; where others occur, chi runs on.
        values = np.unique(turn[:: max(1, turn.size // 4096)])
        if values.size > 4 * MAX_CHI:
            values = values[:0]
        alike = values[:, None] - values
        names = np.argmax(np.abs(np.sin(alike)) < ANGLE_TOLERANCE, axis=1) if values.size else []
        mine = np.full(turn.size, -1, dtype=np.int16)
        for name, value in zip(names, values, strict=True):
            mine[turn == value] = count + name
        if not values.size or mine.min() < 0:
            mine[:] = count
        kind[own] = mine
        count = int(mine.max()) + 1
    return kind


def _out_of_lines(w: Complex, count: int, lines: range) -> tuple[Whole, bool]:
    """What stands out of the readings beside it in some ``lines`` of so many, and whether any may be `runs`.

    Both are asked of some readings at a time: memory is slower than the questions.
    """
    found: list[Whole] = []
    repeated = False
    step = max(1, TOGETHER // count)
    room = np.empty((4, step * count))
    above = np.empty(step * count, dtype=bool)
    for line in lines[::step]:
        start, stop = line * count, min(line + step, lines.stop) * count
        own = slice(0, stop - start)
        power = _powers(w[start:stop], room[:2].ravel()[: 2 * own.stop], room[2, own])
        least = np.multiply(power, SCREEN, out=room[3, own])
        np.less_equal(power[1:], least[:-1], out=above[1 : own.stop])
        # A reading that is missing is above none, and none is under it.
        np.logical_not(above[own], out=above[own])
        above[own.start : own.stop : count] = True  # the first of a line has none before it
        found.append(np.flatnonzero(above[own]) + start)
        repeated = repeated or _repeated(w, start, stop)
    rows = np.concatenate(found)
    power, after = (np.abs(w[at]) ** 2 for at in (rows, np.minimum(rows + 1, w.size - 1)))
    return rows[(rows % count == count - 1) | ~(power <= SCREEN * after)], repeated


def _repeated(w: Complex, start: int, stop: int) -> bool:
    """Whether a run of equal readings may be among some of them: of so many pairs in a row one is asked."""
    after = w.real[start + 1 : stop + 1 : RUN - 1]
    return bool(np.any(w.real[start : stop : RUN - 1][: after.size] == after))


def _powers(w: Complex, squares: Real, out: Real) -> Real:
    """Squared magnitudes of readings (M,), by way of room for the ``squares`` (2 M,)."""
    np.square(w.view(float), out=squares)
    return np.add(squares[::2], squares[1::2], out=out)


def _cells(theta: Real, phi: Real, kind: NDArray[np.int16], kinds: int) -> NDArray[np.int32]:
    """Small parts of the sphere, for each kind its own: with some 16 samples of it."""
    rings = max(1, round(math.sqrt(math.pi * theta.size / kinds / 64)))
    ring = (theta * (rings / (np.pi * (1 + 1e-9)))).astype(np.int32)
    columns = np.maximum(1, np.round(2 * rings * np.sin(np.pi * (np.arange(rings) + 0.5) / rings))).astype(
        np.int32
    )
    start = np.concatenate([[0], np.cumsum(columns)]).astype(np.int32)
    cell: NDArray[np.int32] = (phi * (columns / (2 * np.pi * (1 + 1e-9)))[ring]).astype(np.int32)
    cell += start[ring]
    if kinds > 1:
        cell += start[-1] * kind.astype(np.int32)
    return cell


def _pairs(theta: Real, phi: Real, chi: Real, radius: Real, port: NDArray[np.int16]) -> tuple[Whole, Whole]:
    """Samples that are of the same position as one before (the first), and which (the second)."""
    if not ((chi >= 0) & (chi < 2 * np.pi)).all():
        chi = np.mod(chi, 2 * np.pi)
    # One number of each position, unlike those of others but for chance: all is looked at again.
    key = theta + math.sqrt(2) * phi + math.sqrt(3) * chi
    for x, factor in ((radius, math.sqrt(5)), (port, math.sqrt(7))):
        if x.min() < x.max():
            key += factor * x
    ordered = np.sort(key)
    close = np.diff(ordered) <= SAME
    if not close.any():
        none = np.zeros(0, dtype=np.intp)
        return none, none
    again = ordered[:-1][close]
    at = np.minimum(np.searchsorted(again, key + SAME, side="right"), again.size) - 1
    rows = np.flatnonzero((at >= 0) & (np.abs(key - again[at]) <= 2 * SAME))
    rows = rows[np.argsort(key[rows], kind="stable")]
    new = np.diff(key[rows], prepend=-np.inf) > SAME
    first = np.minimum.reduceat(rows, np.flatnonzero(new))[np.cumsum(new) - 1]
    same = first != rows
    for x in (theta, phi, chi, radius, port):
        same &= np.abs(x[first] - x[rows]) <= 100 * SAME
    return first[same], rows[same]


def judge_readings(samples: Samples) -> list[list[Notice]]:
    """Warnings of spikes and contradictions, for each frequency, where no model is known."""
    found = []
    for f, at in enumerate(each_place(samples)):
        w = samples.response[f]
        told, rows = spikes(at, w, samples, f)
        found.append(told + contradictions(at, without(w, rows), samples, f, math.nan))
    return found


def without(w: Complex, rows: list[int] | Whole) -> Complex:
    """Readings with some of them missing; the array itself if there are none to leave out."""
    if len(rows) == 0:
        return w
    w = w.copy()
    w[rows] = complex(np.nan, np.nan)
    return w


def each_place(samples: Samples, *, scan: GridScan | None = None, threads: int = 1) -> Iterator[Places]:
    """`Places` of each frequency, the same one where positions do not move; ``scan`` if they are a grid."""
    known = None
    for f in range(samples.frequency.size):
        if known is None or samples.moving:
            known = places(*samples.place(f), samples.port, scan=scan, threads=threads)
        yield known


def spikes(
    at: Places, w: Complex, samples: Samples, f: int, rows: Whole | None = None
) -> tuple[list[Notice], list[int]]:
    """Warning of readings that stand alone, far above all others near them, and their rows.

    They are among the ``rows`` of `Places.first_look`.
    """
    rows = at.first_look(w)[0] if rows is None else rows
    rows = rows[np.argsort(-np.abs(w[rows]), kind="stable")][:MOST]
    found = [(row, level) for row in rows.tolist() if (level := _over_neighbours(at, w, row))]
    if found:
        least = FAINTEST * float(np.nanmax(np.abs(w)))
        found = [(row, level) for row, level in found if abs(w[row]) > least]
    if not found:
        return [], []
    bad = [row for row, _ in found]
    level_db = 20 * math.log10(max(level for _, level in found))
    height = f"{level_db:z.0f} dB" if math.isfinite(level_db) else "infinitely"
    code = ReadingCode.SPIKE if len(found) == 1 else ReadingCode.SPIKES
    return [code(where=where(samples, f, bad), height=height, level_db=level_db)], bad


def _size(w: Complex, samples: Samples) -> Real:
    """Magnitudes, zero where a reading is missing."""
    size: Real = np.abs(w)
    if samples.any_missing or np.isnan(size.sum()):
        size = np.nan_to_num(size, copy=False)
    return size


def _over_neighbours(at: Places, w: Complex, row: int) -> float:
    """Level of a reading over the highest of its neighbours; 0 if it is none to speak of."""
    near, reach = at.near(row)
    theta, phi = at.theta[row], at.phi[row]
    half = (
        np.sin((at.theta[near] - theta) / 2) ** 2
        + np.sin(theta) * np.sin(at.theta[near]) * np.sin((at.phi[near] - phi) / 2) ** 2
    )
    close = (half <= math.sin(min(reach, math.pi) / 2) ** 2) & (near != row)
    near, half = near[close], half[close]
    if near.size < NEIGHBOURS:
        return 0.0
    near = near[np.argpartition(half, NEIGHBOURS - 1)[:NEIGHBOURS]]
    size, highest = abs(w[row]), float(np.nan_to_num(np.abs(w[near])).max())
    if size <= SPIKE * highest:
        return 0.0
    return float(size / highest) if highest > 0 else math.inf


def contradictions(at: Places, w: Complex, samples: Samples, f: int, noise: float) -> list[Notice]:
    """Warning of pairs of readings of one position that differ by more than noise explains.

    ``noise`` is the rms noise of a reading over the rms reading, as far as is known, or NaN.
    """
    first, second = at.pairs
    if not first.size:
        return []
    size = _size(w, samples)
    difference = np.abs(w[second] - w[first])
    there = ~np.isnan(difference)
    rms = float(np.sqrt(np.mean(np.square(size))))
    scale = np.maximum(size[first], size[second])
    # At a pole every polarisation is of one field: the weak one is off by part of the strong.
    polar = np.sin(at.theta[first]) < ANGLE_TOLERANCE
    for south, own in enumerate(at.poles):
        if own.size:
            scale[polar & ((at.theta[first] > 1) == south)] = size[own].max()
    least = np.maximum(PART * scale, LEAST * rms)
    noisy = difference[difference > 0]  # not of rows that stand there twice
    if noisy.size >= 8:
        # The median of the magnitude of complex noise is 0.83 of its rms (Rayleigh).
        least = np.maximum(least, DEVIATIONS * 1.2 * np.median(noisy))
    known = noise * rms if math.isfinite(noise) else 0.0
    bad = np.flatnonzero(there & (difference > np.maximum(least, DEVIATIONS * 1.42 * known)))
    if not bad.size:
        return []
    bad = bad[np.argsort(-difference[bad] / scale[bad], kind="stable")]
    one, other = int(first[bad[0]]), int(second[bad[0]])
    low, high = sorted([size[one], size[other]])
    apart = f"{20 * math.log10(high / low):z.1f} dB" if low > 0 else "all of their level"
    turn = math.degrees(abs(np.angle(w[other] * np.conj(w[one]))))
    return [
        ReadingCode.CONTRADICTION(
            where=where(samples, f, [one, other]),
            apart=apart,
            turn_deg=turn,
            count=bad.size,
            more=f" ({bad.size} such pairs in all)" if bad.size > 1 else "",
        )
    ]


def runs(w: Complex) -> list[tuple[int, int]]:
    """Rows (from, to), the last one not included, of `RUN` and more equal readings in a row."""
    same = np.concatenate([[False], w[1:] == w[:-1], [False]])
    edges = np.flatnonzero(same[1:] != same[:-1])
    return [(int(a), int(b) + 1) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a >= RUN - 1]


def where(samples: Samples, f: int, rows: list[int]) -> str:
    """The first few of samples: their numbers, from 1 in the order of the table, and places."""
    shown = []
    for row in rows[:3]:
        theta, phi, chi = (math.degrees(float(x[row])) for x in samples.place(f)[:3])
        port = f", port {samples.port[row]}" if len(samples.ports()) > 1 else ""
        place = f"theta {theta:z.6g}, phi {phi:z.6g}, chi {chi:z.6g} deg{port}"
        shown.append(f"sample {samples.number_of(row)} ({place})")
    if len(rows) > 3:
        shown.append(f"{len(rows) - 3} more")
    return " and ".join([", ".join(shown[:-1]), shown[-1]]) if len(shown) > 1 else shown[0]
