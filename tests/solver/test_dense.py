"""The dense factorisation, against the dense matrix of the formula, and where the iteration stalls."""

import dataclasses

import numpy as np
import pytest
from normal_cases import DEGREE, FREQUENCY, RIGHT_ANGLES, random_places, random_probe

from nf2ff.antenna.modes import mode_count
from nf2ff.kernel import spin
from nf2ff.measurement.probe import field_probe
from nf2ff.solver import dense, direct, methods, problem
from nf2ff.solver.normal_fields import grid_fields
from nf2ff.solver.positions import plan_geometry
from nf2ff.solver.solve import prepare, solve
from nf2ff.solver.strategy import LeastSquares
from nf2ff.solver.transmission import TransmissionOperator


@pytest.mark.parametrize("varied", [False, True])
@pytest.mark.parametrize("chi", [None, RIGHT_ANGLES])
@pytest.mark.parametrize(("top", "ports"), [(1, 1), (2, 2)])
def test_solution_of_the_dense_matrix(top, ports, chi, varied, rng, monkeypatch):
    monkeypatch.setattr(dense, "BLOCK", 60_000)
    samples, probe = random_places(rng, 150, chi=chi, ports=ports), random_probe(top, ports, rng)
    if varied:
        radius = np.tile(rng.uniform(1.8, 2.2, 150), samples.theta.size // 150)
        samples = dataclasses.replace(samples, radius=radius)
    geometry = plan_geometry(samples)
    operator = TransmissionOperator(geometry, probe, FREQUENCY, DEGREE, 1e-10, 2)
    weights = rng.uniform(0.5, 1.5, samples.theta.size)
    response = rng.normal(size=(samples.theta.size, 2)) @ [1, 1j]
    factor = dense.factorise(operator, weights, damping=0.0, fields=grid_fields(operator, weights))
    found = methods.by_factor(factor, response, iterations=7)
    matrix = direct.dense_matrix(geometry, probe, frequency=FREQUENCY, degree=DEGREE)
    root = np.sqrt(weights)
    wanted = np.linalg.lstsq(root[:, None] * matrix, root * response)[0]
    # Transforms to 3e-13, times the condition of the samples, below 100 here.
    assert np.linalg.norm(found.coefficients - wanted) < 1e-10 * np.linalg.norm(wanted)
    rest = np.linalg.norm(response - matrix @ found.coefficients) / np.linalg.norm(response)
    assert found.residual == pytest.approx(rest, rel=1e-9)
    assert (found.converged, found.factorised, found.iterations) == (True, True, 7)


def test_waves_that_samples_do_not_determine_are_not_factorised(rng):
    samples = random_places(rng, 20)  # for 70 waves
    operator = TransmissionOperator(plan_geometry(samples), field_probe(), FREQUENCY, DEGREE, 1e-10)
    assert dense.factorise(operator, np.ones(20), damping=0.0, fields=None) is None
    # Damping determines all of them.
    factor = dense.factorise(operator, np.ones(20), damping=0.1, fields=None)
    assert factor.solve(rng.normal(size=20) + 0j)[2]


def test_not_so_many_waves(rng, monkeypatch):
    monkeypatch.setattr(dense, "MOST_MODES", mode_count(DEGREE) - 1)
    samples = random_places(rng)
    operator = TransmissionOperator(plan_geometry(samples), field_probe(), FREQUENCY, DEGREE, 1e-10)
    assert dense.factorise(operator, np.ones(samples.theta.size), damping=0.0, fields=None) is None


def stalled(rng, degree=14, strong=30.0):
    """Waves that a probe of strong even orders received at two values of chi, and their modes."""
    probe = random_probe(4, 1, rng)
    m = np.concatenate([np.repeat(np.arange(-n, n + 1), 2) for n in range(1, 5)])
    coefficients = np.where(m % 2 == 0, strong, 1.0) * probe.coefficients
    probe = dataclasses.replace(probe, coefficients=coefficients)
    samples = dataclasses.replace(random_places(rng, 2 * degree**2, chi=RIGHT_ANGLES), radius=6.0)
    q = rng.normal(size=(mode_count(degree), 2)) @ [1, 1j]
    operator = TransmissionOperator(plan_geometry(samples), probe, FREQUENCY, degree, 1e-13)
    response = operator.forward(operator.from_modes(q))
    return dataclasses.replace(samples, response=response[None]), probe, q


@pytest.mark.slow
def test_where_the_iteration_stalls(rng):
    samples, probe, q = stalled(rng)
    solution = solve(samples, probe, degree=14)
    assert solution.iterations[0] == problem.STALLED
    assert solution.status == (
        "least squares by conjugate gradients, which stalled; by a dense factorisation instead"
    )
    # A closed form: the modes that were put in.
    assert np.linalg.norm(solution.modes.coefficients[0] - q) < 1e-9 * np.linalg.norm(q)
    # Asked for less it is left as it was.
    few = solve(samples, probe, degree=14, method=LeastSquares(max_iterations=50))
    assert few.status.endswith("stopped before convergence")


def test_the_factor_serves_many_responses(rng, monkeypatch):
    calls = []
    real = problem.factorise
    monkeypatch.setattr(problem, "factorise", lambda *a, **b: calls.append(1) or real(*a, **b))
    monkeypatch.setattr(problem, "STALLED", 2)
    samples = dataclasses.replace(random_places(rng, 200, chi=RIGHT_ANGLES), response_unit="V/m")
    prepared = prepare(samples, field_probe(), degree=6, method=LeastSquares(max_iterations=2))
    for _ in range(3):
        response = rng.normal(size=(1, samples.theta.size, 2)) @ [1, 1j]
        (found,) = prepared.estimates(response)
        assert found.factorised
        assert found.converged
    assert len(calls) == 1


def test_each_wave_has_one_column():
    waves = np.flatnonzero(spin.pack(np.ones((2, 35), dtype=complex)))
    assert waves.size == mode_count(5)
