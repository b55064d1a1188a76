"""The uncertainty of a scan's figures as a native file.

Groups: ``/modes``, the result as it is; ``/uncertainty``, terms and what holds for all of them;
``/metrics/NAME`` for each metric, with its value, each term's part and what they amount to at every
frequency; ``/pattern``, cuts with what draws made of them; ``/kept``, draws of work that was
stopped. Levels have uncertainties as relative amplitude, and as decibels up and down.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.io import native
from nf2ff.io.hdf5 import Attribute, Field, Group, Schema, find, open_native, write
from nf2ff.io.kept_draws import kept_groups
from nf2ff.io.safe import PathLike
from nf2ff.messages.input_error import InputError
from nf2ff.uncertainty.budget.budget import Budget
from nf2ff.uncertainty.budget.budget_term import Term
from nf2ff.uncertainty.budget.combine import combine
from nf2ff.uncertainty.budget.metric import SCALES, Metric
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
_EACH, _TERM, _BOTH = ("frequency",), ("term",), ("frequency", "term")
_FREQUENCY = Field("frequency", "Hz", "frequency", _EACH, derived=True)
#: Text that each term has.
_TEXTS = {
    "evaluation": "A, from statistics of repeated observations, or B",
    "distribution": "distribution of the size",
    "unit": "unit of the size",
    "note": "where the size comes from",
}
_ERROR_LEVEL = "mean square error of the far field relative to its mean square, by draws, NaN: not known"
_NOISE_POWER = "power that noise adds to the radiated power, relative to it, by derivatives"
COMMON = Schema(
    (
        _FREQUENCY,
        Field("metric", "1", "metrics, groups of /metrics", ("metric",), "O"),
        Field("term", "1", "causes of uncertainty", _TERM, "O"),
        Field("other_term", "1", "the same", ("other_term",), "O", derived=True),
        Field("size", "1", "size in unit, NaN: not supplied", _TERM, finite=False),
        Field("coverage_factor", "1", "by which a size is divided", _TERM),
        Field("degrees_of_freedom", "1", "of the standard uncertainty", _BOTH, finite=False),
        Field("correlation", "1", "correlation coefficients", ("term", "other_term")),
        *(Field(name, "1", words, _TERM, "O") for name, words in _TEXTS.items()),
        Field("error_level", "1", _ERROR_LEVEL, _EACH, optional=True, missing=True),
        Field("noise_power", "1", _NOISE_POWER, _EACH, optional=True),
    ),
    (
        Attribute("confidence", float),
        Attribute("scale", SCALES),
        Attribute("asked", int),
        Attribute("made", int),
        Attribute("first_order", ("derivatives", "draws")),
    ),
)
_ABOUT = (Attribute("label"), Attribute("unit"), Attribute("quantity", QUANTITIES))
_DIRECTIONS, _POINTS = ("plane", "angle"), ("frequency", "plane", "angle")
PATTERN = Schema(
    (
        _FREQUENCY,
        Field("plane", "rad", "angle of the cut from theta^ towards phi^", ("plane",)),
        Field("angle", "rad", "angle along the cut", ("angle",)),
        Field("theta", "rad", "polar angle", _DIRECTIONS, derived=True),
        Field("phi", "rad", "azimuth", _DIRECTIONS, derived=True),
        Field("plane_name", "1", "plane of the cut in words", ("plane",), "O", optional=True),
        Field("intensity", "W/sr", "radiation intensity of the scan as it is", _POINTS),
        Field("intensity_mean", "W/sr", "mean of the draws", _POINTS),
        Field("intensity_standard_deviation", "W/sr", "standard deviation of the draws", _POINTS),
        Field("error_signal", "1", "mean square change of the field over the peak field squared", _POINTS),
    ),
    (Attribute("through_theta", float), Attribute("through_phi", float)),
)


def _metric_schema(label: str, unit: str, quantity: str) -> Schema:
    """Of a metric, with what follows from its values for the reader's convenience."""
    own, part = QUANTITY_UNITS[quantity], "real and imaginary part of theta^, then of phi^"
    unit = _unit(unit)
    slope = f"{unit} over unit of the term, NaN: not supplied"
    field = "field whose square the level is, less its known bias, in the root of the value's unit"
    covariance = "covariance of its errors, in the value's unit"
    more: dict[str, Any] = {"optional": True, "finite": False}
    follows: dict[str, Any] = {"optional": True, "derived": True}
    return Schema(
        (
            _FREQUENCY,
            Field("term", "1", "causes of uncertainty", _TERM, "O", derived=True),
            Field("value", own, label, _EACH, finite=False),
            Field("sensitivity", "1", slope, _BOTH, finite=False),
            Field("bias", unit, "known mean error by each term", _BOTH),
            Field(
                "contribution",
                unit,
                "standard uncertainty by each term, NaN: not supplied",
                _BOTH,
                derived=True,
            ),
            Field("standard_uncertainty", unit, "combined standard uncertainty", _EACH, derived=True),
            Field("effective_degrees_of_freedom", "1", "effective degrees of freedom", _EACH, derived=True),
            Field("combined_coverage_factor", "1", "expanded over standard uncertainty", _EACH, derived=True),
            Field("expanded_uncertainty", unit, "expanded uncertainty", _EACH, derived=True),
            Field("known_bias", unit, "sum of the known biases", _EACH, derived=True),
            Field("plus_db", "dB", "expanded uncertainty, plus", _EACH, **follows),
            Field("minus_db", "dB", "expanded uncertainty, minus", _EACH, **follows),
            Field("plane", "1", "plane of the cut in words", _EACH, "O", optional=True),
            Field("corrected", own, "value less its known bias", _EACH, **follows),
            Field("interval_low", own, "lower end of the interval", _EACH, **follows),
            Field("interval_high", own, "upper end of the interval", _EACH, **follows),
            Field("field", "1", field, ("frequency", "part"), optional=True),
            Field("field_covariance", "1", covariance, ("frequency", "part", "other_part"), optional=True),
            Field("part", "1", part, ("part",), **follows),
            Field("other_part", "1", part, ("other_part",), **follows),
            Field("draw", "1", "number of the draw, from 1", ("draw",), **follows),
            Field("draws", own, "value in each draw, NaN: no longer found", ("draw", "frequency"), **more),
        ),
        _ABOUT,
    )


def _compared_schema(unit: str) -> Schema:
    """Of draws against first order, in the unit of a metric."""
    unit = _unit(unit)
    return Schema(
        (
            Field("first_order", unit, "standard uncertainty by all modelled errors to first order", _EACH),
            Field("drawn", unit, "standard uncertainty by draws of all modelled errors together", _EACH),
            Field("shift", unit, "mean of the draws less the value and its known bias", _EACH),
            Field("floor", unit, "accuracy of the solutions, below which nothing counts", _EACH),
            Field("used", "1", "draws in which the metric was found", _EACH, "i"),
        )
    )


def _unit(unit: str) -> str:
    """Unit of a metric's uncertainty in the file."""
    return "1" if unit == "amplitude" else unit


# --- writing -------------------------------------------------------------------------------------


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
        raise InputError(f"{path}: the file has no place for a budget with curvatures", "leave them out")
    groups = {"modes": native.modes_group(uncertainty.modes), "uncertainty": _common(uncertainty)}
    for metric in uncertainty.budgets[0].metrics:
        groups[f"metrics/{metric.name}"] = _metric(uncertainty, metric)
    if uncertainty.pattern is not None:
        cut = uncertainty.pattern.cut
        theta, phi = (x.reshape(cut.plane.size, -1) for x in cut.directions())
        nominal, mean, spread = uncertainty.pattern.intensity
        groups["pattern"] = PATTERN.group(
            cut,
            frequency=uncertainty.modes.frequency,
            theta=theta,
            phi=phi,
            plane_name=cut.names or None,
            intensity=nominal,
            intensity_mean=mean,
            intensity_standard_deviation=spread,
            error_signal=uncertainty.pattern.error_signal,
            through_theta=cut.theta,
            through_phi=cut.phi,
        )
    groups |= kept_groups(uncertainty.kept, uncertainty.modes.frequency)
    write(path, "uncertainty", groups, provenance, overwrite)


def _common(uncertainty: Uncertainty) -> Group:
    budgets = uncertainty.budgets
    first, names = budgets[0], budgets[0].names
    both = any(x.compared and x.compared.both_drawn for x in uncertainty.results.values())
    texts: Any = {name: [getattr(t, name) for t in first.terms] for name in _TEXTS}
    return COMMON.group(
        uncertainty,
        frequency=uncertainty.modes.frequency,
        metric=[metric.name for metric in first.metrics],
        term=names,
        other_term=names,
        size=np.array([t.size for t in first.terms], float),
        coverage_factor=np.array([t.coverage_factor for t in first.terms], float),
        degrees_of_freedom=np.array([[t.degrees_of_freedom for t in b.terms] for b in budgets], float),
        correlation=first.correlation,
        **texts,
        confidence=first.confidence,
        scale=first.scale,
        first_order="draws" if both else "derivatives",
    )


def _metric(uncertainty: Uncertainty, metric: Metric) -> Group:
    result, budgets, name = uncertainty.results[metric.name], uncertainty.budgets, metric.name
    found = [combine(budget, name) for budget in budgets]
    ends = [x.decibels or (None, None) for x in found] if metric.is_level else []
    known = []
    if result.quantity not in ("direction", "unknown"):
        known = [stated(result, x, f) or (math.nan,) * 3 for f, x in enumerate(found)]
    parts = None if result.field is None else np.arange(1, PARTS + 1)
    group = _metric_schema(metric.label, metric.unit, result.quantity).group(
        result,
        frequency=uncertainty.modes.frequency,
        term=budgets[0].names,
        sensitivity=np.array([[t.sensitivity.get(name, np.nan) for t in b.terms] for b in budgets]),
        bias=np.array([[t.bias.get(name, 0.0) for t in b.terms] for b in budgets]),
        contribution=[x.contributions for x in found],
        standard_uncertainty=_column([x.standard_uncertainty for x in found]),
        effective_degrees_of_freedom=[x.degrees_of_freedom for x in found],
        combined_coverage_factor=[x.coverage_factor for x in found],
        expanded_uncertainty=_column([x.expanded for x in found]),
        known_bias=[x.bias for x in found],
        plus_db=_column([x for x, _ in ends]),
        minus_db=_column([x for _, x in ends]),
        plane=result.planes or None,
        corrected=_column([x[0] for x in known]),
        interval_low=_column([x[1] for x in known]),
        interval_high=_column([x[2] for x in known]),
        part=parts,
        other_part=parts,
        draw=None if result.draws is None else np.arange(1, len(result.draws) + 1),
        label=metric.label,
        unit=metric.unit,
    )
    if result.compared is not None:
        group.items.extend(_compared_schema(metric.unit).group(result.compared).items)
    return group


def _column(values: list[float | None] | list[float]) -> Real | None:
    """Numbers, NaN where there is None; nothing at all of none."""
    return np.array(values, float) if values else None


# --- reading -------------------------------------------------------------------------------------


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
    count = modes.frequency.size
    with open_native(path) as file:
        group = find(file, "uncertainty")
        common = COMMON.read(group)
        groups = {name: find(file, f"metrics/{name}") for name in common["metric"]}
        about = {name: Schema((), _ABOUT).read(part) for name, part in groups.items()}
        schemas = {name: _metric_schema(**x) for name, x in about.items()}
        found = {name: schema.read(groups[name]) for name, schema in schemas.items()}
        metrics = tuple(Metric(name, x["unit"], x["label"]) for name, x in about.items())
        budgets = _budgets(common, found, metrics, count)
        _check_frequencies(COMMON, group, common, count)
        results = {}
        for name, part in found.items():
            _check_frequencies(schemas[name], groups[name], part, count)
            compared = None
            if "used" in groups[name]:
                schema = _compared_schema(part["unit"])
                draws = schema.read(groups[name])
                _check_frequencies(schema, groups[name], draws, count)
                compared = DrawComparison(**draws, both_drawn=common["first_order"] == "draws")
            results[name] = MetricResult(
                part["quantity"],
                part["value"],
                part["draws"],
                compared,
                tuple(part["plane"] or ()),
                part["field"],
                part["field_covariance"],
            )
        pattern = None
        if "pattern" in file:
            group = find(file, "pattern")
            cuts = PATTERN.read(group)
            _check_frequencies(PATTERN, group, cuts, count)
            names = tuple(cuts["plane_name"] or ())
            cut = Cut(cuts["through_theta"], cuts["through_phi"], cuts["plane"], cuts["angle"], names)
            kinds = ("intensity", "intensity_mean", "intensity_standard_deviation")
            pattern = PatternDraws(cut, np.stack([cuts[x] for x in kinds]), cuts["error_signal"])
        level, noise = common["error_level"], common["noise_power"]
        return Uncertainty(modes, budgets, results, common["asked"], common["made"], level, pattern, noise)


def _budgets(
    common: Mapping[str, Any], parts: Mapping[str, Any], metrics: tuple[Metric, ...], count: int
) -> tuple[Budget, ...]:
    names = common["term"]
    slopes, bias = ({m: x[key] for m, x in parts.items()} for key in ("sensitivity", "bias"))
    lengths = {len(common[key]) for key in ("size", "coverage_factor", *_TEXTS)}
    shapes = {x.shape for x in (common["degrees_of_freedom"], *slopes.values(), *bias.values())}
    if lengths != {len(names)} or shapes != {(count, len(names))}:
        raise InputError("/uncertainty and /metrics differ in their terms or frequencies", "write it again")

    def term(t: int, f: int) -> Term:
        size = float(common["size"][t])
        return Term(
            names[t],
            None if math.isnan(size) else size,
            sensitivity={m: float(x[f, t]) for m, x in slopes.items() if not math.isnan(x[f, t])},
            coverage_factor=float(common["coverage_factor"][t]),
            degrees_of_freedom=float(common["degrees_of_freedom"][f, t]),
            bias={m: float(x[f, t]) for m, x in bias.items() if x[f, t]},
            **{key: common[key][t] for key in _TEXTS},
        )

    how = {key: common[key] for key in ("correlation", "confidence", "scale")}
    return tuple(Budget(tuple(term(t, f) for t in range(len(names))), metrics, **how) for f in range(count))


def _check_frequencies(schema: Schema, group: Any, found: Mapping[str, Any], count: int) -> None:
    """Refuse arrays that are of more or fewer frequencies than the modes."""
    for x in schema.fields:
        value = found.get(x.name)
        if value is not None and "frequency" in x.axes:
            size = np.shape(value)[x.axes.index("frequency")]
            if size != count:
                raise InputError(
                    f"{group.name}/{x.name} has {size} frequencies, the modes have {count}", "write it again"
                )
