"""The command that plans a scan, and says which range suits."""

from __future__ import annotations

import json
from pathlib import Path

import click

from nf2ff.cli.draws import template_option
from nf2ff.cli.options import FILE, check_output, json_option, one_line_errors, overwrite_option
from nf2ff.io import safe
from nf2ff.io.plan_points import write_points
from nf2ff.io.plan_toml import plan_template, read_plan
from nf2ff.messages.input_error import InputError, found_in
from nf2ff.planning.plan import make_plan
from nf2ff.report.plan import plan_facts, plan_lines


@click.command()
@click.argument("description", metavar="PLAN", type=FILE)
@click.option("-o", "--output", type=FILE, help="JSON file to write.")
@click.option("--points", type=FILE, help="CSV to write: when and where each reading is taken.")
@template_option(plan_template, "Print a PLAN to be changed, and nothing else.")
@overwrite_option
@json_option
@one_line_errors
def plan(description: Path, output: Path | None, points: Path | None, overwrite: bool, as_json: bool) -> None:
    """Plan a scan as PLAN (TOML) describes device, chamber and axes, and say which range suits.

    Gives the degree and the steps that size and distance of the device ask for, the time of five sets of
    positions, and a verdict on four kinds of range, with reasons. Start from `nf2ff plan --template`. Moving
    positioners and radiated power can hurt: the plan switches nothing on, your laboratory's rules come first.
    """
    written = [x for x in (output, points) if x is not None]
    for path in written:
        check_output(path, [description], overwrite=overwrite)
    if len(written) == 2 and written[0].resolve() == written[1].resolve():
        raise InputError(f"{points}: is the output of -o as well", "give two names")
    asked = read_plan(description)
    with found_in(description):
        made = make_plan(asked)
    facts = json.dumps(plan_facts(made), allow_nan=False)
    if output is not None:
        with safe.replacing(output, overwrite=overwrite) as temporary:
            temporary.write_text(facts + "\n", encoding="utf-8")
    if points is not None:
        write_points(points, made.scan, overwrite=overwrite)
    if as_json:
        click.echo(facts)
    else:
        click.echo("\n".join(plan_lines(made)))
        if points is not None:
            click.echo(f"{points}: {made.scan.time.size} readings of the {made.scan.name}")
    for warning in made.warnings:
        click.echo(f"warning: {warning}", err=True)
