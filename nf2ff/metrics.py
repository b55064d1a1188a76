"""What an antenna's far field amounts to: directivity, gain, EIRP, TRP and polarisation.

Metrics of a `FarField` are taken direction by direction. The total radiated power of `Modes` is
exact, a sum over coefficients. Terms are those of IEEE Std 145 and of A. C. Ludwig, IEEE Trans.
AP 21(1), 116-119, 1973 (both from memory).
"""

from __future__ import annotations

from dataclasses import fields
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.farfield import FarField
from nf2ff.modes import WAVE_IMPEDANCE, Modes
from nf2ff.special import as_array

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
Basis = Literal["theta-phi", "ludwig-3", "circular", "linear"]
BASES: tuple[Basis, ...] = ("theta-phi", "ludwig-3", "circular", "linear")
#: Those with a reference angle.
_TURNED = ("ludwig-3", "linear")

#: An ellipse whose Stokes parameter S3 is below this fraction of S0 is taken as linear: 1e-13 is
#: what the transforms' rounding leaves of a field that is linear (axial ratio 266 dB).
LINEAR_LIMIT = 1e-13
#: Least power with a directivity [W]: what a null has of it, eps^2, is the least number of full
#: precision. Below, and where squares exceed the range of numbers, digits are lost.
_LEAST_POWER = np.finfo(float).tiny / np.finfo(float).eps ** 2


# --- level ---------------------------------------------------------------------------------


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
    """Refuse frequencies at which directivity has no meaning.

    Parameters
    ----------
    frequency : (F,) ndarray
        Frequencies [Hz].
    power : (F,) ndarray
        Radiated power [W].

    Returns
    -------
    (F,) ndarray
        ``power`` itself [W].

    Raises
    ------
    ValueError
        If no power is radiated at a frequency, or less or more than numbers can tell.
    """
    dark = np.flatnonzero(~((power > _LEAST_POWER) & (power < np.inf)))
    if dark.size:
        msg = (
            f"radiated power is {power[dark[0]]:g} W at {frequency[dark[0]]:.9g} Hz: directivity "
            "is not defined there, remove that frequency"
        )
        raise ValueError(msg)
    return power


def require_absolute(reference: str, quantity: str) -> None:
    """Refuse to give ``quantity`` of data whose level is only relative.

    Raises
    ------
    ValueError
        If ``reference`` is not "absolute", naming the calibration that is missing.
    """
    if reference != "absolute":
        msg = (
            f"{quantity} needs absolute data: these samples are relative; state that the responses "
            "are in V/m or calibrate the probe's port in sqrt(W)"
        )
        raise ValueError(msg)


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
    require_absolute(far_field.reference, "gain")
    return eirp(far_field) / _stated(input_power, far_field.frequency)[:, None, None]


def realised_gain(far_field: FarField, *, input_power: ArrayLike) -> Real:
    """Realised gain 4 pi U / P_in with P_in the power available from the source.

    That is the power incident on the antenna's port. As `gain`, less the loss by reflection at
    the port: directivity times `total_efficiency`.
    """
    require_absolute(far_field.reference, "realised gain")
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
    """Radiated power over the power available from the source; as `radiation_efficiency`."""
    require_absolute(modes.reference, "total efficiency")
    return modes.radiated_power() / _stated(input_power, modes.frequency)


def _stated(input_power: ArrayLike, frequency: Real) -> Real:
    """``input_power`` at each frequency (F,) [W]."""
    power = as_array(input_power, float, "input_power")
    if power.shape not in ((), frequency.shape):
        msg = (
            f"input_power has shape {power.shape} for {frequency.size} frequencies: give one "
            "value, or one for each frequency"
        )
        raise ValueError(msg)
    power = np.broadcast_to(power, frequency.shape)
    bad = np.flatnonzero(power <= 0)
    if bad.size:
        msg = (
            f"input_power is {power[bad[0]]:g} W at {frequency[bad[0]]:.9g} Hz, expected a positive"
            " power; a level in dBm is 10^(level/10) mW"
        )
        raise ValueError(msg)
    return power


# --- polarisation --------------------------------------------------------------------------


def components(
    far_field: FarField, basis: Basis, *, reference_angle: float = 0.0
) -> tuple[Complex, Complex]:
    """Far field in a polarisation basis.

    Parameters
    ----------
    far_field : FarField
        Field with components theta and phi.
    basis : {"theta-phi", "ludwig-3", "circular", "linear"}
        Pair of components: E_theta, E_phi; co- and cross-polar by Ludwig's third definition;
        right-hand and left-hand circular by IEEE Std 145; linear at a slant and across it.
    reference_angle : float
        For "ludwig-3": azimuth phi0 of the reference polarisation, 0 for x, pi/2 for y. For
        "linear": slant of the reference direction from theta^ towards phi^, as `tilt_angle`
        counts it [rad].

    Returns
    -------
    first, second : (F, T, P) ndarray
        Complex components, |first|^2 + |second|^2 = |E|^2 [V].

    Raises
    ------
    ValueError
        If the basis is unknown, or a reference angle is given to a basis that has none.

    Notes
    -----
    Ludwig-3: E_co = E_theta cos(phi - phi0) - E_phi sin(phi - phi0) and
    E_cross = E_theta sin(phi - phi0) + E_phi cos(phi - phi0).

    Circular: in exp(+jwt) the unit field (theta^ - j phi^)/sqrt 2 turns from theta^ to phi^, seen
    from behind the wave clockwise: right-hand. So E_R = (E_theta + j E_phi)/sqrt 2 and
    E_L = (E_theta - j E_phi)/sqrt 2.

    Linear at the slant a: E_co = E_theta cos(a) + E_phi sin(a), what an ideal field probe reads
    at chi = a, and E_cross = E_phi cos(a) - E_theta sin(a), at chi = a + pi/2. A slant of 0 gives
    E_theta and E_phi.
    """
    reference = checked_basis(basis, reference_angle)
    return in_basis(
        far_field.e_theta, far_field.e_phi, far_field.phi, basis=basis, reference_angle=reference
    )


def checked_basis(basis: str, reference_angle: float) -> float:
    """The reference angle [rad], if it and ``basis`` fit together as `components` says.

    Raises
    ------
    ValueError
        As in `components`.
    """
    reference = float(as_array(reference_angle, float, "reference_angle", ndim=0))
    if basis not in BASES:
        *most, last = (repr(name) for name in BASES)
        msg = f"basis is {basis!r}, expected {', '.join(most)} or {last}"
        raise ValueError(msg)
    if reference and basis not in _TURNED:
        msg = f"reference_angle applies to 'ludwig-3' and 'linear' only: leave it out for {basis!r}"
        raise ValueError(msg)
    return reference


def in_basis(
    e_theta: Complex, e_phi: Complex, phi: Real, *, basis: Basis, reference_angle: float
) -> tuple[Complex, Complex]:
    """As `components`, of fields of any shape, with ``phi`` [rad] that can be broadcast to it."""
    if basis == "ludwig-3":
        c, s = np.cos(phi - reference_angle), np.sin(phi - reference_angle)
        return e_theta * c - e_phi * s, e_theta * s + e_phi * c
    if basis == "circular":
        return (e_theta + 1j * e_phi) / np.sqrt(2), (e_theta - 1j * e_phi) / np.sqrt(2)
    if reference_angle:
        c, s = np.cos(reference_angle), np.sin(reference_angle)
        return e_theta * c + e_phi * s, e_phi * c - e_theta * s
    return e_theta, e_phi


def partial_directivity(
    far_field: FarField, basis: Basis, *, reference_angle: float = 0.0
) -> tuple[Real, Real]:
    """Directivity of each component of a polarisation basis; the two sum to `directivity`.

    Parameters
    ----------
    far_field, basis, reference_angle
        As in `components`.

    Returns
    -------
    first, second : (F, T, P) ndarray
        Partial directivities, linear.

    Raises
    ------
    ValueError
        As in `components` and `directivity`.
    """
    power = nonzero_power(far_field.frequency, far_field.radiated_power)[:, None, None]
    first, second = components(far_field, basis, reference_angle=reference_angle)
    scale = 2 * np.pi / (WAVE_IMPEDANCE * power)
    return (
        np.asarray(scale * (first.real**2 + first.imag**2)),
        np.asarray(scale * (second.real**2 + second.imag**2)),
    )


def _stokes(far_field: FarField) -> tuple[Real, Real, Real, Real]:
    """Stokes parameters of the far field; S3 > 0 is right-hand, 0 where it is rounding [V^2]."""
    t, p = far_field.e_theta, far_field.e_phi
    t2, p2, product = t.real**2 + t.imag**2, p.real**2 + p.imag**2, t * p.conj()
    s0, s3 = t2 + p2, 2 * product.imag
    return s0, t2 - p2, 2 * product.real, np.where(np.abs(s3) <= LINEAR_LIMIT * s0, 0.0, s3)


def axial_ratio(far_field: FarField) -> Real:
    """Axial ratio of the polarisation ellipse, major over minor axis.

    Parameters
    ----------
    far_field : FarField
        Any far field.

    Returns
    -------
    (F, T, P) ndarray
        Ratio of field strengths >= 1, linear; infinite for linear polarisation, NaN where there
        is no field.
    """
    s0, s1, s2, s3 = _stokes(far_field)
    # (|R| + |L|) / ||R| - |L|| without the difference of two nearly equal numbers.
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray((s0 + np.hypot(s1, s2)) / np.abs(s3))


def tilt_angle(far_field: FarField) -> Real:
    """Tilt of the polarisation ellipse: the angle of its major axis from theta^ towards phi^.

    That is clockwise as seen from behind the wave, looking along its direction of propagation.

    Parameters
    ----------
    far_field : FarField
        Any far field.

    Returns
    -------
    (F, T, P) ndarray
        Angle in [-pi/2, pi/2] [rad]; without meaning where the polarisation is circular.
    """
    _, s1, s2, _ = _stokes(far_field)
    return np.asarray(0.5 * np.arctan2(s2, s1))


def sense(far_field: FarField) -> NDArray[np.int8]:
    """Sense of rotation by IEEE Std 145, (F, T, P): +1 right-hand, -1 left-hand, 0 linear."""
    return np.sign(_stokes(far_field)[3]).astype(np.int8)


# --- results and directions, for the files that build on this one ---------------------------


def freeze(noun: Any, *, missing: bool = False) -> None:
    """Convert the fields of a noun that holds results to read-only arrays of one shape (F,).

    Parameters
    ----------
    noun : dataclass instance
        Its fields are array_like or None.
    missing : bool
        Whether values may be NaN.

    Raises
    ------
    ValueError
        If the shapes differ or a value is not finite.
    """
    shape: tuple[int, ...] | None = None
    for field in fields(noun):
        value = getattr(noun, field.name)
        if value is None:
            continue
        array = as_array(value, float, field.name, ndim=1, missing=missing)
        shape = shape or array.shape
        if array.shape != shape:
            msg = f"{field.name} has {array.size} values, expected {shape[0]}, one a frequency"
            raise ValueError(msg)
        object.__setattr__(noun, field.name, array)


def unit_vectors(theta: ArrayLike, phi: ArrayLike) -> tuple[Real, Real, Real]:
    """Unit vectors r^, theta^, phi^ in Cartesian components.

    Parameters
    ----------
    theta, phi : array_like
        Directions, one shape [rad].

    Returns
    -------
    r, theta, phi : (..., 3) ndarray
        The vectors.
    """
    theta, phi = np.asarray(theta, dtype=float), np.asarray(phi, dtype=float)
    st, ct, sp, cp = np.sin(theta), np.cos(theta), np.sin(phi), np.cos(phi)
    return (
        np.stack([st * cp, st * sp, ct], axis=-1),
        np.stack([ct * cp, ct * sp, -st], axis=-1),
        np.stack([-sp, cp, np.zeros_like(sp)], axis=-1),
    )


def direction_angles(direction: Real) -> tuple[Real, Real]:
    """Directions of vectors of any length.

    Parameters
    ----------
    direction : (M, 3) ndarray
        Cartesian vectors.

    Returns
    -------
    theta, phi : (M,) ndarray
        theta in [0, pi], phi in [0, 2 pi] [rad].
    """
    x, y, z = direction.T
    return np.arctan2(np.hypot(x, y), z), np.mod(np.arctan2(y, x), 2 * np.pi)
