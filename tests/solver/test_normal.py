"""Normal equations on a grid, against those of the dense matrix and of the iteration at the samples."""

import dataclasses

import numpy as np
import pytest
from normal_cases import DEGREE, FREQUENCY, RIGHT_ANGLES, random_places, random_probe

from nf2ff.antenna.modes import mode_count
from nf2ff.antenna.points import equal_area_spiral_for_degree
from nf2ff.kernel import circular, fine_grid, spin
from nf2ff.measurement.probe import field_probe
from nf2ff.measurement.samples import Samples
from nf2ff.solver import direct, methods, normal, normal_fields
from nf2ff.solver.normal import NormalOperator
from nf2ff.solver.normal_fields import grid_fields
from nf2ff.solver.positions import plan_geometry
from nf2ff.solver.solve import prepare, solve
from nf2ff.solver.strategy import LeastSquares
from nf2ff.solver.transmission import TransmissionOperator


@pytest.mark.parametrize("chi", [None, RIGHT_ANGLES, (0.0, 0.3, 2.0)])
@pytest.mark.parametrize(("top", "ports"), [(1, 1), (1, 2), (2, 2)])
def test_against_the_dense_matrix(top, ports, chi, rng, monkeypatch):
    monkeypatch.setattr(normal_fields, "MAX_FIELDS", 20)
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


@pytest.mark.parametrize("noise", [0.0, 1e-3, 1.0])
@pytest.mark.parametrize("where", ["spiral", "jittered", "no pole"])
@pytest.mark.parametrize("by_matrices", [True, False])
def test_products_of_low_orders_lose_nothing(by_matrices, where, noise, rng, monkeypatch):
    if not by_matrices:
        monkeypatch.setattr(circular, "MAX_DEGREE", 0)
    degree = 40
    points, step = equal_area_spiral_for_degree(degree), np.pi / degree
    theta, phi = points.theta, points.phi
    if where == "jittered":
        theta = np.clip(theta + 0.1 * step * rng.normal(size=theta.size), 0, np.pi)
    damping = 0.1 if where == "no pole" else 0.0
    if damping:
        theta, phi = (x[points.theta > 3 * step] for x in (theta, phi))
    chi = np.repeat(RIGHT_ANGLES, theta.size)
    none = np.zeros((1, chi.size))
    samples = Samples([FREQUENCY], np.tile(theta, 2), np.tile(phi, 2), chi, 9.0, 1, none)
    prepared = prepare(samples, field_probe(), degree=degree, method=LeastSquares(threads=1))
    operator, weights = prepared.iteration(0)
    response = noise * (rng.normal(size=(chi.size, 2)) @ [1, 1j])
    if noise < 1:
        antenna = rng.normal(size=(2, 2, spin.packed_numbers(degree)[1].size, 2)) @ [1, 1j]
        antenna *= spin.packed_numbers(degree)[0] < 5
        spin.clear_below(antenna, 1)
        antenna[1, :, : degree + 1] = 0
        response = response + operator.forward(antenna)
    right, columns = operator.adjoint(weights * response), []
    grid = circular if by_matrices else fine_grid
    whole = grid.weighted_product

    def counted(first, fields, **options):
        columns.append(len(fields) if by_matrices else fields[0, 0].shape[1])
        return whole(first, fields, **options)

    looked, look = [], normal._Levels.beyond
    solver, target = NormalOperator(operator, prepared.fields(0)), 5e-10 * np.linalg.norm(right)
    with monkeypatch.context() as patch:
        patch.setattr(grid, "weighted_product", counted)
        patch.setattr(normal._Levels, "beyond", lambda self, x: looked.append(1) or look(self, x))
        found = solver.solve(right, target=target, most=300, damping=damping)
    # Where they serve: on a spiral only the poles are uneven.
    assert (min(columns) < columns[0] / 2) == (where == "spiral")
    # Nothing is asked of the orders, twice a step, where steps are slow.
    assert where != "no pole" or len(looked) < len(columns) / 2
    left = right - solver.product(found.x) - damping**2 * found.x
    # What one product may be wrong by, the target being five times that; in many steps
    # as much several times.
    assert np.linalg.norm(left - found.gradient) < (1 if damping else 0.2) * target


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
