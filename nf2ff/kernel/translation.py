"""Translation coefficients of spherical waves along z: arrays in, arrays out.

An outgoing wave about the origin, seen about a point at distance A on the z axis, is a sum of
regular waves of the same azimuthal order,

    F^(4)_{s mu n} = sum over sigma, nu of C^{sn}_{sigma mu nu}(kA) F^(1)_{sigma mu nu},

with axes kept parallel (J. E. Hansen 1988, appendix A3, conjugated for exp(+jwt): from memory).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.kernel.radial import radial_functions

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Couplings of up to so many numbers are kept: many frequencies share them.
_KEPT = 100_000


def translation_coefficients(
    degree: int, kr: ArrayLike, *, probe_degree: int, mu_max: int
) -> tuple[Complex, Complex]:
    """Coefficients C^{sn}_{sigma mu nu}(kA) without their common factor exp(-jkA)/kA.

    For outgoing waves up to ``degree`` N and regular ones up to ``probe_degree`` and order ``mu_max``, at
    distances ``kr`` = kA (R,) > 0.

    Returns
    -------
    same, other : (R, probe_degree, N, mu_max + 1) ndarray
        For sigma = s and sigma = 3 - s; nu = 1 ..., n = 1 ..., mu = 0 ... The former is even in mu, the
        latter odd. Infinite where it exceeds the range of a double.

    Notes
    -----
    With u^mu_p = sqrt(2p+1) (n nu p; mu -mu 0), the 3j symbol, and h_p = g_p exp(-jx)/x,

        same  = K sum_p (-1)^((n+nu-p)/2) [n(n+1) + nu(nu+1) - p(p+1)] u^0_p u^mu_p g_p,
        other = K 2j mu x sum_p (-1)^((n+nu-p)/2) u^0_p u^mu_p g_p,
        K = (-1)^(mu+nu) / 2 sqrt((2n+1)(2nu+1) / (n(n+1) nu(nu+1))),

    p = |n-nu|, |n-nu|+2 ... n+nu. The second sum cancels all but 1/x of itself; by (2q+1) g_q = x (g_{q+1} +
    g_{q-1}) it becomes one over the p between, whose weights are running sums of the u^0 u^mu, and that does
    not cancel. No term of either is much larger than the sum.
    """
    x = np.atleast_1d(np.asarray(kr, dtype=float))
    g1, _ = radial_functions(degree + probe_degree, x)
    g = np.concatenate([np.full((x.size, 1), 1j), g1], axis=1)
    n = np.arange(1, degree + 1)
    shape = (x.size, probe_degree, degree, mu_max + 1)
    same, other = np.zeros(shape, dtype=complex), np.zeros(shape, dtype=complex)
    couplings = _kept_coupling if degree * probe_degree * mu_max <= _KEPT else _coupling
    with np.errstate(over="ignore", invalid="ignore"):
        for nu in range(1, probe_degree + 1):
            even, odd = couplings(degree, nu, min(nu, mu_max))
            mus = slice(0, even.shape[2])
            # Beyond n + nu the weights are zero; any finite index does there.
            p = np.minimum(np.abs(n - nu)[:, None] + np.arange(0, 2 * nu + 1), (n + nu)[:, None])
            values = g[:, p]
            for result, weights, part in ((same, even, slice(0, None, 2)), (other, odd, slice(1, None, 2))):
                result[:, nu - 1, :, mus] = np.einsum(
                    "nim,rni->rnm", weights, values[:, :, part], optimize=True
                )
        other *= 1j
    for result in (same, other):
        result[~np.isfinite(result)] = complex(np.inf, 0)
    return same, other


def _coupling(degree: int, nu: int, mu_max: int) -> tuple[Real, Real]:
    """Real weights of g_p for p = |n-nu| + 0, 2 ... and 1, 3 ...: (N, nu+1, M), (N, nu, M)."""
    n = np.arange(1, degree + 1)
    u = _three_j(degree, nu, mu_max)
    product = (u[:, :, :1] * u)[:, ::2]  # p with n + nu + p even
    i = np.arange(0, 2 * nu + 1, 2)
    p = np.abs(n - nu)[:, None] + i
    # (n + nu - p) / 2 = min(n, nu) - i / 2
    sign = (-1.0) ** (np.minimum(n, nu)[:, None] - i // 2)
    mu = np.arange(u.shape[2])
    scale = (0.5 * (-1.0) ** (mu + nu)) * np.sqrt(
        (2 * n + 1.0) * (2 * nu + 1) / (n * (n + 1.0) * nu * (nu + 1))
    )[:, None]
    bracket = (n * (n + 1.0))[:, None] + nu * (nu + 1) - p * (p + 1.0)
    even = product * (sign * bracket)[:, :, None] * scale[:, None, :]
    running = np.cumsum(product, axis=1)[:, :-1]
    odd = running * (sign * (2 * p + 3))[:, :-1, None] * (2 * mu * scale)[:, None, :]
    return even, odd


_kept_coupling = lru_cache(maxsize=64)(_coupling)


def _three_j(degree: int, nu: int, mu_max: int) -> Real:
    """u^mu_p = (-1)^(n-nu) sqrt(2p+1) (n nu p; mu -mu 0), n = 1 ... N: (N, 2 nu + 1, mu_max + 1).

    The second axis is p - |n - nu|, with zeros beyond p = n + nu and where mu > min(n, nu).

    The recurrence of K. Schulten and R. G. Gordon (J. Math. Phys. 16, 1961, 1975, from memory) for m3 = 0
    says that u is an eigenvector of a symmetric matrix with the off-diagonal b_p, b_{p+1} u_{p+1} + b_p
    u_{p-1} = 2 mu u_p, b_p^2 = [p^2-(n-nu)^2][(n+nu+1)^2-p^2] / (4p^2-1). It is run from either end, where u
    may grow by many orders, and matched where b is largest, at p^2 = |n-nu| (n+nu+1) or nearly so: whatever
    mu, u oscillates there if it does so anywhere, and neither run has to go on where its solution decays,
    which would cost it its digits.
    """
    n = np.arange(1, degree + 1)
    low, high = np.abs(n - nu), n + nu
    mu = np.arange(mu_max + 1)

    def off_diagonal(p: NDArray[np.int64]) -> Real:
        q = p.astype(float)
        square = (q**2 - low**2) * ((high + 1.0) ** 2 - q**2) / np.maximum(4 * q**2 - 1, 1)
        return np.sqrt(np.maximum(square, 0))

    last = 2 * np.minimum(n, nu)  # p = n + nu
    match = np.clip(np.rint(np.sqrt(low * (high + 1.0))).astype(int) - low, 1, last - 1)
    ends = []
    for start, step, count in ((low, 1, match + 1), (high, -1, last - match + 1)):
        # To one beyond the match; the slice holds all rows that need step i.
        u = np.zeros((int(count.max()) + 1, n.size, mu.size))
        u[0] = 1
        for i in range(1, len(u)):
            need = np.flatnonzero(i <= count)
            run = slice(need[0], need[-1] + 1)
            p = start + step * i
            ahead = off_diagonal(p if step == 1 else p + 1)[run, None]
            value = 2 * mu * u[i - 1, run]
            if i > 1:
                back = off_diagonal(p - 1 if step == 1 else p + 2)[run, None]
                value -= back * u[i - 2, run]
            np.divide(value, ahead, out=u[i, run], where=ahead > 0)
        ends.append(u)
    up, down = ends
    rows = np.arange(n.size)
    below = np.stack([up[match + d, rows] for d in (-1, 0, 1)])
    above = np.stack([down[last - match - d, rows] for d in (-1, 0, 1)])
    scale = (below * above).sum(axis=0) / (below**2).sum(axis=0)
    result = np.zeros((2 * nu + 1, n.size, mu.size))
    for i in range(2 * nu + 1):
        from_above = np.clip(last - i, 0, len(down) - 1)
        value = np.where((i <= match)[:, None], up[min(i, len(up) - 1)] * scale, down[from_above, rows])
        result[i] = np.where((i <= last)[:, None], value, 0)
    result /= np.sqrt((result**2).sum(axis=0))
    result[:, mu[None, :] > np.minimum(n, nu)[:, None]] = 0
    return np.ascontiguousarray(result.transpose(1, 0, 2))
