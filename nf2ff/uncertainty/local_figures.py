"""Figures of merit about a known result: their value for modes near it, and their derivative.

The uncertainty of a figure asks for it again and again, for modes that differ little. So the few
directions that matter are found once: a patch of the sphere about the peak, and others about the
places where a cut has fallen by 3 dB or has its sidelobe. There the field is sampled for each set
of modes, and what lies between is taken from the polynomial through it. Where modes differ so much
that something leaves its patch, the peak is searched anew.
"""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna import fields
from nf2ff.antenna.modes import WAVE_IMPEDANCE, Modes
from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.sphere import direction_angles, unit_vectors
from nf2ff.messages.input_error import InputError
from nf2ff.metrics import patches
from nf2ff.metrics.beam import Peak, beamwidth, circles, peak, sidelobe_level
from nf2ff.metrics.cuts import LOBE_RISE, Circle, prominent_maxima
from nf2ff.metrics.level import intensity, require_absolute
from nf2ff.metrics.patches import PATCH_SIZE, STRIP_SIZE, Top
from nf2ff.metrics.planes import Plane, PlaneLike, checked_plane, plane_of, reference_angle
from nf2ff.uncertainty import far_points

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
Scale = Literal["power", "angle"]

#: Numbers of modes handled at once at most.
_TOGETHER = 4_000_000


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
        If the name or the plane is unknown, or a number not finite.

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
        if self.name not in _BUILD:
            raise InputError(f"figure is {self.name!r}, expected one of {', '.join(_BUILD)}")
        try:
            object.__setattr__(self, "plane", checked_plane(self.plane))
        except ValueError as error:
            raise InputError(f"{self.name}: {error}") from error
        for field in ("drop_db", "theta", "phi"):
            value = as_array(getattr(self, field), float, f"{self.name}: {field}", ndim=0)
            object.__setattr__(self, field, float(value))

    @property
    def scale(self) -> Scale:
        """Whether it is a power or ratio of powers, for dB, or an angle [rad]."""
        angles = ("beamwidth", "pointing-theta", "pointing-phi")
        return "angle" if self.name in angles else "power"

    @property
    def absolute(self) -> bool:
        """Whether it needs modes of known level."""
        return self.name in ("eirp", "trp", "eirp-towards")


class _Part(NamedTuple):
    """How a figure follows from the peak, intensities in directions of its own (A, 3) and on lines
    about the angles ``lines`` from the peak of a cut in ``plane``, and the radiated power."""

    own: Real
    plane: Plane | None
    lines: tuple[float, ...]
    of: Callable[[Top, Real, list[Real], Real], Real]
    #: The same of modes with a peak far off, on the cut there; where that has a meaning.
    again: Callable[[Modes, Peak], float] | None = None

    def tangents(self, direction: Real) -> Real:
        """Tangents of its cuts; whoever has lines has a plane."""
        assert self.plane is not None
        return self.plane.tangents(direction)


@dataclass(frozen=True, slots=True, eq=False)
class LocalFigures:
    """Figures at one frequency, prepared about known modes.

    Parameters
    ----------
    figures : tuple of Figure
        K figures.
    frequency : float
        Frequency [Hz].
    degree : int
        Degree N of the modes.
    frame : (3, 3) ndarray
        r^, theta^ and phi^ of the peak; of a beam at a pole, along phi = 0 and across it.
    location : (M, 2) ndarray
        theta and phi of the directions that are looked at [rad].
    parts : tuple of _Part
        How each figure follows from the intensities there.
    nominal : (K,) ndarray
        Values for the modes that they were prepared about.
    highest : float
        Intensity of those at their peak [W/sr].
    """

    figures: tuple[Figure, ...]
    frequency: float
    degree: int
    frame: Real
    location: Real
    parts: tuple[_Part, ...]
    nominal: Real
    highest: float

    def values(self, coefficients: Complex, *, threads: int = 1) -> Real:
        """The figures (..., K) of modes (..., J) of the same degree.

        NaN where a figure is found no more: the cut does not fall so far, the lobe is gone.
        """
        q = np.asarray(coefficients)
        flat = q.reshape(-1, q.shape[-1])
        step = max(1, _TOGETHER // q.shape[-1])
        result = np.empty((len(flat), len(self.parts)))
        for start in range(0, len(flat), step):
            some = flat[start : start + step]
            found = self._near(some, threads)
            for i in np.flatnonzero(np.isnan(found).any(axis=1)):
                found[i] = np.where(np.isnan(found[i]), self._anew(some[i]), found[i])
            result[start : start + step] = found
        return result.reshape(*q.shape[:-1], -1)

    def _near(self, q: Complex, threads: int) -> Real:
        """Figures (D, K) of modes (D, J); NaN where something leaves its patch."""
        u = np.stack([intensity(*self._field(one, threads)) for one in q])
        power = 0.5 * (q.real**2 + q.imag**2).sum(axis=-1)
        return self._of(patches.top_of_patch(u[:, :PATCH_SIZE], self.degree), u, power)

    def gradients(self, coefficients: Complex, *, threads: int = 1) -> Complex:
        """Derivatives gamma, (K, J), at modes (J,): figures change by Re sum conj(gamma) dQ."""
        q = np.asarray(coefficients)
        field = self._field(q, threads)
        u = intensity(*field)
        power = np.asarray([0.5 * np.vdot(q, q).real])
        by_u, by_power = self._slopes(u, power)
        # dU = Re sum conj(E) K dQ / Z0, dP = Re sum conj(Q) dQ.
        return np.stack(
            [
                self._far_adjoint(field * slope / WAVE_IMPEDANCE, threads) + other * q
                for slope, other in zip(by_u, by_power, strict=True)
            ]
        )

    def _field(self, q: Complex, threads: int) -> Complex:
        """Far field (2, M) of modes (J,)."""
        return far_points.field(q, self.location, degree=self.degree, threads=threads)

    def _far_adjoint(self, field: Complex, threads: int) -> Complex:
        """Adjoint of `_field`: modes (J,) of a field (2, M)."""
        return far_points.adjoint(field, self.location, degree=self.degree, threads=threads)

    def _of(self, top: Top, u: Real, power: Real) -> Real:
        """Figures (D, K) by the intensities (D, M)."""
        pairs = zip(self.parts, self._nearby(), strict=True)
        return np.stack([self._part(part, top, u[:, own], power) for part, own in pairs], axis=-1)

    def _nearby(self) -> list[slice]:
        """Which directions each part has for itself."""
        sizes = [len(part.own) + STRIP_SIZE * len(part.lines) for part in self.parts]
        ends = PATCH_SIZE + np.cumsum([0, *sizes])
        return [slice(*pair) for pair in itertools.pairwise(ends.tolist())]

    def _part(self, part: _Part, top: Top, nearby: Real, power: Real) -> Real:
        """Figure (D,) by the intensities (D, M') in its own directions."""
        count = len(part.own)
        strips = nearby[:, count:].reshape(len(nearby), -1, STRIP_SIZE)
        lines = [
            patches.on_line(strips[:, i], self.frame, part.tangents, angle, top, self.degree)
            for i, angle in enumerate(part.lines)
        ]
        return part.of(top, nearby[:, :count], lines, power)

    def _anew(self, q: Complex) -> Real:
        """Figures (K,) of modes whose peak is searched on the whole sphere."""
        one = Modes(np.array([self.frequency]), q[None])
        found = peak(one)
        power = one.radiated_power()
        towards, _, _ = unit_vectors(found.theta, found.phi)
        side = self.frame[1:] @ towards[0]
        ahead, aside = float(self.frame[0] @ towards[0]), float(np.hypot(*side))
        shift = side * (math.atan2(aside, ahead) / aside if aside > 0 else 1.0)
        level = found.directivity * power / (4 * np.pi)
        top = Top(level, shift[:1], shift[1:], np.ones((1, 2), dtype=bool))

        def look(direction: Real) -> Real:
            theta, phi = direction_angles(direction)
            return intensity(*fields.far_field_points(one, theta=theta, phi=phi, threads=1))

        columns = []
        for part in self.parts:
            tangents = part.tangents
            lines = [
                look(patches.line_directions(self.frame, tangents, x, top, self.degree)[0])
                for x in part.lines
            ]
            own = look(part.own) if len(part.own) else np.zeros((1, 0))
            value = float(part.of(top, own, lines, power)[0])
            if math.isnan(value) and part.again is not None:
                value = part.again(one, found)
            columns.append(value)
        return np.array(columns)

    def _slopes(self, u: Real, power: Real) -> tuple[Real, Real]:
        """Derivatives (K, M) by the intensities (M,), and (K,) by the radiated power (1,)."""
        top = patches.top_of_patch(u[None, :PATCH_SIZE], self.degree)
        by_patch = patches.slope_of_top(u[:PATCH_SIZE], top, self.degree)
        # A bump at one node only bends the polynomial far more than it lifts it: small steps.
        bump, turn = 1e-8 * float(u.max()), np.asarray(1e-4 / self.degree)
        by_u, by_power = np.zeros((len(self.parts), u.size)), np.zeros(len(self.parts))
        for k, (part, own) in enumerate(zip(self.parts, self._nearby(), strict=True)):
            near = u[None, own]

            of = functools.partial(self._part, part)

            if near.size:
                bumps = bump * np.eye(near.size)
                rise = of(top, near + bumps, power) - of(top, near - bumps, power)
                by_u[k, own] = rise / (2 * bump)
            steps = {"value": 1e-6 * top.value, "x": turn, "y": turn}
            for (name, step), row in zip(steps.items(), by_patch, strict=True):
                here = getattr(top, name)
                up, down = (top._replace(**{name: x}) for x in (here + step, here - step))
                rise = of(up, near, power) - of(down, near, power)
                by_u[k, :PATCH_SIZE] += rise / (2 * step) * row
            step = 1e-5 * power
            rise = of(top, near, power + step) - of(top, near, power - step)
            by_power[k] = (rise / (2 * step))[0]
        return by_u, by_power


def localise(figures: Sequence[Figure], modes: Modes) -> list[LocalFigures]:
    """Prepare figures about ``modes``, for each of their frequencies.

    Parameters
    ----------
    figures : sequence of Figure
        What is wanted.
    modes : Modes
        The known result.

    Returns
    -------
    list of LocalFigures
        One for each frequency.

    Raises
    ------
    ValueError
        If a figure needs a known level and the modes are relative, or has no value (a cut that
        does not fall so far, no sidelobe, the direction of a ridge).
    """
    if not figures:
        raise InputError("no figure is asked for", "name at least one")
    for figure in figures:
        if figure.absolute:
            require_absolute(modes.reference, figure.name)
    tops = peak(modes)
    result = []
    for f, one in enumerate(modes.each()):
        part = slice(f, f + 1)
        top = Peak(tops.theta[part], tops.phi[part], tops.directivity[part], None)
        result.append(_localise(tuple(figures), one, top))
    return result


def _localise(figures: tuple[Figure, ...], one: Modes, top: Peak) -> LocalFigures:
    towards, along, across = unit_vectors(top.theta[0], top.phi[0])
    turn = reference_angle(one, theta=float(top.theta[0]), phi=float(top.phi[0]))
    along, across = (
        math.cos(turn) * along + math.sin(turn) * across,
        math.cos(turn) * across - math.sin(turn) * along,
    )
    frame = np.stack([towards, along, across])
    parts = tuple(_BUILD[figure.name](figure, one, top) for figure in figures)
    directions = [patches.patch_directions(frame, one.degree)]
    for part in parts:
        directions.append(part.own)
        directions += [
            patches.strip_directions(frame, part.tangents, angle, one.degree) for angle in part.lines
        ]
    location = np.stack(direction_angles(np.concatenate(directions)), axis=1)
    location[location[:, 1] >= 2 * np.pi, 1] = 0.0
    q, frequency = one.coefficients[0], float(one.frequency[0])
    highest = float(top.directivity[0] * one.radiated_power()[0] / (4 * np.pi))
    about = functools.partial(
        LocalFigures, figures, frequency, one.degree, frame, location, parts, highest=highest
    )
    nominal = about(nominal=np.empty(0))._near(q[None], 1)[0]
    lost = np.flatnonzero(~np.isfinite(nominal))
    if lost.size:
        name = figures[lost[0]].name
        why = " (the beam is a ridge)" if name.startswith("pointing") else ""
        raise InputError(f"{name} has no value at {frequency / 1e9:.9g} GHz{why}", "leave it out")
    return about(nominal=nominal)


# --- figures -------------------------------------------------------------------------------------

#: No directions of its own.
_NONE = np.zeros((0, 3))


def _plane(one: Modes, wish: PlaneLike, top: Peak) -> Plane:
    return plane_of(one, wish, theta=float(top.theta[0]), phi=float(top.phi[0]))


def _peak_directivity(_: Figure, _one: Modes, _top: Peak) -> _Part:
    return _Part(_NONE, None, (), lambda top, _own, _lines, power: 4 * np.pi * top.value / power)


def _peak_eirp(_: Figure, _one: Modes, _top: Peak) -> _Part:
    return _Part(_NONE, None, (), lambda top, _own, _lines, _power: 4 * np.pi * top.value)


def _pointing(figure: Figure, _one: Modes, _: Peak) -> _Part:
    axis = 0 if figure.name == "pointing-theta" else 1

    def of(top: Top, _own: Real, _lines: list[Real], _power: Real) -> Real:
        return np.where(top.sure[:, axis], (top.x, top.y)[axis], np.nan)

    return _Part(_NONE, None, (), of)


def _trp(_: Figure, _one: Modes, _top: Peak) -> _Part:
    return _Part(_NONE, None, (), lambda _top, _own, _lines, power: power)


def _towards(figure: Figure, _one: Modes, _: Peak) -> _Part:
    direction = unit_vectors(np.array([figure.theta]), np.array([figure.phi]))[0]
    if figure.name == "eirp-towards":
        return _Part(direction, None, (), lambda _top, own, _lines, _power: 4 * np.pi * own[:, 0])
    return _Part(direction, None, (), lambda _top, own, _lines, power: 4 * np.pi * own[:, 0] / power)


def _beamwidth(figure: Figure, one: Modes, top: Peak) -> _Part:
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

    return _Part(_NONE, plane, (right - width, right), of, again)


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


def _sidelobe(figure: Figure, one: Modes, top: Peak) -> _Part:
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

    return _Part(_NONE, plane, (angle,), of, again)


_BUILD: dict[str, Callable[[Figure, Modes, Peak], _Part]] = {
    "directivity": _peak_directivity,
    "eirp": _peak_eirp,
    "trp": _trp,
    "beamwidth": _beamwidth,
    "pointing-theta": _pointing,
    "pointing-phi": _pointing,
    "sidelobe-level": _sidelobe,
    "directivity-towards": _towards,
    "eirp-towards": _towards,
}
