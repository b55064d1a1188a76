"""Outputs in the way, unusable options, wrong usage: nothing is overwritten."""

import os
import re
import shutil
import subprocess
import sys

import pytest
from commands import ANTENNA, assert_file_refused, assert_refused, run, simulated, snapshot, start

import nf2ff
from nf2ff.io import native

COARSE = ("--theta-step-deg", 15, "--phi-step-deg", 15)


@pytest.fixture(scope="module")
def table(tmp_path_factory):
    """A good table: 13 x 24 positions, two polarisations, 3 GHz."""
    return simulated(tmp_path_factory.mktemp("table") / "scan.csv", *COARSE)


@pytest.fixture(autouse=True)
def own_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


# --- outputs ------------------------------------------------------------------------------------


def commands_that_write(table):
    antenna = table.with_suffix(".toml")
    yield ("simulate", antenna, "--frequency-ghz", 3, "--radius-m", 0.4), antenna
    yield ("import", table), table
    yield ("transform", table), table


def test_output_exists(table, tmp_path):
    (tmp_path / "out.h5").write_bytes(b"precious")
    says = "out.h5: exists: choose another name or give --overwrite"
    for words, _ in commands_that_write(table):
        assert_refused(tmp_path, *words, "-o", "out.h5", says=says)


@pytest.mark.parametrize("options", [[], ["--overwrite"]])
def test_output_equals_input(table, options, tmp_path):
    (tmp_path / "here").symlink_to(table.parent)
    says = "is an input of this command: choose another name"
    for words, given in commands_that_write(table):
        for output in (given, tmp_path / "here" / given.name):
            assert_refused(table.parent, *words, "-o", output, *options, says=says)
    native.write_probe("probe.h5", nf2ff.field_probe())
    words = ("transform", table, "--probe", "probe.h5", "-o", "./probe.h5", *options)
    assert_refused(tmp_path, *words, says=says)


def test_the_output_is_a_folder(table, tmp_path):
    (tmp_path / "there").mkdir()
    for words, _ in commands_that_write(table):
        for name in ("there", "there/", "absent/"):
            done = run(*words, "-o", name, "--overwrite")
            assert done == (2, "", f"nf2ff: {name}: is the name of a folder, expected that of a file\n")
    assert snapshot(tmp_path) == {tmp_path / "there": None}


def test_an_empty_name(table):
    says = "nf2ff: the name of a file is empty, as of a variable that is not set: give one\n"
    for words, _ in commands_that_write(table):
        assert run(*words, "-o", "") == (2, "", says)


def test_folder_of_the_output_is_missing(table, tmp_path, monkeypatch):
    monkeypatch.setattr("nf2ff.metrics.transformation.solve", None)  # said before the work, not after
    says = "absent/out.h5: there is no folder absent: make it first"
    for words, _ in commands_that_write(table):
        assert_refused(tmp_path, *words, "-o", "absent/out.h5", says=says)


def test_write_that_fails_leaves_the_old_file(table, tmp_path, monkeypatch):
    def fail(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", fail)
    (tmp_path / "out.h5").write_bytes(b"precious")
    says = r"out.h5: cannot be written \(No space left on device\): free space"
    for words, _ in commands_that_write(table):
        assert_refused(tmp_path, *words, "-o", "out.h5", "--overwrite", says=says)


def test_too_little_memory(table, tmp_path, monkeypatch):
    def fail(*_, **__):
        raise MemoryError

    monkeypatch.setattr("nf2ff.metrics.transformation.solve", fail)
    says = "not enough memory: use fewer frequencies"
    assert_refused(tmp_path, "transform", table, "-o", "out.h5", says=says)


def test_demo_refuses_a_folder_in_use(tmp_path):
    (tmp_path / "used").mkdir()
    (tmp_path / "used" / "thesis.txt").write_text("precious")
    assert_refused(tmp_path, "demo", "-o", "used", says="used: is not empty: choose another folder")


# --- simulate -----------------------------------------------------------------------------------

DIPOLE = "[[dipole]]\nposition_m = [0, 0, 0.01]\n"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[[dipole", r"is not TOML \("),
        ("a = " + 10000 * "[", "is nested too deeply"),
        ("", r"has nothing, expected tables \[\[dipole\]\] only"),
        ("[dipole]\nposition_m = [0, 0, 0]\n", r"has \['dipole'\], expected tables"),
        ("dipole = [1]", r"has \['dipole'\], expected tables"),
        (ANTENNA + "\n[mast]\nheight = 3\n", r"has \['dipole', 'mast'\], expected tables"),
        (DIPOLE, r"dipole 1 has \['position_m'\], expected position_m and electric_a_m and/or"),
        (DIPOLE + "moment = [1, 0, 0]", r"dipole 1 has \['moment', 'position_m'\], expected"),
        (DIPOLE + "electric_a_m = [1, 0]", r"electric_a_m of dipole 1 is \[1, 0\], expected three"),
        (DIPOLE + "electric_a_m = 1", r"electric_a_m of dipole 1 is 1, expected three"),
        (DIPOLE + "electric_a_m = [1, [1], 0]", r"is \[1, \[1\], 0\], .*as \[real, imaginary\]"),
        (DIPOLE + "electric_a_m = ['1', 0, 0]", r"is \['1', 0, 0\], expected three finite numb"),
        (DIPOLE + "electric_a_m = [true, 0, 0]", r"is \[True, 0, 0\], expected three finite"),
        (DIPOLE + "electric_a_m = [nan, 0, 0]", r"is \[nan, 0, 0\], expected three finite"),
        (DIPOLE + f"electric_a_m = [1{400 * '0'}, 0, 0]", r"is \[10+, expected three finite"),
        (DIPOLE + "electric_a_m = [0, 0, 0]", "all moments are zero: nothing would radiate"),
        ("[[dipole]]\nposition_m = [[0, 1], 0, 0]\nelectric_a_m = [1, 0, 0]", "position_m of dip"),
    ],
)
def test_antenna_that_cannot_be_read(tmp_path, text, says):
    file = tmp_path / "antenna.toml"
    file.write_text(text, encoding="utf-8")
    options = ("--frequency-ghz", 3, "--radius-m", 0.4)
    assert_file_refused(tmp_path, "simulate", file, *options, says=says)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"--frequency-ghz": 0}, "--frequency-ghz is 0, expected a number above 0"),
        ({"--frequency-ghz": "nan"}, "--frequency-ghz is nan, expected a number above 0"),
        ({"--radius-m": 0.04}, r"--radius-m is 0.04, but .* as far as 0.043\d+ m .*: scan outside"),
        ({"--radius-m": -1}, "--radius-m is -1, but .*: scan outside"),
        ({"--radius-m": "inf"}, "--radius-m is inf, expected a number above 0, at most 1e6"),
        ({"--theta-step-deg": 7}, "--theta-step-deg is 7, expected a step that divides 180 deg ev"),
        ({"--phi-step-deg": 0}, "--phi-step-deg is 0, expected a step that divides 360 deg evenly"),
        ({"--phi-step-deg": 360}, "a grid of 37 x 1 directions is too small"),
        ({"--phi-step-deg": 1e-5}, "2664000000 samples, more than 50000000: use coarser steps"),
        ({"--noise": -1}, "noise is -1.0, expected a root mean square value"),
    ],
)
def test_scan_that_cannot_be_simulated(table, tmp_path, change, says):
    options = {"--frequency-ghz": 3, "--radius-m": 0.4} | change
    words = [x for pair in options.items() for x in pair]
    antenna = table.with_suffix(".toml")
    assert_refused(tmp_path, "simulate", antenna, "-o", "out.csv", *words, says=says)


# --- options ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--theta-step-deg", 7], "--theta-step-deg is 7, expected a step that divides 180 deg"),
        (["--phi-step-deg", -5], "--phi-step-deg is -5, expected a step that divides 360 deg"),
        (["--phi-step-deg", "nan"], "--phi-step-deg is nan, expected a step that divides 360"),
        (["--theta-step-deg", 400], "--theta-step-deg is 400, expected a step that divides 180"),
        (["--rtol", 2], "rtol is 2.0, expected between 0 and 1"),
        (["--damping", -1], "damping is -1.0, expected 0"),
    ],
)
def test_value_of_an_option(table, tmp_path, options, says):
    assert_refused(tmp_path, "transform", table, "-o", "out.h5", *options, says=f"nf2ff: {says}")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["transform", "scan.csv"], "Missing option '-o' / '--output'"),
        (["transform", "-o", "out.h5"], "Missing argument 'SCAN'"),
        (["transform", "scan.csv", "-o", "out.h5", "--deegree", "3"], "No such option '--deegree'"),
        (["transform", "scan.csv", "-o", "out.h5", "--degree", "3.5"], "not a valid integer"),
        (["transform", "scan.csv", "-o", "out.h5", "--time-convention", "x"], "is not one of"),
        (["transform", "scan.csv", "-o", "out.h5", "--response-unit", "mV"], "is not one of"),
        (["transform", "scan.csv", "-o", "out.h5", "--method", "magic"], "is not one of"),
        (
            ["transform", "scan.csv", "-o", "out.h5", "--method", "direct", "--rtol", "1e-3"],
            "--rtol and --damping belong to least squares, not to direct",
        ),
        (["simulate", "scan.toml", "-o", "out.h5", "--radius-m", "1"], "'--frequency-ghz'"),
        (
            [
                "simulate",
                "scan.toml",
                "-o",
                "out.h5",
                "--radius-m",
                "1",
                "--frequency-ghz",
                "3",
                "--seed",
                "-1",
            ],
            "'--seed'",
        ),
        (["improt", "scan.csv"], "No such command 'improt'"),
        ([], "Commands:"),
    ],
)
def test_usage(table, tmp_path, words, says):
    for name in ("scan.csv", "scan.toml"):
        shutil.copy(table.with_name(name), tmp_path)
    before = snapshot(tmp_path)
    done = run(*words)
    assert (done.code, done.out) == (2, "")
    assert done.err.startswith("Usage: nf2ff ")
    assert says in " ".join(done.err.split())
    assert snapshot(tmp_path) == before


@pytest.mark.slow
def test_as_a_program(table, tmp_path):
    text = table.read_text(encoding="utf-8").replace("\n15.0,", "\n15.0x,")
    (tmp_path / "scan.csv").write_text(text, encoding="utf-8")
    before = snapshot(tmp_path)
    done = start("transform", "scan.csv", "-o", "out.h5", "--json", folder=tmp_path)
    assert (done.code, done.out) == (1, "")
    says = "nf2ff: scan.csv, line 26, column theta_deg: is '15.0x': expected a number"
    assert re.fullmatch(rf"{says}[^\n]*\n", done.err)
    done = start("transform", "scan.csv", "-o", "out.h5", "--jsn", folder=tmp_path)
    assert (done.code, done.out) == (2, "")
    assert snapshot(tmp_path) == before


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="pipes break otherwise there")
def test_a_reader_that_has_seen_enough_is_no_error(table):
    # As with `| head`: the other end of the pipe is closed.
    ours, theirs = os.pipe()
    os.close(ours)
    words = [sys.executable, "-m", "nf2ff", "inspect", str(table)]
    done = subprocess.run(words, stdout=theirs, stderr=subprocess.PIPE, check=False)
    os.close(theirs)
    assert done.stderr == b""
