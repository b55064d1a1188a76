"""Draws that were stopped: groups ``/kept/0``, of all errors (of a study those at its last value), and
``/kept/1`` and so on, of each by itself. The sums are held as they were added, so that going on changes
no bit of the result.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from nf2ff.io.hdf5 import Attribute, Field, Group, Schema, find, open_native
from nf2ff.io.safe import PathLike
from nf2ff.messages.input_error import InputError
from nf2ff.uncertainty.draws import Draws
from nf2ff.uncertainty.figure import Figure

_DRAW, _EACH, _AT = ("draw",), ("frequency",), ("frequency", "direction")
KEPT = Schema(
    (
        Field("frequency", "Hz", "frequency", _EACH, derived=True),
        Field("draw", "1", "number of the draw, from 1", _DRAW, "i", derived=True),
        Field("figure", "1", "number of the figure, from 1", ("figure",), "i", derived=True),
        Field("nominal", "1", "figures that errors are counted from", (*_EACH, "figure")),
        Field(
            "values",
            "1",
            "figures in each draw, NaN: no longer found",
            (*_DRAW, *_EACH, "figure"),
            missing=True,
        ),
        Field(
            "error_levels", "1", "power in the error of the modes over that of the modes", (*_DRAW, *_EACH)
        ),
        Field(
            "level", "1", "number of the level in a direction", ("level",), "i", optional=True, derived=True
        ),
        Field(
            "part",
            "1",
            "real and imaginary part of theta^, then of phi^",
            ("part",),
            "i",
            optional=True,
            derived=True,
        ),
        Field(
            "fields",
            "1",
            "change of the fields behind levels",
            (*_DRAW, *_EACH, "level", "part"),
            optional=True,
        ),
        Field("direction", "1", "number of the direction", ("direction",), "i", optional=True, derived=True),
        Field("theta", "rad", "polar angle", ("direction",), optional=True),
        Field("phi", "rad", "azimuth", ("direction",), optional=True),
        Field("kind", "1", "value, mean, standard deviation", ("kind",), "i", optional=True, derived=True),
        Field("intensity", "W/sr", "as it is, mean and standard deviation", ("kind", *_AT), optional=True),
        Field(
            "error_signal",
            "1",
            "mean square change of the field over the peak field squared",
            _AT,
            optional=True,
        ),
        Field(
            "sums",
            "1",
            "of the change of intensity, its square, intensity of the error",
            ("kind", *_AT),
            optional=True,
        ),
    ),
    (Attribute("asked", int), Attribute("batch", int)),
)


def kept_groups(kept: Sequence[Draws], frequency: object) -> dict[str, Group]:
    """Groups of a native file by name."""
    return {f"kept/{i}": _group(draws, frequency) for i, draws in enumerate(kept)}


def _group(draws: Draws, frequency: object) -> Group:
    def count(size: int) -> object:
        return np.arange(1, size + 1) if size else None

    assert draws.fields is not None
    levels, parts = draws.fields.shape[2:]
    directions = draws.directions.shape[1]
    some = directions > 0
    return KEPT.group(
        draws,
        frequency=frequency,
        draw=count(draws.count),
        figure=count(len(draws.figures)),
        level=count(levels),
        part=count(parts if levels else 0),
        fields=draws.fields if levels else None,
        direction=count(directions),
        theta=draws.directions[0] if some else None,
        phi=draws.directions[1] if some else None,
        kind=count(3 if some else 0),
        **{name: getattr(draws, name) if some else None for name in ("intensity", "error_signal", "sums")},
    )


def read_kept_draws(path: PathLike, figures: Sequence[Figure]) -> tuple[Draws, ...]:
    """Read the draws that `write_uncertainty` kept of work that was stopped.

    Parameters
    ----------
    path : path
        File to read.
    figures : sequence of Figure
        What was looked at: all figures of the question.

    Returns
    -------
    tuple of Draws
        As ``kept`` of an `Uncertainty`.

    Raises
    ------
    ValueError
        If the file keeps none, as that of finished work, or those of other figures.
    """
    with open_native(path) as file:
        find(file, "uncertainty")
        if "kept" not in file:
            raise InputError("keeps no draws to go on from: it was not stopped")
        return tuple(draws_of(find(file, f"kept/{i}"), figures) for i in range(len(find(file, "kept"))))


def draws_of(group: Any, figures: Sequence[Figure]) -> Draws:
    """Draws in a group that `kept_groups` made, of these figures."""
    found = KEPT.read(group)
    names = (
        "nominal",
        "values",
        "error_levels",
        "asked",
        "fields",
        "intensity",
        "error_signal",
        "sums",
        "batch",
    )
    given = {name: found[name] for name in names}
    count = given["values"].shape[2]
    if count != len(figures):
        raise InputError(f"keeps draws of {count} figures, {len(figures)} are asked for", "make them anew")
    nowhere = np.zeros((3, given["values"].shape[1], 0))
    if found["theta"] is None:
        given |= {"intensity": nowhere, "error_signal": nowhere[0], "sums": None}
        return Draws(tuple(figures), directions=np.zeros((2, 0)), **given)
    return Draws(tuple(figures), directions=np.stack([found["theta"], found["phi"]]), **given)
