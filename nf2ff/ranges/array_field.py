"""The field of a plane-wave array as Maxwell has it, for what it does to a device."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.modes import mode_count, mode_numbers, wavenumber
from nf2ff.messages.input_error import InputError
from nf2ff.ranges.incident_field import IncidentField, RegularWaves
from nf2ff.ranges.physical_optics import Currents, radiated_field
from nf2ff.ranges.plane_wave_array import PlaneWaveArray, element_weights
from nf2ff.ranges.regular_waves import regular_waves
from nf2ff.ranges.zone import Zone

Complex = NDArray[np.complex128]

#: Elements times waves at once.
_AT_ONCE = 1_000_000


def dipole_waves(currents: Currents, degree: int) -> Complex:
    """Regular waves (J,) about the origin of electric dipoles, nearer to the origin than the nearest of them.

    E = -sum over the waves of (-1)^m (W_{s,-m,n}(r').p) V_smn(r), V regular and W outgoing waves, both
    k sqrt(Z0) F (the dyadic Green's function, Hansen 1988, from memory; against the direct sum in the tests).
    """
    k = float(wavenumber(currents.frequency))
    _, m, n = mode_numbers(degree)
    s = np.tile([1, 2], m.size // 2)
    other = 2 * (n * (n + 1) - m - 1) + s - 1
    heard = np.zeros(mode_count(degree), dtype=complex)
    step = max(1, _AT_ONCE // mode_count(degree))
    for i in range(0, len(currents.position), step):
        waves = regular_waves(degree, currents.position[i : i + step], wavenumber=k, outgoing=True)
        heard += np.einsum("ex,exj->j", currents.moment[i : i + step], waves)
    return -(1 - 2 * (np.abs(m) % 2)) * heard[other]


def array_field(
    array: PlaneWaveArray,
    weights: ArrayLike,
    zone: Zone,
    *,
    frequency: float,
    degree: int,
    polarisation: Literal["x", "y"] = "x",
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
    polarisation : {"x", "y"}
        Along which the elements are dipoles.

    Returns
    -------
    IncidentField
        Each element sends the field of an electric dipole, as strong at the zone's centre as the scalar field
        of `PlaneWaveArray`, which knows no polarisation.

    Raises
    ------
    ValueError
        If the weights do not fit, or the zone reaches the array.
    """
    place = array.position - zone.centre
    if not np.linalg.norm(place, axis=1).min() > zone.radius:
        raise InputError("elements are inside the zone", "give a larger distance")
    across = np.eye(3)["xy".index(polarisation)]
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
