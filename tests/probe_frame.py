"""What every model of a probe has in its own frame, measured on its modes."""

import numpy as np
import oracle
from scipy.integrate import quad

from nf2ff.antenna.fields import far_field_points
from nf2ff.antenna.modes import mode_numbers

#: The transforms at points reach about a tenth of the 1e-12 asked of them, of the largest field.
POINTS = 1e-12


def field(modes, theta, phi):
    """E_theta, E_phi (2, F, M) by the library."""
    theta, phi = np.broadcast_arrays(theta, phi)
    return np.array(far_field_points(modes, theta=theta.ravel(), phi=phi.ravel()))


def directivity(modes, theta=0.0, phi=0.0):
    e = field(modes, np.atleast_1d(theta), phi)
    power = np.square(np.abs(e)).sum(axis=0) / (2 * oracle.Z0)
    return 4 * np.pi * power / modes.radiated_power()[:, None]


def power_by_quadrature(modes):
    """Radiated power of orders +-1 alone: over phi the intensity has orders 0 and +-2."""

    def ring(t):
        e = field(modes, t, np.pi / 2 * np.arange(4) + 0.3)[:, 0]
        return np.square(np.abs(e)).sum(axis=0).mean() * 2 * np.pi * np.sin(t) / (2 * oracle.Z0)

    return quad(ring, 0, np.pi, epsabs=1e-11, epsrel=1e-11, limit=200)[0]


def check_frame(modes):
    """Boresight field along x with phase zero, orders +-1, planes of symmetry, 1 W."""
    e_theta, e_phi = field(modes, np.zeros(2), [0, np.pi / 2])
    size = np.abs(e_theta[:, 0])
    assert np.all(e_theta[:, 0].real > 0)
    np.testing.assert_allclose(e_theta[:, 0].imag, 0, atol=POINTS * size.max())
    # At phi = 90 deg theta^ is y and phi^ is -x.
    np.testing.assert_allclose(e_theta[:, 1], 0, atol=POINTS * size.max())
    np.testing.assert_allclose(e_phi[:, 1], -e_theta[:, 0], atol=POINTS * size.max())
    m = mode_numbers(modes.degree)[1]
    # Exactly none: each azimuthal order of a probe costs transforms.
    assert not modes.coefficients[:, np.abs(m) != 1].any()
    theta = np.linspace(0.1, 3.0, 13)
    for phi, cross in ((0.0, 1), (np.pi, 1), (np.pi / 2, 0), (-np.pi / 2, 0)):
        e = field(modes, theta, phi)
        np.testing.assert_allclose(e[cross], 0, atol=POINTS * size.max())
    # Mirrored in the planes phi = 0 and phi = 90 deg: E_theta is even, E_phi odd in phi, and
    # E_theta odd, E_phi even about 90 deg.
    here, mirrored, across = (field(modes, theta, p) for p in (0.4, -0.4, np.pi - 0.4))
    np.testing.assert_allclose(mirrored * [[[1]], [[-1]]], here, atol=POINTS * size.max())
    np.testing.assert_allclose(across * [[[-1]], [[1]]], here, atol=POINTS * size.max())
    assert modes.reference == "absolute"
