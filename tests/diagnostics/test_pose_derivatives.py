"""Derivatives by the pose of the probe against closed forms: dipoles received by dipoles, moved."""

import numpy as np
import pytest
from alignment_cases import FREQUENCY, Faults, cluster, poses, probe_of, responses, true_modes, two_by_two
from scipy.spatial.transform import Rotation

from nf2ff.antenna.modes import Modes
from nf2ff.diagnostics.alignment.pose_derivatives import MOTIONS, derivatives_by_pose
from nf2ff.measurement.probe import field_probe
from nf2ff.measurement.samples import Samples

PORTS, ANTENNA = two_by_two(), cluster(6.0, seed=1)
#: Poles from both sides, beside them, and elsewhere.
THETA = np.array([0, 0, np.pi, -np.pi, np.pi, 1e-9, -1e-3, np.pi - 1e-6, 0.7, -1.2, 1.57, -2.9])


def somewhere():
    rng = np.random.default_rng(0)
    phi, chi = rng.uniform(-np.pi, np.pi, (2, THETA.size))
    port = 1 + np.arange(THETA.size) % 2
    return Samples([FREQUENCY], THETA, phi, chi, 0.3, port, np.zeros((1, THETA.size)), "sqrt(W)")


def moved(samples, motion, size):
    """Closed-form responses where the probe has moved, along or about its own axes."""
    position, axes = poses(samples, Faults())
    if motion == 3:
        return responses(ANTENNA, PORTS, samples.port, position + size * axes[:, :, 2], axes)
    turn = Rotation.from_rotvec(size * np.eye(3)[motion % 4]).as_matrix()
    if motion < 3:  # about the origin
        position = np.einsum("mij,jk,mlk,ml->mi", axes, turn, axes, position)
    return responses(ANTENNA, PORTS, samples.port, position, axes @ turn)


@pytest.mark.parametrize("motion", range(6))
def test_derivatives_at_poles_and_elsewhere(motion):
    samples = somewhere()
    # Degree 30 leaves nothing of sources within k r0 = 6, the probe's 15 nothing of a wavelength's cluster.
    found = derivatives_by_pose(samples, probe_of(PORTS), true_modes(ANTENNA, 30))[motion]
    h = 2e-5 if MOTIONS[motion] == "outward" else 1e-4
    one, two = (moved(samples, motion, s * h) - moved(samples, motion, -s * h) for s in (1, 2))
    expected = (8 * one - two) / (12 * h)
    # Rounding of the differences: 1e-15 x 8 / (6 h) relative to responses of 1/20 of the derivative. Of the
    # tilts, by differences of 1e-4: (nu x 1e-4)^2 / 6 with nu up to 15.
    rtol = 1e-6 if MOTIONS[motion].startswith("tilt") else 3e-8
    np.testing.assert_allclose(found, expected, atol=rtol * np.abs(expected).max())


def test_one_frequency_at_a_time():
    samples, probe = somewhere(), probe_of(PORTS)
    with pytest.raises(ValueError, match="take the samples and modes of one frequency"):
        derivatives_by_pose(samples, probe, Modes([1e9], np.zeros((1, 6))))


def test_what_the_ideal_probe_does_not_hear_is_zero_at_any_distances():
    """It reads E along x_p: turned about that axis it reads the same, at one distance and at several."""
    samples = somewhere()
    modes = true_modes(ANTENNA, 12)
    for radius in (samples.radius, samples.radius + np.linspace(0, 0.01, THETA.size)):
        at = Samples(samples.frequency, samples.theta, samples.phi, samples.chi, radius, 1, samples.response)
        found = derivatives_by_pose(at, field_probe(), modes)
        deaf, heard = (found[MOTIONS.index(x)] for x in ("tilt-x", "tilt-y"))
        np.testing.assert_array_equal(deaf, 0)
        assert np.abs(heard).max() > 0
