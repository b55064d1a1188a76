"""What was found in an antenna's box, in mm and dB: lines for people, facts for JSON."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.diagnostics.array import Excitations
from nf2ff.diagnostics.location import Location
from nf2ff.diagnostics.parts import RadiatingParts
from nf2ff.diagnostics.surface import SurfaceField
from nf2ff.report.numbers import aligned, level
from nf2ff.report.over_frequency import Row, frequency_table

Real = NDArray[np.float64]
#: Ratios below this are rounding [dB].
_LEAST_DB = -280.0


def _db(ratio: float) -> float | None:
    """Decibels of a ratio of powers; None of none."""
    told = level(ratio)
    return None if told is None else max(told, _LEAST_DB)


def _metres(length: np.floating[Any]) -> float | None:
    return None if np.isnan(length) else float(length)


def location_lines(
    found: Location, noise: Real, spread: Real | None = None, *, every: bool = False
) -> list[str]:
    """Table of where an antenna radiates.

    Parameters
    ----------
    found : Location
        What `diagnostics.location.locate` found.
    noise : (F,) ndarray
        Noise of the modes over their power, as ratio of powers; NaN where not known.
    spread : (3,) ndarray, optional
        Standard uncertainty of the centre at the first frequency [m].
    every : bool
        As in `report.over_frequency.frequency_table`.

    Returns
    -------
    list of str
        Lines of text.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        level = 10 * np.log10(noise)
    rows = [Row(f"centre of radiation, {x} [mm]", 1e3 * found.centre[:, i], 3) for i, x in enumerate("xyz")]
    if spread is not None and found.frequency.size == 1:
        rows = [
            row
            for i, one in enumerate(rows)
            for row in (one, Row("  standard uncertainty [mm]", 1e3 * spread[i : i + 1], digits=2))
        ]
    rows += [
        Row("sphere about the centre [mm]", 1e3 * found.radius, 2),
        Row("sphere about the origin [mm]", 1e3 * found.radius_about_origin, 2),
        Row("highest degree above noise", found.degree.astype(float), 0),
        Row("noise of the modes over power [dB]", level, 1, least=_LEAST_DB),
    ]
    return frequency_table(found.frequency, rows, every=every)


def location_facts(found: Location, noise: Real) -> list[dict[str, Any]]:
    """The same ready for JSON, one object for each frequency.

    Parameters
    ----------
    found, noise
        As in `location_lines`.

    Returns
    -------
    list of dict
        In metres and dB, as the names say; None for a radius that is NaN.
    """
    return [
        {
            "frequency_hz": float(found.frequency[f]),
            "centre_m": found.centre[f].tolist(),
            "minimum_radius_m": _metres(found.radius[f]),
            "minimum_radius_about_origin_m": _metres(found.radius_about_origin[f]),
            "degree_above_noise": int(found.degree[f]),
            "noise_db": _db(float(noise[f])),
        }
        for f in range(found.frequency.size)
    ]


def parts_facts(found: RadiatingParts) -> dict[str, Any]:
    """Parts of an antenna, ready for JSON.

    Parameters
    ----------
    found : RadiatingParts
        What `diagnostics.parts.radiating_parts` found.

    Returns
    -------
    dict
        Places, power and what is left; None for an uncertainty that is NaN.
    """
    columns = (found.position, found.position_uncertainty, found.power, found.power_uncertainty)
    rows = zip(*(x.tolist() for x in columns), strict=True)
    parts = [
        {
            "position_m": place,
            "position_uncertainty_m": [x if math.isfinite(x) else None for x in off],
            "power_db": _db(power),
            "power_uncertainty_db": 10 / math.log(10) * spread / power if math.isfinite(spread) else None,
        }
        for place, off, power, spread in rows
    ]
    return {"parts": parts, "not_explained_db": _db(found.remainder)}


def parts_lines(found: RadiatingParts, noise: float) -> list[str]:
    """Parts of an antenna as a table.

    Parameters
    ----------
    found : RadiatingParts
        What `diagnostics.parts.radiating_parts` found.
    noise : float
        Noise of the modes over their power, as ratio of powers.

    Returns
    -------
    list of str
        Lines of text.
    """
    rows: list[tuple[str, ...]] = [("part", "x/mm", "+-", "y/mm", "+-", "z/mm", "+-", "power/dB", "+-")]
    columns = (found.position, found.position_uncertainty, found.power, found.power_uncertainty)
    for i, (place, off, power, spread) in enumerate(zip(*columns, strict=True)):
        cells = [_or_dash(1e3 * x, "z.3f") for pair in zip(place, off, strict=True) for x in pair]
        level = f"{10 * math.log10(power):z.2f}", _or_dash(10 / math.log(10) * spread / power, ".2g")
        rows.append((str(i + 1), *cells, *level))
    return [*aligned(rows, words=0), _left(found.remainder, noise, "parts")]


def _or_dash(value: float, how: str) -> str:
    return "-" if math.isnan(value) else f"{value:{how}}"


def _left(remainder: float, noise: float, what: str) -> str:
    told = _db(noise)
    alone = "" if told is None else f", where noise of the modes is {told:z.1f} dB"
    rest = _db(remainder)
    # Parts may fit some of the noise, so that less than it is left.
    return f"the {what} do not explain {'nothing' if rest is None else f'{rest:z.1f} dB'} of the power{alone}"


def excitation_facts(found: Excitations) -> dict[str, Any]:
    """Excitations of an array, ready for JSON.

    Parameters
    ----------
    found : Excitations
        What `diagnostics.array.array_excitations` found.

    Returns
    -------
    dict
        Amplitudes over their median, phases and dead elements, in the order of the elements.
    """
    size = np.abs(found.excitation)
    middle = float(np.median(size))
    elements = [
        {
            "position_m": place,
            "amplitude_db": _db(float(a / middle) ** 2),
            "phase_deg": math.degrees(p),
            "uncertainty_db": _db(float(u / middle) ** 2),
            "dead": bool(d),
        }
        for place, a, p, u, d in zip(
            found.position.tolist(),
            size,
            np.angle(found.excitation),
            found.uncertainty,
            found.dead(),
            strict=True,
        )
    ]
    return {"elements": elements, "not_explained_db": _db(found.remainder)}


def excitation_lines(found: Excitations, noise: float) -> list[str]:
    """Excitations of an array in words: their spread, and which are dead.

    Parameters
    ----------
    found : Excitations
        What `diagnostics.array.array_excitations` found.
    noise : float
        Noise of the modes over their power, as ratio of powers.

    Returns
    -------
    list of str
        Lines of text.
    """
    size, dead = np.abs(found.excitation), found.dead()
    live = found.excitation[~dead]
    level = 20 * np.log10(np.abs(live) / np.median(size))
    turn = np.angle(live * np.exp(-1j * np.angle(live.sum())))
    lines = [
        f"{size.size} elements: amplitude {level.min():z.2f} to {level.max():z.2f} dB of the median, phase "
        f"{np.degrees(turn.min()):z.1f} to {np.degrees(turn.max()):z.1f} deg"
    ]
    if np.isfinite(found.uncertainty).any():
        doubt = 20 * np.log10(np.nanmedian(found.uncertainty) / np.median(size))
        lines.append(f"standard uncertainty of an excitation by noise: {doubt:z.1f} dB of the median")
    for i in np.flatnonzero(dead).tolist():
        place = ", ".join(f"{1e3 * x:z.2f}" for x in found.position[i])
        least = 20 * math.log10(max(float(size[i]), 1e-15) / float(np.median(size)))
        lines.append(f"dead: element {i + 1} at ({place}) mm, {least:z.1f} dB")
    return [*lines, _left(found.remainder, noise, "elements")]


def surface_facts(found: SurfaceField) -> dict[str, Any]:
    """How well a field on a surface is known, ready for JSON.

    Parameters
    ----------
    found : SurfaceField
        What `diagnostics.surface.surface_field` found.

    Returns
    -------
    dict
        Method, degree, resolution, error, warnings and the strongest place.
    """
    projection = found.projection
    size = np.linalg.norm(projection.field[0], axis=1)
    most = int(np.argmax(size))
    error = float(projection.error[0])
    return {
        "method": found.method,
        "points": size.size,
        "degree": int(projection.degree[0]),
        "resolution_m": float(projection.resolution[0]),
        "error_db": None if math.isnan(error) else _db(error**2),
        "strongest_m": projection.points[most].tolist(),
        "warnings": list(projection.warnings[0]),
    }


def surface_lines(facts: dict[str, Any]) -> list[str]:
    """The same in words.

    Parameters
    ----------
    facts : dict
        As `surface_facts` gives them.

    Returns
    -------
    list of str
        Lines of text.
    """
    place = ", ".join(f"{1e3 * x:z.2f}" for x in facts["strongest_m"])
    error = facts["error_db"]
    return [
        f"field at {facts['points']} points by {facts['method']}, degrees up to {facts['degree']}",
        f"resolution {1e3 * facts['resolution_m']:.3g} mm, error "
        + ("not known" if error is None else f"{error:z.1f} dB of the rms field"),
        f"strongest at ({place}) mm",
    ]
