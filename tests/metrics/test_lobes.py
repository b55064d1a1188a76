"""Nulls, back lobes, squint and cross-polar discrimination: closed forms and brute force."""

import numpy as np
import oracle
import pytest
from patterns import HUYGENS, TURNSTILE, Z_DIPOLE, modes_of, project
from scipy.optimize import minimize_scalar

from nf2ff.antenna.modes import Modes, mode_count
from nf2ff.metrics import beam, lobes, maxima
from nf2ff.metrics.regions import Cone

#: A search without derivatives leaves a gain of 1e-10 in the share that it makes large.
RATIO_RTOL = 1e-9
#: What it and the brute force of these tests leave together.
SEARCH_RTOL = 1e-8


def brute_force(value, cone):
    """Largest ``value(theta, phi)`` in a cone: a grid about its axis, then ever finer ones.

    Each of the five finer grids reaches two steps of the one before to either side and has a
    tenth of its step, down to 1e-6 of the first, within which a smooth maximum loses 1e-9 or less.
    """
    r, along, across = oracle.cartesian(cone.theta, cone.phi)

    def there(angle, turn):
        a, t = (x.ravel()[:, None] for x in np.meshgrid(angle, turn, indexing="ij"))
        v = np.cos(a) * r + np.sin(a) * (np.cos(t) * along + np.sin(t) * across)
        found = value(np.arctan2(np.hypot(v[:, 0], v[:, 1]), v[:, 2]), np.arctan2(v[:, 1], v[:, 0]))
        return found, np.repeat(angle, len(turn)), np.tile(turn, len(angle))

    angle, turn = np.linspace(0, cone.half_angle, 41), np.linspace(0, 2 * np.pi, 121)
    found, *places = there(angle, turn)
    steps = angle[1], turn[1]
    best = (x[np.argmax(found)] for x in places)
    for _ in range(5):
        angle, turn = (x + np.linspace(-2, 2, 41) * d for x, d in zip(best, steps, strict=True))
        found, *places = there(np.clip(angle, 0, cone.half_angle), turn)
        steps = tuple(d / 10 for d in steps)
        best = (x[np.argmax(found)] for x in places)
    return found.max()


def sharp_beam(theta, phi, polarisation, degree):
    """Largest directivity of a degree in a direction, N^2 + 2N."""
    return oracle.far_waves(degree, [theta], [phi])[0].conj() @ np.array(polarisation)


# --- nulls ---------------------------------------------------------------------------------


def z_array(weights, step, lean):
    """E_theta of z-dipoles along z, ``step`` wavelengths apart, beam at cos(theta) = lean."""
    place = step * (np.arange(len(weights)) - (len(weights) - 1) / 2)

    def field(theta, phi):
        psi = 2 * np.pi * np.multiply.outer(np.cos(theta) - lean, place)
        return np.sin(theta) * (np.exp(1j * psi) * weights).sum(-1), 0 * phi

    # Beyond k r0 + 24 there is less than 1e-14 of the field.
    return field, int(np.pi * step * (len(weights) - 1)) + 24


@pytest.mark.slow
@pytest.mark.parametrize(("count", "step", "lean"), [(6, 0.6, 0.0), (7, 0.5, 0.3), (10, 0.5, 0.0)])
def test_nulls_of_a_uniform_array(count, step, lean):
    # Closed form: the array factor sin(N psi/2)/sin(psi/2) has its first nulls where
    # step (cos(theta) - lean) = +-1/N wavelengths.
    field, degree = z_array(np.ones(count), step, lean)
    modes = project(field, degree, 0)
    peak = beam.peak(modes)
    nulls = lobes.first_nulls(modes, at=peak)
    after, before = (np.arccos(lean + sign / (count * step)) for sign in (-1, 1))
    # U is known to 1e-12 of the peak and has a curvature of about N^2 there.
    np.testing.assert_allclose(nulls.upper_angle, after - peak.theta, atol=1e-7)
    np.testing.assert_allclose(nulls.lower_angle, before - peak.theta, atol=1e-7)
    assert nulls.upper_angle[0] > 0 > nulls.lower_angle[0]
    assert max(nulls.upper[0], nulls.lower[0]) < 1e-20


def test_filled_nulls_against_the_closed_form():
    # A phase error fills the nulls; the closed form is searched along the cut with scipy.
    field, degree = z_array(np.exp(0.5j * np.array([0, 1, -1, 0.3, 1, 0])), 0.6, 0.1)
    modes = project(field, degree, 0)
    peak = beam.peak(modes)

    def level(angle):
        ends = [np.abs(field(peak.theta + a, np.zeros(1))[0]) ** 2 for a in (angle, 0.0)]
        return float(ends[0][0] / ends[1][0])

    nulls = lobes.first_nulls(modes, at=peak)
    for angle, value in ((nulls.upper_angle[0], nulls.upper[0]), (nulls.lower_angle[0], nulls.lower[0])):
        found = minimize_scalar(
            level, bounds=(angle - 0.05, angle + 0.05), method="bounded", options={"xatol": 1e-12}
        )
        assert found.fun > 1e-4
        # Brent's search stops near the square root of rounding.
        np.testing.assert_allclose(angle, found.x, atol=1e-7)
        np.testing.assert_allclose(value, found.fun, rtol=1e-9)
        # No minimum comes before it: the level falls all the way from the peak.
        way = [level(a) for a in np.linspace(0, angle, 200)]
        assert np.all(np.diff(way) < 0)


def test_the_only_null_counts_on_both_sides():
    # Closed form: a Huygens source has its one null, of the fourth order in the angle, behind.
    nulls = lobes.first_nulls(HUYGENS)
    np.testing.assert_allclose(nulls.upper_angle, np.pi, atol=1e-6)
    np.testing.assert_allclose(nulls.lower_angle, -np.pi, atol=1e-6)
    assert max(nulls.upper[0], nulls.lower[0]) < 1e-20
    # A dipole's lie along its axis; its equator has none; frequencies are kept apart.
    both = Modes([1e9, 2e9], [Z_DIPOLE.coefficients[0], HUYGENS.coefficients[0]])
    nulls = lobes.first_nulls(both)
    np.testing.assert_allclose(nulls.upper_angle, [np.pi / 2, np.pi], atol=1e-6)
    np.testing.assert_allclose(nulls.lower_angle, [-np.pi / 2, -np.pi], atol=1e-6)
    nulls = lobes.first_nulls(Z_DIPOLE, plane=np.pi / 2)
    for value in (nulls.upper, nulls.upper_angle, nulls.lower, nulls.lower_angle):
        assert np.isnan(value).all()


# --- front to back -------------------------------------------------------------------------


def uneven_huygens(electric, magnetic):
    """Electric dipole x and magnetic dipole y of unequal strength."""
    q = HUYGENS.coefficients[0].reshape(-1, 2) * [magnetic, electric]
    return Modes([1e9], [q.ravel()])


def test_front_to_back_ratio_of_uneven_dipoles():
    # Closed form: E_theta = (a cos(theta) + b) cos(phi), E_phi = -(a + b cos(theta)) sin(phi):
    # (a + b)^2 ahead, (a - b)^2 behind.
    modes = uneven_huygens(1.0, 0.5)
    np.testing.assert_allclose(lobes.front_to_back(modes), 9.0, rtol=1e-11)
    np.testing.assert_allclose(lobes.front_to_back(Z_DIPOLE), 1.0, rtol=1e-11)
    assert lobes.front_to_back(HUYGENS)[0] > 1e20
    # In a rear cone of half angle h the strongest is (a - b cos(h))^2, on its rim at phi = 90.
    for half in (0.1, 0.5, np.pi / 2):
        wanted = (1.5 / (1 - 0.5 * np.cos(half))) ** 2
        found = lobes.front_to_back(modes, rear_angle=half)
        np.testing.assert_allclose(found, wanted, rtol=RATIO_RTOL)
    # A dipole's back is as strong as its front, wherever the cone ends.
    np.testing.assert_allclose(lobes.front_to_back(Z_DIPOLE, rear_angle=0.4), 1.0, rtol=RATIO_RTOL)


@pytest.mark.slow
def test_front_to_back_ratio_of_any_antenna(random_q):
    degree = 8
    where = [(0.4, 1.0), (2.0, 5.0), (1.2, 0.0)]
    q = [sharp_beam(*w, [0.8, 0.6j], degree) for w in where]
    q = np.array([a + 0.2 * random_q(degree) * np.linalg.norm(a) / np.sqrt(a.size) for a in q])
    modes = Modes([1e9, 2e9, 3e9], q)
    peak = beam.peak(modes)
    opposite = lobes.front_to_back(modes, at=peak)
    rear = lobes.front_to_back(modes, at=peak, rear_angle=0.6)
    assert np.all(rear <= opposite)
    for f in range(3):
        cone = Cone(np.pi - peak.theta[f], peak.phi[f] + np.pi, 0.6)

        def level(theta, phi, f=f):
            return np.sum(np.abs(oracle.far_field(q[f], degree, theta, phi)) ** 2, axis=-1)

        front = level(peak.theta[f : f + 1], peak.phi[f : f + 1])[0]
        back = level([np.pi - peak.theta[f]], [peak.phi[f] + np.pi])[0]
        np.testing.assert_allclose(opposite[f], front / back, rtol=1e-10)
        np.testing.assert_allclose(front / rear[f], brute_force(level, cone), rtol=SEARCH_RTOL)


def one_of_many(seed, degree, number):
    """One of a hundred random antennas, chosen because a careless search goes wrong on it."""
    rng = np.random.default_rng(seed)
    shape = (100, mode_count(degree))
    return (rng.normal(size=shape) + 1j * rng.normal(size=shape))[number]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("seed", "degree", "number", "rear"),
    [
        (5, 8, 62, 1.0),  # more lobes than are climbed stand just outside, stronger than all within
        (7, 8, 21, 1.0),  # a square that shrinks too early stops short of these, on the rim
        (1, 5, 23, 1.0),
        (2, 12, 94, 0.3),
        (3, 12, 81, 0.3),
        (2, 8, 32, 1.0),  # the strongest is where the axis is
    ],
)
def test_rear_cones_of_random_antennas(seed, degree, number, rear):
    q = one_of_many(seed, degree, number)
    modes = Modes([1e9], [q])
    peak = beam.peak(modes)
    cone = Cone(np.pi - peak.theta[0], peak.phi[0] + np.pi, rear)

    def eirp(theta, phi):
        e = oracle.far_field(q, degree, theta, phi)
        return 2 * np.pi / oracle.Z0 * np.sum(np.abs(e) ** 2, axis=-1)

    found = peak.eirp[0] / lobes.front_to_back(modes, at=peak, rear_angle=rear)[0]
    np.testing.assert_allclose(found, brute_force(eirp, cone), rtol=SEARCH_RTOL)


def test_front_to_back_arguments():
    for angle in (-0.1, 1.6):
        with pytest.raises(ValueError, match=rf"rear_angle is {angle} rad, expected 0 .* to pi/2"):
            lobes.front_to_back(HUYGENS, rear_angle=angle)
    both = Modes([1e9, 2e9], np.ones((2, 6)))
    for call in (lobes.front_to_back, lobes.first_nulls):
        with pytest.raises(ValueError, match="the peak has 2 frequencies, the modes have 1"):
            call(HUYGENS, at=beam.peak(both))
    with pytest.raises(ValueError, match="the peak has 2 frequencies, the modes have 1"):
        lobes.squint(HUYGENS, theta=0, phi=0, at=beam.peak(both))
    with pytest.raises(ValueError, match="radiated power is 0 W"):
        lobes.front_to_back(Modes([1e9], [np.zeros(6)]))


# --- squint --------------------------------------------------------------------------------


def test_squint_from_the_z_axis():
    # Closed form: seen along the other axis, x/z = tan(theta) cos(phi), y/z = tan(theta) sin(phi).
    theta, phi = np.array([0.2, 0.3, 2.8]), np.array([0.5, 4.0, 2.0])
    q = [sharp_beam(t, p, [1, 0], 7) for t, p in zip(theta, phi, strict=True)]
    found = lobes.squint(Modes([1e9, 2e9, 3e9], q), theta=0, phi=0)
    np.testing.assert_allclose(found.angle, theta, atol=1e-7)
    x, y, z = np.sin(theta) * np.cos(phi), np.sin(theta) * np.sin(phi), np.cos(theta)
    np.testing.assert_allclose(found.along, np.arctan2(x, z), atol=1e-7)
    np.testing.assert_allclose(found.across, np.arctan2(y, z), atol=1e-7)


def test_squint_from_any_axis_in_any_plane():
    # A beam 0.1 rad from the axis on the great circle that leaves it at ``turn``: all of the
    # squint is in the plane of that angle, and in planes beside it tan splits by cosine and sine.
    axis, turn, off = (1.2, 2.5), 0.7, 0.1
    r, along, across = oracle.cartesian(*axis)
    v = np.cos(off) * r + np.sin(off) * (np.cos(turn) * along + np.sin(turn) * across)
    q = sharp_beam(np.arccos(v[2]), np.arctan2(v[1], v[0]), [1, 1j], 9)
    for plane in (turn, 0.0, turn - np.pi / 2, turn + np.pi):
        found = lobes.squint(Modes([1e9], [q]), theta=axis[0], phi=axis[1], plane=plane)
        np.testing.assert_allclose(found.angle, off, atol=1e-7)
        rest = turn - plane
        np.testing.assert_allclose(found.along, np.arctan(np.tan(off) * np.cos(rest)), atol=1e-7)
        np.testing.assert_allclose(found.across, np.arctan(np.tan(off) * np.sin(rest)), atol=1e-7)
    with pytest.raises(ValueError, match="plane is nan"):
        lobes.squint(Modes([1e9], [q]), theta=0, phi=0, plane=np.nan)


# --- cross-polar discrimination --------------------------------------------------------------


@pytest.mark.parametrize("half", [0.05, 0.5, 1.2])
def test_discrimination_of_a_dipole_by_ludwig(half):
    # Closed form: an x-dipole has E_theta = cos(theta) cos(phi), E_phi = -sin(phi), so by Ludwig-3
    # co = cos(theta) cos^2(phi) + sin^2(phi), cross = (cos(theta) - 1) sin(phi) cos(phi); with
    # t = tan(phi) the ratio (c + t^2)/((1 - c) t) is least at t^2 = c on the rim, c = cos(half).
    modes = modes_of({(2, -1, 1): -1, (2, 1, 1): 1})
    found = lobes.cross_polar_discrimination(modes, Cone(0, 0, half), "ludwig-3")
    c = np.cos(half)
    np.testing.assert_allclose(found.ratio, 4 * c / (1 - c) ** 2, rtol=RATIO_RTOL)
    np.testing.assert_allclose(found.theta, half, atol=1e-6)
    np.testing.assert_allclose(np.tan(found.phi) ** 2, c, rtol=1e-3)
    # Partial directivities: D = 3/2 (cos^2(theta) cos^2(phi) + sin^2(phi)).
    co = 1.5 * (c * np.cos(found.phi) ** 2 + np.sin(found.phi) ** 2) ** 2
    np.testing.assert_allclose(found.co, co, rtol=1e-9)
    # The y-dipole turned back by its reference angle has the same.
    y = modes_of({(2, -1, 1): -1j, (2, 1, 1): -1j})
    found = lobes.cross_polar_discrimination(y, Cone(0, 0, half), "ludwig-3", reference_angle=np.pi / 2)
    np.testing.assert_allclose(found.ratio, 4 * c / (1 - c) ** 2, rtol=RATIO_RTOL)


def test_discrimination_of_a_turnstile():
    # Closed form: right-hand 1 + cos(theta), left-hand 1 - cos(theta): worst on the rim.
    c = np.cos(0.6)
    right = lobes.cross_polar_discrimination(TURNSTILE, Cone(0, 0, 0.6), "circular")
    np.testing.assert_allclose(right.ratio, ((1 + c) / (1 - c)) ** 2, rtol=RATIO_RTOL)
    np.testing.assert_allclose(right.theta, 0.6, atol=1e-6)
    # Behind, the left-hand component is the strong one.
    left = lobes.cross_polar_discrimination(TURNSTILE, Cone(np.pi, 0, 0.6), "circular", co="second")
    np.testing.assert_allclose(left.ratio, ((1 + c) / (1 - c)) ** 2, rtol=RATIO_RTOL)
    # A cone that does not reach the axis: its rim at theta = 1.5 is the worst.
    c = np.cos(1.5)
    aside = lobes.cross_polar_discrimination(TURNSTILE, Cone(1.0, 2.0, 0.5), "circular")
    np.testing.assert_allclose(aside.ratio, ((1 + c) / (1 - c)) ** 2, rtol=RATIO_RTOL)
    np.testing.assert_allclose([aside.theta[0], aside.phi[0]], [1.5, 2.0], atol=1e-4)


@pytest.mark.slow
@pytest.mark.parametrize("slant", [0.2, -0.2, np.pi / 4])
def test_discrimination_of_a_dipole_at_a_slant(slant):
    # Closed form: the field lies along theta^ everywhere: cot^2 of the slant.
    found = lobes.cross_polar_discrimination(
        Z_DIPOLE, Cone(np.pi / 2, 1.0, 0.7), "linear", reference_angle=slant
    )
    np.testing.assert_allclose(found.ratio, 1 / np.tan(slant) ** 2, rtol=1e-12)
    # Without a slant there is no cross-polarisation at all.
    for basis in ("linear", "theta-phi"):
        none = lobes.cross_polar_discrimination(Z_DIPOLE, Cone(np.pi / 2, 1.0, 0.7), basis)
        assert none.ratio[0] > 1e20


def ratio_of(q, degree, theta, phi, basis, reference):
    """First over second component by the textbook's expansion and the definitions."""
    e_theta, e_phi = oracle.far_field(q, degree, theta, phi).T
    if basis == "circular":
        first, second = e_theta + 1j * e_phi, e_theta - 1j * e_phi
    elif basis == "linear":
        first = e_theta * np.cos(reference) + e_phi * np.sin(reference)
        second = e_phi * np.cos(reference) - e_theta * np.sin(reference)
    else:
        c, s = np.cos(phi - reference), np.sin(phi - reference)
        first, second = e_theta * c - e_phi * s, e_theta * s + e_phi * c
    return np.abs(first) ** 2 / np.abs(second) ** 2


@pytest.mark.slow
@pytest.mark.parametrize(("basis", "reference"), [("circular", 0), ("linear", 0.3), ("ludwig-3", 1)])
@pytest.mark.parametrize("half", [0.12, 0.3])
def test_discrimination_in_a_beam_against_brute_force(random_q, basis, reference, half):
    # Beams of three frequencies, each in a cone about its own peak, some disorder in each.
    degree, polarisation = 7, {"circular": [1, -1j], "linear": [np.cos(0.3), np.sin(0.3)]}
    where = [(0.9, 1.0), (1.6, 5.0), (2.2, 2.0)]
    q = []
    for theta, phi in where:
        along = polarisation.get(basis, [np.cos(phi - reference), -np.sin(phi - reference)])
        beam_q = sharp_beam(theta, phi, along, degree)
        noise = random_q(degree)
        q.append(beam_q + 0.1 * noise * np.linalg.norm(beam_q) / np.linalg.norm(noise))
    modes = Modes([1e9, 2e9, 3e9], q)
    peak = beam.peak(modes)
    found = lobes.cross_polar_discrimination(
        modes, Cone(peak.theta, peak.phi, half), basis, reference_angle=reference
    )
    for f in range(3):
        cone = Cone(peak.theta[f], peak.phi[f], half)
        there = ratio_of(q[f], degree, found.theta[f : f + 1], found.phi[f : f + 1], basis, reference)
        np.testing.assert_allclose(found.ratio[f], there[0], rtol=1e-8)
        away = oracle.cartesian(found.theta[f], found.phi[f])[0]
        centre = oracle.cartesian(peak.theta[f], peak.phi[f])[0]
        assert np.arccos(min(1.0, away @ centre)) <= half + 1e-7

        def worst(theta, phi, f=f):
            return 1 / ratio_of(q[f], degree, theta, phi, basis, reference)

        np.testing.assert_allclose(1 / found.ratio[f], brute_force(worst, cone), rtol=SEARCH_RTOL)


def test_a_maximum_is_followed_from_patch_to_patch():
    degree = 5
    q = one_of_many(6, degree, 1)
    modes = Modes([1e9], [q])
    peak = beam.peak(modes)
    cone = Cone(peak.theta[0], peak.phi[0], 0.6)
    found = lobes.cross_polar_discrimination(modes, cone, "circular")

    def share(theta, phi):
        return 1 / (1 + ratio_of(q, degree, theta, phi, "circular", 0))

    assert found.ratio[0] > 1e-3
    np.testing.assert_allclose(1 / (1 + found.ratio[0]), brute_force(share, cone), rtol=1e-9)


def test_the_highest_lobes_come_first_and_the_rest_where_they_are_not_enough(monkeypatch):
    # The first antenna's least discrimination is 6 %, the second has a null in the cone.
    q = np.random.default_rng(4).normal(size=(2, 12, mode_count(5)))
    modes = Modes([1e9, 2e9], (q[0] + 1j * q[1])[[1, 2]])
    top = beam.peak(modes)
    cone = Cone(top.theta, top.phi, 0.6)
    sample = maxima.sample_patches
    calls = []

    def recorded(modes, *, index, centre, **options):
        calls.append([centre[index == f] for f in (0, 1)])
        return sample(modes, index=index, centre=centre, **options)

    def ratio(first):
        monkeypatch.setattr(lobes, "_FIRST", first)
        calls.clear()
        return lobes.cross_polar_discrimination(modes, cone, "circular").ratio

    def known(some, all_):
        return (np.abs(some[:, None] - all_).max(axis=2) == 0).any(axis=1)

    monkeypatch.setattr(maxima, "sample_patches", recorded)
    together = ratio(24)
    whole = calls[0]
    assert together[0] > 0.05
    assert together[1] < 1e-4
    assert min(map(len, whole)) > 2
    apart = ratio(2)
    assert [len(x) for x in calls[0]] == [2, 2]
    # Looked at in the end: all of the first, the two highest of the second.
    seen = [np.concatenate([call[f] for call in calls]) for f in (0, 1)]
    assert known(whole[0], seen[0]).all()
    assert np.count_nonzero(known(whole[1], seen[1])) == 2
    np.testing.assert_allclose(apart[0], together[0], rtol=SEARCH_RTOL)
    assert apart[1] < 1e-4
    # Where nothing is ever enough, all come at once.
    calls.clear()
    lobes.front_to_back(modes, at=top, rear_angle=1.5)
    assert max(map(len, calls[0])) > 2


def test_discrimination_over_the_whole_sphere_is_nil():
    # Closed form: a turnstile's right-hand component (1 + cos(theta)) vanishes at -z. So has every
    # circular component a null somewhere, as no field of tangents is without one.
    whole = lobes.cross_polar_discrimination(TURNSTILE, Cone(1.0, 1.0, np.pi), "circular")
    assert whole.ratio[0] <= 1e-4
    np.testing.assert_allclose(whole.theta, np.pi, atol=0.3)


def test_a_null_of_the_co_polar_pattern_is_found():
    # Closed form: by Ludwig-3 an x-dipole has co = 0 at theta = 90 deg, phi = 0 and 180, not cross
    # (a rim at 100 deg lies beyond).
    modes = modes_of({(2, -1, 1): -1, (2, 1, 1): 1})
    found = lobes.cross_polar_discrimination(modes, Cone(0.3, 0.5, 1.5), "ludwig-3")
    assert found.ratio[0] <= 1e-4


def test_a_dark_cone_has_no_discrimination():
    # Behind a Huygens source D = 3 sin^4(a/2): at a = 1e-6, 2e-25, far below rounding.
    found = lobes.cross_polar_discrimination(HUYGENS, Cone(np.pi, 0, 1e-6), "circular")
    for value in (found.ratio, found.theta, found.phi, found.co, found.cross):
        assert np.isnan(value).all()
    lit = lobes.cross_polar_discrimination(HUYGENS, Cone(0, 0, 0.5), "ludwig-3")
    assert lit.ratio[0] > 1e20


@pytest.mark.parametrize(
    ("cone", "basis", "message"),
    [
        (Cone(0, 0, 0.1), "linear", r"pole theta = 0 deg, .* 'linear' .*'ludwig-3' or 'circular'$"),
        (Cone(1, 0, 1.0), "theta-phi", r"the pole theta = 0 deg, .* of 'theta-phi' have no"),
        (Cone(3, 0, 0.2), "linear", r"the pole theta = 180 deg, .* or 'circular'$"),
        (Cone(2, 0, 1.2), "ludwig-3", r"the pole theta = 180 deg, .* of 'ludwig-3' .*'circular'$"),
        (Cone([0.5, 3], [0, 0], 0.2), "ludwig-3", r"the pole theta = 180 deg"),
    ],
)
def test_cones_over_a_pole_that_a_basis_does_not_know(cone, basis, message):
    modes = Modes([1e9, 2e9], np.ones((2, 6)))
    with pytest.raises(ValueError, match=message):
        lobes.cross_polar_discrimination(modes, cone, basis)


def test_discrimination_arguments():
    cone = Cone(0, 0, 0.3)
    with pytest.raises(ValueError, match="co is 'left', expected 'first' or 'second'"):
        lobes.cross_polar_discrimination(HUYGENS, cone, "circular", co="left")
    with pytest.raises(ValueError, match="basis is 'ludwig-1', expected"):
        lobes.cross_polar_discrimination(HUYGENS, cone, "ludwig-1")
    with pytest.raises(ValueError, match="leave it out for 'circular'"):
        lobes.cross_polar_discrimination(HUYGENS, cone, "circular", reference_angle=1.0)
    with pytest.raises(ValueError, match="radiated power is 0 W"):
        lobes.cross_polar_discrimination(Modes([1e9], [np.zeros(6)]), cone, "circular")
    with pytest.raises(ValueError, match="the cone has 2 axes for 1 frequencies"):
        lobes.cross_polar_discrimination(HUYGENS, Cone([0, 1], [0, 0], 0.1), "circular")
