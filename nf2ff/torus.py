"""Sums of spin-weighted functions at points, for few rotations of the probe.

A spin-s function continued over the poles is a trigonometric polynomial on the torus of theta and
phi: f(-theta, phi) = (-1)^s f(theta, phi + pi). Functions of all spins, each multiplied with what
the rotation chi of the probe asks for, are added up on rings, and one non-uniform Fourier
transform for each chi takes the sum to the points: orders above the first cost a Legendre
transform each, and no more. (`spin` says how coefficients are packed.)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Any

import ducc0
import numpy as np
from numpy.typing import NDArray

from nf2ff import spin

Complex = NDArray[Any]


@dataclass(frozen=True, slots=True, eq=False)
class Turn:
    """Points at which the probe is turned alike.

    Parameters
    ----------
    chi : float
        Rotation of the probe [rad].
    location : (P, 2) ndarray
        theta in [0, pi], phi in [0, 2 pi] [rad].
    """

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
    parts: Sequence[tuple[int, Complex]],
    turns: Sequence[Turn],
    *,
    epsilon: float,
    threads: int,
) -> list[Complex]:
    """map_0 + sum over s of map_1 cos(s chi) + map_2 sin(s chi) at the points of each turn.

    Parameters
    ----------
    parts : sequence of (s, packed)
        Packed coefficients (2, C, A) of each spin s.
    turns : sequence of Turn
        Points.
    epsilon : float
        Relative accuracy.
    threads : int
        Threads in all.

    Returns
    -------
    list of (P,) ndarray
        Values for each turn.
    """
    degree = spin.degree_of_packed(parts[0][1])
    kind = parts[0][1].dtype
    theta = _rings(degree)
    # Turn, parity of the spin, sign of m, ring, |m|.
    sums = np.zeros((len(turns), 2, 2, theta.size, degree + 1), dtype=kind)
    parity = _parity(degree, kind)
    inner = max(1, threads // 2)
    for s, packed in parts:

        def legs(sign: int, s: int = s, packed: Complex = packed) -> Complex:
            a = packed[0] if sign == 0 else np.conj(packed[1]) * parity
            return ducc0.sht.alm2leg(alm=a, spin=s, lmax=degree, theta=theta, nthreads=inner)

        def add(sign: int, s: int = s) -> None:
            found = legs(sign)
            for turn, out in zip(turns, sums, strict=True):
                for factor, part in zip(turn_factors(s, turn.chi), found, strict=True):
                    _add(out[s % 2, sign], float(factor), part)

        spin.run([partial(add, sign) for sign in (0, 1)], threads)
    result = []
    for turn, (even, odd) in zip(turns, sums, strict=True):
        circle = np.empty((2 * theta.size - 2, 2 * degree + 1), dtype=kind)
        spin.run([partial(_unfold, even, odd, circle, sign) for sign in (0, 1)], threads)
        ducc0.fft.c2c(circle, axes=(0,), forward=True, inorm=2, out=circle, nthreads=threads)
        result.append(
            ducc0.nufft.u2nu(
                grid=circle,
                coord=turn.location,
                forward=False,
                epsilon=epsilon,
                nthreads=threads,
                periodicity=2 * np.pi,
            )
        )
    return result


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
    for turn, value, out in zip(turns, values, sums, strict=True):
        circle = np.empty((2 * theta.size - 2, 2 * degree + 1), dtype=kind)
        ducc0.nufft.nu2u(
            points=value, coord=turn.location, forward=True, epsilon=epsilon, out=circle,
            nthreads=threads, periodicity=2 * np.pi,
        )  # fmt: skip
        ducc0.fft.c2c(circle, axes=(0,), forward=False, inorm=2, out=circle, nthreads=threads)
        spin.run([partial(_fold, circle, out, sign) for sign in (0, 1)], threads)
    parity = _parity(degree, kind)
    inner = max(1, threads // 2)
    numbers = spin.packed_numbers(degree)[1]
    result = []
    for s in spins:
        packed = np.empty((2, 1 if s == 0 else 2, numbers.size), dtype=kind)

        def collect(sign: int, s: int = s, packed: Complex = packed) -> None:
            legs = np.zeros((packed.shape[1], theta.size, degree + 1), dtype=kind)
            for turn, part in zip(turns, sums, strict=True):
                for factor, leg in zip(turn_factors(s, turn.chi), legs, strict=True):
                    _add(leg, float(factor), part[s % 2, sign])
            ducc0.sht.leg2alm(
                leg=legs, spin=s, lmax=degree, theta=theta, nthreads=inner, alm=packed[sign]
            )
            if sign == 1:
                np.conj(packed[1], out=packed[1])
                packed[1] *= parity
                packed[1, :, : degree + 1] = 0

        spin.run([partial(collect, sign) for sign in (0, 1)], threads)
        packed[:, :, numbers < max(s, 1)] = 0
        result.append(packed)
    return result


@lru_cache(maxsize=8)
def _rings(degree: int) -> NDArray[np.float64]:
    """Rings from pole to pole in steps that give the circle over both more than 2N angles."""
    # An even number of steps around, of a length that suits the transform.
    half = degree + 1
    while ducc0.fft.good_size(2 * half, False) != 2 * half:
        half += 1
    return np.pi * np.arange(half + 1) / half


def _parity(degree: int, kind: Any) -> NDArray[Any]:
    """(-1)^m at the packed positions."""
    m = spin.packed_numbers(degree)[0]
    return (1 - 2 * (m & 1)).astype(np.zeros(0, kind).real.dtype)


def _add(total: Complex, factor: float, part: Complex) -> None:
    if factor == 1:
        total += part
    elif factor == -1:
        total -= part
    elif factor != 0:
        total += total.dtype.type(factor) * part


def _columns(degree: int, sign: int) -> tuple[slice, slice, NDArray[np.float64]]:
    """Columns m > 0 or m < 0 of the circle, those of |m| in the sums, and (-1)^m there."""
    swap: NDArray[np.float64] = np.asarray(1.0 - 2.0 * (np.arange(degree + 1) & 1))
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
