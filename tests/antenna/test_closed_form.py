"""Simulated fields against textbook fields, Maxwell's equations and quadrature."""

import re

import mpmath
import numpy as np
import pytest
from sources import (
    EPS,
    ONE_METRE,
    ORIGIN,
    Z_DIPOLE,
    K,
    X,
    Y,
    Z,
    basis,
    cartesian_field,
    directivity,
    power_of_far_field,
    random_cluster,
    random_directions,
    spherical,
)

from nf2ff.antenna.closed_form import far_field_of, near_field, radiated_power_of
from nf2ff.antenna.dipoles import DipoleCluster, SinusoidalWire
from nf2ff.antenna.modes import SPEED_OF_LIGHT, WAVE_IMPEDANCE, mode_index
from nf2ff.measurement.simulated import simulate
from nf2ff.uncertainty.simulated_scan import expanded

# --- one dipole ---------------------------------------------------------------------------------


def test_electric_dipole_is_the_textbook_field():
    # Hertzian dipole along z (C. A. Balanis, Antenna Theory, ch. 4; from memory, closed form):
    # E_r = Z0 I l cos/(2 pi r^2) [1 + 1/(jkr)], E_th = j Z0 k I l sin/(4 pi r) [1 + 1/(jkr)
    # - 1/(kr)^2], E_ph = 0; all times exp(-jkr).
    theta, phi = random_directions(50)
    r = np.geomspace(0.01, 10, 50)
    moment = 0.3 - 0.2j
    e = near_field(
        DipoleCluster(ORIGIN, [[0, 0, moment]]), frequency=ONE_METRE, theta=theta, phi=phi, radius=r
    )
    wave = WAVE_IMPEDANCE * moment * np.exp(-1j * K * r)
    q = 1 / (1j * K * r)
    e_r = wave * np.cos(theta) / (2 * np.pi * r**2) * (1 + q)
    e_theta = 1j * K * wave * np.sin(theta) / (4 * np.pi * r) * (1 + q + q**2)
    size = np.hypot(np.abs(e_r), np.abs(e_theta))
    # Rounding of kr, at most 63, in the phase, and of a dozen operations.
    tolerance = (63 + 20) * EPS
    for got, expected in zip(e, (e_r, e_theta, 0 * e_r), strict=True):
        assert np.all(np.abs(got[0] - expected) <= tolerance * size)


def test_magnetic_dipole_is_the_dual():
    # The loop of area S and current I is K l = j omega mu S I = j k Z0 S I along its axis, and
    # E_ph = Z0 k^2 S I sin/(4 pi r) [1 + 1/(jkr)] exp(-jkr), E_r = E_th = 0 (Balanis, ch. 5,
    # small loop; from memory, closed form).
    theta, phi = random_directions(50)
    r = np.geomspace(0.01, 10, 50)
    moment = 1j * K * WAVE_IMPEDANCE * 0.01
    loop = DipoleCluster(ORIGIN, magnetic=[[0, 0, moment]])
    e = near_field(loop, frequency=ONE_METRE, theta=theta, phi=phi, radius=r)
    q = 1 / (1j * K * r)
    e_phi = WAVE_IMPEDANCE * K**2 * 0.01 * np.sin(theta) / (4 * np.pi * r) * (1 + q)
    e_phi = e_phi * np.exp(-1j * K * r)
    size = np.abs(WAVE_IMPEDANCE * K**2 * 0.01 / (4 * np.pi * r) * (1 + q))
    for got, expected in zip(e, (0 * e_phi, 0 * e_phi, e_phi), strict=True):
        assert np.all(np.abs(got[0] - expected) <= 83 * EPS * size)


def test_powers_of_single_dipoles():
    # k^2 Z0 |p|^2 / (12 pi) and k^2 |m|^2 / (12 pi Z0), closed form.
    f = np.array([1e8, 3e9])
    k2 = (2 * np.pi * f / SPEED_OF_LIGHT) ** 2
    p, m = np.array([[1, 2j, -0.5]]), np.array([[1j, 3, 2 - 1j]])
    power_p = k2 * WAVE_IMPEDANCE * np.sum(np.abs(p) ** 2) / (12 * np.pi)
    power_m = k2 * np.sum(np.abs(m) ** 2) / (12 * np.pi * WAVE_IMPEDANCE)
    place = [[0.3, 0.1, -2]]
    got = radiated_power_of(DipoleCluster(place, p), frequency=f)
    np.testing.assert_allclose(got, power_p, rtol=20 * EPS)
    # At one place electric and magnetic dipoles exchange no power.
    got = radiated_power_of(DipoleCluster(place, p, m), frequency=f)
    np.testing.assert_allclose(got, power_p + power_m, rtol=20 * EPS)


@pytest.mark.parametrize("kind", ["electric", "magnetic"])
def test_hertzian_dipole_loop_and_turnstile(kind):
    # D = 1.5, closed form.
    single = DipoleCluster(ORIGIN, **{kind: [Z]})
    assert directivity(single, np.pi / 2, 0.4) == pytest.approx(1.5, rel=20 * EPS)
    turnstile = DipoleCluster(ORIGIN, **{kind: [X - 1j * Y]})
    assert directivity(turnstile, [0, np.pi], 0) == pytest.approx([1.5, 1.5], rel=20 * EPS)


def test_far_zone_precision_against_forty_digits():
    # kR up to 1e4: a double's rounding of R and of kR may turn the phase by 2 kR eps.
    place, moment = np.array([[3.0, -2.0, 1.0]]), np.array([[0.5, 1.0, -0.25]])
    theta, phi, radius = 1.1, 0.7, 1600.0
    e = near_field(DipoleCluster(place, moment), frequency=ONE_METRE, theta=theta, phi=phi, radius=radius)
    with mpmath.workdps(40):
        mp = mpmath.mpf
        st, ct, sp, cp = (f(mp(a)) for a in (theta, phi) for f in (mpmath.sin, mpmath.cos))
        unit = [[st * cp, st * sp, ct], [ct * cp, ct * sp, -st], [-sp, cp, mp(0)]]
        to = [radius * u - mp(float(x)) for u, x in zip(unit[0], place[0], strict=True)]
        k = 2 * mpmath.pi
        dist = mpmath.sqrt(sum(x * x for x in to))
        p = [mp(float(x)) for x in moment[0]]
        n = [x / dist for x in to]
        np_ = sum(a * b for a, b in zip(n, p, strict=True))
        q = 1 / (1j * k * dist)
        wave = -1j * k * WAVE_IMPEDANCE * mpmath.exp(-1j * k * dist) / (4 * mpmath.pi * dist)
        field = [
            wave * (a * (1 + q + q * q) - b * np_ * (1 + 3 * q + 3 * q * q))
            for a, b in zip(p, n, strict=True)
        ]
        exact = [complex(sum(a * b for a, b in zip(u, field, strict=True))) for u in unit]
    error = np.linalg.norm(np.ravel(e) - exact) / np.linalg.norm(exact)
    assert error <= 2 * K * radius * EPS


# --- Maxwell's equations ------------------------------------------------------------------------


@pytest.mark.parametrize(
    "antenna",
    [
        random_cluster(),
        SinusoidalWire(1.3, 1.0, position=(0.1, -0.2, 0.15), axis=(1, 2, -1)),
        SinusoidalWire(0.5, 2.0),
    ],
    ids=["cluster", "wire-oblique", "wire"],
)
def test_maxwell_equations_hold(antenna):
    # curl curl E = k^2 E is div E = 0 with laplace E = -k^2 E. Central differences of sixth
    # order and step h leave h^6/560 E^(8) and h^6/140 E^(7). The steepest term, exp(-jkR)/R^3,
    # has derivatives of at most (k + 6.1/R)^n: 10!/2! = 6.1^8 is the factor that 1/R^3 gains.
    h = 0.03 / K
    theta, phi = random_directions(20)
    centre = np.linspace(2.1, 4, 20)[:, None] * basis(theta, phi)[0]
    steps = h * np.arange(-3, 4)
    points = centre[:, None, None] + steps[:, None] * np.eye(3)[:, None, :]  # (M, axis, 7, 3)
    e = cartesian_field(antenna, points)[0]
    second = np.array([2, -27, 270, -490, 270, -27, 2]) / 180 / h**2
    first = np.array([-1, 9, -45, 0, 45, -9, 1]) / 60 / h
    laplace = np.einsum("maji,j->mi", e, second)
    div = np.einsum("maja,j->m", e, first)
    here = e[:, 0, 3]
    size = np.linalg.norm(here, axis=1)
    steep = K + 6.1  # the sources are within 1, the points from 2.1
    # Rounding: kR eps of phase in each value, weights of absolute sum 1088/180 and 110/60.
    noise = (K * 5 + 20) * EPS
    tolerance = 3 * (h**6 * steep**8 / 560 + 6.1 * noise / h**2) / K**2
    assert tolerance < 1e-8
    residual = np.linalg.norm(laplace + K**2 * here, axis=1) / K**2
    assert np.all(residual <= tolerance * size)
    tolerance = 3 * (h**6 * steep**7 / 140 + 1.9 * noise / h) / K
    assert np.all(np.abs(div) / K <= tolerance * size)


# --- clusters, shifted and turned ---------------------------------------------------------------


def test_rotated_and_shifted_cluster():
    cluster = random_cluster()
    turn = np.linalg.qr(np.random.default_rng(3).normal(size=(3, 3)))[0]
    turn *= np.linalg.det(turn)  # proper: an axial vector turns like a polar one
    shift = np.array([0.4, -0.3, 0.9])
    moved = DipoleCluster(
        cluster.position @ turn.T + shift, cluster.electric @ turn.T, cluster.magnetic @ turn.T
    )
    points = 3 * basis(*random_directions(40))[0]
    expected = cartesian_field(cluster, points)[0] @ turn.T
    got = cartesian_field(moved, points @ turn.T + shift)[0]
    # k times a coordinate of at most 4 + 1, rounded a few times over.
    assert np.abs(got - expected).max() <= 4 * K * 5 * EPS * np.abs(expected).max()
    power = radiated_power_of(cluster, frequency=ONE_METRE)
    np.testing.assert_allclose(radiated_power_of(moved, frequency=ONE_METRE), power, rtol=4 * K * 2 * EPS)


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_displacement_shows_in_the_phase(axis):
    # A dipole at +d leads towards its own side: exp(+j k d.r^), written out by hand.
    d = 0.17
    place = d * np.eye(3)[axis : axis + 1]
    theta = np.array([0.4, 1.3, 2.2])
    phi = np.array([0.3, 2.0, -1.0])
    r_hat = [np.sin(theta) * np.cos(phi), np.sin(theta) * np.sin(phi), np.cos(theta)][axis]
    for kind in ("electric", "magnetic"):
        moment = {kind: [[1.0, 2.0, 3.0]]}
        angles = {"frequency": ONE_METRE, "theta": theta, "phi": phi}
        there = far_field_of(DipoleCluster(place, **moment), **angles)
        here = far_field_of(DipoleCluster(ORIGIN, **moment), **angles)
        for a, b in zip(there, here, strict=True):
            np.testing.assert_allclose(a, b * np.exp(1j * K * d * r_hat), rtol=0, atol=1e-12)
            assert np.abs(a).min() > 1e-12  # none of them is a null, where all would agree
    # Near by: the probe on the axis is d closer, so the field is that at r - d.
    theta_axis, phi_axis = [(np.pi / 2, 0), (np.pi / 2, np.pi / 2), (0, 0)][axis]
    on_axis = {"frequency": ONE_METRE, "theta": theta_axis, "phi": phi_axis}
    a = near_field(DipoleCluster(place, [[1.0, 2.0, 3.0]]), radius=2.0, **on_axis)
    b = near_field(DipoleCluster(ORIGIN, [[1.0, 2.0, 3.0]]), radius=2.0 - d, **on_axis)
    np.testing.assert_allclose(a, b, rtol=0, atol=100 * EPS * np.abs(b).max())


@pytest.mark.parametrize(
    "antenna",
    [random_cluster(), SinusoidalWire(1.2, 1.0, position=(0.1, 0.2, -0.1), axis=(1, 1, 2))],
    ids=["cluster", "wire"],
)
def test_near_field_tends_to_far_field(antenna):
    theta, phi = random_directions(60)
    angles = {"frequency": ONE_METRE, "theta": theta, "phi": phi}
    far = np.array(far_field_of(antenna, **angles))
    error = []
    for r in (500.0, 1000.0):
        e_r, *e = near_field(antenna, radius=r, **angles)
        error.append(np.linalg.norm(r * np.exp(1j * K * r) * np.array(e) - far))
        # Gauss's law: the radial part falls with 1/(kr), over the other ones.
        assert np.linalg.norm(r * e_r) <= (1 + K) / (K * r) * 4 * np.linalg.norm(far)
    # C/r (1 + O(k r0^2/r)), r0 = 1: the ratio is 1/2 to twice that.
    assert error[1] / error[0] == pytest.approx(0.5, abs=2 * K / 500)
    assert error[1] <= K / 1000 * np.linalg.norm(far)


def test_far_side_of_the_pole():
    # (-theta, phi) is the place (theta, phi + pi), with both tangential vectors reversed.
    theta, phi = random_directions(30)
    a = near_field(random_cluster(), frequency=ONE_METRE, theta=-theta, phi=phi, radius=2)
    b = near_field(random_cluster(), frequency=ONE_METRE, theta=theta, phi=phi + np.pi, radius=2)
    for x, y, sign in zip(a, b, (1, -1, -1), strict=True):
        np.testing.assert_allclose(x, sign * y, rtol=0, atol=200 * EPS * np.abs(b[1]).max())


def test_power_of_cluster_is_the_integral_of_its_far_field():
    # Exact beyond degree k r0 + enough: degree 30 for k r0 = 6.3, 75 for 31.
    cluster = random_cluster()
    f = ONE_METRE * [0.1, 1.0, 5.0]
    got = radiated_power_of(cluster, frequency=f)
    np.testing.assert_allclose(got[:2], power_of_far_field(cluster, 30, f[:2]), rtol=1e-13)
    np.testing.assert_allclose(got[2:], power_of_far_field(cluster, 75, f[2:]), rtol=1e-13)
    # The electric-magnetic part is in it: without it the sum would be another.
    parts = DipoleCluster(cluster.position, cluster.electric)
    others = DipoleCluster(cluster.position, 0, cluster.magnetic)
    apart = sum(radiated_power_of(x, frequency=f) for x in (parts, others))
    assert np.all(np.abs(apart / got - 1) > 1e-4)


# --- wires --------------------------------------------------------------------------------------


@pytest.mark.parametrize("length", [0.5, 1.3])
def test_wire_is_the_sum_of_its_current(length):
    # The field of the line of Hertzian dipoles I sin(k (L/2 - |z|)) dz, integrated half by
    # half with 40 nodes: exact to rounding at a quarter wavelength and more from the wire.
    x, weight = np.polynomial.legendre.leggauss(40)
    z = length / 4 * (x + 1)
    moment = length / 4 * weight * np.sin(K * (length / 2 - z)) * (2 - 1j)
    place = np.outer(np.concatenate([z, -z]), Z)
    cluster = DipoleCluster(place, np.outer(np.tile(moment, 2), Z))
    wire = SinusoidalWire(length, 2 - 1j)
    # On the axis, close to it, beside the wire (on both sides of a height inside it) and level
    # with its end, where the formula changes branches.
    rng = np.random.default_rng(5)
    beyond = length / 2 + 0.25 + rng.uniform(0, 3, 20)
    rho = np.concatenate([[0, 0, 1e-9, 1e-6, 1e-3], rng.uniform(0, 3, 15)])
    points = np.stack([rho, 0 * rho, beyond * np.where(np.arange(20) % 2, 1, -1)], axis=1)
    height = np.concatenate([rng.uniform(-0.5, 0.5, 17), [-0.5, 0, 0.5]]) * length
    angle = rng.uniform(0, K, 20)
    side = rng.uniform(0.25, 3, 20)
    beside = np.stack([side * np.cos(angle), side * np.sin(angle), height], axis=1)
    points = np.concatenate([points, beside])
    theta, phi, radius = spherical(points)
    where = {"frequency": ONE_METRE, "theta": theta, "phi": phi, "radius": radius}
    got, expected = np.array(near_field(wire, **where)), np.array(near_field(cluster, **where))
    size = np.linalg.norm(expected, axis=0)
    # Three waves of Z0 I / (4 pi R), each of phase error kR eps, R <= 5; the field is smaller
    # than they are by up to a hundredfold on the axis: hence relative to the waves.
    waves = 4 * WAVE_IMPEDANCE * np.abs(wire.current) / (4 * np.pi * np.minimum(radius, 0.25))
    assert np.all(np.linalg.norm(got - expected, axis=0) <= 5 * K * EPS * waves + 1e-13 * size)
    np.testing.assert_allclose(np.abs(got[2]), 0, atol=1e-13 * size.max())  # E_phi of a z wire
    angles = {"frequency": ONE_METRE, "theta": theta, "phi": phi}
    a, b = far_field_of(wire, **angles)[0], far_field_of(cluster, **angles)[0]
    np.testing.assert_allclose(a, b, rtol=0, atol=100 * EPS * np.abs(b).max())


def test_wire_at_any_place_and_direction():
    axis = np.array([1.0, 2.0, -2.0]) / 3
    turn = np.linalg.qr(np.stack([axis, X, Y], axis=1))[0]
    turn = np.roll(turn * np.sign(turn[:, 0] @ axis), -1, axis=1)  # z onto the axis
    assert turn[:, 2] == pytest.approx(axis)
    shift = np.array([0.3, 0.1, -0.2])
    moved = SinusoidalWire(0.8, 1.0, position=shift, axis=5 * axis)
    points = 2 * basis(*random_directions(30))[0]
    expected = cartesian_field(SinusoidalWire(0.8, 1.0), points)[0] @ turn.T
    got = cartesian_field(moved, points @ turn.T + shift)[0]
    assert np.abs(got - expected).max() <= 8 * K * 3 * EPS * np.abs(expected).max()
    assert moved.minimum_radius == pytest.approx(
        max(np.linalg.norm(shift + s * 0.4 * axis) for s in (1, -1)), rel=4 * EPS
    )
    power = radiated_power_of(moved, frequency=ONE_METRE)
    np.testing.assert_allclose(power, power_of_far_field(moved, 30), rtol=1e-13)


# --- modes of a known antenna -------------------------------------------------------------------


def test_the_last_expansions_are_kept():
    # A z-dipole has the mode (2, 0, 1) alone, of the power k^2 Z0 |p|^2 / (12 pi) (closed form),
    # but for rounding in an exact quadrature.
    frequency = float(ONE_METRE[0])
    one = expanded(Z_DIPOLE, frequency)
    power = 0.5 * np.abs(one.coefficients[0]) ** 2
    exact = K**2 * WAVE_IMPEDANCE / (12 * np.pi)
    at = mode_index(s=2, m=0, n=1)
    np.testing.assert_allclose(power[at], exact, rtol=1e-9)
    assert np.delete(power, at).sum() < 1e-18 * exact
    assert expanded(Z_DIPOLE, frequency) is one
    higher = expanded(Z_DIPOLE, frequency, least=5)
    assert (one.degree, higher.degree) == (1, 5)
    twice = expanded(Z_DIPOLE, 2 * frequency)
    np.testing.assert_allclose(twice.radiated_power(), 4 * exact, rtol=1e-9)
    other = DipoleCluster(ORIGIN, [3 * Z])
    np.testing.assert_allclose(expanded(other, frequency).radiated_power(), 9 * exact, rtol=1e-9)


HERE = {"frequency": ONE_METRE, "theta": 1.0, "phi": 0.0, "radius": 1.0}


# --- bad input ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: near_field(Z_DIPOLE, **{**HERE, "radius": 0.0}), "radius is 0 m, expected > 0"),
        (lambda: near_field(Z_DIPOLE, **{**HERE, "frequency": [-1.0]}), "frequency is -1.0"),
        (lambda: near_field(Z_DIPOLE, **{**HERE, "frequency": []}), "frequency is empty"),
        (
            lambda: near_field(Z_DIPOLE, **{**HERE, "theta": [1, 2, 3], "phi": [1, 2]}),
            "phi has shape (2,), expected (M,) = (3,), (F, M) or a number",
        ),
        (lambda: near_field(Z_DIPOLE, **{**HERE, "theta": np.ones((2, 3))}), "theta has shape (2, 3)"),
        (
            lambda: near_field(
                DipoleCluster([X / 3], [Z]), **{**HERE, "theta": np.pi / 2, "radius": [2, 1 / 3]}
            ),
            "m lies on a source: move it",
        ),
        (
            lambda: near_field(SinusoidalWire(2.5, 1.0), **{**HERE, "theta": 0.0}),
            "the point (0, 0, 1) m lies on a source",
        ),
        (
            lambda: simulate(Z_DIPOLE, chi=0.0, noise=-1.0, **HERE),
            "noise is -1.0, expected a root mean square value >= 0",
        ),
        (lambda: simulate(Z_DIPOLE, chi=[[0.0, 1.0], [0.0, 1.0]], **HERE), "chi has shape (2, 2)"),
        (lambda: simulate(Z_DIPOLE, chi=0.0, **{**HERE, "theta": 4.0}), "expected -180 to 180 deg"),
    ],
)
def test_bad_input_is_refused_with_one_line(call, message):
    with pytest.raises(ValueError, match=re.escape(message)) as error:
        call()
    assert "\n" not in str(error.value)
