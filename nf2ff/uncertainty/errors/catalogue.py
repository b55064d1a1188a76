"""All error terms by name, and several of them put into one scan."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import MISSING, fields, replace
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.random import Generator

from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.uncertainty.errors import axes, model, position, receiver, room  # noqa: F401 (makes them known)
from nf2ff.uncertainty.errors.checks import did_you_mean, finite
from nf2ff.uncertainty.errors.error_term import ErrorTerm, Rng, Scan
from nf2ff.uncertainty.errors.fields import MADE, FieldError

#: Error terms by the name that files give them.
ERROR_TERMS: Mapping[str, type[ErrorTerm]] = MappingProxyType(MADE)

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
    if name not in ERROR_TERMS:
        *near, last = difflib.get_close_matches(str(name)[:60], ERROR_TERMS, n=4, cutoff=0.0)
        raise InputError(
            f"error term is {str(name)[:40]!r}: did you mean {', '.join(map(repr, near))} or {last!r}? "
            f"nf2ff uncertainty --template names all {len(ERROR_TERMS)}"
        )
    kind = ERROR_TERMS[name]
    given: dict[str, Any] = {}
    keys: dict[str, str] = {}
    try:
        for key, value in values.items():
            field, converted = _converted(kind, key, value, values.get("axis"))
            if field in given:
                raise InputError(f"{name}: {field} is given twice, the second time as {key}", "leave one out")
            given[field], keys[field] = converted, key
        for one in fields(kind):
            if one.default is MISSING and one.name not in given:
                raise _missing(kind, one.name)
        return kind(**given)
    except FieldError as error:
        key = keys.get(error.field, error.field)
        if key == error.field:
            raise
        given_as = f" (given: {key} = {values[key]!r:.80})"  # in a unit that is not the field's
        what, remedy = (error.what, error.remedy + given_as) if error.remedy else (error.what + given_as, "")
        raise FieldError(what, remedy, field=error.field) from error
    except (TypeError, OverflowError) as error:
        raise InputError(
            f"a value is of the wrong type or too large ({error})", "give it as a number"
        ) from error


def _missing(kind: type[ErrorTerm], field: str) -> InputError:
    """The error of a field that is not given: its unit, and the keys that have another."""
    unit = kind.facts[field].unit
    units = ("rad", "m") if unit == "axis" else (unit,)
    shown = "rad, or m for the radius" if unit == "axis" else unit
    keys = [field + ending for ending, (of, _) in UNIT_ENDINGS.items() if {*units} & {*of}]
    remedy = ", or ".join(["give it" + (f" [{shown}]" if unit else ""), *keys])
    return FieldError(f"{kind.name}: {field} is missing", remedy, field=field)


def _converted(kind: type[ErrorTerm], key: str, value: Any, axis: Any) -> tuple[str, Any]:
    """Field that a key stands for, and its value in the field's own unit."""
    own = [f.name for f in fields(kind)]
    if key in own:
        return key, value
    for ending, (units, convert) in UNIT_ENDINGS.items():
        field = key.removesuffix(ending)
        unit = kind.units.get(field, "") if field != key else ""
        if unit == "axis":
            unit = "m" if axis == "radius" else "rad"
        if unit and unit not in units:
            more = ", 0.01 for 1 % or 0.0864 dB" if unit == "relative" else ""  # 20 log10(1.01)
            raise InputError(f"{kind.name}: {key} is given, but {field} is in {unit}", f"give {field}{more}")
        if unit:
            return field, convert(finite(value, f"{kind.name}: {key}"))
    told = {x: unit for x, unit in kind.units.items() if unit not in ("axis", "level")}
    shown = [f"{x} [{told[x]}]" if x in told else x for x in own]
    raise InputError(f"{kind.name} has no {key!r}{did_you_mean(key, own)}, only {', '.join(shown)}")


def apply_terms(terms: Iterable[ErrorTerm], samples: Samples, probe: Probe, rng: Rng = None) -> Scan:
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


def apply_each(
    drawn: Sequence[Sequence[ErrorTerm]], samples: Samples, probe: Probe, rngs: Sequence[Generator]
) -> list[Scan]:
    """`apply_terms` of several draws of the same errors, each by a generator of its own.

    Those of responses alone are added side by side: each draw is what it would be alone, to the last bit.

    Parameters
    ----------
    drawn : sequence of sequences of ErrorTerm
        The errors of each draw.
    samples, probe
        As in `apply_terms`, of all draws.
    rngs : sequence of Generator
        One for each draw.

    Returns
    -------
    list of (Samples, Probe)
        Of each draw.
    """
    if not all(isinstance(term, receiver.SignalTerm) for term in drawn[0]):
        pairs = zip(drawn, rngs, strict=True)
        return [apply_terms(terms, samples, probe, rng) for terms, rng in pairs]
    responses = np.repeat(samples.response[None], len(drawn), axis=0)
    for same in zip(*(sorted(terms, key=_stage) for terms in drawn), strict=True):
        responses = same[0].apply_each(same, samples, probe, responses, rngs)
    return [(samples.changed(response=w), probe) for w in responses]


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
    """Order in which terms act: what solves the scan does so before others disturb it; then responses at
    the recorded positions, times fit all rows."""
    if isinstance(term, room.QuietZone):
        return -1
    return 2 if isinstance(term, model.AngleTruncation) else int(term.moves_record)


def solver_degree(terms: Iterable[ErrorTerm], degree: int) -> int:
    """Degree for the solver where errors may truncate it.

    Parameters
    ----------
    terms : iterable of ErrorTerm
        The errors.
    degree : int
        Degree N without them.

    Returns
    -------
    int
        ``degree``, or the lowest at which one of the terms truncates.
    """
    return min([degree, *(t.degree for t in terms if isinstance(t, model.DegreeTruncation))])
