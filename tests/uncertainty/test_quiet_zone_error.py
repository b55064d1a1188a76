"""A stray wave that stays where it is while the antenna turns, against closed forms and direct sums."""

from dataclasses import replace

import numpy as np
import pytest
from error_scans import PROBE, spiral_scan
from range_devices import FREQUENCY, K, device, direct_sum, turned_cluster

from nf2ff.kernel.sphere import unit_vectors
from nf2ff.uncertainty.errors.catalogue import make_term

RADIUS = 1.5
STRAY = {"level": 0.05, "theta": 1.1, "phi": 0.6, "phase": 0.3}


@pytest.fixture(scope="module")
def cluster():
    return device(np.random.default_rng(5))


@pytest.fixture(scope="module")
def samples(cluster):
    return spiral_scan(cluster, 18, radius=RADIUS, frequency=[FREQUENCY])


def added(samples, **values):
    term = make_term("quiet-zone", STRAY | values)
    return (term.apply(samples, PROBE)[0].response - samples.response)[0]


def turns(samples, rows):
    """Rotations that bring each position's r^, theta^, phi^ to z, x, y: the room stands still."""
    return [np.stack(unit_vectors(samples.theta[i], samples.phi[i]))[[1, 2, 0]] for i in rows]


def test_the_antenna_hears_the_wave_as_it_is_turned(cluster, samples):
    # In the room the ideal probe is a short dipole on the z axis; its field at the origin is x_p exp(-jkr)/r
    # (1 + 1/(jkr) - 1/(kr)^2) for the far field exp(-jkr)/r (closed form), and the turned antenna hears a
    # plane wave of another direction by the direct sum over its far field. Degree 18 at kR = 6.3: 1e-7.
    found = added(samples)
    rows = range(0, samples.theta.size, 37)
    kr = K * RADIUS
    wave = np.exp(-1j * kr) / RADIUS * (1 + 1 / (1j * kr) - 1 / kr**2) * 0.05 * np.exp(0.3j)
    z, axis = np.array([0, 0, 1.0]), np.array([-np.sin(0.6), np.cos(0.6), 0])
    cross = np.cross(axis, np.eye(3))
    to = np.eye(3) + np.sin(1.1) * cross.T + (1 - np.cos(1.1)) * cross.T @ cross.T  # Rodrigues
    for i, turn in zip(rows, turns(samples, rows), strict=True):
        x_p = np.array([np.cos(samples.chi[i]), np.sin(samples.chi[i]), 0])
        wanted = wave * direct_sum(turned_cluster(cluster, turn), -(to @ z)[None], (to @ x_p)[None])
        assert abs(found[i] - wanted) < 1e-6 * np.abs(found).max()


def test_a_wave_from_where_the_probe_is_is_the_probe(samples):
    # From the probe's own direction it differs by what the sphere is too near for a plane wave alone.
    far = replace(samples, radius=np.full(samples.theta.size, 1e6))
    near = added(far, theta=0.0) / far.response[0]
    assert near == pytest.approx(0.05 * np.exp(0.3j), rel=1e-3)


def test_samples_that_are_missing_at_one_frequency_stay_so(cluster, samples):
    both = spiral_scan(cluster, 18, radius=RADIUS, frequency=[FREQUENCY, 1.01 * FREQUENCY])
    response = both.response.copy()
    response[1, [5, 77]] = np.nan
    given = both.changed(response=response)
    found = make_term("quiet-zone", STRAY).apply(given, PROBE)[0].response - response
    assert np.argwhere(np.isnan(found)).tolist() == [[1, 5], [1, 77]]
    np.testing.assert_allclose(found[0], added(samples), rtol=0, atol=1e-6 * np.abs(found[0]).max())
