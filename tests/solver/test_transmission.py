"""The transmission operator against dense matrices, the field itself, and its own adjoint."""

import dataclasses

import numpy as np
import oracle
import pytest
from operator_cases import (
    EPS,
    FREQUENCY,
    ORACLE_ERROR,
    TOLERANCES,
    K,
    operator_of,
    relative,
    responses_from_the_field,
)

from nf2ff.antenna.grids import gauss_legendre_grid
from nf2ff.antenna.modes import mode_count, mode_index
from nf2ff.kernel import spin
from nf2ff.measurement.probe import Probe, field_probe
from nf2ff.measurement.samples import Samples
from nf2ff.solver.direct import dense_matrix
from nf2ff.solver.positions import plan_geometry
from nf2ff.solver.transform_check import check_points


def packed_like(operator, rng):
    """Random coefficients that the operator acts on."""
    shape = (2, operator.degree * (operator.degree + 2))
    return spin.pack(rng.normal(size=shape) + 1j * rng.normal(size=shape))


# --- forward ------------------------------------------------------------------------------------


@pytest.mark.parametrize("tolerance", TOLERANCES)
@pytest.mark.parametrize("radius", [(4.0, 4.0), (3.9, 4.1), (3.5, 9.0)])
@pytest.mark.parametrize(("ports", "layers"), [(1, None), (1, 1), (1, 3), (2, None), (2, 2)])
def test_forward_reads_the_field(ports, layers, radius, tolerance, scan, dipole_probe, random_q):
    # Relative L2 error within what is asked, whatever the radii and the order of the rows.
    degree = 10
    samples = scan(ports=ports, radius=radius, layers=layers)
    probe, q = dipole_probe(ports), random_q(degree)
    operator = operator_of(samples, probe, degree, tolerance)
    assert operator.shape == (samples.theta.size, mode_count(degree))
    wanted = responses_from_the_field(samples, probe, q, degree)
    assert relative(operator.forward(operator.from_modes(q)), wanted) < tolerance + ORACLE_ERROR
    assert (operator.nodes == 1) == (radius[0] == radius[1])


@pytest.mark.parametrize("radius", [(4.0, 4.0), (3.5, 9.0)])
def test_ideal_probe_reads_e_theta_cos_plus_e_phi_sin(radius, scan, random_q):
    degree = 10
    samples, q = scan(radius=radius), random_q(degree)
    e = oracle.field(q, degree, K, samples.radius, samples.theta, samples.phi)
    wanted = e[:, 1] * np.cos(samples.chi) + e[:, 2] * np.sin(samples.chi)
    operator = operator_of(samples, field_probe(), degree)
    assert relative(operator.forward(operator.from_modes(q)), wanted) < 1e-12 + ORACLE_ERROR


def test_ideal_probe_against_the_printed_transmission_formula(scan, random_q):
    # Dense matrix of the textbook's formula with the printed response constants.
    degree = 8
    samples, q = scan(30), random_q(degree)
    turn = np.pi * (samples.theta < 0)
    matrix = oracle.transmission_matrix(
        degree,
        np.abs(samples.theta),
        samples.phi + turn,
        samples.chi + turn,
        oracle.ideal_probe(degree, 4.0 * K),
    )
    wanted = K * np.sqrt(oracle.Z0) * matrix @ q
    operator = operator_of(samples, field_probe(), degree)
    assert relative(operator.forward(operator.from_modes(q)), wanted) < 1e-12 + ORACLE_ERROR


@pytest.mark.parametrize("ports", [1, 2])
@pytest.mark.parametrize("radius", [(4.0, 4.0), (3.5, 9.0)])
def test_dense_matrix_reads_the_field(ports, radius, scan, dipole_probe, random_q):
    degree = 10
    samples, probe, q = scan(ports=ports, radius=radius), dipole_probe(ports), random_q(degree)
    matrix = dense_matrix(plan_geometry(samples), probe, frequency=FREQUENCY, degree=degree)
    wanted = responses_from_the_field(samples, probe, q, degree)
    assert relative(matrix @ q, wanted) < ORACLE_ERROR


@pytest.mark.parametrize("ports", [1, 2])
@pytest.mark.parametrize("radius", [(9.0, 9.0), (8.0, 12.0)])
def test_forward_is_the_dense_matrix_at_a_larger_degree(ports, radius, scan, dipole_probe, random_q):
    degree = 25
    samples, probe, q = scan(ports=ports, radius=radius), dipole_probe(ports), random_q(degree)
    matrix = dense_matrix(plan_geometry(samples), probe, frequency=FREQUENCY, degree=degree)
    for tolerance in TOLERANCES:
        operator = operator_of(samples, probe, degree, tolerance)
        got = operator.forward(operator.from_modes(q))
        # 25 recurrence steps and logarithms up to log 50! = 148 in the dense one.
        assert relative(got, matrix @ q) < tolerance + 200 * EPS


def test_each_wrong_convention_shows(scan, random_q):
    # So that the comparisons above cannot pass by symmetry: each of these changes the data.
    degree = 6
    samples, q = scan(30), random_q(degree)
    operator = operator_of(samples, field_probe(), degree)
    right = operator.forward(operator.from_modes(q))
    for changes in (
        {"chi": -samples.chi},
        {"chi": np.pi / 2 - samples.chi},
        {"phi": -samples.phi},
        {"theta": -samples.theta},
        {"theta": np.sign(samples.theta + 1e-9) * (np.pi - np.abs(samples.theta))},
    ):
        changed = dataclasses.replace(samples, **changes)
        wrong = operator_of(changed, field_probe(), degree)
        assert relative(wrong.forward(wrong.from_modes(q)), right) > 0.5


def test_threads_do_not_change_the_result(scan, dipole_probe, rng):
    samples, probe = scan(radius=(3.5, 9.0)), dipole_probe()
    one, two = (operator_of(samples, probe, 7, threads=t) for t in (1, 2))
    x = packed_like(one, rng)
    assert relative(two.forward(x), one.forward(x)) < 1e-13
    w = one.forward(x)
    assert relative(two.adjoint(w), one.adjoint(w)) < 1e-13


# --- adjoint ------------------------------------------------------------------------------------


@pytest.mark.parametrize("probe_kind", ["ideal", "dipoles", "axial", "two ports"])
@pytest.mark.parametrize("radius", [(4.0, 4.0), (3.5, 9.0)])
@pytest.mark.parametrize("layers", [None, 2])
@pytest.mark.parametrize("tolerance", TOLERANCES)
def test_dot_products_agree(probe_kind, radius, layers, tolerance, scan, dipole_probe, rng):
    # <A x, y> = <x, A^H y>: whatever the separation in radius, the same products on both sides.
    ports = 2 if probe_kind == "two ports" else 1
    samples = scan(ports=ports, radius=radius, layers=layers)
    if probe_kind == "axial":
        r = np.zeros((1, 1, 6), dtype=complex)
        r[0, 0, [mode_index(s=1, m=0, n=1), mode_index(s=2, m=0, n=1)]] = 1 + 2j, -0.5j
        probe = Probe(None, r)
    else:
        probe = field_probe() if probe_kind == "ideal" else dipole_probe(ports)
    operator = operator_of(samples, probe, 9, tolerance)
    x = packed_like(operator, rng)
    ax = operator.forward(x)
    y = rng.normal(size=ax.shape) + 1j * rng.normal(size=ax.shape)
    ahy = operator.adjoint(y)
    size = np.linalg.norm(ax) * np.linalg.norm(y)
    assert abs(np.vdot(ax, y) - np.vdot(x, ahy)) < tolerance * size
    assert abs(np.vdot(ax, y)) > 1e-3 * size


@pytest.mark.parametrize("radius", [(4.0, 4.0), (3.5, 9.0)])
def test_adjoint_is_the_conjugate_transpose_of_the_dense_matrix(radius, scan, dipole_probe, rng):
    # A^H w = T^H D^H w, T being that of to_modes: column by column, from D T.
    degree = 3
    samples, probe = scan(20, ports=2, radius=radius), dipole_probe(2)
    operator = operator_of(samples, probe, degree)
    dense = dense_matrix(plan_geometry(samples), probe, frequency=FREQUENCY, degree=degree)
    w = rng.normal(size=samples.theta.size) + 1j * rng.normal(size=samples.theta.size)
    got = spin.unpack(operator.adjoint(w))
    wanted = np.empty_like(got)
    for at in np.ndindex(got.shape):
        unit = np.zeros_like(got)
        unit[at] = 1
        wanted[at] = np.vdot(dense @ operator.to_modes(spin.pack(unit)), w)
    assert relative(got, wanted) < 2e-12


# --- preconditioning ----------------------------------------------------------------------------


@pytest.mark.parametrize("radius", [(4.0, 4.0), (3.5, 9.0)])
def test_to_modes_and_from_modes_are_inverse(radius, scan, dipole_probe, random_q, rng):
    for probe in (field_probe(), dipole_probe(), dipole_probe(2)):
        operator = operator_of(scan(radius=radius), probe, 12)
        q = random_q(12)
        # The probes' 2 x 2 matrices are of condition below 100.
        assert relative(operator.to_modes(operator.from_modes(q)), q) < 1000 * EPS
        x = packed_like(operator, rng)
        assert relative(operator.from_modes(operator.to_modes(x)), x) < 1000 * EPS


def test_from_modes_keeps_waves_far_above_ka(scan, random_q):
    # kA = 12, N = 170: h_170(12) is of the order of 339!!/12^171 = 1e172 (closed form of its first
    # term), in range, and its square out of it. No wave may be lost.
    operator = operator_of(scan(), field_probe(), 170)
    q = random_q(170)
    assert relative(operator.to_modes(operator.from_modes(q)), q) < 1000 * EPS


def test_probe_blind_to_one_kind_of_wave():
    # An axial electric dipole reads E_r, which s = 1 waves have not: these come out as none,
    # the others as they are.
    r = np.zeros((1, 1, 6), dtype=complex)
    r[0, 0, mode_index(s=2, m=0, n=1)] = 1.0
    samples = Samples([FREQUENCY], [1.0, 2.0], 0.0, 0.0, 4.0, 1, np.zeros((1, 2)))
    operator = operator_of(samples, Probe(None, r), 5)
    q = np.arange(1, mode_count(5) + 1) * (1 - 2j)
    got = operator.to_modes(operator.from_modes(q)).reshape(-1, 2)
    np.testing.assert_allclose(got[:, 0], 0, rtol=0, atol=0)
    assert relative(got[:, 1], q.reshape(-1, 2)[:, 1]) < 100 * EPS


@pytest.mark.parametrize("probe_kind", ["ideal", "dipoles"])
def test_a_well_sampled_sphere_makes_an_isometry(probe_kind, dipole_probe, rng):
    # x is the field received in orthonormal functions: on a Gauss-Legendre grid, with chi = 0 and
    # 90 deg and solid angles for weights, A^H W A is one number times the identity for probes of
    # orders +-1. For others four chi keep the orders apart: the sum over chi of cos^2 or sin^2 is
    # 2, that of 1 for mu = 0 is 4, so that no x is received twice as strongly as another.
    degree = 9
    grid = gauss_legendre_grid(degree + 1, 2 * degree + 1)
    chi = np.arange(2 if probe_kind == "ideal" else 4) * np.pi / 2
    theta, phi, chi = (x.ravel() for x in np.meshgrid(grid.theta, grid.phi, chi, indexing="ij"))
    samples = Samples([FREQUENCY], theta, phi, chi, 4.0, 1, np.zeros((1, theta.size)))
    weights = np.repeat(grid.weights, theta.size // grid.theta.size)
    probe = field_probe() if probe_kind == "ideal" else dipole_probe()
    operator = operator_of(samples, probe, degree)
    x = packed_like(operator, rng)
    again = operator.adjoint(weights * operator.forward(x))
    _, n = spin.packed_numbers(degree)
    parts = [np.where(n == i, x, 0) for i in range(1, degree + 1)]
    gains = [np.vdot(part, again).real / np.linalg.norm(part) ** 2 for part in parts]
    if probe_kind == "ideal":
        np.testing.assert_allclose(gains, gains[0], rtol=1e-11)
        assert relative(again, gains[0] * x) < 1e-11
    else:
        assert max(gains) < 2.05 * min(gains)


# --- what is refused ----------------------------------------------------------------------------


def test_moving_positions_are_refused(scan):
    samples = scan()
    moving = dataclasses.replace(samples, theta=samples.theta[None])
    with pytest.raises(ValueError, match="positions differ by frequency: take the samples of one"):
        plan_geometry(moving)


@pytest.mark.parametrize(("ports", "text"), [(1, "1 port:"), (2, "2 ports:")])
def test_ports_that_the_probe_lacks(ports, text, scan, dipole_probe):
    samples = dataclasses.replace(scan(), port=3)
    with pytest.raises(ValueError, match=f"samples use port 3, the probe has {text} give a probe"):
        operator_of(samples, dipole_probe(ports), 4)


def test_dense_matrix_refuses_ports_that_the_probe_lacks(scan, dipole_probe):
    samples = dataclasses.replace(scan(), port=3)
    with pytest.raises(ValueError, match="samples use port 3, the probe has 2 ports: give a probe"):
        dense_matrix(plan_geometry(samples), dipole_probe(2), frequency=FREQUENCY, degree=2)


def test_radii_that_vary_too_much(scan, random_q):
    # From kA = 11.4 on at N = 60: the highest waves are so steep there that polynomials in r over
    # 10,000 km do not follow them.
    samples = scan(radius=(3.8, 1e7))
    radius = samples.radius.copy()
    radius[0] = 3.8
    samples = dataclasses.replace(samples, radius=radius)
    operator = operator_of(samples, field_probe(), 60, 1e-9)
    message = r"radius varies from .* to .* m, too much for this degree at the nearest"
    with pytest.raises(ValueError, match=message):
        operator.forward(operator.from_modes(random_q(60)))


@pytest.mark.parametrize("apart", [0.0, 1e-6, 1.5])
@pytest.mark.parametrize("layers", [1, 2])
def test_a_port_of_a_single_position(layers, apart, dipole_probe, rng):
    # Its distance is no other's: with one position as with many, the factor of radius applies.
    probe, port = dipole_probe(2), np.array([1] * 40 + [2] * layers)
    theta, phi, chi = (rng.uniform(0, x, port.size) for x in (np.pi, 2 * np.pi, 2 * np.pi))
    theta[40:], phi[40:] = 0.7, 0.3
    radius = np.where(port == 2, 4 + apart, 4.0)
    samples = Samples([FREQUENCY], theta, phi, chi, radius, port, np.zeros((1, port.size)))
    operator = operator_of(samples, probe, 4, 1e-12)
    dense = dense_matrix(plan_geometry(samples), probe, frequency=FREQUENCY, degree=4)
    q = rng.normal(size=48) + 1j * rng.normal(size=48)
    x = operator.from_modes(q)
    assert relative(operator.forward(x)[40:], (dense @ q)[40:]) < 1e-10
    w = np.zeros(port.size, complex)
    w[40:] = rng.normal(size=layers) + 1j * rng.normal(size=layers)
    # <A x, w> = <x, A^H w>.
    inner = np.vdot(operator.forward(x), w)
    assert abs(np.vdot(x, operator.adjoint(w)) - inner) < 1e-10 * abs(inner)
    check_points(operator, x, operator.forward_ordered(x))
