"""Angles and unit vectors on the sphere."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Real = NDArray[np.float64]


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


def canonical_angles(
    theta: NDArray[np.float64], phi: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """The same directions with theta in [0, pi] and phi in [0, 2 pi).

    Returns
    -------
    theta, phi : ndarray
        Angles [rad].
    turned : ndarray of bool
        Where theta was negative: there theta^ and phi^ of the given angles are the opposite of
        those of the canonical ones.
    """
    turned = theta < 0
    azimuth = np.where(turned, phi + np.pi, phi)
    azimuth = np.mod(azimuth, 2 * np.pi)
    azimuth[azimuth >= 2 * np.pi] = 0.0  # mod of a tiny negative angle
    return np.minimum(np.abs(theta), np.pi), azimuth, turned
