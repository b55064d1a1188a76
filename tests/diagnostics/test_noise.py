"""Noise of coefficients, and degrees that hold nothing else, against noise that was added."""

import numpy as np
import pytest
from origin_cases import FREQUENCY, modes_of, noisy, source

import nf2ff
from nf2ff.antenna.grids import grid_for_degree
from nf2ff.antenna.modes import Modes
from nf2ff.diagnostics.back_projection import back_project
from nf2ff.diagnostics.noise import coefficient_noise, result_noise, spectrum_noise, without_noise
from nf2ff.measurement.simulated import simulate_grid
from nf2ff.metrics.result import Result
from nf2ff.metrics.transformation import transform_samples


def test_of_the_highest_degrees_it_is_what_was_added():
    # Degrees 31 to 40 hold 720 coefficients and more: 5 %.
    modes, size = noisy(modes_of(source([0.02, 0, 0])), -50, np.random.default_rng(1))
    np.testing.assert_allclose(spectrum_noise(modes), size, rtol=0.1)
    # Degrees that were added as zeros hold no noise.
    np.testing.assert_allclose(spectrum_noise(modes.extend(60)), spectrum_noise(modes))


def test_degrees_of_noise_alone_are_left_out():
    # k |p| = 4.2: the last degree that a source there shows above -60 dB a coefficient is 8 to 13.
    modes, size = noisy(modes_of(source([0.02, 0, 0])), -50, np.random.default_rng(2))
    power = without_noise(modes, size).power_spectrum()
    last = [int(np.flatnonzero(row)[-1]) + 1 for row in power]
    assert all(7 <= n <= 13 for n in last)
    np.testing.assert_array_equal(power[:, :7], modes.power_spectrum()[:, :7])


def test_where_it_is_not_known_nothing_is_left_out():
    modes, size = noisy(modes_of(source([0.02, 0, 0])), -50, np.random.default_rng(2))
    kept = without_noise(modes, [np.nan, size[1]])
    assert np.all(kept.coefficients[0] == modes.coefficients[0])
    assert not np.all(kept.coefficients[1] == modes.coefficients[1])


def test_noise_of_one_frequency_unknown_leaves_the_other_as_it_was():
    modes, size = noisy(modes_of(source([0.02, 0, 0])), -50, np.random.default_rng(3))
    points = np.array([[0, 0, 0.03], [0.03, 0.01, 0]])
    found = back_project(modes, points, noise=[np.nan, size[1]])
    alone = back_project(modes.at(1), points, noise=size[1])
    np.testing.assert_array_equal(found.field[1], alone.field[0])
    assert found.degree.tolist() == [40, alone.degree[0]]
    assert np.isnan(found.error[0])
    assert found.error[1] == alone.error[0]
    names = [[notice.code.name for notice in told] for told in found.warnings]
    assert names == [["UNKNOWN_NOISE"], []]


def test_a_result_tells_the_same_as_its_solution():
    scan = simulate_grid(
        source([0.01, 0, 0]), frequency=FREQUENCY, grid=grid_for_degree(10), radius=0.4, noise=0.02, rng=1
    )
    probe = nf2ff.field_probe()
    # The gain of noise is found by draws of the same seed.
    np.testing.assert_allclose(
        result_noise(transform_samples(scan, probe, degree=7)),
        coefficient_noise(nf2ff.solve(scan, probe, degree=7)),
        rtol=1e-6,
    )


def test_a_result_without_figures_knows_none():
    assert np.all(np.isnan(result_noise(Result(Modes(FREQUENCY, np.ones((2, 6)))))))


def test_bad_input():
    with pytest.raises(ValueError, match=r"noise has shape \(3,\), expected \(\) or \(2,\)"):
        without_noise(Modes(FREQUENCY, np.ones((2, 6))), [1, 2, 3])
