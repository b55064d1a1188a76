"""Two cuts of levels without phase compared: peaks, widths, error of the amplitude."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.kernel.arrays import as_array
from nf2ff.messages.input_error import InputError

Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class LevelDifference:
    """What differs of two cuts of levels; of pairs the first is the reference.

    Parameters
    ----------
    angle : (K,) ndarray
        Angles of the first at which the second has a level, too [rad].
    first, second : (K,) ndarray
        Levels there [dB].
    peak : tuple of float
        Highest level of each [dB].
    peak_angle : tuple of float
        Where [rad].
    beamwidth : tuple of float
        Half-power beamwidth of each about its peak [rad]; NaN where a side does not fall by 3 dB.
    error : float
        Root mean square difference of the amplitudes over the root mean square amplitude of the first, or of
        the cut beside it.
    stray : float
        Equivalent stray signal: largest difference of the amplitudes over that cut's peak.
    stray_angle : float
        Where that is [rad].
    """

    angle: Real
    first: Real
    second: Real
    peak: tuple[float, float]
    peak_angle: tuple[float, float]
    beamwidth: tuple[float, float]
    error: float
    stray: float
    stray_angle: float


def compare_levels(
    first_angle: ArrayLike,
    first: ArrayLike,
    second_angle: ArrayLike,
    second: ArrayLike,
    *,
    beside: ArrayLike | None = None,
    fit_level: bool = False,
) -> LevelDifference:
    """Compare two cuts of levels in the same plane.

    Parameters
    ----------
    first_angle, second_angle : (K,), (L,) array_like
        Angles, at most once around [rad].
    first, second : (K,), (L,) array_like
        Levels [dB].
    beside : (N,) array_like, optional
        Levels to which error and stray signal refer, such as the co-polar cut beside a cross-polar one; by
        default those of the first [dB].
    fit_level : bool
        Whether the second is raised or lowered so that both amplitudes fit best.

    Returns
    -------
    LevelDifference
        The differences. Levels of the second between its angles are interpolated.

    Raises
    ------
    ValueError
        If shapes differ, or the cuts have no angle in common.

    Notes
    -----
    Without phase a difference of fields is seen only as far as it changes the amplitude: fields whose
    amplitudes are alike may differ.
    """
    a, x = _sorted(first_angle, first, "first")
    b, y = _sorted(second_angle, second, "second")
    whole = _whole(b)
    there = np.ones(a.size, bool) if whole else (a >= b[0] - 1e-9) & (a <= b[-1] + 1e-9)
    if not there.any():
        raise InputError("the two cuts have no angle in common", "compare cuts of the same directions")
    shown = np.interp(a[there], b, y, period=2 * np.pi) if whole else np.interp(a[there], b, y)
    one, two = (10 ** (v / 20) for v in (x[there], shown))
    if fit_level:
        scale = float(one @ two / (two @ two))
        two, shown, y = two * scale, shown + 20 * np.log10(scale), y + 20 * np.log10(scale)
    apart = np.abs(one - two)
    whole_of, top_of = one, 10 ** (x.max() / 20)
    if beside is not None:
        whole_of = 10 ** (as_array(beside, float, "beside", ndim=1) / 20)
        top_of = whole_of.max()
    worst = int(np.argmax(apart))
    tops = int(np.argmax(x)), int(np.argmax(y))
    return LevelDifference(
        a[there],
        x[there],
        shown,
        (float(x[tops[0]]), float(y[tops[1]])),
        (float(a[tops[0]]), float(b[tops[1]])),
        (_width(a, x), _width(b, y)),
        float(np.sqrt(np.mean(apart**2) / np.mean(whole_of**2))),
        float(apart[worst] / top_of),
        float(a[there][worst]),
    )


def _sorted(angle: ArrayLike, level: ArrayLike, name: str) -> tuple[Real, Real]:
    """Angles within [-pi, pi) in their order, and their levels."""
    t, v = as_array(angle, float, f"angles of the {name}", ndim=1), as_array(level, float, name, ndim=1)
    if t.shape != v.shape or not t.size:
        raise InputError(f"the {name} cut has {v.size} levels for {t.size} angles, expected as many")
    turned, index = np.unique(np.mod(t + np.pi, 2 * np.pi) - np.pi, return_index=True)
    return turned, v[index]


def _whole(angle: Real) -> bool:
    """Whether angles in their order go once around without a gap."""
    gap = np.diff(angle, append=angle[0] + 2 * np.pi)
    return bool(gap.max() < 2 * np.median(gap) + 1e-9)


def _width(angle: Real, level: Real) -> float:
    """Half-power beamwidth, linear between the levels on both sides of -3 dB; once around if need be."""
    top = int(np.argmax(level))
    drop = level[top] - 10 * np.log10(2)
    ends = []
    for side in (1, -1):
        order = top + side * np.arange(level.size)
        order = order % level.size if _whole(angle) else order[(order >= 0) & (order < level.size)]
        below = np.flatnonzero(level[order] < drop)
        if not below.size:
            return np.nan
        i, j = order[below[0] - 1], order[below[0]]
        steps = np.mod(side * (angle[[i, j]] - angle[top]), 2 * np.pi)
        ends.append(float(np.interp(-drop, -level[[i, j]], steps)))
    return sum(ends)
