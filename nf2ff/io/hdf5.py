"""HDF5 under the native files: the only h5py.

Groups of datasets, each with its axes as dimension scales, ``units`` and ``long_name``, so that
``xarray.open_dataset(file, group="/far_field", engine="h5netcdf")`` opens them as they are.
Nothing is read before the links, layouts and sizes in the file have been looked at.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import h5py
import numpy as np
from numpy.typing import NDArray

from nf2ff.io.safe import HDF5_SIGNATURE, PathLike, provenance, read_bytes, replacing
from nf2ff.messages.input_error import InputError

FORMAT = "nf2ff"
VERSION = 1
KINDS = ("samples", "result", "probe", "modes", "far_field", "uncertainty", "study")
#: Most bytes in all datasets of one file that is read.
MAX_BYTES = 16 * 2**30
#: Most links in a file that is read; a native file has some 30.
MAX_LINKS = 1000

_FILTERS = {h5py.h5z.FILTER_FLETCHER32, h5py.h5z.FILTER_SHUFFLE, h5py.h5z.FILTER_DEFLATE}
#: Numbers in a chunk, 1 MiB as complex values: the size of HDF5's own cache.
_CHUNK = 65536


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

    def take(self, group: Any, units: str | None) -> Any:
        """The value of the dataset in a group, checked: an array, or a list of texts."""
        if self.kind == "O":
            return texts(group, self.name)
        most = len(self.axes)
        ndim = tuple(range(most if self.least is None else self.least, most + 1))
        how: Any = {"missing": self.missing, "finite": self.finite}
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
        text = group.attrs.get(self.name)
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

    def read(self, group: Any, *, units: Mapping[str, str] | None = None) -> dict[str, Any]:
        """Fields of the noun by name, each checked, from a group of an open file.

        Parameters
        ----------
        group : h5py.Group
            As `find` gives it.
        units : mapping of str to str, optional
            Units that fields must have whose schema leaves them open.
        """
        units = units or {}
        found: dict[str, Any] = {}
        for x in self.fields:
            if x.optional and x.name not in group:
                found[x.name] = None
            elif not x.derived:
                found[x.name] = x.take(group, units.get(x.name))
        for y in self.attributes:
            lacking = y.optional and y.name not in group.attrs
            found[y.field or y.name] = None if lacking else y.read(group)
        return found


class Item(NamedTuple):
    """A dataset to be written; one whose only axis is its own name is a dimension scale."""

    name: str
    values: NDArray[Any]
    units: str
    long_name: str
    axes: tuple[str, ...]


class Group(NamedTuple):
    """Datasets and text attributes that belong together."""

    items: list[Item]
    attributes: dict[str, str]


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
            _inspect(file)
            yield file
    except ValueError as error:
        raise InputError(f"{path}: {' '.join(str(error).split())}") from error
    except (OSError, KeyError, MemoryError, RuntimeError, TypeError) as error:
        reason = " ".join(str(error).split())
        fault = "is truncated" if "truncated" in reason else "cannot be read"
        raise InputError(f"{path}: {fault} ({reason})", "copy or write it again") from error


def _inspect(file: Any) -> None:
    """Refuse what is not ours, and what leads out of the file, before anything is read."""
    if file.attrs.get("format") != FORMAT:
        raise InputError(f"is HDF5 of another format: expected the attribute format = {FORMAT!r}")
    found = file.attrs.get("version")
    if found != VERSION:
        raise InputError(f"is of version {found}, expected {VERSION}", "use the nf2ff that wrote it")
    if file.attrs.get("kind") not in KINDS:
        raise InputError(f"is of kind {file.attrs.get('kind')!r}, expected one of {', '.join(KINDS)}")
    names: list[str] = []

    def visit(name: bytes, link: Any) -> str | None:  # a text ends the walk; h5py bears no raise
        names.append(name.decode(errors="replace"))
        if link.type != h5py.h5l.TYPE_HARD:
            return f"/{names[-1]} is a soft or external link: put the data itself there"
        if len(names) > MAX_LINKS:
            return f"holds more than {MAX_LINKS} links: keep only the groups needed"
        return None

    fault = file.id.links.visit(visit, info=True)
    if fault:
        raise InputError(fault)
    total = 0
    for name in names:
        item = file[name]
        if isinstance(item, h5py.Dataset):
            _inspect_dataset(name, item)
            total += item.size * item.dtype.itemsize
        if total > MAX_BYTES:
            raise InputError(f"holds more than {MAX_BYTES} bytes of data, the limit", "split it")


def _inspect_dataset(name: str, item: Any) -> None:
    plist = item.id.get_create_plist()
    if item.is_virtual or plist.get_external_count():
        raise InputError(f"/{name} keeps its data in other files", "put the data itself there")
    filters = {plist.get_filter(i)[0] for i in range(plist.get_nfilters())}
    if filters - _FILTERS:
        raise InputError(f"/{name} is compressed in an unusual way", "use gzip or none")
    if item.shape is None or not item.size:
        raise InputError(f"/{name} holds no number", "write it again")
    stored = item.id.get_storage_size()
    if not filters & {h5py.h5z.FILTER_DEFLATE} and stored < item.size * item.dtype.itemsize:
        raise InputError(f"/{name} has {stored} bytes of {item.size} numbers: was not written to the end")


def find(file: Any, name: str) -> Any:
    """A group of the file."""
    if not isinstance(file.get(name), h5py.Group):
        raise InputError(f"has no group /{name}: it is a file of kind {file.attrs['kind']}")
    return file[name]


def attribute(group: Any, name: str, allowed: Sequence[str]) -> Any:
    """A text attribute of a group, one of those allowed."""
    value = group.attrs.get(name)
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
) -> NDArray[Any]:
    """A dataset of the group, its units, dimensions, type and values checked."""
    item = group.get(name)
    where = f"{group.name}/{name}"
    if not isinstance(item, h5py.Dataset):
        raise InputError(f"has no dataset {where}", "write it again")
    given = item.attrs.get("units")
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
    values = np.asarray(item[()])
    if finite and kind != "iu":
        bad = np.isinf(values) if missing else ~np.isfinite(values)
        if bad.any():
            at = ", ".join(map(str, np.argwhere(bad)[0]))
            raise InputError(f"{where} is not finite at index ({at})", "remove or repair it")
    return values


def texts(group: Any, name: str) -> list[str]:
    """A dataset of texts in one dimension."""
    item = group.get(name)
    if item is None or item.dtype.kind != "O" or item.ndim != 1:
        raise InputError(f"{group.name} has no texts {name}", "write it again")
    return [str(x) for x in item.asstr()[()]]


# --- writing -------------------------------------------------------------------------------------


def write(
    path: PathLike, kind: str, groups: Mapping[str, Group], origin: Mapping[str, str] | None, overwrite: bool
) -> None:
    """Write under a temporary name, close, reopen, compare, and put in place."""
    for name, group in groups.items():
        for item in group.items:
            if item.values.size == 0:
                raise InputError(f"{path}: {name} has no {item.name}: nothing to write")
    with replacing(path, overwrite=overwrite) as temporary:
        # From HDF5 1.8 on the structures between the data can have checksums, too.
        with h5py.File(temporary, "x", libver=("v108", "v108")) as file:
            file.attrs.update(format=FORMAT, version=VERSION, kind=kind)
            file.create_group("provenance").attrs.update(provenance() if origin is None else origin)
            for name, group in groups.items():
                _fill(file.create_group(name), group)
        try:
            _verify(temporary, groups)
        except ValueError as error:
            msg = f"read back fails, {error}"
            raise OSError(msg) from error


def _fill(target: Any, group: Group) -> None:
    target.attrs.update(group.attributes)
    for item in group.items:
        text = item.values.dtype.kind == "O"  # of any length, which HDF5 has no checksum for
        kind = h5py.string_dtype() if text else item.values.dtype
        chunks = list(item.values.shape)
        for axis, size in enumerate(chunks):
            rest = int(np.prod(chunks[axis + 1 :]))
            chunks[axis] = min(size, max(1, _CHUNK // rest))
        data = target.create_dataset(
            item.name, data=item.values, dtype=kind, chunks=tuple(chunks), fletcher32=not text
        )
        data.attrs.update(units=item.units, long_name=item.long_name)
        if item.axes == (item.name,):
            data.make_scale(item.name)
    for item in group.items:
        if item.axes != (item.name,):
            for axis, name in enumerate(item.axes):
                target[item.name].dims[axis].attach_scale(target[name])


def _verify(path: Path, groups: Mapping[str, Group]) -> None:
    """Raise where the file does not hold what was to be written."""
    with open_native(path) as file:
        for name, group in groups.items():
            for item in group.items:
                data = file[name][item.name]
                source = data.asstr() if item.values.dtype.kind == "O" else data
                for part in data.iter_chunks():
                    one, two = np.asarray(source[part]), item.values[part]
                    if not (np.array_equal(one, two) or np.array_equal(one, two, equal_nan=True)):
                        raise InputError(f"/{name}/{item.name} read back differs from what was written")
