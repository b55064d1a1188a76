"""Fields of currents: closed forms, and plane waves against the direct sum."""

import numpy as np
import pytest

from nf2ff.antenna.closed_form import near_field
from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.antenna.modes import SPEED_OF_LIGHT, WAVE_IMPEDANCE
from nf2ff.kernel.plane_waves import exponential_sums
from nf2ff.kernel.sphere import direction_angles, unit_vectors
from nf2ff.ranges.physical_optics import Currents, plane_waves_of, radiated_field
from nf2ff.ranges.zone import Zone

FREQUENCY, RADIUS = 20e9, 0.25
K = 2 * np.pi * FREQUENCY / SPEED_OF_LIGHT


@pytest.fixture(scope="module")
def disc():
    """A uniform current of 1 A/m along x on a disc: Gauss along the radius, equal steps around."""
    x, w = np.polynomial.legendre.leggauss(80)
    phi = 2 * np.pi * np.arange(160) / 160
    r = RADIUS * (x + 1) / 2
    place = np.stack([np.outer(r, np.cos(phi)), np.outer(r, np.sin(phi)), np.zeros((80, 160))], axis=-1)
    moment = np.zeros((80 * 160, 3))
    moment[:, 0] = np.repeat(w * RADIUS / 2 * r, 160) * 2 * np.pi / 160
    return Currents(FREQUENCY, place.reshape(-1, 3), moment)


def on_axis(z):
    """A = (exp(-jkz) - exp(-jks))/(2jk), s = sqrt(z^2 + a^2), E = -jk Z0 (A/2 - A''/(2k^2)) [closed form]."""
    s = np.hypot(z, RADIUS)
    near, edge = np.exp(-1j * K * z), np.exp(-1j * K * s)
    a = (near - edge) / (2j * K)
    slope, bend = z / s, RADIUS**2 / s**3
    second = (-(K**2) * near - (-(K**2) * slope**2 - 1j * K * bend) * edge) / (2j * K)
    return -1j * K * WAVE_IMPEDANCE * (a / 2 - second / (2 * K**2))


def test_direct_sum_on_the_axis_of_a_disc(disc):
    z = np.linspace(0.6, 2, 40)
    field = radiated_field(disc, np.stack([0 * z, 0 * z, z], axis=1))
    # Over the field of the endless sheet, Z0/2. Rounding of phases k z of some 800 rad: 1e-13.
    assert np.abs(field[:, 0] - on_axis(z)).max() < 1e-12 * WAVE_IMPEDANCE / 2
    assert np.abs(field[:, 1:]).max() < 1e-12 * WAVE_IMPEDANCE / 2
    # Printed: from 0.048 to 1.983 of it, at 40 places (in between from 0.028 to 1.984).
    ratio = np.abs(field[:, 0]) / (WAVE_IMPEDANCE / 2)
    assert (ratio.min(), ratio.max()) == pytest.approx((0.048, 1.983), abs=5e-4)


@pytest.mark.parametrize("z", [0.6, 0.75, 1.0, 2.0, 5.0])
def test_plane_waves_on_the_axis_of_a_disc(disc, z):
    # All of the rim is in phase there: nowhere is the end of the spectrum felt as much.
    zone = Zone(0.05, "cylinder", 0.02, centre=(0, 0, z))
    points = z + np.linspace(-0.02, 0.02, 9)
    waves = plane_waves_of(disc, zone)
    field = waves.field_at(np.stack([0 * points, 0 * points, points - z], axis=1), K)
    assert np.abs(field[:, 0] - on_axis(points)).max() < 1e-4 * WAVE_IMPEDANCE / 2


def test_direct_sum_is_the_field_of_dipoles(rng):
    place, points = rng.uniform(-0.02, 0.02, (2, 6, 3))
    points = points + np.array([0, 0, 0.05])  # a third of a wavelength at 2 GHz
    moment = rng.normal(size=(6, 3)) + 1j * rng.normal(size=(6, 3))
    cluster = DipoleCluster(place, moment, np.zeros((6, 3)))
    theta, phi = direction_angles(points)
    parts = near_field(cluster, frequency=[2e9], theta=theta, phi=phi, radius=np.linalg.norm(points, axis=1))
    expected = sum(p[0][:, None] * a for p, a in zip(parts, unit_vectors(theta, phi), strict=True))
    found = radiated_field(Currents(2e9, place, moment), points)
    assert np.abs(found - expected).max() < 1e-11 * np.abs(expected).max()


@pytest.mark.parametrize(
    "zone",
    [
        Zone(0.2, centre=(0.05, 0.1, 1.2)),
        Zone(0.15, "square", 0.1, centre=(0, 0, 1.4), direction=(0.1, -0.1, 1)),
        Zone(0.2, "cylinder", centre=(0, 0, 1.2)),
    ],
)
def test_plane_waves_against_the_direct_sum(zone, rng):
    # Currents anywhere in a thick disc, without any order: edges and all. 60 dB below the largest
    # field is what the end of the spectrum leaves of single dipoles, which radiate everywhere.
    place = rng.uniform(-1, 1, (400, 3)) * np.array([0.2, 0.2, 0.05])
    x, y = place[:, :2].T
    moment = (
        np.exp(-((x**2 + y**2) / 0.15**2))[:, None] * np.array([1, 0.5j, 0.2]) * np.exp(1j * K * place[:, 2:])
    )
    currents = Currents(FREQUENCY, place, moment)
    points = zone.centre + rng.uniform(-0.2, 0.2, (600, 3)) @ zone.axes
    if zone.half_depth is None and zone.shape != "ball":
        points = points - ((points - zone.centre) @ zone.axes[2])[:, None] * zone.axes[2]
    points = points[zone.contains(points)]
    assert len(points) > 50
    exact = radiated_field(currents, points)
    found = plane_waves_of(currents, zone).field_at(points - zone.centre, K)
    assert np.abs(found - exact).max() < 1e-3 * np.abs(exact).max()


@pytest.mark.parametrize("flat", [[], [2], [0, 2]])
def test_sums_of_waves_at_points_anywhere_and_on_planes_and_lines(flat, rng):
    source, target = rng.normal(size=(300, 3)), rng.normal(size=(200, 3))
    target[:, flat] = target[0, flat]
    value = rng.normal(size=(2, 300)) + 1j * rng.normal(size=(2, 300))
    found = exponential_sums(value, source, target, epsilon=1e-9, threads=1)
    exact = value @ np.exp(-1j * source @ target.T)
    assert np.abs(found - exact).max() < 1e-8 * np.linalg.norm(value)


def test_what_is_refused(disc):
    one = Currents(1e9, np.zeros((1, 3)), np.ones((1, 3)))
    for make, says in (
        (lambda: Currents(0, np.zeros((1, 3)), np.ones((1, 3))), "frequency is 0 Hz"),
        (lambda: Currents(1e9, np.zeros((2, 3)), np.ones((1, 3))), "not .S, 3."),
        (lambda: radiated_field(one, np.zeros((1, 3))), "a point is at a current"),
        (lambda: radiated_field(one, np.zeros((1, 2))), "expected .M, 3."),
        (lambda: plane_waves_of(one, Zone(0.5, centre=(0, 0, 0.4))), "zone begins -0.1 m from the currents"),
        (lambda: plane_waves_of(disc, Zone(0.1, centre=(0, 0, 0.4))), "waves up to grazing would be needed"),
    ):
        with pytest.raises(ValueError, match=says):
            make()


def test_too_many_waves_are_refused(disc, monkeypatch):
    monkeypatch.setattr("nf2ff.ranges.physical_optics.MOST_WAVES", 100)
    with pytest.raises(ValueError, match="plane waves are too many: make the zone smaller"):
        plane_waves_of(disc, Zone(0.1, centre=(0, 0, 2)))
