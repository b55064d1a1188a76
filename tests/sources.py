"""Antennas of known field and what the tests measure on them, wavelength one metre."""

import numpy as np

from nf2ff.antenna.closed_form import far_field_of, near_field, radiated_power_of
from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.antenna.modes import SPEED_OF_LIGHT, WAVE_IMPEDANCE

EPS = np.finfo(float).eps
#: At this frequency the wavelength is one metre, lengths below are in wavelengths.
ONE_METRE = np.array([SPEED_OF_LIGHT])
K = 2 * np.pi
ORIGIN = np.zeros((1, 3))
X, Y, Z = np.eye(3)


def random_cluster(count=6, size=1.0, seed=1):
    rng = np.random.default_rng(seed)

    def moments():
        return rng.normal(size=(count, 3)) + 1j * rng.normal(size=(count, 3))

    position = rng.uniform(-1, 1, (count, 3)) * size / np.sqrt(3)
    return DipoleCluster(position, moments(), WAVE_IMPEDANCE * moments())


def random_directions(count, seed=2):
    rng = np.random.default_rng(seed)
    return np.arccos(rng.uniform(-1, 1, count)), rng.uniform(-np.pi, np.pi, count)


def spherical(points):
    """Theta, phi, radius of Cartesian points (..., 3)."""
    x, y, z = np.moveaxis(points, -1, 0)
    return np.arctan2(np.hypot(x, y), z), np.arctan2(y, x), np.linalg.norm(points, axis=-1)


def basis(theta, phi):
    """r^, theta^, phi^ (3, M, 3) by the conventions of the project."""
    theta, phi = np.broadcast_arrays(theta, phi)
    st, ct, sp, cp = np.sin(theta), np.cos(theta), np.sin(phi), np.cos(phi)
    rows = [[st * cp, st * sp, ct], [ct * cp, ct * sp, -st], [-sp, cp, 0 * st]]
    return np.moveaxis(np.array(rows), 1, -1)


def cartesian_field(antenna, points, frequency=ONE_METRE):
    """Near field (F, ..., 3) at Cartesian points (..., 3)."""
    theta, phi, radius = spherical(points.reshape(-1, 3))
    e = near_field(antenna, frequency=frequency, theta=theta, phi=phi, radius=radius)
    field = np.einsum("ufm,umi->fmi", np.array(e), basis(theta, phi))
    return field.reshape(len(frequency), *points.shape)


def intensity(antenna, theta, phi, frequency=ONE_METRE):
    e_theta, e_phi = far_field_of(antenna, frequency=frequency, theta=theta, phi=phi)
    return (np.abs(e_theta) ** 2 + np.abs(e_phi) ** 2) / (2 * WAVE_IMPEDANCE)


def directivity(antenna, theta, phi):
    """Directivity (M,) at one metre wavelength."""
    power = radiated_power_of(antenna, frequency=ONE_METRE)
    return 4 * np.pi * intensity(antenna, theta, phi)[0] / power[0]


def power_of_far_field(antenna, degree, frequency=ONE_METRE):
    """Integral of the intensity: exact where the field has no degree above ``degree``.

    The intensity is then a polynomial of degree 2 ``degree``, which degree + 1 Gauss-Legendre
    nodes and 2 degree + 1 azimuths integrate.
    """
    c, weight = np.polynomial.legendre.leggauss(degree + 1)
    phi = 2 * np.pi / (2 * degree + 1) * np.arange(2 * degree + 1)
    theta = np.repeat(np.arccos(c), phi.size)
    u = intensity(antenna, theta, np.tile(phi, c.size), frequency)
    return 2 * np.pi * u.reshape(-1, c.size, phi.size).mean(axis=2) @ weight


Z_DIPOLE = DipoleCluster(ORIGIN, [Z])
