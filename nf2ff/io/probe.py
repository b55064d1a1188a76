"""Probes from files of every kind: native, patterns, and scans of the probe itself."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

from nf2ff.antenna.expansion import Expansion, Missing, expand_far_field, expand_ports
from nf2ff.antenna.modes import Modes, required_degree, wavenumber
from nf2ff.io import native, tables
from nf2ff.io.safe import PathLike, read_bytes
from nf2ff.measurement.probe import Probe, drop_weak_orders, probe_from_modes
from nf2ff.messages.input_error import InputError

#: Power of an azimuthal order relative to all below which it is rounding in a pattern read from
#: text, and dropped: nine digits leave 1e-18.
TEXT_POWER = 1e-17
#: Power above the degree that the size of a probe needs, which is taken where a part of its pattern
#: is: the rest of the pattern is known to some -40 dB then.
SIZE_TAIL_DB = -60.0
#: Power radiated over power put in from which there is a warning: levels in text are rounded.
MAX_EFFICIENCY = 1 + 1e-6


def load_probe(
    paths: PathLike | Sequence[PathLike],
    *,
    relative: bool = False,
    input_power: float | None = None,
    time_convention: str | None = None,
    degree: int | None = None,
    missing: Missing = "refuse",
    minimum_radius: float | None = None,
) -> tuple[Probe, tuple[str, ...]]:
    """Read a probe, whatever describes it.

    Parameters
    ----------
    paths : path or sequence of path
        A native probe; a pattern as CSV (`io.read_pattern`), all ports in one; or, one file for
        each port, native far fields, modes or results of scans of the probe itself, in the
        probe's own frame: boresight +z, reference polarisation x.
    relative : bool
        Take the level as unknown.
    input_power : float, optional
        Power that went into the port [W]. A pattern as CSV is that of 1 W unless it is given;
        absolute files of the other kinds need it.
    time_convention : str, optional
        Of a CSV pattern; exp(+jwt) if not given.
    degree : int, optional
        Degree of the expansion of a pattern; by default from its steps and its spectrum.
    missing : {"refuse", "zero"}
        What to do with a part of the sphere without data. Taken as zero it has an edge, with waves
        of all degrees that no probe has, and which a near antenna would see: then the degree must
        be given, or ``minimum_radius``, from which it follows.
    minimum_radius : float, optional
        Radius of the smallest sphere about the reference point that holds the probe [m].

    Returns
    -------
    probe : Probe
        The probe, without the azimuthal orders that are nothing but rounding.
    notes : tuple of str
        How it and its level came about, and what to beware of; of a native probe what was noted
        when it was made.

    Raises
    ------
    ValueError
        One line that names the file, what is wrong and what to do.
    """
    if isinstance(paths, str) or not isinstance(paths, Sequence):
        paths = [paths]
    if input_power is not None and not 0 < input_power < math.inf:
        raise InputError(f"input_power is {input_power} W, expected a number above 0")
    if relative and input_power is not None:
        raise InputError("the level is to be relative, and an input power is stated", "give one of them")
    kinds = [native.file_kind(path) for path in paths]
    alone = {"probe", "pattern"} & set(kinds)
    if alone and len(paths) > 1:
        raise InputError(f"{paths[kinds.index(alone.pop())]}: holds all ports of a probe", "give it alone")
    if kinds == ["probe"]:
        settled = relative or input_power is not None or degree is not None or time_convention
        if settled or missing != "refuse":
            raise InputError(
                f"{paths[0]}: is a finished probe",
                "leave level, degree, missing parts and time convention out",
            )
        probe = native.read_probe(paths[0])
        if minimum_radius is not None:
            probe = replace(probe, minimum_radius=minimum_radius)
        return probe, tuple(native.read_provenance(paths[0]).get("probe", "").splitlines())
    options: dict[str, Any] = {"degree": degree, "missing": missing, "radius": minimum_radius}
    ports: list[Modes] = []
    notes: list[str] = []
    for number, (path, kind) in enumerate(zip(paths, kinds, strict=True), start=1):
        try:
            if kind == "pattern":
                found, said = _pattern(path, options, relative, input_power, time_convention)
            else:
                _check_native(path, kind, options, time_convention)
                one, said = _native(path, kind, options, input_power, f"port {number}, {path}")
                found, more = _one_watt(one, relative, input_power, f"port {number}, {path}")
                said += more
        except ValueError as error:
            text = str(error).replace("(missing='zero')", "(nf2ff import --zero-missing)")
            raise InputError(text if text.startswith(str(path)) else f"{path}: {text}") from error
        ports += found
        notes += said
    probe = probe_from_modes(ports, minimum_radius=minimum_radius)
    if kinds == ["pattern"]:
        probe = drop_weak_orders(probe, power=TEXT_POWER)
    return probe, tuple(notes)


def _pattern(
    path: PathLike,
    options: dict[str, Any],
    relative: bool,
    input_power: float | None,
    time_convention: str | None,
) -> tuple[list[Modes], list[str]]:
    """Modes of all ports of a CSV pattern at 1 W into the port, and what is to be said of them."""
    power = 1.0 if input_power is None else input_power
    pattern = tables.read_pattern(
        path, time_convention=time_convention or "exp(+jwt)", reference="relative" if relative else "absolute"
    )
    if pattern.port.tolist() != list(range(1, pattern.port.size + 1)):
        numbers = ", ".join(map(str, pattern.port))
        raise InputError(f"port is {numbers}: expected all numbers from 1 on, without a gap")
    expand = partial(
        expand_ports,
        frequency=pattern.frequency,
        theta=pattern.theta,
        phi=pattern.phi,
        e_theta=pattern.e_theta,
        e_phi=pattern.e_phi,
        reference=pattern.reference,
        input_power=None if relative else power,
    )
    expansions = _expanded(expand, options)
    if relative:
        notes = ["level: unknown, as asked"]
    elif input_power is None:
        notes = ["level: that of 1 W into each port, as is taken of a pattern unless it is stated"]
    else:
        notes = [f"level: that of {power:.9g} W into each port, as stated"]
    for port, expansion in enumerate(expansions, start=1):
        notes += _account(expansion, f"port {port}")
    return [_scaled(x.modes, 1 / math.sqrt(power)) for x in expansions], notes


def _expanded(expand: Callable[..., tuple[Expansion, ...]], options: dict[str, Any]) -> tuple[Expansion, ...]:
    """The expansion asked for; where a part is taken as zero, to the degree of the probe's size."""
    how = {name: options[name] for name in ("degree", "missing")}
    found = expand(**how)
    if how["degree"] is not None or not found[0].missing_fraction:
        return found
    radius = options["radius"]
    if radius is None:
        raise InputError(
            "a part of the pattern is taken as zero, and the edge of it has waves that no probe has",
            "give the probe's radius (nf2ff import --probe-radius-m), or the degree (--degree)",
        )
    if not 0 <= radius < math.inf:
        return found  # the probe itself refuses that
    k = float(wavenumber(found[0].modes.frequency.max()))
    top = required_degree(k * radius, tail_db=SIZE_TAIL_DB)
    if top >= found[0].modes.degree:
        return found
    how["degree"] = top
    return tuple(replace(x, degree_reason=f"size: a sphere of {radius:.6g} m") for x in expand(**how))


def _check_native(path: PathLike, kind: str, options: dict[str, Any], time_convention: str | None) -> None:
    """Refuse files that hold no antenna, and options that do not apply to them."""
    if kind == "table" and not _holds_samples(path):
        raise InputError(f"is no pattern of a probe: expected columns {','.join(tables.PATTERN_COLUMNS)}")
    if kind not in ("far_field", "modes", "result"):
        held = "samples" if kind == "table" else kind.replace("_", " ")
        raise InputError(f"holds {held}: expected a probe, a pattern, a far field or modes")
    if time_convention is not None:
        raise InputError("is native, in exp(+jwt)", "leave the time convention out")
    if options["missing"] != "refuse" and kind != "far_field":
        raise InputError(
            "holds modes, that are of the whole sphere", "do not ask for missing parts to be zero"
        )


def _holds_samples(path: PathLike) -> bool:
    """Whether the header of a table is that of samples, and not of some other table."""
    start = read_bytes(path, limit=0, count=2**16).decode("utf-8", errors="replace")
    lines = (x for x in start.splitlines() if x.strip() and not x.lstrip().startswith("#"))
    return {"real", "imag"} <= {name.strip() for name in next(lines, "").split(",")}


def _native(
    path: PathLike, kind: str, options: dict[str, Any], input_power: float | None, who: str
) -> tuple[Modes, list[str]]:
    """Modes of the port in a native file, at its level, and what is to be said of them."""
    if kind == "far_field":
        far = native.read_far_field(path)

        def expand(**how: Any) -> tuple[Expansion, ...]:
            return (expand_far_field(far, input_power=input_power, **how),)

        (expansion,) = _expanded(expand, options)
        return expansion.modes, _account(expansion, who)
    notes = []
    if kind == "result":
        result = native.read_result(path)
        modes = result.modes
        level = result.provenance.get("level", "").splitlines()
        notes += [f"{who}: {x.removeprefix('level: ')}" for x in level]
        notes += _by_frequency(modes, result.warnings, who)
    else:
        modes = native.read_modes(path)
    if input_power is not None and modes.reference == "absolute":
        share = modes.radiated_power() / input_power
        warnings = [
            [
                f"the probe radiates {x * input_power:.6g} W for {input_power:.6g} W into the "
                f"port: its level is too high by {10 * math.log10(x):.3g} dB at least, check its "
                "calibration"
            ]
            if x > MAX_EFFICIENCY
            else []
            for x in share.tolist()
        ]
        notes += _by_frequency(modes, warnings, who)
    if options["degree"] is not None:
        modes = modes.truncate(options["degree"])
    return modes, notes


def _one_watt(
    modes: Modes, relative: bool, input_power: float | None, who: str
) -> tuple[list[Modes], list[str]]:
    """Modes at 1 W into the port, or relative, and where the level is from."""
    if modes.reference == "relative":
        if input_power is not None:
            raise InputError("is relative: an input power gives it no level, leave it out")
        return [modes], [f"{who}: level unknown, as the file says"]
    if relative:
        return [replace(modes, reference="relative")], [f"{who}: level unknown, as asked"]
    if input_power is None:
        raise InputError(
            "is absolute",
            "state the power that went into the probe's port, or take its level as "
            "unknown, when it is imported (nf2ff import --input-power-w or --relative)",
        )
    note = f"{who}: level that of {input_power:.9g} W into the port, as stated"
    return [_scaled(modes, 1 / math.sqrt(input_power))], [note]


def _scaled(modes: Modes, factor: float) -> Modes:
    return replace(modes, coefficients=factor * modes.coefficients)


def _account(expansion: Expansion, who: str) -> list[str]:
    """Sentences on the expansion of a pattern."""
    worst = 20 * math.log10(max(float(expansion.residual.max()), 1e-16))
    first = (
        f"{who}: expanded to degree {expansion.modes.degree} ({expansion.degree_reason}), which "
        f"leaves {worst:.0f} dB of the pattern"
    )
    return [first, *_by_frequency(expansion.modes, expansion.warnings, who)]


def _by_frequency(modes: Modes, warnings: Iterable[Iterable[str]], who: str) -> list[str]:
    """Sentences of each frequency; those that differ in their numbers alone, once."""
    kinds: dict[str, list[tuple[float, str]]] = {}
    for frequency, sentences in zip(modes.frequency.tolist(), warnings, strict=False):
        for sentence in sentences:
            kinds.setdefault(re.sub(r"-?\d[\d.e+-]*", "#", sentence), []).append((frequency, sentence))
    notes = []
    for said in kinds.values():
        frequency, sentence = said[0]
        more = f" and {len(said) - 1} more frequencies" if len(said) > 1 else ""
        notes.append(f"{who}, {frequency / 1e9:.9g} GHz{more}: {sentence}")
    return notes
