"""A result in degrees, dBi, dBm and watts: ready for JSON, and as the table that is printed."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.metrics.planes import Plane
from nf2ff.metrics.result import Quantity, Result
from nf2ff.report.over_frequency import MAX_COLUMNS, Row, frequency_table

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
    "far_field_error": ("db", 20, 1.0),
}
#: Nearer to a pole than this a direction has no azimuth in tables [deg].
AT_POLE_DEG = 0.01
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
            values = np.round(values, 6) + 0.0  # no minus sign before nothing
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


def at_pole(theta: ArrayLike) -> NDArray[np.bool_]:
    """Where a direction [deg] is at a pole, to what tables show: its azimuth says nothing there."""
    return np.asarray(np.minimum(theta, np.subtract(180, theta)) < AT_POLE_DEG)


def azimuth_text(theta: float, phi: float, digits: int, unit: str = "") -> str:
    """An azimuth [deg] in words: a dash where the direction is at a pole."""
    return "-" if at_pole(theta) else f"{shown_azimuth(phi, digits):z.{digits}f}{unit}"


def close_azimuths(degrees: NDArray[np.float64]) -> NDArray[np.float64]:
    """Azimuths [deg] for a table, counted from below zero where they lie on both sides of 360; NaN stays."""
    turned = np.mod(degrees + 180, 360) - 180
    known = np.isfinite(degrees)
    closer = known.any() and np.ptp(turned[known]) < np.ptp(degrees[known])
    return np.asarray(turned if closer else degrees)


def warning_lines(frequency: Iterable[float], warnings: Iterable[Iterable[str]]) -> list[str]:
    """Each warning with its frequency in front."""
    return [
        f"{hertz / 1e9:.9g} GHz: {sentence}"
        for hertz, some in zip(frequency, warnings, strict=False)
        for sentence in some
    ]


# --- as a table ----------------------------------------------------------------------------------


def result_lines(facts: Sequence[dict[str, Any]], *, every: bool) -> list[str]:
    """Each frequency a line while they are few or ``every`` is set, else a summary; then what is partial."""
    gains = {"gain_dbi": "G/dBi", "realised_gain_dbi": "Greal/dBi"}
    gains = {name: title for name, title in gains.items() if name in facts[0]["peak"]}
    if len(facts) > MAX_COLUMNS and not every:
        lines = frequency_table(np.array([x["frequency_hz"] for x in facts]), _rows(facts, gains))
    else:
        lines = _each(facts, gains)
    count = len(facts)
    for some, told in (
        (
            sum(x["partial"] for x in facts),
            "partial: D and TRP leave out what is radiated where nothing was measured",
        ),
        (
            sum(not x["peak"]["seen"] for x in facts),
            "peak not seen: direction, EIRP and gain are those of what was measured",
        ),
    ):
        if some:
            lines.append(told if some == count else f"{told} (at {some} of {count} frequencies)")
    return lines


def _rows(facts: Sequence[dict[str, Any]], gains: Mapping[str, str]) -> list[Row]:
    """The columns of `_each` as figures over frequency."""

    def of_peak(name: str) -> Any:
        return np.array([x["peak"].get(name, math.nan) for x in facts])

    theta = of_peak("theta_deg")
    power = np.array([x["radiated_power_w"] or math.nan for x in facts])
    return [
        Row("D/dBi", of_peak("directivity_dbi"), 4),
        Row("theta/deg", theta, 4),
        Row("phi/deg", close_azimuths(np.where(at_pole(theta), np.nan, of_peak("phi_deg"))), 4),
        Row("EIRP/dBm", of_peak("eirp_dbm"), 4),
        Row("TRP/dBm", 10 * np.log10(power / 1e-3), 4),
        *(Row(title, of_peak(name), 4) for name, title in gains.items()),
        Row("residual", np.array([x["residual"] for x in facts]), digits=2),
    ]


def _each(facts: Sequence[dict[str, Any]], gains: Mapping[str, str]) -> list[str]:
    titles = ["D/dBi", "theta/deg", "phi/deg", "EIRP/dBm", "TRP/dBm", *gains.values(), "residual"]
    lines = [f"{'GHz':>12} " + " ".join(f"{x:>{10 if 'deg' in x else 9}}" for x in titles)]
    for fact in facts:
        top, trp = fact["peak"], fact["radiated_power_w"]
        cells = [
            f"{top['directivity_dbi']:z9.4f}",
            f"{top['theta_deg']:z10.4f}",
            f"{azimuth_text(top['theta_deg'], top['phi_deg'], 4):>10}",
            _or_dash(top.get("eirp_dbm")),
            _or_dash(10 * math.log10(trp / 1e-3) if trp else None),
            *(f"{top[x]:z9.4f}" for x in gains),
            f"{fact['residual']:9.1e}" + ("  partial" if fact["partial"] else ""),
        ]
        seen = "" if top["seen"] else ", peak not seen"
        lines.append(f"{fact['frequency_hz'] / 1e9:z12.6f} " + " ".join(cells) + seen)
    return lines


def _or_dash(value: float | None) -> str:
    return f"{'-':>9}" if value is None else f"{value:z9.4f}"
