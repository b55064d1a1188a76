"""Descriptions in TOML: read, and what is wrong with one said in a single line."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, get_args, get_origin

from nf2ff.io.safe import PathLike, read_bytes
from nf2ff.kernel.words import nearest
from nf2ff.messages.input_error import InputError

if TYPE_CHECKING:
    from pydantic import BaseModel, ValidationError

#: Largest description [bytes]; times of samples may stand in it.
MAX_TOML = 2**24


def read_toml(path: PathLike, *, limit: int = MAX_TOML) -> dict[str, Any]:
    """Content of a TOML file.

    Parameters
    ----------
    path : path
        File to read.
    limit : int
        Largest size [bytes].

    Returns
    -------
    dict
        Its keys.

    Raises
    ------
    ValueError
        One line that names the file, if it is none, too large or no TOML.
    """
    data = read_bytes(path, limit=limit)
    try:
        return tomllib.loads(data.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:  # no TOML or UTF-8, or too many digits
        reason = short_text(str(error))
        raise InputError(f"{path}: is not TOML ({reason})", "correct it there") from error


def validated(model: type[BaseModel], content: Mapping[str, Any], *, where: str) -> dict[str, Any]:
    """Content that a model allows, as plain values with its defaults.

    Parameters
    ----------
    model : type of BaseModel
        Each field's description says what is allowed; one with ``repr=False`` is not listed among
        the keys expected in place of an unknown one. Tables in it are models in turn, alone, in a
        list, or in a dict by name.
    content : mapping
        What a file holds.
    where : str
        Beginning of messages, such as the name of the file.

    Returns
    -------
    dict
        Values by field.

    Raises
    ------
    ValueError
        One line that names place, key, value and what is allowed.
    """
    from pydantic import ValidationError

    try:
        return model.model_validate(dict(content)).model_dump()
    except ValidationError as error:
        raise InputError(f"{where}: {_explain(error, model, content)}") from None


def _explain(error: ValidationError, model: type[BaseModel], content: Mapping[str, Any]) -> str:
    """Say the first of pydantic's errors, and how many more there are."""
    found = error.errors(include_url=False, include_context=False)
    first, others = found[0], len(found) - 1
    loc, place, entry = list(first["loc"]), "", content
    while len(loc) > 1 and (inner := _table(model, loc[0])) is not None:
        model, many = inner
        key, loc = str(loc[0]), loc[1:]
        entry = entry[key]
        if many:
            at, loc = loc[0], loc[1:]
            entry = entry[at]
            title = f"{key} {at + 1}" if isinstance(at, int) else f"{key}.{str(at)[:60]}"
            place += title + _title(entry) + ", "
        else:
            place += f"{key}, "
    allowed = model.model_fields
    key = str(loc[0])[:60] if loc else ""
    if not loc:
        said = f"is {short(first['input'])}, expected a table"
        place = place.removesuffix(", ") + " "
    elif first["type"] == "extra_forbidden":
        listed = [name for name, field in allowed.items() if field.repr]
        said = f"key {key!r} is unknown, expected one of {', '.join(listed)}"
        said += nearest(key, allowed)
    elif first["type"] == "missing":
        said = f"key {key!r} is missing, expected {allowed[key].description}"
    else:
        inside = "".join(f".{x}" if isinstance(x, str) else f"[{x + 1}]" for x in loc[1:])
        said = f"{key}{inside} is {short(first['input'])}, expected {allowed[key].description}"
    more = f" (and {others} more error{'s' if others > 1 else ''})" if others else ""
    return place + said + more


def _table(model: type[BaseModel], key: Any) -> tuple[type[BaseModel], bool] | None:
    """Model of the table or tables behind a key, and whether they are several."""
    from pydantic import BaseModel

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


def short(value: object) -> str:
    """A value as it stands in a message."""
    return short_text(repr(value))


def short_text(text: str) -> str:
    """A text in one line of a message."""
    text = " ".join(text.split())
    return text if len(text) <= 80 else text[:77] + "..."
