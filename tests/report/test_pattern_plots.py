"""What pictures of patterns show: the numbers behind the lines, against closed forms."""

from dataclasses import replace

import numpy as np
import pytest
from patterns import HUYGENS

from nf2ff.antenna.far_field import far_field
from nf2ff.antenna.modes import Modes, rotate
from nf2ff.report.pattern_plots import balloon, level_distribution, pattern_map, peak_cuts, peak_polar


@pytest.fixture
def tilted():
    """A Huygens source towards theta 60, phi 30 deg: directivity 3 (1 + cos a)^2 / 4 at the angle a."""
    return rotate(HUYGENS, alpha=np.radians(30), beta=np.radians(60), gamma=0.3)


def test_cuts_go_through_the_peak_in_both_planes(tilted):
    upper = peak_cuts({"source": tilted})
    for ax in upper.figure.axes:
        co = ax.lines[0]
        angle, level = np.radians(co.get_xdata()), co.get_ydata()
        shown = level > -40
        expected = 10 * np.log10(3 * ((1 + np.cos(angle[shown])) / 2) ** 2)
        np.testing.assert_allclose(level[shown], expected, atol=1e-6)
        # In both principal planes the polarisation is that of the peak all along.
        assert np.max(ax.lines[1].get_ydata()) < -100
    assert "theta 60.00°, phi 30.00°" in upper.get_title()
    names = [text.get_text() for ax in upper.figure.axes for text in ax.texts]
    assert len(set(names)) == 2


def test_a_beam_at_a_pole_has_no_azimuth():
    assert peak_cuts({"source": HUYGENS}).get_title().endswith("theta 0.00°")


def test_co_polar_is_the_most_prominent_line(tilted):
    ax = peak_cuts({"source": tilted})
    assert ax.lines[0].get_linewidth() > ax.lines[1].get_linewidth()
    assert ax.lines[0].get_zorder() > ax.lines[1].get_zorder()


def test_several_patterns_are_named(tilted):
    ax = peak_cuts({"May": tilted, "June": tilted}, reach=np.radians(40))
    legend = [text.get_text() for text in ax.figure.axes[1].get_legend().get_texts()]
    assert legend == ["May, co-polar", "May, cross-polar", "June, co-polar", "June, cross-polar"]
    assert ax.get_xlim() == (-40, 40)


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["theta-phi", "u-v"])
def test_the_mark_of_a_map_stands_on_the_peak(tilted, kind):
    ax = pattern_map(tilted, kind=kind)
    (x,), (y,) = ax.lines[0].get_data()
    if kind == "theta-phi":
        assert (x, y) == pytest.approx((30, 60), abs=1e-3)
    else:
        # sin 60 cos 30 = 0.75 is its largest component: seen towards +x, u along y, v along z.
        assert "+x" in ax.get_title(loc="left")
        assert (x, y) == pytest.approx((np.sin(np.pi / 3) * 0.5, 0.5), abs=1e-5)


@pytest.mark.slow
def test_a_beam_at_phi_0_is_not_cut_in_two():
    ax = pattern_map(rotate(HUYGENS, alpha=-0.01, beta=1.5, gamma=0))
    assert ax.get_xlim() == (-180, 180)
    assert ax.lines[0].get_xdata()[0] == pytest.approx(np.degrees(-0.01), abs=1e-3)


@pytest.mark.slow
def test_the_balloon_reaches_its_full_radius_at_the_peak(tilted):
    ax = balloon(tilted)
    assert "4.77 dBi" in ax.get_title()  # 10 log10 3


def test_the_distribution_is_the_part_of_the_sphere():
    # Of a Huygens source, D = 3 ((1 + x)/2)^2 for x = cos theta uniform in -1 ... 1: the part at or
    # below D is sqrt(D / 3).
    one = Modes([1e9], HUYGENS.coefficients, "relative")
    ax = level_distribution({"source": one})
    level, part = ax.lines[0].get_xdata(), ax.lines[0].get_ydata()
    # Each of the 181 rings stands for half a step to both sides: 1 deg is 0.9 % of it at the equator.
    np.testing.assert_allclose(part, 100 * np.sqrt(10 ** (level / 10) / 3), atol=1.0)
    assert ax.get_xlabel() == "directivity [dBi]"


def test_the_best_of_several_is_never_below_any(tilted):
    ax = level_distribution({"a": tilted, "b": HUYGENS})
    assert [line.get_label() for line in ax.lines] == ["a", "b", "the best of them"]
    grid = np.linspace(-10, 4, 30)
    parts = [
        np.interp(grid, line.get_xdata() - ax.lines[0].get_xdata().max() + 4.77, line.get_ydata())
        for line in ax.lines
    ]
    assert np.all(parts[2] <= np.minimum(parts[0], parts[1]) + 1e-9)


def test_bad_input(tilted):
    with pytest.raises(ValueError, match="no pattern to draw"):
        peak_cuts({})
    with pytest.raises(ValueError, match="7 patterns cannot be told apart in one picture: give up to 6"):
        peak_cuts({str(i): tilted for i in range(7)})
    two = Modes([1e9, 2e9], np.repeat(tilted.coefficients, 2, axis=0))
    with pytest.raises(ValueError, match="it has 2 frequencies: choose one"):
        peak_cuts({"it": two})


@pytest.fixture
def upper_seen(tilted):
    """Marks theta above 90 deg as not seen, on a grid of 5 deg."""
    theta, phi = np.radians(np.arange(0, 181, 5)), np.radians(np.arange(0, 360, 5))
    field = far_field(tilted, theta=theta, phi=phi)
    mark = np.broadcast_to((theta <= np.pi / 2 + 1e-9)[:, None], (theta.size, phi.size))
    return replace(field, trusted=mark[None])


def test_cuts_are_dotted_where_nothing_was_seen(tilted, upper_seen):
    """In the plane of phi theta grows by the angle from 60 deg: what is beyond 30 deg was not seen."""
    upper = peak_cuts({"source": tilted}, plane=0.0, seen={"source": upper_seen})
    solid, dotted = upper.lines[:2]
    angle = solid.get_xdata()
    # Above the pole, at -60 deg, theta grows again: 90 deg on the other side at -150 deg.
    seen = (angle <= 30 + 1e-9) & (angle >= -150 - 1e-9)
    if np.isnan(solid.get_ydata()[np.argmin(np.abs(angle - 20))]):
        seen = (angle >= -30 - 1e-9) & (angle <= 150 + 1e-9)
    np.testing.assert_array_equal(np.isnan(solid.get_ydata()), ~seen)
    np.testing.assert_array_equal(np.isnan(dotted.get_ydata()), seen)
    assert "dotted: hangs on what was not measured" in upper.get_title()
    assert len(upper.figure.axes[1].get_legend().get_texts()) == 2
    assert "dotted" not in peak_cuts({"source": tilted}).get_title()


def test_the_polar_diagram_goes_through_the_peak(tilted, upper_seen):
    """Closed form, as of the cuts; what is below the floor is on it."""
    ax = peak_polar(tilted)
    assert ax.name == "polar"
    for line in ax.lines[::2]:
        angle, level = line.get_xdata(), line.get_ydata()
        shown = level > ax.get_rmin() + 1e-9
        expected = 10 * np.log10(3 * ((1 + np.cos(angle[shown])) / 2) ** 2)
        np.testing.assert_allclose(level[shown], expected, atol=1e-6)
    assert "angle from the peak" in ax.get_title()
    assert "not measured" in peak_polar(tilted, seen=upper_seen).get_title()


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["theta-phi", "u-v"])
def test_maps_are_hatched_where_nothing_was_seen(tilted, upper_seen, kind):
    ax = pattern_map(tilted, kind=kind, seen=upper_seen)
    (veil,) = [x for x in ax.collections if any(getattr(x, "hatches", None) or [])]
    y = np.concatenate([path.vertices[:, 1] for path in veil.get_paths() if len(path.vertices)])
    # Theta from 90 to 180 deg; of the view towards +x, z below 0. A raster of 0.5 deg, 1/180.
    if kind == "theta-phi":
        assert 89.4 < y.min() < 90.6
        assert y.max() == pytest.approx(180)
    else:
        assert -0.01 < y.max() < 0.01
    assert "hatched: hangs on what was not measured" in ax.figure.get_suptitle()


@pytest.mark.slow
def test_the_balloon_is_grey_where_nothing_was_seen(tilted, upper_seen):
    assert "grey: hangs on what was not measured" in balloon(tilted, seen=upper_seen).get_title()
    plain, marked = (
        len(np.unique(ax.collections[0].get_facecolor().round(3), axis=0))
        for ax in (balloon(tilted), balloon(tilted, seen=upper_seen))
    )
    assert marked != plain
