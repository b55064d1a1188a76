"""Responses near recorded positions by their power series against the transmission operator."""

import dataclasses

import numpy as np
import pytest
from operator_cases import operator_of, relative

from nf2ff.measurement.probe import field_probe
from nf2ff.solver.expansion import ORDER, Expansion, numbers
from nf2ff.solver.positions import elsewhere
from nf2ff.solver.response import separate


def near(samples, probe, degree, step):
    """Operators at the positions of samples and some steps aside, of one response over degree."""
    rng = np.random.default_rng(1)
    # None across a pole, where azimuths jump.
    theta, phi, radius = step * rng.uniform(-1, 1, (3, samples.theta.size)) * (np.sin(samples.theta) > 0.1)
    far = samples.radius + (radius if samples.nearest < samples.farthest else 0)
    exact = operator_of(samples, probe, degree, 1e-11)
    series = separate(
        probe,
        ports=[g.port for g in exact.geometry],
        low=float(far.min()),
        high=float(far.max()),
        frequency=exact.frequency,
        degree=degree,
        tolerance=1e-11,
    )
    here = dataclasses.replace(exact, series=series)
    place = (samples.theta + theta, samples.phi + phi, samples.chi + 0.3 * theta, far)
    return here, dataclasses.replace(here, geometry=elsewhere(here.geometry, *place))


@pytest.mark.parametrize("radius", [(4.0, 4.0), (3.99, 4.01)])
@pytest.mark.parametrize(("ports", "layers"), [(1, 1), (1, 3), (2, 1)])
@pytest.mark.parametrize("ideal", [True, False])
def test_the_series_gives_the_responses_aside(ideal, ports, layers, radius, scan, dipole_probe, random_q):
    # What is left falls with the fourth power of the step, and is told to a factor of a few: of a function of
    # degree N, terms of order p are at most (N step)^p / p! (Bernstein's inequality).
    degree = 8
    probe = field_probe() if ideal else dipole_probe(ports)
    samples = scan(ports=1 if ideal else ports, radius=radius, layers=layers)
    before = None
    for step in (0.04, 0.02):
        here, moved = near(samples, probe, degree, step)
        x = here.from_modes(random_q(degree))
        assert numbers(here.geometry, [[1]] * len(here.geometry)) is not None
        wanted = moved.forward(x)
        got, rest = Expansion.of(here, x).at(moved)
        left = relative(got, wanted)
        assert relative(here.forward(x), wanted) > 0.1 * step
        assert left < 3 * (degree * step) ** (ORDER + 1) / 24
        assert left < 5 * rest / np.linalg.norm(wanted)
        assert before is None or 8 < before / left < 32
        before = left
        # Any units of the responses.
        small, less = Expansion.of(here, 2.0**-70 * x).at(moved)
        np.testing.assert_array_equal(2.0**70 * small, got)
        assert 2.0**70 * less == rest


def test_it_serves_where_positions_stand_in_layers(scan):
    geometry = operator_of(scan(layers=2), field_probe(), 5).geometry
    assert numbers(geometry, [[0, 1]]) == 2 * 10 * 3 * geometry[0].radius.size
    some = dataclasses.replace(geometry[0], position=np.arange(geometry[0].count))
    assert numbers((some,), [[1]]) is None
