"""What a file holds, in words and numbers; and antennas described in TOML."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff import io
from nf2ff.antennas import DipoleCluster
from nf2ff.farfield import far_field
from nf2ff.files import read_bytes
from nf2ff.metrics import axial_ratio, directivity, gain, tilt_angle
from nf2ff.modes import mode_numbers
from nf2ff.nsma import HEADER, NsmaPattern
from nf2ff.nsma_reader import read_nsma
from nf2ff.power_facts import power_facts
from nf2ff.power_tables import power_table_kind
from nf2ff.probe import Probe
from nf2ff.samples import Samples
from nf2ff.sanity import judge_readings
from nf2ff.scan import NotAGridError, recognise_grid
from nf2ff.study_results import read_growth
from nf2ff.study_table import growth_facts
from nf2ff.suspicion import suspect_angles, suspect_lengths
from nf2ff.uncertainty_results import read_uncertainty
from nf2ff.uncertainty_table import uncertainty_facts


def describe(
    path: Path,
    *,
    time_convention: str | None = None,
    response_unit: str | None = None,
    noise_floor_dbm: float | None = None,
) -> dict[str, Any]:
    """Facts about a file, by name; units stand at the end of the names.

    A noise floor belongs to tables of EIRP without phase, see `nf2ff.power_facts.power_facts`.

    Raises
    ------
    ValueError
        If the file is none that can be read, or something is stated of responses that it has not.
    """
    without_phase = power_table_kind(path)
    kind = f"{without_phase}_without_phase" if without_phase else io.file_kind(path)
    if noise_floor_dbm is not None and without_phase != "power":
        msg = f"{path}: holds no EIRP without phase: leave the noise floor out"
        raise ValueError(msg)
    if kind in ("samples", "table"):
        samples = io.read_samples(
            path, time_convention=time_convention, response_unit=response_unit
        )
        return {"file": str(path), "holds": "samples", **_samples(samples)}
    facts: dict[str, Any] = {"file": str(path), "holds": kind.replace("_", " ")}
    if time_convention is not None or response_unit is not None:
        msg = f"{path}: holds {facts['holds']}, not samples: leave time convention and unit out"
        raise ValueError(msg)
    if without_phase:
        return facts | power_facts(path, without_phase, noise_floor_dbm=noise_floor_dbm)
    if kind == "probe":
        return facts | _probe(io.read_probe(path)) | _origin(io.read_provenance(path))
    if kind == "uncertainty":
        return facts | uncertainty_facts(read_uncertainty(path))
    if kind == "study":
        return facts | growth_facts(*read_growth(path))
    if kind == "pattern":
        pattern = io.read_pattern(path)
        return facts | {
            "frequencies_ghz": (pattern.frequency / 1e9).tolist(),
            "ports": len(pattern.port),
            "directions": pattern.theta.size * pattern.phi.size,
        }
    if kind == "nsma_pattern":
        return facts | _nsma(read_nsma(path))
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
        facts |= _origin(result.provenance)
        facts["warnings"] = [
            f"{frequency / 1e9:.9g} GHz: {sentence}"
            for frequency, some in zip(modes.frequency, result.warnings, strict=False)
            for sentence in some
        ]
    return facts


def _origin(provenance: Mapping[str, str]) -> dict[str, list[str]]:
    """What the file's provenance says of its level and of the probe, if anything."""
    keys = {"level": "level_from", "probe": "notes_on_the_probe"}
    return {new: provenance[old].splitlines() for old, new in keys.items() if old in provenance}


#: Ratios shown in dB, of powers (10) or of fields (20).
LEVELS = {
    "first_sidelobe_theta": 10,
    "first_sidelobe_phi": 10,
    "highest_sidelobe_theta": 10,
    "highest_sidelobe_phi": 10,
    "front_to_back": 10,
    "axial_ratio": 20,
    "noise_floor": 20,
    "noise_gain": 10,
}


def _scalar(name: str, scalar: io.Scalar) -> dict[str, Any]:
    """One value per frequency, in the unit that the name then ends in; None where not finite."""
    values = np.asarray(scalar.values)
    units = scalar.units
    if units == "rad":
        values, units = np.degrees(values), "deg"
    elif name in ("peak_directivity", "peak_gain", "peak_realised_gain"):
        values, units = 10 * np.log10(values), "dbi"
    elif name == "peak_eirp":
        values, units = 10 * np.log10(values / 1e-3), "dbm"
    elif name in LEVELS:
        with np.errstate(divide="ignore"):
            values, units = LEVELS[name] * np.log10(values), "db"
    suffix = "" if units == "1" or name.endswith(f"_{units.lower()}") else f"_{units}"
    return {name + suffix: [x if math.isfinite(x) else None for x in values.tolist()]}


def _far_field(field: Any) -> dict[str, Any]:
    return {
        "frequencies_ghz": (field.frequency / 1e9).tolist(),
        "directions": field.theta.size * field.phi.size,
        "level": field.reference,
    }


def _nsma(pattern: NsmaPattern) -> dict[str, Any]:
    """Header fields by tag, and what the cuts are, one line for all that differ in frequency."""
    facts: dict[str, Any] = {"frequencies_ghz": (pattern.frequency / 1e9).tolist()}
    unit = pattern.fields.get("GUNITS", "").partition("/")[0].lower()
    for name, tag in (("low", "LWGAIN"), ("middle", "MDGAIN"), ("high", "HGGAIN")):
        try:
            gain = float(pattern.fields.get(tag, "").partition(",")[0])
        except ValueError:
            continue
        if unit in ("dbi", "dbd") and math.isfinite(gain):
            facts[f"gain_{name}_{unit}"] = gain
    alike: dict[str, tuple[float, set[float]]] = {}
    pairs = zip(pattern.frequency.tolist(), pattern.cuts, strict=True)
    for hertz, cut in ((hertz, cut) for hertz, cuts in pairs for cut in cuts):
        angle = cut.angle_deg
        phase = "no phase" if cut.phase_deg is None else "with phase"
        what = (
            f"{cut.plane} {cut.polarisation or '(no polarisation)'}: {angle.size} points from "
            f"{angle.min():g} to {angle.max():g} deg, {phase}"
        )
        top, where = alike.get(what, (-math.inf, set()))
        alike[what] = max(top, float(cut.level_db.max())), where | {hertz}
    facts["cuts_per_frequency"] = [len(cuts) for cuts in pattern.cuts]
    facts["cuts"] = [
        f"{what}, highest level {top:g} dB, at {len(where)} "
        f"{'frequency' if len(where) == 1 else 'frequencies'}"
        for what, (top, where) in alike.items()
    ]
    facts |= {each.tag: pattern.fields[each.tag] for each in HEADER if each.tag in pattern.fields}
    facts["warnings"] = list(pattern.warnings)
    return facts


def _probe(probe: Probe) -> dict[str, Any]:
    facts: dict[str, Any] = {
        "ports": probe.ports,
        "degree": probe.degree,
        "frequencies": 0 if probe.frequency is None else probe.frequency.size,
        "response_unit": probe.response_unit,
        "minimum_radius_m": probe.minimum_radius,
        "azimuthal_orders": probe.orders(),
    }
    if probe.response_unit == "V/m" or probe.frequency is None:
        return facts
    facts["power_by_order_db"] = _power_by_order(probe)
    facts["frequencies_ghz"] = (probe.frequency / 1e9).tolist()
    for port, figures in enumerate(probe_figures(probe), start=1):
        facts |= {
            f"port_{port}_{name}": [x if math.isfinite(x) else None for x in values.tolist()]
            for name, values in figures.items()
        }
    return facts


def _power_by_order(probe: Probe) -> list[float | None]:
    """Power in the orders 0, +-1, +-2 ... over all, the largest of any port and frequency [dB]."""
    _, m, _ = mode_numbers(probe.degree)
    power = np.square(np.abs(probe.coefficients))
    total = np.maximum(power.sum(axis=2), np.finfo(float).tiny)
    share = [
        float((power[:, :, np.abs(m) == mu].sum(axis=2) / total).max())
        for mu in range(probe.mu_max + 1)
    ]
    return [10 * math.log10(x) if x > 0 else None for x in share]


def probe_figures(probe: Probe) -> list[dict[str, NDArray[np.float64]]]:
    """What each port is as an antenna: gain, polarisation and orders, for each frequency.

    Returns
    -------
    list of dict of str to (F,) ndarray
        For each port directivity on the boresight, gain (of an absolute probe), level of the
        weaker of the polarisations x and y against the stronger there, tilt of the polarisation
        from x towards y, axial ratio, and the power in azimuthal orders other than +-1.
    """
    result = []
    for modes in probe.transmit_modes():
        field = far_field(modes, theta=[0.0], phi=[0.0])
        x, y = np.abs(field.e_theta[:, 0, 0]), np.abs(field.e_phi[:, 0, 0])
        _, m, _ = mode_numbers(modes.degree)
        power = np.square(np.abs(modes.coefficients))
        with np.errstate(divide="ignore", invalid="ignore"):
            figures = {"directivity_dbi": 10 * np.log10(directivity(field)[:, 0, 0])}
            if modes.reference == "absolute":
                figures["gain_dbi"] = 10 * np.log10(gain(field, input_power=1.0)[:, 0, 0])
            figures |= {
                "cross_polar_db": 20 * np.log10(np.minimum(x, y) / np.maximum(x, y)),
                "tilt_deg": np.degrees(tilt_angle(field)[:, 0, 0]),
                "axial_ratio_db": 20 * np.log10(axial_ratio(field)[:, 0, 0]),
                "other_orders_db": 10
                * np.log10(power[:, np.abs(m) != 1].sum(axis=1) / power.sum(axis=1)),
            }
        result.append(figures)
    return result


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
    angles = suspect_angles(samples)
    lengths = [sentence for of_one in suspect_lengths(samples) for sentence in of_one]
    readings = [
        f"{frequency / 1e9:.9g} GHz: {sentence}"
        for frequency, some in zip(samples.frequency, judge_readings(samples), strict=True)
        for sentence in some
    ]
    facts["warnings"] = [*([angles] if angles else []), *dict.fromkeys(lengths), *readings]
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
