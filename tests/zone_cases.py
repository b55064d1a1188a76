"""Fields in quiet zones, in closed form."""

import numpy as np

from nf2ff.antenna.modes import SPEED_OF_LIGHT
from nf2ff.ranges.zone import ProbedField

FREQUENCY = 28e9
K = 2 * np.pi * FREQUENCY / SPEED_OF_LIGHT
WAVELENGTH = SPEED_OF_LIGHT / FREQUENCY


def wave(position, direction, *, level_db=0.0, phase=0.0):
    """exp(-jk u.r) of a plane wave that travels along ``direction``, exp(+jwt)."""
    u = np.asarray(direction, dtype=float)
    u = u / np.linalg.norm(u)
    return 10 ** (level_db / 20) * np.exp(-1j * K * position @ u + 1j * phase)


def towards(theta_deg, phi_deg=0.0):
    """Unit vector at an angle from +z."""
    t, p = np.radians([theta_deg, phi_deg])
    return np.array([np.sin(t) * np.cos(p), np.sin(t) * np.sin(p), np.cos(t)])


def line(count=81, half=0.15, along=(1, 0, 0)):
    """Places on a line through the origin."""
    return np.linspace(-half, half, count)[:, None] * np.asarray(along, dtype=float)


def plane(count=61, half=0.15):
    """Places on a square grid across z."""
    x = np.linspace(-half, half, count)
    a, b = np.meshgrid(x, x)
    return np.stack([a.ravel(), b.ravel(), 0 * a.ravel()], axis=1)


def probed(position, co, **more):
    """Readings at 28 GHz."""
    return ProbedField(FREQUENCY, position, co, **more)
