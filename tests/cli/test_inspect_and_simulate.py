"""`nf2ff inspect` and `nf2ff simulate` as a user runs them."""

import cmath
import json
import math
import re

import h5py
import numpy as np
import pytest
from commands import IN_FIELDS, assert_refused, put_rows, rows_of, simulated, succeed, transformed

import nf2ff
from nf2ff.io import tables
from nf2ff.io.antenna_toml import read_antenna
from nf2ff.io.native import (
    read_far_field,
    read_modes,
    read_provenance,
    read_samples,
    write_far_field,
    write_modes,
    write_probe,
)

FREQUENCY = np.array([3e9, 3.4e9])


SWEEP = ("--frequency-ghz", 3, "--frequency-ghz", 3.4)


STEPS = ("--theta-step-deg", 7.5, "--phi-step-deg", 7.5)


@pytest.fixture(scope="module")
def scan(tmp_path_factory):
    """A table of 25 x 48 positions, two frequencies; scan.toml is its antenna."""
    return simulated(tmp_path_factory.mktemp("scan") / "scan.csv", *SWEEP, *STEPS)


@pytest.fixture(scope="module")
def antenna(scan):
    return read_antenna(scan.with_suffix(".toml"))


def test_inspect_tells_how_long_a_scan_took(tmp_path):
    steps = ("--theta-step-deg", 30, "--phi-step-deg", 30)
    for more, seconds in (((), None), (("--time-step-s", 2.5), 2.5 * (2 * 7 * 12 - 1))):
        path = simulated(tmp_path / f"scan{len(more)}.csv", *steps, *more)
        assert json.loads(succeed("inspect", path, "--json")).get("duration_s") == seconds
        shown = re.findall(r"^duration \[s\] +(\S+)$", succeed("inspect", path), re.MULTILINE)
        assert shown == ([] if seconds is None else [f"{seconds:g}"])


def test_inspect_doubts_levels_and_phases_in_the_place_of_real_and_imaginary_part(tmp_path):
    steps = ("--theta-step-deg", 15, "--phi-step-deg", 15)
    rows, header = rows_of(simulated(tmp_path / "scan.csv", *steps))
    real, imag = (header.index(x) for x in ("real", "imag"))
    for cells in rows:
        w = complex(float(cells[real]), float(cells[imag]))
        cells[real], cells[imag] = repr(20 * math.log10(abs(w))), repr(math.degrees(cmath.phase(w)))
    facts = json.loads(succeed("inspect", put_rows(tmp_path / "db.csv", rows, header), "--json"))
    assert len([x for x in facts["warnings"] if "amplitudes and phases in deg" in x]) == 1
    # What follows from it is not said.
    assert not [x for x in facts["warnings"] if "same position" in x]
    facts = json.loads(succeed("inspect", tmp_path / "scan.csv", "--json"))
    assert not [x for x in facts["warnings"] if "amplitudes" in x]


def test_inspect_says_none_where_a_figure_is_not_finite(scan, tmp_path):
    # JSON has no infinity; the tail of a spectrum that ends early is -inf dB.
    transformed(scan, tmp_path / "result.h5")
    with h5py.File(tmp_path / "result.h5", "r+") as file:
        file["solution/tail_db"][:] = -np.inf, -200.25
    about = json.loads(succeed("inspect", tmp_path / "result.h5", "--json"))
    assert about["tail_db"][0] is None
    assert about["tail_db"][1] == -200.25
    shown = r"^tail \[dB\] +- +-200.25$"
    assert re.search(shown, succeed("inspect", tmp_path / "result.h5"), re.MULTILINE)


def test_a_beam_at_a_pole_has_no_azimuth(scan, tmp_path):
    transformed(scan, tmp_path / "result.h5")
    for theta, shown in ((0.005, "-"), (179.995, "-"), (60.0, "30"), (np.nan, "30")):
        with h5py.File(tmp_path / "result.h5", "r+") as file:
            file["solution/peak_theta"][:] = np.radians(theta)
            file["solution/peak_phi"][:] = np.radians(30)
        assert re.search(
            rf"^peak phi \[deg\] +{shown}$", succeed("inspect", tmp_path / "result.h5"), re.MULTILINE
        )


@pytest.mark.slow
def test_inspect_each_kind_of_file(scan, tmp_path):
    transformed(scan, tmp_path / "result.h5")
    field = read_far_field(tmp_path / "result.h5")
    write_modes(tmp_path / "modes.h5", read_modes(tmp_path / "result.h5"))
    write_far_field(tmp_path / "far_field.h5", field)
    write_probe(tmp_path / "probe.h5", nf2ff.field_probe())
    tables.write_pattern(tmp_path / "pattern.csv", field)
    expected = {
        "modes": {"degree": 23, "level": "absolute", "frequencies_ghz": [3.0, 3.4]},
        "far_field": {"directions": 91 * 180, "level": "absolute"},
        "probe": {"ports": 1, "degree": 1, "frequencies": 0, "response_unit": "V/m"},
        "pattern": {"directions": 91 * 180, "ports": 1, "frequencies_ghz": [3.0, 3.4]},
    }
    for kind, about in expected.items():
        path = tmp_path / f"{kind}.{'csv' if kind == 'pattern' else 'h5'}"
        found = json.loads(succeed("inspect", path, "--json"))
        assert found == found | about | {"file": str(path), "holds": kind.replace("_", " ")}
        lines = succeed("inspect", path).splitlines()
        names = {"frequencies_ghz": "frequencies [GHz]", "minimum_radius_m": "minimum radius [m]"}
        told = [names.get(x, x.replace("_", " ")) for x in found]
        if kind == "modes":  # differs from frequency to frequency
            told[told.index("radiated power w") :] = ["", "GHz", "radiated power [W]"]
        assert [x.split("  ")[0] for x in lines] == told


def test_inspect_says_why_it_is_no_grid(scan, tmp_path):
    rows, header = rows_of(scan)
    table = put_rows(tmp_path / "scan.csv", [x for x in rows if x[:3] != rows[60][:3]], header)
    about = json.loads(succeed("inspect", table, "--json"))
    assert about["samples_per_frequency"] == 2399
    assert about["regular_grid"] == (
        "no: 1 of 1200 positions lack a second polarisation (another chi), first at theta 7.5 deg, phi 90 deg"
    )
    assert "grid_supports_degree" not in about


@pytest.mark.parametrize(
    ("kept", "says"),
    [
        (lambda theta: theta >= 0, "the whole sphere"),
        (lambda theta: theta <= 90, r"4\d % of the sphere was not measured \(theta 9\d to 180 deg\)"),
        (
            lambda theta: not 60 < theta < 120,
            r"\d\d % of the sphere was not measured \(theta 6\d to 1[12]\d deg",
        ),
    ],
)
def test_inspect_says_what_was_not_measured(scan, tmp_path, kept, says):
    rows, header = rows_of(scan)
    at = header.index("theta_deg")
    table = put_rows(tmp_path / "part.csv", [x for x in rows if kept(float(x[at]))], header)
    (line,) = (x for x in succeed("inspect", table, *IN_FIELDS).splitlines() if x.startswith("coverage "))
    assert re.match(says, line.removeprefix("coverage ").strip()), line


def test_inspect_in_words_and_few_digits(tmp_path):
    # One z-dipole: linear everywhere, nothing at odd degrees but rounding.
    dipole = "[[dipole]]\nposition_m = [0, 0, 0]\nelectric_a_m = [0, 0, 1e-3]\n"
    scan = simulated(tmp_path / "scan.h5", *STEPS, antenna=dipole)
    transformed(scan, tmp_path / "result.h5")
    lines = [re.split(r" {2,}", x) for x in succeed("inspect", tmp_path / "result.h5").splitlines()]
    text = {x[0]: x[1] for x in lines if len(x) == 2}
    assert (text["sense"], text["partial"], text["peak seen"]) == ("linear", "no", "yes")
    # D = 1.5, closed form.
    assert text["peak directivity [dBi]"] == "1.76"
    assert text["noise floor [dB]"] == "< -280"
    assert text["axial ratio [dB]"] == "-"


def test_simulate_writes_the_closed_form(scan, antenna):
    samples = nf2ff.read_samples(scan, response_unit="V/m")
    place = {name: getattr(samples, name) for name in ("theta", "phi", "chi", "radius")}
    assert set(samples.radius) == {0.4}
    expected = nf2ff.simulate(antenna, frequency=FREQUENCY, **place)
    np.testing.assert_allclose(samples.response, expected.response, rtol=0, atol=1e-12)
    assert samples.response_unit == "V/m"
    assert nf2ff.read_samples(scan).response_unit == "relative"


def test_simulate_writes_times(tmp_path, scan):
    succeed(
        "simulate", scan.with_suffix(".toml"), "-o", tmp_path / "s.h5", "--frequency-ghz", 3, "--radius-m", 2,
        "--theta-step-deg", 90, "--phi-step-deg", 90, "--time-step-s", 0.5,
    )  # fmt: skip
    samples = read_samples(tmp_path / "s.h5")
    # 3 x 4 positions at chi = 0, then at 90 deg.
    np.testing.assert_array_equal(samples.time, 0.5 * np.arange(24))
    assert np.all(np.diff(samples.chi) >= 0)


def test_simulate_takes_each_frequency_once(scan, tmp_path):
    words = ("--frequency-ghz", 3, "--frequency-ghz", 3.0, "--radius-m", 0.4)
    antenna = scan.with_suffix(".toml")
    assert_refused(
        tmp_path,
        "simulate",
        antenna,
        "-o",
        tmp_path / "scan.csv",
        *words,
        says="--frequency-ghz is 3 twice: give each once",
    )


def test_simulate_adds_noise_by_its_seed(tmp_path):
    found = {}
    for name, seed in {"a": 1, "b": 1, "c": 2}.items():
        path = simulated(tmp_path / f"{name}.h5", *STEPS, "--noise", 1e-3, "--seed", seed)
        found[name] = nf2ff.read_samples(path).response
        assert read_provenance(path)["rng_seed"] == str(seed)
    clean = nf2ff.read_samples(simulated(tmp_path / "clean.h5", *STEPS)).response
    np.testing.assert_array_equal(found["a"], found["b"])
    for noise in (found["a"] - clean, found["c"] - clean, (found["a"] - found["c"]) / np.sqrt(2)):
        # |noise|^2 is exponential: its mean over M = 2400 samples is 1e-6 within 5 / sqrt(M).
        assert np.mean(np.abs(noise) ** 2) == pytest.approx(1e-6, rel=5 / np.sqrt(2400))
