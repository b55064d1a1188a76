"""Responses of modes that are known, at positions a little aside of those where they were recorded."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel import spin, torus
from nf2ff.kernel.arrays import ratio, square
from nf2ff.kernel.by_degree import apply_by_degree
from nf2ff.solver.positions import Geometry
from nf2ff.solver.transmission import TransmissionOperator, turn

Complex = NDArray[Any]
Real = NDArray[np.float64]

#: Terms of the series, in theta and phi together.
ORDER = 3


@dataclass(frozen=True, slots=True, eq=False)
class Expansion:
    """Power series in theta and phi of each function of radius, about the positions of ``operator``.

    ``terms`` are those of each port, spin and function of radius, of which the smaller have fewer: real and
    imaginary parts of maps (2, C, P), in single precision but for the first, and over ``unit``.
    """

    operator: TransmissionOperator
    unit: float
    terms: list[list[list[dict[tuple[int, int], Real]]]]

    @classmethod
    def of(cls, operator: TransmissionOperator, x: Complex) -> Expansion:
        """Of packed coefficients ``x``, to the accuracy of ``operator``."""
        _, n = spin.packed_numbers(operator.degree)
        unit = float(2.0 ** np.frexp(np.abs(x).max(initial=0))[1])  # the range of single precision is small
        # A function that is 1e-2 of the first needs a term less: that is what a sampling step is moved by.
        order = [max(0, ORDER + int(np.log10(size) / 2)) for size in operator.separation.size]

        def series(matrix: Complex, s: int, g: Geometry, top: int) -> dict[tuple[int, int], Real]:
            maps, epsilon = apply_by_degree(matrix, x / unit, n), operator.tolerance
            found = torus.derivatives(maps, s, g.location, order=top, epsilon=epsilon)
            parts = {which: np.stack([term.real, term.imag]) for which, term in found.items()}
            return {w: part if w == (0, 0) else part.astype(np.float32) for w, part in parts.items()}

        terms = [
            [[series(one, s, g, top) for one, top in zip(matrix, order, strict=True)] for s, matrix in orders]
            for g, orders in zip(operator.geometry, operator.separation.over_degree, strict=True)
        ]
        return cls(operator, unit, terms)

    def at(self, moved: TransmissionOperator) -> tuple[NDArray[np.complex128], float]:
        """Responses (M,) at other positions of the same response over degree, and what the series' next term
        would be, its norm, if terms fall as the last two did."""
        response, last, over = np.empty(moved.shape[0], dtype=complex), np.zeros(2), moved.separation
        given = zip(moved.geometry, over.over_degree, over.over_radius, strict=True)
        for here, port, (there, orders, radial) in zip(
            self.operator.geometry, self.terms, given, strict=True
        ):
            step = there.location.reshape(-1, *here.location.shape) - here.location
            around = np.remainder(step[..., 1] + np.pi, 2 * np.pi) - np.pi
            powers = _powers(step[..., 0].astype(np.float32), around.astype(np.float32))
            total = np.zeros(there.count, dtype=complex)
            for (s, _), nodes in zip(orders, port, strict=True):
                maps: Any = 0
                for i, (terms, factor) in enumerate(zip(nodes, radial, strict=True)):
                    there_now, sizes = _maps(terms, powers)
                    if i == 0:
                        last += sizes
                    maps = maps + there_now.reshape(len(there_now), -1) * factor
                turn(maps, s, there, total)
            response[there.rows] = total
        response *= self.unit
        return response, self.unit * ratio(last[1], np.sqrt(last[0]))


def _powers(theta: Real, phi: Real) -> dict[tuple[int, int], Real]:
    """theta^a phi^b, a + b <= `ORDER`."""
    found = {(0, 0): np.ones_like(theta)}
    for b in range(ORDER):
        found[0, b + 1] = found[0, b] * phi
    for a in range(ORDER):
        for b in range(ORDER - a):
            found[a + 1, b] = found[a, b] * theta
    return found


def _maps(terms: dict[tuple[int, int], Real], powers: dict[tuple[int, int], Real]) -> tuple[Complex, Real]:
    """Maps (C, K, P), and what the last two orders of terms are squared (2,)."""
    order = max(a + b for a, b in terms)
    first = terms[0, 0]
    each = np.zeros((order + 1, *first.shape[:2], *powers[0, 0].shape), dtype=np.float32)
    for (a, b), term in terms.items():
        if a + b:
            each[a + b] += term[:, :, None] * powers[a, b]
    found = np.empty(each.shape[2:], dtype=complex)
    found.real, found.imag = each[1:].sum(axis=0)
    found.real += first[0, :, None]
    found.imag += first[1, :, None]
    return found, np.array([square(part) for part in each[-2:]])


def numbers(geometry: tuple[Geometry, ...], spins: list[list[int]]) -> int | None:
    """How many numbers an `Expansion` keeps for each function of radius, at most; None where positions do not
    stand in layers: there it does not serve."""
    if any(g.position is not None for g in geometry):
        return None
    maps = [sum(1 if s == 0 else 2 for s in own) for own in spins]
    return 2 * sum(
        (ORDER + 1) * (ORDER + 2) // 2 * m * g.radius.size for m, g in zip(maps, geometry, strict=True)
    )
