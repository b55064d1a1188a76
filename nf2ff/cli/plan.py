"""The command that plans a scan, and says which range suits."""

from __future__ import annotations

import json
from collections.abc import Sequence
from functools import partial
from pathlib import Path

import click

from nf2ff.antenna.dipoles import Antenna
from nf2ff.cli.options import (
    FILE,
    check_output,
    check_picture,
    json_option,
    one_line_errors,
    overwrite_option,
    save_picture,
    template_option,
    working,
)
from nf2ff.io import safe
from nf2ff.io.antenna_toml import read_antenna
from nf2ff.io.plan_points import write_points
from nf2ff.io.plan_toml import plan_template, read_plan, read_tolerances
from nf2ff.messages.input_error import InputError, found_in
from nf2ff.planning.plan import Plan, make_plan
from nf2ff.planning.tolerances import Tolerance, Wish, checked_by_draws, planned_solution, tolerances
from nf2ff.report.plan import plan_facts, plan_lines, tolerance_facts, tolerance_lines
from nf2ff.report.plan_plots import plan_overview
from nf2ff.uncertainty.errors.error_term import ErrorTerm
from nf2ff.uncertainty.simulated_scan import received


@click.command(epilog="Example: nf2ff plan plan.toml --points positions.csv")
@click.argument("description", metavar="PLAN", type=FILE)
@click.option("-o", "--output", type=FILE, help="JSON file to write.")
@click.option("--points", type=FILE, help="CSV to write: when and where each reading is taken.")
@click.option("--plot", type=FILE, help="Picture to write: degree, times, positions (png, pdf or svg).")
@click.option("--antenna", type=FILE, help="Dipoles (TOML) that radiate like the device: gives tolerances.")
@click.option(
    "--draws",
    type=click.IntRange(min=0),
    default=60,
    show_default=True,
    help="Draws that check the tolerances; 0: they hold to first order only.",
)
@template_option(plan_template, "Print a PLAN to edit, and nothing else.")
@overwrite_option
@json_option
@one_line_errors
def plan(
    description: Path,
    output: Path | None,
    points: Path | None,
    plot: Path | None,
    antenna: Path | None,
    draws: int,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Plan a scan as PLAN (TOML) describes device, chamber and axes, and say which range suits.

    Gives the degree and the steps that the device's size and distance ask for, the time of five sets of
    positions, and a verdict on four kinds of range, with reasons. Start from `nf2ff plan --template`. Moving
    positioners and radiated power can hurt: the plan switches nothing on, your laboratory's rules come first.
    """
    written = [x for x in (output, points) if x is not None]
    for path in written:
        check_output(path, [description, *([] if antenna is None else [antenna])], overwrite=overwrite)
    if len(written) == 2 and safe.real_path(written[0]) == safe.real_path(written[1]):
        raise InputError(f"{points}: is the output of -o as well", "give two names")
    check_picture(plot, [description], overwrite=overwrite)
    asked = read_plan(description)
    wishes, terms = read_tolerances(description)
    if antenna is not None and not wishes:
        raise InputError(f"{description}: has no [tolerances]", "give them, or leave --antenna out")
    with found_in(description), working("planning"):
        made = make_plan(asked)
        found = () if antenna is None else _tolerances(made, read_antenna(antenna), wishes, terms, draws)
    told = plan_facts(made) | ({"tolerances": tolerance_facts(terms, found)} if found else {})
    facts = json.dumps(told, allow_nan=False)
    if output is not None:
        with safe.replacing(output, overwrite=overwrite) as temporary:
            temporary.write_text(facts + "\n", encoding="utf-8")
    if points is not None:
        write_points(points, made.scan, overwrite=overwrite)
    if plot is not None:
        save_picture(plan_overview(made), plot, overwrite=overwrite)
    if as_json:
        click.echo(facts)
    else:
        click.echo("\n".join(plan_lines(made)))
        if found:
            click.echo("")
            click.echo("\n".join(tolerance_lines(terms, found, wishes, draws=draws)))
        if output is not None:
            click.echo(f"{output}: all figures of the plan")
        if points is not None:
            click.echo(f"{points}: {made.scan.time.size} readings of the {made.scan.name}")
    for warning in made.warnings:
        click.echo(f"warning: {warning}", err=True)
    if wishes and antenna is None:
        click.echo("warning: [tolerances] need an antenna like the device: give --antenna", err=True)


def _tolerances(
    made: Plan, antenna: Antenna, wishes: list[Wish], terms: Sequence[ErrorTerm], draws: int
) -> tuple[Tolerance, ...]:
    """Sizes of errors for a scan as planned, at the highest frequency."""
    if antenna.minimum_radius > made.minimum_radius * (1 + 1e-9):
        raise InputError(
            f"the antenna reaches {antenna.minimum_radius:.4g} m from the centre of rotation, what "
            f"radiates by the plan {made.minimum_radius:.4g} m",
            "give dipoles within the device's parts",
        )
    solution = planned_solution(
        antenna,
        made.scan,
        frequency=float(made.request.frequency[-1]),
        radius=made.request.distance,
        degree=made.degree,
    )
    found = tolerances(solution, terms, wishes)
    if not draws:
        return found
    with working("drawing"):
        return checked_by_draws(
            found, solution, wishes, draws=draws, rng=0, measure=partial(received, antenna)
        )
