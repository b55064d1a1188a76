"""Antennas, scans and checks that several test files share."""

import numpy as np
import oracle
import pytest

from nf2ff.antenna.modes import SPEED_OF_LIGHT, mode_index
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.solver.positions import plan_geometry
from nf2ff.solver.transmission import TransmissionOperator

EPS = 2.0**-52


K = 3.0


FREQUENCY = K * SPEED_OF_LIGHT / (2 * np.pi)


TOLERANCES = [1e-6, 1e-9, 1e-12]


#: The oracle's share, degree 10: scipy's radial functions (50 eps), Legendre functions (10 N eps).
ORACLE_ERROR = 500 * EPS


def relative(value, wanted):
    """Relative L2 error."""
    return np.linalg.norm(value - wanted) / np.linalg.norm(wanted)


@pytest.fixture
def scan(points, rng):
    """Function (count, radius, ports, layers) -> samples at random places, theta < 0 included.

    Some places are visited twice, with another chi; or all of them ``layers`` times, in any order.
    """

    def make(count=60, radius=(4.0, 4.0), ports=1, layers=None):
        theta, phi, _ = points(count)
        theta = theta * rng.choice([-1, 1], theta.size)
        r = rng.uniform(*radius, theta.size)
        if layers is None:
            pick = np.append(np.arange(theta.size), rng.integers(0, theta.size, count // 3))
        else:
            pick = rng.permutation(np.tile(np.arange(theta.size), layers))
        theta, phi, r = theta[pick], phi[pick], r[pick]
        chi = rng.uniform(0, 2 * np.pi, theta.size)
        port = rng.integers(1, ports + 1, theta.size)
        return Samples([FREQUENCY], theta, phi, chi, r, port, np.zeros((1, theta.size)))

    return make


@pytest.fixture
def dipole_probe(rng):
    """Function ports -> probe of random electric and magnetic dipoles, axial ones included."""

    def make(ports=1, unit="sqrt(W)"):
        r = rng.normal(size=(2, ports, 6))
        return Probe(None, (r[0] + 1j * r[1])[None], unit)

    return make


def operator_of(samples, probe, degree, tolerance=1e-12, threads=2):
    return TransmissionOperator(plan_geometry(samples), probe, FREQUENCY, degree, tolerance, threads)


def responses_from_the_field(samples, probe, q, degree):
    """Responses of dipole probes from E and its curl at their places: no rotation, no translation.

    With u = E/(k sqrt(Z0)) along the probe's axes z^ = r^, x^ = theta^ cos(chi) + phi^ sin(chi),
    y^ = z^ x x^: a_{2,+-1} = sqrt(3 pi)/2 (-+ u_x + j u_y), a_{2,0} = sqrt(6 pi)/2 u_z, a_1 alike
    from the curl, curl F_s = k F_{3-s}, and w = sum a R (closed form, derived in test_probe.py).
    The oracle's waves continue through the pole: theta^ and phi^ are those of the given theta.
    """
    f = oracle.waves(degree, K * samples.radius, samples.theta, samples.phi)
    other = f.reshape(samples.theta.size, -1, 2, 3)[:, :, ::-1].reshape(f.shape)
    cos, sin = np.cos(samples.chi), np.sin(samples.chi)
    r = probe.coefficients[0][samples.port - 1]
    response = np.zeros(samples.theta.size, dtype=complex)
    for s, waves in ((2, f), (1, other)):
        u_r, u_theta, u_phi = np.einsum("j,mjx->xm", q, waves)
        u_x, u_y = u_theta * cos + u_phi * sin, u_phi * cos - u_theta * sin
        for mu in (-1, 1):
            a = np.sqrt(3 * np.pi) / 2 * (-mu * u_x + 1j * u_y)
            response += a * r[:, mode_index(s=s, m=mu, n=1)]
        response += np.sqrt(6 * np.pi) / 2 * u_r * r[:, mode_index(s=s, m=0, n=1)]
    return response * (K * np.sqrt(oracle.Z0) if probe.response_unit == "V/m" else 1)
