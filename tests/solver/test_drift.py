"""Level and phase between two scans of one device, and one solution of both."""

from dataclasses import replace

import numpy as np
import pytest
from orientation_cases import OVER, relative_error, turned
from rotations import axis_rotation
from sources import ONE_METRE, random_cluster, random_directions

from nf2ff.antenna.closed_form import far_field_of
from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.antenna.fields import far_field_points
from nf2ff.antenna.modes import SPEED_OF_LIGHT, required_degree
from nf2ff.antenna.points import equal_area_spiral
from nf2ff.measurement.orientation import merge_samples
from nf2ff.measurement.probe import field_probe
from nf2ff.measurement.simulated import simulate
from nf2ff.solver.drift import Drift, scan_drift
from nf2ff.solver.solve import solve
from nf2ff.solver.strategy import Direct, LeastSquares, Quadrature

CLUSTER = random_cluster(size=1.0)


#: 1e-10 of the field of dipoles so far from the origin lies above this degree.
DEGREE = required_degree(2 * np.pi * CLUSTER.minimum_radius, tail_db=-200)


SPIRAL = equal_area_spiral(700)


def half_scan(antenna, limit_deg, *, frequency=ONE_METRE, spiral=SPIRAL):
    """Both polarisations on a spiral, without what the base of the device hides."""
    keep = spiral.theta < np.radians(limit_deg)
    theta, phi = (np.tile(x[keep], 2) for x in (spiral.theta, spiral.phi))
    chi = np.repeat([0.0, np.pi / 2], keep.sum())
    return simulate(antenna, frequency=frequency, theta=theta, phi=phi, chi=chi, radius=3.0)


@pytest.mark.slow
def test_two_halves_make_a_whole():
    first, second = half_scan(CLUSTER, 110), half_scan(turned(CLUSTER, OVER), 110)
    theta, phi = random_directions(200)
    exact = far_field_of(CLUSTER, frequency=ONE_METRE, theta=theta, phi=phi)

    def error(samples):
        modes = solve(samples, field_probe(), degree=DEGREE).modes
        return relative_error(far_field_points(modes, theta=theta, phi=phi), exact)

    # 1e-10 above the degree, and the iteration stops at 1e-9 of its gradient: a few times that.
    assert error(merge_samples(first, second, rotation=OVER)) < 1e-8
    # With another rotation, or from one half alone, nothing is known of the far side.
    slanted = axis_rotation([1.0, 0.1, 0.0], angle=2.0)
    assert error(merge_samples(first, second, rotation=slanted)) > 0.1
    assert error(first) > 0.1
    # A drift that is left in costs about its own size where the second scan alone saw.
    drifted = replace(second, response=1.1 * second.response)
    assert 0.03 < error(merge_samples(first, drifted, rotation=OVER)) < 0.2


#: Two frequencies and what happened between the scans at each.
TWO = SPEED_OF_LIGHT * np.array([1.0, 0.8])


FACTOR = np.array([0.9 * np.exp(0.4j), 3 * np.exp(-2j)])


def drifted_scans(limit_deg=110):
    first = half_scan(CLUSTER, limit_deg, frequency=TWO)
    second = half_scan(turned(CLUSTER, OVER), limit_deg, frequency=TWO)
    return first, replace(second, response=FACTOR[:, None] * second.response)


@pytest.mark.slow
@pytest.mark.parametrize("missing", [False, True])
def test_drift_is_found(missing):
    first, second = drifted_scans()
    if missing:
        response = second.response.copy()
        response[1, ::9] = np.nan
        second = replace(second, response=response)
    found = scan_drift(first, second, field_probe(), rotation=OVER, degree=DEGREE)
    # The residuals are as exact as the iteration, 1e-9, and what lies above the degree, 1e-10.
    np.testing.assert_allclose(found.factor, FACTOR, rtol=1e-8)
    assert np.all(found.uncertainty < 1e-8)
    # Both saw the band within 20 deg of the equator, and as far beyond as a sample reaches: between
    # 4 pi sin(20 deg) and 4 pi sin(20 deg + 1.5 pi/N), widened a little by the slant of the axis.
    assert np.all(found.shared > 0.98 * 4 * np.pi * np.sin(np.radians(20)))
    assert np.all(found.shared < 1.02 * 4 * np.pi * np.sin(np.radians(20) + 1.5 * np.pi / DEGREE))
    merged = merge_samples(first, second, rotation=OVER, factor=found.factor)
    modes = solve(merged, field_probe(), degree=DEGREE).modes
    theta, phi = random_directions(100)
    exact = far_field_of(CLUSTER, frequency=TWO, theta=theta, phi=phi)
    assert relative_error(far_field_points(modes, theta=theta, phi=phi), exact) < 1e-7


def test_drift_by_the_dense_solution():
    # A dipole pair at the origin is of degree 1: nothing is left out.
    first, second = (half_scan(x, 120, spiral=equal_area_spiral(60)) for x in (PAIR, TURNED_PAIR))
    second = replace(second, response=FACTOR[0] * second.response)
    found = scan_drift(first, second, field_probe(), rotation=OVER, degree=4, method=Direct())
    # Rounding of a dense solution of 180 rows: about sqrt(180) eps times its condition, below 100.
    np.testing.assert_allclose(found.factor, FACTOR[:1], rtol=1e-12)


PAIR = DipoleCluster(np.zeros((1, 3)), [[1, 2j, 0.3]], [[0, 300, 200j]])


TURNED_PAIR = turned(PAIR, OVER)


@pytest.mark.slow
def test_drift_under_noise_is_unbiased_and_its_uncertainty_true():
    # One noise after the other stands at frequencies that are equal but for their names.
    count, noise, true, degree = 40, 0.1, 0.4 - 0.3j, 6
    frequency = SPEED_OF_LIGHT * (1 + 1e-8 * np.arange(1, count + 1))
    rng = np.random.default_rng(8)
    scans, level = [], 0.0
    for antenna, factor in ((PAIR, 1.0), (TURNED_PAIR, true)):
        scan = half_scan(antenna, 120, frequency=frequency, spiral=equal_area_spiral(60))
        parts = rng.normal(size=(2, *scan.response.shape))
        level = level or noise * np.sqrt(np.mean(np.abs(scan.response) ** 2) / 2)  # of the first
        response = factor * scan.response + level * (parts[0] + 1j * parts[1])
        scans.append(replace(scan, response=response))
    found = scan_drift(*scans, field_probe(), rotation=OVER, degree=degree)
    error = (found.factor - true) / true
    spread = np.sqrt(np.mean(np.abs(error) ** 2) / 2)
    # A mean of 40 real parts scatters by spread/sqrt(40); four times that. Plain least squares
    # would take 1/factor too small by 2 u^2 times the residual's degrees of freedom in the second
    # scan, 90 - 96/2: by 4 %.
    assert spread < 0.025
    assert np.abs(error.mean().real) < 4 * spread / np.sqrt(count)
    assert np.abs(error.mean().imag) < 4 * spread / np.sqrt(count)
    # A standard deviation from 80 numbers is known to 1/sqrt(160) = 7.9 %, four times that. The
    # uncertainty leaves out noise times noise, at most 2 u^2 times 42 of its square: 2 % of it.
    expected = pytest.approx(spread * abs(true), rel=4 / np.sqrt(4 * count) + 0.02)
    assert found.uncertainty.mean() == expected


@pytest.mark.slow
def test_drifts_that_are_refused():
    probe = field_probe()
    first, second = drifted_scans(70)
    with pytest.raises(ValueError, match=r"share no part of the sphere at 0\.299792458 GHz: mea"):
        scan_drift(first, second, probe, rotation=OVER, degree=DEGREE)
    first, second = drifted_scans()
    with pytest.raises(ValueError, match=r"method is Quadrature.* use LeastSquares or Direct"):
        scan_drift(first, second, probe, rotation=OVER, degree=DEGREE, method=Quadrature())
    # Of another device; of a dead channel; and one so weak that its part of the residual drowns.
    rng = np.random.default_rng(9)
    noise = rng.normal(size=second.response.shape) * np.abs(second.response).max()
    quick = LeastSquares(rtol=1e-4)
    for response in (noise, 1e-3 * (second.response + 1e-3 * noise) + 1e-2 * noise):
        other = replace(second, response=response.astype(complex))
        for pair in ((first, other), (other, first)):
            with pytest.raises(ValueError, match=r"do not settle level and phase.* known factor"):
                scan_drift(*pair, probe, rotation=OVER, degree=DEGREE, method=quick)
    dead = replace(second, response=0 * second.response)
    with pytest.raises(ValueError, match="responses are zero"):
        scan_drift(first, dead, probe, rotation=OVER, degree=6)


def test_a_drift_says_what_fits_together():
    with pytest.raises(ValueError, match="uncertainty has 1 values, expected 2"):
        Drift([1.0, 1j], [0.1], [1.0, 1.0])
    with pytest.raises(ValueError, match="shared is nan at index"):
        Drift([1.0], [0.1], [np.nan])
    with pytest.raises(ValueError, match="read-only"):
        Drift([1.0], [0.1], [1.0]).factor[0] = 2
