"""How often the intervals of beamwidth and sidelobe hold the truth: scans of `beam_scans`.

Run by itself for the full study: ``python tests/coverage_study.py [SCANS]``.
"""

from __future__ import annotations

import math
import sys

import numpy as np
from beam_scans import Array, brute_force

from nf2ff.beam import cut_planes, peak
from nf2ff.error_terms import make_term
from nf2ff.figures import Figure, localise
from nf2ff.probe import field_probe
from nf2ff.propagation import monte_carlo
from nf2ff.sensitivity import linearised
from nf2ff.solve import solve

#: Half-power beamwidth and sidelobe in both planes of the beam.
FIGURES = tuple(
    Figure(name, plane=turn)
    for turn in (0.0, math.pi / 2)
    for name in ("beamwidth", "sidelobe-level")
)
BUDGETS = {
    "imbalance": ({"imbalance": np.array([0.03, math.radians(3)])},
                  ("channel-imbalance",
                   {"amplitude": 0.03, "phase": math.radians(3), "between": "chi"})),
    "not square": ({"not square": math.radians(0.5)},
                   ("axes-not-square", {"angle": math.radians(0.5)})),
    "noise": ({"noise": 0.01}, ("receiver-noise", {"rms": 0.01})),
}  # fmt: skip
ANTENNAS = {
    "pole 6x6": lambda: Array(6, 6),
    "pole 8x4": lambda: Array(8, 4),
    "27 deg 6x6": lambda: Array(6, 6, theta=math.radians(27), phi=math.radians(30)),
    "27 deg 8x4": lambda: Array(8, 4, theta=math.radians(27), phi=math.radians(120)),
}


def shown(values):
    """Widths in deg, sidelobes in dB."""
    values = np.array(values, dtype=float)
    values[0::2] = np.degrees(values[0::2])
    values[1::2] = 10 * np.log10(values[1::2])
    return values


def held(antenna, error, term, *, seed, draws=0, degree=18):
    """Whether each figure's 95 % interval holds the truth in the named plane, and anew.

    Returns the names of the planes, two rows (4,) of bool, and errors and standard uncertainties.
    """
    rng = np.random.default_rng(seed)
    scan = antenna.scan(step_deg=9.0, radius=4.0, error=error, rng=rng)
    probe = field_probe()
    terms = [make_term(term[0], term[1])]
    modes = solve(scan, probe, degree=degree).modes
    planes = [p for turn in (0.0, math.pi / 2) for p in cut_planes(modes, turn)]
    value = localise(FIGURES, modes)[0].nominal
    if draws:
        found = monte_carlo(scan, probe, terms, FIGURES, degree=degree, draws=draws, rng=seed, jobs=1)
        u = np.sqrt(np.nanmean((found.values[:, 0] - value) ** 2, axis=0))
    else:
        u = linearised(scan, probe, terms, FIGURES, degree=degree).uncertainty[0, 0]
    named = np.concatenate([brute_force(antenna, (p.phi, p.turn)) for p in planes])
    own = true_planes(antenna)
    anew = np.concatenate([brute_force(antenna, plane) for plane in own])
    error_of = value - named
    inside = [np.abs(value - truth) <= 1.96 * u for truth in (named, anew)]
    return [p.name for p in planes], np.array(inside), error_of / u, u


_OWN = {}


def true_planes(antenna):
    """Planes that the antenna without errors is given."""
    if id(antenna) not in _OWN:
        scan = antenna.scan(step_deg=6.0, radius=4.0)
        modes = solve(scan, field_probe(), degree=28).modes
        planes = [p for turn in (0.0, math.pi / 2) for p in cut_planes(modes, turn)]
        _OWN[id(antenna)] = [(p.phi, p.turn) for p in planes]
    return _OWN[id(antenna)]


def main(scans=100):
    print("parts held, in the named plane / in the plane found anew from the truth")
    print(f"{'antenna':12} {'error':11} {'how':8} {'width 0':>12} {'lobe 0':>12} {'width 90':>12} "
          f"{'lobe 90':>12}  planes")  # fmt: skip
    for name, make in ANTENNAS.items():
        antenna = make()
        for kind, (error, term) in BUDGETS.items():
            draws = 40 if kind == "noise" else 0
            rows = [held(antenna, error, term, seed=s, draws=draws) for s in range(scans)]
            part = 100 * np.mean([r[1] for r in rows], axis=0)
            planes = sorted({"; ".join(r[0]) for r in rows})
            cells = " ".join(f"{a:5.0f} /{b:5.0f}" for a, b in part.T)
            rms = " ".join(f"{x:.2f}" for x in np.sqrt(np.mean([r[2] ** 2 for r in rows], axis=0)))
            print(f"{name:12} {kind:11} {'draws' if draws else 'linear':8} {cells}  {planes} "
                  f"rms error/u {rms}", flush=True)  # fmt: skip


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
