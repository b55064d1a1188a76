"""Tables of samples in a layout of a laboratory's own, read by a description of that layout.

The description, in TOML, names for each quantity a column and its unit, or a value that holds for all rows::

    separator = ";"                     # or ",", "tab", "blanks"
    decimal = ","                       # or "."
    preamble_lines = 3                  # lines before the header
    time_convention = "exp(+jwt)"
    theta = { column = "Elevation", unit = "deg" }
    phi = { column = "Azimuth", unit = "deg" }
    radius = { value = 3.2, unit = "m" }

    [[response]]                        # one for each frequency or polarisation that has columns of its own
    chi = { value = 0, unit = "deg" }
    frequency = { value = 28, unit = "GHz" }
    amplitude = { column = "Co [dB]", unit = "dB" }
    phase = { column = "Co [deg]", unit = "deg" }       # left out: each reading is an amplitude alone

    [[response]]
    chi = { value = 90, unit = "deg" }
    frequency = { value = 28, unit = "GHz" }
    real = { column = "Cross, real" }
    imag = { column = "Cross, imaginary" }

What a response does not say of theta, phi, chi, radius, frequency or port is as its file has it, or else as
above; the port is 1 where nothing is said. Readings of one number in ``coherence`` (a sweep, a cut) share an
unknown phase; ``time`` says when each was taken. Without a header (``header = false``) a column is its
number, from 1. A reading that is empty is a missing sample. Numbers such as 0.1+0.2j, or with i, are those of
``complex = { column = "S21" }``.

Axes of a positioner in place of theta and phi, with the probe's own angle chi, are turned into them as
`measurement.positioner` has it::

    positioner = "elevation-over-azimuth"
    azimuth = { column = "Az", unit = "deg" }
    elevation = { column = "El", unit = "deg" }

What holds for some of the files stands below a pattern of their names, in which braces mean a number::

    [[file]]
    pattern = "*_H_{frequency}GHz.csv"
    chi = { value = 0, unit = "deg" }
    frequency = { from_name = true, unit = "GHz" }

Levels in dBm become waves in sqrt(W), and so do voltages (``unit = "V"``, peak values, or ``"Vrms"``) where
``impedance_ohm`` is stated; without it they are relative.

NumPy archives, MAT and HDF5 files are read alike: a column is then the name of an array (`array_columns`);
so are Touchstone files, in which it is ``frequency`` or ``S21`` (`touchstone`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.io.array_columns import is_arrays, read_arrays
from nf2ff.io.columns import CHECKS, time_sign
from nf2ff.io.layout import UNITS, FilePart, Layout, Response, Source
from nf2ff.io.rows import Real, Recurring, Rows
from nf2ff.io.safe import PathLike
from nf2ff.io.text_columns import Asked, Numbers, read_text
from nf2ff.io.touchstone import is_touchstone, read_touchstone
from nf2ff.measurement.positioner import sphere_angles
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError, found_in

#: Columns of which nothing may be said.
SOMETIMES = ("coherence", "time")


def read_mapped(paths: Sequence[PathLike], layout: Layout) -> Samples:
    """Read samples from tables of a laboratory's own layout.

    Parameters
    ----------
    paths : sequence of path
        Files of that layout, such as one for each frequency or polarisation.
    layout : Layout
        Where what is, as `read_toml` reads it from a description.

    Returns
    -------
    Samples
        As `tables.read_table` has them: angles in [rad], responses in exp(+jwt).

    Raises
    ------
    ValueError
        One line that names the file, line, column, value and the remedy.
    """
    if not paths:
        raise InputError("there is no file to read", "name one")
    columns = [Recurring() for _ in range(9)]
    ends: list[int] = []
    files: list[Numbers] = []
    for path in paths:
        part, from_name = layout.part_of(path)
        file = _reader(path)(path, layout, layout.asked(part))
        for response in layout.response:
            for column, values in zip(columns, _values(file, layout, part, response, from_name), strict=True):
                column.add(values)
            ends.append(file.size + (ends[-1] if ends else 0))
        files.append(file._replace(columns={}))
        del file  # and its columns, which may be large

    def line(row: int) -> str:
        part = int(np.searchsorted(ends, row, side="right"))
        file = files[part // len(layout.response)]
        return file.where(row - (ends[part] - file.size))

    theta, phi, chi, radius, frequency, port, coherence, seconds, response = (x.column() for x in columns)
    groups, time = coherence[:], seconds[:]
    together, untimed = np.isnan(groups), np.isnan(time)
    if not together.all():  # what has a reference is one group
        groups = np.where(together, np.nanmax(groups) + 1, groups)
    if untimed.any() and not untimed.all():
        where = line(int(np.argmax(untimed)))
        raise InputError("has no time, as others have", "give time for all readings or none", where=where)
    rows = Rows(
        frequency,
        theta,
        phi,
        chi,
        radius,
        port,
        response,
        None if untimed.all() else time,
        None if together.all() else groups,
    )
    with found_in(paths[0] if len(paths) == 1 else f"{len(paths)} files"):
        return rows.samples(layout.response_unit, line)


def _reader(path: PathLike) -> Callable[[PathLike, Layout, Asked], Numbers]:
    """What reads a file of its kind."""
    if is_touchstone(path):
        return read_touchstone
    return read_arrays if is_arrays(path) else read_text


def _values(
    file: Numbers,
    layout: Layout,
    part: FilePart | None,
    response: Response,
    from_name: Mapping[str, float],
) -> Iterator[NDArray[Any]]:
    """Columns of theta, phi, chi [deg], radius [m], frequency [Hz], port, group, time [s], response of a
    [[response]].

    One after the other, as they may be large. The group is 0 of a reading without phase; group and time are
    NaN where nothing is said of them.
    """

    def source_of(name: str) -> Source | None:
        found = (getattr(x, name, None) for x in (response, part, layout) if x is not None)
        return next((x for x in found if x is not None), None)

    def get(name: str, default: float = 1.0) -> NDArray[Any]:
        source = source_of(name)
        if source is None:
            return np.broadcast_to(default, file.size)
        raw: Any = from_name[name] if source.from_name else source.value
        if source.column is not None:
            raw = file.columns[source.column][:]
        factor = UNITS[name][source.unit]
        if (source.sign, source.offset, factor) != (1, 0.0, 1.0):
            raw = (source.sign * raw + source.offset) * factor
        return np.broadcast_to(raw, file.size)

    angles = dict(zip(("theta", "phi", "chi"), _angles(layout, get), strict=True))
    for name, key, unit in (
        ("theta", "theta_deg", " deg"),
        ("phi", "", ""),
        ("chi", "", ""),
        ("radius", "radius_m", " m"),
        ("frequency", "frequency_hz", " Hz"),
        ("port", "port", ""),
        ("coherence", "coherence", ""),
        ("time", "", ""),
    ):
        values = angles.pop(name, None)
        if values is None:
            values = get(name, np.nan if name in SOMETIMES else 1.0)
        if name == "coherence" and response.amplitude is not None and response.phase is None:
            values = np.zeros(file.size)
        elif key and not (name in SOMETIMES and source_of(name) is None):
            good, expected = CHECKS[key]
            bad = np.flatnonzero(~good(values))
            if bad.size:
                what = f"{name} is {values[bad[0]]:.12g}{unit}"
                source = source_of(name)
                said = "" if source is None else f": check {source.line(name)}"
                raise InputError(what, f"expected {expected}{said}", where=file.where(bad[0]))
        yield values.real
    value = get("complex") if response.complex is not None else _of_pair(file, response, get)
    if layout.impedance_ohm is not None:
        # 1/2 |w|^2 is the power into a matched load, so is |V|^2 / (2 R), of peak values.
        value = value / np.sqrt(layout.impedance_ohm)
    if time_sign(layout.time_convention) < 0:
        value = value.conj()
    yield value


def _angles(layout: Layout, get: Any) -> tuple[Real, Real, Real]:
    """Columns of theta, phi and chi [deg], of a positioner those into which its axes are turned."""
    if layout.positioner is None:
        return get("theta"), get("phi"), get("chi")
    axes = {name: np.radians(get(name, 0.0)) for name in ("azimuth", "elevation", "roll", "chi")}
    if layout.positioner == "roll-over-azimuth":  # as they are, to the last digit
        return get("azimuth"), get("roll"), get("chi")
    theta, phi, chi = (np.degrees(x) for x in sphere_angles(layout.positioner, **axes))
    return theta, phi, chi


def _of_pair(file: Numbers, response: Response, get: Any) -> NDArray[np.complex128]:
    """Readings of real and imaginary part, or of amplitude and phase."""
    pair = ("real", "imag") if response.real is not None else ("amplitude", "phase")
    first = get(pair[0])
    second = (
        get(pair[1]) if getattr(response, pair[1]) is not None else np.where(np.isnan(first), np.nan, 0.0)
    )
    lone = np.flatnonzero(np.isnan(first) != np.isnan(second))
    if lone.size:
        what = f"has {' without '.join(pair if np.isnan(second[lone[0]]) else pair[::-1])}"
        where = file.where(lone[0])
        raise InputError(what, "leave both empty where a sample is missing", where=where)
    value = np.empty(file.size, dtype=complex)
    if response.amplitude is None:
        value.real, value.imag = first, second
        return value
    decibels = response.amplitude.unit in ("dB", "dBm")
    bad = np.flatnonzero(np.abs(first) > 1000 if decibels else first < 0)
    if bad.size:
        what = f"{file.where(bad[0])}: amplitude is {first[bad[0]]:.12g}"
        other = response.amplitude.model_copy(update={"unit": "linear" if decibels else "dB"})
        expected = "-1000 to 1000 dB; is it linear?" if decibels else "0 or more; is it in dB?"
        raise InputError(what, f"expected {expected} Then write {other.line('amplitude')}")
    amplitude = 10 ** (first / 20) if decibels else first
    if response.amplitude.unit == "dBm":
        amplitude = np.sqrt(2e-3) * amplitude  # 1/2 |w|^2, of peak values, in W
    phase = np.radians(second)
    value.real, value.imag = amplitude * np.cos(phase), amplitude * np.sin(phase)
    return value
