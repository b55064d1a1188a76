"""Power patterns as scalar spherical harmonics, fitted to measured powers by least squares.

The power pattern of a field of degree N is a sum of scalar spherical harmonics of degree 2N. The
real harmonics here are those of pyshtools [1]_ with mean square 1 over the sphere, so that the
first coefficient (degree 0) is the mean over the sphere: TRP, of a pattern of EIRP.

References
----------
.. [1] M. A. Wieczorek, M. Meschede, Geochem. Geophys. Geosyst. 19, 2574-2592, 2018 (from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.kernel.arrays import as_array, keep
from nf2ff.messages.input_error import InputError
from nf2ff.power_only.iteration import IteratedBasis
from nf2ff.power_only.weights import Positions, RingPositions, voronoi_weights

Real = NDArray[np.float64]

#: Smallest eigenvalue of the normal equations of a fit whose degree was chosen here; their mean is
#: 1 (addition theorem). Noise in the worst combination of coefficients is at most doubled. Even
#: sets have 0.6 at the degree that their number allows, grids of constant steps 0.25 to 0.9.
LEAST_EIGENVALUE = 0.25
#: The same where the degree was asked for: noise ten times as large, and no sense beyond.
LEAST_OF_ASKED = 0.01
#: Most coefficients for each position, whose areas even out that number: the residual needs the
#: rest.
FILLING = 0.8
#: Most entries of a matrix of harmonics that is held at once [0.4 GB].
MAX_ENTRIES = 5 * 10**7
#: Most coefficients of a dense fit at positions that make no rings (degree 20): beyond, iteration
#: takes less time, at degree 50 a tenth.
MAX_TERMS = 21**2


def degree_of_terms(terms: int) -> int:
    """Degree L of (L + 1)^2 coefficients."""
    return round(terms**0.5) - 1


def harmonics(degree: int, *, theta: ArrayLike, phi: ArrayLike) -> Real:
    """Real scalar spherical harmonics of mean square 1 in directions theta, phi (K,) [rad].

    Returns
    -------
    (K, (L + 1)^2) ndarray
        Degree after degree up to L; in each m = 0 ... l with cos(m phi), then m = 1 ... l with
        sin(m phi).
    """
    from pyshtools.expand import LSQ_G

    return np.asarray(LSQ_G(90 - np.degrees(theta), np.degrees(phi), degree))


def order_columns(degree: int) -> list[tuple[NDArray[np.intp], NDArray[np.intp]]]:
    """For each order the places of its cosines and sines among `harmonics`, degrees m ... L."""
    n = np.arange(degree + 1)
    return [(n[m:] ** 2 + m, n[m:] * (n[m:] + 1) + m) for m in range(degree + 1)]


# --- fits ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class PowerFit:
    """A power pattern, or any other real function on the sphere, as spherical harmonics.

    Parameters
    ----------
    frequency : (F,) array_like
        Frequencies [Hz].
    coefficients : (F, (L + 1)^2) array_like
        In the order of `harmonics` [W].
    residual : (F,) array_like
        Root mean square over the sphere of what the fit leaves over, corrected for the
        coefficients fitted: noise, and degrees above L [W].

    Raises
    ------
    ValueError
        If the shapes do not fit.
    """

    frequency: Real
    coefficients: Real
    residual: Real

    def __post_init__(self) -> None:
        keep(self, ("frequency", "residual"), float, ndim=1)
        keep(self, ("coefficients",), float, ndim=2)
        count, terms = self.coefficients.shape
        if terms != (self.degree + 1) ** 2 or not count == self.frequency.size == self.residual.size:
            raise InputError(
                f"coefficients have shape {self.coefficients.shape}, residual "
                f"{self.residual.shape}, expected (F, (L + 1)^2) and (F,) with F = "
                f"{self.frequency.size}"
            )

    @property
    def degree(self) -> int:
        """Degree L."""
        return degree_of_terms(self.coefficients.shape[1])

    @property
    def mean(self) -> Real:
        """Mean over the sphere, (F,) [W]."""
        return self.coefficients[:, 0]

    def spectrum(self) -> Real:
        """Mean square of each degree, (F, L + 1) [W^2]."""
        first = np.arange(self.degree + 1) ** 2
        return np.asarray(np.add.reduceat(self.coefficients**2, first, axis=1))

    def unresolved(self) -> Real:
        """Residual over the root mean square of the pattern, (F,)."""
        whole = np.hypot(np.linalg.norm(self.coefficients, axis=1), self.residual)
        return np.asarray(self.residual / np.where(whole > 0, whole, 1))

    def at(self, *, theta: ArrayLike, phi: ArrayLike) -> Real:
        """Powers (F, K) in directions theta, phi (K,) [rad]; slightly negative in deep nulls perhaps [W]."""
        theta = as_array(theta, float, "theta", ndim=1)
        phi = as_array(phi, float, "phi", ndim=1)
        return evaluate(self.coefficients, theta=theta, phi=phi)


def evaluate(coefficients: Real, *, theta: Real, phi: Real) -> Real:
    """Values (F, K) of coefficients (F, (L + 1)^2) in directions theta, phi (K,) [rad]."""
    result = np.empty((len(coefficients), theta.size))
    rows = max(1, MAX_ENTRIES // (2 * coefficients.shape[1]))
    for at in range(0, theta.size, rows):
        part = slice(at, at + rows)
        wave = harmonics(degree_of_terms(coefficients.shape[1]), theta=theta[part], phi=phi[part])
        result[:, part] = coefficients @ wave.T
    return result


@dataclass(frozen=True, slots=True, eq=False)
class PointBasis:
    """Harmonics at positions anywhere, for fits that are weighted by the area of each.

    Parameters
    ----------
    degree : int
        Degree L of the fits.
    share : (U,) ndarray
        Part of the sphere that each position stands for; the sum is 1.
    matrix : (U, (L + 1)^2) ndarray
        The harmonics.
    factor : ((L + 1)^2, (L + 1)^2) ndarray
        Lower Cholesky factor of the normal equations.
    """

    degree: int
    share: Real
    matrix: Real
    factor: Real

    def fit(self, values: Real) -> tuple[Real, Real]:
        """Coefficients (F, (L + 1)^2) of values (F, U), and the mean square (F,) left over."""
        coefficients = self._solve(self.matrix.T @ (self.share * values).T).T
        return coefficients, (values - coefficients @ self.matrix.T) ** 2 @ self.share

    def moments(self, weights: Real) -> Real:
        """Sum over the positions of weights (U,) times each harmonic, ((L + 1)^2,)."""
        return np.asarray(weights @ self.matrix)

    def monopole(self) -> Real:
        """Weights (U,) by which the mean over the sphere follows from the values."""
        first = np.zeros(self.factor.shape[0])
        first[0] = 1
        return np.asarray(self.share * (self.matrix @ self._solve(first)))

    def _solve(self, right: Real) -> Real:
        from scipy.linalg import cho_solve

        return np.asarray(cho_solve((self.factor, True), right))


@dataclass(frozen=True, slots=True, eq=False)
class RingBasis:
    """Harmonics on rings of equal azimuth steps, where every azimuthal order is a fit of its own.

    Parameters
    ----------
    degree : int
        Degree L of the fits, at most (P - 1)/2.
    share : (U,) ndarray
        Part of the sphere that each position stands for.
    rings : RingPositions
        The rings.
    legendre, inverse : tuple of ndarray
        For each order m the harmonics at phi = 0, (T, L + 1 - m), degrees m ... L; and the
        coefficients of the fit from values there, (L + 1 - m, T).
    """

    degree: int
    share: Real
    rings: RingPositions
    legendre: tuple[Real, ...]
    inverse: tuple[Real, ...]

    def fit(self, values: Real) -> tuple[Real, Real]:
        """As `PointBasis.fit`."""
        from scipy.fft import rfft

        count, rings = len(values), self.rings
        ring = np.empty((count, rings.theta.size, rings.phi_count))
        pole = rings.is_pole[rings.ring]
        ring[:, rings.ring[pole]] = values[:, pole, None]
        ring[:, rings.ring[~pole], rings.column[~pole]] = values[:, ~pole]
        wave = rfft(ring, axis=2, norm="forward", overwrite_x=True)
        if rings.phi0:
            wave *= np.exp(-1j * np.arange(wave.shape[2]) * rings.phi0)
        # Real and imaginary parts of each order side by side, for products of real matrices.
        parts = np.empty((wave.shape[2], 2 * count, rings.theta.size))
        parts[:, :count] = wave.real.transpose(2, 0, 1)
        parts[:, count:] = wave.imag.transpose(2, 0, 1)
        result = np.empty((count, (self.degree + 1) ** 2))
        for m, (inverse, (cos, sin)) in enumerate(zip(self.inverse, order_columns(self.degree), strict=True)):
            found = parts[m] @ inverse.T
            parts[m] -= found @ self.legendre[m].T
            result[:, cos] = found[:count] if m == 0 else 2 * found[:count]
            if m:
                result[:, sin] = -2 * found[count:]
        # Parseval: the mean square of each ring, from all orders of both signs.
        both = np.full(len(parts), 2.0)
        both[0] = 1
        if rings.phi_count % 2 == 0:
            both[-1] = 1
        square = np.einsum("m,mft,mft->ft", both, parts, parts, optimize=False)
        left = (square[:count] + square[count:]) @ rings.zones() / (4 * np.pi)
        return result, left

    def moments(self, weights: Real) -> Real:
        """As `PointBasis.moments`, of weights that are equal in each ring."""
        result = np.zeros((self.degree + 1) ** 2)
        ring = np.bincount(self.rings.ring, weights, self.rings.theta.size)
        # The other orders sum to zero over P equal steps, |m| < P.
        result[np.arange(self.degree + 1) ** 2] = ring @ self.legendre[0]
        return result

    def monopole(self) -> Real:
        """As `PointBasis.monopole`."""
        return self.rings.share(self.inverse[0][0])


Basis = PointBasis | IteratedBasis | RingBasis


def harmonic_basis(
    positions: Positions,
    rings: RingPositions | None = None,
    *,
    degree: int | None = None,
    most: int | None = None,
    area: Real | None = None,
) -> Basis:
    """Harmonics for area-weighted fits at given positions.

    Parameters
    ----------
    positions : Positions
        U different positions.
    rings : RingPositions, optional
        The rings that they make, which is much faster.
    degree : int, optional
        Degree L. If not given, the largest one that leaves a fifth of the positions to the
        residual, (L + 1)^2 sum(share^2) <= `FILLING`, and keeps all eigenvalues of the normal
        equations above `LEAST_EIGENVALUE`.
    most : int, optional
        Largest degree to choose, where more would be of no use.
    area : (U,) ndarray, optional
        `voronoi_weights` of positions that make no rings, if known [sr].

    Raises
    ------
    ValueError
        If the positions do not determine the degree asked for.
    """
    if rings is not None:
        area = rings.share(rings.zones())
    elif area is None:
        area = voronoi_weights(positions)
    share = area / (4 * np.pi)
    # Where positions crowd, as rings do at the poles, they count for fewer.
    limit = int(np.sqrt(FILLING / np.sum(share**2))) - 1
    if rings is not None:
        limit = min(limit, (rings.phi_count - 1) // 2)
    if degree is not None and not 0 <= degree <= limit:
        _refuse(degree, limit)
    highest = max(0, limit if most is None else min(limit, most)) if degree is None else degree
    least = LEAST_EIGENVALUE if degree is None else LEAST_OF_ASKED
    if rings is not None:
        basis: Basis = _ring_basis(rings, share, highest, least)
    elif (highest + 1) ** 2 <= min(MAX_TERMS, MAX_ENTRIES // share.size):
        basis = _point_basis(positions, share, highest, least)
    else:
        basis = _iterated_basis(positions, share, highest, least)
    if degree is not None and basis.degree < degree:
        _refuse(degree, basis.degree)
    return basis


def _refuse(degree: int, limit: int) -> None:
    raise InputError(
        f"degree is {degree}, these positions determine 0 to {limit}", "lower it or measure at smaller steps"
    )


def _ring_basis(rings: RingPositions, share: Real, highest: int, least: float) -> RingBasis:
    from pyshtools.legendre import PlmBar

    zone = rings.zones() / (4 * np.pi)
    # One call for each ring; `harmonics` would compute sines and cosines of all orders, too.
    every = np.stack([PlmBar(highest, z) for z in np.cos(rings.theta)])

    def order(m: int, degree: int) -> tuple[Real, Real]:
        """Harmonics of one order at phi = 0, and the matrix of its normal equations."""
        n = np.arange(m, degree + 1)
        p = every[:, n * (n + 1) // 2 + m]
        # Over phi, cos^2 has the mean 1/2.
        return p, (1 if m == 0 else 0.5) * p.T @ (zone[:, None] * p)

    def good(degree: int) -> bool:
        # The orders 0 and 1 are the worst (compared on random rings, 5 to 30 of them).
        values = [np.linalg.eigvalsh(order(m, degree)[1])[0] for m in (0, 1)]
        return bool(min(values) >= least)

    degree = next((n for n in range(highest, 0, -1) if good(n)), 0)
    legendre, inverse = [], []
    for m in range(degree + 1):
        p, normal = order(m, degree)
        legendre.append(p)
        mean_square = 1 if m == 0 else 0.5
        inverse.append(np.asarray(np.linalg.solve(normal, mean_square * (zone[:, None] * p).T)))
    return RingBasis(degree, share, rings, tuple(legendre), tuple(inverse))


def _point_basis(positions: Positions, share: Real, highest: int, least: float) -> PointBasis:
    matrix = harmonics(highest, theta=positions.theta, phi=positions.phi)
    weighted = np.sqrt(share)[:, None] * matrix
    normal = weighted.T @ weighted
    del weighted

    def good(degree: int) -> bool:
        """Whether all eigenvalues are above the least: the rest is positive definite then."""
        terms = (degree + 1) ** 2
        try:
            np.linalg.cholesky(normal[:terms, :terms] - least * np.eye(terms))
        except np.linalg.LinAlgError:
            return False
        return True

    found = _largest(highest, good)
    terms = (found + 1) ** 2
    factor = np.asarray(np.linalg.cholesky(normal[:terms, :terms]))
    return PointBasis(found, share, np.ascontiguousarray(matrix[:, :terms]), factor)


def _iterated_basis(positions: Positions, share: Real, highest: int, least: float) -> Basis:
    location = np.stack([positions.theta, positions.phi], axis=1)

    def good(degree: int) -> bool:
        return IteratedBasis(degree, share, location).least_eigenvalue() >= least

    found = _largest(highest, good)
    if (found + 1) ** 2 <= min(MAX_TERMS, MAX_ENTRIES // share.size):
        return _point_basis(positions, share, found, least)
    return IteratedBasis(found, share, location)


def _largest(highest: int, good: Callable[[int], bool]) -> int:
    """Largest degree that is good; the highest is tried first.

    The least eigenvalue falls with the degree (Cauchy's interlacing): the search is by halves.
    """
    low, top, middle = 0, highest, highest
    while low < top:
        if good(middle):
            low = middle
        else:
            top = middle - 1
        middle = (low + top + 1) // 2
    return low


def fit_powers(basis: Basis, *, frequency: Real, values: Real) -> PowerFit:
    """Least-squares fit of values (F, U) [W] at the positions of ``basis``, of its degree.

    Notes
    -----
    White noise of variance v leaves the mean square v (1 - (L + 1)^2 sum(share^2)) where shares
    vary slowly, because sum_j share_j (sum_lm Y_lm(i) Y_lm(j))^2 is about (L + 1)^2 (addition
    theorem); the residual is divided by that.
    """
    coefficients, left = basis.fit(values)
    free = 1 - (basis.degree + 1) ** 2 * np.sum(basis.share**2)
    return PowerFit(frequency, coefficients, np.sqrt(left / free))
