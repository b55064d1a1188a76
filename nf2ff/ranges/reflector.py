"""The reflector of a compact range: an offset paraboloid, its rim, and the currents on it.

The paraboloid is z = (x^2 + y^2)/(4F), its focus at (0, 0, F); the aperture is seen from +z, where the wave
goes, its centre at (0, offset). Rims are sharp, serrated, or rolled: then the surface goes on beyond the
parabola, in each plane through the aperture's axis, as a blend b of the parabola's continuation with an
ellipse that curves away from the zone, b = (1 - cos(pi g/gm))/2 (Gupta, Ericksen, Burnside, IEEE Trans.
Antennas Propag. 38(6), 1990; formula from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import wavenumber
from nf2ff.messages.input_error import InputError
from nf2ff.ranges.physical_optics import Currents
from nf2ff.ranges.reflector_feed import Feed

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Currents are half a wavelength apart: with Gauss nodes the sums have converged to rounding then.
CURRENT_STEP = 0.5
#: A feed whose field on the reflector is below this part of its largest anywhere does not light it.
_UNLIT = 0.01
#: Most currents.
MOST_CURRENTS = 4_000_000
#: Step of derivatives by a small imaginary part: exact to rounding.
_TINY = 1e-30


@dataclass(frozen=True, slots=True)
class SharpRim:
    """A round aperture that ends abruptly.

    Parameters
    ----------
    radius : float
        Its radius [m].
    """

    radius: float

    def __post_init__(self) -> None:
        _lengths(self, "radius")


@dataclass(frozen=True, slots=True)
class SerratedRim:
    """A round aperture with teeth, sharp but slanting everywhere.

    Parameters
    ----------
    inner, outer : float
        Radius between the teeth and at their tips [m].
    teeth : int
        Their number.
    shape : {"linear", "cosine"}
        Straight flanks, or a cosine along the rim.
    """

    inner: float
    outer: float
    teeth: int
    shape: Literal["linear", "cosine"] = "linear"

    def __post_init__(self) -> None:
        _lengths(self, "inner", "outer")
        if not self.inner < self.outer or self.teeth < 3:
            raise InputError(
                f"rim has {self.teeth} teeth from {self.inner:g} to {self.outer:g} m, expected at least 3, "
                "inner below outer"
            )
        if self.shape not in ("linear", "cosine"):
            raise InputError(f"shape of the teeth is {self.shape!r}, expected 'linear' or 'cosine'")


@dataclass(frozen=True, slots=True)
class RolledRim:
    """A round parabola that goes on as a blended rolled edge.

    Parameters
    ----------
    radius : float
        Radius of the parabola alone [m].
    along, across : float
        Semi-axes of the ellipse along the parabola's tangent and normal where they meet [m].
    turn : float
        Angle of the ellipse's parameter at which the surface ends [rad].
    """

    radius: float
    along: float
    across: float
    turn: float = math.radians(130)

    def __post_init__(self) -> None:
        _lengths(self, "radius", "along", "across")
        if not 0 < self.turn <= math.pi:
            raise InputError(f"turn of the rolled rim is {math.degrees(self.turn):g} deg, expected up to 180")


Rim = SharpRim | SerratedRim | RolledRim


def _lengths(noun: Any, *names: str) -> None:
    for name in names:
        if not 0 < getattr(noun, name) < np.inf:
            raise InputError(f"{name} of the rim is {getattr(noun, name)}, expected a number above 0 [m]")


@dataclass(frozen=True, slots=True)
class Reflector:
    """An offset paraboloid.

    Parameters
    ----------
    focal_length : float
        F [m].
    offset : float
        Distance of the aperture's centre from the axis, along y [m].
    rim : SharpRim, SerratedRim or RolledRim
        Where and how it ends, in the projection along the axis.
    """

    focal_length: float
    offset: float
    rim: Rim

    def __post_init__(self) -> None:
        if not 0 < self.focal_length < np.inf:
            raise InputError(f"focal_length is {self.focal_length}, expected a number above 0 [m]")
        if not 0 <= self.offset < np.inf:
            raise InputError(f"offset is {self.offset}, expected 0 or more [m]")

    @property
    def focus(self) -> Real:
        """(0, 0, F) [m]."""
        return np.array([0.0, 0.0, self.focal_length])

    @property
    def centre(self) -> Real:
        """Point of the surface at the aperture's centre [m]."""
        return np.array([0.0, self.offset, self.offset**2 / (4 * self.focal_length)])

    @property
    def half_width(self) -> float:
        """Largest radius of the parabolic part, teeth included [m]."""
        return self.rim.outer if isinstance(self.rim, SerratedRim) else self.rim.radius

    def feed(
        self,
        *,
        exponent: float = 2.0,
        modes: Any = None,
        displacement: Any = (0.0, 0.0, 0.0),
        polarisation: Literal["x", "y"] = "x",
    ) -> Feed:
        """A feed at the focus, moved by ``displacement`` [m], aimed at the aperture's centre."""
        across = np.eye(3)["xy".index(polarisation)]
        moved = self.focus + np.asarray(displacement, dtype=float)
        return Feed(moved, self.centre - self.focus, across, exponent, modes)


def rolled_curve(slope: Any, bend: Any, rim: RolledRim, parameter: Any) -> tuple[Any, Any]:
    """Section of a blended rolled edge: distance beyond the rim and height over the rim's point.

    Parameters
    ----------
    slope, bend : array_like
        dz/dr and d2z/dr2 [1/m] of the parabola at its end; it has no more terms.
    rim : RolledRim
        The edge.
    parameter : array_like
        g from 0 to ``rim.turn`` [rad].

    Returns
    -------
    outward, up : ndarray
        Coordinates from the parabola's end [m].
    """
    size = np.sqrt(1 + slope * slope)
    tangent, normal = rim.along * np.sin(parameter), -rim.across * (1 - np.cos(parameter))
    ellipse = (tangent - slope * normal) / size, (slope * tangent + normal) / size
    reach = rim.along * parameter / size
    parabola = reach, reach * (slope + 0.5 * bend * reach)
    b = 0.5 * (1 - np.cos(np.pi * parameter / rim.turn))
    return tuple((1 - b) * p + b * e for p, e in zip(parabola, ellipse, strict=True))


@dataclass(frozen=True, slots=True, eq=False)
class SurfaceNodes:
    """Points of quadrature on a surface.

    Parameters
    ----------
    position : (S, 3) ndarray
        Places [m].
    area : (S, 3) ndarray
        Unit normals on the lit side times areas [m^2].
    """

    position: Real
    area: Real


def surface_nodes(reflector: Reflector, feed: Feed, *, step: float) -> SurfaceNodes:
    """Points of quadrature over the lit surface: Gauss along the radius, equal steps or Gauss around.

    Parameters
    ----------
    reflector : Reflector
        The reflector.
    feed : Feed
        Its feed: a rolled rim ends for it where its rays graze the surface.
    step : float
        Largest distance of neighbours, about [m].

    Returns
    -------
    SurfaceNodes
        Points and areas.

    Raises
    ------
    ValueError
        If there are too many.
    """
    rim, wide = reflector.rim, reflector.half_width
    around, rings = math.ceil(2 * math.pi * wide / step) + 16, math.ceil(wide / step) + 8
    if isinstance(rim, SerratedRim):
        flank = np.pi / rim.teeth
        # Along a flank the distance from the axis changes too: fewer leave up to 4e-3 of the field.
        slant = math.ceil(0.2 * math.hypot(flank * wide, rim.outer - rim.inner) / step) + 4
        each = max(slant, math.ceil(around / (2 * rim.teeth)))
        around = 2 * rim.teeth * each
    if around * rings > MOST_CURRENTS:
        raise InputError(
            f"{around * rings} currents are too many", "take a lower frequency or a smaller reflector"
        )
    phi, turn = 2 * np.pi * np.arange(around) / around, np.full(around, 2 * np.pi / around)
    edge = np.full(around, wide)
    if isinstance(rim, SerratedRim):
        if rim.shape == "linear":
            nodes, weight = _gauss(each)
            phi = (flank * (np.arange(2 * rim.teeth)[:, None] + nodes)).ravel()
            turn = np.tile(flank * weight, 2 * rim.teeth)
            height = np.abs(np.mod(phi / flank, 2) - 1)
        else:
            height = 0.5 * (1 + np.cos(rim.teeth * phi))
        edge = rim.inner + (rim.outer - rim.inner) * height
    nodes, weight = _gauss(rings)
    r = edge[:, None] * nodes
    x, y = r * np.cos(phi)[:, None], reflector.offset + r * np.sin(phi)[:, None]
    double = 2 * reflector.focal_length
    place = np.stack([x, y, (x**2 + y**2) / (2 * double)], axis=-1)
    normal = np.stack([-x / double, -y / double, np.ones_like(x)], axis=-1)
    area = normal * (r * weight * (edge * turn)[:, None])[..., None]
    parts = [(place.reshape(-1, 3), area.reshape(-1, 3))]
    if isinstance(rim, RolledRim):
        parts.append(_rolled_nodes(reflector, rim, feed, phi, turn, step))
    return SurfaceNodes(*(np.concatenate(x) for x in zip(*parts, strict=True)))


def _gauss(count: int) -> tuple[Real, Real]:
    """Nodes and weights on [0, 1]."""
    x, w = np.polynomial.legendre.leggauss(count)
    return 0.5 * (x + 1), 0.5 * w


def _rolled_point(reflector: Reflector, rim: RolledRim, phi: Any, parameter: Any) -> Any:
    """Point (..., 3) of the rolled edge, for complex arguments as well."""
    f, c, s = reflector.focal_length, np.cos(phi), np.sin(phi)
    x, y = rim.radius * c, reflector.offset + rim.radius * s
    slope = (rim.radius + reflector.offset * s) / (2 * f)
    out, up = rolled_curve(slope, 1 / (2 * f), rim, parameter)
    return np.stack([x + out * c, y + out * s, (x * x + y * y) / (4 * f) + up], axis=-1)


def _rolled_nodes(
    reflector: Reflector, rim: RolledRim, feed: Feed, phi: Real, turn: Real, step: float
) -> tuple[Real, Real]:
    """Points and areas of the lit part of a rolled edge."""

    def normals(parameter: Real) -> tuple[Real, Real]:
        at = np.broadcast_to(phi[:, None], parameter.shape)
        place = _rolled_point(reflector, rim, at, parameter)
        first = _rolled_point(reflector, rim, at, parameter + 1j * _TINY).imag / _TINY
        second = _rolled_point(reflector, rim, at + 1j * _TINY, parameter).imag / _TINY
        return place, np.cross(first, second)

    # The first parameter at which rays of the feed graze, on a raster and then by halving.
    raster = np.linspace(0, rim.turn, 65)
    place, normal = normals(np.broadcast_to(raster, (phi.size, raster.size)))
    lit = np.sum(normal * (feed.position - place), axis=-1) > 0
    dark = np.where(lit.all(axis=1), raster.size - 1, np.argmin(lit, axis=1))
    low, high = raster[np.maximum(dark - 1, 0)], raster[dark]
    high = np.where(lit.all(axis=1), rim.turn, high)
    low = np.where(lit.all(axis=1), rim.turn, low)
    for _ in range(50):
        middle = 0.5 * (low + high)
        place, normal = normals(middle[:, None])
        on = np.sum(normal * (feed.position - place), axis=-1)[:, 0] > 0
        low, high = np.where(on, middle, low), np.where(on, high, middle)
    reach = max(rim.along, rim.across) * rim.turn
    nodes, weight = _gauss(math.ceil(reach / step) + 8)
    place, normal = normals(low[:, None] * nodes)
    area = normal * (weight * (low * turn)[:, None])[..., None]
    return place.reshape(-1, 3), area.reshape(-1, 3)


def _towards_shadow(rim: Rim, cosine: Real, wavelength: float) -> Any:
    """Part of 2 n x H that is left at a cosine of incidence: on a rolled edge it fades out.

    An abrupt end at the shadow's boundary would send a wave of its own, that the true currents, which go on
    beyond it, do not. They differ from 2 n x H within a cosine of (2/(k a))^(1/3), a the radius of curvature
    (V. A. Fock, 1946, from memory).
    """
    if not isinstance(rim, RolledRim):
        return 1.0
    width = (wavelength / (math.pi * min(rim.along, rim.across))) ** (1 / 3)
    return np.sin(np.pi / 2 * np.clip(cosine / min(width, 0.5), 0, 1)) ** 2


def reflector_currents(
    reflector: Reflector,
    feed: Feed,
    *,
    frequency: float,
    step: float = CURRENT_STEP,
    height: Any = None,
) -> Currents:
    """Currents 2 n x H of physical optics, fading out on a rolled edge towards the shadow.

    Parameters
    ----------
    reflector : Reflector
        The reflector.
    feed : Feed
        The feed.
    frequency : float
        Frequency [Hz].
    step : float
        Largest distance of neighbours, about [wavelengths].
    height : callable, optional
        Errors of the surface: a function of (S, 2) places in the aperture [m] to heights (S,) along the
        normal [m], such as a `SurfaceErrors`.

    Returns
    -------
    Currents
        The currents, whose field is the reflected one.

    Raises
    ------
    ValueError
        If the feed does not light the reflector, or there are too many currents.
    """
    if not 0 < step <= 1:
        raise InputError(f"step is {step} wavelengths, expected above 0, at most 1")
    wavelength = 2 * np.pi / float(wavenumber(frequency))
    nodes = surface_nodes(reflector, feed, step=step * wavelength)
    place = nodes.position
    size = np.linalg.norm(nodes.area, axis=1)
    if height is not None:
        place = place + height(place[:, :2])[:, None] * nodes.area / size[:, None]
    h = feed.magnetic_field(place, frequency=frequency)
    away = place - feed.position
    distance = np.linalg.norm(away, axis=1)
    cosine = -np.sum(nodes.area * away, axis=1) / (size * distance)
    lit = cosine > 0
    seen = np.linalg.norm(h, axis=1) * distance
    ahead = feed.position + float(distance.mean()) * np.asarray(feed.aim)
    strongest = np.linalg.norm(feed.magnetic_field(ahead[None], frequency=frequency)) * distance.mean()
    if not np.any(lit & (seen > _UNLIT * max(float(strongest), 1e-300))):
        raise InputError(
            "the feed does not light the reflector: on it its field is 40 dB below that along its aim",
            "aim it at the reflector",
        )
    moment = 2 * np.cross(nodes.area, h) * (lit * _towards_shadow(reflector.rim, cosine, wavelength))[:, None]
    return Currents(frequency, place, moment)
