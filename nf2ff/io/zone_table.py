"""Tables of field probes: positions and the field there, as CSV."""

from __future__ import annotations

import csv
import difflib
import sys
from collections.abc import Iterator
from io import StringIO

import numpy as np
from numpy.typing import NDArray

from nf2ff.io.columns import TimeConvention, time_sign
from nf2ff.io.safe import PathLike, read_bytes
from nf2ff.messages.input_error import InputError, found_in
from nf2ff.ranges.zone import ProbedField

#: Columns that every table has.
PLACE_COLUMNS = ("x_m", "y_m", "z_m", "frequency_ghz")
#: One of these sets holds the field; the last is amplitude alone.
FIELD_COLUMNS = (("real", "imag"), ("amplitude_db", "phase_deg"), ("amplitude_db",))
#: Which polarisation a row is of, ``co`` or ``cross``; all are co-polar without it.
POLARISATION = "polarisation"
#: What is understood, for help and messages.
LAYOUT = (
    "x_m,y_m,z_m,frequency_ghz, the field as real,imag or amplitude_db,phase_deg or amplitude_db, and "
    "polarisation (co or cross; co if absent)"
)
#: Largest file that is read [bytes].
_LIMIT = 2**28
#: Largest number of a column.
_MOST = dict.fromkeys(PLACE_COLUMNS[:3], 1e6) | {
    "amplitude_db": 1e3,
    "phase_deg": 1e9,
    "real": 1e100,
    "imag": 1e100,
}
#: Places of the two polarisations nearer than this are the same [m].
_SAME_PLACE = 1e-6


def read_probed_fields(
    path: PathLike, *, time_convention: TimeConvention | None = None
) -> tuple[ProbedField, ...]:
    """Fields of each frequency of a table, frequencies rising.

    Parameters
    ----------
    path : path
        CSV, one row for each reading, lines that start with ``#`` being comments.
    time_convention : {"exp(+jwt)", "exp(-iwt)"}, optional
        That of the phases; exp(+jwt) if not given.

    Returns
    -------
    tuple of ProbedField
        Cross-polar readings beside the co-polar ones of the same place.

    Raises
    ------
    ValueError
        With file, line and column, if the table is not as it should be.
    """
    data = read_bytes(path, limit=_LIMIT)
    with found_in(path):
        names, rows, lines = _parse(data)
        field, has_phase = _field(names, rows, time_sign(time_convention or "exp(+jwt)"))
        place = np.stack([rows[:, names.index(x)] for x in PLACE_COLUMNS[:3]], axis=1)
        ghz = rows[:, names.index("frequency_ghz")]
        wrong = np.flatnonzero(~((ghz > 0) & (ghz <= 1e6)))
        if wrong.size:
            raise InputError(
                f"is {ghz[wrong[0]]:g}, expected GHz above 0, at most 1e6",
                where=f"line {lines[wrong[0]]}, column frequency_ghz",
            )
        cross = rows[:, names.index(POLARISATION)] == 1 if POLARISATION in names else np.zeros(ghz.size, bool)
        fields = []
        for one in np.unique(ghz):
            with found_in(f"{one:.9g} GHz"):
                co, other = (np.flatnonzero((ghz == one) & mine) for mine in (~cross, cross))
                beside = _beside(place, co, other, field, lines)
                fields.append(ProbedField(1e9 * one, place[co], field[co], beside, has_phase))
    return tuple(fields)


def _parse(data: bytes) -> tuple[list[str], NDArray[np.float64], list[int]]:
    """Names of the columns, values (rows, columns), and the line of each row."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError("is not text in UTF-8", "save the table as CSV in UTF-8") from error
    cells = _cells(text)
    number, names = next(cells, (1, []))
    if not names:
        raise InputError("has no header line", f"expected {LAYOUT}")
    _check_header(names, f"line {number}")
    values, lines = [], []
    for number, row in cells:
        if len(row) != len(names):
            raise InputError(f"has {len(row)} fields, the header has {len(names)}", where=f"line {number}")
        values.append([_value(cell, name, number) for cell, name in zip(row, names, strict=True)])
        lines.append(number)
    if not values:
        raise InputError("has no row below its header", "add one row for each reading")
    return names, np.array(values), lines


def _cells(text: str) -> Iterator[tuple[int, list[str]]]:
    """Line and cells of each row, blank lines and comments left out."""
    try:
        rows = csv.reader(StringIO(text, newline=""))
        for row in rows:
            if any(row) and not row[0].lstrip().startswith("#"):
                yield rows.line_num, [cell.strip() for cell in row]
    except csv.Error as error:
        raise InputError(f"is not a CSV table ({error})", "save the table as CSV in UTF-8") from error


def _check_header(names: list[str], where: str) -> None:
    known = {*PLACE_COLUMNS, "real", "imag", "amplitude_db", "phase_deg", POLARISATION}
    if len(names) == 1 and any(x in names[0] for x in ";\t"):
        raise InputError("columns are not separated by commas", "save as CSV with ',' and '.'", where=where)
    for name in names:
        if name not in known:
            near = difflib.get_close_matches(name.casefold(), sorted(known), n=1, cutoff=0.5)
            hint = f" (is it {near[0]}?)" if near else ""
            raise InputError(f"column {name!r} is unknown{hint}", f"expected {LAYOUT}", where=where)
        if names.count(name) > 1:
            raise InputError(f"column {name} occurs twice", "remove one", where=where)
    for name in PLACE_COLUMNS:
        if name not in names:
            raise InputError(f"column {name} is missing", f"expected {LAYOUT}", where=where)
    held = {x for x in names if x not in (*PLACE_COLUMNS, POLARISATION)}
    if held not in [set(x) for x in FIELD_COLUMNS]:
        had = ",".join(sorted(held)) or "no such column"
        raise InputError(
            f"the field has {had}",
            "expected real,imag or amplitude_db,phase_deg or amplitude_db",
            where=where,
        )


def _value(cell: str, name: str, line: int) -> float:
    """Number of a cell; of the polarisation 0 for co and 1 for cross."""
    where = f"line {line}, column {name}"
    if name == POLARISATION:
        if cell.casefold() not in ("co", "cross"):
            raise InputError(f"is {cell[:40]!r}, expected co or cross", where=where)
        return float(cell.casefold() == "cross")
    try:
        value = float(cell)
    except ValueError:
        raise InputError(
            f"is {cell[:40]!r}" if cell else "is empty", "expected a number, '.' as decimal sign", where=where
        ) from None
    most = _MOST.get(name, sys.float_info.max)
    if not abs(value) <= most:
        raise InputError(f"is {cell[:40]}, expected a finite number of at most {most:g}", where=where)
    return value


def _field(names: list[str], rows: NDArray[np.float64], sign: int) -> tuple[NDArray[np.complex128], bool]:
    """Complex field of each row, and whether it has a phase."""
    if "real" in names:
        parts = rows[:, names.index("real")] + 1j * sign * rows[:, names.index("imag")]
        return np.asarray(parts, dtype=np.complex128), True
    size = np.asarray(10 ** (rows[:, names.index("amplitude_db")] / 20), dtype=np.complex128)
    if "phase_deg" not in names:
        return size, False
    size *= np.exp(1j * sign * np.radians(rows[:, names.index("phase_deg")]))
    return size, True


def _beside(
    place: NDArray[np.float64],
    co: NDArray[np.intp],
    cross: NDArray[np.intp],
    field: NDArray[np.complex128],
    lines: list[int],
) -> NDArray[np.complex128] | None:
    """Cross-polar readings in the order of the co-polar ones, NaN where there is none."""
    from scipy.spatial import cKDTree

    if not co.size:
        raise InputError("has no co-polar reading", "call the stronger polarisation co")
    if not cross.size:
        return None
    apart, nearest = cKDTree(place[co]).query(place[cross])
    lone = np.flatnonzero(apart > _SAME_PLACE)
    if lone.size:
        raise InputError(
            "a cross-polar reading without a co-polar one at its place: the nearest is "
            f"{apart[lone[0]]:.4g} m off",
            "read both at the same places",
            where=f"line {lines[cross[lone[0]]]}",
        )
    result = np.full(co.size, np.nan + 0j)
    result[nearest] = field[cross]
    return result
