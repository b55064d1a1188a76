"""The command that writes the report of a result."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click
import numpy as np

from nf2ff.antenna.modes import Modes
from nf2ff.cli.inputs import Mounting, mounting_options, read_mounted_probe
from nf2ff.cli.options import (
    FILE,
    check_output,
    command_line,
    misused,
    nearest_frequency,
    one_line_errors,
    overwrite_option,
    template_option,
    time_convention_option,
    working,
)
from nf2ff.io import native, safe
from nf2ff.io.budget_toml import read_budget
from nf2ff.io.hdf5 import is_native
from nf2ff.io.plan_toml import read_plan
from nf2ff.io.radiation import read_radiation, read_seen
from nf2ff.io.report_toml import ReportMeta, read_report_meta, report_template
from nf2ff.io.uncertainty import read_uncertainty
from nf2ff.messages.input_error import InputError, found_in
from nf2ff.metrics.beam import peak
from nf2ff.metrics.result import Result
from nf2ff.metrics.summary import summarise
from nf2ff.metrics.transformation import beam_figures, limit_orders
from nf2ff.planning.plan import make_plan
from nf2ff.report.page.assemble import report_page, require_libraries
from nf2ff.report.page.figures import with_budget
from nf2ff.report.page.inputs import ReportInput, indices_of
from nf2ff.uncertainty.result import Uncertainty

#: Difference of the modes of a budget from those of the result from which it is not of that result.
OTHER_MODES = 1e-3


@click.command(
    epilog="Example: nf2ff report result.h5 -o report.html --samples scan.h5 --budget uncertainty.h5 "
    "--meta meta.toml"
)
@click.argument("result", type=FILE)
@click.option("-o", "--output", type=FILE, required=True, help="Page to write: .html.")
@click.option(
    "--budget",
    type=FILE,
    help="What nf2ff uncertainty wrote, or a budget in TOML: gives uncertainties and error bands.",
)
@click.option("--meta", type=FILE, help="TOML (see --template): laboratory, client, item, dates, limits.")
@click.option(
    "--samples", type=FILE, help="Scan that the result was made from: gives near field and residual."
)
@click.option("--probe", type=FILE, help="Its probe, as for transform; by default the ideal field probe.")
@mounting_options
@time_convention_option
@click.option("--plan", type=FILE, help="Plan of the scan (TOML), as nf2ff plan reads it.")
@click.option("--compare", type=FILE, help="Another result of the antenna to compare with.")
@click.option(
    "--beam",
    "beams",
    type=FILE,
    multiple=True,
    help="Result of another beam of the antenna; repeat for each: gives the distribution over the sphere and "
    "the best beam.",
)
@click.option(
    "--frequency-ghz",
    type=float,
    help="Frequency of the printed pictures, shown first; default: the first.",
)
@template_option(report_template, "Print a META.toml to fill in, and nothing else.")
@overwrite_option
@one_line_errors
def report(
    result: Path,
    output: Path,
    budget: Path | None,
    meta: Path | None,
    samples: Path | None,
    probe: Path | None,
    mounting: Mounting,
    time_convention: str | None,
    plan: Path | None,
    compare: Path | None,
    beams: tuple[Path, ...],
    frequency_ghz: float | None,
    overwrite: bool,
) -> None:
    """Write RESULT as a report: one HTML page that opens in any browser, without a network, and prints.

    RESULT is what nf2ff transform wrote; for modes or far fields alone the page shows what they hold. What
    is not supplied is shown as such. No number of a report is a safety assessment: verify the level before
    one is used for a statement on exposure or compliance.
    """
    require_libraries()
    given = [x for x in (result, budget, meta, samples, probe, plan, compare, *beams) if x is not None]
    check_output(output, given, overwrite=overwrite)
    if output.suffix.lower() not in (".html", ".htm"):
        raise InputError(f"{output}: is not the name of a page", f"choose {output.with_suffix('.html')}")
    if samples is None and (probe is not None or mounting != Mounting() or time_convention is not None):
        misused("--probe, its mounting and --time-convention belong to the scan: give --samples as well")
    with working("reading"):
        found, notices = _result(result)
        files = {str(path): safe.sha256(path) for path in dict.fromkeys(given)}
        asked = ReportInput(
            found,
            str(result),
            files,
            ReportMeta() if meta is None else read_report_meta(meta),
            frequency_index=nearest_frequency(result, found.modes.frequency, frequency_ghz),
            command=command_line(),
        )
        if samples is not None:
            scan = native.read_samples(samples, time_convention=time_convention)
            notices += _other_scan(samples, files[str(samples)], found)
            whole = read_mounted_probe(probe, mounting, time_convention)[1]
            asked = replace(asked, samples=scan, probe=limit_orders(whole, mounting.largest_order))
        if budget is not None:
            uncertainty, told = _uncertainty(budget, found)
            notices += told
            asked = replace(asked, uncertainty=uncertainty)
        if plan is not None:
            with found_in(plan):
                asked = replace(asked, plan=make_plan(read_plan(plan)))
        if compare is not None:
            other = compare.name, _others(compare, found.modes)
            asked = replace(asked, other=other, other_seen=read_seen(compare))
        asked = replace(
            asked, beams={name: _others(path, found.modes) for name, path in _names(beams).items()}
        )
    with working("drawing"), found_in(result):
        page = report_page(replace(asked, notices=tuple(notices)))
    with safe.replacing(output, overwrite=overwrite) as temporary:
        temporary.write_text(page, encoding="utf-8")
    click.echo(f"{output}: report of {result}, {len(page.encode()) / 1e6:z.1f} MB")


def _result(path: Path) -> tuple[Result, list[str]]:
    """The result, or what follows from modes or a far field alone."""
    if native.file_kind(path) == "result":
        return native.read_result(path, blocks=True), []
    modes, told = read_radiation(path)
    with found_in(path):
        top = peak(modes)
        quantities = beam_figures(modes, top) | summarise(modes, top, None, read_seen(path))
    return Result(modes, None, quantities), list(told)


def _other_scan(path: Path, digest: str, result: Result) -> list[str]:
    """A warning where a scan is not among the files that the result was made of."""
    inputs = result.provenance.get("inputs", "")
    if not inputs or digest in inputs:
        return []
    return [f"{path.name} is not a file that the result was made from: its checksum differs"]


def _uncertainty(path: Path, result: Result) -> tuple[Uncertainty, list[str]]:
    """Uncertainties of the result from a native file, or by a budget in TOML."""
    if not is_native(path):
        return with_budget(result, read_budget(path)), []
    kind = native.file_kind(path)
    if kind != "uncertainty":
        raise InputError(f"{path}: holds {kind}", "give the output of nf2ff uncertainty, or a budget in TOML")
    found = read_uncertainty(path)
    frequency = result.modes.frequency
    if indices_of(found.modes.frequency, frequency) != list(range(found.modes.frequency.size)):
        raise InputError(f"{path}: has other frequencies than the result", "make it of the same scan")
    degree = max(found.modes.degree, result.modes.degree)
    a, b = (x.extend(degree).coefficients for x in (result.modes, found.modes))
    scale = np.linalg.norm(a, axis=1) if found.modes.reference == result.modes.reference else np.inf
    apart = float(np.max(np.linalg.norm(a - b, axis=1) / scale))
    if apart <= OTHER_MODES and np.isfinite(scale).all():
        return found, []
    return found, [f"{path.name} belongs to other modes than the result: so do its values and uncertainties"]


def _others(path: Path, modes: Modes) -> Modes:
    """Another result with at least one frequency of this one."""
    found, _ = read_radiation(path)
    if all(i is None for i in indices_of(found.frequency, modes.frequency)):
        raise InputError(
            f"{path}: has no frequency in common with the result", "give one of the same frequencies"
        )
    return found


def _names(paths: tuple[Path, ...]) -> dict[str, Path]:
    """A name for each beam, the shortest that tells them apart."""
    short = {path.name: path for path in paths}
    return short if len(short) == len(paths) else {str(path): path for path in paths}
