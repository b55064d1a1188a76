"""Degree and steps that a scan needs: by the size of the antenna, and by its distance.

The worst dipoles on the minimum sphere, of unit power, radiate in degree n at x0 = k r0 (closed form)

    transverse  3/4 (2n+1) j_n^2 in waves of one kind, 3/4 (2n+1) ((x0 j_n)'/x0)^2 in those of the other,
    radial      3/2 n (n+1) (2n+1) (j_n / x0)^2 in waves of one kind.

At the samples they appear with the radial functions of kr in addition, which grow beyond n = kr: close to the
antenna degrees arrive that are far above those that radiate. A grid of degree N takes one of degree
n > N for one of about 2N + 1 - n, and the solution divides by the radial function of that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.grids import Grid, equiangular_grid
from nf2ff.antenna.modes import required_degree
from nf2ff.kernel.radial import radial_functions
from nf2ff.messages.input_error import InputError

Real = NDArray[np.float64]

#: Largest degree that is planned for.
MAX_DEGREE = 10_000
#: Share of what may alias that the degrees may hold which are not looked at.
_NEGLECTED = 0.01
#: Smaller antennas are as this one.
_LEAST_KR0 = 1e-3
#: Relative power below which all is rounding: levels are told down to it.
_LEAST = 1e-30


@dataclass(frozen=True, slots=True, eq=False)
class Spectrum:
    """Degrees of the worst dipoles: transverse electric, transverse magnetic, radial electric.

    Parameters
    ----------
    radiated : (3, N) ndarray
        Part of the power that each radiates in degree n = 1 ... N.
    reaching : (3, N) ndarray
        Square of the tangential field at kr, integrated over the sphere, over that of the far field.
    log_gain : (N,) ndarray
        Natural logarithm of the smaller of the two squared radial functions, which are 1 far away.
    """

    radiated: Real
    reaching: Real
    log_gain: Real

    @classmethod
    def of(cls, kr0: float, kr: float, *, top: int) -> Spectrum:
        """Degrees up to ``top`` of dipoles at ``kr0``, seen at ``kr``, which may be infinite."""
        from scipy.special import jv

        x0 = max(kr0, _LEAST_KR0)
        n = np.arange(1, top + 1)
        # Up to n0, beyond which j_n has no zero, from the functions themselves; above it both may leave
        # the range of doubles, though their product does not, and logarithms of ratios are added.
        n0 = min(math.ceil(x0) + 1, top)
        j = np.sqrt(0.5 * np.pi / x0) * jv(np.arange(n0 + 1) + 0.5, x0)
        steps = _regular_ratios(x0, n0, top)
        with np.errstate(divide="ignore"):
            log_j = np.log(np.abs(j[1:]))
        log_j = np.append(log_j, log_j[-1] + np.cumsum(np.log(steps)))
        with np.errstate(divide="ignore", invalid="ignore"):
            # (x0 j_n)' / x0 = j_(n-1) - n j_n / x0
            log_d = np.log(np.abs(j[:-1] - n[:n0] / x0 * j[1:]))
        log_d = np.append(log_d, log_j[n0:] + np.log(np.abs(1 / steps - n[n0:] / x0)))
        log_g1, log_g2 = _outgoing(kr, n0, top)
        first, second = (np.log(0.75 * (2 * n + 1)) + 2 * x for x in (log_j, log_d))
        radial = np.log(1.5 * n * (n + 1.0) * (2 * n + 1)) + 2 * (log_j - math.log(x0))
        radiated = [np.exp(first) + np.exp(second)] * 2 + [np.exp(radial)]
        reaching = [
            np.exp(first + log_g1) + np.exp(second + log_g2),
            np.exp(second + log_g1) + np.exp(first + log_g2),
            np.exp(radial + log_g2),
        ]
        return cls(np.array(radiated), np.array(reaching), np.minimum(log_g1, log_g2))

    def tail(self, degree: int) -> float:
        """Largest part of a dipole's power above a degree."""
        return float(self.radiated[:2, degree:].sum(axis=1).max())

    def alias(self, degree: int) -> float:
        """Largest error of the far field by what aliases at a degree, squared, over the squared field."""
        n = np.arange(degree + 1, self.log_gain.size + 1)
        taken_for = np.clip(2 * degree + 1 - n, 1, degree)
        return float((self.reaching[:, degree:] * np.exp(-self.log_gain[taken_for - 1])).sum(axis=1).max())


def _regular_ratios(x0: float, n0: int, top: int) -> Real:
    """j_n / j_(n-1) for n = n0 + 1 ... top, by the recurrence that is stable downward."""
    ratio = x0 / (2 * top + 3)
    found = np.empty(max(0, top - n0))
    for n in range(top + 20, n0, -1):
        ratio = 1 / ((2 * n + 1) / x0 - ratio)
        if n <= top:
            found[n - n0 - 1] = ratio
    return found


def _outgoing(kr: float, n0: int, top: int) -> tuple[Real, Real]:
    """Logarithms of the squared radial functions of both kinds, without exp(-jkr)/kr, (N,) each."""
    if kr == math.inf:
        return np.zeros(top), np.zeros(top)
    # Below kr neither is large.
    n0 = min(max(n0, math.ceil(kr)), top)
    g1, g2 = radial_functions(n0, kr)
    log_g1, log_g2 = (2 * np.log(np.abs(x)) for x in (g1, g2))
    before = complex(g1[-2]) if n0 > 1 else 1j
    ratio, more = complex(g1[-1]) / before, []
    for n in range(n0, top):
        ratio = (2 * n + 1) / kr - 1 / ratio
        more.append(ratio)
    step = np.array(more, dtype=complex)
    above = log_g1[-1] + 2 * np.cumsum(np.log(np.abs(step)))
    other = above + 2 * np.log(np.abs(1 / step - np.arange(n0 + 1, top + 1) / kr))
    return np.append(log_g1, above), np.append(log_g2, other)


@dataclass(frozen=True, slots=True)
class DegreeChoice:
    """A degree, and what it leaves.

    Parameters
    ----------
    degree : int
        Degree N.
    spectrum_degree : int
        Degree by the size of the antenna alone, None where a degree was given.
    tail_db : float
        Power of the worst transverse dipole above N, over all; a radial one leaves up to 3 dB more [dB].
    alias_db : float
        Far-field error by degrees above N that are taken for lower ones, over the field; of the worst
        dipole, an upper bound in the root mean square and about the largest at any angle [dB].
    """

    degree: int
    spectrum_degree: int | None
    tail_db: float
    alias_db: float


def choose_degree(
    kr0: float, *, kr: float = math.inf, tail_db: float = -60.0, degree: int | None = None
) -> DegreeChoice:
    """Smallest degree whose tail and aliases both stay below ``tail_db``.

    Parameters
    ----------
    kr0 : float
        Wavenumber times radius of the minimum sphere.
    kr : float
        Wavenumber times distance of the samples; far away by default.
    tail_db : float
        What may be left [dB].
    degree : int, optional
        Degree to judge instead of choosing one.

    Returns
    -------
    DegreeChoice
        The degree, and what it leaves.

    Raises
    ------
    ValueError
        If a number is out of range, the samples are inside the minimum sphere, or so close to it that a
        degree above `MAX_DEGREE` is needed.
    """
    plain = required_degree(kr0, tail_db=tail_db)
    if not kr > kr0:
        raise InputError(
            f"kr is {kr:.6g}, inside the minimum sphere of k r0 = {kr0:.6g}, where the waves do not hold",
            "measure farther out",
        )
    if degree is not None and not 1 <= degree <= MAX_DEGREE:
        raise InputError(f"degree is {degree}, expected 1 to {MAX_DEGREE}")
    most = 10 ** (tail_db / 10)
    low = plain if degree is None else degree
    top = 2 * low + 60
    while True:
        found = Spectrum.of(kr0, kr, top=top)
        # Beyond the last degree the levels fall by (r0 / r)^2 a degree, by more far away.
        rest = found.reaching[:, -1].max() / (1 - min(kr0 / kr, 0.999_999) ** 2)
        if degree is not None:
            if rest <= _NEGLECTED * found.alias(degree) or top >= 4 * MAX_DEGREE or rest < 1e-30:
                break
        elif top // 2 >= low and found.alias(top // 2) <= most and rest <= _NEGLECTED * most:
            break
        elif top >= 4 * MAX_DEGREE:
            raise InputError(
                f"at kr = {kr:.6g} an antenna of k r0 = {kr0:.6g} needs a degree above {MAX_DEGREE}: "
                "evanescent waves reach the samples",
                "measure farther out",
            )
        top *= 2
    if degree is None:
        high = top // 2
        while low < high:  # the smallest, by halves: aliases fall with the degree
            middle = (low + high) // 2
            low, high = (low, middle) if found.alias(middle) <= most else (middle + 1, high)
        if low > MAX_DEGREE:
            raise InputError(
                f"at kr = {kr:.6g} an antenna of k r0 = {kr0:.6g} needs degree {low}, above {MAX_DEGREE}",
                "measure farther out",
            )
    levels = (10 * math.log10(max(x, _LEAST)) for x in (found.tail(low), found.alias(low)))
    return DegreeChoice(low, plain if degree is None else None, *levels)


def power_above_db(kr0: float, degree: int) -> float:
    """Power of the worst transverse dipole above a degree, over all [dB].

    Parameters
    ----------
    kr0 : float
        Wavenumber times radius of the minimum sphere.
    degree : int
        Degree N.

    Returns
    -------
    float
        Level [dB].
    """
    top = max(degree, required_degree(kr0, tail_db=-300.0)) + 60
    tail = Spectrum.of(kr0, math.inf, top=top).tail(degree)
    return 10 * math.log10(tail) if tail > 0 else -math.inf


def customary_degree(kr0: float) -> int:
    """k r0 + 10, rounded up: common practice, not safe for large antennas (see `power_above_db`).

    Parameters
    ----------
    kr0 : float
        Wavenumber times radius of the minimum sphere.

    Returns
    -------
    int
        Degree N.
    """
    return math.ceil(kr0 - 1e-9) + 10


def scan_grid(degree: int) -> Grid:
    """Grid of a degree for a positioner: N + 2 rings with both poles, 2N + 2 azimuths, steps alike.

    Parameters
    ----------
    degree : int
        Degree N.

    Returns
    -------
    Grid
        The grid.
    """
    return equiangular_grid(degree + 2, 2 * degree + 2)
