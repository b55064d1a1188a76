"""Responses that some antenna could make: the range of the operator, and the projection on it.

Rings of equal steps in azimuth fall apart by azimuthal order m, whatever the probe, the polar angles and the
radii: for each m a small matrix (rings) x (degrees, s) remains, whose orthonormal columns make the projection
exact. So do those of the whole matrix where it is small. Elsewhere a projection takes a few conjugate
gradients from the last one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import mode_count, mode_numbers
from nf2ff.kernel import spin
from nf2ff.kernel.by_degree import apply_by_degree
from nf2ff.kernel.sphere import canonical_angles
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.solver.direct import dense_matrix
from nf2ff.solver.positions import plan_geometry
from nf2ff.solver.transmission import TransmissionOperator

Complex = NDArray[Any]
Real = NDArray[np.float64]

#: Two angles closer than this are the same [rad].
_SAME = 1e-7
#: Singular values of a ring's matrix, columns of equal norm, below which a wave is taken as not received.
_UNSEEN = 1e-7
#: Different radii up to which each has an operator of its own; more are a function of radius.
_RADII = 6
#: Elements of a matrix up to which it is as fast as transforms.
_DENSE = 1_500_000
#: Steps of conjugate gradients for each projection, from the last one.
_STEPS = 2


@dataclass(frozen=True, slots=True, eq=False)
class RingRange:
    """The range of rings of P equal steps in azimuth, all of one P > 2 N.

    It and `PointRange` have alike: ``order`` (M,), the sample of each row; ``scale`` (M,), the square root of
    the weight of each row, mean square 1; products with A, whose rows are scaled so, and with its adjoint;
    the projection on its range; and the modes of coordinates.
    """

    order: NDArray[np.intp]
    scale: Real
    steps: int
    degree: int
    #: Orthonormal columns (2N+1, R, 2N) of each order m = -N ... N, zero where there are fewer.
    columns: Complex
    #: From coordinates to modes, (2N+1, 2N, 2N), its inverse, and the modes' places.
    back: Complex
    inverse: Complex
    place: NDArray[np.intp]

    @property
    def precision(self) -> type[np.floating]:
        """Type of the real numbers of its products."""
        return np.float32 if self.columns.dtype == np.complex64 else np.float64

    @property
    def size(self) -> int:
        """Length of the coordinates."""
        return self.place.size

    @property
    def unknowns(self) -> int:
        """Dimension of the range."""
        return int(np.count_nonzero(self.columns.any(axis=1)))

    def _orders(self, w: Complex) -> Complex:
        from scipy import fft

        rings = w.reshape(-1, self.steps)
        return np.asarray(fft.fft(rings, axis=1, norm="ortho")[:, np.arange(-self.degree, self.degree + 1)].T)

    def forward(self, z: Complex) -> Complex:
        """Scaled responses (M,) of coordinates."""
        from scipy import fft

        n = self.degree
        parts = np.matmul(self.columns, z.reshape(2 * n + 1, -1, 1))[:, :, 0]
        full = np.zeros((parts.shape[1], self.steps), dtype=parts.dtype)
        full[:, : n + 1] = parts[n:].T
        full[:, self.steps - n :] = parts[:n].T
        return np.asarray(fft.ifft(full, axis=1, norm="ortho", overwrite_x=True)).ravel()

    def adjoint(self, w: Complex) -> Complex:
        """A^H w."""
        parts = self._orders(w)
        return np.matmul(parts.conj()[:, None, :], self.columns)[:, 0].conj().ravel()

    def project(self, w: Complex, _last: Complex | None) -> tuple[Complex, Complex]:
        """The nearest scaled responses of an antenna and their coordinates, exact wherever one was before."""
        z = self.adjoint(w)
        return self.forward(z), z

    def to_modes(self, z: Complex) -> NDArray[np.complex128]:
        """Modes Q (J,)."""
        q = np.matmul(self.back, z.reshape(2 * self.degree + 1, -1, 1)).ravel()
        found = np.zeros(mode_count(self.degree) + 1, dtype=complex)
        found[self.place] = q
        return found[:-1]

    def from_modes(self, q: Complex) -> Complex:
        """Coordinates of modes."""
        given = np.append(q, 0)[self.place].reshape(2 * self.degree + 1, -1, 1)
        return np.matmul(self.inverse, given).ravel()

    def rough(self) -> RingRange:
        """The same in single precision."""
        return replace(self, columns=self.columns.astype(np.complex64))


@dataclass(frozen=True, slots=True, eq=False)
class PointRange:
    """The range at any positions; each radius has its own operator where there are few."""

    order: NDArray[np.intp]
    scale: Real
    operators: tuple[TransmissionOperator, ...]
    rows: tuple[slice, ...]
    #: For each operator a matrix (N, 2, 2) from the coordinates of the first to its own.
    change: tuple[Complex, ...]
    accuracy: float

    precision = np.float64

    @property
    def size(self) -> int:
        """Length of the coordinates."""
        degree = self.operators[0].degree
        return int(2 * 2 * spin.packed_numbers(degree)[0].size)

    @property
    def unknowns(self) -> int:
        """Dimension of the range."""
        return mode_count(self.operators[0].degree)

    def _n(self) -> NDArray[np.int32]:
        return spin.packed_numbers(self.operators[0].degree)[1]

    def forward(self, z: Complex) -> Complex:
        """Scaled responses (M,) of coordinates."""
        x, n = z.reshape(2, 2, -1), self._n()
        w = np.empty(self.scale.size, dtype=complex)
        for one, rows, change in zip(self.operators, self.rows, self.change, strict=True):
            w[rows] = one.forward_ordered(apply_by_degree(change, x, n), accuracy=self.accuracy)
        w *= self.scale
        return w

    def adjoint(self, w: Complex) -> Complex:
        """A^H w."""
        w, n = w * self.scale, self._n()
        found = np.zeros((2, 2, n.size), dtype=complex)
        for one, rows, change in zip(self.operators, self.rows, self.change, strict=True):
            part = one.adjoint_ordered(w[rows], accuracy=self.accuracy)
            apply_by_degree(change.conj().swapaxes(1, 2), part, n, out=found)
        return found.ravel()

    def project(self, w: Complex, last: Complex | None) -> tuple[Complex, Complex]:
        """As of `RingRange`, by `_STEPS` conjugate gradients from the coordinates ``last``."""
        z = np.zeros(self.size, dtype=complex) if last is None else last.copy()
        near = np.zeros(w.size, dtype=complex) if last is None else self.forward(z)
        gradient = self.adjoint(w - near)
        direction = gradient.copy()
        size = _square(gradient)
        for _ in range(_STEPS if last is not None else 4 * _STEPS):
            if size == 0:
                break
            image = self.forward(direction)
            length = size / _square(image)
            z += length * direction
            near += length * image
            gradient = self.adjoint(w - near)
            size, before = _square(gradient), size
            direction = gradient + size / before * direction
        return near, z

    def to_modes(self, z: Complex) -> NDArray[np.complex128]:
        """Modes Q (J,)."""
        return self.operators[0].to_modes(z.reshape(2, 2, -1))

    def from_modes(self, q: Complex) -> Complex:
        """Coordinates of modes."""
        return self.operators[0].from_modes(q).ravel()

    def rough(self) -> PointRange:
        """The same with single precision."""
        return replace(self, accuracy=1e-4)


@dataclass(frozen=True, slots=True, eq=False)
class DenseRange:
    """The range of few samples at any positions, as orthonormal columns (M, J')."""

    order: NDArray[np.intp]
    scale: Real
    columns: Complex
    #: From coordinates to modes, (J, J'), and its inverse.
    back: Complex
    inverse: Complex

    @property
    def precision(self) -> type[np.floating]:
        """Type of the real numbers of its products."""
        return np.float32 if self.columns.dtype == np.complex64 else np.float64

    @property
    def size(self) -> int:
        """Length of the coordinates."""
        return int(self.columns.shape[1])

    unknowns = size

    def forward(self, z: Complex) -> Complex:
        """Scaled responses (M,) of coordinates."""
        return np.asarray(self.columns @ z)

    def adjoint(self, w: Complex) -> Complex:
        """A^H w."""
        return np.asarray((w.conj() @ self.columns).conj())

    def project(self, w: Complex, _last: Complex | None) -> tuple[Complex, Complex]:
        """As of `RingRange`."""
        z = self.adjoint(w)
        return self.forward(z), z

    def to_modes(self, z: Complex) -> NDArray[np.complex128]:
        """Modes Q (J,)."""
        return np.asarray(self.back @ z)

    def from_modes(self, q: Complex) -> Complex:
        """Coordinates of modes."""
        return np.asarray(self.inverse @ q)

    def rough(self) -> DenseRange:
        """The same in single precision."""
        return replace(self, columns=self.columns.astype(np.complex64))


Range = RingRange | PointRange | DenseRange


def _square(x: Complex) -> float:
    return float(np.vdot(x, x).real)


def range_of(samples: Samples, probe: Probe, degree: int) -> Range:
    """The range of ``samples`` of one frequency, none missing, at positions (M,)."""
    found = _ring_range(samples, probe, degree)
    if found is not None:
        return found
    few = samples.port.size * mode_count(degree) <= _DENSE
    return (_dense_range if few else _point_range)(samples, probe, degree)


def _scales(radius: Real) -> Real:
    """Weights that make spheres of different radii count alike: the field falls as 1 / r."""
    return np.asarray(radius / np.sqrt(np.mean(radius**2)))


def _rings(samples: Samples, degree: int) -> tuple[NDArray[np.intp], int] | None:
    """Samples in the order of rings, phi growing along each, and the steps of a ring, if they are rings."""
    theta, phi, turned = canonical_angles(samples.theta, samples.phi)
    chi = np.mod(samples.chi + np.pi * turned, 2 * np.pi)
    columns = [np.round(x / _SAME) for x in (theta, chi, samples.radius)]
    order = np.lexsort(np.stack([phi, *columns, samples.port]))
    key = np.stack([*columns, samples.port])[:, order]
    new = np.append(True, (key[:, 1:] != key[:, :-1]).any(axis=0))
    starts = np.flatnonzero(new)
    steps = np.diff(np.append(starts, order.size))
    count = int(steps[0])
    if np.any(steps != count) or count < 2 * degree + 1:
        return None
    turn = phi[order].reshape(-1, count)
    even = turn[:, :1] + 2 * np.pi / count * np.arange(count)
    return (order, count) if np.abs(turn - even).max() < _SAME else None


def _ring_range(samples: Samples, probe: Probe, degree: int) -> RingRange | None:
    found = _rings(samples, degree)
    if found is None:
        return None
    order, steps = found
    scale = _scales(samples.radius)[order]
    first = np.zeros(order.size, dtype=bool)
    first[order[::steps]] = True
    # The dense matrix of each ring's first sample alone: in the order of the samples, then of the rings.
    lines = samples.part([0], first)
    rank = np.argsort(np.argsort(order[::steps]))
    matrix = dense_matrix(plan_geometry(lines), probe, frequency=float(samples.frequency[0]), degree=degree)[
        rank
    ]
    matrix *= (scale[::steps] * np.sqrt(steps))[:, None]
    _, m, _ = mode_numbers(degree)
    width = 2 * degree
    columns = np.zeros((2 * degree + 1, len(matrix), width), dtype=complex)
    back = np.zeros((2 * degree + 1, width, width), dtype=complex)
    inverse = np.zeros_like(back)
    place = np.full((2 * degree + 1, width), m.size)
    for i, order_m in enumerate(range(-degree, degree + 1)):
        own = np.flatnonzero(m == order_m)
        left, to_own, from_own = _orthonormal(matrix[:, own])
        c = left.shape[1]
        columns[i, :, :c] = left
        back[i, : own.size, :c] = to_own
        inverse[i, :c, : own.size] = from_own
        place[i, : own.size] = own
    return RingRange(order, scale, steps, degree, columns, back, inverse, place.ravel())


def _dense_range(samples: Samples, probe: Probe, degree: int) -> DenseRange:
    scale = _scales(samples.radius)
    frequency = float(samples.frequency[0])
    matrix = dense_matrix(plan_geometry(samples), probe, frequency=frequency, degree=degree)
    columns, back, inverse = _orthonormal(matrix * scale[:, None])
    return DenseRange(np.arange(scale.size), scale, columns, back, inverse)


def _orthonormal(matrix: Complex) -> tuple[Complex, Complex, Complex]:
    """Orthonormal columns of the range of a matrix, what takes their coordinates to its own, and back."""
    norm = np.linalg.norm(matrix, axis=0)
    norm[norm == 0] = 1
    left, size, right = np.linalg.svd(matrix / norm, full_matrices=False)
    keep = size > _UNSEEN * size[0]
    back = right[keep].conj().T / size[keep] / norm[:, None]
    return left[:, keep], back, size[keep, None] * right[keep] * norm


def _point_range(samples: Samples, probe: Probe, degree: int) -> PointRange:
    frequency = float(samples.frequency[0])
    near = np.round(samples.radius / _SAME)
    values = np.unique(near)
    if values.size > _RADII:
        values = values[:1]
        near = np.full(near.size, values[0])
    operators, rows, order = [], [], []
    start = 0
    for value in values:
        which = near == value
        own = np.flatnonzero(which)
        one = TransmissionOperator(
            plan_geometry(samples.part([0], which)), probe, frequency, degree, 1e-9, threads=1
        )
        order.append(own if one.order is None else own[one.order])
        rows.append(slice(start, start + own.size))
        start += own.size
        operators.append(one)
    t = [one.separation.precondition for one in operators]
    change = [np.asarray(np.linalg.pinv(x) @ t[0]) for x in t]
    joined = np.concatenate(order)
    return PointRange(
        joined, _scales(samples.radius)[joined], tuple(operators), tuple(rows), tuple(change), 1e-9
    )
