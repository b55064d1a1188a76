"""Radial functions and rotation coefficients, against arithmetic of many digits."""

import functools

import mpmath
import numpy as np
import oracle
import pytest

from nf2ff.kernel import sphere
from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.radial import radial_functions

EPS = 2.0**-52


HUGE = mpmath.mpf(2) ** 1024  # beyond the range of a double


RADII = [0.5, 3.0, 10.0, 33.3, 100.0, 300.0, 1000.0, 3000.0]


TOP = 1200


@functools.lru_cache
def exact_g(kr):
    """g_n = h_n^(2) x e^(jx), n = 0 ... TOP, by the recurrence in 60 digits (A&S 10.1.19)."""
    with mpmath.workdps(60):
        x = mpmath.mpf(kr)
        g = [mpmath.mpc(0, 1), mpmath.mpc(-1, 1 / x)]
        for n in range(1, TOP):
            g.append((2 * n + 1) / x * g[n] - g[n - 1])
        return g


@pytest.mark.parametrize(
    ("n", "kr"), [(1, 0.5), (40, 33.3), (520, 100.0), (1000, 300.0), (300, 1000.0), (1200, 0.5)]
)
def test_reference_against_bessel_functions(n, kr):
    with mpmath.workdps(40):
        for time_factor_free, bessel in zip(
            (exact_g(kr)[n], exact_g(kr)[n - 1] - n / mpmath.mpf(kr) * exact_g(kr)[n]),
            oracle.radial_mp(n, kr),
            strict=True,
        ):
            value = bessel * mpmath.mpf(kr) * mpmath.expj(kr)
            assert abs(time_factor_free - value) < mpmath.mpf(10) ** -30 * abs(value)


@pytest.mark.slow
@pytest.mark.parametrize("kr", RADII)
def test_radial_functions_keep_their_digits(kr):
    # Each step rounds three times (division, product, difference), eps/2 each, and in its stable
    # direction does not amplify: n steps, less than 2 n eps. g2 is a difference of neighbours that
    # loses n^(1/3) where n = kr, but their errors are nearly the same. The result overflows to
    # infinity where the value does, and is never NaN.
    g1, g2 = radial_functions(TOP, kr)
    assert g1.shape == g2.shape == (TOP,)
    exact = exact_g(kr)
    with mpmath.workdps(60):
        for n in range(1, TOP + 1):
            pair = exact[n], exact[n - 1] - n / mpmath.mpf(kr) * exact[n]
            for value, wanted in zip((g1[n - 1], g2[n - 1]), pair, strict=True):
                assert not np.isnan(value)
                size = abs(wanted)
                if size * (1 + 2 * n * EPS) < HUGE / 2**8:
                    assert abs(mpmath.mpc(complex(value)) - wanted) <= 2 * n * EPS * size
                elif size > HUGE:
                    assert np.isinf(value)


def test_radial_functions_where_scipy_overflows():
    # y_n(100) leaves the range of a double near n = 520, y_n(300) near n = 900.
    assert np.isfinite(radial_functions(520, 100.0)[0]).all()
    g1, g2 = radial_functions(1000, 300.0)
    for g in (g1, g2):
        assert not np.isnan(g).any()
        assert np.isfinite(g[:800]).all()
        assert np.isinf(g[-1])
        first = np.argmax(np.isinf(g))
        assert np.isinf(g[first:]).all()


def test_radial_functions_of_arrays_and_small_degrees():
    kr = np.array([[0.5, 3.0, 10.0], [33.3, 100.0, 3000.0]])
    g1, g2 = radial_functions(7, kr)
    assert g1.shape == g2.shape == (2, 3, 7)
    for at in np.ndindex(kr.shape):
        alone = radial_functions(7, kr[at])
        np.testing.assert_array_equal(g1[at], alone[0])
        np.testing.assert_array_equal(g2[at], alone[1])
    # Degree 1 in closed form: h_1 x e^(jx) = -1 + j/x, and (x h_1)' e^(jx) = h_0 - h_1/x
    # = j + 1/x - j/x^2.
    x = 2.5
    g1, g2 = radial_functions(1, x)
    np.testing.assert_allclose(g1, [-1 + 1j / x], rtol=4 * EPS)
    np.testing.assert_allclose(g2, [1j + 1 / x - 1j / x**2], rtol=4 * EPS)


def test_radial_functions_far_away():
    # h_n^(2) = j^(n+1) e^(-jx)/x sum_k (n+k)!/(k! (n-k)!) (2jx)^-k (A&S 10.1.17): the first term
    # left out is n(n+1)/(2x), all of them less than twice that.
    g1, g2 = radial_functions(10, 1e8)
    n = np.arange(1, 11)
    assert np.all(np.abs(g1 - 1j ** (n + 1)) < n * (n + 1) / 1e8)
    assert np.all(np.abs(g2 - 1j**n) < n * (n + 1) / 1e8)


@pytest.mark.parametrize("kr", [0.0, -1.0, np.nan, [1.0, 0.0]])
def test_radial_functions_refuse(kr):
    with pytest.raises(ValueError, match="kr must be positive"):
        radial_functions(3, kr)


@pytest.mark.parametrize(
    ("value", "dtype", "options", "message"),
    [
        ([1, 2.5], int, {}, "x must hold whole numbers"),
        ([1, np.inf], int, {}, "x must hold whole numbers"),
        ([1, np.nan], int, {}, "x must hold whole numbers"),
        ([1, 1e19], int, {}, "x must hold whole numbers"),
        ([1, 2 + 0j], int, {}, "x must hold whole numbers"),
        ([1, 2j], float, {}, "x must be real"),
        ([[1.0]], float, {"ndim": 1}, "x has 2 dimensions, expected 1"),
        (np.inf, float, {}, "^x is inf, expected finite$"),
        ([0.0, np.nan], float, {}, r"x is nan at index \(1\), expected finite"),
        ([[0.0, -np.inf]], float, {}, r"x is -inf at index \(0, 1\), expected finite"),
        ([1.0, np.inf], float, {"missing": True}, r"x is inf at index \(1\), expected finite"),
    ],
)
def test_as_array_refuses(value, dtype, options, message):
    with pytest.raises(ValueError, match=message):
        as_array(value, dtype, "x", **options)


def test_as_array_returns_a_read_only_view():
    source = np.array([1.0, 2.0])
    view = as_array(source, float, "x", ndim=1)
    assert np.shares_memory(source, view)
    assert source.flags.writeable
    assert not view.flags.writeable
    assert np.isnan(as_array([1, np.nan], complex, "x", missing=True)[1])
    assert as_array([1.0, 2.0], int, "x").dtype == np.dtype(int)


def test_azimuths_are_wrapped_below_a_turn():
    wrapped = sphere.wrapped([-1e-18, 0.0, 2 * np.pi, -np.pi / 2, 7.0])
    np.testing.assert_allclose(wrapped, [0, 0, 0, 3 * np.pi / 2, 7 - 2 * np.pi], atol=4 * EPS)
    assert wrapped.max() < 2 * np.pi


def test_angles_between_directions():
    x, y = np.array([2.0, 0, 0]), np.array([0, 0.5, 0])
    tiny = np.array([1, 1e-9, 0])
    angles = sphere.angle_between(np.stack([x, x, x, x]), np.stack([3 * x, -x, y, tiny]))
    np.testing.assert_allclose(angles, [0, np.pi, np.pi / 2, 1e-9], rtol=4 * EPS)
    # Chords of the unit circle are 2 sin(angle / 2) (closed form); rounding makes none longer than 2.
    np.testing.assert_allclose(sphere.angle_of_chord(np.array([0, 1, 2 + EPS])), [0, np.pi / 3, np.pi])
