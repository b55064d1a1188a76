"""All error terms by name, and several of them put into one scan."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import MISSING, fields, replace
from types import MappingProxyType
from typing import Any

import numpy as np

from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.uncertainty.errors import axes, model, position, receiver, room
from nf2ff.uncertainty.errors.checks import choose, number
from nf2ff.uncertainty.errors.model import TruncatedAngle, TruncatedDegree
from nf2ff.uncertainty.errors.term import ErrorTerm, Rng

_TERMS: tuple[type[ErrorTerm], ...] = (
    position.PositionNoise,
    position.AxisZero,
    position.EncoderSteps,
    position.Wobble,
    position.ArmSag,
    axes.AxesApart,
    axes.AxesNotSquare,
    axes.Backlash,
    axes.TimingLag,
    model.ProbePointing,
    model.ProbeGain,
    model.ProbePattern,
    model.ProbePolarisation,
    receiver.PhaseNoise,
    receiver.AmplitudeNoise,
    receiver.ReceiverNoise,
    receiver.NoiseFloor,
    receiver.RandomWalk,
    receiver.ThermalRamp,
    receiver.CableFlexing,
    receiver.Compression,
    receiver.Leakage,
    receiver.ChannelImbalance,
    room.MultipleReflections,
    room.StrayWave,
    room.ImageSource,
    model.FrequencyError,
    TruncatedAngle,
    TruncatedDegree,
)
#: Error terms by the name that files give them.
ERROR_TERMS: Mapping[str, type[ErrorTerm]] = MappingProxyType({t.name: t for t in _TERMS})

#: Endings of keys that hold a number in another unit, and the units of the fields they are for.
UNIT_ENDINGS: Mapping[str, tuple[tuple[str, ...], Callable[[float], float]]] = {
    "_deg": (("rad",), lambda x: float(np.radians(x))),
    "_mm": (("m",), lambda x: x / 1000),
    "_db": (("level", "ratio"), lambda x: 10 ** (x / 20)),
}


def make_term(name: str, values: Mapping[str, Any]) -> ErrorTerm:
    """Error term by its name and values, as a file gives them.

    Parameters
    ----------
    name : str
        One of `ERROR_TERMS`.
    values : mapping of str to any
        Fields of the term. A key may end in ``_deg`` or ``_mm`` in place of a field in rad or m,
        and in ``_db`` in place of a level or ratio.

    Returns
    -------
    ErrorTerm
        The term.

    Raises
    ------
    ValueError
        If the name or a key is unknown, a value is given twice, is missing or not fit.
    """
    choose(name, ERROR_TERMS, "error term")
    kind = ERROR_TERMS[name]
    own = {f.name: f for f in fields(kind)}
    axis = values.get("axis")
    given: dict[str, Any] = {}
    for key, value in values.items():
        field, converted = _converted(kind, own, key, value, axis)
        if field in given:
            raise InputError(f"{name}: {field} is given twice, the second time as {key}", "leave one out")
        given[field] = converted
    required = (x for x, f in own.items() if f.default is MISSING and x not in given)
    missing = next(required, None)
    if missing is not None:
        unit = kind.units.get(missing)
        msg = f"{name}: {missing} is missing: give it" + (f" [{unit}]" if unit else "")
        raise InputError(msg.replace("[axis]", "[rad, or m for the radius]"))
    return kind(**given)


def _converted(
    kind: type[ErrorTerm], own: Mapping[str, Any], key: str, value: Any, axis: Any
) -> tuple[str, Any]:
    """Field that a key stands for, and its value in the field's own unit."""
    if key in own:
        return key, value
    for ending, (units, convert) in UNIT_ENDINGS.items():
        field = key.removesuffix(ending)
        has = kind.units.get(field)
        if has == "axis":
            has = "m" if axis == "radius" else "rad"
        if field != key and has is not None:
            if has not in units:
                msg = f"{kind.name}: {key} is given, but {field} is in {has}: give {field}"
                if has == "relative":
                    msg += ", 0.01 for 1 % or 0.0864 dB"  # 20 log10(1.01)
                raise InputError(msg)
            return field, convert(number(value, f"{kind.name}: {key}"))
    near = difflib.get_close_matches(key, own, 1)
    hint = f" (did you mean {near[0]!r}?)" if near else ""
    raise InputError(f"{kind.name} has no {key!r}{hint}, only {', '.join(own)}")


def apply_terms(
    terms: Iterable[ErrorTerm], samples: Samples, probe: Probe, rng: Rng = None
) -> tuple[Samples, Probe]:
    """Add the effects of several errors to a scan that was measured.

    Parameters
    ----------
    terms : iterable of ErrorTerm
        The errors. Responses are disturbed in their order, then positions are moved; samples that
        are to be left out are left out last.
    samples : Samples
        The scan.
    probe : Probe
        The probe by which it is solved.
    rng : int, Generator or None
        Seed or generator.

    Returns
    -------
    samples : Samples
        To be solved.
    probe : Probe
        To solve it with.

    Raises
    ------
    ValueError
        As `ErrorTerm.apply`.
    """
    generator = np.random.default_rng(rng)
    for term in sorted(terms, key=_stage):
        samples, probe = term.apply(samples, probe, generator)
    return samples, probe


def simulated(
    terms: Iterable[ErrorTerm],
    samples: Samples,
    probe: Probe,
    measure: Callable[[Samples, Probe], Samples],
    rng: Rng = None,
) -> Samples:
    """A scan that is simulated where the probe truly was, with the record of where it was not.

    Parameters
    ----------
    terms : iterable of ErrorTerm
        The errors. True positions depart from the recorded ones in their order, then responses
        are disturbed; samples that are to be left out are left out last.
    samples : Samples
        Recorded positions and frequencies; the responses do not matter.
    probe : Probe
        The probe by which the scan will be solved.
    measure : callable
        Gives the samples that are received at the positions and frequencies of the samples and
        with the probe that it is handed, in this order.
    rng : int, Generator or None
        Seed or generator.

    Returns
    -------
    Samples
        Recorded positions with disturbed responses.

    Raises
    ------
    ValueError
        As `ErrorTerm.truth` and `ErrorTerm.apply`, or if other samples come back.
    """
    generator = np.random.default_rng(rng)
    terms = list(terms)
    place, true_probe = samples, probe
    for term in terms:
        place, true_probe = term.truth(place, true_probe, generator)
    received = measure(place, true_probe)
    if received.response.shape != samples.response.shape:
        raise InputError(
            f"the simulation gave responses {received.response.shape} for positions "
            f"{samples.response.shape}: it has to keep all samples, in their order"
        )
    scan = replace(samples, response=received.response, response_unit=received.response_unit)
    for term in sorted(terms, key=_stage):
        if not term.moves_record:
            scan, _ = term.apply(scan, probe, generator)
    return scan


def _stage(term: ErrorTerm) -> int:
    """Order in which terms act: responses at the recorded positions first, times fit all rows."""
    return 2 if isinstance(term, TruncatedAngle) else int(term.moves_record)


def solver_degree(terms: Iterable[ErrorTerm], degree: int) -> int:
    """Degree for the solver: ``degree``, or what truncated degrees among the terms leave of it."""
    return min([degree, *(t.degree for t in terms if isinstance(t, TruncatedDegree))])
