"""An antenna's cuts for a pattern file of NSMA WG16.99.050, from its modes."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.far_field import AnyFarField
from nf2ff.antenna.modes import WAVE_IMPEDANCE, Modes
from nf2ff.io.levels import directions
from nf2ff.io.nsma import NsmaCut, NsmaPattern
from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.sphere import angle_between, unit_vectors
from nf2ff.messages.input_error import InputError
from nf2ff.messages.notice import Notice
from nf2ff.messages.pattern import PatternCode
from nf2ff.metrics.beam import Peak, arc_seen, peak
from nf2ff.metrics.cuts import Circle, cut_through, lobe_edges
from nf2ff.metrics.lobes import front_to_back

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Weights of the components up and to the right, seen from behind the antenna, in each
#: polarisation. SLR is slanted to the right; RCP and LCP are those of IEEE Std 145 in exp(+jwt), as
#: in `polarisation.components`, since up, right and the direction of the wave are a right-handed
#: set.
_HALF = np.sqrt(0.5)
POLARISATIONS: dict[str, tuple[complex, complex]] = {
    "V": (1, 0),
    "H": (0, 1),
    "SLR": (_HALF, _HALF),
    "SLL": (_HALF, -_HALF),
    "RCP": (_HALF, 1j * _HALF),
    "LCP": (_HALF, -1j * _HALF),
}
_PARTNER = {"V": "H", "H": "V", "SLR": "SLL", "SLL": "SLR", "RCP": "LCP", "LCP": "RCP"}
#: Levels farther below the peak are rounding, and are written as this [dB].
LOWEST_LEVEL = -200.0
#: Sine of the angle to the vertical within which an axis has no horizontal to speak of.
_UPRIGHT = 1e-3
#: Least co-polar part of the field at the peak that levels may refer to: less is rounding.
_LEAST_CO = 1e-9
#: Last decimal of the gain that is written [dB].
_RESOLUTION = 0.01
#: The level that bounds a half-power beamwidth, below that at the peak [dB].
_HALF_POWER = 10 * np.log10(2)
#: Most that ``FRTOBA`` has room for, two characters [dB].
_MAX_RATIO = 99


def nsma_pattern(
    modes: Modes,
    *,
    up: ArrayLike,
    angle: ArrayLike,
    fields: Mapping[str, str],
    gain_dbi: float | None = None,
    input_power: ArrayLike | None = None,
    polarisation: str | None = None,
    through: tuple[float, float] | None = None,
    phase: bool = False,
    seen: AnyFarField | None = None,
) -> NsmaPattern:
    """Horizontal and vertical cuts, co- and cross-polar, of each frequency for a pattern file.

    The cuts are great circles through the peak of each frequency: V in the plane that holds the
    peak and ``up``, H across it. Angles count from the peak, upwards and to the right as seen from
    behind the antenna. Polarisations are those of Ludwig's third definition about that axis. Levels
    refer to the co-polar level at the peak, so that gain plus level is the partial gain; phases
    to the co-polar phase on the axis.

    Parameters
    ----------
    modes : Modes
        Mode coefficients of F frequencies.
    up : (3,) array_like
        Direction that is up where the antenna is mounted.
    angle : (A,) array_like
        Angles of each cut [rad].
    fields : mapping of str to str
        Header fields by tag; ``GUNITS`` and ``MDGAIN`` follow from the rest. By default ``LOWFRQ``,
        ``HGHFRQ``, ``PATTYP``, ``COMNT1`` and ``COMNT2`` are filled in; in the middle of the band,
        where the cuts go through the peak and fall so far, ``AZWIDT`` and ``ELWIDT``, the half-power
        widths of the co-polar H and V cut [deg]; and ``FRTOBA``, the intensity of both polarisations
        at the peak over that opposite, in whole dB up to 99.
    gain_dbi : float, optional
        Partial gain at the peak in the middle of the band [dBi].
    input_power : (F,) or () array_like, optional
        Instead: the power put into the antenna. With absolute data the power accepted gives the
        gain, the power incident on the port the realised gain [W].
    polarisation : {"V", "H", "SLR", "SLL", "RCP", "LCP"}, optional
        Co-polarisation, by default the strongest at the peak in the middle of the band.
    through : tuple of float, optional
        Direction theta, phi to be the axis instead of the peak [rad].
    phase : bool
        Whether the cuts have phases.
    seen : FarField or FarFieldBlocks, optional
        At the same frequencies; marks directions whose near field was not seen. Widths and ratio that need
        these are left out.

    Returns
    -------
    NsmaPattern
        Four cuts for each frequency. It warns of a gain above the directivity.

    Raises
    ------
    ValueError
        If there is no gain (directivity is not gain, whatever the data), the axis points up or down,
        there is no such polarisation, a field follows from the rest, or no power is radiated at a
        frequency.
    """
    if polarisation not in (None, *POLARISATIONS):
        raise InputError(f"polarisation is {polarisation!r}, expected one of {', '.join(POLARISATIONS)}")
    for tag in ("GUNITS", "MDGAIN"):
        if tag in fields:
            raise InputError(f"{tag} follows from the gain, given in dBi", "leave the field out")
    upward: Real = as_array(up, float, "up", ndim=1)
    if upward.shape != (3,) or not np.any(upward):
        raise InputError(f"up is {upward.tolist()}, expected three components that are not all zero")
    angle = as_array(angle, float, "angle", ndim=1)
    hertz = modes.frequency
    middle = int(np.argmin(np.abs(hertz - (hertz.min() + hertz.max()) / 2)))
    top = peak(modes)
    axes = directions(modes, through)
    at_peak = np.stack([top.theta, top.phi], axis=1)
    upward = upward / np.linalg.norm(upward)
    frames = [
        _Frame(one, axis, at, upward) for one, axis, at in zip(modes.each(), axes, at_peak, strict=True)
    ]
    co = polarisation or frames[middle].strongest()
    power = float(modes.radiated_power()[middle])
    put_in = None
    if input_power is not None:
        powers = np.asarray(input_power, float)
        if powers.shape not in ((), hertz.shape):
            what = f"input_power has {powers.size} values for {hertz.size} frequencies"
            raise InputError(what, "give one, or one for each")
        put_in = float(np.broadcast_to(powers, hertz.shape)[middle])
    for frame in frames:
        if not abs(_part(co, frame.at_peak)) > _LEAST_CO * np.linalg.norm(frame.at_peak):
            what = f"no field of polarisation {co} at the peak, {frame.one.frequency[0] / 1e9:.9g} GHz"
            raise InputError(what, "choose the polarisation that the antenna has there")
    level = frames[middle].intensity(co)
    directivity = 10 * np.log10(4 * np.pi * level / power)
    gain = _gain(gain_dbi, put_in, modes.reference, level, directivity)
    warnings: tuple[Notice, ...] = ()
    if gain > directivity + _RESOLUTION:
        efficiency = 100 * 10 ** ((gain - directivity) / 10)
        warnings = (
            PatternCode.GAIN_ABOVE_DIRECTIVITY(
                gain_dbi=gain,
                directivity_dbi=directivity,
                polarisation=co,
                frequency_ghz=hertz[middle] / 1e9,
                efficiency_percent=efficiency,
            ),
        )
    known = {
        "COMNT1": "0 dB: co-polar at the peak. H: right, V: up positive, seen from behind",
        "COMNT2": "Great circles through " + _axis_text(axes, through),
        "LOWFRQ": f"{hertz.min() / 1e6:z.6f}".rstrip("0").rstrip("."),
        "HGHFRQ": f"{hertz.max() / 1e6:z.6f}".rstrip("0").rstrip("."),
        "PATTYP": "typical",
        **(frames[middle].widths(co, seen, middle) if through is None else {}),
        **_ratio(frames[middle].one, top, middle, seen),
        **fields,
        "GUNITS": "DBI/DBR",
        "MDGAIN": f"{gain:z.2f}",
    }
    cuts = tuple(frame.cuts(co, angle, phase=phase) for frame in frames)
    return NsmaPattern(known, hertz, cuts, warnings)


def _ratio(one: Modes, top: Peak, index: int, seen: AnyFarField | None) -> dict[str, str]:
    """``FRTOBA`` of one frequency, where its two characters can say it."""
    part = slice(index, index + 1)
    eirp = None if top.eirp is None else top.eirp[part]
    at = Peak(top.theta[part], top.phi[part], top.directivity[part], eirp)
    mark = None if seen is None or seen.trusted is None else seen.at(index)
    decibels = 10 * np.log10(front_to_back(one, at=at, seen=mark)[0])
    return {"FRTOBA": f"{max(decibels, 0):z.0f}"} if decibels < _MAX_RATIO + 0.5 else {}


def _axis_text(axes: Real, through: tuple[float, float] | None) -> str:
    if through is None and len(axes) > 1:
        return "the peak of each frequency"
    theta, phi = np.degrees(axes[0])
    name = "the peak, " if through is None else ""
    return f"{name}theta {theta:z.3f} deg, phi {phi:z.3f} deg"


def _gain(
    gain_dbi: float | None, input_power: float | None, reference: str, level: float, directivity: float
) -> float:
    """Partial gain [dBi]: as given, or from the intensity ``level`` [W/sr] and the power put in."""
    if gain_dbi is not None and input_power is not None:
        raise InputError("the gain is given twice, in dBi and by the power put in", "give one of them")
    if gain_dbi is not None:
        return float(as_array(gain_dbi, float, "gain_dbi", ndim=0))
    if reference != "absolute" and input_power is not None:
        what = "the power put in gives the gain of absolute data, and these are relative"
        raise InputError(what, "give the gain in dBi (--gain-dbi)")
    if input_power is None:
        remedy = "give the gain (--gain-dbi)"
        if reference == "absolute":
            remedy += ", or the power put into the antenna (--input-power-w)"
        what = f"a pattern file needs the gain, and the directivity, {directivity:z.2f} dBi, is not that"
        raise InputError(f"{what}: the gain is less by the losses in the antenna", remedy)
    if not 0 < input_power < np.inf:
        raise InputError(
            f"input_power is {input_power} W, expected a positive power", "give that at the port"
        )
    return float(10 * np.log10(4 * np.pi * level / input_power))


class _Frame:
    """One frequency: the axis of its cuts, up and right there, and its field at the peak."""

    def __init__(self, one: Modes, axis: Real, top: Real, up: Real) -> None:
        self.one = one
        self.theta, self.phi = axis.tolist()
        forward, towards_theta, towards_phi = unit_vectors(self.theta, self.phi)
        if np.linalg.norm(np.cross(up, forward)) < _UPRIGHT:
            raise InputError(
                f"the axis of the cuts, theta {np.degrees(self.theta):z.6g} deg, points up or down",
                "give another direction that is up (--up), or another axis (--through)",
            )
        #: From theta^ towards phi^ to up; right is a quarter turn further.
        self.plane = float(np.arctan2(up @ towards_phi, up @ towards_theta))
        direction = unit_vectors(*top)[0]
        turn = np.arctan2(direction @ towards_phi, direction @ towards_theta) - self.plane
        off = float(angle_between(forward, direction))
        #: Components up and right (2,) at the peak, and on the axis.
        self.at_peak = self.components(float(turn), np.array([off]))[:, 0]
        self.on_axis = self.components(0.0, np.zeros(1))[:, 0]

    def components(self, turn: float, angle: Real) -> Complex:
        """Components up and right (2, A), by ludwig-3, along the circle that leaves the axis so.

        ``turn`` is the angle from up towards right.
        """
        where = {"theta": self.theta, "phi": self.phi, "plane": self.plane + turn}
        along, across = cut_through(self.one, **where, angle=angle)
        c, s = np.cos(turn), np.sin(turn)
        return np.concatenate([along * c - across * s, along * s + across * c])

    def strongest(self) -> str:
        """The polarisation with the most power at the peak; of equal ones the first."""
        power = {name: abs(_part(name, self.at_peak)) ** 2 for name in POLARISATIONS}
        return next(x for x in power if power[x] >= (1 - 1e-9) * max(power.values()))

    def intensity(self, polarisation: str) -> float:
        """Intensity of one polarisation at the peak [W/sr]."""
        return float(abs(_part(polarisation, self.at_peak)) ** 2 / (2 * WAVE_IMPEDANCE))

    def widths(self, co: str, seen: AnyFarField | None, index: int) -> dict[str, str]:
        """``AZWIDT`` and ``ELWIDT``: half-power widths of the co-polar cuts H and V, if any."""
        up, right = POLARISATIONS[co]
        result = {}
        for tag, turn in (("AZWIDT", np.pi / 2), ("ELWIDT", 0.0)):
            c, s = np.cos(turn), np.sin(turn)
            # As in `components` and `_part`, of the components along the circle and across it.
            weights = (up * c + right * s, right * c - up * s)
            plane = self.plane + turn
            circle = Circle(self.one, theta=self.theta, phi=self.phi, plane=plane, weights=weights)
            lower, upper = lobe_edges(circle, _HALF_POWER)
            if np.isfinite(upper - lower) and arc_seen(circle, lower, upper, seen, index):
                result[tag] = f"{np.degrees(upper - lower):z.2f}"
        return result

    def cuts(self, co: str, angle: Real, *, phase: bool) -> tuple[NsmaCut, ...]:
        """H and V cut, each co- and cross-polar."""
        zero = abs(_part(co, self.at_peak))
        turn_back = np.conj(_part(co, self.on_axis))
        result = []
        for name, turn in (("H", np.pi / 2), ("V", 0.0)):
            field = self.components(turn, angle)
            for other in (co, _PARTNER[co]):
                value = _part(other, field)
                with np.errstate(divide="ignore"):
                    level = np.maximum(20 * np.log10(np.abs(value) / zero), LOWEST_LEVEL)
                turned = np.degrees(np.angle(value * turn_back)) if phase else None
                result.append(NsmaCut(name, f"{co}/{other}", np.degrees(angle), level, turned))
        return tuple(result)


def _part(polarisation: str, field: Complex) -> Complex:
    """Component of a field (2, ...) up and right."""
    up, right = POLARISATIONS[polarisation]
    return np.asarray(up * field[0] + right * field[1])
