"""What would work where a plane-wave array fails, and tables of arrays and distances to choose from."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

import numpy as np

from nf2ff.messages.notice import Notice
from nf2ff.messages.ranges import DesignCode
from nf2ff.ranges.array_design import SEARCH_DRAWS, ArrayDesign, ArrayTask, design_array
from nf2ff.ranges.lengths import element_margin
from nf2ff.ranges.plane_wave_array import PlaneWaveArray

#: Halvings in a search for what would work, how far it goes (zone, frequency and distance over those asked),
#: and how much coarser its points are.
_HALVINGS, _SMALLEST, _FARTHEST, _COARSER = 5, 0.3, 3.0, 1.4


def what_would_work(task: ArrayTask, design: ArrayDesign) -> tuple[Notice, ...]:
    """Why a design that fails does so, and which zone, distance and frequency would do.

    Parameters
    ----------
    task : ArrayTask
        As asked.
    design : ArrayDesign
        That of `design_array`.

    Returns
    -------
    tuple of Notice
        None where it passes.
    """
    if design.passed:
        return ()
    f, alpha = design.frequency, design.regularisation
    told: list[Notice] = []
    elements, least = task.array.channels, math.ceil(design.freedom - 1e-9)
    if elements < element_margin(least):
        told.append(
            DesignCode.ELEMENTS(
                channels=elements, least=least, margin=element_margin(least), frequency_ghz=f / 1e9
            )
        )

    def works(changed: ArrayTask, frequency: float = f) -> bool:
        plain = replace(changed, regularisation=alpha, minimax=False, draws=min(task.draws, SEARCH_DRAWS))
        return design_array(plain, frequency=frequency, coarser=_COARSER).passed

    def smaller(part: float) -> ArrayTask:
        half = task.zone.half_depth
        zone = replace(
            task.zone, radius=part * task.zone.radius, half_depth=None if half is None else part * half
        )
        return replace(task, zone=zone)

    def farther(part: float) -> ArrayTask:
        return replace(task, zone=replace(task.zone, centre=task.zone.centre * part))

    part = _nearest(lambda x: works(smaller(x)), 1.0, _SMALLEST)
    if part is not None:
        told.append(DesignCode.ZONE(zone=smaller(part).zone.words(), distance_m=float(task.zone.centre[2])))
    part = _nearest(lambda x: works(farther(x)), 1.0, _FARTHEST)
    if part is not None:
        told.append(DesignCode.DISTANCE(distance_m=float(part * task.zone.centre[2])))
    part = _nearest(lambda x: works(task, x * f), 1.0, _SMALLEST)
    if part is not None:
        told.append(DesignCode.FREQUENCY(frequency_ghz=part * f / 1e9))
    return tuple(told) or (DesignCode.NOTHING(),)


def _nearest(works: Callable[[float], bool], fails: float, far: float) -> float | None:
    """The value nearest to one that fails which works, up to ``far``; None if that fails too."""
    if not works(far):
        return None
    good, bad = far, fails
    for _ in range(_HALVINGS):
        middle = 0.5 * (good + bad)
        good, bad = (middle, bad) if works(middle) else (good, middle)
    return good


def trade_off(
    task: ArrayTask, arrays: Iterable[PlaneWaveArray], distances: Sequence[float], *, frequency: float
) -> tuple[tuple[PlaneWaveArray, float, ArrayDesign], ...]:
    """Designs of several arrays at several distances.

    Parameters
    ----------
    task : ArrayTask
        What is asked; its array and distance are replaced.
    arrays : iterable of PlaneWaveArray
        Arrays.
    distances : sequence of float
        Distances of the zone's centre [m].
    frequency : float
        Frequency [Hz].

    Returns
    -------
    tuple of (PlaneWaveArray, float, ArrayDesign)
        Each array, distance [m] and design.
    """

    def at(array: PlaneWaveArray, distance: float) -> ArrayDesign:
        zone = replace(task.zone, centre=np.array([0.0, 0.0, distance]))
        return design_array(replace(task, array=array, zone=zone), frequency=frequency)

    return tuple((array, z, at(array, z)) for array in arrays for z in distances)
