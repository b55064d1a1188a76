"""Currents and field of an offset paraboloid, against rays and closed forms of its geometry."""

import numpy as np
import pytest
from range_devices import FREQUENCY, K, device, modes_of

from nf2ff.antenna.closed_form import near_field
from nf2ff.antenna.modes import SPEED_OF_LIGHT, WAVE_IMPEDANCE
from nf2ff.kernel.sphere import direction_angles, unit_vectors
from nf2ff.ranges.compact_range import reflected_field
from nf2ff.ranges.physical_optics import Currents, plane_waves_of, radiated_field
from nf2ff.ranges.plane_wave_array import plane_points
from nf2ff.ranges.quiet_zone import evaluate
from nf2ff.ranges.reflector import (
    Reflector,
    RolledRim,
    SerratedRim,
    SharpRim,
    reflector_currents,
    surface_nodes,
)
from nf2ff.ranges.reflector_feed import Feed
from nf2ff.ranges.zone import ProbedField, Zone

#: The range of the printed values: F 1.5 m, offset 0.75 m, 1 m wide, zone at z = 2.5 m.
ZONE = Zone(0.25, "cylinder", 1e-3, centre=(0, 0.75, 2.5))
ROLLED = RolledRim(0.5, 0.3, 0.2)


def printed(rim):
    return Reflector(1.5, 0.75, rim)


def rays(feed, points):
    """Field (M, 3) by geometrical optics, and its path, cos^q: E = -E_i + 2 n (n.E_i) at the surface."""
    x, y, z = points.T
    place = np.stack([x, y, (x**2 + y**2) / 6], axis=1)
    away = place - feed.position
    r = np.linalg.norm(away, axis=1)
    theta, phi = direction_angles(away @ feed.frame.T)
    _, across, round_ = unit_vectors(theta, phi)
    e = (np.cos(phi)[:, None] * across - np.sin(phi)[:, None] * round_) @ feed.frame
    e = e * (np.cos(theta) ** feed.exponent / r)[:, None]
    n = np.stack([-x / 3, -y / 3, np.ones_like(x)], axis=1)
    n = n / np.linalg.norm(n, axis=1)[:, None]
    return 2 * n * np.sum(n * e, axis=1)[:, None] - e, r + z - place[:, 2]


# --- geometry ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rim", "area"),
    [
        # Area of the projection, 1/2 of the integral of the radius squared over phi (closed form).
        (SharpRim(0.5), np.pi * 0.25),
        (SerratedRim(0.3, 0.5, 30), np.pi * (0.09 + 0.3 * 0.2 + 0.04 / 3)),
        (SerratedRim(0.3, 0.5, 7, "cosine"), np.pi * (0.16 + 0.005)),
    ],
)
def test_areas_of_the_projection(rim, area):
    reflector = printed(rim)
    nodes = surface_nodes(reflector, reflector.feed(), step=0.02)
    assert nodes.area[:, 2].sum() == pytest.approx(area, rel=1e-12)
    x, y, z = nodes.position.T
    assert z == pytest.approx((x**2 + y**2) / 6, abs=1e-15)


def test_a_rolled_edge_closes_the_surface():
    # Integral of the normals = 1/2 of the integral of r x dr around the edge, whatever the surface within
    # (closed form). Nothing is in the dark for a feed far above, the edge turned by 80 deg.
    rim = RolledRim(0.5, 0.3, 0.2, np.radians(80))
    reflector = printed(rim)
    above = Feed((0, 0, 1e4), (0, 0, -1))
    nodes = surface_nodes(reflector, above, step=0.02)
    phi = 2 * np.pi * np.arange(400) / 400
    slope = (0.5 + 0.75 * np.sin(phi)) / 3
    out, up = 0.3 * np.sin(rim.turn), -0.2 * (1 - np.cos(rim.turn))
    size = np.hypot(1, slope)
    radius = 0.5 + (out - slope * up) / size
    start = (0.25 * np.cos(phi) ** 2 + (0.75 + 0.5 * np.sin(phi)) ** 2) / 6
    edge = np.stack(
        [radius * np.cos(phi), 0.75 + radius * np.sin(phi), start + (slope * out + up) / size], axis=1
    )
    order = np.fft.fftfreq(400, 1 / 400)
    along = np.fft.ifft(1j * order[:, None] * np.fft.fft(edge, axis=0), axis=0).real
    expected = 0.5 * np.cross(edge, along).sum(axis=0) * 2 * np.pi / 400
    assert nodes.area.sum(axis=0) == pytest.approx(expected, rel=1e-9, abs=1e-12)


def test_a_rolled_edge_ends_in_the_shadow():
    reflector = printed(ROLLED)
    feed = reflector.feed()
    nodes = surface_nodes(reflector, feed, step=0.02)
    towards = np.sum(nodes.area * (feed.position - nodes.position), axis=1)
    assert (towards > 0).all()
    # The last ring is next to where rays graze.
    cosine = (
        towards / np.linalg.norm(nodes.area, axis=1) / np.linalg.norm(feed.position - nodes.position, axis=1)
    )
    assert cosine.min() < 0.01


# --- field ---------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize(
    ("exponent", "axis"),
    [
        (0.0, "x"),
        (6.0, "y"),
        pytest.param(0.0, "y", marks=pytest.mark.slow),
        pytest.param(6.0, "x", marks=pytest.mark.slow),
    ],
)
def test_field_is_that_of_rays(exponent, axis):
    # With a rolled edge hardly anything else is in the zone: co- and cross-polar, all three components. The
    # next term of rays is -j z/(2k) lap(A), 1 % of A for cos^6 (parabolic equation of a wave exp(-jkz)).
    reflector = printed(ROLLED)
    feed = reflector.feed(exponent=exponent, polarisation=axis)
    points = plane_points(ZONE, step=0.03)
    field = reflected_field(reflector, feed, ZONE, frequency=28e9).field_at(points)
    expected, path = rays(feed, points)
    k = 2 * np.pi * 28e9 / SPEED_OF_LIGHT
    ratio = field * np.exp(1j * k * path)[:, None]
    largest = np.abs(expected).max()
    h = 0.01
    near = [rays(feed, points + sign * h * np.eye(3)[i])[0] for i in (0, 1) for sign in (1, -1)]
    depth = points[:, 2] - np.sum(points[:, :2] ** 2, axis=1) / 6
    expected = expected - 0.5j / k * depth[:, None] * (sum(near) - 4 * expected) / h**2
    assert np.abs(ratio - expected).max() < 0.006 * largest
    if exponent == 0:
        # Printed: +0.289/-0.389 dB at -+0.25 m (closed form 1/r, r = F + rho^2/(4F)).
        level = 20 * np.log10(1.59375 / np.array([1.5 + 0.25 / 6, 1.5 + 1 / 6]))
        assert level == pytest.approx((0.289, -0.389), abs=5e-4)
        at = ZONE.centre + 0.25 * np.array([[0, -1, 0], [0, 1, 0], [0, 0, 0]])
        e = np.linalg.norm(radiated_field(reflector_currents(reflector, feed, frequency=28e9), at), axis=1)
        # Within the 0.6 %, 0.05 dB, of either place.
        assert 20 * np.log10(e[:2] / e[2]) == pytest.approx(level, abs=0.06)


def zone_values(place, co, cross=None):
    """Taper dB, ripple dB, phase taper deg, phase ripple deg over a disc of 0.5 m; and the figures."""
    figures = evaluate(ProbedField(28e9, place, co, cross), Zone(0.25, "cylinder", centre=ZONE.centre))
    level, phase = figures.amplitude_db, figures.phase
    return (level.taper, level.ripple, np.degrees(phase.taper), np.degrees(phase.ripple)), figures


def raster(step):
    x = step * np.arange(-int(0.25 / step), int(0.25 / step) + 1)
    place = np.stack([a.ravel() for a in np.meshgrid(x, x, [0.0])], axis=1)
    return place[np.hypot(*place.T[:2]) <= 0.25 * (1 + 1e-9)] + ZONE.centre


def near(found, printed, part=0.0):
    """Within half a unit of the last digit, or ``part`` of the value."""
    for value, text in zip(found, printed.split(), strict=True):
        unit = 10.0 ** -len(text.partition(".")[2])
        assert value == pytest.approx(float(text), abs=0.5 * unit, rel=part)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("rim", "ghz", "printed_values"),
    [
        (SharpRim(0.5), 10, "1.2 2.3 12 26"),
        (SharpRim(0.5), 28, "0.8 2.9 0.7 26"),
        (SharpRim(0.5), 40, "1.2 5.9 1.1 12"),
        (SerratedRim(0.35, 0.5, 24), 10, "1.3 .62 14 8"),
        (SerratedRim(0.35, 0.5, 24), 28, ".72 .54 1.2 3.2"),
        (SerratedRim(0.35, 0.5, 24), 40, "1.0 .53 1.8 2.8"),
        (SerratedRim(0.35, 0.5, 36, "cosine"), 10, ".85 .75 13 4"),
        (SerratedRim(0.35, 0.5, 36, "cosine"), 28, ".67 .90 .3 4.4"),
        (SerratedRim(0.35, 0.5, 36, "cosine"), 40, ".85 .67 1.9 3.9"),
        (SerratedRim(0.3, 0.5, 30), 28, ".69 .38 4.0 2.4"),
        (SerratedRim(0.3, 0.5, 30), 40, ".75 .23 1.5 2.4"),
    ],
)
def test_printed_zones(rim, ghz, printed_values):
    # Printed by a prototype, cos^6 feed. The largest of thousands of values hangs on their places, which are
    # not known: of rasters of 2 to 12 mm, rings, and parts of a wavelength one of 5.5 mm comes nearest, 40 of
    # 48 values in the last digit, the others 1 to 5 % off.
    reflector = printed(rim)
    found = reflected_field(reflector, reflector.feed(exponent=6), ZONE, frequency=ghz * 1e9)
    read = found.probed(raster(0.005))
    values, figures = zone_values(read.position, read.co, read.cross)
    near(values, printed_values, 0.05)
    assert -31 < figures.cross_db < -26  # printed: -28 to -30 dB


def test_teeth_between_the_steps_of_a_plain_sum():
    # Printed at 10 GHz for 30 teeth: 1.3 .83 17 2.5. That is the sum at equal angles, 7 to a tooth, without
    # regard to where teeth begin; the number of currents printed, 8820 = 42 x 210, says so. On each flank by
    # itself the sum converges, to 0.68 dB and 2.0 deg.
    reflector, f = printed(SerratedRim(0.3, 0.5, 30)), 10e9
    feed, step = reflector.feed(exponent=6), SPEED_OF_LIGHT / f / 2
    rings, around = int(np.ceil(0.5 / step)) + 8, int(np.ceil(np.pi / step))
    assert rings * around == 8820
    phi = 2 * np.pi * np.arange(around) / around
    edge = 0.3 + 0.2 * np.abs(np.mod(phi * 30 / np.pi, 2) - 1)
    node, weight = np.polynomial.legendre.leggauss(rings)
    r = edge[:, None] * (node + 1) / 2
    x, y = r * np.cos(phi)[:, None], 0.75 + r * np.sin(phi)[:, None]
    place = np.stack([x, y, (x**2 + y**2) / 6], axis=-1).reshape(-1, 3)
    area = np.stack([-x / 3, -y / 3, np.ones_like(x)], axis=-1)
    area = area * (r * weight / 2 * (edge * 2 * np.pi / around)[:, None])[..., None]
    moment = 2 * np.cross(area.reshape(-1, 3), feed.magnetic_field(place, frequency=f))
    points, k = raster(SPEED_OF_LIGHT / f / 4), 2 * np.pi * f / SPEED_OF_LIGHT

    def values(currents):
        e = plane_waves_of(currents, ZONE).field_at(points - ZONE.centre, k)
        return zone_values(points, e[:, 0])[0]

    near(values(Currents(f, place, moment)), "1.25 .83 17 2.5")
    ours, finer = (values(reflector_currents(reflector, feed, frequency=f, step=s)) for s in (0.5, 0.2))
    # Plane waves are good to 1e-4 of the field: 1e-3 dB, 6e-3 deg.
    assert ours == pytest.approx(finer, abs=0.02)
    near(ours, "1.19 .68 17 2.0")


@pytest.mark.slow
def test_feed_displaced_sideways_tilts_the_wave():
    # Phase k d.u^ at each surface point, u^ from the focus to it (closed form), fitted over the zone.
    reflector, f = printed(ROLLED), 28e9
    moved = np.array([0.005, 0, 0])
    points = plane_points(ZONE, step=0.01)
    figures = evaluate(
        reflected_field(reflector, reflector.feed(displacement=moved, exponent=6), ZONE, frequency=f).probed(
            points
        ),
        ZONE,
    )
    x, y, _ = points.T
    place = np.stack([x, y, (x**2 + y**2) / 6], axis=1) - reflector.focus
    path = place @ moved / np.linalg.norm(place, axis=1)
    terms = np.stack([np.ones_like(x), x, y], axis=1)
    slope = np.linalg.lstsq(terms, path, rcond=None)[0]
    assert np.degrees(slope[1]) == pytest.approx(0.179, abs=5e-4)  # printed
    # A wave of phase k s x travels towards -x by asin(s). (By the prototype's physical optics, its rim not
    # named, 0.177; ours gives 0.180 to 0.182 on a line of 0.5 m for a sharp rim and teeth.)
    assert np.degrees(figures.tilt[0]) == pytest.approx(-np.degrees(np.arcsin(slope[1])), abs=5e-4)
    assert abs(np.degrees(figures.tilt[1])) < 1e-3


@pytest.mark.slow
def test_feed_displaced_along_the_axis_bends_the_phase():
    # Against the field without displacement; along x.
    reflector, k = printed(ROLLED), 2 * np.pi * 28e9 / SPEED_OF_LIGHT
    x = np.linspace(-0.25, 0.25, 101)
    points = np.stack([x, np.full_like(x, 0.75), np.full_like(x, 2.5)], axis=1)

    def bent(phase):
        """Largest minus smallest of a fit of degree 2."""
        return np.degrees(np.ptp(np.polyval(np.polyfit(x, phase, 2), x)))

    plain, moved = (
        reflected_field(reflector, reflector.feed(displacement=(0, 0, d), exponent=6), ZONE, frequency=28e9)
        .probed(points)
        .co
        for d in (0, 0.005)
    )
    place = np.stack([x, points[:, 1], (x**2 + 0.75**2) / 6], axis=1) - reflector.focus
    path = k * 0.005 * place[:, 2] / np.linalg.norm(place, axis=1)
    assert bent(path) == pytest.approx(2.06, abs=0.005)  # printed; the path itself 2.055
    # (By the prototype's physical optics 1.95, of a rim that is not named.)
    assert bent(np.unwrap(np.angle(moved / plain))) == pytest.approx(bent(path), abs=0.005)


def test_a_feed_of_modes_is_its_sources(rng):
    # Z0 H = j/k curl E of the closed form, by central differences: 1e-3 of a wavelength, (k h)^2/6 = 7e-6.
    cluster = device(rng)
    feed = Feed((0.1, 0, 1.5), (0, 0.3, -1), (1, 0.2, 0), modes=modes_of(cluster, 20))
    points = rng.uniform(-0.2, 0.2, (20, 3))
    h = feed.magnetic_field(points, frequency=FREQUENCY)

    def electric(at):
        own = (at - feed.position) @ feed.frame.T
        theta, phi = direction_angles(own)
        parts = near_field(
            cluster, frequency=[FREQUENCY], theta=theta, phi=phi, radius=np.linalg.norm(own, axis=1)
        )
        return (
            sum(p[0][:, None] * a for p, a in zip(parts, unit_vectors(theta, phi), strict=True)) @ feed.frame
        )

    step = 1e-3 * 2 * np.pi / K
    slope = [(electric(points + step * a) - electric(points - step * a)) / (2 * step) for a in np.eye(3)]
    curl = np.stack([slope[i][:, j] - slope[j][:, i] for i, j in ((1, 2), (2, 0), (0, 1))], axis=1)
    expected = 1j / (K * WAVE_IMPEDANCE) * curl
    assert np.abs(h - expected).max() < 3e-5 * np.abs(expected).max()


def test_the_incident_field_is_that_of_the_probe():
    reflector = printed(SerratedRim(0.3, 0.5, 30))
    found = reflected_field(reflector, reflector.feed(polarisation="y"), ZONE, frequency=10e9)
    incident = found.incident()
    assert incident.polarisation == pytest.approx([0, 1, 0], abs=1e-12)
    assert found.probed(ZONE.centre[None]).co[0] == pytest.approx(incident.amplitude, rel=1e-9)
    # About a place off the centre: the same field there, of plane waves.
    shift, points = np.array([0.05, -0.02, 0.0]), np.array([[0.01, 0.02, 0.0005], [0, 0, 0]])
    moved = found.incident(shift).field_at(points)
    whole = found.field_at(points + shift + ZONE.centre)
    # Many at once are summed fast, to 1e-7 of the norm of the waves.
    assert np.abs(moved - whole).max() < 1e-6 * np.abs(whole).max()


@pytest.mark.slow
def test_near_in_wavelengths_all_is_summed_directly():
    reflector = printed(SerratedRim(0.3, 0.5, 30))
    found = reflected_field(reflector, reflector.feed(), Zone(0.2, centre=(0, 0.75, 1.6)), frequency=2e9)
    assert found.waves is None
    with pytest.raises(ValueError, match="too near for plane waves: state the degree"):
        found.incident()
    points, shift = np.array([[0.05, -0.03, 0.04], [0, 0, 0]]), np.array([0.1, 0.0, -0.05])
    expected = radiated_field(found.currents, points + shift + found.zone.centre)
    # kr = 3 at the farthest point, sources at kr above 40.
    assert (
        np.abs(found.incident(shift, degree=20).field_at(points) - expected).max()
        < 1e-7 * np.abs(expected).max()
    )
    assert found.field_at(points + shift + found.zone.centre) == pytest.approx(expected)


# --- bad input -----------------------------------------------------------------------------------


def test_what_is_refused():
    reflector = printed(SharpRim(0.5))
    away = Feed((0, 0, 1.5), (0, 0, 1), exponent=6)
    beside = Feed((0, 0, 1.5), (1, 0, 0), (0, 1, 0), exponent=20)
    none = Feed((0, 0, 1.5), (0, 0, -1), modes=modes_of(device(np.random.default_rng(1), count=1), 4))
    how = {"frequency": 3e9}
    for make, says in (
        (lambda: SharpRim(0), "radius of the rim is 0"),
        (lambda: SerratedRim(0.5, 0.5, 30), "30 teeth from 0.5 to 0.5 m"),
        (lambda: SerratedRim(0.4, 0.5, 30, "round"), "shape of the teeth is 'round'"),
        (lambda: RolledRim(0.5, 0.1, 0.1, 4), "turn of the rolled rim is 229"),
        (lambda: Reflector(0, 0, SharpRim(1)), "focal_length is 0"),
        (lambda: Reflector(1, -1, SharpRim(1)), "offset is -1"),
        (lambda: Feed((0, 0, 1), (0, 0, 0)), "aim of the feed is .0, 0, 0."),
        (lambda: Feed((0, 0, 1), (1, 0, 0)), "polarisation of the feed is along its aim"),
        (lambda: Feed((0, 0, 1), (0, 0, 1), exponent=-1), "exponent of the feed is -1"),
        (lambda: reflector_currents(reflector, away, **how), "does not light the reflector.*aim it at"),
        (lambda: reflector_currents(reflector, beside, **how), "does not light the reflector"),
        (lambda: reflector_currents(reflector, none, frequency=4e9), "feed has no modes at 4 GHz"),
        (lambda: reflector_currents(reflector, reflector.feed(), step=0, **how), "step is 0 wavelengths"),
        (lambda: reflector_currents(reflector, reflector.feed(), frequency=1e12), "currents are too many"),
        (lambda: Feed((0, 0, 0), (0, 0, 1)).magnetic_field([[0, 0, 0]], **how), "feed is at a point"),
    ):
        with pytest.raises(ValueError, match=says):
            make()
