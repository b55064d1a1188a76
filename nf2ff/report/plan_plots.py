"""A plan as a picture: degree over frequency, time of the sets of positions, and the way over the sphere."""

from __future__ import annotations

from typing import Any

import numpy as np

from nf2ff.planning.plan import Plan
from nf2ff.planning.scan_time import WORDS
from nf2ff.report.picture import COLOURS, TEXT_COLOUR, WIDTHS, new_figure, style_axes


def plan_overview(plan: Plan) -> Any:
    """Draw a plan.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    matplotlib Axes
        Those of the first panel; ``axes.figure`` is the whole.
    """
    figure = new_figure((10.7, 7.6))
    panels: dict[str, Any] = figure.subplot_mosaic(
        [["degree", "time"], ["way", "way"]], height_ratios=(1, 1.25)
    )
    _degree(panels["degree"], plan)
    _time(panels["time"], plan)
    _way(panels["way"], plan)
    for ax in panels.values():
        ax.title.set(fontsize=11, color=TEXT_COLOUR)
        style_axes(ax)
    panels["time"].grid(visible=False, axis="y")
    return panels["degree"]


def _degree(ax: Any, plan: Plan) -> None:
    """What size and distance ask for at each frequency."""
    from matplotlib.ticker import MaxNLocator

    ghz = plan.request.frequency / 1e9
    mark = "o" if ghz.size <= 8 else None
    lines = (
        ("by size", [x.spectrum_degree or x.degree for x in plan.choices]),
        ("by size and distance", [x.degree for x in plan.choices]),
    )
    for (label, values), colour, width in zip(lines, COLOURS, WIDTHS, strict=False):
        ax.plot(ghz, values, color=colour, linewidth=width, marker=mark, label=label)
    ax.axhline(plan.degree, color=COLOURS[2], linewidth=1, linestyle=":", label=f"scan: {plan.degree}")
    ax.set(xlabel="frequency [GHz]", ylabel="degree", title="Degree that the antenna asks for")
    ax.yaxis.set_major_locator(MaxNLocator(integer=True, min_n_ticks=1))
    ax.legend(frameon=False, fontsize=9)


def _time(ax: Any, plan: Plan) -> None:
    """Sets of positions side by side."""
    at = np.arange(len(plan.scans))[::-1]
    minutes = np.array([scan.duration / 60 for scan in plan.scans])
    unit, scale = ("h", 60.0) if minutes.max() > 180 else ("min", 1.0)
    for i, scan in enumerate(plan.scans):
        able = not scan.impossible
        colour = COLOURS[1] if i == plan.chosen else COLOURS[0]
        ax.barh(
            *(at[i], minutes[i] / scale),
            height=0.62,
            color=colour if able else "white",
            edgecolor=colour,
            hatch=None if able else "///",
        )
        told = f"  {scan.positions} positions"
        told += ", taken" if i == plan.chosen else "" if able else ", axes cannot"
        ax.text(minutes[i] / scale, at[i], told, va="center", fontsize=9, color=TEXT_COLOUR)
    ax.set_xlim(0, 1.6 * minutes.max() / scale)
    ax.set_yticks(at, [_folded(WORDS[scan.name]) for scan in plan.scans])
    ax.set(xlabel=f"time [{unit}]", title="Time of the scan")


def _way(ax: Any, plan: Plan) -> None:
    """Where the probe is, and when."""
    scan = plan.scan
    theta = np.degrees(np.where(scan.theta > np.pi, 2 * np.pi - scan.theta, scan.theta))
    phi = np.degrees(np.mod(np.where(scan.theta > np.pi, scan.phi + np.pi, scan.phi), 2 * np.pi))
    first = scan.chi == scan.chi[0]
    hours = scan.duration > 3 * 3600
    points = ax.scatter(
        *(phi[first], theta[first]),
        c=scan.time[first] / (3600 if hours else 60),
        s=float(np.clip(20_000 / first.sum(), 1, 18)),
        cmap="cividis",
        linewidths=0,
        rasterized=True,
    )
    ax.figure.colorbar(points, ax=ax, pad=0.01, label=f"time of reading [{'h' if hours else 'min'}]")
    ax.set(xlim=(0, 360), ylim=(180, 0), xlabel="phi [deg]", ylabel="theta [deg]")
    ax.set_xticks(range(0, 361, 45))
    ax.set_yticks(range(0, 181, 45))
    ax.set_title(f"Positions of the {WORDS[scan.name]}, first polarisation")


def _folded(words: str) -> str:
    """On two lines."""
    return words.replace(", ", ",\n", 1).replace(" at ", "\nat ", 1)
