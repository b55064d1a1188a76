"""The command that says what a file holds."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import click

from nf2ff.cli.inputs import LATER, unstated_unit
from nf2ff.cli.options import (
    FILE,
    json_option,
    misused,
    one_line_errors,
    response_unit_option,
    time_convention_option,
)
from nf2ff.io.safe import InputFile
from nf2ff.report.describe import describe


@click.command()
@click.argument("file", type=FILE)
@time_convention_option
@response_unit_option
@click.option(
    "--noise-floor-dbm",
    type=float,
    help="Mean reading with the device off, both polarisations together; of a table of EIRP.",
)
@json_option
@one_line_errors
def inspect(
    file: Path,
    time_convention: str | None,
    response_unit: str | None,
    noise_floor_dbm: float | None,
    as_json: bool,
) -> None:
    """Say what FILE holds: samples, modes, far field, probe, power without phase (CSV), NSMA."""
    if noise_floor_dbm is not None and not math.isfinite(noise_floor_dbm):
        misused(f"--noise-floor-dbm is {noise_floor_dbm:g}, expected a level in dBm")
    source = InputFile(file)
    facts = describe(
        source, time_convention=time_convention, response_unit=response_unit, noise_floor_dbm=noise_floor_dbm
    )
    if facts["holds"] == "samples":
        facts["warnings"] = [*facts["warnings"], *unstated_unit(source, response_unit, options=LATER)]
    if as_json:
        click.echo(json.dumps(facts, allow_nan=False))
        return
    width = max(len(name) for name in facts)
    for name, value in facts.items():
        label = name.replace("_", " ")
        for line in [", ".join(value)] if name in ("plane_theta", "plane_phi") else _lines(value):
            click.echo(f"{label:<{width}}  {line}")
            label = ""


def _lines(value: Any) -> list[str]:
    """Sentences one a line, all else in one."""
    if isinstance(value, list) and value and isinstance(value[0], str):
        return value
    return [_shown(value)]


def _shown(value: Any) -> str:
    if value is None:
        return "-"
    if isinstance(value, float):
        return f"{value:.9g}"
    if isinstance(value, list):
        return ", ".join(_shown(v) for v in value)
    return str(value)
