"""Spherical-mode coefficients: order, degree needed, power over degree."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.kernel.arrays import as_array, keep
from nf2ff.kernel.interpolation import SAME_FREQUENCY
from nf2ff.kernel.rotation import rotate_coefficients
from nf2ff.messages.input_error import InputError

Real = NDArray[np.float64]

Reference = Literal["absolute", "relative"]

#: Speed of light in vacuum [m/s], exact by the SI.
SPEED_OF_LIGHT = 299792458.0
#: Wave impedance of vacuum [ohm]: mu_0 c with the CODATA 2018 value of mu_0.
WAVE_IMPEDANCE = 376.730313668
#: Numbers of one frequency that are squared together.
_TOGETHER = 2**15


def wavenumber(frequency: ArrayLike) -> Real:
    """Wavenumber k = 2 pi f / c.

    Parameters
    ----------
    frequency : array_like
        Frequencies of any shape [Hz].

    Returns
    -------
    ndarray
        Wavenumbers, same shape [rad/m].
    """
    return np.asarray(2 * np.pi / SPEED_OF_LIGHT * np.asarray(frequency, dtype=float))


def frequencies(frequency: ArrayLike) -> Real:
    """Check frequencies (F,) [Hz]: at least one, all positive."""
    f: Real = as_array(frequency, float, "frequency", ndim=1)
    if not (f.size and np.all(f > 0)):
        raise InputError(f"frequency is {f.min() if f.size else 'empty'}, expected positive values [Hz]")
    return f


def mode_count(degree: int) -> int:
    """Number of modes J = 2 N (N + 2) up to a degree.

    Parameters
    ----------
    degree : int
        Degree N.

    Returns
    -------
    int
        J.
    """
    return 2 * degree * (degree + 2)


def mode_index(*, s: int, m: int, n: int) -> int:
    """Zero-based position of mode (s, m, n): j - 1 with j = 2 (n (n+1) + m - 1) + s.

    Parameters
    ----------
    s, m, n : int
        1 for TE and 2 for TM; order, at most n in magnitude; degree, at least 1.

    Returns
    -------
    int
        Index into the coefficients.

    Raises
    ------
    ValueError
        If there is no such mode.

    Examples
    --------
    >>> mode_index(s=1, m=-1, n=1), mode_index(s=2, m=1, n=1), mode_index(s=1, m=-2, n=2)
    (0, 5, 6)
    """
    if s not in (1, 2) or n < 1 or abs(m) > n:
        raise InputError(f"no such mode: s={s}, m={m}, n={n}; s is 1 or 2, n >= 1 and |m| <= n")
    return 2 * (n * (n + 1) + m - 1) + s - 1


def mode_numbers(degree: int) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Numbers s, m and n of each mode, in the order of the coefficients.

    Parameters
    ----------
    degree : int
        Degree N.

    Returns
    -------
    s, m, n : (J,) ndarray of int
        J = 2 N (N + 2) of each.

    Examples
    --------
    >>> s, m, n = mode_numbers(1)
    >>> [tuple(int(x) for x in mode) for mode in zip(s, m, n)]
    [(1, -1, 1), (2, -1, 1), (1, 0, 1), (2, 0, 1), (1, 1, 1), (2, 1, 1)]
    """
    n = np.repeat(np.arange(1, degree + 1), 2 * np.arange(1, degree + 1) + 1)
    m = np.arange(n.size) + 1 - n * (n + 1)
    s = np.tile(np.array([1, 2]), n.size)
    return s, np.repeat(m, 2), np.repeat(n, 2)


@dataclass(frozen=True, slots=True, eq=False)
class Modes:
    """Coefficients Q of the outgoing power-normalised spherical waves.

    Parameters
    ----------
    frequency : (F,) array_like
        Frequencies [Hz].
    coefficients : (F, J) array_like
        Q_smn in the order j = 2 (n(n+1) + m - 1) + s, J = 2N(N+2), for the time factor exp(+jwt) [sqrt(W),
        peak].
    reference : {"absolute", "relative"}
        Whether the level is known. EIRP, TRP and gain of relative modes are refused.

    Raises
    ------
    ValueError
        If a shape does not fit, J is not 2N(N+2), or a value is not finite.
    """

    frequency: NDArray[np.float64]
    coefficients: NDArray[np.complex128]
    reference: Reference = "absolute"

    def __post_init__(self) -> None:
        keep(self, ("frequency",), float, ndim=1)
        keep(self, ("coefficients",), complex, ndim=2)
        rows, count = self.coefficients.shape
        degree = degree_of_count(count)
        if rows != self.frequency.size:
            raise InputError(f"coefficients have {rows} rows for {self.frequency.size} frequencies")
        if np.any(self.frequency <= 0):
            raise InputError(f"frequency must be positive, not {self.frequency.min():g} Hz")
        if degree < 1:
            raise InputError("there are no coefficients: at least degree 1 (6 modes) is needed")
        if self.reference not in ("absolute", "relative"):
            raise InputError(f"reference is {self.reference!r}, expected 'absolute' or 'relative'")

    @property
    def degree(self) -> int:
        """Largest degree N in the expansion."""
        return degree_of_count(self.coefficients.shape[1])

    def radiated_power(self) -> Real:
        """Radiated power 1/2 sum |Q|^2, (F,) [W] (in arbitrary units when relative)."""
        return 0.5 * np.einsum("fj,fj->f", self.coefficients, self.coefficients.conj()).real

    def power_spectrum(self) -> Real:
        """Radiated power in each degree n = 1 ... N, (F, N) [W]."""
        n = np.arange(1, self.degree + 1)
        parts = self.coefficients.view(float)
        starts = 4 * (n * n - 1)
        power = np.empty((parts.shape[0], n.size))
        # Some degrees at a time, whose squares fit into a cache.
        edges = np.searchsorted(starts, np.arange(0, parts.shape[1], _TOGETHER)).tolist()
        for first, last in pairwise(sorted({*edges, n.size})):
            part = slice(starts[first], starts[last] if last < n.size else None)
            own = starts[first:last] - starts[first]
            for f, row in enumerate(parts):
                power[f, first:last] = 0.5 * np.add.reduceat(np.square(row[part]), own)
        return power

    def at(self, index: int | slice | Sequence[int] | NDArray[np.intp]) -> Modes:
        """The modes of one frequency, by its index, or of some, by a slice or their indices."""
        if isinstance(index, int | np.integer):
            index = slice(int(index), int(index) + 1 or None)
        elif not isinstance(index, slice):
            index = np.asarray(index, dtype=np.intp)
        return Modes(self.frequency[index], self.coefficients[index], self.reference)

    def each(self) -> Iterator[Modes]:
        """The modes of one frequency after the other."""
        return (self.at(f) for f in range(self.frequency.size))

    def truncate(self, degree: int) -> Modes:
        """The same modes without those above ``degree``."""
        if not 1 <= degree <= self.degree:
            raise InputError(f"degree {degree} is not within 1 ... {self.degree}")
        return Modes(self.frequency, self.coefficients[:, : mode_count(degree)], self.reference)

    def extend(self, degree: int) -> Modes:
        """The same modes with those up to ``degree`` added as zeros."""
        if degree < self.degree:
            raise InputError(f"degree {degree} is below {self.degree}", "use truncate")
        if degree == self.degree:
            return self
        q = np.zeros((self.frequency.size, mode_count(degree)), dtype=complex)
        q[:, : self.coefficients.shape[1]] = self.coefficients
        return Modes(self.frequency, q, self.reference)


def degree_of_count(count: int) -> int:
    """Degree N of J = 2N(N+2) coefficients."""
    degree = round(np.sqrt(count / 2 + 1)) - 1
    if mode_count(degree) != count:
        raise InputError(f"{count} coefficients are not a complete set: expected 2 N (N + 2), e.g. 6, 16, 30")
    return degree


def required_degree(kr0: float, *, tail_db: float = -60.0) -> int:
    """Degree N beyond which an antenna in a sphere of radius r0 has no power worth noting.

    A transverse electric dipole on the minimum sphere is taken, whose power in degree n is exactly
    proportional to (2n+1) [j_n^2 + ((x j_n)'/x)^2] at x = k r0. N is the smallest degree such that the
    power of all higher ones is at most ``tail_db`` of all. A radial dipole there leaves up to 3.0 dB more
    of its power above N; N + 1 always holds for it too.

    Parameters
    ----------
    kr0 : float
        Wavenumber times radius of the minimum sphere [rad].
    tail_db : float
        Power left above N relative to the total [dB], negative.

    Returns
    -------
    int
        The degree N >= 1.

    Notes
    -----
    Sum rule: sum (2n+1) [j_n^2 + ((x j_n)'/x)^2] = 4/3 for every x (closed form).
    """
    from scipy.special import jv

    if not kr0 >= 0 or not np.isfinite(kr0):
        raise InputError(f"kr0 is {kr0}, expected a finite number >= 0")
    if not -np.inf < tail_db < 0:
        raise InputError(f"tail_db is {tail_db}, expected a negative level [dB]")
    if kr0 < 1e-6:
        return 1
    top = int(kr0 + 12 * kr0 ** (1 / 3) * (1 + abs(tail_db) / 60) + 20)
    most = 10 ** (tail_db / 10) * 4 / 3
    # The power falls off within some kr0^(1/3) of kr0: only degrees about there are summed, and
    # more of them below as long as the tail is not yet as strong as it may be.
    first = int(kr0 - 12 * kr0 ** (1 / 3))
    while True:
        first = max(1, first)
        n = np.arange(first, top + 1)
        j = np.sqrt(0.5 * np.pi / kr0) * jv(np.append(first - 1, n) + 0.5, kr0)
        power = (2 * n + 1) * (j[1:] ** 2 + (j[:-1] - n / kr0 * j[1:]) ** 2)
        above = np.append(np.cumsum(power[::-1])[::-1], 0.0)[1:]
        if first == 1 or above[0] > most:
            return int(n[np.argmax(above <= most)])
        first = top - 2 * (top - first)


def rotate(modes: Modes, *, alpha: float, beta: float, gamma: float) -> Modes:
    """Modes of the antenna turned about the origin by Rz(alpha) Ry(beta) Rz(gamma), exactly.

    Parameters
    ----------
    modes : Modes
        Mode coefficients.
    alpha, beta, gamma : float
        Euler angles, gamma acting first; of a matrix by `kernel.rotation.euler_angles` [rad].

    Returns
    -------
    Modes
        What radiated towards r^ radiates towards R r^, its polarisation turned with it. The
        inverse has the angles -gamma, -beta, -alpha.

    Raises
    ------
    ValueError
        If an angle is not finite.
    """
    q = modes.coefficients.reshape(modes.frequency.size, -1, 2)
    turned = rotate_coefficients(q.swapaxes(1, 2), alpha=alpha, beta=beta, gamma=gamma)
    flat = np.ascontiguousarray(turned.swapaxes(1, 2)).reshape(modes.coefficients.shape)
    return Modes(modes.frequency, flat, modes.reference)


def average_modes(modes: Sequence[Modes], *, weights: ArrayLike | None = None) -> Modes:
    """Weighted mean of several results for one antenna in one frame.

    Parameters
    ----------
    modes : sequence of Modes
        Results at the same frequencies, turned into one frame; those of lower degree count as
        zero above it.
    weights : (K,) array_like, optional
        Weight of each, such as the inverse of its variance; equal where left out.

    Returns
    -------
    Modes
        Sum of weight times coefficient over the sum of weights. Relative if one of them is.

    Raises
    ------
    ValueError
        If there is nothing to average, frequencies differ, or weights do not fit.

    Notes
    -----
    Coefficients are averaged with their phase: scans whose phase drifted apart must be put right
    first. A part of the sphere that one scan did not see weighs as much as if it had: prefer
    `measurement.orientation.merge_samples`, which lets the samples decide.
    """
    if not modes:
        raise InputError("there are no modes to average")
    w = np.ones(len(modes)) if weights is None else as_array(weights, float, "weights", ndim=1)
    if w.shape != (len(modes),) or np.any(w < 0) or not w.sum() > 0:
        raise InputError(
            f"weights are {w.tolist()} for {len(modes)} results: expected one for each, none negative"
        )
    for other in modes[1:]:
        check_same_frequencies(modes[0].frequency, other.frequency)
    degree = max(one.degree for one in modes)
    parts = [x * one.extend(degree).coefficients for x, one in zip(w / w.sum(), modes, strict=True)]
    relative = any(one.reference == "relative" for one in modes)
    total = np.sum(parts, axis=0)
    return Modes(modes[0].frequency, total, "relative" if relative else "absolute")


def check_same_frequencies(first: Real, second: Real) -> None:
    """Raise unless both have the same frequencies [Hz]."""
    if first.size != second.size:
        raise InputError(
            f"the first has {first.size} frequencies, the other {second.size}", "keep those that both have"
        )
    apart = np.flatnonzero(np.abs(first - second) > SAME_FREQUENCY * first)
    if apart.size:
        a, b = first[apart[0]] / 1e9, second[apart[0]] / 1e9
        raise InputError(f"frequency {apart[0] + 1} is {a:.9g} GHz in the first, {b:.9g} GHz in the other")
