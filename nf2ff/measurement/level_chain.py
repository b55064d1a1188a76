"""The level: from a receiver's readings to waves at the probe's port, in sqrt(W).

A `LevelChain` lists what lies between the probe's port and the number that was recorded; its product is the
factor on the readings. It ends at the probe's port: the gain of the probe is part of `Probe` (its pattern is
that of 1 W into its port) and no step of the chain may hold it again. Only where no more of the probe is
known than its antenna factor does the chain go on to the field, and the probe is taken for the ideal field
probe.

Wrong calibration makes wrong power: whether people may be exposed to it is for local codes and qualified
persons to say.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.kernel.arrays import as_array
from nf2ff.measurement.level_steps import LevelStep, MismatchStep
from nf2ff.measurement.samples import RESPONSE_UNITS, ResponseUnit, Samples
from nf2ff.messages.input_error import InputError
from nf2ff.messages.level import LevelCode

Complex = NDArray[np.complex128]

#: Sum of all steps beyond which a unit must be wrong (a choice of ours; nothing overflows).
MAX_DB = 1000.0


@dataclass(frozen=True, slots=True, eq=False)
class LevelChain:
    """All steps between the probe's port and the recorded numbers, in any order.

    Parameters
    ----------
    steps : sequence of LevelStep or MismatchStep
        The steps, with different names.
    starts_from : {"relative", "sqrt(W)", "V/m"}
        Unit of the readings. Relative ones become waves in sqrt(W) by one step that ties them to watts
        ("receiver", "receiver-power" or "transmission") for each port; or they stay relative if all steps are
        of kind "channel". Absolute ones keep their unit, and nothing ties them. An "antenna-factor" for each
        port makes fields [V/m] of waves in sqrt(W).

    Raises
    ------
    ValueError
        If there is no step, a name is there twice, a port is tied to watts twice or not at all, or has two
        antenna factors.
    """

    steps: tuple[LevelStep | MismatchStep, ...]
    starts_from: ResponseUnit = "relative"

    def __post_init__(self) -> None:
        object.__setattr__(self, "steps", tuple(self.steps))
        if not self.steps:
            raise InputError("the chain has no step", "give at least one, or leave the chain out")
        names = [step.name for step in self.steps]
        again = next((x for i, x in enumerate(names) if x in names[:i]), None)
        if again is not None:
            raise InputError(f"two steps are named {again!r}", "name each step once, and count none twice")
        if self.starts_from not in RESPONSE_UNITS:
            raise InputError(f"starts_from is {self.starts_from!r}, expected one of {RESPONSE_UNITS}")
        ties = self._ties()
        if ties and self.starts_from != "relative":
            raise InputError(
                f"{ties[0].name!r} ties readings to watts, and the chain starts from {self.starts_from}",
                "remove the step or let the chain start from relative",
            )
        fields = self._fields()
        if fields and self.starts_from == "V/m":
            raise InputError(
                f"{fields[0].name!r} is an antenna factor, and the chain starts from V/m, that is "
                "from fields",
                "remove the step or let the chain start from sqrt(W)",
            )
        for steps, what in (
            (ties, "tie the same port to watts"),
            (fields, "are antenna factors of the same port"),
        ):
            for one, other in combinations(steps, 2):
                if not one.ports or not other.ports or set(one.ports) & set(other.ports):
                    raise InputError(
                        f"{one.name!r} and {other.name!r} {what}", "keep one, or give each its ports"
                    )
        balance = all(isinstance(s, LevelStep) and s.kind == "channel" for s in self.steps)
        if self.starts_from == "relative" and not ties and not balance:
            raise InputError(
                "no step ties relative readings to watts",
                "add one of kind receiver, receiver-power or transmission",
            )

    def _ties(self) -> list[LevelStep | MismatchStep]:
        return [s for s in self.steps if s.ties]

    def _fields(self) -> list[LevelStep | MismatchStep]:
        return [s for s in self.steps if s.gives_field]

    @property
    def ends_in(self) -> ResponseUnit:
        """Unit of the responses that the chain gives."""
        if self._fields():
            return "V/m"
        return "sqrt(W)" if self._ties() else self.starts_from

    def factor(self, frequency: ArrayLike, port: ArrayLike) -> Complex:
        """Factor (F, M) on readings at ``frequency`` (F,) [Hz] from ``port`` (M,).

        Raises
        ------
        ValueError
            If a port is not tied to watts or has no antenna factor though others do, a table lacks a
            frequency, or the level is absurd.
        """
        f = as_array(frequency, float, "frequency", ndim=1)
        ports, which = np.unique(np.asarray(port), return_inverse=True)
        for steps in (self._ties(), self._fields()):
            lost = [p for p in ports if not any(not s.ports or p in s.ports for s in steps)]
            if steps and lost and steps[0].gives_field:
                raise InputError(
                    f"port {lost[0]} has no antenna factor, though others do",
                    "add a step antenna-factor for it",
                )
            if steps and lost:
                raise InputError(
                    f"no step ties the readings of port {lost[0]} to watts",
                    "add one of kind receiver, receiver-power or transmission for it",
                )
        log = np.zeros((f.size, ports.size), dtype=complex)
        for step in self.steps:
            mine = np.isin(ports, step.ports) if step.ports else np.ones(ports.size, dtype=bool)
            if mine.any():
                log[:, mine] += np.log(step.factor(f))[:, None]
        total = np.abs(log.real).max() * 20 / np.log(10)
        if total > MAX_DB:
            raise InputError(
                f"the steps amount to {total:.4g} dB, expected at most {MAX_DB:z.0f}",
                "check their values and units",
            )
        factor = np.exp(log)
        if ports.size == 1:  # one column for all, without a copy for each sample
            return np.broadcast_to(factor, (f.size, which.size))
        return np.asarray(factor[:, which])

    def sentences(self, frequency: ArrayLike, *, ports: Sequence[int] = ()) -> tuple[str, ...]:
        """What sets the level at ``frequency`` (F,) [Hz], for the provenance of a result.

        Steps of none of the ``ports`` of the samples (`Samples.ports`; empty for all) are only named, by the
        notice `LevelCode.IDLE`.
        """
        place = "place" if self._fields() else "port"
        first = LevelCode.UNITS(reading_unit=self.starts_from, response_unit=self.ends_in, place=place)
        used = [s for s in self.steps if not (s.ports and ports) or set(s.ports) & set(ports)]
        idle = [s.name for s in self.steps if s not in used]
        left = (LevelCode.IDLE(steps=", ".join(idle)),) if idle else ()
        last = LevelCode.ANTENNA_FACTOR() if self._fields() else LevelCode.PROBE_GAIN()
        return (first, *(step.sentence(frequency) for step in used), *left, last)


def apply_level(samples: Samples, chain: LevelChain) -> Samples:
    """Responses at the probe's port: readings times the factor of the chain.

    Parameters
    ----------
    samples : Samples
        Readings, in the unit that the chain starts from.
    chain : LevelChain
        What lies between the probe's port and the readings.

    Returns
    -------
    Samples
        The same positions; responses in the unit that the chain ends in. Missing stay missing.

    Raises
    ------
    ValueError
        If the readings are not in the unit that the chain starts from (absolute ones would get
        their level twice), or the chain does not cover a frequency or port.
    """
    if samples.response_unit != chain.starts_from:
        raise InputError(
            f"the responses are {samples.response_unit}, and the chain starts from {chain.starts_from}",
            "let it start from relative and add a step that ties them to watts"
            if samples.response_unit == "relative"
            else "leave the chain out, or let it start from that unit",
        )
    factor = chain.factor(samples.frequency, samples.port)
    return replace(samples, response=samples.response * factor, response_unit=chain.ends_in)
