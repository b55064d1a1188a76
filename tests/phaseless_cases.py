"""Scans without a phase reference, of antennas in closed form, for the tests."""

from dataclasses import replace

import numpy as np
from sources import ONE_METRE

from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.antenna.grids import equiangular_grid
from nf2ff.measurement.coherence import with_coherence
from nf2ff.measurement.samples import Samples
from nf2ff.measurement.simulated import simulate

#: Radius of the antennas [m] at a wavelength of 1 m, and the degree that leaves -60 dB of their power.
SIZE, DEGREE = 0.35, 7
NOISE_DB = -50.0


def cluster(seed):
    """Thirty dipoles anywhere in a sphere."""
    rng = np.random.default_rng(seed)
    place = rng.standard_normal((30, 3))
    place *= (SIZE * rng.random(30) ** (1 / 3) / np.linalg.norm(place, axis=1))[:, None]
    return DipoleCluster(place, 1e-3 * (rng.standard_normal((30, 3)) + 1j * rng.standard_normal((30, 3))))


def grid_positions(spheres=(1.4, 3.4), chi=(0.0, np.pi / 2), *, degree=DEGREE):
    """Positions of spheres [m] on grids with a quarter more steps than the degree needs, chi after chi."""
    rings, columns = int(1.25 * degree) + 2, int(1.25 * (2 * degree + 1)) + 1
    grid = equiangular_grid(rings, columns, rule="fejer-1")
    theta, phi = np.repeat(grid.theta, columns), np.tile(grid.phi, rings)
    rows = [(theta, phi, np.full(theta.size, c), np.full(theta.size, r)) for r in spheres for c in chi]
    return [np.concatenate(column) for column in zip(*rows, strict=True)]


def phaseless_scan(antenna, place, along, *, seed=0, frequency=ONE_METRE):
    """Readings whose phases hold within groups only; the true ones, and the rms noise."""
    rng = np.random.default_rng(seed)
    theta, phi, chi, radius = place
    true = simulate(antenna, frequency=frequency, theta=theta, phi=phi, chi=chi, radius=radius)
    noise = np.abs(true.response).max() * 10 ** (NOISE_DB / 20)
    pair = rng.standard_normal((2, *true.response.shape))
    groups = with_coherence(true, along).coherence
    turns = np.exp(2j * np.pi * rng.random((len(frequency), groups.max() + 1)))[:, groups]
    read = (true.response + noise / np.sqrt(2) * (pair[0] + 1j * pair[1])) * turns
    return replace(true, response=read, coherence=groups), true, noise


def far_apart(q, exact):
    """Relative rms difference of the far fields of modes, up to one phase."""
    c = np.vdot(q, exact)
    return np.linalg.norm(q * c / abs(c) - exact) / np.linalg.norm(exact)


def amplitudes(samples: Samples) -> Samples:
    """The same as a receiver of powers records them."""
    return replace(samples, response=np.abs(samples.response) + 0j, coherence=np.arange(samples.port.size))
