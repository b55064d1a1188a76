"""What errors of its elements do to the wave of a plane-wave array: closed form, and draws."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.kernel.arrays import as_array
from nf2ff.messages.input_error import InputError
from nf2ff.ranges.plane_wave_array import PlaneWaveArray, element_weights, flatness_of
from nf2ff.ranges.zone_formulas import NEPER_DB

Real = NDArray[np.float64]


def expected_error_db(
    array: PlaneWaveArray,
    weights: ArrayLike,
    points: ArrayLike,
    *,
    frequency: float,
    amplitude_db: float,
    phase: float,
) -> float:
    """Root mean square error of the field by independent errors of the elements, over the field [dB].

    Parameters
    ----------
    array, weights, points, frequency
        As in `plane_wave_array.flatness`.
    amplitude_db, phase : float
        Standard deviation of each element's amplitude [dB] and phase [rad].

    Returns
    -------
    float
        Over all points, before the mean error is taken out [dB].

    Notes
    -----
    At a point sigma sqrt(sum |w a|^2) / |sum w a|, sigma^2 = (amplitude_db / 8.686)^2 + phase^2
    (closed form, to first order in sigma).
    """
    sigma = _spread(amplitude_db, phase)
    place = as_array(points, float, "points", ndim=2)
    parts = array.fields(place, frequency=frequency) * element_weights(array, weights)
    ratio = np.sum(np.abs(parts) ** 2, axis=1) / np.abs(parts.sum(axis=1)) ** 2
    return 10 * math.log10(sigma**2 * float(ratio.mean()))


def _spread(amplitude_db: float, phase: float) -> float:
    """Standard deviation of a factor 1 + e of an element; e's in both parts together."""
    sigma = math.hypot(amplitude_db / NEPER_DB, phase)
    if not (amplitude_db >= 0 and phase >= 0 and 0 < sigma < np.inf):
        raise InputError(f"amplitude_db is {amplitude_db}, phase {phase} rad, expected 0 or more, not both 0")
    return sigma


@dataclass(frozen=True, slots=True, eq=False)
class DrawnErrors:
    """What errors of the elements do to a wave, by draws.

    Parameters
    ----------
    error_db : float
        Root mean square error of the field over the field, all points and draws [dB].
    amplitude_db, phase : (D,) ndarray
        `plane_wave_array.Flatness` of each draw [dB], [rad].
    """

    error_db: float
    amplitude_db: Real
    phase: Real


def drawn_errors(
    array: PlaneWaveArray,
    weights: ArrayLike,
    points: ArrayLike,
    *,
    frequency: float,
    amplitude_db: float,
    phase: float,
    draws: int = 100,
    rng: int | np.random.Generator | None = None,
) -> DrawnErrors:
    """Flatness of the wave with normal errors of amplitude [dB] and phase [rad] of each element.

    Parameters
    ----------
    array, weights, points, frequency, amplitude_db, phase
        As in `expected_error_db`.
    draws : int
        Draws.
    rng : int, Generator or None
        Seed or generator.

    Returns
    -------
    DrawnErrors
        Of each draw, and of all.
    """
    _spread(amplitude_db, phase)
    if draws < 1:
        raise InputError(f"draws is {draws}, expected at least 1")
    place = as_array(points, float, "points", ndim=2)
    parts = array.fields(place, frequency=frequency) * element_weights(array, weights)
    ideal = parts.sum(axis=1)
    normal = np.random.default_rng(rng).standard_normal((2, array.channel.size, draws))
    waves = parts @ np.exp(normal[0] * amplitude_db / NEPER_DB + 1j * normal[1] * phase)
    error = float(np.mean(np.abs(waves / ideal[:, None] - 1) ** 2))
    flat = [flatness_of(wave, place, frequency=frequency) for wave in waves.T]
    return DrawnErrors(
        10 * math.log10(error),
        np.array([f.amplitude_db for f in flat]),
        np.array([f.phase for f in flat]),
    )
