"""Whether an antenna found without a phase reference can be trusted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from nf2ff.messages.notice import Notice
from nf2ff.messages.phaseless import PhaselessCode
from nf2ff.solver.phaseless.likelihood import Fit, curvature, information, solve_by_gradients
from nf2ff.solver.phaseless.residual import Parts, most_unlike
from nf2ff.solver.phaseless.search import Task

Verdict = Literal["certified", "ambiguous", "failed"]
Complex = NDArray[Any]

#: Realisations of noise that give the predicted errors.
DRAWS = 24
#: Standard deviations, and error of the noise power stated, by which the misfit may be above expectation.
SPREADS, NOISE_ERROR = 4.0, 0.1
#: Rise of the deviance up to which a minimum may be the right one.
RISE = 25.0
#: Distance of far fields over the predicted error up to which two solutions are the same, and from which not.
SAME, OTHER = 1.0, 2.5
#: Rise of the deviance within which two ends are one minimum. As many starts must have found the lowest as
#: must agree: where two sufficed, 5 of 160 directive panels (powers, degree 12) were certified and 3 to 6 dB
#: worse than the minimum near the truth, another of many as likely.
ONE_MINIMUM = 3.0
#: Misfit over that of the best up to which a start has a say; half of these must have found the best.
CLOSE = 2.0
#: Largest relative error of the far field with which a solution is certified: -20 dB. The prediction is to
#: first order: rings of one sphere, which hardly determine the field, gave an error of -4 dB at -16 dB.
LARGEST = 10 ** (-20 / 20)
#: The same where no two readings share a phase: -31 dB. Above, other antennas explain powers as well: of 386
#: panels (N = 12, noise -50 dB) 9 were certified between -26 and -30 dB, though 3 dB and more worse than the
#: most likely antenna near the truth. The limit was chosen by them, and leaves two panels; clusters had -34
#: dB or less.
LARGEST_OF_POWERS = 10 ** (-31 / 20)
#: Noise over the largest reading up to which an estimate is taken for noise: -45 dB. Errors of the scan pass
#: for noise; those that mislead leave more (2 dB between polarisations: -40 dB), good receivers less. Drawn
#: afresh, neither this nor `CHANCE` raised a doubt on 121 faultless scans of -50 dB whose antenna was found,
#: and both did on all of 18 with 1 dB or 5 deg between polarisations.
LOUDEST = 10 ** (-45 / 20)
#: Probability below which an uneven residual is not noise, of all its parts together: so many faultless scans
#: may be doubted. Errors that mislead left 1e-9 mostly, one 6e-4.
CHANCE = 1e-2


@dataclass(frozen=True, slots=True, eq=False)
class Certificate:
    """What speaks for and against a solution.

    Parameters
    ----------
    verdict : {"certified", "ambiguous", "failed"}
        Certified: to be trusted; ambiguous: several antennas explain the readings, or one start alone found
        this one, or what passes for noise may be none; failed: no antenna found explains them.
    chi_square : float
        Misfit over what noise leaves, 1 expected; NaN where the noise was estimated from it.
    scatter : float
        Standard deviation of that ratio.
    held_out : float
        The same of readings kept from the search, NaN where there are too few.
    starts, agreeing : int
        Independent starts, and those that found this solution.
    gap : float
        Rise of minus twice the log likelihood to the next best minimum found, infinite if there is none.
    error : float
        Predicted rms error of the complex far field, one phase for all, relative to its rms.
    noise : float
        Root mean square noise of a reading, stated or estimated [unit of the responses].
    noise_known : bool
        Whether it was stated.
    reasons : tuple of Notice
        Sentences on the verdict.
    remedies : tuple of Notice
        What would help; none where it is certified.
    """

    verdict: Verdict
    chi_square: float
    scatter: float
    held_out: float
    starts: int
    agreeing: int
    gap: float
    error: float
    noise: float
    noise_known: bool
    reasons: tuple[Notice, ...]
    remedies: tuple[Notice, ...]

    @property
    def certified(self) -> bool:
        """Whether the solution is to be trusted."""
        return self.verdict == "certified"

    def sentence(self) -> str:
        """Verdict, reasons and remedies in one line."""
        if self.certified:
            return "; ".join(self.reasons)
        told = f"no phase reference: {self.verdict}: " + "; ".join(self.reasons)
        return told + ("; " + ", or ".join(self.remedies) if self.remedies else "")


def aligned(q: Complex, to: Complex) -> Complex:
    """``q`` (..., J) turned by the phase that brings it nearest to ``to`` (J,)."""
    turn = np.sum(np.conj(q) * to, axis=-1, keepdims=True)
    size = np.abs(turn)
    return np.asarray(q * (turn / np.where(size > 0, size, 1)))


def apart(q: Complex, to: Complex) -> float:
    """Relative rms difference of two far fields, whose common phase does not count."""
    return float(np.linalg.norm(aligned(q, to) - to) / np.linalg.norm(to))


def realisations(
    task: Task, fit: Fit, rng: np.random.Generator, count: int = DRAWS
) -> NDArray[np.complex128]:
    """Modes (D, J) as noise of the readings makes them, through the inverse of Fisher's information."""
    g, v = task.readings.groups, task.readings.weight
    told, unit = curvature(task.readings, fit.w, task.variance)
    scale = np.sqrt(task.variance / np.maximum(v, np.finfo(float).tiny) / 2) * (v > 0)
    share = v / task.variance
    turned = 1j * fit.z / np.linalg.norm(fit.z)
    found = []
    product = information(task.exact, task.readings, told, unit, task.variance)
    for _ in range(count):
        pair = rng.standard_normal((2, v.size))
        noise = scale * (pair[0] + 1j * pair[1])
        noise = noise - unit * g.spread(g.sums(share * (np.conj(unit) * noise).real))
        # The information of weak readings is less than their weight: its square root is what noise has.
        right = task.exact.adjoint(np.sqrt(told * share) * noise)
        change, _ = solve_by_gradients(product, right, 1000, 1e-5)
        # A common phase is not determined, and of no account.
        change -= turned * np.vdot(turned, change).real
        found.append(task.exact.to_modes(fit.z + change))
    q = task.exact.to_modes(fit.z)
    return aligned(np.stack(found), q)


def certify(
    whole: Task,
    best: Fit,
    others: Sequence[Fit],
    *,
    kept_out: NDArray[np.bool_],
    held_out: Fit,
    noise_known: bool,
    unit: float,
    remedies: tuple[Notice, ...],
    parts: Parts,
    rng: np.random.Generator,
) -> tuple[Certificate, NDArray[np.complex128]]:
    """Certificate of the best solution, and realisations of its modes (D, J).

    ``others`` are what independent starts ended at, the best one's own included, all by the readings not
    ``kept_out``; ``held_out`` is the best of them. ``unit`` is that of the readings in the task,
    and ``parts`` are in its order.
    """
    q = whole.exact.to_modes(best.z)
    draws = realisations(whole, best, rng)
    noise_error = float(np.sqrt(np.mean(np.sum(np.abs(draws - q) ** 2, axis=1)) / np.sum(np.abs(q) ** 2)))
    first = whole.exact.to_modes(held_out.z)
    distance = np.array([apart(whole.exact.to_modes(one.z), first) for one in others])
    rise = np.array([one.deviance - held_out.deviance for one in others])
    likely = rise < RISE
    share = np.exp(-0.5 * np.maximum(rise, 0)) * likely
    spread = float(np.sqrt(np.sum(share * distance**2) / share.sum()))
    error = float(np.hypot(noise_error, spread))
    agreeing = likely & (distance <= SAME * error)
    rival = likely & (distance > OTHER * error)
    outside = ~agreeing
    ratio, scatter = whole.ratio(best.w), whole.scatter(best.w)
    held, most = _held_out(whole, held_out, kept_out)
    noise_db = 20 * np.log10(np.sqrt(whole.variance) / np.max(np.abs(whole.readings.y) / whole.exact.scale))
    doubts = () if noise_known else _doubts(whole, best, draws, parts, noise_db)
    if doubts:
        remedies = (*remedies, PhaselessCode.HELP_STATE())
    reasons: list[Notice] = []
    verdict: Verdict = "certified"
    # Starts that ended where the misfit is no more than twice as large could tell of another antenna.
    close = sum(whole.ratio(one.w) < CLOSE * ratio for one in others)
    needed = max(2 if noise_known else 3, -(-close // 2))
    lowest = int(np.sum(rise < ONE_MINIMUM))
    if noise_known and not ratio <= (1 + NOISE_ERROR) + SPREADS * scatter:
        verdict = "failed"
        reasons.append(PhaselessCode.MISFIT(chi_square=ratio, scatter=scatter))
        remedies = (PhaselessCode.HELP_NOISE(), *remedies)
    elif not held <= most and np.isfinite(held):
        verdict = "failed"
        reasons.append(PhaselessCode.HELD_OUT(ratio=held, most=most))
    elif rival.any():
        verdict = "ambiguous"
        far = 20 * np.log10(distance[rival].max())
        reasons.append(PhaselessCode.RIVAL(rivals=int(rival.sum()), starts=len(others), apart_db=far))
    elif agreeing.sum() >= needed > lowest:
        verdict = "ambiguous"
        reasons.append(PhaselessCode.SHALLOW(lowest=lowest, starts=len(others), needed=needed))
        remedies = (PhaselessCode.HELP_STARTS(), *remedies)
    elif agreeing.sum() < needed:
        verdict = "ambiguous"
        reasons.append(PhaselessCode.ALONE(agreeing=int(agreeing.sum()), starts=len(others), needed=needed))
        remedies = (PhaselessCode.HELP_STARTS(), *remedies)
    elif not error <= (LARGEST_OF_POWERS if whole.readings.groups.order is None else LARGEST):
        verdict = "ambiguous"
        reasons.append(PhaselessCode.NOISE(error_db=20 * np.log10(error)))
        remedies = (PhaselessCode.HELP_LOUDER(), *remedies)
    elif doubts:
        verdict, remedies = "ambiguous", remedies[-1:]
    reasons.extend(doubts)
    gap = float(rise[outside].min()) if outside.any() else np.inf
    if verdict == "certified":
        next_best = ""
        if outside.any():
            next_ratio = min(whole.ratio(one.w) for one, out in zip(others, outside, strict=True) if out)
            next_best = PhaselessCode.GAP(ratio=next_ratio / ratio)
        misfit = PhaselessCode.STATED(chi_square=ratio)
        if not noise_known:
            misfit = PhaselessCode.ESTIMATED(noise_db=noise_db)
        reasons.append(
            PhaselessCode.CERTIFIED(
                agreeing=int(agreeing.sum()),
                starts=len(others),
                misfit=misfit,
                gap=next_best,
                held=PhaselessCode.HELD() if np.isfinite(held) else PhaselessCode.FEW(),
                error_db=20 * np.log10(error),
            )
        )
        if parts["sphere"].max() == 0:
            reasons.append(PhaselessCode.ONE_SPHERE())
        remedies = ()
    found = Certificate(
        verdict,
        ratio if noise_known else np.nan,
        scatter,
        held,
        len(others),
        int(agreeing.sum()),
        gap,
        error,
        float(np.sqrt(whole.variance)) * unit,
        noise_known,
        tuple(reasons),
        remedies,
    )
    return found, draws


def _doubts(whole: Task, best: Fit, draws: Complex, parts: Parts, noise_db: float) -> tuple[Notice, ...]:
    """Why a residual from which the noise was estimated may be something else."""
    found = []
    most_db = 20 * np.log10(LOUDEST)
    if noise_db > most_db:
        found.append(PhaselessCode.LOUD(noise_db=noise_db, most_db=most_db))
    by, ratio, chance = most_unlike(whole, best, draws, parts)
    if chance < CHANCE:
        found.append(PhaselessCode.UNLIKE(by=by, ratio=ratio))
    return tuple(found)


def _held_out(whole: Task, fit: Fit, out: NDArray[np.bool_]) -> tuple[float, float]:
    """Misfit of readings kept out over that of noise, and the largest that noise and leverage explain."""
    if out.sum() < 10:
        return np.nan, np.inf
    readings = replace(whole.readings, weight=np.where(out, whole.readings.weight, 0.0))
    expected = float(readings.expected(fit.w, whole.variance).sum())
    ratio = 2 * float(readings.misfit(fit.w).sum()) / whole.variance / expected
    p = 2 * whole.exact.unknowns
    total = float(whole.readings.expected(fit.w, whole.variance).sum())
    return ratio, (1 + 3 * p / max(total - p, 1)) * (1 + 5 * np.sqrt(2 / expected))
