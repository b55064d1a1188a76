"""The command that finds out what is wrong with a set-up, on scans whose faults are known."""

import json
import re
from dataclasses import replace

import numpy as np
import pytest
from alignment_cases import (
    Faults,
    cluster,
    error_db,
    huygens_pair,
    measured,
    probe_of,
    record,
    true_modes,
)
from commands import assert_refused, run, succeed

from nf2ff.io import native, tables
from nf2ff.io.alignment_toml import read_alignment_file

DEGREE = 8
TERMS = """
degree = 8
[[error]]
kind = "axis-zero"
axis = "theta"
offset_deg = 0.5
[[error]]
kind = "thermal-ramp"
phase_deg = 15
[[error]]
kind = "receiver-noise"
rms_db = -50
"""


@pytest.fixture
def made(tmp_path):
    """Write a scan with a zero of theta off by 0.4 deg and 20 deg of drift; its antenna."""

    def make(scan="equal-area + 2"):
        ports, antenna, place = huygens_pair(), cluster(2.0, seed=3, count=5), record(scan, DEGREE)
        share = place.time / place.time.max()
        faults = Faults(theta=np.radians(0.4), gain=1j * np.radians(20) * share)
        samples = measured(place, antenna, ports, faults)
        native.write_samples(tmp_path / "scan.h5", samples)
        tables.write_table(tmp_path / "scan.csv", samples)
        native.write_probe(tmp_path / "probe.h5", probe_of(ports, degree=1))
        (tmp_path / "terms.toml").write_text(TERMS)
        return antenna

    return make


def arguments(tmp_path, scan="scan.h5", output="aligned.h5"):
    return (
        "align", tmp_path / scan, "-o", tmp_path / output, "--terms", tmp_path / "terms.toml",
        "--probe", tmp_path / "probe.h5",
    )  # fmt: skip


def test_a_scan_is_set_right(made, tmp_path):
    antenna = made()
    out = succeed(*arguments(tmp_path), "--plot", tmp_path / "a.png", "--left", tmp_path / "left.toml")
    left = read_alignment_file(tmp_path / "left.toml").terms
    assert [x.name for x in left] == ["axis-zero", "thermal-ramp", "receiver-noise"]
    assert 0 < left[0].offset < 0.1 * np.radians(0.5)
    assert 0 < left[1].phase < 0.05 * np.radians(15)
    assert left[2].rms == pytest.approx(10 ** (-50 / 20))
    assert out.index("seen by the scan") < out.index("estimate")
    assert "zero of theta" in out
    assert "reduced chi-square: " in out
    assert "A residual at the noise proves nothing" in out
    assert (tmp_path / "a.png").stat().st_size > 20_000
    told = native.read_provenance(tmp_path / "aligned.h5")["alignment"]
    assert "corrected at 9.99308193 GHz" in told
    assert "linear drift, phase" in told
    errors = []
    for name in ("scan.h5", "aligned.h5"):
        run(
            "transform", tmp_path / name, "-o", tmp_path / f"of-{name}", "--probe", tmp_path / "probe.h5",
            "--degree", DEGREE,
        )  # fmt: skip
        modes = native.read_result(tmp_path / f"of-{name}").modes
        errors.append(error_db(modes, true_modes(antenna, DEGREE)))
    assert errors[0] > -25
    # Noise of -50 dB of the largest, and what two parameters add.
    assert errors[1] < -40


def test_json_and_tables(made, tmp_path):
    made()
    facts = json.loads(succeed(*arguments(tmp_path, "scan.csv"), "--json", "--response-unit", "sqrt(W)"))
    values = {x["name"]: x for x in facts["estimates"]}
    for name, wanted in (("zero of theta", np.radians(0.4)), ("linear drift, phase", np.radians(20))):
        one = values[name]
        assert one["value"] == pytest.approx(wanted, abs=4 * one["uncertainty"])
        assert one["unit"] == "rad"
    assert facts["not_seen"] == []
    assert "A cable whose phase follows theta" in facts["caveats"][0]
    assert facts["far_field_db"]["aligned"] < -40
    assert native.read_samples(tmp_path / "aligned.h5").time is not None


def test_what_is_not_seen_is_told(made, tmp_path):
    made("equal-area")
    facts = json.loads(run(*arguments(tmp_path), "--json").out)
    assert "linear drift, phase" in facts["not_seen"][0]["partners"]
    assert any("the scan does not see linear drift, phase" in x for x in facts["warnings"])
    assert any("cuts through the poles" in x for x in facts["warnings"])


def write_two(tmp_path, *, extra=0.0, spoilt=()):
    """Two frequencies, as good as equal; at the lower an ``extra`` gain, and readings that are wrong."""
    ports, antenna, place = huygens_pair(), cluster(2.0, seed=3, count=5), record("grid +-180", DEGREE)
    lower, upper = (measured(place, antenna, ports, Faults(), seed=x) for x in (1, 2))
    response = np.concatenate([lower.response * np.exp(extra * np.sin(place.phi)), upper.response])
    response[0, list(spoilt)] += 0.3 * np.abs(response).max()
    frequency = upper.frequency[0] * np.array([1 - 1e-7, 1.0])
    samples = replace(upper, frequency=frequency, response=response)
    native.write_samples(tmp_path / "scan.h5", samples)
    native.write_probe(tmp_path / "probe.h5", replace(probe_of(ports, degree=1), frequency=None))
    (tmp_path / "terms.toml").write_text(TERMS.replace("thermal-ramp", "channel-imbalance"))


@pytest.mark.slow
def test_every_frequency_is_told(tmp_path):
    write_two(tmp_path, spoilt=(20, 70))
    done = run(*arguments(tmp_path), "--left", tmp_path / "left.toml")
    assert re.search(r"warning, 9.9930809\d+ GHz: 2 of \d+ samples are set aside", done.err)
    told = native.read_provenance(tmp_path / "aligned.h5")["alignment"]
    assert "set aside: samples 21, 71" in told
    assert told.count("far field uncertain by") == 2
    assert "A residual at the noise proves nothing" in told
    assert "# A residual at the noise proves nothing" in (tmp_path / "left.toml").read_text()


@pytest.mark.slow
def test_a_scan_that_is_not_explained_is_not_written(tmp_path):
    write_two(tmp_path, extra=1j * np.radians(5))
    says = r"reduced chi-square is \d.*name terms that may be missing, such as cable-flexing"
    assert_refused(tmp_path, *arguments(tmp_path), says=says)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('[[error]]\nkind = "axis-zero"\naxis = "phi"\noffset_deg = 1\n', "no scan sees the zero of phi"),
        ('[[error]]\nkind = "axis-zero"\naxis = "theta"\noffset_deg = 0\n', "axis-zero has a prior of zero"),
        ('[[error]]\nkind = "axis-zero"\naxis = "theta"\n', "error 1 .*: offset is missing"),
        (TERMS.replace("15", "1e300"), "error 2 .*: phase_deg is 1e.300, expected .* at most 1e.12"),
        ("degrees = 3\n", "degrees"),
        ("", "there is nothing to estimate"),
    ],
)  # fmt: skip
def test_refused(made, tmp_path, text, says):
    made()
    (tmp_path / "terms.toml").write_text(text)
    assert_refused(tmp_path, *arguments(tmp_path), says=says)


@pytest.mark.parametrize("options", [("--degree", 0), ("--frequency-ghz", "nan")])
def test_options_that_are_refused(made, tmp_path, options):
    made()
    says = "degree is 0, expected at least 1" if 0 in options else "holds no nan GHz, the nearest"
    assert_refused(tmp_path, *arguments(tmp_path), *options, says=says)


def test_the_template_is_read(tmp_path):
    path = tmp_path / "t.toml"
    text = succeed("align", "--template")
    path.write_text(text)
    assert len(read_alignment_file(path).terms) == 7
    # Examples that are commented out are read too.
    lines = [
        x[2:] if x.startswith("# ") and (" = " in x or x.startswith("# [[")) else x for x in text.splitlines()
    ]
    path.write_text("\n".join(lines))
    found = read_alignment_file(path)
    assert found.degree == 24
    assert len(found.terms) == 11
