"""Fields of currents: direct sums for a few points, plane waves for many, regular waves for a device.

Physical optics takes the current of a lit conductor for 2 n x H of the incident field, that of a plane at
each point. It leaves out what edges add to it (fringe currents: 0.4 to 0.9 dB of the edge wave of a sharp rim
against moments in two dimensions, our tests), and here also supports, the room, and what the feed sends past
the reflector.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.modes import WAVE_IMPEDANCE, mode_count, mode_numbers, wavenumber
from nf2ff.kernel import spin
from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.plane_waves import exponential_sums
from nf2ff.messages.input_error import InputError
from nf2ff.ranges.incident_field import PlaneWaves
from nf2ff.ranges.regular_waves import regular_waves
from nf2ff.ranges.zone import Zone

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Currents times waves at once.
_ENTRIES = 1_000_000
#: Pairs of current and point at once in a direct sum.
_PAIRS = 200_000
#: Sines of the directions kept: up to that of the ray from edge to zone, so many times sqrt(lambda/z) cos^1.5
#: beyond it, and so many more on which the waves fade out as the error function does. (Tried on the closed
#: form of a disc: an abrupt end at the same place leaves 20 dB more.)
_KEPT, _FADED = 1.0, 2.5
#: So many more keep the images of the currents from the zone.
_ASIDE = 0.3
#: Directions closer to grazing are never taken: their number grows without bound.
_GRAZING = 0.98
#: Most plane waves.
MOST_WAVES = 8_000_000
#: Error of the waves over the norm of all: what the end of the fading leaves is more.
_EPSILON = 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class Currents:
    """Currents that radiate, each at a point.

    Parameters
    ----------
    frequency : float
        Frequency [Hz].
    position : (S, 3) array_like
        Places [m].
    moment : (S, 3) array_like
        Surface current times area [A m].

    Raises
    ------
    ValueError
        If shapes do not fit or the frequency is not positive.
    """

    frequency: float
    position: Real
    moment: Complex

    def __post_init__(self) -> None:
        f = float(as_array(self.frequency, float, "frequency", ndim=0))
        if not f > 0:
            raise InputError(f"frequency is {f:g} Hz, expected > 0")
        place = as_array(self.position, float, "position", ndim=2)
        moment = as_array(self.moment, complex, "moment", ndim=2)
        if place.shape[1:] != (3,) or place.shape != moment.shape or not place.size:
            raise InputError(f"position and moment have shapes {place.shape} and {moment.shape}, not (S, 3)")
        object.__setattr__(self, "frequency", f)
        object.__setattr__(self, "position", place)
        object.__setattr__(self, "moment", moment)


def radiated_field(currents: Currents, points: ArrayLike) -> Complex:
    """Electric field of currents by a direct sum: exact, for cuts.

    Parameters
    ----------
    currents : Currents
        The currents.
    points : (M, 3) array_like
        Where the field is asked for, not at a current [m].

    Returns
    -------
    (M, 3) ndarray
        Cartesian components [V/m].

    Raises
    ------
    ValueError
        If points are not (M, 3) or one is at a current.

    Notes
    -----
    E = -jk Z0 [(1 + 1/(jkR) + 1/(jkR)^2) J - (1 + 3/(jkR) + 3/(jkR)^2) (J.R^) R^] exp(-jkR)/(4 pi R), that
    of electric dipoles (closed form).
    """
    place = as_array(points, float, "points", ndim=2)
    if place.shape[1:] != (3,):
        raise InputError(f"points have shape {place.shape}, expected (M, 3)")
    k = float(wavenumber(currents.frequency))
    s, j = currents.position, currents.moment
    along = np.einsum("sx,sx->s", s, j)
    found = np.empty(place.shape, dtype=complex)
    step = max(1, _PAIRS // len(s))
    for i in range(0, len(place), step):
        p = place[i : i + step]
        r2 = (p[:, :1] - s[:, 0]) ** 2
        for x in (1, 2):
            r2 += (p[:, x : x + 1] - s[:, x]) ** 2
        if not r2.all():
            raise InputError("a point is at a current", "look at the field in front of the reflector")
        r = np.sqrt(r2)
        inverse = 1 / (1j * k * r)
        wave = np.exp(-1j * k * r) / (4 * np.pi * r)
        across = (1 + inverse * (1 + inverse)) * wave
        back = (1 + 3 * inverse * (1 + inverse)) * wave / r2 * (p @ j.T - along)
        found[i : i + step] = across @ j - p * back.sum(axis=1)[:, None] + back @ s
    return -1j * k * WAVE_IMPEDANCE * found


def dipole_waves(currents: Currents, degree: int) -> Complex:
    """Regular waves (J,) about the origin of electric dipoles, nearer to the origin than the nearest of them.

    E = -sum over the waves of (-1)^m (W_{s,-m,n}(r').p) V_smn(r), V regular and W outgoing waves, both
    k sqrt(Z0) F (the dyadic Green's function, Hansen 1988, from memory; against the direct sum in the tests).
    """
    k = float(wavenumber(currents.frequency))
    _, m, n = mode_numbers(degree)
    s = np.tile([1, 2], m.size // 2)
    other = 2 * (n * (n + 1) - m - 1) + s - 1
    heard = np.zeros(mode_count(degree), dtype=complex)
    step = max(1, _ENTRIES // mode_count(degree))
    for i in range(0, len(currents.position), step):
        waves = regular_waves(degree, currents.position[i : i + step], wavenumber=k, outgoing=True)
        heard += np.einsum("ex,exj->j", currents.moment[i : i + step], waves)
    return -(1 - 2 * (np.abs(m) % 2)) * heard[other]


def _depth(zone: Zone) -> float:
    """How far the zone reaches from its centre along its direction [m]."""
    return zone.radius if zone.shape == "ball" else zone.half_depth or 0.0


def _spectrum(currents: Currents, zone: Zone) -> tuple[float, float, float]:
    """Sines of the steepest ray from a current to the zone and of the end of the waves; width of a ray."""
    place = (currents.position - zone.centre) @ zone.axes.T
    wide = zone.radius * (math.sqrt(2) if zone.shape == "square" else 1.0)
    ahead = -_depth(zone) - place[:, 2]
    near = float(ahead.min())
    if not near > 0:
        raise InputError(
            f"the zone begins {near:.4g} m from the currents",
            "move it away from the reflector or make it smaller",
        )
    aside = np.hypot(place[:, 0], place[:, 1]) + wide
    sine = float(np.max(aside / np.hypot(aside, ahead)))
    # What the waves about a ray have in common: their phase k z cos changes by a quarter turn or so.
    spread = math.sqrt(2 * np.pi / float(wavenumber(currents.frequency)) / near) * (1 - sine**2) ** 0.75
    return sine, sine + (_KEPT + _FADED) * spread, spread


def has_plane_waves(currents: Currents, zone: Zone) -> bool:
    """Whether `plane_waves_of` serves: the zone is far enough away for no wave to graze.

    Parameters
    ----------
    currents : Currents
        The currents.
    zone : Zone
        The zone.

    Returns
    -------
    bool
        False where a direct sum is needed.

    Raises
    ------
    ValueError
        If currents lie beside or beyond the zone.
    """
    return _spectrum(currents, zone)[1] <= _GRAZING


def plane_waves_of(currents: Currents, zone: Zone, *, threads: int | None = None) -> PlaneWaves:
    """The plane waves, about a zone's centre, that make the field of currents in the zone.

    Parameters
    ----------
    currents : Currents
        The currents, all of them behind the zone.
    zone : Zone
        The zone; the waves travel towards its ``direction``. A zone without depth is a disc or a square.
    threads : int, optional
        Threads, by default all.

    Returns
    -------
    PlaneWaves
        Good to about 1e-4 of the largest field anywhere in the zone, and outside it to nothing.

    Raises
    ------
    ValueError
        If currents lie beside the zone, so that it takes waves up to grazing, or too many waves.

    Notes
    -----
    H. Weyl: exp(-jkR)/R is an integral over plane waves (1919, from memory); here a sum over a raster of
    directions. Its step is such that the images of the currents, which it repeats, do not reach the zone.
    """
    k = float(wavenumber(currents.frequency))
    frame = zone.axes
    place = (currents.position - zone.centre) @ frame.T
    sine, end, spread = _spectrum(currents, zone)
    full = end - _FADED * spread
    if end > _GRAZING:
        raise InputError(
            f"rays from the edge reach the zone at up to {math.degrees(math.asin(sine)):.3g} deg from its "
            "axis: waves up to grazing would be needed",
            "move the zone away from the reflector or make it smaller; a direct sum works anywhere",
        )
    wide = zone.radius * (math.sqrt(2) if zone.shape == "square" else 1.0)
    aside, far = np.hypot(place[:, 0], place[:, 1]) + wide, _depth(zone) - float(place[:, 2].min())
    # An image's ray at the very end of the spectrum still has half of its width in it.
    out = max(end, min(end + _ASIDE * spread, 0.95))
    window = float(aside.max()) + far * out / math.sqrt(1 - out**2)
    step = 2 * np.pi / k / window
    count = math.floor(end / step)
    if np.pi * count**2 > MOST_WAVES:
        raise InputError(f"{np.pi * count**2:.3g} plane waves are too many", "make the zone smaller")
    axis = step * np.arange(-count, count + 1)
    ux, uy = (a.ravel() for a in np.meshgrid(axis, axis, indexing="ij"))
    sines = np.hypot(ux, uy)
    keep = sines < end
    ux, uy, sines = ux[keep], uy[keep], sines[keep]
    u = np.stack([ux, uy, np.sqrt(1 - sines**2)], axis=1)
    moment = currents.moment @ frame.T
    n = exponential_sums(moment.T, place, -k * u, epsilon=_EPSILON, threads=spin.thread_count(threads)).T
    n -= np.sum(n * u, axis=1)[:, None] * u
    n *= (
        -WAVE_IMPEDANCE / 2 * (k * step / (2 * np.pi)) ** 2 * _fading((sines - full) / (end - full)) / u[:, 2]
    )[:, None]
    return PlaneWaves(u @ frame, n @ frame)


def _fading(part: Real) -> Real:
    """From 1 at 0 to 0 at 1, but for 1e-5."""
    from scipy.special import erfc

    return np.asarray(0.5 * erfc(6 * np.clip(part, -1, 2) - 3))
