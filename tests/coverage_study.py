"""How often the intervals of beamwidth and sidelobe hold the truth: scans of `beam_scans`.

Run by itself for the full study: ``python tests/coverage_study.py [SCANS [DRAWS]]``. The budget is
exactly right in each; of an imbalance by derivatives alone, else with draws, too.
"""

from __future__ import annotations

import functools
import math
import sys
from collections import Counter

import numpy as np
from beam_scans import Array, brute_force

from nf2ff.io.uncertainty_toml import uncertainty_file_from
from nf2ff.measurement.probe import field_probe
from nf2ff.metrics.beam import cut_planes
from nf2ff.solver.solve import solve
from nf2ff.uncertainty.assess import assess
from nf2ff.uncertainty.budget.combine import combine

#: Half-power beamwidth and sidelobe in both planes of the beam.
METRICS = ("beamwidth", "sidelobe_level", "beamwidth_across", "sidelobe_level_across")
DEGREE, STEP_DEG, RADIUS = 22, 7.5, 4.0
#: What errs in the scan, and what the budget says of it.
ERRORS = {
    "imbalance": (
        {"imbalance": np.array([0.03, math.radians(3)])},
        {"kind": "channel-imbalance", "amplitude": 0.03, "phase_deg": 3.0, "between": "chi"},
    ),
    "not square": ({"not square": math.radians(0.5)}, {"kind": "axes-not-square", "angle_deg": 0.5}),
    "noise -40 dB": ({"noise": 0.01}, {"kind": "receiver-noise", "rms": 0.01}),
}
ANTENNAS = {
    "pole 6x6": lambda: Array(6, 6),
    "pole 8x4": lambda: Array(8, 4),
    "27 deg 6x6": lambda: Array(6, 6, theta=math.radians(27), phi=math.radians(30)),
    "27 deg 8x4": lambda: Array(8, 4, theta=math.radians(27), phi=math.radians(120)),
}


def question(error):
    """What `nf2ff uncertainty` would be asked."""
    half = 10 * math.log10(2)
    figures = {"beamwidth": {"drop_db": half}, "sidelobe_level": {}}
    content = {
        "metrics": [*METRICS],
        "metric": [{"name": f"{x}_across", "like": x} for x in METRICS[:2]],
        "figure": {
            name: {"plane_deg": 90.0 * name.endswith("across"), **figures[name.removesuffix("_across")]}
            for name in METRICS
        },
        "error": [error],
    }
    return uncertainty_file_from(content, where="study").assessment


def held(antenna, error, stated, *, seed, draws=0):
    """Whether the 95 % intervals of `METRICS` hold the truth, of one scan.

    Returns the names of the planes; (2, 4) of bool, for the truth in those planes and in the planes
    that the antenna without errors has; and errors over expanded uncertainties (4,).
    """
    scan = antenna.scan(step_deg=STEP_DEG, radius=RADIUS, error=error, rng=np.random.default_rng(seed))
    found = assess(solve(scan, field_probe(), degree=DEGREE), question(stated), draws=draws, rng=seed, jobs=1)
    planes = [cut_planes(found.modes, turn)[0] for turn in (0.0, math.pi / 2)]
    named = [(p.phi, p.turn) for p in planes]
    truths = [
        np.concatenate([true_figures(antenna, p) for p in some]) for some in (named, true_planes(antenna))
    ]
    ratios = []
    for i, name in enumerate(METRICS):
        value, one = found.results[name].value[0], combine(found.budgets[0], name)
        if one.decibels is None:
            ratios.append([(value - truth[i]) / one.expanded for truth in truths])
            continue
        # The truth is so much below or above the value.
        off = [10 * math.log10(truth[i] / value) for truth in truths]
        ratios.append([-x / one.decibels[0 if x > 0 else 1] for x in off])
    ratios = np.array(ratios).T
    return [p.name for p in planes], np.abs(ratios) <= 1, ratios[0]


#: In each plane once.
true_figures = functools.cache(brute_force)


@functools.cache
def true_planes(antenna):
    """Planes of the antenna without errors."""
    modes = solve(antenna.scan(step_deg=STEP_DEG, radius=RADIUS), field_probe(), degree=DEGREE).modes
    planes = [cut_planes(modes, turn)[0] for turn in (0.0, math.pi / 2)]
    return [(p.phi, p.turn) for p in planes]


def main(scans=100, draws=40):
    """Print the parts held, in the named planes / in the planes of the antenna without errors."""
    print(f"{'antenna':11} {'error':13}" + "".join(f"{x:>23}" for x in METRICS) + "  rms error/U")
    antennas = {name: make() for name, make in ANTENNAS.items()}
    for kind, (error, stated) in ERRORS.items():
        for name, antenna in antennas.items():
            count = 0 if kind == "imbalance" else draws
            rows = [held(antenna, error, stated, seed=s, draws=count) for s in range(scans)]
            part = 100 * np.mean([r[1] for r in rows], axis=0)
            cells = "".join(f"{a:16.0f} /{b:5.0f}" for a, b in part.T)
            rms = " ".join(f"{x:.2f}" for x in np.sqrt(np.mean([r[2] ** 2 for r in rows], axis=0)))
            planes = Counter(r[0][0] for r in rows)
            print(f"{name:11} {kind:13}{cells}  {rms}  {dict(planes)}", flush=True)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
