"""Solutions after small changes, against those found anew."""

import functools
import re
from dataclasses import replace

import numpy as np
import pytest
from error_scans import ANTENNA, FIGURES, PROBE, dense_modes, one_port, spiral_scan
from probe_oracle import cluster_modes
from propagation_cases import received
from sources import ONE_METRE, K, random_cluster

from nf2ff.antenna.grids import equiangular_grid
from nf2ff.antenna.modes import Modes
from nf2ff.measurement.simulated import simulate_grid
from nf2ff.solver import dense
from nf2ff.solver.gaps import GAP_DAMPING, GAP_METHOD
from nf2ff.solver.nearby import CHANGE_RTOL, NearbySolver, _widened, by_least_squares
from nf2ff.solver.solve import prepare, solve
from nf2ff.solver.strategy import Direct, LeastSquares, Quadrature
from nf2ff.uncertainty.derivatives import RTOL, linearised
from nf2ff.uncertainty.draws import monte_carlo
from nf2ff.uncertainty.errors.axes import AxesSeparation, AxesSkew
from nf2ff.uncertainty.errors.catalogue import apply_terms
from nf2ff.uncertainty.errors.model import AngleTruncation, FrequencyError, ProbeGain
from nf2ff.uncertainty.errors.position import AxisZero, EncoderSteps, PositionNoise
from nf2ff.uncertainty.errors.receiver import AmplitudeNoise, PhaseNoise
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.local_figures import localise


def nearby(samples, **how):
    """Solver of scans near ``samples``, solved as `solve` does."""
    solution = solve(samples, PROBE, **how)
    return NearbySolver(solution.parts, solution.modes, samples, 1)


@functools.lru_cache
def grid_scan():
    grid = equiangular_grid(8, 14)
    return simulate_grid(ANTENNA, frequency=ONE_METRE, grid=grid, radius=2.0)


NEAR = [
    [PhaseNoise(rms=0.05)],
    [PositionNoise(axis="radius", rms=0.01), PositionNoise(axis="theta", rms=0.01)],
    [AxisZero(axis="theta", offset=0.02)],
    [ProbeGain(amplitude=0.02), AxisZero(axis="chi", offset=0.01)],
    [FrequencyError(offset=0.01)],
    [EncoderSteps(axis="phi", step=0.02)],
]


@pytest.mark.slow
@pytest.mark.parametrize("terms", NEAR, ids=lambda ts: ts[0].name)
@pytest.mark.parametrize(
    "method",
    [None, Direct(), LeastSquares(unweighted_finish=True), LeastSquares(damping=1e-6)],
    ids=["default", "dense", "finish", "damped"],
)
def test_solutions_near_one_that_is_known(terms, method):
    # Against the dense solution of the disturbed scan: what remains is 1e-4 of the change; of equal
    # weights a little more, and they fit noise of positions a little differently.
    samples = spiral_scan(ANTENNA, 6, radius=2.0)
    solver = nearby(samples, degree=6, method=method)
    modes = solver.known
    changed, probe = apply_terms(terms, samples, PROBE, 1)
    got = solver.modes(changed, probe, 6)
    wanted = dense_modes(changed, 6, probe)
    assert got.frequency[0] == changed.frequency[0] or got.frequency[0] == samples.frequency[0]
    change = np.linalg.norm(wanted.coefficients - modes.coefficients)
    assert change > 1e-3 * np.linalg.norm(modes.coefficients)
    rtol = 0.2 if isinstance(method, Direct) or getattr(method, "unweighted_finish", 0) else 3e-4
    assert np.linalg.norm(got.coefficients - wanted.coefficients) < rtol * change


RESPONSES = [PhaseNoise(rms=0.02), AmplitudeNoise(rms=0.01)]
ANGLES = [*RESPONSES, PositionNoise(axis="theta", rms=1e-3), AxesSkew(angle=1e-3)]
DISTANCE = [*ANGLES, PositionNoise(axis="radius", rms=2e-3), AxesSeparation(x=1e-3, y=1e-3, z=1e-3)]
WAYS = {
    "responses": RESPONSES,
    "angles": ANGLES,
    "distance": DISTANCE,
    "large": [PositionNoise(axis="theta", rms=0.03), AxisZero(axis="radius", offset=0.2)],
    "small": [PositionNoise(axis="phi", rms=1e-5)],
    "probe": [ProbeGain(amplitude=0.05), *ANGLES],
    "frequency": [FrequencyError(offset=0.01), *DISTANCE],
}


@pytest.mark.parametrize("terms", WAYS.values(), ids=WAYS)
@pytest.mark.parametrize("scan", ["spiral", "grid", "varied radius", "two ports", "gaps"])
def test_what_is_solved_nearby_is_a_solution_of_its_samples(scan, terms, rng):
    # Against `solve` of the very samples, which knows nothing of others. The gradient falls to CHANGE_RTOL,
    # the error to that times the condition of the normal matrix, 3 at most with 1.5 times the samples.
    probe = PROBE
    if scan == "grid":
        samples = grid_scan()
        solution = by_least_squares(solve(samples, PROBE, degree=6))
    else:
        samples = spiral_scan(ANTENNA, 6, radius=2.0)
        if scan == "varied radius":
            samples = spiral_scan(ANTENNA, 6, radius=2.0 + 0.05 * np.cos(3 * samples.theta))
        if scan == "gaps":
            response = samples.response.copy()
            response[0, [3, 40, 41]] = np.nan
            samples = replace(samples, response=response)
        if scan == "two ports":
            both = np.concatenate([PROBE.coefficients, 0.5j * PROBE.coefficients], axis=1)
            probe = replace(PROBE, coefficients=both)
            port = 1 + np.arange(samples.theta.size) % 2
            given = samples.response * np.where(port == 1, 1, 0.5j)
            samples = replace(samples, port=port, response=given)
        solution = solve(samples, probe, degree=6, method=LeastSquares(rtol=1e-12))
    solver = NearbySolver(solution.parts, solution.modes, samples, 1)
    changed, other = apply_terms(terms, samples, probe, rng)
    got = solver.modes(changed, other, 6).coefficients
    wanted = solve(changed, other, degree=6, method=LeastSquares(rtol=1e-12)).modes.coefficients
    change = np.linalg.norm(wanted - solution.modes.coefficients)
    assert np.linalg.norm(got - wanted) < 3 * CHANGE_RTOL * change


@pytest.mark.slow
@pytest.mark.parametrize("factorised", [True, False])
@pytest.mark.parametrize("terms", WAYS.values(), ids=WAYS)
def test_what_is_solved_near_a_partial_scan_too(terms, factorised, rng, monkeypatch):
    # Against `solve` of the very samples, damped alike. Apart from CHANGE_RTOL of the change, what the
    # stopping rule leaves: rtol times the first gradient over the smallest eigenvalue, damping^2.
    if not factorised:
        monkeypatch.setattr("nf2ff.solver.nearby.MOST_FACTORED", 0)
    whole = spiral_scan(ANTENNA, 6, radius=2.0, frequency=ONE_METRE * [1.0, 0.9])
    samples = one_port(whole, np.flatnonzero(whole.theta < 2.2))
    tight = LeastSquares(rtol=1e-11, max_iterations=1000)
    solution = solve(samples, PROBE, degree=6, method=tight)
    method = solution.parts[0].prepared.method
    assert method.damping == GAP_DAMPING
    assert len(method.spared) == 2
    solver = NearbySolver(solution.parts, solution.modes, samples, 1)
    changed, other = apply_terms(terms, samples, PROBE, rng)
    factors = []
    real = dense.preconditioned
    monkeypatch.setattr(
        "nf2ff.solver.nearby.preconditioned", lambda *a, **o: factors.append(real(*a, **o)) or factors[-1]
    )
    got = solver.modes(changed, other, 6).coefficients
    wanted = solve(changed, other, degree=6, method=method).modes.coefficients
    change = np.linalg.norm(wanted - solution.modes.coefficients)
    left = 2 * tight.rtol / method.damping**2 * np.linalg.norm(wanted)
    assert np.linalg.norm(got - wanted) < 3 * CHANGE_RTOL * change + left < 0.1 * change
    # Found anew where the factor cannot serve: a move far beyond what errors are, at the first frequency.
    served = [None] if terms == WAYS["large"] else [] if terms == WAYS["responses"] else [True, True]
    assert [one is not None or None for one in factors] == (served if factorised else [])


def test_frequencies_and_missing_samples_near_one_that_is_known():
    whole = spiral_scan(ANTENNA, 6, radius=2.0, frequency=ONE_METRE * [1.0, 0.9])
    response = whole.response.copy()
    response[1, [3, 40]] = np.nan
    holes = replace(whole, response=response)
    solver = nearby(holes, degree=6)
    for terms in ([PhaseNoise(rms=0.05)], [PositionNoise(axis="theta", rms=0.01)]):
        changed, _ = apply_terms(terms, holes, PROBE, 1)
        got = solver.modes(changed, PROBE, 6)
        for f in range(2):
            one = changed.at_frequency(f)
            wanted = dense_modes(one, 6).coefficients[0]
            change = np.linalg.norm(wanted - solver.known.coefficients[f])
            assert np.linalg.norm(got.coefficients[f] - wanted) < 3e-4 * change


def test_a_lower_degree_and_fewer_samples():
    samples = spiral_scan(ANTENNA, 6, radius=2.0, noise=1.0, rng=3)
    solver = nearby(samples, degree=6)
    for _ in range(2):  # the second time from what was kept
        lower = solver.modes(samples, PROBE, 4)
        wanted = dense_modes(samples, 4)
        np.testing.assert_allclose(lower.coefficients, wanted.coefficients, atol=1e-6)
    moved, _ = AxisZero(axis="theta", offset=0.02).apply(samples, PROBE)
    lower = solver.modes(moved, PROBE, 4)
    np.testing.assert_allclose(lower.coefficients, dense_modes(moved, 4).coefficients, atol=1e-6)
    # A cap that no sample saw is damped, as `solve` does: within what its stopping rule leaves of
    # each solution, rtol of the first gradient over the smallest eigenvalue of the damped normal
    # matrix, damping^2, while its largest is near one.
    few, _ = AngleTruncation(theta_max=2.0).apply(samples, PROBE)
    got = solver.modes(few, PROBE, 6)
    wanted = solve(few, PROBE, degree=6).modes
    bound = 2 * GAP_METHOD.rtol / GAP_METHOD.damping**2 * np.linalg.norm(wanted.coefficients)
    assert np.linalg.norm(got.coefficients - wanted.coefficients) < bound
    twice = replace(GAP_METHOD, damping=2 * GAP_METHOD.damping)
    other = solve(few, PROBE, degree=6, method=twice).modes
    assert np.linalg.norm(got.coefficients - other.coefficients) > bound
    assert np.linalg.norm(got.coefficients) < 2 * np.linalg.norm(solver.known.coefficients)


@pytest.mark.slow
def test_a_scan_with_a_gap_is_damped_as_solve_does():
    whole = spiral_scan(ANTENNA, 6, radius=2.0)
    seen = one_port(whole, np.flatnonzero(whole.theta < 2.2))
    # Sums of two threads differ from run to run, so that solutions agree within what the stopping
    # rule leaves of each: rtol times the first gradient, over the smallest eigenvalue of the
    # damped normal matrix, damping^2, while its largest is near one.
    unasked = LeastSquares(rtol=1e-6, max_iterations=500, damping=0.01)
    tight = LeastSquares(rtol=1e-10, max_iterations=500)
    for method, rtol in ((None, unasked.rtol), (tight, tight.rtol)):
        solution = solve(seen, PROBE, degree=6, method=method)
        modes = solution.modes
        # Of waves that were seen: about 1, and somewhat more where the others have little weight.
        spared = solution.parts[0].prepared.method.spared
        assert 0.9 < spared[0] < 2
        assert solution.parts[0].prepared.method == replace(unasked, rtol=rtol, spared=spared)
        wanted = solve(seen, PROBE, degree=6, method=method).modes
        difference = np.linalg.norm(modes.coefficients - wanted.coefficients)
        bound = 2 * rtol / unasked.damping**2
        assert difference < bound * np.linalg.norm(wanted.coefficients)
    other = solve(seen, PROBE, degree=6, method=replace(tight, damping=0.011)).modes
    difference = np.linalg.norm(modes.coefficients - other.coefficients)
    assert difference > 100 * bound * np.linalg.norm(wanted.coefficients)
    terms = [PhaseNoise(rms=0.02), AxisZero(axis="theta", offset=1e-3)]
    got = monte_carlo(solve(seen, PROBE, degree=6, method=tight), terms, FIGURES[:3], draws=2, rng=3, jobs=1)
    rng = np.random.default_rng(np.random.SeedSequence(3).spawn(1)[0])
    changed, _ = apply_terms([t.drawn(rng) for t in terms], seen, PROBE, rng)
    # By the same method; anew, `solve` would damp more under that noise.
    again = solve(
        changed, PROBE, degree=6, method=replace(tight, damping=unasked.damping, spared=spared)
    ).modes
    np.testing.assert_allclose(again.radiated_power(), got.values[0, :, 2], rtol=2 * bound)


def test_a_quadrature_serves_while_samples_stay_on_the_grid():
    samples = grid_scan()
    for method in (None, Quadrature()):
        fixed = monte_carlo(
            solve(samples, PROBE, degree=6, method=method),
            [PhaseNoise(rms=0.05)],
            FIGURES[:3],
            draws=2,
            rng=3,
            jobs=1,
        )
        one = np.random.default_rng(np.random.SeedSequence(3).spawn(1)[0])
        changed, _ = PhaseNoise(rms=0.05).apply(samples, PROBE, one)
        modes = prepare(samples, PROBE, degree=6, method=Quadrature()).modes(changed.response)
        assert fixed.values[0, 0, 2] == pytest.approx(modes.radiated_power()[0], rel=1e-12)
        # Moved off it, by least squares; and no difference between the two methods is an error.
        tiny = monte_carlo(
            solve(samples, PROBE, degree=6, method=method),
            [AxisZero(axis="theta", offset=1e-6)],
            FIGURES[:3],
            draws=2,
            rng=3,
            jobs=1,
        )
        assert 0 < tiny.error_level[0] < 1e-10
        # Simulated, the record is where it was.
        there = monte_carlo(
            solve(samples, PROBE, degree=6, method=method),
            [AxisZero(axis="theta", offset=1e-3)],
            FIGURES[:3],
            draws=2,
            rng=3,
            jobs=1,
            measure=functools.partial(received, ANTENNA),
        )
        assert 1e-8 < there.error_level[0] < 1e-4


@pytest.mark.slow
@pytest.mark.parametrize("method", [None, Quadrature()])
def test_a_degree_that_a_grid_leaves_zero(method):
    # The customary steps pi/N: T = N + 1 rings with poles, whose quadrature determines N - 1 and
    # leaves degree N zero. No error is to make something of it either.
    grid = equiangular_grid(8, 16)
    assert grid.degree == 6
    samples = simulate_grid(ANTENNA, frequency=ONE_METRE, grid=grid, radius=2.0)
    for term in (PhaseNoise(rms=0.02), AxisZero(axis="theta", offset=0.01)):
        found = [
            monte_carlo(
                solve(samples, PROBE, degree=n, method=method), [term], FIGURES, draws=2, rng=3, jobs=1
            )
            for n in (6, 7)
        ]
        # A draw is solved to CHANGE_RTOL of its change, in single precision, so that the last
        # digits differ from run to run; the condition of a full grid, below 10, multiplies that.
        change = np.abs(found[1].values - found[1].nominal).max(axis=0)
        difference = np.abs(found[0].values - found[1].values)
        assert np.all(difference <= 10 * CHANGE_RTOL * change)
        linear = [linearised(solve(samples, PROBE, degree=n), [term], FIGURES) for n in (6, 7)]
        np.testing.assert_allclose(linear[0].uncertainty, linear[1].uncertainty, rtol=10 * RTOL, atol=1e-12)
    for n, top in ((6, 6), (7, 6)):
        solution = solve(samples, PROBE, degree=n, method=method)
        prepared = solution.parts[0].prepared
        assert isinstance(prepared.method, Quadrature)
        # A degree more than the grid determines is left zero.
        assert (prepared.degree, solution.modes.degree) == (top, n)
        other = by_least_squares(solution)
        assert isinstance(other.parts[0].prepared.method, LeastSquares)
        assert by_least_squares(other) is other
        known = solution.modes.truncate(top).coefficients
        np.testing.assert_allclose(other.modes.coefficients, known, rtol=0, atol=1e-4)


def test_errors_are_counted_from_a_reference():
    # A degree too low by three: without any error worth the name the error's power is what the
    # truth has above it (closed form), and figures differ by what that is worth.
    antenna = random_cluster(4, 0.6, seed=5)
    truth = Modes(ONE_METRE, [cluster_modes(antenna, K, 14)])
    degree = 5
    samples = spiral_scan(antenna, degree, radius=2.0, oversampling=8)
    got = monte_carlo(
        solve(samples, PROBE, degree=degree),
        [PhaseNoise(rms=1e-6)],
        [Figure("trp"), Figure("directivity")],
        draws=3,
        rng=1,
        jobs=1,
        reference=truth,
    )
    above = 1 - truth.truncate(degree).radiated_power()[0] / truth.radiated_power()[0]
    assert 1e-4 < above < 0.1
    # Oversampled eight times, little of what is above falls into the modes below.
    assert got.error_level[0] == pytest.approx(above, rel=0.2)
    np.testing.assert_allclose(got.nominal[0], localise(got.figures, truth)[0].nominal)
    # Of a lower degree than the solution it is as good.
    again = monte_carlo(
        solve(samples, PROBE, degree=degree),
        [PhaseNoise(rms=1e-6)],
        [Figure("trp")],
        draws=1,
        rng=1,
        jobs=1,
        reference=truth.truncate(3),
    )
    power = truth.truncate(3).radiated_power()[0]
    assert again.nominal[0, 0] == pytest.approx(power)
    message = "the reference is known at [1.] Hz, the scan is of [2.99792458e+08]"
    with pytest.raises(ValueError, match=re.escape(message)):
        monte_carlo(
            solve(samples, PROBE, degree=degree),
            [PhaseNoise(rms=1e-6)],
            [Figure("trp")],
            draws=1,
            reference=Modes([1.0], truth.coefficients),
        )


def test_all_errors_act_together():
    terms = [AmplitudeNoise(rms=0.02), AxisZero(axis="radius", offset=0.01)]
    samples = spiral_scan(ANTENNA, 6, radius=2.0)
    got = monte_carlo(solve(samples, PROBE, degree=6), terms, FIGURES[:3], draws=1, rng=5, jobs=1)
    rng = np.random.default_rng(np.random.SeedSequence(5).spawn(1)[0])
    changed, _ = apply_terms([t.drawn(rng) for t in terms], samples, PROBE, rng)
    q = dense_modes(changed, 6)
    (local,) = localise(FIGURES[:3], dense_modes(samples, 6))
    np.testing.assert_allclose(got.values[0], local.values(q.coefficients), rtol=1e-5)


def test_radii_that_are_nearly_the_same_share_their_response(rng):
    # All ranges of a spread lie within one that is at most half as wide again on either side.
    for _ in range(200):
        low = rng.uniform(0.5, 3)
        high = low + 10 ** rng.uniform(-6, -1)
        below, above = _widened(low, high)
        assert below <= low
        assert above >= high
        assert above - below <= 2 * (high - low) * (1 + 1e-9)
    assert _widened(2.0, 2.0) == (2.0, 2.0)
    assert _widened(2.0, 2.0101) == _widened(2.0003, 2.01)


def test_what_was_solved_before_changes_no_bit():
    # The probe's response over radii is kept from one to the next.
    scan = spiral_scan(ANTENNA, 6, radius=2.0)
    term = [PositionNoise(axis="radius", rms=0.01)]
    several = [apply_terms(term, scan, PROBE, seed)[0] for seed in (1, 2, 3)]
    one = nearby(scan, degree=6)
    found = [one.modes(x, PROBE, 6).coefficients for x in several]
    alone = nearby(scan, degree=6).modes(several[2], PROBE, 6).coefficients
    np.testing.assert_array_equal(found[2], alone)


def test_scans_side_by_side_change_no_bit_of_each_other():
    # Of all kinds at once: other responses of two frequencies, one with gaps, other positions, a lower degree
    # and fewer samples.
    whole = spiral_scan(ANTENNA, 6, radius=2.0, frequency=ONE_METRE * [1.0, 0.9])
    response = whole.response.copy()
    response[1, [3, 40]] = np.nan
    for samples in (whole, replace(whole, response=response)):
        solution = solve(samples, PROBE, degree=6)
        terms = [[PhaseNoise(rms=0.02)]] * 6 + [[AxisZero(axis="theta", offset=0.01)]]
        terms += [[PhaseNoise(rms=0.02)], [AngleTruncation(theta_max=2.8)]]
        changed = [apply_terms(one, samples, PROBE, seed) for seed, one in enumerate(terms)]
        scans = [(*scan, 4 if i == 7 else 6) for i, scan in enumerate(changed)]
        solver = NearbySolver(solution.parts, solution.modes, samples, 1)
        for scan, together in zip(scans, solver.modes_of(scans), strict=True):
            alone = NearbySolver(solution.parts, solution.modes, samples, 1).modes(*scan)
            np.testing.assert_array_equal(together.coefficients, alone.coefficients)
    assert solver.modes_of([]) == []
