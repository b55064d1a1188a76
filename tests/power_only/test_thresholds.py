"""Thresholds of totals and peaks of power scans, each with a case just below it and one just above."""

import numpy as np
import pytest
from power_scan_cases import grid, scan_of

from nf2ff.antenna.points import constant_density, random_points
from nf2ff.messages.power import PowerCode
from nf2ff.power_only.fit import PowerFit, harmonic_basis, harmonics
from nf2ff.power_only.peak import scan_peak
from nf2ff.power_only.resolution import coarse_warnings, peak_uncertainty, peak_warnings, resolution
from nf2ff.power_only.totals import scan_trp
from nf2ff.power_only.weights import different_positions, sphere_gap, voronoi_weights


def codes(warnings):
    return [x.code for x in warnings]


# --- resolution ----------------------------------------------------------------------------


def fit_of(unresolved, degree=3):
    """A fit of which a share of the pattern is left over."""
    coefficients = np.zeros((1, (degree + 1) ** 2))
    coefficients[0, 0] = np.sqrt(1 - unresolved**2)
    return PowerFit([1e9], coefficients, [unresolved])


def powers(samples, positions=100):
    """Powers (1, U) of which so many carry all."""
    return np.where(np.arange(positions) < samples, 1.0, 0.0)[None]


SHARE = np.full(100, 0.01)


@pytest.mark.parametrize(("unresolved", "told"), [(0.09, False), (0.11, True)])
def test_patterns_that_are_called_unresolved(unresolved, told):
    found = resolution(fit_of(unresolved), powers(20), SHARE)
    assert (codes(found.warnings[0]) == [PowerCode.UNRESOLVED]) == told
    if told:
        assert found.warnings[0][0].figures == {"share_percent": pytest.approx(11), "degree": 3}


@pytest.mark.parametrize(("samples", "factor"), [(14, 1.0), (17, np.sqrt(1 + 5 * 0.2))])
def test_errors_widened_where_many_samples_carry_the_power(samples, factor):
    found = resolution(fit_of(0.3), powers(samples), SHARE)
    np.testing.assert_allclose(found.widening, factor, rtol=1e-12)


@pytest.mark.parametrize(
    ("unresolved", "samples", "coarse"),
    [(0.24, 6, False), (0.26, 6, True), (0.26, 8, False), (0.24, 8, False)],
)
def test_steps_too_coarse_for_a_total(unresolved, samples, coarse):
    found = resolution(fit_of(unresolved), powers(samples), SHARE)
    assert found.coarse[0] == coarse
    assert codes(coarse_warnings(found)[0]) == coarse * [PowerCode.TOTAL_UNSTATED]


@pytest.mark.parametrize(("error_db", "told"), [(0.09, False), (0.11, True)])
def test_uncertainties_of_a_peak_worth_a_word(error_db, told):
    (found,) = peak_warnings(np.array([10 ** (error_db / 10) - 1]), np.ones(1))
    assert codes(found) == told * [PowerCode.PEAK_UNSURE]
    (found,) = peak_warnings(np.array([np.nan]), np.ones(1))
    assert codes(found) == [PowerCode.PEAK_UNSTATED]


def beside(offsets, unresolved):
    """Uncertainty of a peak of 1 by samples 1 and others at heights, each off by a part of them."""
    points = constant_density(100)
    positions = different_positions(points.theta, points.phi)
    fit = fit_of(unresolved, degree=0)
    level = fit.coefficients[0, 0]
    values = np.full((1, 100), 1e-3)
    for i, (height, off) in enumerate(offsets):
        # The fit is the same everywhere: what is off is the sample.
        values[0, i] = height * level if off is None else off
    return peak_uncertainty(fit, SHARE, positions, values, np.ones(1))[0]


def test_the_unresolved_share_counts_in_a_peak():
    # Eight samples in the beam, met by the fit: 0.65 of the share is left.
    for unresolved in (0.2, 0.44):
        assert beside(8 * [(1.0, None)], unresolved) == pytest.approx(0.65 * unresolved, rel=1e-9)
    assert np.isnan(beside(8 * [(1.0, None)], 0.46))


@pytest.mark.parametrize(("height", "counts"), [(0.24, False), (0.26, True)])
def test_samples_that_belong_to_the_beam(height, counts):
    # The second is 1 - height off the fit; weighted by squares, over 1 - h with h = 0.01.
    level = np.sqrt(1 - 0.01**2)
    own = (level - height * level) / 0.99 * height / np.hypot(1, height) if counts else 0.0
    expected = np.hypot(own, 0.65 * 0.01)
    assert beside([(1.0, None), (height, height * level)], 0.01) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(("error", "stated"), [(0.48, True), (0.52, False)])
def test_largest_uncertainty_of_a_peak_that_is_stated(error, stated):
    level = np.sqrt(1 - 1e-12)
    found = beside([(1.0, level + 0.99 * error)], 1e-6)
    assert np.isfinite(found) == stated
    if stated:
        assert found == pytest.approx(error, rel=1e-6)


# --- totals --------------------------------------------------------------------------------


def lattice_without(cap_deg):
    """A lattice without the positions of a cap, moved so that none lies nearer to its middle."""
    points = constant_density(1500)
    keep = points.theta > np.radians(cap_deg)
    return points.theta[keep], points.phi[keep]


@pytest.mark.parametrize(("cap_deg", "refused"), [(57, False), (61, True)])
def test_largest_gap_of_a_total(cap_deg, refused):
    theta, phi = lattice_without(cap_deg)
    if refused:
        with pytest.raises(ValueError, match="no position within 6"):
            sphere_gap(different_positions(theta, phi))
    else:
        assert sphere_gap(different_positions(theta, phi)) > 2


@pytest.mark.parametrize(("cap_deg", "told"), [(5, False), (6, True)])
def test_gaps_worth_a_warning(cap_deg, told):
    theta, phi = lattice_without(cap_deg)
    gap = sphere_gap(different_positions(theta, phi))
    assert (1.15 < gap < 1.25) if not told else (1.25 < gap < 1.5)
    found = scan_trp(scan_of(np.ones(theta.size), theta, phi))
    assert codes(found.warnings[0]) == told * [PowerCode.GAP]
    if told:
        assert found.warnings[0][0].figures["ratio"] == pytest.approx(gap / 0.8)


@pytest.mark.parametrize(("pull", "told"), [(0.06, False), (0.10, True)])
def test_densities_that_are_not_constant(pull, told):
    # A lattice drawn towards +z: z + pull (1 - z^2) has the density 1 / (1 - 2 pull z), whose areas
    # spread by 2 pull / sqrt 3 (closed form, small pull) beside the 2 % of the lattice.
    points = constant_density(400)
    z = np.cos(points.theta)
    theta = np.arccos(np.clip(z + pull * (1 - z**2), -1, 1))
    found = scan_trp(scan_of(np.ones(400), theta, points.phi), method="mean")
    assert codes(found.warnings[0]) == told * [PowerCode.UNEVEN]
    if told:
        assert found.warnings[0][0].figures["spread_percent"] == pytest.approx(
            200 * pull / np.sqrt(3), rel=0.1
        )


# --- fits ----------------------------------------------------------------------------------


@pytest.mark.parametrize("least", [0.25, 0.01])
def test_degrees_that_positions_determine(least):
    # Random points: the chosen degree, or the highest that may be asked for, is the last whose least
    # eigenvalue, by brute force, is above the limit.
    points = random_points(150, rng=5)
    positions = different_positions(points.theta, points.phi)
    share = voronoi_weights(positions) / (4 * np.pi)

    def eigenvalue(degree):
        matrix = harmonics(degree, theta=positions.theta, phi=positions.phi)
        return np.linalg.eigvalsh(matrix.T @ (share[:, None] * matrix))[0]

    highest = max(n for n in range(1, 11) if eigenvalue(n) >= least)
    if least == 0.25:
        assert harmonic_basis(positions).degree == highest
        return
    assert harmonic_basis(positions, degree=highest).degree == highest
    with pytest.raises(ValueError, match=f"these positions determine 0 to {highest}: lower it"):
        harmonic_basis(positions, degree=highest + 1)


# --- peaks ---------------------------------------------------------------------------------


def test_a_peak_that_the_coarse_grid_misses():
    # One of 1500 random patterns: about its highest peak the coarse grid reads less than 0.95 of what
    # it reads on another lobe.
    c = np.random.default_rng(333).normal(size=25)
    c[0] = 0
    fine = constant_density(100_000)
    u = harmonics(4, theta=fine.theta, phi=fine.phi) @ c
    theta, phi = grid(10, 19)
    found = scan_peak(scan_of(harmonics(4, theta=theta, phi=phi) @ c - u.min(), theta, phi), degree=4)
    # Brute force, 0.6 deg apart: a pattern of degree 4 falls by (4 x 0.4 deg)^2 / 2 from its peak.
    top = u.max() - u.min()
    assert top * (1 - 1e-12) <= found.eirp[0] <= top * 1.0005
