"""A quick study of positions: whether an antenna made up can be found from what they would read."""

from __future__ import annotations

import numpy as np

from nf2ff.antenna.modes import mode_numbers
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.solver.phaseless.certificate import apart
from nf2ff.solver.phaseless.likelihood import Readings, groups_of
from nf2ff.solver.phaseless.projection import range_of
from nf2ff.solver.phaseless.search import Task, search

#: Starts of a trial, their steps, noise over the largest reading (-50 dB), and error of what counts as found.
STARTS, STEPS, NOISE, FOUND = 4, 1000, 10 ** (-50 / 20), 0.1
#: Level of the highest waves of the antenna made up over its low ones, which fill half of the degrees.
HIGHEST = 10 ** (-60 / 20)


def found_in_trial(
    samples: Samples, probe: Probe, degree: int, *, enough: int, rng: int | np.random.Generator | None = None
) -> int:
    """Starts of `STARTS` that find an antenna made up, by readings of one frequency at ``samples``.

    When ``enough`` have, no others are made.
    """
    assert samples.coherence is not None
    rng = np.random.default_rng(rng)
    exact = range_of(samples, probe, degree)
    _, _, n = mode_numbers(degree)
    pair = rng.standard_normal((2, n.size))
    q = (pair[0] + 1j * pair[1]) * HIGHEST ** np.maximum(0, 2 * n / degree - 1)
    w = exact.forward(exact.from_modes(q))
    noise = NOISE * float(np.max(np.abs(w) / exact.scale))
    unit = float(np.sqrt(np.mean(np.abs(w) ** 2)))
    pair = rng.standard_normal((2, w.size)) * noise / np.sqrt(2) * exact.scale
    groups = groups_of(samples.coherence[exact.order])
    readings = Readings((w + pair[0] + 1j * pair[1]) / unit, groups, 1 / exact.scale**2)
    task = Task(exact, exact.rough(), readings, (noise / unit) ** 2)
    found = 0
    for _ in range(STARTS):
        end = search(task, None, STEPS, rng)
        found += apart(exact.to_modes(end.z) * unit, q) < FOUND
        if found == enough:
            break
    return found
