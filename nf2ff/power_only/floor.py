"""The floor that a receiver's noise puts under readings of power, from the readings themselves.

Noise adds its mean power to every reading, in each polarisation. In the beam that is nothing, but
over the sphere it adds up: 25 dB below the peak of an antenna of 17 dBi it lifts TRP by 1.2 dB.
A floor can be told from radiation where a part of the sphere reads nothing else.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from nf2ff.messages.input_error import InputError
from nf2ff.messages.notice import Notice
from nf2ff.messages.power import PowerCode
from nf2ff.power_only.fit import PowerFit
from nf2ff.power_only.resolution import Warnings
from nf2ff.power_only.scan import PowerScan, SensitivityScan
from nf2ff.power_only.weights import Positions, different_positions

Real = NDArray[np.float64]

#: Parts of the sphere, those that read least, in which a floor is looked for.
_PARTS = (0.05, 0.1, 0.15, 0.2, 0.3, 0.45, 0.6, 0.8)
#: Neighbours by whose mean a position is put among those that read least: its own noise has then
#: no say in it.
_NEIGHBOURS = 8
#: Fewest positions, counted by their areas, from which a floor is taken.
_FEWEST = 20
#: Highest floor that is called one, over the highest reading: -15 dB. Above, a smooth pattern
#: without nulls looks alike, and no link budget has so little room.
HIGHEST = 0.03
#: Largest spread over the mean of readings that are noise. Two polarisations of one sample each
#: have 0.71 (closed form, two exponentials), lobes of a pattern 0.8 to 2 (simulated).
_NOISY = 0.78
#: Least part of the sphere, and largest spread over the mean there, that is a floor although its
#: spread is not proven to be noise: where lobes elsewhere are too fine for the steps (a tenth of
#: what fields of many random waves radiate least has 0.35), and where the fit follows all, when
#: it may be a shallow minimum.
_EVEN_AMID_LOBES, _EVEN = (0.1, 0.25), (0.3, 0.1)
#: Residual over the pattern from which on there are such lobes: -34 dB.
_LOBES = 0.02
#: What a fit leaves over, over what noise of that spread would leave: 0.14 to 1.7 of noise where
#: lobes are resolved, above 2.4 where they are not, 0 where there is no noise (simulated).
_LEFT = (0.3, 1.8)
#: Mean square of the coefficients of the highest degrees, over that of noise: 0.3 to 4 where the
#: pattern ends below them, 20 and more where not, if the residual is small (simulated).
_HIGHEST_DEGREES, _WHITE = 0.8, 5.0
#: The other part of the spread stands for radiation: this much of it is the mean radiated there,
#: 1 where lobes have all levels down to nulls, less where not; and its uncertainty.
_RADIATED, _UNSURE = 0.7, 0.5
#: Uncertainty, over the floor, where no noise shows: a pattern might be that even, too.
_UNPROVEN = 0.5
#: Part of the sphere with one and the same least reading from which on a table was clipped.
_CLIPPED = 0.05
#: Differences that printing and logarithms make [relative].
_SAME = 1e-7
#: Rise of the total from which on a floor that cannot be told is worth a word: 0.1 dB.
_WORTH = 0.023
#: Scatter that is no rounding to 0.01 dB, over the mean; the rise of the total by a floor that
#: may be behind it and is worth a word, 0.02 dB; and what makes up for the chance by which the
#: lowest mean of neighbours is below the floor.
_SEEN, _SEEN_RISE, _SHORT = 0.002, 0.005, 1.5


class Floor(NamedTuple):
    """What noise adds to the mean over the sphere, for each frequency.

    Attributes
    ----------
    mean : (F,) ndarray
        Power to subtract from the mean over the sphere, 0 where none can be told [W].
    uncertainty : (F,) ndarray
        Its standard uncertainty [W].
    even : (F,) ndarray
        Power to subtract from any one reading; less than ``mean`` of clipped tables: 0 [W].
    warnings : tuple of tuple of Notice
        What is said of it.
    """

    mean: Real
    uncertainty: Real
    even: Real
    warnings: Warnings


#: The same of one frequency.
_One = tuple[float, float, float, tuple[Notice, ...]]


def known_floor(level: float, mean: Real) -> Floor:
    """A floor [W] that was measured with the device switched off, of readings of a mean (F,) [W].

    Refused if it is negative, or no less than the mean of the readings.
    """
    if not 0 <= level < np.inf:
        raise InputError(
            f"noise_floor is {level:.6g} W, expected 0, which leaves the readings as they are, or "
            "a positive power; convert dBm to watts"
        )
    lowest = float(mean.min())
    if level > 0 and level >= lowest:
        raise InputError(
            f"noise_floor is {level:.6g} W ({10 * math.log10(level / 1e-3):.4g} dBm), but the mean over the "
            f"sphere is {lowest:.6g} W ({10 * math.log10(lowest / 1e-3):.4g} dBm)"
            if lowest > 0
            else f"noise_floor is {level:.6g} W, but the mean over the sphere is {lowest:.6g} W",
            "give the floor of both polarisations together",
        )
    every = np.full(mean.size, float(level))
    return Floor(every, np.zeros(mean.size), every, ((),) * mean.size)


def scan_floor(scan: PowerScan, positions: Positions, *, share: Real, fit: PowerFit) -> Floor:
    """Estimate the floor of a scan from its readings.

    Parameters
    ----------
    scan : PowerScan
        Readings at M directions.
    positions : Positions
        Their U different ones.
    share : (U,) ndarray
        Part of the sphere that each stands for.
    fit : PowerFit
        Fit of both polarisations together: what it leaves over is the most that noise can be.

    Notes
    -----
    The part of the sphere that reads least has the mean m, the variance v about it, and the variance w
    about the mean of each position's neighbours, but no more than the fit leaves over. Noise is
    independent from one position to the next and is all in w; v - w is of radiation. Where lobes have
    all levels down to nulls, their mean is about the root of that: the floor is m - 0.7 sqrt(v - w), its
    uncertainty sqrt(v - w) / 2, with the chance errors of v - w (half of it counts in the floor, as it
    can only be positive) and of m. Of some parts of the sphere the least uncertain is taken.

    It is a floor where v is noise (averaged or not) by what the fit leaves over; where a tenth of the
    sphere reads the same within a quarter (rms) while lobes elsewhere are too fine for the steps; or
    where three tenths read the same within a tenth; and more than 15 dB below the peak. Few patterns do
    that, but one of constant back radiation would: if no noise shows, the uncertainty is half of the
    floor. Patterns whose least is above that hide any floor.

    References
    ----------
    Simulated as `tests/power_only/test_floor.py` does; no source.
    """
    values = positions.average(scan.eirp)
    given = (x for x in (scan.eirp_theta, scan.eirp_phi, scan.eirp_total) if x is not None)
    columns = [positions.average(x) for x in given]
    if share.size < 2 * _FEWEST:
        return known_floor(0.0, fit.mean)
    near = _neighbours(positions)
    first = int(np.ceil(_HIGHEST_DEGREES * fit.degree))
    terms = (fit.degree + 1) ** 2 - first**2
    above = fit.spectrum()[:, first:].sum(axis=1) / (terms * np.sum(share**2))
    white = above <= _WHITE * fit.residual**2
    lobes = fit.unresolved() > _LOBES
    found = []
    for i, x in enumerate(values):
        clipped = [_clipped(c[i], near, share, x.max()) for c in columns]
        if any(level > 0 for level, _ in clipped):
            found.append(_of_clipped(clipped, float(share @ x)))
        else:
            limit = _EVEN_AMID_LOBES if lobes[i] else _EVEN
            found.append(_one(x, near, share, float(fit.residual[i] ** 2), white=bool(white[i]), even=limit))
    mean, uncertainty, even = (np.array([one[k] for one in found]) for k in range(3))
    return Floor(mean, uncertainty, even, tuple(one[3] for one in found))


def search_warnings(scan: SensitivityScan, inverse: Real, weights: Real) -> Warnings:
    """Say where the weakest sensitivities are those of a search's end.

    Sensitivity has no floor of noise, since noise is what it is measured against. But a search that
    ends at the highest power and writes that power down counts directions as heard that were not.
    ``inverse`` (2, F, M) is 1/EIS, 0 where it was not reached [1/W]; ``weights`` (M,) in sr.
    """
    positions = different_positions(scan.theta, scan.phi)
    if positions.theta.size < 2 * _FEWEST:
        return ((),) * scan.frequency.size
    near = _neighbours(positions)
    share = np.bincount(positions.group, weights) / (4 * np.pi)
    result = []
    for i in range(scan.frequency.size):
        columns = positions.average(inverse[:, i])
        total = columns.sum(axis=0)
        clipped = [_clipped(c, near, share, total.max()) for c in columns]
        most = sum(level * part for level, part in clipped)
        own: tuple[Notice, ...] = ()
        if most > 0:
            level, part = (max(column) for column in zip(*clipped, strict=True))
            rise = _rise_db(most, float(share @ total))
            figures = {"part_percent": 100 * part, "level_dbm": _dbm(1 / level), "rise_db": rise}
            own = (PowerCode.SEARCH_ENDED(**figures),)
        result.append(own)
    return tuple(result)


def _one(
    x: Real, near: NDArray[np.intp], share: Real, left: float, *, white: bool, even: tuple[float, float]
) -> _One:
    """Floor of one pattern (U,) of which a fit leaves the mean square ``left``."""
    around = x[near].mean(axis=1)
    # The mean of the neighbours has noise of its own, 1/K of that of a reading.
    local = (x - around) ** 2 / (1 + 1 / _NEIGHBOURS)
    order = np.argsort(around)
    filled = np.cumsum(share[order])
    total, top = float(share @ x), float(x.max())
    best = None
    for part in _PARTS:
        inside = order[: np.searchsorted(filled, part)]
        if inside.size == 0:
            continue
        w = share[inside] / share[inside].sum()
        if np.sum(w**2) * _FEWEST > 1:
            continue
        mean = float(w @ x[inside])
        if not 0 < mean <= HIGHEST * top:
            continue
        square = (x[inside] - mean) ** 2
        spread = float(w @ square)
        # Noise of the same number of samples everywhere has the variance 2 S F + F^2 over it.
        expected = spread * (2 * total / mean - 1)
        proven = white and _LEFT[0] * expected < left < _LEFT[1] * expected
        noise = min(float(w @ local[inside]), spread) if proven else 0.0
        least, limit = (0.0, _NOISY) if proven else even
        if np.sqrt(spread) > limit * mean or part < least:
            continue
        rest = square - local[inside]
        chance = float(np.sqrt(w**2 @ (rest - w @ rest) ** 2)) if proven else 0.0
        most = np.sqrt(spread - noise + chance)
        own = float(np.hypot(np.sqrt(spread * np.sum(w**2)), _UNSURE * most))
        floor = mean - _RADIATED * np.sqrt(spread - noise + chance / 2)
        if floor <= 0:
            continue
        if not proven:
            own = max(own, _UNPROVEN * floor)
        if best is None or own < best[1]:
            best = (floor, own, proven, part)
    if best is None:
        told = _low(x, order, filled, share, left, total, top)
        if not told and white:
            told = _scatter(left, float(around.min()), total, top)
        return 0.0, 0.0, 0.0, told
    floor, own, proven, part = best
    code = PowerCode.FLOOR if proven else PowerCode.FLOOR_OR_RADIATION
    said = code(
        floor_dbm=_dbm(floor),
        below_db=-10 * np.log10(floor / top),
        part_percent=100 * part,
        rise_db=_rise_db(floor, total),
    )
    return floor, own, floor, (said,)


def _low(
    x: Real, order: NDArray[np.intp], filled: Real, share: Real, left: float, total: float, top: float
) -> tuple[Notice, ...]:
    """Whether readings scatter at a low level, of which noise cannot be told."""
    inside = order[: max(1, int(np.searchsorted(filled, 0.1)))]
    w = share[inside] / share[inside].sum()
    level = float(w @ x[inside])
    spread = float(w @ (x[inside] - level) ** 2)
    # The highest reading may miss the peak by some decibels.
    if not _WORTH * total < level <= 2 * HIGHEST * top:
        return ()
    if left < _LEFT[0] * spread and np.sqrt(spread) > _EVEN_AMID_LOBES[1] * level:
        return ()
    below, rise = -10 * np.log10(level / top), _rise_db(level, total)
    return (PowerCode.LOW_READINGS(level_dbm=_dbm(level), below_db=below, rise_db=rise),)


def _scatter(left: float, lowest: float, total: float, top: float) -> tuple[Notice, ...]:
    """Whether all readings scatter as noise does, but none are low enough to show it."""
    # Single samples of the power of a signal S in the noise F scatter by 2 S F + F^2 for each
    # polarisation; averaged ones by less.
    least, most = left / total, _SHORT * lowest
    # A floor is no higher than the least of the readings: what scatters more is a pattern too fine.
    if least > min(most, HIGHEST * top) or np.sqrt(left) < _SEEN * total or most < _SEEN_RISE * total:
        return ()
    scatter = 100 * np.sqrt(left) / total
    single, average = _rise_db(least, total), _rise_db(most, total)
    return (PowerCode.SCATTER(scatter_percent=scatter, single_db=single, average_db=average),)


def _neighbours(positions: Positions) -> NDArray[np.intp]:
    """The nearest other positions (U, K) of each."""
    from scipy.spatial import cKDTree

    r = positions.directions()
    return np.asarray(cKDTree(r).query(r, k=_NEIGHBOURS + 1)[1][:, 1:])


def _clipped(x: Real, near: NDArray[np.intp], share: Real, top: float) -> tuple[float, float]:
    """The least of readings (U,) and the part of the sphere that reads just that; 0 if it is few.

    Symmetric patterns have equal readings, too, but along curves: half of the neighbours or fewer.
    """
    if not x.any():
        return 0.0, 0.0
    least = float(x[x > 0].min())  # nothing at all is no reading of a table in dB
    if not least <= HIGHEST * top:
        return 0.0, 0.0
    same = (x > 0) & (x <= least * (1 + _SAME))
    amid = same & (np.count_nonzero(same[near], axis=1) > _NEIGHBOURS // 2)
    return (least, float(share[same].sum())) if share[amid].sum() >= _CLIPPED else (0.0, 0.0)


def _of_clipped(clipped: list[tuple[float, float]], total: float) -> _One:
    """What a table clipped from below counts too much: between nothing and all of it."""
    most = sum(level * part for level, part in clipped)
    level, part = max(clipped)
    said = PowerCode.CLIPPED(part_percent=100 * part, level_dbm=_dbm(level), rise_db=_rise_db(most, total))
    # Rectangular distribution (GUM 4.3.7).
    return most / 2, most / np.sqrt(12), 0.0, (said,)


def _dbm(watts: float) -> float:
    return float(10 * np.log10(watts / 1e-3))


def _rise_db(power: float, total: float) -> float:
    """How much the total [W] fell, were ``power`` taken from it [dB]."""
    return float(-10 * np.log10(1 - min(power / total, 0.999)))
