"""Cuts through the poles that tie a spiral down: with them it shows drift and misaligned axes.

A spiral comes past each place once, so that the modes make up for what drifts slowly. A cut through the poles
crosses all of its turns within minutes. A spiral retraced, one of the other hand, a ring about the equator,
and a denser spiral show neither.

Of the faults that are left with two cuts the balance of a probe's ports does the most to the far field: along
a spiral they look at each place side by side, and only about the poles do they change places. A cut with the
probe turned by a quarter shows it to both, and halves what alignment adds to the noise [dB].
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel.arrays import keep
from nf2ff.messages.input_error import InputError
from nf2ff.solver.degree import whole

Real = NDArray[np.float64]

#: Cuts that are of use: more than six gain little.
MOST_CUTS = 6


@dataclass(frozen=True, slots=True, eq=False)
class TieCuts:
    """Positions of cuts, to be taken after the scan, in this order.

    Parameters
    ----------
    theta : (P,) ndarray
        Polar angles from -pi to pi [rad].
    phi : (P,) ndarray
        Azimuths, one a cut [rad].
    chi : (P,) ndarray
        Rotation of the probe, 0 or pi/2; where it does not turn, 0 will do [rad].
    cuts : int
        Number of cuts.
    """

    theta: Real
    phi: Real
    chi: Real
    cuts: int

    def __post_init__(self) -> None:
        keep(self, ("theta", "phi", "chi"), float, ndim=1)

    @property
    def positions(self) -> int:
        """Number of positions P; with two polarisations 2 P readings."""
        return self.theta.size


def tie_cuts(degree: int, *, cuts: int = 2, beam_phi: float = 0.0) -> TieCuts:
    """Cuts through both poles to be taken after a spiral.

    Parameters
    ----------
    degree : int
        Degree N of the scan.
    cuts : int
        How many: one shows drift, two show the axes as well, six smooth errors of the axes.
    beam_phi : float
        Azimuth of the beam of a directive antenna, through which the first cut goes: elsewhere there is
        little to compare [rad].

    Returns
    -------
    TieCuts
        2N + 5 positions a cut, at most pi/(N + 2) apart, there and back in turn; the probe is turned by a
        quarter on every other.

    Raises
    ------
    ValueError
        If the degree is below 1, there are no cuts or more than 6, or the azimuth is not finite.
    """
    degree = whole(degree)
    if degree < 1:
        raise InputError(f"degree is {degree}, expected at least 1")
    if not 1 <= cuts <= MOST_CUTS:
        raise InputError(f"cuts is {cuts}, expected 1 to {MOST_CUTS}")
    if not math.isfinite(beam_phi):
        raise InputError(f"beam_phi is {beam_phi}, expected a finite angle [rad]")
    one = np.linspace(-np.pi, np.pi, 2 * degree + 5)
    theta = np.concatenate([one if i % 2 == 0 else one[::-1] for i in range(cuts)])
    number = np.arange(cuts)
    phi, chi = (np.repeat(x, one.size) for x in (beam_phi + np.pi / cuts * number, np.pi / 2 * (number % 2)))
    return TieCuts(theta, phi, chi, cuts)
