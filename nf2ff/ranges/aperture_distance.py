"""How far a direct range must be for a figure to be right: canonical apertures, or the device's own modes.

An aperture of diameter D seen from R = s D^2/lambda differs from one far away by a quadratic phase, pi/(4 s)
at its rim (closed form). What that does to the pattern depends on s and the distribution alone. Distributions
are uniform, or T. T. Taylor's of equal sidelobes: IRE Trans. AP 3(1), 16-28, 1955 (line), AP 8(1), 17-22,
1960 (disc), both from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes, wavenumber
from nf2ff.messages.input_error import InputError
from nf2ff.ranges.finite_distance import DistanceError, distance_error

Real = NDArray[np.float64]
Shape = Literal["line", "disc"]
Figure = Literal["peak", "sidelobe", "beamwidth"]
FIGURES: tuple[Figure, ...] = ("peak", "sidelobe", "beamwidth")

#: Nearest and farthest distance that is looked at [D^2/lambda].
NEAREST, FARTHEST = 0.25, 1000.0
#: Places of the aperture, and of the pattern up to _REACH lambda/D from its middle.
_NODES, _REACH, _STEP = 200, 12.0, 0.01
#: Distances a factor of 10 to find where a figure leaves its limit first.
_PER_DECADE = 16


@dataclass(frozen=True, slots=True)
class Aperture:
    """A line or a disc, uniform or with equal sidelobes.

    Parameters
    ----------
    shape : {"line", "disc"}
        Its shape.
    sidelobe_db : float, optional
        Level of the sidelobes below the peak, 20 to 60 [dB], to about 1 dB; uniform if left out.
    """

    shape: Shape = "disc"
    sidelobe_db: float | None = None

    def __post_init__(self) -> None:
        if self.shape not in ("line", "disc"):
            raise InputError(f"shape is {self.shape!r}, expected line or disc")
        if self.sidelobe_db is not None and not 20 <= self.sidelobe_db <= 60:
            raise InputError(f"sidelobe_db is {self.sidelobe_db:g}, expected 20 to 60 dB below the peak")


def aperture_error(aperture: Aperture, distance: float) -> dict[Figure, float]:
    """Errors of an aperture's figures at a distance, measured minus true.

    Parameters
    ----------
    aperture : Aperture
        The aperture.
    distance : float
        Distance [D^2/lambda].

    Returns
    -------
    dict
        "peak": level on the axis [dB]; "sidelobe": level of the first sidelobe below its peak [dB];
        "beamwidth": half-power beamwidth over the true one, minus 1. NaN where there is none.

    Raises
    ------
    ValueError
        If the distance is not positive.
    """
    if not distance > 0:
        raise InputError(f"distance is {distance:g} D^2/lambda, expected a number above 0")
    true, seen = _figures(aperture, math.inf), _figures(aperture, distance)
    return {
        "peak": seen[0] - true[0],
        "sidelobe": seen[1] - true[1],
        "beamwidth": seen[2] / true[2] - 1,
    }


def least_distance(aperture: Aperture, figure: Figure, within: float) -> float:
    """Distance from which on a figure of an aperture stays within an error.

    Parameters
    ----------
    aperture : Aperture
        The aperture.
    figure : {"peak", "sidelobe", "beamwidth"}
        Which, as in `aperture_error`.
    within : float
        Largest error allowed, dB or a part of the beamwidth.

    Returns
    -------
    float
        Distance [D^2/lambda], at least `NEAREST`.

    Raises
    ------
    ValueError
        If there is no such figure, the error is not positive, or it is exceeded up to `FARTHEST`.
    """
    _check(figure, FIGURES, within)
    return _outermost(lambda s: aperture_error(aperture, s)[figure], within, NEAREST, FARTHEST, "D^2/lambda")


def least_distance_of(modes: Modes, figure: str, within: float, *, aperture: float) -> float:
    """Distance from which on a figure of a device, known by its modes, stays within an error.

    Parameters
    ----------
    modes : Modes
        Of one frequency.
    figure : str
        A field of `DistanceError`: "peak_db", "first_sidelobe_db", "peak_shift" ...
    within : float
        Largest error allowed [dB or rad].
    aperture : float
        Diameter D of what radiates [m].

    Returns
    -------
    float
        Distance of the probe from the origin [m]; no less than half a wavelength beyond D/2.

    Raises
    ------
    ValueError
        As `least_distance` and `distance_error`, or if there are several frequencies.
    """
    _check(figure, [x for x in DistanceError.__slots__ if x != "radius"], within)
    if modes.frequency.size != 1:
        raise InputError(f"modes have {modes.frequency.size} frequencies", "take one of them")
    lam = 2 * math.pi / float(wavenumber(modes.frequency)[0])
    far = max(FARTHEST * aperture**2 / lam, 100 * aperture, 100 * lam)

    def error(radius: float) -> float:
        found = distance_error(modes, radius=[radius], minimum_radius=aperture / 2)
        return float(getattr(found, figure)[0, 0])

    return _outermost(error, within, aperture / 2 + lam / 2, far, "m")


def _check(figure: str, known: tuple[str, ...] | list[str], within: float) -> None:
    if figure not in known:
        raise InputError(f"figure is {figure!r}, expected one of {', '.join(known)}")
    if not within > 0:
        raise InputError(f"within is {within:g}, expected a number above 0")


def _outermost(
    error: Callable[[float], float], within: float, nearest: float, farthest: float, unit: str
) -> float:
    """The largest distance at which an error reaches its limit: from far away inwards, then by halves."""

    def holds(distance: float) -> bool:
        return abs(error(distance)) <= within  # NaN does not

    if not holds(farthest):
        raise InputError(
            f"the error is above {within:g} even at {farthest:.4g} {unit}", "allow a larger error"
        )
    count = math.ceil(_PER_DECADE * math.log10(farthest / nearest)) + 1
    outer = farthest
    for inner in np.geomspace(farthest, nearest, count)[1:]:
        if not holds(float(inner)):
            break
        outer = float(inner)
    else:
        return nearest
    low, high = float(inner), outer
    while high > low * (1 + 1e-4):
        middle = math.sqrt(low * high)
        low, high = (low, middle) if holds(middle) else (middle, high)
    return high


def _figures(aperture: Aperture, distance: float) -> tuple[float, float, float]:
    """Level on the axis [dB], first sidelobe below it [dB], half-power beamwidth [lambda/D]."""
    t, weight = _distribution(aperture)
    phase = np.exp(-0.25j * np.pi / distance * t**2)
    power = np.abs(_kernel(aperture.shape) @ (weight * phase)) ** 2
    u = _STEP * np.arange(power.size)
    half = int(np.argmax(power < power[0] / 2))
    width = 2 * float(np.interp(-power[0] / 2, -power[half - 1 : half + 1], u[half - 1 : half + 1]))
    rise = np.diff(power) > 0
    valley = int(np.argmax(rise))
    top = valley + int(np.argmax(~rise[valley:])) if rise.any() else 0
    lobe = math.nan
    if top:
        a, b, c = power[top - 1 : top + 2]
        lobe = 10 * math.log10((b - (a - c) ** 2 / (8 * (a - 2 * b + c))) / power[0])
    return 10 * math.log10(power[0]), lobe, width


@cache
def _kernel(shape: Shape) -> Real:
    """From the aperture's field times weights, at the nodes, to the pattern over u = D/lambda sin(theta)."""
    from scipy.special import j0

    t = _nodes(shape)[0]
    phase = np.pi * _STEP * np.arange(round(_REACH / _STEP) + 1)[:, None] * t
    return np.asarray(np.cos(phase) if shape == "line" else j0(phase))


def _nodes(shape: Shape) -> tuple[Real, Real]:
    """Places from the middle over D/2, and weights of the integral over the aperture, whose sum is 1."""
    x, weight = np.polynomial.legendre.leggauss(_NODES)
    t = (x + 1) / 2
    return (t, weight / 2) if shape == "line" else (t, weight * t)


@cache
def _distribution(aperture: Aperture) -> tuple[Real, Real]:
    """Nodes, and weights times the aperture's field there."""
    t, weight = _nodes(aperture.shape)
    if aperture.sidelobe_db is None:
        return t, weight
    a = math.acosh(10 ** (aperture.sidelobe_db / 20)) / math.pi
    # The least number of equal sidelobes with which the field falls steadily towards the rim.
    count = max(2, round(2 * a**2 + 0.5))
    taylor = _line_taylor if aperture.shape == "line" else _disc_taylor
    return t, weight * taylor(t, a, count)


def _line_taylor(t: Real, a: float, count: int) -> Real:
    n = np.arange(1, count)
    stretch = count**2 / (a**2 + (count - 0.5) ** 2)
    field = np.ones_like(t)
    for m in range(1, count):
        share = math.factorial(count - 1) ** 2 / (
            math.factorial(count - 1 + m) * math.factorial(count - 1 - m)
        )
        f = share * np.prod(1 - m**2 / (stretch * (a**2 + (n - 0.5) ** 2)))
        field += 2 * f * np.cos(math.pi * m * t)
    return field


def _disc_taylor(t: Real, a: float, count: int) -> Real:
    from scipy.special import j0, jn_zeros

    mu = jn_zeros(1, count) / math.pi
    n = np.arange(1, count)
    zeros = mu[-1] ** 2 * (a**2 + (n - 0.5) ** 2) / (a**2 + (count - 0.5) ** 2)
    field = np.ones_like(t)
    for i in range(count - 1):
        others = np.delete(mu[:-1], i)
        # The pattern at mu_i, in the limit: there the disc's own null is taken out.
        f = -j0(math.pi * mu[i]) * np.prod(1 - mu[i] ** 2 / zeros) / np.prod(1 - mu[i] ** 2 / others**2)
        field += f * j0(math.pi * mu[i] * t) / j0(math.pi * mu[i]) ** 2
    return field
