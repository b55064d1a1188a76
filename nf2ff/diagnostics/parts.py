"""Where in its box an antenna radiates: separate parts found, fitted together, and measured."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.far_field import far_field
from nf2ff.antenna.modes import Modes, mode_count, mode_numbers, required_degree, wavenumber
from nf2ff.diagnostics.back_projection import dipole_spectrum
from nf2ff.diagnostics.field_rule import one_frequency, refuse_beyond, rule_directions, rule_field
from nf2ff.diagnostics.noise import checked_noise, spectrum_noise
from nf2ff.diagnostics.origin import radiation_centre, translate
from nf2ff.kernel.plane_waves import raster_sums
from nf2ff.kernel.spin import thread_count
from nf2ff.messages.input_error import InputError

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
#: Degrees whose power about a place makes the map.
MAP_DEGREE = 2
#: Most modes of all parts together, which are fitted by a matrix.
MOST_UNKNOWNS = 10_000
#: Rounds of fitting all parts and moving each to its centre, and the move at which they end [wavelengths].
_ROUNDS, _DONE = 12, 1e-5
#: Draws of noise that tell uncertainties.
_DRAWS = 16


@dataclass(frozen=True, slots=True, eq=False)
class RadiatingParts:
    """Parts of an antenna at one frequency, the strongest first.

    Parameters
    ----------
    frequency : float
        Frequency [Hz].
    position : (P, 3) ndarray
        Centre of radiation of each part [m].
    power : (P,) ndarray
        What each would radiate alone, over the power of all modes.
    modes : tuple of Modes
        Modes of each part, about its own place.
    remainder : float
        Power of what the parts together leave of the modes, over all.
    position_uncertainty : (P, 3) ndarray
        Standard uncertainty of each component by noise [m].
    power_uncertainty : (P,) ndarray
        That of the powers.
    """

    frequency: float
    position: Real
    power: Real
    modes: tuple[Modes, ...]
    remainder: float
    position_uncertainty: Real
    power_uncertainty: Real


def power_map(
    modes: Modes, *, radius: float, step: float | None = None
) -> tuple[tuple[Real, Real, Real], Real]:
    """Power in the lowest degrees about each place of a raster.

    Parameters
    ----------
    modes : Modes
        Mode coefficients of one frequency.
    radius : float
        The raster covers the cube about the origin that holds the sphere of this radius [m].
    step : float, optional
        Step of the raster, by default and at most half a wavelength [m].

    Returns
    -------
    places : tuple of (X,) ndarray
        Places along x, y and z [m].
    power : (X, Y, Z) ndarray
        Power of the modes up to degree `MAP_DEGREE` about each place, over all.

    Raises
    ------
    ValueError
        If there is more than one frequency, no power, or radius or step are not positive.
    """
    one_frequency(modes)
    k = float(wavenumber(modes.frequency[0]))
    step = np.pi / k if step is None else step
    if not (radius > 0 and 0 < step * k <= np.pi * (1 + 1e-9)):
        raise InputError(
            f"radius is {radius:.6g} m and step {step:.6g} m",
            f"give positive ones, the step at most half a wavelength, {np.pi / k:.6g} m",
        )
    half = int(np.ceil(radius / step))
    shape = 2 * half + 2
    # To the corners of the cube the integrand has this degree.
    degree = required_degree(modes.degree + MAP_DEGREE + np.sqrt(3) * k * step * (half + 1), tail_db=-160)
    directions, weight, field = rule_field(modes, degree // 2 + 2)
    conjugate = np.stack([x.conj() for x in _unit_fields(modes, MAP_DEGREE, degree // 2 + 2)])
    amplitude = np.einsum("jcm,cm,m->jm", conjugate, field, weight)
    sums = raster_sums(amplitude, directions, step=k * step, shape=(shape,) * 3, threads=thread_count(None))
    place = np.asarray(step * (np.arange(shape) - shape // 2), dtype=float)
    # A unit mode radiates half a watt: the sums are coefficients times that of the unit field squared.
    norm = np.einsum("jcm,jcm,m->j", conjugate, conjugate.conj(), weight).real
    power = 0.5 * np.einsum("jxyz,j->xyz", np.square(np.abs(sums)), norm**-2.0)
    inner = slice(shape // 2 - half, shape // 2 + half + 1)
    cube = power[inner, inner, inner] / modes.radiated_power()[0]
    return (place[inner],) * 3, np.asarray(cube)


def radiating_parts(
    modes: Modes, *, radius: float, count: int, size: float | None = None, noise: float | None = None
) -> RadiatingParts:
    """Find separate parts of an antenna, and what each of them radiates.

    Parameters
    ----------
    modes : Modes
        Mode coefficients of one frequency.
    radius : float
        Sphere about the origin in which parts are looked for [m].
    count : int
        How many parts.
    size : float, optional
        Radius of a sphere that holds any one part, by default three quarters of a wavelength. Parts must
        be farther apart than twice that [m].
    noise : float, optional
        Standard uncertainty of a coefficient, see `noise.coefficient_noise`; by default taken from the
        highest degrees [sqrt(W)].

    Returns
    -------
    RadiatingParts
        The parts.

    Raises
    ------
    ValueError
        If there is more than one frequency, no power, or no place left for another part, or if radius, size
        or count are beyond what the modes hold.

    Notes
    -----
    The strongest place of the map of what is left becomes the next part. All parts are then fitted
    together, by least squares, with all the degrees that their size allows, and each moves to its own
    centre of radiation. Without the subtraction a sidelobe of the first part would pass for the second.
    Uncertainties are the scatter over 16 further draws of the noise, to 18 %, in a fit at the places found.
    """
    one_frequency(modes)
    k = float(wavenumber(modes.frequency[0]))
    size = 1.5 * np.pi / k if size is None else size
    if count < 1 or not size > 0:
        raise InputError(f"count is {count} and size {size} m, expected at least one part, of size > 0")
    refuse_beyond(modes, radius + size, "parts are looked for up to")
    unknowns = count * mode_count(required_degree(k * size, tail_db=-50))
    if unknowns > MOST_UNKNOWNS:
        raise InputError(
            f"{count} parts of size {size:.6g} m have {unknowns} modes, the most is {MOST_UNKNOWNS}",
            "ask for fewer parts, or state a smaller size",
        )
    sigma = checked_noise(np.nan if noise is None else noise, modes)[0]
    sigma = float(spectrum_noise(modes)[0] if np.isnan(sigma) else sigma)
    fit = _fitter(modes, radius + size, size, sigma)
    position = np.zeros((0, 3))
    parts: list[Modes] = []
    left = modes
    # A part that is still missing would draw the others towards it: none moves until all are found.
    for _ in range(count):
        position = np.vstack([position, _strongest(left, radius, position, 2 * size)])
        left = _without(modes, fit(position), position)
    for _ in range(_ROUNDS):
        parts = fit(position)
        moves = np.vstack([radiation_centre(part) for part in parts])
        # A part that is mostly error must not run away.
        length = np.linalg.norm(moves, axis=1, keepdims=True)
        position = position + moves * np.minimum(1, size / np.maximum(length, 1e-300))
        if length.max() * k < 2 * np.pi * _DONE:
            break
    for i, one in enumerate(position):
        # What is larger than a part is explained best by one far in front of it or behind.
        if np.linalg.norm(one) > radius + size:
            raise InputError(
                f"part {i + 1} is drawn out of the {radius:.6g} m about the centre in which parts are looked "
                f"for: what radiates is larger than a part, {size:.6g} m",
                "state a larger size, or ask for more parts",
            )
        apart = np.linalg.norm(position[:i] - one, axis=1)
        if i and apart.min() < size / 2:
            raise InputError(
                f"part {i + 1} falls on another, {apart.min():.2g} m apart: the modes do not tell them apart",
                "ask for fewer parts, or state a smaller size",
            )
    parts = fit(position)
    left = _without(modes, parts, position)
    whole = float(modes.radiated_power()[0])
    power = np.array([part.radiated_power()[0] for part in parts]) / whole
    order = np.argsort(-power)
    again = fit(position, sigma)
    moved = np.stack([radiation_centre(one).std(axis=0, ddof=1) for one in again])
    changed = np.array([one.radiated_power().std(ddof=1) for one in again]) / whole
    return RadiatingParts(
        float(modes.frequency[0]),
        position[order],
        power[order],
        tuple(parts[i] for i in order),
        float(left.radiated_power()[0]) / whole,
        moved[order],
        changed[order],
    )


def _unit_fields(modes: Modes, degree: int, count: int) -> Complex:
    """Far fields (J, 2, M) of unit modes up to a degree."""
    theta, phi, _, _ = rule_directions(count)
    j = mode_count(degree)
    field = far_field(Modes(np.full(j, modes.frequency[0]), np.eye(j, dtype=complex)), theta=theta, phi=phi)
    return np.stack([field.e_theta.reshape(j, -1), field.e_phi.reshape(j, -1)], axis=1)


def _strongest(left: Modes, radius: float, taken: Real, apart: float) -> Real:
    places, power = power_map(left, radius=radius)
    raster = np.stack(np.meshgrid(*places, indexing="ij"), axis=-1)
    free = np.linalg.norm(raster, axis=-1) <= radius
    for one in taken:
        free &= np.linalg.norm(raster - one, axis=-1) > apart
    if not free.any():
        raise InputError(
            f"no place is left for part {len(taken) + 1} within {radius:.6g} m",
            "ask for fewer parts, or state a smaller size",
        )
    return np.asarray(raster[np.unravel_index(np.argmax(np.where(free, power, -1)), power.shape)])


def _fitter(modes: Modes, reach: float, size: float, noise: float) -> Callable[..., list[Modes]]:
    """A function from places to modes of parts there that together explain the whole best; with noise given
    once more, to those of `_DRAWS` draws.

    The degrees that a part's size allows reach farther than its sphere, so that those of neighbours overlap,
    and noise would be told apart into huge parts of opposite signs. So the power of each degree is expected
    to be that of the worst dipole on the part's sphere, and what noise hides is held to that.
    """
    k = float(wavenumber(modes.frequency[0]))
    degree = required_degree(k * size, tail_db=-50)
    n = mode_numbers(degree)[2]
    expected = dipole_spectrum(k * size, degree)
    expected *= modes.radiated_power()[0] / expected.sum()
    penalty = 1e-12 + noise**2 * (2 * n + 1) / expected[n - 1]
    top = max(modes.degree, required_degree(degree + k * reach, tail_db=-160))
    count = (top + degree + int(k * reach)) // 2 + 4
    directions, weight, field = rule_field(modes, count)
    unit = (_unit_fields(modes, degree, count) * np.sqrt(weight)).transpose(1, 2, 0)
    field = field[None] * np.sqrt(weight)
    adjoint = unit.reshape(-1, unit.shape[2]).conj().T
    own = adjoint @ unit.reshape(-1, unit.shape[2])
    held_back = penalty * own.diagonal().real

    def noisy(sigma: float) -> Complex:
        """The field (D, 2, M), with noise added to the coefficients once more."""
        pair = np.random.default_rng(0).standard_normal((2, _DRAWS, modes.coefficients.shape[1]))
        drawn = sigma / np.sqrt(2) * (pair[0] + 1j * pair[1])
        each = (Modes(modes.frequency, one[None]) for one in drawn)
        return field + np.sqrt(weight) * np.stack([rule_field(one, count)[2] for one in each])

    def fit(position: Real, sigma: float | None = None) -> list[Modes]:
        fields = field if sigma is None else noisy(sigma)
        turn = np.exp(1j * k * (directions @ position.T))
        many, each = len(position), unit.shape[2]
        # Normal equations, as the columns of one place are orthogonal and places lie apart: turned alike,
        # those of one place have the same products wherever it is.
        blocks = np.empty((many, each, many, each), dtype=complex)
        right = np.empty((many, each, len(fields)), dtype=complex)
        for p in range(many):
            right[p] = adjoint @ (turn[:, p].conj() * fields).reshape(len(fields), -1).T
            blocks[p, :, p] = own
            for q in range(p):
                between = (turn[:, p].conj() * turn[:, q])[None, :, None]
                blocks[p, :, q] = adjoint @ (between * unit).reshape(-1, each)
                blocks[q, :, p] = blocks[p, :, q].conj().T
        matrix = blocks.reshape(many * each, -1)
        matrix.flat[:: matrix.shape[0] + 1] += np.tile(held_back, many)
        found = np.linalg.solve(matrix, right.reshape(many * each, -1)).reshape(many, each, -1)
        frequency = np.repeat(modes.frequency, len(fields))
        return [Modes(frequency, np.asarray(q.T, dtype=complex), modes.reference) for q in found]

    return fit


def _without(modes: Modes, parts: list[Modes], position: Real) -> Modes:
    rest = modes.coefficients.copy()
    for part, place in zip(parts, position, strict=True):
        rest -= translate(part, -place, degree=modes.degree).coefficients
    return Modes(modes.frequency, rest, modes.reference)
