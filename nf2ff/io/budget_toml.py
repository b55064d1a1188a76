"""Uncertainty budgets in TOML: `template_text` explains the form and is itself an example.

Keys end in their unit: deg, mm, MHz, K and dB; a sensitivity ``eirp_db`` is in dB for each unit of
the size, as it is written.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Annotated, Any

from pydantic import Field, create_model

from nf2ff.io.safe import PathLike
from nf2ff.io.toml import Table, checked, list_of_tables, number, read_toml, template, text_key
from nf2ff.kernel.words import nearest
from nf2ff.messages.input_error import InputError, found_in
from nf2ff.uncertainty.budget.budget import Budget, correlations
from nf2ff.uncertainty.budget.budget_term import DISTRIBUTIONS, ERROR_SIGNAL, Term, direct_term
from nf2ff.uncertainty.budget.metric import DECIBEL, METRICS, SCALES, Metric

#: Largest description [bytes], and most terms: far more than a budget has.
MAX_BUDGET_BYTES = 2**20
MAX_BUDGET_TERMS = 500

#: Units at the end of a key: unit of the library, and its number in one of these. A relative
#: error of power is twice that of amplitude, to first order.
UNIT_FACTORS: Mapping[str, tuple[str, float]] = {
    "db": ("amplitude", DECIBEL),
    "amplitude": ("amplitude", 1.0),
    "power": ("amplitude", 0.5),
    "deg": ("rad", math.pi / 180),
    "mm": ("m", 1e-3),
    "mhz": ("Hz", 1e6),
    "k": ("K", 1.0),
}
#: Ways to state a size.
SIZES = ("standard_uncertainty", "half_width", "expanded_uncertainty")

_POSITIVE = "a number from 0 to 1e9"
_SMALLEST_SIGNAL = -300.0


class _TermKeys(Table):
    name: str = text_key("1 to 80 characters")
    distribution: str = text_key("one of " + ", ".join(DISTRIBUTIONS), "")
    evaluation: str = text_key("'A' or 'B'", "B")
    coverage_factor: float | None = number(0.1, 100)
    degrees_of_freedom: float = Field(
        math.inf, description="a number from 1, or inf", ge=1, allow_inf_nan=True
    )
    error_signal_db: float | None = Field(
        None, description=f"a level from {_SMALLEST_SIGNAL:z.0f} to 0", ge=_SMALLEST_SIGNAL, le=0
    )
    sensitivity: dict[str, Annotated[float, Field(ge=-1e9, le=1e9)]] = Field(
        {}, description="a number from -1e9 to 1e9 for each metric, as { eirp_db = 1.0 }"
    )
    note: str = Field("", description="a text of at most 500 characters", max_length=500)


def _size_keys() -> dict[str, Any]:
    """Keys of all ways to state a size: for each metric, or with a unit at the end."""
    keys: dict[str, Any] = {}
    one = Annotated[float, Field(ge=0, le=1e9)]
    for size in SIZES:
        allowed = (
            f"{_POSITIVE} for each metric, as {{ eirp_db = 0.1 }}, or {size} with a unit "
            f"({', '.join(UNIT_FACTORS)}) at its end, as {size}_db"
        )
        keys[size] = (dict[str, one], Field({}, description=allowed))
        for unit in UNIT_FACTORS:
            # Not listed among the keys: those without a unit say that there are these.
            keys[f"{size}_{unit}"] = (one | None, Field(None, description=_POSITIVE, repr=False))
    return keys


TermTable: Any = create_model("TermTable", __base__=_TermKeys, **_size_keys())


class MetricTable(Table):
    """A table [[metric]]."""

    name: str = text_key("1 to 40 lower-case letters, digits and underscores", most=40)
    like: str = text_key("one of " + ", ".join(METRICS))
    label: str | None = text_key("1 to 80 characters", None)


class CorrelationTable(Table):
    """A table [[correlation]]."""

    terms: list[str] = Field(description="the names of two terms", min_length=2, max_length=2)
    coefficient: float = number(-1, 1, needed=True)


class BudgetTable(Table):
    """The keys of a budget."""

    confidence: float = number(0.5, 0.9999, 0.95)
    scale: str = text_key("one of " + ", ".join(SCALES), "amplitude")
    metrics: list[str] = Field(description="a list of one or more of " + ", ".join(METRICS), min_length=1)
    metric: list[MetricTable] = Field([], description="tables [[metric]]")
    term: list[TermTable] = list_of_tables("term", MAX_BUDGET_TERMS, least=1)
    correlation: list[CorrelationTable] = Field([], description="tables [[correlation]]")


def template_text() -> str:
    """Return the customary near-field terms as a budget without values, to be filled in."""
    return template("near_field_terms")


def read_budget(path: PathLike) -> Budget:
    """Read an uncertainty budget.

    Parameters
    ----------
    path : path
        TOML file as `template_text` explains.

    Returns
    -------
    Budget
        What it says; terms without a size are not supplied.

    Raises
    ------
    ValueError
        One line that names file, term, key, value and what is allowed.
    """
    return budget_from(read_toml(path, limit=MAX_BUDGET_BYTES), where=str(path))


def budget_from(content: Mapping[str, Any], *, where: str) -> Budget:
    """Make a budget of the keys of a file, as `read_budget`; ``where`` begins its messages."""
    read = checked(BudgetTable, dict(content), where=where)
    with found_in(where):
        metrics = _metrics(read.metrics, read.metric)
        terms = []
        for i, entry in enumerate(read.term, start=1):
            with found_in(f"term {i} ({entry.name!r})"):
                terms.append(_term(entry.model_dump(), metrics))
        pairs: dict[tuple[str, str], float] = {}
        for i, pair in enumerate(read.correlation, start=1):
            (a, b), value = pair.terms, pair.coefficient
            if pairs.setdefault((a, b), value) != value:
                raise InputError(
                    f"correlation {i} of {a!r} and {b!r} is {value}, and {pairs[a, b]} before",
                    "keep one of them",
                )
        return Budget(
            tuple(terms),
            tuple(metrics.values()),
            correlations(terms, pairs),
            confidence=read.confidence,
            scale=read.scale,  # type: ignore[arg-type]  # checked there
        )


def _metrics(names: list[str], own: list[MetricTable]) -> dict[str, Metric]:
    """Metrics in the order of the list, then those of tables that it does not name."""
    known = dict(METRICS)
    for one in own:
        if one.like not in METRICS:
            raise InputError(
                f"metric {one.name!r}, like is {one.like!r}, expected one of {', '.join(METRICS)}"
                + nearest(one.like, METRICS)
            )
        if one.name in known:
            raise InputError(f"two metrics are named {one.name!r}", "give each its own name")
        known[one.name] = replace(METRICS[one.like], name=one.name, label=one.label or "")
    for i, name in enumerate(names):
        if name not in known:
            raise InputError(f"metrics holds {name!r}, expected {', '.join(known)}" + nearest(name, known))
        if name in names[:i]:
            raise InputError(f"metrics holds {name!r} twice", "name each once")
    return {name: known[name] for name in (*names, *(one.name for one in own))}


def _term(entry: dict[str, Any], metrics: Mapping[str, Metric]) -> Term:
    """Make one [[term]] from its checked keys."""
    tables = [k for k in SIZES if entry[k]]
    single = ["error_signal_db", *(f"{size}_{unit}" for size in SIZES for unit in UNIT_FACTORS)]
    given = [*tables, *(k for k in single if entry[k] is not None)]
    if len(given) > 1:
        raise InputError(f"{given[0]} and {given[1]} are both given", "keep one of them")
    key = given[0] if given else ""
    kind = next((s for s in SIZES if key.startswith(s)), key)
    if tables and entry["sensitivity"]:
        raise InputError(f"{key} is given for each metric, and a sensitivity", "keep one of them")
    distribution = entry["distribution"] or ("arcsine" if kind == "error_signal_db" else "normal")
    bounded = DISTRIBUTIONS[distribution].bounded if distribution in DISTRIBUTIONS else None
    _check_kind(entry, kind, distribution, bounded)
    common = {key: entry[key] for key in ("degrees_of_freedom", "evaluation", "note")}
    common |= {"distribution": distribution, "coverage_factor": entry["coverage_factor"] or 1.0}
    # The size of a bounded distribution is its half-width.
    stretch = DISTRIBUTIONS[distribution].divisor if bounded and kind == SIZES[0] else 1.0
    if tables:
        each = _by_metric(entry[key], metrics, key)
        return direct_term(entry["name"], {m: x * stretch for m, x in each.items()}, **common)
    if kind == "error_signal_db":
        unit, one, size = ERROR_SIGNAL, DECIBEL, 10 ** (entry[key] / 20)
    else:
        unit, one = UNIT_FACTORS[key.rpartition("_")[2]] if key else ("?", 1.0)
        size = entry[key] * one * stretch if key else None
    sensitivity = _by_metric(entry["sensitivity"], metrics, "sensitivity")
    slopes = {m: c / one for m, c in sensitivity.items()}
    return Term(entry["name"], size, unit, sensitivity=slopes, **common)


def _check_kind(entry: dict[str, Any], kind: str, distribution: str, bounded: bool | None) -> None:
    """Refuse a size and a distribution that do not go together."""
    bounds = [name for name, d in DISTRIBUTIONS.items() if d.bounded]
    if kind == "half_width" and bounded is False:
        given = f"is {distribution!r}" if entry["distribution"] else "is missing"
        raise InputError(f"half_width: the distribution {given}, expected one of {', '.join(bounds)}")
    if kind == "expanded_uncertainty" and (bounded or entry["coverage_factor"] is None):
        raise InputError(
            "expanded_uncertainty needs coverage_factor, as the certificate states it, and the "
            "distribution 'normal'"
        )
    if kind != "expanded_uncertainty" and entry["coverage_factor"] is not None:
        raise InputError(
            f"coverage_factor is {entry['coverage_factor']} without an expanded_uncertainty",
            "remove it, or name the size so",
        )


def _by_metric(values: Mapping[str, float], metrics: Mapping[str, Metric], key: str) -> dict[str, float]:
    """Values by the name of the metric, in the library's units; their keys end in the unit."""
    keys = {f"{m.name}_{m.shown.name.lower()}": m for m in metrics.values()}
    found = {}
    for name, value in values.items():
        if name not in keys:
            raise InputError(f"{key} has {name[:60]!r}, expected {', '.join(keys)}" + nearest(name, keys))
        found[keys[name].name] = value / keys[name].shown.factor
    return found
