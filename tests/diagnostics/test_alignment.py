"""Alignment against closed forms: faults put into scans of dipoles are found out, or left where not seen."""

import re
from dataclasses import replace

import numpy as np
import pytest
from alignment_cases import (
    DEG,
    DEGREE,
    FREQUENCY,
    GEOMETRY,
    KR0,
    NOISE,
    PORTS,
    PROBE,
    SIGNAL,
    TERMS,
    Faults,
    case,
    cluster,
    draw_faults,
    error_db,
    measured,
    poses,
    probe_of,
    record,
    responses,
    true_modes,
    two_by_two,
)
from scipy.stats import chi2

from nf2ff.diagnostics.alignment.estimate import estimate_alignment
from nf2ff.diagnostics.alignment.fit import Fit
from nf2ff.diagnostics.alignment.held import held_effect, held_pose
from nf2ff.diagnostics.alignment.model import Model
from nf2ff.diagnostics.alignment.parameters import parameters_of
from nf2ff.diagnostics.alignment.result import check_explained, terms_left
from nf2ff.measurement.samples import Samples
from nf2ff.solver.solve import solve
from nf2ff.uncertainty.errors.axes import AxesSeparation, AxesSkew, AxisWander, TimingLag
from nf2ff.uncertainty.errors.model import ProbeGain, ProbePointing
from nf2ff.uncertainty.errors.position import AxisZero
from nf2ff.uncertainty.errors.receiver import (
    ChannelImbalance,
    NoiseFloor,
    ReceiverNoise,
    SlowDrift,
    ThermalRamp,
)


@pytest.mark.parametrize("scan", ["grid +-180", "equal-area + 2"])
@pytest.mark.parametrize("seed", [1, pytest.param(2, marks=pytest.mark.slow)])
def test_faults_are_found_out(scan, seed):
    _, size, found, _, recorded, aligned, known = case(scan, seed)
    assert recorded > aligned + 15
    # Twelve parameters beside 240 modes cost little where all of them are seen.
    assert aligned < known + 2.5
    assert found.solves <= 60
    z = (found.value - size) / found.uncertainty
    # 12 normal numbers: their mean square is 1 +- 0.41, four of these and more would be a fault.
    assert np.mean(z**2) < 1 + 4 * np.sqrt(2 / z.size)
    assert np.all(found.uncertainty < 0.35 * np.array([x.prior for x in found.parameters]))
    assert found.chi_square == pytest.approx(1, abs=5 / np.sqrt(found.residual_after.size - 240.0))
    assert aligned == pytest.approx(20 * np.log10(found.far_field_after), abs=2.5)


@pytest.mark.slow
def test_estimates_scatter_as_stated():
    # 8 scans of 12 parameters: 96 pairs know a deviation to 1/sqrt(2 x 96) = 7 %; three of these.
    z = np.concatenate(
        [(c[2].value - c[1]) / c[2].uncertainty for c in (case("equal-area + 2", i) for i in range(1, 9))]
    )
    assert np.sqrt(np.mean(z**2)) == pytest.approx(1, abs=0.22)


def test_corrected_samples_are_solved_as_any_scan():
    samples, _, found, truth, _, aligned, _ = case("equal-area + 2", 1)
    again = solve(found.samples, PROBE, degree=DEGREE)
    # The same samples, weighted by area here and equally there.
    assert error_db(again.modes, truth) == pytest.approx(aligned, abs=1)
    assert found.samples.response_unit == samples.response_unit
    np.testing.assert_array_equal(found.samples.time, samples.time)


@pytest.mark.slow
def test_a_bare_spiral_says_what_it_does_not_see():
    for seed in (1, 2):
        _, _, found, _, recorded, aligned, _ = case("equal-area", seed)
        seen = found.observability
        # The residual is at the noise all the same.
        assert found.chi_square < 1.3
        assert aligned < recorded + 0.1
        drift = next(i for i in seen.unseen() if "linear drift, phase" in dict(seen.partners(i)))
        assert seen.ratio[drift] > 0.3
        assert any(str(x.code) == "AlignmentCode.TIE_CUTS" for x in found.warnings)
        assert any("the scan does not see" in x and "linear drift, phase" in x for x in found.warnings)
        # What is left at its prior has not moved by more than what goes with it.
        index = [x.name for x in found.parameters].index("linear drift, phase")
        assert abs(found.value[index]) < 0.3 * found.parameters[index].prior
        # The far field is as uncertain as it is wrong: one draw of a few directions.
        assert 0.2 < 10 ** (aligned / 20) / found.far_field_after < 2.5


def test_a_faultless_scan_stays_as_it_is():
    place = record("grid +-180", DEGREE)
    samples = measured(place, cluster(KR0, seed=3, count=6), PORTS, Faults(), seed=3)
    found = estimate_alignment(samples, PROBE, TERMS, degree=DEGREE, threads=1)
    z = found.value / found.uncertainty
    assert np.mean(z**2) < 1 + 4 * np.sqrt(2 / z.size)
    assert found.far_field_after < found.far_field_noise * 1.3
    shift = np.abs(found.samples.response - samples.response)
    assert shift.max() < 0.02 * np.abs(samples.response).max()


@pytest.mark.slow
def test_shifts_bend_the_line_of_sight():
    # A probe that feels its tilt: what 4 mm turn it by, 0.6 deg, changes the responses by 30 dB below them.
    degree, ports = 8, two_by_two()
    place = record("equal-area + 2", degree, radius=0.4)
    faults = Faults(x=4e-3, y=-2e-3, theta=1 * DEG, tilt_x=1.5 * DEG, tilt_y=-1 * DEG)
    samples = measured(place, cluster(1.5, seed=4, count=4), ports, faults, noise_db=-60)
    terms = [
        AxesSeparation(x=3e-3, y=3e-3),
        AxisZero(axis="theta", offset=1 * DEG),
        ProbePointing(tilt_x=1 * DEG, tilt_y=1 * DEG),
        ReceiverNoise(rms=10 ** (-60 / 20)),
    ]
    found = estimate_alignment(samples, probe_of(ports, degree=9), terms, degree=degree, threads=1)
    true = np.array([4e-3, -2e-3, 1 * DEG, 1.5 * DEG, -1 * DEG])
    assert np.all(np.abs(found.value - true) < 4 * found.uncertainty)
    assert found.uncertainty[0] < 5e-6
    assert np.all(found.uncertainty[3:] < 0.8 * DEG)
    assert found.chi_square < 1.3


@pytest.mark.slow
def test_faults_of_more_than_a_quarter_turn_of_phase():
    # A third of a wavelength, seen from both sides of a sphere that is covered twice: 240 deg apart.
    degree = 6
    place = record("grid +-180", degree, radius=0.4)
    faults = Faults(x=0.01, y=-2e-3, theta=1 * DEG)
    samples = measured(place, cluster(1.0, seed=4, count=4), PORTS, faults)
    terms = [AxesSeparation(x=5e-3, y=5e-3), AxisZero(axis="theta", offset=1 * DEG), NOISE]
    found = estimate_alignment(samples, PROBE, terms, degree=degree, threads=1)
    assert found.value[0] == pytest.approx(0.01, abs=4 * found.uncertainty[0])
    assert found.uncertainty[0] < 2e-5
    assert found.set_aside.size == 0


# --- derivatives ---------------------------------------------------------------------------------


@pytest.mark.slow
def test_derivatives_by_every_parameter():
    # Two ports, poles from both sides, and +-180 deg, where a coordinate jumps.
    ports, antenna, degree = two_by_two(), cluster(3.0, seed=5, count=4), 16
    theta = np.concatenate([[0, 0, np.pi, -np.pi, 1e-9], np.linspace(-np.pi, np.pi, 20)])
    phi = np.linspace(0, 2 * np.pi, theta.size)
    place = Samples(
        [FREQUENCY], theta, phi, 0.3, 0.3, 1 + np.arange(theta.size) % 2,
        np.zeros((1, theta.size)), "sqrt(W)", time=np.arange(theta.size),
    )  # fmt: skip
    terms = [
        *GEOMETRY,
        AxesSkew(angle=0.3 * DEG, between="theta-chi"),
        ProbePointing(tilt_x=1 * DEG, tilt_y=1 * DEG),
        TimingLag(lag=0.1, axes=("theta",)),
        TimingLag(lag=0.1, axes=("phi",)),
        AxisWander(axis="theta", rms=0.1 * DEG, intervals=2),
        ChannelImbalance(amplitude=0.05, phase=5 * DEG),
        ThermalRamp(amplitude=0.03, phase=10 * DEG),
        SlowDrift(phase=5 * DEG, intervals=2),
    ]
    samples = measured(place, antenna, ports, Faults(), noise_db=None)
    parameters = parameters_of(terms, samples)
    model = Model(samples.at_frequency(0), probe_of(ports, degree=13), parameters, degree, 1)
    columns, places = model.at(np.zeros(len(parameters))).slopes(
        true_modes(antenna, degree).coefficients[0], samples.response[0], parameters
    )
    names = {"phi-theta": "skew", "theta-chi": "sight", "tilt-x": "tilt_x", "tilt-y": "tilt_y"}
    for x, (column, factor) in zip(parameters, places, strict=True):
        h = 2e-6 if x.unit == "m" else 1e-4

        def after(s, x=x):
            moved = {names.get(name, name): s * shape for name, shape in x.moves}
            w = responses(antenna, ports, place.port, *poses(place, Faults(**moved)))
            return w if x.gain is None else w * np.exp((1j if x.imaginary else 1) * s * x.gain)

        one, two = (after(k * h) - after(-k * h) for k in (1, 2))
        expected = (8 * one - two) / (12 * h)
        # What 1e-5 promises; the antenna's modes end 100 dB down.
        error = np.abs(columns[column] * factor - expected).max()
        assert error < 1e-5 * np.abs(expected).max(), x.name


# --- outliers, several frequencies, gaps ---------------------------------------------------------


@pytest.mark.slow
def test_outliers_are_set_aside():
    samples, _, _, truth, _, aligned, _ = case("grid +-180", 1)
    rng = np.random.default_rng(6)
    wrong = rng.choice(samples.port.size, samples.port.size // 50, replace=False)
    response = samples.response.copy()
    top = np.abs(response).max()
    response[0, wrong] += top * 10 ** (-10 / 20) * np.exp(2j * np.pi * rng.random(wrong.size))
    spoilt = replace(samples, response=response)
    robust = estimate_alignment(spoilt, PROBE, TERMS, degree=DEGREE, threads=1)
    assert set(robust.set_aside - 1) >= set(wrong)
    assert robust.set_aside.size <= wrong.size + 3
    assert np.isnan(robust.samples.response[0, wrong]).all()
    assert any("set aside" in x for x in robust.warnings)
    assert error_db(robust.modes, truth) < aligned + 1
    plain = estimate_alignment(spoilt, PROBE, TERMS, degree=DEGREE, threads=1, robust=False)
    assert plain.set_aside.size == 0
    assert error_db(plain.modes, truth) > aligned + 10


@pytest.mark.slow
def test_other_frequencies_take_the_pose():
    samples, _, found, *_ = case("grid +-180", 1)
    # The same field twice over, a port's gain apart; and a gap.
    change = np.where(samples.port == 2, 1.2, 1.0)
    both = Samples(
        [FREQUENCY, FREQUENCY * (1 - 1e-7)],
        *(getattr(samples, x) for x in ("theta", "phi", "chi", "radius", "port")),
        np.stack([samples.response[0], samples.response[0] * change]),
        "sqrt(W)",
        time=samples.time,
    )
    response = both.response.copy()
    response[1, 10:13] = np.nan
    both = replace(both, response=response)
    probe = replace(PROBE, frequency=None)
    result = estimate_alignment(both, probe, TERMS, degree=DEGREE, threads=1)
    (other,) = result.others
    np.testing.assert_allclose(result.value, found.value, atol=1e-3 * found.uncertainty.min())
    assert [x.name for x in other.parameters] == [x.name for x in found.parameters if not x.moves]
    name = [x.name for x in other.parameters].index("balance of port 2, amplitude")
    before = found.value[[x.name for x in found.parameters].index("balance of port 2, amplitude")]
    assert other.value[name] == pytest.approx(before + np.log(1.2), abs=3 * other.uncertainty[name])
    assert np.isnan(result.samples.response[1, 10:13]).all()
    assert not np.isnan(result.samples.response[0]).any()
    assert result.samples.theta.shape == samples.theta.shape


def pair(first, second):
    """Two scans at the same places as one of two frequencies, which are as good as equal; the first tells."""
    return replace(
        first,
        frequency=np.array([FREQUENCY, FREQUENCY * (1 - 1e-7)]),
        response=np.concatenate([first.response, second.response]),
    )


ANY_FREQUENCY = replace(PROBE, frequency=None)
#: Degree of a smaller antenna, k r0 = 2, whose modes beyond are 85 dB down.
SMALL, SMALL_KR0 = 8, 2.0
HELD_TERMS = (*GEOMETRY, ChannelImbalance(amplitude=0.05, phase=5 * DEG), NOISE)


@pytest.mark.slow
def test_what_a_held_pose_leaves_is_in_the_far_field():
    place, power = record("equal-area", SMALL), []
    for seed in range(4):
        antenna = cluster(SMALL_KR0, seed=seed, count=6)
        _, wrong, _ = draw_faults(HELD_TERMS, place, np.random.default_rng(seed))
        scans = [measured(place, antenna, PORTS, wrong, seed=x) for x in (seed, seed + 50)]
        found = estimate_alignment(pair(*scans), ANY_FREQUENCY, HELD_TERMS, degree=SMALL, threads=1)
        (other,) = found.others
        told = next(x for x in other.warnings if str(x.code) == "AlignmentCode.UNSEEN")
        assert any(x in told for x in ("zero of theta", "axes apart", "squareness"))
        # As one frequency tells the other nothing new of the pose, both are as sure of the far field.
        assert other.far_field_after == pytest.approx(found.far_field_after, rel=0.15)
        assert other.far_field_before == pytest.approx(found.far_field_before, rel=0.15)
        actual = 10 ** (error_db(other.modes, true_modes(antenna, SMALL)) / 20)
        power.append((actual / other.far_field_after) ** 2)
    # Four draws of mostly one direction each: over 4, chi-square of 4 degrees of freedom is within these with
    # 99.8 % probability. Noise alone, 11 dB less, would make it above 10.
    low, high = chi2.ppf([0.001, 0.999], 4) / 4
    assert low < np.mean(power) < high


@pytest.mark.slow
def test_a_held_pose_off_by_a_known_amount_changes_the_modes_as_told():
    # Drift follows a pose that is off, and doubles the change: on this spiral the two look alike.
    place, terms = record("constant-rate", SMALL), (*HELD_TERMS, ThermalRamp(phase=10 * DEG))
    samples = measured(place, cluster(SMALL_KR0, seed=1, count=6), PORTS, Faults(), seed=1)
    held = held_pose(estimate_alignment(samples, PROBE, terms, degree=SMALL, threads=1))
    signal = tuple(x for x in parameters_of(terms, samples) if not x.geometric)

    def fitted(values):
        model = Model(samples, PROBE, signal, SMALL, 1, tuple(zip(held.parameters, values, strict=True)))
        fit = Fit(model, 10 ** (-50 / 20) * model.top, start=np.zeros(2 * SMALL * (SMALL + 2), complex))
        fit.run(robust=False)
        return fit

    fit = fitted(held.value)
    for i, x in enumerate(held.parameters):
        one = np.eye(len(held.parameters))[i]
        told = held_effect(fit, replace(held, covariance=np.outer(one, one)))
        # A fifth of a prior, so that second order stays below 5 %.
        off = fitted(np.array(held.value) + 0.2 * x.prior * one)
        q, size = off.q, np.linalg.norm(fit.q)
        change = np.linalg.norm(q - fit.q * (np.vdot(fit.q, q) / np.vdot(fit.q, fit.q))) / size
        assert change == pytest.approx(0.2 * np.sqrt(told.left), rel=0.05)
        # A fit rests within 0.05 standard uncertainties.
        rest = 0.1 * fit.observed.posterior.max()
        spread = np.sqrt(np.diagonal(told.covariance))
        np.testing.assert_allclose(np.abs(off.u - fit.u), 0.2 * spread, rtol=0.05, atol=rest)


@pytest.mark.slow
def test_what_is_left_is_that_of_the_worst_frequency():
    place, antenna = record("equal-area + 2", SMALL), cluster(SMALL_KR0, seed=1, count=6)
    good = measured(place, antenna, PORTS, Faults(), seed=1)
    noisy = measured(place, antenna, PORTS, Faults(), seed=2, noise_db=-45.0)
    found = estimate_alignment(pair(good, noisy), ANY_FREQUENCY, HELD_TERMS, degree=SMALL, threads=1)
    alone = [terms_left(replace(x, others=()), HELD_TERMS) for x in (found, *found.others)]
    left = terms_left(found, HELD_TERMS)
    # 5 dB more noise than stated: the residual counts.
    assert left[3].phase == alone[1][3].phase > 1.5 * alone[0][3].phase
    assert left[0].offset == alone[0][0].offset
    check_explained(found)


@pytest.mark.slow
def test_a_scan_that_the_terms_do_not_explain_is_refused():
    place, antenna = record("grid +-180", SMALL), cluster(SMALL_KR0, seed=1, count=6)
    good = measured(place, antenna, PORTS, Faults(), seed=1)
    bent = Faults(gain=1j * 5 * DEG * np.sin(place.phi))
    bad = measured(place, antenna, PORTS, bent, seed=2)
    found = estimate_alignment(pair(good, bad), ANY_FREQUENCY, HELD_TERMS, degree=SMALL, threads=1)
    assert found.chi_square < 1.5
    assert found.others[0].chi_square > 4
    with pytest.raises(ValueError, match=r"at 9.99308.* reduced chi-square is .* cable-flexing"):
        check_explained(found)
    silent = estimate_alignment(bad, PROBE, [*GEOMETRY, *SIGNAL], degree=SMALL, threads=1)
    assert silent.unlisted[0].words == "a cable bent by phi"
    assert silent.warnings[1].startswith("DO NOT TRUST these corrections yet: no noise is stated")


@pytest.mark.slow
def test_two_radii_show_an_error_of_the_radius():
    one, two = (record("equal-area", DEGREE, radius=r) for r in (0.15, 0.25))
    names = ("theta", "phi", "chi", "radius", "port")
    place = Samples(
        one.frequency,
        *(np.append(getattr(one, x), getattr(two, x)) for x in names),
        np.zeros((1, 2 * one.port.size)),
        "sqrt(W)",
    )
    samples = measured(place, cluster(KR0, seed=3, count=6), PORTS, Faults(radius=1e-3), seed=3)
    terms = [AxisZero(axis="radius", offset=1e-3), NOISE]
    found = estimate_alignment(samples, PROBE, terms, degree=DEGREE, threads=1)
    assert found.value[0] == pytest.approx(1e-3, abs=4 * found.uncertainty[0])
    assert found.uncertainty[0] < 0.3e-3


@pytest.mark.slow
def test_wander_of_an_axis():
    terms = (
        AxisZero(axis="theta", offset=0.3 * DEG),
        AxisWander(axis="theta", rms=1 * DEG, intervals=4),
        NOISE,
    )
    _, size, found, _, recorded, aligned, known = case("equal-area + 2", 9, terms)
    assert aligned < min(recorded - 8, known + 3)
    z = (found.value - size) / found.uncertainty
    assert np.mean(z**2) < 1 + 4 * np.sqrt(2 / z.size)


# --- what is refused -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"terms": [AxisZero(axis="phi", offset=0.1)]}, "no scan sees the zero of phi: it turns the frame"),
        ({"terms": [AxisZero(axis="chi", offset=0.1)]}, "no scan sees the zero of chi: it turns"),
        ({"terms": [AxesSeparation(z=0.1)]}, "no scan sees the height z .*: leave z out"),
        ({"terms": [AxisZero(axis="radius", offset=0.1)]}, "no scan of one sphere sees .*: leave it"),
        ({"terms": [AxisZero(axis="theta", offset=0.0)]}, "axis-zero has a prior of zero"),
        ({"terms": [ProbeGain(amplitude=0.1)]}, "nothing to estimate: name at least one of .*thermal-ramp"),
        ({"terms": []}, "nothing to estimate"),
        ({"time": None, "terms": SIGNAL}, "the scan has no times: give time"),
        ({"degree": 18}, "there are .* samples for 720 modes of degree 18 and 12 parameters: sample more"),
        ({"degree": 2}, "degree 2 is too low: its last two degrees hold .*: take a higher one"),
        ({"degree": 5}, "degree 5 is too low: its last two degrees hold .*: take a higher one"),
        ({"frequency": 1e9}, "there is no sample at 1 GHz"),
    ],
)  # fmt: skip
def test_refused(change, message):
    samples = case("equal-area + 2", 1)[0]
    given = {"terms": TERMS, "degree": DEGREE, **change}
    samples = replace(samples, time=given.pop("time", samples.time))
    with pytest.raises(ValueError, match=message):
        estimate_alignment(samples, PROBE, threads=1, **given)


def test_a_part_of_the_sphere_is_refused():
    samples = case("grid +-180", 1)[0]
    upper = samples.part([0], np.cos(samples.theta) > 0)
    message = r"\d\d % of the sphere was not measured .*: measure the whole sphere; or transform"
    with pytest.raises(ValueError, match=message):
        estimate_alignment(upper, PROBE, TERMS, degree=DEGREE, threads=1)


@pytest.mark.slow
def test_noise_that_is_not_stated_is_found():
    samples = case("grid +-180", 1)[0]
    terms = [x for x in TERMS if x is not NOISE]
    silent = estimate_alignment(samples, PROBE, terms, degree=DEGREE, threads=1)
    assert silent.chi_square is None
    assert any("no noise is stated" in x for x in silent.warnings)
    # J complex numbers less of M, a few per cent of chance.
    assert 20 * np.log10(silent.noise) == pytest.approx(-50, abs=0.5)
    top = np.abs(samples.response).max()
    floor = estimate_alignment(
        samples, PROBE, [*terms, NoiseFloor(rms=top * 10 ** (-60 / 20))], degree=DEGREE, threads=1
    )
    assert floor.chi_square == pytest.approx(10, rel=0.15)
    assert any("something is wrong that is not among the terms" in x for x in floor.warnings)
    # It is the residual that counts then.
    np.testing.assert_allclose(floor.uncertainty, silent.uncertainty, rtol=0.05)


@pytest.mark.slow
def test_estimates_join_what_belongs_together():
    terms = (*GEOMETRY, SlowDrift(phase=3 * DEG, intervals=4), NOISE)
    found = case("equal-area + 2", 7, terms)[2]
    one = found.estimates()
    assert [x.name for x in one] == [
        "zero of theta", "axes apart, x", "axes apart, y", "squareness phi-theta", "slow drift, phase",
    ]  # fmt: skip
    drift = one[-1]
    assert drift.prior == pytest.approx(3 * DEG, rel=1e-9)
    assert drift.uncertainty < 0.2 * drift.prior
    modes = [i for i, x in enumerate(found.parameters) if x.group == "slow drift, phase"]
    assert len(modes) == 6  # seven splines less their mean
    assert re.fullmatch(r"slow drift, phase, \d", found.parameters[modes[0]].name)
    assert one[0].value == found.value[0]
