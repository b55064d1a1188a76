"""Units that are suspected to be others than those stated: hints, and refusals where none fits."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes, wavenumber
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.solver.degree import received_spectrum

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


def suspect_angles(samples: Samples) -> str | None:
    """A sentence on angles that can hardly be in the unit taken; None if nothing is wrong.

    Parameters
    ----------
    samples : Samples
        Samples; radians by now, whatever was in their file.
    """
    theta, phi, chi = (np.degrees(x) for x in (samples.theta, samples.phi, samples.chi))
    turn = 2 * math.pi * (1 + 1e-3)
    for name, radians in (("phi", samples.phi), ("chi", samples.chi)):
        # A phi axis may run on for many turns, but not in whole radians.
        largest = float(np.abs(radians).max())
        if 2 * turn < largest <= 361 and np.abs(4 * radians - np.round(4 * radians)).max() < 1e-9:
            return (
                f"{name} reaches {largest:.6g} rad in whole numbers: is it in degrees? In Python "
                "and native files angles are in radians: convert it by numpy.radians"
            )
    # So small a part of the sphere tells nothing, whatever the degree.
    narrow = {"theta": float(np.abs(theta).max()) <= turn / 2, "phi": float(np.ptp(phi)) <= turn}
    names = [name for name, x in (("theta", theta), ("phi", phi)) if narrow[name] and np.ptp(x)]
    if names:
        values = {"theta": theta, "phi": phi}
        where = " and ".join(f"{x} {values[x].min():.6g} to {values[x].max():.6g} deg" for x in names)
        return (
            f"all samples are at {where}: are these angles in radians? Tables hold degrees, Python "
            "and native files radians: multiply them by 180/pi, and chi if it is in radians, too"
        )
    quarters = chi / (math.pi / 4)
    if (
        np.ptp(chi) >= 0.5
        and np.abs(quarters - np.round(quarters)).max() < 2e-3
        and (float(np.abs(chi).max()) <= turn)
    ):
        return (
            f"chi is {float(chi.min()):.6g} to {float(chi.max()):.6g} deg: is it in radians? "
            "Tables hold degrees, Python and native files radians: multiply chi by 180/pi"
        )
    return None


def check_angles(samples: Samples) -> None:
    """Refuse angles that can hardly be in the unit taken."""
    sentence = suspect_angles(samples)
    if sentence is not None:
        raise InputError(sentence)


def suspect_lengths(samples: Samples) -> list[list[str]]:
    """For each frequency, sentences on a radius or frequency that few ranges have."""
    low, high = float(samples.radius.min()), float(samples.radius.max())
    about: list[str] = []
    if high > MAX_RADIUS:
        kinds = {"mm": high / 1000, "cm": high / 100}
        meant = [f"{x:.6g} m if it is in {u}" for u, x in kinds.items() if 0.02 <= x <= MAX_RADIUS]
        hint = f" ({', '.join(meant)})" if meant else ""
        about.append(
            f"the radius is {high:.6g} m: few ranges are that long; check its unit, which must be "
            f"metres{hint}, since EIRP and TRP grow with its square"
        )
    if low < LEAST_RADIUS:
        about.append(
            f"the radius is {low:.6g} m: no probe is that near; check its unit, which must be "
            "metres, since EIRP and TRP grow with its square"
        )
    told = []
    for frequency in samples.frequency.tolist():
        of_it = []
        if not LEAST_FREQUENCY <= frequency <= MAX_FREQUENCY:
            of_it.append(
                f"the frequency is {frequency:.6g} Hz ({frequency / 1e9:.6g} GHz): few antennas "
                "are scanned there; check its unit, which must be Hz"
            )
        told.append(about + of_it)
    return told


def suspect_waves(samples: Samples, probe: Probe, modes: Modes) -> list[list[str]]:
    """For each frequency, a sentence where the waves found are too fine for k r.

    Waves of degree n >> k r decay by (r0/r)^n from the antenna to the probe: where they make much
    of the response, wavelength and radius do not go together.
    """
    told: list[list[str]] = [[] for _ in samples.frequency]
    radius = float(np.median(samples.radius))
    for f, frequency in enumerate(samples.frequency.tolist()):
        kr = float(wavenumber(frequency)) * radius
        first = math.ceil(kr + 6 * kr ** (1 / 3) + 6)
        if modes.degree <= first:
            continue
        n = np.arange(1, modes.degree + 1)
        power = received_spectrum(samples, probe, modes.at(f))[0] * (2 * n + 1)
        share = float(power[first:].sum() / power.sum())
        if share > EVANESCENT:
            told[f].append(
                f"{share:.0%} of the response is by waves of degree above {first}, while k r is "
                f"{kr:.4g}: an antenna would all but have to touch the probe; check the units of "
                "frequency (Hz) and radius (m)"
            )
    return told


def suspect_level(power: NDArray[np.float64], eirp: NDArray[np.float64] | None) -> list[list[str]]:
    """For each frequency, a sentence on power that no chamber would bear.

    Parameters
    ----------
    power : (F,) ndarray
        Radiated power, absolute [W].
    eirp : (F,) ndarray or None
        EIRP at the peak [W].
    """
    told: list[list[str]] = [[] for _ in power]
    for f, watts in enumerate(power.tolist()):
        peak = 0.0 if eirp is None else float(eirp[f])
        if watts > MAX_POWER or peak > MAX_EIRP:
            what = [f"TRP would be {watts:.3g} W"]
            if eirp is not None:
                what.append(f"EIRP {peak:.3g} W")
            told[f].append(
                f"{' and '.join(what)}, more than is radiated in any chamber: check the unit of "
                "the responses (V/m, or sqrt(W) at a probe's port), the level, and the radius (m)"
            )
    return told
