"""Solutions of scans that differ little from one that is solved: its responses or its record err.

An error moves the modes a little. That little is solved for, not the modes anew: few steps of
the iteration in single precision then give it to four digits, however small it is.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from nf2ff import inversion
from nf2ff.modes import Modes
from nf2ff.operator import TransmissionOperator
from nf2ff.prepared import LeastSquares, Method, Prepared, Quadrature
from nf2ff.probe import Probe
from nf2ff.samples import Samples
from nf2ff.solve import GAP_METHOD, prepare, solve

#: The change of the modes is solved for to this part of itself, far below the sampling error of
#: any number of draws. Its cause, the difference between the responses and those of the modes
#: known, is formed to `EXACT` of the responses.
CHANGE_RTOL = 1e-4
EXACT = 1e-8


def nominal_solution(
    samples: Samples, probe: Probe, *, degree: int, method: Method | None = None
) -> tuple[Prepared, Modes]:
    """Solution of a scan as `solve` has it, and what it takes to repeat it.

    Parameters
    ----------
    samples, probe, degree, method
        As in `solve`.

    Returns
    -------
    prepared : Prepared
        With the method that `solve` takes where none is given, and its damping where a part of
        the sphere was not seen.
    modes : Modes
        The solution; of the degree that the method determines, where `solve` would add zeros.

    Raises
    ------
    ValueError
        As `solve`.
    """
    solution = solve(samples, probe, degree=degree, method=method)
    if solution.coverage is None and not solution.iterations.any():
        first = getattr(method, "first_order", False)
        method = Quadrature(first, getattr(method, "threads", None))
        scan = prepare(samples, probe, degree=1, method=method).scan
        assert scan is not None
        degree = min(degree, scan.grid.degree)
        prepared = prepare(samples, probe, degree=degree, method=method)
        return prepared, solution.modes.truncate(degree)
    gap = solution.coverage is not None and bool(solution.coverage.unseen(degree).any())
    if gap and method is None:
        method = GAP_METHOD
    elif gap and isinstance(method, LeastSquares) and method.damping is None:
        method = replace(method, damping=GAP_METHOD.damping)
    return prepare(samples, probe, degree=degree, method=method), solution.modes


def by_least_squares(prepared: Prepared, modes: Modes) -> tuple[Prepared, Modes]:
    """The same solution by least squares if it is a quadrature: for samples that leave their grid.

    Parameters
    ----------
    prepared : Prepared
        Scan and method.
    modes : Modes
        Its solution.

    Returns
    -------
    prepared : Prepared
        Scan and method, no quadrature.
    modes : Modes
        Its solution: of a scan with noise a little another one.
    """
    if not isinstance(prepared.method, Quadrature):
        return prepared, modes
    own = prepared.method
    method = LeastSquares(first_order=own.first_order, threads=own.threads)
    return nominal_solution(prepared.samples, prepared.probe, degree=prepared.degree, method=method)


class NearbySolver:
    """Modes of scans that differ little from one whose modes are known."""

    def __init__(self, prepared: Prepared, modes: Modes, threads: int | None) -> None:
        method = prepared.method
        if threads is not None and isinstance(method, LeastSquares | Quadrature):
            method = replace(method, threads=threads)
        self.method, self.known = method, modes
        self.kept = replace(prepared, method=method)
        self.by_change = isinstance(method, LeastSquares) and not (
            method.damping or method.unweighted_finish
        )
        self._coarse: dict[int, TransmissionOperator] = {}
        self._lower: dict[int, Prepared] = {}

    def modes(self, samples: Samples, probe: Probe, degree: int) -> Modes:
        """Modes of other samples."""
        kept = self.kept
        if samples.response.shape != kept.samples.response.shape:
            # What is left may have gaps: in the way of `solve`, if none was asked for.
            own = isinstance(self.method, Quadrature) or self.method == LeastSquares(
                threads=getattr(self.method, "threads", None)
            )
            method = None if own else self.method
            return solve(samples, probe, degree=degree, method=method).modes
        same = probe is kept.probe and all(
            np.array_equal(getattr(samples, x), getattr(kept.samples, x))
            for x in ("frequency", "theta", "phi", "chi", "radius")
        )
        if self.by_change and degree == kept.degree:
            return self._changed(samples, probe, same=same)
        if not same:
            return prepare(samples, probe, degree=degree, method=self.method).modes(
                samples.response
            )
        if degree not in self._lower:
            self._lower[degree] = replace(kept, degree=degree)
        return self._lower[degree].modes(samples.response)

    def _changed(self, samples: Samples, probe: Probe, *, same: bool) -> Modes:
        """By the change of each frequency's modes."""
        assert isinstance(self.method, LeastSquares)
        rtol, kept = max(CHANGE_RTOL, self.method.rtol), self.kept
        there = kept
        if not same:
            exact = replace(self.method, rtol=5 * EXACT)  # operators are five times as exact
            there = prepare(samples, probe, degree=kept.degree, method=exact)
        rows = []
        for f, q in enumerate(self.known.coefficients):
            operator, weights = there.iteration(f)
            present = ~np.isnan(kept.samples.response[f])
            change = samples.response[f, present]
            if same:
                # What the solution leaves of the scan as it is adds nothing to another solution.
                change = change - kept.samples.response[f, present]
                coarse = self._coarse.setdefault(f, replace(operator, tolerance=0.2 * rtol))
            else:
                change = change - operator.forward(operator.from_modes(q))
                coarse = replace(operator, tolerance=0.2 * rtol)
            estimate, _ = inversion.by_conjugate_gradients(
                coarse, change, weights=weights, rtol=rtol,
                max_iterations=self.method.max_iterations, damping=0.0,
            )  # fmt: skip
            rows.append(q + estimate.coefficients)
        return Modes(self.known.frequency, np.stack(rows), self.known.reference)


__all__ = ["NearbySolver", "by_least_squares", "nominal_solution"]
