"""Scans with errors, of dipoles in closed form, and the truth about them: numpy alone.

Nothing of the package is used here, so that what it says of errors can be held against something
apart from it. Fields are those of short electric and magnetic dipoles (closed form; C. A. Balanis,
Antenna Theory, 4.2, from memory), wavelength 1 m, time factor exp(+jwt), phasors as peak values.
Errors act where they do in a chamber: the probe stands where the axes truly put it, and the record
says where they should have put it. The truth is that of the dipoles: the field far away in closed
form, its maximum by Newton's method, the power by the trapezoidal rule in phi and Gauss's in
cos(theta).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

K = 2 * np.pi
#: Frequency of a wavelength of 1 m [Hz], and impedance of free space (CODATA 2018, from memory).
FREQUENCY = 299792458.0
Z0 = 376.730313668


@dataclass(frozen=True)
class Dipoles:
    """Places (E, 3) [m], electric moments (E, 3) [A m] and magnetic ones (E, 3) [V m]."""

    place: Real
    electric: Complex
    magnetic: Complex

    def near(self, point: Real) -> Complex:
        """Electric field (M, 3) at points (M, 3) [V/m]."""
        total = np.zeros(point.shape, dtype=complex)
        for place, p, m in zip(self.place, self.electric, self.magnetic, strict=True):
            away = point - place
            r = np.linalg.norm(away, axis=1, keepdims=True)
            n = away / r
            x = 1 / (1j * K * r)
            # 1/(jx) + ... of the electric dipole, across the line of sight and along it.
            across = p * (1 + x + x**2) - n * (n @ p)[:, None] * (1 + 3 * x + 3 * x**2)
            wave = np.exp(-1j * K * r) / (4 * np.pi * r) * 1j * K
            total += wave * (-Z0 * across + (1 + x) * np.cross(n, m))
        return total

    def far(self, n: Real) -> Complex:
        """lim r exp(jkr) E (..., 3) in the directions ``n`` (..., 3) [V]."""
        total = np.zeros(n.shape, dtype=complex)
        for place, p, m in zip(self.place, self.electric, self.magnetic, strict=True):
            across = p - n * (n @ p)[..., None]
            wave = np.exp(1j * K * (n @ place)) * 1j * K / (4 * np.pi)
            total += wave[..., None] * (-Z0 * across + np.cross(n, m))
        return total

    def intensity(self, n: Real) -> Real:
        """Radiation intensity (...,) [W/sr]."""
        return np.asarray((np.abs(self.far(n)) ** 2).sum(axis=-1) / (2 * Z0))


def array(theta: float, phi: float, *, count: int = 6, spacing: float = 0.4) -> Dipoles:
    """A square of Huygens sources that look to +z, steered to a direction [rad].

    Their weights err by 5 % rms, always in the same way: no two sidelobes are alike then.
    """
    side = spacing * (np.arange(count) - (count - 1) / 2)
    x, y = (v.ravel() for v in np.meshgrid(side, side, indexing="ij"))
    place = np.stack([x, y, 0 * x], axis=1)
    rng = np.random.default_rng(20)
    weight = 1 + 0.05 * (rng.normal(size=x.size) + 1j * rng.normal(size=x.size)) / np.sqrt(2)
    weight = weight * np.exp(-1j * K * (place @ direction(theta, phi)))
    return Dipoles(place, weight[:, None] * [1, 0, 0], Z0 * weight[:, None] * [0, 1, 0])


def direction(theta: float | Real, phi: float | Real) -> Real:
    """Unit vectors (..., 3)."""
    theta, phi = np.broadcast_arrays(theta, phi)
    sin = np.sin(theta)
    return np.stack([sin * np.cos(phi), sin * np.sin(phi), np.cos(theta)], axis=-1)


# --- truth ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Truth:
    """Peak (3,) and what is true of the far field: linear, W, rad."""

    peak: Real
    directivity: float
    eirp: float
    trp: float


def truth(dipoles: Dipoles, *, points: int = 120) -> Truth:
    """Figures by brute force."""
    cos, weight = np.polynomial.legendre.leggauss(points)
    phi = 2 * np.pi * np.arange(2 * points) / (2 * points)
    n = direction(np.arccos(cos)[:, None], phi[None])
    u = dipoles.intensity(n)
    power = float(weight @ u.sum(axis=1)) * np.pi / points
    at = n[np.unravel_index(u.argmax(), u.shape)]
    at = _highest(dipoles, at)
    top = 4 * np.pi * float(dipoles.intensity(at))
    return Truth(at, top / power, top, power)


def _highest(dipoles: Dipoles, at: Real) -> Real:
    """The maximum near a direction, by Newton's method on differences."""
    h = 1e-3
    for _ in range(12):
        one, two = tangents(at)

        def look(x: float, y: float, at: Real = at, one: Real = one, two: Real = two) -> float:
            v = at + x * one + y * two
            return float(np.log(dipoles.intensity(v / np.linalg.norm(v))))

        here = look(0, 0)
        ends = look(h, 0), look(-h, 0), look(0, h), look(0, -h)
        slope = np.array([ends[0] - ends[1], ends[2] - ends[3]]) / (2 * h)
        mixed = (look(h, h) - look(h, -h) - look(-h, h) + look(-h, -h)) / (4 * h * h)
        bend = [
            [(ends[0] + ends[1] - 2 * here) / h**2, mixed],
            [mixed, (ends[2] + ends[3] - 2 * here) / h**2],
        ]
        step = -np.linalg.solve(bend, slope)
        at = at + step[0] * one + step[1] * two
        at = at / np.linalg.norm(at)
    return at


def tangents(at: Real) -> tuple[Real, Real]:
    """theta^ and phi^ at a direction; at a pole those of phi = 0."""
    aside = np.hypot(at[0], at[1])
    phi = np.arctan2(at[1], at[0]) if aside > 1e-9 else 0.0
    theta = np.arctan2(aside, at[2])
    first = np.array([np.cos(theta) * np.cos(phi), np.cos(theta) * np.sin(phi), -np.sin(theta)])
    return first, np.array([-np.sin(phi), np.cos(phi), 0.0])


def cut(dipoles: Dipoles, peak: Real, phi: float) -> tuple[float, float]:
    """Half-power width [rad] and highest sidelobe over the peak, on a great circle through it: at
    right angles to the way to the normal of the plane of an azimuth ``phi`` [rad]."""
    angle = np.radians(np.arange(-180, 180, 0.02))
    side = np.cross([-np.sin(phi), np.cos(phi), 0.0], peak)
    side = side / np.linalg.norm(side)
    n = np.cos(angle)[:, None] * peak + np.sin(angle)[:, None] * side
    u = dipoles.intensity(n) / dipoles.intensity(peak)
    middle = u.size // 2
    right = middle + int(np.argmax(u[middle:] < 0.5))
    left = middle - int(np.argmax(u[middle::-1] < 0.5))
    width = np.interp(0.5, u[[right, right - 1]], angle[[right, right - 1]]) - np.interp(
        0.5, u[[left, left + 1]], angle[[left, left + 1]]
    )
    # The beam ends where the cut rises again on either side.
    rise = np.diff(u)
    right = middle + 1 + int(np.argmax(rise[middle + 1 :] > 0))
    left = middle - 1 - int(np.argmax(rise[middle - 2 :: -1] < 0))
    return float(width), float(np.concatenate([u[:left], u[right:]]).max())


def null(dipoles: Dipoles, near: Real, reach: float) -> Real:
    """The direction of least intensity within ``reach`` [rad] of a direction, on a fine net."""
    one, two = tangents(near)
    for _ in range(4):
        x, y = np.meshgrid(*2 * [np.linspace(-reach, reach, 61)], indexing="ij")
        v = near + x[..., None] * one + y[..., None] * two
        v = v / np.linalg.norm(v, axis=-1, keepdims=True)
        u = dipoles.intensity(v)
        near = v[np.unravel_index(u.argmin(), u.shape)]
        reach /= 10
    return near


# --- scans ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Record:
    """Recorded coordinates (M,) [rad], distance [m], and responses (M,) [V/m]."""

    theta: Real
    phi: Real
    chi: Real
    radius: float
    response: Complex


def grid(step: float) -> tuple[Real, Real, Real]:
    """theta, phi and chi of all rows [rad]: chi turns first, then phi, then theta."""
    theta = np.linspace(0, np.pi, round(np.pi / step) + 1)
    phi = np.arange(0, 2 * np.pi - 1e-9, step)
    rows = np.meshgrid(theta, phi, [0.0, np.pi / 2], indexing="ij")
    theta, phi, chi = (x.ravel() for x in rows)
    return theta, phi, chi


def turned(axis: int, angle: Real) -> Real:
    """Matrices (M, 3, 3) of right-handed turns about an axis of the frame."""
    one, two = (axis + 1) % 3, (axis + 2) % 3
    matrix = np.zeros((*np.shape(angle), 3, 3))
    matrix[..., axis, axis] = 1
    matrix[..., one, one] = matrix[..., two, two] = np.cos(angle)
    matrix[..., two, one] = np.sin(angle)
    matrix[..., one, two] = -np.sin(angle)
    return matrix


def received(
    dipoles: Dipoles, theta: Real, phi: Real, chi: Real, radius: float, skew: float = 0.0
) -> Complex:
    """Field along the probe's axis, (M,): the positioner's axes in a chain, Rz(phi) Ry(theta)
    Rz(chi), with an angle between the first two that is no right one."""
    chain = turned(2, phi) @ turned(0, np.full(phi.shape, skew)) @ turned(1, theta) @ turned(2, chi)
    field = dipoles.near(radius * chain[..., 2])
    return np.asarray((field * chain[..., 0]).sum(axis=-1))


#: Makes responses of the recorded positions with one draw of an error.
Scan = Callable[[Dipoles, np.random.Generator, Real, Real, Real, float], Complex]


def imbalance(amplitude: float, phase: float) -> Scan:
    """Readings at chi = 90 deg with another gain: 1 + a, and a phase [rad]."""

    def scan(
        dipoles: Dipoles, rng: np.random.Generator, theta: Real, phi: Real, chi: Real, radius: float
    ) -> Complex:
        a, b = rng.normal(size=2)
        gain = (1 + amplitude * a) * np.exp(1j * phase * b)
        return received(dipoles, theta, phi, chi, radius) * np.where(chi > 1, gain, 1.0)

    return scan


def not_square(angle: float) -> Scan:
    """The theta axis leans against the phi axis [rad]."""

    def scan(
        dipoles: Dipoles, rng: np.random.Generator, theta: Real, phi: Real, chi: Real, radius: float
    ) -> Complex:
        return received(dipoles, theta, phi, chi, radius, skew=angle * float(rng.normal()))

    return scan


def walk(phase: float) -> Scan:
    """Phase that wanders from reading to reading, by so much rms at the last [rad]."""

    def scan(
        dipoles: Dipoles, rng: np.random.Generator, theta: Real, phi: Real, chi: Real, radius: float
    ) -> Complex:
        steps = rng.normal(size=theta.size - 1) * phase / np.sqrt(theta.size - 1)
        drift = np.concatenate([[0.0], np.cumsum(steps)])
        return received(dipoles, theta, phi, chi, radius) * np.exp(1j * drift)

    return scan


def misplaced(rms: float) -> Scan:
    """theta and phi of each reading off at random [rad]."""

    def scan(
        dipoles: Dipoles, rng: np.random.Generator, theta: Real, phi: Real, chi: Real, radius: float
    ) -> Complex:
        aside = rms * rng.normal(size=(2, theta.size))
        return received(dipoles, theta + aside[0], phi + aside[1], chi, radius)

    return scan


def noisy(level: float) -> Scan:
    """White noise, rms over the largest reading."""

    def scan(
        dipoles: Dipoles, rng: np.random.Generator, theta: Real, phi: Real, chi: Real, radius: float
    ) -> Complex:
        w = received(dipoles, theta, phi, chi, radius)
        z = rng.normal(size=w.size) + 1j * rng.normal(size=w.size)
        return w + level * np.abs(w).max() * z / np.sqrt(2)

    return scan


def record(dipoles: Dipoles, scan: Scan, rng: np.random.Generator, *, step: float, radius: float) -> Record:
    """One scan with one draw of its error."""
    theta, phi, chi = grid(step)
    return Record(theta, phi, chi, radius, scan(dipoles, rng, theta, phi, chi, radius))
