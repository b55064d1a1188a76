"""Where samples do not determine the field: how the solution is held back, and what is said."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes, mode_count
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.solver import methods
from nf2ff.solver.checks import check_units
from nf2ff.solver.coverage import SEEN_STEPS, Coverage
from nf2ff.solver.problem import LeastSquares, Method, Problem
from nf2ff.solver.solution import noise_over_ideal

#: Part of the sphere without which nothing is solved.
MAX_UNSEEN = 0.75
#: Damping taken where a part of the sphere was not seen and none is given, at least: where the
#: noise of a sample exceeds that part of the whole, so does the damping, lest noise fill the gap.
GAP_DAMPING = 1e-2
MAX_DAMPING = 0.3
#: The method there: the gap limits the result long before the tolerance does, and what the damping
#: holds back comes slowly.
GAP_METHOD = LeastSquares(rtol=1e-6, max_iterations=500, damping=GAP_DAMPING)
#: Steps beyond which it is asked how much noise the solution would have.
FEW_STEPS = 30
#: Noise over that of evenly spread samples from which waves count as hardly determined: 10 dB.
MAX_NOISE = 10.0
#: Residual up to which a lower degree holds the antenna, and its ratio to that of the higher one.
HELD, HELD_RATIO = 1e-3, 1.5
#: Steps in which a lower degree is sought, and how far down.
LOWER, LOWEST = 0.87, 0.4


class Attempt(NamedTuple):
    """A solution, and whether the samples leave waves undetermined."""

    prepared: Problem
    modes: Modes
    estimates: list[methods.Estimate]
    notes: list[str]
    doubtful: bool


def damped_for_gap(method: Method | None, coverage: Coverage, degree: int) -> tuple[Method, list[str]]:
    """The method where a part of the sphere was not seen, and what is said of that part.

    Raises
    ------
    ValueError
        If too much is missing, or the method has no damping.
    """
    unseen = coverage.unseen_solid_angle(degree) / (4 * math.pi)
    reach = f"degree {degree} bridges gaps of up to {SEEN_STEPS * 180 / degree:.3g} deg"
    seen = coverage.describe(degree)
    if unseen > MAX_UNSEEN:
        raise InputError(f"{seen}", f"measure more of the sphere, or take a lower degree ({reach})")
    if method is None:
        method = GAP_METHOD
    elif isinstance(method, LeastSquares) and method.damping is None:
        kind = GAP_METHOD if _chosen(method) else method
        method = replace(kind, damping=GAP_DAMPING, first_order=method.first_order, threads=method.threads)
    if isinstance(method, LeastSquares) and method.damping == 0:
        raise InputError(
            f"{seen}", f"give a damping (such as {GAP_DAMPING:g}), or take a lower degree ({reach})"
        )
    return method, [
        f"{seen}, and {reach}: TRP, directivity, front-to-back ratio and fractions of power leave "
        "out what is radiated there and are not known; use the far field only where trusted is 1"
    ]


def lacking(coverage: Coverage, degree: int) -> str:
    """What the samples lack at a degree: a clause for people."""
    return coverage.describe(degree) or coverage.describe_alone() or "the positions are uneven"


def noise_floor(residual: NDArray[np.float64], samples: Samples, degree: int) -> NDArray[np.float64]:
    """Relative rms noise of a sample from what the modes leave, (F,); NaN if too little is left."""
    redundancy = 1 - min(1, mode_count(degree) / samples.response.shape[1])
    if redundancy < 0.1:
        return np.full(residual.shape, np.nan)
    return residual / math.sqrt(redundancy)


def attempt(prepared: Problem, coverage: Coverage | None, *, free: bool, notes: list[str]) -> Attempt:
    """Solve; once more with damping, or more of it, where noise asks for it.

    Parameters
    ----------
    prepared : Problem
        What to solve, damped where a part of the sphere was not seen.
    coverage : Coverage or None
        What the samples saw; None on a full grid.
    free : bool
        Whether the damping is left to the program.
    notes : list of str
        What has been said of gaps.
    """
    samples, method = prepared.samples, prepared.method
    estimates = prepared.estimates(samples.response)
    # Whatever the method: what a gap leaves in the spectrum says nothing of degree or steps.
    doubtful = coverage is not None and bool(coverage.unseen(prepared.degree).any())
    if isinstance(method, LeastSquares) and free and coverage is not None:
        residual = np.array([e.residual for e in estimates])
        noise = float(np.nan_to_num(noise_floor(residual, samples, prepared.degree)).max())
        damping = method.damping or 0.0
        slow = max(e.iterations for e in estimates) > FEW_STEPS
        # What was recorded a little beside the first polarisation tells the second as well.
        apart = coverage.distance - coverage.nearest > 0.1 * math.pi / prepared.degree
        if not damping and (slow or (coverage.alone & apart).any()):
            gain = noise_over_ideal(prepared, rng=0)
            doubtful = gain > MAX_NOISE
            if doubtful:
                notes = [*notes, _undetermined(prepared, coverage, gain)]
        if doubtful and (noise > damping or not damping):
            # Where nothing is redundant, the noise is not known.
            damping = min(noise, MAX_DAMPING) if noise > 0 else GAP_DAMPING
            kind = GAP_METHOD if _chosen(method) else method
            # What little damping holds back comes late.
            floor = min(LeastSquares().rtol, method.rtol)
            rtol = max(floor, min(kind.rtol, 0.01 * damping))
            prepared = replace(
                prepared,
                method=replace(
                    kind, rtol=rtol, damping=damping, first_order=method.first_order, threads=method.threads
                ),
            )
            estimates = prepared.estimates(samples.response)
    coefficients = np.stack([e.coefficients for e in estimates])
    modes = Modes(samples.frequency, coefficients, check_units(samples, prepared.probe))
    return Attempt(prepared, modes, estimates, notes, doubtful)


def _chosen(method: LeastSquares) -> bool:
    """Whether nothing but the threads of a method was asked for."""
    return method == LeastSquares(first_order=method.first_order, threads=method.threads)


def lower_degree(found: Attempt, coverage: Coverage, method: Method | None) -> Attempt | None:
    """A lower degree that the samples determine everywhere and that holds the antenna, if any.

    Parameters
    ----------
    found : Attempt
        At a degree that the samples do not determine.
    coverage : Coverage
        What they saw.
    method : LeastSquares or None
        What was asked for.
    """
    top = found.prepared.degree
    plain = method or LeastSquares()
    most = max(HELD, HELD_RATIO * max(e.residual for e in found.estimates))
    degree = top
    while (degree := min(degree - 1, round(LOWER * degree))) >= max(4, LOWEST * top):
        if coverage.unseen(degree).any():
            continue
        prepared = replace(found.prepared, degree=degree, method=plain)
        if noise_over_ideal(prepared, rng=0) > MAX_NOISE:
            continue
        lower = attempt(prepared, None, free=False, notes=[])
        if max(e.residual for e in lower.estimates) > most:
            return None
        return lower
    return None


def _undetermined(prepared: Problem, coverage: Coverage, gain: float) -> str:
    """What is said where noise would come out much stronger than of evenly spread samples."""
    return (
        f"the samples hardly determine all waves of degree {prepared.degree} "
        f"({lacking(coverage, prepared.degree)}) and would give {10 * math.log10(gain):.0f} dB "
        "more noise than evenly spread ones: what they do not determine is held back; measure "
        "what is missing, or lower the degree"
    )
