"""Weights of a plane-wave array: least squares, least largest deviation, bounds, quantised settings."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.modes import wavenumber
from nf2ff.kernel.arrays import as_array
from nf2ff.messages.input_error import InputError
from nf2ff.ranges.plane_wave_array import PlaneWaveArray

Complex = NDArray[np.complex128]

#: Steps of the weights of points towards the least largest deviation.
LAWSON_STEPS = 30
#: Largest attenuation that an attenuator sets.
_MOST_ATTENUATION_DB = 60.0
#: Steps of the projected gradient, of each of Lawson's steps, and the change of the weights at which it ends.
_PROJECTED_STEPS, _BETWEEN, _SETTLED = 2000, 200, 1e-6


def synthesise(
    array: PlaneWaveArray,
    points: ArrayLike,
    *,
    frequency: float,
    regularisation: float = 0.01,
    minimax: bool = False,
    limit: float | None = None,
) -> Complex:
    """Weights of the channels that come nearest to exp(-jkz).

    Parameters
    ----------
    array : PlaneWaveArray
        The array.
    points : (M, 3) array_like
        Where the wave is asked for; steps of a third of a wavelength do.
    frequency : float
        Frequency [Hz].
    regularisation : float
        alpha: |weights|^2 count with (alpha s)^2, s the largest singular value of the fields.
    minimax : bool
        Whether the largest deviation is made small instead of the mean square.
    limit : float, optional
        Largest |weight| allowed, over the root mean square of the weights without this limit.

    Returns
    -------
    (C,) ndarray
        Complex weights.

    Raises
    ------
    ValueError
        If the points are too many or behind the array, or a number is not positive.

    Notes
    -----
    min |P^(1/2) (A w - g)|^2 + (alpha s)^2 |w|^2 with P = 1; minimax by steps in which each point's
    weight is multiplied by its deviation (C. L. Lawson, 1961, from memory), the best kept. A limit is kept
    by a projected gradient with momentum (Y. Nesterov, 1983, from memory).
    """
    if not 0 < regularisation < np.inf:
        raise InputError(f"regularisation is {regularisation}, expected a number above 0")
    if limit is not None and not 0 < limit < np.inf:
        raise InputError(f"limit is {limit}, expected a number above 0")
    place = as_array(points, float, "points", ndim=2)
    a = array.summed(array.fields(place, frequency=frequency))
    g = np.exp(-1j * float(wavenumber(frequency)) * place[:, 2])
    own = a.conj().T @ a
    damping = regularisation**2 * float(np.linalg.eigvalsh(own)[-1]) * np.eye(len(own))
    best: Complex = np.asarray(np.linalg.solve(own + damping, a.conj().T @ g), dtype=complex)
    most = None if limit is None else limit * float(np.sqrt(np.mean(np.abs(best) ** 2)))
    best = _within(own + damping, a.conj().T @ g, best, most, _PROJECTED_STEPS)
    if not minimax:
        return best
    weight, least = np.ones(len(g)), np.inf
    w: Complex = best
    for _ in range(LAWSON_STEPS):
        off = np.abs(a @ w - g)
        if off.max() < least:
            best, least = w, float(off.max())
        weight = weight * off
        weight = weight * weight.size / max(float(weight.sum()), 1e-300)
        matrix, right = (a.conj().T * weight) @ a + damping, (a.conj().T * weight) @ g
        w = _within(
            matrix,
            right,
            np.asarray(np.linalg.solve(matrix, right), complex) if most is None else w,
            most,
            _BETWEEN,
        )
    return best


def regularised(
    array: PlaneWaveArray, points: ArrayLike, regularisations: Sequence[float], *, frequency: float
) -> Iterator[Complex]:
    """Weights of `synthesise`, plain least squares, for several regularisations at the price of one."""
    place = as_array(points, float, "points", ndim=2)
    a = array.summed(array.fields(place, frequency=frequency))
    right = a.conj().T @ np.exp(-1j * float(wavenumber(frequency)) * place[:, 2])
    value, vector = np.linalg.eigh(a.conj().T @ a)
    for alpha in regularisations:
        yield np.asarray(vector @ ((vector.conj().T @ right) / (value + alpha**2 * value[-1])))


def _within(matrix: Complex, right: Complex, start: Complex, most: float | None, steps: int) -> Complex:
    """Minimum of w^H matrix w - 2 Re(right^H w) with all |w| up to ``most``; ``start`` itself without it."""
    if most is None:
        return np.asarray(start)

    def inside(w: Complex) -> Complex:
        size = np.abs(w)
        return np.asarray(w * np.minimum(1, most / np.maximum(size, 1e-300)))

    step = 1 / float(np.linalg.eigvalsh(matrix)[-1])
    w = ahead = inside(start)
    speed = 1.0
    for _ in range(steps):
        new = inside(ahead - step * (matrix @ ahead - right))
        faster = 0.5 * (1 + np.sqrt(1 + 4 * speed**2))
        ahead = new + (speed - 1) / faster * (new - w)
        moved = float(np.linalg.norm(new - w))
        w, speed = new, faster
        if moved < _SETTLED * float(np.linalg.norm(w)):
            break
    return np.asarray(w)


def quantised(weights: ArrayLike, *, phase_bits: int, step_db: float) -> Complex:
    """Weights as phase shifters and attenuators set them: the nearest phase and the nearest attenuation.

    Parameters
    ----------
    weights : (C,) array_like
        Weights wished.
    phase_bits : int
        Bits of the phase shifters: steps of 2 pi / 2^bits.
    step_db : float
        Step of the attenuators, from the largest weight down to 60 dB below it [dB].

    Returns
    -------
    (C,) ndarray
        Weights that can be set.

    Raises
    ------
    ValueError
        If all weights are 0 or a number is not positive.
    """
    w = as_array(weights, complex, "weights", ndim=1)
    if not w.any():
        raise InputError("all weights are 0: there is no wave", "feed a channel")
    if phase_bits < 1 or not 0 < step_db < np.inf:
        raise InputError(f"phase_bits is {phase_bits}, step_db {step_db}: expected numbers above 0")
    largest = float(np.abs(w).max())
    with np.errstate(divide="ignore"):
        down = np.minimum(-20 * np.log10(np.abs(w) / largest), _MOST_ATTENUATION_DB)
    turn = 2 * np.pi / 2**phase_bits
    level = largest * 10 ** (-step_db * np.round(down / step_db) / 20)
    return np.asarray(level * np.exp(1j * turn * np.round(np.angle(w) / turn)))
