"""``nf2ff plan``."""

import json
import re
import time

import numpy as np
import pytest
from commands import assert_refused, run, succeed

from nf2ff.io.plan_toml import plan_template


@pytest.fixture
def put(tmp_path):
    """Return a function that writes the template, changed, and returns its path."""

    def make(*changes):
        text = plan_template()
        for before, after in (('# scan = "grid"', 'scan = "grid"'), *changes):
            assert text.count(before) == 1, before
            text = text.replace(before, after)
        path = tmp_path / "plan.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return make


def test_text(put, tmp_path):
    lines = succeed("plan", put(), "--points", tmp_path / "p.csv").splitlines()
    assert lines[0] == (
        "radiating parts: 1 known; minimum sphere about the centre of rotation 2.5 cm in radius"
    )
    assert "degree of the scan: 23" in lines
    (taken,) = [x for x in lines if x.endswith("<- taken")]
    assert taken.startswith("grid, stop and go ")
    assert any(x.startswith("caution: positioners move without warning") for x in lines)
    assert any("local codes and the accredited procedure decide" in x for x in lines)
    assert lines[-1] == f"{tmp_path / 'p.csv'}: 2400 readings of the grid"
    assert len((tmp_path / "p.csv").read_text().splitlines()) == 2401
    assert succeed("plan", "--template") == plan_template()
    text = succeed("plan", put(), "-o", tmp_path / "p.json", "--plot", tmp_path / "p.svg")
    assert "<svg" in (tmp_path / "p.svg").read_text()
    assert text.endswith(f"{tmp_path / 'p.json'}: all figures of the plan\n")


def test_json(put, tmp_path):
    (line,) = succeed("plan", put(), "-o", tmp_path / "plan.json", "--json").splitlines()
    found = json.loads(line)
    assert found == json.loads((tmp_path / "plan.json").read_text())
    assert found["degree"] == 23
    assert [x["frequency_hz"] for x in found["frequencies"]] == [26.5e9, 27.5e9, 28.5e9, 29.5e9]
    (taken,) = [x for x in found["scans"] if x["taken"]]
    # (N + 2)(2N + 2) positions (closed form).
    assert (taken["positions"], taken["count"], taken["readings"]) == ("grid", 1200, 2400)
    assert [x["suits"] for x in found["ranges"]] == ["yes", "yes", "yes", "in part"]
    assert found["warnings"] == []
    assert len(found["cautions"]) == 2


def test_hard_truths_are_told(put):
    out = run(
        "plan",
        put(
            ('wanted = ["pattern", "eirp", "trp"]', 'wanted = ["eirp", "tis", "evm"]'),
            ('reference = "port"', 'reference = "none"'),
        ),
    ).out
    assert "near field with transform  in part" in out
    assert "gives power, not phase: the transform needs a second sphere" in out
    # Twice the readings of two spheres, in steps 1.25 times finer in both angles.
    head = next(x for x in out.splitlines() if x.startswith("without a phase reference, spheres 1 and 3"))
    assert "steps 1.25 times finer" in head
    assert re.search(r"powers of two polarisations +2 +7500 ", out)
    assert "TIS is the harmonic mean of EIS" in out
    assert "evm: properties of the signal received at a distance" in out
    out = run(
        "plan",
        put(("modulated = false", "modulated = true"), ('reference = "port"', 'reference = "carrier"')),
    ).out
    assert "one reference for each frequency bin, and a frozen beam for the whole scan" in out


def test_warnings_go_to_standard_error(put):
    done = run("plan", put(('scan = "grid"', 'scan = "swept-grid"')))
    assert done.code == 0
    assert "warning: to start and stop, theta runs up to 0 deg and phi up to" in done.err


def test_a_hundred_frequencies_are_quick(put):
    """101 frequencies of a device of 30 cm: under 10 s."""
    path = put(
        ("count = 4", "count = 101"),
        ("[[part]]", "[[part]]\nname = 'all'"),
        ('name = "array"\n', ""),
        ("diameter_m = 0.05", "diameter_m = 0.30"),
    )
    begin = time.process_time()
    done = run("plan", path)
    assert time.process_time() - begin < 10
    assert done.code == 0
    assert done.err.startswith("warning: the customary k r0 + 10 would be degree 103")
    assert "one sweep of 101 frequencies: 1.03 s" in done.out
    # Of so many the first and the last, which has the largest degree.
    assert len([x for x in done.out.splitlines() if x.strip().startswith(("26.5 ", "29.5 "))]) == 2


@pytest.mark.parametrize(
    ("before", "after", "says"),
    [
        ("largest_device_m = 0.5", "largest_device_m = 0.2", "the device takes a sphere of 0.3 m"),
        ("speed_deg_per_s = 20.0", "speed_deg_per_s = 0.0", "axes, phi, speed_deg_per_s is 0.0, expected"),
        ("distance_m = 0.5", "distance_m = 0.02", "distance is 0.02 m, inside the minimum sphere of 0.025 m"),
        ("distance_m = 0.5", "distance_m = 0.1", "the device turns within 0.15 m"),
        ("distance_m = 0.5", "distance_m = 5.0", "distance is 5 m, but the chamber allows 3 m"),
        ('scan = "grid"', "degree = 5", "degree 5 is wished, but degree 23 is needed"),
        ('scan = "grid"', "time_limit_h = 0.1", "a scan may take 0.1 h, but the quickest takes"),
        (
            'wanted = ["pattern", "eirp", "trp"]',
            'wanted = ["volume"]',
            "wanted is 'volume', expected some of",
        ),
    ],
)
def test_bad_input_is_one_line(put, tmp_path, before, after, says):
    path = put((before, after))
    line = assert_refused(tmp_path, "plan", path, "-o", tmp_path / "plan.json", says=says)
    assert line.startswith(f"nf2ff: {path}: ")


def test_outputs(put, tmp_path):
    path = put()
    assert_refused(tmp_path, "plan", path, "-o", path, says="input")
    same = ("-o", tmp_path / "x", "--points", tmp_path / "x")
    assert_refused(tmp_path, "plan", path, *same, says="give two names")
    assert_refused(tmp_path, "plan", tmp_path / "none.toml", says="none.toml")


#: Two Huygens sources towards +x, 1 cm apart, in a device of 5 cm.
PAIR = """
[[dipole]]
position_m = [0, -0.005, 0]
electric_a_m = [0, 0, 1e-3]
magnetic_v_m = [0, -0.3767303, 0]
[[dipole]]
position_m = [0, 0.005, 0]
electric_a_m = [0, 0, 1e-3]
magnetic_v_m = [0, -0.3767303, 0]
"""
WISHES = """
[tolerances]
eirp_db = 0.25
pointing_deg = 0.1
[[error]]
kind = "probe-gain"
amplitude = 0.01
[[error]]
kind = "axis-zero"
axis = "phi"
offset_deg = 1
"""


@pytest.mark.slow
def test_tolerances(put, tmp_path):
    path = put()
    path.write_text(path.read_text() + WISHES)
    (tmp_path / "pair.toml").write_text(PAIR)
    lines = succeed("plan", path, "--antenna", tmp_path / "pair.toml").splitlines()
    start = next(i for i, x in enumerate(lines) if x.startswith("tolerances "))
    assert lines[start].endswith("for eirp 0.25 dB, pointing-theta 0.1 deg, pointing-phi 0.1 deg:")
    # The beam turns with the zero of phi; EIRP by 20/ln(10) dB of a relative change (closed forms).
    gain, zero = lines[start + 2 : start + 4]
    assert gain.split("  ")[1:2] == ["probe-gain"]
    assert "amplitude 2.88 %" in gain
    assert "offset 0.1 deg" in zero
    assert zero.endswith("pointing-phi")
    found = json.loads(succeed("plan", path, "--antenna", tmp_path / "pair.toml", "--json"))
    assert [x["error"] for x in found["tolerances"]] == ["probe-gain", "axis-zero"]
    assert found["tolerances"][0]["alone"]["amplitude"] == pytest.approx(0.0287823, rel=1e-3)
    assert "give --antenna" in run("plan", path).err


def test_tolerances_refused(put, tmp_path):
    (tmp_path / "pair.toml").write_text(PAIR)
    path = put()
    words = ("plan", path, "--antenna", tmp_path / "pair.toml")
    assert_refused(tmp_path, *words, says=r"has no \[tolerances\]: give them, or leave --antenna out")
    plain = path.read_text()
    path.write_text(plain + WISHES.partition("[[error]]")[0])
    assert_refused(tmp_path, *words, says=r"has \[tolerances\] without \[\[error\]\]")
    path.write_text(plain + WISHES)
    (tmp_path / "pair.toml").write_text(PAIR.replace("0.005", "0.05"))
    assert_refused(tmp_path, *words, says=r"the antenna reaches 0.05 m from the centre of rotation")


def test_a_transformed_scan_is_held_against_its_plan(put, tmp_path):
    """The scan leaves out theta above 150 deg and two of four frequencies, and is 10 cm too far away."""
    plan = put()
    scan = tmp_path / "scan.csv"
    succeed("plan", plan, "--points", tmp_path / "points.csv")
    points = np.loadtxt(tmp_path / "points.csv", delimiter=",", skiprows=1)
    kept = points[points[:, 1] <= 150]
    rows = [
        f"{f},{theta},{phi % 360},{chi},0.6,1.0,0.0" for f in (26.5e9, 27.5e9) for _, theta, phi, chi in kept
    ]
    header = "frequency_hz,theta_deg,phi_deg,chi_deg,radius_m,real,imag"
    scan.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    out = run("transform", scan, "-o", tmp_path / "r.h5", "--plan", plan, "--degree", 12)
    assert out.code == 0
    for said in (
        "warning: 2 of 4 planned frequencies were not measured, the first 28.5 GHz",
        "warning: the readings are 0.6 to 0.6 m away, not 0.5 m as planned",
        "planned positions were not read at 26.5 GHz, at theta 158 to 180 deg",
        "warning: solved to degree 12, planned 23 for a tail of -60 dB",
    ):
        assert said in out.err
    plan.write_text("[device]\n", encoding="utf-8")
    assert_refused(
        tmp_path,
        *("transform", scan, "-o", tmp_path / "other.h5", "--plan", plan),
        says="plan.toml: key .frequency. is missing",
    )
