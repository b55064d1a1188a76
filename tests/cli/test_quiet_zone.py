"""``nf2ff quiet-zone``."""

import json
import re

import numpy as np
import pytest
from commands import assert_refused, run, simulated, succeed
from zone_cases import line, plane, towards, wave

from nf2ff.io.budget_toml import read_budget
from nf2ff.io.uncertainty_toml import read_uncertainty_file


def put(path, position, co, *, cross=None, phase=True, ghz=28.0):
    """A table of readings."""
    columns = "amplitude_db,phase_deg" if phase else "amplitude_db"
    rows = [f"x_m,y_m,z_m,frequency_ghz,polarisation,{columns}"]
    for kind, field in (("co", co), ("cross", cross)):
        if field is None:
            continue
        for (x, y, z), e in zip(position.tolist(), np.asarray(field, dtype=complex), strict=True):
            value = f"{20 * np.log10(abs(e))!r}" + (f",{np.degrees(np.angle(e))!r}" if phase else "")
            rows.append(f"{x!r},{y!r},{z!r},{ghz!r},{kind},{value}".replace("np.float64", ""))
    text = "\n".join(rows).replace("(", "").replace(")", "")
    path.write_text(text + "\n", encoding="utf-8")
    return path


@pytest.fixture
def scanned(tmp_path):
    """A plane 2.5 m away with 0.8 dB of taper, 0.4 deg of tilt, and a stray wave of -30 dB."""
    position = plane(71)
    square = (position[:, 0] ** 2 + position[:, 1] ** 2) / 0.15**2
    co = 10 ** (-0.8 * square / 20) * wave(position, towards(0.4, 30)) + wave(
        position, towards(35, 20), level_db=-30
    )
    return put(tmp_path / "plane.csv", position + np.array([0, 0, 2.5]), co, cross=0.01 * co)


def figures(*words):
    (line_,) = succeed("quiet-zone", *words, "--json").splitlines()
    return json.loads(line_)["frequencies"]


def test_figures_as_json(scanned):
    (one,) = figures(scanned, "--size-m", 0.3, "--common-limits", "--max-cross-db", -45)
    assert one["frequency_hz"] == 28e9
    assert one["zone"] == "disc of diameter 0.3 m"
    assert one["centre_m"] == pytest.approx([0, 0, 2.5])
    assert one["span"] == "plane"
    assert one["amplitude_taper_db"] == pytest.approx(0.8, abs=0.02)
    assert one["amplitude_ripple_db"] == pytest.approx(0.29, abs=0.02)  # +-0.275 in the centre
    assert one["stray_level_db"] == pytest.approx(-29.5, abs=0.5)
    assert one["tilt_deg"] == pytest.approx(0.4, abs=0.005)
    assert one["tilt_first_deg"] == pytest.approx(0.4 * np.cos(np.pi / 6), abs=0.005)
    assert one["cross_polarisation_db"] == pytest.approx(-40, abs=0.5)
    assert one["phase_ripple_deg"] == pytest.approx(np.degrees(10**-1.5), rel=0.12)
    assert {x["name"]: x["passed"] for x in one["limits"]} == {
        "amplitude_taper_db": True,
        "amplitude_ripple_db": True,
        "phase_total_deg": True,
        "cross_db": False,
    }
    (warning,) = one["warnings"]
    assert warning.startswith("stray waves within 3.1 deg")


def test_the_other_time_convention_turns_the_tilt(scanned):
    # Only the tilt: the readings are of one plane.
    (one,) = figures(scanned)
    (other,) = figures(scanned, "--time-convention", "exp(-iwt)")
    assert other["tilt_first_deg"] == pytest.approx(-one["tilt_first_deg"], rel=1e-9)
    assert other["amplitude_taper_db"] == pytest.approx(one["amplitude_taper_db"], rel=1e-12)


def test_figures_are_aligned(scanned):
    words = ("--size-m", 0.3, "--max-tilt-deg", 0.2, "--max-amplitude-ripple-db", 0.5)
    out = succeed("quiet-zone", scanned, *words)
    table = [x for x in out.splitlines() if re.search(r" (dB|deg|GHz)( |$)", x) and "  " in x][:12]
    ends = {re.search(r" (dB|deg|GHz)( |$)", x).start() for x in table}
    assert len(ends) == 1, out
    assert "zone: disc of diameter 0.3 m, centre (0, 0, 2.5) m, wave along +z" in out
    assert re.search(r"\n  28 GHz  tilt +BEYOND 0\.2 deg \(0\.4\)\n", out)
    assert re.search(r"limits \(given\)\n  28 GHz  amplitude ripple +within ±0\.5 dB \(±0\.[23]\d*\)\n", out)
    assert re.search(r"\namplitude ripple +±0\.[23]\d dB\n", out)
    assert re.search(r"\nnote: stray waves within 3\.1 deg", out)


def test_several_frequencies_stand_side_by_side(tmp_path):
    x = line(101)
    first = put(tmp_path / "a.csv", x, wave(x, towards(0.1)), phase=False)
    second = put(tmp_path / "b.csv", x, wave(x, towards(0.1)), phase=False, ghz=27.5)
    both = tmp_path / "both.csv"
    both.write_text(first.read_text() + second.read_text().partition("\n")[2], encoding="utf-8")
    out = succeed("quiet-zone", both)
    assert re.search(r"^frequency +27\.5 +28 GHz$", out, re.MULTILINE)
    assert "phase" not in out
    out = succeed("quiet-zone", both, "--plot", tmp_path / "b.png", "--plot-frequency-ghz", 28)
    assert out.endswith(f"\n{tmp_path / 'b.png'}: 28 GHz\n")
    says = "holds no 30 GHz, the nearest frequency is 28 GHz: give that as --plot-frequency-ghz"
    assert_refused(
        tmp_path, "quiet-zone", both, "--plot", tmp_path / "c.png", "--plot-frequency-ghz", 30, says=says
    )


def test_coarse_steps_are_warned_of(tmp_path):
    x = line(31)
    done = run("quiet-zone", put(tmp_path / "a.csv", x, np.ones(31)), "--direction", "-z")
    assert done.code == 0
    assert done.err == (
        "warning: 28 GHz: readings are up to 10 mm apart, above half a wavelength (5.353 mm): "
        "ripple may be missed\n"
    )
    assert "wave along -z" in done.out


@pytest.mark.slow
def test_shapes_and_directions(tmp_path):
    position = np.concatenate([plane(61) + np.array([0, 0, z]) for z in (-0.02, -0.01, 0, 0.01, 0.02)])
    table = put(tmp_path / "a.csv", position[:, [2, 0, 1]], wave(position, (0, 0, 1)))
    (one,) = figures(table, "--shape", "cylinder", "--depth-m", 0.04, "--direction", "+x")
    assert one["zone"] == "cylinder of diameter 0.3 m, 0.04 m deep"
    assert one["span"] == "volume"
    assert one["tilt_deg"] == pytest.approx(0, abs=1e-6)
    (two,) = figures(
        table, "--shape", "square", "--size-m", 0.2, "--direction", "2,0,0", "--centre-m", "0,0.02,0"
    )
    assert two["zone"] == "square of 0.2 m"
    assert two["centre_m"] == [0, 0.02, 0]
    assert two["readings"] == 5 * 41 * 41


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["plane", "line", "crossed", "ball"])
def test_pictures(kind, tmp_path, rng):
    position = {
        "plane": plane(41),
        "line": line(),
        "crossed": np.concatenate([line(), line(along=(0, 1, 0))]),
        "ball": rng.uniform(-0.1, 0.1, (400, 3)),
    }[kind]
    table = put(tmp_path / "a.csv", position, wave(position, towards(0.3)))
    size = 0.15 if kind == "ball" else 0.3
    run("quiet-zone", table, "--size-m", size, "--plot", tmp_path / "a.png")
    picture = (tmp_path / "a.png").read_bytes()
    assert picture.startswith(b"\x89PNG")
    assert len(picture) > 20_000
    assert_refused(tmp_path, "quiet-zone", table, "--plot", tmp_path / "a.png", says="exists")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("options", "says"),
    [
        (
            ["--size-m", "0.4"],
            r"28 GHz: the zone reaches 0\.2 m either way along x, the readings from -0\.15",
        ),
        (["--size-m", "-1"], "--size-m is -1, expected metres above 0"),
        (["--centre-m", "0,0,0", "--size-m", "0.1"], r"no reading lies in the zone, .* z 2\.5 to 2\.5 m"),
        (["--direction", "0,0,0"], "direction of the zone is"),
        (["--probe-level-db", "nan"], "--probe-level-db is nan, expected decibels, -1000 to 1000"),
        (["--max-tilt-deg", "0"], "limit tilt_deg is 0"),
        (["--plot", "a.txt"], "a.txt: is not a picture"),
    ],
)
def test_bad_input_is_one_line(scanned, options, says):
    assert_refused(scanned.parent, "quiet-zone", scanned, *options, says=says)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--depth-m", "1"], "--depth-m is of a cylinder or a square: give --shape"),
        (["--direction", "up"], "--direction is 'up', expected three numbers X,Y,Z or an axis such as -x"),
        (["--centre-m", "1,2"], "--centre-m is '1,2', expected three numbers X,Y,Z"),
        (["--centre-m", "1e308,0,0"], "--centre-m is '1e308,0,0', expected three numbers X,Y,Z"),
        (["--plot-frequency-ghz", "28"], "--plot-frequency-ghz needs --plot"),
    ],
)
def test_wrong_calls(scanned, options, says):
    done = run("quiet-zone", scanned, *options)
    assert done.code == 2
    assert says in done.err


def test_a_broken_table_is_one_line(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("x_m,y_m,z_m,frequency_ghz,real\n", encoding="utf-8")
    assert_refused(tmp_path, "quiet-zone", path, says=f"^nf2ff: {path}: line 1: the field has real: expected")


@pytest.mark.parametrize(("column", "row"), [("x_m", "1e300,0,0,3,0,0"), ("amplitude_db", "1,0,0,3,1e308,0")])
def test_numbers_beyond_measure_are_told_by_line_and_column(tmp_path, column, row):
    path = tmp_path / "a.csv"
    rows = "\n".join(f"{x / 100},0,0,3,-1.5,0" for x in range(9))
    path.write_text(f"x_m,y_m,z_m,frequency_ghz,amplitude_db,phase_deg\n{rows}\n{row}\n", encoding="utf-8")
    says = f"line 11, column {column}: is 1e30[08], expected a finite number of at most"
    assert_refused(tmp_path, "quiet-zone", path, says=says)


def test_the_spread_over_the_zone_is_a_term_of_a_budget(scanned, tmp_path):
    term = tmp_path / "term.toml"
    text = succeed("quiet-zone", scanned, "--size-m", 0.3, "--term", term)
    assert f"{term}: a term for nf2ff uncertainty" in text
    (one,) = read_budget(term).terms
    # Taper 0.8 (r/R)^2 over a disc has the deviation 0.8/sqrt(12), the wave of -30 dB 8.686 10^-1.5/sqrt(2)
    # (closed forms); both are as good as independent. Relative amplitude: ln(10)/20 of 1 dB.
    spread = np.hypot(0.8 / np.sqrt(12), 8.686 * 10**-1.5 / np.sqrt(2))
    assert one.sensitivity["eirp"] * one.size * 8.686 == pytest.approx(spread, rel=0.03)
    assert set(one.sensitivity) == {"eirp", "gain"}


def test_the_stray_wave_is_an_error_of_a_budget(scanned, tmp_path):
    path = tmp_path / "error.toml"
    text = succeed("quiet-zone", scanned, "--size-m", 0.3, "--error", path)
    assert f"{path}: an error for nf2ff uncertainty: -29.6 dB, " in text
    (one,) = read_uncertainty_file(path).assessment.errors
    # As it was put there: 35 deg, towards 20 deg, so that it comes from 160 deg as theta^ x phi^ looks back;
    # the direct wave falls by 0.4 dB on average.
    assert 20 * np.log10(one.error.level) == pytest.approx(-29.6, abs=0.1)
    assert np.degrees([one.error.theta, one.error.phi]) == pytest.approx([35, 160], abs=0.8)
    assert "28 GHz" in one.note
    assert_refused(tmp_path, "quiet-zone", scanned, "--error", path, says="exists")
    same, says = tmp_path / "both.toml", "two outputs have the same name"
    assert_refused(tmp_path, "quiet-zone", scanned, "--error", same, "--term", same, says=says)


def test_that_error_goes_through_a_scan(scanned, tmp_path):
    scan, budget = simulated(tmp_path / "scan.h5"), tmp_path / "error.toml"
    succeed("quiet-zone", scanned, "--size-m", 0.3, "--error", budget)
    done = run("uncertainty", scan, budget, "-o", tmp_path / "out.h5", "--linear", "--json")
    (one,) = json.loads(done.out)["frequencies"]
    found = {x["name"]: x["standard_uncertainty_db"] for x in one["metrics"] if x["unit"] == "dB"}
    # Of a wave from where the antenna sends as much as at its peak 8.686 rho/sqrt(2); it sends a little less
    # there, small as it is.
    most = 8.686 * 10 ** (-29.6 / 20) / np.sqrt(2)
    assert 0.5 * most < found["eirp"] < 1.01 * most
    assert 0 < found["directivity"] < found["eirp"]
    assert "stray wave in the quiet zone, 34." in one["metrics"][0]["terms"][0]["note"]
