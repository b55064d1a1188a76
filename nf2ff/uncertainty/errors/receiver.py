"""Errors of the responses: receiver, drift and cables.

Levels are amplitude ratios to the largest response of each frequency. Time factor exp(+jwt): a
longer way is a more negative phase.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.uncertainty.errors.checks import Time, check_time, choose, times, whole
from nf2ff.uncertainty.errors.position import TURNING, Axis
from nf2ff.uncertainty.errors.term import Complex, ErrorTerm, RandomEffect, Real


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SignalTerm(ErrorTerm):
    """An error of the responses."""

    def _changed(
        self, samples: Samples, probe: Probe, rng: np.random.Generator, sign: int
    ) -> tuple[Samples, Probe]:
        response = self._disturbed(samples, probe, rng, sign)
        return replace(samples, response=response), probe

    def _disturbed(self, samples: Samples, probe: Probe, rng: np.random.Generator, sign: int) -> Complex:
        """Responses by the random effects."""
        del probe
        response = samples.response
        for effect in self._effects(samples):
            draws: NDArray[Any] = rng.standard_normal(effect.shape)
            if effect.quantity == "response":
                draws = (draws + 1j * rng.standard_normal(effect.shape)) / np.sqrt(2)
            change = sign * effect.spread(draws)
            if effect.quantity == "phase":
                response = response * np.exp(1j * change)
            elif effect.quantity == "amplitude":
                response = response * (1 + change)
            else:
                response = response + change
        return response


def largest(samples: Samples) -> Real:
    """Magnitude of the largest response of each frequency, (F, 1), missing ones left out."""
    size = np.abs(samples.response)
    return np.max(np.where(np.isnan(size), 0.0, size), axis=1, keepdims=True)


# --- random --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PhaseNoise(SignalTerm):
    """Random phase, independent from sample to sample and frequency to frequency.

    Parameters
    ----------
    rms : float
        Standard deviation [rad].
    """

    rms: float

    name: ClassVar[str] = "phase-noise"
    units: ClassVar[Mapping[str, str]] = {"rms": "rad"}
    sizes: ClassVar[tuple[str, ...]] = ("rms",)
    unsigned: ClassVar[tuple[str, ...]] = ("rms",)
    words: ClassVar[str] = "phase noise, {rms} rms"

    @property
    def random(self) -> bool:
        """Always."""
        return True

    def _effects(self, samples: Samples) -> tuple[RandomEffect, ...]:
        return (_white("phase", np.full(samples.response.shape, self.rms)),)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class AmplitudeNoise(SignalTerm):
    """Random relative amplitude, independent from sample to sample and frequency to frequency.

    Parameters
    ----------
    rms : float
        Standard deviation [relative].
    """

    rms: float

    name: ClassVar[str] = "amplitude-noise"
    units: ClassVar[Mapping[str, str]] = {"rms": "relative"}
    sizes: ClassVar[tuple[str, ...]] = ("rms",)
    unsigned: ClassVar[tuple[str, ...]] = ("rms",)
    words: ClassVar[str] = "amplitude noise, {rms} rms"

    @property
    def random(self) -> bool:
        """Always."""
        return True

    def _effects(self, samples: Samples) -> tuple[RandomEffect, ...]:
        return (_white("amplitude", np.full(samples.response.shape, self.rms)),)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ReceiverNoise(SignalTerm):
    """White complex Gaussian noise of the same power at every sample, relative to the largest.

    Parameters
    ----------
    rms : float
        Root mean square magnitude [level].
    """

    rms: float

    name: ClassVar[str] = "receiver-noise"
    units: ClassVar[Mapping[str, str]] = {"rms": "level"}
    sizes: ClassVar[tuple[str, ...]] = ("rms",)
    unsigned: ClassVar[tuple[str, ...]] = ("rms",)
    words: ClassVar[str] = "white noise of the receiver, {rms}, rms"

    @property
    def random(self) -> bool:
        """Always."""
        return True

    def _effects(self, samples: Samples) -> tuple[RandomEffect, ...]:
        scale = np.broadcast_to(self.rms * largest(samples), samples.response.shape)
        return (_white("response", scale),)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class NoiseFloor(ReceiverNoise):
    """Noise floor of known magnitude: as `ReceiverNoise`, in the unit of the response.

    Parameters
    ----------
    rms : float
        Root mean square magnitude [V/m, sqrt(W) or relative: the unit of the response].
    """

    name: ClassVar[str] = "noise-floor"
    units: ClassVar[Mapping[str, str]] = {"rms": "response"}
    words: ClassVar[str] = "noise floor, {rms} rms"

    def _effects(self, samples: Samples) -> tuple[RandomEffect, ...]:
        return (_white("response", np.full(samples.response.shape, self.rms)),)


def _white(quantity: str, scale: Real) -> RandomEffect:
    return RandomEffect(quantity, scale, np.arange(scale.shape[-1]))


# --- drift ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RandomWalk(SignalTerm):
    """Drift of phase and amplitude as a random walk, common to all frequencies.

    Parameters
    ----------
    phase : float
        Standard deviation of the phase at the last sample against the first [rad].
    amplitude : float
        The same of the amplitude [relative].
    time : (M,) array_like, "rows" or None
        When the samples were taken [s].

    Notes
    -----
    The variance grows in proportion to the time since the first sample (N. Wiener's process,
    closed form).
    """

    phase: float = 0.0
    amplitude: float = 0.0
    time: Time = None

    name: ClassVar[str] = "random-walk"
    units: ClassVar[Mapping[str, str]] = {"phase": "rad", "amplitude": "relative"}
    sizes: ClassVar[tuple[str, ...]] = ("phase", "amplitude")
    unsigned: ClassVar[tuple[str, ...]] = ("phase", "amplitude")
    words: ClassVar[str] = "random walk to {phase} and {amplitude} at the end of the scan, rms"

    def _check(self) -> None:
        object.__setattr__(self, "time", check_time(self.time, self.name))

    @property
    def random(self) -> bool:
        """Always, and not independent from sample to sample."""
        return True

    def check_scan(self, samples: Samples) -> None:
        """Refuse samples without times."""
        times(self.time, samples, self.name)

    def _effects(self, samples: Samples) -> tuple[RandomEffect, ...]:
        when, which = times(self.time, samples, self.name)
        share = np.diff(when, prepend=when[0]) / max(when[-1] - when[0], np.finfo(float).tiny)
        step = np.sqrt(share)
        return tuple(
            RandomEffect(quantity, np.full(which.size, size), which, step)
            for quantity, size in (("phase", self.phase), ("amplitude", self.amplitude))
            if size
        )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ThermalRamp(SignalTerm):
    """Drift of phase and amplitude in proportion to time, the same at all frequencies.

    Parameters
    ----------
    phase : float
        Phase of the last sample against the first [rad].
    amplitude : float
        The same of the amplitude [relative].
    time : (M,) array_like, "rows" or None
        When the samples were taken [s].
    """

    phase: float = 0.0
    amplitude: float = 0.0
    time: Time = None

    name: ClassVar[str] = "thermal-ramp"
    units: ClassVar[Mapping[str, str]] = {"phase": "rad", "amplitude": "relative"}
    sizes: ClassVar[tuple[str, ...]] = ("phase", "amplitude")
    words: ClassVar[str] = "steady drift by {phase} and {amplitude} over the scan"

    def _check(self) -> None:
        object.__setattr__(self, "time", check_time(self.time, self.name))

    def check_scan(self, samples: Samples) -> None:
        """Refuse samples without times."""
        times(self.time, samples, self.name)

    def _disturbed(self, samples: Samples, probe: Probe, rng: np.random.Generator, sign: int) -> Complex:
        del probe, rng
        when, which = times(self.time, samples, self.name)
        share = ((when - when[0]) / max(when[-1] - when[0], np.finfo(float).tiny))[which]
        factor = (1 + sign * self.amplitude * share) * np.exp(1j * sign * self.phase * share)
        return samples.response * factor


# --- cables and receiver -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CableFlexing(SignalTerm):
    """Phase that follows the angle of an axis whose motion bends a cable.

    Parameters
    ----------
    amplitude : float
        Largest phase [rad].
    axis : {"theta", "phi", "chi"}
        The axis.
    start : float
        Angle at which the phase passes zero, counted backwards [rad].

    Notes
    -----
    Phase = amplitude sin(angle + start), the same at all frequencies.
    """

    amplitude: float
    axis: Axis
    start: float = 0.0
    distribution: str = "arcsine"

    name: ClassVar[str] = "cable-flexing"
    units: ClassVar[Mapping[str, str]] = {"amplitude": "rad", "start": "rad"}
    sizes: ClassVar[tuple[str, ...]] = ("amplitude",)
    unsigned: ClassVar[tuple[str, ...]] = ("amplitude",)
    polar: ClassVar[tuple[str, str] | None] = ("amplitude", "start")
    words: ClassVar[str] = "phase of a cable by {amplitude} with the angle of {axis}"

    def _check(self) -> None:
        choose(self.axis, TURNING, f"{self.name}: axis")

    def _disturbed(self, samples: Samples, probe: Probe, rng: np.random.Generator, sign: int) -> Complex:
        del probe, rng
        phase = self.amplitude * np.sin(getattr(samples, self.axis) + self.start)
        return samples.response * np.exp(1j * sign * phase)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Compression(SignalTerm):
    """Gain of the receiver that falls with the level.

    Parameters
    ----------
    loss : float
        Loss of the largest response, at most 1/3; negative where the gain rises [relative].

    Notes
    -----
    w (1 - loss |w|^2 / |w|_max^2): the first term of odd order (closed form). Beyond a third a
    stronger signal would give a weaker response.
    """

    loss: float

    name: ClassVar[str] = "compression"
    units: ClassVar[Mapping[str, str]] = {"loss": "relative"}
    sizes: ClassVar[tuple[str, ...]] = ("loss",)
    words: ClassVar[str] = "compression of the largest response by {loss}"

    def _check(self) -> None:
        if self.loss > 1 / 3:
            raise InputError(
                f"{self.name}: loss is {self.loss:g}, expected at most 1/3, beyond which a "
                "stronger signal gives a weaker response",
                "reduce the level at the receiver",
            )

    def _disturbed(self, samples: Samples, probe: Probe, rng: np.random.Generator, sign: int) -> Complex:
        del probe, rng
        top = largest(samples)
        share = np.abs(samples.response) / np.where(top > 0, top, 1.0)
        return samples.response * (1 - sign * self.loss * share**2)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Leakage(SignalTerm):
    """A constant vector on all responses: leakage and crosstalk.

    Parameters
    ----------
    level : float
        Its magnitude [level].
    phase : float
        Its phase [rad].
    """

    level: float
    phase: float = 0.0
    distribution: str = "arcsine"

    name: ClassVar[str] = "leakage"
    units: ClassVar[Mapping[str, str]] = {"level": "level", "phase": "rad"}
    sizes: ClassVar[tuple[str, ...]] = ("level",)
    unsigned: ClassVar[tuple[str, ...]] = ("level",)
    polar: ClassVar[tuple[str, str] | None] = ("level", "phase")
    words: ClassVar[str] = "leakage, {level}"

    def _disturbed(self, samples: Samples, probe: Probe, rng: np.random.Generator, sign: int) -> Complex:
        del probe, rng
        vector = sign * self.level * np.exp(1j * self.phase)
        return samples.response + vector * largest(samples)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ChannelImbalance(SignalTerm):
    """One port, or one position of chi, is received with another gain than the rest.

    Parameters
    ----------
    amplitude : float
        Its amplitude against the rest [relative].
    phase : float
        Its phase against the rest [rad].
    between : {"ports", "chi"}
        Whether it is a port, or the samples with chi nearer to +-90 deg than to 0 or 180 deg.
    port : int
        That port, counted from 1.
    """

    amplitude: float = 0.0
    phase: float = 0.0
    between: Literal["ports", "chi"] = "ports"
    port: int = 2

    name: ClassVar[str] = "channel-imbalance"
    units: ClassVar[Mapping[str, str]] = {"amplitude": "relative", "phase": "rad"}
    sizes: ClassVar[tuple[str, ...]] = ("amplitude", "phase")
    words: ClassVar[str] = "imbalance between {between} by {amplitude} and {phase}"

    def _check(self) -> None:
        choose(self.between, ("ports", "chi"), f"{self.name}: between")
        object.__setattr__(self, "port", whole(self.port, f"{self.name}: port"))

    def check_scan(self, samples: Samples) -> None:
        """Refuse samples that have no two channels."""
        other = self._other(samples)
        if other.all() or not other.any():
            if self.between == "ports":
                msg = (
                    f"{self.name} compares port {self.port} with others, the samples have "
                    f"port {', '.join(map(str, samples.ports()))} only: name one of several "
                    "ports, or set between = 'chi'"
                )
            else:
                msg = (
                    f"{self.name} compares samples at chi near 0 with those near 90 deg, the "
                    "samples have only one of them: set between = 'ports'"
                )
            raise InputError(msg)

    def _other(self, samples: Samples) -> NDArray[np.bool_]:
        if self.between == "ports":
            return samples.port == self.port
        return np.abs(np.sin(samples.chi)) > np.abs(np.cos(samples.chi))

    def _disturbed(self, samples: Samples, probe: Probe, rng: np.random.Generator, sign: int) -> Complex:
        del probe, rng
        factor = (1 + sign * self.amplitude) * np.exp(1j * sign * self.phase)
        return samples.response * np.where(self._other(samples), factor, 1.0)
