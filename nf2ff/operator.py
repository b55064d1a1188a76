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
    location : (P, 2) ndarray
        Different positions: theta in [0, pi], phi in [0, 2 pi) [rad].
    radius : (P,) ndarray
        Distance of each position [m].
    position : (M,) ndarray of int
        Position of each sample.
    chi : (M,) ndarray
        Rotation of the probe at each sample, half a turn added where theta was negative [rad].
    rows : (M,) ndarray of int or slice
        Which of all samples these are.
    """

    location: NDArray[np.float64]
    radius: NDArray[np.float64]
    position: NDArray[np.intp]
    chi: NDArray[np.float64]
    rows: NDArray[np.intp] | slice


def plan_geometry(samples: Samples) -> tuple[Geometry, ...]:
    """Geometry of each port's samples, in the order of the ports; positions must be (M,)."""
    if samples.moving:
        msg = "positions differ by frequency: take the samples of one frequency first"
        raise ValueError(msg)
    theta, phi, turned = canonical_angles(samples.theta, samples.phi)
    chi = samples.chi + np.pi * turned if turned.any() else samples.chi
    ports = range(1, int(samples.port.max()) + 1)
    plans = []
    for port in ports:
        rows: NDArray[np.intp] | slice = np.flatnonzero(samples.port == port)
        if rows.size == samples.port.size:  # type: ignore[union-attr]
            rows = slice(None)
        first, position = _different(theta[rows], phi[rows], samples.radius[rows])
        location = np.stack([theta[rows][first], phi[rows][first]], axis=1)
        plans.append(Geometry(location, samples.radius[rows][first], position, chi[rows], rows))
    return tuple(plans)


def _different(
    theta: NDArray[np.float64], phi: NDArray[np.float64], radius: NDArray[np.float64]
) -> tuple[NDArray[np.intp] | slice, NDArray[np.intp]]:
    """First sample at each different position, and the position of every sample."""
    count = theta.size
    half = count // 2
    columns = (theta, phi, radius)
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
        if len(self.geometry) > self.probe.ports:
            msg = (
                f"the samples use port {len(self.geometry)}, the probe has {self.probe.ports} "
                f"port{'s' if self.probe.ports > 1 else ''}: give a probe with that port"
            )
            raise ValueError(msg)

    @cached_property
    def _radial(self) -> tuple[Any, Any, Any]:
        """Precondition T (N, 2, 2), factors (ports, K, ...) over degree and (K, P) over radius."""
        return _separate(self)

    @cached_property
    def shape(self) -> tuple[int, int]:
        """Number of samples and of modes."""
        count = sum(g.position.size for g in self.geometry)
        return count, mode_count(self.degree)

    @property
    def nodes(self) -> int:
        """Number of functions of radius that the varying distance needs (1 if it is constant)."""
        return int(self._radial[2][0].shape[0])

    def forward(self, x: Complex) -> NDArray[np.complex128]:
        """Responses (M,) of packed coefficients (2, 2, A)."""
        _, over_degree, over_radius = self._radial
        _, n = spin.packed_numbers(self.degree)
        response = np.zeros(self.shape[0], dtype=complex)
        for port, g in enumerate(self.geometry):
            total = np.zeros(g.position.size, dtype=complex)
            for s, orders in over_degree[port]:
                maps = None
                for node in range(orders.shape[0]):
                    channel = _apply(orders[node], x, n)
                    part = spin.point_synthesis(
                        channel, spin=s, location=g.location, epsilon=self._epsilon,
                        threads=self.threads,
                    )  # fmt: skip
                    part *= over_radius[port][node]
                    maps = part if maps is None else maps + part
                assert maps is not None
                _add_turned(total, maps, s, g)
            response[g.rows] = total
        return response

    def adjoint(self, w: Complex) -> NDArray[np.complex128]:
        """Packed coefficients A^H w of responses (M,)."""
        _, over_degree, over_radius = self._radial
        _, n = spin.packed_numbers(self.degree)
        result = np.zeros((2, 2, n.size), dtype=complex)
        for port, g in enumerate(self.geometry):
            for s, orders in over_degree[port]:
                maps = _collect_turned(w[g.rows], s, g)
                for node in range(orders.shape[0]):
                    channel = spin.point_adjoint(
                        maps * over_radius[port][node].conj(), spin=s, degree=self.degree,
                        location=g.location, epsilon=self._epsilon, threads=self.threads,
                    )  # fmt: skip
                    result += _apply(orders[node].conj().swapaxes(-1, -2), channel, n)
        return result

    def to_modes(self, x: Complex) -> NDArray[np.complex128]:
        """Mode coefficients Q, (J,), of packed coefficients."""
        q = _apply(self._radial[0], x, spin.packed_numbers(self.degree)[1])
        return np.ascontiguousarray(spin.unpack(q).T).ravel()

    def from_modes(self, q: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Packed coefficients of modes Q, (J,); the inverse of `to_modes`."""
        packed = spin.pack(q.reshape(-1, 2).T)
        t = self._radial[0]
        full = np.abs(np.linalg.det(t)) > 0
        inverse = np.zeros_like(t)
        inverse[full] = np.linalg.inv(t[full])
        return _apply(inverse, packed, spin.packed_numbers(self.degree)[1])

    @property
    def _epsilon(self) -> float:
        return float(np.clip(self.tolerance, 3e-13, 1e-3))


def _apply(matrix: Complex, x: Complex, n: NDArray[np.int32]) -> Complex:
    """Multiply packed x (2, C', A) by a (N, C, C') matrix of each degree; zeros are skipped."""
    index = np.maximum(n - 1, 0)
    result = np.zeros((2, matrix.shape[1], n.size), dtype=complex)
    for row in range(matrix.shape[1]):
        for column in range(matrix.shape[2]):
            if matrix[:, row, column].any():
                result[:, row] += matrix[index, row, column] * x[:, column]
    return result


def _add_turned(total: Complex, maps: Complex, s: int, g: Geometry) -> None:
    """Add map_0, or map_1 cos(s chi) + map_2 sin(s chi), to the samples."""
    if s == 0:
        total += maps[0][g.position]
        return
    for part, turn in zip(maps, (np.cos(s * g.chi), np.sin(s * g.chi)), strict=True):
        total += turn * part[g.position]


def _collect_turned(w: Complex, s: int, g: Geometry) -> Complex:
    """Adjoint of `_add_turned`: maps (C, P) of the samples."""
    turns = [np.ones_like(g.chi)] if s == 0 else [np.cos(s * g.chi), np.sin(s * g.chi)]
    size = g.radius.size
    maps = np.empty((len(turns), size), dtype=complex)
    for i, turn in enumerate(turns):
        maps[i].real = np.bincount(g.position, w.real * turn, size)
        maps[i].imag = np.bincount(g.position, w.imag * turn, size)
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
            result.append((0, (plus / y)[:, :, None, :]))
            continue
        sigma = (-1) ** (s + 1)
        with np.errstate(invalid="ignore"):
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
    usable = values > 1e-20
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
        )[: len(radii)]

    reference = [spin_constants(c) for c in constants([middle])]
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
        over_radius = [np.full((1, 1), np.exp(-1j * k * middle) / (k * middle))] * len(radii)
        return t, preconditioned([middle]), over_radius
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
        over_radius.append(functions * (np.exp(-1j * k * r) / (k * r)))
    return t, over_degree, over_radius


#: Chebyshev nodes over radius at most: enough for +- 60 wavelengths of variation.
MOST_NODES = 512
