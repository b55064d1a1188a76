"""Interpolation of complex values over frequency."""

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from nf2ff.kernel import interpolation
from nf2ff.kernel.interpolation import interpolate_frequency

EPS = 2.0**-52
F = 1e9 * np.arange(8.0, 12.01, 0.5)
AT = 1e9 * np.array([8.1, 9.0, 9.77, 11.99])


def cubic(f, scale=1e9):
    """Three values that are cubics of frequency, (F, 3)."""
    x = f / scale - 10
    return np.stack([1 + x, (2 - 1j) * x**3 - x**2, 0.5j * x**2 + 3], axis=1)


def turned(f, tau):
    return np.exp(-2j * np.pi * np.asarray(f) * tau)[:, None]


# --- exactness -----------------------------------------------------------------------------------


def test_cubics_are_exact():
    # A cubic spline without knots at the second and the last but one point reproduces a cubic.
    found = interpolate_frequency(F, cubic(F), AT, delay=0.0)
    # Solving for the slopes and the powers of x = 2 add up to some tens of EPS of the largest, 20.
    np.testing.assert_allclose(found.values, cubic(AT), atol=50 * EPS * 20)
    assert found.delay == 0
    assert found.error[1] == 0
    assert np.all(found.error < 1e-13)


@pytest.mark.parametrize("tau", [0.0, 0.3e-9, -0.7e-9, 0.95e-9])
def test_a_common_delay_is_found_and_taken_out(tau):
    # Slow real amplitudes: the phase is that of the delay alone, of up to 171 deg a step.
    values = (1 + cubic(F).imag) * turned(F, tau)
    found = interpolate_frequency(F, values, AT)
    # The phase steps have rounding EPS, times f.
    assert abs(found.delay - tau) < 10 * EPS / 0.5e9 + 1e-24
    np.testing.assert_allclose(found.values, (1 + cubic(AT).imag) * turned(AT, tau), atol=1e-12)


def test_a_delay_given_goes_beyond_half_a_turn_a_step():
    tau = 7.3e-9
    values = cubic(F) * turned(F, tau)
    found = interpolate_frequency(F, values, AT, delay=tau)
    # Phases of 2 pi f tau = 550 rad carry 550 EPS.
    np.testing.assert_allclose(found.values, cubic(AT) * turned(AT, tau), atol=1000 * EPS * 20)
    wrong = interpolate_frequency(F, values, AT).values
    assert np.abs(wrong - cubic(AT) * turned(AT, tau)).max() > 1


def test_small_steps_settle_the_turns_of_large_ones():
    # 0.95 ns turn by 34 deg in a small step and by 513 deg in the gap from 9 to 10.5 GHz.
    f = 1e9 * np.array([8.8, 8.9, 9.0, 10.5, 10.6, 10.7])
    at = 1e9 * np.array([9.5, 10.0])
    tau = 0.95e-9
    found = interpolate_frequency(f, (3 + cubic(f)[:, :1]) * turned(f, tau), at)
    np.testing.assert_allclose(found.values, (3 + cubic(at)[:, :1]) * turned(at, tau), atol=1e-12)


def test_known_frequencies_are_returned_as_they_are():
    rng = np.random.default_rng(1)
    values = rng.normal(size=(F.size, 2, 3)) + 1j * rng.normal(size=(F.size, 2, 3))
    at = F[[3, 0, 8]] * (1 + np.array([0.9e-9, -0.9e-9, 0.9e-9]))
    found = interpolate_frequency(F, values, at)
    np.testing.assert_array_equal(found.values, values[[3, 0, 8]])
    assert found.values.shape == (3, 2, 3)
    np.testing.assert_array_equal(found.error, 0)
    # The same frequencies in any order.
    rows = rng.permutation(F.size)
    again = interpolate_frequency(F[rows], values[rows], AT)
    np.testing.assert_array_equal(again.values, interpolate_frequency(F, values, AT).values)
    np.testing.assert_array_equal(again.left_out, interpolate_frequency(F, values, AT).left_out[rows])


def test_few_points():
    # Two make a line, three a parabola; one serves itself.
    two = interpolate_frequency([1e9, 2e9], [1 + 1j, 3], [1.5e9], delay=0)
    np.testing.assert_allclose(two.values, [2 + 0.5j], rtol=4 * EPS)
    assert np.isnan(two.error).all()
    assert np.isnan(two.left_out).all()
    three = interpolate_frequency([1e9, 2e9, 3e9], [1, 4, 9], [1.5e9, 2.5e9], delay=0)
    np.testing.assert_allclose(three.values, [2.25, 6.25], rtol=10 * EPS)
    # Without the middle one the line gives 5 for 4; rms of 1, 4, 9 is sqrt(98/3). Closed form.
    np.testing.assert_allclose(three.left_out[1], 1 / np.sqrt(98 / 3), rtol=10 * EPS)
    np.testing.assert_allclose(three.error, three.left_out[1], rtol=EPS)
    one = interpolate_frequency([2e9], [[5, 6j]], [2e9])
    np.testing.assert_array_equal(one.values, [[5, 6j]])
    assert one.error.tolist() == [0]


def test_values_of_zero():
    found = interpolate_frequency(F, np.zeros((F.size, 2)), AT)
    assert not found.values.any()
    assert np.nanmax(found.left_out) == 0


# --- the error ------------------------------------------------------------------------------------


def resonances(f):
    """Invented: five coupled resonators of quality 12 and one value that passes through zero."""
    centre = 1e9 * np.array([7.5, 9.0, 9.9, 10.4, 12.2])
    y = 1 / (1 + 12j * (f[:, None] / centre - centre / f[:, None]))
    return np.concatenate([y, y[:, :1] - y[:, 1:2], (f[:, None] / 1e9 - 9.8) / 3], axis=1)


@pytest.mark.parametrize("noise", [0.0, 1e-3])
@pytest.mark.parametrize("step", [0.25, 0.1])
def test_left_out_is_more_than_the_error(step, noise):
    f, at = 1e9 * np.arange(8, 12.0001, step), 1e9 * np.linspace(8.0, 12.0, 333)
    tau, rng = 0.4e-9, np.random.default_rng(2)
    true = resonances(at) * turned(at, tau)
    values = resonances(f) * turned(f, tau)
    rms = np.sqrt(np.mean(np.abs(values) ** 2))
    values += noise * rms * (rng.normal(size=values.shape) + 1j * rng.normal(size=values.shape))
    found = interpolate_frequency(f, values, at)
    error = np.sqrt(np.mean(np.abs(found.values - true) ** 2, axis=1)) / rms
    inner = found.error > 0
    # Step doubled: the error of a cubic is 16 times as large where it is all that counts.
    ratio = np.sqrt(np.mean(found.error[inner] ** 2) / np.mean(error[inner] ** 2))
    assert 1 < ratio < 40
    if not noise:
        # Magnitude and phase apart, the other way that is often taken, fails on the value that
        # passes through zero: half a step from it the error is half of what a step makes of it.
        assert np.abs(found.values - true)[:, -1].max() < step / 3 / 10
    # Against a plain loop.
    w = values * turned(f, -found.delay)
    for i in (1, f.size // 2):
        keep = np.arange(f.size) != i
        lone = CubicSpline(f[keep], w[keep])(f[i]) - w[i]
        expected = np.sqrt(np.mean(np.abs(lone) ** 2)) / np.sqrt(np.mean(np.abs(w) ** 2))
        # The middle frequency to which phases refer adds rounding of 25 rad EPS.
        np.testing.assert_allclose(found.left_out[i], expected, rtol=1e-9)
    assert np.isnan(found.left_out[[0, -1]]).all()
    # Each takes the larger of its two neighbours.
    x = 8.1e9 + step * 1e9 * 4
    k = np.searchsorted(f, x)
    expected = max(found.left_out[k - 1], found.left_out[k])
    assert interpolate_frequency(f, values, [x]).error[0] in (0, expected)


def test_leaving_out_needs_neighbours_only():
    # Against a spline through all others. What lies beyond 40 frequencies, in steps that are not
    # equal, adds 2^-40 = 1e-12 of the values at most; they are of order one, as are the errors.
    rng = np.random.default_rng(5)
    f = 1e9 + 1e6 * np.cumsum(rng.uniform(0.1, 10, 150))
    values = rng.normal(size=(150, 2)) + 1j * rng.normal(size=(150, 2))
    found = interpolate_frequency(f, values, f[:1], delay=0.0)
    level = np.sqrt(np.mean(np.abs(values) ** 2))
    for i in (1, 20, 75, 148):
        keep = np.arange(150) != i
        lone = CubicSpline(f[keep], values[keep])(f[i]) - values[i]
        expected = np.sqrt(np.mean(np.abs(lone) ** 2)) / level
        np.testing.assert_allclose(found.left_out[i], expected, rtol=1e-10)


def test_a_long_sweep_is_no_square_of_a_short_one(monkeypatch):
    # 301 frequencies: each spline but that for the values themselves is of 80 neighbours.
    sizes = []
    spline = interpolation.spline
    monkeypatch.setattr(interpolation, "spline", lambda x, *more: sizes.append(x.size) or spline(x, *more))
    f = np.linspace(8e9, 12e9, 301)
    interpolate_frequency(f, np.ones((301, 1)), f[:3])
    assert sorted(sizes)[-2:] == [80, 301]


# --- refusals -----------------------------------------------------------------------------------


def test_extrapolation_is_refused_unless_asked_for():
    with pytest.raises(
        ValueError,
        match=r"^7\.9 GHz is not among or between the known frequencies \(9 from 8 to 12 GHz\): "
        r"give data that reach it, or ask for extrapolation$",
    ):
        interpolate_frequency(F, cubic(F), [9e9, 7.9e9])
    with pytest.raises(ValueError, match=r"12\.1 GHz .* \(8, 10, 12 GHz\): give"):
        interpolate_frequency([12e9, 8e9, 10e9], cubic(F[:3]), [12.1e9])
    with pytest.raises(ValueError, match=r"11 GHz .* \(10 GHz\): give data that reach it$"):
        interpolate_frequency([10e9], [1], [11e9], extrapolate=True)
    found = interpolate_frequency(F, cubic(F), [7.9e9, 12.1e9], delay=0, extrapolate=True)
    np.testing.assert_allclose(found.values, cubic(np.array([7.9e9, 12.1e9])), atol=200 * EPS * 20)
    assert np.isnan(found.error).all()


def test_a_delay_is_finite():
    with pytest.raises(ValueError, match="delay is nan"):
        interpolate_frequency(F, cubic(F), AT, delay=np.nan)


@pytest.mark.parametrize(
    ("frequency", "values", "message"),
    [
        ([1e9, 2e9], [1, 2, 3], r"values have shape \(3,\), expected \(2, \.\.\.\)"),
        ([1e9], 1.0, r"values have shape \(\), expected \(1, \.\.\.\)"),
        ([], np.zeros((0, 3)), r"values have shape \(0, 3\).*at least one row"),
        ([1e9, 1e9], [1, 2], "positive and all different .* leave repeated ones out"),
        ([1e9, 1e9 + 0.5], [1, 2], "all different"),
        ([-1e9, 1e9], [1, 2], "must be positive"),
        ([1e9, 2e9], [1, np.nan], r"values is .*nan.* at index \(1\)"),
    ],
)
def test_bad_input(frequency, values, message):
    with pytest.raises(ValueError, match=message):
        interpolate_frequency(frequency, values, [1e9])


def test_the_same_frequency_is_one_to_a_synthesizers_step():
    known = np.array([1e9, 2e9, 2.1e9])
    at, same = interpolation.nearest_known(known, np.array([2e9 * (1 + 9e-10), 2e9 * (1 + 2e-9), 0.5e9]))
    assert at.tolist() == [1, 1, 0]
    assert same.tolist() == [True, False, False]
    assert interpolation.repeated(np.array([2e9, 1e9, 2e9 + 1, 3e9])).tolist() == [2]
