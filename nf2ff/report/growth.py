"""How errors grow, as a table in plain text and as an object for JSON."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from nf2ff.metrics.planes import plane_label
from nf2ff.report.numbers import aligned
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.growth import Growth, Shown

#: Unit in reports of an error in the library's unit, and its number in one of these.
SHOWN_ERROR_UNITS = {"dB": ("dB", 1.0), "rad": ("deg", 180 / math.pi)}
_WORDS = {
    "eirp": "EIRP",
    "trp": "TRP",
    "pointing-theta": "pointing along theta",
    "pointing-phi": "pointing along phi",
    "sidelobe-level": "sidelobe level",
}


def figure_label(figure: Figure) -> str:
    """A figure in a few words, with what tells it from others of its kind."""
    kind = figure.name.removesuffix("-towards")
    name = _WORDS.get(kind, kind)
    if kind != figure.name:
        theta, phi = (round(math.degrees(x), 6) for x in (figure.theta, figure.phi))
        return f"{name} at theta {theta:z.4g}, phi {phi:z.4g} deg"
    if kind == "beamwidth":
        return f"{figure.drop_db:.3g} dB beamwidth in the {plane_label(figure.plane)}"
    if kind == "sidelobe-level":
        return f"{name} in the {plane_label(figure.plane)}"
    return f"peak {name}" if kind in ("directivity", "eirp") else name


def growth_lines(growth: Growth, shown: Shown) -> list[str]:
    """Table of each frequency: what was varied, error level of the pattern, errors of figures.

    Of each error the mean and, in brackets, the interval that holds the errors of so many draws.
    """
    units = [SHOWN_ERROR_UNITS[unit] for unit in growth.error_units]
    heads = [
        f"{figure_label(figure)} [{unit}]" for figure, (unit, _) in zip(growth.figures, units, strict=True)
    ]
    sets = () if growth.certified is None else ("certified", "predicted [dB]")
    head = (shown.label, "GHz", "degree", "samples", "draws", *sets, "pattern error level [dB]", *heads)
    lines = []
    values = growth.names or [f"{x:z.6g}" for x in shown.values(growth.values)]
    for f in range(growth.frequency.shape[1]):
        rows = [head]
        for v, value in enumerate(values):
            counts = (growth.degree[v], growth.samples[v], growth.draws[v])
            levels = (growth.level_db[v, f], growth.level_low_db[v, f], growth.level_high_db[v, f])
            bands = zip(growth.mean[v, f], growth.low[v, f], growth.high[v, f], units, strict=True)
            rows.append(
                (
                    value,
                    f"{growth.frequency[v, f] / 1e9:.6g}",
                    *map(str, counts),
                    *certified_texts(growth, v, f),
                    _banded(levels, ".1f"),
                    *(_banded([factor * x for x in band], ".3g") for *band, (_, factor) in bands),
                )
            )
        lines += [*aligned(rows, words=0), ""]
    percent = 100 * growth.confidence
    lines += [f"{name}: {said}" for name, said in zip(growth.names, growth.remarks, strict=True) if said]
    if sets:
        lines.append("errors are of what was certified, of all draws where nothing was")
    return [*lines, f"mean error, and in brackets the interval that holds {percent:.4g} % of them"]


def growth_dict(growth: Growth, shown: Shown) -> dict[str, Any]:
    """Return the study as numbers, strings, lists and dictionaries, for JSON.

    Keys end in their unit. None stands for an error that no draw has.
    """
    values = shown.values(growth.values)
    points: list[dict[str, Any]] = []
    for v, f in np.ndindex(growth.frequency.shape):
        errors = []
        for k, figure in enumerate(growth.figures):
            unit, factor = SHOWN_ERROR_UNITS[growth.error_units[k]]
            error: dict[str, Any] = {"figure": figure.name, "label": figure_label(figure)}
            for key in ("mean", "spread", "low", "high"):
                error[f"{key}_{unit.lower()}"] = _number(getattr(growth, key)[v, f, k] * factor)
            errors.append(error)
        points.append(
            {
                "value": float(growth.values[v]),
                "shown_value": float(values[v]),
                "frequency_hz": float(growth.frequency[v, f]),
                "degree": int(growth.degree[v]),
                "samples": int(growth.samples[v]),
                "draws": int(growth.draws[v]),
                "error_level_db": _number(growth.level_db[v, f]),
                "error_level_low_db": _number(growth.level_low_db[v, f]),
                "error_level_high_db": _number(growth.level_high_db[v, f]),
                "errors": errors,
            }
        )
        if growth.certified is not None and growth.predicted_db is not None:
            points[-1] |= {
                "name": growth.names[v],
                "certified": float(growth.certified[v, f]),
                "predicted_error_db": _number(growth.predicted_db[v, f]),
                "remark": growth.remarks[v],
            }
    return {
        "parameter": growth.parameter,
        "unit": growth.unit,
        "shown_as": shown.label,
        "confidence": growth.confidence,
        "points": points,
    }


def growth_facts(growth: Growth, shown: Shown) -> dict[str, Any]:
    """A few facts by name, for `inspect`; the error level is that of the first frequency."""
    return {
        "varied": shown.label,
        "values": list(growth.names) or shown.values(growth.values).tolist(),
        "draws": growth.draws.tolist(),
        "figures": [figure_label(figure) for figure in growth.figures],
        "error_level_db": [_number(x) for x in growth.level_db[:, 0]],
    }


def certified_texts(growth: Growth, v: int, f: int) -> tuple[str, ...]:
    """How many of the draws were certified, and the error predicted; nothing where phases were known."""
    if growth.certified is None or growth.predicted_db is None:
        return ()
    count = int(growth.draws[v])
    found = f"{round(growth.certified[v, f] * count)} of {count}" if count else "refused"
    predicted = growth.predicted_db[v, f]
    return found, f"{predicted:z.1f}" if math.isfinite(predicted) else ""


def _number(value: Any) -> float | None:
    """A number for JSON, None where there is none."""
    return float(value) if math.isfinite(value) else None


def _banded(values: Sequence[float], form: str) -> str:
    """Middle and ends of a band."""
    if not math.isfinite(values[0]):
        return "not found"
    middle, low, high = (format(x, form) for x in values)
    return f"{middle} ({low} to {high})"
