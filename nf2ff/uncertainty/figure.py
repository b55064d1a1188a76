"""Figures of merit by name, and how each follows from the peak and from intensities near it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes
from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.sphere import unit_vectors
from nf2ff.messages.input_error import InputError, found_in
from nf2ff.metrics import patches
from nf2ff.metrics.beam import Peak, beamwidth, circles, sidelobe_level
from nf2ff.metrics.cuts import LOBE_RISE, Circle, prominent_maxima
from nf2ff.metrics.patches import Top
from nf2ff.metrics.planes import Plane, PlaneLike, checked_plane, plane_of

Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure of merit by name.

    Parameters
    ----------
    name : {"directivity", "eirp", "trp", "beamwidth", "pointing-theta", "pointing-phi", \
"sidelobe-level", "directivity-towards", "eirp-towards"}
        What it is. Peak directivity; EIRP at the peak; total radiated power; beamwidth in a cut
        through the peak; direction of the peak along theta^ and along phi^ of the nominal one, or
        where that is at a pole along phi = 0 and across it; highest sidelobe in a cut through the
        peak, over the peak; directivity and EIRP in a direction.
    plane : float, str or Plane
        For beamwidth and sidelobe level, the plane of the cut, as `metrics.planes.plane_of` has it.
    drop_db : float
        For beamwidth [dB].
    theta, phi : float
        Direction, for the last two [rad].

    Raises
    ------
    ValueError
        If the name or the plane is unknown, or a number is not finite.

    Notes
    -----
    Where the modes change, the peak is the maximum that the nominal one moves to, and cuts move
    with it: through the moved peak, in the plane that was found for the nominal modes, which is
    fixed in the antenna's frame (`metrics.planes.Plane`). The sidelobe is the lobe that was the
    highest, as far as half way to where the next one was: not another one that outgrows it.

    A peak is the highest of what noise leaves there: strong noise of finer grain than the beam
    lifts it, in a scan and once more in each draw, and derivatives show none of this. The figures
    in a direction are lifted by what errors add to the power there, which is most of it in a null;
    `towards` has their field, from whose errors `level_interval` states them.
    """

    name: str
    plane: PlaneLike = 0.0
    drop_db: float = 10 * math.log10(2)
    theta: float = 0.0
    phi: float = 0.0

    def __post_init__(self) -> None:
        if self.name not in RECIPES:
            raise InputError(f"figure is {self.name!r}, expected one of {', '.join(RECIPES)}")
        with found_in(self.name):
            object.__setattr__(self, "plane", checked_plane(self.plane))
        for field in ("drop_db", "theta", "phi"):
            value = as_array(getattr(self, field), float, f"{self.name}: {field}", ndim=0)
            object.__setattr__(self, field, float(value))

    @property
    def scale(self) -> Literal["power", "angle"]:
        """Whether it is a power or ratio of powers, for dB, or an angle [rad]."""
        angles = ("beamwidth", "pointing-theta", "pointing-phi")
        return "angle" if self.name in angles else "power"

    @property
    def absolute(self) -> bool:
        """Whether it needs modes of known level."""
        return self.name in ("eirp", "trp", "eirp-towards")


class Recipe(NamedTuple):
    """How a figure follows from the peak, intensities in directions of its own (A, 3) and on lines
    about the angles ``lines`` from the peak of a cut in ``plane``, and the radiated power."""

    of: Callable[[Top, Real, list[Real], Real], Real]
    own: Real = np.zeros((0, 3))
    plane: Plane | None = None
    lines: tuple[float, ...] = ()
    #: The same of modes with a peak far off, on the cut there; where that has a meaning.
    again: Callable[[Modes, Peak], float] | None = None

    def tangents(self, direction: Real) -> Real:
        """Tangents of its cuts; whoever has lines has a plane."""
        assert self.plane is not None
        return self.plane.tangents(direction)


def _plane(one: Modes, wish: PlaneLike, top: Peak) -> Plane:
    return plane_of(one, wish, theta=float(top.theta[0]), phi=float(top.phi[0]))


def _at_peak(figure: Figure, _one: Modes, _top: Peak) -> Recipe:
    if figure.absolute:
        return Recipe(lambda top, _own, _lines, _power: 4 * np.pi * top.value)
    return Recipe(lambda top, _own, _lines, power: 4 * np.pi * top.value / power)


def _pointing(figure: Figure, _one: Modes, _: Peak) -> Recipe:
    axis = 0 if figure.name == "pointing-theta" else 1

    def of(top: Top, _own: Real, _lines: list[Real], _power: Real) -> Real:
        return np.where(top.sure[:, axis], (top.x, top.y)[axis], np.nan)

    return Recipe(of)


def _trp(_: Figure, _one: Modes, _top: Peak) -> Recipe:
    return Recipe(lambda _top, _own, _lines, power: power)


def _towards(figure: Figure, _one: Modes, _: Peak) -> Recipe:
    direction = unit_vectors(np.array([figure.theta]), np.array([figure.phi]))[0]
    if figure.absolute:
        return Recipe(lambda _top, own, _lines, _power: 4 * np.pi * own[:, 0], direction)
    return Recipe(lambda _top, own, _lines, power: 4 * np.pi * own[:, 0] / power, direction)


def _beamwidth(figure: Figure, one: Modes, top: Peak) -> Recipe:
    plane = _plane(one, figure.plane, top)
    width = float(beamwidth(one, drop_db=figure.drop_db, plane=plane, at=top)[0])
    if not math.isfinite(width):
        raise InputError(
            f"the cut does not fall by {figure.drop_db:.3g} dB at {one.frequency[0] / 1e9:.9g} GHz",
            "leave its beamwidth out, or take a smaller drop",
        )
    fraction = 10 ** (-figure.drop_db / 10)
    (circle,) = circles(one, plane, top)
    right = _first_fall(circle, fraction)

    def of(peak: Top, _own: Real, lines: list[Real], _power: Real) -> Real:
        level = fraction * peak.value
        low, high = (patches.crossing(line, level, one.degree) for line in lines)
        return width + high - low

    def again(other: Modes, at: Peak) -> float:
        return float(beamwidth(other, drop_db=figure.drop_db, plane=plane, at=at)[0])

    return Recipe(of, plane=plane, lines=(right - width, right), again=again)


def _first_fall(circle: Circle, fraction: float) -> float:
    """First angle from the peak at which the cut has fallen to a fraction of it [rad]."""
    u, step = circle.grid(), 2 * np.pi / circle.fine
    level = fraction * float(circle.intensity(0.0)[0])
    # A null between two angles may be the first to fall so far.
    lowest = np.flatnonzero((u <= np.roll(u, 1)) & (u <= np.roll(u, -1)))
    nulls = circle.extremum(lowest * step, -1)
    angle = np.concatenate([step * np.arange(circle.fine), nulls])
    order = np.argsort(angle)
    angle, value = angle[order], np.concatenate([u, circle.intensity(nulls)[0]])[order]
    first = int(np.argmax(value < level))
    low, high = angle[first - 1], angle[first]
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if circle.intensity(middle)[0] < level else (middle, high)
    return float(low)


def _sidelobe(figure: Figure, one: Modes, top: Peak) -> Recipe:
    plane = _plane(one, figure.plane, top)
    found = sidelobe_level(one, plane=plane, at=top)
    angle = float(found.highest_angle[0])
    if not math.isfinite(angle):
        raise InputError(f"no sidelobe in the cut at {one.frequency[0] / 1e9:.9g} GHz", "leave it out")

    def of(peak: Top, _own: Real, lines: list[Real], _power: Real) -> Real:
        return patches.top_of_line(lines[0]) / peak.value

    def lobes(other: Modes, at: Peak) -> tuple[Real, Real]:
        """Level of the lobes of a cut over that of the peak, and how far from ``angle``."""
        (circle,) = circles(other, plane, at)
        found = prominent_maxima(circle.level_db(), LOBE_RISE) * (2 * np.pi / circle.fine)
        where = circle.extremum(found, 1)
        away = np.abs(np.remainder(where - angle + np.pi, 2 * np.pi) - np.pi)
        return circle.intensity(where)[0] / circle.intensity(0.0)[0], away

    # It may move half way to the next lobe or to the beam: farther off is another one.
    distance = np.sort(lobes(one, top)[1])
    reach = 0.5 * min([abs(angle), *distance[1:2]])

    def again(other: Modes, at: Peak) -> float:
        level, away = lobes(other, at)
        nearest = int(np.argmin(away)) if away.size else 0
        return float(level[nearest]) if away.size and away[nearest] <= reach else math.nan

    return Recipe(of, plane=plane, lines=(angle,), again=again)


#: What makes each figure, by its name, about known modes of one frequency and their peak.
RECIPES: dict[str, Callable[[Figure, Modes, Peak], Recipe]] = {
    "directivity": _at_peak,
    "eirp": _at_peak,
    "trp": _trp,
    "beamwidth": _beamwidth,
    "pointing-theta": _pointing,
    "pointing-phi": _pointing,
    "sidelobe-level": _sidelobe,
    "directivity-towards": _towards,
    "eirp-towards": _towards,
}
