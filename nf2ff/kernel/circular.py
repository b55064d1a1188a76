"""Weighted products of spin 1 on the grid of `fine_grid`, by matrices of which one table serves all sets.

In the circular parts of gradient and curl, c+- = +-(G +- iC) / sqrt 2, a real table of y_n d^n_{m,1}, m >= 0,
serves both parts and both signs of m, as `gpu` says. Sums over n are products of small matrices, whose shape
is the same whatever else is computed beside them: so are the bits. At each call threads wait for each other,
and at each reading of the table for memory: sets go together.

Coefficients are one real row (S,), orders in bands of `BAND`: of each order eight rows over the degrees n
from the band's first order on, with zeros for n < m. They are the real parts of q- of m, q+ of -m, q+ of m
and q- of -m, then the imaginary parts. The last two of each belong to rings counted from below.
"""

from __future__ import annotations

import math
import threading
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Any

import ducc0
import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel import gpu, spin
from nf2ff.kernel.fine_grid import fine_shape

Real = NDArray[Any]
Complex = NDArray[Any]

#: Degree up to which the table stays within the caches, and its products within one thread of BLAS.
MAX_DEGREE = 120
#: Orders whose products are one call, and sets at once, at most.
BAND, TOGETHER = 8, 4
#: Degrees from which threads save time, each with sets of its own, and several with one: they wait for each
#: other three times a product, and for the interpreter.
SETS_APART, SET_SHARED = 50, 80
#: Values of functions that are none, in roundings: near the poles those of high orders. Numbers so small that
#: they lose digits take the processor a hundred times as long.
NOTHING = 1e-2
#: Bytes from which numpy asks for large pages.
LARGE = 2**22


@dataclass(frozen=True, slots=True, eq=False)
class _Band:
    """Of K orders: which, where their coefficients stand, rings on which they have values, and y_n d^n_{m,1}
    there, (K, n, R'), and (K, R', n)."""

    orders: slice
    own: slice
    shape: tuple[int, int, int]
    rings: slice
    table: Real
    back: Real


def _layout(degree: int, m: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """Of orders ``m``, where the rows of the table begin, how many they are, and the degree of the first."""
    band = m // BAND
    first = band * BAND
    length = degree + 1 - first
    # All bands before one are full.
    start = BAND * (band * (degree + 1) - BAND * (band * (band - 1) // 2))
    return start + (m - first) * length, length, first


@lru_cache(maxsize=4)
def _bands(degree: int, kind: Any) -> list[_Band]:
    rings, _ = fine_shape(degree)
    m, n = np.ogrid[: degree + 1, : degree + 1]
    start, length, first = _layout(degree, m)
    table = gpu.wave_table(np, degree, rings, start + n - first, int(start[-1, 0] + length[-1, 0]))
    table[np.abs(table) < NOTHING * np.finfo(kind).eps] = 0
    # One piece of memory, of large pages: among small ones reads wait for their addresses.
    room = np.empty(max(2 * table.size, LARGE // np.dtype(kind).itemsize), dtype=kind)
    found, used = [], 0

    def put(values: Real) -> Real:
        nonlocal used
        place = room[used : used + values.size].reshape(values.shape)
        place[...] = values
        used += values.size
        return place

    for at in range(0, degree + 1, BAND):
        count, size, begin = min(BAND, degree + 1 - at), int(length[at, 0]), int(start[at, 0])
        end = begin + count * size
        own = table[begin:end].reshape(count, size, rings)
        inside = np.flatnonzero(own.any(axis=(0, 1)))
        some = slice(int(inside[0]), int(inside[-1]) + 1)
        part = put(own[..., some])
        back = part.swapaxes(1, 2)
        if kind == np.float32:
            back = put(back)  # of the other the library's products take three times as long
        found.append(
            _Band(slice(at, at + count), slice(8 * begin, 8 * end), (count, 8, size), some, part, back)
        )
    return found


@lru_cache(maxsize=4)
def _places(degree: int) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Where the eight parts of each packed position stand, (8, A), and signs (4, A)."""
    m, n = spin.packed_numbers(degree)
    start, length, first = _layout(degree, m.astype(np.intp))
    place = 8 * start + n - first + np.arange(8)[:, None] * length
    signs = np.where(np.stack([0 * m, m + 1, n + m, n + 1]) & 1, -1.0, 1.0)
    return place, signs


def from_maps(packed: Complex) -> Real:
    """Circular parts (S,) of packed gradient and curl (2, 2, A)."""
    degree = spin.degree_of_packed(packed)
    place, signs = _places(degree)
    g, c = packed[:, 0], 1j * packed[:, 1]
    plus, minus = (c + g) / np.sqrt(2), (c - g) / np.sqrt(2)
    parts = signs * np.stack([minus[0], plus[1], plus[0], minus[1]])
    found = np.zeros(_bands(degree, np.float64)[-1].own.stop)
    found[place[:4]], found[place[4:]] = parts.real, parts.imag
    return found


def to_maps(parts: Real, degree: int) -> Complex:
    """Packed gradient and curl (2, 2, A) of circular parts (S,)."""
    place, signs = _places(degree)
    both = signs / np.sqrt(2) * (parts[place[:4]] + 1j * parts[place[4:]])
    plus, minus = both[2:0:-1], both[::3]
    found = np.empty((2, 2, both.shape[1]), dtype=complex)
    np.subtract(plus, minus, out=found[:, 0])
    np.multiply(plus + minus, -1j, out=found[:, 1])
    return found


_kept = threading.local()


def _room(name: str, shape: tuple[int, ...], kind: Any) -> NDArray[Any]:
    """Room of that name and shape that the thread keeps: fresh memory costs as much as half a product."""
    rooms = getattr(_kept, "rooms", {})
    size = math.prod(shape)
    room = rooms.get((name, kind))
    if room is None or room.size < size:
        room = np.empty(size, dtype=kind)
        rooms[name, kind] = room
        _kept.rooms = rooms
    return np.asarray(room[:size].reshape(shape))


def ends(degree: int) -> list[int]:
    """How many coefficients S there are up to each band of orders, the last of them all."""
    return [band.own.stop for band in _bands(degree, np.float64)]


def weighted_product(parts: Real, field: Real, *, degree: int, threads: int) -> Real:
    """Adjoint transform of ``field`` (columns, R) times the transform of circular parts (B, S).

    In the precision of the parts and the field, which is the same. Each set by itself, to the last bit. Parts
    up to a band of low orders (`ends`) do with fewer columns (`fine_grid.of_low_orders`).
    """
    kind: Any = parts.dtype.type
    count, columns = len(parts), len(field)
    if min(threads, count) > 1 and degree >= SETS_APART:
        some = spin.shares(count, min(threads, count))
        product = partial(weighted_product, field=field, degree=degree, threads=threads // len(some))
        jobs = [partial(product, parts[each.start : each.stop]) for each in some]
        return np.concatenate(spin.run(jobs, threads))
    if degree < SET_SHARED:
        threads = 1
    bands = [band for band in _bands(degree, kind) if band.own.stop <= parts.shape[1]]
    rings, top = fine_shape(degree)[0], bands[-1].orders.stop
    legs = _room("legs", (count, top, 8, rings), kind)
    # Legs of each map, their columns, and whether their rings are counted from below.
    minus = slice(None, columns - top, -1)
    places = [
        [(0, slice(0, top), 1), (3, minus, -1)],
        [(1, minus, 1), (2, slice(0, top), -1)],
    ]
    shares = [slice(k, None, threads) for k in range(threads)]
    maps = [(one, own) for one in legs for own in places]

    def to_rings(share: slice) -> None:
        for band in bands[share]:
            own = legs[:, band.orders]
            own[..., : band.rings.start] = own[..., band.rings.stop :] = 0
            given = parts[:, band.own].reshape(count, *band.shape)
            np.matmul(given, band.table, out=own[..., band.rings])

    def multiply(share: slice) -> None:
        room = _room("map", (columns, rings), np.result_type(kind, np.complex64).type)
        for one, places in maps[share]:
            room[top : columns - top + 1] = 0
            for leg, there, step in places:
                own, first = room[there], there is minus
                own.real, own.imag = one[first:, leg, ::step], one[first:, leg + 4, ::step]
            ducc0.fft.c2c(room, axes=(0,), forward=False, out=room)
            room *= field
            ducc0.fft.c2c(room, axes=(0,), forward=True, out=room)
            for leg, there, step in places:
                own, first = room[there, ::step], there is minus
                one[first:, leg], one[first:, leg + 4] = own.real, own.imag

    found = np.empty_like(parts)

    def from_rings(share: slice) -> None:
        for band in bands[share]:
            given, out = legs[:, band.orders, :, band.rings], found[:, band.own]
            np.matmul(given, band.back, out=out.reshape(count, *band.shape))

    for work in (to_rings, multiply, from_rings):
        spin.run([partial(work, share) for share in shares], threads)
    # No map has a part of degree 0, nor twice one of m = 0.
    lowest = found[:, bands[0].own].reshape(count, *bands[0].shape)[:, 0]
    lowest[..., 0] = lowest[:, 1::2] = 0
    return found
