"""The uncertainty of a scan's figures as a native file.

Groups: ``/modes``, the result as it is; ``/uncertainty``, terms and what holds for all of them;
``/metrics/NAME`` for each metric, with its value, each term's part and what they amount to at every
frequency; ``/pattern``, cuts with what draws made of them. Levels have uncertainties as relative
amplitude, and as decibels up and down.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.io import native
from nf2ff.io.hdf5 import Group, Item, attribute, find, open_native, take, write
from nf2ff.io.safe import PathLike
from nf2ff.messages.input_error import InputError
from nf2ff.uncertainty.budget.budget import Budget
from nf2ff.uncertainty.budget.combine import combine
from nf2ff.uncertainty.budget.metric import SCALES, Metric
from nf2ff.uncertainty.budget.term import Term
from nf2ff.uncertainty.level_interval import PARTS
from nf2ff.uncertainty.request import Cut
from nf2ff.uncertainty.result import QUANTITIES, DrawComparison, MetricResult, PatternDraws, Uncertainty
from nf2ff.uncertainty.stated import stated

Real = NDArray[np.float64]

#: Unit of a metric's values by what they are.
QUANTITY_UNITS = {
    "directivity": "1",
    "power": "W",
    "ratio": "1",
    "angle": "rad",
    "direction": "rad",
    "unknown": "1",
}
#: Text that each term has.
_TEXTS = {
    "evaluation": "A, from statistics of repeated observations, or B",
    "distribution": "distribution of the size",
    "unit": "unit of the size",
    "note": "where the size comes from",
}
_BY_DRAWS = {
    "first_order": "standard uncertainty by all modelled errors to first order",
    "drawn": "standard uncertainty by draws of all modelled errors together",
    "shift": "mean of the draws less the value and its known bias",
    "floor": "accuracy of the solutions, below which nothing counts",
}
_STATED = {
    "corrected": "value less its known bias",
    "interval_low": "lower end of the interval",
    "interval_high": "upper end of the interval",
}
_FIELD = {
    "field": (
        "field whose square the level is, less its known bias, in the root of the value's unit",
        ("part",),
    ),
    "field_covariance": ("covariance of its errors, in the value's unit", ("part", "other_part")),
}
_INTENSITY = {
    "intensity": "radiation intensity of the scan as it is",
    "intensity_mean": "mean of the draws",
    "intensity_standard_deviation": "standard deviation of the draws",
}


def read_uncertainty(path: PathLike) -> Uncertainty:
    """Read what `write_uncertainty` wrote.

    Parameters
    ----------
    path : path
        File to read.

    Returns
    -------
    Uncertainty

    Raises
    ------
    ValueError
        One line that names the file, what is wrong and what to do.
    """
    modes = native.read_modes(path)
    with open_native(path) as file:
        group = find(file, "uncertainty")
        names = _texts(group, "metric")
        parts = {name: find(file, f"metrics/{name}") for name in names}
        metrics = tuple(
            Metric(name, text_of(part, "unit"), text_of(part, "label")) for name, part in parts.items()
        )
        budgets = _budgets(group, parts, metrics, modes.frequency.size)
        both = attribute(group, "first_order", ("derivatives", "draws")) == "draws"
        results = {name: _result(part, both) for name, part in parts.items()}
        level, noise = (
            take(group, name, "1", 1) if name in group else None for name in ("error_level", "noise_power")
        )
        pattern = _read_pattern(find(file, "pattern")) if "pattern" in file else None
        _check_frequencies(modes.frequency.size, results, level, noise, pattern)
        return Uncertainty(
            modes, budgets, results, whole_of(group, "asked"), whole_of(group, "made"), level, pattern, noise
        )


def write_uncertainty(
    path: PathLike,
    uncertainty: Uncertainty,
    *,
    provenance: Mapping[str, str] | None = None,
    overwrite: bool = False,
) -> None:
    """Write an uncertainty as a native file.

    Parameters
    ----------
    path : path
        File to write.
    uncertainty : Uncertainty
        What to write.
    provenance : mapping of str to str, optional
        As `io.provenance` gives it.
    overwrite : bool
        Whether an existing file may be replaced.

    Raises
    ------
    ValueError
        If the budgets have curvatures, which the file has no place for; if the file exists or
        cannot be written: the old one is untouched then.
    """
    if any(budget.curvatures for budget in uncertainty.budgets):
        raise InputError(f"{path}: a budget with curvatures has no place in the file", "leave them out")
    groups = {"modes": native.modes_group(uncertainty.modes), "uncertainty": _common(uncertainty)}
    for metric in uncertainty.budgets[0].metrics:
        groups[f"metrics/{metric.name}"] = _metric(uncertainty, metric)
    if uncertainty.pattern is not None:
        groups["pattern"] = _pattern(uncertainty.pattern, uncertainty.modes.frequency)
    write(path, "uncertainty", groups, provenance, overwrite)


# --- groups --------------------------------------------------------------------------------------


def _frequency(values: Real) -> Item:
    return Item("frequency", values, "Hz", "frequency", ("frequency",))


def _words(name: str, values: list[str], long_name: str, axis: str) -> Item:
    return Item(name, np.array(values, dtype=object), "1", long_name, (axis,))


def _common(uncertainty: Uncertainty) -> Group:
    budgets = uncertainty.budgets
    first, names = budgets[0], budgets[0].names
    over = ("frequency", "term")
    freedom = [[float(t.degrees_of_freedom) for t in b.terms] for b in budgets]
    sizes = np.array([np.nan if t.size is None else t.size for t in first.terms])
    factors = np.array([float(t.coverage_factor) for t in first.terms])
    items = [
        _frequency(uncertainty.modes.frequency),
        _words("metric", [m.name for m in first.metrics], "metrics, groups of /metrics", "metric"),
        _words("term", names, "causes of uncertainty", "term"),
        _words("other_term", names, "the same", "other_term"),
        Item("size", sizes, "1", "size in unit, NaN: not supplied", ("term",)),
        Item("coverage_factor", factors, "1", "by which a size is divided", ("term",)),
        Item("degrees_of_freedom", np.array(freedom), "1", "of the standard uncertainty", over),
        Item("correlation", first.correlation, "1", "correlation coefficients", ("term", "other_term")),
    ]
    for name, words in _TEXTS.items():
        items.append(_words(name, [getattr(t, name) for t in first.terms], words, "term"))
    if uncertainty.error_level is not None:
        words = "mean square error of the far field relative to its mean square, by draws"
        items.append(Item("error_level", uncertainty.error_level, "1", words, ("frequency",)))
    if uncertainty.noise_power is not None:
        words = "power that noise adds to the radiated power, relative to it, by derivatives"
        items.append(Item("noise_power", uncertainty.noise_power, "1", words, ("frequency",)))
    both = any(x.compared and x.compared.both_drawn for x in uncertainty.results.values())
    return Group(
        items,
        {
            "confidence": repr(float(first.confidence)),
            "scale": first.scale,
            "asked": str(uncertainty.asked),
            "made": str(uncertainty.made),
            "first_order": "draws" if both else "derivatives",
        },
    )


def _metric(uncertainty: Uncertainty, metric: Metric) -> Group:
    """Given values of a metric, and what follows from them for the reader's convenience."""
    result, budgets = uncertainty.results[metric.name], uncertainty.budgets
    unit, over, every = _unit(metric), ("frequency", "term"), ("frequency",)
    slopes = [[t.sensitivity.get(metric.name, np.nan) for t in b.terms] for b in budgets]
    bias = [[t.bias.get(metric.name, 0.0) for t in b.terms] for b in budgets]
    found = [combine(budget, metric.name) for budget in budgets]

    def row(values: list[float | None]) -> Real:
        return np.array([np.nan if x is None else x for x in values])

    items = [
        _frequency(uncertainty.modes.frequency),
        _words("term", budgets[0].names, "causes of uncertainty", "term"),
        Item("value", result.value, QUANTITY_UNITS[result.quantity], metric.label, every),
        Item("sensitivity", np.array(slopes), "1", f"{unit} over unit of the term, NaN: not supplied", over),
        Item("bias", np.array(bias), unit, "known mean error by each term", over),
        Item(
            "contribution",
            np.array([x.contributions for x in found]),
            unit,
            "standard uncertainty by each term, NaN: not supplied",
            over,
        ),
        Item(
            "standard_uncertainty",
            row([x.standard_uncertainty for x in found]),
            unit,
            "combined standard uncertainty",
            every,
        ),
        Item(
            "effective_degrees_of_freedom",
            row([x.degrees_of_freedom for x in found]),
            "1",
            "effective degrees of freedom",
            every,
        ),
        Item(
            "combined_coverage_factor",
            row([x.coverage_factor for x in found]),
            "1",
            "expanded over standard uncertainty",
            every,
        ),
        Item("expanded_uncertainty", row([x.expanded for x in found]), unit, "expanded uncertainty", every),
        Item("known_bias", row([x.bias for x in found]), unit, "sum of the known biases", every),
    ]
    if metric.is_level:
        ends = [x.decibels or (None, None) for x in found]
        for i, side in enumerate(("plus", "minus")):
            words = f"expanded uncertainty, {side}"
            items.append(Item(f"{side}_db", row([x[i] for x in ends]), "dB", words, every))
    if result.planes:
        items.append(_words("plane", [*result.planes], "plane of the cut in words", "frequency"))
    if result.quantity not in ("direction", "unknown"):
        known = (stated(result, x, f) for f, x in enumerate(found))
        rows = np.array([(math.nan,) * 3 if x is None else tuple(x) for x in known])
        for i, (name, words) in enumerate(_STATED.items()):
            items.append(Item(name, rows[:, i], QUANTITY_UNITS[result.quantity], words, every))
    if result.field is not None and result.field_covariance is not None:
        for name, (words, axes) in _FIELD.items():
            values = getattr(result, name)
            items.append(Item(name, values, "1", words, ("frequency", *axes)))
        for axis in ("part", "other_part"):
            words = "real and imaginary part of theta^, then of phi^"
            items.append(Item(axis, np.arange(1, PARTS + 1), "1", words, (axis,)))
    if result.draws is not None:
        draw = np.arange(1, len(result.draws) + 1)
        items.append(Item("draw", draw, "1", "number of the draw, from 1", ("draw",)))
        words = "value in each draw, NaN: no longer found"
        unit_of_value = QUANTITY_UNITS[result.quantity]
        items.append(Item("draws", result.draws, unit_of_value, words, ("draw", "frequency")))
    if result.compared is not None:
        for name, words in _BY_DRAWS.items():
            items.append(Item(name, getattr(result.compared, name), unit, words, every))
        words = "draws in which the metric was found"
        items.append(Item("used", result.compared.used, "1", words, every))
    return Group(items, {"label": metric.label, "unit": metric.unit, "quantity": result.quantity})


def _unit(metric: Metric) -> str:
    """Unit of a metric's uncertainty in the file."""
    return "1" if metric.is_level else metric.unit


def _pattern(pattern: PatternDraws, frequency: Real) -> Group:
    theta, phi = (x.reshape(pattern.cut.plane.size, -1) for x in pattern.cut.directions())
    circle, all_of = ("plane", "angle"), ("frequency", "plane", "angle")
    items = [
        _frequency(frequency),
        Item("plane", pattern.cut.plane, "rad", "angle of the cut from theta^ towards phi^", ("plane",)),
        Item("angle", pattern.cut.angle, "rad", "angle along the cut", ("angle",)),
        Item("theta", theta, "rad", "polar angle", circle),
        Item("phi", phi, "rad", "azimuth", circle),
    ]
    if pattern.cut.names:
        names = list(pattern.cut.names)
        items.append(_words("plane_name", names, "plane of the cut in words", "plane"))
    for (name, words), values in zip(_INTENSITY.items(), pattern.intensity, strict=True):
        items.append(Item(name, values, "W/sr", words, all_of))
    words = "mean square change of the field over the peak field squared"
    items.append(Item("error_signal", pattern.error_signal, "1", words, all_of))
    origin = {"through_theta": pattern.cut.theta, "through_phi": pattern.cut.phi}
    return Group(items, {name: repr(float(x)) for name, x in origin.items()})


# --- back ----------------------------------------------------------------------------------------


def _budgets(
    group: Any, parts: Mapping[str, Any], metrics: tuple[Metric, ...], count: int
) -> tuple[Budget, ...]:
    names = _texts(group, "term")
    size = take(group, "size", "1", 1, finite=False)
    factor = take(group, "coverage_factor", "1", 1)
    freedom = take(group, "degrees_of_freedom", "1", 2, finite=False)
    texts = {name: _texts(group, name) for name in _TEXTS}
    slopes = {m: take(part, "sensitivity", "1", 2, finite=False) for m, part in parts.items()}
    bias = {m: take(part, "bias", None, 2) for m, part in parts.items()}
    shape = (count, len(names))
    lengths = {x.size for x in (size, factor)} | {len(x) for x in texts.values()}
    shapes = {x.shape for x in (freedom, *slopes.values(), *bias.values())}
    if lengths != {len(names)} or shapes != {shape}:
        raise InputError("/uncertainty and /metrics differ in their terms or frequencies", "write it again")
    common: dict[str, Any] = {
        "metrics": metrics,
        "correlation": take(group, "correlation", "1", 2),
        "confidence": number_of(group, "confidence"),
        "scale": attribute(group, "scale", SCALES),
    }
    found = []
    for f in range(count):
        terms = [
            Term(
                name,
                None if math.isnan(size[t]) else float(size[t]),
                texts["unit"][t],
                texts["distribution"][t],
                {m: float(x[f, t]) for m, x in slopes.items() if not math.isnan(x[f, t])},
                float(factor[t]),
                float(freedom[f, t]),
                texts["evaluation"][t],  # type: ignore[arg-type]
                {m: float(x[f, t]) for m, x in bias.items() if x[f, t]},
                texts["note"][t],
            )
            for t, name in enumerate(names)
        ]
        found.append(Budget(tuple(terms), **common))
    return tuple(found)


def _result(part: Any, both_drawn: bool) -> MetricResult:
    quantity = attribute(part, "quantity", QUANTITIES)
    unit = QUANTITY_UNITS[quantity]
    value = take(part, "value", unit, 1, finite=False)
    draws = take(part, "draws", unit, 2, finite=False) if "draws" in part else None
    compared = None
    if "used" in part:
        three = {name: take(part, name, None, 1) for name in _BY_DRAWS}
        used: NDArray[np.int64] = take(part, "used", "1", 1, kind="iu")
        compared = DrawComparison(**three, used=used, both_drawn=both_drawn)
    planes = tuple(_texts(part, "plane")) if "plane" in part else ()
    field = covariance = None
    if "field" in part:
        field = take(part, "field", "1", 2)
        covariance = take(part, "field_covariance", "1", 3)
    return MetricResult(quantity, value, draws, compared, planes, field, covariance)


def _check_frequencies(
    count: int,
    results: Mapping[str, MetricResult],
    level: Real | None,
    noise: Real | None,
    pattern: PatternDraws | None,
) -> None:
    """Refuse arrays that are of more or fewer frequencies than the modes."""
    sizes = {} if level is None else {"/uncertainty/error_level": level.size}
    if noise is not None:
        sizes["/uncertainty/noise_power"] = noise.size
    if pattern is not None:
        sizes["/pattern/intensity"] = pattern.intensity.shape[1]
        sizes["/pattern/error_signal"] = pattern.error_signal.shape[0]
    for name, one in results.items():
        if one.planes:
            sizes[f"/metrics/{name}/plane"] = len(one.planes)
        if one.draws is not None:
            sizes[f"/metrics/{name}/draws"] = one.draws.shape[1]
        if one.compared is not None:
            for part in (*_BY_DRAWS, "used"):
                sizes[f"/metrics/{name}/{part}"] = getattr(one.compared, part).size
    wrong = next((name for name, size in sizes.items() if size != count), None)
    if wrong is not None:
        raise InputError(f"{wrong} has {sizes[wrong]} frequencies, the modes have {count}", "write it again")


def _read_pattern(group: Any) -> PatternDraws:
    cut = Cut(
        number_of(group, "through_theta"),
        number_of(group, "through_phi"),
        take(group, "plane", "rad", 1),
        take(group, "angle", "rad", 1),
        tuple(_texts(group, "plane_name")) if "plane_name" in group else (),
    )
    intensity = np.stack([take(group, name, "W/sr", 3) for name in _INTENSITY])
    return PatternDraws(cut, intensity, take(group, "error_signal", "1", 3))


def _texts(group: Any, name: str) -> list[str]:
    item = group.get(name)
    if item is None or item.dtype.kind != "O" or item.ndim != 1:
        raise InputError(f"{group.name} has no texts {name}", "write it again")
    return [str(x) for x in item.asstr()[()]]


def text_of(group: Any, name: str) -> str:
    """A text attribute of a group; raises if there is none."""
    value = group.attrs.get(name)
    if not isinstance(value, str):
        raise InputError(f"{group.name} has no attribute {name}", "write it again")
    return value


def number_of(group: Any, name: str) -> float:
    """A number that a group has as a text attribute; raises if there is none."""
    text = text_of(group, name)
    try:
        return float(text)
    except ValueError:
        raise InputError(f"{group.name}: attribute {name} is {text[:40]!r}, expected a number") from None


def whole_of(group: Any, name: str) -> int:
    """A whole number that a group has as a text attribute; raises if there is none."""
    text = text_of(group, name)
    if not text.isdecimal():
        raise InputError(f"{group.name}: attribute {name} is {text[:40]!r}, expected a whole number")
    return int(text)
