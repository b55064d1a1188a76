"""What a file holds, in words and numbers; and antennas described in TOML."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np

from nf2ff import io
from nf2ff.antennas import DipoleCluster
from nf2ff.files import read_bytes
from nf2ff.samples import Samples
from nf2ff.scan import NotAGridError, recognise_grid


def describe(
    path: Path, *, time_convention: str | None = None, response_unit: str | None = None
) -> dict[str, Any]:
    """Facts about a file, by name; units stand at the end of the names.

    Raises
    ------
    ValueError
        If the file is none that can be read.
    """
    kind = io.file_kind(path)
    if kind in ("samples", "table"):
        samples = io.read_samples(
            path, time_convention=time_convention, response_unit=response_unit
        )
        return {"file": str(path), "holds": "samples", **_samples(samples)}
    facts: dict[str, Any] = {"file": str(path), "holds": kind.replace("_", " ")}
    if kind == "probe":
        probe = io.read_probe(path)
        return facts | {
            "ports": probe.ports,
            "degree": probe.degree,
            "frequencies": 0 if probe.frequency is None else probe.frequency.size,
            "response_unit": probe.response_unit,
        }
    if kind == "pattern":
        pattern = io.read_pattern(path)
        return facts | {
            "frequencies_ghz": (pattern.frequency / 1e9).tolist(),
            "ports": len(pattern.port),
            "directions": pattern.theta.size * pattern.phi.size,
        }
    if kind == "far_field":
        return facts | _far_field(io.read_far_field(path))
    modes = io.read_modes(path)
    facts |= {
        "frequencies_ghz": (modes.frequency / 1e9).tolist(),
        "degree": modes.degree,
        "level": modes.reference,
    }
    if modes.reference == "absolute":
        facts["radiated_power_w"] = modes.radiated_power().tolist()
    if kind == "result":
        result = io.read_result(path)
        if result.far_field is not None:
            facts |= {"directions": result.far_field.theta.size * result.far_field.phi.size}
        for name, scalar in result.scalars.items():
            if name != "radiated_power":  # already said of the modes
                facts |= _scalar(name, scalar)
        facts |= result.notes
        facts["warnings"] = [
            f"{frequency / 1e9:.9g} GHz: {sentence}"
            for frequency, some in zip(modes.frequency, result.warnings, strict=False)
            for sentence in some
        ]
    return facts


def _scalar(name: str, scalar: io.Scalar) -> dict[str, Any]:
    """One value per frequency, in the unit that the name then ends in; None where not finite."""
    values = np.asarray(scalar.values)
    units = scalar.units
    if units == "rad":
        values, units = np.degrees(values), "deg"
    elif name == "peak_directivity":
        values, units = 10 * np.log10(values), "dbi"
    elif name == "peak_eirp":
        values, units = 10 * np.log10(values / 1e-3), "dbm"
    suffix = "" if units == "1" or name.endswith(f"_{units.lower()}") else f"_{units}"
    return {name + suffix: [x if math.isfinite(x) else None for x in values.tolist()]}


def _far_field(field: Any) -> dict[str, Any]:
    return {
        "frequencies_ghz": (field.frequency / 1e9).tolist(),
        "directions": field.theta.size * field.phi.size,
        "level": field.reference,
    }


def _samples(samples: Samples) -> dict[str, Any]:
    count = samples.response.shape[1]
    facts: dict[str, Any] = {
        "frequencies": samples.frequency.size,
        "first_frequency_ghz": float(samples.frequency.min() / 1e9),
        "last_frequency_ghz": float(samples.frequency.max() / 1e9),
        "samples_per_frequency": count,
        "missing": int(np.isnan(samples.response).sum()),
        "ports": int(np.unique(samples.port).size),
        "response_unit": samples.response_unit,
        "least_radius_m": float(samples.radius.min()),
        "largest_radius_m": float(samples.radius.max()),
        "theta_from_deg": math.degrees(samples.theta.min()),
        "theta_to_deg": math.degrees(samples.theta.max()),
        "different_chi": int(np.unique(np.round(samples.chi, 9)).size),
        "positions_move_with_frequency": samples.moving,
    }
    try:
        grid = recognise_grid(samples).grid
    except NotAGridError as error:
        facts["regular_grid"] = f"no: {error}"
    else:
        facts["regular_grid"] = f"{grid.rule}, {grid.theta.size} x {grid.phi.size}"
        facts["grid_supports_degree"] = grid.degree
    return facts


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
        msg = f"{path}: is nested too deeply, expected tables [[dipole]] only"
        raise ValueError(msg) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        msg = f"{path}: is no TOML: {error}"
        raise ValueError(msg) from error
    dipoles = content.get("dipole")
    tables = isinstance(dipoles, list) and all(isinstance(x, dict) for x in dipoles)
    if set(content) != {"dipole"} or not tables or not dipoles:
        msg = f"{path}: has {sorted(content) or 'nothing'}, expected tables [[dipole]] only"
        raise ValueError(msg)
    moments: dict[str, list[list[complex]]] = {
        "position_m": [], "electric_a_m": [], "magnetic_v_m": [],
    }  # fmt: skip
    for i, dipole in enumerate(dipoles, start=1):
        unknown = set(dipole) - set(moments)
        if unknown or "position_m" not in dipole or len(dipole) < 2:
            msg = (
                f"{path}: dipole {i} has {sorted(dipole)}, expected position_m and electric_a_m "
                "and/or magnetic_v_m"
            )
            raise ValueError(msg)
        for name, column in moments.items():
            column.append(_vector(path, i, name, dipole.get(name, [0, 0, 0])))
    if not np.any([moments["electric_a_m"], moments["magnetic_v_m"]]):
        msg = f"{path}: all moments are zero: nothing would radiate"
        raise ValueError(msg)
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
        msg = f"{path}: {name} of dipole {i} is {str(value)[:80]}, expected {expected}"
        raise ValueError(msg)
    return vector
