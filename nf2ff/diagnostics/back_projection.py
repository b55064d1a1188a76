"""The field close to the antenna from its modes, cut in degree where noise begins to win."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.fields import near_field_points
from nf2ff.antenna.modes import Modes, wavenumber
from nf2ff.diagnostics.noise import checked_noise, noise_in_degrees, seen_degrees, without_noise
from nf2ff.diagnostics.origin import minimum_sphere
from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.radial import radial_functions
from nf2ff.kernel.sphere import direction_angles, unit_vectors
from nf2ff.messages.diagnostics import ProjectionCode
from nf2ff.messages.input_error import InputError
from nf2ff.messages.notice import Notice

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
#: Degrees whose power tells how the spectrum goes on.
_SLOPE = 4
#: Power of a degree over that of the strongest that is none.
_NOTHING = 1e-250


@dataclass(frozen=True, slots=True, eq=False)
class Projection:
    """Field at points beside the antenna.

    Parameters
    ----------
    frequency : (F,) ndarray
        Frequencies [Hz].
    points : (M, 3) ndarray
        Places [m].
    field : (F, M, 3) ndarray
        Electric field in Cartesian components, exp(+jwt), peak [V/m].
    degree : (F,) ndarray
        Degree at which the modes were cut.
    error : (F,) ndarray
        Predicted root mean square error over that of the field, of noise and of what was cut, on
        the sphere through the nearest point; NaN where no noise was stated.
    resolution : (F,) ndarray
        Smallest detail, pi r / degree at the nearest point [m].
    warnings : tuple of tuple of Notice
        For each frequency.
    """

    frequency: Real
    points: Real
    field: Complex
    degree: NDArray[np.int64]
    error: Real
    resolution: Real
    warnings: tuple[tuple[Notice, ...], ...]


def sphere_points(radius: float, *, theta: ArrayLike, phi: ArrayLike) -> Real:
    """Points of a sphere about the origin.

    Parameters
    ----------
    radius : float
        Radius of the sphere [m].
    theta, phi : (M,) array_like
        Directions of the points [rad].

    Returns
    -------
    (M, 3) ndarray
        Cartesian positions [m].
    """
    return radius * unit_vectors(as_array(theta, float, "theta"), as_array(phi, float, "phi"))[0]


def plane_points(centre: ArrayLike, *, across: ArrayLike, up: ArrayLike, x: ArrayLike, y: ArrayLike) -> Real:
    """Points of a plane, row by row.

    Parameters
    ----------
    centre : (3,) array_like
        Its middle [m].
    across, up : (3,) array_like
        Directions of x and y in the plane, any length, at right angles.
    x, y : (X,), (Y,) array_like
        Places along them [m].

    Returns
    -------
    (Y X, 3) ndarray
        The points, x running faster [m].

    Raises
    ------
    ValueError
        If the directions are zero or not at right angles.
    """
    c, a, u = (as_array(v, float, name) for v, name in ((centre, "centre"), (across, "across"), (up, "up")))
    lengths = np.linalg.norm(a), np.linalg.norm(u)
    if min(lengths) == 0 or abs(a @ u) > 1e-9 * lengths[0] * lengths[1]:
        raise InputError(f"across {a.tolist()} and up {u.tolist()} must be at right angles, and not zero")
    along = as_array(x, float, "x")[None, :, None] * (a / lengths[0])
    return np.asarray((c + along + as_array(y, float, "y")[:, None, None] * (u / lengths[1])).reshape(-1, 3))


def back_project(
    modes: Modes, points: ArrayLike, *, noise: ArrayLike | None = None, degree: int | None = None
) -> Projection:
    """Field of modes at points beside the antenna.

    Parameters
    ----------
    modes : Modes
        Mode coefficients, F frequencies.
    points : (M, 3) array_like
        Places outside the sphere about the origin that holds what radiates, see `sphere_points` and
        `plane_points` [m].
    noise : float or (F,) array_like, optional
        Standard uncertainty of a mode coefficient, see `noise.coefficient_noise`, which chooses the degree;
        NaN where it is not known [sqrt(W)].
    degree : int, optional
        Degree to cut at; by default chosen by the noise, all degrees where none is stated.

    Returns
    -------
    Projection
        The field, and how well it is known.

    Raises
    ------
    ValueError
        If a point is at the origin, noise is negative, or a wave has no finite field at a point.

    Notes
    -----
    Towards the antenna the waves of degree n grow as (r0/r)^n, and so does their noise. The cut leaves
    the least sum of noise below and of field above it, both on the sphere through the nearest point. What
    the modes hold above a degree is taken from their power less the noise expected of it.
    """
    at = as_array(points, float, "points", ndim=2)
    if at.shape[1] != 3 or not at.size:
        raise InputError(f"points have shape {at.shape}, expected (M, 3) with M >= 1")
    radius = np.linalg.norm(at, axis=1)
    if not radius.min() > 0:
        raise InputError("a point lies at the origin, where no wave has a field", "move it")
    nearest = float(radius.min())
    sigma = checked_noise(np.nan if noise is None else noise, modes)
    if degree is not None and not 1 <= degree <= modes.degree:
        raise InputError(f"degree is {degree}, expected from 1 to {modes.degree}")
    theta, phi = direction_angles(at)
    basis = unit_vectors(theta, phi)
    cuts, errors, fields = [], [], []
    for f, one in enumerate(modes.each()):
        known = not np.isnan(sigma[f])
        cut, error = _cut(one, nearest, float(sigma[f]) if known else 0.0, degree)
        parts = _near_field(one.truncate(cut), theta, phi, radius)
        fields.append(sum(part[:, None] * e for part, e in zip(parts, basis, strict=True)))
        cuts.append(cut)
        errors.append(error if known else np.nan)
    held = minimum_sphere(without_noise(modes, sigma))
    warnings = []
    for least, error in zip(held, errors, strict=True):
        told = []
        if noise is not None and np.isnan(error):
            told.append(ProjectionCode.UNKNOWN_NOISE())
        if nearest < least:
            told.append(ProjectionCode.INSIDE(radius_m=nearest, minimum_m=float(least)))
        if error >= 1:
            told.append(ProjectionCode.NOISE(radius_m=nearest))
        warnings.append(tuple(told))
    chosen = np.array(cuts)
    return Projection(
        modes.frequency,
        at,
        np.stack(fields),
        chosen,
        np.array(errors),
        np.pi * nearest / chosen,
        tuple(warnings),
    )


def _near_field(one: Modes, theta: Real, phi: Real, radius: Real) -> Complex:
    """Components (3, M) of the field of one frequency, few transforms for any number of radii."""

    def at(t: Real, p: Real, r: ArrayLike) -> Complex:
        return np.stack([x[0] for x in near_field_points(one, theta=t, phi=p, radius=r)])

    low, high = np.log(radius.min()), np.log(radius.max())
    # The polynomial through these nodes follows exp(-n log r) to 1e-10 and better.
    count = 24 + int(0.8 * one.degree * (high - low))
    if np.unique(radius).size <= count:
        return at(theta, phi, radius)
    k = float(wavenumber(one.frequency[0]))
    nodes = (low + high) / 2 - (high - low) / 2 * np.cos(np.pi * (np.arange(count) + 0.5) / count)
    values = np.stack([np.exp(r + 1j * k * np.exp(r)) * at(theta, phi, np.exp(r)) for r in nodes])
    # Barycentric interpolation, for each point at its own radius.
    weight = (-1.0) ** np.arange(count) * np.sin(np.pi * (np.arange(count) + 0.5) / count)
    apart = np.log(radius) - nodes[:, None]
    hit = apart == 0
    share = np.where(hit.any(axis=0), hit, weight[:, None] / np.where(hit, 1, apart))
    share /= share.sum(axis=0)
    return np.asarray(np.einsum("km,kcm->cm", share, values) * np.exp(-1j * k * radius) / radius)


def _cut(one: Modes, radius: float, sigma: float, degree: int | None) -> tuple[int, float]:
    """Degree that leaves the least error on a sphere, and that error relative to the field."""
    top = 2 * one.degree
    noise = noise_in_degrees(sigma, top)
    with np.errstate(over="ignore", invalid="ignore"):
        weight = _gains(one, radius, top)
        power = _continued(one.power_spectrum()[0], noise)
        # Far above, where waves overflow, there is nothing but the floor of the numbers.
        true = np.where(power > _NOTHING * power.max(), power * weight, 0)
        spread = np.where(noise > 0, noise * weight, 0)
        below = np.cumsum(spread)[: one.degree]
        above = (np.cumsum(true[::-1])[::-1] - true)[: one.degree]
        total = np.where(np.isfinite(below + above), below + above, np.inf)
    best = one.degree if sigma == 0 else int(np.argmin(total)) + 1
    cut = best if degree is None else degree
    whole = float(np.sum(true[: one.degree]))
    return cut, float(np.sqrt(total[cut - 1] / whole)) if whole > 0 else np.inf


def _continued(held: Real, noise: Real) -> Real:
    """Power of each degree without that of noise, continued where noise hides it, as long as ``noise``.

    It goes on as that of the worst dipole on a sphere, of which the last degrees seen tell the radius.
    """
    count = held.size
    true = np.zeros(noise.size)
    true[:count] = np.maximum(held - noise[:count], 0)
    seen = seen_degrees(held, noise[:count])
    last = int(seen[-1]) if seen.size else -1
    true[last + 1 :] = 0
    run = seen[-_SLOPE:]
    if run.size < _SLOPE or last == noise.size - 1:
        return true
    slope = float(np.polyfit(run, np.log(true[run]), 1)[0])
    low, high = 0.05, float(last + 2)
    while high - low > 1e-2:
        middle = (low + high) / 2
        spectrum = np.log(dipole_spectrum(middle, noise.size)[run])
        low, high = (middle, high) if np.polyfit(run, spectrum, 1)[0] < slope else (low, middle)
    spectrum = dipole_spectrum(low, noise.size)
    true[last + 1 :] = spectrum[last + 1 :] * np.exp(np.mean(np.log(true[run] / spectrum[run])))
    return true


def dipole_spectrum(x: float, degree: int) -> Real:
    """Power in each degree of a dipole on the sphere of k r0 = ``x``, as in `required_degree`, (N,)."""
    from scipy.special import jv

    n = np.arange(1, degree + 1)
    j = np.sqrt(0.5 * np.pi / x) * jv(np.append(0, n) + 0.5, x)
    return cast("Real", (2 * n + 1) * (j[1:] ** 2 + (j[:-1] - n / x * j[1:]) ** 2) + 1e-300)


def _gains(one: Modes, radius: float, degree: int) -> Real:
    """Mean square field on a sphere of each degree's power, relative to that far away, (N,)."""
    x = float(wavenumber(one.frequency[0])) * radius
    g1, g2 = radial_functions(degree, np.array([x]))
    n = np.arange(1, degree + 1)
    with np.errstate(over="ignore", invalid="ignore"):
        along = n * (n + 1) * np.abs(g1[0]) ** 2 / x**2
        return cast("Real", np.abs(g1[0]) ** 2 + np.abs(g2[0]) ** 2 + along) / 2
