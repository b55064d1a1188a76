"""Lengths, losses and sizes of ranges against published tables and closed forms."""

import math

import numpy as np
import pytest

from nf2ff.antenna.modes import SPEED_OF_LIGHT
from nf2ff.ranges import lengths


@pytest.mark.parametrize(
    ("zone_cm", "table"), [(20, (0.48, 0.58, 0.74, 0.91, 0.95)), (30, (0.53, 0.63, 0.79, 0.96, 1.00))]
)
def test_published_lengths(zone_cm, table):
    """3GPP TS 38.508-1 Table B.2.2.4-1, D = 5 cm; two digits are printed."""
    found = lengths.direct_length(zone_cm / 200, 0.05, [24.25e9, 30e9, 40e9, 50e9, 52.6e9])
    np.testing.assert_array_equal(np.round(found, 2), table)


@pytest.mark.parametrize(
    ("cm", "at_28", "at_100", "focal"),
    [
        (5, (0.467, 54.78), (1.668, 76.89), (0.35, 52.27, 63.33)),
        (10, (1.868, 66.82), (6.671, 88.93), (0.70, 58.29, 69.35)),
        (15, (4.203, 73.86), (15.010, 95.98), (1.05, 61.81, 72.87)),
        (20, (7.472, 78.86), (26.685, 100.97), (1.40, 64.31, 75.37)),
        (25, (11.675, 82.74), (41.696, 104.85), (1.75, 66.25, 77.31)),
        (30, (16.812, 85.90), (60.042, 108.02), (2.10, 67.84, 78.89)),
    ],
)
def test_far_field_distance_and_loss(cm, at_28, at_100, focal):
    """Closed forms, evaluated apart from this program; TR 38.810 5.2.1.2 (from memory)."""
    for frequency, (distance, loss) in ((28e9, at_28), (100e9, at_100)):
        found = lengths.far_field_distance(cm / 100, frequency)
        assert found == pytest.approx(distance, abs=5.1e-4)
        assert lengths.free_space_loss_db(found, frequency) == pytest.approx(loss, abs=5.1e-3)
        # The phase at the edge is pi / 8 (closed form).
        assert lengths.edge_phase(cm / 100, found, frequency) == pytest.approx(math.pi / 8, rel=1e-12)
    length = lengths.focal_length(cm / 100)
    assert length == pytest.approx(focal[0], rel=1e-12)
    for frequency, loss in zip((28e9, 100e9), focal[1:], strict=True):
        assert lengths.free_space_loss_db(length, frequency) == pytest.approx(loss, abs=5.1e-3)


def test_offset():
    """Closed form 20 lg(R / (R -+ o)): 12.5 cm at 1 m and at 0.5 m; parallax 7.1 deg at 1 m."""
    assert np.round(lengths.offset_errors_db(0.125, 1.0), 2).tolist() == [1.16, -1.02]
    assert np.round(lengths.offset_errors_db(0.125, 0.5), 2).tolist() == [2.50, -1.94]
    assert round(math.degrees(lengths.parallax(0.125, 1.0)), 1) == 7.1
    assert lengths.offset_errors_db(0, 1) == (0, 0)


def test_a_base_station():
    """1 m at 3.5 GHz: direct 23.4 m and 70.7 dB, reflector 2 m, 60.2 dB (closed forms)."""
    direct = lengths.direct_length(0.5, 1.0, 3.5e9)
    assert direct == pytest.approx(23.35, abs=0.01)
    assert lengths.free_space_loss_db(direct, 3.5e9) == pytest.approx(70.7, abs=0.05)
    assert lengths.reflector_diameter(1.0) == 2.0
    assert lengths.free_space_loss_db(lengths.focal_length(1.0), 3.5e9) == pytest.approx(60.2, abs=0.05)


def test_elements_of_an_array():
    """A A / (lambda z)^2 (closed form): 4 m^2 and 1 m^2 at lambda = 0.1 m and 2 m are 100; + 2 sqrt."""
    frequency = SPEED_OF_LIGHT / 0.1
    assert lengths.array_elements(4.0, 1.0, distance=2.0, frequency=frequency) == 100
    assert lengths.array_elements(4.0, 1.001, distance=2.0, frequency=frequency) == 101
    assert lengths.element_margin(100) == 120


def test_refused():
    with pytest.raises(ValueError, match=r"frequency is 0, expected a number above 0"):
        lengths.wavelength(0)
    with pytest.raises(ValueError, match=r"aperture is 0.5 m, more than the zone's diameter of 0.4 m"):
        lengths.direct_length(0.2, 0.5, 28e9)
    with pytest.raises(ValueError, match=r"offset is 2, expected .* less than the distance of 1"):
        lengths.offset_errors_db(2, 1)
