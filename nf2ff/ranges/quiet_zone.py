"""How quiet a measured quiet zone is: tilt, taper, ripple, stray level, cross-polarisation.

No standard that we have seen says how taper and ripple are told apart. Here the taper is the
least-squares polynomial of total degree 2 in the zone, and ripple what it leaves; where degree 4
gives another answer, this is said. A stray wave with few periods in the zone is part of both. Lines
that cross in the zone's centre have a level each, whose difference counts as ripple.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import wavenumber
from nf2ff.messages.input_error import InputError
from nf2ff.messages.notice import Notice
from nf2ff.messages.ranges import ZoneCode
from nf2ff.ranges.smooth_part import SPANNED, Variation, fitted, powers, spanned, unwrapped, variation
from nf2ff.ranges.zone import ProbedField, Zone
from nf2ff.ranges.zone_formulas import stray_level_db

Real = NDArray[np.float64]

#: A sinusoid with fewer periods in the zone is mostly taken up by the fit of degree 2: that leaves
#: 88 % of 1.5 periods, 48 % of one (closed form, in the tests).
PERIODS = 1.5
#: The fit of degree 4 is told of where it differs by more [dB].
DEGREES_DIFFER_DB = 0.1
#: Readings beyond the number of terms that a fit asks for.
_SPARE = 2
#: Places of a zone that are looked at for holes, about.
_HOLES = 4000


@dataclass(frozen=True, slots=True, eq=False)
class ZoneFigures:
    """Figures of a quiet zone at one frequency.

    Parameters
    ----------
    frequency : float
        Frequency [Hz].
    zone : Zone
        The zone.
    used : (K,) ndarray of int
        Readings in the zone.
    basis : (D, 3) ndarray
        Directions that their places extend in: the figures hold for this line, plane or volume.
    amplitude_db, amplitude_4_db : Variation
        Of the co-polar amplitude [dB], by the fits of degree 2 and 4; the latter None where there
        are too few readings.
    phase, phase_4 : Variation or None
        Of the phase without its tilt [rad]; None without phase.
    tilt : (2,) ndarray or None
        Mean direction of travel against the nominal one, along the first two of the zone's axes:
        positive where the wave travels towards them; NaN where the readings do not extend [rad].
    cross_db : float or None
        Largest cross-polar amplitude over the smooth co-polar one at its place [dB].
    cross_rms_db : float or None
        Root mean square of the same [dB].
    stray_db : float
        Level of a single stray wave that makes such a ripple, the probe's pattern accounted for
        [dB].
    warnings : tuple of Notice
        What a user should know.
    """

    frequency: float
    zone: Zone
    used: NDArray[np.intp]
    basis: Real
    amplitude_db: Variation
    amplitude_4_db: Variation | None
    phase: Variation | None
    phase_4: Variation | None
    tilt: Real | None
    cross_db: float | None
    cross_rms_db: float | None
    stray_db: float
    warnings: tuple[Notice, ...]

    @property
    def tilt_angle(self) -> float | None:
        """Angle between mean and nominal direction of travel, in the plane of the readings [rad]."""
        if self.tilt is None or np.isnan(self.tilt).all():
            return None
        return float(np.arcsin(min(1.0, np.hypot(*np.sin(np.nan_to_num(self.tilt))))))

    @property
    def wavefront_radius(self) -> float | None:
        """Radius of a spherical wavefront with this phase taper: k a^2 / (2 taper) [m].

        None where the taper is below the rms of the ripple: it may be nothing but ripple.
        """
        if self.phase is None or not self.phase.curvature > max(self.phase.ripple_rms, 1e-9):
            return None
        half = self.zone.radius
        return float(wavenumber(self.frequency) * half**2 / (2 * self.phase.curvature))


def evaluate(field: ProbedField, zone: Zone, *, probe_level_db: float = 0.0) -> ZoneFigures:
    """Figures of a quiet zone from the readings of a field probe.

    Parameters
    ----------
    field : ProbedField
        Readings on lines, planes, cylinders or anywhere; those outside the zone are left out.
    zone : Zone
        The zone.
    probe_level_db : float
        Level of the probe's pattern towards the stray wave over that towards the direct wave:
        the level of the stray wave in the zone is higher by as much as the probe suppresses it.

    Returns
    -------
    ZoneFigures
        Tapers by the least-squares polynomial of total degree 2, each reading of equal weight.

    Raises
    ------
    ValueError
        If the zone reaches beyond the readings, or holds too few of them.
    """
    inside = np.flatnonzero(zone.contains(field.position))
    basis = _checked_basis(field, zone, inside)
    place = field.position[inside] - zone.centre
    coordinates = place @ basis.T
    co = field.co[inside]
    level = 20 * np.log10(np.abs(co))
    enough = inside.size >= powers(coordinates[:1], 4).shape[1] + _SPARE
    amplitude = variation(level, coordinates, degree=2)
    amplitude_4 = variation(level, coordinates, degree=4) if enough else None
    phase = phase_4 = tilt = None
    warnings = _warnings(zone, field, place, basis)
    if field.phase:
        flat, tilt, forward = _without_tilt(field, zone, place, co, basis)
        phase = variation(flat, coordinates, degree=2)
        phase_4 = variation(flat, coordinates, degree=4) if enough else None
        if not forward:
            warnings.append(ZoneCode.BACKWARDS())
    cross = _cross(field, inside, amplitude)
    if amplitude_4 is not None:
        two, four = (amplitude.taper, amplitude.ripple), (amplitude_4.taper, amplitude_4.ripple)
        if max(abs(a - b) for a, b in zip(two, four, strict=True)) > DEGREES_DIFFER_DB:
            figures = {"taper_2": two[0], "ripple_2": two[1], "taper_4": four[0], "ripple_4": four[1]}
            warnings.append(ZoneCode.DEGREE(quantity="amplitude", **figures))
    return ZoneFigures(
        field.frequency,
        zone,
        inside,
        basis,
        amplitude,
        amplitude_4,
        phase,
        phase_4,
        tilt,
        *cross,
        stray_level_db(2 * amplitude.ripple) - probe_level_db,
        tuple(warnings),
    )


def _checked_basis(field: ProbedField, zone: Zone, inside: NDArray[np.intp]) -> Real:
    """Directions (D, 3) that the readings extend in, which must all reach the zone's surface."""
    place = field.position - zone.centre
    if inside.size == 0:
        low, high = field.position.min(axis=0), field.position.max(axis=0)
        reach = ", ".join(f"{x} {a:.4g} to {b:.4g} m" for x, a, b in zip("xyz", low, high, strict=True))
        raise InputError(
            f"no reading lies in the zone, a {zone.words()}; readings: {reach}", "move the zone's centre"
        )
    basis = spanned(field.position[inside], zone.axes)
    step = _largest_step(place[inside])
    for towards in basis:
        wanted, along = zone.reach(towards), place @ towards
        short = [wanted + along.min(), wanted - along.max()]
        if np.isfinite(wanted) and max(short) > 0.5 * step + 1e-9 * wanted:
            axis = _name(towards)
            raise InputError(
                f"the zone reaches {wanted:.6g} m either way along {axis}, the readings from "
                f"{along.min():.6g} to {along.max():.6g} m of its centre",
                "choose a smaller zone, move its centre, or measure farther out",
            )
    aside = place[inside] - (place[inside] @ basis.T) @ basis
    off = float(np.linalg.norm(aside.mean(axis=0)))
    if off > 0.1 * zone.radius:
        raise InputError(
            f"the readings miss the zone's centre by {off:.4g} m, in a zone of radius {zone.radius:.4g} m",
            "put its centre among them",
        )
    least = powers(np.zeros((1, len(basis))), 2).shape[1] + _SPARE
    if inside.size < least or not len(basis):
        raise InputError(
            f"the zone, a {zone.words()}, holds {inside.size} readings, expected at least {max(least, 5)} "
            "at different places",
            "choose a larger zone or another shape, or measure in finer steps",
        )
    return basis


def _name(towards: Real) -> str:
    """A direction in words: an axis where it is one."""
    for i, axis in enumerate("xyz"):
        if abs(abs(towards[i]) - 1) < 1e-6:
            return axis
    return "({:z.3g}, {:z.3g}, {:z.3g})".format(*towards)


def _largest_step(place: Real) -> float:
    """Largest distance of a place from the one next to it [m]."""
    from scipy.spatial import cKDTree

    place = np.unique(place, axis=0)
    if len(place) < 2:
        return 0.0
    return float(cKDTree(place).query(place, k=2)[0][:, 1].max())


def _without_tilt(
    field: ProbedField, zone: Zone, place: Real, co: NDArray[np.complex128], basis: Real
) -> tuple[Real, Real, bool]:
    """Phase without its linear part (K,), the tilt (2,) [rad], and whether the wave travels on."""
    k = float(wavenumber(field.frequency))
    axes = zone.axes
    phase = unwrapped(np.angle(co * np.exp(1j * k * (place @ axes[2]))), place)
    # With exp(-jk u.r) as the mean wave, u = direction - slope / k in what the readings span.
    scale = float(np.abs(place).max())
    terms = powers(place @ basis.T / scale, 1)
    slope = np.linalg.lstsq(terms, phase, rcond=None)[0][1:] / scale @ basis
    tilt = np.full(2, np.nan)
    for i in (0, 1):
        seen = basis @ axes[i]
        # Of a line aslant, the tilt is that along its shadow on the plane across.
        if np.linalg.norm(seen) > SPANNED:
            tilt[i] = math.asin(min(1.0, max(-1.0, float(-slope @ axes[i] / k))))
    return phase - fitted(phase, place @ basis.T, degree=1), tilt, float(slope @ axes[2]) < k


def _cross(
    field: ProbedField, inside: NDArray[np.intp], amplitude: Variation
) -> tuple[float | None, float | None]:
    """Largest and root mean square cross-polar level over the smooth co-polar one [dB]."""
    if field.cross is None:
        return None, None
    cross = np.abs(field.cross[inside])
    read = np.isfinite(cross)
    if not read.any():
        return None, None
    ratio = cross[read] / 10 ** (amplitude.smooth[read] / 20)
    with np.errstate(divide="ignore"):
        levels = 20 * np.log10([ratio.max(), np.sqrt(np.mean(ratio**2))])
    return float(levels[0]), float(levels[1])


def _warnings(zone: Zone, field: ProbedField, place: Real, basis: Real) -> list[Notice]:
    """What the sampling and the size of the zone keep from view."""
    wavelength = 2 * np.pi / float(wavenumber(field.frequency))
    across = np.ptp(place @ zone.axes[:2].T, axis=0)
    wide, deep = float(across.max()), float(np.ptp(place @ zone.axes[2]))
    told: list[Notice] = []
    if wide >= deep:
        sine = PERIODS * wavelength / wide
        angle = math.degrees(math.asin(sine)) if sine <= 1 else None
    else:  # along the direction of travel the period is lambda / (1 - cos)
        cosine = 1 - PERIODS * wavelength / deep
        angle = math.degrees(math.acos(cosine)) if cosine >= -1 else None
    if angle is None:
        told.append(ZoneCode.ALL_TAPER(size_wavelengths=max(wide, deep) / wavelength))
    else:
        told.append(ZoneCode.TAPER(angle_deg=angle))
    step, half = _largest_step(place), wavelength / 2
    if step > 1.01 * half:
        told.append(ZoneCode.STEP(step_mm=1e3 * step, half_mm=1e3 * half))
    hole = _hole(zone, place, basis)
    # Half the diagonal of a square of such steps; of a cube it is 0.87 steps.
    if hole > 0.9 * max(step, half):
        told.append(ZoneCode.HOLE(hole_mm=1e3 * hole))
    return told


def _hole(zone: Zone, place: Real, basis: Real) -> float:
    """Largest distance of a place in the zone, within what the readings span, from a reading [m]."""
    from scipy.spatial import cKDTree

    most = [min(zone.reach(towards), float(np.abs(place @ towards).max())) for towards in basis]
    nodes = max(2, round(_HOLES ** (1 / len(basis))))
    grid = np.meshgrid(*(np.linspace(-x, x, nodes) for x in most), indexing="ij")
    points = np.stack(grid, axis=-1).reshape(-1, len(basis)) @ basis
    points = points[zone.contains(points + zone.centre)]
    return float(cKDTree(place).query(points)[0].max(initial=0.0))
