"""``nf2ff study`` as a user runs it: laws of growth, and what is refused."""

import json
import math
import tomllib

import numpy as np
import pytest
from commands import ANTENNA, assert_refused, put_rows, rows_of, run, simulated, succeed

from nf2ff.io import native
from nf2ff.io.growth import read_growth

ONE = ("--jobs", 1)
HEAD = """antenna = "antenna.toml"
frequency_ghz = 3.0
radius_m = 0.4
degree = 6
draws = 20
metrics = ["eirp", "pointing"]
"""
#: Where nothing is said of the spread.
FEW = HEAD.replace("draws = 20", "draws = 4")
NOISE = '[[error]]\nkind = "receiver-noise"\nrms_db = -60\n'
SIZES = '[vary]\nof = "size"\nvalues = [1, 10, 100]\n'


@pytest.fixture
def study(tmp_path):
    """Return a function that writes a study beside its antenna."""
    (tmp_path / "antenna.toml").write_text(ANTENNA, encoding="utf-8")

    def make(text, head=HEAD):
        path = tmp_path / "study.toml"
        path.write_text(head + text, encoding="utf-8")
        return path

    return make


def points_of(*words):
    done = run("study", *words, "--json", *ONE)
    assert (done.code, done.err) == (0, ""), done
    (line,) = done.out.splitlines()
    return json.loads(line)["points"]


def test_the_template_is_a_start(study, tmp_path):
    text = succeed("study", "--template")
    tomllib.loads(text)
    small = text.replace("draws = 100", "draws = 2").replace("frequency_ghz = 28.0", "frequency_ghz = 3.0")
    out = succeed("study", study(small, head=""), "-o", tmp_path / "out.h5", *ONE)
    assert out.splitlines()[0].endswith("out.h5: 1 error, 5 values")
    assert out.splitlines()[1] == "  phase noise, 1 deg rms; random within the scan"
    growth, shown = read_growth(tmp_path / "out.h5")
    assert growth.draws.tolist() == [2] * 5
    assert shown.label == "phase-noise, rms [deg]"
    np.testing.assert_allclose(shown.values(growth.values), np.geomspace(0.1, 10, 5), rtol=1e-12)


@pytest.mark.slow
def test_noise_grows_by_20_db_per_decade(study, tmp_path):
    # Closed form: the solution is linear in the responses. The truncated degree adds its own,
    # which the antenna of 0.045 m (k r0 = 2.8) leaves at -60 dB or below above degree 10.
    head = HEAD.replace("degree = 6", "degree = 12").replace('"eirp", "pointing"', '"trp", "pattern"')
    place = "[figure.pattern]\ntheta_deg = 60\nphi_deg = 60\n"
    text = study(SIZES + NOISE + place, head)
    found = points_of(text, "-o", tmp_path / "out.h5", "--plot", tmp_path / "out.png")
    levels = [x["error_level_db"] for x in found]
    np.testing.assert_allclose(np.diff(levels), 20, atol=0.1)
    assert [x["shown_value"] for x in found] == pytest.approx([-60, -40, -20], abs=1e-9)
    assert [x["value"] for x in found] == [1, 10, 100]
    assert {x["degree"] for x in found} == {12}
    trp, towards = ([x["errors"][k] for x in found] for k in (0, 1))
    assert (trp[0]["figure"], towards[0]["figure"]) == ("trp", "directivity-towards")
    # Small errors are in proportion: the same draws, ten times as large; 1e-3 of power to 1 %.
    for errors in (trp, towards):
        assert errors[1]["spread_db"] == pytest.approx(10 * errors[0]["spread_db"], rel=0.03)
    assert (tmp_path / "out.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.slow
def test_error_level_against_the_sampling(study, tmp_path):
    # Closed form: white noise, by modes over samples: 3 dB less at twice the positions.
    noise = NOISE.replace("-60", "-40")
    head = HEAD.replace("degree = 6", "degree = 12")
    text = study('[vary]\nof = "oversampling"\nvalues = [1.5, 3]\n' + noise, head)
    one, two = points_of(text, "-o", tmp_path / "out.h5")
    count = two["samples"] / one["samples"]
    assert count == pytest.approx(2, rel=0.05)
    fall = one["error_level_db"] - two["error_level_db"]
    # Each known to 1/sqrt(20 x 336) by 20 draws of 336 modes, 0.05 dB.
    assert fall == pytest.approx(10 * math.log10(count), abs=0.25)


@pytest.mark.slow
def test_what_the_file_says_is_done(study, tmp_path):
    plain, other, seeded = (
        points_of(study(SIZES + NOISE, FEW + more), "-o", tmp_path / f"{i}.h5")
        for i, more in enumerate(("", "oversampling = 3\nconfidence = 0.6\n", "seed = 1\n"))
    )
    assert other[0]["samples"] == pytest.approx(2 * plain[0]["samples"], rel=0.05)
    assert [read_growth(tmp_path / f"{i}.h5")[0].confidence for i in (0, 1)] == [0.95, 0.6]
    assert seeded[2]["errors"][0]["mean_db"] != plain[2]["errors"][0]["mean_db"]
    assert [native.read_provenance(tmp_path / f"{i}.h5")["rng_seed"] for i in (0, 2)] == ["0", "1"]


@pytest.mark.parametrize(
    ("over", "values", "unit", "left_out"),
    [
        ("frequency_ghz", [2, 3], 1e9, "frequency_ghz = 3.0\n"),
        ("radius_m", [0.3, 0.5], 1, "radius_m = 0.4\n"),
        ("degree", [5, 7], 1, "degree = 6\n"),
    ],
)
def test_what_else_may_be_varied(study, tmp_path, over, values, unit, left_out):
    text = study(f'[vary]\nof = "{over}"\nvalues = {values}\n' + NOISE, FEW.replace(left_out, ""))
    found = points_of(text, "-o", tmp_path / "out.h5")
    assert [x["value"] for x in found] == [unit * x for x in values]
    assert [x["shown_value"] for x in found] == pytest.approx(values, rel=1e-12)
    if over == "degree":
        assert [x["degree"] for x in found] == values
    if over == "frequency_ghz":
        assert [x["frequency_hz"] for x in found] == [2e9, 3e9]


@pytest.mark.slow
def test_a_measured_scan(study, tmp_path):
    # Closed form: a probe off by 1 % and 2 % of amplitude scales EIRP by as much, in each draw by
    # (1 + a z)^-2; and the pattern error level is its square.
    simulated(
        tmp_path / "scan.csv",
        "--theta-step-deg",
        15,
        "--phi-step-deg",
        15,
        "--frequency-ghz",
        3,
        "--frequency-ghz",
        3.3,
    )
    text = study(
        '[vary]\nof = "size"\nvalues = [1, 2]\n[[error]]\nkind = "probe-gain"\namplitude = 0.01\n',
        'scan = "scan.csv"\nmetrics = ["eirp"]\ndraws = 25\ndegree = 9\n',
    )
    done = run("study", text, "-o", tmp_path / "out.h5", "--json", *ONE, "--response-unit", "V/m")
    assert done.code == 0
    assert all(x.startswith("warning: 3") for x in done.err.splitlines())
    points = json.loads(done.out)["points"]
    assert [(x["value"], x["frequency_hz"]) for x in points] == [(1, 3e9), (1, 3.3e9), (2, 3e9), (2, 3.3e9)]
    for point in points:
        a = 0.01 * point["value"]
        # Three standard deviations of those of 25 draws: half as much would not do.
        tolerance = 3 / math.sqrt(2 * 24)
        (eirp,) = point["errors"]
        assert eirp["spread_db"] == pytest.approx(20 / math.log(10) * a, rel=tolerance)
        level = 10 ** (point["error_level_db"] / 20)
        assert level == pytest.approx(a, rel=tolerance)
    inputs = json.loads(native.read_provenance(tmp_path / "out.h5")["inputs"])
    assert set(inputs) == {str(text), str(tmp_path / "scan.csv")}


@pytest.mark.slow
def test_a_probe_of_its_own(study, tmp_path):
    # An electric dipole in place of the ideal field probe hears less of a near field.
    dipole = tmp_path / "dipole.toml"
    dipole.write_text("[[dipole]]\nposition_m = [0, 0, 0]\nelectric_a_m = [1, 0, 0]\n")
    succeed("simulate", dipole, "-o", tmp_path / "d.h5", "--frequency-ghz", 3, "--radius-m", 0.4)
    succeed("transform", tmp_path / "d.h5", "-o", tmp_path / "r.h5", "--degree", 3)
    assert run("import", tmp_path / "r.h5", "-o", tmp_path / "probe.h5", "--relative").code == 0
    head = FEW.replace('"eirp", ', '"directivity", ') + 'probe = "probe.h5"\n'
    found = points_of(study(SIZES + NOISE, head), "-o", tmp_path / "out.h5")
    assert found[0]["error_level_db"] < -30
    head = head.replace('probe = "probe.h5"\n', "")
    ideal = points_of(study(SIZES + NOISE, head), "-o", tmp_path / "2.h5")
    assert abs(ideal[0]["error_level_db"] - found[0]["error_level_db"]) > 1e-3
    assert str(tmp_path / "probe.h5") in native.read_provenance(tmp_path / "out.h5")["inputs"]


@pytest.mark.slow
def test_ctrl_c_keeps_what_there_is(study, tmp_path, monkeypatch):
    from nf2ff.uncertainty import growth as library

    real, calls = library.monte_carlo, []

    def interrupted(*args, **more):
        calls.append(1)
        if len(calls) == 3:
            raise KeyboardInterrupt
        return real(*args, **more)

    monkeypatch.setattr(library, "monte_carlo", interrupted)
    done = run("study", study(SIZES + NOISE), "-o", tmp_path / "out.h5", *ONE)
    assert done.code == 130
    assert done.err.splitlines() == [
        "stopped at value 2 of 3, of which 20 of 20 draws were made: they are kept, and "
        f"--resume {tmp_path / 'out.h5'} makes the rest"
    ]
    assert read_growth(tmp_path / "out.h5")[0].values.tolist() == [1, 10]


# --- refused -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (SIZES + '[[error]]\nkind = "leekage"\nlevel_db = -3\n', "did you mean 'leakage'"),
        (SIZES + '[[error]]\nkind = "receiver-noise"\nrms = -3\n', "expected a number >= 0"),
        (
            SIZES + '[[error]]\nkind = "random-walk"\nphase_deg = 3\n',
            "at the size 1: random-walk depends on when each sample was taken",
        ),
        ('[vary]\nof = "radius_m"\nvalues = [0.01, 1]\n' + NOISE, "radius_m is both given and varied"),
        ('[vary]\nof = "mood"\nvalues = [1]\n' + NOISE, "of is 'mood', expected one of size"),
        ("draws = 3\n" + SIZES + NOISE, "is not TOML"),
    ],
)
def test_a_study_that_is_wrong(study, tmp_path, text, says):
    path = study(text)
    (tmp_path / "old.h5").write_bytes(b"precious")
    for name, more in (("new.h5", ()), ("old.h5", ("--overwrite",))):
        words = (path, "-o", tmp_path / name, *ONE, *more)
        line = assert_refused(tmp_path, "study", *words, says=says)
        assert line.startswith(f"nf2ff: {path}: ")


def test_a_probe_inside_the_antenna(study, tmp_path):
    head = HEAD.replace("radius_m = 0.4\n", "")
    path = study('[vary]\nof = "radius_m"\nvalues = [0.01, 1]\n' + NOISE, head)
    assert_refused(
        tmp_path,
        "study",
        path,
        "-o",
        tmp_path / "out.h5",
        says="study.toml: radius is 0.01 m, the antenna's minimum sphere has 0.0",
    )


def test_relative_data_have_no_eirp(study, tmp_path):
    simulated(tmp_path / "scan.csv", "--theta-step-deg", 15, "--phi-step-deg", 15)
    head = 'scan = "scan.csv"\nmetrics = ["eirp"]\n'
    words = (study(SIZES + NOISE, head), "-o", tmp_path / "out.h5", "--response-unit", "relative")
    assert_refused(tmp_path, "study", *words, says="study.toml: at the size 1: eirp needs absolute")


def test_a_part_of_the_sphere_that_was_not_seen(study, tmp_path):
    whole = simulated(tmp_path / "whole.csv", "--theta-step-deg", 15, "--phi-step-deg", 15)
    rows, header = rows_of(whole)
    at = header.index("theta_deg")
    put_rows(tmp_path / "part.csv", [x for x in rows if float(x[at]) < 136], header)
    head = 'scan = "part.csv"\nmetrics = ["eirp"]\ndegree = 8\n'
    assert_refused(
        tmp_path,
        "study",
        study(SIZES + NOISE, head),
        "-o",
        tmp_path / "out.h5",
        says="part.csv: the samples do not determine all waves, and a study knows nothing of",
    )
    head = head.replace("degree = 8", "degree = 300")
    assert_refused(
        tmp_path, "study", study(SIZES + NOISE, head), "-o", tmp_path / "out.h5", says="part.csv: .*determine"
    )


def test_files_that_must_not_be_written(study, tmp_path):
    path, out = study(SIZES + NOISE), tmp_path / "out.h5"
    antenna = tmp_path / "antenna.toml"
    for words, says in (
        ((path, "-o", path), "study.toml: is an input of this command"),
        ((path, "-o", antenna, "--overwrite"), "antenna.toml: is an input of this command"),
        ((path, "-o", out, "--plot", antenna, "--overwrite"), "antenna.toml: is not a picture"),
        ((path, "-o", out, "--plot", "a.doc"), "a.doc: is not a picture, expected a name that ends"),
        ((path, "-o", out, "--jobs", 0), "--jobs is 0, expected a number of processes"),
        ((tmp_path / "none.toml", "-o", out), "none.toml: no such file"),
    ):
        assert_refused(tmp_path, "study", *words, says=says)
    antenna.unlink()
    assert_refused(tmp_path, "study", path, "-o", out, says="antenna.toml: no such file")


def test_options_of_a_scan_mean_nothing_to_an_antenna(study, tmp_path):
    for words in (("--time-convention", "exp(-iwt)"), ("--response-unit", "V/m")):
        done = run("study", study(SIZES + NOISE), "-o", tmp_path / "out.h5", *words)
        assert done.code == 2
        assert "are of a scan, and STUDY names an antenna" in done.err
    assert not (tmp_path / "out.h5").exists()


def test_sampling_alone(study, tmp_path):
    text = '[vary]\nof = "samples"\nvalues = [120, 400]\n'
    head = HEAD.replace("draws = 20\n", 'positions = "constant-rate"\n')
    done = run("study", study(text, head), "-o", tmp_path / "out.h5", *ONE)
    assert (done.code, done.err) == (0, "")
    assert done.out.splitlines()[0].endswith("out.h5: sampling alone, 2 values")
    growth, shown = read_growth(tmp_path / "out.h5")
    assert (growth.parameter, shown.label) == ("samples", "positions")
    assert growth.samples[1] == pytest.approx(800, abs=4)


# --- without a phase reference -------------------------------------------------------------------

SETS = """antenna = "antenna.toml"
frequency_ghz = 3.0
degree = 7
positions = "grid"
draws = 2
starts = 3
noise_db = -45
metrics = ["directivity"]
[vary]
of = "phase-groups"
[[set]]
coherent = "cuts"
radii_m = [0.2]
[[set]]
name = "one sphere"
coherent = "nothing"
radii_m = [0.2]
[[set]]
coherent = "positions"
displaced_deg = 8
radii_m = [0.2]
"""


@pytest.mark.slow
def test_sets_of_readings_without_a_phase_reference(study, tmp_path):
    noise = NOISE.replace("-60", "-45")
    words = (study(noise, head=SETS), "-o", tmp_path / "out.h5", "--plot", tmp_path / "a.png")
    out = succeed("study", *words)
    cuts, one, two = json.loads(succeed("study", *words, "--json", "--overwrite"))["points"]
    assert [x["name"] for x in (cuts, one, two)] == [
        "phase along cuts, 1 sphere",
        "one sphere",
        "two elements 8 deg apart, 1 sphere",
    ]
    for point in (cuts, two):
        assert point["certified"] == 1
        # Of two draws: each scatters by some dB about what is predicted.
        assert point["error_level_db"] == pytest.approx(point["predicted_error_db"], abs=4)
        assert abs(point["errors"][0]["mean_db"]) < 0.1
    assert (one["certified"], one["draws"], one["error_level_db"]) == (0, 0, None)
    assert "powers on one sphere do not determine the field" in one["remark"]
    assert "2 of 2" in out
    assert "one sphere: powers on one sphere do not determine" in out
    growth, _ = read_growth(tmp_path / "out.h5")
    assert growth.names[1] == "one sphere"
    assert growth.certified.ravel().tolist() == [1, 0, 1]
    assert "phase along cuts, 1 sphere" in succeed("inspect", tmp_path / "out.h5")


def test_sets_that_are_wrong(study, tmp_path):
    for old, new, says in (
        ("displaced_deg = 8", "displaced_deg = 8\npolarisations = 3", "expected 2 or 4"),
        (
            '"cuts"\n',
            '"cuts"\ndisplaced_deg = 3\n',
            "set 1: two elements share a phase at each place, not along",
        ),
        ("antenna =", 'scan = "scan.h5"\n# ', "which needs an antenna that is simulated"),
    ):
        path = study(NOISE, head=SETS.replace(old, new, 1))
        assert_refused(tmp_path, "study", path, "-o", tmp_path / "out.h5", says=says)
