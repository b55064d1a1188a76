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
from nf2ff.kernel.arrays import norm

Complex = NDArray[Any]

#: Bytes of rings that are transformed at once, and of orders that are weighted, a cache holds them; and the
#: most that a thread keeps of a name.
TOGETHER, KEPT = 2**20, 2**26
#: Part of the power of maps, a hundred times its rounding or more, up to which a few orders tell well enough
#: what coefficients leave of them, and how many.
EXPLAINED, FEW = 1e-12, 32


def grid_analysis(
    maps: Complex,
    *,
    spin: int,
    degree: int,
    rule: str,
    phi0: float = 0.0,
    threads: int,
    check: NDArray[np.float64],
    out: Complex | None = None,
) -> tuple[Complex, Complex, NDArray[np.intp]]:
    """Coefficients of complex maps on a grid, and the azimuthal Fourier coefficients that they make on rings.

    Parameters
    ----------
    maps : (C, T, P) ndarray
        Maps.
    check : (R,) ndarray
        Polar angles of rings [rad].
    out : (2, C, A) ndarray, optional
        Room for the coefficients.

    Returns
    -------
    packed : (2, C, A) ndarray
        Exact for maps of at most ``degree`` where the grid supports it (`spin.ring_degree`).
    model : (C, R, P) ndarray
        On the rings ``check``, in the order of a Fourier transform.
    orders : (K,) ndarray of int
        The orders that ``model`` holds: all, or on Gauss-Legendre rings a few where the maps are known to be
        of ``degree``.
    """
    count, _, columns = maps.shape
    inner = max(1, threads // 2)
    # Columns of a Fourier transform: m = 0 ... N, and -1 ... -N.
    own = (slice(0, degree + 1), slice(columns - 1, columns - degree - 1, -1))
    orders = [torus.orders(degree, np.arange(first, degree + 1)) for first in (0, 1)]
    gauss = rule == "gauss-legendre"
    packed = np.empty((2, count, (degree + 1) * (degree + 2) // 2), dtype=complex) if out is None else out
    looked = np.arange(-degree, degree + 1)
    if gauss:
        sums, power = _around(maps, threads)
        packed[1, :, : degree + 1] = 0  # m = 0 has no -m
        # Those of -m are those of m as seen from the other pole, but for (-1)^n.
        angles = spins.ring_angles_gauss(maps.shape[1])
        theta = (angles, angles[::-1])

        def transform(sign: int) -> None:
            options = {"theta": theta[sign], "spin": spin, "nthreads": inner, **orders[sign]}
            ducc0.sht.leg2alm(leg=sums[..., own[sign]], alm=packed[sign], **options)

        spins.run([partial(transform, sign) for sign in (0, 1)], threads)
        # The coefficients of degrees up to N are those of a projection, on these rings too.
        if power - norm(packed) ** 2 < EXPLAINED * power:
            looked = _few(degree, spin)
    else:
        _by_library(maps, spin, degree, rule, threads, packed)
    model = np.zeros((count, check.size, columns), dtype=complex)

    def synthesise(sign: int) -> None:
        m = looked[looked < 0] if sign else looked[looked >= 0]
        if m.size:
            options = {"theta": np.pi - check if sign else check, "spin": spin, "nthreads": inner}
            model[..., m] = ducc0.sht.alm2leg(alm=packed[sign], **options, **torus.orders(degree, np.abs(m)))
        if sign:
            packed[1].view(float)[...] *= _swap(degree, spin)
        if phi0:
            packed[sign] *= np.exp((1j if sign else -1j) * phi0 * spins.packed_numbers(degree)[0])

    spins.run([partial(synthesise, sign) for sign in (0, 1)], threads)
    spins.clear_below(packed, max(1, spin))
    return packed, model, looked


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
    """Fourier transform of each Gauss-Legendre ring times its solid angle, and the integral of |map|^2.

    All rings of an order stand side by side.
    """
    count, rings, columns = maps.shape
    by_order = room("maps", (count, columns, rings))
    sums, parts = by_order.swapaxes(1, 2), by_order.view(float).reshape(-1, 2 * rings)
    weight = np.repeat(spins.ring_weights("gauss-legendre", rings) / columns, 2)
    step = max(1, TOGETHER // (16 * count * columns))
    some = max(1, TOGETHER // (16 * rings))
    powers = np.empty((-(-len(parts) // some), 2 * rings))

    # The same rings and orders together whatever the threads: which ones are changes the last bit.
    def transform(share: range) -> None:
        for i in share:
            part = slice(i * step, (i + 1) * step)
            ducc0.fft.c2c(maps[:, part], axes=(2,), out=sums[:, part])

    def weigh(share: range) -> None:
        for i in share:
            own = parts[i * some : (i + 1) * some]
            np.einsum("pt,pt->t", own, own, out=powers[i])
            np.multiply(own, weight, out=own)

    spins.run([partial(transform, share) for share in spins.shares(-(-rings // step), threads)], threads)
    spins.run([partial(weigh, share) for share in spins.shares(len(powers), threads)], threads)
    return sums, float(powers.sum(axis=0) @ weight) / columns


def _by_library(maps: Complex, spin: int, degree: int, rule: str, threads: int, packed: Complex) -> None:
    """Write ``packed`` (2, C, A), of -m as seen from the other pole, by the analysis of real maps."""
    options = {
        "spin": spin,
        "lmax": degree,
        "geometry": spins.GEOMETRY[rule],
        "nthreads": max(1, threads // 2),
    }
    jobs = [partial(ducc0.sht.analysis_2d, map=part, **options) for part in (maps.real, maps.imag)]
    real, imag = spins.run(jobs, threads)
    # (-1)^m (conj a^R + j conj a^I) = (-1)^m conj(a^R - j a^I).
    np.conj(real - 1j * imag, out=packed[1])
    packed[1] *= spins.parity(degree, complex)
    packed[1].view(float)[...] *= _swap(degree, spin)
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


def _few(degree: int, spin: int) -> NDArray[np.intp]:
    """Low orders, which poles and what errs alike or slowly around a ring have, and others at equal steps."""
    low = np.arange(-spin - 2, spin + 3)
    return np.unique([*np.linspace(-degree, degree, FEW).round().astype(int), *low[np.abs(low) <= degree]])


@lru_cache(maxsize=4)
def _swap(degree: int, spin: int) -> NDArray[np.float64]:
    """(-1)^(n + spin) for real and imaginary part at each packed position, (2A,)."""
    sign = np.repeat((1 - 2 * ((spins.packed_numbers(degree)[1] + spin) & 1)).astype(float), 2)
    sign.flags.writeable = False
    return sign
