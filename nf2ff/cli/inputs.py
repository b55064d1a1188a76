"""Scan and probe of a command, read with its options."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import click

from nf2ff.cli.options import Mounting
from nf2ff.messages.input_error import InputError, found_in
from nf2ff.messages.level import LevelCode
from nf2ff.messages.notice import Notice

if TYPE_CHECKING:
    from nf2ff.measurement.probe import Probe
    from nf2ff.measurement.samples import Samples
    from nf2ff.metrics.result import Powers


def check_powers(powers: Powers) -> None:
    """Refuse powers that cannot be, before the work."""
    for name, power in (("incident", powers.incident), ("accepted", powers.accepted)):
        option = {"incident": "--input-power-w", "accepted": "--accepted-power-w"}[name]
        if power is not None and not 0 < power < math.inf:
            raise InputError(f"{option} is {power:g}, expected watts above 0: dBm are 10^(level/10) mW")
    if powers.incident and powers.accepted and powers.accepted > powers.incident:
        raise InputError(
            f"--accepted-power-w is {powers.accepted:.9g}, more than the {powers.incident:.9g} W "
            "that --input-power-w says are incident: a port accepts what it does not reflect"
        )


def read_scan(
    scan: Path,
    level: Path | None,
    time_convention: str | None,
    response_unit: str | None,
    *,
    probe: Path | None,
) -> tuple[Samples, tuple[str, ...], list[Path]]:
    """Samples at their level, what set it, and the files that did; ``probe`` is that to be used."""
    from nf2ff.io import native
    from nf2ff.io.level_toml import read_level
    from nf2ff.measurement.level import apply_level

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
            click.echo(f"warning, {level}: {sentence}", err=True)
    return samples, sentences, list(files)


def read_mounted_probe(
    path: Path | None, mounting: Mounting, time_convention: str | None
) -> tuple[Probe, Probe, list[str]]:
    """The probe by itself and as it is mounted, the ideal one if none, and what is said of it."""
    from nf2ff.io import native
    from nf2ff.io.probe import load_probe
    from nf2ff.measurement.probe import field_probe

    if path is None and mounting.largest_order is not None:
        msg = "--probe-largest-order needs --probe: the ideal field probe has the orders +-1 alone"
        raise click.UsageError(msg)
    if path and time_convention == "exp(-iwt)" and native.file_kind(path) == "pattern":
        raise InputError(
            f"{path}: --time-convention is that of the scan",
            "import the pattern first, with its own (nf2ff import --time-convention)",
        )
    own, notes = load_probe(path) if path else (field_probe(), ())
    if path and native.file_kind(path) != "probe":  # else they were told when it was made
        for note in notes:
            click.echo(f"probe: {note}", err=True)
    return own, mounting.of(own), [*notes, *mounting.sentences()]


def power_sentences(powers: Powers) -> list[str]:
    """Powers into the antenna's port, as they were stated."""
    parts = ((powers.incident, "incident on"), (powers.accepted, "accepted by"))
    return [
        f"input power: {power:.9g} W {how} the antenna's port, as stated"
        for power, how in parts
        if power is not None
    ]
