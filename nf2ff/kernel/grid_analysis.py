"""Coefficients of complex maps on grids.

On Gauss-Legendre rings one complex Fourier transform gives all m, and the library takes any functions of
the rings for m >= 0. Those of -m are such functions as well, with the rings counted from the other pole.
With other rules it interpolates in theta, and takes real maps alone: real and imaginary part are analysed
side by side. (`spin` says how coefficients are packed.)
"""

from __future__ import annotations

import math
import threading
from functools import lru_cache, partial
from typing import Any

import ducc0
import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel import spin as spins
from nf2ff.kernel import torus
from nf2ff.kernel.arrays import ratio, square

Complex = NDArray[Any]

#: Bytes of rings that are transformed at once, a cache holds them; and most that a thread keeps of a name.
TOGETHER, KEPT = 2**20, 2**26


def grid_analysis(
    maps: Complex,
    *,
    spin: int,
    degree: int,
    rule: str,
    phi0: float = 0.0,
    threads: int,
    out: Complex | None = None,
) -> tuple[Complex, float]:
    """Coefficients of complex maps on a grid, and how much of the maps they leave.

    Parameters
    ----------
    maps : (C, T, P) ndarray
        Maps.
    out : (2, C, A) ndarray, optional
        Room for the coefficients.

    Returns
    -------
    packed : (2, C, A) ndarray
        Exact for maps of at most ``degree`` where the grid supports it (`spin.ring_degree`).
    left : float
        Part of the integral of |map|^2 that the coefficients leave, to some 1e-14; NaN on other than
        Gauss-Legendre rings, where that is not known.
    """
    count, _, columns = maps.shape
    inner = max(1, threads // 2)
    packed = np.empty((2, count, (degree + 1) * (degree + 2) // 2), dtype=complex) if out is None else out
    left = math.nan
    if rule == "gauss-legendre":
        sums, power = _around(maps, threads)
        packed[1, :, : degree + 1] = 0  # m = 0 has no -m
        # Columns of a Fourier transform: m = 0 ... N, and -1 ... -N.
        own = (slice(0, degree + 1), slice(columns - 1, columns - degree - 1, -1))
        # Those of -m are those of m as seen from the other pole, but for (-1)^n.
        angles = spins.ring_angles_gauss(maps.shape[1])
        theta = (angles, angles[::-1])

        def transform(sign: int) -> None:
            options = {"theta": theta[sign], "spin": spin, "nthreads": inner}
            options |= torus.orders(degree, np.arange(sign, degree + 1))
            ducc0.sht.leg2alm(leg=sums[..., own[sign]], alm=packed[sign], **options)

        spins.run([partial(transform, sign) for sign in (0, 1)], threads)
        # The coefficients of degrees up to N are those of a projection, on these rings too.
        left = ratio(max(0.0, power - square(packed)), power)
        packed[1].view(float)[...] *= _swap(degree, spin)
    else:
        _by_library(maps, spin, degree, rule, threads, packed)
    if phi0:
        for sign in (0, 1):
            packed[sign] *= np.exp((1j if sign else -1j) * phi0 * spins.packed_numbers(degree)[0])
    spins.clear_below(packed, max(1, spin))
    return packed, left


def orders_on_rings(
    packed: Complex,
    *,
    spin: int,
    theta: NDArray[np.float64],
    phi0: float,
    columns: int,
    orders: NDArray[np.intp],
    threads: int,
) -> Complex:
    """Azimuthal Fourier coefficients (C, R, P), in the order of a Fourier transform, that coefficients make.

    On rings at ``theta`` (R,) whose first of P ``columns`` is at ``phi0`` [rad], of some ``orders``; those of
    others are zero.
    """
    degree = spins.degree_of_packed(packed)
    model = np.zeros((packed.shape[1], theta.size, columns), dtype=complex)

    def synthesise(sign: int) -> None:
        m = orders[orders < 0] if sign else orders[orders >= 0]
        if not m.size:
            return
        alm, size = packed[sign], np.abs(m)
        if sign:  # as seen from the other pole
            alm, swap = room("mirrored", alm.shape), _swap(degree, spin)
            ends = (size + 1) * (2 * degree + 2 - size) // 2
            parts = zip((ends - degree - 1 + size).tolist(), ends.tolist(), strict=True)
            for start, end in [(degree + 1, alm.shape[1])] if m.size == degree else parts:
                own = packed[1, :, start:end].view(float)
                np.multiply(own, swap[2 * start : 2 * end], out=alm[:, start:end].view(float))
        options = {"theta": np.pi - theta if sign else theta, "spin": spin, "nthreads": max(1, threads // 2)}
        found = ducc0.sht.alm2leg(alm=alm, **options, **torus.orders(degree, size))
        model[..., m] = found * np.exp(1j * phi0 * m)

    spins.run([partial(synthesise, sign) for sign in (0, 1)], threads)
    return model


_kept = threading.local()


def room(name: str, shape: tuple[int, ...]) -> Complex:
    """Memory of this thread for what is dropped before the next of that name, which may hold anything.

    Fresh memory costs as much as a transform.
    """
    size = math.prod(shape)
    kept: Any = getattr(_kept, name, None)
    if kept is None or kept.size < size:
        kept = np.empty(size, dtype=complex)
        if kept.nbytes <= KEPT:
            setattr(_kept, name, kept)
    return np.asarray(kept[:size].reshape(shape))


def _around(maps: Complex, threads: int) -> tuple[Complex, float]:
    """Fourier transform of each Gauss-Legendre ring times its solid angle, and the integral of |map|^2."""
    _, rings, columns = maps.shape
    sums, powers = room("maps", maps.shape), np.empty(rings)
    weight = spins.ring_weights("gauss-legendre", rings) / columns
    step = max(1, TOGETHER // (maps.nbytes // rings))

    # The same rings together whatever the threads: which ones are changes the last bit.
    def transform(share: range) -> None:
        for i in share:
            part = slice(i * step, (i + 1) * step)
            ducc0.fft.c2c(maps[:, part], axes=(2,), out=sums[:, part])
            own = sums[:, part].view(float)
            np.einsum("crp,crp->r", own, own, out=powers[part])
            own *= weight[part, None]

    spins.run([partial(transform, share) for share in spins.shares(-(-rings // step), threads)], threads)
    return sums, float(powers @ weight) / columns


def _by_library(maps: Complex, spin: int, degree: int, rule: str, threads: int, packed: Complex) -> None:
    """Write ``packed`` (2, C, A) by the analysis of real maps."""
    options = {
        "spin": spin,
        "lmax": degree,
        "geometry": spins.GEOMETRY[rule],
        "nthreads": max(1, threads // 2),
    }
    jobs = [partial(ducc0.sht.analysis_2d, map=part, **options) for part in (maps.real, maps.imag)]
    real, imag = spins.run(jobs, threads)
    # (-1)^m (conj a^R + j conj a^I) = (-1)^m conj(a^R - j a^I).
    np.multiply(imag, -1j, out=packed[1])
    packed[1] += real
    np.conj(packed[1], out=packed[1])
    packed[1] *= spins.parity(degree, complex)
    packed[1, :, : degree + 1] = 0  # m = 0 has no -m
    np.multiply(imag, 1j, out=packed[0])
    packed[0] += real


def analysis_of_order(values: Complex, *, order: int, spin: int, degree: int, rule: str) -> Complex:
    """Coefficients (C, N + 1), one for each n, of maps f(theta) exp(jm phi), from f (C, T).

    As `grid_analysis` finds them, on as few columns as that ``order`` m >= 0 needs.
    """
    start = order * (2 * degree + 1 - order) // 2
    result = np.zeros((len(values), degree + 1), dtype=complex)
    if rule == "gauss-legendre":
        options = torus.orders(degree, np.array([order]))
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
    """(-1)^(n + spin) for real and imaginary part at each packed position, (2A,)."""
    sign = np.repeat((1 - 2 * ((spins.packed_numbers(degree)[1] + spin) & 1)).astype(float), 2)
    sign.flags.writeable = False
    return sign
