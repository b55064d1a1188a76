"""Errors of a scan and stated terms, put into one budget: against closed forms."""

import math
from dataclasses import replace

import numpy as np
import pytest

from nf2ff.antenna.dipoles import DipoleCluster, array_of, huygens_source
from nf2ff.antenna.grids import equiangular_grid
from nf2ff.antenna.modes import SPEED_OF_LIGHT, WAVE_IMPEDANCE
from nf2ff.antenna.points import equal_area_spiral_for_degree
from nf2ff.measurement.probe import field_probe
from nf2ff.measurement.simulated import simulate, simulate_grid
from nf2ff.metrics import beam, cuts
from nf2ff.solver.solve import prepare, solve
from nf2ff.solver.strategy import LeastSquares
from nf2ff.uncertainty import draws as uncertainty_draws
from nf2ff.uncertainty.assess import assess
from nf2ff.uncertainty.budget.budget import Budget, correlations
from nf2ff.uncertainty.budget.budget_term import Term, direct_term
from nf2ff.uncertainty.budget.combine import combine
from nf2ff.uncertainty.budget.metric import METRICS
from nf2ff.uncertainty.derivatives import RTOL, linearised
from nf2ff.uncertainty.draws import BATCH
from nf2ff.uncertainty.errors.catalogue import make_term
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.request import FIGURES, Assessment, Cut, ModelledError
from nf2ff.uncertainty.result import (
    BEYOND,
    SIGNIFICANT,
    DrawComparison,
    MetricResult,
    PatternDraws,
    Uncertainty,
)

EPS = np.finfo(float).eps
#: Derivatives are solved for to `RTOL` of a gradient (`linearised`): up to some ten times that of
#: the derivative, by the conditioning of the sampling.
LINEAR = 10 * RTOL
#: k r0 = 3.8: degree 10 leaves a tail of some -90 dB, so that all methods find the same.
DEGREE = 10
PROBE = field_probe()
METRES = np.array([SPEED_OF_LIGHT, 1.05 * SPEED_OF_LIGHT])


@pytest.fixture(scope="module")
def antenna():
    """Four Huygens sources along y, 0.4 m apart, looking to theta = 60, phi = 40 deg."""
    ahead = np.array([math.cos(math.radians(40)), math.sin(math.radians(40)), 0]) * math.sqrt(0.75)
    ahead[2] = 0.5
    across = np.cross([0, 0, 1.0], ahead) / math.sqrt(0.75)
    places = 0.4 * (np.arange(4) - 1.5)[:, None] * across
    return array_of(huygens_source(direction=ahead, polarisation=np.cross(ahead, across)), positions=places)


@pytest.fixture(scope="module")
def scan(antenna):
    """A grid of 13 x 24 positions, two frequencies, at 2 m, wavelength about a metre."""
    return simulate_grid(antenna, frequency=METRES, grid=equiangular_grid(13, 24), radius=2.0)


def scan_along_spiral(antenna, radius):
    points = equal_area_spiral_for_degree(DEGREE, oversampling=2.0)
    theta, phi = np.tile(points.theta, 2), np.tile(points.phi, 2)
    chi = np.repeat([0, np.pi / 2], points.theta.size)
    place = {"theta": theta, "phi": phi, "chi": chi, "radius": radius}
    return simulate(antenna, frequency=METRES[:1], **place)


@pytest.fixture(scope="module")
def spiral(antenna):
    """A spiral of twice the positions that the degree needs, one frequency."""
    return scan_along_spiral(antenna, radius=2.0)


METRICS_HERE = ("directivity", "eirp", "trp", "pointing")


def asked(*errors, metrics=METRICS_HERE, terms=(), figures=None, **kw):
    """An assessment of errors given as (name, kind, values) and of further terms."""
    made = [ModelledError(name, make_term(kind, values)) for name, kind, values in errors]
    there = {t.name for t in terms}
    new = dict.fromkeys(x.name for x in made if x.name not in there)
    budget = Budget((*terms, *map(Term, new)), [METRICS[m] for m in metrics], **kw)
    default = {m: tuple(map(Figure, FIGURES[m])) for m in metrics}
    return Assessment(budget, made, default | (figures or {}))


def part(found, name, metric, index=0):
    """Contribution of a term to a metric [unit of the metric]."""
    return found.budgets[index].terms[found.budgets[index].names.index(name)].contribution(metric)


# --- by derivatives ------------------------------------------------------------------------------


def test_gain_of_the_probe_is_a_factor_of_all_levels(scan):
    # Closed form: the responses, and with them E, scale by 1/(1 + a); half the difference of the
    # two signs is a (1 + a^2 + ...).
    a = 1e-3
    found = assess(solve(scan, PROBE, degree=DEGREE), asked(("gain", "probe-gain", {"amplitude": a})))
    for f in range(2):
        assert part(found, "gain", "eirp", f) == pytest.approx(a, rel=2 * a**2 + LINEAR)
        assert part(found, "gain", "trp", f) == pytest.approx(a, rel=2 * a**2 + LINEAR)
        assert part(found, "gain", "directivity", f) == pytest.approx(0, abs=a * LINEAR)
        assert part(found, "gain", "pointing", f) == pytest.approx(0, abs=a * LINEAR)
    assert found.made == 0
    assert found.error_level is None
    assert all(x.compared is None and x.draws is None for x in found.results.values())


def test_zero_of_phi_turns_the_beam_by_sin_theta(scan):
    # Closed form: the pattern turns about z by the offset, the peak along phi^ by sin(theta) of it.
    offset = 1e-4
    given = ("zero", "axis-zero", {"axis": "phi", "offset": offset})
    found = assess(solve(scan, PROBE, degree=DEGREE), asked(given))
    theta = beam.peak(found.modes).theta
    for f in range(2):
        expected = offset * math.sin(theta[f])
        assert part(found, "zero", "pointing", f) == pytest.approx(expected, rel=1e-4)
        assert part(found, "zero", "eirp", f) == pytest.approx(0, abs=offset * LINEAR)
    # The peak that the figure sees is found to 1e-5 of its patch, the one of `peak` to 2e-6 rad.


def test_errors_of_one_name_are_one_term(scan):
    # 3, 4, 5: independent errors add by squares (GUM, JCGM 100:2008, eq. 10, from memory).
    errors = [("gain", "probe-gain", {"amplitude": x}) for x in (3e-4, 4e-4)]
    found = assess(solve(scan, PROBE, degree=DEGREE), asked(*errors))
    assert found.budgets[0].names == ["gain"]
    assert part(found, "gain", "eirp") == pytest.approx(5e-4, rel=LINEAR)
    (term,) = found.budgets[0].terms
    assert term.note.count("gain of the probe") == 2
    assert term.distribution == "normal"


def test_a_term_is_distributed_as_its_only_size(scan):
    errors = [
        ("flat", "probe-gain", {"amplitude": 1e-4, "distribution": "rectangular"}),
        ("u-shaped", "leakage", {"level_db": -60}),
        ("sum", "probe-pointing", {"tilt_x": 1e-4, "tilt_y": 1e-4, "distribution": "triangular"}),
        ("random", "phase-noise", {"rms": 1e-4, "distribution": "rectangular"}),
        ("known", "truncated-degree", {"degree": DEGREE - 1}),
    ]
    (budget, _) = assess(solve(scan, PROBE, degree=DEGREE), asked(*errors)).budgets
    shapes = [term.distribution for term in budget.terms]
    assert shapes == ["rectangular", "arcsine", "normal", "normal", "normal"]
    # The half-width is sqrt 3 times the standard uncertainty (GUM 4.3.7), which stays what it was.
    flat = budget.terms[0]
    assert flat.sensitivity["eirp"] == pytest.approx(math.sqrt(3) * 1e-4, rel=LINEAR)
    assert flat.contribution("eirp") == pytest.approx(1e-4, rel=LINEAR)


def test_known_errors_are_biases(scan):
    # Independent: the solution for degree 2 alone, and its power.
    given = ("cut", "truncated-degree", {"degree": 2})
    found = assess(solve(scan, PROBE, degree=DEGREE), asked(given, metrics=("trp", "eirp")))
    modes = prepare(scan, PROBE, degree=DEGREE).modes(scan.response)
    left = prepare(scan, PROBE, degree=2, method=LeastSquares()).modes(scan.response)
    expected = np.sqrt(left.radiated_power() / modes.radiated_power()) - 1
    for f in range(2):
        (term,) = found.budgets[f].terms
        # Both solved by least squares, to 1e-9 of a gradient, which a residual of 0.5 of the
        # responses lets err by some ten times that of the modes; figures to 1e-9.
        assert term.bias["trp"] == pytest.approx(expected[f], rel=1e-5)
        assert term.contribution("trp") == 0
        assert expected[f] < -0.05


def test_stated_terms_stay_and_missing_ones_stay_missing(scan):
    terms = [
        direct_term("cable", {"eirp": 0.01, "trp": 0.01}),
        Term("noise"),
        Term("room"),
        direct_term("gain", {}),
    ]
    pairs = correlations(terms, {("cable", "room"): 0.5})
    given = ("gain", "probe-gain", {"amplitude": 1e-3})
    question = asked(given, terms=terms, correlation=pairs, confidence=0.9)
    found = assess(solve(scan, PROBE, degree=DEGREE), question)
    budget = found.budgets[1]
    assert budget.names == ["cable", "noise", "room", "gain"]
    assert budget.confidence == 0.9
    assert budget.correlation[0, 2] == 0.5
    sums = combine(budget, "eirp")
    assert sums.missing == ("noise", "room")
    assert sums.standard_uncertainty == pytest.approx(math.hypot(0.01, 1e-3), rel=1e-5)
    assert combine(budget, "pointing").missing == ("cable", "noise", "room")


def test_values_are_those_of_the_metrics(scan):
    figures = {
        "pattern": (Figure("directivity-towards", theta=0.3, phi=2.0),),
        "beamwidth": (Figure("beamwidth", plane=np.pi / 2),),
        "sidelobe_level": (Figure("sidelobe-level", plane=np.pi / 2),),
    }
    metrics = (*figures, "directivity", "eirp", "gain", "trp", "pointing")
    question = replace(asked(metrics=metrics, terms=[Term("all")], figures=figures), relative_only=("gain",))
    found = assess(solve(scan, PROBE, degree=DEGREE), question)
    modes = found.modes
    top = beam.peak(modes)
    values = {name: x.value for name, x in found.results.items()}
    # Figures lie on polynomials that err by 3e-9 (their own tests).
    expected = {
        "directivity": top.directivity,
        "eirp": top.eirp,
        "trp": modes.radiated_power(),
        "beamwidth": beam.beamwidth(modes, plane=np.pi / 2, drop_db=10 * math.log10(2)),
        "sidelobe_level": beam.sidelobe_level(modes, plane=np.pi / 2).highest,
        "pointing": np.zeros(2),
    }
    for name, value in expected.items():
        np.testing.assert_allclose(values[name], value, rtol=1e-7, err_msg=name)
    assert np.isnan(values["gain"]).all()
    quantities = {name: x.quantity for name, x in found.results.items()}
    assert quantities == {
        "pattern": "directivity",
        "beamwidth": "angle",
        "sidelobe_level": "ratio",
        "directivity": "directivity",
        "eirp": "power",
        "gain": "unknown",
        "trp": "power",
        "pointing": "direction",
    }


# --- by draws ------------------------------------------------------------------------------------


@pytest.mark.slow
def test_draws_agree_with_derivatives_where_errors_are_small(spiral):
    errors = [
        ("noise", "receiver-noise", {"rms_db": -40}),
        ("gain", "probe-gain", {"amplitude": 2e-3}),
        ("leak", "leakage", {"level_db": -45}),
    ]
    found = assess(solve(spiral, PROBE, degree=DEGREE), asked(*errors), draws=100, rng=3, jobs=1)
    assert (found.asked, found.made) == (100, 100)
    for name in METRICS_HERE:
        compared = found.results[name].compared
        assert compared.verdict(0) == "agree"
        assert compared.excess[0] == 0
        assert compared.used[0] == 100
        # A leak adds to EIRP with an arcsine distribution: closer to sampling error than a normal
        # one. 3.5 standard deviations of four metrics: 1 of 500 seeds.
        ratio = compared.drawn[0] / compared.first_order[0]
        assert abs(ratio - 1) < 3.5 / math.sqrt(2 * 99)
    assert found.budgets[0].names == ["noise", "gain", "leak"]


def test_error_level_of_white_noise(antenna):
    # Closed form: noise power over mean power of the responses, times modes over samples, far away,
    # where the responses are the far field (n (n+1)/2kr = 0.009 off at 1 km); equal weights to 2 %
    # (`LeastSquares`), 20 draws of 240 modes to 3 x 1/sqrt(20 x 240).
    spiral = scan_along_spiral(antenna, radius=1000.0)
    question = asked(("noise", "receiver-noise", {"rms_db": -40}), metrics=("trp",))
    found = assess(solve(spiral, PROBE, degree=DEGREE), question, draws=20, rng=3, jobs=1)
    size = np.abs(spiral.response[0])
    ratio = 1e-4 * size.max() ** 2 / np.mean(size**2)
    unknowns = 2 * DEGREE * (DEGREE + 2)
    expected = ratio * unknowns / size.size
    assert found.error_level[0] == pytest.approx(expected, rel=0.02 + 3 / math.sqrt(20 * unknowns))


def test_what_random_phase_takes_from_the_beam_is_a_bias(spiral):
    # Closed form (check values: 4.343 s^2 dB): the mean of exp(j phase) is exp(-s^2/2), and so is
    # that of the field. The part that is scattered, (1 - exp(-s^2)) J/M of the power, is spread
    # over all directions: it adds that over the directivity to the intensity, half of it to the
    # amplitude.
    s = math.radians(25)
    towards = {"eirp": (Figure("eirp-towards", theta=np.pi / 3, phi=np.radians(40)),)}
    question = asked(("phase", "phase-noise", {"rms": s}), metrics=("eirp",), figures=towards)
    found = assess(solve(spiral, PROBE, degree=DEGREE), question, draws=100, rng=5, jobs=1)
    compared = found.results["eirp"].compared
    unknowns, samples = 2 * DEGREE * (DEGREE + 2), spiral.theta.size
    gain = beam.peak(found.modes).directivity[0]
    scattered = (1 - math.exp(-(s**2))) * unknowns / samples / gain / 2
    expected = math.exp(-(s**2) / 2) - 1 + scattered
    deviation = compared.drawn[0] / math.sqrt(100)
    assert compared.shift[0] == pytest.approx(expected, abs=3 * deviation)
    assert expected < -6 * deviation
    assert compared.bias[0] == compared.shift[0]
    budget = found.budgets[0]
    assert budget.names == ["phase", BEYOND]
    assert budget.terms[1].bias["eirp"] == compared.shift[0]
    assert combine(budget, "eirp").bias == compared.shift[0]
    assert budget.terms[1].degrees_of_freedom == 99


@pytest.mark.slow
def test_what_draws_find_beyond_derivatives_is_added(spiral):
    # An offset of phi turns the pattern: to first order the level at its peak stays, to second it
    # falls, and the zero derivative is all that the first order sees.
    towards = {"pattern": (Figure("directivity-towards", theta=np.pi / 3, phi=np.radians(40)),)}
    question = asked(
        ("zero", "axis-zero", {"axis": "phi", "offset_deg": 3}),
        metrics=("pattern", "pointing"),
        figures=towards,
    )
    found = assess(solve(spiral, PROBE, degree=DEGREE), question, draws=100, rng=7, jobs=1)
    pattern, pointing = (found.results[m].compared for m in ("pattern", "pointing"))
    assert pattern.verdict(0) == "larger"
    assert pattern.first_order[0] < 0.2 * pattern.drawn[0]
    budget = found.budgets[0]
    total = combine(budget, "pattern").standard_uncertainty
    assert total == pytest.approx(pattern.drawn[0], rel=10 * EPS)
    assert budget.terms[1].bias["pattern"] < 0
    assert pointing.verdict(0) == "agree"
    # Closed form: in each draw the peak turns by the offset drawn, and seen from it by its sine.
    angles = found.results["pointing"].draws[:, 0]
    assert angles.min() >= 0
    rms = np.sqrt(np.mean(angles**2))
    expected = np.radians(3) * math.sin(np.pi / 3)
    assert rms == pytest.approx(expected, rel=4 / math.sqrt(2 * 100))


def test_known_errors_are_not_uncertain_by_draws(spiral):
    given = ("cut", "truncated-degree", {"degree": 3})
    found = assess(
        solve(spiral, PROBE, degree=DEGREE, method=LeastSquares(threads=1)),
        asked(given),
        draws=4,
        rng=1,
        jobs=1,
    )
    eirp = found.results["eirp"]
    # All draws are the same; and as by derivatives, to the 1e-4 of the change (`monte_carlo`).
    assert np.ptp(eirp.draws) < 1e-12 * eirp.value[0]
    assert abs(eirp.compared.shift[0]) < 1e-3 * abs(found.budgets[0].terms[0].bias["eirp"])


def test_the_seed_makes_the_draws(spiral):
    question = asked(("noise", "receiver-noise", {"rms_db": -40}))
    one, same, other = (
        assess(
            solve(spiral, PROBE, degree=DEGREE, method=LeastSquares(threads=1)),
            question,
            draws=3,
            rng=seed,
            jobs=1,
        ).results["trp"]
        for seed in (1, 1, 2)
    )
    # One thread: several add in any order.
    np.testing.assert_array_equal(one.draws, same.draws)
    assert np.all(np.abs(one.draws - other.draws) > 1e-9 * one.draws)


@pytest.mark.slow
def test_each_error_by_itself_by_draws(spiral):
    # Closed form: the gain's 2e-3 of all levels; known errors are a bias, alike in each draw.
    errors = [("gain", "probe-gain", {"amplitude": 2e-3}), ("cut", "truncated-degree", {"degree": 3})]
    seen = []
    found = assess(
        solve(spiral, PROBE, degree=DEGREE),
        asked(*errors),
        draws=60,
        rng=1,
        jobs=1,
        derivatives=False,
        progress=seen.append,
    )
    assert seen[-1] == 180
    assert seen == sorted(seen)
    gain, cut = found.budgets[0].terms[:2]
    assert gain.contribution("eirp") == pytest.approx(2e-3, rel=4 / math.sqrt(2 * 59))
    assert gain.degrees_of_freedom == 59
    assert (gain.bias, cut.contribution("eirp")) == ({}, 0)
    compared = found.results["eirp"].compared
    assert compared.both_drawn
    assert compared.sampling[0] == pytest.approx(1 / math.sqrt(59))
    by_derivatives = assess(solve(spiral, PROBE, degree=DEGREE), asked(*errors))
    expected = by_derivatives.budgets[0].terms[1].bias["eirp"]
    assert cut.bias["eirp"] == pytest.approx(expected, rel=1e-3)


def test_draws_that_were_made_are_kept(spiral):
    def stop(_):
        raise KeyboardInterrupt

    question = asked(("noise", "receiver-noise", {"rms_db": -40}))
    found = assess(
        solve(spiral, PROBE, degree=DEGREE), question, draws=3 * BATCH, rng=1, jobs=1, progress=stop
    )
    assert (found.asked, found.made) == (3 * BATCH, BATCH)
    assert len(found.results["eirp"].draws) == BATCH
    assert found.results["eirp"].compared.used[0] == BATCH


def test_stopped_where_each_error_is_drawn_by_itself(spiral, monkeypatch):
    # The others go on with as many draws: a budget of all errors that says how few they were.
    monkeypatch.setattr(uncertainty_draws, "BATCH", 4)
    errors = [("gain", "probe-gain", {"amplitude": 2e-3}), ("leak", "leakage", {"level_db": -50})]
    seen = []

    def stop(count):
        seen.append(count)
        if count == 8:
            raise KeyboardInterrupt

    found = assess(
        solve(spiral, PROBE, degree=DEGREE),
        asked(*errors, metrics=("eirp",)),
        draws=30,
        rng=1,
        jobs=1,
        derivatives=False,
        progress=stop,
    )
    assert seen == [4, 8, 34, 38, 64, 68]
    assert (found.asked, found.made) == (30, 8)
    assert [t.degrees_of_freedom for t in found.budgets[0].terms[:2]] == [7, 7]
    assert found.results["eirp"].compared.used[0] == 8


def test_interrupted_before_the_first_draw(spiral, monkeypatch):
    from nf2ff.uncertainty import assess as uncertainty_assess

    real, fails = uncertainty_assess.monte_carlo, []

    def interrupted(scan, terms, *others, **more):
        if len(terms) in fails:
            raise KeyboardInterrupt
        return real(scan, terms, *others, **more)

    monkeypatch.setattr(uncertainty_assess, "monte_carlo", interrupted)
    errors = [("gain", "probe-gain", {"amplitude": 1e-3}), ("leak", "leakage", {"level_db": -80})]
    solution, how = solve(spiral, PROBE, degree=DEGREE), {"draws": 2, "jobs": 1}
    fails[:] = [2]
    found = assess(solution, asked(*errors), **how)
    assert (found.asked, found.made) == (2, 0)
    assert part(found, "gain", "eirp") == pytest.approx(1e-3, rel=1e-5)
    # Where nothing else is known than what draws say, there is nothing to keep.
    for count in (1, 2):
        fails[:] = [count]
        with pytest.raises(KeyboardInterrupt):
            assess(solution, asked(*errors), **how, derivatives=False)


@pytest.mark.slow
def test_a_level_in_a_direction_has_the_field_of_its_errors(spiral):
    # Stated terms err along the field; modelled ones as derivatives or draws say; known changes are
    # taken off.
    place = {"theta": 0.3, "phi": 2.0}
    figures = {
        "pattern": (Figure("directivity-towards", **place),),
        "eirp": (Figure("eirp-towards", **place),),
    }
    u, b = 0.02, 0.005
    stated = direct_term("cable", {"eirp": u}, bias={"eirp": b})
    noise = ("noise", "receiver-noise", {"rms_db": -40})
    question = asked(noise, metrics=("trp", "pattern", "eirp"), figures=figures, terms=[stated])
    found = assess(solve(spiral, PROBE, degree=DEGREE), question)
    terms = [x.error for x in question.errors]
    linear = linearised(solve(spiral, PROBE, degree=DEGREE), terms, question.all_figures).fields
    assert found.results["trp"].field is None
    for i, name in enumerate(("pattern", "eirp")):
        one, parts = found.results[name], linear.value[0, i]
        more = (u, b) if name == "eirp" else (0.0, 0.0)
        assert parts @ parts == pytest.approx(one.value[0], rel=1e-9)
        np.testing.assert_allclose(one.field[0], (1 - more[1]) * parts, rtol=1e-9)
        wanted = linear.covariance[0, 0, i] + more[0] ** 2 * np.outer(parts, parts)
        np.testing.assert_allclose(one.field_covariance[0], wanted, rtol=1e-6, atol=1e-15)
    assert found.noise_power[0] > 0
    # Draws agree where errors are small, and derivatives stay.
    drawn = assess(solve(spiral, PROBE, degree=DEGREE), question, draws=60, rng=1, jobs=1)
    np.testing.assert_allclose(
        drawn.results["eirp"].field_covariance, found.results["eirp"].field_covariance, rtol=1e-9
    )
    assert drawn.noise_power is None
    # The phase of all that errs alike is no error of a level: of a walk with two steps only, by a
    # radian, derivatives leave nothing, and draws add nothing.
    nothing = ("zero", "axis-zero", {"axis": "radius", "offset": 1e-5})
    still = assess(solve(spiral, PROBE, degree=DEGREE), asked(nothing, metrics=("pattern",), figures=figures))
    spread = np.trace(still.results["pattern"].field_covariance[0])
    # k d = 6e-5 turns the phase of all; what is left is the amplitude's 1/r, d/r = 5e-6, of EIRP,
    # and of directivity only how near waves differ in it: 1e-5 of the field at most.
    assert 0 < math.sqrt(spread / still.results["pattern"].value[0]) < 2e-5


@pytest.mark.slow
def test_draws_of_a_field_find_its_bias(spiral):
    # Random phase of 1 rad leaves exp(-1/2) of the field (closed form): a bias, of second order.
    figures = {"pattern": (Figure("eirp-towards", theta=1.05, phi=0.7),)}
    phase = ("phase", "phase-noise", {"rms": 1.0})
    question = asked(phase, metrics=("pattern",), figures=figures)
    found = assess(solve(spiral, PROBE, degree=DEGREE), question, draws=100, rng=2, jobs=1)
    one = found.results["pattern"]
    measured = linearised(
        solve(spiral, PROBE, degree=DEGREE), [question.errors[0].error], question.all_figures
    ).fields.value[0, 0]
    # What is found is (1 - bias) of it, bias = exp(-1/2) - 1; draws of the field scatter by the
    # root of their variance over 100, in each of four parts.
    scatter = math.sqrt(np.trace(one.field_covariance[0]) / 100)
    expected = (2 - math.exp(-0.5)) * measured
    assert np.linalg.norm(one.field[0] - expected) < 3 * scatter
    # The bias is 0.39 of the field, some nine times that scatter.
    assert np.linalg.norm(one.field[0] - measured) > 6 * scatter


@pytest.mark.slow
def test_pattern_is_followed_on_cuts(spiral):
    # Closed form: a gain of the probe off by a scales all intensities by (1 + a z)^-2, z normal.
    cut = Cut(math.radians(60), math.radians(40), [0.0, 1.0], np.linspace(-1, 1, 5))
    given = ("gain", "probe-gain", {"amplitude": 2e-3})
    found = assess(solve(spiral, PROBE, degree=DEGREE), asked(given), draws=100, rng=1, jobs=1, cut=cut)
    nominal, mean, spread = found.pattern.intensity[:, 0]
    for i, plane in enumerate(cut.plane):
        along, across = cuts.cut_through(
            found.modes, theta=cut.theta, phi=cut.phi, plane=plane, angle=cut.angle
        )
        u = (np.abs(along[0]) ** 2 + np.abs(across[0]) ** 2) / (2 * WAVE_IMPEDANCE)
        np.testing.assert_allclose(nominal[i], u, rtol=1e-8)
    ratio = spread / nominal
    np.testing.assert_allclose(ratio, ratio[0, 0], rtol=1e-3)
    assert ratio[0, 0] == pytest.approx(4e-3, rel=4 / math.sqrt(2 * 99))
    np.testing.assert_allclose(mean / nominal, 1, atol=4 * 4e-3 / 10)
    signal = found.pattern.error_signal[0]
    np.testing.assert_allclose(signal, signal.max() * nominal / nominal.max(), rtol=1e-3)
    assert signal.max() == pytest.approx(4e-6, rel=0.6)
    assert cut.directions()[0].reshape(2, 5)[:, 2] == pytest.approx(cut.theta, abs=1e-12)


# --- draws against derivatives -------------------------------------------------------------------


def compared(first, drawn, shift=0.0, used=51, both=False, floor=0.0):
    return DrawComparison([first], [drawn], [shift], [used], [floor], both)


def test_differences_count_beyond_sampling_error():
    # Of 51 draws 1/sqrt(100) = 0.1: 3 of it are allowed (closed form).
    assert compared(1.0, 1.0).sampling[0] == pytest.approx(0.1)
    assert compared(1.0, 1.0, both=True).sampling[0] == pytest.approx(0.1 * math.sqrt(2))
    assert compared(1.0, 1.3 - 1e-9).verdict(0) == "agree"
    larger = compared(3.0, 5.0)
    assert larger.verdict(0) == "larger"
    assert larger.excess[0] == 4.0  # 3, 4, 5
    assert compared(1.0, 0.7 + 1e-9).verdict(0) == "agree"
    smaller = compared(1.0, 0.7 - 1e-9)
    assert smaller.verdict(0) == "smaller"
    assert smaller.excess[0] == 0
    assert compared(0.0, 0.0).verdict(0) == "agree"


def test_differences_below_the_accuracy_of_solutions_do_not_count():
    assert compared(1e-6, 5e-6, floor=6e-6).excess[0] == 0
    assert compared(1e-6, 5e-6, floor=4e-6).excess[0] > 0
    assert compared(5e-6, 1e-6, floor=6e-6).verdict(0) == "agree"
    assert compared(5e-6, 1e-6, floor=4e-6).verdict(0) == "smaller"
    assert compared(0.0, 0.0, shift=-1e-6, floor=2e-6).bias[0] == 0
    assert compared(0.0, 0.0, shift=-3e-6, floor=2e-6).bias[0] == -3e-6


def test_a_shift_counts_beyond_the_scatter_of_a_mean():
    edge = SIGNIFICANT * 2.0 / math.sqrt(51)
    assert compared(2.0, 2.0, shift=edge * (1 - 1e-9)).bias[0] == 0
    assert compared(2.0, 2.0, shift=-edge * (1 + 1e-9)).bias[0] == -edge * (1 + 1e-9)
    assert compared(1.0, 9.0, used=1).verdict(0) == "agree"  # nothing can be said of one draw
    assert compared(1.0, 0.0, used=0).excess[0] == 0


def test_draws_without_the_figure_are_left_out(spiral, monkeypatch):
    from nf2ff.uncertainty import assess as uncertainty_assess

    real = uncertainty_assess.monte_carlo

    def lossy(*args, **more):
        draws = real(*args, **more)
        values = draws.values.copy()
        values[:3, :, 0] = np.nan
        values[4:, :, 2] = np.nan
        return replace(draws, values=values)

    monkeypatch.setattr(uncertainty_assess, "monte_carlo", lossy)
    question = asked(("noise", "receiver-noise", {"rms_db": -40}))
    found = assess(solve(spiral, PROBE, degree=DEGREE), question, draws=5, rng=1, jobs=1)
    used = {name: int(x.compared.used[0]) for name, x in found.results.items()}
    assert used == {"directivity": 2, "eirp": 5, "trp": 4, "pointing": 5}
    assert np.isnan(found.results["directivity"].draws[:3]).all()


# --- refusals ------------------------------------------------------------------------------------


def test_levels_need_a_level(scan):
    question = asked(("gain", "probe-gain", {"amplitude": 1e-3}))
    says = "the level is relative, and eirp, trp would need it absolute: leave them out of the metrics"
    with pytest.raises(ValueError, match=says + ", state the unit of the responses, or tie"):
        assess(solve(replace(scan, response_unit="relative"), PROBE, degree=DEGREE), question)
    question = asked(("gain", "probe-gain", {"amplitude": 1e-3}), metrics=("trp",))
    with pytest.raises(ValueError, match="and trp would need it absolute: leave it out of the met"):
        assess(solve(replace(scan, response_unit="relative"), PROBE, degree=DEGREE), question)
    question = asked(("noise", "phase-noise", {"rms": 1e-3}), metrics=("directivity", "pointing"))
    assess(solve(replace(scan, response_unit="relative"), PROBE, degree=DEGREE), question)


def test_an_error_that_the_scan_cannot_have(scan):
    question = asked(("gain", "probe-gain", {"amplitude": 1e-3}), ("drift", "random-walk", {"phase_deg": 1}))
    with pytest.raises(
        ValueError,
        match=r"^error 2 \('drift'\): random-walk depends on when each "
        "sample was taken, and the scan has no times: give time",
    ):
        assess(solve(scan, PROBE, degree=DEGREE), question)


def test_a_direction_without_field():
    # A dipole along z has no field towards z (closed form).
    dipole = DipoleCluster(np.zeros((1, 3)), [[0, 0, 1.0]])
    scan = simulate_grid(dipole, frequency=[SPEED_OF_LIGHT], grid=equiangular_grid(5, 8), radius=1)
    for name, metric in (("directivity-towards", "pattern"), ("eirp-towards", "eirp")):
        figures = {metric: (Figure(name, theta=0.0, phi=0.0),)}
        question = asked(metrics=(metric,), terms=[Term("a")], figures=figures)
        with pytest.raises(
            ValueError,
            match="there is no field towards theta 0 deg, phi 0 deg at "
            r"0\.299792458 GHz: choose another direction",
        ):
            assess(solve(scan, PROBE, degree=3), question)


def test_an_error_must_not_count_twice():
    with pytest.raises(
        ValueError,
        match="'gain' is supplied as a term and modelled as error 2: keep one of them, so that it",
    ):
        asked(
            ("noise", "phase-noise", {"rms": 1e-3}),
            ("gain", "probe-gain", {"amplitude": 1e-3}),
            terms=[direct_term("gain", {"eirp": 0.1})],
        )


def test_modelled_errors_have_no_sign_to_correlate_by():
    terms = [Term("gain"), direct_term("cable", {"eirp": 0.1})]
    for pair in (("gain", "cable"), ("cable", "gain")):
        with pytest.raises(
            ValueError,
            match="'gain' is modelled and correlates with 'cable', but "
            "the effect of a modelled error has a size and no sign",
        ):
            asked(
                ("gain", "probe-gain", {"amplitude": 1e-3}),
                terms=terms,
                correlation=correlations(terms, {pair: 0.5}),
            )


def test_results_must_fit_together(scan):
    found = assess(solve(scan, PROBE, degree=DEGREE), asked(terms=[Term("a")]))
    with pytest.raises(ValueError, match="there are 1 budgets for 2 frequencies: give one each"):
        Uncertainty(found.modes, found.budgets[:1], found.results)
    results = {"eirp": MetricResult("power", [1.0])}
    with pytest.raises(ValueError, match=r"eirp has values \(1,\), expected \(2,\)"):
        Uncertainty(found.modes, found.budgets, results)
    cut = Cut(0.0, 0.0, [0.0], [0.0, 0.1])
    with pytest.raises(
        ValueError,
        match=r"error_signal has shape \(2, 1, 3\), expected 1 cuts of "
        "2 angles",
    ):
        PatternDraws(cut, np.ones((3, 2, 1, 2)), np.ones((2, 1, 3)))
    with pytest.raises(ValueError, match="intensity has 3 dimensions, expected 4"):
        PatternDraws(cut, np.ones((3, 2, 1)), np.ones((2, 1, 2)))
