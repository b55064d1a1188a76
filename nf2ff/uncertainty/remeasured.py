"""A scan that was measured, taken again with its probe elsewhere than the record says."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.solver.nearby import EXACT
from nf2ff.solver.positions import plan_geometry
from nf2ff.solver.transmission import TransmissionOperator

Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True, eq=False)
class Remeasured:
    """A scan that was measured, as it would be if its probe had stood elsewhere.

    It is the ``measure`` of `nf2ff.uncertainty.draws.monte_carlo` for such a scan.
    What modes that are known receive there, less what they receive where the record says, is added
    to what was measured. A record that is moved the other way comes to the same to first order. To
    second order it is the way back: where a wrong axis takes power from a scan, the record so moved
    gives power to it, and a bias has the wrong sign.

    Parameters
    ----------
    samples, probe
        The scan as it is recorded.
    modes : Modes
        Its solution, near enough.
    """

    samples: Samples
    probe: Probe
    modes: Modes
    _kept: dict[str, Complex] = field(default_factory=dict, init=False)

    def __call__(self, samples: Samples, probe: Probe) -> Samples:
        """Samples received at the positions of ``samples`` with a probe."""
        if not self._kept:
            self._kept["recorded"] = self._responses(self.samples, self.probe)
        change = self._responses(samples, probe) - self._kept["recorded"]
        return replace(samples, response=self.samples.response + change)

    def _responses(self, samples: Samples, probe: Probe) -> Complex:
        """Responses (F, M) of the modes; 0 where samples are missing."""
        found = np.zeros(samples.response.shape, dtype=complex)
        for f, q in enumerate(self.modes.coefficients):
            operator = TransmissionOperator(
                plan_geometry(samples.at_frequency(f)),
                probe,
                float(samples.frequency[f]),
                self.modes.degree,
                EXACT,
                1,
            )
            found[f, ~np.isnan(samples.response[f])] = operator.forward(operator.from_modes(q))
        return found
