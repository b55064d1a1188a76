"""What a file holds, in words and numbers."""

from __future__ import annotations

import math
import shlex
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from nf2ff.antenna.far_field import FarFieldBlocks
from nf2ff.antenna.modes import mode_numbers
from nf2ff.io import native
from nf2ff.io import tables as io_tables
from nf2ff.io.growth import read_growth
from nf2ff.io.nsma import HEADER, NsmaPattern
from nf2ff.io.nsma_reader import read_nsma
from nf2ff.io.power_columns import power_table_kind
from nf2ff.io.safe import PathLike
from nf2ff.io.uncertainty import read_uncertainty
from nf2ff.measurement.probe import Probe, field_probe
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.messages.scan import ReadingCode
from nf2ff.metrics.probe import probe_figures
from nf2ff.metrics.result import Result
from nf2ff.report.describe_power import power_facts
from nf2ff.report.growth import growth_facts
from nf2ff.report.over_frequency import told_once
from nf2ff.report.result import quantity_facts, warning_lines
from nf2ff.report.uncertainty import uncertainty_facts
from nf2ff.solver.coverage import measure_coverage
from nf2ff.solver.degree import count_limit
from nf2ff.solver.line_phases import judge_phases
from nf2ff.solver.polarisations import places
from nf2ff.solver.regular_grid import NotAGridError, recognise_grid
from nf2ff.solver.suspect_readings import judge_readings
from nf2ff.solver.suspected_units import suspect_angles, suspect_form_at_sight, suspect_lengths


def describe(
    path: PathLike,
    *,
    time_convention: str | None = None,
    response_unit: str | None = None,
    noise_floor_dbm: float | None = None,
    once: bool = False,
) -> dict[str, Any]:
    """Facts about a file, by name; units stand at the end of the names.

    Parameters
    ----------
    path : path
        File of any kind that `io.native.file_kind` knows, or a table of power.
    time_convention, response_unit : str, optional
        Those of a CSV table of samples, as in `io.native.read_samples`.
    noise_floor_dbm : float, optional
        Of tables of EIRP without phase, see `report.describe_power.power_facts` [dBm].
    once : bool
        Whether warnings of several frequencies that differ in their figures alone are told once.

    Returns
    -------
    dict
        Numbers, strings, lists and dictionaries, ready for JSON.

    Raises
    ------
    ValueError
        If the file cannot be read, or something is stated of responses that it does not hold.
    """
    without_phase = power_table_kind(path)
    kind = f"{without_phase}_without_phase" if without_phase else native.file_kind(path)
    if noise_floor_dbm is not None and without_phase != "power":
        raise InputError(f"{path}: holds no EIRP without phase", "leave the noise floor out")
    if kind in ("samples", "table"):
        samples = native.read_samples(path, time_convention=time_convention, response_unit=response_unit)
        return {
            "file": str(path),
            "holds": "samples",
            **_samples(samples, shlex.quote(str(path)), told_once if once else warning_lines),
        }
    facts: dict[str, Any] = {"file": str(path), "holds": kind.replace("_", " ")}
    if time_convention is not None or response_unit is not None:
        raise InputError(f"{path}: holds {facts['holds']}, not samples", "leave out time convention and unit")
    if without_phase:
        return facts | power_facts(path, without_phase, noise_floor_dbm=noise_floor_dbm)
    if kind == "probe":
        return facts | _probe(native.read_probe(path)) | _origin(native.read_provenance(path))
    if kind == "uncertainty":
        return facts | uncertainty_facts(read_uncertainty(path))
    if kind == "study":
        return facts | growth_facts(*read_growth(path))
    if kind == "pattern":
        pattern = io_tables.read_pattern(path)
        return facts | _directions(pattern) | {"ports": len(pattern.port)}
    if kind == "nsma_pattern":
        return facts | _nsma(read_nsma(path))
    if kind == "far_field":
        field = native.read_far_field_blocks(path)
        return facts | _directions(field) | {"level": field.reference}
    result = native.read_result(path, blocks=True) if kind == "result" else Result(native.read_modes(path))
    modes = result.modes
    facts |= {
        "frequencies_ghz": (modes.frequency / 1e9).tolist(),
        "degree": modes.degree,
        "level": modes.reference,
    }
    if modes.reference == "absolute":
        facts["radiated_power_w"] = modes.radiated_power().tolist()
    if kind == "result":
        if result.far_field is not None:
            facts |= _directions(result.far_field)
        facts |= quantity_facts(result.quantities) | dict(result.notes) | _origin(result.provenance)
        facts["warnings"] = (told_once if once else warning_lines)(modes.frequency, result.warnings)
    return facts


def _origin(provenance: Mapping[str, str]) -> dict[str, list[str]]:
    """What the file's provenance says of its level and of the probe, if anything."""
    keys = {"level": "level_from", "probe": "notes_on_the_probe"}
    return {new: provenance[old].splitlines() for old, new in keys.items() if old in provenance}


def _directions(field: Any) -> dict[str, Any]:
    for _ in field.blocks() if isinstance(field, FarFieldBlocks) else ():
        pass  # each is refused where a number in it is none
    return {
        "frequencies_ghz": (field.frequency / 1e9).tolist(),
        "directions": field.theta.size * field.phi.size,
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
        f"{what}, highest level {top:g} dB, at {len(where)} frequenc{'y' if len(where) == 1 else 'ies'}"
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
        float((power[:, :, np.abs(m) == mu].sum(axis=2) / total).max()) for mu in range(probe.mu_max + 1)
    ]
    return [10 * math.log10(x) if x > 0 else None for x in share]


def _samples(samples: Samples, name: str, lines: Callable[..., list[str]]) -> dict[str, Any]:
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
    if samples.time is not None:
        # A unit that is not that of the column shows here.
        facts["duration_s"] = float(np.ptp(samples.time))
    if samples.coherence is not None:
        facts["groups_of_coherent_phase"] = int(np.unique(samples.coherence).size)
    try:
        grid = recognise_grid(samples).grid
    except NotAGridError as error:
        facts["regular_grid"] = f"no: {error}"
    else:
        facts["regular_grid"] = f"{grid.rule}, {grid.theta.size} x {grid.phi.size}"
        facts["grid_supports_degree"] = grid.degree
    facts["coverage"] = _coverage(samples) if "grid_supports_degree" not in facts else "the whole sphere"
    form = suspect_form_at_sight(samples)
    units = [x for x in (suspect_angles(samples), form) if x is not None]
    lengths = [sentence for of_one in suspect_lengths(samples) for sentence in of_one]
    jumps, judged = judge_phases(samples, name), judge_readings(samples)
    if jumps:
        # Readings at a pole, of cuts with phases of their own, differ by these.
        judged = [[x for x in some if x.code is not ReadingCode.CONTRADICTION] for some in judged]
    # What is no field need not agree with itself.
    readings = [*lines(samples.frequency, judged), *jumps] if form is None else []
    facts["warnings"] = [*units, *dict.fromkeys(lengths), *readings]
    return facts


def _coverage(samples: Samples) -> str:
    """What of the sphere was not measured, at the first frequency.

    What the ports read is not known here: of several, any position counts as measured in full.
    """
    here = ~np.isnan(samples.response[0])
    if not here.any():
        return "nothing was measured"
    one = samples.part([0], here)
    several = len(one.ports()) > 1
    theta, phi, stokes = places(replace(one, port=np.ones_like(one.port)), field_probe())
    limit = max(1, count_limit(one))
    found = measure_coverage(theta=theta, phi=phi, stokes=None if several else stokes, degree=limit)
    return found.describe(max(1, found.supported_degree())) or "the whole sphere"
