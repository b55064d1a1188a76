"""Whether readings agree with each other and with the model that was found of them.

A receiver that hung, or a cable that was off, leaves a run of equal readings, which the model says
are none of the field's. Readings of one polarisation that were taken apart from those of the other
may be off by a factor, which shows at the poles, and elsewhere by what a factor mends.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.grids import ANGLE_TOLERANCE
from nf2ff.antenna.modes import Modes
from nf2ff.kernel import spin
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.solver import sanity
from nf2ff.solver.methods import Estimate
from nf2ff.solver.positions import plan_geometry
from nf2ff.solver.transmission import TransmissionOperator

Complex = NDArray[np.complex128]
Whole = NDArray[np.intp]

#: Factor between two polarisations from which it is told of: 0.4 dB or 3 deg, about what drift
#: and cables do in a good range.
FACTOR = 0.05
#: Standard deviations of a factor from which it is one.
DEVIATIONS = 6.0
#: Samples at which the model is compared, at most.
MOST = 20_000
#: Residual from which a factor is looked for away from the poles.
RESIDUAL = 1e-3
#: Rms misfit of a run of equal readings over the median misfit of others, and over the rms reading.
STUCK, LEAST = 2.5, 0.01


def judge(
    samples: Samples,
    probe: Probe,
    modes: Modes,
    estimates: Sequence[Estimate],
    again: Callable[[Samples], Modes],
) -> list[list[str]]:
    """Sentences on readings that can hardly be right, for each frequency.

    Parameters
    ----------
    samples, probe
        As solved, the probe known at the frequencies of the samples.
    modes : Modes
        The solution.
    estimates : sequence of Estimate
        What the solver said of each frequency.
    again : callable
        Solves samples of one frequency in the same way.
    """
    found = []
    for f, at in enumerate(sanity.each_place(samples)):
        told, stuck = _stuck(samples, probe, modes, f)
        w = sanity.without(samples.response[f], stuck)
        more, bad = sanity.spikes(at, w, samples, f)
        told += more
        w = sanity.without(w, bad)
        factors, known = _at_poles(at, samples, probe, f, w)
        if not (told or factors):
            more, factors = _by_model(at, samples, probe, modes, f, estimates[f], again, known=known)
            told += more
        for kind, (factor, sentence) in factors.items():
            told.append(sentence)
            w = np.where(at.kind == kind, w / factor, w)
        told += sanity.contradictions(at, w, samples, f, estimates[f].residual)
        found.append(told)
    return found


@contextmanager
def naming_doubts(doubts: Callable[[], list[list[str]]]) -> Iterator[None]:
    """Put what is to be doubted of the readings into an error that they may be the cause of."""
    try:
        yield
    except ValueError as error:
        told = list(dict.fromkeys(sentence for some in doubts() for sentence in some))
        if not told:
            raise
        raise InputError(f"{told[0]}; with these readings {error}") from error


def _model(samples: Samples, probe: Probe, modes: Modes, f: int, rows: Whole) -> Complex:
    """Responses that the modes of one frequency make at some samples."""
    theta, phi, chi, radius = (x[rows] for x in sanity.place_of(samples, f))
    hertz = samples.frequency[f : f + 1]
    none = np.zeros((1, rows.size), dtype=complex)
    part = Samples(hertz, theta, phi, chi, radius, samples.port[rows], none)
    operator = TransmissionOperator(
        plan_geometry(part), probe, float(samples.frequency[f]), modes.degree, 1e-5, spin.thread_count(None)
    )
    return operator.forward(operator.from_modes(modes.coefficients[f]))


def _some(rows: Whole, most: int) -> Whole:
    """At most so many of the rows, chosen blindly but the same each time."""
    if rows.size <= most:
        return rows
    return np.sort(np.random.default_rng(0).choice(rows, most, replace=False))


# --- runs of equal readings ----------------------------------------------------------------------


def _stuck(samples: Samples, probe: Probe, modes: Modes, f: int) -> tuple[list[str], Whole]:
    """Sentence on runs of equal readings that the model contradicts, and their rows."""
    w, none = samples.response[f], np.zeros(0, dtype=np.intp)
    runs = sanity.runs(w)
    if not runs:
        return [], none
    inside = np.zeros(w.size, dtype=bool)
    for a, b in runs:
        inside[a:b] = True
    others = _some(np.flatnonzero(~inside & ~np.isnan(w)), MOST // 2)
    if others.size < 2 * sanity.RUN:
        return [], none
    picked = [_some(np.arange(a, b), max(sanity.RUN, MOST // len(runs))) for a, b in runs]
    rows = np.concatenate([others, *picked])
    misfit = np.square(np.abs(_model(samples, probe, modes, f, rows) - w[rows]))
    rms = float(np.mean(np.square(np.abs(w[others]))))
    least = max(STUCK**2 * float(np.median(misfit[: others.size])), LEAST**2 * rms)
    bad, start = [], others.size
    for run, some in zip(runs, picked, strict=True):
        if misfit[start : start + some.size].mean() > least:
            bad.append(run)
        start += some.size
    if not bad:
        return [], none
    bad.sort(key=lambda run: run[0] - run[1])
    a, b = bad[0]
    more = f", and {len(bad) - 1} such runs more" if len(bad) > 1 else ""
    value = "zero" if w[a] == 0 else "the same value"
    return [
        f"{b - a} readings in a row are {value}, {sanity.where(samples, f, [a])} to "
        f"{sanity.where(samples, f, [b - 1])}{more}, where the others tell of another field: did "
        "the receiver hang, or was a cable off? Leave them out (an empty response) or measure again"
    ], np.concatenate([np.arange(*run) for run in bad])


# --- a factor between two polarisations ----------------------------------------------------------


def _at_poles(
    at: sanity.Places, samples: Samples, probe: Probe, f: int, w: Complex
) -> tuple[dict[int, tuple[complex, str]], bool]:
    """What the poles say of a factor between polarisations, and whether they can tell.

    There chi and phi are one angle, so that readings of each chi over all phi are the same
    function of it, of as many terms as the probe has azimuthal orders.
    """
    sums: dict[int, NDArray[np.float64]] = {}
    cross: dict[int, complex] = {}
    reference: dict[int, int] = {}
    theta, _, chi, radius = sanity.place_of(samples, f)
    present = ~np.isnan(w)
    for south in (False, True):
        there = at.theta > np.pi - ANGLE_TOLERANCE if south else at.theta < ANGLE_TOLERANCE
        rows = np.flatnonzero(there & present)
        if not rows.size or np.ptp(radius[rows]) > ANGLE_TOLERANCE * radius[rows[0]]:
            continue
        turn = chi[rows] + np.where(theta[rows] < 0, np.pi, 0.0)
        turn = turn - at.phi[rows] if south else turn + at.phi[rows]
        for port in np.unique(samples.port[rows]).tolist():
            orders = probe.orders(port - 1)
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
                cross[kind] = cross.get(kind, 0.0) + complex(np.vdot(expected, got))
                new = np.array([_power(expected), _power(got), noise * got.size, got.size])
                sums[kind] = sums.get(kind, 0) + new
    told: dict[int, tuple[complex, str]] = {}
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
            told[kind] = (
                factor,
                _sentence(at, samples, f, (kind, reference[kind]), factor)
                + "at the poles, where both are of one position"
                + _REMEDY,
            )
    return told, known


def _by_model(
    at: sanity.Places,
    samples: Samples,
    probe: Probe,
    modes: Modes,
    f: int,
    estimate: Estimate,
    again: Callable[[Samples], Modes],
    *,
    known: bool,
) -> tuple[list[str], dict[int, tuple[complex, str]]]:
    """Whether one reading, or a factor between two polarisations or ports, makes the misfit.

    Noise leaves a misfit that is alike everywhere, and then nothing is asked. The solution is
    linear in the readings: what is left of a part of them, solved by itself, says which factor on
    that part leaves least, and how little. ``known`` says that there is no such factor.
    """
    if estimate.residual < RESIDUAL or estimate.unevenness < UNEVEN:
        return [], {}
    w = samples.response[f]
    present = np.flatnonzero(~np.isnan(w))
    rows = _some(present, MOST)
    misfit = w[rows] - _model(samples, probe, modes, f, rows)
    square = np.square(np.abs(misfit))
    power = float(square.sum())
    one = samples.at_frequency(f)

    def left(part: Complex) -> Complex:
        """What the solution of a part of the readings leaves of it."""
        solved = again(replace(one, response=part[None, present]))
        return np.asarray(part[rows] - _model(samples, probe, solved, 0, rows))

    top = int(np.argmax(square))
    if square[top] > ALONE * power and rows.size == present.size:
        spike = np.zeros_like(w)
        spike[rows[top]] = 1.0
        alone = left(spike)
        size = np.vdot(alone, misfit) / _power(alone)
        rest = _power(misfit - size * alone)
        if rest < 0.1 * power:
            where = sanity.where(samples, f, [int(rows[top])])
            expected = w[rows[top]] - size
            ratio = w[rows[top]] / expected if expected else 0j
            far = "far off"
            if ratio:
                level, turn = 20 * math.log10(abs(ratio)), math.degrees(np.angle(ratio))
                far = f"{level:+.1f} dB and {turn:+.0f} deg off"
            return [
                f"{where} is {far} what all the others tell, and without it the misfit of the "
                f"model falls by {10 * math.log10(power / max(rest, TINY)):.0f} dB: leave it out "
                "(an empty response) or measure it again"
            ], {}
    ports = samples.ports()
    if (known and len(ports) == 1) or (len(ports) != 2 and at.kinds != 2):
        return [], {}
    group = (samples.port == ports[-1]) if len(ports) == 2 else (at.kind == 1)
    second = left(np.where(group, w, 0))
    first = misfit - second
    factor = -np.vdot(second, first) / _power(second)
    rest = _power(first + factor * second)
    if rest > 0.5 * power or rest > 0.2 * _power(second) or factor == 0:
        return [], {}
    kinds = (int(at.kind[group][0]), int(at.kind[~group][0]))
    found = complex(1 / factor)
    if abs(found - 1) < FACTOR:
        return [], {}
    return [], {
        kinds[0]: (
            found,
            _sentence(at, samples, f, kinds, found)
            + f"by the model, whose misfit falls by {10 * math.log10(power / max(rest, TINY)):.0f} "
            "dB without that" + _REMEDY,
        )
    }


#: `Estimate.unevenness` from which the misfit is not noise alone: up to 2.9 where redundancy is
#: uneven, as on grids (measured).
UNEVEN = 3.5
#: Part of the power of a misfit in one reading from which that one is suspected.
ALONE = 0.05
TINY = np.finfo(float).tiny
_REMEDY = (
    ": did the phase jump, or a cable change, between them? Correct them by it, or measure one of them again"
)


def _power(x: Any) -> float:
    return float(np.vdot(x, x).real)


def _sentence(at: sanity.Places, samples: Samples, f: int, kinds: tuple[int, int], factor: complex) -> str:
    """How far the readings of one kind are off those of another."""
    chi = sanity.place_of(samples, f)[2]
    names = []
    for kind in kinds:
        row = int(np.argmax(at.kind == kind))
        several = len(samples.ports()) > 1
        port = f", port {samples.port[row]}" if several else ""
        names.append(f"chi {math.degrees(float(chi[row])):.6g} deg{port}")
    count = int(np.count_nonzero(at.kind == kinds[0]))
    return (
        f"the {count} readings at {names[0]} are off those at {names[1]} by "
        f"{20 * math.log10(abs(factor)):+.2f} dB and {math.degrees(np.angle(factor)):+.1f} deg "
    )
