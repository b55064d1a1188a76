"""Pictures of a measured quiet zone: cuts with their fit, maps, and what the fit leaves."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.messages.ranges import ZoneCode
from nf2ff.ranges.quiet_zone import ZoneFigures
from nf2ff.ranges.smooth_part import Variation
from nf2ff.ranges.zone import ProbedField
from nf2ff.report.picture import COLOURS, TEXT_COLOUR, new_figure, style_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Real = NDArray[np.float64]

#: Readings farther from the line of a cut than this part of the zone's radius are not of it: the former, so
#: that no second row is in it, where that leaves enough of them.
_BESIDE = 0.005, 0.02
#: A cut of fewer readings than this is no cut: all readings stand in its place.
_FEW = 7


def zone_overview(field: ProbedField, figures: ZoneFigures) -> Axes:
    """Cuts of amplitude and phase with their fit, maps of a plane, histograms of what the fit leaves.

    Parameters
    ----------
    field : ProbedField
        The readings.
    figures : ZoneFigures
        What `quiet_zone.evaluate` found in them.

    Returns
    -------
    Axes
        The first of the figure's.
    """
    parts: list[tuple[str, str, Variation]] = [("amplitude", "dB", figures.amplitude_db)]
    if figures.phase is not None:
        phase = figures.phase
        turned = Variation(np.degrees(phase.value), np.degrees(phase.smooth), 0.0, 0.0)
        parts.append(("phase without tilt", "deg", turned))
    place = field.position[figures.used] - figures.zone.centre
    coordinates = 1e3 * place @ figures.basis.T
    flat = len(figures.basis) == 2
    cuts = min(len(figures.basis), 2)
    rows = cuts + flat + 1
    heights = [1.0] * cuts + [1.6] * flat + [0.9]
    size = (5.2 * len(parts) + 0.4 * (len(parts) == 1), 2.6 * sum(heights))
    figure = new_figure(size, dpi=110)
    axes = figure.subplots(rows, len(parts), squeeze=False, gridspec_kw={"height_ratios": heights})
    for column, (name, unit, part) in enumerate(parts):
        # Relative to the mean: the level of a probe says nothing.
        shift = float(part.smooth.mean())
        for i in range(cuts):
            label = _axis(figures.basis[i], "xyz")
            _cut(axes[i, column], coordinates, i, part, shift, f"{name} [{unit}]", label)
        if flat:
            labels = [_axis(b, "xyz") for b in figures.basis]
            holes = any(w.code is ZoneCode.HOLE for w in figures.warnings)
            title = f"{name} [{unit}]"
            _map(axes[cuts, column], coordinates, part.value - shift, title, labels, holes=holes)
        _histogram(axes[-1, column], part, f"{name}: readings minus fit [{unit}]")
    ripple = figures.amplitude_db
    figure.suptitle(
        f"{figures.frequency / 1e9:.6g} GHz, zone: {figures.zone.words(len(figures.basis))}\n"
        f"amplitude taper {ripple.taper:z.2f} dB, ripple ±{ripple.ripple:z.2f} dB"
        + (
            ""
            if figures.phase is None
            else f"; phase taper {parts[1][2].taper:z.1f}°, ripple ±{parts[1][2].ripple:z.1f}°"
        ),
        fontsize=11,
        color=TEXT_COLOUR,
    )
    return axes[0, 0]


def _cut(ax: Any, place: Real, axis: int, part: Variation, shift: float, ylabel: str, name: str) -> None:
    """Readings near the axis through the centre, over the way along it."""
    reach = float(np.abs(place).max())
    others = np.delete(place, axis, axis=1)
    beside = np.linalg.norm(others, axis=1) if others.size else np.zeros(len(place))
    on = next((x for x in (beside <= b * reach for b in _BESIDE) if x.sum() >= _FEW), beside >= 0)
    order = np.flatnonzero(on)[np.argsort(place[on, axis], kind="stable")]
    x, all_of_them = place[order, axis], others.size and on.all()
    # Of a line the readings are joined; of readings anywhere they are dots.
    look = {"marker": ".", "markersize": 3, "linestyle": "none" if all_of_them else "-", "linewidth": 0.8}
    ax.plot(x, part.value[order] - shift, color=COLOURS[0], label="readings", **look)
    fit = {"marker": ".", "markersize": 2, "linestyle": "none"} if all_of_them else {"linewidth": 1.8}
    ax.plot(x, part.smooth[order] - shift, color=COLOURS[1], label="fit of degree 2", **fit)
    ax.set_xlabel(f"{name} from the zone's centre [mm]")
    ax.set_ylabel(ylabel)
    low, high = (part.value[order] - shift).min(), (part.value[order] - shift).max()
    if high - low < 1e-3:  # rounding is not to fill the picture
        ax.set_ylim(0.5 * (low + high) - 0.5, 0.5 * (low + high) + 0.5)
    style_axes(ax)
    ax.legend(frameon=False, fontsize=8, ncols=2, loc="lower left", bbox_to_anchor=(0, 1), borderaxespad=0.1)


def _map(ax: Any, place: Real, value: Real, title: str, names: list[str], *, holes: bool) -> None:
    """Values over a plane, or dots where nothing is known between them."""
    from matplotlib.tri import Triangulation

    _, first = np.unique(place.round(6), axis=0, return_index=True)
    half = max(float(np.abs(value).max()), 1e-3)
    look = {"cmap": "RdBu_r", "vmin": -half, "vmax": half}
    if holes:
        shown = ax.scatter(*place[first].T, c=value[first], s=14, **look)
    else:
        shown = ax.tripcolor(Triangulation(*place[first].T), value[first], shading="gouraud", **look)
    ax.set_aspect("equal")
    ax.set_xlabel(f"{names[0]} from the zone's centre [mm]")
    ax.set_ylabel(f"{names[1]} from the zone's centre [mm]")
    style_axes(ax)
    ax.grid(visible=False)
    bar = ax.figure.colorbar(shown, ax=ax, shrink=0.9)
    bar.set_label(title, fontsize=9)
    bar.ax.tick_params(labelsize=8, colors=TEXT_COLOUR)


def _histogram(ax: Any, part: Variation, label: str) -> None:
    left = part.value - part.smooth
    reach = max(float(np.abs(left).max()), 1e-6)
    ax.hist(
        left, bins=min(60, max(9, round(2 * left.size ** (1 / 3)))), range=(-reach, reach), color=COLOURS[0]
    )
    for side, label_of_it in ((-part.ripple_rms, None), (part.ripple_rms, "rms")):
        ax.axvline(side, color=COLOURS[1], linewidth=1.4, label=label_of_it)
    ax.set_xlabel(label)
    ax.set_ylabel("readings")
    style_axes(ax)
    ax.legend(frameon=False, fontsize=8)


def _axis(towards: Real, names: str) -> str:
    """An axis by its letter, any other direction by its components."""
    for i, name in enumerate(names):
        if abs(abs(towards[i]) - 1) < 1e-6:
            return name if towards[i] > 0 else f"\N{MINUS SIGN}{name}"
    return "({:z.2f}, {:z.2f}, {:z.2f})".format(*towards)
