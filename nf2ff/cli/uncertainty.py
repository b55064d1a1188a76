"""The command that says how sure a result is."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import click
import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.far_field import far_field_blocks
from nf2ff.antenna.modes import Modes
from nf2ff.cli import stopped_by
from nf2ff.cli.draws import begun, check_jobs, draws_bar, jobs_option, resume_option
from nf2ff.cli.inputs import (
    Mounting,
    check_powers,
    mounting_options,
    power_sentences,
    read_mounted_probe,
    read_scan,
    unstated_unit,
)
from nf2ff.cli.options import (
    FILE,
    all_option,
    check_native,
    check_picture,
    command_line,
    json_option,
    misused,
    one_line_errors,
    overwrite_option,
    plural,
    print_warnings,
    response_unit_option,
    save_picture,
    template_option,
    time_convention_option,
    working,
)
from nf2ff.io import safe
from nf2ff.io.kept_draws import read_kept_draws
from nf2ff.io.uncertainty import read_uncertainty, write_uncertainty
from nf2ff.io.uncertainty_toml import (
    MAX_DRAWS,
    UncertaintyFile,
    figures_of,
    read_uncertainty_file,
    uncertainty_template,
)
from nf2ff.messages.input_error import InputError, found_in
from nf2ff.messages.notice import Notice
from nf2ff.messages.uncertainty import UncertaintyCode
from nf2ff.metrics.beam import beamwidth, cut_planes, peak, sidelobe_level
from nf2ff.metrics.result import Powers
from nf2ff.metrics.transformation import (
    MAX_EFFICIENCY,
    doubts_of_peak,
    limit_orders,
    mark_trusted,
    peak_seen,
    tell_neglected,
    trusted_directions,
)
from nf2ff.report.uncertainty import uncertainty_dict, uncertainty_warnings
from nf2ff.report.uncertainty_plots import cuts_with_bars
from nf2ff.report.uncertainty_summary import uncertainty_report
from nf2ff.solver.solution import Solution
from nf2ff.solver.solve import solve
from nf2ff.uncertainty.assess import assess
from nf2ff.uncertainty.draws import Draws
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.request import FIGURES, Assessment, Cut
from nf2ff.uncertainty.result import Uncertainty


@click.command(epilog="Example: nf2ff uncertainty scan.h5 budget.toml -o uncertainty.h5 --draws 100")
@click.argument("scan", type=FILE)
@click.argument("budget", type=FILE)
@click.option("-o", "--output", type=FILE, required=True, help="File to write.")
@click.option("--probe", type=FILE, help="Probe, as for transform; by default the ideal one.")
@mounting_options
@click.option(
    "--level",
    type=FILE,
    help="TOML (nf2ff transform --template level): what lies between the probe's port and readings.",
)
@click.option(
    "--input-power-w",
    type=float,
    help="Power incident on the antenna's port: gives the value of the metric gain, as realised "
    "gain. Its own uncertainty is a term of BUDGET.",
)
@click.option("--accepted-power-w", type=float, help="Power it accepts, in its place: gives gain.")
@click.option("--degree", type=int, help="Degree of the modes; that in BUDGET, or chosen.")
@click.option("--draws", type=int, help="Monte Carlo draws; that in BUDGET, or 200.")
@click.option("--linear", is_flag=True, help="Derivatives only, no draws: quick.")
@click.option("--seed", type=click.IntRange(min=0), help="Seed of the draws; in BUDGET, or 0.")
@resume_option
@jobs_option
@click.option("--plot", type=FILE, help="Picture to write: cuts with error bars, at the first frequency.")
@template_option(uncertainty_template, "Print a BUDGET to fill in, and nothing else.")
@time_convention_option
@response_unit_option
@overwrite_option
@all_option
@json_option
@one_line_errors
def uncertainty(
    scan: Path,
    budget: Path,
    output: Path,
    probe: Path | None,
    mounting: Mounting,
    level: Path | None,
    input_power_w: float | None,
    accepted_power_w: float | None,
    degree: int | None,
    draws: int | None,
    linear: bool,
    seed: int | None,
    resume: Path | None,
    jobs: int,
    plot: Path | None,
    time_convention: str | None,
    response_unit: str | None,
    overwrite: bool,
    every: bool,
    as_json: bool,
) -> None:
    """State the uncertainty of the figures of SCAN (native or CSV) by the causes in BUDGET (TOML).

    BUDGET holds terms whose effect is known, and errors that are propagated through the scan: by
    derivatives, each by itself, and by draws of all together; where the two differ, the difference
    counts. Start from `nf2ff uncertainty --template`. A cause without a size is shown as not
    supplied, never counted as zero. Ctrl-C ends the draws and keeps those that were made; the
    result with --resume OUTPUT is then the same as without a stop.
    """
    if linear and (draws is not None or plot is not None or resume is not None):
        other = "--plot, whose error bars are from draws," if draws is None else "--draws"
        other = "--resume" if resume is not None else other
        misused(f"--linear makes no draws: leave it or {other} out")
    if input_power_w is not None and accepted_power_w is not None:
        misused("--input-power-w and --accepted-power-w: give one, as there is one metric of gain")
    powers = Powers(input_power_w, accepted_power_w)
    check_powers(powers)
    check_jobs(jobs)
    given = [x for x in (scan, budget, probe, level) if x is not None]
    check_native(output, given, overwrite=overwrite)
    check_picture(plot, [*given, output], overwrite=overwrite)
    asked = read_uncertainty_file(budget, realised=powers.incident is not None)
    gains, errors = asked.assessment.relative_only, asked.assessment.errors
    question = _about_gain(budget, asked.assessment, powers)
    kept: Sequence[Draws] = ()
    if resume is not None:
        seed = begun(resume, given, seed)
        draws = read_uncertainty(resume).asked if draws is None else draws
        kept = read_kept_draws(resume, question.all_figures)
    count = _count(asked, draws, linear)
    samples, sentences, files = read_scan(scan, level, time_convention, response_unit, probe=probe)
    safe.refuse_overwrite(output, files)
    _, whole, notes = read_mounted_probe(probe, mounting, time_convention)
    used = limit_orders(whole, mounting.largest_order)
    with found_in(scan):
        with working("solving"):
            solution = solve(samples, used, degree=asked.degree if degree is None else degree)
        solution = tell_neglected(solution, samples, whole, used)
        if solution.damped and count == 0 and errors:
            raise InputError(
                "the samples do not determine all waves, and --linear knows nothing of the damping "
                "that takes",
                "leave --linear out, or take a lower degree",
            )
        doubts = _refuse_unknown(solution, question)
    total = count * (1 + len(errors) if solution.damped else 1)
    used_seed = asked.seed if seed is None else seed
    cut = _cut(solution.modes, asked) if count else None
    with found_in(budget), draws_bar(total) as progress:
        found = assess(
            solution,
            question,
            draws=count,
            rng=used_seed,
            jobs=jobs,
            cut=cut,
            derivatives=not solution.damped,
            progress=progress,
            after=kept,
        )
    power = next((x for x in powers if x is not None), None)
    if power is not None:
        found = replace(found, results={**found.results, **{x: found.results[x].over(power) for x in gains}})
    inputs = [*given, *(x for x in dict.fromkeys(files) if x not in given)]
    provenance = safe.provenance(inputs=inputs, command=command_line(), seed=used_seed)
    provenance["level"] = "\n".join((*sentences, *power_sentences(powers)))
    provenance["degree_reason"] = solution.degree_reason
    if notes:
        provenance["probe"] = "\n".join(notes)
    write_uncertainty(output, found, provenance=provenance, overwrite=overwrite)
    if plot is not None and found.pattern is None:
        click.echo(f"{plot}: not drawn, as there are no draws", err=True)
    elif plot is not None:
        save_picture(cuts_with_bars(found, seen=_seen(solution, cut)), plot, overwrite=overwrite)
    unit = unstated_unit(scan, response_unit, probe=used, level=level)
    warnings = _warnings(solution, found, [[*unit, *some] for some in doubts], power)
    print_warnings(samples.frequency, warnings, once=unit)
    if found.made < count:
        how = f"they are kept, and --resume {output} makes the rest" if found.kept else "none is kept"
        click.echo(f"stopped after {found.made} of {count} draws: {how}", err=True)
    if as_json:
        facts = [fact | {"warnings": x} for fact, x in zip(uncertainty_dict(found), warnings, strict=True)]
        click.echo(json.dumps({"frequencies": facts}, allow_nan=False))
    else:
        _print(output, found, solution, question, every)
    if found.made < count:
        sys.exit(128 + stopped_by())


def _print(output: Path, found: Uncertainty, solution: Solution, question: Assessment, every: bool) -> None:
    """Say in words what was found."""
    errors = question.errors
    click.echo(f"{output}: {plural(len(errors), 'error')} modelled, {plural(found.made, 'draw')}")
    for one in errors:
        click.echo(f"  {one.name}: {one.error.describe()}")
    click.echo(f"degree {solution.degree_text()}: {solution.degree_reason}")
    click.echo("")
    click.echo("\n".join(uncertainty_report(found, every=every)))
    for metric in found.budgets[0].metrics:
        if found.results[metric.name].quantity == "unknown":
            click.echo(
                f"{metric.label} is EIRP over the power into the antenna: its value needs "
                "--input-power-w or --accepted-power-w"
            )


#: Figures that need the power radiated in all directions, and those of the peak.
_OF_ALL = ("directivity", "trp", "directivity-towards")
_OF_PEAK = ("eirp", "pointing-theta", "pointing-phi")


def _refuse_unknown(solution: Solution, question: Assessment) -> list[list[Notice]]:
    """Refuse metrics for which a scan of a part of the sphere gives no interval; of a peak, say at each
    frequency whether a higher one may lie there."""
    partial = solution.partial
    if not partial.any():
        return [[] for _ in partial]
    modes = solution.modes
    top = peak(modes)
    seen = peak_seen(solution.samples, solution, top)
    lost = _OF_ALL if seen.all() else _OF_ALL + _OF_PEAK
    rings = 4 * modes.degree
    theta, phi = np.pi * np.arange(rings + 1) / rings, np.pi * np.arange(2 * rings) / rings
    marks = mark_trusted(solution.samples, solution, far_field_blocks(modes, theta=theta, phi=phi))

    def hangs_on_it(figure: Figure) -> bool:
        """Whether a figure hangs on what was not seen."""
        given: dict[str, Any]
        if figure.name == "beamwidth":
            given = {"drop_db": figure.drop_db, "plane": figure.plane, "at": top}
            all_round, told = (beamwidth(modes, **given, seen=x) for x in (None, marks))
        elif figure.name == "sidelobe-level":
            given = {"plane": figure.plane, "at": top}
            all_round, told = (sidelobe_level(modes, **given, seen=x).highest for x in (None, marks))
        else:
            return figure.name in lost
        return not np.allclose(all_round, told, rtol=1e-6, atol=0, equal_nan=True)

    names = [name for name, some in question.figures.items() if any(map(hangs_on_it, some))]
    if not names:
        of_peak = any(figure.name in _OF_PEAK for some in question.figures.values() for figure in some)
        doubts = doubts_of_peak(solution, marks, top, seen)
        return doubts if of_peak else [[] for _ in doubts]
    towards = {"pattern": dict.fromkeys(("theta_deg", "phi_deg"), 0.0)}
    more = [
        name
        for name in FIGURES
        if name not in question.figures
        and any(map(hangs_on_it, figures_of(name, towards.get(name, {}), f"figure.{name}")))
    ]
    f = int((partial if seen.all() else ~seen).argmax())
    coverage = solution.coverage[f]
    assert coverage is not None
    why = "what is radiated there is not known" if seen.all() else "the peak may lie there"
    others = f" (nor would one hold {', '.join(more)})" if more else ""
    raise InputError(
        f"{coverage.describe(int(solution.degree[f]))}, and {why}: no interval holds "
        f"{', '.join(names)}{others}; leave {'it' if len(names) == 1 else 'them'} out of the metrics"
    )


def _count(asked: UncertaintyFile, draws: int | None, linear: bool) -> int:
    """Draws to make."""
    if draws is not None and not 1 <= draws <= MAX_DRAWS:
        raise InputError(f"--draws is {draws}, expected 1 to {MAX_DRAWS}: --linear makes none")
    if linear or not asked.assessment.errors:
        return 0
    return asked.draws if draws is None else draws


def _about_gain(path: Path, assessment: Assessment, powers: Powers) -> Assessment:
    """The question, with the values of gain in watts of EIRP where a power is known."""
    if powers == (None, None):
        return assessment
    if not assessment.relative_only:
        option = "--input-power-w" if powers.incident is not None else "--accepted-power-w"
        raise InputError(
            f"{path}: {option} gives the value of the metric gain, but metrics are "
            f"{', '.join(m.name for m in assessment.budget.metrics)}",
            "add gain, or leave the option out",
        )
    return replace(assessment, relative_only=())


def _warnings(
    solution: Solution, found: Uncertainty, before: Sequence[Sequence[str]], power: float | None
) -> list[list[str]]:
    """What to beware of at each frequency: what is said ``before``, of the scan, of the power put in [W], of
    the uncertainty."""
    warnings = []
    radiated, more = found.modes.radiated_power().tolist(), uncertainty_warnings(found)
    for first, some, watts, others in zip(before, solution.warnings, radiated, more, strict=True):
        warnings.append([*first, *some])
        if power is not None and watts > MAX_EFFICIENCY * power:
            warnings[-1].append(UncertaintyCode.TOO_MUCH_POWER(ratio=watts / power, power_w=power))
        warnings[-1] += others
    return warnings


def _seen(solution: Solution, cut: Cut | None) -> NDArray[np.bool_] | None:
    """Whether the near field along the cuts (C, A) was seen at the first frequency; None if all was."""
    if cut is None or not solution.partial[0]:
        return None
    seen = trusted_directions(solution.samples, solution, 0, *cut.directions())
    return np.reshape(seen, (cut.plane.size, cut.angle.size))


def _cut(modes: Modes, asked: UncertaintyFile) -> Cut:
    """Circles through the peak of the first frequency, eight points in the finest lobe."""
    one = next(modes.each())
    top = peak(one)
    theta, phi = float(top.theta[0]), float(top.phi[0])
    planes = [cut_planes(one, wish, top)[0] for wish in asked.plane]
    angle = np.linspace(-np.pi, np.pi, max(181, 8 * modes.degree + 1))
    turns = [plane.angle_at(theta, phi) for plane in planes]
    return Cut(theta, phi, np.array(turns), angle, tuple(plane.name for plane in planes))
