"""Numbers over frequency: interpolated with their delay out, never extrapolated."""

import numpy as np
import pytest

from nf2ff.antenna.modes import SPEED_OF_LIGHT
from nf2ff.kernel.frequency_table import FrequencyTable, level_table, reflection_table

EPS = 2.0**-52
GHZ = np.array([26.5, 27.0, 28.0, 29.0, 29.5]) * 1e9


def test_linear_interpolation_in_any_order_of_the_table():
    # Closed form: a straight line between (1, 2) and (3, 8), another to (4, 0).
    table = FrequencyTable([8.0, 2.0, 0.0], [3e9, 1e9, 4e9])
    np.testing.assert_allclose(
        table.at([1e9, 1.5e9, 3e9, 3.25e9, 4e9], name="x"), [2, 3.5, 8, 6, 0], atol=16 * EPS
    )
    np.testing.assert_array_equal(table.frequency, [1e9, 3e9, 4e9])
    np.testing.assert_array_equal(table.values, [2, 8, 0])
    assert not table.values.flags.writeable
    assert not table.frequency.flags.writeable


def test_smooth_interpolation_reproduces_a_cubic():
    # Closed form: the not-a-knot spline through points of a cubic is that cubic, where a straight
    # line is off by up to h^2/8 |f''|, here 5.2.
    def cubic(f):
        x = f / 1e9
        return x**3 - 7 * x**2 + 2 * x - 3

    points = np.array([1.0, 2.0, 4.0, 5.0, 7.0]) * 1e9
    wanted = np.array([1.0, 1.7, 3.1, 6.9, 7.0]) * 1e9
    table = FrequencyTable(cubic(points) * (1 + 2j), points, "smooth")
    # Values up to 60, a banded system of 5 unknowns: some 100 roundings of 60.
    np.testing.assert_allclose(table.at(wanted, name="x"), cubic(wanted) * (1 + 2j), atol=6000 * EPS)
    straight = FrequencyTable(cubic(points), points).at([3e9], name="x")
    assert abs(straight[0] - cubic(3e9)) > 1


def test_smooth_interpolation_of_a_cable():
    # A conductor's loss grows with the root of the frequency (skin effect). The error of the spline
    # is about 1/24 of h^4 |f''''| between equidistant points and a few times as much in the outer
    # intervals; f'''' = (15/16) f^(-7/2) times the factor: take 1/4.
    def loss(f):
        return 3 * np.sqrt(f / 28e9)

    points = np.linspace(26e9, 30e9, 5)
    wanted = np.linspace(26e9, 30e9, 101)
    bound = 3 * (1 / 26) ** 4 * 15 / 16 * (28 / 26) ** -0.5 / 4
    got = FrequencyTable(loss(points), points, "smooth").at(wanted, name="x")
    assert np.abs(got - loss(wanted)).max() < bound
    assert bound < 2e-6


def test_one_number_holds_everywhere_and_one_point_there_only():
    np.testing.assert_array_equal(FrequencyTable(3.0).at([1.0, 1e12], name="x"), [3, 3])
    assert FrequencyTable(3.0).between([1e9]).size == 0
    np.testing.assert_array_equal(FrequencyTable(3j).doubt([1e9]), [0])
    assert FrequencyTable(3.0).origin() == "one value for all frequencies"
    for how in ("linear", "smooth"):
        point = FrequencyTable([3.0], [28e9], how)
        np.testing.assert_array_equal(point.at([28e9], name="x"), [3])
        np.testing.assert_array_equal(point.doubt([28e9]), [0])
        assert point.origin() == f"table, 1 point, 28 GHz, {how}"
        with pytest.raises(ValueError, match=r"x is not known at 28.1 GHz: its table has 1 point, 28"):
            point.at([28e9, 28.1e9], name="x")


@pytest.mark.parametrize("how", ["linear", "smooth"])
@pytest.mark.parametrize("ghz", [26.4, 29.6])
def test_nothing_is_extrapolated(how, ghz):
    table = FrequencyTable(np.arange(5.0), GHZ, how)
    message = f"x is not known at {ghz} GHz: its table has 5 points, 26.5 to 29.5 GHz: measure it"
    with pytest.raises(ValueError, match=message):
        table.at([28e9, ghz * 1e9], name="x")
    with pytest.raises(ValueError, match=r"2\.65e-08 to 2\.95e-08 GHz: are its frequencies in Hz"):
        FrequencyTable(np.arange(5.0), GHZ / 1e9, how).at([28e9], name="x")
    # Frequencies that are the same but for the last digits of a file are no extrapolation.
    near = table.at(np.array([26.5e9, 29.5e9]) * [1 - 1e-10, 1 + 1e-10], name="x")
    np.testing.assert_array_equal(near, [0, 4])
    assert table.between([26.5e9 * (1 + 1e-10), 28e9]).size == 0
    # Between the points 2 and 3 for a straight line, between all of them for a spline.
    used = table.between([28e9, 28.5e9, 28.1e9])
    np.testing.assert_array_equal(used, [2] if how == "linear" else [0, 1, 2, 3])


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (([1.0, 2.0],), "a table has 2 values, expected 1$"),
        (([1.0, 2.0], [1e9]), "has 2 values, expected 1, at least 1 and one for each frequency"),
        (([], []), "has 0 values, expected 0, at least 1"),
        (([1.0, 2.0], [1e9, 1e9]), "positive and all different"),
        (([1.0, 2.0], [1e9, -1e9]), "positive and all different"),
        (([1.0, 2.0, 3.0], [1e9, 2e9, 1e9 * (1 + 1e-10)]), "positive and all different"),
        (([1.0, np.nan], [1e9, 2e9]), r"values is nan at index \(1\), expected finite"),
        ((1.0, None, "cubic"), "interpolation is 'cubic', expected 'linear' or 'smooth'"),
    ],
)
def test_bad_tables(arguments, message):
    with pytest.raises(ValueError, match=message):
        FrequencyTable(*arguments)


@pytest.mark.parametrize("how", ["linear", "smooth"])
@pytest.mark.parametrize(
    ("ghz", "way"),
    [
        # 75 deg from point to point, where straight lines of real and imaginary part lose up to
        # 1 - cos(37.5 deg) = 21 %.
        (np.arange(10, 12.1, 0.25), 0.25),
        # Any order, turns of 60 and 84 deg in small steps, which settle the 780 deg in large ones.
        (np.array([11.0, 10.0, 10.05, 10.12, 11.4, 11.35, 12.0]), 1.0),
    ],
)
def test_a_line_that_reflects_at_its_far_end(how, ghz, way):
    # Closed form: Gamma exp(-2j pi f t), t the time for the way there and back in air.
    def line(f):
        return 0.3j * np.exp(-2j * np.pi * f * way / SPEED_OF_LIGHT)

    table = FrequencyTable(line(ghz * 1e9), ghz * 1e9, how)
    wanted = np.linspace(10, 12, 101) * 1e9
    # The turn, up to 252 rad, is good to some roundings of it, in the values and in the delay.
    np.testing.assert_allclose(table.at(wanted, name="x"), line(wanted), rtol=0, atol=1e4 * EPS)
    assert table.doubt(wanted).max() < 1e4 * EPS


def two_reflections(f):
    """Closed form: 0.1 at a connector, 0.05 behind a line, there and back 1 ns."""
    return 0.1 + 0.05 * np.exp(-2j * np.pi * f * 1e-9)


@pytest.mark.parametrize(("how", "times"), [("linear", 4), ("smooth", 16)])
@pytest.mark.parametrize("step", [0.02e9, 0.05e9, 0.1e9, 0.25e9])
def test_doubt_is_more_than_the_error(how, times, step):
    # Turns of 7 to 90 deg from point to point.
    points = 10e9 + step * np.arange(64)
    table = FrequencyTable(two_reflections(points), points, how)
    wanted = (points[1:] + points[:-1]) / 2
    error = np.abs(table.at(wanted, name="x") - two_reflections(wanted))
    doubt = table.doubt(wanted)
    assert np.all(error <= doubt)
    assert error.max() > 0
    np.testing.assert_array_equal(table.doubt(points * (1 + 1e-10)), 0)
    if step == 0.02e9:
        # The doubled step makes it `times` the largest error to first order, (7.2 deg)^2 of it. The
        # ends of a spline count for 0.27^10 ten of the doubled steps away from them.
        inner = slice(20, -20)
        assert doubt[inner].max() == pytest.approx(times * error[inner].max(), rel=0.1)


def test_a_change_of_sign_is_no_delay():
    # Closed form: (f - 2 GHz) j passes through zero between two points, by a straight line.
    points = np.array([0.5, 1.0, 1.5, 2.25, 3.0, 4.0, 5.0]) * 1e9
    table = FrequencyTable(1j * (points - 2e9) / 1e10, points)
    np.testing.assert_allclose(table.at([2e9], name="x"), [0], atol=16 * EPS)
    np.testing.assert_allclose(table.doubt([2e9]), [0], atol=16 * EPS)


def test_bad_levels_and_reflections():
    with pytest.raises(ValueError, match=r"loss is complex, expected real.*magnitude in dB"):
        level_table(1j, least=0, most=1, name="loss", unit="dB")
    table = FrequencyTable([0.5, 3.0], [1e9, 2e9])
    with pytest.raises(ValueError, match="loss is 3 dB at 2 GHz, expected 0 to 1 dB: check its"):
        level_table(table, least=0, most=1, name="loss", unit="dB")
    with pytest.raises(ValueError, match="loss is -1 dB, expected 0 to 1 dB"):
        level_table(-1, least=0, most=1, name="loss", unit="dB")
    with pytest.raises(ValueError, match=r"port has magnitude 1.25, expected below 1.*not in dB"):
        reflection_table(0.75 + 1j, name="port")
