"""Numbers over frequency: calibration tables, interpolated and never extrapolated."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.special import as_array

Interpolation = Literal["linear", "smooth"]

#: Frequencies that differ by less than this part are the same, as in `Probe`.
SAME = 1e-9


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
        Straight lines, or the cubic spline through all points (not-a-knot), of the values as
        given: levels are interpolated in dB, complex numbers by real and imaginary part.

    Raises
    ------
    ValueError
        If shapes do not fit, a value is not finite or a frequency not positive or there twice.
    """

    values: NDArray[Any]
    frequency: NDArray[np.float64] | None = None
    interpolation: Interpolation = "linear"

    def __post_init__(self) -> None:
        kind = complex if np.iscomplexobj(self.values) else float
        values = as_array(np.atleast_1d(self.values), kind, "values", ndim=1)
        if self.interpolation not in ("linear", "smooth"):
            msg = f"interpolation is {self.interpolation!r}, expected 'linear' or 'smooth'"
            raise ValueError(msg)
        if self.frequency is not None:
            frequency = as_array(self.frequency, float, "frequency", ndim=1)
            if np.any(frequency <= 0) or np.unique(frequency).size != frequency.size:
                msg = "the frequencies of a table must be positive and all different [Hz]"
                raise ValueError(msg)
        count = 1 if self.frequency is None else frequency.size
        if values.size != count or not count:
            each = "" if self.frequency is None else ", at least 1 and one for each frequency"
            msg = f"a table has {values.size} values, expected {count}{each}"
            raise ValueError(msg)
        if self.frequency is not None:
            order = np.argsort(frequency)
            object.__setattr__(self, "frequency", as_array(frequency[order], float, "frequency"))
            values = as_array(values[order], kind, "values")
        object.__setattr__(self, "values", values)

    def at(self, frequency: ArrayLike, *, name: str) -> NDArray[Any]:
        """Values at some frequencies.

        Parameters
        ----------
        frequency : (F,) array_like
            Frequencies [Hz].
        name : str
            What the values are, for the message of an error.

        Returns
        -------
        (F,) ndarray
            The values, in the unit of the table.

        Raises
        ------
        ValueError
            If a frequency lies outside the table: nothing is extrapolated.
        """
        wanted = as_array(frequency, float, "frequency", ndim=1)
        if self.frequency is None:
            return np.full(wanted.shape, self.values[0])
        low, high = self.frequency[0], self.frequency[-1]
        outside = np.flatnonzero((wanted < low * (1 - SAME)) | (wanted > high * (1 + SAME)))
        if outside.size:
            msg = (
                f"{name} is not known at {wanted[outside[0]] / 1e9:.9g} GHz: its table has "
                f"{self._extent()}: measure it there too, or leave that frequency out"
            )
            raise ValueError(msg)
        x = np.clip(wanted, low, high)
        if self.interpolation == "linear" or self.frequency.size == 1:
            return np.asarray(np.interp(x, self.frequency, self.values))
        from scipy.interpolate import CubicSpline

        spline = CubicSpline((self.frequency - low) / (high - low), self.values)
        return np.asarray(spline((x - low) / (high - low)))

    def holds(self, frequency: ArrayLike) -> bool:
        """Whether nothing is interpolated: every one of ``frequency`` (F,) [Hz] is a point."""
        if self.frequency is None:
            return True
        wanted = np.atleast_1d(np.asarray(frequency, dtype=float))
        distance = np.abs(np.subtract.outer(wanted, self.frequency)).min(axis=1)
        return bool(np.all(distance <= SAME * wanted))

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


def as_table(value: FrequencyTable | ArrayLike) -> FrequencyTable:
    """``value`` itself, or a single number as the table that holds at every frequency."""
    return value if isinstance(value, FrequencyTable) else FrequencyTable(np.asarray(value))


def level_table(
    value: FrequencyTable | ArrayLike, *, least: float, most: float, name: str, unit: str
) -> FrequencyTable:
    """A table of levels.

    Parameters
    ----------
    value : FrequencyTable or float
        What the caller gave [``unit``].
    least, most : float
        Range of its values [``unit``].
    name, unit : str
        What they are, for the message of an error.

    Raises
    ------
    ValueError
        If a value is complex or out of range.
    """
    table = as_table(value)
    if np.iscomplexobj(table.values):
        msg = f"{name} is complex, expected real numbers [{unit}]: give its magnitude in {unit}"
        raise ValueError(msg)
    bad = np.flatnonzero((table.values < least) | (table.values > most))
    if bad.size:
        at = "" if table.frequency is None else f" at {table.frequency[bad[0]] / 1e9:.9g} GHz"
        msg = (
            f"{name} is {table.values[bad[0]]:.9g} {unit}{at}, expected {least:g} to {most:g} "
            f"{unit}: check its sign and unit"
        )
        raise ValueError(msg)
    return table


def reflection_table(value: FrequencyTable | ArrayLike, *, name: str) -> FrequencyTable:
    """A table of reflection coefficients, linear.

    Parameters
    ----------
    value : FrequencyTable or complex
        What the caller gave.
    name : str
        What they are, for the message of an error.

    Raises
    ------
    ValueError
        If one is not below 1 in magnitude.
    """
    table = as_table(value)
    largest = np.abs(table.values).max()
    if not largest < 1:
        msg = f"{name} has magnitude {largest:.6g}, expected below 1: give it linear, not in dB"
        raise ValueError(msg)
    return table


def check_name(name: str) -> None:
    """Raise unless ``name`` can stand in one line of a report."""
    if not (name.strip() and len(name) <= 80 and name.isprintable()):
        msg = f"the name {name[:80]!r} is not fit for a report: give 1 to 80 printable characters"
        raise ValueError(msg)


def span_words(values: NDArray[np.float64], unit: str, frequency: NDArray[np.float64]) -> str:
    """Values and frequencies [Hz] in words, e.g. "3.1 to 3.3 dB at 26.5 to 29.5 GHz"."""
    parts = []
    for x, u in ((values, unit), (frequency / 1e9, "GHz")):
        low, high = f"{x.min():.6g}", f"{x.max():.6g}"
        parts.append(f"{low} {u}" if low == high else f"{low} to {high} {u}")
    return " at ".join(parts)


__all__ = [
    "SAME",
    "FrequencyTable",
    "Interpolation",
    "as_table",
    "check_name",
    "level_table",
    "reflection_table",
    "span_words",
]
