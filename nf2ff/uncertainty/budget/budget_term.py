"""Terms of an uncertainty budget and the metrics they act on, after the GUM [1]_.

Sizes are in the library's units; metrics that are levels carry relative amplitude
(`metric` says why).

References
----------
.. [1] JCGM 100:2008, Evaluation of measurement data: guide to the expression of uncertainty in
   measurement (GUM), clauses 4.2, 4.3 and G.4 (from memory).
.. [2] JCGM 101:2008, Supplement 1 to the GUM: propagation of distributions using a Monte Carlo
   method, clause 7 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.words import nearest
from nf2ff.messages.input_error import InputError
from nf2ff.uncertainty.budget.metric import METRICS, Metric, check_confidence, check_text, finite_values

Evaluation = Literal["A", "B"]


class DistributionShape(NamedTuple):
    """Size over standard deviation, and fourth moment over variance squared."""

    divisor: float
    kurtosis: float
    bounded: bool


#: [1]_, 4.3.7 and 4.3.9 and, arcsine, H.1.3.4; moments are closed forms. The mean of few readings
#: is normal with few degrees of freedom: Student's distribution enters through these.
DISTRIBUTIONS: Mapping[str, DistributionShape] = MappingProxyType(
    {
        "normal": DistributionShape(1.0, 3.0, bounded=False),
        "rectangular": DistributionShape(math.sqrt(3), 9 / 5, bounded=True),
        "triangular": DistributionShape(math.sqrt(6), 12 / 5, bounded=True),
        "arcsine": DistributionShape(math.sqrt(2), 3 / 2, bounded=True),
    }
)
#: Unit of terms whose size is the level of a signal that adds to the wanted one [relative
#: amplitude, shown as a level], and of those whose size differs from metric to metric.
ERROR_SIGNAL = "error signal"
PER_METRIC = "per metric"


@dataclass(frozen=True, slots=True, eq=False)
class Term:
    """One cause of uncertainty.

    Parameters
    ----------
    name : str
        What it is, for reports.
    size : float, optional
        Standard uncertainty, or expanded one with its ``coverage_factor``, of a normal
        distribution; half-width of a bounded one [``unit``]. None: not supplied, which is never
        counted as zero.
    unit : str
        "amplitude", "rad", "m" or any other; `ERROR_SIGNAL` [relative amplitude]; `PER_METRIC`.
    distribution : str
        One of `DISTRIBUTIONS`.
    sensitivity : mapping of str to float
        Derivative of each metric by the quantity, by the metric's name [unit of the metric over
        ``unit``]. 0: no influence. A metric left out is not supplied.
    coverage_factor : float
        By which a normal ``size`` is divided.
    degrees_of_freedom : float
        Of the standard uncertainty; infinite if it is known for certain.
    evaluation : {"A", "B"}
        From statistics of repeated observations, or otherwise.
    bias : mapping of str to float
        Known mean error of each metric, reported, not part of the uncertainty [unit of the metric].
    note : str
        Where the size comes from.

    Raises
    ------
    ValueError
        If the size is negative, the distribution unknown, or another value out of range.
    """

    name: str
    size: float | None = None
    unit: str = "amplitude"
    distribution: str = "normal"
    sensitivity: Mapping[str, float] = field(default_factory=dict)
    coverage_factor: float = 1.0
    degrees_of_freedom: float = math.inf
    evaluation: Evaluation = "B"
    bias: Mapping[str, float] = field(default_factory=dict)
    note: str = ""

    def __post_init__(self) -> None:
        check_text(self.name)
        check_text(self.unit)
        if self.distribution not in DISTRIBUTIONS:
            raise InputError(
                f"the distribution of {self.name!r} is {self.distribution[:40]!r}, expected one of "
                f"{', '.join(DISTRIBUTIONS)}" + nearest(self.distribution, DISTRIBUTIONS)
            )
        if self.size is not None:
            if not 0 <= self.size < math.inf:
                raise InputError(
                    f"the size of {self.name!r} is {self.size}, expected finite and not negative",
                    "give its magnitude, or None if it is not known",
                )
            object.__setattr__(self, "size", float(self.size))
        bounded = DISTRIBUTIONS[self.distribution].bounded
        if not 0 < self.coverage_factor < math.inf or (bounded and self.coverage_factor != 1):
            raise InputError(
                f"the coverage factor of {self.name!r} is {self.coverage_factor}, expected above 0 "
                f"and finite, and 1 for a half-width ({self.distribution})"
            )
        if not self.degrees_of_freedom >= 1:
            raise InputError(
                f"the degrees of freedom of {self.name!r} are {self.degrees_of_freedom}, expected at least 1",
                "repeat the observation, or leave them out if the size is certain",
            )
        if self.evaluation not in ("A", "B"):
            raise InputError(f"the evaluation of {self.name!r} is {self.evaluation!r}, expected 'A' or 'B'")
        for what in ("sensitivity", "bias"):
            values = finite_values(getattr(self, what), what, f"to {self.name!r}")
            object.__setattr__(self, what, values)

    @property
    def divisor(self) -> float:
        """Size over standard uncertainty."""
        return DISTRIBUTIONS[self.distribution].divisor * self.coverage_factor

    @property
    def standard_uncertainty(self) -> float | None:
        """Standard uncertainty u(x), None if not supplied [``unit``]."""
        return None if self.size is None else self.size / self.divisor

    def contribution(self, metric: str) -> float | None:
        """Signed c u(x), None if size or sensitivity is not supplied [unit of the metric]."""
        if self.size is None or metric not in self.sensitivity:
            return None
        return self.sensitivity[metric] * self.size / self.divisor


def direct_term(name: str, sizes: Mapping[str, float], **more: Any) -> Term:
    """Make a term whose effect on each metric is known, rather than a quantity behind it.

    Parameters
    ----------
    name : str
        What it is.
    sizes : mapping of str to float
        As `Term.size`, for each metric [unit of the metric]; empty: not supplied.
    **more
        Fields of `Term` but for size 1, unit `PER_METRIC`, and the sizes as sensitivity.

    Returns
    -------
    Term
        Of size 1 and unit `PER_METRIC`, the sizes being its sensitivities.

    Raises
    ------
    ValueError
        If a size is negative, or as `Term`.
    """
    for metric, size in sizes.items():
        if not 0 <= size < math.inf:
            raise InputError(
                f"the size of {name!r} for {metric} is {size}, expected finite and not negative",
                "give its magnitude, or leave it out if it is not known",
            )
    return Term(name, 1.0 if sizes else None, PER_METRIC, sensitivity=sizes, **more)


class DrawSummary(NamedTuple):
    """What Monte Carlo draws say: [2]_, 7.6 (mean, standard deviation) and 7.7 (interval).

    Parameters
    ----------
    mean, standard_deviation : float
        Of the draws, in their unit.
    degrees_of_freedom : int
        Number of draws less one.
    low, high : float
        Ends of the coverage interval, in the unit of the draws.
    """

    mean: float
    standard_deviation: float
    degrees_of_freedom: int
    low: float
    high: float


def summarise_draws(draws: ArrayLike, *, confidence: float = 0.95) -> DrawSummary:
    """Mean, standard deviation and coverage interval of Monte Carlo draws of a metric.

    Parameters
    ----------
    draws : (K,) array_like
        Values, in any unit, which is that of the result.
    confidence : float
        Part of the draws in the interval; as many are below it as above.

    Returns
    -------
    DrawSummary
        In the unit of the draws.

    Raises
    ------
    ValueError
        If there are fewer than two draws, or too few for the interval.

    Notes
    -----
    With q = int(pK + 1/2), the interval goes from draw r to draw r + q of the sorted ones,
    r = int((K - q + 1)/2), counted from 1 ([2]_, 7.7.2).
    """
    values = np.sort(_as_draws(draws, "the metric"))
    check_confidence(confidence)
    # 1e-9: 0.95 x 20 must not fall short of 19 by rounding.
    inside = int(confidence * values.size + 0.5 + 1e-9)
    first = (values.size - inside + 1) // 2
    if inside == values.size:
        raise InputError(
            f"{values.size} draws do not bound an interval of {100 * confidence:.6g} %",
            f"draw at least {math.ceil(1 / (1 - confidence) - 1e-9)}",
        )
    return DrawSummary(
        float(values.mean()),
        float(values.std(ddof=1)),
        values.size - 1,
        float(values[first - 1]),
        float(values[first + inside - 1]),
    )


def drawn_term(
    name: str,
    draws: Mapping[str, ArrayLike],
    *,
    nominal: Mapping[str, float],
    metrics: Iterable[Metric] = tuple(METRICS.values()),
    evaluation: Evaluation = "B",
    note: str = "",
) -> Term:
    """Make a term from Monte Carlo draws of the metrics.

    Parameters
    ----------
    name, evaluation, note
        As in `Term`; evaluation is "B" if drawn from an assumed distribution, "A" if resampled from
        observations.
    draws : mapping of str to (K,) array_like
        Values of each metric: of levels as power or ratio of powers [linear], of others in the
        metric's unit.
    nominal : mapping of str to float
        Values without the error [as ``draws``].
    metrics : iterable of Metric
        Where the names are looked up.

    Returns
    -------
    Term
        Its sizes are the standard deviations about the mean, its biases mean minus nominal (of
        levels, of relative amplitude sqrt(value / nominal) - 1), its degrees of freedom K - 1 of
        the shortest sample.

    Raises
    ------
    ValueError
        If there is no metric, one is unknown or has fewer than two draws, or a level is negative.
    """
    known = {m.name: m for m in metrics}
    sizes, bias, least = {}, {}, math.inf
    if not draws:
        raise InputError(f"there are no draws for {name!r}", "give those of at least one metric")
    for key, given in draws.items():
        if key not in known or key not in nominal:
            what = "is unknown" if key not in known else "has no nominal value"
            near = nearest(key, known if key not in known else nominal)
            raise InputError(f"the metric {key[:40]!r} drawn for {name!r} {what}{near}")
        values = _as_draws(given, f"{key} for {name!r}")
        center = float(nominal[key])
        if known[key].is_level:
            if values.min() < 0 or not 0 < center < math.inf:
                raise InputError(
                    f"{key} for {name!r} is {min(values.min(), center):.4g} at least, expected "
                    "linear power, not negative, and a nominal value above 0"
                )
            error = np.sqrt(values / center) - 1
        else:
            error = values - center
        sizes[key] = float(error.std(ddof=1))
        bias[key] = float(error.mean())
        least = min(least, values.size - 1)
    return direct_term(name, sizes, degrees_of_freedom=least, evaluation=evaluation, bias=bias, note=note)


def judged_degrees_of_freedom(relative: float) -> float:
    """Degrees of freedom of a standard uncertainty that itself is judged uncertain.

    Parameters
    ----------
    relative : float
        Its relative uncertainty, from 0 to sqrt(1/2).

    Returns
    -------
    float
        1 / (2 ``relative``^2) ([1]_, eq. G.3): 0.25 gives 8.

    Raises
    ------
    ValueError
        If ``relative`` is negative, or so large that fewer than one is left.
    """
    if not 0 <= relative <= math.sqrt(0.5):
        raise InputError(f"the relative uncertainty is {relative}, expected from 0 to sqrt(1/2)")
    return 0.5 / relative**2 if relative else math.inf


def _as_draws(values: ArrayLike, what: str) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    array = as_array(values, float, f"draws of {what}", ndim=1)
    if array.size < 2:
        raise InputError(f"there are {array.size} draws of {what}, expected at least 2", "draw more")
    return array
