"""The command that finds out what is wrong with a set-up, and sets its scan right."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click
import numpy as np

from nf2ff.cli.inputs import Mounting, mounting_options, read_mounted_probe, read_scan, unstated_unit
from nf2ff.cli.options import (
    FILE,
    check_native,
    check_output,
    check_picture,
    command_line,
    json_option,
    nearest_frequency,
    one_line_errors,
    overwrite_option,
    print_warnings,
    response_unit_option,
    save_picture,
    template_option,
    time_convention_option,
    working,
)
from nf2ff.diagnostics.alignment.estimate import estimate_alignment
from nf2ff.diagnostics.alignment.figures import effects_on_figures
from nf2ff.diagnostics.alignment.result import Alignment, check_explained, terms_left
from nf2ff.io import native, safe
from nf2ff.io.alignment_toml import alignment_template, read_alignment_file, write_terms
from nf2ff.messages.input_error import found_in
from nf2ff.report.alignment import (
    BLIND,
    alignment_facts,
    alignment_lines,
    figure_lines,
    observability_lines,
)
from nf2ff.report.alignment_plots import alignment_overview
from nf2ff.solver.line_phases import judge_phases, naming_jumps
from nf2ff.solver.solve import solve


@click.command(epilog="Example: nf2ff align scan.h5 -o aligned.h5 --probe probe.h5 --terms faults.toml")
@click.argument("scan", type=FILE)
@click.option("-o", "--output", type=FILE, required=True, help="Native file of corrected samples to write.")
@click.option("--terms", type=FILE, required=True, help="TOML: what may be wrong, and by how much.")
@click.option("--probe", type=FILE, help="Probe, as for transform; by default the ideal one.")
@mounting_options
@click.option("--degree", type=int, help="Degree of the modes; default: that in --terms, or chosen.")
@click.option("--frequency-ghz", type=float, help="Frequency that shows the pose; default: the highest.")
@click.option("--keep-outliers", is_flag=True, help="Set no sample aside.")
@click.option(
    "--left", type=FILE, help="TOML to write: the terms, with what is left of each as its size, for a budget."
)
@click.option("--plot", type=FILE, help="Picture to write: residual before and after, faults against priors.")
@template_option(alignment_template, "Print a TOML for --terms to edit, and nothing else.")
@time_convention_option
@response_unit_option
@overwrite_option
@json_option
@one_line_errors
def align(
    scan: Path,
    output: Path,
    terms: Path,
    probe: Path | None,
    mounting: Mounting,
    degree: int | None,
    frequency_ghz: float | None,
    keep_outliers: bool,
    left: Path | None,
    plot: Path | None,
    time_convention: str | None,
    response_unit: str | None,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Find from SCAN (native or CSV) itself what is wrong with the set-up, and correct the scan.

    A sphere sampled more than once shows misaligned axes, drift, unequal ports and leakage. The command first
    says what the scan can see; what it cannot see stays as recorded, and in the uncertainty. Nothing is
    written where the terms do not explain the scan. --terms states what may be wrong: start from
    `nf2ff align --template`. Transform the output with the same probe. Drift and lag need the time of each
    sample: the column time_s, or rows in the order of time.
    """
    given = [x for x in (scan, terms, probe) if x is not None]
    check_native(output, given, overwrite=overwrite)
    check_picture(plot, [*given, output], overwrite=overwrite)
    if left is not None:
        check_output(left, [*given, output], overwrite=overwrite)
    asked = read_alignment_file(terms)
    samples, _, _ = read_scan(scan, None, time_convention, response_unit, probe=probe)
    _, used, notes = read_mounted_probe(probe, mounting, time_convention)
    degree = asked.degree if degree is None else degree
    frequency = None
    if frequency_ghz is not None:
        frequency = float(samples.frequency[nearest_frequency(scan, samples.frequency, frequency_ghz)])
    with found_in(scan), naming_jumps(samples), working("aligning"):
        reason = "as asked"
        if degree is None:
            solution = solve(samples, used)
            degree, reason = int(solution.degree.max()), solution.degree_reason
        found = estimate_alignment(
            samples,
            used,
            asked.terms,
            degree=degree,
            frequency=frequency,
            robust=not keep_outliers,
        )
        check_explained(found)
    provenance = safe.provenance(inputs=given, command=command_line())
    provenance["alignment"] = "\n".join(_told(found))
    if notes:
        provenance["probe"] = "\n".join(notes)
    native.write_samples(output, found.samples, provenance=provenance, overwrite=overwrite)
    if left is not None:
        write_terms(left, terms_left(found, asked.terms), notes=[BLIND], overwrite=overwrite)
    if plot is not None:
        theta, phi, *_ = samples.place(0)
        save_picture(alignment_overview(found, phi=phi, theta=theta), plot, overwrite=overwrite)
    every = (found, *found.others)
    effects = [effects_on_figures(x) for x in every]
    print_warnings(
        [x.frequency for x in every],
        [x.warnings for x in every],
        once=[*unstated_unit(scan, response_unit, probe=used), *judge_phases(samples)],
    )
    if as_json:
        click.echo(json.dumps(alignment_facts(found, effects), allow_nan=False))
        return
    click.echo(f"{output}: degree {degree} ({reason}), {found.solves} solutions")
    for one, effect in zip(every, effects, strict=True):
        click.echo("")
        if found.others:
            click.echo(f"{one.frequency / 1e9:.9g} GHz")
        for line in (*observability_lines(one), "", *alignment_lines(one), "", *figure_lines(effect)):
            click.echo(line)
    click.echo(BLIND)


def _told(found: Alignment) -> list[str]:
    """What was corrected, for the provenance."""
    lines: list[Any] = []
    for one in (found, *found.others):
        lines.append(f"corrected at {one.frequency / 1e9:.9g} GHz, by the scan's own redundancy:")
        lines += [
            f"{x.name} {x.value:z.6g} +- {x.uncertainty:z.2g} ({x.unit}, prior {x.prior:z.3g})"
            for x in one.estimates()
        ]
        if one.set_aside.size:
            lines.append(f"set aside: samples {', '.join(map(str, one.set_aside.tolist()))}")
        if one.chi_square is not None:
            lines.append(f"reduced chi-square {one.chi_square:z.3f}")
        lines.append(f"far field uncertain by {20 * np.log10(one.far_field_after):z.1f} dB, noise included")
        lines += [f"warning: {x}" for x in one.warnings]
    return [*lines, BLIND]
