"""From samples to modes."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes, mode_count
from nf2ff.kernel import spin
from nf2ff.measurement.probe import Probe, at_frequencies, keep_orders
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.messages.notice import Notice
from nf2ff.messages.solution import SolutionCode
from nf2ff.solver import degree as degrees
from nf2ff.solver import gaps, methods, model_agreement, spectrum
from nf2ff.solver.coverage import Coverage, coverage_of
from nf2ff.solver.line_phases import naming_jumps
from nf2ff.solver.methods import Estimate
from nf2ff.solver.positions import plan_geometry
from nf2ff.solver.probe_share import judge_probe, neglected
from nf2ff.solver.problem import Problem
from nf2ff.solver.rank import refuse_few_directions
from nf2ff.solver.regular_grid import GridScan, NotAGridError, recognise_grid
from nf2ff.solver.requirements import (
    check_mixture,
    check_polarisations,
    check_radius,
    check_reference,
    check_units,
)
from nf2ff.solver.solution import Part, Solution, join
from nf2ff.solver.strategy import Direct, LeastSquares, Method, Quadrature
from nf2ff.solver.suspected_units import check_angles, suspect_lengths, suspect_waves
from nf2ff.solver.whiteness import Remainder, remainder

#: Estimated relative error of an interpolated probe from which there is a warning.
LARGE_PROBE_ERROR = 1e-3
#: Residual from which noise alone is a poor explanation: it is as likely that the model is wrong.
NO_MODEL = 0.7
ALL = slice(None)


def solve(
    samples: Samples,
    probe: Probe,
    *,
    degree: int | None = None,
    method: Method | None = None,
    minimum_radius: float | None = None,
) -> Solution:
    """Spherical modes of an antenna from samples of its near field.

    Parameters
    ----------
    samples : Samples
        Responses and positions.
    probe : Probe
        The probe that took them.
    degree : int, optional
        Degree N. Otherwise from ``minimum_radius`` if given, else from the sampling, the radius
        and the mode power spectrum.
    method : Quadrature, LeastSquares or Direct, optional
        Otherwise Quadrature where the samples are a full grid that supports the degree.
    minimum_radius : float, optional
        Radius r0 of the smallest sphere about the origin that holds the antenna [m].

    Returns
    -------
    Solution

    Raises
    ------
    ValueError
        If the samples are fewer than the unknowns or do not determine them, too coarse for the antenna,
        inside its reactive zone or its minimum sphere, or of another unit than the probe; if less than a
        quarter of the sphere was measured; or if the probe has waves that none of its size has,
        and they make most of the response.

    Notes
    -----
    Frequencies at which the same samples are there are solved together, others by themselves: a
    sample missing at one frequency changes nothing at another.
    """
    degree = None if degree is None else degrees.whole(degree)
    check_reference(samples)
    check_units(samples, probe)
    check_angles(samples)
    check_radius(samples, minimum_radius, probe)
    whole, probe, probe_error = _known_probe(samples, probe, method)
    check_mixture(samples)
    found = []
    groups = _alike(samples)
    for frequencies, which in groups:
        whole_scan = len(groups) == 1 and which is ALL and not samples.moving
        part = samples if whole_scan else samples.part(frequencies, which)
        try:
            attempted = _attempts(part, probe, degree, method, minimum_radius)
        except InputError as error:
            if len(groups) > 1:
                error.remedy = "; or ".join(x for x in (error.remedy, "leave that frequency out") if x)
                error.within(f"{samples.frequency[frequencies[0]] / 1e9:.9g} GHz")
            raise
        found += [_judge(one, tuple(frequencies[i] for i in some), which, whole) for some, one in attempted]
    solution = found[0] if len(found) == 1 else join(found, samples)
    warnings = tuple(
        some if error <= LARGE_PROBE_ERROR else (*some, probe_error_warning(error))
        for some, error in zip(solution.warnings, probe_error.tolist(), strict=True)
    )
    return replace(solution, warnings=warnings, samples=samples)


def prepare(samples: Samples, probe: Probe, *, degree: int, method: Method | None = None) -> Problem:
    """Prepare the solution for many responses at the positions of ``samples``.

    Parameters
    ----------
    samples, probe, degree, method
        As in `solve`, which also judges positions and result.

    Returns
    -------
    Problem
        With ``modes(response)`` for responses (F, M).

    Raises
    ------
    ValueError
        As `solve`, where the samples are not fit at all.
    """
    degree = degrees.whole(degree)
    check_reference(samples)
    check_units(samples, probe)
    _, probe, _ = _known_probe(samples, probe, method)
    scan = _find_grid(samples, probe, method)
    limit = degrees.count_limit(samples)
    if degree > limit:
        raise InputError(f"degree {degree} is not within 1 ... {limit}, the samples'")
    if method is None:
        fits = scan is not None and degree <= scan.grid.degree
        method = Quadrature() if fits else LeastSquares()
    if isinstance(method, Quadrature) and scan is not None and degree > scan.grid.degree:
        what = f"the grid determines degree {scan.grid.degree}, not {degree}"
        raise InputError(what, "use LeastSquares", option="--method least-squares")
    return Problem(samples, probe, degree, method, scan)


def probe_error_warning(error: float) -> Notice:
    """Warning of a probe interpolated with that relative error, NaN if it is not known."""
    if math.isnan(error):
        return SolutionCode.PROBE_UNVERIFIED()
    return SolutionCode.PROBE_INTERPOLATED(change_db=20 * math.log10(error))


def _known_probe(
    samples: Samples, probe: Probe, method: Method | None
) -> tuple[Probe, Probe, NDArray[np.float64]]:
    """The probe at the frequencies of samples it can take, with all orders and with those that the
    method takes, and the error of its interpolation (F,)."""
    probe.check_port(samples.ports()[-1])
    check_polarisations(samples, probe)
    whole, error = at_frequencies(probe, samples.frequency)
    first_order = getattr(method, "first_order", False)
    return whole, keep_orders(whole, orders=(-1, 1)) if first_order else whole, error


def _alike(samples: Samples) -> list[tuple[tuple[int, ...], slice | NDArray[np.bool_]]]:
    """Frequencies at which the same samples are there at the same positions, and which samples."""
    count = samples.frequency.size
    if not (samples.moving or samples.any_missing):
        return [(tuple(range(count)), ALL)]
    groups: dict[int | bytes, list[int]] = {}
    for f in range(count):
        groups.setdefault(f if samples.moving else np.isnan(samples.response[f]).tobytes(), []).append(f)
    found: list[tuple[tuple[int, ...], slice | NDArray[np.bool_]]] = []
    for some in groups.values():
        present = ~np.isnan(samples.response[some[0]])
        found.append((tuple(some), ALL if present.all() else present))
    return found


class _Attempted(NamedTuple):
    """Modes of frequencies with the same samples, none missing, and how they came about."""

    found: gaps.Attempt
    #: The degree of the modes, those above what the grid determines being zero.
    degree: int
    #: Why this degree was taken.
    reasons: list[str]
    #: Whether the degree was left to the program.
    automatic: bool
    floor: spectrum.Floor | None
    coverage: Coverage | None
    threads: int
    #: Frequencies that are to be solved together.
    alike: list[list[int]]


def _attempts(
    samples: Samples, probe: Probe, degree: int | None, method: Method | None, minimum_radius: float | None
) -> list[tuple[list[int], _Attempted]]:
    """The same of frequencies that may be solved together, with which these are."""
    first = _attempt(samples, probe, degree, method, minimum_radius, apart=True)
    if len(first.alike) == 1:
        return [(first.alike[0], first)]
    given = (probe, degree, method, minimum_radius)
    return [(some, _attempt(samples.part(some), *given)) for some in first.alike]


def _attempt(
    samples: Samples,
    probe: Probe,
    degree: int | None,
    method: Method | None,
    minimum_radius: float | None,
    *,
    apart: bool = False,
) -> _Attempted:
    """Choose degree and method, and solve; no further where frequencies are to be solved ``apart``."""
    threads = spin.thread_count(getattr(method, "threads", None))
    scan = _find_grid(samples, probe, method)
    limit = degrees.count_limit(samples)
    grid_degree, coverage, ahead = 0, None, None
    if scan is not None:
        grid_degree = min(scan.grid.degree, limit)
        limit = min(degrees.sampled_degree(scan.grid), limit)
        if degree is not None and grid_degree:
            # The customary steps pi/N and 2 pi / 2N determine degree N - 1: N is left zero.
            limit = max(limit, grid_degree + 1)
    else:
        look = partial(samples.once, coverage_of, probe, max(1, degree or limit), degree is None, threads)
        if degree is None or degree > limit or isinstance(method, Direct):
            coverage = look()
        else:
            ahead = Problem(samples, probe, degree, method or LeastSquares())
            samples.once(plan_geometry)  # for both
            jobs: list[Callable[[], Any]] = [look, partial(ahead.fields, 0)]
            coverage = spin.run(jobs, threads)[0]
        if degree is None:
            limit = degrees.scattered_limit(samples, coverage)
    chosen, reason = degrees.choose_degree(samples, degree, limit, minimum_radius)
    reasons = [reason]
    settled, notes = _settle(method, scan, coverage, chosen, grid_degree)
    quadrature = isinstance(settled, Quadrature)
    if quadrature and chosen == grid_degree + 1:
        reasons.append(f"the grid determines degree {grid_degree}, degree {chosen} is left zero")
    if ahead is None:
        prepared = Problem(samples, probe, min(chosen, grid_degree) if quadrature else chosen, settled, scan)
    else:
        prepared = ahead if settled == ahead.method else ahead.on_threads(settled)
    if coverage is not None and not coverage.unseen(chosen).any():
        refuse_few_directions(prepared)
    automatic = degree is None and minimum_radius is None
    free = method is None or (isinstance(method, LeastSquares) and method.damping is None)
    found = gaps.attempt(prepared, coverage, free=free, notes=notes)
    alike = gaps.alike_in_noise(found) if apart else [list(range(samples.frequency.size))]
    if not automatic or len(alike) > 1:
        return _Attempted(found, chosen, reasons, automatic, None, coverage, threads, alike)
    bridged = least = False
    if free and found.doubtful and coverage is not None:
        lower, bridged = gaps.smaller_degree(found, coverage, method)
        if bridged:
            reasons = _instead(reasons, "what the samples determine everywhere", chosen)
            prepared = replace(found.prepared, degree=lower, method=method or LeastSquares())
            found = gaps.attempt(prepared, None, free=False, notes=[])
        elif lower < chosen:
            least = True
            reasons = _instead(reasons, "the least that explains the samples", chosen)
            settled, notes = _settle(method, scan, coverage, lower, grid_degree, damping=gaps.LEAST_DAMPING)
            prepared = replace(found.prepared, degree=lower, method=settled)
            found = gaps.attempt(prepared, coverage, free=free, notes=notes)
    floor = spectrum.find_floor(samples, probe, found.modes, threads=threads)
    # What a gap leaves in the spectrum says nothing of the degree.
    cut = floor is not None and floor.noise and not (free and found.doubtful)
    if floor is not None and cut and floor.degree < found.modes.degree:
        reasons = _instead(reasons, floor.reason, found.modes.degree)
        prepared = replace(found.prepared, degree=floor.degree)
        if quadrature:
            found = found._replace(prepared=prepared, modes=found.modes.truncate(floor.degree))
        else:
            # What is not seen depends on the degree.
            settled, notes = _settle(method, scan, coverage, floor.degree, grid_degree)
            found = gaps.attempt(replace(prepared, method=settled), coverage, free=free, notes=notes)
    elif floor is not None and not floor.noise and not found.doubtful:
        reasons.append(f"what is above degree {floor.degree - 2} is weak, but no noise")
    if coverage is not None and not found.doubtful and (bridged or coverage.unseen(chosen).any()):
        about = {"lack": gaps.lacking(coverage, chosen), "degree": found.modes.degree, "allowed": chosen}
        found = found._replace(notes=[*found.notes, SolutionCode.LOWER_DEGREE(**about)])
    if least:
        told = SolutionCode.LEAST_DEGREE(degree=found.modes.degree, allowed=chosen)
        found = found._replace(notes=[*found.notes, told])
    return _Attempted(found, found.modes.degree, reasons, automatic, floor, coverage, threads, alike)


def _instead(reasons: list[str], better: str, allowed: int) -> list[str]:
    """Reasons where a better one than the first, which would allow so many degrees, was found."""
    return [better, f"{reasons[0]} would allow {allowed}", *reasons[1:]]


def _judge(
    attempted: _Attempted, frequencies: tuple[int, ...], which: slice | NDArray[np.bool_], whole: Probe
) -> Solution:
    """The solution with what is to be said of it; what cannot be right is refused."""
    prepared, modes, estimates, notes, doubtful, _ = attempted.found
    _, degree, reasons, automatic, floor, coverage, threads, _ = attempted
    samples, probe = prepared.samples, prepared.probe
    modes = modes.extend(degree)

    def again(f: int, response: NDArray[np.complex128]) -> NDArray[np.complex128]:
        q = np.zeros(mode_count(degree), dtype=complex)
        found = prepared.roughly(f, response)
        q[: found.size] = found
        return q

    doubts = model_agreement.judge(
        samples,
        probe,
        modes,
        estimates,
        again,
        degree=degree if floor is None else min(degree, floor.degree),
        threads=threads,
        scan=prepared.scan,
    )
    lack = next((x.figures["lack"] for x in notes if x.code is SolutionCode.LOWER_DEGREE), "")
    residual = np.array([e.residual for e in estimates])
    noise = gaps.noise_floor(residual, samples, degree)
    with model_agreement.naming_doubts(doubts), naming_jumps(samples):
        # What a gap leaves in the spectrum says nothing of the degree.
        tail_db, of_spectrum = spectrum.judge(
            modes,
            automatic=automatic and not doubtful,
            floor=None if doubtful else floor,
            lack=lack,
            residual=np.where(np.isnan(noise), np.nan, residual),
        )
    others = [
        judge_probe(samples, probe, modes),
        suspect_lengths(samples),
        suspect_waves(samples, probe, modes),
    ]
    if probe is not whole:
        levels = neglected(samples, whole, probe, modes).tolist()
        others.append([[SolutionCode.NEGLECTED_ORDERS(level_db=x, radius_m=samples.nearest)] for x in levels])
    warnings = []
    seen = 1.0 if coverage is None else 1 - float(coverage.unseen(degree).mean())
    for f, e in enumerate(estimates):
        # Nor do readings that are to be doubted.
        told = list(doubts[f] or ([] if doubtful else of_spectrum[f]))
        for some in others:
            told += some[f]
        told += notes
        if not e.converged:
            first = _first_order(probe, samples)
            code = SolutionCode.NOT_CONVERGED if first else SolutionCode.NOT_CONVERGED_HIGHER_ORDERS
            told.append(code(steps=e.iterations))
        if (
            e.residual > model_agreement.LARGE_RESIDUAL
            and not doubts[f]
            and (e.residual > NO_MODEL or not any(x.code is SolutionCode.NOISY for x in told))
        ):
            left = floor.remainder[f] if floor is not None and floor.drowned(f) else None
            told.append(_about_residual(prepared, modes, f, e, left, seen))
        warnings.append(tuple(told))
    count = len(frequencies)
    return Solution(
        modes=modes,
        degree=np.full(count, degree),
        residual=residual,
        iterations=np.array([e.iterations for e in estimates]),
        status=_status(prepared, estimates),
        degree_reason="; ".join(reasons),
        tail_db=tail_db,
        noise_floor=noise,
        coverage=(coverage,) * count,
        warnings=tuple(warnings),
        doubts=tuple(tuple(some) for some in doubts),
        parts=(Part(frequencies, which, prepared),),
        samples=prepared.samples,
    )


def _about_residual(
    prepared: Problem, modes: Modes, f: int, found: Estimate, left: Remainder | None, seen: float
) -> Notice:
    """What a large residual is said to be: noise, if it is as random and as even as that."""
    if found.residual <= NO_MODEL and found.unevenness < model_agreement.UNEVEN:
        one = prepared.samples.at_frequency(f)
        if left is None:
            left = remainder(one, prepared.probe, modes.at(f), top=modes.degree, lines=True, seen=seen)
        if left.verdict == "noise":
            return SolutionCode.NOISY_RESIDUAL(residual=found.residual, rms_db=20 * math.log10(left.rms))
    return SolutionCode.LARGE_RESIDUAL(residual=found.residual)


def _first_order(probe: Probe, samples: Samples) -> bool:
    """Whether the ports in use receive the azimuthal orders +-1 only, which two chi separate."""
    return all(abs(mu) == 1 for port in samples.ports() for mu in probe.orders(port - 1))


def _settle(
    method: Method | None,
    scan: GridScan | None,
    coverage: Coverage | None,
    degree: int,
    grid_degree: int,
    *,
    damping: float = gaps.GAP_DAMPING,
) -> tuple[Method, list[Notice]]:
    """The method to use, and warnings of gaps in the samples."""
    if scan is not None and method is None:
        beyond = scan.grid.rule == "fejer-2" and degree > grid_degree
        return (LeastSquares() if beyond else Quadrature()), []
    if coverage is None or not coverage.unseen(degree).any():
        return method or LeastSquares(), []
    return gaps.damped_for_gap(method, coverage, degree, damping=damping)


def _status(prepared: Problem, estimates: list[methods.Estimate]) -> str:
    if isinstance(prepared.method, Direct):
        return "dense least squares"
    if isinstance(prepared.method, Quadrature) and prepared.scan is not None:
        grid = prepared.scan.grid
        return f"quadrature on a {grid.rule} grid of {grid.theta.size} x {grid.phi.size} positions"
    stopped = "" if all(e.converged for e in estimates) else ", stopped before convergence"
    if any(e.factorised for e in estimates):
        stopped = ", which stalled; by a dense factorisation instead"
    return f"least squares by conjugate gradients{stopped}"


def _find_grid(samples: Samples, probe: Probe, method: Method | None) -> GridScan | None:
    """The full grid that a quadrature may use, None if there is none and none is demanded."""
    if isinstance(method, LeastSquares | Direct):
        return None
    port = int(samples.port[0]) - 1
    spins = tuple(sorted({abs(mu) for mu in probe.orders(port)})) or (1,)
    try:
        return recognise_grid(samples, spins=spins)
    except NotAGridError as error:
        if method is None:
            return None
        what = f"the samples are not a full regular grid: {error}; use LeastSquares"
        raise InputError(what, option="--method least-squares") from None
