"""What a study of growing errors is asked of, in TOML: `study_template` explains the form."""

from __future__ import annotations

import functools
import importlib.resources
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.io.safe import PathLike
from nf2ff.io.toml import Table, read_toml, validated
from nf2ff.io.uncertainty_toml import (
    MAX_DRAWS,
    MAX_ERRORS,
    ErrorTable,
    FigureTable,
    check_figures,
    error_from,
    figures_of,
)
from nf2ff.kernel.arrays import as_array
from nf2ff.messages.input_error import InputError
from nf2ff.uncertainty.errors.checks import choose
from nf2ff.uncertainty.errors.term import ErrorTerm
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.growth import Parameter, Shown, shown_for
from nf2ff.uncertainty.request import FIGURES

if TYPE_CHECKING:
    from pydantic import BaseModel

#: Most values of what is varied.
MAX_VALUES = 1000
#: Draws at each value if none are asked for.
DRAWS = 100
#: What may be varied: parameter of the library, and the number of its unit in one of the key's.
KEYS: Mapping[str, tuple[Parameter, float]] = {
    "size": ("size", 1.0),
    "frequency_ghz": ("frequency", 1e9),
    "radius_m": ("radius", 1.0),
    "oversampling": ("oversampling", 1.0),
    "degree": ("degree", 1.0),
}
#: Keys that say how an antenna is simulated, and mean nothing to a scan that was measured.
_SIMULATED = ("frequency_ghz", "radius_m", "oversampling", "tail_db")
_UNITS = {"deg": "deg", "mm": "mm", "db": "dB"}


@dataclass(frozen=True, slots=True, eq=False)
class StudyFile:
    """What a description of a study says.

    Parameters
    ----------
    antenna, scan, probe : Path or None
        Dipoles (TOML) of an antenna to simulate, or a measured scan: one of them; and the probe.
    frequency, radius : float or None
        Of the simulated scan [Hz, m].
    degree : int or None
        Degree N, None to have it chosen.
    oversampling, tail_db : float
        As in `SimulatedScan`.
    errors : tuple of ErrorTerm
        Errors.
    figures : tuple of Figure
        What to look at.
    over : str
        What is varied, as in `sweep`.
    values : (V,) ndarray
        Its values, in increasing order [Hz, m or 1].
    shown : Shown
        How they are shown.
    draws, seed : int
        Draws at each value, and their seed.
    confidence : float
        Part of the draws between the bands.
    """

    antenna: Path | None
    scan: Path | None
    probe: Path | None
    frequency: float | None
    radius: float | None
    degree: int | None
    oversampling: float
    tail_db: float
    errors: tuple[ErrorTerm, ...]
    figures: tuple[Figure, ...]
    over: Parameter
    values: NDArray[np.float64]
    shown: Shown
    draws: int
    seed: int
    confidence: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "values", as_array(self.values, float, "values", ndim=1))

    @property
    def inputs(self) -> list[Path]:
        """Files that it names."""
        return [x for x in (self.antenna, self.scan, self.probe) if x is not None]


def study_template() -> str:
    """Return a study to be changed.

    Returns
    -------
    str
        TOML that `read_study_file` reads, once the antenna is there that it names.
    """
    source = importlib.resources.files("nf2ff.io").joinpath("templates", "study.toml")
    return source.read_text(encoding="utf-8")


def read_study_file(path: PathLike) -> StudyFile:
    """Read what a study is asked of.

    Parameters
    ----------
    path : path
        TOML file as `study_template` explains. Files that it names lie in its folder or below it:
        what leads elsewhere is refused, so that a description taken over from others reads nothing
        it should not.

    Returns
    -------
    StudyFile

    Raises
    ------
    ValueError
        One line that names file, table, key, value and what is allowed.
    """
    where = str(path)
    content = read_toml(path)
    for key in content:
        choose(key, _models()["study"].model_fields, f"{where}: key")
    read = validated(_models()["study"], content, where=where)
    files = {
        name: None if read[name] is None else _beside(Path(path), name, read[name])
        for name in ("antenna", "scan", "probe")
    }
    over, values = _values(read["vary"], f"{where}: vary")
    _check_keys(read, content, over, where)
    kinds = [entry["kind"] for entry in read["error"]]
    keys = [{k: x for k, x in e.items() if k != "kind"} for e in read["error"]]
    errors = tuple(
        error_from(kind, some, where=f"{where}: error {i} ({kind[:80]!r})")
        for i, (kind, some) in enumerate(zip(kinds, keys, strict=True), start=1)
    )
    for i, name in enumerate(read["metrics"]):
        choose(name, FIGURES, f"{where}: metric")
        if name == "gain" or name in read["metrics"][:i]:
            why = "is EIRP to an error" if name == "gain" else "stands there twice"
            raise InputError(f"{where}: metrics holds {name!r}, which {why}", "leave it out")
    check_figures(read["figure"], read["metrics"], where)
    figures = tuple(
        figure
        for name in read["metrics"]
        for figure in figures_of(name, read["figure"].get(name, {}), f"{where}: figure.{name}")
    )
    ghz = read["frequency_ghz"]
    return StudyFile(
        **files,
        frequency=None if ghz is None else 1e9 * ghz,
        radius=read["radius_m"],
        degree=read["degree"],
        oversampling=read["oversampling"],
        tail_db=read["tail_db"],
        errors=errors,
        figures=figures,
        over=KEYS[over][0],
        values=values * KEYS[over][1],
        shown=_shown(over, errors, keys),
        draws=read["draws"],
        seed=read["seed"],
        confidence=read["confidence"],
    )


@functools.cache
def _models() -> dict[str, type[BaseModel]]:
    """Models of the file and its tables; each description says what is allowed."""
    from pydantic import Field, create_model

    def number(allowed: str, default: float | None = None, **limits: Any) -> Any:
        kind = float | None if default is None else float
        return (kind, Field(default, description=allowed, **limits))

    def whole(allowed: str, default: int | None, least: int, most: int) -> Any:
        kind = int | None if default is None else int
        return (kind, Field(default, description=allowed, ge=least, le=most))

    def file(allowed: str) -> Any:
        return (str | None, Field(None, description=allowed, min_length=1, max_length=1000))

    positive = "a number above 0, at most 1e9"
    vary: Any = create_model(
        "vary",
        __base__=Table,
        of=(str, Field(description="one of " + ", ".join(KEYS))),
        values=(
            list[float] | None,
            Field(
                None,
                description=f"a list of 1 to {MAX_VALUES} numbers above 0, increasing",
                min_length=1,
                max_length=MAX_VALUES,
            ),
        ),
        start=number(positive, gt=0, le=1e9),
        stop=number(positive, gt=0, le=1e9),
        count=whole(f"a whole number from 2 to {MAX_VALUES}", None, 2, MAX_VALUES),
        spacing=(
            str,
            Field("logarithmic", description="'logarithmic' or 'linear'", pattern="^(logarithmic|linear)$"),
        ),
    )
    study = create_model(
        "study",
        __base__=Table,
        antenna=file("the name of a TOML file of dipoles"),
        scan=file("the name of a scan"),
        probe=file("the name of a probe"),
        frequency_ghz=number("a number above 0, at most 1e6", gt=0, le=1e6),
        radius_m=number("a number above 0, at most 1e6", gt=0, le=1e6),
        degree=whole("a whole number from 1 to 10000", None, 1, 10_000),
        oversampling=number("a number from 1.1 to 100", 1.5, ge=1.1, le=100),
        tail_db=number("a level from -240 to -20", -60.0, ge=-240, le=-20),
        metrics=(
            list[str],
            Field(description="a list of one or more of " + ", ".join(FIGURES), min_length=1),
        ),
        figure=(dict[str, FigureTable], Field(default_factory=dict, description="tables [figure.METRIC]")),
        vary=(vary, Field(description="a table [vary]")),
        error=(
            list[ErrorTable],
            Field(description=f"1 to {MAX_ERRORS} tables [[error]]", min_length=1, max_length=MAX_ERRORS),
        ),
        draws=whole(f"a whole number from 2 to {MAX_DRAWS}", DRAWS, 2, MAX_DRAWS),
        seed=whole("a whole number from 0", 0, 0, 2**63 - 1),
        confidence=number("a number from 0.5 to 0.9999", 0.95, ge=0.5, le=0.9999),
    )
    return {"study": study}


def _beside(path: Path, key: str, name: str) -> Path:
    """A file in the folder of the description or below it."""
    for kind in (PurePosixPath, PureWindowsPath):
        if kind(name).is_absolute() or ".." in kind(name).parts or PureWindowsPath(name).drive:
            raise InputError(f"{path}: {key} is {name[:80]!r}, expected a file in its folder or below it")
    found = path.parent / name
    if not found.resolve().is_relative_to(path.parent.resolve()):
        raise InputError(
            f"{path}: {key} {name[:80]!r} is a link that leads elsewhere", "put the file itself there"
        )
    return found


def _values(vary: Mapping[str, Any], where: str) -> tuple[str, NDArray[np.float64]]:
    """What is varied, and its values in the key's unit."""
    over, given = vary["of"], vary["values"]
    choose(over, KEYS, f"{where}: of")
    ends = [key for key in ("start", "stop", "count") if vary[key] is not None]
    if (given is None) != (len(ends) == 3) or (given is not None and ends):
        raise InputError(
            f"{where}: expected either values, or start, stop and count", "give one or the other"
        )
    if given is None:
        make = np.geomspace if vary["spacing"] == "logarithmic" else np.linspace
        values = make(vary["start"], vary["stop"], vary["count"])
    else:
        values = np.array(given)
    if over == "degree" and given is None:
        values = np.unique(np.round(values))
    if not np.all(np.diff(values, prepend=0.0) > 0):
        shown = ", ".join(f"{x:g}" for x in values[:6]) + (", ..." if values.size > 6 else "")
        raise InputError(f"{where}: values are {shown}, expected numbers above 0 in increasing order")
    if over == "degree" and np.any(values % 1):
        raise InputError(f"{where}: values holds {values[values % 1 > 0][0]:g}, expected whole degrees")
    return over, np.asarray(values)


def _check_keys(read: Mapping[str, Any], content: Mapping[str, Any], over: str, where: str) -> None:
    """Refuse keys that are missing, and those that mean nothing."""
    if (read["antenna"] is None) == (read["scan"] is None):
        have = "both" if read["scan"] else "none"
        raise InputError(f"{where}: has {have} of antenna and scan", "name one of them")
    if over in content:
        raise InputError(f"{where}: {over} is given, and varied", "leave it out")
    if read["scan"] is not None:
        for key in _SIMULATED:
            if key in content:
                raise InputError(
                    f"{where}: has {key}, but a scan that was measured has its own", "leave it out"
                )
        if over != "size":
            raise InputError(f"{where}: vary: of is {over!r}, but of a measured scan only the size can vary")
        return
    for key in ("frequency_ghz", "radius_m"):
        if read[key] is None and over != key:
            raise InputError(f"{where}: key {key!r} is missing: a scan of the antenna is simulated there")


def _shown(over: str, errors: tuple[ErrorTerm, ...], keys: list[dict[str, Any]]) -> Shown:
    """How values are shown: of a single error with a single size as that size."""
    plain = shown_for(KEYS[over][0])
    if over != "size" or len(errors) > 1:
        return plain
    error = errors[0]
    sizes = [field for field in error.sizes if getattr(error, field)]
    key = next((k for k in keys[0] if k.rpartition("_")[0] in sizes or k in sizes), None)
    if len(sizes) != 1 or key is None:
        return plain
    size, ending = float(getattr(error, sizes[0])), key.removeprefix(sizes[0])[1:]
    field = sizes[0].replace("_", " ")
    if ending == "db":
        return Shown(f"{error.name}, {field} [dB]", size, level=True)
    factor = {"deg": math.degrees(size), "mm": 1e3 * size}.get(ending, size)
    unit = _UNITS.get(ending, error.unit_of(sizes[0]))
    return Shown(f"{error.name}, {field} [{unit}]", factor)
