"""Special functions of the kernel: arrays in, arrays out."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray


def as_array(
    value: ArrayLike, dtype: Any, name: str, *, ndim: int | None = None, missing: bool = False
) -> NDArray[Any]:
    """Convert to a read-only array, check its dimensions and that it is finite.

    Parameters
    ----------
    value : array_like
        What the caller gave.
    dtype : dtype
        float, complex or an integer type.
    name : str
        Its name in messages.
    ndim : int, optional
        Number of dimensions expected.
    missing : bool
        Whether NaN is allowed (a missing value); infinity never is.

    Returns
    -------
    ndarray
        A read-only view, or a converted copy where the type differs.

    Raises
    ------
    ValueError
        If the dimensions differ or a value is not finite.
    """
    array = np.asarray(value)
    whole = np.issubdtype(dtype, np.integer)
    if whole and not np.issubdtype(array.dtype, np.integer):
        # An empty list is of floats; infinity, or what no whole number of 64 bits reaches, would
        # become some other number.
        good = not np.iscomplexobj(array) and (
            (np.abs(array) < 2.0**63) & (array == np.trunc(array))
        )
        if not np.all(good):
            msg = f"{name} must hold whole numbers"
            raise ValueError(msg)
    if np.iscomplexobj(array) and not np.issubdtype(dtype, np.complexfloating):
        msg = f"{name} must be real"
        raise ValueError(msg)
    array = np.ascontiguousarray(array, dtype) if array.ndim else array.astype(dtype)
    array = array.view()
    array.flags.writeable = False
    if ndim is not None and array.ndim != ndim:
        msg = f"{name} has {array.ndim} dimensions, expected {ndim}"
        raise ValueError(msg)
    if array.size and not whole:
        bad = np.isinf(array) if missing else ~np.isfinite(array)
        if bad.any():
            first = tuple(np.argwhere(bad)[0].tolist())
            where = f" at index ({', '.join(map(str, first))})" if first else ""
            msg = f"{name} is {array[first]}{where}, expected finite"
            raise ValueError(msg)
    return array


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
        msg = "kr must be positive"
        raise ValueError(msg)
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


def rotation_coefficients(degree: int, theta: ArrayLike, *, mu: int) -> NDArray[np.float64]:
    """Rotation coefficients d^n_{m mu}(theta) = <n m| exp(-i theta J_y) |n mu> for one mu.

    Parameters
    ----------
    degree : int
        Largest degree N >= 1.
    theta : (T,) array_like
        Angles in [0, pi] [rad].
    mu : int
        Second order.

    Returns
    -------
    (T, N(N+2)) ndarray
        Last axis n (n+1) + m - 1; zero where n < |mu|.

    Notes
    -----
    Upward in n by the three-term recurrence of the Jacobi polynomials, stable since n starts
    at max(|m|, |mu|), from the closed form of that first one. The quantum-mechanics
    (Condon-Shortley) convention; J. E. Hansen (1988) writes the transposed indices.
    """
    m = np.arange(-degree, degree + 1)
    result = np.zeros((np.size(theta), degree * (degree + 2)))
    found, n = rotation_sequences(degree, theta, mu=mu, m=m)
    at = n * (n + 1) - 1 + np.repeat(m, degree + 1 - np.abs(m))
    wave = n > 0
    result[:, at[wave]] = found[:, wave]
    return result


#: Numbers in one triangular system of `rotation_sequences` at most.
_TOGETHER = 1_000_000


def rotation_sequences(
    degree: int, theta: ArrayLike, *, mu: int, m: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Rotation coefficients d^n_{m mu}(theta), n = |m| ... N, one order m after the other.

    Parameters
    ----------
    degree : int
        Largest degree N >= 1.
    theta : (T,) array_like
        Angles in [0, pi] [rad].
    mu : int
        Second order.
    m : (B,) array_like of int
        Orders, |m| <= N.

    Returns
    -------
    coefficients : (T, L) ndarray
        Zero where n < |mu|.
    n : (L,) ndarray of int
        Their degrees; L is the sum of N + 1 - |m|.

    Notes
    -----
    The recurrence of `rotation_coefficients`, d_{n+1} = a_n d_n - b_n d_{n-1}, is a triangular
    system of three diagonals, which LAPACK solves without a loop of ours.
    """
    from scipy.linalg.lapack import dtbtrs

    angle = np.asarray(theta, dtype=float)
    if not np.all((angle >= 0) & (angle <= np.pi + 1e-12)):
        msg = "theta must lie in [0, pi]"
        raise ValueError(msg)
    # Beyond pi the cosine of the half is negative.
    angle = np.minimum(angle, np.pi)
    m = np.asarray(m, dtype=int)
    counts = degree + 1 - np.abs(m)
    ends = np.cumsum(counts) - 1
    n = np.arange(counts.sum()) - np.repeat(ends - degree, counts)
    order = np.repeat(m, counts).astype(float)
    first = np.maximum(np.abs(m), abs(mu))
    heard = first <= degree
    begin = (ends - degree + first)[heard]
    start = _first_rotation_coefficient(
        m[heard], mu, first[heard], np.cos(angle / 2)[:, None], np.sin(angle / 2)[:, None]
    )
    # What is so small stays below rounding up to degree 1700, and such numbers are slow.
    start[np.abs(start) < 1e-290] = 0
    run = (n >= np.repeat(first, counts)) & (n < degree)
    root = np.sqrt(np.where(run, ((n + 1.0) ** 2 - order**2) * ((n + 1.0) ** 2 - mu**2), 1))
    slope = np.where(run, (2 * n + 1) * (n + 1) / root, 0)
    shift = slope * mu * order / (np.maximum(n, 1) * (n + 1))
    back = np.zeros(n.size)
    back[:-1] = np.where(
        run[1:] & run[:-1], (1 + 1 / np.maximum(n[1:], 1)) * root[:-1] / root[1:], 0
    )
    result = np.zeros((angle.size, n.size))
    together = max(1, _TOGETHER // n.size)
    for i in range(0, angle.size, together):
        part = slice(i, i + together)
        rows = result[part]
        rows[:, begin] = start[part]
        bands = np.ones((*rows.shape, 3))
        bands[..., 1] = shift - slope * np.cos(angle[part])[:, None]
        bands[..., 2] = back
        found, _ = dtbtrs(bands.reshape(-1, 3).T, rows.reshape(-1, 1), uplo="L", diag="U")
        result[part] = found.reshape(rows.shape)
    return result, n


def _first_rotation_coefficient(
    m: NDArray[np.int64],
    mu: int,
    first: NDArray[np.int64],
    half_cos: NDArray[np.float64],
    half_sin: NDArray[np.float64],
) -> NDArray[np.float64]:
    """d^n_{m mu} at n = max(|m|, |mu|), where the Jacobi polynomial is one."""
    from scipy.special import gammaln

    up, down = np.abs(m + mu), np.abs(m - mu)
    size = 0.5 * (gammaln(2 * first + 1) - gammaln(up + 1) - gammaln(down + 1))
    with np.errstate(divide="ignore", invalid="ignore", under="ignore"):
        # 0 * log 0 = 0 here: the power zero of zero is one.
        log_cos = np.where(up == 0, 0.0, up * np.log(half_cos))
        log_sin = np.where(down == 0, 0.0, down * np.log(half_sin))
        value: NDArray[np.float64] = np.exp(size + log_cos + log_sin)
    sign = np.where(m > mu, (-1.0) ** down, 1.0)
    return value * np.where(np.sign(m - mu) >= 0, sign, 1.0)
