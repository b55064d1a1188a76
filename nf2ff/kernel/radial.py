"""Radial functions of spherical waves."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.messages.input_error import InputError


def radial_functions(degree: int, kr: ArrayLike) -> tuple[NDArray[np.complex128], ...]:
    """Outgoing radial functions without their common factor exp(-jkr)/kr.

    Parameters
    ----------
    degree : int
        Largest degree N.
    kr : (...) array_like
        Arguments, positive.

    Returns
    -------
    g1, g2 : (..., N) ndarray
        For n = 1 ... N, R_1n = h_n^(2)(x) = g1 exp(-jx)/x and R_2n = (x h_n^(2))'/x =
        g2 exp(-jx)/x at x = kr. Where n is so far above x that the value exceeds the range of
        a double it is infinite, never NaN.

    Notes
    -----
    The upward recurrence g_{n+1} = (2n+1)/x g_n - g_{n-1} is stable for the outgoing function:
    where j_n falls, |y_n| carries it, and the relative error stays at n eps. From g_0 = j,
    g_1 = -1 + j/x (closed form; A. C. Ludwig's functions for exp(+jwt)). For x -> infinity
    g1 -> j^(n+1) and g2 -> j^n.
    """
    x = np.asarray(kr, dtype=float)
    if np.any(~(x > 0)):
        raise InputError("kr must be positive")
    if x.size == 1:
        # One argument is the usual case, and plain numbers are ten times faster in this loop.
        return _radial_functions_of_one(degree, float(x.reshape(())), x.shape)
    g = np.empty((degree + 1, *x.shape), dtype=complex)
    g2 = np.empty((degree, *x.shape), dtype=complex)
    g[0] = 1j
    with np.errstate(over="ignore", invalid="ignore"):
        if degree >= 1:
            g[1] = -1 + 1j / x
        for n in range(1, degree + 1):
            g2[n - 1] = g[n - 1] - n / x * g[n]
            if n < degree:
                g[n + 1] = (2 * n + 1) / x * g[n] - g[n - 1]
    g1 = g[1:]
    for values in (g1, g2):
        # inf - inf and 0 * inf leave NaN in one part once the other has overflowed.
        values[~np.isfinite(values)] = complex(np.inf, 0)
    return np.moveaxis(g1, 0, -1), np.moveaxis(g2, 0, -1)


def _radial_functions_of_one(
    degree: int, x: float, shape: tuple[int, ...]
) -> tuple[NDArray[np.complex128], ...]:
    before, now = 1j, -1 + 1j / x
    g1, g2 = [], []
    for n in range(1, degree + 1):
        g1.append(now)
        g2.append(before - n / x * now)
        before, now = now, (2 * n + 1) / x * now - before
    result = []
    for values in (g1, g2):
        array = np.array(values)
        array[~np.isfinite(array)] = complex(np.inf, 0)
        result.append(array.reshape((*shape, degree)))
    return tuple(result)


def spherical_hankel2(degree: int, x: ArrayLike) -> NDArray[np.complex128]:
    """Spherical Hankel functions of the second kind h_n^(2)(x) = j_n - j y_n, n = 0 ... N.

    Parameters
    ----------
    degree : int
        Largest degree N >= 0.
    x : (...) array_like
        Arguments, positive.

    Returns
    -------
    (..., N + 1) ndarray
        Infinite where the value exceeds the range of a double.
    """
    x = np.asarray(x, dtype=float)
    common = np.exp(-1j * x) / x
    zero = (1j * common)[..., None]
    if degree == 0:
        return zero
    with np.errstate(over="ignore", invalid="ignore"):
        rest = radial_functions(degree, x)[0] * common[..., None]
    rest[~np.isfinite(rest)] = complex(np.inf, 0)
    return np.concatenate([zero, rest], axis=-1)
