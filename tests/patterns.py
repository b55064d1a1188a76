"""Modes of antennas whose pattern has a closed form, for the tests of what is made of them."""

from functools import lru_cache

import numpy as np
import oracle

from nf2ff.antenna.far_field import far_field
from nf2ff.antenna.modes import Modes, mode_count, mode_index, mode_numbers

#: The transforms at points are asked for 1e-12 of the largest field and give about a tenth of
#: that; twice as much in power.
POWER_RTOL = 3e-12


def modes_of(coefficients, degree=1, reference="absolute"):
    """Modes at 1 GHz of {(s, m, n): Q}."""
    q = np.zeros((1, mode_count(degree)), dtype=complex)
    for (s, m, n), value in coefficients.items():
        q[0, mode_index(s=s, m=m, n=n)] = value
    return Modes([1e9], q, reference)


def project(field, degree, order):
    """Modes of ``field(theta, phi) -> e_theta, e_phi`` with |m| <= order, by quadrature.

    The far-field functions K of the textbook are orthogonal with norm 4 pi, since the directivity
    |sum Q K|^2 / sum |Q|^2 has mean 1. Exact if the field ends at ``degree``.
    """
    t, p, solid = _grid(degree, order)
    k = _waves_on_grid(degree, order)
    e = np.stack(field(t, p), -1)
    q = np.einsum("m,mc,mjc->j", solid, e, k.conj()) / (4 * np.pi)
    q[np.abs(mode_numbers(degree)[1]) > order] = 0
    return Modes([1e9], [q / np.sqrt(oracle.Z0 / (4 * np.pi))])


def _grid(degree, order):
    """Directions and their solid angles, flat."""
    x, weight = np.polynomial.legendre.leggauss(degree + 2)
    phi = 2 * np.pi * np.arange(2 * order + 1) / (2 * order + 1)
    t, p = (v.ravel() for v in np.meshgrid(np.arccos(x), phi, indexing="ij"))
    return t, p, np.repeat(weight, phi.size) * 2 * np.pi / phi.size


@lru_cache(maxsize=1)
def _waves_on_grid(degree, order):
    """Slow, and the same for all fields that end at a degree."""
    return oracle.far_waves(degree, *_grid(degree, order)[:2])


HUYGENS = modes_of({(2, -1, 1): -1, (2, 1, 1): 1, (1, 1, 1): -1, (1, -1, 1): -1})
Z_DIPOLE = modes_of({(2, 0, 1): -1})
# Check values, section 1: x-dipole Q_{2,-+1,1} = -+q/sqrt 2, y-dipole Q_{2,+-1,1} = -iq/sqrt 2; the
# mapping to exp(+jwt) leaves both as they are. The dipoles x and -jy together:
TURNSTILE = modes_of({(2, -1, 1): (-1 + -1j * -1j) / 2**0.5, (2, 1, 1): (1 + -1j * -1j) / 2**0.5})


def grid_of(modes, t=37, p=24):
    theta, phi = np.linspace(0, np.pi, t), 2 * np.pi * np.arange(p) / p
    return far_field(modes, theta=theta, phi=phi)
