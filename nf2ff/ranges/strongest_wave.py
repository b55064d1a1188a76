"""The strongest stray wave in a measured quiet zone: where it comes from, and how strong it is."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from nf2ff.antenna.modes import wavenumber
from nf2ff.kernel import spin
from nf2ff.kernel.plane_waves import exponential_sums
from nf2ff.messages.input_error import InputError
from nf2ff.ranges.quiet_zone import ZoneFigures
from nf2ff.ranges.smooth_part import SPANNED
from nf2ff.ranges.zone import ProbedField
from nf2ff.ranges.zone_formulas import NEPER_DB

#: Directions are a quarter of the zone's resolution apart, so many at most.
_FINER, MOST_DIRECTIONS = 4, 4_000_000


@dataclass(frozen=True, slots=True)
class StrayWave:
    """A wave that makes as much ripple as was measured, from where the strongest comes.

    Parameters
    ----------
    level_db : float
        Its level against the direct wave, by the rms of the amplitude's ripple [dB].
    theta : float
        Angle between the ways to its source and to that of the direct wave [rad].
    phi : float
        Azimuth of its source about the latter: from the zone's first axis towards minus its second, which
        is clockwise for who looks along the direct wave [rad].
    share : float
        Part of the ripple's power (amplitude and phase) that is of a single wave from there.
    """

    level_db: float
    theta: float
    phi: float
    share: float


def strongest_wave(field: ProbedField, figures: ZoneFigures) -> StrayWave:
    """Direction of the wave that explains most of the ripple in a zone.

    Parameters
    ----------
    field : ProbedField
        The readings, with phase.
    figures : ZoneFigures
        Of `quiet_zone.evaluate`, of the same readings.

    Returns
    -------
    StrayWave
        Readings on a plane across the direct wave do not tell waves from ahead and behind: the source is
        taken to be on the side of the direct wave's. Of a line, only the angle in its plane is known.

    Raises
    ------
    ValueError
        If there is no phase or no ripple, or the zone is too wide for a search.

    Notes
    -----
    The logarithm of the field over its smooth part is, to first order, the sum of the stray waves over the
    direct one: its mean after each direction's phase is taken out is largest for that of the strongest.
    """
    if figures.phase is None:
        raise InputError(
            "where a stray wave comes from is in the phase, which was not measured", "measure it"
        )
    zone, k = figures.zone, float(wavenumber(field.frequency))
    level, phase = figures.amplitude_db, figures.phase
    left = (level.value - level.smooth) / NEPER_DB + 1j * (phase.value - phase.smooth)
    if not level.ripple_rms > 0:
        raise InputError("there is no ripple, so that no stray wave is seen", "state its level by hand")
    place = (field.position[figures.used] - zone.centre) @ zone.axes.T
    extent = np.ptp(place, axis=0)
    wide, step = extent > SPANNED * extent.max(), 2 * np.pi / k / (_FINER * extent.max())
    count = math.floor(1 / step)
    axis = step * np.arange(-count, count + 1)
    both = 1 + bool(wide[2])
    along_y = axis if wide[1] else np.zeros(1)
    along_x = axis if wide[0] or not wide[1] else np.zeros(1)
    if both * along_x.size * along_y.size > MOST_DIRECTIONS:
        raise InputError(
            f"the zone is {extent.max() * k / (2 * np.pi):z.0f} wavelengths wide, too wide for a search of "
            "stray waves",
            "choose a smaller zone",
        )
    x, y = (a.ravel() for a in np.meshgrid(along_x, along_y))
    x, y = x[x**2 + y**2 <= 1], y[x**2 + y**2 <= 1]
    z = np.sqrt(1 - x**2 - y**2)
    u = np.concatenate([np.stack([x, y, sign * z], axis=1) for sign in (1, -1)[:both]])
    beam = exponential_sums(
        left[None], place, k * (np.array([0, 0, 1.0]) - u), epsilon=1e-6, threads=spin.thread_count(None)
    )
    best = int(np.argmax(np.abs(beam[0])))
    (a, b, c), size = u[best], abs(beam[0, best]) / left.size
    return StrayWave(
        20 * math.log10(math.sqrt(2) * level.ripple_rms / NEPER_DB),
        math.acos(min(1.0, max(-1.0, c))),
        math.atan2(b, -a),
        float(size**2 / np.mean(np.abs(left) ** 2)),
    )
