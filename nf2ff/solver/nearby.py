"""Solutions of scans that differ little from one that is solved: its responses or its record err.

An error moves the modes a little. That little is solved for, not the modes anew: few steps of
the iteration in single precision then give it to four digits, however small it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from nf2ff.antenna.modes import Modes
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.solver import methods
from nf2ff.solver.problem import LeastSquares, Method, Problem, Quadrature
from nf2ff.solver.solution import Part, Solution, join_parts
from nf2ff.solver.solve import prepare, solve
from nf2ff.solver.transmission import TransmissionOperator

#: The change of the modes is solved for to this part of itself, far below the sampling error of
#: any number of draws. Its cause, the difference between the responses and those of the modes
#: known, is formed to `EXACT` of the responses.
CHANGE_RTOL = 1e-4
EXACT = 1e-8


def by_least_squares(solution: Solution) -> Solution:
    """The same solution by least squares if it is a quadrature: for samples that leave their grid.

    With noise it differs a little from the first. Modes and parts are new, each at its degree; what
    else is said is of the first.
    """
    if not any(isinstance(part.prepared.method, Quadrature) for part in solution.parts):
        return solution
    parts, rows = [], []
    for part in solution.parts:
        own, method = part.prepared, part.prepared.method
        q = solution.modes.at(part.frequencies).truncate(own.degree).coefficients
        if isinstance(method, Quadrature):
            method = LeastSquares(first_order=method.first_order, threads=method.threads)
            own = replace(own, method=method, scan=None)
            q = own.modes(own.samples.response).coefficients
        parts.append(replace(part, prepared=own))
        rows.append(q)
    q = join_parts(parts, rows, max(part.prepared.degree for part in parts))
    modes = Modes(solution.modes.frequency, q, solution.modes.reference)
    return replace(solution, modes=modes, parts=tuple(parts))


class NearbySolver:
    """Modes of scans that differ little from one that is solved.

    ``parts`` solve it, ``modes`` are its modes and ``samples`` what they were found from.
    """

    def __init__(self, parts: Sequence[Part], modes: Modes, samples: Samples, threads: int | None) -> None:
        self.shape = samples.response.shape
        self.known, self.parts = modes, parts
        self.solvers = []
        for part in parts:
            known = self.known.at(part.frequencies).truncate(part.prepared.degree)
            self.solvers.append(_PartSolver(part.prepared, known, threads))

    def modes(self, samples: Samples, probe: Probe, degree: int) -> Modes:
        """Modes of other samples."""
        if samples.response.shape != self.shape:
            rows = [
                solve(
                    samples.part(part.frequencies),
                    probe,
                    degree=min(degree, part.prepared.degree),
                    method=solver.asked(part),
                ).modes.coefficients
                for part, solver in zip(self.parts, self.solvers, strict=True)
            ]
            q = join_parts(self.parts, rows, degree)
            return Modes(samples.frequency, q, self.known.reference)
        rows = []
        for part, solver in zip(self.parts, self.solvers, strict=True):
            whole = len(self.parts) == 1 and isinstance(part.which, slice) and not samples.moving
            own = samples if whole else part.take(samples)
            rows.append(solver.modes(own, probe, min(degree, part.prepared.degree)).coefficients)
        q = join_parts(self.parts, rows, degree)
        return Modes(self.known.frequency, q, self.known.reference)


class _PartSolver:
    """The same for frequencies of one set of samples."""

    def __init__(self, prepared: Problem, modes: Modes, threads: int | None) -> None:
        method = prepared.method
        if threads is not None and isinstance(method, LeastSquares | Quadrature):
            method = replace(method, threads=threads)
        self.method, self.known = method, modes
        # Operators that were planned for the scan as it is serve again.
        self.kept = prepared if method == prepared.method else replace(prepared, method=method)
        self.by_change = isinstance(method, LeastSquares) and not (method.damping or method.unweighted_finish)
        self._coarse: dict[int, TransmissionOperator] = {}
        self._lower: dict[int, Problem] = {}

    def asked(self, part: Part) -> Method | None:
        """The method for what is left of the samples, which may have gaps: that of `solve`, None,
        if none was asked for."""
        method = self.method
        own = isinstance(method, Quadrature) or method == LeastSquares(
            threads=getattr(method, "threads", None)
        )
        return None if own or part.damped else method

    def modes(self, samples: Samples, probe: Probe, degree: int) -> Modes:
        """Modes of other samples."""
        kept = self.kept
        same = probe is kept.probe and all(
            np.array_equal(getattr(samples, x), getattr(kept.samples, x))
            for x in ("frequency", "theta", "phi", "chi", "radius")
        )
        if self.by_change and degree == kept.degree:
            return self._changed(samples, probe, same=same)
        if not same:
            return prepare(samples, probe, degree=degree, method=self.method).modes(samples.response)
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
            estimate, _ = methods.by_conjugate_gradients(
                coarse,
                change,
                weights=weights,
                rtol=rtol,
                max_iterations=self.method.max_iterations,
                damping=0.0,
            )
            rows.append(q + estimate.coefficients)
        return Modes(self.known.frequency, np.stack(rows), self.known.reference)
