"""The smallest sphere about a rotation centre that holds all that radiates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.kernel.arrays import as_array, keep
from nf2ff.messages.input_error import InputError

Real = NDArray[np.float64]

ORIGIN = (0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """A box or a ball within which something radiates.

    Parameters
    ----------
    centre : (3,) array_like
        Its middle [m].
    sides : (3,) array_like, optional
        Sides of a box along x, y and z [m].
    diameter : float, optional
        Of a ball, in place of a box [m].
    """

    centre: ArrayLike = ORIGIN
    sides: ArrayLike | None = None
    diameter: float | None = None

    def __post_init__(self) -> None:
        keep(self, ("centre", "sides"), float, ndim=1)
        if (self.sides is None) == (self.diameter is None):
            raise InputError("a part takes either sides or a diameter", "give one of them")
        if self.diameter is not None and not 0 < self.diameter < np.inf:
            raise InputError(f"diameter is {self.diameter}, expected a number above 0 [m]")
        for name in ("centre", "sides"):
            value = getattr(self, name)
            if value is not None and value.size != 3:
                raise InputError(f"{name} are {value.size} numbers, expected 3: along x, y and z")
        if self.sides is not None and (np.min(self.sides) < 0 or not np.any(self.sides)):
            raise InputError(f"sides are {np.asarray(self.sides).tolist()}, expected at least 0, not all 0")

    def balls(self) -> tuple[Real, Real]:
        """Balls whose hull has the same enclosing spheres: middles (B, 3) and radii (B,) [m]."""
        centre = np.asarray(self.centre)
        if self.diameter is not None:
            return centre[None], np.array([self.diameter / 2])
        signs = np.stack(np.meshgrid(*3 * [(-0.5, 0.5)]), axis=-1).reshape(8, 3)
        return centre + signs * np.asarray(self.sides), np.zeros(8)


def _balls(parts: Sequence[Part]) -> tuple[Real, Real]:
    if not parts:
        raise InputError("there is nothing that radiates", "give at least one part, or the whole device")
    found = [part.balls() for part in parts]
    return np.concatenate([x for x, _ in found]), np.concatenate([r for _, r in found])


def minimum_radius(parts: Sequence[Part], *, about: ArrayLike = ORIGIN) -> float:
    """Radius r0 of the smallest sphere about a rotation centre [m] that holds all parts [m].

    Parameters
    ----------
    parts : sequence of Part
        The parts of the device.
    about : (3,) array_like
        The rotation centre [m].

    Returns
    -------
    float
        The radius [m].
    """
    at, radius = _balls(parts)
    centre = as_array(about, float, "about", ndim=1)
    return float(np.max(np.linalg.norm(at - centre, axis=1) + radius))


def best_centre(parts: Sequence[Part]) -> tuple[Real, float]:
    """Rotation centre (3,) [m] with the smallest sphere, and the radius of that [m].

    The largest distance is convex in the centre, so that there is one minimum.

    Parameters
    ----------
    parts : sequence of Part
        The parts of the device.

    Returns
    -------
    centre : (3,) ndarray
        The centre [m].
    radius : float
        Radius of the sphere [m].
    """
    from scipy.optimize import minimize

    at, radius = _balls(parts)
    if radius.size == 1:
        return at[0], float(radius[0])
    middle = (np.min(at - radius[:, None], axis=0) + np.max(at + radius[:, None], axis=0)) / 2
    scale = float(np.max(np.linalg.norm(at - middle, axis=1) + radius))

    def room(x: Real) -> Real:
        return np.asarray(x[3] - np.sqrt(np.sum((x[:3] - place) ** 2, axis=1)) - size)

    def slope(x: Real) -> Real:
        apart = x[:3] - place
        length = np.sqrt(np.sum(apart**2, axis=1))[:, None]
        return np.hstack([-apart / np.where(length > 0, length, 1), np.ones_like(length)])

    place, size = (at - middle) / scale, radius / scale
    found = minimize(
        lambda x: x[3],
        np.array([0.0, 0.0, 0.0, 1.0]),
        jac=lambda _: np.array([0.0, 0.0, 0.0, 1.0]),
        constraints={"type": "ineq", "fun": room, "jac": slope},
        method="SLSQP",
        options={"ftol": 1e-14, "maxiter": 500},
    )
    centre = np.asarray(middle + scale * found.x[:3])
    best = minimum_radius(parts, about=centre)
    return (centre, best) if best <= scale else (middle, scale)
