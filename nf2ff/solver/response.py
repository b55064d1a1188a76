"""The probe's response over degree and radius, as few products of the one and the other as do.

P_{s mu n}(kr), freed of exp(-jkr)/kr, is smooth in r: sampled at Chebyshev nodes and compressed by
a singular value decomposition over all degrees at once, it becomes a short sum of products, and
samples at any radius cost one transform for each term.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import wavenumber
from nf2ff.measurement.probe import Probe, response_constants
from nf2ff.messages.input_error import InputError

#: From the response constants at distances, as a function of these (R,), and distances to others there.
Change = Callable[[Callable[[Any], NDArray[np.complex128]], Any], NDArray[np.complex128]]
#: Matrices over degree of one port, for each |mu| = s.
Orders = list[tuple[int, NDArray[Any]]]

#: Chebyshev nodes over radius at most: enough for +- 60 wavelengths of variation.
MAX_NODES = 512


def spin_constants(constants: NDArray[np.complex128]) -> Orders:
    """Response constants as matrices from (Q_1, Q_2) to spin-s map coefficients.

    Of P_{s mu n} (R, 2 mu_max + 1, N, 2) of one port at R distances, a matrix (R, N, C, 2) for each
    |mu| = s that the probe has: C = 1 for s = 0, else gradient and curl. With
    q_mu = sum_s P_{s mu n} Q_s and sigma = (-1)^(s+1), by `spin`:
    G = (-q_s + sigma q_{-s}) / y_n and C = -j (q_s + sigma q_{-s}) / y_n.
    """
    top = constants.shape[1] // 2
    n = np.arange(1, constants.shape[2] + 1)
    y = np.sqrt((2 * n + 1) / (4 * np.pi))[:, None]
    result: Orders = []
    for s in range(top + 1):
        plus, minus = constants[:, top + s], constants[:, top - s]
        if not (plus.any() or minus.any()):
            continue
        if s == 0:
            result.append((0, (plus / y)[:, :, None, :]))
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
    return np.asarray(vectors * inverse[:, None, :] @ vectors.conj().swapaxes(1, 2) / scale[:, None, None])


@dataclass(frozen=True, eq=False)
class Separation:
    """Response constants of preconditioned modes, separated into degree and radius.

    Parameters
    ----------
    precondition : (N, 2, 2) ndarray
        T, with Q = T x.
    over_degree : list of list of (s, matrix)
        For each port and each |mu| = s, matrices (K, N, C, 2) from x to map coefficients.
    over_radius : list of (K, P) ndarray
        For each port, factors at its positions, exp(-jkr) included; 1, of shape (1, 1), if the
        radius is constant.
    size : (K,) ndarray
        How large the products are, relative to the first.
    """

    precondition: NDArray[Any]
    over_degree: list[Orders]
    over_radius: list[NDArray[Any]]
    size: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Series:
    """The same for all radii from ``low`` to ``high`` [m]: only what depends on degree is worked out.

    ``left`` (nodes, K) are Chebyshev series of the functions of radius, None where they are 1; ``k`` is the
    wavenumber [rad/m], ``size`` as of `Separation`.
    """

    precondition: NDArray[Any]
    over_degree: list[Orders]
    left: NDArray[Any] | None
    size: NDArray[np.float64]
    low: float
    high: float
    k: float

    def at(self, radius: list[NDArray[np.float64]]) -> Separation:
        """At the radii (P,) of each port's positions."""
        if self.left is None:
            return Separation(self.precondition, self.over_degree, [np.ones((1, 1))] * len(radius), self.size)
        middle = 0.5 * (self.low + self.high)
        over_radius = [
            _evaluate(self.left, r, self.low, self.high) * (np.exp(-1j * self.k * r) * middle / r)
            for r in radius
        ]
        return Separation(self.precondition, self.over_degree, over_radius, self.size)


def separate(
    probe: Probe,
    *,
    ports: list[int],
    low: float,
    high: float,
    frequency: float,
    degree: int,
    tolerance: float,
    change: Change | None = None,
    cut: float = 0.1,
) -> Series:
    """Separate the response constants of each port over radii from ``low`` to ``high`` [m].

    ``ports`` are those in use, the others as of `TransmissionOperator`. Refused if more than `MAX_NODES` are
    needed. Of what ``change`` makes of the constants T is that of the constants as they are. Terms below
    ``cut`` times the tolerance are left out.
    """
    k = float(wavenumber(frequency))
    middle, half = 0.5 * (low + high), 0.5 * (high - low)

    def constants(r: Any) -> NDArray[np.complex128]:
        found = response_constants(probe, frequency=frequency, radius=r, degree=degree)
        return found[[port - 1 for port in ports]]

    # Waves above kr decay with distance. Measured by what the nearest sample receives, none is
    # magnified, and those that only few samples receive stay where they cannot do harm.
    nearest = constants([low])
    reference = [spin_constants(c) for c in nearest]
    t = _precondition([m[0] for port in reference for _, m in port])

    def preconditioned(r: Any) -> list[Orders]:
        with np.errstate(invalid="ignore", over="ignore"):
            if change is None:
                changed = nearest if list(r) == [low] else constants(r)
            else:
                changed = change(constants, r)
            found = [[(s, m @ t) for s, m in spin_constants(c)] for c in changed]
        for port in found:
            for _, m in port:
                m[:, ~t.any(axis=(1, 2))] = 0
        return found

    # A change of radius that turns no phase by more than the tolerance is none; what hears nothing has none.
    there = preconditioned([middle])
    if k * half < 0.1 * tolerance or not any(there):
        phase = np.exp(-1j * k * middle)
        fixed = [[(s, m * phase) for s, m in port] for port in there]
        return Series(t * (k * middle), fixed, None, np.ones(1), low, high, k)

    def sample(r: Any) -> NDArray[Any]:
        parts = [m.reshape(len(r), -1) for port in preconditioned(r) for _, m in port]
        return np.concatenate(parts, axis=1)

    right, left, size = _sum_of_products(sample, low, high, tolerance, cut)
    over_degree = []
    at = 0
    for port in preconditioned([middle]):
        parts = []
        for s, m in port:
            parts.append((s, right[:, at : at + m.size].reshape(-1, *m.shape[1:])))
            at += m.size
        over_degree.append(parts)
    return Series(t * (k * middle), over_degree, left, size, low, high, k)


def _sum_of_products(
    sample: Callable[[Any], NDArray[Any]], low: float, high: float, tolerance: float, cut: float
) -> tuple[NDArray[Any], NDArray[Any], NDArray[np.float64]]:
    """Functions (K, X) and Chebyshev series in r (nodes, K) whose products add up to ``sample``, and the
    products' sizes (K,), relative to the first."""
    # Nodes that all miss a steep rise towards the nearest sample would look converged: the series
    # is held against the function itself, there above all.
    control = low + (high - low) * np.array([0.0, 1e-4, 1e-3, 1e-2, 0.1, 0.37, 0.74, 1.0])
    exact = sample(control)
    count = 8
    while True:
        angle = np.pi * (np.arange(count) + 0.5) / count
        values = sample(0.5 * (low + high) + 0.5 * (high - low) * np.cos(angle))
        transform = 2 / count * np.cos(np.outer(np.arange(count), angle))
        transform[0] *= 0.5
        series = transform @ values
        found = _evaluate(series, control, low, high).T
        if np.abs(found - exact).max() <= 0.3 * tolerance * np.abs(exact).max():
            break
        if count >= MAX_NODES:
            raise InputError(
                f"the radius varies from {low:.6g} to {high:.6g} m, too much for this degree at "
                "the nearest of them",
                "choose a lower degree",
            )
        count *= 2
    left, size, right = np.linalg.svd(series, full_matrices=False)
    keep = int(np.count_nonzero(size > cut * tolerance * size[0]))
    return size[:keep, None] * right[:keep], left[:, :keep], size[:keep] / size[0]


def _evaluate(series: NDArray[Any], r: NDArray[np.float64], low: float, high: float) -> NDArray[Any]:
    """Chebyshev series (nodes, K) at radii (P,), (K, P)."""
    scaled = (r - 0.5 * (low + high)) / (0.5 * (high - low))
    return np.asarray(np.polynomial.chebyshev.chebval(scaled, series))
