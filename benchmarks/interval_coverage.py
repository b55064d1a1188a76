"""How often 95 % intervals hold the truth, over many scans with errors.

Run as ``python benchmarks/interval_coverage.py [SCANS [DRAWS [CASE ...]]]``. Each scan is one of
`erroneous_scans`, which shares nothing with the package; the budget names its error with exactly
the size that it was drawn with. Counted is how often the interval that is stated holds the truth:
of peak directivity, EIRP, TRP, pointing, directivity towards a direction on the shoulder of the
beam and in the deepest null near it, half-power width and highest sidelobe in a cut. Of a hundred
intervals of 95 %, 90 to 99 hold it (binomial distribution: 95 +- 2.2).
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import erroneous_scans as scans
import numpy as np
from erroneous_scans import Dipoles, Record, Scan, direction

import nf2ff
from nf2ff.metrics.beam import peak
from nf2ff.uncertainty.assess import assess
from nf2ff.uncertainty.budget.budget import Budget
from nf2ff.uncertainty.budget.budget_term import Term
from nf2ff.uncertainty.budget.combine import combine
from nf2ff.uncertainty.budget.metric import METRICS, Metric
from nf2ff.uncertainty.errors.catalogue import make_term
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.request import FIGURES, Assessment, ModelledError
from nf2ff.uncertainty.result import Uncertainty
from nf2ff.uncertainty.stated import stated

DEGREE, STEP, RADIUS = 18, 9.0, 5.0
BEAMS = {"27 deg": (27.0, 20.0), "pole": (0.0, 0.0)}
#: Error, its draws by the simulator, its name and sizes in a budget.
CASES: dict[str, tuple[Scan, list[tuple[str, dict[str, Any]]]]] = {
    "imbalance": (
        scans.imbalance(0.03, np.radians(3)),
        [("channel-imbalance", {"amplitude": 0.03, "phase_deg": 3, "between": "chi"})],
    ),
    "axes": (scans.not_square(np.radians(0.3)), [("axes-not-square", {"angle_deg": 0.3})]),
    "walk": (scans.walk(np.radians(5)), [("random-walk", {"phase_deg": 5, "time": "rows"})]),
    "positions": (
        scans.misplaced(np.radians(0.3)),
        [("position-noise", {"axis": axis, "rms_deg": 0.3}) for axis in ("theta", "phi")],
    ),
    "noise -40": (scans.noisy(0.01), [("receiver-noise", {"rms_db": -40})]),
    "noise -30": (scans.noisy(10**-1.5), [("receiver-noise", {"rms_db": -30})]),
}
NAMES = ("directivity", "eirp", "trp", "pointing", "pattern", "null", "beamwidth", "sidelobe_level")


@dataclass(frozen=True)
class Setting:
    """An antenna, the truth about it, and the directions and the cut that are looked at."""

    dipoles: Dipoles
    true: scans.Truth
    plane: str
    shoulder: np.ndarray[Any, Any]
    null: np.ndarray[Any, Any]
    levels: dict[str, float]


def setting(beam: str) -> Setting:
    """Where a beam looks, and the truth about it."""
    theta, phi = np.radians(BEAMS[beam])
    dipoles = scans.array(theta, phi)
    true = scans.truth(dipoles)
    one, two = scans.tangents(true.peak)
    side = np.cos(0.35) * true.peak + np.sin(0.35) * (0.6 * one + 0.8 * two)
    null = scans.null(dipoles, np.cos(0.6) * true.peak + np.sin(0.6) * one, 0.15)
    width, lobe = scans.cut(dipoles, true.peak, phi)
    towards = [4 * np.pi * float(dipoles.intensity(np.asarray(n))) / true.trp for n in (side, null)]
    levels = {
        "directivity": true.directivity,
        "eirp": true.eirp,
        "trp": true.trp,
        "pattern": towards[0],
        "null": towards[1],
        "beamwidth": width,
        "sidelobe_level": lobe,
    }
    return Setting(dipoles, true, f"phi={BEAMS[beam][1]:g}", side, null, levels)


def question(at: Setting, errors: Sequence[tuple[str, dict[str, Any]]]) -> Assessment:
    """The budget that names the errors and no others."""
    made = [ModelledError("error", make_term(kind, values)) for kind, values in errors]
    metrics = [METRICS[x] for x in NAMES if x != "null"] + [Metric("null")]
    figures: dict[str, tuple[Figure, ...]] = {
        m.name: tuple(map(Figure, FIGURES[m.name])) for m in metrics if m.name != "null"
    }
    for name, n in (("pattern", at.shoulder), ("null", at.null)):
        theta, phi = float(np.arccos(n[2])), float(np.arctan2(n[1], n[0]))
        figures[name] = (Figure("directivity-towards", theta=theta, phi=phi),)
    for name, figure in (("beamwidth", "beamwidth"), ("sidelobe_level", "sidelobe-level")):
        figures[name] = (Figure(figure, plane=at.plane),)
    return Assessment(Budget((Term("error"),), metrics), made, figures)


def samples_of(record: Record) -> nf2ff.Samples:
    """The record as the package holds it."""
    count = record.theta.size
    return nf2ff.Samples(
        frequency=[scans.FREQUENCY],
        theta=record.theta,
        phi=record.phi,
        chi=record.chi,
        radius=np.full(count, record.radius),
        port=np.ones(count, dtype=int),
        response=record.response[None],
        response_unit="V/m",
    )


def holds(found: Uncertainty, at: Setting) -> dict[str, bool]:
    """Whether the interval stated of each metric holds the truth."""
    result = {}
    for name in NAMES:
        sums = combine(found.budgets[0], name)
        assert sums.expanded is not None
        if name == "pointing":
            top = peak(found.modes)
            cos = float(direction(top.theta[0], top.phi[0]) @ at.true.peak)
            result[name] = np.arccos(min(1.0, cos)) <= sums.expanded
            continue
        one = stated(found.results[name], sums, 0)
        assert one is not None
        result[name] = one.low <= at.levels[name] <= one.high
    return result


def held(case: str, beam: str, count: int, draws: int) -> dict[str, int]:
    """In how many of ``count`` scans the interval of each metric held the truth."""
    at = setting(beam)
    scan, errors = CASES[case]
    asked = question(at, errors)
    total = dict.fromkeys(NAMES, 0)
    for i in range(count):
        rng = np.random.default_rng([i, len(case), len(beam)])
        record = scans.record(at.dipoles, scan, rng, step=np.radians(STEP), radius=RADIUS)
        solution = nf2ff.solve(samples_of(record), nf2ff.field_probe(), degree=DEGREE)
        found = assess(solution, asked, draws=draws, rng=i, jobs=1)
        for name, ok in holds(found, at).items():
            total[name] += bool(ok)
    return total


def main(count: int = 100, draws: int = 100, cases: Sequence[str] = ()) -> None:
    """Print the table."""
    print(f"held in {count} scans, {draws} draws in each")
    print(" " * 22 + "".join(f"{x:>15}" for x in NAMES))
    for case in cases or CASES:
        for beam in BEAMS:
            row = held(case, beam, count, draws)
            print(f"{case:>12} {beam:>9}" + "".join(f"{row[x]:15d}" for x in NAMES), flush=True)


if __name__ == "__main__":
    main(*(int(x) for x in sys.argv[1:3]), cases=sys.argv[3:])
