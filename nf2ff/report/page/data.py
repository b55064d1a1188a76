"""Arrays of a page: quantised, packed into one text, and listed for the script that unpacks them."""

from __future__ import annotations

import base64
import zlib
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

#: Names of types in the script.
_KINDS = {"u1": "Uint8Array", "u2": "Uint16Array", "i2": "Int16Array", "f4": "Float32Array"}


def packed_text(data: bytes) -> str:
    """Bytes, compressed (RFC 1950) and in base 64, which needs no escape in a page."""
    return base64.b64encode(zlib.compress(data, 9)).decode("ascii")


class ArrayPack:
    """Arrays one after the other.

    Attributes
    ----------
    index : dict of str to dict
        For each array where it begins [bytes], its type and shape, and, of codes, what they stand for: code 0
        for nothing; code c of frequency f for ``top[f] - (most - c) step``.
    """

    def __init__(self) -> None:
        self.index: dict[str, dict[str, Any]] = {}
        self._parts: list[bytes] = []
        self._size = 0

    def put(self, name: str, values: NDArray[Any], **about: Any) -> None:
        """Add an array of one of the types u1, u2, i2, f4."""
        kind = values.dtype.str[1:]
        data = values.astype(values.dtype.newbyteorder("<")).tobytes()
        data += bytes(-len(data) % 4)
        place = {"at": self._size, "kind": _KINDS[kind], "shape": list(values.shape)}
        self.index[name] = place | about
        self._parts.append(data)
        self._size += len(data)

    def put_levels(
        self, name: str, values: NDArray[Any], *, top: ArrayLike, depth: float, fine: bool, step: float = 0.0
    ) -> None:
        """Add levels (F, ...) [dB or any other unit] as codes from ``depth`` below ``top`` (F,) up to it.

        NaN becomes code 0; what is lower or higher is drawn in to the ends. A ``step`` larger than the codes
        allow takes less room.
        """
        tops = np.asarray(top, dtype=float).reshape(-1, *[1] * (values.ndim - 1))
        step = max(step, depth / (65534 if fine else 254))
        most = 1 + round(depth / step)
        with np.errstate(invalid="ignore"):
            codes = np.clip(np.rint(most - (tops - values) / step), 1, most)
        codes = np.where(np.isnan(values), 0, codes).astype("u2" if fine else "u1")
        self.put(name, codes, top=tops.ravel().tolist(), step=step, most=most)

    def text(self) -> str:
        """All arrays as `packed_text`."""
        return packed_text(b"".join(self._parts))
