"""Simulated samples against the simulated fields, and their noise."""

import importlib
import time
import tracemalloc

import numpy as np
import pytest
from sources import EPS, ONE_METRE, ORIGIN, K, X, Y, Z, random_cluster, random_directions

from nf2ff.antenna.closed_form import far_field_of, near_field, radiated_power_of
from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.antenna.grids import Grid, ring_angles
from nf2ff.antenna.modes import WAVE_IMPEDANCE
from nf2ff.measurement.simulated import simulate, simulate_grid


def test_probe_turns_from_theta_to_phi():
    # At theta = 90 deg, phi = 0: theta^ = -z, phi^ = +y. Far away the field of a dipole is
    # opposite to -j k Z0 p exp(-jkr)/(4 pi r), so p read along the probe is p.x_p.
    where = {"frequency": ONE_METRE, "theta": np.pi / 2, "phi": 0.0, "radius": 1e4}
    chi = np.radians([0, 30, 90, 180, 270])
    unit = -1j * K * WAVE_IMPEDANCE * np.exp(-1j * K * 1e4) / (4 * np.pi * 1e4)
    for moment, expected in ((Y, np.sin(chi)), (Z, -np.cos(chi)), (X, 0 * chi)):
        samples = simulate(DipoleCluster(ORIGIN, [moment]), chi=chi, **where)
        # Near-field terms are 1/(kr) smaller, the phase of kr = 6e4 is good to 2e-11.
        np.testing.assert_allclose(samples.response[0] / unit, expected, atol=2 / (K * 1e4))
        assert samples.response_unit == "V/m"
        assert np.all(samples.port == 1)
        assert samples.theta.shape == samples.radius.shape == (5,)


def test_simulate_is_near_field_in_any_shape():
    cluster = random_cluster()
    f = ONE_METRE * [1.0, 1.3]
    theta, phi = random_directions(14)
    chi = np.linspace(0, 1, 7)
    moving = simulate(
        cluster,
        frequency=f,
        theta=theta.reshape(2, 7),
        phi=phi[:7],
        chi=chi,
        radius=3.0 + theta.reshape(2, 7),
    )
    assert moving.moving
    for i in range(2):
        t = theta.reshape(2, 7)[i]
        _, e_theta, e_phi = near_field(cluster, frequency=f[i : i + 1], theta=t, phi=phi[:7], radius=3.0 + t)
        expected = e_theta * np.cos(chi) + e_phi * np.sin(chi)
        np.testing.assert_array_equal(moving.response[i : i + 1], expected)
    still = simulate(cluster, frequency=f, theta=theta, phi=phi, chi=0.0, radius=3.0)
    assert not still.moving
    _, e_theta, _ = near_field(cluster, frequency=f, theta=theta, phi=phi, radius=3.0)
    np.testing.assert_array_equal(still.response, e_theta)
    # A direction may move in the far field too.
    both = far_field_of(cluster, frequency=f, theta=theta.reshape(2, 7), phi=0.2)
    for i in range(2):
        one = far_field_of(cluster, frequency=f[i : i + 1], theta=theta.reshape(2, 7)[i], phi=0.2)
        np.testing.assert_array_equal(np.array(both)[:, i], np.array(one)[:, 0])


def test_simulate_grid_order():
    grid = Grid(ring_angles("fejer-1", 4), 2 * np.pi / 6 * np.arange(6), "fejer-1")
    f = ONE_METRE * [1.0, 2.0]
    cluster = random_cluster()
    samples = simulate_grid(cluster, frequency=f, grid=grid, radius=2.5)
    assert samples.response.shape == (2, 48)
    theta, phi = (x.ravel() for x in np.meshgrid(grid.theta, grid.phi, indexing="ij"))
    for half, chi in ((slice(0, 24), 0.0), (slice(24, 48), np.pi / 2)):
        np.testing.assert_array_equal(samples.theta[half], theta)
        np.testing.assert_array_equal(samples.phi[half], phi)
        np.testing.assert_array_equal(samples.chi[half], chi)
        same = simulate(cluster, frequency=f, theta=theta, phi=phi, chi=chi, radius=2.5)
        size = np.abs(same.response).max()
        np.testing.assert_allclose(samples.response[:, half], same.response, atol=4 * EPS * size)
    np.testing.assert_array_equal(samples.radius, 2.5)


def test_noise_has_the_rms_asked_for():
    theta, phi = random_directions(20000)
    where = {"frequency": ONE_METRE, "theta": theta, "phi": phi, "chi": 0.3, "radius": 3.0}
    cluster = random_cluster()
    clean = simulate(cluster, **where).response
    noise = simulate(cluster, noise=0.5, rng=7, **where).response - clean
    # |noise|^2 is exponential: relative spread of its mean 1/sqrt(M); of E n^2, too; 5 sigma.
    assert np.mean(np.abs(noise) ** 2) == pytest.approx(0.25, rel=5 / np.sqrt(20000))
    assert np.abs(np.mean(noise**2)) <= 5 * 0.25 / np.sqrt(20000)
    assert np.abs(np.mean(noise)) <= 5 * 0.5 / np.sqrt(20000)
    again = simulate(cluster, noise=0.5, rng=np.random.default_rng(7), **where).response
    np.testing.assert_array_equal(again - clean, noise)
    grid = Grid(ring_angles("fejer-1", 4), 2 * np.pi / 6 * np.arange(6), "fejer-1")
    quiet = simulate_grid(cluster, frequency=ONE_METRE, grid=grid, radius=3)
    loud = simulate_grid(cluster, frequency=ONE_METRE, grid=grid, radius=3, noise=0.5, rng=7)
    difference = loud.response - quiet.response
    assert 0.25 <= np.sqrt(np.mean(np.abs(difference) ** 2)) <= 0.75  # 48 values: 7 sigma


@pytest.mark.slow
def test_parts_join_to_the_whole_in_bounded_memory(monkeypatch):
    cluster = random_cluster(count=50)
    theta, phi = random_directions(40000)
    where = {"frequency": ONE_METRE * [1.0, 1.1], "theta": theta, "phi": phi, "radius": 3.0}
    tracemalloc.start()
    start = time.process_time()
    whole = near_field(cluster, **where)
    seconds = time.process_time() - start
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    # One complex array of all pairs would be 32 MB, a dozen of them live at once.
    assert peak <= sum(e.nbytes for e in whole) + 32e6
    # 4e6 pairs, 0.3 us each on one core: the bound says vectorised, not fast.
    assert seconds < 30
    monkeypatch.setattr(importlib.import_module("nf2ff.antenna.closed_form"), "PAIRS", 50 * 7)
    few = {**where, "theta": theta[:100], "phi": phi[:100]}
    size = max(np.abs(e).max() for e in whole)
    for a, b in zip(near_field(cluster, **few), whole, strict=True):
        np.testing.assert_allclose(a, b[:, :100], rtol=0, atol=50 * EPS * size)
    power = radiated_power_of(cluster, frequency=ONE_METRE)
    monkeypatch.undo()
    np.testing.assert_allclose(radiated_power_of(cluster, frequency=ONE_METRE), power, rtol=100 * EPS)
