"""How errors grow: one thing about a scan is varied, and each time its errors are drawn anew."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.modes import Modes
from nf2ff.kernel.arrays import as_array, keep
from nf2ff.measurement.probe import field_probe
from nf2ff.messages.input_error import InputError, found_in
from nf2ff.solver.solution import Solution
from nf2ff.solver.solve import solve
from nf2ff.uncertainty.draws import Draws, Measure, check_known, monte_carlo
from nf2ff.uncertainty.errors.error_term import ErrorTerm
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.simulated_scan import SimulatedScan

Real = NDArray[np.float64]
Parameter = Literal["size", "frequency", "radius", "oversampling", "samples", "degree", "phase-groups"]
#: What may be varied, and its unit.
PARAMETER_UNITS: Mapping[str, str] = MappingProxyType(
    {
        "size": "1",
        "frequency": "Hz",
        "radius": "m",
        "oversampling": "1",
        "samples": "1",
        "degree": "1",
        "phase-groups": "1",
    }
)


# --- what is found -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Growth:
    """Errors of figures and of the pattern over what was varied.

    Errors of powers and ratios of powers are in decibels, those of angles in radians.

    Parameters
    ----------
    parameter : {"size", "frequency", "radius", "oversampling", "samples", "degree", "phase-groups"}
        What was varied; "size" is a factor on all sizes of the errors, "phase-groups" are sets of readings
        without a phase reference by their numbers.
    values : (V,) array_like
        Its values [Hz, m or 1].
    figures : tuple of Figure
        K figures.
    frequency : (V, F) array_like
        Frequencies [Hz].
    degree, samples, draws : (V,) array_like of int
        Degree of the solution, number of samples and of draws.
    reference : (V, F, K) array_like
        Values that errors are counted from, powers linear.
    mean, spread : (V, F, K) array_like
        Mean and standard deviation of the error [dB or rad].
    low, high : (V, F, K) array_like
        Ends of the interval that holds ``confidence`` of the errors, with equal tails [dB or rad].
    level_db, level_low_db, level_high_db : (V, F) array_like
        Pattern error level, the mean square error of the far field over the sphere, and the ends of
        the interval of the draws' own [dB].
    confidence : float
        Part of the draws between low and high.
    kept : Draws or None
        Draws of the last value where they were stopped, from which the work goes on.
    names, remarks : tuple of str
        Of sets of readings: what each is called, and why draws were not certified; "" if all were.
    certified, predicted_db : (V, F) array_like or None
        Of sets of readings: part of the draws that was certified, and median of the predicted rms error of
        the far field [dB], NaN of a set that was refused.

    Raises
    ------
    ValueError
        If shapes do not fit.
    """

    parameter: Parameter
    values: Real
    figures: tuple[Figure, ...]
    frequency: Real
    degree: NDArray[np.int64]
    samples: NDArray[np.int64]
    draws: NDArray[np.int64]
    reference: Real
    mean: Real
    spread: Real
    low: Real
    high: Real
    level_db: Real
    level_low_db: Real
    level_high_db: Real
    confidence: float = 0.95
    kept: Draws | None = None
    names: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    certified: Real | None = None
    predicted_db: Real | None = None

    def __post_init__(self) -> None:
        shape = as_array(self.frequency, float, "frequency", ndim=2).shape
        for names, own in (
            (["values"], shape[:1]),
            (["frequency", "level_db", "level_low_db", "level_high_db"], shape),
            (["reference", "mean", "spread", "low", "high"], (*shape, len(self.figures))),
        ):
            keep(self, names, float, shape=own, of="the growth", missing=True)
        if self.certified is not None:
            keep(self, ["certified", "predicted_db"], float, shape=shape, of="the growth", missing=True)
        keep(self, ["degree", "samples", "draws"], np.int64, shape=shape[:1], of="the growth")

    @property
    def unit(self) -> str:
        """Unit of ``values``."""
        return PARAMETER_UNITS[self.parameter]

    @property
    def error_units(self) -> tuple[str, ...]:
        """Unit of the errors of each figure: "dB" or "rad"."""
        return tuple("dB" if figure.scale == "power" else "rad" for figure in self.figures)

    def rms(self) -> Real:
        """Root mean square error, (V, F, K) [dB or rad]."""
        return np.hypot(self.mean, self.spread)

    def slope(self) -> Real:
        """Growth of the pattern error level from each value to the next, (V - 1, F) [dB/decade]."""
        return np.asarray(np.diff(self.level_db, axis=0) / np.diff(np.log10(self.values))[:, None])


# --- finding it ----------------------------------------------------------------------------------


def sweep(
    scan: SimulatedScan,
    terms: Sequence[ErrorTerm],
    figures: Sequence[Figure],
    *,
    over: Parameter,
    values: ArrayLike,
    draws: int,
    rng: int | None = 0,
    jobs: int = -1,
    confidence: float = 0.95,
    progress: Callable[[int], None] | None = None,
    after: Growth | None = None,
) -> Growth:
    """Errors of a simulated scan, against the truth, over one thing about it.

    Parameters
    ----------
    scan : SimulatedScan
        The scan.
    terms : sequence of ErrorTerm
        Its errors, put in where they happen: the probe is where it truly is. Without any, what sampling and
        degree alone leave is found.
    figures : sequence of Figure
        What to look at.
    over : {"size", "frequency", "radius", "oversampling", "samples", "degree"}
        What is varied; "size" is a factor on all sizes of all errors.
    values : (V,) array_like
        Its values, in increasing order [Hz, m or 1].
    draws : int
        Draws for each value: the same random numbers each time, so that curves are smooth.
    rng : int, optional
        Seed; None for other draws each time that this is called.
    jobs : int
        As in `monte_carlo`.
    confidence : float
        Part of the draws between the bands.
    progress : callable, optional
        Called with the number of draws done so far, out of V times ``draws``.
    after : Growth, optional
        What the same call gave when it was interrupted. It goes on from there; the result is what it would
        have been at once, to the last bit as far as a solution is.

    Returns
    -------
    Growth
        Of the values that were done if it was interrupted (KeyboardInterrupt) after the first.

    Raises
    ------
    ValueError
        If ``over`` is unknown, values are not in order, the study to go on ``after`` is another or whole, or
        as `monte_carlo`, naming the value.

    Notes
    -----
    Errors are counted from the antenna's own modes: what too low a degree cuts off, and what of
    higher waves falls into lower ones because the samples are few, is part of them. A frequency
    error also has the antenna radiate as it does at another frequency.
    """

    if not terms and over == "size":
        raise InputError("there is no error whose size could vary", "name one, or vary something else")

    def at(value: float) -> tuple[Solution, Measure, Modes]:
        value = int(value) if over == "samples" else value
        varied: Any = {} if over == "size" else {"samples_wanted" if over == "samples" else over: value}
        one = replace(scan, **varied)
        probe = one.probe or field_probe()
        return solve(one.samples(), probe, degree=one.solver_degree), one.measure, one.truth()

    how: Any = {"draws": draws, "rng": rng, "jobs": jobs}
    return _growth(at, terms, figures, over, values, confidence, progress, after, how)


def sweep_sizes(
    solution: Solution,
    terms: Sequence[ErrorTerm],
    figures: Sequence[Figure],
    *,
    factors: ArrayLike,
    draws: int,
    rng: int | None = 0,
    jobs: int = -1,
    confidence: float = 0.95,
    progress: Callable[[int], None] | None = None,
    after: Growth | None = None,
) -> Growth:
    """Errors of a measured scan, against its solution as it is, over the size of its errors.

    Parameters
    ----------
    solution, terms, figures
        As in `monte_carlo`.
    factors : (V,) array_like
        Factors on all sizes, in increasing order.
    draws, rng, jobs, confidence, progress, after
        As in `sweep`, which says what is returned and raised, too.

    Returns
    -------
    Growth
        As `sweep`.

    Raises
    ------
    ValueError
        If factors are not in order, or as `monte_carlo`, naming the factor.
    """
    how: Any = {"draws": draws, "rng": rng, "jobs": jobs}
    return _growth(
        lambda _: (solution, None, None), terms, figures, "size", factors, confidence, progress, after, how
    )


def _growth(
    at: Callable[[float], tuple[Solution, Measure | None, Modes | None]],
    terms: Sequence[ErrorTerm],
    figures: Sequence[Figure],
    over: Parameter,
    values: ArrayLike,
    confidence: float,
    progress: Callable[[int], None] | None,
    after: Growth | None,
    how: Mapping[str, Any],
) -> Growth:
    """Errors over the values: ``at`` gives each its scan, how it is measured anew, and the truth."""
    values = _in_order(over, values)
    if not 0 < confidence < 1:
        raise InputError(f"confidence is {confidence}, expected between 0 and 1")
    sizes = values if over == "size" else np.ones(values.size)
    scaled = []
    # Refused before anything is computed where an error cannot be so large.
    for size in sizes.tolist():
        with found_in(f"at the size {size:.9g}"):
            scaled.append([term.scaled(size) for term in terms])
    done = 0 if after is None else _done(after, over, values, figures, how["draws"])
    found: list[tuple[Real, int, int, Draws]] = []
    for i, value in enumerate(values[done:].tolist(), done):

        def report(count: int, before: int = i * how["draws"]) -> None:
            if progress is not None:
                progress(before + count)

        try:
            with found_in(f"at the {over} {value:z.9g}"):
                solution, measure, truth = at(value)
                more: Any = {"measure": measure, "reference": truth, "progress": report}
                more["after"] = after.kept if after is not None and i == done else None
                made = monte_carlo(solution, scaled[i], figures, **how, **more)
                if after is not None and over == "size":
                    check_known(after.reference[0], made.nominal)
                modes, count = solution.modes, solution.samples.port.size
                found.append((modes.frequency, modes.degree, count, made))
        except KeyboardInterrupt:
            if after is not None and not found:
                return after
            if not found:
                raise
            break
        if made.count < made.asked:
            break
    new = summed_up(over, values[done : done + len(found)], found, confidence)
    if after is None:
        return new
    both: Any = {x.name: (getattr(after, x.name), getattr(new, x.name)) for x in fields(new)}
    rows: Any = {x: np.concatenate([a[:done], b]) for x, (a, b) in both.items() if isinstance(b, np.ndarray)}
    return replace(new, **rows)


def _done(after: Growth, over: Parameter, values: Real, figures: Sequence[Figure], draws: int) -> int:
    """Number of values that need no more draws."""
    count = after.values.size
    same = after.parameter == over and after.figures == tuple(figures)
    if not (same and np.array_equal(after.values, values[:count])):
        raise InputError("the study to go on from is another", "make all of it anew")
    done = int((after.draws >= draws).sum())
    if done == values.size:
        raise InputError("the study to go on from is whole: it was not stopped")
    return done


def _in_order(over: str, values: ArrayLike) -> Real:
    known = [x for x in PARAMETER_UNITS if x != "phase-groups"]
    if over not in known:
        raise InputError(f"over is {over!r}, expected one of {', '.join(known)}")
    array = as_array(values, float, "values", ndim=1)
    if not (array.size and np.all(np.diff(array, prepend=0.0) > 0)):
        raise InputError(
            f"values of {over} are {array.tolist()}, expected positive values in increasing order"
        )
    return array


def summed_up(
    parameter: Parameter, values: Real, found: list[tuple[Real, int, int, Draws]], confidence: float
) -> Growth:
    """Return the growth of draws at each value, with their frequencies, degree and number of samples."""
    frequency, degree, samples, draws = zip(*found, strict=True)
    errors = [_errors(one) for one in draws]
    low, high = zip(*(one.interval(confidence) for one in errors), strict=True)
    tails = np.array([0.5 * (1 - confidence), 0.5 * (1 + confidence)])
    levels = np.stack([np.quantile(one.error_levels, tails, axis=0) for one in draws], axis=1)
    return Growth(
        parameter=parameter,
        values=values,
        figures=draws[0].figures,
        frequency=np.stack(frequency),
        degree=np.array(degree),
        samples=np.array(samples),
        draws=np.array([one.count for one in draws]),
        reference=np.stack([one.nominal for one in draws]),
        mean=np.stack([one.bias() for one in errors]),
        spread=np.stack([one.standard_uncertainty() for one in errors]),
        low=np.stack(low),
        high=np.stack(high),
        level_db=_decibels(np.stack([one.error_level for one in draws])),
        level_low_db=_decibels(levels[0]),
        level_high_db=_decibels(levels[1]),
        confidence=confidence,
        kept=draws[-1] if draws[-1].count < draws[-1].asked else None,
    )


def _decibels(levels: Real) -> Real:
    """Levels of no error at all as that of rounding."""
    return np.asarray(10 * np.log10(np.maximum(levels, 1e-32)))


def _errors(draws: Draws) -> Draws:
    """Errors in place of values: of powers in decibels."""
    power = np.array([figure.scale == "power" for figure in draws.figures])
    ratio = draws.values / np.where(power, draws.nominal, 1.0)
    error = np.where(power, 10 * np.log10(np.where(power, ratio, 1.0)), draws.values - draws.nominal)
    return replace(draws, values=error, nominal=np.zeros_like(draws.nominal))


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """How the values of what is varied are shown.

    Parameters
    ----------
    label : str
        What they are, with the unit.
    factor : float
        Factor on the library's values.
    level : bool
        Whether they are then ratios of amplitude, shown as levels [dB].
    """

    label: str
    factor: float = 1.0
    level: bool = False

    def values(self, values: Real) -> Real:
        """Values as shown."""
        found = np.asarray(values) * self.factor
        return np.asarray(20 * np.log10(found)) if self.level else found


def shown_for(parameter: str) -> Shown:
    """How the values of a `Growth` are shown where no more is known than what was varied.

    Parameters
    ----------
    parameter : str
        What was varied, as of a `Growth`.

    Returns
    -------
    Shown
        For reports and pictures.
    """
    return {
        "size": Shown("factor on all sizes"),
        "frequency": Shown("frequency [GHz]", 1e-9),
        "radius": Shown("distance [m]"),
        "oversampling": Shown("positions for each pair of degree and order"),
        "samples": Shown("positions"),
        "degree": Shown("degree of the solution"),
        "phase-groups": Shown("readings"),
    }[parameter]
