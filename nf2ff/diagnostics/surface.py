"""Surfaces beside an antenna that a user names, and the field on them by the expansion that suits."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes, mode_count, wavenumber
from nf2ff.diagnostics.aperture import aperture_field
from nf2ff.diagnostics.back_projection import Projection, back_project, plane_points, sphere_points
from nf2ff.diagnostics.field_rule import one_frequency, rule_field
from nf2ff.diagnostics.noise import spectrum_noise
from nf2ff.diagnostics.origin import translate
from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.sphere import unit_vectors
from nf2ff.messages.input_error import InputError

Real = NDArray[np.float64]
#: What is understood, for help and messages.
SURFACES = (
    "sphere=RADIUS about the origin, or about the centre of radiation if that makes the antenna's sphere "
    "smaller, or a plane x=, y= or z=POSITION, all in m"
)
#: Farthest place and widest plane [m].
MOST_M = 1e6
#: Points along either axis at most, and steps to the resolution.
_MOST, _FINE = 181, 6
#: Relative error of spherical waves from which travelling waves are taken, which leave out what fades away.
_POOR = 0.1


@dataclass(frozen=True, slots=True)
class Surface:
    """A sphere, or a plane across an axis.

    Parameters
    ----------
    kind : {"sphere", "x", "y", "z"}
        A sphere about the centre, or a plane across that axis.
    at : float
        Radius of the sphere, or place of the plane on the axis [m].

    Raises
    ------
    ValueError
        If it is none of these, or a radius is not positive.
    """

    kind: str
    at: float

    def __post_init__(self) -> None:
        if self.kind not in ("sphere", "x", "y", "z") or not np.isfinite(self.at):
            raise InputError(f"surface is {self.kind}={self.at:g}", f"expected {SURFACES}")
        if self.kind == "sphere" and not self.at > 0:
            raise InputError(f"the sphere has a radius of {self.at:g} m", "give one above 0")


def read_surface(text: str) -> Surface:
    """A surface from text.

    Parameters
    ----------
    text : str
        Such as "sphere=0.1" or "z=0.05" [m].

    Returns
    -------
    Surface

    Raises
    ------
    ValueError
        If it is not understood.
    """
    found = re.fullmatch(r"\s*(sphere|[xyz])\s*=\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*", text)
    if not found or abs(float(found[2])) > MOST_M:
        raise InputError(f"surface is {text[:40]!r}", f"expected {SURFACES}, at most {MOST_M:g}")
    return Surface(found[1], float(found[2]))


@dataclass(frozen=True, slots=True, eq=False)
class SurfaceField:
    """Field over a surface, by rows.

    Parameters
    ----------
    projection : Projection
        The field at the points, and how well it is known, one frequency.
    across, up : (X,), (Y,) ndarray
        Places along the axes: of a plane [m], of a sphere phi and theta [rad].
    field : (Y, X, 2) ndarray
        Components along the surface [V/m].
    names : tuple of str
        The two components.
    method : str
        How it was found, in words.
    """

    projection: Projection
    across: Real
    up: Real
    field: NDArray[np.complex128]
    names: tuple[str, str]
    method: str


def surface_field(
    modes: Modes, surface: Surface, *, centre: Real, radius: float, noise: float = np.nan, size: float = 0.0
) -> SurfaceField:
    """Field on a surface: by spherical waves outside of the antenna's sphere, by travelling waves in a plane
    that cuts it, or where noise leaves little of the spherical ones.

    Parameters
    ----------
    modes : Modes
        Mode coefficients of one frequency.
    surface : Surface
        Where.
    centre : (3,) ndarray
        Origin or centre of radiation, about which waves are expanded, and middle of a plane [m].
    radius : float
        Sphere about it that holds what radiates [m].
    noise : float
        Standard uncertainty of a coefficient; if NaN, taken from the highest degrees [sqrt(W)].
    size : float
        Side of a plane; by default three times the radius and a wavelength [m].

    Returns
    -------
    SurfaceField
        The field. Points of a plane are a quarter of the resolution apart or, where that were too many, more.

    Raises
    ------
    ValueError
        If there is more than one frequency, or no power, or the size is negative.
    """
    one_frequency(modes)
    spherical = f"spherical waves about the {'centre of radiation' if np.any(centre) else 'origin'}"
    if not 0 <= size < np.inf:
        raise InputError(f"the side of the plane is {size:g} m, expected a length above 0")
    place = as_array(centre, float, "centre", ndim=1)
    wavelength = 2 * np.pi / float(wavenumber(modes.frequency[0]))
    about = translate(modes, place)
    # Rounding of the move is noise, too.
    least = 1e-13 * np.sqrt(2 * modes.radiated_power()[0] / mode_count(modes.degree))
    noise = max(float(spectrum_noise(modes)[0]) if np.isnan(noise) else noise, least)
    if surface.kind == "sphere":
        count = int(np.clip(2 * np.pi * surface.at * _FINE / (wavelength / 2), 72, 2 * _MOST - 2)) // 2 * 2
        phi, theta = 2 * np.pi * np.arange(count + 1) / count, np.linspace(0, np.pi, count // 2 + 1)
        t, p = (v.ravel() for v in np.meshgrid(theta, phi, indexing="ij"))
        found = back_project(about, sphere_points(surface.at, theta=t, phi=p), noise=noise)
        _, *tangents = unit_vectors(t, p)
        names = "E theta", "E phi"
        return _made(found, place, phi, theta, tangents, names, spherical)
    i = "xyz".index(surface.kind)
    eye = np.eye(3)
    # Axes of the picture as in a map of a box: x before y before z.
    first, second = (j for j in range(3) if j != i)
    side = size or 3 * radius + wavelength
    count = int(np.clip(side * _FINE / (wavelength / 2), 24, _MOST - 1)) // 2 * 2 + 1
    x = np.linspace(-side / 2, side / 2, count)
    away = surface.at - place[i]
    middle = away * eye[i]
    names = f"E{'xyz'[first]}", f"E{'xyz'[second]}"
    basis = [np.broadcast_to(eye[j], (count * count, 3)) for j in (first, second)]
    whole = {"across": eye[first], "up": eye[second]}
    if abs(away) >= radius:
        found, method = back_project(about, plane_points(middle, **whole, x=x, y=x), noise=noise), spherical
    if abs(away) < radius or found.error[0] > _POOR:
        sign = _side(about, i, away, wavelength)
        # Waves travel towards across x up: the second axis is turned round where that is the other way.
        flip = sign * float(np.cross(eye[first], eye[second])[i])
        whole["up"] = flip * eye[second]
        found = aperture_field(about, middle, **whole, x=x, y=flip * x, noise=noise)
        way = f"{'+' if sign > 0 else '-'}{surface.kind}"
        method = f"plane waves that travel towards {way}, without those that graze the plane or fade away"
    return _made(found, place, x + place[first], x + place[second], basis, names, method)


def _side(about: Modes, axis: int, away: float, wavelength: float) -> float:
    """Side of a plane to which waves are taken: that away from the centre, or that of more power."""
    if abs(away) > wavelength / 4:
        return float(np.sign(away))
    towards, weight, field = rule_field(about, about.degree + 2)
    power = np.sum(np.abs(field) ** 2, axis=0) * weight
    return 1.0 if power @ np.sign(towards[:, axis]) >= 0 else -1.0


def _made(
    found: Projection,
    centre: Real,
    across: Real,
    up: Real,
    basis: list[Real],
    names: tuple[str, str],
    how: str,
) -> SurfaceField:
    parts = [np.einsum("mc,mc->m", found.field[0], e).reshape(up.size, across.size) for e in basis]
    moved = Projection(
        found.frequency,
        found.points + centre,
        found.field,
        found.degree,
        found.error,
        found.resolution,
        found.warnings,
    )
    return SurfaceField(moved, across, up, np.stack(parts, axis=-1), names, how)
