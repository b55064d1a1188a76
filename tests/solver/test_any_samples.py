"""Scans that are not grids: spirals, moving axes, jitter, varying radius, noise, a blocked cone.

The fields are closed forms that use no spherical wave, or those of a sphere by other libraries.
Wavelength one metre.
"""

import dataclasses
import json
import math
from pathlib import Path

import numpy as np
import oracle
import pytest
from commands import IN_FIELDS, run, succeed
from scipy.special import spherical_jn, spherical_yn
from sources import ONE_METRE, K, X, Z, random_cluster, random_directions

from nf2ff.antenna.closed_form import far_field_of, near_field, radiated_power_of
from nf2ff.antenna.dipoles import array_of, huygens_source
from nf2ff.antenna.fields import far_field_points
from nf2ff.antenna.modes import (
    SPEED_OF_LIGHT,
    WAVE_IMPEDANCE,
    Modes,
    mode_count,
    mode_index,
    mode_numbers,
    wavenumber,
)
from nf2ff.antenna.points import (
    constant_rate_spiral,
    equal_area_spiral,
    equal_area_spiral_for_degree,
    jittered,
)
from nf2ff.io import native, tables
from nf2ff.measurement.probe import Probe, field_probe
from nf2ff.measurement.samples import Samples
from nf2ff.measurement.simulated import simulate
from nf2ff.messages.solution import SolutionCode
from nf2ff.metrics.transformation import transform_samples
from nf2ff.report.result import result_facts
from nf2ff.solver.solution import noise_gain
from nf2ff.solver.solve import solve
from nf2ff.solver.strategy import Direct, LeastSquares

PROBE = field_probe()
TWO = SPEED_OF_LIGHT * np.array([0.9, 1.0])
#: What is promised of the far field at the default tolerance of 1e-9, relative L2.
PROMISED = 1e-7


def relative(value, wanted):
    return np.linalg.norm(np.subtract(value, wanted)) / np.linalg.norm(wanted)


def far_field_error(modes, antenna):
    """Relative L2 error of the complex far field, worst of the frequencies."""
    theta, phi = random_directions(400)
    wanted = np.array(far_field_of(antenna, frequency=modes.frequency, theta=theta, phi=phi))
    got = np.array(far_field_points(modes, theta=theta, phi=phi))
    return max(relative(got[:, f], wanted[:, f]) for f in range(modes.frequency.size))


def places(spiral, radius):
    """Both polarisations at each place, all of the first before the second."""
    return {
        "theta": np.tile(spiral.theta, 2),
        "phi": np.tile(spiral.phi, 2),
        "chi": np.repeat([0, np.pi / 2], spiral.count),
        "radius": np.tile(radius, 2) if np.ndim(radius) else radius,
    }


def scan(antenna, spiral, radius, *, frequency=ONE_METRE, **noise):
    """Samples of the closed-form field on a set of points."""
    return simulate(antenna, frequency=frequency, **places(spiral, radius), **noise)


def cluster(kr0, count=6):
    """Electric and magnetic dipoles of random moments all about the origin, the farthest at r0."""
    base = random_cluster(count)
    return changed(base, position=base.position * (kr0 / K / base.minimum_radius))


def changed(samples, **changes):
    return dataclasses.replace(samples, **changes)


def part(samples, keep):
    """The samples that ``keep`` picks, positions (M,)."""
    names = ("theta", "phi", "chi", "radius", "port")
    picked = {name: getattr(samples, name)[keep] for name in names}
    return changed(samples, response=samples.response[:, keep], **picked)


def spirals(degree):
    """The sets that the project's promise names, and the steps that each may take."""
    even = equal_area_spiral_for_degree(degree)
    return {
        "equal area": (even, 12),
        "constant rate": (constant_rate_spiral(turns=1.1 * degree, samples_per_turn=2.15 * degree), 12),
        "1.25 positions per pair": (equal_area_spiral_for_degree(degree, oversampling=1.25), 30),
        "jitter of a quarter step": (jittered(even, step_fraction=0.25, rng=1), 25),
        "jitter of half a step": (jittered(even, step_fraction=0.5, rng=1), 60),
    }


#: The threads of many cores add in an order of their own, two or three always in the same.
TWO_THREADS = LeastSquares(threads=2)


# --- the promise --------------------------------------------------------------------------------


CASES = [(degree, kr0, kind) for degree, kr0 in ((30, 12), (100, 65)) for kind in spirals(30)]


@pytest.mark.slow
@pytest.mark.parametrize(("degree", "kr0", "kind"), CASES)
def test_off_centre_cluster_from_a_spiral(degree, kr0, kind):
    # Above the degree the antenna has less than -185 dB of its power.
    spiral, most = spirals(degree)[kind]
    antenna = cluster(kr0)
    solution = solve(scan(antenna, spiral, kr0 / K + 5), PROBE, degree=degree)
    assert solution.warnings == ((),)
    assert far_field_error(solution.modes, antenna) < PROMISED
    power = radiated_power_of(antenna, frequency=ONE_METRE)
    np.testing.assert_allclose(solution.modes.radiated_power(), power, rtol=2 * PROMISED)
    assert solution.iterations[0] <= most


@pytest.mark.slow
@pytest.mark.parametrize("kind", spirals(30))
def test_radius_that_varies_by_two_wavelengths(kind, rng):
    spiral, _ = spirals(30)[kind]
    antenna = cluster(12)
    radius = 7 + rng.uniform(-2, 2, spiral.count)
    samples = scan(antenna, spiral, radius)
    solution = solve(samples, PROBE, degree=30)
    assert solution.warnings == ((),)
    assert far_field_error(solution.modes, antenna) < PROMISED
    # Distances that are known but not used are an error of phase as large as can be.
    wrong = solve(changed(samples, radius=7.0), PROBE, degree=30, method=LeastSquares(rtol=1e-3))
    assert far_field_error(wrong.modes, antenna) > 0.3


@pytest.mark.slow
@pytest.mark.parametrize("vary", [0.0, 1.0])
def test_dense_least_squares_gives_the_same(vary, rng):
    # numpy's lstsq on a matrix of the textbook's waves. Data with noise: nothing fits exactly, and
    # the answer depends on how the samples are weighted, here equally.
    degree = 10
    spiral = constant_rate_spiral(turns=degree + 2, samples_per_turn=2.2 * degree)
    radius = 4 + rng.uniform(-vary, vary, spiral.count)
    samples = scan(cluster(4), spiral, radius, noise=1.0, rng=rng)
    f = oracle.waves(degree, K * radius, spiral.theta, spiral.phi)
    matrix = K * np.sqrt(WAVE_IMPEDANCE) * np.concatenate([f[..., 1], f[..., 2]])
    wanted = np.linalg.lstsq(matrix, samples.response[0], rcond=None)[0]
    rest = relative(matrix @ wanted, samples.response[0])
    assert rest > 1e-3
    method = LeastSquares(rtol=1e-11, unweighted_finish=True)
    found = solve(samples, PROBE, degree=degree, method=method)
    assert relative(found.modes.coefficients[0], wanted) < 1e-8
    assert found.residual[0] == pytest.approx(rest, rel=1e-12)
    dense = solve(samples, PROBE, degree=degree, method=Direct())
    assert relative(dense.modes.coefficients[0], wanted) < 1e-11
    # Weighted samples give another answer, within the noise.
    weighted = solve(samples, PROBE, degree=degree, method=LeastSquares(rtol=1e-11))
    assert 1e-4 < relative(weighted.modes.coefficients[0], wanted) < 0.1


# --- positions of its own for each frequency, each polarisation, each port ----------------------


def moving(spiral, frequencies, radius):
    """Both polarisations and all frequencies in turn while the axes go on along the spiral.

    Sample i is due at the point i of the spiral, and each reading after it a part of the step on.
    """
    total = 2 * frequencies
    theta, phi = np.append(spiral.theta, np.pi), np.append(spiral.phi, spiral.phi[-1])
    late = np.arange(total).reshape(frequencies, 2) / total  # (F, 2)
    turned = np.unwrap(phi)
    at = np.arange(spiral.count)
    shape = (frequencies, 2, spiral.count)
    where = at + late[..., None]
    t, p = (np.interp(where.ravel(), np.arange(x.size), x).reshape(shape) for x in (theta, turned))
    chi = np.repeat([0, np.pi / 2], spiral.count)
    return {
        "theta": t.reshape(frequencies, -1),
        "phi": p.reshape(frequencies, -1) % (2 * np.pi),
        "chi": chi,
        "radius": radius,
    }


@pytest.mark.slow
def test_axes_that_move_during_the_sweep():
    antenna = cluster(4)
    spiral = equal_area_spiral_for_degree(22)
    frequency = SPEED_OF_LIGHT * np.array([0.8, 0.9, 1.0])
    samples = simulate(antenna, frequency=frequency, **moving(spiral, 3, 5.0))
    assert samples.moving
    solution = solve(samples, PROBE, degree=20, method=TWO_THREADS)
    assert solution.warnings == ((), (), ())
    assert far_field_error(solution.modes, antenna) < PROMISED
    for f in range(3):
        alone = solve(samples.at_frequency(f), PROBE, degree=20, method=TWO_THREADS)
        assert relative(solution.modes.coefficients[f], alone.modes.coefficients[0]) < 1e-12
        assert alone.iterations[0] == solution.iterations[f]
    # It matters: with the places of the first frequency, or of the first polarisation, for all.
    for wrong in (
        changed(samples, theta=samples.theta[0], phi=samples.phi[0]),
        changed(samples, **{n: np.tile(getattr(samples, n)[:, : spiral.count], 2) for n in ("theta", "phi")}),
    ):
        assert far_field_error(solve(wrong, PROBE, degree=20).modes, antenna) > 1e-2


@pytest.mark.slow
@pytest.mark.parametrize("suffix", ["csv", "h5"])
def test_moving_axes_through_a_file(suffix, tmp_path):
    antenna = cluster(2)
    samples = simulate(antenna, frequency=TWO, **moving(equal_area_spiral_for_degree(15), 2, 4.0))
    path = tmp_path / f"scan.{suffix}"
    if suffix == "csv":
        tables.write_table(path, samples)
    else:
        native.write_samples(path, samples)
    words = IN_FIELDS if suffix == "csv" else ()
    succeed("transform", path, "-o", tmp_path / "result.h5", "--degree", 14, "--json", *words)
    assert far_field_error(native.read_modes(tmp_path / "result.h5"), antenna) < PROMISED


@pytest.mark.slow
@pytest.mark.parametrize("order", ["in turn", "at random", "each at its own angle"])
def test_one_polarisation_at_each_place(order, rng):
    # 3 N(N+2) places, one reading each, as many as 1.5 N(N+2) places with two would have. Two
    # maps are then sampled at places that do not share what they see.
    antenna = cluster(4)
    spiral = equal_area_spiral_for_degree(20, oversampling=3.0)
    chi = {
        "in turn": np.arange(spiral.count) % 2 * np.pi / 2,
        "at random": rng.integers(0, 2, spiral.count) * np.pi / 2,
        "each at its own angle": rng.uniform(0, 2 * np.pi, spiral.count),
    }[order]
    samples = simulate(antenna, frequency=ONE_METRE, theta=spiral.theta, phi=spiral.phi, chi=chi, radius=4.0)
    solution = solve(samples, PROBE, degree=20)
    assert solution.warnings == ((),)
    assert far_field_error(solution.modes, antenna) < PROMISED
    # Another sense of chi is another antenna.
    if order == "each at its own angle":
        wrong = solve(changed(samples, chi=-chi), PROBE, degree=20)
        assert far_field_error(wrong.modes, antenna) > 0.1


#: Second port of the probe below: angle of its polarisation, what it reads of that field strength
#: and of the radial one.
TILT, CROSS, RADIAL = 1.2, 0.8 - 0.3j, 0.4 + 0.1j


def two_ports():
    """Port 1 reads E along x_p, port 2 CROSS times E at TILT from it plus RADIAL times E_r.

    Closed form: a regular wave of degree 1 has in the probe's place the field F^(1)_{2,m,1} =
    e_m / sqrt(6 pi), e_{+-1} = -+(x +- jy)/sqrt 2 and e_0 = z, and F^(1) = (F^(3) + F^(4))/2.
    """
    r = np.zeros((1, 2, 6), dtype=complex)
    for m in (-1, 1):
        at = mode_index(s=2, m=m, n=1)
        r[0, 0, at] = -m / np.sqrt(3 * np.pi)
        r[0, 1, at] = CROSS * r[0, 0, at] * np.exp(1j * m * TILT)
    r[0, 1, mode_index(s=2, m=0, n=1)] = RADIAL * 2 / np.sqrt(6 * np.pi)
    return Probe(None, r, "V/m")


def read_by_two_ports(antenna, *, theta, phi, chi, radius, port):
    """Samples of that probe, from the closed form of the field."""
    e_r, e_theta, e_phi = near_field(antenna, frequency=ONE_METRE, theta=theta, phi=phi, radius=radius)

    def along(angle):
        return e_theta * np.cos(angle) + e_phi * np.sin(angle)

    second = CROSS * along(chi + TILT) + RADIAL * e_r
    return Samples(ONE_METRE, theta, phi, chi, radius, port, np.where(port == 1, along(chi), second))


@pytest.mark.slow
@pytest.mark.parametrize("radius", [(3.0, 3.0), (2.5, 3.5)])
@pytest.mark.parametrize("second", ["at half of the places too", "at the other places"])
def test_two_ports(second, radius, rng):
    antenna = cluster(2)
    spiral = equal_area_spiral_for_degree(13, oversampling=2.0 if "too" in second else 3.0)
    r, chi = rng.uniform(*radius, spiral.count), rng.uniform(0, 2 * np.pi, spiral.count)
    half = rng.random(spiral.count) < 0.5
    whole = np.ones(spiral.count, bool)
    # Port 2 alone at half of the places, or besides port 1; at one place both had the same chi.
    pick = [(1, whole), (2, half)] if "too" in second else [(1, ~half), (2, half)]
    place = {
        name: np.concatenate([x[keep] for _, keep in pick])
        for name, x in (("theta", spiral.theta), ("phi", spiral.phi), ("chi", chi), ("radius", r))
    }
    port = np.concatenate([np.full(keep.sum(), p) for p, keep in pick])
    order = rng.permutation(port.size)
    place = {name: x[order] for name, x in place.items()}
    samples = read_by_two_ports(antenna, port=port[order], **place)
    method = LeastSquares(max_iterations=400)
    solution = solve(samples, two_ports(), degree=13, method=method)
    assert solution.warnings == ((),)
    assert far_field_error(solution.modes, antenna) < PROMISED
    # The radial part is heard: without it the samples do not fit.
    deaf = np.array(two_ports().coefficients)
    deaf[0, 1, mode_index(s=2, m=0, n=1)] = 0
    method = LeastSquares(rtol=1e-4)
    wrong = solve(samples, Probe(None, deaf, "V/m"), degree=13, method=method)
    assert wrong.residual[0] > 1e-3 > 1e4 * solution.residual[0]


# --- missing responses --------------------------------------------------------------------------


@pytest.mark.slow
def test_a_missing_response_drops_that_sample_there_only():
    antenna = cluster(4)
    spiral = equal_area_spiral_for_degree(24)
    samples = scan(antenna, spiral, 5.0, frequency=TWO)
    response = np.array(samples.response)
    lost = np.arange(7, 2 * spiral.count, 40)
    response[0, lost] = np.nan
    some = changed(samples, response=response)
    both = solve(some, PROBE, degree=20, method=TWO_THREADS)
    assert far_field_error(both.modes, antenna) < PROMISED
    # Each frequency is what it is alone: the one without them, the other with all.
    kept = np.setdiff1d(np.arange(2 * spiral.count), lost)
    one = part(samples.at_frequency(0), kept)
    first = solve(one, PROBE, degree=20, method=TWO_THREADS)
    second = solve(samples.at_frequency(1), PROBE, degree=20, method=TWO_THREADS)
    for f, alone in enumerate((first, second)):
        assert relative(both.modes.coefficients[f], alone.modes.coefficients[0]) < 1e-12
        assert alone.iterations[0] == both.iterations[f]
        # Tolerance 1e-9 of the fit: what is left differs by that times its rounding.
        assert alone.residual[0] == pytest.approx(both.residual[f], rel=1e-3)
        assert alone.noise_floor[0] == pytest.approx(both.noise_floor[f], rel=1e-3)
    facts = result_facts(transform_samples(some, PROBE, degree=20))
    assert [fact["samples"] for fact in facts] == [kept.size, 2 * spiral.count]
    # A wrong value in their place would be seen.
    response[0, lost] = 0
    assert solve(changed(samples, response=response), PROBE, degree=20).residual[0] > 0.05


@pytest.mark.slow
def test_other_samples_missing_at_each_frequency():
    # One in six at each, so that no frequency has a gap; but only half of them are in all four.
    antenna = cluster(4)
    spiral = equal_area_spiral_for_degree(40)
    samples = scan(antenna, spiral, 5.0, frequency=SPEED_OF_LIGHT * np.array([0.8, 0.9, 0.95, 1]))
    response = np.array(samples.response)
    missing = np.random.default_rng(1).integers(0, 6, spiral.count) == np.arange(4)[:, None]
    response[np.tile(missing, 2)] = np.nan
    some = changed(samples, response=response)
    alone = solve(some.at_frequency(0), PROBE, degree=30)
    assert alone.warnings == ((),)
    assert far_field_error(alone.modes, antenna) < PROMISED
    together = solve(some, PROBE, degree=30)
    assert together.warnings == ((),) * 4
    assert far_field_error(together.modes, antenna) < PROMISED


@pytest.mark.slow
def test_a_gap_at_the_second_frequency_is_seen():
    spiral = equal_area_spiral_for_degree(30)
    place = places(spiral, 5.0)
    theta = np.stack([place["theta"], place["theta"] * 160 / 180])
    samples = simulate(cluster(4), frequency=TWO, **(place | {"theta": theta}))
    solution = solve(samples, PROBE, degree=30)
    assert SolutionCode.GAP in [x.code for x in solution.warnings[1]]
    assert SolutionCode.GAP not in [x.code for x in solution.warnings[0]]
    assert solution.partial.tolist() == [False, True]


# --- noise --------------------------------------------------------------------------------------


def level_of(samples):
    """Root mean square of the responses."""
    return np.sqrt(np.mean(np.abs(samples.response) ** 2))


@pytest.mark.parametrize("kind", ["equal area", "constant rate", "jitter of a quarter step"])
@pytest.mark.parametrize("level_db", [-20, -60])
def test_noise_floor_is_that_of_the_samples(kind, level_db):
    degree, antenna = 30, cluster(8)
    spiral, _ = spirals(degree)[kind]
    noise = 10 ** (level_db / 20) * level_of(scan(antenna, spiral, 5.0))
    samples = scan(antenna, spiral, 5.0, noise=noise, rng=7)
    solution = solve(samples, PROBE, degree=degree)
    # The residual has M - J degrees of freedom, each of variance of its own square: of a power
    # 1/sqrt(M - J), of an amplitude half of that; four times. Uneven weights leave a little more
    # than least residuals: up to 1 % on the constant-rate spiral.
    count = 2 * spiral.count
    free = count - mode_count(degree)
    expected = noise / level_of(samples)
    assert solution.noise_floor[0] == pytest.approx(expected, rel=4 * 0.5 / free**0.5 + 0.01)
    np.testing.assert_allclose(solution.noise_floor, solution.residual / np.sqrt(free / count), rtol=1e-12)


def test_no_noise_floor_without_redundancy():
    # 1.03 samples per unknown: what is left of so few says nothing.
    spiral = equal_area_spiral(int(1.03 * 6 * 8))
    samples = scan(cluster(1), spiral, 3.0)
    outcome = transform_samples(samples, PROBE, degree=6, method=Direct())
    assert np.isnan(outcome.quantities["noise_floor"].values[0])
    assert result_facts(outcome)[0]["noise_floor_db"] is None


def closed_form_noise(degree, radius, count):
    """Variance (J,) of the coefficients from ``count`` evenly spread samples of unit noise [W].

    Two polarisations at count/2 places stand for 4 pi / (count/2) each; the tangential field of a
    wave has norm k sqrt(Z0) |R_sn(kr)| on the unit sphere (the waves radiate 1/2 |Q|^2, and R_sn
    goes to 1/kr), so var Q = (8 pi / M) / (k^2 Z0 |R_sn|^2).
    """
    s, _, n = mode_numbers(degree)
    order, kr = np.arange(1, degree + 1), K * radius
    h = spherical_jn(order, kr) - 1j * spherical_yn(order, kr)
    dh = spherical_jn(order, kr, derivative=True) - 1j * spherical_yn(order, kr, derivative=True)
    r = np.stack([h, dh + h / kr])
    return 8 * np.pi / count / (K**2 * WAVE_IMPEDANCE * np.abs(r[s - 1, n - 1]) ** 2)


@pytest.mark.parametrize("radius", [2.5, 40.0])
def test_noise_gain_in_closed_form(radius):
    degree = 16
    spiral = equal_area_spiral_for_degree(degree)
    samples = scan(cluster(4), spiral, radius)
    solution = solve(samples, PROBE, degree=degree)
    variance = closed_form_noise(degree, radius, 2 * spiral.count)
    power = 2 * solution.modes.radiated_power()[0]
    expected = variance.sum() / power * level_of(samples) ** 2
    if radius > 10:
        # Far away |R| = 1/kr, and the gain is the number of modes over that of samples; the waves
        # of k r = 250 differ from it by (n/kr)^2.
        share = mode_count(degree) / (2 * spiral.count)
        assert expected == pytest.approx(share, rel=(degree / (K * radius)) ** 2)
    # One realisation: powers of J independent exponential variables, weighted.
    chance = np.sqrt((variance**2).sum()) / variance.sum()
    gains = [noise_gain(solution, rng=seed)[0] for seed in range(8)]
    assert np.mean(gains) == pytest.approx(expected, rel=4 * chance / 8**0.5)
    assert gains[0] == pytest.approx(expected, rel=4.5 * chance)
    # The same noise again, but for the order of additions in threads.
    again = noise_gain(solution, rng=0)[0]
    assert again == pytest.approx(gains[0], rel=1e-10)


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["equal area", "constant rate", "jitter of half a step"])
def test_noise_gain_is_that_of_repeated_measurements(kind, rng):
    degree, antenna = 14, cluster(3)
    spiral, _ = spirals(degree)[kind]
    spiral = spiral if kind != "constant rate" else constant_rate_spiral(turns=17, samples_per_turn=30)
    clean = scan(antenna, spiral, 3.0)
    solution = solve(clean, PROBE, degree=degree)
    predicted = np.mean([noise_gain(solution, rng=rng)[0] for _ in range(10)])
    power, errors = solution.modes.radiated_power()[0], []
    level = 1e-2 * level_of(clean)
    for _ in range(20):
        noisy = solve(scan(antenna, spiral, 3.0, noise=level, rng=rng), PROBE, degree=degree)
        off = Modes(ONE_METRE, noisy.modes.coefficients - solution.modes.coefficients)
        errors.append(off.radiated_power()[0] / power / 1e-4)
    # Each has a scatter of its own, the mean that over the root of the number.
    chance = np.std(errors) / 20**0.5 + np.std(errors) / 10**0.5
    assert predicted == pytest.approx(np.mean(errors), abs=4 * chance)
    assert 4 * chance < 0.25 * predicted


@pytest.mark.slow
def test_what_weights_and_uneven_samples_cost():
    # The spiral of constant rates has its samples where they do least. Its far field has pi^2/8
    # of the noise of an even set: area weights a ~ sin(theta) give M sum a^2 / (sum a)^2, and
    # equal weights hardly less, since the least variance there is follows the local density too,
    # the mean of 1/density over that of an even set being the same pi^2/8 (closed form). What
    # separates them is left of it at finite degree, 1 or 2 %.
    degree, radius = 20, 40.0
    spiral = constant_rate_spiral(turns=24, samples_per_turn=43)
    rng = np.random.default_rng(5)
    shape = (24, 2 * spiral.count)
    noise = rng.standard_normal(shape) + 1j * rng.standard_normal(shape)
    # Noise alone, at 24 frequencies that are one for all that matters: a plan serves them all.
    frequency = SPEED_OF_LIGHT * (1 + 1e-9 * np.arange(24))
    samples = Samples(frequency, **places(spiral, radius), port=1, response=noise / np.sqrt(2))
    power = {}
    for finish in (False, True):
        method = LeastSquares(rtol=1e-5, unweighted_finish=finish)
        solution = solve(samples, PROBE, degree=degree, method=method)
        power[finish] = 2 * solution.modes.radiated_power()
        assert np.all(solution.iterations < 100)
    even = closed_form_noise(degree, radius, 2 * spiral.count).sum()
    # 24 J independent coefficients; the noise is nearer to that of the local density than 3 %.
    chance = 4 / np.sqrt(24 * mode_count(degree))
    for value in power.values():
        assert value.mean() / even == pytest.approx(np.pi**2 / 8, rel=chance + 0.03)
    # Paired, on the same noise: by how much equal weights are better.
    ratio = power[False] / power[True]
    assert 1.005 < ratio.mean() < 1.03
    assert ratio.mean() - 1 > 4 * ratio.std() / 24**0.5


def test_weighted_or_not_the_field_without_noise_is_right():
    antenna = cluster(12)
    spiral = constant_rate_spiral(turns=33, samples_per_turn=64.5)
    samples = scan(antenna, spiral, 7.0)
    found = {
        finish: solve(samples, PROBE, degree=30, method=LeastSquares(unweighted_finish=finish))
        for finish in (False, True)
    }
    for solution in found.values():
        assert solution.warnings == ((),)
        assert far_field_error(solution.modes, antenna) < PROMISED
    # The finish begins where the weighted solution ends, which is all there is to do.
    assert 0 <= found[True].iterations[0] - found[False].iterations[0] < 10


@pytest.mark.slow
def test_positions_read_wrongly_show_in_the_residual():
    # k r0 = 160: 0.1 deg at a place turns phases by up to 0.28 rad. -190 dB above the degree.
    degree, antenna = 200, cluster(160, 8)
    radius = 160 / K + 8
    spiral = equal_area_spiral_for_degree(degree)
    noise = 1e-3 * level_of(scan(antenna, spiral, radius))
    samples = scan(antenna, spiral, radius, noise=noise, rng=1)
    rng = np.random.default_rng(2)
    off = np.tile(np.radians(0.1) * rng.uniform(-1, 1, (2, spiral.count)), 2)
    theta = np.clip(samples.theta + off[0], 0, np.pi)
    cases = {
        "right": samples,
        "wrong": changed(samples, theta=theta, phi=samples.phi + off[1]),
        # What no residual can tell: all of them off by the same turn about the axis.
        "turned": changed(samples, phi=samples.phi + np.radians(0.1)),
    }
    method = LeastSquares(rtol=1e-5)
    found = {name: solve(x, PROBE, degree=degree, method=method) for name, x in cases.items()}
    floor = {name: 20 * np.log10(s.noise_floor[0]) for name, s in found.items()}
    # -60 dB of noise, of a power to 1/sqrt(M - J), 0.02 dB.
    assert floor["right"] == pytest.approx(-60, abs=0.1)
    # Each axis: 0.1 deg / sqrt 3 rms times k times what the dipoles are apart across the line of
    # sight, k r0 / 3 or so: 0.05 rad. Errors of phase make as much noise of it.
    assert -30 < floor["wrong"] < -15
    assert floor["turned"] == pytest.approx(floor["right"], abs=0.01)
    assert found["right"].residual[0] < 1e-3
    assert far_field_error(found["right"].modes, antenna) < 2e-3
    assert far_field_error(found["wrong"].modes, antenna) > 1e-2


# --- part of the sphere not seen ----------------------------------------------------------------


def panel(columns, rows):
    """Array of Huygens sources half a wavelength apart that looks to +z, off the origin.

    Of 1 mA m each: of 1 A m it would radiate megawatts, which is doubted.
    """
    x, y = (0.5 * (np.arange(n) - (n - 1) / 2) for n in (columns, rows))
    at = np.stack([a.ravel() for a in np.meshgrid(x, y, [0.3])], axis=1)
    source = huygens_source(direction=Z, polarisation=X, moment=1e-3)
    return array_of(source, positions=at)


def blocked(antenna, degree, radius, **noise):
    """Scan on the equal-area spiral without a cone of 20 deg about -z."""
    samples = scan(antenna, equal_area_spiral_for_degree(degree), radius, **noise)
    return part(samples, samples.theta < np.radians(160))


def level_error(field, antenna):
    """Error of the intensity in dB and its level below the maximum in dB, both (T, P)."""
    t, p = (x.ravel() for x in np.meshgrid(field.theta, field.phi, indexing="ij"))
    exact = far_field_of(antenna, frequency=field.frequency, theta=t, phi=p)
    wanted, got = (
        sum(np.abs(e[0]).reshape(field.e_theta.shape[1:]) ** 2 for e in pair)
        for pair in (exact, (field.e_theta, field.e_phi))
    )
    tiny = 1e-12 * wanted.max()
    wanted, got = np.maximum(wanted, tiny), np.maximum(got, tiny)
    return 10 * np.log10(got / wanted), 10 * np.log10(wanted / wanted.max())


@pytest.mark.slow
@pytest.mark.parametrize(
    ("columns", "rows", "degree", "away"), [(6, 5, 17, 3), (6, 5, 25, 5), (10, 10, 33, 10)]
)
def test_main_beam_in_spite_of_a_blocked_cone(columns, rows, degree, away):
    antenna = panel(columns, rows)
    radius = antenna.minimum_radius + away
    samples = blocked(antenna, degree, radius)
    outcome = transform_samples(samples, PROBE, degree=degree)
    field = outcome.far_field
    off, level = level_error(field, antenna)
    (trusted,) = field.trusted
    beam = (level > -30) & trusted
    assert np.abs(off[beam]).max() < 0.1
    # The beam itself is in it, and a good part of the sphere, but not what is behind the antenna.
    assert beam[field.theta < np.radians(10)].all()
    assert 0.5 < field.trusted_fraction()[0] < 0.95
    assert not trusted[field.theta > np.radians(165)].any()
    assert trusted[field.theta < np.radians(60)].all()
    # There the error is much larger: the mark means something.
    assert np.abs(off[(level > -60) & ~trusted]).max() > 1
    left_out, sentence = outcome.warnings[0]
    assert left_out.startswith("not known, since they hang on directions that were not seen: front-to-back")
    assert left_out.endswith("; the highest sidelobe is that of what was seen")
    (fact,) = result_facts(outcome)
    assert fact["warnings"] == [left_out, sentence]
    # 2 pi (1 - cos(20 deg - reach)), the reach 1.5 pi/N; samples at the edge up to a step beyond.
    step = np.sqrt(4 * np.pi / (1.5 * degree * (degree + 2)))
    edge = np.radians(20) - 1.5 * np.pi / degree
    least, most = (2 * np.pi * (1 - np.cos(edge + x)) for x in (-0.2 * step, step))
    assert least < fact["unseen_sr"] < most
    assert "% of the sphere was not measured (theta 1" in sentence
    assert fact["partial"] is True
    assert 18 < fact["largest_gap_deg"] < 20 + np.degrees(1.5 * step)
    assert fact["trusted_fraction"] == field.trusted_fraction()[0]


@pytest.mark.slow
def test_the_mark_is_in_the_file_and_the_json(tmp_path):
    antenna = panel(6, 5)
    samples = blocked(antenna, 17, antenna.minimum_radius + 3)
    native.write_samples(tmp_path / "scan.h5", samples)
    result = tmp_path / "result.h5"
    done = run("transform", tmp_path / "scan.h5", "-o", result, "--degree", 17, "--json")
    assert done.code == 0
    (fact,) = json.loads(done.out)["frequencies"]
    lines = done.err.splitlines()
    assert lines == [f"warning, 0.299792458 GHz: {words}" for words in fact["warnings"]]
    assert "front-to-back ratio" in lines[0]
    line = lines[1]
    assert "of the sphere" in line
    assert "use the far field only where trusted is 1" in line
    field = native.read_far_field(result)
    assert field.trusted is not None
    assert fact["trusted_fraction"] == field.trusted_fraction()[0] < 0.95
    assert native.read_result(result).warnings == (tuple(fact["warnings"]),)
    # The same scan with nothing blocked has none of it.
    whole = scan(antenna, equal_area_spiral_for_degree(17), antenna.minimum_radius + 3)
    native.write_samples(tmp_path / "whole.h5", whole)
    words = ("-o", tmp_path / "other.h5", "--degree", 17, "--json")
    (fact,) = json.loads(succeed("transform", tmp_path / "whole.h5", *words))["frequencies"]
    assert (fact["unseen_sr"], fact["trusted_fraction"], fact["warnings"]) == (0, 1, [])
    assert native.read_far_field(tmp_path / "other.h5").trusted is None


def test_noise_is_not_magnified_in_the_beam():
    # -50 dB of noise and a hole: the damped solution keeps the beam.
    antenna = panel(6, 5)
    radius = antenna.minimum_radius + 3
    level = level_of(blocked(antenna, 17, radius))
    samples = blocked(antenna, 17, radius, noise=10**-2.5 * level, rng=1)
    field = transform_samples(samples, PROBE, degree=17).far_field
    off, level = level_error(field, antenna)
    # -50 dB of the mean is -60 dB of the maximum or less, 30 dB below the edge of the beam.
    assert np.abs(off[(level > -30) & field.trusted[0]]).max() < 0.5


@pytest.mark.slow
def test_a_gap_without_damping_is_refused(tmp_path):
    antenna = panel(6, 5)
    samples = blocked(antenna, 17, antenna.minimum_radius + 3)
    with pytest.raises(ValueError, match=r"of the sphere was not measured .*: give a damping"):
        solve(samples, PROBE, degree=17, method=LeastSquares(damping=0.0))
    assert solve(samples, PROBE, degree=17, method=LeastSquares(rtol=1e-4)).warnings[0]
    assert solve(samples, PROBE, degree=17, method=LeastSquares(damping=1e-3)).warnings[0]
    # A degree low enough not to feel it is another way out.
    assert solve(samples, PROBE, degree=5, method=LeastSquares()).iterations[0] > 0
    native.write_samples(tmp_path / "scan.h5", samples)
    words = ("transform", tmp_path / "scan.h5", "-o", tmp_path / "r.h5", "--degree", 17)
    done = run(*words, "--method", "least-squares", "--damping", "0")
    assert (done.code, done.out) == (1, "")
    (line,) = done.err.splitlines()
    # Which degree is low enough: three half steps of it, 270 deg / N, bridge the gap, whose size is told.
    gap = math.degrees(solve(samples, PROBE, degree=17).coverage[0].largest_gap())
    assert f"give a damping (such as 0.01), or degree {int(270 / gap)} at most, which bridges it" in line
    assert not (tmp_path / "r.h5").exists()
    assert run(*words, "--method", "least-squares", "--damping", "0.01").code == 0


def test_fewer_samples_than_unknowns():
    # The fewest for degree 20: 2 N (N + 2) = 880. 434 places have two samples each.
    samples = scan(cluster(2), equal_area_spiral(434), 4.0)
    with pytest.raises(
        ValueError, match="868 samples determine degree 19 at most, not 20, which needs at least 880 samples"
    ):
        solve(samples, PROBE, degree=20)
    missing = np.array(scan(cluster(2), equal_area_spiral(600), 4.0).response)
    whole = scan(cluster(2), equal_area_spiral(600), 4.0)
    assert solve(whole, PROBE, degree=20).modes.degree == 20
    missing[0, ::3] = np.nan
    with pytest.raises(ValueError, match="needs at least 880 samples"):
        solve(changed(whole, response=missing), PROBE, degree=20)


# --- the field of another library ---------------------------------------------------------------


@pytest.fixture(scope="module")
def sphere():
    """Scattering of a plane wave by a sphere off-centre, see data/sphere.py."""
    with np.load(Path(__file__).parents[1] / "data" / "sphere.npz") as file:
        return dict(file)


def sphere_samples(sphere):
    theta, phi = sphere["theta"], sphere["phi"]
    return Samples(
        [sphere["frequency"]],
        np.tile(theta, 2),
        np.tile(phi, 2),
        np.repeat([0, np.pi / 2], theta.size),
        float(sphere["radius"]),
        1,
        np.concatenate([sphere["e_theta"], sphere["e_phi"]])[None],
    )


@pytest.mark.parametrize("degree", [22, 24, None])
def test_scattering_sphere(sphere, degree):
    # Both fields are of treams 0.4.7, the far one agrees with miepython 3.3.0 to 3e-13. The sphere
    # reaches out to k r0 = 7.4; above degree 22 it has -180 dB of its power.
    solution = solve(sphere_samples(sphere), PROBE, degree=degree, method=LeastSquares(rtol=1e-12))
    assert solution.warnings == ((),)
    assert solution.modes.degree >= 22
    got = far_field_points(solution.modes, theta=sphere["far_theta"], phi=sphere["far_phi"])
    wanted = np.array([sphere["far_e_theta"], sphere["far_e_phi"]])
    assert relative(np.array(got)[:, 0], wanted) < 1e-11
    # With the default tolerance too, if less close.
    solution = solve(sphere_samples(sphere), PROBE, degree=degree)
    got = far_field_points(solution.modes, theta=sphere["far_theta"], phi=sphere["far_phi"])
    assert relative(np.array(got)[:, 0], wanted) < 1e-9
    # In the other time convention it is not that field.
    assert relative(np.conj(np.array(got)[:, 0]), wanted) > 0.5


def test_scattering_cross_section(sphere):
    # C = 2 pi / k^2 sum (2n+1) (|a_n|^2 + |b_n|^2) with the coefficients of Mie (Bohren & Huffman
    # 1983, eqs. 4.61 and 4.53, from memory), exp(-iwt), at 1 V/m: closed form.
    k = float(wavenumber(sphere["frequency"]))
    x, index = k * sphere["sphere_radius"], np.sqrt(np.conj(sphere["permittivity"]))
    n = np.arange(1, 20)

    def riccati(function, z):
        value = function(n, z)
        return z * value, value + z * function(n, z, derivative=True)

    psi, dpsi = riccati(spherical_jn, x)
    chi, dchi = riccati(spherical_yn, x)
    xi, dxi = psi + 1j * chi, dpsi + 1j * dchi
    inner, dinner = riccati(spherical_jn, index * x)
    a = (index * inner * dpsi - psi * dinner) / (index * inner * dxi - xi * dinner)
    b = (inner * dpsi - index * psi * dinner) / (inner * dxi - index * xi * dinner)
    section = 2 * np.pi / k**2 * np.sum((2 * n + 1) * (np.abs(a) ** 2 + np.abs(b) ** 2))
    solution = solve(sphere_samples(sphere), PROBE, degree=24, method=LeastSquares(rtol=1e-12))
    expected = section / (2 * WAVE_IMPEDANCE)
    assert solution.modes.radiated_power()[0] == pytest.approx(expected, rel=1e-11)
