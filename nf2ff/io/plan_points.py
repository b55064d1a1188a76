"""The list of readings of a planned scan, as a table for the positioner."""

from __future__ import annotations

import numpy as np

from nf2ff.io.safe import PathLike, replacing
from nf2ff.planning.scan_time import Schedule

#: Names of the columns.
COLUMNS = ("time_s", "theta_deg", "phi_deg", "chi_deg")
#: First line, where theta swings through a pole.
_SWING = "# theta beyond 180 deg is past the pole: in a table of samples write theta - 360 deg"


def write_points(path: PathLike, scan: Schedule, *, overwrite: bool = False) -> None:
    """Write a CSV of when a reading starts, and where the axes are then."""
    angles = [np.degrees(x) for x in (scan.theta, scan.phi, scan.chi)]
    rows = np.stack([scan.time, *angles], axis=1)
    rows = np.round(rows, 6) + 0.0  # no -0
    swings = rows[:, 1].max() > 180
    header = ",".join(COLUMNS)
    with replacing(path, overwrite=overwrite) as temporary:
        np.savetxt(
            temporary,
            rows,
            fmt=["%.4f", "%.6f", "%.6f", "%.6f"],
            delimiter=",",
            header=f"{_SWING}\n{header}" if swings else header,
            comments="",
            encoding="utf-8",
        )
