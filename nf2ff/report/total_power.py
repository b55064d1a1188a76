"""Total and partial powers of a table without phase, as rows over frequency and as facts for JSON."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.metrics.regions import UPPER_HEMISPHERE, near_horizon
from nf2ff.metrics.summary import HORIZON_DEG
from nf2ff.power_only.fit import PowerFit
from nf2ff.power_only.peak import fit_scan
from nf2ff.power_only.poles import pole_warnings
from nf2ff.power_only.regions import partial_power, partial_uncertainty
from nf2ff.power_only.scan import PowerScan, SensitivityScan
from nf2ff.power_only.totals import TotalMethod, TotalPower, TotalSensitivity, scan_tis, scan_trp
from nf2ff.report.numbers import decimals_of
from nf2ff.report.over_frequency import Row

Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Totals:
    """A total, and what is radiated into parts of the sphere.

    Parameters
    ----------
    scan : PowerScan or SensitivityScan
        The readings.
    total : TotalPower or TotalSensitivity
        The total.
    parts : dict of str to (F,) ndarray
        Share of the upper hemisphere and of bands about the horizon; empty for sensitivity.
    warnings : tuple of tuple of str
        For each frequency.
    spread : dict of str to (F,) ndarray
        Standard uncertainty of each share by sampling and noise.
    """

    scan: PowerScan | SensitivityScan
    total: TotalPower | TotalSensitivity
    parts: dict[str, Real]
    warnings: tuple[tuple[str, ...], ...]
    spread: dict[str, Real] = field(default_factory=dict)

    @property
    def contribution(self) -> Real:
        """What each reading adds to the total, its noise included, or to the mean of 1/EIS, (F, M)."""
        if isinstance(self.scan, PowerScan):
            return np.asarray(self.scan.eirp * self.total.weights / (4 * np.pi))
        inverse = np.nan_to_num(1 / np.stack([self.scan.eis_theta, self.scan.eis_phi]))
        return np.asarray(inverse.sum(axis=0) * self.total.weights / (4 * np.pi))


def power_totals(
    scan: PowerScan, *, method: TotalMethod | None = None, noise_floor: float | None = None
) -> Totals:
    """TRP of a scan, and the power in the upper hemisphere and in bands about the horizon."""
    total = scan_trp(scan, method=method, noise_floor=noise_floor)
    fit = fit_scan(scan)
    bands = {"upper_hemisphere": UPPER_HEMISPHERE}
    bands |= {f"near_horizon_{x}_deg": near_horizon(math.radians(x)) for x in HORIZON_DEG}
    parts = {name: _share(fit, total, band.theta1, band.theta2) for name, band in bands.items()}
    count = scan.theta.size
    spread = {
        name: partial_uncertainty(fit, theta1=band.theta1, theta2=band.theta2, count=count)
        / (fit.mean - total.noise_floor)
        for name, band in bands.items()
    }
    told = zip(total.warnings, pole_warnings(scan, fit), strict=True)
    return Totals(scan, total, parts, tuple((*a, *b) for a, b in told), spread)


def _share(fit: PowerFit, total: TotalPower, theta1: float, theta2: float) -> Real:
    # The floor that was subtracted from the total is the same in all directions.
    solid = (math.cos(theta1) - math.cos(theta2)) / 2
    part = partial_power(fit, theta1=theta1, theta2=theta2) - total.noise_floor * solid
    return np.asarray(part / (fit.mean - total.noise_floor))


def sensitivity_totals(
    scan: SensitivityScan, *, method: TotalMethod | None = None, highest_power: float | None = None
) -> Totals:
    """TIS of a scan."""
    total = scan_tis(scan, method=method, highest_power=highest_power)
    return Totals(scan, total, {}, total.warnings)


def total_rows(found: Totals) -> list[Row]:
    """Totals as rows of a table over frequency."""
    total = found.total
    if isinstance(total, TotalSensitivity):
        rows = [Row("TIS [dBm]", _dbm(total.tis), 3)]
        value = total.tis
        if total.missing.any():
            rows.append(Row("  lowest that the scan admits [dBm]", _dbm(total.lowest_tis), 3))
            rows.append(Row("  readings without sensitivity", total.missing.astype(float), 0))
    else:
        rows, value = [Row("TRP [dBm]", _dbm(total.trp), 3)], total.trp
    rows.append(Row("  sampling and noise, u [dB]", 10 * np.log10(1 + total.standard_uncertainty / value), 3))
    if isinstance(total, TotalPower) and total.noise_floor.any():
        rows.append(Row("  noise subtracted [dB]", 10 * np.log10(1 + total.noise_floor / total.trp), 3))
    for name, share in found.parts.items():
        label = name.replace("_deg", " deg").replace("_", " ")
        spread = found.spread[name]
        level = 10 * np.log10(1 + spread / np.maximum(share, 1e-30))
        # No more digits than the worst of the frequencies has.
        rows.append(Row(f"{label} [dBm]", _dbm(share * value), min(3, decimals_of(float(level.max())))))
        rows.append(Row("  of the total [%]", 100 * share, min(2, decimals_of(100 * float(spread.max())))))
        rows.append(Row("  sampling and noise, u [%]", 100 * spread, digits=2))
    return rows


def total_facts(found: Totals) -> dict[str, Any]:
    """Totals as numbers, strings, lists and dictionaries, ready for JSON."""
    total = found.total
    sensitivity = isinstance(total, TotalSensitivity)
    value = total.tis if isinstance(total, TotalSensitivity) else total.trp
    facts = []
    for f, hertz in enumerate(total.frequency.tolist()):
        u = 10 * math.log10(1 + total.standard_uncertainty[f] / value[f])
        one: dict[str, Any] = {
            "frequency_hz": hertz,
            "tis_dbm" if sensitivity else "trp_dbm": float(_dbm(value[f])),
            "sampling_uncertainty_db": u if math.isfinite(u) else None,
        }
        if isinstance(total, TotalSensitivity):
            one |= {"lowest_tis_dbm": float(_dbm(total.lowest_tis[f])), "missing": int(total.missing[f])}
        else:
            one["noise_floor_w"] = float(total.noise_floor[f])
        one |= {f"{name}_fraction": float(share[f]) for name, share in found.parts.items()}
        one |= {f"{name}_uncertainty": float(spread[f]) for name, spread in found.spread.items()}
        facts.append(one | {"warnings": list(found.warnings[f])})
    return {"method": total.method, "rule": total.rule, "frequencies": facts}


def _dbm(watts: Any) -> Any:
    with np.errstate(divide="ignore", invalid="ignore"):
        return 10 * np.log10(np.asarray(watts) / 1e-3)
