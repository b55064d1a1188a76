"""Error terms by name, their sizes and draws, probe and model, and the two ways to put them in."""

import functools
import pickle
import re
from dataclasses import fields, replace

import numpy as np
import probe_oracle
import pytest
import scipy.stats
from scipy.spatial.transform import Rotation
from sources import EPS, ONE_METRE, K, random_cluster

from nf2ff.antenna.far_field import far_field
from nf2ff.antenna.grids import gauss_legendre_grid
from nf2ff.antenna.modes import Modes, mode_numbers
from nf2ff.measurement.probe import Probe, field_probe, probe_from_modes
from nf2ff.measurement.samples import Samples
from nf2ff.measurement.simulated import receive, simulate, simulate_grid
from nf2ff.solver.direct import dense_matrix
from nf2ff.solver.positions import plan_geometry
from nf2ff.solver.solve import solve
from nf2ff.solver.strategy import Direct
from nf2ff.uncertainty.budget.budget_term import DISTRIBUTIONS
from nf2ff.uncertainty.errors.axes import AxesSeparation, AxesSkew, Backlash, TimingLag
from nf2ff.uncertainty.errors.catalogue import ERROR_TERMS, apply_terms, make_term, simulated, solver_degree
from nf2ff.uncertainty.errors.error_term import ErrorTerm, RandomEffect
from nf2ff.uncertainty.errors.fields import FieldError
from nf2ff.uncertainty.errors.model import (
    AngleTruncation,
    DegreeTruncation,
    FrequencyError,
    ProbeGain,
    ProbePattern,
    ProbePointing,
    ProbePolarisation,
)
from nf2ff.uncertainty.errors.position import ArmSag, AxisZero, EncoderSteps, PositionNoise, Wobble
from nf2ff.uncertainty.errors.receiver import (
    ChannelImbalance,
    Compression,
    Leakage,
    PhaseNoise,
    RandomWalk,
    ReceiverNoise,
    ThermalRamp,
)

PROBE = field_probe()
ANTENNA = random_cluster(3, 0.15, seed=2)
#: Power above this degree: below 1e-12 of all (k r0 = 0.94).
DEGREE = 6
GRID = gauss_legendre_grid(DEGREE + 1, 2 * DEGREE + 1)

#: One of each, for a scan of two ports, with the sizes left at 1 and put in by `scaled`.
EXAMPLES = {
    "position-noise": {"axis": "theta", "rms": 1.0},
    "axis-zero": {"axis": "radius", "offset": 1.0},
    "encoder-steps": {"axis": "phi", "step": 1.0, "recorded": "read-back"},
    "wobble": {"axis": "radius", "of": "phi", "amplitude": 1.0, "order": 2, "phase": 0.4},
    "arm-sag": {"angle": 1.0, "stretch": 1.0},
    "axes-apart": {"x": 1.0, "y": -0.5, "z": 0.7},
    "axes-not-square": {"angle": 1.0},
    "backlash": {"axis": "theta", "width": 1.0, "time": "rows"},
    "timing-lag": {"lag": 1.0, "axes": ["phi"], "time": "rows", "interval": 1.0},
    "probe-pointing": {"tilt_x": 1.0, "tilt_y": -0.6},
    "probe-gain": {"amplitude": 0.9},
    "probe-pattern": {"rms": 1.0},
    "probe-polarisation": {"level": 1.0, "phase": 0.5},
    "phase-noise": {"rms": 1.0},
    "amplitude-noise": {"rms": 1.0},
    "receiver-noise": {"rms": 1.0},
    "noise-floor": {"rms": 1.0},
    "random-walk": {"phase": 1.0, "amplitude": 1.0, "time": "rows"},
    "slow-drift": {"phase": 1.0, "amplitude": 1.0, "time": "rows"},
    "wander": {"axis": "phi", "rms": 1.0, "intervals": 3, "time": "rows"},
    "thermal-ramp": {"phase": 1.0, "amplitude": 1.0, "time": "rows"},
    "cable-flexing": {"amplitude": 1.0, "axis": "phi"},
    "compression": {"loss": 0.3},
    "leakage": {"level": 1.0, "phase": 0.3},
    "channel-imbalance": {"amplitude": 1.0, "phase": 1.0},
    "multiple-reflections": {"level": 1.0, "phase": 0.2},
    "stray-wave": {"level": 1.0, "theta": 1.0, "phi": 0.3},
    "image-source": {"level": 1.0, "theta": 1.0, "phi": 0.3, "distance": 5.0},
    "quiet-zone": {"level": 1.0, "theta": 1.0, "phi": 0.3},
    "frequency-error": {"offset": 0.9},
    "truncated-angle": {"theta_max": 2.0},
    "truncated-degree": {"degree": 4},
}
#: Numbers of each that files rely on, and their units: * scales the error, + has no sign.
NUMBERS = {
    "position-noise": "rms*+ axis",
    "axis-zero": "offset* axis",
    "encoder-steps": "step*+ axis",
    "wobble": "amplitude*+ axis, phase rad",
    "arm-sag": "angle* rad, stretch* m, upright rad",
    "axes-apart": "x* m, y* m, z* m",
    "axes-not-square": "angle* rad",
    "backlash": "width*+ axis, still+ axis",
    "timing-lag": "lag* s, interval+ s",
    "probe-pointing": "tilt_x* rad, tilt_y* rad",
    "probe-gain": "amplitude* relative",
    "probe-pattern": "rms*+ relative",
    "probe-polarisation": "level*+ ratio, phase rad",
    "phase-noise": "rms*+ rad",
    "amplitude-noise": "rms*+ relative",
    "receiver-noise": "rms*+ level",
    "noise-floor": "rms*+ response",
    "random-walk": "phase*+ rad, amplitude*+ relative",
    "slow-drift": "phase*+ rad, amplitude*+ relative",
    "wander": "rms*+ axis",
    "thermal-ramp": "phase* rad, amplitude* relative",
    "cable-flexing": "amplitude*+ rad, start rad",
    "compression": "loss* relative",
    "leakage": "level*+ level, phase rad",
    "channel-imbalance": "amplitude* relative, phase* rad",
    "multiple-reflections": "level*+ ratio, phase rad",
    "stray-wave": "level*+ level, theta rad, phi rad, phase rad, tilt rad",
    "image-source": "level*+ level, theta rad, phi rad, phase rad, tilt rad, distance m",
    "quiet-zone": "level*+ ratio, theta rad, phi rad, phase rad",
    "frequency-error": "offset* relative",
    "truncated-angle": "theta_max rad",
    "truncated-degree": "",
}
SIZED = [name for name in EXAMPLES if not name.startswith("truncated")]


@functools.lru_cache
def two_ports():
    """A probe of two ports, and its scan of random positions that both ports visit."""
    modes = [
        Modes(ONE_METRE, probe_oracle.cluster_modes(random_cluster(2, 0.2, seed=s), K, 3)[None])
        for s in (8, 9)
    ]
    rng = np.random.default_rng(3)
    theta, phi, chi = np.repeat(rng.uniform(0.3, 2.8, (3, 15)), 2, axis=1)
    response = rng.normal(size=(1, 30)) + 1j * rng.normal(size=(1, 30))
    samples = Samples(ONE_METRE, theta, phi, chi, 2.0, [1, 2] * 15, response, "sqrt(W)")
    return samples, probe_from_modes(modes)


def everything(samples, probe):
    """All numbers that a term may change, one after the other."""
    parts = [getattr(samples, x) for x in ("theta", "phi", "chi", "radius", "frequency")]
    return np.concatenate([*parts, samples.response.ravel(), probe.coefficients.ravel()])


# --- all of them ---------------------------------------------------------------------------------


def test_every_term_has_an_example_and_its_own_name():
    assert set(ERROR_TERMS) == set(EXAMPLES)
    for name, kind in ERROR_TERMS.items():
        assert kind.name == name
        assert kind.kind in ("position", "signal", "probe", "model")


@pytest.mark.parametrize("name", list(EXAMPLES))
def test_numbers_units_and_docstring_follow_from_the_fields(name):
    kind = ERROR_TERMS[name]
    marks = {x: "*" * (x in kind.sizes) + "+" * (x in kind.unsigned) for x in kind.units}
    assert ", ".join(f"{x}{marks[x]} {unit}" for x, unit in kind.units.items()) == NUMBERS[name]
    parameters = kind.__doc__.split("Parameters\n----------\n")[1].split("\n\n")[0]
    assert re.findall(r"^(\w+) : ", parameters, re.MULTILINE) == [
        *(x.name for x in fields(kind) if x.name != "distribution"),
        "distribution",
    ]


@pytest.mark.parametrize("name", SIZED)
def test_size_zero_is_the_identity(name):
    samples, probe = two_ports()
    term = make_term(name, EXAMPLES[name])
    for changed in (term.scaled(0.0).apply(samples, probe, 1), term.scaled(0.0).truth(samples, probe, 1)):
        assert changed == (samples, probe)
    # And nothing jumps close to it: the coordinates come back but for rounding.
    tiny = everything(*term.scaled(1e-13).apply(samples, probe, 1))
    np.testing.assert_allclose(
        tiny,
        everything(samples, probe),
        rtol=0,
        atol=1e-11 * samples.frequency[0] if name == "frequency-error" else 1e-11,
    )


@pytest.mark.parametrize("name", SIZED)
def test_effects_scale_and_change_sign(name):
    # What half the size does is half of what the whole does, and sign = -1 the opposite, up to the
    # square of the size, here 1e-4, times second derivatives of at most some ten.
    samples, probe = two_ports()
    term = make_term(name, EXAMPLES[name])
    nothing = everything(samples, probe)

    def change(size, way="apply", sign=1):
        return everything(*getattr(term.scaled(size), way)(samples, probe, 7, sign=sign)) - nothing

    whole = change(1e-4)
    largest = np.abs(whole).max()
    assert largest > 0
    near = 1e-2 * largest
    np.testing.assert_allclose(change(5e-5), whole / 2, rtol=0, atol=near)
    np.testing.assert_allclose(change(1e-4, sign=-1), -whole, rtol=0, atol=near)
    if term.moves_record:
        np.testing.assert_allclose(change(1e-4, "truth"), -whole, rtol=0, atol=near)
        np.testing.assert_array_equal(change(1e-4, "truth", -1), whole)
    else:
        assert term.truth(samples, probe, 7) == (samples, probe)


@pytest.mark.parametrize("name", SIZED)
def test_randomness_is_declared_and_reproducible(name):
    samples, probe = two_ports()
    term = make_term(name, EXAMPLES[name]).scaled(0.01)
    first, again, other = (everything(*term.apply(samples, probe, s)) for s in (1, 1, 2))
    np.testing.assert_array_equal(first, again)
    assert np.array_equal(first, other) is not term.needs_rng
    assert bool(term.effects(samples)) is term.random
    assert term.needs_rng is (term.random or name == "probe-pattern")
    # A generator goes on from where it was.
    rng = np.random.default_rng(1)
    one, two = (everything(*term.apply(samples, probe, rng)) for _ in range(2))
    np.testing.assert_array_equal(one, first)
    assert np.array_equal(one, two) is not term.needs_rng


@pytest.mark.parametrize("name", list(EXAMPLES))
def test_description_has_values_and_units(name):
    term = make_term(name, EXAMPLES[name])
    words = term.describe()
    assert "{" not in words
    assert "\n" not in words
    for field in term.sizes:
        words_for = {"level": "of the largest response", "ratio": "of the wanted signal"}
        unit = words_for.get(term.unit_of(field), term.unit_of(field))
        size = getattr(term, field)
        shown = f"{np.degrees(size):.6g} deg" if unit == "rad" else f"{size:.6g} {unit}"
        assert shown in words
    if term.random:
        assert words.endswith("; random within the scan")
    elif term.uncertain:
        assert words.endswith(f"; systematic, a standard uncertainty ({term.distribution})")


def test_descriptions_as_they_read():
    assert make_term("axis-zero", {"axis": "radius", "offset_mm": 0.2}).describe() == (
        "zero of radius off by 0.0002 m; systematic, a standard uncertainty (normal)"
    )
    assert make_term("truncated-angle", {"theta_max_deg": 120}).describe() == (
        "no sample beyond theta 120 deg"
    )
    assert make_term("leakage", {"level_db": -60}).describe() == (
        "leakage, 0.001 of the largest response; systematic, a standard uncertainty (arcsine)"
    )


# --- random effects ------------------------------------------------------------------------------


@pytest.mark.parametrize("step", [None, np.array([0.0, 0.3, 0.2, 0.7])])
@pytest.mark.parametrize("frequencies", [(), (3,)])
def test_gather_is_the_adjoint_of_spread(step, frequencies):
    # <A x, y> = <x, A^H y>, with the dense matrix besides; a variance propagated by it.
    rng = np.random.default_rng(4)
    group = np.array([2, 0, 1, 3, 1, 2, 0])
    effect = RandomEffect("phase", rng.uniform(0.1, 1, (*frequencies, 7)), group, step)
    assert effect.shape == (*frequencies, 4)
    x = rng.normal(size=effect.shape) + 1j * rng.normal(size=effect.shape)
    y = rng.normal(size=(*frequencies, 7)) + 1j * rng.normal(size=(*frequencies, 7))
    forward = np.sum(np.conj(y) * effect.spread(x))
    assert forward == pytest.approx(np.sum(np.conj(effect.gather(y)) * x), rel=1e-13)
    real = effect.gather(y.real)
    assert not np.iscomplexobj(real)
    np.testing.assert_allclose(real, effect.gather(y).real, rtol=1e-13)
    if not frequencies:
        rows = effect.spread(np.eye(4))
        np.testing.assert_allclose(np.sum(real**2), y.real @ rows.T @ rows @ y.real, rtol=1e-13)
        np.testing.assert_allclose(effect.rms**2, np.sum(rows**2, axis=0), rtol=1e-13)


# --- draws ---------------------------------------------------------------------------------------


#: By scipy, of mean 0 and variance 1 (half-widths sqrt 3, sqrt 6, sqrt 2: closed forms).
UNIT_VARIANCE = {
    "normal": scipy.stats.norm(),
    "rectangular": scipy.stats.uniform(-np.sqrt(3), 2 * np.sqrt(3)),
    "triangular": scipy.stats.triang(0.5, -np.sqrt(6), 2 * np.sqrt(6)),
    "arcsine": scipy.stats.arcsine(-np.sqrt(2), 2 * np.sqrt(2)),
}


def check_law(values, distribution):
    """Kolmogorov's test, which 1e-3 of right samples fail; of 4000 rectangular values the one against
    the triangular law gives 1e-6, other pairs less, but for normal and triangular: bounds tell them.
    """
    law = UNIT_VARIANCE[distribution]
    assert scipy.stats.kstest(values, law.cdf).pvalue > 1e-3
    if distribution == "normal":
        assert np.abs(values).max() > np.sqrt(6)
    else:
        assert np.abs(values).max() <= law.support()[1] * (1 + 4 * EPS)


@pytest.mark.parametrize("distribution", DISTRIBUTIONS)
def test_drawn_sizes_have_the_standard_uncertainty(distribution):
    # The estimate of a variance from n draws scatters by sqrt((kurtosis - 1)/n), at most sqrt(2/n).
    count, rng = 5000, np.random.default_rng(6)
    term = ProbePointing(tilt_x=0.02, tilt_y=-0.01, distribution=distribution)
    draws = np.array([[t.tilt_x, t.tilt_y] for t in (term.drawn(rng) for _ in range(count))])
    unit = draws / [0.02, 0.01]
    assert unit.std(axis=0) == pytest.approx([1, 1], rel=5 * np.sqrt(2 / count) / 2)
    assert np.abs(unit.mean(axis=0)).max() < 5 / np.sqrt(count)
    assert abs(np.mean(unit[:, 0] * unit[:, 1])) < 5 / np.sqrt(count)
    for one in unit.T:
        check_law(one, distribution)
    # The fourth moment scatters by sqrt((m8 - m4^2)/n).
    m4, m8 = (UNIT_VARIANCE[distribution].moment(order) for order in (4, 8))
    assert np.mean(unit**4) == pytest.approx(m4, abs=5 * np.sqrt((m8 - m4**2) / (2 * count)))
    again = term.drawn(np.random.default_rng(6))
    assert (again.tilt_x, again.tilt_y) == tuple(draws[0])
    assert again.distribution == distribution


@pytest.mark.parametrize("distribution", DISTRIBUTIONS)
def test_drawn_size_and_phase_are_one_complex_number(distribution):
    count, rng = 4000, np.random.default_rng(6)
    term = Leakage(level=0.01, phase=0.5, distribution=distribution)
    drawn = [term.drawn(rng) for _ in range(count)]
    z = np.array([t.level * np.exp(1j * t.phase) for t in drawn]) / 0.01
    assert np.mean(np.abs(z) ** 2) == pytest.approx(1, rel=5 / np.sqrt(count))
    assert abs(np.mean(z)) < 5 / np.sqrt(count)
    assert abs(np.mean(z**2)) < 5 * np.sqrt(2 / count)
    # The draw turns the phase that is given.
    turn = replace(term, phase=0.8).drawn(3).phase - replace(term, phase=0.0).drawn(3).phase
    assert turn == pytest.approx(0.8, abs=8 * EPS)
    # Turned back by the phase that was given, real and imaginary part, of variance 1/2 each, have
    # the distribution; under arcsine the magnitude stays, and both have it then too.
    z = z * np.exp(-0.5j)
    for part in (z.real, z.imag):
        check_law(part * np.sqrt(2), distribution)
    if distribution == "arcsine":
        np.testing.assert_allclose(np.abs(z), 1, rtol=4 * EPS)


def test_a_draw_beyond_what_can_be_says_that_it_is_one():
    seed = next(s for s in range(1000) if np.random.default_rng(s).standard_normal() > 2)
    loss = 0.2 * np.random.default_rng(seed).standard_normal()
    message = (
        f"compression: loss is {loss:g}, expected at most 1/3, beyond which a stronger signal "
        "gives a weaker response: reduce the level at the receiver (a draw of normal distribution, "
        "standard uncertainty: loss 0.2): state a smaller one, or a distribution with bounds"
    )
    with pytest.raises(ValueError, match=re.escape(message)) as caught:
        Compression(loss=0.2).drawn(seed)
    assert "\n" not in str(caught.value)
    # Bounds of sqrt(3) and sqrt(2) times the standard uncertainty (closed forms) keep it below.
    for bounds, size in (("rectangular", 0.19), ("arcsine", 0.23)):
        term = Compression(loss=size, distribution=bounds)
        assert max(term.drawn(s).loss for s in range(200)) > 0.3


def test_what_is_drawn_and_what_is_not():
    samples, _ = two_ports()
    rng = np.random.default_rng(2)
    # A size without a sign takes the magnitude: half of the draws are folded over.
    width = np.array([Backlash(axis="phi", width=0.1, time="rows").drawn(rng).width for _ in range(2000)])
    assert width.min() >= 0
    assert np.sqrt(np.mean(width**2)) == pytest.approx(0.1, rel=5 / np.sqrt(4000))
    # Random terms and known sizes stay as they are.
    for name in (
        "position-noise",
        "random-walk",
        "encoder-steps",
        "probe-pattern",
        "truncated-angle",
        "truncated-degree",
    ):
        term = make_term(name, EXAMPLES[name])
        assert term.drawn(1) is term
    # What is no size is left alone: the time of a lag, the direction of a stray wave.
    lag = TimingLag(lag=0.1, axes=["phi"], time=np.arange(30.0)).drawn(1)
    assert lag.lag != 0.1
    np.testing.assert_array_equal(lag.time, np.arange(30.0))
    assert lag.displace(samples).phi.size == 30
    assert make_term("stray-wave", EXAMPLES["stray-wave"]).drawn(1).theta == 1.0
    sag = ArmSag(angle=0.1, upright=0.7).drawn(1)
    assert (sag.stretch, sag.upright) == (0.0, 0.7)


# --- the probe -----------------------------------------------------------------------------------


def receiving(cluster, degree=10):
    return probe_oracle.receiving(probe_oracle.cluster_modes(cluster, K, degree), degree)


def test_pointing_is_a_turned_probe():
    # The dipoles turned about x, then about y, of the probe's own frame. Tolerance: moments to
    # degree 10 at k r0 = 1.3 are complete to 1e-13, rotation coefficients good to some n eps.
    cluster = random_cluster(3, 0.2, seed=4)
    turn = Rotation.from_euler("xy", [0.2, -0.3]).as_matrix()
    probe = Probe(ONE_METRE, receiving(cluster)[None, None])
    got = ProbePointing(tilt_x=0.2, tilt_y=-0.3).alter(probe).coefficients[0, 0]
    wanted = receiving(probe_oracle.rotated(cluster, turn))
    assert np.linalg.norm(got - wanted) < 1e-12 * np.linalg.norm(wanted)


def test_polarisation_leaks_a_quarter_turn_on():
    # w(chi) + c w(chi + 90 deg), by the dipoles in closed form: coefficients of the probe's dipoles
    # turned by -90 deg about its boresight, since y_p = theta^ sin(chi) - phi^ cos(chi).
    cluster = random_cluster(3, 0.2, seed=4)
    c = 0.03 * np.exp(0.5j)
    quarter = Rotation.from_euler("z", -np.pi / 2).as_matrix()
    probe = Probe(ONE_METRE, receiving(cluster)[None, None])
    got = ProbePolarisation(level=0.03, phase=0.5).alter(probe).coefficients[0, 0]
    turned = probe_oracle.rotated(cluster, quarter)
    wanted = receiving(cluster) + c * receiving(turned)
    assert np.linalg.norm(got - wanted) < 1e-12 * np.linalg.norm(wanted)
    where = {"frequency": ONE_METRE, "theta": [1.0, 2.0], "phi": 0.3, "radius": 2.0}
    np.testing.assert_allclose(
        receive(ANTENNA, [turned], **where, chi=0.4).response,
        receive(ANTENNA, [cluster], **where, chi=0.4 + np.pi / 2).response,
        rtol=1e-12,
    )


def test_gain_and_pattern_of_the_probe():
    _, probe = two_ports()
    louder = ProbeGain(amplitude=0.02).alter(probe).coefficients
    np.testing.assert_allclose(louder, 1.02 * probe.coefficients, rtol=4 * EPS)
    quieter = ProbeGain(amplitude=0.02).alter(probe, sign=-1).coefficients
    np.testing.assert_allclose(quieter, 0.98 * probe.coefficients, rtol=4 * EPS)
    # 60 coefficients, 400 draws: complex numbers whose mean square scatters by 1/sqrt(24000).
    rng = np.random.default_rng(1)
    term = ProbePattern(rms=0.05)
    error = np.array([term.alter(probe, rng).coefficients for _ in range(400)])
    error = error / probe.coefficients - 1
    assert np.mean(np.abs(error) ** 2) == pytest.approx(0.0025, rel=5 / np.sqrt(24_000))
    assert abs(np.mean(error)) < 5 * 0.05 / np.sqrt(24_000)
    assert abs(np.mean(error**2)) < 5 * 0.0025 * np.sqrt(2 / 24_000)
    # Zeros stay, and so do the orders of the ideal probe.
    ideal = term.alter(PROBE, 1)
    assert ideal.orders() == [-1, 1]
    np.testing.assert_array_equal(ideal.coefficients != 0, PROBE.coefficients != 0)


# --- the model -----------------------------------------------------------------------------------


def test_frequency_error_scales_scan_and_probe():
    samples, probe = two_ports()
    term = FrequencyError(offset=0.01)
    true, own = term.truth(samples, probe)
    np.testing.assert_allclose(true.frequency, 1.01 * ONE_METRE, rtol=4 * EPS)
    np.testing.assert_allclose(own.frequency, 1.01 * ONE_METRE, rtol=4 * EPS)
    np.testing.assert_array_equal(own.coefficients, probe.coefficients)
    moved, own = term.apply(samples, PROBE)
    np.testing.assert_allclose(moved.frequency, 0.99 * ONE_METRE, rtol=4 * EPS)
    assert own is PROBE


def test_truncation_of_angle_leaves_out_samples():
    theta = np.array([0.0, 1.0, -1.2, 1.2, -2.0, 3.0, np.pi])
    response = np.arange(14.0).reshape(2, 7)
    samples = Samples([1e9, 2e9], theta, np.arange(7), 0.0, 2.0, [1, 2, 1, 2, 1, 2, 1], response)
    kept, probe = AngleTruncation(theta_max=1.2).apply(samples, PROBE)
    assert probe is PROBE
    np.testing.assert_array_equal(kept.theta, theta[:4])
    np.testing.assert_array_equal(kept.phi, np.arange(4))
    np.testing.assert_array_equal(kept.port, [1, 2, 1, 2])
    np.testing.assert_array_equal(kept.response, response[:, :4])
    # Where the axes move, a sample stays if it is within at all frequencies.
    moving = replace(samples, theta=np.stack([theta, np.minimum(theta + 0.1, np.pi)]))
    kept, _ = AngleTruncation(theta_max=1.2).apply(moving, PROBE)
    np.testing.assert_array_equal(kept.phi, [0, 1, 2])
    assert kept.theta.shape == (2, 3)
    whole, _ = AngleTruncation(theta_max=np.pi).apply(samples, PROBE)
    assert whole.theta.size == 7


def test_truncation_of_degree_is_for_the_solver():
    samples, probe = two_ports()
    term = DegreeTruncation(degree=4)
    assert term.apply(samples, probe) == (samples, probe)
    assert solver_degree([term, PhaseNoise(rms=0.1)], 10) == 4
    assert solver_degree([term, DegreeTruncation(degree=3)], 10) == 3
    assert solver_degree([term], 2) == 2
    assert solver_degree([], 7) == 7


# --- simulated and measured ----------------------------------------------------------------------


@functools.lru_cache
def full_scan():
    return simulate_grid(ANTENNA, frequency=ONE_METRE, grid=GRID, radius=2.0)


@functools.lru_cache
def full_solution():
    return solved(full_scan())


def solved(samples, probe=PROBE, degree=DEGREE):
    """Modes by the dense oracle: positions are anywhere."""
    return solve(samples, probe, degree=degree, method=Direct()).modes


def far_field_error(modes, reference):
    """Error of the far field, L2 over the sphere relative to the field: that of its modes, as
    their far fields are orthonormal (Hansen 1988, eq. 2.55 on radiated power; closed form).
    """
    return (modes.coefficients - reference.coefficients)[0] / np.linalg.norm(reference.coefficients[0])


#: Uneven, so that a lag is no plain rotation.
TIME = np.cumsum(np.random.default_rng(2).uniform(0.08, 0.1, 2 * GRID.theta.size * GRID.phi.size))
BOTH_WAYS = [
    PositionNoise(axis="theta", rms=0.5),
    PositionNoise(axis="phi", rms=0.5),
    PositionNoise(axis="chi", rms=0.5),
    PositionNoise(axis="radius", rms=0.5),
    AxisZero(axis="theta", offset=1.0),
    AxisZero(axis="chi", offset=1.0),
    AxisZero(axis="radius", offset=1.0),
    EncoderSteps(axis="theta", step=1.0, recorded="read-back"),
    Wobble(axis="radius", of="phi", amplitude=1.0, order=2, phase=0.3),
    ArmSag(angle=1.0, stretch=1.0),
    AxesSeparation(x=1.0, y=0.6, z=-0.4),
    AxesSkew(angle=1.0),
    AxesSkew(angle=1.0, between="theta-chi"),
    Backlash(axis="theta", width=1.0, time=np.random.default_rng(1).permutation(TIME)),
    TimingLag(lag=1.0, axes=["phi"], time=TIME),
]


#: What remains where two errors are the same: 1e-6 x 4e-3, and rounding.
LEFT = 1e-8


def check_orders(moved_record, moved_truth):
    """Two errors as functions of the size: alike to first order, apart in second."""
    size = 4e-3
    whole, half = moved_record(size), moved_record(size / 2)
    apart = [float(np.linalg.norm(one - moved_truth(s))) for one, s in ((whole, size), (half, size / 2))]
    # Linear: half of it is half, but for the second order, of relative size k A size = 0.05 and a
    # few times that.
    assert np.linalg.norm(whole) > size / 20
    assert np.linalg.norm(half - whole / 2) < 0.1 * np.linalg.norm(half)
    assert apart[0] < 0.2 * np.linalg.norm(whole)
    # Second order: a quarter, but for the third order, again k A size. What degree 6 leaves of the
    # antenna, 1e-6, is the same both ways but for the size of the error.
    if apart[0] > LEFT:
        assert apart[1] == pytest.approx(apart[0] / 4, rel=0.05)
    return apart[0]


@pytest.mark.parametrize("term", BOTH_WAYS, ids=lambda t: f"{t.name}-{getattr(t, 'axis', '')}")
def test_moved_record_and_moved_truth_agree_to_first_order(term):
    recorded, reference = full_scan(), full_solution()

    def moved_record(size):
        moved, probe = term.scaled(size).apply(recorded, PROBE, 5)
        return far_field_error(solved(moved, probe), reference)

    def moved_truth(size):
        def measure(true, probe):
            assert probe is PROBE
            return simulate(
                ANTENNA, frequency=ONE_METRE, theta=true.theta, phi=true.phi, chi=true.chi, radius=true.radius
            )

        scan = simulated([term.scaled(size)], recorded, PROBE, measure, 5)
        np.testing.assert_array_equal(scan.theta, recorded.theta)
        return far_field_error(solved(scan), reference)

    apart = check_orders(moved_record, moved_truth)
    # The second order is there, or this would say nothing of it; but a chi that is off everywhere
    # turns the polarisation by the same angle either way.
    if term.name == "axis-zero" and term.axis == "chi":
        assert apart < LEFT
    else:
        assert apart > 100 * LEFT


@pytest.mark.parametrize(
    "term",
    [
        ProbePointing(tilt_x=1.0, tilt_y=0.5),
        ProbeGain(amplitude=0.5),
        ProbePattern(rms=0.5),
        ProbePolarisation(level=1.0, phase=0.4),
        FrequencyError(offset=0.5),
    ],
    ids=lambda t: t.name,
)
def test_altered_probe_and_true_probe_agree_to_first_order(term):
    # A probe of degree 3 with one port, by the dense matrix on both sides.
    t = probe_oracle.cluster_modes(random_cluster(2, 0.1, seed=8), K, 2)[None]
    probe = probe_from_modes(Modes(ONE_METRE, t))
    grid = full_scan()
    chi = np.concatenate([grid.chi, grid.chi + 0.6])
    place = {x: np.tile(getattr(grid, x), 2) for x in ("theta", "phi", "radius", "port")}
    blank = Samples(ONE_METRE, **place, chi=chi, response=np.zeros((1, chi.size)), response_unit="sqrt(W)")
    rng = np.random.default_rng(2)
    q = rng.normal(size=2 * 4 * 6) + 1j * rng.normal(size=2 * 4 * 6)
    reference = Modes(ONE_METRE, q[None])

    def measure(true, own):
        f = float(true.frequency[0])
        matrix = dense_matrix(plan_geometry(true), own, frequency=f, degree=4)
        return replace(true, response=(matrix @ q)[None])

    recorded = measure(blank, probe)

    def moved_record(size):
        moved, own = term.scaled(size).apply(recorded, probe, 5)
        return far_field_error(solved(moved, own, 4), reference)

    def moved_truth(size):
        scan = simulated([term.scaled(size)], recorded, probe, measure, 5)
        return far_field_error(solved(scan, probe, 4), reference)

    check_orders(moved_record, moved_truth)


def test_phi_zero_turns_the_pattern_and_nothing_else():
    # Truth at phi + d: the modes come out with exp(i m d) (closed form), and the far field turned
    # by -d. Tolerance: what degree 6 leaves, 1e-6 of the field, and the rounding of the solver.
    d = 0.3
    term = AxisZero(axis="phi", offset=d)
    reference = full_solution()

    def measure(true, _):
        return simulate(
            ANTENNA, frequency=ONE_METRE, theta=true.theta, phi=true.phi, chi=true.chi, radius=true.radius
        )

    modes = solved(simulated([term], full_scan(), PROBE, measure))
    m = mode_numbers(DEGREE)[1]
    turned = Modes(ONE_METRE, reference.coefficients * np.exp(1j * m * d))
    assert np.linalg.norm(far_field_error(modes, turned)) < 1e-5
    here = far_field(modes, theta=[0.4, 1.5], phi=[0.2, 2.0])
    there = far_field(reference, theta=[0.4, 1.5], phi=[0.2 + d, 2.0 + d])
    size = np.abs(there.e_theta).max()
    np.testing.assert_allclose(here.e_theta, there.e_theta, rtol=0, atol=1e-4 * size)
    np.testing.assert_allclose(here.e_phi, there.e_phi, rtol=0, atol=1e-4 * size)
    # A measured scan: the record moved by -d gives the same modes but for rounding.
    moved, _ = term.apply(full_scan(), PROBE)
    assert np.linalg.norm(far_field_error(solved(moved), modes)) < 1e-5


def test_leakage_adds_the_modes_of_a_constant():
    # The solution is linear: the error is the solution of a scan that reads the leakage alone.
    samples = full_scan()
    vector = 0.01 * np.abs(samples.response).max() * np.exp(0.4j)
    disturbed, _ = Leakage(level=0.01, phase=0.4).apply(samples, PROBE)
    alone = solved(replace(samples, response=np.full(samples.response.shape, vector)))
    got = solved(disturbed).coefficients - solved(samples).coefficients
    np.testing.assert_allclose(
        got, alone.coefficients, rtol=0, atol=1e-11 * np.abs(solved(samples).coefficients).max()
    )


def test_several_terms_in_one_scan():
    # Simulated: positions first, then responses in order, samples left out last.
    recorded = full_scan()
    terms = [
        AngleTruncation(theta_max=2.0),
        ThermalRamp(phase=0.2, time="rows"),
        AxisZero(axis="phi", offset=0.1),
        Compression(loss=0.1),
        AxesSkew(angle=0.05),
        ProbeGain(amplitude=0.1),
    ]
    seen = []

    def measure(true, probe):
        seen.append((true, probe))
        return replace(true, response=true.response * np.exp(1j * true.phi), response_unit="relative")

    scan = simulated(terms, recorded, PROBE, measure, 1)
    (true, probe), *more = seen
    assert not more
    wanted = AxesSkew(angle=0.05).displace(AxisZero(axis="phi", offset=0.1).displace(recorded))
    for axis in ("theta", "phi", "chi", "radius"):
        np.testing.assert_array_equal(getattr(true, axis), getattr(wanted, axis))
    np.testing.assert_allclose(probe.coefficients, 1.1 * PROBE.coefficients, rtol=4 * EPS)
    w = recorded.response * np.exp(1j * true.phi)
    ramp = np.exp(0.2j * np.arange(w.size) / (w.size - 1))
    w = w * ramp * (1 - 0.1 * np.abs(w) ** 2 / np.abs(w).max() ** 2)
    assert (scan.response_unit, recorded.response_unit) == ("relative", "V/m")
    rows = recorded.theta <= 2.0
    np.testing.assert_array_equal(scan.theta, recorded.theta[rows])
    np.testing.assert_allclose(scan.response, w[:, rows], rtol=20 * EPS)
    # Measured: the same terms, the record and the probe the other way.
    moved, probe = apply_terms(terms, recorded, PROBE, 1)
    back = AxisZero(axis="phi", offset=0.1).displace(recorded, sign=-1)
    back = AxesSkew(angle=0.05).displace(back, sign=-1)
    np.testing.assert_array_equal(moved.chi, back.chi[back.theta <= 2.0])
    np.testing.assert_allclose(probe.coefficients, 0.9 * PROBE.coefficients, rtol=4 * EPS)
    w = recorded.response * ramp
    w = w * (1 - 0.1 * np.abs(w) ** 2 / np.abs(w).max() ** 2)
    np.testing.assert_allclose(moved.response, w[:, back.theta <= 2.0], rtol=20 * EPS)
    assert apply_terms([], recorded, PROBE) == (recorded, PROBE)


def test_several_random_terms_share_one_generator():
    recorded = full_scan()
    terms = [PositionNoise(axis="phi", rms=0.1), PhaseNoise(rms=0.1), ReceiverNoise(rms=0.1)]
    first, again, other = (apply_terms(terms, recorded, PROBE, s)[0] for s in (1, 1, 2))
    np.testing.assert_array_equal(first.response, again.response)
    np.testing.assert_array_equal(first.phi, again.phi)
    assert not np.array_equal(first.phi, other.phi)
    assert not np.array_equal(first.response, other.response)
    # No two of them have the same draws.
    noise = np.angle(apply_terms(terms[1:2], recorded, PROBE, 1)[0].response / recorded.response)
    shift = (first.phi - recorded.phi)[None]
    assert abs(np.corrcoef(noise, shift)[0, 1]) < 5 / np.sqrt(noise.size)


# --- names and values ----------------------------------------------------------------------------


def test_values_in_other_units():
    made = make_term("axes-apart", {"x_mm": 2, "y": 0.1})
    assert (made.x, made.y, made.z) == (0.002, 0.1, 0.0)
    assert make_term("axis-zero", {"axis": "phi", "offset_deg": 180}).offset == np.pi
    made = make_term("stray-wave", {"level_db": -40, "theta_deg": 90, "phi": 0.1})
    assert (made.level, made.theta, made.phi) == pytest.approx((0.01, np.pi / 2, 0.1), rel=4 * EPS)
    assert make_term("receiver-noise", {"rms_db": -60}).rms == pytest.approx(1e-3, rel=4 * EPS)
    assert make_term("probe-polarisation", {"level_db": -20}).level == pytest.approx(0.1)
    made = make_term("random-walk", {"phase": 0.1, "time": [0, 1, 2]})
    np.testing.assert_array_equal(made.time, [0.0, 1.0, 2.0])
    assert isinstance(made, ErrorTerm)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: make_term("axis-zer", {}), "error term is 'axis-zer': did you mean 'axis-zero', "),
        (lambda: make_term("qqq", {}), "'? nf2ff uncertainty --template names all 32"),
        (
            lambda: make_term("leakage", {"levl": 1}),
            "leakage has no 'levl' (did you mean 'level'?), only distribution, level, phase [rad]",
        ),
        (lambda: make_term("leakage", {}), "leakage: level is missing: give it [level]"),
        (lambda: make_term("axis-zero", {"axis": "phi"}), "offset is missing: give it [rad, or m"),
        (lambda: make_term("axis-zero", {"offset": 1}), "axis-zero: axis is missing: give it"),
        (
            lambda: make_term("leakage", {"level": 0.1, "level_db": -20}),
            "leakage: level is given twice, the second time as level_db: leave one out",
        ),
        (
            lambda: make_term("axis-zero", {"axis": "phi", "offset_mm": 1}),
            "axis-zero: offset_mm is given, but offset is in rad: give offset",
        ),
        (
            lambda: make_term("axis-zero", {"axis": "radius", "offset_deg": 1}),
            "axis-zero: offset_deg is given, but offset is in m: give offset",
        ),
        (
            lambda: make_term("amplitude-noise", {"rms_db": -40}),
            "amplitude-noise: rms_db is given, but rms is in relative: give rms, 0.01 for 1 % or 0.0864 dB",
        ),
        (
            lambda: make_term("multiple-reflections", {"level_db": "-40 dB"}),
            "multiple-reflections: level_db is -40 dB, expected a finite number",
        ),
        (lambda: ProbeGain(amplitude=-1), "probe-gain: amplitude is -1, expected between -1 and 1"),
        (lambda: ProbePattern(rms=-1), "probe-pattern: rms is -1 relative, expected a number >= 0"),
        (lambda: ProbePolarisation(level=-1), "probe-polarisation: level is -1 ratio, expected"),
        (lambda: FrequencyError(offset=1), "frequency-error: offset is 1, expected between -1 and"),
        (lambda: AngleTruncation(theta_max=0), "theta_max is 0 deg, expected above 0 and at most"),
        (lambda: AngleTruncation(theta_max=3.2), "theta_max is 183.346 deg, expected above 0 and"),
        (
            lambda: AngleTruncation(theta_max=0.01).apply(*two_ports()),
            "truncated-angle: all samples are beyond theta = 0.572958 deg: set a larger theta_max",
        ),
        (lambda: DegreeTruncation(degree=0), "truncated-degree: degree is 0, expected a whole"),
        (lambda: DegreeTruncation(degree=True), "degree is True, expected a whole number >= 1"),
        (
            lambda: simulated([], full_scan(), PROBE, lambda *_: two_ports()[0]),
            "the simulation gave responses (1, 30) for positions (1, 182): it has to keep all",
        ),
        (
            lambda: ChannelImbalance(amplitude=0.0).apply(full_scan(), PROBE),
            "channel-imbalance compares port 2 with others",
        ),
        (
            lambda: apply_terms([RandomWalk(phase=0.1)], full_scan(), PROBE),
            "random-walk depends on when each sample was taken, and the scan has no times",
        ),
        (lambda: PhaseNoise(rms=1).apply(*two_ports(), sign=0), "sign is 0, expected 1 or -1"),
    ],
)
def test_what_cannot_be_is_refused(make, message):
    with pytest.raises(ValueError, match=re.escape(message)) as caught:
        make()
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("values", "field", "message"),
    [
        ({}, "rms", "phase-noise: rms is missing: give it [rad], or rms_deg"),
        (
            {"rms_deg": -90},
            "rms",
            "phase-noise: rms is -1.5708 rad, expected a number >= 0: give its magnitude "
            "(given: rms_deg = -90)",
        ),
        ({"rms": -1}, "rms", "phase-noise: rms is -1 rad, expected a number >= 0: give its magnitude"),
    ],
)
def test_an_error_knows_its_field(values, field, message):
    with pytest.raises(FieldError) as caught:
        make_term("phase-noise", values)
    assert (str(caught.value), caught.value.field) == (message, field)
    # As it comes from a worker.
    again = pickle.loads(pickle.dumps(caught.value))
    assert (str(again), again.field) == (message, field)


def test_a_limit_is_told_in_the_unit_of_the_key():
    with pytest.raises(
        ValueError, match=r"^truncated-angle: theta_max is 200 deg, .* \(given: theta_max_deg = 200\)$"
    ):
        make_term("truncated-angle", {"theta_max_deg": 200})
