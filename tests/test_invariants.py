"""What holds for all antennas, scans and directions, tried on many of them at random."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from operator_cases import operator_of
from probe_oracle import cluster_modes

from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.antenna.fields import far_field_points, near_field_points
from nf2ff.antenna.grids import equiangular_grid
from nf2ff.antenna.modes import Modes, mode_count, rotate
from nf2ff.kernel import spin
from nf2ff.kernel.sphere import direction_angles, unit_vectors
from nf2ff.measurement.probe import Probe, field_probe
from nf2ff.measurement.samples import Samples
from nf2ff.solver.solve import prepare
from nf2ff.solver.strategy import LeastSquares

#: The same examples each time, a few dozen of each.
few = settings(max_examples=20, deadline=None, derandomize=True)
SEEDS, ANGLES, DEGREES = st.integers(0, 2**32 - 1), st.floats(-7, 7), st.integers(1, 9)
WAVE = [299_792_458.0]  # a wavelength of 1 m
ROUNDING = 1e-12


def complex_normal(rng, *shape):
    return rng.normal(size=shape) + 1j * rng.normal(size=shape)


def modes_of(seed, degree):
    return Modes(WAVE, complex_normal(np.random.default_rng(seed), 1, mode_count(degree)))


def turn(axis, angle):
    """Matrix of a turn about z or y."""
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]] if axis == "z" else [[c, 0, s], [0, 1, 0], [-s, 0, c]])


# --- rotation -------------------------------------------------------------------------------------


@few
@given(SEEDS, DEGREES, ANGLES, ANGLES, ANGLES)
def test_a_turn_changes_no_power_and_moves_the_field_with_the_antenna(seed, degree, alpha, beta, gamma):
    modes = modes_of(seed, degree)
    turned = rotate(modes, alpha=alpha, beta=beta, gamma=gamma)
    # A turn is unitary in each degree.
    np.testing.assert_allclose(turned.power_spectrum(), modes.power_spectrum(), rtol=ROUNDING * degree)
    theta = np.arccos(np.random.default_rng(seed).uniform(-1, 1, 5))
    phi = np.linspace(0, 6, 5)
    (r, *_), matrix = unit_vectors(theta, phi), turn("z", alpha) @ turn("y", beta) @ turn("z", gamma)
    there = direction_angles(r @ matrix.T)
    before, after = (
        sum(np.abs(x) ** 2 for x in far_field_points(one, theta=place[0], phi=place[1]))
        for one, place in ((modes, (theta, phi)), (turned, there[:2]))
    )
    # Angles there err by rounding, which a field of degree N multiplies by N.
    np.testing.assert_allclose(after, before, atol=1e3 * degree * 2e-16 * before.max())
    back = rotate(turned, alpha=-gamma, beta=-beta, gamma=-alpha)
    np.testing.assert_allclose(back.coefficients, modes.coefficients, atol=ROUNDING * degree)


# --- linearity ------------------------------------------------------------------------------------


@few
@given(SEEDS, st.integers(1, 6), st.complex_numbers(max_magnitude=1e6, min_magnitude=1e-6), st.booleans())
def test_a_solution_is_linear_in_the_responses(seed, degree, factor, on_a_grid):
    rng = np.random.default_rng(seed)
    grid = equiangular_grid(degree + 2, 2 * degree + 3)
    theta, phi = (np.tile(x.ravel(), 2) for x in np.meshgrid(grid.theta, grid.phi, indexing="ij"))
    chi = np.repeat([0, np.pi / 2], theta.size // 2)
    one, two = complex_normal(rng, 2, 1, theta.size)
    samples = Samples(WAVE, theta, phi, chi, 3.0, 1, one, "V/m")
    method = None if on_a_grid else LeastSquares(rtol=1e-12)
    problem = prepare(samples, field_probe(), degree=degree, method=method)
    a, b, both = (problem.modes(x).coefficients for x in (one, two, one + factor * two))
    # The iteration leaves its tolerance of each part; normal matrices of such grids have conditions below
    # 100.
    allowed = 1e-9 * (np.abs(a).max() + abs(factor) * np.abs(b).max())
    np.testing.assert_allclose(both, a + factor * b, atol=allowed)


# --- reciprocity ----------------------------------------------------------------------------------


@few
@given(SEEDS, st.floats(2, 20))
def test_two_antennas_receive_each_other_alike(seed, distance):
    # Sources J1, J2 and their fields: E1 J2 = E2 J1, summed over each. Fields come from modes about the
    # middle of each antenna, of dipoles within 0.15 wavelengths of it: waves above degree 14 carry below
    # 1e-13 (k a = 0.94; closed form, (ka)^n / (2n+1)!!).
    rng = np.random.default_rng(seed)
    direction = rng.normal(size=3)
    away = distance * direction / np.linalg.norm(direction)
    places = 0.15 / np.sqrt(3) * rng.uniform(-1, 1, (2, 3, 3))
    moments = complex_normal(rng, 2, 3, 3)
    received = []
    for i, offset in ((0, away), (1, -away)):
        q = cluster_modes(DipoleCluster(places[i], electric=moments[i]), 2 * np.pi, 14)
        e = field_of(q, places[1 - i] + offset)
        received.append(np.sum(e * moments[1 - i]))
        scale = np.sum(np.abs(e) * np.abs(moments[1 - i]))
    assert abs(received[0] - received[1]) < 1e-10 * scale


def field_of(q, points):
    """Cartesian field (P, 3) of modes at points."""
    radius = np.linalg.norm(points, axis=1)
    theta, phi = direction_angles(points / radius[:, None])[:2]
    parts = near_field_points(Modes(WAVE, q[None]), theta=theta, phi=phi, radius=radius)
    return sum(part[0][:, None] * along for part, along in zip(parts, unit_vectors(theta, phi), strict=True))


# --- adjoint --------------------------------------------------------------------------------------


@few
@given(SEEDS, st.integers(1, 8), st.integers(1, 40), st.floats(0, 0.5), st.sampled_from([1, 2, 3]))
def test_the_operator_and_its_adjoint_belong_together(seed, degree, count, apart, orders):
    rng = np.random.default_rng(seed)
    theta, phi, chi = np.arccos(rng.uniform(-1, 1, count)), *rng.uniform(0, 7, (2, count))
    radius = 4.0 + apart * rng.uniform(-1, 1, count)
    samples = Samples(WAVE, theta, phi, chi, radius, 1, np.zeros((1, count)), "sqrt(W)")
    probe = Probe(None, complex_normal(rng, 1, 1, mode_count(orders)))
    operator = operator_of(samples, probe, degree)
    x = spin.pack(complex_normal(rng, 2, degree * (degree + 2)))
    y = complex_normal(rng, count)
    forward, adjoint = operator.forward(x), operator.adjoint(y)
    # Transforms are exact to 1e-12 of the norm of what they give.
    scale = np.linalg.norm(forward) * np.linalg.norm(y) + np.linalg.norm(adjoint) * np.linalg.norm(x)
    assert abs(np.vdot(forward, y) - np.vdot(x, adjoint)) < 1e-11 * scale
