"""Errors of one axis of the positioner: where the probe truly was, against what was recorded.

Coordinates are taken as the readings of the axes. A scan through the pole whose negative theta was
recorded as positive, with phi half a turn on, says that the phi axis went there.
"""

from __future__ import annotations

from abc import abstractmethod
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.solver.positions import different_positions
from nf2ff.uncertainty.errors.error_term import ErrorTerm, RandomEffect, Real, Rng, Scan
from nf2ff.uncertainty.errors.fields import choice, count, error_term, flag, number, size

Axis = Literal["theta", "phi", "chi", "radius"]
AXES: tuple[Axis, ...] = ("theta", "phi", "chi", "radius")
Recorded = Literal["commanded", "read-back"]
RECORDED: tuple[Recorded, ...] = ("commanded", "read-back")
#: Those that are angles.
TURNING: tuple[Axis, ...] = ("theta", "phi", "chi")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PositionTerm(ErrorTerm):
    """An error of the positions."""

    kind = "position"
    moves_record = True

    def displace(self, samples: Samples, rng: Rng = None, *, sign: int = 1) -> Samples:
        """The samples at displaced positions, their responses as they were.

        Parameters, and errors raised, are those of `truth`: the positions are the true ones, at
        which a simulation has to take place; with sign -1 those to which the record of a measured
        scan is moved. theta is in [-pi, pi]: beyond a pole it goes on from the other side.
        """
        return self._act(samples, None, rng, sign)[0]  # type: ignore[arg-type]

    def _changed(self, samples: Samples, probe: Probe, rng: Generator, sign: int) -> Scan:
        moved = self._moved(samples, rng, sign)
        theta, phi, chi, radius = (moved.get(axis, getattr(samples, axis)) for axis in AXES)
        if "radius" in moved and not radius.min() > 0:
            raise InputError(
                f"{self.name} moves a sample to the distance {radius.min():.6g} m", "reduce its size"
            )
        # Ry has the period 2 pi, so that this is the same position and the same probe.
        if "theta" in moved and max(theta.max(), -theta.min()) > np.pi:
            theta = np.where(np.abs(theta) > np.pi, theta - 2 * np.pi * np.sign(theta), theta)
        columns = {"theta": theta, "phi": phi, "chi": chi, "radius": radius}
        return samples.changed(**{axis: columns[axis] for axis in moved if axis in columns}), probe

    @abstractmethod
    def _moved(self, samples: Samples, rng: Generator, sign: int) -> dict[str, Real]:
        """New coordinates, of those axes that the error displaces."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RandomPositionTerm(PositionTerm):
    """Axes displaced by draws, each by itself."""

    def _moved(self, samples: Samples, rng: Generator, sign: int) -> dict[str, Real]:
        drawn = {effect.quantity: effect.drawn(rng) for effect in self._effects(samples)}
        return {axis: getattr(samples, axis) + sign * drawn[axis] for axis in drawn}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ShiftTerm(PositionTerm):
    """Axes displaced by what their positions and times tell, each by itself."""

    def _moved(self, samples: Samples, rng: Generator, sign: int) -> dict[str, Real]:
        del rng
        shift = self._shift(samples)
        return {axis: getattr(samples, axis) + sign * shift[axis] for axis in shift}

    @abstractmethod
    def _shift(self, samples: Samples) -> dict[str, Real]:
        """Shift of each coordinate that is displaced."""


@error_term("position-noise", "random error of {axis}, {rms} rms")
class PositionNoise(RandomPositionTerm):
    """Random error of one axis, independent from sample to sample."""

    axis: Axis = choice(AXES, "The axis")
    rms: float = size("axis", "Standard deviation", signed=False)
    together: bool = flag("Whether samples of several ports at one place share the error", default=True)

    def _effects(self, samples: Samples) -> tuple[RandomEffect, ...]:
        total = samples.port.size
        group = _taken_at_once(samples) if self.together else slice(None)
        return (RandomEffect(self.axis, np.full(total, self.rms), group),)


@error_term("axis-zero", "zero of {axis} off by {offset}")
class AxisZero(ShiftTerm):
    """Offset of an axis: true reading = recorded + offset."""

    axis: Axis = choice(AXES, 'The axis; for "radius" the error of the distance')
    offset: float = size("axis", "The offset")

    def _shift(self, samples: Samples) -> dict[str, Real]:
        del samples
        return {self.axis: np.asarray(self.offset)}


@error_term("encoder-steps", "{axis} in steps of {step}, {recorded} positions recorded")
class EncoderSteps(RandomPositionTerm):
    """An axis known in steps only: the true position is the multiple of the step nearest to that
    commanded, or differs from the one read back at random by up to half a step, from sample to sample.
    """

    axis: Axis = choice(AXES, "The axis")
    step: float = size("axis", "The step", signed=False)
    recorded: Recorded = choice(RECORDED, "What the record holds", default=RECORDED[0])
    uncertain = False

    @property
    def random(self) -> bool:
        """Where the encoder's reading was recorded."""
        return self.recorded == "read-back"

    def _effects(self, samples: Samples) -> tuple[RandomEffect, ...]:
        if not self.random:
            return ()
        scale = np.full(samples.port.size, self.step / np.sqrt(12))
        group = _taken_at_once(samples)
        return (RandomEffect(self.axis, scale, group, distribution="rectangular"),)

    def _moved(self, samples: Samples, rng: Generator, sign: int) -> dict[str, Real]:
        if self.random:
            return RandomPositionTerm._moved(self, samples, rng, sign)  # super() knows no class with slots
        value = getattr(samples, self.axis)
        return {self.axis: value + sign * (self.step * np.round(value / self.step) - value)}


@error_term("wobble", "{axis} wobbles by {amplitude}, {order} times a turn of {of}")
class Wobble(ShiftTerm):
    """Error amplitude sin(order x angle + phase) of one axis, by the angle of an axis."""

    axis: Axis = choice(AXES, "The coordinate that is displaced")
    of: Axis = choice(TURNING, "The axis that turns")
    amplitude: float = size("axis", "Largest displacement", signed=False, phase="phase")
    order: int = count("Periods in one turn", default=1)
    phase: float = number("rad", "Phase", default=0.0)
    distribution: str = "arcsine"

    def _shift(self, samples: Samples) -> dict[str, Real]:
        angle = self.order * getattr(samples, self.of) + self.phase
        return {self.axis: self.amplitude * np.sin(angle)}


@error_term("arm-sag", "sag of the arm by {angle} where level, {stretch} along where upright")
class ArmSag(ShiftTerm):
    """Sag of an arm that carries the probe around the theta axis, by its elevation.

    Notes
    -----
    theta + angle sin(theta - upright), radius - stretch cos(theta - upright): the bending moment
    of the weight and the force along the arm (closed form for a stiff drive). The slope of the bent
    arm, which tilts the probe, is left out.
    """

    angle: float = size("rad", "Sag of the level arm, as the angle by which theta is too large", default=0.0)
    stretch: float = size("m", "Lengthening of the arm hanging down, shortening upright", default=0.0)
    upright: float = number("rad", "theta of the upright arm: 0 if the phi axis is vertical", default=0.0)

    def _shift(self, samples: Samples) -> dict[str, Real]:
        elevation = samples.theta - self.upright
        return {"theta": self.angle * np.sin(elevation), "radius": -self.stretch * np.cos(elevation)}


def _taken_at_once(samples: Samples) -> NDArray[np.intp] | slice:
    """Number of the draw of each sample (M,), or all: one for samples of several ports at one place.

    The first sample of a port at a place belongs to the first of another port there, the second
    to the second.
    """
    total = samples.port.size
    if len(samples.ports()) == 1:
        return slice(None)
    columns = [row for axis in AXES for row in np.atleast_2d(getattr(samples, axis))]
    _, place = different_positions(*columns)
    order = np.lexsort((samples.port, place))
    new = np.append(True, (np.diff(place[order]) != 0) | (np.diff(samples.port[order]) != 0))
    visit = np.empty(total, dtype=np.intp)
    visit[order] = np.arange(total) - np.maximum.accumulate(np.where(new, np.arange(total), 0))
    return np.unique(place * total + visit, return_inverse=True)[1]
