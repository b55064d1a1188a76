"""`nf2ff export`: tables and pattern files against closed forms of the fields.

The closed forms are those of dipoles (`closed_form.far_field_of`), which share nothing with the
modes that are exported; directions and polarisation vectors are built here, in Cartesian
components.
"""

import csv
import dataclasses
import json

import commands
import numpy as np
import pytest
from export_cases import (
    NSMA,
    assert_refused,
    directivity_of,
    field_along,
    peak_of,
    run,
    spherical,
    succeed,
    vectors,
)
from patterns import HUYGENS, Z_DIPOLE, modes_of

from nf2ff.antenna.closed_form import far_field_of, radiated_power_of
from nf2ff.antenna.far_field import FarField, far_field, trusted_around
from nf2ff.antenna.modes import WAVE_IMPEDANCE, Modes
from nf2ff.io import levels, native, safe, tables
from nf2ff.io.levels import write_levels
from nf2ff.io.nsma_reader import read_nsma
from nf2ff.metrics.result import Result


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
    """Components by the formulas of `metrics.polarisation.components`' sources, written anew."""
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
    out = succeed(small.path, "-o", tmp_path / "a.csv", "--what", "levels", "--basis", basis, *options)
    assert out == f"{tmp_path / 'a.csv'}: 19 x 36 directions, 2 frequencies\n"
    found = table(tmp_path / "a.csv")
    a, b = names
    assert list(found) == [
        "frequency_hz",
        "theta_deg",
        "phi_deg",
        "directivity_dbi",
        f"{a}_dbi",
        f"{b}_dbi",
        "eirp_dbm",
        f"{a}_phase_deg",
        f"{b}_phase_deg",
        "trusted",
        "over_peak_db",
        "axial_ratio_db",
    ]
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
        # Closed form: major over minor axis of the ellipse, by its circular components.
        right, left = (abs(x) for x in in_basis(e[0][0], e[1][0], phi, "circular", 0.0))
        ratio = 20 * np.log10((right + left) / abs(right - left))
        far = ratio < 40  # beyond, the six decimals of the field do not tell
        np.testing.assert_allclose(part["axial_ratio_db"][far], ratio[far], atol=1e-4)
        top = part["directivity_dbi"].max()
        np.testing.assert_allclose(part["over_peak_db"], part["directivity_dbi"] - top, atol=1.6e-6)


def test_gain_where_the_power_is_known(tmp_path):
    steps = ("--theta-step-deg", 7.5, "--phi-step-deg", 7.5)
    scan = commands.simulated(tmp_path / "scan.h5", *steps)
    words = ("--input-power-w", 2, "--accepted-power-w", 1)
    result = tmp_path / "r.h5"
    commands.succeed("transform", scan, "-o", result, *words)
    known = json.loads(commands.succeed("inspect", result, "--json"))
    for what, more in (("levels", ()), ("cuts", ("--plane-deg", 0))):
        path = tmp_path / f"{what}.csv"
        succeed(result, "-o", path, "--what", what, *more)
        found = table(path)
        for name, power in (("gain_dbi", 1), ("realised_gain_dbi", 2)):
            # Closed form: EIRP over the power put in.
            wanted = found["eirp_dbm"] - 10 * np.log10(power / 1e-3)
            np.testing.assert_allclose(found[name], wanted, atol=2e-6)
    at_peak = found["angle_deg"] == 0
    np.testing.assert_allclose(found["gain_dbi"][at_peak], known["peak_gain_dbi"], atol=1e-6)
    np.testing.assert_allclose(found["over_peak_db"][at_peak], 0, atol=1e-6)


def test_rows_are_the_same_in_blocks(small, tmp_path, monkeypatch):
    succeed(small.path, "-o", tmp_path / "a.csv", "--what", "levels")
    monkeypatch.setattr(levels, "_BLOCK", 100)
    succeed(small.path, "-o", tmp_path / "b.csv", "--what", "levels")
    assert (tmp_path / "a.csv").read_bytes() == (tmp_path / "b.csv").read_bytes()


def test_no_level_where_there_is_no_field(tmp_path):
    # A z-dipole has neither field on the axis nor E_phi anywhere: D = 1.5 sin^2 (closed form).
    field = far_field(Z_DIPOLE, theta=[0, np.pi / 2], phi=[0.0])
    exact = dataclasses.replace(field, e_phi=0 * field.e_phi, e_theta=field.e_theta * [[[0], [1]]])
    write_levels(tmp_path / "a.csv", exact)
    lines = (tmp_path / "a.csv").read_text().splitlines()
    assert lines[1] == "1000000000.0,0.0,0.0,,,,,,,1,,"
    cells = lines[2].split(",")
    assert (cells[3], cells[5], cells[8]) == ("1.760913", "", "")
    assert cells[10:] == ["0.000000", ""]  # the peak itself; linear, without an axial ratio


def test_no_negative_zero(tmp_path):
    # Directivity 1 to the last digit but one, below.
    field = FarField([1e9], [1.0], [0.0], [[[1 - 1e-9j]]], [[[0.0]]], [2 * np.pi / WAVE_IMPEDANCE])
    write_levels(tmp_path / "a.csv", field)
    row = (tmp_path / "a.csv").read_text().splitlines()[1].split(",")
    assert (row[3], row[7]) == ("0.000000", "0.0000")


def test_field_as_a_pattern(small, tmp_path):
    out = succeed(small.path, "-o", tmp_path / "a.csv", "--what", "field")
    assert out == f"{tmp_path / 'a.csv'}: 19 x 36 directions, 2 frequencies\n"
    found = tables.read_pattern(tmp_path / "a.csv")
    wanted = native.read_result(small.path).far_field
    np.testing.assert_array_equal(found.frequency, wanted.frequency)
    np.testing.assert_array_equal(found.e_theta[:, 0], wanted.e_theta)
    np.testing.assert_array_equal(found.e_phi[:, 0], wanted.e_phi)


def test_field_as_a_native_file(small, tmp_path):
    out = succeed(small.path, "-o", tmp_path / "a.h5")
    assert out == f"{tmp_path / 'a.h5'}: 19 x 36 directions, 2 frequencies\n"
    found, wanted = (native.read_far_field(tmp_path / "a.h5"), native.read_result(small.path).far_field)
    for name in ("frequency", "theta", "phi", "e_theta", "e_phi", "radiated_power"):
        np.testing.assert_array_equal(getattr(found, name), getattr(wanted, name))
    assert found.reference == "absolute"
    origin = native.read_provenance(tmp_path / "a.h5")
    assert safe.sha256(small.path) in origin["inputs"]
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
    found = native.read_far_field(tmp_path / "a.h5")
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
        native.write_modes(path, modes_of({(2, 0, 1): -1}, degree))
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


def cut_rows(found, kind, position, frequency):
    keep = (found["cut"] == kind) & (found["cut_deg"] == position)
    keep &= found["frequency_hz"] == frequency
    return {name: values[keep] for name, values in found.items()}


# --- cuts ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("basis", BASES)
def test_cuts_through_z_and_about_it(small, tmp_path, basis):
    options, names = BASES[basis]
    out = succeed(
        small.path,
        "-o",
        tmp_path / "a.csv",
        "--basis",
        basis,
        *options,
        "--phi-deg",
        30,
        "--theta-deg",
        70,
        "--theta-deg",
        110.5,
        "--step-deg",
        7.5,
    )
    assert out == f"{tmp_path / 'a.csv'}: 3 cuts of 48 directions, 2 frequencies\n"
    found = table(tmp_path / "a.csv")
    assert list(found)[:6] == ["frequency_hz", "cut", "cut_deg", "angle_deg", "theta_deg", "phi_deg"]
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


@pytest.mark.slow
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
            parts = in_basis(np.sum(e * along, -1), np.sum(e * normal, -1), psi, basis, np.radians(25))
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
    native.write_modes(tmp_path / "m.h5", Modes([1e9, 2e9], [q, np.where(s == 1, -q, q)]))
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
    assert native.read_far_field(tmp_path / "f.h5").reference == "relative"


@pytest.fixture
def partly(small, tmp_path):
    """The small result, of which theta > 130 deg and phi from 100 to 200 deg were not seen."""
    found = native.read_result(small.path)
    t, p = np.meshgrid(found.far_field.theta, found.far_field.phi, indexing="ij")
    lost = (t > np.radians(131)) | ((p > np.radians(99)) & (p < np.radians(201)))
    # All of it was seen at the first frequency.
    mark = np.stack([np.ones_like(lost), ~lost])
    field = dataclasses.replace(found.far_field, trusted=mark)
    sentences = [["the first"], ["the second", "and another"]]
    native.write_result(tmp_path / "partly.h5", Result(found.modes, field, warnings=sentences))
    return tmp_path / "partly.h5", field


# --- what was seen ------------------------------------------------------------------------------


def test_directions_not_to_trust_are_marked(partly, tmp_path):
    path, field = partly
    lost = f"{100 * (1 - field.trusted_fraction()[1]):.3g} % of the directions were not seen"
    done = run(path, "-o", tmp_path / "a.csv", "--what", "levels")
    assert done.code == 0
    assert done.err.splitlines() == [
        "warning, 2.8 GHz: the first",
        "warning, 3 GHz: the second",
        "warning, 3 GHz: and another",
        f"warning, {lost}: do not trust the far field there",
    ]
    np.testing.assert_array_equal(table(tmp_path / "a.csv")["trusted"].reshape(2, 19, 36), field.trusted)
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
    finer = native.read_far_field(tmp_path / "c.h5").trusted
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


@pytest.mark.slow
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


@pytest.mark.slow
@pytest.mark.parametrize("asked", [2.9, -3, "nan", "inf", 0])
def test_frequency_that_is_not_there(small, tmp_path, asked):
    words = (small.path, "-o", tmp_path / "a.csv", "--frequency-ghz", asked)
    says = "GHz: give that as --frequency-ghz"
    assert_refused(tmp_path, *words, says=says)
    assert f"holds no {asked} GHz, the nearest of its 2 frequencies is " in run(*words).err
