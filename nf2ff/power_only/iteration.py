"""Scalar harmonics fitted at positions anywhere by iteration: no matrix, hence high degrees.

Conjugate gradients on the area-weighted normal equations. A product costs a fast transform and its
adjoint, and serves two frequencies: one is the real, the other the imaginary part of a map. All
eigenvalues are near 1 where the positions are even.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

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
#: Products in one cycle of the search for the least eigenvalue, and its relative error: a few per
#: cent are asked for, and what is not found in `MAX_STEPS` is far below any that serves.
CYCLE, EIGENVALUE_ERROR = 20, 0.05


@dataclass(frozen=True, slots=True, eq=False)
class IteratedBasis:
    """Harmonics of mean square 1 at positions anywhere, for fits weighted by the area of each.

    Parameters
    ----------
    degree, share
        As in `nf2ff.power_only.fit.PointBasis`.
    location : (U, 2) ndarray
        theta in [0, pi] and phi in [0, 2 pi) of the positions [rad].
    """

    degree: int
    share: Real
    location: Real

    def fit(self, values: Real) -> tuple[Real, Real]:
        """As `PointBasis.fit`; refused if the iteration does not end."""
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
        """As `PointBasis.moments`."""
        found = self._adjoint(weights.astype(np.complex128))
        return 4 * np.pi * self._natural(found, imaginary=False)

    def monopole(self) -> Real:
        """As `PointBasis.monopole`."""
        first: Complex = np.zeros((2, 1, (self.degree + 1) * (self.degree + 2) // 2), np.complex128)
        first[0, 0, 0] = np.sqrt(4 * np.pi)
        return self.share * self._synthesis(self._solve(first)).real

    def least_eigenvalue(self) -> float:
        """Smallest eigenvalue of the normal equations; 0 if it is too small to be found."""
        from scipy.sparse.linalg import ArpackNoConvergence, eigsh

        rng = np.random.default_rng(0)
        values = rng.normal(size=(2, self.share.size)) * np.sqrt(self.share)
        # Places that no coefficient has stay 0, so that they add no eigenvalue of 0.
        start = self._adjoint(values[0] + 1j * values[1]).ravel()
        cycle = min(CYCLE, (self.degree + 1) ** 2)
        options = {"v0": start, "ncv": cycle, "maxiter": -(-MAX_STEPS // cycle), "tol": EIGENVALUE_ERROR}
        try:
            found = eigsh(self._operator(), k=1, which="SA", return_eigenvectors=False, **options)
        except ArpackNoConvergence:
            return 0.0
        return float(found[0])

    def _solve(self, right: Complex) -> Complex:
        from scipy.sparse.linalg import cg

        found, steps = cg(self._operator(), right.ravel(), rtol=STOP, atol=0, maxiter=MAX_STEPS)
        if steps:
            raise InputError(
                f"the fit of degree {self.degree} did not end in {MAX_STEPS} steps: these "
                "positions do not determine it; lower the degree"
            )
        return np.asarray(found).reshape(right.shape)

    def _operator(self) -> Any:
        """Matrix of the normal equations, by its products."""
        from scipy.sparse.linalg import LinearOperator

        shape = (2, 1, (self.degree + 1) * (self.degree + 2) // 2)

        def normal(x: Complex) -> Complex:
            return self._adjoint(4 * np.pi * self.share * self._synthesis(x.reshape(shape))).ravel()

        return LinearOperator(2 * [int(np.prod(shape))], matvec=normal, dtype=np.complex128)

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
