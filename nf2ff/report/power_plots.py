"""Picture of powers without phase: readings over the sphere, and how they add up."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from nf2ff.power_only.scan import PowerScan
from nf2ff.report.picture import COLOURS, TEXT_COLOUR, new_figure, style_axes
from nf2ff.report.total_power import Totals

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def power_overview(found: Totals) -> Axes:
    """Draw the readings of the first frequency on the sphere, and their sum from theta = 0 on.

    Parameters
    ----------
    found : Totals
        The total and its readings.

    Returns
    -------
    Axes
        The first of the figure's two.
    """
    scan = found.scan
    figure = new_figure((10, 4.2))
    readings, sums = figure.subplots(1, 2, gridspec_kw={"width_ratios": [1.35, 1]})
    theta, phi = np.degrees(scan.theta), np.degrees(scan.phi)
    with np.errstate(divide="ignore"):
        if isinstance(scan, PowerScan):
            level, label = 10 * np.log10(scan.eirp[0] / 1e-3), "EIRP [dBm]"
        else:
            inverse = found.contribution[0] / found.total.weights * 4 * np.pi
            level, label = -10 * np.log10(inverse * 1e-3), "EIS [dBm]"
    shown = np.isfinite(level)
    step = np.sqrt(41253 / theta.size)
    size = np.clip((step * 72 * 5 / 360) ** 2 * 0.8, 4, 400)
    dots = readings.scatter(phi[shown], theta[shown], c=level[shown], s=size, marker="s", cmap="viridis")
    figure.colorbar(dots, ax=readings, label=label)
    readings.set(
        xlabel="phi [deg]", ylabel="theta [deg]", xlim=(-step / 2, 360), ylim=(180 + step / 2, -step / 2)
    )
    readings.set_xticks(range(0, 361, 60))
    readings.set_yticks(range(0, 181, 30))
    name = "TRP" if isinstance(scan, PowerScan) else "1/TIS"
    order = np.argsort(theta, kind="stable")
    share = np.cumsum(found.contribution[0][order]) / found.contribution[0].sum()
    # One step for each ring: what its readings add is spread over the solid angle they stand for.
    solid = np.minimum(np.cumsum(found.total.weights[order]) / found.total.weights.sum(), 1)
    sums.plot(np.degrees(np.arccos(1 - 2 * solid)), 100 * share, color=COLOURS[1], linewidth=1.8)
    for edge in (45, 60, 75, 90, 105, 120, 135):
        sums.axvline(edge, color="#9aa0a6", linewidth=0.7, linestyle=":")
    sums.set(xlabel="theta [deg]", ylabel=f"part of {name} up to theta [%]", xlim=(0, 180), ylim=(0, 100))
    sums.set_xticks(range(0, 181, 30))
    for ax in (readings, sums):
        style_axes(ax)
    readings.grid(visible=False)
    figure.suptitle(
        f"{scan.frequency[0] / 1e9:.6g} GHz, {theta.size} readings, weights by {found.total.method}",
        fontsize=11,
        color=TEXT_COLOUR,
    )
    return readings
