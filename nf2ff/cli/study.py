"""The command that shows how errors grow."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from nf2ff.cli import stopped_by
from nf2ff.cli.draws import begun, check_jobs, draws_bar, jobs_option, resume_option
from nf2ff.cli.inputs import Mounting, read_mounted_probe, unstated_unit
from nf2ff.cli.options import (
    FILE,
    check_native,
    check_picture,
    command_line,
    json_option,
    misused,
    one_line_errors,
    overwrite_option,
    plural,
    response_unit_option,
    save_picture,
    template_option,
    time_convention_option,
)
from nf2ff.io import native, safe
from nf2ff.io.antenna_toml import read_antenna
from nf2ff.io.growth import read_growth, write_growth
from nf2ff.io.growth_toml import StudyFile, read_study_file, study_template
from nf2ff.messages.input_error import InputError, found_in
from nf2ff.report.growth import growth_dict, growth_lines
from nf2ff.report.result import warning_lines
from nf2ff.report.uncertainty_plots import growth_overview
from nf2ff.solver.solve import solve
from nf2ff.uncertainty.growth import Growth, sweep, sweep_sizes
from nf2ff.uncertainty.phase_groups import sweep_phase_groups
from nf2ff.uncertainty.simulated_scan import SimulatedScan


@click.command("study", epilog="Example: nf2ff study study.toml -o growth.h5 --plot growth.png")
@click.argument("description", metavar="STUDY", type=FILE)
@click.option("-o", "--output", type=FILE, required=True, help="File to write.")
@resume_option
@jobs_option
@click.option("--plot", type=FILE, help="Picture to write: errors and their bands.")
@template_option(study_template, "Print a STUDY to edit, and nothing else.")
@time_convention_option
@response_unit_option
@overwrite_option
@json_option
@one_line_errors
def study(
    description: Path,
    output: Path,
    resume: Path | None,
    jobs: int,
    plot: Path | None,
    time_convention: str | None,
    response_unit: str | None,
    overwrite: bool,
    as_json: bool,
) -> None:
    """See how errors grow, as STUDY (TOML) describes it.

    STUDY names an antenna that is simulated, or a scan that was measured, errors, and what is
    varied: their size or, of an antenna, frequency, distance, sampling, degree, or which readings share a
    phase without a phase reference. Without errors, what sampling alone leaves. Start from
    `nf2ff study --template`. Ctrl-C keeps the draws that were made; the result with
    --resume OUTPUT is then the same as without a stop. Of tables [[set]] it keeps whole sets, which
    are not resumed.
    """
    check_jobs(jobs)
    check_native(output, [description], overwrite=overwrite)
    check_picture(plot, [description, output], overwrite=overwrite)
    asked = read_study_file(description)
    for path in (output, *([] if plot is None else [plot])):
        safe.refuse_overwrite(path, asked.inputs)
    if asked.scan is None and not (time_convention is None and response_unit is None):
        msg = "--time-convention and --response-unit are of a scan, and STUDY names an antenna"
        raise click.UsageError(msg)
    after = None
    if resume is not None and asked.sets:
        misused("--resume goes on with draws, and a study of [[set]] keeps whole sets: make it anew")
    if resume is not None:
        begun(resume, [description, *asked.inputs], asked.seed)
        after, _ = read_growth(resume)
    with draws_bar(asked.draws * asked.values.size) as progress:
        growth, notes = _grow(description, asked, jobs, (time_convention, response_unit), progress, after)
    provenance = safe.provenance(inputs=[description, *asked.inputs], command=command_line(), seed=asked.seed)
    write_growth(output, growth, shown=asked.shown, provenance=provenance, overwrite=overwrite)
    if plot is not None:
        save_picture(growth_overview(growth, shown=asked.shown), plot, overwrite=overwrite)
    for note in notes:
        click.echo(f"warning: {note}", err=True)
    done, made = growth.values.size, int(growth.draws[-1])
    stopped = done < asked.values.size or (made < asked.draws and not asked.sets)
    if stopped:
        kept = f"of which {made} of {asked.draws} draws were made: they are kept, and --resume {output} "
        kept += "makes the rest"
        if asked.sets:
            kept = "and those up to it are kept"
        click.echo(f"stopped at value {done} of {asked.values.size}, {kept}", err=True)
    if as_json:
        click.echo(json.dumps(growth_dict(growth, asked.shown), allow_nan=False))
    else:
        what = plural(len(asked.errors), "error") if asked.errors else "sampling alone"
        click.echo(f"{output}: {what}, {plural(done, 'value')}")
        for error in asked.errors:
            click.echo(f"  {error.describe()}")
        click.echo("")
        click.echo("\n".join(growth_lines(growth, asked.shown)))
    if stopped:
        sys.exit(128 + stopped_by())


def _grow(
    description: Path,
    asked: StudyFile,
    jobs: int,
    words: tuple[str | None, str | None],
    progress: Callable[[int], None],
    after: Growth | None,
) -> tuple[Growth, list[str]]:
    """The study itself, and what the solver has to say of a measured scan."""
    _, used, _ = read_mounted_probe(asked.probe, Mounting(), words[0])
    how: dict[str, Any] = {
        "draws": asked.draws,
        "rng": asked.seed,
        "jobs": jobs,
        "confidence": asked.confidence,
        "progress": progress,
        "after": after,
    }
    if asked.scan is not None:
        samples = native.read_samples(asked.scan, time_convention=words[0], response_unit=words[1])
        with found_in(asked.scan):
            solution = solve(samples, used, degree=asked.degree)
            if solution.damped:
                raise InputError(
                    "the samples do not determine all waves, and a study knows nothing of the "
                    "damping that takes",
                    "measure the rest, or take a lower degree",
                )
        notes = unstated_unit(asked.scan, words[1], probe=used, options="")
        notes += warning_lines(samples.frequency, solution.warnings)
        with found_in(description):
            growth = sweep_sizes(solution, asked.errors, asked.figures, factors=asked.values, **how)
        return growth, notes
    assert asked.antenna is not None
    antenna = read_antenna(asked.antenna)
    with found_in(description):
        first = float(asked.values[0])
        near = asked.sets[0].radii[0] if asked.sets else first
        scan = SimulatedScan(
            antenna,
            first if asked.frequency is None else asked.frequency,
            near if asked.radius is None else asked.radius,
            asked.degree,
            asked.tail_db,
            asked.oversampling,
            used,
            asked.positions,
            asked.samples,
        )
        if asked.sets:
            del how["after"]
            how |= {"noise_db": asked.noise_db, "starts": asked.starts, "jobs": None if jobs == -1 else jobs}
            return sweep_phase_groups(scan, asked.errors, asked.figures, asked.sets, **how), []
        growth = sweep(scan, asked.errors, asked.figures, over=asked.over, values=asked.values, **how)
    return growth, []
