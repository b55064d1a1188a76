"""Whether readings agree with each other and with the model that was found of them.

A receiver that hung, or a cable that was off, leaves a run of equal readings, which the model says
are none of the field's. Readings of one polarisation that were taken apart from those of the other
may be off by a factor, which shows at the poles, and elsewhere by what a factor mends; so may all that
were taken after a restart.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.grids import ANGLE_TOLERANCE
from nf2ff.antenna.modes import Modes, mode_count
from nf2ff.kernel import spin
from nf2ff.kernel.arrays import inner, norm
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError, beside
from nf2ff.messages.notice import Notice
from nf2ff.messages.scan import ReadingCode
from nf2ff.solver import suspect_readings
from nf2ff.solver.methods import Estimate
from nf2ff.solver.reading_steps import Step, find_step, orders
from nf2ff.solver.regular_grid import GridScan
from nf2ff.solver.suspected_units import suspect_elevation, suspect_form
from nf2ff.solver.transmission import modelled

Complex = NDArray[np.complex128]
Whole = NDArray[np.intp]

#: Factor between two polarisations from which it is told of: 0.4 dB or 3 deg, about what drift
#: and cables do in a good range.
FACTOR = 0.05
#: Distance of a factor from -1 up to which it is taken for a reversed sign.
REVERSED = 0.1
#: Standard deviations of a factor from which it is one.
DEVIATIONS = 6.0
#: Samples at which the model is compared, at most, and how exact the model is there.
MOST, MODEL_ACCURACY = 20_000, 1e-5
#: Residual from which a factor is looked for away from the poles, and above which samples can hardly be what
#: they are said to be.
RESIDUAL, LARGE_RESIDUAL = 1e-3, 0.1
#: Rms misfit of a run of equal readings over the median misfit of others, and over the rms reading.
STUCK, LEAST = 2.5, 0.01
#: `Estimate.unevenness` from which the misfit is not noise alone: up to 2.9 where redundancy is
#: uneven, as on grids (measured).
UNEVEN = 3.5
#: Part of the power of a misfit in one reading from which that one is suspected.
ALONE = 0.05
#: Power of the misfit that is left without one reading, and with a factor put right, over what it
#: was, up to which these are the cause.
LEFT_WITHOUT, LEFT_CORRECTED = 0.1, 0.5
#: The same up to which factors explain all, so that no step in time is looked for, and the most readings
#: among which one is, which takes 8 to 40 solutions.
EXPLAINED, MOST_IN_TIME = 1e-3, 50_000
#: Frequencies at which one is looked for in vain, at most, as each takes as long as eight: what makes misfits
#: alike at all of them is something else.
MOST_FAILED = 3
TINY = np.finfo(float).tiny

#: Factors of kinds of samples, and what is said of each.
Factors = dict[int, tuple[complex, Notice]]


def judge(
    samples: Samples,
    probe: Probe,
    modes: Modes,
    estimates: Sequence[Estimate],
    again: Callable[[int, Complex], Complex],
    *,
    degree: int | None = None,
    threads: int | None = None,
    scan: GridScan | None = None,
) -> list[list[Notice]]:
    """Warnings of readings that can hardly be right, for each frequency.

    ``again`` gives the modes (J,) of other readings (M,) of a frequency, solved alike; above ``degree`` there
    is nothing but a plateau, if any is given; ``scan`` is the grid that the samples are, if any.
    """
    places = enumerate(suspect_readings.each_place(samples, scan=scan, threads=threads or 1))
    side_by_side = 1 if samples.moving else min(threads or 1, samples.frequency.size)
    top = modes.degree if degree is None else degree

    def of_one(f: int, at: suspect_readings.Places, near: int | None, failed: int) -> _Told:
        """Warnings of a frequency, and where a step in time is; ``near`` is where the first one has it, and
        ``failed`` at how many it was looked for in vain."""
        case = _Case(samples, probe, f, at, 1 if side_by_side > 1 else threads)
        q, w = modes.coefficients[f], samples.response[f]
        rows, repeated = at.first_look(w)
        told: list[Notice] = []
        if repeated:
            told, stuck = _stuck(case, q)
            w = suspect_readings.without(w, stuck)
            rows, _ = at.first_look(w)
        more, bad = suspect_readings.spikes(at, w, samples, f, rows)
        told += more
        w = suspect_readings.without(w, bad)
        if not told and estimates[f].residual > LARGE_RESIDUAL:
            form = _form(case, estimates[f], again)
            if form is not None:
                return _Told([form], near, failed)
        factors, known = _at_poles(case, w)
        if not told:
            if not factors:
                more, factors = _by_model(case, q, estimates[f], again, known=known)
            if not more:
                sought = failed < MOST_FAILED and _uneven(estimates[f])
                seen = _in_time(case, q, again, factors, degree=top, near=near) if sought else None
                failed += sought and seen is None
                if seen is not None:
                    order, step = seen
                    near, w = step.row, np.where(step.later, w / step.factor, w)
                    more, factors = [_step(case, order, step)], {}
            told += more
        for kind, (factor, notice) in factors.items():
            told.append(notice)
            w = np.where(at.kind == kind, w / factor, w)
        told += suspect_readings.contradictions(at, w, samples, f, estimates[f].residual)
        return _Told(told, near, failed)

    # With the first, what is kept of the places is formed.
    first = of_one(*next(places), None, 0)

    def of_some(some: Iterable[tuple[int, suspect_readings.Places]]) -> list[list[Notice]]:
        found, failed = [], first.failed
        for f, at in some:
            one = of_one(f, at, first.near, failed)
            failed = one.failed
            found.append(one.notices)
        return found

    if side_by_side == 1:
        return [first.notices, *of_some(places)]
    others = list(places)
    shares = spin.shares(len(others), side_by_side)
    jobs = [partial(of_some, others[share.start : share.stop]) for share in shares]
    return [first.notices, *(one for some in spin.run(jobs, side_by_side) for one in some)]


class _Told(NamedTuple):
    """Warnings of a frequency; the first reading after a step in time, if there is one; and at how many
    frequencies one was looked for in vain."""

    notices: list[Notice]
    near: int | None
    failed: int


@contextmanager
def naming_doubts(doubts: Sequence[Sequence[Notice]]) -> Iterator[None]:
    """Say of errors within which readings may be their cause."""
    try:
        yield
    except InputError as error:
        first = next((notice for some in doubts for notice in some), None)
        if first is not None:
            error.what = f"{beside(first, error)}; with these readings {error.what}"
        raise


@dataclass(frozen=True, slots=True, eq=False)
class _Case:
    """Samples of one frequency ``f``, and where they are."""

    samples: Samples
    probe: Probe
    f: int
    at: suspect_readings.Places
    threads: int | None

    def model(self, q: Complex, rows: Whole) -> Complex:
        """Responses that modes (J,) make at some of the samples."""
        s, f = self.samples, self.f
        theta, phi, chi, radius = (x[rows] for x in s.place(f))
        none = np.zeros((1, rows.size), dtype=complex)
        some = Samples(s.frequency[f : f + 1], theta, phi, chi, radius, s.port[rows], none)
        return modelled(some, self.probe, q, tolerance=MODEL_ACCURACY, threads=self.threads)

    def where(self, row: int) -> str:
        return suspect_readings.where(self.samples, self.f, [row])

    def off(self, code: ReadingCode, kinds: tuple[int, int], factor: complex, **more: Any) -> Notice:
        """That the readings of one kind are off those of another by a factor."""
        chi = self.samples.place(self.f)[2]
        several = len(self.samples.ports()) > 1
        names = []
        for kind in kinds:
            row = int(np.argmax(self.at.kind == kind))
            port = f", port {self.samples.port[row]}" if several else ""
            names.append(f"chi {math.degrees(float(chi[row])):z.6g} deg{port}")
        count = int(np.count_nonzero(self.at.kind == kinds[0]))
        more |= {"level_db": 20 * math.log10(abs(factor)), "turn_deg": math.degrees(np.angle(factor))}
        return code(count=count, one=names[0], other=names[1], **more)


def _form(case: _Case, estimate: Estimate, again: Callable[[int, Complex], Complex]) -> Notice | None:
    """Whether responses are levels, or amplitudes and phases, or polar angles are elevations."""
    present = np.flatnonzero(~np.isnan(case.samples.response[case.f]))
    rows = _some(present, MOST)

    def left(other: Complex) -> float:
        return norm(other[rows] - case.model(again(case.f, other), rows)) / norm(other[rows])

    form = suspect_form(case.samples.response[case.f], estimate.residual, left)
    theta, phi = case.samples.place(case.f)[:2]
    return form or suspect_elevation(theta, phi, estimate.residual)


def _some(rows: Whole, most: int) -> Whole:
    """At most so many of the rows, chosen blindly but the same each time."""
    if rows.size <= most:
        return rows
    return np.sort(np.random.default_rng(0).choice(rows, most, replace=False))


def _stuck(case: _Case, q: Complex) -> tuple[list[Notice], Whole]:
    """Warning of runs of equal readings that the model contradicts, and their rows."""
    w, none = case.samples.response[case.f], np.zeros(0, dtype=np.intp)
    runs = suspect_readings.runs(w)
    if not runs:
        return [], none
    inside = np.zeros(w.size, dtype=bool)
    for a, b in runs:
        inside[a:b] = True
    others = _some(np.flatnonzero(~inside & ~np.isnan(w)), MOST // 2)
    if others.size < 2 * suspect_readings.RUN:
        return [], none
    picked = [_some(np.arange(a, b), max(suspect_readings.RUN, MOST // len(runs))) for a, b in runs]
    rows = np.concatenate([others, *picked])
    misfit = np.square(np.abs(case.model(q, rows) - w[rows]))
    rms = float(np.mean(np.square(np.abs(w[others]))))
    least = max(STUCK**2 * float(np.median(misfit[: others.size])), LEAST**2 * rms)
    of_runs = np.split(misfit[others.size :], np.cumsum([some.size for some in picked])[:-1])
    bad = [run for run, own in zip(runs, of_runs, strict=True) if own.mean() > least]
    if not bad:
        return [], none
    bad.sort(key=lambda run: run[0] - run[1])
    a, b = bad[0]
    notice = ReadingCode.STUCK(
        count=b - a,
        value="zero" if w[a] == 0 else "the same value",
        first=case.where(a),
        last=case.where(b - 1),
        more=f", and {len(bad) - 1} such runs more" if len(bad) > 1 else "",
    )
    return [notice], np.concatenate([np.arange(*run) for run in bad])


# --- a factor between two polarisations ----------------------------------------------------------


def _at_poles(case: _Case, w: Complex) -> tuple[Factors, bool]:
    """What the poles say of a factor between polarisations, and whether they can tell.

    There chi and phi are one angle, so that readings of each chi over all phi are the same
    function of it, of as many terms as the probe has azimuthal orders.
    """
    at, samples = case.at, case.samples
    sums: dict[int, NDArray[np.float64]] = {}
    cross: dict[int, complex] = {}
    reference: dict[int, int] = {}
    theta, _, chi, radius = samples.place(case.f)
    for south, rows in enumerate(at.poles):
        rows = rows[~np.isnan(w[rows])]
        if not rows.size or np.ptp(radius[rows]) > ANGLE_TOLERANCE * radius[rows[0]]:
            continue
        turn = chi[rows] + np.where(theta[rows] < 0, np.pi, 0.0)
        turn = turn - at.phi[rows] if south else turn + at.phi[rows]
        for port in np.unique(samples.port[rows]).tolist():
            orders = case.probe.orders(port - 1)
            own = samples.port[rows] == port
            basis = np.exp(1j * np.outer(turn, orders))
            kinds = np.unique(at.kind[rows[own]]).tolist()
            for kind in kinds[1:]:
                first, second = (own & (at.kind[rows] == x) for x in (kinds[0], kind))
                spare = int(first.sum()) - len(orders)
                if spare < 2:
                    continue
                fit, _, rank, _ = np.linalg.lstsq(basis[first], w[rows[first]], rcond=1e-6)
                if rank < len(orders):
                    continue
                noise = float(_power(w[rows[first]] - basis[first] @ fit)) / spare
                expected, got = basis[second] @ fit, w[rows[second]]
                reference[kind] = kinds[0]
                cross[kind] = cross.get(kind, 0.0) + inner(expected, got)
                new = np.array([_power(expected), _power(got), noise * got.size, got.size])
                sums[kind] = sums.get(kind, 0) + new
    told: Factors = {}
    known = False
    for kind, (model, power, noise, count) in sums.items():
        if model == 0:
            continue
        factor = cross[kind] / model
        left = max(0.0, power - abs(cross[kind]) ** 2 / model)
        spread = math.sqrt(max(noise, left) / count / model)
        off = abs(factor - 1)
        known |= off + DEVIATIONS * spread < FACTOR
        explained = left < 0.25 * off**2 * model
        if off > max(FACTOR, DEVIATIONS * spread) and explained:
            known = True
            reversed_ = abs(factor + 1) < REVERSED
            code = ReadingCode.REVERSED_AT_POLES if reversed_ else ReadingCode.FACTOR_AT_POLES
            told[kind] = (factor, case.off(code, (kind, reference[kind]), factor))
    return told, known


def _by_model(
    case: _Case, q: Complex, estimate: Estimate, again: Callable[[int, Complex], Complex], *, known: bool
) -> tuple[list[Notice], Factors]:
    """Whether one reading, or a factor between two polarisations or ports, makes the misfit.

    Noise leaves a misfit that is alike everywhere, and then nothing is asked. The solution is
    linear in the readings: what is left of a part of them, solved by itself, says which factor on
    that part leaves least, and how little. ``known`` says that there is no such factor.
    """
    if not _uneven(estimate):
        return [], {}
    at, samples = case.at, case.samples
    w = samples.response[case.f]
    present = np.flatnonzero(~np.isnan(w))
    rows = _some(present, MOST)
    misfit = w[rows] - case.model(q, rows)
    square = np.square(np.abs(misfit))
    power = float(square.sum())

    def left(part: Complex) -> Complex:
        """What the solution of a part of the readings leaves of it."""
        return np.asarray(part[rows] - case.model(again(case.f, part), rows))

    top = int(np.argmax(square))
    if square[top] > ALONE * power and rows.size == present.size:
        spike = np.zeros_like(w)
        spike[rows[top]] = 1.0
        alone = left(spike)
        size = inner(alone, misfit) / _power(alone)
        rest = _power(misfit - size * alone)
        if rest < LEFT_WITHOUT * power:
            expected = w[rows[top]] - size
            ratio = w[rows[top]] / expected if expected else 0j
            off = "far off"
            if ratio:
                level, turn = 20 * math.log10(abs(ratio)), math.degrees(np.angle(ratio))
                off = f"{level:+z.1f} dB and {turn:+z.0f} deg off"
            where = case.where(int(rows[top]))
            return [ReadingCode.ALONE(where=where, off=off, fall_db=_fall_db(power, rest))], {}
    ports = samples.ports()
    if (known and len(ports) == 1) or (len(ports) != 2 and at.kinds != 2):
        return [], {}
    group = (samples.port == ports[-1]) if len(ports) == 2 else (at.kind == 1)
    second = left(np.where(group, w, 0))
    first = misfit - second
    factor = -inner(second, first) / _power(second)
    rest = _power(first + factor * second)
    if rest > LEFT_CORRECTED * power or rest > 0.2 * _power(second) or factor == 0:
        return [], {}
    kinds = (int(at.kind[group][0]), int(at.kind[~group][0]))
    found = complex(1 / factor)
    if abs(found - 1) < FACTOR:
        return [], {}
    fall_db = _fall_db(power, rest)
    return [], {kinds[0]: (found, case.off(ReadingCode.FACTOR_BY_MODEL, kinds, found, fall_db=fall_db))}


def _uneven(estimate: Estimate) -> bool:
    """Whether a misfit is large and not noise alone."""
    return estimate.residual >= RESIDUAL and estimate.unevenness >= UNEVEN


# --- a step in time ------------------------------------------------------------------------------


def _in_time(
    case: _Case,
    q: Complex,
    again: Callable[[int, Complex], Complex],
    factors: Factors,
    *,
    degree: int,
    near: int | None,
) -> tuple[str, Step] | None:
    """The step of level and phase from some reading on that makes the misfit, if any, and in which order.

    Where rings are no more than the degree asks for, its modes take up nearly all of a step between two of
    them: those above ``degree`` are left out. ``factors`` are to explain less.
    """
    samples, f = case.samples, case.f
    w = samples.response[f]
    present = np.flatnonzero(~np.isnan(w))
    if present.size > MOST_IN_TIME:
        return None
    low = mode_count(degree)

    def without(later: NDArray[np.bool_] | None) -> Complex:
        """What the solution of all readings, or of the later ones, leaves of them."""
        part = w
        if later is not None:
            part = w.copy()
            part[present[~later]] = 0
        modes = q if later is None else again(f, part)
        return np.asarray(part[present] - case.model(modes[:low], present))

    misfit = without(None)
    power = rest = _power(misfit)
    if factors:
        right = np.array([factors[i][0] if i in factors else 1.0 for i in range(case.at.kinds)])
        part = w / right[case.at.kind]
        rest = _power(part[present] - case.model(again(f, part)[:low], present))
    if rest < EXPLAINED * power:
        return None
    index = None if near is None else int(np.searchsorted(present, near))
    time = None if samples.time is None else np.broadcast_to(samples.time, samples.response.shape)[f, present]
    for words, order in orders(time, case.at.kind[present]):
        step = find_step(order, w[present] - misfit, misfit, without, near=index)
        if step.rest <= min(LEFT_WITHOUT, 0.25 * rest / power) and abs(step.factor - 1) >= FACTOR:
            later = np.zeros(w.size, dtype=bool)
            later[present[step.later]] = True
            return words, step._replace(row=int(present[step.row]), later=later)
    return None


def _step(case: _Case, order: str, step: Step) -> Notice:
    """What is said of a step."""
    return ReadingCode.STEP(
        where=case.where(step.row),
        order=order,
        count=int(np.count_nonzero(step.later)),
        level_db=20 * math.log10(abs(step.factor)),
        turn_deg=math.degrees(np.angle(step.factor)),
        fall_db=_fall_db(1.0, step.rest),
    )


def _fall_db(power: float, rest: float) -> float:
    return 10 * math.log10(power / max(rest, TINY))


def _power(x: Any) -> float:
    return norm(x) ** 2
