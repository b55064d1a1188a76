"""From samples to modes."""

from __future__ import annotations

import math
import sys
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes
from nf2ff.kernel import spin
from nf2ff.measurement.probe import Probe, at_frequencies, keep_orders
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.solver import consistency, gaps, methods
from nf2ff.solver import degree as degrees
from nf2ff.solver.checks import check_mixture, check_polarisations, check_radius, check_units
from nf2ff.solver.coverage import Coverage, measure_coverage, places
from nf2ff.solver.positions import check_port
from nf2ff.solver.problem import Direct, LeastSquares, Method, Problem, Quadrature
from nf2ff.solver.regular_grid import GridScan, NotAGridError, recognise_grid
from nf2ff.solver.solution import Part, Solution, join
from nf2ff.solver.suspected_units import check_angles, suspect_lengths, suspect_waves


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
        If the samples are fewer than the unknowns, too coarse for the antenna, inside its
        reactive zone or its minimum sphere, or of another unit than the probe; if less than a
        quarter of the sphere was measured; or if the probe has waves that none of its size has,
        and they make most of the response.

    Notes
    -----
    Frequencies at which the same samples are there are solved together, others by themselves: a
    sample missing at one frequency changes nothing at another.
    """
    degree = None if degree is None else degrees.whole(degree)
    check_units(samples, probe)
    check_angles(samples)
    check_radius(samples, minimum_radius, probe)
    check_port(int(samples.port.max()), probe)
    check_polarisations(samples, probe)
    check_mixture(samples)
    probe, probe_error = at_frequencies(probe, samples.frequency)
    whole = probe
    if getattr(method, "first_order", False):
        probe = keep_orders(probe, orders=(-1, 1))
    found = []
    groups = _alike(samples)
    for frequencies, which in groups:
        whole_scan = len(groups) == 1 and which is ALL and not samples.moving
        part = samples if whole_scan else samples.part(frequencies, which)
        try:
            found.append(_solve_part(part, frequencies, which, whole, probe, degree, method, minimum_radius))
        except ValueError as error:
            ghz = f"{samples.frequency[frequencies[0]] / 1e9:.9g} GHz"
            if len(groups) == 1 or ghz in str(error):
                raise
            raise InputError(f"{ghz}: {error}; or leave that frequency out") from error
    solution = found[0] if len(found) == 1 else join(found, samples)
    warnings = [list(sentences) for sentences in solution.warnings]
    for sentences, relative in zip(warnings, probe_error.tolist(), strict=True):
        if not relative <= LARGE_PROBE_ERROR:
            sentences.append(probe_error_sentence(relative))
    return replace(solution, warnings=tuple(tuple(w) for w in warnings), samples=samples)


ALL = slice(None)


def _alike(samples: Samples) -> list[tuple[tuple[int, ...], slice | NDArray[np.bool_]]]:
    """Frequencies at which the same samples are there at the same positions, and which samples."""
    count = samples.frequency.size
    if samples.moving:
        groups = {bytes([0]) + i.to_bytes(8, "big"): [i] for i in range(count)}
    elif samples.any_missing:
        groups = {}
        for i in range(count):
            groups.setdefault(np.isnan(samples.response[i]).tobytes(), []).append(i)
    else:
        return [(tuple(range(count)), ALL)]
    found: list[tuple[tuple[int, ...], slice | NDArray[np.bool_]]] = []
    for some in groups.values():
        present = ~np.isnan(samples.response[some[0]])
        found.append((tuple(some), ALL if present.all() else present))
    return found


def _solve_part(
    samples: Samples,
    frequencies: tuple[int, ...],
    which: slice | NDArray[np.bool_],
    whole: Probe,
    probe: Probe,
    degree: int | None,
    method: Method | None,
    minimum_radius: float | None,
) -> Solution:
    """Solution of frequencies with the same samples, none missing."""
    scan = _find_grid(samples, probe, method)
    limit = degrees.count_limit(samples)
    grid_degree = 0
    coverage = None
    if scan is not None:
        grid_degree = min(scan.grid.degree, limit)
        limit = min(degrees.sampled_degree(scan.grid), limit)
        if degree is not None:
            limit = degrees.most(limit, grid_degree)
    else:
        coverage = _coverage(samples, probe, degree or limit, density=degree is None)
        if degree is None:
            limit = degrees.scattered_limit(samples, coverage)
    chosen, reason = degrees.choose_degree(samples, degree, limit, minimum_radius)
    settled, notes = _settle(method, scan, coverage, chosen, grid_degree)
    if isinstance(settled, Quadrature) and chosen == grid_degree + 1:
        reason += f"; the grid determines degree {grid_degree}, degree {chosen} is left zero"
    prepared = Problem(samples, probe, min(chosen, _top(settled, grid_degree)), settled, scan)
    automatic = degree is None and minimum_radius is None
    free = method is None or (isinstance(method, LeastSquares) and method.damping is None)
    found = gaps.attempt(prepared, coverage, free=free, notes=notes)
    if automatic and free and found.doubtful and coverage is not None:
        lower = gaps.lower_degree(found, coverage, method)
        if lower is not None:
            lack = gaps.lacking(coverage, chosen)
            reason = f"what the samples determine everywhere ({reason} would allow {chosen})"
            lower.notes.append(
                f"{lack}: the degree is {lower.modes.degree}, which the samples determine "
                f"everywhere, and not {chosen}, which the rest would allow"
            )
            found = lower
    floor = degrees.find_floor(samples, probe, found.modes) if automatic else None
    if automatic:
        if floor is not None and floor.noise and floor.degree < found.modes.degree:
            cut = floor.degree
            reason = f"{floor.reason} ({reason} would allow {found.modes.degree})"
            prepared = replace(found.prepared, degree=cut)
            if isinstance(settled, Quadrature):
                found = found._replace(prepared=prepared, modes=found.modes.truncate(cut))
            else:
                # What is not seen depends on the degree.
                settled, notes = _settle(method, scan, coverage, cut, grid_degree)
                prepared = replace(prepared, method=settled)
                found = gaps.attempt(prepared, coverage, free=free, notes=notes)
        elif floor is not None and not floor.noise and not found.doubtful:
            reason += f"; what is above degree {floor.degree - 2} is weak, but no noise"
        chosen = found.modes.degree
    prepared, modes, estimates, notes, doubtful = found
    modes = modes.extend(chosen)

    def doubts() -> list[list[str]]:
        def again(one: Samples) -> Modes:
            same = replace(prepared, samples=one)
            return same.modes(one.response).extend(modes.degree)

        return consistency.judge(samples, probe, modes, estimates, again)

    with consistency.naming_doubts(doubts):
        tail_db, warnings = degrees.judge(
            modes, automatic=automatic and not doubtful, floor=None if doubtful else floor
        )
    if doubtful:
        # What a gap leaves in the spectrum says nothing of the degree.
        warnings = [[] for _ in warnings]
    doubted = doubts()
    for sentences, told in zip(warnings, doubted, strict=True):
        if told:  # what such readings leave in the spectrum says nothing of the degree
            sentences[:] = told
    for some in (
        degrees.judge_probe(samples, probe, modes),
        suspect_lengths(samples),
        suspect_waves(samples, probe, modes),
    ):
        for sentences, told in zip(warnings, some, strict=True):
            sentences += told
    if probe is not whole:
        levels = degrees.neglected(samples, whole, probe, modes)
        for sentences, level in zip(warnings, levels, strict=True):
            sentences.append(
                f"the probe's azimuthal orders other than +-1 were neglected, as asked: they carry "
                f"{level:.1f} dB of its response at {samples.radius.min():.6g} m"
            )
    chi = "" if _first_order(probe, samples) else ", or measure at more values of chi"
    for f, (sentences, e) in enumerate(zip(warnings, estimates, strict=True)):
        sentences += notes
        if not e.converged:
            sentences.append(
                f"the iteration stopped after {e.iterations} steps before it converged: "
                f"raise max_iterations or lower the degree{chi}"
            )
        drowned = floor is not None and floor.drowned(f)
        if e.residual > LARGE_RESIDUAL and not (drowned or doubted[f]):
            sentences.append(
                f"the modes leave a residual of {e.residual:.2g} of the samples: check positions, "
                "units, probe and time convention, and whether the degree is high enough"
            )
    count = len(frequencies)
    residual = np.array([e.residual for e in estimates])
    return Solution(
        modes,
        np.full(count, modes.degree),
        residual,
        np.array([e.iterations for e in estimates]),
        _status(prepared.method, scan, estimates),
        reason,
        tail_db,
        gaps.noise_floor(residual, samples, modes.degree),
        (coverage,) * count,
        tuple(tuple(w) for w in warnings),
        tuple(tuple(w) for w in doubted),
        (Part(frequencies, which, prepared),),
        samples,
    )


def _first_order(probe: Probe, samples: Samples) -> bool:
    """Whether the ports in use receive the azimuthal orders +-1 only, which two chi separate."""
    return all(abs(mu) == 1 for port in samples.ports() for mu in probe.orders(port - 1))


def _coverage(samples: Samples, probe: Probe, degree: int, *, density: bool) -> Coverage:
    """What samples of the same positions at all frequencies, none missing, saw of the sphere."""
    theta, phi, stokes = places(samples, probe)
    return measure_coverage(
        theta=theta,
        phi=phi,
        stokes=stokes,
        degree=max(1, degree),
        density=density,
        threads=spin.thread_count(None),
    )


def probe_error_sentence(error: float) -> str:
    """What is said of a probe interpolated with that relative error, NaN if it is not known."""
    size = "an unknown amount" if math.isnan(error) else f"{20 * math.log10(error):.0f} dB"
    return (
        "the probe was interpolated between its frequencies; leaving out the nearest of "
        f"them changes it by {size}: measure it in finer steps"
    )


#: Estimated relative error of an interpolated probe from which there is a warning.
LARGE_PROBE_ERROR = 1e-3
#: Relative residual above which the samples can hardly be what they are said to be.
LARGE_RESIDUAL = 0.1


def _settle(
    method: Method | None, scan: GridScan | None, coverage: Coverage | None, degree: int, grid_degree: int
) -> tuple[Method, list[str]]:
    """The method to use, and warnings about gaps in the samples."""
    if scan is not None and method is None:
        beyond = scan.grid.rule == "fejer-2" and degree > grid_degree
        return (LeastSquares() if beyond else Quadrature()), []
    if coverage is None or not coverage.unseen(degree).any():
        return method or LeastSquares(), []
    return gaps.damped_for_gap(method, coverage, degree)


def _top(method: Method, grid_degree: int) -> int:
    """Largest degree that the method itself can solve for."""
    return grid_degree if isinstance(method, Quadrature) else sys.maxsize


def _status(method: Method, scan: GridScan | None, estimates: list[methods.Estimate]) -> str:
    if isinstance(method, Direct):
        return "dense least squares"
    if isinstance(method, Quadrature) and scan is not None:
        size = f"{scan.grid.theta.size} x {scan.grid.phi.size}"
        return f"quadrature on a {scan.grid.rule} grid of {size} positions"
    if all(e.converged for e in estimates):
        return "least squares by conjugate gradients"
    return "least squares by conjugate gradients, stopped before convergence"


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


def prepare(samples: Samples, probe: Probe, *, degree: int, method: Method | None = None) -> Problem:
    """Prepare the solution for many responses at the positions of ``samples``.

    Parameters
    ----------
    samples, probe, degree, method
        As in `solve`, which says what is to be thought of the positions; here they are only
        prepared for.

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
    check_units(samples, probe)
    check_port(int(samples.port.max()), probe)
    check_polarisations(samples, probe)
    probe, _ = at_frequencies(probe, samples.frequency)
    if getattr(method, "first_order", False):
        probe = keep_orders(probe, orders=(-1, 1))
    scan = _find_grid(samples, probe, method)
    if degree > degrees.count_limit(samples) or degree < 1:
        raise InputError(f"degree {degree} is not within 1 ... {degrees.count_limit(samples)}, the samples'")
    if method is None:
        fits = scan is not None and degree <= scan.grid.degree
        method = Quadrature() if fits else LeastSquares()
    if isinstance(method, Quadrature) and scan is not None and degree > scan.grid.degree:
        what = f"the grid determines degree {scan.grid.degree}, not {degree}"
        raise InputError(what, "use LeastSquares", option="--method least-squares")
    return Problem(samples, probe, degree, method, scan)
