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
from collections.abc import Mapping, Sequence
from io import StringIO
from typing import ClassVar, Literal, NamedTuple, Self

import numpy as np
from pydantic import Field, model_validator

from nf2ff.io.columns import CHECKS, TimeConvention, time_sign
from nf2ff.io.rows import Real, Rows
from nf2ff.io.safe import PathLike, read_bytes
from nf2ff.io.toml import Table, short
from nf2ff.kernel.words import nearest
from nf2ff.measurement.samples import ResponseUnit, Samples
from nf2ff.messages.input_error import InputError, found_in

#: Largest file that is read [bytes], and most responses of a description.
MAX_BYTES, MAX_RESPONSES = 2**28, 10_000

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


class _Text(NamedTuple):
    """Cells of one file: the line of each row, and the names of the columns."""

    path: PathLike
    names: list[str] | None
    rows: list[list[str]]
    lines: list[int]


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
    texts = [_read(path, layout) for path in paths]
    parts = [_values(text, layout, response) for text in texts for response in layout.response]
    whole = [np.concatenate(column) for column in zip(*parts, strict=True)]
    sizes = np.repeat([len(text.rows) for text in texts], len(layout.response))
    ends = np.cumsum(sizes)

    def line(row: int) -> str:
        part = int(np.searchsorted(ends, row, side="right"))
        text = texts[part // len(layout.response)]
        return f"{text.path}, line {text.lines[row - int(ends[part] - sizes[part])]}"

    place = (x.real for x in whole[:-1])
    theta, phi, chi, radius, frequency, port = place
    rows = Rows(frequency, theta, phi, chi, radius, port, whole[-1])
    return rows.samples(layout.response_unit, line)


def _read(path: PathLike, layout: Layout) -> _Text:
    """The cells of a file."""
    data = read_bytes(path, limit=MAX_BYTES)
    encoding = next((name for mark, name in _MARKS.items() if data.startswith(mark)), layout.encoding)
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        remedy = "state the encoding, or save it as UTF-8"
        raise InputError(f"{path}: is not text in {encoding.upper()}", remedy) from error
    if "\0" in text:
        raise InputError(f"{path}: holds zero bytes: is it text in {encoding.upper()}?", "state the encoding")
    names: list[str] | None = None
    rows: list[list[str]] = []
    lines: list[int] = []
    for number, line in enumerate(StringIO(text, newline=None), 1):
        bare = line.strip()
        comment = layout.comment and bare.startswith(layout.comment)
        if number <= layout.preamble_lines or not bare or comment:
            continue
        with found_in(f"{path}, line {number}"):
            cells = _split(line, layout.separator)
            if layout.header and names is None:
                names = cells
                continue
            if rows and len(cells) != len(rows[0]):
                what = f"has {len(cells)} fields, the first row has {len(rows[0])}"
                raise InputError(what, "check separator and decimal")
        rows.append(cells)
        lines.append(number)
    if not rows:
        raise InputError(f"{path}: has no row of numbers", "check preamble_lines and header")
    return _Text(path, names, rows, lines)


def _split(line: str, separator: str) -> list[str]:
    """The cells of a line, without quotation marks and blanks around."""
    blanks = separator == "blanks"
    source = " ".join(line.split()) if blanks else line.rstrip("\n")
    delimiter = {"tab": "\t", "blanks": " "}.get(separator, separator)
    try:
        return [
            cell.strip() for cell in next(csv.reader([source], delimiter=delimiter, skipinitialspace=True))
        ]
    except csv.Error as error:
        raise InputError(f"is no row of a table ({error})", "check separator") from error


def _values(text: _Text, layout: Layout, response: Response) -> list[Real]:
    """Columns of theta, phi, chi [deg], radius [m], frequency [Hz], port and response of one [[response]]."""

    def get(name: str, *, missing: bool = False) -> Real:
        source = getattr(response, name, None) or getattr(layout, name, None)
        if source is None:
            return np.ones(len(text.rows))
        factor = UNITS[name][source.unit]
        raw = np.full(len(text.rows), source.value, dtype=float)
        if source.column is not None:
            raw = _numbers(text, source.column, layout.decimal, missing=missing)
        return (source.sign * raw + source.offset) * factor

    place = [get(name) for name in _PLACE]
    checks = ("theta_deg", "", "", "radius_m", "frequency_hz", "port")
    for name, key, values in zip(_PLACE, checks, place, strict=True):
        if key:
            good, expected = CHECKS[key]
            bad = np.flatnonzero(~good(values))
            if bad.size:
                where = f"{text.path}, line {text.lines[bad[0]]}"
                unit = {"theta": " deg", "radius": " m", "frequency": " Hz"}.get(name, "")
                raise InputError(f"{where}: {name} is {values[bad[0]]:.12g}{unit}", f"expected {expected}")
    if response.real is not None:
        value = get("real", missing=True) + 1j * get("imag", missing=True)
    else:
        amplitude = get("amplitude", missing=True)
        decibels = response.amplitude is not None and response.amplitude.unit == "dB"
        bad = np.flatnonzero(np.abs(amplitude) > 1000 if decibels else amplitude < 0)
        if bad.size:
            where = f"{text.path}, line {text.lines[bad[0]]}: amplitude is {amplitude[bad[0]]:.12g}"
            raise InputError(
                where, "expected -1000 to 1000 dB" if decibels else "expected 0 or more; is it in dB?"
            )
        if decibels:
            amplitude = 10 ** (amplitude / 20)
        value = amplitude * np.exp(1j * np.radians(get("phase", missing=True)))
    return [*place, value if time_sign(layout.time_convention) > 0 else value.conj()]


def _numbers(text: _Text, column: str | int, decimal: str, *, missing: bool) -> Real:
    """One column, NaN where a cell is empty and may be."""
    at = _column(text, column)
    cells = [row[at] for row in text.rows]
    if decimal == ",":
        cells = [cell.replace(",", ".") for cell in cells]
    if missing:
        cells = [cell or "nan" for cell in cells]
    try:
        values = np.array(cells, dtype=float)
        bad = np.flatnonzero(np.isinf(values) if missing else ~np.isfinite(values))
    except ValueError:
        bad = np.array([next(i for i, cell in enumerate(cells) if not _is_number(cell))])
    if not bad.size and any("_" in cell for cell in cells):  # which Python reads as part of a number
        bad = np.array([next(i for i, cell in enumerate(cells) if "_" in cell)])
    if bad.size:
        row = int(bad[0])
        name = text.names[at] if text.names else str(at + 1)
        with found_in(f"{text.path}, line {text.lines[row]}, column {name[:60]}"):
            raise InputError(
                f"is {short(text.rows[row][at])}", f"expected a finite number, {decimal!r} as decimal sign"
            )
    return values


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def _column(text: _Text, column: str | int) -> int:
    """Index of a column that is named, or numbered from 1."""
    width = len(text.rows[0])
    if isinstance(column, int):
        if not 1 <= column <= width:
            raise InputError(f"{text.path}: there is no column {column}", f"expected 1 to {width}")
        return column - 1
    if text.names is None:
        raise InputError(
            f"{text.path}: there is no header to look for column {column[:60]!r}", "give its number"
        )
    if text.names.count(column) != 1:
        many = "several columns" if column in text.names else "no column"
        listed = short(", ".join(text.names))
        raise InputError(
            f"{text.path}: {many} {column[:60]!r}, there are {listed}{nearest(column, text.names)}",
            "give its number",
        )
    at = text.names.index(column)
    if at >= width:
        raise InputError(
            f"{text.path}: the header has more columns than the rows, {width}", "check separator"
        )
    return at
