"""Transforms of spin 1 at points that are planned once, in single precision, for several products.

In the circular parts c+- = +-(G +- jC) / sqrt 2 of gradient and curl, one real table of y_n d^n_{m,1} serves
both parts and both signs of m, as `gpu` says. Here it holds Fourier coefficients in theta, so that a part's
function is one non-uniform Fourier transform from its coefficients, and the two are one call of the library.
Both components at a point take half the time of the library's transforms of real pairs of maps, which plan
anew each time. The table, and products with it, are as large as `circular` allows.
"""

from __future__ import annotations

from functools import cached_property, lru_cache
from typing import Any

import ducc0
import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel import gpu, spin
from nf2ff.kernel.circular import BAND

Complex = NDArray[np.complex64]


@lru_cache(maxsize=2)
def _tables(degree: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Fourier coefficients k = 0 ... N of y_n d^n_{m,1}, (m, n, k), and the same as (m, k, n).

    Of cosines where m is odd, else of sines. With signs s_m, the coefficient of exp(j m phi + j k theta) is
    s_m j^m / 2 times that: phi is counted from 90 deg, which makes all of them real but for one factor.
    """
    rings = 2 * degree + 2
    m, n = np.ogrid[: degree + 1, : degree + 1]
    values = gpu.wave_table(np, degree, rings, m * (degree + 1) + n, (degree + 1) ** 2)
    angle = np.outer((np.arange(rings) + 0.5) * np.pi / rings, np.arange(degree + 1))
    values = values.reshape(degree + 1, degree + 1, rings) * (2 / rings)
    table = np.empty((degree + 1, degree + 1, degree + 1), dtype=np.float32)
    table[1::2] = values[1::2] @ np.cos(angle)
    table[::2] = values[::2] @ np.sin(angle)
    table[3::4] *= -1
    table[::4] *= -1
    table[np.abs(table) < 1e-10] = 0  # far below rounding; the smallest numbers are slow
    return table, np.ascontiguousarray(table.swapaxes(1, 2))


@lru_cache(maxsize=4)
def _places(degree: int) -> tuple[NDArray[np.intp], NDArray[np.float32]]:
    """Where real and imaginary parts of the four rows (2, 2, A) stand, (2, 2, 2, A), and the rows' signs."""
    m, n = spin.packed_numbers(degree)
    place = (8 * m.astype(np.intp) + np.arange(8)[:, None]) * (degree + 1) + n
    swap = 1.0 - 2.0 * (n & 1)
    signs = np.stack([0 * swap + 1, 0 * swap - 1, -swap, swap])
    return place.reshape(2, 2, 2, -1), signs.reshape(2, 2, -1).astype(np.float32)


def circular_rows(matrix: NDArray[Any]) -> Complex:
    """Factors (2, 2, 2, A) that make the rows of `PointPlan` of packed coefficients, of a matrix (N, 2, 2)
    from these to gradient and curl of each degree.

    Row, sign of m, and which coefficient. The rows are c- of m and c+ of -m, then c+ of m and c- of -m.
    """
    degree = len(matrix)
    n = spin.packed_numbers(degree)[1]
    parts = np.array([[-1, 1j], [1, 1j]]) / np.sqrt(2) @ matrix  # (N, c- and c+, coefficient)
    each = np.stack([parts, parts[:, ::-1]], axis=2)[np.maximum(n - 1, 0)]
    found = each.transpose(1, 2, 3, 0) * _places(degree)[1][:, :, None]
    found[..., 0] = found[:, 1, :, : degree + 1] = 0  # no degree 0, nor m = 0 twice
    return found.astype(np.complex64)


class PointPlan:
    """Points (P, 2), theta and phi [rad], for functions up to a degree >= 1, to an accuracy of 2e-6 or more.

    It serves one thread at a time.
    """

    def __init__(self, location: NDArray[np.float64], degree: int, epsilon: float) -> None:
        theta, phi = location.T
        turned = phi - np.where(phi > 1.5 * np.pi, 2.5 * np.pi, 0.5 * np.pi)
        self.degree, size = degree, 2 * degree + 1
        coord = np.stack([turned, theta], axis=1, dtype=np.float32, casting="same_kind")
        self._plan = ducc0.nufft.plan(
            nu2u=True, coord=coord, grid_shape=(size, size), epsilon=epsilon, nthreads=1
        )

    @cached_property
    def _swaps(self) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """(-1)^k of k >= 0, and what negative frequencies of theta are to positive, of each order."""
        sign = (1 - 2 * (np.arange(2 * self.degree + 1) & 1)).astype(np.float32)
        return sign[: self.degree + 1], -sign[:, None] * (1 - 2 * (self.degree & 1))

    def synthesis(self, rows: Complex) -> Complex:
        """Functions of c- and c+ at the points, (2, P), of rows (2, 2, A)."""
        top, (swap, mirror) = self.degree, self._swaps
        parts = np.zeros((top + 1, 8, top + 1), dtype=np.float32)
        place, _ = _places(top)
        flat = parts.ravel()
        flat[place[0]], flat[place[1]] = rows.real, rows.imag
        legs = np.empty_like(parts)
        for at in range(0, top + 1, BAND):
            some = slice(at, at + BAND)
            np.matmul(parts[some, :, at:], _tables(top)[0][some, at:], out=legs[some])
        grid = np.empty((2, 2 * top + 1, 2 * top + 1), dtype=np.complex64)
        for own, row in self._quarters(grid):
            first = len(legs) - len(own)
            own.real, own.imag = legs[first:, row], legs[first:, row + 4]
            if row > 1:
                own *= swap
        np.multiply(grid[:, :, top + 1 :], mirror, out=grid[:, :, top - 1 :: -1])
        found: Complex = self._plan.u2nu(grid=grid, forward=False)
        found *= np.complex64(0.5j)
        return found

    def adjoint(self, values: Complex) -> Complex:
        """Adjoint of `synthesis`."""
        top, (swap, mirror) = self.degree, self._swaps
        grid = np.empty((2, 2 * top + 1, 2 * top + 1), dtype=np.complex64)
        points = values * np.complex64(-0.5j)
        self._plan.nu2u(points=points, forward=True, out=grid)
        grid[:, :, top + 1 :] += mirror * grid[:, :, top - 1 :: -1]
        legs = np.empty((top + 1, 8, top + 1), dtype=np.float32)
        for own, row in self._quarters(grid):
            first = len(legs) - len(own)
            if row > 1:
                own *= swap
            legs[first:, row], legs[first:, row + 4] = own.real, own.imag
        legs[0, 1::2] = 0
        parts = np.empty_like(legs)
        for at in range(0, top + 1, BAND):
            some = slice(at, at + BAND)
            np.matmul(legs[some], _tables(top)[1][some, :, at:], out=parts[some, :, at:])
        place, _ = _places(top)
        flat = parts.ravel()
        found = np.empty(place.shape[1:], dtype=np.complex64)
        found.real, found.imag = flat[place[0]], flat[place[1]]
        return found

    def _quarters(self, grid: Complex) -> list[tuple[Complex, int]]:
        """Where frequencies k >= 0 of each row stand, of orders m >= 0 and m < 0 of both functions."""
        top = self.degree
        above, below = grid[:, top:, top:], grid[:, top - 1 :: -1, top:]
        return [(above[0], 0), (below[1], 1), (above[1], 2), (below[0], 3)]
