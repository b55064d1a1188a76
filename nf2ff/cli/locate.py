"""The command that says from where in its box an antenna radiates."""

from __future__ import annotations

import functools
import json
import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import click
import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes, mode_count
from nf2ff.cli.options import (
    FILE,
    all_option,
    check_output,
    check_picture,
    json_option,
    misused,
    nearest_frequency,
    one_line_errors,
    overwrite_option,
    save_picture,
    working,
)
from nf2ff.diagnostics.array import array_excitations
from nf2ff.diagnostics.location import Location
from nf2ff.diagnostics.location import locate as locate_centre
from nf2ff.diagnostics.noise import result_noise, spectrum_noise
from nf2ff.diagnostics.origin import centre_uncertainty, translate
from nf2ff.diagnostics.parts import RadiatingParts, radiating_parts
from nf2ff.diagnostics.surface import MOST_M, SURFACES, read_surface, surface_field
from nf2ff.io.box_tables import read_places, write_excitations, write_parts, write_projection
from nf2ff.io.native import file_kind, read_result
from nf2ff.io.radiation import read_radiation
from nf2ff.messages.diagnostics import PartialCode
from nf2ff.messages.input_error import found_in
from nf2ff.report.box_plots import box_map, excitation_map, surface_map
from nf2ff.report.location import (
    excitation_facts,
    excitation_lines,
    location_facts,
    location_lines,
    parts_facts,
    parts_lines,
    surface_facts,
    surface_lines,
)
from nf2ff.report.over_frequency import told_once

#: Whence the noise of the modes is known.
_FROM_SCAN = "noise: from what the scan's redundancy left over"
_FROM_DEGREES = "noise: not stated in the file, so taken from the highest degrees, of which it is at most"


@dataclass(frozen=True, slots=True)
class _Found:
    """What was found, ready to be shown, written and drawn."""

    lines: list[str]
    facts: dict[str, Any]
    draw: Callable[[], Any]
    write: Callable[[Path, bool], None] | None = None
    warnings: list[str] = field(default_factory=list)


@click.command(
    epilog=f"SURFACE is {SURFACES}.\n\nExample: nf2ff locate result.h5 --parts 2 -o parts.csv -o parts.png"
)
@click.argument("result", type=FILE)
@click.option(
    "--parts", type=click.IntRange(min=1), help="Find this many separate parts, and what each radiates."
)
@click.option("--surface", metavar="SURFACE", help="Find the field on a surface near or in the antenna.")
@click.option("--elements", type=FILE, help="CSV x_m,y_m,z_m of an array's elements: find their excitations.")
@click.option("--element", type=FILE, help="Result or pattern of one element about its own position.")
@click.option("--frequency-ghz", type=float, help="Which frequency to look at; default: all, or the first.")
@click.option("--radius-m", type=float, help="--parts: how far to look; default: the smallest sphere.")
@click.option(
    "--part-size-m", type=float, help="--parts: sphere that holds any one part; default: 3/4 of a wavelength."
)
@click.option("--size-m", type=float, help="--surface: side of a plane.")
@click.option(
    "-o", "--output", "outputs", type=FILE, multiple=True, help="Table (.csv) or picture (.png, .pdf, .svg)."
)
@overwrite_option
@all_option
@json_option
@one_line_errors
def locate(
    result: Path,
    parts: int | None,
    surface: str | None,
    elements: Path | None,
    element: Path | None,
    frequency_ghz: float | None,
    radius_m: float | None,
    part_size_m: float | None,
    size_m: float | None,
    outputs: tuple[Path, ...],
    overwrite: bool,
    every: bool,
    as_json: bool,
) -> None:
    """Say where in its box an antenna radiates: centre, smallest sphere, parts, fields, excitations.

    RESULT is what nf2ff transform wrote, or modes, or a far field with phase over the whole sphere. The
    effect of noise on each figure is stated, where the whole sphere was measured. Positions are in the frame
    of the scan.
    """
    asked = [x for x in (parts, surface, elements) if x is not None]
    if len(asked) > 1:
        misused("--parts, --surface and --elements are looked for one at a time")
    if (elements is None) != (element is None):
        misused("--elements and --element belong together: give both or neither")
    for option, value, needs, of in (
        ("--radius-m", radius_m, parts, "--parts"),
        ("--part-size-m", part_size_m, parts, "--parts"),
        ("--size-m", size_m, surface, "--surface"),
    ):
        if value is not None and needs is None:
            misused(f"{option} belongs to {of}")
        if value is not None and not 1e-6 <= value <= MOST_M:
            misused(f"{option} is {value:g}, expected a length above 0, 1e-6 to {MOST_M:g} m")
    inputs = [x for x in (result, elements, element) if x is not None]
    for path in outputs:
        if path.suffix.lower() != ".csv":
            check_picture(path, inputs, overwrite=overwrite)
        elif not asked:
            misused(f"{path}: a table is written of --parts, --surface or --elements: give one of them")
        check_output(path, inputs, overwrite=overwrite)
    where = None if surface is None else read_surface(surface)
    modes, noise, count, origin, warnings, partial = _read(result)
    chosen = nearest_frequency(result, modes.frequency, frequency_ghz)
    if asked or outputs or frequency_ghz is not None or modes.frequency.size == 1:
        pick = [chosen]
        modes, noise, count, partial = modes.at(pick), noise[pick], count[pick], partial[pick]
    with found_in(result), working("looking"):
        place = locate_centre(modes, noise=noise)
        share = 0.5 * noise**2 * count / modes.radiated_power()
        # Waves that nothing holds, where nothing was measured, make spheres many times too large.
        known = replace(
            place,
            radius=np.where(partial, np.nan, place.radius),
            radius_about_origin=np.where(partial, np.nan, place.radius_about_origin),
        )
        alone = modes.frequency.size == 1 and not partial.any()
        spread = centre_uncertainty(modes, noise)[0] if alone else None
        draw = functools.partial(_box, modes, place, whole=not partial.any())
        found = _Found([], {}, draw)
        unsure = bool(partial.any())
        level = float(share[0])
        if parts is not None:
            how = {"radius": radius_m, "size": part_size_m, "noise": float(noise[0])}
            found = _parts(modes, place, parts, how, level, draw, unsure)
        elif where is not None:
            found = _surface(modes, place, where, float(noise[0]), size_m, unsure)
        elif elements is not None and element is not None:
            found = _elements(modes, elements, element, float(noise[0]), level, unsure)
    for line in (*warnings(modes.frequency), *found.warnings):
        click.echo(f"warning, {result}: {line}", err=True)
    if as_json:
        facts = location_facts(known, share)
        if spread is not None:
            facts[0]["centre_uncertainty_m"] = [x if math.isfinite(x) else None for x in spread.tolist()]
        click.echo(json.dumps({"frequencies": facts, "noise_from": origin, **found.facts}, allow_nan=False))
    else:
        click.echo("\n".join((*location_lines(known, share, spread, every=every), origin, *found.lines)))
    for path in outputs:
        if path.suffix.lower() != ".csv":
            with working("drawing"):
                save_picture(found.draw(), path, overwrite=overwrite)
        elif found.write is not None:
            found.write(path, overwrite)
        click.echo(f"{path}: {modes.frequency[0] / 1e9:.9g} GHz", err=as_json)


def _read(
    path: Path,
) -> tuple[Modes, NDArray[np.float64], NDArray[np.int64], str, Callable[[Any], list[str]], NDArray[np.bool_]]:
    """Modes, noise of a coefficient, how many were solved for, how that is known, what to beware of, and
    where a part of the sphere was not measured."""
    degree: Any = None
    partial: Any = None
    with working("reading"):
        if file_kind(path) == "result":
            result = read_result(path)
            modes, known = result.modes, result_noise(result)
            if "degree" in result.quantities:
                degree = result.quantities["degree"].values
            if "partial" in result.quantities:
                partial = result.quantities["partial"].values > 0
            each = dict(zip(modes.frequency.tolist(), result.warnings, strict=False))
        else:
            modes, sentences = read_radiation(path)
            known, each = (
                np.full(modes.frequency.size, np.nan),
                dict.fromkeys(modes.frequency.tolist(), sentences),
            )

    if partial is None:
        partial = np.zeros(modes.frequency.size, dtype=bool)
    for f in modes.frequency[partial].tolist():
        each[f] = (*each.get(f, ()), PartialCode.PARTIAL())

    def told(hertz: Any) -> list[str]:
        return told_once(hertz, [each.get(f, ()) for f in hertz.tolist()])

    count = np.array(
        [mode_count(int(n)) for n in ([modes.degree] * known.size if degree is None else degree)]
    )
    lacking = np.isnan(known)
    noise = np.where(lacking, spectrum_noise(modes), known)
    if not lacking.any():
        return modes, noise, count, _FROM_SCAN, told, partial
    if lacking.all():
        return modes, noise, count, _FROM_DEGREES, told, partial
    where = f" at {lacking.sum()} of {lacking.size} frequencies, where the scan has no redundancy"
    return modes, noise, count, _FROM_DEGREES + where, told, partial


def _box(modes: Modes, place: Location, parts: RadiatingParts | None = None, *, whole: bool) -> Any:
    middle, radius = place.smallest(0)
    return box_map(modes, middle=middle, radius=radius, centre=place.centre[0], parts=parts, sphere=whole)


def _parts(
    modes: Modes,
    place: Location,
    count: int,
    how: dict[str, Any],
    level: float,
    draw: Callable[[RadiatingParts], Any],
    unsure: bool,
) -> _Found:
    centre, radius = place.smallest(0)
    how = how | {"radius": how["radius"] or radius}
    about = radiating_parts(translate(modes, centre), count=count, **how)
    parts = replace(about, position=about.position + centre)
    if unsure:
        parts = replace(
            parts,
            position_uncertainty=np.full_like(parts.position_uncertainty, np.nan),
            power_uncertainty=np.full_like(parts.power_uncertainty, np.nan),
        )
    return _Found(
        parts_lines(parts, level),
        parts_facts(parts),
        lambda: draw(parts),
        lambda path, overwrite: write_parts(path, parts, overwrite=overwrite),
    )


def _surface(
    modes: Modes, place: Location, where: Any, noise: float, size_m: float | None, unsure: bool
) -> _Found:
    centre, radius = place.smallest(0)
    field_there = surface_field(
        modes,
        where,
        centre=centre,
        radius=radius,
        noise=noise,
        size=size_m or 0.0,
    )
    if unsure:
        projection = field_there.projection
        field_there = replace(
            field_there, projection=replace(projection, error=np.full_like(projection.error, np.nan))
        )
    facts = surface_facts(field_there)
    sphere = where.kind == "sphere"
    across, up = (np.degrees(x) if sphere else 1e3 * x for x in (field_there.across, field_there.up))
    names = ("phi [deg]", "theta [deg]")
    if not sphere:
        first, second = (axis for axis in "xyz" if axis != where.kind)
        names = (f"{first} [mm]", f"{second} [mm]")
    about = f"sphere about the {'centre' if centre.any() else 'origin'}, radius"
    about = about if sphere else f"plane {where.kind} ="
    error = facts["error_db"]
    title = f"{modes.frequency[0] / 1e9:.6g} GHz, {about} {1e3 * where.at:z.4g} mm, "
    title += f"resolution {1e3 * facts['resolution_m']:.3g} mm"
    title += "" if error is None else f", error {error:z.1f} dB"
    return _Found(
        surface_lines(facts),
        {"surface": facts},
        lambda: surface_map(
            across, up, field_there.field, names=field_there.names, labels=names, title=title
        ),
        lambda path, overwrite: write_projection(path, field_there.projection, overwrite=overwrite),
        facts["warnings"],
    )


def _elements(
    modes: Modes, elements: Path, element: Path, noise: float, level: float, unsure: bool
) -> _Found:
    places = read_places(elements)
    single, told = read_radiation(element)
    near = nearest_frequency(element, single.frequency, float(modes.frequency[0]) / 1e9)
    one = Modes(modes.frequency, single.at(near).coefficients, single.reference)
    found = array_excitations(modes, one, places, noise=noise)
    if unsure:
        found = replace(found, uncertainty=np.full_like(found.uncertainty, np.nan))
    return _Found(
        excitation_lines(found, level),
        excitation_facts(found),
        lambda: excitation_map(found),
        lambda path, overwrite: write_excitations(path, found, overwrite=overwrite),
        [f"{element}: {sentence}" for sentence in told],
    )
