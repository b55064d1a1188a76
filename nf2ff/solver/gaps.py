"""Where samples do not determine the field: how the solution is held back, and what is said."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.fields import far_field_points
from nf2ff.antenna.modes import Modes, mode_count
from nf2ff.kernel.arrays import ratio
from nf2ff.kernel.sphere import direction_angles
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.messages.notice import Notice
from nf2ff.messages.solution import SolutionCode
from nf2ff.solver import methods
from nf2ff.solver.coverage import SEEN_STEPS, Coverage
from nf2ff.solver.problem import Problem
from nf2ff.solver.solution import noise_over_ideal
from nf2ff.solver.strategy import LeastSquares, Method

#: Part of the sphere without which nothing is solved.
MAX_UNSEEN = 0.75
#: Damping taken where a part of the sphere was not seen and none is given, at least: where the
#: noise of a sample exceeds that part of the whole, so does the damping, lest noise fill the gap.
GAP_DAMPING = 1e-2
#: The most: waves that were seen have singular values about 1, and must stand out from the rest.
MAX_DAMPING = 0.5
#: The method there: the gap limits the result long before the tolerance does, and what the damping
#: holds back comes slowly.
GAP_METHOD = LeastSquares(rtol=1e-6, max_iterations=500, damping=GAP_DAMPING)
#: Steps beyond which it is asked how much noise the solution would have.
FEW_STEPS = 30
#: Noise over that of evenly spread samples from which waves count as hardly determined: 10 dB.
MAX_NOISE = 10.0
#: The same from which a degree above the least is not taken: 3 dB.
LITTLE_NOISE = 2.0
#: Residual of a factorisation up to which samples have no noise that damping could hold back.
NOISELESS = 1e-9
#: Part of the samples that must be redundant for what the modes leave to tell of noise.
MIN_REDUNDANCY = 0.1
#: Steps in which a lower degree is sought.
LOWER = 0.87
#: Noise up to which samples count as noiseless: what the damping of a gap leaves of them is two thirds of it.
EXPLAINED = 1.5e-3
#: What noise may put into waves left out above its mean, over the root of their number; beyond it they hold
#: something else as well. Three standard deviations, 1 in 700, of which each is 1.0 to 1.45 roots (measured:
#: samples near poles weigh little). Waves wrongly kept cost a little noise, others may be a part of the beam.
LEFT_OUT = 4.5
#: Damping at the degrees that are tried, over the noise: of waves that it holds back by half it leaves half
#: of itself in the samples, an eighth of the noise and 1.6 % of its power.
BESIDE_NOISE = 0.25
#: Noise up to which a part of the field as strong as itself may be hidden: -30 dB, of which the waves of a
#: degree hold a tenth or so, adds 1 % to a beam, 0.1 dB. Beyond, where that hid up to 0.4 dB of EIRP (noise
#: 20 dB below the largest response), a degree one step higher is taken.
MAY_HIDE = 0.03
#: Part of what lacks a polarisation that must be told as unseen at a degree that does not recover it.
KEPT_ALONE = 0.5
#: Directions of it that are looked at, at most.
FEW_DIRECTIONS = 300
#: Error of the far field there, over its power, up to which it is recovered: -20 dB.
RECOVERED = 0.01
#: Factor between noises from which on frequencies are solved apart: 10 dB. Beside that much more noise EIRP
#: was off by 0.1 to 0.3 dB where it was not by itself, beside 20 dB and more by up to 0.5 dB (measured).
UNLIKE = 3.0
#: Damping at a lower degree, at least: it holds back less there.
LEAST_DAMPING = 1e-3


class Attempt(NamedTuple):
    """A solution, and whether the samples leave waves undetermined."""

    prepared: Problem
    modes: Modes
    estimates: list[methods.Estimate]
    notes: list[Notice]
    doubtful: bool
    #: Relative noise of a sample (F,) where that sets the damping, NaN where it is not known.
    noise: NDArray[np.float64] | None = None


def damped_for_gap(
    method: Method | None, coverage: Coverage, degree: int, *, damping: float = GAP_DAMPING
) -> tuple[Method, list[Notice]]:
    """The method where a part of the sphere was not seen, and what is said of that part.

    Refused if too much is missing, or if the method has no damping.
    """
    unseen = coverage.unseen_solid_angle(degree) / (4 * math.pi)
    seen = coverage.describe(degree)
    if unseen > MAX_UNSEEN:
        # At a lower degree more would count as seen, but hardly be determined: of a cap of 40 deg it made TRP
        # 9 dB too high.
        raise InputError(seen, "measure more of the sphere")
    if method is None:
        method = _damped(LeastSquares(), damping)
    elif isinstance(method, LeastSquares) and method.damping is None:
        method = _damped(method, damping)
    if isinstance(method, LeastSquares) and method.damping == 0:
        remedy = f"give a damping (such as {GAP_DAMPING:g})"
        if (bridging := int(SEEN_STEPS * math.pi / coverage.largest_gap())) > 0:
            remedy += f", or degree {bridging} at most, which bridges it, if the antenna needs no more"
        raise InputError(seen, remedy)
    reach_deg = SEEN_STEPS * 180 / degree
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
    samples, method, each = prepared.samples, prepared.method, None
    estimates = prepared.estimates(samples.response)
    # Whatever the method: what a gap leaves in the spectrum says nothing of degree or steps.
    doubtful = coverage is not None and bool(coverage.unseen(prepared.degree).any())
    if isinstance(method, LeastSquares) and free and coverage is not None:
        residual = np.array([e.residual for e in estimates])
        each = noise_floor(residual, samples, prepared.degree)
        noise = float(np.nan_to_num(each).max())
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
        if isinstance(prepared.method, LeastSquares) and prepared.method.damping:
            prepared, estimates = _spared(prepared, prepared.method, estimates)
    return Attempt(prepared, prepared.as_modes(estimates), estimates, notes, doubtful, each)


def alike_in_noise(found: Attempt) -> list[list[int]]:
    """Frequencies whose noise differs by less than `UNLIKE`, the noisiest first.

    Noise sets the damping and the degree of all that are solved together: what it takes at the noisiest would
    hold back the beam of another.
    """
    count = len(found.estimates)
    if found.noise is None or not found.doubtful:
        return [list(range(count))]
    noise = np.maximum(np.nan_to_num(found.noise), EXPLAINED)
    left, groups = np.argsort(-noise, kind="stable"), list[list[int]]()
    while left.size:
        here = noise[left] * UNLIKE > noise[left[0]]
        groups.append(sorted(left[here].tolist()))
        left = left[~here]
    return groups


def _spared(
    prepared: Problem, method: LeastSquares, estimates: list[methods.Estimate]
) -> tuple[Problem, list[methods.Estimate]]:
    """The same, but what the samples determine not held back by the damping, which is for the rest.

    ``prepared`` is damped. Damping d leaves g / (g + d^2) of a wave of squared singular value g. Times
    1 + d^2 / g that is all of it, whereas waves that were hardly seen stay as weak as they are. The g of this
    antenna's waves is the power of the samples' field over that of the waves; so the residual is least. It is
    another one at each frequency.
    """
    seen = []
    for f, estimate in enumerate(estimates):
        operator, weights = prepared.iteration(f)
        x = operator.from_modes(estimate.coefficients)
        seen.append(ratio(np.sum(weights * np.abs(operator.forward(x)) ** 2), np.sum(np.abs(x) ** 2)))
    if not all(seen):
        return prepared, estimates
    prepared = prepared.on_threads(replace(method, spared=tuple(seen)))
    return prepared, prepared.unheld(estimates, prepared.samples.response)


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


def smaller_degree(found: Attempt, coverage: Coverage, method: Method | None) -> tuple[int, bool]:
    """The degree to take instead of that of ``found``, and whether the samples determine it everywhere.

    The least that explains them: where a part of the sphere was not seen, the far field beside it hangs on
    near field that was not measured, the more so the larger the sphere that the modes fill: the waves of
    degree n that come in direction theta pass the measured sphere up to asin(n / kr) away. Noiseless samples,
    to which each degree adds something, are given the highest that they determine. ``method`` is what was
    asked for.
    """
    explained, weaker, noise = _explained(found, coverage)
    plain = replace(found.prepared, method=method or LeastSquares())
    least, lower = explained[-1], explained[1:]
    if noise > MAY_HIDE:
        lower, weaker, explained = lower[-2:], [], explained[:-1] or explained
    elif noise > EXPLAINED:
        lower = lower[-1:]
    for degree in (*lower, *weaker):
        if coverage.unseen(degree).any():
            continue
        # Beside strong noise, more than the least is taken only where that adds little of it.
        most = LITTLE_NOISE if noise > MAY_HIDE and degree > least else MAX_NOISE
        if noise_over_ideal(replace(plain, degree=degree), rng=0) <= most:
            return degree, True
    # Wider reach finds other polarisations far around, at a pole above all, that may determine nothing.
    alone = coverage.unseen(found.prepared.degree) & coverage.alone
    held = replace(_damping_of(found), damping=min(MAX_DAMPING, max(LEAST_DAMPING, noise)))
    for degree in reversed(explained):
        unseen = coverage.unseen(degree)
        if not unseen.any():
            continue
        told = not alone.any() or unseen[alone].mean() >= KEPT_ALONE
        prepared = replace(found.prepared, degree=degree, method=held)
        if told or _recovers(prepared, coverage.direction[alone]):
            return degree, False
    return found.prepared.degree, False


def _damping_of(found: Attempt) -> LeastSquares:
    method = found.prepared.method
    assert isinstance(method, LeastSquares)
    return method


class _Tried:
    """A degree's solution: what it leaves of the samples, and how many of them noise alone would fit."""

    def __init__(self, prepared: Problem, residual: NDArray[np.float64], coverage: Coverage) -> None:
        self.prepared, self.residual = prepared, residual
        self.count = prepared.samples.response.shape[1]
        self.waves = min((1 - MIN_REDUNDANCY) * self.count, mode_count(prepared.degree))
        # Of the waves of a part that was not seen, the samples are free.
        self.fitted = self.waves * (1 - float(coverage.unseen(prepared.degree).mean()))

    @property
    def noise(self) -> NDArray[np.float64]:
        """Relative noise of a sample (F,)."""
        return self.residual / math.sqrt(1 - self.fitted / self.count)

    @cached_property
    def drawn(self) -> float:
        """How many samples' worth the waves fit of noise, by one realisation."""
        one = self.prepared.alone(0)
        pair = np.random.default_rng(0).standard_normal((2, *one.samples.response.shape))
        estimate = one.estimates(pair[0] + 1j * pair[1])[0]
        return self.count * (1 - estimate.residual**2)

    def hides(self, other: _Tried) -> NDArray[np.float64]:
        """Power that it leaves more than ``other``, of a higher degree, over the noise of a sample (F,)."""
        noise = np.maximum(other.residual, EXPLAINED) ** 2 / (other.count - other.fitted)
        return np.asarray((self.residual**2 - other.residual**2) / noise)

    def explains(self, other: _Tried) -> bool:
        """Whether that is no more than noise.

        The waves between hold the noise of as many samples as they fit, which scatters by the root of that
        number. They fit at least what was seen of them, and at most as many as they are.
        """
        more = self.hides(other)

        def within(fitted: float, scatter: float) -> bool:
            most = fitted + LEFT_OUT * math.sqrt(scatter * max(1.0, fitted))
            return bool(((more <= most) | (self.noise <= EXPLAINED)).all())

        if within(other.fitted - self.fitted, 1):
            return True
        # One realisation has the scatter of another.
        return within(other.waves - self.waves, 1) and within(other.drawn - self.drawn, 2)


def _explained(found: Attempt, coverage: Coverage) -> tuple[list[int], list[int], float]:
    """Degrees, the highest first, each of which explains the samples as the one before it does; lower ones
    that hide no more power than the noise of their own waves has; and the noise."""
    method = _damping_of(found)
    last = _Tried(found.prepared, np.array([e.residual for e in found.estimates]), coverage)
    # Neither damping, nor what an iteration leaves to be found of waves above that, must be taken for waves
    # that lack.
    noise = max(EXPLAINED, float(last.noise.min()))
    damping = min(method.damping or 1.0, BESIDE_NOISE * noise)
    trial = replace(method, damping=damping, rtol=0.1 * damping * noise)
    degree, degrees, weaker = found.prepared.degree, [found.prepared.degree], list[int]()
    while (degree := min(degree - 1, round(LOWER * degree))) >= 1:
        prepared = replace(found.prepared, degree=degree, method=trial)
        residual = np.array([e.residual for e in prepared.estimates(prepared.samples.response)])
        tried = _Tried(prepared, residual, coverage)
        if tried.explains(last):
            # So do those between, whatever chance made of one of them.
            degrees += [*weaker, degree]
            weaker, last = [], tried
        elif (tried.hides(last) <= last.fitted - tried.fitted + tried.waves).all():
            weaker.append(degree)
        else:
            break
    return degrees, weaker, float(last.noise.max())


def _recovers(prepared: Problem, direction: NDArray[np.float64]) -> bool:
    """Whether waves drawn at random are found again in the far field of directions (D, 3)."""
    prepared = prepared.alone(0)
    operator, _ = prepared.iteration(0)
    parts = np.random.default_rng(0).standard_normal((2, mode_count(prepared.degree)))
    drawn = Modes(prepared.samples.frequency, (parts[0] + 1j * parts[1])[None])
    response = operator.forward(operator.from_modes(drawn.coefficients[0]))
    found = prepared.modes(response[None])
    some = direction[:: -(-len(direction) // FEW_DIRECTIONS)]
    theta, phi = direction_angles(some)

    def power(modes: Modes) -> float:
        return float(sum(np.sum(np.abs(x) ** 2) for x in far_field_points(modes, theta=theta, phi=phi)))

    off = replace(drawn, coefficients=found.coefficients - drawn.coefficients)
    return power(off) <= RECOVERED * power(drawn)
