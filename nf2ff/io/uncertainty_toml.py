"""Uncertainties described in TOML: a budget, errors to model, figures to look at.

The budget is that of `budget_toml`, in the same file; `uncertainty_template` explains all of it
and is itself an example. Keys end in their unit: deg, mm, dB.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from nf2ff.io.budget_toml import BudgetTable, budget_from, template_text
from nf2ff.io.safe import PathLike
from nf2ff.io.toml import Table, checked, list_of_tables, read_toml, seed_key, template, text_key, whole
from nf2ff.kernel.words import nearest
from nf2ff.messages.input_error import InputError, found_in
from nf2ff.metrics.planes import ALLOWED, PlaneLike, checked_plane, plane_label, read_plane
from nf2ff.uncertainty.budget.budget_term import Evaluation
from nf2ff.uncertainty.budget.metric import METRICS, Metric
from nf2ff.uncertainty.errors.catalogue import UNIT_ENDINGS, make_term
from nf2ff.uncertainty.errors.checks import choose
from nf2ff.uncertainty.errors.error_term import ErrorTerm
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.request import FIGURES, Assessment, ModelledError

#: Most errors and draws, far more than are wanted, and cuts, as many as a picture shows.
MAX_ERRORS = 100
MAX_DRAWS = 1_000_000
#: Most metrics: a file of the result has room for some more.
MAX_METRICS = 40
MAX_PATTERN_CUTS = 3
#: Draws if none are asked for: the standard uncertainty is then known to 5 % (closed form,
#: 1/sqrt(2 x 199)), and an interval of 95 % has five draws on either side.
DEFAULT_DRAWS = 200
#: Keys of the file that make its budget.
BUDGET_KEYS = tuple(BudgetTable.model_fields)
#: What each metric may be told of its figure.
_DIRECTION = ("theta_deg", "phi_deg")
_KEYS: Mapping[str, tuple[str, ...]] = {
    "directivity": _DIRECTION,
    "gain": _DIRECTION,
    "eirp": _DIRECTION,
    "trp": (),
    "beamwidth": ("plane_deg", "plane", "drop_db"),
    "pointing": (),
    "sidelobe_level": ("plane_deg", "plane"),
    "pattern": _DIRECTION,
}


class ErrorTable(BaseModel):
    """A table [[error]]; the keys of its kind are let through to `error_from`."""

    model_config = ConfigDict(extra="allow", strict=True)

    kind: str = Field(description="a name in quotes, one of those that nf2ff uncertainty --template shows")


class NamedErrorTable(ErrorTable):
    """A table [[error]] that has the keys of a term of a budget, too."""

    name: str = text_key("1 to 80 printable characters", "")
    evaluation: Evaluation = Field("B", description="'A' or 'B'")
    degrees_of_freedom: float = Field(math.inf, description="a number from 1, or inf", ge=1)
    note: str = Field("", description="at most 500 characters", max_length=500)


class FigureTable(Table):
    """A table [figure.METRIC]; `figures_of` checks which keys a metric takes."""

    plane_deg: float | None = Field(None, description="an angle from -360 to 360 deg", ge=-360, le=360)
    plane: str | None = Field(None, description=ALLOWED, max_length=40)
    drop_db: float | None = Field(None, description="a level above 0, at most 60 dB", gt=0, le=60)
    theta_deg: float | None = Field(None, description="an angle from 0 to 180 deg", ge=0, le=180)
    phi_deg: float | None = Field(None, description="an angle from -360 to 360 deg", ge=-360, le=360)


class PropagationTable(Table):
    """The table [propagation]."""

    degree: int | None = whole(1, 10_000)
    draws: int = whole(1, MAX_DRAWS, DEFAULT_DRAWS)
    seed: int = seed_key()


def _cut_key(what: str) -> Any:
    return Field(
        None,
        description=f"a list of 1 to {MAX_PATTERN_CUTS} {what}",
        min_length=1,
        max_length=MAX_PATTERN_CUTS,
    )


class CutTable(Table):
    """The table [cut]."""

    plane_deg: list[float] | None = _cut_key("angles [deg]")
    plane: list[str] | None = _cut_key("planes in words")


class UncertaintyTable(Table):
    """The keys of the file, but for those of its budget."""

    error: list[NamedErrorTable] = list_of_tables("error", MAX_ERRORS)
    figure: dict[str, FigureTable] = Field({}, description="tables [figure.METRIC]")
    propagation: PropagationTable = Field(
        default_factory=PropagationTable, description="a table [propagation]"
    )
    cut: CutTable = Field(default_factory=CutTable, description="a table [cut]")


@dataclass(frozen=True, slots=True, eq=False)
class UncertaintyFile:
    """An uncertainty as its description asks for it.

    Parameters
    ----------
    assessment : Assessment
        Errors, and the figures whose uncertainty is asked for.
    degree : int or None
        Degree of the modes, None to choose it from the data.
    draws, seed : int
        Number of draws, and their seed.
    plane : tuple of float or str
        Cuts through the peak on which to follow the pattern, as `metrics.planes.plane_of` has them.
    """

    assessment: Assessment
    degree: int | None
    draws: int
    seed: int
    plane: tuple[PlaneLike, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "plane", tuple(map(checked_plane, self.plane)))


def uncertainty_template() -> str:
    """Return the customary near-field terms, and errors to model, to be filled in."""
    return template_text() + template("modelled_errors")


def read_uncertainty_file(path: PathLike, *, realised: bool = False) -> UncertaintyFile:
    """Read the description of an uncertainty, from a TOML file as `uncertainty_template` explains."""
    return uncertainty_file_from(read_toml(path), where=str(path), realised=realised)


def uncertainty_file_from(
    content: Mapping[str, Any], *, where: str, realised: bool = False
) -> UncertaintyFile:
    """As `read_uncertainty_file`, from the keys of the file; ``where`` begins its messages."""
    for key in content:
        choose(key, (*BUDGET_KEYS, *UncertaintyTable.model_fields), f"{where}: key")
    own = {key: x for key, x in content.items() if key not in BUDGET_KEYS}
    read = checked(UncertaintyTable, own, where=where)
    errors = _errors(read.error, where)
    budget = budget_from(_with_places(content, errors), where=where)
    if len(budget.metrics) > MAX_METRICS:
        raise InputError(
            f"{where}: there are {len(budget.metrics)} metrics, expected at most {MAX_METRICS}",
            "leave some out",
        )
    likes = {x["name"]: x["like"] for x in content.get("metric", ())}
    metrics = {m.name: likes.get(m.name, m.name) for m in budget.metrics}
    check_figures(read.figure, metrics, where)
    told = {name: table.model_dump() for name, table in read.figure.items()}
    figures = {
        name: figures_of(like, told.get(name, {}), f"{where}: figure.{name}")
        for name, like in metrics.items()
    }
    named = [_labelled(m, metrics[m.name], figures[m.name][0], realised) for m in budget.metrics]
    unknown = tuple(name for name, like in metrics.items() if like == "gain")
    with found_in(where):
        assessment = Assessment(replace(budget, metrics=tuple(named)), tuple(errors), figures, unknown)
    how = read.propagation
    with found_in(f"{where}: cut"):
        return UncertaintyFile(assessment, how.degree, how.draws, how.seed, _cuts(read.cut))


def _cuts(told: CutTable) -> tuple[PlaneLike, ...]:
    """Planes of the cuts on which the pattern is followed."""
    if told.plane is None:
        return tuple(map(math.radians, (0.0, 90.0) if told.plane_deg is None else told.plane_deg))
    if told.plane_deg is not None:
        raise InputError("has plane_deg and plane", "give one of them")
    return tuple(map(read_plane, told.plane))


def _errors(read: list[NamedErrorTable], where: str) -> list[ModelledError]:
    """Errors of the tables [[error]]; of several of a kind, those without a name are counted."""
    kinds = Counter(one.kind for one in read if not one.name)
    seen: Counter[str] = Counter()
    result = []
    for i, one in enumerate(read, start=1):
        place = f"{where}: error {i} ({(one.name or one.kind)[:80]!r})"
        error, name = error_from(one.kind, one.model_extra or {}, where=place), one.name
        if not name:
            seen[one.kind] += 1
            name = f"{one.kind} {seen[one.kind]}" if kinds[one.kind] > 1 else one.kind
        result.append(ModelledError(name, error, one.evaluation, one.degrees_of_freedom, one.note))
    return result


def errors_from(tables: Iterable[ErrorTable], path: PathLike) -> tuple[ErrorTerm, ...]:
    """Error terms of the tables [[error]] of a file."""
    return tuple(
        error_from(one.kind, one.model_extra or {}, where=f"{path}: error {i} ({one.kind[:80]!r})")
        for i, one in enumerate(tables, start=1)
    )


def error_from(kind: str, values: Mapping[str, Any], *, where: str) -> ErrorTerm:
    """Make an error term as `make_term`, but refuse one without a size: not supplied is not zero.

    ``where`` begins its messages.
    """
    with found_in(where):
        term = make_term(kind, values)
        keys = {field + ending for field in term.sizes for ending in ("", *UNIT_ENDINGS)}
        if term.sizes and not keys & values.keys():
            raise InputError(f"{kind} has no size", f"give {' or '.join(term.sizes)}, 0 if there is none")
    return term


def _with_places(content: Mapping[str, Any], errors: list[ModelledError]) -> dict[str, Any]:
    """The budget's part of a file, with a term for each error that has no place in it yet."""
    part = {key: x for key, x in content.items() if key in BUDGET_KEYS}
    terms = part.get("term", [])
    if not errors or not isinstance(terms, list):
        return part
    there = [x.get("name") for x in terms if isinstance(x, Mapping)]
    new = dict.fromkeys(one.name for one in errors if one.name not in there)
    return part | {"term": [*terms, *({"name": name} for name in new)]}


def _labelled(metric: Metric, like: str, figure: Figure, realised: bool) -> Metric:
    """The metric with its cut or direction in its label, unless the file gives it a label."""
    if metric.label != METRICS[like].label or metric.name != like:
        return metric
    label = "peak realised gain" if realised and like == "gain" else metric.label
    if figure.name.endswith("-towards"):
        what = label.removeprefix("peak ").removesuffix(" at a direction")
        theta, phi = (round(math.degrees(x), 6) for x in (figure.theta, figure.phi))
        label = f"{what} at theta {theta:zg}, phi {phi:zg} deg"
    elif figure.name == "beamwidth":
        label = f"{label} ({figure.drop_db:.3g} dB, {plane_label(figure.plane)})"
    elif figure.name == "sidelobe-level":
        label = f"{label} ({plane_label(figure.plane)})"
    return replace(metric, label=label)


def check_figures(tables: Iterable[str], metrics: Iterable[str], where: str) -> None:
    """Refuse a table [figure.METRIC] of a metric that is not asked for; ``where`` begins the message."""
    there = list(metrics)
    for name in tables:
        if name not in there:
            raise InputError(
                f"{where}: [figure.{name[:40]}] is there, but metrics are {', '.join(there)}: add "
                "it to them, or leave the table out" + nearest(name, there)
            )


def figures_of(like: str, told: Mapping[str, Any], where: str) -> tuple[Figure, ...]:
    """Figures of a metric."""
    given = {key: x for key, x in told.items() if x is not None}
    towards = [key for key in _DIRECTION if key in given]
    names = FIGURES[like]
    values: dict[str, Any] = {}
    with found_in(where):
        for key in given:
            if key not in _KEYS[like]:
                allowed = ", ".join(_KEYS[like]) or "no key"
                raise InputError(f"has {key}, but {like} takes {allowed}", "leave it out")
        if len(towards) == 1 or (like == "pattern" and not towards):
            missing = next(key for key in _DIRECTION if key not in given)
            raise InputError(f"key {missing!r} is missing", "give the direction, theta_deg and phi_deg")
        if "plane" in given and "plane_deg" in given:
            raise InputError("has plane_deg and plane", "give one of them")
        for key, x in given.items():
            if key == "plane":
                values[key] = read_plane(x)
            else:
                values[key.removesuffix("_deg")] = math.radians(x) if key.endswith("_deg") else x
        if towards and like != "pattern":
            names = tuple(f"{name}-towards" for name in names)
        return tuple(Figure(name, **values) for name in names)
