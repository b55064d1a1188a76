"""Fields of error terms: each states its unit, range and meaning once, where it is declared.

`error_term` makes a class of such fields a frozen dataclass. Checks, units, sizes, the keys of
files and the docstring's list of parameters all follow from the fields.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable
from dataclasses import MISSING, dataclass, field, fields
from functools import partial
from types import MappingProxyType
from typing import Any, TypeVar, dataclass_transform

import numpy as np

from nf2ff.messages.input_error import InputError
from nf2ff.uncertainty.errors.checks import check_time, choose, whole
from nf2ff.uncertainty.errors.checks import number as finite

T = TypeVar("T")
#: Refuses a number, told with its label, that the error cannot have.
Range = Callable[[float, str], None]


class FieldError(InputError):
    """A field of an error term is missing or wrong.

    Parameters
    ----------
    what, remedy : str
        As in `InputError`.
    field : str
        Its name.
    """

    def __init__(self, what: str, remedy: str = "", *, field: str) -> None:
        super().__init__(what, remedy)
        self.field = field


@dataclass(frozen=True, slots=True)
class Fact:
    """What is known of a field.

    Parameters
    ----------
    text : str
        Its meaning.
    shown_type : str
        Its type, for the docstring.
    check : callable
        Takes value, label and unit; gives the value to keep, or raises `InputError`.
    unit : str
        Unit of a number, see `ErrorTerm.units`.
    is_size : bool
        Whether it scales the error.
    signed : bool
        Whether it may be negative.
    phase : str
        Field of the phase that is drawn with this size, as one complex number.
    """

    text: str
    shown_type: str
    check: Callable[[Any, str, str], Any]
    unit: str = ""
    is_size: bool = False
    signed: bool = True
    phase: str = ""


def size(
    unit: str,
    text: str,
    *,
    default: Any = MISSING,
    signed: bool = True,
    phase: str = "",
    limits: Range | None = None,
) -> Any:
    """A number that scales the error: with all sizes zero there is none. See `Fact`."""
    check = partial(_checked_number, signed, limits)
    return _stated(Fact(text, "float", check, unit, True, signed, phase), default)


def number(
    unit: str, text: str, *, default: Any = MISSING, signed: bool = True, limits: Range | None = None
) -> Any:
    """Any other number with a unit."""
    return _stated(
        Fact(text, "float", partial(_checked_number, signed, limits), unit, signed=signed), default
    )


def count(text: str, *, default: Any = MISSING) -> Any:
    """A whole number from 1."""
    return _stated(Fact(text, "int", lambda value, label, _: whole(value, label)), default)


def choice(words: tuple[str, ...], text: str, *, default: Any = MISSING) -> Any:
    """One of several words."""

    def check(value: Any, label: str, _: str) -> Any:
        choose(value, words, label)
        return value

    return _stated(Fact(text, "{" + ", ".join(f'"{x}"' for x in words) + "}", check), default)


def choices(words: tuple[str, ...], text: str) -> Any:
    """One or more of several words, kept as a tuple."""

    def check(value: Any, label: str, _: str) -> tuple[str, ...]:
        given = tuple(np.atleast_1d(value).tolist())
        for one in given:
            choose(one, words, label)
        return given

    return _stated(Fact(text, "sequence of {" + ", ".join(f'"{x}"' for x in words) + "}", check), MISSING)


def flag(text: str, *, default: bool) -> Any:
    """True or false."""
    return _stated(Fact(text, "bool", lambda value, *_: value), default)


def when(*, default: Any = None) -> Any:
    """Times of the samples."""
    text = "When the samples were taken [s]"
    return _stated(
        Fact(text, '(M,) array_like, "rows" or None', lambda x, label, _: check_time(x, label)), default
    )


@dataclass_transform(
    kw_only_default=True,
    frozen_default=True,
    eq_default=False,
    field_specifiers=(size, number, count, choice, choices, flag, when),
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
        return new

    return made


def _stated(fact: Fact, default: Any) -> Any:
    return field(default=default, metadata={"fact": fact})


def _checked_number(signed: bool, limits: Range | None, value: Any, label: str, unit: str) -> float:
    value = finite(value, label, unit)
    if not signed and value < 0:
        raise InputError(f"{label} is {value:g} {unit}, expected a number >= 0", "give its magnitude")
    if limits is not None:
        limits(value, label)
    return value


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
