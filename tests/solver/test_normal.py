"""Normal equations on a grid, against those of the dense matrix and of the iteration at the samples."""

import dataclasses

import numpy as np
import pytest
from normal_cases import DEGREE, FREQUENCY, RIGHT_ANGLES, random_places, random_probe

from nf2ff.antenna.modes import mode_count
from nf2ff.antenna.points import equal_area_spiral_for_degree
from nf2ff.kernel import spin
from nf2ff.measurement.probe import field_probe
from nf2ff.measurement.samples import Samples
from nf2ff.solver import direct, methods, normal
from nf2ff.solver.normal import NormalOperator, grid_fields
from nf2ff.solver.positions import plan_geometry
from nf2ff.solver.problem import LeastSquares
from nf2ff.solver.solve import prepare, solve
from nf2ff.solver.transmission import TransmissionOperator


@pytest.mark.parametrize("chi", [None, RIGHT_ANGLES, (0.0, 0.3, 2.0)])
@pytest.mark.parametrize(("top", "ports"), [(1, 1), (1, 2), (2, 2)])
def test_against_the_dense_matrix(top, ports, chi, rng, monkeypatch):
    monkeypatch.setattr(normal, "MAX_FIELDS", 20)
    samples, probe = random_places(rng, chi=chi, ports=ports), random_probe(top, ports, rng)
    geometry = plan_geometry(samples)
    operator = TransmissionOperator(geometry, probe, FREQUENCY, DEGREE, 1e-13)
    weights = rng.uniform(0.5, 1.5, samples.theta.size)
    matrix = direct.dense_matrix(geometry, probe, frequency=FREQUENCY, degree=DEGREE)
    damping = 0.1
    response = rng.normal(size=(samples.theta.size, 2)) @ [1, 1j]
    # (T^H A^H W A T + damping^2) x = T^H A^H W w, T from x to the modes.
    t = np.stack([operator.to_modes_adjoint(e) for e in np.eye(mode_count(DEGREE))]).reshape(
        mode_count(DEGREE), -1
    )
    images = matrix @ t.conj()
    normal_matrix = images.conj().T @ (weights[:, None] * images)
    right = images.conj().T @ (weights * response)
    # Entries that are no wave's are zero: their rows and columns are.
    wanted = np.linalg.solve(normal_matrix + damping**2 * np.eye(len(right)), right)
    fields = grid_fields(operator, weights)
    found = NormalOperator(operator, fields).solve(
        right.reshape(2, 2, -1), target=1e-13 * np.linalg.norm(right), most=500, damping=damping
    )
    # The condition is the largest eigenvalue over 0.01.
    condition = np.linalg.norm(normal_matrix, 2) / damping**2
    gap = np.linalg.norm(found.x.ravel() - wanted) / np.linalg.norm(wanted)
    assert gap < 1e-13 * condition


def test_it_takes_the_steps_of_the_iteration_at_the_samples(rng):
    probe = field_probe()
    points = equal_area_spiral_for_degree(12)
    none = np.zeros((1, 2 * points.count))
    chi = np.repeat(RIGHT_ANGLES, points.count)
    samples = Samples([FREQUENCY], np.tile(points.theta, 2), np.tile(points.phi, 2), chi, 4.0, 1, none)
    prepared = prepare(samples, probe, degree=12, method=LeastSquares())
    operator, weights = prepared.iteration(0)
    response = rng.normal(size=(samples.theta.size, 2)) @ [1, 1j]
    options = {"weights": weights, "rtol": 5e-10, "max_iterations": 100, "damping": 0.0}
    slow, x = methods.by_conjugate_gradients(operator, response, **options)
    fast, y = methods.by_conjugate_gradients(operator, response, fields=prepared.fields(0), **options)
    assert fast.iterations == slow.iterations
    assert fast.residual == pytest.approx(slow.residual, rel=1e-9)
    # Both stop at that part of the gradient; the condition is below 2.
    assert np.linalg.norm(x - y) < 2e-9 * np.linalg.norm(x)
    unjudged, z = methods.by_conjugate_gradients(
        operator, response, fields=prepared.fields(0), judged=False, **options
    )
    np.testing.assert_array_equal(y, z)
    assert np.isnan(unjudged.residual)


def test_where_the_grid_does_not_pay(rng):
    samples = random_places(rng)
    weights = np.ones(samples.theta.size)
    for probe, radius in (
        (field_probe(), rng.uniform(1.9, 2.1, weights.size)),
        (random_probe(4, 1, rng), 2.0),
    ):
        moved = dataclasses.replace(samples, radius=np.broadcast_to(radius, weights.shape))
        operator = TransmissionOperator(plan_geometry(moved), probe, FREQUENCY, DEGREE, 1e-10)
        assert grid_fields(operator, weights) is None


@pytest.mark.parametrize("threads", [1, 2, 3])
@pytest.mark.parametrize("missing", [False, True])
def test_frequencies_are_the_same_alone_and_together(threads, missing, rng):
    samples = random_places(rng, 200, chi=RIGHT_ANGLES)
    frequency = FREQUENCY * (1 + 0.01 * np.arange(5))
    response = rng.normal(size=(5, samples.theta.size, 2)) @ [1, 1j]
    if missing:
        response[2, 17] = np.nan
    many = dataclasses.replace(samples, frequency=frequency, response=response, response_unit="V/m")
    method = LeastSquares(threads=threads)
    together = solve(many, field_probe(), degree=6, method=method)
    for f in range(5):
        alone = solve(many.at_frequency(f), field_probe(), degree=6, method=LeastSquares(threads=1))
        np.testing.assert_array_equal(alone.modes.coefficients[0], together.modes.coefficients[f])
        assert alone.residual[0] == together.residual[f]


def test_frequencies_side_by_side_on_several_threads_each(rng):
    # Two beside the first one, each on two threads: jobs that call for as many others as there are of them.
    points = equal_area_spiral_for_degree(6)
    response = rng.normal(size=(3, 2 * points.count, 2)) @ [1, 1j]
    theta, phi = np.tile(points.theta, 2), np.tile(points.phi, 2)
    chi, frequency = np.repeat(RIGHT_ANGLES, points.count), FREQUENCY * np.array([1, 1.01, 1.02])
    samples = Samples(frequency, theta, phi, chi, 4.0, 1, response)
    found, wanted = (
        solve(samples, field_probe(), degree=6, method=LeastSquares(threads=threads)).modes.coefficients
        for threads in (4, 1)
    )
    # What the rule to stop by leaves, times the condition of Q.
    assert np.linalg.norm(found - wanted) < 1e-8 * np.linalg.norm(wanted)


def test_no_part_of_a_map_is_lost(rng):
    packed = rng.normal(size=(2, 2, spin.packed_numbers(7)[1].size, 2)) @ [1, 1j]
    packed[:, :, 0] = packed[1, :, :8] = 0
    again = spin.join(*spin.split(packed, 1), 1, 7, 1)
    np.testing.assert_allclose(again, packed, atol=1e-15)
