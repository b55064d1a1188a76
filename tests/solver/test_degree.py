"""How many degrees the samples tell, and why."""

import re

import numpy as np
import pytest
from solve_cases import (
    FREQUENCY,
    PROBE,
    PROMISED,
    K,
    changed,
    cluster,
    far_field_error,
    grid_samples,
    random_samples,
)

from nf2ff.antenna.grids import equiangular_grid
from nf2ff.antenna.modes import mode_count, required_degree
from nf2ff.measurement.simulated import simulate, simulate_grid
from nf2ff.messages.solution import SolutionCode
from nf2ff.solver.solve import prepare, solve
from nf2ff.solver.strategy import Direct, LeastSquares, Quadrature


def test_degree_from_the_sampling():
    antenna = cluster(4)
    samples = grid_samples(antenna, 22, 8.0)
    solution = solve(samples, PROBE)
    assert solution.modes.degree == 22
    assert solution.degree_reason == "sampling"
    assert far_field_error(solution.modes, antenna) < PROMISED


def test_degree_from_the_radius_of_the_scan():
    # A sphere of kr = 12 holds no antenna of more than that, however fine the sampling.
    antenna = cluster(4)
    solution = solve(grid_samples(antenna, 100, 12 / K), PROBE)
    assert "radius of the scan" in solution.degree_reason
    assert 12 < solution.modes.degree < 60
    assert far_field_error(solution.modes, antenna) < PROMISED


@pytest.mark.slow
@pytest.mark.parametrize("level", [1e-5, 1e-3, 1e-2])
def test_degree_from_the_spectrum_of_noisy_data(level):
    antenna = cluster(10)
    clean = grid_samples(antenna, 60, 6.0)
    rms = np.sqrt(np.mean(np.abs(clean.response) ** 2))
    samples = grid_samples(antenna, 60, 6.0, noise=level * rms, rng=3)
    solution = solve(samples, PROBE)
    assert solution.degree_reason.startswith("spectrum")
    # kr0 = 10: enough degrees for what stands out of the noise, and not those of noise alone.
    assert 11 <= solution.modes.degree <= required_degree(10, tail_db=-200)
    # White noise in M = 14,000 samples of a grid that determines J = 7440 modes; those kept hold
    # the share J_kept/J of its power, at most 2 for the poles that a grid crowds.
    kept = mode_count(solution.modes.degree) / mode_count(60)
    error = far_field_error(solution.modes, antenna)
    assert error < 2 * level * np.sqrt(kept)
    assert error < far_field_error(solve(samples, PROBE, degree=60).modes, antenna)
    cut = {SolutionCode.TRUNCATED, SolutionCode.TRUNCATED_AT_LIMIT}
    assert not cut & {x.code for x in solution.warnings[0]}


def test_degree_from_the_minimum_radius():
    antenna = cluster(10)
    samples = grid_samples(antenna, 60, 6.0)
    solution = solve(samples, PROBE, minimum_radius=10 / K)
    assert solution.modes.degree == required_degree(10, tail_db=-200)
    assert "minimum sphere of 1.59155 m, k r0 = 10" in solution.degree_reason
    # -200 dB of the power is an amplitude of 1e-10, the worst case of an antenna on its sphere.
    assert far_field_error(solution.modes, antenna) < 1e-9
    # A given degree has the last word.
    assert solve(samples, PROBE, minimum_radius=10 / K, degree=15).modes.degree == 15


def test_minimum_radius_beyond_the_sampling():
    samples = grid_samples(cluster(10), 16, 6.0)
    solution = solve(samples, PROBE, minimum_radius=10 / K)
    assert solution.modes.degree == 16
    assert solution.degree_reason.startswith("sampling; the minimum sphere of 1.59155 m asks for")
    samples = grid_samples(cluster(10), 10, 6.0)
    with pytest.raises(ValueError, match=r"determine degree 10, .* \(k r0 = 10\) needs at least 13"):
        solve(samples, PROBE, minimum_radius=10 / K)


@pytest.mark.parametrize("degree", [4, 6, 8, 10])
def test_a_grid_too_coarse_for_the_antenna(degree):
    samples = grid_samples(cluster(10), degree, 6.0)
    with pytest.raises(ValueError, match="the sampling is too coarse for this antenna at "):
        solve(samples, PROBE)
    # A given degree accepts that, with a warning.
    solution = solve(samples, PROBE, degree=degree)
    assert SolutionCode.TRUNCATED in [x.code for x in solution.warnings[0]]


@pytest.mark.parametrize(("degree", "warned"), [(6, True), (12, True), (24, False), (28, False)])
def test_truncation_is_warned_about(degree, warned):
    # kr0 = 10: up to degree 12 the spectrum stands; from 20 on it has fallen by 80 dB.
    solution = solve(grid_samples(cluster(10), 34, 6.0), PROBE, degree=degree)
    power = solution.modes.power_spectrum()[0]
    tail = 10 * np.log10(power[-2:].sum() / power.sum())
    assert solution.tail_db[0] == pytest.approx(tail, abs=1e-9)
    said = [w for w in solution.warnings[0] if w.code is SolutionCode.TRUNCATED]
    assert len(said) == warned
    assert all(w.figures["degree"] == degree for w in said)
    assert (tail > -30) == warned
    if warned:
        assert f"{tail:.1f} dB" in said[0]


def test_fewer_samples_than_unknowns():
    # Degree 6 has 96 unknowns.
    samples = grid_samples(cluster(3), 4, 1.6)
    few = changed(
        samples,
        **{n: getattr(samples, n)[:90] for n in ("theta", "phi", "chi", "radius", "port")},
        response=samples.response[:, :90],
    )
    for method in (None, LeastSquares(), Direct()):
        with pytest.raises(
            ValueError, match="the 90 samples determine degree 5 at most, not 6, which needs at least 96 "
        ):
            solve(few, PROBE, degree=6, method=method)
    pick = [0, 20, 40, 60, 80]
    five = changed(
        few,
        **{n: getattr(few, n)[pick] for n in ("theta", "phi", "chi", "radius", "port")},
        response=few.response[:, pick],
    )
    with pytest.raises(ValueError, match="5 samples are fewer than the 6 unknowns of degree 1"):
        solve(five, PROBE)
    with pytest.raises(ValueError, match="degree is 0, expected at least 1"):
        solve(samples, PROBE, degree=0)


@pytest.mark.parametrize("degree", [4.0, 2.5, "4", np.nan])
def test_a_degree_that_is_no_whole_number(degree):
    samples = grid_samples(cluster(3), 6, 1.6)
    message = f"^degree is {re.escape(repr(degree))}, expected a whole number: write it without a "
    for call in (solve, prepare):
        with pytest.raises(ValueError, match=message):
            call(samples, PROBE, degree=degree)
    assert solve(samples, PROBE, degree=np.int64(4)).modes.degree == 4


def test_missing_samples_count_at_their_frequency(rng):
    # 60 samples at one frequency, 29 at the other: degree 3 (30 unknowns) has too few there.
    places = random_samples(rng, 60, (1.8, 1.8))
    samples = simulate(
        cluster(1),
        frequency=[FREQUENCY, 1.1 * FREQUENCY],
        theta=places.theta,
        phi=places.phi,
        chi=places.chi,
        radius=places.radius,
    )
    response = np.array(samples.response)
    response[1, :31] = np.nan
    with pytest.raises(ValueError, match="degree 2 at most, not 3, which needs at least 30 samples"):
        solve(changed(samples, response=response), PROBE, degree=3)
    assert solve(samples, PROBE, degree=3).modes.degree == 3


def test_quadrature_beyond_its_grid_is_refused():
    samples = grid_samples(cluster(3), 8, 1.6)
    with pytest.raises(ValueError, match="not 12, "):
        solve(samples, PROBE, degree=12, method=Quadrature())


def test_customary_steps():
    # Steps of pi/N and 2 pi/2N, N = 12: 13 x 24 positions, which determine degree 11. Asked for
    # 12, one degree more, the result holds it and leaves it zero, with a word about it.
    antenna = cluster(1.5)
    samples = simulate_grid(antenna, frequency=[FREQUENCY], grid=equiangular_grid(13, 24), radius=3.0)
    solution = solve(samples, PROBE, degree=12)
    assert solution.modes.degree == 12
    assert np.all(solution.modes.coefficients[:, mode_count(11) :] == 0)
    assert "degree 11" in solution.degree_reason
    eleven = solve(samples, PROBE, degree=11)
    np.testing.assert_array_equal(solution.modes.truncate(11).coefficients, eleven.modes.coefficients)
    with pytest.raises(ValueError, match="determine degree 12 at most, not 13, "):
        solve(samples, PROBE, degree=13)
