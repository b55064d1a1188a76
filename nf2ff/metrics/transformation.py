"""From samples to a result: modes, far field, figures, and what to beware of."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.far_field import FarFieldBlocks, far_field_blocks
from nf2ff.antenna.modes import Modes, wavenumber
from nf2ff.kernel.interpolation import SAME_FREQUENCY
from nf2ff.measurement.probe import Probe, at_frequencies, keep_orders
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.messages.notice import Notice
from nf2ff.messages.result import ResultCode
from nf2ff.messages.solution import SolutionCode
from nf2ff.metrics.beam import Peak, peak
from nf2ff.metrics.gain_and_power import radiation_efficiency, total_efficiency
from nf2ff.metrics.planes import Plane, PlaneLike
from nf2ff.metrics.result import UNKNOWN, Powers, Quantity, Result
from nf2ff.metrics.summary import summarise, summary_planes
from nf2ff.solver.probe_share import neglected
from nf2ff.solver.solution import Solution, noise_gains
from nf2ff.solver.solve import LARGE_PROBE_ERROR, probe_error_warning, solve
from nf2ff.solver.strategy import Method
from nf2ff.solver.suspected_units import suspect_level

#: Steps of the far field to choose from [deg], all of which divide 180.
STEPS_DEG = (5.0, 2.0, 1.0, 0.5, 0.25, 0.1)
#: Values of the far field at most; 32 bytes each.
MAX_FAR_FIELD = 50_000_000
#: Power radiated over power put in from which there is a warning: 0.004 dB too much.
MAX_EFFICIENCY = 1.001
#: Noise gain from which there is a warning: 10 dB.
LARGE_NOISE_GAIN = 10.0
#: Power of noise over all from which a scan that lacks something says so: 0.1 dB.
NOTABLE_NOISE = 0.023
#: Level beside what was not seen, over the peak, from which the peak may be hidden: -10 dB.
HIDDEN_PEAK = 0.1


def transform_samples(
    samples: Samples,
    probe: Probe,
    *,
    degree: int | None = None,
    method: Method | None = None,
    minimum_radius: float | None = None,
    theta_step: int | None = None,
    phi_step: int | None = None,
    extrapolate_probe: bool = False,
    largest_order: int | None = None,
    rescale: Callable[[Modes], Modes] | None = None,
    powers: Powers = UNKNOWN,
    plane: PlaneLike = 0.0,
) -> Result:
    """Solve for the modes, and find the figures and the far field on a grid.

    Parameters
    ----------
    samples, probe, degree, method, minimum_radius
        As in `solve`.
    theta_step, phi_step : int, optional
        Number of far-field steps in 180 deg of theta and in 360 deg of phi; by default so many
        that the finest lobe of the degree has four, or as many as the memory allows.
    extrapolate_probe : bool
        Whether the probe may be used outside of its frequencies; there is a warning where it is.
    largest_order : int, optional
        Largest azimuthal order of the probe that is taken; what is neglected is warned of.
    rescale : callable, optional
        Changes the modes found: gives them their level, or another origin.
    powers : Powers
        Powers into the antenna's port.
    plane : float, str or Plane
        Plane of the first of the two cuts of the summary, as `metrics.planes.plane_of` has it.

    Returns
    -------
    Result
        Modes, far field (evaluated where it is asked for), figures, warnings and notes.

    Raises
    ------
    ValueError
        As `solve`; also if the modes found explain nothing of the responses, if the far field
        would hold too many values, or if a power is stated and the level is not known.
    """
    count = samples.frequency.size
    _far_field_steps(count, 1, theta_step, phi_step)  # too fine a step is refused before the work
    told: list[list[str]] = [[] for _ in range(count)]
    if extrapolate_probe:
        probe = _extrapolated(probe, samples.frequency, told)
    whole, probe = probe, limit_orders(probe, largest_order)
    solution = solve(samples, probe, degree=degree, method=method, minimum_radius=minimum_radius)
    _refuse_nonsense(solution)
    solution = tell_neglected(solution, samples, whole, probe)
    modes = solution.modes if rescale is None else rescale(solution.modes)
    t, p = _far_field_steps(count, modes.degree, theta_step, phi_step)
    found = far_field_blocks(modes, theta=np.pi * np.arange(t + 1) / t, phi=2 * np.pi * np.arange(p) / p)
    found = mark_trusted(samples, solution, found)
    gain, of_seen = noise_gains(solution, found, rng=0)
    top = peak(modes)
    planes = summary_planes(modes, top, plane, told)
    seen = peak_seen(samples, solution, top)
    quantities = (
        _solver_figures(solution, gain, of_seen)
        | beam_figures(modes, top)
        | summarise(modes, top, planes, found)
        | _gains(modes, top, powers)  # refuses powers that do not suit the data
        | _coverage_figures(samples, solution, found, seen)
    )
    _warn_of_gaps(solution, found, top, gain, seen, told)
    _warn_of_noise(solution, found, top, gain, of_seen, told)
    _warn_of_figures(quantities, solution, planes, told)
    _warn_of_powers(quantities, powers, told)
    if modes.reference == "absolute":
        told = [[*a, *b] for a, b in zip(told, suspect_level(modes.radiated_power(), top.eirp), strict=True)]
    warnings = tuple((*a, *b) for a, b in zip(told, solution.warnings, strict=True))
    notes = {"status": solution.status, "degree_reason": solution.degree_reason}
    return Result(modes, found, quantities, warnings, notes)


# --- the probe -----------------------------------------------------------------------------------


def limit_orders(probe: Probe, largest_order: int | None) -> Probe:
    """The probe with no azimuthal orders above ``largest_order``; itself if it has none."""
    if largest_order is None or probe.mu_max <= largest_order:
        return probe
    return keep_orders(probe, orders=range(-largest_order, largest_order + 1))


def tell_neglected(solution: Solution, samples: Samples, whole: Probe, limited: Probe) -> Solution:
    """The solution with a warning of what `limit_orders` left out of the responses."""
    if limited is whole:
        return solution
    known, taken = (at_frequencies(x, samples.frequency)[0] for x in (whole, limited))
    levels = neglected(samples, known, taken, solution.modes)
    about: dict[str, Any] = {"order": limited.mu_max, "radius": samples.nearest}
    warnings = tuple(
        (*sentences, ResultCode.ORDERS_NEGLECTED(level_db=level, **about))
        for sentences, level in zip(solution.warnings, levels, strict=True)
    )
    return replace(solution, warnings=warnings)


def _extrapolated(probe: Probe, frequency: NDArray[np.float64], told: list[list[str]]) -> Probe:
    """The probe, also at those frequencies that are outside of its own; says where."""
    if probe.frequency is None:
        return probe
    low, high = probe.frequency.min(), probe.frequency.max()
    outside = (frequency < low * (1 - SAME_FREQUENCY)) | (frequency > high * (1 + SAME_FREQUENCY))
    if not outside.any():
        return probe
    # All of them now, so that what lies outside has no part in the error of what lies between.
    found, error = at_frequencies(probe, frequency, extrapolate=True)
    for f, sentences in enumerate(told):
        if outside[f]:
            nearest = low if frequency[f] < low else high
            sentences.append(ResultCode.PROBE_EXTRAPOLATED(frequency_ghz=nearest / 1e9))
        elif not error[f] <= LARGE_PROBE_ERROR:
            sentences.append(probe_error_warning(float(error[f])))
    return found


# --- what was seen -------------------------------------------------------------------------------


def mark_trusted(samples: Samples, solution: Solution, found: FarFieldBlocks) -> FarFieldBlocks:
    """Mark the directions whose near field was seen, if some were not at some frequency."""
    if not solution.partial.any():
        return found
    t, p = np.meshgrid(found.theta, found.phi, indexing="ij")
    mark = np.ones((found.frequency.size, *t.shape), dtype=bool)
    for f in np.flatnonzero(solution.partial).tolist():
        mark[f] = trusted_directions(samples, solution, f, t, p)
    return replace(found, trusted=mark)


def trusted_directions(
    samples: Samples, solution: Solution, f: int, theta: ArrayLike, phi: ArrayLike
) -> NDArray[np.bool_]:
    """Whether the near field of directions was seen at a frequency where some was not."""
    coverage = solution.coverage[f]
    assert coverage is not None
    kr = float(wavenumber(samples.frequency[f])) * float(samples.place(f)[3].min())
    return coverage.trusted(theta=theta, phi=phi, degree=int(solution.degree[f]), kr=kr)


def peak_seen(samples: Samples, solution: Solution, top: Peak) -> NDArray[np.bool_]:
    """Whether the near field of the peak was seen, (F,)."""
    seen = np.ones(solution.partial.size, dtype=bool)
    for f in np.flatnonzero(solution.partial).tolist():
        here = slice(f, f + 1)
        seen[f] = trusted_directions(samples, solution, f, top.theta[here], top.phi[here])[0]
    return seen


# --- figures -------------------------------------------------------------------------------------


def _solver_figures(
    solution: Solution, gain: NDArray[np.float64], of_seen: NDArray[np.float64]
) -> dict[str, Quantity]:
    ratio = "mean square error of the far field over that of the samples, both relative"
    lacking = "1 where a part of the sphere lacks a component of the field"
    seen = {"noise_gain_seen": Quantity(of_seen, "1", f"{ratio}, of directions that were seen")}
    return (seen if solution.partial.any() else {}) | {
        "residual": Quantity(solution.residual, "1", "relative residual of the responses"),
        "iterations": Quantity(solution.iterations, "1", "steps of the iteration"),
        "noise_floor": Quantity(solution.noise_floor, "1", "relative rms noise of a sample"),
        "noise_gain": Quantity(gain, "1", ratio),
        "tail_db": Quantity(solution.tail_db, "dB", "power in the last two degrees relative to all"),
        "degree": Quantity(solution.degree, "1", "degree found"),
        "partial": Quantity(solution.partial.astype(int), "1", lacking),
    }


def beam_figures(modes: Modes, top: Peak) -> dict[str, Quantity]:
    """Direction and level of the peak, and the radiated power of absolute modes."""
    figures = {
        "peak_theta": Quantity(top.theta, "rad", "polar angle of the peak"),
        "peak_phi": Quantity(top.phi, "rad", "azimuth angle of the peak"),
        "peak_directivity": Quantity(top.directivity, "1", "peak directivity"),
    }
    if top.eirp is not None:
        figures["peak_eirp"] = Quantity(top.eirp, "W", "EIRP at the peak")
        figures["radiated_power"] = Quantity(modes.radiated_power(), "W", "total radiated power")
    return figures


def _gains(modes: Modes, top: Peak, powers: Powers) -> dict[str, Quantity]:
    """Efficiencies, and gain and realised gain at the peak, as far as powers are known."""
    figures = {}
    for name, share, power, efficiency in (
        ("gain", "radiation_efficiency", powers.accepted, radiation_efficiency),
        ("realised_gain", "total_efficiency", powers.incident, total_efficiency),
    ):
        if power is not None:
            values = efficiency(modes, input_power=power)
            figures[share] = Quantity(values, "1", share.replace("_", " "))
            words = f"{name.replace('_', ' ')} at the peak"
            figures[f"peak_{name}"] = Quantity(values * top.directivity, "1", words)
    return figures


def _coverage_figures(
    samples: Samples, solution: Solution, found: FarFieldBlocks, seen: NDArray[np.bool_]
) -> dict[str, Quantity]:
    present = samples.response.shape[1] - np.isnan(samples.response).sum(axis=1)
    pairs = list(zip(solution.coverage, solution.degree.tolist(), strict=True))
    unseen = [0.0 if x is None else x.unseen_solid_angle(degree) for x, degree in pairs]
    gaps = [math.nan if x is None else x.largest_gap() for x, _ in pairs]
    part = "part of the directions whose near field was seen"
    return {
        "samples": Quantity(present, "1", "number of samples"),
        "unseen": Quantity(np.array(unseen), "sr", "solid angle that lacks a component of the field"),
        "largest_gap": Quantity(np.array(gaps), "rad", "largest gap among the samples, NaN on a full grid"),
        "trusted_fraction": Quantity(found.trusted_fraction(), "1", part),
        "peak_seen": Quantity(seen.astype(int), "1", "1 where the near field of the peak was seen"),
    }


def _far_field_steps(
    frequencies: int, degree: int, theta_step: int | None, phi_step: int | None
) -> tuple[int, int]:
    """Numbers of far-field steps in theta and in phi, those not given chosen for the degree."""
    fine_enough = next((i for i, x in enumerate(STEPS_DEG) if x <= 90 / degree), -1)
    for step in STEPS_DEG[fine_enough::-1]:
        t = theta_step or round(180 / step)
        p = phi_step or (2 * t if theta_step else round(360 / step))
        values = frequencies * (t + 1) * p
        if values <= MAX_FAR_FIELD:
            return t, p
    raise InputError(
        f"the far field would have {t + 1} x {p} directions times {frequencies} frequencies, more "
        f"than {MAX_FAR_FIELD} in all",
        "use coarser steps or fewer frequencies",
    )


# --- warnings ------------------------------------------------------------------------------------


def _refuse_nonsense(solution: Solution) -> None:
    """Raise where no modes at all would have left a smaller residual."""
    bad = np.flatnonzero(~(solution.residual < 1))
    if bad.size:
        doubts = solution.doubts[bad[0]]
        first = f"{doubts[0]}; with these readings " if doubts else ""
        raise InputError(
            f"{first}the modes found do not explain the responses at "
            f"{solution.modes.frequency[bad[0]] / 1e9:.9g} GHz (residual "
            f"{solution.residual[bad[0]]:.2g})",
            "give a lower degree, and check positions and radius",
        )


def _warn_of_powers(quantities: Mapping[str, Quantity], powers: Powers, told: list[list[str]]) -> None:
    """Say where more power is radiated than was put in, by more than 0.1 %."""
    for name, power, kind in (
        ("radiation_efficiency", powers.accepted, "accepted"),
        ("total_efficiency", powers.incident, "incident"),
    ):
        if power is not None:
            for sentences, ratio in zip(told, quantities[name].values, strict=True):
                if ratio > MAX_EFFICIENCY:
                    sentences.append(ResultCode.TOO_MUCH_POWER(ratio=ratio, kind=kind, power=power))


def _warn_of_gaps(
    solution: Solution,
    found: FarFieldBlocks,
    top: Peak,
    gain: NDArray[np.float64],
    seen: NDArray[np.bool_],
    told: list[list[str]],
) -> None:
    """Say where the peak is, or may be, in what was not seen, and where noise is amplified."""
    damped = {f for part in solution.parts if part.damped for f in part.frequencies}
    doubts = doubts_of_peak(solution, found, top, seen)
    for f, sentences in enumerate(told):
        # Of damped solutions that was said.
        if gain[f] > LARGE_NOISE_GAIN and f not in damped:
            gain_db = 10 * math.log10(gain[f])
            sentences.append(ResultCode.NOISE_AMPLIFIED(gain_db=gain_db, degree=solution.degree[f]))
        sentences += doubts[f]


def _warn_of_noise(
    solution: Solution,
    found: FarFieldBlocks,
    top: Peak,
    gain: NDArray[np.float64],
    of_seen: NDArray[np.float64],
    told: list[list[str]],
) -> None:
    """Say what noise does to the figures of a scan that lacks something.

    Its far field adds its power to the whole, of which it is a part. At the peak it is that mean in the
    directions seen over the peak's level D, half of it in phase and half of that along the polarisation.
    """
    lacks = {SolutionCode.GAP, SolutionCode.UNDETERMINED, SolutionCode.LOWER_DEGREE}
    seen = found.trusted_fraction()
    for f, sentences in enumerate(told):
        share = min(0.99, gain[f] * solution.noise_floor[f] ** 2)
        if share >= NOTABLE_NOISE and any(getattr(x, "code", None) in lacks for x in solution.warnings[f]):
            here = of_seen[f] if seen[f] > 0 else gain[f]
            there = here * solution.noise_floor[f] ** 2 / (top.directivity[f] * (seen[f] or 1))
            db = {
                "power_db": -10 * math.log10(1 - share),
                "eirp_db": 20 / math.log(10) * math.sqrt(there) / 2,
            }
            sentences.append(ResultCode.NOISE_IN_POWER(**db))


def _warn_of_figures(
    quantities: Mapping[str, Quantity],
    solution: Solution,
    planes: Mapping[str, tuple[Plane, ...]],
    told: list[list[str]],
) -> None:
    """Say which figures hang on what was not seen."""
    # Of peaks that were not seen it was said.
    for f in np.flatnonzero(solution.partial & (quantities["peak_seen"].values > 0)).tolist():
        missing = [
            f"{words} ({planes[cut][f].name})"
            for name, words in (
                ("half_power_beamwidth", "half-power beamwidth"),
                ("first_sidelobe", "first sidelobe"),
                ("highest_sidelobe", "highest sidelobe"),
            )
            for cut in planes
            if math.isnan(quantities[f"{name}_{cut}"].values[f])
        ]
        missing += ["front-to-back ratio"] if math.isnan(quantities["front_to_back"].values[f]) else []
        if missing:
            left = any(not math.isnan(quantities[f"highest_sidelobe_{cut}"].values[f]) for cut in planes)
            rest = "; the highest sidelobe is that of what was seen" if left else ""
            told[f].append(ResultCode.FIGURES_NOT_SEEN(figures=", ".join(missing), rest=rest))


def doubts_of_peak(
    solution: Solution, found: FarFieldBlocks, top: Peak, seen: NDArray[np.bool_]
) -> list[list[Notice]]:
    """At each frequency, whether the peak was not ``seen``, or a higher one may not have been."""
    told: list[list[Notice]] = [[] for _ in seen]
    for f in np.flatnonzero(solution.partial).tolist():
        theta, phi = math.degrees(top.theta[f]), math.degrees(top.phi[f])
        # At a pole, to the digits shown, the azimuth is that of noise.
        phi = 0.0 if round(theta, 1) in (0.0, 180.0) else round(phi, 1) % 360
        told[f] = _doubts_of_one(found, f, bool(seen[f]), {"theta_deg": theta, "phi_deg": phi})
    return told


def _doubts_of_one(found: FarFieldBlocks, f: int, seen: bool, place: dict[str, float]) -> list[Notice]:
    if not seen:
        return [ResultCode.PEAK_NOT_SEEN(**place)]
    assert found.trusted is not None
    hidden = ~found.trusted[f]
    field = found.at(f)
    u = np.abs(field.e_theta[0]) ** 2 + np.abs(field.e_phi[0]) ** 2
    if not hidden.any() or not u[~hidden].any():
        return []
    level = float(u[hidden].max() / u.max())
    if level <= HIDDEN_PEAK:
        return []
    return [ResultCode.PEAK_NOT_HIGHEST(below_db=-10 * math.log10(level), **place)]
