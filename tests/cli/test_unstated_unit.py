"""A table whose unit nobody stated has no level: in each command, and in Python."""

import json

import numpy as np
import pytest
from commands import ANTENNA, IN_FIELDS, assert_refused, run, simulated, succeed

import nf2ff
from nf2ff.antenna.closed_form import radiated_power_of
from nf2ff.io import tables
from nf2ff.io.antenna_toml import read_antenna
from nf2ff.io.native import read_modes, read_result, read_samples

STEPS = ("--theta-step-deg", 15, "--phi-step-deg", 15)
HEAD = (
    "the unit of the responses is not stated, so they are relative and give directivity, but no EIRP and "
    "no TRP; for these state --response-unit "
)
DIPOLE = "[[dipole]]\nposition_m = [0, 0, 0]\nelectric_a_m = [1, 0, 0]\n"
METRICS = 'metrics = ["directivity"]\n[[error]]\nname = "n"\nkind = "probe-gain"\namplitude = 0.01\n'


@pytest.fixture
def scan(tmp_path):
    return simulated(tmp_path / "scan.csv", *STEPS)


@pytest.fixture
def probe(tmp_path):
    """A lossless dipole as probe, with its level: 1 W into it is what it radiates."""
    source = tmp_path / "dipole.toml"
    source.write_text(DIPOLE, encoding="utf-8")
    own = tmp_path / "own.h5"
    succeed("simulate", source, "-o", own, "--frequency-ghz", 3, "--radius-m", 0.4)
    succeed("transform", own, "-o", tmp_path / "own_result.h5", "--degree", 3)
    watts = radiated_power_of(read_antenna(source), frequency=[3e9])[0]
    run("import", tmp_path / "own_result.h5", "-o", tmp_path / "probe.h5", "--input-power-w", watts)
    return tmp_path / "probe.h5"


def test_in_python(scan):
    for samples in (nf2ff.read_samples(scan), tables.read_table(scan)):
        assert samples.response_unit == "relative"
    solution = nf2ff.solve(nf2ff.read_samples(scan), nf2ff.field_probe())
    assert solution.modes.reference == "relative"
    field = nf2ff.far_field(solution.modes, theta=[1.0], phi=[0.0])
    with pytest.raises(ValueError, match=r"EIRP needs absolute data.*state that the responses are"):
        nf2ff.eirp(field)
    stated = nf2ff.read_samples(scan, response_unit="V/m")
    assert nf2ff.solve(stated, nf2ff.field_probe()).modes.reference == "absolute"


def test_transform_gives_directivity_and_one_line(scan, tmp_path):
    done = run("transform", scan, "-o", tmp_path / "a.h5")
    assert (done.code, done.err) == (0, f"warning: {HEAD}V/m, or give --level\n")
    assert done.out.splitlines()[3].split()[4:6] == ["-", "-"]
    done = run("transform", scan, "-o", tmp_path / "b.h5", "--json")
    (fact,) = json.loads(done.out)["frequencies"]
    assert fact["warnings"] == [f"{HEAD}V/m, or give --level"]
    assert fact["radiated_power_w"] is None
    assert "eirp_dbm" not in fact["peak"]
    result = read_result(tmp_path / "b.h5")
    assert result.warnings == (tuple(fact["warnings"]),)
    assert result.modes.reference == "relative"
    assert result.provenance["level"].startswith("level: responses relative, as no unit was stated")
    # Stated, all is there, and nothing is left to say; directivity is the same.
    out = succeed("transform", scan, "-o", tmp_path / "c.h5", "--json", *IN_FIELDS)
    (stated,) = json.loads(out)["frequencies"]
    antenna = read_antenna(scan.with_suffix(".toml"))
    watts = radiated_power_of(antenna, frequency=[3e9])[0]
    # Steps of 15 deg take degree 11, and leave out what k r0 = 3.5 has above: 1e-6 at most.
    assert stated["radiated_power_w"] == pytest.approx(watts, rel=1e-6)
    assert stated["peak"]["directivity_dbi"] == fact["peak"]["directivity_dbi"]


def test_the_line_comes_once_for_all_frequencies(tmp_path):
    scan = simulated(tmp_path / "s.csv", *STEPS, "--frequency-ghz", 3, "--frequency-ghz", 3.2)
    done = run("transform", scan, "-o", tmp_path / "a.h5", "--json")
    assert done.err.count("not stated") == 1
    facts = json.loads(done.out)["frequencies"]
    assert [x["warnings"] for x in facts] == 2 * [[f"{HEAD}V/m, or give --level"]]


def test_relative_samples_by_an_absolute_probe(probe, tmp_path):
    taken = tmp_path / "taken.csv"
    antenna = tmp_path / "antenna.toml"
    antenna.write_text(ANTENNA, encoding="utf-8")
    out = succeed(
        "simulate",
        antenna,
        "-o",
        taken,
        "--frequency-ghz",
        3,
        "--radius-m",
        0.4,
        *STEPS,
        "--probe",
        tmp_path / "dipole.toml",
    )
    assert out.endswith('a table holds no unit: read it with --response-unit "sqrt(W)"\n')
    words = ("transform", taken, "--probe", probe)
    done = run(*words, "-o", tmp_path / "a.h5")
    assert (done.code, done.err) == (0, f'warning: {HEAD}"sqrt(W)", or give --level\n')
    assert read_modes(tmp_path / "a.h5").reference == "relative"
    out = succeed(*words, "-o", tmp_path / "b.h5", "--json", "--response-unit", "sqrt(W)")
    (fact,) = json.loads(out)["frequencies"]
    watts = radiated_power_of(read_antenna(antenna), frequency=[3e9])[0]
    # As above.
    assert fact["radiated_power_w"] == pytest.approx(watts, rel=1e-6)


def test_a_level_states_what_the_readings_are(scan, tmp_path):
    level = tmp_path / "level.toml"
    level.write_text(
        'starts_from = "V/m"\n[[step]]\nkind = "loss"\nname = "cable"\nvalue_db = 3.0\n', encoding="utf-8"
    )
    out = succeed("transform", scan, "-o", tmp_path / "a.h5", "--level", level, "--json")
    (fact,) = json.loads(out)["frequencies"]
    watts = radiated_power_of(read_antenna(scan.with_suffix(".toml")), frequency=[3e9])[0]
    # As above, and 3 dB more at the probe than at the receiver.
    assert fact["radiated_power_w"] == pytest.approx(watts * 10**0.3, rel=1e-6)


def test_import_writes_relative_and_says_so(scan, tmp_path):
    native = tmp_path / "scan.h5"
    done = run("import", scan, "-o", native)
    units = f'{HEAD}V/m or "sqrt(W)", whichever holds, or give --level when they are transformed'
    assert (done.code, done.err) == (0, f"warning: {units}\n")
    assert read_samples(native).response_unit == "relative"
    # The file says what it is: nothing is left unstated.
    succeed("transform", native, "-o", tmp_path / "r.h5")
    assert_refused(
        tmp_path,
        "transform",
        native,
        "-o",
        tmp_path / "s.h5",
        *IN_FIELDS,
        says=r"is native: exp\(\+jwt\), responses relative: leave those options out, or read the "
        "table it was made of with them$",
    )
    succeed("import", scan, "-o", native, "--overwrite", *IN_FIELDS)
    assert read_samples(native).response_unit == "V/m"


def test_inspect(scan):
    facts = json.loads(succeed("inspect", scan, "--json"))
    assert facts["response_unit"] == "relative"
    (sentence,) = facts["warnings"]
    assert sentence.startswith(HEAD)
    assert sentence in succeed("inspect", scan)
    facts = json.loads(succeed("inspect", scan, "--json", *IN_FIELDS))
    assert (facts["response_unit"], facts["warnings"]) == ("V/m", [])


def test_uncertainty(scan, tmp_path):
    budget = tmp_path / "budget.toml"
    budget.write_text(METRICS, encoding="utf-8")
    words = ("uncertainty", scan, budget, "--linear")
    done = run(*words, "-o", tmp_path / "a.h5", "--json")
    (fact,) = json.loads(done.out)["frequencies"]
    assert done.err == f"warning: {HEAD}V/m, or give --level\n"
    assert fact["warnings"] == [f"{HEAD}V/m, or give --level"]
    assert succeed(*words, "-o", tmp_path / "b.h5", *IN_FIELDS)
    budget.write_text(METRICS.replace('"directivity"', '"directivity", "eirp"'), encoding="utf-8")
    assert_refused(
        tmp_path,
        *words,
        "-o",
        tmp_path / "c.h5",
        says=r"eirp would need it absolute: .* state the unit of the responses, .* "
        r"\(--response-unit, --level\)$",
    )


def test_study(scan, tmp_path):
    text = tmp_path / "study.toml"
    body = (
        'draws = 2\ndegree = 8\n[vary]\nof = "size"\nvalues = [1]\n[[error]]\nkind = "probe-gain"\n'
        "amplitude = 0.01\n"
    )
    text.write_text(f'scan = "{scan.name}"\nmetrics = ["directivity"]\n{body}', encoding="utf-8")
    done = run("study", text, "-o", tmp_path / "a.h5", "--jobs", 1)
    assert done.code == 0
    assert f"warning: {HEAD}V/m\n" in done.err
    text.write_text(f'scan = "{scan.name}"\nmetrics = ["eirp"]\n{body}', encoding="utf-8")
    says = "eirp needs absolute data: these samples are relative; state that the responses are in V"
    assert_refused(tmp_path, "study", text, "-o", tmp_path / "b.h5", "--jobs", 1, says=says)
    done = run("study", text, "-o", tmp_path / "b.h5", "--jobs", 1, *IN_FIELDS)
    assert (done.code, "not stated" in done.err) == (0, False)


def test_simulate_says_how_to_read_its_table(tmp_path):
    source = tmp_path / "dipole.toml"
    source.write_text(DIPOLE, encoding="utf-8")
    words = ("simulate", source, "--frequency-ghz", 3, "--radius-m", 0.4, *STEPS)
    out = succeed(*words, "-o", tmp_path / "a.csv")
    assert out.endswith("; a table holds no unit: read it with --response-unit V/m\n")
    assert "unit" not in succeed(*words, "-o", tmp_path / "a.h5")
    assert np.isfinite(nf2ff.read_samples(tmp_path / "a.csv", response_unit="V/m").response).all()
