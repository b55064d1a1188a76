"""Harmonics fitted to powers, against plain sums and dense least squares."""

import numpy as np
import pytest
from power_scan_cases import grid, scan_of, vectors
from scipy.special import sph_harm_y

from nf2ff.antenna.points import PointSet, constant_density, equal_area_spiral, random_points
from nf2ff.power_only import fit as power_only_fit
from nf2ff.power_only import iteration
from nf2ff.power_only.fit import PointBasis, PowerFit, RingBasis, fit_powers, harmonic_basis, harmonics
from nf2ff.power_only.iteration import IteratedBasis
from nf2ff.power_only.peak import fit_scan, scan_peak
from nf2ff.power_only.totals import scan_trp
from nf2ff.power_only.weights import different_positions, recognise_rings, voronoi_weights


def real_harmonics(degree, theta, phi):
    """The same by scipy, whose harmonics are orthonormal and have the Condon-Shortley phase."""
    columns = []
    for n in range(degree + 1):
        y = [np.sqrt(4 * np.pi) * (-1) ** m * sph_harm_y(n, m, theta, phi) for m in range(n + 1)]
        columns += [y[0].real] + [np.sqrt(2) * v.real for v in y[1:]]
        columns += [np.sqrt(2) * v.imag for v in y[1:]]
    return np.stack(columns, axis=1)


def test_harmonics(rng):
    theta, phi = np.arccos(rng.uniform(-1, 1, 20)), rng.uniform(0, 2 * np.pi, 20)
    theta[:2] = [0, np.pi]
    # Recurrences of length 12 and values up to sqrt(2n + 1).
    np.testing.assert_allclose(
        harmonics(12, theta=theta, phi=phi), real_harmonics(12, theta, phi), atol=1e-12
    )


@pytest.mark.parametrize(
    "points", [grid(12, 24), grid(11, 19, phi0=0.2), grid(10, 21, "gauss-legendre"), grid(9, 14, "fejer-1")]
)
def test_fit_on_rings_is_weighted_least_squares(rng, points):
    positions = different_positions(*points)
    rings = recognise_rings(positions)
    basis = harmonic_basis(positions, rings)
    assert isinstance(basis, RingBasis)
    assert basis.share.sum() == pytest.approx(1, rel=1e-13)
    values = rng.random((3, positions.theta.size))  # of no degree at all
    matrix = real_harmonics(basis.degree, positions.theta, positions.phi)
    root = np.sqrt(basis.share)
    expected = np.linalg.lstsq(root[:, None] * matrix, (root * values).T, rcond=None)[0].T
    coefficients, left = basis.fit(values)
    # Condition below 10, some hundred terms.
    np.testing.assert_allclose(coefficients, expected, atol=1e-12)
    np.testing.assert_allclose(left, (values - expected @ matrix.T) ** 2 @ basis.share, rtol=1e-12)
    np.testing.assert_allclose(values @ basis.monopole(), expected[:, 0], rtol=1e-12)
    weights = rings.share(rng.random(rings.theta.size))
    np.testing.assert_allclose(basis.moments(weights), weights @ matrix, atol=1e-11)


@pytest.mark.slow
@pytest.mark.parametrize("kind", [PointBasis, IteratedBasis])
@pytest.mark.parametrize("points", [equal_area_spiral(150), random_points(150, rng=3)])
def test_fit_at_points_is_weighted_least_squares(rng, monkeypatch, points, kind):
    # The iteration ends at 1e-11 of a gradient below 1; the least eigenvalue is 0.25.
    tolerance = weights = sums = 1e-12
    if kind is IteratedBasis:
        monkeypatch.setattr(power_only_fit, "MAX_TERMS", 0)
        tolerance = 4 * iteration.STOP
        weights, sums = 4 * tolerance, 1e-11
    positions = different_positions(points.theta, points.phi)
    basis = harmonic_basis(positions)
    assert isinstance(basis, kind)
    np.testing.assert_allclose(4 * np.pi * basis.share, voronoi_weights(positions), rtol=1e-13)
    values = rng.random((3, 150))
    matrix = real_harmonics(basis.degree, positions.theta, positions.phi)
    root = np.sqrt(basis.share)
    expected = np.linalg.lstsq(root[:, None] * matrix, (root * values).T, rcond=None)[0].T
    coefficients, left = basis.fit(values)
    np.testing.assert_allclose(coefficients, expected, atol=tolerance)
    np.testing.assert_allclose(left, (values - expected @ matrix.T) ** 2 @ basis.share, rtol=1e-12)
    np.testing.assert_allclose(values @ basis.monopole(), expected[:, 0], rtol=weights)
    np.testing.assert_allclose(basis.moments(root), root @ matrix, atol=sums)


def test_fits_of_two_frequencies_do_not_mix(rng):
    # They share each step of the iteration, as the real and the imaginary part of a map: the
    # weaker one must come out as if it were alone, to 1e-11 over the least eigenvalue of 0.25.
    points = equal_area_spiral(650)
    positions = different_positions(points.theta, points.phi)
    basis = harmonic_basis(positions, degree=21)
    assert isinstance(basis, IteratedBasis)
    values = rng.random((3, 650))
    level = np.array([1.0, 1e-12, 1e9])
    (found, left), (alone, rest) = basis.fit(level[:, None] * values), basis.fit(values)
    tolerance = 2 * 4 * iteration.STOP * np.linalg.norm(alone, axis=1).max()
    np.testing.assert_allclose(found / level[:, None], alone, rtol=0, atol=tolerance)
    np.testing.assert_allclose(left / level**2, rest, rtol=1e-9)


@pytest.mark.parametrize(
    ("points", "degree"), [(equal_area_spiral(300), 14), (random_points(300, rng=3), 11)]
)
def test_least_eigenvalue_by_iteration(points, degree):
    # Without too few points (0.8), with them (4e-3). Never below the truth (Rayleigh); a few per
    # cent above.
    positions = different_positions(points.theta, points.phi)
    share = voronoi_weights(positions) / (4 * np.pi)
    matrix = real_harmonics(degree, positions.theta, positions.phi)
    exact = np.linalg.eigvalsh(matrix.T @ (share[:, None] * matrix))[0]
    location = np.stack([positions.theta, positions.phi], axis=1)
    found = IteratedBasis(degree, share, location).least_eigenvalue()
    assert exact * (1 - 1e-9) <= found < 1.05 * exact


def test_an_iteration_that_does_not_end(monkeypatch):
    monkeypatch.setattr(iteration, "MAX_STEPS", 3)
    points = equal_area_spiral(700)
    message = "fit of degree 22 did not end in 3 steps: .* lower the degree"
    with pytest.raises(ValueError, match=message):
        fit_scan(scan_of(1 + np.cos(points.theta), points.theta, points.phi), degree=22)


@pytest.mark.slow
def test_high_degrees_away_from_rings():
    # Closed form: ((1 + r . a) / 2)^60 is of degree 60, has the peak 1 at a and the mean 1/61.
    # Three frequencies are a pair and one; the iteration ends at 1e-11.
    points = equal_area_spiral(5000)
    r = vectors(points.theta, points.phi)
    axes = vectors(np.array([0.7, 2.0, 1.4]), np.array([6.2, 1.0, 3.0]))
    scan = scan_of(((1 + axes @ r.T) / 2) ** 60, points.theta, points.phi)
    fit = fit_scan(scan, degree=60)
    assert fit.degree == 60
    np.testing.assert_allclose(fit.mean, np.full(3, 1 / 61), rtol=1e-9)
    assert np.all(fit.residual < 1e-11)
    found = scan_peak(scan, field_degree=30)
    assert found.degree >= 60
    np.testing.assert_allclose(found.theta, [0.7, 2.0, 1.4], atol=1e-6)
    np.testing.assert_allclose(found.phi, [6.2, 1.0, 3.0], atol=1e-6)
    np.testing.assert_allclose(found.eirp, 1, rtol=1e-9)
    assert found.warnings == ((), (), ())


@pytest.mark.slow
def test_degree_of_the_fit_behind_a_total():
    # (L + 1)^2 <= 0.8 M gives 55; of that as much as there is use for.
    points = constant_density(4000)
    scan = scan_of(np.ones(4000), points.theta, points.phi)
    assert scan_trp(scan, method="mean").resolved_degree == 50
    found = scan_trp(scan, method="mean", field_degree=27)
    assert (found.resolved_degree, found.warnings) == (54, ((),))
    assert scan_trp(scan, method="harmonics").exact_degree == 55
    # On rings that are cheap, (120 - 1) / 2.
    theta, phi = grid(60, 120)
    assert scan_trp(scan_of(np.ones(theta.size), theta, phi)).resolved_degree == 59


@pytest.mark.parametrize(
    ("points", "degree"),
    [
        # Rings: (P - 1)/2 azimuthal orders, or one degree for each ring that is no pole.
        (grid(12, 24), 11),
        (grid(24, 24), 11),
        (grid(11, 19), 9),
        (grid(6, 24), 5),
        # (L + 1)^2 <= 0.8 M, the areas being equal to 2 %.
        (equal_area_spiral(150), 9),
        (equal_area_spiral(300), 14),
        (equal_area_spiral(900), 25),
    ],
)
def test_degree_of_a_fit(points, degree):
    points = (points.theta, points.phi) if isinstance(points, PointSet) else points
    positions = different_positions(*points)
    assert harmonic_basis(positions, recognise_rings(positions)).degree == degree


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "dense"), [(0, True), (1, True), (2, True), (2, False)])
def test_chosen_degree_is_the_largest_that_is_well_determined(monkeypatch, seed, dense):
    if not dense:
        monkeypatch.setattr(power_only_fit, "MAX_TERMS", 0)
    points = random_points(120, rng=seed)
    positions = different_positions(points.theta, points.phi)
    degree = harmonic_basis(positions).degree
    share = voronoi_weights(positions) / (4 * np.pi)

    def least(n):
        matrix = real_harmonics(n, positions.theta, positions.phi)
        return np.linalg.eigvalsh(matrix.T @ (share[:, None] * matrix))[0]

    assert least(degree) >= power_only_fit.LEAST_EIGENVALUE > least(degree + 1)


def test_degree_asked_for(rng):
    positions = different_positions(*grid(12, 24))
    rings = recognise_rings(positions)
    assert harmonic_basis(positions, rings, degree=4).degree == 4
    for degree in (12, -1):
        with pytest.raises(ValueError, match=rf"degree is {degree}, .* determine 0 to 11: lower"):
            harmonic_basis(positions, rings, degree=degree)
    # A spiral does better than asked; random points are refused where they leave holes.
    points = random_points(60, rng=rng)
    scan = scan_of(np.ones(60), points.theta, points.phi)
    chosen = fit_scan(scan).degree
    assert fit_scan(scan, degree=chosen + 1).degree == chosen + 1
    with pytest.raises(ValueError, match=r"degree is 5, these positions determine 0 to [34]: "):
        fit_scan(scan, degree=5)


@pytest.mark.slow
def test_dense_fits_stay_small(monkeypatch):
    points = equal_area_spiral(300)
    positions = different_positions(points.theta, points.phi)
    assert isinstance(harmonic_basis(positions), PointBasis)
    for name, limit in (("MAX_ENTRIES", 300 * 15**2 - 1), ("MAX_TERMS", 15**2 - 1)):
        with monkeypatch.context() as changed:
            changed.setattr(power_only_fit, name, limit)
            basis = harmonic_basis(positions)
        assert isinstance(basis, IteratedBasis)
        assert basis.degree == 14
    # Where few degrees are left after all, they are dense.
    points = random_points(900, rng=1)
    basis = harmonic_basis(different_positions(points.theta, points.phi))
    assert isinstance(basis, PointBasis)
    assert basis.degree < 20


def test_noise_is_what_is_left(rng):
    # White noise of variance 1 about nothing: the mean of residual^2 is 1. 400 patterns of some
    # 100 degrees of freedom: 1/sqrt(20000) = 0.7 %, and the approximation of the docstring.
    for points in (grid(12, 24), grid(11, 19)):
        positions = different_positions(*points)
        basis = harmonic_basis(positions, recognise_rings(positions))
        noise = rng.normal(size=(400, positions.theta.size))
        fit = fit_powers(basis, frequency=np.arange(400.0), values=noise)
        assert np.mean(fit.residual**2) == pytest.approx(1, abs=0.05)
        # Nothing but noise is nothing resolved: 1 of 1 + (L + 1)^2 sum(share^2).
        filling = (fit.degree + 1) ** 2 * np.sum(basis.share**2)
        share = np.sqrt(np.mean(fit.unresolved() ** 2))
        assert share == pytest.approx(np.sqrt(1 / (1 + filling)), abs=0.03)


def test_fit_interpolates_and_knows_its_spectrum(rng, monkeypatch):
    truth = rng.normal(size=(2, 36))
    theta, phi = grid(8, 13)
    scan = scan_of(50 + truth @ real_harmonics(5, theta, phi).T, theta, phi)
    fit = fit_scan(scan, degree=5)
    np.testing.assert_allclose(fit.coefficients[:, 1:], truth[:, 1:], atol=1e-12)
    np.testing.assert_allclose(fit.mean, 50 + truth[:, 0], rtol=1e-13)
    t, p = np.arccos(rng.uniform(-1, 1, 30)), rng.uniform(0, 2 * np.pi, 30)
    expected = 50 + truth @ real_harmonics(5, t, p).T
    np.testing.assert_allclose(fit.at(theta=t, phi=p), expected, rtol=1e-13)
    monkeypatch.setattr(power_only_fit, "MAX_ENTRIES", 36 * 2 * 7)  # seven directions at once
    np.testing.assert_allclose(fit.at(theta=t, phi=p), expected, rtol=1e-13)
    for n in range(1, 6):
        np.testing.assert_allclose(
            fit.spectrum()[:, n], np.sum(truth[:, n * n : (n + 1) ** 2] ** 2, axis=1), rtol=1e-10
        )
    assert np.all(fit.unresolved() < 1e-12)
    assert fit.unresolved().shape == (2,)


def test_shapes_of_a_fit():
    with pytest.raises(ValueError, match=r"shape \(1, 5\), residual \(1,\), expected \(F, \(L"):
        PowerFit([1e9], np.zeros((1, 5)), [0])
    with pytest.raises(ValueError, match=r"with F = 2"):
        PowerFit([1e9, 2e9], np.zeros((1, 4)), [0])
    assert PowerFit([1e9], np.zeros((1, 4)), [0]).unresolved()[0] == 0
