"""``nf2ff design-range``."""

import csv
import json

import numpy as np
import pytest
from commands import assert_refused, run, succeed
from range_devices import end_fire_array, modes_of

from nf2ff.antenna.modes import Modes
from nf2ff.io.budget_toml import read_budget
from nf2ff.io.design_toml import ArrayRequest, ReflectorRequest, read_design
from nf2ff.io.native import write_modes

ARRAY = """
kind = "plane-wave-array"
[array]
count = 6
size_m = 0.6
[zone]
shape = "ball"
diameter_m = 0.24
distance_m = 0.9
[frequency]
ghz = [3.0]
"""
REFLECTOR = """
kind = "reflector"
[reflector]
focal_length_m = 1.5
offset_m = 0.75
diameter_m = 1.0
rim = "serrated"
inner_diameter_m = 0.6
teeth = 30
[feed]
exponent = 6.0
[zone]
shape = "cylinder"
diameter_m = 0.3
depth_m = 0.1
distance_m = 2.5
[frequency]
ghz = [3.0, 6.0]
"""


@pytest.fixture
def put(tmp_path):
    """Return a function that writes a design, with changes, and gives its path."""

    def write(text, *changes):
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        path = tmp_path / "design.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


@pytest.fixture
def device(tmp_path):
    """Modes of an array of 2 x 2 Huygens sources at 3 and 6 GHz, the same at both."""
    q = modes_of(end_fire_array(2), 8).coefficients[0]
    path = tmp_path / "device.h5"
    write_modes(path, Modes(np.array([3e9, 6e9]), np.stack([q, q])))
    return path


def facts(*words):
    (line,) = succeed("design-range", *words, "--json").splitlines()
    return json.loads(line)


@pytest.mark.parametrize(
    ("kind", "noun"), [("reflector", ReflectorRequest), ("plane-wave-array", ArrayRequest)]
)
def test_templates_are_read(tmp_path, kind, noun):
    text = succeed("design-range", "--template", kind)
    path = tmp_path / "a.toml"
    path.write_text(text, encoding="utf-8")
    assert isinstance(read_design(path), noun)
    # What is in comments is read, too.
    keys = "[table], count =, size_m =, distance_m = [, limit =, phase_bits, attenuation, regularisation = "
    for key in f"{keys}, fixed_at, [surface], rms_um, correlation, seed".split(", "):
        old = f"# {key}"
        text = text.replace(old, old[2:])
    path.write_text(text, encoding="utf-8")
    found = read_design(path)
    if kind == "reflector":
        assert found.surface.rms == pytest.approx(25e-6)
        assert found.zone.centre == pytest.approx([0, 0.75, 2.5])
    else:
        assert [len(found.arrays), len(found.distances)] == [4, 3]
        assert (found.task.phase_bits, found.task.limit, found.fixed_at) == (6, 2.0, 3.5e9)


@pytest.mark.slow
def test_a_reflector(put, tmp_path):
    path = put(
        REFLECTOR + "[surface]\nrms_um = 100.0\ncorrelation_mm = 100.0\n[limits]\namplitude_ripple_db = 3.0\n"
    )
    table, out, picture = (tmp_path / x for x in ("field.csv", "all.json", "zone.png"))
    found = facts(path, "--readings", table, "-o", out, "--plot", picture)
    assert json.loads(out.read_text(encoding="utf-8")) == found
    assert picture.read_bytes().startswith(b"\x89PNG")
    assert found["kind"] == "reflector"
    low, high = found["frequencies"]
    assert low["limits"][0]["name"] == "amplitude_ripple_db"
    # 4.343 (4 pi s/lambda)^2 at 3 GHz: s/lambda = 1e-3.
    assert low["surface_gain_loss_db"] == pytest.approx(4.343 * (4 * np.pi * 1e-3) ** 2, rel=2e-3)
    assert [round(x["centre_m"][2], 9) for x in low["planes"]] == [2.45, 2.5, 2.55]
    # The field that is written gives the same figures.
    words = ("--shape", "cylinder", "--size-m", 0.3, "--centre-m", "0,0.75,2.5", "--depth-m", 0.05, "--json")
    again = json.loads(succeed("quiet-zone", table, *words))["frequencies"]
    assert again[1]["amplitude_taper_db"] == pytest.approx(high["amplitude_taper_db"], rel=1e-6)
    assert again[1]["cross_polarisation_db"] == pytest.approx(high["cross_polarisation_db"], abs=1e-6)
    path = put(path.read_text(encoding="utf-8"), ("3.0, 6.0", "3.0"))
    text = succeed("design-range", path)
    assert "surface errors, closed form" in text
    assert "fringe currents of edges" in text
    assert "limits (of the middle plane)" in text


def test_a_feed_from_a_file(put, device):
    found = facts(put(REFLECTOR, ("exponent = 6.0", f'file = "{device.name}"')))
    assert all(x["amplitude_total_db"] < 12 for x in found["frequencies"])


@pytest.mark.slow
def test_an_array(put, tmp_path):
    errors = "[errors]\namplitude_db = 0.5\nphase_deg = 5.0\ndraws = 20\n[limits]\namplitude_db = 2.0\n"
    path = put(ARRAY + errors + "phase_deg = 12.0\n[table]\ncount = [4, 6]\ndistance_m = [0.9, 1.2]\n")
    weights, picture = tmp_path / "weights.csv", tmp_path / "zone.png"
    found = facts(path, "--weights", weights, "--plot", picture)
    (one,) = found["frequencies"]
    assert one["passed"]
    assert one["alternatives"] == []
    assert one["field_error_drawn_db"] == pytest.approx(one["field_error_db"], abs=0.5)
    assert one["amplitude_deviation_with_errors_95_db"] > one["amplitude_deviation_db"]
    assert len(found["table"]) == 4
    with weights.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 36
    assert max(float(x["amplitude_db"]) for x in rows) == 0
    assert picture.read_bytes().startswith(b"\x89PNG")
    text = succeed("design-range", path)
    assert "36 elements, 36 channels" in text
    assert "at 3 GHz, with the errors stated" in text


def test_an_array_that_fails(put):
    text = succeed("design-range", put(ARRAY, ("[3.0]", "[3.0, 9.0]")))
    assert "9 GHz fails:" in text
    assert "works up to" in text
    assert "a built array is worse" in text
    fixed = facts(put(ARRAY + "[weights]\nfixed_at_ghz = 3.0\n", ("[3.0]", "[3.0, 3.3]")))["frequencies"]
    own = facts(put(ARRAY, ("[3.0]", "[3.0, 3.3]")))["frequencies"]
    assert fixed[0]["amplitude_deviation_db"] == pytest.approx(own[0]["amplitude_deviation_db"], rel=1e-6)
    assert fixed[1]["amplitude_deviation_db"] > own[1]["amplitude_deviation_db"]


@pytest.mark.slow
@pytest.mark.parametrize("text", [ARRAY, REFLECTOR])
def test_what_the_zone_does_to_a_device(put, device, tmp_path, text):
    path, term = put(text.replace("3.0, 6.0", "6.0")), tmp_path / "term.toml"
    found = facts(path, "--device", device, "--offset-m", 0.05, "--term", term)
    effect = found["frequencies"][0]["device"]
    assert effect["places"] == 7
    assert 0 < effect["rms"]["peak_db"] < 2
    (one,) = read_budget(term).terms
    assert one.name == "quiet zone"
    # In relative amplitude: 1 dB is ln(10)/20 of it.
    last = found["frequencies"][-1]["device"]["rms"]
    assert one.sensitivity["trp"] * one.size == pytest.approx(last["trp_db"] * np.log(10) / 20, rel=1e-5)
    assert one.sensitivity["pointing"] * one.size == pytest.approx(
        np.radians(last["peak_shift_deg"]), rel=1e-5
    )


def test_a_device_near_a_reflector_in_wavelengths(put, device):
    text = succeed("design-range", put(REFLECTOR, ("3.0, 6.0", "3.0")), "--device", device)
    assert "figure shown minus true" in text


@pytest.mark.parametrize(
    ("text", "change", "says"),
    [
        (
            ARRAY,
            ('"plane-wave-array"', '"lens"'),
            "kind is 'lens', expected one of plane-wave-array, reflector",
        ),
        (ARRAY, ("distance_m = 0.9", "distance_m = 0.1"), "elements are inside it: give a larger distance"),
        (ARRAY, ('shape = "ball"', 'shape = "cylinder"'), "zone: has no depth_m and the shape cylinder"),
        (
            ARRAY,
            ("size_m = 0.6", "size_m = 0.6\ngroup = 4"),
            "count is 6, group 4, side 0.6: expected positive",
        ),
        (ARRAY, ("[3.0]", "[3.0, 2.0]"), "ghz: is not in increasing order"),
        (ARRAY, ("count = 6", "number = 6"), "key 'number' is unknown"),
        (ARRAY + "[weights]\nphase_bits = 4\n", ("", ""), "stated by half"),
        (REFLECTOR, ("teeth = 30", ""), "rim is 'serrated' and teeth is missing"),
        (REFLECTOR, ('"serrated"', '"sharp"'), "rim is 'sharp' and inner_diameter_m is given"),
        (REFLECTOR, ("exponent = 6.0", ""), "feed: has none of exponent and file"),
        (REFLECTOR, ("exponent = 6.0", 'file = "no.h5"'), "no.h5: no such file"),
        (
            *(REFLECTOR, ("exponent = 6.0", 'file = "../feed.h5"')),
            "feed: file is '../feed.h5', expected a file in its folder or below it",
        ),
        (REFLECTOR, ("distance_m = 2.5", "distance_m = 0.2"), "zone begins .* m from the currents"),
        (REFLECTOR, ("6.0]", "6e9]"), "at most 1e4"),
    ],
)
def test_designs_that_are_refused(put, tmp_path, text, change, says):
    assert_refused(tmp_path, "design-range", put(text, *([change] if change[0] else [])), says=says)


def test_outputs_that_are_refused(put, device, tmp_path):
    path = put(REFLECTOR)
    assert_refused(
        tmp_path, "design-range", path, "--weights", tmp_path / "w.csv", says="a reflector has no weights"
    )
    there = tmp_path / "there.json"
    there.write_text("{}", encoding="utf-8")
    assert_refused(
        tmp_path, "design-range", path, "-o", there, says="exists: choose another name or give --overwrite"
    )
    assert there.read_text(encoding="utf-8") == "{}"
    same = tmp_path / "same.csv"
    assert_refused(
        tmp_path, "design-range", path, "--readings", same, "-o", same, says="two outputs have the same name"
    )
    assert run("design-range", path, "--term", tmp_path / "t.toml").code == 2
    other = put(REFLECTOR, ("3.0, 6.0", "4.0"))
    assert_refused(
        tmp_path, "design-range", other, "--device", device, says="has nothing at 4 GHz, the nearest is 3 GHz"
    )
    assert_refused(
        tmp_path,
        "design-range",
        other,
        "--plot-frequency-ghz",
        "5",
        says="holds no 5 GHz, the nearest frequency is 4 GHz",
    )
