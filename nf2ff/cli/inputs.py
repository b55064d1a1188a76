"""Scan and probe of a command, read with its options."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import Any

import click
import numpy as np

from nf2ff.cli.options import misused, plural, quoted, tell
from nf2ff.io import native
from nf2ff.io.level_toml import read_level
from nf2ff.io.probe import load_probe
from nf2ff.io.safe import PathLike
from nf2ff.measurement.level_chain import apply_level
from nf2ff.measurement.probe import Probe, field_probe, mounted
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError, found_in
from nf2ff.messages.level import LevelCode
from nf2ff.messages.notice import Notice
from nf2ff.messages.result import ResultCode
from nf2ff.messages.scan import EmptyCode
from nf2ff.metrics.result import Powers

#: A probe that is tilted by more looks past the antenna: an angle that was mistaken for another.
MAX_TILT_DEG = 45
#: How readings in the table of a scan may get their level when they are transformed.
LATER = "or give --level when they are transformed"


# --- the probe's mounting ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Mounting:
    """What is known of the probe's mounting, as the options have it, and orders to be taken of it."""

    chi_offset_deg: tuple[float, ...] = ()
    tilt_x_deg: float = 0.0
    tilt_y_deg: float = 0.0
    largest_order: int | None = None

    def of(self, probe: Probe) -> Probe:
        """The probe so mounted, all its orders kept; angles that no probe could have are refused."""
        for option, values, most in (
            ("--probe-chi-offset-deg", self.chi_offset_deg, 360),
            ("--probe-tilt-x-deg", (self.tilt_x_deg,), MAX_TILT_DEG),
            ("--probe-tilt-y-deg", (self.tilt_y_deg,), MAX_TILT_DEG),
        ):
            for value in values:
                if not abs(value) <= most:
                    raise InputError(f"{option} is {value:g}, expected degrees from -{most} to {most}")
        count = len(self.chi_offset_deg)
        if count not in (0, 1, probe.ports):
            raise InputError(
                f"--probe-chi-offset-deg is given {count} times, the probe has {plural(probe.ports, 'port')}",
                "give it once for all ports, or once for each",
            )
        if not any((*self.chi_offset_deg, self.tilt_x_deg, self.tilt_y_deg)):
            return probe
        offset = [math.radians(x) for x in self.chi_offset_deg] or [0.0]
        return mounted(
            probe,
            chi_offset=offset[0] if len(offset) == 1 else offset,
            tilt_x=math.radians(self.tilt_x_deg),
            tilt_y=math.radians(self.tilt_y_deg),
        )

    def sentences(self) -> list[str]:
        """What was stated, for the provenance."""
        found = []
        if self.chi_offset_deg:
            offsets = ", ".join(f"{x:z.9g}" for x in self.chi_offset_deg)
            whose = "all ports" if len(self.chi_offset_deg) == 1 else "the ports"
            found.append(f"mounting: chi offset {offsets} deg of {whose}, as stated")
        if self.tilt_x_deg or self.tilt_y_deg:
            about = f"{self.tilt_x_deg:z.9g} deg about x, {self.tilt_y_deg:z.9g} deg about y"
            found.append(f"mounting: tilt {about}, as stated")
        if self.largest_order is not None:
            found.append(f"azimuthal orders of the probe up to {self.largest_order}, as asked")
        return found


_MOUNTING = (
    click.option(
        "--probe-chi-offset-deg",
        type=float,
        multiple=True,
        help="True rotation of the probe about its axis minus chi; once, or once for each port.",
    ),
    click.option(
        "--probe-tilt-x-deg",
        type=float,
        default=0.0,
        help="Turn of probe and offset about the mount's x axis, which stands at the recorded chi: "
        "at chi = 0 they lean towards phi^.",
    ),
    click.option(
        "--probe-tilt-y-deg",
        type=float,
        default=0.0,
        help="Turn about the mount's y axis, after that: at chi = 0 they lean towards theta^.",
    ),
    click.option(
        "--probe-largest-order",
        type=click.IntRange(min=1),
        help="Largest azimuthal order of the probe that is taken; the error is reported.",
    ),
)


def mounting_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options on the probe's mounting, which the command gets as one value ``mounting``."""

    @wraps(command)
    def packed(
        *args: Any,
        probe_chi_offset_deg: tuple[float, ...],
        probe_tilt_x_deg: float,
        probe_tilt_y_deg: float,
        probe_largest_order: int | None,
        **kwargs: Any,
    ) -> Any:
        mounting = Mounting(probe_chi_offset_deg, probe_tilt_x_deg, probe_tilt_y_deg, probe_largest_order)
        return command(*args, mounting=mounting, **kwargs)

    for option in reversed(_MOUNTING):
        packed = option(packed)
    return packed


def read_mounted_probe(
    path: PathLike | None, mounting: Mounting, time_convention: str | None
) -> tuple[Probe, Probe, list[str]]:
    """The probe by itself and as it is mounted, the ideal one if none, and what is said of it."""
    if path is None:
        if mounting.largest_order is not None:
            misused("--probe-largest-order needs --probe: the ideal field probe has the orders +-1 alone")
        own = field_probe()
        return own, mounting.of(own), mounting.sentences()
    kind = native.file_kind(path)
    if time_convention == "exp(-iwt)" and kind == "pattern":
        raise InputError(
            f"{path}: --time-convention is that of the scan",
            "import the pattern first, with its own (nf2ff import --time-convention)",
        )
    own, notes = load_probe(path)
    if kind != "probe":  # else they were told when it was made
        for note in notes:
            click.echo(f"probe: {note}", err=True)
    return own, mounting.of(own), [*notes, *mounting.sentences()]


# --- the scan and its level ----------------------------------------------------------------------


def read_scan(
    scan: PathLike,
    level: Path | None,
    time_convention: str | None,
    response_unit: str | None,
    *,
    probe: PathLike | None,
) -> tuple[Samples, tuple[str, ...], list[Path]]:
    """Samples at their level, what set it, and the files that did; ``probe`` is that to be used."""
    if level is None:
        samples = native.read_samples(scan, time_convention=time_convention, response_unit=response_unit)
        origin = "as stated" if response_unit else "as no unit was stated"
        if native.file_kind(scan) != "table":
            origin = "as the file says"
        unit = samples.response_unit
        held = unit if unit == "relative" else f"in {unit}"
        return samples, (f"level: responses {held}, {origin}",), []
    chain, files = read_level(level)
    if probe is not None and chain.ends_in == "V/m" != chain.starts_from:
        raise InputError(
            f"{level}: has an antenna factor, which stands for the probe",
            f"leave it or --probe ({probe}) out",
        )
    if response_unit is None and native.file_kind(scan) == "table":
        response_unit = chain.starts_from
    samples = native.read_samples(scan, time_convention=time_convention, response_unit=response_unit)
    with found_in(level):
        samples = apply_level(samples, chain)
    sentences = chain.sentences(samples.frequency, ports=samples.ports())
    for sentence in sentences:
        if isinstance(sentence, Notice) and sentence.code is LevelCode.IDLE:
            tell(f"warning, {level}: {sentence}")
    return samples, sentences, list(files)


def without_empty(samples: Samples) -> tuple[Samples, list[Notice]]:
    """Samples without the frequencies at which nothing was read, and what is said of these."""
    empty = np.isnan(samples.response).all(axis=1) if samples.any_missing else np.zeros(1, bool)
    if empty.all() or not empty.any():
        return samples, []
    ghz = ", ".join(f"{f / 1e9:.9g}" for f in samples.frequency[empty])
    return samples.part(np.flatnonzero(~empty).tolist()), [EmptyCode.LEFT_OUT(ghz=f"{ghz} GHz")]


def unstated_unit(
    scan: PathLike,
    response_unit: str | None,
    *,
    probe: Probe | None = None,
    level: Path | None = None,
    options: str = "or give --level",
) -> list[str]:
    """The warning of a table whose responses have no stated unit; ``options`` are other ways to a level."""
    if response_unit is not None or level is not None or native.file_kind(scan) != "table":
        return []
    unit = 'V/m or "sqrt(W)", whichever holds'
    if probe is not None and probe.response_unit != "relative":
        unit = quoted(probe.response_unit)
    ways = ", ".join([f"state --response-unit {unit}", *([options] if options else [])])
    return [ResultCode.UNIT_UNSTATED(ways=ways)]


# --- powers into the antenna ---------------------------------------------------------------------


def check_powers(powers: Powers) -> None:
    """Refuse powers that cannot be, before the work."""
    for option, power in (("--input-power-w", powers.incident), ("--accepted-power-w", powers.accepted)):
        if power is not None and not 1e-30 < power < 1e30:
            raise InputError(
                f"{option} is {power:g}, expected watts above 0, 1e-30 to 1e30: dBm are 10^(level/10) mW"
            )
    if powers.incident and powers.accepted and powers.accepted > powers.incident:
        raise InputError(
            f"--accepted-power-w is {powers.accepted:.9g}, more than the {powers.incident:.9g} W "
            "that --input-power-w says are incident: a port accepts what it does not reflect"
        )


def power_sentences(powers: Powers) -> list[str]:
    """Powers into the antenna's port, as they were stated."""
    parts = ((powers.incident, "incident on"), (powers.accepted, "accepted by"))
    return [
        f"input power: {power:.9g} W {how} the antenna's port, as stated"
        for power, how in parts
        if power is not None
    ]
