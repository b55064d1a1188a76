"""Sums of plane waves on a raster in space."""

from __future__ import annotations

import ducc0
import numpy as np
from numpy.typing import NDArray


def raster_sums(
    amplitude: NDArray[np.complex128],
    direction: NDArray[np.float64],
    *,
    step: float,
    shape: tuple[int, int, int],
    threads: int,
) -> NDArray[np.complex128]:
    """Values of plane waves added up on a raster about the origin.

    Parameters
    ----------
    amplitude : (L, M) ndarray
        Amplitudes of L sums.
    direction : (M, 3) ndarray
        Unit vectors r^.
    step : float
        Step of the raster times the wavenumber, at most pi [rad].
    shape : tuple of int
        Points along x, y and z, even numbers: places -count/2 ... count/2 - 1 times the step.
    threads : int
        Threads.

    Returns
    -------
    (L, X, Y, Z) ndarray
        Sums of amplitude exp(-j step r^ . place), good to 1e-9 of the largest amplitudes' sum.
    """
    coord = np.ascontiguousarray(step * direction)
    result = np.empty((amplitude.shape[0], *shape), dtype=complex)
    for values, out in zip(amplitude, result, strict=True):
        ducc0.nufft.nu2u(
            points=np.ascontiguousarray(values),
            coord=coord,
            forward=True,
            epsilon=1e-9,
            nthreads=threads,
            out=out,
            periodicity=2 * np.pi,
        )
    return result


def exponential_sums(
    value: NDArray[np.complex128],
    source: NDArray[np.float64],
    target: NDArray[np.float64],
    *,
    epsilon: float,
    threads: int,
) -> NDArray[np.complex128]:
    """Sums over j of ``value`` (L, M) times exp(-j source_j . target), at targets (K, 3): (L, K).

    Sources (M, 3) are anywhere, too; ``epsilon``, at least 3e-13, is the error over the norm of the values.
    """
    # Along axes on which all targets are at one place, nothing is to be transformed.
    flat = np.ptp(target, axis=0) == 0 if len(target) > 1 else np.zeros(target.shape[1], bool)
    if flat.any() and not flat.all():
        value = value * np.exp(-1j * (source[:, flat] @ target[0, flat]))
        source, target = source[:, ~flat], target[:, ~flat]
    return np.asarray(
        ducc0.nufft.experimental.nu2nu(
            points_in=np.ascontiguousarray(value),
            coord_in=np.ascontiguousarray(source),
            coord_out=np.ascontiguousarray(target),
            forward=True,
            epsilon=epsilon,
            nthreads=threads,
        )
    )
