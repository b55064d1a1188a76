"""Files that ranges leave: readings, weights, a term or an error of a budget."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from nf2ff.io.columns import to_texts, write_columns
from nf2ff.io.safe import PathLike, replacing
from nf2ff.io.zone_table import PLACE_COLUMNS, POLARISATION
from nf2ff.ranges.array_design import ArrayDesign
from nf2ff.ranges.plane_wave_array import PlaneWaveArray
from nf2ff.ranges.strongest_wave import StrayWave
from nf2ff.ranges.zone import ProbedField


def write_probed_fields(path: PathLike, fields: Iterable[ProbedField], *, overwrite: bool = False) -> None:
    """Write readings of field probes as a table that `read_probed_fields` reads.

    Parameters
    ----------
    path : path
        CSV to write.
    fields : iterable of ProbedField
        One for each frequency.
    overwrite : bool
        Whether an existing file may be replaced.
    """

    def blocks() -> Iterable[Sequence[Sequence[str]]]:
        for field in fields:
            for word, values in (("co", field.co), ("cross", field.cross)):
                if values is None:
                    continue
                read = np.isfinite(values)
                numbers = [*field.position[read].T, values[read].real, values[read].imag]
                x, y, z, real, imag = (to_texts(column).tolist() for column in numbers)
                ghz = [repr(field.frequency / 1e9)] * len(x)
                yield x, y, z, ghz, real, imag, [word] * len(x)

    write_columns(path, (*PLACE_COLUMNS, "real", "imag", POLARISATION), blocks(), overwrite=overwrite)


def write_array_weights(
    path: PathLike, array: PlaneWaveArray, designs: Sequence[ArrayDesign], *, overwrite: bool = False
) -> None:
    """Write the weights of an array, one row for each element and frequency.

    Parameters
    ----------
    path : path
        CSV to write: element and channel, from 1, place, frequency, amplitude over the largest, phase.
    array : PlaneWaveArray
        The array.
    designs : sequence of ArrayDesign
        One for each frequency.
    overwrite : bool
        Whether an existing file may be replaced.
    """

    def numbers(values: NDArray[np.float64]) -> list[str]:
        return [f"{x:z.9g}" for x in values]

    def blocks() -> Iterable[Sequence[Sequence[str]]]:
        count = array.channel.size
        for design in designs:
            w = design.weights[array.channel] if design.weights.size != count else design.weights
            level = np.abs(w) / np.abs(w).max()
            yield (
                [str(i + 1) for i in range(count)],
                [str(i + 1) for i in array.channel],
                *(numbers(axis) for axis in array.position[:, :2].T),
                [f"{design.frequency / 1e9!r}"] * count,
                numbers(20 * np.log10(np.maximum(level, 1e-15))),
                numbers(np.degrees(np.angle(w))),
            )

    names = ("element", "channel", "x_m", "y_m", "frequency_ghz", "amplitude_db", "phase_deg")
    write_columns(path, names, blocks(), overwrite=overwrite)


def write_zone_term(
    path: PathLike, sizes: Mapping[str, float], *, note: str, overwrite: bool = False
) -> None:
    """Write what a zone does to a device as a budget of one term, which `nf2ff uncertainty` reads.

    Parameters
    ----------
    path : path
        TOML to write.
    sizes : mapping of str to float
        Standard uncertainty of each metric [dB or rad]; NaN leaves it out.
    note : str
        Where the term comes from.
    overwrite : bool
        Whether an existing file may be replaced.
    """
    known = {metric: size for metric, size in sizes.items() if np.isfinite(size)}
    angles = ("beamwidth", "pointing")
    shown = ", ".join(
        f"{metric}_deg = {np.degrees(size):.6g}" if metric in angles else f"{metric}_db = {size:.6g}"
        for metric, size in known.items()
    )
    names = ", ".join(f'"{x}"' for x in known)
    text = f"""# A range's quiet zone as a term of an uncertainty budget, complete as it stands.
metrics = [{names}]

[[term]]
name = "quiet zone"
standard_uncertainty = {{ {shown} }}
note = {json.dumps(note[:500], ensure_ascii=False)}
"""
    with replacing(path, overwrite=overwrite) as temporary:
        Path(temporary).write_text(text, encoding="utf-8")


def write_zone_error(path: PathLike, stray: StrayWave, *, note: str, overwrite: bool = False) -> None:
    """Write the stray wave of a zone as a budget with one error, which `nf2ff uncertainty` propagates.

    Parameters
    ----------
    path : path
        TOML to write.
    stray : StrayWave
        The wave.
    note : str
        Where it comes from.
    overwrite : bool
        Whether an existing file may be replaced.
    """
    text = f"""# A range's quiet zone as an error that is propagated through a scan, complete as it stands.
metrics = ["directivity", "eirp", "trp", "beamwidth", "sidelobe_level"]

[[error]]
kind = "quiet-zone"
level_db = {stray.level_db:z.6g}
theta_deg = {np.degrees(stray.theta):z.6g}
# From theta^ towards phi^ of the antenna's coordinates, if theta^ is along the zone's first axis.
phi_deg = {np.degrees(stray.phi):z.6g}
note = {json.dumps(note[:500], ensure_ascii=False)}
"""
    with replacing(path, overwrite=overwrite) as temporary:
        Path(temporary).write_text(text, encoding="utf-8")
