"""Weights of a total, and what each reading adds to it, as CSV text."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nf2ff.io.columns import write_columns
from nf2ff.io.safe import PathLike
from nf2ff.power_only.scan import PowerScan, SensitivityScan

Real = NDArray[np.float64]


def write_weights(
    path: PathLike,
    scan: PowerScan | SensitivityScan,
    weights: Real,
    contribution: Real,
    *,
    overwrite: bool = False,
) -> None:
    """Write one row for each reading: direction, weight, and its part of the total."""
    part = "trp_part_w" if isinstance(scan, PowerScan) else "inverse_tis_part_per_w"
    angles = [[f"{x:.9g}" for x in np.degrees(values).round(9)] for values in (scan.theta, scan.phi)]
    shares = [f"{x:.12g}" for x in weights]
    blocks = (
        [*angles, shares, [f"{hertz:.12g}"] * weights.size, [f"{x:.9g}" for x in row]]
        for hertz, row in zip(scan.frequency, contribution, strict=True)
    )
    names = ("theta_deg", "phi_deg", "weight_sr", "frequency_hz", part)
    write_columns(path, names, blocks, overwrite=overwrite)
