"""The commands. Degrees, GHz, dB and dBm live here and in reports, nowhere below."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import click

import nf2ff
from nf2ff.options import (
    FILE,
    check_output,
    command_line,
    json_option,
    one_line_errors,
    overwrite_option,
    response_unit_option,
    time_convention_option,
)

#: Most samples that are simulated, 3 GB.
LARGEST_SCAN = 50_000_000


@click.group("nf2ff", context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(nf2ff.__version__, prog_name="nf2ff")
def main() -> None:
    """Near-field samples of an antenna on a sphere become its far field, with numbers.

    Radiated power and moving positioners can hurt: follow your laboratory's rules.
    """


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
@click.argument("table", type=FILE)
@click.option("-o", "--output", type=FILE, required=True, help="Native file to write.")
@time_convention_option
@response_unit_option
@overwrite_option
@one_line_errors
def import_table(
    table: Path,
    output: Path,
    time_convention: str | None,
    response_unit: str | None,
    overwrite: bool,
) -> None:
    """Read samples from a CSV TABLE and write them as a native file.

    Columns: theta_deg,phi_deg,chi_deg,radius_m,frequency_hz,port,real,imag in any order; port
    may be left out.
    """
    from nf2ff import io

    check_output(output, [table], overwrite=overwrite)
    samples = io.read_samples(table, time_convention=time_convention, response_unit=response_unit)
    provenance = io.provenance(inputs=[table], command=command_line())
    io.write_samples(output, samples, provenance=provenance, overwrite=overwrite)
    click.echo(
        f"{output}: {samples.response.shape[1]} samples at {samples.frequency.size} "
        f"{_plural(samples.frequency.size, 'frequency', 'frequencies')}"
    )


@main.command()
@click.argument("file", type=FILE)
@time_convention_option
@response_unit_option
@json_option
@one_line_errors
def inspect(
    file: Path, time_convention: str | None, response_unit: str | None, as_json: bool
) -> None:
    """Say what FILE holds: samples (native or CSV), modes, far field or probe."""
    from nf2ff.inspection import describe

    facts = describe(file, time_convention=time_convention, response_unit=response_unit)
    if as_json:
        click.echo(json.dumps(facts, allow_nan=False))
        return
    width = max(len(name) for name in facts)
    for name, value in facts.items():
        click.echo(f"{name.replace('_', ' '):<{width}}  {_shown(value)}")


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
@click.option("--noise", type=float, default=0.0, help="White noise, rms of its magnitude [V/m].")
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
    noise: float,
    seed: int,
    overwrite: bool,
) -> None:
    """Write the scan that an ideal field probe takes of the dipoles in ANTENNA (TOML).

    Each [[dipole]] has position_m = [x, y, z] and electric_a_m and/or magnetic_v_m, three
    components each, a component being a number or [real, imaginary]. The grid has both poles, and
    every position, of a grid or of a spiral, is taken at chi = 0 and 90 deg.
    """
    import numpy as np

    from nf2ff import io, points
    from nf2ff.grid import equiangular_grid
    from nf2ff.inspection import read_antenna

    check_output(output, [antenna], overwrite=overwrite)
    cluster = read_antenna(antenna)
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
        _check_size(2 * path.count * len(frequency))
        samples = nf2ff.simulate(
            cluster,
            frequency=frequency,
            theta=np.tile(path.theta, 2),
            phi=np.tile(path.phi, 2),
            chi=np.repeat([0, np.pi / 2], path.count),
            radius=radius_m,
            noise=noise,
            rng=seed,
        )
    else:
        rings = _steps(180, theta_step_deg, "--theta-step-deg") + 1
        columns = _steps(360, phi_step_deg, "--phi-step-deg")
        _check_size(2 * rings * columns * len(frequency))
        grid = equiangular_grid(rings, columns)
        samples = nf2ff.simulate_grid(
            cluster, frequency=frequency, grid=grid, radius=radius_m, noise=noise, rng=seed
        )
    if output.suffix.lower() == ".csv":
        io.write_table(output, samples, overwrite=overwrite)
    else:
        provenance = io.provenance(inputs=[antenna], command=command_line(), seed=seed)
        io.write_samples(output, samples, provenance=provenance, overwrite=overwrite)
    click.echo(f"{output}: {samples.response.shape[1]} samples per frequency")


def _check_size(count: int) -> None:
    if count > LARGEST_SCAN:
        msg = f"{count} samples, more than {LARGEST_SCAN}: use coarser steps or fewer frequencies"
        raise ValueError(msg)


@main.command()
@click.argument("scan", type=FILE)
@click.option("-o", "--output", type=FILE, required=True, help="Result file to write.")
@click.option("--probe", type=FILE, help="Native probe file; by default the ideal field probe.")
@click.option("--degree", type=int, help="Degree of the modes; chosen from the data if not given.")
@click.option("--minimum-radius-m", type=float, help="Sphere about the origin holding the antenna.")
@click.option(
    "--method", type=click.Choice(["quadrature", "least-squares", "direct"]),
    help="Solver; by default quadrature on a full regular grid, least squares elsewhere.",
)  # fmt: skip
@click.option("--rtol", type=float, help="Tolerance of the least squares (1e-9).")
@click.option(
    "--damping",
    type=float,
    help="Damping of the least squares (0, or 0.01 where a part of the sphere was not seen).",
)
@click.option(
    "--theta-step-deg", type=float, help="Step of the far field; by default 90 / degree or finer."
)
@click.option("--phi-step-deg", type=float, help="Step in phi; by default that in theta.")
@time_convention_option
@response_unit_option
@overwrite_option
@json_option
@one_line_errors
def transform(
    scan: Path,
    output: Path,
    probe: Path | None,
    degree: int | None,
    minimum_radius_m: float | None,
    method: str | None,
    rtol: float | None,
    damping: float | None,
    theta_step_deg: float | None,
    phi_step_deg: float | None,
    time_convention: str | None,
    response_unit: str | None,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Transform the samples in SCAN (native or CSV) to modes and far field."""
    from nf2ff import io
    from nf2ff.transformation import report, transform_samples

    inputs = [scan] + ([probe] if probe else [])
    check_output(output, inputs, overwrite=overwrite)
    solver = _solver(method, rtol, damping)
    theta_step = _exact_step(180, theta_step_deg, "--theta-step-deg")
    phi_step = _exact_step(360, phi_step_deg, "--phi-step-deg")
    samples = io.read_samples(scan, time_convention=time_convention, response_unit=response_unit)
    used = io.read_probe(probe) if probe else nf2ff.field_probe()
    try:
        outcome = transform_samples(
            samples,
            used,
            degree=degree,
            method=solver,
            minimum_radius=minimum_radius_m,
            theta_step=theta_step,
            phi_step=phi_step,
        )
    except ValueError as error:
        msg = f"{scan}: {error}"
        raise ValueError(msg) from error
    provenance = io.provenance(inputs=inputs, command=command_line())
    outcome.write(output, provenance=provenance, overwrite=overwrite)
    facts = report(samples, outcome)
    for fact in facts:
        for sentence in fact["warnings"]:
            click.echo(f"warning, {fact['frequency_hz'] / 1e9:.9g} GHz: {sentence}", err=True)
    if as_json:
        click.echo(json.dumps({"frequencies": facts}, allow_nan=False))
        return
    click.echo(f"{output}: {outcome.solution.status}")
    click.echo(f"degree {outcome.solution.modes.degree}: {outcome.solution.degree_reason}")
    _print_table(facts)


def _print_table(facts: list[dict[str, Any]]) -> None:
    click.echo(
        f"{'GHz':>12} {'D/dBi':>9} {'theta/deg':>10} {'phi/deg':>10} {'EIRP/dBm':>9} "
        f"{'TRP/dBm':>9} {'residual':>9}"
    )
    for fact in facts:
        top = fact["peak"]
        click.echo(
            f"{fact['frequency_hz'] / 1e9:12.6f} {top['directivity_dbi']:9.4f} "
            f"{top['theta_deg']:10.4f} {top['phi_deg']:10.4f} "
            f"{_or_dash(top.get('eirp_dbm'))} {_or_dash(_dbm(fact['radiated_power_w']))} "
            f"{fact['residual']:9.1e}"
        )


def _solver(method: str | None, rtol: float | None, damping: float | None) -> Any:
    if method in (None, "least-squares") and (rtol is not None or damping is not None):
        default = nf2ff.LeastSquares()
        return nf2ff.LeastSquares(
            rtol=default.rtol if rtol is None else rtol,
            damping=default.damping if damping is None else damping,
        )
    if rtol is not None or damping is not None:
        msg = f"--rtol and --damping belong to least squares, not to {method}"
        raise click.UsageError(msg)
    solvers = {
        None: None,
        "quadrature": nf2ff.Quadrature(),
        "least-squares": nf2ff.LeastSquares(),
        "direct": nf2ff.Direct(),
    }
    return solvers[method]


def _dbm(power: float | None) -> float | None:
    import math

    return 10 * math.log10(power / 1e-3) if power else None


def _or_dash(value: float | None) -> str:
    return f"{'-':>9}" if value is None else f"{value:9.4f}"


def _steps(whole: int, step: float, option: str) -> int:
    """Number of steps, which must divide the angle evenly."""
    count = round(whole / step) if step > 0 else 0
    if count < 1 or abs(count * step - whole) > 1e-9 * whole:
        msg = f"{option} is {step:g}, expected a step that divides {whole} deg evenly"
        raise ValueError(msg)
    return count


def _exact_step(whole: int, step: float | None, option: str) -> int | None:
    return None if step is None else _steps(whole, step, option)


def _plural(count: int, one: str, many: str) -> str:
    return one if count == 1 else many


def _shown(value: Any) -> str:
    if value is None:
        return "-"
    if isinstance(value, float):
        return f"{value:.9g}"
    if isinstance(value, list):
        return ", ".join(_shown(v) for v in value)
    return str(value)
