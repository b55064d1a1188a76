"""Whether a residual is even, against noise that is and noise that is not."""

from dataclasses import replace

import numpy as np
import pytest
from phaseless_cases import DEGREE, cluster, grid_positions, phaseless_scan

from nf2ff.measurement.probe import field_probe
from nf2ff.solver.phaseless.certificate import CHANCE, realisations
from nf2ff.solver.phaseless.likelihood import Readings, groups_of, most_likely
from nf2ff.solver.phaseless.projection import range_of
from nf2ff.solver.phaseless.residual import PARTS, most_unlike, parts_of
from nf2ff.solver.phaseless.search import Task


@pytest.fixture(scope="module", params=["nothing", "positions"])
def scan(request):
    """Readings without noise on two spheres, the noise, the range, and realisations of the modes."""
    samples, true, noise = phaseless_scan(cluster(4), grid_positions(), request.param)
    one = range_of(samples, field_probe(), DEGREE)
    exact = true.response[0][one.order] * one.scale
    task = Task(
        one, one.rough(), Readings(exact, groups_of(samples.coherence[one.order]), one.scale**-2), noise**2
    )
    fit = most_likely(one, task.readings, one.adjoint(exact), noise**2)
    return samples, task, fit, realisations(task, fit, np.random.default_rng(1))


def found(scan, rng, louder=None):
    """Of a scan whose noise is ``louder`` (M,) times as much."""
    samples, task, fit, draws = scan
    exact, readings = task.exact, task.readings
    pair = rng.standard_normal((2, exact.scale.size)) * (1 if louder is None else louder[exact.order])
    noise = np.sqrt(task.variance / 2) * exact.scale * (pair[0] + 1j * pair[1])
    task = replace(task, readings=replace(readings, y=readings.y + noise))
    best = most_likely(exact, task.readings, fit.z, task.variance)
    task = replace(task, variance=task.variance * task.ratio(best.w))
    change = exact.to_modes(best.z) - exact.to_modes(fit.z)
    parts = {by: part[exact.order] for by, part in parts_of(samples).items()}
    return most_unlike(task, best, draws + change, parts)


def test_noise_is_even(scan):
    rng = np.random.default_rng(0)
    chances = np.array([found(scan, rng)[2] for _ in range(8)])
    # Bonferroni's bound: below 0.1 at most one time in ten, so four of eight at most one time in 200.
    assert np.sum(chances < 0.1) < 4
    assert chances.min() > CHANCE


@pytest.mark.parametrize("by", ["sphere", "polarisation", "polar angle", "time"])
def test_noise_that_is_not_is_told(scan, by):
    samples = scan[0]
    part = parts_of(samples)[by]
    name, ratio, chance = found(scan, np.random.default_rng(2), np.where(part == part.max(), 3.0, 1.0))
    assert chance < CHANCE
    # On this grid time is sphere after sphere.
    assert name in {by, "time"} if by == "sphere" else {by}
    # Nine times the power in a part F of the freedom: 9 / (1 + 8 F) of the mean there, less elsewhere.
    assert ratio < 0.6 or ratio > 1.5


def test_parts_keep_equal_values_together():
    samples, *_ = phaseless_scan(cluster(0), grid_positions((1.4, 2.0, 3.4)), "cuts")
    parts = parts_of(samples)
    assert set(parts) == {"sphere", "port", "polarisation", "polar angle", "time"}
    for by, values in (("sphere", samples.radius), ("polarisation", samples.chi), ("port", samples.port)):
        # As many parts as there are values, in their order.
        np.testing.assert_array_equal(parts[by], np.unique(values, return_inverse=True)[1])
    assert np.unique(parts["polar angle"]).size == PARTS
    assert np.all(np.diff(parts["time"]) >= 0)
    np.testing.assert_array_equal(np.bincount(parts["time"]) // 10, samples.port.size // PARTS // 10)
