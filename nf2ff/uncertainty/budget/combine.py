"""What the terms of a budget amount to, by the GUM [1]_.

References
----------
.. [1] JCGM 100:2008, Evaluation of measurement data: guide to the expression of uncertainty in
   measurement (GUM), clauses 5 and 6, annex G (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special as functions

from nf2ff.kernel.arrays import as_array
from nf2ff.messages.input_error import InputError
from nf2ff.uncertainty.budget.budget import Budget
from nf2ff.uncertainty.budget.budget_term import DISTRIBUTIONS
from nf2ff.uncertainty.budget.metric import IntervalScale, Metric, check_confidence, interval_db

Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class CombinedUncertainty:
    """What a budget says about one metric.

    Parameters
    ----------
    metric : Metric
        That metric.
    contributions : (n,) ndarray
        c u(x) of each term with its sign, NaN where not supplied [unit of the metric].
    shares : (n,) ndarray
        Part of each term in the variance, with its part of the correlations, which may be
        negative; NaN where not supplied. They and ``second_order_share`` add up to 1, or are 0
        where no variance is left.
    second_order_share : float
        Part of the curvatures in the variance.
    standard_uncertainty : float or None
        Combined, None if no term is supplied [unit of the metric].
    degrees_of_freedom, confidence, coverage_factor : float
        Effective degrees of freedom; level of confidence of the expanded uncertainty, and that over
        the standard uncertainty.
    bias : float
        Sum of the known biases and those by curvature, not part of the uncertainty [as above].
    missing : tuple of str
        Terms that are not supplied for this metric.
    scale : {"amplitude", "power", "logarithm"}
        Of ``decibels``.
    """

    metric: Metric
    contributions: Real
    shares: Real
    second_order_share: float
    standard_uncertainty: float | None
    degrees_of_freedom: float
    confidence: float
    coverage_factor: float
    bias: float
    missing: tuple[str, ...]
    scale: IntervalScale = "amplitude"

    def __post_init__(self) -> None:
        for name in ("contributions", "shares"):
            value = as_array(getattr(self, name), float, name, ndim=1, missing=True)
            object.__setattr__(self, name, value)

    @property
    def expanded(self) -> float | None:
        """Expanded uncertainty, None if no term is supplied [unit of the metric]."""
        u = self.standard_uncertainty
        return None if u is None else self.coverage_factor * u

    @property
    def decibels(self) -> tuple[float, float] | None:
        """Expanded uncertainty of a level up and down, both positive, else None [dB]."""
        if self.expanded is None or not self.metric.is_level:
            return None
        return interval_db(self.expanded, scale=self.scale)


def combine(budget: Budget, metric: str) -> CombinedUncertainty:
    """Combine the terms of a budget for one metric.

    Parameters
    ----------
    budget : Budget
        The terms.
    metric : str
        Name of one of its metrics.

    Returns
    -------
    CombinedUncertainty
        Without the terms that are not supplied, which it names.

    Raises
    ------
    ValueError
        If the budget is not for the metric, or third derivatives leave a negative variance.

    Notes
    -----
    Variance: [1]_, eq. 13 (eq. 10 without correlations), and the curvatures of 5.1.2 note, where
    the fourth moment of each distribution stands in the place of the normal one's.

    Degrees of freedom: eq. G.2b, u^4 / sum (c_i u_i)^4 / nu_i. It follows from the variances
    2 u_i^4 / nu_i of the squares u_i^2, carried on to u^2 with h_i = u_i^2 du^2/d(u_i^2) in the
    place of (c_i u_i)^2; in this form it holds for curvatures too. Terms that correlate are
    taken to err together: |h_i| / sqrt(nu_i) of each group is summed before it is squared, the
    larger of all possible results, as their estimates may come from the same observations. A
    group has no fewer degrees of freedom than the least of its terms, though: what n joint
    readings of all of them leave in any sum of them has n - 1, however they cancel (H.2).

    Where one bounded term outweighs all others, the coverage factor is too large rather than too
    small ([1]_, G.6.5); the interval of draws, `term.summarise_draws`, is the closer one.

    ``degrees_of_freedom`` is as it comes out; for the coverage factor it is cut to the whole number
    below ([1]_, G.6.4).
    """
    chosen = budget.metric(metric)
    given = [term.contribution(metric) for term in budget.terms]
    here = np.array([x is not None for x in given])
    parts = np.array([np.nan if x is None else x for x in given])
    v = np.where(here, parts, 0.0)
    second, weights, mean = _second_order(budget, metric, here)
    first = v * (budget.correlation @ v)
    variance = float(first.sum() + second)
    largest = float(np.abs(v) @ np.abs(budget.correlation) @ np.abs(v))
    # Correlated terms may cancel: what rounding leaves of them then is nothing.
    if abs(variance) <= 4 * v.size * np.finfo(float).eps * largest:
        variance = 0.0
    if variance < 0:
        raise InputError(
            f"third derivatives leave the variance {variance:.3g} of {metric}: the uncertainties "
            "are too large for a series, use Monte Carlo draws"
        )
    dof = _degrees_of_freedom(budget, first + weights, variance, v != 0)
    share = 1 / variance if variance else 0.0
    bias = sum(term.bias.get(metric, 0.0) for term in budget.terms) + mean
    return CombinedUncertainty(
        chosen,
        parts,
        np.where(here, first * share, np.nan),
        second * share,
        math.sqrt(variance) if here.any() else None,
        dof,
        budget.confidence,
        coverage_factor(budget.confidence, degrees_of_freedom=dof),
        bias,
        tuple(term.name for term, is_here in zip(budget.terms, here, strict=True) if not is_here),
        budget.scale,
    )


def coverage_factor(confidence: float, *, degrees_of_freedom: float = math.inf) -> float:
    """Factor from standard to expanded uncertainty: quantile of Student's t, or normal.

    Parameters
    ----------
    confidence : float
        Probability within plus or minus the factor.
    degrees_of_freedom : float
        Above 0; cut to the whole number below, as far as it is one or more.

    Returns
    -------
    float
        1.96 for 0.95 and infinite degrees of freedom.

    Raises
    ------
    ValueError
        If the level of confidence or the degrees of freedom are out of range.
    """
    check_confidence(confidence)
    if not degrees_of_freedom > 0:
        raise InputError(f"the degrees of freedom are {degrees_of_freedom}, expected above 0")
    upper = (1 + confidence) / 2
    if math.isinf(degrees_of_freedom):
        return float(functions.ndtri(upper))
    # 1e-9: a single term of 5 degrees must not come out as 4 by rounding.
    whole = math.floor(degrees_of_freedom * (1 + 1e-9))
    return float(functions.stdtrit(whole or degrees_of_freedom, upper))


def _second_order(budget: Budget, metric: str, here: NDArray[np.bool_]) -> tuple[float, Real, float]:
    """Variance by curvature, its parts in h of each term, and the mean that goes with it."""
    index = {name: i for i, name in enumerate(budget.names)}
    total, mean, weights = 0.0, 0.0, np.zeros(len(budget.terms))
    for bend in budget.curvatures:
        a, b = index[bend.first], index[bend.second]
        if not (here[a] and here[b]):
            continue
        x, y = budget.terms[a], budget.terms[b]
        ux, uy = (t.standard_uncertainty or 0.0 for t in (x, y))
        curve = bend.second_derivative.get(metric, 0.0)
        third = bend.third_derivative.get(metric, 0.0) * x.sensitivity[metric]
        if a == b:
            kurtosis = DISTRIBUTIONS[x.distribution].kurtosis
            part = ((kurtosis - 1) / 4 * curve**2 + kurtosis / 3 * third) * ux**4
            mean += curve / 2 * ux**2
        else:
            part = (curve**2 + third) * ux**2 * uy**2
        total += part
        weights[a] += part
        weights[b] += part
    return total, weights, mean


def _degrees_of_freedom(budget: Budget, weights: Real, variance: float, active: NDArray[np.bool_]) -> float:
    """Effective degrees of freedom of the terms' weights h."""
    if not variance:
        return math.inf
    group = _groups(budget.correlation, active)
    nu = np.array([term.degrees_of_freedom for term in budget.terms])
    spread = np.bincount(group, weights=np.abs(weights) / variance / np.sqrt(nu))
    least = np.full(spread.size, np.inf)
    np.minimum.at(least, group, nu)
    together = np.bincount(group) > 1
    share = np.bincount(group, weights=weights) / variance
    spread = np.where(together, np.minimum(spread, np.abs(share) / np.sqrt(least)), spread)
    total = float(np.sum(spread**2))
    return 1 / total if total else math.inf


def _groups(correlation: Real, active: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Index of the first term that each one correlates with, directly or through others."""
    linked = (correlation != 0) & active & active[:, None] | np.eye(active.size, dtype=bool)
    for _ in range(active.size.bit_length()):
        linked = linked @ linked
    return linked.argmax(axis=1)
