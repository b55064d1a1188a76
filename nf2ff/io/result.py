"""The result of a transformation, as a native file."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from nf2ff.io import native
from nf2ff.io.safe import PathLike
from nf2ff.metrics.result import Outcome


def write_outcome(
    outcome: Outcome, path: PathLike, *, provenance: Mapping[str, str], overwrite: bool
) -> None:
    """Write modes, far field and figures as a native result file."""
    s = outcome.solution
    scalars: dict[str, tuple[Any, str, str]] = {
        "residual": (s.residual, "1", "relative residual of the responses"),
        "iterations": (s.iterations, "1", "steps of the iteration"),
        "noise_floor": (s.noise_floor, "1", "relative rms noise of a sample"),
        "noise_gain": (
            outcome.noise_gain,
            "1",
            "mean square error of the far field over that of the samples, both relative",
        ),
        "tail_db": (s.tail_db, "dB", "power in the last two degrees relative to all"),
        "degree": (s.degree, "1", "degree found"),
        "partial": (
            s.partial.astype(int),
            "1",
            "1 where a part of the sphere lacks a component of the field",
        ),
        "peak_theta": (outcome.peak.theta, "rad", "polar angle of the peak"),
        "peak_phi": (outcome.peak.phi, "rad", "azimuth angle of the peak"),
        "peak_directivity": (outcome.peak.directivity, "1", "peak directivity"),
    }
    if outcome.peak.eirp is not None:
        scalars["peak_eirp"] = (outcome.peak.eirp, "W", "EIRP at the peak")
        scalars["radiated_power"] = (s.modes.radiated_power(), "W", "total radiated power")
    scalars |= outcome.summary
    for name, values in outcome.gains().items():
        words = name.replace("_", " ") + (" at the peak" if "gain" in name else "")
        scalars[name if "eff" in name else f"peak_{name}"] = (values, "1", words)
    native.write_result(
        path,
        modes=s.modes,
        far_field=outcome.far_field,
        scalars=scalars,
        warnings=s.warnings,
        notes={"status": s.status, "degree_reason": s.degree_reason},
        provenance=provenance,
        overwrite=overwrite,
    )
