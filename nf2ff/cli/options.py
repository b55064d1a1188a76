"""Options and habits that the commands share."""

from __future__ import annotations

import math
import shlex
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from nf2ff.messages.input_error import InputError

if TYPE_CHECKING:
    from nf2ff.measurement.probe import Probe

FILE = click.Path(dir_okay=False, path_type=Path)
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
json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
#: What a plane may be, for help.
PLANE_WORDS = (
    "PLANE is an angle in deg from the plane of phi that belongs to the beam (phi = 0 at a pole), "
    "phi=DEG, E or H (by the polarisation at the peak), narrow or wide (by the beam's width)."
)


def read_planes(context: click.Context, parameter: click.Parameter, given: Any) -> Any:
    """Planes, or the one, that an option names."""
    del context
    from nf2ff.metrics.planes import read_plane

    if given is None:
        return None
    try:
        return list(map(read_plane, given)) if parameter.multiple else read_plane(given)
    except ValueError as error:
        msg = f"{parameter.opts[0]}: {error}"
        raise click.UsageError(msg) from error


@dataclass(frozen=True, slots=True)
class Mounting:
    """What is known of the probe's mounting, and how much of it is to be taken into account.

    Parameters
    ----------
    chi_offset_deg : tuple of float
        True rotation about the axis minus recorded chi: none, one for all ports, or one each [deg].
    tilt_x_deg, tilt_y_deg : float
        As ``tilt_x`` and ``tilt_y`` of `measurement.probe.mounted` [deg].
    largest_order : int or None
        Largest azimuthal order taken, None for all.
    """

    chi_offset_deg: tuple[float, ...] = ()
    tilt_x_deg: float = 0.0
    tilt_y_deg: float = 0.0
    largest_order: int | None = None

    def of(self, probe: Probe) -> Probe:
        """The probe so mounted, all its orders kept.

        Raises
        ------
        ValueError
            If an angle is none that a probe could have, or the offsets do not fit its ports.
        """
        from nf2ff.measurement.probe import mounted

        for option, values, most in (
            ("--probe-chi-offset-deg", self.chi_offset_deg, 360),
            ("--probe-tilt-x-deg", (self.tilt_x_deg,), MAX_TILT_DEG),
            ("--probe-tilt-y-deg", (self.tilt_y_deg,), MAX_TILT_DEG),
        ):
            for value in values:
                if not abs(value) <= most:
                    raise InputError(f"{option} is {value:g}, expected degrees from -{most} to {most}")
        count = len(self.chi_offset_deg)
        if count not in (0, 1, probe.ports):
            held = "1 port" if probe.ports == 1 else f"{probe.ports} ports"
            raise InputError(
                f"--probe-chi-offset-deg is given {count} times, the probe has {held}",
                "give it once for all ports, or once for each",
            )
        if not any((*self.chi_offset_deg, self.tilt_x_deg, self.tilt_y_deg)):
            return probe
        offset = [math.radians(x) for x in self.chi_offset_deg] or [0.0]
        return mounted(
            probe,
            chi_offset=offset[0] if len(offset) == 1 else offset,
            tilt_x=math.radians(self.tilt_x_deg),
            tilt_y=math.radians(self.tilt_y_deg),
        )

    def sentences(self) -> list[str]:
        """What was stated, for the provenance."""
        offsets = [f"{x:.9g}" for x in self.chi_offset_deg]
        found = []
        if len(offsets) == 1:
            found.append(f"mounting: chi offset {offsets[0]} deg of all ports, as stated")
        elif offsets:
            found.append(f"mounting: chi offset {', '.join(offsets)} deg of the ports, as stated")
        if self.tilt_x_deg or self.tilt_y_deg:
            found.append(
                f"mounting: tilt {self.tilt_x_deg:.9g} deg about x, {self.tilt_y_deg:.9g} deg "
                "about y, as stated"
            )
        if self.largest_order is not None:
            found.append(f"azimuthal orders of the probe up to {self.largest_order}, as asked")
        return found


#: A probe that is tilted by more looks past the antenna: an angle that was mistaken for another.
MAX_TILT_DEG = 45

_MOUNTING = (
    click.option(
        "--probe-chi-offset-deg",
        type=float,
        multiple=True,
        help="True rotation of the probe about its axis minus chi; once, or once for each port.",
    ),
    click.option(
        "--probe-tilt-x-deg",
        type=float,
        default=0.0,
        help="Turn of probe and offset about the mount's x axis, which stands at the recorded chi: "
        "at chi = 0 they lean towards phi^.",
    ),
    click.option(
        "--probe-tilt-y-deg",
        type=float,
        default=0.0,
        help="Turn about the mount's y axis, after that: at chi = 0 they lean towards theta^.",
    ),
    click.option(
        "--probe-largest-order",
        type=click.IntRange(min=1),
        help="Largest azimuthal order of the probe that is taken; the error is reported.",
    ),
)


def mounting_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options on the probe's mounting, which the command gets as one value ``mounting``."""

    @wraps(command)
    def packed(
        *args: Any,
        probe_chi_offset_deg: tuple[float, ...],
        probe_tilt_x_deg: float,
        probe_tilt_y_deg: float,
        probe_largest_order: int | None,
        **kwargs: Any,
    ) -> Any:
        mounting = Mounting(probe_chi_offset_deg, probe_tilt_x_deg, probe_tilt_y_deg, probe_largest_order)
        return command(*args, mounting=mounting, **kwargs)

    for option in reversed(_MOUNTING):
        packed = option(packed)
    return packed


def one_line_errors(command: Callable[..., Any]) -> Callable[..., Any]:
    """Turn an error of the data into one line on standard error and exit code 1."""

    @wraps(command)
    def guarded(*args: Any, **kwargs: Any) -> Any:
        try:
            return command(*args, **kwargs)
        except BrokenPipeError:  # the reader of the output has seen enough
            raise
        except (ValueError, OSError) as error:
            click.echo(f"nf2ff: {' '.join(str(error).split())}", err=True)
        except RuntimeError as error:
            from nf2ff.solver.self_check import WrongTransformError

            if not isinstance(error, WrongTransformError):
                raise
            click.echo(f"nf2ff: {error}", err=True)
        except MemoryError:
            click.echo("nf2ff: not enough memory: use fewer frequencies or directions", err=True)
        sys.exit(1)

    return guarded


def check_output(output: Path, inputs: Iterable[Path], *, overwrite: bool) -> None:
    """Refuse, before any work, an output that could not be written after it."""
    from nf2ff.io import safe

    safe.refuse_overwrite(output, inputs)
    if output.exists() and not overwrite:
        raise InputError(f"{output}: exists", "choose another name or give --overwrite")
    if not output.absolute().parent.is_dir():
        raise InputError(f"{output}: there is no folder {output.parent}", "make it first")


def command_line() -> str:
    """The command as it was typed, for the provenance."""
    return shlex.join(["nf2ff", *sys.argv[1:]])


def quoted(unit: str) -> str:
    """A unit as it is typed on a command line, whose shell minds parentheses."""
    return unit if unit.isalpha() or unit == "V/m" else f'"{unit}"'


def unstated_unit(
    scan: Path,
    response_unit: str | None,
    *,
    probe: Probe | None = None,
    level: Path | None = None,
    options: str = "or give --level",
) -> list[str]:
    """The sentence on a table whose responses have no stated unit, none where they have one.

    Parameters
    ----------
    scan : Path
        Table or native file; the latter states its unit.
    response_unit : str or None
        As it was stated.
    probe : Probe, optional
        The probe that took it, if that is known here.
    level : Path, optional
        What turns the readings into such as have a unit.
    options : str
        Other ways to a level.
    """
    from nf2ff.io import native

    if response_unit is not None or level is not None or native.file_kind(scan) != "table":
        return []
    unit = 'V/m or "sqrt(W)", whichever holds'
    if probe is not None and probe.response_unit != "relative":
        unit = quoted(probe.response_unit)
    ways = [f"state --response-unit {unit}", *([options] if options else [])]
    return [
        "the unit of the responses is not stated, so they are relative: directivity, but no EIRP "
        f"and no TRP; for these {', '.join(ways)}"
    ]


def steps_of(whole: int, step: float, option: str) -> int:
    """Number of steps, which must divide the angle evenly."""
    count = round(whole / step) if step > 1e-300 else 0
    if count < 1 or abs(count * step - whole) > 1e-9 * whole:
        raise InputError(f"{option} is {step:g}, expected a step that divides {whole} deg evenly")
    return count


#: Formats of pictures, by the ending of the file's name.
PICTURES = (".png", ".pdf", ".svg")


jobs_option = click.option(
    "--jobs", type=int, default=-1, show_default=True, help="Processes that make draws; -1 for one a core."
)


#: What the library calls by its own names, and what the command offers for it.
_OPTIONS = {
    "state the unit of the responses,": "state the unit of the responses (--response-unit),",
    "tie the responses to watts": "tie the responses to watts (--level)",
}


def _in_options(message: str) -> str:
    for words, option in _OPTIONS.items():
        message = message.replace(words, option)
    return message


@contextmanager
def naming(path: Path) -> Iterator[None]:
    """Name the file in errors of what it asks for."""
    try:
        yield
    except ValueError as error:
        raise InputError(f"{path}: {_in_options(str(error))}") from error


def check_jobs(jobs: int) -> None:
    """Refuse no process at all."""
    if jobs == 0:
        raise InputError("--jobs is 0, expected a number of processes, or -1 for one a core")


def check_picture(plot: Path | None, inputs: list[Path], *, overwrite: bool) -> None:
    """Refuse, before any work, a picture that could not be written after it."""
    if plot is None:
        return
    check_output(plot, inputs, overwrite=overwrite)
    if plot.suffix.lower() not in PICTURES:
        raise InputError(f"{plot}: is no picture, expected a name that ends in {', '.join(PICTURES)}")


def save_picture(ax: Any, path: Path, *, overwrite: bool) -> None:
    """Write a picture, whole or not at all."""
    from nf2ff.io.safe import replacing

    with replacing(path, overwrite=overwrite) as temporary:
        ax.figure.savefig(temporary, format=path.suffix[1:].lower())


@contextmanager
def draws_bar(total: int) -> Iterator[Callable[[int], None]]:
    """A bar on standard error, where that is a terminal."""
    from tqdm import tqdm

    with tqdm(
        total=total, desc="draws", file=sys.stderr, disable=None if total else True, leave=False
    ) as bar:

        def show(done: int) -> None:
            bar.update(done - bar.n)

        yield show


def plural(count: int, word: str) -> str:
    """So many of something, in words."""
    return f"{count} {word}" + ("" if count == 1 else "s")
