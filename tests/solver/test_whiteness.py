"""Noise is told from fields by how much neighbours differ; expectations in closed form."""

from dataclasses import replace

import numpy as np
import pytest

from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.antenna.grids import equiangular_grid
from nf2ff.antenna.modes import SPEED_OF_LIGHT, Modes, mode_count
from nf2ff.antenna.points import equal_area_spiral_for_degree
from nf2ff.measurement.probe import field_probe
from nf2ff.measurement.simulated import simulate, simulate_grid
from nf2ff.solver import whiteness
from nf2ff.solver.solve import solve
from nf2ff.solver.whiteness import Contrast, Pairs, contrast, neighbours, remainder

#: The wavelength is one metre.
FREQUENCY = [SPEED_OF_LIGHT]
PROBE = field_probe()
#: No modes: the responses themselves are looked at.
NOTHING = Modes(FREQUENCY, np.zeros((1, mode_count(1)), dtype=complex))


def white(rng, *shape):
    return rng.normal(size=shape) + 1j * rng.normal(size=shape)


def in_pairs(count):
    return Pairs(np.arange(0, count, 2), np.arange(1, count, 2))


# --- the measure ----------------------------------------------------------------------------------


@pytest.mark.parametrize("readings", [1, 2, 3])
@pytest.mark.parametrize("uneven", [False, True])
def test_contrast_of_noise_is_one(readings, uneven, rng):
    # 400 sets of 300 pairs; where ``uneven``, each pair has a level of its own over 40 dB, which a
    # measure of one common level would take for contrast.
    found = []
    for _ in range(400):
        level = 10 ** rng.uniform(-2, 2, 300) if uneven else np.ones(300)
        power = (np.abs(white(rng, 600, readings)) ** 2).sum(axis=1) * np.repeat(level, 2)
        found.append(contrast(power, in_pairs(600), readings=readings))
    ratio, deviation = (np.array([getattr(c, x) for c in found]) for x in ("ratio", "deviation"))
    score = (ratio - 1) / deviation
    # The mean of 400 scores scatters by 1/20, their standard deviation by 1/sqrt(800).
    assert abs(score.mean()) < 4 / 20
    assert score.std() == pytest.approx(1, abs=4 / 800**0.5)


def test_contrast_of_a_smooth_field(rng):
    # Neighbours alike within 10 %: (0.1 / 2)^2 / (1/3) at most.
    level = 10 ** rng.uniform(-2, 0, 300)
    power = np.stack([level, level * rng.uniform(0.9, 1.1, 300)], axis=1).ravel()
    found = contrast(power, in_pairs(600), readings=1)
    assert found.ratio < 3 * 0.053**2
    assert found.verdict(fitted=0.0) == "field"


def test_contrast_of_rounding_is_no_field(rng):
    # Errors of even distribution, |r|^2 = x^2 + y^2: neighbours differ half as much as noise does,
    # and so does any other pair.
    x, y = rng.uniform(-0.5, 0.5, (2, 4000))
    found = contrast(x**2 + y**2, in_pairs(4000), readings=1)
    assert found.ratio < 0.7
    assert found.anyone == pytest.approx(found.ratio, abs=8 * found.deviation)
    assert found.verdict(fitted=0.0) == "noise"


def test_few_pairs_tell_nothing(rng):
    power = np.abs(white(rng, 78)) ** 2
    assert contrast(power, in_pairs(78), readings=1).verdict(fitted=0.0) == "unknown"
    # Nor do pairs of nothing.
    assert contrast(np.zeros(200), in_pairs(200), readings=1).verdict(fitted=0.0) == "unknown"


@pytest.mark.parametrize("part", [0.3, 0.5, 0.7])
def test_noise_of_which_much_was_fitted(part, rng):
    # The projection that takes out the low harmonics of a square of 64 x 64 readings, up to that
    # part of the largest: pi/4 part^2 of the unknowns. Neighbours then are correlated, and their
    # contrast is less than 1; noise it stays.
    m = np.fft.fftfreq(64, 1 / 64)
    beyond = np.hypot(m[:, None], m) > part * 32
    ratio = []
    for _ in range(50):
        rest = np.fft.ifft2(np.fft.fft2(white(rng, 64, 64)) * beyond)
        found = contrast(np.abs(rest.ravel()) ** 2, in_pairs(64**2), readings=1)
        ratio.append(found.ratio)
        assert found.verdict(fitted=1 - beyond.mean()) == "noise"
    assert np.mean(ratio) < 1


def test_verdicts():
    assert Contrast(0.5, 0.05, 1.2).verdict(fitted=0.0) == "field"
    assert Contrast(0.5, 0.2, 1.2).verdict(fitted=0.0) == "noise"  # within 4 deviations
    assert Contrast(0.95, 0.01, 1.2).verdict(fitted=0.0) == "noise"  # too small a difference
    assert Contrast(0.5, 0.05, 0.5).verdict(fitted=0.0) == "noise"  # all pairs are so
    assert Contrast(0.5, 0.05, 1.2).verdict(fitted=0.6) == "noise"  # what the fit explains
    assert Contrast(np.nan, np.nan, np.nan).verdict(fitted=0.0) == "unknown"


def test_neighbours(rng):
    place = rng.normal(size=(300, 3))
    place[1::30] = place[::30]  # the same place twice is no pair
    pairs = neighbours(place, farthest=0.5)
    assert len(pairs.first) > 50
    both = np.concatenate([pairs.first, pairs.second])
    assert np.unique(both).size == both.size
    distance = np.linalg.norm(place[pairs.first] - place[pairs.second], axis=1)
    assert np.all((distance > 0) & (distance < 0.5))
    # The nearest of all different points are a pair.
    every = np.linalg.norm(place[:, None] - place[None], axis=2)
    least = every[every > 0].min()
    assert distance.min() == pytest.approx(least)
    assert neighbours(place[:1], farthest=1.0).first.size == 0


# --- scans ----------------------------------------------------------------------------------------


def scan(kind, antenna, degree):
    """Of both polarisations, at 20 wavelengths, on positions that determine ``degree``."""
    if kind == "grid":
        grid = equiangular_grid(degree + 2, 2 * degree + 2)
        return simulate_grid(antenna, frequency=FREQUENCY, grid=grid, radius=20.0)
    spiral = equal_area_spiral_for_degree(degree)
    return simulate(
        antenna,
        frequency=FREQUENCY,
        radius=20.0,
        theta=np.repeat(spiral.theta, 2),
        phi=np.repeat(spiral.phi, 2),
        chi=np.tile([0, np.pi / 2], spiral.theta.size),
    )


def far_dipoles(count, distance, seed):
    rng = np.random.default_rng(seed)
    place = rng.normal(size=(count, 3))
    place *= distance / np.linalg.norm(place, axis=1)[:, None]
    return DipoleCluster(place, white(rng, count, 3))


@pytest.mark.parametrize("degree", [16, 30])
@pytest.mark.parametrize("kind", ["grid", "spiral"])
def test_noise_of_a_scan(kind, degree, rng):
    samples = scan(kind, far_dipoles(1, 0.1, 0), degree)
    for _ in range(10):
        noise = replace(samples, response=white(rng, *samples.response.shape))
        assert remainder(noise, PROBE, NOTHING, top=degree).verdict == "noise"


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(
    ("kind", "count", "times"),
    [
        ("grid", 1, 1.2),
        ("grid", 1, 2.5),
        ("grid", 3, 1.2),
        ("grid", 3, 2.5),
        ("grid", 8, 1.2),
        ("grid", 8, 1.7),
        ("spiral", 1, 1.2),
        ("spiral", 1, 2.5),
        ("spiral", 2, 1.2),
        ("spiral", 2, 2.5),
    ],
)
def test_sources_beyond_the_degree(kind, count, times, seed):
    # k r0 is that many times the degree sampled. Of many sources far beyond it, or where positions
    # are nowhere nearer to each other than the step, nothing tells them from noise.
    antenna = far_dipoles(count, times * 24 / (2 * np.pi), seed)
    samples = scan(kind, antenna, 24)
    assert remainder(samples, PROBE, NOTHING, top=24).verdict == "field"


@pytest.mark.parametrize("kind", ["grid", "spiral"])
def test_many_samples_are_looked_at_in_belts(kind, monkeypatch, rng):
    samples = scan(kind, far_dipoles(1, 6.0, 3), 30)
    noise = replace(samples, response=white(rng, *samples.response.shape))
    whole = [remainder(x, PROBE, NOTHING, top=30) for x in (samples, noise)]
    monkeypatch.setattr(whiteness, "ALL_OF", 1000)
    part = [remainder(x, PROBE, NOTHING, top=30) for x in (samples, noise)]
    assert [x.verdict for x in whole] == [x.verdict for x in part] == ["field", "noise"]
    for x, y in zip(whole, part, strict=True):
        assert x.rms == pytest.approx(y.rms, rel=0.3)
        assert y.level <= x.level


def test_level_is_relative_to_the_largest_response(rng):
    samples = scan("grid", far_dipoles(1, 0.1, 0), 16)
    response = np.array(samples.response)
    response[0] = 0.01 * white(rng, response.shape[1])
    response[0, 5] = 7.0
    found = remainder(replace(samples, response=response), PROBE, NOTHING, top=16)
    assert found.level == 1.0
    rms = np.sqrt(np.mean(np.abs(response) ** 2)) / 7
    assert found.rms == pytest.approx(rms, rel=1e-12)


def test_what_the_modes_explain_is_taken_out():
    # A dipole at the origin along z is a wave of degree 1 (closed form): all is explained.
    samples = scan("grid", DipoleCluster(np.zeros((1, 3)), [[0, 0, 1]]), 16)
    modes = solve(samples, PROBE, degree=1).modes
    found = remainder(samples, PROBE, modes, top=16)
    assert found.level < 1e-6
    assert found.verdict == "noise"
    assert remainder(samples, PROBE, NOTHING, top=16).verdict == "field"
