"""From modes to responses and back: the transmission operator and its adjoint.

w = sum Q_smn exp(i m phi) d^n_{m mu}(theta) exp(i mu chi) P_{s mu n}(kA)  (Hansen 1988, eq. 3.12,
conjugated). For each |mu| = s one spin-s transform gives two maps, and the response is

    w = map_0 + sum_s [ map_1 cos(s chi) + map_2 sin(s chi) ].
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property, partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import degree_of_count, mode_count
from nf2ff.kernel import spin, torus
from nf2ff.kernel.by_degree import apply_by_degree, in_order, packed_modes
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.solver.positions import Geometry, Turned, group_by_chi, plan_geometry
from nf2ff.solver.response import Change, Orders, Separation, Series, separate

Complex = NDArray[Any]


@dataclass(frozen=True, eq=False)
class TransmissionOperator:
    """Linear map from modes to the responses of one frequency.

    It acts on preconditioned coefficients x, packed as `spin` describes, of the tangential field
    at the probe in orthonormal functions, and so is close to an isometry where the sampling
    allows; `to_modes` gives Q = T_n x, T_n a 2 x 2 matrix for each degree.

    Parameters
    ----------
    geometry : tuple of Geometry
        One for each port.
    probe : Probe
        The probe.
    frequency : float
        Frequency [Hz].
    degree : int
        Degree N of the modes.
    tolerance : float
        Relative accuracy of the products.
    threads : int
        Threads.
    change : callable, optional
        As of `separate`: the operator of other response constants that act on the same coefficients.
    series : Series, optional
        The probe's response over degree and radius, where it is known.
    """

    geometry: tuple[Geometry, ...]
    probe: Probe
    frequency: float
    degree: int
    tolerance: float = 1e-12
    threads: int = 1
    change: Change | None = None
    series: Series | None = None

    def __post_init__(self) -> None:
        self.probe.check_port(max(g.port for g in self.geometry))

    @cached_property
    def separation(self) -> Separation:
        """The response constants as short sums of functions of degree and of radius."""
        radius = [g.radius for g in self.geometry]
        series = self.series
        if series is None:
            series = separate(
                self.probe,
                ports=[g.port for g in self.geometry],
                low=float(min(r.min() for r in radius)),
                high=float(max(r.max() for r in radius)),
                frequency=self.frequency,
                degree=self.degree,
                tolerance=self.tolerance,
                change=self.change,
            )
        return series.at(radius)

    @cached_property
    def shape(self) -> tuple[int, int]:
        """Number of samples and of modes."""
        count = sum(g.count for g in self.geometry)
        return count, mode_count(self.degree)

    @cached_property
    def turned(self) -> list[Turned | None]:
        """For each port the groups of samples with one chi, if that costs less than all spins."""
        result: list[Turned | None] = []
        for g, orders in zip(self.geometry, self.separation.over_degree, strict=True):
            maps = sum(1 if s == 0 else 2 for s, _ in orders)
            result.append(group_by_chi(g, most=maps * g.radius.size))
        return result

    @property
    def nodes(self) -> int:
        """Number of functions of radius that the varying distance needs (1 if it is constant)."""
        return int(self.separation.over_radius[0].shape[0])

    @cached_property
    def order(self) -> NDArray[np.intp] | None:
        """Sample of each row of the ordered products, None where they are the same."""
        rows = [g.rows for g in self.geometry]
        if len(rows) == 1 and isinstance(rows[0], slice):
            return None
        return np.concatenate([np.arange(self.shape[0])[r] for r in rows])

    def forward(self, x: Complex) -> NDArray[np.complex128]:
        """Responses (M,), in the order of the samples, of packed coefficients (2, 2, A)."""
        ordered = self.forward_ordered(x)
        if self.order is None:
            return ordered
        response = np.empty_like(ordered)
        response[self.order] = ordered
        return response

    def adjoint(self, w: Complex) -> NDArray[np.complex128]:
        """Packed coefficients A^H w of responses (M,) in the order of the samples."""
        return self.adjoint_ordered(w if self.order is None else w[self.order])

    def forward_ordered(self, x: Complex, *, accuracy: float | None = None) -> NDArray[np.complex128]:
        """As `forward`, in the order of `order` and with the relative ``accuracy`` asked for."""
        _, n = spin.packed_numbers(self.degree)
        response = np.zeros(self.shape[0], dtype=complex)
        for g, rows, orders, radial, turned in self._ports():
            total = response[rows]
            if turned is not None:
                for node, factor, epsilon, kind in self._nodes(radial, accuracy):
                    jobs = [partial(apply_by_degree, matrix[node], x, n) for _, matrix in orders]
                    found = spin.run(jobs, spin.sharing(self.degree, self.threads))
                    parts = [
                        (s, part.astype(kind, copy=False)) for (s, _), part in zip(orders, found, strict=True)
                    ]
                    values = torus.synthesis(parts, turned.turns, epsilon=epsilon, threads=self.threads)
                    for own, at, value in zip(turned.rows, turned.at, values, strict=True):
                        total[own] += _times(value, factor, at)
                continue
            for s, matrix in orders:
                maps: Any = None
                for node, factor, epsilon, kind in self._nodes(radial, accuracy):
                    part = spin.point_synthesis(
                        apply_by_degree(matrix[node], x, n).astype(kind, copy=False),
                        spin=s,
                        location=g.aside,
                        moved=True,
                        epsilon=epsilon,
                        threads=self.threads,
                    )
                    part = _times(part, factor)
                    if maps is None:
                        maps = part
                    else:
                        maps += part
                turn(maps, s, g, total)
        return response

    def adjoint_ordered(self, w: Complex, *, accuracy: float | None = None) -> NDArray[np.complex128]:
        """As `adjoint`, in the order of `order` and with the relative ``accuracy`` asked for."""
        _, n = spin.packed_numbers(self.degree)
        result = np.zeros((2, 2, n.size), dtype=complex)

        def add(matrix: Complex, channel: Complex) -> None:
            apply_by_degree(matrix.conj().swapaxes(-1, -2), channel, n, out=result)

        for g, rows, orders, radial, turned in self._ports():
            own = w[rows]
            if turned is not None:
                for node, factor, epsilon, kind in self._nodes(radial, accuracy):
                    values = [
                        _times(own[some], factor.conj(), at).astype(kind)
                        for some, at in zip(turned.rows, turned.at, strict=True)
                    ]
                    channels = torus.adjoint(
                        values,
                        [s for s, _ in orders],
                        turned.turns,
                        degree=self.degree,
                        epsilon=epsilon,
                        threads=self.threads,
                    )
                    for (_, matrix), channel in zip(orders, channels, strict=True):
                        add(matrix[node], channel)
                continue
            for s, matrix in orders:
                maps = _turn_back(own, s, g)
                for node, factor, epsilon, kind in self._nodes(radial, accuracy):
                    channel = spin.point_adjoint(
                        _times(maps, factor.conj()).astype(kind, copy=False),
                        spin=s,
                        degree=self.degree,
                        location=g.aside,
                        moved=True,
                        epsilon=epsilon,
                        threads=self.threads,
                    )
                    add(matrix[node], channel)
        return result

    def _nodes(
        self, radial: NDArray[Any], accuracy: float | None
    ) -> Iterator[tuple[int, NDArray[Any], float, Any]]:
        """Functions of radius that count for an accuracy, with what to ask of the transforms of each, and in
        which type: small products need fewer digits."""
        accuracy = self.tolerance if accuracy is None else accuracy
        for node, (factor, size) in enumerate(zip(radial, self.separation.size.tolist(), strict=True)):
            if node == 0 or size > LEAST_PRODUCT * accuracy:
                yield node, factor, *_precision(accuracy / size)

    def _ports(self) -> Iterator[tuple[Geometry, slice, Orders, NDArray[Any], Turned | None]]:
        """Of each port: geometry, rows in `order`, response over degree and radius, groups of one chi."""
        start = 0
        over = self.separation
        for g, orders, radial, turned in zip(
            self.geometry, over.over_degree, over.over_radius, self.turned, strict=True
        ):
            yield g, slice(start, start + g.count), orders, radial, turned
            start += g.count

    def to_modes(self, x: Complex) -> NDArray[np.complex128]:
        """Mode coefficients Q, (J,), of packed coefficients."""
        q = np.empty((2, x.shape[2], 2), dtype=complex)
        return in_order(packed_modes(self.separation.precondition, x, q, threads=self.threads))

    def to_modes_adjoint(self, q: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Adjoint of `to_modes`: packed coefficients T^H q of modes (J,)."""
        return self._packed(self.separation.precondition.conj().swapaxes(1, 2), q)

    def from_modes(self, q: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Packed coefficients of modes Q, (J,); the inverse of `to_modes`."""
        t = self.separation.precondition
        scale = np.abs(t).max(axis=(1, 2), keepdims=True)
        scale[scale == 0] = 1
        return self._packed(np.asarray(np.linalg.pinv(t / scale) / scale), q)  # zero where T is

    def _packed(self, matrix: Complex, q: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Packed product of a matrix for each degree with modes (J,)."""
        return apply_by_degree(matrix, spin.pack(q.reshape(-1, 2).T), spin.packed_numbers(self.degree)[1])


def modelled(
    samples: Samples,
    probe: Probe,
    q: NDArray[np.complex128],
    *,
    tolerance: float = 1e-12,
    threads: int | None = None,
) -> NDArray[np.complex128]:
    """Responses (M,) that modes Q, (J,), make at samples of one frequency; on all threads if None."""
    operator = TransmissionOperator(
        plan_geometry(samples),
        probe,
        float(samples.frequency[0]),
        degree_of_count(q.size),
        tolerance,
        spin.thread_count(threads),
    )
    return operator.forward(operator.from_modes(q))


#: Products of a function of degree and one of radius that are left out, in terms of the accuracy asked for.
LEAST_PRODUCT = 0.2
#: Accuracy from which single precision does, whose transforms take two thirds of the time.
SINGLE_ACCURACY = 3e-6


def attained(accuracy: float) -> float:
    """Relative accuracy of products for which ``accuracy`` is asked: none is without rounding."""
    return _precision(accuracy)[0]


def _precision(accuracy: float) -> tuple[float, Any]:
    """What to ask of the transforms, and in which type, for a relative accuracy."""
    if accuracy >= SINGLE_ACCURACY:
        return min(accuracy, 1e-3), np.complex64
    return max(accuracy, 3e-13), np.complex128


def _times(values: Complex, factor: NDArray[Any], at: NDArray[np.intp] | slice = slice(None)) -> Complex:
    """Values times the factors of their positions; themselves where one factor of 1 serves all."""
    return values if factor.size == 1 and factor[0] == 1 else values * factor[at]


def turn(maps: Complex, s: int, g: Geometry, total: Complex) -> None:
    """Add map_0, or map_1 cos(s chi) + map_2 sin(s chi), to the samples."""
    if g.position is not None:
        for part, turn in zip(maps, g.turns(s), strict=True):
            total += turn * part[g.position]
        return
    layers = total.reshape(g.chi.shape[0], -1)
    for part, turn in zip(maps, g.turns(s), strict=True):
        for layer, factor in zip(layers, turn, strict=True):
            if factor.size == 1 and factor[0] == 1:
                layer += part
            elif factor.any():
                layer += factor * part


def _turn_back(w: Complex, s: int, g: Geometry) -> Complex:
    """Adjoint of `turn`: maps (C, P) of the samples."""
    turns = g.turns(s)
    size = g.radius.size
    maps = np.zeros((len(turns), size), dtype=complex)
    if g.position is not None:
        for i, turn in enumerate(turns):
            maps[i].real = np.bincount(g.position, w.real * turn, size)
            maps[i].imag = np.bincount(g.position, w.imag * turn, size)
        return maps
    for out, turn in zip(maps, turns, strict=True):
        for layer, factor in zip(w.reshape(g.chi.shape[0], -1), turn, strict=True):
            if factor.size == 1 and factor[0] == 1:
                out += layer
            elif factor.any():
                out += factor * layer
    return maps
