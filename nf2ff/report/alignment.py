"""What an alignment found, in words and numbers."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

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
    return "-" if told is None else f"{told:.1f}"


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
        rows.append([group, f"{100 * left:.1f} % of the prior"])
    lines = aligned(rows, words=1)
    for i in seen.unseen():
        lines.append(f"not seen: {seen.told(i)} ({_shown(float(seen.far_field[i]))} dB of the far field)")
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
        cells = [f"{x:.3g}" for x in numbers]
        if one.unit == "level":
            unit = "of the largest"
            cells = [f"{x:.2e}" for x in (one.value, one.uncertainty, one.prior)]
        rows.append([one.name, *cells, unit, _shown(one.field)])
    before, after = (float(np.sqrt(np.nanmean(x**2))) for x in (found.residual_before, found.residual_after))
    lines = aligned(rows, words=1)
    lines.append(
        f"residual, relative to the largest response: {_shown(before)} dB as recorded, {_shown(after)} dB "
        f"aligned, noise {_shown(found.noise)} dB"
    )
    if found.chi_square is not None:
        lines.append(f"reduced chi-square: {found.chi_square:.3f}")
    held = f", {_shown(found.far_field_pose)} dB by the pose that is held" if found.far_field_pose else ""
    lines.append(
        f"uncertainty of the far field: {_shown(found.far_field_before)} dB from the priors, "
        f"{_shown(found.far_field_after)} dB aligned, {_shown(found.far_field_noise)} dB from noise "
        f"alone{held}"
    )
    return lines


def alignment_facts(found: Alignment) -> dict[str, Any]:
    """The same for other programs.

    Parameters
    ----------
    found : Alignment
        What was found.

    Returns
    -------
    dict
        Keys and values of JSON.
    """
    return {**_facts(found), "others": [_facts(x) for x in found.others], "caveats": [BLIND]}


def _facts(found: Alignment) -> dict[str, Any]:
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
            }
            for x in found.estimates()
        ],
        "not_seen": [
            {"partners": dict(seen.partners(i)), "far_field_db": _db(float(seen.far_field[i]))}
            for i in seen.unseen()
        ],
        "residual_db": [
            _db(float(np.sqrt(np.nanmean(x**2)))) for x in (found.residual_before, found.residual_after)
        ],
        "noise_db": _db(found.noise),
        "chi_square": found.chi_square,
        "far_field_db": {
            "by_the_priors": _db(found.far_field_before),
            "aligned": _db(found.far_field_after),
            "by_noise_alone": _db(found.far_field_noise),
            "by_the_pose_held": _db(found.far_field_pose),
        },
        "set_aside": found.set_aside.tolist(),
        "warnings": list(found.warnings),
    }
