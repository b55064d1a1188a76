"""What positions too coarse for a pattern do to its total and its peak, and words for it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nf2ff.power_only.fit import Basis, PowerFit
from nf2ff.power_only.weights import Positions

Real = NDArray[np.float64]

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


def aliasing_warning(field_degree: int, limit: int) -> list[str]:
    """Say that a power pattern of degree 2N needs more than degree ``limit``, if it does."""
    if 2 * field_degree <= limit:
        return []
    return [
        f"a field of degree {field_degree} has a power pattern of degree {2 * field_degree}, these "
        f"positions serve up to {limit}: what is above is aliased; measure at steps of "
        f"{180 / (2 * field_degree + 1):.3g} deg or less"
    ]


def resolution_warnings(fit: PowerFit, general: tuple[str, ...]) -> tuple[tuple[str, ...], ...]:
    """For each frequency the general warnings, and one if the fit does not follow the pattern."""
    result = []
    for share in fit.unresolved():
        own: tuple[str, ...] = ()
        if share > UNRESOLVED:
            own = (
                f"{100 * share:.0f} % (rms) of the pattern is beyond the degree {fit.degree} that "
                "these positions resolve: noise, or a pattern too fine for them; measure at "
                "smaller steps",
            )
        result.append(general + own)
    return tuple(result)


def samples_that_count(values: Real, share: Real) -> Real:
    """Number of positions that carry the power, (F,): (sum P)^2 / sum P^2, P weighted by area.

    Only what is above the median counts: below a floor of noise all positions are alike.

    Parameters
    ----------
    values : (F, U) ndarray
        Powers [W].
    share : (U,) ndarray
        Part of the sphere that each position stands for.
    """
    power = np.maximum(values - np.median(values, axis=1, keepdims=True), 0) * share
    square = np.sum(power**2, axis=1)
    whole = np.sum(power, axis=1) ** 2
    return np.where(square > 0, whole / np.where(square > 0, square, 1), float(share.size))


def widened(fit: PowerFit, values: Real, share: Real) -> Real:
    """Factor (F,) by which sampling errors may exceed those of a residual that is noise.

    Parameters
    ----------
    fit : PowerFit
        Of the values.
    values, share
        As in `samples_that_count`.
    """
    growth = np.where(samples_that_count(values, share) > _MANY, _GROWTH, 0)
    return np.sqrt(1 + growth * np.maximum(0, fit.unresolved() - UNRESOLVED))


def too_coarse(fit: PowerFit, values: Real, share: Real) -> NDArray[np.bool_]:
    """Whether a beam may have been missed, so that no uncertainty of a total can be stated, (F,).

    Parameters
    ----------
    fit : PowerFit
        Of the values.
    values, share
        As in `samples_that_count`.
    """
    few = samples_that_count(values, share) < _FEW
    return np.asarray((fit.unresolved() > _COARSE) & few)


def coarse_warnings(coarse: NDArray[np.bool_], values: Real, share: Real) -> tuple[tuple[str, ...], ...]:
    """For each frequency a sentence if no uncertainty of its total is stated."""
    count = samples_that_count(values, share)
    return tuple(
        (
            f"the steps are too coarse for this pattern: some {max(1, round(n))} samples carry its "
            "power, and a beam may lie between them: no uncertainty of the total is stated; "
            "measure at smaller steps",
        )
        if told
        else ()
        for told, n in zip(coarse, count, strict=True)
    )


def peak_uncertainty(fit: PowerFit, basis: Basis, positions: Positions, values: Real, peak: Real) -> Real:
    """Standard uncertainty of an interpolated peak, NaN where none can be stated.

    Parameters
    ----------
    fit : PowerFit
        Of the values.
    basis : Basis
        By which they were fitted.
    positions : Positions
        Where they are.
    values : (F, U) ndarray
        Powers [W].
    peak : (F,) ndarray
        The peak between them [W].

    Returns
    -------
    (F,) ndarray
        Of noise and of steps too coarse [W].

    Notes
    -----
    Each sample in the beam is compared with what the others make of it: the residual over 1 - h,
    with the leverage h = (L + 1)^2 share (addition theorem, as in `fit_powers`). The rms of these,
    weighted by the squares of the powers, and two thirds of the unresolved share of the peak, are
    added as squares.

    Simulated, 50 random orientations each, arrays of 4 x 4, 8 x 2 and 8 x 8 and pairs of sources on
    grids of 10 to 30 deg and spirals: where stated, intervals of 95 % held the peak in 90 % or more
    of them. Most of the error is a bias: steps that are too coarse round a beam off, and lift the
    peak of fringes.
    """
    leverage = np.minimum((fit.degree + 1) ** 2 * basis.share, 0.9)
    own = np.empty(len(values))
    for i, (x, coefficients) in enumerate(zip(values, fit.coefficients, strict=True)):
        top = np.argsort(-x, kind="stable")[:_MOST]
        top = top[x[top] >= _BEAM * x.max()]
        one = PowerFit(fit.frequency[i : i + 1], coefficients[None], fit.residual[i : i + 1])
        met = one.at(theta=positions.theta[top], phi=positions.phi[top])[0]
        weight = x[top] ** 2
        off = (x[top] - met) / (1 - leverage[top])
        own[i] = np.sqrt(weight @ off**2 / weight.sum())
    share = fit.unresolved()
    result = np.hypot(own, _OF_PEAK * share * peak)
    lost = (share > _LOST) | too_coarse(fit, values, basis.share) | (result > _WORST * peak)
    return np.where(lost, np.nan, result)


def peak_warnings(
    uncertainty: Real, peak: Real, general: tuple[tuple[str, ...], ...]
) -> tuple[tuple[str, ...], ...]:
    """Add, for each frequency, a sentence if the peak lies between directions too coarse for it."""
    result = []
    for u, level, others in zip(uncertainty, peak, general, strict=True):
        own: tuple[str, ...] = ()
        if np.isnan(u):
            own = (
                "the steps are too coarse for the beam: the peak between the samples is a guess, "
                "no uncertainty of it is stated; measure at smaller steps",
            )
        elif u > _WORTH * level:
            own = (
                f"the peak lies between samples that tell it to {10 * np.log10(1 + u / level):.2g} "
                "dB (standard uncertainty): steps coarse for the beam round it off, noise "
                "scatters it; measure at smaller steps about it",
            )
        result.append(others + own)
    return tuple(result)
