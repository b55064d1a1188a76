"""Regular grids on the sphere and their quadrature weights."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel import spin
from nf2ff.kernel.arrays import keep
from nf2ff.messages.input_error import InputError

#: Names of the rings of a grid by the quadrature rule they belong to:
#: clenshaw-curtis, equal steps with both poles; fejer-1, half a step from the poles; fejer-2, one
#: step from the poles; north-pole and south-pole, one of them and half a step from the other.
Rule = Literal["clenshaw-curtis", "fejer-1", "fejer-2", "north-pole", "south-pole", "gauss-legendre"]

RULES: tuple[Rule, ...] = get_args(Rule)
#: Polar angles pi (i + a) / (T + b), i = 0 ... T - 1, of the rules in equal steps: a and b.
_STEPS = {
    "clenshaw-curtis": (0.0, -1.0),
    "fejer-1": (0.5, 0.0),
    "fejer-2": (1.0, 1.0),
    "north-pole": (0.0, -0.5),
    "south-pole": (0.5, -0.5),
}
#: Two angles closer than this are the same position of a positioner [rad]: 6e-6 deg, far below
#: any encoder's step, far above the rounding of angles written in degrees with 7 decimals.
ANGLE_TOLERANCE = 1e-7


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """All pairs of T polar angles and P equal steps in azimuth over the whole sphere.

    Parameters
    ----------
    theta : (T,) array_like
        Polar angles, increasing, in [0, pi], placed as ``rule`` says [rad].
    phi : (P,) array_like
        Azimuth angles, equal steps of 2 pi / P from ``phi[0]`` in [0, 2 pi / P) [rad].
    rule : str
        Quadrature rule that the polar angles belong to, see `Rule`.
    """

    theta: NDArray[np.float64]
    phi: NDArray[np.float64]
    rule: Rule

    def __post_init__(self) -> None:
        keep(self, ("theta", "phi"), float, ndim=1)
        theta, phi = self.theta, self.phi
        if theta.size < 2 or phi.size < 2:
            raise InputError(
                f"theta and phi are {theta.size} and {phi.size} angles, expected at least 2 each"
            )
        expected = ring_angles(self.rule, theta.size)
        off = np.flatnonzero(np.abs(theta - expected) > ANGLE_TOLERANCE)
        if off.size:
            is_at, wanted = np.degrees([theta[off[0]], expected[off[0]]])
            raise InputError(
                f"theta is not the {self.rule} rule of {theta.size} rings: ring {off[0] + 1} is at "
                f"{is_at:.9g} deg, expected {wanted:.9g} deg; take angles of `ring_angles`, or "
                "treat the samples as positions anywhere"
            )
        step = 2 * np.pi / phi.size
        if np.max(np.abs(phi - phi[0] - step * np.arange(phi.size))) > ANGLE_TOLERANCE:
            raise InputError(
                f"phi does not run in {phi.size} equal steps over the full circle: expected "
                f"increasing steps of {np.degrees(step):.9g} deg, the last one step before 360 deg"
            )

    @property
    def degree(self) -> int:
        """Largest degree that a quadrature on this grid determines."""
        return min(spin.ring_degree(self.rule, self.theta.size), (self.phi.size - 1) // 2)

    @property
    def weights(self) -> NDArray[np.float64]:
        """Solid angle of one point in each ring, (T,) [sr]; P times their sum is 4 pi."""
        return spin.ring_weights(self.rule, self.theta.size) / self.phi.size


def ring_angles(rule: str, count: int) -> NDArray[np.float64]:
    """Polar angles (T,) [rad] of ``count`` rings of a quadrature rule."""
    if rule == "gauss-legendre":
        return spin.ring_angles_gauss(count)
    if rule not in _STEPS:
        raise InputError(f"rule is {rule!r}, expected one of {', '.join(RULES)}")
    first, more = _STEPS[rule]
    return np.asarray(np.pi * (np.arange(count) + first) / (count + more))


def recognise_rule(theta: NDArray[np.float64]) -> Rule | None:
    """Quadrature rule whose rings are at ``theta`` (T,), increasing [rad], or None."""
    if theta.size < 2:
        return None
    for rule in RULES:
        if np.max(np.abs(theta - ring_angles(rule, theta.size))) <= ANGLE_TOLERANCE:
            return rule
    return None


def equiangular_grid(
    theta_count: int, phi_count: int, *, rule: Rule = "clenshaw-curtis", phi0: float = 0.0
) -> Grid:
    """Grid with equal steps in theta and in phi.

    Parameters
    ----------
    theta_count, phi_count : int
        Numbers of polar and of azimuth angles, each at least 2.
    rule : str
        "clenshaw-curtis" with both poles, "fejer-1" half a step from them, "fejer-2" one step
        from them, "north-pole" or "south-pole" with one of them.
    phi0 : float
        First azimuth [rad].

    Returns
    -------
    Grid
        Its ``degree`` is the largest that it determines.

    Raises
    ------
    ValueError
        If a count is below 2, or there is no such rule.

    Examples
    --------
    >>> grid = equiangular_grid(13, 24)
    >>> grid.degree, round(float(grid.weights.sum() * 24 / np.pi), 12)
    (11, 4.0)
    """
    if theta_count < 2 or phi_count < 2:
        raise InputError(f"a grid of {theta_count} x {phi_count} directions is too small: at least 2 x 2")
    phi = phi0 + 2 * np.pi * np.arange(phi_count) / phi_count
    return Grid(ring_angles(rule, theta_count), phi, rule)


def gauss_legendre_grid(theta_count: int, phi_count: int, *, phi0: float = 0.0) -> Grid:
    """Grid with Gauss-Legendre rings and equal steps in phi.

    Parameters
    ----------
    theta_count, phi_count : int
        Numbers of polar and of azimuth angles, each at least 2.
    phi0 : float
        First azimuth [rad].

    Returns
    -------
    Grid
        As `equiangular_grid`.

    Raises
    ------
    ValueError
        If a count is below 2.
    """
    return equiangular_grid(theta_count, phi_count, rule="gauss-legendre", phi0=phi0)


def grid_for_degree(degree: int, *, rule: Rule = "clenshaw-curtis") -> Grid:
    """Smallest grid of a rule that determines a degree, its azimuth count rounded up to suit FFTs.

    Parameters
    ----------
    degree : int
        Degree N, at least 1.
    rule : str
        As in `equiangular_grid`, or "gauss-legendre".

    Returns
    -------
    Grid
        The grid.

    Raises
    ------
    ValueError
        If ``degree`` is below 1, or there is no such rule.
    """
    if degree < 1:
        raise InputError(f"degree is {degree}, expected at least 1")
    count = {"clenshaw-curtis": degree + 2, "fejer-2": 2 * degree + 1}.get(rule, degree + 1)
    return equiangular_grid(count, spin.good_length(2 * degree + 1), rule=rule)
