"""Pictures of a scan, and of figures over frequency."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.report.picture import COLOURS, TEXT_COLOUR, decibels, finish, new_axes, new_figure, style_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Readings farther below the largest are drawn as this [dB].
_DEPTH = 60.0
#: More positions are drawn as a choice of them.
_MOST = 60_000
#: Values of chi closer than this are the one asked for [deg].
_SAME_CHI = 0.5


def near_field(
    samples: Samples, *, frequency_index: int = 0, port: int | None = None, chi: float | None = None
) -> Axes:
    """Amplitude and phase of the readings where they were taken.

    Parameters
    ----------
    samples : Samples
        The scan.
    frequency_index : int
        Which frequency.
    port : int, optional
        Which port; by default that whose readings are strongest.
    chi : float, optional
        Which rotation of the probe; by default that whose readings are strongest, any of them where chi takes
        more than 16 values [rad].

    Returns
    -------
    Axes
        The upper of two: amplitude.

    Raises
    ------
    ValueError
        If there is no such frequency, port or chi, or no reading there.
    """
    count = samples.frequency.size
    if not 0 <= frequency_index < count:
        raise InputError(f"frequency_index is {frequency_index}, expected 0 to {count - 1}")
    response = samples.response[frequency_index]
    theta, phi, turns, radius = samples.place(frequency_index)
    there = ~np.isnan(response)
    if not there.any():
        raise InputError(f"there is no reading at {samples.frequency[frequency_index]:.9g} Hz")
    there = _chosen(samples.port, turns, there, port, chi)
    port, angle, rows = strongest_rows(samples.port, turns, response, there, asked=chi)
    # Negative theta is the far side of the pole, where theta^ and phi^ point the other way.
    read = np.where(theta[rows] < 0, -response[rows], response[rows])
    t = np.degrees(np.abs(theta[rows]))
    p = np.degrees(np.mod(np.where(theta[rows] < 0, phi[rows] + np.pi, phi[rows]), 2 * np.pi))
    level = 2 * decibels(np.abs(response[rows]) / np.abs(response[rows]).max())
    figure = new_figure((8.2, 7.6))
    panels: Any = figure.subplots(2, 1, sharex=True)
    size = float(np.clip((6.0 * 72 / 360) ** 2 * 41253 / max(rows.size, 1) * 1.3, 1, 120))
    for ax, values, label, colours, ends in (
        (panels[0], np.maximum(level, -_DEPTH), "amplitude [dB of the largest]", "viridis", (-_DEPTH, 0)),
        (panels[1], np.degrees(np.angle(read)), "phase [deg]", "twilight", (-180, 180)),
    ):
        look = {"s": size, "marker": "s", "linewidths": 0, "vmin": ends[0], "vmax": ends[1]}
        dots = ax.scatter(p, t, c=values, cmap=colours, **look)
        figure.colorbar(dots, ax=ax, label=label)
        ax.set(ylabel="theta [deg]", xlim=(0, 360), ylim=(180, 0))
        ax.set_xticks(range(0, 361, 45))
        ax.set_yticks(range(0, 181, 30))
        style_axes(ax)
        ax.grid(visible=False)
    panels[1].set_xlabel("phi [deg]")
    at = radius[rows]
    where = f"{at.min():z.4g} m" if np.ptp(at) < 1e-3 * at.min() else f"{at.min():z.4g} to {at.max():z.4g} m"
    few = f", {rows.size} of" if rows.size < np.count_nonzero(there) else ","
    figure.suptitle(
        f"{samples.frequency[frequency_index] / 1e9:.6g} GHz, radius {where}, port {port}, chi {angle}"
        f"{few} {np.count_nonzero(there)} readings",
        fontsize=11,
        color=TEXT_COLOUR,
    )
    return panels[0]


def _chosen(
    ports: NDArray[Any], turns: NDArray[Any], there: NDArray[np.bool_], port: int | None, chi: float | None
) -> NDArray[np.bool_]:
    """Readings of a port and a chi, those that are asked for."""
    if port is not None:
        if not np.any(ports == port):
            known = ", ".join(map(str, np.unique(ports).tolist()))
            raise InputError(f"the scan has no port {port}", f"choose from {known}")
        there = there & (ports == port)
    if chi is not None:
        # Readings within half a degree, around the circle.
        off = np.degrees(np.abs(np.angle(np.exp(1j * (turns - chi)))))
        if not np.any(off < _SAME_CHI):
            near = np.degrees(turns[np.argmin(off)]) % 360
            raise InputError(
                f"the scan has no chi of {np.degrees(chi):z.6g} deg", f"the nearest is {near:z.6g} deg"
            )
        there = there & (off < _SAME_CHI)
    if not there.any():
        raise InputError("there is no reading of that port and chi", "choose others")
    return there


def strongest_rows(
    port: NDArray[Any],
    chi: NDArray[Any],
    response: NDArray[Any],
    there: NDArray[np.bool_],
    *,
    most: int | None = _MOST,
    asked: float | None = None,
) -> tuple[int, str, NDArray[np.intp]]:
    """Port, chi if not asked for, and rows of the strongest readings; any chi where it varies freely.

    Of more rows than ``most`` a choice.
    """
    turned = np.mod(np.degrees(chi), 360).round(3)
    values = np.unique(turned)
    power = np.where(there, np.abs(np.where(there, response, 0)) ** 2, 0)
    by_port = {int(x): power[port == x].sum() for x in np.unique(port)}
    best = max(by_port, key=lambda x: by_port[x])
    chosen, name = there & (port == best), "as it came"
    if asked is not None:
        name = f"{np.degrees(asked):zg} deg"
    elif values.size <= 16:
        by_chi = {x: power[chosen & (turned == x)].sum() for x in values.tolist()}
        angle = max(by_chi, key=lambda x: by_chi[x])
        chosen, name = chosen & (turned == angle), f"{angle:g} deg"
    rows = np.flatnonzero(chosen)
    if most is not None and rows.size > most:
        rows = np.sort(np.random.default_rng(0).choice(rows, most, replace=False))
    return best, name, rows


def over_frequency(
    frequency: NDArray[np.float64], curves: Mapping[str, NDArray[np.float64]], *, label: str
) -> Axes:
    """Figures over frequency.

    Parameters
    ----------
    frequency : (F,) ndarray
        Frequencies [Hz].
    curves : mapping of str to (F,) ndarray
        Values by name, all in the unit of the label; NaN where there is none.
    label : str
        What the ordinate is, with its unit.

    Returns
    -------
    Axes
        The axes.

    Raises
    ------
    ValueError
        If there is no curve.
    """
    if not curves:
        raise InputError("there is no figure to draw over frequency")
    ax = new_axes((8.0, 4.6))
    colours = (*COLOURS[::-1], "#7a5195", "#2e8b57", "#d08a1e")
    order = np.argsort(frequency)
    for i, (name, values) in enumerate(curves.items()):
        marker = "o" if frequency.size <= 40 else None
        look = {"linewidth": 1.8, "marker": marker, "markersize": 4}
        ax.plot(frequency[order] / 1e9, values[order], color=colours[i % len(colours)], label=name, **look)
    return finish(ax, "", ("frequency [GHz]", label), columns=min(3, len(curves)))
