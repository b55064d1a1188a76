"""Angles of a positioner's axes, as theta, phi and chi of the probe in the antenna's frame.

The probe stands still and the antenna is turned. In the laboratory z points from the centre of rotation to
the probe, y up, x to the left of who looks at the probe (x, y, z right-handed). At zero of all axes the
antenna's frame is that of the laboratory. Of two axes the first named carries the antenna, "over" the second,
which stands on the floor (common practice). A positive angle moves the probe, as the antenna sees it: azimuth
(about y) towards +x, elevation (about x) towards +y, roll (about z) from +x towards +y. So with

    A = Ry(azimuth), E = Rx(-elevation), C = Rz(roll),

rotations by the right-hand rule, a vector v of the laboratory is in the antenna's frame

    roll over azimuth        C A v
    elevation over azimuth   C E A v
    azimuth over elevation   C A E v

where the last two may have the antenna's own roll on top. The probe stands at v = z^, so it is seen at

    roll over azimuth        theta = azimuth, phi = roll
    elevation over azimuth   (sin az, cos az sin el, cos az cos el)      turned by the roll
    azimuth over elevation   (cos el sin az, sin el, cos el cos az)      turned by the roll

and its axis of polarisation is v = x^ cos(chi0) + y^ sin(chi0), chi0 being the angle of the probe in the
laboratory: 0 where horizontal, 90 deg where vertical. With p = that vector in the antenna's frame,
chi = atan2(p . phi^, p . theta^). At a pole of the antenna's frame phi is the roll.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.messages.input_error import InputError

Real = NDArray[np.float64]
Stack = Literal["roll-over-azimuth", "elevation-over-azimuth", "azimuth-over-elevation"]
#: Axes that each must have.
POSITIONERS: Mapping[Stack, tuple[str, str]] = {
    "roll-over-azimuth": ("azimuth", "roll"),
    "elevation-over-azimuth": ("azimuth", "elevation"),
    "azimuth-over-elevation": ("azimuth", "elevation"),
}
#: Sine of theta below which a direction is a pole: some roundings of unit vectors.
_POLE = 1e-15


def sphere_angles(
    stack: Stack,
    *,
    azimuth: ArrayLike,
    elevation: ArrayLike = 0.0,
    roll: ArrayLike = 0.0,
    chi: ArrayLike = 0.0,
) -> tuple[Real, Real, Real]:
    """Convert angles of axes to those of the sphere.

    Parameters
    ----------
    stack : {"roll-over-azimuth", "elevation-over-azimuth", "azimuth-over-elevation"}
        Which axis carries which.
    azimuth, elevation, roll : array_like
        Angles of the axes, of shapes that broadcast [rad].
    chi : array_like
        Angle of the probe in the laboratory, from x (horizontal) towards y (up) [rad].

    Returns
    -------
    theta, phi, chi : ndarray
        Of the probe in the antenna's frame, as of `Samples` [rad]: theta in [0, pi], but the azimuth
        itself with roll over azimuth.

    Raises
    ------
    ValueError
        If the stack is not known.
    """
    if stack not in POSITIONERS:
        raise InputError(f"positioner is {stack!r}, expected one of {', '.join(POSITIONERS)}")
    az, el, roll, probe = (
        np.array(x, dtype=float) for x in np.broadcast_arrays(azimuth, elevation, roll, chi)
    )
    if stack == "roll-over-azimuth":
        return az, roll, probe
    x, y, z = _seen(stack, az, el, (np.zeros_like(az), np.zeros_like(az), np.ones_like(az)))
    axis = _seen(stack, az, el, (np.cos(probe), np.sin(probe), np.zeros_like(az)))
    across = np.hypot(x, y)
    pole = across <= _POLE
    theta = np.where(pole, np.where(z > 0, 0.0, np.pi), np.arctan2(across, z))
    phi = np.where(pole, 0.0, np.arctan2(y, x))
    inward = axis[0] * np.cos(phi) + axis[1] * np.sin(phi)
    along_theta = inward * np.cos(theta) - axis[2] * np.sin(theta)
    along_phi = axis[1] * np.cos(phi) - axis[0] * np.sin(phi)
    # The roll turns both unit vectors with the probe, so that chi stays.
    return theta, phi + roll, np.arctan2(along_phi, along_theta)


def _seen(stack: Stack, az: Real, el: Real, vector: tuple[Real, Real, Real]) -> tuple[Real, Real, Real]:
    """A vector of the laboratory in the antenna's frame, before its roll."""
    x, y, z = vector
    for axis in ("az", "el") if stack == "elevation-over-azimuth" else ("el", "az"):
        if axis == "az":
            x, z = x * np.cos(az) + z * np.sin(az), z * np.cos(az) - x * np.sin(az)
        else:
            y, z = y * np.cos(el) + z * np.sin(el), z * np.cos(el) - y * np.sin(el)
    return x, y, z
