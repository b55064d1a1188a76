"""Maps of readings: where nothing was read, which reading is shown, and what the modes leave."""

import base64
import zlib
from dataclasses import replace

import numpy as np
import pytest
from report_pages import levels_of, scan_of

from nf2ff.measurement.probe import field_probe
from nf2ff.measurement.samples import Samples
from nf2ff.report.page.data import ArrayPack
from nf2ff.report.page.pattern import map_grid
from nf2ff.report.page.scan import ScanMaps, left_of
from nf2ff.solver.solve import solve


@pytest.fixture(scope="module")
def scan():
    return scan_of()


@pytest.fixture(scope="module")
def modes(scan):
    return solve(scan, field_probe(), degree=10).modes


def drawn(samples, left=None):
    maps, pack = ScanMaps(samples), ArrayPack()
    about = maps.put(pack, maps.part(samples), left)
    data = zlib.decompress(base64.b64decode(pack.text()))
    return maps, about, {name: levels_of(pack.index, data, name) for name in pack.index}


def test_each_place_shows_the_nearest_reading(scan):
    maps, about, found = drawn(scan)
    rows = np.flatnonzero(
        (scan.port == maps.port) & (np.degrees(scan.chi).round(3) == float(maps.chi.split()[0]))
    )
    assert about["positions"] == rows.size
    theta, phi = (x.ravel() for x in np.meshgrid(*map_grid(maps.step), indexing="ij"))
    cos = np.sin(theta)[:, None] * np.sin(scan.theta[rows]) * np.cos(phi[:, None] - scan.phi[rows])
    cos += np.cos(theta)[:, None] * np.cos(scan.theta[rows])
    # Of places half way between readings, rounding decides: those whose nearest is alone.
    best = np.sort(cos, axis=1)
    alone = best[:, -1] - best[:, -2] > 1e-9
    assert alone.sum() > 100
    nearest = scan.response[:, rows[np.argmax(cos, axis=1)]][:, alone]
    level = 20 * np.log10(np.abs(nearest) / np.abs(scan.response).max(axis=1, keepdims=True))
    shown = found["amplitude"].reshape(3, -1)[:, alone]
    # Half a step of 0.5 dB; the largest is that of the readings that are shown.
    np.testing.assert_allclose(np.maximum(shown, -59), np.maximum(level, -59), atol=0.26)
    turn = np.exp(1j * np.radians(found["phase"].reshape(3, -1)[:, alone]))
    strong = level > -50
    assert np.degrees(np.abs(np.angle(turn * np.exp(-1j * np.angle(nearest)))))[strong].max() <= 1.51


def test_readings_beyond_the_pole_go_on_without_a_jump(scan):
    """theta^ and phi^ are reversed at negative theta, and so are the readings, but not what is drawn."""
    beyond = scan.phi >= np.pi
    swung = replace(
        scan,
        theta=np.where(beyond, -scan.theta, scan.theta),
        phi=np.where(beyond, scan.phi - np.pi, scan.phi),
        response=np.where(beyond, -scan.response, scan.response),
    )
    one, two = drawn(scan)[2], drawn(swung)[2]
    np.testing.assert_array_equal(one["amplitude"], two["amplitude"])
    turn = np.radians(one["phase"] - two["phase"])
    # One step of 3 deg where rounding decides.
    assert np.degrees(np.nanmax(np.abs(np.angle(np.exp(1j * turn))))) < 3.01


def test_nothing_is_shown_where_nothing_was_read(scan):
    half = replace(scan, response=np.where(scan.theta > 1.6, np.nan, scan.response))
    maps, _, found = drawn(half)
    theta = np.degrees(map_grid(maps.step)[0])
    empty = np.isnan(found["amplitude"]).all(axis=(0, 2))
    assert empty[theta > 140].all()
    assert not np.isnan(found["amplitude"])[:, theta < 85].any()
    assert found["positions"].shape[1] <= np.count_nonzero(scan.theta <= 1.6)


def of_grid(theta_deg, phi_deg, left_out=None):
    """Readings of 1 on a grid of such steps, some left out."""
    grid = np.meshgrid(np.arange(0, 181, theta_deg), np.arange(0, 360, phi_deg), indexing="ij")
    theta, phi = (np.radians(x.ravel()) for x in grid)
    gone = left_out(*np.degrees([theta, phi])) if left_out else np.zeros(theta.shape, bool)
    response = np.where(gone, np.nan, 1.0 + 0j)[None]
    return Samples([1e9], theta, phi, 0.0, 1.0, 1, response)


@pytest.mark.parametrize("steps", [(5, 5), (2, 4), (2, 10), (10, 3), (1, 1), (30, 30)])
def test_the_spacing_of_a_grid_is_no_gap(steps):
    _, _, found = drawn(of_grid(*steps))
    assert not np.isnan(found["amplitude"]).any()


@pytest.mark.parametrize("steps", [(5, 5), (2, 4)])
def test_a_small_gap_shows(steps):
    def window(theta, phi):
        return (np.abs(theta - 90) < 11) & (np.abs(phi - 100) < 11)

    maps, _, found = drawn(of_grid(*steps, left_out=window))
    theta, phi = (np.degrees(x) for x in map_grid(maps.step))
    empty = np.isnan(found["amplitude"][0])
    # Its middle is 10 deg from a reading, more than twice the spacing; beyond its rim there is none.
    assert empty[np.ix_(np.abs(theta - 90) < 4, np.abs(phi - 100) < 4)].all()
    assert not empty[np.abs(theta - 90) > 12].any()
    assert not empty[:, np.abs(phi - 100) > 12].any()


def test_what_modes_leave_is_the_error_of_a_reading(scan, modes):
    bad = 100
    wrong = scan.response.copy()
    wrong[:, bad] += 0.1 * np.abs(wrong).max(axis=1)
    left = left_of(replace(scan, response=wrong), field_probe(), modes, None)
    assert np.argmax(left.level, axis=1) == pytest.approx([bad] * 3)
    # The factor of the port is fitted to all readings, of which one is wrong by a tenth of the largest.
    assert left.level[:, bad] == pytest.approx(0.1, rel=0.02)
    assert np.median(left.level) < 1e-3


@pytest.mark.parametrize("factor", [1.0, 1e-3 * np.exp(0.7j)])
def test_level_does_not_matter(scan, modes, factor):
    left = left_of(replace(scan, response=factor * scan.response), field_probe(), modes, np.full(3, 1e-9))
    assert left.relative.max() < 1e-6
    assert left.reason == ""


def test_other_readings_are_told(scan, modes):
    other = replace(scan, response=scan.response[:, ::-1])
    left = left_of(other, field_probe(), modes, np.full(3, 1e-3))
    assert "the modes leave" in left.reason
    assert "the result says 0.1 %" in left.reason


def test_unequal_polarisations_are_told(scan, modes):
    """Readings of one polarisation fit by a factor of their own, however far the other is off."""
    left = left_of(scan, field_probe(), modes, np.full(3, 0.06))
    assert "polarisations differ in level or phase" in left.reason


def test_gaps_of_one_frequency(scan, modes):
    some = scan.response.copy()
    some[1, :50] = np.nan
    left = left_of(replace(scan, response=some), field_probe(), modes, None)
    assert np.isnan(left.level[1, :50]).all()
    assert np.isfinite(left.level[0]).all()
    assert left.relative.max() < 1e-6


def test_no_reading_at_all(scan):
    with pytest.raises(ValueError, match="there is no reading"):
        ScanMaps(replace(scan, response=np.full_like(scan.response, np.nan)))
