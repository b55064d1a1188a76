"""What readings at the poles tell: one direction, whatever phi, must give one power."""

from __future__ import annotations

import math

import numpy as np

from nf2ff.messages.notice import Notice
from nf2ff.messages.power_table import TableCode
from nf2ff.power_only.fit import PowerFit
from nf2ff.power_only.scan import PowerScan

#: Distance from a pole within which a reading belongs to it [rad].
AT_POLE = 1e-6
#: Standard deviation from which readings at a pole disagree, over what noise explains, and over their
#: mean (0.1 dB): choices of ours.
DISAGREE, NOTABLE = 2.0, 0.023


def pole_warnings(scan: PowerScan, fit: PowerFit) -> tuple[tuple[Notice, ...], ...]:
    """Warnings, for each frequency, of readings at a pole that differ over phi."""
    told: list[list[Notice]] = [[] for _ in scan.frequency]
    for pole in (0.0, np.pi):
        here = np.abs(scan.theta - pole) < AT_POLE
        if np.count_nonzero(here) < 3:
            continue
        readings = scan.eirp[:, here]
        mean, deviation = readings.mean(axis=1), readings.std(axis=1, ddof=1)
        for f, some in enumerate(told):
            if not deviation[f] > max(DISAGREE * fit.residual[f], NOTABLE * mean[f]):
                continue
            least = float(readings[f].min())
            spread = 10 * math.log10(readings[f].max() / least) if least > 0 else math.inf
            some.append(
                TableCode.POLE(
                    theta_deg=math.degrees(pole),
                    spread_db=spread,
                    deviation_db=10 * math.log10(1 + deviation[f] / mean[f]),
                    noise_db=10 * math.log10(1 + fit.residual[f] / mean[f]),
                )
            )
    return tuple(map(tuple, told))
