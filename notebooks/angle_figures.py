"""Draws the angles of the guide: `python notebooks/angle_figures.py` writes two SVG files to notebooks/guide.

One shows theta, phi and chi with the probe's frame, the other what two-axis positioners turn.
"""

from __future__ import annotations

from pathlib import Path

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure

GUIDE = Path(__file__).with_name("guide")
#: Where the viewer stands: the x axis comes forward to the left, z goes up.
AZIMUTH, ELEVATION = np.radians(28), np.radians(24)
BLUE, RED, INK, PALE = "#2f6fae", "#b8283e", "#22262b", "#9aa0a6"


def seen(point):
    """Points (..., 3) on the paper, (..., 2)."""
    x, y, z = np.moveaxis(np.asarray(point, dtype=float), -1, 0)
    ca, sa, ce, se = np.cos(AZIMUTH), np.sin(AZIMUTH), np.cos(ELEVATION), np.sin(ELEVATION)
    return np.stack([-sa * x + ca * y, -se * (ca * x + sa * y) + ce * z], axis=-1)


def line(ax, points, **look):
    """A line through points of space."""
    ax.plot(*seen(points).T, solid_capstyle="round", **look)


def arrow(ax, start, end, text, *, colour=INK, shift=(0.0, 0.0), width=1.6):
    """An arrow in space with a name at its end."""
    a, b = seen(start), seen(end)
    ax.annotate(
        "", b, a, arrowprops={"arrowstyle": "-|>", "color": colour, "lw": width, "shrinkA": 0, "shrinkB": 0}
    )
    ax.text(
        *(b + 0.07 * (b - a) / np.linalg.norm(b - a) + shift), text, color=colour, ha="center", va="center"
    )


def direction(theta, phi):
    """Unit vectors r^, theta^, phi^."""
    st, ct, sp, cp = np.sin(theta), np.cos(theta), np.sin(phi), np.cos(phi)
    return np.array([st * cp, st * sp, ct]), np.array([ct * cp, ct * sp, -st]), np.array([-sp, cp, 0 * sp])


def bare(width, height, across, up):
    """Axes without a frame, as wide as high."""
    figure = Figure(figsize=(width, height), layout="constrained")
    ax = figure.add_subplot()
    ax.set_aspect("equal")
    ax.axis("off")
    ax.set(xlim=across, ylim=up)
    return figure, ax


def angles():
    """theta, phi and chi, and the frame of a probe that looks back at the origin."""
    figure, ax = bare(6.6, 4.9, (-1.15, 1.75), (-0.72, 1.3))
    turn = np.linspace(0, 2 * np.pi, 181)
    ring = np.stack([np.cos(turn), np.sin(turn), 0 * turn], axis=-1)
    line(ax, ring, color=PALE, linewidth=0.8)
    for start, name, end in (
        ((0, 0, 0), "x", (1.35, 0, 0)),
        ((0, 0, 0), "y", (0, 1.3, 0)),
        ((0, 0, 0), "z", (0, 0, 1.2)),
    ):
        arrow(ax, start, end, name)
    theta, phi, chi = np.radians([50, 68, 35])
    r, t, p = direction(theta, phi)
    arc = np.linspace(0, theta, 40)
    line(ax, [direction(a, phi)[0] for a in np.linspace(0, np.pi / 2, 60)], color=PALE, linewidth=0.8)
    line(ax, [[0, 0, 0], [np.cos(phi), np.sin(phi), 0]], color=PALE, linewidth=0.8)
    line(ax, [0.45 * direction(a, phi)[0] for a in arc], color=BLUE, linewidth=1.6)
    line(ax, [0.4 * direction(np.pi / 2, a)[0] for a in np.linspace(0, phi, 40)], color=BLUE, linewidth=1.6)
    ax.text(
        *seen(0.56 * direction(theta / 2, phi)[0]), "θ", color=BLUE, fontsize=13, ha="center", va="center"
    )
    ax.text(
        *seen(0.5 * direction(np.pi / 2, phi / 2)[0]), "φ", color=BLUE, fontsize=13, ha="center", va="center"
    )
    line(ax, [[0, 0, 0], r], color=INK, linewidth=1, linestyle=":")
    arrow(ax, r, r + 0.36 * t, "θ̂", colour=BLUE)
    arrow(ax, r, r + 0.36 * p, "φ̂", colour=BLUE)
    x_probe = t * np.cos(chi) + p * np.sin(chi)
    y_probe = t * np.sin(chi) - p * np.cos(chi)
    arrow(ax, r, r + 0.5 * x_probe, "x$_p$", colour=RED)
    arrow(ax, r, r + 0.5 * y_probe, "y$_p$", colour=RED)
    arrow(ax, r, 0.6 * r, "z$_p$", colour=RED, shift=(0.02, 0.1))
    sweep = [r + 0.25 * (t * np.cos(a) + p * np.sin(a)) for a in np.linspace(0, chi, 20)]
    line(ax, sweep, color=RED, linewidth=1.6)
    ax.text(
        *seen(r + 0.33 * (t * np.cos(chi / 2) + p * np.sin(chi / 2))),
        "χ",
        color=RED,
        fontsize=13,
        ha="center",
    )
    return figure


def positioners():
    """Two-axis positioners at zero: which axis carries the antenna, and how it counts."""
    figure = Figure(figsize=(9.6, 3.9), layout="constrained")
    panels = figure.subplots(1, 3)
    arcs = {
        "roll": [[0.5 * np.cos(a), 0.5 * np.sin(a), 0.25] for a in np.linspace(-0.3, 2.0, 40)],
        "azimuth": [[0.55 * np.sin(a), -0.55, 0.55 * np.cos(a)] for a in np.linspace(-0.5, 1.6, 40)],
        "elevation": [[-0.5, 0.55 * np.sin(a), 0.55 * np.cos(a)] for a in np.linspace(-0.5, 1.6, 40)],
    }
    names = {"roll": (-0.5, 0.5), "azimuth": (0.15, -0.72), "elevation": (1.22, 0.08)}
    stacks = (("roll", "azimuth"), ("elevation", "azimuth"), ("azimuth", "elevation"))
    for ax, (upper, lower) in zip(panels, stacks, strict=True):
        ax.set_aspect("equal")
        ax.axis("off")
        ax.set(xlim=(-1.3, 1.5), ylim=(-1.1, 1.35))
        # On the paper: x to the left, y up, z aslant to the right, where the probe is.
        for end, name in (((1.1, 0, 0), "x"), ((0, 1.1, 0), "y"), ((0, 0, 1.75), "z, probe")):
            _flat_arrow(ax, (0, 0, 0), end, name, PALE)
        for axis, colour in ((lower, BLUE), (upper, RED)):
            points = _flat(arcs[axis])
            ax.plot(*points[:-1].T, color=colour, linewidth=2)
            ax.annotate(
                "", points[-1], points[-3], arrowprops={"arrowstyle": "-|>", "color": colour, "lw": 2}
            )
            ax.text(*names[axis], axis, color=colour, ha="center", va="center", fontsize=10)
        ax.set_title(f"{upper} over {lower}", fontsize=11, color=INK)
        ax.text(
            0,
            -1.1,
            f"{upper} carries the antenna,\n{lower} stands on the floor",
            ha="center",
            va="top",
            fontsize=9,
        )
    return figure


def _flat(point):
    x, y, z = np.moveaxis(np.asarray(point, dtype=float), -1, 0)
    return np.stack([-0.95 * x + 0.62 * z, y - 0.1 * x + 0.38 * z], axis=-1)


def _flat_arrow(ax, start, end, text, colour):
    a, b = _flat(start), _flat(end)
    ax.annotate(
        "", b, a, arrowprops={"arrowstyle": "-|>", "color": colour, "lw": 1.3, "shrinkA": 0, "shrinkB": 0}
    )
    ax.text(*(1.13 * b), text, color=INK, ha="center", va="center", fontsize=9)


def main():
    """Write both."""
    # The same file each time: no date, and names that do not change.
    with mpl.rc_context({"svg.hashsalt": "nf2ff"}):
        for name, draw in (("angles", angles), ("positioners", positioners)):
            draw().savefig(GUIDE / f"{name}.svg", metadata={"Date": None})


if __name__ == "__main__":
    main()
