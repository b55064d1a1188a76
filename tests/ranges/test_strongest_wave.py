"""Where the strongest stray wave of a zone comes from, against waves that were put there."""

import numpy as np
import pytest
from zone_cases import line, plane, probed, towards, wave

from nf2ff.ranges.quiet_zone import evaluate
from nf2ff.ranges.strongest_wave import strongest_wave
from nf2ff.ranges.zone import Zone


def found(position, stray, *, zone=None, level_db=-30.0, along=(0, 0, 1), weaker=()):
    co = wave(position, along) + wave(position, stray, level_db=level_db, phase=0.7)
    for one in weaker:
        co = co + wave(position, one, level_db=level_db - 6)
    field = probed(position, co)
    return strongest_wave(field, evaluate(field, Zone(0.15) if zone is None else zone))


def expected(u, zone):
    """Angle and azimuth of -u about -direction, theta^ along the zone's first axis: r^ = theta^ x phi^."""
    first, _, along = zone.axes
    back, other = -along, np.cross(-along, first)
    return np.arccos(-u @ back), np.arctan2(-u @ other, -u @ first)


@pytest.mark.parametrize(("theta_deg", "phi_deg"), [(40, 20), (75, -110)])
@pytest.mark.parametrize("weaker", [False, True])
def test_on_a_plane(theta_deg, phi_deg, weaker):
    u = towards(theta_deg, phi_deg)
    got = found(plane(), u, weaker=[towards(25, 80)] if weaker else ())
    # The raster of sines is 1/112 at 28 wavelengths: half of its diagonal over the cosine.
    within = np.sqrt(0.5) / (4 * 0.3 * 28e9 / 299792458) / np.cos(np.radians(theta_deg))
    theta, phi = expected(u, Zone(0.15))
    assert got.theta == pytest.approx(theta, abs=within)
    assert np.exp(1j * got.phi) == pytest.approx(np.exp(1j * phi), abs=within / np.sin(theta))
    # Powers add up: -30 dB and -36 dB are 0.97 dB more than -30 dB, and 80 % of them is of the first; between
    # directions of the raster up to 1 - sinc^4(1/8) = 10 % less is seen.
    level, share = (-30 + 10 * np.log10(1 + 10**-0.6), 1 / (1 + 10**-0.6)) if weaker else (-30, 1)
    assert got.level_db == pytest.approx(level, abs=0.2)
    assert 0.87 * share < got.share < 1.02 * share


def test_other_nominal_directions_and_waves_from_behind(rng):
    place = rng.uniform(-0.05, 0.05, (6000, 3))
    place = place[np.linalg.norm(place, axis=1) <= 0.05]
    zone, u = Zone(0.049, direction=(0, -1, 0.2)), towards(70, 40)
    assert u @ zone.direction < 0
    got = found(place, u, zone=zone, along=zone.direction)
    theta, phi = expected(u, zone)
    # Half of the raster's diagonal at 9 wavelengths: 0.02 and its cosine.
    assert got.theta == pytest.approx(theta, abs=0.03)
    assert np.exp(1j * got.phi) == pytest.approx(np.exp(1j * phi), abs=0.03)


def test_of_a_line_the_angle_in_its_plane():
    assert found(line(), towards(30)).theta == pytest.approx(np.radians(30), abs=0.01)


def test_what_is_refused(monkeypatch):
    flat = probed(plane(), np.ones(61**2))
    with pytest.raises(ValueError, match="there is no ripple, so that no stray wave is seen: state"):
        strongest_wave(flat, evaluate(flat, Zone(0.15)))
    alone = probed(plane(), np.abs(wave(plane(), towards(3)) + 0.1), phase=False)
    with pytest.raises(ValueError, match="is in the phase, which was not measured: measure it"):
        strongest_wave(alone, evaluate(alone, Zone(0.15)))
    monkeypatch.setattr("nf2ff.ranges.strongest_wave.MOST_DIRECTIONS", 100)
    with pytest.raises(ValueError, match=r"28 wavelengths wide, too wide for a search.*: choose a smaller"):
        found(plane(), towards(40))
