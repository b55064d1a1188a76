"""The command that gives total radiated power, or total isotropic sensitivity, from a table of powers."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any, get_args

import click
import numpy as np

from nf2ff.cli.options import (
    FILE,
    all_option,
    check_output,
    check_picture,
    json_option,
    misused,
    one_line_errors,
    overwrite_option,
    save_picture,
    working,
)
from nf2ff.io.power_columns import power_table_kind
from nf2ff.io.power_tables import read_power_table, read_sensitivity_table, write_weights
from nf2ff.messages.input_error import InputError, found_in
from nf2ff.power_only.totals import TotalMethod
from nf2ff.report.over_frequency import frequency_table, told_once
from nf2ff.report.power_plots import power_overview
from nf2ff.report.total_power import power_totals, sensitivity_totals, total_facts, total_rows


@click.command(epilog="Example: nf2ff trp eirp.csv --method sin-theta -o weights.csv --plot eirp.png")
@click.argument("table", type=FILE)
@click.option(
    "--method",
    type=click.Choice(get_args(TotalMethod)),
    help="Weights of the readings; default: the quadrature of the rings, elsewhere Voronoi cells.",
)
@click.option(
    "--noise-floor-dbm",
    type=float,
    help="EIRP: mean reading with the device off, both polarisations together; -200 subtracts nothing.",
)
@click.option(
    "--highest-power-dbm",
    type=float,
    help="EIS: highest power tried where sensitivity was not reached; default: the highest reached.",
)
@click.option("-o", "--output", type=FILE, help="CSV of weights and of what each reading adds.")
@click.option(
    "--plot", type=FILE, help="Picture of the first frequency: powers over the sphere, and their sum."
)
@overwrite_option
@all_option
@json_option
@one_line_errors
def trp(
    table: Path,
    method: Any,
    noise_floor_dbm: float | None,
    highest_power_dbm: float | None,
    output: Path | None,
    plot: Path | None,
    overwrite: bool,
    every: bool,
    as_json: bool,
) -> None:
    """Give the total radiated power (TRP) of a TABLE of EIRP, or the TIS of a table of EIS.

    Prints the total with the uncertainty that sampling and noise leave, and the power radiated into the
    upper hemisphere and within 15, 30 and 45 deg of the horizon.
    """
    check_picture(plot, [table], overwrite=overwrite)
    if output is not None:
        check_output(output, [table], overwrite=overwrite)
    kind = power_table_kind(table)
    if kind is None:
        raise InputError(
            f"{table}: holds no powers",
            "give a table with theta_deg, phi_deg, frequency_hz and eirp_theta_dbm, eirp_phi_dbm, or "
            "eirp_dbm, or eis_theta_dbm, eis_phi_dbm; TRP of samples with phase comes from nf2ff transform",
        )
    with found_in(table), working("computing"):
        if kind == "power":
            if highest_power_dbm is not None:
                raise InputError("--highest-power-dbm is only for a table of sensitivity", "leave it out")
            found = power_totals(read_power_table(table), method=method, noise_floor=_watt(noise_floor_dbm))
        else:
            if noise_floor_dbm is not None:
                raise InputError("--noise-floor-dbm is only for a table of EIRP", "leave it out")
            sensitivity = read_sensitivity_table(table)
            highest = _watt(highest_power_dbm)
            if highest is None:
                both = np.stack([sensitivity.eis_theta, sensitivity.eis_phi])
                highest = float(np.nanmax(both)) if np.isfinite(both).any() else None
            found = sensitivity_totals(sensitivity, method=method, highest_power=highest)
    if as_json:
        click.echo(json.dumps(total_facts(found), allow_nan=False))
    else:
        click.echo(f"weights by {found.total.method}: {found.total.rule}")
        click.echo("\n".join(frequency_table(found.scan.frequency, total_rows(found), every=every)))
    for line in told_once(found.scan.frequency, found.warnings):
        click.echo(f"warning, {line}", err=True)
    if output is not None:
        write_weights(output, found.scan, found.total.weights, found.contribution, overwrite=overwrite)
        click.echo(f"{output}: weights of {found.scan.theta.size} readings", err=as_json)
    if plot is not None:
        with working("drawing"):
            save_picture(power_overview(found), plot, overwrite=overwrite)
        click.echo(f"{plot}: {found.scan.frequency[0] / 1e9:.9g} GHz", err=as_json)


def _watt(dbm: float | None) -> float | None:
    if dbm is None:
        return None
    if not -math.inf < dbm < 1000:
        misused(f"{dbm:g} dBm is no level, expected a finite number below 1000")
    return 1e-3 * 10 ** (dbm / 10) if dbm > -200 else 0.0
