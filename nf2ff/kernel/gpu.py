"""Least squares of many sets of readings at once, by CuPy on a graphics processor, or by numpy.

For spin 1. Of gradient and curl coefficients stand the circular parts c+- = +-(G +- iC) / sqrt 2, and with
y_n d^n_{m mu} as in `spin`

    q+- = sum c+- y_n d^n_{m,-+1}(theta) exp(i m phi),   reading = [exp(-i chi) q+ + exp(i chi) q-] / sqrt 2.

One real table of y_n d^n_{m,1} on the rings of `fine_grid`, m >= 0, serves both parts and both signs of m, by
d^n_{m,-1}(theta) = (-1)^(n+m) d^n_{m,1}(pi - theta) and d^n_{-m,-+1} = (-1)^(m+1) d^n_{m,+-1}. Sums over n
are matrix products, for all sets at once, sums over m Fourier transforms. The grid is twice as fine as the
functions, so a short kernel takes them, sharpened, to any position (Kaiser-Bessel; Fessler & Sutton, IEEE
Trans. Signal Process. 51(2), 2003, from memory). All sums have a fixed order: the same bits each time.

Coefficients are (K, 4, B): K rows of (m, n), B sets, and in between q- of m, q+ of -m, q+ of m and q- of -m,
of which the last two belong to rings counted from below. Orders on rings are real, (N+1, R, 8B), likewise.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel import fine_grid
from nf2ff.kernel.rotation import first_rotation_coefficient
from nf2ff.messages.input_error import InputError

Real = NDArray[np.float64]

#: Degree up to which the recurrence stays within the range of numbers.
MAX_DEGREE = 1700
#: Degrees to orders of a group, which are padded to the same length: a sixteenth in all.
GROUPING = 8
#: How far what a solution leaves may be from across its image, in units of the tolerance.
DRIFT, TINY = 10.0, np.finfo(float).tiny
#: Sets at once at most, and the part of the free memory that they may take.
MOST, PART = 512, 0.6


def array_module() -> Any:
    """CuPy, if it is installed and finds a device."""
    try:
        import cupy

        cupy.cuda.runtime.getDeviceCount()
    except (ImportError, RuntimeError) as error:
        what = "is not installed" if isinstance(error, ImportError) else f"finds none ({error})"
        remedy = "pip install 'nf2ff[gpu]' where there is one, or choose device=\"cpu\""
        raise InputError(f'device is "gpu", and CuPy, which it needs, {what}', remedy) from error
    return cupy


class Batch:
    """Positions (P, 2) with readings at angles chi (K, P) or (K, 1), planned for any number of sets.

    ``tolerance`` is the relative accuracy of readings, ``weights`` (K, P) are theirs, ``field`` (R, columns)
    stands for half the sum of those of each position, by `fine_grid.impulses`.
    """

    def __init__(
        self, xp: Any, degree: int, tolerance: float, *, location: Real, chi: Real, weights: Real, field: Real
    ) -> None:
        self.xp, self.degree, self.tolerance = xp, degree, tolerance
        self.rings, self.columns = fine_grid.fine_shape(degree)
        rows, slices = _layout(degree)
        self.count = slices[-1][1].stop
        table = wave_table(xp, degree, self.rings, rows, self.count)
        self.parts = [(m, own, table[own].reshape(m.stop - m.start, -1, self.rings)) for m, own in slices]
        self._places, self._plans = _natural(xp, degree, rows), dict[int, Any]()
        self.turn = xp.asarray(np.exp(1j * np.multiply.outer([-1.0, 1.0], chi)) / np.sqrt(2))[..., None]
        self.weights = xp.asarray(weights)[..., None]
        self.field = xp.asarray(np.ascontiguousarray(field.T))[..., None, None]
        # Even, so that rings beyond both poles are alike; what folds back is exp(-pi sqrt(1/2) width) or so.
        self.width = 2 * int(np.ceil(np.log(10 / tolerance) / (np.pi * np.sqrt(2))))
        self.beta = 0.75 * np.pi * self.width  # of twice the nodes needed
        k, beyond = np.arange(degree + 1), self.width // 2
        along, around = (
            np.sinh(x) / x * self.width
            for count in (2 * self.rings, self.columns)
            for x in [np.sqrt(self.beta**2 - (np.pi * self.width * k / count) ** 2)]
        )
        theta = (np.arange(-beyond, self.rings + beyond) + 0.5) * np.pi / self.rings
        # From rings to those of the kernel, for even m, whose functions are odd across the poles, and odd m.
        bases = [function(np.outer(theta, k)) for function in (np.sin, np.cos)]
        along *= self.rings * np.where(k > 0, 0.5, 1)
        self.wide = [xp.asarray(b[beyond:-beyond] / along @ b.T)[None] for b in bases]
        self.around = xp.asarray(1 / around)[:, None, None]
        self._plan_points(xp, xp.asarray(location))

    def _plan_points(self, xp: Any, location: Any) -> None:
        """Sparse matrices, by rows, from the grid to the positions and back."""
        tall, half = self.rings + self.width, self.width // 2
        place = location * xp.asarray([self.rings / np.pi, self.columns / (2 * np.pi)]) - xp.asarray([0.5, 0])
        node = xp.ceil(place - half)[..., None] + xp.arange(self.width)
        inside = xp.maximum(0.0, 1 - ((node - place[..., None]) / half) ** 2)
        ring, column = xp.moveaxis(xp.i0(self.beta * xp.sqrt(inside)), 1, 0)
        entry = (column[:, :, None] * ring[:, None, :]).ravel()
        ring, column = xp.moveaxis(node.astype(xp.int64), 1, 0)
        at = (column[:, :, None] % self.columns * tall + ring[:, None, :] + half).ravel()
        points, each = len(location), self.width**2
        self.to_points = xp.arange(points + 1) * each, at.astype(xp.int32), entry
        key = at * points + xp.arange(at.size) // each
        order = xp.argsort(key)
        key = key[order]
        start = xp.searchsorted(key, xp.arange(self.columns * tall + 1) * points)
        self.to_grid = start, (key % points).astype(xp.int32), entry[order]

    def capacity(self) -> int:
        """Sets to take at once."""
        if self.xp is np:
            return MOST
        free = self.xp.cuda.runtime.memGetInfo()[0] + self.xp.get_default_memory_pool().free_bytes()
        each = 16 * (10 * self.columns * (self.rings + self.width) + 24 * self.count + 6 * self.weights.size)
        return int(np.clip(PART * free / each, 1, MOST))

    def forward(self, x: Any) -> Any:
        """Readings (K, P, B) of coefficients."""
        orders = self._on_rings(x)
        orders *= self.around
        tall = self.xp.empty((len(orders), self.rings + self.width, orders.shape[2]))
        for odd, wide in enumerate(self.wide):
            _multiply(self.xp, wide, orders[odd::2], tall[odd::2], transposed=True)
        maps = self._maps(tall).reshape(-1, 2 * x.shape[2])
        parts = _sparse(self.xp, self.to_points, maps.view(float)).view(complex).reshape(-1, 2, x.shape[2])
        return self.turn[0] * parts[:, 0] + self.turn[1] * parts[:, 1]

    def adjoint(self, readings: Any) -> Any:
        """Its adjoint."""
        parts = self.xp.stack([(turn.conj() * readings).sum(axis=0) for turn in self.turn], axis=1)
        flat = _sparse(self.xp, self.to_grid, parts.reshape(len(parts), -1).view(float)).view(complex)
        tall = self._from_maps(flat.reshape(self.columns, self.rings + self.width, 2, -1))
        orders = self.xp.empty((len(tall), self.rings, tall.shape[2]))
        for odd, wide in enumerate(self.wide):
            _multiply(self.xp, wide, tall[odd::2], orders[odd::2], transposed=False)
        orders *= self.around
        return self._from_rings(orders)

    def product(self, x: Any) -> Any:
        """Adjoint of weighted readings of coefficients, by way of the grid alone."""
        maps = self._maps(self._on_rings(x))
        maps *= self.field
        return self._from_rings(self._from_maps(maps))

    def solve(self, readings: Any, *, rtol: float, most: int, damping: float) -> tuple[Any, ...]:
        """Conjugate gradients on the normal equations of readings (K, P, B): coefficients and their readings;
        of each set residual, steps, whether the tolerance was reached, and unevenness of what is left."""
        xp, weights = self.xp, self.weights
        left = self.adjoint(weights * readings)
        direction, x, size = left.copy(), xp.zeros_like(left), _inner(xp, left, left)
        target, steps = rtol**2 * size, xp.zeros(size.size, dtype=int)
        active = size > target
        while bool(active.any()):
            image = self.product(direction)
            if damping:
                image += damping**2 * direction
            bend = _inner(xp, direction, image)
            active &= bend > 0  # else beneath rounding
            length = xp.where(active, size / (bend + TINY), 0)
            x += length * direction
            image *= length
            left -= image
            before, size = size, xp.where(active, _inner(xp, left, left), size)
            direction *= size / (before + TINY)
            direction += left
            steps += active
            active &= (size > target) & (steps < most)
        image = self.forward(x)
        rest = readings - image
        # What the solution leaves must be across its own image, but for the damping.
        along = _inner(xp, image, weights * rest) - _inner(xp, x, damping**2 * x + left)
        allowed = xp.sqrt(_inner(xp, readings, weights * readings) * _inner(xp, image, weights * image))
        reached = (size <= target) & (abs(along) <= DRIFT * self.tolerance * allowed)
        square = rest.real**2 + rest.imag**2
        total = square.sum(axis=(0, 1))
        residual = xp.sqrt(total / (_inner(xp, readings, readings) + TINY))
        unevenness = (square**2).mean(axis=(0, 1)) / ((total / square[..., 0].size) ** 2 + TINY)
        return x, image, residual, steps, reached, unevenness

    def modes(self, x: Any, matrix: Any) -> Any:
        """Matrices (N, 2, 2, B or 1) times c+ and c-: (2, N(N+2), B), in between n (n+1) + m - 1."""
        place, sign, n = self._places
        plus, minus = x.reshape(-1, x.shape[2])[place] * sign[..., None]
        return self.xp.stack([matrix[n - 1, s, 0] * plus + matrix[n - 1, s, 1] * minus for s in (0, 1)])

    def _on_rings(self, x: Any) -> Any:
        """Orders on rings of coefficients."""
        flat = x.reshape(self.count, -1).view(float)
        found = self.xp.empty((self.degree + 1, self.rings, flat.shape[1]))
        for orders, rows, table in self.parts:
            own = flat[rows].reshape(len(table), -1, flat.shape[1])
            _multiply(self.xp, table, own, found[orders], transposed=True)
        return found

    def _from_rings(self, given: Any) -> Any:
        """Its adjoint."""
        found = self.xp.empty((self.count, given.shape[2]))
        for orders, rows, table in self.parts:
            own = found[rows].reshape(len(table), -1, given.shape[2])
            _multiply(self.xp, table, given[orders], own, transposed=False)
        return found.view(complex).reshape(self.count, 4, -1)

    def _maps(self, given: Any) -> Any:
        """Maps (columns, R, 2, B) of q+ and q- from orders on rings."""
        orders = given.view(complex).reshape(*given.shape[:2], 4, -1)
        maps = self.xp.zeros((self.columns, orders.shape[1], 2, orders.shape[3]), dtype=complex)
        for own, there in _same(orders, maps):
            there[...] = own
        return self._transform(maps, 1)

    def _from_maps(self, maps: Any) -> Any:
        """Its adjoint."""
        orders = self.xp.empty((self.degree + 1, maps.shape[1], 4, maps.shape[3]), dtype=complex)
        orders[0, :, 1::2] = 0
        for own, there in _same(orders, self._transform(maps, -1)):
            own[...] = there
        return orders.reshape(*orders.shape[:2], -1).view(float)

    def _transform(self, maps: Any, sign: int) -> Any:
        """Fourier transform over the columns, with exp(sign i m phi); on a device in place."""
        length, many = len(maps), maps[0].size
        if self.xp is np:
            return np.fft.fft(maps, axis=0) if sign < 0 else np.fft.ifft(maps, axis=0, norm="forward")
        if many not in self._plans:
            # As they lie: the module's own function copies them to another order and back.
            cufft, lie = self.xp.cuda.cufft, ((length,), many, 1)
            self._plans[many] = cufft.PlanNd((length,), *lie, *lie, cufft.CUFFT_Z2Z, many, "C", 0, None)
        self._plans[many].fft(maps, maps, sign)
        return maps


def _same(orders: Any, spectrum: Any) -> list[tuple[Any, Any]]:
    """Where orders (N+1, R, 4, B) stand in the Fourier coefficients (columns, R, 2, B)."""
    top, below = len(orders), orders[:, ::-1]
    plus, minus = spectrum[:top], spectrum[:-top:-1]
    ours = orders[:, :, 0], orders[1:, :, 1], below[:, :, 2], below[1:, :, 3]
    theirs = plus[:, :, 1], minus[:, :, 0], plus[:, :, 0], minus[:, :, 1]
    return list(zip(ours, theirs, strict=True))


def _layout(degree: int) -> tuple[NDArray[np.int64], list[tuple[slice, slice]]]:
    """Row of each m and n >= m, (N+1, N+1); orders and rows of each group."""
    rows, slices, first, start = np.zeros((degree + 1, degree + 1), dtype=np.int64), [], 0, 0
    while first <= degree:
        tall = degree + 1 - first
        size = max(1, tall // GROUPING)
        rows[first : first + size, first:] = start + np.arange(size * tall).reshape(size, tall)
        slices.append((slice(first, first + size), slice(start, start + size * tall)))
        first, start = first + size, start + size * tall
    return rows, slices


def wave_table(xp: Any, degree: int, rings: int, rows: NDArray[np.int64], count: int) -> Any:
    """y_n d^n_{m,1} of the rows, (K, R), by the recurrence of `rotation.rotation_sequences`."""
    theta = (np.arange(rings) + 0.5) * np.pi / rings
    m, n = np.arange(degree + 1), np.arange(degree + 1.0)[:, None]
    half = np.cos(theta / 2)[:, None], np.sin(theta / 2)[:, None]
    first = first_rotation_coefficient(m, 1, np.maximum(m, 1), *half)
    first[np.abs(first) < 1e-290] = 0
    begin, cosine = xp.asarray(np.ascontiguousarray(first.T)), xp.asarray(np.cos(theta))
    with np.errstate(divide="ignore", invalid="ignore"):
        root = np.sqrt((n**2 - m**2) * (n**2 - 1))
        slope = (2 * n - 1) * n / root
        back = n / (n - 1) * np.vstack([root[:1], root[:-1]]) / root
        steps = xp.asarray(np.stack([slope, slope * m / (n * (n - 1)), back])[..., None])
    table, order = xp.zeros((count, rings)), xp.asarray(rows)
    before, now = xp.zeros((2, degree + 1, rings))
    now[0] = begin[0]  # of n = 1, as that of m = 1
    for k in range(1, degree + 1):
        if k > 1:
            a, b, c = steps[:, k, :k]
            before[:k] = (a * cosine - b) * now[:k] - c * before[:k]
            before, now = now, before
        now[k] = begin[k]
        table[order[: k + 1, k]] = np.sqrt((2 * k + 1) / (4 * np.pi)) * now[: k + 1]
    return table


def _natural(xp: Any, degree: int, rows: NDArray[np.int64]) -> tuple[Any, Any, Any]:
    """Of c+ and c-, in the order n (n+1) + m - 1: place and sign, (2, N(N+2)) each, and n."""
    n = np.repeat(np.arange(1, degree + 1), 2 * np.arange(1, degree + 1) + 1)
    m = np.arange(n.size) - n * (n + 1) + 1
    place = 4 * rows[np.abs(m), n] + np.where(m >= 0, [[2], [0]], [[1], [3]])
    power = np.where(m >= 0, [n + m, 0 * m], [m + 1, n + 1])
    return xp.asarray(place), xp.asarray(1.0 - 2 * (power & 1)), xp.asarray(n)


def _inner(xp: Any, a: Any, b: Any) -> Any:
    """Real part of the inner product of each set, as a matrix product: a device is slow at few long sums."""
    flat = (a.view(float) * b.view(float)).reshape(-1, 2 * a.shape[2])
    return (xp.ones(len(flat)) @ flat).reshape(-1, 2).sum(axis=1)


def _multiply(xp: Any, table: Any, x: Any, out: Any, *, transposed: bool) -> None:
    """Products of matrices (G or 1, L, R), transposed or not, with those of x (G, R or L, C)."""
    if xp is np:
        np.matmul(table.swapaxes(1, 2) if transposed else table, x, out=out)
        return
    # Called directly: the module's own product copies what is not in order.
    one, none, many = np.ones(1), np.zeros(1), x.shape[2]
    xp.cuda.cublas.dgemmStridedBatched(
        *(xp.cuda.device.get_cublas_handle(), 0, int(transposed), many, out.shape[1], x.shape[1]),
        *(one.ctypes.data, x.data.ptr, many, x.strides[0] // 8, table.data.ptr, table.shape[2]),
        *(table.strides[0] // 8 if len(table) > 1 else 0, none.ctypes.data),
        *(out.data.ptr, many, out.strides[0] // 8, len(out)),
    )


def _sparse(xp: Any, matrix: tuple[Any, Any, Any], x: Any) -> Any:
    """Product of a sparse matrix, (row starts, columns, entries), with x (columns, C)."""
    start, at, entry = matrix
    if xp is np:
        from scipy.sparse import csr_matrix

        return csr_matrix((entry, at, start), shape=(len(start) - 1, len(x))) @ x
    code = """long long row = i / many, column = i % many; double sum = 0;
    for (long long k = start[row]; k < start[row + 1]; ++k) sum += entry[k] * x[at[k] * many + column];
    y = sum;"""
    given = "raw int64 start, raw int32 at, raw float64 entry, raw float64 x, int64 many"
    kernel = xp.ElementwiseKernel(given, "float64 y", code, "sparse_rows")
    return kernel(start, at, entry, x, x.shape[1], xp.empty((len(start) - 1, x.shape[1])))
