"""Weighted products of spin 1 on the grid of `fine_grid`, by matrices of which one table serves all sets.

In the circular parts of gradient and curl, c+- = +-(G +- iC) / sqrt 2, a real table of y_n d^n_{m,1}, m >= 0,
serves both parts and both signs of m, as `gpu` says. Sums over n are products of small matrices, whose shape
is the same whatever else is computed beside them: so are the bits.

Coefficients are real, (8, A), A as in `spin`: real parts of q- of m, q+ of -m, q+ of m and q- of -m, then the
imaginary parts. The last two of each belong to rings counted from below.
"""

from __future__ import annotations

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
#: Values of functions that are none: near the poles those of high orders.
NOTHING = 1e-18


@dataclass(frozen=True, slots=True, eq=False)
class _Order:
    """Of one m: positions in A, rings on which it has values, and y_n d^n_{m,1} there, (n, R')."""

    own: slice
    rings: slice
    table: Real


@lru_cache(maxsize=4)
def _orders(degree: int, kind: Any) -> list[_Order]:
    rings, _ = fine_shape(degree)
    start = np.concatenate([[0], np.cumsum(np.arange(degree + 1, 0, -1))])
    m, n = np.ogrid[: degree + 1, : degree + 1]
    table = gpu.wave_table(np, degree, rings, start[:-1, None] + n - m, start[-1])
    found = []
    for own in (slice(*pair) for pair in zip(start[:-1].tolist(), start[1:].tolist(), strict=True)):
        inside = np.flatnonzero(np.abs(table[own]).max(axis=0) > NOTHING)
        some = slice(int(inside[0]), int(inside[-1]) + 1)
        found.append(_Order(own, some, np.ascontiguousarray(table[own, some], kind)))
    return found


@lru_cache(maxsize=4)
def _signs(degree: int) -> NDArray[np.float64]:
    m, n = spin.packed_numbers(degree)
    return np.where(np.stack([0 * m, m + 1, n + m, n + 1]) & 1, -1.0, 1.0)


def from_maps(packed: Complex) -> Real:
    """Circular parts (8, A) of packed gradient and curl (2, 2, A)."""
    g, c = packed[:, 0], 1j * packed[:, 1]
    plus, minus = (c + g) / np.sqrt(2), (c - g) / np.sqrt(2)
    parts = _signs(spin.degree_of_packed(packed)) * np.stack([minus[0], plus[1], plus[0], minus[1]])
    return np.concatenate([parts.real, parts.imag])


def to_maps(parts: Real) -> Complex:
    """Packed gradient and curl (2, 2, A) of circular parts (8, A)."""
    both = _signs(spin.degree_of_packed(parts)) * (parts[:4] + 1j * parts[4:])
    plus, minus = np.stack([both[2], both[1]]), np.stack([both[0], both[3]])
    return np.asarray(np.stack([plus - minus, -1j * (plus + minus)], axis=1) / np.sqrt(2))


def weighted_product(parts: Real, field: Real, *, degree: int, threads: int) -> Real:
    """Adjoint transform of ``field`` (columns, R) times the transform of circular parts (8, A).

    In the precision of the parts and the field, which is the same.
    """
    kind = parts.dtype
    orders, (columns, rings) = _orders(degree, kind), field.shape
    top = degree + 1
    legs = np.zeros((top, 8, rings), dtype=kind)
    maps = np.empty((2, columns, rings), dtype=np.result_type(kind, np.complex64))
    maps[:, top : columns - degree] = 0
    # Map of each leg, its columns, and whether rings are counted from below.
    minus = slice(None, columns - top, -1)
    places = [(0, slice(0, top), 1), (1, minus, 1), (1, slice(0, top), -1), (0, minus, -1)]
    shares = [slice(k, None, threads) for k in range(threads)]

    def to_rings(share: slice) -> None:
        for m in range(top)[share]:
            order = orders[m]
            np.matmul(parts[:, order.own], order.table, out=legs[m, :, order.rings])

    def multiply(which: int) -> None:
        own = maps[which]
        for leg, (at, there, step) in enumerate(places):
            if at == which:
                first = 1 if there is minus else 0
                own[there].real = legs[first:, leg, ::step]
                own[there].imag = legs[first:, leg + 4, ::step]
        ducc0.fft.c2c(own, axes=(0,), forward=False, out=own)
        own *= field
        ducc0.fft.c2c(own, axes=(0,), forward=True, out=own)
        for leg, (at, there, step) in enumerate(places):
            if at == which:
                first = 1 if there is minus else 0
                legs[first:, leg] = own[there, ::step].real
                legs[first:, leg + 4] = own[there, ::step].imag

    found = np.empty_like(parts)

    def from_rings(share: slice) -> None:
        for m in range(top)[share]:
            order = orders[m]
            np.matmul(legs[m, :, order.rings], order.table.T, out=found[:, order.own])

    spin.run([partial(to_rings, share) for share in shares], threads)
    spin.run([partial(multiply, which) for which in (0, 1)], threads)
    spin.run([partial(from_rings, share) for share in shares], threads)
    # No map has a part of degree 0, nor twice one of m = 0.
    found[:, 0] = found[[1, 3, 5, 7], :top] = 0
    return found
