"""Numbers over frequency: calibration tables, interpolated and never extrapolated."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.interpolation import SAME_FREQUENCY, nearest_known, repeated, spline
from nf2ff.messages.input_error import InputError

InterpolationRule = Literal["linear", "smooth"]

#: A phase that turns by more than this from point to point is no longer sure to have taken the
#: shorter way: a third of a turn leaves room for an error of a sixth (a choice of ours).
MAX_TURN = 2 * np.pi / 3
#: Turn forwards in the smallest steps beyond which it is not one: what a passive thing reflects
#: comes later, not earlier, so phases were missed, or are those of exp(-iwt) (a choice of ours).
MAX_ADVANCE = np.pi / 6


@dataclass(frozen=True, slots=True, eq=False)
class FrequencyTable:
    """A number that holds at every frequency, or numbers over frequency, interpolated.

    Parameters
    ----------
    values : (K,) or () array_like
        Real or complex numbers; in dB where they are levels.
    frequency : (K,) array_like or None
        Frequencies in any order, all different [Hz]; None where one number holds at all.
    interpolation : {"linear", "smooth"}
        Straight lines, or the cubic spline through all points (not-a-knot), of the values as given: levels
        are interpolated in dB, complex numbers by real and imaginary part without the delay that they show,
        which is put back after.

    Raises
    ------
    ValueError
        If shapes do not fit, a value is not finite or a frequency not positive or there twice.
    """

    values: NDArray[Any]
    frequency: NDArray[np.float64] | None = None
    interpolation: InterpolationRule = "linear"

    def __post_init__(self) -> None:
        kind = complex if np.iscomplexobj(self.values) else float
        values = as_array(np.atleast_1d(self.values), kind, "values", ndim=1)
        if self.interpolation not in ("linear", "smooth"):
            raise InputError(f"interpolation is {self.interpolation!r}, expected 'linear' or 'smooth'")
        if self.frequency is not None:
            frequency = as_array(self.frequency, float, "frequency", ndim=1)
            if np.any(frequency <= 0) or repeated(frequency).size:
                raise InputError("the frequencies of a table must be positive and all different [Hz]")
        count = 1 if self.frequency is None else frequency.size
        if values.size != count or not count:
            each = "" if self.frequency is None else ", at least 1 and one for each frequency"
            raise InputError(f"a table has {values.size} values, expected {count}{each}")
        if self.frequency is not None:
            order = np.argsort(frequency)
            object.__setattr__(self, "frequency", as_array(frequency[order], float, "frequency"))
            values = as_array(values[order], kind, "values")
        object.__setattr__(self, "values", values)

    def at(self, frequency: ArrayLike, *, name: str) -> NDArray[Any]:
        """Values (F,) at ``frequency`` (F,) [Hz]; ``name`` says what they are in an error.

        Nothing is extrapolated: InputError if a frequency lies outside the table.
        """
        wanted = as_array(frequency, float, "frequency", ndim=1)
        if self.frequency is None:
            return np.full(wanted.shape, self.values[0])
        low, high = self.frequency[0], self.frequency[-1]
        x = np.clip(wanted, low, high)
        outside = np.flatnonzero(np.abs(wanted - x) > SAME_FREQUENCY * x)
        if outside.size:
            far_off = high < 1e-2 * wanted[outside[0]]
            raise InputError(
                f"{name} is not known at {wanted[outside[0]] / 1e9:.9g} GHz: its table has {self._extent()}",
                "are its frequencies in Hz?"
                if far_off
                else "measure it there too, or leave that frequency out",
            )
        still, tau = self._still()
        found = self._interpolated(x, self.frequency, still)
        return found * np.exp(-2j * np.pi * tau * (x - self._middle())) if tau else found

    def _still(self) -> tuple[NDArray[Any], float]:
        """Values without their delay, and that [s]."""
        if self.frequency is None or not np.iscomplexobj(self.values):
            return self.values, 0.0
        tau = _delay(self.frequency, self.values)
        return self.values * np.exp(2j * np.pi * tau * (self.frequency - self._middle())), tau

    def _middle(self) -> float:
        """Frequency at which the delay does not turn values, so that phases stay small [Hz]."""
        assert self.frequency is not None
        return float(self.frequency[0] + self.frequency[-1]) / 2

    def _interpolated(
        self, x: NDArray[np.float64], points: NDArray[np.float64], values: NDArray[Any]
    ) -> NDArray[Any]:
        if self.interpolation == "linear" or points.size == 1:
            return np.asarray(np.interp(x, points, values))
        low, span = points[0], points[-1] - points[0]
        return spline((points - low) / span, values, (x - low) / span)

    def doubt(self, frequency: ArrayLike) -> NDArray[np.float64]:
        """How far values between the points may be off at ``frequency`` (F,) [Hz], in the unit of the table.

        Notes
        -----
        Every point is interpolated from every second one, those next to it among them, and compared; an
        interval takes the larger error of its two ends. The doubled step makes it 4 times what straight
        lines, 16 times what a spline leaves of smooth values; noise comes out as it is or larger. Two points
        cannot be checked so. Where the delay of complex values turns them by more than `MAX_TURN` in the
        smallest steps it may be another one, and where it is negative (`MAX_ADVANCE`) it is: the error is
        their magnitude then. Whole turns from point to point leave no trace.
        """
        wanted = np.atleast_1d(np.asarray(frequency, dtype=float))
        error = np.zeros(wanted.shape)
        place = self._intervals(wanted)
        between = place >= 0
        if self.frequency is None or self.frequency.size < 2 or not between.any():
            return error
        still, tau = self._still()
        left_out = np.zeros(still.size)
        for first in (0, 1):
            points, values = self.frequency[first::2], still[first::2]
            rest = np.arange(1 - first, still.size, 2)
            rest = rest[(rest > first) & (rest < first + 2 * points.size - 2)]
            if rest.size:
                guess = self._interpolated(self.frequency[rest], points, values)
                left_out[rest] = np.abs(guess - still[rest])
        largest = np.maximum(left_out[:-1], left_out[1:])
        turn = 2 * np.pi * tau * np.diff(self.frequency).min()
        if turn > MAX_TURN or turn < -MAX_ADVANCE:
            size = np.abs(self.values)
            largest = np.maximum(size[:-1], size[1:])
        error[between] = largest[place[between]]
        return error

    def _intervals(self, wanted: NDArray[np.float64]) -> NDArray[np.intp]:
        """Interval between points that each frequency (F,) lies in, -1 for those at a point."""
        if self.frequency is None:
            return np.full(wanted.shape, -1)
        below = np.searchsorted(self.frequency, wanted) - 1
        _, same = nearest_known(self.frequency, wanted)
        return np.where(same, -1, np.clip(below, 0, max(self.frequency.size - 2, 0)))

    def between(self, frequency: ArrayLike) -> NDArray[np.intp]:
        """Intervals between points, counted from 0, that values at ``frequency`` (F,) [Hz] depend on.

        None where every frequency is a point, and all of them for a spline otherwise.
        """
        found = np.unique(self._intervals(np.atleast_1d(np.asarray(frequency, dtype=float))))
        found = found[found >= 0]
        if found.size and self.frequency is not None and self.interpolation == "smooth":
            return np.arange(self.frequency.size - 1)
        return found

    def origin(self) -> str:
        """Where the values come from, in words."""
        if self.frequency is None:
            return "one value for all frequencies"
        return f"table, {self._extent()}, {self.interpolation}"

    def _extent(self) -> str:
        assert self.frequency is not None
        low, high = (f"{x / 1e9:.9g}" for x in (self.frequency[0], self.frequency[-1]))
        if self.frequency.size == 1:
            return f"1 point, {low} GHz"
        return f"{self.frequency.size} points, {low} to {high} GHz"


def _delay(frequency: NDArray[np.float64], values: NDArray[np.complex128]) -> float:
    """Delay by which complex values turn [s], those of the largest power first.

    The smallest steps settle the whole turns, all of them the rest: the delay tau at which
    sum step Im(v_{i+1} conj(v_i) exp(2j pi step tau)) is 0.
    """
    step = np.diff(frequency)
    product = values[1:] * values[:-1].conj()
    weight = float(np.sum(step**2 * np.abs(product)))
    if not weight:
        return 0.0
    fine = step <= 1.5 * step.min()
    tau = -float(np.angle(product[fine].sum()) / (2 * np.pi * step[fine].mean()))
    for _ in range(6):
        left = np.sum(step * (product * np.exp(2j * np.pi * step * tau)).imag)
        tau -= float(left) / (2 * np.pi * weight)
    return tau


def as_table(value: FrequencyTable | ArrayLike) -> FrequencyTable:
    """``value`` itself, or a single number as the table that holds at every frequency."""
    return value if isinstance(value, FrequencyTable) else FrequencyTable(np.asarray(value))


def level_table(
    value: FrequencyTable | ArrayLike, *, least: float, most: float, name: str, unit: str
) -> FrequencyTable:
    """A table of real levels from ``least`` to ``most``; ``name`` and ``unit`` are for errors."""
    table = as_table(value)
    if np.iscomplexobj(table.values):
        raise InputError(
            f"{name} is complex, expected real numbers [{unit}]", f"give its magnitude in {unit}"
        )
    bad = np.flatnonzero((table.values < least) | (table.values > most))
    if bad.size:
        at = "" if table.frequency is None else f" at {table.frequency[bad[0]] / 1e9:.9g} GHz"
        raise InputError(
            f"{name} is {table.values[bad[0]]:.9g} {unit}{at}, expected {least:g} to {most:g} {unit}",
            "check its sign and unit",
        )
    return table


def reflection_table(value: FrequencyTable | ArrayLike, *, name: str) -> FrequencyTable:
    """A table of linear reflection coefficients, all below 1; ``name`` is for errors."""
    table = as_table(value)
    largest = np.abs(table.values).max()
    if not largest < 1:
        raise InputError(f"{name} has magnitude {largest:.6g}, expected below 1", "give it linear, not in dB")
    return table


def check_name(name: str) -> None:
    """Refuse a ``name`` that cannot stand in one line of a report."""
    if not (name.strip() and len(name) <= 80 and name.isprintable()):
        raise InputError(
            f"the name {name[:80]!r} is not fit for a report", "give 1 to 80 printable characters"
        )


def span_words(values: NDArray[np.float64], unit: str, frequency: NDArray[np.float64]) -> str:
    """Values and frequencies [Hz] in words, e.g. "3.1 to 3.3 dB at 26.5 to 29.5 GHz"."""
    parts = []
    for x, u in ((values, unit), (frequency / 1e9, "GHz")):
        low, high = f"{x.min():.6g}", f"{x.max():.6g}"
        parts.append(f"{low} {u}" if low == high else f"{low} to {high} {u}")
    return " at ".join(parts)
