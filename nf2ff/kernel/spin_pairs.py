"""Two spins four apart in one Legendre transform, where the probe turns by right angles.

At right angles cos(s chi) and sin(s chi) are the same for s and s + 4, so that only the sum of
both functions is wanted. Each step sin(theta) f raises or lowers the spin of f by one: sin^2 times
the sum is a single function of spin s + 2 and degree N + 2, and costs one transform instead of
two. With D_n = y_n d^n_{m,s} (`spin`) and sin(theta) = sqrt(2) d^1_{0,1}, Clebsch and Gordan's
series of a product of rotation coefficients gives

    sin(theta) D^s_n = + b_{n+1} sqrt((n+s+1)(n+s+2)) D^{s+1}_{n+1}
                       - m sqrt((n+s+1)(n-s)) / (n(n+1)) D^{s+1}_n
                       - b_n sqrt((n-s-1)(n-s)) D^{s+1}_{n-1},
    b_n = sqrt((n^2 - m^2) / (4 n^2 - 1)) / n,

and the step down is the transpose of the step up. For d^n_{m,-s} the sign of m changes: gradient
and curl mix by what is odd in m. Near the poles, where division by sin^2 would magnify rounding,
both functions are summed as they are.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel import spin

Complex = NDArray[Any]
Real = NDArray[Any]

#: Degree from which joining two spins costs less than the second transform (measured).
LEAST_DEGREE = 150
#: Sine of theta below which rings count as near a pole: rounding is magnified by up to 1/0.05^2,
#: its rms over the sphere by sqrt(1/2)/0.05 = 14.
POLAR_SINE = 0.05
#: Coefficients worked on at once, so that they stay in the processor's cache.
BLOCK = 32768


def find_pairs(spins: list[int], chi: list[float], *, degree: int) -> list[tuple[int, int | None]]:
    """Each spin alone or with the spin four above it, if all ``chi`` are right angles [rad]."""
    right = degree >= LEAST_DEGREE and all(abs(np.sin(2 * x)) < 1e-14 for x in chi)
    result: list[tuple[int, int | None]] = []
    taken: set[int] = set()
    for s in sorted(spins):
        if s in taken:
            continue
        partner = s + 4 if right and s + 4 in spins else None
        taken.add(s + 4 if partner else s)
        result.append((s, partner))
    return result


@dataclass(frozen=True, slots=True, eq=False)
class Split:
    """Rings near the poles and the others."""

    polar: NDArray[np.intp]  # rings near the poles
    order: int  # largest order of which they receive anything
    weight: Real  # 1 / sin^2 of the others, zero near the poles


@lru_cache(maxsize=32)
def split_rings(count: int, degree: int, s: int) -> Split:
    """Split ``count`` rings in even steps from pole to pole, for spins up to ``s``."""
    sine = np.sin(np.pi * np.arange(count) / (count - 1))
    polar = np.flatnonzero(sine < POLAR_SINE)
    sine[polar] = np.inf
    # Off the axis the orders |m| - s are cut off as the degrees of waves are beyond kr, here by
    # the rule of `antenna.modes.required_degree` for -320 dB of power.
    reach = max(1.0, degree * POLAR_SINE)
    order = int(reach + 0.045 * 320 * reach ** (1 / 3)) + s + 1
    return Split(polar, min(degree, order), 1 / sine**2)


@lru_cache(maxsize=4)
def _layout(degree: int) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.intp]]:
    """m and n of the positions of degree N + 2 and order N, and those of degree N among them."""
    m, n = spin.packed_numbers(degree + 2)
    count = (degree + 1) * (degree + 6) // 2
    m, n = m[:count], n[:count]
    return m, n, np.flatnonzero(n <= degree)


@lru_cache(maxsize=16)
def _step(degree: int, s: int, kind: Any) -> Real:
    """Factors (3, A') of the step from s to s + 1: degree below, above, and of the other part."""
    m, n, _ = (x.astype(float) for x in _layout(degree))
    m2, safe = m * m, np.maximum(n, 1)

    def root(x: Real) -> Real:
        return np.sqrt(np.maximum(x, 0))

    def b(k: Real) -> Real:
        return root((k * k - m2) / (4 * k * k - 1)) / k

    below = b(safe) * root((n + s) * (n + s + 1)) * (n > s)
    above = -b(n + 1) * root((n - s) * (n + 1 - s)) * (n > s)
    above[n == degree + 2] = 0
    other = -m * root((n + s + 1) * (n - s)) / (safe * (safe + 1)) * (n > s)
    result = np.array([below, above, other], dtype=kind)
    result.flags.writeable = False
    return result


def _up(x: Real, step: Real, out: Real, part: Real) -> Real:
    """Coefficients of sin(theta) f, a spin higher, in ``out``; ``part`` is room to work in."""
    below, above, other = step
    np.multiply(other, x[::-1], out=out)
    np.multiply(below[1:], x[..., :-1], out=part[..., 1:])
    out[..., 1:] += part[..., 1:]
    np.multiply(above[:-1], x[..., 1:], out=part[..., :-1])
    out[..., :-1] += part[..., :-1]
    return out


def _down(x: Real, step: Real, out: Real, part: Real) -> Real:
    """Coefficients of sin(theta) f, a spin lower: the transpose of `_up`."""
    below, above, other = step
    np.multiply(other, x[::-1], out=out)
    np.multiply(below[1:], x[..., 1:], out=part[..., :-1])
    out[..., :-1] += part[..., :-1]
    np.multiply(above[:-1], x[..., :-1], out=part[..., 1:])
    out[..., 1:] += part[..., 1:]
    return out


@dataclass(frozen=True, slots=True, eq=False)
class _Block:
    """Some orders m, taken together."""

    own: slice  # positions among those of degree N
    wide: slice  # among those of degree N + 2; the rest counts within the block
    origin: NDArray[np.intp]  # position of degree N at each wide one (any, where there is none)
    inside: NDArray[np.intp]  # the other way round
    added: NDArray[np.intp]  # wide positions of the two degrees added


@lru_cache(maxsize=4)
def _blocks(degree: int) -> list[_Block]:
    _, n, inside = _layout(degree)
    lengths = np.arange(degree + 1, 0, -1)
    which = np.cumsum(lengths + 2) // BLOCK
    first = np.flatnonzero(np.diff(which, prepend=-1))
    own = np.append(0, np.cumsum(np.add.reduceat(lengths, first)))
    wide = np.append(0, np.cumsum(np.add.reduceat(lengths + 2, first)))
    result = []
    for a, b, c, d in zip(own[:-1], own[1:], wide[:-1], wide[1:], strict=True):
        at = inside[a:b] - c
        present = n[c:d] <= degree
        origin = np.minimum(np.cumsum(present) - present, b - a - 1)
        result.append(_Block(slice(a, b), slice(c, d), origin, at, np.flatnonzero(~present)))
    return result


def joined_size(degree: int) -> int:
    """Number of coefficients A' of two functions of degree N, joined."""
    return _layout(degree)[0].size


def join(low: Complex, high: Complex, s: int, degree: int) -> Complex:
    """Coefficients (2, A') of sin^2 times the sum of functions of spin ``s`` and s + 4.

    Those of the two, ``low`` and ``high`` (C, A), are for m >= 0 and of one ``degree`` N; the joined ones are
    of spin s + 2, of degrees up to N + 2 and orders up to N, in the order of `spin`.
    """
    kind = low.real.dtype
    steps = [_step(degree, k, kind) for k in range(s, s + 4)]
    result = np.empty((2, _layout(degree)[0].size), dtype=low.dtype)
    for block in _blocks(degree):
        x, y, z, part = np.empty((4, 2, 2, block.origin.size), dtype=kind)
        a, b, c, d = (step[:, block.wide] for step in steps)
        _spread(low[:, block.own], s, block, x)
        _up(_up(x, a, y, part), b, z, part)
        _spread(high[:, block.own], s + 4, block, x)
        x = _down(_down(x, d, y, part), c, x, part)
        x += z
        out = result[:, block.wide]
        out[0].real, out[0].imag = x[0]
        out[1].imag = x[1, 0]
        np.negative(x[1, 1], out=out[1].real)
    return result


def separate(joined: Complex, s: int, degree: int, *, low: Complex, high: Complex) -> None:
    """Adjoint of `join`, added to ``low`` and ``high``."""
    kind = joined.real.dtype
    steps = [_step(degree, k, kind) for k in range(s, s + 4)]
    for block in _blocks(degree):
        x, y, z, part = np.empty((4, 2, 2, block.origin.size), dtype=kind)
        a, b, c, d = (step[:, block.wide] for step in steps)
        given = joined[:, block.wide]
        x[0] = given[0].real, given[0].imag
        x[1] = given[1].imag, -given[1].real
        _collect(_down(_down(x, b, y, part), a, z, part), s, block, low[:, block.own])
        _collect(_up(_up(x, c, y, part), d, z, part), s + 4, block, high[:, block.own])


def _spread(a: Complex, s: int, block: _Block, x: Real) -> None:
    """Put gradient and -j curl, real and imaginary parts, among the positions of N + 2."""
    wide = a.take(block.origin, axis=1)
    wide[:, block.added] = 0
    x[0] = wide[0].real, wide[0].imag
    if s:
        x[1] = wide[1].imag, -wide[1].real
    else:  # by the formulas of `spin` continued to s = 0, a map is minus its gradient part
        np.negative(x[0], out=x[0])
        x[1] = 0


def _collect(x: Real, s: int, block: _Block, a: Complex) -> None:
    """Adjoint of `_spread`, added to ``a``; for s = 0 there is no curl."""
    x = x.take(block.inside, axis=2)
    if s == 0:
        a[0].real -= x[0, 0]
        a[0].imag -= x[0, 1]
        return
    a[0].real += x[0, 0]
    a[0].imag += x[0, 1]
    a[1].real -= x[1, 1]
    a[1].imag += x[1, 0]
