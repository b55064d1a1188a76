"""Parts of the search without a phase reference, each against a slow or other way."""

from dataclasses import replace

import numpy as np
import pytest
from phaseless_cases import DEGREE, cluster, grid_positions, phaseless_scan
from scipy.integrate import quad
from scipy.special import logsumexp

from nf2ff.antenna.modes import mode_count
from nf2ff.measurement.probe import field_probe
from nf2ff.solver.phaseless import projection
from nf2ff.solver.phaseless.certificate import certify, realisations
from nf2ff.solver.phaseless.likelihood import Readings, deviance, groups_of, most_likely
from nf2ff.solver.phaseless.projection import (
    DenseRange,
    PointRange,
    RingRange,
    _dense_range,
    _point_range,
    range_of,
)
from nf2ff.solver.phaseless.search import Task
from nf2ff.solver.transmission import modelled

SPHERES = (1.4, 2.0, 3.4)


def complex_normal(rng, size):
    return rng.standard_normal(size) + 1j * rng.standard_normal(size)


def random_modes(rng, degree=DEGREE):
    return complex_normal(rng, mode_count(degree))


@pytest.fixture(scope="module")
def grid():
    """Positions of three spheres on grids, shuffled."""
    samples, *_ = phaseless_scan(cluster(0), grid_positions(SPHERES), "positions")
    order = np.random.default_rng(7).permutation(samples.port.size)
    place = {name: getattr(samples, name)[order] for name in ("theta", "phi", "chi", "radius", "port")}
    return replace(samples, response=samples.response[:, order], coherence=samples.coherence[order], **place)


@pytest.mark.parametrize("dipole", [False, True])
@pytest.mark.parametrize("make", [range_of, _point_range, _dense_range])
def test_a_range_holds_what_antennas_make(make, dipole, grid, dipole_probe):
    # Against the transmission operator with all orders of the probe, which no range shares its sums with.
    rng = np.random.default_rng(3)
    probe = dipole_probe() if dipole else field_probe()
    one = make(grid, probe, DEGREE)
    kinds = {range_of: RingRange, _point_range: PointRange, _dense_range: DenseRange}
    assert isinstance(one, kinds[make])
    q = random_modes(rng)
    exact = modelled(grid, probe, q)[one.order] * one.scale
    size = np.linalg.norm(exact)
    # Tolerance of the products at points: 1e-9.
    near = one.forward(one.from_modes(q))
    assert np.linalg.norm(near - exact) < 3e-9 * size
    np.testing.assert_allclose(one.to_modes(one.from_modes(q)), q, rtol=0, atol=1e-7 * np.linalg.norm(q))
    # <A x, y> = <x, A^H y>.
    w = complex_normal(rng, exact.size)
    z = one.from_modes(random_modes(rng))
    assert abs(np.vdot(one.forward(z), w) - np.vdot(z, one.adjoint(w))) < 1e-8 * size * np.linalg.norm(w)
    assert one.unknowns == mode_count(DEGREE)


def test_both_ranges_project_alike(grid):
    rng = np.random.default_rng(4)
    rings, points = range_of(grid, field_probe(), DEGREE), _point_range(grid, field_probe(), DEGREE)
    w = complex_normal(rng, grid.port.size)
    near, _ = rings.project(w[rings.order] * rings.scale, None)
    other, z = points.project(w[points.order] * points.scale, None)
    for _ in range(12):
        other, z = points.project(w[points.order] * points.scale, z)
    at, there = np.empty_like(w), np.empty_like(w)
    at[rings.order], there[points.order] = near, other
    # Conjugate gradients on a matrix of condition 10 or so, 24 steps and more: 1e-6.
    assert np.linalg.norm(at - there) < 1e-5 * np.linalg.norm(at)
    # A projection: what it leaves is orthogonal to the range, and twice is once.
    again, _ = rings.project(near, None)
    np.testing.assert_allclose(again, near, rtol=0, atol=1e-12 * np.linalg.norm(near))
    dense = _dense_range(grid, field_probe(), DEGREE)
    at[rings.order] = near
    other, _ = dense.project(w * dense.scale, None)
    np.testing.assert_allclose(other, at, rtol=0, atol=1e-11 * np.linalg.norm(near))
    single, _ = rings.rough().project((w[rings.order] * rings.scale).astype(np.complex64), None)
    assert np.linalg.norm(single - near) < 1e-5 * np.linalg.norm(near)


def test_a_ring_lacking_a_position_is_no_ring(grid, monkeypatch):
    some = grid.part([0], np.arange(grid.port.size) != 11)
    assert isinstance(range_of(some, field_probe(), DEGREE), DenseRange)
    monkeypatch.setattr(projection, "_DENSE", 1000)
    assert isinstance(range_of(some, field_probe(), DEGREE), PointRange)


class TestLikelihood:
    """Readings of groups of one, two and five."""

    coherence = np.array([4, 9, 9, 2, 2, 2, 2, 2, 1])

    def readings(self, rng, weight=1.0):
        y = complex_normal(rng, 9)
        return Readings(y, groups_of(self.coherence), np.full(9, weight))

    def test_it_is_that_of_an_unknown_phase(self):
        rng = np.random.default_rng(0)
        readings, variance = self.readings(rng), 0.7
        w = complex_normal(rng, 9)
        # Brute force: the Gaussian density of each group, averaged over its phase.
        total = 0.0
        for group in np.unique(self.coherence):
            own = self.coherence == group
            y, x = readings.y[own], w[own]
            turn = np.exp(1j * np.linspace(0, 2 * np.pi, 400, endpoint=False))
            square = np.sum(np.abs(y - turn[:, None] * x) ** 2, axis=1) / variance
            total += logsumexp(-square) - np.log(turn.size)
        # The trapezoidal rule is exact here but for rounding.
        assert deviance(readings, w, variance) == pytest.approx(-2 * total, rel=1e-12)

    def test_its_gradient_is_what_readings_with_phases_lack(self):
        rng = np.random.default_rng(1)
        readings, variance = self.readings(rng, 1.3), 0.4
        w, step = (complex_normal(rng, 9) for _ in range(2))
        lack = readings.weight / variance * (readings.completed(w, variance) - w)
        slope = -4 * np.vdot(lack, step).real
        h = 1e-6
        rise = deviance(readings, w + h * step, variance) - deviance(readings, w - h * step, variance)
        # Central differences: h^2 of the third derivative, and rounding 1e-16 / h.
        assert rise / (2 * h) == pytest.approx(slope, rel=1e-7)

    def test_nearest_readings(self):
        rng = np.random.default_rng(2)
        readings = self.readings(rng)
        w = complex_normal(rng, 9)
        near = readings.nearest(w)
        for group in np.unique(self.coherence):
            own = self.coherence == group
            turn = np.exp(1j * np.linspace(0, 2 * np.pi, 100_000))
            cross = np.abs(np.vdot(readings.y[own], w[own]))
            least = np.sum(np.abs(readings.y[own]) ** 2 + np.abs(w[own]) ** 2) - 2 * cross
            assert np.linalg.norm(near[own] - w[own]) ** 2 == pytest.approx(least, rel=1e-12)
            tried = turn[::1000, None] * readings.y[own]
            assert np.linalg.norm(tried - w[own], axis=1).min() >= np.linalg.norm(near[own] - w[own])
        out = np.arange(9) == 3
        held = readings.without(out).nearest(w)
        assert held[3] == w[3]
        # Within the band nothing is changed, beyond it all but the band.
        band = np.full(4, 0.1)
        far = np.sqrt(readings.groups.sums(np.abs(readings.nearest(w, band) - w) ** 2))
        exact = np.sqrt(readings.groups.sums(np.abs(near - w) ** 2))
        np.testing.assert_allclose(far, np.maximum(exact - 0.1, 0), atol=1e-12)
        alone = Readings(readings.y, groups_of(np.arange(9)), readings.weight)
        exact = np.abs(np.abs(w) - np.abs(readings.y))
        np.testing.assert_allclose(np.abs(alone.nearest(w) - w), exact, atol=1e-12)
        np.testing.assert_allclose(
            np.abs(alone.nearest(w, np.full(9, 0.1)) - w), np.maximum(exact - 0.1, 0), atol=1e-12
        )

    @pytest.mark.parametrize("amplitude", [0.0, 0.7, 5.0])
    def test_the_misfit_expected_is_the_mean_of_many(self, amplitude):
        rng = np.random.default_rng(5)
        draws, variance = 20_000, 0.3
        w = amplitude * np.exp(2j * np.pi * rng.random(9))
        noise = rng.standard_normal(size=(2, draws, 9))
        y = w + np.sqrt(variance / 2) * (noise[0] + 1j * noise[1])
        groups = groups_of(self.coherence)
        found = np.array([2 * Readings(one, groups, np.ones(9)).misfit(w) / variance for one in y])
        expected = Readings(y[0], groups, np.ones(9)).expected(w, variance)
        # Five standard errors of the mean.
        error = found.std(axis=0) / draws**0.5
        assert np.all(np.abs(found.mean(axis=0) - expected) < 5 * error)

    def test_one_reading_is_rices(self):
        # Density of the amplitude a about s: 2 a / v exp(-(a^2 + s^2) / v) I0(2 a s / v): its integral is 1.
        readings = Readings(np.array([1.0 + 0j]), groups_of(np.array([0])), np.ones(1))
        v, s = 0.5, 1.2

        def density(a):
            return (
                2 * a / v * np.exp(-0.5 * deviance(replace(readings, y=np.array([a + 0j])), np.array([s]), v))
            )

        assert quad(density, 0, 20)[0] == pytest.approx(1, rel=1e-9)


def test_predicted_errors_are_those_of_many_scans():
    samples, true, noise = phaseless_scan(cluster(4), grid_positions((1.4, 3.4)), "positions")
    one = range_of(samples, field_probe(), DEGREE)
    exact = true.response[0][one.order] * one.scale
    z = one.adjoint(exact)
    groups = groups_of(samples.coherence[one.order])
    rng = np.random.default_rng(0)
    q = one.to_modes(z)

    def task(y):
        return Task(one, one.rough(), Readings(y, groups, one.scale**-2), noise**2)

    def off(found):
        c = np.vdot(found, q)
        return np.linalg.norm(found * c / abs(c) - q) ** 2

    squares = []
    for _ in range(12):
        pair = rng.standard_normal((2, exact.size))
        y = exact + noise / np.sqrt(2) * one.scale * (pair[0] + 1j * pair[1])
        one_task = task(y)
        fit = most_likely(one, one_task.readings, z, noise**2)
        squares.append(off(one.to_modes(fit.z)))
    predicted = [off(x) for x in realisations(task(exact), replace(fit, z=z, w=exact), rng)]
    # Each is a sum of some tens of squares that matter: 12 and 24 of them are known to 15 % and 10 %.
    assert np.mean(squares) == pytest.approx(np.mean(predicted), rel=0.5)


@pytest.fixture(scope="module")
def task():
    """A scan of coherent cuts, and coordinates of the truth."""
    samples, true, noise = phaseless_scan(cluster(2), grid_positions((1.4,)), "cuts", seed=2)
    one = range_of(samples, field_probe(), DEGREE)
    readings = Readings(
        samples.response[0][one.order] * one.scale,
        groups_of(samples.coherence[one.order]),
        one.scale**-2,
    )
    start = one.adjoint(true.response[0][one.order] * one.scale)
    return Task(one, one.rough(), readings, noise**2), start


class TestVerdicts:
    """Certificates of ends of starts that are made up."""

    def verdict(self, task, rises, moves, *, factor=1.0):
        task, start = task
        task = replace(task, variance=task.variance * factor)
        best = task.finish(start)
        rng = np.random.default_rng(0)
        away = complex_normal(rng, start.size) * np.linalg.norm(start) / start.size**0.5
        ends = [
            replace(best, z=best.z + move * away, deviance=best.deviance + rise)
            for rise, move in zip(rises, moves, strict=True)
        ]
        none = np.zeros(best.w.size, dtype=bool)
        given = {"kept_out": none, "held_out": ends[0], "noise_known": True, "unit": 1.0, "remedies": ()}
        given["parts"] = {"sphere": none.astype(int)}
        return certify(task, best, ends, rng=rng, **given)[0]

    def test_two_starts_in_one_minimum(self, task):
        one = self.verdict(task, [0, 1, 400], [0, 0, 0.5])
        assert (one.verdict, one.agreeing, one.gap) == ("certified", 2, 400)
        # None is held out here.
        assert "; too few readings were held out to tell; " in one.sentence()
        assert "held out agree" not in one.sentence()

    def test_two_starts_in_minima_close_by(self, task):
        one = self.verdict(task, [0, 8], [0, 0])
        assert one.verdict == "ambiguous"
        assert "1 of 2 starts ended in the lowest of several minima" in one.sentence()
        # Half of five are three.
        one = self.verdict(task, [0, 1, 8, 9, 10], [0] * 5)
        assert "2 of 5 starts ended in the lowest" in one.sentence()
        assert self.verdict(task, [0, 1, 2, 9, 10], [0] * 5).certified

    def test_another_antenna_that_is_as_likely(self, task):
        one = self.verdict(task, [0, 0.5, 4], [0, 0, 0.5])
        assert one.verdict == "ambiguous"
        assert "1 of 3 starts found another antenna that explains the readings as well, -" in one.sentence()

    def test_one_start_alone(self, task):
        one = self.verdict(task, [0, 400], [0, 0.5])
        assert one.verdict == "ambiguous"
        assert "1 of 2 starts found the best antenna, fewer than 2" in one.sentence()
        assert "use more starts" in one.sentence()

    def test_noise_that_hides_it(self, task):
        # 40 dB more noise than there is would be too much, and its misfit is small.
        one = self.verdict(task, [0, 1], [0, 0], factor=1e4)
        assert one.verdict == "ambiguous"
        assert "too much to be certified" in one.sentence()
        assert one.error > 10 ** (-20 / 20)
