"""What moves and what reads in a scan: axes with speed and acceleration, and a receiver."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.messages.input_error import InputError

Real = NDArray[np.float64]


def _check(noun: object, names: tuple[str, ...], *, zero: bool = False) -> None:
    for name in names:
        value = getattr(noun, name)
        if not (value >= 0 if zero else value > 0) or math.isnan(value):
            raise InputError(f"{name} is {value:g}, expected a number {'of at least' if zero else 'above'} 0")


@dataclass(frozen=True, slots=True)
class Axis:
    """An axis that starts and stops with constant acceleration.

    Parameters
    ----------
    speed : float
        Highest speed [rad/s].
    acceleration : float
        Of start and of stop [rad/s^2].
    settling : float
        Time after a stop before anything is read [s].
    turns : float
        Full turns from one end of its travel to the other.
    """

    speed: float
    acceleration: float
    settling: float = 0.0
    turns: float = math.inf

    def __post_init__(self) -> None:
        _check(self, ("speed", "acceleration", "turns"))
        _check(self, ("settling",), zero=True)
        if math.isinf(self.speed) or math.isinf(self.acceleration) or math.isinf(self.settling):
            raise InputError("speed, acceleration or settling is infinite, expected finite numbers")

    def stop_time(self, angle: ArrayLike) -> Real:
        """Time from rest to rest over ``angle`` [rad] and to settle; none where it does not move [s]."""
        way = np.abs(np.asarray(angle, dtype=float))
        ramp = self.speed**2 / self.acceleration
        moving = np.where(way < ramp, 2 * np.sqrt(way / self.acceleration), (way + ramp) / self.speed)
        return np.where(way > 0, moving + self.settling, 0.0)


@dataclass(frozen=True, slots=True)
class Positioner:
    """Axes of a spherical scan.

    Parameters
    ----------
    theta, phi : Axis
        Axes that lead the probe, or the antenna, over the sphere.
    chi : Axis, optional
        Axis that turns a probe of one polarisation; None where a switch changes the polarisation.
    """

    theta: Axis
    phi: Axis
    chi: Axis | None = None


@dataclass(frozen=True, slots=True)
class Receiver:
    """Times of reading.

    Parameters
    ----------
    sweep : float
        All frequencies, for one polarisation and one beam [s].
    beams : int
        Beams of the device, one after the other at each position.
    beam_switch : float
        From one beam to the next, or back to the first [s].
    polarisation_switch : float
        From one polarisation to the other [s]; not used with an axis chi.
    """

    sweep: float
    beams: int = 1
    beam_switch: float = 0.0
    polarisation_switch: float = 0.0

    def __post_init__(self) -> None:
        _check(self, ("sweep",))
        _check(self, ("beam_switch", "polarisation_switch"), zero=True)
        if self.beams < 1:
            raise InputError(f"beams is {self.beams}, expected at least 1")

    @property
    def one_polarisation(self) -> float:
        """All beams of one polarisation [s]."""
        return self.beams * self.sweep + (self.beams - 1) * self.beam_switch

    def dwell(self, *, switched: bool) -> float:
        """All that is read at a position [s]: both polarisations where they are switched."""
        one = self.one_polarisation
        return 2 * one + self.polarisation_switch if switched else one

    def rearm(self, *, switched: bool) -> float:
        """Back to the first polarisation and beam [s], which may be done while axes move."""
        beams = self.beam_switch if self.beams > 1 else 0.0
        return max(beams, self.polarisation_switch) if switched else beams
