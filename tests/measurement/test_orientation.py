"""Turned antennas and joined scans, against antennas whose dipoles were turned as vectors."""

from dataclasses import replace

import numpy as np
import pytest
from orientation_cases import ANGLES, OVER, named, relative_error, turned
from rotations import axis_rotation, rotation_matrix
from sources import EPS, ONE_METRE, random_cluster, random_directions

from nf2ff.antenna.modes import Modes, mode_index, rotate
from nf2ff.measurement.orientation import device_frame, merge_samples
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.measurement.simulated import simulate
from nf2ff.solver.positions import plan_geometry
from nf2ff.solver.transmission import TransmissionOperator


def awkward_positions(rotation):
    """Theta, phi, chi, radius: random, poles, beyond the pole, and what the rotation takes there.

    A position at R z is a pole of the device, one next to it is nearly that.
    """
    rng = np.random.default_rng(5)
    theta, phi = random_directions(300)
    theta[:100] *= -1
    theta[100:106] = [0, np.pi, -np.pi, 0, 1e-9, np.pi - 1e-9]
    pole = rotation[:, 2]
    at = np.arctan2(np.hypot(*pole[:2]), pole[2]), np.arctan2(pole[1], pole[0])
    theta[106:110] = [at[0], np.pi - at[0], at[0] + 1e-9, -at[0]]
    phi[106:110] = [at[1], at[1] + np.pi, at[1], at[1] + np.pi]
    theta = np.clip(theta, -np.pi, np.pi)
    return theta, phi, rng.uniform(-4, 4, 300), rng.uniform(2.0, 3.0, 300)


# --- samples -------------------------------------------------------------------------------


@pytest.mark.parametrize("abc", ANGLES)
def test_device_frame_is_where_the_probe_stood(abc):
    cluster, rotation = random_cluster(), rotation_matrix(**named(abc))
    theta, phi, chi, radius = awkward_positions(rotation)
    place = {"theta": theta, "phi": phi, "chi": chi, "radius": radius}
    scan = simulate(turned(cluster, rotation), frequency=ONE_METRE, **place)
    told = device_frame(scan, rotation=rotation)
    assert told.theta.min() >= 0
    assert told.phi.min() >= 0
    np.testing.assert_array_equal(told.response, scan.response)
    same = simulate(
        cluster, frequency=ONE_METRE, theta=told.theta, phi=told.phi, chi=told.chi, radius=told.radius
    )
    assert relative_error(same.response, scan.response) < 1e-12
    # And back.
    again = device_frame(told, rotation=rotation.T)
    same = simulate(
        turned(cluster, rotation),
        frequency=ONE_METRE,
        theta=again.theta,
        phi=again.phi,
        chi=again.chi,
        radius=again.radius,
    )
    assert relative_error(same.response, scan.response) < 1e-12


def test_device_frame_by_hand():
    # The device turned by +90 deg about z: a probe at azimuth 90 deg sees what stood at azimuth 0.
    quarter = axis_rotation([0, 0, 1], angle=np.pi / 2)
    scan = Samples([1e9], [1.0], [np.pi / 2], [0.3], [2.0], [2], [[1j]], "relative")
    told = device_frame(scan, rotation=quarter)
    assert told.theta[0] == pytest.approx(1.0, abs=4 * EPS)
    assert np.sin(told.phi[0]) == pytest.approx(0.0, abs=4 * EPS)
    assert np.cos(told.phi[0]) == 1
    assert told.chi[0] == pytest.approx(0.3, abs=4 * EPS)
    assert (told.port[0], told.radius[0], told.response_unit) == (2, 2.0, "relative")
    # By +90 deg about y, z to x: a probe on x, its axis along y (phi^), sees the pole. There
    # theta^ is along the x of phi = 0, which stood along -z, and y is chi = 90 deg from it.
    over = axis_rotation([0, 1, 0], angle=np.pi / 2)
    scan = Samples([1e9], [np.pi / 2], [0.0], [np.pi / 2], [2.0], [1], [[1j]])
    told = device_frame(scan, rotation=over)
    assert told.theta[0] == pytest.approx(0.0, abs=4 * EPS)
    assert told.phi[0] + told.chi[0] == pytest.approx(np.pi / 2, abs=4 * EPS)


def test_device_frame_for_a_probe_that_hears_more_than_its_axis(random_q):
    # All six dipoles in each of two ports: axial and magnetic ones tell every axis of the probe.
    degree, rotation = 7, rotation_matrix(**named(ANGLES[0]))
    rng = np.random.default_rng(6)
    r = rng.normal(size=(1, 2, 6)) + 1j * rng.normal(size=(1, 2, 6))
    assert r[0, 0, mode_index(s=2, m=0, n=1)] != 0
    probe = Probe(None, r)
    theta, phi, chi, radius = awkward_positions(rotation)
    port = rng.integers(1, 3, theta.size)
    scan = Samples(ONE_METRE, theta, phi, chi, radius, port, np.ones((1, theta.size)), "sqrt(W)")
    modes = Modes(ONE_METRE, [random_q(degree)])
    there = rotate(modes, **named(ANGLES[0]))

    def responses(samples, q):
        operator = TransmissionOperator(plan_geometry(samples), probe, ONE_METRE[0], degree)
        return operator.forward(operator.from_modes(q.coefficients[0]))

    found = responses(device_frame(scan, rotation=rotation), modes)
    # The operator is asked for 1e-12.
    assert relative_error(found, responses(scan, there)) < 1e-11


def test_merged_samples_stand_in_order():
    rng = np.random.default_rng(7)
    f = [1e9, 2e9]

    def scan(count, *, moving, port):
        shape = (2, count) if moving else (count,)
        theta, phi, chi = rng.uniform(0.1, 3.0, (3, *shape))
        response = rng.normal(size=(2, count)) + 1j * rng.normal(size=(2, count))
        response[1, 2] = np.nan
        return Samples(f, theta, phi, chi, 2.0 + 0 * theta[..., :], port, response, "sqrt(W)")

    for moving in (False, True):
        one = scan(5, moving=False, port=np.full(5, 1))
        other = scan(4, moving=moving, port=np.full(4, 2))
        factor = np.array([2.0, 1j])
        both = merge_samples(one, other, rotation=OVER, factor=factor)
        told = device_frame(other, rotation=OVER)
        assert both.moving == moving
        for i in range(2):
            for name in ("theta", "phi", "chi", "radius"):
                pair = [np.broadcast_to(getattr(x, name), (2, x.port.size)) for x in (one, told)]
                found = np.broadcast_to(getattr(both, name), (2, 9))
                np.testing.assert_array_equal(found[i], np.concatenate([x[i] for x in pair]))
        np.testing.assert_array_equal(both.port, [1] * 5 + [2] * 4)
        np.testing.assert_array_equal(both.response[:, :5], one.response)
        np.testing.assert_allclose(both.response[:, 5:] * factor[:, None], other.response)
        assert both.response_unit == "sqrt(W)"
    swapped = merge_samples(other, one, rotation=OVER)
    assert swapped.moving
    np.testing.assert_array_equal(swapped.response[:, 4:], one.response)


def test_merges_that_are_refused():
    one = simulate(random_cluster(), frequency=ONE_METRE, theta=[1, 2], phi=0.0, chi=0.0, radius=2.0)
    with pytest.raises(ValueError, match=r"responses are in V/m and in relative: state both"):
        merge_samples(one, replace(one, response_unit="relative"), rotation=OVER)
    with pytest.raises(ValueError, match=r"frequency 1 is 0\.299792458 GHz in the first, 1 GHz in"):
        merge_samples(one, replace(one, frequency=np.array([1e9])), rotation=OVER)
    for factor in (0.0, [1.0, 2.0], np.ones((1, 1))):
        with pytest.raises(ValueError, match=r"factor is .*, expected 1 numbers \(or one\), none"):
            merge_samples(one, one, rotation=OVER, factor=factor)
    with pytest.raises(ValueError, match="rotation is not orthogonal"):
        merge_samples(one, one, rotation=2 * OVER)
    with pytest.raises(ValueError, match="mirror image"):
        device_frame(one, rotation=-np.eye(3))
