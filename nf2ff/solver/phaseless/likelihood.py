"""How likely readings are whose phases are known within groups only, and the way to the most likely antenna.

Each group g of readings y shares one unknown phase. With white noise of mean square sigma^2 and every phase
as likely as any other, responses w have the likelihood

    prod_g exp(-(|y_g|^2 + |w_g|^2) / sigma^2) I_0(2 |<y_g, w_g>| / sigma^2),

Rice's density where a group is one reading (S. O. Rice, Bell Syst. Tech. J. 24, 1945, from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.solver.phaseless.projection import Range

Complex = NDArray[Any]
Real = NDArray[np.float64]

#: Steps like the better of the last two that are hoped for where a deviance is to be reached.
REACH = 6
#: Remainder of the conjugate gradients of a step: 0.01 takes three times the products for the same ends.
INEXACT = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Groups:
    """Which readings share a phase.

    Parameters
    ----------
    of : (M,) ndarray of int
        Group of each reading, from 0.
    order : (M,) ndarray of int or None
        Readings group by group; None where each is one.
    starts : (G,) ndarray of int
        Where each group begins in that order.
    """

    of: NDArray[np.intp]
    order: NDArray[np.intp] | None
    starts: NDArray[np.intp]

    @property
    def count(self) -> int:
        """Number of groups G."""
        return self.starts.size

    def sums(self, values: NDArray[Any]) -> NDArray[Any]:
        """Sum over each group, (G,), of values (M,)."""
        if self.order is None:
            return values
        return np.asarray(np.add.reduceat(values[self.order], self.starts))

    def spread(self, values: NDArray[Any]) -> NDArray[Any]:
        """Values (G,) of the groups at each reading."""
        return values if self.order is None else values[self.of]


def groups_of(coherence: NDArray[np.int64]) -> Groups:
    """Groups of readings by their numbers (M,)."""
    _, of = np.unique(coherence, return_inverse=True)
    if of.max() + 1 == of.size:
        return Groups(np.arange(of.size), None, np.arange(of.size))
    order = np.argsort(of, kind="stable")
    return Groups(of, order, np.flatnonzero(np.diff(of[order], prepend=-1)))


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """Readings in the order of a range, scaled as its rows are.

    Parameters
    ----------
    y : (M,) ndarray
        Scaled readings; their phases mean something within a group only.
    groups : Groups
        The groups.
    weight : (M,) ndarray
        1 over the mean square noise of each scaled reading for noise of 1; zero of those held out.
    """

    y: Complex
    groups: Groups
    weight: Real

    def nearest(self, w: Complex, band: NDArray[Any] | None = None) -> Complex:
        """The readings with phases as near to ``w`` as they get; where one is held out, ``w`` itself.

        ``band`` (G,) is how far from its readings each group may stay.
        """
        y, groups = self.y.astype(w.dtype, copy=False), self.groups
        if groups.order is None:
            size = np.abs(w)
            size[size == 0] = 1
            level = np.abs(y)
            if band is not None:
                level = np.clip(size, level - band, level + band)
            found = w * (level / size)
        else:
            c = groups.sums(np.conj(y) * w)
            size = np.abs(c)
            size[size == 0] = 1
            found = y * groups.spread(c / size)
            if band is not None:
                apart = w - found
                far = np.sqrt(groups.sums(apart.real**2 + apart.imag**2))
                found += apart * groups.spread(np.minimum(1, band / np.maximum(far, 1e-30)))
        out = self.weight == 0
        if out.any():
            found[out] = w[out]
        return found

    def completed(self, w: Complex, variance: float) -> Complex:
        """Readings with the phases that ``w`` gives them, each as much as its phase is sure.

        At the most likely ``w`` equal-weight least squares on them has ``w`` as its solution: there the
        gradient of the likelihood vanishes, which is that of their squared distance.
        """
        from scipy.special import i0e, i1e

        cross = self.groups.sums(self.weight / variance * np.conj(self.y) * w)
        size = np.abs(cross)
        turn = cross / np.where(size > 0, size, 1) * (i1e(2 * size) / i0e(2 * size))
        return np.asarray(self.y * self.groups.spread(turn))

    def without(self, out: NDArray[np.bool_]) -> Readings:
        """With some readings held out."""
        return replace(self, weight=np.where(out, 0.0, self.weight))

    def misfit(self, w: Complex) -> Real:
        """Least square of readings minus ``w`` over the phase of each group, (G,), for noise of 1."""
        g, v = self.groups, self.weight
        cross = np.abs(g.sums(v * np.conj(self.y) * w))
        both = g.sums(v * (np.abs(self.y) ** 2 + np.abs(w) ** 2))
        return np.maximum(both - 2 * cross, 0)

    def expected(self, w: Complex, variance: float) -> Real:
        """Expectation of twice the `misfit` over the variance of the noise, (G,), if ``w`` is the truth.

        2 K - 1 of a group of K readings far above the noise, 2 K of one without signal: Rice's mean
        amplitude is sqrt(pi)/2 [(1 + s^2) I_0(s^2/2) + s^2 I_1(s^2/2)] exp(-s^2/2) at amplitude s.
        """
        from scipy.special import i0e, i1e

        g, v = self.groups, self.weight
        square = g.sums(v * np.abs(w) ** 2) / variance
        count = g.sums((v > 0).astype(float))
        half = 0.5 * square
        mean = 0.5 * np.sqrt(np.pi) * ((1 + square) * i0e(half) + square * i1e(half))
        # The difference loses digits where the signal is strong, and is 1 there.
        near = np.where(square > 1e4, 1.0, 2 * (1 + 2 * square - 2 * np.sqrt(square) * mean))
        return np.where(count > 0, near + 2 * (count - 1), 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """An antenna and how well it explains readings: ``deviance`` is minus twice the log likelihood."""

    z: Complex
    w: Complex
    deviance: float
    steps: int


def deviance(readings: Readings, w: Complex, variance: float) -> float:
    """Minus twice the log likelihood, up to a constant of readings and noise."""
    from scipy.special import i0e

    g, v = readings.groups, readings.weight / variance
    kappa = 2 * np.abs(g.sums(v * np.conj(readings.y) * w))
    square = float(np.sum(v * (np.abs(readings.y) ** 2 + np.abs(w) ** 2)))
    return 2 * (square - float(np.sum(np.log(i0e(kappa)) + kappa)))


def curvature(readings: Readings, w: Complex, variance: float) -> tuple[Real, Complex]:
    """What each reading tells at ``w``: its weight (M,), and the unit direction (M,) that it does not tell.

    The direction is that of the group's phase. The weight falls with the signal over the noise, as the
    information of power readings does: 4 s^2 / (2 s^2 sigma^2 + sigma^4) for amplitude s.
    """
    g, v = readings.groups, readings.weight / variance
    square = g.sums(v * np.abs(w) ** 2)
    share = 2 * square / (2 * square + 1)
    unit = 1j * w * g.spread(np.where(square > 0, 1 / np.sqrt(np.where(square > 0, square, 1)), 0))
    return v * g.spread(share), unit


def information(
    operator: Range, readings: Readings, told: Real, unit: Complex, v: float
) -> Callable[[Complex], Complex]:
    """Fisher's information as a map of changes of coordinates; ``v`` is the variance of the noise.

    In the precision of the operator.
    """
    g, real, whole = readings.groups, operator.precision, np.result_type(operator.precision, np.complex64)
    told, unit = told.astype(real, copy=False), unit.astype(whole, copy=False)
    across = np.conj(unit) * (readings.weight / v).astype(real, copy=False)

    def product(d: Complex) -> Complex:
        w = operator.forward(d)
        w -= unit * g.spread(g.sums((across * w).real))
        w *= told
        return operator.adjoint(w)

    return product


def most_likely(
    operator: Range,
    readings: Readings,
    z: Complex,
    variance: float,
    *,
    rough: Range | None = None,
    steps: int = 40,
    inner: int = 80,
    decrease: float = 0.01,
    least: float = np.inf,
) -> Fit:
    """Gauss-Newton steps on the likelihood, damped, each by conjugate gradients, from coordinates ``z``.

    They end when the deviance falls by less than ``decrease``, or so slowly that `REACH` such steps would not
    bring it down to ``least``. ``rough`` is the operator in single precision, for the conjugate gradients.
    """
    rough = operator.rough() if rough is None else rough
    v = readings.weight / variance
    w = operator.forward(z)
    now = deviance(readings, w, variance)
    damping, taken, before = 1e-2, 0, np.inf
    mean = float(np.mean(v))
    for _ in range(steps):
        gradient = operator.adjoint(v * (readings.completed(w, variance) - w))
        told, unit = curvature(readings, w, variance)
        change, count = solve_by_gradients(
            information(rough, readings, told, unit, variance),
            gradient.astype(np.result_type(rough.precision, np.complex64)),
            inner,
            INEXACT,
            damping=damping * mean,
        )
        taken += count
        # The way there is straight, so that a shorter step costs no product.
        change = change.astype(complex)
        there = operator.forward(change)
        for length in (1.0, 0.5, 0.25, 0.1, 0.02):
            found = deviance(readings, w + length * there, variance)
            if found < now:
                break
        else:
            break
        fall, now = now - found, found
        z, w = z + length * change, w + length * there
        hoped = 2 * float(np.vdot(gradient, change).real)
        damping = min(max(damping * (0.2 if fall > 0.7 * hoped else 1 if length == 1 else 3), 1e-9), 1e3)
        if fall < decrease or now - REACH * max(fall, before) > least:
            break
        before = fall
    return Fit(z, w, now, taken)


def solve_by_gradients(
    product: Callable[[Complex], Complex], right: Complex, most: int, rtol: float, *, damping: float = 0.0
) -> tuple[Complex, int]:
    """Conjugate gradients on a real-linear positive map of complex numbers, and the steps taken.

    ``damping`` is added to the map.
    """
    x = np.zeros_like(right)
    rest = right.copy()
    direction = rest.copy()
    size = first = float(np.vdot(rest, rest).real)
    for count in range(most):
        if size <= rtol**2 * first or size == 0:
            return x, count
        image = product(direction) + right.dtype.type(damping) * direction
        bend = float(np.vdot(direction, image).real)
        if bend <= 0:
            return x, count
        length = size / bend
        x += length * direction
        rest -= length * image
        size, before = float(np.vdot(rest, rest).real), size
        direction = rest + size / before * direction
    return x, most
