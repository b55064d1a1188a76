"""Solutions of scans that differ little from one that is solved: its responses or its record err.

An error moves the modes a little. That little is solved for, not the modes anew: few steps of
the iteration in single precision then give it to four digits, however small it is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes
from nf2ff.kernel import spin
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.solver import methods
from nf2ff.solver.normal import NormalOperator
from nf2ff.solver.positions import Geometry, elsewhere
from nf2ff.solver.problem import LeastSquares, Method, Problem, Quadrature
from nf2ff.solver.response import Series, separate
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
        if isinstance(method, LeastSquares):
            method = replace(method, device="cpu")  # which takes any samples
        self.method, self.known = method, modes
        # Operators that were planned for the scan as it is serve again.
        self.kept = prepared if method == prepared.method else prepared.on_threads(method)
        self.by_change = isinstance(method, LeastSquares) and not (method.damping or method.unweighted_finish)
        self._coarse: dict[int, TransmissionOperator] = {}
        self._lower: dict[int, Problem] = {}
        self._series: dict[tuple[float, ...], Series] = {}
        self._known: dict[int, NDArray[Any]] = {}
        self._near: dict[int, NormalOperator | None] = {}

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
        own = probe is kept.probe and np.array_equal(samples.frequency, kept.samples.frequency)
        if not own:
            probe = prepare(samples, probe, degree=kept.degree, method=self.method).probe
        rows = []
        for f, q in enumerate(self.known.coefficients):
            operator, weights = kept.iteration(f)
            present = ~np.isnan(kept.samples.response[f])
            change = samples.response[f, present]
            coarse = self._coarse.setdefault(f, replace(operator, tolerance=0.2 * rtol))
            near, most = self._equations(f), self.method.max_iterations
            if same:
                # What the solution leaves of the scan as it is adds nothing to another solution.
                change = change - kept.samples.response[f, present]
            else:
                place = (x[present] for x in samples.place(f))
                geometry = elsewhere(operator.geometry, *place)
                weights = methods.area_weights(geometry, degree=kept.degree, threads=operator.threads)
                at = (geometry, probe, float(samples.frequency[f]))
                exact, coarse = (self._operator(f, *at, x, own=own) for x in (EXACT, 0.2 * rtol))
                change = change - exact.forward(self._packed(f, exact))
                near = near if self._alike(f, coarse) else None
            if near is not None:
                added = methods.by_near_equations(
                    coarse, change, weights=weights, near=near, same=same, rtol=rtol, max_iterations=most
                )
                rows.append(q + added)
                continue
            estimate, _ = methods.by_conjugate_gradients(
                coarse,
                change,
                weights=weights,
                rtol=rtol,
                max_iterations=most,
                damping=0.0,
                judged=False,
            )
            rows.append(q + estimate.coefficients)
        return Modes(self.known.frequency, np.stack(rows), self.known.reference)

    def _equations(self, f: int) -> NormalOperator | None:
        """The normal equations of the scan as it is, where they are known without going to the samples."""
        if f not in self._near:
            fields = self.kept.fields(f)
            self._near[f] = None if fields is None else NormalOperator(self._coarse[f], fields)
        return self._near[f]

    def _alike(self, f: int, operator: TransmissionOperator) -> bool:
        """Whether an operator acts on the coefficients of that of the scan as it is."""
        return np.array_equal(operator.separation.precondition, self._coarse[f].separation.precondition)

    def _packed(self, f: int, operator: TransmissionOperator) -> NDArray[Any]:
        """Packed coefficients of the modes known."""
        q = self.known.coefficients[f]
        if not self._alike(f, operator):
            return operator.from_modes(q)
        if f not in self._known:
            self._known[f] = operator.from_modes(q)
        return self._known[f]

    def _operator(
        self,
        f: int,
        geometry: tuple[Geometry, ...],
        probe: Probe,
        frequency: float,
        tolerance: float,
        *,
        own: bool,
    ) -> TransmissionOperator:
        """Operator at other positions, on the coefficients of the scan as it is if they serve.

        Of the scan's ``own`` probe and frequency the response over degree is kept for other positions not
        far from there.
        """
        degree, threads = self.kept.degree, spin.thread_count(getattr(self.method, "threads", None))
        radius = [g.radius for g in geometry]
        low, high = _widened(float(min(r.min() for r in radius)), float(max(r.max() for r in radius)))
        ports = [g.port for g in geometry]
        key = (f, tolerance, low, high, *ports)
        series = self._series.get(key) if own else None
        if series is None:
            series = separate(
                probe,
                ports=ports,
                low=low,
                high=high,
                frequency=frequency,
                degree=degree,
                tolerance=tolerance,
                cut=1.0,
            ).on_coefficients(self._coarse[f].separation.precondition)
            if own:
                self._series[key] = series
        return TransmissionOperator(geometry, probe, frequency, degree, tolerance, threads, series=series)


def _widened(low: float, high: float) -> tuple[float, float]:
    """Radii that contain the others, the same for most that differ little from them."""
    if low == high:
        return low, high
    step = 0.5 * 2.0 ** math.floor(math.log2(high - low))
    below = step * math.floor(low / step)
    return below if below > 0.5 * low else low, step * math.ceil(high / step)
