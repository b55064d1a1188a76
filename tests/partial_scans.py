"""Imperfect near-field scans of dipoles, whose fields are closed forms, and what is true of them.

Nothing here is the program's. Sources are short electric dipoles in free space; their field at any
distance, exp(+jwt), is Jackson's (Classical Electrodynamics, 3rd ed., eq. 9.18, conjugated):

    E = -j k Z0 / (4 pi) exp(-jkR)/R [p - R^ (R^.p) + (3 R^ (R^.p) - p) (1/(kR)^2 + j/(kR))],

p the moment of the current [A m], and far away lim r exp(jkr) E of the sum over all of them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

LIGHT = 299792458.0
#: Impedance of free space, mu_0 c, CODATA 2018.
Z0 = 1.25663706212e-6 * LIGHT
GHZ = 1e9
WAVELENGTH = LIGHT / (10 * GHZ)
#: Six wavelengths at 10 GHz.
RADIUS = 6 * WAVELENGTH


# --- sources -------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Source:
    """Short electric dipoles: places (D, 3) [m] and moments (D, 3) [A m]."""

    place: np.ndarray
    moment: np.ndarray

    def turned(self, theta_deg: float, phi_deg: float) -> Source:
        """Turned about y, then about z: what pointed along +z points there."""
        t, p = np.radians([theta_deg, phi_deg])
        about_y = [[np.cos(t), 0, np.sin(t)], [0, 1, 0], [-np.sin(t), 0, np.cos(t)]]
        about_z = [[np.cos(p), -np.sin(p), 0], [np.sin(p), np.cos(p), 0], [0, 0, 1]]
        turn = np.array(about_z) @ np.array(about_y)
        return Source(self.place @ turn.T, self.moment @ turn.T)

    def moved(self, *offset: float) -> Source:
        return Source(self.place + np.array(offset), self.moment)


def dipole(*moment: complex) -> Source:
    """One dipole at the origin."""
    return Source(np.zeros((1, 3)), 1e-3 * np.array([moment], dtype=complex))


def array(columns: int, rows: int, *, moment: tuple[complex, ...] = (1, 0, 0)) -> Source:
    """Half a wavelength apart in the plane z = 0, each a pair that radiates into z > 0.

    The second dipole of a pair lies a quarter of a wavelength behind the first and a quarter of a
    period ahead: forward the two add up, backward they cancel.
    """
    step = WAVELENGTH / 2
    x, y = np.meshgrid(*(step * (np.arange(n) - (n - 1) / 2) for n in (columns, rows)))
    flat = np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=1)
    front, back = (flat + np.array([0, 0, z]) for z in (WAVELENGTH / 8, -WAVELENGTH / 8))
    p = 1e-3 * np.tile(np.array(moment, dtype=complex), (x.size, 1))
    return Source(np.concatenate([front, back]), np.concatenate([p, 1j * p]))


def unit_vectors(theta: np.ndarray, phi: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """r^, theta^, phi^, (..., 3) each."""
    st, ct, sp, cp = np.sin(theta), np.cos(theta), np.sin(phi), np.cos(phi)
    return (
        np.stack([st * cp, st * sp, ct], axis=-1),
        np.stack([ct * cp, ct * sp, -st], axis=-1),
        np.stack([-sp, cp, np.zeros_like(sp)], axis=-1),
    )


def field_at(source: Source, points: np.ndarray, *, frequency: float) -> np.ndarray:
    """Cartesian field (M, 3) at points (M, 3) [V/m]."""
    k = 2 * np.pi * frequency / LIGHT
    field = np.zeros(points.shape, dtype=complex)
    for place, p in zip(source.place, source.moment, strict=True):
        d = points - place
        r = np.linalg.norm(d, axis=1)[:, None]
        n, x = d / r, k * r
        radial = n * (n @ p)[:, None]
        field += np.exp(-1j * x) / r * (p - radial + (3 * radial - p) * (1 / x**2 + 1j / x))
    return -1j * k * Z0 / (4 * np.pi) * field


def near_field(
    source: Source, *, frequency: float, theta: np.ndarray, phi: np.ndarray, radius: float
) -> tuple[np.ndarray, np.ndarray]:
    """E_theta and E_phi (M,) [V/m]."""
    out, along_theta, along_phi = unit_vectors(theta, phi)
    field = field_at(source, radius * out, frequency=frequency)
    return (field * along_theta).sum(axis=1), (field * along_phi).sum(axis=1)


def far_field(
    source: Source, *, frequency: float, theta: np.ndarray, phi: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """lim r exp(jkr) E, theta and phi, (M,) [V]."""
    k = 2 * np.pi * frequency / LIGHT
    out, along_theta, along_phi = unit_vectors(theta, phi)
    p = -1j * k * Z0 / (4 * np.pi) * np.exp(1j * k * out @ source.place.T) @ source.moment
    return (p * along_theta).sum(axis=1), (p * along_phi).sum(axis=1)


def intensity(source: Source, *, frequency: float, theta: np.ndarray, phi: np.ndarray) -> np.ndarray:
    """Power per solid angle (M,) [W/sr]."""
    e = far_field(source, frequency=frequency, theta=theta, phi=phi)
    return (np.abs(e[0]) ** 2 + np.abs(e[1]) ** 2) / (2 * Z0)


@dataclass(frozen=True)
class Truth:
    """Peak direction [rad], EIRP there [W], directivity (linear), and TRP [W]."""

    theta: float
    phi: float
    eirp: float
    directivity: float
    trp: float


@cache
def truth(source: Source, frequency: float = 10 * GHZ) -> Truth:
    """TRP by 80 Gauss-Legendre nodes and 160 azimuths, exact to degree 79 of the field.

    The peak is looked for at these and then on ever finer grids around the best.
    """
    c, weight = np.polynomial.legendre.leggauss(80)
    azimuth = 2 * np.pi * np.arange(160) / 160
    theta, phi = (x.ravel() for x in np.meshgrid(np.arccos(c), azimuth, indexing="ij"))
    u = intensity(source, frequency=frequency, theta=theta, phi=phi)
    trp = 2 * np.pi * float(weight @ u.reshape(80, 160).mean(axis=1))
    at = unit_vectors(theta, phi)[0][np.argmax(u)]
    for step in np.radians([0.5, 0.1, 0.02, 0.004]):
        # In two directions across, so that poles are like any other place.
        side = np.linalg.svd(at[None])[2][1:]
        shift = step * np.stack(np.meshgrid(*2 * [np.arange(-6, 7)]), axis=-1).reshape(-1, 2)
        near = at + shift @ side
        near /= np.linalg.norm(near, axis=1)[:, None]
        theta, phi = np.arccos(np.clip(near[:, 2], -1, 1)), np.arctan2(near[:, 1], near[:, 0])
        u = intensity(source, frequency=frequency, theta=theta, phi=phi)
        best = int(np.argmax(u))
        at = near[best]
    eirp = 4 * np.pi * float(u[best])
    return Truth(float(theta[best]), float(phi[best]), eirp, eirp / trp, trp)


# --- where it is measured ------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Rows:
    """Positions of M readings [rad]; ``port`` counted from 1."""

    theta: np.ndarray
    phi: np.ndarray
    chi: np.ndarray
    port: np.ndarray

    def keep(self, rows: np.ndarray) -> Rows:
        return Rows(self.theta[rows], self.phi[rows], self.chi[rows], self.port[rows])

    @property
    def cross(self) -> np.ndarray:
        """Which readings are those of the second polarisation."""
        return (np.abs(self.chi - np.pi / 2) < 1e-9) | (self.port == 2)


def _each_chi(theta: np.ndarray, phi: np.ndarray, chi_deg: tuple[float, ...]) -> Rows:
    """All values of chi at each position, one after the other."""
    count = len(chi_deg)
    chi = np.tile(np.radians(chi_deg), theta.size)
    return Rows(np.repeat(theta, count), np.repeat(phi, count), chi, np.ones(chi.size, dtype=int))


def grid(step_deg: float = 5.0, *, chi_deg: tuple[float, ...] = (0.0, 90.0)) -> Rows:
    """Equal steps in theta, both poles included at every phi, and in phi."""
    theta = np.radians(np.arange(0, 180 + step_deg / 2, step_deg))
    phi = np.radians(np.arange(0, 360 - step_deg / 2, step_deg))
    t, p = (x.ravel() for x in np.meshgrid(theta, phi, indexing="ij"))
    return _each_chi(t, p, chi_deg)


def spiral(count: int, *, chi_deg: tuple[float, ...] = (0.0, 90.0)) -> Rows:
    """Positions of equal area, on turns as far apart as the positions along them."""
    theta = np.arccos(1 - (2 * np.arange(count) + 1) / count)
    return _each_chi(theta, np.mod(np.sqrt(np.pi * count) * theta, 2 * np.pi), chi_deg)


def two_ports(rows: Rows) -> Rows:
    """The same readings by two ports at chi = 0: the second port receives what chi = 90 does."""
    return replace(rows, chi=np.zeros(rows.chi.size), port=np.where(rows.cross, 2, 1))


def readings(
    source: Source, rows: Rows, *, frequency: float = 10 * GHZ, radius: float = RADIUS
) -> np.ndarray:
    """Field along x_p = theta^ cos(chi) + phi^ sin(chi), by port 2 along y_p (M,) [V/m].

    y_p = theta^ sin(chi) - phi^ cos(chi): the probe looks back at the origin.
    """
    e_theta, e_phi = near_field(source, frequency=frequency, theta=rows.theta, phi=rows.phi, radius=radius)
    chi = rows.chi - np.where(rows.port == 2, np.pi / 2, 0)
    return e_theta * np.cos(chi) + e_phi * np.sin(chi)


def wave_per_field(frequency: float = 10 * GHZ) -> float:
    """Wave at the port of a lossless short dipole over the field along it [sqrt(W) m/V].

    It takes |E|^2/(2 Z0) times lambda^2/(4 pi) times 1.5 into a matched load (closed form).
    """
    return float(LIGHT / frequency * np.sqrt(1.5 / (4 * np.pi * Z0)))


def noise(response: np.ndarray, level_db: float, seed: int) -> np.ndarray:
    """White complex noise, its rms that far below the largest reading."""
    rng = np.random.default_rng(seed)
    rms = np.abs(response).max() * 10 ** (level_db / 20)
    return rms / np.sqrt(2) * (rng.normal(size=(2, *response.shape)).T @ [1, 1j]).T


# --- what is missing: rows -> which of them are kept -----------------------------------------

Gap = Callable[[Rows], np.ndarray]


def _in(rows: Rows, low_deg: float, high_deg: float) -> np.ndarray:
    slack = 1e-6
    theta = np.degrees(rows.theta)
    return (theta >= low_deg - slack) & (theta <= high_deg + slack)


def no_cross(low_deg: float, high_deg: float) -> Gap:
    """The second polarisation is missing for these theta."""
    return lambda rows: ~(rows.cross & _in(rows, low_deg, high_deg))


def nothing(low_deg: float, high_deg: float) -> Gap:
    """Both are missing for these theta."""
    return lambda rows: ~_in(rows, low_deg, high_deg)


def no_cross_quarter(rows: Rows) -> np.ndarray:
    """The second is missing for 0 < phi < 90 deg."""
    return ~(rows.cross & (rows.phi > 1e-6) & (rows.phi < np.pi / 2 - 1e-6))


def no_cross_at_random(share: float) -> Gap:
    """That share of the second is missing, each reading by chance."""
    return lambda rows: ~(rows.cross & (np.random.default_rng(7).random(rows.theta.size) < share))


def no_cross_once(theta_deg: float, phi_deg: float) -> Gap:
    """One reading of the second is missing."""

    def keep(rows: Rows) -> np.ndarray:
        away = np.hypot(rows.theta - np.radians(theta_deg), rows.phi - np.radians(phi_deg))
        gone = np.flatnonzero(rows.cross)[np.argmin(away[rows.cross])]
        return np.arange(rows.theta.size) != gone

    return keep


def no_cross_every_second_ring(rows: Rows) -> np.ndarray:
    """The second is missing on the rings of 5, 15, 25 ... deg."""
    return ~(rows.cross & (np.rint(np.degrees(rows.theta)) % 10 == 5))


def poles_once(rows: Rows) -> np.ndarray:
    """At the poles only phi = 0 was measured."""
    return (np.sin(rows.theta) > 1e-9) | (rows.phi == 0)


def alternating(rows: Rows) -> np.ndarray:
    """One value of chi at each position, the next one at the next."""
    count = np.arange(rows.theta.size)
    return (count // 2) % 2 == count % 2


# --- solid angles ----------------------------------------------------------------------------


def cap_share(low_deg: float, high_deg: float) -> float:
    """Part of the sphere between two values of theta: closed form."""
    return float(np.cos(np.radians(low_deg)) - np.cos(np.radians(high_deg))) / 2
