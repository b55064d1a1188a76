"""How errors grow, as a native file.

The group ``/study`` holds what was varied, as ``value``, and the error level of the pattern;
``/errors/N`` those of the N-th figure, ``/kept`` draws that were stopped. Errors of powers are in decibels,
those of angles in rad. Of several frequencies each is a ``curve``.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from nf2ff.io.hdf5 import Attribute, Field, Schema, find, open_native, write
from nf2ff.io.kept_draws import draws_of, kept_groups
from nf2ff.io.safe import PathLike
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.planes import Plane, PlaneLike, checked_plane
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.growth import PARAMETER_UNITS, Growth, Shown, shown_for

_ALL = ("value", "curve")
_CURVE = Field("curve", "1", "number of the frequency, from 1", ("curve",), "i", derived=True)
_LEVEL = "mean square error of the far field over the sphere relative to its mean square"
_LOW, _HIGH = "lower end of the interval of the draws", "upper end of the interval of the draws"
_ERROR = {"mean": "mean error", "spread": "standard deviation of the error", "low": _LOW, "high": _HIGH}
_SETS = (
    Field("names", "1", "what is read", ("value",), "O"),
    Field("remarks", "1", "why draws were not certified", ("value",), "O"),
    Field("certified", "1", "part of the draws that was certified", _ALL),
    Field("predicted_db", "dB", "median of the predicted rms error of the far field", _ALL, missing=True),
)
_PARAMETER = Attribute("parameter", tuple(PARAMETER_UNITS))
_FIGURE = (
    Attribute("figure", field="name"),
    Attribute("plane"),
    Attribute("drop_db", float),
    Attribute("theta", float),
    Attribute("phi", float),
)


def _varied(parameter: str) -> tuple[Field, Field]:
    """The axes of all datasets."""
    unit = PARAMETER_UNITS[parameter]
    return (Field("value", unit, f"what was varied: {parameter}", ("value",)), _CURVE)


def _study_schema(parameter: str) -> Schema:
    """Of a study of what was varied."""
    sets = parameter == "phase-groups"
    return Schema(
        (
            *_varied(parameter),
            *(_SETS if sets else ()),
            Field("frequency", "Hz", "frequency", _ALL),
            Field("degree", "1", "degree of the solution", ("value",), "i"),
            Field("samples", "1", "number of samples", ("value",), "i"),
            Field("draws", "1", "number of draws", ("value",), "i"),
            Field("level_db", "dB", _LEVEL, _ALL, missing=sets),
            Field("level_low_db", "dB", _LOW, _ALL, missing=sets),
            Field("level_high_db", "dB", _HIGH, _ALL, missing=sets),
        ),
        (
            _PARAMETER,
            Attribute("figures", int),
            Attribute("confidence", float),
            Attribute("label"),
            Attribute("shown_factor", float, "factor"),
            Attribute("shown_as_level", bool, "level"),
        ),
    )


def _errors_schema(parameter: str, figure: Figure) -> Schema:
    """Of the errors of a figure."""
    angle = figure.scale == "angle"
    unit, own = ("rad", "rad") if angle else ("dB", "W" if figure.absolute else "1")
    return Schema(
        (
            *_varied(parameter),
            *(Field(name, unit, words, _ALL, finite=False) for name, words in _ERROR.items()),
            Field("reference", own, "value that errors are counted from", _ALL),
        ),
        _FIGURE,
    )


def write_growth(
    path: PathLike,
    growth: Growth,
    *,
    shown: Shown | None = None,
    provenance: Mapping[str, str] | None = None,
    overwrite: bool = False,
) -> None:
    """Write a study as a native file.

    Parameters
    ----------
    path : path
        File to write.
    growth : Growth
        What to write.
    shown : Shown, optional
        How its values are shown; by default as `uncertainty.growth.shown_for`.
    provenance, overwrite
        As in `io.native.write_samples`, which also says what is refused.
    """
    shown = shown or shown_for(growth.parameter)
    axes: Any = {"value": growth.values, "curve": np.arange(1, growth.frequency.shape[1] + 1)}
    words: Any = {"label": shown.label, "factor": shown.factor, "level": shown.level}
    schema = _study_schema(growth.parameter)
    groups = {"study": schema.group(growth, **axes, figures=len(growth.figures), **words)}
    for k, figure in enumerate(growth.figures):
        errors: Any = {x: np.ascontiguousarray(getattr(growth, x)[..., k]) for x in (*_ERROR, "reference")}
        schema, plane = _errors_schema(growth.parameter, figure), _plane_text(figure.plane)
        groups[f"errors/{k + 1}"] = schema.group(figure, **axes, **errors, plane=plane)
    if growth.kept is not None:
        groups |= kept_groups([growth.kept], growth.frequency[-1])
    write(path, "study", groups, provenance, overwrite)


def read_growth(path: PathLike) -> tuple[Growth, Shown]:
    """Read what `write_growth` wrote.

    Parameters
    ----------
    path : path
        File to read.

    Returns
    -------
    growth : Growth
        The study.
    shown : Shown
        How its values are shown.

    Raises
    ------
    ValueError
        One line that names the file, what is wrong and what to do.
    """
    with open_native(path) as file:
        group = find(file, "study")
        study = _study_schema(_PARAMETER.read(group)).read(group)
        figures, errors = [], []
        for k in range(study.pop("figures")):
            part = find(file, f"errors/{k + 1}")
            about = Schema((), _FIGURE).read(part)
            figures.append(Figure(**about | {"plane": _plane(about["plane"], part)}))
            errors.append(_errors_schema(study["parameter"], figures[-1]).read(part))
        study |= {x: tuple(study[x]) for x in ("names", "remarks") if x in study}
        shown = Shown(*(study.pop(name) for name in ("label", "factor", "level")))
        arrays: Any = {x: np.stack([one[x] for one in errors], axis=-1) for x in (*_ERROR, "reference")}
        kept = draws_of(find(file, "kept/0"), figures) if "kept" in file else None
        values = study.pop("value")
        return Growth(values=values, figures=tuple(figures), **study, **arrays, kept=kept), shown


def _plane_text(plane: PlaneLike) -> str:
    """An angle [rad], a word, or phi, turn [rad] and kind of a plane."""
    if isinstance(plane, Plane):
        return f"{plane.phi!r},{plane.turn!r},{plane.kind}"
    return plane if isinstance(plane, str) else repr(float(plane))


def _plane(text: str, part: Any) -> PlaneLike:
    try:
        if text.count(",") == 2:
            phi, turn, kind = text.split(",")
            return Plane(float(phi), float(turn), kind)
        return checked_plane(text) if text[:1].isalpha() else float(text)
    except ValueError as error:
        raise InputError(f"{part.name}: attribute plane is {text[:40]!r}", "write it again") from error
