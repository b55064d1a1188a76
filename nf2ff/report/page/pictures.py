"""Pictures of a page for paper, and for browsers without script: in the style of all pictures, as PNG."""

from __future__ import annotations

import base64
import io
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes, mode_numbers
from nf2ff.metrics.beam_set import Envelope, distribution
from nf2ff.report.pattern_plots import MAP_DEPTH
from nf2ff.report.picture import COLOURS, TEXT_COLOUR, decibels, finish, frequency_label, new_axes, style_axes
from nf2ff.uncertainty.budget.budget import Budget
from nf2ff.uncertainty.budget.combine import combine

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Real = NDArray[np.float64]
#: How far below the largest pictures of orders and of what is left reach [dB].
ORDER_DEPTH, LEFT_DEPTH = 80.0, 100.0
#: Dots per inch on paper, colours of a picture, and at most so many terms in a chart.
RESOLUTION, COLOUR_COUNT, MOST_TERMS = 120, 128, 12


def png_text(draw: Callable[[], Any]) -> str:
    """A picture as the address of an image that holds it."""
    from PIL import Image

    stream = io.BytesIO()
    draw().figure.savefig(stream, format="png", dpi=RESOLUTION)
    # As many colours as a page of paper shows apart: a third of the room.
    few = (
        Image.open(stream)
        .convert("RGB")
        .quantize(COLOUR_COUNT, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE)
    )
    stream = io.BytesIO()
    few.save(stream, format="png", optimize=True)
    return "data:image/png;base64," + base64.b64encode(stream.getvalue()).decode("ascii")


def order_map(one: Modes) -> Axes:
    """Power in each degree and order, both kinds together, over the radiated power."""
    power = 0.5 * np.abs(one.coefficients[0]) ** 2
    _, m, n = mode_numbers(one.degree)
    levels = np.full((one.degree, 2 * one.degree + 1), np.nan)
    sums = np.bincount((n - 1) * levels.shape[1] + m + one.degree, weights=power, minlength=levels.size)
    inside = np.abs(np.arange(-one.degree, one.degree + 1)) <= np.arange(1, one.degree + 1)[:, None]
    levels[inside] = decibels(sums.reshape(levels.shape) / max(power.sum(), 1e-300))[inside]
    top = float(np.nanmax(levels))
    ax = new_axes((8.0, 4.2))
    ends = (-one.degree - 0.5, one.degree + 0.5, 0.5, one.degree + 0.5)
    look: Any = {"origin": "lower", "extent": ends, "aspect": "auto", "cmap": "viridis"}
    drawn = ax.imshow(levels, vmin=top - ORDER_DEPTH, vmax=top, interpolation="nearest", **look)
    ax.figure.colorbar(drawn, ax=ax, label="power over radiated power [dB]", extend="min")
    ax.set(xlabel="order m", ylabel="degree n")
    ax.set_title(f"Mode power, {frequency_label(one)}", fontsize=11, color=TEXT_COLOUR)
    style_axes(ax)
    ax.grid(visible=False)
    return ax


def sphere_map(values: Real, *, step: float, label: str, title: str, low: float) -> Axes:
    """Values in dB (T, P) over theta and phi in steps of ``step`` [deg], from ``low`` up; NaN stays white."""
    ax = new_axes((8.2, 4.0))
    top = float(np.nanmax(values)) if np.isfinite(values).any() else 0.0
    drawn = _over_sphere(ax, values, step, title, cmap="viridis", vmin=low, vmax=max(top, low + 1))
    ax.figure.colorbar(drawn, ax=ax, label=label, extend="min")
    return ax


def beam_map(beam: NDArray[Any], names: list[str], *, step: float, title: str) -> Axes:
    """Which of several beams is the strongest in each direction, counted from 0."""
    from matplotlib import colormaps
    from matplotlib.colors import ListedColormap
    from matplotlib.patches import Patch

    ax = new_axes((8.2, 4.8))
    count = len(names)
    colours = colormaps["viridis"](np.linspace(0, 1, count))
    _over_sphere(ax, beam, step, title, cmap=ListedColormap(colours), vmin=-0.5, vmax=count - 0.5)
    entries = [Patch(color=c, label=plain_text(name)) for c, name in zip(colours, names, strict=True)]
    ax.figure.legend(handles=entries[:24], loc="outside lower center", ncols=6, frameon=False, fontsize=8)
    return ax


def _over_sphere(ax: Any, values: NDArray[Any], step: float, title: str, **look: Any) -> Any:
    """An image over theta and phi on axes."""
    ends = (-step / 2, 360 - step / 2, 180 + step / 2, -step / 2)
    drawn = ax.imshow(values, extent=ends, aspect="auto", interpolation="nearest", **look)
    ax.set(xlabel="phi [deg]", ylabel="theta [deg]", xlim=(0, 360), ylim=(180, 0))
    ax.set_xticks(range(0, 361, 45))
    ax.set_yticks(range(0, 181, 30))
    ax.set_title(title, fontsize=11, color=TEXT_COLOUR)
    style_axes(ax)
    ax.grid(visible=False)
    return drawn


def term_chart(budget: Budget, metric: str, *, title: str) -> Axes:
    """Standard uncertainty by term as bars, the largest at the top."""
    found = combine(budget, metric)
    sizes = np.abs(found.contributions) * found.metric.shown.factor
    order = [t for t in np.argsort(np.nan_to_num(sizes)) if sizes[t] > 0][-MOST_TERMS:]
    ax = new_axes((8.0, 1.4 + 0.28 * max(1, len(order))))
    ax.barh(range(len(order)), sizes[order], color=COLOURS[0], height=0.7, label="standard uncertainty")
    ax.set_yticks(range(len(order)), [plain_text(budget.names[t]) for t in order])
    finish(ax, title, (f"standard uncertainty [{found.metric.shown.name}]", ""), columns=1)
    ax.get_legend().remove()
    ax.grid(visible=False, axis="y")
    return ax


def distribution_chart(one: Envelope, shown: Callable[[Envelope, Real], Real], *, unit: str) -> Axes:
    """Part of the sphere in which the strongest beam does not exceed a level."""
    found = distribution(one)
    ax = new_axes((8.0, 4.6))
    level = shown(one, found.value)[0]
    ax.plot(level, 100 * found.probability[0], color=COLOURS[1], linewidth=1.8, label="the strongest beam")
    ceiling = 5 * np.ceil(level.max() / 5)
    ax.set_xlim(ceiling - MAP_DEPTH, ceiling)
    ax.set_ylim(0, 100)
    return finish(ax, "", (unit, "part of the sphere at or below [%]"), columns=1)


def plain_text(text: str) -> str:
    """A text that is not taken for a formula, shortened."""
    return (text if len(text) <= 60 else text[:59] + "…").replace("$", r"\$")
