"""The field in single directions, near a known result, whose square is the level there.

The field has two components with a real and an imaginary part each. Their errors are normal and
known, down to a null, where the level's own errors are neither. The parts are so normalised that
the sum of their squares is the figure, directivity or EIRP, and their phase is counted from that of
the modes as a whole: a phase that drifts alike for all is no error of a level.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna import fields
from nf2ff.antenna.modes import WAVE_IMPEDANCE
from nf2ff.kernel.arrays import keep
from nf2ff.messages.input_error import InputError
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.level_interval import PARTS

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Figures that have such a field.
TOWARDS = ("directivity-towards", "eirp-towards")


def towards_columns(figures: Sequence[Figure]) -> list[int]:
    """Which of the figures are levels in a direction."""
    return [i for i, figure in enumerate(figures) if figure.name in TOWARDS]


@dataclass(frozen=True, eq=False)
class TowardsFields:
    """Fields behind the figures in a direction, for modes near known ones.

    Parameters
    ----------
    figures : tuple of Figure
        A figures, all levels in a direction.
    degree : int
        Degree N of the modes.
    known : (J,) ndarray
        Those near which others are, whose phase is the reference.
    """

    figures: tuple[Figure, ...]
    degree: int
    known: Complex

    @property
    def location(self) -> Real:
        """theta and phi of each direction, (A, 2) [rad]."""
        theta, phi = (np.array([getattr(figure, x) for figure in self.figures]) for x in ("theta", "phi"))
        phi = np.mod(phi, 2 * np.pi)
        return np.stack([theta, np.where(phi < 2 * np.pi, phi, 0.0)], axis=1)

    def values(self, coefficients: Complex) -> Real:
        """Parts (..., A, 4) of the fields of modes (..., J): of theta^, then of phi^, the real one
        and the imaginary one each."""
        q = np.asarray(coefficients)
        flat = q.reshape(-1, q.shape[-1])
        found = np.zeros((len(flat), len(self.figures), PARTS))
        matrix = self._matrix
        for row, one in zip(found, flat if self.figures else [], strict=False):
            # One by one: a product of all together would depend on how many they are.
            field = (matrix * one).sum(axis=1).reshape(-1, 2) * self._scale(one)[:, None]
            turn = complex((self.known.conj() * one).sum())
            field *= np.exp(-1j * np.angle(turn))
            row[:] = field.view(float)
        return found.reshape(*q.shape[:-1], len(self.figures), PARTS)

    @functools.cached_property
    def _matrix(self) -> Complex:
        """Far field in each direction, along theta^ and phi^, of each mode: (2 A, J)."""
        ones = np.eye(2, dtype=complex)[:, :, None]
        rows = [
            fields.far_field_adjoint(one, self.location[a : a + 1], degree=self.degree).conj()
            for a in range(len(self.figures))
            for one in ones
        ]
        return np.array(rows).reshape(-1, self.known.size)

    def gradients(self) -> Complex:
        """Derivatives gamma (A 4, J) at the known modes: parts change by Re sum conj(gamma) dQ."""
        q, scale = self.known, self._scale(self.known)
        power = float(np.vdot(q, q).real)
        values = self.values(q)
        rows = []
        for a, figure in enumerate(self.figures):
            place = self.location[a : a + 1]
            for part in range(PARTS):
                one = np.zeros((2, 1), dtype=complex)
                # The imaginary part of z is the real part of conj(j) z.
                one[part // 2, 0] = 1j if part % 2 else 1
                gamma = scale[a] * fields.far_field_adjoint(one, place, degree=self.degree)
                # d(1/sqrt P) = -dP / 2P sqrt P, and dP/P = 2 Re sum conj(Q) dQ / sum |Q|^2.
                if not figure.absolute:
                    gamma = gamma - values[a, part] * q / power
                # d(-phase) = -Im sum conj(Q) dQ / sum |Q|^2 turns (x, y) by (-y, x) of it.
                other = -values[a, part + 1] if part % 2 == 0 else values[a, part - 1]
                rows.append(gamma - other * 1j * q / power)
        return np.array(rows).reshape(-1, q.size)

    def _scale(self, q: Complex) -> Real:
        """Factors (A,) from the field to the parts."""
        power = 0.5 * float(np.vdot(q, q).real)
        over = [1.0 if figure.absolute else power for figure in self.figures]
        return np.sqrt(2 * np.pi / WAVE_IMPEDANCE / np.array(over))


@dataclass(frozen=True, slots=True, eq=False)
class FieldErrors:
    """Errors of the fields behind figures in a direction, by each cause.

    Parameters
    ----------
    value : (F, A, 4) array_like
        Parts for the scan as it is.
    covariance : (T, F, A, 4, 4) array_like
        Of the errors that each of T causes makes.
    bias : (T, F, A, 4) array_like
        Mean change that each makes.
    """

    value: Real
    covariance: Real
    bias: Real

    def __post_init__(self) -> None:
        keep(self, ["value", "covariance", "bias"], float)
        shape = self.value.shape
        wanted = (self.bias.shape[:1] + shape, self.bias.shape[:1] + shape + (PARTS,))
        if shape[-1:] != (PARTS,) or (self.bias.shape, self.covariance.shape) != wanted:
            raise InputError(
                f"bias and covariance have shapes {self.bias.shape} and {self.covariance.shape}, "
                f"expected (T, F, A, {PARTS}) and (T, F, A, {PARTS}, {PARTS}) of values {shape}"
            )
