"""Solutions of scans that differ little from one that is solved: its responses or its record err.

An error moves the modes a little. That little is solved for, not the modes anew: few steps of
the iteration in single precision then give it to four digits, however small it is.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes, mode_count
from nf2ff.kernel import spin
from nf2ff.kernel.arrays import norm, ratio
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.solver import methods
from nf2ff.solver.dense import Factor, factorise, preconditioned
from nf2ff.solver.expansion import Expansion, numbers
from nf2ff.solver.planned import PlannedOperator
from nf2ff.solver.positions import Geometry, elsewhere
from nf2ff.solver.problem import MOST_KEPT, Problem
from nf2ff.solver.response import separate
from nf2ff.solver.solution import Part, Solution, join_parts
from nf2ff.solver.solve import prepare, solve
from nf2ff.solver.strategy import LeastSquares, Method, Quadrature
from nf2ff.solver.transmission import TransmissionOperator

#: The change of the modes is solved for to this part of itself, far below the sampling error of
#: any number of draws. Its cause, the difference between the responses and those of the modes
#: known, is formed to `EXACT` of the responses.
CHANGE_RTOL = 1e-4
EXACT = 1e-8
#: Part of the change that what a power series of them leaves out may be.
SERIES_RTOL = 0.3 * CHANGE_RTOL
#: Ranges of radii for each of which a series is kept, at most as far as memory goes (4 among 200 draws).
RANGES = 8
#: Modes up to which damped equations are factorised: in two seconds, which ten iterations would take; and
#: steps with the factor after which positions are too far away for it.
MOST_FACTORED, FEW_STEPS = 3000, 20

Complex = NDArray[np.complex128]
#: Samples, the probe to solve them with, and the degree.
Scan = tuple[Samples, Probe, int]


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
        return self.modes_of([(samples, probe, degree)])[0]

    def modes_of(self, scans: Sequence[Scan]) -> list[Modes]:
        """Modes of several scans, side by side; each as it would be alone to the last bit."""
        found: dict[int, Modes] = {}
        whole: list[int] = []
        for i, scan in enumerate(scans):
            if scan[0].response.shape == self.shape:
                whole.append(i)
            else:
                found[i] = self._of_fewer(*scan)
        rows = [
            solver.coefficients([self._part_of(part, *scans[i]) for i in whole])
            for part, solver in zip(self.parts, self.solvers, strict=True)
        ]
        for i, *own in zip(whole, *rows, strict=True):
            q = join_parts(self.parts, own, scans[i][2])
            found[i] = Modes(self.known.frequency, q, self.known.reference)
        return [found[i] for i in range(len(scans))]

    def _part_of(self, part: Part, samples: Samples, probe: Probe, degree: int) -> Scan:
        whole = len(self.parts) == 1 and isinstance(part.which, slice) and not samples.moving
        return samples if whole else part.take(samples), probe, min(degree, part.prepared.degree)

    def _of_fewer(self, samples: Samples, probe: Probe, degree: int) -> Modes:
        """Where samples were left out."""
        rows = [
            solve(
                samples.part(part.frequencies),
                probe,
                degree=min(degree, part.prepared.degree),
                method=solver.asked(part),
            ).modes.coefficients
            for part, solver in zip(self.parts, self.solvers, strict=True)
        ]
        return Modes(samples.frequency, join_parts(self.parts, rows, degree), self.known.reference)


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
        self.by_change = isinstance(method, LeastSquares) and not method.unweighted_finish
        self.damping = (method.damping or 0.0) if isinstance(method, LeastSquares) else 0.0
        self._factors: dict[tuple[int, bool], Factor | None] = {}
        self._lock = threading.Lock()
        self._coarse: dict[int, TransmissionOperator] = {}
        self._lower: dict[int, Problem] = {}
        self._series: dict[tuple[float, ...], tuple[PlannedOperator, Known]] = {}

    def asked(self, part: Part) -> Method | None:
        """The method for what is left of the samples, which may have gaps: that of `solve`, None,
        if none was asked for."""
        method = self.method
        own = isinstance(method, Quadrature) or method == LeastSquares(
            threads=getattr(method, "threads", None)
        )
        return None if own or part.damped else method

    def coefficients(self, scans: Sequence[Scan]) -> list[Complex]:
        """Modes (F, J) of other samples, of several scans."""
        kept = self.kept
        found: dict[int, Complex] = {}
        stays = [i for i, (samples, probe, _) in enumerate(scans) if self._stays(samples, probe)]
        if self.by_change:
            some = [i for i in stays if scans[i][2] == kept.degree]
            found.update(zip(some, self._answered([scans[i][0].response for i in some]), strict=True))
        for i, (samples, probe, degree) in enumerate(scans):
            if i in found:
                continue
            if self.by_change and degree == kept.degree:
                moved = self._moved_damped(samples, probe) if self.damping else self._moved(samples, probe)
                if moved is not None:
                    found[i] = moved
                    continue
            if i not in stays:
                other = prepare(samples, probe, degree=degree, method=self.method)
            else:
                if degree not in self._lower:
                    self._lower[degree] = replace(kept, degree=degree)
                other = self._lower[degree]
            found[i] = other.modes(samples.response).coefficients
        return [found[i] for i in range(len(scans))]

    def _stays(self, samples: Samples, probe: Probe) -> bool:
        """Whether positions and probe are those of the scan as it is."""
        columns = ("frequency", "theta", "phi", "chi", "radius")
        pairs = [(getattr(samples, x), getattr(self.kept.samples, x)) for x in columns]
        return probe is self.kept.probe and all(a is b or np.array_equal(a, b) for a, b in pairs)

    def _answered(self, responses: Sequence[Complex]) -> list[Complex]:
        """By the change of each frequency's modes where responses (F, M) alone have changed."""
        assert isinstance(self.method, LeastSquares)
        rtol, kept = max(CHANGE_RTOL, self.method.rtol), self.kept
        q = np.repeat(self.known.coefficients[None], len(responses), axis=0)
        for f in range(q.shape[1]) if responses else ():
            operator, weights = kept.iteration(f)
            present = ~np.isnan(kept.samples.response[f]) if kept.samples.any_missing else slice(None)
            if self.damping:
                recorded = kept.samples.response[f, present]
                for own, response in zip(q, responses, strict=True):
                    own[f] += self._damped_change(f, response[f, present] - recorded, norm(recorded))
                continue
            coarse = self._coarse.setdefault(f, replace(operator, tolerance=0.2 * rtol))
            found = methods.run_together(
                methods.conjugate_gradients(
                    coarse,
                    # What the solution leaves of the scan as it is adds nothing to another solution.
                    response[f, present] - kept.samples.response[f, present],
                    weights=weights,
                    rtol=rtol,
                    max_iterations=self.method.max_iterations,
                    damping=0.0,
                    fields=kept.fields(f),
                    judged=False,
                )
                for response in responses
            )
            for own, (estimate, _) in zip(q, found, strict=True):
                own[f] += estimate.coefficients
        return list(q)

    def _factor(self, f: int, *, coarse: bool = False) -> Factor | None:
        """Of the damped normal equations, where these are few: they take hundreds of steps."""
        with self._lock:
            if (f, False) not in self._factors:
                kept, modes = self.kept, mode_count(self.kept.degree)
                found = None
                if modes <= MOST_FACTORED and 16 * modes**2 * len(self.known.coefficients) <= MOST_KEPT:
                    operator, weights = kept.iteration(f)
                    found = factorise(operator, weights, damping=self.damping, fields=kept.fields(f))
                self._factors[f, False] = found
            found = self._factors[f, False]
            if coarse and found is not None and (f, True) not in self._factors:
                self._factors[f, True] = found.coarse()
            return self._factors[f, coarse] if found is not None else None

    def _damped_change(self, f: int, change: NDArray[Any], size: float) -> NDArray[np.complex128]:
        """Change of damped modes (J,) by one of the responses, which are of ``size``.

        Waves that are hardly seen come late: to as small a part of the responses as the modes known.
        """
        assert isinstance(self.method, LeastSquares)
        operator, weights = self.kept.iteration(f)
        restored = self.method.restored(f)
        factor = self._factor(f)
        if factor is not None:
            own = factor.operator
            return restored * own.to_modes(factor.apply(own.adjoint(weights * change)))
        estimate, _ = methods.by_conjugate_gradients(
            operator,
            change,
            weights=weights,
            rtol=min(CHANGE_RTOL, ratio(self.method.rtol * size, norm(change))),
            max_iterations=self.method.max_iterations,
            damping=self.damping,
            fields=self.kept.fields(f),
            judged=False,
        )
        return restored * estimate.coefficients

    def _moved_damped(self, samples: Samples, probe: Probe) -> Complex | None:
        """As `_moved`, of damped modes; None where they are to be found anew."""
        assert isinstance(self.method, LeastSquares)
        kept, rows = self.kept, []
        if not (probe is kept.probe and np.array_equal(samples.frequency, kept.samples.frequency)):
            probe = prepare(samples, probe, degree=kept.degree, method=self.method).probe
        for f, q in enumerate(self.known.coefficients):
            factor = self._factor(f, coarse=True)
            if factor is None:
                return None
            present = ~np.isnan(kept.samples.response[f])
            geometry = elsewhere(factor.operator.geometry, *(x[present] for x in samples.place(f)))
            weights = methods.area_weights(geometry, degree=kept.degree, threads=1)
            # What the samples hardly tell of must be exact: its gradient counts 1 / damping^2 times.
            operator = replace(
                factor.operator,
                geometry=geometry,
                probe=probe,
                frequency=float(samples.frequency[f]),
                series=None,
            )
            restored = self.method.restored(f)
            x = operator.from_modes(q / restored)
            left = samples.response[f, present] - operator.forward(x)
            right = operator.adjoint(weights * left) - self.damping**2 * x
            change = preconditioned(
                operator, right, factor, weights=weights, rtol=CHANGE_RTOL, max_iterations=FEW_STEPS
            )
            if change is None:
                return None
            rows.append(q + restored * operator.to_modes(change))
        return np.stack(rows)

    def _moved(self, samples: Samples, probe: Probe) -> Complex:
        """The same at other positions, or with another probe."""
        assert isinstance(self.method, LeastSquares)
        rtol, kept = max(CHANGE_RTOL, self.method.rtol), self.kept
        own = probe is kept.probe and np.array_equal(samples.frequency, kept.samples.frequency)
        if not own:
            probe = prepare(samples, probe, degree=kept.degree, method=self.method).probe
        rows = []
        for f, q in enumerate(self.known.coefficients):
            operator, _ = kept.iteration(f)
            present = ~np.isnan(kept.samples.response[f])
            place = (x[present] for x in samples.place(f))
            geometry = elsewhere(operator.geometry, *place)
            weights = methods.area_weights(geometry, degree=kept.degree, threads=operator.threads)
            at = (geometry, probe, float(samples.frequency[f]))
            exact, known = self._operator(f, *at, own=own, coarse=0.2 * rtol)
            change = self._unexplained(samples.response[f, present], exact, q, known)
            rows.append(q + self._found(exact.coarser(0.2 * rtol), change, weights))
        return np.stack(rows)

    def _unexplained(
        self,
        response: NDArray[Any],
        operator: PlannedOperator,
        q: NDArray[np.complex128],
        known: Known | None,
    ) -> NDArray[Any]:
        """What the modes known leave of responses: by their series where that is exact enough."""
        if known is None:
            return np.asarray(response - operator.forward(operator.from_modes(q)))
        if known.series is not None:
            found, rest = known.series.at(operator)
            left = response - found
            if rest < SERIES_RTOL * norm(left):
                return np.asarray(left)
        return np.asarray(response - operator.forward(known.x))

    def _found(
        self, operator: TransmissionOperator, change: NDArray[Any], weights: NDArray[Any]
    ) -> NDArray[np.complex128]:
        """Modes (J,) of a change of the responses, by products no more exact than need be."""
        assert isinstance(self.method, LeastSquares)
        unit = 2.0 ** np.frexp(np.abs(change).max(initial=0))[1]  # the range of single precision is small
        x = methods.normal_solution(
            operator,
            operator.adjoint(weights * change / unit),
            weights=weights,
            rtol=max(CHANGE_RTOL, self.method.rtol),
            max_iterations=self.method.max_iterations,
            foreseen=True,
        )
        return operator.to_modes(x * unit)

    def _known(self, f: int, operator: TransmissionOperator) -> Known:
        """For responses by an operator at other positions."""
        x, geometry = operator.from_modes(self.known.coefficients[f]), self.kept.iteration(f)[0].geometry
        held = numbers(geometry, [[s for s, _ in orders] for orders in operator.separation.over_degree])
        nodes = operator.separation.size.size
        times = nodes * (RANGES if nodes > 1 else 1) * len(self.known.coefficients)
        if held is None or 4 * held * times > MOST_KEPT:
            return Known(x, None)
        return Known(x, Expansion.of(replace(operator, geometry=geometry), x))

    def _operator(
        self,
        f: int,
        geometry: tuple[Geometry, ...],
        probe: Probe,
        frequency: float,
        *,
        own: bool,
        coarse: float,
    ) -> tuple[PlannedOperator, Known | None]:
        """Operator at other positions, `EXACT`, and what is kept of the modes known.

        Of the scan's ``own`` probe and frequency they, the response over degree, and what products of the
        accuracy ``coarse`` take of it are kept for other positions not far from there.
        """
        degree, threads = self.kept.degree, spin.thread_count(getattr(self.method, "threads", None))
        operator = PlannedOperator(geometry, probe, frequency, degree, EXACT, threads)
        if not own:
            return operator, None
        radius = [g.radius for g in geometry]
        low, high = _widened(float(min(r.min() for r in radius)), float(max(r.max() for r in radius)))
        ports = [g.port for g in geometry]
        key = (f, low, high, *ports)
        found = self._series.get(key)
        if found is None:
            series = separate(
                probe,
                ports=ports,
                low=low,
                high=high,
                frequency=frequency,
                degree=degree,
                tolerance=EXACT,
                cut=1.0,
            )
            one = replace(operator, series=series)
            rows = one.coarser(coarse).known_rows
            found = self._series[key] = replace(one, rows=rows), self._known(f, one)
        return replace(found[0], geometry=geometry), found[1]


class Known(NamedTuple):
    """Packed coefficients of the modes known, and their responses near the positions of the scan."""

    x: NDArray[Any]
    series: Expansion | None


def _widened(low: float, high: float) -> tuple[float, float]:
    """Radii that contain the others, the same for most that differ little from them."""
    if low == high:
        return low, high
    step = 0.5 * 2.0 ** math.floor(math.log2(high - low))
    below = step * math.floor(low / step)
    return below if below > 0.5 * low else low, step * math.ceil(high / step)
