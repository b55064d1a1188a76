"""Cuts of levels compared, against shapes whose difference has a closed form."""

import numpy as np
import pytest

from nf2ff.metrics.level_cuts import compare_levels

ANGLE = np.radians(np.arange(-180, 180, 2.0))


def shape(angle, centre=0.0):
    """A triangle of 1 dB a degree, at least -60 dB; linear, so that interpolation is exact."""
    return np.maximum(-np.abs(np.degrees(np.angle(np.exp(1j * (angle - centre))))), -60.0)


def test_a_level_that_differs_is_found_and_can_be_fitted():
    # Closed form: 1 dB more is 10^(1/20) - 1 of the amplitude, everywhere.
    found = compare_levels(ANGLE, shape(ANGLE), ANGLE, shape(ANGLE) + 1)
    assert found.error == pytest.approx(10 ** (1 / 20) - 1)
    assert found.stray == pytest.approx(10 ** (1 / 20) - 1)
    assert found.peak == (0, 1)
    fitted = compare_levels(ANGLE, shape(ANGLE), ANGLE, shape(ANGLE) + 1, fit_level=True)
    assert fitted.error < 1e-12
    assert fitted.peak[1] == pytest.approx(0)


def test_the_width_is_that_of_half_the_power():
    # 10 log10(2) dB at 1 dB a degree, on both sides.
    found = compare_levels(ANGLE, shape(ANGLE), ANGLE, shape(ANGLE, np.pi))
    np.testing.assert_allclose(np.degrees(found.beamwidth), 2 * 10 * np.log10(2))
    assert np.degrees(found.peak_angle[1]) == pytest.approx(-180)


def test_other_angles_are_interpolated_around_the_circle():
    other = np.radians(np.arange(0, 360, 3.0))
    found = compare_levels(ANGLE, shape(ANGLE), other, shape(other))
    assert found.angle.size == ANGLE.size
    # The peak at 0 deg is an angle of both; the floor's corner is at 60 deg.
    assert found.error < 1e-12


def test_a_part_is_compared_where_both_have_levels():
    part = ANGLE[(ANGLE > -1) & (ANGLE < 1)]
    found = compare_levels(ANGLE, shape(ANGLE), part, shape(part))
    assert found.angle.size == part.size
    assert np.isnan(compare_levels(part[:5], shape(part[:5]), ANGLE, shape(ANGLE)).beamwidth[0])


def test_a_weak_cut_is_judged_by_the_one_beside_it():
    weak = shape(ANGLE) - 40
    found = compare_levels(ANGLE, weak, ANGLE, weak + 6, beside=shape(ANGLE))
    assert found.stray == pytest.approx(0.01 * (10 ** (6 / 20) - 1))


@pytest.mark.parametrize(
    ("first", "second", "message"),
    [
        (([0.0, 1.0], [0.0]), ([0.0], [0.0]), "the first cut has 1 levels for 2 angles"),
        (([0.0, 0.1], [0.0, 0]), ([2.0, 2.1, 2.2], [0.0, 0, 0]), "no angle in common"),
    ],
)
def test_bad_input(first, second, message):
    with pytest.raises(ValueError, match=message):
        compare_levels(*first, *second)
