"""What a compact range and a plane-wave array of customary size do: computed where that is quick."""

from __future__ import annotations

import math

import numpy as np

from nf2ff.messages.input_error import InputError
from nf2ff.ranges.array_design import ArrayDesign, ArrayTask, design_array
from nf2ff.ranges.compact_range import reflected_field
from nf2ff.ranges.lengths import wavelength
from nf2ff.ranges.plane_wave_array import plane_points, square_array
from nf2ff.ranges.quiet_zone import ZoneFigures, evaluate
from nf2ff.ranges.reflector import Reflector, SerratedRim
from nf2ff.ranges.zone import Zone

#: Smallest reflector that physical optics and a feed at the focus suit, and largest [wavelengths]; most
#: elements times points of an array: a second at most.
SMALLEST, LARGEST, MOST = 10.0, 120.0, 4_000_000
#: A customary reflector: teeth, where they begin over its radius, offset over its diameter, feed
#: (prototypes).
_TEETH, _INNER, _OFFSET, _EXPONENT = 30, 0.6, 0.75, 6.0
#: Errors of an array's elements (common practice, no source), and how coarse the points are.
_AMPLITUDE_DB, _PHASE, _COARSER = 0.5, math.radians(5), 1.4


def typical_reflector(
    zone_radius: float, *, diameter: float, focal_length: float, frequency: float
) -> ZoneFigures | None:
    """Figures of a disc at the focal length from a reflector with serrated rim.

    Parameters
    ----------
    zone_radius : float
        Radius of the zone [m].
    diameter, focal_length : float
        Of the reflector [m].
    frequency : float
        Frequency [Hz].

    Returns
    -------
    ZoneFigures or None
        Of physical optics; None where the reflector is below 10 or above 120 wavelengths.
    """
    step = float(wavelength(frequency))
    if not SMALLEST * step <= diameter <= LARGEST * step:
        return None
    reflector = Reflector(
        focal_length, _OFFSET * diameter, SerratedRim(_INNER * diameter / 2, diameter / 2, _TEETH)
    )
    zone = Zone(zone_radius, "cylinder", None, np.array([0.0, _OFFSET * diameter, focal_length]))
    field = reflected_field(reflector, reflector.feed(exponent=_EXPONENT), zone, frequency=frequency)
    # As many readings as a small zone needs for the fits.
    place = plane_points(zone, step=min(0.45 * step, zone_radius / 6))
    return evaluate(field.probed(place), zone)


def typical_array(
    zone_radius: float, *, side: float, distance: float, elements: int, frequency: float
) -> ArrayDesign | None:
    """Design of a square array of at least so many elements for a ball, with errors of 0.5 dB and 5 deg.

    Parameters
    ----------
    zone_radius : float
        Radius of the ball [m].
    side, distance : float
        Side of the array, and distance of the ball's centre [m].
    elements : int
        Elements.
    frequency : float
        Frequency [Hz].

    Returns
    -------
    ArrayDesign or None
        None where it would take long, or the zone reaches the array.
    """
    step = _COARSER * 0.35 * float(wavelength(frequency))
    if elements * (4.2 * zone_radius**3 / step**3 + 500) > MOST:
        return None
    count = max(3, math.ceil(math.sqrt(elements)))
    try:
        task = ArrayTask(
            square_array(count, side=side),
            Zone(zone_radius, centre=np.array([0.0, 0.0, distance])),
            amplitude_error_db=_AMPLITUDE_DB,
            phase_error=_PHASE,
            draws=40,
        )
    except InputError:
        return None
    return design_array(task, frequency=frequency, coarser=_COARSER)
