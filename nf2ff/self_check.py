"""Whether the transforms of the library at hand are right, found out beside each solution.

A release of ducc0 may be wrong at some degrees, accuracies or places, and the number that comes of
it looks like any other. So the responses that the transforms gave to a solution are compared at a
few positions with direct sums, by rotation coefficients from their own recurrence, which share
nothing with the transforms. Both take the same coefficients: noise in the samples plays no part.
"""

from __future__ import annotations

import importlib.metadata
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff import spin
from nf2ff.geometry import Geometry
from nf2ff.grid import ring_angles
from nf2ff.operator import TransmissionOperator, apply_by_degree, attained
from nf2ff.special import rotation_sequences

Complex = NDArray[Any]
Real = NDArray[np.float64]

#: Error of a single response over the accuracy asked of the transforms, relative to the rms of all
#: of the same port, from which they count as wrong.
FACTOR = 100.0
#: The same of transforms on rings, over the rounding of N steps of a recurrence.
RING_FACTOR = 100.0
EPS = float(np.finfo(float).eps)


class WrongTransformError(RuntimeError):
    """The transforms differ from the sums that they stand for: no result can be trusted."""

    def __init__(self, what: str, error: float, allowed: float) -> None:
        release = f"ducc0 {importlib.metadata.version('ducc0')}"
        super().__init__(
            f"{release} computes wrong values here: {what} are off by {error:.1e} of their rms, "
            f"where {allowed:.1e} is allowed; no result is given: install another release of ducc0 "
            "(requirements-locked.txt names one that was tested)"
        )


def check_points(operator: TransmissionOperator, x: Complex, model: Complex) -> None:
    """Compare responses with direct sums at up to four positions of each port.

    They are those nearest to either pole, at the start of phi, and one amid the others: the edges
    of the angles' ranges are where a transform is most likely wrong alone.

    Parameters
    ----------
    operator : TransmissionOperator
        The operator.
    x : ndarray
        Packed coefficients.
    model : (M,) ndarray
        Its product with ``x``, in the order of `TransmissionOperator.order`.

    Raises
    ------
    WrongTransformError
        If they differ by more than the accuracy asked for explains.
    """
    allowed = FACTOR * (attained(operator.tolerance) + operator.degree * EPS)
    start = 0
    for port, g in enumerate(operator.geometry):
        own = model[start : start + g.count]
        start += g.count
        at = _places(g.location)
        rows, which, chi = _samples_at(g, at)
        found = _responses(operator, port, x, at, which, chi)
        _compare(
            f"the transforms at the poles and {at.size} positions in all",
            found - own[rows], own, allowed,
        )  # fmt: skip


def _places(location: Real) -> NDArray[np.intp]:
    theta, phi = location.T
    amid = theta.size * 5 // 13
    return np.unique([theta.argmin(), theta.argmax(), phi.argmin(), amid])


def _samples_at(
    g: Geometry, at: NDArray[np.intp]
) -> tuple[NDArray[np.intp], NDArray[np.intp], Real]:
    """Samples at positions ``at``: their rows, which of ``at`` they are, and chi."""
    if g.position is not None:
        rows = np.flatnonzero(np.isin(g.position, at))
        return rows, np.searchsorted(at, g.position[rows]), g.chi[rows]
    layers = g.chi.shape[0]
    rows = (np.arange(layers)[:, None] * g.radius.size + at).ravel()
    chi = np.broadcast_to(g.chi, (layers, g.radius.size))[:, at].ravel()
    return rows, np.tile(np.arange(at.size), layers), chi


def _responses(
    operator: TransmissionOperator,
    port: int,
    x: Complex,
    at: NDArray[np.intp],
    which: NDArray[np.intp],
    chi: Real,
) -> Complex:
    """Responses of a port's samples ``which`` of the positions ``at``, summed directly."""
    degree = operator.degree
    m, n = spin.packed_numbers(degree)
    theta, phi = operator.geometry[port].location[at].T
    y = np.sqrt((2 * n + 1) / (4 * np.pi))
    over_radius = operator.separation.over_radius[port]
    total = np.zeros(which.size, dtype=complex)
    for s, orders in operator.separation.over_degree[port]:
        maps = np.zeros((1 if s == 0 else 2, at.size), dtype=complex)
        plus, minus = (y * d for d in _both_signs(degree, theta, s))
        packed = None
        for t, place in enumerate(at):
            if over_radius.size > 1:
                packed = apply_by_degree(np.tensordot(over_radius[:, place], orders, 1), x, n)
            elif packed is None:
                packed = apply_by_degree(orders[0], x, n)
            turn = np.exp(1j * phi[t] * np.arange(degree + 1))[m]
            own = packed * np.stack([turn, turn.conj()])[:, None]
            maps[:, t] = _maps(own, plus[t], minus[t], (1 - 2 * ((m + s) & 1)), s)
        total += maps[0, which] * np.cos(s * chi)
        if s:
            total += maps[1, which] * np.sin(s * chi)
    return total


def _both_signs(degree: int, theta: Real, s: int) -> tuple[Real, Real]:
    """d^n_{m s} and d^n_{-m s} at the packed positions, (T, A) each."""
    m = np.arange(degree + 1)
    plus, _ = rotation_sequences(degree, theta, mu=s, m=m)
    minus, _ = rotation_sequences(degree, theta, mu=s, m=-m)
    return plus, minus


def _maps(own: Complex, plus: Real, minus: Real, sign: NDArray[Any], s: int) -> Complex:
    """Maps (C,) at one position of packed coefficients (2, C, A) times exp(+-jm phi).

    By the sums that `spin` states, with d^n_{m,-s} = (-1)^(m+s) d^n_{-m,s}.
    """
    if s == 0:
        return own[0] @ plus + own[1] @ minus
    (g, c), (g2, c2) = own
    up = (-1) ** (s + 1) * ((g + 1j * c) @ (sign * minus) + (g2 + 1j * c2) @ (sign * plus))
    down = -((g - 1j * c) @ plus + (g2 - 1j * c2) @ minus)
    return np.array([(up + down) / 2, (up - down) / 2j])


def check_adjoint(inner: complex, squared: complex, size: float, *, accuracy: float) -> None:
    """Compare <W w, A p> with <A^H W w, p>, p being A^H W w.

    Parameters
    ----------
    inner, squared : complex
        The one and the other.
    size : float
        Product of the norms of w and A p, weighted.
    accuracy : float
        Relative accuracy of the products.

    Raises
    ------
    WrongTransformError
        If they differ by more than that explains.
    """
    _compare(
        "transforms and their adjoint", np.array([inner - squared]), np.array([size]),
        FACTOR * attained(accuracy),
    )  # fmt: skip


def check_rings(coefficients: Complex, model: Complex, *, s: int, theta: Real, phi0: float) -> None:
    """Compare some azimuthal orders of maps on rings with direct sums.

    Parameters
    ----------
    coefficients : (C, N(N+2)) ndarray
        In the order n (n+1) + m - 1.
    model : (C, R, P) ndarray
        Their maps of spin ``s`` on rings.
    s : int
        Spin.
    theta : (R,) ndarray
        Their polar angles [rad].
    phi0 : float
        Azimuth of the first of the even columns [rad].

    Raises
    ------
    WrongTransformError
        If they differ by more than rounding.
    """
    degree = round(np.sqrt(coefficients.shape[1] + 1)) - 1
    # The orders that are heard at the poles, and one amid the others.
    orders = np.unique([s, -s, degree * 5 // 13])
    orders = orders[np.abs(orders) <= degree]
    phi = phi0 + 2 * np.pi * np.arange(model.shape[2]) / model.shape[2]
    found = model @ (np.exp(-1j * np.outer(phi, orders)) / phi.size)
    error = found - _ring_orders(coefficients, s=s, theta=theta, orders=orders)
    if s == 0:  # the maps have a mean, which no wave has and the coefficients leave out
        error[:, :, orders == 0] -= error[:, :, orders == 0].mean(axis=1, keepdims=True)
    _compare(f"the transforms of {theta.size} rings", error, model, RING_FACTOR * degree * EPS)


def check_analysis(*, s: int, degree: int, rule: str, count: int) -> None:
    """Send a map of azimuthal order 1 and known coefficients through the analysis of a grid.

    Parameters
    ----------
    s, degree : int
        Spin and largest degree.
    rule : str
        Quadrature rule of the rings.
    count : int
        Number of rings.

    Raises
    ------
    WrongTransformError
        If others come out.
    """
    rng = np.random.default_rng(1)
    n = np.arange(max(s, 1), degree + 1)
    shape = (2 if s else 1, n.size)
    given = np.zeros((shape[0], degree * (degree + 2)), dtype=complex)
    given[:, n * (n + 1)] = rng.standard_normal(shape) + 1j * rng.standard_normal(shape)
    orders = _ring_orders(given, s=s, theta=ring_angles(rule, count), orders=np.array([1]))
    found = spin.grid_analysis_of_order_1(orders[..., 0], spin=s, degree=degree, rule=rule)
    error = found[:, n] - given[:, n * (n + 1)]
    _compare(
        f"the analysis of {count} rings", error, given[:, n * (n + 1)],
        RING_FACTOR * degree * EPS,
    )  # fmt: skip


def _ring_orders(coefficients: Complex, *, s: int, theta: Real, orders: NDArray[Any]) -> Complex:
    """Azimuthal Fourier coefficients (C, R, B) of maps, summed directly."""
    degree = round(np.sqrt(coefficients.shape[1] + 1)) - 1
    counts = degree + 1 - np.abs(orders)
    begin = np.cumsum(counts) - counts
    m = np.repeat(orders, counts)

    def total(mu: int, of: Complex) -> Complex:
        d, n = rotation_sequences(degree, theta, mu=mu, m=orders)
        at = np.maximum(n * (n + 1) + m - 1, 0)
        terms = d * (np.where(n > 0, of[at], 0) * np.sqrt((2 * n + 1) / (4 * np.pi)))
        return np.add.reduceat(terms, begin, axis=1)

    if s == 0:
        return total(0, coefficients[0])[None]
    g, c = coefficients
    up = (-1) ** (s + 1) * total(-s, g + 1j * c)
    down = -total(s, g - 1j * c)
    return np.stack([(up + down) / 2, (up - down) / 2j])


def _compare(what: str, error: Complex, whole: Complex, allowed: float) -> None:
    rms = float(np.sqrt(np.mean(whole.real**2 + whole.imag**2)))
    off = float(np.abs(error).max())
    # Not a number is wrong too; where nothing was received there is nothing to compare.
    if rms != 0 and not off <= allowed * rms:
        raise WrongTransformError(what, off / rms, allowed)


__all__ = [
    "WrongTransformError",
    "check_adjoint",
    "check_analysis",
    "check_points",
    "check_rings",
]
