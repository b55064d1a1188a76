"""Fields behind levels in a direction: against the textbook, differences, and dense solutions."""

import numpy as np
import oracle
import pytest
from error_scans import PROBE, dense_modes, far_matrix, inverse, spiral_scan
from probe_oracle import cluster_modes
from sources import K, random_cluster

from nf2ff.antenna.modes import SPEED_OF_LIGHT, Modes
from nf2ff.solver.solve import solve
from nf2ff.uncertainty.derivatives import linearised
from nf2ff.uncertainty.draws import monte_carlo
from nf2ff.uncertainty.errors.receiver import NoiseFloor, PhaseNoise
from nf2ff.uncertainty.field_in_direction import FieldErrors, TowardsFields, towards_columns
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.local_figures import localise

DEGREE = 6
ANTENNA = random_cluster(3, 0.15, seed=2)
FIGURES = (
    Figure("directivity-towards", theta=1.0, phi=0.3),
    Figure("eirp-towards", theta=2.0, phi=-4.0),
    Figure("directivity-towards", theta=0.0, phi=0.0),
)
#: Accuracy of a field at points, of the largest one (`antenna.fields.POINT_EPSILON` and rounding).
FIELD = 1e-10


@pytest.fixture(scope="module")
def modes():
    return Modes([SPEED_OF_LIGHT], [cluster_modes(ANTENNA, K, DEGREE)])


@pytest.fixture(scope="module")
def fields(modes):
    return TowardsFields(FIGURES, DEGREE, modes.coefficients[0])


def shaken(modes, size, seed):
    rng = np.random.default_rng(seed)
    q = modes.coefficients[0]
    change = rng.normal(size=q.size) + 1j * rng.normal(size=q.size)
    return q + size * np.linalg.norm(q) / np.linalg.norm(change) * change


def test_the_sum_of_squares_is_the_figure(modes, fields):
    q = np.stack([modes.coefficients[0], shaken(modes, 0.3, 1), shaken(modes, 2.0, 2)])
    values = fields.values(q)
    assert values.shape == (3, 3, 4)
    for row, one in zip(values, q, strict=True):
        power = 0.5 * np.sum(np.abs(one) ** 2)
        for parts, figure in zip(row, FIGURES, strict=True):
            e = oracle.far_field(one, DEGREE, [figure.theta], [figure.phi])
            level = 4 * np.pi * np.sum(np.abs(e) ** 2) / (2 * oracle.Z0)
            level = level if figure.absolute else level / power
            assert parts @ parts == pytest.approx(level, rel=FIELD, abs=FIELD)


def test_a_phase_of_the_whole_is_no_error(modes, fields):
    q = modes.coefficients[0]
    np.testing.assert_allclose(fields.values(q * np.exp(2j)), fields.values(q), atol=FIELD)


def test_gradients_are_differences(modes, fields):
    q = modes.coefficients[0]
    gradients = fields.gradients()
    assert gradients.shape == (12, q.size)
    for seed in range(3):
        dq = shaken(modes, 1.0, seed) - q
        step = 1e-5
        ends = [fields.values(q + s * step * dq).ravel() for s in (1, -1)]
        wanted = (ends[0] - ends[1]) / (2 * step)
        got = (gradients.conj() @ dq).real
        # Central differences: step^2 of the third derivative, and rounding over the step.
        np.testing.assert_allclose(got, wanted, atol=1e-6 * np.abs(wanted).max())


def test_no_figure_has_no_field(modes):
    none = TowardsFields((), DEGREE, modes.coefficients[0])
    assert none.values(modes.coefficients).shape == (1, 0, 4)
    assert none.gradients().shape == (0, modes.coefficients.shape[1])
    assert towards_columns([Figure("trp"), *FIGURES, Figure("eirp")]) == [1, 2, 3]


@pytest.mark.slow
def test_noise_by_derivatives_and_by_draws_is_that_of_dense_solutions():
    # White noise sigma in each response, E = H w: real and imaginary parts of H H^H sigma^2 / 2,
    # of EIRP but for the phase of the whole, whose part is of the order 1/J here.
    sigma, draws = 0.02, 400
    samples = spiral_scan(ANTENNA, DEGREE, radius=2.0)
    place = (1.0, 0.3)
    figure = Figure("eirp-towards", theta=place[0], phi=place[1])
    both = (Figure("trp"), figure)
    term = NoiseFloor(rms=sigma)
    linear = linearised(solve(samples, PROBE, degree=DEGREE), [term], both)
    solver = inverse(samples, DEGREE)
    h = np.sqrt(2 * np.pi / oracle.Z0) * far_matrix(DEGREE, *place) @ solver
    q = dense_modes(samples, DEGREE).coefficients[0]
    e = h @ samples.response[0]
    # Less the field times the phase of the whole, Im sum conj(Q) dQ / sum |Q|^2.
    turn = q.conj() @ solver / np.vdot(q, q).real
    columns = []
    for unit in (1, 1j):
        change = h * unit - 1j * np.outer(e, (turn * unit).imag)
        columns.append(sigma / np.sqrt(2) * np.stack([change.real, change.imag], 1).reshape(4, -1))
    exact = sum(c @ c.T for c in columns)
    got = linear.fields.covariance[0, 0, 0]
    # Adjoint solutions to 1e-5, times the conditioning of the sampling, about 3.
    np.testing.assert_allclose(got, exact, atol=1e-4 * np.trace(exact))
    parts = np.stack([e.real, e.imag], 1).ravel()
    np.testing.assert_allclose(linear.fields.value[0, 0], parts, atol=1e-7 * np.linalg.norm(e))
    assert not linear.fields.bias.any()
    # What the noise has of power in the modes: the trace of the dense covariance, found by draws
    # that hold 400 modes in all: relative scatter 1/20, four times that.
    power = sigma**2 * np.sum(np.abs(solver) ** 2) / np.vdot(q, q).real
    assert linear.noise_power[0] == pytest.approx(power, rel=0.2)
    drawn = monte_carlo(solve(samples, PROBE, degree=DEGREE), [term], both, draws=draws, rng=1, jobs=1)
    assert drawn.fields.shape == (draws, 1, 1, 4)
    spread = np.cov(drawn.fields[:, 0, 0], rowvar=False)
    # Elements of a sample covariance scatter by sqrt(2 / D) of the variances at most.
    largest = np.diag(exact).max()
    np.testing.assert_allclose(spread, exact, atol=4 * np.sqrt(2 / draws) * largest)


def test_only_noise_of_responses_adds_power():
    samples = spiral_scan(ANTENNA, DEGREE, radius=2.0)
    found = linearised(solve(samples, PROBE, degree=DEGREE), [PhaseNoise(rms=0.01)], [Figure("trp")])
    assert found.noise_power[0] == 0
    assert found.fields.value.shape == (1, 0, 4)


def test_figures_are_those_of_the_fields(modes):
    local = localise(FIGURES, modes)[0]
    parts = TowardsFields(FIGURES, DEGREE, modes.coefficients[0]).values(modes.coefficients[0])
    np.testing.assert_allclose((parts**2).sum(axis=1), local.nominal, rtol=1e-9, atol=1e-12)


def test_a_noun_of_wrong_shape():
    with pytest.raises(ValueError, match=r"expected \(T, F, A, 4\) and \(T, F, A, 4, 4\)"):
        FieldErrors(np.zeros((1, 1, 4)), np.zeros((2, 1, 1, 4, 4)), np.zeros((3, 1, 1, 4)))
