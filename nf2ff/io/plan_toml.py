"""Plans of scans described in TOML: `plan_template` explains the form."""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field

from nf2ff.io.safe import PathLike
from nf2ff.io.toml import Table, above, list_of_tables, number, read_toml, template, text_key, whole
from nf2ff.io.uncertainty_toml import MAX_ERRORS, ErrorTable, errors_from, figures_of
from nf2ff.messages.input_error import InputError, found_in
from nf2ff.planning.axes import Axis, Positioner, Receiver
from nf2ff.planning.distance import Link
from nf2ff.planning.enclosure import Part
from nf2ff.planning.plan import ScanRequest
from nf2ff.planning.scan_time import NAMES
from nf2ff.planning.tolerances import Wish
from nf2ff.uncertainty.errors.error_term import ErrorTerm

#: A length that a chamber may hold [m].
Length = Annotated[float, Field(ge=-1e6, le=1e6)]
#: Most frequencies, parts and beams.
MAX_FREQUENCIES, MAX_PARTS, MAX_BEAMS = 10_001, 1000, 10_000
#: Largest number, of whatever unit.
MOST = 1e6


def _place(default: list[float] | None) -> Any:
    return Field(default, description="a list of 3 numbers, along x, y and z", min_length=3, max_length=3)


class DeviceTable(Table):
    """The table [device]."""

    size_m: list[Length] | None = _place(None)
    diameter_m: float | None = above(MOST)
    centre_m: list[Length] = _place([0.0, 0.0, 0.0])
    coherent: bool = Field(True, description="true or false")


class PartTable(Table):
    """A table [[part]]."""

    name: str = text_key("a name", "", most=100)
    centre_m: list[Length] = _place([0.0, 0.0, 0.0])
    size_m: list[Length] | None = _place(None)
    diameter_m: float | None = above(MOST)


class FrequencyTable(Table):
    """The table [frequency]."""

    ghz: list[float] | None = Field(
        None,
        description=f"a list of 1 to {MAX_FREQUENCIES} numbers above 0",
        min_length=1,
        max_length=MAX_FREQUENCIES,
    )
    start_ghz: float | None = above(MOST)
    stop_ghz: float | None = above(MOST)
    count: int | None = whole(2, MAX_FREQUENCIES)


class ChamberTable(Table):
    """The table [chamber]."""

    distance_m: float = above(MOST, needed=True)
    room_m: float | None = above(MOST)
    largest_device_m: float | None = above(MOST)


class AxisTable(Table):
    """Tables [axes.theta], [axes.phi] and [axes.chi]."""

    speed_deg_per_s: float = above(MOST, needed=True)
    acceleration_deg_per_s2: float = above(MOST, needed=True)
    settling_s: float = number(0, MOST, 0.0)
    turns: float | None = above(MOST)


class AxesTable(Table):
    """The table [axes]."""

    theta: AxisTable = Field(description="a table [axes.theta]")
    phi: AxisTable = Field(description="a table [axes.phi]")
    chi: AxisTable | None = Field(None, description="a table [axes.chi]")


class ReceiverTable(Table):
    """The table [receiver]."""

    time_per_frequency_s: float = above(MOST, needed=True)
    start_s: float = number(0, MOST, 0.0)
    polarisation_switch_s: float | None = number(0, MOST)
    beams: int = whole(1, MAX_BEAMS, 1)
    beam_switch_s: float = number(0, MOST, 0.0)


class WishesTable(Table):
    """The table [wishes]."""

    tail_db: float = Field(-60.0, description="a level from -240 to -20", ge=-240, le=-20)
    wanted: list[str] = Field(
        ["pattern", "eirp", "trp"], description="a list of one or more quantities", min_length=1
    )
    scan: str | None = text_key("one of " + ", ".join(NAMES), None, most=100)
    degree: int | None = whole(1, 1000)
    step_deg: float | None = number(0.18, 60)
    time_limit_h: float | None = above(MOST)
    direct_peak_db: float | None = Field(None, description="an error from 0.001 to 3 dB", ge=1e-3, le=3)
    direct_sidelobe_db: float | None = Field(None, description="an error from 0.01 to 6 dB", ge=0.01, le=6)
    sidelobe_level_db: float = Field(-25.0, description="a level from -60 to -20 dB", ge=-60, le=-20)


class SignalTable(Table):
    """The table [signal]."""

    reference: Literal["port", "bins", "carrier", "none"] = Field(
        "port", description="one of port, bins, carrier, none"
    )
    modulated: bool = Field(False, description="true or false")
    frozen_beam: bool = Field(True, description="true or false")


class LevelTable(Table):
    """The table [level]."""

    eirp_dbm: float = Field(description="a level from -300 to 300", ge=-300, le=300)
    probe_gain_dbi: float = Field(description="a level from -300 to 300", ge=-300, le=300)
    noise_dbm: float = Field(description="a level from -300 to 300", ge=-300, le=300)


def _wish(unit: str) -> Any:
    return Field(None, description=f"an uncertainty above 0, at most 10 {unit}", gt=0, le=10)


class TolerancesTable(Table):
    """The table [tolerances]."""

    eirp_db: float | None = _wish("dB")
    trp_db: float | None = _wish("dB")
    directivity_db: float | None = _wish("dB")
    sidelobe_level_db: float | None = _wish("dB")
    beamwidth_deg: float | None = _wish("deg")
    pointing_deg: float | None = _wish("deg")


class PlanTable(Table):
    """The keys of the file."""

    device: DeviceTable = Field(description="a table [device]")
    part: list[PartTable] = list_of_tables("part", MAX_PARTS)
    frequency: FrequencyTable = Field(description="a table [frequency]")
    chamber: ChamberTable = Field(description="a table [chamber]")
    axes: AxesTable = Field(description="tables [axes.theta] and [axes.phi]")
    receiver: ReceiverTable = Field(description="a table [receiver]")
    wishes: WishesTable = Field(WishesTable.model_construct(), description="a table [wishes]")
    signal: SignalTable = Field(SignalTable.model_construct(), description="a table [signal]")
    level: LevelTable | None = Field(None, description="a table [level]")
    tolerances: TolerancesTable | None = Field(None, description="a table [tolerances]")
    error: list[ErrorTable] = list_of_tables("error", MAX_ERRORS)


def plan_template() -> str:
    """A plan to be changed, as TOML that `read_plan` reads."""
    return template("plan")


def read_tolerances(path: PathLike) -> tuple[list[Wish], tuple[ErrorTerm, ...]]:
    """Uncertainties that a plan asks for, and the errors that share them; both empty if there are none."""
    read = read_toml(path, PlanTable)
    terms = errors_from(read.error, path)
    wishes = []
    asked = {} if read.tolerances is None else read.tolerances.model_dump(exclude_none=True)
    for key, size in asked.items():
        metric, _, unit = key.rpartition("_")
        size = math.radians(size) if unit == "deg" else size
        wishes += [Wish(figure, size) for figure in figures_of(metric, {}, f"{path}: tolerances")]
    if bool(wishes) != bool(terms):
        there, missing = ("[tolerances]", "[[error]]") if wishes else ("[[error]]", "[tolerances]")
        raise InputError(f"{path}: has {there} without {missing}", "give both, or leave it out")
    return wishes, terms


def read_plan(path: PathLike) -> ScanRequest:
    """Read a plan, from a TOML file as `plan_template` explains.

    Parameters
    ----------
    path : path
        File to read.

    Returns
    -------
    ScanRequest
        What the file asks for.

    Raises
    ------
    ValueError
        One line that names file, table, key, value and what is allowed.
    """
    read = read_toml(path, PlanTable)
    with found_in(path):
        with found_in("device"):
            device = _part(read.device.size_m, read.device.diameter_m)
        parts = []
        for i, one in enumerate(read.part, start=1):
            with found_in(f"part {i} ({one.name!r})" if one.name else f"part {i}"):
                parts.append(_part(one.size_m, one.diameter_m, one.centre_m))
        with found_in("frequency"):
            frequency = _frequencies(read.frequency)
        axes = read.axes
        positioner = Positioner(
            _axis(axes.theta), _axis(axes.phi), None if axes.chi is None else _axis(axes.chi)
        )
        if (axes.chi is None) == (read.receiver.polarisation_switch_s is None):
            have = "both" if axes.chi else "none"
            raise InputError(
                f"has {have} of axes.chi and receiver.polarisation_switch_s",
                "give the one that changes the polarisation",
            )
        wishes = read.wishes
        return ScanRequest(
            frequency=frequency,
            device=device,
            parts=tuple(parts),
            coherent=read.device.coherent,
            centre=read.device.centre_m,
            distance=read.chamber.distance_m,
            positioner=positioner,
            receiver=_receiver(read.receiver, frequency.size),
            room=read.chamber.room_m,
            largest_device=read.chamber.largest_device_m,
            tail_db=wishes.tail_db,
            degree=wishes.degree,
            step=None if wishes.step_deg is None else math.radians(wishes.step_deg),
            scan=wishes.scan,
            time_limit=None if wishes.time_limit_h is None else 3600 * wishes.time_limit_h,
            link=None if read.level is None else Link(**read.level.model_dump()),
            wanted=tuple(wishes.wanted),
            reference=read.signal.reference,
            modulated=read.signal.modulated,
            frozen=read.signal.frozen_beam,
            peak_db=wishes.direct_peak_db,
            sidelobe_db=wishes.direct_sidelobe_db,
            sidelobe_level_db=-wishes.sidelobe_level_db,
        )


def _part(size: list[float] | None, diameter: float | None, centre: list[float] | None = None) -> Part:
    """A box or a ball."""
    if (size is None) == (diameter is None):
        have = "both" if size else "none"
        raise InputError(f"has {have} of size_m and diameter_m", "give one of them")
    return Part([0.0, 0.0, 0.0] if centre is None else centre, size, diameter)


def _frequencies(table: FrequencyTable) -> Any:
    """Frequencies [Hz]."""
    steps = (table.start_ghz, table.stop_ghz, table.count)
    if table.ghz is not None and steps == (None, None, None):
        found = np.array(table.ghz)
    elif table.ghz is None and None not in steps:
        found = np.linspace(*steps)  # type: ignore[arg-type]
    else:
        raise InputError("expected either ghz, or start_ghz, stop_ghz and count", "give one or the other")
    if found.max() > 1e6:
        raise InputError(f"{found.max():.6g} GHz is beyond 1e+06 GHz", "give frequencies in GHz, not in Hz")
    if not np.all(np.diff(found, prepend=0.0) > 0):
        raise InputError("frequencies are not numbers above 0 in increasing order", "sort them")
    return 1e9 * found


def _axis(table: AxisTable) -> Axis:
    turns = math.inf if table.turns is None else table.turns
    speed, acceleration = math.radians(table.speed_deg_per_s), math.radians(table.acceleration_deg_per_s2)
    return Axis(speed, acceleration, table.settling_s, turns)


def _receiver(table: ReceiverTable, count: int) -> Receiver:
    sweep = table.start_s + count * table.time_per_frequency_s
    return Receiver(sweep, table.beams, table.beam_switch_s, table.polarisation_switch_s or 0.0)
