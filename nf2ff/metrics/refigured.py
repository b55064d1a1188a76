"""A result whose modes were changed after they were found: its far field and figures anew."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from nf2ff.antenna.far_field import far_field_blocks
from nf2ff.antenna.modes import Modes, check_same_frequencies
from nf2ff.metrics.beam import peak
from nf2ff.metrics.planes import Plane
from nf2ff.metrics.result import Quantity, Result
from nf2ff.metrics.summary import summarise, summary_planes
from nf2ff.metrics.transformation import beam_figures

#: Gains, and the efficiency by which each follows from the directivity.
_GAINS = {"peak_gain": "radiation_efficiency", "peak_realised_gain": "total_efficiency"}


def refigured(result: Result, modes: Modes, *, notes: Mapping[str, str]) -> Result:
    """The result with other modes: far field and figures of them, all else as it was.

    Parameters
    ----------
    result : Result
        With its modes as they were found.
    modes : Modes
        Those that take their place, at the same frequencies.
    notes : mapping of str to str
        What was done, added to the notes.

    Returns
    -------
    Result
        The far field on the same directions, cuts in the same planes; what the solver said of the samples,
        the warnings and which directions were seen stay.

    Raises
    ------
    ValueError
        If frequencies differ, or nothing is radiated.
    """
    check_same_frequencies(result.modes.frequency, modes.frequency)
    top = peak(modes)
    held = result.quantities
    planes = summary_planes(modes, top)
    for cut in planes:
        names = f"plane_{cut}_azimuth", f"plane_{cut}_turn"
        if set(names) <= set(held):
            angles = (held[name].values.tolist() for name in names)
            planes[cut] = tuple(Plane(phi, turn) for phi, turn in zip(*angles, strict=True))
    field = result.far_field
    quantities = dict(held) | beam_figures(modes, top) | summarise(modes, top, planes, field)
    share = modes.radiated_power() / result.modes.radiated_power()
    for gain, efficiency in _GAINS.items():
        if efficiency in held:
            values = held[efficiency].values * share
            quantities[efficiency] = Quantity(values, "1", held[efficiency].long_name)
            quantities[gain] = Quantity(values * top.directivity, "1", held[gain].long_name)
    if field is not None:
        field = replace(far_field_blocks(modes, theta=field.theta, phi=field.phi), trusted=field.trusted)
    return replace(
        result, modes=modes, far_field=field, quantities=quantities, notes={**result.notes, **notes}
    )
