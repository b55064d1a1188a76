"""Quadrature, least squares and the dense solution, against each other."""

import functools

import numpy as np
import oracle
import pytest
from solve_cases import (
    FREQUENCY,
    PROBE,
    PROMISED,
    changed,
    cluster,
    far_field_error,
    grid_samples,
    random_samples,
    relative,
    respond,
)

from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.antenna.grids import equiangular_grid
from nf2ff.antenna.modes import mode_index
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.measurement.simulated import simulate
from nf2ff.messages.solution import SolutionCode
from nf2ff.solver import direct, gaps, methods
from nf2ff.solver.positions import plan_geometry
from nf2ff.solver.problem import Problem
from nf2ff.solver.solve import solve
from nf2ff.solver.strategy import Direct, LeastSquares, Quadrature
from nf2ff.solver.transmission import TransmissionOperator


@functools.cache
def two_port_probe():
    """Two ports of different electric and magnetic dipoles, axial ones too (mu = 0)."""
    r = np.random.default_rng(8).normal(size=(2, 2, 6))
    return Probe(None, (r[0] + 1j * r[1])[None], "sqrt(W)")


def test_three_methods_agree_on_a_grid():
    antenna = cluster(3)
    samples = grid_samples(antenna, 7, 1.6)
    # The data hold more than degree 5, so that each method's way of leaving it out may show:
    # on a Clenshaw-Curtis grid of degree 7 that is 1e-3 of the field. Degree 7 is the same for all.
    exact = respond(samples, PROBE, solve(samples, PROBE, degree=6).modes.coefficients[0], 6)
    by = {
        type(m).__name__: solve(exact, PROBE, degree=6, method=m)
        for m in (Quadrature(), Direct(), LeastSquares(rtol=1e-13), LeastSquares())
    }
    reference = by["Quadrature"].modes.coefficients
    assert relative(by["Direct"].modes.coefficients, reference) < 1e-12
    assert relative(by["LeastSquares"].modes.coefficients, reference) < 1e-8
    tight = solve(exact, PROBE, degree=6, method=LeastSquares(rtol=1e-13))
    assert relative(tight.modes.coefficients, reference) < 1e-11
    assert by["Quadrature"].status.startswith("quadrature on a clenshaw-curtis grid of 9 x 15")
    assert by["Direct"].status == "dense least squares"
    assert by["LeastSquares"].status == "least squares by conjugate gradients"
    assert by["Quadrature"].iterations.tolist() == by["Direct"].iterations.tolist() == [0]
    assert 1 <= tight.iterations[0] <= 40
    for solution in by.values():
        assert solution.residual.shape == solution.tail_db.shape == (1,)
        assert solution.residual[0] < 1e-8


@pytest.mark.slow
@pytest.mark.parametrize("ports", [1, 2])
@pytest.mark.parametrize("radius", [(1.8, 1.8), (1.5, 2.1)])
def test_least_squares_on_any_set(ports, radius, rng, random_q):
    # Random places and chi: iteration and dense matrix find the modes, and no grid is seen.
    degree = 5
    probe = PROBE if ports == 1 else two_port_probe()
    samples = random_samples(rng, 200, radius, ports)
    q = random_q(degree)
    samples = respond(samples, probe, q, degree)
    direct = solve(samples, probe, degree=degree, method=Direct())
    assert relative(direct.modes.coefficients[0], q) < 1e-11
    assert direct.residual[0] < 1e-12
    for method in (None, LeastSquares(rtol=1e-12)):
        solution = solve(samples, probe, degree=degree, method=method)
        assert solution.status == "least squares by conjugate gradients"
        error = relative(solution.modes.coefficients[0], q)
        # Gradient down by rtol; what is left of x is at most the condition times that.
        assert error < (1e-6 if method is None else 1e-9)
        assert solution.residual[0] < error
    assert solution.modes.reference == "absolute"


@pytest.mark.parametrize("method", [None, Quadrature(), LeastSquares(rtol=1e-12), Direct()])
def test_second_port_of_a_probe(method):
    # All samples at port 2, whose reading is twice that of port 1 turned by 90 deg.
    r = np.zeros((1, 2, 6), dtype=complex)
    r[0, 0] = PROBE.coefficients[0, 0]
    for m in (-1, 1):
        at = mode_index(s=2, m=m, n=1)
        r[0, 1, at] = 2 * 1j * m * r[0, 0, at]
    probe = Probe(None, r, "V/m")
    antenna = DipoleCluster([[0.2, -0.1, 0.1]], [[1, 2j, 0.5]])
    samples = grid_samples(antenna, 14, 1.5)
    # Turned by 90 deg the probe reads at chi what the first does at chi + 90 deg.
    second = changed(samples, port=2, chi=samples.chi - np.pi / 2, response=2 * samples.response)
    degree = 12 if method != Direct() else 8
    solution = solve(second, probe, degree=degree, method=method)
    assert far_field_error(solution.modes, antenna) < (1e-7 if degree == 12 else 1e-3)


@pytest.mark.parametrize("method", [None, Quadrature(), LeastSquares(), Direct()])
def test_port_that_the_probe_lacks(method):
    samples = changed(grid_samples(cluster(3), 5, 1.6), port=2)
    with pytest.raises(ValueError, match="samples use port 2, the probe has 1 port: give a probe"):
        solve(samples, PROBE, degree=4, method=method)


def test_two_ports_at_once_instead_of_two_rotations():
    # A dual-polarised probe at chi = 0: port 1 along x, port 2 along y.
    r = np.zeros((1, 2, 6), dtype=complex)
    r[0, 0] = PROBE.coefficients[0, 0]
    for m in (-1, 1):
        at = mode_index(s=2, m=m, n=1)
        r[0, 1, at] = 1j * m * r[0, 0, at]
    antenna = cluster(3)
    samples = grid_samples(antenna, 18, 1.6)
    two = changed(samples, chi=0.0, port=np.where(samples.chi > 1, 2, 1))
    solution = solve(two, Probe(None, r, "V/m"), degree=18, method=LeastSquares(rtol=1e-12))
    assert far_field_error(solution.modes, antenna) < PROMISED


@pytest.mark.slow
def test_positions_that_move_during_the_sweep(rng):
    # And samples missing at one frequency only: each frequency is solved from its own.
    antenna = cluster(1.5)
    frequency = FREQUENCY * np.array([0.9, 1.0, 1.1])
    places = random_samples(rng, 1000, (1.6, 1.9))  # 336 unknowns
    theta = places.theta * np.array([[0.99], [1.0], [0.98]])
    samples = simulate(
        antenna, frequency=frequency, theta=theta, phi=places.phi, chi=places.chi, radius=places.radius
    )
    response = np.array(samples.response)
    response[1, rng.integers(0, 1000, 40)] = np.nan
    samples = changed(samples, response=response)
    solution = solve(samples, PROBE, degree=12)
    assert solution.status == "least squares by conjugate gradients"
    # What the samples see above degree 12 is below 1e-9 of the field: (0.26/1.6)^13 = 6e-11,
    # times the sum over many orders; and the iteration stops at 1e-9 times its condition.
    assert far_field_error(solution.modes, antenna) < 1e-7
    alone = solve(samples.at_frequency(1), PROBE, degree=12)
    assert relative(alone.modes.coefficients[0], solution.modes.coefficients[1]) < 1e-12


def test_steps_are_limited_and_told():
    samples = grid_samples(cluster(10), 30, 3.0)
    solution = solve(samples, PROBE, degree=28, method=LeastSquares(max_iterations=2))
    assert solution.iterations.tolist() == [2]
    assert solution.status.startswith("least squares by conjugate gradients, stopped")
    assert any("stopped after 2 steps without converging" in w for w in solution.warnings[0])
    assert SolutionCode.NOT_CONVERGED in [x.code for x in solution.warnings[0]]
    done = solve(samples, PROBE, degree=28, method=LeastSquares())
    assert SolutionCode.NOT_CONVERGED not in [x.code for x in done.warnings[0]]


def test_tighter_tolerance_takes_more_steps():
    samples = grid_samples(cluster(10), 34, 6.0)
    loose, tight = (solve(samples, PROBE, degree=34, method=LeastSquares(rtol=r)) for r in (1e-4, 1e-11))
    assert loose.iterations[0] < tight.iterations[0]
    assert far_field_error(tight.modes, cluster(10)) < PROMISED
    assert PROMISED < far_field_error(loose.modes, cluster(10)) < 1e-2


def test_damping_shrinks_the_solution(rng, random_q):
    samples = respond(random_samples(rng, 150, (1.8, 1.8)), PROBE, random_q(4), 4)
    operator = TransmissionOperator(plan_geometry(samples), PROBE, FREQUENCY, 4, 1e-13)
    weights = rng.uniform(0.5, 1.5, 150)
    options = {"weights": weights, "rtol": 1e-12, "max_iterations": 200}
    free, x = methods.by_conjugate_gradients(operator, samples.response[0], damping=0.0, **options)
    # A third of the size of A itself.
    normal = operator.adjoint(weights * operator.forward(x))
    damping = np.sqrt(np.linalg.norm(normal) / np.linalg.norm(x)) / 3
    damped, y = methods.by_conjugate_gradients(operator, samples.response[0], damping=damping, **options)
    assert free.converged
    assert damped.converged
    assert np.linalg.norm(y) < 0.99 * np.linalg.norm(x)
    assert damped.residual > 100 * free.residual
    # The normal equations: A^H W (w - A y) = damping^2 y.
    rest = samples.response[0] - operator.forward(y)
    gradient = operator.adjoint(weights * rest) - damping**2 * y
    # To the tolerance, and to what the products of all steps leave, 3e-13 at best each (`spin`).
    allowed = 1e-12 + 3e-13 * damped.iterations
    whole = operator.adjoint(weights * samples.response[0])
    assert np.linalg.norm(gradient) < allowed * np.linalg.norm(whole)
    # Begun at the solution there is nothing to do; the result is the same.
    again, z = methods.by_conjugate_gradients(
        operator, samples.response[0], damping=damping, start=y, **options
    )
    assert again.iterations <= 1
    assert relative(z, y) < 1e-10
    # Through solve as well.
    modes = [
        solve(samples, PROBE, degree=4, method=LeastSquares(damping=d)).modes.radiated_power()[0]
        for d in (0.0, damping)
    ]
    assert modes[1] < 0.99 * modes[0]


def test_damping_takes_nothing_of_what_it_spares(rng, random_q):
    samples = respond(random_samples(rng, 150, (1.8, 1.8)), PROBE, random_q(4), 4)
    method = LeastSquares(damping=0.4, rtol=1e-12)
    prepared = Problem(samples, PROBE, 4, method)
    held = prepared.estimates(samples.response)
    free, (one,) = gaps._spared(prepared, method, held)
    operator, weights = prepared.iteration(0)
    image = operator.forward(operator.from_modes(one.coefficients))
    rest = samples.response[0] - image
    # Of all multiples of the damped solution that one leaves least: what it leaves is across its image.
    assert abs(np.vdot(image, weights * rest)) < 1e-9 * np.vdot(image, weights * image).real
    assert one.residual == pytest.approx(np.linalg.norm(rest) / np.linalg.norm(samples.response), rel=1e-10)
    assert one.residual < held[0].residual
    # g = |A x|^2 / |x|^2; times 1 + d^2 / g.
    x = operator.from_modes(held[0].coefficients)
    g = np.sum(weights * np.abs(operator.forward(x)) ** 2) / np.sum(np.abs(x) ** 2)
    assert relative(one.coefficients, (1 + 0.16 / g) * held[0].coefficients) < 1e-9
    # Other responses are solved alike, roughly too.
    assert relative(free.estimates(2j * samples.response)[0].coefficients, 2j * one.coefficients) < 1e-9
    assert relative(free.roughly(0, samples.response[0]), one.coefficients) < 1e-5


def test_what_is_spared_is_of_each_frequency_alone(rng, random_q):
    # Of one antenna's waves most were seen, of the other's hardly any: the samples' weakest singular vector.
    samples = random_samples(rng, 200, (1.8, 1.8))
    some = samples.part([0], np.abs(samples.theta) < 1.5)
    none = np.zeros((2, some.theta.size))
    samples = changed(some, frequency=FREQUENCY * np.array([1, 1.01]), response=none)
    method = LeastSquares(damping=0.4, rtol=1e-11, max_iterations=1000)
    prepared = Problem(samples, PROBE, 4, method)
    operator, weights = prepared.iteration(1)
    images = np.array([np.sqrt(weights) * operator.forward(operator.from_modes(e)) for e in np.eye(48)]).T
    dark = np.linalg.svd(images)[2][-1].conj()
    pairs = ((prepared.iteration(0)[0], random_q(4)), (operator, dark))
    response = np.array([a.forward(a.from_modes(q)) for a, q in pairs])
    _, together = gaps._spared(prepared, method, prepared.estimates(response))
    seen = []
    for f in range(2):
        one = prepared.alone(f)
        free, (alone,) = gaps._spared(one, method, one.estimates(response[[f]]))
        assert relative(together[f].coefficients, alone.coefficients) < 1e-9
        seen += free.method.spared
    assert seen[1] < 0.3 * seen[0]


def test_weighted_least_squares_of_inconsistent_data(rng):
    # Noise alone: the iteration's minimum is that of the dense weighted problem.
    samples = changed(random_samples(rng, 120, (1.8, 1.8)), response=rng.normal(size=(1, 120)))
    geometry = plan_geometry(samples)
    weights = rng.uniform(0.1, 2, 120)
    operator = TransmissionOperator(geometry, PROBE, FREQUENCY, 4, 1e-13)
    estimate, _ = methods.by_conjugate_gradients(
        operator, samples.response[0], weights=weights, rtol=1e-12, max_iterations=200, damping=0
    )
    matrix = direct.dense_matrix(geometry, PROBE, frequency=FREQUENCY, degree=4)
    root = np.sqrt(weights)
    wanted = np.linalg.lstsq(root[:, None] * matrix, root * samples.response[0])[0]
    assert relative(estimate.coefficients, wanted) < 1e-9
    rest = np.linalg.norm(samples.response[0] - matrix @ wanted)
    assert estimate.residual == pytest.approx(rest / np.linalg.norm(samples.response), rel=1e-9)


@pytest.mark.parametrize("level", [1e-3, 0.1])
def test_noise_in_scattered_samples(level, rng):
    # The iteration converges where the residual does not vanish, and is as good as the dense
    # least squares, which differs by its weights only.
    antenna = cluster(3)
    places = random_samples(rng, 1200, (1.8, 1.8))
    samples = simulate(
        antenna, frequency=[FREQUENCY], theta=places.theta, phi=places.phi, chi=places.chi, radius=1.8
    )
    rms = np.sqrt(np.mean(np.abs(samples.response) ** 2))
    noise = rng.normal(size=(2, 1, 1200)) * level * rms / np.sqrt(2)
    samples = changed(samples, response=samples.response + noise[0] + 1j * noise[1])
    solution = solve(samples, PROBE, degree=10)
    assert solution.status == "least squares by conjugate gradients"
    # 240 of 1200 degrees of freedom of the noise are taken up by the modes.
    assert solution.residual[0] == pytest.approx(level * np.sqrt(1 - 240 / 1200), rel=0.1)
    dense = solve(samples, PROBE, degree=10, method=Direct())
    assert far_field_error(solution.modes, antenna) < 1.5 * far_field_error(dense.modes, antenna)


def test_area_weights(rng):
    # Of a Clenshaw-Curtis grid, which crowds at the poles, with every sample's neighbours summed
    # one by one; two polarisations together stand for twice the sphere.
    degree = 20
    grid = equiangular_grid(41, 80)
    theta, phi, chi = (x.ravel() for x in np.meshgrid(grid.theta, grid.phi, [0, np.pi / 2], indexing="ij"))
    unit = oracle.cartesian(theta, phi)[0]
    row = oracle.cartesian(grid.theta, 0 * grid.theta)[0]  # rings are round

    def expected(count):
        density = oracle.smeared_point(degree, row @ unit.T) @ count
        # As many samples at each place of a ring as are told there.
        areas = np.repeat(1 / density, 160)
        return areas * 8 * np.pi / (areas @ count)

    samples = Samples([FREQUENCY], theta, phi, chi, 2.0, 1, np.zeros((1, theta.size)))
    weights = methods.area_weights(plan_geometry(samples), degree=degree, threads=2)
    assert weights.sum() == pytest.approx(8 * np.pi, rel=1e-12)
    # Transforms of 1e-4, twice, and the same in the sum.
    np.testing.assert_allclose(weights, expected(np.ones(theta.size)), rtol=4e-4)
    # They are the solid angles, but for what is smeared in from beyond x rad: far off the kernel
    # is 1/(pi^2 N x^3) on the mean (J_1's asymptote), of 2/(pi N x) in all; the poles are 0.78 rad
    # off or more here, and make 4 %.
    wanted = np.broadcast_to(grid.weights[:, None, None], (41, 80, 2)).ravel()
    away = np.sin(theta) > 0.7
    level = weights[away].sum() / wanted[away].sum()
    np.testing.assert_allclose(weights[away], level * wanted[away], rtol=0.04)
    # Repeated rows share the weight of their place, ports or not.
    twice = np.concatenate([np.arange(theta.size), np.flatnonzero(theta < 1.6)])
    port = rng.integers(1, 3, twice.size)
    more = Samples([FREQUENCY], theta[twice], phi[twice], chi[twice], 2.0, port, np.zeros((1, twice.size)))
    again = methods.area_weights(plan_geometry(more), degree=degree, threads=1)
    assert again.sum() == pytest.approx(8 * np.pi, rel=1e-12)
    shared = expected(1.0 + (theta < 1.6))
    np.testing.assert_allclose(again, shared[twice], rtol=4e-4)
