"""What a probe receives of known modes: a scan that was measured, taken again elsewhere."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.solver.nearby import EXACT
from nf2ff.solver.positions import Geometry, plan_geometry
from nf2ff.solver.solution import Solution
from nf2ff.solver.strategy import LeastSquares
from nf2ff.solver.transmission import TransmissionOperator

Complex = NDArray[np.complex128]


def responses_of(
    modes: Modes, samples: Samples, probe: Probe, *, tolerance: float, threads: int = 1
) -> Complex:
    """What a probe receives of modes, by the transmission formula.

    Parameters
    ----------
    modes : Modes
        What is radiated, at the frequencies of the samples.
    samples : Samples
        Where the probe stands; NaN among its responses marks samples that are missing.
    probe : Probe
        The probe.
    tolerance : float
        Relative accuracy.
    threads : int
        Threads.

    Returns
    -------
    (F, M) ndarray
        Responses; 0 where samples are missing.
    """
    found = np.zeros(samples.response.shape, dtype=complex)
    geometry: tuple[Geometry, ...] = ()
    for f, q in enumerate(modes.coefficients):
        if not geometry or samples.moving or samples.any_missing:
            geometry = plan_geometry(samples.at_frequency(f))
        hertz = float(samples.frequency[f])
        there = TransmissionOperator(geometry, probe, hertz, modes.degree, tolerance, threads)
        found[f, ~np.isnan(samples.response[f])] = there.forward(there.from_modes(q))
    return found


@dataclass(frozen=True, slots=True, eq=False)
class Remeasured:
    """A scan that was measured, as it would be if its probe had stood elsewhere.

    It is the ``measure`` of `uncertainty.draws.monte_carlo` for such a scan. What the modes found
    send there, less what they send to where the record says, is added to what was measured. Moving
    the record the other way is the same to first order only: to second order, where a wrong axis
    takes power from a scan, a record so moved gives power to it, and a bias has the wrong sign.

    Parameters
    ----------
    solution : Solution
        That of the scan as it was recorded.
    """

    solution: Solution
    _kept: dict[str, Complex] = field(default_factory=dict, init=False)

    def __call__(self, samples: Samples, probe: Probe) -> Samples:
        """Samples received at the positions of ``samples`` with a probe."""
        if not self._kept:
            self._kept["recorded"] = self._recorded()
        there = responses_of(self.solution.modes, samples, probe, tolerance=EXACT)
        response = self.solution.samples.response + (there - self._kept["recorded"])
        return samples.changed(response=response)

    def _recorded(self) -> Complex:
        """Responses at the recorded positions, by the operators that solved them if there are any."""
        modes, samples = self.solution.modes, self.solution.samples
        found = np.zeros(samples.response.shape, dtype=complex)
        for f in range(len(found)):
            part, own = self.solution.part_of(f)
            if not isinstance(part.prepared.method, LeastSquares):
                return responses_of(modes, samples, self.solution.probe, tolerance=EXACT)
            operator, _ = part.prepared.iteration(own)
            operator = replace(operator, tolerance=EXACT, threads=1)
            (q,) = modes.at(f).truncate(operator.degree).coefficients
            found[f, ~np.isnan(samples.response[f])] = operator.forward(operator.from_modes(q))
        return found
