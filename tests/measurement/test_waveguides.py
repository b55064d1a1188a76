"""Open-ended waveguides against apertures integrated by brute force."""

import mpmath
import numpy as np
import oracle
import pytest
from probe_frame import check_frame, directivity, field, power_by_quadrature
from scipy.integrate import dblquad
from scipy.special import j1, jvp

from nf2ff.antenna.modes import SPEED_OF_LIGHT, mode_numbers
from nf2ff.measurement import waveguides
from nf2ff.measurement.waveguides import TE11_ZERO, TE21_ZERO, circular_waveguide, rectangular_waveguide

EPS = 2.0**-52
#: Sides of a common guide for 8.2 to 12.4 GHz [m].
WIDTH, HEIGHT = 0.02286, 0.01016
F = 1e9 * np.array([8.2, 10.0, 12.4])
RADIUS = 0.0115
GUIDES = {
    "rectangular": lambda **more: rectangular_waveguide(F, width=WIDTH, height=HEIGHT, **more),
    "circular": lambda **more: circular_waveguide(F, radius=RADIUS, **more),
}
#: So little is left of the pattern that what the brute force finds is the model.
FINE = 1e-7


def radiated(points, weight, e, h, k, theta, phi):
    """E_theta, E_phi (2, M) of the equivalent currents J = z^ x H, M = -z^ x E of an aperture.

    E = -jk/(4 pi) sum { Z0 [J - r^ (r^.J)] - r^ x M } exp(j k r^.r'), C. A. Balanis, Antenna
    Theory, chapter on apertures (from memory; the tests of the dipoles check the same).
    """
    z = np.array([0.0, 0.0, 1.0])
    electric, magnetic = np.cross(z, h), -np.cross(z, e)
    r, t, p = oracle.cartesian(theta, phi)
    wave = np.exp(1j * k * r @ points.T) * weight
    vector = oracle.Z0 * wave @ electric - np.cross(r, wave @ magnetic)
    vector = vector * -1j * k / (4 * np.pi)
    return np.array([np.sum(t * vector, axis=1), np.sum(p * vector, axis=1)])


def rectangular_aperture_fields(k, reflection, nodes=24):
    """TE10 with E along x, broad side along y: points, weights, E, H; E is 1 V/m incident."""
    x, weight = np.polynomial.legendre.leggauss(nodes)
    px, py = (v.ravel() for v in np.meshgrid(x * HEIGHT / 2, x * WIDTH / 2, indexing="ij"))
    area = np.outer(weight * HEIGHT / 2, weight * WIDTH / 2).ravel()
    shape = np.cos(np.pi * py / WIDTH)
    beta = np.sqrt(k**2 - (np.pi / WIDTH) ** 2)
    e, h = (np.zeros((px.size, 3), dtype=complex) for _ in range(2))
    e[:, 0] = (1 + reflection) * shape
    h[:, 1] = (1 - reflection) * beta / (k * oracle.Z0) * shape
    return np.stack([px, py, 0 * px], axis=1), area, e, h


def circular_aperture_fields(k, reflection):
    """TE11 with E along x at the centre: E = grad(psi) x z^, psi = J1(kappa rho) sin(phi)."""
    x, weight = np.polynomial.legendre.leggauss(24)
    rho, phi = (
        v.ravel() for v in np.meshgrid(RADIUS * (x + 1) / 2, 2 * np.pi * np.arange(32) / 32, indexing="ij")
    )
    area = np.repeat(weight * RADIUS / 2, 32) * rho * 2 * np.pi / 32
    kappa = float(mpmath.besseljzero(1, 1, 1)) / RADIUS
    beta = np.sqrt(k**2 - kappa**2)
    along = j1(kappa * rho) / rho * np.cos(phi)
    around = -kappa * jvp(1, kappa * rho) * np.sin(phi)
    c, s = np.cos(phi), np.sin(phi)
    shape = np.stack([along * c - around * s, along * s + around * c, 0 * c], axis=1)
    h = beta / (k * oracle.Z0) * np.cross([0.0, 0.0, 1.0], shape)
    points = np.stack([rho * c, rho * s, 0 * c], axis=1)
    return points, area, (1 + reflection) * shape, (1 - reflection) * h


# --- in their frame ------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("name", GUIDES)
@pytest.mark.parametrize("reflection", [0.0, 0.2 - 0.1j])
def test_guides_in_their_frame(name, reflection):
    modes = GUIDES[name](reflection=reflection, efficiency=[1.0, 0.9, 0.8])
    check_frame(modes)
    np.testing.assert_allclose(modes.radiated_power(), [1, 0.9, 0.8], rtol=10 * EPS)
    np.testing.assert_allclose(power_by_quadrature(modes), 1, rtol=1e-11)
    # All of both signs, none of other orders.
    m = mode_numbers(modes.degree)[1]
    strong = np.abs(modes.coefficients).max(axis=0) > 1e-6
    assert set(m[strong]) == {-1, 1}


@pytest.mark.parametrize("name", GUIDES)
def test_truncation_is_what_is_said(name):
    exact = GUIDES[name](truncation=FINE)
    for truncation in (1e-2, 1e-3, 1e-5):
        modes = GUIDES[name](truncation=truncation)
        # Rms over the sphere is that of the coefficients, whose sum of squares is 2 W each.
        difference = modes.extend(exact.degree).coefficients - exact.coefficients
        rms = np.sqrt(np.square(np.abs(difference)).sum(axis=1) / 2)
        assert np.all(rms < truncation)
        assert rms.max() > 0.05 * truncation
    assert GUIDES[name]().degree == {"rectangular": 8, "circular": 6}[name]


# --- rectangular ---------------------------------------------------------------------------------


@pytest.mark.parametrize("reflection", [0.0, 0.2 - 0.1j, -0.15])
def test_rectangular_planes_against_the_aperture(reflection):
    modes = rectangular_waveguide(F, width=WIDTH, height=HEIGHT, reflection=reflection, truncation=FINE)
    theta = np.linspace(0, np.pi, 61)
    front = theta <= np.pi / 2
    e_plane, h_plane = field(modes, theta, 0.0)[0], -field(modes, theta, np.pi / 2)[1]
    for f, k in enumerate(2 * np.pi * F / SPEED_OF_LIGHT):
        aperture = rectangular_aperture_fields(k, reflection)
        e = radiated(*aperture, k, theta, np.zeros(theta.size))[0]
        h = -radiated(*aperture, k, theta, np.full(theta.size, np.pi / 2))[1]
        # The E-plane is that of the aperture, all around. What is left out, 1e-7 rms, may add up to
        # (N^2 + 2N)^(1/2) < 70 times that in one direction.
        tolerance = 70 * FINE * np.abs(e_plane[f]).max()
        np.testing.assert_allclose(e_plane[f], e / e[0] * e_plane[f, 0], atol=tolerance, err_msg=f"{F[f]}")
        # The H-plane has C0 cos X besides, in front. In units of B = j k a b / 8 (-jk/(4 pi) times
        # the integral of cos(pi y/a) exp(j k y sin), closed form) two angles give C0, a real
        # number, and every other angle and the power must follow.
        unit = 1j * k * WIDTH * HEIGHT / 8
        edges = np.cos(k * WIDTH / 2 * np.sin(theta))
        i = int(np.argmin(np.abs(theta - 1.2)))
        ratio = h_plane[f, i] / h_plane[f, 0]
        c0 = (ratio * h[0] - h[i]) / (edges[i] - ratio) / unit
        assert abs(c0.imag) < 1e-4
        assert 0 < c0.real < 0.5
        expected = h_plane[f, 0] * (h / unit + c0 * edges) / (h[0] / unit + c0)
        np.testing.assert_allclose(h_plane[f][front], expected[front], atol=10 * tolerance)
        check_power_of_the_mode(k, reflection, e / unit, h / unit, c0.real, theta, edges)


def check_power_of_the_mode(k, reflection, e, h, c0, theta, edges):
    """The planes with C0 radiate what the mode carries, less what it reflects."""
    beta = np.sqrt(k**2 - (np.pi / WIDTH) ** 2)

    def density(y, _):
        # 1/2 E x H* of the incident wave of 1 V/m.
        return 0.5 * np.cos(np.pi * y / WIDTH) ** 2 * beta / (k * oracle.Z0)

    carried = dblquad(density, -HEIGHT / 2, HEIGHT / 2, -WIDTH / 2, WIDTH / 2)[0]
    carried *= 1 - abs(reflection) ** 2
    e, h = e * (e[0] + c0) / e[0], h + c0 * edges
    ring = np.pi * (np.abs(e) ** 2 + np.abs(h) ** 2) * np.sin(theta) / (2 * oracle.Z0)
    # Simpson's rule on 61 angles: an error of (ka h)^4/180 or less, 1e-5.
    step = theta[1]
    simpson = step / 3 * (ring[0] + ring[-1] + 4 * ring[1:-1:2].sum() + 2 * ring[2:-1:2].sum())
    total = simpson * (k * WIDTH * HEIGHT / 8) ** 2
    np.testing.assert_allclose(total, carried, rtol=1e-4)


def test_rectangular_gain_over_the_band():
    # G = 21.6 f a, f in GHz, a in metres, within 0.5 dB (M. Kanda and R. D. Orr, IEEE Trans. AP
    # 35(1), 33-40, 1987, and IEEE Std 1309; from memory). Found: within 0.2 dB.
    modes = rectangular_waveguide(F, width=WIDTH, height=HEIGHT)
    gain_db = 10 * np.log10(directivity(modes)[:, 0])
    expected = 10 * np.log10(21.6 * F / 1e9 * WIDTH)
    np.testing.assert_allclose(gain_db, expected, atol=0.5)


def test_rectangular_field_is_single_valued_behind():
    # At theta = 180 deg, theta^ is -x at phi = 0 and -y at phi = 90 deg, phi^ is y and -x there:
    # one vector along x means e_plane = -h_plane. Only so do few degrees suffice, as above. The
    # published H-plane would be off by C0 (1 + 0.1), a third of the field on boresight.
    modes = rectangular_waveguide(F, width=WIDTH, height=HEIGHT, truncation=FINE)
    theta = np.pi - np.array([0.0, 1e-3])
    e, h = field(modes, theta, 0.0)[0], -field(modes, theta, np.pi / 2)[1]
    assert np.all(np.abs(e) > 0.05)
    np.testing.assert_allclose(e[:, 0], -h[:, 0], rtol=1e-9)
    # Next to it they differ by (k a 1e-3)^2 of the field on boresight, 16 V, at most.
    np.testing.assert_allclose(e[:, 1], -h[:, 1], atol=(6e-3) ** 2 * 16)


# --- circular ------------------------------------------------------------------------------------


def test_zeros_of_bessel_functions():
    for value, order in ((TE11_ZERO, 1), (TE21_ZERO, 2)):
        np.testing.assert_allclose(value, float(mpmath.besseljzero(order, 1, 1)), rtol=4 * EPS)


@pytest.mark.parametrize("reflection", [0.0, 0.1 + 0.2j])
def test_circular_pattern_is_that_of_the_aperture(reflection):
    modes = circular_waveguide(F, radius=RADIUS, reflection=reflection, truncation=FINE)
    rng = np.random.default_rng(1)
    theta = np.concatenate([np.linspace(0, np.pi, 25), np.arccos(rng.uniform(-1, 1, 40))])
    phi = rng.uniform(0, 2 * np.pi, theta.size)
    found = field(modes, theta, phi)
    for f, k in enumerate(2 * np.pi * F / SPEED_OF_LIGHT):
        expected = radiated(*circular_aperture_fields(k, reflection), k, theta, phi)
        # Both of any level and phase: those of boresight.
        e_x = [x[0, 0] * np.cos(phi[0]) - x[1, 0] * np.sin(phi[0]) for x in (found[:, f], expected)]
        tolerance = 70 * FINE * np.abs(found[:, f]).max()
        np.testing.assert_allclose(found[:, f], expected * e_x[0] / e_x[1], atol=tolerance)


def test_circular_guide_where_its_formula_is_zero_over_zero(monkeypatch):
    # X = k a sin(theta) = p: 2 J1'(X) / (1 - (X/p)^2) goes to -p J1''(p) = (p - 1/p) J1(p), by
    # Bessel's equation. The plane itself is looked at: a ring seldom falls on that angle.
    taken = {}
    monkeypatch.setattr(waveguides, "principal_planes", lambda _, **more: taken.update(more))
    circular_waveguide(F[2:], radius=RADIUS)
    k = 2 * np.pi * F[2] / SPEED_OF_LIGHT
    at = np.arcsin(TE11_ZERO / (k * RADIUS))
    steps = np.array([-1e-5, -1e-9, 0.0, 1e-9, 1e-5])
    s = np.sqrt(1 - (TE11_ZERO / (k * RADIUS)) ** 2)
    p = TE11_ZERO
    expected = (s + np.cos(at)) * (p - 1 / p) * float(mpmath.besselj(1, p))
    # Slopes are below ka = 3 fields a radian; the difference of nearly equal numbers costs EPS over
    # 1e-6 where the limit is not yet taken.
    np.testing.assert_allclose(taken["h_plane"](at + steps)[0], expected, atol=1e-4)
    np.testing.assert_allclose(taken["h_plane"](at + steps)[0, 1:4], expected, atol=1e-6)
    # On boresight, where the E-plane is zero over zero, the planes meet.
    zero = np.zeros(1)
    np.testing.assert_allclose(taken["e_plane"](zero), 1 + s, rtol=1e-14)
    np.testing.assert_allclose(taken["h_plane"](zero), 1 + s, rtol=1e-14)


# --- refusals -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        # Cutoff of TE10 c/2a = 6.557 GHz, of TE20 twice that; of TE01 c/2b.
        ({"frequency": [6.5e9]}, r"6\.5 GHz is outside of 6\.55714 to 13\.1143 GHz, where this"),
        ({"frequency": [10e9, 13.2e9]}, r"13\.2 GHz is outside .* carries TE10 alone: take another"),
        ({"frequency": [10e9], "height": 0.02}, r"10 GHz is outside of 6\.55714 to 7\.49481 GHz"),
        ({"width": 0.0}, "width is 0.0, expected > 0 m"),
        ({"height": np.nan}, "height is nan, expected > 0 m"),
        ({"reflection": 1.0}, r"reflection is 1\+0j at 10 GHz: no current on the edges makes .* give"),
        ({"reflection": 0.97 + 0j}, "reflection is 0.97"),
        ({"reflection": [0.1, 0.2]}, r"reflection has shape \(2,\), expected one value or \(1,\)"),
        ({"efficiency": 2.0}, "efficiency is 2, expected above 0"),
        ({"truncation": 2.0}, "truncation is 2.0, expected between"),
        ({"frequency": [-1.0]}, "frequency is -1.0, expected positive"),
    ],
)
def test_rectangular_refusals(arguments, message):
    usual = {"frequency": [10e9], "width": WIDTH, "height": HEIGHT}
    with pytest.raises(ValueError, match=message):
        rectangular_waveguide(**{**usual, **arguments})


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        # 1.841184 c / (2 pi a) and 3.054237 c / (2 pi a), c / (2 pi a) = 4.148996 GHz.
        ({"frequency": [7.6e9]}, r"7\.6 GHz is outside of 7\.63906 to 12\.672 GHz.*TE11 but not"),
        ({"frequency": [12.7e9]}, r"12\.7 GHz is outside .* take another size or a measured pattern"),
        ({"radius": -1.0}, "radius is -1.0, expected > 0 m"),
        ({"reflection": [0.1, 0.2]}, "reflection has shape"),
        ({"reflection": -1j}, r"reflection is -0-1j at 10 GHz, expected a magnitude below 1: oth"),
    ],
)
def test_circular_refusals(arguments, message):
    with pytest.raises(ValueError, match=message):
        circular_waveguide(**{"frequency": [10e9], "radius": RADIUS, **arguments})
