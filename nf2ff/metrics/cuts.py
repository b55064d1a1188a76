"""Cuts of a far field on great circles, evaluated on the expansion itself."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna import fields
from nf2ff.antenna.modes import WAVE_IMPEDANCE, Modes
from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.sphere import direction_angles, unit_vectors
from nf2ff.metrics.gain_and_power import intensity
from nf2ff.metrics.patches import FLAT

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]


def cut(modes: Modes, *, phi: float, theta: ArrayLike) -> tuple[Complex, Complex]:
    """Far field along the great circle through the z axis at azimuth ``phi``.

    Negative theta is the half at azimuth phi + pi. There the unit vectors are continued (both
    are reversed), so that the components run smoothly through the pole.

    Parameters
    ----------
    modes : Modes
        Mode coefficients, F frequencies.
    phi : float
        Azimuth of the half with theta > 0 [rad].
    theta : (A,) array_like
        Angles from +z from -pi to pi [rad].

    Returns
    -------
    e_theta, e_phi : (F, A) ndarray
        Complex far field, phase included [V].

    Raises
    ------
    ValueError
        If theta is out of range or an angle is not finite.
    """
    azimuth = float(as_array(phi, float, "phi", ndim=0))
    theta = as_array(theta, float, "theta", ndim=1)
    return fields.far_field_points(modes, theta=theta, phi=azimuth)


def cut_through(
    modes: Modes, *, theta: float, phi: float, plane: float, angle: ArrayLike
) -> tuple[Complex, Complex]:
    """Far field along any great circle.

    Parameters
    ----------
    modes : Modes
        Mode coefficients, F frequencies.
    theta, phi : float
        Direction that the circle goes through [rad].
    plane : float
        Angle at that direction from theta^ towards phi^ in which the circle leaves [rad].
    angle : (A,) array_like
        Angles from that direction along the circle [rad].

    Returns
    -------
    along, across : (F, A) ndarray
        Components of the far field along the circle and along its normal r^ x (along); with
        plane = 0 they are E_theta and E_phi at angle 0, continued through the poles [V].

    Raises
    ------
    ValueError
        If an angle is not finite.
    """
    turn = as_array(plane, float, "plane", ndim=0)[None]
    along, across = cuts_through(modes, theta=theta, phi=phi, planes=turn, angle=angle)
    return along[:, 0], across[:, 0]


def cuts_through(
    modes: Modes, *, theta: float, phi: float, planes: ArrayLike, angle: ArrayLike
) -> tuple[Complex, Complex]:
    """Far field along several great circles through one direction.

    Parameters
    ----------
    modes, theta, phi, angle
        As in `cut_through`.
    planes : (C,) array_like
        For each circle the angle that `cut_through` calls ``plane`` [rad].

    Returns
    -------
    along, across : (F, C, A) ndarray
        Components as in `cut_through` [V].

    Raises
    ------
    ValueError
        If an angle is not finite.
    """
    angle = as_array(angle, float, "angle", ndim=1)
    turn = as_array(planes, float, "planes", ndim=1)[:, None, None]
    t0, p0 = (float(as_array(v, float, k, ndim=0)) for k, v in {"theta": theta, "phi": phi}.items())
    origin, along, across = unit_vectors(t0, p0)
    along, across = (
        np.cos(turn) * along + np.sin(turn) * across,
        np.cos(turn) * across - np.sin(turn) * along,
    )
    c, s = np.cos(angle)[:, None], np.sin(angle)[:, None]
    tangent = c * along - s * origin
    at_theta, at_phi = direction_angles((c * origin + s * along).reshape(-1, 3))
    field = fields.far_field_points(modes, theta=at_theta, phi=at_phi)
    e_theta, e_phi = (x.reshape(-1, turn.size, angle.size) for x in field)
    _, unit_theta, unit_phi = (x.reshape(tangent.shape) for x in unit_vectors(at_theta, at_phi))
    cos, sin = np.sum(unit_theta * tangent, axis=-1), np.sum(unit_phi * tangent, axis=-1)
    return e_theta * cos + e_phi * sin, e_phi * cos - e_theta * sin


def directions_along(*, theta: float, phi: float, plane: float, angle: ArrayLike) -> tuple[Real, Real]:
    """Directions along a great circle.

    Parameters
    ----------
    theta, phi, plane, angle
        As in `cut_through`.

    Returns
    -------
    theta, phi : (A,) ndarray
        Directions [rad].
    """
    angle = np.asarray(angle, dtype=float)[..., None]
    r, along, across = unit_vectors(theta, phi)
    tangent = np.cos(plane) * along + np.sin(plane) * across
    return direction_angles(np.cos(angle) * r + np.sin(angle) * tangent)


#: A sidelobe rises at least this much out of the minima beside it [dB]: far above rounding, far
#: below anything a lobe would be called for. What lies under the floor is rounding [dB].
LOBE_RISE = 1e-3
_LOBE_FLOOR = -200.0


def prominent_maxima(value: Real, least: float) -> NDArray[np.intp]:
    """Local maxima of ``value`` (M,) that rise by ``least`` or more out of the minima on both sides.

    On each side the lowest value before a higher one, or the end, counts. Returned are their places
    (K,), increasing, of equal neighbours the one in the middle; the ends are no maxima.
    """
    first = np.flatnonzero(np.append(True, np.diff(value) != 0))
    last = np.append(first[1:], value.size) - 1
    height = value[first]
    rise = np.diff(height) > 0
    top = np.flatnonzero(rise[:-1] & ~rise[1:]) + 1
    if top.size == 0:
        return top
    # Lowest value before each maximum, after the one before it, and after the last.
    valley = np.minimum.reduceat(height, np.append(0, top))
    result = []
    for at, peak in enumerate(height[top]):
        higher = np.flatnonzero(height[top] > peak)
        left, right = higher[higher < at], higher[higher > at]
        low = valley[left[-1] + 1 if left.size else 0 : at + 1].min()
        high = valley[at + 1 : right[0] + 1 if right.size else None].min()
        result.append(peak - max(low, high) >= least)
    keep = top[np.array(result)]
    return (first[keep] + last[keep]) // 2


class Circle:
    """Far field of one frequency on a great circle, as the Fourier series that it is.

    Both components along a great circle are trigonometric polynomials of degree N, so that 2N + 1
    equal steps hold the whole cut, derivatives included. With ``weights`` of the components along
    the circle and across it only their weighted sum counts, one polarisation, with which the
    intensity is that of this polarisation alone.
    """

    def __init__(
        self,
        one: Modes,
        *,
        theta: float,
        phi: float,
        plane: float,
        weights: tuple[complex, complex] | None = None,
    ) -> None:
        self.place = {"theta": theta, "phi": phi, "plane": plane}
        count = 2 * one.degree + 1
        angle = 2 * np.pi * np.arange(count) / count
        samples = np.concatenate(cut_through(one, **self.place, angle=angle))
        if weights is not None:
            samples = np.stack([np.asarray(weights) @ samples, np.zeros(count)])
        spectrum = np.fft.fft(samples, axis=1) / count
        self.order = np.fft.ifftshift(np.arange(-one.degree, one.degree + 1))
        #: 16 points in the shortest period of the field: all lobes worth the name show.
        self.fine = 16 * (one.degree + 1)
        self.spectrum = spectrum
        self.series = np.concatenate([spectrum * (1j * self.order) ** p for p in range(3)])

    def grid(self) -> Real:
        """U at ``fine`` equal steps from the peak once around."""
        padded = np.zeros((2, self.fine), dtype=complex)
        padded[:, self.order] = self.spectrum
        return intensity(*(np.fft.ifft(padded, axis=1) * self.fine))

    def level_db(self) -> Real:
        """U over that of the peak from the peak once around, both ends included [dB]."""
        u = self.grid()
        top = self.intensity(0.0)[0]
        return 10 * np.log10(np.maximum(np.append(u, u[0]) / top, 10 ** (_LOBE_FLOOR / 10)))

    def intensity(self, angle: ArrayLike) -> tuple[Real, Real, Real]:
        """U and its first two derivatives at any angles."""
        wave = np.exp(1j * np.multiply.outer(self.order, np.asarray(angle, dtype=float)))
        e, d1, d2 = (self.series @ wave).reshape(3, 2, *wave.shape[1:])
        slope = np.sum((e.conj() * d1).real, axis=0) / WAVE_IMPEDANCE
        curvature = np.sum((e.conj() * d2).real + np.abs(d1) ** 2, axis=0) / WAVE_IMPEDANCE
        return intensity(e[0], e[1]), slope, curvature

    def extremum(self, node: NDArray[Any], sign: int, *, steps: int = 8) -> Real:
        """Maxima (sign 1) or minima (-1) of U within a step of the grid angles ``node``."""
        step, angle = 2 * np.pi / self.fine, node
        for _ in range(steps):
            _, slope, curvature = self.intensity(angle)
            curved = sign * curvature < 0
            move = np.where(curved, -slope / np.where(curved, curvature, 1.0), 0.0)
            before, angle = angle, np.clip(angle + move, node - step, node + step)
            if np.max(np.abs(angle - before), initial=0) < 1e-15:
                break
        return angle


def lobe_width(circle: Circle, drop_db: float) -> float:
    """Width of the lobe about angle 0 of a cut, ``drop_db`` below the level there, as `beamwidth`.

    NaN where the intensity never falls so far [rad].
    """
    lower, upper = lobe_edges(circle, drop_db)
    return upper - lower


def lobe_edges(circle: Circle, drop_db: float) -> tuple[float, float]:
    """Angles of its lower and upper edge, about 0 [rad]."""
    u = circle.grid()
    level = float(circle.intensity(0.0)[0]) * 10 ** (-drop_db / 10)
    # A null between two grid angles may be the first to fall so far.
    lowest = np.flatnonzero((u <= np.roll(u, 1)) & (u <= np.roll(u, -1)))
    below = np.flatnonzero(u < level)
    if below.size:
        lowest = lowest[(lowest <= below[0]) | (lowest >= below[-1])]
    step = 2 * np.pi / circle.fine
    nulls = circle.extremum(lowest * step, -1)
    angle = np.concatenate([step * np.arange(circle.fine + 1), nulls])
    value = np.concatenate([u, u[:1], circle.intensity(nulls)[0]])
    order = np.argsort(angle)
    angle = angle[order]
    below = np.flatnonzero(value[order] < (1 - FLAT) * level)
    if below.size == 0:
        return np.nan, np.nan
    # Counted from the peak once around, so that the lower edge is the last crossing.
    upper = _crossing(circle, level, angle[below[0] - 1], angle[below[0]])
    lower = _crossing(circle, level, angle[below[-1] + 1], angle[below[-1]])
    return lower - 2 * np.pi, upper


def _crossing(circle: Circle, level: float, inside: float, outside: float) -> float:
    """Angle at which U falls to ``level`` between one not below it and one below it."""
    from scipy.optimize import brentq

    def excess(angle: float) -> float:
        return float(circle.intensity(angle)[0]) / level - 1

    if excess(inside) <= 0:  # on the level but for rounding
        return inside
    return float(brentq(excess, inside, outside, xtol=1e-14))
