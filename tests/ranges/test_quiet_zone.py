"""Figures of a quiet zone against fields in closed form."""

import numpy as np
import pytest
from zone_cases import FREQUENCY, WAVELENGTH, K, line, plane, probed, towards, wave

from nf2ff.messages.ranges import ZoneCode
from nf2ff.ranges.quiet_zone import evaluate
from nf2ff.ranges.smooth_part import fitted
from nf2ff.ranges.zone import ProbedField, Zone, largest_zone
from nf2ff.ranges.zone_formulas import ripple_db


def codes(figures):
    return [notice.code for notice in figures.warnings]


# --- what the fit leaves -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("periods", "two", "four"),
    [(0.5, 0.087, 0.003), (1, 0.484, 0.069), (1.5, 0.884, 0.332), (2, 0.946, 0.719), (3, 0.980, 0.904)],
)
def test_share_of_a_sinusoid_that_is_left(periods, two, four):
    # Printed: rms over all phases of what is left over that of the sinusoid, which holds for 1500 to 4001
    # points. Closed form: the part of cos and sin beyond Legendre polynomials of that degree, by quadrature
    # to rounding: 0.883, 0.331 (1.5 periods) and 0.718 (2) where the last digit printed is one more. Of 2001
    # points the ends count for half a point too much: of the first polynomials left out, of degrees up to
    # degree + 2, the square there is 2 degree + 5 times its mean.
    t = np.linspace(-1, 1, 2001)
    values = [np.cos(np.pi * periods * t), np.sin(np.pi * periods * t)]
    x, w = np.polynomial.legendre.leggauss(60)
    smooth = [np.cos(np.pi * periods * x), np.sin(np.pi * periods * x)]
    for degree, expected in ((2, two), (4, four)):
        left = sum(np.mean((v - fitted(v, t[:, None], degree=degree)) ** 2) for v in values)
        found = np.sqrt(left / sum(np.mean(v**2) for v in values))
        assert found == pytest.approx(expected, abs=5e-4)
        terms = np.polynomial.legendre.legvander(x, degree) * np.sqrt(np.arange(degree + 1) + 0.5)
        kept = sum(np.sum(((w * v) @ terms) ** 2) for v in smooth)
        assert found == pytest.approx(
            np.sqrt(1 - kept / sum(w @ v**2 for v in smooth)), rel=(degree + 2) / 2000
        )


@pytest.mark.slow
@pytest.mark.parametrize(
    ("angle_deg", "taper", "spread", "ripple", "taper_4", "spread_4", "ripple_4"),
    [
        (40, 1.01, 0.02, 0.303, 1.02, 0.04, 0.314),
        (10, 1.04, 0.02, 0.317, 1.12, 0.07, 0.311),
        (4, 1.08, 0.12, 0.311, 1.28, 0.28, 0.282),
    ],
)
def test_separation_of_taper_and_ripple(angle_deg, taper, spread, ripple, taper_4, spread_4, ripple_4):
    # Printed values of a prototype apart from this package: 1.00 dB quadratic taper and a -30 dB wave,
    # 81 points on 30 cm at 28 GHz, a few tens of random phases. Here the mean over all phases: theirs
    # may lie off by their spread over sqrt(20), and by half a digit.
    x = line()
    found = []
    for phase in 2 * np.pi * np.arange(72) / 72:
        co = 10 ** (-((x[:, 0] / 0.15) ** 2) / 20) + wave(x, towards(angle_deg), level_db=-30, phase=phase)
        z = evaluate(probed(x, co), Zone(0.15))
        found.append(
            [
                f(v)
                for v in (z.amplitude_db, z.amplitude_4_db)
                for f in (lambda v: v.taper, lambda v: v.ripple)
            ]
        )
    mean, deviation = np.mean(found, axis=0), np.std(found, axis=0)
    for i, (value, off) in enumerate(
        ((taper, spread), (ripple, deviation[1]), (taper_4, spread_4), (ripple_4, deviation[3]))
    ):
        assert mean[i] == pytest.approx(value, abs=off / np.sqrt(20) + 0.005)


def test_smooth_tapers_of_higher_order():
    # Printed, 1 dB at the edge of 81 points: fourth order 0.88 and +-0.16 by degree 2, exact by degree
    # 4; sixth order 0.75, 0.25 and 0.96, 0.04.
    x = line()
    for order, expected in ((4, (0.88, 0.16, 1.0, 0.0)), (6, (0.75, 0.25, 0.96, 0.04))):
        z = evaluate(probed(x, 10 ** (-((np.abs(x[:, 0]) / 0.15) ** order) / 20)), Zone(0.15))
        two, four = z.amplitude_db, z.amplitude_4_db
        assert [two.taper, two.ripple, four.taper, four.ripple] == pytest.approx(expected, abs=0.005)
        (notice,) = [w for w in z.warnings if w.code is ZoneCode.DEGREE]
        assert notice.figures["taper_4"] == four.taper
    z = evaluate(probed(x, 10 ** (-((x[:, 0] / 0.15) ** 2) / 20)), Zone(0.15))
    assert ZoneCode.DEGREE not in codes(z)


# --- amplitude -----------------------------------------------------------------------------------


@pytest.mark.parametrize("position", [line(), plane(), line(along=(0, 1, 0)), line(along=(0.6, 0.8, 0))])
def test_quadratic_taper_with_slope(position):
    u = position[:, 0] / 0.15 + position[:, 1] / 0.15
    level = 0.3 * u - 0.5 * u**2
    z = evaluate(probed(position, 10 ** (level / 20)), Zone(0.15))
    used = level[z.used]
    assert z.amplitude_db.taper == pytest.approx(np.ptp(used), rel=1e-9)
    assert z.amplitude_db.total == pytest.approx(np.ptp(used), rel=1e-12)
    assert z.amplitude_db.slope == pytest.approx(0.3 * np.ptp(u[z.used]), rel=1e-9)
    assert z.amplitude_db.curvature == pytest.approx(0.5 * np.max(u[z.used] ** 2), rel=1e-2)
    assert z.amplitude_db.ripple < 1e-12


@pytest.mark.slow
def test_an_implanted_stray_wave_is_found_in_the_ripple():
    # -32 dB from 40 deg aside: eighteen periods, steps of a quarter wavelength and less.
    position = plane(141)
    co = wave(position, (0, 0, 1)) + wave(position, towards(40, 30), level_db=-32, phase=0.4)
    z = evaluate(probed(position, co), Zone(0.15))
    assert z.amplitude_db.ripple == pytest.approx(ripple_db(-32.0) / 2, rel=0.03)
    assert z.stray_db == pytest.approx(-32, abs=0.3)
    assert z.phase.ripple == pytest.approx(10 ** (-32 / 20), rel=0.03)
    # rms of a sinusoid: its amplitude over sqrt 2.
    assert z.amplitude_db.ripple_rms == pytest.approx(ripple_db(-32.0) / 2 / np.sqrt(2), rel=0.03)
    # A probe that hears it 6 dB less.
    assert evaluate(probed(position, co), Zone(0.15), probe_level_db=-6).stray_db == pytest.approx(
        z.stray_db + 6
    )


def test_amplitude_alone_gives_the_same_amplitude():
    position = plane(31)
    co = wave(position, towards(0.5)) + wave(position, towards(30), level_db=-25)
    both = evaluate(probed(position, co), Zone(0.15))
    alone = evaluate(probed(position, np.abs(co), phase=False), Zone(0.15))
    assert alone.phase is None
    assert alone.tilt is None
    assert alone.tilt_angle is None
    assert alone.wavefront_radius is None
    assert alone.amplitude_db.ripple == pytest.approx(both.amplitude_db.ripple, rel=1e-9)


# --- phase ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("theta_deg", "phi_deg"), [(0.2, 0), (3, 90), (8, 215), (0, 0)])
def test_tilt_is_the_direction_of_travel(theta_deg, phi_deg):
    u = towards(theta_deg, phi_deg)
    z = evaluate(probed(plane(), wave(plane(), u)), Zone(0.15))
    # 3e-13: rounding of phases of up to 90 rad.
    assert np.sin(z.tilt) == pytest.approx(u[:2], abs=3e-13)
    assert z.tilt_angle == pytest.approx(np.radians(theta_deg), abs=1e-12)
    assert z.phase.total < 1e-11


def test_tilt_against_another_nominal_direction():
    # Travelling along -y, leaning towards +x: the zone's first axis is x.
    position = line()
    u = np.array([np.sin(0.01), -np.cos(0.01), 0])
    zone = Zone(0.15, direction=(0, -2, 0))
    z = evaluate(probed(position, wave(position, u)), zone)
    assert z.tilt[0] == pytest.approx(0.01, abs=1e-12)
    assert np.isnan(z.tilt[1])
    assert np.allclose(zone.axes @ zone.axes.T, np.eye(3), atol=1e-15)
    assert np.linalg.det(zone.axes) == pytest.approx(1)


def test_a_line_that_wavers_is_a_line(rng):
    # 0.1 mm of jitter: no tilt across it, and its ends are in the zone.
    position = line() + 1e-4 * np.concatenate([np.zeros((81, 1)), rng.normal(size=(81, 2))], axis=1)
    z = evaluate(probed(position, wave(position, towards(1))), Zone(0.15))
    assert z.used.size == 81
    assert len(z.basis) == 1
    assert np.sin(z.tilt[0]) == pytest.approx(np.sin(np.radians(1)), abs=1e-5)
    assert np.isnan(z.tilt[1])


def test_a_line_along_the_direction_of_travel_has_no_tilt():
    position = line(301, along=(0, 0, 1))
    z = evaluate(probed(position, wave(position, (0, 0, 1))), Zone(0.15))
    assert np.isnan(z.tilt).all()
    assert z.tilt_angle is None
    assert z.phase.total < 1e-10
    # lambda / (1 - cos) periods: 1.5 of them within acos(1 - 1.5 lambda/D).
    (notice,) = [w for w in z.warnings if w.code is ZoneCode.TAPER]
    assert notice.figures["angle_deg"] == pytest.approx(np.degrees(np.arccos(1 - 1.5 * WAVELENGTH / 0.3)))
    assert ZoneCode.BACKWARDS in codes(evaluate(probed(position, wave(position, (0, 0, -1))), Zone(0.15)))


@pytest.mark.parametrize("times", [2, 4, 6])
def test_direct_range_has_the_phase_taper_of_its_length(times):
    # 2, 4, 6 D^2/lambda: 22.5, 11.25, 7.5 deg (printed; pi/(4 q)). Exact distances; third order of
    # rho/R: 1e-3 of it.
    distance = times * 0.3**2 / WAVELENGTH
    position = plane()
    r = np.linalg.norm(position + np.array([0, 0, distance]), axis=1)
    z = evaluate(probed(position, np.exp(-1j * K * r) / r), Zone(0.15))
    assert np.degrees(z.phase.taper) == pytest.approx(45 / times, rel=1e-3)
    assert z.wavefront_radius == pytest.approx(distance, rel=1e-3)
    assert z.phase.ripple < 1e-4
    assert np.abs(z.tilt).max() < 1e-12


def test_phase_over_a_turn_is_unwrapped():
    # 60 cm from a point source: k a^2/(2R) = 630 deg.
    position = plane(121)
    r = np.linalg.norm(position + np.array([0, 0, 0.6]), axis=1)
    z = evaluate(probed(position, np.exp(-1j * K * r) / r), Zone(0.15))
    exact = K * r[z.used]
    assert z.phase.total == pytest.approx(np.ptp(exact), rel=1e-6)
    assert z.phase.total > 3 * np.pi


def test_places_apart_are_unwrapped_together():
    # Two planes a quarter wavelength apart, and phases near 180 deg, which jump.
    position = np.concatenate([plane(21), plane(21) + np.array([0, 0, WAVELENGTH / 4])])
    co = -np.exp(1e-6j) * wave(position, (0, 0, 1)) + wave(position, towards(35), level_db=-30)
    z = evaluate(probed(position, co), Zone(0.15, "cylinder"))
    assert z.phase.total == pytest.approx(2 * 10**-1.5, rel=0.1)


def test_planes_far_apart_are_unwrapped_together():
    # Three planes, wider apart than their steps, whose phases are 178, -178 and 178 deg: 4 deg apart.
    parts = [plane(21) + np.array([0, 0, z]) for z in (-0.1, 0, 0.1)]
    turns = np.radians([178, 182, 178])
    co = np.concatenate([wave(p, (0, 0, 1)) * np.exp(1j * t) for p, t in zip(parts, turns, strict=True)])
    z = evaluate(probed(np.concatenate(parts), co), Zone(0.15, "cylinder", 0.1))
    assert np.degrees(z.phase.total) == pytest.approx(4, abs=1e-6)


def test_points_in_a_ball(rng):
    position = rng.normal(size=(4000, 3))
    position *= 0.16 * (rng.uniform(size=4000) ** (1 / 3) / np.linalg.norm(position, axis=1))[:, None]
    u = towards(1, 40)
    co = wave(position, u) + wave(position, towards(120, 10), level_db=-30)
    z = evaluate(probed(position, co), Zone(0.15))
    assert len(z.basis) == 3
    # The stray wave pulls the plane by less than its level over the phase across the zone.
    assert np.sin(z.tilt) == pytest.approx(u[:2], abs=10**-1.5 / (K * 0.15) / 5)
    # Two standard deviations (that of the wave is its ripple over sqrt 2) of what ten terms follow at
    # the edge, with some four times the mean leverage.
    within = 2 / np.sqrt(2) * np.sqrt(4 * 10 / z.used.size)
    assert z.amplitude_db.ripple == pytest.approx(ripple_db(-30.0) / 2, rel=within)


# --- cross-polarisation --------------------------------------------------------------------------


def test_cross_polarisation_against_the_smooth_field():
    position = line()
    x = position[:, 0] / 0.15
    co = 2 * 10 ** (-(x**2) / 20)
    cross = np.where(x < 0, np.nan, 0.01 * co * (1 + x))
    z = evaluate(probed(position, co, cross=cross), Zone(0.15))
    assert z.cross_db == pytest.approx(20 * np.log10(0.02), abs=1e-9)
    assert z.cross_rms_db == pytest.approx(10 * np.log10(np.mean((0.01 * (1 + x[x >= 0])) ** 2)), abs=1e-9)
    assert evaluate(probed(position, co, cross=np.full(81, np.nan)), Zone(0.15)).cross_db is None
    assert evaluate(probed(position, co), Zone(0.15)).cross_rms_db is None


# --- what a user must know -----------------------------------------------------------------------


def test_what_counts_as_taper_is_told():
    # Printed: 3 deg for 30 cm at 28 GHz.
    (notice,) = evaluate(probed(line(), np.ones(81)), Zone(0.15)).warnings
    assert notice.code is ZoneCode.TAPER
    assert notice.figures["angle_deg"] == pytest.approx(3, abs=0.1)
    assert notice.figures["angle_deg"] == pytest.approx(np.degrees(np.arcsin(1.5 * WAVELENGTH / 0.3)))
    small = evaluate(probed(line(half=0.007), np.ones(81)), Zone(0.007))
    assert codes(small) == [ZoneCode.ALL_TAPER]


def test_steps_above_half_a_wavelength_are_told():
    fine, coarse = int(0.3 / (WAVELENGTH / 2)) + 2, int(0.3 / (WAVELENGTH / 2)) - 1
    assert ZoneCode.STEP not in codes(evaluate(probed(line(fine), np.ones(fine)), Zone(0.15)))
    z = evaluate(probed(line(coarse), np.ones(coarse)), Zone(0.15))
    (notice,) = [w for w in z.warnings if w.code is ZoneCode.STEP]
    assert notice.figures["step_mm"] == pytest.approx(300 / (coarse - 1))


@pytest.mark.parametrize("turn_deg", [0, 45])
@pytest.mark.parametrize("phase", [0, np.pi / 2, np.pi])
def test_a_stray_wave_on_crossed_lines_is_no_taper(turn_deg, phase):
    # Constant along one line, at the top, the middle or the bottom of the ripple along the other, whose 18
    # periods leave each line next to no taper: 88 % of a sinusoid are ripple from 1.5 periods on.
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    position = np.concatenate([line(161, along=(c, s, 0)), line(along=(-s, c, 0))])
    stray = wave(position, towards(90, turn_deg), level_db=-30, phase=phase)
    z = evaluate(probed(position, wave(position, (0, 0, 1)) + stray), Zone(0.1))
    assert z.amplitude_db.ripple == pytest.approx(ripple_db(-30.0) / 2, rel=0.04)
    assert z.amplitude_db.taper < 0.1 * ripple_db(-30.0)
    assert z.phase.ripple == pytest.approx(10 ** (-30 / 20), rel=0.06)
    assert z.phase.taper < 0.1 * 2 * 10 ** (-30 / 20)


def test_crossed_cuts_leave_holes():
    position = np.concatenate([line(), line(along=(0, 1, 0))])
    level = -((np.linalg.norm(position, axis=1) / 0.15) ** 2)
    z = evaluate(probed(position, 10 ** (level / 20)), Zone(0.15))
    assert z.amplitude_db.taper == pytest.approx(1, rel=1e-9)
    (notice,) = [w for w in z.warnings if w.code is ZoneCode.HOLE]
    # At 45 deg on the edge: 0.15/sqrt 2 from either line, seen on a grid of 63 x 63 places.
    assert notice.figures["hole_mm"] == pytest.approx(150 / np.sqrt(2), rel=0.05)
    assert ZoneCode.HOLE not in codes(evaluate(probed(plane(), np.ones(61**2)), Zone(0.15)))


def test_a_spot_without_readings_is_told():
    position = plane()
    there = np.linalg.norm(position - [0.05, 0, 0], axis=1) > 0.02
    (notice,) = [
        w
        for w in evaluate(probed(position[there], np.ones(there.sum())), Zone(0.15)).warnings
        if w.code is ZoneCode.HOLE
    ]
    # The nearest reading lies up to a step of 5 mm beyond the spot's rim.
    assert 18 < notice.figures["hole_mm"] < 25


# --- zones ---------------------------------------------------------------------------------------


def test_shapes_hold_what_they_should():
    place = np.array([[0.9, 0.9, 0], [0.9, 0, 0.9], [0, 0, 3], [1, 0, 0], [0.7, 0.7, 0.1]])
    held = {
        "ball": Zone(1),
        "cylinder": Zone(1, "cylinder", 0.5),
        "endless": Zone(1, "cylinder"),
        "square": Zone(1, "square", 1),
        "turned": Zone(1, "square", 1, direction=(1, 0, 0)),
    }
    assert {name: zone.contains(place).tolist() for name, zone in held.items()} == {
        "ball": [False, False, False, True, True],
        "cylinder": [False, False, False, True, True],
        "endless": [False, True, True, True, True],
        "square": [True, True, False, True, True],
        "turned": [True, True, False, True, True],
    }
    diagonal = np.array([1, 1, 0]) / np.sqrt(2)
    assert held["square"].reach(diagonal) == pytest.approx(np.sqrt(2))
    assert held["cylinder"].reach(diagonal) == pytest.approx(1)
    assert held["cylinder"].reach(np.array([0, 0, 1.0])) == pytest.approx(0.5)
    assert held["endless"].reach(np.array([0, 0, 1.0])) == np.inf
    assert [Zone(0.15).words(x) for x in (1, 2, 3)] == [
        "line of 0.3 m",
        "disc of diameter 0.3 m",
        "ball of diameter 0.3 m",
    ]
    assert Zone(0.15, "square", 0.05).words() == "square of 0.3 m, 0.1 m deep"
    assert Zone(0.15, "cylinder").words(2) == "cylinder of diameter 0.3 m"


def test_only_readings_in_the_zone_count():
    position = plane()
    outside = np.linalg.norm(position, axis=1) > 0.1
    co = np.where(outside, 7.0, 1.0)
    assert evaluate(probed(position, co), Zone(0.1)).amplitude_db.total == 0


def test_a_zone_beyond_the_readings_is_refused():
    with pytest.raises(
        ValueError, match=r"zone reaches 0\.16 m either way along x, the readings from -0\.15 to 0\.15 m"
    ):
        evaluate(probed(line(), np.ones(81)), Zone(0.16))
    lopsided = line() + np.array([0.05, 0, 0])
    with pytest.raises(
        ValueError, match=r"along x, the readings from -0\.1 to 0\.2 m .*: choose a smaller zone"
    ):
        evaluate(probed(lopsided, np.ones(81)), Zone(0.12))
    # Within half a step of the edge.
    assert evaluate(probed(line(), np.ones(81)), Zone(0.1515)).used.size == 81
    with pytest.raises(ValueError, match=r"zone reaches 0\.1525 m"):
        evaluate(probed(line(), np.ones(81)), Zone(0.1525))
    with pytest.raises(ValueError, match=r"no reading lies in the zone, .* z 2\.5 to 2\.5 m: move"):
        evaluate(probed(line() + np.array([0, 0, 2.5]), np.ones(81)), Zone(0.15))
    with pytest.raises(ValueError, match=r"miss the zone's centre by 0\.03 m.*put its centre"):
        evaluate(probed(plane() + np.array([0, 0, 0.03]), np.ones(61**2)), Zone(0.1))
    with pytest.raises(ValueError, match=r"holds 3 readings, expected at least 5"):
        evaluate(probed(line(3), np.ones(3)), Zone(0.15))


def test_bad_zones_and_readings_are_refused():
    for wrong, says in (
        ({"radius": 0}, "radius of the zone is 0"),
        ({"radius": 1, "half_depth": -1, "shape": "square"}, "half_depth of the zone is -1"),
        ({"radius": 1, "half_depth": 1}, "given for a ball: make it a cylinder"),
        ({"radius": 1, "shape": "cube"}, "'cube', expected 'ball'"),
        ({"radius": 1, "centre": (0, 0)}, "centre of the zone has 2 components, expected 3"),
        ({"radius": 1, "direction": (0, 0, 0)}, "direction of the zone is"),
    ):
        with pytest.raises(ValueError, match=says):
            Zone(**wrong)
    with pytest.raises(ValueError, match="frequency is -1"):
        ProbedField(-1, line(), np.ones(81))
    with pytest.raises(ValueError, match=r"position has shape \(81, 3\), expected \(M, 3\) = \(80, 3\)"):
        ProbedField(FREQUENCY, line(), np.ones(80))
    with pytest.raises(ValueError, match=r"reading at \(0, 0, 0\) m is 0: leave out"):
        ProbedField(FREQUENCY, line() + 0.0, np.arange(-40, 41))
    with pytest.raises(ValueError, match="cross has shape"):
        ProbedField(FREQUENCY, line(), np.ones(81), np.ones(80))


def test_the_largest_zone_is_as_wide_as_the_readings():
    position = plane() * np.array([1, 0.5, 1]) + np.array([0.01, 0, 2])
    field = probed(position, np.ones(len(position)))
    zone = largest_zone(field)
    assert zone.radius == pytest.approx(0.075)
    assert zone.centre == pytest.approx([0.01, 0, 2])
    assert evaluate(field, zone).used.size > 1000
    assert largest_zone(field, centre=(0.1, 0, 2)).radius == pytest.approx(0.06)
    # A cylinder is as wide as the readings are across the wave's way.
    deep = np.concatenate([position * 0.9 + np.array([0, 0, z]) for z in (-0.02, 0, 0.02)])
    across = largest_zone(probed(deep, np.ones(len(deep))), shape="cylinder", direction=(0, 0, -1))
    assert across.radius == pytest.approx(0.0675)
    with pytest.raises(ValueError, match="all readings are at one place: read the field along a line"):
        largest_zone(probed(np.zeros((4, 3)), np.ones(4)))
    with pytest.raises(
        ValueError, match=r"to both sides of the zone's centre; readings: x -0.14 to 0.16 m, .*: move"
    ):
        largest_zone(field, centre=(1, 0, 2))
