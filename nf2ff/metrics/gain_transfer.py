"""Gain by comparison with an antenna of known gain, measured in the same range; or of a probe.

The gain-transfer (gain-comparison) method of IEEE Std 149 (from memory): device and reference
antenna take turns at the same stimulus, and everything else is the same, so that their radiation
intensities are in the ratio of their realised gains. No absolute level is needed: both may be
relative, as long as one factor of level serves both.

Gain is that of IEEE Std 145 (from memory): it refers to the power accepted. The realised gain,
to the power incident on the port, is what is compared, and the impedance mismatch factor
1 - |Gamma|^2 lies between the two.

EIRP is not by itself an exposure: that is for local codes and qualified persons to assess.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna import fields
from nf2ff.antenna.far_field import FarField
from nf2ff.antenna.modes import Modes
from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.frequency_table import (
    FrequencyTable,
    check_name,
    level_table,
    reflection_table,
    span_words,
)
from nf2ff.kernel.interpolation import nearest_known
from nf2ff.measurement.probe import Probe, probe_from_modes
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.beam import peak
from nf2ff.metrics.gain_and_power import intensity

Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class GainTransfer:
    """A reference antenna of known gain, and the ways to it and to the device.

    Parameters
    ----------
    name : str
        The reference antenna, for reports.
    gain_dbi : FrequencyTable or float
        Its gain, of both polarisations together [dBi].
    reflection : FrequencyTable or complex
        Reflection coefficient at its port, linear; its magnitude counts, and is interpolated. 0,
        the default, if ``gain_dbi`` is its realised gain or it is matched.
    direction : (theta, phi) or None
        Where its gain is known [rad]; None for its peak.
    reference_loss_db, device_loss_db : FrequencyTable or float
        Loss from where both ways part to the port of the reference antenna, and to that of the
        device; negative if it amplifies [dB].

    Raises
    ------
    ValueError
        If a value is out of range.
    """

    name: str
    gain_dbi: FrequencyTable
    reflection: FrequencyTable = 0.0  # type: ignore[assignment]
    direction: tuple[float, float] | None = None
    reference_loss_db: FrequencyTable = 0.0  # type: ignore[assignment]
    device_loss_db: FrequencyTable = 0.0  # type: ignore[assignment]

    def __post_init__(self) -> None:
        check_name(self.name)
        label = f"of {self.name!r}"
        gain = level_table(self.gain_dbi, least=-60, most=90, name=f"gain {label}", unit="dBi")
        object.__setattr__(self, "gain_dbi", gain)
        reflection = reflection_table(self.reflection, name=f"reflection {label}")
        object.__setattr__(self, "reflection", reflection)
        for name in ("reference_loss_db", "device_loss_db"):
            loss = level_table(getattr(self, name), least=-200, most=200, name=f"{name} {label}", unit="dB")
            object.__setattr__(self, name, loss)
        if self.direction is not None:
            direction = as_array(self.direction, float, "direction", ndim=1)
            if direction.size != 2:
                raise InputError(
                    f"direction {label} has {direction.size} values, expected (theta, phi) [rad]"
                )
            theta, phi = (float(x) for x in direction)
            if not 0 <= theta <= np.pi:
                raise InputError(f"theta {label} is {np.degrees(theta):z.6g} deg, expected 0 to 180 deg")
            object.__setattr__(self, "direction", (theta, phi))

    def mismatch_factor(self, frequency: ArrayLike) -> Real:
        """Part of the incident power that the reference antenna accepts (F,), at ``frequency`` (F,) [Hz]."""
        # The phase turns with the length of the line to the port, and does not matter.
        size = replace(self.reflection, values=np.abs(self.reflection.values))
        return impedance_mismatch_factor(size.at(frequency, name=f"reflection of {self.name!r}"))

    def sentences(self, frequency: ArrayLike) -> tuple[str, ...]:
        """What sets the level at ``frequency`` (F,) [Hz], for the provenance of a result."""
        f = np.asarray(frequency, dtype=float)

        def words(key: str, unit: str) -> str:
            table: FrequencyTable = getattr(self, key)
            value = table.at(f, name=f"{key} of {self.name!r}")
            return f"{span_words(value, unit, f)} ({table.origin()})"

        place = "its peak"
        if self.direction is not None:
            theta, phi = np.degrees(self.direction)
            place = f"theta {theta:z.6g} deg, phi {phi:z.6g} deg"
        accepted = self.mismatch_factor(f)
        return (
            f"level: gain by substitution, reference antenna {self.name}",
            f"{self.name}: gain {words('gain_dbi', 'dBi')}, at {place}",
            f"{self.name}: impedance mismatch factor "
            f"{span_words(10 * np.log10(accepted), 'dB', f)} ({self.reflection.origin()})",
            f"way to the reference antenna: loss {words('reference_loss_db', 'dB')}",
            f"way to the device: loss {words('device_loss_db', 'dB')}",
        )


def impedance_mismatch_factor(reflection: ArrayLike) -> Real:
    """Part of the power incident on a port that is accepted, 1 - |Gamma|^2 (IEEE Std 145).

    Parameters
    ----------
    reflection : (F,) array_like
        Reflection coefficient at the port, linear.

    Returns
    -------
    (F,) ndarray
        The factor: realised gain over gain, power accepted over power incident.

    Raises
    ------
    ValueError
        If one is not below 1 in magnitude.
    """
    gamma = as_array(reflection, complex, "reflection")
    if np.any(np.abs(gamma) >= 1):
        largest = np.abs(gamma).max()
        raise InputError(
            f"reflection has magnitude {largest:.6g}, expected below 1", "give it linear, not in dB"
        )
    return np.asarray(1 - np.abs(gamma) ** 2)


def realised_gain_by_substitution(device: FarField, reference: Modes, transfer: GainTransfer) -> Real:
    """Realised gain of a device in every direction of its far field.

    Parameters
    ----------
    device : FarField
        Far field of the device.
    reference : Modes
        The reference antenna at the same stimulus and of the same level: from the same range,
        probe, chain and receiver. It needs every frequency of the device.
    transfer : GainTransfer
        Its known gain, and the losses on either way.

    Returns
    -------
    (F, T, P) ndarray
        G = G_ref (1 - |Gamma_ref|^2) U / U_ref, times the ratio of losses, device over reference: of
        both polarisations, linear. Divide by `impedance_mismatch_factor` of the device to get its gain.

    Raises
    ------
    ValueError
        If one is absolute and the other relative, a frequency is missing, or the reference
        antenna radiates nothing where its gain is known.
    """
    scale = _gain_per_intensity(device.frequency, device.reference, reference, transfer)
    return scale[:, None, None] * intensity(device.e_theta, device.e_phi)


def absolute_by_substitution(
    device: Modes, reference: Modes, transfer: GainTransfer, *, input_power: ArrayLike
) -> Modes:
    """Relative modes brought to the level of a stated input power: EIRP = (realised gain) P_in.

    Parameters
    ----------
    device : Modes
        Relative modes of the device.
    reference, transfer
        As in `realised_gain_by_substitution`.
    input_power : (F,) or () array_like
        Power P_in incident on the device's port, that is from a matched source [W].

    Returns
    -------
    Modes
        Absolute modes.

    Raises
    ------
    ValueError
        As in `realised_gain_by_substitution`; also if the device is absolute already or the
        input power is not positive.
    """
    if device.reference == "absolute":
        raise InputError(
            "the device's modes are absolute already: substitution would set their level twice; "
            "take their gain from EIRP over input power"
        )
    power = as_array(input_power, float, "input_power")
    if power.shape not in ((), device.frequency.shape) or not np.all(power > 0):
        raise InputError(
            f"input_power has {power.size} values, the least {power.min(initial=np.inf):g} W: "
            f"expected one or {device.frequency.size}, positive"
        )
    gain_per_u = _gain_per_intensity(device.frequency, device.reference, reference, transfer)
    scale = np.sqrt(gain_per_u * power / (4 * np.pi))  # EIRP = 4 pi U
    return Modes(device.frequency, scale[:, None] * device.coefficients, "absolute")


def probe_of_known_gain(probe: Probe, known: GainTransfer, *, port: int = 1) -> Probe:
    """Relative probe brought to the level that its gain gives, as a certificate states it.

    Parameters
    ----------
    probe : Probe
        Of a relative pattern, with frequencies.
    known : GainTransfer
        Its gain, its reflection coefficient, and where its gain is known, in the probe's own
        frame, boresight +z. No losses: those are steps of a `LevelChain`.
    port : int
        Port whose gain it is, from 1. Levels of other ports relative to it stay.

    Returns
    -------
    Probe
        Response in sqrt(W): its pattern is that of 1 W incident on the port.

    Raises
    ------
    ValueError
        If the probe is not relative, has no such port, losses are given or a frequency is missing.
    """
    if probe.response_unit != "relative":
        raise InputError(
            f"the probe answers in {probe.response_unit}, its level is known",
            "leave the gain out, or read its pattern again, together with the gain",
        )
    if not 1 <= port <= probe.ports:
        raise InputError(f"port is {port}, expected 1 to {probe.ports}, as many as the probe has")
    if np.any(known.reference_loss_db.values) or np.any(known.device_loss_db.values):
        raise InputError(
            f"path losses are not part of the gain of {known.name!r}",
            "leave them out, and make them steps of the chain that sets the level",
        )
    ports = probe.transmit_modes()
    one = ports[port - 1]
    gain_per_u = _gain_per_intensity(one.frequency, one.reference, one, known)
    scale = np.sqrt(gain_per_u / (4 * np.pi))[:, None]  # EIRP = 4 pi U = G for 1 W
    scaled = [Modes(x.frequency, scale * x.coefficients, "absolute") for x in ports]
    return probe_from_modes(scaled, minimum_radius=probe.minimum_radius)


def _gain_per_intensity(frequency: Real, level: str, reference: Modes, transfer: GainTransfer) -> Real:
    """Realised gain of the device over its intensity, (F,) [sr/W, in the unit of its level]."""
    if level != reference.reference:
        raise InputError(
            f"the device is {level} and the reference antenna {reference.reference}",
            "give both the same level, from the same chain",
        )
    chosen = _same_frequencies(reference, frequency)
    if transfer.direction is None:
        u = peak(chosen).directivity * chosen.radiated_power() / (4 * np.pi)
    else:
        theta, phi = transfer.direction
        u = intensity(*fields.far_field_points(chosen, theta=[theta], phi=[phi]))[:, 0]
        # What rounding leaves of a null, against the mean intensity.
        dark = np.flatnonzero(u <= 1e-20 * chosen.radiated_power())
        if dark.size:
            raise InputError(
                f"the reference antenna {transfer.name!r} radiates nothing at theta "
                f"{np.degrees(theta):z.6g} deg, phi {np.degrees(phi):z.6g} deg, "
                f"{frequency[dark[0]] / 1e9:.9g} GHz",
                "give the direction of its known gain",
            )
    name = f"of {transfer.name!r}"
    known = transfer.gain_dbi.at(frequency, name=f"gain {name}")
    level_db = (
        known
        + transfer.device_loss_db.at(frequency, name=f"device_loss_db {name}")
        - transfer.reference_loss_db.at(frequency, name=f"reference_loss_db {name}")
    )
    return np.asarray(transfer.mismatch_factor(frequency) * 10 ** (level_db / 10) / u)


def _same_frequencies(reference: Modes, frequency: Real) -> Modes:
    """The modes of the reference antenna at the frequencies of the device."""
    row, same = nearest_known(reference.frequency, frequency)
    lost = np.flatnonzero(~same)
    if lost.size:
        has = reference.frequency / 1e9
        raise InputError(
            f"the reference antenna was not measured at {frequency[lost[0]] / 1e9:.9g} GHz, its "
            f"{has.size} frequencies are from {has.min():.9g} to {has.max():.9g} GHz",
            "measure both at the same ones",
        )
    return reference.at(row)
