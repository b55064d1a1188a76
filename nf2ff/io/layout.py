"""What a laboratory's own files hold and where: the description that `mapping.read_mapped` reads by.

Each table is a class of `io.toml`, whose fields are the keys; `mapping` shows a whole description.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, ClassVar, Literal, Self

from pydantic import Field, model_validator

from nf2ff.io.columns import TimeConvention
from nf2ff.io.safe import PathLike
from nf2ff.io.toml import Table, short, template
from nf2ff.measurement.positioner import POSITIONERS, Stack
from nf2ff.measurement.samples import ResponseUnit
from nf2ff.messages.input_error import STEERING, InputError

#: Most responses, and most tables [[file]], of a description.
MAX_RESPONSES = 10_000

_ANGLE = {"deg": 1.0, "rad": 180 / math.pi}
_LENGTH = {"m": 1.0, "cm": 1e-2, "mm": 1e-3}
_FREQUENCY = {"Hz": 1.0, "kHz": 1e3, "MHz": 1e6, "GHz": 1e9}
_TIME = {"s": 1.0, "ms": 1e-3, "min": 60.0, "h": 3600.0}
_NONE = {"": 1.0}
#: Units of voltage, to peak values [V].
VOLTS = {"V": 1.0, "Vrms": math.sqrt(2)}
_PART = {**_NONE, **VOLTS}
#: Factors of units: to deg, m, Hz, s; of a port and of complex numbers there are none.
UNITS: Mapping[str, Mapping[str, float]] = {
    "theta": _ANGLE,
    "phi": _ANGLE,
    "azimuth": _ANGLE,
    "elevation": _ANGLE,
    "roll": _ANGLE,
    "chi": _ANGLE,
    "radius": _LENGTH,
    "frequency": _FREQUENCY,
    "port": _NONE,
    "coherence": _NONE,
    "time": _TIME,
    "real": _PART,
    "imag": _PART,
    "complex": _PART,
    "amplitude": {"linear": 1.0, "dB": 1.0, "dBm": 1.0, **VOLTS},
    "phase": _ANGLE,
}
#: Quantities of a place, of those UNITS, and of a reading.
READINGS = ("real", "imag", "complex", "amplitude", "phase")
PLACES = tuple(name for name in UNITS if name not in READINGS)
#: What is written where no unit is known.
_USUAL = {"theta": "deg", "phi": "deg", "chi": "deg", "radius": "m", "frequency": "GHz", "amplitude": "dB"}
_HOLE = re.compile(r"\\\{(\w+)\\\}")
_SOURCE = "a table with column or value, and unit"


class Source(Table):
    """Where a quantity is: in a column, in the file's name, or the same everywhere."""

    column: str | int | None = Field(None, description="the name of a column, or its number from 1")
    value: float | None = Field(None, description="a number")
    from_name: bool = Field(False, description="true where pattern has the quantity in braces")
    unit: str = Field("", description="a unit")
    sign: Literal[1, -1] = Field(1, description="1 or -1")
    offset: float = Field(0.0, description="a number, added once the sign is applied, in the same unit")

    @model_validator(mode="after")
    def _one(self) -> Self:
        given = [name for name in ("column", "value") if getattr(self, name) is not None]
        given += ["from_name"] if self.from_name else []
        if len(given) != 1:
            raise InputError(f"has {' and '.join(given) or 'neither column nor value'}", "give one of them")
        return self

    def line(self, name: str, column: str | int | None = None) -> str:
        """The line of a description that says so, or that names another column."""
        column = self.column if column is None else column
        where = "from_name = true" if self.from_name else f"value = {self.value}"
        parts = [where if column is None else f"column = {quoted(column)}"]
        parts += [f'unit = "{self.unit}"'] if self.unit else []
        parts += [f"sign = {self.sign}"] if self.sign != 1 else []
        parts += [f"offset = {self.offset:.12g}"] if self.offset else []
        return f"{name} = {{ {', '.join(parts)} }}"


def layout_template() -> str:
    """A description to be filled in."""
    return template("columns")


def quoted(column: str | int) -> str:
    """A column as it stands in TOML."""
    if isinstance(column, int):
        return str(column)
    text = json.dumps(column, ensure_ascii=False)
    return STEERING.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


def wanted(name: str) -> str:
    """The line that a quantity needs which is not given."""
    unit = f', unit = "{_USUAL.get(name, "deg")}"' if "" not in UNITS[name] else ""
    return f'add {name} = {{ column = "..."{unit} }}, or value = ... in place of column'


def _stacks(name: str) -> str:
    """Where an angle is needed."""
    fits = [f'positioner = "{stack}"' for stack, axes in POSITIONERS.items() if name in axes]
    return f", or write {' or '.join(fits)}" if fits else ": the axes stand for it"


class _Place(Table):
    """Quantities that say where, when and by which port a reading was taken."""

    theta: Source | None = Field(None, description=_SOURCE)
    phi: Source | None = Field(None, description=_SOURCE)
    azimuth: Source | None = Field(None, description=_SOURCE)
    elevation: Source | None = Field(None, description=_SOURCE)
    roll: Source | None = Field(None, description=_SOURCE)
    chi: Source | None = Field(None, description=_SOURCE)
    radius: Source | None = Field(None, description=_SOURCE)
    frequency: Source | None = Field(None, description=_SOURCE)
    port: Source | None = Field(None, description="a table with column or value")
    coherence: Source | None = Field(None, description="a table with column or value")
    time: Source | None = Field(None, description=_SOURCE)

    def sources(self) -> Iterator[tuple[str, Source]]:
        """The quantities that are given, by name."""
        for name in UNITS:
            source = getattr(self, name, None)
            if source is not None:
                yield name, source

    def _units(self) -> None:
        for key, source in self.sources():
            units = UNITS[key]
            if source.unit not in units:
                named = ", ".join(x for x in units if x)
                none = " or ".join(["no unit", *([named] if named else [])])
                expected = none if "" in units else f"one of {named}"
                raise InputError(f"unit of {key} is {short(source.unit)}", f"expected {expected}")


class Response(_Place):
    """Columns of the readings of one polarisation or frequency, or of all."""

    FORMS: ClassVar[tuple[set[str], ...]] = (
        {"real", "imag"},
        {"amplitude", "phase"},
        {"complex"},
        {"amplitude"},
    )

    real: Source | None = Field(None, description="a table with column")
    imag: Source | None = Field(None, description="a table with column")
    complex: Source | None = Field(None, description="a table with column: numbers as 0.1+0.2j")
    amplitude: Source | None = Field(None, description="a table with column, and unit dB, dBm, V or linear")
    phase: Source | None = Field(None, description="a table with column, and unit")

    @model_validator(mode="after")
    def _whole(self) -> Self:
        given = {name for name in READINGS if getattr(self, name) is not None}
        if given not in self.FORMS:
            has = " and ".join(sorted(given)) or "no reading"
            raise InputError(f"has {has}", "give real and imag, or amplitude (and phase), or complex")
        for name in given:
            if getattr(self, name).column is None:
                raise InputError(f"{name} has no column", f'write {name} = {{ column = "..." }}')
        self._units()
        return self


class FilePart(_Place):
    """What holds for the files whose name fits a pattern: ``*`` any text, ``{theta}`` a number."""

    pattern: str = Field(
        description="a file's name, with * for any text, {theta} for a number", min_length=1, max_length=200
    )

    @model_validator(mode="after")
    def _whole(self) -> Self:
        self._units()
        holes = _HOLE.findall(re.escape(self.pattern))
        named = [name for name, source in self.sources() if source.from_name]
        if len(set(holes)) < len(holes) or set(holes) != set(named):
            odd = next(x for x in [*holes, *named] if holes.count(x) != 1 or x not in named)
            remedy = f'write {odd} = {{ from_name = true, unit = "..." }} for {{{odd}}} in it, once'
            if odd not in PLACES:
                remedy = f"expected in braces one of {', '.join(PLACES)}; * stands for any text"
            raise InputError(f"pattern is {short(self.pattern)}", remedy)
        return self

    def numbers(self, path: PathLike) -> dict[str, float] | None:
        """Numbers in the name of a file, by quantity; None if the name does not fit."""
        escaped = re.escape(self.pattern).replace(r"\*", ".*").replace(r"\?", ".")
        found = re.fullmatch(_HOLE.sub(r"(?P<\1>[+-]?\\d+(?:\\.\\d+)?)", escaped), Path(path).name)
        return None if found is None else {key: float(text) for key, text in found.groupdict().items()}


class Layout(_Place):
    """A laboratory's own layout of files of samples."""

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
    impedance_ohm: float | None = Field(None, description="ohms above 0, of readings in V", gt=0, le=1e6)
    positioner: Stack | None = Field(None, description=f"one of {', '.join(map(repr, POSITIONERS))}")
    axes: list[str] = Field([], description="names of quantities, in the order of the readings' axes")
    file: list[FilePart] = Field([], description="tables [[file]]", max_length=MAX_RESPONSES)
    response: list[Response] = Field(
        description=f"1 to {MAX_RESPONSES} tables [[response]]", min_length=1, max_length=MAX_RESPONSES
    )

    @model_validator(mode="after")
    def _whole(self) -> Self:
        self._units()
        self._levels()
        if self.separator == self.decimal:
            raise InputError("separator and decimal are both ','", 'write separator = ";"')
        odd = [name for name in self.axes if name not in PLACES or self.axes.count(name) > 1]
        if odd:
            raise InputError(f"axes has {short(odd[0])}", f"expected each once, of {', '.join(PLACES)}")
        needed = self.place_names()
        known = {*needed, "radius", "frequency", "port", "coherence", "time"}
        if self.positioner not in (None, "roll-over-azimuth"):
            known.add("roll")
        for i, response in enumerate(self.response, start=1):
            parts: list[Any] = [self, response]
            for name in (*needed, "radius", "frequency"):
                by_file = self.file and all(getattr(part, name) for part in self.file)
                if not by_file and not any(getattr(part, name) for part in parts):
                    raise InputError(f"{name} is given neither above nor in response {i}", wanted(name))
        tables: list[_Place] = [self, *self.file, *self.response]
        for table in tables:
            for name, source in table.sources():
                if source.from_name and not isinstance(table, FilePart):
                    raise InputError(f"{name} is from_name, outside [[file]]", "put it below a pattern")
                if name in PLACES and name not in known:
                    stack = "no positioner" if self.positioner is None else f"positioner {self.positioner!r}"
                    raise InputError(f"{name} is given, with {stack}", f"leave it out{_stacks(name)}")
        return self

    def place_names(self) -> tuple[str, ...]:
        """Angles that must be given."""
        return (*(("theta", "phi") if self.positioner is None else POSITIONERS[self.positioner]), "chi")

    def part_of(self, path: PathLike) -> tuple[FilePart | None, dict[str, float]]:
        """The table [[file]] of a file, if there are any, and the numbers in its name."""
        fits = [(part, found) for part in self.file if (found := part.numbers(path)) is not None]
        if len(fits) == 1:
            return fits[0]
        if not self.file:
            return None, {}
        patterns = ", ".join(part.pattern for part, _ in fits) or ", ".join(x.pattern for x in self.file[:5])
        what = f"fits {len(fits)} patterns" if fits else "fits no pattern"
        remedy = "make them differ" if fits else f'write [[file]] with pattern = "{Path(path).name}"'
        raise InputError(f"{path}: its name {what}, of {patterns}", remedy)

    def _levels(self) -> None:
        """Refuse powers and voltages whose level would be lost, or is not whole."""
        for i, response in enumerate(self.response, start=1):
            units = [getattr(response, name).unit for name in READINGS if getattr(response, name) is not None]
            unit = next((x for x in units if x == "dBm" or x in VOLTS), "")
            if response.real is not None and len(set(units)) > 1:
                what = f"response {i}, real in {short(units[0])} and imag in {short(units[1])}"
                raise InputError(what.replace("'V'", "V"), "expected one unit")
            if unit in VOLTS and self.response_unit == "V/m":
                what = f"response {i} is in {unit}, a voltage, with response_unit 'V/m'"
                raise InputError(what, 'write "relative", or "sqrt(W)" and the impedance')
            if unit in VOLTS and self.impedance_ohm is None and self.response_unit == "sqrt(W)":
                what = f"response {i} is in {unit}, and the impedance that makes it a power is not stated"
                raise InputError(what, "add impedance_ohm = 50, or what the receiver's port has")
            absolute = unit == "dBm" or (unit in VOLTS and self.impedance_ohm is not None)
            if absolute and self.response_unit != "sqrt(W)":
                what = f"response {i} is in {unit}, a power at the probe's port, with response_unit "
                raise InputError(f"{what}{self.response_unit!r}", 'write response_unit = "sqrt(W)"')
            if not absolute and self.impedance_ohm is not None:
                raise InputError(f"impedance_ohm is given, and response {i} is not in V", "leave it out")

    def asked(self, part: FilePart | None) -> dict[str | int, tuple[str, Source]]:
        """The columns to be read of a file of that part, each with a quantity and source that names it."""
        asked: dict[str | int, tuple[str, Source]] = {}
        for one in (self, *([part] if part else []), *self.response):
            for name, source in one.sources():
                if source.column is None:
                    continue
                before = asked.setdefault(source.column, (name, source))[0]
                if (before == "complex") != (name == "complex"):
                    what = f"column {short(source.column)} is both {before} and {name}"
                    raise InputError(what, "give one of them another column")
                if before in READINGS and name not in READINGS:  # then no cell may be empty
                    asked[source.column] = name, source
        return asked
