"""`nf2ff report`: what a page holds, what is refused, and that no text of a user becomes markup."""

import builtins
import hashlib
import re
from dataclasses import replace

import numpy as np
import pytest
from commands import assert_refused, run, simulated, succeed
from patterns import HUYGENS
from report_pages import POINT, Markup, facts_of

from nf2ff.antenna.modes import Modes, rotate
from nf2ff.io.native import read_result, read_samples, write_modes, write_samples
from nf2ff.io.report_toml import report_template
from nf2ff.io.tables import write_table
from nf2ff.report.page import pictures

BUDGET = """\
metrics = ["eirp", "trp", "directivity"]
[[term]]
name = "probe gain"
standard_uncertainty = { eirp_db = 0.2, trp_db = 0.2, directivity_db = 0.0 }
[[term]]
name = "room"
"""
#: Whatever of these becomes an element, an attribute or a script has been let in.
HOSTILE = (
    '"><script>window.broken=1</script><img src=x onerror="window.broken=1">',
    "</script><script>window.broken=1</script>",
    "</style></title><svg onload=window.broken=1>",
    "{{ 7 * 7 }} {% raw %} ${window.broken=1} <!-- ' \" & -->",
    "<a href='javascript:window.broken=1'>x</a><b>bold</b>",
)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A scan at two frequencies and its result."""
    folder = tmp_path_factory.mktemp("report")
    options = ("--frequency-ghz", 3, "--frequency-ghz", 3.1, "--theta-step-deg", 15, "--phi-step-deg", 15)
    simulated(folder / "scan.h5", *options)
    succeed("transform", folder / "scan.h5", "-o", folder / "result.h5")
    (folder / "budget.toml").write_text(BUDGET, encoding="utf-8")
    return folder


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    """A point in the place of pictures, which take most of the time and are drawn in other tests."""
    monkeypatch.setattr(pictures, "png_text", lambda draw: POINT if callable(draw) else "")


def page(made, tmp_path, *options):
    """The page of the result with these options."""
    done = run("report", made / "result.h5", "-o", tmp_path / "page.html", *options)
    assert (done.code, done.err) == (0, ""), done
    return (tmp_path / "page.html").read_text(encoding="utf-8")


def text_of(whole):
    return re.sub(r"\s+", " ", "".join(Markup(whole).text))


def test_a_page_says_what_the_result_holds(made, tmp_path):
    whole = page(made, tmp_path)
    text, result = text_of(whole), read_result(made / "result.h5")
    top = 10 * np.log10(result.quantities["peak_directivity"].values)
    trp = 10 * np.log10(result.quantities["radiated_power"].values / 1e-3)
    for value, unit in ((top[0], "dBi"), (trp[0], "dBm")):
        assert f"{value:.2f} {unit}" in text
    assert facts_of(whole)["ghz"] == ["3", "3.1"]
    assert facts_of(whole)["tables"]["cards"][1][0][0] == f"{top[1]:.2f} dBi"
    for name in ("scan.h5", "result.h5"):
        assert hashlib.sha256((made / name).read_bytes()).hexdigest() in text
    # What was not supplied says so, and is never left out.
    assert text.count("not supplied") > 20
    assert "No number in this report is a safety assessment" in text
    assert "End of the report" in text


def test_a_page_needs_nothing_else(made, tmp_path):
    whole = page(made, tmp_path, "--samples", made / "scan.h5", "--budget", made / "budget.toml")
    for tag, attributes in Markup(whole).elements:
        for name in ("src", "href", "action", "data"):
            assert attributes.get(name, "#").startswith(("#", "data:image/png")), (tag, attributes)
    (policy,) = [x for tag, x in Markup(whole).elements if x.get("http-equiv") == "Content-Security-Policy"]
    assert policy["content"].startswith("default-src 'none'; script-src 'sha256-")
    assert "connect-src" not in policy["content"]
    assert len(re.findall("'sha256-", policy["content"])) == 2
    # Equal runs give equal pages.
    assert whole == page(
        made, tmp_path, "--samples", made / "scan.h5", "--budget", made / "budget.toml", "--overwrite"
    )


def test_residual_and_near_field_come_with_the_scan(made, tmp_path):
    whole = page(made, tmp_path, "--samples", made / "scan.h5")
    facts = facts_of(whole)
    assert facts["scan"]["residual"]
    assert {"amplitude", "phase", "residual"} <= set(facts["arrays"])
    assert "Warnings" not in text_of(whole)


def test_a_table_in_the_other_time_convention_fits(made, tmp_path):
    scan = read_samples(made / "scan.h5")
    write_table(tmp_path / "scan.csv", replace(scan, response=scan.response.conj()))
    told = page(made, tmp_path, "--samples", tmp_path / "scan.csv")
    assert "the residual on the sphere is not shown" in text_of(told)
    words = ("--samples", tmp_path / "scan.csv", "--time-convention", "exp(-iwt)", "--overwrite")
    assert facts_of(page(made, tmp_path, *words))["scan"]["residual"]


def test_a_probe_and_its_mounting_count(made, tmp_path):
    # Turned by a right angle the ideal probe reads the other component.
    words = ("--samples", made / "scan.h5", "--probe-chi-offset-deg")
    assert facts_of(page(made, tmp_path, *words, 0))["scan"]["residual"]
    turned = page(made, tmp_path, *words, 90, "--overwrite")
    assert not facts_of(turned)["scan"]["residual"]
    assert "give the scan, the probe and its mounting as for nf2ff transform" in text_of(turned)


def test_another_scan_is_told(made, tmp_path):
    scan = read_samples(made / "scan.h5")
    rng = np.random.default_rng(1)
    write_samples(
        tmp_path / "other.h5", replace(scan, response=scan.response[:, rng.permutation(scan.theta.size)])
    )
    text = text_of(page(made, tmp_path, "--samples", tmp_path / "other.h5"))
    assert "other.h5 is not a file that the result was made from" in text
    assert "the residual on the sphere is not shown: the modes leave" in text


def test_a_budget_without_a_scan_gives_uncertainties(made, tmp_path):
    whole = page(made, tmp_path, "--budget", made / "budget.toml")
    # 0.2 dB times 1.96 (normal distribution, 95 %), both ways within the digits: 20 log10(1 +- u).
    u = 1.959964 * 0.2 * np.log(10) / 20
    expected = f"+{20 * np.log10(1 + u):.2f}/-{-20 * np.log10(1 - u):.2f} dB"
    rows = facts_of(whole)["tables"]["metrics"][0]
    assert [row[2] for row in rows[:2]] == [expected] * 2
    assert facts_of(whole)["tables"]["cards"][0][1][1].startswith(expected)
    assert "not supplied, and so not part of it: room" in text_of(whole)


def test_a_budget_of_another_result_is_told(made, tmp_path):
    scan = read_samples(made / "scan.h5")
    write_samples(tmp_path / "twice.h5", replace(scan, response=2 * scan.response))
    succeed("uncertainty", tmp_path / "twice.h5", made / "budget.toml", "-o", tmp_path / "u.h5", "--linear")
    text = text_of(page(made, tmp_path, "--budget", tmp_path / "u.h5"))
    assert "u.h5 belongs to other modes than the result" in text


@pytest.mark.parametrize(
    ("limit", "verdict"),
    [
        # EIRP, with 0.2 dB times 1.96 on either side.
        ("most = {top} + 1.0", "conforms"),
        ("most = {top} + 0.2", "undecided"),
        ("most = {top} + 0.2\nguard = 0.0", "conforms"),
        ("most = {top} - 0.2\nguard_band = 0.1", "does not conform"),
        ("least = {top} - 1.0\nguard = 2.0", "conforms"),
        ("least = {top} + 1.0", "does not conform"),
    ],
)
def test_limits_are_decided_by_their_rule(made, tmp_path, limit, verdict):
    top = 10 * np.log10(read_result(made / "result.h5").quantities["peak_eirp"].values[0] / 1e-3)
    value = re.sub(r"\{top\} ([+-]) ([\d.]+)", lambda x: f"{top + float(x[1] + x[2]):.9f}", limit)
    (tmp_path / "meta.toml").write_text(
        f'[[limit]]\nname = "a limit"\nfigure = "eirp"\nto_ghz = 3.05\n{value}\n', encoding="utf-8"
    )
    text = text_of(page(made, tmp_path, "--meta", tmp_path / "meta.toml", "--budget", made / "budget.toml"))
    assert f"{verdict} at 1 of 1" in text
    assert "Decision rule." in text


def test_without_an_uncertainty_nothing_is_decided(made, tmp_path):
    (tmp_path / "meta.toml").write_text('[[limit]]\nfigure = "trp"\nmost = 99.0\n', encoding="utf-8")
    assert "not decided at 2 of 2" in text_of(page(made, tmp_path, "--meta", tmp_path / "meta.toml"))


def test_beams_have_a_distribution(made, tmp_path):
    turned = read_result(made / "result.h5").modes
    write_modes(tmp_path / "b.h5", rotate(turned, alpha=1.0, beta=2.0, gamma=0.0))
    facts = facts_of(page(made, tmp_path, "--beam", tmp_path / "b.h5"))
    assert facts["beams"]["quantity"] == "EIRP"
    assert [name.rpartition("/")[2] for name in facts["beams"]["names"]] == ["result.h5", "b.h5"]
    top = float(facts["tables"]["cards"][0][1][0].removesuffix(" dBm"))
    median, high = (float(facts["beams"]["table"][0][i]) for i in (2, 4))
    assert median < high <= top


def test_comparison_and_plan(made, tmp_path):
    succeed("plan", "--template")
    (tmp_path / "plan.toml").write_text(succeed("plan", "--template"), encoding="utf-8")
    modes = read_result(made / "result.h5").modes
    write_modes(tmp_path / "other.h5", Modes(modes.frequency[:1], 1.1 * modes.coefficients[:1], "absolute"))
    whole = page(made, tmp_path, "--compare", tmp_path / "other.h5", "--plan", tmp_path / "plan.toml")
    rows = dict(facts_of(whole)["tables"]["comparison"][0])
    # 10 % of the field more: 20 log10 1.1 = 0.828 dB, and an error of 20 log10 0.1 = -20 dB.
    assert rows["peak EIRP: second less first [dB]"] == "0.828"
    assert rows["error over the sphere [dB]"] == "-20.00"
    assert {value for _, value in facts_of(whole)["tables"]["comparison"][1]} == {"-"}
    assert "Planned and measured" in text_of(whole)


def test_modes_alone_make_a_page(tmp_path):
    write_modes(tmp_path / "m.h5", HUYGENS)
    out = succeed("report", tmp_path / "m.h5", "-o", tmp_path / "m.html")
    assert "m.html: report of" in out
    whole = (tmp_path / "m.html").read_text(encoding="utf-8")
    assert "4.77 dBi" in text_of(whole)  # 10 log10 3, closed form of a Huygens source
    assert "Which directions were seen is not known" in text_of(whole)


def test_hostile_texts_stay_texts(made, tmp_path):
    def literal(text):
        return "'''" + text.replace("'''", "") + "'''"

    keys = iter(HOSTILE * 3)
    lines = [
        re.sub(r'= "[^"]*"', lambda _: f"= {literal(next(keys, HOSTILE[0]))}", x)
        for x in report_template().splitlines()
        if not x.startswith("#")
    ]
    (tmp_path / "meta.toml").write_text(
        "\n".join(lines).replace("equipment = []", f"equipment = [{literal(HOSTILE[1])}]")
        + f'\n[[limit]]\nname = {literal(HOSTILE[0])}\nfigure = "eirp"\nmost = 1.0\n',
        encoding="utf-8",
    )
    # Names of files and of terms, as far as they may have such letters.
    name = "<img src=x onerror=window.broken=1>&amp;'.h5"
    write_modes(tmp_path / name, read_result(made / "result.h5").modes)
    budget = BUDGET.replace('"room"', '"<script>window.broken=1</script>"')
    (tmp_path / "b.toml").write_text(budget, encoding="utf-8")
    plain = Markup(
        page(made, tmp_path, "--budget", made / "budget.toml", "--beam", tmp_path / name, "--overwrite")
    )
    whole = page(
        made,
        tmp_path,
        *("--meta", tmp_path / "meta.toml", "--budget", tmp_path / "b.toml", "--overwrite"),
        *("--beam", tmp_path / name, "--compare", tmp_path / name),
    )
    found = Markup(whole)
    tags = {tag for tag, _ in plain.elements}
    assert {tag for tag, _ in found.elements} <= tags
    for tag, attributes in found.elements:
        assert not [x for x in attributes if x.startswith("on")], (tag, attributes)
    assert len([1 for tag, _ in found.elements if tag == "script"]) == 4
    assert len([1 for tag, _ in found.elements if tag == "style"]) == 1
    # They are there, as texts.
    text = "".join(found.text)
    for one in HOSTILE:
        assert one in text, one
    assert name in text
    assert "49" not in text.partition("7 * 7")[0][-10:]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["-o", "page.txt"], "page.txt: is not the name of a page: choose .*page.html"),
        (
            ["-o", "page.html", "--budget", "scan.h5"],
            "scan.h5: holds samples: give the output of nf2ff uncertainty",
        ),
        (["-o", "page.html", "--frequency-ghz", "5"], "holds no 5 GHz, the nearest frequency is 3.1 GHz"),
        (["-o", "page.html", "--compare", "m.h5"], "m.h5: has no frequency in common with the result"),
        (["-o", "page.html", "--beam", "m.h5"], "m.h5: has no frequency in common with the result"),
        (["-o", "page.html", "--samples", "few.h5"], "the scan holds no 3.1 GHz, which the result has"),
        (
            ["-o", "page.html", "--meta", "bad.toml"],
            "limit 1: the result has no figure 'erp': choose from directivity",
        ),
        (["-o", "nowhere/page.html"], "there is no folder"),
    ],
)
def test_what_does_not_fit_is_refused(made, words, says):
    if not (made / "m.h5").exists():
        write_modes(made / "m.h5", HUYGENS)
        write_samples(made / "few.h5", read_samples(made / "scan.h5").part([0]))
        (made / "bad.toml").write_text('[[limit]]\nfigure = "erp"\nmost = 1.0\n', encoding="utf-8")
    given = [made / x if x.endswith((".h5", ".html", ".txt", ".toml")) else x for x in words]
    assert_refused(made, "report", made / "result.h5", *given, says=says)


def test_probe_without_its_scan_is_misuse(made, tmp_path):
    done = run("report", made / "result.h5", "-o", tmp_path / "p.html", "--probe-tilt-x-deg", 1)
    assert done.code == 2
    assert "give --samples as well" in done.err


def test_a_page_that_exists_stays(made, tmp_path):
    (tmp_path / "page.html").write_bytes(b"precious")
    done = run("report", made / "result.h5", "-o", tmp_path / "page.html")
    assert (done.code, (tmp_path / "page.html").read_bytes()) == (1, b"precious")
    assert "exists: choose another name or give --overwrite" in done.err


@pytest.mark.parametrize("missing", ["jinja2", "plotly"])
def test_without_the_extra_a_line_says_what_to_install(made, tmp_path, monkeypatch, missing):
    real = builtins.__import__

    def without(name, *args, **kwargs):
        if name.partition(".")[0] == missing:
            raise ModuleNotFoundError(name=missing)
        return real(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", without)
    done = run("report", made / "result.h5", "-o", tmp_path / "page.html")
    assert done.code == 1
    assert f"reports need jinja2 and plotly ({missing} is not installed)" in done.err
    assert "pip install 'nf2ff[report]'" in done.err
    assert not (tmp_path / "page.html").exists()


def test_the_template_is_printed():
    assert succeed("report", "--template") == report_template()
