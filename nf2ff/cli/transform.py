"""The command that turns samples into modes, far field and figures."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import numpy as np

from nf2ff.antenna.modes import Modes
from nf2ff.cli.inputs import (
    Mounting,
    check_powers,
    mounting_options,
    power_sentences,
    read_mounted_probe,
    read_scan,
    unstated_unit,
    without_empty,
)
from nf2ff.cli.options import (
    FILE,
    PLANE_WORDS,
    all_option,
    check_figures,
    check_native,
    command_line,
    json_option,
    misused,
    one_line_errors,
    overwrite_option,
    print_warnings,
    read_planes,
    response_unit_option,
    save_picture,
    steps_of,
    template_option,
    time_convention_option,
    working,
)
from nf2ff.cli.phaseless import Phaseless, phaseless_options
from nf2ff.diagnostics.location import move_origin
from nf2ff.io import native
from nf2ff.io.level_toml import read_gain_transfer
from nf2ff.io.safe import InputFile, provenance, refuse_overwrite
from nf2ff.io.toml import template
from nf2ff.kernel.frequency_table import span_words
from nf2ff.measurement.probe import Probe, at_frequencies
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError, found_in
from nf2ff.messages.notice import Notice
from nf2ff.metrics.gain_transfer import absolute_by_substitution
from nf2ff.metrics.phaseless import degree_for, mark_certified
from nf2ff.metrics.planes import PlaneLike
from nf2ff.metrics.probe import probe_figures
from nf2ff.metrics.result import Powers, Result
from nf2ff.metrics.transformation import transform_samples
from nf2ff.report.picture_set import picture_set
from nf2ff.report.result import result_facts, result_lines
from nf2ff.solver.strategy import Direct, LeastSquares, Quadrature

if TYPE_CHECKING:
    from nf2ff.planning.plan import Plan


def read_origin(context: click.Context, parameter: click.Parameter, text: str | None) -> Any:
    """Three coordinates, none of them for "auto"."""
    del context, parameter
    if text is None or text == "auto":
        return None if text is None else ()
    try:
        place = tuple(map(float, text.split(",")))
    except ValueError:
        place = ()
    if len(place) != 3 or not all(map(math.isfinite, place)):
        misused(f"--origin is {text[:40]!r}, expected X,Y,Z in m, or auto")
    return place


@click.command(epilog="Example: nf2ff transform scan.h5 -o result.h5 --probe probe.h5 --figures pictures")
@click.argument("scan", type=FILE)
@click.option("-o", "--output", type=FILE, required=True, help="Result file to write.")
@click.option(
    "--probe",
    type=FILE,
    help="Probe: native file, or its pattern as CSV at 1 W into the port; by default the ideal field probe.",
)
@click.option("--extrapolate-probe", is_flag=True, help="Use the probe outside of its frequencies, too.")
@click.option(
    "--first-order",
    is_flag=True,
    help="Take the probe as one of azimuthal orders +-1; the error is reported.",
)
@mounting_options
@click.option(
    "--level", type=FILE, help="TOML (see --template): what lies between the probe's port and readings."
)
@click.option(
    "--gain-transfer",
    type=FILE,
    help="TOML (see --template): reference antenna of known gain; with --reference-result and "
    "--input-power-w.",
)
@click.option("--reference-result", type=FILE, help="Result of that antenna's scan.")
@click.option(
    "--input-power-w", type=float, help="Power incident on the antenna's port: gives realised gain."
)
@click.option("--accepted-power-w", type=float, help="Power it accepts: gives gain.")
@click.option("--degree", type=int, help="Degree of the modes; chosen from the data if not given.")
@click.option("--minimum-radius-m", type=float, help="Sphere about the origin holding the antenna.")
@click.option(
    "--method",
    type=click.Choice(["quadrature", "least-squares", "direct"]),
    help="Solver; by default quadrature on a full regular grid, least squares elsewhere.",
)
@click.option("--rtol", type=float, help="Tolerance of the least squares (1e-9).")
@click.option(
    "--damping",
    type=float,
    help="Damping of the least squares (0; 0.001 to 0.3 where a part of the sphere was not seen).",
)
@click.option(
    "--origin",
    callback=read_origin,
    metavar="X,Y,Z|auto",
    help="Move the origin of modes and phases to this place [m], or to the centre of radiation.",
)
@click.option("--theta-step-deg", type=float, help="Step of the far field; by default 90 / degree or finer.")
@click.option("--phi-step-deg", type=float, help="Step in phi; by default that in theta.")
@click.option(
    "--plane",
    callback=read_planes,
    metavar="PLANE",
    help="Plane of the cut through the peak in which beamwidth and sidelobes are stated as along "
    f"theta; as along phi across it. {PLANE_WORDS} By default 0.",
)
@time_convention_option
@response_unit_option
@click.option("--plan", type=FILE, help="Plan of the scan (TOML): says where the scan departs from it.")
@click.option(
    "--figures",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Folder for pictures of the first frequency: cuts, map, balloon, spectrum, near field; and over "
    "frequency.",
)
@template_option(
    template,
    "Print such a file to fill in, and nothing else: of --level, of --gain-transfer, or of nf2ff import "
    "--gain.",
    *("level", "gain-transfer", "probe-gain"),
)
@phaseless_options
@overwrite_option
@all_option
@json_option
@one_line_errors
def transform(
    scan: Path,
    output: Path,
    probe: Path | None,
    extrapolate_probe: bool,
    first_order: bool,
    mounting: Mounting,
    level: Path | None,
    gain_transfer: Path | None,
    reference_result: Path | None,
    input_power_w: float | None,
    accepted_power_w: float | None,
    degree: int | None,
    minimum_radius_m: float | None,
    method: str | None,
    rtol: float | None,
    damping: float | None,
    origin: tuple[float, ...] | None,
    theta_step_deg: float | None,
    phi_step_deg: float | None,
    plane: PlaneLike | None,
    time_convention: str | None,
    response_unit: str | None,
    plan: Path | None,
    figures: Path | None,
    phaseless: Phaseless,
    overwrite: bool,
    every: bool,
    as_json: bool,
) -> None:
    """Transform the samples in SCAN (native or CSV) to modes and far field.

    Power that is set here is what the calibration says it is: verify it before a number of it is
    used for a statement on exposure or compliance.
    """
    _check_options(probe, extrapolate_probe, first_order, gain_transfer, reference_result, input_power_w)
    if first_order and mounting.largest_order is not None:
        misused("--first-order takes the orders +-1 alone: leave it or --probe-largest-order out")
    given = [x for x in (scan, probe, level, gain_transfer, reference_result, plan) if x is not None]
    check_native(output, given, overwrite=overwrite, export=True)
    check_figures(figures, overwrite=overwrite)
    if phaseless.output is not None:
        check_native(phaseless.output, [*given, output], overwrite=overwrite)
    powers = Powers(input_power_w, accepted_power_w)
    check_powers(powers)
    solver = _solver(method, rtol, damping, first_order)
    theta_step = None if theta_step_deg is None else steps_of(180, theta_step_deg, "--theta-step-deg")
    phi_step = None if phi_step_deg is None else steps_of(360, phi_step_deg, "--phi-step-deg")
    planned = None if plan is None else _planned(plan)
    inputs = {path: InputFile(path) for path in given}
    source = inputs[scan]
    with working("reading"):
        samples, sentences, files = read_scan(
            source, level, time_convention, response_unit, probe=None if probe is None else inputs[probe]
        )
    samples, empty = without_empty(samples)
    if origin and not np.linalg.norm(origin) < samples.radius.min():
        raise InputError(
            f"--origin is {np.linalg.norm(origin):.4g} m from that of the scan, whose radius is "
            f"{samples.radius.min():.4g} m",
            "give a place within the antenna, in metres",
        )
    own, used, notes = read_mounted_probe(None if probe is None else inputs[probe], mounting, time_convention)
    _check_level(scan, samples, probe, used, powers, substitution=gain_transfer is not None)
    unit = [] if gain_transfer else unstated_unit(source, response_unit, probe=used, level=level)
    rescale = None
    transfer: tuple[str, ...] = ()
    if gain_transfer is not None and reference_result is not None and input_power_w is not None:
        rescale, transfer, more = _substitution(gain_transfer, reference_result, samples, input_power_w)
        files += more
    refuse_overwrite(output, files)
    places: list[Any] = []

    def change(modes: Modes) -> Modes:
        """The modes at their level, about the origin asked for."""
        modes = modes if rescale is None else rescale(modes)
        if origin is not None:
            modes, place = move_origin(modes, origin or None)
            places.append(place)
        return modes

    found, left_out = None, list[str]()
    with found_in(scan):
        samples = phaseless.grouped(samples)
        if samples.coherence is not None:
            degree = degree_for(samples, degree, minimum_radius_m)
            samples, found, left_out = phaseless.certified(samples, used, degree)
            solver = solver or LeastSquares(unweighted_finish=True)
    with found_in(scan), working("solving"):
        result = transform_samples(
            samples,
            used,
            degree=degree,
            method=solver,
            minimum_radius=minimum_radius_m,
            theta_step=theta_step,
            phi_step=phi_step,
            extrapolate_probe=extrapolate_probe,
            largest_order=mounting.largest_order,
            rescale=change,
            powers=powers,
            plane=0.0 if plane is None else plane,
        )
    if found is not None:
        result = mark_certified(result, found)
    sentences += (*_probe_sentences(own, samples), *transfer, *power_sentences(powers))
    for path in files:
        inputs.setdefault(path, InputFile(path))
    source_of = provenance(inputs=inputs.values(), command=command_line())
    source_of["level"] = "\n".join(sentences)
    if notes:
        source_of["probe"] = "\n".join(notes)
    unit += [] if planned is None else _departures(planned, samples, result)
    unit += [*left_out, *empty]
    warnings = tuple((*unit, *some) for some in result.warnings)
    result = replace(result, warnings=warnings, provenance=source_of)
    for place in places:
        where = ", ".join(f"{1e3 * x:z.3f}" for x in place)
        told = f"({where}) mm in the frame of the scan, {'as asked' if origin else 'the centre of radiation'}"
        result = replace(result, notes={**result.notes, "origin": told})
    with working("writing"):  # and the far field is evaluated meanwhile
        native.write_result(output, result, overwrite=overwrite)
    phaseless.write(samples, source_of, overwrite=overwrite)
    if figures is not None:
        figures.mkdir(exist_ok=True)
        wished = 0.0 if plane is None else plane
        with working("drawing"):
            for name, draw in picture_set(result.modes, samples, plane=wished, seen=result.far_field).items():
                save_picture(draw(), figures / f"{name}.png", overwrite=overwrite)
    print_warnings(samples.frequency, warnings, once=unit)
    facts = result_facts(result)
    if as_json:
        click.echo(json.dumps({"frequencies": facts}, allow_nan=False))
        return
    planes, *others = dict.fromkeys(f"{fact['plane_theta']} and {fact['plane_phi']}" for fact in facts)
    where = f" (at {facts[0]['frequency_hz'] / 1e9:.9g} GHz, --json tells the others)" if others else ""
    click.echo(f"{output}: {result.notes['status']}; cuts through the peak: {planes}{where}")
    low, high = (of(x["degree"] for x in facts) for of in (min, max))
    for told in [result.notes["origin"]] if places else []:
        click.echo(f"origin: {told}")
    click.echo(f"degree {low if low == high else f'{low} to {high}'}: {result.notes['degree_reason']}")
    for line in result_lines(facts, every=every):
        click.echo(line)


def _check_options(
    probe: Path | None,
    extrapolate: bool,
    first_order: bool,
    gain_transfer: Path | None,
    reference_result: Path | None,
    input_power: float | None,
) -> None:
    """Refuse options that mean nothing without others."""
    for name, asked in (("--extrapolate-probe", extrapolate), ("--first-order", first_order)):
        if asked and probe is None:
            misused(f"{name} needs --probe: there is nothing to it with the ideal field probe")
    if (gain_transfer is None) != (reference_result is None):
        misused("--gain-transfer and --reference-result belong together: give both or neither")
    if gain_transfer is not None and input_power is None:
        misused("--gain-transfer needs --input-power-w, to which the level of the result refers")


def _check_level(
    scan: Path, samples: Samples, path: Path | None, probe: Probe, powers: Powers, *, substitution: bool
) -> None:
    """Refuse what needs a level that is not known, or sets one that is, before the work."""
    relative = "relative" in (samples.response_unit, probe.response_unit)
    if substitution:
        if not relative:
            raise InputError(
                f"{scan}: is absolute ({samples.response_unit}): --gain-transfer would set its level twice",
                "leave it out, or state no unit for a table",
            )
        return
    if not relative or (powers.incident is None and powers.accepted is None):
        return
    figure = "gain" if powers.incident is None else "realised gain"
    if samples.response_unit == "relative":
        msg = (
            f"{scan}: {figure} needs absolute data, and the responses are relative: state the unit "
            "of a table (--response-unit), tie them to watts (--level), or compare with an antenna "
            "of known gain (--gain-transfer)"
        )
    else:
        msg = (
            f"{path}: {figure} needs absolute data, and the probe is relative: give it the level "
            "of 1 W into its port, or compare with an antenna of known gain (--gain-transfer)"
        )
    raise InputError(msg)


def _planned(path: Path) -> Plan:
    """The plan of a scan."""
    # Rooms below this command's own, opened only for who has a plan.
    from nf2ff.io.plan_toml import read_plan
    from nf2ff.planning.plan import make_plan

    with found_in(path):
        return make_plan(read_plan(path))


def _departures(plan: Plan, samples: Samples, result: Result) -> list[Notice]:
    """Where the scan departed from its plan."""
    from nf2ff.planning.departures import departures

    return departures(plan, samples, degree=int(result.modes.degree))


def _substitution(
    path: Path, reference_result: Path, samples: Samples, input_power: float
) -> tuple[Callable[[Modes], Modes], tuple[str, ...], list[Path]]:
    """What brings the modes to their level, what is said of it, and its files."""
    transfer, files = read_gain_transfer(path)
    reference = native.read_modes(reference_result)
    if reference.reference == "absolute":
        raise InputError(
            f"{reference_result}: is absolute, the scan is relative",
            "transform both alike, in the same range at the same stimulus",
        )
    rescale = partial(
        absolute_by_substitution, reference=reference, transfer=transfer, input_power=input_power
    )
    return rescale, transfer.sentences(samples.frequency), list(files)


def _probe_sentences(probe: Probe, samples: Samples) -> list[str]:
    """How the probe enters the level."""
    if probe.response_unit == "V/m":
        return ["probe: reads the field strength, no gain of it enters"]
    if probe.response_unit == "relative":
        return ["probe: relative, its gain is not known"]
    if probe.frequency is None:
        return ["probe: the same receiving coefficients at all frequencies"]
    f = samples.frequency
    figures = probe_figures(at_frequencies(probe, f, extrapolate=True)[0])
    return [
        f"probe, port {port}: gain {span_words(figures[port - 1]['gain_dbi'], 'dBi', f)}, on its boresight"
        for port in samples.ports()
    ]


def _solver(
    method: str | None, rtol: float | None, damping: float | None, first_order: bool
) -> Quadrature | LeastSquares | Direct | None:
    tuned: dict[str, Any] = {name: x for name, x in (("rtol", rtol), ("damping", damping)) if x is not None}
    if tuned and method not in (None, "least-squares"):
        misused(f"--rtol and --damping belong to least squares, not to {method}")
    if first_order and method == "direct":
        misused("--first-order belongs to quadrature and least squares, not to direct")
    if first_order and method is None and not tuned:
        misused("--first-order needs --method: quadrature or least-squares")
    if tuned or method == "least-squares":
        return replace(LeastSquares(first_order=first_order), **tuned)
    if method is None:
        return None
    return Direct() if method == "direct" else Quadrature(first_order=first_order)
