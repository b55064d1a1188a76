"""What a page says of half a sphere, of a beam at the pole and of one linear antenna."""

from dataclasses import replace

import numpy as np
import pytest
from patterns import HUYGENS
from report_pages import POINT, Markup, asked_for, scan_of

from nf2ff.antenna.modes import rotate
from nf2ff.io.budget_toml import read_budget
from nf2ff.io.report_toml import LimitTable, ReportMeta
from nf2ff.measurement.probe import field_probe
from nf2ff.metrics.beam import peak
from nf2ff.metrics.result import Quantity, Result
from nf2ff.metrics.summary import summarise
from nf2ff.metrics.transformation import beam_figures, transform_samples
from nf2ff.report.page import pictures
from nf2ff.report.page.assemble import report_page
from nf2ff.report.page.content import PageContent
from nf2ff.report.page.figures import figure_rows, with_budget
from nf2ff.report.page.inputs import ReportInput
from nf2ff.report.result import azimuth_text

#: What needs the field of the whole sphere, by definition: D, TRP, the highest lobe, powers into regions.
NEEDS_ALL = {
    *("peak directivity", "TRP", "power into the upper hemisphere"),
    *(f"highest sidelobe, {cut} cut" for cut in ("first", "second")),
    *(f"power within {width} deg of the horizon" for width in (15, 30, 45)),
}


@pytest.fixture(scope="module")
def half():
    """A scan whose lower readings lack at the last of two frequencies."""
    scan = scan_of().part([0, 1])
    response = scan.response.copy()
    response[1, scan.theta > np.radians(100)] = np.nan
    return replace(scan, response=response)


@pytest.fixture(scope="module")
def asked(half):
    """A report of its result, compared with that of all readings."""
    result = transform_samples(half, field_probe(), degree=10)
    return ReportInput(result, "half.h5", other=("whole.h5", asked_for().result.modes))


def of_modes(modes):
    """A result of modes alone."""
    top = peak(modes)
    return Result(modes, None, beam_figures(modes, top) | summarise(modes, top))


def test_what_needs_the_whole_sphere_is_marked_where_a_part_lacks(asked):
    content = PageContent(asked)
    tables = content.tables([0, 1])
    marked = [{label for label, text in rows if text.endswith(", partial")} for rows in tables["figures"]]
    absent = {label for label, text in tables["figures"][1] if text == "-"}
    assert marked == [set(), NEEDS_ALL - absent]
    # A cardioid has no sidelobes, and one of its flanks was not seen.
    lobes = {f"{which} sidelobe, {cut} cut" for which in ("first", "highest") for cut in ("first", "second")}
    assert absent == {"front-to-back ratio", "half-power beamwidth, first cut"} | lobes
    # What is opposite to the beam was measured at the first frequency alone.
    back = [dict(map(tuple, rows))["front-to-back ratio"] for rows in tables["figures"]]
    assert back[0] != "-"
    assert back[1] == "-"
    tiles = [{label for label, value, _ in content.cards(f) if value.endswith(", partial")} for f in (0, 1)]
    assert tiles == [set(), {"peak directivity", "TRP"}]
    head, lines = content.over_frequency()
    cells = [dict(zip(head, line, strict=True)) for line in lines]
    assert [x["TRP [dBm]"].endswith(", partial") for x in cells] == [False, True]
    assert not any(x["peak EIRP [dBm]"].endswith("partial") for x in cells)


def test_the_mark_is_explained_once(asked, monkeypatch):
    monkeypatch.setattr(pictures, "png_text", lambda draw: POINT if callable(draw) else "")
    text = " ".join("".join(Markup(report_page(asked)).text).split())
    assert text.count("what is radiated there is not known, and the figure leaves it out") == 1
    assert text.count("what is said of all of it counts what was computed there") == 1
    whole = " ".join("".join(Markup(report_page(asked_for())).text).split())
    assert "Partial:" not in whole
    assert ", partial" not in whole


def test_a_comparison_says_what_both_measured(asked):
    rows = [dict(x) for x in PageContent(asked).tables([0, 1])["comparison"]]
    there = "error over what both measured"
    assert list(rows[1])[:4] == [
        *("error over the sphere [dB]", f"{there} [dB]"),
        *(f"{there}: equivalent stray signal there [dB]", f"{there}: part of the sphere [%]"),
    ]
    # Above 100 deg nothing was read: less than (1 - cos 100 deg) / 2 = 58.7 % of the sphere was seen.
    assert rows[0][f"{there}: part of the sphere [%]"] == "100.0"
    assert 10 < float(rows[1][f"{there}: part of the sphere [%]"]) < 58.7
    assert float(rows[1][f"{there} [dB]"]) < float(rows[1]["error over the sphere [dB]"].partition(",")[0])
    lobes = [name for name in rows[1] if name.startswith("highest sidelobe")]
    assert len(lobes) == 4
    for name in lobes:
        assert not rows[0][name].endswith("partial")
        assert rows[1][name] == "-" or rows[1][name].endswith(", partial")
    assert "equivalent stray signal: largest at phi [deg]" in rows[1]
    # What the other result did not see counts as well.
    turned = replace(asked_for(), other=("half.h5", asked.result.modes), other_seen=asked.result.far_field)
    back = [dict(x) for x in PageContent(turned).tables([0, 1, 2])["comparison"]]
    assert back[1][f"{there}: part of the sphere [%]"] == rows[1][f"{there}: part of the sphere [%]"]
    assert back[2][f"{there} [dB]"] == "-"


def test_nothing_is_decided_of_what_is_partial(asked):
    limits = [LimitTable(figure=x, most=99.0, guard=0.0) for x in ("trp", "eirp")]
    trp, eirp = PageContent(replace(asked, meta=ReportMeta(limit=limits))).decisions()
    assert [x["verdict"] for x in trp["rows"]] == ["conforms", "not decided"]
    assert trp["rows"][1]["value"].endswith(" dBm, partial")
    assert "Nothing is decided of a figure that is partial" in trp["rule"]
    assert [x["verdict"] for x in eirp["rows"]] == ["conforms", "conforms"]
    assert "partial" not in eirp["rule"]


def test_metrics_of_a_budget_are_marked_as_well(asked, tmp_path):
    (tmp_path / "b.toml").write_text(
        'metrics = ["trp", "eirp"]\n[[term]]\nname = "probe gain"\n'
        "standard_uncertainty = { trp_db = 0.2, eirp_db = 0.2 }\n",
        encoding="utf-8",
    )
    uncertainty = with_budget(asked.result, read_budget(tmp_path / "b.toml"))
    content = PageContent(replace(asked, uncertainty=uncertainty))
    found = [[row[1].endswith(", partial") for row in rows] for rows in content.tables([0, 1])["metrics"]]
    assert found == [[False, False], [True, False]]
    lines = content.uncertainty_over_frequency()[1]
    assert [[x.endswith(", partial") for x in line[1:]] for line in lines] == found


def test_a_lower_limit_is_conformed_from(monkeypatch):
    monkeypatch.setattr(pictures, "png_text", lambda draw: POINT if callable(draw) else "")
    limits = [LimitTable(figure="directivity", **{x: 1.0}, guard=0.0) for x in ("most", "least")]
    asked = ReportInput(of_modes(HUYGENS), "m.h5", meta=ReportMeta(limit=limits))
    text = "".join(Markup(report_page(asked)).text)
    assert (text.count("conforms up to"), text.count("conforms from")) == (1, 1)


@pytest.mark.parametrize(("beta", "shown"), [(0.0, "-"), (180.0, "-"), (0.005, "-"), (0.05, "30.00")])
def test_a_peak_at_a_pole_has_no_azimuth(beta, shown):
    # A Huygens source, whose peak is along its axis, turned towards theta beta, phi 30 deg.
    turned = rotate(HUYGENS, alpha=np.radians(30), beta=np.radians(beta), gamma=0.3)
    top = {
        "peak_theta": Quantity(np.array([np.radians(beta)]), "rad", "theta"),
        "peak_phi": Quantity(np.array([np.radians(30.0)]), "rad", "phi"),
    }
    result = of_modes(turned)
    result = Result(turned, None, {**result.quantities, **top})
    content = PageContent(ReportInput(result, "m.h5"))
    assert dict(content.tables([0])["figures"][0])["peak at phi"].removesuffix(" deg") == shown
    (value,) = [value for label, value, _ in content.cards(0) if label == "theta, phi of the peak"]
    assert value.endswith(", -" if shown == "-" else ", 30.00°")
    assert azimuth_text(beta, 30.0, 2) == shown


@pytest.mark.parametrize(
    ("ratio_db", "sense", "shown"),
    [
        (186.35, 1, ("infinite", "linear")),
        (np.inf, 0, ("infinite", "linear")),
        (60.0, -1, ("60.00 dB", "left-hand")),
    ],
)
def test_a_needle_of_an_ellipse_is_linear(ratio_db, sense, shown):
    given = {
        "axial_ratio": Quantity(np.array([10 ** (ratio_db / 20)]), "1", "axial ratio"),
        "sense": Quantity(np.array([sense]), "1", "sense"),
    }
    rows = {x.name: x.texts[0] for x in figure_rows(Result(HUYGENS, None, given))}
    assert (rows["axial_ratio"], rows["sense"]) == shown


def test_of_one_frequency_the_part_seen_is_said_of_it(asked):
    assert PageContent(asked).trusted().startswith("At each frequency at least ")
    quantities = {
        name: x._replace(values=np.asarray(x.values)[1:]) for name, x in asked.result.quantities.items()
    }
    one = Result(asked.result.modes.at([1]), None, quantities)
    text = PageContent(ReportInput(one, "half.h5")).trusted()
    share = 100 * float(asked.result.quantities["trusted_fraction"].values[1])
    assert text.startswith(f"{share:.1f} % of the directions were seen.")
