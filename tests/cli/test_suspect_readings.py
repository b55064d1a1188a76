"""The commands tell of readings that can hardly be right: on standard error and in the JSON."""

import json

import numpy as np
import pytest
from commands import IN_FIELDS, put_rows, rows_of, run, simulated, succeed

from nf2ff.io import native

STEPS = ("--theta-step-deg", 15, "--phi-step-deg", 15, "--noise", 0.003)
BUDGET = 'metrics = ["directivity"]\n[[error]]\nname = "n"\nkind = "probe-gain"\namplitude = 0.01\n'


@pytest.fixture(scope="module")
def table(tmp_path_factory):
    return simulated(tmp_path_factory.mktemp("sanity") / "scan.csv", *STEPS)


def edited(table, path, edit):
    """The table with readings (M,) changed in place, and rows appended, by ``edit``."""
    rows, header = rows_of(table)
    at = [header.index(name) for name in ("real", "imag")]
    w = np.array([complex(float(r[at[0]]), float(r[at[1]])) for r in rows])
    chi = np.array([float(r[header.index("chi_deg")]) for r in rows])
    w, again = edit(w, chi)
    rows += [list(rows[i]) for i in again]
    for row, x in zip(rows, w, strict=True):
        row[at[0]], row[at[1]] = repr(float(x.real)), repr(float(x.imag))
    return put_rows(path, rows, header)


def spike(w, _):
    w[60] *= 100
    return w, []


def strong_spike(w, _):
    w[200] = 100 * w[np.argmax(np.abs(w))]
    return w, []


def contradiction(w, _):
    row = int(np.argmax(np.abs(w)))
    return np.append(w, -0.5 * w[row]), [row]


def hung(w, _):
    w[150:175] = w[150]
    return w, []


def off(w, _):
    w[150:175] = 0
    return w, []


def turned(w, chi):
    return np.where(chi > 45, np.exp(1j * np.radians(40)), 1) * w, []


CASES = {
    "spike": (spike, "sample 61 (theta 30,"),
    "contradiction": (contradiction, "same position and polarisation, but differ by 6.0 dB and 180"),
    "hung": (hung, "25 readings in a row are the same value, sample 151 (theta"),
    "off": (off, "25 readings in a row are zero, sample 151 (theta"),
    "turned": (turned, "readings at chi 90 deg are off those at chi 0 deg by "),
}


@pytest.mark.slow
@pytest.mark.parametrize(("edit", "says"), CASES.values(), ids=CASES)
def test_transform_warns(table, tmp_path, edit, says):
    scan = edited(table, tmp_path / "scan.csv", edit)
    words = ("transform", scan, *IN_FIELDS, "--degree", 8)
    done = run(*words, "-o", tmp_path / "a.h5")
    assert done.code == 0, done
    assert any(x.startswith("warning, 3 GHz: ") and says in x for x in done.err.splitlines())
    done = run(*words, "-o", tmp_path / "b.h5", "--json")
    (fact,) = json.loads(done.out)["frequencies"]
    assert any(says in x for x in fact["warnings"])
    assert native.read_result(tmp_path / "b.h5").warnings[0] == tuple(fact["warnings"])


@pytest.mark.parametrize("name", ["spike", "contradiction"])
def test_inspect_warns_of_what_needs_no_model(table, tmp_path, name):
    edit, says = CASES[name]
    scan = edited(table, tmp_path / "scan.csv", edit)
    facts = json.loads(succeed("inspect", scan, "--json", *IN_FIELDS))
    (sentence,) = facts["warnings"]
    assert sentence.startswith("3 GHz: ")
    assert says in sentence
    assert says in succeed("inspect", scan, *IN_FIELDS)
    assert json.loads(succeed("inspect", table, "--json", *IN_FIELDS))["warnings"] == []


def test_uncertainty_and_study_warn(table, tmp_path):
    scan = edited(table, tmp_path / "scan.csv", spike)
    budget = tmp_path / "budget.toml"
    budget.write_text(BUDGET, encoding="utf-8")
    words = (*IN_FIELDS, "--degree", 8, "--linear", "--json")
    done = run("uncertainty", scan, budget, "-o", tmp_path / "u.h5", *words)
    (fact,) = json.loads(done.out)["frequencies"]
    assert any("sample 61 (theta" in x for x in fact["warnings"])
    study = tmp_path / "study.toml"
    study.write_text(
        'scan = "scan.csv"\nmetrics = ["directivity"]\ndraws = 2\ndegree = 8\n[vary]\nof = "size"\n'
        'values = [1]\n[[error]]\nkind = "probe-gain"\namplitude = 0.01\n',
        encoding="utf-8",
    )
    done = run("study", study, "-o", tmp_path / "s.h5", "--jobs", 1, *IN_FIELDS)
    assert (done.code, "warning: 3 GHz: sample 61 (theta" in done.err) == (0, True)


@pytest.mark.parametrize(
    ("words", "says"),
    [((), "the sampling is too coarse"), (("--degree", 8), "the modes found do not explain")],
)
def test_a_refusal_names_the_reading(table, tmp_path, words, says):
    scan = edited(table, tmp_path / "scan.csv", strong_spike)
    done = run("transform", scan, *IN_FIELDS, "-o", tmp_path / "a.h5", *words)
    assert (done.code, done.out) == (1, "")
    (line,) = done.err.splitlines()
    assert line.startswith(f"nf2ff: {scan}: sample 201 (theta")
    assert f"; with these readings {says}" in line


def test_a_clean_scan_is_left_alone(table, tmp_path):
    for words in ((), ("--method", "least-squares")):
        out = succeed(
            "transform",
            table,
            *IN_FIELDS,
            "-o",
            tmp_path / f"{len(words)}.h5",
            "--json",
            "--degree",
            11,
            *words,
        )
        assert json.loads(out)["frequencies"][0]["warnings"] == []


def test_phases_that_jump_from_cut_to_cut_are_told_of_alone(table, tmp_path, rng):
    # At the poles all cuts meet: readings there contradict each other, and none of them is wrong.
    turns = np.tile(np.exp(1j * rng.uniform(0, 2 * np.pi, 24)), 2 * 13)
    scan = edited(table, tmp_path / "scan.csv", lambda w, _: (w * turns, []))
    (one,) = json.loads(succeed("inspect", scan, *IN_FIELDS, "--json"))["warnings"]
    assert f"(nf2ff transform {scan} -o RESULT.h5 --coherent cuts --degree " in one
