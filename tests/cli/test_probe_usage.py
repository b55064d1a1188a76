"""Wrong usage of probes and levels: refused in one clear line."""

import dataclasses
import re

import numpy as np
import pytest
from cli_probe_cases import CHAIN, FREQUENCY, STEPS, write_pattern
from commands import assert_refused, run, simulated

from nf2ff.antenna.modes import WAVE_IMPEDANCE, wavenumber
from nf2ff.io import native
from nf2ff.metrics.result import Powers, Result
from nf2ff.metrics.transformation import transform_samples

USAGE = [
    (["--extrapolate-probe"], "--extrapolate-probe needs --probe"),
    (["--first-order", "--method", "quadrature"], "--first-order needs --probe"),
    (
        ["--probe-largest-order", "3", "--response-unit", "sqrt(W)"],
        "--probe-largest-order needs --probe: the ideal field probe has the orders +-1 alone",
    ),
    (
        ["--probe", "probe.h5", "--probe-largest-order", 3, "--first-order", "--method", "quadrature"],
        "--first-order takes the orders +-1 alone: leave it or --probe-largest-order out",
    ),
    (["--probe", "probe.h5", "--first-order"], "--first-order needs --method: quadrature or least"),
    (
        ["--probe", "probe.h5", "--first-order", "--method", "direct"],
        "--first-order belongs to quadrature and least squares, not to direct",
    ),
    (
        ["--gain-transfer", "chain.toml"],
        "--gain-transfer and --reference-result belong together: give both or neither",
    ),
    (
        ["--reference-result", "probe.h5"],
        "--gain-transfer and --reference-result belong together: give both or neither",
    ),
    (
        ["--gain-transfer", "chain.toml", "--reference-result", "probe.h5"],
        "--gain-transfer needs --input-power-w, to which the level of the result refers",
    ),
]


@pytest.mark.parametrize(("options", "says"), USAGE)
def test_options_that_belong_together(room, tmp_path, monkeypatch, options, says):
    monkeypatch.chdir(room.folder)
    done = run("transform", "scan.h5", "-o", tmp_path / "out.h5", *options)
    assert (done.code, done.out) == (2, "")
    assert f"Error: {says}" in done.err
    assert not list(tmp_path.iterdir())


RELATIVE = ("--probe", "probe.h5")


REFUSED = {
    "power of zero": (
        "scan.h5",
        [*RELATIVE, "--input-power-w", 0],
        r"^nf2ff: --input-power-w is 0, expected watts above 0, 1e-30 to 1e30: dBm are 10\^\(level/10\) mW$",
    ),
    "power in dBm": (
        "scan.h5",
        [*RELATIVE, "--accepted-power-w", -10],
        r"^nf2ff: --accepted-power-w is -10, expected watts above 0",
    ),
    "power that is none": (
        "scan.h5",
        [*RELATIVE, "--input-power-w", "nan"],
        "--input-power-w is nan, expected watts",
    ),
    "more accepted than incident": (
        "scan.h5",
        [*RELATIVE, "--input-power-w", 1, "--accepted-power-w", 1.1],
        "--accepted-power-w is 1.1, more than the 1 W that --input-power-w says are incident: a po",
    ),
    "gain of relative responses": (
        "relative_scan.h5",
        [*RELATIVE, "--input-power-w", 1],
        r"relative_scan.h5: realised gain needs absolute data, and the responses are relative: "
        r"state the unit of a table \(--response-unit\), tie them to watts \(--level\), or compare "
        r"with an antenna of known gain \(--gain-transfer\)$",
    ),
    "gain with a relative probe": (
        "scan.h5",
        ["--probe", "relative_probe.h5", "--accepted-power-w", 1],
        r"relative_probe.h5: gain needs absolute data, and the probe is relative: give it the "
        r"level of 1 W into its port, or compare with an antenna of known gain \(--gain-trans",
    ),
    "level set twice by substitution": (
        "scan.h5",
        [
            *RELATIVE,
            "--gain-transfer",
            "transfer.toml",
            "--reference-result",
            "reference.h5",
            "--input-power-w",
            1,
        ],
        r"scan.h5: is absolute \(sqrt\(W\)\): --gain-transfer would set its level twice: leave it "
        r"out, or state no unit for a table$",
    ),
    "absolute reference": (
        "relative_scan.h5",
        [
            *RELATIVE,
            "--gain-transfer",
            "transfer.toml",
            "--reference-result",
            "absolute.h5",
            "--input-power-w",
            1,
        ],
        "absolute.h5: is absolute, the scan is relative: transform both alike, in the same range a",
    ),
    "reference that is no result": (
        "relative_scan.h5",
        [
            *RELATIVE,
            "--gain-transfer",
            "transfer.toml",
            "--reference-result",
            "scan.h5",
            "--input-power-w",
            1,
        ],
        "scan.h5: has no group /modes: it is a file of kind samples",
    ),
    "chain for readings that are waves": (
        "scan.h5",
        [*RELATIVE, "--level", "chain.toml"],
        r"chain.toml: the responses are sqrt\(W\), and the chain starts from relative: leave the c",
    ),
    "chain that is a transfer": (
        "readings.csv",
        [*RELATIVE, "--level", "transfer.toml"],
        r"transfer.toml: has .*expected tables \[\[step\]\]",
    ),
    "transfer that is a chain": (
        "relative_scan.h5",
        [
            *RELATIVE,
            "--gain-transfer",
            "chain.toml",
            "--reference-result",
            "reference.h5",
            "--input-power-w",
            1,
        ],
        r"chain.toml: key 'step' is unknown.*: expected name, table, gain_dbi",
    ),
    "probe of another unit": (
        "scan.h5",
        [],
        r"scan.h5: the responses are in sqrt\(W\), the probe answers in V/m: state",
    ),
    "probe with a level to state": (
        "scan.h5",
        ["--probe", "reference_absolute.h5"],
        r"reference_absolute.h5: is absolute: state the power that went into the probe's port, or "
        r"take its level as unknown, when it is imported \(nf2ff import --input-power-w or --relat",
    ),
    "probe that is a scan": (
        "scan.h5",
        ["--probe", "copy.h5"],
        "copy.h5: holds samples: expected a probe, a pattern, a",
    ),
    "two time conventions": (
        "readings.csv",
        ["--probe", "pattern.csv", "--response-unit", "sqrt(W)", "--time-convention", "exp(-iwt)"],
        r"pattern.csv: --time-convention is that of the scan: import the pattern first, with its "
        r"own \(nf2ff import --time-convention\)$",
    ),
    "probe of one port": (
        "scan.h5",
        ["--probe", "one_port.csv"],
        "scan.h5: the samples use port 2, the probe has 1 port: give a probe with that port$",
    ),
    "three offsets for two ports": (
        "scan.h5",
        [*RELATIVE, *(3 * ["--probe-chi-offset-deg", 1])],
        "--probe-chi-offset-deg is given 3 times, the probe has 2 ports: give it once for all po",
    ),
    "two offsets for the ideal probe": (
        "scan.h5",
        2 * ["--probe-chi-offset-deg", 1],
        "--probe-chi-offset-deg is given 2 times, the probe has 1 port: give it once for all po",
    ),
    "more than a turn": (
        "scan.h5",
        [*RELATIVE, "--probe-chi-offset-deg", 361],
        "--probe-chi-offset-deg is 361, expected degrees from -360 to 360$",
    ),
    "a tilt that looks past the antenna": (
        "scan.h5",
        [*RELATIVE, "--probe-tilt-y-deg", -90],
        "--probe-tilt-y-deg is -90, expected degrees from -45 to 45$",
    ),
    "a tilt that is none": (
        "scan.h5",
        [*RELATIVE, "--probe-tilt-x-deg", "nan"],
        "--probe-tilt-x-deg is nan, expected",
    ),
    "scan that is a probe": ("probe.h5", [], "probe.h5: has no group /samples: it is a file of ki"),
}


@pytest.fixture(scope="module")
def more_files(room, readings, substitution):
    """Files for the refusals, beside those of the range."""
    assert readings.exists()
    assert len(substitution) == 4
    absolute = dataclasses.replace(native.read_modes(room["reference.h5"]), reference="absolute")
    for name in ("absolute.h5", "reference_absolute.h5"):
        native.write_result(room[name], Result(absolute))
    done = run("import", room["pattern.csv"], "-o", room["relative_probe.h5"], "--relative")
    assert done.code == 0
    write_pattern(room["one_port.csv"], room.ports[:1], numbers=[1])
    return room


@pytest.mark.slow
@pytest.mark.parametrize(("scan", "options", "says"), REFUSED.values(), ids=REFUSED)
def test_transform_refuses(more_files, tmp_path, monkeypatch, scan, options, says):
    monkeypatch.chdir(more_files.folder)
    before = sorted(more_files.folder.iterdir())
    done = run("transform", scan, "-o", tmp_path / "out.h5", *options)
    assert (done.code, done.out) == (1, "")
    *told, line = done.err.splitlines()
    assert all(x.startswith("probe: ") for x in told)
    assert re.search(says, line), line
    assert sorted(more_files.folder.iterdir()) == before
    assert not list(tmp_path.iterdir())


@pytest.mark.slow
def test_frequency_that_the_reference_lacks(room, substitution, tmp_path):
    samples = native.read_samples(room["relative_scan.h5"])
    moved = dataclasses.replace(samples, frequency=FREQUENCY - np.array([0, 1e6]))
    native.write_samples(tmp_path / "scan.h5", moved)
    words = ("--probe", room["probe.h5"], *substitution, "--input-power-w", 1)
    assert_refused(
        tmp_path,
        "transform",
        tmp_path / "scan.h5",
        "-o",
        tmp_path / "out.h5",
        *words,
        says="scan.h5: the reference antenna was not measured at 3.399 GHz, its 2 frequencies are",
    )


def test_tables_of_a_level_are_not_written_over(room, readings, tmp_path):
    chain = tmp_path / "chain.toml"
    # Under a name that a result may have.
    chain.write_text(CHAIN.replace("cable.csv", "cable.dat"), encoding="utf-8")
    (tmp_path / "cable.dat").write_bytes(room["cable.csv"].read_bytes())
    assert_refused(
        tmp_path,
        "transform",
        readings,
        "-o",
        tmp_path / "cable.dat",
        "--overwrite",
        "--probe",
        room["probe.h5"],
        "--level",
        chain,
        says="cable.dat.*input",
    )


IMPORTS = {
    "two scans": (["scan.h5", "copy.h5"], [], "copy.h5: a scan is one file: import each by itself"),
    "a scan with options of a probe": (
        ["scan.h5"],
        ["--relative"],
        "scan.h5: holds samples: leave the options of a probe out",
    ),
    "a scan with a probe's radius": (
        ["scan.h5"],
        ["--probe-radius-m", 0.1],
        "scan.h5: holds samples: leave the options of a pr",
    ),
    "a probe with a unit of responses": (
        ["pattern.csv"],
        ["--response-unit", "relative"],
        "pattern.csv: is not a table of samples: leave the response unit out",
    ),
    "a pattern and more": (["pattern.csv", "probe.h5"], [], ": holds all ports of a probe: give it alone"),
    "a port and a scan": (
        ["reference.h5", "scan.h5"],
        [],
        "scan.h5: holds samples: expected a probe, a pattern, a f",
    ),
    "level known and unknown": (
        ["pattern.csv"],
        ["--relative", "--input-power-w", 1],
        "the level is to be relative, but an input power is stated: give one of them",
    ),
    "no power": (["pattern.csv"], ["--input-power-w", 0], "input_power is 0.0 W, expected a numb"),
    "a radius below zero": (
        ["pattern.csv"],
        ["--probe-radius-m", -0.1],
        "minimum_radius is -0.1 m, expected a number",
    ),
    "a level for a finished probe": (
        ["probe.h5"],
        ["--input-power-w", 1],
        "probe.h5: is a finished probe: leave level, degree,",
    ),
    "missing parts of modes": (
        ["reference.h5"],
        ["--zero-missing"],
        "reference.h5: holds modes, which cover the whole",
    ),
    "a level for what is relative": (
        ["reference.h5"],
        ["--input-power-w", 1],
        "reference.h5: is relative: an input power gives",
    ),
    "an absolute port without its power": (
        ["absolute.h5"],
        [],
        r"absolute.h5: is absolute: state the power .*--input-power-w or",
    ),
    "ports with a gap": (["gap.csv"], [], "gap.csv: port is 1, 3: expected all numbers from 1 on,"),
    "dipoles": (["x.toml"], [], "x.toml: is TOML, expected a native file or a CSV table"),
}


@pytest.mark.parametrize(("names", "options", "says"), IMPORTS.values(), ids=IMPORTS)
def test_import_refuses(more_files, tmp_path, monkeypatch, names, options, says):
    monkeypatch.chdir(more_files.folder)
    if "gap.csv" in names:
        write_pattern(tmp_path / "gap.csv", more_files.ports, numbers=[1, 3])
        names = [tmp_path / "gap.csv"]
    assert_refused(tmp_path, "import", *names, "-o", tmp_path / "out.h5", *options, says=says)


def test_simulate_with_a_probe_says_what_it_wrote(room, tmp_path):
    # Two ports at two chi: four times the positions, waves in sqrt(W).
    samples = native.read_samples(room["scan.h5"])
    assert samples.response_unit == "sqrt(W)"
    assert samples.response.shape == (2, 4 * 19 * 36)
    assert samples.ports() == [1, 2]
    one = tmp_path / "one.toml"
    one.write_text("[[dipole]]\nposition_m = [0, 0, 0]\nelectric_a_m = [1, 0, 0]\n")
    table = simulated(tmp_path / "scan.csv", *STEPS, "--probe", one)
    got = native.read_samples(table, response_unit="sqrt(W)")
    ideal = native.read_samples(simulated(tmp_path / "ideal.csv", *STEPS))
    # A short dipole of 1 W receives w = -p E/(2v), p of 1 W: k^2 Z0 p^2/(12 pi) = 1, v = sqrt 2.
    k = float(wavenumber(3e9))
    p = np.sqrt(12 * np.pi / (k**2 * WAVE_IMPEDANCE))
    np.testing.assert_allclose(got.response, -p * ideal.response / (2 * np.sqrt(2)), rtol=1e-9)


@pytest.mark.slow
def test_powers_need_a_level_in_the_library_too(room):
    samples = dataclasses.replace(native.read_samples(room["scan.h5"]), response_unit="relative")
    probe = native.read_probe(room["probe.h5"])
    for powers, figure in ((Powers(1.0), "total"), (Powers(accepted=1.0), "radiation")):
        with pytest.raises(ValueError, match=f"^{figure} efficiency needs absolute data: these sa"):
            transform_samples(samples, probe, degree=10, powers=powers)
