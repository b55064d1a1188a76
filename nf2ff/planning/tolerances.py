"""How large each error of a scan may be, so that the figures come out as sure as is wished.

The inverse of an uncertainty budget, by derivatives: to first order an uncertainty is proportional to the
size of the error that causes it. Random errors of phase also take from the beam what they add elsewhere, by
the square of their size: where that counts, draws tell, and sizes are brought down until they hold.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.dipoles import Antenna
from nf2ff.measurement.probe import field_probe
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.planning.scan_time import Schedule
from nf2ff.solver.solution import Solution
from nf2ff.solver.solve import solve
from nf2ff.uncertainty.derivatives import linearised
from nf2ff.uncertainty.draws import Draws, Measure, monte_carlo
from nf2ff.uncertainty.errors.error_term import ErrorTerm
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.simulated_scan import received

Real = NDArray[np.float64]

#: Decibels of a small relative change of power.
_POWER_DB = 10 / math.log(10)
#: Times that sizes are brought down: the second is by little.
_ROUNDS = 3
#: Share of a wish below which an error is said not to count for a figure.
_NOTHING = 1e-9


@dataclass(frozen=True, slots=True)
class Wish:
    """Standard uncertainty that a figure shall have.

    Parameters
    ----------
    figure : Figure
        The figure.
    size : float
        In dB for powers and their ratios, in rad for angles.
    """

    figure: Figure
    size: float

    def __post_init__(self) -> None:
        if not 0 < self.size < math.inf:
            raise InputError(f"{self.figure.name}: {self.size:g} is wished, expected a number above 0")


@dataclass(frozen=True, slots=True)
class Tolerance:
    """How large an error may be.

    Parameters
    ----------
    alone : ErrorTerm or None
        The error at its largest, were it the only one; None where no size of it matters.
    shared : ErrorTerm or None
        The error at its largest, if all have equal shares in the variance.
    limit : Figure or None
        The figure that sets it.
    """

    alone: ErrorTerm | None
    shared: ErrorTerm | None
    limit: Figure | None


def planned_solution(
    antenna: Antenna, scan: Schedule, *, frequency: float, radius: float, degree: int
) -> Solution:
    """Solution of a planned scan of an antenna like the device, by the ideal field probe, without errors.

    Parameters
    ----------
    antenna : DipoleCluster
        The antenna.
    scan : Schedule
        Places of the readings, in the order of time.
    frequency, radius : float
        Frequency [Hz] and distance [m].
    degree : int
        Degree N.

    Returns
    -------
    Solution
        The solution.
    """
    count = scan.time.size
    # Beyond the pole a circle goes on with negative angles.
    theta = np.where(scan.theta > math.pi, scan.theta - 2 * math.pi, scan.theta)
    place = Samples(
        np.array([frequency]),
        theta,
        scan.phi,
        scan.chi,
        np.full(count, radius),
        np.ones(count, dtype=np.int16),
        np.zeros((1, count), dtype=complex),
    )
    probe = field_probe()
    return solve(received(antenna, place, probe), probe, degree=degree)


def tolerances(
    solution: Solution, terms: Sequence[ErrorTerm], wishes: Sequence[Wish]
) -> tuple[Tolerance, ...]:
    """Largest sizes of errors for the uncertainties wished, one tolerance a term.

    Parameters
    ----------
    solution : Solution
        Of a scan like the one that is planned; at several frequencies the most sensitive counts.
    terms : sequence of ErrorTerm
        Errors, at any small sizes: their ratios within a term stay.
    wishes : sequence of Wish
        What is wished.

    Returns
    -------
    tuple of Tolerance
        One for each term.

    Raises
    ------
    ValueError
        If there is no term or wish, or an error has no size.

    Notes
    -----
    An error that acts on a figure gets 1/sqrt(T) of its wish, T being the number of those that act on it, so
    that independent errors together stay within it. A shift that an error makes on average counts as
    uncertainty. What is of second order, such as the loss of the beam by random phase, is missing: `held`.
    """
    if not wishes:
        raise InputError("no uncertainty is wished", "name at least one")
    for term in terms:
        if not any(getattr(term, field) for field in term.sizes):
            raise InputError(f"{term.name} has no size to be changed", "give it one, or leave it out")
    found = linearised(solution, terms, [wish.figure for wish in wishes])
    size = np.hypot(found.uncertainty, found.bias)  # (T, F, K)
    unit = np.array([wish.figure.scale == "power" for wish in wishes])
    with np.errstate(divide="ignore", invalid="ignore"):
        told = np.where(unit, _POWER_DB * size / np.abs(found.nominal), size)
    part = np.nanmax(told, axis=1) / np.array([wish.size for wish in wishes])  # (T, K)
    acts = part > _NOTHING
    share = np.sqrt(np.maximum(acts.sum(axis=0), 1))
    return tuple(
        _tolerance(term, row, share * row, wishes)
        for term, row in zip(terms, np.where(acts, part, 0), strict=True)
    )


def checked_by_draws(
    found: Sequence[Tolerance],
    solution: Solution,
    wishes: Sequence[Wish],
    *,
    draws: int,
    rng: int | None = None,
    measure: Measure | None = None,
) -> tuple[Tolerance, ...]:
    """Tolerances that draws hold: sizes brought down until the figures err by no more than is wished.

    Parameters
    ----------
    found : sequence of Tolerance
        What `tolerances` gives, to first order.
    solution : Solution
        That from which they come.
    wishes : sequence of Wish
        What is wished.
    draws : int
        Draws of each set of errors, at least 10.
    rng : int, optional
        Seed.
    measure : callable, optional
        Simulates the samples, as for `monte_carlo`; without it errors are added to those of the solution.

    Returns
    -------
    tuple of Tolerance
        The same, with sizes as they were or smaller.

    Raises
    ------
    ValueError
        If there are fewer draws.
    """
    if draws < 10:
        raise InputError(f"draws is {draws}, expected at least 10")

    def factor(terms: list[ErrorTerm]) -> float:
        scale = 1.0
        for _ in range(_ROUNDS):
            made = monte_carlo(
                solution,
                [term.scaled(scale) for term in terms],
                [wish.figure for wish in wishes],
                draws=draws,
                rng=rng,
                jobs=1,
                measure=measure,
            )
            spread, shift = _over_wish(made, wishes)
            if np.hypot(spread, shift) <= 1 + 1 / math.sqrt(2 * (draws - 1)):
                break
            # At x times this size (spread x)^2 + (shift x^2)^2, which is to be 1.
            scale *= math.sqrt(2 / (spread**2 + math.sqrt(spread**4 + 4 * shift**2)))
        return scale

    together = [one.shared for one in found if one.shared is not None]
    shared = factor(together) if together else 1.0
    return tuple(
        one
        if one.alone is None or one.shared is None
        else Tolerance(one.alone.scaled(factor([one.alone])), one.shared.scaled(shared), one.limit)
        for one in found
    )


def _over_wish(draws: Draws, wishes: Sequence[Wish]) -> tuple[float, float]:
    """Spread and mean shift over the wish, of the figure and frequency where they are worst together."""
    power = np.array([wish.figure.scale == "power" for wish in wishes])
    with np.errstate(divide="ignore", invalid="ignore"):
        told = np.where(
            power, _POWER_DB * np.log(draws.values / draws.nominal), draws.values - draws.nominal
        )  # (D, F, K)
    told = told / np.array([wish.size for wish in wishes])
    spread, shift = np.nanstd(told, axis=0, ddof=1), np.abs(np.nanmean(told, axis=0))
    worst = np.nanargmax(np.hypot(spread, shift))
    return float(spread.flat[worst]), float(shift.flat[worst])


def _tolerance(term: ErrorTerm, alone: Real, shared: Real, wishes: Sequence[Wish]) -> Tolerance:
    """From parts of the wishes that an error at its given size takes, without and with shares, (K,)."""
    if not alone.any():
        return Tolerance(None, None, None)
    limit = wishes[int(np.argmax(shared))].figure
    return Tolerance(term.scaled(1 / float(alone.max())), term.scaled(1 / float(shared.max())), limit)
