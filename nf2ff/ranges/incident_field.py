"""The field that a range sends to a device, and what the device receives of it.

A device that transmits the modes Q receives from a plane wave A exp(-jk u.r), u its direction of
travel, a signal in proportion to A.f(-u), f its far field (reciprocity). So with any field the signal
is sum_j P_j Q_j, P the zone's constants, and that of the device turned by R is sum_j P_j (D(R) Q)_j.
They stand where a probe's response constants stand in a near-field scan, with all orders mu: an ideal
plane wave has mu = +-1 alone.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.modes import WAVE_IMPEDANCE, Modes, degree_of_count, mode_count, mode_numbers, wavenumber
from nf2ff.kernel import spin
from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.plane_waves import exponential_sums
from nf2ff.kernel.rotation import checked_rotation, euler_angles, rotate_coefficients
from nf2ff.kernel.sphere import direction_angles, unit_vectors
from nf2ff.messages.input_error import InputError
from nf2ff.ranges.regular_waves import regular_waves
from nf2ff.ranges.zone import unit

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: A field may have this part along the direction of travel: digits that were left out.
_ALONG = 1e-6
#: Accuracy asked of transforms at points: the least that the library has.
_EPSILON = 3e-13
#: Error of fast sums of plane waves over the norm of their amplitudes.
_FIELD_EPSILON = 1e-6
#: Points times plane waves up to which they are summed one by one.
_DENSE = 200_000
#: Points times waves of a regular field in one matrix, at most.
_AT_ONCE = 4_000_000


@dataclass(frozen=True, slots=True, eq=False)
class PlaneWaves:
    """A sum of plane waves, A exp(-jk u.r).

    Parameters
    ----------
    direction : (W, 3) array_like
        Directions of travel u, of any length.
    amplitude : (W, 3) array_like
        Complex vectors A at the origin, across u [V/m].

    Raises
    ------
    ValueError
        If shapes do not fit, a direction has no length, or an amplitude is not across it.
    """

    direction: Real
    amplitude: Complex

    def __post_init__(self) -> None:
        u = as_array(self.direction, float, "direction", ndim=2)
        a = as_array(self.amplitude, complex, "amplitude", ndim=2)
        if u.shape[1:] != (3,) or u.shape != a.shape:
            raise InputError(f"direction and amplitude have shapes {u.shape} and {a.shape}, expected (W, 3)")
        size = np.linalg.norm(u, axis=1)
        if not size.all():
            unit(u[np.argmin(size)], f"direction {np.argmin(size) + 1}")
        u = u / size[:, None]
        along = np.sum(a * u, axis=1)
        wrong = np.flatnonzero(np.abs(along) > _ALONG * np.linalg.norm(a, axis=1))
        if wrong.size:
            raise InputError(
                f"amplitude {wrong[0] + 1} has a part along its direction of travel",
                "keep only the part across it",
            )
        object.__setattr__(self, "direction", as_array(u, float, "direction"))
        object.__setattr__(self, "amplitude", as_array(a - along[:, None] * u, complex, "amplitude"))

    def field_at(self, position: Real, k: float) -> Complex:
        """Electric field at points (M, 3), (M, 3) [V/m]; of many to 1e-6 of the norm of the amplitudes."""
        if len(position) * len(self.direction) <= _DENSE:
            return np.asarray(np.exp(-1j * k * (position @ self.direction.T)) @ self.amplitude)
        threads = spin.thread_count(None)
        return exponential_sums(
            self.amplitude.T, k * self.direction, position, epsilon=_FIELD_EPSILON, threads=threads
        ).T

    def constants(self, degree: int, k: float) -> Complex:
        """P_j, j up to ``degree``: the far field of each mode towards -u, times A, over all waves."""
        del k  # the far field of a mode is the same at every frequency
        theta, phi = direction_angles(-self.direction)
        _, across, round_ = unit_vectors(theta, phi)
        maps = np.stack([np.sum(self.amplitude * x, axis=1) for x in (across, round_)])
        # The adjoint conjugates the functions, and of the sum without it the maps in their place.
        location = np.stack([theta, phi], axis=1)
        packed = spin.point_adjoint(
            maps.conj(), spin=1, degree=degree, location=location, epsilon=_EPSILON, threads=1
        )
        g, c = np.conj(spin.unpack(packed))
        n = np.repeat(np.arange(1, degree + 1), 2 * np.arange(1, degree + 1) + 1)
        power = np.array([1, 1j, -1, -1j])
        # G = sqrt(Z0) j^n Q_2, C = -sqrt(Z0) j^(n+1) Q_1, as `antenna.fields` has it.
        pair = np.stack([-power[(n + 1) % 4] * c, power[n % 4] * g], axis=1)
        return np.asarray(np.sqrt(WAVE_IMPEDANCE) * pair.ravel())


@dataclass(frozen=True, slots=True, eq=False)
class RegularWaves:
    """A sum of regular spherical waves, k sqrt(Z0) sum b_j F^(1)_j.

    Parameters
    ----------
    coefficients : (J,) array_like
        b in the order of the modes, J = 2 N (N + 2) [sqrt(W)].

    Raises
    ------
    ValueError
        If J is not 2 N (N + 2).
    """

    coefficients: Complex

    def __post_init__(self) -> None:
        b = as_array(self.coefficients, complex, "coefficients", ndim=1)
        degree_of_count(b.size)
        object.__setattr__(self, "coefficients", b)

    @property
    def degree(self) -> int:
        """Largest degree N."""
        return degree_of_count(self.coefficients.size)

    def field_at(self, position: Real, k: float) -> Complex:
        """Electric field at points (M, 3), (M, 3) [V/m]."""
        step = max(1, _AT_ONCE // (3 * self.coefficients.size))
        parts = [
            regular_waves(self.degree, position[i : i + step], wavenumber=k) @ self.coefficients
            for i in range(0, len(position), step)
        ]
        return np.concatenate(parts) if parts else np.zeros((0, 3), dtype=complex)

    def constants(self, degree: int, k: float) -> Complex:
        """P_smn = j k Z0 / (4 pi) (-1)^m b_{s,-m,n}, 0 above the degree of the field.

        A regular wave is half an incoming one; by reciprocity a device receives it as it transmits
        that of -m (Hansen 1988, eq. 2.107, from memory). The factor is that of a dipole at the
        origin, F^(1)_201 = z^ / sqrt(6 pi), and of its far field.
        """
        low = min(degree, self.degree)
        _, m, n = mode_numbers(low)
        s = np.tile([1, 2], m.size // 2)
        turned = self.coefficients[2 * (n * (n + 1) - m - 1) + s - 1]
        found = np.zeros(mode_count(degree), dtype=complex)
        found[: m.size] = 1j * k * WAVE_IMPEDANCE / (4 * np.pi) * (1 - 2 * (m % 2)) * turned
        return found


@dataclass(frozen=True, slots=True, eq=False)
class IncidentField:
    """Field of a range in its quiet zone, and the plane wave that it is meant to be.

    Parameters
    ----------
    frequency : float
        Frequency [Hz].
    waves : PlaneWaves or RegularWaves
        The field about the origin, which is the zone's centre.
    direction : (3,) array_like
        Nominal direction of travel.
    polarisation : (3,) array_like
        Nominal polarisation, real, across it.
    amplitude : complex, optional
        Nominal field at the origin, to which readings are calibrated; if left out that of the field
        itself, of which the stray waves at the centre are part then [V/m].

    Raises
    ------
    ValueError
        If the frequency is not positive, the polarisation is not across the direction, or the
        amplitude is zero.
    """

    frequency: float
    waves: PlaneWaves | RegularWaves
    direction: Real = field(default_factory=lambda: np.array([0.0, 0.0, 1.0]))
    polarisation: Real = field(default_factory=lambda: np.array([1.0, 0.0, 0.0]))
    amplitude: complex | None = None

    def __post_init__(self) -> None:
        f = float(as_array(self.frequency, float, "frequency", ndim=0))
        if not f > 0:
            raise InputError(f"frequency is {f:g} Hz, expected > 0")
        along = unit(self.direction, "direction")
        across = unit(self.polarisation, "polarisation")
        if abs(along @ across) > _ALONG:
            raise InputError(
                f"polarisation is {np.degrees(np.arccos(along @ across)):.4g} deg from the direction "
                "of travel",
                "give one across it",
            )
        across = unit(across - (across @ along) * along, "polarisation")
        object.__setattr__(self, "frequency", f)
        object.__setattr__(self, "direction", as_array(along, float, "direction"))
        object.__setattr__(self, "polarisation", as_array(across, float, "polarisation"))
        a = self.field_at(np.zeros((1, 3)))[0] @ across if self.amplitude is None else self.amplitude
        a = complex(as_array(a, complex, "amplitude", ndim=0))
        if a == 0:
            raise InputError("amplitude is 0: there is no nominal wave", "give its polarisation")
        object.__setattr__(self, "amplitude", a)

    @property
    def wavenumber(self) -> float:
        """k [rad/m]."""
        return float(wavenumber(self.frequency))

    @property
    def frame(self) -> Real:
        """Rotation (3, 3) that takes +z towards the source and +x to the polarisation."""
        z = -self.direction
        return np.stack([self.polarisation, np.cross(z, self.polarisation), z], axis=1)

    def field_at(self, position: ArrayLike) -> Complex:
        """Electric field.

        Parameters
        ----------
        position : (M, 3) array_like
            Points [m].

        Returns
        -------
        (M, 3) ndarray
            Cartesian components [V/m].
        """
        points = as_array(position, float, "position", ndim=2)
        if points.shape[1:] != (3,):
            raise InputError(f"position has shape {points.shape}, expected (M, 3)")
        return self.waves.field_at(points, self.wavenumber)

    def constants(self, degree: int) -> Complex:
        """The zone's constants P_j in the laboratory's frame, over the nominal amplitude.

        Parameters
        ----------
        degree : int
            Largest degree of the device's modes.

        Returns
        -------
        (J,) ndarray
            sum_j P_j Q_j is what is taken for the far field of the device towards the source, in
            the nominal polarisation [V for sqrt(W)].
        """
        assert self.amplitude is not None
        return self.waves.constants(degree, self.wavenumber) / self.amplitude


def received(modes: Modes, incident: IncidentField, *, rotation: ArrayLike | None = None) -> complex:
    """What a device receives, as the far field that it is taken for.

    Parameters
    ----------
    modes : Modes
        The device's, in its own frame, of the field's frequency alone.
    incident : IncidentField
        The field.
    rotation : (3, 3) array_like, optional
        How the device is turned about the zone's centre; not at all if left out.

    Returns
    -------
    complex
        In an ideal field the component of the far field of the turned device towards the source
        along the nominal polarisation [V].

    Raises
    ------
    ValueError
        If the frequencies differ, or the rotation is none.
    """
    check_frequency(modes, incident)
    q = modes.coefficients[0]
    if rotation is not None:
        q = turned(q, checked_rotation(rotation))
    return complex(incident.constants(modes.degree) @ q)


def plane_wave_field(
    frequency: float,
    *,
    stray: Any = (),
    direction: ArrayLike = (0.0, 0.0, 1.0),
    polarisation: ArrayLike = (1.0, 0.0, 0.0),
) -> IncidentField:
    """A plane wave of 1 V/m and stray waves.

    Parameters
    ----------
    frequency : float
        Frequency [Hz].
    stray : sequence of (direction, amplitude)
        Direction of travel (3,) and complex vector (3,) across it [V/m] of each stray wave.
    direction, polarisation : (3,) array_like
        Of the nominal wave.

    Returns
    -------
    IncidentField
        Calibrated to the nominal wave.
    """
    main = unit(polarisation, "polarisation")
    waves = [(unit(direction, "direction"), main), *stray]
    sum_of_all = PlaneWaves(np.array([d for d, _ in waves]), np.array([a for _, a in waves]))
    return IncidentField(frequency, sum_of_all, unit(direction, "direction"), main, 1.0)


def check_frequency(modes: Modes, incident: IncidentField) -> None:
    """Refuse modes of other frequencies than the field's.

    Raises
    ------
    ValueError
        If there is more than one, or it is another.
    """
    f = modes.frequency
    if f.size != 1 or abs(f[0] - incident.frequency) > 1e-9 * incident.frequency:
        held = f"{f[0] / 1e9:.9g} GHz" if f.size == 1 else f"{f.size} frequencies"
        raise InputError(
            f"the modes have {held}, the field is at {incident.frequency / 1e9:.9g} GHz",
            "take that one of the modes by `Modes.at`",
        )


def turned(q: Complex, rotation: Real) -> Complex:
    """Coefficients (J,) of what is turned by a rotation matrix (3, 3)."""
    alpha, beta, gamma = euler_angles(rotation)
    found = rotate_coefficients(q.reshape(-1, 2).T, alpha=alpha, beta=beta, gamma=gamma, threads=1)
    return np.ascontiguousarray(found.T).ravel()


def constants_in(p: Complex, rotation: Real) -> Complex:
    """Constants (J,) of a device that is turned first: P' Q = P (D Q), D unitary."""
    return np.asarray(np.conj(turned(np.conj(p), rotation.T)))
