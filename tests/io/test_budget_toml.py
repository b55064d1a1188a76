"""Budgets in TOML: what they give, and one clear line where they are wrong."""

import math
import re
import tomllib

import numpy as np
import pytest

from nf2ff.io.budget_toml import (
    MAX_BUDGET_BYTES,
    MAX_BUDGET_TERMS,
    SIZES,
    UNIT_FACTORS,
    read_budget,
    template_text,
)
from nf2ff.report.budget import budget_lines
from nf2ff.uncertainty.budget.budget_term import DISTRIBUTIONS, ERROR_SIGNAL, PER_METRIC
from nf2ff.uncertainty.budget.combine import combine
from nf2ff.uncertainty.budget.metric import METRICS

#: A few products and quotients.
RTOL = 20 * 2.0**-52
HEAD = 'metrics = ["eirp", "pointing", "sidelobe_level"]\n'
DB = math.log(10) / 20


@pytest.fixture
def read(tmp_path):
    """Return a function that reads text as a budget."""

    def make(text):
        path = tmp_path / "budget.toml"
        path.write_text(text, encoding="utf-8")
        return read_budget(path)

    return make


@pytest.fixture
def one(read):
    """Return a function that reads the keys of a single term."""

    def make(*lines):
        return read("\n".join([HEAD, "[[term]]", 'name = "a"', *lines])).terms[0]

    return make


# --- the template --------------------------------------------------------------------------------


def test_the_template_has_the_customary_terms(read):
    # A. C. Newell, IEEE Trans. AP 36(6), 754-768, 1988: names from memory.
    budget = read(template_text())
    assert budget.names == [
        "probe relative pattern",
        "probe polarisation",
        "probe gain",
        "probe alignment",
        "normalisation constant",
        "impedance mismatch",
        "AUT alignment",
        "data-point spacing",
        "area truncation",
        "probe transverse position",
        "probe range position",
        "multiple reflections",
        "receiver amplitude nonlinearity",
        "system phase error",
        "dynamic range",
        "room scattering",
        "leakage and crosstalk",
        "random amplitude and phase",
    ]
    assert [m.name for m in budget.metrics] == list(METRICS)
    assert (budget.confidence, budget.scale) == (0.95, "amplitude")


def test_nothing_in_the_template_counts_as_zero(read):
    budget = read(template_text())
    for metric in METRICS:
        found = combine(budget, metric)
        assert found.standard_uncertainty is None
        assert found.missing == tuple(budget.names)
    assert budget_lines(budget).count("combined: not supplied, as no term is") == len(METRICS)


def test_examples_in_the_template_are_valid(read):
    # Those in comments, each after a line that holds "#" and five spaces or more, filled in.
    blocks = re.findall(r"(?:^#     +\S.*\n)+", template_text(), re.M)
    examples = ["\n".join(x[1:].strip() for x in block.splitlines()) for block in blocks]
    sizes = [x for x in examples if not x.startswith("[[")]
    assert len(sizes) == 5
    text = template_text()
    for name, keys in zip(
        (
            "probe gain",
            "normalisation constant",
            "area truncation",
            "probe transverse position",
            "room scattering",
        ),
        sizes,
        strict=True,
    ):
        text = text.replace(f'name = "{name}"', f'name = "{name}"\n{keys}')
    tables = [x for x in examples if x.startswith("[[")]
    assert [x.split("]]")[0] for x in tables] == ["[[correlation", "[[metric"]
    budget = read(text + "\n" + "\n".join(tables))
    supplied = [t.name for t in budget.terms if t.size is not None]
    assert len(supplied) == 5
    assert budget.metrics[-1].label == "pattern at theta 90 deg, phi 0 deg"
    assert budget.correlation[2, 4] == 0.5
    # 0.15, 0.3/sqrt 3, 0.4/2, 0.05 x 0.4/sqrt 3 dB, and -50 dB/sqrt 2: closed forms.
    found = np.abs(combine(budget, "eirp").contributions) / DB
    expected = [0.15, 0.3 / math.sqrt(3), 0.2, 0.02 / math.sqrt(3), 10**-2.5 / math.sqrt(2) / DB]
    np.testing.assert_allclose(found[~np.isnan(found)], expected, rtol=RTOL)


def test_the_template_names_all_units():
    words = template_text().split("(units: ")[1].split(")")[0]
    assert all(re.search(rf"\b{unit}\b", words) for unit in UNIT_FACTORS)


# --- what is read --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("unit", "library", "factor"),
    [
        ("db", "amplitude", DB),
        ("amplitude", "amplitude", 1),
        ("power", "amplitude", 0.5),  # 10 log10(1 + p) = 20 log10(1 + p/2) to first order
        ("deg", "rad", np.pi / 180),
        ("mm", "m", 1e-3),
        ("mhz", "Hz", 1e6),
        ("k", "K", 1),
    ],
)
def test_sizes_and_sensitivities_are_in_their_unit(one, unit, library, factor):
    term = one(f"standard_uncertainty_{unit} = 0.2", "sensitivity = { eirp_db = 0.4, pointing_deg = -3 }")
    assert term.unit == library
    assert term.size == pytest.approx(0.2 * factor, rel=RTOL)
    # 0.2 of the unit makes 0.08 dB and -0.6 deg, whatever the unit.
    assert term.contribution("eirp") == pytest.approx(0.08 * DB, rel=RTOL)
    assert term.contribution("pointing") == pytest.approx(-0.6 * np.pi / 180, rel=RTOL)


def test_every_unit_has_a_test():
    assert list(UNIT_FACTORS) == ["db", "amplitude", "power", "deg", "mm", "mhz", "k"]


@pytest.mark.parametrize("name", [n for n, d in DISTRIBUTIONS.items() if d.bounded])
def test_half_widths(one, name):
    divisor = {"rectangular": 3, "triangular": 6, "arcsine": 2}[name] ** 0.5
    for keys in ("half_width_db = 0.3\nsensitivity.eirp_db = 1", "half_width.eirp_db = 0.3"):
        term = one(keys, f'distribution = "{name}"')
        assert term.distribution == name
        assert term.contribution("eirp") == pytest.approx(0.3 / divisor * DB, rel=RTOL)
    # A standard uncertainty stays what it is.
    for keys in (
        "standard_uncertainty_db = 0.3\nsensitivity.eirp_db = 1",
        "standard_uncertainty.eirp_db = 0.3",
    ):
        term = one(keys, f'distribution = "{name}"')
        assert term.contribution("eirp") == pytest.approx(0.3 * DB, rel=RTOL)


def test_expanded_uncertainties(one):
    for keys in (
        "expanded_uncertainty_db = 0.3\nsensitivity.eirp_db = 1",
        "expanded_uncertainty.eirp_db = 0.3",
    ):
        term = one(keys, "coverage_factor = 2.5")
        assert term.contribution("eirp") == pytest.approx(0.12 * DB, rel=RTOL)


def test_sizes_of_each_metric(one):
    term = one("standard_uncertainty = { eirp_db = 0.15, pointing_deg = 0 }")
    assert term.unit == PER_METRIC
    assert term.contribution("eirp") == pytest.approx(0.15 * DB, rel=RTOL)
    assert term.contribution("pointing") == 0
    assert term.contribution("sidelobe_level") is None


def test_an_error_signal(one):
    term = one("error_signal_db = -40", "sensitivity = { eirp_db = 1, sidelobe_level_db = 10 }")
    assert (term.unit, term.distribution) == (ERROR_SIGNAL, "arcsine")
    assert term.size == pytest.approx(0.01, rel=RTOL)
    assert term.contribution("eirp") == pytest.approx(0.01 / math.sqrt(2), rel=RTOL)
    assert term.contribution("sidelobe_level") == pytest.approx(0.1 / math.sqrt(2), rel=RTOL)
    assert one("error_signal_db = 0", 'distribution = "normal"').standard_uncertainty == 1


def test_what_else_a_term_says(one):
    term = one("degrees_of_freedom = 8", 'evaluation = "A"', 'note = "repeated"')
    assert (term.degrees_of_freedom, term.evaluation, term.note) == (8, "A", "repeated")
    term = one("degrees_of_freedom = inf", "half_width = {}")
    assert (term.degrees_of_freedom, term.evaluation, term.size) == (math.inf, "B", None)


def test_a_sensitivity_may_wait_for_its_size(one):
    term = one("sensitivity.eirp_db = 0.4")
    assert term.size is None
    assert term.contribution("eirp") is None


def test_a_whole_budget(read):
    budget = read(
        'confidence = 0.99\nscale = "power"\nmetrics = ["trp", "horizon"]\n'
        '[[metric]]\nname = "zenith"\nlike = "beamwidth"\nlabel = "cut through the zenith"\n'
        '[[metric]]\nname = "horizon"\nlike = "pattern"\n'
        '[[term]]\nname = "a"\n'
        "standard_uncertainty = {trp_db = 1, horizon_db = 2, zenith_deg = 3}\n"
        '[[term]]\nname = "b"\nstandard_uncertainty.trp_db = 1\n'
        '[[correlation]]\nterms = ["b", "a"]\ncoefficient = -0.5\n'
    )
    assert (budget.confidence, budget.scale) == (0.99, "power")
    # In the order of the list, then those that it does not name.
    assert [m.name for m in budget.metrics] == ["trp", "horizon", "zenith"]
    assert [m.label for m in budget.metrics] == ["TRP", "horizon", "cut through the zenith"]
    assert [m.is_level for m in budget.metrics] == [True, True, False]
    np.testing.assert_array_equal(budget.correlation, [[1, -0.5], [-0.5, 1]])
    # Closed form: 1 + 1 - 2/2 dB squared.
    assert combine(budget, "trp").standard_uncertainty == pytest.approx(DB, rel=RTOL)
    assert combine(budget, "zenith").standard_uncertainty == pytest.approx(np.pi / 60, rel=RTOL)


# --- what is refused -----------------------------------------------------------------------------

SIZE_RANGE = "expected a number from 0 to 1e9"


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        (["half_width_db = -0.1"], f"term 1 ('a'), half_width_db is -0.1, {SIZE_RANGE}"),
        (["standard_uncertainty_mm = 2e9"], f"mm is 2000000000.0, {SIZE_RANGE}"),
        (["half_width_db = nan"], f"half_width_db is nan, {SIZE_RANGE}"),
        (["half_width_db = true"], f"half_width_db is True, {SIZE_RANGE}"),
        (['half_width_db = "1"'], f"half_width_db is '1', {SIZE_RANGE}"),
        (["half_width.eirp_db = -1"], f"half_width.eirp_db is -1, {SIZE_RANGE} for each metric"),
        (["half_width.eirp_db = inf"], f"half_width.eirp_db is inf, {SIZE_RANGE}"),
        (
            ["half_width = 0.1"],
            f"half_width is 0.1, {SIZE_RANGE} for each metric, "
            "as { eirp_db = 0.1 }, or half_width with a unit (db, amplitude, power, deg, mm, mhz, k)",
        ),
        (
            ["half_widht_db = 1"],
            "key 'half_widht_db' is unknown, expected one of name, "
            "distribution, evaluation, coverage_factor, degrees_of_freedom, error_signal_db, "
            "sensitivity, note, standard_uncertainty, half_width, expanded_uncertainty: did you mean "
            "'half_width_db'?",
        ),
        (
            ["half_width_db = -1", "coverage_factor = 0"],
            "coverage_factor is 0, expected a number from 0.1 to 100 (and 1 more error)",
        ),
        (["half_width_db = -1", "coverage_factor = 0", "x = 1"], "(and 2 more errors)"),
        (["error_signal_db = 3"], "error_signal_db is 3, expected a level from -300 to 0"),
        (["degrees_of_freedom = 0.5"], "degrees_of_freedom is 0.5, expected a number from 1, or"),
        (["degrees_of_freedom = nan"], "degrees_of_freedom is nan, expected a number from 1, or"),
        (
            ["sensitivity.eirp_db = 2e9"],
            "sensitivity.eirp_db is 2000000000.0, expected a number from -1e9 to 1e9 for each metric",
        ),
        (['evaluation = "C"'], "term 1 ('a'): the evaluation of 'a' is 'C', expected 'A' or 'B'"),
        (
            ['distribution = "uniform"'],
            "is 'uniform', expected one of normal, rectangular, "
            "triangular, arcsine: did you mean 'rectangular'?",
        ),
        ([f'note = "{501 * "x"}"'], "xxx..., expected a text of at most 500 characters"),
        (
            ["half_width_db = 1"],
            "term 1 ('a'): half_width: the distribution is missing, expected "
            "one of rectangular, triangular, arcsine",
        ),
        (
            ["half_width.eirp_db = 1", 'distribution = "normal"'],
            "half_width: the distribution is 'normal', expected one of rectangular",
        ),
        (["expanded_uncertainty_db = 1"], "expanded_uncertainty needs coverage_factor"),
        (
            ["expanded_uncertainty_db = 1", "coverage_factor = 2", 'distribution = "arcsine"'],
            "needs coverage_factor, as the certificate states it, and the distribution 'normal'",
        ),
        (
            ["standard_uncertainty_db = 1", "coverage_factor = 2"],
            "coverage_factor is 2.0 without an expanded_uncertainty: remove it",
        ),
        (
            ["standard_uncertainty_db = 1", "half_width_deg = 2"],
            "standard_uncertainty_db and half_width_deg are both given: keep one of them",
        ),
        (
            ["standard_uncertainty.eirp_db = 1", "error_signal_db = -9"],
            "standard_uncertainty and error_signal_db are both given",
        ),
        (
            ["standard_uncertainty.eirp_db = 1", "sensitivity.eirp_db = 1"],
            "standard_uncertainty is given for each metric, and a sensitivity: keep one",
        ),
        (
            ["standard_uncertainty.erip_db = 1"],
            "standard_uncertainty has 'erip_db', expected "
            "eirp_db, pointing_deg, sidelobe_level_db: did you mean 'eirp_db'?",
        ),
        (
            ["standard_uncertainty_db = 1", "sensitivity.pointing_db = 1"],
            "sensitivity has 'pointing_db', expected eirp_db",
        ),
        (["sensitivity.trp_db = 1"], "sensitivity has 'trp_db', expected eirp_db, pointing_deg"),
    ],
)
def test_terms_that_are_refused(one, lines, message):
    with pytest.raises(ValueError, match=re.escape(message)) as caught:
        one(*lines)
    assert "\n" not in str(caught.value)
    assert "budget.toml: term 1 ('a')" in str(caught.value)


TERM = '[[term]]\nname = "{}"\n'
PAIR = '[[correlation]]\nterms = ["{}", "{}"]\ncoefficient = {}\n'


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "key 'metrics' is missing, expected a list of one or more of directivity, gain, eirp"),
        (HEAD, f"key 'term' is missing, expected 1 to {MAX_BUDGET_TERMS} tables [[term]]"),
        (HEAD + "term = []", "term is [], expected 1 to 500 tables [[term]]"),
        (HEAD + "term = 3", "term is 3, expected 1 to 500 tables [[term]]"),
        (HEAD + "term = [3]", "term 1 is 3, expected a table"),
        (HEAD + TERM.format("a") * 501, "term is [{'name': 'a'}"),
        (HEAD + "[[term]]", "term 1, key 'name' is missing, expected 1 to 80 characters"),
        (HEAD + TERM.format(""), "term 1, name is '', expected 1 to 80 characters"),
        (HEAD + "[[term]]\nname = 1", "term 1, name is 1, expected 1 to 80 characters"),
        (HEAD + '[[term]]\nname = "a\\tb"', "name 'a\\tb' is not fit for a report: give 1 to 80"),
        (HEAD + 2 * TERM.format("a"), "two terms are named 'a': name each once"),
        ("metrics = []\n" + TERM, "metrics is [], expected a list of one or more of directivity"),
        ("metrics = [1]\n" + TERM, "metrics[1] is 1, expected a list of one or more of"),
        (
            'metrics = ["erip"]\n' + TERM,
            "metrics holds 'erip', expected directivity, gain, eirp, "
            "trp, beamwidth, pointing, sidelobe_level, pattern: did you mean 'eirp'?",
        ),
        ('metrics = ["trp", "trp"]\n' + TERM, "metrics holds 'trp' twice: name each once"),
        ("confidence = 95\n" + HEAD + TERM, "confidence is 95, expected a number from 0.5 to 0.9"),
        ('scale = "dB"\n' + HEAD + TERM, "scale is 'dB', expected one of amplitude, power, log"),
        (
            "terms = 1\n" + HEAD + TERM,
            "key 'terms' is unknown, expected one of confidence, scale, "
            "metrics, metric, term, correlation: did you mean 'term'?",
        ),
        (
            HEAD + TERM + '[[metric]]\nname = "x"\nlike = "patern"',
            "metric 'x', like is 'patern', expected one of directivity",
        ),
        (HEAD + TERM + '[[metric]]\nname = "trp"\nlike = "trp"', "two metrics are named 'trp'"),
        (HEAD + TERM + '[[metric]]\nname = "X"\nlike = "trp"', "the metric is named 'X', expected"),
        (HEAD + TERM + '[[metric]]\nname = "x"', "metric 1 ('x'), key 'like' is missing, expected"),
        (HEAD + TERM.format("a") + PAIR.format("a", "b", 0.5), "correlation: there is no term 'b'"),
        (
            HEAD + TERM.format("probe gain") + PAIR.format("probe gain", "probe gian", 0.5),
            "there is no term 'probe gian': did you mean 'probe gain'?",
        ),
        (
            HEAD + TERM + PAIR.format("a", "b", 1.5),
            "correlation 1, coefficient is 1.5, expected a number from -1 to 1",
        ),
        (
            HEAD + TERM + '[[correlation]]\nterms = ["a"]\ncoefficient = 1',
            "correlation 1, terms is ['a'], expected the names of two terms",
        ),
        (
            HEAD
            + TERM.format("a")
            + TERM.format("b")
            + PAIR.format("a", "b", 0.5)
            + PAIR.format("b", "a", 0.4),
            "correlation of 'b' and 'a' is 0.5 and 0.4: keep one",
        ),
        (
            HEAD
            + TERM.format("a")
            + TERM.format("b")
            + PAIR.format("a", "b", 0.5)
            + PAIR.format("a", "b", 0.4),
            "correlation 2 of 'a' and 'b' is 0.4, and 0.5 before: keep",
        ),
        (
            HEAD
            + "".join(TERM.format(x) for x in "abc")
            + PAIR.format("a", "b", 0.9)
            + PAIR.format("b", "c", 0.9)
            + PAIR.format("a", "c", -0.9),
            "correlations of 'a', 'b', 'c' contradict each other",
        ),
        ("metrics = [", "is not TOML (Invalid"),
        ("a = 1\na = 2", "is not TOML (Cannot overwrite a value (at end of document)): correct it"),
    ],
)
def test_budgets_that_are_refused(read, text, message):
    with pytest.raises(ValueError, match=re.escape(message)) as caught:
        read(text)
    assert "\n" not in str(caught.value)
    assert "budget.toml: " in str(caught.value)
    assert len(str(caught.value).split("budget.toml: ")[1]) < 400


def test_files_that_are_refused(tmp_path):
    with pytest.raises(ValueError, match="no such file: check its name and folder"):
        read_budget(tmp_path / "nothing.toml")
    path = tmp_path / "large.toml"
    path.write_bytes(b"#" * (MAX_BUDGET_BYTES + 1))
    with pytest.raises(ValueError, match=f"{MAX_BUDGET_BYTES + 1} bytes, the limit is {MAX_BUDGET_BYTES}"):
        read_budget(path)
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(ValueError, match=r"is not TOML .*: correct it there") as caught:
        read_budget(path)
    assert "\n" not in str(caught.value)
    path.write_text("a = " + "[" * 100_000)
    with pytest.raises(ValueError, match=r"large\.toml: is not TOML"):
        read_budget(path)
    path.write_text("confidence = " + "1" * 5000)
    with pytest.raises(ValueError, match=r"large\.toml: is not TOML \(Exceeds the limit") as caught:
        read_budget(path)
    assert len(str(caught.value)) < len(str(path)) + 130


def test_names_of_sizes_cannot_be_confused():
    # The unit is what stands after a size and an underscore.
    assert not any(a != b and a.startswith(b) for a in SIZES for b in SIZES)
    assert not any("_" in unit for unit in UNIT_FACTORS)
    assert tomllib.loads(template_text())["metrics"] == list(METRICS)
