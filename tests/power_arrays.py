"""Arrays of known far field in any orientation, read by a receiver with noise: an oracle in numpy.

Closed form: the field of point sources at r_i is sum a_i exp(jk r . r_i) times that of an element.
Nothing here is of the package. The readings have mean 1 over the sphere without noise.
"""

from functools import cache, cached_property

import numpy as np


def unit(theta, phi):
    theta, phi = np.broadcast_arrays(theta, phi)
    sin = np.sin(theta)
    return np.stack([sin * np.cos(phi), sin * np.sin(phi), np.cos(theta)], axis=-1)


def full_grid(step_deg):
    """Directions of a grid with both poles, every azimuth at them, too."""
    n = round(180 / step_deg)
    theta, phi = np.meshgrid(np.pi * np.arange(n + 1) / n, np.pi * np.arange(2 * n) / n, indexing="ij")
    return theta.ravel(), phi.ravel()


def rotations(count, rng):
    """Random rotation matrices (K, 3, 3), uniform: from quaternions of normal components."""
    q = rng.normal(size=(count, 4))
    w, x, y, z = (q / np.linalg.norm(q, axis=1)[:, None]).T
    rows = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
        [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
        [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
    ]
    return np.moveaxis(np.array(rows), -1, 0)


class Array:
    """Equal sources at places (I, 3) [wavelengths], isotropic, dipoles along x or Huygens sources.

    A Huygens source is a dipole along x with a magnetic one along y: it radiates towards +z.
    """

    def __init__(self, places, element):
        self.places, self.element = np.atleast_2d(places), element

    @cached_property
    def mean(self):
        # Gauss-Legendre in cos(theta), 281 equal azimuths: exact to degree 279.
        z, weight = np.polynomial.legendre.leggauss(140)
        phi = 2 * np.pi * np.arange(281) / 281
        r = unit(np.arccos(z)[:, None], phi)
        return weight @ self.power(r).mean(axis=1) / 2

    @cached_property
    def peak(self):
        # All sources are in phase towards +z, where a Huygens source and a dipole are strongest;
        # a pair along z is so at right angles to it.
        axis = [0, 0, 1] if np.ptp(self.places[:, 2]) == 0 else [1, 0, 0]
        return self.power(np.array(axis, dtype=float)) / self.mean

    def field(self, r):
        x, z = np.array([1.0, 0, 0]), np.array([0, 0, 1.0])
        factor = np.exp(2j * np.pi * r @ self.places.T).sum(axis=-1)
        if self.element == "isotropic":
            return factor[..., None]
        e = x - r * r[..., :1]
        if self.element == "huygens":
            e = e - np.cross(r, np.cross(z, x))
        return factor[..., None] * e

    def power(self, r):
        return np.sum(np.abs(self.field(r)) ** 2, axis=-1)

    def fields(self, orientations, theta, phi):
        """E_theta and E_phi, (K, M) each; of isotropic sources all is in the first."""
        r = unit(theta, phi)
        along = unit(theta + np.pi / 2, phi), unit(np.pi / 2 + 0 * theta, phi + np.pi / 2)
        result = []
        for turn in orientations:
            e = self.field(r @ turn)
            if self.element == "isotropic":
                result.append([e[:, 0], 0 * e[:, 0]])
            else:
                result.append([np.sum((e @ turn.T) * a, axis=-1) for a in along])
        return np.moveaxis(np.array(result), 1, 0) / np.sqrt(self.mean)


@cache
def planar(nx, ny, element="huygens"):
    x, y = np.meshgrid((np.arange(nx) - (nx - 1) / 2) / 2, (np.arange(ny) - (ny - 1) / 2) / 2)
    return Array(np.stack([x.ravel(), y.ravel(), 0 * x.ravel()], axis=-1), element)


@cache
def pair(kd):
    """Two isotropic sources, k times their distance ``kd``."""
    return Array([[0, 0, kd / 4 / np.pi], [0, 0, -kd / 4 / np.pi]], "isotropic")


def readings(field, floor, samples, rng):
    """Mean of some |field + noise|^2; the noise is complex normal, its mean power ``floor``."""
    total = np.zeros(field.shape)
    for _ in range(samples):
        noise = rng.normal(size=(2, *field.shape)) * np.sqrt(floor / 2)
        total += np.abs(field + noise[0] + 1j * noise[1]) ** 2
    return total / samples
