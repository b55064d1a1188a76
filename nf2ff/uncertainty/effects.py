"""What modelled errors do to the metrics of a budget: by derivatives, and by draws against them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nf2ff.uncertainty.budget.budget_term import DISTRIBUTIONS, Term, direct_term
from nf2ff.uncertainty.derivatives import FirstOrder
from nf2ff.uncertainty.draws import Draws
from nf2ff.uncertainty.errors.error_term import ErrorTerm
from nf2ff.uncertainty.level_interval import PARTS
from nf2ff.uncertainty.request import Assessment
from nf2ff.uncertainty.result import SIGNIFICANT, DrawComparison

Real = NDArray[np.float64]

#: Part of the error of the pattern up to which draws and derivatives may differ by how far they are
#: solved: the change in a draw to 1e-4 of itself (`monte_carlo`), here three times that.
ACCURACY = 3e-4


def first_order_by_draws(assessment: Assessment, found: Sequence[Draws]) -> FirstOrder:
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


@dataclass(frozen=True, slots=True, eq=False)
class Effects:
    """Effects of the modelled errors, in the units of the metrics.

    Parameters
    ----------
    assessment : Assessment
        The errors and metrics.
    linear : FirstOrder
        What each error does by itself.
    drawn : int or None
        By how many draws that was found, None if by derivatives.
    draws : Draws or None
        Draws of all errors together.
    """

    assessment: Assessment
    linear: FirstOrder
    drawn: int | None
    draws: Draws | None

    def term(self, name: str, errors: list[int], index: int) -> Term:
        """Some of the errors as one term, at the frequency of an index."""
        behind = [self.assessment.errors[i] for i in errors]
        shape = _distribution([x.error for x in behind])
        stretch = DISTRIBUTIONS[shape].divisor
        metrics = self.assessment.columns
        shifts = {metric: _length(self.bias(errors, index, metric)) for metric in metrics}
        freedom = [x.degrees_of_freedom for x in behind]
        if self.drawn is not None:
            freedom.append(max(1, self.drawn - 1))
        return direct_term(
            name,
            {metric: stretch * self.size(errors, index, metric) for metric in metrics},
            distribution=shape,
            degrees_of_freedom=min(freedom),
            evaluation="A" if all(x.evaluation == "A" for x in behind) else "B",
            bias={metric: shift for metric, shift in shifts.items() if shift},
            note="; ".join(x.error.describe() + (f" ({x.note})" if x.note else "") for x in behind),
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

    def compared(self, metric: str) -> DrawComparison | None:
        """Draws of all errors against first order, at all frequencies; None if there are none."""
        if self.draws is None:
            return None
        columns, everything = self.assessment.columns[metric], list(range(len(self.assessment.errors)))
        rows = []
        for f, nominal in enumerate(self.draws.nominal[:, columns]):
            values = self.draws.values[:, f, columns]
            error = self._error(values[np.isfinite(values).all(axis=1)] - nominal, nominal, metric)
            known, few = self.bias(everything, f, metric), len(error) < 2
            spread = np.zeros(known.size) if few else error.std(axis=0, ddof=1)
            shift = np.zeros(known.size) if few else error.mean(axis=0) - known
            first = self.size(everything, f, metric)
            rows.append((first, float(np.linalg.norm(spread)), _length(shift), len(error)))
        first_order, drawn, shifts, used = (np.array(x) for x in zip(*rows, strict=True))
        floor = ACCURACY * np.sqrt(self.draws.error_level)
        return DrawComparison(first_order, drawn, shifts, used, floor, self.drawn is not None)

    def field(self, index: int, at: int) -> tuple[Real, Real]:
        """Bias (4,) and covariance (4, 4) of a field by all errors: by derivatives, or by draws
        where they find significantly more.

        Parameters
        ----------
        index, at : int
            Of the frequency, and of the figure among those that are levels in a direction.
        """
        bias, covariance = np.zeros(PARTS), np.zeros((PARTS, PARTS))
        if self.linear.fields is not None:
            bias = self.linear.fields.bias[:, index, at].sum(axis=0)
            covariance = self.linear.fields.covariance[:, index, at].sum(axis=0)
        if self.draws is None or self.draws.fields is None or self.draws.count < 2:
            return bias, covariance
        change = self.draws.fields[:, index, at]
        mean, spread = change.mean(axis=0), np.atleast_2d(np.cov(change, rowvar=False))
        total = float(np.trace(spread))
        # A variance of normal draws errs by sqrt(2 / (D - 1)) of itself (closed form), of several
        # parts together by less.
        scatter = SIGNIFICANT * math.sqrt(2 / (self.draws.count - 1))
        if total > (1 + scatter) * float(np.trace(covariance)):
            covariance = spread
        far = np.linalg.norm(mean - bias) > SIGNIFICANT * math.sqrt(total / self.draws.count)
        return (mean if far else bias), covariance

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
