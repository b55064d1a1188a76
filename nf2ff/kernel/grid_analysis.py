"""Coefficients of complex maps on grids.

On Gauss-Legendre rings one complex Fourier transform gives all m, and the library takes any functions of
the rings for m >= 0. Those of -m are such functions as well, with the rings counted from the other pole.
With other rules it interpolates in theta, and takes real maps alone: real and imaginary part are analysed
side by side. (`spin` says how coefficients are packed.)
"""

from __future__ import annotations

import threading
from functools import lru_cache, partial
from typing import Any

import ducc0
import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel import spin as spins
from nf2ff.kernel import torus

Complex = NDArray[Any]

#: Bytes of rings that are transformed at once, a cache holds them, and of all that a thread keeps at most.
TOGETHER, KEPT = 2**19, 2**26


def grid_analysis(
    maps: Complex,
    *,
    spin: int,
    degree: int,
    rule: str,
    phi0: float = 0.0,
    threads: int,
    check: NDArray[np.float64],
) -> tuple[Complex, Complex]:
    """Coefficients of complex maps (C, T, P) on a grid, and the maps that they give on some rings.

    The former (C, N(N+2)) in the order n (n+1) + m - 1, exact for maps of at most ``degree`` where the grid
    supports it (`spin.ring_degree`); the latter (C, R, P) at the polar angles ``check`` (R,) [rad].
    """
    count, _, columns = maps.shape
    inner = max(1, threads // 2)
    # Columns of a Fourier transform: m = 0 ... N, and -1 ... -N.
    own = (slice(0, degree + 1), slice(columns - 1, columns - degree - 1, -1))
    orders = [torus.orders(degree, degree, first=first) for first in (0, 1)]
    # Those of -m are those of m as seen from the other pole, but for (-1)^n.
    seen = (check, np.pi - check)
    gauss = rule == "gauss-legendre"
    if gauss:
        sums, angles = _around(maps, threads), spins.ring_angles_gauss(maps.shape[1])
        theta = (angles, angles[::-1])
        packed = np.empty((2, count, (degree + 1) * (degree + 2) // 2), dtype=complex)
        packed[1, :, : degree + 1] = 0  # m = 0 has no -m, and what is multiplied below must be a number.
    else:
        packed = _by_library(maps, spin, degree, rule, threads)
    model = np.zeros((count, check.size, columns), dtype=complex)

    def transform(sign: int) -> None:
        options = {"spin": spin, "nthreads": inner, **orders[sign]}
        if gauss:
            ducc0.sht.leg2alm(leg=sums[..., own[sign]], theta=theta[sign], alm=packed[sign], **options)
        model[..., own[sign]] = ducc0.sht.alm2leg(alm=packed[sign], theta=seen[sign], **options)

    spins.run([partial(transform, sign) for sign in (0, 1)], threads)
    ducc0.fft.c2c(model, axes=(2,), forward=False, out=model)
    result = np.empty((count, degree * (degree + 2)), dtype=complex)
    order, swap = _packed_positions(degree, count), _swap(degree, spin)
    turn = np.exp(-1j * phi0 * spins.packed_numbers(degree)[0]) if phi0 else 1.0

    def sort(c: int) -> None:
        packed[1, c] *= swap * np.conj(turn) if phi0 else swap
        if phi0:
            packed[0, c] *= turn
        np.take(packed.reshape(-1)[c * packed.shape[2] :], order, out=result[c], mode="clip")
        result[c, : max(0, spin * spin - 1)] = 0

    spins.run([partial(sort, c) for c in range(count)], spins.sharing(degree, threads))
    return result, model


_kept = threading.local()


def _around(maps: Complex, threads: int) -> Complex:
    """Fourier transform of each Gauss-Legendre ring times its solid angle."""
    count, rings, columns = maps.shape
    # Room for it, that of the thread's last transform where it fits: fresh memory costs as much as the
    # transform.
    sums: Any = getattr(_kept, "room", None)
    if sums is None or sums.shape != maps.shape:
        sums = np.empty(maps.shape, dtype=complex)
        _kept.room = sums if sums.nbytes <= KEPT else None
    weight = (spins.ring_weights("gauss-legendre", rings) / columns)[:, None]
    step = max(1, TOGETHER // (16 * count * columns))

    def some(share: range) -> None:
        # The same rings together whatever the threads: which ones are changes the last bit.
        for i in share:
            part = slice(i * step, (i + 1) * step)
            own = sums[:, part]
            ducc0.fft.c2c(maps[:, part], axes=(2,), out=own)
            own.view(float)[...] *= weight[part]

    spins.run([partial(some, share) for share in spins.shares(-(-rings // step), threads)], threads)
    return np.asarray(sums)


def _by_library(maps: Complex, spin: int, degree: int, rule: str, threads: int) -> Complex:
    """Packed coefficients (2, C, A), those of -m as there, by the analysis of real maps."""
    options = {
        "spin": spin,
        "lmax": degree,
        "geometry": spins.GEOMETRY[rule],
        "nthreads": max(1, threads // 2),
    }
    jobs = [partial(ducc0.sht.analysis_2d, map=part, **options) for part in (maps.real, maps.imag)]
    real, imag = spins.run(jobs, threads)
    packed = np.empty((2, *real.shape), dtype=complex)
    # (-1)^m (conj a^R + j conj a^I) = (-1)^m conj(a^R - j a^I), as seen from the other pole.
    np.conj(real - 1j * imag, out=packed[1])
    packed[1] *= spins.parity(degree, complex) * _swap(degree, spin)
    np.multiply(imag, 1j, out=packed[0])
    packed[0] += real
    return packed


def analysis_of_order(values: Complex, *, order: int, spin: int, degree: int, rule: str) -> Complex:
    """Coefficients (C, N + 1), one for each n, of maps f(theta) exp(jm phi), from f (C, T).

    As `grid_analysis` finds them, on as few columns as that ``order`` m >= 0 needs.
    """
    start = order * (2 * degree + 1 - order) // 2
    result = np.zeros((len(values), degree + 1), dtype=complex)
    if rule == "gauss-legendre":
        options = torus.orders(degree, order, first=order)
        legs = values * (spins.ring_weights(rule, values.shape[1]))
        theta = spins.ring_angles_gauss(values.shape[1])
        found = ducc0.sht.leg2alm(leg=legs[..., None], spin=spin, theta=theta, **options)
        result[:, order:] = found[:, start + order : start + degree + 1]
        return result
    columns = 2 * order + 2
    maps = values[..., None] * np.exp(2j * np.pi * order / columns * np.arange(columns))
    options = {"spin": spin, "lmax": degree, "mmax": order, "geometry": spins.GEOMETRY[rule], "nthreads": 1}
    for part, factor in ((maps.real, 1), (maps.imag, 1j)):
        found = ducc0.sht.analysis_2d(map=np.ascontiguousarray(part), **options)
        result[:, order:] += factor * found[:, start + order : start + degree + 1]
    return result


@lru_cache(maxsize=4)
def _swap(degree: int, spin: int) -> NDArray[np.float64]:
    """(-1)^(n + spin) at the packed positions."""
    sign = (1 - 2 * ((spins.packed_numbers(degree)[1] + spin) & 1)).astype(float)
    sign.flags.writeable = False
    return sign


@lru_cache(maxsize=4)
def _packed_positions(degree: int, count: int) -> NDArray[np.intp]:
    """Where each n (n+1) + m - 1 stands in the flat packed coefficients of ``count`` components."""
    plus, minus = spins.natural_positions(degree)
    found = np.empty(degree * (degree + 2), dtype=np.intp)
    at = np.arange(1, plus.size)
    found[minus[1:]] = at + count * plus.size
    found[plus[1:]] = at
    found.flags.writeable = False
    return found
