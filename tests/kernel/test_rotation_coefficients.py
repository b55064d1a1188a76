"""Rotation coefficients, against arithmetic of many digits."""

import mpmath
import numpy as np
import oracle
import pytest

from nf2ff.kernel.rotation import rotation_coefficients

EPS = 2.0**-52


# Printed samples of the standard d (project's check values, section 1, closed form).
SAMPLES = [
    (1, 1, 0, np.pi / 3, -0.6123724357, 10),
    (2, 1, -1, np.pi / 3, 0.5, 15),
    (5, 1, 3, 1.1, -0.148552103566, 12),
]


@pytest.mark.parametrize(("n", "m", "mu", "theta", "value", "decimals"), SAMPLES)
def test_rotation_coefficient_samples(n, m, mu, theta, value, decimals):
    d = rotation_coefficients(n, [theta], mu=mu)
    assert d.shape == (1, n * (n + 2))
    # Half a unit of the last printed digit; the closed form 1/2 to rounding.
    assert abs(d[0, n * (n + 1) + m - 1] - value) < 0.51 * 10.0**-decimals
    assert abs(oracle.rotation_matrix(n, theta)[n + m, n + mu] - value) < 0.51 * 10.0**-decimals
    # The transpose d^n_{mu m} is (-1)^(m - mu) times that: a swap would be seen where it is odd.
    swapped = rotation_coefficients(n, [theta], mu=m)[0, n * (n + 1) + mu - 1]
    assert abs(swapped - (-1) ** (m - mu) * value) < 0.51 * 10.0**-decimals


THETA = np.array([0.0, 1e-9, 0.02, 0.5, 1.1, np.pi / 2, 2.4, 3.1, np.pi - 1e-9, np.pi])


@pytest.mark.parametrize("mu", range(-5, 6))
def test_rotation_coefficients_against_the_rotation_operator(mu):
    # The first coefficient of each m is exp of logarithms up to log (2n)! = 190 at n = 30:
    # relative error 190 eps; a stable recurrence of n steps adds 30 eps, the eigenvectors of the
    # oracle 30 eps. All coefficients being at most 1: below 250 eps = 5.6e-14, absolute.
    degree = 30
    d = rotation_coefficients(degree, THETA, mu=mu)
    assert d.shape == (THETA.size, degree * (degree + 2))
    for i, theta in enumerate(THETA):
        for n in range(1, degree + 1):
            block = d[i, n * n - 1 : n * (n + 2)]
            if abs(mu) > n:
                assert np.all(block == 0)
            else:
                wanted = oracle.rotation_matrix(n, theta)[:, n + mu]
                np.testing.assert_allclose(block, wanted, rtol=0, atol=250 * EPS)


@pytest.mark.parametrize("mu", [-2, -1, 0, 1])
def test_rotation_coefficients_are_orthogonal_at_degree_400(mu):
    # d is a column of an orthogonal matrix: sum over m of d^2 = 1; columns mu and mu + 1 give 0.
    # Start from logarithms up to log 800! = 4600, 4600 eps = 1e-12, doubled by the square.
    degree = 400
    theta = np.array([0.003, 0.4, 1.3, 2.9])
    d, e = (rotation_coefficients(degree, theta, mu=v) for v in (mu, mu + 1))
    start = np.arange(2, degree + 1) ** 2 - 1
    product = np.add.reduceat(d * d, start, axis=1)
    np.testing.assert_allclose(product, 1, rtol=0, atol=2e-12)
    np.testing.assert_allclose(np.add.reduceat(d * e, start, axis=1), 0, rtol=0, atol=2e-12)


@pytest.mark.slow
@pytest.mark.parametrize("m", [0, -1, 37, 355, -999, 1000])
def test_rotation_coefficients_at_degree_1000(m):
    # Against a Jacobi polynomial in 40 digits. Logarithms up to log 2000! = 13200: 13200 eps =
    # 3e-12 of the largest value of that order, which is below 1.
    theta = np.array([0.3, 1.2, 1.55, 2.0])
    d = rotation_coefficients(1000, theta, mu=1)[:, 1000 * 1001 + m - 1]
    with mpmath.workdps(40):
        wanted = [float(oracle.rotation_coefficient_mp(1000, m, 1, t)) for t in theta]
    np.testing.assert_allclose(d, wanted, rtol=0, atol=3e-12 * np.max(np.abs(wanted)))


def test_rotation_coefficients_at_a_pole_that_was_rounded():
    # The next number above pi, and whatever else rounding makes of it, is pi.
    d = rotation_coefficients(4, [np.pi, np.nextafter(np.pi, 4), np.pi + 9e-13], mu=1)
    np.testing.assert_array_equal(d[1:], d[[0, 0]])


@pytest.mark.parametrize("theta", [[-0.1], [0.5, 3.2], [1.0, np.nan]])
def test_rotation_coefficients_refuse(theta):
    with pytest.raises(ValueError, match=r"theta must lie in \[0, pi\]"):
        rotation_coefficients(3, theta, mu=1)
