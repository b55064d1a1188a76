"""From samples to modes."""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from nf2ff import degree as degrees
from nf2ff import inversion, spin
from nf2ff.checks import check_mixture, check_polarisations, check_radius, check_units
from nf2ff.coverage import SEEN_STEPS, Coverage, measure_coverage, worst_coverage
from nf2ff.geometry import check_port, different_positions
from nf2ff.modes import Modes
from nf2ff.prepared import Direct, LeastSquares, Method, Prepared, Quadrature
from nf2ff.probe import Probe, at_frequencies, keep_orders
from nf2ff.samples import Samples
from nf2ff.scan import GridScan, NotAGridError, recognise_grid
from nf2ff.suspicion import check_angles, suspect_lengths, suspect_waves
from nf2ff.waves import canonical_angles


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """Modes, and what the solver has to say of them.

    Parameters
    ----------
    modes : Modes
        The result.
    residual : (F,) ndarray
        Norm of (responses - model) over norm of responses; for a quadrature on 8 to 16
        rings spread evenly over the grid.
    iterations : (F,) ndarray of int
        Steps of the iteration, 0 for a method without any.
    status : str
        How the solution was reached.
    degree_reason : str
        Why this degree was taken.
    tail_db : (F,) ndarray
        Power in the last two degrees relative to all [dB].
    noise_floor : (F,) ndarray
        Relative rms noise of a sample, estimated from the residual and the redundancy
        1 - J/M; NaN where less than a tenth of the samples is redundant.
    coverage : Coverage or None
        What the samples saw of the sphere; None on a full regular grid.
    warnings : tuple of tuple of str
        For each frequency, sentences on what to beware of.
    """

    modes: Modes
    residual: NDArray[np.float64]
    iterations: NDArray[np.int64]
    status: str
    degree_reason: str
    tail_db: NDArray[np.float64]
    noise_floor: NDArray[np.float64]
    coverage: Coverage | None
    warnings: tuple[tuple[str, ...], ...]


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
        reactive zone or its minimum sphere, or of another unit than the probe; or if the probe
        has waves that none of its size has, and they make most of the response.
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
        coverage = _coverage(samples, degree or limit, density=degree is None)
        if degree is None:
            limit = degrees.scattered_limit(samples, coverage)
    chosen, reason = degrees.choose_degree(samples, degree, limit, minimum_radius)
    method, notes = _settle(method, scan, coverage, chosen, grid_degree)
    if isinstance(method, Quadrature) and chosen == grid_degree + 1:
        reason += f"; the grid determines degree {grid_degree}, degree {chosen} is left zero"
    modes, estimates = _run(samples, scan, probe, min(chosen, _top(method, grid_degree)), method)
    automatic = degree is None and minimum_radius is None
    floor = degrees.find_floor(samples, probe, modes) if automatic else None
    if automatic:
        if floor is not None and floor.noise and floor.degree < modes.degree:
            reason = f"{floor.reason} ({reason} would allow {modes.degree})"
            if isinstance(method, Quadrature):
                modes = modes.truncate(floor.degree)
            else:
                modes, estimates = _run(samples, scan, probe, floor.degree, method)
        elif floor is not None and not floor.noise:
            reason += f"; what is above degree {floor.degree - 2} is weak, but no noise"
        chosen = modes.degree
    modes = modes.extend(chosen)
    tail_db, warnings = degrees.judge(modes, automatic=automatic, floor=floor)
    for more in (
        degrees.judge_probe(samples, probe, modes),
        suspect_lengths(samples),
        suspect_waves(samples, probe, modes),
    ):
        for sentences, told in zip(warnings, more, strict=True):
            sentences += told
    if probe is not whole:
        levels = degrees.neglected(samples, whole, probe, modes)
        for sentences, level in zip(warnings, levels, strict=True):
            sentences.append(
                f"the probe's azimuthal orders other than +-1 were neglected, as asked: they carry "
                f"{level:.1f} dB of its response at {samples.radius.min():.6g} m"
            )
    for sentences, error in zip(warnings, probe_error, strict=True):
        if not error <= LARGE_PROBE_ERROR:
            sentences.append(probe_error_sentence(float(error)))
    chi = "" if _first_order(probe, samples) else ", or measure at more values of chi"
    for f, (sentences, e) in enumerate(zip(warnings, estimates, strict=True)):
        sentences += notes
        if not e.converged:
            sentences.append(
                f"the iteration stopped after {e.iterations} steps before it converged: "
                f"raise max_iterations or lower the degree{chi}"
            )
        if e.residual > LARGE_RESIDUAL and not (floor is not None and floor.drowned(f)):
            sentences.append(
                f"the modes leave a residual of {e.residual:.2g} of the samples: check positions, "
                "units, probe and time convention, and whether the degree is high enough"
            )
    residual = np.array([e.residual for e in estimates])
    count = np.full(modes.frequency.size, samples.response.shape[1])
    if samples.any_missing:
        count = (~np.isnan(samples.response)).sum(axis=1)
    redundancy = 1 - np.minimum(1, 2 * modes.degree * (modes.degree + 2) / count)
    return Solution(
        modes,
        residual,
        np.array([e.iterations for e in estimates]),
        _status(method, scan, estimates),
        reason,
        tail_db,
        residual / np.sqrt(np.where(redundancy >= 0.1, redundancy, np.nan)),
        coverage,
        tuple(tuple(w) for w in warnings),
    )


def _first_order(probe: Probe, samples: Samples) -> bool:
    """Whether the ports in use receive the azimuthal orders +-1 only, which two chi separate."""
    return all(abs(mu) == 1 for port in samples.ports() for mu in probe.orders(port - 1))


def _coverage(samples: Samples, degree: int, *, density: bool) -> Coverage:
    """Coverage by the samples, the worst of all frequencies where they differ in it."""
    differ = samples.moving or samples.any_missing
    found = []
    for i in range(samples.frequency.size if differ else 1):
        part = samples.at_frequency(i) if differ else samples
        theta, phi, _ = canonical_angles(part.theta, part.phi)
        # Positions taken twice, with two polarisations say, count once.
        first = different_positions(theta, phi)[0]
        found.append(
            measure_coverage(
                theta=theta[first],
                phi=phi[first],
                degree=max(1, degree),
                density=density,
                threads=spin.thread_count(None),
            )
        )
    return worst_coverage(found)


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
#: Damping taken where a part of the sphere was not seen and none is given.
GAP_DAMPING = 1e-2
#: The method there: the gap limits the result long before the tolerance does, and what the damping
#: holds back comes slowly.
GAP_METHOD = LeastSquares(rtol=1e-6, max_iterations=500, damping=GAP_DAMPING)


def _settle(
    method: Method | None,
    scan: GridScan | None,
    coverage: Coverage | None,
    degree: int,
    grid_degree: int,
) -> tuple[Method, list[str]]:
    """The method to use, and warnings about gaps in the samples."""
    if scan is not None and method is None:
        beyond = scan.grid.rule == "fejer-2" and degree > grid_degree
        return (LeastSquares() if beyond else Quadrature()), []
    if coverage is None or not coverage.unseen(degree).any():
        return method or LeastSquares(), []
    unseen = coverage.unseen_solid_angle(degree)
    gap = math.degrees(coverage.largest_gap())
    seen = (
        f"{unseen:.3g} sr of the sphere ({100 * unseen / (4 * math.pi):.2g} %) were not seen, the "
        f"largest gap has a radius of {gap:.3g} deg where degree {degree} allows "
        f"{SEEN_STEPS * 180 / degree:.3g} deg"
    )
    if unseen > 2 * math.pi:
        msg = f"{seen}: measure more than half of the sphere, or take a lower degree"
        raise ValueError(msg)
    if method is None:
        method = GAP_METHOD
    elif isinstance(method, LeastSquares) and method.damping is None:
        method = replace(method, damping=GAP_DAMPING)
    if isinstance(method, LeastSquares) and method.damping == 0:
        msg = f"{seen}: give a damping (such as {GAP_DAMPING:g}), or take a lower degree"
        raise ValueError(msg)
    return method, [f"{seen}; the far field is to be trusted only where it is marked so"]


def _top(method: Method, grid_degree: int) -> int:
    """Largest degree that the method itself can solve for."""
    return grid_degree if isinstance(method, Quadrature) else sys.maxsize


def _status(method: Method, scan: GridScan | None, estimates: list[inversion.Estimate]) -> str:
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
        msg = f"the samples are not a full regular grid: {error}; use LeastSquares"
        raise ValueError(msg) from None


def _run(
    samples: Samples, scan: GridScan | None, probe: Probe, degree: int, method: Method
) -> tuple[Modes, list[inversion.Estimate]]:
    estimates = Prepared(samples, probe, degree, method, scan).estimates(samples.response)
    coefficients = np.stack([e.coefficients for e in estimates])
    return Modes(samples.frequency, coefficients, check_units(samples, probe)), estimates


def prepare(
    samples: Samples, probe: Probe, *, degree: int, method: Method | None = None
) -> Prepared:
    """Prepare the solution for many responses at the positions of ``samples``.

    Parameters
    ----------
    samples, probe, degree, method
        As in `solve`, which says what is to be thought of the positions; here they are only
        prepared for.

    Returns
    -------
    Prepared
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
        msg = f"degree {degree} is not within 1 ... {degrees.count_limit(samples)}, the samples'"
        raise ValueError(msg)
    if method is None:
        fits = scan is not None and degree <= scan.grid.degree
        method = Quadrature() if fits else LeastSquares()
    if isinstance(method, Quadrature) and scan is not None and degree > scan.grid.degree:
        msg = f"the grid determines degree {scan.grid.degree}, not {degree}: use LeastSquares"
        raise ValueError(msg)
    return Prepared(samples, probe, degree, method, scan)


def noise_gain(
    samples: Samples,
    probe: Probe,
    solution: Solution,
    *,
    method: Method | None = None,
    rng: int | np.random.Generator | None = None,
) -> NDArray[np.float64]:
    """How much of the samples' white noise reaches the far field.

    Relative mean square error of the far field over relative mean square noise of the samples,
    found by sending one realisation of noise through the same solver. Its own scatter is
    about sqrt(1/J), J the number of modes.

    Parameters
    ----------
    samples, probe, solution
        As given to and got from `solve`.
    method : optional
        The method that `solve` was given.
    rng : int or numpy.random.Generator, optional
        Source of the noise.

    Returns
    -------
    (F,) ndarray
        Ratio of powers; 10 log10 of it in dB, negative where sampling is redundant.
    """
    generator = np.random.default_rng(rng)
    shape = samples.response.shape
    noise = generator.standard_normal(shape) + 1j * generator.standard_normal(shape)
    level = np.sqrt(np.nanmean(np.abs(samples.response) ** 2, axis=1))
    noise = np.where(np.isnan(samples.response), np.nan, noise * (level / np.sqrt(2))[:, None])
    sent = replace(samples, response=noise)
    if method is None and solution.coverage is not None:
        method = LeastSquares(rtol=1e-3)
    got = solve(sent, probe, degree=solution.modes.degree, method=method).modes
    gain: NDArray[np.float64] = got.radiated_power() / solution.modes.radiated_power()
    return gain


__all__ = [
    "Direct",
    "LeastSquares",
    "Method",
    "Prepared",
    "Quadrature",
    "Solution",
    "noise_gain",
    "prepare",
    "solve",
]
