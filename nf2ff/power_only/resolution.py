"""What positions too coarse for a pattern do to its total and its peak."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from nf2ff.messages.notice import Notice
from nf2ff.messages.power import PowerCode
from nf2ff.power_only.fit import PowerFit, evaluate
from nf2ff.power_only.weights import Positions

Real = NDArray[np.float64]
#: For each frequency what to beware of.
Warnings = tuple[tuple[Notice, ...], ...]

#: Residual over the pattern from which on the pattern is called unresolved: -20 dB.
UNRESOLVED = 0.1
#: Growth of the variance of a total with what is unresolved beyond that, where more samples than
#: this carry the power: fringes as wide as the steps make 1.8 times the error that noise makes
#: (simulated). A beam in few samples makes less than noise.
_GROWTH, _MANY = 5.0, 15
#: A quarter of the pattern unresolved, and its power in fewer samples than this: the beam may lie
#: between them. Simulated: an 8 x 8 array at 30 deg is missed in half of its orientations.
_COARSE, _FEW = 0.25, 7
#: Part of the unresolved share, two thirds, that counts as uncertainty of a peak, beside what
#: samples in the beam show: these may lie symmetrically about it, where the fit meets them all.
_OF_PEAK = 0.65
#: Largest unresolved share, and largest uncertainty, with which a peak's is stated.
_LOST, _WORST = 0.45, 0.5
#: Samples down to this part of the highest belong to the beam; most of them that are looked at.
_BEAM, _MOST = 0.25, 100
#: Uncertainty of a peak that is worth a word: 0.1 dB.
_WORTH = 10**0.01 - 1


def joined(*warnings: Warnings) -> Warnings:
    """Warnings of each frequency, one kind after the other."""
    return tuple(sum(some, ()) for some in zip(*warnings, strict=True))


def aliasing(field_degree: int | None, limit: int) -> tuple[Notice, ...]:
    """Say that a power pattern of degree 2N needs more than degree ``limit``, if it does."""
    if field_degree is None or 2 * field_degree <= limit:
        return ()
    double = 2 * field_degree
    figures = {
        "degree": field_degree,
        "pattern_degree": double,
        "limit": limit,
        "step_deg": 180 / (double + 1),
    }
    return (PowerCode.ALIASED(**figures),)


def samples_that_count(values: Real, share: Real) -> Real:
    """Number of positions that carry the power, (F,): (sum P)^2 / sum P^2, P weighted by area.

    Of ``values`` (F, U), positions having a ``share`` (U,) of the sphere. Only what is above the median
    counts: below a floor of noise all positions are alike.
    """
    power = np.maximum(values - np.median(values, axis=1, keepdims=True), 0) * share
    square = np.sum(power**2, axis=1)
    whole = np.sum(power, axis=1) ** 2
    return np.where(square > 0, whole / np.where(square > 0, square, 1), float(share.size))


class Resolution(NamedTuple):
    """How well a fit follows a pattern, for each of F frequencies.

    Attributes
    ----------
    unresolved, samples : (F,) ndarray
        Share of the pattern that the fit does not follow; see `samples_that_count`.
    widening : (F,) ndarray
        Factor by which sampling errors may exceed those of a residual that is noise.
    coarse : (F,) ndarray of bool
        Whether a beam may have been missed, so that no uncertainty of a total can be stated.
    warnings : tuple of tuple of Notice
        Where much is unresolved.
    """

    unresolved: Real
    samples: Real
    widening: Real
    coarse: NDArray[np.bool_]
    warnings: Warnings


def resolution(fit: PowerFit, values: Real, share: Real) -> Resolution:
    """Judge a fit of ``values`` (F, U) [W] whose positions have ``share`` (U,) of the sphere."""
    unresolved, samples = fit.unresolved(), samples_that_count(values, share)
    growth = np.where(samples > _MANY, _GROWTH, 0) * np.maximum(0, unresolved - UNRESOLVED)
    warnings = tuple(
        (PowerCode.UNRESOLVED(share_percent=100 * part, degree=fit.degree),) if part > UNRESOLVED else ()
        for part in unresolved
    )
    coarse = (unresolved > _COARSE) & (samples < _FEW)
    return Resolution(unresolved, samples, np.sqrt(1 + growth), coarse, warnings)


def coarse_warnings(found: Resolution) -> Warnings:
    """Say where no uncertainty of a total is stated."""
    return tuple(
        (PowerCode.TOTAL_UNSTATED(samples=max(1, round(n))),) if coarse else ()
        for coarse, n in zip(found.coarse, found.samples, strict=True)
    )


def peak_uncertainty(fit: PowerFit, share: Real, positions: Positions, values: Real, peak: Real) -> Real:
    """Standard uncertainty (F,) of an interpolated peak, of noise and steps; NaN where none is stated [W].

    Parameters
    ----------
    fit : PowerFit
        Of the values.
    share : (U,) ndarray
        Part of the sphere that each position stands for.
    positions : Positions
        Where they are.
    values : (F, U) ndarray
        Powers [W].
    peak : (F,) ndarray
        The peak between them [W].

    Notes
    -----
    Each sample in the beam is compared with what the others make of it: the residual over 1 - h,
    with the leverage h = (L + 1)^2 share (addition theorem, as in `fit_powers`). The rms of these,
    weighted by the squares of the powers, and two thirds of the unresolved share of the peak, are
    added as squares.

    Simulated, 50 random orientations each of arrays and pairs of sources on grids of 10 to 30 deg and
    spirals: where stated, intervals of 95 % held the peak in 90 % or more. Most of the error is a bias:
    steps that are too coarse round a beam off, and lift the peak of fringes.
    """
    leverage = np.minimum((fit.degree + 1) ** 2 * share, 0.9)
    own = np.empty(len(values))
    for i, x in enumerate(values):
        top = np.argsort(-x, kind="stable")[:_MOST]
        top = top[x[top] >= _BEAM * x.max()]
        met = evaluate(fit.coefficients[i : i + 1], theta=positions.theta[top], phi=positions.phi[top])[0]
        weight = x[top] ** 2
        off = (x[top] - met) / (1 - leverage[top])
        own[i] = np.sqrt(weight @ off**2 / weight.sum())
    found = resolution(fit, values, share)
    result = np.hypot(own, _OF_PEAK * found.unresolved * peak)
    lost = (found.unresolved > _LOST) | found.coarse | (result > _WORST * peak)
    return np.where(lost, np.nan, result)


def peak_warnings(uncertainty: Real, peak: Real) -> Warnings:
    """Say where a peak lies between directions too coarse for it."""
    result: list[tuple[Notice, ...]] = []
    for u, level in zip(uncertainty, peak, strict=True):
        if np.isnan(u):
            result.append((PowerCode.PEAK_UNSTATED(),))
        elif u > _WORTH * level:
            result.append((PowerCode.PEAK_UNSURE(uncertainty_db=10 * np.log10(1 + u / level)),))
        else:
            result.append(())
    return tuple(result)
