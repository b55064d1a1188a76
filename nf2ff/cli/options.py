"""Options and habits that the commands share."""

from __future__ import annotations

import io
import math
import os
import shlex
import sys
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import wraps
from pathlib import Path
from typing import Any, NoReturn

import click
import numpy as np
from tqdm import tqdm

from nf2ff.cli import fail
from nf2ff.io.safe import refuse_overwrite, replacing
from nf2ff.messages.input_error import InputError, visible
from nf2ff.metrics.planes import ALLOWED, read_plane
from nf2ff.report.over_frequency import told_once
from nf2ff.report.picture_set import PICTURE_SET
from nf2ff.solver.transform_check import WrongTransformError


class _File(click.Path):
    """The name of a file, which is shown: what would steer the terminal is refused."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The path."""
        name = os.fsdecode(value)
        if visible(name) != name:
            self.fail(
                f"{visible(name)} holds a character that no terminal shows: rename the file", param, ctx
            )
        if not name:
            fail("the name of a file is empty, as of a variable that is not set: give one", 2)
        folder = name.endswith(("/", os.sep))
        with suppress(OSError):  # of a name that is too long, which is told where it is opened
            folder = folder or Path(name).is_dir()
        if folder:
            fail(f"{name}: is the name of a folder, expected that of a file", 2)
        return super().convert(value, param, ctx)


FILE = _File(path_type=Path)
time_convention_option = click.option(
    "--time-convention",
    type=click.Choice(["exp(+jwt)", "exp(-iwt)"]),
    help="Time factor of a CSV table's responses; exp(+jwt) if not given.",
)
response_unit_option = click.option(
    "--response-unit",
    type=click.Choice(["V/m", "sqrt(W)", "relative"]),
    help="Unit of a CSV table's responses; relative if not given: directivity, no EIRP, no TRP.",
)
overwrite_option = click.option("--overwrite", is_flag=True, help="Replace the output if it exists.")
all_option = click.option(
    "--all", "every", is_flag=True, help="Print every frequency, however many there are."
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
#: What a plane may be, for help.
PLANE_WORDS = (
    "PLANE is an angle in deg from the plane of phi that belongs to the beam (phi = 0 at a pole), "
    "phi=DEG, E or H (by the polarisation at the peak), narrow or wide (by the beam's width)."
)
#: Endings that a native file must not have, as other programs would take it for text.
TEXTS = (".csv", ".json", ".txt")
#: Endings of compressed files, which other programs would unpack.
COMPRESSED = (".gz", ".bz2", ".xz", ".lzma", ".zip", ".zst")
#: What takes longer is told of while it lasts, and how often that is renewed [s].
PATIENCE, RENEWED = 2.0, 0.5
#: Formats of pictures, by the ending of the file's name.
PICTURES = (".png", ".pdf", ".svg")


def template_option(template: Callable[..., str], words: str, *names: str) -> Callable[..., Any]:
    """Option --template: prints what ``template`` gives, of several for the name, and ends the command."""

    def show(context: click.Context, _: click.Parameter, wanted: Any) -> None:
        if wanted and not context.resilient_parsing:
            click.echo(template(wanted) if names else template(), nl=False)
            context.exit()

    how: dict[str, Any] = {"type": click.Choice(names)} if names else {"is_flag": True}
    return click.option("--template", is_eager=True, expose_value=False, callback=show, help=words, **how)


def read_planes(context: click.Context, parameter: click.Parameter, given: Any) -> Any:
    """Planes, or the one, that an option names."""
    del context
    option = parameter.opts[0]

    def plane(text: str) -> Any:
        try:
            found = read_plane(text)
        except ValueError as error:
            raise click.UsageError(f"{option} is {text[:40]!r}, expected {ALLOWED}") from error
        return found

    return list(map(plane, given)) if parameter.multiple else None if given is None else plane(given)


def one_line_errors(command: Callable[..., Any]) -> Callable[..., Any]:
    """Turn an error of the data into one line on standard error and exit code 1."""

    @wraps(command)
    def guarded(*args: Any, **kwargs: Any) -> Any:
        try:
            return command(*args, **kwargs)
        except BrokenPipeError:  # the reader of the output has seen enough
            raise
        except InputError as error:
            told = f"{error} ({error.option})" if error.option else str(error)
        except (np.linalg.LinAlgError, ArithmeticError) as error:
            told = f"a number is too large or too small to compute with ({error}): check sizes and units"
        except OSError as error:  # that no reader or writer foresaw, such as a name that is too long
            told = f"{error.strerror}: {error.filename}" if error.filename else str(error)
        except (ValueError, WrongTransformError) as error:
            told = str(error)
        except MemoryError:
            told = "not enough memory: use fewer frequencies or directions"
        except RuntimeError as error:
            if "new thread" not in str(error):
                raise
            told = (
                "no more threads can be started: end other programs, or raise the limit of them (ulimit -u)"
            )
        return fail(told)

    return guarded


def misused(message: str) -> NoReturn:
    """Refuse options that do not go together, or an option that is none."""
    raise click.UsageError(message)


def command_line() -> str:
    """The command as it was typed, for the provenance."""
    return shlex.join(["nf2ff", *sys.argv[1:]])


def quoted(unit: str) -> str:
    """A unit as it is typed on a command line, whose shell minds parentheses."""
    return unit if unit.isalpha() or unit == "V/m" else f'"{unit}"'


def plural(count: int, word: str, words: str = "") -> str:
    """So many of something, in words."""
    return f"{count} {word if count == 1 else words or word + 's'}"


# --- checks before the work ----------------------------------------------------------------------


def check_native(output: Path, inputs: Iterable[Path], *, overwrite: bool, export: bool = False) -> None:
    """Refuse an output that could not be written, or whose name is one of text where HDF5 is.

    What ``export`` reads may become text later.
    """
    refuse_overwrite(output, inputs)
    if output.suffix.lower() in TEXTS:
        name = output.with_suffix(".h5")
        later = f", and then run nf2ff export {name} -o {output}" if export else ""
        raise InputError(
            f"{output}: is a name of text, and a native file (HDF5) is written", f"choose {name}{later}"
        )
    check_output(output, inputs, overwrite=overwrite)


def check_output(output: Path, inputs: Iterable[Path], *, overwrite: bool) -> None:
    """Refuse an output that could not be written."""
    refuse_overwrite(output, inputs)
    if output.suffix.lower() in COMPRESSED:
        name = output.with_suffix("")
        raise InputError(f"{output}: is a name of a compressed file, which is not written", f"choose {name}")
    if output.exists() and not overwrite:
        raise InputError(f"{output}: exists", "choose another name or give --overwrite")
    if not output.absolute().parent.is_dir():
        raise InputError(f"{output}: there is no folder {output.parent}", "make it first")


def check_picture(plot: Path | None, inputs: list[Path], *, overwrite: bool) -> None:
    """Refuse a picture that could not be written."""
    if plot is None:
        return
    check_output(plot, inputs, overwrite=overwrite)
    if plot.suffix.lower() not in PICTURES:
        raise InputError(f"{plot}: is not a picture, expected a name that ends in {', '.join(PICTURES)}")


def check_figures(folder: Path | None, *, overwrite: bool) -> None:
    """Refuse a folder of pictures that could not be written."""
    if folder is None:
        return
    if folder.exists() and not folder.is_dir():
        raise InputError(f"{folder}: is a file, expected a folder for pictures", "choose another name")
    if not folder.absolute().parent.is_dir():
        raise InputError(f"{folder}: there is no folder {folder.parent}", "make it first")
    for name in PICTURE_SET:
        if not overwrite and (folder / f"{name}.png").exists():
            raise InputError(f"{folder / f'{name}.png'}: exists", "choose another folder or give --overwrite")


def nearest_frequency(
    path: Path, frequency: Any, ghz: float | None, *, otherwise: int = 0, option: str = "--frequency-ghz"
) -> int:
    """Index of the frequency [Hz] that is asked for by ``option``; ``otherwise`` where none is."""
    if ghz is None:
        return otherwise
    frequency = np.asarray(frequency)
    index = int(np.argmin(np.abs(frequency - 1e9 * ghz)))
    if not abs(frequency[index] - 1e9 * ghz) <= 1e-6 * frequency[index]:
        raise InputError(
            f"{path}: holds no {ghz:.9g} GHz, the nearest frequency is {frequency[index] / 1e9:.12g} GHz",
            f"give that as {option}",
        )
    return index


def steps_of(whole: int, step: float, option: str) -> int:
    """Number of steps, which must divide the angle evenly."""
    count = round(whole / step) if 1e-300 < step < math.inf else 0
    if count < 1 or abs(count * step - whole) > 1e-9 * whole:
        raise InputError(f"{option} is {step:g}, expected a step that divides {whole} deg evenly")
    return count


# --- what is shown -------------------------------------------------------------------------------


def print_warnings(
    frequency: Iterable[float], warnings: Iterable[Sequence[str]], *, once: Sequence[str]
) -> None:
    """Say what to beware of: ``once`` what holds for the scan, the rest for each frequency [Hz]."""
    for sentence in once:
        click.echo(f"warning: {visible(sentence)}", err=True)
    warnings = list(warnings)
    if not any(warnings):
        return
    for line in told_once(frequency, [[x for x in some if x not in once] for some in warnings]):
        click.echo(f"warning, {visible(line)}", err=True)


def save_picture(ax: Any, path: Path, *, overwrite: bool) -> None:
    """Write a picture, whole or not at all."""
    drawn = io.BytesIO()  # what writes PDF loses the reason where the disk is full
    ax.figure.savefig(drawn, format=path.suffix[1:].lower())
    with replacing(path, overwrite=overwrite) as temporary:
        temporary.write_bytes(drawn.getbuffer())


# --- while it lasts ------------------------------------------------------------------------------


@contextmanager
def working(words: str) -> Iterator[None]:
    """What is done and for how long, on standard error where that is a terminal, once it takes long."""
    if not on_terminal():
        yield
        return
    done = threading.Event()

    def show() -> None:
        if done.wait(PATIENCE):
            return
        with tqdm(desc=words, bar_format="{desc}, {elapsed}", file=sys.stderr, leave=False) as bar:
            bar.start_t -= PATIENCE
            while not done.wait(RENEWED):
                bar.refresh()

    thread = threading.Thread(target=show, daemon=True)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join()


def tell(line: str) -> None:
    """A line on standard error, also while `working` says something there."""
    tqdm.write(line, file=sys.stderr)


def on_terminal() -> bool:
    """Whether people see what goes to standard error as it comes."""
    return sys.stderr.isatty()
