"""Limits that a quiet zone is held against: the user's own."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

from nf2ff.messages.input_error import InputError
from nf2ff.ranges.quiet_zone import ZoneFigures


@dataclass(frozen=True, slots=True)
class ZoneLimits:
    """Largest values that are accepted; what is None is not judged.

    Parameters
    ----------
    amplitude_taper_db : float, optional
        Of the fit of degree 2 [dB].
    amplitude_ripple_db : float, optional
        Half of largest minus smallest of what that leaves: the figure after +- [dB].
    amplitude_total_db : float, optional
        Largest minus smallest of all readings [dB].
    phase_total_deg, phase_taper_deg, phase_ripple_deg : float, optional
        The same of the phase, once the tilt is taken out [deg].
    tilt_deg : float, optional
        Angle between mean and nominal direction of travel [deg].
    cross_db : float, optional
        Largest cross-polar level [dB].

    Raises
    ------
    ValueError
        If a limit is not finite, or one other than ``cross_db`` is not positive.
    """

    amplitude_taper_db: float | None = None
    amplitude_ripple_db: float | None = None
    amplitude_total_db: float | None = None
    phase_total_deg: float | None = None
    phase_taper_deg: float | None = None
    phase_ripple_deg: float | None = None
    tilt_deg: float | None = None
    cross_db: float | None = None

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if value is not None and not (math.isfinite(value) and (value > 0 or field.name == "cross_db")):
                raise InputError(f"limit {field.name} is {value:g}, expected a number above 0")


#: Common practice, no source: 1 dB of taper, +-0.5 dB of ripple, 10 deg of phase.
COMMON_PRACTICE = ZoneLimits(amplitude_taper_db=1.0, amplitude_ripple_db=0.5, phase_total_deg=10.0)


@dataclass(frozen=True, slots=True)
class Verdict:
    """One figure and its limit.

    Parameters
    ----------
    name : str
        Name of the figure, as in `ZoneLimits`.
    value : float or None
        Its value, None where the readings do not give it.
    limit : float
        Largest value allowed, in the unit that the name ends in.
    """

    name: str
    value: float | None
    limit: float

    @property
    def passed(self) -> bool | None:
        """Whether it is within the limit, None where it is not known."""
        return None if self.value is None else self.value <= self.limit


def judged_figures(figures: ZoneFigures) -> dict[str, float | None]:
    """The figures that limits may name, None where the readings do not give them."""
    amplitude, phase = figures.amplitude_db, figures.phase
    angles = (
        {"total": None, "taper": None, "ripple": None}
        if phase is None
        else {
            "total": phase.total,
            "taper": phase.taper,
            "ripple": phase.ripple,
        }
    )
    return {
        "amplitude_taper_db": amplitude.taper,
        "amplitude_ripple_db": amplitude.ripple,
        "amplitude_total_db": amplitude.total,
        **{f"phase_{x}_deg": None if a is None else math.degrees(a) for x, a in angles.items()},
        "tilt_deg": None if figures.tilt_angle is None else math.degrees(figures.tilt_angle),
        "cross_db": figures.cross_db,
    }


def judge(figures: ZoneFigures, limits: ZoneLimits) -> tuple[Verdict, ...]:
    """Hold the figures of a zone against limits.

    Parameters
    ----------
    figures : ZoneFigures
        Of `quiet_zone.evaluate`.
    limits : ZoneLimits
        The limits.

    Returns
    -------
    tuple of Verdict
        One for each limit that is set.
    """
    values = judged_figures(figures)
    asked = {field.name: getattr(limits, field.name) for field in fields(limits)}
    return tuple(Verdict(name, values[name], limit) for name, limit in asked.items() if limit is not None)
