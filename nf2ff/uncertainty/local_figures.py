"""Figures of merit about a known result: their value for modes near it, and their derivative.

The uncertainty of a figure asks for it again and again, for modes that differ little. So the few
directions that matter are found once: a patch of the sphere about the peak, and others about the
places where a cut has fallen by 3 dB or has its sidelobe. There the field is sampled for each set
of modes, and what lies between is taken from the polynomial through it. Where modes differ so much
that something leaves its patch, the peak is searched anew.
"""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna import fields
from nf2ff.antenna.modes import WAVE_IMPEDANCE, Modes
from nf2ff.kernel.sphere import direction_angles, unit_vectors
from nf2ff.messages.input_error import InputError
from nf2ff.metrics import patches
from nf2ff.metrics.beam import Peak, peak
from nf2ff.metrics.gain_and_power import intensity, require_absolute
from nf2ff.metrics.patches import PATCH_SIZE, STRIP_SIZE, Top
from nf2ff.metrics.planes import reference_angle
from nf2ff.uncertainty.figure import RECIPES, Figure, Recipe

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True, eq=False)
class LocalFigures:
    """Figures at one frequency, prepared about known modes.

    Parameters
    ----------
    figures : tuple of Figure
        K figures.
    frequency, degree
        Of the modes; frequency in [Hz].
    frame : (3, 3) ndarray
        r^, theta^ and phi^ of the peak; of a beam at a pole, along phi = 0 and across it.
    location : (M, 2) ndarray
        theta and phi of the directions that are looked at [rad].
    recipes : tuple of Recipe
        How each figure follows from the intensities there.
    highest : float
        Intensity of the known modes at their peak [W/sr].
    nominal : (K,) ndarray
        Values for them.
    """

    figures: tuple[Figure, ...]
    frequency: float
    degree: int
    frame: Real
    location: Real
    recipes: tuple[Recipe, ...]
    highest: float
    nominal: Real

    def values(self, coefficients: Complex, seen: Real | None = None) -> Real:
        """The figures (..., K) of modes (..., J) of the same degree, whose intensities may be known.

        NaN where a figure is found no more: the cut does not fall so far, the lobe is gone.
        """
        q = np.asarray(coefficients)
        flat = q.reshape(-1, q.shape[-1])
        u = self.intensities(flat) if seen is None else seen.reshape(len(flat), -1)
        found = self._near(u, 0.5 * (flat.real**2 + flat.imag**2).sum(axis=-1))
        for i in np.flatnonzero(np.isnan(found).any(axis=1)):
            found[i] = np.where(np.isnan(found[i]), self._anew(flat[i]), found[i])
        return found.reshape(*q.shape[:-1], -1)

    def intensities(self, q: Complex) -> Real:
        """Intensities (D, M) of modes (D, J) in the directions that are looked at [W/sr]."""
        return np.array([intensity(*fields.far_field_at(one, self.location)) for one in q])

    def gradients(self, coefficients: Complex, *, threads: int = 1) -> Complex:
        """Derivatives gamma, (K, J), at modes (J,): figures change by Re sum conj(gamma) dQ."""
        q = np.asarray(coefficients)
        field = fields.far_field_at(q, self.location, threads=threads)
        by_u, by_power = self._slopes(intensity(*field), np.asarray([0.5 * np.vdot(q, q).real]))
        # dU = Re sum conj(E) K dQ / Z0, dP = Re sum conj(Q) dQ.
        back = functools.partial(
            fields.far_field_adjoint, location=self.location, degree=self.degree, threads=threads
        )
        pairs = zip(by_u, by_power, strict=True)
        return np.stack([back(field * slope / WAVE_IMPEDANCE) + other * q for slope, other in pairs])

    def _near(self, u: Real, power: Real) -> Real:
        """Figures (D, K) of intensities (D, M) and radiated powers (D,); NaN where something leaves its
        patch."""
        top = patches.top_of_patch(u[:, :PATCH_SIZE], self.degree)
        pairs = zip(self.recipes, self._nearby(), strict=True)
        return np.stack([self._value(recipe, top, u[:, own], power) for recipe, own in pairs], axis=-1)

    def _nearby(self) -> list[slice]:
        """Which directions each recipe has for itself."""
        sizes = [len(recipe.own) + STRIP_SIZE * len(recipe.lines) for recipe in self.recipes]
        ends = PATCH_SIZE + np.cumsum([0, *sizes])
        return [slice(*pair) for pair in itertools.pairwise(ends.tolist())]

    def _value(self, recipe: Recipe, top: Top, nearby: Real, power: Real) -> Real:
        """Figure (D,) by the intensities (D, M') in its own directions."""
        count = len(recipe.own)
        strips = nearby[:, count:].reshape(len(nearby), -1, STRIP_SIZE)
        lines = [
            patches.on_line(strips[:, i], self.frame, recipe.tangents, angle, top, self.degree)
            for i, angle in enumerate(recipe.lines)
        ]
        return recipe.of(top, nearby[:, :count], lines, power)

    def _anew(self, q: Complex) -> Real:
        """Figures (K,) of modes whose peak is searched on the whole sphere."""
        one = Modes(np.array([self.frequency]), q[None])
        found = peak(one)
        power = one.radiated_power()
        towards, _, _ = unit_vectors(found.theta, found.phi)
        side = self.frame[1:] @ towards[0]
        ahead, aside = float(self.frame[0] @ towards[0]), float(np.hypot(*side))
        shift = side * (math.atan2(aside, ahead) / aside if aside > 0 else 1.0)
        level = found.directivity * power / (4 * np.pi)
        top = Top(level, shift[:1], shift[1:], np.ones((1, 2), dtype=bool))

        def look(direction: Real) -> Real:
            theta, phi = direction_angles(direction)
            return intensity(*fields.far_field_points(one, theta=theta, phi=phi, threads=1))

        values = []
        for recipe in self.recipes:
            lines = [
                look(patches.line_directions(self.frame, recipe.tangents, x, top, self.degree)[0])
                for x in recipe.lines
            ]
            own = look(recipe.own) if len(recipe.own) else np.zeros((1, 0))
            value = float(recipe.of(top, own, lines, power)[0])
            if math.isnan(value) and recipe.again is not None:
                value = recipe.again(one, found)
            values.append(value)
        return np.array(values)

    def _slopes(self, u: Real, power: Real) -> tuple[Real, Real]:
        """Derivatives (K, M) by the intensities (M,), and (K,) by the radiated power (1,)."""
        top = patches.top_of_patch(u[None, :PATCH_SIZE], self.degree)
        by_patch = patches.slope_of_top(u[:PATCH_SIZE], top, self.degree)
        # A bump at one node only bends the polynomial far more than it lifts it: small steps.
        bump, turn = 1e-8 * float(u.max()), np.asarray(1e-4 / self.degree)
        by_u, by_power = np.zeros((len(self.recipes), u.size)), np.zeros(len(self.recipes))
        for k, (recipe, own) in enumerate(zip(self.recipes, self._nearby(), strict=True)):
            near, of = u[None, own], functools.partial(self._value, recipe)
            if near.size:
                bumps = bump * np.eye(near.size)
                rise = of(top, near + bumps, power) - of(top, near - bumps, power)
                by_u[k, own] = rise / (2 * bump)
            steps = {"value": 1e-6 * top.value, "x": turn, "y": turn}
            for (name, step), row in zip(steps.items(), by_patch, strict=True):
                here = getattr(top, name)
                up, down = (top._replace(**{name: x}) for x in (here + step, here - step))
                rise = of(up, near, power) - of(down, near, power)
                by_u[k, :PATCH_SIZE] += rise / (2 * step) * row
            step = 1e-5 * power
            rise = of(top, near, power + step) - of(top, near, power - step)
            by_power[k] = (rise / (2 * step))[0]
        return by_u, by_power


def localise(figures: Sequence[Figure], modes: Modes) -> list[LocalFigures]:
    """Prepare figures about ``modes``, for each of their frequencies.

    Raises
    ------
    ValueError
        If a figure needs a known level and the modes are relative, or has no value (a cut that
        does not fall so far, no sidelobe, the direction of a ridge).
    """
    if not figures:
        raise InputError("no figure is asked for", "name at least one")
    for figure in figures:
        if figure.absolute:
            require_absolute(modes.reference, figure.name)
    tops = peak(modes)
    return [
        _localise(
            tuple(figures),
            modes.at(f),
            Peak(tops.theta[[f]], tops.phi[[f]], tops.directivity[[f]], None),
        )
        for f in range(modes.frequency.size)
    ]


def _localise(figures: tuple[Figure, ...], one: Modes, top: Peak) -> LocalFigures:
    """Figures about modes of one frequency."""
    towards, along, across = unit_vectors(top.theta[0], top.phi[0])
    turn = reference_angle(one, theta=float(top.theta[0]), phi=float(top.phi[0]))
    cos, sin = math.cos(turn), math.sin(turn)
    frame = np.stack([towards, cos * along + sin * across, cos * across - sin * along])
    recipes = tuple(RECIPES[figure.name](figure, one, top) for figure in figures)
    directions = [patches.patch_directions(frame, one.degree)]
    for recipe in recipes:
        directions.append(recipe.own)
        directions += [
            patches.strip_directions(frame, recipe.tangents, angle, one.degree) for angle in recipe.lines
        ]
    location = np.stack(direction_angles(np.concatenate(directions)), axis=1)
    location[location[:, 1] >= 2 * np.pi, 1] = 0.0
    frequency = float(one.frequency[0])
    highest = float(top.directivity[0] * one.radiated_power()[0] / (4 * np.pi))
    found = LocalFigures(
        figures, frequency, one.degree, frame, location, recipes, highest, nominal=np.empty(0)
    )
    nominal = found._near(found.intensities(one.coefficients), one.radiated_power())[0]
    lost = np.flatnonzero(~np.isfinite(nominal))
    if lost.size:
        name = figures[lost[0]].name
        why = " (the beam is a ridge)" if name.startswith("pointing") else ""
        raise InputError(f"{name} has no value at {frequency / 1e9:.9g} GHz{why}", "leave it out")
    return replace(found, nominal=nominal)
