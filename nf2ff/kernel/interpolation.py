"""Complex quantities known at some frequencies, wanted at others: probes, gains, cable losses."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.kernel.arrays import as_array
from nf2ff.messages.input_error import InputError

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Two frequencies closer than this, relative to them, are the same one: a synthesizer's step.
SAME_FREQUENCY = 1e-9
#: Neighbours on each side from which a frequency left out is found. From each to the next their
#: weight falls to 0.27 in equal steps, to a half at most in any (diagonal dominance): 1e-12.
REACH = 40
#: Frequencies named one by one in a message, at most.
LISTED = 8


@dataclass(frozen=True, slots=True, eq=False)
class Interpolation:
    """Values at the frequencies wanted, and how far to trust them.

    Parameters
    ----------
    values : (F, ...) ndarray
        Values, as given where the frequency is one of those known.
    error : (F,) ndarray
        Larger of the two neighbours' ``left_out``: more than the error to expect as long as the values are
        smooth from one known frequency to the next. Zero at known frequencies, NaN where it is not known:
        outside of them, or with fewer than three of them.
    left_out : (Fp,) ndarray
        Rms error of each known value as interpolated from all others, relative to the rms of all known
        values; NaN at the lowest and the highest.
    delay : float
        Common delay that was taken out before and put back after [s].
    """

    values: Complex
    error: Real
    left_out: Real
    delay: float


def interpolate_frequency(
    frequency: ArrayLike,
    values: ArrayLike,
    at: ArrayLike,
    *,
    delay: float | None = None,
    extrapolate: bool = False,
) -> Interpolation:
    """Interpolate complex values over frequency by a cubic spline, common delay aside.

    Parameters
    ----------
    frequency : (Fp,) array_like
        Known frequencies, all different, in any order [Hz].
    values : (Fp, ...) array_like
        Complex values there.
    at : (F,) array_like
        Frequencies wanted [Hz].
    delay : float, optional
        Delay common to all values, as exp(-j 2 pi f delay) [s]. By default the one that the phase steps from
        frequency to frequency show, which must turn by less than half a turn.
    extrapolate : bool
        Whether frequencies outside of those known are taken from the last cubic, which is wrong within few
        steps. They are refused otherwise.

    Notes
    -----
    Tried on smooth and resonant responses, with and without noise and delay: the spline on real and imaginary
    part is at least as good as Akima's or the monotone one everywhere. Magnitude and phase apart gain up to
    30 dB where no value comes near zero, and lose up to 80 dB where one does, or is noise: then the phase has
    no meaning. Leaving a frequency out doubles the step there, so that of a smooth quantity ``left_out`` is
    up to 2^4 times the error of the spline with all of them, and twice its noise.
    """
    known = as_array(frequency, float, "frequency", ndim=1)
    value = as_array(values, complex, "values")
    wanted = as_array(at, float, "at", ndim=1)
    if value.ndim < 1 or value.shape[0] != known.size or known.size < 1:
        raise InputError(f"values have shape {value.shape}, expected ({known.size}, ...), at least one row")
    rows = np.argsort(known)
    f, v = known[rows], value[rows].reshape(known.size, -1)
    if f[0] <= 0 or repeated(f).size:
        raise InputError(
            "the known frequencies must be positive and all different [Hz]", "leave repeated ones out"
        )
    nearest, same = nearest_known(f, wanted)
    outside = ((wanted < f[0]) | (wanted > f[-1])) & ~same
    if outside.any() and not (extrapolate and f.size > 1):
        what = f"{wanted[outside][0] / 1e9:.9g} GHz is not among or between the known frequencies"
        what += f" ({_named(f)})"
        if f.size == 1:
            raise InputError(what, "give data that reach it")
        remedy = "give data that reach it, or ask for extrapolation"
        raise InputError(what, remedy, option="--extrapolate-probe")
    result = v[nearest]
    left_out = np.full(f.size, np.nan)
    tau = 0.0
    if f.size > 1:
        tau = _common_delay(f, v) if delay is None else float(as_array(delay, float, "delay"))
        # About the middle, where the phase of the factor stays small.
        middle = (f[0] + f[-1]) / 2
        w = v * np.exp(2j * np.pi * (f - middle) * tau)[:, None]
        new = spline(f, np.eye(f.size), wanted[~same]) @ w
        result[~same] = new * np.exp(-2j * np.pi * (wanted[~same] - middle) * tau)[:, None]
        level = np.sqrt(np.mean(np.square(np.abs(w)))) or 1.0
        for i in range(1, f.size - 1):
            near = np.arange(max(0, i - REACH), min(f.size, i + REACH + 1))
            near = near[near != i]
            difference = spline(f[near], np.eye(near.size), f[i : i + 1])[0] @ w[near] - w[i]
            left_out[i] = np.sqrt(np.mean(np.square(np.abs(difference)))) / level
    upper = np.clip(np.searchsorted(f, wanted), 1, max(1, f.size - 1))
    error = np.fmax(left_out[upper - 1], left_out[np.minimum(upper, f.size - 1)])
    error[outside] = np.nan
    error[same] = 0.0
    back = np.empty_like(left_out)
    back[rows] = left_out
    return Interpolation(result.reshape(wanted.size, *value.shape[1:]), error, back, tau)


def nearest_known(known: Real, wanted: Real) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Index of the known frequency nearest to each one wanted, and whether it is the same."""
    nearest = np.argmin(np.abs(known - wanted[:, None]), axis=1)
    return nearest, np.abs(known[nearest] - wanted) <= SAME_FREQUENCY * known[nearest]


def repeated(frequency: Real) -> NDArray[np.intp]:
    """Indices of frequencies that are there already, to `SAME_FREQUENCY`."""
    order = np.argsort(frequency, kind="stable")
    again = np.diff(frequency[order]) <= SAME_FREQUENCY * np.abs(frequency[order][1:])
    return np.asarray(order[1:][again])


def spline(x: Real, values: NDArray[Any], at: Real) -> NDArray[Any]:
    """Cubic spline (not-a-knot) through ``values`` at ``x``; two points give a line, three a parabola."""
    from scipy.interpolate import CubicSpline

    return np.asarray(CubicSpline(x, values)(at))


def _common_delay(f: Real, v: Complex) -> float:
    """Delay by the mean phase step, weighted by power; the smallest steps settle the turns."""
    step = np.diff(f)
    product = np.sum(v[1:] * v[:-1].conj(), axis=1)
    tau = 0.0
    for use in (step <= 1.5 * step.min(), np.ones(step.size, dtype=bool)):
        left = np.angle(product * np.exp(2j * np.pi * step * tau))
        weight = np.abs(product) * use * step
        total = float(weight @ step)
        if total > 0:
            tau -= float(weight @ left) / (2 * np.pi * total)
    return tau


def _named(f: Real) -> str:
    if f.size <= LISTED:
        return ", ".join(f"{x / 1e9:.9g}" for x in f) + " GHz"
    return f"{f.size} from {f[0] / 1e9:.9g} to {f[-1] / 1e9:.9g} GHz"
