"""Designs of ranges described in TOML: `design_template` explains the form."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field

from nf2ff.io.radiation import read_radiation
from nf2ff.io.safe import PathLike
from nf2ff.io.toml import Table, above, beside, number, read_toml, template, whole
from nf2ff.messages.input_error import InputError, found_in
from nf2ff.ranges.array_design import ArrayTask
from nf2ff.ranges.plane_wave_array import PlaneWaveArray, disc_array, square_array
from nf2ff.ranges.reflector import Reflector, Rim, RolledRim, SerratedRim, SharpRim
from nf2ff.ranges.reflector_feed import Feed
from nf2ff.ranges.surface_errors import SurfaceErrors
from nf2ff.ranges.zone import Zone
from nf2ff.ranges.zone_limits import ZoneLimits

#: Kinds of designs, which name their templates.
KINDS = ("plane-wave-array", "reflector")
#: Most frequencies, and most entries of a list of the table.
MAX_FREQUENCIES, MAX_ENTRIES = 201, 20
#: Largest length [m], or frequency [GHz].
MOST = 1e4

Length = Annotated[float, Field(gt=0, le=MOST)]


def _some(what: str) -> Any:
    said = f"a list of 1 to {MAX_ENTRIES} {what} above 0"
    return Field(None, description=said, min_length=1, max_length=MAX_ENTRIES)


class ZoneTable(Table):
    """The table [zone]."""

    shape: Literal["ball", "cylinder", "square"] = Field("ball", description="one of ball, cylinder, square")
    diameter_m: float = above(MOST, needed=True)
    depth_m: float | None = above(MOST)
    distance_m: float = above(MOST, needed=True)


class FrequencyTable(Table):
    """The table [frequency]."""

    ghz: list[Length] = Field(
        description=f"a list of 1 to {MAX_FREQUENCIES} numbers above 0, at most 1e4",
        min_length=1,
        max_length=MAX_FREQUENCIES,
    )


class ArrayTable(Table):
    """The table [array]."""

    layout: Literal["square", "disc"] = Field("square", description="one of square, disc")
    count: int = whole(1, 4096, needed=True)
    size_m: float = above(MOST, needed=True)
    group: int = whole(1, 64, 1)
    exponent: float = number(0, 100, 1.0)


class WeightsTable(Table):
    """The table [weights]."""

    regularisation: float | None = above(10.0)
    minimax: bool = Field(False, description="true or false")
    limit: float | None = above(1000.0)
    phase_bits: int | None = whole(1, 16)
    attenuation_step_db: float | None = above(20.0)
    fixed_at_ghz: float | None = above(MOST)


class ErrorsTable(Table):
    """The table [errors]."""

    amplitude_db: float = number(0, 10, 0.0)
    phase_deg: float = number(0, 90, 0.0)
    draws: int = whole(1, 10_000, 100)
    seed: int = Field(0, description="a whole number from 0", ge=0)


class ArrayLimitsTable(Table):
    """The table [limits] of an array."""

    amplitude_db: float = above(100.0, 1.0)
    phase_deg: float = above(180.0, 10.0)


class CombinationsTable(Table):
    """The table [table]."""

    count: list[Annotated[int, Field(ge=1, le=4096)]] | None = _some("whole numbers")
    size_m: list[Length] | None = _some("numbers")
    distance_m: list[Length] | None = _some("numbers")


class ReflectorTable(Table):
    """The table [reflector]."""

    focal_length_m: float = above(MOST, needed=True)
    offset_m: float = number(0, MOST, needed=True)
    diameter_m: float = above(MOST, needed=True)
    rim: Literal["sharp", "serrated", "rolled"] = Field("sharp", description="one of sharp, serrated, rolled")
    inner_diameter_m: float | None = above(MOST)
    teeth: int | None = whole(3, 1000)
    teeth_shape: Literal["linear", "cosine"] = Field("linear", description="one of linear, cosine")
    roll_along_m: float | None = above(MOST)
    roll_across_m: float | None = above(MOST)
    roll_turn_deg: float = above(180.0, 130.0)


class FeedTable(Table):
    """The table [feed]."""

    exponent: float | None = number(0, 1000)
    file: str | None = Field(None, description="the name of a file", min_length=1, max_length=1000)
    displacement_m: list[Annotated[float, Field(ge=-100, le=100)]] = Field(
        [0.0, 0.0, 0.0], description="a list of 3 numbers, along x, y and z", min_length=3, max_length=3
    )
    polarisation: Literal["x", "y"] = Field("x", description="x or y")


class SurfaceTable(Table):
    """The table [surface]."""

    rms_um: float = above(1e5, needed=True)
    correlation_mm: float = above(MOST, needed=True)
    seed: int = Field(0, description="a whole number from 0", ge=0)


def _limit() -> Any:
    return Field(None, description="a number", ge=-300, le=1000)


class ZoneLimitsTable(Table):
    """The table [limits] of a reflector."""

    amplitude_taper_db: float | None = _limit()
    amplitude_ripple_db: float | None = _limit()
    amplitude_total_db: float | None = _limit()
    phase_total_deg: float | None = _limit()
    phase_taper_deg: float | None = _limit()
    phase_ripple_deg: float | None = _limit()
    tilt_deg: float | None = _limit()
    cross_db: float | None = _limit()


class ArrayFile(Table):
    """The keys of the design of an array."""

    kind: Literal["plane-wave-array"]
    array: ArrayTable = Field(description="a table [array]")
    zone: ZoneTable = Field(description="a table [zone]")
    frequency: FrequencyTable = Field(description="a table [frequency]")
    weights: WeightsTable = Field(WeightsTable.model_construct(), description="a table [weights]")
    errors: ErrorsTable = Field(ErrorsTable.model_construct(), description="a table [errors]")
    limits: ArrayLimitsTable = Field(ArrayLimitsTable.model_construct(), description="a table [limits]")
    table: CombinationsTable | None = Field(None, description="a table [table]")


class ReflectorFile(Table):
    """The keys of the design of a reflector."""

    kind: Literal["reflector"]
    reflector: ReflectorTable = Field(description="a table [reflector]")
    feed: FeedTable = Field(description="a table [feed]")
    zone: ZoneTable = Field(description="a table [zone]")
    frequency: FrequencyTable = Field(description="a table [frequency]")
    surface: SurfaceTable | None = Field(None, description="a table [surface]")
    limits: ZoneLimitsTable = Field(ZoneLimitsTable.model_construct(), description="a table [limits]")


@dataclass(frozen=True, slots=True, eq=False)
class ArrayRequest:
    """The design of a plane-wave array that is asked for.

    Parameters
    ----------
    task : ArrayTask
        Array, zone, and how weights are made.
    frequency : tuple of float
        Frequencies [Hz].
    fixed_at : float or None
        Frequency whose weights serve all [Hz].
    seed : int
        Of the draws.
    arrays : tuple of PlaneWaveArray
        Of the table; none if none is asked for.
    distances : tuple of float
        Of the table [m].
    """

    task: ArrayTask
    frequency: tuple[float, ...]
    fixed_at: float | None
    seed: int
    arrays: tuple[PlaneWaveArray, ...]
    distances: tuple[float, ...]


@dataclass(frozen=True, slots=True, eq=False)
class ReflectorRequest:
    """The compact range that is asked for.

    Parameters
    ----------
    reflector : Reflector
        The reflector.
    feed : Feed
        Its feed.
    zone : Zone
        The zone.
    frequency : tuple of float
        Frequencies [Hz].
    surface : SurfaceErrors or None
        Errors of the surface.
    limits : ZoneLimits
        What the zone is held against.
    """

    reflector: Reflector
    feed: Feed
    zone: Zone
    frequency: tuple[float, ...]
    surface: SurfaceErrors | None
    limits: ZoneLimits


def design_template(kind: str) -> str:
    """A design to be changed, as TOML that `read_design` reads.

    Parameters
    ----------
    kind : str
        One of `KINDS`.

    Returns
    -------
    str
        The template.
    """
    return template(kind)


def read_design(path: PathLike) -> ArrayRequest | ReflectorRequest:
    """Read the design of a range.

    Parameters
    ----------
    path : path
        TOML file as `design_template` explains.

    Returns
    -------
    ArrayRequest or ReflectorRequest
        What is asked for.

    Raises
    ------
    ValueError
        One line that names file, table, key, value and what is allowed.
    """
    kind = read_toml(path).get("kind")
    if kind not in KINDS:
        said = "is missing" if kind is None else f"is {str(kind)[:40]!r}"
        raise InputError(f"{path}: kind {said}, expected one of {', '.join(KINDS)}")
    if kind == "reflector":
        read = read_toml(path, ReflectorFile)
        feed = None if read.feed.file is None else beside(path, "feed: file", read.feed.file)
        with found_in(path):
            return _reflector(read, feed)
    read_array = read_toml(path, ArrayFile)
    with found_in(path):
        return _array(read_array)


def _zone(table: ZoneTable, centre_y: float) -> Zone:
    if (table.depth_m is None) != (table.shape == "ball"):
        have = "no depth_m" if table.depth_m is None else "a depth_m"
        raise InputError(f"has {have} and the shape {table.shape}", "give depth_m of cylinder and square")
    half = None if table.depth_m is None else table.depth_m / 2
    return Zone(table.diameter_m / 2, table.shape, half, (0, centre_y, table.distance_m))  # type: ignore[arg-type]


def _array(read: ArrayFile) -> ArrayRequest:
    with found_in("zone"):
        zone = _zone(read.zone, 0.0)
    with found_in("array"):
        array = _one_array(read.array, read.array.count, read.array.size_m)
    weights, errors = read.weights, read.errors
    task = ArrayTask(
        array,
        zone,
        regularisation=weights.regularisation,
        minimax=weights.minimax,
        limit=weights.limit,
        phase_bits=weights.phase_bits,
        step_db=weights.attenuation_step_db,
        amplitude_error_db=errors.amplitude_db,
        phase_error=math.radians(errors.phase_deg),
        draws=errors.draws,
        most_amplitude_db=read.limits.amplitude_db,
        most_phase=math.radians(read.limits.phase_deg),
    )
    arrays: tuple[PlaneWaveArray, ...] = ()
    distances: tuple[float, ...] = ()
    if read.table is not None:
        with found_in("table"):
            arrays = tuple(
                _one_array(read.array, count, size)
                for count in read.table.count or [read.array.count]
                for size in read.table.size_m or [read.array.size_m]
            )
        distances = tuple(read.table.distance_m or [read.zone.distance_m])
    fixed = weights.fixed_at_ghz
    frequency = _frequencies(read.frequency)
    return ArrayRequest(
        task, frequency, None if fixed is None else 1e9 * fixed, errors.seed, arrays, distances
    )


def _one_array(table: ArrayTable, count: int, size: float) -> PlaneWaveArray:
    if table.layout == "disc":
        if table.group != 1:
            raise InputError(f"group is {table.group} of a disc", "leave it out or take a square")
        return disc_array(count, diameter=size, exponent=table.exponent)
    if count > 64:
        raise InputError(f"count is {count} on a side, expected at most 64", "take fewer elements")
    return square_array(count, side=size, group=table.group, exponent=table.exponent)


def _frequencies(table: FrequencyTable) -> tuple[float, ...]:
    if sorted(set(table.ghz)) != table.ghz:
        raise InputError("frequency, ghz: is not in increasing order", "sort it")
    return tuple(1e9 * x for x in table.ghz)


def _reflector(read: ReflectorFile, feed_file: Path | None) -> ReflectorRequest:
    table = read.reflector
    with found_in("reflector"):
        reflector = Reflector(table.focal_length_m, table.offset_m, _rim(table))
    with found_in("zone"):
        zone = _zone(read.zone, table.offset_m)
    with found_in("feed"):
        if (read.feed.exponent is None) == (feed_file is None):
            have = "none" if feed_file is None else "both"
            raise InputError(f"has {have} of exponent and file", "give one of them")
        modes = None if feed_file is None else read_radiation(feed_file)[0]
        feed = reflector.feed(
            exponent=read.feed.exponent or 0.0,
            modes=modes,
            displacement=read.feed.displacement_m,
            polarisation=read.feed.polarisation,
        )
    surface = None
    if read.surface is not None:
        with found_in("surface"):
            wide = 2 * (table.diameter_m + 4 * (table.roll_along_m or 0.0))
            one = read.surface
            surface = SurfaceErrors(1e-6 * one.rms_um, 1e-3 * one.correlation_mm, wide, one.seed)
    with found_in("limits"):
        limits = ZoneLimits(**read.limits.model_dump())
    return ReflectorRequest(reflector, feed, zone, _frequencies(read.frequency), surface, limits)


def _rim(table: ReflectorTable) -> Rim:
    teeth = {"inner_diameter_m": table.inner_diameter_m, "teeth": table.teeth}
    rolls = {"roll_along_m": table.roll_along_m, "roll_across_m": table.roll_across_m}
    needed = {"sharp": {}, "serrated": teeth, "rolled": rolls}[table.rim]
    lacking = [name for name, value in needed.items() if value is None]
    if lacking:
        raise InputError(f"rim is {table.rim!r} and {lacking[0]} is missing", "give it")
    spare = [x for x, value in (teeth | rolls).items() if value is not None and x not in needed]
    if spare:
        raise InputError(f"rim is {table.rim!r} and {spare[0]} is given", "leave it out or change the rim")
    if table.inner_diameter_m is not None and table.teeth is not None:
        return SerratedRim(table.inner_diameter_m / 2, table.diameter_m / 2, table.teeth, table.teeth_shape)
    if table.roll_along_m is not None and table.roll_across_m is not None:
        turn = math.radians(table.roll_turn_deg)
        return RolledRim(table.diameter_m / 2, table.roll_along_m, table.roll_across_m, turn)
    return SharpRim(table.diameter_m / 2)
