"""Where an antenna's box is: centre of radiation and the sphere about it, without what noise adds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.modes import Modes, mode_numbers
from nf2ff.diagnostics.noise import (
    checked_noise,
    noise_in_degrees,
    seen_degrees,
    spectrum_noise,
    without_noise,
)
from nf2ff.diagnostics.origin import minimum_sphere, radiation_centre, translate

Real = NDArray[np.float64]
#: Power in the highest degrees over all that is rounding.
ROUNDING = 1e-24


@dataclass(frozen=True, slots=True, eq=False)
class Location:
    """Where an antenna radiates, at F frequencies.

    Parameters
    ----------
    frequency : (F,) ndarray
        Frequencies [Hz].
    centre : (F, 3) ndarray
        Centre of radiation [m].
    radius : (F,) ndarray
        Sphere about the centre that holds what radiates [m].
    radius_about_origin : (F,) ndarray
        The same about the origin [m].
    degree : (F,) ndarray
        Highest degree that holds more than noise.
    """

    frequency: Real
    centre: Real
    radius: Real
    radius_about_origin: Real
    degree: NDArray[np.int64]

    def smallest(self, index: int) -> tuple[Real, float]:
        """Smaller of the two spheres at a frequency, by its index: centre [m] and radius [m]."""
        if self.radius_about_origin[index] <= self.radius[index]:
            return np.zeros(3), float(self.radius_about_origin[index])
        return self.centre[index], float(self.radius[index])


def locate(modes: Modes, *, noise: ArrayLike = np.nan) -> Location:
    """Centre of radiation and minimum spheres, from degrees that hold more than noise.

    Parameters
    ----------
    modes : Modes
        Mode coefficients, F frequencies.
    noise : float or (F,) array_like
        Standard uncertainty of a coefficient, see `noise.coefficient_noise`; where it is NaN, not known, all
        degrees count [sqrt(W)].

    Returns
    -------
    Location
        What was found.

    Raises
    ------
    ValueError
        If no power is radiated at a frequency, or noise is negative.
    """
    sigma = checked_noise(noise, modes)
    kept = without_noise(modes, sigma)
    centre = radiation_centre(kept)
    moved = [
        _above_noise(translate(one, place), s)
        for one, place, s in zip(modes.each(), centre, sigma, strict=True)
    ]
    degree = [
        int(seen[-1]) + 1
        if (seen := seen_degrees(p, noise_in_degrees(s, modes.degree))).size
        else modes.degree
        for p, s in zip(modes.power_spectrum(), sigma, strict=True)
    ]
    here = [_above_noise(one, s).coefficients for one, s in zip(modes.each(), sigma, strict=True)]
    joined = Modes(modes.frequency, np.concatenate(here), modes.reference)
    radius = np.array([minimum_sphere(one)[0] for one in moved])
    return Location(modes.frequency, centre, radius, minimum_sphere(joined), np.array(degree))


def _above_noise(one: Modes, sigma: float) -> Modes:
    """Modes of one frequency with the power of each degree less that of noise; as they are if not known."""
    kept = without_noise(one, sigma)
    if np.isnan(sigma):
        return kept
    power, n = kept.power_spectrum()[0], mode_numbers(kept.degree)[2]
    share = np.sqrt(np.maximum(1 - noise_in_degrees(sigma, kept.degree) / np.maximum(power, 1e-300), 0))
    return Modes(kept.frequency, kept.coefficients * share[n - 1], kept.reference)


def move_origin(modes: Modes, origin: ArrayLike | None = None) -> tuple[Modes, Real]:
    """Modes about another origin, the same at all frequencies, with no more degrees than they need.

    Parameters
    ----------
    modes : Modes
        Mode coefficients, F frequencies.
    origin : (3,) array_like, optional
        The new origin, seen from the old one; by default the centre of radiation, of each coordinate the
        median over the frequencies [m].

    Returns
    -------
    moved : Modes
        Modes about it.
    origin : (3,) ndarray
        The new origin [m].

    Raises
    ------
    ValueError
        If no power is radiated at a frequency, or the origin has not three finite components.
    """
    if origin is None:
        place: Real = np.median(locate(modes, noise=spectrum_noise(modes)).centre, axis=0)
    else:
        place = np.asarray(origin, dtype=float)
    moved = translate(modes, place)
    power = moved.power_spectrum()
    above = np.cumsum(power[:, ::-1], axis=1)[:, ::-1] > ROUNDING * power.sum(axis=1, keepdims=True)
    return moved.truncate(int(np.flatnonzero(above.any(axis=0))[-1]) + 1), place
