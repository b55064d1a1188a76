"""Response constants against printed ones, independent sums, and the field at the probe's place."""

import mpmath
import numpy as np
import oracle
import probe_oracle
import pytest
from sources import random_cluster

from nf2ff.antenna.dipoles import huygens_source
from nf2ff.antenna.modes import SPEED_OF_LIGHT, Modes, mode_index
from nf2ff.measurement.probe import (
    Probe,
    drop_weak_orders,
    field_probe,
    keep_orders,
    mounted,
    probe_from_modes,
    response_constants,
)

EPS = 2.0**-52
K = 3.0
FREQUENCY = K * SPEED_OF_LIGHT / (2 * np.pi)


def full(constants, k, radius):
    """P with its common factor exp(-jkA)/(kA) put back: {(s, mu): (R, N)} for port 0."""
    kr = k * np.atleast_1d(radius)
    factor = (np.exp(-1j * kr) / kr)[:, None]
    top = constants.shape[2] // 2
    return {
        (s, mu): constants[0, :, mu + top, :, s - 1] * factor for s in (1, 2) for mu in range(-top, top + 1)
    }


def probe_along_y():
    """The ideal probe turned by 90 deg about its axis: R_{2,mu,1} times e^(i mu pi/2)."""
    r = np.array(field_probe().coefficients)
    for mu in (-1, 1):
        r[0, 0, mode_index(s=2, m=mu, n=1)] *= 1j * mu
    return Probe(None, r, "V/m")


@pytest.mark.parametrize("axis", ["x", "y"])
def test_ideal_probe_has_the_printed_constants(axis):
    # P_{1,+-1,n} = -i N0 z_n, P_{2,+-1,n} = -+ N0 (kA z_n)'/(kA) for x, and their like for y
    # (project's check values, section 1, closed form), here with z_n = h_n^(2), per volt of
    # k sqrt(Z0). Errors: the radial functions, 2 n eps here and some 50 eps in scipy's.
    probe = field_probe() if axis == "x" else probe_along_y()
    radius = np.array([2.0, 10.0, 25.0])
    got = full(response_constants(probe, frequency=FREQUENCY, radius=radius, degree=12), K, radius)
    for i, r in enumerate(radius):
        wanted = oracle.ideal_probe(12, K * r, axis)
        for (s, mu), values in got.items():
            expected = K * np.sqrt(oracle.Z0) * wanted[s, mu] if mu else np.zeros(12)
            np.testing.assert_allclose(values[i], expected, rtol=100 * EPS, atol=0)


def test_constants_map_between_the_time_factors():
    # P'_{s mu n} = (-1)^mu conj(P_{s,-mu,n}): see oracle.py. The printed constants are for
    # exp(-iwt), with z_n = h_n^(1); both axes, so that a lost sign of i or of mu shows.
    for axis in ("x", "y"):
        there, here = (oracle.ideal_probe(9, 7.0, axis, c) for c in (3, 4))
        for (s, mu), values in here.items():
            np.testing.assert_array_equal(values, -there[s, -mu].conj())


@pytest.mark.parametrize("c", [3, 4])
@pytest.mark.parametrize("axis", ["x", "y"])
def test_oracle_transmission_formula_reads_the_field(c, axis, random_q, points):
    # w = E_theta cos(chi) + E_phi sin(chi) in both time factors, chi + 90 deg for the y probe.
    # d by eigenvectors and Legendre functions share no arithmetic: 10 n eps each, 160 terms.
    degree, radius = 8, 4.0
    theta, phi, chi = points(12)
    q = random_q(degree)
    matrix = oracle.transmission_matrix(
        degree, theta, phi, chi, oracle.ideal_probe(degree, K * radius, axis, c)
    )
    e = oracle.field(q, degree, K, radius, theta, phi, c)
    turn = chi + (np.pi / 2 if axis == "y" else 0)
    wanted = e[:, 1] * np.cos(turn) + e[:, 2] * np.sin(turn)
    error = K * np.sqrt(oracle.Z0) * matrix @ q - wanted
    assert np.linalg.norm(error) < 160 * degree * EPS * np.linalg.norm(wanted)
    # The transposed coefficient d^n_{mu m}(theta) = d^n_{m mu}(-theta) gives other data by far
    # (printed: 0.14 for one case), so that a swap of m and mu is seen.
    swapped = oracle.transmission_matrix(
        degree, -theta, phi, chi, oracle.ideal_probe(degree, K * radius, axis, c)
    )
    wrong = K * np.sqrt(oracle.Z0) * swapped @ q - wanted
    assert np.linalg.norm(wrong) > 0.1 * np.linalg.norm(wanted)


def test_field_probe_reads_the_field_in_volts_per_metre(random_q, points, rng):
    # The package's constants in the dense formula, radii all different.
    degree = 10
    theta, phi, chi = points(12)
    radius = rng.uniform(2.5, 9.0, theta.size)
    q = random_q(degree)
    constants = response_constants(field_probe(), frequency=FREQUENCY, radius=radius, degree=degree)
    matrix = oracle.transmission_matrix(degree, theta, phi, chi, full(constants, K, radius))
    e = oracle.field(q, degree, K, radius, theta, phi)
    wanted = e[:, 1] * np.cos(chi) + e[:, 2] * np.sin(chi)
    assert np.linalg.norm(matrix @ q - wanted) < 240 * degree * EPS * np.linalg.norm(wanted)


@pytest.mark.parametrize("unit", ["V/m", "sqrt(W)", "relative"])
def test_any_dipole_probe_reads_the_field_and_its_curl(unit, random_q, points, rng):
    # Independent of any translation coefficient. About the probe, E = k sqrt(Z0) sum b F^(1), b
    # = 2a as F^(1) = (F^(3) + F^(4))/2. Only degree 1 is present at the centre (closed form,
    # from the printed F with j_1(x)/x -> 1/3, (x j_1)'/x -> 2/3):
    #   F^(1)_{2,+-1,1} -> -+ (x^ +- i y^)/sqrt(12 pi),   F^(1)_{2,0,1} -> z^/sqrt(6 pi).
    # Inverted, with u = E/(k sqrt(Z0)): a_{2,+-1} = sqrt(3 pi)/2 (-+ u_x + i u_y),
    # a_{2,0} = sqrt(6 pi)/2 u_z, and a_1 alike from curl(u)/k, since curl F_s = k F_{3-s}.
    # Axes: z^ = r^ outward, x^ = theta^ cos(chi) + phi^ sin(chi), y^ = z^ x x^.
    degree = 8
    theta, phi, chi = points(12)
    radius = rng.uniform(2.5, 6.0, theta.size)
    q, r = random_q(degree), random_q(1)
    f = oracle.waves(degree, K * radius, theta, phi)
    other = f.reshape(theta.size, -1, 2, 3)[:, :, ::-1].reshape(f.shape)
    wanted = np.zeros(theta.size, dtype=complex)
    for s, waves in ((2, f), (1, other)):
        u_r, u_theta, u_phi = np.einsum("j,mjx->xm", q, waves)
        u_x = u_theta * np.cos(chi) + u_phi * np.sin(chi)
        u_y = u_phi * np.cos(chi) - u_theta * np.sin(chi)
        for mu in (-1, 1):
            a = np.sqrt(3 * np.pi) / 2 * (-mu * u_x + 1j * u_y)
            wanted += a * r[mode_index(s=s, m=mu, n=1)]
        wanted += np.sqrt(6 * np.pi) / 2 * u_r * r[mode_index(s=s, m=0, n=1)]
    if unit == "V/m":
        wanted *= K * np.sqrt(oracle.Z0)
    probe = Probe(None, r[None, None], unit)
    constants = response_constants(probe, frequency=FREQUENCY, radius=radius, degree=degree)
    matrix = oracle.transmission_matrix(degree, theta, phi, chi, full(constants, K, radius))
    assert np.linalg.norm(matrix @ q - wanted) < 480 * degree * EPS * np.linalg.norm(wanted)


def test_ports_and_frequencies_are_kept_apart(random_q):
    r = np.stack([np.stack([random_q(1), random_q(1)]), np.stack([random_q(1), random_q(1)])])
    probe = Probe([FREQUENCY, 2 * FREQUENCY], r, "sqrt(W)")
    assert (probe.ports, probe.degree) == (2, 1)
    for i in range(2):
        np.testing.assert_array_equal(probe.at_frequency((i + 1) * FREQUENCY), r[i])
        both = response_constants(probe, frequency=(i + 1) * FREQUENCY, radius=[1.0, 2.0], degree=5)
        assert both.shape == (2, 2, 3, 5, 2)
        for port in range(2):
            alone = response_constants(
                Probe(None, r[i, port][None, None]),
                frequency=(i + 1) * FREQUENCY,
                radius=[1.0, 2.0],
                degree=5,
            )
            np.testing.assert_array_equal(both[port], alone[0])


def test_constants_beyond_a_double_are_infinite():
    # h_1000^(2)(30) is of the order of 1999!!/30^1001 = 1e1388.
    p = response_constants(field_probe(), frequency=FREQUENCY, radius=[10.0], degree=1000)
    assert not np.isnan(p).any()
    assert np.isinf(p[0, 0, 0, -1]).all()
    assert np.isfinite(p[0, 0, :, :100]).all()
    assert np.all(p[0, 0, 1] == 0)


def test_field_probe():
    probe = field_probe()
    assert (probe.frequency, probe.response_unit, probe.ports, probe.degree) == (None, "V/m", 1, 1)
    np.testing.assert_array_equal(probe.at_frequency(1e9), probe.coefficients[0])
    with pytest.raises(ValueError, match="read-only"):
        probe.coefficients[0, 0, 0] = 1


R = np.ones((1, 1, 6))


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((None, R[0]), "coefficients has 2 dimensions, expected 3"),
        ((None, np.ones((1, 1, 7))), "7 coefficients are not a complete set"),
        ((None, R * np.nan), r"coefficients is .*nan.* at index \(0, 0, 0\)"),
        ((None, np.ones((2, 1, 6))), r"shape \(2, 1, 6\), expected \(1, ports, J\)"),
        ((None, np.ones((1, 0, 6))), r"shape \(1, 0, 6\), expected \(1, ports, J\)"),
        (([1e9, 2e9], R), r"shape \(1, 1, 6\), expected \(2, ports, J\)"),
        ((1e9, R), "frequency has 0 dimensions, expected 1"),
        (([0.0], R), "frequencies must be positive and all different"),
        (([1e9, 1e9], np.ones((2, 1, 6))), "frequencies must be positive and all different"),
        ((None, R, "dBm"), r"response_unit is 'dBm', expected 'V/m', 'sqrt\(W\)' or 'relative'"),
    ],
)
def test_probe_refuses(arguments, message):
    with pytest.raises(ValueError, match=message):
        Probe(*arguments)


def test_probe_without_data_at_a_frequency():
    probe = Probe([1e9, 3e9], np.ones((2, 1, 6)))
    assert probe.at_frequency(3e9 * (1 + 1e-10)).shape == (1, 6)
    with pytest.raises(ValueError, match=r"no data at 2 GHz, its 2 frequencies are from 1 to 3 GHz"):
        probe.at_frequency(2e9)


# --- probes of any degree --------------------------------------------------------------------


def compare(got, wanted, tolerance):
    """``got`` {(s, mu): (N,)} against ``wanted`` {mu: (N, 2)}, to the largest of all at each n."""
    size = np.max([np.abs(v) for v in got.values()], axis=0)
    for mu, values in wanted.items():
        for s in (1, 2):
            assert np.all(np.abs(got[s, mu] - values[:, s - 1]) <= tolerance * size), (s, mu)


def constants_of(r, ka, degree):
    found = response_constants(
        Probe(None, r[None, None]), frequency=FREQUENCY, radius=[ka / K], degree=degree
    )
    return {at: values[0] for at, values in full(found, K, ka / K).items()}


@pytest.mark.parametrize(("probe_degree", "ka"), [(1, 65.0), (3, 65.0), (8, 75.0)])
def test_constants_are_projected_fields(probe_degree, ka, random_q):
    # Degrees to 60, every order, P = 1/2 sum C R with C by numerical projection, good to 1e-12
    # of its largest. 1e-10 of the largest over mu and s at each n is what the project asks for.
    r = random_q(probe_degree)
    got = constants_of(r, ka, 60)
    orders = range(-probe_degree, probe_degree + 1)
    assert {mu for _, mu in got} == set(orders)
    wanted = {mu: probe_oracle.response_constants(r, probe_degree, ka, 60, mu) for mu in orders}
    compare(got, wanted, 1e-11)


def test_constants_of_a_probe_of_degree_30(random_q):
    r, ka = random_q(30), 110.0
    wanted = {mu: probe_oracle.response_constants(r, 30, ka, 60, mu) for mu in (-30, -17, 1, 16)}
    compare(constants_of(r, ka, 60), wanted, 1e-11)


@pytest.mark.slow
@pytest.mark.parametrize(("n", "ka"), [(1000, 1200.0), (200, 150.0), (60, 45.0)])
def test_extreme_constants_against_sixty_digits(n, ka, random_q):
    # Waves that decay from the probe's distance on among them: n = 200 at kA = 150 is of the
    # order of 1e22. A few degrees of the probe, as the exact symbols take their time. Errors:
    # radial functions n eps, sums of 6 degrees and 31 Gaunt coefficients.
    r = random_q(30)
    for nu in set(range(1, 31)) - {1, 2, 7, 16, 29, 30}:
        r[oracle.position(1, -nu, nu) : oracle.position(2, nu, nu) + 1] = 0
    got = constants_of(r, ka, n)
    size = max(abs(v[n - 1]) for v in got.values())
    with mpmath.workdps(60):
        for mu in (-30, -7, 0, 1):
            exact = probe_oracle.response_constants_mp(r, 30, ka, n, mu)
            for s, value in zip((1, 2), exact, strict=True):
                assert abs(got[s, mu][n - 1] - complex(value)) <= (n + 200) * EPS * size


def test_constants_of_high_orders_alone(random_q):
    # mu = +-8 only. Their coefficients are below those of mu = 1 by up to 1e-8 at low n, and the
    # projection is good to 1e-12 of the latter.
    r, ka = np.zeros(160, dtype=complex), 75.0
    for mu in (-8, 8):
        for s in (1, 2):
            r[oracle.position(s, mu, 8)] = random_q(1)[s]
    got = constants_of(r, ka, 60)
    largest = np.abs(probe_oracle.translation(60, ka, 8, 1)).max(axis=(1, 2, 3))
    for mu in (-8, 8):
        wanted = probe_oracle.response_constants(r, 8, ka, 60, mu)
        for s in (1, 2):
            error = np.abs(got[s, mu] - wanted[:, s - 1])
            assert np.all(error <= 2e-12 * np.abs(r).max() * largest)
    for (_, mu), values in got.items():
        assert values.any() == (abs(mu) == 8)
        assert not values[:7].any()


def test_probe_from_modes_is_reciprocal():
    # R = (-1)^mu T'_{sigma,-mu,nu} / sqrt 2, T' the waves of the probe after half a turn about x:
    # here the dipoles themselves are turned, (x, y, z) -> (x, -y, -z).
    degree, k = 9, K * np.array([1.0, 1.25])
    ports = [random_cluster(size=0.1, seed=seed) for seed in (1, 2)]
    own, turned = (
        np.array(
            [[probe_oracle.cluster_modes(probe_oracle.rotated(p, turn), x, degree) for x in k] for p in ports]
        )
        for turn in (np.eye(3), np.diag([1.0, -1.0, -1.0]))
    )
    frequency = FREQUENCY * k / K
    probe = probe_from_modes([Modes(frequency, t) for t in own], minimum_radius=0.2)
    assert (probe.ports, probe.degree, probe.response_unit) == (2, degree, "sqrt(W)")
    assert probe.minimum_radius == 0.2
    np.testing.assert_array_equal(probe.frequency, frequency)
    # Angles of the turned dipoles round differently: n eps, times 12 moments.
    tolerance = 12 * degree * EPS * np.abs(own).max()
    for s, mu, nu in oracle.modes(degree):
        wanted = (-1) ** mu * turned[:, :, oracle.position(s, -mu, nu)] / np.sqrt(2)
        got = probe.coefficients[:, :, oracle.position(s, mu, nu)].T
        np.testing.assert_allclose(got, wanted, rtol=0, atol=tolerance)
    # The oracle's own formula, on which the other tests rely.
    np.testing.assert_allclose(
        probe_oracle.receiving(own[0, 0], degree), probe.coefficients[0, 0], rtol=4 * EPS
    )
    for modes, t in zip(probe.transmit_modes(), own, strict=True):
        np.testing.assert_allclose(modes.coefficients, t, rtol=4 * EPS)
        np.testing.assert_array_equal(modes.frequency, frequency)
        assert modes.reference == "absolute"
    # A port alone, one of a lower degree beside it, and one of unknown level.
    alone = probe_from_modes(Modes(frequency, own[1]))
    np.testing.assert_array_equal(alone.coefficients[:, 0], probe.coefficients[:, 1])
    assert alone.minimum_radius is None
    mixed = probe_from_modes([Modes(frequency, own[0]).truncate(4), Modes(frequency, own[1])])
    assert mixed.degree == degree
    np.testing.assert_array_equal(mixed.coefficients[:, 0, :48], probe.coefficients[:, 0, :48])
    assert not mixed.coefficients[:, 0, 48:].any()
    relative = probe_from_modes([Modes(frequency, own[0], "relative")])
    assert relative.response_unit == "relative"
    assert relative.transmit_modes()[0].reference == "relative"


def test_dipole_of_one_watt_is_a_field_probe():
    # |w|^2/2 = lambda^2 (3/2)/(4 pi) |E|^2/(2 Z0), so w = -sqrt(3 pi/2)/(k sqrt(Z0)) E_x (closed
    # form; effective area of a lossless matched dipole, with the sign of w = -p.E/(2v)). Along x
    # Q_{2,-+1,1} = -+ q/sqrt 2, along y Q_{2,+-1,1} = -j q/sqrt 2, in either time factor as
    # (-1)^m conj(Q_{-m}) is the same (project's check values), q = sqrt 2 at 1 W.
    for axis, t in (("x", (-1, 1)), ("y", (-1j, -1j))):
        q = np.zeros((1, 6), dtype=complex)
        q[0, mode_index(s=2, m=-1, n=1)], q[0, mode_index(s=2, m=1, n=1)] = t
        # y of the probe is -y of the frame of R: at chi = 0 -phi^ and phi^.
        wanted = field_probe() if axis == "x" else probe_along_y()
        level = -np.sqrt(1.5 * np.pi) * (1 if axis == "x" else -1)
        probe = probe_from_modes(Modes([FREQUENCY], q))
        np.testing.assert_allclose(
            probe.coefficients[0], level * wanted.coefficients[0], rtol=4 * EPS, atol=0
        )
        # One is free of frequency, the other reads volts per metre.
        real, ideal = (
            response_constants(p, frequency=FREQUENCY, radius=[3.0], degree=9) for p in (probe, wanted)
        )
        factor = level / (K * np.sqrt(oracle.Z0))
        np.testing.assert_allclose(real, factor * ideal, rtol=20 * EPS, atol=0)


def test_huygens_probe():
    # p along x_p and m = Z0 p along y_p: D = 3, so each half reads half of -sqrt(3 pi)/(k sqrt(Z0))
    # (closed form as above). p reads E along x as printed; m reads Z0 H across it, j curl E/k: the
    # constants of the y probe, kinds exchanged as curl F_s = k F_{3-s}, times j. At infinity both
    # are alike and add up, as h_n^(2) -> j^(n+1) and (x h_n)'/x -> j^n.
    source = huygens_source(direction=[0, 0, 1], polarisation=[1, 0, 0], position=[0, 0, 0])
    t = probe_oracle.cluster_modes(source, K, 2)[None]
    t = t * np.sqrt(2 / np.sum(np.abs(t) ** 2))
    ka = 40.0
    got = constants_of(probe_from_modes(Modes([FREQUENCY], t)).coefficients[0, 0], ka, 12)
    x, y = (oracle.ideal_probe(12, ka, axis) for axis in "xy")
    for s in (1, 2):
        for mu in (-1, 1):
            wanted = -np.sqrt(3 * np.pi) / 2 * (x[s, mu] + 1j * y[3 - s, mu])
            # n eps here and some 50 eps in scipy's radial functions.
            np.testing.assert_allclose(got[s, mu], wanted, rtol=200 * EPS)
            far = -np.sqrt(3 * np.pi) * x[s, mu]
            np.testing.assert_allclose(got[s, mu][:2], far[:2], rtol=2 / ka)


def test_orders_of_a_probe(random_q):
    r = np.zeros((2, 2, 48), dtype=complex)
    r[0, 1, mode_index(s=1, m=-3, n=4)] = 1
    r[1, 0, mode_index(s=2, m=1, n=2)] = 1j
    probe = Probe([1e9, 2e9], r)
    assert (probe.orders(), probe.mu_max) == ([-3, 1], 3)
    assert response_constants(probe, frequency=1e9, radius=[2.0], degree=5).shape == (2, 1, 7, 5, 2)
    low = keep_orders(probe, orders=(-1, 1))
    assert (low.orders(), low.mu_max) == ([1], 1)
    np.testing.assert_array_equal(low.coefficients[1], r[1])
    none = keep_orders(probe, orders=[0])
    assert (none.orders(), none.mu_max) == ([], 1)
    everything = Probe(None, random_q(3)[None, None])
    assert (everything.orders(), everything.mu_max) == ([-3, -2, -1, 0, 1, 2, 3], 3)
    same = keep_orders(everything, orders=range(-3, 4))
    np.testing.assert_array_equal(same.coefficients, everything.coefficients)


ONE = Modes([1e9], np.ones((1, 6)))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: probe_from_modes([]), "a probe needs at least one port"),
        (
            lambda: probe_from_modes([ONE, Modes([2e9], np.ones((1, 6)))]),
            "port 2 of the probe has other frequencies than port 1: give it the same",
        ),
        (
            lambda: probe_from_modes([ONE, Modes([1e9], np.ones((1, 6)), "relative")]),
            "port 2 of the probe is relative, port 1 is absolute",
        ),
        (
            lambda: mounted(Probe(None, np.ones((1, 2, 6))), port_factors=[1, 2, 3]),
            r"port_factors have shape \(3,\), expected \(2,\) or \(1, 2\)",
        ),
        (
            lambda: mounted(Probe(None, np.ones((1, 2, 6))), port_factors=[1, 0]),
            "port_factors are 0 somewhere: leave out the samples of a port that does not answer",
        ),
        (
            lambda: mounted(Probe(None, np.ones((1, 2, 6))), chi_offset=[0.1, 0.2, 0.3]),
            r"chi_offset has shape \(3,\), expected one value or \(2,\)",
        ),
        (lambda: mounted(field_probe(), chi_offset=np.nan), "chi_offset is nan, expected finite"),
        (
            lambda: drop_weak_orders(field_probe(), power=np.nan),
            "power is nan, expected a share of the whole, from 0 to below 1",
        ),
        (lambda: drop_weak_orders(field_probe(), power=-1e-9), "power is -1e-09, expected a share"),
        (lambda: mounted(field_probe(), tilt_y=np.inf), r"tilt_x, tilt_y is inf at index \(1\)"),
        (lambda: field_probe().transmit_modes(), "reads field strength"),
        (lambda: Probe(None, R).transmit_modes(), "or has no frequencies, has no pattern"),
        (lambda: Probe(None, R, minimum_radius=-1.0), r"minimum_radius is -1.0 m, expected"),
        (lambda: Probe(None, R, minimum_radius=np.inf), "minimum_radius is inf m, expected"),
    ],
)
def test_general_probes_refuse(call, message):
    with pytest.raises(ValueError, match=message):
        call()
