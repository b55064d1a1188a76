"""`nf2ff export`: tables and pattern files against closed forms of the fields.

The closed forms are those of dipoles (`nf2ff.simulate.far_field_of`), which share nothing with the
modes that are exported; directions and polarisation vectors are built here, in Cartesian
components.
"""

import csv
import dataclasses
from typing import NamedTuple

import click
import h5py
import numpy as np
import pytest
from click.testing import CliRunner
from commands import ANTENNA, Done, snapshot
from patterns import HUYGENS, TURNSTILE, Z_DIPOLE, modes_of
from scipy.optimize import brentq

from nf2ff import exporting, figures_table, io
from nf2ff.antennas import DipoleCluster
from nf2ff.demo import weather_station_panel
from nf2ff.exporting import export
from nf2ff.farfield import FarField, far_field
from nf2ff.figures_table import trusted_around, write_cuts, write_levels
from nf2ff.grid import equiangular_grid
from nf2ff.inspection import describe, read_antenna
from nf2ff.modes import WAVE_IMPEDANCE, Modes
from nf2ff.nsma_cuts import nsma_pattern
from nf2ff.nsma_reader import read_nsma
from nf2ff.probe import field_probe
from nf2ff.simulate import far_field_of, radiated_power_of, simulate_grid
from nf2ff.transformation import transform_samples

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
    outcome = transform_samples(samples, field_probe(), phi_step=36, theta_step=18)
    outcome.write(path, provenance=io.provenance(), overwrite=False)
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
    found = io.read_result(small.path)
    modes = Modes(found.modes.frequency, found.modes.coefficients, "relative")
    field = dataclasses.replace(found.far_field, reference="relative")
    io.write_result(tmp_path / "relative.h5", modes=modes, far_field=field)
    return tmp_path / "relative.h5"


def table(path):
    """Columns of a CSV table, numbers where there are any, NaN where a cell is empty."""
    with path.open(newline="", encoding="ascii") as file:
        rows = list(csv.reader(file))
    columns = {}
    for name, *cells in zip(*rows, strict=True):
        try:
            columns[name] = np.array([float(x) if x else np.nan for x in cells])
        except ValueError:
            columns[name] = np.array(cells)
    return columns


# --- closed forms -------------------------------------------------------------------------------


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
    e_theta, e_phi = (
        e[0] for e in far_field_of(antenna, frequency=[frequency], theta=theta, phi=phi)
    )
    _, a, b = vectors(theta, phi)
    return e_theta[:, None] * a + e_phi[:, None] * b


def directivity_of(antenna, frequency, e):
    """Directivity of a component or a vector of the far field: 4 pi |E|^2 / (2 Z0 P)."""
    power = radiated_power_of(antenna, frequency=[frequency])[0]
    squares = np.abs(e) ** 2
    total = squares.sum(axis=-1) if e.ndim == 2 else squares
    return 4 * np.pi * total / (2 * WAVE_IMPEDANCE) / power


#: Fields from modes against closed forms, relative to the strongest: transforms at points are good
#: to 1e-12 each way, and the power above the degrees of these scans is below -240 dB.
FIELD = 1e-11


def assert_level(decibels, wanted, top):
    """Levels of 6 decimals, [dB] against linear power, ``top`` the greatest power."""
    error = np.abs(10 ** (decibels / 10) - wanted)
    # Half of the last decimal in dB is a factor 1 + 0.115e-6; an error e of the field changes the
    # power by 2 |E| e + e^2.
    assert np.all(error <= 1.2e-7 * wanted + 2 * FIELD * np.sqrt(wanted * top) + FIELD**2 * top)


def assert_phase(degrees, wanted, top):
    """Phases of 4 decimals against complex fields, ``top`` the greatest."""
    error = np.abs(np.abs(wanted) * np.exp(1j * np.radians(degrees)) - wanted)
    # Half of the last decimal is 8.73e-7 rad. An error e of the field is one of its
    # value, and one of its modulus, which is taken from the closed form here.
    assert np.all(error <= 8.8e-7 * np.abs(wanted) + 2 * FIELD * top)


def assert_levels_and_phases(found, antenna, frequency, parts, names):
    """Columns of one frequency against two closed-form components."""
    total = np.stack(parts, -1)
    top = directivity_of(antenna, frequency, total).max()
    power = radiated_power_of(antenna, frequency=[frequency])[0]
    wanted = directivity_of(antenna, frequency, total)
    assert_level(found["directivity_dbi"], wanted, top)
    assert_level(found["eirp_dbm"], wanted * power / 1e-3, top * power / 1e-3)
    for part, name in zip(parts, names, strict=True):
        assert_level(found[f"{name}_dbi"], directivity_of(antenna, frequency, part), top)
        assert_phase(found[f"{name}_phase_deg"], part, np.abs(total).max())


def in_basis(e_theta, e_phi, phi, basis, angle):
    """Components by the formulas of `metrics.components`' sources, written anew."""
    if basis == "ludwig-3":
        # Ludwig 1973, definition 3, from memory.
        c, s = np.cos(phi - angle), np.sin(phi - angle)
        return c * e_theta - s * e_phi, s * e_theta + c * e_phi
    if basis == "circular":
        return (e_theta + 1j * e_phi) / 2**0.5, (e_theta - 1j * e_phi) / 2**0.5
    if basis == "linear":
        # What a dipole at this slant from theta^ towards phi^ receives, and one across it.
        c, s = np.cos(angle), np.sin(angle)
        return c * e_theta + s * e_phi, c * e_phi - s * e_theta
    return e_theta, e_phi


BASES = {
    "theta-phi": ((), ("theta", "phi")),
    "ludwig-3": (("--reference-angle-deg", 25), ("co", "cross")),
    "circular": ((), ("right", "left")),
    "linear": (("--reference-angle-deg", 25), ("co", "cross")),
}


# --- grids --------------------------------------------------------------------------------------


@pytest.mark.parametrize("basis", BASES)
def test_levels_are_those_of_the_closed_form(small, tmp_path, basis):
    options, names = BASES[basis]
    out = succeed(
        small.path, "-o", tmp_path / "a.csv", "--what", "levels", "--basis", basis, *options
    )
    assert out == f"{tmp_path / 'a.csv'}: 19 x 36 directions, 2 frequencies\n"
    found = table(tmp_path / "a.csv")
    a, b = names
    assert list(found) == [
        "frequency_hz", "theta_deg", "phi_deg", "directivity_dbi", f"{a}_dbi", f"{b}_dbi",
        "eirp_dbm", f"{a}_phase_deg", f"{b}_phase_deg", "trusted",
    ]  # fmt: skip
    assert np.all(found["trusted"] == 1)
    for i, frequency in enumerate(small.frequency):
        part = {k: v.reshape(2, -1)[i] for k, v in found.items()}
        assert np.all(part["frequency_hz"] == frequency)
        np.testing.assert_array_equal(part["theta_deg"], np.repeat(np.arange(19) * 10, 36))
        np.testing.assert_array_equal(part["phi_deg"], np.tile(np.arange(36) * 10, 19))
        theta, phi = np.radians(part["theta_deg"]), np.radians(part["phi_deg"])
        e = far_field_of(small.antenna, frequency=[frequency], theta=theta, phi=phi)
        parts = in_basis(e[0][0], e[1][0], phi, basis, np.radians(25))
        assert_levels_and_phases(part, small.antenna, frequency, parts, names)


def test_rows_are_the_same_in_blocks(small, tmp_path, monkeypatch):
    succeed(small.path, "-o", tmp_path / "a.csv", "--what", "levels")
    monkeypatch.setattr(figures_table, "_BLOCK", 100)
    succeed(small.path, "-o", tmp_path / "b.csv", "--what", "levels")
    assert (tmp_path / "a.csv").read_bytes() == (tmp_path / "b.csv").read_bytes()


def test_no_level_where_there_is_no_field(tmp_path):
    # A z-dipole has neither field on the axis nor E_phi anywhere: D = 1.5 sin^2 (closed form).
    field = far_field(Z_DIPOLE, theta=[0, np.pi / 2], phi=[0.0])
    exact = dataclasses.replace(field, e_phi=0 * field.e_phi, e_theta=field.e_theta * [[[0], [1]]])
    write_levels(tmp_path / "a.csv", exact)
    lines = (tmp_path / "a.csv").read_text().splitlines()
    assert lines[1] == "1000000000.0,0.0,0.0,,,,,,,1"
    cells = lines[2].split(",")
    assert (cells[3], cells[5], cells[8]) == ("1.760913", "", "")


def test_no_negative_zero(tmp_path):
    # Directivity 1 to the last digit but one, below.
    field = FarField([1e9], [1.0], [0.0], [[[1 - 1e-9j]]], [[[0.0]]], [2 * np.pi / WAVE_IMPEDANCE])
    write_levels(tmp_path / "a.csv", field)
    row = (tmp_path / "a.csv").read_text().splitlines()[1].split(",")
    assert (row[3], row[7]) == ("0.000000", "0.0000")


def test_field_as_a_pattern(small, tmp_path):
    out = succeed(small.path, "-o", tmp_path / "a.csv", "--what", "field")
    assert out == f"{tmp_path / 'a.csv'}: 19 x 36 directions, 2 frequencies\n"
    found = io.read_pattern(tmp_path / "a.csv")
    wanted = io.read_result(small.path).far_field
    np.testing.assert_array_equal(found.frequency, wanted.frequency)
    np.testing.assert_array_equal(found.e_theta[:, 0], wanted.e_theta)
    np.testing.assert_array_equal(found.e_phi[:, 0], wanted.e_phi)


def test_field_as_a_native_file(small, tmp_path):
    out = succeed(small.path, "-o", tmp_path / "a.h5")
    assert out == f"{tmp_path / 'a.h5'}: 19 x 36 directions, 2 frequencies\n"
    found, wanted = io.read_far_field(tmp_path / "a.h5"), io.read_result(small.path).far_field
    for name in ("frequency", "theta", "phi", "e_theta", "e_phi", "radiated_power"):
        np.testing.assert_array_equal(getattr(found, name), getattr(wanted, name))
    assert found.reference == "absolute"
    origin = io.read_provenance(tmp_path / "a.h5")
    assert io.sha256(small.path) in origin["inputs"]
    assert origin["command"].split()[0] == "nf2ff"


@pytest.mark.parametrize(
    ("options", "theta_step", "phi_step"),
    [
        (("--theta-step-deg", 30), 30, 30),
        (("--phi-step-deg", 60), 60, 60),
        (("--theta-step-deg", 45, "--phi-step-deg", 120), 45, 120),
        (("--theta-step-deg", 90, "--phi-step-deg", 360), 90, 360),
        (("--phi-step-deg", 360), 180, 360),
    ],
)
def test_other_grids_are_evaluated_from_the_modes(small, tmp_path, options, theta_step, phi_step):
    succeed(small.path, "-o", tmp_path / "a.h5", *options)
    found = io.read_far_field(tmp_path / "a.h5")
    theta, phi = np.arange(0, 181, theta_step), np.arange(0, 360, phi_step)
    np.testing.assert_allclose(found.theta, np.radians(theta), rtol=1e-15)
    np.testing.assert_allclose(found.phi, np.radians(phi), rtol=1e-15)
    t, p = (x.ravel() for x in np.meshgrid(found.theta, found.phi, indexing="ij"))
    wanted = far_field_of(small.antenna, frequency=small.frequency, theta=t, phi=p)
    for e, exact in zip((found.e_theta, found.e_phi), wanted, strict=True):
        size = np.abs(wanted).max()
        np.testing.assert_allclose(e.reshape(2, -1), exact, rtol=0, atol=FIELD * size)


def test_modes_alone_get_a_grid_for_their_degree(tmp_path):
    # Four steps in the finest lobe: 90 / 1 deg and 90 / 40 deg, in steps that divide 180.
    for degree, rings in ((1, 37), (40, 91)):
        path = tmp_path / f"{degree}.h5"
        io.write_modes(path, modes_of({(2, 0, 1): -1}, degree))
        succeed(path, "-o", tmp_path / f"{degree}.csv", "--what", "levels")
        found = table(tmp_path / f"{degree}.csv")
        theta = np.radians(found["theta_deg"])
        assert theta.size == rings * (rings - 1) * 2
        seen = np.sin(theta) > 1e-3
        # Closed form: D = 1.5 sin^2 theta.
        wanted = 10 * np.log10(1.5 * np.sin(theta[seen]) ** 2)
        np.testing.assert_allclose(found["directivity_dbi"][seen], wanted, atol=5.1e-7)


def test_a_far_field_alone(small, tmp_path):
    succeed(small.path, "-o", tmp_path / "f.h5")
    for what in ("levels", "field"):
        succeed(tmp_path / "f.h5", "-o", tmp_path / "a.csv", "--what", what, "--overwrite")
        succeed(small.path, "-o", tmp_path / "b.csv", "--what", what, "--overwrite")
        assert (tmp_path / "a.csv").read_bytes() == (tmp_path / "b.csv").read_bytes()
    says = f"nf2ff: {tmp_path / 'f.h5'}: holds no modes, from which "
    out = ("-o", tmp_path / "c.csv")
    for options in (("--what", "levels", "--theta-step-deg", 30), (), ("--what", "nsma", *NSMA)):
        assert_refused(tmp_path, tmp_path / "f.h5", *out, *options, says=says)


# --- cuts ---------------------------------------------------------------------------------------

LEVELS_OF = ("directivity_dbi", "eirp_dbm")


def cut_rows(found, kind, position, frequency):
    keep = (found["cut"] == kind) & (found["cut_deg"] == position)
    keep &= found["frequency_hz"] == frequency
    return {name: values[keep] for name, values in found.items()}


@pytest.mark.parametrize("basis", BASES)
def test_cuts_through_z_and_about_it(small, tmp_path, basis):
    options, names = BASES[basis]
    out = succeed(
        small.path, "-o", tmp_path / "a.csv", "--basis", basis, *options,
        "--phi-deg", 30, "--theta-deg", 70, "--theta-deg", 110.5, "--step-deg", 7.5,
    )  # fmt: skip
    assert out == f"{tmp_path / 'a.csv'}: 3 cuts of 48 directions, 2 frequencies\n"
    found = table(tmp_path / "a.csv")
    assert list(found)[:6] == [
        "frequency_hz", "cut", "cut_deg", "angle_deg", "theta_deg", "phi_deg",
    ]  # fmt: skip
    assert found["cut"].size == 3 * 48 * 2
    angle = -180 + 7.5 * np.arange(48)
    for frequency in small.frequency:
        one = cut_rows(found, "phi", 30, frequency)
        np.testing.assert_array_equal(one["angle_deg"], angle)
        np.testing.assert_allclose(one["theta_deg"], np.abs(angle), atol=5.1e-7)
        np.testing.assert_allclose(one["phi_deg"], np.where(angle < 0, 210, 30), atol=5.1e-7)
        # Unit vectors continued through the pole: those of theta = angle at phi = 30 throughout.
        r, a, b = vectors(np.radians(angle), np.full(48, np.radians(30)))
        e = field_along(small.antenna, frequency, r)
        e = np.sum(e * a, -1), np.sum(e * b, -1)
        parts = in_basis(*e, np.radians(30), basis, np.radians(25))
        assert_levels_and_phases(one, small.antenna, frequency, parts, names)
        for theta in (70, 110.5):
            one = cut_rows(found, "theta", theta, frequency)
            np.testing.assert_array_equal(one["angle_deg"], angle)
            np.testing.assert_allclose(one["theta_deg"], theta, atol=5.1e-7)
            np.testing.assert_allclose(one["phi_deg"], angle % 360, atol=5.1e-7)
            r, a, b = vectors(np.full(48, np.radians(theta)), np.radians(angle))
            e = field_along(small.antenna, frequency, r)
            e = np.sum(e * a, -1), np.sum(e * b, -1)
            parts = in_basis(*e, np.radians(angle), basis, np.radians(25))
            assert_levels_and_phases(one, small.antenna, frequency, parts, names)


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


@pytest.mark.parametrize("basis", BASES)
@pytest.mark.parametrize("through", [None, (60.0, -40.0)])
def test_cuts_through_the_peak_or_a_direction(panel, tmp_path, basis, through):
    options, names = BASES[basis]
    given = () if through is None else ("--through", *through)
    planes = (0, 90) if through is None else (-30,)
    for plane in planes if through else ():
        given += ("--plane-deg", plane)
    out = succeed(panel.path, "-o", tmp_path / "a.csv", "--basis", basis, *options, *given)
    # 90 deg / degree 110: steps of 0.5 deg.
    assert out.endswith(f": {len(planes)} cuts of 720 directions, 1 frequency\n")
    found = table(tmp_path / "a.csv")
    frequency = panel.frequency[0]
    centre = peak_of(panel.antenna, frequency, np.array([1, 0, -0.15]), 0.1)
    if through:
        (centre,) = vectors(*np.radians([through]).T)[0]
    _, a0, b0 = (v[0] for v in vectors(*(np.array([x]) for x in spherical(centre))))
    if through is None:
        # phi is 0.845 deg there and the beam some degrees wide, so that the plane is phi = 1 deg:
        # along the cut, at right angles to that plane's normal, and across it.
        assert list(dict.fromkeys(found["plane"])) == ["phi = 1 deg", "across phi = 1 deg"]
        azimuth = np.radians(1)
        a0 = np.cross([-np.sin(azimuth), np.cos(azimuth), 0.0], centre)
        a0 /= np.linalg.norm(a0)
        b0 = np.cross(centre, a0)
    angle = np.radians(-180 + 0.5 * np.arange(720))[:, None]
    for plane in planes:
        one = cut_rows(found, "plane", plane, frequency)
        psi = np.radians(plane)
        tangent = np.cos(psi) * a0 + np.sin(psi) * b0
        normal = np.cos(psi) * b0 - np.sin(psi) * a0
        r = np.cos(angle) * centre + np.sin(angle) * tangent
        at = vectors(np.radians(one["theta_deg"]), np.radians(one["phi_deg"]))
        # Angles of 6 decimals; the peak is found to 1e-6 deg by either search where it is curved.
        np.testing.assert_allclose(at[0], r, atol=1e-7)
        # In the directions that the table states, so that the search does not matter.
        e = field_along(panel.antenna, frequency, r if through else at[0])
        if basis in ("theta-phi", "linear"):
            e = np.sum(e * at[1], -1), np.sum(e * at[2], -1)
            parts = in_basis(*e, 0, basis, np.radians(25))
        else:
            along = np.cos(angle) * tangent - np.sin(angle) * centre
            parts = in_basis(
                np.sum(e * along, -1), np.sum(e * normal, -1), psi, basis, np.radians(25)
            )
        top = directivity_of(panel.antenna, frequency, np.stack(parts, -1)).max()
        # Directions rounded by 1e-8 rad change the field by less than k r0 = 75 times that, and
        # the polarisation vectors of the search by its 1e-7.
        tolerance = 2e-6
        for part, name in zip(parts, names, strict=True):
            wanted = directivity_of(panel.antenna, frequency, part)
            error = np.abs(10 ** (one[f"{name}_dbi"] / 10) - wanted)
            assert np.all(error <= 1.2e-7 * wanted + tolerance * np.sqrt(wanted * top) + 1e-12)
            error = np.abs(part) * np.exp(1j * np.radians(one[f"{name}_phase_deg"])) - part
            assert np.abs(error).max() <= tolerance * np.abs(np.stack(parts)).max()
        if through is None:
            assert np.argmax(one["directivity_dbi"]) == 360
            assert one["angle_deg"][360] == 0
            # The command `demo` finds the same (closed form, see above).
            wanted = directivity_of(
                panel.antenna, frequency, field_along(panel.antenna, frequency, centre[None])
            )[0]
            assert one["directivity_dbi"][360] == pytest.approx(10 * np.log10(wanted), abs=1e-6)


def test_each_frequency_is_cut_through_its_own_peak(tmp_path):
    # Huygens sources towards +z and, at the second frequency, -z (Q_1 reversed): closed form
    # D = 3 ((1 + cos) / 2)^2 about the peak in every plane.
    q = HUYGENS.coefficients[0]
    s = np.array([1, 2] * 3)
    io.write_modes(tmp_path / "m.h5", Modes([1e9, 2e9], [q, np.where(s == 1, -q, q)]))
    succeed(tmp_path / "m.h5", "-o", tmp_path / "a.csv", "--plane-deg", 20, "--step-deg", 30)
    found = table(tmp_path / "a.csv")
    for frequency, pole in ((1e9, 0.0), (2e9, 180.0)):
        one = cut_rows(found, "plane", 20, frequency)
        assert one["theta_deg"][one["angle_deg"] == 0] == pole
        seen = np.abs(one["angle_deg"]) < 179
        wanted = 3 * ((1 + np.cos(np.radians(one["angle_deg"][seen]))) / 2) ** 2
        np.testing.assert_allclose(one["directivity_dbi"][seen], 10 * np.log10(wanted), atol=1e-6)


def test_relative_data_have_no_eirp(relative, tmp_path):
    for what in ("levels", "cuts"):
        succeed(relative, "-o", tmp_path / "a.csv", "--what", what, "--overwrite")
        assert not [name for name in table(tmp_path / "a.csv") if "eirp" in name]
    succeed(relative, "-o", tmp_path / "f.h5", "--theta-step-deg", 60)
    assert io.read_far_field(tmp_path / "f.h5").reference == "relative"


# --- what was seen ------------------------------------------------------------------------------


@pytest.fixture
def partly(small, tmp_path):
    """The small result, of which theta > 130 deg and phi from 100 to 200 deg were not seen."""
    found = io.read_result(small.path)
    t, p = np.meshgrid(found.far_field.theta, found.far_field.phi, indexing="ij")
    lost = (t > np.radians(131)) | ((p > np.radians(99)) & (p < np.radians(201)))
    # All of it was seen at the first frequency.
    mark = np.stack([np.ones_like(lost), ~lost])
    field = dataclasses.replace(found.far_field, trusted=mark)
    sentences = [["the first"], ["the second", "and another"]]
    io.write_result(tmp_path / "partly.h5", modes=found.modes, far_field=field, warnings=sentences)
    return tmp_path / "partly.h5", field


def test_directions_not_to_trust_are_marked(partly, tmp_path):
    path, field = partly
    lost = f"{100 * (1 - field.trusted_fraction()[1]):.3g} % of the directions were not seen"
    done = run(path, "-o", tmp_path / "a.csv", "--what", "levels")
    assert done.code == 0
    assert done.err.splitlines() == [
        "warning, 2.8 GHz: the first",
        "warning, 3 GHz: the second",
        "warning, 3 GHz: and another",
        f"warning, {lost}, do not trust them",
    ]
    np.testing.assert_array_equal(
        table(tmp_path / "a.csv")["trusted"].reshape(2, 19, 36), field.trusted
    )
    run(path, "-o", tmp_path / "b.csv", "--phi-deg", 40, "--theta-deg", 85, "--step-deg", 5)
    found = table(tmp_path / "b.csv")
    one = cut_rows(found, "phi", 40, 3e9)
    # Trusted where the direction is, or, off the grid of 10 deg, all around it are; 130 deg, and 90
    # and 210 deg, are the last ones seen.
    np.testing.assert_array_equal(one["trusted"], np.abs(one["angle_deg"]) <= 130)
    assert cut_rows(found, "phi", 40, 2.8e9)["trusted"].all()
    one = cut_rows(found, "theta", 85, 3e9)
    full = one["angle_deg"] % 360
    np.testing.assert_array_equal(one["trusted"], ~((full > 90) & (full < 210)))
    run(path, "-o", tmp_path / "c.h5", "--theta-step-deg", 5)
    finer = io.read_far_field(tmp_path / "c.h5").trusted
    assert finer.shape == (2, 37, 72)
    assert finer[0].all()
    full = np.arange(72) * 5
    wanted = (np.arange(37) * 5 <= 130)[:, None] & ~((full > 90) & (full < 210))
    np.testing.assert_array_equal(finer[1], wanted)
    done = run(path, "-o", tmp_path / "d.csv", "--frequency-ghz", 2.8)
    assert done.err.splitlines()[0] == "warning, 2.8 GHz: the first"
    assert len(done.err.splitlines()) == 1


def test_directions_around_on_unsorted_grids(rng):
    # Beyond the last theta there is only that.
    theta = rng.permutation(np.linspace(0.2, np.pi - 0.2, 10))
    phi = rng.permutation(np.arange(-4, 8) * 0.5)
    mark = rng.random((10, 12)) < 0.85
    e = np.zeros((1, 10, 12))
    field = FarField([1e9], theta, phi, e, e, [1.0], "absolute", mark[None])
    t, p = np.arccos(rng.uniform(-1, 1, 2000)), rng.uniform(0, 2 * np.pi, 2000)
    wanted = []
    for a, b in zip(t, p, strict=True):
        rows = [
            np.where(theta <= a, a - theta, 9).argmin() if a > theta.min() else theta.argmin(),
            np.where(theta > a, theta - a, 9).argmin() if a < theta.max() else theta.argmax(),
        ]
        behind, ahead = (b - phi) % (2 * np.pi), (phi - b) % (2 * np.pi)
        columns = [behind.argmin(), ahead.argmin()]
        wanted.append(mark[np.ix_(rows, columns)].all())
    np.testing.assert_array_equal(trusted_around(field, t, p), wanted)
    assert trusted_around(None, t, p).all()
    # On the grid, but for rounding, each direction speaks for itself.
    t, p = np.meshgrid(theta, phi + 2 * np.pi, indexing="ij")
    np.testing.assert_array_equal(trusted_around(field, t * (1 - 1e-15), p), mark)


# --- frequencies --------------------------------------------------------------------------------


@pytest.mark.parametrize("what", ["field", "levels", "cuts", "nsma"])
def test_one_frequency(small, tmp_path, what):
    options = NSMA if what == "nsma" else ()
    out = ("-o", tmp_path / "a", "--what", what)
    assert "1 frequency" in succeed(small.path, *out, "--frequency-ghz", 3, *options)
    if what == "nsma":
        assert read_nsma(tmp_path / "a").frequency.tolist() == [3e9]
        return
    assert set(table(tmp_path / "a")["frequency_hz"]) == {3e9}
    both = ("--frequency-ghz", 3, "--frequency-ghz", 2.8, "--frequency-ghz", 3, "--overwrite")
    assert "2 frequencies" in succeed(small.path, *out, *both)
    once = (tmp_path / "a").read_bytes()
    succeed(small.path, *out, "--overwrite")
    assert (tmp_path / "a").read_bytes() == once


@pytest.mark.parametrize("asked", [2.9, -3, "nan", "inf", 0])
def test_frequency_that_is_not_there(small, tmp_path, asked):
    words = (small.path, "-o", tmp_path / "a.csv", "--frequency-ghz", asked)
    says = "GHz: give that as --frequency-ghz"
    assert_refused(tmp_path, *words, says=says)
    assert f"holds no {asked} GHz, the nearest of its 2 frequencies is " in run(*words).err


# --- pattern files ------------------------------------------------------------------------------

#: Polarisations in up and right, as a person behind the antenna sees them. Right-hand is
#: clockwise for that person (IEEE Std 145, from memory), from up to right: up leads by 90 deg,
#: right = -j up, and (up + j right)/sqrt 2 is greatest.
SEEN = {
    "V": [1, 0], "H": [0, 1], "SLR": [0.5**0.5, 0.5**0.5], "SLL": [0.5**0.5, -(0.5**0.5)],
    "RCP": [0.5**0.5, 1j * 0.5**0.5], "LCP": [0.5**0.5, -1j * 0.5**0.5],
}  # fmt: skip
ACROSS = {"V": "H", "H": "V", "SLR": "SLL", "SLL": "SLR", "RCP": "LCP", "LCP": "RCP"}


def seen_from_behind(antenna, frequency, axis, up, plane, angle):
    """Closed-form components up and right (2, A) along the V or H cut through ``axis``."""
    vertical = up - (up @ axis) * axis
    vertical /= np.linalg.norm(vertical)
    right = np.cross(axis, vertical)
    first, second = (vertical, right) if plane == "V" else (right, vertical)
    c, s = np.cos(angle)[:, None], np.sin(angle)[:, None]
    e = field_along(antenna, frequency, c * axis + s * first)
    # Ludwig-3 in its own two principal planes: along the cut, and across it.
    along, across = np.sum(e * (c * first - s * axis), -1), e @ second
    return np.array([along, across] if plane == "V" else [across, along])


def half_power_widths(antenna, frequency, axis, up, weights):
    """Widths of the co-polar cuts H and V: where the closed form falls to half of the peak."""
    found = {}
    for tag, plane in (("AZWIDT", "H"), ("ELWIDT", "V")):

        def excess(angle, plane=plane):
            e = seen_from_behind(antenna, frequency, axis, up, plane, np.array([0.0, angle]))
            peak, there = np.abs(weights @ e) ** 2
            return there / peak - 0.5

        ends = []
        for side in (1, -1):
            # The first of steps of 0.1 deg, far below a lobe's width, at which it is below.
            steps = side * np.radians(np.arange(0, 180, 0.1))
            first = next(i for i, x in enumerate(steps) if excess(x) < 0)
            ends.append(brentq(excess, steps[first - 1], steps[first], xtol=1e-9))
        found[tag] = f"{np.degrees(ends[0] - ends[1]):.2f}"
    return found


def front_to_back_db(antenna, frequency, axis):
    """Intensity of both polarisations on the axis over that opposite (closed form) [dB]."""
    front, back = np.sum(np.abs(field_along(antenna, frequency, np.stack([axis, -axis]))) ** 2, -1)
    return 10 * np.log10(front / back)


def test_right_is_right():
    # Looking along +x with z up, -y is to the right; along +z with y up, -x is.
    assert np.cross([1, 0, 0], [0, 0, 1]).tolist() == [0, -1, 0]
    assert np.cross([0, 0, 1], [0, 1, 0]).tolist() == [-1, 0, 0]


@pytest.mark.parametrize("polarisation", [None, "H", "SLR", "SLL", "RCP", "LCP"])
def test_pattern_file_of_the_demonstration(panel, tmp_path, polarisation):
    path = tmp_path / "a.nsma"
    chosen, count = ((), 720) if polarisation is None else (("--step-deg", 2), 180)
    chosen += () if polarisation is None else ("--polarisation", polarisation)
    out = succeed(panel.path, "-o", path, *NSMA, *chosen, "--with-phase")
    co = polarisation or "V"
    cross = ACROSS[co]
    names = [
        ("H", f"{co}/{co}"),
        ("H", f"{co}/{cross}"),
        ("V", f"{co}/{co}"),
        ("V", f"{co}/{cross}"),
    ]
    listed = ", ".join(" ".join(x) for x in names)
    assert out == f"{path}: {listed} in {count} directions, 1 frequency, gain -30.00 dBi\n"
    found = read_nsma(path)
    assert found.warnings == ()
    frequency, up = panel.frequency[0], np.array([0, 0, 1.0])
    axis = peak_of(panel.antenna, frequency, np.array([1, 0, -0.15]), 0.1)
    theta, phi = np.degrees(spherical(axis))
    assert dict(found.fields) == {
        "COMNT1": "0 dB: co-polar at the peak. H: right, V: up positive, seen from behind",
        "COMNT2": f"Great circles through the peak, theta {theta:.3f} deg, phi {phi:.3f} deg",
        "ANTMAN": "Example",
        "MODNUM": "P-1",
        "LOWFRQ": "24000",
        "HGHFRQ": "24000",
        "GUNITS": "DBI/DBR",
        "MDGAIN": "-30.00",
        **half_power_widths(panel.antenna, frequency, axis, up, SEEN[co]),
        "FRTOBA": f"{front_to_back_db(panel.antenna, frequency, axis):.0f}",
        "ELTILT": "8,0.5",
        "PATTYP": "typical",
    }
    assert [(x.plane, x.polarisation) for x in found.cuts[0]] == names
    weights = {name: np.array(w) for name, w in SEEN.items()}
    at_peak = (
        weights[co] @ seen_from_behind(panel.antenna, frequency, axis, up, "V", np.zeros(1))[:, 0]
    )
    for cut in found.cuts[0]:
        np.testing.assert_array_equal(cut.angle_deg, -180 + 360 / count * np.arange(count))
        e = seen_from_behind(
            panel.antenna, frequency, axis, up, cut.plane, np.radians(cut.angle_deg)
        )
        wanted = weights[cut.polarisation[len(co) + 1 :]] @ e / at_peak
        level = 10 ** (cut.level_db / 20)
        # Three decimals in dB are a factor 1 + 0.58e-4; three in deg are 0.87e-5 rad; the axis is
        # found to 1e-7, which moves the field by k r0 = 75 times that at most.
        size = np.abs(wanted).max()
        assert np.all(np.abs(level - np.abs(wanted)) <= 6e-5 * np.abs(wanted) + 2e-5 * size)
        turned = np.abs(wanted) * np.exp(1j * np.radians(cut.phase_deg))
        assert np.all(np.abs(turned - wanted) <= 9e-6 * np.abs(wanted) + 2e-5 * size)
    peak_cut = found.cuts[0][0]
    assert (peak_cut.level_db[count // 2], peak_cut.phase_deg[count // 2]) == (0, 0)


@pytest.mark.parametrize("up", ["x", "-x", "y", "-y", "-z"])
def test_other_ways_to_mount(small, tmp_path, up):
    succeed(
        small.path, "-o", tmp_path / "a.nsma", *FIELDS, "--up", up, "--gain-dbi", -30,
        "--polarisation", "SLR", "--through", 70, 50, "--step-deg", 10, "--frequency-ghz", 3,
    )  # fmt: skip
    found = read_nsma(tmp_path / "a.nsma")
    assert found.fields["COMNT2"] == "Great circles through theta 70.000 deg, phi 50.000 deg"
    # Levels do not refer to that direction: no half-power width about it.
    assert not {"AZWIDT", "ELWIDT"} & set(found.fields)
    sign = -1.0 if up.startswith("-") else 1.0
    upward = sign * np.eye(3)["xyz".index(up[-1])]
    axis = vectors(*np.radians([[70], [50]]))[0][0]
    e = [
        seen_from_behind(small.antenna, 3e9, axis, upward, c.plane, np.radians(c.angle_deg))
        for c in found.cuts[0]
    ]
    power = [np.abs(SEEN[c.polarisation[4:]] @ x) for c, x in zip(found.cuts[0], e, strict=True)]
    # Levels refer to the co-polar one at the peak, by ludwig-3 about the axis: here, to a factor.
    level = [10 ** (c.level_db / 20) for c in found.cuts[0]]
    assert found.cuts[0][0].phase_deg is None
    ratio = np.concatenate(level) / np.concatenate(power)
    strong = np.concatenate(power) > 1e-3 * max(map(np.max, power))
    np.testing.assert_allclose(ratio[strong], np.median(ratio), rtol=1.2e-4)
    # The reference: co-polar at the peak, parallel to the axis' own vectors by rolling the wave
    # front along the great circle from the axis to the peak.
    start = max(
        (vectors(*(np.array([x]) for x in np.radians([t, p])))[0][0] for t in range(0, 181, 10)
         for p in range(0, 360, 10)),
        key=lambda r: np.sum(np.abs(field_along(small.antenna, 3e9, r[None])) ** 2),
    )  # fmt: skip
    peak = peak_of(small.antenna, 3e9, start, 0.2)
    vertical = upward - (upward @ axis) * axis
    vertical /= np.linalg.norm(vertical)
    slant = (vertical + np.cross(axis, vertical)) / 2**0.5
    # Rodrigues' formula for the rotation that carries the axis to the peak the short way.
    k, c = np.cross(axis, peak), axis @ peak
    rolled = slant * c + np.cross(k, slant) + k * (k @ slant) / (1 + c)
    assert found.fields["FRTOBA"] == f"{front_to_back_db(small.antenna, 3e9, peak):.0f}"
    reference = np.abs(field_along(small.antenna, 3e9, peak[None])[0] @ rolled)
    np.testing.assert_allclose(1 / np.median(ratio), reference, rtol=1.2e-4)


def test_gain_from_the_power_put_in(panel, tmp_path):
    # Closed form: partial gain 4 pi U / P, P the power put in; the antenna radiates 0.098 W.
    succeed(
        panel.path, "-o", tmp_path / "a.nsma", *FIELDS, "--up", "z", "--input-power-w", 0.1,
        "--step-deg", 30,
    )  # fmt: skip
    axis = peak_of(panel.antenna, 24e9, np.array([1, 0, -0.15]), 0.1)
    e = seen_from_behind(panel.antenna, 24e9, axis, np.array([0, 0, 1.0]), "V", np.zeros(1))[0, 0]
    gain = 4 * np.pi * abs(e) ** 2 / (2 * WAVE_IMPEDANCE) / 0.1
    assert read_nsma(tmp_path / "a.nsma").fields["MDGAIN"] == f"{10 * np.log10(gain):.2f}"


def panel_peak(panel):
    """Closed-form components up and right (2,) at the panel's peak."""
    axis = peak_of(panel.antenna, 24e9, np.array([1, 0, -0.15]), 0.1)
    up = np.array([0, 0, 1.0])
    return seen_from_behind(panel.antenna, 24e9, axis, up, "V", np.zeros(1))[:, 0]


@pytest.mark.parametrize(
    ("names", "share"),
    [(("radiation_efficiency", "total_efficiency"), 0.5), (("total_efficiency",), 0.25)],
)
def test_gain_of_a_result_that_knows_the_power(panel, tmp_path, names, share):
    # Gain is partial directivity times efficiency (closed form). Of both efficiencies, that of the
    # power accepted gives the gain.
    stated = {"radiation_efficiency": ([0.5], "1", "a"), "total_efficiency": ([0.25], "1", "b")}
    modes = io.read_result(panel.path).modes
    io.write_result(tmp_path / "r.h5", modes=modes, scalars={name: stated[name] for name in names})
    words = (tmp_path / "r.h5", "-o", tmp_path / "a.nsma", *FIELDS, "--up", "z", "--step-deg", 30)
    succeed(*words)
    wanted = share * directivity_of(panel.antenna, 24e9, panel_peak(panel)[:1])[0]
    assert read_nsma(tmp_path / "a.nsma").fields["MDGAIN"] == f"{10 * np.log10(wanted):.2f}"
    # What is given comes first.
    succeed(*words, "--overwrite", "--gain-dbi", 3)
    assert read_nsma(tmp_path / "a.nsma").fields["MDGAIN"] == "3.00"


def test_gain_above_directivity_is_told(panel, tmp_path):
    words = (panel.path, "-o", tmp_path / "a.nsma", *FIELDS, "--up", "z", "--step-deg", 30)
    done = run(*words, "--gain-dbi", 25.83)
    assert done.code == 0
    (line,) = done.err.splitlines()
    # 22.827 dBi is the partial directivity (closed form, as above): 3.003 dB are a factor 1.997.
    assert line.startswith("warning, the gain 25.83 dBi is above the directivity 22.83 dBi of the ")
    assert "polarisation V at the peak, 24 GHz: an efficiency of 199.7 %; check gain, power" in line
    assert (tmp_path / "a.nsma").exists()
    succeed(*words, "--gain-dbi", 22.82, "--overwrite")


def test_directivity_is_not_gain(small, relative, tmp_path):
    out = ("-o", tmp_path / "a.nsma", *FIELDS, "--up", "z")
    says = "a pattern file needs the gain, and the directivity, "
    assert_refused(tmp_path, small.path, *out, says=says)
    line = run(small.path, *out).err
    assert (
        "the gain is less by the losses in the antenna: give the gain (--gain-dbi), or the" in line
    )
    assert_refused(tmp_path, relative, *out, says=says)
    assert run(relative, *out).err.endswith(": give the gain (--gain-dbi)\n")
    says = "the power put in gives the gain of absolute data, and these are relative: give the gain"
    assert_refused(tmp_path, relative, *out, "--input-power-w", 0.01, says=says)
    succeed(relative, *out, "--gain-dbi", 1)
    assert read_nsma(tmp_path / "a.nsma").fields["MDGAIN"] == "1.00"
    twice = (*out, "--overwrite", "--gain-dbi", 1, "--input-power-w", 0.01)
    assert_refused(tmp_path, small.path, *twice, says="the gain is given twice, in dBi and by the")


def test_gain_belongs_to_the_middle_of_the_band():
    # z-dipoles of growing power: at an input of 1 W the gain is 1.5 P_rad (closed form).
    q = np.sqrt(2 * np.array([0.1, 0.2, 0.3, 0.4, 0.5]))[:, None] * -Z_DIPOLE.coefficients
    q *= np.sign(Z_DIPOLE.coefficients[0, 3].real)
    modes = Modes([1e9, 1.1e9, 1.4e9, 1.6e9, 2e9], q)
    fields = {"ANTMAN": "Example", "MODNUM": "1", "ELTILT": "0,0"}
    angle = np.radians([-90, 0, 90])
    found = nsma_pattern(modes, up=[0, 0, 2], angle=angle, fields=fields, input_power=1.0)
    assert found.fields["MDGAIN"] == f"{10 * np.log10(1.5 * 0.3):.2f}"
    assert (found.fields["LOWFRQ"], found.fields["HGHFRQ"]) == ("1000", "2000")
    assert found.fields["COMNT2"] == "Great circles through the peak of each frequency"
    assert [c[0].polarisation for c in found.cuts] == ["V/V"] * 5
    for cuts in found.cuts:
        # E_theta ~ sin theta: in the horizontal cut all the same, in the vertical one cos; nothing
        # horizontal: rounding, far below 200 dB or written as that.
        np.testing.assert_allclose(cuts[0].level_db, 0, atol=1e-9)
        assert cuts[2].level_db[0] < -190
        assert max(cuts[1].level_db.max(), cuts[3].level_db.max()) < -190
        assert min(c.level_db.min() for c in cuts) >= -200


def test_fields_of_the_user_come_first(small, tmp_path):
    more = ("LOWFRQ=2700", "HGHFRQ=3100", "PATTYP=envelope", "COMNT1=mine", "AZWIDT=70",
            "DESCR1=a = b")  # fmt: skip
    words = [x for word in more for x in ("--field", word)]
    succeed(small.path, "-o", tmp_path / "a.nsma", *NSMA, *words, "--step-deg", 30)
    found = read_nsma(tmp_path / "a.nsma").fields
    assert {f"{k}={v}" for k, v in found.items()} >= set(more)
    assert set(found) >= {"ELWIDT", "FRTOBA"}


def test_widths_and_ratio_where_there_are_any():
    # Closed form: a z-dipole, cos of the elevation, is 90 deg wide in the vertical cut, the same
    # all around, and as strong behind.
    dipole = nsma_of(Z_DIPOLE, up=[0, 0, 1]).fields
    assert (dipole["ELWIDT"], dipole["FRTOBA"]) == ("90.00", "0")
    assert "AZWIDT" not in dipole
    # Whatever rounding makes of a ratio of 1, there is no minus before it.
    for name in [(1, 1, 1), (2, 1, 1), (1, 2, 2), (2, 2, 2), (1, 3, 3), (2, 3, 3)]:
        alone = nsma_of(modes_of({name: 1}, 3), up=[0.3, 0.5, 0.6]).fields
        assert alone["FRTOBA"] == "0"
    # Huygens source: (1 + cos)^2 is half at cos = sqrt 2 - 1, in every cut; nothing behind, which
    # two characters cannot say.
    source = nsma_of().fields
    width = f"{2 * np.degrees(np.arccos(2**0.5 - 1)):.2f}"
    assert (source["AZWIDT"], source["ELWIDT"]) == (width, width)
    assert "FRTOBA" not in source
    # With as little of the magnetic dipole missing as to have 99 dB and 100 dB:
    # (2 - x)/x is the ratio of the fields in front and behind.
    for decibels, says in ((99.4, "99"), (99.6, None)):
        x = 2 / (1 + 10 ** (decibels / 20))
        weak = modes_of({(2, -1, 1): -1, (2, 1, 1): 1, (1, 1, 1): x - 1, (1, -1, 1): x - 1})
        assert nsma_of(weak).fields.get("FRTOBA") == says


def test_widths_are_those_of_the_co_polarisation_in_the_middle_of_the_band():
    # Closed form, towards +z with y up: a Huygens source along x is (1 + cos) wide by Ludwig-3, a
    # dipole along y cos in the vertical cut. Of both together each polarisation has its own.
    dipole = modes_of({(2, 1, 1): -1j, (2, -1, 1): -1j})
    both = Modes([1e9], HUYGENS.coefficients + dipole.coefficients)
    wide = f"{2 * np.degrees(np.arccos(2**0.5 - 1)):.2f}"
    found = nsma_of(both, polarisation="H").fields
    assert (found["AZWIDT"], found["ELWIDT"]) == (wide, wide)
    found = nsma_of(both, polarisation="V").fields
    assert found["ELWIDT"] == "90.00"
    assert "AZWIDT" not in found
    # Of three frequencies, the one in the middle.
    along_x = modes_of({(2, 1, 1): 1, (2, -1, 1): -1}).coefficients
    q = np.concatenate([HUYGENS.coefficients, along_x, HUYGENS.coefficients])
    three = nsma_of(Modes([1e9, 1.5e9, 2e9], q), polarisation="H").fields
    assert (three["AZWIDT"], three["FRTOBA"]) == ("90.00", "0")
    assert "ELWIDT" not in three


def test_circular_polarisation_is_found():
    # Closed form: a turnstile x - jy radiates right-hand circular towards +z.
    angle, fields = np.radians([0.0, 10.0]), {"ANTMAN": "E", "MODNUM": "1", "ELTILT": "0,0"}
    common = {"up": [0, 1, 0], "angle": angle, "fields": fields, "gain_dbi": 1.7}
    found = nsma_pattern(TURNSTILE, through=(0.0, 0.0), **common)
    assert found.cuts[0][0].polarisation == "RCP/RCP"
    mirrored = modes_of({(2, -1, 1): (-1 + 1j * -1j) / 2**0.5, (2, 1, 1): (1 + 1j * -1j) / 2**0.5})
    found = nsma_pattern(mirrored, through=(0.0, 0.0), **common)
    assert found.cuts[0][0].polarisation == "LCP/LCP"
    for name in ("V", "H", "SLR", "SLL"):
        # All of a circular wave's linear components are 3 dB down: no polarisation is at fault.
        got = nsma_pattern(TURNSTILE, polarisation=name, **{**common, "gain_dbi": -1.3})
        assert got.cuts[0][0].polarisation == f"{name}/{name}"
        assert got.warnings == ()


def nsma_of(modes=HUYGENS, **changes):
    """A pattern of a Huygens source towards +z, some arguments changed."""
    given = {
        "up": [0, 1, 0], "angle": [0.0], "gain_dbi": 1.0,
        "fields": {"ANTMAN": "E", "MODNUM": "1", "ELTILT": "0,0"},
    }  # fmt: skip
    return nsma_pattern(modes, **{**given, **changes})


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"polarisation": "X"}, "polarisation is 'X', expected one of V, H, SLR, SLL, RCP, LCP"),
        ({"polarisation": "V"}, "no field of polarisation V at the peak, 1 GHz: choose the polari"),
        (
            {"fields": {"MDGAIN": "1"}},
            "MDGAIN follows from the gain, given in dBi: leave the field",
        ),
        ({"fields": {"GUNITS": "A/B"}}, "GUNITS follows from the gain, given in dBi: leave the"),
        ({"up": [0, 0, 1]}, "the axis of the cuts, theta 0 deg, points up or down: give another"),
        ({"up": [1e-4, 0, -1]}, "points up or down: .*another axis"),
        ({"up": [0, 0, 0]}, "up is .*, expected three components that are not all zero"),
        ({"up": [0, 1]}, "up is .*, expected three components"),
        ({"gain_dbi": None, "input_power": 0.0}, "input_power is 0.0 W, expected a positive power"),
        (
            {"gain_dbi": None, "input_power": np.nan},
            "input_power is nan W, expected a positive pow",
        ),
        ({"gain_dbi": np.inf}, "gain_dbi is inf"),
        ({"gain_dbi": None, "input_power": [1, 2]}, "input_power has 2 values for 1 frequencies"),
        ({"modes": modes_of({})}, r"radiated power is 0 W at 1e\+09 Hz: directivity is not"),
    ],
)
def test_patterns_that_cannot_be_made(changes, says):
    # The Huygens source of the check values is polarised along x: horizontal where y is up.
    assert nsma_of().cuts[0][0].polarisation == "H/H"
    with pytest.raises(ValueError, match=says) as error:
        nsma_of(**changes)
    assert "\n" not in str(error.value)


# --- refused ------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["a.csv", "a.h5", "a.nsma"])
def test_no_file_is_overwritten(small, tmp_path, name):
    options = NSMA if name == "a.nsma" else ()
    old = tmp_path / name
    old.write_bytes(b"precious")
    words = (small.path, "-o", old, *options)
    assert_refused(tmp_path, *words, says=f"{old}: exists: choose another name or give --overwri")
    succeed(*words, "--overwrite")
    assert old.read_bytes() != b"precious"
    input_ = tmp_path / "copy.h5"
    input_.write_bytes(small.path.read_bytes())
    words = (input_, "-o", input_, "--overwrite", "--what", "levels")
    assert_refused(
        tmp_path, *words, says="is an input of this command: choose another name for the"
    )
    words = (small.path, "-o", tmp_path / "no" / name, *options)
    assert_refused(tmp_path, *words, says="there is no folder")


def test_a_failure_leaves_the_old_file(small, tmp_path):
    old = tmp_path / "a.nsma"
    old.write_bytes(b"precious")
    words = (small.path, "-o", old, "--overwrite", *NSMA, "--field", "CONTYP=" + "x" * 80)
    assert_refused(tmp_path, *words, says=f"nf2ff: {old}: CONTYP is ")


USAGE = {
    "no kind": (("a.txt",), "--what is needed: a.txt ends in none of .h5, .csv, .nsma"),
    "strange option": (("a.csv", "--gain-dbi", 3), "--gain-dbi belongs to nsma, not to cuts"),
    "another": (
        ("a.csv", "--what", "levels", "--step-deg", 3),
        "--step-deg belongs to cuts and nsma, not to levels: leave it out",
    ),
    "default value": (
        ("a.h5", "--basis", "theta-phi"), "--basis belongs to levels and cuts, not to field"
    ),
    "flag": (("a.csv", "--with-phase"), "--with-phase belongs to nsma, not to cuts"),
    "cut": (("a.nsma", *NSMA, "--phi-deg", 0), "--phi-deg belongs to cuts, not to nsma"),
    "angle": (
        ("a.csv", "--reference-angle-deg", 3),
        "--reference-angle-deg belongs to ludwig-3 and linear, not to theta-phi: leave it out",
    ),
    "through": (
        ("a.csv", "--through", 190, 0),
        "--through is 190 0, expected theta from 0 to 180 deg, phi within 360",
    ),
    "text under a name of HDF5": (
        ("a.h5", "--what", "cuts"), "cuts is written as text, a.h5 is a name of HDF5: choose anot",
    ),
    "levels under a name of HDF5": (
        ("a.H5", "--what", "levels"), "levels is written as text, a.H5 is a name of HDF5",
    ),
    "plane": (("a.csv", "--plane-deg", "inf"), "--plane-deg is inf, expected an angle in degrees"),
    "azimuth": (("a.csv", "--phi-deg", 0, "--phi-deg", "nan"), "--phi-deg is nan, expected an ang"),
    "cone": (("a.csv", "--theta-deg", "-inf"), "--theta-deg is -inf, expected an angle in degrees"),
    "no slant": (
        ("a.csv", "--basis", "linear", "--reference-angle-deg", "nan"),
        "--reference-angle-deg is nan, expected an angle in degrees",
    ),
    "through nowhere": (("a.csv", "--through", 90, "nan"), "--through is 90 nan, expected theta"),
    "nothing for nsma": (
        ("a.nsma",),
        "a pattern file also needs --field ANTMAN=MANUFACTURER, --field MODNUM=MODEL, --field "
        "ELTILT=NOMINAL,TOLERANCE, --up AXIS",
    ),
    "no mounting": (("a.nsma", *FIELDS), "a pattern file also needs --up AXIS"),
    "no value": (("a.nsma", *NSMA, "--field", "CONTYP"), "--field is 'CONTYP', expected TAG=VALUE"),
    "no tag": (("a.nsma", *NSMA, "--field", "COLOUR=red"), "--field is 'COLOUR=red', expected TAG"),
    "gain as field": (("a.nsma", *NSMA, "--field", "MDGAIN=3"), "--field is 'MDGAIN=3', expected"),
    "derived": (("a.nsma", *NSMA, "--field", "NOFREQ=3"), "--field is 'NOFREQ=3', expected TAG=VA"),
    "twice": (("a.nsma", *NSMA, "--field", "MODNUM=2"), "each tag once, of COMNT1, COMNT2, ANTMAN"),
}  # fmt: skip


@pytest.mark.parametrize(("words", "says"), USAGE.values(), ids=USAGE)
def test_wrong_use(small, tmp_path, words, says):
    output, *options = words
    assert_refused(tmp_path, small.path, "-o", tmp_path / output, *options, says=says, code=2)


STEPS = {
    "levels": (("--what", "levels"), "--theta-step-deg", 180),
    "field": (("--what", "field"), "--phi-step-deg", 360),
    "cuts": ((), "--step-deg", 360),
}


@pytest.mark.parametrize("value", [7, 0, -5, "nan", "inf"])
@pytest.mark.parametrize("what", STEPS)
def test_steps_that_do_not_divide(small, tmp_path, what, value):
    options, name, whole = STEPS[what]
    says = f"{name} is {float(value):g}, expected a step that divides {whole} deg evenly"
    assert_refused(tmp_path, small.path, "-o", tmp_path / "a.csv", *options, name, value, says=says)


@pytest.mark.parametrize(
    ("name", "options"),
    [
        ("a.csv", ("--what", "levels", "--theta-step-deg", 0.01)),
        ("a.h5", ("--phi-step-deg", 0.01)),
        ("a.csv", ("--step-deg", 0.00001)),
        ("a.csv", ("--step-deg", 1e-12)),
        ("a.h5", ("--phi-step-deg", 1e-12)),
        ("a.nsma", (*NSMA, "--step-deg", 0.0001)),
    ],
)
def test_too_many_rows(small, tmp_path, name, options):
    words = (small.path, "-o", tmp_path / name, *options)
    assert_refused(tmp_path, *words, says=": use coarser steps or fewer frequencies (--freq")


def test_a_stored_grid_too_large_for_text(small, tmp_path, monkeypatch):
    monkeypatch.setattr(exporting, "LARGEST_TABLE", 1000)
    for what in ("levels", "field"):
        words = (small.path, "-o", tmp_path / "a.csv", "--what", what)
        assert_refused(
            tmp_path, *words, says="1368 directions times frequencies, more than 1000: u"
        )
    succeed(small.path, "-o", tmp_path / "a.h5")


def test_files_that_hold_something_else(small, tmp_path):
    antenna = small.antenna
    samples = simulate_grid(antenna, frequency=[3e9], grid=equiangular_grid(7, 12), radius=0.4)
    io.write_samples(tmp_path / "s.h5", samples)
    io.write_table(tmp_path / "s.csv", samples)
    io.write_probe(tmp_path / "p.h5", field_probe())
    io.write_pattern(tmp_path / "p.csv", io.read_result(small.path).far_field)
    (tmp_path / "t.txt").write_text("nothing")
    (tmp_path / "e.csv").write_text("theta_deg,phi_deg,frequency_hz,eirp_dbm")
    (tmp_path / "p.nsma").write_text("REVNUM:,NSMA WG16.99.050")
    (tmp_path / "a.toml").write_text(ANTENNA)
    write_levels(tmp_path / "l.csv", io.read_result(small.path).far_field)
    (tmp_path / "n.h5").write_bytes(b"\x89HDF\r\n\x1a\n broken")
    for name, holds in (
        ("s.h5", "holds samples, expected a result: give what nf2ff transform writes"),
        ("s.csv", "holds samples, expected a result"),
        ("e.csv", "holds power without phase, expected a result"),
        ("p.h5", "holds a probe, expected a result"),
        ("p.csv", "holds a pattern, expected a result"),
        ("p.nsma", "holds an NSMA pattern, expected a result"),
        ("l.csv", "holds levels that export wrote: give the result that they were made of"),
        ("a.toml", "is TOML, expected a native file or a CSV table (theta_deg,"),
        ("t.txt", "is neither a native file nor a CSV table"),
        ("n.h5", "cannot be read"),
        ("none.h5", "no such file"),
    ):
        words = (tmp_path / name, "-o", tmp_path / "a.csv")
        assert_refused(tmp_path, *words, says=f"nf2ff: {tmp_path / name}: {holds}")


def test_inspect_knows_what_export_wrote(small, tmp_path):
    write_levels(tmp_path / "l.csv", io.read_result(small.path).far_field)
    write_cuts(tmp_path / "c.csv", HUYGENS, angle=[0.0, 1.0], plane=[0.0])
    for name in ("l.csv", "c.csv"):
        for reads in (describe, io.read_samples):
            with pytest.raises(ValueError, match=rf"{name}: holds levels that export wrote: give"):
                reads(tmp_path / name)


def test_dark_frequency(tmp_path):
    io.write_modes(tmp_path / "m.h5", Modes([1e9, 2e9], np.eye(2, 6)[::-1] * [[0], [1]]))
    for name, options in (("a.csv", ()), ("b.csv", ("--what", "levels")), ("c.nsma", NSMA)):
        words = (tmp_path / "m.h5", "-o", tmp_path / name, *options)
        says = f"nf2ff: {tmp_path / 'm.h5'}: radiated power is 0 W at 1e+09 Hz: directivity"
        assert_refused(tmp_path, *words, says=says)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({}, "no cut is asked for: give one of phi, theta, plane"),
        ({"theta": [0.1, 3.2]}, "the cut theta is 183.346 deg, expected a cone from 0 to 180 deg"),
        ({"phi": [0.0], "basis": "slant"}, "basis is 'slant', expected one of theta-phi, ludwig-3"),
        ({"phi": [0.0], "angle": [0.0, 4.0]}, "theta"),
        ({"phi": [np.nan]}, "phi is nan"),
        ({"plane": [0.0], "through": (np.nan, 0.0)}, "through is nan at index"),
        ({"phi": [0.0], "reference_angle": 1.0}, "reference_angle applies to 'ludwig-3'"),
    ],
)
def test_cuts_without_sense(tmp_path, changes, says):
    given = {"angle": [0.0, 1.0], **changes}
    with pytest.raises(ValueError, match=says):
        write_cuts(tmp_path / "a.csv", HUYGENS, **given)
    assert not list(tmp_path.iterdir())


def test_levels_in_no_basis(tmp_path):
    with pytest.raises(ValueError, match="basis is 'slant', expected one of theta-phi, ludwig-3"):
        write_levels(tmp_path / "a.csv", far_field(HUYGENS, theta=[0.0], phi=[0.0]), basis="slant")


def test_help_says_what_gain_is_not():
    done = run("--help")
    assert done.code == 0
    text = " ".join(done.out.split())
    assert "Directivity is not gain: a pattern file needs --gain-dbi or --input-power-w" in text
    assert isinstance(export, click.Command)
    for name in exporting.ONLY:
        assert "--" + name.replace("_", "-") in done.out
        assert name in {x.name for x in export.params}


def test_hdf5_opens_in_other_programs(small, tmp_path):
    succeed(small.path, "-o", tmp_path / "a.h5", "--theta-step-deg", 30)
    with h5py.File(tmp_path / "a.h5") as file:
        assert file["far_field/e_theta"].attrs["units"] == "V"
        assert [axis[0].name for axis in file["far_field/e_phi"].dims] == [
            "/far_field/frequency", "/far_field/theta", "/far_field/phi",
        ]  # fmt: skip
