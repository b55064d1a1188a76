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

Tables lie in the folder of the TOML file or below it: an absolute path, ``..`` and links that lead
elsewhere are refused, so that a description taken over from others reads nothing it should not.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Collection, Mapping
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any, NoReturn, TypeVar

import numpy as np

from nf2ff.io.columns import POSITIVE, Check, Table
from nf2ff.io.safe import PathLike, read_bytes
from nf2ff.io.toml import read_toml, short
from nf2ff.kernel.frequency_table import FrequencyTable, InterpolationRule, repeated
from nf2ff.measurement.level import LevelChain
from nf2ff.measurement.level_steps import KINDS, LevelStep, MismatchStep, StepUnit
from nf2ff.measurement.samples import RESPONSE_UNITS
from nf2ff.messages.input_error import InputError
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
_MEANT = {
    "cable": "loss",
    "switch": "loss",
    "pad": "attenuator",
    "gain": "amplifier",
    "lna": "amplifier",
    "s21": "transmission",
    "reflection": "mismatch",
}
_REFLECTIONS = ("probe_reflection", "receiver_reflection")
_COMMON = ("kind", "name", "port", "table", "interpolation")
_TRANSFER = (
    "name",
    "table",
    "gain_dbi",
    "reflection",
    "interpolation",
    "theta_deg",
    "phi_deg",
    "reference_loss_db",
    "reference_loss_table",
    "device_loss_db",
    "device_loss_table",
)
T = TypeVar("T")
_UNIT: Check = (lambda x: np.abs(x) < 1, "above -1 and below 1")


def read_level(path: PathLike) -> tuple[LevelChain, tuple[Path, ...]]:
    """Read a chain of steps that set the level.

    Parameters
    ----------
    path : path
        TOML file of tables [[step]], as above. Values: ``value_db`` [dB], ``value_dbm`` [dBm] for
        the kinds receiver-power and transmission, ``value_db_per_m`` [dB(1/m)] for
        antenna-factor, and ``phase_deg`` [deg, exp(+jwt)] for channel and receiver, 0 if left out;
        or a ``table`` with the columns frequency_hz, that of `COLUMNS`, and phase_deg.
        Kind mismatch takes ``probe_reflection`` and ``receiver_reflection``, [real, imaginary]
        each, or a table of probe_real, probe_imag, receiver_real, receiver_imag.

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
    reader = _Reader(Path(path))
    content = reader.content
    steps = content.get("step")
    if not isinstance(steps, list) or not steps or not all(isinstance(x, dict) for x in steps):
        raise InputError(f"{path}: has {str(sorted(content))[:80]}, expected tables [[step]]")
    reader.known(content, ("step", "starts_from"))
    if len(steps) > MAX_STEPS:
        raise InputError(f"{path}: has {len(steps)} steps, expected at most {MAX_STEPS}", "join some")
    start = reader.choice(content, "starts_from", RESPONSE_UNITS, "relative")
    made = []
    for i, step in enumerate(steps, start=1):
        reader.where = f"step {i}, "
        made.append(reader.step(step))
    reader.where = ""
    chain = reader.make(lambda: LevelChain(tuple(made), start))
    return chain, tuple(reader.files)


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
    reader = _Reader(Path(path))
    content = reader.content
    reader.known(content, _TRANSFER)
    name = reader.name(content)
    reader.one_of(content, "gain_dbi", "table")
    if "table" in content:
        reader.alone(content, ("reflection",))
        parts = ("reflection_real", "reflection_imag")
        checks = {"gain_dbi": _range(-60, 90)} | dict.fromkeys(parts, _UNIT)
        table = reader.table(content, ("gain_dbi", *parts), checks, optional=parts)
        if (parts[0] in table.names) != (parts[1] in table.names):
            raise InputError(f"{table.path}: has one of {' and '.join(parts)}", "give both or none")
        gain = reader.over_frequency(content, table, table["gain_dbi"])
        reflection = FrequencyTable(np.array(0.0))
        if parts[0] in table.names:
            gamma = table[parts[0]] + 1j * table[parts[1]]
            reflection = reader.over_frequency(content, table, gamma)
    else:
        gain = FrequencyTable(np.array(reader.number(content, "gain_dbi", -60, 90)))
        reflection = FrequencyTable(np.array(reader.reflection(content, "reflection", 0)))
    direction = None
    if "theta_deg" in content or "phi_deg" in content:
        theta = reader.number(content, "theta_deg", 0, 180)
        phi = reader.number(content, "phi_deg", -360, 360)
        direction = (math.radians(theta), math.radians(phi))
    ways = []
    for way in ("reference_loss", "device_loss"):
        value, key = f"{way}_db", f"{way}_table"
        if key in content:
            reader.one_of(content, value, key)
            table = reader.table(content, ("loss_db",), {"loss_db": _range(-200, 200)}, key=key)
            ways.append(reader.over_frequency(content, table, table["loss_db"]))
        else:
            ways.append(FrequencyTable(np.array(reader.number(content, value, -200, 200, 0.0))))
    reader.interpolates(content, "table", "reference_loss_table", "device_loss_table")
    transfer = reader.make(lambda: GainTransfer(name, gain, reflection, direction, *ways))
    return transfer, tuple(reader.files)


def _range(least: float, most: float) -> Check:
    return (lambda x: (x >= least) & (x <= most), f"{least:g} to {most:g}")


class _Reader:
    """One description: its content, where reading stands, and the files read so far."""

    def __init__(self, path: Path) -> None:
        self.path, self.where, self.files = path, "", [path]
        self.content = read_toml(path, limit=MAX_TOML)

    def fault(self, key: str, value: Any, expected: str) -> NoReturn:
        raise InputError(f"{self.path}: {self.where}key {key}: is {short(value)}, expected {expected}")

    def known(self, section: Mapping[str, Any], keys: Collection[str]) -> None:
        for key in section:
            if key not in keys:
                near = difflib.get_close_matches(key[:60], keys, n=1, cutoff=0.5)
                hint = f" (is it {near[0]}?)" if near else ""
                raise InputError(
                    f"{self.path}: {self.where}key {key[:60]!r} is unknown{hint}: expected {', '.join(keys)}"
                )

    def missing(self, keys: str) -> NoReturn:
        raise InputError(f"{self.path}: {self.where}{keys} is missing", "add it")

    def choice(
        self, section: Mapping[str, Any], key: str, choices: Collection[Any], default: Any = None
    ) -> Any:
        if key not in section and default is None:
            self.missing(f"key {key}")
        value = section.get(key, default)
        if value not in choices or not isinstance(value, str):
            word = str(value)[:60].casefold()
            near = difflib.get_close_matches(word, choices, n=1, cutoff=0.5)
            if _MEANT.get(word) in choices:
                near = [_MEANT[word]]
            hint = f"{near[0]!r}? or " if near else ""
            if "probe" in word:
                hint = "no step for the gain of the probe, which is part of its pattern: "
            self.fault(key, value, f"{hint}one of {', '.join(choices)}")
        return value

    def name(self, section: Mapping[str, Any]) -> str:
        if "name" not in section:
            self.missing("key name")
        value = section["name"]
        if not (isinstance(value, str) and value.isprintable() and 0 < len(value.strip()) <= 80):
            self.fault("name", value, "a text of 1 to 80 printable characters")
        return value.strip()

    def number(
        self, section: Mapping[str, Any], key: str, least: float, most: float, default: float | None = None
    ) -> float:
        if key not in section and default is None:
            self.missing(f"key {key}")
        value = section.get(key, default)
        if type(value) not in (int, float) or not least <= value <= most:
            self.fault(key, value, f"a number from {least:g} to {most:g}")
        return float(value)

    def reflection(self, section: Mapping[str, Any], key: str, default: complex | None = None) -> complex:
        if key not in section:
            if default is None:
                self.missing(f"key {key}")
            return default
        pair = section[key]
        numbers = isinstance(pair, list) and all(type(x) in (int, float) for x in pair)
        # Each part first: a whole number may be too large for a complex one.
        if not (numbers and len(pair) == 2 and max(map(abs, pair)) < 1 and abs(complex(*pair)) < 1):
            self.fault(key, pair, "[real, imaginary] of a magnitude below 1, linear")
        return complex(*pair)

    def ports(self, section: Mapping[str, Any]) -> tuple[int, ...]:
        if "port" not in section:
            return ()
        value = section["port"]
        ports = value if isinstance(value, list) else [value]
        fit = all(type(x) is int and 1 <= x <= np.iinfo(np.int16).max for x in ports)
        if not (ports and fit) or len(set(ports)) != len(ports):
            self.fault("port", value, "a whole number from 1, or a list of different ones")
        return tuple(ports)

    def one_of(self, section: Mapping[str, Any], key: str, table: str = "table") -> None:
        """Refuse both or neither of a value and a table."""
        if (key in section) == (table in section):
            has = "both" if key in section else "neither"
            raise InputError(f"{self.path}: {self.where}has {has} of {key} and {table}", "give one of them")

    def alone(self, section: Mapping[str, Any], keys: Collection[str]) -> None:
        """Refuse a constant beside a table that should hold it."""
        for key in keys:
            if key in section:
                raise InputError(f"{self.path}: {self.where}has table and key {key}", "put it into the table")

    def interpolates(self, section: Mapping[str, Any], *tables: str) -> None:
        """Refuse a way of interpolating where there is no table."""
        if "interpolation" in section and not any(key in section for key in tables):
            raise InputError(
                f"{self.path}: {self.where}key interpolation needs a table", "give one, or remove it"
            )

    def make(self, noun: Callable[[], T]) -> T:
        """The noun, its own refusal with the place in the file before it."""
        try:
            return noun()
        except ValueError as error:
            raise InputError(f"{self.path}: {self.where}{error}") from error

    def table(
        self,
        section: Mapping[str, Any],
        columns: Collection[str],
        checks: Mapping[str, Check],
        *,
        optional: Collection[str] = (),
        key: str = "table",
    ) -> Table:
        """The CSV table of a section, checked."""
        value = section[key]
        if not isinstance(value, str) or not value.strip() or not value.isprintable():
            self.fault(key, value, "the name of a CSV file")
        flavours = (PurePosixPath(value), PureWindowsPath(value))
        if any(x.is_absolute() or x.anchor or ".." in x.parts for x in flavours):
            self.fault(key, value, "a path below the folder of this file, without '..'")
        folder = self.path.parent
        path = folder / value
        try:
            inside = path.resolve().is_relative_to(folder.resolve())
        except (OSError, RuntimeError):  # links in a circle
            inside = False
        if not inside:
            self.fault(key, value, "a file in the folder of this file, not a link out of it")
        read_bytes(path, limit=MAX_TABLE)  # `Table.load` would take far more
        table = Table.load(path, ("frequency_hz", *columns), optional=tuple(optional))
        table.check({"frequency_hz": POSITIVE, **checks})
        again = repeated(table["frequency_hz"])
        if again.size:
            table.fault(int(again[0]), "frequency_hz", "each frequency once")
        if path not in self.files:
            self.files.append(path)
        return table

    def over_frequency(
        self, section: Mapping[str, Any], table: Table, values: np.ndarray[Any, Any]
    ) -> FrequencyTable:
        choices: tuple[InterpolationRule, ...] = ("linear", "smooth")
        how = self.choice(section, "interpolation", choices, "linear")
        return FrequencyTable(values, table["frequency_hz"], how)

    def step(self, section: Mapping[str, Any]) -> LevelStep | MismatchStep:
        kind = self.choice(section, "kind", (*KINDS, "mismatch"))
        name = self.name(section)
        self.where = f"{self.where}{name!r}, "
        if kind == "mismatch":
            return self.mismatch(section, name)
        facts, column = KINDS[kind], COLUMNS[kind]
        key = VALUES[facts.unit]
        more = ("phase_deg",) if facts.has_phase else ()
        self.known(section, (*_COMMON, key, *more))
        self.one_of(section, key)
        self.interpolates(section, "table")
        if "table" in section:
            self.alone(section, more)
            checks = {column: _range(facts.least, facts.most)}
            table = self.table(section, (column, *more), checks, optional=more)
            value = self.over_frequency(section, table, table[column])
            turned = table["phase_deg"] if "phase_deg" in table.names else 0 * table[column]
            phase = self.over_frequency(section, table, np.radians(turned))
        else:
            value = FrequencyTable(np.array(self.number(section, key, facts.least, facts.most)))
            degrees = self.number(section, "phase_deg", -360, 360, 0.0) if more else 0.0
            phase = FrequencyTable(np.radians(degrees))
        ports = self.ports(section)
        return self.make(lambda: LevelStep(kind, name, value, phase, ports))

    def mismatch(self, section: Mapping[str, Any], name: str) -> MismatchStep:
        self.known(section, (*_COMMON, *_REFLECTIONS))
        self.interpolates(section, "table")
        columns = ("probe_real", "probe_imag", "receiver_real", "receiver_imag")
        if "table" in section:
            self.alone(section, _REFLECTIONS)
            table = self.table(section, columns, dict.fromkeys(columns, _UNIT))
            probe, receiver = (
                self.over_frequency(section, table, table[real] + 1j * table[imag])
                for real, imag in (columns[:2], columns[2:])
            )
        else:
            probe, receiver = (
                FrequencyTable(np.array(self.reflection(section, key))) for key in _REFLECTIONS
            )
        ports = self.ports(section)
        return self.make(lambda: MismatchStep(name, probe, receiver, ports))
