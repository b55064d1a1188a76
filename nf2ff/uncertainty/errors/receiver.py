"""Errors of the responses: receiver, drift and cables.

Levels are amplitude ratios to the largest response of each frequency. Time factor exp(+jwt): a
longer way is a more negative phase.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.uncertainty.errors.checks import Time, smooth_basis
from nf2ff.uncertainty.errors.error_term import Complex, ErrorTerm, RandomEffect, Real, Scan
from nf2ff.uncertainty.errors.fields import choice, count, error_term, number, size, when
from nf2ff.uncertainty.errors.position import TURNING, Axis

Rngs = Sequence[Generator]
Channels = Literal["ports", "chi"]
CHANNELS: tuple[Channels, ...] = ("ports", "chi")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SignalTerm(ErrorTerm):
    """An error of the responses."""

    def _changed(self, samples: Samples, probe: Probe, rng: Generator, sign: int) -> Scan:
        if self.random:
            response = disturbed(samples.response[None], [self._effects(samples)], [rng], sign)[0]
        else:
            response = samples.response * self._factor(samples, sign) + sign * self._added(samples, probe)
        return samples.changed(response=response), probe

    def apply_each(
        self, terms: Sequence[ErrorTerm], samples: Samples, probe: Probe, responses: Complex, rngs: Rngs
    ) -> Complex:
        """Responses (D, F, M) of several draws with the error, which in each is one of the ``terms``."""
        if not self.random:
            pairs = zip(terms, responses, strict=True)
            return np.stack([t.apply(samples.changed(response=w), probe)[0].response for t, w in pairs])
        if not any(getattr(self, field) for field in self.sizes):
            return responses
        # Those without a level act alike whatever the responses.
        level = "level" in self.units.values()
        scans = [samples.changed(response=w) for w in responses] if level else [samples]
        each = [self.effects(scan) for scan in scans]
        return disturbed(responses, each if level else each * len(rngs), rngs)

    def _factor(self, samples: Samples, sign: int) -> Any:
        """By which a systematic error multiplies the responses."""
        del samples, sign
        return 1.0

    def _added(self, samples: Samples, probe: Probe) -> Any:
        """What a systematic error adds to them."""
        del samples, probe
        return 0.0


def disturbed(
    responses: Complex, each: Sequence[tuple[RandomEffect, ...]], rngs: Rngs, sign: int = 1
) -> Complex:
    """Responses (D, F, M) with random effects, those of each draw by a generator of its own."""
    for effects in zip(*each, strict=True):
        effect = effects[0]
        draws = effect.unit_draws(rngs)
        if any(other is not effect for other in effects):
            effect = replace(effect, scale=np.stack([other.scale for other in effects]))
        change = sign * effect.spread(draws)
        if change.ndim == 2:  # common to all frequencies
            change = change[:, None]
        if effect.quantity == "phase":
            # Named: a large one without a name is overwritten, and products in place are rounded otherwise.
            turn = _turn(change)
            responses = responses * turn
        elif effect.quantity == "amplitude":
            responses = responses * (1 + change)
        else:
            responses = responses + change
    return responses


def _turn(phase: Real) -> Complex:
    """exp(j phase), by functions that are three times faster than that of complex numbers."""
    turn = np.empty(phase.shape, dtype=complex)
    np.cos(phase, out=turn.real)
    np.sin(phase, out=turn.imag)
    return turn


def largest(samples: Samples) -> Real:
    """Magnitude of the largest response of each frequency, (F, 1), missing ones left out."""
    w = samples.response
    return np.asarray(np.sqrt(np.fmax.reduce(w.real**2 + w.imag**2, axis=1, keepdims=True, initial=0.0)))


# --- random --------------------------------------------------------------------------------------


@error_term("phase-noise", "phase noise, {rms} rms")
class PhaseNoise(SignalTerm):
    """Random phase, independent from sample to sample and frequency to frequency."""

    rms: float = size("rad", "Standard deviation", signed=False)

    def _effects(self, samples: Samples) -> tuple[RandomEffect, ...]:
        return _white("phase", self.rms, samples)


@error_term("amplitude-noise", "amplitude noise, {rms} rms")
class AmplitudeNoise(SignalTerm):
    """Random relative amplitude, independent from sample to sample and frequency to frequency."""

    rms: float = size("relative", "Standard deviation", signed=False)

    def _effects(self, samples: Samples) -> tuple[RandomEffect, ...]:
        return _white("amplitude", self.rms, samples)


@error_term("receiver-noise", "white noise of the receiver, {rms}, rms")
class ReceiverNoise(SignalTerm):
    """White complex Gaussian noise of the same power at every sample, relative to the largest."""

    rms: float = size("level", "Root mean square magnitude", signed=False)

    def _effects(self, samples: Samples) -> tuple[RandomEffect, ...]:
        return _white("response", self.rms * largest(samples), samples)


@error_term("noise-floor", "noise floor, {rms} rms")
class NoiseFloor(SignalTerm):
    """Noise floor of known magnitude: as `ReceiverNoise`, in the unit of the response."""

    rms: float = size("response", "Root mean square magnitude", signed=False)

    def _effects(self, samples: Samples) -> tuple[RandomEffect, ...]:
        return _white("response", self.rms, samples)


def _white(quantity: str, rms: float | Real, samples: Samples) -> tuple[RandomEffect, ...]:
    """A draw for each sample and frequency."""
    scale = np.broadcast_to(rms, samples.response.shape)
    return (RandomEffect(quantity, scale, slice(None)),)


# --- drift ---------------------------------------------------------------------------------------


@error_term("random-walk", "random walk to {phase} and {amplitude} at the end of the scan, rms")
class RandomWalk(SignalTerm):
    """Drift of phase and amplitude, common to all frequencies, whose variance grows in proportion to
    the time since the first sample (N. Wiener's process, closed form).
    """

    phase: float = size("rad", "Standard deviation at the last sample", default=0.0, signed=False)
    amplitude: float = size("relative", "The same of the amplitude", default=0.0, signed=False)
    time: Time = when(default=None)

    def _effects(self, samples: Samples) -> tuple[RandomEffect, ...]:
        times, which = self._times(samples)
        step = np.sqrt(np.diff(times, prepend=times[0]) / _duration(times))
        return tuple(
            RandomEffect(quantity, np.full(which.size, rms), which, step)
            for quantity, rms in (("phase", self.phase), ("amplitude", self.amplitude))
            if rms
        )


@error_term("slow-drift", "slow drift of {phase} and {amplitude}, rms, over {intervals} intervals")
class SlowDrift(SignalTerm):
    """Smooth drift of phase and amplitude about their mean, the same at all frequencies: a cubic spline
    with independent coefficients.
    """

    phase: float = size("rad", "Standard deviation", default=0.0, signed=False)
    amplitude: float = size("relative", "The same of the amplitude", default=0.0, signed=False)
    intervals: int = count("Intervals of the spline, from the first sample to the last", default=12)
    time: Time = when(default=None)

    def _effects(self, samples: Samples) -> tuple[RandomEffect, ...]:
        times, which = self._times(samples)
        basis = smooth_basis(times, self.intervals)
        return tuple(
            RandomEffect(quantity, np.full(which.size, rms), which, basis=basis)
            for quantity, rms in (("phase", self.phase), ("amplitude", self.amplitude))
            if rms
        )


@error_term("thermal-ramp", "steady drift by {phase} and {amplitude} over the scan")
class ThermalRamp(SignalTerm):
    """Drift of phase and amplitude in proportion to time, the same at all frequencies."""

    phase: float = size("rad", "Phase of the last sample against the first", default=0.0)
    amplitude: float = size("relative", "The same of the amplitude", default=0.0)
    time: Time = when(default=None)

    def _factor(self, samples: Samples, sign: int) -> Real:
        times, which = self._times(samples)
        share = ((times - times[0]) / _duration(times))[which]
        return (1 + sign * self.amplitude * share) * np.exp(1j * sign * self.phase * share)


def _duration(times: Real) -> float:
    """From the first to the last, never zero."""
    return float(max(times[-1] - times[0], np.finfo(float).tiny))


# --- cables and receiver -------------------------------------------------------------------------


@error_term("cable-flexing", "phase of a cable by {amplitude} with the angle of {axis}")
class CableFlexing(SignalTerm):
    """Phase amplitude sin(angle + start) of a cable that an axis bends, the same at all frequencies."""

    amplitude: float = size("rad", "Largest phase", signed=False, phase="start")
    axis: Axis = choice(TURNING, "The axis")
    start: float = number("rad", "Angle at which the phase passes zero, counted backwards", default=0.0)
    distribution: str = "arcsine"

    def _factor(self, samples: Samples, sign: int) -> Complex:
        phase = self.amplitude * np.sin(getattr(samples, self.axis) + self.start)
        return np.exp(1j * sign * phase)


def _check_loss(loss: float, label: str) -> None:
    if loss > 1 / 3:
        raise InputError(
            f"{label} is {loss:g}, expected at most 1/3, beyond which a stronger signal gives a weaker "
            "response",
            "reduce the level at the receiver",
        )


@error_term("compression", "compression of the largest response by {loss}")
class Compression(SignalTerm):
    """Gain of the receiver that falls with the level.

    Notes
    -----
    w (1 - loss |w|^2 / |w|_max^2): the first term of odd order (closed form). Beyond a third a
    stronger signal would give a weaker response.
    """

    loss: float = size("relative", "Loss of the largest response, negative for a gain", limits=_check_loss)

    def _factor(self, samples: Samples, sign: int) -> Real:
        top = largest(samples)
        share = np.abs(samples.response) / np.where(top > 0, top, 1.0)
        return 1 - sign * self.loss * share**2


@error_term("leakage", "leakage, {level}")
class Leakage(SignalTerm):
    """A constant vector on all responses: leakage and crosstalk."""

    level: float = size("level", "Its magnitude", signed=False, phase="phase")
    phase: float = number("rad", "Its phase", default=0.0)
    distribution: str = "arcsine"

    def _added(self, samples: Samples, probe: Probe) -> Complex:
        del probe
        return self.level * np.exp(1j * self.phase) * largest(samples)


@error_term("channel-imbalance", "imbalance between {between} by {amplitude} and {phase}")
class ChannelImbalance(SignalTerm):
    """One port is received with another gain than the rest, or so are all samples with chi nearer to
    +-90 deg than to 0 or 180 deg.
    """

    amplitude: float = size("relative", "Its amplitude against the rest", default=0.0)
    phase: float = size("rad", "Its phase against the rest", default=0.0)
    between: Channels = choice(CHANNELS, "Whether it is a port or a position of chi", default=CHANNELS[0])
    port: int = count("That port, counted from 1", default=2)

    def check_scan(self, samples: Samples) -> None:
        """Refuse samples that have no two channels."""
        other = self._other(samples)
        if other.any() and not other.all():
            return
        if self.between == "ports":
            ports = ", ".join(map(str, samples.ports()))
            what = f"port {self.port} with others, the samples have port {ports} only"
            raise InputError(
                f"{self.name} compares {what}", "name one of several ports, or set between = 'chi'"
            )
        what = "samples at chi near 0 with those near 90 deg, the samples have only one of them"
        raise InputError(f"{self.name} compares {what}", "set between = 'ports'")

    def _other(self, samples: Samples) -> NDArray[np.bool_]:
        if self.between == "ports":
            return samples.port == self.port
        return np.abs(np.sin(samples.chi)) > np.abs(np.cos(samples.chi))

    def _factor(self, samples: Samples, sign: int) -> Complex:
        factor = (1 + sign * self.amplitude) * np.exp(1j * sign * self.phase)
        return np.where(self._other(samples), factor, 1.0)
