"""The uncertainty of a scan's figures: errors propagated through it, and terms that are stated.

Some causes can be modelled on the scan itself (`errors`): what each does to every figure is
found by `derivatives` and, all together, by `draws`. Others are known by their effect only, from
certificates or experience. Both end in a `Budget` for each frequency.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes
from nf2ff.messages.input_error import InputError, found_in
from nf2ff.solver.nearby import by_least_squares
from nf2ff.solver.solution import Solution
from nf2ff.uncertainty.budget.budget import Budget, with_terms
from nf2ff.uncertainty.budget.combine import combine
from nf2ff.uncertainty.budget.term import DISTRIBUTIONS, Term, direct_term
from nf2ff.uncertainty.derivatives import FirstOrder, linearised
from nf2ff.uncertainty.draws import Draws, monte_carlo
from nf2ff.uncertainty.errors.term import ErrorTerm
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.level_interval import PARTS
from nf2ff.uncertainty.local_figures import localise
from nf2ff.uncertainty.remeasured import Remeasured
from nf2ff.uncertainty.request import Assessment, Cut
from nf2ff.uncertainty.result import (
    BEYOND,
    SIGNIFICANT,
    DrawComparison,
    FigureKind,
    MetricResult,
    PatternDraws,
    Uncertainty,
)
from nf2ff.uncertainty.towards import TowardsFields, towards_columns

Real = NDArray[np.float64]

#: Part of the error of the pattern up to which draws and derivatives may differ by how far they are
#: solved: the change in a draw to 1e-4 of itself (`monte_carlo`), here three times that.
ACCURACY = 3e-4
#: Directivity below which a direction has no field but rounding.
FAINTEST = 1e-12


def assess(
    solution: Solution,
    assessment: Assessment,
    *,
    draws: int = 0,
    rng: int | None = None,
    jobs: int = -1,
    cut: Cut | None = None,
    derivatives: bool = True,
    progress: Callable[[int], None] | None = None,
) -> Uncertainty:
    """Propagate the modelled errors through a scan and put them with the stated terms.

    Parameters
    ----------
    solution : Solution
        That of the scan as it is recorded.
    assessment : Assessment
        What may err, and what is looked at.
    draws : int
        Number of draws; 0 for none.
    rng : int, optional
        Seed of the draws.
    jobs : int
        As in `monte_carlo`.
    cut : Cut, optional
        Where the draws follow the pattern.
    derivatives : bool
        Whether to find the effect of each error by derivatives. False: by draws of each by
        itself, as many as of all together, which are needed then; for solutions that are damped.
        Where the work is interrupted at one of them, the others take as many draws as that has.
    progress : callable, optional
        Called with the number of draws done so far; those that an interruption left out count.

    Returns
    -------
    Uncertainty
        Without draws if there is no error, or the work was interrupted (KeyboardInterrupt) before
        the first of them.

    Raises
    ------
    ValueError
        If the scan cannot have an error, or a figure needs a level that is not known or has no
        value.
    """
    modes = solution.modes
    _check_level(modes, assessment)
    errors = [one.error for one in assessment.errors]
    for i, one in enumerate(assessment.errors, start=1):
        with found_in(f"error {i} ({one.name!r})"):
            one.error.check_scan(solution.samples)
    figures = assessment.all_figures
    _check_field(figures, modes)
    if not errors:
        return _put_together(assessment, modes, None, None, None)
    seeds = np.random.SeedSequence(rng).spawn(1 + len(errors))
    done, count = 0, draws
    # Modes of the scan as it was solved, by operators that serve the derivatives too.
    planned = by_least_squares(solution) if derivatives else solution
    again = Remeasured(replace(planned, modes=modes))

    def drawn(some: list[ErrorTerm], seed: np.random.SeedSequence, at: Cut | None) -> Draws:
        return monte_carlo(
            solution,
            some,
            figures,
            draws=count,
            rng=seed,
            jobs=jobs,
            directions=None if at is None else at.directions(),
            measure=again if any(x.moves_record for x in some) else None,
            progress=None if progress is None else lambda n: progress(done + n),
        )

    if derivatives:
        linear = linearised(planned, errors, figures)
    else:
        found = []
        for alone, seed in zip(errors, seeds[1:], strict=True):
            found.append(drawn([alone], seed, None))
            done, count = done + draws, found[-1].count
        linear = _as_linear(assessment, found)
    together = None
    if draws or not derivatives:
        try:
            together = drawn(errors, seeds[0], cut)
        except KeyboardInterrupt:
            if not derivatives:
                raise
    effects = _Effects(assessment, linear, None if derivatives else count)
    return _put_together(assessment, modes, effects, together, cut, asked=draws)


def _as_linear(assessment: Assessment, found: list[Draws]) -> FirstOrder:
    """What draws of each error by itself say; known errors, alike in each draw, are a bias."""
    spread = np.stack([one.standard_uncertainty() for one in found])
    shift = np.stack([one.bias() for one in found])
    fixed = [not (x.error.uncertain or x.error.needs_rng) for x in assessment.errors]
    known = np.array(fixed)[:, None, None]
    return FirstOrder(
        tuple(one.error for one in assessment.errors),
        assessment.all_figures,
        found[0].nominal,
        np.where(known, 0.0, spread),
        np.where(known, shift, 0.0),
    )


def _check_level(modes: Modes, assessment: Assessment) -> None:
    if modes.reference == "absolute":
        return
    names = [m for m, some in assessment.figures.items() if any(x.absolute for x in some)]
    if names:
        raise InputError(
            f"the level is relative, and {', '.join(names)} would need it absolute",
            "leave "
            f"{'them' if len(names) > 1 else 'it'} out of the metrics, state the unit of the "
            "responses, or tie the responses to watts",
            option="--response-unit, --level",
        )


def _check_field(figures: Sequence[Figure], modes: Modes) -> None:
    """Refuse directions without field, whose level nothing can be relative to."""
    some = [x for x in figures if x.name.endswith("-towards")]
    if not some:
        return
    power = modes.radiated_power()
    for f, one in enumerate(localise(some, modes)):
        for figure, value in zip(some, one.nominal, strict=True):
            if not value > FAINTEST * (power[f] if figure.absolute else 1.0):
                raise InputError(
                    f"there is no field towards theta {math.degrees(figure.theta):g} deg, phi "
                    f"{math.degrees(figure.phi):g} deg at {modes.frequency[f] / 1e9:.9g} GHz",
                    "choose another direction",
                )


# --- putting it together -------------------------------------------------------------------------


def _put_together(
    assessment: Assessment,
    modes: Modes,
    effects: _Effects | None,
    draws: Draws | None,
    cut: Cut | None,
    asked: int = 0,
) -> Uncertainty:
    local = localise(assessment.all_figures, modes)
    nominal = np.stack([x.nominal for x in local])
    results = {}
    for metric, columns in assessment.columns.items():
        figures = assessment.figures[metric]
        quantity = _quantity(metric, assessment, figures)
        value = nominal[:, columns[0]]
        if quantity in ("direction", "unknown"):
            value = np.full(value.shape, np.nan if quantity == "unknown" else 0.0)
        values = compared = None
        if draws is not None and effects is not None:
            some = draws.values[..., columns]
            # The two of pointing are along theta^ and phi^, from the nominal peak.
            values = np.linalg.norm(some, axis=-1) if len(columns) > 1 else some[..., 0]
            compared = effects.compared(metric, some, draws.nominal[:, columns], draws.error_level)
        field = _field(assessment, metric, modes, effects, draws)
        planes = [x.recipes[columns[0]].plane for x in local]
        names = tuple(x.name for x in planes if x is not None)
        results[metric] = MetricResult(
            quantity, value, values, compared, names, field=field[0], field_covariance=field[1]
        )
    count = range(modes.frequency.size)
    budgets = [assessment.budget] * modes.frequency.size
    if effects is not None:
        budgets = [_budget(assessment, effects, results, f) for f in count]
    if draws is None:
        noise = None if effects is None else effects.linear.noise_power
        return Uncertainty(modes, tuple(budgets), results, asked, noise_power=noise)
    pattern = None
    if cut is not None:
        shape = (len(count), cut.plane.size, cut.angle.size)
        pattern = PatternDraws(cut, draws.intensity.reshape(3, *shape), draws.error_signal.reshape(shape))
    return Uncertainty(modes, tuple(budgets), results, asked, draws.count, draws.error_level, pattern)


def _field(
    assessment: Assessment, metric: str, modes: Modes, effects: _Effects | None, draws: Draws | None
) -> tuple[Real, Real] | tuple[None, None]:
    """Field (F, 4) behind a metric that is a level in a direction, less its known bias, and the
    covariance (F, 4, 4) of its errors; None of other metrics."""
    (column, *_), every = assessment.columns[metric], towards_columns(assessment.all_figures)
    if column not in every:
        return None, None
    at = every.index(column)
    figures = (assessment.all_figures[column],)
    # Terms that are stated err along the field.
    known = combine(assessment.budget, metric)
    fields, covariances = [], []
    for f, q in enumerate(modes.coefficients):
        field = TowardsFields(figures, modes.degree, q).values(q)[0]
        covariance = (known.standard_uncertainty or 0.0) ** 2 * np.outer(field, field)
        moved = known.bias * field
        if effects is not None:
            modelled = _modelled_field(effects.linear, draws, f, at)
            moved, covariance = moved + modelled[0], covariance + modelled[1]
        fields.append(field - moved)
        covariances.append(covariance)
    return np.stack(fields), np.stack(covariances)


def _modelled_field(linear: FirstOrder, draws: Draws | None, index: int, at: int) -> tuple[Real, Real]:
    """Bias (4,) and covariance (4, 4) of a field by all modelled errors: by derivatives, or by
    draws where they find significantly more."""
    bias, covariance = np.zeros(PARTS), np.zeros((PARTS, PARTS))
    if linear.fields is not None:
        bias = linear.fields.bias[:, index, at].sum(axis=0)
        covariance = linear.fields.covariance[:, index, at].sum(axis=0)
    if draws is None or draws.fields is None or draws.count < 2:
        return bias, covariance
    change = draws.fields[:, index, at]
    mean, spread = change.mean(axis=0), np.atleast_2d(np.cov(change, rowvar=False))
    total = float(np.trace(spread))
    # A variance of normal draws errs by sqrt(2 / (D - 1)) of itself (closed form), of several
    # parts together by less.
    scatter = SIGNIFICANT * math.sqrt(2 / (draws.count - 1))
    if total > (1 + scatter) * float(np.trace(covariance)):
        covariance = spread
    far = np.linalg.norm(mean - bias) > SIGNIFICANT * math.sqrt(total / draws.count)
    return (mean if far else bias), covariance


def _quantity(metric: str, assessment: Assessment, figures: Sequence[Figure]) -> FigureKind:
    if metric in assessment.relative_only:
        return "unknown"
    if len(figures) > 1:
        return "direction"
    figure = figures[0]
    if figure.scale == "angle":
        return "angle"
    if figure.absolute:
        return "power"
    return "ratio" if figure.name == "sidelobe-level" else "directivity"


def _budget(
    assessment: Assessment, effects: _Effects, results: Mapping[str, MetricResult], index: int
) -> Budget:
    terms = [effects.term(name, errors, index) for name, errors in assessment.groups.items()]
    found = {m: x.compared for m, x in results.items() if x.compared is not None}
    # If it is needed at one frequency all have it: their terms are the same.
    if any(x.excess.any() or x.bias.any() for x in found.values()):
        more = direct_term(
            BEYOND,
            {m: float(x.excess[index]) for m, x in found.items()},
            degrees_of_freedom=max(1, min(int(x.used[index]) for x in found.values()) - 1),
            bias={m: float(x.bias[index]) for m, x in found.items() if x.bias[index]},
            note="draws of all modelled errors together, against each by itself",
        )
        terms.append(more)
    return with_terms(assessment.budget, terms)


@dataclass(frozen=True, slots=True, eq=False)
class _Effects:
    """Effects of the errors on the figures, in the units of the metrics."""

    assessment: Assessment
    linear: FirstOrder
    #: By how many draws each was found, None if by derivatives.
    drawn: int | None

    def compared(self, metric: str, values: Real, nominal: Real, level: Real) -> DrawComparison:
        """Draws (D, F, 1 or 2) of a metric about ``nominal`` (F, 1 or 2) against first order.

        ``level`` is the mean square error of the pattern (F,).
        """
        everything = list(range(len(self.assessment.errors)))
        rows = []
        for f in range(values.shape[1]):
            some = values[np.isfinite(values[:, f]).all(axis=1), f]
            first = self.size(everything, f, metric)
            known = self.bias(everything, f, metric)
            error = self._error(some - nominal[f], nominal[f], metric)
            few = len(some) < 2
            spread = np.zeros(known.size) if few else error.std(axis=0, ddof=1)
            mean = np.zeros(known.size) if few else error.mean(axis=0) - known
            rows.append((first, float(np.linalg.norm(spread)), _length(mean), len(some)))
        first_order, drawn, shift, used = zip(*rows, strict=True)
        return DrawComparison(
            np.array(first_order),
            np.array(drawn),
            np.array(shift),
            np.array(used),
            ACCURACY * np.sqrt(level),
            self.drawn is not None,
        )

    def term(self, name: str, errors: list[int], index: int) -> Term:
        """Some of the errors as one term."""
        behind = [self.assessment.errors[i] for i in errors]
        shape = _distribution([x.error for x in behind])
        stretch = DISTRIBUTIONS[shape].divisor
        sizes, bias = {}, {}
        for metric in self.assessment.columns:
            sizes[metric] = stretch * self.size(errors, index, metric)
            if shift := _length(self.bias(errors, index, metric)):
                bias[metric] = shift
        freedom = [x.degrees_of_freedom for x in behind]
        if self.drawn is not None:
            freedom.append(max(1, self.drawn - 1))
        notes = [x.error.describe() + (f" ({x.note})" if x.note else "") for x in behind]
        return direct_term(
            name,
            sizes,
            distribution=shape,
            degrees_of_freedom=min(freedom),
            evaluation="A" if all(x.evaluation == "A" for x in behind) else "B",
            bias=bias,
            note="; ".join(notes),
        )

    def size(self, errors: list[int], index: int, metric: str) -> float:
        """Standard uncertainty by some of the errors [unit of the metric]."""
        columns = self.assessment.columns[metric]
        u = float(np.linalg.norm(self.linear.uncertainty[np.ix_(errors, [index], columns)]))
        if self.assessment.budget.metric(metric).is_level:
            # Of a power, U = |E|^2, the relative uncertainty is twice that of the amplitude.
            return u / (2 * float(self.linear.nominal[index, columns[0]]))
        return u

    def bias(self, errors: list[int], index: int, metric: str) -> Real:
        """Known change by some of the errors, one value or two [unit of the metric]."""
        columns = self.assessment.columns[metric]
        change = self.linear.bias[np.ix_(errors, [index], columns)].sum(axis=(0, 1))
        return self._error(change, self.linear.nominal[index, columns], metric)

    def _error(self, change: Real, nominal: Real, metric: str) -> Real:
        """Changes of figures (..., 1 or 2) in the unit of the metric."""
        if not self.assessment.budget.metric(metric).is_level:
            return change
        return np.asarray(np.sqrt(np.maximum(1 + change / nominal, 0)) - 1)


def _length(vector: Real) -> float:
    """One value as it is, of two the length."""
    return float(vector[0]) if vector.size == 1 else float(np.linalg.norm(vector))


def _distribution(errors: Sequence[ErrorTerm]) -> str:
    """Of the effect: as its only size, which it is proportional to; else a sum, near normal."""
    if len(errors) != 1 or errors[0].random or not errors[0].uncertain:
        return "normal"
    return errors[0].distribution if len(errors[0].sizes) == 1 else "normal"
