"""Tags of a MAT file of version 5, looked at before scipy reads it: at one that is wrong it crashes.

The layout is that of "MAT-File Format" by the makers of the format (from memory): elements of a tag, its
type and length, and data; a matrix is an element of elements: flags, dimensions, name, then what its class
has.
"""

from __future__ import annotations

import math
import struct
import zlib
from collections.abc import Iterator

from nf2ff.messages.input_error import InputError

#: Types of data: numbers, texts, and those that hold elements.
_NUMBERS, _TEXTS, _MATRIX, _PACKED = {1, 2, 3, 4, 5, 6, 7, 9, 12, 13}, {16, 17, 18}, 14, 15
#: Classes of matrices.
_CELL, _STRUCT, _OBJECT, _CHAR, _SPARSE, _LAST = 1, 2, 3, 4, 5, 15
#: Flag of imaginary parts.
_COMPLEX = 0x0800
_HEADER, _DEEPEST, _MOST_DIMENSIONS = 128, 20, 32


def check_tags(data: bytes, limit: int) -> None:
    """Refuse a MAT file whose tags are wrong, or that holds more than ``limit`` bytes unpacked.

    Raises
    ------
    ValueError
        If so.
    """
    order = {b"IM": "<", b"MI": ">"}.get(data[126:_HEADER])
    if order is None:
        raise _wrong()
    for kind, part in _elements(memoryview(data)[_HEADER:], order):
        if kind == _PACKED:
            unpacked = zlib.decompressobj().decompress(part, limit)
            limit -= len(unpacked)
            if limit <= 0:
                raise InputError("is too large unpacked", "split it")
            for inner, rest in _elements(memoryview(unpacked), order):
                _matrix(inner, rest, order, 0)
        else:
            _matrix(kind, part, order, 0)


def _elements(data: memoryview, order: str) -> Iterator[tuple[int, memoryview]]:
    """Type and data of each element, which must end where the whole does."""
    at = 0
    while at < len(data):
        if at + 8 > len(data):
            raise _wrong()
        kind, size = struct.unpack_from(order + "II", data, at)
        if kind >> 16:  # a small element: its data are in the tag
            kind, size, start, end = kind & 0xFFFF, kind >> 16, at + 4, at + 8
            if size > 4:
                raise _wrong()
        else:
            start = at + 8
            end = start + size if kind == _PACKED else start + -(-size // 8) * 8
        if start + size > len(data):
            raise _wrong()
        yield kind, data[start : start + size]
        at = end


def _matrix(kind: int, data: memoryview, order: str, depth: int) -> None:
    if kind != _MATRIX or depth > _DEEPEST:
        raise _wrong()
    if not len(data):  # an empty one
        return
    parts = list(_elements(data, order))
    kinds, sizes = [x for x, _ in parts], [len(x) for _, x in parts]
    if kinds[:3] != [6, 5, 1] or sizes[0] != 8 or sizes[1] not in range(8, 4 * _MOST_DIMENSIONS + 1, 4):
        raise _wrong()
    (flags, _), rest = struct.unpack(order + "II", parts[0][1]), parts[3:]
    shape = struct.unpack(f"{order}{sizes[1] // 4}i", parts[1][1])
    count, cls = math.prod(shape), flags & 0xFF
    if min(shape) < 0:
        raise _wrong()
    if cls in (_STRUCT, _OBJECT):
        head = 2 + (cls == _OBJECT)
        if kinds[3 : 3 + head] != [1] * (cls == _OBJECT) + [5, 1] or sizes[1 + head] != 4:
            raise _wrong()
        (width,) = struct.unpack(order + "i", parts[1 + head][1])
        if not 0 < width <= 64 or sizes[2 + head] % width:
            raise _wrong()
        rest, count = rest[head:], count * (sizes[2 + head] // width)
    if cls in (_CELL, _STRUCT, _OBJECT):
        for inner, part in rest:
            _matrix(inner, part, order, depth + 1)
    else:
        # One element, and one more of imaginary parts; of a sparse matrix after the indices of both kinds.
        count = 1 + (cls == _SPARSE) * 2 + (flags & _COMPLEX > 0)
        allowed = _NUMBERS | _TEXTS if cls == _CHAR else _NUMBERS
        if not _CELL <= cls <= _LAST or not {x for x, _ in rest} <= allowed:
            raise _wrong()
    # Where one is lacking scipy would go on with what follows.
    if len(rest) != count:
        raise _wrong()


def _wrong() -> ValueError:
    return ValueError("a tag in it is wrong")
