"""Uncertainty budgets in TOML: `template_text` explains the form and is itself an example.

Keys end in their unit: deg, mm, MHz, K and dB; a sensitivity ``eirp_db`` is in dB for each unit of
the size, as it is written.
"""

from __future__ import annotations

import functools
import importlib.resources
import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

from nf2ff.io.safe import PathLike
from nf2ff.io.toml import read_toml, validated
from nf2ff.kernel.words import nearest
from nf2ff.messages.input_error import InputError
from nf2ff.uncertainty.budget.budget import Budget, correlations
from nf2ff.uncertainty.budget.metric import DECIBEL, METRICS, SCALES, Metric
from nf2ff.uncertainty.budget.term import DISTRIBUTIONS, ERROR_SIGNAL, Term, direct_term

if TYPE_CHECKING:
    from pydantic import BaseModel

#: Largest description [bytes], and most terms: far more than a budget has.
MAX_TOML = 2**20
MAX_TERMS = 500

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
T = TypeVar("T")


def template_text() -> str:
    """Return the customary near-field terms as a budget without values, to be filled in.

    Returns
    -------
    str
        TOML that `read_budget` reads: all its terms are not supplied.
    """
    source = importlib.resources.files("nf2ff.io").joinpath("templates", "near_field_terms.toml")
    return source.read_text(encoding="utf-8")


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
    return budget_from(read_toml(path, limit=MAX_TOML), where=str(path))


def budget_from(content: Mapping[str, Any], *, where: str) -> Budget:
    """Make a budget of what a TOML file holds, or part of one.

    Parameters
    ----------
    content : mapping
        confidence, scale, metrics, and the lists metric, term and correlation.
    where : str
        Beginning of messages, such as the name of the file.

    Returns
    -------
    Budget
        What it says.

    Raises
    ------
    ValueError
        One line as in `read_budget`.
    """
    read = validated(_model(), content, where=where)
    metrics = _named(where, lambda: _metrics(read["metrics"], read["metric"]))
    terms = [
        _named(
            f"{where}: term {i} ({term['name']!r})",
            lambda term=term: _term(term, metrics),  # type: ignore[misc]
        )
        for i, term in enumerate(read["term"], start=1)
    ]
    pairs: dict[tuple[str, str], float] = {}
    for i, entry in enumerate(read["correlation"], start=1):
        a, b = entry["terms"]
        if pairs.setdefault((a, b), entry["coefficient"]) != entry["coefficient"]:
            raise InputError(
                f"{where}: correlation {i} of {a!r} and {b!r} is {entry['coefficient']}, and "
                f"{pairs[a, b]} before",
                "keep one of them",
            )
    return _named(
        where,
        lambda: Budget(
            tuple(terms),
            tuple(metrics.values()),
            correlations(terms, pairs),
            confidence=read["confidence"],
            scale=read["scale"],
        ),
    )


@functools.cache
def _model() -> type[BaseModel]:
    """Model of the file; each description says what is allowed."""
    from pydantic import ConfigDict, Field, create_model

    strict = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)

    def text(allowed: str, default: Any = ..., most: int = 80) -> Any:
        shown = Field(default, description=allowed, min_length=1, max_length=most)
        return (str, shown)

    def number(allowed: str, default: Any = ..., **limits: float) -> Any:
        kind = float if default is ... or default is not None else float | None
        return (kind, Field(default, description=allowed, **limits))  # type: ignore[call-overload]

    def table(allowed: str, **limits: float) -> Any:
        value = Annotated[float, Field(**limits)]
        return (dict[str, value], Field(default_factory=dict, description=allowed))

    units = ", ".join(UNIT_FACTORS)
    sizes: dict[str, Any] = {}
    for size in SIZES:
        sizes[size] = table(
            f"{_POSITIVE} for each metric, as {{ eirp_db = 0.1 }}, or {size} with a unit ({units}) "
            f"at its end, as {size}_db",
            ge=0,
            le=1e9,
        )
        for unit in UNIT_FACTORS:
            # Not listed among the keys: those without a unit say that there are these.
            sizes[f"{size}_{unit}"] = number(_POSITIVE, None, ge=0, le=1e9, repr=False)
    term: Any = create_model(
        "term",
        __config__=strict,
        name=text("1 to 80 characters"),
        distribution=text("one of " + ", ".join(DISTRIBUTIONS), ""),
        evaluation=text("'A' or 'B'", "B"),
        coverage_factor=number("a number from 0.1 to 100", None, ge=0.1, le=100),
        degrees_of_freedom=(
            float,
            Field(math.inf, description="a number from 1, or inf", ge=1, allow_inf_nan=True),
        ),
        error_signal_db=number(f"a level from {_SMALLEST_SIGNAL:.0f} to 0", None, ge=_SMALLEST_SIGNAL, le=0),
        sensitivity=table("a number from -1e9 to 1e9 for each metric, as { eirp_db = 1.0 }", ge=-1e9, le=1e9),
        note=(str, Field("", description="a text of at most 500 characters", max_length=500)),
        **sizes,
    )
    metric: Any = create_model(
        "metric",
        __config__=strict,
        name=text("1 to 40 lower-case letters, digits and underscores", most=40),
        like=text("one of " + ", ".join(METRICS)),
        label=text("1 to 80 characters", None),
    )
    correlation: Any = create_model(
        "correlation",
        __config__=strict,
        terms=(list[str], Field(description="the names of two terms", min_length=2, max_length=2)),
        coefficient=number("a number from -1 to 1", ge=-1, le=1),
    )
    return create_model(
        "budget",
        __config__=strict,
        confidence=number("a number from 0.5 to 0.9999", 0.95, ge=0.5, le=0.9999),
        scale=text("one of " + ", ".join(SCALES), "amplitude"),
        metrics=(
            list[str],
            Field(description="a list of one or more of " + ", ".join(METRICS), min_length=1),
        ),
        metric=(list[metric], Field(default_factory=list, description="tables [[metric]]")),
        term=(
            list[term],
            Field(description=f"1 to {MAX_TERMS} tables [[term]]", min_length=1, max_length=MAX_TERMS),
        ),
        correlation=(list[correlation], Field(default_factory=list, description="tables [[correlation]]")),
    )


def _named(where: str, make: Callable[[], T]) -> T:
    """Call, and say where if it refuses."""
    try:
        return make()
    except ValueError as error:
        raise InputError(f"{where}: {error}") from error


def _metrics(names: list[str], own: list[dict[str, Any]]) -> dict[str, Metric]:
    """Metrics in the order of the list, then those of tables that it does not name."""
    known = dict(METRICS)
    for entry in own:
        if (like := entry["like"]) not in METRICS:
            raise InputError(
                f"metric {entry['name']!r}, like is {like!r}, expected one of {', '.join(METRICS)}"
                + nearest(like, METRICS)
            )
        if entry["name"] in known:
            raise InputError(f"two metrics are named {entry['name']!r}", "give each its own name")
        known[entry["name"]] = replace(METRICS[like], name=entry["name"], label=entry["label"] or "")
    bad = next((name for name in names if name not in known), None)
    if bad is not None:
        raise InputError(f"metrics holds {bad!r}, expected {', '.join(known)}" + nearest(bad, known))
    again = next((name for i, name in enumerate(names) if name in names[:i]), None)
    if again is not None:
        raise InputError(f"metrics holds {again!r} twice", "name each once")
    return {name: known[name] for name in (*names, *(entry["name"] for entry in own))}


def _term(entry: dict[str, Any], metrics: Mapping[str, Metric]) -> Term:
    """Make one [[term]] from its checked keys."""
    tables = [k for k in SIZES if entry[k]]
    single = [k for k in entry if k.rpartition("_")[0] in SIZES or k == "error_signal_db"]
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
    common: dict[str, Any] = {
        "distribution": distribution,
        "coverage_factor": entry["coverage_factor"] or 1.0,
        "degrees_of_freedom": entry["degrees_of_freedom"],
        "evaluation": entry["evaluation"],
        "note": entry["note"],
    }
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
