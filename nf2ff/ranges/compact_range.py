"""The field of a compact range in its quiet zone, for its figures and for what it does to a device."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.ranges.incident_field import IncidentField, PlaneWaves
from nf2ff.ranges.physical_optics import plane_waves_of
from nf2ff.ranges.reflector import Reflector, reflector_currents
from nf2ff.ranges.reflector_feed import Feed
from nf2ff.ranges.zone import ProbedField, Zone, unit

Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class ReflectedField:
    """Field of a reflector in a zone.

    Parameters
    ----------
    frequency : float
        Frequency [Hz].
    zone : Zone
        The zone.
    waves : PlaneWaves
        Plane waves about its centre.
    polarisation : (3,) ndarray
        Co-polar direction, a unit vector across the zone's direction.
    """

    frequency: float
    zone: Zone
    waves: PlaneWaves
    polarisation: Real

    def incident(self) -> IncidentField:
        """The field about the zone's centre, calibrated to its co-polar part there."""
        return IncidentField(self.frequency, self.waves, self.zone.direction, self.polarisation)

    def probed(self, points: ArrayLike) -> ProbedField:
        """What an ideal field probe reads at points (M, 3) of the zone, for `quiet_zone.evaluate`.

        Points are in the reflector's coordinates [m].
        """
        place = np.asarray(points, dtype=float)
        e = self.incident().field_at(place - self.zone.centre)
        cross = np.cross(self.zone.direction, self.polarisation)
        return ProbedField(self.frequency, place, e @ self.polarisation, e @ cross)


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
        Its plane waves; left out are fringe currents of edges, supports, the room, and what the feed sends
        past the reflector or straight to the zone.

    Raises
    ------
    ValueError
        As in `reflector_currents` and `plane_waves_of`.
    """
    currents = reflector_currents(reflector, feed, frequency=frequency, height=height)
    waves = plane_waves_of(currents, zone, threads=threads)
    along, across = zone.direction, np.asarray(feed.polarisation)
    co = unit(across - (across @ along) * along, "polarisation of the feed in the zone")
    return ReflectedField(frequency, zone, waves, co)
