"""From modes to responses and back: the transmission operator and its adjoint.

w = sum Q_smn exp(i m phi) d^n_{m mu}(theta) exp(i mu chi) P_{s mu n}(kA)  (Hansen 1988, eq. 3.12,
conjugated). For each |mu| = s one spin-s transform gives two maps, and the response is

    w = map_0 + sum_s [ map_1 cos(s chi) + map_2 sin(s chi) ].
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff import spin
from nf2ff.modes import mode_count, wavenumber
from nf2ff.probe import Probe, response_constants
from nf2ff.samples import Samples
from nf2ff.waves import canonical_angles

Complex = NDArray[Any]


@dataclass(frozen=True, slots=True, eq=False)
class Geometry:
    """Where the samples of one frequency and one port are, planned once for many products.

    Parameters
    ----------
    port : int
        Port of the probe, from 1.
    location : (P, 2) ndarray
        Different positions: theta in [0, pi], phi in [0, 2 pi) [rad].
    radius : (P,) ndarray
        Distance of each position [m].
    rows : (M,) ndarray of int or slice
        Which of all samples these are, in the order that is used here.
    chi : ndarray
        Rotation of the probe, half a turn added where theta was negative [rad]: (K, P) or (K, 1)
        where every position has K samples and they stand one such layer after the other; else
        (M,).
    position : (M,) ndarray of int or None
        Position of each sample, None where they stand in layers.
    """

    port: int
    location: NDArray[np.float64]
    radius: NDArray[np.float64]
    rows: NDArray[np.intp] | slice
    chi: NDArray[np.float64]
    position: NDArray[np.intp] | None

    @property
    def count(self) -> int:
        """Number of samples M."""
        if self.position is not None:
            return self.position.size
        return self.chi.shape[0] * self.radius.size

    def multiplicity(self) -> NDArray[np.float64]:
        """Number of samples at each position, (P,)."""
        if self.position is None:
            return np.full(self.radius.size, float(self.chi.shape[0]))
        return np.bincount(self.position, minlength=self.radius.size).astype(float)

    def spread(self, values: NDArray[Any]) -> NDArray[Any]:
        """Values of the positions, (P,), told to their samples, (M,)."""
        if self.position is None:
            return np.tile(values, self.chi.shape[0])
        return values[self.position]


def check_port(port: int, probe: Probe) -> None:
    """Refuse a port that the probe lacks."""
    if port > probe.ports:
        msg = (
            f"the samples use port {port}, the probe has {probe.ports} "
            f"port{'s' if probe.ports > 1 else ''}: give a probe with that port"
        )
        raise ValueError(msg)


def plan_geometry(samples: Samples) -> tuple[Geometry, ...]:
    """Geometry of each port's samples, in the order of the ports; positions must be (M,)."""
    if samples.moving:
        msg = "positions differ by frequency: take the samples of one frequency first"
        raise ValueError(msg)
    theta, phi, turned = canonical_angles(samples.theta, samples.phi)
    chi = samples.chi + np.pi * turned if turned.any() else samples.chi
    plans = []
    for port in np.unique(samples.port).tolist():
        rows: NDArray[np.intp] | slice = np.flatnonzero(samples.port == port)
        if rows.size == samples.port.size:  # type: ignore[union-attr]
            rows = slice(None)
        plans.append(
            _plan_port(port, theta[rows], phi[rows], samples.radius[rows], chi[rows], rows)
        )
    return tuple(plans)


def _plan_port(
    port: int,
    theta: NDArray[np.float64],
    phi: NDArray[np.float64],
    radius: NDArray[np.float64],
    chi: NDArray[np.float64],
    rows: NDArray[np.intp] | slice,
) -> Geometry:
    first, position = different_positions(theta, phi, radius)
    location = np.stack([theta[first], phi[first]], axis=1)
    size = location.shape[0]
    layers = theta.size // size if size else 0
    even = layers > 0 and layers * size == theta.size
    if not even or not np.all(np.bincount(position, minlength=size) == layers):
        return Geometry(port, location, radius[first], rows, chi, position)
    order = np.argsort(position, kind="stable").reshape(size, layers).T.ravel()
    if np.array_equal(order, np.arange(order.size)):
        order = slice(None)  # type: ignore[assignment]
    elif isinstance(rows, slice):
        rows = order
    else:
        rows = rows[order]
    chi = chi[order].reshape(layers, size)
    # Even the smallest test of equality pays: two values of chi in all need no arrays.
    if np.all(chi == chi[:, :1]):
        chi = chi[:, :1]
    return Geometry(port, location, radius[first], rows, chi, None)


def different_positions(
    *columns: NDArray[np.float64],
) -> tuple[NDArray[np.intp] | slice, NDArray[np.intp]]:
    """First sample at each different position, and the position of every sample.

    Parameters
    ----------
    *columns : (M,) ndarray
        theta, phi and, where it matters, radius.
    """
    count = columns[0].size
    half = count // 2
    if count % 2 == 0 and count:
        # The usual orders need no sorting: all of one polarisation first, or both at each place.
        if all(np.array_equal(x[:half], x[half:]) for x in columns):
            return slice(0, half), np.tile(np.arange(half), 2)
        if all(np.array_equal(x[::2], x[1::2]) for x in columns):
            return slice(0, count, 2), np.repeat(np.arange(half), 2)
    order = np.lexsort(columns)
    new = np.zeros(count, dtype=bool)
    new[:1] = True
    for x in columns:
        ordered = x[order]
        new[1:] |= ordered[1:] != ordered[:-1]
    position = np.empty(count, dtype=np.intp)
    position[order] = np.cumsum(new) - 1
    return order[new], position


@dataclass(frozen=True, eq=False)
class TransmissionOperator:
    """Linear map from modes to the responses of one frequency.

    It acts on preconditioned coefficients x, packed as `spin` describes with the two
    components s = 1, 2, and ``to_modes`` gives Q = T_n x, T_n a 2 x 2 matrix for each degree
    such that x is the tangential field at the probe in orthonormal functions: the operator is
    then close to an isometry and as well conditioned as the sampling allows.

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
    """

    geometry: tuple[Geometry, ...]
    probe: Probe
    frequency: float
    degree: int
    tolerance: float = 1e-12
    threads: int = 1

    def __post_init__(self) -> None:
        check_port(max(g.port for g in self.geometry), self.probe)

    @cached_property
    def _radial(self) -> tuple[Any, Any, Any]:
        """Precondition T (N, 2, 2), factors (ports, K, ...) over degree and (K, P) over radius."""
        return _separate(self)

    @cached_property
    def shape(self) -> tuple[int, int]:
        """Number of samples and of modes."""
        count = sum(g.count for g in self.geometry)
        return count, mode_count(self.degree)

    @property
    def nodes(self) -> int:
        """Number of functions of radius that the varying distance needs (1 if it is constant)."""
        return int(self._radial[2][0].shape[0])

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

    def forward_ordered(
        self, x: Complex, *, accuracy: float | None = None
    ) -> NDArray[np.complex128]:
        """As `forward`, in the order of `order` and with the relative ``accuracy`` asked for."""
        epsilon, kind = _precision(self.tolerance if accuracy is None else accuracy)
        _, over_degree, over_radius = self._radial
        _, n = spin.packed_numbers(self.degree)
        response = np.zeros(self.shape[0], dtype=complex)
        start = 0
        for port, g in enumerate(self.geometry):
            total = response[start : start + g.count]
            start += g.count
            for s, orders in over_degree[port]:
                maps: Any = None
                for node in range(orders.shape[0]):
                    part = spin.point_synthesis(
                        _apply(orders[node], x, n).astype(kind, copy=False), spin=s,
                        location=g.location, epsilon=epsilon, threads=self.threads,
                    )  # fmt: skip
                    part = part * over_radius[port][node]
                    if maps is None:
                        maps = part
                    else:
                        maps += part
                _turn(maps, s, g, total, add=s != over_degree[port][0][0])
        return response

    def adjoint_ordered(
        self, w: Complex, *, accuracy: float | None = None
    ) -> NDArray[np.complex128]:
        """As `adjoint`, in the order of `order` and with the relative ``accuracy`` asked for."""
        epsilon, kind = _precision(self.tolerance if accuracy is None else accuracy)
        _, over_degree, over_radius = self._radial
        _, n = spin.packed_numbers(self.degree)
        result = np.zeros((2, 2, n.size), dtype=complex)
        start = 0
        for port, g in enumerate(self.geometry):
            own = w[start : start + g.count]
            start += g.count
            for s, orders in over_degree[port]:
                maps = _turn_back(own, s, g)
                for node in range(orders.shape[0]):
                    part = maps * over_radius[port][node].conj()
                    channel = spin.point_adjoint(
                        part.astype(kind, copy=False), spin=s, degree=self.degree,
                        location=g.location, epsilon=epsilon, threads=self.threads,
                    )  # fmt: skip
                    _apply(orders[node].conj().swapaxes(-1, -2), channel, n, out=result)
        return result

    def to_modes(self, x: Complex) -> NDArray[np.complex128]:
        """Mode coefficients Q, (J,), of packed coefficients."""
        q = _apply(self._radial[0], x, spin.packed_numbers(self.degree)[1])
        return np.ascontiguousarray(spin.unpack(q).T).ravel()

    def from_modes(self, q: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Packed coefficients of modes Q, (J,); the inverse of `to_modes`."""
        packed = spin.pack(q.reshape(-1, 2).T)
        t = self._radial[0]
        scale = np.abs(t).max(axis=(1, 2), keepdims=True)
        scale[scale == 0] = 1
        inverse = np.linalg.pinv(t / scale) / scale
        return _apply(inverse, packed, spin.packed_numbers(self.degree)[1])


#: Accuracy from which single precision does, whose transforms take two thirds of the time.
SINGLE_ACCURACY = 3e-6


def _precision(accuracy: float) -> tuple[float, Any]:
    """What to ask of the transforms, and in which type, for a relative accuracy."""
    if accuracy >= SINGLE_ACCURACY:
        return min(accuracy, 1e-4), np.complex64
    return max(accuracy, 3e-13), np.complex128


def _apply(
    matrix: Complex, x: Complex, n: NDArray[np.int32], out: Complex | None = None
) -> Complex:
    """Multiply packed x (2, C', A) by a (N, C, C') matrix of each degree, and add it to ``out``."""
    index = np.maximum(n - 1, 0)
    result = np.zeros((2, matrix.shape[1], n.size), dtype=complex) if out is None else out
    for row in range(matrix.shape[1]):
        for column in range(matrix.shape[2]):
            if matrix[:, row, column].any():
                result[:, row] += matrix[index, row, column] * x[:, column]
    return result


def _turns(s: int, chi: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    return [np.ones_like(chi)] if s == 0 else [np.cos(s * chi), np.sin(s * chi)]


def _turn(maps: Complex, s: int, g: Geometry, total: Complex, *, add: bool) -> None:
    """Put map_0, or map_1 cos(s chi) + map_2 sin(s chi), into the samples or add it to them."""
    if not add:
        total[:] = 0
    if g.position is not None:
        for part, turn in zip(maps, _turns(s, g.chi), strict=True):
            total += turn * part[g.position]
        return
    layers = total.reshape(g.chi.shape[0], -1)
    for part, turn in zip(maps, _turns(s, g.chi), strict=True):
        for layer, factor in zip(layers, turn, strict=True):
            if factor.any():
                layer += factor * part


def _turn_back(w: Complex, s: int, g: Geometry) -> Complex:
    """Adjoint of `_turn`: maps (C, P) of the samples."""
    turns = _turns(s, g.chi)
    size = g.radius.size
    maps = np.zeros((len(turns), size), dtype=complex)
    if g.position is not None:
        for i, turn in enumerate(turns):
            maps[i].real = np.bincount(g.position, w.real * turn, size)
            maps[i].imag = np.bincount(g.position, w.imag * turn, size)
        return maps
    for out, turn in zip(maps, turns, strict=True):
        for layer, factor in zip(w.reshape(g.chi.shape[0], -1), turn, strict=True):
            if factor.any():
                out += factor * layer
    return maps


def spin_constants(constants: NDArray[np.complex128]) -> list[tuple[int, NDArray[np.complex128]]]:
    """Response constants as matrices from (Q_1, Q_2) to spin-s map coefficients.

    Parameters
    ----------
    constants : (R, 2 mu_max + 1, N, 2) ndarray
        P_{s mu n} of one port at R distances.

    Returns
    -------
    list of (s, matrix)
        Matrix (R, N, C, 2) for each |mu| = s that the probe has: C = 1 for s = 0, else gradient
        and curl. With q_mu = sum_s P_{s mu n} Q_s and sigma = (-1)^(s+1), by `spin`:
        G = (-q_s + sigma q_{-s}) / y_n and C = -j (q_s + sigma q_{-s}) / y_n.
    """
    top = constants.shape[1] // 2
    n = np.arange(1, constants.shape[2] + 1)
    y = np.sqrt((2 * n + 1) / (4 * np.pi))[:, None]
    result: list[tuple[int, NDArray[np.complex128]]] = []
    for s in range(top + 1):
        plus, minus = constants[:, top + s], constants[:, top - s]
        if not (plus.any() or minus.any()):
            continue
        if s == 0:
            single: NDArray[np.complex128] = (plus / y)[:, :, None, :]
            result.append((0, single))
            continue
        sigma = (-1) ** (s + 1)
        with np.errstate(invalid="ignore", over="ignore"):
            pair = np.stack([sigma * minus - plus, -1j * (plus + sigma * minus)], axis=2)
            result.append((s, pair / y[:, None]))
    return result


def _precondition(matrices: list[NDArray[np.complex128]]) -> NDArray[np.complex128]:
    """T (N, 2, 2) with sum (B T)^H (B T) = 1 for each degree; zero where B is not finite."""
    rows: NDArray[Any] = np.concatenate(matrices, axis=1)
    finite: NDArray[np.bool_] = np.asarray(np.isfinite(rows).all(axis=(1, 2)))
    scale = np.where(finite, np.abs(np.where(finite[:, None, None], rows, 0)).max(axis=(1, 2)), 1)
    scale[scale == 0] = 1
    rows = np.where(finite[:, None, None], rows, 0j) / scale[:, None, None]
    values, vectors = np.linalg.eigh(rows.conj().swapaxes(1, 2) @ rows)
    # A wave that the probe hardly receives must not be magnified into the solution.
    usable = values > 1e-14 * values[:, -1:]
    inverse = np.where(usable, 1 / np.sqrt(np.where(usable, values, 1)), 0)
    return np.asarray(
        vectors * inverse[:, None, :] @ vectors.conj().swapaxes(1, 2) / scale[:, None, None]
    )


def _separate(operator: TransmissionOperator) -> tuple[Any, Any, Any]:
    """Write the preconditioned response constants as short sums of (degree) x (radius) functions.

    The factor exp(-jkr)/kr is taken out; the rest is smooth in r. It is sampled at Chebyshev
    nodes, as many as the tolerance needs, and a singular value decomposition over all degrees at
    once leaves the fewest products that do.
    """
    radii = [g.radius for g in operator.geometry]
    low, high = min(r.min() for r in radii), max(r.max() for r in radii)
    k = float(wavenumber(operator.frequency))
    middle, half = 0.5 * (low + high), 0.5 * (high - low)

    def constants(r: Any) -> NDArray[np.complex128]:
        return response_constants(
            operator.probe, frequency=operator.frequency, radius=r, degree=operator.degree
        )[[g.port - 1 for g in operator.geometry]]

    # Waves above kr decay with distance. Measured by what the nearest sample receives, none is
    # magnified, and those that only few samples receive stay where they cannot do harm.
    reference = [spin_constants(c) for c in constants([low])]
    t = _precondition([m[0] for port in reference for _, m in port])

    def preconditioned(r: Any) -> list[list[tuple[int, NDArray[np.complex128]]]]:
        with np.errstate(invalid="ignore", over="ignore"):
            found = [[(s, m @ t) for s, m in spin_constants(c)] for c in constants(r)]
        for port in found:
            for _, m in port:
                m[:, ~t.any(axis=(1, 2))] = 0
        return found

    # A change of radius that turns no phase by more than the tolerance is none.
    if k * half < 0.1 * operator.tolerance:
        over_radius = [np.full((1, 1), np.exp(-1j * k * middle))] * len(radii)
        return t * (k * middle), preconditioned([middle]), over_radius
    count = 8
    while True:
        nodes = np.cos(np.pi * (np.arange(count) + 0.5) / count)
        sampled = preconditioned(middle + half * nodes)
        flat = np.concatenate([m.reshape(count, -1) for port in sampled for _, m in port], axis=1)
        transform = (
            2 / count * np.cos(np.outer(np.arange(count), np.pi * (np.arange(count) + 0.5) / count))
        )
        transform[0] *= 0.5
        series = transform @ flat
        if np.abs(series[-3:]).max() <= 0.1 * operator.tolerance * np.abs(series).max():
            break
        if count >= MOST_NODES:
            msg = (
                f"the radius varies from {low:.6g} to {high:.6g} m, too much for degree "
                f"{operator.degree} at the nearest of them: choose a lower degree"
            )
            raise ValueError(msg)
        count *= 2
    left, size, right = np.linalg.svd(series, full_matrices=False)
    keep = int(np.count_nonzero(size > 0.1 * operator.tolerance * size[0]))
    right = size[:keep, None] * right[:keep]
    over_degree = []
    at = 0
    for port in sampled:
        parts = []
        for s, m in port:
            width = m[0].size
            parts.append((s, right[:, at : at + width].reshape(keep, *m.shape[1:])))
            at += width
        over_degree.append(parts)
    over_radius = []
    for r in radii:
        functions = np.polynomial.chebyshev.chebval((r - middle) / half, left[:, :keep])
        over_radius.append(functions * (np.exp(-1j * k * r) * middle / r))
    return t * (k * middle), over_degree, over_radius


#: Chebyshev nodes over radius at most: enough for +- 60 wavelengths of variation.
MOST_NODES = 512
