"""Units that are suspected to be others than those stated: hints, and refusals where none fits."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes, wavenumber
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.messages.notice import Notice
from nf2ff.messages.scan import UnitCode
from nf2ff.solver.probe_share import received_spectrum
from nf2ff.solver.regular_grid import raster_of

#: Radii between these are taken as they are [m]: ranges on chips are 10 mm and more away, the
#: largest outdoor ranges that keep phase some 100 m (common practice, no source).
LEAST_RADIUS, MAX_RADIUS = 1e-3, 200.0
#: Likewise frequencies [Hz].
LEAST_FREQUENCY, MAX_FREQUENCY = 1e6, 1e12
#: EIRP and TRP from which on they are doubted [W]: absorbers burn from far less on, and what
#: radiates more is not measured in a chamber (common practice, no source).
MAX_EIRP, MAX_POWER = 1e6, 5e4
#: Part of the mean square response by waves far above k r from which there is a hint. A choice of
#: ours: scans of dipoles at up to 0.8 of the radius, k r 1.5 to 10, have less (simulated).
EVANESCENT = 0.1
#: Part of the residual, and of one as large as this, that responses in another form leave, up to which they
#: are of that form.
CLEARLY = 1 / 3
#: Phases of a scan fill most of a turn, and not more than one.
LEAST_TURN, MOST_TURN = 0.5, 1.01
#: Part of a turn that they must fill where amplitudes take both signs, and the factor by which their scatter
#: then differs from that of amplitudes.
FULL_TURN, UNLIKE = 0.97, 3.0


ANGLES = ("theta", "phi", "chi")


def suspect_angles(samples: Samples) -> Notice | None:
    """Warning of angles that can hardly be in radians; None if nothing is wrong."""
    turn = 2 * math.pi * (1 + 1e-3)
    raster = samples.once(raster_of)
    # Rows and columns have no other values than one row and one column have.
    values = raster.values if raster else (samples.chi, samples.theta, samples.phi)
    angles = dict(zip(("chi", "theta", "phi"), values, strict=True))
    ends = {x: [float(angles[x].min()), float(angles[x].max())] for x in ANGLES}
    for name in ("phi", "chi"):
        radians = angles[name]
        # A phi axis may run on for many turns, but not in whole radians.
        largest = max(-ends[name][0], ends[name][1])
        if 2 * turn < largest <= 361 and np.abs(4 * radians - np.round(4 * radians)).max() < 1e-9:
            return UnitCode.ANGLE_IN_DEGREES(name=name, largest_rad=largest)
    theta, phi, chi = (np.degrees(ends[x]) for x in ANGLES)
    # So small a part of the sphere tells nothing, whatever the degree.
    narrow = []
    if float(np.abs(theta).max()) <= turn / 2 and np.ptp(theta):
        narrow.append(f"theta {theta[0]:z.6g} to {theta[1]:z.6g} deg")
    if 0 < float(np.ptp(phi)) <= turn:
        narrow.append(f"phi {phi[0]:z.6g} to {phi[1]:z.6g} deg")
    if narrow:
        return UnitCode.ANGLES_IN_RADIANS(where=" and ".join(narrow))
    if np.ptp(chi) >= 0.5 and float(np.abs(chi).max()) <= turn:
        quarters = np.degrees(angles["chi"]) / (math.pi / 4)
        if np.abs(quarters - np.round(quarters)).max() < 2e-3:
            return UnitCode.CHI_IN_RADIANS(least_deg=float(chi[0]), largest_deg=float(chi[1]))
    return None


def check_angles(samples: Samples) -> None:
    """Refuse angles that can hardly be in the unit taken."""
    notice = samples.once(suspect_angles)
    if notice is not None:
        raise InputError(notice)


def suspect_lengths(samples: Samples) -> list[list[Notice]]:
    """For each frequency, warnings of a radius or frequency that few ranges have."""
    low, high = samples.nearest, samples.farthest
    about: list[Notice] = []
    if high > MAX_RADIUS:
        kinds = {"mm": high / 1000, "cm": high / 100}
        meant = [f"{x:z.6g} m if it is in {u}" for u, x in kinds.items() if 0.02 <= x <= MAX_RADIUS]
        hint = f" ({', '.join(meant)})" if meant else ""
        about.append(UnitCode.LONG_RADIUS(radius_m=high, hint=hint))
    if low < LEAST_RADIUS:
        about.append(UnitCode.SHORT_RADIUS(radius_m=low))
    told = []
    for hertz in samples.frequency.tolist():
        usual = LEAST_FREQUENCY <= hertz <= MAX_FREQUENCY
        told.append(
            [*about] if usual else [*about, UnitCode.FREQUENCY(frequency_hz=hertz, frequency_ghz=hertz / 1e9)]
        )
    return told


def suspect_elevation(theta: NDArray[np.float64], phi: NDArray[np.float64], residual: float) -> Notice | None:
    """Warning of polar angles (M,), at azimuths (M,) [rad], that may be elevations; ``residual`` is large."""
    least, largest = float(theta.min()), float(theta.max())
    # Of theta that runs to both sides half a turn of phi is all, and the other half the same again.
    if -math.pi / 2 - 1e-6 < least < -math.pi / 9 and 0 < largest < math.pi / 2 + 1e-6 and np.ptp(phi) > 4:
        ends = {"least_deg": math.degrees(least), "largest_deg": math.degrees(largest)}
        return UnitCode.ELEVATION(residual=residual, **ends)
    return None


def suspect_form(
    response: NDArray[np.complex128],
    residual: float,
    left: Callable[[NDArray[np.complex128]], float],
) -> Notice | None:
    """What responses (M,) are, if not real and imaginary parts; None if these are as good.

    ``residual`` is what the model leaves of them, ``left`` says how much it would leave of others.
    """
    present = response[~np.isnan(response)]
    if not present.imag.any():
        return UnitCode.NO_PHASE(unit=" in dB" if (present.real < 0).any() else "")
    span = float(np.ptp(present.imag))
    best: tuple[float, Notice] | None = None
    for angle, turn in (("deg", 360.0), ("rad", 2 * math.pi)):
        if not LEAST_TURN * turn < span <= MOST_TURN * turn:
            continue
        phase = np.exp(2j * math.pi / turn * response.imag)
        for unit, amplitude in (
            ("in dB", 10 ** (np.clip(response.real, -400, 400) / 20)),
            ("in linear measure", response.real),
        ):
            rest = left(amplitude * phase)
            if rest < CLEARLY * min(residual, 1 / 3) and (best is None or rest < best[0]):
                best = rest, UnitCode.POLAR(unit=unit, angle=angle, rest=rest, residual=residual)
    return None if best is None else best[1]


def suspect_form_at_sight(samples: Samples) -> Notice | None:
    """The same of the first frequency of a scan from the readings alone."""
    response = samples.response[0][~np.isnan(samples.response[0])]
    if not response.size:
        return None
    real, imag = response.real, response.imag
    # Those of a field that takes all phases take both signs, and are about as large as each other.
    one_sided = real.any() and (real.min() >= 0 or real.max() <= 0)
    low, high = sorted((float(real.std()), float(imag.std())))
    if not one_sided and high < UNLIKE * low:
        return None
    full = LEAST_TURN if one_sided else FULL_TURN
    span = float(np.ptp(imag))
    for angle, turn in (("deg", 360.0), ("rad", 2 * math.pi)):
        if full * turn < span <= MOST_TURN * turn:
            return UnitCode.POLAR_AT_SIGHT(angle=angle)
    return None


def suspect_waves(samples: Samples, probe: Probe, modes: Modes) -> list[list[Notice]]:
    """For each frequency, a warning where the waves found are too fine for k r.

    Waves of degree n >> k r decay by (r0/r)^n from the antenna to the probe: where they make much
    of the response, wavelength and radius do not go together.
    """
    told: list[list[Notice]] = [[] for _ in samples.frequency]
    radius = samples.middle
    n = np.arange(1, modes.degree + 1)
    for f, frequency in enumerate(samples.frequency.tolist()):
        kr = float(wavenumber(frequency)) * radius
        first = math.ceil(kr + 6 * kr ** (1 / 3) + 6)
        if modes.degree <= first:
            continue
        power = received_spectrum(samples, probe, modes.at(f))[0] * (2 * n + 1)
        share = float(power[first:].sum() / power.sum())
        if share > EVANESCENT:
            told[f].append(UnitCode.FINE_WAVES(share=share, degree=first, kr=kr))
    return told


def suspect_level(power: NDArray[np.float64], eirp: NDArray[np.float64] | None) -> list[list[Notice]]:
    """For each frequency, a warning of TRP and EIRP (F,) that no chamber would bear [W]."""
    told: list[list[Notice]] = [[] for _ in power]
    for f, watts in enumerate(power.tolist()):
        peak = 0.0 if eirp is None else float(eirp[f])
        if watts > MAX_POWER or peak > MAX_EIRP:
            what = f"TRP would be {watts:.3g} W" + ("" if eirp is None else f" and EIRP {peak:.3g} W")
            told[f].append(UnitCode.STRONG(what=what, trp_w=watts, eirp_w=peak))
    return told
