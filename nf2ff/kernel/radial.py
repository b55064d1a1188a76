"""Radial functions of spherical waves."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.messages.input_error import InputError


def radial_functions(degree: int, kr: ArrayLike) -> tuple[NDArray[np.complex128], ...]:
    """Outgoing radial functions without their common factor exp(-jkr)/kr.

    They are g1 and g2 (..., N) at ``kr`` (...), positive: for n = 1 ... N, R_1n = h_n^(2)(x) = g1 exp(-jx)/x
    and R_2n = (x h_n^(2))'/x = g2 exp(-jx)/x at x = kr; infinite, never NaN, where n is so far above x that
    the value exceeds the range of a double.

    The upward recurrence g_{n+1} = (2n+1)/x g_n - g_{n-1} is stable for the outgoing function: where j_n
    falls, |y_n| carries it, and the relative error stays at n eps. From g_0 = j, g_1 = -1 + j/x (closed form;
    A. C. Ludwig's functions for exp(+jwt)). For x -> infinity g1 -> j^(n+1) and g2 -> j^n.
    """
    x = np.asarray(kr, dtype=float)
    if np.any(~(x > 0)):
        raise InputError("kr must be positive")
    # One argument is the usual case, and plain numbers are ten times faster in this loop.
    at: Any = float(x.reshape(())) if x.size == 1 else x
    g1, g2 = np.empty((2, degree, *x.shape), dtype=complex)
    with np.errstate(over="ignore", invalid="ignore"):
        before, now = 1j, -1 + 1j / at
        for n in range(1, degree + 1):
            g1[n - 1] = now
            g2[n - 1] = before - n / at * now
            before, now = now, (2 * n + 1) / at * now - before
    for values in (g1, g2):
        # inf - inf and 0 * inf leave NaN in one part once the other has overflowed.
        values[~np.isfinite(values)] = complex(np.inf, 0)
    return np.moveaxis(g1, 0, -1), np.moveaxis(g2, 0, -1)
