"""Least squares by a factorisation of the normal equations, where the iteration stalls.

The matrix is built column by column by the fast transforms, and its factor refines a solution until rounding
is left: the remainder is formed at the samples each time, so that the condition of the samples counts and not
its square.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import mode_count
from nf2ff.kernel import spin
from nf2ff.kernel.arrays import inner, norm
from nf2ff.solver.normal import NormalOperator
from nf2ff.solver.normal_fields import Fields
from nf2ff.solver.transmission import TransmissionOperator

Real = NDArray[np.float64]
Complex = NDArray[Any]

#: Modes up to which it is done: the matrix of so many holds 576 MB.
MOST_MODES = 6000
#: Refinements at most, and the last change, relative to the solution, from which it is none.
REFINEMENTS, LAST_CHANGE = 20, 1e-9
#: Added to the diagonal, relative to its largest entry: beneath rounding of the products. What is not
#: observed stays zero by it.
SHIFT = 1e-14
#: Pivot over what is added, from which a wave is determined.
DETERMINED = 1e3
#: Bytes of the rows of A that are held at once.
BLOCK = 2**28


@dataclass(frozen=True, slots=True, eq=False)
class Factor:
    """Cholesky factor of A^H W A + damping^2 over the entries of packed coefficients that are waves'.

    ``operator`` is as exact as the transforms can be, ``weights`` are in its order.
    """

    operator: TransmissionOperator
    weights: Real
    damping: float
    waves: NDArray[np.intp]
    lower: Complex

    def apply(self, gradient: Complex) -> Complex:
        """Packed (A^H W A + damping^2)^-1 ``gradient``, in the factor's precision."""
        from scipy.linalg import cho_solve

        given, found = gradient.ravel()[self.waves], np.zeros_like(gradient)
        unit = 2.0 ** np.frexp(np.abs(given).max(initial=0))[1]  # the range of single precision is small
        given = (given / unit).astype(self.lower.dtype, copy=False)
        found.ravel()[self.waves] = cho_solve((self.lower, True), given, check_finite=False)
        found *= unit
        return found

    def coarse(self) -> Factor:
        """The same in single precision, which takes half the time: memory decides."""
        return replace(self, lower=self.lower.astype(np.complex64))

    def solve(self, response: Complex) -> tuple[Complex, Complex, bool]:
        """Packed solution for responses in the operator's order, what it leaves of them, and whether
        refinement came to an end."""
        shape = (2, 2, spin.packed_numbers(self.operator.degree)[1].size)
        x, left = np.zeros(shape, dtype=complex), response
        before = float(np.inf)
        for _ in range(REFINEMENTS):
            gradient = self.operator.adjoint_ordered(self.weights * left) - self.damping**2 * x
            change = self.apply(gradient)
            size, whole = float(np.linalg.norm(change)), float(np.linalg.norm(x))
            if not size < 0.5 * before:
                break
            x += change
            left = response - self.operator.forward_ordered(x)
            before = size
            if size <= 1e-14 * whole:
                break
        return x, left, bool(before <= LAST_CHANGE * np.linalg.norm(x))


def preconditioned(
    operator: TransmissionOperator,
    right: Complex,
    factor: Factor,
    *,
    weights: Real,
    rtol: float,
    max_iterations: int,
) -> Complex | None:
    """Packed (A^H W A + damping^2)^-1 ``right`` of an operator near that of a factor, whose damping it takes.

    Conjugate gradients preconditioned by the factor. What that makes of the gradient is nearly the error:
    they end where it is ``rtol`` of the solution. None where it does not fall so far.
    """
    x, left = np.zeros_like(right), right.copy()
    direction = near = factor.apply(left)
    size = inner(left, near).real
    for _ in range(max_iterations):
        if norm(near) <= rtol * norm(x + near):
            return np.asarray(x + near)
        image = operator.adjoint(weights * operator.forward(direction)) + factor.damping**2 * direction
        bend = inner(direction, image).real
        if not bend > 0:
            return None
        x += size / bend * direction
        left -= size / bend * image
        near = factor.apply(left)
        before, size = size, inner(left, near).real
        direction = near + size / before * direction
    return None


def factorise(
    operator: TransmissionOperator, weights: Real, *, damping: float, fields: Fields | None
) -> Factor | None:
    """Factor for weights (M,) of the samples; None where waves are not determined, or are too many."""
    from scipy.linalg import LinAlgError, cholesky

    if mode_count(operator.degree) > MOST_MODES:
        return None
    threads = operator.threads
    series = operator.series
    operator = replace(operator, tolerance=1e-13, threads=1, series=series if operator.nodes == 1 else None)
    if operator.order is not None:
        weights = weights[operator.order]
    waves = np.flatnonzero(spin.pack(np.ones((2, mode_count(operator.degree) // 2), dtype=complex)))
    if operator.nodes == 1:
        matrix = _by_products(operator, weights, waves, fields, threads)
    else:
        matrix = _by_rows(operator, weights, waves, threads)
    diagonal = np.einsum("ii->i", matrix)
    shift = SHIFT * diagonal.real.max()
    observed = diagonal.real > shift
    diagonal += damping**2 + shift
    try:
        lower = cholesky(matrix, lower=True, overwrite_a=True, check_finite=False)
    except LinAlgError:
        return None
    if (np.abs(np.diagonal(lower)[observed]) ** 2 < DETERMINED * shift).any():
        return None
    return Factor(operator, weights, damping, waves, lower)


def _by_products(
    operator: TransmissionOperator,
    weights: Real,
    waves: NDArray[np.intp],
    fields: Fields | None,
    threads: int,
) -> Complex:
    """A^H W A column by column."""
    shape = (2, 2, spin.packed_numbers(operator.degree)[1].size)
    normal = None if fields is None else NormalOperator(operator, fields)
    matrix = np.empty((waves.size, waves.size), dtype=complex, order="F")

    def columns(some: range) -> None:
        for j in some:
            x = np.zeros(shape, dtype=complex)
            x.ravel()[waves[j]] = 1
            if normal is None:
                image = operator.adjoint_ordered(weights * operator.forward_ordered(x))
            else:
                image = normal.product(x)
            matrix[:, j] = image.ravel()[waves]

    parts = min(waves.size, 4 * threads)
    spin.run([partial(columns, range(i, waves.size, parts)) for i in range(parts)], threads)
    return matrix


def _by_rows(operator: TransmissionOperator, weights: Real, waves: NDArray[np.intp], threads: int) -> Complex:
    """The same where the radius varies, by blocks of samples: a wave of one degree takes one transform,
    and its response over the radius is a factor at each position."""
    matrix = np.zeros((waves.size, waves.size), dtype=complex, order="F")
    over, start = operator.separation, 0
    for g, orders, radial in zip(operator.geometry, over.over_degree, over.over_radius, strict=True):
        position = g.spread(np.arange(g.radius.size))
        own = np.sqrt(weights[start : start + g.count])
        start += g.count
        blocks = -(-g.count * waves.size * 16 // BLOCK)
        for some in np.array_split(np.arange(g.radius.size), blocks):
            rows = np.flatnonzero((position >= some[0]) & (position <= some[-1]))
            block = _Block(operator.degree, g.aside[some], radial[:, some], position[rows] - some[0])
            a = np.zeros((rows.size, waves.size), dtype=complex)
            for s, over_degree in orders:
                turns = [np.broadcast_to(t, np.shape(t)) for t in g.turns(s)]
                if g.position is None:
                    turns = [np.broadcast_to(t, (len(t), g.radius.size)).ravel() for t in turns]
                block.add(s, over_degree, [t[rows] for t in turns], waves, a, threads)
            a *= own[rows, None]
            matrix += a.conj().T @ a
    return matrix


@dataclass(frozen=True, slots=True, eq=False)
class _Block:
    """Some positions of a port, ``radial`` (K, P) there, and which of them each sample has."""

    degree: int
    location: Real
    radial: Complex
    position: NDArray[np.intp]

    def add(
        self,
        s: int,
        over_degree: Complex,
        turns: list[Real],
        waves: NDArray[np.intp],
        a: Complex,
        threads: int,
    ) -> None:
        """Add to ``a`` what samples receive of each wave in the order ``s``."""
        numbers = spin.packed_numbers(self.degree)
        flat = np.full(4 * numbers[1].size, -1)
        flat[waves] = np.arange(waves.size)
        column = flat.reshape(2, 2, -1)

        def one(at: int) -> None:
            m, n = (int(x[at]) for x in numbers)
            # From (x_1, x_2) to the maps, at each position (C, 2, P).
            response = np.einsum("kcx,kp->cxp", over_degree[:, n - 1], self.radial)
            for row in range(over_degree.shape[2]):
                plus, minus = self._maps(s, row, m, at)
                for sign, maps in ((0, plus), (1, minus)):
                    if column[sign, 0, at] < 0:
                        continue
                    at_samples = sum(t * f[self.position] for t, f in zip(turns, maps, strict=True))
                    for part in (0, 1):
                        a[:, column[sign, part, at]] += response[row, part][self.position] * at_samples

        first = [i for i in range(numbers[1].size) if numbers[1][i] >= max(s, 1)]
        spin.run([partial(one, i) for i in first], threads)

    def _maps(self, s: int, row: int, m: int, at: int) -> tuple[Complex, Complex]:
        """Maps (C, P) of unit coefficients of +m and -m, of gradient or curl."""
        alm = np.zeros((1 if s == 0 else 2, spin.packed_numbers(self.degree)[1].size), dtype=complex)
        found = []
        for unit in (1.0, 1j) if m else (1.0,):
            alm[row, at] = unit
            found.append(spin.real_synthesis(alm, spin=s, location=self.location))
        if not m:
            return found[0] + 0j, found[0] + 0j
        re, im = found
        return 0.5 * (re - 1j * im), 0.5 * (1 - 2 * (m & 1)) * (re + 1j * im)
