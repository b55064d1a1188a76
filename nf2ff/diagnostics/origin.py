"""The origin of modes moved: translation, centre of radiation, and the smallest sphere about it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.expansion import modes_from_far_field
from nf2ff.antenna.far_field import far_field
from nf2ff.antenna.grids import gauss_legendre_grid
from nf2ff.antenna.modes import Modes, required_degree, wavenumber
from nf2ff.diagnostics.noise import checked_noise, without_noise
from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.sphere import unit_vectors
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.gain_and_power import nonzero_power

Real = NDArray[np.float64]
#: Power above the degree that translated modes are given, over all, in the worst case [dB]: rounding.
_TAIL_DB = -260.0


def _vector(shift: ArrayLike) -> Real:
    value = as_array(shift, float, "vector", ndim=1)
    if value.shape != (3,):
        raise InputError(f"the vector has {value.size} components, expected 3 [m]")
    return value


def translate(modes: Modes, vector: ArrayLike, *, degree: int | None = None) -> Modes:
    """Modes of the same antenna about another origin.

    Parameters
    ----------
    modes : Modes
        Mode coefficients, F frequencies.
    vector : (3,) array_like
        The new origin, seen from the old one [m].
    degree : int, optional
        Largest degree of the result; by default so many that nothing is lost but rounding.

    Returns
    -------
    Modes
        What stood at ``vector`` stands at the origin. Fields at a place p are now those at p minus
        ``vector``.

    Raises
    ------
    ValueError
        If the vector has not three finite components, or the degree is below 1.

    Notes
    -----
    The far field about the new origin is the old one times exp(-jk r^ . vector), which has the degrees up to
    about N + k |vector|; its expansion is a quadrature that is exact for the modes kept.
    """
    shift = _vector(vector)
    if degree is not None and degree < 1:
        raise InputError(f"degree is {degree}, expected at least 1")
    k = float(wavenumber(modes.frequency.max()))
    whole = required_degree(modes.degree + k * float(np.linalg.norm(shift)), tail_db=_TAIL_DB)
    if not shift.any():
        whole = modes.degree
    wanted = whole if degree is None else degree
    # The product has degrees up to `whole`, and the waves kept reach `wanted`.
    count = (max(whole, wanted) + wanted) // 2 + 2
    grid = gauss_legendre_grid(count, 2 * count)
    field = far_field(modes, theta=grid.theta, phi=grid.phi)
    t, p = np.meshgrid(grid.theta, grid.phi, indexing="ij")
    turn = np.exp(-1j * wavenumber(modes.frequency)[:, None, None] * (unit_vectors(t, p)[0] @ shift))
    # The radius r' to the new origin is r - r^ . vector: exp(-jkr) = exp(-jkr') exp(-jk r^ . vector).
    moved = replace(field, e_theta=field.e_theta * turn, e_phi=field.e_phi * turn)
    return modes_from_far_field(moved, degree=wanted)


def radiation_centre(modes: Modes) -> Real:
    """Point about which the power lies in the lowest degrees.

    Parameters
    ----------
    modes : Modes
        Mode coefficients, F frequencies. Noise in high degrees draws the point towards the origin: leave
        out the degrees that hold nothing else (`Modes.truncate`).

    Returns
    -------
    (F, 3) ndarray
        The centre [m]. Along the beam of an antenna it is known some four times less well than across.

    Raises
    ------
    ValueError
        If no power is radiated at a frequency.

    Notes
    -----
    The mean of n(n+1), weighted by power, is that of the square of the angular momentum, and exactly
    quadratic in the place of the origin: ten values tell its minimum.
    """
    nonzero_power(modes.frequency, modes.radiated_power())
    step = 0.5 / float(wavenumber(modes.frequency.max())) * max(1.0, np.sqrt(modes.degree))
    unit = step * np.eye(3)
    here = _mean_square(modes)
    ahead, behind = (np.array([_mean_square(translate(modes, s * x)) for x in unit]) for s in (1, -1))
    slope = (ahead - behind) / (2 * step)
    curve = np.zeros((modes.frequency.size, 3, 3))
    for i in range(3):
        curve[:, i, i] = (ahead[i] + behind[i] - 2 * here) / step**2
        for j in range(i):
            both = _mean_square(translate(modes, unit[i] + unit[j]))
            curve[:, i, j] = curve[:, j, i] = (both - ahead[i] - ahead[j] + here) / step**2
    return -np.linalg.solve(curve, slope.T[:, :, None])[:, :, 0]


def centre_uncertainty(modes: Modes, noise: ArrayLike, *, draws: int = 16) -> Real:
    """Standard uncertainty of the centre of radiation from noise, by noise that is added once more.

    Parameters
    ----------
    modes : Modes
        Mode coefficients, F frequencies.
    noise : float or (F,) array_like
        Standard uncertainty of a coefficient, see `noise.coefficient_noise` [sqrt(W)].
    draws : int
        Draws of noise; the result scatters by 1/sqrt(2 draws) of itself.

    Returns
    -------
    (F, 3) ndarray
        Of each component [m]; NaN where the noise is not known.

    Raises
    ------
    ValueError
        If no power is radiated at a frequency, or noise is negative.
    """
    sigma = checked_noise(noise, modes)
    generator = np.random.default_rng(0)
    found = np.full((modes.frequency.size, 3), np.nan)
    for f, one in enumerate(modes.each()):
        if np.isnan(sigma[f]):
            continue
        pair = generator.standard_normal((2, draws, one.coefficients.shape[1]))
        noisy = one.coefficients + sigma[f] / np.sqrt(2) * (pair[0] + 1j * pair[1])
        some = without_noise(Modes(np.repeat(one.frequency, draws), noisy), sigma[f])
        found[f] = radiation_centre(some).std(axis=0, ddof=1)
    return found


def _mean_square(modes: Modes) -> Real:
    """Mean of n(n+1), (F,)."""
    n = np.arange(1, modes.degree + 1)
    spectrum = modes.power_spectrum()
    return np.asarray(spectrum @ (n * (n + 1.0)) / spectrum.sum(axis=1))


def minimum_sphere(modes: Modes, *, tail_db: float = -40.0) -> Real:
    """Radius of the sphere about the origin that holds what radiates, as far as the modes tell.

    Parameters
    ----------
    modes : Modes
        Mode coefficients, F frequencies.
    tail_db : float
        Power beyond the degree of that sphere over all [dB], negative.

    Returns
    -------
    (F,) ndarray
        Radius, known to about half a degree, lambda/(4 pi), and never more than the degree allows. A part
        of less power than the tail may lie outside [m].

    Raises
    ------
    ValueError
        If no power is radiated at a frequency, or the tail is no negative level.

    See Also
    --------
    nf2ff.antenna.modes.required_degree : the degree of a sphere, of which this is the inverse.
    """
    power = nonzero_power(modes.frequency, modes.radiated_power())
    required_degree(1.0, tail_db=tail_db)
    above = np.cumsum(modes.power_spectrum()[:, ::-1], axis=1)[:, ::-1] - modes.power_spectrum()
    degree = 1 + np.argmax(above <= 10 ** (tail_db / 10) * power[:, None], axis=1)
    return np.array([_radius_of(int(n), tail_db) for n in degree]) / wavenumber(modes.frequency)


def _radius_of(degree: int, tail_db: float) -> float:
    """Largest k r0 whose worst dipole needs no more than a degree."""
    low, high = 0.0, float(degree + 1)
    while high - low > 1e-3:
        middle = (low + high) / 2
        low, high = (middle, high) if required_degree(middle, tail_db=tail_db) <= degree else (low, middle)
    return low
