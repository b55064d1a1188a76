"""Power radiated into bands of theta, from a fit of readings without phase."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nf2ff.messages.input_error import InputError
from nf2ff.power_only.fit import PowerFit, harmonics

Real = NDArray[np.float64]


def partial_power(fit: PowerFit, *, theta1: float, theta2: float) -> Real:
    """Power radiated into a band of theta.

    Parameters
    ----------
    fit : PowerFit
        EIRP as spherical harmonics, F frequencies.
    theta1, theta2 : float
        Bounds of the band, 0 <= theta1 < theta2 <= pi [rad].

    Returns
    -------
    (F,) ndarray
        Integral of EIRP over the band / 4 pi; of a band and of the rest it adds up to the mean [W].

    Raises
    ------
    ValueError
        If the band is empty or no part of the sphere.

    Notes
    -----
    Only the harmonics of order 0 have a mean over phi, and Gauss-Legendre nodes over the band integrate
    them exactly.
    """
    if not 0 <= theta1 < theta2 <= np.pi * (1 + 1e-12):
        raise InputError(
            f"the band reaches from theta {theta1:.6g} to {theta2:.6g} rad",
            "give 0 <= theta1 < theta2 <= pi",
        )
    nodes, weights = np.polynomial.legendre.leggauss(fit.degree // 2 + 1)
    low, high = np.cos(min(theta2, np.pi)), np.cos(theta1)
    theta = np.arccos(np.clip((low + high) / 2 + (high - low) / 2 * nodes, -1, 1))
    degree = np.arange(fit.degree + 1)
    zonal = degree**2
    shape = harmonics(fit.degree, theta=theta, phi=np.zeros(theta.size))[:, zonal]
    return np.asarray(fit.coefficients[:, zonal] @ (shape.T @ weights) * (high - low) / 4)
