"""Texts in HDF5, each of a fixed length.

Texts of variable length lie in a heap that has no checksum, and on which libhdf5 can hang for ever
where two bytes of it are wrong. Here they are neither written nor read. What would steer a terminal
is written and read as `visible` shows it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from nf2ff.messages.input_error import InputError, visible

#: Most bytes of a text in one attribute: HDF5 has room for 64 KiB in a header, and no checksum elsewhere.
_PIECE = 32_000
#: Most attributes that lie in the header of their object, which has a checksum.
_MOST = 65_000


def group_with_room(file: Any, name: str) -> Any:
    """A new group, of which all attributes lie in the header."""
    parts = name.split("/")
    parent = file.require_group("/".join(parts[:-1])) if parts[1:] else file
    plist = h5py.h5p.create(h5py.h5p.GROUP_CREATE)
    plist.set_attr_phase_change(_MOST, 0)
    plist.set_obj_track_times(False)  # so that equal runs give equal files
    return h5py.Group(h5py.h5g.create(parent.id, parts[-1].encode(), gcpl=plist))


def set_texts(item: Any, given: Mapping[str, str]) -> None:
    """Give a group or dataset text attributes; a long one goes on in ``name+1`` and so on."""
    for name, text in given.items():
        data = visible(text).encode()
        pieces = [data[at : at + _PIECE] for at in range(0, len(data), _PIECE)] or [b""]
        for k, piece in enumerate(pieces):
            kind = h5py.string_dtype("utf-8", max(1, len(piece)))
            item.attrs.create(f"{name}+{k}" if k else name, np.array(piece, dtype=kind), dtype=kind)


def attribute_value(item: Any, name: str) -> Any:
    """An attribute, a text as str; None where there is none.

    Raises
    ------
    ValueError
        If it is of variable length.
    """
    value = _one(item, name)
    if not isinstance(value, bytes):
        return value
    pieces, k = [value], 1
    while isinstance(piece := _one(item, f"{name}+{k}"), bytes):
        pieces.append(piece)
        k += 1
    return visible(b"".join(pieces).decode())


def all_texts(item: Any) -> dict[str, str]:
    """Every attribute of a group, by name, as a text."""
    return {name: str(attribute_value(item, name)) for name in item.attrs if not re.search(r"\+\d+$", name)}


def _one(item: Any, name: str) -> Any:
    if name not in item.attrs:
        return None
    if item.attrs.get_id(name).dtype.kind == "O":
        raise InputError(
            f"{item.name}: attribute {name} is of variable length",
            "write the file again, or a text of fixed length (numpy.bytes_)",
        )
    return item.attrs[name]


def text_array(values: NDArray[Any]) -> NDArray[Any]:
    """Texts in one dimension as UTF-8, all of the longest one's length."""
    data = [visible(str(x)).encode() for x in values.tolist()]
    return np.array(data, dtype=h5py.string_dtype("utf-8", max(1, *map(len, data))))


def take_texts(group: Any, name: str) -> list[str]:
    """A dataset of texts in one dimension.

    Raises
    ------
    ValueError
        If it is none.
    """
    item = group.get(name)
    if not isinstance(item, h5py.Dataset) or item.dtype.kind != "S" or item.ndim != 1:
        raise InputError(f"{group.name} has no texts {name}", "write it again")
    return [visible(x.decode()) for x in item[()].tolist()]
