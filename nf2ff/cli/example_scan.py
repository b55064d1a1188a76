"""A scan with a known answer, from simulation to numbers."""

from __future__ import annotations

import itertools
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import click
import numpy as np

import nf2ff
from nf2ff.antenna.closed_form import far_field_of, radiated_power_of
from nf2ff.antenna.dipoles import DipoleCluster, array_of, huygens_source
from nf2ff.antenna.grids import equiangular_grid
from nf2ff.antenna.modes import WAVE_IMPEDANCE, wavenumber
from nf2ff.cli.options import save_picture, working
from nf2ff.io import native, safe, tables
from nf2ff.kernel.spin import good_length
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.transformation import transform_samples
from nf2ff.report import pattern_plots, plots
from nf2ff.report.result import shown_azimuth

FREQUENCY = 24.0e9
RADIUS = 0.45
#: Largest relative error of the far field at which the demonstration counts as passed; rounding
#: and the truncated tail leave about 1e-12.
MAX_ERROR = 1e-9
#: Endings of a name that is meant for a file.
FILE_ENDINGS = {".csv", ".h5", ".hdf5", ".html", ".json", ".pdf", ".png", ".svg", ".toml", ".txt"}


def weather_station_panel() -> DipoleCluster:
    """A 24 GHz link panel off-centre on a mountain weather station (invented).

    64 Huygens sources, 0.6 wavelengths apart with a cosine taper, tilted 8 deg below the horizon,
    12 cm from the station's mast, and three weak electric dipoles for what the mast, a rain gauge
    and a cable scatter. All fields are closed forms.
    """
    wavelength = 299792458.0 / FREQUENCY
    tilt = np.radians(8.0)
    ahead = np.array([np.cos(tilt), 0.0, -np.sin(tilt)])
    up = np.array([np.sin(tilt), 0.0, np.cos(tilt)])
    across = np.array([0.0, 1.0, 0.0])
    steps = 0.6 * wavelength * (np.arange(8) - 3.5)
    taper = np.cos(np.pi * (np.arange(8) - 3.5) / 9)
    places = steps[:, None, None] * across + steps[None, :, None] * up
    element = huygens_source(direction=ahead, polarisation=up, moment=3.5e-5)
    centre = np.array([0.10, -0.04, 0.05])
    panel = array_of(
        element, positions=(places + centre).reshape(-1, 3), weights=np.outer(taper, taper).ravel()
    )
    scatter_at = np.array([[0.0, 0.0, 0.02], [0.03, 0.09, 0.04], [0.05, -0.02, -0.06]])
    scatter = np.array([[0, 0, 7e-5j], [1.4e-5, 1e-5j, 0], [0, 1.7e-5 - 7e-6j, 1.4e-5j]], dtype=complex)
    return DipoleCluster(
        np.concatenate([panel.position, scatter_at]),
        np.concatenate([panel.electric, scatter]),
        np.concatenate([panel.magnetic, np.zeros_like(scatter)]),
    )


def run(folder: Path | None) -> bool:
    """Write scan, result and pictures into ``folder``; whether the error is small."""
    folder = _new_folder(folder)
    antenna = weather_station_panel()
    k = float(wavenumber(FREQUENCY))
    degree = nf2ff.required_degree(k * antenna.minimum_radius, tail_db=-240.0)
    grid = equiangular_grid(degree + 2, good_length(2 * degree + 1))
    samples = nf2ff.simulate_grid(antenna, frequency=[FREQUENCY], grid=grid, radius=RADIUS)
    scan, table, result = (folder / x for x in ("scan.h5", "scan.csv", "result.h5"))
    native.write_samples(scan, samples, provenance=safe.provenance(command="nf2ff demo"))
    tables.write_table(table, samples)
    start = time.perf_counter()
    with working("transforming"):
        found = transform_samples(native.read_samples(table, response_unit="V/m"), nf2ff.field_probe())
    took = time.perf_counter() - start
    provenance = safe.provenance(inputs=[table], command="nf2ff demo")
    native.write_result(result, replace(found, provenance=provenance))
    pictures: dict[str, Callable[..., Any]] = {
        "peak-cuts.png": lambda modes: pattern_plots.peak_cuts({"": modes}),
        "polar-cuts.png": plots.polar_cuts,
        "power-spectrum.png": plots.power_spectrum,
    }
    for name, plot in pictures.items():
        save_picture(plot(found.modes), folder / name, overwrite=False)
    assert found.far_field is not None
    field = found.far_field.at(0)
    t, p = np.meshgrid(field.theta, field.phi, indexing="ij")
    exact = np.array(far_field_of(antenna, frequency=[FREQUENCY], theta=t.ravel(), phi=p.ravel())).reshape(
        2, *field.e_theta.shape
    )
    error = float(np.linalg.norm([field.e_theta, field.e_phi] - exact) / np.linalg.norm(exact))
    exact_power = float(radiated_power_of(antenna, frequency=[FREQUENCY])[0])
    top = {name: found.quantities[f"peak_{name}"].values for name in ("theta", "phi", "directivity", "eirp")}
    at_peak = far_field_of(antenna, frequency=[FREQUENCY], theta=top["theta"], phi=top["phi"])
    exact_eirp = 4 * np.pi * sum(abs(x[0, 0]) ** 2 for x in at_peak) / (2 * WAVE_IMPEDANCE)
    power = found.quantities["radiated_power"].values[0]
    rows = [
        ("peak directivity [dBi]", _db(top["directivity"][0]), _db(exact_eirp / exact_power)),
        ("peak EIRP [dBm]", _db(top["eirp"][0] / 1e-3), _db(exact_eirp / 1e-3)),
        ("total radiated power [dBm]", _db(power / 1e-3), _db(exact_power / 1e-3)),
    ]
    click.echo(
        f"24 GHz link panel on a mountain weather station: {samples.response.shape[1]} samples at "
        f"{RADIUS} m,\nread, transformed and evaluated in {took:z.2f} s, degree "
        f"{found.modes.degree}, peak at theta {np.degrees(top['theta'][0]):z.3f} deg, phi "
        f"{shown_azimuth(np.degrees(top['phi'][0]), 3):z.3f} deg\n"
    )
    click.echo(f"{'':28}{'transformed':>14}{'closed form':>14}{'difference':>12}")
    for name, got, wanted in rows:
        click.echo(f"{name:28}{got:z14.6f}{wanted:z14.6f}{got - wanted:12.1e}")
    click.echo(f"{'far field, relative error':28}{'':28}{error:12.1e}\n")
    click.echo(f"written to {folder}: " + ", ".join(sorted(x.name for x in folder.iterdir())))
    return error < MAX_ERROR


def _db(ratio: float) -> float:
    return float(10 * np.log10(ratio))


def _new_folder(folder: Path | None) -> Path:
    """The folder given, or the first free one; nothing is overwritten."""
    if folder is None:
        names = (Path("nf2ff-demo" + (f"-{i}" if i > 1 else "")) for i in itertools.count(1))
        folder = next(x for x in names if not x.exists())
    elif folder.is_file() or (not folder.exists() and folder.suffix.lower() in FILE_ENDINGS):
        raise InputError(f"{folder}: is the name of a file, and several files are written", "give a folder")
    elif folder.exists() and any(folder.iterdir()):
        raise InputError(f"{folder}: is not empty", "choose another folder")
    folder.mkdir(parents=True, exist_ok=True)
    return folder
