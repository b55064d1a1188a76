"""Where a probe truly was, and how it was turned, by the faults of the axes that carried it.

The chain is that of `uncertainty.errors.axes`: the probe stands at Rz(phi) [(x, y, 0) + C r z^] and is turned
by Rz(phi) C Rz(chi), C = Rx(phi-theta) Ry(theta) Rx(theta-chi) with the angles by which axes are off the
right one; theta, phi, chi and r are the recorded ones and what they are off by.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel.arrays import in_rows
from nf2ff.measurement.samples import Samples
from nf2ff.uncertainty.errors.axes import coordinates

Real = NDArray[np.float64]

#: What moves a pose: shifts of coordinates, shifts of the theta axis, angles between axes.
MOVES = ("theta", "phi", "chi", "radius", "x", "y", "phi-theta", "theta-chi")
#: Step of central differences: of rotations they err by its square over 6.
_STEP = 1e-5


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """True place and attitude of the probe at M samples.

    Parameters
    ----------
    samples : Samples
        With the coordinates of the true positions, chi that of the swing to there.
    tilt : (2, M) ndarray
        What the probe is turned by beyond that, about its own x and y axes [rad].
    """

    samples: Samples
    tilt: Real


def pose_of(samples: Samples, moves: Mapping[str, Real | float]) -> Pose:
    """True pose by what moves it, each of `MOVES` for all samples or one each."""
    position, axes = _chain(samples, moves)
    found: dict[str, Any] = dict(coordinates(samples, position, axes[..., 0], axes[..., 1]))
    over = np.abs(found["theta"]) > np.pi
    found["theta"] = np.where(over, found["theta"] - 2 * np.pi * np.sign(found["theta"]), found["theta"])
    if not any(np.any(moves.get(name, 0.0)) for name in ("x", "y", "radius")):
        found["radius"] = samples.radius  # as it was, without rounding
    # The swing from the line of sight to the probe's own axis, in the frame of the probe.
    sight = position / np.linalg.norm(position, axis=-1, keepdims=True)
    x, y, z = in_rows(np.einsum("mij,mi->jm", axes, sight))
    angle = np.arctan2(np.hypot(x, y), z)
    scale = angle / np.where(angle > 0, np.sin(angle), 1.0)
    # A turn about x by a takes the outward axis from there to -y: y of the line of sight is then a.
    return Pose(replace(samples, **found), np.stack([scale * y, -scale * x]))


def motions_by(samples: Samples, moves: Mapping[str, Real | float], name: str) -> Real:
    """Derivatives (6, M) of the motions of `pose_derivatives.MOTIONS` by a move."""
    at = moves.get(name, 0.0)
    (ahead, turned), (behind, back) = (_chain(samples, {**moves, name: at + s * _STEP}) for s in (1, -1))
    position, axes = _chain(samples, moves)
    v = np.einsum("mij,mi->jm", axes, ahead - behind) / (2 * _STEP)
    spin = np.einsum("mij,mik->mjk", axes, turned - back) / (2 * _STEP)
    w = np.stack([spin[:, i, j] - spin[:, j, i] for i, j in ((2, 1), (0, 2), (1, 0))]) / 2
    radius = np.linalg.norm(position, axis=-1)
    swing = np.stack([-v[1], v[0]]) / radius
    return np.stack([*swing, w[2], v[2], *(w[:2] - swing)])


def _chain(samples: Samples, moves: Mapping[str, Real | float]) -> tuple[Real, Real]:
    """Position (M, 3) and axes (M, 3, 3), x, y and outwards as columns."""
    theta, phi, chi, radius = (
        getattr(samples, name) + moves.get(name, 0.0) for name in ("theta", "phi", "chi", "radius")
    )
    turn = _about(2, phi)
    arm = turn @ _about(0, moves.get("phi-theta", 0.0)) @ _about(1, theta)
    arm = arm @ _about(0, moves.get("theta-chi", 0.0))
    shift = turn @ np.array([moves.get("x", 0.0), moves.get("y", 0.0), 0.0])
    return shift + radius[:, None] * arm[:, :, 2], arm @ _about(2, chi)


def _about(axis: int, angle: Real | float) -> Real:
    """Right-handed turns (..., 3, 3) about an axis of coordinates."""
    angle = np.asarray(angle)
    one, two = (axis + 1) % 3, (axis + 2) % 3
    matrix = np.zeros((*angle.shape, 3, 3))
    matrix[..., axis, axis] = 1
    matrix[..., one, one] = matrix[..., two, two] = np.cos(angle)
    matrix[..., two, one] = np.sin(angle)
    matrix[..., one, two] = -np.sin(angle)
    return matrix
