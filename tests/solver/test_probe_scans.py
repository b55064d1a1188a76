"""Scans with probes of many orders, simulated without a spherical wave, corrected by the solver."""

import numpy as np
import oracle
import probe_oracle
import pytest
from sources import ONE_METRE, K, X, Y, Z, random_cluster, random_directions

from nf2ff.antenna.closed_form import far_field_of, radiated_power_of
from nf2ff.antenna.dipoles import DipoleCluster, huygens_source
from nf2ff.antenna.fields import far_field_points
from nf2ff.antenna.grids import grid_for_degree
from nf2ff.antenna.modes import WAVE_IMPEDANCE, Modes, mode_index
from nf2ff.antenna.points import equal_area_spiral_for_degree
from nf2ff.measurement.probe import Probe, keep_orders, mounted, probe_from_modes, response_constants
from nf2ff.measurement.samples import Samples
from nf2ff.measurement.simulated import receive
from nf2ff.solver.solve import solve
from nf2ff.solver.strategy import LeastSquares, Quadrature

#: The antenna: six dipole pairs at up to 0.53 wavelengths from the origin. Its degrees above 19
#: carry 1e-13 of its field.
ANTENNA = random_cluster(size=0.8)
DEGREE = 19
#: Three wavelengths outside of its minimum sphere.
RADIUS = ANTENNA.minimum_radius + 3.0
#: A smaller one, where there are many samples: its degrees above 13 carry as little.
SMALL, SMALL_DEGREE = random_cluster(size=0.4), 13
DIRECTIONS = dict(zip(("theta", "phi"), random_directions(200, 8), strict=True))
TRUTH, SMALL_TRUTH = (
    np.array(far_field_of(a, frequency=ONE_METRE, **DIRECTIONS))[:, 0] for a in (ANTENNA, SMALL)
)


def ring_probe(seed=5, count=24, radius=0.2, level=0.1):
    """A Huygens source and two rings of dipole pairs that radiate the orders -5 ... 5.

    The moments (x +- jy) and z have the orders +-1 and 0 of their own, the rest is in the phase
    around the ring; 24 elements let through the orders 19 and more besides, of degree 19 and
    more, where j_18(k radius) = 1e-23 is beneath notice. Order q is raised by 2.5^(|q|-1), as
    high orders hardly radiate otherwise.
    """
    rng = np.random.default_rng(seed)
    phi = 2 * np.pi / count * np.arange(count)
    q = np.arange(-5, 6)
    main = huygens_source(direction=Z, polarisation=X, position=[0, 0, 0.1])
    position, electric, magnetic = [main.position], [main.electric], [main.magnetic]
    for height in (-0.06, 0.06):
        ring = [radius * np.cos(phi), radius * np.sin(phi), np.full(count, height)]
        position.append(np.stack(ring, axis=1))
        for moments, unit in ((electric, 1.0), (magnetic, WAVE_IMPEDANCE)):
            total = np.zeros((count, 3), dtype=complex)
            for vector, own in ((X + 1j * Y, 1), (X - 1j * Y, -1), (Z, 0)):
                weight = rng.normal(size=(2, q.size)).T @ [1, 1j] * 2.5 ** (np.abs(q) - 1.0)
                total += unit * np.outer(np.exp(1j * np.outer(phi, q - own)) @ weight, vector)
            moments.append(level / count * total)
    return DipoleCluster(*(np.concatenate(x) for x in (position, electric, magnetic)))


def modes_of(cluster, degree):
    """Waves of a cluster at 1 W, by the reciprocity integral of the oracle."""
    t = probe_oracle.cluster_modes(cluster, K, degree)
    power = radiated_power_of(cluster, frequency=ONE_METRE)[0]
    return Modes(ONE_METRE, t[None] / np.sqrt(power))


RINGS = ring_probe()
#: Its waves to degree 14; other orders are rounding.
PROBE = keep_orders(
    probe_from_modes(modes_of(RINGS, 14), minimum_radius=RINGS.minimum_radius), orders=range(-5, 6)
)


def dipole_probe():
    """A dipole of 1 W along x: the probe that a real one is taken for."""
    return probe_from_modes(modes_of(DipoleCluster([[0, 0, 0]], [X]), 1))


def spiral(chi):
    """A spiral through which the samples go once for each value of chi."""
    points = equal_area_spiral_for_degree(DEGREE)
    return everywhere(points.theta, points.phi, chi)


def everywhere(theta, phi, chi):
    return {
        "theta": np.tile(theta, len(chi)),
        "phi": np.tile(phi, len(chi)),
        "chi": np.repeat(chi, theta.size),
    }


def grid(chi, degree):
    g = grid_for_degree(degree)
    return everywhere(np.repeat(g.theta, g.phi.size), np.tile(g.phi, g.theta.size), chi)


def scan(where, probes=(RINGS,), antenna=ANTENNA, **more):
    place = {"radius": RADIUS} | where | more
    return receive(antenna, list(probes), frequency=ONE_METRE, **place)


def far(solution):
    return np.array(far_field_points(solution.modes, **DIRECTIONS)).reshape(2, -1)


def error(e, truth=TRUTH):
    """Largest error of the far field relative to its maximum over the directions."""
    return np.abs(e - truth).max() / np.abs(truth).max()


def error_but_for_level(e, truth=TRUTH):
    """The same after the best complex factor: a wrong gain alone is not counted."""
    return error(e * np.vdot(e, truth) / np.vdot(e, e), truth)


# --- what goes in -----------------------------------------------------------------------------


def test_oracle_modes_of_a_cluster():
    # The reciprocity integral against the far field in closed form, the power, and the printed
    # waves of dipoles at the origin: z Q_{2,0,1} = -q, x Q_{2,-+1,1} = -+ q/sqrt 2, y Q_{2,+-1,1} =
    # -j q/sqrt 2 (project's check values; the same in either time factor).
    q = probe_oracle.cluster_modes(ANTENNA, K, 26)
    e = oracle.far_field(q, 26, DIRECTIONS["theta"], DIRECTIONS["phi"]).T
    # Degrees above 26 are below 1e-19 of the field; the sums run over 1456 waves.
    assert error(e) < 1e-13
    power = radiated_power_of(ANTENNA, frequency=ONE_METRE)[0]
    assert np.sum(np.abs(q) ** 2) / 2 == pytest.approx(power, rel=1e-13)
    level = K * np.sqrt(oracle.Z0 / (6 * np.pi))
    for axis, expected in (
        (Z, {0: -1}),
        (X, {-1: -np.sqrt(0.5), 1: np.sqrt(0.5)}),
        (Y, {-1: -1j * np.sqrt(0.5), 1: -1j * np.sqrt(0.5)}),
    ):
        q = probe_oracle.cluster_modes(DipoleCluster([[0, 0, 0]], [axis]), K, 1)
        wanted = np.zeros(6, dtype=complex)
        for m, value in expected.items():
            wanted[mode_index(s=2, m=m, n=1)] = level * value
        # 20 roundings.
        np.testing.assert_allclose(q, wanted, rtol=0, atol=5e-15 * level)


def test_the_probe_has_the_orders_said():
    t = modes_of(RINGS, 22).coefficients[0]
    _, mu, nu = np.array(oracle.modes(22)).T
    whole = np.linalg.norm(t)
    assert np.linalg.norm(t[np.abs(mu) > 5]) < 1e-13 * whole
    assert np.linalg.norm(t[nu > 14]) < 1e-12 * whole
    assert np.linalg.norm(t[nu >= 8]) > 1e-5 * whole
    for order in range(-5, 6):
        assert np.linalg.norm(t[mu == order]) > 0.02 * whole, order
    assert PROBE.orders() == list(range(-5, 6))


# --- the correction ----------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("chi", ["0 and 90 deg", "any"])
def test_spiral(chi):
    # No spherical wave in the samples. Truncation leaves 1e-12 (probe) and 1e-13 (antenna), the
    # iteration its 1e-11; 1e-8 is what the project asks for.
    where = spiral([0.0, np.pi / 2])
    if chi == "any":
        where["chi"] = np.random.default_rng(3).uniform(0, 2 * np.pi, where["theta"].size)
    solution = solve(scan(where), PROBE, degree=DEGREE, method=LeastSquares(rtol=1e-11))
    assert error(far(solution)) < 1e-9
    assert solution.modes.reference == "absolute"


@pytest.mark.slow
def test_spiral_taken_with_an_ideal_probe():
    samples = scan(spiral([0.0, np.pi / 2]))
    solution = solve(samples, dipole_probe(), degree=DEGREE)
    assert error_but_for_level(far(solution)) > 10 ** (-40 / 20)


@pytest.mark.slow
def test_grid_by_least_squares():
    where = grid([0.0, np.pi / 2], DEGREE + 1)
    solution = solve(scan(where), PROBE, degree=DEGREE, method=LeastSquares(rtol=1e-11))
    assert error(far(solution)) < 1e-9


@pytest.mark.slow
def test_grid_by_quadrature():
    # 11 values of chi separate the orders -5 ... 5. Nothing is iterated, truncation remains.
    where = grid(2 * np.pi / 11 * np.arange(11), SMALL_DEGREE + 1)
    samples = scan(where, antenna=SMALL)
    solution = solve(samples, PROBE, degree=SMALL_DEGREE, method=Quadrature())
    assert error(far(solution), SMALL_TRUTH) < 1e-10
    wrong = solve(samples, dipole_probe(), degree=SMALL_DEGREE, method=Quadrature())
    assert error_but_for_level(far(wrong), SMALL_TRUTH) > 10 ** (-40 / 20)


@pytest.mark.slow
def test_radii_that_vary():
    points = equal_area_spiral_for_degree(SMALL_DEGREE)
    where = everywhere(points.theta, points.phi, [0.0, np.pi / 2])
    rng = np.random.default_rng(4)
    radius = RADIUS + rng.uniform(0, 0.4, where["theta"].size)
    samples = scan(where, antenna=SMALL, radius=radius)
    solution = solve(samples, PROBE, degree=SMALL_DEGREE, method=LeastSquares(rtol=1e-11))
    assert error(far(solution), SMALL_TRUTH) < 1e-9


@pytest.mark.slow
@pytest.mark.parametrize("method", ["spiral", "grid"])
def test_probe_of_degree_eight_by_the_dense_formula(method, random_q):
    # A random probe of degree 8 and orders to 5, which no antenna of its size could be. Samples by
    # the dense transmission formula of the oracle with response constants from projected fields.
    degree, ka = (6 if method == "spiral" else 5), 2 * np.pi * 5
    _, mu, _ = np.array(oracle.modes(8)).T
    r = random_q(8) * (np.abs(mu) <= 5)
    q = random_q(degree)
    if method == "spiral":
        points = equal_area_spiral_for_degree(degree)
        where = everywhere(points.theta, points.phi, np.array([0.0, np.pi / 2]))
    else:
        g = grid_for_degree(degree)
        chi = 2 * np.pi / 11 * np.arange(11)
        where = everywhere(np.repeat(g.theta, g.phi.size), np.tile(g.phi, g.theta.size), chi)
    constants = {}
    for order in range(-5, 6):
        found = probe_oracle.response_constants(r, 8, ka, degree, order)
        constants[1, order], constants[2, order] = found.T
    w = oracle.transmission_matrix(degree, *where.values(), constants) @ q
    samples = Samples(ONE_METRE, **where, radius=5.0, port=1, response=w[None], response_unit="sqrt(W)")
    solution = solve(
        samples,
        Probe(None, r[None, None]),
        degree=degree,
        method=LeastSquares(rtol=1e-12, max_iterations=1000) if method == "spiral" else Quadrature(),
    )
    # Projection and iteration: 1e-12 each, times the condition of a random probe, some 1e2.
    got = solution.modes.coefficients[0]
    assert np.linalg.norm(got - q) < 1e-9 * np.linalg.norm(q)


# --- reciprocity --------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
def test_antennas_change_places(seed):
    # The transmission formula with A as antenna and B as probe, and the other way round: the same
    # response, at general angles both ways (see the test of reception for the frames), and that
    # of the dipoles themselves.
    rng = np.random.default_rng(seed)
    a, b = random_cluster(size=0.5, seed=seed), random_cluster(count=4, size=0.3, seed=seed + 50)
    angles, other = ((np.arccos(rng.uniform(-1, 1)), *rng.uniform(-np.pi, np.pi, 2)) for _ in range(2))
    r, degree = 4.0, 18
    there, back = probe_oracle.mounting(*angles), probe_oracle.mounting(*other)
    axes = there @ np.diag([1.0, -1.0, -1.0])
    a_probe = probe_oracle.rotated(a, axes.T)
    b_antenna = probe_oracle.rotated(b, back @ axes.T @ there)
    found = []
    for antenna, probe, place in ((a, b, angles), (b_antenna, a_probe, other)):
        q, receiver = modes_of(antenna, degree), probe_from_modes(modes_of(probe, degree))
        constants = response_constants(receiver, frequency=ONE_METRE[0], radius=[r], degree=degree)
        constants = constants[0, 0] * np.exp(-1j * K * r) / (K * r)
        top = constants.shape[0] // 2
        table = {(s, mu): constants[mu + top, :, s - 1] for s in (1, 2) for mu in range(-top, top + 1)}
        matrix = oracle.transmission_matrix(degree, *np.array([place]).T, table)
        found.append((matrix @ q.coefficients[0])[0])
        theta, phi, chi = place
        w = receive(antenna, [probe], frequency=ONE_METRE, theta=theta, phi=phi, chi=chi, radius=r)
        power = radiated_power_of(antenna, frequency=ONE_METRE)[0]
        # Degrees above 18 of either carry less than 1e-12; k r eps and sums of 700 waves.
        assert abs(found[-1] - w.response[0, 0] / np.sqrt(power)) < 1e-11 * max(abs(found[-1]), 0.02)
    assert abs(found[0] - found[1]) < 1e-11 * max(abs(found[0]), 0.02)


# --- two ports, and how the probe is mounted ---------------------------------------------------


def dual_port():
    """Crossed dipoles, each with a tenth (20 dB) of the other one's polarisation."""
    return [DipoleCluster([[0, 0, 0]], [[1, 0.1j, 0]]), DipoleCluster([[0.02, 0, 0.05]], [[-0.1, 1, 0]])]


def two_ports(ports=None, chi_offset=0.0, factors=(1.0, 1.0)):
    """Both ports read at chi = 0 on a spiral; what the record does not say is put in."""
    points = equal_area_spiral_for_degree(DEGREE)
    count = points.theta.size
    port = np.repeat([1, 2], count)
    where = everywhere(points.theta, points.phi, np.zeros(2))
    samples = scan(where | {"chi": where["chi"] + chi_offset}, ports or dual_port(), port=port)
    w = samples.response * np.asarray(factors)[port - 1]
    return Samples(ONE_METRE, **where, radius=RADIUS, port=port, response=w, response_unit="sqrt(W)")


#: Waves of the second port above degree 10, at 0.054 wavelengths, are below 1e-12.
DUAL = keep_orders(probe_from_modes([modes_of(p, 10) for p in dual_port()]), orders=range(-7, 8))
STRICT = LeastSquares(rtol=1e-11)
#: 0.5 dB and 5 deg between the channels.
IMBALANCE = (1.0, 10 ** (0.5 / 20) * np.exp(1j * np.radians(5)))


def test_two_ports_at_one_chi():
    assert error(far(solve(two_ports(), DUAL, degree=DEGREE, method=STRICT))) < 1e-9


@pytest.mark.slow
def test_known_imbalance_and_chi_offset_are_removed():
    offset = np.radians(1.0)
    samples = two_ports(chi_offset=offset, factors=IMBALANCE)
    known = mounted(DUAL, port_factors=IMBALANCE, chi_offset=offset)
    assert error(far(solve(samples, known, degree=DEGREE, method=STRICT))) < 1e-9
    for half in (
        DUAL,
        mounted(DUAL, port_factors=IMBALANCE),
        mounted(DUAL, chi_offset=offset),
        mounted(DUAL, port_factors=IMBALANCE, chi_offset=-offset),
    ):
        assert error(far(solve(samples, half, degree=DEGREE, method=STRICT))) > 1e-3


def about(axis, angle):
    """Right-handed rotation about an axis of the coordinates, as a matrix."""
    c, s = np.cos(angle), np.sin(angle)
    turn = np.eye(3)
    i, j = [k for k in range(3) if k != axis]
    turn[[i, j], [i, j]] = c
    turn[j, i], turn[i, j] = (s, -s) if axis != 1 else (-s, s)
    return turn


@pytest.mark.slow
def test_tilts_are_removed():
    # Rotations of the body: by chi about r^ = -z_p, then about x, then about y of the mount, each
    # port by its own offset.
    x, y, offsets = *np.radians([3.0, -2.0]), np.radians([20.0, -70.0])
    tilt = about(1, y) @ about(0, x)
    ports = [
        probe_oracle.rotated(p, tilt @ about(2, -turn)) for p, turn in zip(dual_port(), offsets, strict=True)
    ]
    samples = two_ports(ports=ports)
    known = mounted(DUAL, chi_offset=offsets, tilt_x=x, tilt_y=y)
    assert error(far(solve(samples, known, degree=DEGREE, method=STRICT))) < 1e-9
    for wrong in (
        mounted(DUAL, chi_offset=offsets),
        mounted(DUAL, chi_offset=offsets, tilt_x=x, tilt_y=-y),
        mounted(DUAL, chi_offset=offsets, tilt_x=-x, tilt_y=y),
        mounted(DUAL, chi_offset=offsets[::-1], tilt_x=x, tilt_y=y),
    ):
        assert error(far(solve(samples, wrong, degree=DEGREE, method=LeastSquares(rtol=1e-5)))) > 1e-3


@pytest.mark.parametrize(("tilt", "unit"), [({"tilt_x": 0.2}, "phi"), ({"tilt_y": 0.2}, "theta")])
def test_where_a_tilt_leans(tilt, unit):
    # A Huygens source of 1 W in a distant sphere: its field is 1 + cos of the angle from the
    # boresight (closed form). At chi = 0 it looks from r^ back at the origin, and leans by 0.2.
    _, theta_unit, phi_unit = (v[0] for v in oracle.cartesian([0.7], [0.4]))
    axes = probe_oracle.mounting(0.7, 0.4, 0.0)
    lean = axes.T @ (theta_unit if unit == "theta" else phi_unit)  # in the probe's frame
    main = huygens_source(direction=Z, polarisation=X)
    (modes,) = mounted(probe_from_modes(modes_of(main, 1)), **tilt).transmit_modes()
    boresight = np.cos(0.2) * Z + np.sin(0.2) * lean
    theta, phi = DIRECTIONS["theta"], DIRECTIONS["phi"]
    e = far_field_points(modes, theta=theta, phi=phi)
    size = np.sqrt(np.square(np.abs(e[0])) + np.square(np.abs(e[1])))[0]
    wanted = 1 + oracle.cartesian(theta, phi)[0] @ boresight
    # Transforms at points reach 1e-13 of the largest field.
    np.testing.assert_allclose(size / size.max() * wanted.max(), wanted, rtol=0, atol=1e-11)


def test_a_tilt_raises_no_orders_of_rounding():
    # By 1e-4 rad, order mu of a probe of degree 10 gets (1e-4 x 10)^(mu - 1) or so of order 1: that
    # of 6 is 1e-15, and it would cost another transform to no end.
    tilted = mounted(DUAL, tilt_x=1e-4)
    assert 3 <= tilted.mu_max <= 7
    assert mounted(keep_orders(DUAL, orders=(-1, 1)), tilt_x=1e-4).mu_max <= 6


def test_unknown_chi_offset_turns_the_polarisation():
    # All readings turned by d turn the field found, so that a polarisation pure in one direction
    # shows a cross-polar tan(d), -35.2 dB at 1 deg. Exact at infinity, where both kinds of waves
    # read alike; here j R_1n and R_2n differ by about n^2/(2 (kr)^2), 0.05 at n = 7 and kr = 22,
    # above which there is 1 % of the field.
    d = np.radians(1.0)
    where = spiral([0.0, np.pi / 2])
    probe = [DipoleCluster([[0, 0, 0]], [X])]
    samples = scan(where | {"chi": where["chi"] + d}, probe)
    recorded = Samples(
        ONE_METRE, **where, radius=RADIUS, port=1, response=samples.response, response_unit="sqrt(W)"
    )
    e = far(solve(recorded, dipole_probe(), degree=DEGREE, method=STRICT))
    turned = np.array(
        [np.cos(d) * TRUTH[0] + np.sin(d) * TRUTH[1], np.cos(d) * TRUTH[1] - np.sin(d) * TRUTH[0]]
    )
    assert error(e) == pytest.approx(np.sin(d), rel=0.1)
    assert error(e, turned) < 0.05 * np.sin(d)
