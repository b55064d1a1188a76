"""Tables of samples in a layout of a laboratory's own, read by a description of that layout.

The description, in TOML, names for each quantity a column and its unit, or a value that holds for all rows::

    separator = ";"                     # or ",", "tab", "blanks"
    decimal = ","                       # or "."
    preamble_lines = 3                  # lines before the header
    time_convention = "exp(+jwt)"
    theta = { column = "Elevation", unit = "deg" }
    phi = { column = "Azimuth", unit = "deg" }
    radius = { value = 3.2, unit = "m" }

    [[response]]                        # one for each frequency or polarisation that has columns of its own
    chi = { value = 0, unit = "deg" }
    frequency = { value = 28, unit = "GHz" }
    amplitude = { column = "Co [dB]", unit = "dB" }
    phase = { column = "Co [deg]", unit = "deg" }

    [[response]]
    chi = { value = 90, unit = "deg" }
    frequency = { value = 28, unit = "GHz" }
    real = { column = "Cross, real" }
    imag = { column = "Cross, imaginary" }

What a response does not say of theta, phi, chi, radius, frequency or port is as above it; the port is 1 where
nothing is said. Without a header (``header = false``) a column is its number, from 1. A reading that is empty
is a missing sample.
"""

from __future__ import annotations

import codecs
import csv
import math
from collections.abc import Iterator, Mapping, Sequence
from io import BytesIO, TextIOWrapper
from itertools import islice
from typing import Any, ClassVar, Literal, NamedTuple, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from nf2ff.io.columns import CHECKS, TimeConvention, time_sign
from nf2ff.io.rows import Index, Real, Rows
from nf2ff.io.safe import PathLike, read_bytes
from nf2ff.io.toml import Table, short, short_text
from nf2ff.kernel.words import nearest
from nf2ff.measurement.samples import ResponseUnit, Samples
from nf2ff.messages.input_error import InputError, found_in

#: Largest file that is read [bytes], and most responses of a description.
MAX_BYTES, MAX_RESPONSES = 2**28, 10_000

#: Rows that are looked at together.
_BLOCK = 65536
#: Byte order marks, and what they announce.
_MARKS = {codecs.BOM_UTF8: "utf-8-sig", codecs.BOM_UTF16_LE: "utf-16", codecs.BOM_UTF16_BE: "utf-16"}
_ANGLE = {"deg": 1.0, "rad": 180 / math.pi}
_LENGTH = {"m": 1.0, "cm": 1e-2, "mm": 1e-3}
_FREQUENCY = {"Hz": 1.0, "kHz": 1e3, "MHz": 1e6, "GHz": 1e9}
#: Factors of units: to deg, m, Hz; of a port there are none.
UNITS: Mapping[str, Mapping[str, float]] = {
    "theta": _ANGLE,
    "phi": _ANGLE,
    "chi": _ANGLE,
    "radius": _LENGTH,
    "frequency": _FREQUENCY,
    "port": {"": 1.0},
    "real": {"": 1.0},
    "imag": {"": 1.0},
    "amplitude": {"linear": 1.0, "dB": 1.0},
    "phase": _ANGLE,
}
_PLACE = ("theta", "phi", "chi", "radius", "frequency", "port")


class Source(Table):
    """Where a quantity is: in a column, or the same everywhere; ``sign`` turns its direction."""

    column: str | int | None = Field(None, description="the name of a column, or its number from 1")
    value: float | None = Field(None, description="a number")
    unit: str = Field("", description="a unit")
    sign: Literal[1, -1] = Field(1, description="1 or -1")
    offset: float = Field(0.0, description="a number, added once the sign is applied, in the same unit")

    @model_validator(mode="after")
    def _one(self) -> Self:
        if (self.column is None) == (self.value is None):
            has = "neither column nor value" if self.column is None else "column and value"
            raise InputError(f"has {has}", "give one of them")
        return self


class _Place(Table):
    """Quantities that say where, when and by which port a reading was taken."""

    theta: Source | None = Field(None, description="a table with column or value, and unit")
    phi: Source | None = Field(None, description="a table with column or value, and unit")
    chi: Source | None = Field(None, description="a table with column or value, and unit")
    radius: Source | None = Field(None, description="a table with column or value, and unit")
    frequency: Source | None = Field(None, description="a table with column or value, and unit")
    port: Source | None = Field(None, description="a table with column or value")

    def _units(self) -> None:
        for key, units in UNITS.items():
            source = getattr(self, key, None)
            if source is not None and source.unit not in units:
                expected = "no unit" if "" in units else f"one of {', '.join(units)}"
                raise InputError(f"unit of {key} is {short(source.unit)}", f"expected {expected}")


class Response(_Place):
    """Columns of the readings of one polarisation or frequency, or of all."""

    FORMS: ClassVar[tuple[set[str], ...]] = ({"real", "imag"}, {"amplitude", "phase"})

    real: Source | None = Field(None, description="a table with column")
    imag: Source | None = Field(None, description="a table with column")
    amplitude: Source | None = Field(None, description="a table with column, and unit dB or linear")
    phase: Source | None = Field(None, description="a table with column, and unit")

    @model_validator(mode="after")
    def _whole(self) -> Self:
        given = {name for name in ("real", "imag", "amplitude", "phase") if getattr(self, name) is not None}
        if given not in self.FORMS:
            has = " and ".join(sorted(given)) or "no reading"
            raise InputError(f"has {has}", "give real and imag, or amplitude and phase")
        self._units()
        return self


class Layout(_Place):
    """A laboratory's own layout of tables of samples."""

    separator: Literal[",", ";", "tab", "blanks"] = Field(",", description="',', ';', 'tab' or 'blanks'")
    decimal: Literal[".", ","] = Field(".", description="'.' or ','")
    preamble_lines: int = Field(0, description="a whole number from 0 to 100000", ge=0, le=100_000)
    header: bool = Field(True, description="true or false")
    comment: str = Field("#", description="a text of at most 9 letters", max_length=9)
    encoding: Literal["utf-8", "utf-16", "latin-1"] = Field(
        "utf-8", description="'utf-8', 'utf-16' or 'latin-1'"
    )
    time_convention: TimeConvention = Field("exp(+jwt)", description="'exp(+jwt)' or 'exp(-iwt)'")
    response_unit: ResponseUnit = Field("relative", description="'relative', 'sqrt(W)' or 'V/m'")
    response: list[Response] = Field(
        description=f"1 to {MAX_RESPONSES} tables [[response]]", min_length=1, max_length=MAX_RESPONSES
    )

    @model_validator(mode="after")
    def _whole(self) -> Self:
        self._units()
        if self.separator == self.decimal:
            raise InputError("separator and decimal are both ','", "choose another separator")
        for i, response in enumerate(self.response, start=1):
            for name in _PLACE[:-1]:
                if getattr(self, name) is None and getattr(response, name) is None:
                    raise InputError(f"{name} is given neither above nor in response {i}", "add it")
        return self


class _Numbers(NamedTuple):
    """What one file holds: the columns that are asked for, and the line of each row."""

    path: PathLike
    columns: dict[str | int, Real]
    lines: Index


def read_mapped(paths: Sequence[PathLike], layout: Layout) -> Samples:
    """Read samples from tables of a laboratory's own layout.

    Parameters
    ----------
    paths : sequence of path
        Files of that layout, such as one for each frequency or polarisation.
    layout : Layout
        Where what is, as `read_toml` reads it from a description.

    Returns
    -------
    Samples
        As `tables.read_table` has them: angles in [rad], responses in exp(+jwt).

    Raises
    ------
    ValueError
        One line that names the file, line, column, value and the remedy.
    """
    if not paths:
        raise InputError("there is no file to read", "name one")
    files = [_read(path, layout) for path in paths]
    parts = [_values(file, layout, response) for file in files for response in layout.response]
    whole = [np.concatenate(column) for column in zip(*parts, strict=True)]
    sizes = np.repeat([file.lines.size for file in files], len(layout.response))
    ends = np.cumsum(sizes)

    def line(row: int) -> str:
        part = int(np.searchsorted(ends, row, side="right"))
        file = files[part // len(layout.response)]
        return f"{file.path}, line {file.lines[row - int(ends[part] - sizes[part])]}"

    place = (x.real for x in whole[:-1])
    theta, phi, chi, radius, frequency, port = place
    rows = Rows(frequency, theta, phi, chi, radius, port, whole[-1])
    with found_in(paths[0] if len(paths) == 1 else f"{len(paths)} files"):
        return rows.samples(layout.response_unit, line)


def _read(path: PathLike, layout: Layout) -> _Numbers:
    """The columns of a file that the layout asks for."""
    kept = _kept(path, read_bytes(path, limit=MAX_BYTES), layout)
    names = _split(path, [next(kept, (1, ""))], layout)[0] if layout.header else None
    asked = _asked(layout)
    at: dict[str | int, int] = {}
    blocks: list[list[Real]] = []
    lines: list[int] = []
    width = 0
    while block := list(islice(kept, _BLOCK)):
        rows = _split(path, block, layout)
        if not width:
            width = len(rows[0])
            with found_in(path):
                at = {column: _index(column, names, width) for column in asked}
        odd = next((i for i, row in enumerate(rows) if len(row) != width), None)
        if odd is not None:
            what = f"has {len(rows[odd])} fields, the first row has {width}"
            raise InputError(f"{path}, line {block[odd][0]}: {what}", "check separator and decimal")
        lines += [number for number, _ in block]
        cells = ([row[i] for row in rows] for i in at.values())
        columns = []
        for some, (column, missing) in zip(cells, asked.items(), strict=True):
            values, bad = _numbers(some, layout.decimal, missing=missing)
            if bad is not None:
                where = f"{path}, line {block[bad][0]}, column {str(column)[:60]}"
                expected = f"expected a finite number, {layout.decimal!r} as decimal sign"
                raise InputError(f"is {short(some[bad].strip())}", expected, where=where)
            columns.append(values)
        blocks.append(columns)
    if not blocks:
        raise InputError(f"{path}: has no row of numbers", "check preamble_lines and header")
    whole = [np.concatenate(parts) for parts in zip(*blocks, strict=True)]
    return _Numbers(path, dict(zip(asked, whole, strict=True)), np.array(lines))


def _kept(path: PathLike, data: bytes, layout: Layout) -> Iterator[tuple[int, str]]:
    """Number and text of each line that is not of the preamble, blank or a comment."""
    encoding = next((name for mark, name in _MARKS.items() if data.startswith(mark)), layout.encoding)
    number = 0
    try:
        for number, line in enumerate(TextIOWrapper(BytesIO(data), encoding, newline=None), 1):
            bare = line.strip()
            if "\0" in bare:
                break
            comment = layout.comment and bare.startswith(layout.comment)
            if number > layout.preamble_lines and bare and not comment:
                yield number, " ".join(line.split()) if layout.separator == "blanks" else line.rstrip("\n")
        else:
            return
    except UnicodeDecodeError:
        number += 1
    what = f"{path}, line {number} or after: is not text in {encoding.removesuffix('-sig').upper()}"
    raise InputError(what, "state the encoding, or save it as UTF-8")


def _asked(layout: Layout) -> dict[str | int, bool]:
    """The columns that are named, and whether a cell may be empty: only in readings."""
    asked: dict[str | int, bool] = {}
    for one in (layout, *layout.response):
        for name in UNITS:
            source = getattr(one, name, None)
            if source is not None and source.column is not None:
                asked[source.column] = asked.get(source.column, True) and name not in _PLACE
    return asked


def _split(path: PathLike, block: list[tuple[int, str]], layout: Layout) -> list[list[str]]:
    """The cells of lines, without quotation marks."""
    delimiter = {"tab": "\t", "blanks": " "}.get(layout.separator, layout.separator)
    reader = csv.reader((line for _, line in block), delimiter=delimiter, skipinitialspace=True)
    rows: list[list[str]] = []
    try:
        rows.extend(reader)
    except csv.Error as error:
        where = f"{path}, line {block[len(rows)][0]}"
        raise InputError(f"{where}: is no row of a table ({error})", "check separator") from error
    if len(rows) != len(block):
        number = next(number for number, line in block if line.count('"') % 2)
        raise InputError(f"{path}, line {number}: a quotation mark is not closed", "close or remove it")
    return rows


def _index(column: str | int, names: list[str] | None, width: int) -> int:
    """Index of a column that is named, or numbered from 1."""
    if isinstance(column, int):
        if not 1 <= column <= width:
            raise InputError(f"there is no column {column}", f"expected 1 to {width}")
        return column - 1
    if names is None:
        raise InputError(f"there is no header to look for column {column[:60]!r}", "give its number")
    names = [name.strip() for name in names]
    if names.count(column) != 1:
        many = "several columns" if column in names else "no column"
        listed = short_text(", ".join(names))
        near = "" if column in names else nearest(column, names)
        raise InputError(f"{many} {column[:60]!r}, there are {listed}{near}", "give its number")
    if names.index(column) >= width:
        raise InputError(f"the header has more columns than the rows, {width}", "check separator")
    return names.index(column)


def _numbers(cells: list[str], decimal: str, *, missing: bool) -> tuple[Real, int | None]:
    """Cells as numbers, NaN where one is empty and may be, and the first that is no such thing."""
    texts = [cell.replace(",", ".") for cell in cells] if decimal == "," else cells
    if missing:
        texts = [cell if cell.strip() else "nan" for cell in texts]
    if any("_" in cell for cell in texts):  # which Python reads as part of a number
        texts = [cell.replace("_", "x") for cell in texts]
    try:
        values = np.array(list(map(float, texts)))
    except ValueError:
        return np.empty(0), next(i for i, text in enumerate(texts) if not _is_number(text))
    bad = np.flatnonzero(np.isinf(values) if missing else ~np.isfinite(values))
    return values, int(bad[0]) if bad.size else None


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _values(file: _Numbers, layout: Layout, response: Response) -> list[NDArray[Any]]:
    """Columns of theta, phi, chi [deg], radius [m], frequency [Hz], port and response of one [[response]]."""

    def get(name: str) -> Real:
        source: Source | None = getattr(response, name, None) or getattr(layout, name, None)
        if source is None:
            return np.ones(file.lines.size)
        raw = file.columns.get(source.column) if source.column is not None else None
        if raw is None:
            raw = np.full(file.lines.size, source.value, dtype=float)
        return (source.sign * raw + source.offset) * UNITS[name][source.unit]

    place = [get(name) for name in _PLACE]
    checks = ("theta_deg", "", "", "radius_m", "frequency_hz", "port")
    for name, key, values in zip(_PLACE, checks, place, strict=True):
        if key:
            good, expected = CHECKS[key]
            bad = np.flatnonzero(~good(values))
            if bad.size:
                where = f"{file.path}, line {file.lines[bad[0]]}"
                unit = {"theta": " deg", "radius": " m", "frequency": " Hz"}.get(name, "")
                raise InputError(f"{where}: {name} is {values[bad[0]]:.12g}{unit}", f"expected {expected}")
    pair = ("real", "imag") if response.real is not None else ("amplitude", "phase")
    first, second = map(get, pair)
    lone = np.flatnonzero(np.isnan(first) != np.isnan(second))
    if lone.size:
        what = f"has {' without '.join(pair if np.isnan(second[lone[0]]) else pair[::-1])}"
        where = f"{file.path}, line {file.lines[lone[0]]}"
        raise InputError(what, "leave both empty where a sample is missing", where=where)
    if response.amplitude is None:
        value = first + 1j * second
    else:
        decibels = response.amplitude.unit == "dB"
        bad = np.flatnonzero(np.abs(first) > 1000 if decibels else first < 0)
        if bad.size:
            where = f"{file.path}, line {file.lines[bad[0]]}: amplitude is {first[bad[0]]:.12g}"
            raise InputError(
                where, "expected -1000 to 1000 dB" if decibels else "expected 0 or more; is it in dB?"
            )
        value = (10 ** (first / 20) if decibels else first) * np.exp(1j * np.radians(second))
    return [*place, value if time_sign(layout.time_convention) > 0 else value.conj()]
