"""An array that makes a plane wave nearby, the fields of its elements, and how flat the wave is.

Elements lie in the plane z = 0 and radiate to +z, each the scalar field cos^q(theta) exp(-jkR)/R: mutual
coupling and polarisation are left out. The zone lies about (0, 0, distance). A design is to be judged
with the errors of its elements, not without: weights that fight each other make a flatter wave until
they are set (`expected_error_db`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.modes import wavenumber
from nf2ff.kernel.arrays import as_array
from nf2ff.messages.input_error import InputError
from nf2ff.ranges.zone import Zone

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Numbers in one matrix of element fields at most, 1.6 GB.
MOST_NUMBERS = 100_000_000


@dataclass(frozen=True, slots=True, eq=False)
class PlaneWaveArray:
    """Elements in the plane z = 0, and the channel that feeds each.

    Parameters
    ----------
    position : (E, 3) array_like
        Places of the elements [m].
    channel : (E,) array_like of int
        Channel of each, counted from 0 without gaps; elements of one channel are fed alike.
    exponent : float
        q of the elements' field cos^q(theta).

    Raises
    ------
    ValueError
        If shapes do not fit, an element is not at z = 0, or a channel feeds none.
    """

    position: Real
    channel: NDArray[np.int64]
    exponent: float = 1.0

    def __post_init__(self) -> None:
        position = as_array(self.position, float, "position", ndim=2)
        channel = as_array(self.channel, np.int64, "channel", ndim=1)
        if position.shape != (channel.size, 3) or not channel.size:
            raise InputError(f"position has shape {position.shape}, expected (E, 3), E = {channel.size} > 0")
        if position[:, 2].any():
            raise InputError("an element is not in the plane z = 0", "place the zone at a distance instead")
        if not np.array_equal(np.unique(channel), np.arange(channel.max() + 1)):
            raise InputError("channels are not counted from 0 without gaps", "number them so")
        if not 0 <= self.exponent < np.inf:
            raise InputError(f"exponent is {self.exponent}, expected 0 or more")
        object.__setattr__(self, "position", position)
        object.__setattr__(self, "channel", channel)

    @property
    def channels(self) -> int:
        """Number of channels."""
        return int(self.channel.max()) + 1

    def fields(self, points: ArrayLike, *, frequency: float) -> Complex:
        """Field of each element, fed by 1, at points (M, 3) beyond z = 0: (M, E)."""
        place = as_array(points, float, "points", ndim=2)
        if place.shape[1:] != (3,) or not place.size or not np.all(place[:, 2] > 0):
            raise InputError("points are not (M, 3) with z > 0", "place the zone in front of the array")
        if len(place) * len(self.position) > MOST_NUMBERS:
            raise InputError(
                f"{len(place)} points of {len(self.position)} elements are too many", "take coarser steps"
            )
        k = float(wavenumber(frequency))
        (x, y, z), (u, v, _) = place.T[:, :, None], self.position.T
        distance = np.sqrt((x - u) ** 2 + (y - v) ** 2 + z**2)
        level = (z / distance) ** self.exponent / distance
        found = np.empty(distance.shape, dtype=complex)
        np.multiply(level, np.cos(k * distance), out=found.real)
        np.multiply(level, -np.sin(k * distance), out=found.imag)
        return found

    def summed(self, fields: Complex) -> Complex:
        """Fields of the channels (M, C) from those of the elements (M, E)."""
        order = np.argsort(self.channel, kind="stable")
        starts = np.searchsorted(self.channel[order], np.arange(self.channels))
        return np.asarray(np.add.reduceat(fields[:, order], starts, axis=1))


def square_array(count: int, *, side: float, group: int = 1, exponent: float = 1.0) -> PlaneWaveArray:
    """``count`` x ``count`` elements in the middle of equal cells of a square.

    Parameters
    ----------
    count : int
        Elements on a side.
    side : float
        Side of the square, of all cells [m].
    group : int
        Channels feed squares of ``group`` x ``group`` elements.
    exponent : float
        As in `PlaneWaveArray`.

    Returns
    -------
    PlaneWaveArray
        The array, centred at the origin.

    Raises
    ------
    ValueError
        If a number is not positive, or groups do not fit.
    """
    if count < 1 or group < 1 or count % group or not 0 < side < np.inf:
        raise InputError(
            f"count is {count}, group {group}, side {side}: expected positive, group a divisor of count"
        )
    x = (np.arange(count) - (count - 1) / 2) * side / count
    places = np.stack([*(a.ravel() for a in np.meshgrid(x, x, indexing="ij")), np.zeros(count**2)], axis=1)
    cell = np.arange(count) // group
    return PlaneWaveArray(places, (cell[:, None] * (count // group) + cell).ravel(), exponent)


def disc_array(count: int, *, diameter: float, exponent: float = 1.0) -> PlaneWaveArray:
    """Elements spread evenly over a disc, each a channel, each a golden angle on from the last.

    Element i = 0, 1 ... lies at the radius sqrt((i + 1/2) / count) of the disc.

    Parameters
    ----------
    count : int
        Number of elements.
    diameter : float
        Diameter of the disc [m].
    exponent : float
        As in `PlaneWaveArray`.

    Returns
    -------
    PlaneWaveArray
        As `square_array`.

    Raises
    ------
    ValueError
        If a number is not positive.
    """
    if count < 1 or not 0 < diameter < np.inf:
        raise InputError(f"count is {count}, diameter {diameter}: expected numbers above 0")
    radius = diameter / 2 * np.sqrt((np.arange(count) + 0.5) / count)
    turn = np.pi * (3 - math.sqrt(5)) * np.arange(count)
    places = np.stack([radius * np.cos(turn), radius * np.sin(turn), np.zeros(count)], axis=1)
    return PlaneWaveArray(places, np.arange(count), exponent)


def zone_points(zone: Zone, *, step: float) -> Real:
    """Places that fill a zone, its surface included.

    Planes of rings, or of squares, across the direction of travel.

    Parameters
    ----------
    zone : Zone
        The zone; all but a ball with a ``half_depth``.
    step : float
        Largest distance from one place to the next [m].

    Returns
    -------
    (M, 3) ndarray
        Places [m].

    Raises
    ------
    ValueError
        If the zone has no depth, or ``step`` is not positive.
    """
    if not 0 < step < np.inf:
        raise InputError(f"step is {step}, expected a number above 0 [m]")
    half = zone.radius if zone.shape == "ball" else zone.half_depth
    if half is None:
        raise InputError("the zone has no depth", "give half_depth")
    depths = np.linspace(-half, half, max(2, math.ceil(2 * half / step) + 1))
    return np.concatenate([plane_points(zone, step=step, depth=float(z)) for z in depths])


def plane_points(zone: Zone, *, step: float, depth: float = 0.0) -> Real:
    """Places that fill a zone's section across the direction of travel, its rim included.

    Parameters
    ----------
    zone : Zone
        The zone.
    step : float
        Largest distance from one place to the next [m].
    depth : float
        How far beyond the zone's centre the section lies [m].

    Returns
    -------
    (M, 3) ndarray
        Places on rings, of a square on a raster [m].

    Raises
    ------
    ValueError
        If ``step`` is not positive.
    """
    if not 0 < step < np.inf:
        raise InputError(f"step is {step}, expected a number above 0 [m]")
    if zone.shape == "square":
        x = np.linspace(-zone.radius, zone.radius, 2 * math.ceil(zone.radius / step) + 1)
        flat = np.stack(np.meshgrid(x, x), axis=-1).reshape(-1, 2)
    else:
        reach = math.sqrt(max(zone.radius**2 - depth**2, 0)) if zone.shape == "ball" else zone.radius
        flat = _rings(reach, step)
    return np.asarray(
        np.concatenate([flat, np.full((len(flat), 1), depth)], axis=1) @ zone.axes + zone.centre
    )


def _rings(reach: float, step: float) -> Real:
    """Places on rings up to a radius, and their centre, (M, 2)."""
    parts = [np.zeros((1, 2))]
    for radius in np.linspace(0, reach, math.ceil(reach / step) + 1)[1:]:
        angle = 2 * np.pi * np.arange(max(6, math.ceil(2 * np.pi * radius / step)))
        angle = angle / angle.size
        parts.append(radius * np.stack([np.cos(angle), np.sin(angle)], axis=1))
    return np.concatenate(parts)


@dataclass(frozen=True, slots=True)
class Flatness:
    """Half of largest minus smallest of a wave over exp(-jkz): printed with +-.

    Parameters
    ----------
    amplitude_db : float
        Of the amplitude [dB].
    phase : float
        Of the phase [rad].
    """

    amplitude_db: float
    phase: float


def flatness(array: PlaneWaveArray, weights: ArrayLike, points: ArrayLike, *, frequency: float) -> Flatness:
    """How flat the wave is that an array makes.

    Parameters
    ----------
    array : PlaneWaveArray
        The array.
    weights : (C,) or (E,) array_like
        Weights of the channels, or of all elements, as errors leave them.
    points : (M, 3) array_like
        Where it is looked at: in finer steps than the weights were made for.
    frequency : float
        Frequency [Hz].

    Returns
    -------
    Flatness
        Half of largest minus smallest.

    Raises
    ------
    ValueError
        If weights are neither of channels nor of elements or all 0, or points are none or behind the array.
    """
    place = as_array(points, float, "points", ndim=2)
    fields = array.fields(place, frequency=frequency)
    return flatness_of(fields @ element_weights(array, weights), place, frequency=frequency)


def flatness_of(wave: Complex, place: Real, *, frequency: float) -> Flatness:
    """How flat a wave (M,) at places (M, 3) is."""
    ratio = wave * np.exp(1j * float(wavenumber(frequency)) * place[:, 2])
    ratio = ratio / ratio.mean()
    return Flatness(float(np.ptp(20 * np.log10(np.abs(ratio))) / 2), float(np.ptp(np.angle(ratio)) / 2))


def element_weights(array: PlaneWaveArray, weights: ArrayLike) -> Complex:
    """Weights (E,) of elements from those of channels or of elements.

    Raises
    ------
    ValueError
        If they are neither, or all 0.
    """
    w = as_array(weights, complex, "weights", ndim=1)
    if not w.any():
        raise InputError("all weights are 0: there is no wave", "feed a channel")
    if w.size == array.channels:
        return np.asarray(w[array.channel])
    if w.size != array.channel.size:
        raise InputError(
            f"there are {w.size} weights, expected {array.channels} of channels or "
            f"{array.channel.size} of elements"
        )
    return w


def degrees_of_freedom(*, array_area: float, zone_area: float, distance: float, frequency: float) -> float:
    """Waves that an array can set in a zone: A_array A_zone / (lambda z)^2; take some 2 sqrt more.

    Parameters
    ----------
    array_area, zone_area : float
        Areas that face each other [m^2].
    distance : float
        Distance z between them [m].
    frequency : float
        Frequency [Hz].

    Returns
    -------
    float
        Their number.

    Raises
    ------
    ValueError
        If a number is not positive.
    """
    wavelength = 2 * np.pi / float(wavenumber(frequency))
    for name, value in (("array_area", array_area), ("zone_area", zone_area), ("distance", distance)):
        if not 0 < value < np.inf:
            raise InputError(f"{name} is {value}, expected a number above 0")
    return array_area * zone_area / (wavelength * distance) ** 2
