"""Open-ended waveguides as probes, by their published approximate models.

Frame, level and phase as in `probe_models`; azimuthal orders +-1 only. Both models, from memory, take for the
field in the aperture that of the mode with its reflection, E and H, and integrate it as if there were nothing
else; the tests integrate such apertures by brute force.

References
----------
.. [1] A. D. Yaghjian, Approximate formulas for the far field and gain of open-ended rectangular
   waveguide, IEEE Trans. Antennas Propag. 32(4), 378-384, 1984.
.. [2] S. Silver, ed., Microwave Antenna Theory and Design, 1949, ch. 10 (after L. J. Chu).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.modes import SPEED_OF_LIGHT, Modes, frequencies, wavenumber
from nf2ff.measurement.probe_models import per_frequency, principal_planes
from nf2ff.messages.input_error import InputError

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: First zeros of J1' (mode TE11) and of J2' (TE21). M. Abramowitz & I. Stegun, table 9.5 (from
#: memory; a test finds them by mpmath).
TE11_ZERO = 1.841183781340659
TE21_ZERO = 3.054236928227140


def rectangular_waveguide(
    frequency: ArrayLike,
    *,
    width: float,
    height: float,
    reflection: ArrayLike = 0.0,
    efficiency: ArrayLike = 1.0,
    truncation: float = 1e-3,
) -> Modes:
    """Open-ended rectangular waveguide of thin walls with the TE10 mode.

    Parameters
    ----------
    frequency : (F,) array_like
        Frequencies within the band of the TE10 mode alone [Hz].
    width : float
        Broad side, along y (the E-plane is xz) [m].
    height : float
        Narrow side, along x [m].
    reflection : (F,) or () array_like
        Complex reflection coefficient of the open end, of the transverse E field. It shapes the pattern a
        little; 0.2 to 0.3 in magnitude for common guides (from memory).
    efficiency : (F,) or () array_like
        Radiated power for 1 W into the port, 1 - |reflection|^2 if that means incident power.
    truncation : float
        As in `principal_planes`.

    Returns
    -------
    Modes
        Orders +-1, the degree that ``truncation`` needs.

    Raises
    ------
    ValueError
        If a frequency is outside the single-mode band, a size is not positive, or no fringe
        current conserves power.

    Notes
    -----
    [1]_, from memory, with s = beta/k, R the reflection, X = (k a/2) sin(theta), a the broad side: E-plane A
    [1 + s cos + R (1 - s cos)] / [1 + s + R (1 - s)] sinc((k b/2) sin), H-plane B { [s + cos + R (cos - s)] /
    [(pi/2)^2 - X^2] + C0 } cos X, with A = B { (4/pi^2) [1 + s + R (1 - s)] + C0 }. C0 stands for the
    currents on the edges of the narrow walls; it is real, and such that the guide radiates what the mode
    brings less what it reflects (the formulas integrated over the whole sphere). Meant for the front half
    space, and for guides of common shape, a about 2 b; levels behind are rough. There the published planes
    would not meet at theta = 180 deg, so that C0 of the H-plane goes over, with cos^4, into what makes them
    meet: a choice of ours, which changes the directivity by 0.01 dB. Leaving the H-plane behind out of the
    power changes it by 0.01 to 0.12 dB.
    """
    f = frequencies(frequency)
    _check_sizes(width=width, height=height)
    a, b = float(width), float(height)
    cutoff = SPEED_OF_LIGHT / (2 * a)
    _check_band(f, cutoff, min(2 * cutoff, SPEED_OF_LIGHT / (2 * b)), "TE10 alone")
    k = wavenumber(f)[:, None]
    r = per_frequency(reflection, f, "reflection", complex)[:, None]
    s = np.sqrt(1 - (np.pi / (k * a)) ** 2)

    def walls(t: Real) -> Complex:
        """E-plane, one on boresight."""
        c, x = s * np.cos(t), k * b / 2 * np.sin(t)
        return np.asarray((1 + c + r * (1 - c)) / (1 + s + r * (1 - s)) * np.sinc(x / np.pi))

    def aperture(t: Real) -> Complex:
        """H-plane over B without the edges; cos X / (pi/2 - X) is a sinc."""
        c, x = np.cos(t), k * a / 2 * np.sin(t)
        shape = np.sinc(0.5 - x / np.pi) / (np.pi / 2 + x)
        return np.asarray((s + c + r * (c - s)) * shape)

    def edges(t: Real) -> Real:
        return np.asarray(np.cos(k * a / 2 * np.sin(t)))

    # Power: integral of |E|^2 + |H|^2 over cos(theta), in units of |B|^2, against that of the mode.
    # The integrands are entire in theta, of at most ka + kb < 4 pi waves.
    x, weight = np.polynomial.legendre.leggauss(60)
    t = (x + 1) * np.pi / 2
    weight = weight * np.sin(t) * np.pi / 2
    front = 4 / np.pi**2 * (1 + s + r * (1 - s))
    e, h, c = walls(t), aperture(t), edges(t)
    along = np.square(np.abs(e)) @ weight
    square = along + np.square(c) @ weight
    cross = along * front[:, 0].real + (h.real * c) @ weight
    rest = along * np.square(np.abs(front[:, 0])) + np.square(np.abs(h)) @ weight
    rest -= (32 * s * (1 - np.square(np.abs(r))) / (np.pi * k**2 * a * b))[:, 0]
    root = cross**2 - square * rest
    bad = np.flatnonzero((root < 0) | (np.abs(r[:, 0]) >= 1))
    if bad.size:
        raise InputError(
            f"reflection is {complex(r[bad[0], 0]):.4g} at {f[bad[0]] / 1e9:.9g} GHz: no current "
            "on the edges makes the power radiated that of the mode, give the measured reflection"
        )
    edge = ((np.sqrt(root) - cross) / square)[:, None]
    behind = (1 - s + r * (1 + s)) / (1 + s + r * (1 - s))

    def h_plane(t: Real) -> Complex:
        w = np.where(np.cos(t) > 0, 0.0, np.cos(t) ** 4)
        return np.asarray(aperture(t) + edge * (1 - w - w * behind) * edges(t))

    def e_plane(t: Real) -> Complex:
        return np.asarray((front + edge) * walls(t))

    return principal_planes(f, e_plane=e_plane, h_plane=h_plane, efficiency=efficiency, truncation=truncation)


def circular_waveguide(
    frequency: ArrayLike,
    *,
    radius: float,
    reflection: ArrayLike = 0.0,
    efficiency: ArrayLike = 1.0,
    truncation: float = 1e-3,
) -> Modes:
    """Open-ended circular waveguide with the TE11 mode.

    Parameters
    ----------
    frequency : (F,) array_like
        Frequencies between the cutoffs of TE11 and TE21 [Hz].
    radius : float
        Inner radius [m].
    reflection, efficiency, truncation
        As in `rectangular_waveguide`.

    Returns
    -------
    Modes
        Orders +-1, the degree that ``truncation`` needs.

    Notes
    -----
    [2]_, from memory, with s = beta/k, R the reflection, X = k a sin(theta) and p the first zero of J1':
    E-plane [1 + s cos + R (1 - s cos)] 2 J1(X)/X, H-plane [s + cos + R (cos - s)] 2 J1'(X) / (1 - (X/p)^2).
    Currents on the outside of the wall are left out, so that the front half space is meant, best near the
    axis and for wide guides; levels behind are a rough guide only. From the cutoff of TM01 (k a = 2.405) on,
    TM01 must not be excited.
    """
    from scipy.special import j1, jvp

    f = frequencies(frequency)
    _check_sizes(radius=radius)
    a = float(radius)
    unit = SPEED_OF_LIGHT / (2 * np.pi * a)
    _check_band(f, TE11_ZERO * unit, TE21_ZERO * unit, "TE11 but not TE21")
    k = wavenumber(f)[:, None]
    r = per_frequency(reflection, f, "reflection", complex)[:, None]
    bad = np.flatnonzero(np.abs(r[:, 0]) >= 1)
    if bad.size:
        raise InputError(
            f"reflection is {complex(r[bad[0], 0]):.4g} at {f[bad[0]] / 1e9:.9g} GHz, expected "
            "a magnitude below 1: otherwise nothing is radiated"
        )
    s = np.sqrt(1 - (TE11_ZERO / (k * a)) ** 2)

    def e_plane(t: Real) -> Complex:
        c, x = s * np.cos(t), k * a * np.sin(t)
        small = np.where(x == 0, 1.0, x)
        return np.asarray((1 + c + r * (1 - c)) * np.where(x == 0, 1.0, 2 * j1(small) / small))

    def h_plane(t: Real) -> Complex:
        c, x = np.cos(t), k * a * np.sin(t)
        u = 1 - (x / TE11_ZERO) ** 2
        pole = np.abs(u) < 1e-6
        # Where X = p: J1'(X) = (X - p) J1''(p), 1 - (X/p)^2 = -2 (X - p)/p.
        limit = -TE11_ZERO * jvp(1, TE11_ZERO, 2)
        shape = np.where(pole, limit, 2 * jvp(1, x) / np.where(pole, 1.0, u))
        return np.asarray((s + c + r * (c - s)) * shape)

    return principal_planes(f, e_plane=e_plane, h_plane=h_plane, efficiency=efficiency, truncation=truncation)


def _check_sizes(**sizes: float) -> None:
    for name, value in sizes.items():
        if not (np.isfinite(value) and value > 0):
            raise InputError(f"{name} is {value}, expected > 0 m")


def _check_band(f: Real, low: float, high: float, what: str) -> None:
    bad = np.flatnonzero((f <= low) | (f >= high))
    if bad.size:
        raise InputError(
            f"{f[bad[0]] / 1e9:.9g} GHz is outside of {low / 1e9:.6g} to {high / 1e9:.6g} GHz, "
            f"where this guide carries {what}",
            "take another size or a measured pattern",
        )
