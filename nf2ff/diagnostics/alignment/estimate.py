"""What a scan says of its own set-up: misaligned axes, drift and unequal ports, from its redundancy.

A sphere that is sampled more than once is consistent with the modes of an antenna only if the probe was where
the record says, and its readings have not drifted. `estimate_alignment` fits both at once: w = g(p) (A(x(p),
probe(p)) q) + b(p), the modes q eliminated (variable projection; G. H. Golub and V. Pereyra, SIAM J. Numer.
Anal. 10, 1973, from memory), each parameter p with the standard uncertainty of the budget as its prior.

A residual at the noise proves nothing: what modes can make up leaves none, however wrong the far field is.
What the scan sees is therefore looked at first (`observability`), and the rest is left as recorded.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes, mode_count
from nf2ff.diagnostics.alignment.fit import Fit
from nf2ff.diagnostics.alignment.held import HeldEffect, HeldPose, held_effect, held_pose
from nf2ff.diagnostics.alignment.model import Model, rows
from nf2ff.diagnostics.alignment.parameters import Parameter, noise_of, parameters_of
from nf2ff.diagnostics.alignment.pose import MOVES, pose_of
from nf2ff.diagnostics.alignment.result import Alignment
from nf2ff.diagnostics.alignment.unlisted import Unlisted, unlisted
from nf2ff.kernel import spin
from nf2ff.measurement.probe import Probe, at_frequencies
from nf2ff.measurement.samples import Samples
from nf2ff.messages.diagnostics import AlignmentCode
from nf2ff.messages.input_error import InputError, found_in
from nf2ff.messages.notice import Notice
from nf2ff.solver.coverage import measure_coverage
from nf2ff.solver.degree import whole
from nf2ff.solver.gaps import lacking
from nf2ff.solver.polarisations import places
from nf2ff.solver.requirements import check_units
from nf2ff.uncertainty.errors.error_term import ErrorTerm

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Power of the last two degrees over all, above what noise and unseen faults explain, from which a spectrum
#: has not fallen off [dB].
FALLEN_DB = -25.0
#: Power of two degrees over that of the two before, below which a spectrum is still falling.
FALLING = 0.5
#: Reduced chi-square above one by so many of its standard deviations is told of.
UNLIKELY = 5.0
#: Share of the far field's variance by what is not seen, from which cuts are advised.
MUCH_UNSEEN = 0.5
#: What is not seen is told of from this part of what noise does to the far field, so many of its directions.
NOTABLE, SHOWN = 0.3, 3
#: Estimates beyond so many priors are told of.
FAR_BEYOND = 4.0


def estimate_alignment(
    samples: Samples,
    probe: Probe,
    terms: Sequence[ErrorTerm],
    *,
    degree: int,
    frequency: float | None = None,
    robust: bool = True,
    threads: int | None = None,
) -> Alignment:
    """Estimate what is wrong with a set-up from a scan's own redundancy, and set the scan right.

    Parameters
    ----------
    samples : Samples
        The scan as recorded; with times, or in the order of time, where drift is asked for.
    probe : Probe
        The probe that took it.
    terms : sequence of ErrorTerm
        What may be wrong, each size a standard uncertainty, about zero: axis-zero of theta (of the radius,
        where radii differ), axes-apart (x, y), axes-not-square, probe-pointing, channel-imbalance, leakage
        (one for each port), thermal-ramp, slow-drift, timing-lag, wander, arm-sag, wobble, cable-flexing.
        receiver-noise or noise-floor states the noise; other terms are passed over.
    degree : int
        Degree N of the modes, beyond which the antenna has none above the noise.
    frequency : float, optional
        Which of the scan's frequencies tells the pose, by default the highest [Hz]. At the others gains and
        leakage are estimated with that pose, whose uncertainty is theirs as well.
    robust : bool
        Whether to set aside samples that neither noise nor terms explain.
    threads : int, optional
        Threads, by default all.

    Returns
    -------
    Alignment

    Raises
    ------
    ValueError
        If no scan, or not this one, can see a parameter, times are lacking, a prior is zero, there are fewer
        samples than unknowns, a part of the sphere was not measured, or the degree is too low.

    Notes
    -----
    A free fit of what is hardly seen does harm: the priors hold it back. Directions in the space of
    parameters over priors whose standard uncertainty does not fall to 0.3 are named; where it does not fall
    to 0.4, they stay as recorded. Derivatives are those of six motions of the probe
    (`pose_derivatives`); they are formed anew only where the responses have changed by 3 % since. Reduced
    chi-square tells of faults that are not among the terms, but not of all: a cable whose phase follows theta
    passes for axes that miss each other.
    """
    degree = whole(degree)
    check_units(samples, probe)
    probe.check_port(int(samples.port.max()))
    probe, _ = at_frequencies(probe, samples.frequency)
    first = _index(samples, frequency)
    count = spin.thread_count(threads)
    one = _one(samples.part([first]), probe, terms, degree, robust, count, None)
    held = held_pose(one)
    others: list[Alignment] = []
    order = [f for f in range(samples.frequency.size) if f != first]
    for f in order:
        with found_in(f"{samples.frequency[f] / 1e9:.9g} GHz"):
            others.append(_one(samples.part([f]), probe, terms, degree, robust, count, held))
    if not others:
        return one
    response = np.empty_like(samples.response)
    for f, found in zip([first, *order], [one, *others], strict=True):
        response[f] = found.samples.response[0]
    place = {x: getattr(one.samples, x) for x in ("theta", "phi", "chi", "radius")}
    return replace(one, samples=replace(samples, response=response, **place), others=tuple(others))


def _index(samples: Samples, frequency: float | None) -> int:
    if samples.moving and samples.frequency.size > 1:
        raise InputError(
            "the positions differ from frequency to frequency", "align the frequencies one by one"
        )
    if frequency is None:
        return int(np.argmax(samples.frequency))
    near = int(np.argmin(np.abs(samples.frequency - frequency)))
    if abs(samples.frequency[near] / frequency - 1) > 1e-9:
        raise InputError(
            f"there is no sample at {frequency / 1e9:.9g} GHz",
            f"the nearest are at {samples.frequency[near] / 1e9:.9g} GHz",
        )
    return near


def _one(
    samples: Samples,
    probe: Probe,
    terms: Sequence[ErrorTerm],
    degree: int,
    robust: bool,
    threads: int,
    held: HeldPose | None,
) -> Alignment:
    """Of one frequency; where some parameters are ``held``, of those of the signal."""
    present = ~np.isnan(samples.response[0])
    parameters = parameters_of(terms, samples)
    if held:
        parameters = tuple(x for x in parameters if not x.geometric)
    there = samples.at_frequency(0)
    _check_count(int(present.sum()), degree, len(parameters))
    _check_whole(there, probe, degree, threads)
    kept = rows(held.parameters, present) if held else ()
    model = Model(
        there,
        probe,
        rows(parameters, present),
        degree,
        threads,
        tuple(zip(kept, held.value, strict=True)) if held else (),
    )
    noise = noise_of(terms, samples)
    recorded, before = (
        replace(model, parameters=(), held=())
        .at(np.zeros(0))
        .solve(there.response[0], np.full(there.port.size, 8 * np.pi / there.port.size))
    )
    fit = Fit(model, noise, start=recorded)
    fit.run(robust=robust)
    # A held pose has uncertainties of its own, which would pass for other faults.
    beside = [] if held else unlisted(fit, samples, terms, doubtful=_doubtful(fit))
    return _result(fit, samples, present, parameters, held, before, beside)


def _doubtful(fit: Fit) -> bool:
    """Whether more is left than noise explains, as far as is known."""
    ratio = fit.found / fit.noise**2 if fit.noise else np.inf
    return bool(ratio > 1 + UNLIKELY / np.sqrt(max(fit.free, 1)))


def _check_count(count: int, degree: int, parameters: int) -> None:
    need = mode_count(degree) + parameters
    if count <= need:
        raise InputError(
            f"there are {count} samples for {mode_count(degree)} modes of degree {degree} and {parameters} "
            "parameters",
            "sample more densely, take a lower degree if the antenna allows, or name fewer terms",
        )


def _check_whole(samples: Samples, probe: Probe, degree: int, threads: int) -> None:
    """Refuse a part of a sphere: modes that no sample sees make up for almost any fault."""
    theta, phi, stokes = places(samples, probe)
    coverage = measure_coverage(
        theta=theta, phi=phi, stokes=stokes, degree=degree, density=False, threads=threads
    )
    if coverage.unseen(degree).any():
        raise InputError(
            f"{lacking(coverage, degree)}: modes that radiate there make up for faults, so that the scan "
            "says nothing sure of its set-up",
            "measure the whole sphere; or transform the scan as it is, with the faults as terms of nf2ff "
            "uncertainty",
        )


def _result(
    fit: Fit,
    samples: Samples,
    present: NDArray[np.bool_],
    parameters: tuple[Parameter, ...],
    held: HeldPose | None,
    before: Complex,
    beside: Sequence[Unlisted],
) -> Alignment:
    model, q, observed = fit.model, fit.q, fit.observed
    effect, prior, power = fit.effect(), model.prior, float(np.vdot(q, q).real)
    noise_field = fit.noise_in_modes() / np.sqrt(power)
    pose = held_effect(fit, held) if held else None
    by_pose = pose.left if pose else 0.0
    left = float(np.trace(observed.covariance @ effect)) + by_pose
    unseen = float(np.sum(observed.uncertain[observed.unseen()] ** 2))
    unseen += float(np.sum(pose.unseen**2)) if pose else 0.0
    covariance = observed.covariance + (pose.covariance if pose else 0.0)
    before_it = float(np.trace(effect)) + (pose.by_priors if pose else 0.0)
    explained = (fit.noise or 0.0) ** 2 + (pose.residual if pose else 0.0)
    _check_degree(q, model.degree, noise_field**2 + unseen)

    def of_all(values: NDArray[Any], missing: Any = np.nan) -> NDArray[Any]:
        spread = np.full(present.size, missing)
        spread[present] = values
        return spread

    missing = complex(np.nan, np.nan)
    moves: dict[str, Any] = {}
    kept = zip(held.parameters, held.value, strict=True) if held else ()
    for x, value in (*zip(parameters, prior * fit.u, strict=True), *kept):
        for name, shape in x.moves:
            moves[name] = moves.get(name, 0.0) + value * shape
    place = pose_of(_placed(samples), {k: v for k, v in moves.items() if k in MOVES}).samples
    signal = fit.signal - fit.placed.mounting(q)
    response = of_all(np.where(fit.used, signal, missing), missing)
    found = Alignment(
        frequency=float(samples.frequency[0]),
        parameters=parameters,
        value=prior * fit.u,
        uncertainty=prior * np.sqrt(np.diagonal(covariance)),
        covariance=covariance * np.outer(prior, prior),
        observability=observed,
        effect=fit.derivatives.modes,
        modes=Modes(samples.frequency, q[None], check_units(samples, model.probe)),
        samples=replace(place, response=response[None]),
        set_aside=np.array([samples.number_of(int(i)) for i in np.flatnonzero(of_all(~fit.used, False))]),
        residual_before=of_all(np.abs(before) / model.top),
        residual_after=of_all(np.abs(fit.left * fit.placed.gain) / model.top),
        noise=float(np.sqrt(fit.variance)) / model.top,
        chi_square=fit.found / explained if fit.noise else None,
        far_field_before=float(np.sqrt(before_it + noise_field**2)),
        far_field_after=float(np.sqrt(left + noise_field**2)),
        far_field_noise=noise_field,
        far_field_pose=float(np.sqrt(by_pose)),
        solves=fit.solves,
        warnings=(),
        unlisted=tuple(beside),
    )
    share = unseen / (left + noise_field**2)
    return replace(found, warnings=tuple(_warnings(found, fit, share, held, pose)))


def _placed(samples: Samples) -> Samples:
    """Samples of one frequency with positions (M,)."""
    names = ("theta", "phi", "chi", "radius")
    place: dict[str, Any] = {x: np.atleast_2d(getattr(samples, x))[0] for x in names}
    return replace(samples, **place)


def _warnings(
    found: Alignment, fit: Fit, share: float, held: HeldPose | None, pose: HeldEffect | None
) -> list[Notice]:
    told: list[Notice] = []
    for x in found.unlisted:
        told.append(AlignmentCode.UNLISTED(what=x.words, kind=x.kind))
    beyond = [(x, abs(u)) for x, u in zip(found.parameters, fit.u, strict=True) if abs(u) > FAR_BEYOND]
    if found.chi_square is None and (found.set_aside.size or beyond):
        count = found.set_aside.size
        signs = [f"{count} of {fit.used.size} samples were set aside"] if count else []
        signs += [f"{len(beyond)} of the estimates lie beyond {FAR_BEYOND:g} priors"] if beyond else []
        told.append(AlignmentCode.DOUBTFUL(signs=" and ".join(signs)))
    seen = found.observability
    unseen = [(seen.told(i), float(seen.uncertain[i])) for i in seen.unseen()]
    if held and pose:
        unseen += zip(held.told, pose.unseen.tolist(), strict=True)
    notable = sorted((x for x in unseen if x[1] > NOTABLE * found.far_field_noise), key=lambda x: -x[1])
    if notable:
        what = "; ".join(f"{name} ({20 * np.log10(size):z.0f} dB)" for name, size in notable[:SHOWN])
        more = f"; and {len(notable) - SHOWN} more" if len(notable) > SHOWN else ""
        told.append(AlignmentCode.UNSEEN(what=what + more))
    if share > MUCH_UNSEEN:
        told.append(AlignmentCode.TIE_CUTS(percent=100 * share))
    if found.chi_square is None:
        told.append(AlignmentCode.NOISE_UNKNOWN())
    elif found.chi_square > 1 + UNLIKELY / np.sqrt(max(fit.free, 1)):
        told.append(AlignmentCode.UNEXPLAINED(ratio=found.chi_square))
    if found.set_aside.size:
        told.append(AlignmentCode.SET_ASIDE(count=found.set_aside.size, all=fit.used.size))
    if not fit.rests:
        told.append(AlignmentCode.UNFINISHED(solves=fit.solves))
    told += [AlignmentCode.BEYOND_PRIOR(what=x.name, ratio=size) for x, size in beyond]
    return told


def _check_degree(q: Complex, degree: int, explained: float) -> None:
    """Refuse a spectrum that has not fallen off: what lies beyond it would bias every parameter.

    It falls on as it fell over the last four degrees; one that is flat there is a floor of something else.
    """
    power = np.abs(q) ** 2 / np.sum(np.abs(q) ** 2)
    ends = [mode_count(max(degree - step, 0)) for step in (4, 2, 0)]
    before, last = (float(power[i:j].sum()) for i, j in pairwise(ends))
    fall = last / before if before > 0 else 1.0
    beyond = last * fall / (1 - fall) if fall < FALLING else 0.0
    if last > 10 ** (FALLEN_DB / 10) + 2 * explained or beyond > explained:
        raise InputError(
            f"degree {degree} is too low: its last two degrees hold {10 * np.log10(last):z.0f} dB of the "
            "power, and modes beyond them bias the estimates",
            "take a higher one",
        )
