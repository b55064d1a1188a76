"""Antennas, scans and checks that several test files share."""

import dataclasses
from typing import NamedTuple

import numpy as np
import pytest
from click.testing import CliRunner
from commands import ANTENNA, Done, snapshot

from nf2ff.antenna.closed_form import far_field_of, radiated_power_of
from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.antenna.grids import equiangular_grid
from nf2ff.antenna.modes import WAVE_IMPEDANCE, Modes
from nf2ff.cli.example_scan import weather_station_panel
from nf2ff.cli.export import export
from nf2ff.io import native
from nf2ff.io.antenna_toml import read_antenna
from nf2ff.measurement.probe import field_probe
from nf2ff.measurement.simulated import simulate_grid
from nf2ff.metrics.result import Result
from nf2ff.metrics.transformation import transform_samples

FREQUENCY = (2.8e9, 3.0e9)


#: What a pattern file must be told.
FIELDS = ("--field", "ANTMAN=Example", "--field", "MODNUM=P-1", "--field", "ELTILT=8,0.5")


NSMA = (*FIELDS, "--up", "z", "--gain-dbi", -30)


def run(*words):
    """The command in this process."""
    done = CliRunner().invoke(export, [str(word) for word in words])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return Done(done.exit_code, done.stdout, done.stderr)


def succeed(*words):
    """Standard output of a command that has nothing to complain of."""
    done = run(*words)
    assert (done.code, done.err) == (0, ""), done
    return done.out


def assert_refused(folder, *words, says, code=1):
    """One clear line, and no file in the folder has changed."""
    before = snapshot(folder)
    done = run(*words)
    assert (done.code, done.out) == (code, ""), done
    lines = done.err.splitlines()
    assert len(lines) == 1 or code == 2
    assert says in lines[-1], lines[-1]
    assert lines[-1].startswith("nf2ff: " if code == 1 else "Error: ")
    assert snapshot(folder) == before


class Case(NamedTuple):
    """An antenna of known field and the result file made of a scan of it."""

    antenna: DipoleCluster
    path: object
    frequency: tuple


def transformed(antenna, path, frequency, rings, columns, radius):
    samples = simulate_grid(
        antenna, frequency=frequency, grid=equiangular_grid(rings, columns), radius=radius
    )
    native.write_result(path, transform_samples(samples, field_probe(), phi_step=36, theta_step=18))
    return Case(antenna, path, tuple(frequency))


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    """Three dipoles about the origin, two frequencies."""
    folder = tmp_path_factory.mktemp("small")
    (folder / "a.toml").write_text(ANTENNA, encoding="utf-8")
    antenna = read_antenna(folder / "a.toml")
    return transformed(antenna, folder / "result.h5", FREQUENCY, 37, 72, 0.4)


@pytest.fixture(scope="module")
def panel(tmp_path_factory):
    """The antenna of the demonstration, 24 GHz, degree 110."""
    path = tmp_path_factory.mktemp("panel") / "result.h5"
    return transformed(weather_station_panel(), path, [24e9], 112, 225, 0.45)


@pytest.fixture
def relative(small, tmp_path):
    """The small result, of relative data."""
    found = native.read_result(small.path)
    modes = Modes(found.modes.frequency, found.modes.coefficients, "relative")
    field = dataclasses.replace(found.far_field, reference="relative")
    native.write_result(tmp_path / "relative.h5", Result(modes, field))
    return tmp_path / "relative.h5"


def vectors(theta, phi):
    """r^, theta^, phi^ (M, 3) of the conventions."""
    st, ct, sp, cp = np.sin(theta), np.cos(theta), np.sin(phi), np.cos(phi)
    return (
        np.stack([st * cp, st * sp, ct], -1),
        np.stack([ct * cp, ct * sp, -st], -1),
        np.stack([-sp, cp, 0 * sp], -1),
    )


def field_along(antenna, frequency, direction):
    """Closed form of the far field in Cartesian components (M, 3) in directions (M, 3) [V]."""
    x, y, z = direction.T
    theta, phi = np.arctan2(np.hypot(x, y), z), np.arctan2(y, x)
    e_theta, e_phi = (e[0] for e in far_field_of(antenna, frequency=[frequency], theta=theta, phi=phi))
    _, a, b = vectors(theta, phi)
    return e_theta[:, None] * a + e_phi[:, None] * b


def directivity_of(antenna, frequency, e):
    """Directivity of a component or a vector of the far field: 4 pi |E|^2 / (2 Z0 P)."""
    power = radiated_power_of(antenna, frequency=[frequency])[0]
    squares = np.abs(e) ** 2
    total = squares.sum(axis=-1) if e.ndim == 2 else squares
    return 4 * np.pi * total / (2 * WAVE_IMPEDANCE) / power


def peak_of(antenna, frequency, near, width):
    """Direction of the maximum of the closed form, by a fine search about ``near`` (3,)."""
    centre = near
    for _ in range(12):
        _, a, b = vectors(*spherical(centre))
        x, y = (width * v.ravel() for v in np.mgrid[-10:11, -10:11] / 10)
        trial = centre + x[:, None] * a + y[:, None] * b
        trial /= np.linalg.norm(trial, axis=1, keepdims=True)
        u = np.sum(np.abs(field_along(antenna, frequency, trial)) ** 2, -1)
        centre, width = trial[np.argmax(u)], width / 4
    return centre


def spherical(direction):
    x, y, z = direction
    return np.arctan2(np.hypot(x, y), z), np.arctan2(y, x)
