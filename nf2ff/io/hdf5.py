"""HDF5 under the native files: the only h5py.

Groups of datasets, each with its axes as dimension scales, ``units`` and ``long_name``, so that
``xarray.open_dataset(file, group="/far_field", engine="h5netcdf")`` opens them as they are.
Nothing is read before the links, layouts and sizes in the file have been looked at.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import h5py
import numpy as np
from numpy.typing import NDArray

from nf2ff.io.hdf5_inspect import inspect_data
from nf2ff.io.hdf5_target import Target, interrupts_later
from nf2ff.io.hdf5_text import (
    all_texts,
    attribute_value,
    group_with_room,
    set_texts,
    take_texts,
    text_array,
)
from nf2ff.io.safe import HDF5_SIGNATURE, PathLike, provenance, read_bytes, replacing
from nf2ff.messages.input_error import InputError, visible

FORMAT = "nf2ff"
VERSION = 1
KINDS = ("samples", "result", "probe", "modes", "far_field", "uncertainty", "study")
#: Bytes of a chunk, and of the cache of each dataset that is written.
_CHUNK = 2**20


# --- what a noun looks like in a file ------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Field:
    """A dataset of a noun.

    Parameters
    ----------
    name : str
        Name of the dataset, and of the noun's field.
    units : str, tuple of str, or None
        Its unit; where that depends on the noun, those allowed, None for any.
    long_name : str
        What it is, in words.
    axes : tuple of str
        Dataset along each axis; a field whose only axis is its own name is one itself.
    kind : {"f", "c", "i", "b", "O"}
        Real, complex or whole numbers, yes or no (held as 1 and 0), or texts.
    least : int, optional
        Fewest dimensions, where the first axes may be lacking.
    optional : bool
        Whether the noun may have None there, and the file no such dataset.
    missing, finite : bool
        Whether NaN stands for what is missing; whether all else must be finite to be read.
    derived : bool
        Whether it follows from the others: written for other programs, not read.
    """

    name: str
    units: str | tuple[str, ...] | None
    long_name: str
    axes: tuple[str, ...]
    kind: str = "f"
    least: int | None = None
    optional: bool = False
    missing: bool = False
    finite: bool = True
    derived: bool = False

    def item(self, given: Any, units: str | None) -> Item:
        """The dataset of a value."""
        values = np.asarray(given, dtype={"b": np.uint8, "O": object}.get(self.kind))
        units = self.units if isinstance(self.units, str) else units
        assert isinstance(units, str), f"no unit for {self.name}"
        return Item(self.name, values, units, self.long_name, self.axes[len(self.axes) - values.ndim :])

    def take(self, group: Any, units: str | None, rows: NDArray[np.intp] | None = None) -> Any:
        """The dataset in a group, all of it or some ``rows``, checked: an array, or a list of texts."""
        if self.kind == "O":
            return take_texts(group, self.name)
        most = len(self.axes)
        ndim = tuple(range(most if self.least is None else self.least, most + 1))
        how: Any = {"missing": self.missing, "finite": self.finite, "rows": rows}
        kind = "iu" if self.kind in "ib" else self.kind
        values = take(group, self.name, units or self.units, ndim, kind=kind, **how)
        return values.astype(bool) if self.kind == "b" else values


@dataclass(frozen=True, slots=True)
class Attribute:
    """A text attribute of a noun's group.

    Parameters
    ----------
    name : str
        Its name in the file.
    of : type or tuple of str
        What the text stands for: str, float, int, bool ("yes" or "no"), or one of these words.
    field : str
        Name of the noun's field, where it is another.
    optional : bool
        Whether the noun may have None there, and the file no such attribute.
    """

    name: str
    of: type | tuple[str, ...] = str
    field: str = ""
    optional: bool = False

    def text(self, value: Any) -> str:
        """What is written for a value."""
        if self.of is bool:
            return "yes" if value else "no"
        return repr(float(value)) if self.of is float else str(value)

    def read(self, group: Any) -> Any:
        """The value in a group, checked."""
        if isinstance(self.of, tuple):
            return attribute(group, self.name, self.of)
        if self.of is bool:
            return attribute(group, self.name, ("yes", "no")) == "yes"
        text = attribute_value(group, self.name)
        if text is None:
            raise InputError(f"{group.name} has no attribute {self.name}", "write it again")
        try:
            if self.of is int and not str(text).isdecimal():
                raise ValueError
            return self.of(text)
        except (TypeError, ValueError):
            kind = "a whole number" if self.of is int else "a number"
            raise InputError(
                f"{group.name}: attribute {self.name} is {str(text)[:80]!r}, expected {kind}"
            ) from None


@dataclass(frozen=True, slots=True)
class Schema:
    """The datasets and attributes of one noun, from which both writing and reading follow.

    Parameters
    ----------
    fields : tuple of Field
        Datasets.
    attributes : tuple of Attribute
        Text attributes.
    """

    fields: tuple[Field, ...]
    attributes: tuple[Attribute, ...] = ()

    def group(self, noun: object = None, *, units: Mapping[str, str] | None = None, **given: Any) -> Group:
        """The group to be written.

        Parameters
        ----------
        noun : object
            Has the fields by their names, but those that are ``given``.
        units : mapping of str to str, optional
            Units of the fields whose schema leaves them open.
        **given
            Values in the place of the noun's.
        """
        units = units or {}

        def value(name: str) -> Any:
            return given[name] if name in given else getattr(noun, name)

        pairs = [(x, value(x.name)) for x in self.fields]
        items = [x.item(v, units.get(x.name)) for x, v in pairs if not (x.optional and v is None)]
        texts = [(x, value(x.field or x.name)) for x in self.attributes]
        attributes = {x.name: x.text(v) for x, v in texts if not (x.optional and v is None)}
        return Group(items, attributes)

    def read(
        self, group: Any, *, units: Mapping[str, str] | None = None, later: Sequence[str] = ()
    ) -> dict[str, Any]:
        """Fields of the noun by name, each checked, from a group of an open file.

        Parameters
        ----------
        group : h5py.Group
            As `find` gives it.
        units : mapping of str to str, optional
            Units that fields must have whose schema leaves them open.
        later : sequence of str
            Fields that are left out, to be read row by row.
        """
        units = units or {}
        self._refuse_other_shapes(group)
        found: dict[str, Any] = {}
        for x in self.fields:
            if x.optional and x.name not in group:
                found[x.name] = None
            elif not (x.derived or x.name in later):
                found[x.name] = x.take(group, units.get(x.name))
        for y in self.attributes:
            lacking = y.optional and y.name not in group.attrs
            found[y.field or y.name] = None if lacking else y.read(group)
        return found

    def _refuse_other_shapes(self, group: Any) -> None:
        """Raise where datasets differ in the length of an axis, before any is read."""
        lengths: dict[str, tuple[int, str]] = {}
        for x in self.fields:
            shape = getattr(group.get(x.name), "shape", None)
            if shape is None or not len(x.axes) >= len(shape) >= (
                len(x.axes) if x.least is None else x.least
            ):
                continue  # what is there says `take`
            for axis, size in zip(x.axes[len(x.axes) - len(shape) :], shape, strict=True):
                right, first = lengths.setdefault(axis, (size, x.name))
                if size != right:
                    what = f"{group.name}/{x.name} has shape {shape}"
                    raise InputError(f"{what}, but {right} of {axis} by {first}", "write it again")


class Item(NamedTuple):
    """A dataset to be written; one whose only axis is its own name is a dimension scale."""

    name: str
    values: NDArray[Any]
    units: str
    long_name: str
    axes: tuple[str, ...]


class Later(NamedTuple):
    """Items of one shape whose values are made while they are written: theirs only tell shape and type.

    ``blocks`` gives one block of rows after the other, each but the last of a multiple of so many.
    """

    names: tuple[str, ...]
    blocks: Callable[[int], Iterator[tuple[NDArray[Any], ...]]]


class Group(NamedTuple):
    """Datasets and text attributes that belong together, and what is written of them later."""

    items: list[Item]
    attributes: dict[str, str]
    later: Later = Later((), lambda _: iter(()))


# --- reading -------------------------------------------------------------------------------------


def is_native(path: PathLike) -> bool:
    """Whether a file begins as HDF5 does."""
    return read_bytes(path, limit=0, count=len(HDF5_SIGNATURE)) == HDF5_SIGNATURE


@contextmanager
def open_native(path: PathLike) -> Iterator[Any]:
    """A native file whose links, layouts and size have passed; errors come in one line."""
    if not is_native(path):
        raise InputError(f"{path}: is not HDF5", "give a native file, or turn a CSV table into one")
    try:
        with h5py.File(path, "r") as file:
            _inspect(file, Path(path).stat().st_size)
            yield file
    except ValueError as error:
        raise InputError(f"{path}: {' '.join(str(error).split())}") from error
    except (OSError, KeyError, MemoryError, RuntimeError, TypeError) as error:
        reason = " ".join(str(error).split())
        fault = "is truncated" if "truncated" in reason else "cannot be read"
        raise InputError(f"{path}: {fault} ({reason})", "copy or write it again") from error


def _inspect(file: Any, size: int) -> None:
    """Refuse what is not ours, then what is not sound, before anything is read."""
    if attribute_value(file, "format") != FORMAT:
        raise InputError(f"is HDF5 of another format: expected the attribute format = {FORMAT!r}")
    found = attribute_value(file, "version")
    if found != VERSION:
        raise InputError(f"is of version {found}, expected {VERSION}", "use the nf2ff that wrote it")
    file_kind(file)
    inspect_data(file, size)


def file_kind(file: Any) -> str:
    """What an open file holds, one of `KINDS`."""
    kind = attribute_value(file, "kind")
    if kind not in KINDS:
        raise InputError(f"is of kind {kind!r}, expected one of {', '.join(KINDS)}")
    return str(kind)


def find(file: Any, name: str) -> Any:
    """A group of the file."""
    if not isinstance(file.get(name), h5py.Group):
        raise InputError(f"has no group /{name}: it is a file of kind {file_kind(file)}")
    return file[name]


def attribute(group: Any, name: str, allowed: Sequence[str]) -> Any:
    """A text attribute of a group, one of those allowed."""
    value = attribute_value(group, name)
    if value not in allowed:
        raise InputError(f"{group.name}: attribute {name} is {value!r}, expected one of {', '.join(allowed)}")
    return value


def take(
    group: Any,
    name: str,
    units: str | Sequence[str] | None,
    ndim: int | tuple[int, ...],
    *,
    kind: str = "f",
    missing: bool = False,
    finite: bool = True,
    rows: NDArray[np.intp] | None = None,
) -> NDArray[Any]:
    """A dataset of the group, all or some rows, its units, dimensions, type and values checked."""
    item = group.get(name)
    where = f"{group.name}/{name}"
    if not isinstance(item, h5py.Dataset):
        raise InputError(f"has no dataset {where}", "write it again")
    given = attribute_value(item, "units")
    allowed = (units,) if isinstance(units, str) else units
    if not isinstance(given, str) or (allowed is not None and given not in allowed):
        expected = "a text" if allowed is None else " or ".join(allowed)
        text = repr(given) if isinstance(given, str) else str(given)
        raise InputError(f"{where} has units {text}, expected {expected}", "convert it and set units")
    dims = (ndim,) if isinstance(ndim, int) else ndim
    if item.ndim not in dims or item.dtype.kind not in kind:
        what = {"f": "real", "c": "complex", "iu": "whole"}.get(kind, "real")
        raise InputError(
            f"{where} is {item.dtype} {item.shape}, expected {what} numbers in {dims} dimensions"
        )
    if rows is not None and rows.size and rows[-1] - rows[0] == rows.size - 1:
        values = np.asarray(item[int(rows[0]) : int(rows[-1]) + 1])
    else:
        values = np.asarray(item[() if rows is None else rows])
    if finite and kind != "iu":
        bad = np.isinf(values) if missing else ~np.isfinite(values)
        if bad.any():
            first = np.argwhere(bad)[0]
            first[0] = first[0] if rows is None else rows[first[0]]
            at = ", ".join(map(str, first))
            raise InputError(f"{where} is not finite at index ({at})", "remove or repair it")
    return values


# --- writing -------------------------------------------------------------------------------------


def write(
    path: PathLike, kind: str, groups: Mapping[str, Group], origin: Mapping[str, str] | None, overwrite: bool
) -> None:
    """Write under a temporary name, close, reopen, compare, and put in place."""
    for name, group in groups.items():
        for item in group.items:
            if item.values.size == 0:
                raise InputError(f"{path}: {name} has no {item.name}: nothing to write")
    with replacing(path, overwrite=overwrite) as temporary, interrupts_later() as stop:
        with Target(temporary) as target:
            # From HDF5 1.10 on all between the data has checksums, too.
            checks = []
            with h5py.File(target, "w", libver=("v110", "v110"), rdcc_nbytes=_CHUNK) as file:
                file.attrs["version"] = VERSION
                set_texts(file, {"format": FORMAT, "kind": kind})
                set_texts(group_with_room(file, "provenance"), provenance() if origin is None else origin)
                for name, group in groups.items():
                    _fill(group_with_room(file, name), group)
                    for check in _fill_later(file[name], group.later):
                        target.check()
                        stop()
                        checks.append(check)
            target.finish()
        try:
            _verify(temporary, groups, checks)
        except ValueError as error:
            msg = f"read back fails, {error}"
            raise OSError(msg) from error


def _fill(target: Any, group: Group) -> None:
    set_texts(target, group.attributes)
    for item in group.items:
        values = _stored(item)
        chunks = list(values.shape)
        for axis, size in enumerate(chunks):
            rest = math.prod(chunks[axis + 1 :]) * values.dtype.itemsize
            # No more than are needed, and alike: the last has the length of the others in the file.
            chunks[axis] = -(-size // -(-size // max(1, _CHUNK // rest)))
        given: Any = {"shape": values.shape, "dtype": values.dtype, "chunks": tuple(chunks)}
        if item.name not in group.later.names:
            given["data"] = values
        data = target.create_dataset(item.name, fletcher32=True, **given)
        set_texts(data, {"units": item.units, "long_name": item.long_name})
        if values.dtype.kind == "S":
            set_texts(data, {"_Encoding": "utf-8"})  # by which xarray gives str
        if item.axes == (item.name,):
            data.make_scale(item.name)
    for item in group.items:
        if item.axes != (item.name,):
            for axis, name in enumerate(item.axes):
                target[item.name].dims[axis].attach_scale(target[name])


def _fill_later(target: Any, later: Later) -> Iterator[tuple[str, slice, int]]:
    """Write what was left for later; gives name, rows and checksum of each piece."""
    data, start = [target[name] for name in later.names], 0
    for block in later.blocks(data[0].chunks[0]) if data else ():
        for one, values in zip(data, block, strict=True):
            rows = slice(start, start + len(values))
            one[rows] = values
            yield one.name, rows, zlib.crc32(np.ascontiguousarray(values).data)
        start += len(block[0])


def _stored(item: Item) -> NDArray[Any]:
    """Values of a dataset as they are in the file."""
    return text_array(item.values) if item.values.dtype.kind == "O" else item.values


def _verify(path: Path, groups: Mapping[str, Group], checks: Iterable[tuple[str, slice, int]]) -> None:
    """Raise where the file does not hold what was to be written."""
    with open_native(path) as file:
        for name, group in groups.items():
            if all_texts(file[name]) != {key: visible(text) for key, text in group.attributes.items()}:
                raise InputError(f"/{name}: attributes read back differ from what was written")
            for item in group.items:
                if item.name in group.later.names:
                    continue
                data, values = file[name][item.name], _stored(item)
                for part in data.iter_chunks():
                    one, two = np.asarray(data[part]), values[part]
                    if not (np.array_equal(one, two) or np.array_equal(one, two, equal_nan=True)):
                        raise InputError(f"/{name}/{item.name} read back differs from what was written")
        for name, rows, check in checks:
            if zlib.crc32(np.asarray(file[name][rows]).data) != check:
                raise InputError(f"{name} read back differs from what was written")
