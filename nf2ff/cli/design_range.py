"""The command that designs plane-wave arrays and compact ranges."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import click
import numpy as np

from nf2ff.antenna.modes import Modes, wavenumber
from nf2ff.cli.options import (
    FILE,
    check_output,
    check_picture,
    json_option,
    misused,
    nearest_frequency,
    one_line_errors,
    overwrite_option,
    save_picture,
    template_option,
    working,
)
from nf2ff.io import safe
from nf2ff.io.design_toml import KINDS, ArrayRequest, ReflectorRequest, design_template, read_design
from nf2ff.io.radiation import read_radiation
from nf2ff.io.range_files import write_array_weights, write_probed_fields, write_zone_term
from nf2ff.messages.input_error import InputError, found_in
from nf2ff.ranges.array_alternatives import trade_off, what_would_work
from nf2ff.ranges.array_design import ArrayDesign, ArrayTask, design_array, judged
from nf2ff.ranges.array_field import array_field
from nf2ff.ranges.compact_range import ReflectedField, reflected_field
from nf2ff.ranges.device_effect import METRICS, DeviceEffect, device_effect
from nf2ff.ranges.incident_field import IncidentField
from nf2ff.ranges.plane_wave_array import element_weights, plane_points
from nf2ff.ranges.quiet_zone import ZoneFigures, evaluate
from nf2ff.ranges.surface_errors import ruze_loss_db, surface_ripple
from nf2ff.ranges.zone import ProbedField, Zone
from nf2ff.ranges.zone_limits import ZoneLimits
from nf2ff.report.quiet_zone import zone_facts, zone_lines
from nf2ff.report.range_design import (
    LEFT_OUT,
    array_facts,
    array_lines,
    effect_facts,
    effect_lines,
    surface_lines,
    table_facts,
    table_lines,
)

#: Readings of the zone's planes are so many wavelengths apart.
_STEP = 0.45


@click.command(
    "design-range", epilog="Example: nf2ff design-range reflector.toml --plot zone.png --device result.h5"
)
@click.argument("description", metavar="DESIGN", type=FILE)
@click.option("-o", "--output", type=FILE, help="JSON file to write, with all figures.")
@click.option(
    "--readings", type=FILE, help="CSV to write: the field on the zone's planes, as for quiet-zone."
)
@click.option("--weights", type=FILE, help="CSV to write: weights of the elements of an array.")
@click.option("--device", type=FILE, help="Result, modes or pattern of a device: what the zone does to it.")
@click.option(
    "--offset-m",
    type=click.FloatRange(min=0),
    default=0.0,
    show_default=True,
    help="How far off the zone's centre the device may stand.",
)
@click.option(
    "--term", type=FILE, help="TOML to write: the effect on the device as a term for nf2ff uncertainty."
)
@click.option("--plot", type=FILE, help="Picture to write (one frequency): the zone, and an array's weights.")
@click.option("--plot-frequency-ghz", type=float, help="Frequency of picture and term; default: the last.")
@template_option(design_template, "Print a DESIGN to edit, and nothing else.", *KINDS)
@overwrite_option
@json_option
@one_line_errors
def design_range(
    description: Path,
    output: Path | None,
    readings: Path | None,
    weights: Path | None,
    device: Path | None,
    offset_m: float,
    term: Path | None,
    plot: Path | None,
    plot_frequency_ghz: float | None,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Design a plane-wave array or a compact range as DESIGN (TOML) describes it.

    Gives the figures of its quiet zone over frequency (for an array, also with errors of its elements, and
    its link gain), and with --device what the zone does to that device. Where an array fails, says what would
    work. Start from `nf2ff design-range --template reflector` or `plane-wave-array`.
    """
    given = [description, *([] if device is None else [device])]
    written = [x for x in (output, readings, weights, term) if x is not None]
    for path in written:
        check_output(path, given, overwrite=overwrite)
    check_picture(plot, given, overwrite=overwrite)
    if len({x.resolve() for x in [*written, *([] if plot is None else [plot])]}) < len(written) + (
        plot is not None
    ):
        raise InputError("two outputs have the same name", "give each its own")
    if device is None and (term is not None or offset_m):
        misused(f"{'--term' if term is not None else '--offset-m'} needs --device")
    asked = read_design(description)
    if weights is not None and not isinstance(asked, ArrayRequest):
        raise InputError(f"{weights}: a reflector has no weights", "leave --weights out")
    last, option = len(asked.frequency) - 1, "--plot-frequency-ghz"
    chosen = nearest_frequency(
        description, asked.frequency, plot_frequency_ghz, otherwise=last, option=option
    )
    modes = None if device is None else _device(device, asked.frequency)
    with found_in(description), working("designing"):
        made = (
            _array(asked, modes, offset_m)
            if isinstance(asked, ArrayRequest)
            else _reflector(asked, modes, offset_m)
        )
    facts = json.dumps(made.facts, allow_nan=False)
    if output is not None:
        with safe.replacing(output, overwrite=overwrite) as temporary:
            temporary.write_text(facts + "\n", encoding="utf-8")
    if readings is not None:
        write_probed_fields(readings, made.readings, overwrite=overwrite)
    if weights is not None and isinstance(asked, ArrayRequest):
        write_array_weights(weights, asked.task.array, made.designs, overwrite=overwrite)
    if term is not None:
        f = asked.frequency[chosen] / 1e9
        note = f"{description.name}, {f:.6g} GHz, device up to {offset_m:g} m off the centre of the zone"
        effect = made.effects[chosen]
        sizes = {metric: effect.standard_uncertainty(metric) for metric in METRICS}
        write_zone_term(term, sizes, note=note, overwrite=overwrite)
    if plot is not None:
        save_picture(_picture(asked, made, chosen), plot, overwrite=overwrite)
    if as_json:
        click.echo(facts)
        return
    click.echo("\n".join(made.lines))
    for told, words in (
        (output, "all figures"),
        (readings, "the field on the planes of the zone"),
        (weights, "weights of the elements"),
        (term, "a term for nf2ff uncertainty"),
        (plot, f"{asked.frequency[chosen] / 1e9:.9g} GHz"),
    ):
        if told is not None:
            click.echo(f"{told}: {words}")


class _Made:
    """What is told, drawn and written of a design."""

    def __init__(self) -> None:
        self.facts: dict[str, Any] = {}
        self.lines: list[str] = []
        self.readings: list[ProbedField] = []
        self.designs: list[ArrayDesign] = []
        self.effects: list[DeviceEffect] = []
        self.middle: list[tuple[ProbedField, ZoneFigures]] = []

    def add_effects(self, frequency: Sequence[float]) -> None:
        """Tell what the zone does to the device, if there is one."""
        if self.effects:
            pairs = list(zip(frequency, self.effects, strict=True))
            for fact, effect in zip(self.facts["frequencies"], self.effects, strict=True):
                fact["device"] = effect_facts(effect)
            self.lines += ["", *effect_lines(pairs)]
            self.lines += [
                f"warning: {x}" for x in dict.fromkeys(w for e in self.effects for w in e.errors[0].warnings)
            ]


def _reflector(asked: ReflectorRequest, modes: Modes | None, offset: float) -> _Made:
    made = _Made()
    zone = asked.zone
    flat = Zone(zone.radius, "square" if zone.shape == "square" else "cylinder", None, zone.centre)
    losses, ripples, facts = [], [], []
    for f in asked.frequency:
        field = reflected_field(asked.reflector, asked.feed, zone, frequency=f, height=asked.surface)
        step = _STEP * 2 * np.pi / float(wavenumber(f))
        planes = [_plane(field, zone, step, z) for z in _depths(zone)]
        made.readings += planes
        figures = [evaluate(plane, _zone_of(flat, plane)) for plane in planes]
        middle = len(planes) // 2
        made.middle.append((planes[middle], figures[middle]))
        facts.append(
            zone_facts(figures[middle], asked.limits) | {"planes": [_ends(x, asked.limits) for x in figures]}
        )
        if asked.surface is not None:
            distance = float(zone.centre[2] - asked.reflector.centre[2])
            s, c = asked.surface.rms, asked.surface.correlation_length
            losses.append(ruze_loss_db(s, frequency=f))
            ripples.append(surface_ripple(s, correlation_length=c, distance=distance, frequency=f))
            facts[-1] |= {
                "surface_gain_loss_db": losses[-1],
                "surface_amplitude_rms_db": ripples[-1][0],
                "surface_phase_rms_deg": float(np.degrees(ripples[-1][1])),
            }
        if modes is not None:
            one = _at(modes, f)
            about = partial(field.incident, degree=one.degree)
            made.effects.append(device_effect(one, about, offset=offset))
    made.facts = {"kind": "reflector", "frequencies": facts, "left_out": LEFT_OUT}
    all_figures = [figures for _, figures in made.middle]
    made.lines = zone_lines(all_figures, asked.limits, source=" (of the middle plane)")
    if losses:
        made.lines += ["", *surface_lines(all_figures, losses, ripples)]
    made.add_effects(asked.frequency)
    made.lines += ["", LEFT_OUT]
    return made


def _depths(zone: Zone) -> list[float]:
    half = zone.half_depth
    return [0.0] if half is None else [-half, 0.0, half]


def _plane(field: ReflectedField, zone: Zone, step: float, depth: float) -> ProbedField:
    return field.probed(_raster(zone, step, depth))


def _raster(zone: Zone, step: float, depth: float) -> Any:
    """Places of a square raster in a section of the zone: lines along both axes are among them."""
    round_ = zone.radius if zone.shape != "ball" else float(np.sqrt(zone.radius**2 - depth**2))
    place = plane_points(Zone(round_, "square", None, zone.centre), step=step, depth=depth)
    x, y = (place - zone.centre)[:, :2].T
    return place if zone.shape == "square" else place[np.hypot(x, y) <= round_ * (1 + 1e-9)]


def _zone_of(flat: Zone, plane: ProbedField) -> Zone:
    """The zone's section in which readings lie."""
    centre = flat.centre.copy()
    centre[2] = plane.position[0, 2]
    return Zone(flat.radius, flat.shape, None, centre)


def _ends(figures: ZoneFigures, limits: ZoneLimits) -> dict[str, Any]:
    facts = zone_facts(figures, limits)
    kept = ("centre_m", "amplitude_taper_db", "amplitude_ripple_db", "phase_taper_deg", "phase_ripple_deg")
    return {x: facts[x] for x in kept}


def _array(asked: ArrayRequest, modes: Modes | None, offset: float) -> _Made:
    made = _Made()
    task = asked.task
    fixed = None if asked.fixed_at is None else design_array(task, frequency=asked.fixed_at, rng=asked.seed)
    told, facts = [], []
    for f in asked.frequency:
        if fixed is None:
            design = design_array(task, frequency=f, rng=asked.seed)
        else:
            design = judged(task, fixed.weights, fixed.regularisation, frequency=f, rng=asked.seed)
        made.designs.append(design)
        told.append(what_would_work(task, design))
        step = _STEP * 2 * np.pi / float(wavenumber(f))
        planes = [_wave(task, design, step, z) for z in _depths(task.zone)]
        made.readings += planes
        plane = planes[len(planes) // 2]
        shape: Any = "square" if task.zone.shape == "square" else "cylinder"
        figures = evaluate(plane, Zone(task.zone.radius, shape, None, task.zone.centre))
        made.middle.append((plane, figures))
        facts.append(array_facts(design, told[-1], zone_facts(figures, ZoneLimits())))
        if modes is not None:
            one = _at(modes, f)
            made.effects.append(device_effect(one, _fields(task, design, one.degree), offset=offset))
    made.facts = {"kind": "plane-wave-array", "frequencies": facts}
    made.lines = array_lines(task, made.designs, told)
    if asked.arrays:
        highest = asked.frequency[-1]
        rows = table_facts(trade_off(task, asked.arrays, asked.distances, frequency=highest))
        made.facts["table"] = rows
        made.lines += ["", *table_lines(rows, highest)]
    made.add_effects(asked.frequency)
    return made


def _wave(task: ArrayTask, design: ArrayDesign, step: float, depth: float) -> ProbedField:
    """The wave on a plane of the zone."""
    place = _raster(task.zone, step, depth)
    fields = task.array.fields(place, frequency=design.frequency)
    return ProbedField(design.frequency, place, fields @ element_weights(task.array, design.weights))


def _fields(task: ArrayTask, design: ArrayDesign, degree: int) -> Callable[[Any], IncidentField]:
    """Field about points off the zone's centre, calibrated at the centre."""
    amplitude: list[complex] = []

    def at(shift: Any) -> IncidentField:
        zone = Zone(task.zone.radius, centre=task.zone.centre + shift)
        field = array_field(task.array, design.weights, zone, frequency=design.frequency, degree=degree)
        if not amplitude:  # the first place is the centre
            assert field.amplitude is not None
            amplitude.append(field.amplitude)
        return IncidentField(design.frequency, field.waves, field.direction, field.polarisation, amplitude[0])

    return at


def _picture(asked: ArrayRequest | ReflectorRequest, made: _Made, chosen: int) -> Any:
    from nf2ff.report.design_plots import array_overview
    from nf2ff.report.zone_plots import zone_overview

    if isinstance(asked, ArrayRequest):
        return array_overview(asked.task, made.designs[chosen])
    return zone_overview(*made.middle[chosen])


def _device(path: Path, frequency: Sequence[float]) -> Modes:
    """The device, which must have all frequencies."""
    modes = read_radiation(path)[0]
    for f in frequency:
        with found_in(path):
            _at(modes, f)
    return modes


def _at(modes: Modes, frequency: float) -> Modes:
    near = int(np.argmin(np.abs(modes.frequency - frequency)))
    if abs(modes.frequency[near] - frequency) > 1e-6 * frequency:
        raise InputError(
            f"has nothing at {frequency / 1e9:.9g} GHz, the nearest is {modes.frequency[near] / 1e9:.9g} GHz",
            "design at frequencies of the device",
        )
    one = modes.at(near)
    return Modes(np.array([frequency]), one.coefficients)
