"""The field of a compact range in its quiet zone, for its figures and for what it does to a device."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.modes import wavenumber
from nf2ff.messages.input_error import InputError
from nf2ff.ranges.incident_field import IncidentField, PlaneWaves, RegularWaves
from nf2ff.ranges.physical_optics import (
    Currents,
    dipole_waves,
    has_plane_waves,
    plane_waves_of,
    radiated_field,
)
from nf2ff.ranges.reflector import Reflector, reflector_currents
from nf2ff.ranges.reflector_feed import Feed
from nf2ff.ranges.zone import ProbedField, Zone, unit, vector

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True, eq=False)
class ReflectedField:
    """Field of a reflector in a zone.

    Parameters
    ----------
    zone : Zone
        The zone.
    polarisation : (3,) ndarray
        Co-polar direction, a unit vector across the zone's direction.
    currents : Currents
        Currents on the reflector.
    waves : PlaneWaves or None
        Plane waves about the zone's centre; None where it is so near, in wavelengths, that they would graze:
        then all is summed directly.
    """

    zone: Zone
    polarisation: Real
    currents: Currents
    waves: PlaneWaves | None

    @property
    def frequency(self) -> float:
        """Frequency [Hz]."""
        return self.currents.frequency

    def field_at(self, points: ArrayLike) -> Complex:
        """Field (M, 3) [V/m] at points (M, 3) of the zone, in the reflector's coordinates [m]."""
        place = np.asarray(points, dtype=float)
        if self.waves is None:
            return radiated_field(self.currents, place)
        k = float(wavenumber(self.frequency))
        return self.waves.field_at(place - self.zone.centre, k)

    def probed(self, points: ArrayLike) -> ProbedField:
        """What an ideal field probe reads at points (M, 3) of the zone, for `quiet_zone.evaluate`."""
        place = np.asarray(points, dtype=float)
        e = self.field_at(place)
        cross = np.cross(self.zone.direction, self.polarisation)
        return ProbedField(self.frequency, place, e @ self.polarisation, e @ cross)

    def incident(self, shift: ArrayLike = (0.0, 0.0, 0.0), *, degree: int | None = None) -> IncidentField:
        """The field about the zone's centre moved by ``shift`` [m], calibrated to its co-polar part at the
        centre.

        Where there are no plane waves, as regular waves up to ``degree``, that of the device's modes.
        """
        move = vector(shift, "shift")
        amplitude = complex((self.field_at(self.zone.centre[None]) @ self.polarisation)[0])
        waves: PlaneWaves | RegularWaves
        if self.waves is not None:
            turn = np.exp(-1j * float(wavenumber(self.frequency)) * (self.waves.direction @ move))
            waves = PlaneWaves(self.waves.direction, self.waves.amplitude * turn[:, None])
        elif degree is None:
            raise InputError("the zone is too near for plane waves", "state the degree of the device's modes")
        else:
            place = self.currents.position - self.zone.centre - move
            about = Currents(self.frequency, place, self.currents.moment)
            waves = RegularWaves(dipole_waves(about, degree))
        return IncidentField(self.frequency, waves, self.zone.direction, self.polarisation, amplitude)


def reflected_field(
    reflector: Reflector,
    feed: Feed,
    zone: Zone,
    *,
    frequency: float,
    height: Any = None,
    threads: int | None = None,
) -> ReflectedField:
    """Field of a reflector in a zone by physical optics.

    Parameters
    ----------
    reflector : Reflector
        The reflector.
    feed : Feed
        Its feed, whose x axis is the nominal polarisation.
    zone : Zone
        The zone, which the wave crosses along +z.
    frequency : float
        Frequency [Hz].
    height : callable, optional
        Errors of the surface, as in `reflector.reflector_currents`.
    threads : int, optional
        Threads, by default all.

    Returns
    -------
    ReflectedField
        Of the reflector alone; left out are fringe currents of edges, supports, the room, and what the feed
        sends past the reflector or straight to the zone.

    Raises
    ------
    ValueError
        As in `reflector_currents`, or if the zone reaches the reflector.
    """
    currents = reflector_currents(reflector, feed, frequency=frequency, height=height)
    waves = plane_waves_of(currents, zone, threads=threads) if has_plane_waves(currents, zone) else None
    along, across = zone.direction, np.asarray(feed.polarisation)
    co = unit(across - (across @ along) * along, "polarisation of the feed in the zone")
    return ReflectedField(zone, co, currents, waves)
