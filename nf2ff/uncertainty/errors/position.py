"""Errors of one axis of the positioner: where the probe truly was, against what was recorded.

Coordinates are taken as the readings of the axes. A scan through the pole whose negative theta was
recorded as positive, with phi half a turn on, says that the phi axis went there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.solver.positions import different_positions
from nf2ff.uncertainty.errors.checks import choose, whole
from nf2ff.uncertainty.errors.term import ErrorTerm, Kind, RandomEffect, Real, Rng

Axis = Literal["theta", "phi", "chi", "radius"]
AXES: tuple[Axis, ...] = ("theta", "phi", "chi", "radius")
#: Those that are angles.
TURNING: tuple[Axis, ...] = ("theta", "phi", "chi")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PositionTerm(ErrorTerm):
    """An error of the positions."""

    kind: ClassVar[Kind] = "position"
    moves_record: ClassVar[bool] = True

    def displace(self, samples: Samples, rng: Rng = None, *, sign: int = 1) -> Samples:
        """The samples at displaced positions, their responses as they were.

        Parameters
        ----------
        samples : Samples
            Recorded positions.
        rng : int, Generator or None
            Seed or generator.
        sign : {1, -1}
            1 for the true positions, at which a simulation has to take place; -1 for the
            opposite displacement, by which the record of a measured scan is moved.

        Returns
        -------
        Samples
            theta in [-pi, pi]: beyond a pole it goes on from the other side.

        Raises
        ------
        ValueError
            If the samples cannot have this error, or a distance is no longer positive.
        """
        return self._act(samples, None, rng, sign)[0]  # type: ignore[arg-type]

    def _changed(
        self, samples: Samples, probe: Probe, rng: np.random.Generator, sign: int
    ) -> tuple[Samples, Probe]:
        moved = self._moved(samples, rng, sign)
        theta, phi, chi, radius = (moved.get(axis, getattr(samples, axis)) for axis in AXES)
        if not radius.min() > 0:
            raise InputError(
                f"{self.name} moves a sample to the distance {radius.min():.6g} m", "reduce its size"
            )
        # Ry has the period 2 pi, so that this is the same position and the same probe.
        over = np.abs(theta) > np.pi
        theta = np.where(over, theta - 2 * np.pi * np.sign(theta), theta)
        return replace(samples, theta=theta, phi=phi, chi=chi, radius=radius), probe

    def _moved(self, samples: Samples, rng: np.random.Generator, sign: int) -> dict[str, Real]:
        """New coordinates: by default the old ones and the shift of each."""
        shift = self._shift(samples, rng)
        return {axis: getattr(samples, axis) + sign * shift[axis] for axis in shift}

    def _shift(self, samples: Samples, rng: np.random.Generator) -> dict[str, Real]:
        """Shift of the coordinates that are displaced by themselves."""
        del samples, rng
        return {}


# --- one axis ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PositionNoise(PositionTerm):
    """Random error of one axis, independent from sample to sample.

    Parameters
    ----------
    axis : {"theta", "phi", "chi", "radius"}
        The axis.
    rms : float
        Standard deviation [rad; m for "radius"].
    together : bool
        Whether samples that differ in nothing but the port have the same error: they were taken
        at once.
    """

    axis: Axis
    rms: float
    together: bool = True

    name: ClassVar[str] = "position-noise"
    units: ClassVar[Mapping[str, str]] = {"rms": "axis"}
    sizes: ClassVar[tuple[str, ...]] = ("rms",)
    unsigned: ClassVar[tuple[str, ...]] = ("rms",)
    words: ClassVar[str] = "random error of {axis}, {rms} rms"

    def _check(self) -> None:
        choose(self.axis, AXES, f"{self.name}: axis")

    @property
    def random(self) -> bool:
        """Always."""
        return True

    def _effects(self, samples: Samples) -> tuple[RandomEffect, ...]:
        count = samples.port.size
        group = _taken_at_once(samples) if self.together else np.arange(count)
        return (RandomEffect(self.axis, np.full(count, self.rms), group),)

    def _shift(self, samples: Samples, rng: np.random.Generator) -> dict[str, Real]:
        (effect,) = self._effects(samples)
        return {self.axis: effect.spread(rng.standard_normal(effect.shape))}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class AxisZero(PositionTerm):
    """Offset of an axis: true reading = recorded + offset.

    Parameters
    ----------
    axis : {"theta", "phi", "chi", "radius"}
        The axis; for "radius" the error of the distance.
    offset : float
        The offset [rad; m for "radius"].
    """

    axis: Axis
    offset: float

    name: ClassVar[str] = "axis-zero"
    units: ClassVar[Mapping[str, str]] = {"offset": "axis"}
    sizes: ClassVar[tuple[str, ...]] = ("offset",)
    words: ClassVar[str] = "zero of {axis} off by {offset}"

    def _check(self) -> None:
        choose(self.axis, AXES, f"{self.name}: axis")

    def _shift(self, samples: Samples, rng: np.random.Generator) -> dict[str, Real]:
        del samples, rng
        return {self.axis: np.asarray(self.offset)}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class EncoderSteps(PositionTerm):
    """An axis known in steps only.

    Parameters
    ----------
    axis : {"theta", "phi", "chi", "radius"}
        The axis.
    step : float
        The step [rad; m for "radius"].
    recorded : {"commanded", "read-back"}
        Whether the record holds the positions asked for, of which the true ones are the nearest
        multiple of the step; or the encoder's reading, from which the true ones differ at random by
        up to half a step, independently from sample to sample.
    """

    axis: Axis
    step: float
    recorded: Literal["commanded", "read-back"] = "commanded"

    name: ClassVar[str] = "encoder-steps"
    units: ClassVar[Mapping[str, str]] = {"step": "axis"}
    sizes: ClassVar[tuple[str, ...]] = ("step",)
    unsigned: ClassVar[tuple[str, ...]] = ("step",)
    uncertain: ClassVar[bool] = False
    words: ClassVar[str] = "{axis} in steps of {step}, {recorded} positions recorded"

    def _check(self) -> None:
        choose(self.axis, AXES, f"{self.name}: axis")
        choose(self.recorded, ("commanded", "read-back"), f"{self.name}: recorded")

    @property
    def random(self) -> bool:
        """Where the encoder's reading was recorded."""
        return self.recorded == "read-back"

    def _effects(self, samples: Samples) -> tuple[RandomEffect, ...]:
        if not self.random:
            return ()
        scale = np.full(samples.port.size, self.step / np.sqrt(12))
        return (RandomEffect(self.axis, scale, _taken_at_once(samples)),)

    def _shift(self, samples: Samples, rng: np.random.Generator) -> dict[str, Real]:
        if self.random:
            (effect,) = self._effects(samples)
            return {self.axis: effect.spread(rng.uniform(-np.sqrt(3), np.sqrt(3), effect.shape))}
        value = getattr(samples, self.axis)
        return {self.axis: self.step * np.round(value / self.step) - value}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Wobble(PositionTerm):
    """Error of one axis that repeats with the angle of an axis.

    Parameters
    ----------
    axis : {"theta", "phi", "chi", "radius"}
        The coordinate that is displaced.
    of : {"theta", "phi", "chi"}
        The axis that turns.
    amplitude : float
        Largest displacement [rad; m for "radius"].
    order : int
        Periods in one turn.
    phase : float
        Phase [rad].

    Notes
    -----
    Displacement = amplitude sin(order x angle + phase).
    """

    axis: Axis
    of: Axis
    amplitude: float
    order: int = 1
    phase: float = 0.0
    distribution: str = "arcsine"

    name: ClassVar[str] = "wobble"
    units: ClassVar[Mapping[str, str]] = {"amplitude": "axis", "phase": "rad"}
    sizes: ClassVar[tuple[str, ...]] = ("amplitude",)
    unsigned: ClassVar[tuple[str, ...]] = ("amplitude",)
    polar: ClassVar[tuple[str, str] | None] = ("amplitude", "phase")
    words: ClassVar[str] = "{axis} wobbles by {amplitude}, {order} times a turn of {of}"

    def _check(self) -> None:
        choose(self.axis, AXES, f"{self.name}: axis")
        choose(self.of, TURNING, f"{self.name}: of")
        object.__setattr__(self, "order", whole(self.order, f"{self.name}: order"))

    def _shift(self, samples: Samples, rng: np.random.Generator) -> dict[str, Real]:
        del rng
        angle = self.order * getattr(samples, self.of) + self.phase
        return {self.axis: self.amplitude * np.sin(angle)}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ArmSag(PositionTerm):
    """Sag of an arm that carries the probe around the theta axis, by its elevation.

    Parameters
    ----------
    angle : float
        Sag of the level arm, as the angle by which theta is too large [rad].
    stretch : float
        Lengthening of the arm that hangs down, shortening of the one that stands upright [m].
    upright : float
        theta at which the arm stands upright: 0 where the phi axis is vertical [rad].

    Notes
    -----
    theta + angle sin(theta - upright), radius - stretch cos(theta - upright): the bending moment
    of the weight and the force along the arm (closed form for a stiff drive). The slope of the bent
    arm, which tilts the probe, is left out.
    """

    angle: float = 0.0
    stretch: float = 0.0
    upright: float = 0.0

    name: ClassVar[str] = "arm-sag"
    units: ClassVar[Mapping[str, str]] = {"angle": "rad", "stretch": "m", "upright": "rad"}
    sizes: ClassVar[tuple[str, ...]] = ("angle", "stretch")
    words: ClassVar[str] = "sag of the arm by {angle} where level, {stretch} along where upright"

    def _shift(self, samples: Samples, rng: np.random.Generator) -> dict[str, Real]:
        del rng
        elevation = samples.theta - self.upright
        return {"theta": self.angle * np.sin(elevation), "radius": -self.stretch * np.cos(elevation)}


def _taken_at_once(samples: Samples) -> NDArray[np.intp]:
    """Number of the draw of each sample (M,): one for samples of several ports at one place.

    The first sample of a port at a place belongs to the first of another port there, the second
    to the second.
    """
    count = samples.port.size
    if len(samples.ports()) == 1:
        return np.arange(count)
    columns = [row for axis in AXES for row in np.atleast_2d(getattr(samples, axis))]
    _, place = different_positions(*columns)
    order = np.lexsort((samples.port, place))
    new = np.append(True, (np.diff(place[order]) != 0) | (np.diff(samples.port[order]) != 0))
    visit = np.empty(count, dtype=np.intp)
    visit[order] = np.arange(count) - np.maximum.accumulate(np.where(new, np.arange(count), 0))
    return np.unique(place * count + visit, return_inverse=True)[1]
