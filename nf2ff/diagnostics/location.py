"""Where an antenna's box is: centre of radiation and the sphere about it, without what noise adds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.modes import Modes
from nf2ff.diagnostics.noise import checked_noise, noise_in_degrees, seen_degrees, without_noise
from nf2ff.diagnostics.origin import minimum_sphere, radiation_centre, translate

Real = NDArray[np.float64]


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
        without_noise(translate(one, place), s)
        for one, place, s in zip(modes.each(), centre, sigma, strict=True)
    ]
    degree = [
        int(seen[-1]) + 1
        if (seen := seen_degrees(p, noise_in_degrees(s, modes.degree))).size
        else modes.degree
        for p, s in zip(modes.power_spectrum(), sigma, strict=True)
    ]
    radius = np.array([minimum_sphere(one)[0] for one in moved])
    return Location(modes.frequency, centre, radius, minimum_sphere(kept), np.array(degree))
