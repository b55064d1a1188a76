"""Scans without a phase reference, transformed as a user does it."""

import json
import re
import shlex
from dataclasses import replace

import numpy as np
import pytest
from commands import run
from phaseless_cases import DEGREE, NOISE_DB, amplitudes, cluster, grid_positions, phaseless_scan

from nf2ff.antenna.closed_form import radiated_power_of
from nf2ff.io.native import read_result, read_samples, write_samples
from nf2ff.io.tables import write_table

GIVEN = ("--degree", DEGREE, "--noise-db", NOISE_DB)
#: 0.35 m at a wavelength of 1 m.
SIZE_GIVEN = ("--minimum-radius-m", 0.35, "--noise-db", NOISE_DB)


@pytest.fixture(scope="module")
def cuts():
    """A scan on one sphere whose phases hold along cuts."""
    return phaseless_scan(cluster(2), grid_positions((1.4,)), "cuts", seed=2)[0]


@pytest.mark.parametrize(
    ("options", "code", "says"),
    [
        (("--noise-db", "nan"), 2, "--noise-db is nan, expected decibels, -200 to 200"),
        (("--noise-db", "1e308"), 2, "--noise-db is 1e+308, expected decibels, -200 to 200"),
        (("--seed", "-1"), 2, "-1 is not in the range x>=0"),
        # Deviances so large that nothing added to them changes them.
        (("--noise-db", "-200"), 1, "times the misfit that noise explains"),
    ],
)
def test_numbers_beyond_measure(cuts, tmp_path, options, code, says):
    write_samples(tmp_path / "scan.h5", cuts)
    words = ("transform", tmp_path / "scan.h5", "-o", tmp_path / "r.h5", "--degree", DEGREE, "--starts", 2)
    done = run(*words, *options)
    assert (done.code, done.out) == (code, "")
    assert says in done.err


@pytest.mark.slow
def test_powers_on_two_spheres_become_a_certified_result(tmp_path):
    antenna = cluster(2)
    samples, *_ = phaseless_scan(antenna, grid_positions(), "nothing", seed=2)
    write_table(tmp_path / "scan.csv", amplitudes(samples))
    out = tmp_path / "result.h5"
    done = run("transform", tmp_path / "scan.csv", "-o", out, *GIVEN, "--response-unit", "V/m", "--json")
    assert done.code == 0, done.err
    assert "no phase reference: certified, since" in done.err
    (fact,) = json.loads(done.out)["frequencies"]
    assert fact["certified"] == 1
    assert fact["agreeing_starts"] >= 2
    assert fact["chi_square"] == pytest.approx(1, abs=0.25)
    assert -40 < fact["far_field_error_db"] < -28
    assert any("certified" in x for x in fact["warnings"])
    # Closed form of the power, and the error of it that is predicted, 4 of it.
    exact = radiated_power_of(antenna, frequency=samples.frequency)[0]
    error = fact["radiated_power_error"]
    assert 0 < error < 0.02
    assert fact["radiated_power_w"] == pytest.approx(exact, rel=4 * error)
    found = read_result(out)
    assert found.notes["status"].startswith("phases found without a reference, certified")
    assert found.quantities["peak_directivity_error"].values[0] < 0.05


def test_a_scan_whose_phase_drifted_from_cut_to_cut_is_repaired(cuts, tmp_path):
    # As it is recorded: with phases, which are wrong between cuts.
    write_samples(tmp_path / "scan.h5", replace(cuts, coherence=None))
    done = run("transform", tmp_path / "scan.h5", "-o", tmp_path / "wrong.h5", "--degree", DEGREE)
    assert (
        "if the phase jumped from cut to cut, recover it (nf2ff transform --coherent cuts --degree N)"
        in done.err
    )
    done = run(
        *("transform", tmp_path / "scan.h5", "-o", tmp_path / "result.h5", *SIZE_GIVEN),
        *("--coherent", "cuts", "--found-phases", tmp_path / "repaired.h5"),
    )
    assert done.code == 0, done.err
    assert "certified" in done.err
    repaired = read_samples(tmp_path / "repaired.h5")
    assert repaired.coherence is None
    again = run("transform", tmp_path / "repaired.h5", "-o", tmp_path / "again.h5", "--degree", DEGREE)
    assert again.code == 0
    first, second = (read_result(tmp_path / x).modes for x in ("result.h5", "again.h5"))
    # Equal weights and those of a quadrature differ by noise: within the error of each, -40 dB.
    q = second.coefficients[0]
    apart = np.linalg.norm(first.truncate(DEGREE).coefficients[0] - q) / np.linalg.norm(q)
    assert apart < 0.01


def test_a_phase_that_jumps_from_cut_to_cut_is_told_of(cuts, tmp_path):
    write_samples(tmp_path / "scan.h5", replace(cuts, coherence=None))
    cause = "no antenna makes that these steps resolve: the reference was lost between them; recover it "
    told = run("inspect", tmp_path / "scan.h5").out
    assert cause in told
    # The command is whole: run as it is printed, it finds the power of the closed form.
    words = shlex.split(told.partition("recover it (nf2ff ")[2].partition(")")[0])
    done = run(*(tmp_path / "cured.h5" if x == "RESULT.h5" else x for x in words))
    assert done.code == 0, done.err
    assert "certified" in done.err
    cured = read_result(tmp_path / "cured.h5")
    exact = radiated_power_of(cluster(2), frequency=cuts.frequency)[0]
    error = cured.quantities["radiated_power_error"].values[0]
    assert cured.modes.radiated_power()[0] == pytest.approx(exact, rel=4 * error)
    cure = "(nf2ff transform SCAN -o RESULT.h5 --coherent cuts --degree "
    # A degree that is chosen by itself is refused for it.
    done = run("transform", tmp_path / "scan.h5", "-o", tmp_path / "result.h5")
    assert done.code == 1
    assert cure in done.err
    terms = (
        '[[error]]\nkind = "receiver-noise"\nrms_db = -50\n[[error]]\nkind = "slow-drift"\nphase_deg = 5\n'
    )
    terms += 'time = "rows"\n'
    (tmp_path / "terms.toml").write_text(terms, encoding="utf-8")
    words = ("-o", tmp_path / "aligned.h5", "--terms", tmp_path / "terms.toml", "--degree", DEGREE)
    done = run("align", tmp_path / "scan.h5", *words)
    assert done.code == 1
    assert cure in done.err


def test_the_readings_of_one_sphere_alone_are_refused(cuts, tmp_path):
    write_samples(tmp_path / "scan.h5", amplitudes(cuts))
    (tmp_path / "result.h5").write_text("old", encoding="utf-8")
    done = run("transform", tmp_path / "scan.h5", "-o", tmp_path / "result.h5", *GIVEN, "--overwrite")
    assert (done.code, done.out) == (1, "")
    assert "powers on one sphere do not determine the field" in done.err
    assert "measure a second sphere" in done.err
    assert done.err.count("\n") == 1
    assert (tmp_path / "result.h5").read_text(encoding="utf-8") == "old"


def test_nothing_that_failed_is_written(cuts, tmp_path):
    write_samples(tmp_path / "scan.h5", cuts)
    words = ("transform", tmp_path / "scan.h5", "-o", tmp_path / "result.h5", "--degree", DEGREE)
    done = run(*words, "--noise-db", NOISE_DB - 10, "--starts", 2)
    assert done.code == 1
    assert "failed: the best antenna found leaves" in done.err
    assert "check the stated noise level" in done.err
    assert not (tmp_path / "result.h5").exists()


def test_an_unbalanced_polarisation_asks_for_the_noise(cuts, tmp_path):
    # 1 dB between polarisations, which leaves what noise of -44 dB or so would.
    wrong = cuts.response * np.where(cuts.chi > 1, 10 ** (1 / 20), 1)
    write_samples(tmp_path / "scan.h5", replace(cuts, response=wrong))
    done = run("transform", tmp_path / "scan.h5", "-o", tmp_path / "result.h5", "--degree", DEGREE)
    assert done.code == 1
    assert re.search(r"ambiguous: the misfit is that of noise of -[34]\d\.\d dB of the largest", done.err)
    assert (
        "drift and distances, or if the readings really are as noisy state the noise (--noise-db)" in done.err
    )
    assert not (tmp_path / "result.h5").exists()


@pytest.mark.parametrize(
    ("words", "says", "code"),
    [
        ((), "do not tell the degree of the modes: .*--minimum-radius-m or --degree", 1),
        (("--degree", 30), "tell 741 real numbers, degree 30 has 3839 unknowns", 1),
        (("--degree", DEGREE, "--noise-db", 10), "state a level below that of the readings", 1),
        (("--degree", DEGREE, "--starts", 1), "1 is not in the range", 2),
        (("--degree", DEGREE, "--coherent", "rings"), "phases known within such groups on one sphere", 1),
    ],
)
def test_bad_input(cuts, tmp_path, words, says, code):
    write_samples(tmp_path / "scan.h5", cuts)
    done = run("transform", tmp_path / "scan.h5", "-o", tmp_path / "result.h5", *words)
    assert done.code == code
    assert re.search(says, done.err), done.err


def test_options_of_no_use_are_refused(cuts, tmp_path):
    write_samples(tmp_path / "scan.h5", replace(cuts, coherence=None))
    done = run("transform", tmp_path / "scan.h5", "-o", tmp_path / "result.h5", "--noise-db", -50)
    assert done.code == 2
    assert "no groups of coherent phase (column coherence): say by --coherent which readings" in done.err


def test_other_commands_say_what_to_do_first(cuts, tmp_path):
    write_samples(tmp_path / "scan.h5", cuts)
    (tmp_path / "b.toml").write_text(
        'metrics = ["directivity"]\n[[error]]\nkind = "leakage"\nlevel_db = -50\n', encoding="utf-8"
    )
    done = run("uncertainty", tmp_path / "scan.h5", tmp_path / "b.toml", "-o", tmp_path / "u.h5", "--linear")
    assert done.code == 1
    assert "in 19 groups of coherent phase" in done.err
    assert "nf2ff transform --found-phases FILE does so" in done.err
    assert not (tmp_path / "u.h5").exists()
    inspected = run("inspect", tmp_path / "scan.h5")
    assert re.search(r"groups of coherent phase +19", inspected.out)
