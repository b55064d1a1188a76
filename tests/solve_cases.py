"""Antennas, scans and checks that several test files share."""

import dataclasses

import numpy as np

from nf2ff.antenna.closed_form import far_field_of
from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.antenna.fields import far_field_points
from nf2ff.antenna.grids import grid_for_degree
from nf2ff.antenna.modes import SPEED_OF_LIGHT, WAVE_IMPEDANCE
from nf2ff.measurement.probe import field_probe
from nf2ff.measurement.samples import Samples
from nf2ff.measurement.simulated import simulate_grid
from nf2ff.solver import direct
from nf2ff.solver.positions import plan_geometry

#: At this frequency the wavelength is one metre: lengths are in wavelengths.
FREQUENCY = SPEED_OF_LIGHT


K = 2 * np.pi


PROBE = field_probe()


#: What the project promises of the far field, relative L2.
PROMISED = 1e-9


def relative(value, wanted):
    """Relative L2 error."""
    return np.linalg.norm(np.subtract(value, wanted)) / np.linalg.norm(wanted)


def cluster(kr0, seed=5, count=4):
    """Electric and magnetic dipoles of random complex moments, one of them at distance r0.

    The first is on the minimum sphere, the others on the same side of the origin.
    """
    rng = np.random.default_rng(seed)
    place = rng.normal(size=(count, 3))
    place *= np.sign(place @ place[0])[:, None] / np.linalg.norm(place, axis=1)[:, None]
    place *= kr0 / K * np.append(1, rng.uniform(0.3, 1, count - 1))[:, None]
    moments = rng.normal(size=(2, 2, count, 3))
    electric, magnetic = moments[0] + 1j * moments[1]
    return DipoleCluster(place, electric, WAVE_IMPEDANCE * magnetic)


def directions(count=300):
    rng = np.random.default_rng(11)
    theta = np.append(np.arccos(rng.uniform(-1, 1, count)), [0, np.pi])
    return theta, rng.uniform(0, 2 * np.pi, count + 2)


def far_field_error(modes, antenna):
    """Relative L2 error of the complex far field over the sphere, worst of the frequencies."""
    theta, phi = directions()
    wanted = np.array(far_field_of(antenna, frequency=modes.frequency, theta=theta, phi=phi))
    got = np.array(far_field_points(modes, theta=theta, phi=phi))
    return max(relative(got[:, f], wanted[:, f]) for f in range(modes.frequency.size))


def changed(samples, **changes):
    return dataclasses.replace(samples, **changes)


def grid_samples(antenna, degree, radius, *, rule="clenshaw-curtis", frequency=(FREQUENCY,), **more):
    grid = grid_for_degree(degree, rule=rule)
    return simulate_grid(antenna, frequency=frequency, grid=grid, radius=radius, **more)


def random_samples(rng, count, radius, ports=1):
    """Places all over the sphere, theta < 0 included, and any chi; no response yet."""
    theta = np.arccos(rng.uniform(-1, 1, count)) * rng.choice([-1, 1], count)
    phi, chi = rng.uniform(0, 2 * np.pi, (2, count))
    r = rng.uniform(*radius, count)
    port = rng.integers(1, ports + 1, count)
    return Samples([FREQUENCY], theta, phi, chi, r, port, np.zeros((1, count)))


def respond(samples, probe, q, degree):
    """The same samples with the responses of modes ``q``, by the dense matrix."""
    matrix = direct.dense_matrix(plan_geometry(samples), probe, frequency=FREQUENCY, degree=degree)
    return changed(samples, response=(matrix @ q)[None], response_unit=probe.response_unit)
