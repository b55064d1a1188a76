"""Power into parts of the sphere: closed forms, complements, and a brute-force integral."""

import numpy as np
import oracle
import pytest
from patterns import HUYGENS, POWER_RTOL, Z_DIPOLE, modes_of, project
from scipy.integrate import quad

from nf2ff.antenna.modes import Modes
from nf2ff.metrics import gain_and_power
from nf2ff.metrics.regions import (
    UPPER_HEMISPHERE,
    Cone,
    ThetaInterval,
    near_horizon,
    partial_radiated_power,
    radiated_fraction,
)

#: A region and the rest of the sphere add up to TRP, as is asked; rounding and the transforms at
#: points (1e-13 of the field) leave less.
COMPLEMENT_RTOL = 1e-12


def dipole_share(theta1, theta2):
    """Closed form: 3/4 int sin^3(theta) = 3/4 [x - x^3/3] between the cosines."""
    x1, x2 = np.cos(theta1), np.cos(theta2)
    return 0.75 * (x1 - x1**3 / 3 - x2 + x2**3 / 3)


@pytest.mark.parametrize(
    ("theta1", "theta2"), [(0, np.pi), (0, np.pi / 2), (0.3, 0.31), (1.0, 3.0), (2.0, np.pi)]
)
def test_dipole_between_two_angles(theta1, theta2):
    share = radiated_fraction(Z_DIPOLE, ThetaInterval(theta1, theta2))
    # The difference of nearly equal cosines is what the closed form loses, not the function.
    np.testing.assert_allclose(share, dipole_share(theta1, theta2), rtol=POWER_RTOL, atol=1e-15)


@pytest.mark.parametrize("degrees", [15, 30, 45])
def test_near_horizon_power_of_a_dipole(degrees):
    # Closed form: 2 x 3/4 (x - x^3/3) with x = sin(15, 30, 45 deg).
    x = np.sin(np.radians(degrees))
    power = partial_radiated_power(Z_DIPOLE, near_horizon(np.radians(degrees)))
    np.testing.assert_allclose(power, 0.5 * 1.5 * (x - x**3 / 3), rtol=POWER_RTOL)
    np.testing.assert_allclose(gain_and_power.trp(Z_DIPOLE), 0.5, rtol=1e-15)


def test_hemispheres_of_a_huygens_source():
    # Closed form: int_0^1 ((1 + x)/2)^2 dx over that from -1 to 1 is 7/8.
    np.testing.assert_allclose(radiated_fraction(HUYGENS, UPPER_HEMISPHERE), 7 / 8, rtol=POWER_RTOL)
    lower = radiated_fraction(HUYGENS, ThetaInterval(np.pi / 2, np.pi))
    np.testing.assert_allclose(lower, 1 / 8, rtol=POWER_RTOL)


@pytest.mark.parametrize("half", [1e-4, 0.2, 1.0, 2.5, np.pi])
def test_cone_about_the_axis_of_a_raised_cosine(half):
    # Closed form: x-polarised ((1 + cos theta)/2)^p has 1 - ((1 + cos h)/2)^(2p+1) of its power
    # within h, and ((1 - cos h)/2)^(2p+1) within h of -z.
    p = 4

    def field(theta, phi):
        f = np.cos(theta / 2) ** (2 * p)
        return f * np.cos(phi), -f * np.sin(phi)

    modes = project(field, p, 1)
    inside = -np.expm1((2 * p + 1) * np.log1p(-(np.sin(half / 2) ** 2))) if half < np.pi else 1.0
    share = radiated_fraction(modes, Cone(0, 1.0, half))
    np.testing.assert_allclose(share, inside, rtol=POWER_RTOL)
    np.testing.assert_allclose(radiated_fraction(modes, ThetaInterval(0, half)), inside, rtol=POWER_RTOL)
    behind = radiated_fraction(modes, Cone(np.pi, 1.0, half))
    np.testing.assert_allclose(behind, np.sin(half / 2) ** (4 * p + 2), rtol=3e-12, atol=1e-15)


@pytest.mark.parametrize("half", [0.01, 0.7, 2.0])
@pytest.mark.parametrize(("theta", "phi"), [(0.0, 0.0), (1.1, 4.0), (np.pi / 2, 0.3), (np.pi, 1.0)])
def test_dipole_in_a_tilted_cone(theta, phi, half):
    # Closed form: with c = cos h, the mean of (a.r)^2 over the cone about a is (1 + c + c^2)/3, of
    # each square across it half of the rest; so of (z.r)^2, z.a = cos(theta), and D = 3/2 (1 - it).
    c, x = np.cos(half), np.cos(theta)
    along = (1 + c + c * c) / 3
    mean = 1.5 * (1 - along * x * x - (1 - along) / 2 * (1 - x * x))
    area = np.sin(half / 2) ** 2
    share = radiated_fraction(Z_DIPOLE, Cone(theta, phi, half))
    np.testing.assert_allclose(share, area * mean, rtol=POWER_RTOL, atol=1e-14 * area)


def test_random_antenna_in_a_cone_against_brute_force(random_q):
    degree, theta, phi, half = 4, 0.9, 2.2, 0.8
    q = random_q(degree)
    r, along, across = oracle.cartesian(theta, phi)
    # Around the axis the intensity is a Fourier series of order 2N: its mean, by equal steps.
    turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)[:, None]
    aside = np.cos(turn) * along + np.sin(turn) * across

    def density(angle):
        v = np.cos(angle) * r + np.sin(angle) * aside
        e = oracle.far_field(q, degree, np.arccos(v[:, 2]), np.arctan2(v[:, 1], v[:, 0]))
        u = np.sum(np.abs(e) ** 2, axis=1) / (2 * oracle.Z0)
        return 2 * np.pi * u.mean() * np.sin(angle)

    wanted, error = quad(density, 0, half, epsabs=0, epsrel=1e-12)
    found = partial_radiated_power(Modes([1e9], [q]), Cone(theta, phi, half))
    assert error < 1e-11 * wanted
    np.testing.assert_allclose(found, wanted, rtol=2e-11)


@pytest.mark.parametrize("degree", [1, 7, 20])
def test_complements_add_up_to_trp(random_q, degree):
    modes = Modes([1e9, 2e9], [random_q(degree), 3 * random_q(degree)])
    trp = gain_and_power.trp(modes)
    for cut in (1e-6, 0.4, np.pi / 2, 3.1):
        parts = [partial_radiated_power(modes, ThetaInterval(*ends)) for ends in ((0, cut), (cut, np.pi))]
        np.testing.assert_allclose(sum(parts), trp, rtol=COMPLEMENT_RTOL)
        # The axis the same at both frequencies, and not.
        for theta, phi in ((0.8, 5.0), ([0.8, 2.5], [5.0, 1.0])):
            theta, phi = np.array(theta), np.array(phi)
            there = partial_radiated_power(modes, Cone(theta, phi, cut))
            rest = partial_radiated_power(modes, Cone(np.pi - theta, phi + np.pi, np.pi - cut))
            np.testing.assert_allclose(there + rest, trp, rtol=COMPLEMENT_RTOL)
    band = partial_radiated_power(modes, near_horizon(0.3))
    caps = [
        partial_radiated_power(modes, ThetaInterval(*ends))
        for ends in ((0, np.pi / 2 - 0.3), (np.pi / 2 + 0.3, np.pi))
    ]
    np.testing.assert_allclose(band + sum(caps), trp, rtol=COMPLEMENT_RTOL)
    for whole in (Cone(1.0, 2.0, np.pi), ThetaInterval(0, np.pi), near_horizon(np.pi / 2)):
        np.testing.assert_allclose(partial_radiated_power(modes, whole), trp, rtol=COMPLEMENT_RTOL)


def test_axes_belong_to_their_frequencies(random_q):
    modes = Modes([1e9, 2e9], [random_q(5), random_q(5)])
    theta, phi = [0.4, 2.0], [1.0, 4.0]
    together = partial_radiated_power(modes, Cone(theta, phi, 0.5))
    for f in range(2):
        one = modes.at(f)
        alone = partial_radiated_power(one, Cone(theta[f], phi[f], 0.5))
        np.testing.assert_allclose(together[f], alone[0], rtol=1e-14)
    with pytest.raises(ValueError, match="the cone has 2 axes for 1 frequencies: give one"):
        partial_radiated_power(one, Cone(theta, phi, 0.5))


def test_relative_modes_have_fractions_only():
    modes = modes_of({(2, 0, 1): 5}, reference="relative")
    np.testing.assert_allclose(radiated_fraction(modes, UPPER_HEMISPHERE), 0.5, rtol=POWER_RTOL)
    with pytest.raises(ValueError, match=r"partial radiated power needs absolute data.*calibrate"):
        partial_radiated_power(modes, UPPER_HEMISPHERE)
    with pytest.raises(ValueError, match="radiated power is 0 W at 1e"):
        radiated_fraction(Modes([1e9], [np.zeros(6)]), UPPER_HEMISPHERE)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: ThetaInterval(1.0, 1.0), r"from theta1 = 1 to theta2 = 1 rad is empty"),
        (lambda: ThetaInterval(2.0, 1.0), r"is empty: theta1 must be the smaller"),
        (lambda: ThetaInterval(-0.1, 1.0), r"theta1 is -0.1 rad, expected within 0 to pi"),
        (lambda: ThetaInterval(0.0, 3.2), r"theta2 is 3.2 rad, expected within 0 to pi"),
        (lambda: near_horizon(0), r"half_width is 0 rad, expected more than 0 and at most pi/2"),
        (lambda: near_horizon(1.6), r"half_width is 1.6 rad, expected more than 0"),
        (lambda: Cone(0, 0, 0), r"half_angle is 0 rad, the cone is empty: expected more than 0"),
        (lambda: Cone(0, 0, -1), r"half_angle is -1 rad, the cone is empty"),
        (lambda: Cone(0, 0, 4), r"half_angle is 4 rad, the cone is more than the sphere"),
        (lambda: Cone(-0.1, 0, 1), r"axis lies in \[0, pi\] rad: turn phi by pi"),
        (lambda: Cone([0, 3.2], [0, 0], 1), r"axis lies in \[0, pi\] rad"),
        (lambda: Cone([0, 1], 0, 1), r"theta of shape \(2,\) and phi of \(\), expected one value"),
        (lambda: Cone([[0]], [[0]], 1), r"theta of shape \(1, 1\)"),
        (lambda: Cone(np.nan, 0, 1), r"theta is nan, expected finite"),
        (lambda: Cone(0, 0, np.inf), r"half_angle is inf"),
    ],
)
def test_regions_that_are_none(make, message):
    with pytest.raises(ValueError, match=message):
        make()
