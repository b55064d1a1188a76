"""A quiet zone, and what a field probe has read in it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.kernel.arrays import as_array
from nf2ff.messages.input_error import InputError
from nf2ff.ranges.smooth_part import spanned

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
Shape = Literal["ball", "cylinder", "square"]

#: A place outside a zone by no more than this part of its size is on its surface: rounding, and places at
#: the end of a line that waver across it.
_ON_SURFACE = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Zone:
    """The part of space that is to be quiet.

    Of readings along a line the ball's part is a segment, of readings on a plane a disc.

    Parameters
    ----------
    radius : float
        Radius of the ball or cylinder; half the side of the square [m].
    shape : {"ball", "cylinder", "square"}
        Cylinder and square stand across the direction of travel.
    half_depth : float, optional
        Cylinder and square: half the length along the direction of travel; any if left out [m].
    centre : (3,) array_like
        Its centre [m].
    direction : (3,) array_like
        Nominal direction in which the wave travels, any length.

    Raises
    ------
    ValueError
        If a length is not positive, or a vector has no three components or no length.
    """

    radius: float
    shape: Shape = "ball"
    half_depth: float | None = None
    centre: Real = field(default_factory=lambda: np.zeros(3))
    direction: Real = field(default_factory=lambda: np.array([0.0, 0.0, 1.0]))

    def __post_init__(self) -> None:
        for name in ("radius", "half_depth"):
            value = getattr(self, name)
            if value is not None and not 0 < value < np.inf:
                raise InputError(f"{name} of the zone is {value}, expected a number above 0 [m]")
        if self.shape not in ("ball", "cylinder", "square"):
            raise InputError(f"shape of the zone is {self.shape!r}, expected 'ball', 'cylinder' or 'square'")
        if self.shape == "ball" and self.half_depth is not None:
            raise InputError("half_depth of the zone is given for a ball", "make it a cylinder or a square")
        for name in ("centre", "direction"):
            object.__setattr__(self, name, vector(getattr(self, name), f"{name} of the zone"))
        object.__setattr__(self, "direction", unit(self.direction, "direction of the zone"))

    @property
    def axes(self) -> Real:
        """Unit vectors, (3, 3): two across the direction of travel, and this direction itself.

        The first is nearest to x, or to y where the wave travels nearly along x.
        """
        along = np.asarray(self.direction)
        near = np.eye(3)[0 if abs(along[0]) < 0.9 else 1]
        first = near - (near @ along) * along
        first = first / np.linalg.norm(first)
        return np.stack([first, np.cross(along, first), along])

    def contains(self, position: Real) -> NDArray[np.bool_]:
        """Which of the positions (..., 3) [m] are in it, those on its surface included."""
        across_1, across_2, along = np.moveaxis((position - self.centre) @ self.axes.T, -1, 0)
        size = self.radius * (1 + _ON_SURFACE)
        if self.shape == "ball":
            return np.asarray(across_1**2 + across_2**2 + along**2 <= size**2)
        if self.shape == "cylinder":
            inside = across_1**2 + across_2**2 <= size**2
        else:
            inside = (np.abs(across_1) <= size) & (np.abs(across_2) <= size)
        if self.half_depth is not None:
            inside &= np.abs(along) <= self.half_depth * (1 + _ON_SURFACE)
        return np.asarray(inside)

    def reach(self, towards: Real) -> float:
        """How far it reaches from its centre along a unit vector (3,), infinite if it does not end [m]."""
        first, second, along = np.abs(self.axes @ towards)
        if self.shape == "ball":
            return self.radius
        sides = [np.hypot(first, second)] if self.shape == "cylinder" else [first, second]
        ends = [self.radius / side for side in sides if side > _ON_SURFACE]
        if self.half_depth is not None and along > _ON_SURFACE:
            ends.append(self.half_depth / along)
        return float(min(ends, default=np.inf))

    def words(self, span: int = 3) -> str:
        """Shape and size, for people; of a ball what readings of 1, 2 or 3 dimensions see."""
        size = f"{2 * self.radius:.6g} m"
        deep = "" if self.half_depth is None else f", {2 * self.half_depth:.6g} m deep"
        if self.shape == "square":
            return f"square of {size}{deep}"
        if self.shape == "ball" and span == 1:
            return f"line of {size}"
        name = "disc" if self.shape == "ball" and span == 2 else self.shape
        return f"{name} of diameter {size}{deep}"


@dataclass(frozen=True, slots=True, eq=False)
class ProbedField:
    """Field at the places of a probe, at one frequency, in any unit.

    Parameters
    ----------
    frequency : float
        Frequency [Hz].
    position : (M, 3) array_like
        Places [m].
    co : (M,) array_like
        Co-polar field, exp(+jwt); its magnitude alone where no phase was measured.
    cross : (M,) array_like or None
        Cross-polar field at the same places, NaN where it was not measured.
    phase : bool
        Whether the phase of ``co`` was measured.

    Raises
    ------
    ValueError
        If shapes do not fit, the frequency is not positive, or a co-polar reading is zero.
    """

    frequency: float
    position: Real
    co: Complex
    cross: Complex | None = None
    phase: bool = True

    def __post_init__(self) -> None:
        f = float(as_array(self.frequency, float, "frequency", ndim=0))
        if not f > 0:
            raise InputError(f"frequency is {f:g} Hz, expected > 0")
        object.__setattr__(self, "frequency", f)
        position = as_array(self.position, float, "position", ndim=2)
        co = as_array(self.co, complex, "co", ndim=1)
        if position.shape != (co.size, 3):
            raise InputError(f"position has shape {position.shape}, expected (M, 3) = {(co.size, 3)}")
        if not co.all():
            at = ", ".join(f"{x:z.6g}" for x in position[np.flatnonzero(co == 0)[0]])
            raise InputError(f"the co-polar reading at ({at}) m is 0", "leave out places that were not read")
        object.__setattr__(self, "position", position)
        object.__setattr__(self, "co", co)
        if self.cross is not None:
            cross = as_array(self.cross, complex, "cross", ndim=1, missing=True)
            if cross.shape != co.shape:
                raise InputError(f"cross has shape {cross.shape}, expected {co.shape}, as co")
            object.__setattr__(self, "cross", cross)


def vector(value: ArrayLike, name: str) -> Real:
    """Three finite components of what a user gives.

    Raises
    ------
    ValueError
        If there are not three, or one is not finite.
    """
    v = as_array(value, float, name, ndim=1)
    if v.shape != (3,):
        raise InputError(f"{name} has {v.size} components, expected 3")
    return v


def unit(value: ArrayLike, name: str) -> Real:
    """The unit vector along a vector (3,).

    Raises
    ------
    ValueError
        If it has no length.
    """
    v = vector(value, name)
    size = float(np.linalg.norm(v))
    if not size > 0:
        raise InputError(f"{name} is (0, 0, 0), expected a vector that points somewhere")
    return np.asarray(v / size)


def largest_zone(
    field: ProbedField,
    *,
    shape: Shape = "ball",
    centre: ArrayLike | None = None,
    direction: ArrayLike = (0.0, 0.0, 1.0),
) -> Zone:
    """The largest zone of a shape that the readings reach.

    Parameters
    ----------
    field : ProbedField
        The readings.
    shape : {"ball", "cylinder", "square"}
        Its shape.
    centre : (3,) array_like, optional
        Its centre; the middle of the readings if left out [m].
    direction : (3,) array_like
        Nominal direction of travel.

    Returns
    -------
    Zone
        As wide as the readings reach either way from the centre, whichever axis is the shortest.

    Raises
    ------
    ValueError
        If the readings do not reach to both sides of the centre.
    """
    low, high = field.position.min(axis=0), field.position.max(axis=0)
    middle = 0.5 * (low + high) if centre is None else vector(centre, "centre of the zone")
    some = Zone(1.0, shape, centre=middle, direction=unit(direction, "direction of the zone"))
    place = field.position - middle
    basis = spanned(place, some.axes)
    if not len(basis):
        raise InputError("all readings are at one place", "read the field along a line at least")
    ends = np.array([min(-along.min(), along.max()) for along in (place @ basis.T).T])
    along = np.abs(basis @ some.axes[2]) > 0.5
    wide = ends if shape == "ball" or along.all() else ends[~along]
    if not wide.min() > 0:
        reach = ", ".join(f"{x} {a:.4g} to {b:.4g} m" for x, a, b in zip("xyz", low, high, strict=True))
        raise InputError(
            f"the readings do not reach to both sides of the zone's centre; readings: {reach}",
            "move its centre",
        )
    return replace(some, radius=float(wide.min()))
