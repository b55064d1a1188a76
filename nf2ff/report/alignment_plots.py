"""Picture of an alignment: what modes leave of the readings before and after, faults in their priors."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from nf2ff.diagnostics.alignment.result import Alignment
from nf2ff.report.picture import COLOURS, TEXT_COLOUR, new_figure, style_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Faults shown at most, those that change the far field most.
MOST = 16
#: Height of the colours, from the noise [dB].
_BELOW, _ABOVE = 10.0, 30.0


def alignment_overview(found: Alignment, *, phi: Any, theta: Any) -> Axes:
    """Residual on the sphere as recorded and as aligned, and estimates over their priors.

    Parameters
    ----------
    found : Alignment
        What was found.
    phi, theta : (M,) ndarray
        Recorded angles of the samples [rad].

    Returns
    -------
    Axes
        The first of three.
    """
    figure = new_figure((10.6, 7.8))
    grid = figure.add_gridspec(2, 2, width_ratios=(1.25, 1))
    upper = figure.add_subplot(grid[0, 0])
    lower = figure.add_subplot(grid[1, 0], sharex=upper)
    right = figure.add_subplot(grid[:, 1])
    noise = 20 * np.log10(found.noise)
    t = np.degrees(np.abs(theta))
    p = np.degrees(np.mod(np.where(np.asarray(theta) < 0, phi + np.pi, phi), 2 * np.pi))
    dots: Any = None
    for ax, residual, title in (
        (upper, found.residual_before, "residual as recorded"),
        (lower, found.residual_after, "residual aligned"),
    ):
        there = ~np.isnan(residual) & (residual > 0)
        rms = 20 * np.log10(np.sqrt(np.mean(residual[there] ** 2)))
        level = 20 * np.log10(residual[there])
        dots = ax.scatter(
            p[there],
            t[there],
            c=np.clip(level, noise - _BELOW, noise + _ABOVE),
            vmin=noise - _BELOW,
            vmax=noise + _ABOVE,
            cmap="viridis",
            s=float(np.clip(60000 / max(level.size, 1), 1, 60)),
            linewidths=0,
        )
        ax.set(ylabel="theta [deg]", xlim=(0, 360), ylim=(180, 0))
        ax.set_title(f"{title}: {rms:z.1f} dB rms", fontsize=10, color=TEXT_COLOUR, loc="left")
        ax.set_xticks(range(0, 361, 60))
        ax.set_yticks(range(0, 181, 30))
        style_axes(ax)
        ax.grid(visible=False)
    lower.set_xlabel("phi [deg]")
    figure.colorbar(dots, ax=[upper, lower], label="dB of the largest response", shrink=0.7)
    estimates = sorted(found.estimates(), key=lambda x: -x.field)[:MOST][::-1]
    y = np.arange(len(estimates))
    value = np.array([x.value / x.prior for x in estimates])
    error = np.array([x.uncertainty / x.prior for x in estimates])
    right.barh(y, 2 * np.ones_like(value), left=-1, height=0.62, color="#e6e9ec")
    right.errorbar(value, y, xerr=error, fmt="o", color=COLOURS[1], markersize=5, capsize=3)
    right.set_yticks(y, [x.name for x in estimates])
    right.set_xlabel("estimate over its prior")
    right.set_title("faults; grey: prior", fontsize=10, color=TEXT_COLOUR, loc="left")
    style_axes(right)
    right.grid(visible=False, axis="y")
    levels = [f"{20 * np.log10(x):z.1f}" for x in (found.far_field_before, found.far_field_after)]
    figure.suptitle(
        f"{found.frequency / 1e9:.6g} GHz, far field uncertain by {levels[0]} dB, aligned {levels[1]} dB",
        fontsize=11,
        color=TEXT_COLOUR,
    )
    return upper
