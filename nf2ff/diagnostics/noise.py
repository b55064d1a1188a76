"""Noise of mode coefficients: from the scan, or from the degrees in which there is nothing else."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.modes import Modes, mode_count
from nf2ff.kernel.arrays import as_array
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.result import Result
from nf2ff.solver.solution import Solution, noise_gain

Real = NDArray[np.float64]


def coefficient_noise(solution: Solution) -> Real:
    """Standard uncertainty of one mode coefficient from the noise of the samples, (F,) [sqrt(W)].

    Parameters
    ----------
    solution : Solution
        Its noise floor is propagated through the solver.

    Returns
    -------
    (F,) ndarray
        Root mean square over all coefficients solved for; those that the scan hardly determines have more.
        NaN where the floor is not known, as too few samples are redundant.
    """
    gain = noise_gain(solution, rng=0)
    # Those left zero have no noise: a frequency that lacks samples, or a grid, may determine fewer degrees.
    degree = np.empty(gain.size, dtype=int)
    for part in solution.parts:
        degree[list(part.frequencies)] = part.prepared.degree
    return _spread(solution.modes, solution.noise_floor, gain, degree)


def result_noise(result: Result) -> Real:
    """The same from what a result file holds of the noise, (F,) [sqrt(W)].

    Parameters
    ----------
    result : Result
        With the quantities that `metrics.transformation.transform_samples` gives.

    Returns
    -------
    (F,) ndarray
        Standard uncertainty of one coefficient, NaN where the noise floor is not known.
    """
    names = ("noise_floor", "noise_gain", "degree")
    if not set(names) <= set(result.quantities):
        return np.full(result.modes.frequency.size, np.nan)
    floor, gain, degree = (np.asarray(result.quantities[name].values) for name in names)
    return _spread(result.modes, floor, gain, degree.astype(int))


def _spread(modes: Modes, floor: Real, gain: Real, degree: NDArray[np.int64]) -> Real:
    count = np.array([mode_count(int(n)) for n in degree])
    return np.asarray(np.sqrt(2 * modes.radiated_power() * np.square(floor) * gain / count))


def spectrum_noise(modes: Modes) -> Real:
    """Noise of one coefficient from the highest degrees, for modes of which nothing else is known.

    Parameters
    ----------
    modes : Modes
        Mode coefficients, as they were solved for: F frequencies.

    Returns
    -------
    (F,) ndarray
        Root mean square coefficient in the highest quarter of the degrees, of these the least but chance
        [sqrt(W)]. It is noise if the antenna has no power there, and more than the noise if it has.
    """
    spectrum = modes.power_spectrum()
    n = np.arange(1, modes.degree + 1)
    found = np.zeros(modes.frequency.size)
    for f, power in enumerate(spectrum):
        held = np.flatnonzero(power > 0)
        if held.size:
            top = int(held[-1]) + 1
            last = slice(top - max(1, top // 4), top)
            found[f] = np.sqrt(np.median(power[last] / (2 * n[last] + 1)))
    return found


def noise_in_degrees(sigma: float, degree: int) -> Real:
    """Power expected in each degree of noise of ``sigma`` [sqrt(W)] in each of its 2 (2n+1) modes, (N,)."""
    return np.asarray((2 * np.arange(1, degree + 1) + 1.0) * sigma**2)


def seen_degrees(power: Real, noise: Real) -> NDArray[np.intp]:
    """Which degrees hold more power (N,) than noise alone would, counted from 0."""
    n = np.arange(1, power.size + 1)
    # Chance moves the power of a degree's noise by 1/sqrt(2n+1) of it: three times that is seen.
    return np.flatnonzero(power > noise * (1 + 3 / np.sqrt(2 * n + 1.0)))


def without_noise(modes: Modes, noise: ArrayLike) -> Modes:
    """The modes without the degrees above the last one that holds more than noise.

    Parameters
    ----------
    modes : Modes
        Mode coefficients, F frequencies.
    noise : float or (F,) array_like
        Standard uncertainty of a coefficient, see `coefficient_noise`; NaN where it is not known [sqrt(W)].

    Returns
    -------
    Modes
        Zero above that degree; where the noise is not known, and where nothing is seen, as they were.

    Raises
    ------
    ValueError
        If noise is negative or of another shape.
    """
    sigma = checked_noise(noise, modes)
    q = modes.coefficients.copy()
    for f, power in enumerate(modes.power_spectrum()):
        seen = seen_degrees(power, noise_in_degrees(float(sigma[f]), modes.degree))
        if seen.size:
            q[f, mode_count(int(seen[-1]) + 1) :] = 0
    return Modes(modes.frequency, q, modes.reference)


def checked_noise(noise: ArrayLike, modes: Modes) -> Real:
    """Noise (F,) of a coefficient, none below 0; NaN where it is not known."""
    sigma = as_array(noise, float, "noise", missing=True)
    if sigma.shape not in ((), modes.frequency.shape):
        raise InputError(
            f"noise has shape {sigma.shape}, expected () or {modes.frequency.shape}, as frequency"
        )
    if np.any(sigma < 0):
        raise InputError(f"noise is {np.nanmin(sigma)} sqrt(W), expected values >= 0")
    return np.broadcast_to(sigma, modes.frequency.shape)
