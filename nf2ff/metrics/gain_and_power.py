"""Intensity, directivity, gain, EIRP, TRP and efficiency.

Metrics of a `FarField` are taken direction by direction. The total radiated power of `Modes` is
exact, a sum over coefficients. Terms are those of IEEE Std 145 (from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.far_field import FarField
from nf2ff.antenna.modes import WAVE_IMPEDANCE, Modes
from nf2ff.kernel.arrays import as_array
from nf2ff.messages.input_error import InputError

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Least power with a directivity [W]: what a null has of it, eps^2, is the least number of full
#: precision. Below, and where squares exceed the range of numbers, digits are lost.
_LEAST_POWER = np.finfo(float).tiny / np.finfo(float).eps ** 2


def intensity(e_theta: Complex, e_phi: Complex) -> Real:
    """Radiation intensity U = |r E|^2 / (2 Z0).

    Parameters
    ----------
    e_theta, e_phi : complex ndarray
        Components of the far field, any shape [V].

    Returns
    -------
    ndarray
        Intensity of both polarisations, same shape [W/sr].
    """
    power = e_theta.real**2 + e_theta.imag**2 + e_phi.real**2 + e_phi.imag**2
    return np.asarray(power / (2 * WAVE_IMPEDANCE))


def nonzero_power(frequency: Real, power: Real) -> Real:
    """The radiated ``power`` (F,) [W], if directivity has a meaning at every frequency.

    Raises
    ------
    ValueError
        If no power is radiated at a frequency, or less or more than numbers can tell.
    """
    dark = np.flatnonzero(~((power > _LEAST_POWER) & (power < np.inf)))
    if dark.size:
        raise InputError(
            f"radiated power is {power[dark[0]]:g} W at {frequency[dark[0]]:.9g} Hz: directivity "
            "is not defined there, remove that frequency"
        )
    return power


def require_absolute(reference: str, quantity: str) -> None:
    """Refuse to give ``quantity`` of data whose level is only relative.

    Raises
    ------
    ValueError
        If ``reference`` is not "absolute", naming the calibration that is missing.
    """
    if reference != "absolute":
        raise InputError(
            f"{quantity} needs absolute data: these samples are relative; state that the responses "
            "are in V/m or calibrate the probe's port in sqrt(W)"
        )


def directivity(far_field: FarField) -> Real:
    """Directivity 4 pi U / P_rad with U the intensity of both polarisations.

    Parameters
    ----------
    far_field : FarField
        Field at F frequencies on T polar angles and P azimuths, and its radiated power.

    Returns
    -------
    (F, T, P) ndarray
        Directivity, linear.

    Raises
    ------
    ValueError
        If no power is radiated at a frequency.
    """
    power = nonzero_power(far_field.frequency, far_field.radiated_power)
    u = intensity(far_field.e_theta, far_field.e_phi)
    return np.asarray(4 * np.pi * u / power[:, None, None])


def eirp(far_field: FarField) -> Real:
    """Equivalent isotropically radiated power 4 pi U of both polarisations.

    Parameters
    ----------
    far_field : FarField
        Absolute far field.

    Returns
    -------
    (F, T, P) ndarray
        EIRP [W].

    Raises
    ------
    ValueError
        If the level of the field is only relative.
    """
    require_absolute(far_field.reference, "EIRP")
    return 4 * np.pi * intensity(far_field.e_theta, far_field.e_phi)


def trp(modes: Modes) -> Real:
    """Total radiated power 1/2 sum |Q|^2: the integral of U over the sphere, exactly.

    Parameters
    ----------
    modes : Modes
        Absolute mode coefficients.

    Returns
    -------
    (F,) ndarray
        TRP [W].

    Raises
    ------
    ValueError
        If the level of the modes is only relative.
    """
    require_absolute(modes.reference, "TRP")
    return modes.radiated_power()


def gain(far_field: FarField, *, input_power: ArrayLike) -> Real:
    """Gain 4 pi U / P_in with U of both polarisations and P_in the power accepted.

    Parameters
    ----------
    far_field : FarField
        Absolute far field.
    input_power : (F,) or () array_like
        Power that the antenna accepts at its port while it radiates this field [W].

    Returns
    -------
    (F, T, P) ndarray
        Gain, linear: directivity times `radiation_efficiency`. The gain at the peak itself is
        ``beam.peak(modes).eirp / input_power``.

    Raises
    ------
    ValueError
        If the level of the field is only relative, or the power is not positive or not one
        value for each frequency.
    """
    return _gain(far_field, input_power, "gain")


def realised_gain(far_field: FarField, *, input_power: ArrayLike) -> Real:
    """Realised gain 4 pi U / P_in with P_in the power available from the source, incident on the port.

    As `gain`, less the loss by reflection at the port: directivity times `total_efficiency`.

    Parameters
    ----------
    far_field : FarField
        Absolute far field.
    input_power : (F,) or () array_like
        Power incident on the port while the antenna radiates this field [W].

    Returns
    -------
    (F, T, P) ndarray
        Realised gain of both polarisations, linear.

    Raises
    ------
    ValueError
        As `gain`.
    """
    return _gain(far_field, input_power, "realised gain")


def _gain(far_field: FarField, input_power: ArrayLike, name: str) -> Real:
    require_absolute(far_field.reference, name)
    return eirp(far_field) / _stated(input_power, far_field.frequency)[:, None, None]


def radiation_efficiency(modes: Modes, *, input_power: ArrayLike) -> Real:
    """Radiated power over the power accepted.

    Parameters
    ----------
    modes : Modes
        Absolute mode coefficients.
    input_power : (F,) or () array_like
        Power that the antenna accepts at its port while it radiates this field [W].

    Returns
    -------
    (F,) ndarray
        Efficiency, linear. It is not held to 1: more than 1 tells that the stated power and the
        calibration of the level do not belong together, and by how much.

    Raises
    ------
    ValueError
        If the level of the modes is only relative, or the power is not positive or not one
        value for each frequency.
    """
    require_absolute(modes.reference, "radiation efficiency")
    return modes.radiated_power() / _stated(input_power, modes.frequency)


def total_efficiency(modes: Modes, *, input_power: ArrayLike) -> Real:
    """Radiated power over the power available from the source.

    Parameters
    ----------
    modes : Modes
        Absolute mode coefficients.
    input_power : (F,) or () array_like
        Power incident on the port while the antenna radiates this field [W].

    Returns
    -------
    (F,) ndarray
        Efficiency, linear; not held to 1, as `radiation_efficiency`.

    Raises
    ------
    ValueError
        As `radiation_efficiency`.
    """
    require_absolute(modes.reference, "total efficiency")
    return modes.radiated_power() / _stated(input_power, modes.frequency)


def _stated(input_power: ArrayLike, frequency: Real) -> Real:
    """``input_power`` at each frequency (F,) [W]."""
    power = as_array(input_power, float, "input_power")
    if power.shape not in ((), frequency.shape):
        raise InputError(
            f"input_power has shape {power.shape} for {frequency.size} frequencies",
            "give one value, or one for each frequency",
        )
    power = np.broadcast_to(power, frequency.shape)
    bad = np.flatnonzero(power <= 0)
    if bad.size:
        raise InputError(
            f"input_power is {power[bad[0]]:g} W at {frequency[bad[0]]:.9g} Hz, expected a positive"
            " power; a level in dBm is 10^(level/10) mW"
        )
    return power
