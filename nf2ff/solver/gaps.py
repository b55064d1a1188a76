"""Where samples do not determine the field: how the solution is held back, and what is said."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes, mode_count
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.messages.notice import Notice
from nf2ff.messages.solution import SolutionCode
from nf2ff.solver import methods
from nf2ff.solver.coverage import SEEN_STEPS, Coverage
from nf2ff.solver.problem import LeastSquares, Method, Problem
from nf2ff.solver.solution import noise_over_ideal
from nf2ff.solver.spectrum import SURE_RISE

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
#: Residual of a factorisation up to which samples have no noise that damping could hold back.
NOISELESS = 1e-9
#: Part of the samples that must be redundant for what the modes leave to tell of noise.
MIN_REDUNDANCY = 0.1
#: Residual up to which a lower degree holds the antenna, and its ratio to that of the higher one.
HELD, HELD_RATIO = 1e-3, 1.5
#: Steps in which a lower degree is sought, and how far down.
LOWER, LOWEST = 0.87, 0.4
#: Noise that explains the samples, up to which the least degree is sought, at least: what the damping of a
#: gap leaves of noiseless samples is two thirds of it.
EXPLAINED = 1.5e-3
#: Part of what lacks a polarisation that must be told as unseen at that degree.
KEPT_ALONE = 0.5
#: Damping at that degree, at least: it holds back less there.
LEAST_DAMPING = 1e-3


class Attempt(NamedTuple):
    """A solution, and whether the samples leave waves undetermined."""

    prepared: Problem
    modes: Modes
    estimates: list[methods.Estimate]
    notes: list[Notice]
    doubtful: bool


def damped_for_gap(
    method: Method | None, coverage: Coverage, degree: int, *, damping: float = GAP_DAMPING
) -> tuple[Method, list[Notice]]:
    """The method where a part of the sphere was not seen, and what is said of that part.

    Refused if too much is missing, or if the method has no damping.
    """
    unseen = coverage.unseen_solid_angle(degree) / (4 * math.pi)
    reach_deg = SEEN_STEPS * 180 / degree
    reach = f"degree {degree} bridges gaps of up to {reach_deg:.3g} deg"
    seen = coverage.describe(degree)
    if unseen > MAX_UNSEEN:
        raise InputError(seen, f"measure more of the sphere, or take a lower degree ({reach})")
    if method is None:
        method = _damped(LeastSquares(), damping)
    elif isinstance(method, LeastSquares) and method.damping is None:
        method = _damped(method, damping)
    if isinstance(method, LeastSquares) and method.damping == 0:
        raise InputError(seen, f"give a damping (such as {GAP_DAMPING:g}), or take a lower degree ({reach})")
    return method, [SolutionCode.GAP(gap=seen, degree=degree, reach_deg=reach_deg)]


def lacking(coverage: Coverage, degree: int) -> str:
    """What the samples lack at a degree: a clause for people."""
    return coverage.describe(degree) or coverage.describe_alone() or "the positions are uneven"


def noise_floor(residual: NDArray[np.float64], samples: Samples, degree: int) -> NDArray[np.float64]:
    """Relative rms noise of a sample from what the modes leave, (F,); NaN if too little is left."""
    redundancy = 1 - min(1, mode_count(degree) / samples.response.shape[1])
    if redundancy < MIN_REDUNDANCY:
        return np.full(residual.shape, np.nan)
    return residual / math.sqrt(redundancy)


def attempt(prepared: Problem, coverage: Coverage | None, *, free: bool, notes: list[Notice]) -> Attempt:
    """Solve; once more with damping, or more of it, where noise asks for it.

    ``prepared`` is damped where a part of the sphere was not seen, as ``notes`` say; ``free`` is
    whether the damping is left to the program.
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
        exact = all(e.factorised and e.residual < NOISELESS for e in estimates)
        if not (damping or exact) and (slow or _one_alone(coverage, prepared.degree)):
            gain = noise_over_ideal(prepared, rng=0)
            doubtful = gain > MAX_NOISE
            if doubtful:
                notice = SolutionCode.UNDETERMINED(
                    degree=prepared.degree,
                    lack=lacking(coverage, prepared.degree),
                    gain_db=10 * math.log10(gain),
                )
                notes = [*notes, notice]
        if doubtful and (noise > damping or not damping):
            # Where nothing is redundant, the noise is not known.
            damping = min(noise, MAX_DAMPING) if noise > 0 else GAP_DAMPING
            damped = _damped(method, damping)
            # What little damping holds back comes late.
            floor = min(LeastSquares().rtol, method.rtol)
            rtol = max(floor, min(damped.rtol, 0.01 * damping))
            prepared = replace(prepared, method=replace(damped, rtol=rtol))
            estimates = prepared.estimates(samples.response)
    return Attempt(prepared, prepared.as_modes(estimates), estimates, notes, doubtful)


def _one_alone(coverage: Coverage, degree: int) -> bool:
    """Whether one polarisation alone was measured anywhere, and not the other a little beside it."""
    alone = coverage.alone
    if not alone.any():
        return False
    apart = coverage.distance - coverage.nearest > 0.1 * math.pi / degree
    return bool((alone & apart).any())


def _damped(method: LeastSquares, damping: float) -> LeastSquares:
    """The method with damping; `GAP_METHOD` where no tolerance or number of steps was asked for."""
    asked: dict[str, Any] = {x: getattr(method, x) for x in ("first_order", "threads", "device")}
    kind = method
    if method == LeastSquares(**asked):
        kind = replace(GAP_METHOD, max_iterations=max(GAP_METHOD.max_iterations, round(5 / damping)))
    return replace(kind, damping=damping, **asked)


def lower_degree(found: Attempt, coverage: Coverage, method: Method | None) -> Attempt | None:
    """A lower degree that the samples determine everywhere and that holds the antenna, if any.

    ``found`` is at a degree that they do not determine, ``method`` what was asked for.
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


def least_degree(found: Attempt, coverage: Coverage) -> int:
    """The least degree that explains the samples as well as that of ``found``, which is damped.

    Where a part of the sphere was not seen, the far field beside it hangs on near field that was not
    measured, the more so the larger the sphere that the modes fill: the waves of degree n that come in
    direction theta pass the measured sphere up to asin(n / kr) away. An antenna that needs fewer is given
    fewer, but not so few that what one polarisation alone was measured of would count as seen.
    """

    count = found.prepared.samples.response.shape[1]

    def fitted(degree: int) -> float:
        # Of the waves of a part that was not seen, the samples are free.
        seen = mode_count(degree) * (1 - float(coverage.unseen(degree).mean()))
        return min((1 - MIN_REDUNDANCY) * count, seen)

    def noise(estimates: list[methods.Estimate], degree: int) -> float:
        return max(e.residual for e in estimates) / math.sqrt(1 - fitted(degree) / count)

    high = found.prepared.degree
    alone = coverage.unseen(high) & coverage.alone

    def claims(degree: int) -> bool:
        # Wider reach finds other polarisations far around, at a pole above all, that determine nothing.
        unseen = coverage.unseen(degree)
        if alone.any() and unseen[alone].mean() < KEPT_ALONE:
            return True
        plain = replace(found.prepared, degree=degree, method=LeastSquares())
        return not unseen.any() and noise_over_ideal(plain, rng=0) > MAX_NOISE

    low, top = math.ceil(LOWEST * high) - 1, high
    least = noise(found.estimates, high)
    while high - low > max(1, high // 50):
        degree = (low + high) // 2
        tried = replace(found.prepared, degree=degree)
        # What the waves left out hold of noise alone scatters by the root of their number.
        scatter = math.sqrt(max(0.0, fitted(top) - fitted(degree))) / (count - fitted(degree))
        most = max(EXPLAINED, least * math.sqrt(1 + SURE_RISE * scatter))
        if not claims(degree) and noise(tried.estimates(tried.samples.response), degree) <= most:
            high = degree
        else:
            low = degree
    return high
