"""Time that a scan takes, reading by reading, for the point sets that support a degree.

Polarisations are either switched at each position, or a probe of one polarisation is turned between two
passes, the second of which goes the way of the first backwards.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.points import (
    PointSet,
    constant_density,
    constant_rate_spiral_for_degree,
    equal_area_spiral_for_degree,
    largest_gap,
)
from nf2ff.messages.input_error import InputError
from nf2ff.planning.axes import Positioner, Receiver
from nf2ff.planning.degree import scan_grid

Real = NDArray[np.float64]

#: Positions for each pair of degree and order, on sets that are not grids: few steps of the solver.
OVERSAMPLING = 1.5
#: Test directions in the search for the largest gap.
_RESOLUTION = 50_000


@dataclass(frozen=True, slots=True, eq=False)
class Schedule:
    """A scan with the times of its readings.

    Parameters
    ----------
    name : str
        Which point set.
    positions : int
        Positions M, each of which is read in two polarisations.
    time : (2M,) ndarray
        Start of each reading of one polarisation (all its beams and frequencies) [s].
    theta, phi, chi : (2M,) ndarray
        Where the axes are then [rad]; phi is not reduced to one turn.
    duration : float
        From the first motion to the last [s].
    gap : float
        Angular radius of the largest circle without a position [rad].
    overtravel : (float, float)
        How far theta and phi move beyond their first and last positions to start and stop [rad].
    speed : float
        Of the axis that moves fastest while readings are taken [rad/s]; none where all is read at rest.
    impossible : str
        Why the axes cannot do it; empty if they can.
    """

    name: str
    positions: int
    time: Real
    theta: Real
    phi: Real
    chi: Real
    duration: float
    gap: float
    overtravel: tuple[float, float] = (0.0, 0.0)
    speed: float = 0.0
    impossible: str = ""

    @property
    def turns(self) -> float:
        """Turns of the phi axis between its extreme positions."""
        return float(np.ptp(self.phi)) / (2 * math.pi)


#: Names of the sets.
GRID, SWEPT, SPIRAL, EQUAL_AREA, DENSITY = NAMES = (
    "grid",
    "swept-grid",
    "constant-rate-spiral",
    "equal-area-spiral",
    "constant-density",
)
#: What the names mean.
WORDS = {
    GRID: "grid, stop and go",
    SWEPT: "grid, swept on the fly",
    SPIRAL: "spiral of two axes at constant rate",
    EQUAL_AREA: "equal-area spiral, stop and go",
    DENSITY: "constant density, stop and go",
}


def schedule(name: str, degree: int, positioner: Positioner, receiver: Receiver) -> Schedule:
    """Schedule of one point set that supports a degree, by its name in `NAMES`.

    Parameters
    ----------
    name : str
        One of `NAMES`.
    degree : int
        Degree N.
    positioner : Positioner
        The axes.
    receiver : Receiver
        The receiver.

    Returns
    -------
    Schedule
        Positions and times of all readings.

    Raises
    ------
    ValueError
        If there is no such set.
    """
    makers: dict[str, Callable[[int, Positioner, Receiver], Schedule]] = {
        GRID: _grid,
        SWEPT: _swept_grid,
        SPIRAL: _spiral,
        EQUAL_AREA: _equal_area,
        DENSITY: _constant_density,
    }
    if name not in makers:
        raise InputError(f"scan is {name!r}, expected one of {', '.join(NAMES)}")
    return _within_travel(makers[name](degree, positioner, receiver), positioner)


def schedules(degree: int, positioner: Positioner, receiver: Receiver) -> list[Schedule]:
    """All point sets side by side.

    Parameters
    ----------
    degree, positioner, receiver
        As in `schedule`.

    Returns
    -------
    list of Schedule
        One for each of `NAMES`.
    """
    return [schedule(name, degree, positioner, receiver) for name in NAMES]


def _within_travel(made: Schedule, positioner: Positioner) -> Schedule:
    """Say where an axis would have to turn farther than it can."""
    axes = (("theta", positioner.theta, made.theta), ("phi", positioner.phi, made.phi))
    for (word, axis, angle), beyond in zip(axes, made.overtravel, strict=True):
        turns = (float(np.ptp(angle[made.chi == 0])) + 2 * beyond) / (2 * math.pi)
        if turns > axis.turns * (1 + 1e-9):
            why = f"{word} would turn {turns:.3g} times, and can {axis.turns:.3g}"
            return replace(made, impossible=why)
    return made


# --- stop and go -----------------------------------------------------------------------------------


def _grid_path(degree: int, inner: str) -> tuple[Real, Real]:
    """Positions of the grid ring by ring (phi is the inner axis) or meridian by meridian, to and fro."""
    grid = scan_grid(degree)
    outer_angle, inner_angle = (grid.theta, grid.phi) if inner == "phi" else (grid.phi, grid.theta)
    fast = np.tile(inner_angle, (outer_angle.size, 1))
    fast[1::2] = fast[1::2, ::-1]
    slow = np.repeat(outer_angle, inner_angle.size)
    return (slow, fast.ravel()) if inner == "phi" else (fast.ravel(), slow)


def _grid(degree: int, positioner: Positioner, receiver: Receiver) -> Schedule:
    both = [_stepped(GRID, *_grid_path(degree, inner), positioner, receiver) for inner in ("phi", "theta")]
    return min(both, key=lambda made: made.duration)


def _equal_area(degree: int, positioner: Positioner, receiver: Receiver) -> Schedule:
    points = equal_area_spiral_for_degree(degree, oversampling=OVERSAMPLING)
    return _stepped(EQUAL_AREA, points.theta, np.unwrap(points.phi), positioner, receiver)


def _constant_density(degree: int, positioner: Positioner, receiver: Receiver) -> Schedule:
    points = constant_density(math.ceil(OVERSAMPLING * degree * (degree + 2)))
    order = _by_bands(points)
    return _stepped(DENSITY, points.theta[order], points.phi[order], positioner, receiver)


def _by_bands(points: PointSet) -> NDArray[np.intp]:
    """Order in bands one mean step high, to and fro: as they come, phi would turn by 137 deg each time."""
    band = np.floor(points.theta / math.sqrt(4 * math.pi / points.count)).astype(int)
    return np.lexsort((np.where(band % 2, -points.phi, points.phi), band))


def _stepped(name: str, theta: Real, phi: Real, positioner: Positioner, receiver: Receiver) -> Schedule:
    """Both axes move at once, and everything is read at rest."""
    switched = positioner.chi is None
    dwell, rearm = receiver.dwell(switched=switched), receiver.rearm(switched=switched)
    moves = np.maximum(positioner.theta.stop_time(np.diff(theta)), positioner.phi.stop_time(np.diff(phi)))
    steps = dwell + np.maximum(moves, rearm)
    start = np.concatenate([[0.0], np.cumsum(steps)])
    end = float(start[-1]) + dwell
    gap = largest_gap(theta, phi, resolution=_RESOLUTION)
    if switched:
        second = receiver.one_polarisation + receiver.polarisation_switch
        time = np.stack([start, start + second], axis=1).ravel()
        chi = np.tile([0.0, math.pi / 2], theta.size)
        both = np.repeat(theta, 2), np.repeat(phi, 2)
        return Schedule(name, theta.size, time, *both, chi, end, gap)
    again = end + _turn(positioner, receiver)
    back = again + (start[-1] - start[::-1])
    time = np.concatenate([start, back])
    chi = np.repeat([0.0, math.pi / 2], theta.size)
    there_and_back = np.concatenate([theta, theta[::-1]]), np.concatenate([phi, phi[::-1]])
    return Schedule(name, theta.size, time, *there_and_back, chi, again + end, gap)


def _turn(positioner: Positioner, receiver: Receiver) -> float:
    """Time to turn the probe by 90 deg, and to come back to the first beam [s]."""
    assert positioner.chi is not None
    return max(float(positioner.chi.stop_time(math.pi / 2)), receiver.rearm(switched=False))


# --- on the fly ------------------------------------------------------------------------------------


def _swept_grid(degree: int, positioner: Positioner, receiver: Receiver) -> Schedule:
    both = [_swept(degree, inner, positioner, receiver) for inner in ("phi", "theta")]
    return min(both, key=lambda made: made.duration)


def _swept(degree: int, inner: str, positioner: Positioner, receiver: Receiver) -> Schedule:
    """One axis runs over its positions at constant speed, the other moves on between the runs.

    A run ends when its last reading does, beyond the last position; the next begins there, backwards.
    """
    grid = scan_grid(degree)
    rings, fast, slow = (
        (grid.theta, positioner.phi, positioner.theta)
        if inner == "phi"
        else (grid.phi, positioner.theta, positioner.phi)
    )
    angle = grid.phi if inner == "phi" else grid.theta
    switched = positioner.chi is None
    dwell = receiver.dwell(switched=switched)
    cycle = dwell + receiver.rearm(switched=switched)
    step = float(angle[1] - angle[0])
    speed = min(fast.speed, step / cycle)
    ramp, beat = speed / fast.acceleration, step / speed
    between = max(float(slow.stop_time(rings[1] - rings[0])), cycle - dwell)
    runs = rings.size if switched else 2 * rings.size
    # Of the first run, whose start is free, and of the others.
    length = 2 * ramp + (angle.size - 1) * beat + dwell
    pause = np.full(runs, between)
    pause[0] = 0.0
    if not switched:
        pause[rings.size] = _turn(positioner, receiver)
    run_start = np.cumsum(np.concatenate([[0.0], np.full(runs - 1, length + dwell)]) + pause)
    # All but the first come back over what the last reading took.
    run_start[1:] -= dwell
    first = run_start + ramp
    first[1:] += dwell
    time = first[:, None] + beat * np.arange(angle.size)
    backwards = np.arange(runs) % 2 == 1
    at = np.where(backwards[:, None], angle[::-1], angle)
    order = np.arange(rings.size)
    ring = rings[order if switched else np.concatenate([order, order[::-1]])]
    outer = np.repeat(ring, angle.size)
    direction = np.repeat(np.where(backwards, -1.0, 1.0), angle.size)
    duration = float(run_start[-1]) + length + (dwell if runs > 1 else 0.0)
    time, at = time.ravel(), at.ravel()
    if switched:
        second = receiver.one_polarisation + receiver.polarisation_switch
        time = np.stack([time, time + second], axis=1).ravel()
        at = np.stack([at, at + direction * speed * second], axis=1).ravel()
        outer = np.repeat(outer, 2)
        chi = np.tile([0.0, math.pi / 2], time.size // 2)
    else:
        chi = np.repeat([0.0, math.pi / 2], time.size // 2)
    theta, phi = (outer, at) if inner == "phi" else (at, outer)
    gap = largest_gap(
        np.repeat(grid.theta, grid.phi.size), np.tile(grid.phi, grid.theta.size), resolution=_RESOLUTION
    )
    beyond = speed * (dwell + ramp / 2)
    ends = (0.0, beyond) if inner == "phi" else (beyond, 0.0)
    count = grid.theta.size * grid.phi.size
    return Schedule(SWEPT, count, time, theta, phi, chi, duration, gap, ends, speed)


def _spiral(degree: int, positioner: Positioner, receiver: Receiver) -> Schedule:
    """Both axes turn at constant rates, taken up before the first position, kept until after the last."""
    switched = positioner.chi is None
    dwell = receiver.dwell(switched=switched)
    points = constant_rate_spiral_for_degree(
        degree,
        theta_speed=positioner.theta.speed,
        phi_speed=positioner.phi.speed,
        sample_time=dwell + receiver.rearm(switched=switched),
    )
    run = points.duration
    assert run is not None
    theta, turns = points.theta, 2 * (degree + 4)
    rates = math.pi / run, turns * math.pi / run
    ramp = max(
        rate / axis.acceleration for rate, axis in zip(rates, (positioner.theta, positioner.phi), strict=True)
    )
    start = ramp + run * np.arange(points.count) / (points.count - 1)
    end = 2 * ramp + run + dwell
    ends = rates[0] * (dwell + ramp / 2), rates[1] * (dwell + ramp / 2)
    gap = largest_gap(theta, points.phi, resolution=_RESOLUTION)
    if switched:
        second = receiver.one_polarisation + receiver.polarisation_switch
        time = np.stack([start, start + second], axis=1).ravel()
        at = np.stack([theta, theta + rates[0] * second], axis=1).ravel()
        chi = np.tile([0.0, math.pi / 2], points.count)
        return Schedule(SPIRAL, points.count, time, at, turns * at, chi, end, gap, ends, max(rates))
    again = end + _turn(positioner, receiver)
    # The way back begins where the last reading had ended.
    time = np.concatenate([start, again + dwell + start])
    at = np.concatenate([theta, theta[::-1]])
    chi = np.repeat([0.0, math.pi / 2], points.count)
    return Schedule(
        SPIRAL, points.count, time, at, turns * at, chi, again + dwell + end, gap, ends, max(rates)
    )
