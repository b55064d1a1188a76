"""The result of a transformation in degrees, dBi, dBm and watts, ready for JSON."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from nf2ff.measurement.samples import Samples
from nf2ff.metrics.planes import Plane
from nf2ff.metrics.result import Outcome, peak_seen
from nf2ff.metrics.summary import FigureValues

SENSES = {1: "right-hand", -1: "left-hand", 0: "linear"}


def summary_facts(summary: Mapping[str, FigureValues], index: int) -> dict[str, Any]:
    """Figures of one frequency in deg and dB, ready for JSON; None where there is none."""
    facts: dict[str, Any] = {}
    for name, (values, units, _) in summary.items():
        value = float(values[index])
        if name == "sense":
            facts[name] = SENSES[round(value)]
        elif name.startswith("plane_"):
            facts[f"{name}_deg"] = round(math.degrees(value), 6)
            if name.endswith("_turn"):
                cut = name.removesuffix("_turn")
                azimuth = float(summary[f"{cut}_azimuth"].values[index])
                facts[cut] = Plane(azimuth, value).name
        elif units == "rad":
            facts[f"{name}_deg"] = math.degrees(value) if math.isfinite(value) else None
        elif name == "axial_ratio":
            facts["axial_ratio_db"] = 20 * math.log10(value) if math.isfinite(value) else None
        elif name in ("upper_hemisphere",) or name.startswith("near_horizon"):
            key = name if name == "upper_hemisphere" else f"{name}_deg"
            facts[f"{key}_fraction"] = value
        else:
            level = value > 0 and math.isfinite(value)
            facts[f"{name}_db"] = 10 * math.log10(value) if level else None
    return facts


def report(samples: Samples, outcome: Outcome) -> list[dict[str, Any]]:
    """Figures of each frequency in degrees, dBi, dBm and watts, ready for JSON."""
    s, top = outcome.solution, outcome.peak
    absolute = s.modes.reference == "absolute"
    power = s.modes.radiated_power()
    gains = outcome.gains()
    partial, trusted = s.partial, outcome.far_field.trusted_fraction()
    peaks = peak_seen(samples, s, top)
    present = samples.response.shape[1] - np.isnan(samples.response).sum(axis=1)
    facts = []
    for f, frequency in enumerate(samples.frequency):
        seen = s.coverage[f]
        beam: dict[str, Any] = {
            "seen": bool(peaks[f]),
            "theta_deg": math.degrees(top.theta[f]),
            "phi_deg": math.degrees(top.phi[f]),
            "directivity_dbi": 10 * math.log10(top.directivity[f]),
        }
        if absolute and top.eirp is not None:
            beam["eirp_dbm"] = 10 * math.log10(top.eirp[f] / 1e-3)
        for name in ("gain", "realised_gain"):
            if name in gains:
                beam[f"{name}_dbi"] = 10 * math.log10(gains[name][f])
        shares = {name: float(x[f]) for name, x in gains.items() if "efficiency" in name}
        facts.append(
            {
                "frequency_hz": float(frequency),
                "degree": int(s.degree[f]),
                "degree_reason": s.degree_reason,
                "samples": int(present[f]),
                "iterations": int(s.iterations[f]),
                "residual": float(s.residual[f]),
                "tail_db": float(s.tail_db[f]) if math.isfinite(s.tail_db[f]) else None,
                "noise_floor_db": _db(20, s.noise_floor[f]),
                "noise_gain_db": _db(10, outcome.noise_gain[f]),
                "unseen_sr": 0.0 if seen is None else seen.unseen_solid_angle(int(s.degree[f])),
                "largest_gap_deg": None if seen is None else math.degrees(seen.largest_gap()),
                "trusted_fraction": float(trusted[f]),
                "partial": bool(partial[f]),
                "peak": beam,
                "radiated_power_w": float(power[f]) if absolute else None,
                **shares,
                **summary_facts(outcome.summary, f),
                "warnings": list(s.warnings[f]),
            }
        )
    return facts


def _db(factor: int, ratio: float) -> float | None:
    """Level of a ratio in dB, None where there is none."""
    return factor * math.log10(ratio) if ratio > 0 and math.isfinite(ratio) else None
