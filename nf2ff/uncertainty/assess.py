"""The uncertainty of a scan's figures: errors propagated through it, and terms that are stated.

Some causes can be modelled on the scan itself (`errors`): what each does to every figure is found
by `derivatives` and, all together, by `draws`. Others are known by their effect only, from
certificates or experience. Both end in a `Budget` for each frequency.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes
from nf2ff.messages.input_error import InputError, found_in
from nf2ff.solver.nearby import by_least_squares
from nf2ff.solver.solution import Solution
from nf2ff.uncertainty.budget.budget import Budget, with_terms
from nf2ff.uncertainty.budget.budget_term import direct_term
from nf2ff.uncertainty.budget.combine import combine
from nf2ff.uncertainty.derivatives import linearised
from nf2ff.uncertainty.draws import Draws, monte_carlo
from nf2ff.uncertainty.effects import Effects, first_order_by_draws
from nf2ff.uncertainty.errors.error_term import ErrorTerm
from nf2ff.uncertainty.field_in_direction import TowardsFields, towards_columns
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.local_figures import LocalFigures, localise
from nf2ff.uncertainty.remeasured import Remeasured
from nf2ff.uncertainty.request import Assessment, Cut
from nf2ff.uncertainty.result import BEYOND, FigureKind, MetricResult, PatternDraws, Uncertainty

Real = NDArray[np.float64]

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
    after: Sequence[Draws] = (),
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
    after : sequence of Draws
        ``kept`` of what the same call gave that was interrupted; those draws are not made again.

    Returns
    -------
    Uncertainty
        Without draws if there is no error, or the work was interrupted (KeyboardInterrupt) before
        the first of them.

    Raises
    ------
    ValueError
        If the scan cannot have an error, or a figure needs a level that is not known or has no
        value; or if the draws to go on ``after`` are of other errors.
    """
    modes, figures = solution.modes, assessment.all_figures
    _check_level(modes, assessment)
    errors = [one.error for one in assessment.errors]
    for i, one in enumerate(assessment.errors, start=1):
        with found_in(f"error {i} ({one.name!r})"):
            one.error.check_scan(solution.samples)
    local = localise(figures, modes)
    _check_field(local, modes)
    if not errors:
        return _put_together(assessment, modes, local, None, None)
    seeds = np.random.SeedSequence(rng).spawn(1 + len(errors))
    done, count = 0, draws
    if len(after) not in (0, 1 if derivatives else len(seeds)):
        raise InputError("the draws to go on from are of other errors", "make all of them anew")
    # The modes as they were solved, by operators that serve the derivatives too.
    planned = by_least_squares(solution) if derivatives else solution
    again = Remeasured(replace(planned, modes=modes))

    def drawn(some: list[ErrorTerm], which: int, at: Cut | None) -> Draws:
        return monte_carlo(
            solution,
            some,
            figures,
            draws=draws,
            most=count,
            after=after[which] if after else None,
            rng=seeds[which],
            jobs=jobs,
            directions=None if at is None else at.directions(),
            measure=again if any(x.moves_record for x in some) else None,
            progress=None if progress is None else lambda n: progress(done + n),
        )

    found: list[Draws] = []
    if derivatives:
        linear = linearised(planned, errors, figures)
    else:
        for i, alone in enumerate(errors, start=1):
            found.append(drawn([alone], i, None))
            done, count = done + draws, found[-1].count
        linear = first_order_by_draws(assessment, found)
    together = None
    if draws or not derivatives:
        try:
            together = drawn(errors, 0, cut)
        except KeyboardInterrupt:
            if not derivatives:
                raise
    effects = Effects(assessment, linear, None if derivatives else count, together)
    result = _put_together(assessment, modes, local, effects, cut, asked=draws)
    if result.error_level is not None:
        # Of the whole sphere, as TRP and directivity are.
        result = replace(result, error_level=np.where(solution.partial, np.nan, result.error_level))
    if together is None or together.count == draws:
        return result
    return replace(result, kept=(together, *found))


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


def _check_field(local: Sequence[LocalFigures], modes: Modes) -> None:
    """Refuse directions without field, whose level nothing can be relative to."""
    for one, hertz, power in zip(local, modes.frequency, modes.radiated_power(), strict=True):
        for column in towards_columns(one.figures):
            figure = one.figures[column]
            if not one.nominal[column] > FAINTEST * (power if figure.absolute else 1.0):
                raise InputError(
                    f"there is no field towards theta {math.degrees(figure.theta):zg} deg, phi "
                    f"{math.degrees(figure.phi):zg} deg at {hertz / 1e9:.9g} GHz",
                    "choose another direction",
                )


# --- putting it together -------------------------------------------------------------------------


def _put_together(
    assessment: Assessment,
    modes: Modes,
    local: Sequence[LocalFigures],
    effects: Effects | None,
    cut: Cut | None,
    asked: int = 0,
) -> Uncertainty:
    draws = None if effects is None else effects.draws
    results = {}
    for metric, columns in assessment.columns.items():
        quantity = _quantity(metric, assessment, assessment.figures[metric])
        value = np.stack([one.nominal[columns[0]] for one in local])
        if quantity in ("direction", "unknown"):
            value = np.full(value.shape, np.nan if quantity == "unknown" else 0.0)
        values = None
        if draws is not None:
            values = draws.values[..., columns[0]]
            if len(columns) > 1:  # along theta^ and phi^, from the nominal peak
                values = np.linalg.norm(draws.values[..., columns], axis=-1)
        planes = [one.recipes[columns[0]].plane for one in local]
        results[metric] = MetricResult(
            quantity,
            value,
            values,
            None if effects is None else effects.compared(metric),
            tuple(plane.name for plane in planes if plane is not None),
            *_field(assessment, metric, modes, effects),
        )
    budgets = [assessment.budget] * modes.frequency.size
    if effects is not None:
        budgets = [_budget(assessment, effects, results, f) for f in range(modes.frequency.size)]
    if draws is None:
        noise = None if effects is None else effects.linear.noise_power
        return Uncertainty(modes, tuple(budgets), results, asked, noise_power=noise)
    pattern = None
    if cut is not None:
        shape = (modes.frequency.size, cut.plane.size, cut.angle.size)
        pattern = PatternDraws(cut, draws.intensity.reshape(3, *shape), draws.error_signal.reshape(shape))
    return Uncertainty(modes, tuple(budgets), results, asked, draws.count, draws.error_level, pattern)


def _field(
    assessment: Assessment, metric: str, modes: Modes, effects: Effects | None
) -> tuple[Real, Real] | tuple[None, None]:
    """Field (F, 4) behind a metric that is a level in a direction, less its known bias, and the
    covariance (F, 4, 4) of its errors; None of other metrics."""
    (column, *_), every = assessment.columns[metric], towards_columns(assessment.all_figures)
    if column not in every:
        return None, None
    at, figures = every.index(column), (assessment.all_figures[column],)
    # Terms that are stated err along the field.
    known = combine(assessment.budget, metric)
    fields, covariances = [], []
    for f, q in enumerate(modes.coefficients):
        field = TowardsFields(figures, modes.degree, q).values(q)[0]
        covariance = (known.standard_uncertainty or 0.0) ** 2 * np.outer(field, field)
        moved = known.bias * field
        if effects is not None:
            modelled = effects.field(f, at)
            moved, covariance = moved + modelled[0], covariance + modelled[1]
        fields.append(field - moved)
        covariances.append(covariance)
    return np.stack(fields), np.stack(covariances)


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
    assessment: Assessment, effects: Effects, results: Mapping[str, MetricResult], index: int
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
