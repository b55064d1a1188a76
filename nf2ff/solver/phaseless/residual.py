"""Whether what a fit leaves is even, as noise is, over spheres, ports, polarisations, angles, levels."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.measurement.samples import Samples
from nf2ff.solver.phaseless.likelihood import Fit, curvature
from nf2ff.solver.phaseless.search import Task

Parts = dict[str, NDArray[np.intp]]

#: Parts into which the readings are divided by each of their properties, at most.
PARTS = 4
#: Degrees of freedom from which a part has a say.
FREEDOM = 10.0


def parts_of(samples: Samples) -> Parts:
    """Part of each sample of one frequency (M,), by what may be wrong in some of them."""
    properties = {
        "sphere": samples.radius,
        "port": samples.port,
        "polarisation": np.mod(samples.chi + 1e-6, np.pi),
        "polar angle": samples.theta,
        "time": np.arange(samples.port.size),
    }
    return {name: _divided(np.asarray(values, dtype=float)) for name, values in properties.items()}


def _divided(values: NDArray[np.float64]) -> NDArray[np.intp]:
    """`PARTS` parts of values as even as equal values, which stay together, allow."""
    edges = np.quantile(values, np.arange(1, PARTS) / PARTS, method="lower")
    return np.searchsorted(np.unique(edges) + 1e-6, values)


def most_unlike(whole: Task, best: Fit, draws: NDArray[Any], parts: Parts) -> tuple[str, float, float]:
    """The property by one of whose parts the residual differs most, its power there over the mean, and how
    probable noise makes a ratio that far off in any part.

    ``draws`` (D, J) are realisations of the modes; ``parts`` are in the order of the range. A part's sum of
    squares has the expectation that the phases of groups and the leverage of its readings leave it, and no
    more than the variance of a chi-square of as many degrees of freedom.
    """
    from scipy.stats import chi2

    readings, g, w = whole.readings, whole.readings.groups, best.w
    told, unit = curvature(readings, w, whole.variance)
    share = readings.weight / whole.variance
    cross = g.sums(share * np.conj(readings.y) * w)
    left = readings.y * g.spread(cross / np.maximum(np.abs(cross), np.finfo(float).tiny)) - w
    square = 2 * share * np.abs(left) ** 2
    leverage = np.zeros(w.size)
    for q in draws:
        change = whole.exact.forward(whole.exact.from_modes(q)) - w
        change -= unit * g.spread(g.sums(share * (np.conj(unit) * change).real))
        leverage += 2 * told * np.abs(change) ** 2 / len(draws)
    held = (share > 0).astype(float)
    phases = 2 * g.sums(held) - readings.expected(w, whole.variance)
    freedom = 2 * held - g.spread(phases) * share * np.abs(unit) ** 2 - leverage
    mean = square.sum() / freedom.sum()
    every = {**parts, "level": _divided(np.abs(w) / whole.exact.scale)}
    found = []
    for name, own in every.items():
        if own.max() == 0:
            continue
        n, s = np.bincount(own, freedom), np.bincount(own, square / mean)
        for count, total in zip(n[n > FREEDOM], s[n > FREEDOM], strict=True):
            chance = 2 * min(float(chi2.sf(total, count)), float(chi2.cdf(total, count)))
            found.append((chance, name, total / count))
    if not found:
        return "", 1.0, 1.0
    chance, name, ratio = min(found)
    return name, float(ratio), min(1.0, chance * len(found))
