"""What a page draws of patterns: maps, cuts and spectra of every frequency, quantised."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.far_field import AnyFarField, trusted_around
from nf2ff.antenna.fields import far_field_grid
from nf2ff.antenna.modes import WAVE_IMPEDANCE, Modes, mode_numbers
from nf2ff.kernel.sphere import direction_angles, unit_vectors
from nf2ff.metrics.beam import Peak, cut_planes
from nf2ff.metrics.cuts import cuts_through
from nf2ff.metrics.gain_and_power import intensity
from nf2ff.metrics.planes import Plane
from nf2ff.metrics.result import Quantity
from nf2ff.report.page.data import ArrayPack
from nf2ff.report.picture import decibels
from nf2ff.uncertainty.budget.combine import coverage_factor
from nf2ff.uncertainty.result import Uncertainty

Real = NDArray[np.float64]
#: How far below the peak maps, cuts and spectra reach [dB].
MAP_DEPTH, CUT_DEPTH, SPECTRUM_DEPTH = 50.0, 75.0, 80.0
#: Steps of levels along cuts and of orders [dB]; those of maps follow from their codes.
CUT_STEP, ORDER_STEP = 0.01, 0.5
#: Steps of maps to choose from [deg], and bytes that one kind of map may take.
STEPS_DEG = (0.5, 1.0, 2.0, 3.0, 5.0, 10.0)
ROOM = 1_900_000
#: Up to so many frequencies codes have 16 bits.
FEW = 8


def is_fine(count: int) -> bool:
    """Whether codes of so many frequencies have 16 bits."""
    return count <= FEW


def map_step(count: int, degree: int) -> float:
    """Step of maps at so many frequencies: as fine as the degree has use for and ``ROOM`` allows [deg]."""
    size = 2 if is_fine(count) else 1
    enough = max((x for x in STEPS_DEG[:3] if x <= 45 / degree), default=STEPS_DEG[0])
    for step in STEPS_DEG:
        if step >= enough and (180 / step + 1) * 360 / step * size * count <= ROOM:
            return step
    return STEPS_DEG[-1]


def map_grid(step: float) -> tuple[Real, Real]:
    """theta with both poles and phi once around [rad]."""
    rings = round(180 / step)
    return np.pi * np.arange(rings + 1) / rings, np.pi * np.arange(2 * rings) / rings


def put_maps(pack: ArrayPack, name: str, modes: Modes, top: Peak, *, step: float) -> None:
    """Directivity [dBi] (F, T, P) on the grid of ``step`` [deg]."""
    theta, phi = map_grid(step)
    levels = np.empty((modes.frequency.size, theta.size, phi.size), dtype=np.float32)
    for f, (one, power) in enumerate(zip(modes.each(), modes.radiated_power(), strict=True)):
        e_theta, e_phi = far_field_grid(one, theta=theta, phi=phi)
        levels[f] = decibels(4 * np.pi * intensity(e_theta, e_phi)[0] / power)
    highest = 10 * np.log10(top.directivity)
    pack.put_levels(name, levels, top=highest, depth=MAP_DEPTH, fine=is_fine(len(levels)))


def put_trusted(
    pack: ArrayPack, field: AnyFarField | None, frequencies: Sequence[int], *, step: float
) -> bool:
    """Whether each direction of the map was seen (F, T, P); False if all were."""
    if field is None or field.trusted is None:
        return False
    t, p = np.meshgrid(*map_grid(step), indexing="ij")
    seen = [trusted_around(field, t, p, index=f) for f in frequencies]
    pack.put("trusted", np.stack(seen).astype("u1"))
    return True


def put_trusted_cuts(
    pack: ArrayPack,
    field: AnyFarField,
    frequencies: Sequence[int],
    at: Peak,
    planes: Sequence[Sequence[Plane]],
    angle: Real,
) -> None:
    """Whether each direction along the cuts of `cut_levels` was seen (F, C, A)."""
    seen = np.empty((len(frequencies), len(planes), angle.size), dtype="u1")
    for f, index in enumerate(frequencies):
        centre = unit_vectors(at.theta[f], at.phi[f])[0]
        for c, plane in enumerate(planes):
            along = np.outer(np.cos(angle), centre) + np.outer(np.sin(angle), plane[f].tangents(centre))
            seen[f, c] = trusted_around(field, *direction_angles(along), index=index)
    pack.put("trusted-cuts", seen)


# --- cuts ----------------------------------------------------------------------------------------


def planes_of(
    quantities: dict[str, Quantity], modes: Modes, top: Peak
) -> tuple[tuple[Plane, ...], tuple[Plane, ...]]:
    """Planes of both cuts at each frequency: those of the result, or those that belong to the beam."""
    pairs = []
    for cut, angle in (("theta", 0.0), ("phi", np.pi / 2)):
        names = [f"plane_{cut}_{x}" for x in ("azimuth", "turn")]
        if all(name in quantities for name in names):
            values = (quantities[name].values for name in names)
            pairs.append(tuple(Plane(float(a), float(b)) for a, b in zip(*values, strict=True)))
        else:
            pairs.append(cut_planes(modes, angle, top))
    return pairs[0], pairs[1]


def cut_angles(count: int, degree: int) -> Real:
    """Angles along cuts, 0 in the middle [rad]."""
    most = 1441 if is_fine(count) else 721
    angles = max(361, min(most, 16 * degree + 1)) // 2 * 2 + 1
    return np.linspace(-np.pi, np.pi, angles)


def cut_levels(modes: Modes, at: Peak, planes: Sequence[Sequence[Plane]], angle: Real) -> Real:
    """Co- and cross-polar directivity [dBi] (F, C, 2, A) in cuts through a direction.

    Co-polar is the polarisation that the field has in that direction, where ``angle`` is 0.
    """
    levels = np.empty((modes.frequency.size, len(planes), 2, angle.size))
    middle = angle.size // 2
    for f, (one, power) in enumerate(zip(modes.each(), modes.radiated_power(), strict=True)):
        theta, phi = float(at.theta[f]), float(at.phi[f])
        turns = [plane[f].angle_at(theta, phi) for plane in planes]
        fields = np.stack(cuts_through(one, theta=theta, phi=phi, planes=turns, angle=angle))[:, 0]
        for c in range(len(planes)):
            field = fields[:, c]
            co = field[:, middle] / max(float(np.linalg.norm(field[:, middle])), 1e-300)
            both = np.stack([co.conj() @ field, np.array([-co[1], co[0]]) @ field])
            levels[f, c] = decibels(2 * np.pi * np.abs(both) ** 2 / (WAVE_IMPEDANCE * power))
    return levels


def put_bands(pack: ArrayPack, uncertainty: Uncertainty, frequencies: Sequence[int]) -> dict[str, Any] | None:
    """Lower end, middle and upper end of bands [dBi] (F, C, 3, A) along the cuts that draws followed.

    Both polarisations are in it together.

    As `report.uncertainty_plots.cuts_with_bars` has them.
    """
    pattern = uncertainty.pattern
    if pattern is None:
        return None
    rows = np.asarray(frequencies)
    expanded = coverage_factor(uncertainty.budgets[0].confidence) * pattern.intensity[2][rows]
    power = uncertainty.modes.radiated_power()[rows, None, None]
    nominal = pattern.intensity[0][rows]
    ends = np.stack([nominal - expanded, nominal, nominal + expanded], axis=2) * 4 * np.pi / power[:, None]
    levels = np.asarray(decibels(ends))
    top = levels.max(axis=(1, 2, 3))
    pack.put_levels("bands", levels, top=top, depth=CUT_DEPTH, fine=True, step=CUT_STEP)
    cut = pattern.cut
    return {
        "angle": np.degrees(cut.angle).round(6).tolist(),
        "confidence": uncertainty.budgets[0].confidence,
        "draws": uncertainty.made,
    }


def planes_of_draws(uncertainty: Uncertainty, count: int) -> tuple[list[tuple[Plane, ...]], Peak] | None:
    """Planes of the cuts that draws followed, the same at each frequency, and where they cross."""
    if uncertainty.pattern is None:
        return None
    cut = uncertainty.pattern.cut
    ones = np.ones(count)
    where = Peak(cut.theta * ones, cut.phi * ones, ones, None)
    planes = []
    for turn in cut.plane.tolist():
        # The plane of phi of that direction, turned: at a pole, too, `angle_at` then gives ``turn``.
        own = Plane(cut.phi)
        plane = Plane(cut.phi, turn - own.angle_at(cut.theta, cut.phi))
        planes.append((plane,) * count)
    return planes, where


# --- spectrum ------------------------------------------------------------------------------------


def put_spectrum(pack: ArrayPack, modes: Modes) -> dict[str, Any]:
    """Power in each degree (F, N) and in blocks of degree and order (F, rows, columns), over all power [dB].

    A block holds so many degrees and orders that all fit into ``ROOM``.
    """
    count, degree = modes.frequency.size, modes.degree
    total = np.maximum(modes.radiated_power(), 1e-300)
    by_degree = decibels(modes.power_spectrum() / total[:, None]).astype("f4")
    pack.put("degrees", by_degree)
    block = math.ceil(math.sqrt(2 * degree**2 * count / ROOM)) if 2 * degree**2 * count > ROOM else 1
    _, m, n = mode_numbers(degree)
    rows, columns = (n - 1) // block, (m + degree) // block
    shape = (degree - 1) // block + 1, 2 * degree // block + 1
    place = rows * shape[1] + columns
    levels = np.empty((count, *shape), dtype=np.float32)
    inside = np.zeros(shape[0] * shape[1], dtype=bool)
    inside[place] = True
    for f, q in enumerate(modes.coefficients):
        power = 0.5 * (q.real**2 + q.imag**2)
        sums = np.bincount(place, weights=power, minlength=inside.size)
        levels[f] = np.where(inside, decibels(sums / total[f]), np.nan).reshape(shape)
    top = np.nanmax(levels, axis=(1, 2))
    pack.put_levels("orders", levels, top=top, depth=SPECTRUM_DEPTH, fine=False, step=ORDER_STEP)
    return {"degree": degree, "block": block}
