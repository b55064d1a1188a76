"""What a direct measurement at a finite distance takes for the far field, and how wrong it is.

A small probe at distance r that looks at the origin reads the field across its line of sight, and whoever
takes r for infinite calls r exp(+jkr) E_tangential the far field, and 4 pi r^2 |E_tangential|^2 / (2 Z0) the
EIRP: the apparent EIRP. The radial field, which the probe does not hear, is not in it, nor is the magnetic
field, which the radial power density would take. Each wave's tangential field has the angular functions of
its far field at any distance. So the apparent far field is itself the far field of modes, `apparent_modes`,
and whatever is computed from modes (pattern, peak, beamwidths, sidelobes, TRP) can be had as it would be
measured at r.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna import fields as antenna_fields
from nf2ff.antenna.modes import Modes, wavenumber
from nf2ff.kernel.arrays import as_array, keep
from nf2ff.kernel.radial import radial_functions
from nf2ff.kernel.sphere import angle_between, unit_vectors
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.beam import Peak, cut_planes, peak, sidelobe_level
from nf2ff.metrics.gain_and_power import intensity, nonzero_power
from nf2ff.metrics.planes import Plane, PlaneLike
from nf2ff.solver.requirements import check_distance

Real = NDArray[np.float64]

#: Where modes appear with more than this times the power that they radiate, the field is that
#: of stored energy: the reactive zone of the antenna, or noise in modes of too high a degree.
REACTIVE_GAIN = 2.0
#: A field below this part of its root mean square is rounding: ten times what transforms leave.
_NULL = 1e-11


def apparent_modes(modes: Modes, *, radius: float, minimum_radius: float | None = None) -> Modes:
    """Modes whose far field is what a direct measurement at ``radius`` takes for the far field.

    Parameters
    ----------
    modes : Modes
        True mode coefficients.
    radius : float
        Distance of the probe from the origin [m].
    minimum_radius : float, optional
        Radius r0 of the smallest sphere about the origin that holds the antenna [m].

    Returns
    -------
    Modes
        Their `far_field` is r exp(+jkr) times the tangential field at ``radius``, so that its
        `eirp` is the apparent EIRP; their radiated power is the TRP that its integration over the
        sphere yields, and their directivity the one found with that TRP.

    Raises
    ------
    ValueError
        If ``radius`` is not positive, inside the minimum sphere, or in the reactive zone.

    Notes
    -----
    Q_smn times kr exp(+jkr) R_sn(kr) over its limit for kr -> infinity, j^(n+1) for s = 1 and j^n for s = 2,
    with R_1n = h_n^(2)(x) and R_2n = (x h_n^(2)(x))'/x.
    """
    r = float(as_array(radius, float, "radius", ndim=0))
    _outside(r, modes, minimum_radius)
    limits = antenna_fields.far_factors(modes.degree)
    seen = np.empty_like(modes.coefficients)
    for i, k in enumerate(wavenumber(modes.frequency)):
        g = radial_functions(modes.degree, k * r)
        with np.errstate(over="ignore", invalid="ignore"):
            gain = np.stack([x / limit for x, limit in zip(g, limits, strict=True)], axis=1)
            seen[i] = antenna_fields.radial_product(modes.coefficients[i], gain).ravel()
            power, radiated = (np.sum(np.abs(q[i]) ** 2) for q in (seen, modes.coefficients))
        power = power if np.isfinite(power) else np.inf  # inf times a phase is NaN
        if power > REACTIVE_GAIN * radiated:
            raise InputError(
                f"radius is {r:.6g} m, in the reactive zone of these modes at "
                f"{modes.frequency[i] / 1e9:.6g} GHz (kr = {k * r:.4g}, degree {modes.degree}: "
                f"they appear with {power / radiated:.3g} times the power they radiate)",
                "go farther out, or truncate the modes if it is their noise",
            )
    return Modes(modes.frequency, seen, modes.reference)


def _outside(radius: float, modes: Modes, minimum_radius: float | None) -> None:
    if not radius > 0:
        raise InputError(f"radius is {radius:.6g} m, expected > 0")
    lowest, remedy = float(modes.frequency.min()), "go farther out"
    check_distance(
        radius, lowest, minimum_radius, reactive=remedy, inside=f"modes do not hold there, {remedy}"
    )


def eirp_error_db(
    modes: Modes, *, radius: ArrayLike, theta: ArrayLike, phi: ArrayLike, minimum_radius: float | None = None
) -> Real:
    """Apparent over true EIRP in given directions.

    Parameters
    ----------
    modes : Modes
        Mode coefficients, F frequencies, absolute or relative.
    radius : (R,) array_like
        Distances of the probe from the origin [m].
    theta, phi : (M,) array_like
        Directions [rad].
    minimum_radius : float, optional
        As in `apparent_modes` [m].

    Returns
    -------
    (R, F, M) ndarray
        Error of a direct measurement [dB]; infinite where only one of the two has a null, NaN where both
        have, a null being a field below 1e-11 of its root mean square.

    Raises
    ------
    ValueError
        As in `apparent_modes`, or if an angle is out of range.
    """
    distances = as_array(radius, float, "radius", ndim=1)
    true = intensity(*antenna_fields.far_field_points(modes, theta=theta, phi=phi))
    result = np.empty((distances.size, *true.shape))
    for i, r in enumerate(distances):
        seen = apparent_modes(modes, radius=float(r), minimum_radius=minimum_radius)
        result[i] = intensity(*antenna_fields.far_field_points(seen, theta=theta, phi=phi))
    null = (_NULL**2 / (4 * np.pi) * modes.radiated_power())[:, None]
    true, result = (np.where(u > null, u, 0.0) for u in (true, result))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(10 * np.log10(result / true))


@dataclass(frozen=True, slots=True, eq=False)
class DistanceError:
    """Errors of direct measurements at R distances and F frequencies, measured minus true.

    Parameters
    ----------
    radius : (R,) array_like
        Distances of the probe from the origin [m].
    peak_db : (R, F) array_like
        Highest apparent EIRP over the highest EIRP, each wherever it is [dB].
    true_peak_db : (R, F) array_like
        Apparent EIRP over EIRP in the direction of the true peak [dB].
    peak_shift : (R, F) array_like
        Angle between apparent and true peak [rad].
    trp_db : (R, F) array_like
        Apparent over true TRP [dB].
    directivity_db : (R, F) array_like
        Maximum directivity, with the apparent TRP, over the true one: peak_db - trp_db [dB].
    first_sidelobe_db, highest_sidelobe_db : (R, F) array_like
        Level of the first and of the highest sidelobe of the cut, apparent minus true, each below its own
        peak; NaN where there is none [dB].
    first_sidelobe_shift : (R, F) array_like
        Apparent minus true distance of the first sidelobe from its peak [rad]. A shift of a beamwidth tells
        that the true first sidelobe has become a shoulder of the main lobe, and that the next lobe stands in
        its place.

    Raises
    ------
    ValueError
        If the shapes differ.
    """

    radius: Real
    peak_db: Real
    true_peak_db: Real
    peak_shift: Real
    trp_db: Real
    directivity_db: Real
    first_sidelobe_db: Real
    highest_sidelobe_db: Real
    first_sidelobe_shift: Real

    def __post_init__(self) -> None:
        keep(self, ("radius",), float, ndim=1)
        shape = (self.radius.size, *np.shape(self.peak_db)[1:])
        keep(self, [x.name for x in fields(self)[1:]], float, shape=shape, axes="(R, F)", missing=True)


def distance_error(
    modes: Modes, *, radius: ArrayLike, plane: PlaneLike = 0.0, minimum_radius: float | None = None
) -> DistanceError:
    """How wrong direct measurements at a list of distances would be.

    Parameters
    ----------
    modes, radius, minimum_radius
        As in `eirp_error_db`.
    plane : float, str or Plane
        The cut through the true peak in which sidelobes are looked for, as in `beam.beamwidth`; through a
        shifted peak, the one along it.

    Returns
    -------
    DistanceError
        Of a probe small against the antenna that looks at the origin, of an exact positioner and
        of an anechoic chamber: the error of the distance alone.

    Raises
    ------
    ValueError
        As in `apparent_modes`, or if no power is radiated at a frequency.
    """
    distances = as_array(radius, float, "radius", ndim=1)
    nonzero_power(modes.frequency, modes.radiated_power())
    errors = np.empty((8, distances.size, modes.frequency.size))
    for f, one in enumerate(modes.each()):
        at = peak(one)
        (own,) = cut_planes(one, plane, at)
        true = _figures(one, at, at, own)
        for i, r in enumerate(distances):
            seen = apparent_modes(one, radius=float(r), minimum_radius=minimum_radius)
            errors[:, i, f] = _figures(seen, peak(seen), at, own) - true
    return DistanceError(distances, *errors)


def _figures(one: Modes, at: Peak, true: Peak, plane: Plane) -> Real:
    """Figures of one frequency, (8,), whose differences make a `DistanceError`."""
    trp = float(one.radiated_power()[0])
    here, along, across = (v[0] for v in unit_vectors(at.theta, at.phi))
    there = unit_vectors(true.theta, true.phi)[0][0]
    shift = float(angle_between(here, there))
    # The cut through the one peak, carried over to the other: a shift by parallax may be large.
    tangent = plane.tangents(there)
    turn = math.atan2(float(tangent @ across), float(tangent @ along))
    lobes = sidelobe_level(one, plane=Plane(float(at.phi[0]), turn), at=at)
    at_true = intensity(*antenna_fields.far_field_points(one, theta=true.theta, phi=true.phi))[0, 0]
    highest = at.directivity[0] * trp
    level = [highest, 4 * math.pi * at_true, trp, at.directivity[0]]
    level += [lobes.first[0], lobes.highest[0]]
    level_db = 10 * np.log10(level)
    return np.array([*level_db[:2], shift, *level_db[2:], abs(lobes.first_angle[0])])
