"""Peaks between samples of power, against those of the modes."""

import numpy as np
import pytest
from power_scan_cases import grid, scan_of, vectors

from nf2ff.antenna import fields
from nf2ff.antenna.modes import Modes
from nf2ff.antenna.points import constant_density, equal_area_spiral, random_points
from nf2ff.metrics import beam
from nf2ff.metrics.gain_and_power import intensity
from nf2ff.power_only.fit import harmonics
from nf2ff.power_only.peak import scan_peak
from nf2ff.power_only.scan import PowerScan


def angle_between(theta1, phi1, theta2, phi2):
    chord = np.linalg.norm(vectors(theta1, phi1) - vectors(theta2, phi2), axis=-1)
    return 2 * np.arcsin(np.minimum(1, chord / 2))


@pytest.mark.slow
@pytest.mark.parametrize("degree", [1, 3, 5])
@pytest.mark.parametrize("kind", ["grid", "spiral", "random"])
def test_peak_is_that_of_the_modes(random_q, degree, kind):
    modes = Modes(np.arange(1.0, 9) * 1e9, [random_q(degree) for _ in range(8)])
    terms = (2 * degree + 1) ** 2
    if kind == "grid":
        theta, phi = grid(2 * degree + 1, 4 * degree + 1, phi0=0.05)
    else:
        points = equal_area_spiral(2 * terms) if kind == "spiral" else random_points(9 * terms, rng=1)
        theta, phi = points.theta, points.phi
    e = fields.far_field_points(modes, theta=theta, phi=phi)
    scan = PowerScan(modes.frequency, theta, phi, eirp_total=4 * np.pi * intensity(*e))
    found = scan_peak(scan, field_degree=degree)
    assert found.degree >= 2 * degree
    exact = beam.peak(modes)  # found on the field itself, to 1e-4 deg
    assert np.all(np.degrees(angle_between(found.theta, found.phi, exact.theta, exact.phi)) < 1e-4)
    np.testing.assert_allclose(found.eirp, exact.eirp, rtol=1e-11)
    np.testing.assert_array_equal(found.sample, scan.eirp.argmax(axis=1))
    np.testing.assert_array_equal(found.sample_eirp, scan.eirp.max(axis=1))
    assert np.all(found.sample_eirp <= found.eirp * (1 + 1e-12))


def test_peak_between_grid_points():
    # Closed form: (1 + r . a)^2 / 4 has its maximum 1 at a.
    theta, phi = grid(6, 12)
    for t, p in ((0.7, 6.2), (np.pi / 2, 0.0), (1e-3, 2.0), (3.0, 1.0)):
        u = (1 + vectors(theta, phi) @ vectors(t, p)) ** 2 / 4
        found = scan_peak(scan_of(1e-9 * u, theta, phi))
        assert angle_between(found.theta, found.phi, t, p) < 1e-6
        np.testing.assert_allclose(found.eirp, 1e-9, rtol=1e-12)
        assert 0 <= found.phi[0] < 2 * np.pi


@pytest.mark.parametrize(
    ("pattern", "theta", "level"),
    [
        (lambda t: 1 + np.cos(t), 0, 2),
        (lambda t: 1 - np.cos(t), 180, 2),
        (lambda t: np.sin(t) ** 2, 90, 1),  # a ridge
        (lambda t: np.cos(t) ** 2, 0, 1),  # two equal maxima: the smaller theta
        (lambda t: np.ones_like(t), 0, 1),
    ],
)
def test_peaks_of_bodies_of_revolution(pattern, theta, level):
    t, p = grid(6, 12)
    found = scan_peak(scan_of(pattern(t), t, p))
    np.testing.assert_allclose(np.degrees(found.theta), theta, atol=1e-5)
    np.testing.assert_allclose(found.eirp, level, rtol=1e-12)
    if theta in (0, 180):
        assert found.phi[0] == 0


@pytest.mark.slow
def test_the_highest_of_very_many_maxima(rng):
    # Ripple of degree 24 on a constant: more maxima within 1 % of each other than are followed.
    points = constant_density(900)
    ripple = 0.01 * rng.normal(size=(2, 625))
    ripple[:, : 22**2] = 0
    values = 100 + ripple @ harmonics(24, theta=points.theta, phi=points.phi).T
    found = scan_peak(scan_of(values, points.theta, points.phi))
    assert found.degree >= 24
    # Brute force, 1.2 deg apart: along a great circle the curvature is at most 24^2 times the
    # height of the ripple, below 0.5, and half the diagonal of a cell 0.85 deg: 0.03.
    fine = constant_density(30_000)
    u = 100 + ripple @ harmonics(24, theta=fine.theta, phi=fine.phi).T
    assert np.all((u.max(axis=1) > 100.2) & (u.max(axis=1) < 100.5))
    assert np.all(found.eirp >= u.max(axis=1))
    assert np.all(found.eirp < u.max(axis=1) + 0.03)


def test_noise_is_averaged_out_by_a_lower_degree(rng):
    theta, phi = grid(12, 24)
    truth = (1 + vectors(theta, phi) @ vectors(0.9, 2.0)) ** 2 / 4
    noisy = np.maximum(truth + 0.03 * rng.normal(size=(40, theta.size)), 0)
    error = {}
    for degree in (2, None):
        found = scan_peak(scan_of(noisy, theta, phi), degree=degree)
        error[degree] = np.sqrt(np.mean(angle_between(found.theta, found.phi, 0.9, 2.0) ** 2))
    # 9 coefficients instead of 144: less than sqrt(9 / 144) at equal slopes, and the chance of 40
    # draws of two components is 8 %.
    assert error[2] < 0.5 * error[None]


def test_no_power_has_no_peak():
    theta, phi = grid(6, 12)
    with pytest.raises(ValueError, match="EIRP is 0 everywhere at 2 Hz: there is no peak, leave"):
        scan_peak(scan_of([np.ones(theta.size), np.zeros(theta.size)], theta, phi))
