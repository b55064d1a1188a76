"""Each threshold of the solver is where it is said to be: what lies a little to either side differs.

The numbers are choices of ours, stated and explained beside the constants; here they are written out
again, so that none changes unseen.
"""

import dataclasses
import math
from types import SimpleNamespace

import numpy as np
import pytest

from nf2ff.antenna.grids import Grid, gauss_legendre_grid, ring_angles
from nf2ff.antenna.modes import SPEED_OF_LIGHT, Modes, mode_count, required_degree
from nf2ff.antenna.points import equal_area_spiral_for_degree
from nf2ff.kernel.sphere import unit_vectors
from nf2ff.measurement.probe import field_probe
from nf2ff.measurement.samples import Samples
from nf2ff.messages.scan import ReadingCode, UnitCode
from nf2ff.messages.solution import SolutionCode
from nf2ff.solver import (
    coverage,
    drift,
    gaps,
    model_agreement,
    polarisations,
    probe_share,
    solution,
    spectrum,
    suspect_readings,
    suspected_units,
    whiteness,
)
from nf2ff.solver import degree as degrees
from nf2ff.solver import solve as solver
from nf2ff.solver.methods import Estimate
from nf2ff.solver.regular_grid import NotAGridError, recognise_grid
from nf2ff.solver.requirements import check_polarisations
from nf2ff.solver.solve import solve
from nf2ff.solver.strategy import Direct, LeastSquares
from nf2ff.solver.transmission import modelled
from nf2ff.solver.whiteness import Contrast, Pairs, Remainder, contrast, remainder
from nf2ff.solver.whiteness import neighbours as whiteness_neighbours

#: The wavelength is one metre.
FREQUENCY = [SPEED_OF_LIGHT]
PROBE = field_probe()
CHI = np.array([0, np.pi / 2])


def white(rng, *shape):
    return (rng.normal(size=shape) + 1j * rng.normal(size=shape)) / np.sqrt(2)


def modes_of(density, frequency=FREQUENCY):
    """Modes whose coefficients of degree n all have the power ``density[n - 1]``."""
    n = np.repeat(np.arange(1, len(density) + 1), 2 * (2 * np.arange(1, len(density) + 1) + 1))
    q = np.sqrt(np.asarray(density, dtype=complex))[n - 1]
    return Modes(frequency, np.tile(q, (len(frequency), 1)))


def at(theta, phi, chi=0.0, radius=20.0, response=1.0, port=1):
    theta, phi, chi, radius, response, port = np.broadcast_arrays(theta, phi, chi, radius, response, port)
    return Samples(FREQUENCY, theta, phi, chi, radius, port, response[None])


def spiral(degree, response=None):
    points = equal_area_spiral_for_degree(degree)
    count = 2 * points.theta.size
    response = np.ones(count) if response is None else response(count)
    return at(
        np.repeat(points.theta, 2), np.repeat(points.phi, 2), np.tile(CHI, count // 2), response=response
    )


def codes(notices):
    return [notice.code for notice in notices]


# --- the spectrum -------------------------------------------------------------------------------


def last_two(degree, level, *, share):
    """Density 1 up to N - 2, and of the last two degrees so that their mean over the mean of all, or
    (``share``) their power over all, is ``level`` [dB]."""
    count, below, ratio = mode_count(degree), mode_count(degree - 2), 10 ** (level / 10)
    part = (count - below) / count
    # d / (below / J + part d) = ratio; or part d over the same (closed form).
    d = ratio * (1 - part) / ((part if share else 1) - ratio * part)
    return modes_of([1.0] * (degree - 2) + [d] * 2)


@pytest.mark.parametrize(("level", "told"), [(-41, False), (-39, True)])
def test_a_spectrum_that_has_not_fallen_off(level, told):
    for automatic, code in ((True, SolutionCode.TRUNCATED_AT_LIMIT), (False, SolutionCode.TRUNCATED)):
        (some,) = spectrum.judge(last_two(10, level, share=False), automatic=automatic)[1]
        assert codes(some) == [code] * told


@pytest.mark.parametrize(("degree", "level", "share"), [(60, -10, False), (10, -20, True), (4, -20, True)])
def test_a_sampling_that_is_too_coarse(degree, level, share):
    assert spectrum.judge(last_two(degree, level - 0.5, share=share), automatic=True)
    too_much = last_two(degree, level + 0.5, share=share)
    with pytest.raises(ValueError, match="too coarse"):
        spectrum.judge(too_much, automatic=True)
    assert spectrum.judge(too_much, automatic=False)


def test_few_degrees_are_not_called_too_coarse():
    assert spectrum.judge(last_two(3, -10, share=True), automatic=True)


@pytest.mark.parametrize(("residual", "told"), [(0.009, False), (0.011, True), (0.099, True), (0.101, False)])
@pytest.mark.parametrize("degree", [1, 2])
def test_where_the_last_two_degrees_are_all_the_residual_tells_what_lacks(degree, residual, told):
    # A power of -40 dB, as in the last degrees of others; from 0.1 on LARGE_RESIDUAL tells.
    modes = modes_of([1.0] * degree)
    for automatic, code in ((True, SolutionCode.FEW_DEGREES_AT_LIMIT), (False, SolutionCode.FEW_DEGREES)):
        given = {"automatic": automatic, "residual": np.array([residual])}
        assert codes(spectrum.judge(modes, **given)[1][0]) == [code] * told
        # Kept low by a gap, it was chosen as one that explains the samples.
        assert spectrum.judge(modes, **given, lack="a gap")[1] == [[]]
        assert codes(spectrum.judge(modes_of([1.0] * 3), **given)[1][0]) != [code] * told
    # Too few samples to tell.
    found = spectrum.judge(modes, automatic=True, residual=np.array([np.nan]))[1][0]
    assert codes(found) == [SolutionCode.TRUNCATED_AT_LIMIT]


def floor_of(received, *, top, verdict=None, monkeypatch, frequency=FREQUENCY):
    """The floor found where that much is received by degree, and what is below is noise."""
    asked = []

    def found(*given, **_):
        asked.append(given)
        return Remainder(0.1, 0.03, verdict or "noise")

    monkeypatch.setattr(spectrum, "remainder", found)
    monkeypatch.setattr(spectrum, "received_spectrum", lambda *_: np.tile(received, (len(frequency), 1)))
    theta = np.linspace(0.1, 3, 20)
    samples = Samples(frequency, theta, theta, 0.0, 20.0, 1, np.ones((len(frequency), 20)))
    return spectrum.find_floor(samples, PROBE, modes_of(np.ones(top), frequency)), asked


def test_a_floor_is_flat_within_3_db(monkeypatch):
    for ratio, flat in ((1.8, True), (2.2, False), (1 / 1.8, True), (1 / 2.2, False)):
        received = np.array([100.0] * 12 + [1.0] * 10 + [ratio] * 2)
        # The top quarter of 24 degrees are six; its halves, three each.
        received[18:21], received[21:] = 1.0, ratio
        found, _ = floor_of(received, top=24, monkeypatch=monkeypatch)
        assert (found is not None) == flat


# The mean of the powers of 38 coefficients exceeds 1.97 times theirs once in a million (gamma distribution).
@pytest.mark.parametrize(("level", "degree"), [(1.9, 5 + 2), (2.05, 9 + 2)])
def test_what_rises_above_the_floor(level, degree, monkeypatch):
    received = np.array([100.0] * 5 + [1.0] * 19)
    received[8] = level
    found, _ = floor_of(received, top=24, monkeypatch=monkeypatch)
    assert found.degree == degree
    assert found.reason.startswith(
        f"spectrum: above degree {degree - 2} the field received is a flat floor, 20 dB"
    )


def test_degrees_at_which_a_floor_is_looked_for(monkeypatch):
    flat = np.ones(30)
    flat[:2] = 100
    for top, verdict, there in (
        (5, "noise", False),
        (6, "noise", True),
        (11, "unknown", False),
        (12, "unknown", True),
    ):
        found, _ = floor_of(flat[:top], top=top, verdict=verdict, monkeypatch=monkeypatch)
        assert (found is not None) == there, top
    # Noise throughout.
    for top, verdict in ((15, "unknown"), (16, "noise")):
        found, _ = floor_of(np.ones(top), top=top, monkeypatch=monkeypatch)
        assert found.remainder[0].verdict == verdict


def test_frequencies_that_are_asked(monkeypatch):
    flat = np.array([100.0] * 5 + [1.0] * 19)
    for count, asked in ((12, 12), (30, 12)):
        frequency = SPEED_OF_LIGHT * (1 + 0.01 * np.arange(count))
        _, found = floor_of(flat, top=24, frequency=frequency, monkeypatch=monkeypatch)
        assert len(found) == asked


@pytest.mark.parametrize(("level", "told"), [(0.9e-3, False), (1.1e-3, True)])
def test_a_weak_floor_that_may_be_a_field(level, told):
    for verdict, code in (("field", SolutionCode.PLATEAU), ("unknown", SolutionCode.FLAT_FLOOR)):
        floor = spectrum.Floor(9, -30.0, np.ones(1, bool), [Remainder(level, level / 3, verdict)])
        assert codes(floor.warnings(0, strong=False)) == [code] * told


# --- the degree ---------------------------------------------------------------------------------


def test_samples_for_each_unknown():
    # 1.5 for each: (N + 1)^2 - 1 <= (N' + 1)^2 / 1.5, N' being the degree of as many unknowns as
    # samples, 25 of 1350 and 24 of fewer: 676 / 1.5 = 450 and 625 / 1.5 = 416, where 20 takes 440.
    seen = SimpleNamespace(unseen=lambda _: np.zeros(4, bool), supported_degree=lambda: 99)
    for count, degree in ((1350, 20), (1348, 19)):
        scan = SimpleNamespace(response=np.ones((1, count)), any_missing=False)
        assert degrees.scattered_limit(scan, seen) == degree


def test_power_above_the_degree_of_a_known_sphere():
    samples = at(np.linspace(0, 3, 50), 0.1)
    degree, reason = degrees.choose_degree(samples, None, 90, 2.0)
    assert degree == required_degree(4 * np.pi, tail_db=-200.0)
    assert "-200 dB of the power above" in reason


# --- gaps ---------------------------------------------------------------------------------------


@dataclasses.dataclass(frozen=True)
class Stub:
    """A problem whose solution has that residual and so many steps."""

    degree: int = 20
    method: LeastSquares = dataclasses.field(default_factory=LeastSquares)
    residual: float = 0.01
    steps: int = 10
    samples: Samples = dataclasses.field(default_factory=lambda: at(np.linspace(0.1, 3, 4000), 0.1))

    def estimates(self, _):
        return [Estimate(np.zeros(mode_count(self.degree)), self.residual, self.steps, True)]

    def as_modes(self, _):
        return modes_of(np.ones(self.degree))


def seen(share=0.0, distance=0.0):
    """What a scan saw that leaves this share of the sphere out."""
    count = 1000
    holes = np.arange(count) < share * count
    far = np.where(holes, 3.0, distance)
    reach = coverage.Reach(far, np.full(count, 0.1), far, np.zeros(count, bool))
    return coverage.Coverage(unit_vectors(np.linspace(0, np.pi, count), np.zeros(count))[0], lambda: reach)


def test_how_much_of_the_sphere_may_be_missing():
    method, (notice,) = gaps.damped_for_gap(None, seen(0.72), 20)
    assert (method.damping, method.rtol, method.max_iterations) == (1e-2, 1e-6, 500)
    assert notice.code is SolutionCode.GAP
    assert notice.figures["reach_deg"] == pytest.approx(1.5 * 180 / 20)
    with pytest.raises(ValueError, match="measure more of the sphere"):
        gaps.damped_for_gap(None, seen(0.78), 20)


@pytest.mark.parametrize(("steps", "gain", "held"), [(29, 99, False), (31, 11.5, True), (31, 8.5, False)])
def test_waves_that_are_hardly_determined(steps, gain, held, monkeypatch):
    monkeypatch.setattr(gaps, "noise_over_ideal", lambda *_, **__: gain)
    monkeypatch.setattr(gaps, "_spared", lambda prepared, _, estimates: (prepared, estimates))
    found = gaps.attempt(Stub(steps=steps), seen(), free=True, notes=[])
    assert found.doubtful == held
    assert codes(found.notes) == [SolutionCode.UNDETERMINED] * held
    assert bool(found.prepared.method.damping) == held


def test_the_most_damping(monkeypatch):
    monkeypatch.setattr(gaps, "noise_over_ideal", lambda *_, **__: 99)
    monkeypatch.setattr(gaps, "_spared", lambda prepared, _, estimates: (prepared, estimates))
    for residual, damping in ((0.2, None), (0.9, 0.5)):
        found = gaps.attempt(Stub(steps=40, residual=residual), seen(), free=True, notes=[])
        if damping is None:
            # The noise of a sample: residual over the root of the redundancy (closed form).
            damping = residual / math.sqrt(1 - mode_count(20) / 4000)
        assert found.prepared.method.damping == pytest.approx(damping, rel=1e-12)


def test_redundancy_from_which_noise_is_known():
    for count, known in ((1.09 * mode_count(10), False), (1.13 * mode_count(10), True)):
        one = at(np.linspace(0.1, 3, int(count)), 0.1)
        assert np.isfinite(gaps.noise_floor(np.array([0.1]), one, 10)[0]) == known


#: From 40 down in steps of 0.87.
LADDER = [40, 35, 30, 26, 23, 20, 17, 15, 13, 11, 10, 9, 8, 7, 6, 5, 4, 3, 2, 1]


def noisy(top, lower, lowest=None):
    """A damped solution of degree 40 that leaves noise ``top``, where lower ones leave ``lower``, and those
    below 35 ``lowest`` if given."""

    class Same(Stub):
        def estimates(self, _):
            own = top if self.degree == 40 else lower
            own = lowest if lowest and self.degree < 35 else own
            # Noise is the residual over the root of the redundancy.
            left = 1 - mode_count(self.degree) / self.samples.response.shape[1]
            return [Estimate(np.zeros(1), own * math.sqrt(left), 1, True)]

    prepared = Same(degree=40, samples=at(np.linspace(0.1, 3, 6000), 0.1), method=LeastSquares(damping=1e-2))
    return gaps.Attempt(prepared, None, prepared.estimates(None), [], True)


@pytest.mark.parametrize(
    ("top", "lower", "explain"),
    [(0.0, 1.4e-3, True), (0.0, 1.6e-3, False), (0.01, 0.01018, True), (0.01, 0.01019, False)],
)
def test_degrees_that_explain_the_samples(top, lower, explain):
    # Degree 35, the first tried, leaves out 770 waves of 3360 and has 3410 readings more than waves: noise
    # makes the square of what is left 1 + 4.5 sqrt(770) / 3410 = 1.03662 times as large, a root of 1.01814.
    degrees, weaker, _ = gaps._explained(noisy(top, lower, None if explain else 2 * lower), seen())
    assert degrees == (LADDER if explain else [40])
    assert weaker == ([] if explain else [35])


def test_a_degree_that_chance_lets_fail_is_passed_over():
    # As above 1.0366 is the most at 35; at 30, of 1440 waves left out and 4080 readings more, it is
    # 1 + 4.5 sqrt(1440) / 4080 = 1.0419.
    degrees, weaker, _ = gaps._explained(noisy(0.01, 0.0102), seen())
    assert (degrees, weaker) == (LADDER, [])


@pytest.mark.parametrize(("lower", "kept"), [(1.326, 1), (1.327, 0)])
def test_degrees_that_hide_less_than_the_noise_of_their_waves(lower, kept):
    # Degree 35: 2590 waves, 3410 readings more: the square is up to 1 + 2590 / 3410 = 1.75953 times as large.
    # Degree 30, of 1920 waves: 1 + (2590 - 1920 + 1920 - 670) / 4080, far less.
    degrees, weaker, _ = gaps._explained(noisy(0.01, 0.01 * lower), seen())
    assert (degrees, weaker) == ([40], [35][:kept])


@pytest.mark.parametrize(
    ("noise", "gain", "degree"),
    [
        (1.4e-3, 9.9, 35),
        (1.4e-3, 10.1, None),
        (1.6e-3, 9.9, 1),
        (0.029, 1.9, 1),
        (0.031, 1.9, 2),
        (0.031, 2.1, 1),
        (0.031, 9.9, 1),
        (0.031, 10.1, None),
    ],
)
def test_the_degree_that_samples_determine_everywhere(noise, gain, degree, monkeypatch):
    # The highest for noiseless samples; for others the least that explains them, or beside strong noise a
    # step above it where that adds little.
    monkeypatch.setattr(gaps, "noise_over_ideal", lambda *_, **__: gain)
    taken = gaps.smaller_degree(noisy(noise, noise), seen(), None)
    assert taken == ((40, False) if degree is None else (degree, True))


# --- what was seen ------------------------------------------------------------------------------


def test_reach_of_a_sample():
    step = np.pi / 20
    assert not seen(distance=1.45 * step).unseen(20).any()
    assert seen(distance=1.55 * step).unseen(20).all()


def test_rays_that_count_as_seen():
    # A hole at the north pole; rays leave within asin(N / kr) of it, and two steps beyond.
    hole = coverage.Reach(np.array([3.0]), np.ones(1), np.ones(1), np.zeros(1, bool))
    one = coverage.Coverage(np.array([[0.0, 0, 1]]), lambda: hole)
    reach = math.asin(10 / 100)
    theta = reach + np.array([1.9, 2.1]) * np.pi / 10
    assert one.trusted(theta=theta, phi=[0, 0], degree=10, kr=100).tolist() == [False, True]


def test_rim_and_parts_of_a_gap():
    # A gap of theta 60 to 80 deg, whose rim is told of from 0.75 steps on.
    step, theta = np.pi / 20, np.radians(np.arange(40, 101, 0.5))
    for rim, first in ((0.7, 60), (0.8, 52)):
        distance = np.where(np.abs(theta - np.radians(70)) < np.radians(10.1), 3.0, 0.0)
        distance[(theta > np.radians(51.9)) & (theta < np.radians(60))] = rim * step
        ring = unit_vectors(theta, 0 * theta)[0]
        none = np.zeros(theta.size)
        reach = coverage.Reach(distance, none, distance, none.astype(bool))
        one = coverage.Coverage(ring, lambda found=reach: found)
        assert f"theta {first} to 80 deg" in one.describe(20)
    for apart, parts in ((9, 1), (11, 2)):
        both = np.radians([20, 21, 21 + apart, 22 + apart])
        text = coverage._extent(unit_vectors(both, 0 * both)[0])
        assert text.count("theta") == parts


@pytest.mark.parametrize(("turn", "alone"), [(0.8, True), (1.2, False)])
def test_polarisations_a_degree_apart_are_two(turn, alone):
    chi = np.tile(np.radians([0, turn]), 30)
    theta, phi = np.repeat(np.linspace(0.3, 2.8, 30), 2), np.repeat(np.linspace(0, 3, 30), 2)
    assert (polarisations.places(at(theta, phi, chi), PROBE)[2] is not None) == alone
    scan = at(theta, phi, chi)
    if alone:
        with pytest.raises(ValueError, match="second polarisation"):
            check_polarisations(scan, PROBE)
    else:
        check_polarisations(scan, PROBE)


@pytest.mark.parametrize("ordered", [True, False])
def test_values_of_chi_that_a_grid_needs(ordered, rng):
    # (chi / 2)^2 > 1e-4: 1.15 deg.
    grid = gauss_legendre_grid(6, 12)
    for turn, enough in ((1.0, False), (1.3, True)):
        chi, theta, phi = (
            x.ravel() for x in np.meshgrid(np.radians([0, turn]), grid.theta, grid.phi, indexing="ij")
        )
        order = np.arange(chi.size) if ordered else rng.permutation(chi.size)
        scan = at(theta[order], phi[order], chi[order])
        if enough:
            assert recognise_grid(scan).grid.degree == grid.degree
        else:
            with pytest.raises(NotAGridError, match="lack a second polarisation"):
                recognise_grid(scan)


# --- readings -----------------------------------------------------------------------------------


def spikes_in(w, theta=None, phi=None):
    points = equal_area_spiral_for_degree(12)
    theta, phi = (points.theta, points.phi) if theta is None else (theta, phi)
    samples = at(theta, phi, response=w)
    place = suspect_readings.places(*samples.place(0), samples.port)
    return suspect_readings.spikes(place, samples.response[0], samples, 0)[1]


def test_height_of_a_spike():
    w = np.ones(equal_area_spiral_for_degree(12).theta.size)
    for height, told in ((18, []), (22, [70])):
        w[70] = height
        assert spikes_in(w) == told


def test_spikes_that_are_too_weak_to_matter():
    count = equal_area_spiral_for_degree(12).theta.size
    for height, told in ((0.8e-4, []), (1.2e-4, [30])):
        w = np.full(count, 1e-7)
        w[-20:] = 1.0
        w[30] = height
        assert spikes_in(w) == told


def test_neighbours_that_a_spike_needs():
    # Rings of so many samples, 0.1 rad around it, and others far away.
    far = np.linspace(0, 1.5 * np.pi, 60)
    for count, told in ((7, False), (8, True)):
        around = 2 * np.pi * np.arange(count) / count
        theta = np.concatenate([[1.5], 1.5 + 0.1 * np.cos(around), np.full(60, 3.0)])
        phi = np.concatenate([[3.0], 3 + 0.1 * np.sin(around), far])
        w = np.ones(theta.size)
        w[0] = 30
        assert (spikes_in(w, theta, phi) == [0]) == told


def test_distance_of_a_spikes_neighbours():
    # 3 mean distances sqrt(4 pi / M) of M positions.
    reach = 3 * math.sqrt(4 * math.pi / 70)
    around = 2 * np.pi * np.arange(9) / 9
    for part, told in ((0.9, True), (1.15, False)):
        theta = np.concatenate([[np.pi / 2], np.pi / 2 + part * reach * np.cos(around), np.full(60, 3.1)])
        away = np.arctan2(part * reach * np.sin(around), np.sin(theta[1:10]))
        phi = np.concatenate([[3.0], 3 + away, np.linspace(0, 6, 60)])
        w = np.ones(70)
        w[0] = 30
        samples = at(theta, phi, response=w)
        place = suspect_readings.places(*samples.place(0), samples.port)
        assert bool(suspect_readings._over_neighbours(place, w, 0)) == told


def pair(first, second, others=1.0, noise=math.nan):
    theta = np.concatenate([[1.0, 1.0], np.linspace(0.3, 2.9, 400)])
    samples = at(theta, 0.5, response=np.concatenate([[first, second], np.full(400, others)]))
    place = suspect_readings.places(*samples.place(0), samples.port)
    return codes(suspect_readings.contradictions(place, samples.response[0], samples, 0, noise))


def test_rows_that_stand_there_twice_tell_nothing_of_noise():
    # Ten pairs of noise of a tenth, one of them three times the others; and 40 rows that were copied.
    rng = np.random.default_rng(1)
    theta = np.repeat(np.linspace(0.3, 2.9, 50), 2)
    w = np.ones(100, dtype=complex)
    w[:20] += 0.1 * white(rng, 20)
    w[1] = w[0] + 0.3
    samples = at(theta, 0.5, response=w)
    place = suspect_readings.places(*samples.place(0), samples.port)
    assert suspect_readings.contradictions(place, w, samples, 0, math.nan) == []
    w[1] = w[0] + 3
    assert codes(suspect_readings.contradictions(place, w, samples, 0, math.nan)) == [
        ReadingCode.CONTRADICTION
    ]


def test_readings_that_contradict_each_other():
    told = [ReadingCode.CONTRADICTION]
    # By 5 % of the larger, by 1 % of the rms, by 8 deviations of a difference of noise.
    assert (pair(1, 0.96), pair(1, 0.94)) == ([], told)
    assert (pair(0.001, 0.0095), pair(0.001, 0.0125)) == ([], told)
    assert (pair(1, 0.8, noise=0.02), pair(1, 0.75, noise=0.02)) == ([], told)
    # Of several pairs, by 8 times 1.2 times their median difference.
    w = np.ones(20)
    w[1::2] = 1.01
    place = np.repeat(np.linspace(0.5, 2.5, 10), 2)
    for last, bad in ((1.09, []), (1.11, told)):
        w[-1] = last
        samples = at(place, 0.5, response=w)
        where = suspect_readings.places(*samples.place(0), samples.port)
        assert codes(suspect_readings.contradictions(where, samples.response[0], samples, 0, math.nan)) == bad


def test_values_of_chi_that_are_told_apart():
    for count, kinds in ((32, 32), (33, 1)):
        chi = np.repeat(np.pi * np.arange(count) / count, 20)
        theta = np.tile(np.linspace(0.3, 2.8, 20), count)
        samples = at(theta, 0.5, chi)
        assert suspect_readings.places(*samples.place(0), samples.port).kinds == kinds


def judged(wrong, *, residual=0.5, unevenness=9.0, degree=8, noise=0.0, rng=None):
    """Codes of what is said of a scan of random modes, ``wrong`` being done to its readings."""
    rng = np.random.default_rng(3) if rng is None else rng
    scan = spiral(degree)
    q = white(rng, mode_count(degree)) / np.repeat(
        np.arange(1, degree + 1) ** 2, 4 * np.arange(1, degree + 1) + 2
    )
    w = modelled(scan, PROBE, q)
    w = w + noise * np.sqrt(np.mean(np.abs(w) ** 2)) * white(rng, w.size)
    scan = dataclasses.replace(scan, response=wrong(w.copy(), scan.chi > 1)[None])
    method = LeastSquares()
    prepared = solver.prepare(scan, PROBE, degree=degree, method=method)

    (estimate,) = prepared.estimates(scan.response)
    estimate = dataclasses.replace(estimate, residual=residual, unevenness=unevenness)
    modes = prepared.modes(scan.response)
    found = model_agreement.judge(scan, PROBE, modes, [estimate], prepared.roughly)[0]
    return [x for x in codes(found) if x is not ReadingCode.CONTRADICTION]


def times(factor):
    return lambda w, second: np.where(second, factor * w, w)


def test_a_factor_that_the_model_shows():
    told = [ReadingCode.FACTOR_BY_MODEL]
    assert (judged(times(1.045)), judged(times(1.055))) == ([], told)
    # Where there is a misfit, and one that is uneven.
    assert (judged(times(2), residual=0.9e-3), judged(times(2), residual=1.1e-3)) == ([], told)
    assert (judged(times(2), unevenness=3.4), judged(times(2), unevenness=3.6)) == ([], told)


@pytest.mark.parametrize(("part", "told"), [(0.8, []), (1.25, [ReadingCode.STUCK])])
def test_a_run_that_the_model_contradicts(part, told):
    # 20 readings are zero, and all others of magnitude 1 or so.
    w = np.exp(1j * np.arange(200))
    w[:20] = 0
    samples = at(np.linspace(0.1, 3, 200), 0.1, response=w)
    for in_run, elsewhere in ((0.01, 0), (0.25, 0.1)):
        # The model differs by 1 % of the rms reading; or by 2.5 times the median misfit.
        model = w + np.where(np.arange(200) < 20, part * in_run, elsewhere)
        case = SimpleNamespace(
            samples=samples, f=0, where=str, model=lambda _, rows, model=model: model[rows]
        )
        assert codes(model_agreement._stuck(case, None)[0]) == told


@pytest.mark.parametrize(("size", "told"), [(5.5, False), (6.6, True)])
def test_a_factor_at_the_poles_beyond_its_deviations(size, told):
    # 24 readings at a pole of each chi, of which two terms are fitted, with noise of a known level.
    rng = np.random.default_rng(2)
    phi = 2 * np.pi * np.arange(24) / 24
    noise = white(rng, 24)
    clean = np.cos(phi)
    basis = np.exp(1j * np.outer(phi, [-1, 1]))
    noise = noise - basis @ np.linalg.lstsq(basis, noise, rcond=None)[0]
    noise *= 0.2 / np.sqrt(np.sum(np.abs(noise) ** 2) / 22)
    # The deviation of the factor is that of the noise over the root of the power fitted.
    factor = 1 + size * 0.2 / np.sqrt(np.sum(np.abs(clean) ** 2))
    theta, chi = np.zeros(48), np.repeat(CHI, 24)
    second = factor * np.cos(phi + np.pi / 2)
    w = np.concatenate([clean + noise, second])
    samples = at(theta, np.tile(phi, 2), chi, response=w)
    place = suspect_readings.places(*samples.place(0), samples.port)
    found, _ = model_agreement._at_poles(model_agreement._Case(samples, PROBE, 0, place, 1), w)
    assert bool(found) == told


# --- units and the rest -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("field", "value", "code"),
    [
        ("radius", 0.8e-3, UnitCode.SHORT_RADIUS),
        ("radius", 1.2e-3, None),
        ("radius", 180, None),
        ("radius", 220, UnitCode.LONG_RADIUS),
        ("frequency", 0.9e6, UnitCode.FREQUENCY),
        ("frequency", 1.1e6, None),
        ("frequency", 0.9e12, None),
        ("frequency", 1.1e12, UnitCode.FREQUENCY),
    ],
)
def test_lengths_and_frequencies(field, value, code):
    scan = at(np.linspace(0, 3, 20), 0.1)
    shape = scan.radius.shape if field == "radius" else (1,)
    (found,) = suspected_units.suspect_lengths(dataclasses.replace(scan, **{field: np.full(shape, value)}))
    assert codes(found) == ([] if code is None else [code])


@pytest.mark.parametrize(
    ("trp", "eirp", "told"), [(4.8e4, 0.9e6, False), (5.2e4, 1, True), (1, 0.95e6, False), (1, 1.05e6, True)]
)
def test_power_that_no_chamber_bears(trp, eirp, told):
    (found,) = suspected_units.suspect_level(np.array([trp]), np.array([eirp]))
    assert codes(found) == [UnitCode.STRONG] * told


@pytest.mark.parametrize(("share", "told"), [(0.09, False), (0.11, True)])
def test_share_of_waves_too_fine(share, told, monkeypatch):
    # kr = 1: degrees above ceil(1 + 6 + 6) = 13.
    n = np.arange(1, 21)
    power = np.where(n == 14, share, np.where(n == 1, 1 - share, 0)) / (2 * n + 1)
    monkeypatch.setattr(suspected_units, "received_spectrum", lambda *_: power[None])
    scan = at(np.linspace(0, 3, 20), 0.1, radius=1 / (2 * np.pi))
    (found,) = suspected_units.suspect_waves(scan, PROBE, modes_of(np.ones(20)))
    assert codes(found) == [UnitCode.FINE_WAVES] * told


def test_share_of_waves_where_spheres_meet(monkeypatch):
    probe = dataclasses.replace(PROBE, response_unit="sqrt(W)")
    scan, modes = at(np.linspace(0, 3, 20), 0.1, radius=0.5), modes_of(np.ones(9))
    for share, told in (
        (0.028, []),
        (0.032, [SolutionCode.SPHERES_MEET]),
        (0.48, [SolutionCode.SPHERES_MEET]),
    ):
        monkeypatch.setattr(probe_share, "_share_beyond", lambda *_, s=share: s)
        assert codes(probe_share.judge_probe(scan, probe, modes)[0]) == told
    monkeypatch.setattr(probe_share, "_share_beyond", lambda *_: 0.52)
    with pytest.raises(ValueError, match=r"52% of the response at 0\.5 m comes from waves"):
        probe_share.judge_probe(scan, probe, modes)


def test_error_of_an_interpolated_probe(monkeypatch):
    scan = spiral(4, lambda count: np.cos(np.arange(count)) + 2)
    for error, told in ((0.9e-3, False), (1.1e-3, True)):
        monkeypatch.setattr(solver, "at_frequencies", lambda p, _, e=error: (p, np.array([e])))
        found = solve(scan, PROBE, degree=4).warnings[0]
        assert (SolutionCode.PROBE_INTERPOLATED in codes(found)) == told


def test_a_large_residual():
    rng = np.random.default_rng(4)
    scan = spiral(8)
    w = modelled(scan, PROBE, white(rng, mode_count(3)))
    noise = white(rng, w.size) * np.sqrt(np.mean(np.abs(w) ** 2))
    for level in (0.12, 0.2, 0.3):
        samples = dataclasses.replace(scan, response=(w + level * noise)[None])
        found = solve(samples, PROBE, degree=8)
        assert (SolutionCode.LARGE_RESIDUAL in codes(found.warnings[0])) == (found.residual[0] > 0.1)
        assert (found.residual[0] < 0.09) == (level == 0.12)
        assert (0.1 < found.residual[0] < 0.12) == (level == 0.2)


def test_draws_of_noise():
    # A mean known to 10 %, and at most 8 draws of it.
    for scatter, enough in ((0.9, True), (1.1, False)):
        draws = 1 + scatter * 0.1 * np.sqrt(4) * np.array([[1], [-1], [1], [-1]]) * np.sqrt(3 / 4)
        assert solution._settled(draws) == enough
    wild = np.array([[1.0], [9.0]] * 4)
    assert not solution._settled(wild[:7])
    assert solution._settled(wild)
    assert solution._noise_rtol(LeastSquares(rtol=1e-9)) == 1e-6


# --- noise or field -----------------------------------------------------------------------------


def test_contrast_from_which_it_is_a_field():
    def verdict(ratio, deviation, anyone=1.0):
        return Contrast(ratio, deviation, anyone).verdict(fitted=0.0)

    # By 4 standard deviations, and less than 0.9 of noise and of any pairs.
    assert (verdict(0.79, 0.05), verdict(0.81, 0.05)) == ("field", "noise")
    assert (verdict(0.89, 0.01), verdict(0.91, 0.01)) == ("field", "noise")
    assert (verdict(0.5, 0.01, 0.57), verdict(0.5, 0.01, 0.54)) == ("field", "noise")


def test_pairs_that_are_needed():
    for count, known in ((39, False), (40, True)):
        found = contrast(
            np.arange(1.0, 2 * count + 1), Pairs(np.arange(count), np.arange(count, 2 * count)), readings=1
        )
        assert np.isfinite(found.ratio) == known


def looked_at(scan, top, monkeypatch):
    """Arguments (places, farthest) of the two searches for neighbours, and numbers of readings."""
    asked = []

    def neighbours(place, *, farthest):
        asked.append((place, farthest))
        return Pairs(np.zeros(0, int), np.zeros(0, int))

    monkeypatch.setattr(whiteness, "neighbours", neighbours)
    remainder(scan, PROBE, Modes(FREQUENCY, np.zeros((1, 6))), top=top)
    return asked


def test_neighbours_that_are_compared(monkeypatch, rng):
    scan = spiral(30, lambda count: white(rng, count))
    (one, far), (_, near) = looked_at(scan, 30, monkeypatch)
    # In steps pi/N; of one polarisation, where sin(theta) > 0.35.
    assert (far, near) == pytest.approx((1.6 * np.pi / 30, np.pi / 90))
    assert np.hypot(one[:, 0], one[:, 1]).min() == pytest.approx(0.35, abs=0.05)
    assert np.hypot(one[:, 0], one[:, 1]).min() > 0.35
    pairs = whiteness_neighbours(np.array([[0.0], [0.8e-7], [1.0], [1 + 1.2e-7]]), farthest=0.1)
    assert pairs.first.tolist() == [2]


def test_samples_of_which_all_are_looked_at(monkeypatch):
    for count, all_of in ((19_000, True), (21_000, False)):
        theta = np.linspace(0.001, np.pi - 0.001, count)
        ((one, _), _) = looked_at(at(theta, np.arange(count) * 1.0), 100, monkeypatch)
        assert (len(one) > 0.5 * count) == all_of


def test_degree_up_to_which_neighbours_do_not_tell(monkeypatch):
    # A field by neighbours a step apart, and no pairs nearer.
    found = iter([Contrast(0.1, 0.01, 1.0), Contrast(math.nan, math.nan, math.nan)] * 2)
    monkeypatch.setattr(whiteness, "contrast", lambda *_, **__: next(found))
    for top, verdict in ((11, "unknown"), (12, "field")):
        assert remainder(spiral(12), PROBE, Modes(FREQUENCY, np.zeros((1, 6))), top=top).verdict == verdict


def test_a_remainder_of_rounding_is_noise():
    # What is left of the largest response is told as it is; a smooth field of 1e-6 counts as none.
    scan = spiral(24)
    w = modelled(scan, PROBE, modes_of([1.0]).coefficients[0])
    first = modes_of([1.0])
    for part, verdict in ((0.8e-6, "noise"), (1.3e-6, "field")):
        left = dataclasses.replace(scan, response=(w * (1 + part))[None])
        found = remainder(left, PROBE, first, top=24)
        assert found.level == pytest.approx(part, rel=0.02)
        assert found.verdict == verdict


def test_rings_of_a_quadratures_residual(monkeypatch):
    # One in twenty, at least 8 and at most 16.
    from nf2ff.solver import quadrature

    looked = []
    right = quadrature.orders_on_rings

    def counted(*given, theta, **named):
        looked.append(theta.size)
        return right(*given, theta=theta, **named)

    monkeypatch.setattr(quadrature, "orders_on_rings", counted)
    for count, rings in ((7, 7), (100, 8), (240, 12), (400, 16)):
        grid = Grid(ring_angles("gauss-legendre", count), np.arange(4) * np.pi / 2, "gauss-legendre")
        chi, theta, phi = (x.ravel() for x in np.meshgrid(CHI, grid.theta, grid.phi, indexing="ij"))
        solve(at(theta, phi, chi, response=np.cos(theta)), PROBE, degree=1)
        assert looked[-1] == rings


# --- what the model says of readings ------------------------------------------------------------


def by_model(w, left, *, spike=None, second=None, chi=0.0):
    """Codes of `_by_model` where the model leaves ``left`` of the readings, ``spike`` of a single
    reading of 1, and ``second`` of those of the second polarisation."""
    theta = np.linspace(0.1, 3, w.size)
    samples = at(theta, 0.3, chi, response=w)
    place = suspect_readings.places(*samples.place(0), samples.port)
    solved = []

    def again(_, part):
        rest = spike if np.count_nonzero(part) == 1 and spike is not None else second
        solved.append(part - rest)
        return SimpleNamespace(coefficients=solved)

    def model(q, rows):
        return (w - left if q is None else solved.pop())[rows]

    def off(code, _, factor, **figures):
        return code(count=1, one="", other="", level_db=abs(factor), turn_deg=0.0, **figures)

    case = SimpleNamespace(samples=samples, f=0, at=place, where=str, model=model, off=off)
    estimate = Estimate(np.zeros(6), 0.5, 9, True, 9.0)
    notices, factors = model_agreement._by_model(case, None, estimate, again, known=False)
    return codes([*notices, *(notice for _, notice in factors.values())])


@pytest.mark.parametrize(("share", "told"), [(0.045, []), (0.056, [ReadingCode.ALONE])])
def test_share_of_a_misfit_in_one_reading(share, told):
    # A spike spreads over all readings where hardly any is redundant; without it nothing is left.
    left = np.full(100, np.sqrt((1 - share) / 99), dtype=complex)
    left[40] = np.sqrt(share)
    assert by_model(np.ones(100, complex), left, spike=left) == told


@pytest.mark.parametrize(("rest", "told"), [(0.11, []), (0.09, [ReadingCode.ALONE])])
def test_misfit_that_is_left_without_one_reading(rest, told):
    spike = np.zeros(100, dtype=complex)
    spike[40] = 1.0
    left = np.full(100, np.sqrt(rest / 99), dtype=complex)
    left[40] = np.sqrt(1 - rest)
    assert by_model(np.ones(100, complex), left, spike=spike) == told


@pytest.mark.parametrize(("rest", "told"), [(0.15, [ReadingCode.FACTOR_BY_MODEL]), (0.17, [])])
def test_misfit_that_is_left_by_a_factor(rest, told):
    # s of the second, -0.6 s + t of the first, t at right angles to s: (1 - 0.6)^2 |s|^2 + |t|^2 in
    # all, of which |t|^2 is left; half of it where |t|^2 = 0.16 |s|^2 (closed form).
    s = np.ones(100, complex)
    t = np.sqrt(rest) * (-1.0) ** np.arange(100)
    chi = np.repeat(CHI, 50)
    assert by_model(np.ones(100, complex), 0.4 * s + t, second=s, chi=chi) == told


def test_runs_and_number_of_spikes():
    assert suspect_readings.runs(np.array([2.0, 1, 1, 1, 1, 3])) == []
    assert suspect_readings.runs(np.array([2.0, 1, 1, 1, 1, 1, 3])) == [(1, 6)]
    points = equal_area_spiral_for_degree(80)
    for every, least, most in ((100, 50, 50), (300, 26, 32)):
        w = np.ones(points.theta.size)
        w[200:-200:every] = 30  # 95 and 32 of them; where two share a cell, neither stands alone
        assert least <= len(spikes_in(w, points.theta, points.phi)) <= most


# --- polarisations and drift --------------------------------------------------------------------


def both_seen(second):
    """Whether two polarisations are taken for two in the north: 5 deg linear, and ``second`` (orientation
    [deg], handedness) at every other position, in the frame carried along meridians."""
    points = equal_area_spiral_for_degree(20)
    stokes = []
    for i, phi in enumerate(points.phi):
        angle, handed = second if i % 2 else (5.0, 0.0)
        twice, linear = 2 * (np.radians(angle) - phi), math.sqrt(1 - handed**2)
        stokes.append([linear * math.cos(twice), linear * math.sin(twice), handed])
    found = coverage.measure_coverage(
        theta=points.theta, phi=points.phi, degree=10, stokes=np.array(stokes), density=False
    )
    north = found.direction[:, 2] > 0.3
    return bool((found.distance[north] < 0.5).all())


@pytest.mark.parametrize(
    ("second", "two"), [((72, 0), True), ((44, 0), False), ((5, 0.75), True), ((5, 0.65), False)]
)
def test_polarisations_that_are_different(second, two):
    # Three of eight kinds of 22.5 deg apart; or circular, one of them by 0.7.
    assert both_seen(second) == two


@pytest.mark.parametrize(("share", "heard"), [(0.5e-6, False), (2e-6, True)])
def test_port_with_a_null_on_its_axis(share, heard):
    first = PROBE.coefficients[0, 0] / np.linalg.norm(PROBE.coefficients)
    m = np.repeat([-1, 0, 1], 2)
    second = np.sqrt(share) * first + np.sqrt((1 - share) / 2) * (m == 0)
    probe = dataclasses.replace(PROBE, coefficients=np.stack([first, second])[None])
    turn, _ = polarisations.port_polarisations(probe, at(1.0 + np.zeros(3), 0.3))
    assert np.isfinite(turn).tolist() == [True, heard]


@pytest.mark.parametrize(("shared", "settled"), [(0.48, False), (0.52, True)])
def test_drift_that_is_settled(shared, settled):
    # Residuals of one power A and the product B: A - B is left, and A > 2 (A - B) wanted (closed form).
    counts = np.array([50, 50])
    residual = np.zeros((2, 100), complex)
    residual[0, 0], residual[1, :2] = 1, [shared, math.sqrt(1 - shared**2)]
    residual *= np.sqrt(50)
    if settled:
        factor, _ = drift._factor(residual, counts, 10, 1e9)
        assert factor == pytest.approx(-1.0)
    else:
        with pytest.raises(ValueError, match="do not settle level"):
            drift._factor(residual, counts, 10, 1e9)


@pytest.mark.parametrize(("steps", "draws"), [(12, 1), (13, 2)])
def test_steps_from_which_noise_is_drawn_again(steps, draws):
    calls = []

    def estimates(response):
        calls.append(response)
        return [Estimate(np.ones(6, complex), 0.1, steps, True)]

    prepared = SimpleNamespace(method=Direct(), samples=spiral(3), estimates=estimates)
    part = SimpleNamespace(prepared=prepared, frequencies=(0,))
    solution.noise_gain(SimpleNamespace(modes=modes_of([1.0]), parts=(part,)), rng=0)
    assert len(calls) == draws
