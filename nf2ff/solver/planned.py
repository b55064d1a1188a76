"""The transmission operator at positions that serve for one solution only, planned for its few products."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel import circular, planned
from nf2ff.solver.response import Separation
from nf2ff.solver.transmission import SINGLE_ACCURACY, TransmissionOperator

Complex = NDArray[Any]


@dataclass(frozen=True, eq=False)
class PlannedOperator(TransmissionOperator):
    """The same, by `kernel.planned` where it serves: of spin 1, in single precision, on one thread.

    Positions are in layers, as `positions.elsewhere` gives them. ``rows``, `kernel.planned.circular_rows` of
    each port and function of radius, may be known from an operator of the same response over degree, as may
    what is ``separated``.
    """

    rows: list[list[Complex]] | None = None
    separated: Separation | None = None

    @cached_property
    def separation(self) -> Separation:
        """``separated``, if it is given."""
        return self.separated or super().separation

    def coarser(self, tolerance: float) -> PlannedOperator:
        """The same to another accuracy, with those functions of radius alone that count for it."""
        over = self.separation
        keep = max(1, int(np.count_nonzero(over.size > tolerance)))
        separated = Separation(
            over.precondition,
            [[(s, matrix[:keep]) for s, matrix in orders] for orders in over.over_degree],
            [radial[:keep] for radial in over.over_radius],
            over.size[:keep],
        )
        rows = self.rows and [port[:keep] for port in self.rows]
        return replace(self, tolerance=tolerance, separated=separated, rows=rows)

    @cached_property
    def serves(self) -> bool:
        """Whether `kernel.planned` serves."""
        if self.tolerance < SINGLE_ACCURACY or not 1 <= self.degree <= circular.MAX_DEGREE:
            return False
        spins = [[s for s, _ in orders] for orders in self.separation.over_degree]
        return all(s == [1] for s in spins) and all(g.position is None for g in self.geometry)

    @cached_property
    def _plans(self) -> list[tuple[planned.PointPlan, Complex]]:
        """Of each port the plan, and of each layer what the functions of c- and c+ count, (2, K, P or 1)."""
        found = []
        for g in self.geometry:
            both = np.empty((2, *g.chi.shape), dtype=np.complex64)
            both.real, both.imag = g.turns(1)
            both[1].imag *= -1
            both *= np.float32(np.sqrt(0.5))
            found.append((planned.PointPlan(g.aside, self.degree, min(self.tolerance, 1e-3)), both))
        return found

    @cached_property
    def known_rows(self) -> list[list[Complex]] | None:
        """``rows``, formed unless they are known, None where they are of no use."""
        if self.rows is not None or not self.serves:
            return self.rows
        return [[planned.circular_rows(m) for m in orders[0][1]] for orders in self.separation.over_degree]

    def forward_ordered(self, x: Complex, *, accuracy: float | None = None) -> NDArray[np.complex128]:
        """As of any transmission operator."""
        if not self.serves:
            return super().forward_ordered(x, accuracy=accuracy)
        response = np.empty(self.shape[0], dtype=complex)
        x = x.astype(np.complex64)
        for own, plan, turn, terms in self._each(accuracy):
            values: Any = 0
            for rows, factor in terms:
                part = plan.synthesis(rows[:, :, 0] * x[:, 0] + rows[:, :, 1] * x[:, 1])
                values = values + (part if factor is None else factor * part)
            layers = response[own].reshape(turn.shape[1], -1)
            layers[...] = turn[0] * values[0] + turn[1] * values[1]
        return response

    def adjoint_ordered(self, w: Complex, *, accuracy: float | None = None) -> NDArray[np.complex128]:
        """As of any transmission operator."""
        if not self.serves:
            return super().adjoint_ordered(w, accuracy=accuracy)
        result: Any = 0
        for own, plan, turn, terms in self._each(accuracy):
            layers = w[own].astype(np.complex64).reshape(turn.shape[1], -1)
            values = (turn.conj() * layers).sum(axis=1)
            for rows, factor in terms:
                part = plan.adjoint(values if factor is None else factor.conj() * values)
                result = result + (rows.conj() * part[:, :, None]).sum(axis=0)
        return np.asarray(result, dtype=complex)

    def _each(
        self, accuracy: float | None
    ) -> Iterator[tuple[slice, planned.PointPlan, Complex, list[tuple[Complex, Complex | None]]]]:
        """Of each port its samples, plan and turns, and rows and factor of each function of radius."""
        assert self.known_rows is not None
        for (_, own, _, radial, _), (plan, turn), rows in zip(
            self._ports(), self._plans, self.known_rows, strict=True
        ):
            terms: list[tuple[Complex, Complex | None]] = []
            for node, factor, _, _ in self._nodes(radial, accuracy):
                one = factor.size == 1 and factor[0] == 1
                terms.append((rows[node], None if one else factor.astype(np.complex64)))
            yield own, plan, turn, terms
