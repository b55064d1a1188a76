"""Devices of known far field, and what ranges do to them by direct sums in closed form."""

import numpy as np
import oracle

from nf2ff.antenna.closed_form import far_field_of
from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.antenna.modes import SPEED_OF_LIGHT, Modes

FREQUENCY = 3e9
K = 2 * np.pi * FREQUENCY / SPEED_OF_LIGHT


def device(rng, *, size=0.1, count=5):
    """A few dipoles of both kinds within ``size`` [m] of the origin."""
    place = rng.uniform(-1, 1, (count, 3)) * size / np.sqrt(3)
    moments = rng.normal(size=(4, count, 3))
    return DipoleCluster(place, 1e-3 * (moments[0] + 1j * moments[1]), 0.3 * (moments[2] + 1j * moments[3]))


def end_fire_array(count=8, step=0.5, offset=(0, 0, 0)):
    """A square array of Huygens sources across z that radiates to +z, x polarised."""
    wavelength = SPEED_OF_LIGHT / FREQUENCY
    x = (np.arange(count) - (count - 1) / 2) * step * wavelength
    place = np.stack([a.ravel() for a in np.meshgrid(x, x)] + [np.zeros(count**2)], axis=1)
    electric = np.tile([1e-3, 0, 0], (count**2, 1))
    magnetic = np.tile([0, 1e-3 * oracle.Z0, 0], (count**2, 1))
    return DipoleCluster(place + np.asarray(offset), electric.astype(complex), magnetic.astype(complex))


def modes_of(cluster, degree):
    """Its modes by quadrature of the closed form: Q_j = 1/sqrt(4 pi Z0) int E . conj K_j."""
    x, w = np.polynomial.legendre.leggauss(degree + 12)
    phi = 2 * np.pi * np.arange(2 * degree + 24) / (2 * degree + 24)
    theta = np.repeat(np.arccos(x), phi.size)
    weight = np.repeat(w * 2 * np.pi / phi.size, phi.size)
    phi = np.tile(phi, x.size)
    e = np.stack([c[0] for c in far_field_of(cluster, frequency=[FREQUENCY], theta=theta, phi=phi)], axis=1)
    q = np.zeros(2 * degree * (degree + 2), dtype=complex)
    step = 500
    for i in range(0, theta.size, step):
        part = slice(i, i + step)
        waves = oracle.far_waves(degree, theta[part], phi[part])
        q += np.einsum("m,mx,mjx->j", weight[part], e[part], waves.conj())
    return Modes([FREQUENCY], q[None] / np.sqrt(4 * np.pi * oracle.Z0))


def turned_cluster(cluster, rotation):
    """The cluster turned about the origin."""
    return DipoleCluster(
        cluster.position @ rotation.T, cluster.electric @ rotation.T, cluster.magnetic @ rotation.T
    )


def direct_sum(cluster, direction, amplitude):
    """sum_i A_i . f(-u_i), the far field in closed form."""
    back = -np.asarray(direction, dtype=float)
    theta, phi = np.arccos(np.clip(back[:, 2], -1, 1)), np.arctan2(back[:, 1], back[:, 0])
    e = far_field_of(cluster, frequency=[FREQUENCY], theta=theta, phi=phi)
    _, across, along = oracle.cartesian(theta, phi)
    field = e[0][0][:, None] * across + e[1][0][:, None] * along
    return np.sum(np.asarray(amplitude) * field)


def random_waves(rng, count):
    """Directions of travel (W, 3) and complex vectors across them."""
    u = rng.normal(size=(count, 3))
    u /= np.linalg.norm(u, axis=1)[:, None]
    a = rng.normal(size=(count, 3)) + 1j * rng.normal(size=(count, 3))
    return u, a - np.sum(a * u, axis=1)[:, None] * u
