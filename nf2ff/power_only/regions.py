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
            f"the band reaches from theta {theta1:z.6g} to {theta2:z.6g} rad",
            "give 0 <= theta1 < theta2 <= pi",
        )
    nodes, weights = np.polynomial.legendre.leggauss(fit.degree // 2 + 1)
    low, high = np.cos(min(theta2, np.pi)), np.cos(theta1)
    theta = np.arccos(np.clip((low + high) / 2 + (high - low) / 2 * nodes, -1, 1))
    degree = np.arange(fit.degree + 1)
    zonal = degree**2
    shape = harmonics(fit.degree, theta=theta, phi=np.zeros(theta.size))[:, zonal]
    return np.asarray(fit.coefficients[:, zonal] @ (shape.T @ weights) * (high - low) / 4)


#: Degrees beyond those of a fit that are looked at: what a band takes of degree l falls as l^-3.
_BEYOND = 200


def partial_uncertainty(fit: PowerFit, *, theta1: float, theta2: float, count: int) -> Real:
    """Standard uncertainty of `partial_power` by sampling and noise.

    Parameters
    ----------
    fit : PowerFit
        EIRP as spherical harmonics, F frequencies.
    theta1, theta2 : float
        Bounds of the band [rad].
    count : int
        Number of readings.

    Returns
    -------
    (F,) ndarray
        Standard uncertainty [W].

    Notes
    -----
    Of degree l a band takes 1/2 sqrt(2l+1) times the integral of the Legendre polynomial over cos(theta). The
    residual disturbs the degrees fitted as noise would. Degrees above them are taken to be as strong, in
    mean square over the sphere, as the stronger of the last two, their powers spread evenly over all
    orders: few readings say no more, and of a pattern that has fallen off by then little is left.
    """
    from scipy.special import eval_legendre

    n = np.arange(1, fit.degree + _BEYOND + 1)
    edges = np.cos([theta1, min(theta2, np.pi)])
    solid = (edges[0] - edges[1]) / 2
    ends = [np.array([eval_legendre(m, x) for m in (n + 1, n - 1)]) for x in edges]
    whole = np.abs((ends[0][0] - ends[0][1]) - (ends[1][0] - ends[1][1])) / (2 * n + 1)
    share = 0.25 * (2 * n + 1) * whole**2
    spectrum = fit.spectrum()
    last = spectrum[:, max(1, fit.degree - 1) :].max(axis=1, initial=0.0)
    if fit.degree == 0:  # one reading for all: the pattern may be anything
        last = spectrum[:, 0]
    above = last[:, None] * (share / (2 * n + 1))[None, fit.degree :]
    noise = np.nan_to_num(fit.residual) ** 2 / max(count, 1)
    return np.asarray(np.sqrt(above.sum(axis=1) + noise * (solid**2 + share[: fit.degree].sum())))
