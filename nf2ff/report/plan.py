"""A plan in words and columns, and ready for JSON."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from nf2ff.antenna.modes import wavenumber
from nf2ff.diagnostics.alignment.tie_cuts import tie_cuts
from nf2ff.measurement.coherence import FINER
from nf2ff.planning.degree import DegreeChoice
from nf2ff.planning.phaseless import PHASELESS_SETS
from nf2ff.planning.plan import Plan, samples_of_grid
from nf2ff.planning.scan_time import DENSITY, EQUAL_AREA, SPIRAL, WORDS, Schedule
from nf2ff.planning.tolerances import Tolerance, Wish
from nf2ff.ranges.compare import Fit, RangeKind, RangeVerdict
from nf2ff.report.numbers import aligned
from nf2ff.uncertainty.errors.error_term import ErrorTerm

#: Frequencies that are listed one by one; of more, the first, the last, and one of the largest degree.
LISTED = 8
#: What stands under every plan.
CAUTIONS = (
    "caution: positioners move without warning and a beam radiates: keep people out by interlock, try a new "
    "scan slowly and without power, follow the local rules",
    "the figures are of geometry and theory: local codes and the accredited procedure decide in the end",
)


def plan_lines(plan: Plan) -> list[str]:
    """A plan as text."""
    return [
        *_sphere_lines(plan),
        "",
        *_degree_lines(plan),
        "",
        *_scan_lines(plan),
        "",
        *_range_lines(plan),
        "",
        *_phaseless_lines(plan),
        *CAUTIONS,
    ]


def _sphere_lines(plan: Plan) -> list[str]:
    """Size, and what a known place and centring save."""
    where = f"{len(plan.request.parts)} known" if plan.request.parts else "anywhere in the device"
    top, whole, centred = plan.choices[-1], plan.whole, plan.centred
    lines = [
        f"radiating parts: {where}; minimum sphere about the centre of rotation "
        f"{100 * plan.minimum_radius:.4g} cm in radius",
    ]
    ghz = plan.request.frequency[-1] / 1e9
    if whole.degree > top.degree:
        lines.append(
            f"anywhere in the device they would need, at {ghz:.6g} GHz, degree {whole.degree} and "
            f"{samples_of_grid(whole.degree):,} readings on a grid, against {top.degree} and "
            f"{samples_of_grid(top.degree):,}"
        )
    if centred.degree < top.degree:
        x, y, z = (100 * v for v in plan.centre)
        lines.append(
            f"a centre of rotation at ({x:z.3g}, {y:z.3g}, {z:z.3g}) cm would need degree {centred.degree} "
            f"and {samples_of_grid(centred.degree):,} readings on a grid, against {top.degree} and "
            f"{samples_of_grid(top.degree):,}"
        )
    return lines


def _degree_lines(plan: Plan) -> list[str]:
    """Degrees by frequency."""
    count = len(plan.choices)
    shown = list(range(count))
    most = max(range(count), key=lambda i: (plan.choices[i].degree, i))
    if count > LISTED:
        shown = sorted({0, most, count - 1})
    k = wavenumber(plan.request.frequency)
    rows = [["GHz", "k r0", "degree by size", "by distance", "power above dB", "aliases dB", "steps deg"]]
    for i in shown:
        one = plan.choices[i]
        rows.append(
            [
                f"{plan.request.frequency[i] / 1e9:.6g}",
                f"{k[i] * plan.minimum_radius:z.2f}",
                str(one.spectrum_degree),
                str(one.degree),
                f"{one.tail_db:z.1f}",
                f"{one.alias_db:z.1f}",
                f"{180 / (one.degree + 1):.4g}",
            ]
        )
    needed = plan.choices[most].degree
    wished = "" if plan.degree == needed else f", as wished; {needed} are needed"
    return [
        f"degree of the scan: {plan.degree}{wished}",
        *aligned(rows, words=0),
    ]


def _scan_lines(plan: Plan) -> list[str]:
    """Sets of positions side by side."""
    rows = [["positions", "count", "readings", "gap deg", "phi turns", "time", ""]]
    for i, scan in enumerate(plan.scans):
        told = scan.impossible or ("<- taken" if i == plan.chosen else "")
        rows.append(
            [
                WORDS[scan.name],
                str(scan.positions),
                str(scan.time.size),
                f"{math.degrees(scan.gap):.3g}",
                f"{scan.turns:.3g}",
                _duration(scan.duration),
                told,
            ]
        )
    lines = aligned([row[:-1] for row in rows], words=1)
    request = plan.request
    near = next(x for x in plan.ranges if x.kind is RangeKind.NEAR_FIELD)
    useless = near.fit is Fit.NO
    head = (
        f"one sweep of {request.frequency.size} frequencies: {request.receiver.sweep:.3g} s; "
        f"beams: {request.receiver.beams}; "
        + ("polarisations switched" if request.positioner.chi is None else "probe turned between two passes")
    )
    no = ["the sets below are of no use as things stand: see near field with transform"] if useless else []
    sees = (
        f"at {100 * request.distance:.4g} cm the probe sees the antenna within "
        f"{math.degrees(plan.seen_angle):.3g} deg of its axis: its pattern counts there"
    )
    margin = plan.noise_margin_db
    noise = [] if margin is None else [f"noise of the pattern: about {margin:z.0f} dB below its peak"]
    # Francis et al., AMTA 2004, abstract.
    reflections = "probe and antenna reflect each other: two spheres a quarter wavelength apart show how much"
    return [
        *no,
        sees,
        *noise,
        reflections,
        head,
        *(f"{line}  {row[-1]}".rstrip() for line, row in zip(lines, rows, strict=True)),
        *_tie_lines(plan),
    ]


def _tie_lines(plan: Plan) -> list[str]:
    """Cuts that a spiral wants, and what they take."""
    if plan.scan.name not in (EQUAL_AREA, SPIRAL, DENSITY):
        return []
    cuts, request = tie_cuts(plan.degree), plan.request
    switched = request.positioner.chi is None
    step = float(request.positioner.theta.stop_time(math.pi / (plan.degree + 2)))
    passes = 1 if switched else 2
    seconds = passes * cuts.positions * (step + request.receiver.dwell(switched=switched))
    return [
        f"two cuts through the poles afterwards, one of them through the beam ({2 * cuts.positions} "
        f"readings, about {_duration(seconds)}), show drift and misaligned axes (nf2ff align), and with the "
        "probe turned by 90 deg for the second the balance of its ports; the same spiral again, or a ring "
        "about the equator, does not"
    ]


def _phaseless_lines(plan: Plan) -> list[str]:
    """Sets that do without a phase reference, where there is none."""
    if plan.request.reference != "none":
        return []
    rows = [["read", "spheres", "readings", "time", "gives"]]
    scan = plan.scan
    for one in PHASELESS_SETS:
        count, time = round(one.readings * scan.time.size), _duration(one.time * scan.duration)
        rows.append([one.name, str(one.spheres), str(count), time, one.gives])
    lines = aligned([row[:-1] for row in rows], words=1)
    told = [f"{line}  {row[-1]}" for line, row in zip(lines, rows, strict=True)]
    where = "spheres 1 and 3 wavelengths from what radiates"
    return [f"without a phase reference, {where}, steps {FINER:g} times finer:", *told, ""]


def _duration(seconds: float) -> str:
    """Hours, minutes and seconds."""
    whole = round(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def _range_lines(plan: Plan) -> list[str]:
    """Verdicts on ranges, each with its reasons."""
    link = plan.request.link
    lines = [f"ranges for {', '.join(plan.request.wanted)}:"]
    rows = []
    for one in plan.ranges:
        first = [one.kind.value, one.fit.value]
        if link is not None:
            first.append(f"peak {link.dynamic_range_db(one.loss_db):z.1f} dB above noise")
        rows.append(first)
    for line, one in zip(aligned(rows, words=3), plan.ranges, strict=True):
        lines.append(f"  {line}")
        lines += [f"      {reason}" for reason in one.reasons]
    return lines


def plan_facts(plan: Plan) -> dict[str, Any]:
    """A plan ready for JSON; units stand at the end of the names."""
    request = plan.request
    return {
        "minimum_radius_m": plan.minimum_radius,
        "distance_m": request.distance,
        "probe_sees_deg": math.degrees(plan.seen_angle),
        "noise_below_peak_db": plan.noise_margin_db,
        "degree": plan.degree,
        "frequencies": [
            {"frequency_hz": f} | _choice(one)
            for f, one in zip(request.frequency.tolist(), plan.choices, strict=True)
        ],
        "place_unknown": _choice(plan.whole) | {"grid_readings": samples_of_grid(plan.whole.degree)},
        "centred": _choice(plan.centred)
        | {
            "grid_readings": samples_of_grid(plan.centred.degree),
            "centre_m": plan.centre.tolist(),
            "minimum_radius_m": plan.centred_radius,
        },
        "sweep_s": request.receiver.sweep,
        "scans": [_scan(one) | {"taken": i == plan.chosen} for i, one in enumerate(plan.scans)],
        "ranges": [_range(plan, one) for one in plan.ranges],
        "without_phase_reference": [
            {
                "read": one.name,
                "spheres": one.spheres,
                "readings": round(one.readings * plan.scan.time.size),
                "time_s": one.time * plan.scan.duration,
                "gives": one.gives,
            }
            for one in (PHASELESS_SETS if request.reference == "none" else ())
        ],
        "warnings": list(plan.warnings),
        "cautions": list(CAUTIONS),
    }


def _choice(one: DegreeChoice) -> dict[str, Any]:
    return {
        "degree": one.degree,
        "degree_by_size": one.spectrum_degree,
        "power_above_db": one.tail_db,
        "aliases_db": one.alias_db,
        "step_deg": 180 / (one.degree + 1),
    }


def _scan(one: Schedule) -> dict[str, Any]:
    return {
        "positions": one.name,
        "count": one.positions,
        "readings": int(one.time.size),
        "largest_gap_deg": math.degrees(one.gap),
        "phi_turns": one.turns,
        "time_s": one.duration,
        "overtravel_theta_deg": math.degrees(one.overtravel[0]),
        "overtravel_phi_deg": math.degrees(one.overtravel[1]),
        "impossible": one.impossible or None,
    }


def _range(plan: Plan, one: RangeVerdict) -> dict[str, Any]:
    link = plan.request.link
    return {
        "range": one.kind.value,
        "suits": one.fit.value,
        "reasons": list(one.reasons),
        "length_m": one.length,
        "path_loss_db": one.loss_db,
        "dynamic_range_db": None if link is None else link.dynamic_range_db(one.loss_db),
    }


def tolerance_lines(
    terms: Sequence[ErrorTerm], found: Sequence[Tolerance], wishes: Sequence[Wish], *, draws: int
) -> list[str]:
    """How large errors may be, as text: standard uncertainties."""
    wished = ", ".join(
        f"{one.figure.name} {one.size:.3g} dB"
        if one.figure.scale == "power"
        else f"{one.figure.name} {math.degrees(one.size):.3g} deg"
        for one in wishes
    )
    rows = [["error", "with equal shares", "alone", "set by"]]
    for term, one in zip(terms, found, strict=True):
        name = term.name + (f" ({axis})" if (axis := getattr(term, "axis", "")) else "")
        limit = "no size matters" if one.limit is None else one.limit.name
        rows.append([name, _sizes(one.shared), _sizes(one.alone), limit])
    by = f"checked by {draws} draws" if draws else "to first order"
    head = f"tolerances (standard uncertainties, {by}) for {wished}:"
    return [head, *(f"  {line}" for line in aligned(rows, words=4))]


def tolerance_facts(terms: Sequence[ErrorTerm], found: Sequence[Tolerance]) -> list[dict[str, Any]]:
    """The same ready for JSON, sizes in SI units and radians."""

    def sizes(term: ErrorTerm | None) -> dict[str, float] | None:
        return None if term is None else {field: float(getattr(term, field)) for field in term.sizes}

    return [
        {
            "error": term.name,
            "axis": getattr(term, "axis", None),
            "shared": sizes(one.shared),
            "alone": sizes(one.alone),
            "set_by": None if one.limit is None else one.limit.name,
        }
        for term, one in zip(terms, found, strict=True)
    ]


#: Units in which sizes are shown, and their number in one of the library's.
_SHOWN = {"rad": ("deg", math.degrees(1)), "m": ("mm", 1e3), "relative": ("%", 1e2)}


def _sizes(term: ErrorTerm | None) -> str:
    """Sizes of an error that are not zero, in the units of the trade."""
    if term is None:
        return "any"
    words = []
    for field in term.sizes:
        value, unit = float(getattr(term, field)), term.unit_of(field)
        if not value:
            continue
        if unit in ("level", "ratio"):
            words.append(f"{field} {20 * math.log10(abs(value)):z.1f} dB")
            continue
        shown, factor = _SHOWN.get(unit, (unit, 1.0))
        words.append(f"{field} {value * factor:z.3g} {shown}".rstrip())
    return ", ".join(words)
