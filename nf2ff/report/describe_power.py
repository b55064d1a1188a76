"""What a table of power without phase holds, in words and numbers: total, its uncertainty, peak."""

from __future__ import annotations

import math
from itertools import chain
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from nf2ff.io.power_tables import read_power_table, read_sensitivity_table
from nf2ff.io.safe import PathLike
from nf2ff.messages.input_error import found_in
from nf2ff.power_only.peak import scan_peak
from nf2ff.power_only.scan import PowerScan, SensitivityScan
from nf2ff.power_only.totals import TotalPower, TotalSensitivity, scan_tis, scan_trp
from nf2ff.power_only.weights import different_positions
from nf2ff.report.result import warning_lines

Real = NDArray[np.float64]


def power_facts(
    path: PathLike, kind: Literal["power", "sensitivity"], *, noise_floor_dbm: float | None = None
) -> dict[str, Any]:
    """Facts about a table of EIRP or of sensitivity, by name, fit for JSON; names end in units.

    Of EIRP the total (TRP), the noise that was subtracted from it, and the peak between the samples,
    each with its standard uncertainty, None where the positions are too coarse to state one;
    ``trp_rise_by_lowest_reading_db`` tells what a floor as high as the lowest reading does to the total.
    Of sensitivity the total (TIS); where it was not reached, ``tis_dbm`` counts nothing and
    ``lowest_tis_dbm`` what the weakest sensitivity that was reached would give: the highest power tried
    was no less. Where the directions leave a part of the sphere out, ``total`` says so instead.

    Parameters
    ----------
    path : path
        CSV table.
    kind : str
        What it holds, see `nf2ff.io.power_columns.power_table_kind`.
    noise_floor_dbm : float, optional
        Mean reading with the device switched off, both polarisations together, of a table of EIRP;
        minus infinity for none. If not given, it is estimated, see `nf2ff.power_only.floor` [dBm].
    """
    if kind == "power":
        power = read_power_table(path)
        facts = _scan(power) | {
            "polarisations": "their sum" if power.eirp_theta is None else "theta and phi",
            "highest_sample_dbm": _dbm(power.eirp.max(axis=1)),
        }
        floor = None if noise_floor_dbm is None else 1e-3 * 10 ** (noise_floor_dbm / 10)
        if floor is None:
            return _with_total(facts, power, lambda scan: _power(scan, None))
        # The option is at fault as likely as the table.
        with found_in(path), found_in(f"with --noise-floor-dbm {noise_floor_dbm:g}"):
            return facts | _power(power, floor)
    sensitivity = read_sensitivity_table(path)
    missing = np.isnan([sensitivity.eis_theta, sensitivity.eis_phi]).sum(axis=(0, 2))
    return _with_total(_scan(sensitivity) | {"not_reached": missing.tolist()}, sensitivity, _tis)


def _scan(scan: PowerScan | SensitivityScan) -> dict[str, Any]:
    return {
        "frequencies_ghz": (scan.frequency / 1e9).tolist(),
        "samples_per_frequency": scan.theta.size,
        "directions": different_positions(scan.theta, scan.phi).theta.size,
        "theta_from_deg": math.degrees(scan.theta.min()),
        "theta_to_deg": math.degrees(scan.theta.max()),
    }


def _with_total(facts: dict[str, Any], scan: Any, total: Any) -> dict[str, Any]:
    try:
        return facts | total(scan)
    except ValueError as error:
        return facts | {"total": f"no: {error}"}


def _power(scan: PowerScan, floor: float | None) -> dict[str, Any]:
    total, peak = scan_trp(scan, noise_floor=floor), scan_peak(scan, noise_floor=floor)
    read = total.trp + total.noise_floor
    with np.errstate(divide="ignore", invalid="ignore"):
        lowest = -10 * np.log10(1 - scan.eirp.min(axis=1) / read)
    return {
        **_about(total, total.trp, "trp"),
        "trp_noise_floor_dbm": [_dbm(x) if x > 0 else None for x in total.noise_floor],
        "trp_noise_correction_db": (10 * np.log10(total.trp / read)).tolist(),
        "trp_rise_by_lowest_reading_db": [x if math.isfinite(x) else None for x in lowest.tolist()],
        "peak_eirp_dbm": _dbm(peak.eirp),
        "peak_uncertainty_db": _relative(peak.standard_uncertainty, peak.eirp),
        "peak_theta_deg": np.degrees(peak.theta).tolist(),
        # Beyond 9 decimals there is only rounding, which would show 0 as 360.
        "peak_phi_deg": (np.degrees(peak.phi).round(9) % 360).tolist(),
        "resolved_degree": peak.degree,
        "warnings": _told(scan, total.warnings, peak.warnings),
    }


def _tis(scan: SensitivityScan) -> dict[str, Any]:
    both = np.stack([scan.eis_theta, scan.eis_phi])
    reached = both[~np.isnan(both)]
    total = scan_tis(scan, highest_power=float(reached.max()) if reached.size else None)
    facts = _about(total, total.tis, "tis")
    if total.missing.any():
        facts["lowest_tis_dbm"] = _dbm(total.lowest_tis)
    return facts | {"warnings": _told(scan, total.warnings)}


def _about(total: TotalPower | TotalSensitivity, value: Real, name: str) -> dict[str, Any]:
    return {
        f"{name}_dbm": _dbm(value),
        f"{name}_sampling_uncertainty_db": _relative(total.standard_uncertainty, value),
        f"{name}_by": f"{total.method}: {total.rule}",
    }


def _relative(uncertainty: Real, value: Real) -> list[float | None]:
    """Relative uncertainties in dB, None where none is stated."""
    found = 10 * np.log10(1 + uncertainty / value)
    return [None if math.isnan(x) else x for x in found.tolist()]


def _dbm(watts: Real) -> Any:
    return (10 * np.log10(watts / 1e-3)).tolist()


def _told(scan: PowerScan | SensitivityScan, *warnings: tuple[tuple[str, ...], ...]) -> list[str]:
    """Sentences of all frequencies, each once."""
    each = (dict.fromkeys(chain.from_iterable(some)) for some in zip(*warnings, strict=True))
    return warning_lines(scan.frequency, each)
