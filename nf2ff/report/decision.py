"""Statements of conformity: a figure against a limit, with a guard band.

ISO/IEC 17025:2017, 7.8.6, asks for the rule by which conformity is stated; guard bands are as in
JCGM 106:2012 (both from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

Verdict = Literal["conforms", "does not conform", "undecided", "not decided"]


@dataclass(frozen=True, slots=True)
class Decision:
    """What is stated of a figure against a limit.

    Parameters
    ----------
    verdict : {"conforms", "does not conform", "undecided", "not decided"}
        "undecided" where the figure is less than the guard band off the limit, on either side; "not decided"
        where figure or guard band is not known.
    acceptance : float or None
        The limit less, or at a lower limit plus, the guard band: up to there a figure conforms.
    """

    verdict: Verdict
    acceptance: float | None


def decide(value: float | None, limit: float, *, upper: bool, guard: float | None) -> Decision:
    """Whether a figure conforms to a limit.

    Parameters
    ----------
    value : float or None
        The figure, maybe infinite; None if it is not known.
    limit : float
        The limit, in the same unit.
    upper : bool
        Whether the figure may be at most the limit; else it is to be at least that.
    guard : float or None
        Width of the guard band, not negative; None if it is not known, as the uncertainty is not supplied.

    Returns
    -------
    Decision
        The figure conforms where it keeps the guard band off the limit, and does not conform where it exceeds
        the limit by more than the guard band.
    """
    sign = 1.0 if upper else -1.0
    known = guard is not None and math.isfinite(guard)
    acceptance = limit - sign * guard if guard is not None and known else None
    if value is None or math.isnan(value) or guard is None or not known:
        return Decision("not decided", acceptance)
    beyond = sign * (value - limit)
    if beyond <= -guard:
        return Decision("conforms", acceptance)
    return Decision("does not conform" if beyond > guard else "undecided", acceptance)
