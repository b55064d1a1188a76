"""The command that shows the main job on an example."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from nf2ff.cli.example_scan import run
from nf2ff.cli.options import one_line_errors


@click.command(epilog="Example: nf2ff demo -o weather-station")
@click.option(
    "-o",
    "--folder",
    type=click.Path(path_type=Path),
    help="Where to write; by default nf2ff-demo, or nf2ff-demo-2 and so on if that exists.",
)
@one_line_errors
def demo(folder: Path | None) -> None:
    """Simulate a scan with a known answer, transform it, and compare."""
    if not run(folder):
        click.echo("nf2ff: the error against the closed form is too large", err=True)
        sys.exit(1)
