"""What lights a reflector: a feed of cos^q, or of any modes."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.fields import near_field_points
from nf2ff.antenna.modes import WAVE_IMPEDANCE, Modes, wavenumber
from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.sphere import direction_angles, unit_vectors
from nf2ff.messages.input_error import InputError
from nf2ff.ranges.zone import unit, vector

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Distances at which the field of modes is computed: between them it is a polynomial but for exp(-jkr)/r.
_DISTANCES = 8


@dataclass(frozen=True, slots=True, eq=False)
class Feed:
    """A feed, its place and its aim.

    Parameters
    ----------
    position : (3,) array_like
        Phase centre, origin of the modes [m].
    aim : (3,) array_like
        Where its z axis points.
    polarisation : (3,) array_like
        Its x axis, the part across ``aim`` of what is given.
    exponent : float
        q of the field cos^q(theta) exp(-jkr)/r, polarised as a Huygens source, 0 behind theta = 90 deg.
    modes : Modes, optional
        Modes at the frequencies in question, in the place of ``exponent``.

    Raises
    ------
    ValueError
        If a vector is none, the polarisation is along the aim, or the exponent negative.
    """

    position: Real
    aim: Real
    polarisation: Real = field(default_factory=lambda: np.array([1.0, 0.0, 0.0]))
    exponent: float = 2.0
    modes: Modes | None = None

    def __post_init__(self) -> None:
        aim = unit(self.aim, "aim of the feed")
        across = unit(self.polarisation, "polarisation of the feed")
        if abs(across @ aim) > 1 - 1e-9:
            raise InputError("polarisation of the feed is along its aim", "give one across it")
        if not 0 <= self.exponent < np.inf:
            raise InputError(f"exponent of the feed is {self.exponent}, expected 0 or more")
        object.__setattr__(self, "position", vector(self.position, "position of the feed"))
        object.__setattr__(self, "aim", as_array(aim, float, "aim"))
        object.__setattr__(
            self, "polarisation", as_array(unit(across - (across @ aim) * aim, "x"), float, "x")
        )

    @property
    def frame(self) -> Real:
        """Its axes x, y, z as rows (3, 3)."""
        return np.stack([self.polarisation, np.cross(self.aim, self.polarisation), self.aim])

    def magnetic_field(self, points: ArrayLike, *, frequency: float) -> Complex:
        """Magnetic field (M, 3) [A/m] at points (M, 3): of cos^q as far away, of modes anywhere."""
        place = (as_array(points, float, "points", ndim=2) - self.position) @ self.frame.T
        r = np.linalg.norm(place, axis=1)
        if not r.all():
            raise InputError("the feed is at a point of the reflector", "move it to the focus")
        theta, phi = direction_angles(place)
        outward, across, round_ = unit_vectors(theta, phi)
        k = float(wavenumber(frequency))
        if self.modes is None:
            level = np.cos(np.minimum(theta, np.pi / 2)) ** self.exponent * (theta < np.pi / 2)
            wave = level * np.exp(-1j * k * r) / (r * WAVE_IMPEDANCE)
            # H = r^ x E / Z0 of E = cos(phi) theta^ - sin(phi) phi^.
            h = (wave * np.sin(phi))[:, None] * across + (wave * np.cos(phi))[:, None] * round_
        else:
            h = self._of_modes(frequency, k, r, theta, phi, (outward, across, round_))
        return np.asarray(h @ self.frame)

    def _of_modes(
        self, frequency: float, k: float, r: Real, theta: Real, phi: Real, axes: tuple[Real, Real, Real]
    ) -> Complex:
        assert self.modes is not None
        at = np.flatnonzero(np.abs(self.modes.frequency - frequency) <= 1e-9 * frequency)
        if not at.size:
            raise InputError(
                f"the feed has no modes at {frequency / 1e9:.9g} GHz", "give those of that frequency"
            )
        # Z0 H = j/k curl E, and the curl turns waves s = 1 into those of s = 2 and back.
        q = self.modes.coefficients[at[0]].reshape(-1, 2)[:, ::-1].ravel()
        turned = Modes(np.array([frequency]), 1j / WAVE_IMPEDANCE * q[None])
        low, high = float(r.min()), float(r.max())
        x = np.cos(np.pi * (np.arange(_DISTANCES) + 0.5) / _DISTANCES)
        nodes = 0.5 * (low + high) + 0.5 * max(high - low, 1e-6 * high) * x
        # Barycentric weights of these nodes: (-1)^i sin (closed form).
        weight = (-1.0) ** np.arange(_DISTANCES) * np.sin(np.pi * (np.arange(_DISTANCES) + 0.5) / _DISTANCES)
        apart = r[:, None] - nodes
        apart[apart == 0] = 1e-300
        share = weight / apart
        share /= share.sum(axis=1)[:, None]
        h = np.zeros((r.size, 3), dtype=complex)
        for i, radius in enumerate(nodes):
            parts = near_field_points(turned, theta=theta, phi=phi, radius=radius)
            moved = share[:, i] * radius / r * np.exp(-1j * k * (r - radius))
            for part, axis in zip(parts, axes, strict=True):
                h += (moved * part[0])[:, None] * axis
        return h
