"""Pictures of a plane-wave array: its wave in the zone, and its weights."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import wavenumber
from nf2ff.ranges.array_design import ArrayDesign, ArrayTask
from nf2ff.ranges.plane_wave_array import element_weights, plane_points
from nf2ff.report.picture import TEXT_COLOUR, new_figure, style_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Steps of the map [wavelengths].
_STEP = 0.15


def array_overview(task: ArrayTask, design: ArrayDesign) -> Axes:
    """Deviation of amplitude and phase on the zone's middle plane, amplitude and phase of the weights.

    Parameters
    ----------
    task : ArrayTask
        The array and its zone.
    design : ArrayDesign
        The weights.

    Returns
    -------
    Axes
        The first of the figure's.
    """
    k = float(wavenumber(design.frequency))
    place = plane_points(task.zone, step=_STEP * 2 * np.pi / k)
    weights = element_weights(task.array, design.weights)
    wave = task.array.fields(place, frequency=design.frequency) @ weights
    wave = wave / wave.mean()
    figure = new_figure((10.8, 9.2), dpi=110)
    axes = figure.subplots(2, 2)
    level, angle = 20 * np.log10(np.abs(wave)), np.degrees(np.angle(wave))
    for ax, value, label in ((axes[0, 0], level, "amplitude [dB]"), (axes[0, 1], angle, "phase [deg]")):
        _map(ax, place, value, f"{label} on the middle plane, over the mean")
    set_level = 20 * np.log10(np.maximum(np.abs(weights) / np.abs(weights).max(), 1e-3))
    phase = np.degrees(np.angle(weights * np.exp(-1j * np.angle(weights.sum()))))
    _elements(
        axes[1, 0],
        task,
        set_level,
        "amplitude of the weights [dB]",
        "viridis",
        (max(-40.0, set_level.min()), 0.0),
    )
    _elements(axes[1, 1], task, phase, "phase of the weights [deg]", "twilight_shifted", (-180.0, 180.0))
    worst = design.with_errors
    with_errors = (
        f"; with errors ±{worst.amplitude_db:z.2f} dB, ±{math.degrees(worst.phase):z.1f}° in 95 % of draws"
        if design.drawn
        else ""
    )
    figure.suptitle(
        f"{design.frequency / 1e9:.6g} GHz, {task.array.channel.size} elements, zone: {task.zone.words()} at "
        f"{task.zone.centre[2]:.4g} m\n"
        f"±{design.flat.amplitude_db:z.2f} dB, ±{math.degrees(design.flat.phase):z.1f}°{with_errors}",
        fontsize=11,
        color=TEXT_COLOUR,
    )
    first: Any = axes[0, 0]
    return first


def _map(ax: Any, place: NDArray[np.float64], value: NDArray[np.float64], label: str) -> None:
    from matplotlib.tri import Triangulation

    half = max(float(np.abs(value).max()), 1e-3)
    shown = ax.tripcolor(
        Triangulation(place[:, 0], place[:, 1]),
        value,
        shading="gouraud",
        cmap="RdBu_r",
        vmin=-half,
        vmax=half,
    )
    _finish(ax, shown, label)


def _elements(
    ax: Any, task: ArrayTask, value: NDArray[np.float64], label: str, colours: str, ends: tuple[float, float]
) -> None:
    x, y = task.array.position[:, :2].T
    size = max(9.0, 30000.0 / x.size)
    shown = ax.scatter(
        x,
        y,
        c=value,
        s=size,
        marker="s",
        cmap=colours,
        vmin=ends[0],
        vmax=ends[1],
        edgecolors="#9aa0a6",
        linewidths=0.3,
    )
    _finish(ax, shown, label)


def _finish(ax: Any, shown: Any, label: str) -> None:
    ax.set_aspect("equal")
    ax.set_xlabel("x [m]")
    ax.set_ylabel("y [m]")
    style_axes(ax)
    ax.grid(visible=False)
    bar = ax.figure.colorbar(shown, ax=ax, shrink=0.9)
    bar.set_label(label, fontsize=9)
    bar.ax.tick_params(labelsize=8, colors=TEXT_COLOUR)
