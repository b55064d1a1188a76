"""Tables of power measured without phase, as CSV text: EIRP of a transmitter, EIS of a receiver."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nf2ff.io.columns import CHECKS, Check, Table
from nf2ff.io.power_columns import PLACE_COLUMNS, POWER_COLUMNS, SENSITIVITY_COLUMNS, TOTAL_COLUMN
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
    table = Table.load(path, (*PLACE_COLUMNS, *levels), optional=levels)
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
    """As `read_power_table`, of sensitivity in the columns `SENSITIVITY_COLUMNS`.

    A level left empty was not reached, and is NaN.
    """
    levels = SENSITIVITY_COLUMNS[3:]
    # Each level alone may be empty, so each is its own partner.
    table = Table.load(path, SENSITIVITY_COLUMNS, pairs=tuple((name, name) for name in levels))
    frequency, theta, phi, watts = _arrange(table, list(levels))
    return SensitivityScan(frequency, theta, phi, *watts)


def _arrange(table: Table, levels: list[str]) -> tuple[Real, Real, Real, list[Real]]:
    """Frequencies (F,), directions (M,) each [rad], and the levels (F, M) [W]."""
    table.check(CHECKS | dict.fromkeys(levels, _LEVEL))
    frequency, which = np.unique(table["frequency_hz"], return_inverse=True)
    # Beyond 9 decimals of a degree there is only rounding.
    place = np.stack([table["theta_deg"], table["phi_deg"]], axis=1).round(9) + 0.0
    key = np.unique(place, axis=0, return_inverse=True)[1].reshape(-1)
    # The k-th row of a direction and frequency goes with the k-th at other frequencies.
    order = np.lexsort((key, which))
    new = (np.diff(which[order], prepend=-1) != 0) | (np.diff(key[order], prepend=-1) != 0)
    index = np.arange(key.size)
    repeat = np.empty(key.size, dtype=np.intp)
    repeat[order] = index - np.maximum.accumulate(np.where(new, index, 0))
    _, first, column = np.unique(key * (repeat.max() + 1) + repeat, return_index=True, return_inverse=True)
    rank = np.empty(first.size, dtype=np.intp)
    rank[np.argsort(first)] = np.arange(first.size)
    first = np.sort(first)
    rows = np.full((frequency.size, first.size), -1)
    rows[which, rank[column]] = index
    hole = np.argwhere(rows < 0)
    if hole.size:
        i, j = hole[0]
        theta, phi = place[first[j]]
        raise InputError(
            f"{table.path}, line {table.line(int(first[j]))}: theta_deg {theta:.9g}, phi_deg "
            f"{phi:.9g} has no row like this at frequency_hz {frequency[i]:.12g}",
            "give every frequency the same directions",
        )
    theta, phi = np.radians(table["theta_deg"][first]), np.radians(table["phi_deg"][first])
    return frequency, theta, phi, [1e-3 * 10 ** (table[name][rows] / 10) for name in levels]
