"""Regular spherical waves, finite at the origin: what any field is made of in a ball without sources.

F^(1)_smn of J. E. Hansen (1988), ch. 2, in the project's time factor exp(+jwt): the outgoing waves
with spherical Bessel functions j_n in the place of h_n^(2).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.modes import WAVE_IMPEDANCE, mode_count
from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.rotation import rotation_coefficients
from nf2ff.kernel.sphere import direction_angles, unit_vectors
from nf2ff.messages.input_error import InputError

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Below this kr nothing differs from the origin.
_ORIGIN = 1e-30


def regular_waves(degree: int, position: ArrayLike, *, wavenumber: float, outgoing: bool = False) -> Complex:
    """Field of each regular wave at points, k sqrt(Z0) F^(1).

    Parameters
    ----------
    degree : int
        Largest degree N.
    position : (M, 3) array_like
        Points [m].
    wavenumber : float
        k [rad/m].
    outgoing : bool
        Whether the outgoing waves are wanted in their place, with h_n^(2), away from the origin.

    Returns
    -------
    (M, 3, J) ndarray
        Cartesian components of the electric field [V/m for 1 sqrt(W)], waves in the order of the
        modes. The magnetic field of wave s times Z0 is j times the electric field of wave 3 - s,
        see `magnetic`.

    Raises
    ------
    ValueError
        If shapes do not fit.
    """
    points = as_array(position, float, "position", ndim=2)
    if points.shape[1] != 3:
        raise InputError(f"position has shape {points.shape}, expected (M, 3)")
    theta, phi = direction_angles(points)
    r1, r2, along = _radial(degree, wavenumber * np.linalg.norm(points, axis=1), outgoing=outgoing)
    n = np.arange(1, degree + 1)
    of_mode = np.repeat(n - 1, 2 * n + 1)
    m = np.arange(of_mode.size) + 1 - (of_mode + 1) * (of_mode + 2)
    half = 0.5 * np.sqrt((2 * n + 1) / (4 * np.pi))[of_mode] * np.exp(1j * np.multiply.outer(phi, m))
    down, zero, up = (rotation_coefficients(degree, theta, mu=mu) for mu in (-1, 0, 1))
    # Tangential parts from E_theta -+ i E_phi, see `kernel.spin`: G = R_2n, C = -R_1n.
    less, more = half * (down - up), half * (down + up)
    one, two = r1[:, of_mode], r2[:, of_mode]
    e = np.zeros((len(points), 3, mode_count(degree)), dtype=complex)
    axes = unit_vectors(theta, phi)
    for component in range(3):
        radial, across, round_ = (a[:, component, None] for a in axes)
        e[:, component, 0::2] = one * (-1j * more * across - less * round_)
        e[:, component, 1::2] = two * (less * across - 1j * more * round_)
        e[:, component, 1::2] += along[:, of_mode] * 2 * half * zero * radial
    e *= wavenumber * np.sqrt(WAVE_IMPEDANCE)
    return e


def magnetic(waves: Complex) -> Complex:
    """Z0 H of each wave from the fields of all, (..., J): Z0 H = j/k curl E, curl F_s = k F_(3-s)."""
    pairs = waves.reshape(*waves.shape[:-1], -1, 2)
    return np.asarray(1j * pairs[..., ::-1].reshape(waves.shape))


def tangential_strength(degree: int, kr: float) -> Real:
    """sqrt(j_n^2 + ((x j_n)'/x)^2) at x = kr, (N,): nowhere 0, however the two pass through zero."""
    r1, r2, _ = _radial(degree, np.array([kr]))
    return np.asarray(np.hypot(r1[0], r2[0]))


def truncation_error_db(degree: int, kr: float) -> float:
    """Largest error of a plane wave without the waves above a degree, over the field [dB].

    Parameters
    ----------
    degree : int
        Largest degree N that is kept.
    kr : float
        Wavenumber times distance from the origin.

    Returns
    -------
    float
        20 lg |sum over n > N of (2n+1) (-j)^n j_n(kr)|: of the scalar wave, at the point that it
        travels towards, where all waves are at their largest.
    """
    from scipy.special import spherical_jn

    n = np.arange(degree + 1, degree + 1 + int(kr) + 100)
    error = abs(np.sum((2 * n + 1) * (-1j) ** (n % 4) * spherical_jn(n, kr)))
    return 20 * float(np.log10(error)) if error > 0 else -np.inf


def _radial(degree: int, kr: Real, *, outgoing: bool = False) -> tuple[Any, Any, Any]:
    """j_n, or h_n^(2), (x j_n)'/x and sqrt(n (n+1)) j_n / x, each (M, N)."""
    from scipy.special import spherical_jn, spherical_yn

    x = np.maximum(kr, _ORIGIN)[:, None]
    n = np.arange(degree + 1)
    j = spherical_jn(n, x) - 1j * spherical_yn(n, x) if outgoing else spherical_jn(n, x)
    n = n[1:]
    return j[:, 1:], j[:, :-1] - n * j[:, 1:] / x, np.sqrt(n * (n + 1.0)) * j[:, 1:] / x
