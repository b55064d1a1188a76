"""Pictures for a report: ``(noun, *, ax=None) -> Axes``.

Without ``ax`` a figure of its own is made. Save it with ``ax.figure.savefig(...)``. Axes are in
degrees and decibels.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from nf2ff.antenna.far_field import far_field
from nf2ff.antenna.modes import Modes
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.beam import Peak, peak
from nf2ff.metrics.planes import at_pole
from nf2ff.metrics.polarisation import Basis, components, partial_directivity, tilt_angle
from nf2ff.report import picture
from nf2ff.report.result import shown_azimuth

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Mode power farther below the total is rounding of no interest [dB].
LOWEST = 200.0
#: Two cuts closer than this are drawn once [rad].
SAME_CUT = np.radians(0.5)


def principal_cuts(
    modes: Modes, *, frequency_index: int = 0, basis: Basis = "ludwig-3", ax: Axes | None = None
) -> Axes:
    """Directivity over theta from -180 to 180 deg in the cuts phi = 0, 90 deg and of the peak.

    The third is left out where the beam is at a pole (`nf2ff.metrics.planes.at_pole`).

    Parameters
    ----------
    modes : Modes
        Mode coefficients.
    frequency_index : int
        Which of their frequencies.
    basis : {"ludwig-3", "circular", "theta-phi", "linear"}
        Polarisation basis. The component that is stronger at the peak is drawn solid, as
        co-polar, the other dashed. The reference angle of "ludwig-3" is that of the field there.
    ax : Axes, optional
        Where to draw; by default a figure of its own.

    Returns
    -------
    Axes
        The axes drawn on.

    Raises
    ------
    ValueError
        If there is no such frequency or basis, or nothing is radiated.
    """
    cuts = _Cuts(picture.one_of(modes, frequency_index), basis)
    ax = picture.new_axes((8.0, 5.2)) if ax is None else ax
    for theta, level, look in cuts.lines():
        ax.plot(np.degrees(theta), level, **look)
    ax.set_xlim(-180, 180)
    ax.set_xticks(np.arange(-180, 181, 45))
    picture.set_levels(ax, cuts.floor, cuts.ceiling)
    labels = ("theta [deg] (negative: azimuth phi + 180°)", "partial directivity [dBi]")
    return picture.finish(ax, cuts.title, labels, columns=len(cuts.names))


def polar_cuts(
    modes: Modes, *, frequency_index: int = 0, basis: Basis = "ludwig-3", ax: Axes | None = None
) -> Axes:
    """Polar picture of the cuts of `principal_cuts`, theta = 0 at the top, rings in dBi.

    Parameters
    ----------
    modes, frequency_index, basis
        As in `principal_cuts`, which says what is returned and raised, too.
    ax : Axes, optional
        Polar axes to draw on; by default a figure of its own.

    Returns
    -------
    Axes
        The axes drawn on.

    Raises
    ------
    ValueError
        As `principal_cuts`, or if ``ax`` is not polar.
    """
    polar: Any = ax  # set_theta_zero_location and its like exist on polar axes only
    if polar is not None and polar.name != "polar":
        raise InputError(f"ax is {polar.name}, expected polar axes", "make them with projection='polar'")
    cuts = _Cuts(picture.one_of(modes, frequency_index), basis)
    if polar is None:
        polar = picture.new_axes((6.6, 7.4), (0.09, 0.15, 0.82, 0.82 * 6.6 / 7.4), projection="polar")
    for theta, level, look in cuts.lines():
        # Below its floor a polar plot would go on at the other side of the centre.
        polar.plot(theta, np.maximum(level, cuts.floor), **look)
    picture.polar_rings(polar, cuts.floor, cuts.ceiling, angle=cuts.quiet_angle())
    return picture.finish(polar, cuts.title, None, columns=len(cuts.names), drop=26, pad=14)


def power_spectrum(modes: Modes, *, frequency_index: int = 0, ax: Axes | None = None) -> Axes:
    """Radiated power in each degree n over the total [dB].

    Parameters
    ----------
    modes : Modes
        Mode coefficients.
    frequency_index : int
        Which of their frequencies.
    ax : Axes, optional
        Where to draw; by default a figure of its own.

    Returns
    -------
    Axes
        The axes drawn on.

    Raises
    ------
    ValueError
        If there is no such frequency, or nothing is radiated.
    """
    one = picture.one_of(modes, frequency_index)
    power = one.power_spectrum()[0]
    if not power.sum() > 0:
        raise InputError(f"nothing is radiated at {one.frequency[0]:.9g} Hz: there is no spectrum to draw")
    n = np.arange(1, power.size + 1)
    level = picture.decibels(power / power.sum())
    floor = max(-LOWEST, 10 * np.floor(np.percentile(level, 2) / 10) - 10)
    ax = picture.new_axes((8.0, 4.2)) if ax is None else ax
    many = n.size > 60
    if not many:
        ax.vlines(n, floor, np.maximum(level, floor), color=picture.COLOURS[0], alpha=0.35, linewidth=1)
    size = 2.5 if many else 5
    ax.plot(n, level, "o", color=picture.COLOURS[0], markersize=size, label="power in degree n")
    tail = picture.decibels(np.cumsum(power[::-1])[::-1] / power.sum())
    # Whole steps at both ends, too: a single degree would leave nothing to see.
    edges, tail = np.concatenate([[0.5], n, [n.size + 0.5]]), np.pad(tail, 1, mode="edge")
    ax.step(edges, tail, where="mid", color=picture.COLOURS[1], linewidth=1.4, label="in degree n and above")
    ax.set_xlim(0.5, n.size + 0.5)
    ax.set_ylim(floor, 5)
    if n.size < 10:
        ax.set_xticks(n)
    else:
        ax.locator_params(axis="x", integer=True)
    title, labels = (
        f"Mode power, {picture.frequency_label(one)}",
        ("degree n", "power over radiated power [dB]"),
    )
    picture.finish(ax, title, labels, columns=2)
    ax.grid(visible=False, axis="x")
    return ax


class _Cuts:
    """Co- and cross-polar directivity of one frequency in two or three cuts."""

    def __init__(self, one: Modes, basis: Basis) -> None:
        top = peak(one)
        azimuth = [0.0, np.pi / 2]
        names = ["phi = 0°", "phi = 90°"]
        third = float(np.mod(top.phi[0], np.pi))
        apart = [abs(np.angle(np.exp(2j * (third - a)))) / 2 for a in azimuth]
        # At a pole the azimuth of the peak is that of noise.
        if min(apart) > SAME_CUT and not at_pole(one, theta=top.theta[0], phi=top.phi[0]):
            azimuth.append(third)
            names.append(f"phi = {np.degrees(third):z.1f}° (peak)")
        # Ten points in the shortest period of the intensity, pi/N.
        theta = np.linspace(0, np.pi, max(181, 10 * one.degree + 1))
        phi = np.array([a + side for a in azimuth for side in (0, np.pi)])
        reference, swap, words = _polarisation(one, top, basis)
        pattern = far_field(one, theta=theta, phi=phi)
        pair = partial_directivity(pattern, basis, reference_angle=reference)
        co, cross = (picture.decibels(d[0]) for d in (pair[::-1] if swap else pair))
        self.theta = np.concatenate([-theta[:0:-1], theta])
        self.co, self.cross = (
            [np.concatenate([d[:0:-1, 2 * i + 1], d[:, 2 * i]]) for i in range(len(azimuth))]
            for d in (co, cross)
        )
        self.names = names
        maximum = 10 * np.log10(top.directivity[0])
        self.floor, self.ceiling = picture.level_ends(maximum)
        self.title = (
            f"{picture.frequency_label(one)}: peak {maximum:z.2f} dBi at "
            f"theta {np.degrees(top.theta[0]):z.2f}°, "
            f"phi {shown_azimuth(np.degrees(top.phi[0]), 2):z.2f}°\n{words}"
        )

    def lines(self) -> list[tuple[Any, Any, dict[str, Any]]]:
        """Angle [rad], level [dBi] and look of each line, co- and cross-polar of each cut."""
        result = []
        for i, (colour, name) in enumerate(zip(picture.COLOURS, self.names, strict=False)):
            co = {"linewidth": picture.WIDTHS[i], "zorder": 3.0 + 0.1 * i}
            cross = {
                "linewidth": 0.6 * picture.WIDTHS[i],
                "zorder": 4.0 + 0.1 * i,
                "linestyle": picture.DASHES[i],
            }
            for kind, value, style in (("co", self.co[i], co), ("cross", self.cross[i], cross)):
                look = {"color": colour, "label": f"{kind}, {name}", **style}
                result.append((self.theta, value, look))
        return result

    def quiet_angle(self) -> float:
        """Ray along which the lines reach least far, where ring labels hide little [deg]."""
        rays = np.arange(15, 360, 30)
        highest = np.max([*self.co, *self.cross], axis=0)
        apart = np.abs(np.angle(np.exp(1j * (self.theta[:, None] - np.radians(rays)))))
        reach = np.where(apart < np.radians(8), highest[:, None], -np.inf).max(axis=0)
        return float(rays[np.argmin(np.maximum(reach, self.floor))])


def _polarisation(one: Modes, top: Peak, basis: Basis) -> tuple[float, bool, str]:
    """Reference angle, whether the second component is the stronger at the peak, and a caption."""
    there = far_field(one, theta=top.theta, phi=top.phi)
    reference = 0.0
    if basis == "ludwig-3":
        # E_co is the component along theta^ turned by phi0 - phi: as far as the ellipse is tilted.
        reference = float(there.phi[0] + tilt_angle(there)[0, 0, 0])
        reference = (reference + np.pi / 2) % np.pi - np.pi / 2
    if basis == "linear":
        reference = float(tilt_angle(there)[0, 0, 0])
    first, second = (abs(c[0, 0, 0]) for c in components(there, basis, reference_angle=reference))
    swap = bool(second > first)
    shown = float(np.degrees(reference))
    if basis == "linear":
        return reference, swap, f"co and cross linear, slant {shown:z.1f}° from θ̂"
    if basis == "ludwig-3":
        return reference, swap, f"co and cross by Ludwig-3, reference {shown:z.1f}°"
    words = ("right-hand", "left-hand") if basis == "circular" else ("theta", "phi")
    if swap:
        words = words[::-1]
    return reference, swap, f"co: {words[0]}, cross: {words[1]}"
