"""Plane-wave arrays with their settings and errors, and what they do to a device."""

import numpy as np
import pytest
from range_devices import FREQUENCY, K, device, modes_of

from nf2ff.antenna.modes import SPEED_OF_LIGHT
from nf2ff.messages.ranges import DesignCode
from nf2ff.ranges.array_alternatives import trade_off, what_would_work
from nf2ff.ranges.array_design import ArrayTask, design_array, judged
from nf2ff.ranges.array_field import array_field
from nf2ff.ranges.array_weights import quantised, regularised, synthesise
from nf2ff.ranges.device_effect import device_effect
from nf2ff.ranges.incident_field import IncidentField, RegularWaves
from nf2ff.ranges.physical_optics import Currents, dipole_waves, radiated_field
from nf2ff.ranges.plane_wave_array import PlaneWaveArray, disc_array, flatness, square_array, zone_points
from nf2ff.ranges.shown_pattern import shown_error
from nf2ff.ranges.zone import Zone

#: The array of the printed values: 16 x 16 elements on 1.7 m, a cylinder of 0.8 x 0.6 m, 2.5 m away, 3.5 GHz.
PUBLISHED = square_array(16, side=1.7)
CYLINDER = Zone(0.4, "cylinder", 0.3, centre=(0, 0, 2.5))
F = 3.5e9


def small_task(**how):
    return ArrayTask(square_array(6, side=0.6), Zone(0.12, centre=(0, 0, 0.9)), **how)


# --- weights -------------------------------------------------------------------------------------


def test_a_limit_is_kept_and_the_rest_is_the_best(rng):
    array, points = square_array(6, side=0.6), zone_points(Zone(0.12, centre=(0, 0, 0.9)), step=0.04)
    free = synthesise(array, points, frequency=F)
    most = 1.2 * np.sqrt(np.mean(np.abs(free) ** 2))
    assert np.abs(free).max() > most
    w = synthesise(array, points, frequency=F, limit=1.2)
    assert np.abs(w).max() <= most * (1 + 1e-12)
    a = array.fields(points, frequency=F)
    g = np.exp(-2j * np.pi * F / SPEED_OF_LIGHT * points[:, 2])
    damping = (0.01 * np.linalg.norm(a, 2)) ** 2

    def cost(v):
        return np.linalg.norm(a @ v - g) ** 2 + damping * np.linalg.norm(v) ** 2

    # No other weights within the limit are better: a convex problem, so that steps of any length tell.
    for size in (1e-3, 1e-1, 1):
        for _ in range(20):
            v = w + size * most * (rng.normal(size=36) + 1j * rng.normal(size=36))
            v = v * np.minimum(1, most / np.abs(v))
            assert cost(v) > cost(w) * (1 - 1e-9)
    # A limit beyond all weights changes nothing; with minimax it is kept too, and the largest deviation
    # falls.
    assert synthesise(array, points, frequency=F, limit=100) == pytest.approx(free, rel=1e-9)
    flat = synthesise(array, points, frequency=F, limit=1.2, minimax=True)
    assert np.abs(flat).max() <= most * (1 + 1e-12)
    assert np.abs(a @ flat - g).max() < np.abs(a @ w - g).max()


def test_several_regularisations_at_once():
    array, points = square_array(6, side=0.6), zone_points(Zone(0.12, centre=(0, 0, 0.9)), step=0.04)
    for alpha, w in zip((1e-3, 0.1), regularised(array, points, (1e-3, 0.1), frequency=F), strict=True):
        one = synthesise(array, points, frequency=F, regularisation=alpha)
        # A condition of up to 1e6 (1/alpha^2).
        assert np.abs(w - one).max() < 1e-8 * np.abs(one).max()


def test_settings_are_the_nearest():
    w = np.array([1.0, 0.5j, -0.1, 0.0])
    assert quantised(w, phase_bits=2, step_db=6.0) == pytest.approx(
        [1, 10**-0.3 * 1j, -(10**-0.9), 10**-3], rel=1e-12
    )
    turned = np.exp(1j * np.radians([44, 46, 100, -170]))
    assert quantised(turned, phase_bits=2, step_db=1) == pytest.approx([1, 1j, 1j, -1], abs=1e-12)


@pytest.mark.slow
def test_printed_limits_and_settings():
    # Printed: ideal 0.13 dB 0.7 deg; bounds of 2 x rms 0.14 dB, 1.5 x 0.54 dB 2.5 deg, equal amplitudes
    # 2.05 dB 21.5 deg; 4 bit/1 dB 0.82 dB 4.6 deg, 7 bit/0.25 dB 0.21 dB 1.0 deg. Weights made at points 0.6
    # wavelengths apart (not printed) have the digits of the first. Rounding is chance: weights made at points
    # 0.5 to 0.65 apart leave 0.76 to 0.86 dB, 3.1 to 4.0 deg, and 0.15 to 0.18 dB, 0.8 to 1.0 deg.
    wavelength = SPEED_OF_LIGHT / F
    points, looked = (zone_points(CYLINDER, step=s * wavelength) for s in (0.6, 0.35))

    def found(w):
        flat = flatness(PUBLISHED, w, looked, frequency=F)
        return flat.amplitude_db, np.degrees(flat.phase)

    w = synthesise(PUBLISHED, points, frequency=F)
    assert found(w)[0] == pytest.approx(0.13, abs=0.005)
    assert found(w)[1] == pytest.approx(0.7, abs=0.05)
    assert found(synthesise(PUBLISHED, points, frequency=F, limit=2))[0] == pytest.approx(0.14, abs=0.005)
    assert found(synthesise(PUBLISHED, points, frequency=F, limit=1.5)) == pytest.approx(
        (0.54, 2.5), rel=0.03
    )
    assert found(synthesise(PUBLISHED, points, frequency=F, limit=1)) == pytest.approx((2.05, 21.5), rel=0.08)
    assert found(quantised(w, phase_bits=4, step_db=1)) == pytest.approx((0.82, 4.6), rel=0.35)
    assert found(quantised(w, phase_bits=7, step_db=0.25)) == pytest.approx((0.21, 1.0), rel=0.3)


# --- designs -------------------------------------------------------------------------------------


@pytest.mark.slow
def test_the_least_deviation_with_errors():
    # Printed for 0.5 dB and 5 deg rms: medians of 1.22 dB at alpha 1e-3, 0.91 at 1e-2, 0.89 at 3e-2, 1.04 at
    # 0.1; link gain -38.2 dB lossless, -45.6 dB behind an equal divider, -51.3 dB free space.
    task = ArrayTask(PUBLISHED, CYLINDER, amplitude_error_db=0.5, phase_error=np.radians(5))
    found = design_array(task, frequency=F, coarser=1.2)
    assert 5e-3 < found.regularisation < 0.06
    assert np.median(found.drawn.amplitude_db) == pytest.approx(0.90, abs=0.05)
    assert found.drawn.error_db == pytest.approx(found.error_db, abs=0.3)
    assert found.with_errors.amplitude_db == pytest.approx(np.quantile(found.drawn.amplitude_db, 0.95))
    assert design_array(ArrayTask(PUBLISHED, CYLINDER), frequency=F, coarser=1.4).regularisation == 0.01


@pytest.mark.slow
def test_printed_links_and_frequencies():
    # Of weights made at points 0.6 wavelengths apart: -45.48 dB by a divider, 0.142 dB 1 %, 1.29 deg 5 % off.
    task = ArrayTask(PUBLISHED, CYLINDER)
    w = synthesise(PUBLISHED, zone_points(CYLINDER, step=0.6 * SPEED_OF_LIGHT / F), frequency=F)
    plain = judged(task, w, 0.01, frequency=F)
    assert plain.link_gain_db == pytest.approx(-38.2, abs=0.05)
    assert plain.divider_gain_db == pytest.approx(-45.6, abs=0.15)
    assert plain.free_space_db == pytest.approx(-51.3, abs=0.05)
    for part, level, angle, within in (
        (1.1, 0.74, 2.7, 0.01),
        (1.05, 0.31, 1.4, 0.08),
        (1.01, 0.15, 0.7, 0.06),
    ):
        off = judged(task, w, 0.01, frequency=part * F).flat
        assert (off.amplitude_db, np.degrees(off.phase)) == pytest.approx((level, angle), rel=within)


def test_an_array_that_is_too_small_is_told_what_would_work():
    task = small_task()
    good = design_array(task, frequency=F)
    assert good.passed
    assert what_would_work(task, good) == ()
    high = design_array(task, frequency=2.5 * F)
    assert not high.passed
    told = what_would_work(task, high)
    assert [x.code for x in told][-3:] == [DesignCode.ZONE, DesignCode.DISTANCE, DesignCode.FREQUENCY]
    # What it says does work: the frequency.
    works = float(str(told[-1]).split()[3]) * 1e9
    assert F < works < 2.5 * F
    assert design_array(task, frequency=0.99 * works).passed
    # Nothing does where errors alone are too large.
    wild = small_task(amplitude_error_db=3.0, phase_error=0.5, draws=20, regularisation=0.01)
    assert [x.code for x in what_would_work(wild, design_array(wild, frequency=F))][-1] is DesignCode.NOTHING


@pytest.mark.slow
def test_156_elements_fail_at_6_ghz_and_what_would_work():
    # Printed: the ball of 1 m at 1.5 m fails at 6 GHz (20 dB); a zone of 0.7 x 0.3 m works there, and 1.0 x
    # 0.3 m at 2.5 m.
    task = ArrayTask(
        disc_array(156, diameter=1.4), Zone(0.5, "cylinder", 0.15, centre=(0, 0, 1.5)), regularisation=0.001
    )
    found = design_array(task, frequency=6e9, coarser=1.4)
    assert not found.passed
    told = {x.code: str(x) for x in what_would_work(task, found)}
    wide = float(told[DesignCode.ZONE].split("diameter ")[1].split()[0])
    assert 0.7 < wide < 1.0
    assert 1.5 < float(told[DesignCode.DISTANCE].split(": ")[1].split()[0]) < 2.5


def test_a_table_of_arrays_and_distances():
    rows = trade_off(
        small_task(), [square_array(4, side=0.6), square_array(6, side=0.6)], [0.9, 1.2], frequency=F
    )
    assert [(array.channels, z) for array, z, _ in rows] == [(16, 0.9), (16, 1.2), (36, 0.9), (36, 1.2)]
    assert rows[2][2].flat.amplitude_db == pytest.approx(
        design_array(small_task(), frequency=F).flat.amplitude_db
    )
    assert rows[0][2].freedom == pytest.approx((4 / 3) ** 2 * rows[1][2].freedom)
    assert rows[3][2].flat.amplitude_db < rows[1][2].flat.amplitude_db


# --- effect on a device --------------------------------------------------------------------------


def test_waves_of_dipoles_are_their_field(rng):
    place = rng.normal(size=(7, 3))
    place *= (0.5 + rng.random(7) / 5)[:, None] / np.linalg.norm(place, axis=1)[:, None]
    currents = Currents(FREQUENCY, place, rng.normal(size=(7, 3)) + 1j * rng.normal(size=(7, 3)))
    points = rng.uniform(-0.05, 0.05, (20, 3))
    waves = RegularWaves(dipole_waves(currents, 24))
    exact = radiated_field(currents, points)
    # kr = 5.4 at the farthest point, waves up to 24 of a source at kr = 31: (5.4/31)^24 and less.
    assert np.abs(waves.field_at(points, K) - exact).max() < 1e-9 * np.abs(exact).max()


def test_a_good_array_shows_a_device_as_it_is(rng):
    cluster = device(rng, size=0.05)
    modes = modes_of(cluster, 10)
    zone = Zone(0.12, centre=(0, 0, 0.9))
    array = square_array(6, side=0.6)
    w = synthesise(array, zone_points(zone, step=0.03), frequency=FREQUENCY, regularisation=1e-3)
    incident = array_field(array, w, zone, frequency=FREQUENCY, degree=10)
    assert isinstance(incident, IncidentField)
    # Co-polar on the axis: the scalar field, each element matched there.
    scalar = array.fields(zone.centre[None], frequency=FREQUENCY)[0] @ w
    assert incident.amplitude == pytest.approx(scalar, rel=1e-9)
    found = shown_error(modes, incident)
    flat = flatness(array, w, zone_points(zone, step=0.02), frequency=FREQUENCY)
    # Within the flatness of the wave, and what the dipoles' own cross-polarisation adds.
    assert abs(found.peak_db) < 0.3 + flat.amplitude_db
    assert abs(found.trp_db) < 0.3 + flat.amplitude_db
    # At one place the effect is that error, in relative amplitude: 1 dB is ln(10)/20 of it.
    effect = device_effect(modes, lambda _: incident, offset=0)
    assert effect.standard_uncertainty("eirp") == pytest.approx(abs(found.peak_db), rel=1e-6)
    term = effect.term()
    assert term.sensitivity["trp"] == pytest.approx(abs(found.trp_db) * np.log(10) / 20, rel=1e-6)
    assert term.sensitivity["pointing"] == pytest.approx(found.peak_shift, rel=1e-4)
    one = PlaneWaveArray(np.zeros((1, 3)), [0])
    spherical = array_field(one, [1], zone, frequency=FREQUENCY, degree=10)
    # A single dipole is a range of 0.9 m: worse than the array.
    assert shown_error(modes, spherical).worst_difference_db > found.worst_difference_db


def test_what_is_refused():
    near = Zone(0.5, centre=(0, 0, 0.4))
    for make, says in (
        (lambda: ArrayTask(PUBLISHED, near), "elements are inside it: give a larger distance"),
        (lambda: ArrayTask(PUBLISHED, CYLINDER, phase_bits=4), "stated by half: give both or none"),
        (lambda: synthesise(PUBLISHED, [[0, 0, 1]], frequency=F, limit=0), "limit is 0"),
        (lambda: quantised([0j], phase_bits=4, step_db=1), "all weights are 0"),
        (lambda: quantised([1], phase_bits=0, step_db=1), "phase_bits is 0"),
        (
            lambda: array_field(PlaneWaveArray(np.zeros((1, 3)), [0]), [1], near, frequency=F, degree=3),
            "elements are inside the zone",
        ),
    ):
        with pytest.raises(ValueError, match=says):
            make()
