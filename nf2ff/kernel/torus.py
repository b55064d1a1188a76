"""Sums of spin-weighted functions at points, for few rotations of the probe.

A spin-s function continued over the poles is a trigonometric polynomial on the torus of theta and
phi: f(-theta, phi) = (-1)^s f(theta, phi + pi). Functions of all spins, each multiplied with what
the rotation chi of the probe asks for, are added up on rings, and one non-uniform Fourier
transform for each chi takes the sum to the points: orders above the first cost a Legendre
transform each, and no more.
(`spin` says how coefficients are packed.)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Any

import ducc0
import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel import spin

Complex = NDArray[Any]


@dataclass(frozen=True, slots=True, eq=False)
class Turn:
    """Points ``location`` (P, 2), theta and phi [rad], at which the probe is turned by ``chi`` [rad]."""

    chi: float
    location: NDArray[np.float64]


def turn_factors(s: int, chi: Any) -> list[NDArray[np.float64]]:
    """cos(s chi) and sin(s chi), or 1 for s = 0; exactly zero at right angles."""
    chi = np.asarray(chi, dtype=float)
    if s == 0:
        return [np.ones_like(chi)]
    near = 1e-15 * max(1, s)
    return [np.where(np.abs(x) < near, 0.0, x) for x in (np.cos(s * chi), np.sin(s * chi))]


def synthesis(
    parts: Sequence[tuple[int, Complex]], turns: Sequence[Turn], *, epsilon: float, threads: int
) -> list[Complex]:
    """map_0 + sum over s of map_1 cos(s chi) + map_2 sin(s chi) at the points of each turn, (P,) each.

    ``parts`` are pairs of a spin s and its packed coefficients (2, C, A); ``epsilon`` is the relative
    accuracy.
    """
    degree = spin.degree_of_packed(parts[0][1])
    kind = parts[0][1].dtype
    theta = _rings(degree)
    # Turn, parity of the spin, sign of m, ring, |m|.
    sums = np.zeros((len(turns), 2, 2, theta.size, degree + 1), dtype=kind)
    parity = spin.parity(degree, kind)
    inner, whole = max(1, threads // 2), orders(degree, np.arange(degree + 1))

    def add(sign: int) -> None:
        for s, packed in parts:
            a = packed[0] if sign == 0 else np.conj(packed[1]) * parity
            found = _legs(a, s, whole, theta, inner)
            for turn, out in zip(turns, sums, strict=True):
                for factor, part in zip(turn_factors(s, turn.chi), found, strict=False):
                    _add(out[s % 2, sign], float(factor), part)

    spin.run([partial(add, sign) for sign in (0, 1)], threads)
    # Two turns at a time: each takes a circle and the transform's own grid, finer than it.
    together = min(2, threads, len(turns))
    inner = max(1, threads // together)

    def take(turn: Turn, even: Complex, odd: Complex) -> Complex:
        circle = np.empty((2 * theta.size - 2, 2 * degree + 1), dtype=kind)
        for sign in (0, 1):
            _unfold(even, odd, circle, sign)
        ducc0.fft.c2c(circle, axes=(0,), forward=True, inorm=2, out=circle, nthreads=inner)
        values: Complex = ducc0.nufft.u2nu(
            grid=circle,
            coord=turn.location,
            forward=False,
            epsilon=epsilon,
            nthreads=inner,
            periodicity=2 * np.pi,
            **_oversampling(kind, epsilon),
        )
        return values

    jobs = [partial(take, turn, *both) for turn, both in zip(turns, sums, strict=True)]
    return spin.run(jobs, together)


def adjoint(
    values: Sequence[Complex],
    spins: Sequence[int],
    turns: Sequence[Turn],
    *,
    degree: int,
    epsilon: float,
    threads: int,
) -> list[Complex]:
    """Adjoint of `synthesis`: packed coefficients (2, C, A) of each spin."""
    kind = values[0].dtype
    theta = _rings(degree)
    sums = np.empty((len(turns), 2, 2, theta.size, degree + 1), dtype=kind)
    # Several threads at one set of points would add in an order of their own, and no two results would be
    # alike to the last bit. Up to three are alike on any number: one for each turn (halves of the points on
    # two took as long as all on one).
    parts = min(2, len(values[0])) if len(turns) == 1 and threads > 3 else 1
    together = min(2, threads, len(turns))
    inner = max(1, threads // (together * parts)) if threads > 3 else 1

    def circle_of(turn: Turn, value: Complex, piece: int) -> Complex:
        circle = np.empty((2 * theta.size - 2, 2 * degree + 1), dtype=kind)
        ducc0.nufft.nu2u(
            points=value[piece::parts],
            coord=turn.location[piece::parts],
            forward=True,
            epsilon=epsilon,
            out=circle,
            nthreads=inner,
            periodicity=2 * np.pi,
            **_oversampling(kind, epsilon),
        )
        return circle

    def put(turn: Turn, value: Complex, out: Complex, *pieces: Complex) -> None:
        circle = sum(pieces[1:], pieces[0]) if pieces else circle_of(turn, value, 0)
        ducc0.fft.c2c(circle, axes=(0,), forward=False, inorm=2, out=circle, nthreads=inner)
        for sign in (0, 1):
            _fold(circle, out, sign)

    given = zip(turns, values, sums, strict=True)
    if parts == 1:
        spin.run([partial(put, *each) for each in given], together)
    else:
        halves = spin.run([partial(circle_of, turns[0], values[0], piece) for piece in range(parts)], threads)
        put(turns[0], values[0], sums[0], *halves)
    parity = spin.parity(degree, kind)
    inner, whole = max(1, threads // 2), orders(degree, np.arange(degree + 1))
    numbers = spin.packed_numbers(degree)[1]
    result = {s: np.empty((2, 1 if s == 0 else 2, numbers.size), dtype=kind) for s in spins}

    def collect(sign: int) -> None:
        for s, packed in result.items():
            legs = np.zeros((packed.shape[1], theta.size, degree + 1), dtype=kind)
            for turn, part in zip(turns, sums, strict=True):
                for factor, leg in zip(turn_factors(s, turn.chi), legs, strict=False):
                    _add(leg, float(factor), part[s % 2, sign])
            _legs_adjoint(legs, s, whole, theta, inner, out=packed[sign])
        if sign == 1:
            for packed in result.values():
                np.conj(packed[1], out=packed[1])
                packed[1] *= parity
                packed[1, :, : degree + 1] = 0

    spin.run([partial(collect, sign) for sign in (0, 1)], threads)
    for s, packed in result.items():
        packed[:, :, numbers < max(s, 1)] = 0
    return [result[s] for s in spins]


def derivatives(
    packed: Complex, s: int, location: NDArray[np.float64], *, order: int, epsilon: float
) -> dict[tuple[int, int], Complex]:
    """Terms (a, b), a + b <= order, of the power series in theta and phi of maps at points, (C, P) each.

    They are derivatives over a! b!, of packed coefficients (2, C, A) of spin s.
    """
    degree = spin.degree_of_packed(packed)
    theta, whole = _rings(degree), orders(degree, np.arange(degree + 1))
    parts = [
        _legs(a, s, whole, theta, 1) for a in (packed[0], np.conj(packed[1]) * spin.parity(degree, complex))
    ]
    circle = np.empty((packed.shape[1], 2 * theta.size - 2, 2 * degree + 1), dtype=complex)
    for c, own in enumerate(circle):
        sums = np.zeros((2, 2, theta.size, degree + 1), dtype=complex)
        sums[s % 2] = [part[c] for part in parts]
        for sign in (0, 1):
            _unfold(sums[0], sums[1], own, sign)
    ducc0.fft.c2c(circle, axes=(1,), forward=True, inorm=2, out=circle)
    k, m = 1j * (np.arange(circle.shape[1])[:, None] - theta.size + 1), 1j * np.arange(-degree, degree + 1)
    options = {"coord": location, "forward": False, "epsilon": epsilon, "periodicity": 2 * np.pi}
    return {
        (a, b): ducc0.nufft.u2nu(
            grid=circle * (k**a / math.factorial(a) * m**b / math.factorial(b)), **options
        )
        for a in range(order + 1)
        for b in range(order + 1 - a)
    }


def _legs(a: Complex, s: int, which: dict[str, Any], theta: Any, threads: int) -> Complex:
    """Functions of ring and m >= 0, (C, T, m), of coefficients (C, A)."""
    return ducc0.sht.alm2leg(alm=a, spin=s, theta=theta, nthreads=threads, **which)


def _legs_adjoint(
    legs: Complex, s: int, which: dict[str, Any], theta: Any, threads: int, *, out: Complex
) -> Complex:
    """Adjoint of `_legs`."""
    return ducc0.sht.leg2alm(leg=legs, spin=s, theta=theta, nthreads=threads, alm=out, **which)


def orders(degree: int, m: NDArray[np.intp]) -> dict[str, Any]:
    """What tells the library of coefficients in the order of `spin`, but of some orders ``m`` >= 0 only."""
    return {
        "lmax": degree,
        "mval": m.astype(_index_type()),
        "mstart": (m * (2 * degree + 1 - m) // 2).astype(_index_type()),
    }


@lru_cache(maxsize=1)
def _index_type() -> Any:
    """Integers that the library takes for orders: unsigned from 0.42 on, signed before."""
    one = np.ones((1, 3), dtype=complex)
    for kind in (np.uint64, np.int64):
        two = {"mval": np.arange(2, dtype=kind), "mstart": np.arange(2, dtype=kind)}
        try:
            ducc0.sht.alm2leg(alm=one, spin=0, lmax=1, theta=np.ones(1), **two)
        except (RuntimeError, TypeError):
            continue
        return kind
    raise RuntimeError("ducc0 takes neither signed nor unsigned orders: install a release that is tested")


def _oversampling(kind: Any, epsilon: float) -> dict[str, float]:
    """Limit of the library's choice, which at some accuracies takes a grid too large for caches."""
    # At N = 400 and 1e-10: 0.040 s, not 0.066 s. The highest accuracies, and single precision, need what they
    # get.
    return {"sigma_max": 1.6} if kind == np.complex128 and epsilon >= 1e-12 else {}


@lru_cache(maxsize=8)
def _rings(degree: int) -> NDArray[np.float64]:
    """Rings from pole to pole in steps that give the circle over both more than 2N angles."""
    # An even number of steps around, of a length that suits the transform.
    half = degree + 1
    while ducc0.fft.good_size(2 * half, False) != 2 * half:
        half += 1
    return np.pi * np.arange(half + 1) / half


def _add(total: Complex, factor: float, part: Complex) -> None:
    if factor == 1:
        total += part
    elif factor == -1:
        total -= part
    elif factor != 0:
        total += total.dtype.type(factor) * part


def _columns(degree: int, sign: int) -> tuple[slice, slice, NDArray[np.float64]]:
    """Columns m > 0 or m < 0 of the circle, those of |m| in the sums, and (-1)^m there."""
    swap = np.asarray(1.0 - 2.0 * (np.arange(degree + 1) & 1))
    if sign == 0:
        return slice(degree, None), slice(0, None), swap
    return slice(degree - 1, None, -1), slice(1, None), swap[1:]


def _unfold(even: Complex, odd: Complex, circle: Complex, sign: int) -> None:
    """Rings of both parities and one sign of m, continued over the poles, shifted for the FFT."""
    degree = even.shape[-1] - 1
    to, own, swap = _columns(degree, sign)
    e, o = even[sign][:, own], odd[sign][:, own]
    rings = e.shape[0]
    plus, minus = e + o, (e - o)[-2:0:-1] * swap.astype(e.real.dtype)
    if sign == 1:
        np.conj(plus, out=plus)
        np.conj(minus, out=minus)
    # The frequencies of theta come out with the most negative first if every second is negated.
    plus[1::2] *= -1
    minus[(rings + 1) % 2 :: 2] *= -1
    circle[:rings, to] = plus
    circle[rings:, to] = minus


def _fold(circle: Complex, out: Complex, sign: int) -> None:
    """Adjoint of `_unfold`: (parity, sign of m, ring, |m|)."""
    degree = out.shape[-1] - 1
    to, own, swap = _columns(degree, sign)
    rings = out.shape[2]
    plus = circle[:rings, to].copy()
    minus = circle[rings:, to] * swap.astype(plus.real.dtype)
    plus[1::2] *= -1
    minus[(rings + 1) % 2 :: 2] *= -1
    if sign == 1:
        np.conj(plus, out=plus)
        np.conj(minus, out=minus)
        out[:, 1, :, 0] = 0
    for parity, target in enumerate(out[:, sign]):
        target[:, own] = plus
        if parity == 0:
            target[1:-1, own] += minus[::-1]
        else:
            target[1:-1, own] -= minus[::-1]
