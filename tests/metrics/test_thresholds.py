"""Thresholds of the figures of merit, each with a case just below it and one just above."""

import math
from dataclasses import replace

import numpy as np
import oracle
import pytest
from patterns import HUYGENS, Z_DIPOLE, modes_of
from scipy.optimize import brentq

from nf2ff.antenna.dipoles import huygens_source
from nf2ff.antenna.far_field import FarField, far_field
from nf2ff.antenna.grids import gauss_legendre_grid
from nf2ff.antenna.modes import Modes, mode_count, mode_index, rotate
from nf2ff.antenna.points import constant_density
from nf2ff.measurement.probe import field_probe
from nf2ff.measurement.simulated import simulate_grid
from nf2ff.messages.result import ResultCode
from nf2ff.metrics import beam, gain_and_power, lobes, patches, planes
from nf2ff.metrics.beam_set import BeamSet, envelope
from nf2ff.metrics.polarisation import axial_ratio, sense, tilt_angle
from nf2ff.metrics.regions import Cone
from nf2ff.metrics.result import Powers
from nf2ff.metrics.transformation import transform_samples

# --- cuts ----------------------------------------------------------------------------------


def equator(c1, c2):
    """Modes whose intensity along the equator is 3 + c1 cos(phi) + c2 cos(2 phi).

    The magnetic modes n = m have E_phi = 0 and E_theta ~ exp(j m phi) there; of the intensity,
    positive, the factor with all zeros within the unit circle is a field (Fejer and Riesz).
    """
    zeros = np.roots([c2 / 2, c1 / 2, 3, c1 / 2, c2 / 2])
    parts = np.poly(zeros[np.abs(zeros) < 1])
    degree = 20  # for a grid that is finer than the cut needs
    q = np.zeros(mode_count(degree), dtype=complex)
    for m, part in enumerate(parts, start=1):
        alone = np.zeros_like(q)
        alone[mode_index(s=1, m=m, n=m)] = 1
        (field,) = oracle.far_field(alone, degree, [np.pi / 2], [0.0])
        q += alone * part / field[0]
    return Modes([1e9], [q])


@pytest.mark.parametrize(("rise_db", "counts"), [(1.25e-3, True), (0.8e-3, False)])
def test_least_rise_of_a_lobe(rise_db, counts):
    # Closed form: 4 c2 > c1 makes phi = pi a maximum, 3 - c1 + c2, and cos(phi) = -c1 / (4 c2) the
    # minima beside it, 3 - c2 - c1^2 / (8 c2). The grid of the cut misses these by a few per cent.
    def rise(c2):
        return 10 * np.log10((3 - 1 + c2) / (3 - c2 - 1 / (8 * c2))) - rise_db

    modes = equator(1.0, brentq(rise, 0.2501, 0.5))
    at = beam.Peak([np.pi / 2], [0.0], [1.0], None)
    plane = np.pi / 2
    found = beam.sidelobe_level(modes, plane=plane, at=at)
    nulls = lobes.first_nulls(modes, plane=plane, at=at)
    if counts:
        assert found.highest_angle[0] == pytest.approx(np.pi, abs=1e-6)
        # Two minima, one on each side of the lobe.
        assert nulls.upper_angle[0] < np.pi - 0.1
    else:
        assert np.isnan(found.highest[0])
        assert nulls.upper_angle[0] == pytest.approx(-nulls.lower_angle[0], abs=0.6)
        # One minimum, which counts on both sides.
        assert nulls.upper_angle[0] - nulls.lower_angle[0] == pytest.approx(2 * np.pi, abs=1e-6)


# --- peaks ---------------------------------------------------------------------------------


@pytest.mark.parametrize(("excess", "theta"), [(2e-12, 0), (1e-10, np.pi)])
def test_maxima_that_are_equal_but_for_rounding(excess, theta):
    # Closed form: electric and magnetic dipoles of strengths 1 and b, turning, have (1 - b)^2 towards
    # +z and (1 + b)^2 towards -z. Of equals the one of smallest theta is given.
    found = beam.peak(modes_of({(2, 1, 1): 1, (1, 1, 1): excess / 4}))
    assert found.theta[0] == pytest.approx(theta, abs=1e-6)


@pytest.mark.parametrize("seed", [98, 671])
def test_a_peak_that_the_coarse_grid_misses(seed):
    # Two of 1200 random antennas: about the highest peak the coarse grid reads less than 0.95 of what
    # it reads on another lobe; and, of the first, less than on two others.
    rng = np.random.default_rng(seed)
    q = rng.normal(size=mode_count(3)) + 1j * rng.normal(size=mode_count(3))
    fine = constant_density(20_000)
    e = oracle.far_field(q, 3, fine.theta, fine.phi)
    top = 2 * np.pi / oracle.Z0 * np.max(np.sum(np.abs(e) ** 2, axis=1))
    (found,) = beam.peak(Modes([1e9], [q])).eirp
    # Brute force, 1.4 deg apart: a field of degree 3 loses less than (3 x 0.7 deg)^2 of its peak.
    assert top * (1 - 1e-12) <= found <= top * 1.0014


@pytest.mark.parametrize("share", [1e-4, 1e-6])
def test_a_ridge_that_is_hardly_curved(share):
    # Closed form: of a dipole z and a magnetic mode m = 1, in phase with it at phi = 0.4 of the
    # equator, which between points of the coarse grid is curved by that share, not by none.
    dipole, other = (modes_of({mode: 1}).coefficients[0] for mode in ((2, 0, 1), (1, 1, 1)))
    fields = [oracle.far_field(q, 1, [np.pi / 2], [0.4])[0, 0] for q in (dipole, other)]
    found = beam.peak(Modes([1e9], [dipole + share * fields[0] / fields[1] * other]))
    assert found.theta[0] == pytest.approx(np.pi / 2, abs=1e-3)
    assert found.phi[0] == pytest.approx(0.4, abs=1e-3)


@pytest.mark.parametrize(("bend", "sure"), [(1e-4, True), (3e-7, True), (3e-8, False)])
def test_curvatures_that_are_a_ridge(bend, sure):
    # A parabola over a patch, 1 at x = 0.2: the polynomial through the nodes is the parabola itself.
    x, y = np.meshgrid(*2 * [patches.nodes(patches.PATCH_NODES)], indexing="ij")
    u = 1 - bend / 2 * (x - 0.2) ** 2 - 0.1 * y**2
    top = patches.top_of_patch(u.reshape(1, -1), 1)
    assert top.sure.tolist() == [[sure, True]]
    if sure:
        assert top.x[0] == pytest.approx(0.2 * patches.PATCH, abs=1e-3)


@pytest.mark.parametrize(("tilt", "on_axis"), [(3e-8, True), (1e-6, False)])
def test_a_peak_beside_a_pole(tilt, on_axis):
    modes = rotate(HUYGENS, alpha=1.0, beta=tilt, gamma=0.0)
    found = beam.peak(modes)
    assert (found.theta[0] == 0) == on_axis
    assert (found.phi[0] == 0) == on_axis


# --- planes --------------------------------------------------------------------------------


def plane(modes, wish):
    top = beam.peak(modes)
    return planes.plane_of(modes, wish, theta=float(top.theta[0]), phi=float(top.phi[0]))


@pytest.mark.parametrize(("ratio_db", "has_one"), [(0.9, False), (1.1, True)])
def test_polarisations_that_are_circular(ratio_db, has_one):
    # Dipoles x and -j r y: the axial ratio on the axis is 1/r (closed form).
    r = 10 ** (-ratio_db / 20)
    modes = modes_of({(2, -1, 1): -1 - r, (2, 1, 1): 1 - r})
    if has_one:
        assert plane(modes, "E").phi_deg in (0, 90)
    else:
        with pytest.raises(ValueError, match="the polarisation at the peak is circular"):
            plane(modes, "E")


@pytest.mark.parametrize(("ratio", "has_one"), [(0.96, False), (0.94, True)])
def test_beams_that_are_round(ratio, has_one):
    # Closed form: a dipole x of field a cos(theta) in the plane xz, a in yz, and a Huygens source of
    # b (1 + cos(theta))/2 in both: the curvatures of U are as 2a + b to b, and widths as their roots.
    a = 0.5 * (1 / ratio**2 - 1)
    q = a * modes_of({(2, -1, 1): -1, (2, 1, 1): 1}).coefficients + 0.5 * HUYGENS.coefficients
    modes = Modes([1e9], q)
    if has_one:
        assert plane(modes, "narrow").phi_deg == 0
        assert plane(modes, "wide").phi_deg == 90
    else:
        with pytest.raises(ValueError, match="the beam is round"):
            plane(modes, "narrow")


@pytest.mark.parametrize(("off_deg", "has_one"), [(1.5, False), (2.5, True)])
def test_a_plane_whose_normal_is_the_beam(off_deg, has_one):
    # The beam of a z dipole lies at phi = 0 of the equator.
    wish = f"phi={90 - off_deg}"
    if has_one:
        assert plane(Z_DIPOLE, wish).phi_deg == pytest.approx(90 - off_deg)
    else:
        with pytest.raises(ValueError, match="looks along the normal"):
            plane(Z_DIPOLE, wish)


@pytest.mark.parametrize(("tilt_deg", "at_pole"), [(31, True), (37, False)])
def test_a_beam_at_a_pole(tilt_deg, at_pole):
    # Closed form: ((1 + cos)/2)^2 has the curvature 1, a Gaussian of which is 2 sqrt(2 ln 2) wide: a
    # quarter of that is 33.7 deg.
    modes = rotate(HUYGENS, alpha=0.5, beta=math.radians(tilt_deg), gamma=0.0)
    assert planes.at_pole(modes, theta=math.radians(tilt_deg), phi=0.5) == at_pole


@pytest.mark.parametrize(("degree", "step_deg"), [(4, 5), (8, 5), (30, 1)])
def test_steps_of_the_azimuth_of_a_plane(degree, step_deg):
    # The beam of largest directivity, |sum (2n + 1) P_n| in essence, falls as 1 - (N g)^2 / 8 or so
    # (small argument of 2 J1(x)/x): it is 3.3/N wide, an eighth of that over sin(1) 28 deg / N.
    phi = math.radians(21.4)
    q = oracle.far_waves(degree, [1.0], [phi])[0].conj() @ np.array([1, 0.3j])
    found = planes.plane_of(Modes([1e9], [q]), 0.0, theta=1.0, phi=phi)
    assert found.phi_deg == step_deg * round(21.4 / step_deg)


# --- level, polarisation -------------------------------------------------------------------


def test_least_power_with_a_directivity():
    # What a null has of it, eps^2, is then no less than the least number of full precision.
    limit = np.finfo(float).tiny / np.finfo(float).eps ** 2
    frequency = np.array([1e9])
    assert gain_and_power.nonzero_power(frequency, np.array([2 * limit]))[0] == 2 * limit
    with pytest.raises(ValueError, match="directivity is not defined"):
        gain_and_power.nonzero_power(frequency, np.array([0.5 * limit]))


@pytest.mark.parametrize(("share", "turns"), [(0.3e-13, 0), (3e-13, 1), (-3e-13, -1)])
def test_fields_that_are_linear(share, turns):
    # E_phi = -j a E_theta has S3 / S0 = 2 a and is of right-hand sense for a > 0 (closed form).
    e = np.array([[[1.0 + 0j]]])
    field = FarField([1e9], [1.0], [0.0], e, -0.5j * share * e, [1.0], "relative")
    assert sense(field)[0, 0, 0] == turns
    assert np.isinf(axial_ratio(field)[0, 0, 0]) == (turns == 0)
    assert tilt_angle(field)[0, 0, 0] == pytest.approx(0)


@pytest.mark.parametrize(("miss_db", "fine"), [(0.09, True), (0.11, False), (-0.09, True), (-0.11, False)])
def test_grids_too_coarse_for_a_beam(miss_db, fine):
    field = far_field(Z_DIPOLE, theta=np.linspace(0, np.pi, 13), phi=2 * np.pi * np.arange(24) / 24)
    # The grid is exact for a dipole: the miss is that of the power stated.
    field = replace(field, radiated_power=field.radiated_power / 10 ** (miss_db / 10))
    if fine:
        envelope(BeamSet([field]), quantity="directivity")
    else:
        with pytest.raises(ValueError, match="too coarse for beam 0"):
            envelope(BeamSet([field]), quantity="directivity")


@pytest.mark.parametrize(("share", "told"), [(1.0005, False), (1.01, True)])
def test_more_power_than_was_put_in(share, told):
    antenna = huygens_source(direction=[0, 0, 1.0], polarisation=[1.0, 0, 0])
    samples = simulate_grid(antenna, frequency=[1e9], radius=1.0, grid=gauss_legendre_grid(4, 7))
    # What a source at the origin radiates is of degree 1, exactly.
    (radiated,) = transform_samples(samples, field_probe(), degree=2).modes.radiated_power()
    for name in ("accepted", "incident"):
        powers = Powers(**{name: radiated / share})
        found = transform_samples(samples, field_probe(), degree=2, powers=powers)
        too_much = [x for x in found.warnings[0] if getattr(x, "code", None) == ResultCode.TOO_MUCH_POWER]
        assert [x.figures["kind"] for x in too_much] == told * [name]


# --- cross-polar discrimination ------------------------------------------------------------


@pytest.mark.parametrize(("half", "lit"), [(1e-12, False), (1e-8, True)])
def test_directions_that_are_dark(half, lit):
    # Closed form: D = 1.5 sin^2 of the angle from the axis of a dipole: 1.5e-24, or 1.5e-16.
    modes = rotate(Z_DIPOLE, alpha=0.0, beta=1.1, gamma=0.0)
    found = lobes.cross_polar_discrimination(modes, Cone(1.1, 0.0, half), "circular")
    assert np.isfinite(found.co[0]) == lit
