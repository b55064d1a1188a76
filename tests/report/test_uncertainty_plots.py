"""Pictures of uncertainty: what is drawn is what the draws gave, and nothing hides it."""

import math
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.colors import to_hex

from nf2ff.antenna.modes import Modes, mode_index
from nf2ff.report import picture
from nf2ff.report.uncertainty_plots import cuts_with_bars, growth_of_errors, growth_of_level, growth_overview
from nf2ff.uncertainty.budget.budget import Budget
from nf2ff.uncertainty.budget.budget_term import Term
from nf2ff.uncertainty.budget.metric import METRICS
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.growth import Growth, Shown
from nf2ff.uncertainty.request import Cut
from nf2ff.uncertainty.result import MetricResult, PatternDraws, Uncertainty

ANGLE = np.radians(np.arange(-180, 181, 5.0))
PLANES = np.radians([0.0, 90.0, 30.0])
#: 95 % of a normal distribution (tables).
K = 1.959963984540054


def huygens(reference="absolute"):
    """Two frequencies of a Huygens source towards +z: U falls as ((1 + cos theta)/2)^2."""
    q = np.zeros(6, dtype=complex)
    for (s, m), value in {(2, -1): -1, (2, 1): 1, (1, 1): -1, (1, -1): -1}.items():
        q[mode_index(s=s, m=m, n=1)] = value
    return Modes([1.5e9, 2e9], [q, 2 * q], reference)


def with_draws(reference="absolute", planes=PLANES):
    """Standard deviations of 5 %, 10 % and 20 % of the intensity; in the last cut of its peak."""
    modes = huygens(reference)
    # U = D P / 4 pi with D = 3 and P = 1/2 sum |Q|^2 (closed form).
    peak = 3 * modes.radiated_power() / (4 * math.pi)
    u = peak[:, None, None] * np.cos(ANGLE / 2) ** 4 * np.ones((planes.size, 1))
    part = np.array([0.05, 0.1, 0.2])[: planes.size, None]
    spread = part * u
    spread[:, 2:] = 0.2 * peak[:, None, None]
    signal = np.full(u.shape, 1e-3)
    budget = Budget([Term("a")], [METRICS["trp"]])
    results = {"trp": MetricResult("power", modes.radiated_power())}
    pattern = PatternDraws(Cut(0.2, 0.1, planes, ANGLE), np.stack([u, u, spread]), signal)
    return Uncertainty(modes, (budget, budget), results, 50, 40, pattern=pattern)


def lines_of(ax):
    return {line.get_label(): line for line in ax.get_lines() if line.get_label()[0] != "_"}


@pytest.mark.parametrize("index", [0, 1])
def test_levels_are_eirp_with_a_band_about_them(index):
    found = with_draws()
    ax = cuts_with_bars(found, frequency_index=index)
    lines = lines_of(ax)
    # Closed form: EIRP = D P = 3 P towards the peak.
    power = found.modes.radiated_power()[index] / 1e-3
    eirp = 3 * power * np.cos(ANGLE / 2) ** 4
    seen = eirp > 1e-6 * power
    names = ["cut 0° (along theta)", "cut 90° (along phi)", "cut 30°"]
    assert [x for x in lines if x.startswith("cut")] == names
    for i, name in enumerate(names):
        angle, level = lines[name].get_data()
        np.testing.assert_allclose(angle, np.degrees(ANGLE), atol=1e-12)
        np.testing.assert_allclose(level[seen], 10 * np.log10(eirp[seen]), atol=1e-9)
        low, high = edges(ax.collections[i], np.degrees(ANGLE))
        spread = K * (0.2 * 3 * power if i == 2 else (0.05, 0.1)[i] * eirp)
        floor = ax.get_ylim()[0]
        up, down = (10 * np.log10(np.maximum(eirp + s * spread, 1e-30)) for s in (1, -1))
        # Below the floor both are cut off.
        np.testing.assert_allclose(np.maximum(high, floor), np.maximum(up, floor), atol=1e-9)
        np.testing.assert_allclose(np.maximum(low, floor), np.maximum(down, floor), atol=1e-9)
        assert to_hex(ax.collections[i].get_facecolor()[0]) == picture.COLOURS[i]
    top = 10 * math.log10(3 * power * (1 + 0.2 * K))
    assert top < ax.get_ylim()[1] < top + 6
    error = ax.get_lines()[1].get_ydata()
    np.testing.assert_allclose(error, 10 * math.log10(3 * power * 1e-3), atol=1e-9)
    assert f"{(1.5, 2)[index]} GHz: cuts through theta 11.46°, phi 5.73°" in ax.get_title()
    assert "95 %, by 40 draws of the modelled errors" in ax.get_title()
    assert ax.get_ylabel() == "EIRP [dBm]"


def test_lines_and_bands_end_where_nothing_was_measured():
    seen = np.abs(ANGLE) < np.radians(95) + np.zeros((PLANES.size, 1))
    seen[2] = False
    ax = cuts_with_bars(with_draws(), seen=seen)
    assert "lines end where they hang on what was not measured" in ax.get_title()
    for line, here in zip(ax.get_lines(), np.repeat(seen, 2, axis=0), strict=True):
        np.testing.assert_array_equal(np.isfinite(line.get_ydata()), here)
    reach = [x.get_paths()[0].get_extents() for x in ax.collections if x.get_paths()]
    assert [(round(x.x0), round(x.x1)) for x in reach] == [(-90, 90)] * 2  # of steps of 10 deg
    assert ax.get_ylim() == cuts_with_bars(with_draws()).get_ylim()
    whole = cuts_with_bars(with_draws(), seen=np.ones(seen.shape, dtype=bool))
    assert "lines end" not in whole.get_title()


def edges(band, angle):
    """Lower and upper edge of a band at each angle."""
    points = band.get_paths()[0].vertices
    rows = [points[np.isclose(points[:, 0], a, atol=1e-9), 1] for a in angle]
    return np.array([x.min() for x in rows]), np.array([x.max() for x in rows])


def test_relative_data_refer_to_the_peak():
    ax = cuts_with_bars(with_draws("relative"))
    level = lines_of(ax)["cut 30°"].get_ydata()
    assert level.max() == pytest.approx(0, abs=1e-9)
    assert level[36] == pytest.approx(0, abs=1e-9)
    assert ax.get_ylabel() == "level over the peak [dB]"
    # The band reaches 1.4 dB: up to 5 dB, and at least DEPTH down to whole tens of decibels.
    low, high = ax.get_ylim()
    assert (low, high) == (-60, 5)
    assert not np.any(np.mod(ax.get_yticks(), 10))


@pytest.mark.slow
def test_it_fits_on_a_page_and_on_axes_that_are_given():
    ax = cuts_with_bars(with_draws())
    figure = ax.figure
    figure.canvas.draw()
    assert not ax.get_legend().get_window_extent().overlaps(ax.get_window_extent())
    box = ax.get_legend().get_window_extent()
    assert box.x0 >= 0
    assert box.x1 <= figure.bbox.width
    assert "theta^" not in "".join(t.get_text() for t in ax.get_legend().get_texts())
    again = cuts_with_bars(with_draws(planes=PLANES[:1]), ax=figure.add_subplot())
    assert again.figure is figure
    assert len(again.collections) == 1


def test_planes_that_have_names():
    found = with_draws()
    names = ("phi = 0 deg", "phi = 90 deg", "E plane (phi = 30 deg)")[: PLANES.size]
    cut = replace(found.pattern.cut, names=names)
    named = replace(found, pattern=replace(found.pattern, cut=cut))
    assert set(names) < set(lines_of(cuts_with_bars(named)))
    with pytest.raises(ValueError, match="the cut has 1 names, expected 3, or none"):
        replace(cut, names=names[:1])


def test_there_must_be_draws_and_the_frequency():
    found = with_draws()
    with pytest.raises(ValueError, match="frequency_index is 2, expected 0 to 1"):
        cuts_with_bars(found, frequency_index=2)
    bare = Uncertainty(found.modes, found.budgets, found.results)
    with pytest.raises(ValueError, match="no draws followed the pattern: make draws, and give the cuts"):
        cuts_with_bars(bare)


# --- growth --------------------------------------------------------------------------------------


def growth(figures=("eirp", "directivity", "beamwidth"), curves=1, values=(1.0, 10.0, 100.0)):
    """Errors of dB and rad that grow in proportion, a tenth of them either side."""
    x = np.array(values)
    level = np.stack([20 * np.log10(x) - 60 - 3 * f for f in range(curves)], axis=1)
    error = np.stack([np.stack([x * (k + 1) * 1e-3] * curves, 1) for k in range(len(figures))], -1)
    return Growth(
        parameter="size",
        values=x,
        figures=tuple(map(Figure, figures)),
        frequency=np.ones((x.size, 1)) * 1e9 * np.arange(1, curves + 1),
        degree=np.full(x.size, 5),
        samples=np.full(x.size, 90),
        draws=np.full(x.size, 30),
        reference=np.ones(error.shape),
        mean=error,
        spread=0.05 * error,
        low=0.9 * error,
        high=1.1 * error,
        level_db=level,
        level_low_db=level - 1,
        level_high_db=level + 2,
        confidence=0.9,
    )


def named(ax):
    return {x.get_label(): x for x in ax.get_lines() if not x.get_label().startswith("_")}


def test_error_level_with_its_band():
    given = growth(curves=2)
    ax = growth_of_level(given)
    lines = named(ax)
    # 20 dB per decade (closed form, above).
    assert list(lines) == ["1 GHz, 20.0 dB per decade", "2 GHz, 20.0 dB per decade"]
    for f, line in enumerate(lines.values()):
        np.testing.assert_array_equal(line.get_xdata(), given.values)
        np.testing.assert_array_equal(line.get_ydata(), given.level_db[:, f])
        low, high = edges(ax.collections[f], given.values)
        np.testing.assert_allclose(low, given.level_low_db[:, f], rtol=1e-12)
        np.testing.assert_allclose(high, given.level_high_db[:, f], rtol=1e-12)
    assert ax.get_xscale() == "log"
    assert ax.get_xlabel() == "factor on all sizes"
    assert ax.get_title() == "Error of the pattern; band: 90 % of 30 draws"
    assert list(named(growth_of_level(growth()))) == ["pattern error level, 20.0 dB per decade"]
    one = growth(values=(3.0,))
    assert list(named(growth_of_level(one))) == ["pattern error level"]


def test_sets_say_what_was_refused_and_what_certified():
    given = growth(values=(1.0, 2.0, 3.0))
    level = given.level_db.copy()
    level[1] = np.nan
    sets = {
        "names": ("cuts", "powers on one sphere", "places"),
        "remarks": ("", "not enough", ""),
        "certified": [[1.0], [0.0], [0.0]],
        "predicted_db": level,
        "draws": [30, 0, 30],
        "level_db": level,
    }
    ax = growth_of_level(replace(given, parameter="phase-groups", **sets))
    assert [x.get_text() for x in ax.get_xticklabels()] == [
        "cuts\n30 of 30 certified",
        "powers on one\nsphere\nrefused",
        "places\n0 of 30 certified",
    ]
    assert ax.get_xlim()[0] < 1 < 3 < ax.get_xlim()[1]


def test_errors_in_their_unit():
    given = growth()
    ax = growth_of_errors(given)
    lines = named(ax)
    assert list(lines) == ["peak EIRP", "peak directivity"]
    for k, line in enumerate(lines.values()):
        np.testing.assert_array_equal(line.get_ydata(), given.mean[:, 0, k])
        low, high = edges(ax.collections[k], given.values)
        np.testing.assert_allclose(low, given.low[:, 0, k], rtol=1e-12)
        np.testing.assert_allclose(high, given.high[:, 0, k], rtol=1e-12)
    assert ax.get_ylabel() == "error [dB]"
    ax = growth_of_errors(given, unit="rad", shown=Shown("noise [deg]", 2.0))
    ((name, line),) = named(ax).items()
    assert name == "3.01 dB beamwidth in the cut 0 deg"
    np.testing.assert_allclose(line.get_ydata(), np.degrees(given.mean[:, 0, 2]), rtol=1e-15)
    np.testing.assert_allclose(line.get_xdata(), 2 * given.values, rtol=1e-15)
    assert ax.get_ylabel() == "error [deg]"
    assert ax.get_xlabel() == "noise [deg]"
    both = named(growth_of_errors(growth(("eirp",), curves=2)))
    assert list(both) == ["peak EIRP, 1 GHz", "peak EIRP, 2 GHz"]
    with pytest.raises(ValueError, match="no figure of the study has errors in rad: there is"):
        growth_of_errors(growth(("eirp",)), unit="rad")


def test_axes_are_logarithmic_where_values_are_far_apart():
    assert growth_of_level(growth(values=(1.0, 2.0, 3.0))).get_xscale() == "linear"
    leak = Shown("leak [dB]", 0.01, level=True)
    ax = growth_of_level(growth(), shown=leak)
    assert ax.get_xscale() == "linear"
    (line,) = named(ax).values()
    np.testing.assert_allclose(line.get_xdata(), [-40, -20, 0], atol=1e-12)


def test_errors_that_grow_by_decades_show_where_they_are_small():
    # Bands reach 1.1e-3 x 2 at the least value: linear up to the power of ten below, 1e-3.
    ax = growth_of_errors(growth())
    assert ax.get_yscale() == "symlog"
    assert ax.yaxis.get_transform().linthresh == pytest.approx(1e-3, rel=1e-12)
    assert ax.yaxis.get_major_formatter()(-0.01, 0) == "\N{MINUS SIGN}0.01"
    # Of 1, 10, 29 and 1, 10, 31 the second is far apart.
    scales = [growth_of_errors(growth(values=(1.0, 10.0, x))).get_yscale() for x in (29.0, 31.0)]
    assert scales == ["linear", "symlog"]
    # No error at all at one of the values has no logarithm.
    none = replace(
        growth(), low=growth().low * [[[0]], [[1]], [[1]]], high=growth().high * [[[0]], [[1]], [[1]]]
    )
    assert growth_of_errors(none).get_yscale() == "linear"


@pytest.mark.slow
def test_all_in_one_picture():
    first = growth_overview(growth())
    panels = first.figure.axes
    assert [ax.get_ylabel() for ax in panels] == ["pattern error level [dB]", "error [dB]", "error [deg]"]
    assert panels[0] is first
    assert len(growth_overview(growth(("trp",))).figure.axes) == 2
    figure = first.figure
    figure.canvas.draw()
    boxes = [x.get_legend().get_window_extent() for x in panels]
    assert not [1 for a in boxes for ax in panels if a.overlaps(ax.get_window_extent())]
    assert min(x.y0 for x in boxes) >= 0
