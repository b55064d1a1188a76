"""Metrics of one direction against closed forms, and TRP against the integral."""

import numpy as np
import oracle
import pytest
from patterns import HUYGENS, POWER_RTOL, Z_DIPOLE, grid_of, modes_of

from nf2ff.antenna.far_field import far_field
from nf2ff.antenna.modes import WAVE_IMPEDANCE, Modes, mode_index
from nf2ff.metrics import beam, gain_and_power, polarisation

# --- level ---------------------------------------------------------------------------------


def test_huygens_source_has_directivity_3_and_no_back_lobe():
    # Check values, section 1: Q_{2,-1,1} = -1, Q_{2,1,1} = Q_{1,+-1,1} = +1 in exp(-iwt).
    hansen = np.zeros(6, dtype=complex)
    for s, m in ((2, 1), (1, 1), (1, -1)):
        hansen[mode_index(s=s, m=m, n=1)] = 1
    hansen[mode_index(s=2, m=-1, n=1)] = -1
    source = Modes([1e9], [oracle.conjugate_convention(hansen, 1)])
    np.testing.assert_array_equal(source.coefficients, HUYGENS.coefficients)
    d = gain_and_power.directivity(far_field(source, theta=[0, np.pi / 3, np.pi], phi=[0, 1, 4]))[0]
    np.testing.assert_allclose(d[0], 3, rtol=POWER_RTOL)
    # 3 ((1 + cos 60 deg)/2)^2 = 27/16, closed form.
    np.testing.assert_allclose(d[1], 27 / 16, rtol=POWER_RTOL)
    np.testing.assert_allclose(d[2], 0, atol=1e-24)


def test_dipole_directivity():
    # Check values, section 2, closed form: D = 3/2 sin^2(theta).
    pattern = grid_of(Z_DIPOLE)
    expected = np.broadcast_to(1.5 * np.sin(pattern.theta)[None, :, None] ** 2, (1, 37, 24))
    np.testing.assert_allclose(gain_and_power.directivity(pattern), expected, atol=1.5 * POWER_RTOL)


def test_trp_is_the_integral_of_the_intensity(random_q):
    n = 7
    modes = Modes([1e9, 2e9], [random_q(n), 3 * random_q(n)])
    x, weight = np.polynomial.legendre.leggauss(2 * n + 1)
    phi = 2 * np.pi * np.arange(2 * n + 1) / (2 * n + 1)
    power = gain_and_power.eirp(far_field(modes, theta=np.arccos(x)[::-1], phi=phi))
    integral = np.einsum("t,ftp->f", weight, power) / (2 * phi.size)
    np.testing.assert_allclose(gain_and_power.trp(modes), integral, rtol=1e-12)


def test_eirp_of_a_current_element():
    # Closed form (C. A. Balanis, Antenna Theory, ch. 4, from memory): P = Z0 (k Il)^2 / (12 pi) for
    # a peak current, EIRP = 3/2 P. With Q = -q that power is q^2 / 2.
    k_il = 0.3
    q = k_il * np.sqrt(WAVE_IMPEDANCE / (6 * np.pi))
    modes = modes_of({(2, 0, 1): -q})
    power = WAVE_IMPEDANCE * k_il**2 / (12 * np.pi)
    np.testing.assert_allclose(gain_and_power.trp(modes), power, rtol=1e-15)
    np.testing.assert_allclose(beam.peak(modes).eirp, 1.5 * power, rtol=POWER_RTOL)


def test_relative_data_has_no_absolute_level():
    modes = modes_of({(2, 0, 1): 1}, reference="relative")
    assert beam.peak(modes).eirp is None
    np.testing.assert_allclose(beam.peak(modes).directivity, 1.5, rtol=POWER_RTOL)
    with pytest.raises(ValueError, match=r"EIRP needs absolute data.*V/m or calibrate the probe"):
        gain_and_power.eirp(grid_of(modes))
    with pytest.raises(ValueError, match=r"TRP needs absolute data.*V/m or calibrate the probe"):
        gain_and_power.trp(modes)


def test_directivity_of_nothing_is_refused():
    dark = Modes([1e9, 2e9], [np.ones(6), np.zeros(6)])
    for call in (
        lambda: gain_and_power.directivity(grid_of(dark)),
        lambda: polarisation.partial_directivity(grid_of(dark), "circular"),
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
    gain = gain_and_power.gain(horizon, input_power=0.7)
    realised = gain_and_power.realised_gain(horizon, input_power=1.0)
    np.testing.assert_allclose(gain, np.full((1, 1, 2), 1.5 * 0.8), rtol=POWER_RTOL)
    np.testing.assert_allclose(realised, np.full((1, 1, 2), 1.5 * 0.8 * 0.7), rtol=POWER_RTOL)
    np.testing.assert_allclose(gain_and_power.radiation_efficiency(modes, input_power=0.7), [0.8], rtol=1e-15)
    np.testing.assert_allclose(
        gain_and_power.total_efficiency(modes, input_power=1.0), [0.8 * 0.7], rtol=1e-15
    )


def test_input_power_belongs_to_its_frequency(random_q):
    modes = Modes([1e9, 2e9], [random_q(4), random_q(4)])
    pattern, power = grid_of(modes), np.array([0.5, 3.0])
    efficiency = modes.radiated_power() / power
    for gain, share in (
        (gain_and_power.gain, gain_and_power.radiation_efficiency),
        (gain_and_power.realised_gain, gain_and_power.total_efficiency),
    ):
        np.testing.assert_allclose(share(modes, input_power=power), efficiency, rtol=1e-15)
        # A few products of doubles in another order.
        np.testing.assert_allclose(
            gain(pattern, input_power=power),
            efficiency[:, None, None] * gain_and_power.directivity(pattern),
            rtol=2e-15,
        )
        # One value serves for all frequencies.
        np.testing.assert_array_equal(gain(pattern, input_power=2.0), gain(pattern, input_power=[2.0, 2.0]))
    # More radiated than put in is a wrong calibration: shown, not held to 1.
    assert np.all(efficiency > 1)
    assert np.all(gain_and_power.radiation_efficiency(modes, input_power=power) > 1)


def test_gain_and_efficiency_need_a_level_and_a_power():
    relative = modes_of({(2, 0, 1): 1}, reference="relative")
    for name, call, source in (
        ("gain", gain_and_power.gain, grid_of(relative)),
        ("realised gain", gain_and_power.realised_gain, grid_of(relative)),
        ("radiation efficiency", gain_and_power.radiation_efficiency, relative),
        ("total efficiency", gain_and_power.total_efficiency, relative),
    ):
        with pytest.raises(ValueError, match=rf"^{name} needs absolute data.*calibrate the probe"):
            call(source, input_power=1.0)
    both = Modes([1e9, 2e9], np.ones((2, 6)))
    for call, source in (
        (gain_and_power.gain, grid_of(both)),
        (gain_and_power.realised_gain, grid_of(both)),
        (gain_and_power.radiation_efficiency, both),
        (gain_and_power.total_efficiency, both),
    ):
        with pytest.raises(ValueError, match=r"input_power is -3 W at 2e\+09 Hz.*dBm"):
            call(source, input_power=[1.0, -3.0])
        with pytest.raises(ValueError, match=r"input_power is 0 W at 1e\+09 Hz.*positive"):
            call(source, input_power=0)
        with pytest.raises(ValueError, match=r"shape \(3,\) for 2 frequencies: give one value"):
            call(source, input_power=[1.0, 1.0, 1.0])
