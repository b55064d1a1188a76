"""Power radiated into a part of the sphere: upper hemisphere, near the horizon, any cone.

Exact for the modes: the intensity of degree N is a polynomial of degree 2N, which Gauss-Legendre
rings over the region itself integrate without error. Partial radiated power and its near-horizon
and upper-hemisphere kinds are terms of CTIA's and 3GPP's over-the-air tests (from memory); the
fraction of the radiated power within a cone is the beam efficiency of IEEE Std 145 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna import fields
from nf2ff.antenna.modes import Modes
from nf2ff.kernel import spin
from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.sphere import direction_angles, unit_vectors
from nf2ff.messages.input_error import InputError
from nf2ff.metrics import maxima
from nf2ff.metrics.gain_and_power import intensity, nonzero_power, require_absolute

Real = NDArray[np.float64]


# --- regions -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class ThetaInterval:
    """All directions with a polar angle in an interval.

    Parameters
    ----------
    theta1, theta2 : float
        Bounds, 0 <= theta1 < theta2 <= pi [rad].

    Raises
    ------
    ValueError
        If the interval is empty or leaves [0, pi].
    """

    theta1: float
    theta2: float

    def __post_init__(self) -> None:
        for name in ("theta1", "theta2"):
            value = float(as_array(getattr(self, name), float, name, ndim=0))
            if not 0 <= value <= np.pi * (1 + 1e-12):
                raise InputError(f"{name} is {value:.6g} rad, expected within 0 to pi, counted from +z")
            object.__setattr__(self, name, min(value, np.pi))
        if self.theta1 >= self.theta2:
            raise InputError(
                f"the interval from theta1 = {self.theta1:z.6g} to theta2 = {self.theta2:z.6g} rad "
                "is empty: theta1 must be the smaller"
            )


@dataclass(frozen=True, slots=True, eq=False)
class Cone:
    """All directions within an angle of an axis.

    Parameters
    ----------
    theta, phi : () or (F,) array_like
        Axis, the same or one for each frequency [rad].
    half_angle : float
        Largest angle from the axis, more than 0, pi for the whole sphere [rad].

    Raises
    ------
    ValueError
        If the cone is empty, or an axis is not a direction.
    """

    theta: Real
    phi: Real
    half_angle: float

    def __post_init__(self) -> None:
        half = float(as_array(self.half_angle, float, "half_angle", ndim=0))
        if not 0 < half <= np.pi * (1 + 1e-12):
            what = "the cone is empty" if half <= 0 else "the cone is more than the sphere"
            raise InputError(f"half_angle is {half:.6g} rad, {what}: expected more than 0 and at most pi")
        object.__setattr__(self, "half_angle", min(half, np.pi))
        for name in ("theta", "phi"):
            object.__setattr__(self, name, as_array(getattr(self, name), float, name))
        if self.theta.ndim > 1 or self.theta.shape != self.phi.shape:
            raise InputError(
                f"the axis has theta of shape {self.theta.shape} and phi of {self.phi.shape}, "
                "expected one value each, or one for each frequency"
            )
        if np.any((self.theta < 0) | (self.theta > np.pi * (1 + 1e-12))):
            raise InputError(
                "theta of a cone's axis lies in [0, pi] rad", "turn phi by pi for the other side"
            )

    def axes(self, count: int) -> Real:
        """Unit vectors (F, 3) of the axis at ``count`` frequencies; refused if it has another number."""
        if self.theta.ndim and self.theta.size != count:
            raise InputError(
                f"the cone has {self.theta.size} axes for {count} frequencies", "give one, or one for each"
            )
        return np.broadcast_to(unit_vectors(self.theta, self.phi)[0], (count, 3))

    @staticmethod
    def around(axis: Real, rings: Real, psi: Real) -> Real:
        """Unit vectors (T P, 3) at the angles ``rings`` (T,) from an axis (3,) and ``psi`` (P,) about it."""
        r, along, across = unit_vectors(*direction_angles(axis[None]))
        about_z = unit_vectors(*np.meshgrid(rings, psi, indexing="ij"))[0].reshape(-1, 3)
        return np.asarray(about_z @ np.concatenate([along, across, r]))


Region = ThetaInterval | Cone

#: theta from 0 to 90 deg.
UPPER_HEMISPHERE = ThetaInterval(0.0, np.pi / 2)


def near_horizon(half_width: float) -> ThetaInterval:
    """Directions within an angle of the horizon theta = 90 deg.

    Parameters
    ----------
    half_width : float
        Largest angle above and below; pi/12, pi/6 and pi/4 are usual [rad].

    Returns
    -------
    ThetaInterval
        The region.

    Raises
    ------
    ValueError
        If ``half_width`` is not positive or is more than pi/2.
    """
    half = float(as_array(half_width, float, "half_width", ndim=0))
    if not 0 < half <= np.pi / 2:
        raise InputError(f"half_width is {half:.6g} rad, expected more than 0 and at most pi/2")
    return ThetaInterval(np.pi / 2 - half, np.pi / 2 + half)


# --- power ---------------------------------------------------------------------------------


def partial_radiated_power(modes: Modes, region: Region) -> Real:
    """Power radiated into a region.

    Parameters
    ----------
    modes : Modes
        Absolute mode coefficients, F frequencies.
    region : ThetaInterval or Cone
        `UPPER_HEMISPHERE`, `near_horizon`, or any other.

    Returns
    -------
    (F,) ndarray
        Power; of a region and of the rest of the sphere it adds up to TRP [W].

    Raises
    ------
    ValueError
        If the level of the modes is only relative (see `radiated_fraction`), or the cone has
        axes for another number of frequencies.
    """
    require_absolute(modes.reference, "partial radiated power")
    return _power(modes, region)


def radiated_fraction(modes: Modes, region: Region) -> Real:
    """Power radiated into a region over all that is radiated.

    Parameters
    ----------
    modes : Modes
        Mode coefficients, absolute or relative, F frequencies.
    region : ThetaInterval or Cone
        As in `partial_radiated_power`.

    Returns
    -------
    (F,) ndarray
        Fraction, linear; for a cone about the main beam its beam efficiency.

    Raises
    ------
    ValueError
        If no power is radiated at a frequency, or the cone has axes for another number of
        frequencies.
    """
    power = nonzero_power(modes.frequency, modes.radiated_power())
    return _power(modes, region) / power


def _power(modes: Modes, region: Region) -> Real:
    turns = spin.good_length(2 * modes.degree + 1)
    psi = 2 * np.pi * np.arange(turns) / turns
    if isinstance(region, ThetaInterval):
        rings, weight = _rings(modes.degree, region.theta1, region.theta2)
    else:
        rings, weight = _rings(modes.degree, 0.0, region.half_angle)
        axes = region.axes(modes.frequency.size)
    power = np.empty(modes.frequency.size)
    for f, one in enumerate(modes.each()):
        threads = maxima.threads_for(one)
        if isinstance(region, ThetaInterval):
            field = fields.far_field_grid(one, theta=rings, phi=psi, threads=threads)
        else:
            theta, phi = direction_angles(region.around(axes[f], rings, psi))
            field = fields.far_field_points(one, theta=theta, phi=phi, threads=threads)
        power[f] = intensity(*field).reshape(rings.size, turns).mean(axis=1) @ weight
    return power


def _rings(degree: int, theta1: float, theta2: float) -> tuple[Real, Real]:
    """Gauss-Legendre rings between two angles, and the solid angle of each [sr]."""
    count = degree + 1
    gauss, share = spin.ring_angles_gauss(count), spin.ring_weights("gauss-legendre", count)
    # Even steps in cos(theta) are even steps in sin^2(theta/2), which keeps its digits near 0.
    part = np.sin(gauss / 2) ** 2
    sine = np.sin(theta1 / 2) ** 2 * (1 - part) + np.sin(theta2 / 2) ** 2 * part
    cosine = np.cos(theta1 / 2) ** 2 * (1 - part) + np.cos(theta2 / 2) ** 2 * part
    # (cos(theta1) - cos(theta2)) / 2, likewise.
    height = np.sin((theta1 + theta2) / 2) * np.sin((theta2 - theta1) / 2)
    return 2 * np.arctan2(np.sqrt(sine), np.sqrt(cosine)), height * share
