"""Antennas whose field is known exactly: dipoles and wires, and arrays and apertures of them.

Hertzian dipoles and the thin wire with a sinusoidal current have closed-form fields at every distance. Sums
of them make arrays and apertures, and no spherical wave enters, so that what a transformation yields can be
held against them. Time factor exp(+jwt), peak phasors. The functions here raise ValueError where a size or
number is not positive or a shape does not fit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.modes import WAVE_IMPEDANCE
from nf2ff.kernel.arrays import as_array
from nf2ff.messages.input_error import InputError

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
Taper = Literal["uniform", "cosine"]


@dataclass(frozen=True, slots=True, eq=False)
class DipoleCluster:
    """Electric and magnetic Hertzian dipoles at any positions, the same at all frequencies.

    Parameters
    ----------
    position : (D, 3) array_like
        Cartesian positions [m].
    electric : (D, 3) array_like
        Electric moments I l, current times length; zero where left out [A m].
    magnetic : (D, 3) array_like
        Magnetic moments K l, magnetic current times length; zero where left out [V m].

    Raises
    ------
    ValueError
        If there is no dipole, or moments and positions differ in shape.
    """

    position: Real
    electric: Complex = 0.0  # type: ignore[assignment]
    magnetic: Complex = 0.0  # type: ignore[assignment]

    def __post_init__(self) -> None:
        position = as_array(self.position, float, "position", ndim=2)
        if position.shape[0] < 1 or position.shape[1] != 3:
            raise InputError(f"position has shape {position.shape}, expected (D, 3) with D >= 1")
        object.__setattr__(self, "position", position)
        for name in ("electric", "magnetic"):
            moment = as_array(getattr(self, name), complex, name)
            if moment.ndim == 0:
                moment = np.broadcast_to(moment, position.shape)
            if moment.shape != position.shape:
                raise InputError(f"{name} has shape {moment.shape}, expected {position.shape} like position")
            object.__setattr__(self, name, moment)

    @property
    def minimum_radius(self) -> float:
        """Radius of the smallest sphere about the origin that holds all dipoles [m]."""
        return float(np.linalg.norm(self.position, axis=1).max())


@dataclass(frozen=True, slots=True, eq=False)
class SinusoidalWire:
    """Thin straight wire with the current I sin(k (L/2 - |z'|)), z' counted from its centre.

    Parameters
    ----------
    length : float
        Length L, any number of wavelengths [m].
    current : complex
        Current I in the maximum of the sine, the same at all frequencies [A].
    position : (3,) array_like
        Centre of the wire [m].
    axis : (3,) array_like
        Direction of the wire, any length.

    Raises
    ------
    ValueError
        If the length is not positive, or position or axis is not a vector.
    """

    length: float
    current: complex
    position: Real = (0.0, 0.0, 0.0)  # type: ignore[assignment]
    axis: Real = (0.0, 0.0, 1.0)  # type: ignore[assignment]

    def __post_init__(self) -> None:
        object.__setattr__(self, "length", _positive(self.length, "length"))
        object.__setattr__(self, "current", complex(as_array(self.current, complex, "current")))
        object.__setattr__(self, "position", _vector(self.position, "position", float))
        object.__setattr__(self, "axis", _direction(self.axis, "axis"))

    @property
    def minimum_radius(self) -> float:
        """Radius of the smallest sphere about the origin that holds the wire [m]."""
        half = self.length / 2 * self.axis
        ends = np.stack([self.position + half, self.position - half])
        return float(np.linalg.norm(ends, axis=1).max())


Antenna = DipoleCluster | SinusoidalWire


def array_of(element: DipoleCluster, *, positions: ArrayLike, weights: ArrayLike = 1.0) -> DipoleCluster:
    """Copies of one element, shifted and weighted, without mutual coupling.

    Parameters
    ----------
    element : DipoleCluster
        The element about its own origin.
    positions : (P, 3) array_like
        Where its origin goes [m].
    weights : (P,) or () array_like
        Complex factors on its moments.

    Returns
    -------
    DipoleCluster
        P times as many dipoles, the element running faster.

    Raises
    ------
    ValueError
        If shapes do not fit.
    """
    shift = as_array(positions, float, "positions", ndim=2)
    weight = as_array(weights, complex, "weights")
    if shift.shape[1] != 3 or weight.shape not in ((), shift.shape[:1]):
        raise InputError(f"positions {shift.shape} and weights {weight.shape}: expected (P, 3) and (P,)")
    factor = np.broadcast_to(weight, shift.shape[:1])[:, None, None]
    return DipoleCluster(
        (shift[:, None] + element.position).reshape(-1, 3),
        (factor * element.electric).reshape(-1, 3),
        (factor * element.magnetic).reshape(-1, 3),
    )


def line_array(
    element: DipoleCluster, *, count: int, spacing: float, axis: ArrayLike, phase_step: float = 0.0
) -> DipoleCluster:
    """Equally spaced elements of equal amplitude on a line centred at the origin.

    Parameters
    ----------
    element : DipoleCluster
        The element about its own origin.
    count : int
        Number of elements.
    spacing : float
        Distance from element to element [m].
    axis : (3,) array_like
        Direction of the line, any length.
    phase_step : float
        Phase gained from one element to the next along ``axis``; minus k times ``spacing`` turns the beam to
        ``axis`` (ordinary end-fire) [rad].

    Returns
    -------
    DipoleCluster
        The array.

    Raises
    ------
    ValueError
        If count or spacing is not positive.
    """
    steps = np.arange(_whole(count, "count")) - (count - 1) / 2
    place = np.outer(steps * _positive(spacing, "spacing"), _direction(axis, "axis"))
    return array_of(element, positions=place, weights=np.exp(1j * phase_step * steps))


def huygens_source(
    *,
    direction: ArrayLike,
    polarisation: ArrayLike,
    moment: complex = 1.0,
    position: ArrayLike = (0.0, 0.0, 0.0),
) -> DipoleCluster:
    """Crossed electric and magnetic dipole: full field along ``direction``, none behind.

    Parameters
    ----------
    direction : (3,) array_like
        Where it radiates, any length.
    polarisation : (3,) array_like
        Direction of the electric moment, across ``direction``; complex where not linear.
    moment : complex
        Electric moment [A m].
    position : (3,) array_like
        Where it is [m].

    Returns
    -------
    DipoleCluster
        One dipole pair, magnetic moment Z0 direction x electric moment.

    Raises
    ------
    ValueError
        If ``polarisation`` is zero or not across ``direction``.
    """
    d = _direction(direction, "direction")
    p = _vector(polarisation, "polarisation", complex)
    norm = float(np.linalg.norm(p))
    if norm == 0 or abs(d @ p) > 1e-9 * norm:
        raise InputError(f"polarisation {p.tolist()} must be across direction {d.tolist()} and not zero")
    electric = complex(moment) * p / norm
    magnetic = WAVE_IMPEDANCE * np.cross(d, electric)
    return DipoleCluster(_vector(position, "position", float)[None], electric[None], magnetic[None])


def line_source(
    element: DipoleCluster, *, length: float, axis: ArrayLike, nodes: int, taper: Taper = "uniform"
) -> DipoleCluster:
    """Continuous line of elements about the origin, by Gauss-Legendre quadrature.

    Parameters
    ----------
    element : DipoleCluster
        The element, its moments per metre of the line.
    length : float
        Length of the line [m].
    axis : (3,) array_like
        Direction of the line, any length.
    nodes : int
        Number of nodes; x/4 + 5 x^(1/3), x = k length, makes the far field exact to 1e-10 of its peak.
    taper : {"uniform", "cosine"}
        Distribution along the line; the cosine falls to zero at both ends.

    Returns
    -------
    DipoleCluster
        The nodes, quadrature weights in their moments.

    Raises
    ------
    ValueError
        If length or nodes is not positive, or the taper is unknown.
    """
    x, weight = _rule(length, nodes, taper)
    return array_of(element, positions=np.outer(x, _direction(axis, "axis")), weights=weight)


def rectangular_aperture(
    element: DipoleCluster,
    *,
    width: float,
    height: float,
    nodes: int,
    taper: tuple[Taper, Taper] = ("uniform", "uniform"),
) -> DipoleCluster:
    """Rectangle of elements in the plane z = 0 about the origin, by Gauss-Legendre quadrature.

    Parameters
    ----------
    element : DipoleCluster
        The element, its moments per square metre.
    width, height : float
        Sides along x and y [m].
    nodes : int
        Number of nodes along each side, see `line_source`.
    taper : pair of {"uniform", "cosine"}
        Distribution along x and y.

    Returns
    -------
    DipoleCluster
        As `line_source`.

    Raises
    ------
    ValueError
        If a side or ``nodes`` is not positive, or a taper is unknown.
    """
    nodes = _whole(nodes, "nodes")
    x, weight_x = _rule(width, nodes, taper[0])
    y, weight_y = _rule(height, nodes, taper[1])
    place = np.stack([np.repeat(x, nodes), np.tile(y, nodes), np.zeros(nodes**2)], axis=1)
    return array_of(element, positions=place, weights=np.outer(weight_x, weight_y).ravel())


def circular_aperture(element: DipoleCluster, *, radius: float, rings: int, spokes: int) -> DipoleCluster:
    """Uniform disc of elements in the plane z = 0 about the origin, by polar quadrature.

    Parameters
    ----------
    element : DipoleCluster
        The element, its moments per square metre.
    radius : float
        Radius of the disc [m].
    rings : int
        Gauss-Legendre nodes from centre to rim; x/4 + 5 x^(1/3), x = k radius, makes the far
        field exact to 1e-10 of its peak.
    spokes : int
        Equal steps in azimuth; x + 10 x^(1/3) likewise.

    Returns
    -------
    DipoleCluster
        The nodes, quadrature weights in their moments.

    Raises
    ------
    ValueError
        If ``radius``, ``rings`` or ``spokes`` is not positive.
    """
    rho, weight = _rule(_positive(radius, "radius"), _whole(rings, "rings"), "uniform")
    rho = rho + radius / 2
    angle = 2 * np.pi * np.arange(_whole(spokes, "spokes")) / spokes
    x, y = np.outer(rho, np.cos(angle)).ravel(), np.outer(rho, np.sin(angle)).ravel()
    area = np.repeat(weight * rho * 2 * np.pi / spokes, spokes)
    return array_of(element, positions=np.stack([x, y, 0 * x], axis=1), weights=area)


def _rule(length: float, nodes: int, taper: Taper) -> tuple[Real, Real]:
    """Gauss-Legendre nodes on [-length/2, length/2], weights times the taper."""
    x, weight = np.polynomial.legendre.leggauss(_whole(nodes, "nodes"))
    half = _positive(length, "length") / 2
    if taper not in ("uniform", "cosine"):
        raise InputError(f"taper is {taper!r}, expected 'uniform' or 'cosine'")
    return half * x, half * weight * (np.cos(np.pi / 2 * x) if taper == "cosine" else 1)


def _positive(value: float, name: str) -> float:
    if not (np.isfinite(value) and value > 0):
        raise InputError(f"{name} is {value}, expected > 0")
    return float(value)


def _whole(value: int, name: str) -> int:
    if not (value > 0 and value == int(value)):
        raise InputError(f"{name} is {value}, expected a whole number > 0")
    return int(value)


def _vector(value: ArrayLike, name: str, dtype: type) -> NDArray[Any]:
    vector = as_array(value, dtype, name, ndim=1)
    if vector.shape != (3,):
        raise InputError(f"{name} has {vector.size} components, expected 3")
    return vector


def _direction(value: ArrayLike, name: str) -> Real:
    vector = _vector(value, name, float)
    norm = float(np.linalg.norm(vector))
    if norm == 0:
        raise InputError(f"{name} is the zero vector, expected a direction")
    unit: Real = vector / norm
    unit.flags.writeable = False
    return unit
