"""Components and polarisation of one direction against closed forms."""

import numpy as np
import oracle
import pytest
from patterns import HUYGENS, POWER_RTOL, TURNSTILE, Z_DIPOLE, grid_of

from nf2ff.antenna.closed_form import far_field_of
from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.antenna.far_field import FarField
from nf2ff.antenna.modes import Modes, mode_numbers
from nf2ff.metrics import gain_and_power, polarisation


@pytest.mark.parametrize("basis", polarisation.BASES)
def test_partial_directivities_sum_to_the_directivity(random_q, basis):
    pattern = grid_of(Modes([1e9, 3e9], [random_q(5), random_q(5)]))
    angle = 0.4 if basis in ("ludwig-3", "linear") else 0.0
    first, second = polarisation.partial_directivity(pattern, basis, reference_angle=angle)
    # Sums of four squares in another order: a few units of rounding.
    np.testing.assert_allclose(first + second, gain_and_power.directivity(pattern), rtol=1e-14)
    a, b = polarisation.components(pattern, basis, reference_angle=angle)
    ratio = np.abs(a) ** 2 / np.abs(b) ** 2
    np.testing.assert_allclose(first / second, ratio, rtol=1e-14)


@pytest.mark.parametrize("angle", [0.0, 0.6])
def test_huygens_source_has_no_cross_polarisation(angle):
    # Closed form: x- and y-polarised Huygens sources radiate (1 + cos theta) times the Ludwig-3
    # unit vectors; turned by an angle about z they have it for that reference.
    m = mode_numbers(1)[1]
    turned = Modes([1e9], HUYGENS.coefficients * np.exp(-1j * m * angle))
    pattern = grid_of(turned)
    co, cross = polarisation.components(pattern, "ludwig-3", reference_angle=angle)
    np.testing.assert_allclose(np.abs(cross), 0, atol=1e-12 * np.abs(co).max())
    co_y, cross_y = polarisation.components(pattern, "ludwig-3", reference_angle=angle + np.pi / 2)
    np.testing.assert_allclose(np.abs(co_y), 0, atol=1e-12 * np.abs(co).max())
    # Ludwig's cross-polar unit vector is y^ on axis when the reference is x^: +y, not -y.
    np.testing.assert_allclose(cross_y, -co, atol=1e-12 * np.abs(co).max())


def test_ludwig_3_on_axis_is_x_and_y():
    field = FarField([1e9], [0.0], [0.9], [[[2.0]]], [[[1j]]], [1.0])
    co, cross = polarisation.components(field, "ludwig-3")
    _, unit_theta, unit_phi = oracle.cartesian(0.0, 0.9)
    e = 2 * unit_theta + 1j * unit_phi
    np.testing.assert_allclose([co[0, 0, 0], cross[0, 0, 0]], e[:2], atol=1e-15)


@pytest.mark.parametrize("slant", [-np.pi / 4, 0.0, 0.3, np.pi / 4, np.pi / 2])
def test_slanted_dipole_has_one_linear_component(slant):
    # Closed form: a current element across the direction +x, at the slant from theta^ = -z^
    # towards phi^ = +y^, has its whole field along itself.
    moment = np.cos(slant) * np.array([0, 0, -1.0]) + np.sin(slant) * np.array([0, 1.0, 0])
    e = far_field_of(DipoleCluster([[0, 0, 0]], [moment]), frequency=[1e9], theta=[np.pi / 2], phi=[0.0])
    field = FarField([1e9], [np.pi / 2], [0.0], *(c[:, :, None] for c in e), [1.0])
    co, cross = polarisation.components(field, "linear", reference_angle=slant)
    size = np.abs(co[0, 0, 0])
    assert abs(cross[0, 0, 0]) < 1e-15 * size
    # The same slant that `tilt_angle` tells, but for half a turn of the axis of an ellipse.
    tilt = polarisation.tilt_angle(field)[0, 0, 0]
    np.testing.assert_allclose(np.sin(tilt - slant), 0, atol=1e-15)
    # A component at the slant +90 deg is the second one, with its sign.
    turned, back = polarisation.components(field, "linear", reference_angle=slant - np.pi / 2)
    np.testing.assert_allclose([turned[0, 0, 0], back[0, 0, 0]], [0, co[0, 0, 0]], atol=1e-15 * size)


def test_linear_components_are_what_a_field_probe_reads(random_q):
    # Conventions: an ideal field probe reads E_theta cos(chi) + E_phi sin(chi).
    pattern = grid_of(Modes([1e9], [random_q(3)]), 7, 5)
    chi = 0.7
    first, second = polarisation.components(pattern, "linear", reference_angle=chi)
    for angle, component in ((chi, first), (chi + np.pi / 2, second)):
        reads = pattern.e_theta * np.cos(angle) + pattern.e_phi * np.sin(angle)
        # Two products and a sum of doubles.
        np.testing.assert_allclose(component, reads, atol=1e-15 * np.abs(reads).max())
    for mine, plain in zip(
        polarisation.components(pattern, "linear"), polarisation.components(pattern, "theta-phi"), strict=True
    ):
        np.testing.assert_array_equal(mine, plain)


def test_turnstile_turns_as_the_real_field_does():
    # Dipoles x and -jy in exp(+jwt): the current is x cos(wt) + y sin(wt).
    e = oracle.far_field(TURNSTILE.coefficients[0], 1, [0.4], [1.0])[0]
    exact = oracle.hertzian_dipole([1, -1j, 0], 1.0, 1e9, 0.4, 1.0)[1:]
    np.testing.assert_allclose(e[0] / e[1], exact[0] / exact[1], rtol=1e-8)

    pattern = grid_of(TURNSTILE, 19, 8)
    sense = polarisation.sense(pattern)[0]
    t, p = (v.ravel() for v in np.meshgrid(pattern.theta, pattern.phi, indexing="ij"))
    r, unit_theta, unit_phi = oracle.cartesian(t, p)
    phasor = pattern.e_theta.ravel()[:, None] * unit_theta + pattern.e_phi.ravel()[:, None] * unit_phi
    now, quarter = phasor.real, (phasor * 1j).real  # at wt = 0 and 90 deg
    # Seen from behind the wave (looking along r^), clockwise from ``now`` to ``quarter`` is a
    # right-handed turn about r^: right-hand by IEEE Std 145.
    about = np.sum(np.cross(now, quarter) * r, axis=1).reshape(sense.shape)
    level = np.abs(phasor).max() ** 2
    np.testing.assert_array_equal(sense[:9], 1)
    np.testing.assert_array_equal(sense[9], 0)
    np.testing.assert_array_equal(sense[10:], -1)
    assert np.all(about[:9] > 0.01 * level)
    assert np.all(about[10:] < -0.01 * level)

    right, left = (np.abs(c[0]) for c in polarisation.components(pattern, "circular"))
    np.testing.assert_allclose(left[0] / right[0], 0, atol=1e-12)
    np.testing.assert_allclose(right[-1] / left[-1], 0, atol=1e-12)
    # Closed form: axial ratio 1/|cos theta|, D = 1.5 on axis and half of it at the horizon.
    ratio = polarisation.axial_ratio(pattern)[0]
    upper = pattern.theta[:9]
    np.testing.assert_allclose(ratio[:9], np.outer(1 / np.cos(upper), np.ones(8)), rtol=1e-11)
    assert np.all(np.isinf(ratio[9]))
    d = gain_and_power.directivity(pattern)[0]
    np.testing.assert_allclose(d[[0, 9], 0], [1.5, 0.75], rtol=POWER_RTOL)
    # At the horizon the field lies along phi^.
    np.testing.assert_allclose(np.abs(polarisation.tilt_angle(pattern)[0, 9]), np.pi / 2, atol=1e-12)


@pytest.mark.parametrize("turn", [-1, 1])
@pytest.mark.parametrize("tilt", [-1.2, 0.0, 0.5, 1.5])
def test_ellipse_of_known_axes(tilt, turn):
    # Major axis 3 along theta^ turned by ``tilt`` to phi^; the minor axis, 2, lags by a quarter
    # of a period when the field turns from theta^ to phi^ (right-hand).
    major, minor = 3.0, -1j * 2.0 * turn
    phase = np.exp(0.3j)
    field = FarField(
        [1e9],
        [1.0],
        [2.0],
        [[[phase * (major * np.cos(tilt) - minor * np.sin(tilt))]]],
        [[[phase * (major * np.sin(tilt) + minor * np.cos(tilt))]]],
        [1.0],
    )
    assert polarisation.sense(field)[0, 0, 0] == turn
    np.testing.assert_allclose(polarisation.axial_ratio(field), 1.5, rtol=1e-14)
    np.testing.assert_allclose(polarisation.tilt_angle(field), tilt, atol=1e-14)


def test_linear_and_dark_directions():
    # Both components in phase, one of them with the rounding that a transform leaves; no field.
    e_theta, e_phi = [[[1.0 + 1j], [0]]], [[[2.0 * (1 + 1j) * (1 + 1e-14j)], [0]]]
    field = FarField([1e9], [0.5, 1.0], [0.0], e_theta, e_phi, [1.0])
    ratio = polarisation.axial_ratio(field)[0, :, 0]
    assert np.isposinf(ratio[0])
    assert np.isnan(ratio[1])
    np.testing.assert_array_equal(polarisation.sense(field)[0, :, 0], [0, 0])
    np.testing.assert_allclose(polarisation.tilt_angle(field)[0, 0, 0], np.arctan(2), rtol=1e-14)


def test_unknown_basis_and_useless_reference_angle():
    field = grid_of(Z_DIPOLE)
    with pytest.raises(ValueError, match=r"basis is 'ludwig-2', expected .* or 'linear'$"):
        polarisation.components(field, "ludwig-2")
    for basis in ("circular", "theta-phi"):
        with pytest.raises(ValueError, match=f"'ludwig-3' and 'linear' only: .* for '{basis}'"):
            polarisation.components(field, basis, reference_angle=0.1)
