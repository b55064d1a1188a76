"""Models of probes in their own frame: dipoles, feeds, clusters of dipoles, two ports."""

import numpy as np
import oracle
import pytest
from probe_frame import POINTS, check_frame, directivity, field, power_by_quadrature
from sources import random_cluster, random_directions

from nf2ff.antenna.closed_form import far_field_of, radiated_power_of
from nf2ff.antenna.dipoles import DipoleCluster, SinusoidalWire
from nf2ff.antenna.modes import SPEED_OF_LIGHT, Modes, mode_index
from nf2ff.measurement.probe_models import (
    cosine_pattern,
    dual_port,
    electric_dipole,
    huygens_source,
    magnetic_dipole,
    modes_of,
    principal_planes,
)

EPS = 2.0**-52
F = SPEED_OF_LIGHT * np.array([0.7, 1.0])
DIPOLES = (electric_dipole, magnetic_dipole, huygens_source)


# --- dipoles -------------------------------------------------------------------------------------


@pytest.mark.parametrize("model", DIPOLES)
def test_dipoles_in_their_frame(model):
    modes = model(F)
    assert modes.degree == 1
    np.testing.assert_array_equal(modes.frequency, F)
    np.testing.assert_allclose(modes.radiated_power(), 1, rtol=10 * EPS)
    check_frame(modes)
    np.testing.assert_allclose(power_by_quadrature(modes), 1, rtol=1e-11)


def test_dipoles_are_those_of_the_textbook():
    # Check values, section 1: x-dipole Q_{2,-+1,1} = -+ q/sqrt(2); section 2: D = 1.5 and 3.
    q = electric_dipole(F).coefficients[0]
    ratio = q[mode_index(s=2, m=-1, n=1)] / q[mode_index(s=2, m=1, n=1)]
    np.testing.assert_allclose(ratio, -1, rtol=10 * EPS)
    assert np.count_nonzero(np.abs(q) > 1e-15) == 2
    q = huygens_source(F).coefficients[1]
    at = [mode_index(s=s, m=m, n=1) for s, m in ((2, -1), (2, 1), (1, 1), (1, -1))]
    # There Q_{1,+-1,1} = +1 in exp(-iwt); here (-1)^m conj(Q_{1,-m,1}) = -1.
    np.testing.assert_allclose(q[at] / q[at[1]], [-1, 1, -1, -1], rtol=10 * EPS)
    for model, value in zip(DIPOLES, (1.5, 1.5, 3), strict=True):
        np.testing.assert_allclose(directivity(model(F)), value, rtol=4 * POINTS)
    assert np.all(directivity(huygens_source(F), np.pi) < POINTS**2)


def test_dipole_planes():
    # Closed form: an electric dipole along x has E_theta = cos(theta) cos(phi), E_phi = -sin(phi);
    # a magnetic one along y E_theta = cos(phi), E_phi = -cos(theta) sin(phi). Level for D = 1.5:
    # |E|^2 = 2 Z0 D P / 4 pi.
    theta, phi = random_directions(20)
    level = np.sqrt(2 * oracle.Z0 * 1.5 / (4 * np.pi))
    c = np.cos(theta)
    for model, e, h in ((electric_dipole, c, 1), (magnetic_dipole, 1, c)):
        expected = level * np.array([e * np.cos(phi), -h * np.sin(phi)])
        for f in range(2):
            found = field(model(F), theta, phi)[:, f]
            np.testing.assert_allclose(found, expected, atol=POINTS * level)


def test_efficiency():
    modes = electric_dipole(F, efficiency=[0.5, 0.25])
    np.testing.assert_allclose(modes.radiated_power(), [0.5, 0.25], rtol=10 * EPS)
    np.testing.assert_allclose(magnetic_dipole(F, efficiency=0.5).radiated_power(), 0.5, rtol=10 * EPS)
    modes = cosine_pattern(F, e_exponent=2, h_exponent=2, efficiency=0.3)
    np.testing.assert_allclose(modes.radiated_power(), 0.3, rtol=10 * EPS)
    for bad, message in (
        (0.0, "efficiency is 0, expected above 0 and at most 1"),
        ([1, 1.2], "efficiency is 1.2, expected above 0 and at most 1"),
        ([1, 1, 1], r"efficiency has shape \(3,\), expected one value or \(2,\)"),
    ):
        with pytest.raises(ValueError, match=message):
            huygens_source(F, efficiency=bad)


@pytest.mark.parametrize(
    ("frequency", "message"),
    [([], "frequency is empty, expected positive"), ([1e9, -1e9], "frequency is -1000000000.0,")],
)
def test_frequencies_are_positive(frequency, message):
    with pytest.raises(ValueError, match=message):
        magnetic_dipole(frequency)


# --- powers of the cosine ------------------------------------------------------------------------


@pytest.mark.parametrize(("q_e", "q_h"), [(1, 1), (2, 2), (4, 4), (1.5, 1.5), (2, 3), (3, 2)])
def test_cosine_directivity(q_e, q_h):
    # D = 4 / (1/(2 qE + 1) + 1/(2 qH + 1)); 2 (2q + 1) for equal ones: check values, section 2.
    closed = 4 / (1 / (2 * q_e + 1) + 1 / (2 * q_h + 1))
    assert q_e != q_h or closed == 2 * (2 * q_e + 1)
    for truncation in (0.01, 0.001):
        modes = cosine_pattern(F, e_exponent=q_e, h_exponent=q_h, truncation=truncation)
        check_frame(modes)
        np.testing.assert_allclose(modes.radiated_power(), 1, rtol=10 * EPS)
        # Left out is a part t^2 of the power, spread over degrees as n^-(2q+2) (the q-th derivative
        # jumps), of which degree N + 1 has (2q+1)/N. On boresight a degree with a part x of the
        # power has (2n+1) x of the mean intensity. Their signs alternate, so that the first bounds
        # the sum: dE/E = t (2 (2q+1)/D)^(1/2) = t, dD/D = 2t.
        np.testing.assert_allclose(directivity(modes), closed, rtol=2 * truncation)


@pytest.mark.parametrize(("q", "degrees"), [(1, (14, 66)), (2, (7, 17)), (4, (5, 9))])
def test_degrees_of_the_cosine_are_as_documented(q, degrees):
    found = [cosine_pattern(F, e_exponent=q, h_exponent=q, truncation=t).degree for t in (0.01, 0.001)]
    assert found == list(degrees)
    assert cosine_pattern(F, e_exponent=q, h_exponent=q).degree == degrees[0]


def test_cosine_truncation_is_what_is_said():
    # Rms of the difference from the pattern itself over the sphere, by an integral over each half.
    for q_e, q_h, truncation in ((1, 1, 0.01), (2, 4, 0.001), (3.5, 1.5, 0.0003)):
        modes = cosine_pattern(F[:1], e_exponent=q_e, h_exponent=q_h, truncation=truncation)
        power = 1 / (2 * q_e + 1) + 1 / (2 * q_h + 1)
        level = np.sqrt(2 * oracle.Z0 / (np.pi * power))
        left = []
        for theta, weight in halves(200):
            e = field(modes, theta, np.zeros(1))[0, 0]
            h = -field(modes, theta, np.pi / 2)[1, 0]
            front = np.maximum(np.cos(theta), 0)
            left.append(weight @ np.abs(e - level * front**q_e) ** 2)
            left.append(weight @ np.abs(h - level * front**q_h) ** 2)
        rms = np.sqrt(sum(left) / (level**2 * power))
        # A degree less would leave more; scaling to 1 W is a second order effect.
        assert 0.2 * truncation < rms < truncation * (1 + truncation)


def halves(nodes):
    """Gauss-Legendre nodes in cos(theta) over each half space."""
    x, weight = np.polynomial.legendre.leggauss(nodes)
    return [(np.arccos((x + s) / 2), weight / 2) for s in (1, -1)]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"e_exponent": 0.5}, "e_exponent is 0.5, expected at least 1"),
        ({"h_exponent": np.nan}, "h_exponent is nan, expected at least 1"),
        ({"e_exponent": 1, "truncation": 1e-5}, "1e-05 of this pattern takes more than 160 degrees"),
        ({"truncation": 0.0}, "truncation is 0.0, expected between 0 and 1"),
        ({"truncation": 1.0}, "truncation is 1.0, expected between 0 and 1"),
    ],
)
def test_cosine_refusals(arguments, message):
    with pytest.raises(ValueError, match=message):
        cosine_pattern(F, **{"e_exponent": 2, "h_exponent": 2, **arguments})


def test_principal_planes_of_a_dipole():
    # Closed form: the electric dipole again, its planes cos(theta) and 1, of any level and phase.
    modes = principal_planes(
        F, e_plane=lambda t: 3j * np.cos(t) * np.ones((2, 1)), h_plane=lambda t: 3j * np.ones((2, t.size))
    )
    assert modes.degree == 1
    expected = electric_dipole(F).coefficients
    # Quadrature over 160 degrees of rings: rounding of sums of as many terms.
    np.testing.assert_allclose(modes.coefficients, expected, atol=200 * EPS)


def test_principal_planes_without_boresight():
    with pytest.raises(ValueError, match=r"no field along x on boresight at 0\.209.* GHz, to which"):
        principal_planes(
            F,
            e_plane=lambda t: np.sin(t) ** 2 * np.ones((2, 1)),
            h_plane=lambda t: np.sin(t) ** 2 * np.ones((2, 1)),
        )


# --- clusters -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "antenna",
    [random_cluster(), SinusoidalWire(1.25, 1.0, (0.1, 0.2, -0.3), (1.0, 1.0, 0.0))],
    ids=["cluster", "wire"],
)
def test_modes_of_an_antenna_give_back_its_field(antenna):
    modes = modes_of(antenna, frequency=F)
    theta, phi = random_directions(100)
    expected = np.array(far_field_of(antenna, frequency=F, theta=theta, phi=phi))
    found = field(modes, theta, phi)
    size = np.abs(expected).max(axis=(0, 2), keepdims=True)
    # -200 dB of the power, for the worst antenna of that size, are left out.
    assert np.all(np.abs(found - expected) < 5 * POINTS * size + 1e-10 * size)
    power = radiated_power_of(antenna, frequency=F)
    np.testing.assert_allclose(modes.radiated_power(), power, rtol=1e-12)


def test_modes_of_an_antenna_by_the_oracle():
    # Coefficients themselves, by projection on the oracle's waves: Gauss-Legendre nodes and
    # azimuths for k r0 = 6.3 and degree 5 with more than 40 degrees to spare.
    antenna = random_cluster(seed=4)
    modes = modes_of(antenna, frequency=F[1:], degree=5)
    x, weight = np.polynomial.legendre.leggauss(30)
    phi = 2 * np.pi * np.arange(60) / 60
    t, p = (v.ravel() for v in np.meshgrid(np.arccos(x), phi, indexing="ij"))
    e = np.array(far_field_of(antenna, frequency=F[1:], theta=t, phi=p))[:, 0]
    k = oracle.far_waves(5, t, p)
    solid = np.repeat(weight, 60) * 2 * np.pi / 60
    q = np.einsum("m,cm,mjc->j", solid, e, k.conj()) / np.sqrt(4 * np.pi * oracle.Z0)
    # 1800 terms, added in pairs or blocks, of up to the largest field.
    np.testing.assert_allclose(modes.coefficients[0], q, atol=1e-13 * np.abs(q).max() * 10)
    full = modes_of(antenna, frequency=F[1:])
    np.testing.assert_allclose(
        full.truncate(5).coefficients, modes.coefficients, atol=1e-13 * np.abs(q).max()
    )


def test_modes_of_an_antenna_scaled():
    antenna = random_cluster(seed=5)
    modes = modes_of(antenna, frequency=F, degree=20, power=1.0)
    assert modes.degree == 20
    np.testing.assert_allclose(modes.radiated_power(), 1, rtol=10 * EPS)
    plain = modes_of(antenna, frequency=F, degree=20)
    for f in range(2):
        ratio = plain.coefficients[f] / modes.coefficients[f]
        np.testing.assert_allclose(ratio, np.sqrt(plain.radiated_power()[f]), rtol=1e-9)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"degree": 0}, "degree is 0, expected at least 1"),
        ({"power": 0.0}, "power is 0.0, expected > 0 W"),
        ({"power": np.inf}, "power is inf, expected > 0 W"),
        ({"antenna": DipoleCluster([[0, 0, 1]])}, "pattern of port 1 is zero at"),
    ],
)
def test_modes_of_an_antenna_refusals(arguments, message):
    with pytest.raises(ValueError, match=message):
        modes_of(**{"antenna": random_cluster(), "frequency": F, **arguments})


# --- two ports ------------------------------------------------------------------------------------


def test_second_port_is_the_first_turned():
    # A dipole along x turned by 90 deg is one along y: check values, Q_{2,+-1,1} = -iq/sqrt(2)
    # where the x-dipole has Q_{2,-+1,1} = -+ q/sqrt(2), and so in exp(+jwt) (both map to
    # themselves).
    x, y = dual_port(electric_dipole(F))
    np.testing.assert_allclose(x.coefficients, electric_dipole(F).coefficients, atol=4 * EPS)
    q = x.coefficients[0, mode_index(s=2, m=1, n=1)]
    for m in (-1, 1):
        np.testing.assert_allclose(y.coefficients[0, mode_index(s=2, m=m, n=1)], -1j * q, rtol=10 * EPS)
    # Any antenna: a cluster and the same with positions and moments turned from x to y.
    cluster = random_cluster(seed=6)
    turn = np.array([[0, -1, 0], [1, 0, 0], [0, 0, 1]])
    turned = DipoleCluster(cluster.position @ turn.T, cluster.electric @ turn.T, cluster.magnetic @ turn.T)
    one = modes_of(cluster, frequency=F, degree=12)
    ports = dual_port(one)
    expected = modes_of(turned, frequency=F, degree=12).coefficients
    np.testing.assert_allclose(ports[0].coefficients, one.coefficients, rtol=10 * EPS)
    np.testing.assert_allclose(ports[1].coefficients, expected, atol=1e-13 * np.abs(expected).max())
    theta, phi = random_directions(10)
    np.testing.assert_allclose(
        field(ports[1], theta, phi),
        field(one, theta, phi - np.pi / 2),
        atol=4 * POINTS * np.abs(field(one, theta, phi)).max(),
    )


def test_cross_polarisation_of_two_ports():
    cross = 0.1 * np.exp(0.7j)
    x, y = dual_port(huygens_source(F, efficiency=0.6), cross=cross)
    # On boresight at phi = 0, theta^ is x and phi^ is y.
    e = field(x, [0.0], 0.0)[:, 0, 0]
    np.testing.assert_allclose(e[1] / e[0], cross, rtol=10 * POINTS)
    e = field(y, [0.0], 0.0)[:, 0, 0]
    np.testing.assert_allclose(e[0] / e[1], cross, rtol=10 * POINTS)
    for port in (x, y):
        np.testing.assert_allclose(port.radiated_power(), 0.6, rtol=10 * EPS)
    relative = Modes(F, huygens_source(F).coefficients, "relative")
    assert [p.reference for p in dual_port(relative)] == ["relative", "relative"]


def test_cross_that_cancels_is_refused():
    # A circular wave, m = +1 alone, turned by 90 deg is -j times itself.
    q = np.zeros((1, 6), dtype=complex)
    q[0, mode_index(s=2, m=1, n=1)] = 1
    with pytest.raises(
        ValueError, match=r"cross is \S*1j\)*: with it the two ports' waves cancel, give a smaller"
    ):
        dual_port(Modes([1e9], q), cross=-1j)
