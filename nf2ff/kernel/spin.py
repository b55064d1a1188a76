"""Complex spin-weighted spherical-harmonic transforms, on grids and at points.

ducc0 [1]_ transforms real maps; a complex map is two of them, which run in two Python threads (the library
releases the interpreter lock, and two calls side by side beat one call with two threads).

**Packed coefficients.** A complex map of spin s has coefficients a_nm of both signs of m. They are kept as an
array (..., 2, C, A): sign of m (first +, then -), component (C = 2 for s > 0: gradient and curl; C = 1 for s
= 0), and position ``m (2N + 1 - m) / 2 + n`` of (n, |m|), A = (N+1)(N+2)/2. The entries (-, m = 0) are always
zero, and so are those with n < max(s, 1): the sum of squares over the array is the norm of the coefficients.
In this order real and imaginary parts are had without any gather: with a_{n,-m} given,
a^R = (a_nm + (-1)^m conj a_{n,-m}) / 2,  a^I = (a_nm - (-1)^m conj a_{n,-m}) / 2i.

For s > 0 the maps are, with d^n_{m mu} the quantum-mechanics rotation coefficient, G and C the gradient and
curl coefficients and y_n = sqrt((2n+1)/4 pi),

    map1 + i map2 = (-1)^(s+1) sum (G + iC) y_n d^n_{m,-s} exp(i m phi)
    map1 - i map2 =           -sum (G - iC) y_n d^n_{m,+s} exp(i m phi)

References
----------
.. [1] M. Reinecke, ducc0, Distinctly Useful Code Collection (GPL-2.0-or-later).
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache, partial
from itertools import pairwise
from typing import Any, TypeVar

import ducc0
import numpy as np
from numpy.typing import NDArray

from nf2ff.messages.input_error import InputError

Complex = NDArray[Any]  # complex64 or complex128
T = TypeVar("T")

GEOMETRY = {
    "clenshaw-curtis": "CC",
    "fejer-1": "F1",
    "fejer-2": "F2",
    "north-pole": "MWflip",
    "south-pole": "MW",
    "gauss-legendre": "GL",
}


def ring_degree(rule: str, count: int) -> int:
    """Largest degree that the analysis determines from ``count`` rings of a quadrature rule."""
    if rule == "clenshaw-curtis":
        return count - 2
    if rule == "fejer-2":
        return (count - 1) // 2
    return count - 1


def ring_weights(rule: str, count: int) -> NDArray[np.float64]:
    """Solid angle of each of ``count`` rings [sr], (count,); the sum is 4 pi."""
    if rule in ("north-pole", "south-pole"):
        # The library has none for these. The integral of the trigonometric interpolant on the
        # full circle of 2 T - 1 angles: that of cos(k theta) sin(theta) is 2 / (1 - k^2), k even.
        theta = np.pi * np.arange(count) / (count - 0.5)
        k = np.arange(2, count, 2)
        terms = 2 + np.cos(np.outer(theta, k)) @ (4 / (1.0 - k * k))
        own = np.where(np.arange(count) == 0, 1, 2) * 2 * np.pi / (2 * count - 1) * terms
        return own if rule == "north-pole" else own[::-1]
    weights: NDArray[np.float64] = ducc0.sht.get_gridweights(GEOMETRY[rule], count)
    return weights


def good_length(minimum: int) -> int:
    """Smallest length >= ``minimum`` that suits the fast Fourier transform."""
    return int(ducc0.fft.good_size(minimum, True))


def thread_count(threads: int | None) -> int:
    """Threads to use: as given, else DUCC0_NUM_THREADS or OMP_NUM_THREADS, else the cores."""
    if threads is None:
        given = os.environ.get("DUCC0_NUM_THREADS") or os.environ.get("OMP_NUM_THREADS")
        if given and given.isdigit() and int(given) > 0:
            return int(given)
        return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else 1
    if threads < 1:
        raise InputError(f"threads is {threads}, expected at least 1")
    return threads


@lru_cache(maxsize=8)
def packed_numbers(degree: int) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Arrays m >= 0 and n, each (A,), of the packed positions."""
    counts = np.arange(degree + 1, 0, -1)
    m = np.repeat(np.arange(degree + 1, dtype=np.int32), counts)
    starts = np.cumsum(counts) - counts
    n = (np.arange(m.size) - np.repeat(starts, counts)).astype(np.int32) + m
    for x in (m, n):
        x.flags.writeable = False
    return m, n


@lru_cache(maxsize=8)
def parity(degree: int, kind: Any) -> NDArray[Any]:
    """(-1)^m at the packed positions, in the precision of the type ``kind``."""
    sign = (1 - 2 * (packed_numbers(degree)[0] & 1)).astype(np.empty(0, kind).real.dtype)
    sign.flags.writeable = False
    return sign


@lru_cache(maxsize=8)
def natural_positions(degree: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Index n (n + 1) + m - 1 of +m and of -m at the packed positions, (A,) each.

    The position of n = 0, which no wave has, is given the index 0 and must be masked.
    """
    m, n = (x.astype(np.intp) for x in packed_numbers(degree))
    base = n * (n + 1) - 1
    plus, minus = base + m, base - m
    plus[0] = minus[0] = 0
    return plus, minus


def pack(coefficients: Complex) -> Complex:
    """Packed form (..., 2, C, A) of coefficients (..., C, N(N+2)) in the order n (n+1) + m - 1."""
    degree = round(np.sqrt(coefficients.shape[-1] + 1)) - 1
    plus, minus = natural_positions(degree)
    packed = np.stack([coefficients[..., plus], coefficients[..., minus]], axis=-3)
    packed[..., 0] = 0
    packed[..., 1, :, : degree + 1] = 0
    return packed


def unpack(packed: Complex) -> Complex:
    """Coefficients (..., C, N(N+2)) in the order n (n+1) + m - 1 of a packed array."""
    degree = degree_of_packed(packed)
    plus, minus = natural_positions(degree)
    shape = (*packed.shape[:-3], packed.shape[-2], degree * (degree + 2))
    result = np.empty(shape, dtype=packed.dtype)
    result[..., minus[1:]] = packed[..., 1, :, 1:]
    result[..., plus[1:]] = packed[..., 0, :, 1:]  # after the minus part, whose m = 0 is void
    return result


def degree_of_packed(packed: Complex) -> int:
    """Degree N of an array whose last axis has A = (N+1)(N+2)/2 positions."""
    return round((np.sqrt(8 * packed.shape[-1] + 1) - 3) / 2)


@lru_cache(maxsize=8)
def _pool(threads: int, depth: int) -> ThreadPoolExecutor:
    # Kept, since starting threads costs as much as a whole transform of degree 50. A pool for each depth of
    # jobs that call for others: they would wait for each other in one.
    del depth
    return ThreadPoolExecutor(threads)


if hasattr(os, "register_at_fork"):
    # A forked process has no threads: its jobs would wait for ever in the pools of the other.
    os.register_at_fork(after_in_child=_pool.cache_clear)

_nested = threading.local()


def run(jobs: Iterable[Callable[[], T]], threads: int) -> list[T]:
    """Results of ``jobs``, run in ``threads`` Python threads."""
    jobs = list(jobs)
    if threads == 1 or len(jobs) == 1:
        return [job() for job in jobs]
    depth = getattr(_nested, "depth", 0)

    def work(job: Callable[[], T]) -> T:
        _nested.depth = depth + 1
        return job()

    return list(_pool(threads, depth).map(work, jobs))


def shares(count: int, threads: int) -> list[range]:
    """Equal parts of so many things, one for each thread: handing over small jobs takes long."""
    edges = [count * i // threads for i in range(threads + 1)]
    return [range(a, b) for a, b in pairwise(edges) if b > a]


def sharing(degree: int, threads: int) -> int:
    """Threads for work in proportion to N^2: handing over costs more than small pieces of it."""
    return threads if degree >= 200 else 1


def split(packed: Complex, threads: int) -> tuple[Complex, Complex]:
    """Coefficients (C, A) of the real and of the imaginary part of a complex map."""
    degree = degree_of_packed(packed)
    plus, minus = packed
    sign = parity(degree, packed.dtype)
    first = slice(0, degree + 1)

    def real() -> Complex:
        part = np.conj(minus)
        part *= sign
        part += plus
        part *= 0.5
        part[:, first] = plus[:, first].real
        return part

    def imag() -> Complex:
        part = np.conj(minus)
        part *= sign
        part -= plus
        part *= 0.5j
        part[:, first] = plus[:, first].imag
        return part

    parts = run([real, imag], sharing(degree, threads))
    return parts[0], parts[1]


def join(real: Complex, imag: Complex, spin: int, degree: int, threads: int) -> Complex:
    """Packed coefficients (2, C, A) from those of the real and imaginary parts."""
    packed = np.empty((2, *real.shape), dtype=real.dtype)

    def plus() -> None:
        np.multiply(imag, 1j, out=packed[0])
        packed[0] += real

    def minus() -> None:
        # conj a^R + j conj a^I = conj(a^R - j a^I)
        np.multiply(imag, -1j, out=packed[1])
        packed[1] += real
        np.conj(packed[1], out=packed[1])
        packed[1] *= parity(degree, packed.dtype)
        packed[1, :, : degree + 1] = 0

    run([plus, minus], sharing(degree, threads))
    clear_below(packed, max(spin, 1))
    return packed


def clear_below(packed: Complex, lowest: int) -> None:
    """Set packed coefficients (2, C, A) of degrees below the ``lowest`` to zero."""
    degree = degree_of_packed(packed)
    n = packed_numbers(degree)[1]
    packed[:, :, np.flatnonzero(n[: lowest * (degree + 1)] < lowest)] = 0


#: Points and positions on a grid of degrees and orders together from which two threads save time: handing
#: over takes as long as a transform of half as many.
SHARED = 5000


def _transform_pair(
    call: Callable[[Any, int], Any], parts: tuple[Any, Any], threads: int, *, size: int
) -> list[Any]:
    """Transforms of real and imaginary part; ``size`` as of `SHARED`."""
    threads = threads if size >= SHARED else 1
    inner = max(1, threads // 2)
    return run([partial(call, p, inner) for p in parts], threads)


def ring_angles_gauss(count: int) -> NDArray[np.float64]:
    """Polar angles of the Gauss-Legendre rule, increasing, (count,) [rad]."""
    return np.asarray(ducc0.misc.GL_thetas(count))


def _rings(theta: NDArray[np.float64], phi_count: int, phi0: float) -> dict[str, Any]:
    count = theta.size
    return {
        "theta": np.ascontiguousarray(theta, dtype=float),
        "nphi": np.full(count, phi_count, dtype=np.uint64),
        "phi0": np.full(count, phi0),
        "ringstart": np.arange(count, dtype=np.uint64) * np.uint64(phi_count),
    }


def ring_synthesis(
    packed: Complex, *, spin: int, theta: NDArray[np.float64], phi_count: int, phi0: float = 0.0, threads: int
) -> Complex:
    """Complex maps (C, T, P) on rings at any ``theta`` with ``phi_count`` equal steps."""
    degree = degree_of_packed(packed)
    rings = _rings(theta, phi_count, phi0)

    def call(part: Any, inner: int) -> Any:
        return ducc0.sht.synthesis(alm=part, spin=spin, lmax=degree, mmax=degree, nthreads=inner, **rings)

    size = theta.size * phi_count + degree**2
    real, imag = _transform_pair(call, split(packed, threads), threads, size=size)
    return _complex(real, imag).reshape(packed.shape[1], theta.size, phi_count)


def ring_orders(packed: Complex, *, spin: int, theta: NDArray[np.float64], threads: int) -> Complex:
    """Azimuthal Fourier coefficients (C, T, 2N+1), m = -N ... N, on rings at any ``theta``."""
    degree = degree_of_packed(packed)

    def call(part: Any, inner: int) -> Any:
        return ducc0.sht.alm2leg(alm=part, spin=spin, lmax=degree, theta=theta, nthreads=inner)

    size = theta.size * degree + degree**2
    real, imag = _transform_pair(call, split(packed, threads), threads, size=size)
    result = np.empty((*real.shape[:2], 2 * degree + 1), dtype=real.dtype)
    result[..., degree:] = real + 1j * imag
    result[..., :degree] = (np.conj(real) + 1j * np.conj(imag))[..., :0:-1]
    return result


#: How far points are moved towards the equator [rad]. At points of its own grid of theta, met by
#: the poles and many other fractions of pi, ducc0 0.42.0 is wrong at some accuracies, by up to the
#: largest value. Seven roundings are clear of that, and change degree N by 3e-15 N at most.
ASIDE = 3e-15


def aside(location: NDArray[np.float64]) -> NDArray[np.float64]:
    """Points (M, 2) of theta and phi moved by `ASIDE`."""
    theta, phi = location.T
    return np.stack([theta + np.where(theta < np.pi / 2, ASIDE, -ASIDE), phi], axis=1)


def point_synthesis(
    packed: Complex,
    *,
    spin: int,
    location: NDArray[np.float64],
    epsilon: float,
    threads: int,
    moved: bool = False,
) -> Complex:
    """Complex maps (C, M) at points ``location`` (M, 2), theta in [0, pi] and phi from 0 to 2 pi [rad].

    The library does not check that range. ``epsilon`` is the relative accuracy wanted, 3e-13 or more (single
    precision: 2e-6); ``moved`` says that the points are `aside` already.
    """
    degree, location = degree_of_packed(packed), location if moved else aside(location)

    def call(part: Any, inner: int) -> Any:
        return ducc0.sht.synthesis_general(
            alm=part, spin=spin, lmax=degree, loc=location, epsilon=epsilon, nthreads=inner
        )

    parts, size = split(packed, threads), len(location) + degree**2
    real, imag = _transform_pair(call, parts, threads, size=size)
    return _complex(real, imag, threads)


def real_synthesis(alm: Complex, *, spin: int, location: NDArray[np.float64]) -> NDArray[np.float64]:
    """Real maps (C, M) of coefficients (C, A), at points that are `aside`, to the library's best."""
    return ducc0.sht.synthesis_general(
        alm=alm, spin=spin, lmax=degree_of_packed(alm), loc=location, epsilon=3e-13, nthreads=1
    )


def point_adjoint(
    maps: Complex,
    *,
    spin: int,
    degree: int,
    location: NDArray[np.float64],
    epsilon: float,
    threads: int,
    moved: bool = False,
) -> Complex:
    """Adjoint of `point_synthesis`: packed (2, C, A) from maps (C, M)."""
    location = location if moved else aside(location)

    def call(part: Any, inner: int) -> Any:
        return ducc0.sht.adjoint_synthesis_general(
            map=part, spin=spin, lmax=degree, loc=location, epsilon=epsilon, nthreads=inner
        )

    parts, size = (maps.real, maps.imag), len(location) + degree**2
    real, imag = _transform_pair(call, parts, threads, size=size)
    return join(real, imag, spin, degree, threads)


def _complex(real: NDArray[Any], imag: NDArray[Any], threads: int = 1) -> Complex:
    kind = np.complex64 if real.dtype == np.float32 else np.complex128
    result = np.empty(real.shape, dtype=kind)
    jobs = [partial(np.copyto, result.real, real), partial(np.copyto, result.imag, imag)]
    run(jobs, threads if real.size > 100_000 else 1)
    return result


def point_density(
    location: NDArray[np.float64],
    count: NDArray[np.float64],
    *,
    degree: int,
    threads: int,
    moved: bool = False,
) -> NDArray[np.float64]:
    """Density of points [1/sr] at the points themselves, (M,), as functions of ``degree`` N feel it.

    ``location`` (M, 2) holds theta and phi [rad], ``count`` (M,) how many samples stand at each point;
    ``moved`` says that the points are `aside` already.

    Notes
    -----
    What a sample takes part in is its row of A A^H, A the functions up to N at the points: with weights w,
    sum over j of |K_N(x_i, x_j)|^2 w_j is the same for all i if they are those of an exact quadrature, K_N
    the kernel that projects on degrees up to N. The points, taken as unit impulses, are therefore smeared by
    |K_N|^2, which is positive and of degree 2N. Its coefficients are, in the plane, those of the square of a
    disc's transform (the part that two discs of radius N, n apart, have in common; closed form),

        f(n) = (2/pi) (arccos u - u sqrt(1 - u^2)),  u = n / (2N + 1).

    Measured against smearing twice as wide: up to 10 % fewer steps with jittered points, 3 of 10 with a
    spiral of constant axis speeds. It costs about as much as one product with the transmission operator.
    """
    location = location if moved else aside(location)
    options = {"spin": 0, "lmax": 2 * degree, "loc": location, "epsilon": 1e-4}
    # By one thread: several would add in an order of their own, alike in no two runs.
    impulses = count[None].astype(np.float32)
    u = np.arange(2 * degree + 1) / (2 * degree + 1)
    common = (2 / np.pi * (np.arccos(u) - u * np.sqrt(1 - u * u))).astype(np.float32)
    common = common[packed_numbers(2 * degree)[1]]
    alm = ducc0.sht.adjoint_synthesis_general(map=impulses, nthreads=1, **options)
    alm *= common
    found = ducc0.sht.synthesis_general(alm=alm, nthreads=threads, **options)
    return np.asarray(found[0], dtype=float)


def rotate_packed(packed: Complex, *, alpha: float, beta: float, gamma: float, threads: int) -> Complex:
    """Coefficients of complex maps (2, C, A) after the rotation Rz(alpha) Ry(beta) Rz(gamma)."""
    degree = degree_of_packed(packed)
    parts = np.concatenate(split(packed, threads))
    # The library names them in the order in which they act: about z, about y, about z.
    ducc0.sht.rotate_alm(parts, degree, gamma, beta, alpha, nthreads=threads, out=parts)
    real, imag = np.split(parts, 2)
    return join(real, imag, 0, degree, threads)
