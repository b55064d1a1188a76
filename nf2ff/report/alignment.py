"""What an alignment found, in words and numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from nf2ff.diagnostics.alignment.figures import FigureEffects
from nf2ff.diagnostics.alignment.result import Alignment
from nf2ff.report.numbers import aligned, level

#: What is no reading of the scan's, and is always told.
BLIND = (
    "A residual at the noise proves nothing by itself: faults that an antenna's modes can imitate leave "
    "none. A cable whose phase follows theta, for one, passes for axes that do not intersect."
)
_UNITS = {
    "rad": ("deg", 180 / math.pi),
    "m": ("mm", 1e3),
    "s": ("ms", 1e3),
    "relative": ("dB", 20 / math.log(10)),
}


def _db(ratio: float) -> float | None:
    """Decibels of a ratio of amplitudes, None of none."""
    return level(ratio**2)


def _shown(ratio: float) -> str:
    told = _db(ratio)
    return "-" if told is None else f"{told:z.1f}"


def observability_lines(found: Alignment) -> list[str]:
    """What the scan sees of each parameter, and which combinations it does not.

    Parameters
    ----------
    found : Alignment
        What was found.

    Returns
    -------
    list of str
        Lines.
    """
    seen = found.observability
    groups = list(dict.fromkeys(x.group for x in found.parameters))
    rows = [["seen by the scan", "uncertainty left"]]
    for group in groups:
        at = [i for i, x in enumerate(found.parameters) if x.group == group]
        left = float(np.sqrt(np.mean(seen.posterior[at] ** 2)))
        rows.append([group, f"{100 * left:z.1f} % of the prior"])
    lines = aligned(rows, words=1)
    for i in seen.unseen():
        lines.append(f"not seen: {seen.told(i)} ({_shown(float(seen.uncertain[i]))} dB of the far field)")
    return lines


def alignment_lines(found: Alignment) -> list[str]:
    """Table of estimates, residual and far-field uncertainty.

    Parameters
    ----------
    found : Alignment
        What was found.

    Returns
    -------
    list of str
        Lines.
    """
    rows = [["", "estimate", "uncertainty", "prior", "unit", "far field [dB]"]]
    for one in found.estimates():
        unit, factor = _UNITS.get(one.unit, ("dB", 0.0))
        numbers = [one.value * factor, one.uncertainty * factor, one.prior * factor]
        cells = [f"{x:z.3g}" for x in numbers]
        if one.unit == "level":
            unit = "of the largest"
            cells = [f"{x:.2e}" for x in (one.value, one.uncertainty, one.prior)]
        rows.append([one.name, *cells, unit, _shown(one.field)])
    before, after = (float(np.sqrt(np.nanmean(x**2))) for x in (found.residual_before, found.residual_after))
    lines = aligned(rows, words=1)
    lines.append("far field: change by correcting it, over the field, rms over the sphere, to first order")
    lines.append(
        f"residual, relative to the largest response: {_shown(before)} dB as recorded, {_shown(after)} dB "
        f"aligned, noise {_shown(found.noise)} dB"
    )
    if found.chi_square is not None:
        lines.append(f"reduced chi-square: {found.chi_square:z.3f}")
    held = f", {_shown(found.far_field_pose)} dB by the pose that is held" if found.far_field_pose else ""
    lines.append(
        f"uncertainty of the far field: {_shown(found.far_field_before)} dB from the priors, "
        f"{_shown(found.far_field_after)} dB aligned, {_shown(found.far_field_noise)} dB from noise "
        f"alone{held}"
    )
    return lines


def figure_lines(effects: FigureEffects) -> list[str]:
    """Table of what each fault does to each figure.

    Parameters
    ----------
    effects : FigureEffects
        As `effects_on_figures` gives them.

    Returns
    -------
    list of str
        Lines.
    """
    factors = _factors(effects)

    def cell(change: float, left: float, factor: float) -> str:
        told = "gone" if math.isnan(change) else f"{change * factor:+z.2f}"
        return f"{told} ({left * factor:.2g})"

    rows = [["change by correcting it (and left)", *_headings(effects), "across [dB]"]]
    for i, name in enumerate(effects.names):
        cells = map(cell, effects.change[i], effects.uncertainty[i], factors)
        across = f"{_shown(float(effects.cross[i]))} ({_shown(float(effects.cross_left[i]))})"
        rows.append([name, *cells, across])
    total = [f"({x * factor:z.2g})" for x, factor in zip(effects.total, factors, strict=True)]
    rows.append(["all that is left, noise apart", *total, f"({_shown(effects.cross_total)})"])
    return [
        *aligned(rows, words=1),
        "across: field at the peak across the beam's polarisation, over the beam's; all to first order in "
        "the modes",
    ]


def _factors(effects: FigureEffects) -> list[float]:
    """Of each figure, to dB or deg."""
    return [1.0 if x.scale == "power" else 180 / math.pi for x in effects.figures]


def _headings(effects: FigureEffects) -> list[str]:
    """Of each figure."""
    short = {"directivity": "D", "eirp": "EIRP", "trp": "TRP", "beamwidth": "width", "sidelobe-level": "lobe"}
    cuts = {"beamwidth", "sidelobe-level"}
    return [
        short[x.name]
        + (f" {90 if x.plane else 0}" if x.name in cuts else "")
        + (" [dB]" if x.scale == "power" else " [deg]")
        for x in effects.figures
    ]


def alignment_facts(found: Alignment, effects: Sequence[FigureEffects]) -> dict[str, Any]:
    """The same for other programs.

    Parameters
    ----------
    found : Alignment
        What was found.
    effects : sequence of FigureEffects
        At its frequency and at the others.

    Returns
    -------
    dict
        Keys and values of JSON.
    """
    first, *others = map(_facts, (found, *found.others), effects)
    return {**first, "others": others, "caveats": [BLIND]}


def _figure_facts(effects: FigureEffects, index: int) -> dict[str, Any]:
    """Of one fault: change and what is left, of each figure [dB, deg]; None where it is found no more."""
    numbers = zip(
        _headings(effects), _factors(effects), effects.change[index], effects.uncertainty[index], strict=True
    )
    told: dict[str, Any] = {
        name: {"change": None if math.isnan(change) else float(change * factor), "left": float(left * factor)}
        for name, factor, change, left in numbers
    }
    told["across [dB]"] = {
        "change": _db(float(effects.cross[index])),
        "left": _db(float(effects.cross_left[index])),
    }
    return told


def _facts(found: Alignment, effects: FigureEffects) -> dict[str, Any]:
    """Of one frequency."""
    seen = found.observability
    return {
        "frequency_hz": found.frequency,
        "degree": found.modes.degree,
        "solutions": found.solves,
        "estimates": [
            {
                "name": x.name,
                "unit": x.unit,
                "value": x.value,
                "uncertainty": x.uncertainty,
                "prior": x.prior,
                "far_field_db": _db(x.field),
                "figures": _figure_facts(effects, i),
            }
            for i, x in enumerate(found.estimates())
        ],
        "not_seen": [
            {"partners": dict(seen.partners(i)), "far_field_db": _db(float(seen.uncertain[i]))}
            for i in seen.unseen()
        ],
        "residual_db": [
            _db(float(np.sqrt(np.nanmean(x**2)))) for x in (found.residual_before, found.residual_after)
        ],
        "noise_db": _db(found.noise),
        "chi_square": found.chi_square,
        "unlisted": [{"kind": x.kind, "looks_like": x.words, "chance": x.chance} for x in found.unlisted],
        "far_field_db": {
            "by_the_priors": _db(found.far_field_before),
            "aligned": _db(found.far_field_after),
            "by_noise_alone": _db(found.far_field_noise),
            "by_the_pose_held": _db(found.far_field_pose),
        },
        "set_aside": found.set_aside.tolist(),
        "warnings": list(found.warnings),
    }
