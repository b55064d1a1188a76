"""Probes from files of every kind: native, patterns, and scans of the probe itself."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

from nf2ff.antenna.expansion import Expansion, Missing, expand_far_field, expand_ports
from nf2ff.antenna.modes import Modes, required_degree, wavenumber
from nf2ff.antenna.rings import MissingPart
from nf2ff.io import native, tables
from nf2ff.io.safe import PathLike, first_line
from nf2ff.measurement.probe import Probe, drop_weak_orders, probe_from_modes
from nf2ff.messages.input_error import InputError, found_in
from nf2ff.messages.probe import ProbeCode
from nf2ff.messages.recognised import recognised

#: Power of an azimuthal order relative to all below which it is rounding in a pattern read from
#: text, and dropped: nine digits leave 1e-18.
TEXT_POWER = 1e-17
#: Power above the degree that the size of a probe needs, which is taken where a part of its pattern
#: is: the rest of the pattern is known to some -40 dB then.
SIZE_TAIL_DB = -60.0
#: Power radiated over power put in from which there is a warning: levels in text are rounded.
MAX_EFFICIENCY = 1 + 1e-6


@dataclass(frozen=True)
class _Asked:
    """How the files are to be read, as `load_probe` has it."""

    relative: bool
    input_power: float | None
    time_convention: str | None
    degree: int | None
    missing: Missing
    radius: float | None

    @property
    def anything(self) -> bool:
        """Whether anything is asked for that is settled in a finished probe."""
        power, convention, degree = self.input_power, self.time_convention, self.degree
        stated = any(x is not None for x in (power, convention, degree))
        return stated or self.relative or self.missing != "refuse"


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
        raise InputError("the level is to be relative, but an input power is stated", "give one of them")
    asked = _Asked(relative, input_power, time_convention, degree, missing, minimum_radius)
    kinds = [native.file_kind(path) for path in paths]
    alone = {"probe", "pattern"} & set(kinds)
    if alone and len(paths) > 1:
        raise InputError(f"{paths[kinds.index(alone.pop())]}: holds all ports of a probe", "give it alone")
    if kinds == ["probe"]:
        if asked.anything:
            remedy = "leave level, degree, missing parts and time convention out"
            raise InputError(f"{paths[0]}: is a finished probe", remedy)
        probe = native.read_probe(paths[0])
        if minimum_radius is not None:
            probe = replace(probe, minimum_radius=minimum_radius)
        return probe, tuple(native.read_provenance(paths[0]).get("probe", "").splitlines())
    ports: list[Modes] = []
    notes: list[str] = []
    for number, (path, kind) in enumerate(zip(paths, kinds, strict=True), start=1):
        try:
            if kind == "pattern":
                found, said = _from_pattern(path, asked)
            else:
                one, said = _from_native(path, kind, asked, f"port {number}, {path}")
                found = [one]
        except MissingPart as error:
            remedy = "measure that part, or ask for it to be taken as zero (nf2ff import --zero-missing)"
            raise InputError(error.what, remedy, where=error.where) from error
        ports += found
        notes += said
    probe = probe_from_modes(ports, minimum_radius=minimum_radius)
    if kinds == ["pattern"]:
        probe = drop_weak_orders(probe, power=TEXT_POWER)
    return probe, tuple(notes)


def _from_pattern(path: PathLike, asked: _Asked) -> tuple[list[Modes], list[str]]:
    """Modes of all ports of a CSV pattern at 1 W into the port, and what is to be said of them."""
    power = 1.0 if asked.input_power is None else asked.input_power
    pattern = tables.read_pattern(
        path,
        time_convention=asked.time_convention or "exp(+jwt)",
        reference="relative" if asked.relative else "absolute",
    )
    expand = partial(
        expand_ports,
        frequency=pattern.frequency,
        theta=pattern.theta,
        phi=pattern.phi,
        e_theta=pattern.e_theta,
        e_phi=pattern.e_phi,
        reference=pattern.reference,
        input_power=None if asked.relative else power,
    )
    with found_in(path):
        if pattern.port.tolist() != list(range(1, pattern.port.size + 1)):
            numbers = ", ".join(map(str, pattern.port))
            raise InputError(f"port is {numbers}", "expected all numbers from 1 on, without a gap")
        expansions = _expanded(expand, asked)
    notes: list[str] = [ProbeCode.PATTERN_LEVEL(power_w=power)]
    if asked.relative:
        notes = [ProbeCode.PATTERN_UNKNOWN()]
    elif asked.input_power is None:
        notes = [ProbeCode.PATTERN_ONE_WATT()]
    for port, expansion in enumerate(expansions, start=1):
        notes += _account(expansion, f"port {port}")
    return [_scaled(x.modes, 1 / math.sqrt(power)) for x in expansions], notes


def _expanded(expand: Callable[..., tuple[Expansion, ...]], asked: _Asked) -> tuple[Expansion, ...]:
    """The expansion asked for; where a part is taken as zero, to the degree of the probe's size."""
    found = expand(degree=asked.degree, missing=asked.missing)
    if asked.degree is not None or not found[0].missing_fraction:
        return found
    if asked.radius is None:
        raise InputError(
            "a part of the pattern is taken as zero, and its edge has waves that no probe has",
            "give the probe's radius (nf2ff import --probe-radius-m), or the degree (--degree)",
        )
    if not 0 <= asked.radius < math.inf:
        return found  # the probe itself refuses that
    k = float(wavenumber(found[0].modes.frequency.max()))
    top = required_degree(k * asked.radius, tail_db=SIZE_TAIL_DB)
    if top >= found[0].modes.degree:
        return found
    reason = f"size: a sphere of {asked.radius:.6g} m"
    return tuple(replace(x, degree_reason=reason) for x in expand(degree=top, missing=asked.missing))


def _from_native(path: PathLike, kind: str, asked: _Asked, who: str) -> tuple[Modes, list[str]]:
    """Modes of the port in a native file at 1 W into it, or relative, and what is to be said of them."""
    with found_in(path):
        _check_native(path, kind, asked)
    notes: list[str] = []
    if kind == "far_field":
        far = native.read_far_field(path)

        def expand(**how: Any) -> tuple[Expansion, ...]:
            return (expand_far_field(far, input_power=asked.input_power, **how),)

        with found_in(path):
            (expansion,) = _expanded(expand, asked)
        modes, notes = expansion.modes, _account(expansion, who)
    elif kind == "result":
        result = native.read_result(path, blocks=True)
        modes = result.modes
        level = result.provenance.get("level", "").splitlines()
        notes += [ProbeCode.SCAN(who=who, sentence=x.removeprefix("level: ")) for x in level]
        notes += _by_frequency(modes, result.warnings, who)
    else:
        modes = native.read_modes(path)
    with found_in(path):
        if kind != "far_field":
            notes += _by_frequency(modes, _too_much(modes, asked.input_power), who)
            modes = modes if asked.degree is None else modes.truncate(asked.degree)
        modes, level_note = _one_watt(modes, asked, who)
    return modes, [*notes, level_note]


def _check_native(path: PathLike, kind: str, asked: _Asked) -> None:
    """Refuse files that hold no antenna, and options that do not apply to them."""
    # A table that is not of samples is some other table, most likely meant as a pattern.
    if kind == "table" and not {"real", "imag"} <= {name.strip() for name in first_line(path).split(",")}:
        raise InputError(
            "is not the pattern of a probe", f"expected columns {','.join(tables.PATTERN_COLUMNS)}"
        )
    if kind not in ("far_field", "modes", "result"):
        held = "samples" if kind == "table" else kind.replace("_", " ")
        raise InputError(f"holds {held}", "expected a probe, a pattern, a far field or modes")
    if asked.time_convention is not None:
        raise InputError("is native, in exp(+jwt)", "leave the time convention out")
    if asked.missing != "refuse" and kind != "far_field":
        remedy = "do not ask for missing parts to be zero"
        raise InputError("holds modes, which cover the whole sphere", remedy)


def _too_much(modes: Modes, input_power: float | None) -> list[list[str]]:
    """Warnings of each frequency at which more is radiated than was put in."""
    if input_power is None or modes.reference != "absolute":
        return []
    return [
        [ProbeCode.POWER(radiated_w=x * input_power, input_w=input_power, excess_db=10 * math.log10(x))]
        if x > MAX_EFFICIENCY
        else []
        for x in (modes.radiated_power() / input_power).tolist()
    ]


def _one_watt(modes: Modes, asked: _Asked, who: str) -> tuple[Modes, str]:
    """Modes at 1 W into the port, or relative, and where the level is from."""
    power = asked.input_power
    if modes.reference == "relative":
        if power is not None:
            raise InputError("is relative", "an input power gives it no level, leave it out")
        return modes, ProbeCode.UNKNOWN(who=who)
    if asked.relative:
        return replace(modes, reference="relative"), ProbeCode.UNKNOWN_AS_ASKED(who=who)
    if power is None:
        raise InputError(
            "is absolute",
            "state the power that went into the probe's port, or take its level as "
            "unknown, when it is imported (nf2ff import --input-power-w or --relative)",
        )
    return _scaled(modes, 1 / math.sqrt(power)), ProbeCode.LEVEL(who=who, power_w=power)


def _scaled(modes: Modes, factor: float) -> Modes:
    return replace(modes, coefficients=factor * modes.coefficients)


def _account(expansion: Expansion, who: str) -> list[str]:
    """Sentences on the expansion of a pattern."""
    worst = 20 * math.log10(max(float(expansion.residual.max()), 1e-16))
    degree, reason = expansion.modes.degree, expansion.degree_reason
    first = ProbeCode.EXPANDED(who=who, degree=degree, reason=reason, residual_db=worst)
    return [first, *_by_frequency(expansion.modes, expansion.warnings, who)]


def _by_frequency(modes: Modes, warnings: Iterable[Iterable[str]], who: str) -> list[str]:
    """Sentences of each frequency; those of one code, whose figures alone differ, once."""
    kinds: dict[object, list[tuple[float, str]]] = {}
    for frequency, sentences in zip(modes.frequency.tolist(), warnings, strict=False):
        for sentence in sentences:
            kinds.setdefault(recognised(sentence)[0] or sentence, []).append((frequency / 1e9, sentence))
    notes: list[str] = []
    for (ghz, sentence), *others in kinds.values():
        code = ProbeCode.AT_FREQUENCIES if others else ProbeCode.AT_FREQUENCY
        notes.append(code(who=who, frequency_ghz=ghz, others=len(others), warning=sentence))
    return notes
