"""What a set of beams offers in every direction, and over what part of the sphere.

A panel steers to many beams; in each direction the strongest counts. Spherical coverage is the
distribution of its EIRP over the sphere, weighted by solid angle: 3GPP TS 38.101-2, 6.2.1, asks for
the 85th percentile of power class 1.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.far_field import FarField, far_field
from nf2ff.antenna.grids import ANGLE_TOLERANCE, recognise_rule
from nf2ff.antenna.modes import Modes
from nf2ff.kernel import spin
from nf2ff.kernel.arrays import as_array, keep
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.gain_and_power import directivity, eirp

Real = NDArray[np.float64]
BeamQuantity = Literal["eirp", "directivity"]

#: A grid whose intensities integrate to a power this far from the radiated one is too coarse for
#: the beam: 0.1 dB, where rings 15 deg apart weighted by sin(theta) miss 0.025 dB. A far field does
#: not tell its degree; what it tells is whether its directions stand for the beam.
POWER_TOLERANCE = 0.023


# --- a set of beams ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class BeamSet:
    """Far fields of B beams at the same frequencies on the same grid.

    Parameters
    ----------
    beams : sequence of B FarField
        One for each setting of the panel.

    Raises
    ------
    ValueError
        If there is none, or grids or frequencies differ.
    """

    beams: tuple[FarField, ...]

    def __post_init__(self) -> None:
        beams = tuple(self.beams)
        _require_some(beams)
        for i, beam in enumerate(beams):
            _require_same(beams[0], beam, i)
        object.__setattr__(self, "beams", beams)


def _require_some(beams: Sequence[object]) -> None:
    if not beams:
        raise InputError("a set of beams needs at least one beam")


def _require_same(first: FarField, other: FarField, index: int) -> None:
    for name, unit in (("theta", "directions"), ("phi", "directions"), ("frequency", "frequencies")):
        a, b = getattr(first, name), getattr(other, name)
        slack = ANGLE_TOLERANCE if unit == "directions" else 1e-9 * first.frequency[:1]
        if a.shape != b.shape or np.any(np.abs(a - b) > slack):
            raise InputError(
                f"beam {index} has other {unit} than beam 0 ({_range(name, b)}, not {_range(name, a)})",
                "take all beams from their modes on one grid, see envelope_of",
            )


def _range(name: str, values: Real) -> str:
    return f"{values.size} values of {name} from {values.min():z.6g} to {values.max():z.6g}"


@dataclass(frozen=True, slots=True, eq=False)
class Envelope:
    """The strongest of a set of beams in each direction of the whole sphere.

    Parameters
    ----------
    frequency : (F,) array_like
        Frequencies [Hz].
    theta, phi : (T,), (P,) array_like
        Polar angles, increasing, and azimuths [rad].
    maximum : (F, T, P) array_like
        Largest EIRP [W] or directivity (linear) of all beams.
    beam : (F, T, P) array_like of int
        Which beam that is, counted from 0 in the order of the set; of equals the first.
    quantity : {"eirp", "directivity"}
        What ``maximum`` is.

    Raises
    ------
    ValueError
        If shapes do not fit, or the grid leaves out a part of the sphere.
    """

    frequency: Real
    theta: Real
    phi: Real
    maximum: Real
    beam: NDArray[np.intp]
    quantity: BeamQuantity

    def __post_init__(self) -> None:
        keep(self, ("frequency", "theta", "phi"), float, ndim=1)
        shape = (self.frequency.size, self.theta.size, self.phi.size)
        keep(self, ("maximum",), float, shape=shape, axes="(F, T, P)")
        keep(self, ("beam",), np.intp, shape=shape, axes="(F, T, P)")
        _require_quantity(self.quantity)
        solid_angles(self.theta, self.phi)


def _require_quantity(quantity: str) -> None:
    if quantity not in ("eirp", "directivity"):
        raise InputError(f"quantity is {quantity!r}, expected 'eirp' or 'directivity'")


def envelope(beams: BeamSet, *, quantity: BeamQuantity = "eirp") -> Envelope:
    """Maximum over the beams in each direction, and the map of the best beam.

    Parameters
    ----------
    beams : BeamSet
        Beams on one grid of the whole sphere. A direction that a beam has not ``trusted`` counts
        with the field that it has.
    quantity : {"eirp", "directivity"}
        "directivity", each beam's referred to the power it radiates itself, needs no absolute
        level.

    Returns
    -------
    Envelope
        The maximum and the beam that attains it.

    Raises
    ------
    ValueError
        If EIRP is asked of relative data, the grid leaves out a part of the sphere, or it is too
        coarse: the intensities of a beam integrate to another power than it radiates.
    """
    return _envelope(beams.beams, quantity)


def envelope_of(
    modes: Sequence[Modes], *, quantity: BeamQuantity = "eirp", step: float = np.pi / 180
) -> Envelope:
    """As `envelope`, of beams given by their modes, on a grid that is fine enough.

    Parameters
    ----------
    modes : sequence of B Modes
        One for each beam, all at the same frequencies. One far field at a time is held.
    quantity : {"eirp", "directivity"}
        As in `envelope`.
    step : float
        Largest step of the grid; it is made finer where the degree N needs more than pi/3N [rad].

    Returns
    -------
    Envelope
        On equal steps in theta, both poles included, and in phi.

    Raises
    ------
    ValueError
        If there is no beam, the frequencies differ, EIRP is asked of relative data, or the step
        is not positive.
    """
    _require_some(modes)
    wanted = float(as_array(step, float, "step", ndim=0))
    if not wanted > 0:
        raise InputError(f"step is {wanted:.6g} rad, expected a positive step of the grid")
    # The slack keeps a step of a whole part of pi from becoming the next finer one by rounding.
    rings = int(np.ceil(np.pi / wanted - 1e-9))
    rings = max(rings, 4, *(3 * one.degree for one in modes))
    turns = spin.good_length(2 * rings)
    theta, phi = np.pi * np.arange(rings + 1) / rings, 2 * np.pi * np.arange(turns) / turns
    return _envelope((far_field(one, theta=theta, phi=phi) for one in modes), quantity)


def _envelope(beams: Iterable[FarField], quantity: BeamQuantity) -> Envelope:
    _require_quantity(quantity)
    first, weight = None, np.empty(0)
    for i, beam in enumerate(beams):
        value = eirp(beam) if quantity == "eirp" else directivity(beam)
        if first is None:
            first, weight = beam, solid_angles(beam.theta, beam.phi)
            maximum, which = value, np.zeros(value.shape, dtype=np.intp)
        else:
            _require_same(first, beam, i)
            better = value > maximum
            which[better] = i
            np.maximum(maximum, value, out=maximum)
        _require_fine(beam, value, weight, i, quantity)
    assert first is not None
    return Envelope(first.frequency, first.theta, first.phi, maximum, which, quantity)


def _require_fine(beam: FarField, value: Real, weight: Real, index: int, quantity: BeamQuantity) -> None:
    """Refuse a grid on which the integral of the intensity is not the radiated power."""
    ratio = np.einsum("ftp,tp->f", value, weight) / (4 * np.pi)
    if quantity == "eirp":
        ratio = ratio / np.where(beam.radiated_power > 0, beam.radiated_power, 1.0)
    off = np.abs(ratio - 1) * (beam.radiated_power > 0)
    worst = int(np.argmax(off))
    if off[worst] > POWER_TOLERANCE:
        raise InputError(
            f"the grid of {beam.theta.size} x {beam.phi.size} directions is too coarse for beam "
            f"{index} at {beam.frequency[worst]:.9g} Hz (aliasing): its intensities integrate to "
            f"{100 * ratio[worst]:.4g} % of the radiated power; take smaller steps, or envelope_of"
        )


# --- solid angles --------------------------------------------------------------------------


def solid_angles(theta: ArrayLike, phi: ArrayLike) -> Real:
    """Part of the sphere that each direction of a grid stands for.

    Parameters
    ----------
    theta : (T,) array_like
        Polar angles, increasing, from 0 to pi [rad].
    phi : (P,) array_like
        Azimuth angles in any order, the first repeated at the end or not [rad].

    Returns
    -------
    (T, P) ndarray
        Weights of the quadrature rule where the rings belong to one, otherwise the areas of cells
        whose borders lie half way between neighbours; the sum is 4 pi [sr].

    Raises
    ------
    ValueError
        If the grid leaves out a part of the sphere: a gap in phi of more than twice the mean
        step, or in theta to a pole of more than the largest step.
    """
    theta = as_array(theta, float, "theta", ndim=1)
    phi = as_array(phi, float, "phi", ndim=1)
    if theta.size < 2 or np.any(np.diff(theta) <= 0) or phi.size < 3:
        raise InputError(
            f"theta and phi are {theta.size} and {phi.size} angles: coverage of the sphere needs "
            "at least 2 increasing and 3"
        )
    order = np.argsort(np.mod(phi, 2 * np.pi), kind="stable")
    around = np.mod(phi, 2 * np.pi)[order]
    step = np.diff(np.append(around, around[0] + 2 * np.pi))
    if step.max() > 4 * np.pi / phi.size + ANGLE_TOLERANCE:
        raise InputError(
            f"phi leaves out {np.degrees(step.max()):.4g} deg at one place: coverage needs a grid "
            "of the whole sphere"
        )
    width = np.empty(phi.size)
    width[order] = (step + np.roll(step, 1)) / 2
    rule = recognise_rule(theta)
    if rule is not None:
        return np.outer(spin.ring_weights(rule, theta.size), width / (2 * np.pi))
    largest = np.diff(theta).max()
    for name, gap in (("0", theta[0]), ("180", np.pi - theta[-1])):
        if gap > largest + ANGLE_TOLERANCE:
            raise InputError(
                f"theta leaves out {np.degrees(gap):.4g} deg at theta = {name}: coverage needs a "
                "grid of the whole sphere"
            )
    border = np.concatenate([[0.0], (theta[1:] + theta[:-1]) / 2, [np.pi]])
    # cos(a) - cos(b), which keeps its digits near the poles.
    low, high = border[:-1], border[1:]
    return np.outer(2 * np.sin((low + high) / 2) * np.sin((high - low) / 2), width)


# --- distribution over the sphere ----------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Distribution:
    """Cumulative distribution of a quantity over the solid angle.

    Parameters
    ----------
    value, probability : (F, M) array_like
        EIRP [W] or directivity (linear) in the M directions, not decreasing; part of the sphere in
        which the quantity is that or less, up to 1.

    Raises
    ------
    ValueError
        If the shapes differ.
    """

    value: Real
    probability: Real

    def __post_init__(self) -> None:
        keep(self, ("value", "probability"), float, ndim=2)
        if self.value.shape != self.probability.shape:
            raise InputError(f"probability has shape {self.probability.shape}, expected {self.value.shape}")


def distribution(beams: Envelope) -> Distribution:
    """Cumulative distribution over the sphere of the strongest beam, weighted by solid angle.

    Parameters
    ----------
    beams : Envelope
        The strongest beams.

    Returns
    -------
    Distribution
        The values in order, and the part of the sphere up to each.
    """
    value, share = _sorted(beams)
    return Distribution(value, np.cumsum(share, axis=1))


def _sorted(beams: Envelope) -> tuple[Real, Real]:
    """Values (F, M), increasing, and the parts of the sphere that belong to them."""
    flat = beams.maximum.reshape(beams.frequency.size, -1)
    share = solid_angles(beams.theta, beams.phi).ravel()
    order = np.argsort(flat, axis=1)
    return np.take_along_axis(flat, order, axis=1), (share / share.sum())[order]


def percentile(beams: Envelope, percent: ArrayLike) -> Real:
    """Percentiles of the distribution over the sphere.

    Parameters
    ----------
    beams : Envelope
        The strongest beams.
    percent : () or (K,) array_like
        Part of the sphere in which the value is not exceeded, 0 to 100: at 85 the strongest beam
        stays below the value returned in 85 % of the sphere and above it in 15 % [%].

    Returns
    -------
    (F,) or (F, K) ndarray
        EIRP [W] or directivity (linear). Each direction stands in the middle of its solid angle,
        and values in between are interpolated.

    Raises
    ------
    ValueError
        If a percentile is not within 0 to 100.
    """
    wanted = as_array(percent, float, "percent")
    bad = np.flatnonzero(~((wanted >= 0) & (wanted <= 100)))
    if bad.size or wanted.ndim > 1:
        what = f"{wanted.ravel()[bad[0]]:.6g}" if bad.size else f"an array {wanted.shape}"
        raise InputError(f"percentile is {what}, expected within 0 to 100, one or a list")
    value, share = _sorted(beams)
    middle = np.cumsum(share, axis=1) - share / 2
    rows = zip(value, middle, strict=True)
    return np.array([np.interp(wanted / 100, p, v) for v, p in rows]).reshape(-1, *wanted.shape)


def fraction_above(beams: Envelope, level: ArrayLike) -> Real:
    """Part of the sphere in which the strongest beam is above a level.

    Parameters
    ----------
    beams : Envelope
        The strongest beams.
    level : () or (F,) array_like
        EIRP [W] or directivity (linear).

    Returns
    -------
    (F,) ndarray
        Fraction of the sphere, 0 to 1.

    Raises
    ------
    ValueError
        If there is not one level, or one for each frequency.
    """
    limit = as_array(level, float, "level")
    if limit.shape not in ((), beams.frequency.shape):
        raise InputError(
            f"level has shape {limit.shape} for {beams.frequency.size} frequencies",
            "give one value, or one for each frequency",
        )
    share = solid_angles(beams.theta, beams.phi)
    above = beams.maximum > np.broadcast_to(limit, beams.frequency.shape)[:, None, None]
    return np.asarray(np.einsum("ftp,tp->f", above, share / share.sum()))
