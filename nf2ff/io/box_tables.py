"""Tables of what is found in an antenna's box, and of places in it, as CSV text."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nf2ff.diagnostics.array import Excitations
from nf2ff.diagnostics.back_projection import Projection
from nf2ff.diagnostics.parts import RadiatingParts
from nf2ff.io.columns import Columns, write_columns
from nf2ff.io.safe import PathLike

Real = NDArray[np.float64]
#: Columns of places.
PLACE_COLUMNS = ("x_m", "y_m", "z_m")


def read_places(path: PathLike) -> Real:
    """Places of an array's elements.

    Parameters
    ----------
    path : path
        CSV with the columns ``x_m,y_m,z_m``, a row for each element.

    Returns
    -------
    (P, 3) ndarray
        The places [m].

    Raises
    ------
    ValueError
        With file, line and column, if the table is not as it should be.
    """
    table = Columns.load(path, PLACE_COLUMNS)
    return np.stack([table[name] for name in PLACE_COLUMNS], axis=1)


def _texts(values: Real) -> list[str]:
    return [f"{x:z.9g}" for x in values.tolist()]


def _decibels(ratio: Real) -> Real:
    return np.asarray(20 * np.log10(np.maximum(ratio, 1e-15)))


def write_projection(path: PathLike, found: Projection, *, overwrite: bool = False) -> None:
    """Write a field beside the antenna, a row for each point.

    Parameters
    ----------
    path : path
        File with the columns ``frequency_hz,x_m,y_m,z_m`` and real and imaginary part of ``e_x`` to ``e_z``.
    found : Projection
        What to write.
    overwrite : bool
        Whether an existing file may be replaced.
    """
    parts = [f"e_{axis}_{part}" for axis in "xyz" for part in ("real", "imag")]
    places = [_texts(x) for x in found.points.T]
    blocks = (
        [[f"{hertz:.12g}"] * len(field), *places, *(_texts(x) for x in field.view(float).T)]
        for hertz, field in zip(found.frequency, found.field, strict=True)
    )
    write_columns(path, ("frequency_hz", *PLACE_COLUMNS, *parts), blocks, overwrite=overwrite)


def write_parts(path: PathLike, found: RadiatingParts, *, overwrite: bool = False) -> None:
    """Write the parts that radiate, the strongest first.

    Parameters
    ----------
    path : path
        File with the columns ``part,x_m,y_m,z_m,power_db``, the power over that of all modes.
    found : RadiatingParts
        What to write.
    overwrite : bool
        Whether an existing file may be replaced.
    """
    numbers = [str(i + 1) for i in range(found.power.size)]
    power = _decibels(np.sqrt(found.power))
    block = [numbers, *(_texts(x) for x in found.position.T), _texts(power)]
    write_columns(path, ("part", *PLACE_COLUMNS, "power_db"), [block], overwrite=overwrite)


def write_excitations(path: PathLike, found: Excitations, *, overwrite: bool = False) -> None:
    """Write the excitations of an array, in the order of its elements.

    Parameters
    ----------
    path : path
        File with the columns ``element,x_m,y_m,z_m,amplitude_db,phase_deg,uncertainty_db,dead``; amplitudes
        are over their median, the uncertainty is in dB of that, too, and empty where not known.
    found : Excitations
        What to write.
    overwrite : bool
        Whether an existing file may be replaced.
    """
    size = np.abs(found.excitation)
    middle = np.median(size)
    known = np.isfinite(found.uncertainty)
    spread = [
        text if here else ""
        for text, here in zip(_texts(_decibels(found.uncertainty / middle)), known, strict=True)
    ]
    block = [
        [str(i + 1) for i in range(size.size)],
        *(_texts(x) for x in found.position.T),
        _texts(_decibels(size / middle)),
        _texts(np.degrees(np.angle(found.excitation))),
        spread,
        [str(int(x)) for x in found.dead()],
    ]
    names = ("element", *PLACE_COLUMNS, "amplitude_db", "phase_deg", "uncertainty_db", "dead")
    write_columns(path, names, [block], overwrite=overwrite)
