"""The command that compares two results."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import click
import numpy as np

from nf2ff.cli.options import FILE, PLANE_WORDS, all_option, json_option, one_line_errors, read_planes
from nf2ff.io.radiation import read_radiation
from nf2ff.kernel.interpolation import SAME_FREQUENCY
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.comparison import compare as compare_modes
from nf2ff.metrics.planes import beside
from nf2ff.report.comparison import comparison_facts, comparison_lines


@click.command(
    epilog=f"{PLANE_WORDS}\n\nExample: nf2ff compare may.h5 june.h5 --fit rotation --fit phase --cone-deg 30"
)
@click.argument("first", type=FILE)
@click.argument("second", type=FILE)
@click.option(
    "--fit",
    multiple=True,
    type=click.Choice(["phase", "level", "rotation"]),
    help="What of SECOND to fit to FIRST before; repeat for several. One turn for all frequencies.",
)
@click.option("--cone-deg", type=float, help="State the error also within this angle of the peak.")
@click.option(
    "--plane", default="0", callback=read_planes, help="Plane of the first cut; the other is across it."
)
@click.option("--port", type=int, default=1, show_default=True, help="Port of CSV tables that have several.")
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
    every: bool,
    as_json: bool,
) -> None:
    """Compare SECOND with FIRST, the reference: results, modes or far fields with phase.

    The error is the rms of the difference of the fields over the rms of FIRST. The equivalent stray
    signal is the largest difference, relative to the peak of FIRST.
    """
    if cone_deg is not None and not 0 < cone_deg <= 180:
        msg = f"--cone-deg is {cone_deg:g}, expected more than 0 and at most 180"
        raise click.UsageError(msg)
    (a, told_a), (b, told_b) = (read_radiation(path, port=port) for path in (first, second))
    pairs = _common(a.frequency, b.frequency)
    if not pairs:
        raise InputError(
            f"{first} and {second} have no frequency in common",
            "compare results at the same frequencies",
        )
    for path, told in ((first, told_a), (second, told_b)):
        for sentence in told:
            click.echo(f"warning, {path}: {sentence}", err=True)
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
    found = compare_modes(
        a.at([i for i, _ in pairs]),
        b.at([j for _, j in pairs]),
        free=fit,
        cone=cone,
        planes=(plane, np.pi / 2 if across is None else across),
    )
    if as_json:
        facts = {"first": str(first), "second": str(second), "frequencies": comparison_facts(found)}
        click.echo(json.dumps(facts, allow_nan=False))
        return
    for line in comparison_lines(found, cone=cone, every=every):
        click.echo(line)


def _common(first: Any, second: Any) -> list[tuple[int, int]]:
    """Indices of equal frequencies."""
    nearest = np.argmin(np.abs(first[:, None] - second[None]), axis=1)
    return [
        (i, int(j)) for i, j in enumerate(nearest) if abs(first[i] - second[j]) <= SAME_FREQUENCY * first[i]
    ]
