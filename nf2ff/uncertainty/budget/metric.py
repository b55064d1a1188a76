"""Metrics that an uncertainty budget is made for, their units, and decibels.

Metrics that are levels (directivity, EIRP, TRP, a sidelobe, the pattern) carry relative amplitude
in here, the error of the field over the field: it is what errors of the near field add up in, as
the far field is linear in the responses. To first order 1 dB is ln(10)/20 of it, and a relative
error of power is twice that of amplitude. Only at the end does `interval_db` return to decibels.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal, NamedTuple

from nf2ff.kernel.words import nearest
from nf2ff.messages.input_error import InputError

IntervalScale = Literal["amplitude", "power", "logarithm"]
SCALES: tuple[IntervalScale, ...] = ("amplitude", "power", "logarithm")

#: Relative amplitude of one decibel, to first order.
DECIBEL = math.log(10) / 20


class ShownUnit(NamedTuple):
    """Unit in reports, and the number of these in one of the library's."""

    name: str
    factor: float


#: Units of the library that reports show in another.
SHOWN_UNITS: Mapping[str, ShownUnit] = MappingProxyType(
    {
        "amplitude": ShownUnit("dB", 1 / DECIBEL),
        "rad": ShownUnit("deg", 180 / math.pi),
        "m": ShownUnit("mm", 1e3),
    }
)


def shown_unit(unit: str) -> ShownUnit:
    """A unit of the library in reports: any but `SHOWN_UNITS` is shown as it is."""
    return SHOWN_UNITS.get(unit, ShownUnit(unit, 1.0))


@dataclass(frozen=True, slots=True, eq=False)
class Metric:
    """A result that a budget is made for.

    Parameters
    ----------
    name : str
        Lower-case letters, digits and underscores, for files.
    unit : str
        "amplitude" (a level, as relative amplitude), "rad", "m" or any other.
    label : str
        For reports; the name if empty.

    Raises
    ------
    ValueError
        If the name does not fit in a file.
    """

    name: str
    unit: str = "amplitude"
    label: str = ""

    def __post_init__(self) -> None:
        ok = self.name.isascii() and self.name.replace("_", "a").isalnum()
        if not (ok and self.name[0].isalpha() and self.name.islower() and len(self.name) <= 40):
            raise InputError(
                f"the metric is named {self.name[:40]!r}, expected 1 to 40 lower-case letters, "
                "digits and underscores, a letter first"
            )
        object.__setattr__(self, "label", self.label or self.name.replace("_", " "))
        check_text(self.label)

    @property
    def is_level(self) -> bool:
        """Whether it is shown in decibels."""
        return self.unit == "amplitude"

    @property
    def shown(self) -> ShownUnit:
        """Its unit in reports."""
        return shown_unit(self.unit)


def check_text(text: str) -> None:
    """Raise unless ``text`` can stand in one line of a report."""
    if not (text.strip() and len(text) <= 80 and text.isprintable()):
        raise InputError(
            f"the name {text[:80]!r} is not fit for a report", "give 1 to 80 printable characters"
        )


def check_confidence(confidence: float) -> None:
    """Raise unless it is a level of confidence."""
    if not 0.5 <= confidence < 1:
        raise InputError(f"the level of confidence is {confidence}, expected at least 0.5 and below 1: 0.95?")


def check_scale(scale: str) -> None:
    """Raise unless it is one of `SCALES`."""
    if scale not in SCALES:
        raise InputError(f"scale is {scale!r}, expected one of {', '.join(SCALES)}" + nearest(scale, SCALES))


def finite_values(values: Mapping[str, float], what: str, whose: str) -> Mapping[str, float]:
    """A read-only copy of values by metric, all finite; ``what`` and ``whose`` are for the message."""
    result = {str(key): float(x) for key, x in values.items()}
    for key, x in result.items():
        if not math.isfinite(x):
            raise InputError(f"the {what} of {key} {whose} is {x}, expected finite")
    return MappingProxyType(result)


def interval_db(relative: float, *, scale: IntervalScale = "amplitude") -> tuple[float, float]:
    """Decibels up and down, both positive, that a relative error of amplitude may make.

    Parameters
    ----------
    relative : float
        Half-width u of the error, as relative amplitude.
    scale : {"amplitude", "power", "logarithm"}
        In what the half-width is the same on both sides: in amplitude, as for signals that add to
        the field; in power, 2u, as for powers that add; or in decibels, as for factors.

    Returns
    -------
    plus, minus : float
        20 log10(1 + u) and -20 log10(1 - u); 10 log10(1 + 2u) and -10 log10(1 - 2u); or u over
        ln(10)/20 on both sides, all alike to first order [dB]. ``minus`` is infinite where the error
        may cancel the signal.

    Raises
    ------
    ValueError
        If ``relative`` is negative or the scale unknown.

    Examples
    --------
    >>> plus, minus = interval_db(10 ** (-20 / 20))  # an error signal 20 dB down
    >>> f"+{plus:z.3f}/-{minus:z.3f} dB"
    '+0.828/-0.915 dB'
    """
    check_scale(scale)
    if not relative >= 0:
        raise InputError(f"the relative amplitude is {relative}, expected not negative", "give its magnitude")
    if scale == "logarithm":
        return relative / DECIBEL, relative / DECIBEL
    factor, error = (20, relative) if scale == "amplitude" else (10, 2 * relative)
    nepers = factor / math.log(10)
    return nepers * math.log1p(error), -nepers * math.log1p(-error) if error < 1 else math.inf


#: The customary ones of an antenna. Copy one with another name for a second direction.
METRICS: Mapping[str, Metric] = MappingProxyType(
    {
        metric.name: metric
        for metric in (
            Metric("directivity", label="peak directivity"),
            Metric("gain", label="peak gain"),
            Metric("eirp", label="peak EIRP"),
            Metric("trp", label="TRP"),
            Metric("beamwidth", "rad"),
            Metric("pointing", "rad"),
            Metric("sidelobe_level"),
            Metric("pattern", label="pattern at a direction"),
        )
    }
)
