"""Descriptions of what sets the level, in TOML with CSV tables beside it.

A chain (`read_level`)::

    starts_from = "relative"            # or "sqrt(W)", "V/m"; relative if left out

    [[step]]
    kind = "loss"                       # see `nf2ff.measurement.level_steps`
    name = "cable"
    table = "cable.csv"                 # columns frequency_hz,loss_db; or a number:
    # value_db = 3.2
    interpolation = "smooth"            # or "linear", if left out
    port = 1                            # or [1, 2]; all if left out

    [[step]]
    kind = "receiver-power"
    name = "receiver"
    value_dbm = -30.0                   # dBm into its port where it reads 1

With a probe of which only an antenna factor is known, transformed as the ideal field probe::

    [[step]]
    kind = "antenna-factor"
    name = "probe"
    value_db_per_m = 59.2               # 20 log10 of E/V in 1/m, at 50 ohm; or a table

A reference antenna and the ways to it and the device (`read_gain_transfer`)::

    name = "standard horn"
    gain_dbi = 15.2                     # or table, columns frequency_hz,gain_dbi and,
    reflection = [0.05, -0.02]          # if known, reflection_real,reflection_imag
    theta_deg = 0.0                     # both, or none for its peak
    phi_deg = 0.0
    reference_loss_db = 1.3             # from where both ways part; or reference_loss_table and
    device_loss_db = 1.1                # device_loss_table, columns frequency_hz,loss_db

The same without losses states the gain of a probe whose pattern is relative
(`metrics.gain_transfer.probe_of_known_gain`).

Tables lie in the folder of the TOML file or below it.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import cache, partial
from pathlib import Path
from typing import Annotated, Any, ClassVar, Self

import numpy as np
from pydantic import ConfigDict, PlainValidator, create_model, model_validator

from nf2ff.io.columns import POSITIVE, Check, Columns
from nf2ff.io.safe import PathLike, read_bytes
from nf2ff.io.toml import Table, beside, checked, number, read_toml
from nf2ff.kernel.frequency_table import FrequencyTable, InterpolationRule
from nf2ff.kernel.interpolation import repeated
from nf2ff.measurement.level_chain import LevelChain
from nf2ff.measurement.level_steps import KINDS, LevelStep, MismatchStep, StepUnit
from nf2ff.measurement.samples import RESPONSE_UNITS, ResponseUnit
from nf2ff.messages.input_error import InputError, found_in
from nf2ff.metrics.gain_transfer import GainTransfer

#: Largest description and largest table [bytes], and most steps: far more than a chain has.
MAX_TOML = 2**20
MAX_TABLE = 2**24
MAX_STEPS = 100

#: Column of a table that holds the value of a step, by its kind.
COLUMNS = {
    "loss": "loss_db",
    "attenuator": "loss_db",
    "amplifier": "gain_db",
    "channel": "amplitude_db",
    "receiver": "factor_db",
    "receiver-power": "power_dbm",
    "transmission": "power_dbm",
    "antenna-factor": "antenna_factor_db_per_m",
}
#: Key of a value that holds at all frequencies, by its unit.
VALUES: dict[StepUnit, str] = {"dB": "value_db", "dBm": "value_dbm", "dB(1/m)": "value_db_per_m"}
#: What people call a kind, and what it is here.
_MEANT = {"cable": "loss", "switch": "loss", "pad": "attenuator", "gain": "amplifier", "lna": "amplifier"}
_MEANT |= {"s21": "transmission", "reflection": "mismatch"}
_JUNCTION = ("probe_real", "probe_imag", "receiver_real", "receiver_imag")
_REFLECTION = ("reflection_real", "reflection_imag")
_BELOW_ONE: Check = (lambda x: np.abs(x) < 1, "above -1 and below 1")


# --- Fields: a function each, which raises with what is expected. ---


def _one_of(*choices: str) -> PlainValidator:
    """One of the words; other names of a kind of step are understood, but not taken."""

    def chosen(value: Any) -> str:
        if isinstance(value, str) and value in choices:
            return value
        word = str(value)[:60].casefold()
        near = difflib.get_close_matches(word, choices, n=1, cutoff=0.5)
        if _MEANT.get(word) in choices:
            near = [_MEANT[word]]
        hint = f"{near[0]!r}? or " if near else ""
        if "probe" in word:
            hint = "no step for the gain of the probe, which is part of its pattern: "
        raise ValueError(f"{hint}one of {', '.join(choices)}")

    return PlainValidator(chosen)


def _name(value: Any) -> str:
    if not (isinstance(value, str) and value.isprintable() and 0 < len(value.strip()) <= 80):
        raise ValueError("a text of 1 to 80 printable characters")
    return value.strip()


def _reflection(pair: Any) -> complex:
    numbers = isinstance(pair, list) and all(type(x) in (int, float) for x in pair)
    # Each part first: a whole number may be too large for a complex one.
    if not (numbers and len(pair) == 2 and max(map(abs, pair)) < 1 and abs(complex(*pair)) < 1):
        raise ValueError("[real, imaginary] of a magnitude below 1, linear")
    return complex(*pair)


def _ports(value: Any) -> tuple[int, ...]:
    ports = value if isinstance(value, list) else [value]
    fit = all(type(x) is int and 1 <= x <= np.iinfo(np.int16).max for x in ports)
    if not (ports and fit) or len(set(ports)) != len(ports):
        raise ValueError("a whole number from 1, or a list of different ones")
    return tuple(ports)


def _file(value: Any) -> str:
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise ValueError("the name of a CSV file")
    return value


Name = Annotated[str, PlainValidator(_name)]
File = Annotated[str | None, PlainValidator(_file)]
Reflection = Annotated[complex | None, PlainValidator(_reflection)]
Interpolation = Annotated[InterpolationRule, _one_of("linear", "smooth")]


class _Keys(Table):
    """Keys of which some are a number or a table in a file of their own."""

    WORDS: ClassVar[Mapping[str, str]] = {
        "wrong": "key {key}: is {value}, expected {expected}",
        "missing": "key {key} is missing: add it",
        "unknown": "key {key!r} is unknown{near}: expected {keys}",
        "near": " (is it {}?)",
    }
    #: Number, table, and whether one of them must be there.
    SOURCES: ClassVar[tuple[tuple[str, str, bool], ...]] = ()
    #: Keys that are columns where there is a ``table``, and else may have to be there.
    IN_TABLE: ClassVar[tuple[str, ...]] = ()
    #: Keys of which none is there without the other, and whether they must be there if there is no ``table``.
    PAIR: ClassVar[tuple[str, ...]] = ()
    NEEDS_PAIR: ClassVar[bool] = False

    @model_validator(mode="after")
    def _sources(self) -> Self:
        """Refuse what is given twice, in two places, or nowhere."""
        given = self.model_fields_set
        for own, table, needed in self.SOURCES:
            both = {own, table} <= given
            if both or (needed and not given & {own, table}):
                has = "both" if both else "neither"
                raise InputError(f"has {has} of {own} and {table}", "give one of them")
        if "interpolation" in given and not given & {"table", *(table for _, table, _ in self.SOURCES)}:
            raise InputError("key interpolation needs a table", "give one, or remove it")
        for key in self.IN_TABLE:
            if "table" in given and key in given:
                raise InputError(f"has table and key {key}", "put it into the table")
        missing = [key for key in self.PAIR if key not in given]
        if missing and (given & {*self.PAIR} or (self.NEEDS_PAIR and "table" not in given)):
            raise InputError(f"key {missing[0]} is missing", "add it")
        return self


class _Chain(_Keys):
    step: list[Any]
    starts_from: Annotated[ResponseUnit, _one_of(*RESPONSE_UNITS)] = "relative"


class _Head(_Keys):
    """What every step has, whatever else it has."""

    model_config = ConfigDict(extra="ignore")
    kind: Annotated[Any, _one_of(*KINDS, "mismatch")]
    name: Name


class _Step(_Keys):
    kind: str
    name: Name
    port: Annotated[tuple[int, ...], PlainValidator(_ports)] = ()
    table: File = None
    interpolation: Interpolation = "linear"


class _Mismatch(_Step):
    probe_reflection: Reflection = None
    receiver_reflection: Reflection = None

    IN_TABLE = PAIR = ("probe_reflection", "receiver_reflection")
    NEEDS_PAIR = True


class _Transfer(_Keys):
    name: Name
    table: File = None
    gain_dbi: float | None = number(-60, 90)
    reflection: Reflection = 0j
    interpolation: Interpolation = "linear"
    theta_deg: float | None = number(0, 180)
    phi_deg: float | None = number(-360, 360)
    reference_loss_db: float = number(-200, 200, 0.0)
    reference_loss_table: File = None
    device_loss_db: float = number(-200, 200, 0.0)
    device_loss_table: File = None

    SOURCES = (
        ("gain_dbi", "table", True),
        ("reference_loss_db", "reference_loss_table", False),
        ("device_loss_db", "device_loss_table", False),
    )
    IN_TABLE = ("reflection",)
    PAIR = ("theta_deg", "phi_deg")


@cache
def _step_model(kind: str) -> type[_Step]:
    """Keys of a step of one kind: its value has the unit and the range of the kind."""
    if kind == "mismatch":
        return _Mismatch
    facts = KINDS[kind]
    value = VALUES[facts.unit]
    fields: dict[str, Any] = {value: (float | None, number(facts.least, facts.most))}
    if facts.has_phase:
        fields["phase_deg"] = (float, number(-360, 360, 0.0))
    model = create_model(kind, __base__=_Step, **fields)
    model.SOURCES = ((value, "table", True),)
    model.IN_TABLE = ("phase_deg",)
    return model


def read_level(path: PathLike) -> tuple[LevelChain, tuple[Path, ...]]:
    """Read a chain of steps that set the level.

    Parameters
    ----------
    path : path
        TOML file of tables [[step]], as above; phases are those of exp(+jwt). Tables of a step have the
        columns frequency_hz, that of `COLUMNS` and phase_deg; of a mismatch probe_real, probe_imag,
        receiver_real and receiver_imag, in the place of its two reflections.

    Returns
    -------
    chain : LevelChain
        What it says.
    files : tuple of Path
        The description and its tables, each once, for the provenance of a result.

    Raises
    ------
    ValueError
        One line that names file, step, key, value and what is expected.
    """
    content = read_toml(path, limit=MAX_TOML)
    steps = content.get("step")
    if not isinstance(steps, list) or not steps or not all(isinstance(x, dict) for x in steps):
        raise InputError(f"{path}: has {str(sorted(content))[:80]}, expected tables [[step]]")
    chain = checked(_Chain, content, where=str(path))
    if len(steps) > MAX_STEPS:
        raise InputError(f"{path}: has {len(steps)} steps, expected at most {MAX_STEPS}", "join some")
    reader = _Reader(Path(path))
    made = tuple(reader.step(step, f"step {i}, ") for i, step in enumerate(steps, start=1))
    with found_in(path):
        return LevelChain(made, chain.starts_from), tuple(reader.files)


def read_gain_transfer(path: PathLike) -> tuple[GainTransfer, tuple[Path, ...]]:
    """Read the known gain of a reference antenna, and the losses on the ways.

    Parameters
    ----------
    path : path
        TOML file as above.

    Returns
    -------
    transfer : GainTransfer
        What it says.
    files : tuple of Path
        The description and its tables, each once.

    Raises
    ------
    ValueError
        One line that names file, key, value and what is expected.
    """
    keys = read_toml(path, _Transfer, limit=MAX_TOML)
    reader = _Reader(Path(path))
    table = reader.table(keys, {"gain_dbi": _range(-60, 90)}, dict.fromkeys(_REFLECTION, _BELOW_ONE))
    there = [table is not None and name in table.names for name in _REFLECTION]
    if table is not None and any(there) and not all(there):
        raise InputError(f"{table.path}: has one of {' and '.join(_REFLECTION)}", "give both or none")
    gain = _values(keys, table, keys.gain_dbi, "gain_dbi")
    reflection = _values(keys, table if all(there) else None, keys.reflection, *_REFLECTION)
    direction = None
    if keys.theta_deg is not None and keys.phi_deg is not None:
        direction = (math.radians(keys.theta_deg), math.radians(keys.phi_deg))
    ways = []
    for way in ("reference_loss", "device_loss"):
        table = reader.table(keys, {"loss_db": _range(-200, 200)}, key=f"{way}_table")
        ways.append(_values(keys, table, getattr(keys, f"{way}_db"), "loss_db"))
    with found_in(path):
        return GainTransfer(keys.name, gain, reflection, direction, *ways), tuple(reader.files)


def _range(least: float, most: float) -> Check:
    return (lambda x: (x >= least) & (x <= most), f"{least:g} to {most:g}")


def _values(keys: Any, table: Columns | None, constant: complex | None, *columns: str) -> FrequencyTable:
    """A column of a table, or two as real and imaginary part, or the constant where there is none."""
    if table is None:
        return FrequencyTable(np.array(constant or 0.0))
    parts = [table[name] for name in columns]
    values = parts[0] + 1j * parts[1] if len(parts) > 1 else parts[0]
    return FrequencyTable(values, table["frequency_hz"], keys.interpolation)


class _Reader:
    """One description: where its tables are, and the files read so far."""

    def __init__(self, path: Path) -> None:
        self.path, self.files, self.place = path, [path], ""

    def table(
        self,
        keys: Any,
        columns: dict[str, Check],
        optional: dict[str, Check] | None = None,
        *,
        key: str = "table",
    ) -> Columns | None:
        """The CSV table that a key names, checked, if it names one."""
        if (name := getattr(keys, key)) is None:
            return None
        path = beside(self.path, f"{self.place}key {key}:", name)
        read_bytes(path, limit=MAX_TABLE)  # `Columns.load` would take far more
        checks = {"frequency_hz": POSITIVE, **columns, **(optional or {})}
        table = Columns.load(path, tuple(checks), optional=tuple(optional or ()))
        table.check(checks)
        again = repeated(table["frequency_hz"])
        if again.size:
            table.fault(int(again[0]), "frequency_hz", "each frequency once")
        if path not in self.files:
            self.files.append(path)
        return table

    def step(self, content: Mapping[str, Any], place: str) -> LevelStep | MismatchStep:
        """One [[step]]; if the step itself refuses a value, its place in the file stands before that."""
        head = checked(_Head, content, where=str(self.path), place=place)
        self.place = f"{place}{head.name!r}, "
        keys: Any = checked(_step_model(head.kind), content, where=str(self.path), place=self.place)
        noun: Callable[..., LevelStep | MismatchStep] = partial(LevelStep, head.kind)
        if head.kind == "mismatch":
            noun = MismatchStep
            table = self.table(keys, dict.fromkeys(_JUNCTION, _BELOW_ONE))
            values = [
                _values(keys, table, getattr(keys, f"{end}_reflection"), f"{end}_real", f"{end}_imag")
                for end in ("probe", "receiver")
            ]
        else:
            facts, column = KINDS[head.kind], COLUMNS[head.kind]
            optional: dict[str, Check] = {"phase_deg": (np.isfinite, "a number")} if facts.has_phase else {}
            table = self.table(keys, {column: _range(facts.least, facts.most)}, optional)
            value = _values(keys, table, getattr(keys, VALUES[facts.unit]), column)
            turning = table if table is not None and "phase_deg" in table.names else None
            phase = _values(keys, turning, getattr(keys, "phase_deg", 0.0), "phase_deg")
            values = [value, replace(phase, values=np.radians(phase.values))]
        try:
            return noun(keys.name, *values, keys.port)
        except InputError as error:
            raise InputError(f"{self.place}{error}", where=str(self.path)) from error
