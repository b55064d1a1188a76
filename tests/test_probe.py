"""Response constants against printed ones, and against the field at the probe's place."""

import numpy as np
import oracle
import pytest

from nf2ff.modes import SPEED_OF_LIGHT, mode_index
from nf2ff.probe import Probe, field_probe, response_constants

EPS = 2.0**-52
K = 3.0
FREQUENCY = K * SPEED_OF_LIGHT / (2 * np.pi)


def full(constants, k, radius):
    """P with its common factor exp(-jkA)/(kA) put back: {(s, mu): (R, N)} for port 0."""
    kr = k * np.atleast_1d(radius)
    factor = (np.exp(-1j * kr) / kr)[:, None]
    return {
        (s, mu): constants[0, :, mu + 1, :, s - 1] * factor for s in (1, 2) for mu in (-1, 0, 1)
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
        ((None, np.ones((1, 1, 7))), "7 coefficients are no complete set"),
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
    with pytest.raises(
        ValueError, match=r"no data at 2 GHz, its 2 frequencies are from 1 to 3 GHz"
    ):
        probe.at_frequency(2e9)
