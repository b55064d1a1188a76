"""Columns of tables of power without phase, told from other files."""

from __future__ import annotations

from typing import Literal

from nf2ff.io.safe import PathLike, first_line
from nf2ff.messages.input_error import InputError

PLACE_COLUMNS = ("theta_deg", "phi_deg", "frequency_hz")
#: Columns of a table of EIRP: both polarisations, or in their place `TOTAL_COLUMN`, their sum.
POWER_COLUMNS = (*PLACE_COLUMNS, "eirp_theta_dbm", "eirp_phi_dbm")
TOTAL_COLUMN = "eirp_dbm"
#: Columns of a table of sensitivity; a cell left empty is one that was not reached.
SENSITIVITY_COLUMNS = (*PLACE_COLUMNS, "eis_theta_dbm", "eis_phi_dbm")


def power_table_kind(path: PathLike) -> Literal["power", "sensitivity"] | None:
    """Whether a file is a CSV table of EIRP, of sensitivity, or neither, by its header alone.

    Raises
    ------
    ValueError
        If it has columns of both.
    """
    names = {name.strip() for name in first_line(path).split(",")}
    if "directivity_dbi" in names:  # levels of a result, with a column of EIRP too
        return None
    power, sensitivity = {*POWER_COLUMNS[3:], TOTAL_COLUMN}, set(SENSITIVITY_COLUMNS[3:])
    if names & power and names & sensitivity:
        raise InputError(f"{path}: has columns of EIRP and of EIS", "keep those of one, or make two tables")
    if names & power:
        return "power"
    return "sensitivity" if names & sensitivity else None


def refuse_power_table(path: PathLike, expected: str) -> None:
    """Refuse a table of power where samples are ``expected``."""
    if power_table_kind(path):
        raise InputError(
            f"{path}: holds power without phase, which cannot be transformed (nf2ff inspect gives "
            f"its total and peak): expected {expected}"
        )


def refuse_levels(path: PathLike, line: str) -> None:
    """Refuse levels that export wrote, whose header is the first ``line`` of a file."""
    if "directivity_dbi" in line:
        raise InputError(f"{path}: holds levels that export wrote", "give the result that they were made of")
