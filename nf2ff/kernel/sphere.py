"""Angles and unit vectors on the sphere."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.kernel.arrays import in_rows

Real = NDArray[np.float64]


def unit_vectors(theta: ArrayLike, phi: ArrayLike) -> tuple[Real, Real, Real]:
    """Unit vectors r^, theta^, phi^, each (..., 3), in directions of one shape [rad]."""
    theta, phi = np.asarray(theta, dtype=float), np.asarray(phi, dtype=float)
    st, ct, sp, cp = np.sin(theta), np.cos(theta), np.sin(phi), np.cos(phi)
    return (
        np.stack([st * cp, st * sp, ct], axis=-1),
        np.stack([ct * cp, ct * sp, -st], axis=-1),
        np.stack([-sp, cp, np.zeros_like(sp)], axis=-1),
    )


def directions(theta: Real, phi: Real) -> Real:
    """The first of them alone, (..., 3)."""
    st = np.sin(theta)
    return np.stack([st * np.cos(phi), st * np.sin(phi), np.cos(theta)], axis=-1)


def direction_angles(direction: Real) -> tuple[Real, Real]:
    """theta in [0, pi] and phi in [0, 2 pi], (M,) each [rad], of vectors (M, 3) of any length."""
    x, y, z = in_rows(direction.T)
    return np.arctan2(np.hypot(x, y), z), np.mod(np.arctan2(y, x), 2 * np.pi)


def wrapped(phi: ArrayLike) -> Real:
    """Azimuths within [0, 2 pi) [rad]."""
    phi = np.asarray(phi, dtype=float)
    if phi.size and phi.min() >= 0 and phi.max() < 2 * np.pi:
        return phi
    azimuth = np.mod(phi, 2 * np.pi)
    return np.asarray(np.where(azimuth >= 2 * np.pi, 0.0, azimuth))  # mod of a tiny negative angle


def canonical_angles(theta: Real, phi: Real) -> tuple[Real, Real, NDArray[np.bool_]]:
    """The same directions with theta in [0, pi] and phi in [0, 2 pi) [rad].

    The third array, ``turned``, is true where theta was negative: there theta^ and phi^ of the given angles
    are the opposite of those of the canonical ones.
    """
    turned = theta < 0
    if theta.size and theta.min() >= 0 and theta.max() <= np.pi:
        return theta, wrapped(phi), turned
    return np.minimum(np.abs(theta), np.pi), wrapped(np.where(turned, phi + np.pi, phi)), turned


def angle_between(first: Real, second: Real) -> Real:
    """Angles (...) [rad] between vectors (..., 3) of any length, good to rounding at 0 and pi as well."""
    across = np.linalg.norm(np.cross(first, second), axis=-1)
    return np.asarray(np.arctan2(across, np.sum(np.asarray(first) * second, axis=-1)))


def angle_of_chord(chord: Real) -> Real:
    """Angles [rad] between directions whose points on the unit sphere are ``chord`` apart."""
    return np.asarray(2 * np.arcsin(np.minimum(chord / 2, 1)))
