"""The field of a plane-wave array as Maxwell has it, for what it does to a device."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from nf2ff.messages.input_error import InputError
from nf2ff.ranges.incident_field import IncidentField, RegularWaves
from nf2ff.ranges.physical_optics import Currents, dipole_waves, radiated_field
from nf2ff.ranges.plane_wave_array import PlaneWaveArray, element_weights
from nf2ff.ranges.zone import Zone


def array_field(
    array: PlaneWaveArray,
    weights: ArrayLike,
    zone: Zone,
    *,
    frequency: float,
    degree: int,
) -> IncidentField:
    """Field of an array about the centre of a zone.

    Parameters
    ----------
    array : PlaneWaveArray
        The array.
    weights : (C,) or (E,) array_like
        Weights of channels or elements.
    zone : Zone
        The zone, whose centre is the origin of the field.
    frequency : float
        Frequency [Hz].
    degree : int
        Largest degree of the waves: that of the device's modes.

    Returns
    -------
    IncidentField
        Each element sends the field of an electric dipole along x, as strong at the zone's centre as the
        scalar field of `PlaneWaveArray`, which knows no polarisation.

    Raises
    ------
    ValueError
        If the weights do not fit, or the zone reaches the array.
    """
    place = array.position - zone.centre
    if not np.linalg.norm(place, axis=1).min() > zone.radius:
        raise InputError("elements are inside the zone", "give a larger distance")
    across = np.array([1.0, 0.0, 0.0])
    centre = np.zeros((1, 3))
    unit_moment = np.broadcast_to(across, place.shape)
    own = np.array(
        [
            radiated_field(Currents(frequency, p[None], m[None]), centre)[0] @ across
            for p, m in zip(place, unit_moment, strict=True)
        ]
    )
    scalar = array.fields(zone.centre[None], frequency=frequency)[0] * element_weights(array, weights)
    currents = Currents(frequency, place, (scalar / own)[:, None] * unit_moment)
    return IncidentField(frequency, RegularWaves(dipole_waves(currents, degree)), zone.direction, across)
