"""From errors of a scan to errors of its result, by derivatives.

A solution is linear in the responses, and figures of merit are smooth in the modes. Hence one
solution of the adjoint problem for each figure gives its derivative by every response, and then
an error costs a product, however many samples it moves. `draws` has the other way; the two agree
where errors are small.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import wavenumber
from nf2ff.kernel.arrays import keep
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.solver.methods import by_conjugate_gradients, normal_solution
from nf2ff.solver.nearby import NearbySolver, by_least_squares
from nf2ff.solver.solution import Part, Solution
from nf2ff.solver.strategy import LeastSquares
from nf2ff.uncertainty.errors.catalogue import solver_degree
from nf2ff.uncertainty.errors.error_term import ErrorTerm, RandomEffect
from nf2ff.uncertainty.errors.model import ProbePattern
from nf2ff.uncertainty.errors.position import Axis, AxisZero
from nf2ff.uncertainty.field_in_direction import FieldErrors, TowardsFields, towards_columns
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.local_figures import localise
from nf2ff.uncertainty.remeasured import responses_of

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Tolerance of the adjoint solutions: that of the uncertainties, far below what they are known to.
RTOL = 1e-5
#: Receiving coefficients whose power is below this part of all are left out of the probe's errors.
FAINT = 1e-10
#: Modes in all draws of noise from which its power in them is found: to 1 / sqrt(this).
NOISE_MODES = 400
#: Mean magnitude of a draw of variance 1 (closed forms).
MEAN_MAGNITUDE = {
    "normal": math.sqrt(2 / math.pi),
    "rectangular": math.sqrt(3) / 2,
    "triangular": math.sqrt(6) / 3,
    "arcsine": 2 * math.sqrt(2) / math.pi,
}


@dataclass(frozen=True, slots=True, eq=False)
class FirstOrder:
    """What each error does to each figure, to first order.

    Parameters
    ----------
    terms : tuple of ErrorTerm
        T errors.
    figures : tuple of Figure
        K figures.
    nominal : (F, K) array_like
        Values for the scan as it is, linear.
    uncertainty : (T, F, K) array_like
        Standard uncertainty that each term gives each figure [that of the figure].
    bias : (T, F, K) array_like
        Mean change that each term makes: of those whose effect is known, and of those whose size
        has no sign [that of the figure].
    fields : FieldErrors or None
        Errors of the fields behind those figures that are levels in a direction, in their order.
    noise_power : (F,) array_like or None
        Power that noise of the responses adds to that of the modes, relative to it: of second
        order, no part of ``bias``.

    Raises
    ------
    ValueError
        If shapes do not fit.
    """

    terms: tuple[ErrorTerm, ...]
    figures: tuple[Figure, ...]
    nominal: Real
    uncertainty: Real
    bias: Real
    fields: FieldErrors | None = None
    noise_power: Real | None = None

    def __post_init__(self) -> None:
        shape = (len(self.terms), len(self.nominal), len(self.figures))
        keep(self, ["uncertainty", "bias"], float, shape=shape, axes="(T, F, K)", missing=True)
        keep(self, ["nominal"], float, shape=shape[1:], axes="(F, K)")
        keep(self, ["noise_power"], float, shape=shape[1:2])

    def combined(self) -> Real:
        """Combined standard uncertainty, the terms being independent, (F, K)."""
        return np.asarray(np.sqrt((self.uncertainty**2).sum(axis=0)))


def linearised(solution: Solution, terms: Sequence[ErrorTerm], figures: Sequence[Figure]) -> FirstOrder:
    """Standard uncertainty of figures by derivatives with respect to all that may err.

    Parameters
    ----------
    solution : Solution
        That of the scan as it is recorded.
    terms : sequence of ErrorTerm
        Errors, independent of each other.
    figures : sequence of Figure
        What to look at.

    Returns
    -------
    FirstOrder

    Raises
    ------
    ValueError
        If there are no terms, the solution is damped, or as `localise`.

    Notes
    -----
    The solution is x = (A^H W A)^-1 A^H W w. A figure with the derivative gamma by x changes by
    Re h^H dw with h = W A (A^H W A)^-1 gamma: one more solution for each figure. dw by a position
    is the derivative of the expansion found, taken along the coordinate by a central difference
    of steps so small that they err by 1e-8. A scan on a grid is taken by least squares too: its
    quadrature weighs noise a little differently.

    For a truncated angle or degree the figures are found again; their change is no derivative.
    Effects of second order are missing, draws show them: what random phase takes from the beam and
    from the total power, what noise adds to that, and by how much it lifts the highest of many maxima.
    """
    if not terms:
        raise InputError("there is no error term", "name at least one")
    solution = by_least_squares(solution)
    if solution.damped:
        raise InputError(
            "the samples do not determine all waves, so that the solution is damped and has no "
            "derivatives by the positions",
            "use monte_carlo, or take a lower degree",
        )
    rows = []
    for f in range(solution.modes.frequency.size):
        at = _Sensitivity(solution, f, figures)
        covariance, bias = zip(*map(at.of, terms), strict=True)
        rows.append((covariance, bias, at.local.nominal, at.towards.values(at.q), at.noise_power(terms)))
    both, mean, nominal, fields, noise = (np.array(x) for x in zip(*rows, strict=True))
    both, mean, count = both.swapaxes(0, 1), mean.swapaxes(0, 1), len(figures)
    shape = (*mean.shape[:2], *fields.shape[1:])
    blocks = both[..., count:, count:].reshape(*shape, *fields.shape[1:])
    return FirstOrder(
        tuple(terms),
        tuple(figures),
        nominal,
        np.sqrt(np.diagonal(both, axis1=2, axis2=3))[..., :count],
        mean[..., :count],
        # Errors of one field: blocks on the diagonal.
        FieldErrors(fields, np.einsum("tfaiaj->tfaij", blocks), mean[..., count:].reshape(shape)),
        noise,
    )


class _Sensitivity:
    """Derivatives of the figures at one frequency, and of the fields behind some of them: K rows
    of figures, four for each field."""

    def __init__(self, solution: Solution, index: int, figures: Sequence[Figure]) -> None:
        part, own = solution.part_of(index)
        self.operator, self.weights = part.prepared.iteration(own)
        self.fields = part.prepared.fields(own)
        self.modes = solution.modes.at(index).truncate(self.operator.degree)
        (self.q,) = self.modes.coefficients
        self.samples = solution.samples.part([index])
        self.present = ~np.isnan(self.samples.response[0])
        self.probe = _at_frequency(solution.probe, index)
        alone = replace(part.prepared.alone(own), probe=self.probe)
        self.part = Part((0,), part.which, alone)
        (self.local,) = localise(figures, self.modes)
        some = tuple(figures[i] for i in towards_columns(figures))
        self.towards = TowardsFields(some, self.modes.degree, self.q)
        self.coarse = replace(self.operator, tolerance=0.3 * RTOL)
        slopes = self.local.gradients(self.q, threads=self.coarse.threads)
        slopes = np.concatenate([slopes, self.towards.gradients()])
        self.by_response = np.empty((len(slopes), self.weights.size), dtype=complex)
        for k, gamma in enumerate(slopes):
            # gamma is by Q = T x.
            x = normal_solution(
                self.coarse,
                self.coarse.to_modes_adjoint(gamma),
                weights=self.weights,
                rtol=RTOL,
                max_iterations=LeastSquares().max_iterations,
                fields=self.fields,
            )
            self.by_response[k] = self.weights * self.coarse.forward(x)
        self._slopes: dict[str, Complex] = {}

    def of(self, term: ErrorTerm) -> tuple[Real, Real]:
        """Covariance (K, K) and bias (K,) that a term gives the figures and fields."""
        nothing = np.zeros(len(self.by_response))
        if term.random:
            effects = term.effects(self.samples)
            parts = [self._columns(effect) for effect in effects]
            return _square(np.concatenate([nothing[:, None], *parts], axis=1)), nothing
        if isinstance(term, ProbePattern):
            return _square(self._by_coefficients(term)), nothing
        if not term.uncertain:
            return np.diag(nothing), self._change(term)
        if term.polar is not None:
            phase = term.polar[1]
            more: Any = {phase: getattr(term, phase) + np.pi / 2}
            both = np.stack([self._change(term), self._change(replace(term, **more))], axis=1)
            return 0.5 * _square(both), nothing
        columns, bias = [], nothing.copy()
        for field in term.sizes:
            # Each size is drawn on its own; one without a sign has a mean.
            others: Any = {x: 0.0 for x in term.sizes if x != field}
            change = self._change(replace(term, **others))
            mean = MEAN_MAGNITUDE[term.distribution] if field in term.unsigned else 0.0
            columns.append(np.sqrt(1 - mean**2) * change)
            bias += mean * change
        return _square(np.stack(columns or [nothing], axis=1)), bias

    def noise_power(self, terms: Sequence[ErrorTerm]) -> float:
        """Power of the noise that responses have by the terms, in the modes, relative to theirs.

        By draws of the noise alone: each holds as many as there are modes.
        """
        effects = [e for term in terms if term.random for e in term.effects(self.samples)]
        effects = [self._present(e) for e in effects if e.quantity == "response"]
        if not effects:
            return 0.0
        rng, count = np.random.default_rng(0), max(1, NOISE_MODES // self.q.size)
        total = 0.0
        for _ in range(count):
            noise = np.zeros(self.weights.size, dtype=complex)
            for effect in effects:
                draws = rng.standard_normal((2, 1, effect.draws))
                noise += effect.spread((draws[0] + 1j * draws[1]) / math.sqrt(2))[0]
            found, _ = by_conjugate_gradients(
                self.coarse,
                noise,
                weights=self.weights,
                rtol=1e-2,
                max_iterations=LeastSquares().max_iterations,
                damping=0.0,
                fields=self.fields,
                judged=False,
            )
            total += float(np.vdot(found.coefficients, found.coefficients).real)
        return total / count / float(np.vdot(self.q, self.q).real)

    def _present(self, effect: RandomEffect) -> RandomEffect:
        """Of the samples that are not missing."""
        scale = np.atleast_2d(effect.scale)[:1, self.present]
        group = effect.group
        return replace(effect, scale=scale, group=group if isinstance(group, slice) else group[self.present])

    def _columns(self, effect: RandomEffect) -> Real:
        """Changes (K, D) by each of the independent draws of a random effect."""
        effect = self._present(effect)
        response = self.samples.response[0, self.present]
        if effect.quantity == "response":
            # Complex draws of mean square 1 move each part by half of that.
            gathered = effect.gather(self.by_response.conj()) / math.sqrt(2)
            return np.concatenate([gathered.real, gathered.imag], axis=1)
        if effect.quantity == "phase":
            slope = 1j * response
        elif effect.quantity == "amplitude":
            slope = response
        else:
            slope = self._by_position(cast(Axis, effect.quantity))
        return np.asarray(effect.gather((self.by_response.conj() * slope).real))

    def _by_position(self, quantity: Axis) -> Complex:
        """Derivative of the responses by a coordinate, (M',)."""
        if quantity not in self._slopes:
            k = float(wavenumber(self.operator.frequency))
            step = 1e-4 / (k if quantity == "radius" else self.operator.degree)
            move = AxisZero(axis=quantity, offset=step)
            up, down = (
                self._responses(move.displace(self.samples, sign=sign), self.probe) for sign in (1, -1)
            )
            self._slopes[quantity] = (up - down) / (2 * step)
        return self._slopes[quantity]

    def _responses(self, samples: Samples, probe: Probe) -> Complex:
        """Responses (M',) of the modes found, at other positions or of another probe."""
        threads = self.operator.threads
        return responses_of(self.modes, samples, probe, tolerance=1e-12, threads=threads)[0, self.present]

    def _change(self, term: ErrorTerm) -> Real:
        """Change of the figures (K,) by a systematic error."""
        if term.kind == "model" and not term.moves_record:
            return self._solved_again(term)
        # Half the difference of the two signs: what is even in the size is not linear.
        ends = [term.apply(self.samples, self.probe, sign=sign) for sign in (1, -1)]
        if term.moves_record:
            # What is recorded elsewhere, or with another probe, changes as the model does, the
            # other way round.
            second, first = (self._responses(*end) for end in ends)
        else:
            first, second = (samples.response[0, self.present] for samples, _ in ends)
        return np.asarray((self.by_response.conj() @ (0.5 * (first - second))).real)

    def _by_coefficients(self, term: ProbePattern) -> Real:
        """Changes (K, D) by receiving coefficients that err on their own."""
        probe = self.probe
        power = np.abs(probe.coefficients) ** 2
        nominal = self._responses(self.samples, probe)
        columns = []
        for at in np.argwhere(power > FAINT * power.sum()):
            changed = probe.coefficients.copy()
            changed[tuple(at)] *= 2  # responses are linear in the coefficients
            other = self._responses(self.samples, replace(probe, coefficients=changed))
            change = term.rms / math.sqrt(2) * (self.by_response.conj() @ (other - nominal))
            columns += [change.real, change.imag]
        return np.stack(columns, axis=1)

    def _solved_again(self, term: ErrorTerm) -> Real:
        samples, probe = term.apply(self.samples, self.probe)
        degree = solver_degree([term], self.operator.degree)
        solver = NearbySolver([self.part], self.modes, self.samples, self.operator.threads)
        again = solver.modes(samples, probe, degree).extend(self.operator.degree)
        q = again.coefficients[0]
        fields = (self.towards.values(q) - self.towards.values(self.q)).ravel()
        return np.concatenate([self.local.values(q) - self.local.nominal, fields])


def _square(columns: Real) -> Real:
    """Covariance (K, K) by independent changes (K, D)."""
    return np.asarray(columns @ columns.T)


def _at_frequency(probe: Probe, index: int) -> Probe:
    """The probe at one of its frequencies, as it is where it holds at all."""
    if probe.frequency is None:
        return probe
    return replace(probe, frequency=probe.frequency[[index]], coefficients=probe.coefficients[[index]])
