"""Whether the transforms of the library at hand are right, found out beside each solution.

A release of ducc0 may be wrong at some degrees, accuracies or places, and the number that comes of
it looks like any other. So the responses that the transforms gave to a solution are compared at a
few positions with direct sums, by rotation coefficients from their own recurrence, which share
nothing with the transforms. Both take the same coefficients: noise in the samples plays no part.
"""

from __future__ import annotations

import importlib.metadata
from functools import cache, lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.grids import ring_angles
from nf2ff.kernel import spin
from nf2ff.kernel.arrays import norm
from nf2ff.kernel.by_degree import apply_by_degree
from nf2ff.kernel.grid_analysis import analysis_of_order
from nf2ff.kernel.rotation import rotation_sequences
from nf2ff.solver.positions import Geometry
from nf2ff.solver.transmission import TransmissionOperator, attained

Complex = NDArray[Any]
Real = NDArray[np.float64]

#: Error of a single response over the accuracy asked of the transforms, relative to the rms of all
#: of the same port or that of the field over the sphere, from which they count as wrong.
FACTOR = 100.0
#: The same of transforms on rings, over the rounding of N steps of a recurrence.
RING_FACTOR = 100.0
EPS = float(np.finfo(float).eps)


class WrongTransformError(RuntimeError):
    """The transforms differ from the sums that they stand for: no result is given."""

    def __init__(self, what: str, error: float, allowed: float) -> None:
        release = f"ducc0 {importlib.metadata.version('ducc0')}"
        super().__init__(
            f"{release} computes wrong values here: {what} are off by {error:.1e} of their rms, "
            f"where {allowed:.1e} is allowed; no result is given: install another release of ducc0 "
            "(requirements-locked.txt names one that was tested)"
        )


def check_points(operator: TransmissionOperator, x: Complex, model: Complex) -> None:
    """Compare the product ``model`` with packed ``x`` with direct sums at up to three positions of each port.

    They are those nearest to either pole and, of those far from both, the one at the start of phi:
    the edges of the angles' ranges are where a transform is most likely wrong alone.
    """
    allowed = FACTOR * (attained(operator.tolerance) + operator.degree * EPS)
    # Of maps on the whole sphere, whose samples may miss nearly all where they are few.
    least = norm(x) / np.sqrt(8 * np.pi)
    start = 0
    for port, g in enumerate(operator.geometry):
        own = model[start : start + g.count]
        start += g.count
        at = _places(g.location)
        rows, which, chi = _samples_at(g, at)
        found = _responses(operator, port, x, at, which, chi)
        _compare(f"the transforms at {at.size} positions", found - own[rows], own, allowed, least=least)


def _places(location: Real) -> NDArray[np.intp]:
    theta, phi = location.T
    amid = np.where(np.abs(theta - np.pi / 2) < 1, phi, np.inf)
    return np.unique([theta.argmin(), theta.argmax(), amid.argmin()])


def _samples_at(g: Geometry, at: NDArray[np.intp]) -> tuple[NDArray[np.intp], NDArray[np.intp], Real]:
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
    over_degree = operator.separation.over_degree[port]
    over_radius = operator.separation.over_radius[port]
    spins = [s for s, _ in over_degree]
    maps = {s: np.zeros((1 if s == 0 else 2, at.size), dtype=complex) for s in spins}
    tops = np.array([largest_order(degree, t, max(spins)) for t in theta])
    for top in np.unique(tops):
        group = np.flatnonzero(tops == top)
        # Positions of the orders up to ``top``, which come first.
        part = slice(0, (top + 1) * (2 * degree + 2 - top) // 2)
        own_m, own_n, own_x = m[part], n[part], x[..., part]
        y = np.sqrt((2 * own_n + 1) / (4 * np.pi))
        turns = [np.exp(1j * phi[t] * np.arange(top + 1))[own_m] * y for t in group]
        for s, orders in over_degree:
            both = np.concatenate([np.arange(top + 1), -np.arange(top + 1)])
            d, _ = rotation_sequences(degree, theta[group], mu=s, m=both)
            sign = 1 - 2 * ((own_m + s) & 1)
            packed = None
            for t, turn, (plus, minus) in zip(group, turns, d.reshape(group.size, 2, -1), strict=True):
                if over_radius.size == 1 and over_radius[0, 0] == 1:  # one radius everywhere
                    packed = apply_by_degree(orders[0], own_x, own_n) if packed is None else packed
                else:
                    matrix = np.tensordot(over_radius[:, at[t]], orders, 1)
                    packed = apply_by_degree(matrix, own_x, own_n)
                maps[s][:, t] = _maps(packed, turn, plus, minus, sign, s)
    total = np.zeros(which.size, dtype=complex)
    for s, values in maps.items():
        total += values[0, which] * np.cos(s * chi)
        if s:
            total += values[1, which] * np.sin(s * chi)
    return total


def largest_order(degree: int, theta: float, s: int) -> int:
    """Order beyond which d^n_{m s} is beneath rounding at ``theta``.

    Off the axis the orders |m| - s are cut off as the degrees of waves are beyond kr, here by the rule
    of `antenna.modes.required_degree` for -320 dB of power.
    """
    reach = max(1.0, degree * np.sin(theta))
    return min(degree, int(reach + 0.045 * 320 * reach ** (1 / 3)) + s + 1)


def _maps(packed: Complex, turn: Complex, plus: Real, minus: Real, sign: NDArray[Any], s: int) -> Complex:
    """Maps (C,) at one position.

    By the sums that `spin` states, with d^n_{m,-s} = (-1)^(m+s) d^n_{-m,s}: of packed coefficients
    (2, C, A), y_n exp(jm phi), d^n_{m s}, d^n_{-m s} and (-1)^(m+s) at their positions.
    """
    if s == 0:
        return np.array([packed[0, 0] @ (turn * plus) + packed[1, 0] @ (turn.conj() * minus)])
    down = packed[0] @ (turn * plus) + packed[1] @ (turn.conj() * minus)
    turn = turn * sign
    up = packed[0] @ (turn * minus) + packed[1] @ (turn.conj() * plus)
    first, second = (-1) ** (s + 1) * (up[0] + 1j * up[1]), -(down[0] - 1j * down[1])
    return np.array([(first + second) / 2, (first - second) / 2j])


def check_adjoint(inner: complex, squared: complex, size: float, *, accuracy: float) -> None:
    """Compare <W w, A p> (``inner``) with <A^H W w, p> (``squared``), p being A^H W w.

    ``size`` is the product of the weighted norms of w and A p.
    """
    difference = np.array([inner - squared])
    _compare("transforms and their adjoint", difference, np.array([size]), FACTOR * attained(accuracy))


def check_rings(
    coefficients: Complex,
    model: Complex,
    *,
    s: int,
    theta: Real,
    phi0: float,
    orders: NDArray[np.intp],
    level: Complex,
) -> None:
    """Compare some azimuthal orders of maps on rings with direct sums.

    Parameters
    ----------
    coefficients : (2, C, A) ndarray
        Packed.
    model : (C, R, P) ndarray
        Azimuthal Fourier coefficients of their maps of spin ``s`` on rings at ``theta``, (R,), whose first
        column is ``phi0`` [rad].
    orders : (K,) ndarray of int
        Those of ``model`` that are known.
    level : (C, R, P) ndarray
        Fourier coefficients of which the rms of the maps is taken.
    """
    degree = spin.degree_of_packed(coefficients)
    rings = np.unique([0, theta.size // 3, 2 * theta.size // 3, theta.size - 1])
    theta = theta[rings]
    # The orders that are heard at the poles, and two amid the others.
    amid = orders[np.abs(orders - degree * 5 // 13).argmin()]
    asked = np.unique([s, -s, amid, -amid])
    asked = asked[np.abs(asked) <= degree]
    error = model[:, rings[:, None], asked] * np.exp(-1j * phi0 * asked)
    error -= _ring_orders(coefficients, s=s, theta=theta, orders=asked)
    if s == 0:  # the maps have a mean, which no wave has and the coefficients leave out
        error[:, :, asked == 0] -= error[:, :, asked == 0].mean(axis=1, keepdims=True)
    whole = level[:, rings] * np.sqrt(level.shape[2])
    _compare(f"the transforms of {theta.size} rings", error, whole, RING_FACTOR * degree * EPS)


@cache
def check_analysis(*, s: int, degree: int, rule: str, count: int) -> None:
    """Send a map of one azimuthal order and a few low degrees through the analysis of a grid.

    Nothing else must come out, of any degree, which takes all ``count`` rings and all degrees to
    be right. Once in a process: the map is always the same.
    """
    low = min(degree, s + 5)
    n = np.arange(max(s, 1), low + 1)
    at = n * (n + 1) + s - 1
    given = np.zeros((2 if s else 1, low * (low + 2)), dtype=complex)
    given[:, at] = np.exp(1j * n**2) * np.array([[1.0], [1.3j]])[: len(given)]
    # Order s, the one that a pole hears.
    orders = np.unique([-s, s])
    maps = _ring_orders(spin.pack(given), s=s, theta=ring_angles(rule, count), orders=orders)[..., -1]
    error = analysis_of_order(maps, order=s, spin=s, degree=degree, rule=rule)
    error[:, n] -= given[:, at]
    _compare(f"the analysis of {count} rings", error, given[:, at], RING_FACTOR * degree * EPS)


def _ring_orders(coefficients: Complex, *, s: int, theta: Real, orders: NDArray[Any]) -> Complex:
    """Azimuthal Fourier coefficients (C, R, B) of maps of packed coefficients, summed directly.

    The ``orders`` are increasing, and -m is among them if m is.
    """
    degree = spin.degree_of_packed(coefficients)
    counts = degree + 1 - np.abs(orders)
    begin = np.cumsum(counts) - counts
    d, n = _sequences(degree, s, tuple(theta.tolist()), tuple(orders.tolist()))
    m = np.repeat(orders, counts)
    y = np.sqrt((2 * n + 1) / (4 * np.pi))
    at = np.abs(m) * (2 * degree + 1 - np.abs(m)) // 2 + n
    own = np.where(n > 0, np.where(m < 0, coefficients[1][:, at], coefficients[0][:, at]), 0) * y

    def total(d: Real, terms: Complex) -> Complex:
        return np.asarray(np.add.reduceat(d * terms, begin, axis=1))

    if s == 0:
        return total(d, own[0])[None]
    # d^n_{m,-s} = (-1)^(m+s) d^n_{-m,s}, whose blocks stand in the opposite order.
    blocks = np.split(np.arange(n.size), begin[1:])
    opposite = d[:, np.concatenate(blocks[::-1])] * (1 - 2 * ((m + s) & 1))
    up = (-1) ** (s + 1) * total(opposite, own[0] + 1j * own[1])
    down = -total(d, own[0] - 1j * own[1])
    return np.stack([(up + down) / 2, (up - down) / 2j])


@lru_cache(maxsize=8)
def _sequences(
    degree: int, s: int, theta: tuple[float, ...], m: tuple[int, ...]
) -> tuple[Real, NDArray[Any]]:
    """`rotation_sequences` of the rings that are looked at again."""
    return rotation_sequences(degree, np.array(theta), mu=s, m=np.array(m))


def _compare(what: str, error: Complex, whole: Complex, allowed: float, *, least: float = 0.0) -> None:
    rms = max(least, float(np.sqrt(np.mean(whole.real**2 + whole.imag**2))))
    off = float(np.abs(error).max())
    # Not a number is wrong too; where nothing was received there is nothing to compare.
    if rms != 0 and not off <= allowed * rms:
        raise WrongTransformError(what, off / rms, allowed)
