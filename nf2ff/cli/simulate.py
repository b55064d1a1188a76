"""The command that simulates scans."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import click
import numpy as np

from nf2ff.antenna import points
from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.antenna.grids import equiangular_grid
from nf2ff.cli.options import (
    FILE,
    check_native,
    check_output,
    command_line,
    misused,
    one_line_errors,
    overwrite_option,
    plural,
    quoted,
    steps_of,
    template_option,
    working,
)
from nf2ff.io import native, safe, tables
from nf2ff.io.antenna_toml import read_antenna
from nf2ff.io.toml import template
from nf2ff.measurement.probe import Probe, probe_from_modes
from nf2ff.measurement.probe_models import modes_of
from nf2ff.measurement.simulated import receive
from nf2ff.measurement.simulated import simulate as simulated
from nf2ff.messages.input_error import InputError

#: Most samples that are simulated, 3 GB.
MAX_SCAN = 50_000_000


@click.command(epilog="Example: nf2ff simulate antenna.toml -o scan.h5 --frequency-ghz 24 --radius-m 0.5")
@click.argument("antenna", type=FILE)
@click.option("-o", "--output", type=FILE, required=True, help="File to write: native, or .csv.")
@click.option("--frequency-ghz", type=float, multiple=True, required=True, help="Frequency; may be repeated.")
@click.option("--radius-m", type=float, required=True, help="Distance of the probe.")
@click.option("--theta-step-deg", type=float, default=5.0, show_default=True, help="Must divide 180.")
@click.option("--phi-step-deg", type=float, default=5.0, show_default=True, help="Must divide 360.")
@click.option(
    "--spiral", type=click.Choice(["equal-area", "constant-rate"]), help="Scan a spiral instead of a grid."
)
@click.option("--for-degree", type=click.IntRange(min=1), help="Degree the spiral is made for.")
@click.option(
    "--probe",
    type=FILE,
    multiple=True,
    help="Dipoles (TOML) of a probe in its own frame, once for each port; responses in sqrt(W).",
)
@click.option(
    "--probe-output",
    type=FILE,
    help="Native file of that probe to write, which nf2ff transform --probe reads.",
)
@click.option("--noise", type=float, default=0.0, help="White noise, rms of its magnitude [V/m or sqrt(W)].")
@click.option(
    "--time-step-s",
    type=click.FloatRange(min=0, min_open=True),
    help="Write times: seconds from each position to the next; chi = 90 deg is a second pass.",
)
@click.option("--seed", type=click.IntRange(min=0), default=0, show_default=True, help="Seed of the noise.")
@template_option(partial(template, "antenna"), "Print an ANTENNA to edit, and nothing else.")
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
    probe_output: Path | None,
    noise: float,
    time_step_s: float | None,
    seed: int,
    overwrite: bool,
) -> None:
    """Write the scan that a probe takes of the dipoles in ANTENNA (TOML), the ideal one if none.

    Start from `nf2ff simulate --template`. Each [[dipole]] has position_m = [x, y, z] and
    electric_a_m and/or magnetic_v_m, three components each, a component being a number or
    [real, imaginary]. The grid has both poles, and every position, of a grid or of a spiral, is
    taken at chi = 0 and 90 deg, with each port.

    A probe is described alike, in its own frame: boresight +z, reference polarisation x. It is
    lossless and matched, and only the ratios of its moments count.
    """
    inputs = [antenna, *probe]
    check_output(output, inputs, overwrite=overwrite)
    if probe_output is not None:
        if not probe:
            misused("--probe-output needs --probe: the ideal probe is that of nf2ff transform by itself")
        check_native(probe_output, [*inputs, output], overwrite=overwrite)
    for i, ghz in enumerate(frequency_ghz):
        if not 0 < ghz <= 1e6 or ghz in frequency_ghz[:i]:
            again = " twice: give each once" if ghz in frequency_ghz[:i] else ""
            raise InputError(
                f"--frequency-ghz is {ghz:g}{again or ', expected a number above 0, at most 1e6'}"
            )
    if not radius_m <= 1e6:
        raise InputError(f"--radius-m is {radius_m:g}, expected a number above 0, at most 1e6")
    cluster = read_antenna(antenna)
    ports = [read_antenna(path) for path in probe]
    if radius_m <= cluster.minimum_radius:
        raise InputError(
            f"--radius-m is {radius_m:g}, but {antenna} has dipoles as far as "
            f"{cluster.minimum_radius:.6g} m from the origin",
            "scan outside of them",
        )
    if (spiral is None) != (for_degree is None):
        misused("--spiral and --for-degree belong together: give both or neither")
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
    with working("simulating"):
        if ports:
            port = np.repeat(np.arange(1, len(ports) + 1), 2 * theta.size)
            samples = receive(cluster, ports, port=port, **place)
        else:
            samples = simulated(cluster, **place)
    if time_step_s is not None:  # ports are read together
        time = time_step_s * np.tile(np.arange(2.0 * theta.size), turns // 2)
        samples = replace(samples, time=time)
    provenance = safe.provenance(inputs=inputs, command=command_line(), seed=seed)
    if probe_output is not None:
        native.write_probe(
            probe_output, _probe_of(ports, frequency), provenance=provenance, overwrite=overwrite
        )
    if output.suffix.lower() == ".csv":
        tables.write_table(output, samples, overwrite=overwrite)
    else:
        native.write_samples(output, samples, provenance=provenance, overwrite=overwrite)
    told = f"{output}: {samples.response.shape[1]} samples per frequency"
    if output.suffix.lower() == ".csv":
        unit = quoted(samples.response_unit)
        told += f"; a table holds no unit: read it with --response-unit {unit}"
    click.echo(told)
    if probe_output is not None:
        click.echo(f"{probe_output}: probe of {plural(len(ports), 'port')}")


def _probe_of(ports: list[DipoleCluster], frequency: list[float]) -> Probe:
    """The probe by which the readings were made: each port radiates 1 W for 1 W into it."""
    modes = [modes_of(port, frequency=frequency, power=1.0) for port in ports]
    radius = max(port.minimum_radius for port in ports)
    return probe_from_modes(modes, minimum_radius=radius or None)


def _check_size(count: int) -> None:
    if count > MAX_SCAN:
        raise InputError(f"{count} samples, more than {MAX_SCAN}", "use coarser steps or fewer frequencies")
