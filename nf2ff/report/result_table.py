"""The table of figures that a transformation prints."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from nf2ff.report.over_frequency import MAX_COLUMNS, Row, frequency_table
from nf2ff.report.result import close_azimuths, shown_azimuth


def result_lines(facts: Sequence[dict[str, Any]], *, every: bool) -> list[str]:
    """Each frequency a line while they are few, else a summary; then what is partial or not seen.

    Parameters
    ----------
    facts : sequence of dict
        What `report.result.result_facts` gives.
    every : bool
        Whether each frequency is told, however many there are.

    Returns
    -------
    list of str
        Lines.
    """
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

    power = np.array([x["radiated_power_w"] or math.nan for x in facts])
    return [
        Row("D/dBi", of_peak("directivity_dbi"), 4),
        Row("theta/deg", of_peak("theta_deg"), 4),
        Row("phi/deg", close_azimuths(of_peak("phi_deg")), 4),
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
            f"{top['directivity_dbi']:9.4f}",
            f"{top['theta_deg']:10.4f}",
            f"{shown_azimuth(top['phi_deg'], 4):10.4f}",
            _or_dash(top.get("eirp_dbm")),
            _or_dash(10 * math.log10(trp / 1e-3) if trp else None),
            *(f"{top[x]:9.4f}" for x in gains),
            f"{fact['residual']:9.1e}" + ("  partial" if fact["partial"] else ""),
        ]
        seen = "" if top["seen"] else ", peak not seen"
        lines.append(f"{fact['frequency_hz'] / 1e9:12.6f} " + " ".join(cells) + seen)
    return lines


def _or_dash(value: float | None) -> str:
    return f"{'-':>9}" if value is None else f"{value:9.4f}"
