"""The command that compares two results."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import numpy as np

from nf2ff.cli.options import (
    FILE,
    PLANE_WORDS,
    all_option,
    check_picture,
    json_option,
    misused,
    one_line_errors,
    overwrite_option,
    read_planes,
    save_picture,
    tell,
    working,
)
from nf2ff.io.native import file_kind
from nf2ff.io.nsma import NsmaCut, NsmaPattern
from nf2ff.io.nsma_reader import read_nsma
from nf2ff.io.radiation import read_radiation, read_seen
from nf2ff.kernel.interpolation import SAME_FREQUENCY
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.comparison import compare as compare_modes
from nf2ff.metrics.level_cuts import LevelDifference, compare_levels
from nf2ff.metrics.planes import beside
from nf2ff.report.comparison import comparison_facts, comparison_lines, level_facts, level_lines
from nf2ff.report.comparison_plots import comparison_cuts, level_comparison


@click.command(
    epilog=f"{PLANE_WORDS}\n\nExample: nf2ff compare may.h5 june.h5 --fit rotation --fit phase --cone-deg 30"
)
@click.argument("first", type=FILE)
@click.argument("second", type=FILE)
@click.option(
    "--fit",
    multiple=True,
    type=click.Choice(["phase", "level", "rotation"]),
    help="What of SECOND to fit to FIRST beforehand; repeat for several. One rotation for all frequencies.",
)
@click.option("--cone-deg", type=float, help="State the error also within this angle of the peak.")
@click.option(
    "--plane", default="0", callback=read_planes, help="Plane of the first cut; the other is across it."
)
@click.option("--port", type=int, default=1, show_default=True, help="Port of CSV tables that have several.")
@click.option(
    "--plot", type=FILE, help="Picture: both and their difference, at the first frequency in common."
)
@overwrite_option
@all_option
@json_option
@one_line_errors
def compare(
    first: Path,
    second: Path,
    fit: tuple[Any, ...],
    cone_deg: float | None,
    plane: Any,
    port: int,
    plot: Path | None,
    overwrite: bool,
    every: bool,
    as_json: bool,
) -> None:
    """Compare SECOND with FIRST, the reference: results, modes or far fields with phase, or two NSMA files.

    The error is the rms of the difference of the fields over the rms of FIRST. The equivalent stray
    signal is the largest difference, relative to the peak of FIRST. For partial scans both are also stated
    over what both measured. Of NSMA files the amplitudes of the cuts in common are compared.
    """
    if cone_deg is not None and not 0 < cone_deg <= 180:
        misused(f"--cone-deg is {cone_deg:g}, expected more than 0 and at most 180")
    check_picture(plot, [first, second], overwrite=overwrite)
    kinds = [file_kind(path) for path in (first, second)]
    if "nsma_pattern" in kinds:
        if len(set(kinds)) > 1:
            path = first if kinds[0] != "nsma_pattern" else second
            raise InputError(
                f"{path}: is no NSMA file like the other",
                "write its cuts as one by nf2ff export, and compare those",
            )
        if set(fit) - {"level"} or cone_deg is not None:
            misused("of NSMA files, which have no phase, only the level can be fitted, and there is no cone")
        drawn = None if plot is None else (plot, overwrite)
        _compare_nsma(first, second, fit_level="level" in fit, drawn=drawn, as_json=as_json)
        return
    with working("reading"):
        (a, told_a), (b, told_b) = (read_radiation(path, port=port) for path in (first, second))
        marks = [read_seen(path) for path in (first, second)]
    pairs = _common(a.frequency, b.frequency)
    if not pairs:
        raise InputError(
            f"{first} and {second} have no frequency in common",
            "compare results at the same frequencies",
        )
    for path, told in ((first, told_a), (second, told_b)):
        for sentence in told:
            tell(f"warning, {path}: {sentence}")
    for path, modes, taken in ((first, a, 0), (second, b, 1)):
        if left := modes.frequency.size - len(pairs):
            kept = {pair[taken] for pair in pairs}
            out = next(f for f in range(modes.frequency.size) if f not in kept)
            click.echo(
                f"warning, {path}: {left} of {modes.frequency.size} frequencies left out, which the other "
                f"does not have, the first {modes.frequency[out] / 1e9:.9g} GHz",
                err=True,
            )
    cone = None if cone_deg is None else math.radians(cone_deg)
    across = beside(plane)
    picks = [i for i, _ in pairs], [j for _, j in pairs]
    seen = [None if x is None else x.at(pick) for x, pick in zip(marks, picks, strict=True)]
    reference = a.at(picks[0])
    with working("comparing"):
        found = compare_modes(
            reference,
            b.at(picks[1]),
            free=fit,
            cone=cone,
            planes=(plane, np.pi / 2 if across is None else across),
            seen=seen,
        )
    if found.seen is not None:
        tell(
            "warning: a part of the sphere was not measured: what is said of all of it counts what was "
            "computed there, too"
        )
    if plot is not None:
        ones = [None if x is None else x.at(0) for x in seen]
        with working("drawing"):
            ax = comparison_cuts(reference, found, names=_names(first, second), seen=ones)
            save_picture(ax, plot, overwrite=overwrite)
    if as_json:
        facts = {"first": str(first), "second": str(second), "frequencies": comparison_facts(found)}
        click.echo(json.dumps(facts, allow_nan=False))
        return
    click.echo("\n".join(comparison_lines(found, cone=cone, every=every)))


def _common(first: Any, second: Any) -> list[tuple[int, int]]:
    """Indices of equal frequencies."""
    nearest = np.argmin(np.abs(first[:, None] - second[None]), axis=1)
    return [
        (i, int(j)) for i, j in enumerate(nearest) if abs(first[i] - second[j]) <= SAME_FREQUENCY * first[i]
    ]


def _names(first: Path, second: Path) -> tuple[str, str]:
    same = first.stem == second.stem
    return (str(first), str(second)) if same else (first.stem, second.stem)


def _compare_nsma(
    first: Path, second: Path, *, fit_level: bool, drawn: tuple[Path, bool] | None, as_json: bool
) -> None:
    """Compare the cuts that two pattern files have in common: the same frequency, plane and polarisation."""
    one, two = (read_nsma(path) for path in (first, second))
    for path, pattern in ((first, one), (second, two)):
        for sentence in pattern.warnings:
            tell(f"warning, {path}: {sentence}")
    units = [_unit(x) for x in (one, two)]
    for path, unit in zip((first, second), units, strict=True):
        if not unit.upper().startswith("DB"):
            raise InputError(f"{path}: levels are in {unit}, expected decibels", "write them in dB")
    if units[0] != units[1] and not fit_level:
        raise InputError(
            f"levels of {first} are in {units[0]}, those of {second} in {units[1]}",
            "let the level be fitted (--fit level), or write both alike",
        )
    told: list[tuple[float, list[tuple[str, LevelDifference]]]] = []
    for i, j in _common(one.frequency, two.frequency):
        others = {(x.plane, x.polarisation): x for x in two.cuts[j]}
        pairs = [(x, others.get((x.plane, x.polarisation))) for x in one.cuts[i]]
        # Of a plane the cross-polar cut is judged by the co-polar one.
        highest = {x.plane: max(one.cuts[i], key=_strength(x.plane)).level_db for x in one.cuts[i]}
        found = [_difference(x, y, highest[x.plane], fit_level) for x, y in pairs if y is not None]
        if found:
            told.append((float(one.frequency[i]), found))
    if not told:
        raise InputError(
            f"{first} and {second} have no cut of one frequency, plane and polarisation in common",
            "compare files of the same cuts",
        )
    if as_json:
        rows = [{"frequency_hz": f, "cuts": [level_facts(*x) for x in cuts]} for f, cuts in told]
        facts = {"first": str(first), "second": str(second), "frequencies": rows}
        click.echo(json.dumps(facts, allow_nan=False))
    else:
        for f, cuts in told:
            click.echo(f"{f / 1e9:.9g} GHz")
            click.echo("\n".join(level_lines(cuts, units[0])))
    if drawn is not None:
        title = f"{told[0][0] / 1e9:.6g} GHz, amplitudes"
        ax = level_comparison(told[0][1], names=_names(first, second), title=title, unit=units[0])
        save_picture(ax, drawn[0], overwrite=drawn[1])


def _unit(pattern: NsmaPattern) -> str:
    """Unit of the levels of cuts: the second of GUNITS."""
    return pattern.fields.get("GUNITS", "").rpartition("/")[2] or "dB"


def _strength(plane: str) -> Callable[[NsmaCut], float]:
    return lambda cut: float(cut.level_db.max()) if cut.plane == plane else -math.inf


def _difference(one: NsmaCut, two: NsmaCut, beside: Any, fit_level: bool) -> tuple[str, LevelDifference]:
    angles = [np.radians(x.angle_deg) for x in (one, two)]
    levels = one.level_db, two.level_db
    found = compare_levels(angles[0], levels[0], angles[1], levels[1], beside=beside, fit_level=fit_level)
    return f"{one.plane} {one.polarisation}", found
