"""The interval of a level by the errors of its field, down to no field at all.

A level is the square of a field, which errs by a vector: E = E0 + error, four real numbers, the
real and imaginary parts of two components. Where the error is small, what of it lies across the
field does nothing, and the level errs as much up as down. Where there is hardly any field, the error
is measured, which only limits the true level from above. Both follow from the distribution of
|E0 + error|^2, a noncentral chi-squared one where the four parts err alike (of two parts, S. O.
Rice's): which true levels make what was measured neither improbably high nor improbably low?
"""

from __future__ import annotations

import functools
import math

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize

from nf2ff.kernel.arrays import as_array
from nf2ff.messages.input_error import InputError
from nf2ff.uncertainty.budget.metric import check_confidence

Real = NDArray[np.float64]

#: Parts of a field: real and imaginary ones of two components.
PARTS = 4
#: Directions over which errors are summed: probabilities then err by less than 1e-3 (measured).
_DIRECTIONS = 4000


def level_interval(
    field: ArrayLike, covariance: ArrayLike, *, confidence: float = 0.95
) -> tuple[float, float]:
    """Interval of the true level |E0|^2 of a field measured with a normal error.

    Parameters
    ----------
    field : (4,) array_like
        What was measured, E.
    covariance : (4, 4) array_like
        Of its error, which is normal about zero.
    confidence : float
        Probability that the interval holds the true level; as much is left below it as above.

    Returns
    -------
    low, high : float
        0 <= low <= |E|^2 <= high [square of the field's unit]. Low is 0 where errors alone may
        make what was measured.

    Raises
    ------
    ValueError
        If the field or its covariance is not of this shape, or the confidence out of range.

    Notes
    -----
    With F(t) the probability that |t u + error| <= |E|, u the unit vector along E, which falls as
    t grows (T. W. Anderson 1955, from memory): low is the square of t where F = 1 - a, or 0, and
    high that of t where F = a F(0), a = (1 - confidence) / 2. F(0) is 1 but near a null: there it
    leaves an interval where what was measured is less than errors alone make nearly always, and
    lets the interval hold somewhat more often than stated (A. L. Read's ratio, from memory). A
    field below the largest standard deviation of its error is taken as that large, which widens
    the interval a little more: such a reading tells no lower limit anyway.

    The direction of the true field is taken for that of the measured one, which matters only where
    errors depend on direction and are as large as the field.
    """
    e = as_array(field, float, "field", ndim=1)
    c = as_array(covariance, float, "covariance of the field", ndim=2)
    if e.shape != (PARTS,) or c.shape != (PARTS, PARTS):
        raise InputError(
            f"field and covariance have shapes {e.shape} and {c.shape}, expected ({PARTS},) and "
            f"({PARTS}, {PARTS})"
        )
    check_confidence(confidence)
    level = float(e @ e)
    variance, axes = np.linalg.eigh(c)
    error = axes * np.sqrt(np.maximum(variance, 0))
    scale = math.sqrt(max(float(variance[-1]), 0.0))
    if not scale > 0:
        return level, level
    size = math.sqrt(level)
    towards = e / size if size else error[:, -1] / scale
    size = max(size, scale)
    lines = _directions() @ error.T
    # A line t u + r s lies within the ball for r between two roots.
    square = np.maximum((lines**2).sum(axis=1), np.finfo(float).tiny)
    across = lines @ towards

    def within(t: float) -> float:
        root = (t * across) ** 2 - square * (t**2 - size**2)
        half = np.sqrt(np.maximum(root, 0))
        ends = _part((-t * across + half) / square) - _part((-t * across - half) / square)
        return float(np.where(root > 0, ends, 0.0).mean())

    tail = 0.5 * (1 - confidence)
    none = within(0.0)
    # Farther than this the error does not reach.
    far = size + 10 * scale

    def where(value: float) -> float:
        root = optimize.brentq(lambda t: within(t) - value, 0.0, far, xtol=1e-4 * scale)
        return float(root)

    low = where(1 - tail) if none > 1 - tail else 0.0
    return min(low**2, level), max(where(tail * none) ** 2, level)


def _part(r: Real) -> Real:
    """Probability that four normal numbers of variance 1 lie, along a line through the origin,
    between there and ``r``, of either sign: half of the chi distribution (closed form)."""
    square = 0.5 * np.minimum(r**2, 1400.0)
    return np.asarray(0.5 * np.sign(r) * (1 - np.exp(-square) * (1 + square)))


@functools.lru_cache
def _directions() -> Real:
    """Unit vectors (D, 4) spread evenly over all directions: a lattice of irrational steps in the
    three coordinates of H. Hopf (closed form; the steps from memory, powers of the root of
    x^4 = x + 1)."""
    step = 1 / 1.2207440846057596
    u, a, b = np.mod(0.5 + np.outer(step ** np.arange(1, 4), np.arange(_DIRECTIONS)), 1.0)
    one, two = np.sqrt(u), np.sqrt(1 - u)
    a, b = 2 * np.pi * a, 2 * np.pi * b
    return np.stack([one * np.cos(a), one * np.sin(a), two * np.cos(b), two * np.sin(b)], axis=1)
