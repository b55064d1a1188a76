"""Designs of ranges in words and columns, and ready for JSON."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from nf2ff.messages.notice import Notice
from nf2ff.ranges.array_design import ArrayDesign, ArrayTask
from nf2ff.ranges.device_effect import DeviceEffect
from nf2ff.ranges.plane_wave_array import PlaneWaveArray
from nf2ff.ranges.quiet_zone import ZoneFigures
from nf2ff.ranges.shown_pattern import ShownError
from nf2ff.report.numbers import aligned

#: What stands under every reflector.
LEFT_OUT = (
    "physical optics of the reflector alone: fringe currents of edges (0.4 to 0.9 dB of the edge wave of a "
    "sharp rim), supports, the room and spill-over of the feed are left out"
)
#: What stands under every array.
SCALAR = "scalar fields of the elements: their coupling and cross-polarisation are left out"

#: Figures of a device: label, attribute, unit.
_SHOWN = (
    ("peak (EIRP)", "peak_db", "dB"),
    ("direction of the peak", "peak_shift", "deg"),
    ("TRP", "trp_db", "dB"),
    ("directivity", "directivity_db", "dB"),
    ("beamwidth", "beamwidth_shift", "deg"),
    ("first sidelobe", "first_sidelobe_db", "dB"),
    ("highest sidelobe", "highest_sidelobe_db", "dB"),
    ("worst difference of the field", "worst_difference_db", "dB"),
)


def array_facts(design: ArrayDesign, told: Sequence[Notice], zone: dict[str, Any]) -> dict[str, Any]:
    """A design of a plane-wave array by name, ready for JSON.

    Parameters
    ----------
    design : ArrayDesign
        The design at one frequency.
    told : sequence of Notice
        What would work.
    zone : dict
        Of `quiet_zone.zone_facts`, of the zone's middle plane.

    Returns
    -------
    dict of str to object
        Units stand at the end of the names; deviations are half of largest minus smallest.
    """
    drawn = design.drawn
    worst = design.with_errors
    return {
        "frequency_hz": design.frequency,
        "regularisation": design.regularisation,
        "amplitude_deviation_db": design.flat.amplitude_db,
        "phase_deviation_deg": math.degrees(design.flat.phase),
        "amplitude_deviation_with_errors_median_db": _median(drawn and drawn.amplitude_db),
        "phase_deviation_with_errors_median_deg": _degrees(_median(drawn and drawn.phase)),
        "amplitude_deviation_with_errors_95_db": worst.amplitude_db if drawn else None,
        "phase_deviation_with_errors_95_deg": math.degrees(worst.phase) if drawn else None,
        "field_error_db": design.error_db,
        "field_error_drawn_db": drawn.error_db if drawn else None,
        "degrees_of_freedom": design.freedom,
        "channels": int(design.weights.size),
        "weights_peak_to_rms": float(
            np.abs(design.weights).max() / np.sqrt(np.mean(np.abs(design.weights) ** 2))
        ),
        "link_gain_lossless_db": design.link_gain_db,
        "link_gain_divider_db": design.divider_gain_db,
        "free_space_db": design.free_space_db,
        "passed": design.passed,
        "alternatives": list(told),
        "zone": zone,
    }


def _median(values: Any) -> float | None:
    return None if values is None else float(np.median(values))


def _degrees(value: float | None) -> float | None:
    return None if value is None else math.degrees(value)


def array_lines(
    task: ArrayTask, designs: Sequence[ArrayDesign], told: Sequence[Sequence[Notice]]
) -> list[str]:
    """Designs of an array at its frequencies as text.

    Parameters
    ----------
    task : ArrayTask
        What is asked.
    designs : sequence of ArrayDesign
        One for each frequency.
    told : sequence of sequence of Notice
        What would work, for each.

    Returns
    -------
    list of str
        Lines.
    """
    rows = [["GHz", "dB", "deg", "with errors dB", "deg", "link dB", "by divider dB", "degrees", ""]]
    for d in designs:
        worst = d.with_errors
        errors = (
            [f"±{worst.amplitude_db:z.2f}", f"±{math.degrees(worst.phase):z.1f}"] if d.drawn else ["-", "-"]
        )
        rows.append(
            [
                f"{d.frequency / 1e9:.6g}",
                f"±{d.flat.amplitude_db:z.2f}",
                f"±{math.degrees(d.flat.phase):z.1f}",
                *errors,
                f"{d.link_gain_db:z.1f}",
                f"{d.divider_gain_db:z.1f}",
                f"{d.freedom:z.0f}",
                "passes" if d.passed else "FAILS",
            ]
        )
    lines = [
        f"array: {task.array.channel.size} elements, {task.array.channels} channels; zone: "
        f"{task.zone.words()}, {task.zone.centre[2]:.4g} m in front",
        f"deviation from a plane wave, allowed ±{task.most_amplitude_db:g} dB and "
        f"±{math.degrees(task.most_phase):g} deg; with errors: what 95 % of the draws stay within",
        "",
        *aligned(rows, words=0),
    ]
    if not task.has_errors:
        lines.append("no errors of the elements are stated: a built array is worse ([errors])")
    for d, some in zip(designs, told, strict=True):
        if not d.passed:
            lines += ["", f"{d.frequency / 1e9:.6g} GHz fails:", *(f"  {x}" for x in some)]
    return [*lines, "", SCALAR]


def table_facts(rows: Sequence[tuple[PlaneWaveArray, float, ArrayDesign]]) -> list[dict[str, Any]]:
    """A table of arrays and distances, ready for JSON.

    Parameters
    ----------
    rows : sequence of (PlaneWaveArray, float, ArrayDesign)
        Of `array_alternatives.trade_off`.

    Returns
    -------
    list of dict
        One for each row.
    """
    found = []
    for array, distance, design in rows:
        size = float(np.ptp(array.position[:, 0]))
        worst = design.with_errors
        found.append(
            {
                "elements": int(array.channel.size),
                "channels": array.channels,
                "extent_m": size,
                "distance_m": distance,
                "degrees_of_freedom": design.freedom,
                "amplitude_deviation_db": design.flat.amplitude_db,
                "phase_deviation_deg": math.degrees(design.flat.phase),
                "amplitude_deviation_with_errors_95_db": worst.amplitude_db,
                "phase_deviation_with_errors_95_deg": math.degrees(worst.phase),
                "link_gain_lossless_db": design.link_gain_db,
                "passed": design.passed,
            }
        )
    return found


def table_lines(facts: Sequence[dict[str, Any]], frequency: float) -> list[str]:
    """The same as text.

    Parameters
    ----------
    facts : sequence of dict
        Of `table_facts`.
    frequency : float
        Frequency [Hz].

    Returns
    -------
    list of str
        Lines.
    """
    rows = [["elements", "channels", "extent m", "distance m", "degrees", "dB", "deg", "link dB", ""]]
    for x in facts:
        rows.append(
            [
                f"{x['elements']}",
                f"{x['channels']}",
                f"{x['extent_m']:.3g}",
                f"{x['distance_m']:.3g}",
                f"{x['degrees_of_freedom']:z.0f}",
                f"±{x['amplitude_deviation_with_errors_95_db']:z.2f}",
                f"±{x['phase_deviation_with_errors_95_deg']:z.1f}",
                f"{x['link_gain_lossless_db']:z.1f}",
                "passes" if x["passed"] else "FAILS",
            ]
        )
    return [f"at {frequency / 1e9:.6g} GHz, with the errors stated", *aligned(rows, words=0)]


def effect_facts(effect: DeviceEffect) -> dict[str, Any]:
    """What a zone does to a device, ready for JSON.

    Parameters
    ----------
    effect : DeviceEffect
        The effect.

    Returns
    -------
    dict of str to object
        At the centre, and root mean squares over all places; None where there is no such figure.
    """
    return {
        "places": len(effect.errors),
        "offset_m": float(np.abs(effect.position).max()),
        "centre": {_key(name, unit): _shown(effect.errors[0], name, unit) for _, name, unit in _SHOWN},
        "rms": {
            _key(name, unit): _rms(effect, name, unit)
            for _, name, unit in _SHOWN
            if name != "worst_difference_db"
        },
        "warnings": list(effect.errors[0].warnings),
    }


def _key(name: str, unit: str) -> str:
    return name if unit == "dB" else f"{name}_deg"


def _shown(error: ShownError, name: str, unit: str) -> float | None:
    value = float(getattr(error, name))
    value = math.degrees(value) if unit == "deg" else value
    return value if math.isfinite(value) else None


def _rms(effect: DeviceEffect, name: str, unit: str) -> float | None:
    values = [_shown(error, name, unit) for error in effect.errors]
    if any(x is None for x in values):
        return None
    return math.sqrt(sum(x * x for x in values if x is not None) / len(values))


def effect_lines(effects: Sequence[tuple[float, DeviceEffect]]) -> list[str]:
    """What a zone does to a device, as text.

    Parameters
    ----------
    effects : sequence of (float, DeviceEffect)
        Frequency [Hz] and effect.

    Returns
    -------
    list of str
        Lines.
    """
    several = len(effects[0][1].errors) > 1
    heads = [f"{f / 1e9:.6g} GHz" for f, _ in effects]
    rows = [
        [
            "figure shown minus true",
            *(x for head in heads for x in ([head, "rms"] if several else [head])),
            "",
        ]
    ]
    for label, name, unit in _SHOWN:
        cells = []
        for _, effect in effects:
            cells.append(_cell(_shown(effect.errors[0], name, unit), signed=name != "worst_difference_db"))
            if several:
                rms = None if name == "worst_difference_db" else _rms(effect, name, unit)
                cells.append(_cell(rms, signed=False))
        rows.append([label, *cells, unit])
    lines = aligned(rows, words=1)
    if several:
        offset = float(np.abs(effects[0][1].position).max())
        lines.append(
            f"at the centre, and rms of {len(effects[0][1].errors)} places up to {offset:.3g} m off it along "
            "x, y and z"
        )
    return lines


def _cell(value: float | None, *, signed: bool) -> str:
    if value is None:
        return "-"
    return f"{value:+z.3f}" if signed else f"{value:z.3f}"


def surface_lines(
    figures: Sequence[ZoneFigures], loss: Sequence[float], ripple: Sequence[tuple[float, float]]
) -> list[str]:
    """What errors of the surface add, in closed form, as text.

    Parameters
    ----------
    figures : sequence of ZoneFigures
        One for each frequency.
    loss : sequence of float
        Loss of gain of each [dB].
    ripple : sequence of (float, float)
        Standard deviations of amplitude [dB] and phase [rad] of each.

    Returns
    -------
    list of str
        Lines.
    """
    rows = [["surface errors, closed form", *(f"{f.frequency / 1e9:.6g} GHz" for f in figures), ""]]
    rows.append(["gain lost", *(f"{x:z.3f}" for x in loss), "dB"])
    rows.append(["amplitude in the zone, rms", *(f"{a:z.3f}" for a, _ in ripple), "dB"])
    rows.append(["phase in the zone, rms", *(f"{math.degrees(p):z.2f}" for _, p in ripple), "deg"])
    return aligned(rows, words=1)
