"""Errors between the axes of the positioner, and of axes in motion.

A sample's probe stands in the antenna's frame at Rz(phi) Ry(theta) [A z^] and is turned by Rz(phi)
Ry(theta) Rz(chi): a chain of axes, phi, theta, the distance A and chi, whichever of antenna and
probe moves. An error between two axes is put into the chain as what it is, a shift or a rotation,
and the position that results is turned back into coordinates without approximation.

Samples hold where the probe is and how it is turned about the line to the origin. What a shift
leaves besides, a tilt of the probe by at most shift over distance, they cannot hold: it brings in
that much of the radial field, and of the slope of the probe's pattern.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from nf2ff.kernel.arrays import in_rows
from nf2ff.kernel.sphere import unit_vectors
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.uncertainty.errors.checks import Time, smooth_basis
from nf2ff.uncertainty.errors.error_term import RandomEffect, Real
from nf2ff.uncertainty.errors.fields import choice, count, error_term, number, size, when
from nf2ff.uncertainty.errors.position import AXES, Axis, PositionTerm, RandomPositionTerm, ShiftTerm

Between = Literal["phi-theta", "theta-chi"]
BETWEEN: tuple[Between, ...] = ("phi-theta", "theta-chi")
#: Neighbours in time further apart than this times the median belong to no common sweep: the way
#: back to the start of a line, a pause (a choice of ours).
LONGEST_STEP = 1.5
#: Where times are not known, the same of a move larger than this times all of so many on each side:
#: two ports read at one place leave every other move at zero, and moves of an even spiral grow by
#: less than half from one to the next (a choice of ours).
MAX_MOVE, NEAR = 2.0, 3


@error_term("axes-apart", "theta axis shifted against the phi axis by {x}, {y}, {z}")
class AxesSeparation(PositionTerm):
    """The theta axis, and all it carries, is shifted against the phi axis: the position is
    Rz(phi) [(x, y, z) + Ry(theta) A z^], the probe's axes as they were.
    """

    x: float = size("m", "By which the axes miss each other", default=0.0)
    y: float = size("m", "Along the theta axis, by which the line of sight misses the phi axis", default=0.0)
    z: float = size("m", "Along the phi axis, the height of the antenna's origin", default=0.0)

    def _moved(self, samples: Samples, rng: Generator, sign: int) -> dict[str, Real]:
        del rng
        # In the frame that turns with phi the shift stands still.
        cos, sin = np.cos(samples.theta), np.sin(samples.theta)
        x, aside, z = (np.asarray(sign * v) for v in (self.x, self.y, self.z))
        ahead, up = samples.radius * sin + x, samples.radius * cos + z
        side, level = _side(ahead), _level(ahead, aside)
        radius = np.sqrt(level**2 + up**2)
        # Times level and radius: -sin(turn) (cos(theta) + cos(theta')), and cos(turn) (1 + cos(theta)
        # cos(theta')) + sin(theta) sin(theta').
        twist = np.arctan2(
            -side * aside * (cos * radius + up), side * (ahead * (radius + cos * up) + sin * level**2)
        )
        twist[level == 0] = 0.0
        theta, turn = _angles(ahead, aside, up)
        return {"theta": theta, "phi": samples.phi + turn, "chi": samples.chi + twist, "radius": radius}


@error_term("axes-not-square", "axes {between} off the right angle by {angle}")
class AxesSkew(PositionTerm):
    """Two axes that follow each other are not at right angles: Rz(phi) Rx(angle) Ry(theta) ... or
    ... Ry(theta) Rx(angle) [A z^], Rz(chi).
    """

    angle: float = size("rad", "By which they are not, about the x axis of the frame between the two")
    between: Between = choice(BETWEEN, "The axes; that of chi is the line of sight", default=BETWEEN[0])

    def _moved(self, samples: Samples, rng: Generator, sign: int) -> dict[str, Real]:
        del rng
        cos, sin = np.cos(samples.theta), np.sin(samples.theta)
        c, s = math.cos(sign * self.angle), math.sin(sign * self.angle)
        # Of the rotation Rx(angle) Ry(theta), or Ry(theta) Rx(angle), the last column, where the probe goes,
        # and of the last row, which has its turn, what is left and right of it.
        if self.between == "phi-theta":
            (ahead, aside, up), row = (sin, -s * cos, c * cos), (-c * sin, np.asarray(s))
        else:
            (ahead, aside, up), row = (c * sin, np.asarray(-s), c * cos), (-sin, s * cos)
        theta, turn = _angles(ahead, aside, up)
        side = _side(ahead)
        twist = np.arctan2(side * row[1], -side * row[0])
        return {"theta": theta, "phi": samples.phi + turn, "chi": samples.chi + twist}


def _side(ahead: Real) -> Real:
    """On which side of the pole theta goes on."""
    return np.asarray(1.0 - 2.0 * (ahead < 0))


def _level(ahead: Real, aside: Real) -> Real:
    """Distance from the axis of phi; of lengths near 1, several times faster than numpy's `hypot`."""
    return np.sqrt(ahead * ahead + aside * aside)


def _angles(ahead: Real, aside: Real, up: Real) -> tuple[Real, Real]:
    """theta with its sign, through the poles, and change of phi, within a quarter turn, of a position in the
    frame that turns with phi."""
    side = _side(ahead)
    return np.arctan2(side * _level(ahead, aside), up), np.arctan2(side * aside, side * ahead)


def probe_axes(theta: Real, phi: Real, chi: Real) -> tuple[Real, Real, Real]:
    """Outward direction and the two axes across it that turn with chi, each (..., 3)."""
    theta, phi, chi = np.broadcast_arrays(theta, phi, chi)
    outward, across, along = unit_vectors(theta, phi)
    cos, sin = np.cos(chi)[..., None], np.sin(chi)[..., None]
    return outward, across * cos + along * sin, along * cos - across * sin


def coordinates(samples: Samples, position: Real, x: Real, y: Real) -> dict[str, Real]:
    """Coordinates of positions (..., 3), and chi of a probe with the axes ``x`` and ``y``.

    They go on steadily from the recorded ones: phi within a quarter turn, theta through the poles
    with its sign. chi is the twist about the outward direction in the rotation of the probe, which
    then is the twist after the shortest swing of that direction (closed form).
    """
    px, py, pz = in_rows(np.moveaxis(position, -1, 0))
    cos, sin = np.cos(samples.phi), np.sin(samples.phi)
    theta, turn = _angles(px * cos + py * sin, py * cos - px * sin, pz)
    phi = samples.phi + turn
    _, across, along = unit_vectors(theta, phi)
    twist = np.arctan2(np.sum(x * along - y * across, axis=-1), np.sum(x * across + y * along, axis=-1))
    chi = samples.chi + _shorter(twist - samples.chi)
    return {"theta": theta, "phi": phi, "chi": chi, "radius": np.linalg.norm(position, axis=-1)}


def _shorter(angle: Real) -> Real:
    """The same angle within half a turn of zero."""
    return np.asarray(angle - 2 * np.pi * np.round(angle / (2 * np.pi)))


@error_term("backlash", "play of {axis}, {width} from side to side")
class Backlash(ShiftTerm):
    """Play of an axis: it trails by half the play on either side, by the direction of motion.

    Notes
    -----
    True position = recorded - width/2 where the last move was upwards, + width/2 where it was
    downwards. Before the first move the direction is taken from that. phi and chi are taken to move
    the shorter way round.
    """

    axis: Axis = choice(AXES, "The axis")
    width: float = size("axis", "The whole play", signed=False)
    time: Time = when(default=None)
    still: float = number("axis", "Moves up to this are scatter of the record", default=1e-9, signed=False)

    def _shift(self, samples: Samples) -> dict[str, Real]:
        _, which = self._times(samples)
        step = _moves(getattr(samples, self.axis), self.axis, which)
        towards = np.where(np.abs(step) > self.still, np.sign(step), 0.0)
        moved = np.flatnonzero(towards)
        if not moved.size:
            return {self.axis: np.zeros(which.size)}
        # Number of moves before each time; before the first one that one counts.
        before = np.maximum(np.cumsum(np.append(0, towards != 0)), 1)
        return {self.axis: -0.5 * self.width * towards[moved[before - 1]][which]}


@error_term("timing-lag", "responses read {lag} after the positions in motion")
class TimingLag(ShiftTerm):
    """Axes move on between the reading of the position and that of the response.

    Notes
    -----
    Speed: from the samples before and after, or from one of them where the other is more than 1.5
    median time steps away and thus not of the same sweep; zero where both are. Rows without times
    tell nothing of a pause: there a move of more than twice those near it is none of the sweep,
    but a way back to the start of a line. phi and chi are taken to move the shorter way round.
    """

    lag: float = size("s", "Time from the one to the other: true position = recorded + speed x lag")
    axes: tuple[Axis, ...] = choice(AXES, "Axes that move while samples are taken", several=True)
    time: Time = when(default=None)
    interval: float = number("s", 'From row to row where ``time`` is "rows"', default=0.0, signed=False)

    def check_scan(self, samples: Samples) -> None:
        """Refuse samples without times, or rows without an interval."""
        self._times(samples)
        if isinstance(self.time, str) and not self.interval > 0:
            raise InputError(
                f"{self.name} needs the speed, which the order of the rows does not tell",
                "give interval, the time from one row to the next [s]",
            )

    def _shift(self, samples: Samples) -> dict[str, Real]:
        when, which = self._times(samples)
        rows = isinstance(self.time, str)
        gap = np.diff(when) * (self.interval if rows else 1.0)
        even = gap <= LONGEST_STEP * np.median(gap) if gap.size else gap > 0
        shift: dict[str, Real] = {}
        for axis in self.axes:
            step = _moves(getattr(samples, axis), axis, which)
            same = ~_ways_back(step) if rows else even
            span = _both_sides(np.where(same, gap, 0.0))
            speed = _both_sides(np.where(same, step, 0.0)) / np.where(span > 0, span, 1.0)
            shift[axis] = self.lag * speed[which]
        return shift


@error_term("wander", "{axis} wanders by {rms}, rms, over {intervals} intervals")
class AxisWander(RandomPositionTerm):
    """Smooth error of one axis about its mean over the time of the scan, as that of `SlowDrift`."""

    axis: Axis = choice(AXES, "The axis")
    rms: float = size("axis", "Standard deviation", signed=False)
    intervals: int = count("Intervals of the spline, from the first sample to the last", default=12)
    time: Time = when(default=None)

    def _effects(self, samples: Samples) -> tuple[RandomEffect, ...]:
        times, which = self._times(samples)
        basis = smooth_basis(times, self.intervals)
        return (RandomEffect(self.axis, np.full(which.size, self.rms), which, basis=basis),)


def _ways_back(step: Real) -> NDArray[np.bool_]:
    """Which moves (K - 1,) are much larger than all of those near them."""
    if step.size < 2:
        return np.zeros(step.size, dtype=bool)
    around = np.pad(np.abs(step), NEAR)
    windows = np.lib.stride_tricks.sliding_window_view(around, 2 * NEAR + 1)
    return np.abs(step) > MAX_MOVE * np.delete(windows, NEAR, axis=1).max(axis=1)


def _both_sides(step: Real) -> Real:
    """Sum of the step to (K - 1,) and of that from each of K samples."""
    return np.append(step, 0.0) + np.append(0.0, step)


def _moves(value: Real, axis: str, which: NDArray[np.intp]) -> Real:
    """Moves (K - 1,) of an axis from one time to the next; samples (M,) or (F, M) of it."""
    row = np.atleast_2d(value)[0]
    first = np.empty(which.max() + 1, dtype=np.intp)
    first[which[::-1]] = np.arange(which.size)[::-1]
    step = np.diff(row[first])
    return _shorter(step) if axis in ("phi", "chi") else step
