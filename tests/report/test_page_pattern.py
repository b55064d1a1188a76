"""What a page draws of a pattern against the closed form of a Huygens source."""

import base64
import zlib

import numpy as np
import pytest
from patterns import HUYGENS
from report_pages import levels_of, tilted

from nf2ff.antenna.far_field import far_field
from nf2ff.antenna.modes import Modes, mode_count, mode_index
from nf2ff.metrics.beam import Peak, peak
from nf2ff.metrics.planes import Plane
from nf2ff.report.page import pattern
from nf2ff.report.page.data import ArrayPack


def unpacked(pack, name):
    return levels_of(pack.index, zlib.decompress(base64.b64decode(pack.text())), name)


def directivity(theta, phi):
    """Closed form 3 (1 + cos a)^2 / 4, a the angle from theta 60, phi 30 deg [dBi]."""
    t0, p0 = np.radians([60, 30])
    cos = np.sin(theta) * np.sin(t0) * np.cos(phi - p0) + np.cos(theta) * np.cos(t0)
    return 10 * np.log10(3 * np.maximum((1 + cos) / 2, 1e-15) ** 2)


def test_map_is_the_pattern():
    modes = tilted()
    pack = ArrayPack()
    pattern.put_maps(pack, "map", modes, peak(modes), step=5.0)
    theta, phi = pattern.map_grid(5.0)
    expected = directivity(theta[:, None], phi[None])
    expected = np.maximum(expected, 10 * np.log10(3) - pattern.MAP_DEPTH)
    found = unpacked(pack, "map")
    assert found.shape == (3, 37, 72)
    # Half a step of the codes.
    assert np.abs(found - expected).max() <= pack.index["map"]["step"] / 2 * (1 + 1e-6)


def test_cuts_run_along_their_planes():
    modes = tilted()
    top = peak(modes)
    planes = [(Plane(np.radians(30)),) * 3, (Plane(np.radians(30), np.pi / 2),) * 3]
    angle = pattern.cut_angles(3, 1)
    levels = pattern.cut_levels(modes, top, planes, angle)
    assert levels.shape == (3, 2, 2, angle.size)
    assert angle[angle.size // 2] == 0
    expected = 10 * np.log10(3 * ((1 + np.cos(angle)) / 2) ** 2 + 1e-30)
    shown = expected > -60
    # The polarisation of such a source is that of its peak all along both principal planes.
    np.testing.assert_allclose(
        levels[:, :, 0][..., shown], np.broadcast_to(expected[shown], (3, 2, shown.sum())), atol=1e-6
    )
    assert levels[:, :, 1].max() < -100


def test_the_first_cut_runs_along_theta():
    # A short dipole along z has 1.5 sin^2 theta (closed form); seen from theta 90 deg, sin is the cosine of
    # the angle along theta, and there is no change along phi.
    q = np.zeros((1, mode_count(1)), dtype=complex)
    q[0, mode_index(s=2, m=0, n=1)] = 1
    modes = Modes([1e9], q)
    top = peak(modes)
    assert np.degrees(top.theta[0]) == pytest.approx(90, abs=1e-3)
    planes = [[Plane(float(top.phi[0]))], [Plane(float(top.phi[0]), np.pi / 2)]]
    levels = pattern.cut_levels(modes, top, planes, np.radians([-60.0, 0, 60]))[0, :, 0]
    assert levels[0] == pytest.approx(10 * np.log10([1.5 * 0.25, 1.5, 1.5 * 0.25]), abs=1e-6)
    assert levels[1] == pytest.approx(10 * np.log10([1.5] * 3), abs=1e-6)


def test_spectrum_holds_the_power_of_each_wave():
    q = np.zeros((1, mode_count(4)), dtype=complex)
    q[0, mode_index(s=1, m=-2, n=3)] = 1
    q[0, mode_index(s=2, m=-2, n=3)] = 1j
    q[0, mode_index(s=2, m=4, n=4)] = np.sqrt(2e-3)
    pack = ArrayPack()
    assert pattern.put_spectrum(pack, Modes([1e9], q)) == {"degree": 4, "block": 1}
    # 1/2 (1 + 1 + 0.002) W in all.
    expected = 10 * np.log10(np.array([2, 2e-3]) / 2.002)
    by_degree = unpacked(pack, "degrees")[0]
    assert by_degree[[2, 3]] == pytest.approx(expected, abs=1e-5)
    assert by_degree[:2].max() < -200
    orders = unpacked(pack, "orders")[0]
    step = pattern.ORDER_STEP
    assert orders[2, 4 - 2] == pytest.approx(expected[0], abs=step / 2)
    assert orders[3, 4 + 4] == pytest.approx(expected[1], abs=step / 2)
    # No wave has |m| > n.
    n, m = np.mgrid[1:5, -4:5]
    assert np.array_equal(np.isnan(orders), np.abs(m) > n)


def test_blocks_hold_all_power(random_q, monkeypatch):
    modes = Modes([1e9], [random_q(9)])
    monkeypatch.setattr(pattern, "ROOM", 60)
    pack = ArrayPack()
    block = pattern.put_spectrum(pack, modes)["block"]
    assert block > 1
    orders = unpacked(pack, "orders")[0]
    assert orders.size <= 4 * 60
    assert np.nansum(10 ** (orders / 10)) == pytest.approx(1, rel=10 ** (pattern.ORDER_STEP / 20) - 1)


@pytest.mark.parametrize(("count", "degree"), [(1, 1), (1, 400), (8, 60), (9, 60), (101, 88), (201, 500)])
def test_maps_fit(count, degree):
    step = pattern.map_step(count, degree)
    theta, phi = pattern.map_grid(step)
    size = 2 if pattern.is_fine(count) else 1
    assert theta.size * phi.size * count * size <= pattern.ROOM
    assert step in pattern.STEPS_DEG


def test_what_is_seen_lies_between_directions_that_were():
    theta, phi = np.linspace(0, np.pi, 7), 2 * np.pi * np.arange(12) / 12
    one = far_field(HUYGENS, theta=theta, phi=phi)
    trusted = np.ones(one.e_theta.shape, dtype=bool)
    trusted[0, theta > 2] = False
    field = type(one)(one.frequency, theta, phi, one.e_theta, one.e_phi, one.radiated_power, trusted=trusted)
    pack = ArrayPack()
    assert pattern.put_trusted(pack, field, [0], step=10.0)
    found = unpacked(pack, "trusted")[0]
    # Rings every 30 deg, the last that was seen at 90; between it and the next nothing is certain.
    assert np.array_equal(found.all(axis=1), np.degrees(pattern.map_grid(10.0)[0]) < 91)
    assert np.array_equal(found.any(axis=1), found.all(axis=1))
    assert not pattern.put_trusted(pack, one, [0], step=10.0)
    assert not pattern.put_trusted(pack, None, [0], step=10.0)


def test_what_was_not_seen_along_a_cut():
    theta, phi = np.linspace(0, np.pi, 181), 2 * np.pi * np.arange(360) / 360
    one = far_field(HUYGENS, theta=theta, phi=phi)
    trusted = np.broadcast_to((theta < np.radians(100.5))[:, None], one.e_theta.shape)
    field = type(one)(one.frequency, theta, phi, one.e_theta, one.e_phi, one.radiated_power, trusted=trusted)
    pack, at = ArrayPack(), Peak([np.radians(60)], [np.radians(30)], [1.0], None)
    planes = [[Plane(np.radians(30))], [Plane(np.radians(30), np.pi / 2)]]
    angle = np.radians(np.arange(-179, 180, 2.0))
    pattern.put_trusted_cuts(pack, field, [0], at, planes, angle)
    found = unpacked(pack, "trusted-cuts")[0]
    # Along theta the polar angle is 60 deg and the angle; across it cos(theta) = cos(60 deg) cos(angle).
    along = np.abs((np.degrees(angle) + 60 + 180) % 360 - 180)
    across = np.degrees(np.arccos(0.5 * np.cos(angle)))
    for row, polar in zip(found, (along, across), strict=True):
        clear = np.abs(polar - 100.5) > 0.6  # half a step of the far field
        assert np.array_equal(row[clear] == 1, polar[clear] < 100.5)
