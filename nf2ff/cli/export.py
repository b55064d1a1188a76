"""The command that turns a result into CSV tables, a native far field, or a pattern file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import click
import numpy as np
from click.core import ParameterSource
from numpy.typing import NDArray

from nf2ff.antenna.far_field import AnyFarField, FarFieldBlocks, far_field_blocks, trusted_around
from nf2ff.antenna.modes import Modes
from nf2ff.cli.options import (
    FILE,
    PLANE_WORDS,
    check_output,
    command_line,
    misused,
    one_line_errors,
    overwrite_option,
    plural,
    read_planes,
    steps_of,
    tell,
    working,
)
from nf2ff.io import native, nsma, safe, tables
from nf2ff.io.levels import write_cuts, write_levels
from nf2ff.io.nsma_cuts import nsma_pattern
from nf2ff.io.power_columns import power_table_kind
from nf2ff.kernel.interpolation import nearest_known
from nf2ff.messages.input_error import InputError, found_in
from nf2ff.messages.result import ResultCode
from nf2ff.metrics.result import Result
from nf2ff.metrics.transformation import STEPS_DEG
from nf2ff.report.over_frequency import told_once

#: What is written, by the suffix of the output, if nothing is said.
BY_SUFFIX = {".h5": "field", ".csv": "cuts", ".nsma": "nsma"}
KINDS = {"field", "levels", "cuts", "nsma"}
#: Rows of a table at most; 50 bytes a row and more.
MAX_TABLE = 20_000_000
#: Axes that may point up.
UP = {"x": (1, 0, 0), "y": (0, 1, 0), "z": (0, 0, 1)}
UP |= {f"-{name}": (-x, -y, -z) for name, (x, y, z) in UP.items()}
#: Fields that a pattern file needs and that only the user knows.
NEEDED = {"ANTMAN": "MANUFACTURER", "MODNUM": "MODEL", "ELTILT": "NOMINAL,TOLERANCE"}


@click.command(
    context_settings={"max_content_width": 100, "help_option_names": ["-h", "--help"]},
    epilog="Example: nf2ff export result.h5 -o cuts.csv --plane E --plane H",
)
@click.argument("result", type=FILE)
@click.option("-o", "--output", type=FILE, required=True, help="File to write.")
@click.option(
    "--what",
    type=click.Choice(["field", "levels", "cuts", "nsma"]),
    help="What to write; by default field for .h5, cuts for .csv, nsma for .nsma.",
)
@click.option("--frequency-ghz", type=float, multiple=True, help="Only this frequency; may be repeated.")
@click.option(
    "--theta-step-deg",
    type=float,
    help="field, levels: step of the grid, evaluated anew; by default the grid in RESULT.",
)
@click.option("--phi-step-deg", type=float, help="field, levels: step in phi; by default equal.")
@click.option("--step-deg", type=float, help="cuts, nsma: step along a cut; by default 90 / degree or finer.")
@click.option("--phi-deg", type=float, multiple=True, help="cuts: great circle through z, repeatable.")
@click.option("--theta-deg", type=float, multiple=True, help="cuts: cone about z; may be repeated.")
@click.option(
    "--plane-deg",
    type=float,
    multiple=True,
    help="cuts: great circle through the peak at this angle from the plane of phi that belongs to "
    "the beam (phi = 0 at a pole), towards phi^; may be repeated. By default 0 and 90.",
)
@click.option(
    "--plane", multiple=True, callback=read_planes, metavar="PLANE", help=f"cuts: the same. {PLANE_WORDS}"
)
@click.option(
    "--through",
    type=float,
    nargs=2,
    metavar="THETA PHI",
    help="cuts, nsma: direction [deg] to cut through instead of the peak.",
)
@click.option(
    "--basis",
    type=click.Choice(["theta-phi", "ludwig-3", "circular", "linear"]),
    default="theta-phi",
    show_default=True,
    help="levels, cuts: pair of polarisations.",
)
@click.option(
    "--reference-angle-deg",
    type=float,
    default=0.0,
    help="levels, cuts: azimuth of the reference polarisation of ludwig-3, 0 for x; slant of "
    "linear from theta^ towards phi^.",
)
@click.option("--up", type=click.Choice(list(UP)), help="nsma: axis that is up when mounted.")
@click.option(
    "--polarisation",
    type=click.Choice(["V", "H", "SLR", "SLL", "RCP", "LCP"]),
    help="nsma: co-polarisation; by default the strongest at the peak.",
)
@click.option("--gain-dbi", type=float, help="nsma: gain at the peak, of the co-polarisation.")
@click.option(
    "--input-power-w",
    type=float,
    help="nsma: power put into the antenna, instead of the gain, for absolute data: the power "
    "accepted gives the gain, the power incident on the port the realised gain.",
)
@click.option(
    "--field",
    metavar="TAG=VALUE",
    multiple=True,
    help="nsma: a header field, e.g. MODNUM=P-24. ANTMAN, MODNUM and ELTILT are required.",
)
@click.option("--with-phase", is_flag=True, help="nsma: write phases, too.")
@overwrite_option
@click.pass_context
@one_line_errors
def export(
    context: click.Context, result: Path, output: Path, what: str | None, overwrite: bool, **given: Any
) -> None:
    """Write what RESULT holds (a result of transform, or a native far field) for other programs.

    \b
    field   far field [V] on a grid: native (.h5), or CSV as antenna and probe patterns have it
    levels  CSV of directivity, its two polarisations, EIRP, phases, level over the peak, axial
            ratio, and gain where the power is known, on a grid
    cuts    CSV of the same along cuts, evaluated from the modes, not between grid points
    nsma    pattern file of NSMA WG16.99.050: horizontal and vertical cut, co- and cross-polar

    Directivity is not gain: a pattern file needs --gain-dbi or --input-power-w. Its fields
    follow a public copy of the recommendation's table 1; half-power widths and front-to-back ratio
    are those of the frequency in the middle, unless --field gives others.
    """
    what = what or BY_SUFFIX.get(output.suffix.lower())
    if what is None:
        misused(f"--what is needed: {output.name} ends in none of {', '.join(BY_SUFFIX)}")
    _refuse_strangers(context, what)
    _refuse_no_angles(given)
    if what == "nsma":
        given["field"] = _fields(given["field"], given["up"])
    if given["reference_angle_deg"] and given["basis"] not in ("ludwig-3", "linear"):
        basis = given["basis"]
        misused(f"--reference-angle-deg belongs to ludwig-3 and linear, not to {basis}: leave it out")
    given["through"] = _through(given["through"])
    check_output(output, [result], overwrite=overwrite)
    if output.suffix.lower() == ".h5" and what != "field":
        misused(f"{what} is written as text, {output.name} is a name of HDF5: choose another ending")
    for name, whole in (("theta_step_deg", 180), ("phi_step_deg", 360), ("step_deg", 360)):
        if given[name] is not None:
            given[name] = steps_of(whole, given[name], _option(name))
    with working("reading"):
        source = _read(result, given["frequency_ghz"])
    for sentence in source.warnings:
        click.echo(f"warning, {sentence}", err=True)
    write = {"field": _write_field, "levels": _write_levels, "cuts": _write_cuts}
    try:
        with working("writing"):
            said = write.get(what, _write_nsma)(output, source, given, overwrite)
    except ValueError as error:
        if str(error).startswith(f"{output}: "):  # what cannot be written; the rest is the source's
            raise
        with found_in(result):
            raise
    click.echo(f"{output}: {said}")


def _option(name: str) -> str:
    return "--" + name.replace("_", "-")


def _refuse_strangers(context: click.Context, what: str) -> None:
    """Refuse options that would be ignored: what they belong to stands first in their help."""
    for option in context.command.params:
        kinds = (getattr(option, "help", None) or "").partition(": ")[0].split(", ")
        given = context.get_parameter_source(option.name or "") == ParameterSource.COMMANDLINE
        if given and set(kinds) <= KINDS and what not in kinds:
            misused(f"{option.opts[0]} belongs to {' and '.join(kinds)}, not to {what}: leave it out")


def _refuse_no_angles(given: dict[str, Any]) -> None:
    for name in ("phi_deg", "theta_deg", "plane_deg", "reference_angle_deg"):
        for value in np.atleast_1d(given[name]):
            if not np.isfinite(value):
                misused(f"{_option(name)} is {value:g}, expected an angle in degrees")


def _fields(words: tuple[str, ...], up: str | None) -> dict[str, str]:
    """Header fields by tag, those that are needed among them."""
    fields: dict[str, str] = {}
    for word in words:
        tag, mark, value = word.partition("=")
        if not mark or tag not in nsma.SETTABLE or tag in ("GUNITS", "MDGAIN") or tag in fields:
            free = ", ".join(x for x in nsma.SETTABLE if x not in ("GUNITS", "MDGAIN"))
            misused(f"--field is {word!r}, expected TAG=VALUE, each tag once, of {free}")
        fields[tag] = value
    missing = [f"--field {tag}={value}" for tag, value in NEEDED.items() if tag not in fields]
    if up is None:
        missing.append("--up AXIS")
    if missing:
        misused(f"a pattern file also needs {', '.join(missing)}")
    return fields


# --- reading -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Source:
    """What a file holds at the frequencies asked for."""

    path: Path
    modes: Modes | None
    field: AnyFarField | None
    warnings: list[str]
    #: Radiated power over the power accepted ("gain") or incident ("realised_gain"), where stated.
    efficiency: dict[str, NDArray[np.float64]]

    def need_modes(self, what: str) -> Modes:
        """The modes, or the reason why not."""
        if self.modes is None:
            raise InputError(
                f"holds no modes, from which {what} would be evaluated", "give a result of transform"
            )
        return self.modes


def _read(path: Path, frequency_ghz: tuple[float, ...]) -> _Source:
    kind = native.file_kind(path)
    modes: Modes | None = None
    field: AnyFarField | None = None
    efficiency: dict[str, NDArray[np.float64]] = {}
    told: Sequence[Sequence[str]] = ()
    if kind in ("result", "modes"):
        found = native.read_result(path, blocks=True) if kind == "result" else Result(native.read_modes(path))
        modes, field, told = found.modes, found.far_field, found.warnings
        shares = {"gain": "radiation_efficiency", "realised_gain": "total_efficiency"}
        for figure, name in shares.items():
            if name in found.quantities:
                efficiency[figure] = np.asarray(found.quantities[name].values, float)
    elif kind == "far_field":
        field = native.read_far_field_blocks(path)
    else:
        named = {"table": "samples", "samples": "samples", "nsma_pattern": "an NSMA pattern"}
        name = named.get(kind, f"a {kind}")
        if power_table_kind(path):
            name = "power without phase"
        raise InputError(f"{path}: holds {name}, expected a result", "give what nf2ff transform writes")
    known: Any = field if modes is None else modes
    pick = _pick(path, known.frequency, frequency_ghz)
    sentences = told_once(known.frequency[pick], [told[f] for f in pick] if told else [])
    if modes is not None:
        modes = modes.at(pick)
    if field is not None:
        assert isinstance(field, FarFieldBlocks)  # as it was asked for
        field = field.only(pick)
        lost = 1 - float(field.trusted_fraction().min())
        if lost:
            sentences.append(ResultCode.DIRECTIONS_NOT_SEEN(percent=100 * lost))
    return _Source(path, modes, field, sentences, {name: x[pick] for name, x in efficiency.items()})


def _pick(path: Path, hertz: NDArray[np.float64], frequency_ghz: tuple[float, ...]) -> NDArray[np.intp]:
    """Indices of the frequencies asked for, all if none is."""
    if not frequency_ghz:
        return np.arange(hertz.size)
    wanted = np.array(frequency_ghz) * 1e9
    near, known = nearest_known(hertz, wanted)
    for asked, found, here in zip(wanted, hertz[near], known, strict=True):
        if not here:
            raise InputError(
                f"{path}: holds no {asked / 1e9:.9g} GHz, the nearest of its {hertz.size} "
                f"frequencies is {found / 1e9:.12g} GHz",
                "give that as --frequency-ghz",
            )
    return np.unique(near)


# --- writing -------------------------------------------------------------------------------


def _grid(source: _Source, given: dict[str, Any]) -> AnyFarField:
    """The far field on the grid that the file has or, where one is asked for, on another."""
    t, p, field = given["theta_step_deg"], given["phi_step_deg"], source.field
    if field is not None and t is None and p is None:
        return field
    modes = source.need_modes("another grid")
    t = t or (round(180 / _default_step(modes)) if p is None else max(1, p // 2))
    p = p or 2 * t
    _bound((t + 1) * p * modes.frequency.size, MAX_TABLE)
    theta, phi = np.pi * np.arange(t + 1) / t, 2 * np.pi * np.arange(p) / p
    new = far_field_blocks(modes, theta=theta, phi=phi)
    if field is None or field.trusted is None:
        return new
    where = np.meshgrid(theta, phi, indexing="ij")
    mark = [trusted_around(field, *where, index=f) for f in range(field.frequency.size)]
    return replace(new, trusted=np.stack(mark))


def _write_field(output: Path, source: _Source, given: dict[str, Any], overwrite: bool) -> str:
    field = _grid(source, given)
    if output.suffix.lower() == ".h5":
        provenance = safe.provenance(inputs=[source.path], command=command_line())
        native.write_far_field(output, field, provenance=provenance, overwrite=overwrite)
    else:
        _bound(field.frequency.size * field.theta.size * field.phi.size, MAX_TABLE)
        tables.write_pattern(output, field, overwrite=overwrite)
    return _size(field)


def _write_levels(output: Path, source: _Source, given: dict[str, Any], overwrite: bool) -> str:
    field = _grid(source, given)
    _bound(field.frequency.size * field.theta.size * field.phi.size, MAX_TABLE)
    angle = float(np.radians(given["reference_angle_deg"]))
    write_levels(
        output,
        field,
        basis=given["basis"],
        reference_angle=angle,
        efficiency=source.efficiency,
        overwrite=overwrite,
    )
    return _size(field)


def _write_cuts(output: Path, source: _Source, given: dict[str, Any], overwrite: bool) -> str:
    modes = source.need_modes("cuts")
    kinds: dict[str, list[Any]] = {
        name: np.radians(given[f"{name}_deg"]).tolist() for name in ("phi", "theta", "plane")
    }
    kinds["plane"] += given["plane"]
    if not any(kinds.values()):
        kinds["plane"] = [0.0, np.pi / 2]
    count = sum(map(len, kinds.values()))
    angle = _angles(modes, given["step_deg"], MAX_TABLE // count)
    write_cuts(
        output,
        modes,
        angle=angle,
        **kinds,
        through=given["through"],
        basis=given["basis"],
        reference_angle=float(np.radians(given["reference_angle_deg"])),
        seen=source.field,
        efficiency=source.efficiency,
        overwrite=overwrite,
    )
    return f"{count} cuts of {angle.size} directions, {_count(modes)}"


def _write_nsma(output: Path, source: _Source, given: dict[str, Any], overwrite: bool) -> str:
    modes = source.need_modes("cuts")
    angle = _angles(modes, given["step_deg"], nsma.MAX_LINES // 4)
    power = given["input_power_w"]
    if power is None and given["gain_dbi"] is None and source.efficiency:
        share = next(iter(source.efficiency.values()))  # the gain, where both are known
        power = modes.radiated_power() / share
    pattern = nsma_pattern(
        modes,
        up=UP[given["up"]],
        angle=angle,
        fields=given["field"],
        gain_dbi=given["gain_dbi"],
        input_power=power,
        polarisation=given["polarisation"],
        through=given["through"],
        phase=given["with_phase"],
        seen=source.field,
    )
    nsma.write_nsma(output, pattern, overwrite=overwrite)
    for sentence in pattern.warnings:
        tell(f"warning, {sentence}")
    cuts = pattern.cuts[0]
    names = ", ".join(f"{cut.plane} {cut.polarisation}" for cut in cuts)
    return f"{names} in {angle.size} directions, {_count(modes)}, gain {pattern.fields['MDGAIN']} dBi"


def _through(given: tuple[float, float] | None) -> tuple[float, float] | None:
    """A direction in degrees, in radians."""
    if given is None:
        return None
    theta, phi = given
    if not (0 <= theta <= 180 and abs(phi) <= 360):
        misused(f"--through is {theta:zg} {phi:zg}, expected theta from 0 to 180 deg, phi within 360")
    return float(np.radians(theta)), float(np.radians(phi))


def _angles(modes: Modes, steps: int | None, most: int) -> NDArray[np.float64]:
    """Angles of a cut from -180 deg on, no direction twice; at most so many of all frequencies."""
    count = steps or round(360 / _default_step(modes))
    _bound(count * modes.frequency.size, most)
    return np.radians(-180 + 360 * np.arange(count) / count)


def _default_step(modes: Modes) -> float:
    """A step with four directions in the finest lobe of the degree [deg]."""
    return next((x for x in STEPS_DEG if x <= 90 / modes.degree), STEPS_DEG[-1])


def _bound(rows: int, most: int) -> None:
    if rows > most:
        msg = f"{rows} directions times frequencies, more than {most}: use coarser steps or fewer "
        raise InputError(msg + "frequencies (--frequency-ghz)")


def _size(field: AnyFarField) -> str:
    return f"{field.theta.size} x {field.phi.size} directions, {_count(field)}"


def _count(noun: Modes | AnyFarField) -> str:
    return plural(noun.frequency.size, "frequency", "frequencies")
