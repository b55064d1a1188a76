"""Echoes suppressed by the degrees that an antenna of known size and place can have."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.modes import Modes, required_degree, wavenumber
from nf2ff.diagnostics.origin import translate
from nf2ff.kernel.arrays import as_array
from nf2ff.messages.diagnostics import FilterCode
from nf2ff.messages.input_error import InputError
from nf2ff.messages.notice import Notice

Real = NDArray[np.float64]
#: Share of the power removed from which it is said that the sphere may be too small: -20 dB.
MUCH_REMOVED = 1e-2


@dataclass(frozen=True, slots=True, eq=False)
class FilteredModes:
    """Modes of what radiates within a sphere.

    Parameters
    ----------
    modes : Modes
        About the old origin, as long as the modes given.
    degree : (F,) ndarray
        Degree that the sphere allows at each frequency.
    removed : (F,) ndarray
        Power removed over all.
    warnings : tuple of tuple of Notice
        For each frequency.
    """

    modes: Modes
    degree: NDArray[np.int64]
    removed: Real
    warnings: tuple[tuple[Notice, ...], ...]


def filter_modes(
    modes: Modes,
    *,
    centre: ArrayLike,
    radius: float,
    echo_distance: float | None = None,
    scan_degree: int | None = None,
    tail_db: float = -50.0,
) -> FilteredModes:
    """Keep what can come from within a sphere.

    Parameters
    ----------
    modes : Modes
        Mode coefficients, F frequencies.
    centre : (3,) array_like
        Centre of the sphere [m].
    radius : float
        Its radius [m].
    echo_distance : float, optional
        How far from the origin the source of an echo seems to be, to say whether the scan resolves it [m].
    scan_degree : int, optional
        Degree up to which the steps of the scan determine the modes; by default that of ``modes``.
    tail_db : float
        Power that the worst source on the sphere may lose [dB], negative.

    Returns
    -------
    FilteredModes
        The modes left, and what was removed.

    Raises
    ------
    ValueError
        If the radius is not positive, or the centre has not three components.

    Notes
    -----
    An echo that moves with the antenna, such as its image in a plate that turns with it, looks like a
    source far from the centre, and has mainly high degrees about it. If the steps of the scan do not resolve
    that source, its waves are folded into low degrees, and stay. An echo from the chamber's wall, which does
    not turn with a centred antenna, looks like a part of the antenna: the filter does nothing about it.
    """
    if not 0 < radius < np.inf:
        raise InputError(f"radius is {radius} m, expected a finite number > 0")
    place = as_array(centre, float, "centre", ndim=1)
    k = wavenumber(modes.frequency)
    distance = max(float(np.linalg.norm(place)), echo_distance or 0.0)
    limits = np.array([required_degree(float(x) * radius, tail_db=tail_db) for x in k])
    shifted = translate(modes, place)
    kept = shifted.coefficients.copy()
    n = _degrees_of(shifted.degree)
    kept[n[None] > limits[:, None]] = 0
    back = translate(Modes(modes.frequency, kept, modes.reference), -place, degree=modes.degree)
    before = modes.radiated_power()
    lost = Modes(modes.frequency, modes.coefficients - back.coefficients).radiated_power() / before
    known = modes.degree if scan_degree is None else scan_degree
    warnings = []
    for f, share in enumerate(lost.tolist()):
        told = []
        need = required_degree(float(k[f]) * (distance + radius))
        if known < need:
            told.append(FilterCode.COARSE(degree=known, need=need))
        if share > MUCH_REMOVED:
            told.append(FilterCode.MUCH_REMOVED(percent=100 * share))
        warnings.append(tuple(told))
    return FilteredModes(back, limits, lost, tuple(warnings))


def _degrees_of(degree: int) -> NDArray[np.int64]:
    n = np.arange(1, degree + 1)
    return np.repeat(n, 2 * (2 * n + 1))
