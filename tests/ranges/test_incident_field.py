"""What a device receives, against direct sums over its far field in closed form."""

from itertools import pairwise

import numpy as np
import pytest
from range_devices import FREQUENCY, K, device, direct_sum, modes_of, random_waves, turned_cluster
from rotations import rotation_matrix

from nf2ff.antenna.modes import Modes, mode_index
from nf2ff.ranges.incident_field import IncidentField, PlaneWaves, RegularWaves, plane_wave_field, received


@pytest.fixture(scope="module")
def cluster():
    return device(np.random.default_rng(5))


@pytest.fixture(scope="module")
def modes(cluster):
    return modes_of(cluster, 26)


def field_of(u, a):
    along = u[0]
    return IncidentField(FREQUENCY, PlaneWaves(u, a), along, np.cross(along, [0.3, 0.4, 0.5]), 1.0)


@pytest.mark.slow
@pytest.mark.parametrize("angles", [None, (0.3, 1.1, -2.0), (-1.0, 3.0, 0.2), (0.5, 0.0, 0.0)])
def test_coupling_is_the_direct_sum(angles, cluster, modes, rng):
    # Degree 26 at kR = 6.3: waves left out are below 1e-14; 1e-12 is asked.
    u, a = random_waves(rng, 7)
    turn = None if angles is None else rotation_matrix(alpha=angles[0], beta=angles[1], gamma=angles[2])
    expected = direct_sum(cluster if turn is None else turned_cluster(cluster, turn), u, a)
    found = received(modes, field_of(u, a), rotation=turn)
    assert abs(found - expected) < 1e-12 * abs(expected)


def test_error_falls_with_the_degree(cluster, modes, rng):
    u, a = random_waves(rng, 7)
    expected = direct_sum(cluster, u, a)
    errors = [abs(received(modes.truncate(n), field_of(u, a)) - expected) for n in (8, 12, 16, 20, 26)]
    assert all(b < 0.05 * a for a, b in pairwise(errors))


def test_waves_from_both_poles(cluster, modes):
    u = np.array([[0, 0, 1.0], [0, 0, -1]])
    a = np.array([[1, 2j, 0], [0.3, -1, 0]])
    expected = direct_sum(cluster, u, a)
    assert abs(received(modes, field_of(u, a)) - expected) < 1e-12 * abs(expected)


def test_an_ideal_plane_wave_has_the_orders_of_one():
    p = plane_wave_field(FREQUENCY, direction=(0, 0, -1)).constants(9).reshape(-1, 2)
    orders = np.concatenate([np.arange(-n, n + 1) for n in range(1, 10)])
    other = np.abs(p[np.abs(orders) != 1]).max()
    assert other < 1e-12 * np.abs(p).max()
    assert np.all(np.abs(p[np.abs(orders) == 1]) > 1e-3 * np.abs(p).max())


def test_a_dipole_in_a_regular_wave():
    # F^(1)_201 = z^/sqrt(6 pi) at the origin; a short dipole along z of moment p radiates
    # f = -jk Z0/(4 pi) p (closed form), and hears -jk Z0/(4 pi) p E_z, whatever else the field is.
    b = np.zeros(16, dtype=complex)
    b[mode_index(s=2, m=0, n=1)] = 0.7
    b[mode_index(s=1, m=1, n=2)] = 5.0
    waves = RegularWaves(b)
    e = 0.7 * K * np.sqrt(376.730313668) / np.sqrt(6 * np.pi)
    assert waves.field_at(np.zeros((1, 3)), K)[0] == pytest.approx([0, 0, e], abs=1e-9)
    # Its mode: power 1/2 |Q|^2 = k^2 Z0 p^2 / (12 pi); the sign by far_waves: K_201 = j sqrt(3/2) z^.
    p = 2e-3
    q = np.zeros((1, 6), dtype=complex)
    q[0, mode_index(s=2, m=0, n=1)] = -K * p * np.sqrt(376.730313668 / (6 * np.pi))
    incident = IncidentField(FREQUENCY, waves, (1, 0, 0), (0, 0, 1))
    found = received(Modes([FREQUENCY], q), incident)
    # Calibrated to the field at the centre.
    assert incident.amplitude == pytest.approx(e)
    assert found == pytest.approx(-1j * K * 376.730313668 / (4 * np.pi) * p, rel=1e-12)


def test_amplitude_scales_and_default_is_that_of_the_centre(modes, rng):
    u, a = random_waves(rng, 4)
    one = received(modes, field_of(u, a))
    waves, along = PlaneWaves(u, a), u[0]
    across = np.cross(along, [0.3, 0.4, 0.5])
    two = IncidentField(FREQUENCY, waves, along, across, 2j)
    assert received(modes, two) == pytest.approx(one / 2j, rel=1e-14)
    free = IncidentField(FREQUENCY, waves, along, across)
    assert free.amplitude == pytest.approx(a.sum(axis=0) @ across / np.linalg.norm(across), rel=1e-12)


def test_field_of_plane_waves(rng):
    u, a = random_waves(rng, 3)
    points = rng.normal(size=(5, 3))
    expected = sum(np.exp(-1j * K * points @ d)[:, None] * v for d, v in zip(u, a, strict=True))
    assert field_of(2 * u, a).field_at(points) == pytest.approx(expected, rel=1e-12)


def test_frame_looks_at_the_source():
    frame = plane_wave_field(FREQUENCY, direction=(0, -3, 0), polarisation=(0, 0, 2)).frame
    assert frame[:, 2] == pytest.approx([0, 1, 0])
    assert frame[:, 0] == pytest.approx([0, 0, 1])
    assert np.linalg.det(frame) == pytest.approx(1)


def test_bad_fields_are_refused(modes):
    good = PlaneWaves(np.array([[0, 0, 1.0]]), np.array([[1, 0, 0.0]]))
    for make, says in (
        (lambda: PlaneWaves(np.ones((2, 3)), np.ones((1, 3))), "expected .W, 3."),
        (lambda: PlaneWaves(np.zeros((1, 3)), np.ones((1, 3))), "direction 1 is"),
        (lambda: PlaneWaves(np.ones((1, 3)), np.ones((1, 3))), "amplitude 1 has a part along its direction"),
        (lambda: RegularWaves(np.ones(7)), "7 coefficients are not a complete set"),
        (lambda: IncidentField(0, good), "frequency is 0 Hz"),
        (
            lambda: IncidentField(1e9, good, (0, 0, 1), (0, 0.1, 1)),
            "polarisation is 5.711 deg from the direction",
        ),
        (lambda: IncidentField(1e9, good, (0, 0, 1), (0, 1, 0)), "amplitude is 0: there is no nominal wave"),
        (lambda: IncidentField(1e9, good).field_at(np.ones((1, 2))), r"position has shape \(1, 2\)"),
        (lambda: received(modes, IncidentField(1e9, good)), "the modes have 3 GHz, the field is at 1 GHz"),
        (
            lambda: received(Modes([1e9, 2e9], np.ones((2, 6))), IncidentField(1e9, good)),
            r"the modes have 2 frequencies, .* by `Modes.at`",
        ),
    ):
        with pytest.raises(ValueError, match=says):
            make()
