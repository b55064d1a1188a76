"""The uncertainty of a scan's figures, as `assess` finds it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes
from nf2ff.kernel.arrays import as_array, keep
from nf2ff.messages.input_error import InputError
from nf2ff.uncertainty.budget.budget import Budget
from nf2ff.uncertainty.draws import Draws
from nf2ff.uncertainty.level_interval import PARTS
from nf2ff.uncertainty.request import Cut

Real = NDArray[np.float64]
FigureKind = Literal["directivity", "power", "ratio", "angle", "direction", "unknown"]
QUANTITIES: tuple[FigureKind, ...] = ("directivity", "power", "ratio", "angle", "direction", "unknown")

#: Name of the term that holds what draws find and derivatives do not.
BEYOND = "beyond first order"
#: A difference between draws and derivatives counts from this many of its standard deviations on.
SIGNIFICANT = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class DrawComparison:
    """What draws and derivatives say of one metric under all modelled errors together.

    Parameters
    ----------
    first_order, drawn : (F,) array_like
        Standard uncertainty by derivatives, and by draws [unit of the metric].
    shift : (F,) array_like
        Mean of the draws less the nominal value and the bias that derivatives give [as above].
    used : (F,) array_like of int
        Draws in which the metric was found.
    floor : (F,) array_like
        What is below this comes from the accuracy of the solutions [unit of the metric].
    both_drawn : bool
        Whether ``first_order`` comes from draws, too, of each error by itself.
    """

    first_order: Real
    drawn: Real
    shift: Real
    used: NDArray[np.int64]
    floor: Real
    both_drawn: bool = False

    def __post_init__(self) -> None:
        keep(self, ["first_order", "drawn", "shift", "floor"], float, ndim=1, missing=True)
        keep(self, ["used"], np.int64, ndim=1)

    @property
    def sampling(self) -> Real:
        """Relative standard deviation that the number of draws leaves in ``drawn``, (F,).

        1/sqrt(2 (D - 1)), of a normal distribution (closed form); infinite for one draw.
        """
        count = np.maximum(self.used - 1, 0) / (2 if self.both_drawn else 1)
        with np.errstate(divide="ignore"):
            return np.asarray(1 / np.sqrt(2 * count))

    @property
    def excess(self) -> Real:
        """What is to be added to the first order, by squares; 0 where draws are not larger."""
        more = self.drawn > self.first_order * (1 + SIGNIFICANT * self.sampling)
        square = np.where(more & (self.drawn > self.floor), self.drawn**2 - self.first_order**2, 0)
        return np.asarray(np.sqrt(square))

    @property
    def bias(self) -> Real:
        """``shift`` where it is significant, else 0."""
        scatter = SIGNIFICANT * self.drawn / np.sqrt(np.maximum(self.used, 1))
        far = np.abs(self.shift) > np.maximum(scatter, self.floor)
        return np.where(far, self.shift, 0.0)

    def verdict(self, index: int) -> str:
        """Whether they "agree" within sampling error, or draws are "larger" or "smaller"."""
        if self.excess[index] > 0:
            return "larger"
        first = self.first_order[index]
        less = self.drawn[index] < first * (1 - SIGNIFICANT * self.sampling[index])
        return "smaller" if less and first > self.floor[index] else "agree"


@dataclass(frozen=True, slots=True, eq=False)
class MetricResult:
    """One metric: its value, and what draws made of it.

    Parameters
    ----------
    quantity : {"directivity", "power", "ratio", "angle", "direction", "unknown"}
        What ``value`` is: linear, W, linear, rad; a direction is that of the peak of the modes,
        and its values are angles to it.
    value : (F,) array_like
        For the scan as it is; NaN if unknown.
    draws : (D, F) array_like or None
        Its values for each draw; NaN where it was no longer found near where it was.
    compared : DrawComparison or None
        Draws against derivatives.
    planes : tuple of str
        At each frequency the plane of its cut in words; empty where it has none.
    field : (F, 4) array_like or None
        Of a level in a direction the field whose square it is, as `uncertainty.field_in_direction` has it,
        less its known bias [square root of the value's unit].
    field_covariance : (F, 4, 4) array_like or None
        Of its errors, all terms together.

    Raises
    ------
    ValueError
        If the field has no such covariance.
    """

    quantity: FigureKind
    value: Real
    draws: Real | None = None
    compared: DrawComparison | None = None
    planes: tuple[str, ...] = ()
    field: Real | None = None
    field_covariance: Real | None = None

    def __post_init__(self) -> None:
        keep(self, ["value"], float, ndim=1, missing=True)
        keep(self, ["draws"], float, ndim=2, missing=True)
        if (self.field is None) != (self.field_covariance is None):
            raise InputError("a field and its covariance belong together", "give both, or none")
        count = self.value.size
        keep(self, ["field"], float, shape=(count, PARTS), of="the metric")
        keep(self, ["field_covariance"], float, shape=(count, PARTS, PARTS), of="the metric")

    def over(self, power: float) -> MetricResult:
        """Gain from EIRP: the same over the power into the antenna [W], a ratio as directivity is."""
        return replace(
            self,
            quantity="directivity",
            value=self.value / power,
            draws=None if self.draws is None else self.draws / power,
            field=None if self.field is None else self.field / math.sqrt(power),
            field_covariance=None if self.field_covariance is None else self.field_covariance / power,
        )


@dataclass(frozen=True, slots=True, eq=False)
class PatternDraws:
    """The pattern on cuts, and what draws made of it.

    Parameters
    ----------
    cut : Cut
        C circles of A angles.
    intensity : (3, F, C, A) array_like
        Intensity of the scan as it is, and mean and standard deviation of the draws' [W/sr].
    error_signal : (F, C, A) array_like
        Mean square of the change of the field over the square of the field at the peak.
    """

    cut: Cut
    intensity: Real
    error_signal: Real

    def __post_init__(self) -> None:
        for name, ndim in (("intensity", 4), ("error_signal", 3)):
            value = as_array(getattr(self, name), float, name, ndim=ndim)
            object.__setattr__(self, name, value)
            if value.shape[-2:] != (self.cut.plane.size, self.cut.angle.size):
                raise InputError(
                    f"{name} has shape {value.shape}, expected {self.cut.plane.size} cuts of "
                    f"{self.cut.angle.size} angles at its end"
                )


@dataclass(frozen=True, slots=True, eq=False)
class Uncertainty:
    """The uncertainty of a scan's figures.

    Parameters
    ----------
    modes : Modes
        The result as it is, F frequencies.
    budgets : sequence of Budget
        One for each frequency, of the same terms and metrics: stated and modelled terms, and,
        where draws find more than derivatives do, what that is, as the term `BEYOND`.
    results : mapping of str to MetricResult
        For each metric, by its name.
    asked, made : int
        Draws asked for and made; fewer if the work was stopped, 0 without draws.
    error_level : (F,) array_like or None
        Mean square error of the far field over the sphere relative to its mean square, by draws; NaN where
        a part of the sphere was not measured, as what errs there is not known.
    pattern : PatternDraws or None
        The pattern with draws.
    noise_power : (F,) array_like or None
        Power that noise of the responses adds to the radiated power, relative to it, as derivatives
        predict it: draws find it as a bias, derivatives alone do not.
    kept : sequence of Draws
        Where the work was stopped, the draws from which it goes on: of all errors, and of each by itself
        where those are made. A file gives them by `io.kept_draws.read_kept_draws` alone.

    Notes
    -----
    Where draws are larger than the first order by more than sampling explains, the difference of
    the squares is the size of `BEYOND`; where they shift the mean, that is a bias. Where they are
    smaller the first order stays, the larger of the two.

    The size for pointing is the root of the sum of the squares along theta^ and phi^. A coverage
    factor of one dimension times that covers what it says where the beam moves along one line, and
    more where it moves alike in both.
    """

    modes: Modes
    budgets: tuple[Budget, ...]
    results: Mapping[str, MetricResult]
    asked: int = 0
    made: int = 0
    error_level: Real | None = None
    pattern: PatternDraws | None = None
    noise_power: Real | None = None
    kept: tuple[Draws, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "budgets", tuple(self.budgets))
        object.__setattr__(self, "kept", tuple(self.kept))
        object.__setattr__(self, "results", MappingProxyType(dict(self.results)))
        keep(self, ["error_level"], float, ndim=1, missing=True)
        keep(self, ["noise_power"], float, ndim=1)
        count = self.modes.frequency.size
        if len(self.budgets) != count:
            raise InputError(
                f"there are {len(self.budgets)} budgets for {count} frequencies", "give one each"
            )
        for name, one in self.results.items():
            if one.value.shape != (count,):
                raise InputError(
                    f"{name} has values {one.value.shape}, expected ({count},), one for each frequency"
                )
