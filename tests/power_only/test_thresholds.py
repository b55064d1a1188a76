"""Thresholds of totals and peaks of power scans, each with a case just below it and one just above."""

from functools import cache

import numpy as np
import pytest
from power_arrays import full_grid, unit
from power_scan_cases import grid, scan_of

from nf2ff.antenna.points import constant_density, random_points
from nf2ff.messages.power import PowerCode
from nf2ff.power_only.fit import PowerFit, harmonic_basis, harmonics
from nf2ff.power_only.floor import scan_floor
from nf2ff.power_only.peak import scan_peak
from nf2ff.power_only.resolution import coarse_warnings, peak_uncertainty, peak_warnings, resolution
from nf2ff.power_only.scan import PowerScan
from nf2ff.power_only.totals import scan_trp
from nf2ff.power_only.weights import different_positions, recognise_rings, sphere_gap, voronoi_weights


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


@pytest.mark.slow
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
    points = random_points(60, rng=0)
    positions = different_positions(points.theta, points.phi)
    share = voronoi_weights(positions) / (4 * np.pi)

    def eigenvalue(degree):
        matrix = harmonics(degree, theta=positions.theta, phi=positions.phi)
        return np.linalg.eigvalsh(matrix.T @ (share[:, None] * matrix))[0]

    highest = max(n for n in range(1, 7) if eigenvalue(n) >= least)
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


@pytest.mark.parametrize(("excess", "theta"), [(1e-11, 0), (1e-7, np.pi)])
def test_peaks_that_are_equal_but_for_rounding(excess, theta):
    # Closed form: z^2 - e z / 2 is higher by e towards -z; of equals the one of smallest theta.
    t, p = grid(6, 12)
    z = np.cos(t)
    found = scan_peak(scan_of(z**2 - excess / 2 * z + 1e-6, t, p), degree=2)
    assert found.theta[0] == pytest.approx(theta, abs=1e-3)


# --- floors --------------------------------------------------------------------------------

ONCE = different_positions(*full_grid(9))  # the poles too
POSITIONS = different_positions(ONCE.theta, ONCE.phi)


@cache
def area():
    """Part of the sphere that each position stands for; the library that knows takes long to import."""
    return harmonic_basis(POSITIONS, recognise_rings(POSITIONS)).share


def readings(*, level, scatter=0.0, part=1.0, top=1.0, elsewhere=0.5, alike=False):
    """Readings of a level, each more or less by a part, over the lower part of the sphere.

    One is the highest; what is left of the sphere reads between that and the level.
    """
    sign = np.random.default_rng(1).choice([-1.0, 1.0], area().size)
    z = unit(POSITIONS.theta, POSITIONS.phi)[:, 2]
    lower = z <= 2 * part - 1
    # The neighbours of all of it read more, so that what is told is of the lower part alone.
    x = np.where(lower, level * (1 + scatter * sign), elsewhere * top * (1 + 0.5 * sign))
    if not alike:  # to the last digit, as in a table that was clipped
        x *= 1 + 1e-5 * np.random.default_rng(2).uniform(size=x.size)
    x[np.argmax(z)] = top
    return x


def floor_of(x, *, left=1e-20, high=0.0):
    """Floor of readings (U,) of which a fit of degree 5 leaves a mean square, ``high`` in degree 5."""
    scan = PowerScan([1e9], POSITIONS.theta, POSITIONS.phi, eirp_total=x[None])
    coefficients = np.zeros((1, 36))
    coefficients[0, 0], coefficients[0, -1] = area() @ x, np.sqrt(high)
    fit = PowerFit([1e9], coefficients, [np.sqrt(left)])
    return scan_floor(scan, POSITIONS, share=area(), fit=fit)


@pytest.mark.parametrize(("level", "found"), [(0.029, True), (0.031, False)])
def test_highest_floor(level, found):
    floor = floor_of(readings(level=level))
    assert (floor.mean[0] > 0) == found
    if found:
        # All alike: the floor itself, half of which is uncertain as no noise shows.
        assert (floor.mean[0], floor.uncertainty[0]) == pytest.approx((level, level / 2), rel=1e-4)
        assert codes(floor.warnings[0]) == [PowerCode.FLOOR_OR_RADIATION]
        assert floor.warnings[0][0].figures["below_db"] == pytest.approx(-10 * np.log10(level), abs=1e-4)


@pytest.mark.parametrize(("scatter", "found"), [(0.09, True), (0.11, False)])
def test_spread_of_an_even_floor(scatter, found):
    floor = floor_of(readings(level=0.01, scatter=scatter))
    assert (floor.mean[0] > 0) == found
    if found:
        # Without noise all of the spread counts as radiation: 0.7 of it.
        assert floor.mean[0] == pytest.approx(0.01 * (1 - 0.7 * scatter), rel=0.03)


@pytest.mark.parametrize(("part", "found"), [(0.27, False), (0.36, True)])
def test_part_of_the_sphere_of_an_even_floor(part, found):
    floor = floor_of(readings(level=0.01, scatter=0.05, part=part))
    assert (floor.mean[0] > 0) == found


@pytest.mark.parametrize(
    ("share", "scatter", "found"),
    [(0.019, 0.2, False), (0.021, 0.2, True), (0.021, 0.24, True), (0.021, 0.27, False)],
)
def test_floors_amid_lobes_too_fine(share, scatter, found):
    # Far more is left than noise of that spread would leave.
    x = readings(level=1e-4, scatter=scatter, part=0.4)
    left = (share * (area() @ x)) ** 2 / (1 - share**2)
    floor = floor_of(x, left=left)
    assert (floor.mean[0] > 0) == found


def noise_left(x, level, scatter):
    """Mean square that noise of single samples of that spread leaves (closed form: 2 S F + F^2)."""
    return (level * scatter) ** 2 * (2 * (area() @ x) / level - 1)


@pytest.mark.parametrize(
    ("scatter", "times", "found"),
    [
        (0.75, 1.0, True),
        (0.95, 1.0, False),
        (0.5, 0.33, True),
        (0.5, 0.27, False),
        (0.5, 1.7, True),
        (0.5, 2, False),
    ],
)
def test_floors_proven_by_their_noise(scatter, times, found):
    x = readings(level=0.005, scatter=scatter)
    floor = floor_of(x, left=times * noise_left(x, 0.005, scatter))
    assert (codes(floor.warnings[0]) == [PowerCode.FLOOR]) == found


@pytest.mark.parametrize(("times", "found"), [(4.5, True), (5.5, False)])
def test_highest_degrees_of_what_is_noise(times, found):
    x = readings(level=0.005, scatter=0.5)
    left = noise_left(x, 0.005, 0.5)
    high = times * left * (36 - 16) * np.sum(area() ** 2)
    assert (floor_of(x, left=left, high=high).mean[0] > 0) == found


@pytest.mark.parametrize(("part", "found"), [(0.04, False), (0.065, True)])
def test_part_of_the_sphere_that_is_clipped(part, found):
    x = readings(level=0.005, part=part, alike=True)
    floor = floor_of(x)
    assert (codes(floor.warnings[0]) == [PowerCode.CLIPPED]) == found
    if found:
        reads = area()[x == 0.005].sum() * 0.005
        # Rectangular (GUM 4.3.7), and nothing of any one reading.
        assert floor.mean[0] == pytest.approx(reads / 2)
        assert floor.uncertainty[0] == pytest.approx(reads / np.sqrt(12))
        assert floor.even[0] == 0


@pytest.mark.parametrize(("level", "told"), [(0.020, False), (0.026, True)])
def test_low_readings_worth_a_word(level, told):
    # Over the total, of readings that scatter too much for a floor, as much as a fit leaves over.
    x = readings(level=1.0, scatter=0.3, part=0.4, top=100.0)
    upper = (x > 2) & (x < 100)
    x[upper] = 0
    x[upper] = (1 / level - area() @ x) / area()[upper].sum()
    floor = floor_of(x, left=0.09, high=1e6)
    assert (codes(floor.warnings[0]) == [PowerCode.LOW_READINGS]) == told


@pytest.mark.parametrize(("scatter", "told"), [(0.0019, False), (0.0021, True)])
def test_scatter_worth_a_word(scatter, told):
    x = readings(level=1.0, top=10.0)
    floor = floor_of(x, left=(scatter * (area() @ x)) ** 2)
    assert (codes(floor.warnings[0]) == [PowerCode.SCATTER]) == told


@pytest.mark.parametrize(("count", "found"), [(39, False), (41, True)])
def test_fewest_positions_of_a_floor(count, found):
    points = constant_density(count)
    positions = different_positions(points.theta, points.phi)
    x = 0.01 * (1 + 1e-5 * np.random.default_rng(2).uniform(size=count))
    x[points.theta < 0.7] = 1.0
    scan = PowerScan([1e9], points.theta, points.phi, eirp_total=x[None])
    fit = PowerFit([1e9], np.full((1, 4), 0.01), [1e-10])
    floor = scan_floor(scan, positions, share=np.full(count, 1 / count), fit=fit)
    assert (floor.mean[0] > 0) == found
