"""A result in degrees, dBi, dBm and watts, ready for JSON."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.metrics.planes import Plane
from nf2ff.metrics.result import Quantity, Result

#: Ratios shown in decibels: the unit that their names then end in, the factor of the logarithm,
#: and what 0 dB is.
LEVELS = {
    "peak_directivity": ("dbi", 10, 1.0),
    "peak_gain": ("dbi", 10, 1.0),
    "peak_realised_gain": ("dbi", 10, 1.0),
    "peak_eirp": ("dbm", 10, 1e-3),
    "first_sidelobe_theta": ("db", 10, 1.0),
    "first_sidelobe_phi": ("db", 10, 1.0),
    "highest_sidelobe_theta": ("db", 10, 1.0),
    "highest_sidelobe_phi": ("db", 10, 1.0),
    "front_to_back": ("db", 10, 1.0),
    "axial_ratio": ("db", 20, 1.0),
    "noise_floor": ("db", 20, 1.0),
    "noise_gain": ("db", 10, 1.0),
}
SENSES = {1: "right-hand", -1: "left-hand", 0: "linear"}
#: Figures that are not numbers where each frequency has an object of its own.
_WORDS: dict[str, Callable[[Any], Any]] = {
    "partial": bool,
    "peak_seen": bool,
    "sense": lambda x: SENSES[round(x)],
}


def quantity_facts(quantities: Mapping[str, Quantity]) -> dict[str, list[Any]]:
    """Values of each frequency, by names that end in the unit; None where there is no number."""
    facts: dict[str, list[Any]] = {}
    for name, quantity in quantities.items():
        values, units = np.asarray(quantity.values), quantity.units
        if name in LEVELS:
            units, factor, zero = LEVELS[name]
            with np.errstate(divide="ignore"):
                values = factor * np.log10(values / zero)
        elif units == "rad":
            values, units = np.degrees(values), "deg"
        if name.startswith("plane_"):
            values = np.round(values, 6)
        suffix = "" if units == "1" or name.endswith(f"_{units.lower()}") else f"_{units.lower()}"
        facts[name + suffix] = [x if math.isfinite(x) else None for x in values.tolist()]
    for cut in ("plane_theta", "plane_phi"):
        if f"{cut}_turn" in quantities:
            angles = (quantities[f"{cut}_{x}"].values.tolist() for x in ("azimuth", "turn"))
            facts[cut] = [Plane(phi, turn).name for phi, turn in zip(*angles, strict=True)]
    return facts


def frequency_facts(quantities: Mapping[str, Quantity]) -> list[dict[str, Any]]:
    """The same for each frequency by itself, what is said of the peak under "peak"."""
    facts: list[dict[str, Any]] = []
    columns = quantity_facts(quantities)
    for row in zip(*columns.values(), strict=True):
        found: dict[str, Any] = {"peak": {}}
        for name, given in zip(columns, row, strict=True):
            value = _WORDS[name](given) if name in _WORDS else given
            if name.startswith("peak_"):
                found["peak"][name.removeprefix("peak_")] = value
            elif name.startswith("near_horizon"):
                found[f"{name}_deg_fraction"] = value
            else:
                found["upper_hemisphere_fraction" if name == "upper_hemisphere" else name] = value
        facts.append(found)
    return facts


def result_facts(result: Result) -> list[dict[str, Any]]:
    """Figures and warnings of a result at each frequency, ready for JSON."""
    hertz = result.modes.frequency.tolist()
    rows = zip(hertz, frequency_facts(result.quantities), result.warnings or [()] * len(hertz), strict=True)
    common = {"degree_reason": result.notes.get("degree_reason"), "radiated_power_w": None}
    return [{"frequency_hz": f, **common, **facts, "warnings": list(some)} for f, facts, some in rows]


def shown_azimuth(degrees: float, digits: int) -> float:
    """An azimuth rounded for a table, where what rounds to 360 is 0 [deg]."""
    return round(degrees, digits) % 360


def close_azimuths(degrees: NDArray[np.float64]) -> NDArray[np.float64]:
    """Azimuths [deg] for a table, counted from below zero where they lie on both sides of 360."""
    turned = np.mod(degrees + 180, 360) - 180
    return np.asarray(turned if np.ptp(turned) < np.ptp(degrees) else degrees)


def warning_lines(frequency: Iterable[float], warnings: Iterable[Iterable[str]]) -> list[str]:
    """Each warning with its frequency in front."""
    return [
        f"{hertz / 1e9:.9g} GHz: {sentence}"
        for hertz, some in zip(frequency, warnings, strict=False)
        for sentence in some
    ]
