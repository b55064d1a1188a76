"""What pictures of the inside of a box show: the numbers behind them."""

import numpy as np
import pytest
from patterns import HUYGENS

from nf2ff.antenna.modes import Modes
from nf2ff.diagnostics.array import Excitations
from nf2ff.diagnostics.origin import translate
from nf2ff.diagnostics.parts import RadiatingParts
from nf2ff.report.box_plots import box_map, excitation_map, filter_effect, surface_map

PLACE = np.array([0.1, -0.05, 0.2])


def test_the_map_is_bright_where_the_source_is():
    # HUYGENS, at 1 GHz, moved: its place is seen in all three views.
    modes = translate(HUYGENS, -PLACE)
    part = RadiatingParts(1e9, PLACE[None], np.array([1.0]), (HUYGENS,), 0.0, np.zeros((1, 3)), np.zeros(1))
    ax = box_map(modes, middle=np.zeros(3), radius=0.3, centre=PLACE, parts=part)
    panels = ax.figure.axes[:3]
    for panel, (across, up) in zip(panels, [(0, 1), (0, 2), (1, 2)], strict=True):
        (mesh,) = panel.collections
        values = mesh.get_array().reshape(mesh._coordinates.shape[:2])
        x, y = mesh._coordinates[np.unravel_index(np.argmax(values), values.shape)]
        step = np.diff(mesh._coordinates[0, :2, 0])[0]
        assert abs(x - 1e3 * PLACE[across]) <= step
        assert abs(y - 1e3 * PLACE[up]) <= step
        assert values.max() == pytest.approx(0)
        marks = [line for line in panel.lines if line.get_marker() == "o"]
        assert marks[0].get_xdata()[0] == pytest.approx(1e3 * PLACE[across])
        assert panel.get_xlabel() == f"{'xyz'[across]} [mm]"


def test_the_stronger_component_is_drawn_and_phase_counts_from_the_strongest():
    x, y = np.linspace(0, 1, 5), np.linspace(0, 1, 4)
    field = np.zeros((4, 5, 2), dtype=complex)
    field[..., 1] = 0.1j
    field[2, 3, 1] = 2j
    field[1, 1, 1] = 2 * np.exp(1j * np.pi * (0.5 + 1 / 3)) / 2
    field[0, 0, 1] = 1e-4
    labels, names = ("x [mm]", "y [mm]"), ("Ex", "Ey")
    ax = surface_map(x, y, field, names=names, labels=labels, title="")
    level, phase = (panel.collections[0].get_array().reshape(4, 5) for panel in ax.figure.axes[:2])
    # Closed form: 20 log10 of 1/2 and of 1/20; 60 deg.
    assert level[1, 1] == pytest.approx(-6.0206, abs=1e-4)
    assert level[3, 3] == pytest.approx(-26.0206, abs=1e-4)
    assert phase[1, 1] == pytest.approx(60)
    # Where there is hardly any field there is no phase.
    assert np.ma.is_masked(phase[0, 0]) or np.isnan(phase[0, 0])
    assert any("Ey" in panel.get_ylabel() for panel in ax.figure.axes)
    with pytest.raises(ValueError, match="no field to draw"):
        surface_map(x, y, 0 * field, names=names, labels=labels, title="")


def test_dead_elements_are_crossed_out():
    place = np.stack([np.arange(6) * 0.01, np.zeros(6), np.zeros(6)], axis=1)
    weights = np.array([1, 1, 0, 1, 0.5, 1j])
    ax = excitation_map(Excitations(1e9, place, weights, np.full(6, 1e-3), 1e-4))
    level = ax.collections[0].get_array()
    np.testing.assert_allclose(level, 20 * np.log10([1, 1, 1, 0.5, 1]), atol=1e-9)
    ((x, _),) = ax.collections[2].get_offsets()
    assert x == pytest.approx(20)
    assert "1 of 6 elements dead" in ax.figure.get_suptitle()
    assert "-60.0 dB of the median" in ax.figure.get_suptitle()


def test_what_is_removed_is_beyond_the_degree():
    q = np.zeros((1, 30), dtype=complex)
    q[0, [0, 8, 20]] = [1, 0.1, 0.01]
    ax = filter_effect(Modes([1e9], q), centre=np.zeros(3), radius=0.1, degree=2)
    labels = [text.get_text() for text in ax.get_legend().get_texts()]
    # Closed form: 1e-4 of 1.0101 is degree 3.
    assert labels == ["kept: 0.0 dB of the power", "removed: -40.0 dB of the power"]
    np.testing.assert_array_equal(ax.lines[0].get_xdata(), [1, 2])
