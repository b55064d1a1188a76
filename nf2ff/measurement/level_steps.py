"""Steps that set the level, each with its value over frequency.

Factors are those of exp(+jwt): a longer line gives a more negative phase.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import ClassVar, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.kernel.frequency_table import (
    MAX_TURN,
    FrequencyTable,
    as_table,
    check_name,
    level_table,
    reflection_table,
    span_words,
)
from nf2ff.messages.input_error import InputError

Complex = NDArray[np.complex128]
StepKind = Literal[
    "loss",
    "attenuator",
    "amplifier",
    "channel",
    "receiver",
    "receiver-power",
    "transmission",
    "antenna-factor",
]
StepUnit = Literal["dB", "dBm", "dB(1/m)"]

#: What the interpolation of a reflection coefficient may do to the level, as
#: `FrequencyTable.doubt` has it, which is 4 to 16 times too careful (a choice of ours) [dB].
MAX_DOUBT_DB = 0.05
#: Load that antenna factors refer to [ohm]: that of nearly all receivers and certificates.
LOAD = 50.0
#: Factor that goes with a value of 0, by its unit: 1/2 |w|^2 of 1 mW; V = w sqrt(R), so that both
#: 1/2 |w|^2 and 1/2 |V|^2 / R are the power.
_AT_ZERO: dict[StepUnit, float] = {"dB": 1.0, "dBm": float(np.sqrt(2e-3)), "dB(1/m)": float(np.sqrt(LOAD))}


class KindOfStep(NamedTuple):
    """What a kind of step means: the sign and range of its value, its unit, its place."""

    sign: int
    least: float
    most: float
    unit: StepUnit
    words: str
    has_phase: bool = False
    ties: bool = False
    gives_field: bool = False


#: Ranges are wide enough for any chain and catch values in the wrong unit (choices of ours).
KINDS: dict[str, KindOfStep] = {
    "loss": KindOfStep(1, 0, 200, "dB", "loss"),
    "attenuator": KindOfStep(1, 0, 200, "dB", "attenuation"),
    "amplifier": KindOfStep(-1, -50, 150, "dB", "gain"),
    "channel": KindOfStep(-1, -60, 60, "dB", "response of the channel", has_phase=True),
    "receiver": KindOfStep(1, -300, 300, "dB", "wave in sqrt(W) over reading", has_phase=True, ties=True),
    "receiver-power": KindOfStep(1, -300, 150, "dBm", "power at a reading of 1", ties=True),
    "transmission": KindOfStep(1, -150, 100, "dBm", "power into the antenna's port", ties=True),
    "antenna-factor": KindOfStep(1, -60, 120, "dB(1/m)", "antenna factor", gives_field=True),
}


@dataclass(frozen=True, slots=True, eq=False)
class LevelStep:
    """One step between the probe's port and the recorded number, as level and phase.

    Parameters
    ----------
    kind : str
        "loss" (cable, switch) and "attenuator": value in dB, positive; "amplifier": gain in dB; "channel":
        amplitude and phase of a port's channel relative to the other ports', which are taken out; "receiver":
        20 log10 of the wave at the receiver's port in sqrt(W) over the reading, and its phase;
        "receiver-power": power in dBm into the receiver's port that gives a reading of magnitude 1 (0 dB);
        "transmission": the readings are transmission coefficients S21 between antenna port and probe port,
        see Notes; "antenna-factor": field strength over the voltage at a load of `LOAD`, of a probe that is
        taken for ideal.
    name : str
        What it is, for reports.
    value_db : FrequencyTable or float
        Value, in dB, dBm or dB(1/m) by ``kind``.
    phase : FrequencyTable or float
        Phase of "channel" and "receiver", 0 for other kinds [rad].
    ports : sequence of int
        Ports of the probe it belongs to; none stands for all.

    Raises
    ------
    ValueError
        If the kind is unknown, a value is out of range, or a phase is given to a kind without.

    Notes
    -----
    Transmission, of passive antennas measured with a network analyser: S21 = w/v with v the wave into one
    port and w that out of the other (power waves, K. Kurokawa, IEEE Trans. MTT 13(2), 194-202, 1965, from
    memory). For P_in watts, 1/2 |v|^2 = P_in, so the response is w = S21 sqrt(2 P_in). Either may transmit
    where both antennas are reciprocal: S12 = S21. P_in is the power incident on the antenna's port: EIRP over
    it is the realised gain. If S21 was calibrated at planes before the two ports, the way from there to the
    ports is a loss.

    Antenna factor (ANSI C63.5, from memory): AF = E/V, E the field of a plane wave from the boresight,
    co-polar, where the probe's reference point is, V the voltage at its port into a matched load R. A probe
    of realised gain G takes G lambda^2/(4 pi) |E|^2/(2 Z0) = |V|^2/(2R) of it: AF = sqrt(4 pi Z0/(G
    R))/lambda (closed form), 9.73/(lambda sqrt(G)) at 50 ohm. With it responses are fields [V/m], those of
    the ideal field probe: right for a probe that is small, or far away, as nothing of its pattern is
    corrected. The factor must be that of free space, not one over a ground plane.
    """

    kind: StepKind
    name: str
    value_db: FrequencyTable
    phase: FrequencyTable = 0.0  # type: ignore[assignment]
    ports: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise InputError(f"kind is {self.kind!r}, expected one of {', '.join(KINDS)}")
        check_name(self.name)
        kind, phase = KINDS[self.kind], as_table(self.phase)
        value = level_table(
            self.value_db, least=kind.least, most=kind.most, name=self._label(), unit=kind.unit
        )
        if np.iscomplexobj(phase.values) or (np.any(phase.values) and not kind.has_phase):
            having = " and ".join(k for k, x in KINDS.items() if x.has_phase)
            raise InputError(f"phase of {self.name!r} must be real, and 0 except for {having} [rad]")
        object.__setattr__(self, "value_db", value)
        object.__setattr__(self, "phase", replace(phase, values=np.unwrap(phase.values)))
        object.__setattr__(self, "ports", _check_ports(self.ports, self.name))

    @property
    def ties(self) -> bool:
        """Whether it ties readings to watts."""
        return KINDS[self.kind].ties

    @property
    def gives_field(self) -> bool:
        """Whether it makes fields of waves."""
        return KINDS[self.kind].gives_field

    def factor(self, frequency: ArrayLike) -> Complex:
        """Factor on the readings that takes this step out of them, (F,).

        Raises
        ------
        ValueError
            If a frequency is outside the table, or its phase too coarse to interpolate.
        """
        kind = KINDS[self.kind]
        f = np.atleast_1d(np.asarray(frequency, dtype=float))
        level = self.value_db.at(f, name=self._label())
        phase = self.phase.at(f, name=f"phase of {self.name!r}")
        turn = np.abs(np.diff(self.phase.values))[self.phase.between(f)]
        if turn.size and turn.max() > MAX_TURN:
            raise InputError(
                f"phase of {self.name!r} turns by {np.degrees(turn.max()):.4g} deg from one point "
                f"of its table to the next, more than {np.degrees(MAX_TURN):z.0f}",
                "give it at the frequencies of the scan or in finer steps",
            )
        turned = np.exp(kind.sign * (level * np.log(10) / 20 + 1j * phase))
        return np.asarray(_AT_ZERO[kind.unit] * turned)

    def _label(self) -> str:
        return f"{KINDS[self.kind].words} of {self.name!r}"

    def sentence(self, frequency: ArrayLike) -> str:
        """What the step is at ``frequency`` (F,) [Hz], for the provenance of a result."""
        kind, f = KINDS[self.kind], np.asarray(frequency, dtype=float)
        value = self.value_db.at(f, name=self._label())
        span = span_words(value, kind.unit, f)
        text = f"{self.name}: {kind.words} {span} ({self.value_db.origin()})"
        if kind.has_phase and np.any(self.phase.values):
            turned = np.degrees(self.phase.at(f, name=f"phase of {self.name!r}"))
            text += f", phase {span_words(turned, 'deg', f)} ({self.phase.origin()})"
        return text + _port_words(self.ports)


@dataclass(frozen=True, slots=True, eq=False)
class MismatchStep:
    """Multiple reflections at one junction of the chain.

    Parameters
    ----------
    name : str
        What it is, for reports.
    probe : FrequencyTable or complex
        Reflection coefficient, linear, seen from the junction towards the probe.
    receiver : FrequencyTable or complex
        The same towards the receiver.
    ports : sequence of int
        Ports of the probe it belongs to; none stands for all.

    Raises
    ------
    ValueError
        If a reflection coefficient is not below 1 in magnitude.

    Notes
    -----
    The probe's wave w is what it would give to a matched load. Towards a receiver that reflects, a = w +
    Gamma_p b and b = Gamma_r a, hence w = (1 - Gamma_p Gamma_r) a: in power the mismatch factor |1 - Gamma_p
    Gamma_r|^2 (closed form). So the receiver's calibration must refer to the wave incident on it. One that
    shows the power it absorbs has 1 - |Gamma_r|^2 in its own factor.
    """

    name: str
    probe: FrequencyTable
    receiver: FrequencyTable
    ports: tuple[int, ...] = ()
    ties: ClassVar[bool] = False
    gives_field: ClassVar[bool] = False

    def __post_init__(self) -> None:
        check_name(self.name)
        for side in ("probe", "receiver"):
            label = f"reflection towards the {side} of {self.name!r}"
            object.__setattr__(self, side, reflection_table(getattr(self, side), name=label))
        object.__setattr__(self, "ports", _check_ports(self.ports, self.name))

    def factor(self, frequency: ArrayLike) -> Complex:
        """Factor 1 - Gamma_p Gamma_r on the readings, (F,).

        Raises
        ------
        ValueError
            If a frequency is outside a table, or too far from its points to be told.
        """
        f = np.atleast_1d(np.asarray(frequency, dtype=float))
        probe, receiver = (
            table.at(f, name=f"reflection towards the {side} of {self.name!r}")
            for side, table in (("probe", self.probe), ("receiver", self.receiver))
        )
        factor = np.asarray(1 - probe * receiver, dtype=complex)
        off = np.abs(receiver) * self.probe.doubt(f) + np.abs(probe) * self.receiver.doubt(f)
        wrong = 20 / np.log(10) * off / np.abs(factor)
        worst = int(np.argmax(wrong))
        if wrong[worst] > MAX_DOUBT_DB:
            raise InputError(
                f"reflection of {self.name!r} cannot be determined at {f[worst] / 1e9:.9g} GHz from the "
                f"points of its table, the level may be off by {wrong[worst]:.2g} dB there, more "
                f"than {MAX_DOUBT_DB:g}",
                "give it at the frequencies of the scan or in finer steps, with phases of exp(+jwt)",
            )
        return factor

    def sentence(self, frequency: ArrayLike) -> str:
        """What the step is at ``frequency`` (F,) [Hz], for the provenance of a result."""
        f = np.asarray(frequency, dtype=float)
        level = 20 * np.log10(np.abs(self.factor(f)))
        return (
            f"{self.name}: mismatch factor {span_words(level, 'dB', f)} (reflection coefficients: "
            f"{self.probe.origin()}; {self.receiver.origin()})" + _port_words(self.ports)
        )


def _port_words(ports: tuple[int, ...]) -> str:
    if not ports:
        return ""
    return f", port{'s' if len(ports) > 1 else ''} {', '.join(map(str, ports))}"


def _check_ports(ports: Sequence[int], name: str) -> tuple[int, ...]:
    if not all(int(p) == p and p >= 1 for p in ports) or len(set(ports)) != len(ports):
        raise InputError(f"ports of {name!r} are {tuple(ports)}, expected different numbers from 1")
    return tuple(int(p) for p in ports)
