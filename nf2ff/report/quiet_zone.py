"""Figures of a quiet zone in words and columns, and ready for JSON."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from nf2ff.ranges.quiet_zone import ZoneFigures
from nf2ff.ranges.smooth_part import Variation
from nf2ff.ranges.zone_formulas import amplitude_taper_error_db, phase_taper_error_db
from nf2ff.ranges.zone_limits import Verdict, ZoneLimits, judge

#: What the readings span, by the number of directions.
SPANS = {1: "line", 2: "plane", 3: "volume"}
#: Words for what is judged.
JUDGED = {
    "amplitude_taper_db": "amplitude taper",
    "amplitude_ripple_db": "amplitude ripple",
    "amplitude_total_db": "amplitude variation in all",
    "phase_total_deg": "phase variation without tilt",
    "phase_taper_deg": "phase taper",
    "phase_ripple_deg": "phase ripple",
    "tilt_deg": "tilt",
    "cross_db": "cross-polarisation",
}


def zone_facts(figures: ZoneFigures, limits: ZoneLimits) -> dict[str, Any]:
    """Figures of one frequency by name, ready for JSON; None where the readings do not give them."""
    tilt = [None, None] if figures.tilt is None else [_finite(math.degrees(x)) for x in figures.tilt]
    amplitude, phase = figures.amplitude_db, figures.phase
    return {
        "frequency_hz": figures.frequency,
        "zone": figures.zone.words(len(figures.basis)),
        "centre_m": figures.zone.centre.tolist(),
        "direction": figures.zone.direction.tolist(),
        "readings": int(figures.used.size),
        "span": SPANS[len(figures.basis)],
        **_variation("amplitude", "db", amplitude, figures.amplitude_4_db),
        **_variation("phase", "deg", phase, figures.phase_4),
        "tilt_deg": None if figures.tilt_angle is None else math.degrees(figures.tilt_angle),
        "tilt_first_deg": tilt[0],
        "tilt_second_deg": tilt[1],
        "wavefront_radius_m": figures.wavefront_radius,
        "stray_level_db": _finite(figures.stray_db),
        "cross_polarisation_db": _finite(figures.cross_db),
        "cross_polarisation_rms_db": _finite(figures.cross_rms_db),
        "disc_error_by_amplitude_taper_db": float(amplitude_taper_error_db(amplitude.taper)),
        "disc_error_by_phase_taper_db": None if phase is None else float(phase_taper_error_db(phase.taper)),
        "limits": [_verdict(v) for v in judge(figures, limits)],
        "warnings": list(figures.warnings),
    }


def _variation(
    name: str, unit: str, two: Variation | None, four: Variation | None
) -> dict[str, float | None]:
    def of(found: Variation | None, figure: str) -> float | None:
        if found is None:
            return None
        value = float(getattr(found, figure))
        return math.degrees(value) if unit == "deg" else value

    facts = {
        f"{name}_{x}_{unit}": of(two, x)
        for x in ("taper", "slope", "curvature", "ripple", "ripple_rms", "total")
    }
    if name == "phase":  # the tilt is taken out: there is no slope left
        del facts["phase_slope_deg"], facts["phase_curvature_deg"]
    return facts | {f"{name}_{x}_degree_4_{unit}": of(four, x) for x in ("taper", "ripple", "ripple_rms")}


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def _verdict(verdict: Verdict) -> dict[str, Any]:
    value = _finite(verdict.value)
    return {"name": verdict.name, "value": value, "limit": verdict.limit, "passed": verdict.passed}


#: Lines of the table: label, key, decimals, what stands before the number, unit.
_ROWS = (
    ("tilt of the wavefront", "tilt_deg", 3, "", "deg"),
    ("  towards {first}", "tilt_first_deg", 3, "", "deg"),
    ("  towards {second}", "tilt_second_deg", 3, "", "deg"),
    ("amplitude taper", "amplitude_taper_db", 2, "", "dB"),
    ("  of it slope", "amplitude_slope_db", 2, "", "dB"),
    ("  of it curvature", "amplitude_curvature_db", 2, "", "dB"),
    ("amplitude ripple", "amplitude_ripple_db", 2, "±", "dB"),
    ("  rms", "amplitude_ripple_rms_db", 3, "", "dB"),
    ("amplitude variation in all", "amplitude_total_db", 2, "", "dB"),
    ("phase taper", "phase_taper_deg", 1, "", "deg"),
    ("phase ripple", "phase_ripple_deg", 1, "±", "deg"),
    ("  rms", "phase_ripple_rms_deg", 2, "", "deg"),
    ("phase variation without tilt", "phase_total_deg", 1, "", "deg"),
    ("radius of the wavefront", "wavefront_radius_m", 2, "", "m"),
    ("stray wave of such a ripple", "stray_level_db", 1, "", "dB"),
    ("cross-polarisation, highest", "cross_polarisation_db", 1, "", "dB"),
    ("cross-polarisation, rms", "cross_polarisation_rms_db", 1, "", "dB"),
    (
        "a disc as wide as the zone reads",
        "disc_error_by_amplitude_taper_db",
        2,
        "",
        "dB by the amplitude taper",
    ),
    ("", "disc_error_by_phase_taper_db", 3, "", "dB by the phase taper"),
)


def zone_lines(all_figures: Sequence[ZoneFigures], limits: ZoneLimits, *, source: str = "") -> list[str]:
    """The figures of all frequencies as an aligned table, limits below."""
    facts = [zone_facts(f, limits) for f in all_figures]
    zone = all_figures[0].zone
    names = dict(zip(("first", "second"), (_axis(a) for a in zone.axes[:2]), strict=True))
    table: list[tuple[str, list[str], str]] = [
        ("frequency", [f"{x['frequency_hz'] / 1e9:.6g}" for x in facts], "GHz"),
        ("readings in the zone", [str(x["readings"]) for x in facts], f"on a {facts[0]['span']}"),
    ]
    for label, key, decimals, sign, unit in _ROWS:
        if any(x[key] is not None for x in facts):
            cells = [_number(x[key], decimals, sign) for x in facts]
            table.append((label.format(**names), cells, unit))
    lines = [
        f"zone: {facts[0]['zone']}, centre ({', '.join(f'{x:z.6g}' for x in zone.centre)}) m, "
        f"wave along {_axis(zone.direction)}",
        "",
        *_aligned(table),
    ]
    judged = [
        (v, x["frequency_hz"]) for x, f in zip(facts, all_figures, strict=True) for v in judge(f, limits)
    ]
    if judged:
        lines += ["", f"limits{source}"]
        wide = max(len(JUDGED[v.name]) for v, _ in judged)
        for verdict, frequency in judged:
            lines.append(f"  {frequency / 1e9:.6g} GHz  {JUDGED[verdict.name]:<{wide}}  {_judged(verdict)}")
    return lines


def _judged(verdict: Verdict) -> str:
    unit = "dB" if verdict.name.endswith("_db") else "deg"
    sign = "±" if "ripple" in verdict.name else ""
    if verdict.value is None:
        return f"not known, limit {sign}{verdict.limit:g} {unit}"
    word = "within" if verdict.passed else "BEYOND"
    return f"{word} {sign}{verdict.limit:zg} {unit} ({sign}{verdict.value:z.3g})"


def _aligned(table: list[tuple[str, list[str], str]]) -> list[str]:
    left = max(len(label) for label, _, _ in table)
    wide = max(len(cell) for _, cells, _ in table for cell in cells)
    return [
        f"{label:<{left}}  {'  '.join(f'{cell:>{wide}}' for cell in cells)} {unit}".rstrip()
        for label, cells, unit in table
    ]


def _number(value: float | None, decimals: int, sign: str) -> str:
    if value is None:
        return "-"
    shown = f"{value:z.{decimals}f}"
    return sign + (shown.lstrip("-") if float(shown) == 0 else shown)


def _axis(towards: Any) -> str:
    """A direction in words: an axis where it is one."""
    v = np.asarray(towards)
    for i, axis in enumerate("xyz"):
        if abs(abs(v[i]) - 1) < 1e-6:
            return f"{'+' if v[i] > 0 else '-'}{axis}"
    return "({:z.3g}, {:z.3g}, {:z.3g})".format(*v)
