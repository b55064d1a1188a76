"""The command that makes native files."""

from __future__ import annotations

from pathlib import Path

import click

from nf2ff.cli.inputs import LATER, unstated_unit
from nf2ff.cli.options import (
    FILE,
    check_native,
    command_line,
    misused,
    one_line_errors,
    overwrite_option,
    plural,
    response_unit_option,
    template_option,
    time_convention_option,
    working,
)
from nf2ff.io import native, proposal, safe
from nf2ff.io.layout import Layout, layout_template
from nf2ff.io.level_toml import read_gain_transfer
from nf2ff.io.mapping import read_mapped
from nf2ff.io.probe import load_probe
from nf2ff.io.toml import read_toml
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError, found_in
from nf2ff.messages.probe import LEVEL_UNKNOWN
from nf2ff.messages.result import ResultCode
from nf2ff.metrics.gain_transfer import probe_of_known_gain


@click.command("import", epilog="Example: nf2ff import scan.csv -o scan.h5 --response-unit V/m")
@click.argument("files", type=FILE, nargs=-1, required=True)
@click.option("-o", "--output", type=FILE, help="Native file to write.")
@click.option("--columns", type=FILE, help="TOML that says what your own tables' columns are.")
@click.option("--propose", is_flag=True, help="Print a TOML for --columns guessed from the first file.")
@template_option(layout_template, "Print a TOML for --columns to edit, and nothing else.")
@time_convention_option
@response_unit_option
@click.option("--relative", is_flag=True, help="Probe: take its level as unknown.")
@click.option("--input-power-w", type=float, help="Probe: power that went into its port.")
@click.option(
    "--gain",
    type=FILE,
    help="Probe: TOML that states the gain of its port 1 (nf2ff transform --template probe-gain).",
)
@click.option("--degree", type=click.IntRange(min=1), help="Probe: degree of its expansion.")
@click.option("--zero-missing", is_flag=True, help="Probe: no field where there are no data.")
@click.option("--probe-radius-m", type=float, help="Probe: sphere about its reference point.")
@overwrite_option
@one_line_errors
def import_files(
    files: tuple[Path, ...],
    output: Path | None,
    columns: Path | None,
    propose: bool,
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
    out. Tables in other columns, NumPy archives, MAT, HDF5 and Touchstone files are read as --columns
    describes them; --propose shows what that may be.

    A probe, in its own frame (boresight +z, reference polarisation x): its far field at 1 W into
    each port, one CSV with the columns
    theta_deg,phi_deg,frequency_hz,port,e_theta_real,e_theta_imag,e_phi_real,e_phi_imag; or, one
    for each port, results of scans of the probe itself.
    """
    if gain is not None and (relative or input_power_w is not None):
        misused("--gain gives the probe its level: leave --relative and --input-power-w out")
    if propose:
        if output is not None or columns is not None:
            misused("--propose only shows: save what it prints, check it, and give it to --columns")
        click.echo(proposal.propose(files[0]), nl=False)
        return
    if output is None:
        misused("Missing option '-o' / '--output'.")
    about_probe = any(x is not None for x in (gain, input_power_w, degree, probe_radius_m))
    about_probe = about_probe or relative or zero_missing
    if columns is not None:
        if about_probe or time_convention is not None or response_unit is not None:
            misused("--columns describes samples, with their unit: leave it or the other options out")
        _import_mapped(files, columns, output, overwrite=overwrite)
        return
    known, tables = (None, ()) if gain is None else read_gain_transfer(gain)
    check_native(output, (*files, *tables), overwrite=overwrite)
    provenance = safe.provenance(inputs=(*files, *tables), command=command_line())
    kind = native.file_kind(files[0])
    if kind in ("table", "samples"):
        if len(files) > 1:
            raise InputError(f"{files[1]}: a scan is one file", "import each by itself")
        if about_probe:
            raise InputError(f"{files[0]}: holds samples", "leave the options of a probe out")
        with working("reading"):
            samples = native.read_samples(
                files[0], time_convention=time_convention, response_unit=response_unit
            )
        native.write_samples(output, samples, provenance=provenance, overwrite=overwrite)
        for sentence in unstated_unit(files[0], response_unit, options=LATER):
            click.echo(f"warning: {sentence}", err=True)
        click.echo(_held(output, samples))
        return
    if response_unit is not None:
        raise InputError(f"{files[0]}: is not a table of samples", "leave the response unit out")
    with working("reading"):
        probe, notes = load_probe(
            files,
            relative=relative or (known is not None and kind != "probe"),
            input_power=input_power_w,
            time_convention=time_convention,
            degree=degree,
            missing="zero" if zero_missing else "refuse",
            minimum_radius=probe_radius_m,
        )
    if known is not None:
        with found_in(gain):
            probe = probe_of_known_gain(probe, known)
        assert probe.frequency is not None
        # In the place of what said that it was unknown.
        others = [x for x in notes if not any(code.says(x) for code in LEVEL_UNKNOWN)]
        notes = (
            "level: by the gain stated of port 1, that of 1 W incident on it",
            *known.sentences(probe.frequency)[1:3],
            *others,
        )
    if notes:
        provenance["probe"] = "\n".join(notes)
    native.write_probe(output, probe, provenance=provenance, overwrite=overwrite)
    if kind != "probe":  # else they were told when it was made
        for note in notes:
            click.echo(note, err=True)
    held = f"probe of {plural(probe.ports, 'port')}, degree {probe.degree}"
    click.echo(f"{output}: {held}, azimuthal orders up to {probe.mu_max}")


def _import_mapped(files: tuple[Path, ...], columns: Path, output: Path, *, overwrite: bool) -> None:
    """Write samples of a laboratory's own files, which a description says how to read."""
    check_native(output, (*files, columns), overwrite=overwrite)
    layout = read_toml(columns, Layout)
    with working("reading"):
        samples = read_mapped(files, layout)
    provenance = safe.provenance(inputs=(*files, columns), command=command_line())
    native.write_samples(output, samples, provenance=provenance, overwrite=overwrite)
    if "response_unit" not in layout.model_fields_set:
        way = f'write response_unit = "V/m" or "sqrt(W)", whichever holds, in {columns}, {LATER}'
        click.echo(f"warning: {ResultCode.UNIT_UNSTATED(ways=way)}", err=True)
    click.echo(_held(output, samples))


def _held(output: Path, samples: Samples) -> str:
    """What was written."""
    many = plural(samples.frequency.size, "frequency", "frequencies")
    return f"{output}: {samples.response.shape[1]} samples at {many}"
