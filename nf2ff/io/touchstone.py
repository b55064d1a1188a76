"""Columns of Touchstone files of one or two ports, such as a network analyser writes at each position.

Columns are ``frequency`` [Hz] and ``S11``, or ``S11``, ``S21``, ``S12`` and ``S22``, complex. The format is
that of version 1 [1]_: an option line ``# GHz S MA R 50``, comments after ``!``, and for each frequency a
line of numbers, of two ports in the order 11, 21, 12, 22. Noise parameters may follow, which are left out.

References
----------
.. [1] EIA/IBIS Open Forum, Touchstone File Format Specification, Rev. 1.1, from memory.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from nf2ff.io.layout import Layout
from nf2ff.io.safe import PathLike, read_bytes
from nf2ff.io.text_columns import Asked, Column, Numbers, no_column
from nf2ff.io.toml import short
from nf2ff.messages.input_error import InputError

#: Largest file [bytes].
MAX_BYTES = 2**28
_NAMES = {1: ("S11",), 2: ("S11", "S21", "S12", "S22")}
_HERTZ = {"HZ": 1.0, "KHZ": 1e3, "MHZ": 1e6, "GHZ": 1e9}
_FORMATS: dict[str, Callable[[Any, Any], Any]] = {
    "RI": lambda x, y: x + 1j * y,
    "MA": lambda x, y: x * np.exp(1j * np.radians(y)),
    "DB": lambda x, y: 10 ** (x / 20) * np.exp(1j * np.radians(y)),
}


def is_touchstone(path: PathLike) -> bool:
    """Whether a file is one of S-parameters, by its name."""
    return bool(re.fullmatch(r"\.s\d+p", Path(path).suffix.casefold()))


def read_touchstone(path: PathLike, layout: Layout, asked: Asked) -> Numbers:
    """Read the columns that are ``asked`` for.

    Raises
    ------
    ValueError
        One line that names the file, line, value and the remedy.
    """
    del layout
    ports = int(Path(path).suffix[2:-1])
    if ports not in _NAMES:
        raise InputError(f"{path}: is of {ports} ports", "expected .s1p or .s2p: write the two ports in use")
    text = read_bytes(path, limit=MAX_BYTES).decode("latin-1")
    unit, form = "GHZ", "MA"
    rows: list[list[float]] = []
    lines: list[int] = []
    width = 1 + 2 * len(_NAMES[ports])
    for number, line in enumerate(text.splitlines(), 1):
        words = line.partition("!")[0].upper().split()
        where = f"{path}, line {number}"
        if words and words[0].startswith("["):
            raise InputError(f"{where}: has {short(words[0])}, of version 2", "save it as version 1")
        if words and words[0].startswith("#"):
            if not rows:
                unit, form = _options(where, " ".join(words)[1:].split())
        elif words:
            row = _numbers(where, words)
            if rows and len(row) == 5 != width and row[0] < rows[-1][0]:
                break  # noise parameters
            if len(row) != width:
                raise InputError(f"{where}: has {len(row)} numbers", f"expected {width} of {ports} ports")
            rows.append(row)
            lines.append(number)
    if not rows:
        raise InputError(f"{path}: has no row of numbers", "expected frequency and S-parameters")
    table = np.array(rows)
    columns: dict[str, Column] = {"frequency": table[:, 0] * _HERTZ[unit]}
    for i, name in enumerate(_NAMES[ports]):
        columns[name] = _FORMATS[form](table[:, 1 + 2 * i], table[:, 2 + 2 * i])
    found: dict[str | int, Column] = {}
    for column, (name, source) in asked.items():
        if column not in columns:
            what, remedy = no_column(str(column), list(columns), name, source)
            raise InputError(what, remedy, where=str(path))
        if (column == "frequency") != (name == "frequency") or (column != "frequency" and name != "complex"):
            right = "frequency" if column == "frequency" else "complex"
            unit_of = {"unit": "Hz" if right == "frequency" else ""}
            remedy = f"write {source.model_copy(update=unit_of).line(right)}"
            raise InputError(f"{path}: {column} is no {name}", remedy)
        if name == "frequency" and source.unit != "Hz":
            remedy = f"write {source.model_copy(update={'unit': 'Hz'}).line(name)}"
            raise InputError(f"{path}: frequency is in Hz here, not {source.unit}", remedy)
        found[column] = columns[str(column)]
    return Numbers(path, found, len(rows), np.array(lines, dtype=np.int32))


def _options(where: str, words: list[str]) -> tuple[str, str]:
    """Unit of frequency and format of the numbers, by an option line."""
    other = [word for word in words if word in ("Y", "Z", "G", "H")]
    if other:
        raise InputError(f"{where}: has {other[0]} parameters", "expected S: save it so")
    unit = next((word for word in words if word in _HERTZ), "GHZ")
    form = next((word for word in words if word in _FORMATS), "MA")
    return unit, form


def _numbers(where: str, words: list[str]) -> list[float]:
    """A line of finite numbers."""
    try:
        row = [float(word.replace("_", "x")) for word in words]
    except ValueError:
        raise InputError(f"{where}: is {short(' '.join(words))}", "expected numbers") from None
    if not np.isfinite(row).all():
        raise InputError(f"{where}: is {short(' '.join(words))}", "expected finite numbers")
    return row
