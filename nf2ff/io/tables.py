"""Tables of samples, and patterns of antennas or probes, as CSV text."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.far_field import AnyFarField
from nf2ff.antenna.modes import Reference
from nf2ff.io.columns import CHECKS, Columns, or_empty, time_sign, to_degrees, to_texts, write_columns
from nf2ff.io.rows import Recurring, Rows
from nf2ff.io.safe import PathLike
from nf2ff.kernel.arrays import as_array
from nf2ff.measurement.samples import RESPONSE_UNITS, ResponseUnit, Samples
from nf2ff.messages.input_error import InputError, found_in

#: Columns of a table of samples; ``port`` may be absent.
COLUMNS = ("theta_deg", "phi_deg", "chi_deg", "radius_m", "frequency_hz", "port", "real", "imag")
#: Columns that a table of samples may have besides.
OPTIONAL_COLUMNS = ("time_s", "coherence")
#: Columns of a pattern.
PATTERN_COLUMNS = (
    "theta_deg",
    "phi_deg",
    "frequency_hz",
    "port",
    "e_theta_real",
    "e_theta_imag",
    "e_phi_real",
    "e_phi_imag",
)
#: What is told of tables in other columns.
OTHER_COLUMNS = "nf2ff import FILE --propose guesses what other columns are"
#: Rows written together.
_BLOCK = 65536


@dataclass(frozen=True, slots=True, eq=False)
class Pattern:
    """Far field of each port of an antenna or probe, in its own frame.

    Parameters
    ----------
    frequency : (F,) array_like
        Frequencies [Hz].
    theta : (T,) array_like
        Polar angles from 0 to pi [rad].
    phi : (P,) array_like
        Azimuth angles [rad].
    port : (L,) array_like of int
        Port numbers, counted from 1.
    e_theta, e_phi : (F, L, T, P) array_like
        Far field lim r exp(+jkr) E, peak values, exp(+jwt) [V].
    reference : {"absolute", "relative"}
        Absolute where the field is that of 1 W into the port.

    Raises
    ------
    ValueError
        If shapes do not fit or a value is not finite.
    """

    frequency: NDArray[np.float64]
    theta: NDArray[np.float64]
    phi: NDArray[np.float64]
    port: NDArray[np.int16]
    e_theta: NDArray[np.complex128]
    e_phi: NDArray[np.complex128]
    reference: Reference = "absolute"

    def __post_init__(self) -> None:
        for name in ("frequency", "theta", "phi", "port"):
            kind = np.int16 if name == "port" else float
            object.__setattr__(self, name, as_array(getattr(self, name), kind, name, ndim=1))
        shape = (self.frequency.size, self.port.size, self.theta.size, self.phi.size)
        for name in ("e_theta", "e_phi"):
            value = as_array(getattr(self, name), complex, name, ndim=4)
            if value.shape != shape:
                raise InputError(f"{name} has shape {value.shape}, expected (F, L, T, P) = {shape}")
            object.__setattr__(self, name, value)
        if self.reference not in ("absolute", "relative"):
            raise InputError(f"reference is {self.reference!r}, expected 'absolute' or 'relative'")


def read_table(
    path: PathLike, *, time_convention: str = "exp(+jwt)", response_unit: str = "relative"
) -> Samples:
    """Read samples from a CSV table, rows in any order.

    Frequencies come out increasing. Positions come out in the order of their first row, (M,)
    where every frequency has the same ones (up to `ROUNDING`), and (F, M), paired by the order
    of the rows, where the axes move during a sweep. A position that has no row, or an empty
    response, at one frequency is missing there: NaN. A position with two rows is two samples.

    Parameters
    ----------
    path : path
        CSV file with the columns `COLUMNS`, in any order; ``time_s``, when each was taken, may be
        among them, and ``coherence``: rows of one number share an unknown phase, a row of 0 with
        none, so that it is an amplitude.
    time_convention : {"exp(+jwt)", "exp(-iwt)"}
        Of the responses in the file; those of exp(-iwt) are conjugated.
    response_unit : {"V/m", "sqrt(W)", "relative"}
        Unit of the responses in the file, which no column states. Fields and waves not said to be
        such are relative: what a receiver shows is mostly neither.

    Returns
    -------
    Samples
        Angles in [rad].

    Raises
    ------
    ValueError
        One line that names the file, line, column, value and the remedy.
    """
    time_sign(time_convention)
    if response_unit not in RESPONSE_UNITS:
        raise InputError(f"response unit is {response_unit!r}, expected one of {', '.join(RESPONSE_UNITS)}")
    unit: ResponseUnit = response_unit
    pairs = (("real", "imag"),)

    def parts() -> Iterator[Columns]:
        more = ("port", *OPTIONAL_COLUMNS)
        return Columns.parts(path, COLUMNS, optional=more, pairs=pairs, otherwise=OTHER_COLUMNS)

    names = {"frequency": "frequency_hz", "radius": "radius_m", "time": "time_s"}
    names |= {name: name for name in ("theta_deg", "phi_deg", "chi_deg", "port", "coherence")}
    columns = {field: Recurring() for field in (*names, "response")}
    for table in parts():
        table.check(CHECKS)
        for field, name in names.items():
            if name in table.names or name == "port":
                columns[field].add(table.get(name, 1.0))
        columns["response"].add(table.complex("real", "imag", time_convention))

    def where(row: int) -> str:
        for table in parts():
            if row < len(table.values):
                break
            row -= len(table.values)
        return table.cell(row, "frequency_hz")

    del table  # and its text
    rows = Rows(**{field: column.column() for field, column in columns.items()})
    with found_in(path):
        return rows.samples(unit, where)


def write_table(
    path: PathLike, samples: Samples, *, time_convention: str = "exp(+jwt)", overwrite: bool = False
) -> None:
    """Write samples as a CSV table that `read_table` reads back to the last digit.

    Angles are written in degrees, as a round number where its value in radians is that of the
    sample; where no double in degrees has just that value, it is off by its last digit. So a
    table comes back digit by digit, and angles that never were in degrees nearly so.

    Parameters
    ----------
    path : path
        File to write.
    samples : Samples
        What to write; missing samples are rows with an empty response.
    time_convention : {"exp(+jwt)", "exp(-iwt)"}
        Convention of the table written.
    overwrite : bool
        Whether an existing file may be replaced.

    Raises
    ------
    ValueError
        If the file exists or cannot be written; the old one is untouched then.
    """
    sign = time_sign(time_convention)
    shape = samples.response.shape
    angles = [to_texts(to_degrees(x)) for x in (samples.theta, samples.phi, samples.chi)]
    columns = [np.broadcast_to(x, shape) for x in (*angles, to_texts(samples.radius), to_texts(samples.port))]
    more = {} if samples.time is None else {"time_s": np.broadcast_to(to_texts(samples.time), shape)}
    if samples.coherence is not None:
        groups = np.unique(samples.coherence, return_inverse=True)[1] + 1
        more["coherence"] = np.broadcast_to(to_texts(groups), shape)

    def blocks() -> Iterator[list[list[str]]]:
        for i, hertz in enumerate(samples.frequency.tolist()):
            for start in range(0, shape[1], _BLOCK):
                part = slice(start, start + _BLOCK)
                w = samples.response[i, part]
                *place, port = (x[i, part].tolist() for x in columns)
                last = [x[i, part].tolist() for x in more.values()]
                yield [*place, [repr(hertz)] * w.size, port, *or_empty(w if sign > 0 else w.conj()), *last]

    write_columns(path, (*COLUMNS, *more), blocks(), overwrite=overwrite)


def read_pattern(
    path: PathLike, *, time_convention: str = "exp(+jwt)", reference: Reference = "absolute"
) -> Pattern:
    """Read the far field of an antenna or probe, all pairs of theta and phi, from a CSV file.

    Parameters
    ----------
    path : path
        CSV file with the columns `PATTERN_COLUMNS`, columns and rows in any order.
    time_convention : {"exp(+jwt)", "exp(-iwt)"}
        Of the fields in the file; those of exp(-iwt) are conjugated.
    reference : {"absolute", "relative"}
        Absolute where the fields are those of 1 W into the port.

    Returns
    -------
    Pattern
        Frequencies, ports and angles increasing, angles in [rad].

    Raises
    ------
    ValueError
        One line that names the file, line, column, value and the remedy.
    """
    time_sign(time_convention)
    table = Columns.load(path, PATTERN_COLUMNS)
    table.check(CHECKS | {"theta_deg": (lambda x: (x >= 0) & (x <= 180), "0 to 180 in a pattern")})
    names = ("frequency_hz", "port", "theta_deg", "phi_deg")
    axes, inverse = zip(*(np.unique(table[name], return_inverse=True) for name in names), strict=True)
    shape = tuple(x.size for x in axes)
    count = len(table.values)
    cells = math.prod(shape)
    if cells > 1000 * count:
        sizes = ", ".join(f"{n} {size}" for n, size in zip(names, shape, strict=True))
        raise InputError(f"{path}: {count} rows, but distinct values of {sizes}", "a pattern needs all pairs")
    cell = np.ravel_multi_index(inverse, shape)
    order = np.argsort(cell, kind="stable")
    again = np.flatnonzero(np.diff(cell[order]) == 0)
    if again.size:
        table.fault(int(order[again[0] + 1]), "phi_deg", "each direction once per port, frequency")
    if count != cells:
        # Of the first count + 1 cells one must be empty.
        hole = np.unravel_index(np.setdiff1d(np.arange(count + 1), cell)[0], shape)
        place = ", ".join(f"{n} {x[i]:.9g}" for n, x, i in zip(names, axes, hole, strict=True))
        raise InputError(f"{path}: no row for {place}", "a pattern needs all pairs of theta_deg and phi_deg")
    e_theta, e_phi = (
        table.complex(f"{name}_real", f"{name}_imag", time_convention)[order].reshape(shape)
        for name in ("e_theta", "e_phi")
    )
    frequency, port, theta, phi = axes
    port = port.astype(np.int16)
    return Pattern(frequency, np.radians(theta), np.radians(phi), port, e_theta, e_phi, reference)


def write_pattern(path: PathLike, pattern: Pattern | AnyFarField, *, overwrite: bool = False) -> None:
    """Write a pattern, or a far field as that of port 1, as CSV.

    Parameters
    ----------
    path : path
        File to write.
    pattern : Pattern, FarField or FarFieldBlocks
        What to write, exp(+jwt) [V].
    overwrite : bool
        As in `write_table`, which also says what is refused.
    """
    port = pattern.port.tolist() if isinstance(pattern, Pattern) else [1]
    theta, phi = (to_texts(to_degrees(x)).tolist() for x in (pattern.theta, pattern.phi))

    def each() -> Iterator[tuple[NDArray[np.complex128], NDArray[np.complex128]]]:
        if isinstance(pattern, Pattern):
            yield from zip(pattern.e_theta, pattern.e_phi, strict=True)
        else:
            for block in pattern.blocks():
                yield from zip(block.e_theta[:, None], block.e_phi[:, None], strict=True)

    def blocks() -> Iterator[list[list[str]]]:
        for hertz, (e_theta, e_phi) in zip(pattern.frequency.tolist(), each(), strict=True):
            components = (e_theta.real, e_theta.imag, e_phi.real, e_phi.imag)
            for j, number in enumerate(port):
                for k, angle in enumerate(theta):
                    fields = (list(map(repr, x[j, k].tolist())) for x in components)
                    n = len(phi)
                    yield [[angle] * n, phi, [repr(hertz)] * n, [str(number)] * n, *fields]

    write_columns(path, PATTERN_COLUMNS, blocks(), overwrite=overwrite)
