"""Descriptions in TOML: read, held against a model, and faults said in a single line.

Each table is a class derived from `Table`, whose fields are its keys; `read_toml` reads a file as such,
`checked` what is already read::

    class Sweep(Table):
        start: float = Field(gt=0, le=1e9, description="a number above 0, at most 1e9")
"""

from __future__ import annotations

import difflib
import importlib.resources
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any, ClassVar, TypeVar, get_args, get_origin, overload

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from nf2ff.io.safe import PathLike, read_bytes, real_path
from nf2ff.messages.input_error import InputError, visible

#: Largest description [bytes]; times of samples may stand in it.
MAX_TOML = 2**24
#: Most brackets within each other; most parts of a dotted key, whose cost is quadratic in them; and most
#: characters of a bare key or number.
MAX_DEPTH, MAX_PARTS, MAX_TOKEN = 50, 10, 1000

#: Strings and comments, which may hold anything; one that has no end goes to the end of what it may be,
#: lest each of many beginnings be looked for an end.
_OPAQUE = re.compile(
    r""""{3}(?:[^"\\]|\\.?|"(?!""))*+"{0,5}|'{3}(?:[^']|'(?!''))*+'{0,5}|"(?:[^"\\\n]|\\.?)*+"?|'[^'\n]*+'?|#[^\n]*+""",
    re.DOTALL,
)
#: What tomllib says of a control character that stands there as it is; the key before an equals sign.
_ILLEGAL = re.compile(r"(?:Illegal|Found invalid) character ('\\x(?:[01]\w|7f)') \(at line (\d+),")
_BARE = re.compile(r"\s*([\w.-]{1,60})\s*=")
_UNSTEERED = "take it out there"
M = TypeVar("M", bound=BaseModel)


class Table(BaseModel):
    """A table: it takes the keys that are its fields, of just their type, and no others.

    The description of a field says what is expected; with ``repr=False`` it is not listed among the keys
    expected in place of an unknown one. Tables in it are fields in turn, alone, in a list, or in a dict by
    name. A validator of a field raises `ValueError` with what is expected, one of the table `InputError` with
    a sentence.
    """

    model_config = ConfigDict(
        extra="forbid",
        strict=True,
        frozen=True,
        allow_inf_nan=False,
        defer_build=True,
        hide_input_in_errors=True,
    )

    #: How faults are said.
    WORDS: ClassVar[Mapping[str, str]] = {
        "wrong": "{key} is {value}, expected {expected}",
        "missing": "key {key!r} is missing, expected {expected}",
        "unknown": "key {key!r} is unknown, expected one of {keys}{near}",
        "near": ": did you mean {!r}?",
    }


# --- fields, and what is said to be expected of them ---------------------------------------------


def number(least: float, most: float, default: float | None = None, *, needed: bool = False) -> Any:
    """A key of a number from ``least`` to ``most``."""
    said = f"a number from {_limit(least)} to {_limit(most)}"
    return Field(... if needed else default, description=said, ge=least, le=most)


def above(most: float, default: float | None = None, *, needed: bool = False) -> Any:
    """A key of a number above 0, at most ``most``."""
    said = f"a number above 0, at most {_limit(most)}"
    return Field(... if needed else default, description=said, gt=0, le=most)


def whole(least: int, most: int, default: int | None = None, *, needed: bool = False) -> Any:
    """A key of a whole number from ``least`` to ``most``."""
    said = f"a whole number from {least} to {most}"
    return Field(... if needed else default, description=said, ge=least, le=most)


def seed_key() -> Any:
    """A key of the seed of draws."""
    return Field(0, description="a whole number from 0", ge=0, le=2**63 - 1)


def text_key(allowed: str, default: Any = ..., *, most: int = 80) -> Any:
    """A key of a text that is not empty."""
    return Field(default, description=allowed, min_length=1, max_length=most)


def list_of_tables(name: str, most: int, *, least: int = 0) -> Any:
    """A key of tables in double brackets, from ``least`` to ``most`` of them."""
    allowed = f"{f'{least} to' if least else 'at most'} {most} tables [[{name}]]"
    return Field(... if least else [], description=allowed, min_length=least, max_length=most)


def _limit(value: float) -> str:
    return f"{value:g}".replace("e+0", "e")


# --- reading -------------------------------------------------------------------------------------


@overload
def read_toml(path: PathLike, *, limit: int = MAX_TOML) -> dict[str, Any]:
    """As plain values."""


@overload
def read_toml(path: PathLike, model: type[M], *, limit: int = MAX_TOML) -> M:
    """As a model."""


def read_toml(
    path: PathLike, model: type[BaseModel] | None = None, *, limit: int = MAX_TOML
) -> BaseModel | dict[str, Any]:
    """Content of a TOML file of at most ``limit`` bytes: as the model, or as plain values if there is none.

    Raises
    ------
    ValueError
        One line that names file, table, key, value and what is expected.
    """
    try:
        text = read_bytes(path, limit=limit).decode("utf-8-sig")
        _refuse_excess(text)
        content = tomllib.loads(text)
        if "\\" in text or visible(text) != text:
            _refuse_steering(content, str(path))
    except InputError:
        raise
    except (ValueError, RecursionError) as error:  # no TOML or UTF-8
        if found := _ILLEGAL.match(str(error)):
            key = _BARE.match(text.replace("\r\n", "\n").split("\n")[int(found[2]) - 1])
            name = f"{key[1]}: " if key else ""
            what = f"{name}a text holds a control character: {found[1]} (at line {found[2]})"
            raise InputError(what, _UNSTEERED, where=str(path)) from error
        raise InputError(f"{path}: is not TOML ({short_text(str(error))})", "correct it there") from error
    return content if model is None else checked(model, content, where=str(path))


def _refuse_excess(text: str) -> None:
    """Refuse what would take the parser, or whoever prints it, very long."""
    bare = _OPAQUE.sub("''", text)
    character = np.frombuffer(bare.encode("ascii", errors="replace"), dtype=np.uint8)
    steps = np.isin(character, (91, 123)).astype(np.int32) - np.isin(character, (93, 125))  # [ { and ] }
    if np.cumsum(steps).max(initial=0) > MAX_DEPTH:
        raise ValueError(f"is nested too deeply, the limit of recursion is {MAX_DEPTH}")
    for token in re.split(r"[=,\[\]{}\n]", bare):
        if len(token) > MAX_TOKEN and len(token.strip()) > MAX_TOKEN:
            raise ValueError(f"Exceeds the limit of {MAX_TOKEN} digits in a number, or letters in a key")
        if token.count(".") >= MAX_PARTS:
            raise ValueError(f"a dotted key has more than {MAX_PARTS} parts: {token.strip()[:20]}...")


def _refuse_steering(content: Any, where: str) -> None:
    """Refuse texts that would steer a terminal which shows them."""
    todo = [("", content)]
    while todo:
        key, one = todo.pop()
        if isinstance(one, Mapping):
            for name, value in one.items():
                inner = f"{key}.{short_text(name)}".removeprefix(".")
                todo += [(f"the name of {inner}", name), (inner, value)]
        elif isinstance(one, list):
            some = ((i, x) for i, x in enumerate(one, start=1) if isinstance(x, str | list | Mapping))
            todo += [(f"{key}[{i}]", x) for i, x in some]
        elif isinstance(one, str) and visible(one) != one:
            what = f"{visible(key)}: a text holds a control character: '{short_text(visible(one))}'"
            raise InputError(what, _UNSTEERED, where=where)


def checked(model: type[M], content: Any, *, where: str, place: str = "") -> M:
    """What is already read, as a model; errors are as in `read_toml`.

    Parameters
    ----------
    model : type of Table
        What it may hold.
    content : mapping
        Its keys.
    where, place : str
        Beginning of messages: the name of the file, and the table in it, such as ``"step 1, "``.
    """
    try:
        return model.model_validate(content)
    except ValidationError as error:
        raise _explained(error, model, content, where, place) from None


def _explained(
    error: ValidationError, model: type[BaseModel], content: Any, where: str, place: str
) -> InputError:
    """One of pydantic's errors, and how many more there are: an unknown key explains a missing one."""
    found = error.errors(include_url=False)
    first = next((x for x in found if x["type"] == "extra_forbidden"), found[0])
    own = first.get("ctx", {}).get("error")
    loc = list(first["loc"])
    # A sentence is about a whole table, even where its place ends with the key of that.
    while (
        len(loc) > (0 if isinstance(own, InputError) else 1) and (inner := _table(model, loc[0])) is not None
    ):
        model, many = inner
        key, *loc = loc
        content = content[key]
        if many:
            at, *loc = loc
            content = content[at]
            key = f"{key} {at + 1}" if isinstance(at, int) else f"{key}.{str(at)[:60]}"
            key += _title(content)
        place += f"{key}, "
    others = error.error_count() - 1
    more = f" (and {others} more error{'s' if others > 1 else ''})" if others else ""
    if not loc and own is not None:
        what, remedy = (own.what, own.remedy) if isinstance(own, InputError) else (str(own), "")
        return InputError(f"{place}{what}{more}", remedy, where=where)
    if not loc:
        said = f"is {short(first['input'])}, expected a table{more}"
        return InputError(f"{place.removesuffix(', ')} {said}".strip(), where=where)
    words = getattr(model, "WORDS", Table.WORDS)
    fields = model.model_fields
    key = str(loc[0])[:60]
    if first["type"] == "extra_forbidden":
        near = difflib.get_close_matches(key, fields, n=1, cutoff=0.5)
        listed = ", ".join(name for name, field in fields.items() if field.repr)
        said = words["unknown"].format(key=key, keys=listed, near=words["near"].format(*near) if near else "")
    else:
        kind = "missing" if first["type"] == "missing" else "wrong"
        inside = "".join(f".{x}" if isinstance(x, str) else f"[{x + 1}]" for x in loc[1:])
        expected = own or fields[key].description
        said = words[kind].format(key=key + inside, value=short(first["input"]), expected=expected)
    return InputError(f"{place}{said}{more}", where=where)


def _table(model: type[BaseModel], key: Any) -> tuple[type[BaseModel], bool] | None:
    """Model of the table or tables behind a key, and whether they are several."""
    field = model.model_fields.get(str(key))
    if field is None:
        return None
    kind = field.annotation
    for one in (kind, *get_args(kind)):
        if isinstance(one, type) and get_origin(one) is None and issubclass(one, BaseModel):
            return one, get_origin(kind) in (list, dict)
    return None


def _title(entry: Any) -> str:
    """Name or kind of a table, in brackets, if it has one."""
    if not isinstance(entry, Mapping):
        return ""
    name = entry.get("name") or entry.get("kind")
    return f" ({name[:80]!r})" if isinstance(name, str) else ""


def beside(path: PathLike, key: str, name: str) -> Path:
    """The file that a key of a description names, in its folder or below it.

    What leads elsewhere is refused, so that a description taken over from others reads nothing it should not.
    """
    for kind in (PurePosixPath(name), PureWindowsPath(name)):
        if kind.anchor or ".." in kind.parts:
            raise InputError(f"{path}: {key} is {short(name)}, expected a file in its folder or below it")
    found = Path(path).parent / name
    if not real_path(found).is_relative_to(real_path(Path(path).parent)):
        raise InputError(
            f"{path}: {key} {short(name)} is a link that leads elsewhere", "put the file itself there"
        )
    return found


def short(value: object) -> str:
    """A value as it stands in a message."""
    return short_text(repr(value))


def short_text(text: str) -> str:
    """A text in one line of a message."""
    text = " ".join(text.split())
    return text if len(text) <= 80 else text[:77] + "..."


def template(name: str) -> str:
    """A description to be filled in, by the name of its file in ``io/templates`` without the ending."""
    source = importlib.resources.files("nf2ff.io").joinpath("templates", f"{name}.toml")
    return source.read_text(encoding="utf-8")
