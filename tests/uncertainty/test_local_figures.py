"""Figures near a known result against the searches on the whole sphere, and their derivatives."""

import math
import re
from dataclasses import replace

import numpy as np
import oracle
import pytest
from patterns import HUYGENS, Z_DIPOLE, modes_of
from probe_oracle import cluster_modes
from scipy.spatial.transform import Rotation
from sources import K, X, Z, basis

from nf2ff.antenna.dipoles import array_of, huygens_source, line_array
from nf2ff.antenna.modes import SPEED_OF_LIGHT, Modes
from nf2ff.metrics import beam, patches
from nf2ff.metrics.gain_and_power import intensity
from nf2ff.metrics.planes import Plane
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.local_figures import localise

HALF = 10 * math.log10(2)
#: What the polynomials leave of the largest intensity (`patches`), times a few.
POLYNOMIAL = 1e-10
#: Directions of peaks found on the whole sphere, as tests of `beam` hold them, times the degree.
PEAK_ATOL = 2.2e-6

ANGLES = ("beamwidth", "pointing-theta", "pointing-phi")
EVERYTHING = (
    Figure("directivity"),
    Figure("eirp"),
    Figure("trp"),
    Figure("beamwidth", plane=0.4),
    Figure("beamwidth", plane=1.9, drop_db=10),
    Figure("pointing-theta"),
    Figure("pointing-phi"),
    Figure("sidelobe-level", plane=0.3),
    Figure("directivity-towards", theta=1.0, phi=0.3),
    Figure("eirp-towards", theta=2.0, phi=-4.0),
)
NAMES = [f.name for f in EVERYTHING]


def tilted_array(steer=(0.2, 0.1), size=1.6, taper=0.3, place=(0.3, -0.2, 0.1)):
    """Unequal array off the origin, its beam off its axis: nothing is symmetric."""
    element = huygens_source(direction=Z, polarisation=X)
    x, y = (v.ravel() for v in np.meshgrid(*2 * [np.linspace(-size / 2, size / 2, 5)]))
    y = 0.7 * y + 0.2 * x
    weights = np.exp(-1j * K * (steer[0] * x + steer[1] * y) - taper * x)
    return array_of(element, positions=np.stack([x, y, 0 * x], 1) + place, weights=weights)


def modes_at(antenna, degree=18, frequency=SPEED_OF_LIGHT):
    k = 2 * np.pi * frequency / SPEED_OF_LIGHT
    return Modes([frequency], [cluster_modes(antenna, k, degree)])


@pytest.fixture(scope="module")
def modes():
    return modes_at(tilted_array())


def shaken(modes, size, seed=1):
    """The same with all modes changed at random by a part ``size`` of the whole."""
    rng = np.random.default_rng(seed)
    q = modes.coefficients[0]
    change = rng.normal(size=q.size) + 1j * rng.normal(size=q.size)
    return Modes(modes.frequency, [q + size * np.linalg.norm(q) / np.linalg.norm(change) * change])


def unit(theta, phi):
    return basis(np.array([theta]), np.array([phi]))[:, 0]


#: The azimuth of the beam of `tilted_array`, 26 deg, rounded to steps of 15 deg, the nearest to
#: 37 deg / 8 / sin(12.4 deg), an eighth of its width.
AZIMUTH = math.radians(30)


def in_full(figure, modes, nominal, *, azimuth=AZIMUTH):
    """Value of a figure by the searches on the whole sphere, about a nominal peak.

    ``azimuth`` is that of the plane of phi that angles are counted from.
    """
    top = beam.peak(modes)
    r0, t0, p0 = unit(nominal.theta[0], nominal.phi[0])
    r, t, p = unit(top.theta[0], top.phi[0])
    if figure.name.startswith("pointing"):
        # Along the great circle from one peak to the other.
        axis = np.cross(r0, r)
        angle = math.atan2(np.linalg.norm(axis), r0 @ r)
        turn = angle / np.linalg.norm(axis) * axis if angle else axis
        return np.cross(turn, r0) @ (t0 if figure.name.endswith("theta") else p0)
    # The tangent of the circle about the normal of the plane of phi, turned about the peak.
    turn = Rotation.from_rotvec(figure.plane * r)
    tangent = turn.apply(np.cross([-math.sin(azimuth), math.cos(azimuth), 0], r))
    plane = Plane(top.phi[0], math.atan2(tangent @ p, tangent @ t))
    if figure.name == "beamwidth":
        return beam.beamwidth(modes, drop_db=figure.drop_db, plane=plane, at=top)[0]
    if figure.name == "sidelobe-level":
        return beam.sidelobe_level(modes, plane=plane, at=top).highest[0]
    if figure.name.endswith("towards"):
        e = oracle.far_field(modes.coefficients[0], modes.degree, [figure.theta], [figure.phi])
        u = 4 * np.pi * np.sum(np.abs(e) ** 2) / (2 * oracle.Z0)
        return u if figure.absolute else u / modes.radiated_power()[0]
    power = modes.radiated_power()[0]
    return {"directivity": top.directivity[0], "eirp": top.eirp[0], "trp": power}[figure.name]


def tolerance(figure, modes):
    """Absolute tolerance of a figure against `in_full`.

    A crossing moves by the error of the level over its slope, which near the half-power and -10 dB
    points of a beam is at least 0.1 of the peak for each 1/N of angle; what else is not exact is
    the direction of the peak, of second order in a width, of first order where the lobe or the
    crossing is one of a beam that lies askew: slopes across of at most 2 N (Bernstein).
    """
    n = modes.degree
    if figure.name.startswith("pointing"):
        return 2 * PEAK_ATOL / n
    if figure.name == "beamwidth":
        return (10 * POLYNOMIAL + 2 * PEAK_ATOL) / n
    if figure.name == "sidelobe-level":
        return POLYNOMIAL + 4 * PEAK_ATOL * 0.05  # of lobes below -13 dB
    return POLYNOMIAL * in_full(figure, modes, beam.peak(modes))


# --- values --------------------------------------------------------------------------------------


@pytest.mark.parametrize("figure", EVERYTHING, ids=NAMES)
def test_nominal_values(modes, figure):
    (local,) = localise([figure], modes)
    value = in_full(figure, modes, beam.peak(modes))
    assert local.nominal[0] == pytest.approx(value, rel=0, abs=tolerance(figure, modes))


@pytest.mark.parametrize("size", [1e-3, 1e-2, 3e-2, 0.1])
@pytest.mark.parametrize("figure", EVERYTHING, ids=NAMES)
def test_values_of_other_modes(modes, figure, size):
    other = shaken(modes, size)
    (local,) = localise([figure], modes)
    found = local.values(other.coefficients)
    value = in_full(figure, other, beam.peak(modes))
    assert found.shape == (1, 1)
    assert found[0, 0] == pytest.approx(value, rel=0, abs=tolerance(figure, other))


@pytest.mark.parametrize("figure", EVERYTHING, ids=NAMES)
def test_values_where_the_peak_is_far_off(modes, figure):
    # Beyond the patch about the nominal peak, where it is searched anew.
    other = modes_at(tilted_array(steer=(0.3, 0.15)))
    (local,) = localise([figure], modes)
    moved = beam.peak(other)
    apart = np.linalg.norm(unit(moved.theta[0], moved.phi[0])[0] - local.frame[0])
    assert apart * modes.degree > 1.5 * patches.PATCH
    value = in_full(figure, other, beam.peak(modes))
    found = local.values(other.coefficients)[0, 0]
    assert found == pytest.approx(value, rel=0, abs=tolerance(figure, other))


def test_values_of_many_at_once(modes):
    (local,) = localise(EVERYTHING, modes)
    q = np.stack([shaken(modes, s, seed).coefficients[0] for seed, s in enumerate([0, 0.01, 0.2])])
    together = local.values(q.reshape(3, 1, -1))
    assert together.shape == (3, 1, len(EVERYTHING))
    np.testing.assert_allclose(together[0, 0], local.nominal, rtol=1e-12, atol=1e-12)
    for i in range(3):
        np.testing.assert_allclose(together[i, 0], local.values(q[i]), rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize(("theta", "phi"), [(0.0, 0.0), (np.pi, 0.0), (2e-5, 2.0)])
def test_beam_at_a_pole(theta, phi):
    # There the planes are phi = 0 and 90 deg, and stay so beside it, whatever phi the peak has.
    element = huygens_source(direction=[0, 0, np.cos(theta)], polarisation=X)
    x, y = (v.ravel() for v in np.meshgrid([-0.6, 0, 0.6], [-0.9, -0.3, 0.3, 0.9]))
    steer = np.sin(theta) * (np.cos(phi) * x + np.sin(phi) * y)
    there = modes_at(
        array_of(element, positions=np.stack([x, y, 0 * x], 1), weights=np.exp(-1j * K * steer)), 14
    )
    figures = [Figure("beamwidth"), Figure("beamwidth", plane=np.pi / 2), Figure("pointing-theta")]
    (local,) = localise(figures, there)
    on_pole = beam.Peak([0.0 if theta < 1 else np.pi], [0.0], [1.0], None)
    wide = beam.beamwidth(there, drop_db=HALF, plane=Plane(0.0), at=on_pole)[0]
    narrow = beam.beamwidth(there, drop_db=HALF, plane=Plane(np.pi / 2), at=on_pole)[0]
    assert wide > 1.2 * narrow
    # Beside the pole the cuts go through the peak, 2e-5 away: of second order, 1e-9.
    np.testing.assert_allclose(local.nominal[:2], [wide, narrow], rtol=0, atol=1e-8)
    top = beam.peak(there)
    away = top.theta[0] if theta < 1 else np.pi - top.theta[0]
    assert (away > 5e-6) == (0 < theta < 1)
    # Displacements are counted along x^ (-x^ at -z), from where the peak is.
    np.testing.assert_allclose(local.frame[1], [np.cos(theta), 0, 0], rtol=0, atol=1e-4)
    assert local.nominal[2] == pytest.approx(0, abs=2 * PEAK_ATOL / there.degree)


def test_closed_forms():
    # Check values, section 2: D = 3 of a Huygens source, ((1 + cos t)/2)^2 = 1/2;
    # D = 1.5 of a dipole, sin^2 = 1/2 at 45 deg to either side.
    figures = [Figure("directivity"), Figure("beamwidth"), Figure("directivity-towards")]
    (local,) = localise(figures, HUYGENS)
    edge = math.acos(math.sqrt(2) - 1)
    np.testing.assert_allclose(local.nominal, [3, 2 * edge, 3], rtol=1e-9)
    (local,) = localise([Figure("directivity"), Figure("beamwidth"), Figure("trp")], Z_DIPOLE)
    np.testing.assert_allclose(local.nominal, [1.5, np.pi / 2, 0.5], rtol=1e-9)


def test_ridge():
    # All around the equator a dipole along z radiates alike: its beam has a level and a width, and
    # along theta^ a direction.
    figures = [Figure("directivity"), Figure("pointing-theta")]
    (local,) = localise(figures, Z_DIPOLE)
    np.testing.assert_allclose(local.nominal, [1.5, 0], rtol=0, atol=1e-9)
    # The level's derivative is that of U at the peak: with Q_2,0,1 alone it grows as |Q|^2, and the
    # directivity not at all; a small dipole z^ in quadrature changes neither to first order.
    gradient = local.gradients(Z_DIPOLE.coefficients[0])
    q = Z_DIPOLE.coefficients[0]
    assert abs(np.vdot(gradient[0], q).real) < 1e-9
    assert abs(np.vdot(gradient[0], 1j * q).real) < 1e-9
    with pytest.raises(ValueError, match=r"pointing-phi has no value at 1 GHz \(the beam is a ri"):
        localise([Figure("pointing-phi")], Z_DIPOLE)


def test_a_lobe_that_is_gone_has_no_value(modes):
    (local,) = localise([Figure("sidelobe-level", plane=0.3), Figure("trp")], modes)
    other = modes_of({(2, 0, 1): 1.0}, degree=modes.degree)
    values = local.values(other.coefficients)[0]
    assert np.isnan(values[0])
    assert values[1] == pytest.approx(0.5)


def test_a_lobe_is_followed_to_half_way_to_the_next():
    # Equal elements along y: lobes at sin(theta) = 1.43, 2.46, ... over the length in wavelengths
    # (textbook). From 3.2 to 3.52 the highest moves by 0.04 = 0.73 / N, off the line of +-0.5 / N;
    # from 3.2 to 1.6, beyond half of the way to the beam. The next lobe is nearer than the beam,
    # 23.4 deg off against 26.5: from 3.2 to 2.24 it moves by 12.7 deg, between the halves of both.
    element = huygens_source(direction=Z, polarisation=X)
    near, far, shorter, between = (
        modes_at(line_array(element, count=count, spacing=spacing, axis=[0, 1, 0]))
        for count, spacing in ((8, 0.4), (8, 0.44), (4, 0.4), (8, 0.28))
    )
    figure = Figure("sidelobe-level", plane=np.pi / 2)
    (local,) = localise([figure], near)
    assert np.isnan(local._near(local.intensities(far.coefficients), far.radiated_power())).all()
    (found,) = local.values(far.coefficients)[0]
    wanted = in_full(replace(figure, plane=0.0), far, beam.peak(near), azimuth=np.pi / 2)
    assert found == pytest.approx(wanted, rel=0, abs=tolerance(figure, far))
    assert abs(found - local.nominal[0]) > 100 * tolerance(figure, far)
    for other in (shorter, between):
        assert np.isnan(local.values(other.coefficients)).all()


def test_the_only_lobe_of_a_cut_beside_the_beam():
    # Closed form: Huygens sources (1 + cos theta)^2 / 4 at x = 0 and d, the second a quarter of a
    # period ahead: cos^2(k d sin(theta)/2 + pi/4) times that has one lobe beside its beam.
    distance = 0.24
    element = huygens_source(direction=Z, polarisation=X)
    pair = array_of(element, positions=[[0, 0, 0], [distance, 0, 0]], weights=[1, 1j])
    one = modes_at(pair)
    (local,) = localise([Figure("sidelobe-level")], one)

    def level(theta):
        factor = np.cos(K * distance * np.sin(theta) / 2 + np.pi / 4)
        return ((1 + np.cos(theta)) * factor) ** 2

    theta = np.linspace(-np.pi, np.pi, 720_001)
    u = level(theta)
    (top,) = np.flatnonzero(u == u.max())
    maxima = np.flatnonzero((u > np.roll(u, 1)) & (u >= np.roll(u, -1)))
    (other,) = maxima[maxima != top]
    # Between points 5e-4 deg apart a maximum falls by (4e-6 N)^2.
    assert local.nominal[0] == pytest.approx(u[other] / u[top], rel=1e-8)
    np.testing.assert_allclose(local.values(one.coefficients)[0], local.nominal, rtol=1e-6)


def test_a_width_is_found_again_wherever_it_is(modes):
    # Of another antenna altogether, several times as wide, and wider in one plane.
    figure = Figure("beamwidth", plane=0.3)
    (local,) = localise([figure], modes)
    element = huygens_source(direction=Z, polarisation=X)
    pair = line_array(element, count=2, spacing=0.4, axis=[0, 1, 0.3])
    other = modes_at(pair)
    value = in_full(figure, other, beam.peak(modes))
    assert value > 3 * local.nominal[0]
    across = in_full(replace(figure, plane=0.3 + np.pi / 2), other, beam.peak(modes))
    assert abs(value - across) > 0.1
    found = local.values(other.coefficients)[0, 0]
    assert found == pytest.approx(value, rel=0, abs=tolerance(figure, other))


def test_frequencies_are_on_their_own(modes):
    one = modes_at(tilted_array(steer=(-0.1, 0.3)), frequency=0.9 * SPEED_OF_LIGHT)
    two = Modes(
        [modes.frequency[0], one.frequency[0]], np.concatenate([modes.coefficients, one.coefficients])
    )
    both = localise(EVERYTHING, two)
    assert [x.frequency for x in both] == two.frequency.tolist()
    for found, alone in zip(both, [modes, one], strict=True):
        (wanted,) = localise(EVERYTHING, alone)
        np.testing.assert_allclose(found.nominal, wanted.nominal, rtol=1e-9, atol=1e-9)
        assert found.highest == pytest.approx(beam.peak(alone).eirp[0] / (4 * np.pi), rel=1e-12)


# --- derivatives ---------------------------------------------------------------------------------


@pytest.mark.parametrize("figure", EVERYTHING, ids=NAMES)
@pytest.mark.parametrize("at", [0.0, 0.02])
def test_gradients(modes, figure, at):
    # At the modes themselves, and at others, whose peak is elsewhere. Central differences of steps
    # e err by e^2 times third derivatives over first ones, some ten to hundred; below, what the
    # polynomials leave is divided by 2 e: 1e-10 / 1e-4.
    (local,) = localise([figure], modes)
    q = shaken(modes, at, seed=5).coefficients[0]
    gradient = local.gradients(q)
    assert gradient.shape == (1, q.size)
    rng = np.random.default_rng(3)
    for _ in range(3):
        change = rng.normal(size=q.size) + 1j * rng.normal(size=q.size)
        change *= np.linalg.norm(q) / np.linalg.norm(change)
        e = 1e-4
        numeric = (local.values(q + e * change) - local.values(q - e * change))[0] / (2 * e)
        slope = np.vdot(gradient[0], change).real
        size = np.linalg.norm(gradient[0]) * np.linalg.norm(change) / math.sqrt(2 * q.size)
        assert slope == pytest.approx(numeric, rel=0, abs=3e-6 * size)
        assert abs(slope) > 1e-3 * size


def test_gradient_of_the_radiated_power_is_the_modes(modes):
    # P = 1/2 sum |Q|^2 (closed form).
    (local,) = localise([Figure("trp")], modes)
    q = modes.coefficients[0]
    np.testing.assert_allclose(local.gradients(q)[0], q, rtol=0, atol=1e-9 * np.abs(q).max())


def test_gradient_of_the_field_in_a_direction_is_the_textbooks(modes):
    # 4 pi U = 4 pi |E|^2 / (2 Z0), E = sqrt(Z0 / 4 pi) sum Q K: 4 pi U changes by
    # Re sum conj(E) sqrt(4 pi / Z0) K dQ.
    figure = Figure("eirp-towards", theta=0.4, phi=0.8)
    (local,) = localise([figure], modes)
    q = modes.coefficients[0]
    k = oracle.far_waves(modes.degree, [figure.theta], [figure.phi])[0]
    e = math.sqrt(oracle.Z0 / (4 * np.pi)) * q @ k
    wanted = math.sqrt(4 * np.pi / oracle.Z0) * (e.conj() @ k.T).conj()
    np.testing.assert_allclose(local.gradients(q)[0], wanted, rtol=0, atol=1e-8 * np.abs(wanted).max())


# --- refusals ------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["eirp", "trp", "eirp-towards"])
def test_relative_modes_have_no_level(name):
    relative = modes_of({(2, 0, 1): 1}, reference="relative")
    with pytest.raises(ValueError, match=f"{name} needs absolute data.*calibrate the probe"):
        localise([Figure(name)], relative)
    assert localise([Figure("directivity")], relative)[0].nominal[0] == pytest.approx(1.5)
    assert Figure(name).absolute
    assert not Figure("directivity").absolute


def test_scale():
    assert {f.name for f in EVERYTHING if f.scale == "angle"} == set(ANGLES)
    assert {f.scale for f in EVERYTHING} == {"angle", "power"}


@pytest.mark.parametrize(
    ("figures", "modes_", "message"),
    [
        ([], HUYGENS, "no figure is asked for: name at least one"),
        (
            [Figure("beamwidth", plane=np.pi / 2)],
            Z_DIPOLE,
            "the cut does not fall by 3.01 dB at 1 GHz: leave its beamwidth out, or take a smaller drop",
        ),
        ([Figure("sidelobe-level")], HUYGENS, "no sidelobe in the cut at 1 GHz: leave it out"),
        ([Figure("beamwidth", drop_db=-3)], HUYGENS, "drop_db is -3.0, expected a positive level"),
    ],
)
def test_what_has_no_value_is_refused(figures, modes_, message):
    with pytest.raises(ValueError, match=re.escape(message)):
        localise(figures, modes_)


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"name": "gain"}, "figure is 'gain', expected one of directivity, eirp, trp, beamwidth"),
        ({"name": "beamwidth", "plane": np.nan}, "beamwidth: plane is nan, expected finite"),
        ({"name": "eirp-towards", "theta": np.inf}, "eirp-towards: theta is inf"),
    ],
)
def test_figures_that_are_none(values, message):
    with pytest.raises(ValueError, match=re.escape(message)):
        Figure(**values)


# --- the polynomials -----------------------------------------------------------------------------


def test_a_line_reads_what_is_there(modes):
    # Intensity on a displaced cut, from the patch about the nominal one and by the textbook.
    top = beam.peak(modes)
    frame = unit(top.theta[0], top.phi[0])
    tangents = Plane(0.2, 0.7).tangents
    n = modes.degree
    moved = patches.Top(np.ones(2), *np.array([[0.2, -0.1], [0.3, 0.4]]) / n, np.ones((2, 2), bool))

    def u(direction):
        x, y, z = direction.reshape(-1, 3).T
        theta, phi = np.arctan2(np.hypot(x, y), z), np.arctan2(y, x)
        e = oracle.far_field(modes.coefficients[0], n, theta, phi)
        return intensity(*e.T).reshape(direction.shape[:-1])

    for angle in (0.3, -0.5):
        strip = u(patches.strip_directions(frame, tangents, angle, n))
        found = patches.on_line(np.stack([strip, strip]), frame, tangents, angle, moved, n)
        wanted = u(patches.line_directions(frame, tangents, angle, moved, n))
        np.testing.assert_allclose(found, wanted, rtol=0, atol=POLYNOMIAL * top.eirp[0])
    # A peak farther across than the patch reaches.
    far = patches.Top(np.ones(1), np.zeros(1), np.array([0.8 / n]), np.ones((1, 2), bool))
    assert np.isnan(patches.on_line(strip[None], frame, tangents, angle, far, n)).all()
