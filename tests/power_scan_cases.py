"""Antennas, scans and checks that several test files share."""

import numpy as np

from nf2ff.antenna.grids import ring_angles
from nf2ff.power_only.scan import PowerScan

#: Rounding of a sum of some hundred powers, relative.
ROUNDING = 1e-13


def vectors(theta, phi):
    sin = np.sin(theta)
    return np.stack([sin * np.cos(phi), sin * np.sin(phi), np.cos(theta)], axis=-1)


def pairs(theta, phi):
    return tuple(x.ravel() for x in np.meshgrid(theta, phi, indexing="ij"))


def grid(steps, azimuths, rule="clenshaw-curtis", phi0=0.0):
    """Directions of a grid; with both poles ``steps`` is the number of steps of theta."""
    count = steps + 1 if rule == "clenshaw-curtis" else steps
    return pairs(ring_angles(rule, count), phi0 + 2 * np.pi * np.arange(azimuths) / azimuths)


def scan_of(values, theta, phi, frequency=None):
    values = np.atleast_2d(values)
    frequency = np.arange(1.0, len(values) + 1) if frequency is None else frequency
    return PowerScan(frequency, theta, phi, eirp_total=values)


def decibel(ratio):
    return 10 * np.log10(ratio)


def line_of_eight(r):
    """Eight isotropic sources half a wavelength apart: (sin(8u)/sin(u))^2 / 8, u = pi z / 2.

    Its mean is exactly 1 (closed form: the sources do not couple at that spacing).
    """
    s = np.sin(np.pi * r[..., 2] / 2)
    near = np.abs(s) < 1e-9
    return np.where(near, 64, (np.sin(4 * np.pi * r[..., 2]) / np.where(near, 1, s)) ** 2) / 8


HEADER = "theta_deg,phi_deg,frequency_hz,eirp_theta_dbm,eirp_phi_dbm"


def put(path, *lines):
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path
