"""Pictures: what is drawn is the metric, nothing needs a display, nothing hides the data."""

import subprocess
import sys

import numpy as np
import pytest
from matplotlib.figure import Figure
from patterns import Z_DIPOLE

from nf2ff.antenna.far_field import far_field
from nf2ff.antenna.modes import Modes, mode_index, mode_numbers, rotate
from nf2ff.metrics import beam
from nf2ff.metrics.gain_and_power import directivity
from nf2ff.report import picture, plots


def huygens(azimuth=0.0):
    """Huygens source towards +z, its electric dipole at ``azimuth`` from x, exp(+jwt)."""
    q = np.zeros(6, dtype=complex)
    for (s, m), value in {(2, -1): -1, (2, 1): 1, (1, 1): -1, (1, -1): -1}.items():
        q[mode_index(s=s, m=m, n=1)] = value * np.exp(-1j * m * azimuth)
    return Modes([1.5e9], [q])


@pytest.fixture
def lopsided(random_q):
    """Two frequencies of degree 6 whose peak lies in none of the planes phi = 0 and 90 deg."""
    return Modes([1e9, 2.4e9], [random_q(6), random_q(6)])


def lines_of(ax):
    return {line.get_label(): line.get_data() for line in ax.get_lines()}


def visible_overlap(ax):
    """Whether the legend covers any part of the axes."""
    figure = ax.figure
    figure.canvas.draw()
    return ax.get_legend().get_window_extent().overlaps(ax.get_window_extent())


@pytest.mark.slow
def test_principal_cuts_draw_the_partial_directivity():
    # Closed form: co-polar 3 ((1 + cos theta)/2)^2 in both planes, no cross-polar.
    ax = plots.principal_cuts(huygens())
    lines = lines_of(ax)
    assert list(lines) == ["co, phi = 0°", "cross, phi = 0°", "co, phi = 90°", "cross, phi = 90°"]
    for name, (theta, level) in lines.items():
        assert theta[0] == -180
        assert theta[-1] == 180
        expected = 3 * np.cos(np.radians(theta) / 2) ** 4
        if name.startswith("co"):
            seen = expected > 1e-6
            np.testing.assert_allclose(level[seen], 10 * np.log10(expected[seen]), atol=1e-8)
        else:
            assert level.max() < -200
    assert "peak 4.77 dBi at theta 0.00°, phi 0.00°" in ax.get_title()
    assert "[deg]" in ax.get_xlabel()
    assert "[dBi]" in ax.get_ylabel()
    low, high = ax.get_ylim()
    assert high > 10 * np.log10(3)
    assert high - low >= picture.DEPTH
    assert not visible_overlap(ax)


def test_reference_polarisation_follows_the_antenna():
    ax = plots.principal_cuts(huygens(np.radians(25)))
    assert "Ludwig-3, reference 25.0°" in ax.get_title()
    assert lines_of(ax)["cross, phi = 90°"][1].max() < -200


def test_negative_theta_is_the_far_side(lopsided):
    lines = lines_of(plots.principal_cuts(lopsided, basis="theta-phi", frequency_index=1))
    theta = np.radians([30.0, 100.0])
    for name, phi in (("phi = 0°", 0.0), ("phi = 90°", np.pi / 2)):
        pattern = far_field(lopsided, theta=theta, phi=[phi, phi + np.pi])
        expected = 10 * np.log10(directivity(pattern)[1])
        total = sum(10 ** (lines[f"{kind}, {name}"][1] / 10) for kind in ("co", "cross"))
        at = lines[f"co, {name}"][0]
        for side, sign in enumerate((1, -1)):
            index = [int(np.argmin(np.abs(at - sign * d))) for d in (30, 100)]
            np.testing.assert_allclose(at[index], sign * np.degrees(theta), atol=1e-9)
            np.testing.assert_allclose(10 * np.log10(total[index]), expected[:, side], atol=1e-9)


def test_cut_through_the_peak_reaches_it(lopsided):
    peak = beam.peak(lopsided)
    for index in range(2):
        lines = lines_of(plots.principal_cuts(lopsided, frequency_index=index))
        assert len(lines) == 6
        name = next(k for k in lines if k.startswith("co") and k.endswith("(peak)"))
        theta, co = lines[name]
        cross = lines[name.replace("co", "cross")][1]
        total = 10 * np.log10(10 ** (co / 10) + 10 ** (cross / 10))
        # The nearest point is within half a degree: (1 - cos) of 2 N times that, in the power.
        np.testing.assert_allclose(
            total.max(),
            10 * np.log10(peak.directivity[index]),
            atol=-10 * np.log10(np.cos(6 * np.radians(0.5)) ** 2),
        )
        side = 1 if peak.phi[index] < np.pi else -1
        assert abs(theta[np.argmax(total)] - side * np.degrees(peak.theta[index])) < 1


def test_a_beam_at_a_pole_has_no_third_cut():
    # Turned by 5 deg, far less than a quarter of its 131 deg, towards any azimuth.
    modes = rotate(huygens(), alpha=0.7, beta=np.radians(5), gamma=0.0)
    assert np.degrees(beam.peak(modes).theta[0]) == pytest.approx(5, abs=1e-3)
    assert len(lines_of(plots.principal_cuts(modes))) == 4
    modes = rotate(huygens(), alpha=0.7, beta=np.radians(60), gamma=0.0)
    assert len(lines_of(plots.principal_cuts(modes))) == 6


def test_stronger_component_at_the_peak_is_the_copolar_one():
    # Closed form: Q_{2,1,1} alone is left-hand circular towards +z, 1.5 ((1 + cos)/2)^2 of it.
    q = np.zeros(6, dtype=complex)
    q[mode_index(s=2, m=1, n=1)] = 1
    ax = plots.principal_cuts(Modes([1e9], [q]), basis="circular")
    assert "co: left-hand, cross: right-hand" in ax.get_title()
    theta, level = lines_of(ax)["co, phi = 0°"]
    expected = 1.5 * np.cos(np.radians(theta) / 2) ** 4
    seen = expected > 1e-6
    np.testing.assert_allclose(level[seen], 10 * np.log10(expected[seen]), atol=1e-8)


@pytest.mark.slow
def test_polar_cuts(lopsided):
    given = {"frequency_index": 1, "basis": "theta-phi"}
    ax, straight = plots.polar_cuts(lopsided, **given), plots.principal_cuts(lopsided, **given)
    for name, (theta, level) in lines_of(ax).items():
        flat_theta, flat_level = lines_of(straight)[name]
        np.testing.assert_allclose(np.degrees(theta), flat_theta)
        np.testing.assert_allclose(level, np.maximum(flat_level, ax.get_rmin()))
    assert ax.get_theta_offset() == np.pi / 2  # zero at the top
    assert ax.get_theta_direction() == -1  # positive angles to the right
    # Rings and their labels, which no line hides.
    assert [x.get_text().replace("\N{MINUS SIGN}", "-") for x in ax.texts] == [
        f"{r:.0f} dBi" for r in ax.get_yticks()
    ]
    assert [x.get_position()[1] for x in ax.texts] == list(ax.get_yticks())
    assert min(x.get_zorder() for x in ax.texts) > max(x.get_zorder() for x in ax.lines)
    assert not visible_overlap(ax)


def test_no_cross_polar_line_lies_under_a_co_polar_one():
    # Of a z-dipole the co-polar line at phi = 0 and, by Ludwig-3, the cross-polar one at 90 deg
    # coincide: the thin one must be on top.
    looks = {x.get_label(): x for x in plots.principal_cuts(Z_DIPOLE).lines}
    co, cross = looks["co, phi = 0°"], looks["cross, phi = 90°"]
    np.testing.assert_allclose(co.get_ydata(), cross.get_ydata(), atol=1e-9)
    assert cross.get_zorder() > co.get_zorder()
    assert cross.get_linewidth() < co.get_linewidth()


def test_power_spectrum_is_that_of_the_modes(lopsided):
    ax = plots.power_spectrum(lopsided, frequency_index=1)
    lines = lines_of(ax)
    power = lopsided.power_spectrum()[1]
    n, level = lines["power in degree n"]
    np.testing.assert_array_equal(n, np.arange(1, 7))
    np.testing.assert_allclose(level, 10 * np.log10(power / power.sum()), atol=1e-12)
    tail = lines["in degree n and above"][1]
    np.testing.assert_allclose(tail[[0, -1]], [0, level[-1]], atol=1e-12)
    assert not visible_overlap(ax)


def test_power_spectrum_of_one_degree():
    ax = plots.power_spectrum(Modes([1e9], np.ones((1, 6))))
    assert ax.get_xticks().tolist() == [1]
    n, tail = lines_of(ax)["in degree n and above"]
    assert (n[0], n[-1]) == (0.5, 1.5)
    assert set(tail) == {0}


def test_power_spectrum_of_many_degrees_and_of_empty_ones():
    n = mode_numbers(70)[2]
    ax = plots.power_spectrum(Modes([1e9], [np.where(n < 50, 1.0, 0.0)]))
    level = lines_of(ax)["power in degree n"][1]
    assert np.all(level[49:] < ax.get_ylim()[0])  # off the picture, not at some invented level


@pytest.mark.slow
def test_axes_given_are_drawn_on_and_saved_without_a_display(lopsided, tmp_path):
    figure = Figure(figsize=(9, 7), layout="constrained")
    for position, call in ((221, plots.principal_cuts), (222, plots.power_spectrum)):
        ax = figure.add_subplot(position)
        assert call(lopsided, ax=ax) is ax
    polar = figure.add_subplot(223, projection="polar")
    assert plots.polar_cuts(lopsided, ax=polar) is polar
    target = tmp_path / "cuts.png"
    figure.savefig(target, dpi=40)
    assert target.read_bytes().startswith(b"\x89PNG")
    own = tmp_path / "own.png"
    plots.polar_cuts(lopsided).figure.savefig(own, dpi=40)
    assert own.read_bytes().startswith(b"\x89PNG")


def test_refusals(lopsided):
    with pytest.raises(ValueError, match="frequency_index is 2, expected 0 to 1"):
        plots.principal_cuts(lopsided, frequency_index=2)
    with pytest.raises(ValueError, match="frequency_index is -1, expected 0 to 1"):
        plots.power_spectrum(lopsided, frequency_index=-1)
    with pytest.raises(ValueError, match="basis is 'elliptic', expected"):
        plots.principal_cuts(lopsided, basis="elliptic")
    with pytest.raises(ValueError, match="ax is rectilinear, expected polar axes"):
        plots.polar_cuts(lopsided, ax=Figure().add_subplot())
    with pytest.raises(ValueError, match="nothing is radiated at 1e\\+09 Hz"):
        plots.power_spectrum(Modes([1e9], [np.zeros(6)]))


def test_linear_components_follow_the_peak():
    # A dipole along x + y, seen along z: tilted by 45 deg from theta^ = x^, and no cross component.
    q = np.zeros((1, 6), dtype=complex)
    q[0, [mode_index(s=2, m=-1, n=1), mode_index(s=2, m=1, n=1)]] = [-1 - 1j, 1 - 1j]
    (title,) = {
        text
        for text in (
            plots.principal_cuts(Modes([1e9], q), basis="linear").get_title(loc=x)
            for x in ("left", "center", "right")
        )
        if "slant" in text
    }
    assert "co and cross linear, slant 45.0° from θ̂" in title


@pytest.mark.slow
def test_matplotlib_is_imported_only_to_draw():
    code = (
        "import sys, numpy; "
        "from nf2ff.report import plots; "
        "from nf2ff.antenna import modes; print('matplotlib' in sys.modules); "
        "plots.power_spectrum(modes.Modes([1e9], numpy.ones((1, 6)))); "
        "print('matplotlib.pyplot' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "False"]
