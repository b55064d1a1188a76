"""`nf2ff compare`: two files of one antenna, with differences that were made."""

import json

import numpy as np
import pytest
from commands import run, succeed

from nf2ff.antenna.far_field import far_field
from nf2ff.antenna.grids import grid_for_degree
from nf2ff.antenna.modes import Modes, mode_count, mode_index, rotate
from nf2ff.io.native import write_far_field, write_modes
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
