"""Studies of growing errors described in TOML: `study_template` explains the form."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from nf2ff.io.safe import PathLike
from nf2ff.io.toml import (
    Table,
    above,
    beside,
    checked,
    list_of_tables,
    number,
    read_toml,
    seed_key,
    template,
    text_key,
    whole,
)
from nf2ff.io.uncertainty_toml import (
    MAX_DRAWS,
    MAX_ERRORS,
    ErrorTable,
    FigureTable,
    check_figures,
    errors_from,
    figures_of,
)
from nf2ff.kernel.arrays import as_array
from nf2ff.measurement.coherence import WAYS, Coherent
from nf2ff.messages.input_error import InputError, found_in
from nf2ff.uncertainty.errors.checks import choose
from nf2ff.uncertainty.errors.error_term import ErrorTerm
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.growth import Parameter, Shown, shown_for
from nf2ff.uncertainty.phase_groups import ReadingSet
from nf2ff.uncertainty.request import FIGURES
from nf2ff.uncertainty.simulated_scan import LEAST_POSITIONS, Positions

#: Most values of what is varied.
MAX_VALUES = 1000
#: Draws at each value if none are asked for.
DRAWS = 100
#: The same of sets of readings, each of which takes a search from many starts; and sets at most.
SET_DRAWS, MAX_SETS = 5, 20
#: What may be varied: parameter of the library, and the number of its unit in one of the key's.
KEYS: dict[str, tuple[Parameter, float]] = {
    "size": ("size", 1.0),
    "frequency_ghz": ("frequency", 1e9),
    "radius_m": ("radius", 1.0),
    "oversampling": ("oversampling", 1.0),
    "samples": ("samples", 1.0),
    "degree": ("degree", 1.0),
    "phase-groups": ("phase-groups", 1.0),
}
#: Keys that say how an antenna is simulated, and mean nothing to a scan that was measured.
_SIMULATED = ("frequency_ghz", "radius_m", "oversampling", "positions", "samples", "tail_db")
_UNITS = {"deg": "deg", "mm": "mm", "db": "dB"}


class VaryTable(Table):
    """The table [vary]."""

    of: str = Field(description="one of " + ", ".join(KEYS))
    values: list[float] | None = Field(
        None,
        description=f"a list of 1 to {MAX_VALUES} numbers above 0, increasing",
        min_length=1,
        max_length=MAX_VALUES,
    )
    start: float | None = above(1e9)
    stop: float | None = above(1e9)
    count: int | None = whole(2, MAX_VALUES)
    spacing: Literal["logarithmic", "linear"] = Field("logarithmic", description="'logarithmic' or 'linear'")


class SetTable(Table):
    """A table [[set]]."""

    name: str = text_key("a name", "", most=100)
    coherent: Coherent = Field(description="one of " + ", ".join(WAYS))
    radii_m: list[float] = Field(description="a list of 1 to 6 numbers above 0", min_length=1, max_length=6)
    polarisations: Literal[2, 4] = Field(2, description="2 or 4")
    displaced_deg: float = number(0, 89, 0.0)


class StudyTable(Table):
    """The keys of the file."""

    antenna: str | None = text_key("the name of a TOML file of dipoles", None, most=1000)
    scan: str | None = text_key("the name of a scan", None, most=1000)
    probe: str | None = text_key("the name of a probe", None, most=1000)
    frequency_ghz: float | None = above(1e6)
    radius_m: float | None = above(1e6)
    degree: int | None = whole(1, 10_000)
    oversampling: float = number(1.1, 100, 1.5)
    positions: Positions = Field("spiral", description="'spiral', 'constant-rate' or 'grid'")
    samples: int | None = whole(LEAST_POSITIONS, 10_000_000)
    tail_db: float = Field(-60.0, description="a level from -240 to -20", ge=-240, le=-20)
    metrics: list[str] = Field(description="a list of one or more of " + ", ".join(FIGURES), min_length=1)
    figure: dict[str, FigureTable] = Field({}, description="tables [figure.METRIC]")
    vary: VaryTable = Field(description="a table [vary]")
    set: list[SetTable] = list_of_tables("set", MAX_SETS, least=0)
    noise_db: float | None = Field(None, description="a level from -200 to 0", ge=-200, le=0)
    starts: int = whole(2, 1000, 8)
    error: list[ErrorTable] = list_of_tables("error", MAX_ERRORS, least=0)
    draws: int | None = whole(2, MAX_DRAWS)
    seed: int = seed_key()
    confidence: float = number(0.5, 0.9999, 0.95)


@dataclass(frozen=True, slots=True, eq=False)
class StudyFile:
    """A study as its description says.

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
    positions : str
        As in `SimulatedScan`.
    samples : int or None
        Number of positions, ``samples_wanted`` there.
    errors : tuple of ErrorTerm
        Errors, maybe none.
    figures : tuple of Figure
        What to look at.
    over : str
        What is varied, as in `sweep`, or "phase-groups".
    values : (V,) ndarray
        Its values, in increasing order [Hz, m or 1].
    shown : Shown
        How they are shown.
    draws, seed : int
        Draws at each value, and their seed.
    confidence : float
        Part of the draws between the bands.
    sets : tuple of ReadingSet
        What is read without a phase reference, in turn.
    noise_db : float or None
        Noise that the search for phases is told of [dB].
    starts : int
        Its starts.
    """

    antenna: Path | None
    scan: Path | None
    probe: Path | None
    frequency: float | None
    radius: float | None
    degree: int | None
    oversampling: float
    tail_db: float
    positions: Positions
    samples: int | None
    errors: tuple[ErrorTerm, ...]
    figures: tuple[Figure, ...]
    over: Parameter
    values: NDArray[np.float64]
    shown: Shown
    draws: int
    seed: int
    confidence: float
    sets: tuple[ReadingSet, ...] = ()
    noise_db: float | None = None
    starts: int = 8

    def __post_init__(self) -> None:
        object.__setattr__(self, "values", as_array(self.values, float, "values", ndim=1))

    @property
    def inputs(self) -> list[Path]:
        """Files that it names."""
        return [x for x in (self.antenna, self.scan, self.probe) if x is not None]


def study_template() -> str:
    """Return a study to be changed."""
    return template("study")


def read_study_file(path: PathLike) -> StudyFile:
    """Read the description of a study.

    Files that it names lie in its folder or below it.
    """
    content = read_toml(path)
    for key in content:
        choose(key, StudyTable.model_fields, f"{path}: key")
    read = checked(StudyTable, content, where=str(path))
    files = {
        name: None if getattr(read, name) is None else beside(path, name, getattr(read, name))
        for name in ("antenna", "scan", "probe")
    }
    choose(read.vary.of, KEYS, f"{path}: vary: of")
    over, factor = KEYS[read.vary.of]
    with found_in(path):
        _check_keys(read)
        sets = tuple(_set(i, x) for i, x in enumerate(read.set, start=1))
        values = np.arange(1.0, len(sets) + 1) if sets else _values(read.vary)
    errors = errors_from(read.error, path)
    for i, name in enumerate(read.metrics):
        choose(name, FIGURES, f"{path}: metric")
        if name == "gain" or name in read.metrics[:i]:
            why = "is EIRP to an error" if name == "gain" else "occurs twice"
            raise InputError(f"{path}: metrics holds {name!r}, which {why}", "leave it out")
    check_figures(read.figure, read.metrics, str(path))
    told = {name: table.model_dump() for name, table in read.figure.items()}
    figures = tuple(
        figure
        for name in read.metrics
        for figure in figures_of(name, told.get(name, {}), f"{path}: figure.{name}")
    )
    # Without errors all draws are alike, but for the phases of groups.
    draws = (read.draws or (SET_DRAWS if sets else DRAWS)) if errors or sets else 2
    return StudyFile(
        **files,
        frequency=None if read.frequency_ghz is None else 1e9 * read.frequency_ghz,
        radius=read.radius_m,
        degree=read.degree,
        oversampling=read.oversampling,
        tail_db=read.tail_db,
        positions=read.positions,
        samples=read.samples,
        errors=errors,
        figures=figures,
        over=over,
        values=values * factor,
        shown=_shown(over, errors, read.error),
        draws=draws,
        seed=read.seed,
        confidence=read.confidence,
        sets=sets,
        noise_db=read.noise_db,
        starts=read.starts,
    )


def _set(number: int, table: SetTable) -> ReadingSet:
    with found_in(f"set {number}"):
        return ReadingSet(
            table.coherent,
            tuple(table.radii_m),
            table.polarisations,
            math.radians(table.displaced_deg),
            table.name,
        )


def _values(vary: VaryTable) -> NDArray[np.float64]:
    """Values of what is varied, in the key's unit."""
    with found_in("vary"):
        degree = vary.of in ("degree", "samples")
        if vary.values is not None and vary.start is vary.stop is vary.count is None:
            values = np.array(vary.values)
        elif vary.values is None and vary.start and vary.stop and vary.count:
            make = np.geomspace if vary.spacing == "logarithmic" else np.linspace
            values = make(vary.start, vary.stop, vary.count)
            values = np.unique(np.round(values)) if degree else values
        else:
            raise InputError("expected either values, or start, stop and count", "give one or the other")
        if not np.all(np.diff(values, prepend=0.0) > 0):
            shown = ", ".join(f"{x:g}" for x in values[:6]) + (", ..." if values.size > 6 else "")
            raise InputError(f"values are {shown}, expected numbers above 0 in increasing order")
        if degree and np.any(values % 1):
            raise InputError(f"values holds {values[values % 1 > 0][0]:g}, expected whole numbers")
    return np.asarray(values)


def _check_keys(read: StudyTable) -> None:
    """Refuse keys that are missing, and those that mean nothing."""
    given, over = read.model_fields_set, read.vary.of
    if (read.antenna is None) == (read.scan is None):
        have = "both" if read.scan else "none"
        raise InputError(f"has {have} of antenna and scan", "name one of them")
    if over == "phase-groups":
        _check_sets(read)
    elif given & {"set", "noise_db", "starts"}:
        raise InputError(
            "has set, noise_db or starts, which are of sets of readings", "vary of = 'phase-groups'"
        )
    if over in given:
        raise InputError(f"{over} is both given and varied", "leave it out")
    if read.scan is None:
        if over == "size" and not read.error:
            raise InputError(
                "vary: of is 'size', and there is no [[error]]", "name one, or vary something else"
            )
        if "samples" in (*given, over) and "oversampling" in (*given, over):
            raise InputError("has samples and oversampling, which say the same", "leave one of them out")
        if read.positions != "spiral" and ("oversampling" in given or over == "oversampling"):
            raise InputError(
                f"has oversampling, which is for positions spiral, not {read.positions}", "use samples"
            )
        for key in ("frequency_ghz", "radius_m")[: 1 if over == "phase-groups" else 2]:
            if key not in given and over != key:
                raise InputError(f"key {key!r} is missing: a scan of the antenna is simulated there")
        return
    if not read.error:
        raise InputError("has no [[error]], but sampling alone is judged of an antenna only", "name an error")
    for key in _SIMULATED:
        if key in given:
            raise InputError(f"has {key}, but a scan that was measured has its own", "leave it out")
    if over != "size":
        raise InputError(f"vary: of is {over!r}, but of a measured scan only the size can vary")


def _check_sets(read: StudyTable) -> None:
    """Refuse what means nothing to sets of readings."""
    if read.antenna is None:
        raise InputError("vary: of is 'phase-groups', which needs an antenna that is simulated")
    if not read.set:
        raise InputError("vary: of is 'phase-groups', and there is no [[set]]", "name what is read")
    for key in ("values", "start", "stop", "count", "spacing"):
        if key in read.vary.model_fields_set:
            raise InputError(f"vary: has {key}, but the tables [[set]] are what varies", "leave it out")
    if "radius_m" in read.model_fields_set:
        raise InputError("has radius_m, but each [[set]] has its own radii_m", "leave it out")


def _shown(over: Parameter, errors: tuple[ErrorTerm, ...], tables: list[ErrorTable]) -> Shown:
    """How values are shown: of a single error with a single size as that size."""
    plain = shown_for(over)
    if over != "size" or len(errors) > 1:
        return plain
    error = errors[0]
    sizes = [field for field in error.sizes if getattr(error, field)]
    keys = tables[0].model_extra or {}
    key = next((k for k in keys if k.rpartition("_")[0] in sizes or k in sizes), None)
    if len(sizes) != 1 or key is None:
        return plain
    size, ending = float(getattr(error, sizes[0])), key.removeprefix(sizes[0])[1:]
    field = sizes[0].replace("_", " ")
    if ending == "db":
        return Shown(f"{error.name}, {field} [dB]", size, level=True)
    factor = {"deg": math.degrees(size), "mm": 1e3 * size}.get(ending, size)
    unit = _UNITS.get(ending, error.unit_of(sizes[0]))
    return Shown(f"{error.name}, {field} [{unit}]", factor)
