"""The figures of a page: each with its unit and its text at every frequency, and with its uncertainty."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.io.report_toml import LimitTable
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.result import Result
from nf2ff.report.budget import NOT_SUPPLIED
from nf2ff.report.decision import decide
from nf2ff.report.result import LEVELS, SENSES, at_pole, quantity_facts
from nf2ff.report.uncertainty import UNITS, converted, metric_cells
from nf2ff.uncertainty.budget.budget import Budget
from nf2ff.uncertainty.budget.combine import combine
from nf2ff.uncertainty.result import FigureKind, MetricResult, Uncertainty
from nf2ff.uncertainty.stated import stated

Real = NDArray[np.float64]
_PERCENT = ("%", 100.0)
_PLAIN = ("", 1.0)
#: Quantities of a result in the order of the page: label, unit and factor if not the usual ones,
#: decimals, or none for two digits.
FIGURES: Mapping[str, tuple[str, tuple[str, float] | None, int | None]] = {
    "peak_directivity": ("peak directivity", None, 2),
    "peak_gain": ("peak gain", None, 2),
    "peak_realised_gain": ("peak realised gain", None, 2),
    "peak_eirp": ("peak EIRP", None, 2),
    "radiated_power": ("TRP", None, 2),
    "peak_theta": ("peak at theta", None, 2),
    "peak_phi": ("peak at phi", None, 2),
    "half_power_beamwidth_theta": ("half-power beamwidth, first cut", None, 2),
    "half_power_beamwidth_phi": ("half-power beamwidth, second cut", None, 2),
    "first_sidelobe_theta": ("first sidelobe, first cut", None, 2),
    "first_sidelobe_phi": ("first sidelobe, second cut", None, 2),
    "highest_sidelobe_theta": ("highest sidelobe, first cut", None, 2),
    "highest_sidelobe_phi": ("highest sidelobe, second cut", None, 2),
    "front_to_back": ("front-to-back ratio", None, 2),
    "axial_ratio": ("axial ratio at the peak", None, 2),
    "tilt": ("tilt of the polarisation at the peak", None, 2),
    "sense": ("sense of the polarisation at the peak", None, 0),
    "radiation_efficiency": ("radiation efficiency", _PERCENT, 2),
    "total_efficiency": ("total efficiency", _PERCENT, 2),
    "upper_hemisphere": ("power into the upper hemisphere", _PERCENT, 2),
    "near_horizon_15": ("power within 15 deg of the horizon", _PERCENT, 2),
    "near_horizon_30": ("power within 30 deg of the horizon", _PERCENT, 2),
    "near_horizon_45": ("power within 45 deg of the horizon", _PERCENT, 2),
    "degree": ("degree of the modes", _PLAIN, 0),
    "samples": ("readings", _PLAIN, 0),
    "residual": ("residual of the readings", _PERCENT, None),
    "noise_floor": ("noise of a reading", None, 1),
    "noise_gain": ("noise of the far field over that of the readings", None, 1),
    "tail_db": ("power in the last two degrees", None, 1),
    "trusted_fraction": ("directions seen", _PERCENT, 1),
    "largest_gap": ("largest gap among the readings", None, 2),
}
#: Figures that need the field of the whole sphere.
OF_SPHERE = frozenset(
    (
        *("peak_directivity", "radiated_power", "radiation_efficiency", "total_efficiency"),
        *("highest_sidelobe_theta", "highest_sidelobe_phi"),
        *("upper_hemisphere", "near_horizon_15", "near_horizon_30", "near_horizon_45"),
    )
)
#: What stands behind those where a part of the sphere was not measured.
PARTIAL = ", partial"
#: An ellipse of a larger axial ratio [dB] is shown as linear: no range tells fields 1e-5 of the others from
#: none, and what iterations leave of a linear field is less (common practice, no source).
LINEAR_DB = 100.0
#: From here on they tell how good the scan was, not what the antenna does.
FIRST_OF_QUALITY = "degree"
#: Customary names of metrics, and the quantities that they are of, the first that a result has.
OF_METRIC: Mapping[str, tuple[FigureKind, tuple[str, ...]]] = {
    "directivity": ("directivity", ("peak_directivity",)),
    "gain": ("directivity", ("peak_gain", "peak_realised_gain")),
    "realised_gain": ("directivity", ("peak_realised_gain",)),
    "eirp": ("power", ("peak_eirp",)),
    "trp": ("power", ("radiated_power",)),
    "beamwidth": ("angle", ("half_power_beamwidth_theta",)),
    "sidelobe_level": ("ratio", ("highest_sidelobe_theta",)),
}


@dataclass(frozen=True, slots=True, eq=False)
class FigureRow:
    """A figure over frequency, as it is shown.

    Parameters
    ----------
    name, label, unit : str
        The quantity's name, its words, and its unit, which may be none.
    values : (F,) ndarray
        In that unit; NaN where there is none.
    texts : list of str
        Values in words.
    quality : bool
        Whether it tells how good the scan was.
    partial : tuple of bool
        Where it needs what was not measured.
    """

    name: str
    label: str
    unit: str
    values: Real
    texts: list[str]
    quality: bool = False
    partial: tuple[bool, ...] = ()

    def mark(self, f: int) -> str:
        """What stands behind the value at a frequency."""
        return PARTIAL if self.partial and self.partial[f] and self.texts[f] != "-" else ""

    def shown(self, f: int) -> str:
        """The value at a frequency with its mark."""
        return self.texts[f] + self.mark(f)


def figure_rows(result: Result) -> list[FigureRow]:
    """Figures of a result in the order of the page."""
    shown = {}
    for name, quantity in result.quantities.items():
        if name in FIGURES:
            ((key, listed),) = quantity_facts({name: quantity}).items()
            values = np.array([math.nan if x is None else x for x in listed], dtype=float)
            # JSON knows no infinity, such as the axial ratio of a linear polarisation.
            values[np.isposinf(np.asarray(quantity.values, dtype=float))] = math.inf
            shown[name] = values, key
    given = {name: np.asarray(quantity.values, dtype=float) for name, quantity in result.quantities.items()}
    with np.errstate(divide="ignore"):
        linear = 20 * np.log10(given.get("axial_ratio", np.ones(1))) > LINEAR_DB
    pole = at_pole(np.degrees(given.get("peak_theta", np.full(1, math.pi / 2))))
    lacking = tuple(bool(x) for x in given.get("partial", ()))
    rows, quality = [], False
    for name, (label, unit, decimals) in FIGURES.items():
        quality |= name == FIRST_OF_QUALITY
        if name not in shown:
            continue
        values, key = shown[name]
        if unit is None:
            unit = _unit(name, key), 1.0
        values = values * unit[1]
        if name == "radiated_power":
            with np.errstate(divide="ignore"):
                values, unit = 10 * np.log10(values / 1e-3), ("dBm", 1.0)
        if name == "peak_phi":
            values = np.where(pole, math.nan, np.mod(np.round(values, 2), 360))
        if name == "axial_ratio":
            values = np.where(linear, math.inf, values)
        if name == "sense":
            values = np.where(linear, 0.0, values)
        texts = [_text(x, decimals, unit[0]) for x in values.tolist()]
        if name == "sense":
            texts = [SENSES.get(round(x), "-") if math.isfinite(x) else "-" for x in values.tolist()]
        partial = lacking if name in OF_SPHERE else ()
        rows.append(FigureRow(name, label, unit[0], values, texts, quality, partial))
    return rows


def _unit(name: str, key: str) -> str:
    """The unit at the end of a key of `quantity_facts`, as people write it."""
    if name in LEVELS:
        return {"dbi": "dBi", "dbm": "dBm", "db": "dB"}[LEVELS[name][0]]
    return {"deg": "deg", "db": "dB"}.get(key.rpartition("_")[2], "")


def _text(value: float, decimals: int | None, unit: str) -> str:
    if not math.isfinite(value):
        return "infinite" if value > 0 else "-"
    if decimals is None:
        return f"{value:z.2g} {unit}".rstrip()
    return f"{value:z.{decimals}f} {unit}".rstrip()


def with_budget(result: Result, budget: Budget) -> Uncertainty:
    """A budget without a scan, the same at every frequency, with the values of a result."""
    count = result.modes.frequency.size
    results = {}
    for metric in budget.metrics:
        kind, names = OF_METRIC.get(metric.name, ("unknown", ()))
        name = next((x for x in names if x in result.quantities), None)
        if metric.name == "pointing":
            results[metric.name] = MetricResult("direction", np.zeros(count))
        elif name is None:
            results[metric.name] = MetricResult("unknown", np.full(count, math.nan))
        else:
            values = np.asarray(result.quantities[name].values, dtype=float)
            results[metric.name] = MetricResult(kind, values)
    return Uncertainty(result.modes, (budget,) * count, results)


def metric_tables(uncertainty: Uncertainty, frequencies: Sequence[int]) -> list[list[tuple[str, ...]]]:
    """For each frequency and metric the cells of `report.uncertainty.metric_cells`."""
    return [
        [metric_cells(uncertainty, combine(uncertainty.budgets[f], m.name), f) for m in budget.metrics]
        for f, budget in ((f, uncertainty.budgets[f]) for f in frequencies)
    ]


# --- limits ----------------------------------------------------------------------------------------


def decisions(
    limits: Sequence[LimitTable], result: Result, rows: Sequence[FigureRow], uncertainty: Uncertainty | None
) -> list[dict[str, Any]]:
    """For each limit its rule in words, and at each of its frequencies the verdict and what led to it."""
    told = []
    by_name = {row.name: row for row in rows}
    for i, limit in enumerate(limits, start=1):
        metric = None
        if uncertainty is not None:
            metric = next((m for m in uncertainty.budgets[0].metrics if m.name == limit.figure), None)
        names = OF_METRIC[limit.figure][1] if limit.figure in OF_METRIC else (limit.figure,)
        row = next((by_name[x] for x in names if x in by_name), None)
        if metric is None and row is None:
            raise InputError(
                f"limit {i}: the result has no figure {limit.figure!r}",
                f"choose from {', '.join([*(x for x in OF_METRIC if _has(x, by_name)), *by_name])}",
            )
        told.append(_decided(limit, result, row, uncertainty, metric is not None))
    return told


def _has(metric: str, rows: Mapping[str, FigureRow]) -> bool:
    return any(name in rows for name in OF_METRIC[metric][1])


def _decided(
    limit: LimitTable, result: Result, row: FigureRow | None, uncertainty: Uncertainty | None, known: bool
) -> dict[str, Any]:
    upper = limit.most is not None
    bound = limit.most if limit.most is not None else limit.least
    assert bound is not None
    unit, found = (row.unit, []) if row is not None else ("", [])
    if known and uncertainty is not None:
        unit = UNITS[uncertainty.results[limit.figure].quantity]
    for f, hertz in enumerate(result.modes.frequency.tolist()):
        if not (limit.from_ghz or 0) * 1e9 <= hertz <= (limit.to_ghz or math.inf) * 1e9:
            continue
        value = None if row is None else float(row.values[f])
        width = None
        if known and uncertainty is not None:
            value, width = _sides(uncertainty, limit.figure, f, upper=upper)
        factor = 1.0 if limit.guard is None else limit.guard
        guard = limit.guard_band
        if guard is None:
            guard = 0.0 if factor == 0 else None if width is None else factor * width
        mark = "" if row is None else row.mark(f)
        one = decide(value, bound, upper=upper, guard=guard)
        # What lacks a part of the sphere is no statement, however wide the guard band.
        verdict = "not decided" if mark else one.verdict
        found.append(
            {
                "ghz": f"{hertz / 1e9:.9g}",
                "value": NOT_SUPPLIED if value is None else _text(value, 2, unit) + mark,
                "guard": NOT_SUPPLIED if guard is None else _text(guard, 2, re.sub("dB[im]", "dB", unit)),
                "acceptance": "-" if one.acceptance is None else _text(one.acceptance, 2, unit),
                "verdict": verdict,
            }
        )
    words = f"{'at most' if upper else 'at least'} {bound:.6g} {unit}".rstrip()
    rule = _rule(limit)
    if any(x["value"].endswith(PARTIAL) for x in found):
        rule += " Nothing is decided of a figure that is partial: what was not measured is not known."
    return {
        "name": limit.name or limit.figure,
        "limit": words,
        "heading": "conforms up to" if upper else "conforms from",
        "rule": rule,
        "rows": found,
    }


def _rule(limit: LimitTable) -> str:
    """The decision rule in words."""
    factor = 1.0 if limit.guard is None else limit.guard
    if limit.guard_band is not None:
        band = f"a guard band of {limit.guard_band:.6g} in the unit of the limit"
    elif factor == 0:
        return (
            "Simple acceptance: the figure, corrected for its known bias, conforms if it is within the "
            "limit, however uncertain it is. Close to the limit the risk of a wrong statement is up to 50 %."
        )
    else:
        times = "" if factor == 1 else f"{factor:.6g} times "
        band = f"a guard band of {times}its expanded uncertainty on that side"
    return (
        f"The figure, corrected for its known bias, conforms if it is within the limit by {band}; it does "
        "not conform if it exceeds the limit by more than that; in between no statement is made (undecided)."
    )


def _sides(
    uncertainty: Uncertainty, name: str, index: int, *, upper: bool
) -> tuple[float | None, float | None]:
    """Value as stated, and width of its interval on the side of the limit, as shown."""
    value, low, high = shown_interval(uncertainty, name, index)
    end = high if upper else low
    return value, None if value is None or end is None else abs(end - value)


def shown_interval(
    uncertainty: Uncertainty, name: str, index: int
) -> tuple[float | None, float | None, float | None]:
    """Value of a metric less its known bias, and both ends of its interval, as shown; None if not known."""
    result = uncertainty.results[name]
    found = combine(uncertainty.budgets[index], name)
    one = stated(result, found, index)
    if one is None:
        value = float(result.value[index])
        return (converted(value, result.quantity) if math.isfinite(value) else None), None, None
    value_, low, high = (converted(x, result.quantity) for x in one)
    return value_, low, high
