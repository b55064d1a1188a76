"""Gain by substitution, from simulated scans of unknown level, against closed forms."""

from dataclasses import replace

import numpy as np
import pytest

from nf2ff.antenna.dipoles import DipoleCluster, huygens_source
from nf2ff.antenna.far_field import far_field
from nf2ff.antenna.grids import equiangular_grid
from nf2ff.antenna.modes import WAVE_IMPEDANCE, Modes, mode_index, wavenumber
from nf2ff.kernel.frequency_table import FrequencyTable
from nf2ff.measurement.probe import Probe, field_probe, probe_from_modes
from nf2ff.measurement.simulated import simulate_grid
from nf2ff.metrics.beam import peak
from nf2ff.metrics.gain_and_power import eirp, trp
from nf2ff.metrics.gain_transfer import (
    GainTransfer,
    absolute_by_substitution,
    impedance_mismatch_factor,
    probe_of_known_gain,
    realised_gain_by_substitution,
)
from nf2ff.solver.solve import solve

FREQUENCY = np.array([9e9, 10e9])
#: Solutions are good to 1e-9 in the field, hence gains to 2e-9 and twice that for a ratio.
GAIN_RTOL = 4e-9
#: Known gain, efficiencies, ports and ways; invented.
EFFICIENCY, REFERENCE_EFFICIENCY = 0.6, np.array([0.9, 0.8])
GAMMA, REFERENCE_GAMMA = 0.4 - 0.2j, np.array([0.1 + 0.2j, -0.3j])
DEVICE_LOSS_DB, REFERENCE_LOSS_DB = 1.7, np.array([2.2, 2.9])
#: Gain of a short dipole at its equator, 3/2 times the efficiency (closed form).
REFERENCE_GAIN_DBI = 10 * np.log10(1.5 * REFERENCE_EFFICIENCY)
#: Realised gain of the device at its peak: a Huygens source has directivity 3 (closed form).
REALISED = 3 * EFFICIENCY * (1 - abs(GAMMA) ** 2)


def scanned(antenna, radiated_power, dipoles):
    """Relative modes of an antenna of so much power (F,), through a range of unknown factor.

    Dipoles that do not couple radiate k^2 Z0 |p|^2 / (12 pi) each (closed form).
    """
    scan = simulate_grid(antenna, frequency=FREQUENCY, grid=equiangular_grid(13, 24), radius=0.3)
    unit = dipoles * wavenumber(FREQUENCY) ** 2 * WAVE_IMPEDANCE / (12 * np.pi)
    level = np.sqrt(radiated_power / unit) * np.array([3e-4j, 5e-4 - 1e-4j])
    scan = replace(scan, response=scan.response * level[:, None], response_unit="relative")
    return solve(scan, field_probe(), degree=9).modes


@pytest.fixture(scope="module")
def device():
    """A lossy, mismatched Huygens source that gets what a way of 1.7 dB leaves of 1 W."""
    source = huygens_source(direction=[1, 1, 0.5], polarisation=[0, -0.5, 1], position=[1e-3, 0, 2e-3])
    power = 10 ** (-DEVICE_LOSS_DB / 10) * EFFICIENCY * (1 - abs(GAMMA) ** 2)
    return scanned(source, power, dipoles=2)


@pytest.fixture(scope="module")
def reference():
    """A lossy, mismatched z dipole at the end of another way."""
    dipole = DipoleCluster([[0.0, 2e-3, 0.0]], [[0.0, 0.0, 1.0]])
    accepted = REFERENCE_EFFICIENCY * (1 - np.abs(REFERENCE_GAMMA) ** 2)
    return scanned(dipole, 10 ** (-REFERENCE_LOSS_DB / 10) * accepted, dipoles=1)


@pytest.fixture
def transfer():
    """What is known of the reference antenna and of the ways."""
    return GainTransfer(
        "dipole",
        FrequencyTable(REFERENCE_GAIN_DBI, FREQUENCY),
        FrequencyTable(REFERENCE_GAMMA, FREQUENCY),
        reference_loss_db=FrequencyTable(REFERENCE_LOSS_DB, FREQUENCY),
        device_loss_db=DEVICE_LOSS_DB,
    )


def test_gain_over_the_pattern(device, reference, transfer):
    theta, phi = np.linspace(0, np.pi, 7), np.arange(6.0)
    pattern = far_field(device, theta=theta, phi=phi)
    gain = realised_gain_by_substitution(pattern, reference, transfer)
    t, p = np.meshgrid(theta, phi, indexing="ij")
    # Closed form: a Huygens source radiates 3 ((1 + cos a)/2)^2, a the angle from its direction.
    along = (np.sin(t) * (np.cos(p) + np.sin(p)) + 0.5 * np.cos(t)) / 1.5
    expected = REALISED * ((1 + along) / 2) ** 2
    np.testing.assert_allclose(gain, [expected] * 2, atol=REALISED * GAIN_RTOL)
    # IEEE Std 145: gain refers to the power accepted.
    np.testing.assert_allclose(
        gain / impedance_mismatch_factor(GAMMA), [expected / (1 - abs(GAMMA) ** 2)] * 2, atol=3 * GAIN_RTOL
    )


@pytest.mark.parametrize("power", [0.02, [0.02, 3.0]])
def test_absolute_level_for_an_input_power(device, reference, transfer, power):
    modes = absolute_by_substitution(device, reference, transfer, input_power=power)
    assert modes.reference == "absolute"
    np.testing.assert_allclose(peak(modes).eirp, REALISED * np.array(power), rtol=GAIN_RTOL)
    # What is radiated of the power incident: the efficiency and the port's factor.
    radiated = EFFICIENCY * (1 - abs(GAMMA) ** 2) * np.array(power)
    np.testing.assert_allclose(trp(modes), np.broadcast_to(radiated, 2), rtol=GAIN_RTOL)
    # EIRP = G P_in in every direction.
    angles = {"theta": [0.3, 1.1], "phi": [0.2, 2.2, 5.0]}
    gain = realised_gain_by_substitution(far_field(device, **angles), reference, transfer)
    np.testing.assert_allclose(
        eirp(far_field(modes, **angles)), gain * np.broadcast_to(power, 2)[:, None, None], rtol=1e-11
    )


def test_gain_known_in_a_direction(device, reference, transfer):
    # Closed form: a z dipole has 3/2 sin^2(theta).
    theta = np.radians(50)
    lower = FrequencyTable(REFERENCE_GAIN_DBI + 20 * np.log10(np.sin(theta)), FREQUENCY)
    aside = replace(transfer, gain_dbi=lower, direction=(theta, 2.0))
    a, b = (absolute_by_substitution(device, reference, x, input_power=1.0) for x in (transfer, aside))
    np.testing.assert_allclose(b.coefficients, a.coefficients, rtol=GAIN_RTOL)


def test_frequencies_are_matched_by_value(device, reference, transfer):
    wanted = absolute_by_substitution(device, reference, transfer, input_power=1.0)
    more = Modes([10e9, 8e9, 9e9], reference.coefficients[[1, 1, 0]] * [[1], [7], [1]], "relative")
    got = absolute_by_substitution(device, more, transfer, input_power=1.0)
    np.testing.assert_allclose(got.coefficients, wanted.coefficients, rtol=1e-11)
    with pytest.raises(ValueError, match=r"not measured at 9 GHz, its 2 .* from 8 to 10 GHz: meas"):
        absolute_by_substitution(
            device, Modes([10e9, 8e9], more.coefficients[:2], "relative"), transfer, input_power=1.0
        )


def test_default_reference_is_matched_at_the_end_of_equal_ways(reference):
    # The reference antenna against itself has its own gain.
    known = GainTransfer("dipole", 1.0)
    modes = absolute_by_substitution(reference, reference, known, input_power=2.0)
    np.testing.assert_allclose(peak(modes).eirp, 2 * 10**0.1, rtol=1e-11)


def test_absolute_fields_of_one_chain_give_gain_too(device, reference, transfer):
    def absolute(modes):
        return Modes(modes.frequency, modes.coefficients, "absolute")

    angles = {"theta": [1.0], "phi": [0.5]}
    relative = realised_gain_by_substitution(far_field(device, **angles), reference, transfer)
    pattern = far_field(absolute(device), **angles)
    gain = realised_gain_by_substitution(pattern, absolute(reference), transfer)
    np.testing.assert_array_equal(gain, relative)
    message = "the device is absolute and the reference antenna relative: give both the same level"
    with pytest.raises(ValueError, match=message):
        realised_gain_by_substitution(pattern, reference, transfer)
    with pytest.raises(ValueError, match="absolute already: substitution would set their level tw"):
        absolute_by_substitution(absolute(device), absolute(reference), transfer, input_power=1.0)


@pytest.mark.parametrize(
    ("power", "message"),
    [
        (0.0, "input_power has 1 values, the least 0 W: expected one or 2, positive"),
        ([1.0, -1.0], "input_power has 2 values, the least -1 W: expected one or 2, positive"),
        ([1.0, 1.0, 1.0], "input_power has 3 values, the least 1 W: expected one or 2"),
        (np.nan, "input_power is nan"),
    ],
)
def test_bad_input_power(device, reference, transfer, power, message):
    with pytest.raises(ValueError, match=message):
        absolute_by_substitution(device, reference, transfer, input_power=power)


def test_a_reference_that_radiates_nothing_there(device, transfer):
    # A dipole along z radiates nothing at theta = 0.
    dipole = np.zeros((2, 6), dtype=complex)
    dipole[:, 3] = 1  # (s, m, n) = (2, 0, 1)
    null = replace(transfer, direction=(0.0, 0.0))
    message = r"'dipole' radiates nothing at theta 0 deg, phi 0 deg, 9 GHz: give the direction of"
    with pytest.raises(ValueError, match=message):
        absolute_by_substitution(device, Modes(FREQUENCY, dipole, "relative"), null, input_power=1.0)
    dark = Modes(FREQUENCY, 0 * dipole, "relative")
    with pytest.raises(ValueError, match="radiated power is 0 W"):
        absolute_by_substitution(device, dark, transfer, input_power=1.0)
    with pytest.raises(ValueError, match="'dipole' radiates nothing"):
        absolute_by_substitution(device, dark, null, input_power=1.0)


@pytest.mark.parametrize(
    ("key", "what"),
    [
        ("gain_dbi", "gain of 'dipole'"),
        ("reflection", "reflection of 'dipole'"),
        ("reference_loss_db", "reference_loss_db of 'dipole'"),
        ("device_loss_db", "device_loss_db of 'dipole'"),
    ],
)
def test_tables_that_lack_a_frequency(device, reference, transfer, key, what):
    short = replace(transfer, **{key: FrequencyTable([0.1], [10e9])})
    with pytest.raises(ValueError, match=f"{what} is not known at 9 GHz: its table has 1 point"):
        absolute_by_substitution(device, reference, short, input_power=1.0)
    with pytest.raises(ValueError, match=f"{key} of 'dipole' is not known at 9 GHz: its table"):
        short.sentences(FREQUENCY)


@pytest.mark.parametrize("how", ["linear", "smooth"])
def test_the_phase_of_the_reflection_does_not_matter(how, rng):
    # Closed form: 1 - |Gamma|^2, whatever line the coefficients were measured behind.
    turn = np.exp(2j * np.pi * rng.random(5))
    horn = GainTransfer("horn", 15.0, FrequencyTable(0.5 * turn, np.linspace(8e9, 12e9, 5), how))
    found = horn.mismatch_factor([8.5e9, 9.1e9, 11.7e9])
    np.testing.assert_allclose(found, 0.75, rtol=1e-14)


def short_dipoles(level):
    """Relative probe of two crossed short dipoles, the second half as strong as the first."""
    t = np.zeros((2, 2, 6), dtype=complex)
    # In exp(+jwt): x dipole Q_{2,+-1,1} = +-1, y dipole Q_{2,+-1,1} = j, up to a factor.
    plus, minus = (mode_index(s=2, m=m, n=1) for m in (1, -1))
    t[:, 0, plus], t[:, 0, minus] = 1, -1
    t[:, 1, plus] = t[:, 1, minus] = 0.5j
    t *= np.reshape(level, (2, 1, 1))
    return probe_from_modes([Modes(FREQUENCY, t[:, i], "relative") for i in (0, 1)])


@pytest.mark.parametrize("direction", [None, (0.0, 0.0)])
def test_a_relative_probe_gets_the_level_of_its_known_gain(direction):
    # Closed form: a port of gain G = 3/2 e, e its efficiency, that reflects Gamma radiates
    # e (1 - |Gamma|^2) of the 1 W incident on it, 1/2 sum |Q|^2.
    known = GainTransfer(
        "probe",
        FrequencyTable(REFERENCE_GAIN_DBI, FREQUENCY),
        FrequencyTable(REFERENCE_GAMMA, FREQUENCY),
        direction,
    )
    radiated = REFERENCE_EFFICIENCY * (1 - np.abs(REFERENCE_GAMMA) ** 2)
    for port, ratio in ((1, [1, 0.25]), (2, [4, 1])):
        probe = probe_of_known_gain(short_dipoles([3.0, 7j]), known, port=port)
        assert (probe.response_unit, probe.ports) == ("sqrt(W)", 2)
        for modes, part in zip(probe.transmit_modes(), ratio, strict=True):
            assert modes.reference == "absolute"
            # Fields at points are good to 1e-12 (`fields.POINT_EPSILON`), in the known direction
            # and at the peak, powers to twice that.
            np.testing.assert_allclose(modes.radiated_power(), part * radiated, rtol=1e-11)
    # Phases stay: those of the second port against the first, and of the level.
    r = probe.coefficients[:, :, mode_index(s=2, m=1, n=1)]
    np.testing.assert_allclose(r[:, 1] / r[:, 0], [0.5j, 0.5j], rtol=1e-14)
    np.testing.assert_allclose(np.angle(r[1, 0] / r[0, 0]), np.pi / 2, rtol=1e-14)


def test_probes_of_known_gain_that_are_refused(transfer):
    known, probe = GainTransfer("horn", 15.0), short_dipoles([1, 1])
    with pytest.raises(ValueError, match=r"answers in V/m, its level is known: leave the gain out"):
        probe_of_known_gain(field_probe(), known)
    absolute = probe_of_known_gain(probe, known)
    with pytest.raises(ValueError, match=r"the probe answers in sqrt\(W\), its level is known: lea"):
        probe_of_known_gain(absolute, known)
    for port in (0, 3):
        with pytest.raises(ValueError, match=f"port is {port}, expected 1 to 2, as many as the"):
            probe_of_known_gain(probe, known, port=port)
    with pytest.raises(
        ValueError, match="path losses are not part of the gain of 'dipole': leave them out, and make"
    ):
        probe_of_known_gain(probe, transfer)
    with pytest.raises(ValueError, match=r"'horn' radiates nothing at theta 90 deg, phi 0 deg, 9 G"):
        probe_of_known_gain(probe, replace(known, direction=(np.pi / 2, 0.0)))
    short = GainTransfer("horn", FrequencyTable([15.0], [10e9]))
    with pytest.raises(ValueError, match="gain of 'horn' is not known at 9 GHz: its table has 1 po"):
        probe_of_known_gain(probe, short)
    endless = Probe(None, probe.coefficients[:1], "relative")
    with pytest.raises(ValueError, match="or has no frequencies, has no pattern"):
        probe_of_known_gain(endless, known)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"gain_dbi": 91.0}, "gain of 'horn' is 91 dBi, expected -60 to 90 dBi: check its sign"),
        ({"reflection": 1.0}, "reflection of 'horn' has magnitude 1, expected below 1"),
        ({"reference_loss_db": 201.0}, "reference_loss_db of 'horn' is 201 dB, expected -200 to"),
        ({"device_loss_db": -201.0}, "device_loss_db of 'horn' is -201 dB, expected -200 to 200"),
        ({"direction": (4.0, 0.0)}, "theta of 'horn' is 229.183 deg, expected 0 to 180 deg"),
        ({"direction": (1.0, np.nan)}, "direction is nan"),
        ({"direction": (1.0,)}, r"direction of 'horn' has 1 values, expected \(theta, phi\) \[rad"),
        ({"name": ""}, "the name '' is not fit for a report"),
    ],
)
def test_bad_transfers(arguments, message):
    with pytest.raises(ValueError, match=message):
        GainTransfer(**({"name": "horn", "gain_dbi": 15.0} | arguments))


def test_impedance_mismatch_factor():
    # Closed form: |Gamma| = 1/3 is a standing-wave ratio of 2; 8/9 of the power are accepted.
    np.testing.assert_allclose(impedance_mismatch_factor([1j / 3, 0]), [8 / 9, 1], rtol=1e-15)
    with pytest.raises(ValueError, match=r"reflection has magnitude 1.5, expected below 1: give it l"):
        impedance_mismatch_factor([0.1, -1.5])


def test_sentences(transfer):
    # 10 log10(1 - 0.05) = -0.222764, 10 log10(1 - 0.09) = -0.409586 dB; 1.5 * 0.9 = 1.30334 dBi.
    assert transfer.sentences(FREQUENCY) == (
        "level: gain by substitution, reference antenna dipole",
        "dipole: gain 0.791812 to 1.30334 dBi at 9 to 10 GHz (table, 2 points, 9 to 10 GHz, "
        "linear), at its peak",
        "dipole: impedance mismatch factor -0.409586 to -0.222764 dB at 9 to 10 GHz (table, 2 "
        "points, 9 to 10 GHz, linear)",
        "way to the reference antenna: loss 2.2 to 2.9 dB at 9 to 10 GHz (table, 2 points, 9 to 10 "
        "GHz, linear)",
        "way to the device: loss 1.7 dB at 9 to 10 GHz (one value for all frequencies)",
    )
    aside = replace(transfer, direction=(np.radians(30), np.radians(45)))
    assert aside.sentences([9e9])[1].endswith("linear), at theta 30 deg, phi 45 deg")
