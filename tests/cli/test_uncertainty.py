"""``nf2ff uncertainty`` as a user runs it: figures against closed forms, and what is refused."""

import json
import math
import re
import tomllib
from collections import Counter
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from commands import ANTENNA, assert_refused, db, put_rows, rows_of, run, simulated, succeed

from nf2ff.antenna.closed_form import radiated_power_of
from nf2ff.antenna.far_field import FarField
from nf2ff.antenna.modes import WAVE_IMPEDANCE
from nf2ff.antenna.points import equal_area_spiral_for_degree
from nf2ff.cli import draws
from nf2ff.cli import uncertainty as command
from nf2ff.io import native, safe, tables
from nf2ff.io.antenna_toml import read_antenna
from nf2ff.io.uncertainty import read_uncertainty
from nf2ff.measurement.simulated import simulate
from nf2ff.report.uncertainty_summary import uncertainty_report
from nf2ff.solver import nearby, problem
from nf2ff.solver import solve as solver
from nf2ff.uncertainty import remeasured
from nf2ff.uncertainty.budget.combine import combine

STEPS = ("--theta-step-deg", 15, "--phi-step-deg", 15)
TWO = ("--frequency-ghz", 3, "--frequency-ghz", 3.2)
HEAD = 'metrics = ["eirp", "trp", "directivity", "pointing"]\n'
GAIN = '[[error]]\nkind = "probe-gain"\namplitude = 0.01\n'
LEAK = '[[error]]\nkind = "leakage"\nlevel_db = -50\n'
#: Draws in one process: others cost seconds to start.
ONE = ("--jobs", 1)
#: Decibels of relative amplitude, to first order (closed form).
DB = 20 / math.log(10)


@pytest.fixture(scope="module")
def scan(tmp_path_factory):
    """13 x 24 positions, two frequencies."""
    return simulated(tmp_path_factory.mktemp("scan") / "scan.h5", *TWO, *STEPS)


@pytest.fixture
def budget(tmp_path):
    """Return a function that writes a budget."""

    def make(text, name="budget.toml", head=HEAD):
        path = tmp_path / name
        path.write_text(head + text, encoding="utf-8")
        return path

    return make


def facts_of(*words):
    """Objects per frequency that ``nf2ff uncertainty --json`` prints."""
    done = run("uncertainty", *words, "--json", *ONE)
    assert done.code == 0, done
    (line,) = done.out.splitlines()
    found = json.loads(line)
    assert found.keys() == {"frequencies"}
    return found["frequencies"]


def metric_of(fact, name):
    return next(x for x in fact["metrics"] if x["name"] == name)


class Ran(NamedTuple):
    """What one run of the command left behind."""

    facts: list
    out: Path
    plot: Path
    budget: Path


@pytest.fixture(scope="module")
def gain_run(scan, tmp_path_factory):
    """60 draws of a probe's gain that is off by 1 % of amplitude, and a picture."""
    folder = tmp_path_factory.mktemp("gain")
    budget, out, plot = (folder / x for x in ("budget.toml", "out.h5", "cuts.SVG"))
    budget.write_text(HEAD + GAIN, encoding="utf-8")
    facts = facts_of(scan, budget, "-o", out, "--draws", 60, "--seed", 4, "--plot", plot)
    return Ran(facts, out, plot, budget)


def test_the_template_is_a_start(scan, tmp_path):
    text = succeed("uncertainty", "--template")
    tomllib.loads(text)
    path = tmp_path / "budget.toml"
    path.write_text(text, encoding="utf-8")
    out = succeed("uncertainty", scan, path, "-o", tmp_path / "out.h5")
    assert "out.h5: 0 errors modelled, 0 draws" in out
    # Every term of the list, twice in the tables and once in the list of those missing, for each
    # frequency.
    assert out.count("multiple reflections") == 6
    assert out.count("not supplied, and so not part of it: probe relative pattern, ") == 2


@pytest.mark.slow
def test_gain_of_the_probe_against_its_closed_form(scan, gain_run):
    # All levels scale by 1.01^-1: 1 % of amplitude, of directivity nothing; k = 1.96 (tables).
    facts = gain_run.facts
    power = radiated_power_of(read_antenna(scan.with_suffix(".toml")), frequency=[3e9, 3.2e9])
    for fact, watts in zip(facts, power, strict=True):
        assert (fact["draws_asked"], fact["draws_made"]) == (60, 60)
        trp = metric_of(fact, "trp")
        assert trp["value_dbm"] == pytest.approx(db(watts / 1e-3), abs=1e-6)
        (term,) = trp["terms"]
        assert term["name"] == "probe-gain"
        # The difference of the two signs is 1 % to 1e-4 of it.
        assert term["standard_uncertainty_db"] == pytest.approx(0.01 * DB, rel=2e-4)
        u = 0.01 * 1.959963984540054
        assert trp["expanded_plus_db"] == pytest.approx(20 * math.log10(1 + u), rel=2e-4)
        assert trp["expanded_minus_db"] == pytest.approx(-20 * math.log10(1 - u), rel=2e-4)
        assert trp["coverage_factor"] == pytest.approx(1.959963984540054, rel=1e-12)
        assert trp["degrees_of_freedom"] is None
        draws = trp["draws"]
        assert draws["verdict"] == "agree"
        assert draws["used"] == 60
        # 60 draws to 3 / sqrt(2 x 59) of it.
        for key in ("standard_uncertainty_db", "first_order_db"):
            assert draws[key] == pytest.approx(0.01 * DB, rel=3 / math.sqrt(118)), key
        assert draws["low_dbm"] < trp["value_dbm"] < draws["high_dbm"]
        # 1.96 x 2 standard deviations of 0.087 dB, their ends to some 20 % by 60 draws.
        assert draws["high_dbm"] - draws["low_dbm"] == pytest.approx(4 * 0.01 * DB, rel=0.25)
        assert metric_of(fact, "directivity")["expanded_plus_db"] < 1e-6
        # Closed form of the error level: |1/(1 + 0.01 z) - 1|^2 has the mean 1e-4.
        assert fact["error_level_db"] == pytest.approx(-40, abs=db(1 + 4 * math.sqrt(2 / 60)))


def test_the_file_holds_what_was_said(scan, gain_run):
    facts, path, _, text = gain_run
    found = read_uncertainty(path)
    for f, fact in enumerate(facts):
        for metric in fact["metrics"]:
            sums = combine(found.budgets[f], metric["name"])
            scale = sums.metric.shown.factor
            unit = sums.metric.shown.name.lower()
            said = metric[f"standard_uncertainty_{unit}"]
            assert said == pytest.approx(sums.standard_uncertainty * scale, rel=1e-12)
    provenance = native.read_provenance(path)
    assert provenance["rng_seed"] == "4"
    assert json.loads(provenance["inputs"]) == {str(scan): safe.sha256(scan), str(text): safe.sha256(text)}
    assert provenance["level"].startswith("level: responses in V/m")
    assert found.pattern.intensity.shape[:3] == (3, 2, 2)
    assert b"<svg" in gain_run.plot.read_bytes()


@pytest.mark.slow
def test_the_table_names_all_there_is(scan, budget, tmp_path):
    terms = (
        '[[term]]\nname = "cable"\nstandard_uncertainty = { eirp_db = 0.2, trp_db = 0.2 }\n'
        '[[term]]\nname = "room"\n'
    )
    how = "[propagation]\ndraws = 20\nseed = 5\n"
    path = tmp_path / "out.h5"
    out = succeed("uncertainty", scan, budget(terms + GAIN + how), "-o", path, *ONE)
    assert native.read_provenance(path)["rng_seed"] == "5"
    lines = out.splitlines()
    assert lines[0].endswith("out.h5: 1 error modelled, 20 draws")
    assert re.fullmatch(r"  probe-gain: .*0\.01 .*; systematic, a standard uncertainty .*", lines[1])
    assert lines[2].startswith("degree ")
    assert lines[4] == "3 GHz"
    row = next(x for x in lines if x.startswith("peak EIRP")).split()
    # 0.2 dB and 1 % combine to 0.218 dB; 1.96 times that, as amplitude, is +0.42/-0.44 dB.
    u = 1.96 * math.hypot(0.2 / DB, 0.01)
    assert row[4] == f"+{20 * math.log10(1 + u):.2g}/-{-20 * math.log10(1 - u):.2g}"
    assert re.fullmatch(r"-?\d+\.\d\d", row[2])  # the value to the same place
    assert row[6:8] == ["1.96", "infinite"]
    assert row[-1] == "incomplete"
    parts = next(x for x in lines if x.startswith("probe-gain")).split()
    assert parts[1:3] == ["0.0869", "0.0869"]
    assert next(x for x in lines if x.startswith("cable")).split()[1:] == ["0.2", "0.2", "-", "-"]
    assert "not supplied, and so not part of it: room" in lines
    assert "not supplied for pointing: cable" in lines
    agreed = "draws and first order agree within sampling error: peak EIRP, TRP"
    assert any(x.startswith(agreed) for x in lines)


@pytest.mark.slow
def test_what_goes_beyond_first_order_is_said(scan, budget, tmp_path):
    strong = '[[error]]\nkind = "phase-noise"\nrms_deg = 40\n'
    text = budget(strong, head='metrics = ["trp", "eirp"]\n')
    out = succeed("uncertainty", scan, text, "-o", tmp_path / "out.h5", "--draws", 30, *ONE)
    assert "beyond first order" in out
    assert "by draws, " in out
    assert "to first order: the rest is counted as 'beyond first order'" in out
    assert "known bias of TRP: " in out


@pytest.mark.slow
@pytest.mark.parametrize(
    ("option", "label", "how"),
    [("--input-power-w", "realised gain", ("--draws", 20)), ("--accepted-power-w", "gain", ("--linear",))],
)
def test_gain_needs_the_power_into_the_antenna(scan, budget, tmp_path, option, label, how):
    # Closed form: gain = EIRP / power, 0.2 W; 10 log10(0.2 W / 1 mW) = 23.0103 dBm.
    head = 'metrics = ["eirp", "eirp_there", "gain", "there", "mine"]\n'
    own = "".join(
        f'[[metric]]\nname = "{name}"\nlike = "{like}"\n{more}'
        for name, like, more in (
            ("eirp_there", "eirp", ""),
            ("there", "gain", ""),
            ("mine", "gain", 'label = "the customer\'s gain"\n'),
        )
    )
    place = "".join(f"[figure.{name}]\ntheta_deg = 90\nphi_deg = 30\n" for name in ("eirp_there", "there"))
    text, path = budget(own + GAIN + place, head=head), tmp_path / "out.h5"
    facts = facts_of(scan, text, "-o", path, *how, option, 0.2)
    for fact in facts:
        eirp, there = (metric_of(fact, x) for x in ("eirp", "eirp_there"))
        for name, of in (("gain", eirp), ("there", there), ("mine", eirp)):
            gain = metric_of(fact, name)
            assert gain["value_dbi"] == pytest.approx(of["value_dbm"] - db(200), abs=1e-9)
            # The power is taken as known: the uncertainty is that of EIRP. Each has a derivative of
            # its own, to the 1e-12 asked of the transforms times the square root of the 286 modes
            # of degree 11 and what the differences of two solutions amplify, 1 / 1 % here.
            for key in ("expanded_plus_db", "expanded_minus_db", "standard_uncertainty_db"):
                assert gain[key] == pytest.approx(of[key], rel=1e-8)
            for end in ("low", "high") if "--draws" in how else ():
                level = of["draws"][f"{end}_dbm"] - db(200)
                assert gain["draws"][f"{end}_dbi"] == pytest.approx(level, abs=1e-9)
        assert metric_of(fact, "gain")["label"] == f"peak {label}"
        assert metric_of(fact, "there")["label"] == "there"  # labels of its own stay
        assert metric_of(fact, "mine")["label"] == "the customer's gain"
    found = read_uncertainty(path).results["gain"]
    assert db(found.value[0]) == pytest.approx(metric_of(facts[0], "gain")["value_dbi"], abs=1e-9)
    power = "incident on" if option == "--input-power-w" else "accepted by"
    assert f"input power: 0.2 W {power} the antenna's port" in native.read_provenance(path)["level"]
    plain = budget(
        GAIN + place.partition("[figure.there]")[0].replace("eirp_there", "gain"),
        "plain.toml",
        head='metrics = ["gain"]\n',
    )
    out = succeed("uncertainty", scan, plain, "-o", tmp_path / "2.h5", "--linear", option, 0.2)
    assert f"\n{label} at theta 90, phi 30 deg " in out
    assert "its value needs" not in out


@pytest.mark.slow
def test_gain_without_a_power_and_with_too_little(scan, budget, tmp_path):
    text = budget(GAIN, head='metrics = ["gain"]\n')
    out = succeed("uncertainty", scan, text, "-o", tmp_path / "out.h5", "--linear")
    assert out.splitlines()[-1] == (
        "peak gain is EIRP over the power into the antenna: its value needs --input-power-w or "
        "--accepted-power-w"
    )
    facts = facts_of(scan, text, "-o", tmp_path / "2.h5", "--linear")
    assert metric_of(facts[0], "gain")["value_dbi"] is None
    # Between the powers that are radiated at 3 and at 3.2 GHz (closed form).
    watts = radiated_power_of(read_antenna(scan.with_suffix(".toml")), frequency=[3e9, 3.2e9])
    given = math.sqrt(watts[0] * watts[1])
    facts = facts_of(scan, text, "-o", tmp_path / "3.h5", "--linear", "--input-power-w", given)
    said = f"the radiated power is {watts[1] / given:.4g} times the {given:.6g} W put in: check the"
    assert [any(x.startswith(said) for x in fact["warnings"]) for fact in facts] == [False, True]


@pytest.mark.slow
def test_noise_that_derivatives_overlook(scan, budget, tmp_path):
    # The noise of the budget adds its power to TRP: what `--linear` warns of draws find, and state
    # the value without it.
    text = budget('[[error]]\nkind = "receiver-noise"\nrms_db = -20\n')
    linear = facts_of(scan, text, "-o", tmp_path / "1.h5", "--linear")
    drawn = facts_of(scan, text, "-o", tmp_path / "2.h5", "--draws", 40)
    for one, two in zip(linear, drawn, strict=True):
        (said,) = (x for x in one["warnings"] if x.startswith("noise raises TRP by about "))
        assert said.endswith("draws do and take it off, so leave --linear out")
        assert not [x for x in two["warnings"] if x.startswith("noise raises")]
        trp = metric_of(two, "trp")
        predicted = float(said.split()[5])
        # By both ways to a tenth: the 400 modes in draws of the one, of the other 40 draws of some
        # hundred modes.
        assert trp["bias_db"] == pytest.approx(predicted, rel=0.1)
        # Of powers: 2 - 10^(bias/10) of what was measured (closed form).
        left = 2 - 10 ** (trp["bias_db"] / 10)
        assert trp["corrected_dbm"] == pytest.approx(trp["value_dbm"] + db(left), abs=1e-9)
        assert trp["interval_low_dbm"] < trp["corrected_dbm"] < trp["interval_high_dbm"]
        middle = 0.5 * (trp["interval_low_dbm"] + trp["interval_high_dbm"])
        assert middle == pytest.approx(trp["corrected_dbm"], abs=0.05)


@pytest.mark.slow
def test_linear_makes_no_draws(scan, budget, tmp_path):
    text = budget(GAIN + "[propagation]\ndraws = 50\ndegree = 5\n")
    facts = facts_of(scan, text, "-o", tmp_path / "out.h5", "--linear")
    assert [x["draws_made"] for x in facts] == [0, 0]
    assert [x["degree"] for x in facts] == [5, 5]
    assert facts[0]["error_level_db"] is None
    assert metric_of(facts[0], "trp")["draws"] is None
    assert facts[0]["warnings"]  # that degree 5 is too low
    assert read_uncertainty(tmp_path / "out.h5").pattern is None
    again = facts_of(scan, text, "-o", tmp_path / "two.h5", "--linear", "--degree", 9)
    assert again[0]["degree"] == 9


def test_options_come_before_the_file(scan, budget, tmp_path):
    text = budget(LEAK + "[propagation]\ndraws = 2\nseed = 5\n")
    facts = facts_of(scan, text, "-o", tmp_path / "out.h5", "--draws", 3, "--seed", 6)
    assert facts[0]["draws_made"] == 3
    assert native.read_provenance(tmp_path / "out.h5")["rng_seed"] == "6"


def test_no_picture_without_draws(scan, budget, tmp_path):
    plain = budget('[[term]]\nname = "a"\n', "plain.toml")
    done = run("uncertainty", scan, plain, "-o", tmp_path / "p.h5", "--plot", tmp_path / "p.png")
    assert (done.code, done.err.splitlines()) == (
        0,
        [f"{tmp_path / 'p.png'}: not drawn, as there are no draws"],
    )
    assert not (tmp_path / "p.png").exists()


@pytest.mark.slow
def test_a_probe_and_a_level_are_used(budget, tmp_path):
    # Readings 10 dB below the level by a cable's loss.
    table = simulated(tmp_path / "scan.csv", *STEPS)
    chain = tmp_path / "level.toml"
    chain.write_text(
        'starts_from = "V/m"\n[[step]]\nkind = "loss"\nname = "cable"\nvalue_db = 10.0\n', encoding="utf-8"
    )
    words = (table, budget(GAIN), "--linear")
    plain, (raised,) = (
        facts_of(*words, "-o", tmp_path / f"{more[0][2:]}.h5", *more)
        for more in (("--response-unit", "V/m"), ("--level", chain))
    )
    values = [metric_of(x, "trp")["value_dbm"] for x in (*plain, raised)]
    assert values[1] - values[0] == pytest.approx(10, abs=1e-9)
    inputs = json.loads(native.read_provenance(tmp_path / "level.h5")["inputs"])
    assert str(chain) in inputs
    antenna = tmp_path / "probe.toml"
    antenna.write_text("[[dipole]]\nposition_m = [0, 0, 0]\nelectric_a_m = [1, 0, 0]\n")
    source = tmp_path / "antenna.toml"
    source.write_text(ANTENNA, encoding="utf-8")
    own = tmp_path / "own.h5"
    succeed(
        "simulate", source, "-o", own, "--frequency-ghz", 3, "--radius-m", 0.4, *STEPS, "--probe", antenna
    )
    dipole = tmp_path / "dipole.h5"
    succeed("simulate", antenna, "-o", tmp_path / "d.h5", "--frequency-ghz", 3, "--radius-m", 0.4)
    succeed("transform", tmp_path / "d.h5", "-o", tmp_path / "r.h5", "--degree", 3)
    succeed_quietly("import", tmp_path / "r.h5", "-o", dipole, "--relative")
    text = budget(GAIN, "relative.toml", head='metrics = ["directivity"]\n')
    facts = facts_of(own, text, "-o", tmp_path / "p.h5", "--linear", "--probe", dipole)
    truth = metric_of(plain[0], "directivity")["value_dbi"]
    assert metric_of(facts[0], "directivity")["value_dbi"] == pytest.approx(truth, abs=1e-4)


def succeed_quietly(*words):
    done = run(*words)
    assert done.code == 0, done


@pytest.mark.slow
def test_a_part_of_the_sphere_that_was_not_seen(budget, tmp_path):
    # Within 40 deg of the pole nothing was measured: the solution is damped, and each error drawn
    # by itself. The peak is at theta 120 deg.
    steps = ("--theta-step-deg", 10, "--phi-step-deg", 10, "--radius-m", 2)
    rows, header = rows_of(simulated(tmp_path / "whole.csv", *steps))
    at = header.index("theta_deg")
    scan = put_rows(tmp_path / "part.csv", [x for x in rows if float(x[at]) > 41], header)
    words = ("-o", tmp_path / "out.h5", "--degree", 15, "--response-unit", "V/m")
    every = budget(GAIN)
    line = assert_refused(
        tmp_path,
        "uncertainty",
        scan,
        every,
        *words,
        "--linear",
        says="the samples do not determine all waves, and --linear knows nothing of the damping",
    )
    assert line.startswith(f"nf2ff: {scan}")
    # What is radiated there is not known, nor what depends on it.
    assert_refused(
        tmp_path,
        "uncertainty",
        scan,
        every,
        *words,
        says=r"of the sphere was not measured \(theta 0 to 4. deg\), and what is radiated there is "
        r"not known: no interval holds trp, directivity "
        r"\(nor would one hold pattern\); leave them out of the metrics",
    )
    text = budget(GAIN, "eirp.toml", head='metrics = ["eirp"]\n')
    plot = tmp_path / "cuts.svg"
    (fact,) = facts_of(scan, text, *words, "--draws", 20, "--plot", plot)
    assert any("of the sphere was not measured" in x for x in fact["warnings"])
    # Nor is the error level of the whole sphere, and of the peak all is said that transform says.
    assert fact["error_level_db"] is None
    assert np.isnan(read_uncertainty(tmp_path / "out.h5").error_level).all()
    assert "no pattern error level" in "".join(uncertainty_report(read_uncertainty(tmp_path / "out.h5")))
    assert b"lines end where they hang on what was not measured" in plot.read_bytes()
    done = run("transform", scan, "-o", tmp_path / "r.h5", *words[2:], "--json")
    said = [x for x in json.loads(done.out)["frequencies"][0]["warnings"] if "may not be the highest" in x]
    assert [x for x in fact["warnings"] if "may not be the highest" in x] == said
    assert len(said) == 1
    (term, *_) = metric_of(fact, "eirp")["terms"]
    # Closed form, as above, by 20 draws, three standard deviations of theirs: not half of it.
    assert term["standard_uncertainty_db"] == pytest.approx(0.01 * DB, rel=3 / math.sqrt(38))
    assert term["degrees_of_freedom"] == 19
    assert read_uncertainty(tmp_path / "out.h5").results["eirp"].compared.both_drawn
    # The other way round it is the peak that was not measured.
    scan = put_rows(tmp_path / "other.csv", [x for x in rows if float(x[at]) < 109], header)
    words = ("-o", tmp_path / "none.h5", *words[2:])
    # The beam is some 90 deg wide: one flank was not seen where the peak was.
    assert_refused(
        tmp_path,
        "uncertainty",
        put_rows(tmp_path / "flank.csv", [x for x in rows if float(x[at]) > 71], header),
        budget(GAIN, "width.toml", head='metrics = ["beamwidth", "eirp"]\n'),
        *words,
        says=r"what is radiated there is not known: no interval holds beamwidth \(nor would "
        r"one hold directivity, trp, sidelobe_level, pattern\); leave it out of the metrics",
    )
    assert_refused(
        tmp_path,
        "uncertainty",
        scan,
        text,
        *words,
        says=r"and the peak may lie there: no interval holds eirp \(nor would one hold directivity, gain, "
        r"trp, beamwidth, pointing, sidelobe_level, pattern\); leave it out of the metrics",
    )


@pytest.mark.slow
def test_ctrl_c_keeps_what_there_is(scan, budget, tmp_path, monkeypatch):
    from nf2ff.uncertainty import assess

    real = assess.monte_carlo

    def interrupted(*args, progress, **more):
        def stop(done):
            progress(done)
            raise KeyboardInterrupt

        return real(*args, progress=stop, **more)

    monkeypatch.setattr("nf2ff.uncertainty.draws.BATCH", 2)
    monkeypatch.setattr(assess, "monte_carlo", interrupted)
    words = ("uncertainty", scan, budget(GAIN), "-o", tmp_path / "out.h5", "--draws", 100, *ONE)
    done = run(*words)
    assert done.code == 130
    how = f"they are kept, and --resume {tmp_path / 'out.h5'} makes the rest"
    assert done.err.splitlines() == [f"stopped after 2 of 100 draws: {how}"]
    assert "1 error modelled, 2 draws" in done.out
    assert (read_uncertainty(tmp_path / "out.h5").made) == 2

    def at_once(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr(assess, "monte_carlo", at_once)
    done = run(*words, "--overwrite")
    assert (done.code, done.err.strip()) == (130, "stopped after 0 of 100 draws: none is kept")
    assert read_uncertainty(tmp_path / "out.h5").made == 0


# --- nothing twice -------------------------------------------------------------------------------

#: What is asked of the positions and responses of a scan: once, however many draws are made.
ASKED_ONCE = {
    "check_units": solver,
    "check_angles": solver,
    "check_polarisations": solver,
    "suspect_lengths": solver,
    "suspect_waves": solver,
    "recognise_grid": solver,
}


def spiral_like(scan, path):
    """The antenna of ``scan``, at the same frequencies on an equal-area spiral."""
    points = equal_area_spiral_for_degree(11)
    place = {"theta": np.tile(points.theta, 2), "phi": np.tile(points.phi, 2), "radius": 2.0}
    chi = np.repeat([0, np.pi / 2], points.count)
    antenna = read_antenna(scan.with_suffix(".toml"))
    native.write_samples(path, simulate(antenna, frequency=[3e9, 3.2e9], chi=chi, **place))
    return path


@pytest.mark.slow
@pytest.mark.parametrize("shape", ["grid", "spiral"])
def test_nothing_about_the_scan_is_done_twice(scan, budget, tmp_path, monkeypatch, shape):
    where = scan if shape == "grid" else spiral_like(scan, tmp_path / "spiral.h5")
    calls, planned = Counter(), []

    def count(module, name, note=None):
        real = getattr(module, name)

        def counted(*args, **more):
            calls[name] += 1
            if note is not None:
                note(args[0])
            return real(*args, **more)

        monkeypatch.setattr(module, name, counted)

    for name, module in ASKED_ONCE.items():
        count(module, name)
    for module in (command, nearby):
        count(module, "solve")
    count(nearby, "prepare")
    for module in (problem, remeasured):
        count(module, "plan_geometry", lambda x: planned.append((x.theta.tobytes(), x.phi.tobytes())))
    recorded = native.read_samples(where)
    noise = '[[error]]\nkind = "receiver-noise"\nrms_db = -50\n'
    axis = '[[error]]\nkind = "axis-zero"\naxis = "theta"\noffset_deg = 0.1\n'
    how = ("--draws", 3, "--degree", 9, "--overwrite")
    facts_of(where, budget(noise), "-o", tmp_path / "out.h5", *how)
    once = dict.fromkeys((*ASKED_ONCE, "solve"), 1)
    assert calls == once | {"plan_geometry": 1}
    calls.clear()
    planned.clear()
    facts_of(where, budget(noise + axis), "-o", tmp_path / "out.h5", *how)
    # The record, each of three draws, and for each of two frequencies a step of the axis either way.
    assert calls == once | {"plan_geometry": 1 + 3 + 2 * 2}
    assert planned.count((recorded.theta.tobytes(), recorded.phi.tobytes())) == 1


# --- refused -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (
            '[[error]]\nkind = "phase-noise"\nrms_deg = -2\n',
            r"budget\.toml: error 1 "
            r"\('phase-noise'\).*expected a number >= 0.*\(given: rms_deg = -2\)$",
        ),
        ('[[error]]\nkind = "leekage"\nlevel_db = -40\n', "did you mean 'leakage'"),
        (
            '[[error]]\nkind = "thermal-ramp"\nphase_deg = 1\n',
            r"budget\.toml: error 1 "
            r"\('thermal-ramp'\): thermal-ramp depends on when .*the scan has no times: give time",
        ),
        (
            '[[error]]\nkind = "channel-imbalance"\namplitude = 0.1\n',
            r"budget\.toml: error 1 "
            r"\('channel-imbalance'\): channel-imbalance compares port 2 with others",
        ),
        (GAIN + "[propagation]\ndraws = 0\n", "propagation, draws is 0, expected a whole number"),
        (GAIN + '[propagation]\ndraws = "many"\n', "propagation, draws is 'many', expected"),
        (GAIN + '[[correlation]]\nterms = ["probe-gain", "x"]\ncoefficient = 0.5\n', "there is no term 'x'"),
        ("[figure.pointing]\nplane_deg = 3\n" + GAIN, "pointing takes no key"),
        (GAIN + "[[error]\n", "is not TOML"),
        ('[[error]]\nkind = "probe-gain"\n', "amplitude is missing"),
    ],
)
def test_a_budget_that_is_wrong(scan, budget, tmp_path, text, says):
    path = budget(text)
    (tmp_path / "old.h5").write_bytes(b"precious")
    for name, more in (("new.h5", ()), ("old.h5", ("--overwrite",))):
        words = (scan, path, "-o", tmp_path / name, *ONE, *more)
        line = assert_refused(tmp_path, "uncertainty", *words, says=says)
        assert line.startswith(f"nf2ff: {path}: ")


@pytest.mark.slow
def test_a_pattern_of_the_probe(budget, tmp_path):
    """As CSV: what its reader has to say is said; another time factor than its own is refused."""
    theta, phi = np.radians(np.arange(0, 181, 15)), np.radians(np.arange(0, 360, 15))
    # A Huygens source of 1 W, whose directivity is 3: |E|^2 / (2 Z0) = 3 W / 4 pi (closed form).
    e = math.sqrt(6 * WAVE_IMPEDANCE / (4 * math.pi)) * (1 + np.cos(theta[:, None])) / 2
    field = FarField([3e9], theta, phi, [e * np.cos(phi)], [-e * np.sin(phi)], [1.0], "absolute")
    tables.write_pattern(tmp_path / "probe.csv", field)
    scan = simulated(tmp_path / "scan.csv", *STEPS)
    head = 'metrics = ["directivity"]\n'
    words = (
        "uncertainty",
        scan,
        budget(LEAK, head=head),
        "-o",
        tmp_path / "out.h5",
        "--linear",
        "--response-unit",
        "sqrt(W)",
        "--probe",
        tmp_path / "probe.csv",
    )
    assert_refused(
        tmp_path,
        *words,
        "--time-convention",
        "exp(-iwt)",
        says="probe.csv: --time-convention is that of the scan: import the pattern first",
    )
    done = run(*words)
    assert done.code == 0
    notes = [x.removeprefix("probe: ") for x in done.err.splitlines() if x.startswith("probe: ")]
    assert notes
    assert native.read_provenance(tmp_path / "out.h5")["probe"].splitlines() == notes


def test_levels_of_relative_data(budget, tmp_path):
    scan = simulated(tmp_path / "scan.csv", *STEPS)
    line = assert_refused(
        tmp_path,
        "uncertainty",
        scan,
        budget(GAIN),
        "-o",
        tmp_path / "out.h5",
        "--response-unit",
        "relative",
        says=r"budget\.toml: the level is relative, and eirp, trp would need it absolute: leave "
        r"them out of the metrics, state the unit of the responses, or tie the responses to watts "
        r"\(--response-unit, --level\)$",
    )
    assert line
    head = 'metrics = ["directivity", "pointing"]\n'
    facts = facts_of(
        scan,
        budget(LEAK, "two.toml", head=head),
        "-o",
        tmp_path / "out.h5",
        "--linear",
        "--response-unit",
        "relative",
    )
    assert [x["name"] for x in facts[0]["metrics"]] == ["directivity", "pointing"]


def test_figures_that_the_pattern_has_not(scan, budget, tmp_path):
    head = 'metrics = ["beamwidth"]\n'
    text = budget(GAIN + "[figure.beamwidth]\ndrop_db = 55\n", head=head)
    assert_refused(
        tmp_path,
        "uncertainty",
        scan,
        text,
        "-o",
        tmp_path / "out.h5",
        "--linear",
        says=r"budget\.toml: the cut does not fall by 55 dB at 3 GHz: leave its beamwidth out",
    )


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (("--draws", 0), "--draws is 0, expected 1 to 1000000: --linear makes none"),
        (("--draws", -5), "--draws is -5, expected 1 to 1000000"),
        (("--jobs", 0), "--jobs is 0, expected a number of processes, or -1 for one per core"),
        (("--degree", 0), "scan.h5: degree is 0, expected at least"),
        (("--input-power-w", 0), "--input-power-w is 0, expected watts above 0"),
        (
            ("--accepted-power-w", 1),
            r"budget.toml: --accepted-power-w gives the value of the "
            "metric gain, but metrics are eirp, trp, directivity, pointing: add gain, or leave",
        ),
        (("--degree", 500), "scan.h5: the 624 samples determine degree 12 at most, not 500"),
        (("--plot", "cuts.doc"), "cuts.doc: is not a picture, expected a name that ends in .png,"),
        (("--plot", "none/cuts.png"), "there is no folder none: make it first"),
    ],
)
def test_options_out_of_range(scan, budget, tmp_path, more, says):
    words = (scan, budget(GAIN), "-o", tmp_path / "out.h5", *more)
    assert_refused(tmp_path, "uncertainty", *words, says=says)


def test_files_that_must_not_be_written(scan, budget, tmp_path):
    text = budget(GAIN)
    (tmp_path / "old.png").write_bytes(b"precious")
    out = tmp_path / "out.h5"
    for words, says in (
        ((scan, text, "-o", text), "budget.toml: is an input of this command"),
        ((scan, text, "-o", tmp_path / "no" / "out.h5"), "there is no folder"),
        ((scan, text, "-o", out, "--plot", out), "out.h5: is an input of this command"),
        ((scan, text, "-o", out, "--plot", text), "budget.toml: is an input of this command"),
        ((scan, text, "-o", out, "--plot", tmp_path / "old.png"), "old.png: exists: choose another"),
        ((tmp_path / "none.h5", text, "-o", out), "none.h5: no such file"),
        ((scan, tmp_path / "none.toml", "-o", out), "none.toml: no such file"),
    ):
        assert_refused(tmp_path, "uncertainty", *words, says=says)


def test_a_table_of_the_level_is_an_input(scan, budget, tmp_path):
    cable = put_rows(tmp_path / "cable.dat", [["3e9", "1"], ["4e9", "2"]], ["frequency_hz", "loss_db"])
    chain = tmp_path / "level.toml"
    text = 'starts_from = "V/m"\n[[step]]\nkind = "loss"\nname = "cable"\ntable = "cable.dat"\n'
    chain.write_text(text, encoding="utf-8")
    words = (scan, budget(GAIN), "--level", chain, "-o", cable, "--overwrite", "--linear")
    assert_refused(tmp_path, "uncertainty", *words, says="cable.dat: is an input of this command")


def test_options_that_contradict_each_other(scan, budget, tmp_path):
    for more, says in (
        (("--draws", 5), "--linear makes no draws: leave it or --draws out"),
        (("--plot", "a.png"), "--linear makes no draws: leave it or --plot, whose error bars"),
    ):
        done = run("uncertainty", scan, budget(GAIN), "-o", tmp_path / "o.h5", "--linear", *more)
        assert done.code == 2
        assert says in done.err
    powers = ("--input-power-w", 1, "--accepted-power-w", 1)
    done = run("uncertainty", scan, budget(GAIN), "-o", tmp_path / "o.h5", *powers)
    assert done.code == 2
    assert "--input-power-w and --accepted-power-w: give one" in done.err
    assert run("uncertainty", scan).code == 2


def test_progress_is_shown_on_a_terminal_only(capsys):
    with draws.draws_bar(4) as show:
        show(2)
        show(4)
    assert capsys.readouterr() == ("", "")
