"""Matrices of each degree on packed coefficients (`spin` says how they are packed)."""

from __future__ import annotations

from functools import lru_cache, partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel import spin
from nf2ff.kernel.arrays import in_rows

Complex = NDArray[Any]


def apply_by_degree(matrix: Complex, x: Complex, n: NDArray[np.int32], out: Complex | None = None) -> Complex:
    """Multiply packed x (2, C', A) by a (N, C, C') matrix of each degree, and add it to ``out``."""
    index = np.maximum(n - 1, 0)
    result = np.zeros((2, matrix.shape[1], n.size), dtype=complex) if out is None else out
    for column in range(matrix.shape[2]):
        own = in_rows(x[:, column])
        for row in range(matrix.shape[1]):
            if matrix[:, row, column].any():
                result[:, row] += matrix[:, row, column].take(index) * own
    return result


def packed_modes(matrix: Complex, packed: Complex, q: Complex, *, threads: int) -> Complex:
    """Write modes ``q`` (2, A, 2), s last, of packed coefficients (2, C, A) by a (N, 2, C) matrix."""
    degree = len(matrix)
    index = np.maximum(spin.packed_numbers(degree)[1] - 1, 0)

    def one(s: int) -> None:
        own, terms = q[..., s], [c for c in range(matrix.shape[2]) if matrix[:, s, c].any()]
        if not terms:
            own[...] = 0
        for c in terms:
            factor = matrix[:, s, c].take(index)
            # Never straight into every second number, for the reason of `in_rows`.
            if c == terms[0]:
                own[...] = factor * in_rows(packed[:, c])
            else:
                own += factor * in_rows(packed[:, c])

    spin.run([partial(one, s) for s in (0, 1)], spin.sharing(degree, threads))
    return q


def in_order(q: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Coefficients Q (J,) of `packed_modes`."""
    flat = q.reshape(-1, 2)
    return flat.take(_packed_positions(spin.degree_of_packed(q[..., 0])), axis=0, mode="clip").ravel()


@lru_cache(maxsize=4)
def _packed_positions(degree: int) -> NDArray[np.intp]:
    """Where each n (n+1) + m - 1 stands among packed positions, those of -m after all of +m; (N(N+2),)."""
    plus, minus = spin.natural_positions(degree)
    found = np.empty(degree * (degree + 2), dtype=np.intp)
    at = np.arange(1, plus.size)
    found[minus[1:]] = at + plus.size
    found[plus[1:]] = at  # after the minus part, whose m = 0 is void
    found.flags.writeable = False
    return found
