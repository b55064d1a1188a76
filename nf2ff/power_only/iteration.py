"""Scalar harmonics fitted at positions anywhere by iteration: no matrix, hence high degrees.

Conjugate gradients on the area-weighted normal equations. A product costs a fast transform and its
adjoint, and serves two frequencies: one is the real, the other the imaginary part of a map. All
eigenvalues are near 1 where the positions are even.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel import spin
from nf2ff.messages.input_error import InputError

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Gradient at which a fit ends, over that at its start; the coefficients' error is at most this
#: over the least eigenvalue.
STOP = 1e-11
#: Accuracy of the transforms, well below.
EPSILON = 3e-13
#: Most steps. Eigenvalues from 0.01 to 3 need 220 (textbook: sqrt(condition) / 2 ln(2 / STOP)).
MAX_STEPS = 250
#: The same for the eigenvalue, which is wanted to a few per cent only. What has the eigenvalue e
#: starts with sqrt(e), and is seen above this times the root of all coefficients: e = 4e-8 at
#: degree 200.
EIGENVALUE_STOP = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class IteratedBasis:
    """Harmonics of mean square 1 at positions anywhere, for fits weighted by the area of each.

    Parameters
    ----------
    degree : int
        Degree L of the fits.
    share : (U,) ndarray
        Part of the sphere that each position stands for; the sum is 1.
    location : (U, 2) ndarray
        theta in [0, pi] and phi in [0, 2 pi) of the positions [rad].
    """

    degree: int
    share: Real
    location: Real

    def fit(self, values: Real) -> tuple[Real, Real]:
        """Coefficients (F, (L + 1)^2) of values (F, U), and the mean square (F,) left over.

        Raises
        ------
        ValueError
            If the iteration does not end.
        """
        coefficients = np.empty((len(values), (self.degree + 1) ** 2))
        left = np.empty(len(values))
        for at in range(0, len(values), 2):
            pair = values[at : at + 2]
            # Both as strong: the iteration ends, and transforms err, relative to the stronger.
            size = np.sqrt(pair**2 @ self.share)
            size[size == 0] = 1
            pair = pair / size[:, None]
            both = pair[0] + 1j * (pair[1] if len(pair) == 2 else 0)
            found = self._solve(self._adjoint(4 * np.pi * self.share * both))
            rest = both - self._synthesis(found)
            for i, part in enumerate((rest.real, rest.imag)[: len(pair)]):
                coefficients[at + i] = size[i] * self._natural(found, imaginary=i == 1)
                left[at + i] = size[i] ** 2 * (part**2 @ self.share)
        return coefficients, left

    def moments(self, weights: Real) -> Real:
        """Sum over the positions of weights (U,) times each harmonic, ((L + 1)^2,)."""
        found = self._adjoint(weights.astype(np.complex128))
        return 4 * np.pi * self._natural(found, imaginary=False)

    def monopole(self) -> Real:
        """Weights (U,) by which the mean over the sphere follows from the values."""
        first: Complex = np.zeros((2, 1, (self.degree + 1) * (self.degree + 2) // 2), np.complex128)
        first[0, 0, 0] = np.sqrt(4 * np.pi)
        return self.share * self._synthesis(self._solve(first)).real

    def least_eigenvalue(self) -> float:
        """Smallest eigenvalue of the normal equations, from a random start, by Lanczos' method."""
        rng = np.random.default_rng(0)
        values = rng.normal(size=(2, self.share.size)) * np.sqrt(self.share)
        start = self._adjoint(values[0] + 1j * values[1])
        steps: list[tuple[float, float]] = []
        _conjugate_gradients(self._normal, start, EIGENVALUE_STOP, steps)
        step, ratio = np.array(steps).T
        # The tridiagonal matrix of Lanczos from the numbers of conjugate gradients (textbook).
        diagonal = 1 / step
        diagonal[1:] += ratio[:-1] / step[:-1]
        off = np.sqrt(ratio[:-1]) / step[:-1]
        return float(np.linalg.eigvalsh(np.diag(diagonal) + np.diag(off, 1) + np.diag(off, -1))[0])

    def _solve(self, right: Complex) -> Complex:
        found, ended = _conjugate_gradients(self._normal, right, STOP, [])
        if not ended:
            raise InputError(
                f"the fit of degree {self.degree} did not end in {MAX_STEPS} steps: these "
                "positions do not determine it; lower the degree"
            )
        return found

    def _normal(self, coefficients: Complex) -> Complex:
        return self._adjoint(4 * np.pi * self.share * self._synthesis(coefficients))

    def _synthesis(self, coefficients: Complex) -> Complex:
        return np.asarray(
            spin.point_synthesis(
                coefficients, spin=0, location=self.location, epsilon=EPSILON, threads=spin.thread_count(None)
            )[0]
        )

    def _adjoint(self, values: Complex) -> Complex:
        found = spin.point_adjoint(
            values[None],
            spin=0,
            degree=self.degree,
            location=self.location,
            epsilon=EPSILON,
            threads=spin.thread_count(None),
        )
        # Fields have no degree 0, so that it is left out there.
        found[0, 0, 0] = values.sum() / np.sqrt(4 * np.pi)
        return np.asarray(found)

    def _natural(self, packed: Complex, *, imaginary: bool) -> Real:
        """Coefficients of the real or the imaginary map in the order of `fit.harmonics`.

        f = Re sum_m>=0 (2 - [m = 0]) a_nm Y_nm, and Y_nm has (-1)^m, which these have not.
        """
        m, n = (x.astype(np.intp) for x in spin.packed_numbers(self.degree))
        sign = 1 - 2 * (m & 1)
        plus, minus = packed[0, 0], sign * np.conj(packed[1, 0])
        zero = m == 0
        minus[zero] = np.conj(plus[zero])
        a = (plus - minus) / 2j if imaginary else (plus + minus) / 2
        a = a * np.where(zero, 1, np.sqrt(2) * sign) / np.sqrt(4 * np.pi)
        result = np.empty((self.degree + 1) ** 2)
        result[n * n + m] = a.real
        result[(n * (n + 1) + m)[~zero]] = -a.imag[~zero]
        return result


def _conjugate_gradients(
    product: Callable[[Complex], Complex], right: Complex, stop: float, steps: list[tuple[float, float]]
) -> tuple[Complex, bool]:
    """Solution of product(x) = right, and whether it ended; lengths and ratios go to ``steps``."""
    x = np.zeros_like(right)
    residual = right.copy()
    way = residual.copy()
    square = start = np.vdot(residual, residual).real
    while square > stop**2 * start and len(steps) < MAX_STEPS:
        image = product(way)
        step = square / np.vdot(way, image).real
        x += step * way
        residual -= step * image
        before, square = square, np.vdot(residual, residual).real
        steps.append((float(step), float(square / before)))
        way = residual + square / before * way
    return x, square <= stop**2 * start
