"""One scan transformed: solution, far field and peak, and what is said of them."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.far_field import FarField, far_field
from nf2ff.antenna.modes import Modes, wavenumber
from nf2ff.kernel.interpolation import SAME_FREQUENCY
from nf2ff.measurement.probe import Probe, at_frequencies, keep_orders
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.beam import Peak, peak
from nf2ff.metrics.level import radiation_efficiency, total_efficiency
from nf2ff.metrics.planes import PlaneLike
from nf2ff.metrics.summary import FigureValues, summarise, summary_planes
from nf2ff.solver.degree import neglected
from nf2ff.solver.problem import Method
from nf2ff.solver.solution import Solution, noise_gain
from nf2ff.solver.solve import LARGE_PROBE_ERROR, probe_error_sentence, solve
from nf2ff.solver.suspected_units import suspect_level

#: Steps of the far field to choose from [deg], all of which divide 180.
STEPS_DEG = (5.0, 2.0, 1.0, 0.5, 0.25, 0.1)
#: Values of the far field at most; 32 bytes each.
MAX_FAR_FIELD = 50_000_000
#: Power radiated over power put in from which there is a warning: 0.004 dB too much.
MAX_EFFICIENCY = 1.001
#: Noise gain from which there is a warning: 10 dB.
LARGE_NOISE_GAIN = 10.0
#: Level beside what was not seen, over the peak, from which the peak may be hidden: -10 dB.
HIDDEN_PEAK = 0.1


class Powers(NamedTuple):
    """Power into the antenna's port, where it is known [W]."""

    incident: float | None = None
    accepted: float | None = None


UNKNOWN = Powers()


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """What became of a scan."""

    solution: Solution
    far_field: FarField
    peak: Peak
    noise_gain: NDArray[np.float64]
    summary: Mapping[str, FigureValues]
    powers: Powers = UNKNOWN

    def gains(self) -> dict[str, NDArray[np.float64]]:
        """Gain and realised gain at the peak, and efficiencies, (F,), as far as powers are known.

        Raises
        ------
        ValueError
            If a power is stated, but the level of the modes is only relative.
        """
        found = {}
        modes = self.solution.modes
        for name, share, power, efficiency in (
            ("gain", "radiation_efficiency", self.powers.accepted, radiation_efficiency),
            ("realised_gain", "total_efficiency", self.powers.incident, total_efficiency),
        ):
            if power is not None:
                found[share] = efficiency(modes, input_power=power)
                found[name] = found[share] * self.peak.directivity
        return found

    def with_warnings(self, more: Sequence[str]) -> Outcome:
        """The same with sentences that hold at each frequency before the others."""
        warnings = tuple((*more, *some) for some in self.solution.warnings)
        return replace(self, solution=replace(self.solution, warnings=warnings))


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
) -> Outcome:
    """Solve for the modes, evaluate the far field on a grid and find the peak.

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
        Gives the modes found their level.
    powers : Powers
        Powers into the antenna's port.
    plane : float, str or Plane
        Plane of the first of the two cuts of the summary, as `metrics.planes.plane_of` has it.

    Raises
    ------
    ValueError
        As `solve`; also if the modes found explain nothing of the responses, if the far field
        would hold too many values, or if a power is stated and the level is not known.
    """
    count = samples.frequency.size
    _far_field_steps(count, 1, theta_step, phi_step)  # too fine a step is refused before the work
    further: list[list[str]] = [[] for _ in range(count)]
    if extrapolate_probe:
        probe, further = _extrapolated(probe, samples.frequency)
    whole, probe = probe, limit_orders(probe, largest_order)
    solution = solve(samples, probe, degree=degree, method=method, minimum_radius=minimum_radius)
    _refuse_nonsense(solution)
    solution = tell_neglected(solution, samples, whole, probe)
    gain = noise_gain(solution, rng=0)
    if rescale is not None:
        solution = replace(solution, modes=rescale(solution.modes))
    t, p = _far_field_steps(count, solution.modes.degree, theta_step, phi_step)
    field = far_field(solution.modes, theta=np.pi * np.arange(t + 1) / t, phi=2 * np.pi * np.arange(p) / p)
    field = _mark_trusted(samples, solution, field)
    top = peak(solution.modes)
    planes, sentences = summary_planes(solution.modes, top, plane)
    further = [[*a, *b] for a, b in zip(further, sentences, strict=True)]
    summary = summarise(solution.modes, top, planes)
    outcome = Outcome(solution, field, top, gain, summary, powers)
    _warn_of_gaps(outcome, samples, further)
    # Powers that do not suit the data are refused now, before anything is written.
    _warn_of_powers(outcome, further)
    if solution.modes.reference == "absolute":
        levels = suspect_level(solution.modes.radiated_power(), top.eirp)
        further = [a + b for a, b in zip(further, levels, strict=True)]
    warnings = tuple((*a, *b) for a, b in zip(further, solution.warnings, strict=True))
    return replace(outcome, solution=replace(solution, warnings=warnings))


def limit_orders(probe: Probe, largest_order: int | None) -> Probe:
    """The probe with no azimuthal orders above ``largest_order``; itself if it has none."""
    if largest_order is None or probe.mu_max <= largest_order:
        return probe
    return keep_orders(probe, orders=range(-largest_order, largest_order + 1))


def tell_neglected(solution: Solution, samples: Samples, whole: Probe, limited: Probe) -> Solution:
    """The solution with a warning of what `limit_orders` left out of the responses.

    Parameters
    ----------
    solution : Solution
        By the probe of few orders.
    samples : Samples
        What it was found from.
    whole, limited : Probe
        The probe with all orders and with few, known at the frequencies of the samples.
    """
    if limited is whole:
        return solution
    known, taken = (at_frequencies(x, samples.frequency)[0] for x in (whole, limited))
    levels = neglected(samples, known, taken, solution.modes)
    warnings = tuple(
        (
            *sentences,
            f"the probe's azimuthal orders above {limited.mu_max} were neglected, as asked: they "
            f"carry {level:.1f} dB of its response at {samples.radius.min():.6g} m",
        )
        for sentences, level in zip(solution.warnings, levels, strict=True)
    )
    return replace(solution, warnings=warnings)


def _extrapolated(probe: Probe, frequency: NDArray[np.float64]) -> tuple[Probe, list[list[str]]]:
    """The probe, also at those frequencies that are outside of its own, and sentences on them."""
    further: list[list[str]] = [[] for _ in frequency]
    if probe.frequency is None:
        return probe, further
    low, high = probe.frequency.min(), probe.frequency.max()
    outside = (frequency < low * (1 - SAME_FREQUENCY)) | (frequency > high * (1 + SAME_FREQUENCY))
    if not outside.any():
        return probe, further
    for i in np.flatnonzero(outside):
        nearest = low if frequency[i] < low else high
        further[i].append(
            f"the probe was extrapolated from {nearest / 1e9:.9g} GHz, as asked: its error there is not known"
        )
    # All of them now, so that what lies outside has no part in the error of what lies between.
    found, error = at_frequencies(probe, frequency, extrapolate=True)
    for i in np.flatnonzero(~outside & ~(error <= LARGE_PROBE_ERROR)):
        further[i].append(probe_error_sentence(float(error[i])))
    return found, further


def _warn_of_powers(outcome: Outcome, further: list[list[str]]) -> None:
    """Say where more power is radiated than was put in, by more than 0.1 %."""
    gains = outcome.gains()
    for name, power, what in (
        ("radiation_efficiency", outcome.powers.accepted, "accepted"),
        ("total_efficiency", outcome.powers.incident, "incident"),
    ):
        for sentences, share in zip(further, gains.get(name, ()), strict=False):
            if share > MAX_EFFICIENCY:
                sentences.append(
                    f"{share:.4g} times the {what} power of {power:.6g} W is radiated: check the "
                    "level and the power stated"
                )


def _mark_trusted(samples: Samples, solution: Solution, field: FarField) -> FarField:
    """Mark the directions whose near field was seen, if some were not at some frequency."""
    if not solution.partial.any():
        return field
    t, p = np.meshgrid(field.theta, field.phi, indexing="ij")
    mark = np.ones(field.e_theta.shape, dtype=bool)
    for f in np.flatnonzero(solution.partial).tolist():
        mark[f] = trusted_directions(samples, solution, f, t, p)
    return replace(field, trusted=mark)


def trusted_directions(
    samples: Samples, solution: Solution, f: int, theta: ArrayLike, phi: ArrayLike
) -> NDArray[np.bool_]:
    """Whether the near field of directions was seen at a frequency where some was not."""
    coverage = solution.coverage[f]
    assert coverage is not None
    radius = samples.radius[f] if samples.radius.ndim == 2 else samples.radius
    kr = float(wavenumber(samples.frequency[f])) * float(radius.min())
    return coverage.trusted(theta=theta, phi=phi, degree=int(solution.degree[f]), kr=kr)


def peak_seen(samples: Samples, solution: Solution, top: Peak) -> NDArray[np.bool_]:
    """Whether the near field of the peak was seen, (F,)."""
    seen = np.ones(solution.partial.size, dtype=bool)
    for f in np.flatnonzero(solution.partial).tolist():
        here = slice(f, f + 1)
        seen[f] = trusted_directions(samples, solution, f, top.theta[here], top.phi[here])[0]
    return seen


def _warn_of_gaps(outcome: Outcome, samples: Samples, further: list[list[str]]) -> None:
    """Say where the peak is, or may be, in what was not seen, and where noise is amplified."""
    solution, field, top = outcome.solution, outcome.far_field, outcome.peak
    damped = {f for part in solution.parts if part.damped for f in part.frequencies}
    seen = peak_seen(samples, solution, top)
    for f, sentences in enumerate(further):
        # Of damped solutions that was said.
        if outcome.noise_gain[f] > LARGE_NOISE_GAIN and f not in damped:
            gain = 10 * math.log10(outcome.noise_gain[f])
            sentences.append(
                f"the noise of the samples is {gain:.0f} dB stronger in the far field: they hardly "
                f"determine all waves of degree {solution.degree[f]}; measure what is missing, or "
                "lower the degree"
            )
        if not solution.partial[f]:
            continue
        assert field.trusted is not None
        place = f"theta {math.degrees(top.theta[f]):.1f} deg, phi {math.degrees(top.phi[f]):.1f} deg"
        if not seen[f]:
            sentences.append(
                f"the peak found ({place}) lies in or beside what was not measured, where the far "
                "field is not to be trusted: its direction, EIRP, gain and lobes are not known"
            )
            continue
        hidden = ~field.trusted[f]
        u = np.abs(field.e_theta[f]) ** 2 + np.abs(field.e_phi[f]) ** 2
        if not hidden.any() or not u[~hidden].any():
            continue
        level = float(u[hidden].max() / u.max())
        if level > HIDDEN_PEAK:
            sentences.append(
                f"the peak found ({place}) may not be the highest: at the edge of what was not "
                f"measured the field is only {-10 * math.log10(level):.0f} dB below it"
            )


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
