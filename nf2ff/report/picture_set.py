"""The pictures of a result, all at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from nf2ff.antenna.far_field import AnyFarField
from nf2ff.antenna.modes import Modes
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.beam import peak
from nf2ff.metrics.planes import PlaneLike
from nf2ff.report import pattern_plots, plots, scan_plots

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Names of the pictures, and what they show; the last is drawn of several frequencies alone.
PICTURE_SET = {
    "cuts": "two planes through the peak",
    "map": "directivity over theta and phi",
    "balloon": "directivity as a surface",
    "spectrum": "power in each degree",
    "near-field": "amplitude and phase of the readings",
    "frequency": "peak directivity, EIRP and TRP over frequency",
}


def picture_set(
    modes: Modes, samples: Samples, *, plane: PlaneLike = 0.0, seen: AnyFarField | None = None
) -> dict[str, Callable[[], Axes]]:
    """What draws each picture of a result: of its first frequency, and over frequency.

    Parameters
    ----------
    modes : Modes
        Of all frequencies.
    samples : Samples
        The scan that they were made of.
    plane : float, str or Plane
        Plane of the first cut, as in `pattern_plots.peak_cuts`.
    seen : FarField or FarFieldBlocks, optional
        Marks directions whose near field was not seen, at all frequencies.

    Returns
    -------
    dict of str to callable
        By the names of `PICTURE_SET`.
    """
    first = modes.at(0)
    mark = seen.at(0) if seen is not None and seen.trusted is not None else None
    marks = {} if mark is None else {"": mark}
    found: dict[str, Callable[[], Any]] = {
        "cuts": partial(pattern_plots.peak_cuts, {"": first}, plane=plane, seen=marks),
        "map": partial(pattern_plots.pattern_map, first, seen=mark),
        "balloon": partial(pattern_plots.balloon, first, seen=mark),
        "spectrum": partial(plots.power_spectrum, first),
        "near-field": partial(scan_plots.near_field, samples),
    }
    if modes.frequency.size > 1:
        found["frequency"] = partial(figures_over_frequency, {"": modes})
    return found


def figures_over_frequency(patterns: Mapping[str, Modes]) -> Axes:
    """Peak directivity, and peak EIRP and TRP where all patterns are absolute, over frequency."""
    frequency = next(iter(patterns.values())).frequency
    curves, absolute = {}, all(modes.reference == "absolute" for modes in patterns.values())
    for name, modes in patterns.items():
        if modes.frequency.shape != frequency.shape or np.any(
            np.abs(modes.frequency - frequency) > 1e-9 * frequency
        ):
            raise InputError(f"{name} has other frequencies than the first file", "draw them one by one")
        before = f"{name}, " if len(patterns) > 1 else ""
        top = peak(modes)
        if absolute and top.eirp is not None:
            curves[f"{before}peak EIRP [dBm]"] = 10 * np.log10(top.eirp / 1e-3)
            curves[f"{before}TRP [dBm]"] = 10 * np.log10(modes.radiated_power() / 1e-3)
        curves[f"{before}directivity [dBi]"] = 10 * np.log10(top.directivity)
    label = "level [dBm, dBi]" if absolute else "directivity [dBi]"
    return scan_plots.over_frequency(frequency, curves, label=label)
