"""What is stated of a metric: its value less the known bias, and the interval about that.

The uncertainty of a budget is about the value without the known errors. A result as it is measured
has them: noise adds its own power to TRP, random phase takes some from a beam. Of a level in a
direction the field is known with its errors, and the interval follows from them (`level_interval`):
in a null what errors add on average may be all that was measured, and only an upper limit is left.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import special as functions

from nf2ff.uncertainty.budget.combine import CombinedUncertainty
from nf2ff.uncertainty.level_interval import PARTS, level_interval
from nf2ff.uncertainty.result import MetricResult

Real = NDArray[np.float64]

#: Field over the standard deviation of its error up to which errors across it count in full (a
#: choice of ours: of four parts alike their square is a tenth of the interval there).
STRONG = 4.0


class Stated(NamedTuple):
    """A metric at one frequency, less its known bias, and the ends of its interval, as in
    `MetricResult`; of levels none is below zero."""

    value: float
    low: float
    high: float


def stated(result: MetricResult, found: CombinedUncertainty, index: int) -> Stated | None:
    """What is stated of a metric at one frequency.

    Parameters
    ----------
    result : MetricResult
        Its values.
    found : CombinedUncertainty
        What its budget says at that frequency.
    index : int
        Index of the frequency.

    Returns
    -------
    Stated or None
        None for a direction, whose uncertainty is a radius about it, where the value is not known,
        and where no term is supplied.
    """
    value, u = float(result.value[index]), found.expanded
    if u is None or math.isnan(value) or result.quantity == "direction":
        return None
    if not found.metric.is_level:
        least = value - found.bias
        return Stated(least, least - u, least + u)
    if result.field is not None:
        return _by_field(result, found, index)
    # What errors add of power is taken off; what the bias is of is the relative amplitude.
    left = value * max(0.0, 2 - (1 + max(found.bias, -1.0)) ** 2)
    if found.scale == "logarithm":
        return Stated(left, left * math.exp(-2 * u), left * math.exp(2 * u))
    if found.scale == "power":
        return Stated(left, max(0.0, left - 2 * u * value), left + 2 * u * value)
    size, error = math.sqrt(left), u * math.sqrt(value)
    return Stated(left, max(0.0, size - error) ** 2, (size + error) ** 2)


def stated_decibels(
    result: MetricResult, found: CombinedUncertainty, index: int
) -> tuple[float, float] | None:
    """How far the interval of a level reaches up and down from the value as measured [dB].

    Parameters
    ----------
    result, found, index
        As in `stated`.

    Returns
    -------
    (plus, minus) or None
        Both positive, ``minus`` infinite where there may be no power at all. Levels in a direction
        have an interval that follows from the field, others `CombinedUncertainty.decibels`.
    """
    if result.field is None or found.expanded is None:
        return found.decibels
    low, high = _by_field(result, found, index)[1:]
    value = float(result.value[index])
    if math.isnan(value):
        # Of gain, without the power into the antenna.
        value = float(result.field[index] @ result.field[index])
    plus = 10 * math.log10(max(high / value, 1.0))
    return plus, -10 * math.log10(min(low / value, 1.0)) if low > 0 else math.inf


def _by_field(result: MetricResult, found: CombinedUncertainty, index: int) -> Stated:
    assert result.field is not None
    assert result.field_covariance is not None
    field = result.field[index]
    covariance = _low_only(field, result.field_covariance[index])
    # Degrees of freedom: as large a factor as the budget has, against the normal one.
    stretch = found.coverage_factor / float(functions.ndtri(0.5 * (1 + found.confidence)))
    low, high = level_interval(field, stretch**2 * covariance, confidence=found.confidence)
    # The mean of |E0 + error|^2 is |E0|^2 and the variance of all parts (closed form).
    return Stated(max(0.0, float(field @ field - np.trace(covariance))), low, high)


def _low_only(field: Real, covariance: Real) -> Real:
    """The covariance (4, 4), less of what lies across the field where that is strong.

    Across the field errors add their square to the level where they add to the field. Errors that
    are factors of it, as a wrong gain of one channel, rather turn it and leave its size, and to
    first order nothing tells one from the other.
    """
    size, error = math.sqrt(field @ field), math.sqrt(max(0.0, float(np.trace(covariance))))
    if size <= STRONG * error:
        return covariance
    along = np.outer(field, field) / size**2
    keep = along + STRONG * error / size * (np.eye(PARTS) - along)
    return np.asarray(keep @ covariance @ keep)
