"""Mode order, degree needed, power over degree; every error."""

import mpmath
import numpy as np
import oracle
import pytest
import scipy.special

from nf2ff.antenna.modes import (
    SPEED_OF_LIGHT,
    WAVE_IMPEDANCE,
    Modes,
    degree_of_count,
    mode_count,
    mode_index,
    mode_numbers,
    required_degree,
    wavenumber,
)


def test_constants_and_wavenumber():
    # SPEED_OF_LIGHT by the SI, WAVE_IMPEDANCE CODATA 2018 (NIST).
    assert SPEED_OF_LIGHT == 299792458.0
    assert WAVE_IMPEDANCE == oracle.Z0 == 376.730313668
    # One metre of wavelength: k = 2 pi to the rounding of three operations.
    k = wavenumber([[SPEED_OF_LIGHT, 2 * SPEED_OF_LIGHT]])
    assert k.shape == (1, 2)
    np.testing.assert_allclose(k, [[2 * np.pi, 4 * np.pi]], rtol=4e-16)


@pytest.mark.parametrize("degree", [1, 2, 7, 30])
def test_mode_order_is_hansens(degree):
    # j = 2 (n(n+1) + m - 1) + s, J = 2 N (N + 2): Hansen 1988, ch. 2.
    expected = oracle.modes(degree)
    s, m, n = mode_numbers(degree)
    assert [*zip(s.tolist(), m.tolist(), n.tolist(), strict=True)] == expected
    assert mode_count(degree) == len(expected) == 2 * degree * (degree + 2)
    assert degree_of_count(len(expected)) == degree
    for at, (s_, m_, n_) in enumerate(expected):
        assert mode_index(s=s_, m=m_, n=n_) == at == 2 * (n_ * (n_ + 1) + m_ - 1) + s_ - 1


def test_degree_of_count_up_to_large_degrees():
    for degree in (0, 999, 1000, 5000):
        assert degree_of_count(2 * degree * (degree + 2)) == degree


@pytest.mark.parametrize("count", [1, 5, 7, 15, 17, 29, 2 * 1000 * 1002 - 1, 2 * 1000 * 1002 + 1])
def test_incomplete_sets_are_refused(count):
    with pytest.raises(ValueError, match="not a complete set"):
        degree_of_count(count)


@pytest.mark.parametrize(
    "wrong", [{"s": 0, "m": 0, "n": 1}, {"s": 3, "m": 0, "n": 1}, {"s": 1, "m": 0, "n": 0}]
)
def test_mode_index_refuses_no_mode(wrong):
    with pytest.raises(ValueError, match="no such mode"):
        mode_index(**wrong)


@pytest.mark.parametrize("m", [-3, 3])
def test_mode_index_refuses_m_beyond_n(m):
    with pytest.raises(ValueError, match=f"no such mode: s=1, m={m}, n=2"):
        mode_index(s=1, m=m, n=2)


# The transverse dipole on the minimum sphere; "exact N" of the project's check values, section 1,
# computed there from the closed-form series.
EXACT_DEGREE = {
    10: {-40: 14, -60: 17, -80: 19},
    50: {-60: 60, -40: 57, -80: 64},
    100: {-40: 108, -60: 113, -80: 117},
    500: {-40: 513, -60: 521, -80: 528},
}


@pytest.mark.parametrize("kr0", EXACT_DEGREE)
def test_required_degree_of_the_transverse_dipole(kr0):
    for tail_db, degree in EXACT_DEGREE[kr0].items():
        assert required_degree(kr0, tail_db=tail_db) == degree
    assert required_degree(kr0) == EXACT_DEGREE[kr0][-60]


# Tail at N = ceil(kr0) + 10, same source; printed to 0.1 dB, hence +- 0.05 dB.
@pytest.mark.parametrize(("kr0", "tail"), [(10, -102.7), (50, -60.5), (100, -49.6), (500, -34.7)])
def test_required_degree_meets_the_tail_of_ten_more(kr0, tail):
    assert required_degree(kr0, tail_db=tail + 0.05) <= kr0 + 10
    assert required_degree(kr0, tail_db=tail - 0.05) > kr0 + 10


@pytest.mark.slow
@pytest.mark.parametrize("kr0", [0.01, 0.7, 4.0, 33.3, 300.0])
@pytest.mark.parametrize("tail_db", [-15.0, -100.0, -180.0])
def test_required_degree_is_the_smallest_that_serves(kr0, tail_db):
    # tail(N) <= level < tail(N-1), from the series above N in 30 digits, summed to 15 digits.
    degree = required_degree(kr0, tail_db=tail_db)
    with mpmath.workdps(30):
        x = mpmath.mpf(kr0)

        def power(n):
            z, dz = (v.real for v in oracle.radial_mp(n, x, c=3))
            return (2 * n + 1) * (z**2 + dz**2)

        terms = [power(degree + 1)]
        while terms[-1] > terms[0] * mpmath.mpf(10) ** -15:
            terms.append(power(degree + 1 + len(terms)))
        above = mpmath.fsum(terms)
        level = mpmath.mpf(10) ** (mpmath.mpf(tail_db) / 10) * 4 / 3
        assert above <= level
        assert degree == 1 or above + power(degree) > level


@pytest.mark.slow
@pytest.mark.parametrize("kr0", [3e3, 1.2345e5])
@pytest.mark.parametrize("tail_db", [-0.5, -3.0, -30.0, -200.0])
def test_required_degree_of_large_spheres(kr0, tail_db):
    # Every term by the recurrence downward from where j_n is nothing (Miller), scaled as the
    # sum rule gives: no Bessel function of the library.
    top = int(kr0 + 60 * kr0 ** (1 / 3))
    power = [0.0] * (top + 2)
    above, now = 0.0, 1e-300
    for n in range(top, 0, -1):
        below = (2 * n + 1) / kr0 * now - above
        power[n] = (2 * n + 1) * (now**2 + (below - n / kr0 * now) ** 2)
        above, now = now, below
        if abs(now) > 1e100:
            power[n:] = [x * 1e-300 for x in power[n:]]
            above, now = above * 1e-150, now * 1e-150
    left = np.append(np.cumsum(power[:0:-1])[::-1], 0.0)[1:]
    total = sum(power)
    expected = 1 + int(np.argmax(left <= 10 ** (tail_db / 10) * total))
    assert required_degree(kr0, tail_db=tail_db) == expected


def test_required_degree_takes_no_longer_for_large_spheres(monkeypatch):
    # Bessel functions asked for, not seconds: some 60 kr0^(1/3) of them.
    asked = []
    exact = scipy.special.jv
    monkeypatch.setattr("scipy.special.jv", lambda order, x: asked.append(order.size) or exact(order, x))
    for kr0 in (1e3, 1e6, 1e9):
        asked.clear()
        degree = required_degree(kr0, tail_db=-200.0)
        assert 0 < degree - kr0 < 10 * kr0 ** (1 / 3)
        assert sum(asked) < 100 * kr0 ** (1 / 3)


def test_required_degree_of_a_point():
    # Below kr0 = 1e-6 the power in degree 2 is of order kr0^2 = -120 dB of that in degree 1.
    assert required_degree(0.0) == required_degree(1e-7) == 1


@pytest.mark.parametrize("kr0", [-1.0, np.inf, np.nan])
def test_required_degree_refuses_kr0(kr0):
    with pytest.raises(ValueError, match=r"kr0 is .*expected a finite number >= 0"):
        required_degree(kr0)


@pytest.mark.parametrize("tail_db", [0.0, 60.0, np.nan, -np.inf])
def test_required_degree_refuses_a_level_above_all(tail_db):
    with pytest.raises(ValueError, match=r"tail_db is .*expected a negative level"):
        required_degree(10.0, tail_db=tail_db)


def test_power_and_its_spectrum(random_q):
    q = np.stack([random_q(9), 2j * random_q(9)])
    modes = Modes([1e9, 2e9], q)
    assert modes.degree == 9
    spectrum = np.zeros((2, 9))
    for at, (_, _, n) in enumerate(oracle.modes(9)):
        spectrum[:, n - 1] += 0.5 * np.abs(q[:, at]) ** 2
    # Sums of at most J = 198 positive terms: relative error below J eps = 4.4e-14.
    np.testing.assert_allclose(modes.power_spectrum(), spectrum, rtol=198 * 2.3e-16)
    np.testing.assert_allclose(modes.radiated_power(), spectrum.sum(axis=1), rtol=198 * 2.3e-16)


def test_modes_of_some_frequencies(random_q):
    modes = Modes([1e9, 2e9, 3e9], [random_q(2) for _ in range(3)], "relative")
    for index, rows in ((1, [1]), (np.int64(-1), [2]), (slice(1, None), [1, 2]), ([2, 0], [2, 0])):
        some = modes.at(index)
        np.testing.assert_array_equal(some.frequency, modes.frequency[rows])
        np.testing.assert_array_equal(some.coefficients, modes.coefficients[rows])
        assert some.reference == "relative"
    assert [float(one.frequency[0]) for one in modes.each()] == [1e9, 2e9, 3e9]


def test_truncate_keeps_the_low_degrees(random_q):
    modes = Modes([1e9], random_q(9)[None], "relative")
    low = modes.truncate(4)
    assert (low.degree, low.reference) == (4, "relative")
    np.testing.assert_array_equal(low.coefficients, modes.coefficients[:, :48])
    np.testing.assert_array_equal(modes.truncate(9).coefficients, modes.coefficients)
    for degree in (0, 10):
        with pytest.raises(ValueError, match=f"degree {degree} is not within 1 ... 9"):
            modes.truncate(degree)


def test_modes_are_read_only(random_q):
    q = random_q(2)[None]
    modes = Modes([1e9], q)
    with pytest.raises(ValueError, match="read-only"):
        modes.coefficients[0, 0] = 1
    with pytest.raises(ValueError, match="read-only"):
        modes.frequency[0] = 1
    with pytest.raises(AttributeError):
        modes.reference = "relative"
    assert q.flags.writeable


Q = np.ones((1, 6))


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((1e9, Q), "frequency has 0 dimensions, expected 1"),
        (([1e9], Q[0]), "coefficients has 1 dimensions, expected 2"),
        (([1e9, 2e9], Q), "coefficients have 1 rows for 2 frequencies"),
        (([1e9], np.ones((1, 7))), "7 coefficients are not a complete set"),
        (([1e9], np.ones((1, 0))), "at least degree 1"),
        (([0.0], Q), "frequency must be positive, not 0 Hz"),
        (([-1e9], Q), "frequency must be positive, not -1e\\+09 Hz"),
        (([np.nan], Q), r"frequency is nan at index \(0\), expected finite"),
        (([1e9 + 1j], Q), "frequency must be real"),
        (([1e9], [[1, 2, np.inf, 4, 5, 6]]), r"coefficients is .*inf.* at index \(0, 2\)"),
        (([1e9], Q, "decibel"), "reference is 'decibel', expected 'absolute' or 'relative'"),
    ],
)
def test_modes_refuse(arguments, message):
    with pytest.raises(ValueError, match=message):
        Modes(*arguments)
