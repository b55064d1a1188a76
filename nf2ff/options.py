"""Options and habits that the commands share."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Callable, Iterable
from functools import wraps
from pathlib import Path
from typing import Any

import click

FILE = click.Path(dir_okay=False, path_type=Path)
time_convention_option = click.option(
    "--time-convention",
    type=click.Choice(["exp(+jwt)", "exp(-iwt)"]),
    help="Time factor of a CSV table's responses; exp(+jwt) if not given.",
)
response_unit_option = click.option(
    "--response-unit",
    type=click.Choice(["V/m", "sqrt(W)", "relative"]),
    help="Unit of a CSV table's responses; V/m if not given.",
)
overwrite_option = click.option(
    "--overwrite", is_flag=True, help="Replace the output if it exists."
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")


def one_line_errors(command: Callable[..., Any]) -> Callable[..., Any]:
    """Turn an error of the data into one line on standard error and exit code 1."""

    @wraps(command)
    def guarded(*args: Any, **kwargs: Any) -> Any:
        try:
            return command(*args, **kwargs)
        except (ValueError, OSError) as error:
            click.echo(f"nf2ff: {' '.join(str(error).split())}", err=True)
        except MemoryError:
            click.echo("nf2ff: not enough memory: use fewer frequencies or directions", err=True)
        sys.exit(1)

    return guarded


def check_output(output: Path, inputs: Iterable[Path], *, overwrite: bool) -> None:
    """Refuse, before any work, an output that could not be written after it."""
    from nf2ff import io

    io.refuse_overwrite(output, inputs)
    if output.exists() and not overwrite:
        msg = f"{output}: exists: choose another name or give --overwrite"
        raise ValueError(msg)
    if not output.absolute().parent.is_dir():
        msg = f"{output}: there is no folder {output.parent}: make it first"
        raise ValueError(msg)


def command_line() -> str:
    """The command as it was typed, for the provenance."""
    return shlex.join(["nf2ff", *sys.argv[1:]])


def steps_of(whole: int, step: float, option: str) -> int:
    """Number of steps, which must divide the angle evenly."""
    count = round(whole / step) if step > 1e-300 else 0
    if count < 1 or abs(count * step - whole) > 1e-9 * whole:
        msg = f"{option} is {step:g}, expected a step that divides {whole} deg evenly"
        raise ValueError(msg)
    return count
