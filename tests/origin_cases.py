"""Modes of dipoles in closed form, for looking into the box."""

import numpy as np

from nf2ff.antenna.closed_form import far_field_of
from nf2ff.antenna.dipoles import huygens_source
from nf2ff.antenna.expansion import modes_from_far_field
from nf2ff.antenna.far_field import FarField
from nf2ff.antenna.grids import gauss_legendre_grid
from nf2ff.antenna.modes import Modes

FREQUENCY = np.array([10e9, 11e9])
WAVELENGTH = 299792458.0 / FREQUENCY[0]


def modes_of(antenna, degree=40):
    """Modes from the far field in closed form, by a quadrature that is exact for the degree."""
    grid = gauss_legendre_grid(degree + 20, 2 * (degree + 20))
    t, p = (x.ravel() for x in np.meshgrid(grid.theta, grid.phi, indexing="ij"))
    e = far_field_of(antenna, frequency=FREQUENCY, theta=t, phi=p)
    shape = (2, grid.theta.size, grid.phi.size)
    field = FarField(FREQUENCY, grid.theta, grid.phi, *(x.reshape(shape) for x in e), np.ones(2))
    return modes_from_far_field(field, degree=degree)


def source(position):
    return huygens_source(direction=[0, 0, 1], polarisation=[1, 0, 0], position=position)


def noisy(modes, level_db, rng):
    """The modes with noise on each coefficient, whole power against whole power; its standard deviation."""
    q = modes.coefficients
    size = np.sqrt(10 ** (level_db / 10) * np.sum(np.abs(q) ** 2, axis=1, keepdims=True) / q.shape[1])
    noise = size / np.sqrt(2) * (rng.normal(size=(*q.shape, 2)) @ [1, 1j])
    return Modes(modes.frequency, q + noise, modes.reference), size[:, 0]
