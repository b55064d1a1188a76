"""The distance of a near-field scan: outside the reactive zone, inside the chamber, above the noise."""

from __future__ import annotations

import math
from dataclasses import dataclass

from nf2ff.messages.input_error import InputError
from nf2ff.messages.notice import Notice
from nf2ff.messages.planning import PlanCode
from nf2ff.ranges import lengths


def reactive_radius(minimum_radius: float, frequency: float) -> float:
    """Radius up to which stored energy rules: lambda / 2 pi beyond the minimum sphere [m].

    There the induction field of a dipole on that sphere is as strong as its radiation field (closed form).

    Parameters
    ----------
    minimum_radius : float
        Radius of the minimum sphere [m].
    frequency : float
        Frequency [Hz], the lowest for the largest zone.

    Returns
    -------
    float
        The radius [m].
    """
    return minimum_radius + float(lengths.wavelength(frequency)) / (2 * math.pi)


def check_distance(
    distance: float, *, minimum_radius: float, frequency: float, room: float | None = None
) -> list[Notice]:
    """Refuse a distance at which nothing can be measured, and say what to beware of.

    Parameters
    ----------
    distance : float
        From the centre of rotation to the probe [m].
    minimum_radius : float
        Radius of the minimum sphere [m].
    frequency : float
        Lowest frequency [Hz].
    room : float, optional
        Largest distance that the chamber allows [m].

    Returns
    -------
    list of Notice
        Warnings; none where there is nothing to beware of.

    Raises
    ------
    ValueError
        If it is inside the minimum sphere or its reactive zone, or larger than the chamber allows.
    """
    ghz = frequency / 1e9
    if distance <= minimum_radius:
        raise InputError(
            f"distance is {distance:.4g} m, inside the minimum sphere of {minimum_radius:.4g} m about the "
            "centre of rotation",
            "measure farther out, or move the centre",
        )
    least = reactive_radius(minimum_radius, frequency)
    if distance <= least:
        raise InputError(
            f"distance is {distance:.4g} m, in the reactive zone, up to {least:.4g} m (wavelength / 2 pi "
            f"beyond the minimum sphere of {minimum_radius:.4g} m at {ghz:.6g} GHz)",
            "measure farther out",
        )
    if room is not None and distance > room:
        raise InputError(
            f"distance is {distance:.4g} m, but the chamber allows {room:.4g} m",
            "come closer, or correct the chamber's length",
        )
    gap = (distance - minimum_radius) / float(lengths.wavelength(frequency))
    return [PlanCode.CLOSE(wavelengths=gap, frequency_ghz=ghz)] if gap < 1 - 1e-9 else []


@dataclass(frozen=True, slots=True)
class Link:
    """Levels from the device to the receiver.

    Parameters
    ----------
    eirp_dbm : float
        Of the device in its beam [dBm].
    probe_gain_dbi : float
        Gain of the probe, less the loss of its cable [dBi].
    noise_dbm : float
        Noise of one reading, in the receiver's bandwidth [dBm].
    """

    eirp_dbm: float
    probe_gain_dbi: float
    noise_dbm: float

    def dynamic_range_db(self, loss_db: float) -> float:
        """Peak over noise of one reading, behind a path loss [dB]."""
        return self.eirp_dbm - loss_db + self.probe_gain_dbi - self.noise_dbm


def told_of_noise(dynamic_range_db: float, gain_db: float, tail_db: float) -> list[Notice]:
    """What to beware of, by peak over noise of a reading and what the solve takes from noise [dB]."""
    if dynamic_range_db < 0:
        return [PlanCode.NO_SIGNAL(below_db=-dynamic_range_db)]
    if dynamic_range_db + gain_db < -tail_db:
        return [PlanCode.NOISE(margin_db=dynamic_range_db + gain_db, tail_db=-tail_db)]
    return []
