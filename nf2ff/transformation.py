"""One scan transformed: solution, far field and peak, and what is said of them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from nf2ff import io
from nf2ff.beam import Peak, peak
from nf2ff.farfield import FarField, far_field
from nf2ff.probe import Probe
from nf2ff.samples import Samples
from nf2ff.solve import Method, Solution, solve

#: Steps of the far field to choose from [deg], all of which divide 180.
STEPS_DEG = (5.0, 2.0, 1.0, 0.5, 0.25, 0.1)
#: Values of the far field at most; 32 bytes each.
LARGEST_FAR_FIELD = 50_000_000
#: Samples whose chi differ by less are of one polarisation [rad].
SAME_CHI = math.radians(1.0)


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """What became of a scan."""

    solution: Solution
    far_field: FarField
    peak: Peak

    def write(self, path: Path, *, provenance: Mapping[str, str], overwrite: bool) -> None:
        """Write modes, far field and figures as a native result file."""
        s = self.solution
        scalars: dict[str, tuple[Any, str, str]] = {
            "residual": (s.residual, "1", "relative residual of the responses"),
            "iterations": (s.iterations, "1", "steps of the iteration"),
            "tail_db": (s.tail_db, "dB", "power in the last two degrees relative to all"),
            "peak_theta": (self.peak.theta, "rad", "polar angle of the peak"),
            "peak_phi": (self.peak.phi, "rad", "azimuth angle of the peak"),
            "peak_directivity": (self.peak.directivity, "1", "peak directivity"),
        }
        if self.peak.eirp is not None:
            scalars["peak_eirp"] = (self.peak.eirp, "W", "EIRP at the peak")
            scalars["radiated_power"] = (s.modes.radiated_power(), "W", "total radiated power")
        io.write_result(
            path,
            modes=s.modes,
            far_field=self.far_field,
            scalars=scalars,
            warnings=s.warnings,
            notes={"status": s.status, "degree_reason": s.degree_reason},
            provenance=provenance,
            overwrite=overwrite,
        )


def transform_samples(
    samples: Samples,
    probe: Probe,
    *,
    degree: int | None = None,
    method: Method | None = None,
    minimum_radius: float | None = None,
    theta_step: int | None = None,
    phi_step: int | None = None,
) -> Outcome:
    """Solve for the modes, evaluate the far field on a grid and find the peak.

    Parameters
    ----------
    samples, probe, degree, method, minimum_radius
        As in `solve`.
    theta_step, phi_step : int, optional
        Number of far-field steps in 180 deg of theta and in 360 deg of phi; by default so many
        that the finest lobe of the degree has four, or as many as the memory allows.

    Raises
    ------
    ValueError
        As `solve`; also if all samples are of one polarisation, if the modes found explain
        nothing of the responses, or if the far field would hold too many values.
    """
    _refuse_one_polarisation(samples)
    count = samples.frequency.size
    _far_field_steps(count, 1, theta_step, phi_step)  # too fine a step is refused before the work
    solution = solve(samples, probe, degree=degree, method=method, minimum_radius=minimum_radius)
    _refuse_nonsense(solution)
    t, p = _far_field_steps(count, solution.modes.degree, theta_step, phi_step)
    field = far_field(
        solution.modes,
        theta=np.pi * np.arange(t + 1) / t,
        phi=2 * np.pi * np.arange(p) / p,
    )
    return Outcome(solution, field, peak(solution.modes))


def _far_field_steps(
    frequencies: int, degree: int, theta_step: int | None, phi_step: int | None
) -> tuple[int, int]:
    """Numbers of far-field steps in theta and in phi, those not given chosen for the degree."""
    fine_enough = next((i for i, x in enumerate(STEPS_DEG) if x <= 90 / degree), -1)
    for step in STEPS_DEG[fine_enough::-1]:
        t = theta_step or round(180 / step)
        p = phi_step or (2 * t if theta_step else round(360 / step))
        values = frequencies * (t + 1) * p
        if values <= LARGEST_FAR_FIELD:
            return t, p
    msg = (
        f"the far field would have {t + 1} x {p} directions times {frequencies} frequencies, more "
        f"than {LARGEST_FAR_FIELD} in all: use coarser steps or fewer frequencies"
    )
    raise ValueError(msg)


def _refuse_one_polarisation(samples: Samples) -> None:
    """Raise if one port took all samples of a frequency at one chi.

    Whatever its direction, one component of the field is silent on half of the modes m = 0, and
    least squares would put nothing there without a word.
    """
    for f, frequency in enumerate(samples.frequency):
        part = samples.at_frequency(f)
        apart = np.abs(np.sin(part.chi - part.chi[0]))
        if part.port.min() == part.port.max() and apart.max() < SAME_CHI:
            mixed = " (two frequencies mixed in one grid?)" if samples.frequency.size > 1 else ""
            msg = (
                f"all samples at {frequency / 1e9:.9g} GHz have chi = "
                f"{math.degrees(part.chi[0]):.6g} deg{mixed}: a second polarisation, chi 90 deg "
                "from it, is needed at each frequency"
            )
            raise ValueError(msg)


def _refuse_nonsense(solution: Solution) -> None:
    """Raise where no modes at all would have left a smaller residual."""
    bad = np.flatnonzero(~(solution.residual < 1))
    if bad.size:
        msg = (
            f"the modes found do not explain the responses at "
            f"{solution.modes.frequency[bad[0]] / 1e9:.9g} GHz (residual "
            f"{solution.residual[bad[0]]:.2g}): give a lower degree, and check positions and radius"
        )
        raise ValueError(msg)


def report(samples: Samples, outcome: Outcome) -> list[dict[str, Any]]:
    """Figures of each frequency in degrees, dBi, dBm and watts, ready for JSON."""
    s, top = outcome.solution, outcome.peak
    absolute = s.modes.reference == "absolute"
    power = s.modes.radiated_power()
    present = samples.response.shape[1] - np.isnan(samples.response).sum(axis=1)
    facts = []
    for f, frequency in enumerate(samples.frequency):
        beam: dict[str, float] = {
            "theta_deg": math.degrees(top.theta[f]),
            "phi_deg": math.degrees(top.phi[f]),
            "directivity_dbi": 10 * math.log10(top.directivity[f]),
        }
        if absolute and top.eirp is not None:
            beam["eirp_dbm"] = 10 * math.log10(top.eirp[f] / 1e-3)
        facts.append(
            {
                "frequency_hz": float(frequency),
                "degree": s.modes.degree,
                "degree_reason": s.degree_reason,
                "samples": int(present[f]),
                "iterations": int(s.iterations[f]),
                "residual": float(s.residual[f]),
                "tail_db": float(s.tail_db[f]) if math.isfinite(s.tail_db[f]) else None,
                "peak": beam,
                "radiated_power_w": float(power[f]) if absolute else None,
                "warnings": list(s.warnings[f]),
            }
        )
    return facts
