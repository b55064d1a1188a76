"""`nf2ff compare`: two files of one antenna, with differences that were made."""

import json
from dataclasses import replace

import numpy as np
import pytest
from commands import run, succeed
from matplotlib.axes import Axes

from nf2ff.antenna.far_field import far_field
from nf2ff.antenna.grids import grid_for_degree
from nf2ff.antenna.modes import Modes, mode_count, mode_index, rotate
from nf2ff.io.native import write_far_field, write_modes
from nf2ff.io.nsma import NsmaCut, NsmaPattern, write_nsma
from nf2ff.io.tables import write_pattern

FREQUENCY = np.array([10e9, 11e9])


@pytest.fixture
def antenna():
    """A few modes of both kinds: nothing about them is symmetric."""
    q = np.zeros((2, mode_count(4)), dtype=complex)
    for (s, m, n), value in {
        (1, 1, 1): 1,
        (2, 1, 1): 1j,
        (2, 0, 2): 0.3,
        (1, -2, 3): 0.2j,
        (2, 3, 4): 0.1,
    }.items():
        q[:, mode_index(s=s, m=m, n=n)] = value
    return Modes(FREQUENCY, q)


def scaled(modes, factor):
    return Modes(modes.frequency, factor * modes.coefficients, modes.reference)


@pytest.fixture
def files(antenna, tmp_path):
    write_modes(tmp_path / "a.h5", antenna)
    write_modes(tmp_path / "b.h5", scaled(antenna, 1.01))
    return tmp_path


def test_a_level_one_percent_higher_is_found(files):
    """Closed form: error and stray signal are 20 log10 0.01, the level 20 log10 1.01 = 0.0864 dB."""
    facts = json.loads(succeed("compare", files / "a.h5", files / "b.h5", "--cone-deg", 40, "--json"))
    for one in facts["frequencies"]:
        assert one["error_db"] == pytest.approx(-40, abs=1e-9)
        assert one["error_in_cone_db"] == pytest.approx(-40, abs=1e-6)
        assert one["equivalent_stray_signal_db"] == pytest.approx(-40, abs=1e-6)
        assert one["peak_offset_deg"] == pytest.approx(0, abs=1e-4)
    text = succeed("compare", files / "a.h5", files / "b.h5")
    assert "error over the sphere [dB]" in text
    assert text.count("0.086") == len(facts["frequencies"])


def test_what_is_fitted_is_said_and_no_difference_is_no_number_of_rounding(files):
    text = succeed("compare", files / "a.h5", files / "b.h5", "--fit", "level")
    assert "the second multiplied by" in text
    assert "-0.086" in text
    same = succeed("compare", files / "a.h5", files / "a.h5")
    assert "-280.00" in same


def test_a_turn_is_found_and_named(files, antenna):
    write_modes(files / "c.h5", rotate(antenna, alpha=np.radians(-2), beta=0, gamma=0))
    text = succeed("compare", files / "a.h5", files / "c.h5", "--fit", "rotation")
    assert "turned by 2.0000 deg about (0.000, 0.000, 1.000)" in text.replace("-0.000", "0.000")


def test_tables_and_far_fields_are_compared_with_modes(files, antenna):
    grid = grid_for_degree(antenna.degree + 2)
    field = far_field(antenna, theta=grid.theta, phi=grid.phi)
    write_far_field(files / "field.h5", field)
    write_pattern(files / "field.csv", field)
    for name in ("field.h5", "field.csv"):
        out = run("compare", files / "a.h5", files / name, "--json")
        assert out.code == 0
        # The table has 9 digits or more of each value.
        assert all(one["error_db"] < -150 for one in json.loads(out.out)["frequencies"])


def test_only_common_frequencies_are_compared(files, antenna):
    more = Modes(
        np.append(antenna.frequency, 20e9), np.vstack([antenna.coefficients, antenna.coefficients[:1]])
    )
    write_modes(files / "more.h5", more)
    done = run("compare", files / "a.h5", files / "more.h5")
    assert done.code == 0
    assert "1 of" in done.err
    assert "the first 20 GHz" in done.err


@pytest.mark.slow
def test_many_frequencies_are_summarised(tmp_path, antenna):
    count = 30
    hertz = np.linspace(10e9, 12e9, count)
    q = np.repeat(antenna.coefficients[:1], count, axis=0)
    write_modes(tmp_path / "a.h5", Modes(hertz, q))
    write_modes(tmp_path / "b.h5", Modes(hertz, q * np.linspace(1.001, 1.03, count)[:, None]))
    text = succeed("compare", tmp_path / "a.h5", tmp_path / "b.h5")
    assert "30 frequencies from 10 to 12 GHz" in text
    assert len(text.splitlines()) < 25
    row = next(line for line in text.splitlines() if line.startswith("error over the sphere"))
    # Closed form: 20 log10 of 0.001 and 0.03; in the middle of 30 levels are those of 0.015 and 0.016.
    middle = np.mean(20 * np.log10([0.015, 0.016]))
    assert row.split()[-5:] == ["-60.00", "10", f"{middle:.2f}", "-30.46", "12"]
    assert len(succeed("compare", tmp_path / "a.h5", tmp_path / "b.h5", "--all").splitlines()) == count + 1


@pytest.mark.parametrize(
    ("change", "options", "message"),
    [
        (None, ("--plot", "x.bmp"), "is not a picture"),
        ("frequency", (), "have no frequency in common: compare results at the same frequencies"),
        (
            "reference",
            (),
            "the first level is absolute, the second relative: let the level be fitted (--fit level)",
        ),
        (None, ("--port", 3), "has no port 3: choose from 1"),
    ],
)
def test_bad_input_ends_with_one_line(files, antenna, change, options, message):
    other = antenna
    if change == "frequency":
        other = Modes(antenna.frequency * 1.5, antenna.coefficients)
    if change == "reference":
        other = Modes(antenna.frequency, antenna.coefficients, "relative")
    write_modes(files / "c.h5", other)
    second = "c.h5"
    if options:
        grid = grid_for_degree(antenna.degree + 2)
        write_pattern(files / "c.csv", far_field(antenna, theta=grid.theta, phi=grid.phi))
        second = "c.csv"
    done = run("compare", files / "a.h5", files / second, *options)
    assert done.code == 1
    assert message in done.err
    assert done.err.count("\n") == 1


def test_a_scan_is_no_far_field(files):
    (files / "scan.csv").write_text(
        "theta_deg,phi_deg,chi_deg,radius_m,frequency_hz,real,imag\n0,0,0,1,1e9,1,0\n", encoding="ascii"
    )
    done = run("compare", files / "a.h5", files / "scan.csv")
    assert done.code == 1
    assert "holds samples, expected a far field over the whole sphere: give a result of" in done.err


def test_a_cone_of_no_angle_is_wrong_usage(files):
    done = run("compare", files / "a.h5", files / "b.h5", "--cone-deg", 0)
    assert done.code == 2
    assert "--cone-deg is 0, expected more than 0 and at most 180" in done.err


def half_seen(antenna, files):
    """A far field of b.h5 of which theta above 90 deg was not seen, and holds something else there."""
    grid = grid_for_degree(antenna.degree + 6)
    field = far_field(scaled(antenna, 1.01), theta=grid.theta, phi=grid.phi)
    there = np.broadcast_to((grid.theta <= np.pi / 2 + 1e-9)[:, None], field.e_theta.shape[1:])
    mark = np.broadcast_to(there, field.e_theta.shape)
    write_far_field(files / "half.h5", replace(field, trusted=mark))


def test_what_was_not_measured_is_left_out_beside(files, antenna):
    """Closed form: the second is 1 % higher everywhere, so the error over any part is -40 dB."""
    half_seen(antenna, files)
    done = run("compare", files / "a.h5", files / "half.h5", "--json")
    assert done.code == 0
    assert "a part of the sphere was not measured" in done.err
    for one in json.loads(done.out)["frequencies"]:
        assert one["error_measured_db"] == pytest.approx(-40, abs=1e-3)
        # Half the sphere, less up to a step of the grid, of 12 rings: sin(15 deg)/2.
        assert 0.5 - 0.13 < one["measured_fraction"] <= 0.5
        assert one["equivalent_stray_signal_measured_db"] <= -40 + 1e-6
    text = run("compare", files / "a.h5", files / "half.h5").out
    assert "error over what both measured [dB]" in text
    whole = json.loads(succeed("compare", files / "a.h5", files / "b.h5", "--json"))["frequencies"][0]
    assert whole["error_measured_db"] is None
    assert whole["measured_fraction"] == 1


@pytest.mark.slow
def test_both_and_the_difference_are_drawn(files, antenna, monkeypatch):
    half_seen(antenna, files)
    titles = []
    monkeypatch.setattr(Axes, "set_title", lambda _, text, **__: titles.append(text))
    done = run("compare", files / "a.h5", files / "half.h5", "--plot", files / "c.png")
    assert done.code == 0
    assert (files / "c.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    # The second is 1 % higher wherever it was measured.
    assert "where both were measured -40.0 dB" in titles[-1]


def nsma(path, level, *, units="DBI/DBR", plane="AZ", last=355):
    """A file of one cut of 5 deg at 10 GHz, its co-polar levels as given and a cross-polar cut of -30."""
    angle = np.arange(-180, last - 179, 5.0)
    fields = {"ANTMAN": "A", "MODNUM": "M", "LOWFRQ": "10000", "HGHFRQ": "10000", "GUNITS": units}
    fields |= {"MDGAIN": "10,0.1", "ELTILT": "0,0", "PATTYP": "typical"}
    cuts = [NsmaCut(plane, "V/V", angle, level(angle)), NsmaCut(plane, "V/H", angle, 0 * angle - 30)]
    write_nsma(path, NsmaPattern(fields, [10e9], (tuple(cuts),)))


def beam(angle):
    return np.maximum(-3 * (angle / 10) ** 2, -40.0)


def test_cuts_of_pattern_files_are_compared(files):
    """Closed form: 1 dB more at 100 deg, where the level is -40 dB; half power at sqrt(1.0034) of 10 deg."""
    nsma(files / "a.nsma", beam)
    nsma(files / "b.nsma", lambda t: beam(t) + (t == 100))
    facts = json.loads(succeed("compare", files / "a.nsma", files / "b.nsma", "--json"))
    co, cross = facts["frequencies"][0]["cuts"]
    assert co["cut"] == "AZ V/V"
    stray = 20 * np.log10(0.01 * (10 ** (1 / 20) - 1))
    assert co["equivalent_stray_signal_db"] == pytest.approx(stray, abs=1e-9)
    assert co["stray_angle_deg"] == pytest.approx(100)
    amplitude = 10 ** (beam(np.arange(-180, 176, 5.0)) / 20)
    rms = np.sqrt(np.mean(amplitude**2))
    wanted = 20 * np.log10(0.01 * (10 ** (1 / 20) - 1) / np.sqrt(72) / rms)
    assert co["error_db"] == pytest.approx(wanted, abs=1e-9)
    # The levels between 10 and 15 deg are linear from -3 to -6.75: 10 + 5 (3.0103 - 3)/3.75 deg.
    assert co["half_power_beamwidth_deg"][0] == pytest.approx(2 * (10 + 5 * 0.010300 / 3.75), abs=1e-5)
    assert cross["error_db"] == -280
    assert "amplitudes alone" in succeed("compare", files / "a.nsma", files / "b.nsma")
    fitted = succeed(
        "compare", files / "a.nsma", files / "b.nsma", "--fit", "level", "--plot", files / "n.png"
    )
    assert "AZ V/V" in fitted
    assert (files / "n.png").exists()


@pytest.mark.parametrize(
    ("other", "options", "code", "message"),
    [
        ("a.h5", (), 1, "a.h5: is no NSMA file like the other: write its cuts as one by nf2ff export"),
        ("b.nsma", ("--fit", "phase"), 2, "only the level can be fitted"),
        ("b.nsma", (), 1, "have no cut of one frequency, plane and polarisation in common"),
        ("l.nsma", (), 1, "l.nsma: levels are in LIN, expected decibels"),
        ("u.nsma", (), 1, "in DBI: let the level be fitted (--fit level)"),
    ],
)
def test_pattern_files_that_do_not_fit(files, other, options, code, message):
    nsma(files / "a.nsma", beam)
    nsma(files / "b.nsma", beam, plane="EL")
    nsma(files / "u.nsma", beam, units="DBI/DBI")
    nsma(files / "l.nsma", lambda t: 0 * t + 1, units="DBI/LIN")
    done = run("compare", files / "a.nsma", files / other, *options)
    assert done.code == code
    assert message in " ".join(done.err.replace("│", "").split())
