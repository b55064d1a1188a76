"""The look that all pictures share: axes, colours, labels, legend.

matplotlib is imported only when a picture is asked for. Figures are made on the Agg canvas: no
display, no global state.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from nf2ff.antenna.modes import Modes
from nf2ff.messages.input_error import InputError

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: One look a cut: light and wide under dark and narrow, so that cuts that coincide all show, and
#: that readers with any colour vision, or a print in grey, tell them apart.
COLOURS = ("#4f93d2", "#b8283e", "#14202b")
WIDTHS = (3.0, 1.8, 1.2)
DASHES = ((0, (5, 1.8)), (0, (2.5, 1.5)), (0, (6, 1.5, 1.5, 1.5)))
GRID_COLOUR = "#d5d8dc"
TEXT_COLOUR = "#22262b"
#: How far below the peak a picture reaches [dB].
DEPTH = 60.0


def new_figure(size: tuple[float, float], *, dpi: int = 120, layout: str | None = "constrained") -> Any:
    """A figure of width and height [inch], by default with the automatic layout."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    how: Any = layout
    figure = Figure(figsize=size, dpi=dpi, layout=how, facecolor="white")
    FigureCanvasAgg(figure)
    return figure


def new_axes(
    size: tuple[float, float],
    place: tuple[float, float, float, float] | None = None,
    projection: str | None = None,
) -> Any:
    """Bare axes on a figure of their own.

    Parameters
    ----------
    size : tuple of float
        Width and height of the figure [inch].
    place : tuple of float, optional
        Left, bottom, width and height of the axes as parts of the figure's; by default found by the
        automatic layout.
    projection : str, optional
        As matplotlib names it.
    """
    if place is None:
        return new_figure(size).add_subplot(projection=projection)
    # The automatic layout forgets what stands outside polar axes: those are placed by hand.
    return new_figure(size, layout=None).add_axes(place, projection=projection)


def style_axes(ax: Any) -> None:
    """Give axes the grid, colours and frame that all pictures have."""
    ax.set_axisbelow(True)
    ax.grid(visible=True, color=GRID_COLOUR, linewidth=0.8)
    ax.tick_params(colors=TEXT_COLOUR, labelsize=9)
    for spine in ax.spines.values():
        spine.set_color("#9aa0a6")
    for side in ("top", "right"):
        if side in ax.spines:
            ax.spines[side].set_visible(False)


def finish(
    ax: Any, title: str, labels: tuple[str, str] | None, *, columns: int, drop: float = 40.0, **look: Any
) -> Axes:
    """Give axes with labelled lines title, labels, grid and frame, and a legend below.

    Parameters
    ----------
    ax : Axes
        The axes, which are returned.
    title : str
        The title.
    labels : tuple of str or None
        Of abscissa and ordinate; None of polar axes.
    columns : int
        Entries of the legend side by side.
    drop : float
        How far below the axes it begins, where it hides nothing [points].
    **look : object
        More of the title's look, as matplotlib names it.
    """
    from matplotlib.transforms import ScaledTranslation

    if labels is not None:
        ax.set_xlabel(labels[0])
        ax.set_ylabel(labels[1])
    ax.set_title(title, fontsize=11, color=TEXT_COLOUR, **look)
    style_axes(ax)
    down = ScaledTranslation(0, -drop / 72, ax.figure.dpi_scale_trans)
    ax.legend(
        loc="upper center",
        bbox_to_anchor=(0.5, 0),
        bbox_transform=ax.transAxes + down,
        ncols=columns,
        frameon=False,
        fontsize=9,
        handlelength=2.6,
    )
    return ax


def level_ends(maximum: float) -> tuple[float, float]:
    """Floor and ceiling of levels that reach up to ``maximum`` [dB]."""
    ceiling = 5.0 * np.ceil((maximum + 0.5) / 5)
    return float(10.0 * np.floor((ceiling - DEPTH) / 10)), float(ceiling)


def set_levels(ax: Any, floor: float, ceiling: float) -> None:
    """Scale an ordinate of levels [dB]."""
    ax.set_ylim(floor, ceiling)
    ax.set_yticks(np.arange(floor, ceiling + 1, 10))


def polar_rings(ax: Any, floor: float, ceiling: float, *, angle: float) -> None:
    """Scale polar axes of levels [dBi], 0 deg at the top; rings are labelled along a ray [deg]."""
    ax.set_theta_zero_location("N")
    ax.set_theta_direction(-1)
    angles = np.arange(0, 360, 30)
    signed = np.where(angles > 180, angles - 360, angles)
    ax.set_thetagrids(angles, [_signed(a, "°") for a in signed])
    ax.set_rlim(floor, ceiling)
    rings = np.arange(floor + 10, ceiling, 10)
    ax.set_rgrids(rings, [""] * rings.size)
    box = {"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.8}
    place = {"color": TEXT_COLOUR, "fontsize": 8, "ha": "center", "va": "center", "zorder": 5}
    for ring in rings:  # as labels of ticks they would lie under the lines
        ax.text(np.radians(angle), ring, _signed(ring, " dBi"), bbox=box, **place)


def _signed(value: float, unit: str) -> str:
    """Whole number with the minus sign that the other tick labels have."""
    return f"{value:z.0f}{unit}".replace("-", "\N{MINUS SIGN}")


def decibels(ratio: Any) -> Any:
    """Decibels of ratios of power, those below zero or at it as far down as it gets."""
    return 10 * np.log10(np.maximum(ratio, 1e-30))


def one_of(modes: Modes, index: int) -> Modes:
    """The modes of one frequency, whose index is checked."""
    if not 0 <= index < modes.frequency.size:
        raise InputError(f"frequency_index is {index}, expected 0 to {modes.frequency.size - 1}")
    return modes.at(index)


def frequency_label(one: Modes) -> str:
    """The first frequency of ``one`` in GHz, for a title."""
    return f"{one.frequency[0] / 1e9:.6g} GHz"
