"""Power into bands of theta against integrals in closed form."""

import numpy as np
import pytest

from nf2ff.antenna.far_field import far_field
from nf2ff.antenna.modes import Modes, mode_count
from nf2ff.metrics.gain_and_power import eirp
from nf2ff.metrics.regions import ThetaInterval, radiated_fraction
from nf2ff.power_only.fit import PowerFit, harmonics
from nf2ff.power_only.peak import fit_scan
from nf2ff.power_only.regions import partial_power, partial_uncertainty
from nf2ff.power_only.scan import PowerScan


def dipole_fit():
    """Readings of sin^2(theta) (1 + 0.5 cos(phi)) + 0.2 cos(theta): closed form, degree 3."""
    theta, phi = np.radians(np.meshgrid(np.arange(0, 181, 15), np.arange(0, 360, 30), indexing="ij"))
    values = np.sin(theta) ** 2 * (1 + 0.5 * np.cos(phi)) + 0.2 * np.cos(theta) + 0.5
    both = np.stack([values.ravel(), 2 * values.ravel()])
    scan = PowerScan([1e9, 2e9], theta.ravel(), phi.ravel(), eirp_total=both)
    return fit_scan(scan)


def integral(a, b):
    """Of sin^2 + 0.2 cos + 0.5 over cos(theta) from b to a, half of it: closed form."""
    x = np.cos([a, b])
    whole = x - x**3 / 3 + 0.1 * x**2 + 0.5 * x
    return (whole[0] - whole[1]) / 2


@pytest.mark.parametrize(("a", "b"), [(0, 90), (75, 105), (60, 120), (45, 135), (0, 180), (10, 11)])
def test_a_band_is_the_integral(a, b):
    found = partial_power(dipole_fit(), theta1=np.radians(a), theta2=np.radians(b))
    expected = integral(np.radians(a), np.radians(b))
    np.testing.assert_allclose(found, [expected, 2 * expected], rtol=1e-10)


def test_bands_add_up_to_the_mean():
    fit = dipole_fit()
    parts = [partial_power(fit, theta1=a, theta2=b) for a, b in [(0, 0.3), (0.3, 2.0), (2.0, np.pi)]]
    np.testing.assert_allclose(np.sum(parts, axis=0), fit.mean, rtol=1e-12)


def test_orders_other_than_0_carry_no_power():
    terms = 16
    one = np.zeros((1, terms))
    one[0, 3] = 1.0  # degree 1, order 1: sine, in the order of `harmonics`
    assert np.ptp(harmonics(3, theta=np.array([1.0, 1.0]), phi=np.array([0.0, 2.0]))[:, 3]) > 0.1
    found = partial_power(PowerFit([1e9], one, [0.0]), theta1=0, theta2=1.0)
    assert found[0] == 0


@pytest.mark.parametrize(("a", "b"), [(1.0, 1.0), (-0.1, 1.0), (1.0, 4.0), (2.0, 1.0)])
def test_an_empty_band_is_refused(a, b):
    with pytest.raises(ValueError, match="give 0 <= theta1 < theta2 <= pi"):
        partial_power(dipole_fit(), theta1=a, theta2=b)


@pytest.mark.parametrize(("step", "degree"), [(90, 1), (90, 2), (60, 2), (45, 4), (30, 6)])
def test_coarse_steps_are_as_unsure_as_they_are(step, degree):
    """Random antennas of degrees that the steps do not resolve, exact power by their modes.

    That what is above the fit is as strong as its last degrees is cautious: up to four times what happens.
    """
    rng = np.random.default_rng(1)
    theta, phi = np.radians(np.arange(0, 181, step)), np.radians(np.arange(0, 360, step))
    t, p = (x.ravel() for x in np.meshgrid(theta, phi, indexing="ij"))
    q = rng.normal(size=(2, 60, mode_count(degree)))
    modes = Modes(np.full(60, 1e9), q[0] + 1j * q[1])
    power = eirp(far_field(modes, theta=theta, phi=phi)).reshape(60, -1)
    fit = fit_scan(PowerScan(modes.frequency, t, p, eirp_total=power))
    happened, stated = 0.0, 0.0
    for a, b in ((0, np.pi / 2), (np.pi / 3, 2 * np.pi / 3)):
        exact = radiated_fraction(modes, ThetaInterval(a, b))
        happened += np.sum((partial_power(fit, theta1=a, theta2=b) / fit.mean - exact) ** 2)
        told = partial_uncertainty(fit, theta1=a, theta2=b, count=t.size) / fit.mean
        stated += np.sum(told**2)
    # Of either band alone chance or symmetry may leave less.
    assert 0.8 < np.sqrt(stated / happened) < 4


def test_a_pattern_that_is_resolved_is_as_sure_as_its_noise():
    # Nothing in the last degrees: noise alone is left. By Parseval's theorem what a band takes of degrees,
    # squared, adds up to its part of the sphere; of the whole sphere, of degree 0 alone, to 1.
    terms = np.zeros((1, 81))
    terms[0, :16] = 1.0
    fit = PowerFit([1e9], terms, [0.01])
    told = partial_uncertainty(fit, theta1=0, theta2=1.0, count=100)[0]
    part = (1 - np.cos(1.0)) / 2
    assert 0.9 * 0.001 * np.sqrt(part) < told < 0.001 * np.sqrt(part)
    assert partial_uncertainty(fit, theta1=0, theta2=np.pi, count=100)[0] == pytest.approx(0.001)
