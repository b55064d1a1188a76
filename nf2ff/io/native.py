"""Native files: HDF5 that opens in other programs, refused where it is not what it says.

One group per noun (``/samples``, ``/modes``, ``/far_field``, ``/probe``, ``/solution``), each with
its axes as dimension scales, every dataset with ``units`` and ``long_name``, so that
``xarray.open_dataset(file, group="/far_field", engine="h5netcdf")`` opens it as it is. The root
has the attributes ``format``, ``version`` and ``kind``.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.far_field import AnyFarField, FarField, FarFieldBlocks
from nf2ff.antenna.fields import Pair
from nf2ff.antenna.modes import Modes, degree_of_count, mode_numbers
from nf2ff.io import hdf5
from nf2ff.io.hdf5 import Group, Item, Later, find, is_native, open_native, take, write
from nf2ff.io.hdf5_text import all_texts, attribute_value, take_texts
from nf2ff.io.nsma import is_record
from nf2ff.io.power_columns import refuse_levels, refuse_power_table
from nf2ff.io.safe import PathLike, first_line, refuse_toml
from nf2ff.io.schemas import CONSTANT_PROBE, FAR_FIELD, FREQUENCY, MODES, PROBE, SAMPLES
from nf2ff.io.tables import COLUMNS, OTHER_COLUMNS, PATTERN_COLUMNS, read_table
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.result import Quantity, Result

#: What makes a far field large.
_COMPONENTS = ("e_theta", "e_phi")


def write_samples(
    path: PathLike, samples: Samples, *, provenance: Mapping[str, str] | None = None, overwrite: bool = False
) -> None:
    """Write samples as a native file.

    Parameters
    ----------
    path : path
        File to write.
    samples : Samples
        What to write.
    provenance : mapping of str to str, optional
        As `provenance` gives it; without inputs and command where absent.
    overwrite : bool
        Whether an existing file may be replaced.

    Raises
    ------
    ValueError
        If the file exists or cannot be written; the old one is untouched then.
    """
    count = np.arange(1, samples.response.shape[1] + 1)
    group = SAMPLES.group(samples, sample=count, units={"response": samples.response_unit})
    write(path, "samples", {"samples": group}, provenance, overwrite)


def read_samples(
    path: PathLike, *, time_convention: str | None = None, response_unit: str | None = None
) -> Samples:
    """Read samples from a native file or a CSV table; the content tells which.

    Parameters
    ----------
    path : path
        Native file with a group ``/samples``, or CSV as `read_table` reads it.
    time_convention, response_unit : str, optional
        For a CSV table, see `read_table`. A native file states its own; where they are given
        they must agree.

    Returns
    -------
    Samples

    Raises
    ------
    ValueError
        One line that names the file, what is wrong and what to do.
    """
    if not is_native(path):
        line = first_line(path)
        if not _is_table(line):
            _refuse_no_samples(path, line)
        return read_table(
            path, time_convention=time_convention or "exp(+jwt)", response_unit=response_unit or "relative"
        )
    with open_native(path) as file:
        group = find(file, "samples")
        found = SAMPLES.read(group)
        port = found["port"].max()
        if port > np.iinfo(np.int16).max:
            raise InputError(f"/samples/port is {port}, expected whole numbers from 1 to 32767")
        unit = attribute_value(group["response"], "units")
        if time_convention not in (None, "exp(+jwt)") or response_unit not in (None, unit):
            held = unit if unit == "relative" else f"in {unit}"
            msg = f"is native: exp(+jwt), responses {held}: leave those options out, or read the "
            msg += "table it was made of with them"
            raise InputError(msg)
        return Samples(**found, response_unit=unit)


def write_modes(
    path: PathLike, modes: Modes, *, provenance: Mapping[str, str] | None = None, overwrite: bool = False
) -> None:
    """Write mode coefficients as a native file.

    Parameters
    ----------
    path : path
        File to write.
    modes : Modes
        What to write.
    provenance, overwrite
        As in `write_samples`, which also says what is refused.
    """
    write(path, "modes", {"modes": modes_group(modes)}, provenance, overwrite)


def read_modes(path: PathLike) -> Modes:
    """Read mode coefficients from a native file.

    Parameters
    ----------
    path : path
        File to read, refused as by `read_samples`.

    Returns
    -------
    Modes
        What it holds.
    """
    with open_native(path) as file:
        return _modes(file)


def write_far_field(
    path: PathLike,
    far_field: AnyFarField,
    *,
    provenance: Mapping[str, str] | None = None,
    overwrite: bool = False,
) -> None:
    """Write a far field as a native file.

    Parameters
    ----------
    path : path
        File to write.
    far_field : FarField or FarFieldBlocks
        What to write.
    provenance, overwrite
        As in `write_samples`, which also says what is refused.
    """
    write(path, "far_field", {"far_field": _far_field_group(far_field)}, provenance, overwrite)


def read_far_field(path: PathLike) -> FarField:
    """Read a far field from a native file.

    Parameters
    ----------
    path : path
        File to read, refused as by `read_samples`.

    Returns
    -------
    FarField
        What it holds.
    """
    with open_native(path) as file:
        return _far_field(file)


def read_far_field_blocks(path: PathLike) -> FarFieldBlocks:
    """Read a far field from a native file block by block.

    Parameters
    ----------
    path : path
        File to read, refused as by `read_samples`, now and again for each block.

    Returns
    -------
    FarFieldBlocks
        What it holds, read where it is asked for.
    """
    with open_native(path) as file:
        return _far_field_blocks(path, file)


def write_probe(
    path: PathLike, probe: Probe, *, provenance: Mapping[str, str] | None = None, overwrite: bool = False
) -> None:
    """Write a probe as a native file.

    Parameters
    ----------
    path : path
        File to write.
    probe : Probe
        What to write.
    provenance, overwrite
        As in `write_samples`, which also says what is refused.
    """
    place = {"port": np.arange(1, probe.ports + 1), **_mode_axes(probe.degree)}
    if probe.frequency is None:
        group = CONSTANT_PROBE.group(probe, coefficients=probe.coefficients[0], **place)
    else:
        group = PROBE.group(probe, **place)
    write(path, "probe", {"probe": group}, provenance, overwrite)


def read_probe(path: PathLike) -> Probe:
    """Read a probe from a native file.

    Parameters
    ----------
    path : path
        File to read, refused as by `read_samples`.

    Returns
    -------
    Probe
        What it holds.
    """
    with open_native(path) as file:
        group = find(file, "probe")
        if "frequency" in group:
            return Probe(**_without_axes(group, PROBE.read(group)))
        found = _without_axes(group, CONSTANT_PROBE.read(group))
        return Probe(None, **found | {"coefficients": found["coefficients"][None]})


def write_result(path: PathLike, result: Result, *, overwrite: bool = False) -> None:
    """Write a result, with its own provenance.

    Parameters
    ----------
    path : path
        File to write.
    result : Result
        What to write.
    overwrite : bool
        As in `write_samples`, which also says what is refused.
    """
    items = [FREQUENCY.item(result.modes.frequency, None)]
    for name, (values, units, long_name) in result.quantities.items():
        items.append(Item(name, values, units, long_name, ("frequency",)))
    if result.warnings:
        lines = [[" ".join(sentence.split()) for sentence in some] for some in result.warnings]
        text = np.array(["\n".join(some) for some in lines], dtype=object)
        items.append(Item("warnings", text, "1", "warnings, one a line", ("frequency",)))
    groups = {"modes": modes_group(result.modes), "solution": Group(items, dict(result.notes))}
    if result.far_field is not None:
        groups["far_field"] = _far_field_group(result.far_field)
    write(path, "result", groups, result.provenance or None, overwrite)


def read_result(path: PathLike, *, blocks: bool = False) -> Result:
    """Read what `write_result` wrote.

    Parameters
    ----------
    path : path
        File to read.
    blocks : bool
        Whether the far field, which is much more than all else, is read where it is asked for, as by
        `read_far_field_blocks`.

    Returns
    -------
    Result
        Modes, far field, quantities, warnings, notes and provenance.

    Raises
    ------
    ValueError
        As `read_samples`, or if the parts of the file have different frequencies.
    """
    with open_native(path) as file:
        modes = _modes(file)
        group = find(file, "solution")
        if not np.array_equal(take(group, "frequency", "Hz", 1), modes.frequency):
            raise InputError("/solution has other frequencies than /modes", "write it again")
        quantities = {}
        warnings: tuple[tuple[str, ...], ...] = ()
        for name in [x for x in group if x not in ("frequency", "warnings")]:
            values = take(group, name, None, 1, kind="fiu", finite=False)
            units, words = (attribute_value(group[name], x) for x in ("units", "long_name"))
            quantities[name] = Quantity(values, units, str(words or name))
        if "warnings" in group:
            text = take_texts(group, "warnings")
            warnings = tuple(tuple(x for x in some.split("\n") if x) for some in text)
        counts = {x.values.size for x in quantities.values()} | {len(warnings) or None}
        if counts - {modes.frequency.size, None}:
            raise InputError("/solution has not one value per frequency", "write it again")
        far_field: AnyFarField | None = None
        if "far_field" in file:
            far_field = _far_field_blocks(path, file) if blocks else _far_field(file)
        return Result(modes, far_field, quantities, warnings, all_texts(group), _provenance(file))


def read_provenance(path: PathLike) -> dict[str, str]:
    """Read where a native file comes from.

    Parameters
    ----------
    path : path
        File to read, refused as by `read_samples`.

    Returns
    -------
    dict of str to str
        As `io.safe.provenance` wrote it.
    """
    with open_native(path) as file:
        return _provenance(file)


def file_kind(path: PathLike) -> str:
    """What a file holds, by its content.

    Parameters
    ----------
    path : path
        File to look into.

    Returns
    -------
    str
        One of `KINDS` for a native file; "table" for a CSV of samples, "pattern" for one of
        far fields; "nsma_pattern" for a pattern file of NSMA WG16.99.050.

    Raises
    ------
    ValueError
        If it is none of these.
    """
    if is_native(path):
        with open_native(path) as file:
            return hdf5.file_kind(file)
    line = first_line(path)
    if _is_table(line):
        return "table"
    refuse_levels(path, line)
    names = {name.strip() for name in line.split(",")}
    if names & {*COLUMNS, *PATTERN_COLUMNS}:
        more = len(names & set(PATTERN_COLUMNS)) > len(names & set(COLUMNS))
        return "pattern" if more else "table"
    if is_record(line):
        return "nsma_pattern"
    expected = f"a native file or a CSV table ({','.join(COLUMNS)}; of a probe "
    refuse_toml(path, line, expected + f"{','.join(PATTERN_COLUMNS)})")
    raise InputError(
        f"{path}: is neither a native file nor a CSV table: expected columns {','.join(COLUMNS)}",
        option=OTHER_COLUMNS,
    )


def _is_table(header: str) -> bool:
    """Whether a line is the header of a table of samples."""
    return {"real", "imag"} <= {name.strip() for name in header.split(",")}


def _refuse_no_samples(path: PathLike, line: str) -> None:
    """Say what a text holds that begins with ``line``, if it is a known kind."""
    expected = f"a native file or a CSV table ({','.join(COLUMNS)})"
    refuse_toml(path, line, expected)
    if is_record(line):
        raise InputError(f"{path}: is an NSMA pattern file, which holds no samples: expected {expected}")
    refuse_levels(path, line)
    refuse_power_table(path, expected)


def _mode_axes(degree: int) -> dict[str, Any]:
    s, m, n = mode_numbers(degree)
    return {"mode": np.arange(1, s.size + 1), "s": s, "m": m, "n": n}


def _without_axes(group: Any, found: dict[str, Any]) -> dict[str, Any]:
    """What was read, less the numbers of the modes, which are checked."""
    right = mode_numbers(degree_of_count(found["coefficients"].shape[-1]))
    given = [found.pop(name) for name in ("s", "m", "n")]
    if not all(np.array_equal(a, b) for a, b in zip(given, right, strict=True)):
        raise InputError(
            f"{group.name}: s, m, n are not in the order j = 2 (n (n+1) + m - 1) + s", "sort them"
        )
    return found


def modes_group(modes: Modes) -> Group:
    """The group ``/modes`` of a native file."""
    return MODES.group(modes, **_mode_axes(modes.degree))


def _modes(file: Any) -> Modes:
    group = find(file, "modes")
    return Modes(**_without_axes(group, MODES.read(group)))


def _far_field_group(field: AnyFarField) -> Group:
    shape = (field.frequency.size, field.theta.size, field.phi.size)
    given: dict[str, Any] = dict.fromkeys(_COMPONENTS, np.broadcast_to(np.complex128(), shape))
    later = Later(_COMPONENTS, lambda rows: ((x.e_theta, x.e_phi) for x in field.blocks(rows)))
    return FAR_FIELD.group(field, **given)._replace(later=later)


def _far_field(file: Any) -> FarField:
    return FarField(**FAR_FIELD.read(find(file, "far_field")))


def _far_field_blocks(path: PathLike, file: Any) -> FarFieldBlocks:
    def fields(pick: NDArray[np.intp]) -> Pair:
        with open_native(path) as file:
            group = find(file, "far_field")
            e_theta, e_phi = (x.take(group, None, pick) for x in FAR_FIELD.fields if x.name in _COMPONENTS)
            return e_theta, e_phi

    return FarFieldBlocks(**FAR_FIELD.read(find(file, "far_field"), later=_COMPONENTS), fields=fields)


def _provenance(file: Any) -> dict[str, str]:
    return all_texts(file["provenance"]) if "provenance" in file else {}
