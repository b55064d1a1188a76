"""The command that suppresses echoes by the degrees that an antenna of known size can have."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import click
import numpy as np

from nf2ff.cli.options import (
    FILE,
    all_option,
    check_native,
    check_picture,
    command_line,
    json_option,
    misused,
    one_line_errors,
    overwrite_option,
    print_warnings,
    save_picture,
    working,
)
from nf2ff.diagnostics.mode_filter import filter_modes as filter_by_sphere
from nf2ff.io.native import file_kind, read_modes, read_result, write_modes, write_result
from nf2ff.io.safe import InputFile, provenance
from nf2ff.messages.input_error import InputError, found_in
from nf2ff.metrics.refigured import refigured
from nf2ff.metrics.result import Result
from nf2ff.report.box_plots import filter_effect
from nf2ff.report.over_frequency import Row, frequency_table


@click.command(
    epilog="Example: nf2ff filter-modes result.h5 -o quiet.h5 --centre-m 0 0 0.05 --radius-m 0.12 "
    "--echo-distance-m 0.45"
)
@click.argument("modes", type=FILE)
@click.option("-o", "--output", type=FILE, required=True, help="File to write, of the same kind.")
@click.option(
    "--centre-m",
    type=float,
    nargs=3,
    default=(0.0, 0.0, 0.0),
    show_default=True,
    metavar="X Y Z",
    help="Centre of the sphere that holds the antenna.",
)
@click.option("--radius-m", type=float, required=True, help="Its radius.")
@click.option(
    "--echo-distance-m",
    type=float,
    help="Distance from the origin at which the echo seems to arise, to say whether it can be removed.",
)
@click.option(
    "--tail-db",
    type=float,
    default=-50.0,
    show_default=True,
    help="Power that a source on the sphere may lose at most.",
)
@click.option(
    "--plot", type=FILE, help="Picture of the first frequency: power kept and removed in each degree."
)
@overwrite_option
@all_option
@json_option
@one_line_errors
def filter_modes(
    modes: Path,
    output: Path,
    centre_m: tuple[float, float, float],
    radius_m: float,
    echo_distance_m: float | None,
    tail_db: float,
    plot: Path | None,
    overwrite: bool,
    every: bool,
    as_json: bool,
) -> None:
    """Keep what can come from within a sphere, to suppress echoes in MODES (a result, or modes).

    It suppresses what turns with the antenna, such as its image in a plate on the turntable, if the scan was
    fine enough for a source as far away as the image. It does nothing about an echo from the chamber wall
    while a centred antenna turns.
    """
    for option, value in (("--radius-m", radius_m), ("--echo-distance-m", echo_distance_m)):
        if value is not None and not 0 < value < math.inf:
            misused(f"{option} is {value:g}, expected a length above 0")
    check_native(output, [modes], overwrite=overwrite, export=True)
    check_picture(plot, [modes], overwrite=overwrite)
    source = InputFile(modes)
    kind = file_kind(modes)
    if kind not in ("result", "modes"):
        raise InputError(
            f"{modes}: holds {kind.replace('_', ' ')}, expected modes", "give a result of transform"
        )
    with working("reading"):
        old = read_result(modes) if kind == "result" else Result(read_modes(modes))
    # What is zero above a degree was not determined by the scan.
    solved = int(np.flatnonzero(np.any(old.modes.power_spectrum() > 0, axis=0))[-1]) + 1
    centre = np.array(centre_m)
    with found_in(modes), working("filtering"):
        found = filter_by_sphere(
            old.modes,
            centre=centre,
            radius=radius_m,
            echo_distance=echo_distance_m,
            scan_degree=solved,
            tail_db=tail_db,
        )
        if int(found.degree.min()) > 2 * solved:
            raise InputError(
                f"--radius-m is {radius_m:g}: a sphere of {radius_m:g} m holds waves up to degree "
                f"{found.degree.min()}, the scan ends at {solved}, so that nothing is taken out",
                "give the radius of the antenna, in metres",
            )
    where = ", ".join(f"{x:g}" for x in centre_m)
    done = f"modes of what lies within {radius_m:g} m of ({where}) m kept"
    origin = {**old.provenance, **provenance(inputs=[source], command=command_line())}
    if kind == "result":
        new = refigured(old, found.modes, notes={"filter": done})
        before = old.warnings or [()] * found.degree.size
        warnings = tuple((*a, *b) for a, b in zip(before, found.warnings, strict=True))
        write_result(output, replace(new, warnings=warnings, provenance=origin), overwrite=overwrite)
    else:
        write_modes(output, found.modes, provenance=origin | {"filter": done}, overwrite=overwrite)
    if plot is not None:
        with working("drawing"):
            ax = filter_effect(old.modes.at(0), centre=centre, radius=radius_m, degree=int(found.degree[0]))
            save_picture(ax, plot, overwrite=overwrite)
    print_warnings(old.modes.frequency, found.warnings, once=())
    with np.errstate(divide="ignore"):
        removed = np.maximum(10 * np.log10(found.removed), -280)
    if as_json:
        hertz = old.modes.frequency.tolist()
        rows = zip(hertz, found.degree.tolist(), removed.tolist(), map(list, found.warnings), strict=True)
        names = ("frequency_hz", "degree", "removed_db", "warnings")
        facts = [dict(zip(names, row, strict=True)) for row in rows]
        click.echo(json.dumps({"frequencies": facts}, allow_nan=False))
        return
    click.echo(f"{output}: {done}")
    table = [
        Row("degree kept about the centre", found.degree.astype(float), 0),
        Row("power removed [dB]", removed),
    ]
    click.echo("\n".join(frequency_table(old.modes.frequency, table, every=every)))
