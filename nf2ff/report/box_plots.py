"""Pictures of the inside of an antenna's box: where it radiates, fields beside it, an array's excitations."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes, wavenumber
from nf2ff.diagnostics.array import Excitations
from nf2ff.diagnostics.origin import translate
from nf2ff.diagnostics.parts import RadiatingParts, power_map
from nf2ff.messages.input_error import InputError
from nf2ff.report.picture import COLOURS, TEXT_COLOUR, decibels, finish, new_axes, new_figure, style_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
#: Depth of maps below the strongest place [dB], and raster of a map: points from its middle to its edge.
_DEPTH, _RASTER = 30.0, 24
#: Views of a box: axis to the right, axis up, axis towards the reader.
_VIEWS = ((0, 1, 2), (0, 2, 1), (1, 2, 0))


def _colours(ax: Any, x: Any, y: Any, values: Real, **look: Any) -> Any:
    """Values (Y, X) over a plane, axes alike."""
    drawn = ax.pcolormesh(x, y, values, rasterized=True, **look)
    style_axes(ax)
    ax.grid(visible=False)
    return drawn


def box_map(
    modes: Modes,
    *,
    middle: Real,
    radius: float,
    centre: Real,
    parts: RadiatingParts | None = None,
    sphere: bool = True,
) -> Axes:
    """From where an antenna radiates: power in the lowest degrees about each place, seen along z, y and x.

    Parameters
    ----------
    modes : Modes
        One frequency.
    middle : (3,) ndarray
        Middle of the picture [m].
    radius : float
        Sphere about it that holds what radiates: as far as is looked [m].
    centre : (3,) ndarray
        Centre of radiation, which is marked [m].
    parts : RadiatingParts, optional
        Parts to mark, in the frame of the modes.
    sphere : bool
        Whether to draw the sphere.

    Returns
    -------
    Axes
        The first of three.

    Raises
    ------
    ValueError
        As `diagnostics.parts.power_map`.
    """
    k = float(wavenumber(modes.frequency[0]))
    # As fine as an eighth of a wavelength, and no more points than a picture shows.
    reach = 1.25 * radius
    step = min(np.pi / k, max(np.pi / (4 * k), reach / _RASTER))
    (x, *_), power = power_map(translate(modes, middle), radius=reach, step=step)
    level = decibels(power / power.max())
    figure = new_figure((12.4, 4.6))
    panels = figure.subplots(1, 3)
    around = np.linspace(0, 2 * np.pi, 181)
    for ax, (across, up, depth) in zip(panels, _VIEWS, strict=True):
        shown = np.moveaxis(level, (up, across), (0, 1)).max(axis=2)
        right, top = (1e3 * (x + middle[i]) for i in (across, up))
        look = {"cmap": "viridis", "vmin": -_DEPTH, "vmax": 0, "shading": "gouraud"}
        drawn = _colours(ax, right, top, np.maximum(shown, -_DEPTH), **look)
        ring = 1e3 * middle[[across, up], None] + 1e3 * radius * np.stack([np.cos(around), np.sin(around)])
        if sphere:
            ax.plot(*ring, color="white", linewidth=1.2, linestyle=(0, (5, 3)))
        ax.plot(*(1e3 * centre[[across, up]]), "+", color="white", markersize=10, markeredgewidth=1.6)
        for i, place in enumerate([] if parts is None else 1e3 * parts.position[:, [across, up]]):
            ax.plot(*place, "o", markersize=11, markerfacecolor="none", markeredgecolor=COLOURS[1], mew=2)
            at = {"xytext": (7, 7), "textcoords": "offset points", "color": "white", "fontsize": 10}
            dark = {"facecolor": TEXT_COLOUR, "edgecolor": "none", "pad": 1.5, "alpha": 0.8}
            ax.annotate(str(i + 1), place, fontweight="bold", bbox=dark, **at)
        names = "xyz"
        ax.set(xlabel=f"{names[across]} [mm]", ylabel=f"{names[up]} [mm]", aspect="equal")
        ax.set_title(f"seen along {names[depth]}", fontsize=10, color=TEXT_COLOUR)
    figure.colorbar(drawn, ax=panels, label="power in degrees 1 and 2 [dB]", shrink=0.75)
    head = f"{modes.frequency[0] / 1e9:.6g} GHz: power about each point; cross: centre of radiation"
    head += f"; dashed: sphere of {1e3 * radius:.4g} mm" if sphere else ""
    if parts is not None:
        shares = [f"{i + 1}: {10 * np.log10(x):z.2f} dB" for i, x in enumerate(parts.power)]
        head += f"\nparts over the whole power: {', '.join(shares)}"
    figure.suptitle(head, fontsize=11, color=TEXT_COLOUR)
    return panels[0]


def surface_map(
    across: Real, up: Real, field: Complex, *, names: tuple[str, str], labels: tuple[str, str], title: str
) -> Axes:
    """Amplitude and phase of a field over a surface, of the stronger of two components.

    Parameters
    ----------
    across, up : (X,), (Y,) ndarray
        Places along the two axes, as they are labelled.
    field : (Y, X, 2) ndarray
        The two components.
    names : tuple of str
        Names of the components.
    labels : tuple of str
        Labels of the axes; axes in mm are drawn alike.
    title : str
        Put above.

    Returns
    -------
    Axes
        The first of two: amplitude over its largest.

    Raises
    ------
    ValueError
        If there is no field.
    """
    size = np.sum(np.abs(field) ** 2, axis=(0, 1))
    if not size.sum() > 0:
        raise InputError("there is no field to draw")
    strong = int(np.argmax(size))
    shown = field[:, :, strong]
    level = 2 * decibels(np.abs(shown) / np.abs(shown).max())
    # Where there is hardly any field the phase is that of noise.
    strongest = shown.ravel()[np.argmax(np.abs(shown))]
    phase = np.where(level > -_DEPTH, np.degrees(np.angle(shown * np.conj(strongest))), np.nan)
    same = labels[0].endswith("[mm]")
    figure = new_figure((11.2, 4.9) if same else (8.6, 8.0))
    panels = figure.subplots(1, 2) if same else figure.subplots(2, 1)
    for ax, values, look, label in (
        (
            panels[0],
            np.maximum(level, -_DEPTH),
            ("viridis", -_DEPTH, 0),
            f"amplitude of {names[strong]} [dB]",
        ),
        (panels[1], phase, ("twilight", -180, 180), f"phase of {names[strong]} [deg of the strongest]"),
    ):
        style = {"cmap": look[0], "vmin": look[1], "vmax": look[2], "shading": "nearest"}
        drawn = _colours(ax, across, up, values, **style)
        ax.set(xlabel=labels[0], ylabel=labels[1])
        if same:
            ax.set_aspect("equal")
        else:
            ax.set_xticks(range(0, 361, 45))
            ax.set_yticks(range(0, 181, 30))
            ax.set_ylim(180, 0)
        figure.colorbar(drawn, ax=ax, label=label, shrink=0.85)
    figure.suptitle(title, fontsize=11, color=TEXT_COLOUR)
    return panels[0]


def excitation_map(found: Excitations) -> Axes:
    """Amplitude and phase of an array's excitations where its elements stand, dead ones crossed out.

    Parameters
    ----------
    found : Excitations
        What `diagnostics.array.array_excitations` found.

    Returns
    -------
    Axes
        The first of two: amplitude over its median.
    """
    across, up = sorted(np.argsort(-np.ptp(found.position, axis=0), kind="stable")[:2].tolist())
    place = 1e3 * found.position[:, [across, up]]
    size = np.abs(found.excitation)
    level = 2 * decibels(size / np.median(size))
    dead = found.dead()
    phase = np.degrees(np.angle(found.excitation * np.exp(-1j * np.angle(found.excitation[~dead].sum()))))
    span = max(1.0, float(np.ceil(np.abs(level[~dead]).max())))
    turn = 15 * np.ceil(np.abs(phase[~dead]).max() / 15)
    around = ("twilight_shifted", -180, 180) if turn > 90 else ("RdBu_r", -turn, turn)
    figure = new_figure((11.2, 4.9))
    panels = figure.subplots(1, 2)
    room = np.maximum(np.ptp(place, axis=0), 1e-3 * np.ptp(place) + 1e-6)
    dot = float(np.clip(4e4 / max(1, len(place)), 12, 900)) * 0.6
    for ax, values, label, look in (
        (panels[0], level, "amplitude over the median [dB]", ("RdBu_r", -span, span)),
        (
            panels[1],
            phase,
            "phase from that of the sum [deg]",
            around,
        ),
    ):
        style = {
            "cmap": look[0],
            "vmin": look[1],
            "vmax": look[2],
            "edgecolors": "#6b7178",
            "linewidths": 0.8,
        }
        drawn = ax.scatter(*place[~dead].T, c=values[~dead], s=dot, **style)
        ax.scatter(*place[dead].T, s=dot, facecolors="white", edgecolors=COLOURS[1], linewidths=1.4)
        ax.scatter(*place[dead].T, s=0.6 * dot, marker="x", color=COLOURS[1], label="dead")
        ax.set(xlabel=f"{'xyz'[across]} [mm]", ylabel=f"{'xyz'[up]} [mm]", aspect="equal")
        ax.set_xlim(*_ends(place[:, 0], room[0]))
        ax.set_ylim(*_ends(place[:, 1], max(room[1], 0.15 * room[0])))
        style_axes(ax)
        figure.colorbar(drawn, ax=ax, label=label, shrink=0.85)
    doubt = (
        ""
        if np.isnan(found.uncertainty).all()
        else (
            f", noise {20 * np.log10(np.nanmedian(found.uncertainty) / np.median(size)):z.1f} dB of "
            "the median"
        )
    )
    dead_words = (
        f"{dead.sum()} of {dead.size} elements dead (crossed out)" if dead.any() else "no element dead"
    )
    figure.suptitle(
        f"{found.frequency / 1e9:.6g} GHz: {dead_words}{doubt}, not explained "
        f"{10 * np.log10(max(found.remainder, 1e-30)):z.1f} dB",
        fontsize=11,
        color=TEXT_COLOUR,
    )
    return panels[0]


def _ends(values: Real, room: float) -> tuple[float, float]:
    return float(values.min() - 0.08 * room), float(values.max() + 0.08 * room)


def filter_effect(modes: Modes, *, centre: Real, radius: float, degree: int) -> Axes:
    """Power in each degree about a sphere's centre, and what of it the sphere can hold.

    Parameters
    ----------
    modes : Modes
        One frequency, before the filter.
    centre : (3,) ndarray
        The sphere's centre [m].
    radius : float
        Its radius [m].
    degree : int
        Largest degree that is kept.

    Returns
    -------
    Axes
        The axes.
    """
    about = translate(modes, centre)
    power = about.power_spectrum()[0]
    level = decibels(power / power.sum())
    # Beyond it there is rounding alone.
    last = min(power.size, max(degree + 2, int(np.flatnonzero(level > -120)[-1]) + 1))
    n = np.arange(1, last + 1)
    level = level[:last]
    floor = max(-120.0, 10 * np.floor(level.min() / 10))
    ax = new_axes((8.0, 4.4))
    for side, colour, words in (
        (n <= degree, COLOURS[0], "kept"),
        (n > degree, COLOURS[1], "removed"),
    ):
        share = power[:last][side].sum() / power.sum()
        told = f"{words}: {10 * np.log10(share):z.1f} dB of the power" if share > 0 else words
        ax.vlines(n[side], floor, np.maximum(level[side], floor), color=colour, alpha=0.35, linewidth=1)
        ax.plot(n[side], level[side], "o", color=colour, markersize=4, label=told)
    ax.axvline(degree + 0.5, color=TEXT_COLOUR, linewidth=1, linestyle=(0, (5, 2)))
    ax.set_xlim(0.5, last + 0.5)
    ax.set_ylim(floor, 5)
    where = ", ".join(f"{x:z.4g}" for x in 1e3 * centre)
    title = f"{modes.frequency[0] / 1e9:.6g} GHz: modes about ({where}) mm, "
    title += f"a sphere of {1e3 * radius:.4g} mm holds degrees up to {degree}"
    finish(ax, title, ("degree n about the centre", "power over radiated power [dB]"), columns=2)
    ax.grid(visible=False, axis="x")
    return ax
