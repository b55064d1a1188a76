"""A solution prepared once for many sets of responses that were taken at the same positions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes
from nf2ff.kernel import spin
from nf2ff.kernel.arrays import norm, ratio
from nf2ff.kernel.circular import TOGETHER
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.solver import direct, methods, on_device
from nf2ff.solver.dense import factorise
from nf2ff.solver.normal_fields import Fields, grid_fields
from nf2ff.solver.positions import Geometry, plan_geometry
from nf2ff.solver.quadrature import by_quadrature, quadrature_matrix
from nf2ff.solver.regular_grid import GridScan
from nf2ff.solver.requirements import check_units
from nf2ff.solver.strategy import Direct, LeastSquares, Method, Quadrature
from nf2ff.solver.transmission import TransmissionOperator

#: Steps from which an iteration that has not converged has stalled, and the largest tolerance at which a
#: dense factorisation then takes its place.
STALLED, EXACT = 200, 1e-8
#: Fall of the gradient at which responses are solved for that are only to be judged: their misfits are
#: a thousandth of them or more.
ROUGH = 1e-6
#: Bytes that are kept for the next responses where each frequency has positions of its own, and, where they
#: are common, as long as there are samples of them.
MOST_KEPT, MOST_KNOWN = 2**28, 2**26


def _planned(samples: Samples, degree: int, threads: int) -> tuple[tuple[Geometry, ...], NDArray[np.float64]]:
    """Positions of each port, and the weights of the samples."""
    geometry = samples.once(plan_geometry)
    return geometry, methods.area_weights(geometry, degree=degree, threads=threads)


@dataclass(frozen=True, eq=False)
class Problem:
    """What a solution needs besides the responses, worked out when first used and kept.

    Parameters
    ----------
    samples : Samples
        Positions and frequencies; samples missing there must be missing in all responses.
    probe : Probe
        The probe.
    degree : int
        Degree N.
    method : Quadrature, LeastSquares or Direct
        The solver.
    scan : GridScan or None
        The full grid that the samples cover, for a quadrature.
    """

    samples: Samples
    probe: Probe
    degree: int
    method: Method
    scan: GridScan | None = None
    _kept: dict[int | str, Any] = field(default_factory=dict, init=False)

    def __post_init__(self) -> None:
        spared, count = getattr(self.method, "spared", None), self.samples.frequency.size
        if spared and len(spared) != count:
            raise InputError(f"spared has {len(spared)} values, expected {count}: one for each frequency")

    def estimates(self, response: NDArray[np.complex128]) -> list[methods.Estimate]:
        """Solution of each frequency for responses (F, M)."""
        response = self._checked(response)
        found = self._estimates(response)
        spares = isinstance(self.method, LeastSquares) and self.method.damping and self.method.spared
        return self.unheld(found, response) if spares else found

    def unheld(
        self, estimates: Sequence[methods.Estimate], response: NDArray[np.complex128]
    ) -> list[methods.Estimate]:
        """Damped estimates for responses (F, M) with what is spared not held back."""
        found = []
        for f, one in enumerate(estimates):
            operator, weights = self.iteration(f)
            own = response[f]
            own = own if own.size == weights.size else own[~np.isnan(self.samples.response[f])]
            q = self._least_squares.restored(f) * one.coefficients
            left = own - operator.forward(operator.from_modes(q))
            residual = ratio(norm(left), norm(own))
            spread = methods.unevenness(left)
            found.append(replace(one, coefficients=q, residual=residual, unevenness=spread))
        return found

    def _estimates(self, response: NDArray[np.complex128]) -> list[methods.Estimate]:
        if isinstance(self.method, Quadrature):
            return self._quadrature(response, spin.thread_count(self.method.threads))
        if isinstance(self.method, Direct):
            return [self._dense(i, one) for i, one in enumerate(response)]
        if self.method.device == "gpu":
            return self._on_device(response)
        threads = spin.thread_count(self.method.threads)
        # The first on all threads: what all have in common is then known.
        found = self._iterate(range(1), response, threads)
        others = len(response) - 1
        if not others:
            return found
        side_by_side = min(threads, others)
        inner = threads // side_by_side
        # As many parts for each thread, so that none waits for another.
        rounds = -(-others // (side_by_side * TOGETHER))
        parts = [range(1 + x.start, 1 + x.stop) for x in spin.shares(others, side_by_side * rounds)]
        for some in spin.run([partial(self._iterate, part, response, inner) for part in parts], side_by_side):
            found += some
        return found

    def _checked(self, response: NDArray[np.complex128]) -> NDArray[np.complex128]:
        there, samples = self.samples.response, self.samples
        if response is there:
            return response
        response = np.asarray(response, dtype=complex)
        if response.shape != there.shape:
            raise InputError(
                f"response has shape {response.shape}, expected {there.shape}: a row for each "
                "frequency, a column for each sample, in the order of the samples prepared for"
            )

        def place(bad: NDArray[np.bool_]) -> tuple[str, str, complex]:
            f, i = np.argwhere(bad)[0]
            return f"sample {samples.number_of(i)}", f"{samples.frequency[f] / 1e9:.9g} GHz", response[f, i]

        if (bad := np.isinf(response)).any():
            sample, ghz, value = place(bad)
            raise InputError(
                f"{sample} is {value} at {ghz}, expected finite",
                "leave it out, or write nan where it is missing",
            )
        missing = np.isnan(response)
        if samples.any_missing:
            missing &= ~np.isnan(there)
        if missing.any():
            sample, ghz, _ = place(missing)
            raise InputError(
                f"{sample} is missing at {ghz}, where it was not missing in the samples prepared for",
                "prepare for the samples that are there",
            )
        return response

    def modes(self, response: NDArray[np.complex128]) -> Modes:
        """Modes for responses (F, M) in the order of the samples, none missing but those missing there."""
        return self.as_modes(self.estimates(response))

    def as_modes(self, estimates: Sequence[methods.Estimate]) -> Modes:
        """Modes of the estimates of all frequencies."""
        each = [e.coefficients for e in estimates]
        q = each[0][None] if len(each) == 1 else np.stack(each)
        return Modes(self.samples.frequency, q, check_units(self.samples, self.probe))

    def iteration(self, index: int) -> tuple[TransmissionOperator, NDArray[np.float64]]:
        """Operator of one frequency, and the weights of its samples (M',), none missing."""
        return self._iteration(index, spin.thread_count(self._least_squares.threads))

    @property
    def _least_squares(self) -> LeastSquares:
        if not isinstance(self.method, LeastSquares):
            raise InputError(f"{type(self.method).__name__} has no iteration", "prepare LeastSquares")
        return self.method

    def _iteration(self, index: int, threads: int) -> tuple[TransmissionOperator, NDArray[np.float64]]:
        if index not in self._kept:
            geometry, weights = self._geometry(index, threads)
            operator = TransmissionOperator(
                geometry,
                self.probe,
                float(self.samples.frequency[index]),
                self.degree,
                0.2 * self._least_squares.rtol,
                threads,
            )
            self._kept[index] = operator, weights
        return self._kept[index]

    def on_threads(self, method: Method) -> Problem:
        """The same by another least squares, on other threads or damped: geometry and fields serve again."""
        other = replace(self, method=method)
        for key, kept in list(self._kept.items()):
            if isinstance(key, str) and key.startswith("fields"):
                other._kept[key] = kept
        return other

    def alone(self, index: int) -> Problem:
        """The same of one frequency."""
        method = self.method
        if isinstance(method, LeastSquares) and method.spared:
            method = replace(method, spared=method.spared[index : index + 1])
        return replace(self, samples=self.samples.part([index]), method=method)

    def fields(self, index: int) -> Fields | None:
        """What stands for the samples of one frequency in the normal equations, if that pays."""
        key = f"fields {index if self._own else 0}"
        if key in self._kept:
            found: Fields | None = self._kept[key]
            return found
        operator, weights = self.iteration(index)
        spins = tuple(tuple(s for s, _ in orders) for orders in operator.separation.over_degree)
        known, asked = self.samples.known, ("fields", self.degree, spins, operator.nodes)
        found = known[asked] if asked in known else grid_fields(operator, weights)
        held = 0 if found is None else found.nbytes
        if not self._own and held <= MOST_KNOWN:
            known[asked] = found
        if not self._own or self.samples.frequency.size * held <= MOST_KEPT:
            self._kept[key] = found
        return found

    @property
    def _own(self) -> bool:
        """Whether each frequency has positions of its own."""
        return self.samples.moving or self.samples.any_missing

    def _geometry(self, index: int, threads: int) -> tuple[tuple[Geometry, ...], NDArray[np.float64]]:
        # Positions that are the same at all frequencies are planned once.
        if self._own:
            return _planned(self.samples.at_frequency(index), self.degree, threads)
        # Weights are the same on any number of threads.
        known, key = self.samples.known, (_planned, self.degree)
        if key not in known:
            known[key] = _planned(self.samples, self.degree, threads)
        found: tuple[tuple[Geometry, ...], NDArray[np.float64]] = known[key]
        return found

    def _iterate(
        self, frequencies: range, responses: NDArray[np.complex128], threads: int
    ) -> list[methods.Estimate]:
        """Solutions of some frequencies, side by side."""
        method = self._least_squares
        options: dict[str, Any] = {
            "rtol": method.rtol,
            "max_iterations": method.max_iterations,
            "damping": method.damping or 0.0,
        }
        # Once: the transforms are the same whatever the responses.
        verify = self._kept.setdefault("verify", True)
        given = []
        for i in frequencies:
            operator, weights = self._iteration(i, threads)
            own = responses[i]
            own = own if own.size == weights.size else own[~np.isnan(self.samples.response[i])]
            given.append((operator, own, weights, self.fields(i)))
        solved = methods.run_together(
            methods.conjugate_gradients(
                operator, own, weights=weights, verify=verify, fields=fields, **options
            )
            for operator, own, weights, fields in given
        )
        self._kept["verify"] = False
        found = []
        for i, (operator, own, weights, _), (estimate, x) in zip(frequencies, given, solved, strict=True):
            if not estimate.converged and method.max_iterations >= STALLED and method.rtol <= EXACT:
                estimate = self._factorised(i, own, estimate)
            if method.unweighted_finish:
                equal = np.full(weights.size, 8 * np.pi / weights.size)
                finish, _ = methods.by_conjugate_gradients(
                    operator, own, weights=equal, start=x, fields=grid_fields(operator, equal), **options
                )
                estimate = replace(finish, iterations=estimate.iterations + finish.iterations)
            found.append(estimate)
        return found

    def roughly(self, index: int, response: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Q (J,) of one frequency for other responses (M,), to judge them by: to a millionth of them."""
        if not isinstance(self.method, LeastSquares):
            one = replace(self, samples=self.samples.part([index]).changed(response=response[None]))
            return one.estimates(response[None])[0].coefficients
        operator, weights = self.iteration(index)
        estimate, _ = methods.by_conjugate_gradients(
            operator,
            response[~np.isnan(self.samples.response[index])],
            weights=weights,
            rtol=max(self.method.rtol, ROUGH),
            max_iterations=self.method.max_iterations,
            damping=self.method.damping or 0.0,
            fields=self.fields(index),
            judged=False,
        )
        return self.method.restored(index) * estimate.coefficients

    def _factorised(
        self, index: int, response: NDArray[np.complex128], stalled: methods.Estimate
    ) -> methods.Estimate:
        """The same by a dense factorisation where it is small enough, that of the last frequency kept."""
        if self._kept.get("factor", (-1, None))[0] != index:
            operator, weights = self.iteration(index)
            damping = self._least_squares.damping or 0.0
            factor = factorise(operator, weights, damping=damping, fields=self.fields(index))
            self._kept["factor"] = index, factor
        factor = self._kept["factor"][1]
        if factor is None:
            return stalled
        found = methods.by_factor(factor, response, iterations=stalled.iterations)
        return found if found.converged else stalled

    def _on_device(self, response: NDArray[np.complex128]) -> list[methods.Estimate]:
        method = self._least_squares
        if self._own or method.unweighted_finish:
            raise on_device.refusal("the same samples at all frequencies, and no unweighted finish")
        operators, weights = zip(*(self.iteration(i) for i in range(len(response))), strict=True)
        kept = self._kept.get("device")
        batch = kept or on_device.plan(operators[0], weights[0], self.fields(0))
        options = {"rtol": method.rtol, "most": method.max_iterations, "damping": method.damping or 0.0}
        found = on_device.estimates(batch, operators, response, verify=kept is None, **options)
        self._kept["device"] = batch
        return found

    def _dense(self, index: int, response: NDArray[np.complex128]) -> methods.Estimate:
        if index not in self._kept:
            part = self.samples.at_frequency(index)
            self._kept[index] = direct.dense_matrix(
                plan_geometry(part), self.probe, frequency=float(part.frequency[0]), degree=self.degree
            )
        matrix = self._kept[index]
        if response.size != len(matrix):
            response = response[~np.isnan(self.samples.response[index])]
        return direct.by_dense_matrix(matrix, response)

    def _quadrature(self, response: NDArray[np.complex128], threads: int) -> list[methods.Estimate]:
        scan, samples = self.scan, self.samples
        if scan is None:
            raise InputError("a quadrature needs a full regular grid", "prepare LeastSquares")
        count = samples.frequency.size
        parallel = count >= 2 * threads
        verify = self._kept.get("verify", True)

        def one(index: int) -> methods.Estimate:
            if index not in self._kept:
                self._kept[index] = quadrature_matrix(
                    self.probe,
                    port=int(samples.port[0]),
                    frequency=float(samples.frequency[index]),
                    radius=scan.radius,
                    degree=self.degree,
                    spins=scan.spins,
                )
            return by_quadrature(
                scan,
                response[index],
                self._kept[index],
                threads=1 if parallel else threads,
                verify=verify and index == 0,
            )

        jobs = [partial(one, i) for i in range(count)]
        found = spin.run(jobs, threads if parallel else 1)
        self._kept["verify"] = False
        return found
