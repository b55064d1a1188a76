"""What a page draws of a set of beams: the strongest in each direction, and its distribution."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes
from nf2ff.metrics.beam_set import BeamQuantity, Envelope, distribution, envelope_of, percentile
from nf2ff.report.page.data import ArrayPack
from nf2ff.report.page.pattern import MAP_DEPTH, is_fine, map_grid
from nf2ff.report.picture import decibels

#: Percentiles that are listed [%], and points of the drawn distribution.
PERCENTILES = (5, 20, 50, 85, 95)
POINTS = 201
#: Most beams: as many as a code can tell apart.
MOST_BEAMS = 200


def beam_quantity(beams: Mapping[str, Modes]) -> BeamQuantity:
    """EIRP where all beams have a level, else directivity."""
    absolute = all(modes.reference == "absolute" for modes in beams.values())
    return "eirp" if absolute else "directivity"


def envelopes(beams: Mapping[str, Modes], frequencies: Sequence[Sequence[int]]) -> list[Envelope]:
    """The strongest of the beams, for each frequency by itself, whose index in each beam is given."""
    quantity = beam_quantity(beams)
    return [
        envelope_of([modes.at(f) for modes, f in zip(beams.values(), rows, strict=True)], quantity=quantity)
        for rows in zip(*frequencies, strict=True)
    ]


def shown_levels(envelope: Envelope, values: NDArray[np.float64]) -> NDArray[np.float64]:
    """EIRP in dBm, directivity in dBi."""
    return np.asarray(decibels(values / (1e-3 if envelope.quantity == "eirp" else 1.0)))


def nearest_beams(one: Envelope, step: float) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Beam and level at the places of a map with ``step`` [deg], of the nearest direction."""
    theta, phi = map_grid(step)
    i = np.argmin(np.abs(theta[:, None] - one.theta), axis=1)
    j = np.argmin(np.abs(np.angle(np.exp(1j * (phi[:, None] - one.phi)))), axis=1)
    return one.beam[0][np.ix_(i, j)], shown_levels(one, one.maximum[0][np.ix_(i, j)])


def put_beams(
    pack: ArrayPack, found: Sequence[Envelope], names: Sequence[str], *, step: float
) -> dict[str, Any]:
    """Add map of the best beam, its level, and the distribution; what is said of them."""
    maps = [nearest_beams(one, step) for one in found]
    levels = np.stack([level for _, level in maps])
    pack.put("beam", np.stack([beam for beam, _ in maps]).astype("u1"))
    pack.put_levels("best", levels, top=levels.max(axis=(1, 2)), depth=MAP_DEPTH, fine=is_fine(len(levels)))
    share = np.linspace(0, 1, POINTS)
    curves, table = [], []
    for one in found:
        spread = distribution(one)
        rows = np.interp(share, spread.probability[0], shown_levels(one, spread.value)[0])
        curves.append(rows)
        table.append([f"{x:z.2f}" for x in shown_levels(one, percentile(one, PERCENTILES))[0].tolist()])
    pack.put("distribution", np.asarray(curves, dtype="f4"))
    eirp = found[0].quantity == "eirp"
    return {
        "names": list(names),
        "quantity": "EIRP" if eirp else "directivity",
        "unit": "dBm" if eirp else "dBi",
        "percentiles": list(PERCENTILES),
        "table": table,
    }
