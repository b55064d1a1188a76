"""The pattern that a device would show in the field of a range, and how wrong it is.

The device is turned so that each direction (theta, phi) looks at the source in turn, theta^ along the
nominal polarisation; for the other component it is turned by a quarter about the line of sight, or the
range sends a second field.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.fields import far_field_points
from nf2ff.antenna.modes import Modes, mode_numbers
from nf2ff.kernel import spin, torus
from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.by_degree import apply_by_degree
from nf2ff.kernel.sphere import angle_between, direction_angles, unit_vectors
from nf2ff.messages.input_error import InputError
from nf2ff.messages.notice import Notice
from nf2ff.messages.ranges import IncidentCode
from nf2ff.metrics.beam import cut_planes, peak
from nf2ff.metrics.cuts import LOBE_RISE, Circle, lobe_width, prominent_maxima
from nf2ff.metrics.gain_and_power import intensity
from nf2ff.metrics.planes import Plane, PlaneLike
from nf2ff.ranges.incident_field import (
    IncidentField,
    RegularWaves,
    check_frequency,
    constants_in,
    turned,
)
from nf2ff.solver.response import spin_constants

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
#: One field, whose source and surroundings turn with the polarisation, or one for each of the two.
Fields = IncidentField | tuple[IncidentField, IncidentField]

#: Power of waves beyond the degree of the field that is worth a word [dB].
_BEYOND_DB = -50.0
#: Part of the highest intensity that the grid may show of it, and maxima that are looked at, at most.
_MISSED, _CLIMBS = 0.7, 12
#: Constants below this part of the largest are rounding of it.
_ROUNDING = 1e-17


def shown_field(
    modes: Modes, incident: Fields, *, theta: ArrayLike, phi: ArrayLike, threads: int | None = None
) -> tuple[Complex, Complex]:
    """What a measurement in the range takes for the far field of a device.

    Parameters
    ----------
    modes : Modes
        The device's modes, of the field's frequency alone.
    incident : IncidentField or tuple of IncidentField
        The field; or those of two polarisations, the second along z^ x (first) at the source.
    theta, phi : (M,) array_like
        Directions, theta from 0 to pi [rad].
    threads : int, optional
        Threads, by default all.

    Returns
    -------
    e_theta, e_phi : (M,) ndarray
        The readings [V]; of an ideal plane wave those of `antenna.fields.far_field_points`.

    Raises
    ------
    ValueError
        If the frequencies differ, an angle is out of range, or two fields do not belong together.

    Notes
    -----
    One Legendre transform for each |mu| up to the degree, and one Fourier transform to the points.
    """
    t, p = (as_array(x, float, name, ndim=1) for x, name in ((theta, "theta"), (phi, "phi")))
    if t.shape != p.shape:
        raise InputError(f"phi has shape {p.shape}, expected {t.shape}, as theta")
    outside = (t < 0) | (t > np.pi * (1 + 1e-12))
    if outside.any():
        raise InputError(f"theta is {t[outside][0]:.6g} rad, expected within [0, pi]", "convert degrees")
    location = np.stack([np.minimum(t, np.pi), np.mod(p, 2 * np.pi)], axis=1)
    count = spin.thread_count(threads)
    if not t.size:
        return np.zeros(0, dtype=complex), np.zeros(0, dtype=complex)
    found = []
    for constants in _channels(modes, incident):
        parts = _spin_parts(modes, constants)
        # No point lies on a node of the transform's own grid, see `spin.aside`.
        turns = [torus.Turn(0.0, spin.aside(location))]
        values = torus.synthesis(parts, turns, epsilon=3e-13, threads=count) if parts else [np.zeros(t.size)]
        found.append(np.asarray(values[0], dtype=complex))
    return found[0], found[1]


def _channels(modes: Modes, incident: Fields) -> tuple[Complex, Complex]:
    """Constants (J,) of both components, in the frame with the source on +z and theta^ along +x."""
    first = incident[0] if isinstance(incident, tuple) else incident
    check_frequency(modes, first)
    p = constants_in(first.constants(modes.degree), first.frame)
    if not isinstance(incident, tuple):
        # A quarter turn of the device about the line of sight: exp(j mu chi).
        return p, p * np.array([1, 1j, -1, -1j])[mode_numbers(modes.degree)[1] % 4]
    second = incident[1]
    check_frequency(modes, second)
    off = abs(float(second.polarisation @ first.frame[:, 1]) - 1)
    if off > 1e-6 or float(second.direction @ first.direction) < 1 - 1e-6:
        raise InputError(
            "the second field is not that of the other polarisation of the first",
            "let it travel the same way, polarised along z^ x (first) with z^ towards the source",
        )
    return p, constants_in(second.constants(modes.degree), first.frame)


def _spin_parts(modes: Modes, constants: Complex) -> list[tuple[int, Complex]]:
    """Packed coefficients of each spin, for the sum over mu of what the constants make of the modes."""
    degree = modes.degree
    s, m, n = mode_numbers(degree)
    table = np.zeros((1, 2 * degree + 1, degree, 2), dtype=complex)
    table[0, m + degree, n - 1, s - 1] = np.where(
        np.abs(constants) > _ROUNDING * np.abs(constants).max(), constants, 0
    )
    packed = spin.pack(modes.coefficients[0].reshape(-1, 2).T)
    numbers = spin.packed_numbers(degree)[1]
    return [(order, apply_by_degree(matrix[0], packed, numbers)) for order, matrix in spin_constants(table)]


@dataclass(frozen=True, slots=True, eq=False)
class ShownError:
    """Figures of a device as a range would show them, minus the true ones.

    Parameters
    ----------
    peak_db : float
        Highest EIRP shown over the highest EIRP, each wherever it is [dB].
    true_peak_db : float
        EIRP shown over EIRP in the direction of the true peak [dB].
    peak_shift : float
        Angle between both peaks [rad].
    trp_db : float
        TRP shown, by quadrature of the readings, over the true one [dB].
    directivity_db : float
        peak_db - trp_db [dB].
    beamwidth_shift : float
        Half-power beamwidth of the cut, shown minus true; NaN where there is none [rad].
    first_sidelobe_db, highest_sidelobe_db : float
        Level of the first and of the highest sidelobe of the cut, shown minus true, each below its own
        peak; NaN where there is none [dB].
    worst_difference_db : float
        Largest difference of field shown and true field over the sphere, over the true peak [dB].
    warnings : tuple of Notice
        What a user should know.
    """

    peak_db: float
    true_peak_db: float
    peak_shift: float
    trp_db: float
    directivity_db: float
    beamwidth_shift: float
    first_sidelobe_db: float
    highest_sidelobe_db: float
    worst_difference_db: float
    warnings: tuple[Notice, ...]


def shown_error(
    modes: Modes, incident: Fields, *, plane: PlaneLike = 0.0, threads: int | None = None
) -> ShownError:
    """How wrong the figures of a device would be in the field of a range.

    Parameters
    ----------
    modes : Modes
        The device's modes, of the field's frequency alone.
    incident : IncidentField or tuple of IncidentField
        As in `shown_field`.
    plane : float, str or Plane
        The cut through the peak for beamwidth and sidelobes, as in `metrics.beam.beamwidth`.
    threads : int, optional
        Threads, by default all.

    Returns
    -------
    ShownError
        Of an exact positioner and receiver: the errors of the field alone.

    Raises
    ------
    ValueError
        As in `shown_field`, or if nothing is radiated.
    """
    channels = _channels(modes, incident)
    top = peak(modes)
    (own,) = cut_planes(modes, plane, top)
    theta, phi, weight = _quadrature(modes.degree)
    shown = np.stack(shown_field(modes, incident, theta=theta, phi=phi, threads=threads))
    true = np.stack(far_field_points(modes, theta=theta, phi=phi, threads=threads))[:, 0]
    u = intensity(*shown)
    there = unit_vectors(top.theta, top.phi)[0][0]
    outward = unit_vectors(theta, phi)[0]
    climbs = [_climb(modes, channels, own, outward[i]) for i in _summits(u, 4 * modes.degree + 2)]
    at = max(climbs, key=lambda climb: climb[1])[0]
    true_circle = _true_circle(modes, own, there)
    circle = _ShownCircle(modes, channels, own, at)
    highest = circle.intensity(0.0)[0]
    true_highest = float(true_circle.intensity(0.0)[0])
    seen_there = _ShownCircle(modes, channels, own, there).intensity(0.0)[0]
    trp = float(weight @ u) / float(modes.radiated_power()[0])
    lobes, true_lobes = _sidelobes(circle), _sidelobes(true_circle)
    worst = np.sqrt(np.max(np.sum(np.abs(shown - true) ** 2, axis=0)))
    peak_field = np.sqrt(np.max(np.sum(np.abs(true) ** 2, axis=0)))
    peak_db, trp_db = _db(float(highest) / true_highest), _db(trp)
    width = lobe_width(circle, _db(2)) - lobe_width(true_circle, _db(2))
    return ShownError(
        peak_db,
        _db(float(seen_there) / true_highest),
        float(angle_between(at, there)),
        trp_db,
        peak_db - trp_db,
        width,
        lobes[0] - true_lobes[0],
        lobes[1] - true_lobes[1],
        2 * _db(float(worst / peak_field)) if worst > 0 else -np.inf,
        _beyond(modes, incident),
    )


def _db(ratio: float) -> float:
    return 10 * math.log10(ratio)


def _quadrature(degree: int) -> tuple[Real, Real, Real]:
    """Directions (M,) and solid angles (M,) of a Gauss-Legendre grid, fine enough to miss no maximum."""
    rings, columns = 4 * degree + 2, spin.good_length(8 * degree + 4)
    theta = spin.ring_angles_gauss(rings)
    weight = spin.ring_weights("gauss-legendre", rings) / columns
    phi = 2 * np.pi * np.arange(columns) / columns
    return np.repeat(theta, columns), np.tile(phi, rings), np.repeat(weight, columns)


def _summits(u: Real, rings: int) -> list[int]:
    """Which of the intensities (M,) on rings are so high that the highest of all may be beside them.

    Along any great circle it is a sum of harmonics up to 2N, and has cos^2(N d) of a maximum at the angle d
    from it (M. Riesz, from memory): 0.72 at half a step in theta and in phi together.
    """
    table = u.reshape(rings, -1)
    rows = np.pad(table, ((1, 1), (0, 0)), constant_values=-1)
    beside = [np.roll(table, 1, axis=1), np.roll(table, -1, axis=1), rows[:-2], rows[2:]]
    high = (table >= np.max(beside, axis=0)) & (table >= _MISSED * table.max())
    found = np.flatnonzero(high.ravel())
    return found[np.argsort(-u[found])][:_CLIMBS].tolist()


def _orientation(plane: Plane, direction: Real) -> Real:
    """Rotation (3, 3) that turns a direction to +z and the tangent of its cut to +x."""
    tangent = plane.tangents(direction)
    return np.stack([tangent, np.cross(direction, tangent), direction])


def _climb(modes: Modes, channels: tuple[Complex, Complex], plane: Plane, start: Real) -> tuple[Real, float]:
    """Direction (3,) of the highest intensity shown near ``start``, and that intensity."""
    from scipy.optimize import minimize

    base = _orientation(plane, start)
    step = 0.5 / max(modes.degree, 1)

    def towards(aside: Real) -> Real:
        direction = start + step * (aside @ base[:2])
        return np.asarray(direction / np.linalg.norm(direction))

    def lowered(aside: Real) -> float:
        q = turned(modes.coefficients[0], _orientation(plane, towards(aside)))
        return -float(sum(abs(p @ q) ** 2 for p in channels))

    scale = -lowered(np.zeros(2))
    found = minimize(
        lambda x: lowered(x) / scale,
        np.zeros(2),
        method="Nelder-Mead",
        options={"xatol": 1e-5, "fatol": 1e-12, "initial_simplex": [[0, 0], [1, 0], [0, 1]]},
    )
    return towards(found.x), -scale * float(found.fun)


class _ShownCircle(Circle):
    """Field shown on the great circle through a direction, the device turned about the circle's normal.

    With V that turns y to z, w(alpha) = P D(V^-1) D(Rz(-alpha)) D(V) q: a Fourier series in alpha.
    """

    def __init__(
        self, modes: Modes, channels: tuple[Complex, Complex], plane: Plane, direction: Real
    ) -> None:
        degree = modes.degree
        upright = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
        q = turned(modes.coefficients[0], upright @ _orientation(plane, direction))
        m = mode_numbers(degree)[1] + degree
        spectrum = np.zeros((2, 2 * degree + 1), dtype=complex)
        for row, p in zip(spectrum, channels, strict=True):
            np.add.at(row, m, constants_in(p, upright.T) * q)
        self.order = np.arange(-degree, degree + 1)
        self.fine = 16 * (degree + 1)
        self.spectrum = spectrum
        self.series = np.concatenate([spectrum * (1j * self.order) ** p for p in range(3)])


def _true_circle(modes: Modes, plane: Plane, direction: Real) -> Circle:
    theta, phi = (float(x[0]) for x in direction_angles(direction[None]))
    return Circle(modes, theta=theta, phi=phi, plane=plane.angle_at(theta, phi))


def _sidelobes(circle: Circle) -> tuple[float, float]:
    """First and highest sidelobe over the level at angle 0 [dB], NaN where there is none."""
    level = circle.level_db()
    lobes = prominent_maxima(level, LOBE_RISE)
    if lobes.size == 0:
        return np.nan, np.nan
    angle = circle.extremum(lobes * 2 * np.pi / circle.fine, 1)
    value = circle.intensity(angle)[0] / circle.intensity(0.0)[0]
    return _db(max(value[0], value[-1])), _db(value.max())


def _beyond(modes: Modes, incident: Fields) -> tuple[Notice, ...]:
    """Whether the device has waves that a fitted field says nothing of."""
    told = []
    total = modes.power_spectrum()[0]
    for one in incident if isinstance(incident, tuple) else (incident,):
        if isinstance(one.waves, RegularWaves) and one.waves.degree < modes.degree:
            part = float(total[one.waves.degree :].sum() / total.sum())
            if part > 10 ** (_BEYOND_DB / 10):
                told.append(IncidentCode.BEYOND(part_db=_db(part), degree=one.waves.degree))
    return tuple(dict.fromkeys(told))
