"""The commands. Degrees, GHz, dB and dBm live here and in reports, nowhere below."""

from __future__ import annotations

import json
import math
import sys
from pathlib import Path
from typing import Any

import click

import nf2ff
from nf2ff.estimating import uncertainty
from nf2ff.exporting import export
from nf2ff.options import (
    FILE,
    check_output,
    command_line,
    json_option,
    one_line_errors,
    overwrite_option,
    quoted,
    response_unit_option,
    steps_of,
    time_convention_option,
    unstated_unit,
)
from nf2ff.studying import study
from nf2ff.transforming import transform

#: How readings in the table of a scan may get their level when they are transformed.
LATER = "or give --level when they are transformed"
#: Most samples that are simulated, 3 GB.
LARGEST_SCAN = 50_000_000


@click.group("nf2ff", context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(nf2ff.__version__, prog_name="nf2ff")
def main() -> None:
    """Near-field samples of an antenna on a sphere become its far field, with numbers.

    Radiated power and moving positioners can hurt: follow your laboratory's rules.
    """


main.add_command(transform)
main.add_command(export)
main.add_command(uncertainty)
main.add_command(study)


@main.command()
@click.option(
    "-o", "--folder", type=click.Path(file_okay=False, path_type=Path),
    help="Where to write; by default nf2ff-demo, or nf2ff-demo-2 and so on if that exists.",
)  # fmt: skip
@one_line_errors
def demo(folder: Path | None) -> None:
    """Simulate a scan with a known answer, transform it, and compare."""
    from nf2ff.demo import run

    if not run(folder):
        click.echo("nf2ff: the error against the closed form is too large", err=True)
        sys.exit(1)


@main.command("import")
@click.argument("files", type=FILE, nargs=-1, required=True)
@click.option("-o", "--output", type=FILE, required=True, help="Native file to write.")
@time_convention_option
@response_unit_option
@click.option("--relative", is_flag=True, help="Probe: take its level as unknown.")
@click.option("--input-power-w", type=float, help="Probe: power that went into its port.")
@click.option("--gain", type=FILE, help="Probe: TOML that states the gain of its port 1.")
@click.option("--degree", type=click.IntRange(min=1), help="Probe: degree of its expansion.")
@click.option("--zero-missing", is_flag=True, help="Probe: no field where there are no data.")
@click.option("--probe-radius-m", type=float, help="Probe: sphere about its reference point.")
@overwrite_option
@one_line_errors
def import_files(
    files: tuple[Path, ...],
    output: Path,
    time_convention: str | None,
    response_unit: str | None,
    relative: bool,
    input_power_w: float | None,
    gain: Path | None,
    degree: int | None,
    zero_missing: bool,
    probe_radius_m: float | None,
    overwrite: bool,
) -> None:
    """Read FILES and write them as a native file: samples, or a probe.

    Samples: one CSV table with the columns
    theta_deg,phi_deg,chi_deg,radius_m,frequency_hz,port,real,imag in any order; port may be left
    out.

    A probe, in its own frame (boresight +z, reference polarisation x): its far field at 1 W into
    each port, one CSV with the columns
    theta_deg,phi_deg,frequency_hz,port,e_theta_real,e_theta_imag,e_phi_real,e_phi_imag; or, one
    for each port, results of scans of the probe itself.
    """
    from nf2ff import io
    from nf2ff.level_files import read_gain_transfer
    from nf2ff.probe_files import load_probe
    from nf2ff.substitution import probe_of_known_gain

    if gain is not None and (relative or input_power_w is not None):
        msg = "--gain gives the probe its level: leave --relative and --input-power-w out"
        raise click.UsageError(msg)
    known, tables = (None, ()) if gain is None else read_gain_transfer(gain)
    check_output(output, (*files, *tables), overwrite=overwrite)
    provenance = io.provenance(inputs=(*files, *tables), command=command_line())
    about_probe = (
        relative
        or zero_missing
        or gain is not None
        or any(x is not None for x in (input_power_w, degree, probe_radius_m))
    )
    if io.file_kind(files[0]) in ("table", "samples"):
        if len(files) > 1:
            msg = f"{files[1]}: a scan is one file: import each by itself"
            raise ValueError(msg)
        if about_probe:
            msg = f"{files[0]}: holds samples: leave the options of a probe out"
            raise ValueError(msg)
        samples = io.read_samples(
            files[0], time_convention=time_convention, response_unit=response_unit
        )
        io.write_samples(output, samples, provenance=provenance, overwrite=overwrite)
        for sentence in unstated_unit(files[0], response_unit, options=LATER):
            click.echo(f"warning: {sentence}", err=True)
        click.echo(
            f"{output}: {samples.response.shape[1]} samples at {samples.frequency.size} "
            f"{_plural(samples.frequency.size, 'frequency', 'frequencies')}"
        )
        return
    if response_unit is not None:
        msg = f"{files[0]}: is no table of samples: leave the response unit out"
        raise ValueError(msg)
    probe, notes = load_probe(
        files,
        relative=relative or (known is not None and io.file_kind(files[0]) != "probe"),
        input_power=input_power_w,
        time_convention=time_convention,
        degree=degree,
        missing="zero" if zero_missing else "refuse",
        minimum_radius=probe_radius_m,
    )
    if known is not None:
        try:
            probe = probe_of_known_gain(probe, known)
        except ValueError as error:
            msg = f"{gain}: {error}"
            raise ValueError(msg) from error
        assert probe.frequency is not None
        # In the place of what said that it was unknown.
        others = [x for x in notes if "level: unknown" not in x and "level unknown" not in x]
        notes = (
            "level: by the gain stated of port 1, that of 1 W incident on it",
            *known.sentences(probe.frequency)[1:3],
            *others,
        )
    if notes:
        provenance["probe"] = "\n".join(notes)
    io.write_probe(output, probe, provenance=provenance, overwrite=overwrite)
    if io.file_kind(files[0]) != "probe":  # else they were told when it was made
        for note in notes:
            click.echo(note, err=True)
    click.echo(
        f"{output}: probe of {probe.ports} {_plural(probe.ports, 'port', 'ports')}, degree "
        f"{probe.degree}, azimuthal orders up to {probe.mu_max}"
    )


@main.command()
@click.argument("file", type=FILE)
@time_convention_option
@response_unit_option
@click.option(
    "--noise-floor-dbm", type=float,
    help="Mean reading with the device off, both polarisations together; of a table of EIRP.",
)  # fmt: skip
@json_option
@one_line_errors
def inspect(
    file: Path,
    time_convention: str | None,
    response_unit: str | None,
    noise_floor_dbm: float | None,
    as_json: bool,
) -> None:
    """Say what FILE holds: samples, modes, far field, probe, power without phase (CSV), NSMA."""
    from nf2ff.inspection import describe

    if noise_floor_dbm is not None and not math.isfinite(noise_floor_dbm):
        msg = f"--noise-floor-dbm is {noise_floor_dbm:g}, expected a level in dBm"
        raise click.UsageError(msg)
    facts = describe(
        file,
        time_convention=time_convention,
        response_unit=response_unit,
        noise_floor_dbm=noise_floor_dbm,
    )
    if facts["holds"] == "samples":
        facts["warnings"] = [
            *facts["warnings"], *unstated_unit(file, response_unit, options=LATER)
        ]  # fmt: skip
    if as_json:
        click.echo(json.dumps(facts, allow_nan=False))
        return
    width = max(len(name) for name in facts)
    for name, value in facts.items():
        label = name.replace("_", " ")
        for line in _lines(value):
            click.echo(f"{label:<{width}}  {line}")
            label = ""


@main.command()
@click.argument("antenna", type=FILE)
@click.option("-o", "--output", type=FILE, required=True, help="File to write: native, or .csv.")
@click.option(
    "--frequency-ghz", type=float, multiple=True, required=True, help="Frequency; may be repeated."
)
@click.option("--radius-m", type=float, required=True, help="Distance of the probe.")
@click.option(
    "--theta-step-deg", type=float, default=5.0, show_default=True, help="Must divide 180."
)
@click.option("--phi-step-deg", type=float, default=5.0, show_default=True, help="Must divide 360.")
@click.option(
    "--spiral",
    type=click.Choice(["equal-area", "constant-rate"]),
    help="Scan a spiral instead of a grid.",
)
@click.option("--for-degree", type=click.IntRange(min=1), help="Degree the spiral is made for.")
@click.option(
    "--probe", type=FILE, multiple=True,
    help="Dipoles (TOML) of a probe in its own frame, once for each port; responses in sqrt(W).",
)  # fmt: skip
@click.option(
    "--noise", type=float, default=0.0, help="White noise, rms of its magnitude [V/m or sqrt(W)]."
)
@click.option(
    "--seed", type=click.IntRange(min=0), default=0, show_default=True, help="Seed of the noise."
)
@overwrite_option
@one_line_errors
def simulate(
    antenna: Path,
    output: Path,
    frequency_ghz: tuple[float, ...],
    radius_m: float,
    theta_step_deg: float,
    phi_step_deg: float,
    spiral: str | None,
    for_degree: int | None,
    probe: tuple[Path, ...],
    noise: float,
    seed: int,
    overwrite: bool,
) -> None:
    """Write the scan that a probe takes of the dipoles in ANTENNA (TOML), the ideal one if none.

    Each [[dipole]] has position_m = [x, y, z] and electric_a_m and/or magnetic_v_m, three
    components each, a component being a number or [real, imaginary]. The grid has both poles, and
    every position, of a grid or of a spiral, is taken at chi = 0 and 90 deg, with each port.

    A probe is described alike, in its own frame: boresight +z, reference polarisation x. It is
    lossless and matched, and only the ratios of its moments count.
    """
    import numpy as np

    from nf2ff import io, points
    from nf2ff.grid import equiangular_grid
    from nf2ff.inspection import read_antenna
    from nf2ff.reception import receive

    inputs = [antenna, *probe]
    check_output(output, inputs, overwrite=overwrite)
    for i, ghz in enumerate(frequency_ghz):
        if not 0 < ghz <= 1e6 or ghz in frequency_ghz[:i]:
            again = " twice: give each once" if ghz in frequency_ghz[:i] else ""
            msg = f"--frequency-ghz is {ghz:g}{again or ', expected a number above 0, at most 1e6'}"
            raise ValueError(msg)
    if not radius_m <= 1e6:
        msg = f"--radius-m is {radius_m:g}, expected a number above 0, at most 1e6"
        raise ValueError(msg)
    cluster = read_antenna(antenna)
    ports = [read_antenna(path) for path in probe]
    if radius_m <= cluster.minimum_radius:
        msg = (
            f"--radius-m is {radius_m:g}, but {antenna} has dipoles as far as "
            f"{cluster.minimum_radius:.6g} m from the origin: scan outside of them"
        )
        raise ValueError(msg)
    if (spiral is None) != (for_degree is None):
        msg = "--spiral and --for-degree belong together: give both or neither"
        raise click.UsageError(msg)
    frequency = [f * 1e9 for f in frequency_ghz]
    if spiral is not None and for_degree is not None:
        if spiral == "equal-area":
            path = points.equal_area_spiral_for_degree(for_degree)
        else:
            path = points.constant_rate_spiral_for_degree(for_degree)
        theta, phi = path.theta, path.phi
    else:
        rings = steps_of(180, theta_step_deg, "--theta-step-deg") + 1
        columns = steps_of(360, phi_step_deg, "--phi-step-deg")
        _check_size(2 * rings * columns * len(frequency) * max(1, len(ports)))
        grid = equiangular_grid(rings, columns)
        theta, phi = np.repeat(grid.theta, columns), np.tile(grid.phi, rings)
    turns = 2 * max(1, len(ports))
    _check_size(turns * theta.size * len(frequency))
    place: dict[str, Any] = {
        "frequency": frequency,
        "theta": np.tile(theta, turns),
        "phi": np.tile(phi, turns),
        "chi": np.tile(np.repeat([0, np.pi / 2], theta.size), turns // 2),
        "radius": radius_m,
        "noise": noise,
        "rng": seed,
    }
    if ports:
        port = np.repeat(np.arange(1, len(ports) + 1), 2 * theta.size)
        samples = receive(cluster, ports, port=port, **place)
    else:
        samples = nf2ff.simulate(cluster, **place)
    if output.suffix.lower() == ".csv":
        io.write_table(output, samples, overwrite=overwrite)
    else:
        provenance = io.provenance(inputs=inputs, command=command_line(), seed=seed)
        io.write_samples(output, samples, provenance=provenance, overwrite=overwrite)
    told = f"{output}: {samples.response.shape[1]} samples per frequency"
    if output.suffix.lower() == ".csv":
        unit = quoted(samples.response_unit)
        told += f"; a table holds no unit: read it with --response-unit {unit}"
    click.echo(told)


def _check_size(count: int) -> None:
    if count > LARGEST_SCAN:
        msg = f"{count} samples, more than {LARGEST_SCAN}: use coarser steps or fewer frequencies"
        raise ValueError(msg)


def _plural(count: int, one: str, many: str) -> str:
    return one if count == 1 else many


def _lines(value: Any) -> list[str]:
    """Sentences one a line, all else in one."""
    if isinstance(value, list) and value and isinstance(value[0], str):
        return value
    return [_shown(value)]


def _shown(value: Any) -> str:
    if value is None:
        return "-"
    if isinstance(value, float):
        return f"{value:.9g}"
    if isinstance(value, list):
        return ", ".join(_shown(v) for v in value)
    return str(value)
