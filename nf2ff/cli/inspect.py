"""The command that says what a file holds."""

from __future__ import annotations

import json
import math
from pathlib import Path

import click

from nf2ff.cli.inputs import LATER, unstated_unit
from nf2ff.cli.options import (
    FILE,
    all_option,
    json_option,
    misused,
    one_line_errors,
    response_unit_option,
    time_convention_option,
    working,
)
from nf2ff.io.safe import InputFile
from nf2ff.io.uncertainty import read_uncertainty
from nf2ff.report.describe import describe
from nf2ff.report.inspected import inspected_lines
from nf2ff.report.over_frequency import MAX_COLUMNS
from nf2ff.report.uncertainty_summary import summary_table


@click.command(epilog="Example: nf2ff inspect scan.csv --response-unit V/m")
@click.argument("file", type=FILE)
@time_convention_option
@response_unit_option
@click.option(
    "--noise-floor-dbm",
    type=float,
    help="Mean reading with the device off, both polarisations together; of a table of EIRP.",
)
@all_option
@json_option
@one_line_errors
def inspect(
    file: Path,
    time_convention: str | None,
    response_unit: str | None,
    noise_floor_dbm: float | None,
    every: bool,
    as_json: bool,
) -> None:
    """Say what FILE holds: samples, modes, far field, probe, power without phase (CSV), NSMA."""
    if noise_floor_dbm is not None and not math.isfinite(noise_floor_dbm):
        misused(f"--noise-floor-dbm is {noise_floor_dbm:g}, expected a level in dBm")
    source = InputFile(file)
    with working("reading"):
        facts = describe(
            source,
            time_convention=time_convention,
            response_unit=response_unit,
            noise_floor_dbm=noise_floor_dbm,
            once=not (as_json or every),
        )
    if facts["holds"] == "samples":
        facts["warnings"] = [*facts["warnings"], *unstated_unit(source, response_unit, options=LATER)]
    if as_json:
        click.echo(json.dumps(facts, allow_nan=False))
        return
    table: list[str] = []
    if facts["holds"] == "uncertainty" and len(facts["frequencies_ghz"]) > MAX_COLUMNS and not every:
        table = summary_table(read_uncertainty(file))
    click.echo("\n".join(inspected_lines(facts, every=every, table=table)))
