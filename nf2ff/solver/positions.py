"""Where samples are: planned once, for many products with the transmission operator."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel import spin, torus
from nf2ff.kernel.sphere import canonical_angles
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError

Real = NDArray[np.float64]
Rows = NDArray[np.intp] | slice


@dataclass(frozen=True, slots=True, eq=False)
class Geometry:
    """Where the samples of one frequency and one port are.

    Parameters
    ----------
    port : int
        Port of the probe, from 1.
    location : (P, 2) ndarray
        Different positions: theta in [0, pi], phi in [0, 2 pi) [rad].
    radius : (P,) ndarray
        Distance of each position [m].
    rows : (M,) ndarray of int or slice
        Which of all samples these are, in the order used here.
    chi : (K, P), (K, 1) or (M,) ndarray
        Rotation of the probe, half a turn added where theta was negative [rad]. Two-dimensional
        where every position has K samples, which then stand in K layers.
    position : (M,) ndarray of int or None
        Position of each sample, None where they stand in layers.
    """

    port: int
    location: Real
    radius: Real
    rows: Rows
    chi: Real
    position: NDArray[np.intp] | None
    _kept: dict[int | str, Any] = field(default_factory=dict, init=False)

    @property
    def aside(self) -> Real:
        """The positions as transforms take them, (P, 2), kept."""
        if "aside" not in self._kept:
            self._kept["aside"] = spin.aside(self.location)
        return np.asarray(self._kept["aside"])

    def turns(self, s: int) -> list[Real]:
        """`torus.turn_factors` of chi, kept."""
        if s not in self._kept:
            self._kept[s] = torus.turn_factors(s, self.chi)
        return list(self._kept[s])

    @property
    def count(self) -> int:
        """Number of samples M."""
        if self.position is not None:
            return self.position.size
        return self.chi.shape[0] * self.radius.size

    def multiplicity(self) -> Real:
        """Number of samples at each position, (P,)."""
        if self.position is None:
            return np.full(self.radius.size, float(self.chi.shape[0]))
        return np.bincount(self.position, minlength=self.radius.size).astype(float)

    def spread(self, values: NDArray[Any]) -> NDArray[Any]:
        """Values (P,) of the positions at each sample, (M,)."""
        if self.position is None:
            return np.tile(values, self.chi.shape[0])
        return values[self.position]


def plan_geometry(samples: Samples) -> tuple[Geometry, ...]:
    """Geometry of each port's samples.

    Parameters
    ----------
    samples : Samples
        Samples whose positions are (M,).

    Returns
    -------
    tuple of Geometry
        One for each port, in the order of the ports.

    Raises
    ------
    ValueError
        If positions differ by frequency.
    """
    if samples.moving:
        raise InputError("positions differ by frequency", "take the samples of one frequency first")
    theta, phi, turned = canonical_angles(samples.theta, samples.phi)
    chi = samples.chi + np.pi * turned if turned.any() else samples.chi
    ports = samples.ports()
    plans = []
    for port in ports:
        rows: Rows = slice(None) if len(ports) == 1 else np.flatnonzero(samples.port == port)
        plans.append(_plan_port(port, theta[rows], phi[rows], samples.radius[rows], chi[rows], rows))
    return tuple(plans)


def _plan_port(port: int, theta: Real, phi: Real, radius: Real, chi: Real, rows: Rows) -> Geometry:
    first: Rows | None = _of_pairs(theta, phi, radius)
    position = None
    if first is None:
        first, position = different_positions(theta, phi, radius)
    location = np.stack([theta[first], phi[first]], axis=1)
    size = location.shape[0]
    layers = theta.size // size
    order: Rows = slice(None)
    if position is not None:
        if layers * size != theta.size or not np.all(np.bincount(position, minlength=size) == layers):
            return Geometry(port, location, radius[first], rows, chi, position)
        order = np.argsort(position, kind="stable").reshape(size, layers).T.ravel()
    elif first == slice(0, theta.size, 2):
        order = np.arange(theta.size).reshape(size, layers).T.ravel()
    if not isinstance(order, slice):
        rows = order if isinstance(rows, slice) else rows[order]
    chi = chi[order].reshape(layers, size)
    # Even the smallest test of equality pays: two values of chi in all need no arrays.
    if np.all(chi == chi[:, :1]):
        chi = chi[:, :1]
    return Geometry(port, location, radius[first], rows, chi, None)


def elsewhere(
    geometry: tuple[Geometry, ...], theta: Real, phi: Real, chi: Real, radius: Real
) -> tuple[Geometry, ...]:
    """The same samples at other positions and turns (M,) each, in the same order.

    Those of one position that parted are taken each by itself, which costs no sorting.
    """
    theta, phi, turned = canonical_angles(theta, phi)
    chi = chi + np.pi * turned
    found = []
    for g in geometry:
        place = np.stack([theta[g.rows], phi[g.rows], radius[g.rows]])
        layers = place.reshape(3, 1 if g.position is not None else len(g.chi), -1)
        if not np.all(layers == layers[:, :1]):
            layers = place[:, None]
        own = chi[g.rows].reshape(layers.shape[1], -1)
        if np.all(own == own[:, :1]):
            own = own[:, :1]
        location, far = np.ascontiguousarray(layers[:2, 0].T), layers[2, 0]
        found.append(Geometry(g.port, location, far, g.rows, own, None))
    return tuple(found)


def different_positions(*columns: Real) -> tuple[Rows, NDArray[np.intp]]:
    """First sample at each different position, and the position of every sample.

    ``columns`` are theta, phi and, where it matters, radius, each (M,).
    """
    count = columns[0].size
    pairs = _of_pairs(*columns)
    if pairs is not None:
        place = np.arange(count // 2)
        return pairs, np.tile(place, 2) if pairs.step is None else np.repeat(place, 2)
    order = np.lexsort(columns)
    new = np.zeros(count, dtype=bool)
    new[:1] = True
    for x in columns:
        ordered = x[order]
        new[1:] |= ordered[1:] != ordered[:-1]
    position = np.empty(count, dtype=np.intp)
    position[order] = np.cumsum(new) - 1
    return order[new], position


def _of_pairs(*columns: Real) -> slice | None:
    """First of the two samples at each position, in the usual orders that need no sorting: all of one
    polarisation first, or both at each place."""
    count = columns[0].size
    half = count // 2
    if count % 2 or not count:
        return None
    if all(np.array_equal(x[:half], x[half:]) for x in columns):
        return slice(0, half)
    if all(np.array_equal(x[::2], x[1::2]) for x in columns):
        return slice(0, count, 2)
    return None


#: Different values of chi for which samples are grouped at most.
MAX_TURNS = 16


@dataclass(frozen=True, slots=True, eq=False)
class Turned:
    """Samples of one port in groups of one chi.

    Of each group ``turns`` holds chi and the positions, ``rows`` which samples of the port they
    are, ``at`` at which of its different positions they stand.
    """

    turns: tuple[torus.Turn, ...]
    rows: tuple[Rows, ...]
    at: tuple[Rows, ...]


def group_by_chi(geometry: Geometry, *, most: int) -> Turned | None:
    """Groups of one chi; None where there are many, or more samples than ``most``."""
    g, size = geometry, geometry.radius.size
    if g.count >= most:
        return None
    if g.position is None:
        layers, columns = g.chi.shape
        if columns != 1:
            return None
        return Turned(
            tuple(torus.Turn(float(chi), g.location) for chi in g.chi[:, 0]),
            tuple(slice(i * size, (i + 1) * size) for i in range(layers)),
            (slice(None),) * layers,
        )
    values, which = np.unique(np.mod(g.chi, 2 * np.pi), return_inverse=True)
    if values.size > MAX_TURNS:
        return None
    rows = [np.flatnonzero(which == i) for i in range(values.size)]
    at = [g.position[r] for r in rows]
    return Turned(
        tuple(torus.Turn(float(chi), g.location[a]) for chi, a in zip(values, at, strict=True)),
        tuple(rows),
        tuple(at),
    )
