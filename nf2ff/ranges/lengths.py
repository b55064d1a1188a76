"""Lengths, losses and sizes of ranges, in closed form."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.modes import SPEED_OF_LIGHT
from nf2ff.kernel.arrays import as_array
from nf2ff.messages.input_error import InputError

Real = NDArray[np.float64]

#: Reflector over zone, and focal length over reflector (TR 38.810 5.2.3.2, from memory).
REFLECTOR_TO_ZONE, FOCAL_TO_REFLECTOR = 2.0, 3.5


def _positive(value: ArrayLike, name: str) -> Real:
    v: Real = as_array(value, float, name)
    if np.any(v <= 0):
        raise InputError(f"{name} is {v.min():g}, expected a number above 0")
    return v


def wavelength(frequency: ArrayLike) -> Any:
    """Wavelength [m] of a frequency [Hz].

    Parameters
    ----------
    frequency : array_like
        Frequency [Hz].

    Returns
    -------
    float or ndarray
        Same shape [m].
    """
    return SPEED_OF_LIGHT / _positive(frequency, "frequency")


def far_field_distance(diameter: ArrayLike, frequency: ArrayLike) -> Any:
    """2 D^2 / lambda [m], where the phase at the edge of D [m] is 22.5 deg.

    Parameters
    ----------
    diameter : array_like
        Diameter D [m].
    frequency : array_like
        Frequency [Hz].

    Returns
    -------
    float or ndarray
        The distance [m].
    """
    return 2 * _positive(diameter, "diameter") ** 2 / wavelength(frequency)


def direct_length(zone_radius: ArrayLike, aperture: ArrayLike, frequency: ArrayLike) -> Any:
    """Length of a direct far-field range [m]: R_QZ - D/2 + 2 D^2/lambda.

    Parameters
    ----------
    zone_radius : array_like
        Radius R_QZ of the zone that holds the device [m].
    aperture : array_like
        Diameter D of the smallest sphere round the radiating parts [m], which may lie in the corner of
        the zone nearest to the probe.
    frequency : array_like
        Highest frequency [Hz].

    Returns
    -------
    float or ndarray
        The length [m].

    Raises
    ------
    ValueError
        If the aperture is larger than the zone.

    References
    ----------
    3GPP TS 38.508-1, B.2.2.4 (Rel-17, text seen).
    """
    zone, d = _positive(zone_radius, "zone_radius"), _positive(aperture, "aperture")
    if np.any(d > 2 * zone * (1 + 1e-9)):
        raise InputError(f"aperture is {d.max():g} m, more than the zone's diameter of {2 * zone.min():g} m")
    return zone - d / 2 + far_field_distance(d, frequency)


def edge_phase(diameter: ArrayLike, distance: ArrayLike, frequency: ArrayLike) -> Any:
    """Phase at the edge of an aperture in a wave from a distance R, pi D^2/(4 lambda R) [rad].

    Parameters
    ----------
    diameter : array_like
        Diameter D of the aperture [m].
    distance : array_like
        Distance R [m].
    frequency : array_like
        Frequency [Hz].

    Returns
    -------
    float or ndarray
        The phase [rad].
    """
    d, r = _positive(diameter, "diameter"), _positive(distance, "distance")
    return math.pi * d**2 / (4 * wavelength(frequency) * r)


def free_space_loss_db(distance: ArrayLike, frequency: ArrayLike) -> Any:
    """Free-space path loss between isotropic antennas, 20 lg(4 pi R / lambda) [dB].

    Parameters
    ----------
    distance : array_like
        Distance R [m].
    frequency : array_like
        Frequency [Hz].

    Returns
    -------
    float or ndarray
        The loss [dB].
    """
    return 20 * np.log10(4 * math.pi * _positive(distance, "distance") / wavelength(frequency))


def offset_errors_db(offset: float, distance: float) -> tuple[float, float]:
    """Error of a level read at a distance where the antenna is nearer, and farther, by an offset [dB].

    20 lg(R / (R -+ o)).

    Parameters
    ----------
    offset : float
        Offset o, in any unit of length.
    distance : float
        Distance R, in the same unit.

    Returns
    -------
    nearer, farther : float
        Errors [dB].

    Raises
    ------
    ValueError
        If ``offset`` is negative, or not less than ``distance``.
    """
    if not 0 <= offset < distance:
        raise InputError(
            f"offset is {offset:g}, expected 0 or more, and less than the distance of {distance:g}"
        )
    return 20 * math.log10(distance / (distance - offset)), 20 * math.log10(distance / (distance + offset))


def parallax(offset: float, distance: float) -> float:
    """Error of direction of an antenna aside by an offset, atan(o / R) [rad].

    Parameters
    ----------
    offset : float
        Offset o, in any unit of length.
    distance : float
        Distance R, in the same unit.

    Returns
    -------
    float
        The error [rad].
    """
    return math.atan2(offset, distance)


def reflector_diameter(zone_diameter: float) -> float:
    """Reflector of a compact range [m]: about twice the zone (common practice, no source).

    Parameters
    ----------
    zone_diameter : float
        Diameter of the zone [m].

    Returns
    -------
    float
        Diameter of the reflector [m].
    """
    return REFLECTOR_TO_ZONE * float(_positive(zone_diameter, "zone_diameter"))


def focal_length(zone_diameter: float) -> float:
    """Focal length of a compact range [m]: 3.5 times the reflector (TR 38.810 5.2.3.2, from memory).

    Parameters
    ----------
    zone_diameter : float
        Diameter of the zone [m].

    Returns
    -------
    float
        The focal length [m].
    """
    return FOCAL_TO_REFLECTOR * reflector_diameter(zone_diameter)


def array_elements(array_area: float, zone_area: float, *, distance: float, frequency: float) -> int:
    """Least number of elements of a plane-wave array: A_array A_zone / (lambda z)^2, its degrees of freedom.

    Parameters
    ----------
    array_area, zone_area : float
        Areas across the direction of travel [m^2].
    distance : float
        From array to zone, z [m].
    frequency : float
        Highest frequency [Hz].

    Returns
    -------
    int
        Number of elements.
    """
    areas = _positive(array_area, "array_area") * _positive(zone_area, "zone_area")
    return math.ceil(areas / (wavelength(frequency) * _positive(distance, "distance")) ** 2 - 1e-9)


def element_margin(elements: int) -> int:
    """Elements with the margin that singular values ask for, N + 2 sqrt(N) (seen on prototypes).

    Parameters
    ----------
    elements : int
        Least number of elements N.

    Returns
    -------
    int
        Number with the margin.
    """
    return math.ceil(elements + 2 * math.sqrt(elements))
