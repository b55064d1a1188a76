"""Components of a far field, and its polarisation: axial ratio, tilt and sense.

Terms are those of IEEE Std 145 and of A. C. Ludwig, IEEE Trans. AP 21(1), 116-119, 1973 (both
from memory).
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.far_field import FarField
from nf2ff.antenna.modes import WAVE_IMPEDANCE
from nf2ff.kernel.arrays import as_array
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.gain_and_power import nonzero_power

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]

Basis = Literal["theta-phi", "ludwig-3", "circular", "linear"]
BASES: tuple[Basis, ...] = ("theta-phi", "ludwig-3", "circular", "linear")
#: Those with a reference angle.
_TURNED = ("ludwig-3", "linear")
#: An ellipse whose Stokes parameter S3 is below this fraction of S0 is taken as linear: 1e-13 is
#: what the transforms' rounding leaves of a field that is linear (axial ratio 266 dB).
LINEAR_LIMIT = 1e-13


def components(far_field: FarField, basis: Basis, *, reference_angle: float = 0.0) -> tuple[Complex, Complex]:
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
    E_cross = E_theta sin(phi - phi0) + E_phi cos(phi - phi0). Linear at the slant a: E_co = E_theta
    cos(a) + E_phi sin(a), what an ideal field probe reads at chi = a, and E_cross = E_phi cos(a) -
    E_theta sin(a), at chi = a + pi/2.

    Circular: in exp(+jwt) the unit field (theta^ - j phi^)/sqrt 2 turns from theta^ to phi^, seen
    from behind the wave clockwise: right-hand. So E_R = (E_theta + j E_phi)/sqrt 2 and
    E_L = (E_theta - j E_phi)/sqrt 2.
    """
    reference = checked_basis(basis, reference_angle)
    return in_basis(far_field.e_theta, far_field.e_phi, far_field.phi, basis=basis, reference_angle=reference)


def checked_basis(basis: str, reference_angle: float) -> float:
    """The reference angle [rad], if it and ``basis`` fit together; raises as `components`."""
    reference = float(as_array(reference_angle, float, "reference_angle", ndim=0))
    if basis not in BASES:
        *most, last = (repr(name) for name in BASES)
        raise InputError(f"basis is {basis!r}, expected {', '.join(most)} or {last}")
    if reference and basis not in _TURNED:
        raise InputError(
            "reference_angle applies to 'ludwig-3' and 'linear' only", f"leave it out for {basis!r}"
        )
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
    """Directivity of each component of a polarisation basis; the two sum to `level.directivity`.

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
        As `components` and `level.directivity`.
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
        Angle from -pi/2 to pi/2 [rad]; without meaning where the polarisation is circular.
    """
    _, s1, s2, _ = _stokes(far_field)
    return np.asarray(0.5 * np.arctan2(s2, s1))


def sense(far_field: FarField) -> NDArray[np.int8]:
    """Sense of rotation by IEEE Std 145.

    Parameters
    ----------
    far_field : FarField
        Far field.

    Returns
    -------
    (F, T, P) ndarray of int
        +1 right-hand, -1 left-hand, 0 linear.
    """
    return np.sign(_stokes(far_field)[3]).astype(np.int8)
