"""What an uncertainty is asked of, in TOML: what it gives, and one clear line where it is wrong."""

import math
import re

import numpy as np
import pytest

from nf2ff.io.budget_toml import budget_from, template_text
from nf2ff.io.toml import MAX_TOML, read_toml
from nf2ff.io.uncertainty_toml import (
    BUDGET_KEYS,
    DEFAULT_DRAWS,
    MAX_ERRORS,
    MAX_METRICS,
    MAX_PATTERN_CUTS,
    read_uncertainty_file,
    uncertainty_template,
)
from nf2ff.uncertainty.budget.metric import METRICS
from nf2ff.uncertainty.errors.catalogue import ERROR_TERMS

HEAD = 'metrics = ["eirp", "pointing"]\n'
NOISE = '[[error]]\nkind = "receiver-noise"\nrms_db = -60\n'


@pytest.fixture
def read(tmp_path):
    """Return a function that reads text as such a file."""

    def make(text, head=HEAD):
        path = tmp_path / "budget.toml"
        path.write_text(head + text, encoding="utf-8")
        return read_uncertainty_file(path)

    return make


@pytest.fixture
def refused(read, tmp_path):
    """Return a function that reads text, which must fail with one line, and returns that."""

    def make(text, head=HEAD):
        with pytest.raises(ValueError, match=r"\A[^\n]+\Z") as caught:
            read(text, head)
        start = f"{tmp_path / 'budget.toml'}: "
        assert str(caught.value).startswith(start)
        return str(caught.value).removeprefix(start)

    return make


# --- the template --------------------------------------------------------------------------------


def test_the_template_is_a_budget_without_a_size(read):
    found = read(uncertainty_template(), head="")
    budget = found.assessment.budget
    assert budget.names == [t.name for t in budget.terms if t.size is None]
    assert [m.name for m in budget.metrics] == list(METRICS)
    assert found.assessment.errors == ()
    assert (found.draws, found.seed, found.degree) == (DEFAULT_DRAWS, 0, None)
    np.testing.assert_allclose(np.degrees(found.plane), [0, 90], atol=1e-12)
    assert uncertainty_template().startswith(template_text())


def test_errors_in_the_template_are_valid(read):
    # The "#" taken away from all of them: each takes the place of a term of the customary list.
    lines = uncertainty_template().splitlines()
    start = next(i for i, line in enumerate(lines) if line == "# [[error]]")
    kept = [
        line.removeprefix("# ") if re.match(r"# (\[\[error|\w+ = )", line) else line for line in lines[start:]
    ]
    found = read("\n".join(lines[:start] + kept), head="")
    names = found.assessment.budget.names
    assert len(names) == 18
    assert len(found.assessment.errors) == uncertainty_template().count("# [[error]]") == 14
    assert {x.name for x in found.assessment.errors} <= set(names)


def test_the_template_names_all_errors():
    assert [kind for kind in ERROR_TERMS if kind not in uncertainty_template()] == []


def test_keys_of_the_budget_are_those_that_it_has():
    # The names are said again by `budget_files` where one is unknown.
    with pytest.raises(ValueError, match="key 'x' is unknown, expected one of") as caught:
        budget_from({"metrics": ["eirp"], "term": [{"name": "a"}], "x": 1}, where="here")
    assert str(caught.value).split("one of ")[1].split(": ")[0] == ", ".join(BUDGET_KEYS)


# --- what is read --------------------------------------------------------------------------------


def test_sizes_are_converted(read):
    text = """
[[error]]
kind = "position-noise"
axis = "phi"
rms_deg = 0.5
[[error]]
kind = "position-noise"
axis = "radius"
rms_mm = 2
[[error]]
kind = "leakage"
level_db = -40
phase_deg = 90
"""
    one, two, three = (x.error for x in read(text).assessment.errors)
    # Closed forms: degrees, millimetres, amplitude.
    assert one.rms == math.radians(0.5)
    assert two.rms == 2 / 1000
    assert three.level == pytest.approx(0.01, rel=1e-15)
    assert three.phase == math.radians(90)


def test_errors_have_names_and_places(read):
    text = """
[[term]]
name = "position"
[[term]]
name = "cable"
standard_uncertainty = { eirp_db = 0.1 }
[[error]]
kind = "axis-zero"
axis = "theta"
offset_deg = 0.1
name = "position"
evaluation = "A"
degrees_of_freedom = 4
note = "by a laser"
[[error]]
kind = "axis-zero"
axis = "phi"
offset_deg = 0.1
[[error]]
kind = "axis-zero"
axis = "chi"
offset_deg = 0.1
[[error]]
kind = "phase-noise"
rms_deg = 1
[[correlation]]
terms = ["cable", "cable"]
coefficient = 1
"""
    assessment = read(text).assessment
    assert assessment.budget.names == ["position", "cable", "axis-zero 1", "axis-zero 2", "phase-noise"]
    first, second = assessment.errors[:2]
    assert (first.evaluation, first.degrees_of_freedom, first.note) == ("A", 4, "by a laser")
    assert (second.evaluation, second.degrees_of_freedom, second.note) == ("B", math.inf, "")
    assert assessment.groups == {"position": [0], "axis-zero 1": [1], "axis-zero 2": [2], "phase-noise": [3]}


def test_figures_of_metrics(read):
    head = """metrics = ["directivity", "gain", "eirp", "trp", "beamwidth", "pointing",
                         "sidelobe_level", "pattern", "horizon"]
[[metric]]
name = "horizon"
like = "eirp"
[figure.beamwidth]
plane_deg = 90
drop_db = 10
[figure.sidelobe_level]
plane_deg = 45
[figure.pattern]
theta_deg = 30
phi_deg = -10
[figure.horizon]
theta_deg = 90
phi_deg = 180
"""
    assessment = read(NOISE, head).assessment
    names = {m: [x.name for x in some] for m, some in assessment.figures.items()}
    assert names == {
        "directivity": ["directivity"],
        "gain": ["eirp"],
        "eirp": ["eirp"],
        "trp": ["trp"],
        "beamwidth": ["beamwidth"],
        "pointing": ["pointing-theta", "pointing-phi"],
        "sidelobe_level": ["sidelobe-level"],
        "pattern": ["directivity-towards"],
        "horizon": ["eirp-towards"],
    }
    figures = {m: some[0] for m, some in assessment.figures.items()}
    width = figures["beamwidth"]
    assert (width.plane, width.drop_db) == (math.pi / 2, 10)
    assert figures["sidelobe_level"].plane == math.radians(45)
    towards = figures["pattern"]
    assert (towards.theta, towards.phi) == (math.radians(30), math.radians(-10))
    assert (figures["horizon"].theta, figures["horizon"].phi) == (math.pi / 2, math.pi)
    labels = {m.name: m.label for m in assessment.budget.metrics}
    assert labels == {
        "directivity": "peak directivity",
        "gain": "peak gain",
        "eirp": "peak EIRP",
        "trp": "TRP",
        "beamwidth": "beamwidth (10 dB, cut 90 deg)",
        "pointing": "pointing",
        "sidelobe_level": "sidelobe level (cut 45 deg)",
        "pattern": "pattern at theta 30, phi -10 deg",
        "horizon": "horizon",
    }
    assert assessment.relative_only == ("gain",)
    assert assessment.columns["pointing"] == [5, 6]
    assert len(assessment.all_figures) == 10


def test_planes_in_words(read):
    head = 'metrics = ["beamwidth", "sidelobe_level"]\n'
    text = (
        NOISE
        + """[figure.beamwidth]
plane = "E"
[figure.sidelobe_level]
plane = "phi=45"
[cut]
plane = ["narrow", "30"]
"""
    )
    found = read(text, head)
    figures = found.assessment.figures
    assert [figures[m][0].plane for m in figures] == ["E", "phi=45"]
    assert found.plane == ("narrow", math.radians(30))
    assert [m.label for m in found.assessment.budget.metrics] == [
        "beamwidth (3.01 dB, plane E)",
        "sidelobe level (plane phi=45)",
    ]
    for words, message in (
        ('[figure.beamwidth]\nplane = "F"', "figure.beamwidth: plane is 'F', expected an angle"),
        ("[figure.beamwidth]\nplane = 3", "figure.beamwidth, plane is 3, expected an angle"),
        ('[figure.beamwidth]\nplane = "E"\nplane_deg = 3', "has plane_deg and plane: give one of"),
        ('[cut]\nplane = ["E"]\nplane_deg = [0.0]', "cut: has plane_deg and plane: give one of"),
        ('[cut]\nplane = ["x"]', "cut: plane is 'x', expected an angle"),
    ):
        with pytest.raises(ValueError, match=re.escape(message)):
            read(NOISE + words, head)


def test_a_peak_that_is_none(read):
    text = NOISE + "[figure.eirp]\ntheta_deg = 12.5\nphi_deg = 0\n"
    (metric, _) = read(text).assessment.budget.metrics
    assert metric.label == "EIRP at theta 12.5, phi 0 deg"


def test_what_is_done_how(read):
    found = read(NOISE + "[propagation]\ndegree = 12\ndraws = 50\nseed = 7\n[cut]\nplane_deg = [45, 90.5]\n")
    assert (found.degree, found.draws, found.seed) == (12, 50, 7)
    np.testing.assert_allclose(np.degrees(found.plane), [45, 90.5], rtol=1e-15)


def test_a_size_of_zero_is_one(read):
    text = '[[error]]\nkind = "axes-apart"\ny_mm = 0\n'
    assert read(text).assessment.errors[0].error.y == 0


# --- what is refused -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "says"),
    [
        # Keys of the file.
        (
            '[[errors]]\nkind = "leakage"',
            r"key is 'errors' \(did you mean 'error'\?\), expected "
            "one of confidence, scale, metrics, metric, term, correlation, error, figure, propagatio",
        ),
        ("error = 3", r"error is 3, expected at most 100 tables \[\[error\]\]"),
        ("error = [3]", r"error 1 is 3, expected a table"),
        ("[propagation]\ndraws = 0", "propagation, draws is 0, expected a whole number from 1 to 1000000"),
        ("[propagation]\ndraws = 1.5", r"propagation, draws is 1.5, expected a whole number"),
        ("[propagation]\nseed = -1", r"propagation, seed is -1, expected a whole number from 0"),
        ("[propagation]\ndegree = 0", "propagation, degree is 0, expected a whole number from 1 to 10000"),
        (
            "[propagation]\ndraw = 3",
            "propagation, key 'draw' is unknown, expected one of degree, draws, seed: did you mean 'draws'?",
        ),
        ("[cut]\nplane_deg = []", r"cut, plane_deg is \[\], expected a list of 1 to 3 angles"),
        ("[cut]\nplane_deg = [0, 1, 2, 3]", "cut, plane_deg is .*, expected a list of 1 to 3"),
        ('[cut]\nplane_deg = [0, "a"]', r"cut, plane_deg\[2\] is 'a', expected a list of 1 to 3"),
        ("[cut]\nplane_deg = [nan]", r"cut, plane_deg\[1\] is nan, expected a list of 1 to 3"),
        # Errors.
        (
            "[[error]]\nrms_db = -60",
            "error 1, key 'kind' is missing, expected a name in quotes, one of those that",
        ),
        (
            '[[error]]\nkind = "leakage"\nlevel_db = -60\nname = ""',
            r"error 1 \('leakage'\), name is '', expected 1 to 80 printable characters",
        ),
        ("[[error]]\nkind = 3", "error 1, kind is 3, expected a name in quotes, one of those that"),
        (
            '[[error]]\nkind = "leakages"\nlevel_db = 1',
            r"error 1 \('leakages'\): error term is 'leakages': did you mean 'leakage', ",
        ),
        (
            '[[error]]\nkind = "leakage"',
            r"error 1 \('leakage'\): leakage: level is missing: give "
            r"it \[level\], or level_db$",
        ),
        (
            '[[error]]\nkind = "stray-wave"\nlevel_db = -40',
            r".*theta is missing: give it \[rad\], "
            "or theta_deg$",
        ),
        (
            '[[error]]\nkind = "axis-zero"\naxis = "phi"',
            r".*offset is missing: give it \[rad, or m "
            r"for the radius\], or offset_deg, or offset_mm$",
        ),
        ('[[error]]\nkind = "probe-gain"', r".*amplitude is missing: give it \[relative\]$"),
        (
            '[[error]]\nkind = "axes-apart"',
            r"error 1 \('axes-apart'\): axes-apart has no size: "
            "give x or y or z, 0 if there is none$",
        ),
        (
            '[[error]]\nkind = "leakage"\nlevel_mm = 1',
            r"error 1 \('leakage'\): leakage: level_mm is given, but level is in level",
        ),
        ('[[error]]\nkind = "leakage"\nlevl_db = 1', r"error 1 \('leakage'\): leakage has no 'levl_db'"),
        (
            '[[error]]\nkind = "leakage"\nlevel_db = "loud"',
            r"error 1 \('leakage'\): leakage: level_db is loud, expected a finite number",
        ),
        (
            '[[error]]\nkind = "phase-noise"\nname = "mine"\nrms_deg = -3',
            r"error 1 \('mine'\): phase-noise: rms is -0.0523599 rad, expected a number >= 0: give "
            r"its magnitude \(given: rms_deg = -3\)$",
        ),
        (
            '[[error]]\nkind = "random-walk"\nphase_deg = 1\ntime = { start = 0 }',
            r"error 1 \('random-walk'\): a value is of the wrong type or too large \(.*\): give",
        ),
        (
            '[[error]]\nkind = "leakage"\nlevel_db = 1e9',
            r"error 1 \('leakage'\): a value is of the wrong type or too large \(.*\): give it as",
        ),
        (
            '[[error]]\nkind = "leakage"\nlevel_db = -60\nevaluation = "C"',
            r"error 1 \('leakage'\), evaluation is 'C', expected 'A' or 'B'",
        ),
        (
            '[[error]]\nkind = "leakage"\nlevel_db = -60\ndegrees_of_freedom = 0.5',
            r"error 1 \('leakage'\), degrees_of_freedom is 0.5, expected a number from 1, or inf",
        ),
        (
            '[[error]]\nkind = "leakage"\nlevel_db = -60\nnote = 3',
            r"error 1 \('leakage'\), note is 3, expected at most 500 characters",
        ),
        # Figures.
        (
            NOISE + "[figure.erp]\ntheta_deg = 0\nphi_deg = 0",
            r"\[figure.erp\] is there, but "
            "metrics are eirp, pointing: add it to them, or leave the table out: did you mean 'eirp'",
        ),
        (
            NOISE + "[figure.eirp]\nplane_deg = 0",
            "figure.eirp: has plane_deg, but eirp takes theta_deg, phi_deg: leave it out",
        ),
        (
            NOISE + "[figure.pointing]\nplane_deg = 0",
            "figure.pointing: has plane_deg, but pointing takes no key: leave it out",
        ),
        (
            NOISE + "[figure.eirp]\ntheta_deg = 0",
            "figure.eirp: key 'phi_deg' is missing: give the direction, theta_deg and phi_deg",
        ),
        (
            NOISE + "[figure.eirp]\ntheta_deg = 190\nphi_deg = 0",
            "figure.eirp, theta_deg is 190, expected an angle from 0 to 180 deg",
        ),
        (
            NOISE + "[figure.eirp]\nfrom = 3",
            "figure.eirp, key 'from' is unknown, expected one of "
            "plane_deg, plane, drop_db, theta_deg, phi_deg",
        ),
        (NOISE + "[figure]\neirp = 3", "figure.eirp is 3, expected a table"),
        # What the budget refuses, and what the two do to each other.
        (NOISE + '[[term]]\nname = "a"\nhalf_width_db = -1', r"term 1 \('a'\), half_width_db is -1"),
        (
            '[[term]]\nname = "receiver-noise"\nstandard_uncertainty = { eirp_db = 1 }\n' + NOISE,
            "'receiver-noise' is supplied as a term and modelled as error 1: keep one of them",
        ),
        (
            NOISE + '[[term]]\nname = "a"\n[[correlation]]\nterms = ["a", "receiver-noise"]\n'
            "coefficient = 0.5",
            "'receiver-noise' is modelled and correlates with 'a', but",
        ),
        (
            NOISE + '[[term]]\nname = "a"\n[[correlation]]\nterms = ["a", "b"]\ncoefficient = 0.5',
            "correlation: there is no term 'b'",
        ),
        (
            NOISE
            + "".join(f'[[term]]\nname = "{x}"\n' for x in "abc")
            + "".join(
                f'[[correlation]]\nterms = ["{a}", "{b}"]\ncoefficient = {r}\n'
                for a, b, r in ("ab1", "bc1", "ac0")
            ),
            "the correlations of 'a', 'b', 'c' contradict each other",
        ),
        (NOISE + "term = 3", r"term is 3, expected"),
        ("", r"key 'term' is missing, expected 1 to \d+ tables \[\[term\]\]"),
    ],
)
def test_one_line_names_place_key_and_value(refused, text, says):
    # Keys of the file itself stand before its tables.
    top, mark, tables = text.partition("term = 3")
    line = refused(f"{mark}{tables}\n{top}" if mark else text)
    assert re.match(says, line), line


def test_several_faults_are_counted(refused):
    text = "[propagation]\ndraws = 0\nseed = -1\ndegree = 0"
    assert refused(text).endswith(" (and 2 more errors)")
    assert refused("[propagation]\ndraws = 0\nseed = -1").endswith(" (and 1 more error)")


def test_a_direction_is_needed_for_the_pattern(refused):
    line = refused(NOISE, 'metrics = ["pattern"]\n')
    assert line == ("figure.pattern: key 'theta_deg' is missing: give the direction, theta_deg and phi_deg")


def test_limits(read, refused):
    read(NOISE * MAX_ERRORS)
    assert f"expected at most {MAX_ERRORS} tables" in refused(NOISE * (MAX_ERRORS + 1))
    planes = ", ".join("0" * MAX_PATTERN_CUTS)
    read(NOISE + f"[cut]\nplane_deg = [{planes}]")
    names = [f"m{i}" for i in range(MAX_METRICS)]
    head = f"metrics = {names}\n".replace("'", '"')
    tables = "".join(f'[[metric]]\nname = "{x}"\nlike = "eirp"\n' for x in names)
    read(tables + NOISE, head)
    more = '[[metric]]\nname = "more"\nlike = "eirp"\n'
    assert refused(tables + more + NOISE, head) == (
        f"there are {MAX_METRICS + 1} metrics, expected at most {MAX_METRICS}: leave some out"
    )


def test_what_is_no_toml(tmp_path):
    path = tmp_path / "a.toml"
    for data, says in (
        (b"a = ", "is not TOML"),
        (b"\xff", "is not TOML"),
        (b"a = " + b"[" * 5000, "is not TOML"),
    ):
        path.write_bytes(data)
        with pytest.raises(ValueError, match=rf"a\.toml: {says} \(.*\): correct it there\Z"):
            read_toml(path)
    with path.open("wb") as file:
        file.truncate(MAX_TOML + 1)
    with pytest.raises(ValueError, match=rf"a\.toml: {MAX_TOML + 1} bytes, the limit"):
        read_toml(path)
    with pytest.raises(ValueError, match=r"none\.toml: no such file"):
        read_toml(tmp_path / "none.toml")
