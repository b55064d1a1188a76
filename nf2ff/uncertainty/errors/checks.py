"""What error terms ask of their values: numbers, words, and when samples were taken."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.kernel.arrays import as_array
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError

Real = NDArray[np.float64]
#: Times [s], or "rows": the samples stand in the order in which they were taken, evenly.
Time = ArrayLike | Literal["rows"] | None
#: Largest number that an error term may have, Hz among them.
LARGEST = 1e12


def finite(value: Any, label: str, unit: str = "") -> float:
    """A finite number, or an `InputError` that names ``label``."""
    try:
        result = math.nan if isinstance(value, bool) else float(value)
    except (TypeError, ValueError):
        result = math.nan
    if not abs(result) <= LARGEST:
        end = f" [{unit}]" if unit else ""
        most = f" of at most {LARGEST:g}" if math.isfinite(result) else ""
        raise InputError(f"{label} is {str(value)[:40]}, expected a finite number{most}{end}")
    return result


def whole(value: Any, label: str) -> int:
    """A whole number of at least one, or an `InputError` that names ``label``."""
    if isinstance(value, bool) or not isinstance(value, int | np.integer) or value < 1:
        raise InputError(f"{label} is {str(value)[:40]}, expected a whole number >= 1")
    return int(value)


def choose(value: Any, allowed: Iterable[str], label: str) -> None:
    """Raise `InputError` for a word that is not allowed, and offer the nearest."""
    words = list(allowed)
    if value not in words:
        hint = did_you_mean(value, words)
        raise InputError(f"{label} is {str(value)[:40]!r}{hint}, expected one of {', '.join(words)}")


def did_you_mean(value: Any, words: Iterable[str]) -> str:
    """The word most like ``value``, as a question in brackets, or nothing."""
    near = difflib.get_close_matches(str(value), list(words), 1)
    return f" (did you mean {near[0]!r}?)" if near else ""


def check_time(time: Time, label: str) -> Any:
    """Times as an array (M,) [s], "rows" or None; `InputError` for anything else."""
    if time is None:
        return None
    if isinstance(time, str):
        choose(time, ["rows"], label)
        return time
    return as_array(time, float, label, ndim=1)


def smooth_basis(times: Real, intervals: int) -> Real:
    """Cubic B-splines (intervals + 3, K) over the time from first to last of ``times`` (K,) in order, less
    their mean: their sum with independent coefficients of variance 1 has the mean square 1.
    """
    span = max(times[-1] - times[0], np.finfo(float).tiny)
    x = np.abs(intervals * (times - times[0]) / span - np.arange(-1, intervals + 2)[:, None])
    spline = np.where(x < 1, 4 - 6 * x**2 + 3 * x**3, np.maximum(2 - x, 0) ** 3) / 6
    spline -= spline.mean(axis=1, keepdims=True)
    power = float(np.mean(np.sum(spline**2, axis=0)))
    return np.asarray(spline / math.sqrt(power or 1.0))


def times(time: Any, samples: Samples, name: str) -> tuple[Real, NDArray[np.intp]]:
    """Different times (K,) in order, and which of them each sample has (M,): those of the samples, at their
    first frequency, where none are given.

    Raises
    ------
    ValueError
        If times are not known, or not those of these samples.
    """
    count = samples.port.size
    if time is None and samples.time is not None:
        time = np.atleast_2d(samples.time)[0]
    if time is None:
        raise InputError(
            f"{name} depends on when each sample was taken, and the scan has no times",
            "give time [s] for every sample, or time = 'rows' if they stand in the order they were taken in, "
            "or the scan a column time_s",
        )
    if isinstance(time, str):
        return np.arange(float(count)), np.arange(count)
    if time.size != count:
        raise InputError(f"{name}: there are {time.size} times for {count} samples", "give one for each")
    different, which = np.unique(time, return_inverse=True)
    return different, which
