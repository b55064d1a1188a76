"""The command that draws patterns, spectra, scans and figures over frequency."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
import numpy as np

from nf2ff.antenna.modes import Modes
from nf2ff.cli.options import (
    FILE,
    PLANE_WORDS,
    check_picture,
    misused,
    nearest_frequency,
    one_line_errors,
    overwrite_option,
    read_planes,
    save_picture,
    tell,
    working,
)
from nf2ff.io.native import read_samples
from nf2ff.io.radiation import read_radiation, read_seen
from nf2ff.messages.input_error import found_in
from nf2ff.report import pattern_plots, plots
from nf2ff.report.picture_set import figures_over_frequency
from nf2ff.report.scan_plots import near_field

#: What may be drawn, and in which words.
KINDS = {
    "cuts": "two planes through the peak, co- and cross-polar",
    "polar": "two planes through the peak as polar diagram, of one file",
    "map": "directivity over theta and phi, of one file",
    "u-v": "directivity over direction cosines of the peak's half space, of one file",
    "balloon": "directivity as a surface, of one file",
    "spectrum": "power in each degree, of one file",
    "distribution": "part of the sphere below a level, of each file and of the best of them",
    "frequency": "peak directivity, EIRP and TRP over frequency",
    "near-field": "amplitude and phase of the readings of a scan",
}


@click.command(
    epilog="\b\nKinds:\n"
    + "\n".join(f"  {name:<13} {words}" for name, words in KINDS.items())
    + f"\n\n{PLANE_WORDS}\n\nExample: nf2ff plot may.h5 june.h5 --label May --label June -o cuts.png"
)
@click.argument("files", type=FILE, nargs=-1, required=True)
@click.option("-o", "--output", type=FILE, required=True, help="Picture to write: .png, .pdf or .svg.")
@click.option("--kind", type=click.Choice([*KINDS]), default="cuts", show_default=True, help="What to draw.")
@click.option("--frequency-ghz", type=float, help="Which frequency; default: the first.")
@click.option(
    "--plane", default="0", callback=read_planes, help="Plane of the first cut; the other is across it."
)
@click.option(
    "--reach-deg", type=float, default=180, show_default=True, help="Largest angle from the peak, of cuts."
)
@click.option("--port", type=click.IntRange(min=1), help="near-field: which port; default: the strongest.")
@click.option("--chi-deg", type=float, help="near-field: which chi; default: the strongest.")
@click.option("--label", "labels", multiple=True, help="Name of a file in the picture; one for each.")
@click.option("--response-unit", type=click.Choice(["V/m", "sqrt(W)", "relative"]), hidden=True)
@overwrite_option
@one_line_errors
def plot(
    files: tuple[Path, ...],
    output: Path,
    kind: str,
    frequency_ghz: float | None,
    plane: Any,
    reach_deg: float,
    port: int | None,
    chi_deg: float | None,
    labels: tuple[str, ...],
    response_unit: str | None,
    overwrite: bool,
) -> None:
    """Draw FILES: results, modes or far fields; of kind near-field a scan.

    Several files are drawn one over the other where the kind allows it.
    """
    check_picture(output, list(files), overwrite=overwrite)
    if labels and len(labels) != len(files):
        misused(f"--label: {len(labels)} for {len(files)} files, expected one for each")
    if not 0 < reach_deg <= 180:
        misused(f"--reach-deg is {reach_deg:g}, expected more than 0 and at most 180")
    if len(files) > 1 and kind not in ("cuts", "distribution", "frequency"):
        misused(f"--kind {kind} draws one file, {len(files)} were given")
    context = click.get_current_context()
    for option, name, kinds in (
        ("--plane", "plane", ("cuts", "polar")),
        ("--reach-deg", "reach_deg", ("cuts",)),
        ("--port", "port", ("near-field",)),
        ("--chi-deg", "chi_deg", ("near-field",)),
    ):
        given = context.get_parameter_source(name) == click.core.ParameterSource.COMMANDLINE
        if given and kind not in kinds:
            misused(f"{option} is for --kind {' and '.join(kinds)}, not {kind}: leave it out")
    if chi_deg is not None and not np.isfinite(chi_deg):
        misused(f"--chi-deg is {chi_deg:g}, expected degrees")
    names = labels or tuple(path.stem for path in files)
    if len(set(names)) < len(names):
        names = tuple(map(str, files))
    if len(set(names)) < len(names):
        misused("two files have one name in the picture: give each a --label of its own")
    with working("drawing"):
        if kind == "near-field":
            chi = None if chi_deg is None else float(np.radians(chi_deg))
            ax = _scan(files[0], frequency_ghz, response_unit, port, chi)
        else:
            given_files = dict(zip(names, files, strict=True))
            ax = _pattern(given_files, kind, frequency_ghz, plane, np.radians(reach_deg))
    save_picture(ax, output, overwrite=overwrite)
    click.echo(f"{output}: {KINDS[kind].partition(', of ')[0]}")


def _scan(path: Path, ghz: float | None, unit: str | None, port: int | None, chi: float | None) -> Any:
    samples = read_samples(path, response_unit=unit)
    with found_in(path):
        index = nearest_frequency(path, samples.frequency, ghz)
        return near_field(samples, frequency_index=index, port=port, chi=chi)


def _pattern(files: dict[str, Path], kind: str, ghz: float | None, plane: Any, reach: float) -> Any:
    whole: dict[str, Modes] = {}
    for name, path in files.items():
        whole[name], told = read_radiation(path)
        for sentence in told:
            tell(f"warning, {path}: {sentence}")
    if kind == "frequency":
        return figures_over_frequency(whole)
    one = {
        name: modes.at(nearest_frequency(files[name], modes.frequency, ghz)) for name, modes in whole.items()
    }
    name, first = next(iter(one.items()))
    seen = {}
    for other in one if kind in ("cuts", "polar", "map", "u-v", "balloon") else ():
        if (field := read_seen(files[other])) is not None:
            seen[other] = field.at(nearest_frequency(files[other], field.frequency, ghz))
    hidden = seen.get(name)
    with found_in(", ".join(map(str, files.values()))):
        if kind == "cuts":
            return pattern_plots.peak_cuts(one, plane=plane, reach=reach, seen=seen)
        if kind == "distribution":
            return pattern_plots.level_distribution(one)
        if kind == "balloon":
            return pattern_plots.balloon(first, name=name, seen=hidden)
        if kind == "polar":
            return pattern_plots.peak_polar(first, name=name, plane=plane, seen=hidden)
        if kind == "spectrum":
            return plots.power_spectrum(first)
        view: Any = "u-v" if kind == "u-v" else "theta-phi"
        return pattern_plots.pattern_map(first, name=name, kind=view, seen=hidden)
