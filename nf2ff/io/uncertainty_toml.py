"""What an uncertainty is asked of, in TOML: a budget, errors to model, figures to look at.

The budget is that of `budget_files`, in the same file; `uncertainty_template` explains all of it
and is itself an example. Keys end in their unit: deg, mm, dB.
"""

from __future__ import annotations

import functools
import importlib.resources
import math
import re
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from nf2ff.io.budget_toml import budget_from, template_text
from nf2ff.io.safe import PathLike
from nf2ff.io.toml import read_toml, short, validated
from nf2ff.kernel.words import nearest
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.planes import ALLOWED, Plane, PlaneLike, checked_plane, plane_text, read_plane
from nf2ff.uncertainty.budget.metric import METRICS, Metric
from nf2ff.uncertainty.errors.catalogue import ERROR_TERMS, UNIT_ENDINGS, make_term
from nf2ff.uncertainty.errors.checks import choose
from nf2ff.uncertainty.errors.term import ErrorTerm
from nf2ff.uncertainty.local_figures import Figure
from nf2ff.uncertainty.request import FIGURES, Assessment, ModelledError

if TYPE_CHECKING:
    from pydantic import BaseModel, ConfigDict

#: Most errors and draws, far more than are wanted, and cuts, as many as a picture shows.
MAX_ERRORS = 100
MAX_DRAWS = 1_000_000
#: Most metrics: a file of the result has room for some more.
MAX_METRICS = 40
MAX_CUTS = 3
#: Draws if none are asked for: the standard uncertainty is then known to 5 % (closed form,
#: 1/sqrt(2 x 199)), and an interval of 95 % has five draws on either side.
DRAWS = 200
#: Keys of the file that `budget_files` reads.
BUDGET_KEYS = ("confidence", "scale", "metrics", "metric", "term", "correlation")
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
#: Endings of keys that are in another unit than the field of an error, and its units.
_ENDINGS = {ending: units for ending, (units, _) in UNIT_ENDINGS.items()}


@dataclass(frozen=True, slots=True, eq=False)
class UncertaintyFile:
    """What a description of an uncertainty says.

    Parameters
    ----------
    assessment : Assessment
        What may err, and what is looked at.
    degree : int or None
        Degree of the modes, None to choose it from the data.
    draws : int
        Number of draws.
    seed : int
        Seed of the draws.
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
    """Return the customary near-field terms, and errors to model, to be filled in.

    Returns
    -------
    str
        TOML that `read_uncertainty_file` reads: all its terms are not supplied.
    """
    source = importlib.resources.files("nf2ff.io").joinpath("templates", "modelled_errors.toml")
    return template_text() + source.read_text(encoding="utf-8")


def read_uncertainty_file(path: PathLike) -> UncertaintyFile:
    """Read what an uncertainty is asked of.

    Parameters
    ----------
    path : path
        TOML file as `uncertainty_template` explains.

    Returns
    -------
    UncertaintyFile

    Raises
    ------
    ValueError
        One line that names file, table, key, value and what is allowed.
    """
    return uncertainty_file_from(read_toml(path), where=str(path))


def uncertainty_file_from(content: Mapping[str, Any], *, where: str) -> UncertaintyFile:
    """Make what `read_uncertainty_file` does of what a TOML file holds.

    Parameters
    ----------
    content : mapping
        Keys of the file.
    where : str
        Beginning of messages, such as the name of the file.

    Returns
    -------
    UncertaintyFile

    Raises
    ------
    ValueError
        As `read_uncertainty_file`.
    """
    known = (*BUDGET_KEYS, *_models()["file"].model_fields)
    for key in content:
        choose(key, known, f"{where}: key")
    own = {key: x for key, x in content.items() if key not in BUDGET_KEYS}
    read = validated(_models()["file"], own, where=where)
    errors = _errors(read["error"], where)
    budget = budget_from(_with_places(content, errors), where=where)
    if len(budget.metrics) > MAX_METRICS:
        raise InputError(
            f"{where}: there are {len(budget.metrics)} metrics, expected at most {MAX_METRICS}",
            "leave some out",
        )
    likes = {x["name"]: x["like"] for x in content.get("metric", ())}
    metrics = {m.name: likes.get(m.name, m.name) for m in budget.metrics}
    check_figures(read["figure"], metrics, where)
    figures = {
        name: figures_of(like, read["figure"].get(name, {}), f"{where}: figure.{name}")
        for name, like in metrics.items()
    }
    named = [_labelled(m, metrics[m.name], figures[m.name][0]) for m in budget.metrics]
    budget = replace(budget, metrics=tuple(named))
    try:
        unknown = tuple(name for name, like in metrics.items() if like == "gain")
        assessment = Assessment(budget, tuple(errors), figures, unknown)
    except ValueError as error:
        raise InputError(f"{where}: {error}") from error
    how = read["propagation"]
    planes = _cuts(read["cut"], f"{where}: cut")
    return UncertaintyFile(assessment, how["degree"], how["draws"], how["seed"], planes)


def _cuts(told: Mapping[str, Any], where: str) -> tuple[PlaneLike, ...]:
    """Planes of the cuts on which the pattern is followed."""
    angles, words = told["plane_deg"], told["plane"]
    if angles is not None and words is not None:
        raise InputError(f"{where}: has plane_deg and plane", "give one of them")
    if words is not None:
        return tuple(_plane(x, where) for x in words)
    return tuple(math.radians(x) for x in ((0.0, 90.0) if angles is None else angles))


def _plane(text: str, where: str) -> PlaneLike:
    try:
        return read_plane(text)
    except ValueError as error:
        raise InputError(f"{where}: {error}") from error


def strict() -> ConfigDict:
    """Configuration of a model that takes what it names and nothing else."""
    from pydantic import ConfigDict

    return ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


def error_model(*, named: bool = True) -> type[BaseModel]:
    """Model of a table [[error]]; keys of its kind are let through to `error_from`.

    Parameters
    ----------
    named : bool
        Whether it has the keys of a term of a budget, too.

    Returns
    -------
    type of BaseModel
        The model.
    """
    from pydantic import ConfigDict, Field, create_model

    kind = (str, Field(description="one of " + ", ".join(ERROR_TERMS)))
    more: dict[str, Any] = {
        "name": (str, Field("", description="1 to 80 printable characters", min_length=1, max_length=80)),
        "evaluation": (str, Field("B", description="'A' or 'B'", pattern="^[AB]$")),
        "degrees_of_freedom": (float, Field(math.inf, description="a number from 1, or inf", ge=1)),
        "note": (str, Field("", description="at most 500 characters", max_length=500)),
    }
    return create_model(
        "error", __config__=ConfigDict(strict=True, extra="allow"), kind=kind, **(more if named else {})
    )


def figure_model() -> type[BaseModel]:
    """Model of a table [figure.METRIC]; `figures_of` checks which keys a metric takes."""
    from pydantic import Field, create_model

    def number(allowed: str, **limits: Any) -> Any:
        return (float | None, Field(None, description=allowed, **limits))

    return create_model(
        "figure",
        __config__=strict(),
        plane_deg=number("an angle from -360 to 360 deg", ge=-360, le=360),
        plane=(str | None, Field(None, description=ALLOWED, max_length=40)),
        drop_db=number("a level above 0, at most 60 dB", gt=0, le=60),
        theta_deg=number("an angle from 0 to 180 deg", ge=0, le=180),
        phi_deg=number("an angle from -360 to 360 deg", ge=-360, le=360),
    )


@functools.cache
def _models() -> dict[str, type[BaseModel]]:
    """Models of tables and of the file; each description says what is allowed."""
    from pydantic import Field, create_model

    def whole(allowed: str, default: int | None, least: int, most: int) -> Any:
        kind = int | None if default is None else int
        return (kind, Field(default, description=allowed, ge=least, le=most))

    error: Any = error_model()
    figure: Any = figure_model()
    propagation: Any = create_model(
        "propagation",
        __config__=strict(),
        degree=whole("a whole number from 1 to 10000", None, 1, 10_000),
        draws=whole(f"a whole number from 1 to {MAX_DRAWS}", DRAWS, 1, MAX_DRAWS),
        seed=whole("a whole number from 0", 0, 0, 2**63 - 1),
    )
    cut: Any = create_model(
        "cut",
        __config__=strict(),
        plane_deg=(
            list[float] | None,
            Field(
                None, min_length=1, max_length=MAX_CUTS, description=f"a list of 1 to {MAX_CUTS} angles [deg]"
            ),
        ),
        plane=(
            list[str] | None,
            Field(
                None,
                min_length=1,
                max_length=MAX_CUTS,
                description=f"a list of 1 to {MAX_CUTS} planes in words",
            ),
        ),
    )
    file = create_model(
        "file",
        __config__=strict(),
        error=(
            list[error],
            Field(
                default_factory=list,
                max_length=MAX_ERRORS,
                description=f"at most {MAX_ERRORS} tables [[error]]",
            ),
        ),
        figure=(dict[str, figure], Field(default_factory=dict, description="tables [figure.METRIC]")),
        propagation=(propagation, Field(propagation(), description="a table [propagation]")),
        cut=(cut, Field(cut(), description="a table [cut]")),
    )
    return {"file": file, "error": error}


def _errors(read: list[dict[str, Any]], where: str) -> list[ModelledError]:
    """Errors of the tables [[error]]."""
    common = tuple(_models()["error"].model_fields)
    found = []
    for i, entry in enumerate(read, start=1):
        values = {key: x for key, x in entry.items() if key not in common}
        place = f"{where}: error {i} ({(entry['name'] or entry['kind'])[:80]!r})"
        error = error_from(entry["kind"], values, where=place)
        found.append((error, entry))
    kinds = Counter(error.name for error, entry in found if not entry["name"])
    seen: Counter[str] = Counter()
    result = []
    for error, entry in found:
        name = entry["name"]
        if not name:
            seen[error.name] += 1
            name = error.name + (f" {seen[error.name]}" if kinds[error.name] > 1 else "")
        result.append(
            ModelledError(name, error, entry["evaluation"], entry["degrees_of_freedom"], entry["note"])
        )
    return result


def error_from(kind: str, values: Mapping[str, Any], *, where: str) -> ErrorTerm:
    """Make an error term of its keys.

    Parameters
    ----------
    kind : str
        One of `ERROR_TERMS`.
    values : mapping of str to any
        Its keys, as `make_term` takes them.
    where : str
        Beginning of messages.

    Returns
    -------
    ErrorTerm
        The term.

    Raises
    ------
    ValueError
        One line; with the key and value as they were given, where the message has another unit.
        Also if no size is given where all may be left out: not supplied is not zero.
    """
    try:
        term = make_term(kind, values)
    except (TypeError, OverflowError) as error:
        raise InputError(
            f"{where}: a value is of the wrong type or too large ({error})", "give it as a number"
        ) from error
    except ValueError as error:
        text = " ".join(str(error).split())
        if missing := re.search(r": (\w+) is missing: give it \[(.*)\]$", text):
            field, units = missing[1], set(re.findall(r"\w+", missing[2]))
            text += "".join(f", or {field}{x}" for x, of in _ENDINGS.items() if units & {*of})
        for key, value in values.items():
            field = next((key.removesuffix(x) for x in _ENDINGS if key.endswith(x)), key)
            if field != key and f": {field} is " in text:
                text += f" (given: {key} = {short(value)})"
        raise InputError(f"{where}: {text}") from error
    keys = [x + end for x in term.sizes for end in ("", *_ENDINGS)]
    if term.sizes and not any(key in values for key in keys):
        raise InputError(
            f"{where}: {kind} has no size", f"give {' or '.join(term.sizes)}, 0 if there is none"
        )
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


def _labelled(metric: Metric, like: str, figure: Figure) -> Metric:
    """The metric with its cut or direction in its label, unless the file gives it a label."""
    if metric.label != METRICS[like].label or metric.name != like:
        return metric
    theta, phi = (round(math.degrees(x), 6) for x in (figure.theta, figure.phi))
    cut = cut_label(figure)
    label = metric.label
    if figure.name.endswith("-towards"):
        what = label.removeprefix("peak ").removesuffix(" at a direction")
        label = f"{what} at theta {theta:g}, phi {phi:g} deg"
    elif figure.name == "beamwidth":
        label = f"{label} ({figure.drop_db:.3g} dB, {cut})"
    elif figure.name == "sidelobe-level":
        label = f"{label} ({cut})"
    return replace(metric, label=label)


def cut_label(figure: Figure) -> str:
    """The plane of a figure's cut as it was asked for, in a few words."""
    text = plane_text(figure.plane)
    return f"plane {text}" if isinstance(figure.plane, str | Plane) else f"cut {text} deg"


def check_figures(tables: Iterable[str], metrics: Iterable[str], where: str) -> None:
    """Refuse a table [figure.METRIC] of a metric that is not asked for.

    Parameters
    ----------
    tables, metrics : iterable of str
        Names of the tables, and of the metrics.
    where : str
        Beginning of messages.

    Raises
    ------
    ValueError
        Naming the table and the metrics there are.
    """
    there = list(metrics)
    for name in tables:
        if name not in there:
            raise InputError(
                f"{where}: [figure.{name[:40]}] is there, but metrics are {', '.join(there)}: add "
                "it to them, or leave the table out" + nearest(name, there)
            )


def figures_of(like: str, told: Mapping[str, Any], where: str) -> tuple[Figure, ...]:
    """Figures of a metric.

    Parameters
    ----------
    like : str
        One of `FIGURES`.
    told : mapping of str to float, str or None
        Keys of its table [figure.METRIC].
    where : str
        Beginning of messages.

    Returns
    -------
    tuple of Figure
        One, of pointing two.

    Raises
    ------
    ValueError
        If the metric takes no such key, there is no such plane, or a direction is not complete.
    """
    given = {key: x for key, x in told.items() if x is not None}
    for key in given:
        if key not in _KEYS[like]:
            allowed = ", ".join(_KEYS[like]) or "no key"
            raise InputError(f"{where}: has {key}, but {like} takes {allowed}", "leave it out")
    towards = [key for key in _DIRECTION if key in given]
    if len(towards) == 1 or (like == "pattern" and not towards):
        missing = next(key for key in _DIRECTION if key not in given)
        raise InputError(f"{where}: key {missing!r} is missing", "give the direction, theta_deg and phi_deg")
    if "plane" in given and "plane_deg" in given:
        raise InputError(f"{where}: has plane_deg and plane", "give one of them")
    values: dict[str, Any] = {}
    for key, x in given.items():
        if key == "drop_db":
            values[key] = x
        elif key == "plane":
            values[key] = _plane(x, where)
        else:
            values[key.removesuffix("_deg")] = math.radians(x)
    names = FIGURES[like]
    if towards and like != "pattern":
        names = tuple(f"{name}-towards" for name in names)
    return tuple(Figure(name, **values) for name in names)
