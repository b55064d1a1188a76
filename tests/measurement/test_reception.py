"""What a probe of dipoles receives: Maxwell, reciprocity, power budgets and Friis' formula."""

import re
import tracemalloc

import numpy as np
import oracle
import probe_oracle
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
    random_cluster,
    random_directions,
)

from nf2ff.antenna.closed_form import radiated_power_of
from nf2ff.antenna.dipoles import DipoleCluster, SinusoidalWire, huygens_source
from nf2ff.antenna.modes import WAVE_IMPEDANCE
from nf2ff.measurement.simulated import _dual, receive, simulate

X_DIPOLE = DipoleCluster(ORIGIN, [X])


def positions(count, seed=3):
    theta, phi = random_directions(count, seed)
    chi = np.random.default_rng(seed).uniform(-np.pi, np.pi, count)
    return {"frequency": ONE_METRE, "theta": theta, "phi": phi, "chi": chi}


# --- one dipole ---------------------------------------------------------------------------------


def test_electric_dipole_is_the_field_probe():
    # A lossless dipole of D = 3/2 takes lambda^2 D/(4 pi) |E|^2/(2 Z0) (effective area, closed
    # form): |w| = |E| sqrt(3 pi/2) / (k sqrt(Z0)) along its axis, at any distance, w = -p.E/(2v).
    where = positions(30)
    radius = np.linspace(1.2, 5, 30)
    got = receive(random_cluster(), [X_DIPOLE], **where, radius=radius)
    ideal = simulate(random_cluster(), **where, radius=radius)
    factor = -np.sqrt(1.5 * np.pi) / (K * np.sqrt(WAVE_IMPEDANCE))
    # Both round the point: k r eps of phase, twice.
    size = np.abs(ideal.response).max() * abs(factor)
    np.testing.assert_allclose(got.response, factor * ideal.response, rtol=0, atol=4 * K * 5 * EPS * size)
    assert got.response_unit == "sqrt(W)"
    for name in ("theta", "phi", "chi", "radius", "port"):
        np.testing.assert_array_equal(getattr(got, name), getattr(ideal, name))


@pytest.mark.parametrize(("axis", "chi"), [(X, 0.3), (Y, 0.3 - np.pi / 2)])
def test_axes_of_a_mounted_probe(axis, chi):
    # y_p = theta^ sin(chi) - phi^ cos(chi) is x_p at chi - 90 deg. A quarter turn is rounded.
    where = positions(9) | {"chi": 0.3, "radius": 3.0}
    got = receive(random_cluster(), [DipoleCluster(ORIGIN, [axis])], **where)
    same = receive(random_cluster(), [X_DIPOLE], **where | {"chi": chi})
    size = np.abs(same.response).max()
    np.testing.assert_allclose(got.response, same.response, rtol=0, atol=10 * EPS * size)


def test_boresight_of_a_mounted_probe():
    # A dipole along z_p reads -E_r; one at +d on z_p is d nearer to the origin.
    where = positions(9) | {"radius": 3.0}
    antenna = random_cluster()
    e = cartesian_field(antenna, 3 * basis(where["theta"], where["phi"])[0])[0]
    e_r = np.sum(e * basis(where["theta"], where["phi"])[0], axis=1)
    factor = -np.sqrt(1.5 * np.pi) / (K * np.sqrt(WAVE_IMPEDANCE))
    got = receive(antenna, [Z_DIPOLE], **where).response[0]
    np.testing.assert_allclose(got, -factor * e_r, rtol=0, atol=100 * EPS * abs(factor * e).max())
    ahead = DipoleCluster([[0, 0, 0.4]], [X])
    got = receive(antenna, [ahead], **where).response
    same = receive(antenna, [X_DIPOLE], **where | {"radius": 2.6}).response
    np.testing.assert_allclose(got, same, rtol=0, atol=100 * EPS * np.abs(same).max())


def test_dual_cluster_is_the_magnetic_field():
    # curl E = -jk Z0 H and curl H = jk/Z0 E, central differences of sixth order: what they leave is
    # h^6/140 E^(7), with the steepest derivative (k + 6.1/R)^7 as in the tests of the simulation.
    antenna = random_cluster()
    h = 0.03 / K
    centre = np.linspace(2.1, 4, 12)[:, None] * basis(*random_directions(12))[0]
    steps = h * np.arange(-3, 4)
    points = centre[:, None, None] + steps[:, None] * np.eye(3)[:, None, :]  # (M, axis, 7, 3)
    e, mag = (cartesian_field(x, points)[0] for x in (antenna, _dual(antenna)))
    first = np.array([-1, 9, -45, 0, 45, -9, 1]) / 60 / h
    steep = K + 6.1
    noise = (K * 5 + 20) * EPS
    tolerance = 3 * (h**6 * steep**7 / 140 + 1.9 * noise / h) / K
    assert tolerance < 1e-8
    for field, other, factor in ((e, mag, -1j * K * WAVE_IMPEDANCE), (mag, e, 1j * K / 376.730313668)):
        slope = np.einsum("maji,j->mai", field, first)  # d field_i / d x_a
        curl = np.stack(
            [slope[:, (i + 1) % 3, (i + 2) % 3] - slope[:, (i + 2) % 3, (i + 1) % 3] for i in range(3)],
            axis=1,
        )
        wanted = factor * other[:, 0, 3]
        size = np.maximum(np.linalg.norm(wanted, axis=1), np.linalg.norm(field[:, 0, 3], axis=1) * K)
        assert np.all(np.linalg.norm(curl - wanted, axis=1) <= tolerance * size)


def test_magnetic_dipole_receives_the_magnetic_field():
    # w = +m.H/(2v), 1/2 v^2 = k^2 |m|^2/(12 pi Z0). H by the curl above, here of one z dipole far
    # out on the equator: H_phi = E0 (1 + q), E0 = -E_theta/(1 + q + q^2) (closed form).
    q = 1 / (1j * K * 3.0)
    e_theta = oracle.hertzian_dipole(Z, K, [3.0], [np.pi / 2], [0.2])[0, 1]
    h_phi = e_theta / (1 + q + q * q) * (1 + q) / WAVE_IMPEDANCE
    v = np.sqrt(2 * K**2 / (12 * np.pi * WAVE_IMPEDANCE))
    where = {"frequency": ONE_METRE, "theta": np.pi / 2, "phi": 0.2, "radius": 3.0}
    loop = DipoleCluster(ORIGIN, magnetic=[X])
    got = receive(Z_DIPOLE, [loop], chi=[0.0, np.pi / 2], **where).response[0]
    np.testing.assert_allclose(got, [0, h_phi / (2 * v)], rtol=0, atol=50 * EPS * abs(got[1]))


# --- whole probes ---------------------------------------------------------------------------------


def test_huygens_probe_takes_three_over_four_pi():
    # Looking at a distant antenna: lambda^2 3/(4 pi) of the power density, both dipoles adding up
    # (closed form); looking away from it, nothing. 1/(kr) at r = 1e4.
    where = positions(20) | {"radius": 1e4}
    near = {"direction": [0, 0, 1], "polarisation": [1, 0, 0]}
    facing, away = (huygens_source(**near | {"direction": [0, 0, d]}) for d in (1, -1))
    antenna = random_cluster()
    got = receive(antenna, [facing], **where).response
    e = simulate(antenna, **where).response
    wanted = -np.sqrt(3 * np.pi) / (K * np.sqrt(WAVE_IMPEDANCE)) * e
    size = np.abs(wanted).max()
    np.testing.assert_allclose(got, wanted, rtol=0, atol=2 / (K * 1e4) * size)
    got = receive(antenna, [away], **where).response
    np.testing.assert_allclose(got, 0, atol=2 / (K * 1e4) * size)


def test_friis():
    # P_r = D_A D_B (lambda/(4 pi r))^2 P_A for like polarisations (H. T. Friis, 1946; closed
    # form): two dipoles side by side, D = 3/2, and Huygens sources face to face, D = 3.
    r = 1e4
    for antenna, probe, d, theta, chi in (
        (Z_DIPOLE, X_DIPOLE, 1.5, np.pi / 2, 0.0),
        *(
            (
                huygens_source(direction=Z, polarisation=X, moment=2 - 1j),
                huygens_source(direction=Z, polarisation=X, moment=3j),
                3.0,
                0.0,
                0.0,
            ),
        ),
    ):
        power = radiated_power_of(antenna, frequency=ONE_METRE)[0]
        samples = receive(antenna, [probe], frequency=ONE_METRE, theta=theta, phi=0.0, chi=chi, radius=r)
        received = 0.5 * np.abs(samples.response[0, 0]) ** 2
        wanted = d**2 / (4 * np.pi * r) ** 2 * power
        assert received == pytest.approx(wanted, rel=4 / (K * r))


def test_effective_area_of_any_cluster():
    # What a distant dipole along x and one along y send, received one after the other, is lambda^2
    # D/(4 pi) of the power density of one (closed form), D towards +z; the probe is turned as a
    # body to show it other sides.
    probe, r = random_cluster(size=0.3, seed=4), 1e6
    density = 0.5 / WAVE_IMPEDANCE * (K * WAVE_IMPEDANCE / (4 * np.pi * r)) ** 2
    for seed in range(4):
        turn = np.linalg.qr(np.random.default_rng(seed).normal(size=(3, 3)))[0]
        turn *= np.linalg.det(turn)
        turned = probe_oracle.rotated(probe, turn)
        power = 0.0
        for axis in (X, Y):
            w = receive(
                DipoleCluster(ORIGIN, [axis]),
                [turned],
                frequency=ONE_METRE,
                theta=0.0,
                phi=0.0,
                chi=0.2,
                radius=r,
            ).response
            power += 0.5 * np.abs(w[0, 0]) ** 2
        d = directivity(turned, 0.0, 0.0)[0]
        assert power == pytest.approx(density * d / (4 * np.pi), rel=10 / r + 2 * K * r * EPS)


def test_all_that_is_radiated_is_received():
    # The mean over a distant sphere of the power received at chi = 0 and 90 deg together is
    # lambda^2 3/(4 pi) times the mean power density P_A/(4 pi r^2), D = 3 (closed form). 31
    # Gauss-Legendre rings are exact, as the antenna has no degree above 30.
    antenna, r = random_cluster(), 1e5
    x, weight = np.polynomial.legendre.leggauss(31)
    phi = 2 * np.pi / 61 * np.arange(61)
    where = {"theta": np.repeat(np.arccos(x), 61), "phi": np.tile(phi, 31), "radius": r}
    probe = huygens_source(direction=Z, polarisation=X)
    power = 0.0
    for chi in (0.0, np.pi / 2):
        w = receive(antenna, [probe], frequency=ONE_METRE, chi=chi, **where).response[0]
        power += 0.5 * weight / 2 @ (np.abs(w.reshape(31, 61)) ** 2).mean(axis=1)
    radiated = radiated_power_of(antenna, frequency=ONE_METRE)[0]
    wanted = 3 / (4 * np.pi) * radiated / (4 * np.pi * r**2)
    assert power == pytest.approx(wanted, rel=4 * K / r)


@pytest.mark.parametrize("seed", range(5))
def test_reciprocity_of_two_antennas(seed):
    # A radiates 1 W, B receives w; B radiates 1 W, A receives the same w. General angles both ways.
    rng = np.random.default_rng(seed)
    a, b = random_cluster(size=0.5, seed=seed), random_cluster(count=4, size=0.3, seed=seed + 50)
    angles = np.arccos(rng.uniform(-1, 1)), *rng.uniform(-np.pi, np.pi, 2)
    other = np.arccos(rng.uniform(-1, 1)), *rng.uniform(-np.pi, np.pi, 2)
    r = 1.5
    # A stands at the origin of the laboratory, B is mounted at ``angles``.
    there, back = probe_oracle.mounting(*angles), probe_oracle.mounting(*other)
    # The same scene in a frame S about B, in which A is mounted at ``other``. As a probe A looks at
    # B, along -z of B; its other axes may be any: those of B after half a turn about x.
    a_axes = there @ np.diag([1.0, -1.0, -1.0])  # as columns, in the laboratory
    a_probe = probe_oracle.rotated(a, a_axes.T)
    # In S they are the columns of ``back``: so the laboratory is turned by back @ a_axes.T.
    b_antenna = probe_oracle.rotated(b, back @ a_axes.T @ there)
    p_a, p_b = (radiated_power_of(c, frequency=ONE_METRE)[0] for c in (a, b))
    theta, phi, chi = angles
    one = receive(a, [b], frequency=ONE_METRE, theta=theta, phi=phi, chi=chi, radius=r)
    theta, phi, chi = other
    two = receive(b_antenna, [a_probe], frequency=ONE_METRE, theta=theta, phi=phi, chi=chi, radius=r)
    got, same = one.response[0, 0] / np.sqrt(p_a), two.response[0, 0] / np.sqrt(p_b)
    # Rotations of the dipoles round k times a metre; neither is in a null (|w| ~ 0.1).
    assert abs(got - same) <= 1000 * EPS * max(abs(got), 0.05)
    assert abs(got) > 1e-3


def test_level_and_efficiency():
    # Only ratios of the moments count; |w|^2 is proportional to the efficiency.
    where = positions(5) | {"radius": 3.0, "frequency": ONE_METRE * [1.0, 1.5]}
    probe = random_cluster(size=0.2)
    louder = DipoleCluster(probe.position, 7 * probe.electric, 7 * probe.magnetic)
    antenna = random_cluster(seed=9)
    whole = receive(antenna, [probe], **where).response
    np.testing.assert_allclose(receive(antenna, [louder], **where).response, whole, rtol=20 * EPS)
    half = receive(antenna, [probe], efficiency=0.5, **where).response
    np.testing.assert_allclose(half, whole * np.sqrt(0.5), rtol=4 * EPS)
    both = [probe, X_DIPOLE]
    each = receive(antenna, both, efficiency=[0.25, 1.0], port=[1, 2, 1, 2, 1], **where)
    np.testing.assert_allclose(each.response[:, ::2], whole[:, ::2] / 2, rtol=20 * EPS)
    x = receive(antenna, [X_DIPOLE], **where).response
    np.testing.assert_allclose(each.response[:, 1::2], x[:, 1::2], rtol=20 * EPS)
    table = receive(antenna, both, efficiency=[[1, 1], [0.25, 1]], **where).response
    np.testing.assert_allclose(table, whole * [[1], [0.5]], rtol=20 * EPS)


def test_a_wire_as_antenna():
    # Against the line of dipoles that it is; electric probes only.
    wire = SinusoidalWire(0.5, 1.0)
    x, weight = np.polynomial.legendre.leggauss(40)
    z = 0.125 * (x + 1)
    moment = 0.125 * weight * np.sin(K * (0.25 - z))
    line = DipoleCluster(np.outer(np.concatenate([z, -z]), Z), np.outer(np.tile(moment, 2), Z))
    probe = DipoleCluster([[0.1, 0, 0.1], [0, 0.2, 0]], [X, 1j * Y])
    where = positions(20) | {"radius": 1.5}
    got, wanted = (receive(a, [probe], **where).response for a in (wire, line))
    np.testing.assert_allclose(got, wanted, rtol=0, atol=200 * EPS * np.abs(wanted).max())


def test_moving_axes_ports_and_the_far_side_of_the_pole():
    f = ONE_METRE * [1.0, 1.3]
    antenna, probes = random_cluster(), [random_cluster(size=0.2, seed=s) for s in (5, 6)]
    place = positions(14)
    theta, phi, chi = (place[name].reshape(2, 7) for name in ("theta", "phi", "chi"))
    port = np.array([1, 2, 2, 1, 1, 2, 1])
    moving = receive(
        antenna, probes, frequency=f, theta=theta, phi=phi[0], chi=chi, radius=2 + theta, port=port
    )
    assert moving.moving
    for i in range(2):
        for m in range(7):
            one = receive(
                antenna,
                probes[port[m] - 1 : port[m]],
                frequency=f[i : i + 1],
                theta=theta[i, m],
                phi=phi[0, m],
                chi=chi[i, m],
                radius=2 + theta[i, m],
            )
            size = np.abs(moving.response).max()
            assert abs(one.response[0, 0] - moving.response[i, m]) <= 200 * EPS * size
    # (-theta, phi) is (theta, phi + pi) with theta^ and phi^ reversed: chi + pi.
    where = {"frequency": f, "radius": 2.5}
    a = receive(antenna, probes, theta=-theta[0], phi=phi[0], chi=chi[0], **where).response
    b = receive(antenna, probes, theta=theta[0], phi=phi[0] + np.pi, chi=chi[0] + np.pi, **where).response
    np.testing.assert_allclose(a, b, rtol=0, atol=400 * EPS * np.abs(b).max())


def test_noise():
    # As `simulate`: |noise|^2 is exponential, relative spread of its mean 1/sqrt(M); 5 sigma.
    where = positions(20000) | {"radius": 3.0}
    clean = receive(Z_DIPOLE, [X_DIPOLE], **where).response
    noise = receive(Z_DIPOLE, [X_DIPOLE], noise=0.5, rng=7, **where).response - clean
    assert np.mean(np.abs(noise) ** 2) == pytest.approx(0.25, rel=5 / np.sqrt(20000))
    assert np.abs(np.mean(noise**2)) <= 5 * 0.25 / np.sqrt(20000)
    assert np.abs(np.mean(noise)) <= 5 * 0.5 / np.sqrt(20000)
    again = receive(Z_DIPOLE, [X_DIPOLE], noise=0.5, rng=np.random.default_rng(7), **where)
    np.testing.assert_array_equal(again.response - clean, noise)


@pytest.mark.slow
def test_memory_is_bounded():
    # 20000 samples of 3 by 30 dipoles: all pairs at once would be 1.8e6 times 16 bytes, a dozen
    # times over. Frames of the probe take 9 numbers, fields 6, a sample.
    where = positions(20000) | {"radius": 3.0}
    tracemalloc.start()
    receive(random_cluster(count=30), [random_cluster(count=3, size=0.1)], **where)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak <= 20000 * 8 * 60 + 32e6


# --- bad input ----------------------------------------------------------------------------------

HERE = {"frequency": ONE_METRE, "theta": 1.0, "phi": 0.0, "chi": 0.0, "radius": 3.0}
BOX = random_cluster(size=1.0)
LOOP = DipoleCluster(ORIGIN, magnetic=[X])


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: receive(BOX, [DipoleCluster([[0, 0, 2.9]], [X])], **HERE),
            "a dipole of the probe comes within 0.1 m of the origin, the antenna reaches out to "
            f"{BOX.minimum_radius:.6g} m: increase the radius",
        ),
        (
            lambda: receive(BOX, [X_DIPOLE], **HERE | {"radius": BOX.minimum_radius / 2}),
            "increase the radius",
        ),
        (lambda: receive(BOX, [X_DIPOLE], port=2, **HERE), "the probe has 1 ports: give it"),
        (lambda: receive(BOX, [], **HERE), "port 1 occurs, but the probe has 0 ports"),
        (lambda: receive(BOX, [X_DIPOLE], port=0, **HERE), "port is 0, ports are counted from 1"),
        (
            lambda: receive(BOX, [X_DIPOLE, DipoleCluster(ORIGIN)], **HERE),
            "port 2 radiates no power: it has no response",
        ),
        (
            lambda: receive(BOX, [X_DIPOLE], efficiency=[1, 1], **HERE),
            "efficiency has shape (2,), expected (1,) or (1, 1)",
        ),
        (
            lambda: receive(BOX, [X_DIPOLE], efficiency=0.0, **HERE),
            "efficiency is 0.0 to 0.0, expected above 0 and at most 1",
        ),
        (lambda: receive(BOX, [X_DIPOLE], efficiency=1.01, **HERE), "at most 1"),
        (
            lambda: receive(BOX, [X_DIPOLE], noise=-1.0, **HERE),
            "noise is -1.0, expected a root mean square value >= 0 [sqrt(W)]",
        ),
        (
            lambda: receive(SinusoidalWire(0.5, 1.0), [LOOP], **HERE),
            "the probe has magnetic dipoles and the antenna is a wire: make it a line of dipoles",
        ),
        (
            lambda: receive(BOX, [X_DIPOLE], **HERE | {"theta": [1.0, 2.0], "phi": [0.0] * 3}),
            "theta has shape (2,), expected (M,) = (3,)",
        ),
        (lambda: receive(BOX, [X_DIPOLE], **HERE | {"theta": 4.0}), "expected -180 to 180 deg"),
        (lambda: receive(BOX, [X_DIPOLE], **HERE | {"radius": -3.0}), "radius is -3 m at sample 1"),
        (lambda: receive(BOX, [X_DIPOLE], **HERE | {"frequency": [0.0]}), "positive values"),
        (lambda: receive(BOX, [X_DIPOLE], **HERE | {"frequency": 1e9}), "has 0 dimensions"),
    ],
)
def test_bad_input_is_refused_with_one_line(call, message):
    with pytest.raises(ValueError, match=re.escape(message)) as error:
        call()
    assert "\n" not in str(error.value)
