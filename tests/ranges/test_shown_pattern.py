"""The pattern that a device shows in the field of a range."""

import numpy as np
import oracle
import pytest
from range_devices import (
    FREQUENCY,
    device,
    direct_sum,
    end_fire_array,
    modes_of,
    random_waves,
    turned_cluster,
)
from rotations import rotation_matrix
from scipy.integrate import simpson
from scipy.interpolate import CubicSpline

from nf2ff.antenna.fields import far_field_points
from nf2ff.antenna.modes import Modes, mode_count
from nf2ff.messages.ranges import IncidentCode
from nf2ff.ranges.incident_field import IncidentField, RegularWaves, plane_wave_field, turned
from nf2ff.ranges.shown_pattern import shown_error, shown_field

AWAY, ACROSS = np.array([0, 0.6, -0.8]), np.array([1.0, 0, 0])


@pytest.fixture(scope="module")
def cluster():
    return device(np.random.default_rng(5))


@pytest.fixture(scope="module")
def modes(cluster):
    return modes_of(cluster, 26)


@pytest.fixture(scope="module")
def array():
    """An array of 4 x 4 Huygens sources that radiates to +z, and its modes."""
    cluster = end_fire_array(4)
    return cluster, modes_of(cluster, 18)


def stray(rng, count, level):
    u, a = random_waves(rng, count)
    return [(d, level * v) for d, v in zip(u, a, strict=True)]


def directions(rng, count):
    """Random ones, and both poles."""
    theta = np.concatenate([np.arccos(rng.uniform(-1, 1, count)), [0, np.pi]])
    return theta, rng.uniform(0, 2 * np.pi, theta.size)


@pytest.mark.slow
def test_an_ideal_field_shows_the_far_field(modes, rng):
    theta, phi = directions(rng, 30)
    true = far_field_points(modes, theta=theta, phi=phi)
    for incident in (
        plane_wave_field(FREQUENCY),
        plane_wave_field(FREQUENCY, direction=AWAY, polarisation=ACROSS),
    ):
        shown = shown_field(modes, incident, theta=theta, phi=phi)
        for a, b in zip(shown, true, strict=True):
            assert np.abs(a - b[0]).max() < 1e-12 * np.abs(true).max()


@pytest.mark.parametrize("threads", [1, 2])
def test_readings_are_direct_sums_over_the_turned_device(cluster, modes, rng, threads):
    incident = plane_wave_field(FREQUENCY, stray=stray(rng, 6, 0.3), direction=AWAY, polarisation=ACROSS)
    theta, phi = directions(rng, 12)
    shown = shown_field(modes, incident, theta=theta, phi=phi, threads=threads)
    top = np.abs(shown).max()
    back = -AWAY
    source = np.stack([ACROSS, np.cross(back, ACROSS), back], axis=1)
    for i, (r, t, p) in enumerate(zip(*oracle.cartesian(theta, phi), strict=True)):
        # The direction looks at the source, theta^ along the polarisation; then phi^ does.
        for found, own in ((shown[0][i], (t, p, r)), (shown[1][i], (p, -t, r))):
            rotation = source @ np.stack(own)
            assert np.linalg.det(rotation) == pytest.approx(1)
            expected = direct_sum(
                turned_cluster(cluster, rotation), incident.waves.direction, incident.waves.amplitude
            )
            assert abs(found - expected) < 1e-12 * top


def test_two_fields_for_two_polarisations(cluster, modes, rng):
    back = -AWAY
    second = np.cross(back, ACROSS)
    fields = tuple(
        plane_wave_field(FREQUENCY, stray=stray(rng, 3, 0.2), direction=AWAY, polarisation=x)
        for x in (ACROSS, second)
    )
    theta, phi = directions(rng, 3)
    shown = shown_field(modes, fields, theta=theta, phi=phi)
    source = np.stack([ACROSS, second, back], axis=1)
    for i, own in enumerate(zip(*oracle.cartesian(theta, phi), strict=True)):
        r, t, p = own
        device_turned = turned_cluster(cluster, source @ np.stack([t, p, r]))
        for found, one in zip(shown, fields, strict=True):
            expected = direct_sum(device_turned, one.waves.direction, one.waves.amplitude)
            assert abs(found[i] - expected) < 1e-12 * np.abs(shown).max()
    with pytest.raises(ValueError, match="second field is not that of the other polarisation"):
        shown_field(modes, (fields[0], fields[0]), theta=theta, phi=phi)


@pytest.mark.slow
def test_no_error_in_an_ideal_field(array):
    found = shown_error(array[1], plane_wave_field(FREQUENCY))
    figures = [found.peak_db, found.true_peak_db, found.trp_db, found.directivity_db]
    assert figures == pytest.approx([0, 0, 0, 0], abs=1e-9)
    # The search for the peak ends within 1e-5 of its first step of 1.6 deg.
    assert found.peak_shift < 1e-6
    assert found.beamwidth_shift == pytest.approx(0, abs=1e-6)
    assert found.first_sidelobe_db == pytest.approx(0, abs=1e-4)
    assert found.worst_difference_db < -220
    assert found.warnings == ()


@pytest.mark.parametrize(
    "seed", [*range(4), *(pytest.param(x, marks=pytest.mark.slow) for x in range(4, 12))]
)
def test_no_error_of_many_lobes_in_an_ideal_field(seed):
    # Lobes of nearly one height: a grid of 2N + 2 rings missed the highest by up to 0.5 dB and 36 deg.
    part = np.random.default_rng(seed).normal(size=(2, 1, mode_count(6)))
    found = shown_error(Modes([FREQUENCY], part[0] + 1j * part[1]), plane_wave_field(FREQUENCY))
    assert found.peak_db == pytest.approx(0, abs=1e-9)
    assert found.peak_shift < 1e-5


def test_a_wave_along_the_nominal_one_changes_the_level_alone(array):
    incident = plane_wave_field(FREQUENCY, stray=[([0, 0, 1], [0.1, 0, 0])])
    found = shown_error(array[1], incident)
    level = 20 * np.log10(1.1)
    assert [found.peak_db, found.true_peak_db, found.trp_db] == pytest.approx([level] * 3, abs=1e-9)
    assert found.highest_sidelobe_db == pytest.approx(0, abs=1e-4)
    assert found.worst_difference_db == pytest.approx(-20, abs=1e-6)


def test_a_stray_wave_changes_a_sidelobe_by_what_the_main_beam_hears_of_it(array):
    # Where the device is turned so that its first sidelobe looks at the source, its main beam looks at a
    # wave of -30 dB: both add up, closed form.
    modes = array[1]
    angle = np.linspace(0, np.pi, 4001)
    pattern = far_field_points(modes, theta=angle, phi=np.zeros(angle.size))[0][0]
    size = np.abs(pattern)
    null = int(np.argmax(np.diff(size) > 0))
    lobe = null + int(np.argmax(size[null : null + 1200]))
    alpha, phase = angle[lobe], pattern[lobe] / pattern[0] * size[0] / size[lobe]
    rho = 10**-1.5 * size[0] / size[lobe]
    assert 0.1 < rho < 0.2
    # The device is turned by -alpha about y, and x^, the polarisation of its beam, with it.
    u = -np.array([-np.sin(alpha), 0, np.cos(alpha)])
    e = phase * 10**-1.5 * np.array([np.cos(alpha), 0, np.sin(alpha)])
    found = [
        shown_error(modes, plane_wave_field(FREQUENCY, stray=[(u, sign * e)], direction=(0, 0, -1)))
        for sign in (1, -1)
    ]
    # The peak hears the wave with that sidelobe, rho times (size/top)^2 = 0.7 %: 0.06 dB.
    assert found[0].first_sidelobe_db == pytest.approx(20 * np.log10(1 + rho), abs=0.08)
    # Of two sidelobes, one lower now, the other counts; the wave meets that with a far sidelobe.
    assert found[1].first_sidelobe_db == pytest.approx(0, abs=20 * np.log10(1 + 10**-1.5))


@pytest.mark.slow
def test_figures_are_those_of_readings_along_the_cut(array):
    # All is symmetric about the plane y = 0, so that the peak shown stays in it. There the device is turned
    # about y in steps of 0.2 deg, each time read in both polarisations, and the figures are read off.
    modes = array[1]
    u = -np.array([np.sin(0.9), 0, np.cos(0.9)])
    incident = plane_wave_field(
        FREQUENCY, stray=[(u, 0.2 * np.array([-np.cos(0.9), 0, np.sin(0.9)]))], direction=(0, 0, -1)
    )
    found = shown_error(modes, incident, plane=0.0)
    alpha = np.radians(np.arange(-180, 180, 0.2))
    p = incident.constants(modes.degree)
    quarter = rotation_matrix(alpha=-np.pi / 2, beta=0.0, gamma=0.0)
    about_y = [rotation_matrix(alpha=0.0, beta=-a, gamma=0.0) for a in alpha]
    readings = [[p @ turned(modes.coefficients[0], r) for r in (x, quarter @ x)] for x in about_y]
    power = np.sum(np.abs(readings) ** 2, axis=1) / (2 * oracle.Z0)
    true = far_field_points(modes, theta=np.abs(alpha), phi=np.where(alpha < 0, np.pi, 0.0))
    figures = [read_off(alpha, x) for x in (power, sum(np.abs(e[0]) ** 2 for e in true) / (2 * oracle.Z0))]
    top, width, sidelobe, at = (a - b for a, b in zip(*figures, strict=True))
    # Parabolas through steps of 0.2 deg of lobes 12 deg wide: 1e-4 dB and 1e-4 of a step.
    assert found.peak_db == pytest.approx(top, abs=1e-3)
    assert found.beamwidth_shift == pytest.approx(width, abs=1e-5)
    assert found.highest_sidelobe_db == pytest.approx(sidelobe, abs=1e-3)
    assert found.peak_shift == pytest.approx(abs(at), abs=1e-4)
    assert found.directivity_db == pytest.approx(found.peak_db - found.trp_db, abs=1e-12)
    assert abs(found.trp_db) > 1e-3
    # Ten times what is allowed and more.
    assert min(abs(top) / 1e-3, abs(width) / 1e-5, abs(sidelobe) / 1e-3) > 10


def read_off(angle, power):
    """Highest level [dB], half-power width [rad], highest sidelobe [dB] and peak's angle of a cut."""
    level = 10 * np.log10(power)
    peaks = np.flatnonzero((level > np.roll(level, 1)) & (level >= np.roll(level, -1)))

    def summit(i):
        before, here, after = (level[(i + k) % level.size] for k in (-1, 0, 1))
        shift = 0.5 * (before - after) / (before - 2 * here + after)
        return here - 0.25 * (before - after) * shift, angle[i] + shift * (angle[1] - angle[0])

    heights = np.array([summit(i)[0] for i in peaks])
    main = int(np.argmax(heights))
    top, at = summit(peaks[main])
    half = CubicSpline(angle, level - top + 10 * np.log10(2)).roots(extrapolate=False)
    width = half[half > at].min() - half[half < at].max()
    return top, width, np.max(np.delete(heights, main)) - top, at


def test_total_power_is_that_of_the_readings(array, rng):
    # The sum of both readings over the sphere, by another rule.
    _, modes = array
    incident = plane_wave_field(FREQUENCY, stray=stray(rng, 3, 0.02))
    found = shown_error(modes, incident)
    rings = np.linspace(0, np.pi, 721)
    phi = 2 * np.pi * np.arange(72) / 72
    t, p = (x.ravel() for x in np.meshgrid(rings, phi, indexing="ij"))
    u = sum(np.abs(x) ** 2 for x in shown_field(modes, incident, theta=t, phi=p)) / (2 * oracle.Z0)
    ring = u.reshape(rings.size, -1).mean(axis=1) * 2 * np.pi
    total = simpson(ring * np.sin(rings), x=rings)
    # Simpson's rule, steps h: of the order (18 h)^4/180, degree 18, 2e-7.
    assert found.trp_db == pytest.approx(10 * np.log10(total / modes.radiated_power()[0]), abs=1e-5)


@pytest.mark.slow
def test_waves_that_a_field_says_nothing_of_are_told(array):
    _, modes = array
    b = np.zeros(mode_count(3), dtype=complex)
    b[:6] = 1
    incident = IncidentField(FREQUENCY, RegularWaves(b), polarisation=(0, 1, 0), amplitude=1.0)
    (notice,) = shown_error(modes, incident).warnings
    assert notice.code is IncidentCode.BEYOND
    spectrum = modes.power_spectrum()[0]
    assert notice.figures["part_db"] == pytest.approx(10 * np.log10(spectrum[3:].sum() / spectrum.sum()))
    assert shown_error(modes.truncate(3), incident).warnings == ()


def test_no_direction_has_no_reading(modes):
    assert [x.size for x in shown_field(modes, plane_wave_field(FREQUENCY), theta=[], phi=[])] == [0, 0]


def test_bad_directions_and_modes_are_refused(modes):
    incident = plane_wave_field(FREQUENCY)
    with pytest.raises(ValueError, match=r"theta is -0\.1 rad, expected within"):
        shown_field(modes, incident, theta=[-0.1], phi=[0])
    with pytest.raises(ValueError, match=r"phi has shape \(2,\), expected \(1,\)"):
        shown_field(modes, incident, theta=[0.1], phi=[0, 1])
    with pytest.raises(ValueError, match="the modes have 1 GHz, the field is at 3 GHz"):
        shown_error(Modes([1e9], np.ones((1, 6))), incident)
