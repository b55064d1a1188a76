"""Pictures of two results, one over the other, and of their difference."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.far_field import FarField, trusted_around
from nf2ff.antenna.modes import Modes
from nf2ff.kernel.sphere import direction_angles, unit_vectors
from nf2ff.metrics.comparison import Comparison
from nf2ff.metrics.cuts import cut_through
from nf2ff.metrics.gain_and_power import intensity
from nf2ff.metrics.level_cuts import LevelDifference
from nf2ff.report.picture import TEXT_COLOUR, decibels, finish, level_ends, new_figure, set_levels, style_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Real = NDArray[np.float64]
#: First, second, difference.
_LOOKS: tuple[dict[str, Any], ...] = (
    {"color": "#4f93d2", "linewidth": 3.0},
    {"color": "#14202b", "linewidth": 1.4},
    {"color": "#b8283e", "linewidth": 1.2, "linestyle": (0, (5, 1.8))},
)


def _panels(count: int) -> Any:
    figure = new_figure((8.4, 1.2 + 3.3 * count))
    return figure.subplots(count, 1, squeeze=False, sharex=True)[:, 0]


def _draw(ax: Any, angle: Real, lines: Sequence[Real], names: Sequence[str], seen: Any = True) -> None:
    """First, second and difference over the angle [deg], dotted where not ``seen``."""
    for level, name, look in zip(lines, (*names, "difference"), _LOOKS, strict=True):
        ax.plot(angle, np.where(seen, level, np.nan), label=name, **look)
        if not np.all(seen):
            faint = look | {"linestyle": (0, (1, 2)), "linewidth": 0.9, "alpha": 0.6}
            ax.plot(angle, np.where(seen, np.nan, level), **faint)
    ax.set_xlim(-180, 180)
    ax.set_xticks(range(-180, 181, 30))
    style_axes(ax)


def comparison_cuts(
    first: Modes,
    found: Comparison,
    *,
    names: tuple[str, str] = ("first", "second"),
    seen: Sequence[FarField | None] = (),
) -> Axes:
    """Both results in the planes they were compared in, and the level of the difference of their fields.

    At the first frequency.

    Parameters
    ----------
    first : Modes
        The reference.
    found : Comparison
        What `metrics.comparison.compare` found; the second is drawn as it was fitted.
    names : tuple of str
        Of the two, for the legend.
    seen : sequence of FarField
        Fields of one frequency that mark directions whose near field was not seen: lines are dotted there.

    Returns
    -------
    Axes
        The first panel; levels are directivity over the first's power.
    """
    one, two = first.at(0), found.fitted.at(0)
    degree = max(one.degree, two.degree)
    one, two = one.extend(degree), two.extend(degree)
    rest = Modes(one.frequency, one.coefficients - two.coefficients, one.reference)
    theta, phi = float(found.first.theta[0]), float(found.first.phi[0])
    angle = np.linspace(-np.pi, np.pi, max(721, 20 * degree + 1))
    power = float(one.radiated_power()[0])
    floor, ceiling = level_ends(10 * np.log10(float(found.first.directivity[0])))
    error = 20 * np.log10(max(float(found.error[0]), 1e-14))
    floor = min(floor, 10 * np.floor(error / 10) + 10 * np.floor(ceiling / 10) - 10)
    floor = max(floor, ceiling - 100)
    panels = _panels(len(found.planes))
    r, along, across = unit_vectors(theta, phi)
    hidden = False
    for ax, planes in zip(panels, found.planes, strict=True):
        turn = planes[0].angle_at(theta, phi)
        tangent = np.cos(turn) * along + np.sin(turn) * across
        t, p = direction_angles(np.cos(angle)[:, None] * r + np.sin(angle)[:, None] * tangent)
        there = np.ones(angle.size, dtype=bool)
        for field in seen:
            there &= trusted_around(field, t, p)
        hidden |= not there.all()
        at: dict[str, Any] = {"theta": theta, "phi": phi, "plane": turn, "angle": angle}
        fields = [cut_through(x, **at) for x in (one, two, rest)]
        lines = [decibels(4 * np.pi * intensity(*e)[0] / power) for e in fields]
        _draw(ax, np.degrees(angle), lines, names, there)
        set_levels(ax, floor, ceiling)
        ax.set_ylabel("level [dBi]")
        ax.text(0.01, 0.97, planes[0].name, transform=ax.transAxes, va="top", fontsize=10, color=TEXT_COLOUR)
    finish(panels[-1], "", ("angle from the first's peak [deg]", "level [dBi]"), columns=3)
    title = f"{one.frequency[0] / 1e9:.6g} GHz: difference over the sphere {error:z.1f} dB"
    if found.error_seen is not None:
        both = 20 * np.log10(max(float(found.error_seen[0]), 1e-14))
        title += f", where both were measured {both:z.1f} dB"
    title += "\ndotted: hangs on what was not measured" if hidden else ""
    panels[0].set_title(title, fontsize=11, color=TEXT_COLOUR)
    return panels[0]


def level_comparison(
    found: Sequence[tuple[str, LevelDifference]], *, names: tuple[str, str], title: str, unit: str
) -> Axes:
    """Cuts of levels without phase, one over the other, and the difference of their amplitudes.

    Parameters
    ----------
    found : sequence of tuple
        Name of each cut, and what `metrics.level_cuts.compare_levels` found.
    names : tuple of str
        Of the two files, for the legend.
    title : str
        Put above.
    unit : str
        Unit of the levels.

    Returns
    -------
    Axes
        The first panel.
    """
    # One scale: a cross-polar cut far below the others is to look like it.
    floor, ceiling = level_ends(max(level for _, one in found for level in one.peak))
    panels = _panels(len(found))
    for ax, (name, one) in zip(panels, found, strict=True):
        apart = np.abs(10 ** (one.first / 20) - 10 ** (one.second / 20))
        lines = [one.first, one.second, 2 * decibels(apart)]
        _draw(ax, np.degrees(one.angle), lines, names)
        set_levels(ax, floor, ceiling)
        ax.set_ylabel(f"level [{unit}]")
        ax.text(0.01, 0.97, name, transform=ax.transAxes, va="top", fontsize=10, color=TEXT_COLOUR)
    finish(panels[-1], "", ("angle [deg]", f"level [{unit}]"), columns=3)
    panels[0].set_title(title, fontsize=11, color=TEXT_COLOUR)
    return panels[0]
