"""What is looked at in an HDF5 file before a number of it is read."""

from __future__ import annotations

import math
from typing import Any

import h5py

from nf2ff.messages.input_error import InputError

#: Most bytes in all datasets of one file that is read.
MAX_BYTES = 16 * 2**30
#: Most links in a file that is read; a native file has some 30.
MAX_LINKS = 1000
#: Deflate shrinks no more than this: 258 bytes to two bits (RFC 1951), and headers.
_MOST_DEFLATED = 1032

_FILTERS = [h5py.h5z.FILTER_FLETCHER32, h5py.h5z.FILTER_SHUFFLE, h5py.h5z.FILTER_DEFLATE]


def inspect_data(file: Any, size: int) -> None:
    """Refuse links out of the file, data that were not written, and more than the file can hold."""
    names = inspect_links(file)
    total = stored = 0
    for name in names:
        item = file[name]
        if isinstance(item, h5py.Dataset):
            stored += inspect_dataset(name, item)
            total += item.size * item.dtype.itemsize
        if total > MAX_BYTES:
            raise InputError(f"holds more than {MAX_BYTES} bytes of data, the limit", "split it")
        if stored > size:
            raise InputError(f"/{name} ends beyond the {size} bytes of the file", "copy or write it again")


def inspect_links(file: Any) -> list[str]:
    """Names of all that is in a file; links out of it are refused, and more than make sense."""
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
    return names


def inspect_dataset(name: str, item: Any) -> int:
    """Bytes of a dataset in the file, after looking at its layout."""
    plist = item.id.get_create_plist()
    if item.is_virtual or plist.get_external_count():
        raise InputError(f"/{name} keeps its data in other files", "put the data itself there")
    filters = [plist.get_filter(i)[0] for i in range(plist.get_nfilters())]
    if set(filters) - set(_FILTERS) or len(set(filters)) < len(filters):
        raise InputError(f"/{name} is compressed in an unusual way", "use gzip or none")
    if item.shape is None or not item.size:
        raise InputError(f"/{name} holds no number", "write it again")
    if item.dtype.kind == "O":
        raise InputError(f"/{name} is of variable length", "write numbers, or texts of fixed length")
    if item.chunks is None:
        stored = int(item.id.get_storage_size())
        if stored < item.size * item.dtype.itemsize:
            raise InputError(f"/{name} has {stored} bytes of {item.size} numbers: was not written to the end")
        return stored
    return _inspect_chunks(name, item, h5py.h5z.FILTER_DEFLATE in filters)


def _inspect_chunks(name: str, item: Any, deflated: bool) -> int:
    """Bytes of the chunks, all of which must be there and large enough for what they hold."""
    wanted = math.prod(-(-n // c) for n, c in zip(item.shape, item.chunks, strict=True))
    found = item.id.get_num_chunks()
    if found != wanted:
        raise InputError(f"/{name} has {found} of {wanted} chunks: was not written to the end")
    full = math.prod(item.chunks) * item.dtype.itemsize
    places, stored = set(), 0

    def visit(chunk: Any) -> bool | None:
        nonlocal stored
        ratio = _MOST_DEFLATED if deflated and not chunk.filter_mask else 1
        places.add(chunk.chunk_offset)
        stored += chunk.size
        return True if chunk.size * ratio < full else None  # which ends the walk

    short = item.id.chunk_iter(visit)
    if short or len(places) < wanted:
        raise InputError(f"/{name} has a chunk of less than its {full} bytes: was not written to the end")
    return stored
