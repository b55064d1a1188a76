"""The search for an antenna whose responses have the amplitudes and relative phases that were read.

Relaxed reflect-reflect (D. R. Luke, Inverse Problems 21, 2005; V. Elser et al., 2018, both from memory):
B the readings with phases nearest to W, W <- W + beta (P(2 B - W) - B), P the projection on the responses of
antennas. Near a solution it hovers, so that the most likely antenna is looked for from where it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.solver.phaseless.likelihood import Fit, Readings, most_likely
from nf2ff.solver.phaseless.projection import Range

Complex = NDArray[Any]

#: Relaxation of a step.
BETA = 0.9
#: How far a reading may stay from its value, over the noise: what noise alone forbids is not forced.
BAND = 0.6
#: Steps between two looks at how near the readings are.
LOOK = 50
#: Misfit over that of noise from which the most likely antenna is looked for.
NEAR = 12.0
#: Most likely antennas looked for by one start at most, and the steps of each; the best goes on.
ATTEMPTS, FIRST = 4, 15
#: Fall of the deviance by which such a step, and one of those that go on, is the last.
COARSE, FINE = 1.0, 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Task:
    """What all starts share: the range, exact and rough, and the readings with their noise."""

    exact: Range
    rough: Range
    readings: Readings
    variance: float

    def ratio(self, w: Complex) -> float:
        """Misfit over what noise leaves, about 1 at the truth."""
        return 2 * float(self.readings.misfit(w).sum()) / self.variance / self.freedom(w)

    def freedom(self, w: Complex) -> float:
        """Expected misfit over the noise, twice it in half degrees of freedom, the unknowns taken off."""
        expected = float(self.readings.expected(w, self.variance).sum())
        return max(expected - 2 * self.exact.unknowns + 1, 1.0)

    def scatter(self, w: Complex) -> float:
        """Standard deviation of `ratio` at the truth."""
        return float(np.sqrt(2 / self.freedom(w)))

    def band(self) -> NDArray[Any]:
        """`BAND` for each group, (G,)."""
        g, v = self.readings.groups, self.readings.weight
        noise = g.sums(np.where(v > 0, self.variance / np.where(v > 0, v, 1), 0.0))
        count = np.maximum(g.sums((v > 0).astype(float)), 1)
        return np.asarray(BAND * np.sqrt(noise * (2 - 1 / count)), dtype=np.float32)

    def finish(self, z: Complex, **how: Any) -> Fit:
        """The most likely antenna near coordinates of the rough range, ``how`` as in `most_likely`."""
        start = z.astype(complex)
        return most_likely(self.exact, self.readings, start, self.variance, rough=self.rough, **how)


def search(
    task: Task, w: Complex | None, steps: int, rng: np.random.Generator, *, least: float = np.inf
) -> Fit:
    """The best that one start finds, from ``w`` or, if None, from a random antenna.

    What will not come down to the deviance ``least`` is not followed to its end.
    """
    rough, readings = task.rough, task.readings
    if w is None:
        pair = rng.standard_normal((2, rough.size))
        w = rough.project(rough.forward((pair[0] + 1j * pair[1]).astype(np.complex64)), None)[0]
        w = w * (np.linalg.norm(readings.y) / np.linalg.norm(w))
    w = w.astype(np.complex64)
    band = task.band()
    z: Complex | None = None
    best: Fit | None = None
    attempts = 0
    for step in range(1, steps + 1):
        near = readings.nearest(w, band)
        there, z = rough.project(2 * near - w, z)
        w = w + np.float32(BETA) * (there - near)
        if step % LOOK and step < steps:
            continue
        there, at = rough.project(near, z)
        for _ in range(4):
            there, at = rough.project(readings.nearest(there), at)
        last = step == steps
        if task.ratio(there) < NEAR or (last and best is None):
            found = task.finish(at, steps=FIRST, decrease=COARSE, least=least)
            attempts += 1
            if best is None or found.deviance < best.deviance:
                best = found
                least = min(least, best.deviance)
            if attempts == ATTEMPTS or task.ratio(best.w) < 1 + 2 * task.scatter(best.w):
                break
    assert best is not None
    return task.finish(best.z, decrease=FINE, least=least)
