"""Pictures of one or several patterns: cuts through the peak, maps, balloon, distribution.

Each takes patterns by name, one frequency each, and returns the first axes of its figure.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.far_field import FarField, far_field, trusted_around
from nf2ff.antenna.fields import far_field_points
from nf2ff.antenna.modes import Modes
from nf2ff.kernel.sphere import direction_angles
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.beam import Peak, cut_planes, peak
from nf2ff.metrics.beam_set import BeamSet, distribution, envelope
from nf2ff.metrics.cuts import cut_through, directions_along
from nf2ff.metrics.gain_and_power import intensity
from nf2ff.metrics.planes import Plane, PlaneLike, beside
from nf2ff.report import picture
from nf2ff.report.result import at_pole, shown_azimuth

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
#: Of several patterns, told apart in print and by any colour vision.
FILE_COLOURS = ("#14202b", "#b8283e", "#4f93d2", "#7a5195", "#2e8b57", "#d08a1e")
#: Depth of maps and balloon below the peak [dB].
MAP_DEPTH = 40.0
#: Values of a map along theta.
_ROWS = 361


class _Cut(NamedTuple):
    """Directivity along a great circle through a peak, co- and cross-polar [dBi], and where it was seen."""

    angle: Real
    co: Real
    cross: Real
    name: str
    seen: NDArray[np.bool_]

    def drawn(self, ax: Any, angle: Real, level: Real, **look: Any) -> None:
        """Draw a line, faint and dotted where the near field was not seen."""
        ax.plot(angle, np.where(self.seen, level, np.nan), **look)
        if not self.seen.all():
            faint = look | {"linestyle": (0, (1, 2)), "linewidth": 0.9, "alpha": 0.6, "label": None}
            ax.plot(angle, np.where(self.seen, np.nan, level), **faint)


def _checked(patterns: Mapping[str, Modes]) -> None:
    if not patterns:
        raise InputError("there is no pattern to draw", "give one or more")
    if len(patterns) > len(FILE_COLOURS):
        raise InputError(
            f"{len(patterns)} patterns cannot be told apart in one picture",
            f"give up to {len(FILE_COLOURS)}",
        )
    for name, modes in patterns.items():
        if modes.frequency.size != 1:
            raise InputError(f"{name} has {modes.frequency.size} frequencies", "choose one")


def _cut(one: Modes, top: Peak, plane: Plane, seen: FarField | None) -> _Cut:
    """The polarisation of the field at the peak is co-polar, all along the circle."""
    theta, phi = float(top.theta[0]), float(top.phi[0])
    angle = np.linspace(-np.pi, np.pi, max(721, 20 * one.degree + 1))
    turn = plane.angle_at(theta, phi)
    field = np.stack(cut_through(one, theta=theta, phi=phi, plane=turn, angle=angle))[:, 0]
    at_peak = np.stack(cut_through(one, theta=theta, phi=phi, plane=turn, angle=[0.0]))[:, 0, 0]
    co = at_peak / np.linalg.norm(at_peak)
    both = np.stack([co.conj() @ field, np.array([-co[1], co[0]]) @ field])
    none = np.zeros_like(both[0])
    level = picture.decibels(
        4 * np.pi * np.stack([intensity(x, none) for x in both]) / one.radiated_power()[0]
    )
    along = directions_along(theta=theta, phi=phi, plane=turn, angle=angle)
    return _Cut(angle, level[0], level[1], plane.name, trusted_around(seen, *along))


def _planes(one: Modes, top: Peak, plane: PlaneLike) -> tuple[Plane, Plane]:
    first = cut_planes(one, plane, top)[0]
    other = beside(plane)
    return first, first.across if other is None else cut_planes(one, other, top)[0]


def peak_cuts(
    patterns: Mapping[str, Modes],
    *,
    plane: PlaneLike = 0.0,
    reach: float = np.pi,
    seen: Mapping[str, FarField] = MappingProxyType({}),
) -> Axes:
    """Directivity in two planes through the peak of each pattern, co- and cross-polar.

    Parameters
    ----------
    patterns : mapping of str to Modes
        By name, one frequency each.
    plane : float, str or Plane
        Plane of the upper panel, as `metrics.planes.plane_of` has it; the lower is across it.
    reach : float
        Largest angle from the peak [rad].
    seen : mapping of str to FarField
        By name, far fields of one frequency that mark directions whose near field was not seen; lines are
        dotted there.

    Returns
    -------
    Axes
        The upper panel.

    Raises
    ------
    ValueError
        If there is no pattern, too many, or one has several frequencies.
    """
    _checked(patterns)
    figure = picture.new_figure((8.0, 7.6))
    panels: Sequence[Any] = figure.subplots(2, 1, sharex=True)
    tops = {name: peak(one) for name, one in patterns.items()}
    highest = max(10 * np.log10(float(top.directivity[0])) for top in tops.values())
    floor, ceiling = picture.level_ends(highest)
    for i, ax in enumerate(panels):
        names = []
        for colour, (name, one) in zip(FILE_COLOURS, patterns.items(), strict=False):
            found = _cut(one, tops[name], _planes(one, tops[name], plane)[i], seen.get(name))
            names.append(found.name)
            label = f"{name}, " if len(patterns) > 1 else ""
            angle = np.degrees(found.angle)
            main = {"color": colour, "linewidth": 2.0, "zorder": 4, "label": f"{label}co-polar"}
            found.drawn(ax, angle, found.co, **main)
            look = {"linewidth": 1.0, "linestyle": (0, (5, 1.8)), "zorder": 3}
            cross = FILE_COLOURS[1] if len(patterns) == 1 else colour
            found.drawn(ax, angle, found.cross, color=cross, label=f"{label}cross-polar", **look)
        shown = " and ".join(dict.fromkeys(names))
        ax.set_xlim(-np.degrees(reach), np.degrees(reach))
        ax.set_xticks(_ticks(np.degrees(reach)))
        picture.set_levels(ax, floor, ceiling)
        ax.set_ylabel("directivity [dBi]")
        ax.text(0.01, 0.97, shown, transform=ax.transAxes, va="top", fontsize=10, color=picture.TEXT_COLOUR)
        picture.style_axes(ax)
    picture.finish(panels[1], "", ("angle from the peak [deg]", "directivity [dBi]"), columns=2)
    note = "\ndotted: hangs on what was not measured" if any(_hides(x) for x in seen.values()) else ""
    panels[0].set_title(_title(patterns, tops) + note, fontsize=11, color=picture.TEXT_COLOUR)
    return panels[0]


def _hides(seen: FarField | None) -> bool:
    return seen is not None and seen.trusted is not None and not seen.trusted.all()


def peak_polar(one: Modes, *, name: str = "", plane: PlaneLike = 0.0, seen: FarField | None = None) -> Axes:
    """Polar diagram of two planes through the peak, which is at the top; rings in dBi.

    Parameters
    ----------
    one : Modes
        One frequency.
    name : str
        Put into the title.
    plane : float, str or Plane
        The first plane, as in `peak_cuts`; the second is across it.
    seen : FarField, optional
        As in `peak_cuts`.

    Returns
    -------
    Axes
        Polar axes.

    Raises
    ------
    ValueError
        If there are several frequencies.
    """
    _checked({name or "the pattern": one})
    top = peak(one)
    ax = picture.new_axes((6.6, 7.4), (0.09, 0.15, 0.82, 0.82 * 6.6 / 7.4), projection="polar")
    floor, ceiling = picture.level_ends(10 * np.log10(float(top.directivity[0])))
    for i, (which, colour) in enumerate(zip(_planes(one, top, plane), FILE_COLOURS, strict=False)):
        found = _cut(one, top, which, seen)
        shown = [np.maximum(x, floor) for x in (found.co, found.cross)]
        look = {"color": colour, "linewidth": 2.0 - 0.4 * i, "label": f"{found.name}, co-polar"}
        found.drawn(ax, found.angle, shown[0], **look)
        look |= {"linewidth": 0.9, "linestyle": (0, (5, 1.8)), "label": f"{found.name}, cross-polar"}
        found.drawn(ax, found.angle, shown[1], **look)
    picture.polar_rings(ax, floor, ceiling, angle=157.5)
    note = "; dotted: hangs on what was not measured" if _hides(seen) else ""
    title = f"{_title({name: one}, {name: top})}\nangle from the peak{note}"
    return picture.finish(ax, title, None, columns=2, drop=26, pad=14)


def _ticks(reach: float) -> Real:
    step = next((x for x in (1, 2, 5, 10, 15, 30, 45) if reach / x <= 7), 45)
    most = step * np.floor(reach / step + 1e-9)
    return np.asarray(np.arange(-most, most + step / 2, step))


def _title(patterns: Mapping[str, Modes], tops: Mapping[str, Peak]) -> str:
    lines = []
    for name, one in patterns.items():
        top = tops[name]
        label = f"{name}: " if len(patterns) > 1 else ""
        theta, phi = float(np.degrees(top.theta[0])), float(np.degrees(top.phi[0]))
        lines.append(
            f"{label}{picture.frequency_label(one)}, peak {10 * np.log10(top.directivity[0]):z.2f} dBi at "
            f"theta {theta:z.2f}°" + ("" if at_pole(theta) else f", phi {shown_azimuth(phi, 2):z.2f}°")
        )
    return "\n".join(lines)


def pattern_map(
    one: Modes,
    *,
    name: str = "",
    kind: Literal["theta-phi", "u-v"] = "theta-phi",
    seen: FarField | None = None,
) -> Axes:
    """Directivity over theta and phi, or over direction cosines of the half space that holds the peak.

    Parameters
    ----------
    one : Modes
        One frequency.
    name : str
        Put into the title.
    kind : {"theta-phi", "u-v"}
        Of "u-v" the axis (x, y or z, of either sign) is that nearest to the peak, and named.
    seen : FarField, optional
        One frequency; directions that it marks as not seen are hatched.

    Returns
    -------
    Axes
        The axes.

    Raises
    ------
    ValueError
        If there are several frequencies.
    """
    _checked({name or "the pattern": one})
    top = peak(one)
    ax = picture.new_axes((8.4, 4.6) if kind == "theta-phi" else (6.6, 5.6))
    highest = 10 * np.log10(float(top.directivity[0]))
    if kind == "theta-phi":
        # A beam at phi = 0 is not cut in two.
        start = -180 if np.cos(top.phi[0]) > np.sqrt(0.5) else 0
        theta, phi = np.linspace(0, np.pi, _ROWS), np.radians(start + np.linspace(0, 360, 2 * _ROWS - 1))
        field = far_field(one, theta=theta, phi=phi)
        level = _directivity(one, field.e_theta[0], field.e_phi[0])
        x, y = np.degrees(phi), np.degrees(theta)
        there = trusted_around(seen, *np.meshgrid(theta, phi, indexing="ij"))
        ax.set(xlabel="phi [deg]", ylabel="theta [deg]", xlim=(start, start + 360), ylim=(180, 0))
        ax.set_xticks(range(start, start + 361, 45))
        ax.set_yticks(range(0, 181, 30))
        spot = (np.degrees(top.phi[0]) - start) % 360 + start, np.degrees(top.theta[0])
    else:
        axis, sign, frame = _half_space(top)
        x = y = np.linspace(-1, 1, _ROWS)
        u, v = np.meshgrid(x, y)
        inside = u**2 + v**2 <= 1
        w = np.sqrt(np.maximum(1 - u**2 - v**2, 0))
        at = np.stack([u, v, w], axis=-1)[inside] @ frame
        t, p = direction_angles(at)
        level = np.full(u.shape, np.nan)
        there = np.ones(u.shape, dtype=bool)
        there[inside] = trusted_around(seen, t, p)
        level[inside] = _directivity(one, *(part[0] for part in far_field_points(one, theta=t, phi=p)))
        names = "xyz"[(axis + 1) % 3], "xyz"[(axis + 2) % 3]
        ax.set(xlabel=f"direction cosine to {names[0]}", ylabel=f"direction cosine to {names[1]}")
        ax.set_aspect("equal")
        ax.set_title(f"seen towards {sign}{'xyz'[axis]}", loc="left", fontsize=9, color=picture.TEXT_COLOUR)
        towards = frame @ _unit(top)
        spot = float(towards[0]), float(towards[1])
    levels = 5 * np.ceil(highest / 5) + np.arange(-MAP_DEPTH, 0.1, 2.5)
    drawn = ax.contourf(x, y, np.maximum(level, levels[0]), levels=levels, cmap="viridis", extend="min")
    ax.contour(x, y, level, levels=[highest - 3], colors="white", linewidths=1.0)
    ax.plot(*spot, "+", color="#b8283e", markersize=11, markeredgewidth=2)
    bar = ax.figure.colorbar(drawn, ax=ax, label="directivity [dBi]", ticks=levels[::4])
    bar.ax.tick_params(labelsize=9)
    if not there.all():
        veil = {"levels": [0.5, 1.5], "colors": "none", "hatches": ["///"]}
        ax.contourf(x, y, (~there).astype(float), **veil).set(edgecolor="white", linewidth=0)
        ax.contour(x, y, (~there).astype(float), levels=[0.5], colors="white", linewidths=1.2)
    picture.style_axes(ax)
    ax.grid(visible=False)
    note = "" if there.all() else "\nhatched: hangs on what was not measured"
    ax.figure.suptitle(_title({name: one}, {name: top}) + note, fontsize=11, color=picture.TEXT_COLOUR)
    return ax


def _unit(top: Peak) -> Real:
    t, p = float(top.theta[0]), float(top.phi[0])
    return np.array([np.sin(t) * np.cos(p), np.sin(t) * np.sin(p), np.cos(t)])


def _half_space(top: Peak) -> tuple[int, str, Real]:
    """Axis nearest to the peak, its sign, and the frame of the two other axes and it, as rows."""
    towards = _unit(top)
    axis = int(np.argmax(np.abs(towards) + np.array([0, 0, 1e-9])))
    sign = 1.0 if towards[axis] >= 0 else -1.0
    eye = np.eye(3)
    return (
        axis,
        "+" if sign > 0 else "-",
        np.stack([eye[(axis + 1) % 3], eye[(axis + 2) % 3], sign * eye[axis]]),
    )


def _directivity(one: Modes, e_theta: Complex, e_phi: Complex) -> Real:
    return np.asarray(picture.decibels(4 * np.pi * intensity(e_theta, e_phi) / one.radiated_power()[0]))


def balloon(one: Modes, *, name: str = "", seen: FarField | None = None) -> Axes:
    """Directivity as a surface whose distance from the origin is the level above a floor.

    Parameters
    ----------
    one : Modes
        One frequency.
    name : str
        Put into the title.
    seen : FarField, optional
        One frequency; directions that it marks as not seen are grey.

    Returns
    -------
    Axes
        Axes of three dimensions.

    Raises
    ------
    ValueError
        If there are several frequencies.
    """
    _checked({name or "the pattern": one})
    from matplotlib import colormaps
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import LightSource, Normalize, to_rgba

    top = peak(one)
    theta, phi = np.linspace(0, np.pi, 181), np.linspace(0, 2 * np.pi, 361)
    field = far_field(one, theta=theta, phi=phi)
    level = _directivity(one, field.e_theta[0], field.e_phi[0])
    highest = 10 * np.log10(float(top.directivity[0]))
    low = highest - MAP_DEPTH
    r = np.clip((level - low) / MAP_DEPTH, 0, 1)
    t, p = np.meshgrid(theta, phi, indexing="ij")
    place = [r * np.sin(t) * np.cos(p), r * np.sin(t) * np.sin(p), r * np.cos(t)]
    ax = picture.new_axes((7.2, 6.2), projection="3d")
    norm, colours = Normalize(low, highest), colormaps["viridis"]
    # From the side of the beam, and a little above; lit from there (normals point inwards).
    seen_from = float(np.degrees(top.phi[0])) + 40
    there = trusted_around(seen, t, p)
    face = np.where(there[:, :, None], colours(norm(level)), to_rgba("#b9bec4"))
    look = {"facecolors": face, "rstride": 2, "cstride": 2, "linewidth": 0, "shade": True}
    ax.plot_surface(*place, lightsource=LightSource(azdeg=270 - seen_from, altdeg=-20), **look)
    for i, axis in enumerate("xyz"):
        end = 1.25 * np.eye(3)[i]
        ax.plot(*zip(np.zeros(3), end, strict=True), color=picture.TEXT_COLOUR, linewidth=1)
        ax.text(*(1.1 * end), axis, color=picture.TEXT_COLOUR, fontsize=11)
    ax.set(xlim=(-1, 1), ylim=(-1, 1), zlim=(-1, 1))
    ax.set_box_aspect((1, 1, 1))
    ax.set_axis_off()
    ax.view_init(elev=20, azim=seen_from)
    ax.figure.colorbar(ScalarMappable(norm, colours), ax=ax, label="directivity [dBi]", shrink=0.7)
    note = "" if there.all() else "\ngrey: hangs on what was not measured"
    ax.set_title(_title({name: one}, {name: top}) + note, fontsize=11, color=picture.TEXT_COLOUR)
    return ax


def level_distribution(patterns: Mapping[str, Modes]) -> Axes:
    """Part of the sphere in which a level is not exceeded: of each pattern, and of the best of several.

    Parameters
    ----------
    patterns : mapping of str to Modes
        By name, one frequency each.

    Returns
    -------
    Axes
        The axes. Levels are EIRP where all patterns are absolute, else directivity.

    Raises
    ------
    ValueError
        As in `peak_cuts`.
    """
    _checked(patterns)
    absolute = all(one.reference == "absolute" for one in patterns.values())
    theta, phi = np.linspace(0, np.pi, 181), 2 * np.pi * np.arange(360) / 360
    beams = {name: far_field(one, theta=theta, phi=phi) for name, one in patterns.items()}
    sets = {name: BeamSet((beam,)) for name, beam in beams.items()}
    if len(beams) > 1:
        sets["the best of them"] = BeamSet(tuple(beams.values()))
    ax = picture.new_axes((8.0, 5.0))
    for i, (name, some) in enumerate(sets.items()):
        found = distribution(envelope(some, quantity="eirp" if absolute else "directivity"))
        level = picture.decibels(found.value[0] / (1e-3 if absolute else 1))
        last = i == len(beams)
        colour = "#3c4043" if last else FILE_COLOURS[i]
        style = {"linewidth": 2.6 if last else 1.7, "linestyle": (0, (1.5, 1.2)) if last else "-"}
        ax.plot(level, 100 * found.probability[0], color=colour, label=name or "pattern", **style)
    ceiling = 5 * np.ceil(max(line.get_xdata().max() for line in ax.lines) / 5)
    ax.set_xlim(ceiling - MAP_DEPTH, ceiling)
    ax.set_ylim(0, 100)
    unit = "EIRP [dBm]" if absolute else "directivity [dBi]"
    labels = (unit, "part of the sphere at or below [%]")
    return picture.finish(ax, picture.frequency_label(next(iter(patterns.values()))), labels, columns=3)
