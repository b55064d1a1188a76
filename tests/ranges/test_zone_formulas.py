"""Closed forms about quiet zones against printed values, integrals and draws."""

import numpy as np
import pytest
from scipy.integrate import quad

from nf2ff.ranges.zone_formulas import (
    amplitude_taper_error_db,
    free_space_vswr,
    phase_ripple,
    phase_taper_error_db,
    quality_orientations,
    quality_positions,
    quality_spread,
    ripple_db,
    spread_db,
    stray_level_db,
    weighted_deviation,
)

#: Half of the ripple [dB], stray level [dB] and half of the ripple of phase [deg], to the digits
#: printed: closed form, max/min = (1 + rho)/(1 - rho), sin = rho.
RIPPLES = [(0.1, -38.78, 0.66), (0.25, -30.82, 1.65), (0.5, -24.81, 3.30), (1.0, -18.81, 6.58)]


@pytest.mark.parametrize(("half_db", "stray_db", "phase_deg"), RIPPLES)
def test_one_stray_wave(half_db, stray_db, phase_deg):
    level = stray_level_db(2 * half_db)
    assert level == pytest.approx(stray_db, abs=0.005)
    assert ripple_db(level) == pytest.approx(2 * half_db, rel=1e-12)
    assert np.degrees(phase_ripple(level)) == pytest.approx(phase_deg, abs=0.005)


def test_ripples_of_5_deg_and_half_a_decibel_are_different_demands():
    level = 20 * np.log10(np.sin(np.radians(5)))
    assert level == pytest.approx(-21.19, abs=0.005)
    assert ripple_db(level) / 2 == pytest.approx(0.759, abs=5e-4)


def test_no_ripple_is_no_stray_wave():
    assert stray_level_db(0.0) == -np.inf


# Printed values of the closed form 8.686 rho sqrt(n/2), and of one set of 364 draws each, of an unknown seed.
@pytest.mark.parametrize(
    ("level_db", "waves", "expected", "drawn"),
    [(-30, 1, 0.194, 0.192), (-25, 1, 0.345, 0.334), (-40, 20, 0.275, 0.262)],
)
def test_spread_of_stray_waves(level_db, waves, expected, drawn):
    found = spread_db(level_db, waves=waves)
    assert found == pytest.approx(expected, abs=5e-4)
    # Two standard deviations of an estimate from 364 values.
    assert drawn == pytest.approx(found, rel=2 / np.sqrt(2 * 364))


@pytest.mark.parametrize(("level_db", "waves"), [(-30, 1), (-25, 1), (-40, 20)])
def test_spread_over_positions_and_orientations_is_that_of_the_closed_form(level_db, waves, rng):
    phase = rng.uniform(0, 2 * np.pi, (7, 26, 2, waves))
    level = 20 * np.log10(np.abs(1 + 10 ** (level_db / 20) * np.exp(1j * phase).sum(axis=-1)))
    found = quality_spread(level)
    assert found.count == 364
    # Four standard deviations of that of 364 normal values, s/sqrt(2 x 364); second order in rho.
    rho2 = waves * 10 ** (level_db / 10)
    assert found.standard_deviation_db == pytest.approx(
        spread_db(level_db, waves=waves), rel=4 / np.sqrt(728) + rho2
    )
    assert found.range_db == pytest.approx(level.max() - level.min(), rel=1e-15)


def test_missing_levels_do_not_count():
    assert quality_spread([1.0, np.nan, 3.0]).standard_deviation_db == pytest.approx(np.sqrt(2), rel=1e-14)
    with pytest.raises(ValueError, match="there are 1 levels, expected at least 2: give positions"):
        quality_spread([1.0, np.nan])


def test_positions_and_orientations_of_the_standard():
    # TS 38.521-2 O.2.5: centre and +-R along x, y, z; O.2.6.1: 26 orientations, 364 values with both
    # polarisations (Rel-17, text seen).
    positions = quality_positions(0.15)
    assert positions.shape == (7, 3)
    assert sorted(np.linalg.norm(positions, axis=1).round(12)) == [0] + [0.15] * 6
    assert np.unique(positions, axis=0).shape == (7, 3)
    turns = np.degrees(quality_orientations())
    assert len(turns) == 26
    assert sum(turns[:, 0] == 0) == sum(turns[:, 0] == 180) == 1
    assert 7 * len(turns) * 2 == 364
    with pytest.raises(ValueError, match="radius is -1"):
        quality_positions(-1)


def test_weights_of_the_older_standard():
    # TS 37.544 E.11, the formula from memory; the sum of its weights is printed as 0.9943 (closed
    # form pi/(2N) cot(pi/2N)).
    theta = np.pi * np.arange(1, 12) / 12
    ones = np.ones((11, 24))
    assert ones.size == 264
    mean = weighted_deviation(ones, theta=theta)
    assert mean == pytest.approx(0.9943, abs=5e-5)
    assert mean == pytest.approx(np.pi / 24 / np.tan(np.pi / 24), rel=1e-14)
    assert weighted_deviation(ones, theta=theta, efficiency_calibrated=True) == mean / 2
    with pytest.raises(ValueError, match="11 elevations"):
        weighted_deviation(np.ones((12, 24)), theta=theta)
    with pytest.raises(ValueError, match="leave out the poles"):
        weighted_deviation(ones, theta=theta + 0.1)


# Printed values.
@pytest.mark.parametrize(
    ("taper_db", "part", "expected"),
    [(1, 1, -0.4856), (0.5, 1, -0.2464), (1, 0.5, -0.1189), (0.5, 0.5, -0.0609)],
)
def test_amplitude_taper_at_boresight(taper_db, part, expected):
    found = amplitude_taper_error_db(taper_db, part=part)
    assert found == pytest.approx(expected, abs=5e-5)
    fall = 1 - 10 ** (-taper_db / 20)
    mean = quad(lambda r: 2 * r * (1 - fall * (part * r) ** 2), 0, 1)[0]
    assert found == pytest.approx(20 * np.log10(mean), rel=1e-12)


@pytest.mark.parametrize(
    ("taper_deg", "part", "expected"),
    [(10, 1, -0.0110), (22.5, 1, -0.0559), (11.25, 1, -0.0140), (7.5, 1, -0.0062), (10, 0.5, -0.0007)],
)
def test_phase_taper_at_boresight(taper_deg, part, expected):
    found = phase_taper_error_db(np.radians(taper_deg), part=part)
    assert found == pytest.approx(expected, abs=5e-5)
    edge = np.radians(taper_deg) * part**2
    mean = [quad(lambda r, f=f: 2 * r * f(edge * r * r), 0, 1)[0] for f in (np.cos, np.sin)]
    assert found == pytest.approx(20 * np.log10(np.hypot(*mean)), rel=1e-9)


def test_values_out_of_range_are_refused():
    with pytest.raises(ValueError, match="stray_db is 0, expected a level below"):
        ripple_db(0.0)
    with pytest.raises(ValueError, match="peak_to_peak_db is -1, expected 0 or more"):
        stray_level_db(-1)
    with pytest.raises(ValueError, match="waves is 0"):
        spread_db(-30, waves=0)


def test_free_space_vswr_finds_the_stray_wave():
    # A probe whose pattern is 20 dB down towards the source and up towards a stray wave of -45 dB: the
    # two interfere at -20 and -45 dB, rho = -25 dB.
    wavelength = 0.01
    x = np.arange(0, 10 * wavelength, wavelength / 40)
    field = 10 ** (-20 / 20) + 10 ** (-45 / 20) * np.exp(2j * np.pi * x / wavelength)
    level = 20 * np.log10(np.abs(field)) - 3.0 - 0.2 * x / x.max()  # the source's field falls
    found = free_space_vswr(x, level, peak_db=-3.0)
    # Whole periods, so that the fit takes little of them: 1 % of the ripple.
    assert found.peak_to_peak_db == pytest.approx(ripple_db(-25.0), rel=0.02)
    assert found.reflectivity_db == pytest.approx(-45.0, abs=0.25)
    assert found.level_db == pytest.approx(-20.1, abs=0.05)
    with pytest.raises(ValueError, match="there are 4 readings, expected at least 5"):
        free_space_vswr(x[:4], level[:4], peak_db=0)
    with pytest.raises(ValueError, match="level_db has shape"):
        free_space_vswr(x, level[:4], peak_db=0)
