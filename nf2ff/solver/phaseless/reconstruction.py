"""Far field without a phase reference: from powers, from lines of unknown phase, from displaced elements.

A sample's group (``Samples.coherence``) says with which others it shares one unknown phase; groups of one are
powers. Random starts look for an antenna that explains the readings (`search`), the most likely one
near each is found (`likelihood`), and what they found decides what the result is worth
(`certificate`).
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes
from nf2ff.kernel import spin
from nf2ff.measurement.probe import Probe, at_frequencies
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.solver import degree as degrees
from nf2ff.solver.phaseless.certificate import RISE, Certificate, certify
from nf2ff.solver.phaseless.counting import check_determined, remedies_of
from nf2ff.solver.phaseless.likelihood import Fit, Readings, groups_of
from nf2ff.solver.phaseless.projection import range_of
from nf2ff.solver.phaseless.residual import parts_of
from nf2ff.solver.phaseless.search import NEAR, Task, search
from nf2ff.solver.requirements import check_polarisations, check_radius, check_units

Complex = NDArray[np.complex128]
Progress = Callable[[int, int], None]

#: Steps of a start at most; nearly all that succeed do within 1000.
STEPS = 2000
#: Searches from the neighbourhood of what a start found, and their steps.
EXCURSIONS, EXCURSION_STEPS = 8, 50
#: Excursions from the best of all at the end.
LAST_EXCURSIONS = 16
#: Excursions in a row that find nothing better after which the others are left out.
SETTLED = 3
#: Part of the readings kept from the search, to be predicted.
KEPT_OUT = 0.03
#: Noise over the rms of the readings with which a search begins whose noise is not known: -30 dB.
FIRST_NOISE = 10 ** (-30 / 20)


@dataclass(frozen=True, slots=True, eq=False)
class Reconstruction:
    """Modes found without a phase reference, and what they are worth.

    Parameters
    ----------
    modes : Modes
        The most likely modes, up to one phase for each frequency.
    samples : Samples
        The readings with the phases found and no groups: least squares of equal weights on them has the same
        modes.
    certificates : tuple of Certificate
        One for each frequency.
    draws : (F, D, J) ndarray
        Modes as noise makes them.
    """

    modes: Modes
    samples: Samples
    certificates: tuple[Certificate, ...]
    draws: Complex

    @property
    def certified(self) -> NDArray[np.bool_]:
        """Whether each frequency is certified, (F,)."""
        return np.array([one.certified for one in self.certificates])


def reconstruct(
    samples: Samples,
    probe: Probe,
    *,
    degree: int,
    noise: float | None = None,
    starts: int = 8,
    rng: int | np.random.Generator | None = None,
    jobs: int | None = None,
    progress: Progress | None = None,
) -> Reconstruction:
    """Modes from samples whose phases are known within groups only, with a certificate.

    Parameters
    ----------
    samples : Samples
        Readings with ``coherence``; of groups of one the amplitude alone counts.
    probe : Probe
        The probe that took them.
    degree : int
        Degree N of the modes, which must hold the whole antenna.
    noise : float, optional
        Root mean square magnitude of the complex noise of a reading [unit of the responses]; estimated if not
        given, which takes more starts that agree, and an estimate that is low and looks like noise.
    starts : int
        Independent starts.
    rng : int or numpy.random.Generator, optional
        Source of the starts and of the readings held out.
    jobs : int, optional
        Threads, all cores by default.
    progress : callable, optional
        Called with the number of starts done and of all.

    Returns
    -------
    Reconstruction
        Whatever the verdict: look at ``certificates``.

    Raises
    ------
    ValueError
        If there are no groups, readings are too few for the degree or of a set that no search solves, or the
        noise is not below the readings.

    Notes
    -----
    Interrupted (Ctrl-C), it goes on with what the starts so far have found.
    """
    degree = degrees.whole(degree)
    if samples.coherence is None:
        raise InputError("the samples have no groups of coherent phase", "use `solve`, or state the groups")
    if starts < 2:
        raise InputError(f"starts is {starts}, expected at least 2, of which two can agree")
    reference = check_units(samples, probe)
    check_radius(samples, None, probe)
    check_polarisations(samples, probe)
    probe, _ = at_frequencies(probe, samples.frequency)
    generator = np.random.default_rng(rng)
    found = []
    for f in range(samples.frequency.size):
        one = samples.at_frequency(f)
        check_determined(one, probe, degree)
        told = partial(_tell, progress, f * starts, samples.frequency.size * starts)
        found.append(_one(one, probe, degree, noise, starts, generator, jobs, told))
    modes = Modes(samples.frequency, np.stack([q for q, *_ in found]), reference)
    response = np.full(samples.response.shape, np.nan, dtype=complex)
    for f, (_, completed, _, _) in enumerate(found):
        response[f, ~np.isnan(samples.response[f])] = completed
    completed_samples = replace(samples, response=response, coherence=None)
    certificates, draws = tuple(x[2] for x in found), np.stack([x[3] for x in found])
    return Reconstruction(modes, completed_samples, certificates, draws)


def _tell(progress: Progress | None, before: int, total: int, done: int) -> None:
    if progress is not None:
        progress(before + done, total)


def _one(
    samples: Samples,
    probe: Probe,
    degree: int,
    noise: float | None,
    starts: int,
    rng: np.random.Generator,
    jobs: int | None,
    told: Callable[[int], None],
) -> tuple[Complex, Complex, Certificate, Complex]:
    """Modes of one frequency, its readings (M,) with phases, the certificate and realisations."""
    exact = range_of(samples, probe, degree)
    y = samples.response[0][exact.order] * exact.scale
    unit = float(np.sqrt(np.mean(np.abs(y) ** 2)))
    if not unit > 0:
        raise InputError("all readings are zero", "check the file")
    if noise is not None and not 0 < noise < unit:
        raise InputError(
            f"the noise stated is {noise:.3g} {samples.response_unit}, the readings are {unit:.3g} (rms)",
            "state a level below that of the readings, above zero",
        )
    assert samples.coherence is not None
    groups = groups_of(samples.coherence[exact.order])
    readings = Readings(y / unit, groups, 1 / exact.scale**2)
    out = rng.random(y.size) < KEPT_OUT
    variance = FIRST_NOISE**2 if noise is None else (noise / unit) ** 2
    task = Task(exact, exact.rough(), readings.without(out), variance)
    seeds = np.random.SeedSequence(int(rng.integers(2**63))).spawn(starts)
    if noise is None:
        task = _with_noise(task, [search(task, None, STEPS, np.random.default_rng(x)) for x in seeds[:2]])
    found = _chains(task, seeds, jobs, told)
    if noise is None:
        task = _with_noise(task, found)
        found = [task.finish(one.z) for one in found]
    first = min(found, key=lambda one: one.deviance)
    whole = replace(task, readings=readings)
    near = [one for one in found if one.deviance <= first.deviance + RISE]
    near.sort(key=lambda one: one.deviance)
    best = min((whole.finish(one.z) for one in near[:3]), key=lambda one: one.deviance)
    best = _excursions(whole, best, rng, most=LAST_EXCURSIONS)
    certificate, draws = certify(
        whole,
        best,
        found,
        kept_out=out,
        held_out=first,
        noise_known=noise is not None,
        unit=unit,
        remedies=remedies_of(samples),
        parts={by: part[exact.order] for by, part in parts_of(samples).items()},
        rng=rng,
    )
    completed = np.empty(y.size, dtype=complex)
    completed[exact.order] = readings.completed(best.w, whole.variance) / exact.scale * unit
    return exact.to_modes(best.z) * unit, completed, certificate, draws * unit


def _chains(
    task: Task, seeds: list[np.random.SeedSequence], jobs: int | None, told: Callable[[int], None]
) -> list[Fit]:
    """What each start ends at; those there are when interrupted."""
    from joblib import Parallel, delayed

    found: list[Fit] = []
    threads = min(len(seeds), spin.thread_count(None) if jobs is None else jobs)
    results = Parallel(n_jobs=threads, prefer="threads", return_as="generator")(
        delayed(_chain)(task, seed) for seed in seeds
    )
    try:
        for one in results:
            found.append(one)
            told(len(found))
    except KeyboardInterrupt:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)  # that what others found is not used
            results.close()
        if not found:
            raise
    return found


def _chain(task: Task, seed: np.random.SeedSequence) -> Fit:
    """One start, and excursions from where it ended, which leave shallow minima."""
    rng = np.random.default_rng(seed)
    return _excursions(task, search(task, None, STEPS, rng), rng)


def _excursions(task: Task, best: Fit, rng: np.random.Generator, *, most: int = EXCURSIONS) -> Fit:
    """The best of searches from the neighbourhood of a solution."""
    scale = np.sqrt(task.variance / np.where(task.readings.weight > 0, task.readings.weight, np.inf))
    settled = 0
    for _ in range(most):
        if task.ratio(best.w) > NEAR or settled == max(SETTLED, most // 3):
            break
        pair = rng.standard_normal((2, scale.size))
        start = best.w + np.sqrt(2) * scale * (pair[0] + 1j * pair[1])
        tried = search(task, start, EXCURSION_STEPS, rng, least=best.deviance)
        settled = settled + 1 if tried.deviance > best.deviance - 0.1 else 0
        if tried.deviance < best.deviance:
            best = tried
    return best


def _with_noise(task: Task, found: list[Fit]) -> Task:
    """The task with the noise that the best of ``found`` leaves."""
    best = min(found, key=lambda one: one.deviance)
    for _ in range(8):
        ratio = task.ratio(best.w)
        task = replace(task, variance=task.variance * max(ratio, 1e-12))
        if abs(ratio - 1) < 0.02:
            break
        best = task.finish(best.z)
    return task
