"""Antennas found without a phase reference, and what their certificates are worth.

Tolerances of errors: an error that noise makes in 2 J = 252 real unknowns scatters about its prediction;
single truths lie within 3 dB of it here, a wrong antenna 20 dB and more above.
"""

from dataclasses import replace

import numpy as np
import phaseless_cases
import pytest
from phaseless_cases import DEGREE, amplitudes, cluster, far_apart, grid_positions, phaseless_scan
from rotations import axis_rotation
from sources import ONE_METRE

from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.antenna.modes import WAVE_IMPEDANCE
from nf2ff.antenna.points import equal_area_spiral
from nf2ff.measurement.coherence import with_coherence
from nf2ff.measurement.orientation import merge_samples
from nf2ff.measurement.probe import field_probe
from nf2ff.measurement.probe_models import modes_of
from nf2ff.messages.phaseless import PhaselessCode
from nf2ff.solver.phaseless import counting, reconstruction
from nf2ff.solver.phaseless.reconstruction import reconstruct
from nf2ff.solver.phaseless.trial import found_in_trial
from nf2ff.solver.solve import prepare, solve
from nf2ff.solver.strategy import LeastSquares

PROBE = field_probe()
ONE_SPHERE = (1.4,)


def truth(true, degree=DEGREE):
    return solve(replace(true, coherence=None), PROBE, degree=degree).modes.coefficients[0]


def db(ratio):
    return 20 * np.log10(ratio)


@pytest.mark.parametrize(
    ("along", "spheres", "seed"),
    # Antennas that most starts find: which those are depends on the rounding of the library.
    [
        pytest.param("nothing", (1.4, 3.4), 2, marks=pytest.mark.slow),
        ("positions", (1.4, 3.4), 1),
        ("cuts", ONE_SPHERE, 2),
    ],
)
def test_the_antenna_is_found_and_certified(along, spheres, seed):
    samples, true, noise = phaseless_scan(cluster(seed), grid_positions(spheres), along, seed=seed)
    if along == "nothing":
        samples = amplitudes(samples)
    found = reconstruct(samples, PROBE, degree=DEGREE, noise=noise, rng=seed)
    (one,) = found.certificates
    assert one.certified
    assert one.agreeing >= 2
    error = far_apart(found.modes.coefficients[0], truth(true))
    assert db(error) < db(one.error) + 3
    assert db(error) < -28
    # Misfit of a chi-square distribution: four of its standard deviations.
    assert one.chi_square == pytest.approx(1, abs=4 * one.scatter)
    # The readings with the phases found are those of the modes: the gradient of both is the same, and the
    # search ends where the deviance falls by 0.01, an error of 0.1 of one unknown's noise in sqrt(252).
    again = solve(found.samples, PROBE, degree=DEGREE, method=LeastSquares(unweighted_finish=True))
    assert far_apart(again.modes.coefficients[0], found.modes.coefficients[0]) < 0.1 / 252**0.5 * one.error


@pytest.mark.slow
def test_noise_is_estimated_where_it_is_not_stated():
    samples, true, noise = phaseless_scan(cluster(1), grid_positions(), "positions", seed=1)
    found = reconstruct(samples, PROBE, degree=DEGREE, rng=0)
    (one,) = found.certificates
    assert one.certified
    assert "; readings held out agree; error of the far field that noise alone predicts -3" in one.sentence()
    assert np.isnan(one.chi_square)
    # 760 readings, 380 groups, 251 unknowns: 889 degrees of freedom, 4 standard deviations of a root.
    assert one.noise == pytest.approx(noise, rel=4 / (2 * 889) ** 0.5)
    assert db(far_apart(found.modes.coefficients[0], truth(true))) < db(one.error) + 3


def one_polarisation_times(factor):
    def change(samples):
        return replace(samples, response=samples.response * np.where(samples.chi > 1, factor, 1))

    return change


@pytest.mark.parametrize(
    ("along", "spheres", "seed", "factor", "loud"),
    [
        ("cuts", ONE_SPHERE, 0, 10 ** (1 / 20), True),
        ("cuts", ONE_SPHERE, 1, 10 ** (1 / 20), True),
        # 5 degrees between polarisations: the noise estimated is -47 dB, but uneven.
        ("positions", (1.4, 3.4), 0, np.exp(1j * np.radians(5)), False),
    ],
    ids=["level-0", "level-1", "phase"],
)
def test_an_unbalanced_polarisation_does_not_pass_for_noise(along, spheres, seed, factor, loud):
    antenna = cluster(seed)
    samples, *_ = phaseless_scan(antenna, grid_positions(spheres), along, seed=seed)
    samples = one_polarisation_times(factor)(samples)
    found = reconstruct(samples, PROBE, degree=DEGREE, starts=6, rng=seed + 1)
    (one,) = found.certificates
    exact = modes_of(antenna, frequency=ONE_METRE, degree=DEGREE).coefficients[0]
    assert db(far_apart(found.modes.coefficients[0], exact)) > db(one.error) + 6
    assert one.verdict == "ambiguous"
    # Nothing else speaks against it.
    assert [x.code for x in one.reasons] == [PhaselessCode.LOUD] * loud + [PhaselessCode.UNLIKE]
    assert [x.code for x in one.remedies] == [PhaselessCode.HELP_STATE]


def test_much_noise_that_is_even_must_be_stated(monkeypatch):
    monkeypatch.setattr(phaseless_cases, "NOISE_DB", -40.0)
    antenna = cluster(2)
    samples, _, noise = phaseless_scan(antenna, grid_positions(ONE_SPHERE), "cuts", seed=2)
    (one,) = reconstruct(samples, PROBE, degree=DEGREE, rng=0).certificates
    assert one.verdict == "ambiguous"
    assert [x.code for x in one.reasons] == [PhaselessCode.LOUD]
    # 741 real numbers less 251 unknowns, 4 standard deviations of a root: 13 %, 1.1 dB.
    assert one.reasons[0].figures["noise_db"] == pytest.approx(-40, abs=1.1)
    stated = reconstruct(samples, PROBE, degree=DEGREE, noise=noise, rng=0)
    (one,) = stated.certificates
    assert one.certified
    assert "on one sphere a wrong distance" in one.sentence()
    exact = modes_of(antenna, frequency=ONE_METRE, degree=DEGREE).coefficients[0]
    assert db(far_apart(stated.modes.coefficients[0], exact)) < db(one.error) + 3


@pytest.mark.slow  # Eight starts of powers, 4 s.
def test_a_panel_of_wrong_balance_is_not_certified():
    # 3 x 3 Huygens sources 0.21 wavelengths apart: all starts agree on another antenna.
    x, y = (a.ravel() for a in np.meshgrid(*[[-0.21, 0, 0.21]] * 2))
    place = np.stack([x, y, 0 * x], axis=1)
    panel = DipoleCluster(
        place, np.tile([1 + 0j, 0, 0], (9, 1)), np.tile([0, WAVE_IMPEDANCE + 0j, 0], (9, 1))
    )
    samples, *_ = phaseless_scan(panel, grid_positions(), "nothing")
    samples = one_polarisation_times(10 ** (2 / 20))(samples)
    found = reconstruct(samples, PROBE, degree=DEGREE, rng=2)
    (one,) = found.certificates
    exact = modes_of(panel, frequency=ONE_METRE, degree=DEGREE).coefficients[0]
    assert db(far_apart(found.modes.coefficients[0], exact)) > -6
    assert one.verdict == "ambiguous"
    assert [x.code for x in one.reasons][-2:] == [PhaselessCode.LOUD, PhaselessCode.UNLIKE]


def test_any_positions_are_searched():
    points = equal_area_spiral(130)
    place = [
        np.tile(points.theta, 4),
        np.tile(points.phi, 4),
        np.tile(np.repeat([0.0, np.pi / 2], points.theta.size), 2),
        np.repeat([1.2, 3.2], 2 * points.theta.size),
    ]
    samples, true, noise = phaseless_scan(cluster(3), place, "positions", seed=3)
    found = reconstruct(samples, PROBE, degree=DEGREE, noise=noise, starts=3, rng=0)
    assert found.certificates[0].certified
    assert db(far_apart(found.modes.coefficients[0], truth(true))) < db(found.certificates[0].error) + 3


def test_each_frequency_by_itself_and_a_missing_reading():
    samples, true, noise = phaseless_scan(
        cluster(2), grid_positions(ONE_SPHERE), "cuts", seed=2, frequency=ONE_METRE * [1, 1.02]
    )
    response = samples.response.copy()
    response[1, 5] = np.nan
    samples = replace(samples, response=response)
    found = reconstruct(samples, PROBE, degree=DEGREE, noise=noise, starts=3, rng=0)
    assert found.certified.tolist() == [True, True]
    assert np.isnan(found.samples.response[1, 5])
    for f in range(2):
        exact = truth(true.part([f]))
        assert db(far_apart(found.modes.coefficients[f], exact)) < db(found.certificates[f].error) + 3


def test_a_trial_tells_positions_that_determine_the_field_from_others():
    cuts, powers, two = (
        phaseless_scan(cluster(0), grid_positions(spheres), along)[0]
        for spheres, along in ((ONE_SPHERE, "cuts"), (ONE_SPHERE, "nothing"), ((1.4, 3.4), "positions"))
    )
    assert found_in_trial(cuts, PROBE, DEGREE, enough=2, rng=0) == 2
    assert found_in_trial(two, PROBE, DEGREE, enough=2, rng=0) == 2
    assert found_in_trial(powers, PROBE, DEGREE, enough=1, rng=0) == 0


@pytest.mark.parametrize("along", ["nothing", pytest.param("positions", marks=pytest.mark.slow), "rings"])
def test_what_one_sphere_does_not_determine_is_refused(along):
    samples, _, noise = phaseless_scan(cluster(0), grid_positions(ONE_SPHERE), along)
    with pytest.raises(
        ValueError, match=r"on one sphere do not determine.* in [01] of 4 starts: measure a second sphere"
    ):
        reconstruct(samples, PROBE, degree=DEGREE, noise=noise)


@pytest.mark.slow
def test_spheres_far_away_are_refused():
    # In the far zone both read the same.
    samples, _, noise = phaseless_scan(cluster(0), grid_positions((10.0, 12.0)), "nothing")
    with pytest.raises(
        ValueError, match=r"on these spheres do not.* 0 of 4 starts: measure the first sphere"
    ):
        reconstruct(samples, PROBE, degree=DEGREE, noise=noise)


@pytest.mark.slow
@pytest.mark.parametrize("along", ["nothing", "positions", "rings"])
def test_what_is_not_determined_is_never_certified(monkeypatch, along):
    # Were such sets not refused before the work, no certificate may be given to an antenna that is wrong.
    # Which starts find the right one, as a few with rings do, depends on the rounding of the library.
    monkeypatch.setattr(reconstruction, "check_determined", lambda *_: None)
    monkeypatch.setattr(reconstruction, "STEPS", 500)
    wrong = 0
    for seed in range(4):
        samples, true, noise = phaseless_scan(cluster(seed), grid_positions(ONE_SPHERE), along, seed=seed)
        found = reconstruct(samples, PROBE, degree=DEGREE, noise=noise, starts=4, rng=seed)
        (one,) = found.certificates
        if db(far_apart(found.modes.coefficients[0], truth(true))) > db(one.error) + 6:
            wrong += 1
            assert one.verdict in ("failed", "ambiguous")
            assert one.reasons
            assert one.remedies
    assert wrong


def test_noise_stated_too_low_fails():
    samples, _, noise = phaseless_scan(cluster(2), grid_positions(ONE_SPHERE), "cuts", seed=2)
    (one,) = reconstruct(samples, PROBE, degree=DEGREE, noise=noise / 2, starts=3, rng=0).certificates
    # Four times the power that is stated.
    assert one.verdict == "failed"
    assert one.chi_square == pytest.approx(4, rel=0.3)
    assert "times the misfit that noise explains" in one.sentence()
    assert "check the stated noise level" in one.sentence()


def test_a_degree_too_low_is_not_certified():
    samples, _, noise = phaseless_scan(cluster(2), grid_positions(ONE_SPHERE), "cuts", seed=2)
    (one,) = reconstruct(samples, PROBE, degree=4, noise=noise, starts=3, rng=0).certificates
    assert one.verdict == "failed"


def test_interrupted_it_keeps_what_it_has(monkeypatch):
    samples, *_, noise = phaseless_scan(cluster(2), grid_positions(ONE_SPHERE), "cuts", seed=2)
    seen = []

    def progress(done, total):
        seen.append((done, total))
        if done == 3:
            raise KeyboardInterrupt

    (one,) = reconstruct(
        samples, PROBE, degree=DEGREE, noise=noise, starts=6, rng=0, progress=progress
    ).certificates
    assert seen == [(1, 6), (2, 6), (3, 6)]
    assert one.starts == 3
    assert one.certified

    def at_once(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(reconstruction, "_chain", at_once)
    with pytest.raises(KeyboardInterrupt):
        reconstruct(samples, PROBE, degree=DEGREE, noise=noise, starts=2, rng=0, jobs=1)


def test_a_seed_gives_the_same_whatever_the_threads():
    samples, *_, noise = phaseless_scan(cluster(2), grid_positions(ONE_SPHERE), "cuts", seed=2)
    given = {"degree": DEGREE, "noise": noise, "starts": 3, "rng": 5}
    one, two = (reconstruct(samples, PROBE, jobs=jobs, **given) for jobs in (1, 2))
    np.testing.assert_array_equal(one.modes.coefficients, two.modes.coefficients)


@pytest.mark.parametrize(
    ("change", "given", "says"),
    [
        ({"coherence": None}, {}, "no groups of coherent phase.*state the groups"),
        ({"coherence": np.ones(380, int)}, {}, "all samples are of one group.*leave coherence out"),
        ({}, {"noise": 1e9}, r"noise stated is 1e\+09 V/m, the readings are .*below that of the readings"),
        ({}, {"noise": -1.0}, "noise stated is -1 V/m.*above zero"),
        ({}, {"starts": 1}, "starts is 1, expected at least 2"),
        ({}, {"degree": 40}, "tell 741 real numbers, degree 40 has 6719 unknowns.*give degree 11 at most"),
        ({"response": np.zeros((1, 380))}, {}, "all readings are zero"),
    ],
)
def test_bad_input(change, given, says):
    samples, *_ = phaseless_scan(cluster(0), grid_positions(ONE_SPHERE), "cuts")
    with pytest.raises(ValueError, match=says):
        reconstruct(replace(samples, **change), PROBE, **({"degree": DEGREE} | given))


def test_only_reconstruction_takes_groups():
    samples, *_ = phaseless_scan(cluster(0), grid_positions(ONE_SPHERE), "cuts")
    for verb in (solve, prepare):
        with pytest.raises(ValueError, match=r"in \d+ groups of coherent phase.*reconstruct") as caught:
            verb(samples, PROBE, degree=DEGREE)
        assert caught.value.option == "nf2ff transform --found-phases FILE does so"


class TestGroups:
    """Groups by the place of samples."""

    @pytest.mark.parametrize(
        ("along", "count"),
        [
            # 10 rings, 19 columns, 2 values of chi, 1 sphere.
            ("nothing", 380),
            ("positions", 190),
            ("cuts", 19),
            ("cuts-by-polarisation", 38),
            ("rings", 10),
            ("rings-by-polarisation", 20),
        ],
    )
    def test_by_place(self, along, count):
        samples, *_ = phaseless_scan(cluster(0), grid_positions(ONE_SPHERE), "cuts")
        assert np.unique(with_coherence(samples, along).coherence).size == count

    def test_unknown_and_moving(self):
        samples, *_ = phaseless_scan(cluster(0), grid_positions(ONE_SPHERE), "cuts")
        with pytest.raises(ValueError, match="along is 'spirals', expected one of nothing, positions"):
            with_coherence(samples, "spirals")
        with pytest.raises(ValueError, match="positions differ by frequency"):
            with_coherence(replace(samples, theta=samples.theta[None] + np.zeros((1, 1))), "cuts")

    def test_parts_and_merged_scans_keep_theirs(self):
        samples, *_ = phaseless_scan(cluster(0), grid_positions(ONE_SPHERE), "cuts")
        some = np.arange(380) % 3 == 0
        np.testing.assert_array_equal(samples.part([0], some).coherence, samples.coherence[some])
        turn = axis_rotation([1, 0, 0], angle=1.0)
        both = merge_samples(samples, replace(samples, coherence=None), rotation=turn)
        assert np.unique(both.coherence).size == np.unique(samples.coherence).size + 1
        assert set(both.coherence[:380]).isdisjoint(both.coherence[380:])

    def test_spheres_are_counted_in_wavelengths(self):
        samples, *_ = phaseless_scan(cluster(0), grid_positions((1.4, 1.5, 3.0)), "nothing")
        # 0.1 wavelengths apart is one sphere.
        assert counting.spheres(samples) == 2
