"""What a zone does to a device that may stand anywhere in it, as a term of an uncertainty budget."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes
from nf2ff.ranges.incident_field import IncidentField
from nf2ff.ranges.shown_pattern import ShownError, shown_error
from nf2ff.ranges.zone_formulas import quality_positions
from nf2ff.uncertainty.budget.budget_term import Term, direct_term
from nf2ff.uncertainty.budget.metric import DECIBEL

Real = NDArray[np.float64]

#: Errors of `ShownError` that budgets know, by the metric: in dB or rad.
METRICS: Mapping[str, str] = MappingProxyType(
    {
        "directivity": "directivity_db",
        "gain": "peak_db",
        "eirp": "peak_db",
        "trp": "trp_db",
        "beamwidth": "beamwidth_shift",
        "pointing": "peak_shift",
        "sidelobe_level": "highest_sidelobe_db",
    }
)


@dataclass(frozen=True, slots=True, eq=False)
class DeviceEffect:
    """Figures of a device as a range shows them minus the true ones, at several places.

    Parameters
    ----------
    position : (P, 3) ndarray
        Places of the device from the zone's centre [m].
    errors : tuple of ShownError
        One for each, all calibrated to the field at the centre.
    """

    position: Real
    errors: tuple[ShownError, ...]

    def standard_uncertainty(self, metric: str) -> float:
        """Root mean square error over the places of one of `METRICS`, NaN where it has none [dB or rad]."""
        values = np.array([getattr(error, METRICS[metric]) for error in self.errors])
        return float(np.sqrt(np.mean(values**2)))

    def term(self, name: str = "quiet zone") -> Term:
        """The same as a term of a budget: what is not known of the place, and not corrected."""
        sizes = {metric: self.standard_uncertainty(metric) for metric in METRICS}
        factor = {m: DECIBEL if field.endswith("_db") else 1.0 for m, field in METRICS.items()}
        return direct_term(name, {m: factor[m] * x for m, x in sizes.items() if np.isfinite(x)})


def device_effect(
    modes: Modes,
    field_at: Callable[[Real], IncidentField],
    *,
    offset: float,
) -> DeviceEffect:
    """Errors of a device in the middle of a zone and off it.

    Parameters
    ----------
    modes : Modes
        The device's modes, of one frequency.
    field_at : callable
        Field about a point (3,) given from the zone's centre [m], calibrated at the centre.
    offset : float
        How far off the centre the device may stand, 0 if it does not [m].

    Returns
    -------
    DeviceEffect
        At the centre and ``offset`` either way along x, y and z (positions of TS 38.521-2, O.2.5).
    """
    places = quality_positions(offset) if offset > 0 else np.zeros((1, 3))
    errors = tuple(shown_error(modes, field_at(place)) for place in places)
    return DeviceEffect(places, errors)
