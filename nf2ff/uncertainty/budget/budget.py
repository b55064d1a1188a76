"""An uncertainty budget: its terms, and how they correlate, by the GUM [1]_.

References
----------
.. [1] JCGM 100:2008, Evaluation of measurement data: guide to the expression of uncertainty in
   measurement (GUM), clause 5 (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.words import nearest
from nf2ff.messages.input_error import InputError
from nf2ff.uncertainty.budget.budget_term import Term
from nf2ff.uncertainty.budget.metric import (
    METRICS,
    IntervalScale,
    Metric,
    check_confidence,
    check_scale,
    finite_values,
)

Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Curvature:
    """How a metric bends with two quantities, or with one: the second order of [1]_, 5.1.2 note.

    Parameters
    ----------
    first, second : str
        Names of terms; the same name twice for a square.
    second_derivative : mapping of str to float
        Of each metric by both [unit of the metric over both units]. For two different terms it
        is given once, in either order.
    third_derivative : mapping of str to float
        Of each metric, once by ``first`` and twice by ``second``; 0 for products and squares.

    Raises
    ------
    ValueError
        If a derivative is not finite.
    """

    first: str
    second: str
    second_derivative: Mapping[str, float] = field(default_factory=dict)
    third_derivative: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for what in ("second_derivative", "third_derivative"):
            whose = f"by {self.first!r} and {self.second!r}"
            values = finite_values(getattr(self, what), what.replace("_", " "), whose)
            object.__setattr__(self, what, values)


@dataclass(frozen=True, slots=True, eq=False)
class Budget:
    """Terms of uncertainty of some metrics.

    Parameters
    ----------
    terms : sequence of Term
        With different names.
    metrics : sequence of Metric
        What the budget is for.
    correlation : (n, n) ndarray, optional
        Correlation coefficients of the n terms' quantities (`correlations` makes it); none.
    curvatures : sequence of Curvature
        Second-order terms, of terms that do not correlate.
    confidence : float
        Level of confidence of expanded uncertainties.
    scale : {"amplitude", "power", "logarithm"}
        In what levels have an interval of equal sides, see `interval_db`. Amplitude is right for
        leakage, scattering, reflections and noise, which add to the field.

    Raises
    ------
    ValueError
        If names are there twice or unknown, or the correlations contradict each other.
    """

    terms: tuple[Term, ...]
    metrics: tuple[Metric, ...] = tuple(METRICS.values())
    correlation: Real = None  # type: ignore[assignment]
    curvatures: tuple[Curvature, ...] = ()
    confidence: float = 0.95
    scale: IntervalScale = "amplitude"

    def __post_init__(self) -> None:
        for name in ("terms", "metrics", "curvatures"):
            object.__setattr__(self, name, tuple(getattr(self, name)))
        for what, names in (("term", self.names), ("metric", [m.name for m in self.metrics])):
            if not names:
                raise InputError(f"the budget has no {what}", "give at least one")
            for i, name in enumerate(names):
                if name in names[:i]:
                    raise InputError(
                        f"two {what}s are named {name!r}", "name each once, and count none twice"
                    )
        check_confidence(self.confidence)
        check_scale(self.scale)
        given = np.eye(len(self.terms)) if self.correlation is None else self.correlation
        object.__setattr__(self, "correlation", _check_correlation(given, self.names))
        for term in self.terms:
            for metric in (*term.sensitivity, *term.bias):
                self.metric(metric, of=f" of {term.name!r}")
        _check_curvatures(self)

    @property
    def names(self) -> list[str]:
        """Names of the terms."""
        return [term.name for term in self.terms]

    def metric(self, name: str, *, of: str = "") -> Metric:
        """Find the metric of that name; `InputError` (with ``of`` behind the name) if there is none."""
        found = next((m for m in self.metrics if m.name == name), None)
        if found is None:
            known = [m.name for m in self.metrics]
            raise InputError(
                f"the metric {name[:40]!r}{of} is not one of the budget ({', '.join(known)})"
                + nearest(name, known)
            )
        return found


def correlations(terms: Sequence[Term], pairs: Mapping[tuple[str, str], float]) -> Real:
    """Matrix (n, n) of correlation coefficients of the terms from those of pairs, by both names.

    Pairs left out do not correlate. `Budget` checks whether all can be true.

    Raises
    ------
    ValueError
        If a name is unknown, a coefficient out of range, or a pair there twice with other values.
    """
    index = {term.name: i for i, term in enumerate(terms)}
    matrix = np.eye(len(terms))
    seen: dict[frozenset[str], float] = {}
    for (a, b), value in pairs.items():
        for name in (a, b):
            if name not in index:
                raise InputError(f"correlation: there is no term {name[:80]!r}" + nearest(name, index))
        if not -1 <= value <= 1:
            raise InputError(f"the correlation of {a!r} and {b!r} is {value}, expected from -1 to 1")
        if seen.setdefault(frozenset((a, b)), value) != value or (a == b and value != 1):
            other = 1 if a == b else seen[frozenset((a, b))]
            raise InputError(f"the correlation of {a!r} and {b!r} is {other} and {value}", "keep one of them")
        matrix[index[a], index[b]] = matrix[index[b], index[a]] = value
    return matrix


def with_terms(budget: Budget, terms: Sequence[Term]) -> Budget:
    """Put terms in the place of those of the same names, others at the end.

    Parameters
    ----------
    budget : Budget
        Where they go.
    terms : sequence of Term
        New ones, such as those that a simulation supplies.

    Returns
    -------
    Budget
        Correlations and curvatures stay; terms at the end correlate with none.

    Raises
    ------
    ValueError
        If two of ``terms`` have the same name, or one has a metric that the budget is not for.
    """
    new = {term.name: term for term in terms}
    old = set(budget.names)
    ordered = [new.get(term.name, term) for term in budget.terms]
    # Those given twice stay twice, for Budget to refuse.
    added = [t for t in terms if t.name not in old or new[t.name] is not t]
    n, total = len(ordered), len(ordered) + len(added)
    matrix = np.eye(total)
    matrix[:n, :n] = budget.correlation
    return replace(budget, terms=(*ordered, *added), correlation=matrix)


def _check_correlation(given: Real, names: list[str]) -> Real:
    n = len(names)
    matrix = as_array(given, float, "correlation", ndim=2)
    if matrix.shape != (n, n):
        raise InputError(f"correlation has shape {matrix.shape}, expected ({n}, {n}), one row for each term")

    # Coefficients that a program computed are off by rounding: they are put right, not refused.
    rounding = 16 * n * np.finfo(float).eps
    for wrong, said, remedy in (
        (np.abs(matrix) > 1 + rounding, "of {a!r} and {b!r} is {value}, expected from -1 to 1", ""),
        (
            np.abs(matrix - matrix.T) > rounding,
            "of {a!r} and {b!r} is {value} and {other}",
            "keep one of them",
        ),
        (np.diag(np.abs(np.diag(matrix) - 1) > rounding), "of {a!r} with itself is {value}, expected 1", ""),
    ):
        for i, j in np.argwhere(wrong):
            found = {"value": float(matrix[i, j]), "other": float(matrix[j, i])}
            raise InputError("the correlation " + said.format(a=names[i], b=names[j], **found), remedy)
    matrix = np.clip((matrix + matrix.T) / 2, -1, 1)
    np.fill_diagonal(matrix, 1)
    values, vectors = np.linalg.eigh(matrix)
    # Full correlations, whose least eigenvalue is 0, must pass: it comes out within about n eps
    # of the largest one.
    if values[0] < -rounding * values[-1]:
        worst = np.argsort(-np.abs(vectors[:, 0]))[:6]
        guilty = [names[i] for i in sorted(worst) if abs(vectors[i, 0]) > 1e-6]
        raise InputError(
            f"the correlations of {', '.join(map(repr, guilty))} contradict each other (a sum of "
            f"them would have the variance {values[0]:.2g})",
            "change one of them",
        )
    return as_array(matrix, float, "correlation", ndim=2)


def _check_curvatures(budget: Budget) -> None:
    index = {name: i for i, name in enumerate(budget.names)}
    seen: set[tuple[frozenset[str], str]] = set()
    for bend in budget.curvatures:
        pair = f"{bend.first!r} and {bend.second!r}"
        for name in (bend.first, bend.second):
            if name not in index:
                raise InputError(f"curvature: there is no term {name[:80]!r}" + nearest(name, index))
        i, j = index[bend.first], index[bend.second]
        # Off the diagonal: the formula holds for quantities that vary independently.
        if np.count_nonzero(budget.correlation[i]) + np.count_nonzero(budget.correlation[j]) > 2:
            raise InputError(
                f"{pair} have a curvature, and one of them correlates", "leave out one of the two"
            )
        for metric in (*bend.second_derivative, *bend.third_derivative):
            budget.metric(metric, of=f" of the curvature of {pair}")
            for term in (budget.terms[i], budget.terms[j]):
                if term.size is not None and metric not in term.sensitivity:
                    raise InputError(
                        f"the sensitivity of {metric} to {term.name!r} is not supplied, but a curvature is",
                        "give it, 0 if there is none",
                    )
        for metric in bend.second_derivative:
            if (key := (frozenset((bend.first, bend.second)), metric)) in seen:
                raise InputError(f"the second derivative of {metric} by {pair} is given twice", "keep one")
            seen.add(key)
