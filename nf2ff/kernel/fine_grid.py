"""Sums over points as sums over a grid: what least squares ask of positions, without going to them.

A spin-weighted function up to degree N, continued over the poles, is a trigonometric polynomial of
degree N on the torus of theta and phi, and the product of two is one of degree 2N. The sum of such a
product over points is therefore its integral against the points' impulses, of which only the Fourier
coefficients up to 2N count. With those, as a smooth function, the sum over points is one over any grid
of more than 4N angles around, but for rounding. Transforms on grids take half the time of those at
points or less, and the number of points does not count.
"""

from __future__ import annotations

import threading
from functools import partial
from typing import Any

import ducc0
import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel import spin

Real = NDArray[np.float64]
Complex = NDArray[Any]

#: Accuracy of the impulses' Fourier coefficients, near the library's floor: they are formed once.
EPSILON = 5e-13
#: Bytes of maps that a thread keeps for the next transform, at most: fresh memory costs as much as
#: the tenth part of one.
KEPT = 2**25


def fine_shape(degree: int) -> tuple[int, int]:
    """Rings, half a step from the poles, and columns of the grid for functions up to a degree."""
    return int(ducc0.fft.good_size(2 * degree + 1)), _columns(degree)


def _columns(top: int) -> int:
    """Columns for functions up to an order."""
    return int(ducc0.fft.good_size(4 * top + 1, True))


def impulses(location: Real, weight: Real, *, degree: int, odd: bool, threads: int = 1) -> Real:
    """Smooth function (R, P) on the grid that stands for weighted impulses at points (M, 2).

    ``odd`` is for products of functions whose spins differ by an odd number, which change sign across the
    poles. The bits are the same on any number of threads.
    """
    rings, columns = fine_shape(degree)
    half = np.zeros((rings, columns // 2 + 1), dtype=complex)
    smooth = np.empty((rings, columns))

    def of_parity(parity: int) -> None:
        """Orders m = 2 i + parity >= 0, which have half the period in phi."""
        # Of frequencies k = 0 ... 2N in theta: the function is real.
        angle = degree * location[:, 0] + parity * location[:, 1]
        points = np.empty(angle.size, dtype=complex)
        np.multiply(weight, np.cos(angle), out=points.real)
        np.multiply(-weight, np.sin(angle), out=points.imag)
        sums = ducc0.nufft.nu2u(
            points=points,
            coord=location,
            forward=True,
            epsilon=EPSILON,
            out=np.empty((2 * degree + 1, 2 * degree + 1 - parity), dtype=complex),
            periodicity=(2 * np.pi, np.pi),
            nthreads=1,  # several would add in an order that differs from run to run
        )
        # -theta, phi + pi is the same place: cosines of theta are left, or sines.
        even = odd == bool(parity)
        own, opposite = sums[:, degree:], np.conj(sums[:, degree - parity :: -1])
        terms = np.zeros((rings, own.shape[1]), dtype=complex)
        if even:
            np.add(own, opposite, out=terms[: 2 * degree + 1])
        else:
            np.subtract(own[1:], opposite[1:], out=terms[: 2 * degree])
            terms *= 1j
        terms /= 2 * rings * columns
        transform = ducc0.fft.dct if even else ducc0.fft.dst
        real = terms.view(float)
        transform(real, type=3, axes=(0,), out=real)
        half[:, parity : 2 * degree + 1 : 2] = terms

    def around(some: range) -> None:
        own = slice(some.start, some.stop)
        ducc0.fft.c2r(half[own], axes=(1,), lastsize=columns, forward=False, out=smooth[own])

    spin.run([partial(of_parity, parity) for parity in (0, 1)], threads)
    # The library takes several rings at once: in other shares the bits would be others.
    spin.run([partial(around, some) for some in spin.shares(rings, 2)], spin.sharing(degree, threads))
    return smooth


def of_low_orders(field: Real, top: int) -> Real:
    """What stands for ``field`` (R, P) in products of functions up to order ``top``: of fewer columns."""
    rings, columns = len(field), _columns(top)
    terms = ducc0.fft.r2c(field, axes=(1,))[:, : columns // 2 + 1]
    terms[:, 2 * top + 1 :] = 0
    terms /= columns  # the sum over columns stays what it was
    smooth = np.empty((rings, columns))
    return np.asarray(ducc0.fft.c2r(terms, axes=(1,), lastsize=columns, forward=False, out=smooth))


_kept = threading.local()


def _maps(shape: tuple[int, ...]) -> Real:
    """Room for maps (C, R, P), that of the thread's last transform where it fits."""
    room: Any = getattr(_kept, "room", None)
    if room is None or room.shape != shape:
        room = np.empty(shape)
        _kept.room = room if room.nbytes <= KEPT else None
    return np.asarray(room)


def weighted_product(
    coefficients: list[tuple[int, Complex]],
    fields: dict[tuple[int, int], Real],
    *,
    degree: int,
    threads: int,
    top: int | None = None,
) -> list[Complex]:
    """Adjoint transform of the weighted transform of coefficients (C, A) of real maps, for each spin.

    ``coefficients`` are pairs of a spin and its coefficients, whose maps are counted through all spins:
    C = 1 for spin 0, else 2. ``fields`` (R, P) couple map i and map k >= i, by `impulses`. Coefficients up to
    order ``top`` go with fields `of_low_orders`.
    """
    sizes, top = [len(alm) for _, alm in coefficients], degree if top is None else top
    maps = _maps((sum(sizes), fine_shape(degree)[0], _columns(top)))
    grid = {"lmax": degree, "mmax": top, "geometry": "F1", "nthreads": threads}
    at = 0
    for (s, alm), size in zip(coefficients, sizes, strict=True):
        own = maps[at : at + size]
        ducc0.sht.synthesis_2d(alm=alm, spin=s, map=own, **grid)
        at += size
    coupled = any(i != k for i, k in fields)
    source = maps.copy() if coupled else maps
    for i in range(len(maps)):
        if (i, i) in fields:
            maps[i] *= fields[i, i]
        else:
            maps[i] = 0
    for (i, k), field in fields.items():
        if i != k:
            maps[i] += field * source[k]
            maps[k] += field * source[i]
    found, at = [], 0
    for (s, _), size in zip(coefficients, sizes, strict=True):
        own = maps[at : at + size]
        found.append(ducc0.sht.adjoint_synthesis_2d(map=own, spin=s, **grid))
        at += size
    return found
