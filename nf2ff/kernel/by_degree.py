"""Matrices of each degree on packed coefficients (`spin` says how they are packed)."""

from __future__ import annotations

from functools import lru_cache, partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel import spin

Complex = NDArray[Any]

#: Modes that are taken together: a cache holds them.
TOGETHER = 2**15


def apply_by_degree(matrix: Complex, x: Complex, n: NDArray[np.int32], out: Complex | None = None) -> Complex:
    """Multiply packed x (2, C', A) by a (N, C, C') matrix of each degree, and add it to ``out``."""
    index = np.maximum(n - 1, 0)
    result = np.zeros((2, matrix.shape[1], n.size), dtype=complex) if out is None else out
    for row in range(matrix.shape[1]):
        for column in range(matrix.shape[2]):
            if matrix[:, row, column].any():
                result[:, row] += matrix[:, row, column].take(index) * x[:, column]
    return result


def modes_of_packed(matrix: Complex, packed: Complex, *, threads: int) -> Complex:
    """Modes Q (J,) of packed coefficients (2, C, A) by a (N, 2, C) matrix of each degree."""
    degree, _, count = matrix.shape
    at, flat, size = _packed_positions(degree, count), packed.reshape(-1), packed.shape[2]
    terms = [[s for s in (0, 1) if matrix[:, s, c].any()] for c in range(count)]
    q = np.empty((at.size, 2), dtype=complex)
    # Some degrees at a time, whose modes a cache holds.
    step = np.sqrt(np.arange(1, at.size, TOGETHER)).astype(int)
    edges = np.unique([*step, degree + 1]).tolist()

    def some(share: range) -> None:
        room = np.empty((2, TOGETHER + 2 * degree + 1), dtype=complex)
        for i in share:
            n = np.arange(edges[i], edges[i + 1])
            rows = slice(edges[i] ** 2 - 1, edges[i + 1] ** 2 - 1)
            own, times = q[rows], 2 * n + 1
            x, part = room[:, : len(own)]
            fresh = [True, True]
            for c in range(count):
                if terms[c]:
                    np.take(flat[c * size :], at[rows], out=x, mode="clip")
                for s in terms[c]:
                    np.multiply(x, np.repeat(matrix[n - 1, s, c], times), out=own[:, s] if fresh[s] else part)
                    if not fresh[s]:
                        own[:, s] += part
                    fresh[s] = False
            own[:, [s for s in (0, 1) if fresh[s]]] = 0

    shares = spin.shares(len(edges) - 1, spin.sharing(degree, threads))
    spin.run([partial(some, share) for share in shares], threads)
    return q.ravel()


@lru_cache(maxsize=4)
def _packed_positions(degree: int, count: int) -> NDArray[np.intp]:
    """Where n (n+1) + m - 1 of the first of ``count`` maps stands in packed (2, C, A), flat; (N(N+2),)."""
    plus, minus = spin.natural_positions(degree)
    found = np.empty(degree * (degree + 2), dtype=np.intp)
    at = np.arange(1, plus.size)
    found[minus[1:]] = at + count * plus.size
    found[plus[1:]] = at  # after the minus part, whose m = 0 is void
    found.flags.writeable = False
    return found
