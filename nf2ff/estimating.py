"""The commands that say how sure a result is, and how errors grow."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from nf2ff.options import (
    FILE,
    check_output,
    command_line,
    json_option,
    one_line_errors,
    overwrite_option,
    response_unit_option,
    time_convention_option,
)

if TYPE_CHECKING:
    from nf2ff.assessment import Cut
    from nf2ff.modes import Modes
    from nf2ff.solve import Solution
    from nf2ff.study import Growth
    from nf2ff.study_files import StudyFile
    from nf2ff.uncertainty_files import UncertaintyFile

#: Formats of pictures, by the ending of the file's name.
PICTURES = (".png", ".pdf", ".svg")

jobs_option = click.option(
    "--jobs", type=int, default=-1, show_default=True,
    help="Processes that make draws; -1 for one a core.",
)  # fmt: skip


def _print_template(context: click.Context, _: click.Parameter, wanted: bool) -> None:
    if not wanted or context.resilient_parsing:
        return
    from nf2ff.uncertainty_files import uncertainty_template

    click.echo(uncertainty_template(), nl=False)
    context.exit()


@click.command()
@click.argument("scan", type=FILE)
@click.argument("budget", type=FILE)
@click.option("-o", "--output", type=FILE, required=True, help="File to write.")
@click.option("--probe", type=FILE, help="Probe, as for transform; by default the ideal one.")
@click.option("--level", type=FILE, help="TOML: what lies between the probe's port and readings.")
@click.option("--degree", type=int, help="Degree of the modes; that in BUDGET, or chosen.")
@click.option("--draws", type=int, help="Monte Carlo draws; that in BUDGET, or 200.")
@click.option("--linear", is_flag=True, help="Derivatives only, no draws: quick.")
@click.option("--seed", type=click.IntRange(min=0), help="Seed of the draws; in BUDGET, or 0.")
@jobs_option
@click.option("--plot", type=FILE, help="Picture to write: cuts with error bars.")
@click.option(
    "--template", is_flag=True, is_eager=True, expose_value=False, callback=_print_template,
    help="Print a BUDGET to be filled in, and nothing else.",
)  # fmt: skip
@time_convention_option
@response_unit_option
@overwrite_option
@json_option
@one_line_errors
def uncertainty(
    scan: Path,
    budget: Path,
    output: Path,
    probe: Path | None,
    level: Path | None,
    degree: int | None,
    draws: int | None,
    linear: bool,
    seed: int | None,
    jobs: int,
    plot: Path | None,
    time_convention: str | None,
    response_unit: str | None,
    overwrite: bool,
    as_json: bool,
) -> None:
    """State the uncertainty of the figures of SCAN (native or CSV) by the causes in BUDGET (TOML).

    BUDGET holds terms whose effect is known, and errors that are propagated through the scan: by
    derivatives, each by itself, and by draws of all together; where the two differ, the difference
    counts. Start from `nf2ff uncertainty --template`. A cause without a size is shown as not
    supplied, never counted as zero. Ctrl-C ends the draws and keeps those that were made.
    """
    from nf2ff import io
    from nf2ff.assessing import assess
    from nf2ff.probe import field_probe
    from nf2ff.probe_files import load_probe
    from nf2ff.solve import solve
    from nf2ff.transforming import _read_scan
    from nf2ff.uncertainty_files import read_uncertainty_file
    from nf2ff.uncertainty_results import write_uncertainty
    from nf2ff.uncertainty_table import uncertainty_dict, uncertainty_lines

    if linear and (draws is not None or plot is not None):
        other = "--draws" if draws is not None else "--plot, whose error bars are from draws,"
        msg = f"--linear makes no draws: leave it or {other} out"
        raise click.UsageError(msg)
    _check_jobs(jobs)
    given = [x for x in (scan, budget, probe, level) if x is not None]
    check_output(output, given, overwrite=overwrite)
    _check_picture(plot, [*given, output], overwrite=overwrite)
    asked = read_uncertainty_file(budget)
    count = _count(asked, draws, linear)
    samples, sentences, files = _read_scan(scan, level, time_convention, response_unit)
    io.refuse_overwrite(output, files)
    used, notes = load_probe(probe) if probe else (field_probe(), ())
    try:
        solution = solve(samples, used, degree=degree or asked.degree)
    except ValueError as error:
        msg = f"{scan}: {error}"
        raise ValueError(msg) from error
    method = _damped(solution)
    if method is not None and count == 0 and asked.assessment.errors:
        msg = (
            f"{scan}: a part of the sphere was not seen, and --linear knows nothing of a damped "
            "solution: leave it out, or take a lower degree"
        )
        raise ValueError(msg)
    total = count * (1 if method is None else 1 + len(asked.assessment.errors))
    used_seed = asked.seed if seed is None else seed
    with _naming(budget), _progress(total) as progress:
        found = assess(
            samples, used, asked.assessment,
            degree=solution.modes.degree, draws=count, method=method, rng=used_seed, jobs=jobs,
            cut=_cut(solution.modes, asked) if count else None, derivatives=method is None,
            progress=progress,
        )  # fmt: skip
    inputs = [*given, *(x for x in dict.fromkeys(files) if x not in given)]
    provenance = io.provenance(inputs=inputs, command=command_line(), seed=used_seed)
    provenance["level"] = "\n".join(sentences)
    provenance["degree_reason"] = solution.degree_reason
    if notes:
        provenance["probe"] = "\n".join(notes)
    write_uncertainty(output, found, provenance=provenance, overwrite=overwrite)
    if plot is not None:
        from nf2ff.error_plots import cuts_with_bars

        if found.pattern is None:
            click.echo(f"{plot}: not drawn, as there are no draws", err=True)
        else:
            _save(cuts_with_bars(found), plot, overwrite=overwrite)
    for frequency, some in zip(samples.frequency, solution.warnings, strict=True):
        for sentence in some:
            click.echo(f"warning, {frequency / 1e9:.9g} GHz: {sentence}", err=True)
    if found.made < count:
        click.echo(f"stopped after {found.made} of {count} draws: they are kept", err=True)
    if as_json:
        facts = uncertainty_dict(found)
        for fact, some in zip(facts, solution.warnings, strict=True):
            fact["warnings"] = list(some)
        click.echo(json.dumps({"frequencies": facts}, allow_nan=False))
        return
    errors = len(asked.assessment.errors)
    click.echo(f"{output}: {_plural(errors, 'error')} modelled, {_plural(found.made, 'draw')}")
    click.echo(f"degree {solution.modes.degree}: {solution.degree_reason}")
    click.echo("")
    click.echo("\n".join(uncertainty_lines(found)))


def _count(asked: UncertaintyFile, draws: int | None, linear: bool) -> int:
    """Draws to make."""
    from nf2ff.uncertainty_files import MOST_DRAWS

    if draws is not None and not 1 <= draws <= MOST_DRAWS:
        msg = f"--draws is {draws}, expected 1 to {MOST_DRAWS}: --linear makes none"
        raise ValueError(msg)
    if linear or not asked.assessment.errors:
        return 0
    return asked.draws if draws is None else draws


def _damped(solution: Solution) -> Any:
    """The method of a solution that had to be damped, else None."""
    from nf2ff.solve import GAP_METHOD

    seen = solution.coverage
    if seen is None or not seen.unseen(solution.modes.degree).any():
        return None
    return GAP_METHOD


def _cut(modes: Modes, asked: UncertaintyFile) -> Cut:
    """Circles through the peak of the first frequency, eight points in the finest lobe."""
    import numpy as np

    from nf2ff.assessment import Cut
    from nf2ff.beam import peak

    top = peak(modes)
    angle = np.linspace(-np.pi, np.pi, max(181, 8 * modes.degree + 1))
    return Cut(float(top.theta[0]), float(top.phi[0]), asked.plane, angle)


#: What the library calls by its own names, and what the command offers for it.
_OPTIONS = {"tie the responses to watts": "tie the responses to watts (--level)"}


def _in_options(message: str) -> str:
    for words, option in _OPTIONS.items():
        message = message.replace(words, option)
    return message


# --- study ---------------------------------------------------------------------------------------


def _print_study_template(context: click.Context, _: click.Parameter, wanted: bool) -> None:
    if not wanted or context.resilient_parsing:
        return
    from nf2ff.study_files import study_template

    click.echo(study_template(), nl=False)
    context.exit()


@click.command("study")
@click.argument("description", metavar="STUDY", type=FILE)
@click.option("-o", "--output", type=FILE, required=True, help="File to write.")
@jobs_option
@click.option("--plot", type=FILE, help="Picture to write: errors and their bands.")
@click.option(
    "--template", is_flag=True, is_eager=True, expose_value=False, callback=_print_study_template,
    help="Print a STUDY to be changed, and nothing else.",
)  # fmt: skip
@time_convention_option
@response_unit_option
@overwrite_option
@json_option
@one_line_errors
def study(
    description: Path,
    output: Path,
    jobs: int,
    plot: Path | None,
    time_convention: str | None,
    response_unit: str | None,
    overwrite: bool,
    as_json: bool,
) -> None:
    """See how errors grow, as STUDY (TOML) describes it.

    STUDY names an antenna that is simulated, or a scan that was measured, errors, and what is
    varied: their size or, of an antenna, frequency, distance, sampling or degree. Start from
    `nf2ff study --template`. Ctrl-C keeps the values that were done.
    """
    from nf2ff import io
    from nf2ff.study_files import read_study_file
    from nf2ff.study_results import write_growth
    from nf2ff.study_table import growth_dict, growth_lines

    _check_jobs(jobs)
    check_output(output, [description], overwrite=overwrite)
    _check_picture(plot, [description, output], overwrite=overwrite)
    asked = read_study_file(description)
    for path in (output, *([] if plot is None else [plot])):
        io.refuse_overwrite(path, asked.inputs)
    if asked.scan is None and not (time_convention is None and response_unit is None):
        msg = "--time-convention and --response-unit are of a scan, and STUDY names an antenna"
        raise click.UsageError(msg)
    with _progress(asked.draws * asked.values.size) as progress:
        growth, notes = _grow(description, asked, jobs, (time_convention, response_unit), progress)
    provenance = io.provenance(
        inputs=[description, *asked.inputs], command=command_line(), seed=asked.seed
    )
    write_growth(output, growth, shown=asked.shown, provenance=provenance, overwrite=overwrite)
    if plot is not None:
        from nf2ff.error_plots import growth_overview

        _save(growth_overview(growth, shown=asked.shown), plot, overwrite=overwrite)
    for note in notes:
        click.echo(f"warning: {note}", err=True)
    done, made = growth.values.size, int(growth.draws[-1])
    if done < asked.values.size or made < asked.draws:
        click.echo(
            f"stopped at value {done} of {asked.values.size}, of which {made} of {asked.draws} "
            "draws were made: what there is was kept", err=True,
        )  # fmt: skip
    if as_json:
        click.echo(json.dumps(growth_dict(growth, asked.shown), allow_nan=False))
        return
    click.echo(f"{output}: {_plural(len(asked.errors), 'error')}, {_plural(done, 'value')}")
    for error in asked.errors:
        click.echo(f"  {error.describe()}")
    click.echo("")
    click.echo("\n".join(growth_lines(growth, asked.shown)))


def _grow(
    description: Path,
    asked: StudyFile,
    jobs: int,
    words: tuple[str | None, str | None],
    progress: Callable[[int], None],
) -> tuple[Growth, list[str]]:
    """The study itself, and what the solver has to say of a measured scan."""
    from nf2ff import io
    from nf2ff.inspection import read_antenna
    from nf2ff.probe import field_probe
    from nf2ff.probe_files import load_probe
    from nf2ff.simulated_scan import SimulatedScan
    from nf2ff.solve import solve
    from nf2ff.study import sweep, sweep_sizes

    probe = None if asked.probe is None else load_probe(asked.probe)[0]
    how: dict[str, Any] = {
        "draws": asked.draws, "rng": asked.seed, "jobs": jobs, "confidence": asked.confidence,
        "progress": progress,
    }  # fmt: skip
    if asked.scan is not None:
        samples = io.read_samples(
            asked.scan, time_convention=words[0], response_unit=words[1]
        )  # fmt: skip
        used = probe or field_probe()
        try:
            solution = solve(samples, used, degree=asked.degree)
        except ValueError as error:
            msg = f"{asked.scan}: {error}"
            raise ValueError(msg) from error
        if _damped(solution) is not None:
            msg = (
                f"{asked.scan}: a part of the sphere was not seen, and a study knows nothing of a "
                "damped solution: take a lower degree"
            )
            raise ValueError(msg)
        degree = solution.modes.degree
        notes = [
            f"{frequency / 1e9:.9g} GHz: {sentence}"
            for frequency, some in zip(samples.frequency, solution.warnings, strict=True)
            for sentence in some
        ]
        with _naming(description):
            growth = sweep_sizes(
                samples, used, asked.errors, asked.figures, degree=degree, factors=asked.values,
                **how,
            )  # fmt: skip
        return growth, notes
    assert asked.antenna is not None
    antenna = read_antenna(asked.antenna)
    with _naming(description):
        first = float(asked.values[0])
        scan = SimulatedScan(
            antenna,
            first if asked.frequency is None else asked.frequency,
            first if asked.radius is None else asked.radius,
            asked.degree,
            asked.tail_db,
            asked.oversampling,
            probe,
        )
        growth = sweep(scan, asked.errors, asked.figures, over=asked.over, values=asked.values,
                       **how)  # fmt: skip
    return growth, []


@contextmanager
def _naming(path: Path) -> Iterator[None]:
    """Name the file in errors of what it asks for."""
    try:
        yield
    except ValueError as error:
        msg = f"{path}: {_in_options(str(error))}"
        raise ValueError(msg) from error


# --- what both commands share --------------------------------------------------------------------


def _check_jobs(jobs: int) -> None:
    if jobs == 0:
        msg = "--jobs is 0, expected a number of processes, or -1 for one a core"
        raise ValueError(msg)


def _check_picture(plot: Path | None, inputs: list[Path], *, overwrite: bool) -> None:
    if plot is None:
        return
    check_output(plot, inputs, overwrite=overwrite)
    if plot.suffix.lower() not in PICTURES:
        msg = f"{plot}: is no picture, expected a name that ends in {', '.join(PICTURES)}"
        raise ValueError(msg)


def _save(ax: Any, path: Path, *, overwrite: bool) -> None:
    """Write a picture, whole or not at all."""
    from nf2ff.files import replacing

    with replacing(path, overwrite=overwrite) as temporary:
        ax.figure.savefig(temporary, format=path.suffix[1:].lower())


@contextmanager
def _progress(total: int) -> Iterator[Callable[[int], None]]:
    """A bar on standard error, where that is a terminal."""
    from tqdm import tqdm

    with tqdm(
        total=total, desc="draws", file=sys.stderr, disable=None if total else True, leave=False
    ) as bar:

        def show(done: int) -> None:
            bar.update(done - bar.n)

        yield show


def _plural(count: int, word: str) -> str:
    return f"{count} {word}" + ("" if count == 1 else "s")
