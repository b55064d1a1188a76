"""Samples at random and random probes, for the normal equations and their factor."""

import numpy as np

from nf2ff.antenna.modes import SPEED_OF_LIGHT, mode_count
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples

FREQUENCY = SPEED_OF_LIGHT
DEGREE = 5
RIGHT_ANGLES = (0.0, np.pi / 2)


def random_probe(top, ports, rng):
    return Probe(None, rng.normal(size=(1, ports, mode_count(top), 2)) @ [1, 1j], "sqrt(W)")


def random_places(rng, count=160, *, chi=None, ports=1):
    """Samples at random, some at the poles; each position with all of ``chi`` if given."""
    theta = np.concatenate([[0, 0, np.pi, np.pi], np.arccos(rng.uniform(-1, 1, count - 4))])
    phi = rng.uniform(0, 2 * np.pi, count)
    turns = rng.uniform(0, 7, count) if chi is None else np.repeat(chi, count)
    times = turns.size // count
    port = 1 + np.arange(turns.size) % ports
    none = np.zeros((1, turns.size))
    return Samples([FREQUENCY], np.tile(theta, times), np.tile(phi, times), turns, 2.0, port, none, "sqrt(W)")
