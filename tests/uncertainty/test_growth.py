"""Growth of errors of antennas that are known: closed forms, slopes, and what has no growth."""

import functools
import math
import re
from dataclasses import fields, replace

import numpy as np
import oracle
import pytest
from error_scans import PROBE, spiral_scan
from probe_oracle import cluster_modes
from sources import ONE_METRE, K, X, Z, random_cluster, random_directions

from nf2ff.antenna.closed_form import far_field_of, near_field
from nf2ff.antenna.dipoles import DipoleCluster, SinusoidalWire, array_of, huygens_source
from nf2ff.antenna.modes import SPEED_OF_LIGHT, Modes, mode_count, required_degree
from nf2ff.measurement.probe import mounted, probe_from_modes
from nf2ff.measurement.simulated import receive, simulate
from nf2ff.solver.nearby import CHANGE_RTOL
from nf2ff.solver.solve import solve
from nf2ff.uncertainty import draws as uncertainty_draws
from nf2ff.uncertainty.errors.model import DegreeTruncation, ProbeGain, ProbePolarisation
from nf2ff.uncertainty.errors.position import AxisZero, PositionNoise
from nf2ff.uncertainty.errors.receiver import AmplitudeNoise, NoiseFloor, PhaseNoise
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.growth import PARAMETER_UNITS, Growth, sweep, sweep_sizes
from nf2ff.uncertainty.local_figures import localise
from nf2ff.uncertainty.simulated_scan import SimulatedScan, expanded, received

FREQUENCY = float(ONE_METRE[0])
FIGURES = (Figure("directivity"), Figure("eirp"), Figure("pointing-theta"))


@functools.lru_cache
def panel():
    """Four by four Huygens sources off the origin, about a wavelength across."""
    x, y = (v.ravel() for v in np.meshgrid(*2 * [np.linspace(-0.4, 0.4, 4)]))
    place = np.stack([x + 0.1, 0.7 * y, 0 * x + 0.05], axis=1)
    weights = np.exp(-0.3j * K * x - 0.3 * y)
    element = huygens_source(direction=Z, polarisation=X)
    return array_of(element, positions=place, weights=weights)


def scan(**more):
    return SimulatedScan(**({"antenna": panel(), "frequency": FREQUENCY, "radius": 5.0} | more))


# --- scans that are simulated --------------------------------------------------------------------


def test_degree_and_samples_of_a_scan():
    one = scan()
    degree = required_degree(K * panel().minimum_radius, tail_db=-60)
    assert one.solver_degree == degree
    assert scan(tail_db=-30).solver_degree < degree < scan(tail_db=-120).solver_degree
    assert scan(degree=21).solver_degree == 21
    samples = one.samples()
    assert samples.theta.size == 2 * math.ceil(1.5 * degree * (degree + 2))
    # Two polarisations at one position, and the same numbers as by the simulation itself.
    np.testing.assert_array_equal(samples.theta[::2], samples.theta[1::2])
    _, e_theta, e_phi = near_field(
        panel(), frequency=ONE_METRE, theta=samples.theta[::2], phi=samples.phi[::2], radius=5.0
    )
    largest = np.abs(e_theta).max()
    np.testing.assert_allclose(samples.response[0, ::2], e_theta[0], atol=1e-14 * largest)
    np.testing.assert_allclose(samples.response[0, 1::2], e_phi[0], atol=1e-14 * largest)


@pytest.mark.parametrize(
    "antenna", [panel(), SinusoidalWire(0.5, 1.0, position=[0.2, 0, 0])], ids=["panel", "wire"]
)
def test_truth_is_the_closed_form(antenna):
    # Rounding: of sums of some thousand numbers, and of waves that were measured where they had
    # fallen by as much as the radius is larger than the antenna.
    truth = scan(antenna=antenna).truth()
    theta, phi = random_directions(50)
    e = far_field_of(antenna, frequency=ONE_METRE, theta=theta, phi=phi)
    found = oracle.far_field(truth.coefficients[0], truth.degree, theta, phi)
    wanted = np.stack([e[0][0], e[1][0]], axis=1)
    np.testing.assert_allclose(found, wanted, rtol=0, atol=1e-11 * np.abs(wanted).max())
    assert expanded(antenna, FREQUENCY, least=70).degree == 70
    assert truth.degree == required_degree(K * antenna.minimum_radius, tail_db=-240)


def test_what_another_probe_receives():
    # By the transmission formula from the expansion, against the probe's dipoles one by one.
    cluster = random_cluster(2, 0.2, seed=8)
    q = cluster_modes(cluster, K, 12)
    # Coefficients of a probe are those at 1 W into its port.
    probe = probe_from_modes(Modes(ONE_METRE, [q / np.sqrt(0.5 * np.sum(np.abs(q) ** 2))]))
    place = spiral_scan(panel(), 4, radius=3.0)
    rng = np.random.default_rng(1)
    radius = place.radius + rng.uniform(0, 0.2, place.radius.size)
    place = replace(place, chi=place.chi + 0.2, radius=radius)
    wanted = receive(
        panel(),
        [cluster],
        frequency=ONE_METRE,
        theta=place.theta,
        phi=place.phi,
        chi=place.chi,
        radius=place.radius,
    )
    got = received(panel(), place, probe)
    assert got.response_unit == "sqrt(W)"
    largest = np.abs(wanted.response).max()
    np.testing.assert_allclose(got.response, wanted.response, rtol=0, atol=1e-8 * largest)
    # And a whole scan with it.
    one = scan(probe=probe, degree=4)
    assert one.samples().response_unit == "sqrt(W)"
    assert one.measure(one.samples(), probe).response == pytest.approx(one.samples().response)


def test_what_a_probe_that_errs_receives():
    place = spiral_scan(panel(), 4, radius=3.0)
    louder = received(panel(), place, mounted(PROBE, port_factors=1.25))
    largest = np.abs(place.response).max()
    np.testing.assert_allclose(louder.response, 1.25 * place.response, rtol=0, atol=1e-9 * largest)
    # Cross-polar leakage (closed form): w(chi) + c w(chi + 90 deg).
    leaky = ProbePolarisation(level=0.1, phase=0.3).alter(PROBE)
    turned = simulate(
        panel(), frequency=ONE_METRE, theta=place.theta, phi=place.phi, chi=place.chi + np.pi / 2, radius=3.0
    )
    wanted = place.response + 0.1 * np.exp(0.3j) * turned.response
    got = received(panel(), place, leaky)
    np.testing.assert_allclose(got.response, wanted, rtol=0, atol=1e-9 * largest)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"frequency": -1.0}, "frequency is -1 Hz, expected > 0"),
        ({"radius": 0.0}, "radius is 0 m, expected > 0"),
        ({"oversampling": 0.0}, "oversampling is 0, expected > 0"),
        ({"positions": "square"}, "positions are 'square': expected one of spiral, constant-rate, grid"),
        ({"samples_wanted": 5}, "samples are 5, expected 12 or more"),
        ({"degree": 0}, "degree is 0, expected at least 1"),
        ({"degree": 3.5}, "degree must hold whole numbers"),
        ({"radius": 0.5}, "radius is 0.5 m, the antenna's minimum sphere has 0.57"),
    ],
)
def test_scans_that_are_none(change, message):
    with pytest.raises(ValueError, match=re.escape(message)):
        scan(**change)


# --- growth --------------------------------------------------------------------------------------


def position_level(samples, antenna, rms, degree):
    """Pattern error level by random errors of theta: J/M times the error's share (closed form).

    Noise of variance s_i^2 at sample i, of a set of equal areas, gives (J/M) sum s_i^2 / sum |w|^2
    (`test_propagation.noise_level`); s_i = rms |dw/dtheta|, by differences of the closed form.
    """
    e = 1e-5
    ends = [
        simulate(
            antenna,
            frequency=samples.frequency,
            theta=samples.theta + d,
            phi=samples.phi,
            chi=samples.chi,
            radius=samples.radius,
        ).response
        for d in (e, -e)
    ]
    slope = (ends[0] - ends[1]) / (2 * e)
    share = np.sum(np.abs(rms * slope) ** 2) / np.sum(np.abs(samples.response) ** 2)
    return mode_count(degree) / samples.theta.size * share


@pytest.mark.slow
def test_errors_grow_as_their_size():
    # Amplitude in proportion to size: 20 dB a decade. A tail of -120 dB leaves nothing else.
    one = scan(tail_db=-120.0)
    draws, rms = 20, 1e-3
    got = sweep(
        one,
        [PositionNoise(axis="theta", rms=rms)],
        FIGURES,
        over="size",
        values=[0.1, 1, 5],
        draws=draws,
        jobs=1,
    )
    assert got.unit == "1"
    assert got.error_units == ("dB", "dB", "rad")
    # The second order of phases of 0.005 x n, n to 12: 2e-3 of the first.
    np.testing.assert_allclose(got.slope(), 20, rtol=0, atol=0.02)
    for i, size in enumerate(got.values):
        level = position_level(one.samples(), panel(), size * rms, one.solver_degree)
        # 3 % for a spiral that is not quite a quadrature and near-field waves, four of chance.
        chance = 4 / math.sqrt(draws * mode_count(one.solver_degree))
        assert 10 ** (got.level_db[i, 0] / 10) == pytest.approx(level, rel=0.03 + chance)
        assert got.level_low_db[i, 0] < got.level_db[i, 0] < got.level_high_db[i, 0]
    # Figures too: errors in dB and rad are in proportion, by the same draws each time.
    spread = got.spread[:, 0] / got.values[:, None]
    np.testing.assert_allclose(spread, np.broadcast_to(spread[0], spread.shape), rtol=0.03)
    np.testing.assert_array_equal(got.draws, draws)
    np.testing.assert_array_equal(got.degree, one.solver_degree)
    np.testing.assert_array_equal(got.samples, one.samples().theta.size)
    np.testing.assert_array_equal(got.frequency, FREQUENCY)


def test_reference_and_errors_are_the_draws_against_the_truth():
    one = scan(degree=8)
    terms = [AmplitudeNoise(rms=0.01), AxisZero(axis="theta", offset=0.01)]
    got = sweep(one, terms, FIGURES, over="size", values=[1.0], draws=10, jobs=1, confidence=0.5)
    (local,) = localise(FIGURES, one.truth())
    np.testing.assert_allclose(got.reference[0, 0], local.nominal, rtol=1e-9, atol=1e-12)
    draws = uncertainty_draws.monte_carlo(
        solve(one.samples(), PROBE, degree=8),
        terms,
        FIGURES,
        draws=10,
        rng=0,
        jobs=1,
        measure=one.measure,
        reference=one.truth(),
    ).values[:, 0]
    error = np.concatenate(
        [10 * np.log10(draws[:, :2] / local.nominal[:2]), draws[:, 2:] - local.nominal[2:]], axis=1
    )
    # Sums of two threads differ from run to run: by less than the part of the change to which each
    # draw is solved.
    near = CHANGE_RTOL * np.abs(error).max(axis=0)
    low, high = np.percentile(error, [25, 75], axis=0)
    rms = np.sqrt(error.mean(axis=0) ** 2 + error.var(axis=0, ddof=1))
    for found, wanted in (
        (got.mean, error.mean(axis=0)),
        (got.spread, error.std(axis=0, ddof=1)),
        (got.low, low),
        (got.high, high),
        (got.rms(), rms),
    ):
        np.testing.assert_array_less(np.abs(found[0, 0] - wanted), near)


def test_more_samples_hold_noise_down():
    # Noise x modes / samples: -10 dB for ten times as many.
    got = sweep(
        scan(tail_db=-120.0),
        [AmplitudeNoise(rms=0.01)],
        FIGURES,
        over="oversampling",
        values=[1.5, 6.0],
        draws=15,
        jobs=1,
    )
    # Chance, 4 / sqrt(D J) twice, and 3 % at the fewer samples, over 0.6 of a decade.
    assert got.slope()[0, 0] == pytest.approx(-10, abs=4.34 * (0.03 + 0.04) / 0.6)
    assert got.samples[1] == pytest.approx(4 * got.samples[0], abs=8)


def bare(positions, degree, values):
    """Errors of sampling alone over the number of positions."""
    one = scan(degree=degree, positions=positions)
    return sweep(one, [], FIGURES[:1], over="samples", values=values, draws=2, jobs=1)


def test_without_errors_it_is_what_the_degree_cuts_off():
    """Closed form by the modes: the power above the degree, and hardly more where samples are many."""
    truth = scan().truth()
    power = truth.radiated_power()[0]
    for positions in ("spiral", "constant-rate", "grid"):
        got = bare(positions, 6, [600])
        above = 10 * math.log10(1 - truth.truncate(6).radiated_power()[0] / power)
        assert above < got.level_db[0, 0] < above + 1.0
        assert got.spread[0, 0, 0] < 1e-6
        # A spiral of constant speeds ends at the pole, so that one more or less fits.
        assert 2 * 480 <= got.samples[0] <= 2 * 601


def test_too_few_positions_let_waves_pass_for_others():
    # Degree 8 has 80 pairs. With 1.1 positions each, crowded at the poles, what is above folds into what is
    # below, amplified where positions are far apart; with 3 it is down to what the degree cuts off.
    got = bare("constant-rate", 8, [90, 240])
    assert got.unit == "1"
    np.testing.assert_allclose(got.samples, [180, 480], atol=2)
    assert got.level_db[0, 0] > got.level_db[1, 0] + 10


def test_a_size_needs_an_error():
    with pytest.raises(ValueError, match="there is no error whose size could vary"):
        sweep(scan(), [], FIGURES[:1], over="size", values=[1.0], draws=2, jobs=1)


def test_distance_leaves_less_signal():
    # A noise floor of so many V/m: +20 dB for ten times the distance, where all is far field.
    got = sweep(
        scan(tail_db=-120.0),
        [NoiseFloor(rms=1e-3)],
        FIGURES[:1],
        over="radius",
        values=[10.0, 100.0],
        draws=15,
        jobs=1,
    )
    assert got.unit == "m"
    assert got.slope()[0, 0] == pytest.approx(20, abs=4.34 * 0.05)


def test_a_low_degree_cuts_off_what_is_above():
    # With hardly any error, and so many samples that little of what is above falls into what is
    # below: the power above the degree (closed form by the modes).
    got = sweep(
        scan(oversampling=8.0),
        [PhaseNoise(rms=1e-7)],
        FIGURES[:1],
        over="degree",
        values=[4, 6, 8],
        draws=2,
        jobs=1,
    )
    np.testing.assert_array_equal(got.degree, [4, 6, 8])
    truth = scan().truth()
    power = truth.radiated_power()[0]
    for degree, level in zip(got.degree, got.level_db[:, 0], strict=True):
        above = 10 * math.log10(1 - truth.truncate(degree).radiated_power()[0] / power)
        assert above < level < above + 1.0


def test_frequency_changes_the_antenna_and_the_degree():
    got = sweep(
        scan(),
        [PositionNoise(axis="theta", rms=1e-3)],
        FIGURES,
        over="frequency",
        values=[0.5 * FREQUENCY, FREQUENCY],
        draws=4,
        jobs=1,
    )
    assert got.unit == "Hz"
    np.testing.assert_array_equal(got.frequency[:, 0], got.values)
    assert got.degree[0] < got.degree[1]
    for i, f in enumerate(got.values):
        k = 2 * np.pi * f / SPEED_OF_LIGHT
        modes = Modes([f], [cluster_modes(panel(), k, 16)])
        (local,) = localise(FIGURES, modes)
        np.testing.assert_allclose(got.reference[i, 0], local.nominal, rtol=1e-6, atol=1e-7)


def test_probe_errors_are_simulated():
    # A probe that reads a draw more: EIRP is up by its square, directivity and pointing stay.
    term = ProbeGain(amplitude=0.02)
    got = sweep(scan(), [term], FIGURES, over="size", values=[1.0], draws=3, jobs=1)
    drawn = [
        term.drawn(np.random.default_rng(child)).amplitude for child in np.random.SeedSequence(0).spawn(3)
    ]
    assert got.mean[0, 0, 1] == pytest.approx(np.mean(20 * np.log10(1 + np.array(drawn))), abs=1e-3)
    assert abs(got.mean[0, 0, 0]) < 1e-3


def test_sizes_of_a_measured_scan():
    # Two frequencies, counted from its own solution; and to first order as simulated.
    samples = spiral_scan(panel(), 12, radius=5.0, frequency=ONE_METRE * [1.0, 0.8])
    terms = [AxisZero(axis="theta", offset=1e-3), PhaseNoise(rms=0.01)]
    got = sweep_sizes(solve(samples, PROBE, degree=12), terms, FIGURES, factors=[0.1, 1.0], draws=12, jobs=1)
    assert got.parameter == "size"
    assert got.spread.shape == (2, 2, 3)
    np.testing.assert_allclose(got.slope(), 20, rtol=0, atol=0.1)
    there = sweep(scan(degree=12), terms, FIGURES, over="size", values=[0.1, 1.0], draws=12, jobs=1)
    np.testing.assert_allclose(got.level_db[:, 0], there.level_db[:, 0], rtol=0, atol=0.3)


def test_no_error_at_all_is_rounding():
    got = sweep(
        scan(), [AxisZero(axis="theta", offset=0.0)], FIGURES, over="size", values=[1.0], draws=2, jobs=1
    )
    degree, truth = scan().solver_degree, scan().truth()
    # The tail that the degree leaves, and as much again or less that falls into lower modes.
    tail = 1 - truth.truncate(degree).radiated_power()[0] / truth.radiated_power()[0]
    assert 1 < 10 ** (got.level_db[0, 0] / 10) / tail < 3
    own = sweep_sizes(
        solve(scan().samples(), PROBE, degree=degree),
        [DegreeTruncation(degree=12)],
        FIGURES[:2],
        factors=[1.0],
        draws=2,
        jobs=1,
    )
    assert np.isfinite(own.level_db).all()


# --- progress and stopping -----------------------------------------------------------------------


def test_progress_counts_all_draws(monkeypatch):
    monkeypatch.setattr(uncertainty_draws, "BATCH", 2)
    seen = []
    sweep(
        scan(degree=4),
        [PhaseNoise(rms=0.1)],
        FIGURES[:1],
        over="size",
        values=[1, 2],
        draws=3,
        jobs=1,
        progress=seen.append,
    )
    assert seen == [2, 3, 5, 6]


def test_stopped_work_keeps_the_values_it_has(monkeypatch):
    monkeypatch.setattr(uncertainty_draws, "BATCH", 2)

    def stop_at(limit):
        def progress(count):
            if count >= limit:
                raise KeyboardInterrupt

        return progress

    def run(limit):
        return sweep(
            scan(degree=4),
            [PhaseNoise(rms=0.1)],
            FIGURES[:1],
            over="size",
            values=[1, 2, 3],
            draws=4,
            jobs=1,
            progress=stop_at(limit),
        )

    got = run(6)
    np.testing.assert_array_equal(got.values, [1, 2])
    np.testing.assert_array_equal(got.draws, [4, 2])
    # Between two values: what is done is done.
    monkeypatch.setattr("nf2ff.uncertainty.growth.monte_carlo", interrupted_at(2))
    np.testing.assert_array_equal(run(100).values, [1])
    monkeypatch.setattr("nf2ff.uncertainty.growth.monte_carlo", interrupted_at(1))
    with pytest.raises(KeyboardInterrupt):
        run(100)


def interrupted_at(call):
    calls = []

    def run(*args, **more):
        calls.append(1)
        if len(calls) == call:
            raise KeyboardInterrupt
        return uncertainty_draws.monte_carlo(*args, **more)

    return run


# --- refusals ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"over": "colour"}, "over is 'colour', expected one of size, frequency, radius, oversam"),
        ({"values": []}, "values of size are [], expected positive values in increasing order"),
        ({"values": [2.0, 1.0]}, "values of size are [2.0, 1.0], expected positive values in inc"),
        ({"values": [0.0, 1.0]}, "values of size are [0.0, 1.0], expected positive values in inc"),
        ({"values": [1.0, np.nan]}, "values is nan at index (1)"),
        ({"draws": 0}, "at the size 1: draws is 0, expected a whole number >= 1"),
        ({"confidence": 1.0}, "confidence is 1.0, expected between 0 and 1"),
        (
            {"figures": [Figure("sidelobe-level")], "over": "frequency", "values": [1e7, FREQUENCY]},
            "at the frequency 10000000: no sidelobe in the cut at 0.01 GHz",
        ),
        ({"over": "radius", "values": [0.5]}, "at the radius 0.5: radius is 0.5 m, the antenna's"),
        ({"over": "degree", "values": [2.5]}, "at the degree 2.5: degree must hold whole numbers"),
    ],
)
def test_sweeps_that_are_none(change, message):
    given = {"figures": FIGURES[:1], "over": "size", "values": [1.0], "draws": 2, "jobs": 1} | change
    figures = given.pop("figures")
    with pytest.raises(ValueError, match=re.escape(message)):
        sweep(scan(degree=3), [PhaseNoise(rms=0.1)], figures, **given)


@pytest.mark.parametrize("measured", [False, True])
def test_what_cannot_be_is_refused_before_any_draw(measured, monkeypatch):
    monkeypatch.setattr("nf2ff.uncertainty.growth.monte_carlo", lambda *_, **__: pytest.fail("drawn"))
    one = scan(degree=3)

    def run(terms, **more):
        if measured:
            return sweep_sizes(
                solve(one.samples(), PROBE, degree=3), terms, FIGURES[:1], factors=[0.1, 3.0], draws=2, **more
            )
        return sweep(one, terms, FIGURES[:1], over="size", values=[0.1, 3.0], draws=2, **more)

    message = "at the size 3: probe-gain: amplitude is 1.5, expected between -1 and 1"
    with pytest.raises(ValueError, match=message):
        run([ProbeGain(amplitude=0.5)])
    with pytest.raises(ValueError, match="confidence is 95, expected between 0 and 1"):
        run([PhaseNoise(rms=0.1)], confidence=95)


def test_sizes_in_order():
    with pytest.raises(ValueError, match=r"values of size are \[-1.0\], expected positive values"):
        sweep_sizes(
            solve(scan(degree=3).samples(), PROBE, degree=3),
            [PhaseNoise(rms=0.1)],
            FIGURES,
            factors=[-1.0],
            draws=1,
        )


def test_a_noun_of_wrong_shape():
    got = sweep(
        scan(degree=3), [PhaseNoise(rms=0.1)], FIGURES[:1], over="size", values=[1.0], draws=2, jobs=1
    )
    given = {f.name: getattr(got, f.name) for f in fields(Growth)}
    with pytest.raises(ValueError, match=re.escape("draws of the growth has shape (2,), expected")):
        Growth(**(given | {"draws": [1, 2]}))
    with pytest.raises(ValueError, match="read-only"):
        got.mean[0] = 0
    own = {"size", "frequency", "radius", "oversampling", "samples", "degree"}
    assert set(PARAMETER_UNITS) == own | {"phase-groups"}
    assert isinstance(panel(), DipoleCluster)
