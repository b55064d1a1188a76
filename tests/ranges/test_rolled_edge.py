"""Edges in two dimensions: how much of the field in the zone comes from them."""

import edges_in_2d as two
import numpy as np
import pytest

from nf2ff.ranges.reflector import RolledRim, rolled_curve


def test_the_curve_goes_on_smoothly():
    # At its start the parabola itself: height, slope and curvature (closed form: b ~ g^2, ellipse - parabola
    # ~ g^2).
    rim, slope, bend = RolledRim(0.5, 0.2, 0.1), 0.3, 0.25
    g = np.array([0.0, 1e-4, 2e-4, 3e-4])
    out, up = rolled_curve(slope, bend, rim, g)
    assert out[0] == up[0] == 0
    parabola = slope * out + 0.5 * bend * out**2
    # Of fourth order in g: 0.2 (1e-4)^4, where without the blend it would be of second order, 1e-9.
    assert np.abs(up - parabola).max() < 1e-14
    # At its end the ellipse alone.
    end = rolled_curve(slope, bend, rim, rim.turn)
    along, across = 0.2 * np.sin(rim.turn), -0.1 * (1 - np.cos(rim.turn))
    size = np.hypot(1, slope)
    assert end == pytest.approx(((along - slope * across) / size, (slope * along + across) / size), rel=1e-12)


@pytest.mark.parametrize(("rim", "within_db"), [(None, 0.5), (two.ROLL, 0.2)])
def test_physical_optics_against_moments(rim, within_db):
    # A sharp edge's fringe currents are 0.4 to 0.9 dB of its edge wave by a prototype with coarser moments
    # (range notes of the project, computed); a rolled edge has none, and what is left is of the next order.
    points = two.zone_points(1)
    optics, exact = (way(rim, 1, points) for way in (two.by_physical_optics, two.by_moments))
    levels = [two.edge_level(found, points, 1) for found in (optics, exact)]
    assert levels[0] == pytest.approx(levels[1], abs=within_db)
    if rim is not None:
        assert np.abs(optics - exact).max() < 1e-2 * np.abs(exact).max()
    else:
        assert levels[0] - levels[1] > 0.2


@pytest.mark.slow
def test_a_rolled_edge_sends_20_db_less_at_eight_times_the_size():
    points = two.zone_points(8)
    sharp, rolled = (
        two.edge_level(two.by_physical_optics(x, 8, points), points, 8) for x in (None, two.ROLL)
    )
    assert rolled < sharp - 20
    # By moments at four times the size (at eight they take 10 s and say -68.38 dB, physical optics -68.31
    # dB).
    points = two.zone_points(4)
    exact = two.edge_level(two.by_moments(two.ROLL, 4, points), points, 4)
    assert exact < sharp - 20
    assert exact == pytest.approx(
        two.edge_level(two.by_physical_optics(two.ROLL, 4, points), points, 4), abs=0.3
    )
