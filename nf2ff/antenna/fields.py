"""The field of modes at any distance, and its far-field limit.

E = k sqrt(Z0) sum Q_smn F_smn with the power-normalised outgoing waves of Hansen (1988), ch. 2, in the
project's time factor exp(+jwt).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.modes import WAVE_IMPEDANCE, Modes, degree_of_count, mode_numbers, wavenumber
from nf2ff.kernel import spin
from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.radial import radial_functions
from nf2ff.kernel.sphere import canonical_angles
from nf2ff.messages.input_error import InputError

Pair = tuple[NDArray[np.complex128], NDArray[np.complex128]]

#: Accuracy asked of the transforms at points. The library's floor is 1e-13; what it reaches is
#: about a tenth of what is asked.
POINT_EPSILON = 1e-12


def tangential_coefficients(
    q: NDArray[np.complex128], r1: NDArray[np.complex128], r2: NDArray[np.complex128]
) -> NDArray[np.complex128]:
    """Packed spin-1 coefficients of sum Q F: G = Q_2 R_2n and C = -Q_1 R_1n.

    Of the mode coefficients ``q`` (J,) of one frequency, with the radial factors (N,) of s = 1 and s = 2.
    """
    c, g = radial_product(q, np.stack([r1, r2], axis=1)).T
    return spin.pack(np.stack([g, -c]))


def radial_product(q: NDArray[np.complex128], factors: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Coefficients (J,) times factors (N, 2) of degree and s: (J/2, 2).

    A wave that radiates nothing has no field, however large its radial function.
    """
    pair = q.reshape(-1, 2)
    n = mode_numbers(len(factors))[2][::2]
    return np.where(pair == 0, 0, pair * np.where(pair == 0, 0, factors[n - 1]))


def far_factors(degree: int) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """Limits of kr exp(+jkr) R_1n and R_2n, (N,) each: j^(n+1) and j^n."""
    power = np.array([1, 1j, -1, -1j])
    n = np.arange(1, degree + 1)
    return power[(n + 1) % 4], power[n % 4]


def _far_coefficients(q: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Packed spin-1 coefficients (..., 2, 2, A) of the far field of modes (..., J)."""
    degree = degree_of_count(q.shape[-1])
    n = mode_numbers(degree)[2][::2]
    # k sqrt(Z0) / (kr) leaves sqrt(Z0) once exp(-jkr)/r is taken out.
    r1, r2 = (np.sqrt(WAVE_IMPEDANCE) * r for r in far_factors(degree))
    return spin.pack(np.stack([q[..., 1::2] * r2[n - 1], -(q[..., ::2] * r1[n - 1])], axis=-2))


def far_field_at(
    q: NDArray[np.complex128], location: NDArray[np.float64], *, threads: int = 1
) -> NDArray[np.complex128]:
    """Far field (..., 2, M) of modes (..., J) along theta^ and phi^; theta in [0, pi] and phi (M, 2) [V]."""
    place: Any = {"location": spin.aside(location), "moved": True, "epsilon": POINT_EPSILON}
    packed = _far_coefficients(q.reshape(-1, q.shape[-1]))
    found = [spin.point_synthesis(one, spin=1, threads=threads, **place) for one in packed]
    return np.array(found).reshape(*q.shape[:-1], 2, len(location))


def far_field_adjoint(
    values: NDArray[np.complex128], location: NDArray[np.float64], *, degree: int, threads: int = 1
) -> NDArray[np.complex128]:
    """Adjoint of `far_field_at` for modes of a degree, (J,), of values (2, M).

    Re sum conj(values) E(Q) = Re sum conj(adjoint(values)) Q.
    """
    values = np.asarray(values, dtype=complex)
    packed = spin.point_adjoint(
        values, spin=1, degree=degree, location=location, epsilon=POINT_EPSILON, threads=threads
    )
    g, c = spin.unpack(packed)
    r1, r2 = (np.repeat(r.conj(), 2 * np.arange(r.size) + 3) for r in far_factors(degree))
    return np.sqrt(WAVE_IMPEDANCE) * np.stack([-r1 * c, r2 * g], axis=1).ravel()


def _points(theta: ArrayLike, phi: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    t, p = np.broadcast_arrays(as_array(theta, float, "theta"), as_array(phi, float, "phi"))
    t, p = np.atleast_1d(t), np.atleast_1d(p)
    if t.ndim != 1:
        raise InputError(f"points have shape {t.shape}, expected (M,)")
    outside = np.abs(t) > np.pi * (1 + 1e-12)
    if np.any(outside):
        raise InputError(
            f"theta of a direction lies in [-pi, pi] rad, and is {t[outside][0]:.6g}",
            "convert it if it is in deg",
        )
    a, b, turned = canonical_angles(t, p)
    sign = np.where(turned, -1.0, 1.0)
    return np.stack([a, b], axis=1), sign


def far_field_points(modes: Modes, *, theta: ArrayLike, phi: ArrayLike, threads: int | None = None) -> Pair:
    """Far field lim r exp(+jkr) E in M directions.

    Parameters
    ----------
    modes : Modes
        Mode coefficients.
    theta : (M,) array_like
        Polar angles in [-pi, pi]; a negative one continues the cut through the pole [rad].
    phi : (M,) array_like
        Azimuth angles [rad].
    threads : int, optional
        Threads, by default all.

    Returns
    -------
    e_theta, e_phi : (F, M) ndarray
        Components along theta^ and phi^ of the given angles [V].
    """
    location, sign = _points(theta, phi)
    place: Any = {"location": location, "epsilon": POINT_EPSILON, "threads": spin.thread_count(threads)}
    packed = (_far_coefficients(q) for q in modes.coefficients)
    field = np.array([spin.point_synthesis(x, spin=1, **place) for x in packed], dtype=complex)
    field *= sign
    return field[:, 0], field[:, 1]


def far_field_grid(
    modes: Modes, *, theta: NDArray[np.float64], phi: NDArray[np.float64], threads: int | None = None
) -> Pair:
    """Far field (F, T, P) [V] on all pairs of ``theta`` (T,) in [0, pi] and ``phi`` (P,), any spacing.

    As `far_field_points` otherwise.
    """
    theta = np.ascontiguousarray(theta, dtype=float)
    phi = np.asarray(phi, dtype=float)
    outside = (theta < 0) | (theta > np.pi * (1 + 1e-12))
    if np.any(outside):
        raise InputError(
            f"theta of a grid of directions lies in [0, pi] rad, and is {theta[outside][0]:.6g}",
            "convert it if it is in deg",
        )
    if theta.size == 0 or phi.size == 0:
        return tuple(np.empty((modes.frequency.size, theta.size, phi.size), complex) for _ in "ab")  # type: ignore[return-value]
    count = spin.thread_count(threads)
    steps = _full_circle(phi)
    # Each component in one piece: who keeps it needs no copy.
    result = np.empty((2, modes.frequency.size, theta.size, phi.size), dtype=complex)
    turns = None
    for i in range(modes.frequency.size):
        packed = _far_coefficients(modes.coefficients[i])
        if steps is not None:
            maps = spin.ring_synthesis(
                packed, spin=1, theta=theta, phi_count=steps, phi0=phi[0], threads=count
            )
            result[:, i] = maps[:, :, np.arange(phi.size) % steps]
        else:
            if turns is None:
                m = np.arange(-modes.degree, modes.degree + 1)
                turns = np.exp(1j * np.outer(m, phi))
            result[:, i] = spin.ring_orders(packed, spin=1, theta=theta, threads=count) @ turns
    # Rings closer to a pole than this, but not at it, lose digits in the library's recurrence.
    sin = np.sin(theta)
    near = np.flatnonzero((sin < 1e-5) & (theta > 0) & (theta < np.pi))
    if near.size:
        t, p = np.meshgrid(theta[near], phi, indexing="ij")
        points = far_field_points(modes, theta=t.ravel(), phi=p.ravel(), threads=threads)
        for c in range(2):
            result[c][:, near] = points[c].reshape(-1, near.size, phi.size)
    return result[0], result[1]


def _full_circle(phi: NDArray[np.float64]) -> int | None:
    """Number of equal steps to the full circle if ``phi`` runs over it, else None."""
    if phi.size < 2:
        return None
    step = phi[1] - phi[0]
    if step <= 0:
        return None
    steps = round(2 * np.pi / step)
    if steps < 1 or phi.size < steps:
        return None
    equal = phi[0] + 2 * np.pi / steps * np.arange(phi.size)
    return steps if np.max(np.abs(phi - equal)) < 1e-13 * (1 + np.abs(phi).max()) else None


def near_field_points(
    modes: Modes, *, theta: ArrayLike, phi: ArrayLike, radius: ArrayLike, threads: int | None = None
) -> tuple[NDArray[np.complex128], NDArray[np.complex128], NDArray[np.complex128]]:
    """Electric field at M points outside the minimum sphere.

    Parameters
    ----------
    modes : Modes
        Mode coefficients.
    theta : (M,) array_like
        Polar angles from -pi to pi [rad].
    phi : (M,) array_like
        Azimuth angles [rad].
    radius : (M,) array_like
        Distances from the origin [m]. The cost is one transform for each different value.
    threads : int, optional
        Threads, by default all.

    Returns
    -------
    e_r, e_theta, e_phi : (F, M) ndarray
        Components [V/m].

    Raises
    ------
    ValueError
        If a radius is not positive or so small that a wave present has no finite field there.
    """
    location, sign = _points(theta, phi)
    r = np.broadcast_to(as_array(radius, float, "radius"), sign.shape)
    if np.any(r <= 0):
        raise InputError(f"radius is {r.min()} m, expected > 0")
    values, where = np.unique(r, return_inverse=True)
    count = spin.thread_count(threads)
    n = np.arange(1, modes.degree + 1)
    field = np.empty((3, modes.frequency.size, sign.size), dtype=complex)
    for i, k in enumerate(wavenumber(modes.frequency)):
        q = modes.coefficients[i]
        for v, value in enumerate(values):
            points = np.flatnonzero(where == v)
            g1, g2 = radial_functions(modes.degree, k * value)
            scale = k * np.sqrt(WAVE_IMPEDANCE) * np.exp(-1j * k * value) / (k * value)
            with np.errstate(over="ignore", invalid="ignore"):
                packed = tangential_coefficients(q, scale * g1, scale * g2)
                along = np.sqrt(n * (n + 1.0)) / (k * value) * scale * g1
                radial = spin.pack(radial_product(q, np.stack([along, along], axis=1))[None, :, 1])
            if not (np.isfinite(packed).all() and np.isfinite(radial).all()):
                raise InputError(
                    f"radius {value:.6g} m is too small for degree {modes.degree} (kr = {k * value:.4g})",
                    "truncate the modes or go farther out",
                )
            here: Any = {"location": location[points], "epsilon": POINT_EPSILON, "threads": count}
            field[1:, i, points] = spin.point_synthesis(packed, spin=1, **here)
            field[0, i, points] = spin.point_synthesis(radial, spin=0, **here)[0]
    field[1:] *= sign
    return field[0], field[1], field[2]
