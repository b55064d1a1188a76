"""Metrics of one direction against closed forms, and TRP against the integral."""

import numpy as np
import oracle
import pytest
from patterns import HUYGENS, POWER_RTOL, TURNSTILE, Z_DIPOLE, grid_of, modes_of

from nf2ff import beam, metrics
from nf2ff.antennas import DipoleCluster
from nf2ff.farfield import FarField, far_field
from nf2ff.modes import WAVE_IMPEDANCE, Modes, mode_index, mode_numbers
from nf2ff.simulate import far_field_of

# --- level ---------------------------------------------------------------------------------


def test_huygens_source_has_directivity_3_and_no_back_lobe():
    # Check values, section 1: Q_{2,-1,1} = -1, Q_{2,1,1} = Q_{1,+-1,1} = +1 in exp(-iwt).
    hansen = np.zeros(6, dtype=complex)
    for s, m in ((2, 1), (1, 1), (1, -1)):
        hansen[mode_index(s=s, m=m, n=1)] = 1
    hansen[mode_index(s=2, m=-1, n=1)] = -1
    source = Modes([1e9], [oracle.conjugate_convention(hansen, 1)])
    np.testing.assert_array_equal(source.coefficients, HUYGENS.coefficients)
    d = metrics.directivity(far_field(source, theta=[0, np.pi / 3, np.pi], phi=[0, 1, 4]))[0]
    np.testing.assert_allclose(d[0], 3, rtol=POWER_RTOL)
    # 3 ((1 + cos 60 deg)/2)^2 = 27/16, closed form.
    np.testing.assert_allclose(d[1], 27 / 16, rtol=POWER_RTOL)
    np.testing.assert_allclose(d[2], 0, atol=1e-24)


def test_dipole_directivity():
    # Check values, section 2, closed form: D = 3/2 sin^2(theta).
    pattern = grid_of(Z_DIPOLE)
    expected = np.broadcast_to(1.5 * np.sin(pattern.theta)[None, :, None] ** 2, (1, 37, 24))
    np.testing.assert_allclose(metrics.directivity(pattern), expected, atol=1.5 * POWER_RTOL)


def test_trp_is_the_integral_of_the_intensity(random_q):
    n = 7
    modes = Modes([1e9, 2e9], [random_q(n), 3 * random_q(n)])
    x, weight = np.polynomial.legendre.leggauss(2 * n + 1)
    phi = 2 * np.pi * np.arange(2 * n + 1) / (2 * n + 1)
    power = metrics.eirp(far_field(modes, theta=np.arccos(x)[::-1], phi=phi))
    integral = np.einsum("t,ftp->f", weight, power) / (2 * phi.size)
    np.testing.assert_allclose(metrics.trp(modes), integral, rtol=1e-12)


def test_eirp_of_a_current_element():
    # Closed form (C. A. Balanis, Antenna Theory, ch. 4, from memory): P = Z0 (k Il)^2 / (12 pi) for
    # a peak current, EIRP = 3/2 P. With Q = -q that power is q^2 / 2.
    k_il = 0.3
    q = k_il * np.sqrt(WAVE_IMPEDANCE / (6 * np.pi))
    modes = modes_of({(2, 0, 1): -q})
    power = WAVE_IMPEDANCE * k_il**2 / (12 * np.pi)
    np.testing.assert_allclose(metrics.trp(modes), power, rtol=1e-15)
    np.testing.assert_allclose(beam.peak(modes).eirp, 1.5 * power, rtol=POWER_RTOL)


def test_relative_data_has_no_absolute_level():
    modes = modes_of({(2, 0, 1): 1}, reference="relative")
    assert beam.peak(modes).eirp is None
    np.testing.assert_allclose(beam.peak(modes).directivity, 1.5, rtol=POWER_RTOL)
    with pytest.raises(ValueError, match=r"EIRP needs absolute data.*V/m or calibrate the probe"):
        metrics.eirp(grid_of(modes))
    with pytest.raises(ValueError, match=r"TRP needs absolute data.*V/m or calibrate the probe"):
        metrics.trp(modes)


def test_directivity_of_nothing_is_refused():
    dark = Modes([1e9, 2e9], [np.ones(6), np.zeros(6)])
    for call in (
        lambda: metrics.directivity(grid_of(dark)),
        lambda: metrics.partial_directivity(grid_of(dark), "circular"),
        lambda: beam.peak(dark),
    ):
        with pytest.raises(ValueError, match=r"radiated power is 0 W at 2e\+09 Hz"):
            call()


@pytest.mark.parametrize(("size", "says"), [(1e-150, "e-300 W at 1e"), (1e160, "inf W at 1e")])
@pytest.mark.filterwarnings("ignore:overflow")
def test_directivity_where_numbers_end_is_refused(size, says):
    # Squares of 1e-150 leave a null no digits; those of 1e160 are beyond the range of numbers.
    with pytest.raises(ValueError, match=says):
        beam.peak(Modes([1e9], size * HUYGENS.coefficients))
    for fair in (1e-130, 1e140):
        top = beam.peak(Modes([1e9], fair * HUYGENS.coefficients))
        # Closed form; the transforms at points reach 1e-12.
        np.testing.assert_allclose(top.directivity, 3, rtol=POWER_RTOL)


# --- gain and efficiency -------------------------------------------------------------------


def test_gain_of_a_lossy_mismatched_dipole():
    # Closed form, definitions of IEEE Std 145 (from memory): of 1 W that the source offers, a
    # port with |Gamma|^2 = 0.3 accepts 0.7 W, of which an antenna of radiation efficiency 0.8
    # radiates 0.56 W, 1/2 |Q|^2. A dipole has D = 1.5 at the horizon.
    modes = modes_of({(2, 0, 1): np.sqrt(2 * 0.56)})
    horizon = far_field(modes, theta=[np.pi / 2], phi=[0.3, 2.0])
    gain = metrics.gain(horizon, input_power=0.7)
    realised = metrics.realised_gain(horizon, input_power=1.0)
    np.testing.assert_allclose(gain, np.full((1, 1, 2), 1.5 * 0.8), rtol=POWER_RTOL)
    np.testing.assert_allclose(realised, np.full((1, 1, 2), 1.5 * 0.8 * 0.7), rtol=POWER_RTOL)
    np.testing.assert_allclose(
        metrics.radiation_efficiency(modes, input_power=0.7), [0.8], rtol=1e-15
    )
    np.testing.assert_allclose(
        metrics.total_efficiency(modes, input_power=1.0), [0.8 * 0.7], rtol=1e-15
    )


def test_input_power_belongs_to_its_frequency(random_q):
    modes = Modes([1e9, 2e9], [random_q(4), random_q(4)])
    pattern, power = grid_of(modes), np.array([0.5, 3.0])
    efficiency = modes.radiated_power() / power
    for gain, share in (
        (metrics.gain, metrics.radiation_efficiency),
        (metrics.realised_gain, metrics.total_efficiency),
    ):
        np.testing.assert_allclose(share(modes, input_power=power), efficiency, rtol=1e-15)
        # A few products of doubles in another order.
        np.testing.assert_allclose(
            gain(pattern, input_power=power),
            efficiency[:, None, None] * metrics.directivity(pattern),
            rtol=2e-15,
        )
        # One value serves for all frequencies.
        np.testing.assert_array_equal(
            gain(pattern, input_power=2.0), gain(pattern, input_power=[2.0, 2.0])
        )
    # More radiated than put in is a wrong calibration: shown, not held to 1.
    assert np.all(efficiency > 1)
    assert np.all(metrics.radiation_efficiency(modes, input_power=power) > 1)


def test_gain_and_efficiency_need_a_level_and_a_power():
    relative = modes_of({(2, 0, 1): 1}, reference="relative")
    for name, call, source in (
        ("gain", metrics.gain, grid_of(relative)),
        ("realised gain", metrics.realised_gain, grid_of(relative)),
        ("radiation efficiency", metrics.radiation_efficiency, relative),
        ("total efficiency", metrics.total_efficiency, relative),
    ):
        with pytest.raises(ValueError, match=rf"^{name} needs absolute data.*calibrate the probe"):
            call(source, input_power=1.0)
    both = Modes([1e9, 2e9], np.ones((2, 6)))
    for call, source in (
        (metrics.gain, grid_of(both)),
        (metrics.realised_gain, grid_of(both)),
        (metrics.radiation_efficiency, both),
        (metrics.total_efficiency, both),
    ):
        with pytest.raises(ValueError, match=r"input_power is -3 W at 2e\+09 Hz.*dBm"):
            call(source, input_power=[1.0, -3.0])
        with pytest.raises(ValueError, match=r"input_power is 0 W at 1e\+09 Hz.*positive"):
            call(source, input_power=0)
        with pytest.raises(ValueError, match=r"shape \(3,\) for 2 frequencies: give one value"):
            call(source, input_power=[1.0, 1.0, 1.0])


# --- polarisation --------------------------------------------------------------------------


@pytest.mark.parametrize("basis", metrics.BASES)
def test_partial_directivities_sum_to_the_directivity(random_q, basis):
    pattern = grid_of(Modes([1e9, 3e9], [random_q(5), random_q(5)]))
    angle = 0.4 if basis in ("ludwig-3", "linear") else 0.0
    first, second = metrics.partial_directivity(pattern, basis, reference_angle=angle)
    # Sums of four squares in another order: a few units of rounding.
    np.testing.assert_allclose(first + second, metrics.directivity(pattern), rtol=1e-14)
    a, b = metrics.components(pattern, basis, reference_angle=angle)
    ratio = np.abs(a) ** 2 / np.abs(b) ** 2
    np.testing.assert_allclose(first / second, ratio, rtol=1e-14)


@pytest.mark.parametrize("angle", [0.0, 0.6])
def test_huygens_source_has_no_cross_polarisation(angle):
    # Closed form: x- and y-polarised Huygens sources radiate (1 + cos theta) times the Ludwig-3
    # unit vectors; turned by an angle about z they have it for that reference.
    m = mode_numbers(1)[1]
    turned = Modes([1e9], HUYGENS.coefficients * np.exp(-1j * m * angle))
    pattern = grid_of(turned)
    co, cross = metrics.components(pattern, "ludwig-3", reference_angle=angle)
    np.testing.assert_allclose(np.abs(cross), 0, atol=1e-12 * np.abs(co).max())
    co_y, cross_y = metrics.components(pattern, "ludwig-3", reference_angle=angle + np.pi / 2)
    np.testing.assert_allclose(np.abs(co_y), 0, atol=1e-12 * np.abs(co).max())
    # Ludwig's cross-polar unit vector is y^ on axis when the reference is x^: +y, not -y.
    np.testing.assert_allclose(cross_y, -co, atol=1e-12 * np.abs(co).max())


def test_ludwig_3_on_axis_is_x_and_y():
    field = FarField([1e9], [0.0], [0.9], [[[2.0]]], [[[1j]]], [1.0])
    co, cross = metrics.components(field, "ludwig-3")
    _, unit_theta, unit_phi = oracle.cartesian(0.0, 0.9)
    e = 2 * unit_theta + 1j * unit_phi
    np.testing.assert_allclose([co[0, 0, 0], cross[0, 0, 0]], e[:2], atol=1e-15)


@pytest.mark.parametrize("slant", [-np.pi / 4, 0.0, 0.3, np.pi / 4, np.pi / 2])
def test_slanted_dipole_has_one_linear_component(slant):
    # Closed form: a current element across the direction +x, at the slant from theta^ = -z^
    # towards phi^ = +y^, has its whole field along itself.
    moment = np.cos(slant) * np.array([0, 0, -1.0]) + np.sin(slant) * np.array([0, 1.0, 0])
    e = far_field_of(
        DipoleCluster([[0, 0, 0]], [moment]), frequency=[1e9], theta=[np.pi / 2], phi=[0.0]
    )
    field = FarField([1e9], [np.pi / 2], [0.0], *(c[:, :, None] for c in e), [1.0])
    co, cross = metrics.components(field, "linear", reference_angle=slant)
    size = np.abs(co[0, 0, 0])
    assert abs(cross[0, 0, 0]) < 1e-15 * size
    # The same slant that `tilt_angle` tells, but for half a turn of the axis of an ellipse.
    tilt = metrics.tilt_angle(field)[0, 0, 0]
    np.testing.assert_allclose(np.sin(tilt - slant), 0, atol=1e-15)
    # A component at the slant +90 deg is the second one, with its sign.
    turned, back = metrics.components(field, "linear", reference_angle=slant - np.pi / 2)
    np.testing.assert_allclose(
        [turned[0, 0, 0], back[0, 0, 0]], [0, co[0, 0, 0]], atol=1e-15 * size
    )


def test_linear_components_are_what_a_field_probe_reads(random_q):
    # Conventions: an ideal field probe reads E_theta cos(chi) + E_phi sin(chi).
    pattern = grid_of(Modes([1e9], [random_q(3)]), 7, 5)
    chi = 0.7
    first, second = metrics.components(pattern, "linear", reference_angle=chi)
    for angle, component in ((chi, first), (chi + np.pi / 2, second)):
        reads = pattern.e_theta * np.cos(angle) + pattern.e_phi * np.sin(angle)
        # Two products and a sum of doubles.
        np.testing.assert_allclose(component, reads, atol=1e-15 * np.abs(reads).max())
    for mine, plain in zip(
        metrics.components(pattern, "linear"), metrics.components(pattern, "theta-phi"), strict=True
    ):
        np.testing.assert_array_equal(mine, plain)


def test_turnstile_turns_as_the_real_field_does():
    # Dipoles x and -jy in exp(+jwt): the current is x cos(wt) + y sin(wt).
    e = oracle.far_field(TURNSTILE.coefficients[0], 1, [0.4], [1.0])[0]
    exact = oracle.hertzian_dipole([1, -1j, 0], 1.0, 1e9, 0.4, 1.0)[1:]
    np.testing.assert_allclose(e[0] / e[1], exact[0] / exact[1], rtol=1e-8)

    pattern = grid_of(TURNSTILE, 19, 8)
    sense = metrics.sense(pattern)[0]
    t, p = (v.ravel() for v in np.meshgrid(pattern.theta, pattern.phi, indexing="ij"))
    r, unit_theta, unit_phi = oracle.cartesian(t, p)
    phasor = (
        pattern.e_theta.ravel()[:, None] * unit_theta + pattern.e_phi.ravel()[:, None] * unit_phi
    )
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

    right, left = (np.abs(c[0]) for c in metrics.components(pattern, "circular"))
    np.testing.assert_allclose(left[0] / right[0], 0, atol=1e-12)
    np.testing.assert_allclose(right[-1] / left[-1], 0, atol=1e-12)
    # Closed form: axial ratio 1/|cos theta|, D = 1.5 on axis and half of it at the horizon.
    ratio = metrics.axial_ratio(pattern)[0]
    upper = pattern.theta[:9]
    np.testing.assert_allclose(ratio[:9], np.outer(1 / np.cos(upper), np.ones(8)), rtol=1e-11)
    assert np.all(np.isinf(ratio[9]))
    d = metrics.directivity(pattern)[0]
    np.testing.assert_allclose(d[[0, 9], 0], [1.5, 0.75], rtol=POWER_RTOL)
    # At the horizon the field lies along phi^.
    np.testing.assert_allclose(np.abs(metrics.tilt_angle(pattern)[0, 9]), np.pi / 2, atol=1e-12)


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
    assert metrics.sense(field)[0, 0, 0] == turn
    np.testing.assert_allclose(metrics.axial_ratio(field), 1.5, rtol=1e-14)
    np.testing.assert_allclose(metrics.tilt_angle(field), tilt, atol=1e-14)


def test_linear_and_dark_directions():
    # Both components in phase, one of them with the rounding that a transform leaves; no field.
    e_theta, e_phi = [[[1.0 + 1j], [0]]], [[[2.0 * (1 + 1j) * (1 + 1e-14j)], [0]]]
    field = FarField([1e9], [0.5, 1.0], [0.0], e_theta, e_phi, [1.0])
    ratio = metrics.axial_ratio(field)[0, :, 0]
    assert np.isposinf(ratio[0])
    assert np.isnan(ratio[1])
    np.testing.assert_array_equal(metrics.sense(field)[0, :, 0], [0, 0])
    np.testing.assert_allclose(metrics.tilt_angle(field)[0, 0, 0], np.arctan(2), rtol=1e-14)


def test_unknown_basis_and_useless_reference_angle():
    field = grid_of(Z_DIPOLE)
    with pytest.raises(ValueError, match=r"basis is 'ludwig-2', expected .* or 'linear'$"):
        metrics.components(field, "ludwig-2")
    for basis in ("circular", "theta-phi"):
        with pytest.raises(ValueError, match=f"'ludwig-3' and 'linear' only: .* for '{basis}'"):
            metrics.components(field, basis, reference_angle=0.1)
