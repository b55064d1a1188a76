"""Peak, cuts, beamwidths and sidelobes: closed forms, and the textbook expansion searched."""

import numpy as np
import oracle
import pytest
from patterns import HUYGENS, POWER_RTOL, TURNSTILE, Z_DIPOLE, project
from scipy.optimize import brentq, minimize, minimize_scalar

from nf2ff.antenna import fields
from nf2ff.antenna.modes import Modes, mode_count, mode_numbers
from nf2ff.metrics import beam, cuts, maxima

#: A direction moves by the error of the slope of U over its curvature. A patch of the search
#: reaches w = pi/4N to either side; transforms at its nodes err by 1e-12 of the field, the slope of
#: the polynomial through 12 of them by 11^2/w times that (Markov's inequality), that of U by 2 E
#: times as much; with a curvature of N^2 U/4 or more that makes 1.3e-9/N rad. But steps are taken
#: only where U does not fall, and U is rounded, to 4 eps or so: N^2 x^2/8 of that is x = 8.4e-8/N.
DIRECTION_ATOL = 8.6e-8
#: Whatever the degree, 1e-4 deg are promised.
PROMISED_ATOL = np.radians(1e-4)


def raised_cosine(p):
    """x-polarised ((1 + cos theta)/2)^p, a Huygens source for p = 1: degree p, |m| = 1."""

    def field(theta, phi):
        f = np.cos(theta / 2) ** (2 * p)
        return f * np.cos(phi), -f * np.sin(phi)

    return project(field, p, 1)


def sharp_beam(theta, phi, polarisation, degree, taper=None):
    """Largest directivity of a degree in a direction, N^2 + 2N, or less with a ``taper``."""
    q = oracle.far_waves(degree, [theta], [phi])[0].conj() @ np.array(polarisation)
    return q if taper is None else q * np.exp(-((mode_numbers(degree)[2] / taper) ** 2))


def intensity(modes, theta, phi):
    """U by the textbook's expansion."""
    e = oracle.far_field(modes.coefficients[0], modes.degree, theta, phi)
    return np.sum(np.abs(e) ** 2, axis=-1) / (2 * oracle.Z0)


def direction(theta, phi):
    return np.array([np.sin(theta) * np.cos(phi), np.sin(theta) * np.sin(phi), np.cos(theta)])


# --- peak ----------------------------------------------------------------------------------


def brute_force_peak(modes):
    """Direction and U of the maximum of the textbook's expansion, by a dense grid and a simplex."""
    # A lobe of degree 6 is 30 deg wide.
    t, p = np.meshgrid(np.linspace(0, np.pi, 31), np.radians(np.arange(0, 360, 6)), indexing="ij")
    t, p = t.ravel(), p.ravel()
    order = np.argsort(-intensity(modes, t, p))
    starts = []
    for r in np.stack([direction(t[i], p[i]) for i in order[:50]]):
        if len(starts) < 3 and all(np.linalg.norm(r - other) > 0.3 for other in starts):
            starts.append(r)
    best, where = -np.inf, None
    for r in starts:
        tangents = np.linalg.svd(r[None])[2][1:]

        def loss(x, r=r, tangents=tangents):
            v = r + x @ tangents
            return -intensity(modes, [np.arctan2(np.hypot(*v[:2]), v[2])], [np.arctan2(v[1], v[0])])[0]

        simplex = [[0, 0], [0.02, 0], [0, 0.02]]
        options = {"initial_simplex": simplex, "xatol": 1e-9, "fatol": 1e-15}
        found = minimize(loss, [0, 0], method="Nelder-Mead", options=options)
        if -found.fun > best:
            v = r + found.x @ tangents
            best, where = -found.fun, v / np.linalg.norm(v)
    return where, best


@pytest.mark.slow
@pytest.mark.parametrize(
    ("theta", "phi", "disorder"),
    [(0.03, 5.0, 0.3), (1.9, 3.3, 0.3), (np.pi - 0.02, 1.0, 0.3), (0.0, 0.0, 100.0)],
)
def test_peak_agrees_with_brute_force(random_q, theta, phi, disorder):
    # Steered beams made lopsided, near the poles too; disorder alone has many lobes of one level.
    degree = 6
    q, noise = sharp_beam(theta, phi, [0.8, 0.6j], degree), random_q(degree)
    q = q / np.linalg.norm(q) + disorder * noise / np.linalg.norm(noise)
    modes = Modes([1e9], [q])
    expected, level = brute_force_peak(modes)
    found = beam.peak(modes)
    apart = np.linalg.norm(direction(found.theta[0], found.phi[0]) - expected)
    # The simplex itself stops where U changes by rounding: sqrt(1e-16) / N of a radian, or so.
    assert apart < DIRECTION_ATOL / degree + 1e-7
    assert apart < PROMISED_ATOL
    np.testing.assert_allclose(found.eirp, 4 * np.pi * level, rtol=POWER_RTOL)


@pytest.mark.slow
@pytest.mark.parametrize("degree", [1, 3, 20, 60])
def test_peak_of_the_largest_directivity(degree):
    # Check values, section 1, closed form: maximum directivity N^2 + 2N, in any direction.
    where = [(1.234, 0.0), (1e-3, 6.2), (np.pi - 1e-5, 4.0), (2.5, 3.0)]
    polarisations = [[1, 0], [0.6, 0.8j], [1, 1j], [0, 1]]
    q = [sharp_beam(*w, p, degree) for w, p in zip(where, polarisations, strict=True)]
    peak = beam.peak(Modes(np.arange(1, 5) * 1e9, q))
    np.testing.assert_allclose(peak.directivity, degree**2 + 2 * degree, rtol=POWER_RTOL)
    for i, (t, p) in enumerate(where):
        apart = np.linalg.norm(direction(peak.theta[i], peak.phi[i]) - direction(t, p))
        assert apart < DIRECTION_ATOL / degree


def test_peak_is_the_same_every_time_on_a_ridge_and_between_equals():
    # The equator of a dipole; +z before -z for a turnstile.
    peak = beam.peak(Z_DIPOLE)
    np.testing.assert_allclose(peak.theta, np.pi / 2, atol=DIRECTION_ATOL)
    assert peak.phi[0] == 0
    peak = beam.peak(TURNSTILE)
    assert peak.theta[0] == 0
    np.testing.assert_allclose(peak.directivity, 1.5, rtol=POWER_RTOL)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(5))
def test_peak_of_a_body_of_revolution(seed):
    # Rings of equal intensity: a search along theta alone, on the textbook's expansion, must agree.
    degree, rng = 9, np.random.default_rng(seed)
    q = rng.normal(size=mode_count(degree)) + 1j * rng.normal(size=mode_count(degree))
    modes = Modes([1e9], [np.where(mode_numbers(degree)[1] == 0, q, 0)])

    def level(theta):
        return -intensity(modes, np.atleast_1d(theta), np.zeros(1))

    theta = np.linspace(0, np.pi, 2001)
    start = theta[np.argmin(intensity(modes, theta, 0 * theta) * -1)]
    options = {"xatol": 1e-10}
    bounds = (start - 0.003, start + 0.003)
    top = minimize_scalar(lambda t: level(t)[0], bounds=bounds, method="bounded", options=options)
    peak = beam.peak(modes)
    np.testing.assert_allclose(peak.theta, top.x, atol=DIRECTION_ATOL / degree + 1e-7)
    np.testing.assert_allclose(peak.eirp, -4 * np.pi * top.fun, rtol=POWER_RTOL)
    assert peak.phi[0] == 0


class FanBeam:
    """Dipoles in line, tilted, with a ridge all round, and one across that lifts one end of it."""

    def __init__(self, seed):
        rng = np.random.default_rng(seed)
        self.axis, self.other = (v / np.linalg.norm(v) for v in rng.normal(size=(2, 3)))

    def vector(self, r):
        place = 0.5 * (np.arange(7) - 3)
        factor = np.exp(2j * np.pi * np.multiply.outer(r @ self.axis, place)).sum(-1)[..., None]
        line, across = (u - (r @ u)[..., None] * r for u in (self.axis, self.other))
        return line * factor + (0.4 + 0.2j) * across

    def field(self, theta, phi):
        r, *units = oracle.cartesian(theta, phi)
        return tuple(np.sum(self.vector(r) * unit, axis=-1) for unit in units)

    def highest(self):
        """Direction and |E|^2 of the peak, searched along the ridge by the closed form."""

        def level(x):
            return -np.sum(np.abs(self.vector(x / np.linalg.norm(x))) ** 2)

        tangents = np.linalg.svd(self.axis[None])[2][1:]
        turn = np.linspace(0, 2 * np.pi, 60)
        ridge = np.cos(turn)[:, None] * tangents[0] + np.sin(turn)[:, None] * tangents[1]
        start = ridge[np.argmin([level(r) for r in ridge])]
        options = {"xatol": 1e-10, "fatol": 1e-15, "maxiter": 2000}
        found = minimize(level, start, method="Nelder-Mead", options=options)
        return found.x / np.linalg.norm(found.x), -found.fun


@pytest.mark.slow
def test_peaks_on_oblique_ridges(monkeypatch):
    # The grid meets the ridges askew, so that its local maxima lie far from the highest points.
    fans = [FanBeam(seed) for seed in range(5)]
    # k r0 = 9.4; beyond degree 26 there is less than 1e-10 of the field.
    q = [project(fan.field, 26, 26).coefficients[0] for fan in fans]
    calls = []
    sample = maxima.sample_patches
    monkeypatch.setattr(maxima, "sample_patches", lambda *a, **k: calls.append(1) or sample(*a, **k))
    peak = beam.peak(Modes(1e9 * np.arange(1, 6), q))
    assert len(calls) > 1
    for f, fan in enumerate(fans):
        expected, level = fan.highest()
        np.testing.assert_allclose(peak.eirp[f], 2 * np.pi / oracle.Z0 * level, rtol=1e-9)
        # Opposite directions are equal, since the field of such a set of dipoles is even: of them
        # the one of smallest theta is given.
        assert peak.theta[f] <= np.pi / 2
        u = direction(peak.theta[f], peak.phi[f])
        apart = min(np.linalg.norm(u - expected), np.linalg.norm(u + expected))
        # The curvature along the ridge is a few per cent of U, so that 1e-10 of the field moves
        # it by 1e-8 or so, and the simplex stops where U changes by rounding, 1e-7.
        assert apart < 1e-6


@pytest.mark.slow
def test_peak_of_degree_100_takes_one_grid_and_few_patches(monkeypatch):
    # Time goes into directions: the grid of steps pi/4N, its rings and places rounded up to sizes
    # that suit the transforms, and the neighbourhood of the one lobe.
    degree = 100
    modes = Modes([1e9], [sharp_beam(0.5, 2.0, [1, 0], degree, taper=60)])
    count = []

    def counted(call):
        def counting(*given, **options):
            field = call(*given, **options)
            count.append(field[0].size)
            return field

        return counting

    for name in ("far_field_grid", "far_field_points"):
        monkeypatch.setattr(fields, name, counted(getattr(fields, name)))
    beam.peak(modes)
    grid = (4 * degree + 1) * 8 * degree
    assert grid <= sum(count) < 1.1 * grid


def test_peak_checks_its_own_shape():
    with pytest.raises(ValueError, match="phi has 1 values, expected 2"):
        beam.Peak([0, 1], [0], [1, 1], None)


# --- cuts ----------------------------------------------------------------------------------


def test_cut_runs_smoothly_through_the_poles(random_q):
    modes = Modes([1e9, 2e9], [random_q(5), random_q(5)])
    theta = np.array([-np.pi, -2.0, -1e-6, 0.0, 1e-6, 1.1, np.pi])
    found = cuts.cut(modes, phi=0.7, theta=theta)
    for f in range(2):
        front = oracle.far_field(modes.coefficients[f], 5, np.abs(theta), 0.7 + 0 * theta)
        back = oracle.far_field(modes.coefficients[f], 5, np.abs(theta), 0.7 + np.pi + 0 * theta)
        expected = np.where(theta[:, None] < 0, -back, front)
        size = np.abs(expected).max()
        np.testing.assert_allclose(np.stack(found, -1)[f], expected, atol=1e-11 * size)
        # A microradian apart the field differs by at most degree x 1e-6.
        for e in found:
            np.testing.assert_allclose(e[f, [2, 4]], e[f, 3], atol=1e-5 * size)
    with pytest.raises(
        ValueError, match=r"^theta of a direction lies in .* rad, and is 3\.2: convert it if it is in deg"
    ):
        cuts.cut(modes, phi=0, theta=[3.2])


def test_great_circle_is_the_field_along_and_across_it(random_q):
    modes = Modes([1e9], [random_q(4)])
    theta, phi, plane = 0.8, 4.0, 0.6
    angle = np.linspace(-3, 3, 25)
    along, across = cuts.cut_through(modes, theta=theta, phi=phi, plane=plane, angle=angle)
    origin, unit_theta, unit_phi = oracle.cartesian(theta, phi)
    start = np.cos(plane) * unit_theta + np.sin(plane) * unit_phi
    r = np.outer(np.cos(angle), origin) + np.outer(np.sin(angle), start)
    t, p = np.arccos(r[:, 2]), np.arctan2(r[:, 1], r[:, 0])
    e = oracle.far_field(modes.coefficients[0], 4, t, p)
    _, ut, up = oracle.cartesian(t, p)
    vector = e[:, :1] * ut + e[:, 1:] * up
    tangent = np.gradient(r, angle, axis=0, edge_order=2)  # any tangent of the right sense
    tangent /= np.linalg.norm(tangent, axis=1)[:, None]
    tangent -= np.sum(tangent * r, axis=1)[:, None] * r
    tangent /= np.linalg.norm(tangent, axis=1)[:, None]
    size = np.abs(e).max()
    np.testing.assert_allclose(along[0], np.sum(vector * tangent, 1), atol=1e-11 * size)
    normal = np.cross(origin, start)
    np.testing.assert_allclose(across[0], vector @ normal, atol=1e-11 * size)


def test_great_circle_through_the_axis_is_the_cut(random_q):
    modes = Modes([1e9], [random_q(4)])
    theta = np.linspace(-3.1, 3.1, 9)
    found = cuts.cut(modes, phi=1.3, theta=theta)
    circle = cuts.cut_through(modes, theta=0, phi=0, plane=1.3, angle=theta)
    np.testing.assert_allclose(circle, found, atol=1e-11 * np.abs(found).max())


@pytest.mark.parametrize("p", [1, 2, 5, 11])
def test_raised_cosine_directivity_and_beamwidth(p):
    # Closed form: 4 pi / (2 pi int ((1 + x)/2)^2p dx) = 2p + 1; half power at cos^4p(a/2) = 1/2.
    modes = raised_cosine(p)
    peak = beam.peak(modes)
    np.testing.assert_allclose(peak.directivity, 2 * p + 1, rtol=POWER_RTOL)
    assert peak.theta[0] == 0
    assert peak.phi[0] == 0
    for plane in (0, 0.7, np.pi / 2):
        width = beam.half_power_beamwidth(modes, plane=plane, at=peak)
        np.testing.assert_allclose(width, 4 * np.arccos(2 ** (-1 / (4 * p))), atol=1e-11)
        width = beam.beamwidth(modes, drop_db=20, plane=plane, at=peak)
        np.testing.assert_allclose(width, 4 * np.arccos(10 ** (-2 / (4 * p))), atol=1e-10)


def test_dipole_beamwidth():
    # Closed form: sin^2 falls to 1/2 at +-45 deg; in the plane of the equator it never does.
    np.testing.assert_allclose(beam.half_power_beamwidth(Z_DIPOLE), np.pi / 2, atol=1e-11)
    assert np.isnan(beam.half_power_beamwidth(Z_DIPOLE, plane=np.pi / 2)[0])
    # A turnstile's least intensity, at the horizon, is half its largest, no less: on the level.
    assert np.isnan(beam.half_power_beamwidth(TURNSTILE)[0])
    width = beam.beamwidth(TURNSTILE, drop_db=2)
    np.testing.assert_allclose(width, 2 * np.arccos(np.sqrt(2 * 10**-0.2 - 1)), atol=1e-11)


def steered_array(count, step, lean):
    """E_theta of z-dipoles along z, ``step`` wavelengths apart, their phases advancing."""
    place = step * (np.arange(count) - (count - 1) / 2)

    def field(theta, phi):
        psi = 2 * np.pi * np.multiply.outer(np.cos(theta) - lean, place)
        return np.sin(theta) * np.exp(1j * psi).sum(-1), 0 * phi

    # Beyond k r0 + 24 there is less than 1e-14 of the field.
    return field, int(np.pi * step * (count - 1)) + 24, 0


def far_lobes(count):
    """x-polarised, Ludwig-3: a sum of ``count`` cosines raised sideways, without a back lobe."""

    def field(theta, phi):
        half = np.where(np.abs(np.sin(theta / 2)) < 1e-9, 1e-9, theta / 2)
        f = np.sin(count * half) / (count * np.sin(half))
        f = f * (1.5 - np.cos(theta)) ** 2 * (1 + np.cos(theta)) / 0.5
        return f * np.cos(phi), -f * np.sin(phi)

    return field, (count - 1) // 2 + 3, 1


@pytest.mark.slow
@pytest.mark.parametrize(
    ("source", "sharp"),
    [
        (steered_array(6, 0.6, 0.0), True),
        (steered_array(7, 0.5, 0.3), True),
        (steered_array(4, 1.5, 0.1), True),
        (far_lobes(11), False),
    ],
)
def test_beamwidth_and_sidelobes_against_the_closed_form(source, sharp):
    """The closed form is searched along the cut with scipy. ``sharp``: it has true nulls."""
    field, degree, order = source
    modes = project(field, degree, order)
    peak = beam.peak(modes)

    def closed(theta):
        return np.abs(field(np.asarray(theta), np.zeros_like(theta))[0]) ** 2

    near = minimize_scalar(
        lambda t: -closed(t),
        bounds=(peak.theta[0] - 0.05, peak.theta[0] + 0.05),
        method="bounded",
        options={"xatol": 1e-10},
    )
    np.testing.assert_allclose(peak.theta, near.x, atol=DIRECTION_ATOL / degree + 1e-7)

    def level(angle):
        return closed(peak.theta[0] + np.asarray(angle)) / closed(peak.theta[0])

    a = np.linspace(-np.pi, np.pi, 40000, endpoint=False)
    u = level(a)
    middle = a.size // 2
    for drop in (10 * np.log10(2), 10, 30) if sharp else (10 * np.log10(2), 10):
        ratio = 10 ** (-drop / 10)
        after = middle + int(np.argmax(u[middle:] < ratio))
        before = middle - int(np.argmax(u[middle::-1] < ratio))
        edges = [
            brentq(lambda x, r=ratio: level(x) - r, a[i], a[i + step], xtol=1e-14)
            for i, step in ((after, -1), (before, 1))
        ]
        width = beam.beamwidth(modes, drop_db=drop, at=peak)
        # 1e-12 of U at the peak over its slope, which is above 0.03 N U even 30 dB below.
        np.testing.assert_allclose(width, edges[0] - edges[1], atol=1e-10)

    tops = np.flatnonzero((u > np.roll(u, 1)) & (u > np.roll(u, -1)))
    tops = tops[(np.abs(tops - middle) > 20) & (u[tops] > 1e-12)]
    lobes = []
    for i in tops:
        bounds = (a[i] - 2e-4, a[i] + 2e-4)
        options = {"xatol": 1e-12}
        top = minimize_scalar(lambda x: -level(x), bounds=bounds, method="bounded", options=options)
        lobes.append((-top.fun, top.x))
    after = min((lobe for lobe in lobes if lobe[1] > 0), key=lambda lobe: lobe[1])
    before = max((lobe for lobe in lobes if lobe[1] < 0), key=lambda lobe: lobe[1])
    first, highest = max(after, before), max(lobes)
    found = beam.sidelobe_level(modes, at=peak)
    np.testing.assert_allclose(found.first, first[0], rtol=1e-9)
    np.testing.assert_allclose(found.highest, highest[0], rtol=1e-9)
    # Brent's search stops near the square root of rounding; symmetric cuts leave the side open.
    one_sided = abs(after[0] - before[0]) > 1e-6
    side = (lambda x: x) if one_sided else np.abs
    np.testing.assert_allclose(side(found.first_angle), side(first[1]), atol=1e-7)
    turn = np.angle(np.exp(1j * (np.abs(found.highest_angle) - abs(highest[1]))))
    np.testing.assert_allclose(turn, 0, atol=1e-7)
    if not sharp:
        assert found.highest > found.first


def test_a_cut_without_sidelobes():
    lobes = beam.sidelobe_level(HUYGENS)
    for value in (lobes.first, lobes.first_angle, lobes.highest, lobes.highest_angle):
        assert np.isnan(value).all()
    # A ridge is no lobe either.
    assert np.isnan(beam.sidelobe_level(Z_DIPOLE, plane=np.pi / 2).highest).all()
    # The other side of a dipole is.
    lobes = beam.sidelobe_level(Z_DIPOLE)
    np.testing.assert_allclose(lobes.first, 1, rtol=POWER_RTOL)
    np.testing.assert_allclose(lobes.first_angle, np.pi, atol=DIRECTION_ATOL)


@pytest.mark.slow
def test_sidelobe_of_the_largest_directivity_tends_to_the_uniform_circular_aperture():
    # Check values, section 2: uniform circular aperture -17.570 dB. The pattern of largest
    # directivity tends to that aperture's as the degree grows, with a difference of order 1/N.
    modes = [Modes([1e9], [sharp_beam(1.0, 2.0, [1, 0], n)]) for n in (40, 80)]
    level = [10 * np.log10(beam.sidelobe_level(m).first[0]) for m in modes]
    errors = np.abs(np.array(level) + 17.570)
    assert errors[1] < errors[0] < 1 / 40
    assert errors[1] < 0.01


def test_frequencies_are_kept_apart():
    # A Huygens source and a dipole, in one object and each alone.
    both = Modes([1e9, 2e9], np.concatenate([HUYGENS.coefficients, Z_DIPOLE.coefficients]))
    peak = beam.peak(both)
    np.testing.assert_allclose(peak.directivity, [3, 1.5], rtol=POWER_RTOL)
    width = beam.half_power_beamwidth(both, at=peak)
    # Huygens source, closed form: ((1 + cos a)/2)^2 = 1/2.
    np.testing.assert_allclose(width, [2 * np.arccos(2**0.5 - 1), np.pi / 2], atol=1e-11)
    with pytest.raises(ValueError, match="the peak has 2 frequencies, the modes have 1"):
        beam.half_power_beamwidth(HUYGENS, at=peak)


def test_peaks_of_many_frequencies_are_those_of_each(random_q):
    # All frequencies are searched together, with different numbers of lobes each.
    q = [random_q(6) + (0 if f % 2 else 3) * sharp_beam(0.5 * f, f, [1, 0.5j], 6) for f in range(6)]
    modes = Modes(1e9 * np.arange(1, 7), q)
    together = beam.peak(modes)
    for f in range(6):
        alone = beam.peak(modes.at(f))
        for name in ("theta", "phi", "directivity", "eirp"):
            np.testing.assert_allclose(
                getattr(together, name)[f], getattr(alone, name)[0], rtol=1e-9, atol=1e-9
            )


@pytest.mark.parametrize("drop", [0, -3, np.nan, np.inf])
def test_beamwidth_refuses_a_level_above_the_peak(drop):
    with pytest.raises(ValueError, match="expected a positive level below the peak"):
        beam.beamwidth(HUYGENS, drop_db=drop)
