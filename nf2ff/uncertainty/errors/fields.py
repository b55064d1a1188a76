"""Fields of error terms: each states its unit, range and meaning once, where it is declared.

`error_term` makes a class of such fields a frozen dataclass. Checks, units, sizes, the keys of
files and the docstring's list of parameters all follow from the fields.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable
from dataclasses import MISSING, dataclass, field, fields
from types import MappingProxyType
from typing import Any, TypeVar, dataclass_transform

import numpy as np

from nf2ff.messages.input_error import InputError
from nf2ff.uncertainty.errors.checks import check_time, choose, finite, whole

T = TypeVar("T")
#: Raises `InputError` for a number, given with its label, that the error cannot have.
Limits = Callable[[float, str], None]
#: Error terms by name, in the order of their making.
MADE: dict[str, Any] = {}


class FieldError(InputError):
    """``field`` of an error term is missing or wrong; the rest is as in `InputError`."""

    def __init__(self, what: str, remedy: str = "", *, field: str = "") -> None:
        super().__init__(what, remedy)
        self.field = field


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """What is known of a field."""

    #: Its meaning and its type, for the docstring.
    text: str
    shown_type: str
    #: Takes value, label and unit; gives the value to keep, or raises `InputError`.
    check: Callable[[Any, str, str], Any]
    #: Unit of a number, see `ErrorTerm.units`.
    unit: str = ""
    #: Whether it scales the error, and whether it may be negative.
    is_size: bool = False
    signed: bool = True
    #: Field of the phase that is drawn with this size, as one complex number.
    phase: str = ""


def number(
    unit: str,
    text: str,
    *,
    default: Any = MISSING,
    signed: bool = True,
    limits: Limits | None = None,
    **more: Any,
) -> Any:
    """A finite number with a unit, see `Fact`."""

    def check(value: Any, label: str, unit: str) -> float:
        value = finite(value, label, unit)
        if not signed and value < 0:
            raise InputError(f"{label} is {value:g} {unit}, expected a number >= 0", "give its magnitude")
        if limits is not None:
            limits(value, label)
        return value

    return _field(default, text, "float", check, unit=unit, signed=signed, **more)


def size(unit: str, text: str, *, default: Any = MISSING, **more: Any) -> Any:
    """A number that scales the error, see `Fact`."""
    return number(unit, text, default=default, is_size=True, **more)


def count(text: str, *, default: Any = MISSING) -> Any:
    """A whole number from 1."""
    return _field(default, text, "int", lambda value, label, _: whole(value, label))


def choice(words: tuple[str, ...], text: str, *, default: Any = MISSING, several: bool = False) -> Any:
    """One of several words, or ``several`` of them as a tuple."""

    def check(value: Any, label: str, _: str) -> Any:
        given = tuple(np.atleast_1d(value).tolist()) if several else (value,)
        for one in given:
            choose(one, words, label)
        return given if several else value

    shown = "{" + ", ".join(f'"{x}"' for x in words) + "}"
    return _field(default, text, f"sequence of {shown}" if several else shown, check)


def flag(text: str, *, default: bool) -> Any:
    """True or false."""
    return _field(default, text, "bool", lambda value, *_: value)


def when(*, default: None) -> Any:
    """Times of the samples."""
    shown, text = '(M,) array_like, "rows" or None', "When the samples were taken [s]"
    return _field(default, text, shown, lambda value, label, _: check_time(value, label))


@dataclass_transform(
    kw_only_default=True,
    frozen_default=True,
    eq_default=False,
    field_specifiers=(number, size, count, choice, flag, when),
)
def error_term(name: str, words: str) -> Callable[[type[T]], type[T]]:
    """Make a class an error term of that name, described by ``words`` with its fields in braces."""

    def made(cls: type[T]) -> type[T]:
        new: Any = dataclass(frozen=True, slots=True, eq=False, kw_only=True)(cls)
        facts = {f.name: f.metadata["fact"] for f in fields(new) if "fact" in f.metadata}
        new.name, new.words, new.facts = name, words, MappingProxyType(facts)
        new.units = MappingProxyType({x: fact.unit for x, fact in facts.items() if fact.unit})
        new.sizes = tuple(x for x, fact in facts.items() if fact.is_size)
        new.unsigned = tuple(x for x, fact in facts.items() if not fact.signed)
        new.polar = next(((x, fact.phase) for x, fact in facts.items() if fact.phase), None)
        new.__doc__ = _documented(new)
        MADE[name] = new
        return new

    return made


def _field(
    default: Any, text: str, shown_type: str, check: Callable[[Any, str, str], Any], **more: Any
) -> Any:
    fact = Fact(text=text, shown_type=shown_type, check=check, **more)
    return field(default=default, metadata={"fact": fact})


def _documented(cls: Any) -> str:
    """The docstring with its fields as parameters, in front of the notes."""
    text, notes, more = inspect.cleandoc(cls.__doc__ or "").partition("\n\nNotes\n")
    shown = {"axis": 'rad; m for "radius"', "": ""}
    lines = ["", "", "Parameters", "----------"]
    for name, fact in cls.facts.items():
        unit = shown.get(fact.unit, fact.unit)
        lines += [f"{name} : {fact.shown_type}", f"    {fact.text}" + (f" [{unit}]." if unit else ".")]
    default = next(f.default for f in fields(cls) if f.name == "distribution")
    lines += ["distribution : str", f'    As in `ErrorTerm`, by default "{default}".']
    return text + "\n".join(lines) + notes + more
