"""How errors grow, as a table in plain text and as an object for JSON."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from nf2ff.metrics.planes import plane_label
from nf2ff.report.shown import aligned
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
        return f"{name} at theta {theta:.4g}, phi {phi:.4g} deg"
    if kind == "beamwidth":
        return f"{figure.drop_db:.3g} dB beamwidth in the {plane_label(figure.plane)}"
    if kind == "sidelobe-level":
        return f"{name} in the {plane_label(figure.plane)}"
    return f"peak {name}" if kind in ("directivity", "eirp") else name


def growth_lines(growth: Growth, shown: Shown) -> list[str]:
    """Table of each frequency: what was varied, error level of the pattern, errors of figures.

    Parameters
    ----------
    growth : Growth
        What to show.
    shown : Shown
        How its values are shown.

    Returns
    -------
    list of str
        Lines without their ends. Of each error the mean and, in brackets, the interval that holds
        the errors of so many draws.
    """
    heads = [
        f"{figure_label(figure)} [{SHOWN_ERROR_UNITS[unit][0]}]"
        for figure, unit in zip(growth.figures, growth.error_units, strict=True)
    ]
    head = (shown.label, "GHz", "degree", "samples", "draws", "pattern error level [dB]", *heads)
    lines = []
    values = [f"{x:.6g}" for x in shown.values(growth.values)]
    for f in range(growth.frequency.shape[1]):
        rows = [head]
        for v, value in enumerate(values):
            level = _banded(
                growth.level_db[v, f], growth.level_low_db[v, f], growth.level_high_db[v, f], 1.0, 1
            )
            errors = [
                _banded(
                    growth.mean[v, f, k],
                    growth.low[v, f, k],
                    growth.high[v, f, k],
                    SHOWN_ERROR_UNITS[unit][1],
                )
                for k, unit in enumerate(growth.error_units)
            ]
            counts = (growth.degree[v], growth.samples[v], growth.draws[v])
            ghz = f"{growth.frequency[v, f] / 1e9:.6g}"
            rows.append((value, ghz, *map(str, counts), level, *errors))
        lines += [*aligned(rows, words=0), ""]
    percent = 100 * growth.confidence
    return [*lines, f"mean error, and in brackets the interval that holds {percent:.4g} % of them"]


def growth_dict(growth: Growth, shown: Shown) -> dict[str, Any]:
    """Return the study as numbers, strings, lists and dictionaries, for JSON.

    Parameters
    ----------
    growth : Growth
        What to show.
    shown : Shown
        How its values are shown.

    Returns
    -------
    dict
        ``parameter``, ``unit``, ``shown_as``, ``confidence`` and ``points``, an object for each
        value and frequency; keys end in their unit. None stands for an error that no draw has.
    """
    values = shown.values(growth.values)
    points = []
    for v, f in np.ndindex(growth.frequency.shape):
        errors = []
        for k, figure in enumerate(growth.figures):
            name, factor = SHOWN_ERROR_UNITS[growth.error_units[k]]
            end = name.lower()
            found = {
                f"{key}_{end}": _number(getattr(growth, key)[v, f, k], factor)
                for key in ("mean", "spread", "low", "high")
            }
            errors.append({"figure": figure.name, "label": figure_label(figure), **found})
        points.append(
            {
                "value": float(growth.values[v]),
                "shown_value": float(values[v]),
                "frequency_hz": float(growth.frequency[v, f]),
                "degree": int(growth.degree[v]),
                "samples": int(growth.samples[v]),
                "draws": int(growth.draws[v]),
                "error_level_db": float(growth.level_db[v, f]),
                "error_level_low_db": float(growth.level_low_db[v, f]),
                "error_level_high_db": float(growth.level_high_db[v, f]),
                "errors": errors,
            }
        )
    return {
        "parameter": growth.parameter,
        "unit": growth.unit,
        "shown_as": shown.label,
        "confidence": growth.confidence,
        "points": points,
    }


def growth_facts(growth: Growth, shown: Shown) -> dict[str, Any]:
    """Return a few facts by name, for who looks into a file.

    Parameters
    ----------
    growth : Growth
        What to describe.
    shown : Shown
        How its values are shown.

    Returns
    -------
    dict
        ``varied``, ``values`` as they are shown, ``draws``, ``figures``, and ``error_level_db`` of
        the first frequency.
    """
    return {
        "varied": shown.label,
        "values": shown.values(growth.values).tolist(),
        "draws": growth.draws.tolist(),
        "figures": [figure_label(figure) for figure in growth.figures],
        "error_level_db": growth.level_db[:, 0].tolist(),
    }


def _banded(middle: float, low: float, high: float, factor: float, decimals: int | None = None) -> str:
    if not math.isfinite(middle):
        return "not found"

    def text(x: float) -> str:
        return f"{x * factor:.{decimals}f}" if decimals is not None else f"{x * factor:.3g}"

    return f"{text(middle)} ({text(low)} to {text(high)})"


def _number(value: float, factor: float) -> float | None:
    return float(value) * factor if math.isfinite(value) else None
