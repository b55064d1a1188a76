"""How errors grow, as a native file.

The group ``/study`` holds what was varied, as ``value``, and the error level of the pattern;
``/errors/N`` those of the N-th figure. Errors of powers are in decibels, those of angles in rad.
Of several frequencies each is a ``curve``.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from nf2ff.io.hdf5 import Group, Item, attribute, find, open_native, take, write
from nf2ff.io.safe import PathLike
from nf2ff.io.uncertainty import number_of, text_of, whole_of
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.planes import Plane, PlaneLike, checked_plane
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.growth import PARAMETER_UNITS, Growth, Shown, shown_for

_LEVELS = {
    "level_db": "mean square error of the far field over the sphere relative to its mean square",
    "level_low_db": "lower end of the interval of the draws",
    "level_high_db": "upper end of the interval of the draws",
}
_ERRORS = {
    "mean": "mean error",
    "spread": "standard deviation of the error",
    "low": "lower end of the interval of the draws",
    "high": "upper end of the interval of the draws",
}
_COUNTS = {"degree": "degree of the solution", "samples": "number of samples", "draws": "number of draws"}
_PLACE = ("drop_db", "theta", "phi")


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
    provenance : mapping of str to str, optional
        As `io.provenance` gives it.
    overwrite : bool
        Whether an existing file may be replaced.

    Raises
    ------
    ValueError
        If the file exists or cannot be written; the old one is untouched then.
    """
    groups = {"study": _common(growth, shown or shown_for(growth.parameter))}
    for k, figure in enumerate(growth.figures):
        groups[f"errors/{k + 1}"] = _errors(growth, k, figure)
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
        parameter = attribute(group, "parameter", tuple(PARAMETER_UNITS))
        count = whole_of(group, "figures")
        parts = [find(file, f"errors/{k + 1}") for k in range(count)]
        figures = tuple(
            Figure(
                text_of(part, "figure"),
                plane=_plane(part),
                **{name: number_of(part, name) for name in _PLACE},
            )
            for part in parts
        )
        units = ["dB" if figure.scale == "power" else "rad" for figure in figures]
        errors = {
            name: np.stack(
                [take(p, name, u, 2, finite=False) for p, u in zip(parts, units, strict=True)], axis=-1
            )
            for name in _ERRORS
        }
        growth = Growth(
            parameter=parameter,
            values=take(group, "value", PARAMETER_UNITS[parameter], 1),
            figures=figures,
            frequency=take(group, "frequency", "Hz", 2),
            **{name: take(group, name, "1", 1, kind="iu") for name in _COUNTS},
            reference=np.stack([take(part, "reference", None, 2) for part in parts], axis=-1),
            **errors,
            **{name: take(group, name, "dB", 2) for name in _LEVELS},
            confidence=number_of(group, "confidence"),
        )
        level = attribute(group, "shown_as_level", ("yes", "no")) == "yes"
        return growth, Shown(text_of(group, "label"), number_of(group, "shown_factor"), level)


def _axes(growth: Growth) -> list[Item]:
    unit = PARAMETER_UNITS[growth.parameter]
    curve = np.arange(1, growth.frequency.shape[1] + 1)
    return [
        Item("value", growth.values, unit, f"what was varied: {growth.parameter}", ("value",)),
        Item("curve", curve, "1", "number of the frequency, from 1", ("curve",)),
    ]


def _common(growth: Growth, shown: Shown) -> Group:
    items = _axes(growth)
    items.append(Item("frequency", growth.frequency, "Hz", "frequency", ("value", "curve")))
    for name, words in _COUNTS.items():
        items.append(Item(name, getattr(growth, name), "1", words, ("value",)))
    for name, words in _LEVELS.items():
        items.append(Item(name, getattr(growth, name), "dB", words, ("value", "curve")))
    return Group(
        items,
        {
            "parameter": growth.parameter,
            "figures": str(len(growth.figures)),
            "confidence": repr(float(growth.confidence)),
            "label": shown.label,
            "shown_factor": repr(float(shown.factor)),
            "shown_as_level": "yes" if shown.level else "no",
        },
    )


def _errors(growth: Growth, index: int, figure: Figure) -> Group:
    unit = growth.error_units[index]
    items = _axes(growth)
    for name, words in _ERRORS.items():
        values = np.ascontiguousarray(getattr(growth, name)[..., index])
        items.append(Item(name, values, unit, words, ("value", "curve")))
    own = "rad" if figure.scale == "angle" else "W" if figure.absolute else "1"
    values = np.ascontiguousarray(growth.reference[..., index])
    words = "value that errors are counted from"
    items.append(Item("reference", values, own, words, ("value", "curve")))
    place = {name: repr(float(getattr(figure, name))) for name in _PLACE}
    return Group(items, {"figure": figure.name, "plane": _plane_text(figure.plane), **place})


def _plane_text(plane: PlaneLike) -> str:
    """An angle [rad], a word, or phi, turn [rad] and kind of a plane."""
    if isinstance(plane, Plane):
        return f"{plane.phi!r},{plane.turn!r},{plane.kind}"
    return plane if isinstance(plane, str) else repr(float(plane))


def _plane(part: Any) -> PlaneLike:
    text = text_of(part, "plane")
    try:
        if text.count(",") == 2:
            phi, turn, kind = text.split(",")
            return Plane(float(phi), float(turn), kind)
        return checked_plane(text) if text[:1].isalpha() else float(text)
    except ValueError as error:
        raise InputError(f"{part.name}: attribute plane is {text[:40]!r}", "write it again") from error
