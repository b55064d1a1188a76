"""Antennas described in TOML."""

from __future__ import annotations

import sys
from typing import Any

import numpy as np

from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.io.safe import PathLike
from nf2ff.io.toml import read_toml
from nf2ff.messages.input_error import InputError, found_in

_MOMENTS = ("electric_a_m", "magnetic_v_m")


def read_antenna(path: PathLike) -> DipoleCluster:
    """Dipoles from a TOML file with tables [[dipole]].

    Each has ``position_m``, three numbers, and ``electric_a_m`` [A m] and/or ``magnetic_v_m``
    [V m], three components each, a component being a number or a pair [real, imaginary].

    Parameters
    ----------
    path : path
        File to read.

    Returns
    -------
    DipoleCluster
        All dipoles of the file.

    Raises
    ------
    ValueError
        One line that names the file, the dipole, the key, the value and what is expected.
    """
    content = read_toml(path)
    with found_in(path):
        dipoles = content.get("dipole")
        tables = isinstance(dipoles, list) and all(isinstance(x, dict) for x in dipoles)
        if set(content) != {"dipole"} or not tables or not dipoles:
            raise InputError(f"has {sorted(content) or 'nothing'}, expected tables [[dipole]] only")
        for i, dipole in enumerate(dipoles, start=1):
            if set(dipole) - {"position_m", *_MOMENTS} or "position_m" not in dipole or len(dipole) < 2:
                raise InputError(
                    f"dipole {i} has {sorted(dipole)}, expected position_m and {' and/or '.join(_MOMENTS)}"
                )
        position, electric, magnetic = (
            np.array(
                [_vector(dipole.get(key, [0, 0, 0]), key, i) for i, dipole in enumerate(dipoles, start=1)]
            )
            for key in ("position_m", *_MOMENTS)
        )
        if not np.any(electric) and not np.any(magnetic):
            raise InputError("all moments are zero: nothing would radiate")
    return DipoleCluster(position.real, electric, magnetic)


def _vector(value: Any, key: str, i: int) -> list[complex]:
    """Three components."""
    vector = []
    for x in value if isinstance(value, list) else ():
        pair = x if isinstance(x, list) and key != "position_m" else [x, 0.0]
        if len(pair) == 2 and all(map(_finite, pair)):
            vector.append(complex(*pair))
    if len(vector) != 3 or len(value) != 3:
        pairs = "" if key == "position_m" else ", each alone or as [real, imaginary]"
        raise InputError(f"{key} of dipole {i} is {str(value)[:80]}, expected three finite numbers{pairs}")
    return vector


def _finite(x: Any) -> bool:
    """Whether x is a number that a double can hold."""
    return type(x) in (int, float) and abs(x) <= sys.float_info.max
