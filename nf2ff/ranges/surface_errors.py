"""Errors of a reflector's surface: a stated rms and correlation length, and what they do."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.modes import wavenumber
from nf2ff.kernel import spin
from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.plane_waves import exponential_sums
from nf2ff.messages.input_error import InputError
from nf2ff.ranges.zone_formulas import NEPER_DB

Real = NDArray[np.float64]

#: The spectrum exp(-q^2 c^2/4) of the heights is followed down to where it is exp(-_TAIL).
_TAIL = 14.0
#: Waves of one surface at most.
MOST_TERMS = 4_000_000


@dataclass(frozen=True, slots=True, eq=False)
class SurfaceErrors:
    """Random heights of correlation exp(-d^2/c^2), the same at every frequency.

    Parameters
    ----------
    rms : float
        Standard deviation of the heights along the normal [m].
    correlation_length : float
        c, in the projection along the axis [m].
    width : float
        Width of the surface: heights repeat after this and four correlation lengths [m].
    seed : int
        Seed of the draw.

    Raises
    ------
    ValueError
        If a length is not positive, or the surface has too many bumps.
    """

    rms: float
    correlation_length: float
    width: float
    seed: int = 0

    def __post_init__(self) -> None:
        for name in ("rms", "correlation_length", "width"):
            if not 0 < getattr(self, name) < np.inf:
                raise InputError(f"{name} of the surface is {getattr(self, name)}, expected above 0 [m]")
        if (2 * self._count + 1) ** 2 > MOST_TERMS:
            raise InputError(
                f"a correlation length of {self.correlation_length:g} m on {self.width:g} m is too short",
                "state a longer one",
            )

    @property
    def _period(self) -> float:
        return self.width + 4 * self.correlation_length

    @property
    def _count(self) -> int:
        """Largest order of a wave across a period: q = 2 pi order / period, q c / 2 up to sqrt(tail)."""
        return math.ceil(math.sqrt(_TAIL) / math.pi * self._period / self.correlation_length)

    def __call__(self, place: ArrayLike) -> Real:
        """Heights (S,) at places (S, 2) in the aperture [m]."""
        at = as_array(place, float, "place", ndim=2)
        count, step = self._count, 2 * np.pi / self._period
        order = np.arange(-count, count + 1)
        both = np.stack([a.ravel() for a in np.meshgrid(order, order, indexing="ij")], axis=1)
        q = np.asarray(step * both, dtype=float)
        density = np.exp(-np.sum(q**2, axis=1) * self.correlation_length**2 / 4)
        # Both signs of q are drawn: the real part has half of the variance.
        draws = np.random.default_rng(self.seed).standard_normal((2, len(q)))
        value = (draws[0] + 1j * draws[1]) * np.sqrt(density / density.sum())
        found = exponential_sums(value[None], q, at, epsilon=1e-7, threads=spin.thread_count(None))
        return np.asarray(self.rms * found[0].real)


def ruze_loss_db(rms: float, *, frequency: float) -> float:
    """Loss of gain by errors of a surface, 4.343 (4 pi s/lambda)^2 [dB].

    Parameters
    ----------
    rms : float
        Standard deviation s of the heights; at oblique incidence times the cosine of its angle [m].
    frequency : float
        Frequency [Hz].

    Returns
    -------
    float
        The loss [dB].

    Notes
    -----
    J. Ruze, Proc. IEEE 54(4), 1966 (from memory): exp(-phase^2), phase = 4 pi s/lambda.
    """
    return NEPER_DB / 2 * (2 * float(wavenumber(frequency)) * rms) ** 2


def surface_ripple(
    rms: float, *, correlation_length: float, distance: float, frequency: float
) -> tuple[float, float]:
    """Standard deviation of amplitude and phase in a zone, by errors of the surface.

    Parameters
    ----------
    rms : float
        As in `ruze_loss_db` [m].
    correlation_length : float
        c of exp(-d^2/c^2) [m].
    distance : float
        From surface to zone, z [m].
    frequency : float
        Frequency [Hz].

    Returns
    -------
    amplitude_db, phase : float
        Standard deviations [dB], [rad].

    Notes
    -----
    Thin screen of phase p = 4 pi s/lambda: variance of the log-amplitude p^2/2 (1 - 1/(1 + D^2)), of the
    phase p^2/2 (1 + 1/(1 + D^2)), D = 4z/(k c^2) (closed form, to first order in p).
    """
    k = float(wavenumber(frequency))
    p = 2 * k * rms
    near = 1 / (1 + (4 * distance / (k * correlation_length**2)) ** 2)
    return NEPER_DB * p * math.sqrt((1 - near) / 2), p * math.sqrt((1 + near) / 2)


def required_rms(amplitude_db: float, *, correlation_length: float, distance: float, frequency: float) -> Any:
    """Rms of the surface that leaves a stated ripple: `surface_ripple` inverted.

    Parameters
    ----------
    amplitude_db : float
        Standard deviation allowed [dB].
    correlation_length, distance, frequency
        As in `surface_ripple`.

    Returns
    -------
    float
        The rms [m].
    """
    found = surface_ripple(1.0, correlation_length=correlation_length, distance=distance, frequency=frequency)
    return amplitude_db / found[0]
