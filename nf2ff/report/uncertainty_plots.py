"""Pictures of uncertainty: ``(noun, *, ax=None) -> Axes``, in the style of `plots`."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.messages.input_error import InputError
from nf2ff.report import picture
from nf2ff.report.growth import SHOWN_ERROR_UNITS, certified_texts, figure_label
from nf2ff.report.result import shown_azimuth
from nf2ff.uncertainty.budget.combine import coverage_factor
from nf2ff.uncertainty.growth import Growth, Shown, shown_for
from nf2ff.uncertainty.result import Uncertainty

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Real = NDArray[np.float64]

#: Growth of bands from which a linear ordinate would show the least of them as nothing.
FAR_APART = 30.0


def cuts_with_bars(
    uncertainty: Uncertainty,
    *,
    frequency_index: int = 0,
    ax: Axes | None = None,
    seen: NDArray[np.bool_] | None = None,
) -> Axes:
    """Level along the cuts that the draws followed, with error bars as bands.

    Parameters
    ----------
    uncertainty : Uncertainty
        With draws on cuts.
    frequency_index : int
        Which of its frequencies.
    ax : Axes, optional
        Where to draw; by default a figure of its own.
    seen : ndarray of bool, optional
        Along the cuts (C, A), whether the near field was seen; nothing is drawn where it was not.

    Returns
    -------
    Axes
        The axes drawn on.

    Raises
    ------
    ValueError
        If there were no draws on cuts, or there is no such frequency.

    Notes
    -----
    EIRP, or of relative data the level over the nominal peak, with an error of the level as a whole
    in it. A band is the intensity plus and minus its standard deviation among the draws times the
    normal coverage factor: errors that are modelled, not the other terms of the budget. Dotted is
    the root mean square of the change of the field, the signal that would make such errors.
    """
    pattern = uncertainty.pattern
    if pattern is None:
        raise InputError("no draws followed the pattern", "make draws, and give the cuts")
    f, cut = frequency_index, pattern.cut
    one = picture.one_of(uncertainty.modes, f)
    confidence, absolute = uncertainty.budgets[f].confidence, one.reference == "absolute"
    u, _, spread = pattern.intensity[:, f]
    signal = pattern.error_signal[f]
    top = float(u.max())
    unit = 1e-3 / (4 * math.pi) if absolute else top
    expanded = coverage_factor(confidence) * spread
    floor, ceiling = picture.level_ends(float(picture.decibels((u + expanded).max() / unit)))
    hidden = False
    if seen is not None and not seen.all():
        hidden = True
        u, expanded, signal = (np.where(seen, x, np.nan) for x in (u, expanded, signal))
    ax = picture.new_axes((8.0, 5.2)) if ax is None else ax
    angle = np.degrees(cut.angle)
    for i, plane in enumerate(np.degrees(cut.plane)):
        look: Any = {"color": picture.COLOURS[i], "zorder": 3.0 - 0.1 * i}
        low, high = (
            np.maximum(picture.decibels((u[i] + x * expanded[i]) / unit), floor - 1) for x in (-1, 1)
        )
        ax.fill_between(
            angle, low, high, color=picture.COLOURS[i], alpha=0.3, linewidth=0, zorder=2.0 - 0.1 * i
        )
        name = cut.names[i] if cut.names else _cut_name(plane)
        ax.plot(angle, picture.decibels(u[i] / unit), linewidth=0.6 * picture.WIDTHS[i], label=name, **look)
        look |= {"zorder": 2.5 - 0.1 * i, "linestyle": ":", "label": "rms error signal"}
        ax.plot(angle, picture.decibels(signal[i] * top / unit), linewidth=1.0, **look)
    ax.set_xlim(angle.min(), angle.max())
    if angle.max() - angle.min() > 180:
        ax.set_xticks(np.arange(-180, 181, 45))
    picture.set_levels(ax, floor, ceiling)
    theta, phi = math.degrees(cut.theta), shown_azimuth(math.degrees(cut.phi), 2)
    title = (
        f"{picture.frequency_label(one)}: cuts through theta {theta:z.2f}°, phi {phi:z.2f}°\n"
        f"bands: {100 * confidence:.4g} %, by {uncertainty.made} draws of the modelled errors"
    )
    title += "; lines end where they hang on what was not measured" if hidden else ""
    ordinate = "EIRP [dBm]" if absolute else "level over the peak [dB]"
    labels = ("angle from the centre of the cuts [deg]", ordinate)
    return picture.finish(ax, title, labels, columns=len(cut.plane))


def _cut_name(plane: float) -> str:
    """A cut by its angle from theta^ towards phi^ [deg]."""
    along = {0.0: " (along theta)", 90.0: " (along phi)"}
    return f"cut {plane:.4g}°{along.get(round(float(plane), 6), '')}"


# --- growth --------------------------------------------------------------------------------------


def growth_of_level(growth: Growth, *, shown: Shown | None = None, ax: Axes | None = None) -> Axes:
    """Error level of the pattern over what was varied, with the band of the draws.

    Parameters
    ----------
    growth : Growth
        The study.
    shown : Shown, optional
        How its values are shown.
    ax : Axes, optional
        Where to draw; by default a figure of its own.

    Returns
    -------
    Axes
        The axes drawn on.
    """
    ax = picture.new_axes((8.0, 5.0)) if ax is None else ax
    x, across = _abscissa(growth, shown, ax)
    for f, name in enumerate(_curves(growth)):
        colour = picture.COLOURS[f % len(picture.COLOURS)]
        low, middle, high = (x[:, f] for x in (growth.level_low_db, growth.level_db, growth.level_high_db))
        label = (name or "pattern error level") + _slope(growth, f)
        _banded(ax, x, (low, middle, high), colour, label, f, apart=bool(growth.names))
    title, labels = f"Error of the pattern; {_band_words(growth)}", (across, "pattern error level [dB]")
    return picture.finish(ax, title, labels, columns=min(3, growth.frequency.shape[1]))


def growth_of_errors(
    growth: Growth, *, unit: str = "dB", shown: Shown | None = None, ax: Axes | None = None
) -> Axes:
    """Errors of figures over what was varied: the mean, with the band of the draws.

    Parameters
    ----------
    growth : Growth
        The study.
    unit : {"dB", "rad"}
        Whether to draw powers, in dB, or angles, in deg.
    shown : Shown, optional
        How its values are shown.
    ax : Axes, optional
        Where to draw; by default a figure of its own.

    Returns
    -------
    Axes
        The axes drawn on.

    Raises
    ------
    ValueError
        If no figure has errors in that unit.

    Notes
    -----
    Where errors grow by decades the ordinate is logarithmic on both sides of zero, linear about it
    up to a power of ten below the least band.
    """
    which = [k for k, own in enumerate(growth.error_units) if own == unit]
    if not which:
        raise InputError(f"no figure of the study has errors in {unit}: there is nothing to draw")
    name, factor = SHOWN_ERROR_UNITS[unit]
    ax = picture.new_axes((8.0, 5.0)) if ax is None else ax
    x, across = _abscissa(growth, shown, ax)
    i = 0
    reach = np.zeros(growth.values.size)
    for k in which:
        for f, curve in enumerate(_curves(growth)):
            bands = tuple(factor * y[:, f, k] for y in (growth.low, growth.mean, growth.high))
            label = figure_label(growth.figures[k]) + (f", {curve}" if curve else "")
            colour = picture.COLOURS[i % len(picture.COLOURS)]
            _banded(ax, x, bands, colour, label, i, apart=bool(growth.names))
            reach = np.fmax(reach, np.fmax(*np.abs(bands[::2])))
            i += 1
    ax.axhline(0, color=picture.TEXT_COLOUR, linewidth=0.6, zorder=1.5)
    least, most = float(reach.min()), float(reach.max())
    if most > FAR_APART * least > 0:
        ax.set_yscale("symlog", linthresh=10 ** math.floor(math.log10(least)))
        ax.yaxis.set_major_formatter(lambda y, _: f"{y:g}".replace("-", "\N{MINUS SIGN}"))
    labels = (across, f"error [{name}]")
    return picture.finish(ax, f"Mean error; {_band_words(growth)}", labels, columns=min(2, i))


def growth_overview(growth: Growth, *, shown: Shown | None = None) -> Axes:
    """Error level of the pattern, errors of powers and those of angles, one under the other.

    Parameters
    ----------
    growth : Growth
        The study.
    shown : Shown, optional
        How its values are shown.

    Returns
    -------
    Axes
        The first of them, in a figure of their own.
    """
    units = [unit for unit in SHOWN_ERROR_UNITS if unit in growth.error_units]
    panels = _new_panels(1 + len(units))
    for unit, ax in zip(units, panels[1:], strict=True):
        growth_of_errors(growth, unit=unit, shown=shown, ax=ax)
    return growth_of_level(growth, shown=shown, ax=panels[0])


def _new_panels(count: int) -> list[Axes]:
    """Axes of one figure, one under the other."""
    first = picture.new_axes((8.0, 4.6 * count))
    figure = first.figure
    first.remove()
    return [figure.add_subplot(count, 1, i + 1) for i in range(count)]


def _abscissa(growth: Growth, shown: Shown | None, ax: Any) -> tuple[Real, str]:
    """Values as shown, and what they are; the axis is logarithmic where they are in proportion
    rather than apart."""
    how = shown or shown_for(growth.parameter)
    x = how.values(growth.values)
    if growth.names:
        ax.set_xticks(x, [_named(growth, v) for v in range(x.size)])
        ax.set_xlim(x[0] - 0.5, x[-1] + 0.5)
        return x, ""
    if not how.level and x.size > 1 and x[-1] >= 5 * x[0] > 0:
        ax.set_xscale("log")
        ax.xaxis.set_major_formatter(lambda value, _: f"{value:g}")
    return x, how.label


def _named(growth: Growth, index: int) -> str:
    """The name of a set of readings, and that it is refused or how often it was certified."""
    found = [certified_texts(growth, index, f)[0] for f in range(growth.frequency.shape[1])]
    told = ", ".join(found) + " certified" if growth.draws[index] else found[0]
    return f"{textwrap.fill(growth.names[index], 18)}\n{told}"


def _curves(growth: Growth) -> list[str]:
    """Frequencies by which curves differ, in words; empty where there is but one curve."""
    if growth.frequency.shape[1] == 1:
        return [""]
    return [f"{hertz / 1e9:.6g} GHz" for hertz in growth.frequency[0]]


def _banded(
    ax: Any, x: Real, bands: tuple[Real, ...], colour: str, label: str, index: int, *, apart: bool = False
) -> None:
    low, middle, high = bands
    if apart:  # of things that have no order
        reach = np.stack([middle - low, high - middle])
        ax.errorbar(x, middle, reach, fmt="o", color=colour, label=label, capsize=4, zorder=3)
        return
    dash = "-" if index < len(picture.COLOURS) else picture.DASHES[index % len(picture.DASHES)]
    ax.fill_between(x, low, high, color=colour, alpha=0.2, linewidth=0, zorder=2)
    for edge in (low, high):  # bands that lie over each other can be told apart by them
        ax.plot(x, edge, color=colour, linewidth=0.7, linestyle=dash, alpha=0.7, zorder=2.5)
    look: Any = {"linewidth": 1.6, "linestyle": dash, "marker": "o", "markersize": 4, "zorder": 3}
    ax.plot(x, middle, color=colour, label=label, **look)


def _slope(growth: Growth, index: int) -> str:
    """Growth from the first value to the last, in words, where there are two."""
    if growth.values.size < 2 or growth.names:
        return ""
    decades = float(np.log10(growth.values[-1] / growth.values[0]))
    rise = float(growth.level_db[-1, index] - growth.level_db[0, index])
    return f", {rise / decades:z.1f} dB per decade"


def _band_words(growth: Growth) -> str:
    """What the bands are, for a title."""
    most = int(growth.draws.max())
    up_to = "" if growth.draws.min() == most else "up to "
    return f"band: {100 * growth.confidence:.4g} % of {up_to}{most} draws"
