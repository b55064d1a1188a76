"""Antennas described in TOML."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np

from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.io.safe import read_bytes
from nf2ff.messages.input_error import InputError


def read_antenna(path: Path) -> DipoleCluster:
    """Dipoles from a TOML file with tables [[dipole]].

    Each has ``position_m``, three numbers, and ``electric_a_m`` [A m] and/or ``magnetic_v_m``
    [V m], three components each, a component being a number or a pair [real, imaginary].

    Raises
    ------
    ValueError
        One line that names the file, the dipole, the key, the value and what is expected.
    """
    try:
        content = tomllib.loads(read_bytes(path, limit=2**24).decode())
    except RecursionError as error:
        raise InputError(f"{path}: is nested too deeply, expected tables [[dipole]] only") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: is no TOML: {error}") from error
    dipoles = content.get("dipole")
    tables = isinstance(dipoles, list) and all(isinstance(x, dict) for x in dipoles)
    if set(content) != {"dipole"} or not tables or not dipoles:
        raise InputError(f"{path}: has {sorted(content) or 'nothing'}, expected tables [[dipole]] only")
    moments: dict[str, list[list[complex]]] = {"position_m": [], "electric_a_m": [], "magnetic_v_m": []}
    for i, dipole in enumerate(dipoles, start=1):
        unknown = set(dipole) - set(moments)
        if unknown or "position_m" not in dipole or len(dipole) < 2:
            raise InputError(
                f"{path}: dipole {i} has {sorted(dipole)}, expected position_m and electric_a_m "
                "and/or magnetic_v_m"
            )
        for name, column in moments.items():
            column.append(_vector(path, i, name, dipole.get(name, [0, 0, 0])))
    if not np.any([moments["electric_a_m"], moments["magnetic_v_m"]]):
        raise InputError(f"{path}: all moments are zero: nothing would radiate")
    position, electric, magnetic = (np.array(x) for x in moments.values())
    return DipoleCluster(position.real, electric, magnetic)


def _vector(path: Path, i: int, name: str, value: Any) -> list[complex]:
    def number(x: Any) -> float:
        if type(x) not in (int, float):
            raise TypeError
        return float(x)

    def component(x: Any) -> complex:
        if isinstance(x, list) and name != "position_m":
            real, imaginary = x
            return complex(number(real), number(imaginary))
        return complex(number(x))

    try:
        vector = [component(x) for x in value]
    except (TypeError, ValueError, OverflowError):
        vector = []
    if len(vector) != 3 or not np.isfinite(vector).all():
        expected = "three finite numbers"
        if name != "position_m":
            expected += ", each alone or as [real, imaginary]"
        raise InputError(f"{path}: {name} of dipole {i} is {str(value)[:80]}, expected {expected}")
    return vector
