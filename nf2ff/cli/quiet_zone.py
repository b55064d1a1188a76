"""The command that evaluates a quiet zone."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import fields, replace
from functools import wraps
from pathlib import Path
from typing import Any

import click
import numpy as np

from nf2ff.cli.options import (
    FILE,
    check_output,
    check_picture,
    json_option,
    nearest_frequency,
    one_line_errors,
    overwrite_option,
    save_picture,
    time_convention_option,
)
from nf2ff.messages.input_error import InputError, found_in

#: Help of each limit, by the name that `ranges.zone_limits.ZoneLimits` gives it.
_LIMITS = {
    "amplitude_taper_db": "Largest amplitude taper.",
    "amplitude_ripple_db": "Largest ripple, the figure after ±.",
    "amplitude_total_db": "Largest variation of the amplitude in all.",
    "phase_total_deg": "Largest variation of the phase once the tilt is taken out.",
    "phase_taper_deg": "Largest phase taper.",
    "phase_ripple_deg": "Largest ripple of the phase, the figure after ±.",
    "tilt_deg": "Largest tilt.",
    "cross_db": "Highest cross-polar level.",
}
_AXES = {
    sign + axis: tuple((1.0 if sign != "-" else -1.0) * (axis == other) for other in "xyz")
    for axis in "xyz"
    for sign in ("", "+", "-")
}


def _limit_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """One option for each limit; the command gets those that were given as ``limits``."""

    @wraps(command)
    def packed(*args: Any, **kwargs: Any) -> Any:
        limits = {name: kwargs.pop(f"max_{name}") for name in _LIMITS}
        return command(*args, limits=limits, **kwargs)

    for name, words in reversed(_LIMITS.items()):
        packed = click.option(f"--max-{name.replace('_', '-')}", type=float, help=words)(packed)
    return packed


def _vector(text: str, option: str) -> tuple[float, ...]:
    """Three numbers with commas between them, or an axis such as -x."""
    if option == "--direction" and text.strip().lower() in _AXES:
        return _AXES[text.strip().lower()]
    try:
        parts = tuple(float(x) for x in text.split(","))
    except ValueError:
        parts = ()
    if len(parts) != 3 or any(abs(x) > 1e6 for x in parts):
        also = " or an axis such as -x" if option == "--direction" else ""
        msg = f"{option} is {text!r}, expected three numbers X,Y,Z{also}"
        raise click.UsageError(msg)
    return parts


@click.command("quiet-zone", epilog="Example: nf2ff quiet-zone readings.csv --shape ball --size-m 0.3")
@click.argument("table", type=FILE)
@click.option(
    "--size-m", type=float, help="Diameter, side of a square, length of a line; default: all that fits."
)
@click.option(
    "--shape",
    type=click.Choice(["ball", "cylinder", "square"]),
    default="ball",
    show_default=True,
    help="Of readings on a plane or line a ball is a disc or a length.",
)
@click.option(
    "--depth-m", type=float, help="Of cylinder and square: length along the wave's way; default: any."
)
@click.option("--centre-m", metavar="X,Y,Z", help="Centre of the zone; default: the middle of the readings.")
@click.option(
    "--direction",
    metavar="AXIS",
    default="+z",
    show_default=True,
    help="Where the wave travels: -x, or X,Y,Z.",
)
@click.option(
    "--probe-level-db",
    type=float,
    default=0.0,
    show_default=True,
    help="Pattern of the probe towards the stray wave over that towards the direct wave.",
)
@click.option(
    "--common-limits",
    is_flag=True,
    help="1 dB of taper, ±0.5 dB of ripple, 10 deg of phase: common practice, no source.",
)
@_limit_options
@time_convention_option
@click.option(
    "--term",
    type=FILE,
    help="TOML to write (one frequency): standard deviation of the level over the readings, that of a small "
    "antenna anywhere in the zone, as a term for nf2ff uncertainty.",
)
@click.option(
    "--error",
    type=FILE,
    help="TOML to write (one frequency): a stray wave that makes such a ripple, from where the strongest "
    "comes, as an error that nf2ff uncertainty propagates through a scan of any antenna.",
)
@click.option("--plot", type=FILE, help="Picture to write (one frequency): cuts with fit, map, histogram.")
@click.option(
    "--plot-frequency-ghz", type=float, help="Frequency of picture, term and error; default: the first."
)
@overwrite_option
@json_option
@one_line_errors
def quiet_zone(
    table: Path,
    size_m: float | None,
    shape: Any,
    depth_m: float | None,
    centre_m: str | None,
    direction: str,
    probe_level_db: float,
    common_limits: bool,
    limits: dict[str, float | None],
    time_convention: Any,
    term: Path | None,
    error: Path | None,
    plot: Path | None,
    plot_frequency_ghz: float | None,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Say how quiet the zone is that a field probe measured in TABLE (CSV).

    TABLE has one row for each reading, on lines, planes, cylinders or anywhere, with the columns
    x_m,y_m,z_m,frequency_ghz and the field, which is

    \b
      real,imag                 in any unit, or
      amplitude_db,phase_deg    or
      amplitude_db              alone: then nothing is said of the phase;

    and, if both were measured, polarisation (co or cross). Lines that start with # are comments.

    The taper is the least-squares polynomial of degree 2 in the zone, ripple what it leaves; the tilt
    of the wavefront is no part of the phase taper. Limits are yours: none is set unless you do.
    """
    from nf2ff.io.range_files import write_zone_error, write_zone_term
    from nf2ff.io.zone_table import read_probed_fields
    from nf2ff.messages.ranges import ZoneCode
    from nf2ff.ranges.quiet_zone import evaluate
    from nf2ff.ranges.strongest_wave import strongest_wave
    from nf2ff.ranges.zone import Zone, largest_zone
    from nf2ff.ranges.zone_limits import COMMON_PRACTICE, ZoneLimits
    from nf2ff.report.quiet_zone import zone_facts, zone_lines

    for name, value in (("--size-m", size_m), ("--depth-m", depth_m)):
        if value is not None and not 0 < value < 1e6:
            raise InputError(f"{name} is {value:g}, expected metres above 0")
    if not abs(probe_level_db) <= 1000:
        raise InputError(f"--probe-level-db is {probe_level_db:g}, expected decibels, -1000 to 1000")
    if depth_m is not None and shape == "ball":
        msg = "--depth-m is of a cylinder or a square: give --shape"
        raise click.UsageError(msg)
    written = [x for x in (plot, term, error) if x is not None]
    if plot_frequency_ghz is not None and not written:
        msg = "--plot-frequency-ghz needs --plot, --term or --error"
        raise click.UsageError(msg)
    if len({x.resolve() for x in written}) < len(written):
        raise InputError("two outputs have the same name", "give each its own")
    check_picture(plot, [table], overwrite=overwrite)
    for path in (term, error):
        if path is not None:
            check_output(path, [table], overwrite=overwrite)
    towards = _vector(direction, "--direction")
    centre = None if centre_m is None else _vector(centre_m, "--centre-m")
    held = ZoneLimits(**limits)
    source = " (given)"
    if common_limits:
        held, source = _filled(held, COMMON_PRACTICE), " (common practice, no source, where none is given)"
    measured = read_probed_fields(table, time_convention=time_convention)
    with found_in(table):
        zone = largest_zone(measured[0], shape=shape, centre=centre, direction=towards)
        half = None if depth_m is None else depth_m / 2
        radius = zone.radius if size_m is None else size_m / 2
        zone = Zone(radius, shape, half, zone.centre, zone.direction)
        found = []
        for field in measured:
            with found_in(f"{field.frequency / 1e9:.9g} GHz"):
                found.append(evaluate(field, zone, probe_level_db=probe_level_db))
        frequency, option = [f.frequency for f in measured], "--plot-frequency-ghz"
        chosen = nearest_frequency(table, frequency, plot_frequency_ghz, option=option)
        stray = None if error is None else strongest_wave(measured[chosen], found[chosen])
    at = f"{table.name}, {measured[chosen].frequency / 1e9:.6g} GHz"
    if plot is not None:
        from nf2ff.report.zone_plots import zone_overview

        save_picture(zone_overview(measured[chosen], found[chosen]), plot, overwrite=overwrite)
    if term is not None:
        spread = float(np.std(found[chosen].amplitude_db.value))
        note = f"{at}, standard deviation over the zone"
        write_zone_term(term, {"eirp": spread, "gain": spread}, note=note, overwrite=overwrite)
    if error is not None and stray is not None:
        write_zone_error(error, stray, note=at, overwrite=overwrite)
    if as_json:
        facts = [zone_facts(f, held) for f in found]
        click.echo(json.dumps({"frequencies": facts}, allow_nan=False))
        return
    click.echo("\n".join(zone_lines(found, held, source=source)))
    notes = [w for f in found for w in f.warnings if w.code in (ZoneCode.TAPER, ZoneCode.ALL_TAPER)]
    click.echo(f"\nnote: {notes[0]}")
    if term is not None:
        click.echo(f"{term}: a term for nf2ff uncertainty, of a small antenna anywhere in the zone")
    if error is not None and stray is not None:
        click.echo(
            f"{error}: an error for nf2ff uncertainty: {stray.level_db:z.1f} dB, "
            f"{np.degrees(stray.theta):z.1f} deg off the direct wave, where {100 * stray.share:z.0f} % of "
            "the ripple's power comes from"
        )
    if plot is not None:
        click.echo(f"{plot}: {measured[chosen].frequency / 1e9:.9g} GHz")
    for figures in found:
        for notice in figures.warnings:
            if notice.code not in (ZoneCode.TAPER, ZoneCode.ALL_TAPER):
                click.echo(f"warning: {figures.frequency / 1e9:.6g} GHz: {notice}", err=True)


def _filled(given: Any, others: Any) -> Any:
    """The limits given, and of the rest those of ``others``."""
    left = {x.name: getattr(others, x.name) for x in fields(given) if getattr(given, x.name) is None}
    return replace(given, **left)
