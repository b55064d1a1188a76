"""Closed forms about quiet zones: stray waves and ripple, tapers, spread over positions, free-space VSWR.

Those of standards are marked: text seen, or from memory. All levels are amplitudes over that of the
direct wave, in dB.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.kernel.arrays import as_array
from nf2ff.messages.input_error import InputError
from nf2ff.ranges.smooth_part import variation

Real = NDArray[np.float64]

#: Decibels in a neper, 20 lg e.
NEPER_DB = 20 / np.log(10)


def stray_level_db(peak_to_peak_db: ArrayLike) -> Any:
    """Level of one stray wave from the ripple that it makes.

    Parameters
    ----------
    peak_to_peak_db : array_like
        Ripple, peak to peak, any shape [dB].

    Returns
    -------
    float or ndarray
        Level against the direct wave, same shape [dB].

    Notes
    -----
    Largest over smallest amplitude is (1 + rho) / (1 - rho), rho the stray wave over the direct one.
    """
    ratio = 10 ** (_not_negative(peak_to_peak_db, "peak_to_peak_db") / 20)
    with np.errstate(divide="ignore"):
        return 20 * np.log10((ratio - 1) / (ratio + 1))


def ripple_db(stray_db: ArrayLike) -> Any:
    """Ripple that one stray wave makes, the inverse of `stray_level_db`.

    Parameters
    ----------
    stray_db : array_like
        Level of the stray wave against the direct one, below 0, any shape [dB].

    Returns
    -------
    float or ndarray
        Ripple, peak to peak, same shape [dB].
    """
    rho = _ratio(stray_db)
    return 20 * np.log10((1 + rho) / (1 - rho))


def phase_ripple(stray_db: ArrayLike) -> Any:
    """Ripple of phase that one stray wave makes: asin(rho).

    Parameters
    ----------
    stray_db : array_like
        Level of the stray wave against the direct one, below 0, any shape [dB].

    Returns
    -------
    float or ndarray
        Half of the ripple from peak to peak, same shape [rad].
    """
    return np.arcsin(_ratio(stray_db))


def spread_db(stray_db: ArrayLike, *, waves: int = 1) -> Any:
    """Standard deviation of readings with independent weak stray waves of one level.

    Parameters
    ----------
    stray_db : array_like
        Level of each stray wave against the direct one, any shape [dB].
    waves : int
        Number of stray waves, at least 1.

    Returns
    -------
    float or ndarray
        Standard deviation, same shape [dB].

    Raises
    ------
    ValueError
        If ``waves`` is below 1.

    Notes
    -----
    20 lg(e) rho sqrt(waves / 2), to first order in rho: the phases are those of places and
    orientations far apart.
    """
    if waves < 1:
        raise InputError(f"waves is {waves}, expected at least 1")
    return NEPER_DB * _ratio(stray_db) * np.sqrt(waves / 2)


def amplitude_taper_error_db(taper_db: ArrayLike, *, part: float = 1.0) -> Any:
    """What a quadratic amplitude taper costs a uniform disc at boresight [dB].

    Parameters
    ----------
    taper_db : array_like
        Fall from the zone's centre to its edge [dB].
    part : float
        Diameter of the disc over that of the zone.

    Returns
    -------
    float or ndarray
        Change of the level, in the shape of ``taper_db`` [dB].
    """
    fall = 1 - 10 ** (-_not_negative(taper_db, "taper_db") / 20)
    return 20 * np.log10(1 - fall * part**2 / 2)


def phase_taper_error_db(taper: ArrayLike, *, part: float = 1.0) -> Any:
    """What a quadratic phase taper costs a uniform disc at boresight [dB].

    Parameters
    ----------
    taper : array_like
        Change of phase from the zone's centre to its edge [rad].
    part : float
        Diameter of the disc over that of the zone.

    Returns
    -------
    float or ndarray
        Change of the level, in the shape of ``taper`` [dB].

    Notes
    -----
    20 lg sinc(phi / 2), phi the phase at the edge of the disc. At a distance of q D^2 / lambda from a
    small source phi is pi / (4 q), 22.5 deg for q = 2.
    """
    edge = np.asarray(as_array(taper, float, "taper")) * part**2
    return 20 * np.log10(np.abs(np.sinc(edge / 2 / np.pi)))


def _not_negative(value: ArrayLike, name: str) -> Real:
    v = as_array(value, float, name)
    if np.any(v < 0):
        raise InputError(f"{name} is {v.min():g}, expected 0 or more")
    return v


def _ratio(stray_db: ArrayLike) -> Real:
    level = as_array(stray_db, float, "stray_db")
    if np.any(level >= 0):
        raise InputError(f"stray_db is {level.max():g}, expected a level below that of the direct wave, < 0")
    return np.asarray(10 ** (level / 20))


# --- spread over positions and orientations ---------------------------------------------------------

#: Orientations of TS 38.521-2, O.2.6.1 (Rel-17, text seen): turned about y, and about z [deg].
_ABOUT_Y_DEG = (0, 45, 90, 135, 180)
_ABOUT_Z_DEG = tuple(range(0, 360, 45))


def quality_positions(radius: float) -> Real:
    """The 7 positions of TS 38.521-2, O.2.5: the centre, and both ends along x, y and z.

    Parameters
    ----------
    radius : float
        Radius of the zone [m]. (For zones of 0.20 and 0.275 m the standard lets the two along z be the
        declared heights.)

    Returns
    -------
    (7, 3) ndarray
        Positions [m].

    Raises
    ------
    ValueError
        If ``radius`` is not positive.
    """
    if not 0 < radius < np.inf:
        raise InputError(f"radius is {radius}, expected a number above 0 [m]")
    ends = radius * np.eye(3)
    return np.concatenate([np.zeros((1, 3)), np.stack([ends, -ends], axis=1).reshape(6, 3)])


def quality_orientations() -> Real:
    """The 26 orientations of TS 38.521-2, O.2.6.1: angles about y and about z.

    At 0 and 180 deg about y one orientation suffices: 2 + 3 x 8.

    Returns
    -------
    (26, 2) ndarray
        Angle about y, and angle about z [rad].
    """
    pairs = [(y, z) for y in _ABOUT_Y_DEG for z in _ABOUT_Z_DEG if z == 0 or y not in (0, 180)]
    return np.radians(pairs)


@dataclass(frozen=True, slots=True)
class Spread:
    """Spread of levels over positions, orientations and polarisations.

    Parameters
    ----------
    standard_deviation_db : float
        Sample standard deviation of all levels [dB].
    range_db : float
        Largest minus smallest [dB].
    count : int
        How many there are.
    """

    standard_deviation_db: float
    range_db: float
    count: int


def quality_spread(level_db: ArrayLike) -> Spread:
    """Standard deviation over the positions and orientations of TS 38.521-2 O.2.5, O.2.6.

    Parameters
    ----------
    level_db : array_like
        Levels of the reference antenna [dB], such as (7, 26, 2): positions, orientations,
        polarisations. NaN where one was not to be had (behind a pedestal).

    Returns
    -------
    Spread
        Of all levels together.

    Raises
    ------
    ValueError
        If there are fewer than two levels.

    Notes
    -----
    Positions and orientations by the text; that the term of the uncertainty is the sample standard
    deviation of the levels in dB is from memory (the clauses from O.2.7 on were not seen).
    """
    level = as_array(level_db, float, "level_db", missing=True)
    level = level[np.isfinite(level)]
    if level.size < 2:
        raise InputError(f"there are {level.size} levels, expected at least 2", "give positions in a row")
    return Spread(float(np.std(level, ddof=1)), float(np.ptp(level)), level.size)


def weighted_deviation(
    deviation: ArrayLike, *, theta: ArrayLike, efficiency_calibrated: bool = False
) -> float:
    """Mean standard deviation of a grid of aspects, as in TS 37.544, E.11 (older, below 6 GHz).

    Parameters
    ----------
    deviation : (N - 1, M) array_like
        Standard deviations at N - 1 elevations and M azimuths.
    theta : (N - 1,) array_like
        Elevations from the axis, i pi / N, poles left out [rad].
    efficiency_calibrated : bool
        Whether the range was calibrated by an efficiency scan of steps up to 15 deg: half, then.

    Returns
    -------
    float
        pi / (2 N M) sum s sin(theta), in the unit of ``deviation``.

    Raises
    ------
    ValueError
        If shapes do not fit, or the elevations are no equal steps without poles.

    Notes
    -----
    The equation is from memory; in the standard it is an image. Its weights add up to 0.9943 for
    N = 12, and to 1 for N to infinity.
    """
    s = as_array(deviation, float, "deviation", ndim=2)
    angle = as_array(theta, float, "theta", ndim=1)
    steps = angle.size + 1
    if s.shape[0] != angle.size:
        raise InputError(f"deviation has {s.shape[0]} rows for {angle.size} elevations")
    if not np.allclose(angle, np.pi * np.arange(1, steps) / steps, rtol=0, atol=1e-6):
        raise InputError(
            f"theta runs from {angle.min():.6g} to {angle.max():.6g} rad, expected i pi / {steps}",
            "leave out the poles",
        )
    mean = np.pi / (2 * steps * s.shape[1]) * float(np.sum(s * np.sin(angle)[:, None]))
    return mean / 2 if efficiency_calibrated else mean


# --- free-space VSWR --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Reflectivity:
    """What a scan of the free-space VSWR method says of one aspect.

    Parameters
    ----------
    level_db : float
        Mean level at this aspect over the probe's peak [dB].
    peak_to_peak_db : float
        Ripple about the smooth part [dB].
    reflectivity_db : float
        Stray wave over the direct wave, as a probe turned to the stray wave would read it [dB].
    """

    level_db: float
    peak_to_peak_db: float
    reflectivity_db: float


def free_space_vswr(place: ArrayLike, level_db: ArrayLike, *, peak_db: float) -> Reflectivity:
    """Reflectivity at one aspect: level of the pattern there plus the conversion of the ripple.

    Parameters
    ----------
    place : (K,) array_like
        Places along the line of the scan [m].
    level_db : (K,) array_like
        Readings with the probe turned to this aspect [dB].
    peak_db : float
        Reading with the probe turned to the source [dB].

    Returns
    -------
    Reflectivity
        By what a polynomial of degree 2, the falling field of the source, leaves. The stray wave is taken for
        the weaker of the two that interfere.

    Raises
    ------
    ValueError
        If shapes do not fit, or readings are too few.

    Notes
    -----
    J. Appel-Hansen, Reflectivity level of radio anechoic chambers, IEEE Trans. Antennas Propag.,
    1973 (from a secondary source). The probe hears the source with its pattern at this aspect, and
    the stray wave with its peak at most.
    """
    x = as_array(place, float, "place", ndim=1)
    level = as_array(level_db, float, "level_db", ndim=1)
    if x.shape != level.shape:
        raise InputError(f"level_db has shape {level.shape}, expected {x.shape}, as place")
    if x.size < 5:
        raise InputError(f"there are {x.size} readings, expected at least 5", "use finer steps")
    found = variation(level, (x - x.mean())[:, None], degree=2)
    ripple = 2 * found.ripple
    here = float(level.mean()) - peak_db
    return Reflectivity(here, ripple, here + float(stray_level_db(ripple)))
