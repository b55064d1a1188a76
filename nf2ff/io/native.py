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

from nf2ff.antenna.far_field import FarField
from nf2ff.antenna.modes import Modes, degree_of_count, mode_numbers
from nf2ff.io.hdf5 import Group, Item, attribute, find, is_native, open_native, take, write
from nf2ff.io.nsma import is_record
from nf2ff.io.power_columns import refuse_levels, refuse_power_table
from nf2ff.io.safe import PathLike, first_line, refuse_toml
from nf2ff.io.tables import COLUMNS, PATTERN_COLUMNS, read_table
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import RESPONSE_UNITS, Samples
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.result import Quantity, Result


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
    write(path, "samples", {"samples": _samples_group(samples)}, provenance, overwrite)


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
        line, expected = first_line(path), f"a native file or a CSV table ({','.join(COLUMNS)})"
        refuse_toml(path, line, expected)
        if is_record(line):
            raise InputError(f"{path}: is an NSMA pattern file, which holds no samples: expected {expected}")
        refuse_levels(path, line)
        refuse_power_table(path, expected)
        return read_table(
            path, time_convention=time_convention or "exp(+jwt)", response_unit=response_unit or "relative"
        )
    with open_native(path) as file:
        group = find(file, "samples")
        frequency = take(group, "frequency", "Hz", 1)
        place = {
            name: take(group, name, "m" if name == "radius" else "rad", (1, 2))
            for name in ("theta", "phi", "chi", "radius")
        }
        port = take(group, "port", "1", 1, kind="iu")
        if port.max() > np.iinfo(np.int16).max:
            raise InputError(f"/samples/port is {port.max()}, expected whole numbers from 1 to 32767")
        response = take(group, "response", RESPONSE_UNITS, 2, kind="c", missing=True)
        unit = group["response"].attrs["units"]
        if time_convention not in (None, "exp(+jwt)") or response_unit not in (None, unit):
            held = unit if unit == "relative" else f"in {unit}"
            msg = f"is native: exp(+jwt), responses {held}: leave those options out, or read the "
            msg += "table it was made of with them"
            raise InputError(msg)
        return Samples(frequency, **place, port=port, response=response, response_unit=unit)


def write_modes(
    path: PathLike, modes: Modes, *, provenance: Mapping[str, str] | None = None, overwrite: bool = False
) -> None:
    """Write mode coefficients as a native file; parameters as in `write_samples`."""
    write(path, "modes", {"modes": modes_group(modes)}, provenance, overwrite)


def read_modes(path: PathLike) -> Modes:
    """Read mode coefficients from a native file; raises as `read_samples`."""
    with open_native(path) as file:
        return _modes(file)


def write_far_field(
    path: PathLike,
    far_field: FarField,
    *,
    provenance: Mapping[str, str] | None = None,
    overwrite: bool = False,
) -> None:
    """Write a far field as a native file; parameters as in `write_samples`."""
    write(path, "far_field", {"far_field": _far_field_group(far_field)}, provenance, overwrite)


def read_far_field(path: PathLike) -> FarField:
    """Read a far field from a native file; raises as `read_samples`."""
    with open_native(path) as file:
        return _far_field(file)


def write_probe(
    path: PathLike, probe: Probe, *, provenance: Mapping[str, str] | None = None, overwrite: bool = False
) -> None:
    """Write a probe as a native file; parameters as in `write_samples`."""
    axes: tuple[str, ...] = ("port", "mode")
    values = probe.coefficients[0]
    items = [] if probe.frequency is None else [_frequency(probe.frequency)]
    if probe.frequency is not None:
        axes, values = ("frequency", *axes), probe.coefficients
    port = np.arange(1, probe.ports + 1)
    items.append(Item("port", port, "1", "probe port, from 1", ("port",)))
    items += _mode_axes(probe.degree)
    items.append(Item("coefficients", values, "1", "receiving coefficients", axes))
    attributes = {"response_unit": str(probe.response_unit)}
    if probe.minimum_radius is not None:
        attributes["minimum_radius_m"] = repr(float(probe.minimum_radius))
    write(path, "probe", {"probe": Group(items, attributes)}, provenance, overwrite)


def read_probe(path: PathLike) -> Probe:
    """Read a probe from a native file; raises as `read_samples`."""
    with open_native(path) as file:
        group = find(file, "probe")
        frequency = take(group, "frequency", "Hz", 1) if "frequency" in group else None
        ndim = 2 if frequency is None else 3
        values = take(group, "coefficients", "1", ndim, kind="c")
        _check_modes(group, values.shape[-1])
        unit = attribute(group, "response_unit", RESPONSE_UNITS)
        given = group.attrs.get("minimum_radius_m")
        try:
            radius = None if given is None else float(given)
        except (TypeError, ValueError):
            raise InputError(
                f"/probe: attribute minimum_radius_m is {str(given)[:80]!r}, expected a number"
            ) from None
        return Probe(frequency, values[None] if frequency is None else values, unit, radius)


def write_result(path: PathLike, result: Result, *, overwrite: bool = False) -> None:
    """Write a result, with its own provenance; parameters and errors as in `write_samples`."""
    items = [_frequency(result.modes.frequency)]
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


def read_result(path: PathLike) -> Result:
    """Read what `write_result` wrote; raises as `read_samples`."""
    with open_native(path) as file:
        modes = _modes(file)
        group = find(file, "solution")
        if not np.array_equal(take(group, "frequency", "Hz", 1), modes.frequency):
            raise InputError("/solution has other frequencies than /modes", "write it again")
        quantities = {}
        warnings: tuple[tuple[str, ...], ...] = ()
        for name in [x for x in group if x not in ("frequency", "warnings")]:
            values = take(group, name, None, 1, kind="fiu", finite=False)
            attrs = group[name].attrs
            quantities[name] = Quantity(values, attrs["units"], str(attrs.get("long_name", name)))
        if "warnings" in group:
            text = group["warnings"].asstr()[()]
            warnings = tuple(tuple(x for x in some.split("\n") if x) for some in text)
        counts = {x.values.size for x in quantities.values()} | {len(warnings) or None}
        if counts - {modes.frequency.size, None}:
            raise InputError("/solution has not one value per frequency", "write it again")
        far_field = _far_field(file) if "far_field" in file else None
        notes = {name: str(value) for name, value in group.attrs.items()}
        return Result(modes, far_field, quantities, warnings, notes, _provenance(file))


def read_provenance(path: PathLike) -> dict[str, str]:
    """Where a native file comes from, as `provenance` wrote it; raises as `read_samples`."""
    with open_native(path) as file:
        return _provenance(file)


def file_kind(path: PathLike) -> str:
    """What a file holds, by its content.

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
            return str(file.attrs["kind"])
    line = first_line(path)
    names = {name.strip() for name in line.split(",")}
    refuse_levels(path, line)
    if names & {*COLUMNS, *PATTERN_COLUMNS}:
        more = len(names & set(PATTERN_COLUMNS)) > len(names & set(COLUMNS))
        return "pattern" if more else "table"
    if is_record(line):
        return "nsma_pattern"
    expected = f"a native file or a CSV table ({','.join(COLUMNS)}; of a probe "
    refuse_toml(path, line, expected + f"{','.join(PATTERN_COLUMNS)})")
    raise InputError(
        f"{path}: is neither a native file nor a CSV table: expected columns {','.join(COLUMNS)}"
    )


def _frequency(values: NDArray[np.float64]) -> Item:
    return Item("frequency", values, "Hz", "frequency", ("frequency",))


def _samples_group(samples: Samples) -> Group:
    count = np.arange(1, samples.response.shape[1] + 1)
    items = [
        _frequency(samples.frequency),
        Item("sample", count, "1", "number of the sample, from 1", ("sample",)),
    ]
    for name, units, long_name in (
        ("theta", "rad", "polar angle of the probe"),
        ("phi", "rad", "azimuth of the probe"),
        ("chi", "rad", "rotation of the probe about its axis, from theta^ towards phi^"),
        ("radius", "m", "distance of the probe from the origin"),
        ("port", "1", "probe port, from 1"),
    ):
        values = getattr(samples, name)
        axes = ("sample",) if values.ndim == 1 else ("frequency", "sample")
        items.append(Item(name, values, units, long_name, axes))
    axes = ("frequency", "sample")
    long_name = "response, exp(+jwt), peak; NaN where missing"
    items.append(Item("response", samples.response, samples.response_unit, long_name, axes))
    return Group(items, {})


def _mode_axes(degree: int) -> list[Item]:
    s, m, n = mode_numbers(degree)
    return [
        Item("mode", np.arange(1, s.size + 1), "1", "j = 2 (n (n+1) + m - 1) + s", ("mode",)),
        Item("s", s, "1", "kind: 1 transverse electric, 2 transverse magnetic", ("mode",)),
        Item("m", m, "1", "azimuthal order", ("mode",)),
        Item("n", n, "1", "degree", ("mode",)),
    ]


def modes_group(modes: Modes) -> Group:
    """The group ``/modes`` of a native file."""
    q = modes.coefficients
    name = "spherical mode coefficients, exp(+jwt), peak"
    items = [_frequency(modes.frequency), *_mode_axes(modes.degree)]
    items.append(Item("coefficients", q, "sqrt(W)", name, ("frequency", "mode")))
    return Group(items, {"reference": modes.reference})


def _far_field_group(far_field: FarField) -> Group:
    axes = ("frequency", "theta", "phi")
    limit = "component of lim r exp(+jkr) E, exp(+jwt), peak"
    items = [
        _frequency(far_field.frequency),
        Item("theta", far_field.theta, "rad", "polar angle", ("theta",)),
        Item("phi", far_field.phi, "rad", "azimuth", ("phi",)),
        Item("e_theta", far_field.e_theta, "V", f"theta {limit}", axes),
        Item("e_phi", far_field.e_phi, "V", f"phi {limit}", axes),
        Item("radiated_power", far_field.radiated_power, "W", "radiated power", ("frequency",)),
    ]
    if far_field.trusted is not None:
        mark = far_field.trusted.astype(np.uint8)
        items.append(Item("trusted", mark, "1", "1 where the near field was seen", axes))
    return Group(items, {"reference": far_field.reference})


def _modes(file: Any) -> Modes:
    group = find(file, "modes")
    q = take(group, "coefficients", "sqrt(W)", 2, kind="c")
    _check_modes(group, q.shape[-1])
    reference = attribute(group, "reference", ("absolute", "relative"))
    return Modes(take(group, "frequency", "Hz", 1), q, reference)


def _check_modes(group: Any, count: int) -> None:
    given = [take(group, name, "1", 1, kind="iu") for name in ("s", "m", "n")]
    right = mode_numbers(degree_of_count(count))
    if not all(np.array_equal(a, b) for a, b in zip(given, right, strict=True)):
        raise InputError(
            f"{group.name}: s, m, n are not in the order j = 2 (n (n+1) + m - 1) + s", "sort them"
        )


def _far_field(file: Any) -> FarField:
    group = find(file, "far_field")
    return FarField(
        take(group, "frequency", "Hz", 1),
        take(group, "theta", "rad", 1),
        take(group, "phi", "rad", 1),
        take(group, "e_theta", "V", 3, kind="c"),
        take(group, "e_phi", "V", 3, kind="c"),
        take(group, "radiated_power", "W", 1),
        attribute(group, "reference", ("absolute", "relative")),
        take(group, "trusted", "1", 3, kind="iu").astype(bool) if "trusted" in group else None,
    )


def _provenance(file: Any) -> dict[str, str]:
    attributes = file["provenance"].attrs if "provenance" in file else {}
    return {name: str(value) for name, value in attributes.items()}
