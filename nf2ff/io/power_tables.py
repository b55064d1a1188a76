"""Tables of power measured without phase, as CSV text: EIRP of a transmitter, EIS of a receiver; weights."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nf2ff.io.columns import CHECKS, Check, Columns, write_columns
from nf2ff.io.power_columns import PLACE_COLUMNS, POWER_COLUMNS, SENSITIVITY_COLUMNS, TOTAL_COLUMN
from nf2ff.io.rows import labels, places, table_of
from nf2ff.io.safe import PathLike
from nf2ff.messages.input_error import InputError
from nf2ff.power_only.scan import PowerScan, SensitivityScan

Real = NDArray[np.float64]


#: No antenna radiates, and no receiver decodes, anything beyond; a column in another unit might.
_LEVEL: Check = (lambda x: ~(np.abs(x) > 200), "a level in dBm, -200 to 200")


def read_power_table(path: PathLike) -> PowerScan:
    """Read EIRP from a CSV table, rows and columns in any order.

    Parameters
    ----------
    path : path
        CSV file with the columns `POWER_COLUMNS`, or with `TOTAL_COLUMN` in the place of the two
        polarisations. Each frequency has the same directions.

    Returns
    -------
    PowerScan
        Frequencies increasing, directions in the order of their first row [W, rad].

    Raises
    ------
    ValueError
        One line that names the file, line, column, value and the remedy.
    """
    levels = (*POWER_COLUMNS[3:], TOTAL_COLUMN)
    table = Columns.load(path, (*PLACE_COLUMNS, *levels), optional=levels)
    found = [name for name in levels if name in table.names]
    if found not in (list(levels[:2]), [TOTAL_COLUMN]):
        where = f"{path}, line {table.header_line}"
        given = " and ".join(found) if found else "no level"
        raise InputError(
            f"{where}: has {given}: expected eirp_theta_dbm and eirp_phi_dbm, or {TOTAL_COLUMN}, "
            "their sum, alone"
        )
    frequency, theta, phi, watts = _arrange(table, found)
    if len(watts) == 1:
        return PowerScan(frequency, theta, phi, eirp_total=watts[0])
    return PowerScan(frequency, theta, phi, *watts)


def read_sensitivity_table(path: PathLike) -> SensitivityScan:
    """Read sensitivity from a CSV table, rows and columns in any order.

    Parameters
    ----------
    path : path
        CSV file with the columns `SENSITIVITY_COLUMNS`; a level left empty was not reached. Each
        frequency has the same directions.

    Returns
    -------
    SensitivityScan
        As in `read_power_table`; NaN where sensitivity was not reached [W, rad].

    Raises
    ------
    ValueError
        One line that names the file, line, column, value and the remedy.
    """
    levels = SENSITIVITY_COLUMNS[3:]
    # Each level alone may be empty, so each is its own partner.
    table = Columns.load(path, SENSITIVITY_COLUMNS, pairs=tuple((name, name) for name in levels))
    frequency, theta, phi, watts = _arrange(table, list(levels))
    return SensitivityScan(frequency, theta, phi, *watts)


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
    angles = [[f"{x:z.9g}" for x in np.degrees(values).round(9)] for values in (scan.theta, scan.phi)]
    shares = [f"{x:.12g}" for x in weights]
    blocks = (
        [*angles, shares, [f"{hertz:.12g}"] * weights.size, [f"{x:z.9g}" for x in row]]
        for hertz, row in zip(scan.frequency, contribution, strict=True)
    )
    names = ("theta_deg", "phi_deg", "weight_sr", "frequency_hz", part)
    write_columns(path, names, blocks, overwrite=overwrite)


def _arrange(table: Columns, levels: list[str]) -> tuple[Real, Real, Real, list[Real]]:
    """Frequencies (F,), directions (M,) each [rad], and the levels (F, M) [W]."""
    table.check(CHECKS | dict.fromkeys(levels, _LEVEL))
    frequency, which = np.unique(table["frequency_hz"], return_inverse=True)
    # Beyond 9 decimals of a degree there is only rounding.
    angles = [table[name].round(9) + 0.0 for name in ("theta_deg", "phi_deg")]
    place, count = places(which, labels(angles))
    short = np.flatnonzero(np.bincount(which) < count)
    if short.size:
        hole = np.setdiff1d(np.arange(count), place[which == short[0]])[0]
        row = int(np.argmax(place == hole))
        theta, phi = (x[row] for x in angles)
        raise InputError(
            f"{table.path}, line {table.line(row)}: theta_deg {theta:z.9g}, phi_deg "
            f"{phi:z.9g} has no row like this at frequency_hz {frequency[short[0]]:z.12g}",
            "give every frequency the same directions",
        )
    rows = table_of(which, place, count)
    first = rows.min(axis=0)
    theta, phi = np.radians(table["theta_deg"][first]), np.radians(table["phi_deg"][first])
    return frequency, theta, phi, [1e-3 * 10 ** (table[name][rows] / 10) for name in levels]
