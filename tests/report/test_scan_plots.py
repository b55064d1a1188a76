"""Pictures of scans and of figures over frequency."""

import numpy as np
import pytest

from nf2ff.antenna.dipoles import huygens_source
from nf2ff.antenna.grids import grid_for_degree
from nf2ff.measurement.samples import Samples
from nf2ff.measurement.simulated import simulate_grid
from nf2ff.report.scan_plots import near_field, over_frequency


@pytest.fixture
def samples():
    antenna = huygens_source(direction=[0, 0, 1], polarisation=[1, 0, 0], position=[0.01, 0, 0])
    return simulate_grid(antenna, frequency=[10e9], grid=grid_for_degree(12), radius=0.3)


def test_readings_stand_where_they_were_taken(samples):
    ax = near_field(samples)
    (dots,) = ax.collections
    place = np.radians(dots.get_offsets())
    one = np.mod(samples.chi, 2 * np.pi).round(9) == 0
    expected = {(round(p, 6), round(t, 6)) for t, p in zip(samples.theta[one], samples.phi[one], strict=True)}
    other = {(round(float(p), 6), round(float(t), 6)) for p, t in place}
    assert other == expected
    assert dots.get_array().max() == 0  # dB of the largest
    assert "radius 0.3 m" in ax.figure.get_suptitle()


def test_readings_beyond_the_pole_go_on_without_a_jump(samples):
    """theta^ and phi^ are reversed at negative theta, and so are the readings, but not what is drawn."""
    beyond = (samples.phi >= np.pi) & (samples.theta > 0)
    theta = np.where(beyond, -samples.theta, samples.theta)
    phi = np.where(beyond, samples.phi - np.pi, samples.phi)
    response = np.where(beyond, -samples.response, samples.response)
    names = ("frequency", "chi", "radius", "port")
    swung = Samples(**{x: getattr(samples, x) for x in names}, theta=theta, phi=phi, response=response)
    for first, other in zip(near_field(samples).figure.axes, near_field(swung).figure.axes, strict=True):
        if first.collections and len(first.collections[0].get_offsets()) > 1:
            (one,), (two,) = first.collections, other.collections
            np.testing.assert_allclose(one.get_offsets(), two.get_offsets(), atol=1e-9)
            turn = np.radians(np.asarray(one.get_array()) - np.asarray(two.get_array()))
            assert np.abs(np.angle(np.exp(1j * turn))).max() < 1e-9


def test_missing_readings_are_left_out(samples):
    response = samples.response.copy()
    response[0, ::3] = np.nan
    names = ("frequency", "theta", "phi", "chi", "radius", "port")
    part = Samples(**{x: getattr(samples, x) for x in names}, response=response)
    (dots,) = near_field(part).collections
    assert not np.isnan(np.asarray(dots.get_array())).any()
    assert len(dots.get_offsets()) < samples.theta.size / 2


def test_a_port_and_a_chi_may_be_chosen(samples):
    turned = near_field(samples, chi=np.pi / 2)
    assert "chi 90 deg" in turned.figure.get_suptitle()
    # The grid has half of its readings at 90 deg.
    (dots,) = turned.collections
    assert len(dots.get_offsets()) == np.count_nonzero(np.isclose(samples.chi, np.pi / 2))
    rows = np.flatnonzero(np.isclose(samples.chi, np.pi / 2))
    size = np.abs(samples.response[0, rows])
    level = 20 * np.log10(np.maximum(size / size.max(), 1e-3))
    np.testing.assert_allclose(dots.get_array(), level, atol=1e-9)
    assert "port 1" in near_field(samples, port=1).figure.get_suptitle()
    with pytest.raises(ValueError, match="the scan has no port 2: choose from 1"):
        near_field(samples, port=2)
    with pytest.raises(ValueError, match="the scan has no chi of 45 deg: the nearest is"):
        near_field(samples, chi=np.pi / 4)


def test_curves_are_drawn_in_the_order_of_frequency():
    ax = over_frequency(
        np.array([3e9, 1e9, 2e9]), {"gain [dBi]": np.array([3.0, 1.0, 2.0])}, label="gain [dBi]"
    )
    np.testing.assert_array_equal(ax.lines[0].get_xdata(), [1, 2, 3])
    np.testing.assert_array_equal(ax.lines[0].get_ydata(), [1, 2, 3])


def test_bad_input(samples):
    with pytest.raises(ValueError, match="frequency_index is 1, expected 0 to 0"):
        near_field(samples, frequency_index=1)
    with pytest.raises(ValueError, match="no figure to draw"):
        over_frequency(np.array([1e9]), {}, label="")
