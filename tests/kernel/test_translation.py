"""Translation coefficients along z against a projection, exact 3j symbols and another library."""

import re
import tracemalloc
from pathlib import Path

import mpmath
import numpy as np
import oracle
import probe_oracle
import pytest
from probe_oracle import three_j

from nf2ff.kernel import translation
from nf2ff.kernel.translation import translation_coefficients

EPS = 2.0**-52
DATA = Path(__file__).parents[1] / "data" / "translation.npz"


def translated(degree, ka, probe_degree, mu_max):
    """C^{sn}_{sigma mu nu} by the package, common factor put back: {mu: (N, s, NU, sigma)}."""
    pair = translation_coefficients(degree, [ka], probe_degree=probe_degree, mu_max=mu_max)
    same, other = (c[0].transpose(2, 1, 0) * np.exp(-1j * ka) / ka for c in pair)  # (mu, n, nu)
    result = {}
    for mu in range(-mu_max, mu_max + 1):
        c = np.empty((degree, 2, probe_degree, 2), dtype=complex)
        c[:, 0, :, 0] = c[:, 1, :, 1] = same[abs(mu)]
        c[:, 0, :, 1] = c[:, 1, :, 0] = np.sign(mu) * other[abs(mu)]
        result[mu] = c
    return result


def spherical_to_cartesian(field, theta, phi):
    return np.einsum("m...c,cmi->m...i", field, np.stack(oracle.cartesian(theta, phi)))


# --- the oracles among themselves ---------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("mu", [0, 1, -1, 4, -4])
def test_oracle_projection_rebuilds_the_wave(mu, rng):
    # sum C F^(1) about the point at A is F^(4) about the origin. Terms above nu = 26 fall below
    # rounding at k rho <= 3: (3/2)^27 / 27! ~ 5e-24 times C ~ (2 26 / ka)^(n - 1) at most.
    degree, ka, top = 6, 30.0, 26
    theta, phi = np.arccos(rng.uniform(-1, 1, 9)), rng.uniform(0, 6.28, 9)
    krho = np.linspace(0.3, 3.0, 9)
    regular = spherical_to_cartesian(oracle.waves(top, krho, theta, phi, 1), theta, phi)
    x, y, z = (krho[:, None] * oracle.cartesian(theta, phi)[0] + [0, 0, ka]).T
    kr, old, azimuth = np.sqrt(x**2 + y**2 + z**2), np.arctan2(np.hypot(x, y), z), np.arctan2(y, x)
    outgoing = spherical_to_cartesian(oracle.waves(degree, kr, old, azimuth, 4), old, azimuth)
    c = probe_oracle.translation(degree, ka, top, mu)
    for n in range(max(abs(mu), 1), degree + 1):
        for s in (1, 2):
            got = np.zeros((9, 3), dtype=complex)
            for nu in range(max(abs(mu), 1), top + 1):
                for sigma in (1, 2):
                    wave = regular[:, oracle.position(sigma, mu, nu)]
                    got += c[n - 1, s - 1, nu - 1, sigma - 1] * wave
            wanted = outgoing[:, oracle.position(s, mu, n)]
            # C to 1e-13 of the largest; the wave itself is small near its nulls only.
            assert np.abs(got - wanted).max() <= 1e-12 * np.abs(wanted).max()


def test_oracle_three_j_is_the_integral():
    # Integral of Y_a0 Y_b,m Y_c,-m, m = 0 and not, is sqrt((2a+1)(2b+1)(2c+1)/4pi) (a b c; 0 0 0)
    # (a b c; m -m 0) (closed form; Edmonds 1957, eq. 4.6.3, from memory). Here with
    # P normalised as in oracle.legendre: Y_n^m = (-1)^m P e^(im phi)/sqrt(2 pi), m >= 0, and
    # without (-1)^m for m < 0.
    x, weight = np.polynomial.legendre.leggauss(40)
    p, *_ = oracle.legendre(16, np.arccos(x))
    for a, b, c, m in [(5, 4, 3, 2), (7, 7, 2, -5), (8, 3, 11, 3), (8, 8, 16, 8), (2, 1, 1, 0)]:
        values = [p[:, n * (n + 1) + order - 1] for n, order in ((a, m), (b, -m), (c, 0))]
        integral = (-1) ** m * weight @ np.prod(values, axis=0) / np.sqrt(2 * np.pi)
        zero, other = (float(probe_oracle.three_j(a, b, c, order)) for order in (0, m))
        scale = np.sqrt((2 * a + 1) * (2 * b + 1) * (2 * c + 1) / (4 * np.pi))
        # 40 terms of order 1.
        assert integral == pytest.approx(scale * zero * other, abs=100 * EPS)
    assert probe_oracle.three_j(3, 2, 6, 0) == probe_oracle.three_j(3, 2, 1, 3) == 0
    # An odd sum, for which the integral of zeros vanishes: (1 1 1; 1 -1 0) = 1/sqrt 6 and
    # (a a 1; m -m 0) = (-1)^(a-m) m / sqrt(a (a+1) (2a+1)) (closed form; Edmonds, table 2, from
    # memory).
    for a, m in [(1, 1), (2, 1), (2, -2), (7, 3)]:
        wanted = (-1) ** (a - m) * m / np.sqrt(a * (a + 1) * (2 * a + 1))
        assert float(probe_oracle.three_j(a, a, 1, m)) == pytest.approx(wanted, rel=4 * EPS)


@pytest.mark.parametrize(("p", "x"), [(0, 1.5), (40, 30.0), (1029, 1200.0), (230, 150.0)])
def test_oracle_hankel_functions_are_mpmaths(p, x):
    with mpmath.workdps(60):
        half = p + mpmath.mpf(1) / 2
        wanted = mpmath.besselj(half, x) - 1j * mpmath.bessely(half, x)
        wanted *= mpmath.sqrt(mpmath.pi / (2 * mpmath.mpf(x)))
        assert abs(probe_oracle.hankel2(p, x) - wanted) < mpmath.mpf(10) ** -50 * abs(wanted)


@pytest.mark.parametrize("mu", [0, 1, 3, -3, 8])
def test_oracle_projection_and_exact_symbols_agree(mu):
    # Nothing in common but the definition. The projection's error is said in its place.
    degree, ka, top = 60, 75.0, 8
    c = probe_oracle.translation(degree, ka, top, mu)
    with mpmath.workdps(40):
        for n in (1, 2, 3, 8, 20, 41, 60):
            for nu in range(max(abs(mu), 1), top + 1):
                if abs(mu) > n:
                    continue
                same, other = (complex(v) for v in probe_oracle.translation_mp(n, nu, mu, ka))
                wanted = np.array([[same, other], [other, same]])
                size = np.abs(probe_oracle.translation(degree, ka, top, 0)[n - 1]).max()
                np.testing.assert_allclose(c[n - 1, :, nu - 1], wanted, rtol=0, atol=2e-12 * size)


def stored():
    data = np.load(DATA)
    for i, ka in enumerate(data["distance"]):
        # Largest over the orders and kinds at each (nu, n): what rounding is relative to.
        size = np.abs(np.stack([data["same"][i], data["other"][i]])).max(axis=(0, 1))
        for m, mu in enumerate(data["order"]):
            pair = data["same"][i, m], data["other"][i, m]
            yield ka, int(mu), data["probe_degree"], data["degree"], pair, size


def test_oracle_treams_and_exact_symbols_agree():
    # Signs and kinds included. treams holds 3j symbols and sums in doubles, with terms up to kA
    # times their sum: 30 symbols, 100 n eps.
    with mpmath.workdps(40):
        for ka, mu, nus, ns, (same, other), size in stored():
            for i, j in [(0, 0), (1, 4), (4, 1), (4, 6), (5, 9), (6, 6), (7, 9)]:
                nu, n = int(nus[i]), int(ns[j])
                if abs(mu) > min(nu, n):
                    assert same[i, j] == other[i, j] == 0
                    continue
                wanted = probe_oracle.translation_mp(n, nu, mu, ka)
                for got, value in zip((same, other), wanted, strict=True):
                    assert abs(got[i, j] - complex(value)) <= 100 * 60 * EPS * size[i, j]


# --- the package ----------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize(("ka", "probe_degree"), [(75.0, 8), (75.0, 1), (110.0, 30)])
def test_translation_is_the_projection(ka, probe_degree):
    # Degrees to 60, probes to 30, every kind; the projection is good to some 1e-12 of the largest
    # C of that n.
    orders = [0, 1, -1, 5, -8, 8] if probe_degree == 8 else [0, 1, -7, 30]
    orders = [mu for mu in orders if abs(mu) <= probe_degree]
    got = translated(60, ka, probe_degree, max(abs(mu) for mu in orders))
    size = np.abs(probe_oracle.translation(60, ka, probe_degree, 0)).max(axis=(1, 2, 3))
    for mu in orders:
        error = np.abs(got[mu] - probe_oracle.translation(60, ka, probe_degree, mu))
        assert np.all(error.max(axis=(1, 2, 3)) <= 5e-12 * size)


@pytest.mark.slow
def test_translation_is_that_of_treams():
    # Degrees to 60, probes to 30, evanescent waves (n = 60, kA = 45) among them; relative to the
    # largest of all orders and kinds at each (nu, n), tolerance as for treams itself.
    for ka, mu, nus, ns, (same, other), size in stored():
        got = translated(60, ka, 30, 13)[mu][np.ix_(ns - 1, [0], nus - 1)]
        assert np.all(np.abs(got[:, 0, :, 0].T - same) <= 100 * 60 * EPS * size)
        assert np.all(np.abs(got[:, 0, :, 1].T - other) <= 100 * 60 * EPS * size)


@pytest.mark.slow
@pytest.mark.parametrize(("n", "ka"), [(1000, 1200.0), (1000, 1030.0), (200, 150.0), (30, 1e4), (1, 1.5)])
def test_extreme_orders_against_sixty_digits(n, ka):
    # 3j symbols in exact integers, h_p in 60 digits. The radial functions grow to n eps, the sums
    # have some 30 terms. All relative to the largest over mu at that n and nu, and, where it is
    # not tiny beside that, to the larger of both kinds at that mu.
    top = 30
    got = translated(n, ka, top, top)
    tolerance = (n + 200) * EPS
    with mpmath.workdps(60):
        for nu in (1, 2, 7, 30):
            exact = {
                mu: [complex(v) for v in probe_oracle.translation_mp(n, nu, mu, ka)]
                for mu in (0, 1, 2, 7, 29, 30)
                if mu <= min(nu, n)
            }
            size = max(abs(v) for pair in exact.values() for v in pair)
            for mu, pair in exact.items():
                error = np.abs(got[mu][n - 1, 0, nu - 1] - pair).max()
                assert error <= tolerance * size
                own = np.abs(pair).max()
                if own > 1e-4 * size:
                    assert error <= 100 * tolerance * own


@pytest.mark.parametrize(
    ("n", "nu"), [(30, 30), (29, 30), (31, 30), (60, 30), (30, 7), (8, 8), (1, 30), (300, 30)]
)
def test_three_j_symbols_keep_their_digits(n, nu):
    # Against exact integers. Each of at most 2 nu + 1 steps, in its stable direction, rounds four
    # times, eps/2 each; b_p itself by 4 eps more. Relative to the norm of all, which is 1; at the
    # largest mu, where none changes its sign, each relative to itself, however small (1e-9).
    least = min(n, nu)
    u = translation._three_j(n, nu, least)[n - 1]
    bound = 6 * (2 * nu + 1) * EPS
    with mpmath.workdps(40):
        for mu in sorted({0, 1, least // 2, least - 1, least}):
            wanted = np.array(
                [
                    float((-1) ** (n - nu) * mpmath.sqrt(2 * p + 1) * three_j(n, nu, p, mu))
                    for p in range(abs(n - nu), n + nu + 1)
                ]
            )
            found, beyond = u[: wanted.size, mu], u[wanted.size :, mu]
            assert not beyond.any()
            assert np.abs(found - wanted).max() <= bound
            if mu == least:
                assert np.all(np.abs(found - wanted) <= bound * np.abs(wanted))
                assert np.abs(wanted).min() < (1e-9 if least == 30 else 1)


def test_degree_and_probe_degree_change_places():
    # C^{sn}_{sigma mu nu} = (-1)^(n+nu) C^{sigma nu}_{s mu n}: reciprocity of two antennas that
    # look at each other, up to the sign of z (closed form; the Gaunt sums are symmetric).
    top, ka = 30, 80.0
    got = translated(top, ka, top, 9)
    n = np.arange(1, top + 1)
    sign = (-1.0) ** np.add.outer(n, n)
    size = np.abs(got[1]).max(axis=(1, 3))
    for mu, c in got.items():
        for s in range(2):
            for sigma in range(2):
                error = c[:, s, :, sigma] - sign * c[:, sigma, :, s].T
                assert np.all(np.abs(error) <= 400 * EPS * size), mu


def test_orders_above_a_degree_have_no_coefficients():
    for mu, c in translated(12, 30.0, 8, 8).items():
        low = abs(mu) - 1
        assert not c[: max(low, 0)].any()
        assert not c[:, :, : max(low, 0)].any()
        assert c[max(low, 0) :, :, max(low, 0) :, 0].any(axis=1).all()


def test_many_distances_are_each_by_itself():
    ka = [20.0, 33.0, 47.5]
    together = translation_coefficients(20, ka, probe_degree=4, mu_max=3)
    for i, x in enumerate(ka):
        alone = translation_coefficients(20, [x], probe_degree=4, mu_max=3)
        for a, b in zip(together, alone, strict=True):
            assert a.shape == (3, 4, 20, 4)
            # One distance alone takes another way through the radial functions: n eps apart.
            size = np.abs(b[0]).max(axis=(0, 2))[None, :, None]
            assert np.all(np.abs(a[i] - b[0]) <= 100 * EPS * size)


def test_range_of_a_double():
    # h_1000(30) is of the order of 1999!!/30^1001 = 1e1388.
    for c in translation_coefficients(1000, [30.0], probe_degree=6, mu_max=2):
        assert not np.isnan(c).any()
        assert np.isfinite(c[0, :, :100]).all()
    same, _ = translation_coefficients(1000, [30.0], probe_degree=6, mu_max=2)
    assert np.isinf(same[0, :, -1, 0]).all()


@pytest.mark.slow
def test_memory_is_bounded():
    # Degree 400 against probe degree 30: the two results, 12 MB, and eight arrays of the 61 x 400
    # x 31 symbols of one degree of the probe, 6 MB each, for runs, results, weights and copies.
    # All of the probe's degrees at once would be 15 times as many.
    count = 30 * 400 * 31
    tracemalloc.start()
    same, other = translation_coefficients(400, [500.0], probe_degree=30, mu_max=30)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert same.shape == other.shape == (1, 30, 400, 31)
    assert peak <= 2 * 16 * count + 8 * 8 * 61 * 400 * 31


@pytest.mark.parametrize("kr", [0.0, -1.0, np.nan])
def test_distance_must_be_positive(kr):
    with pytest.raises(ValueError, match=re.escape("kr must be positive")):
        translation_coefficients(3, [5.0, kr], probe_degree=2, mu_max=1)
