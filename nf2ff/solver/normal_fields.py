"""What stands for samples in the normal equations on a grid (`kernel.fine_grid`)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel import fine_grid, spin
from nf2ff.solver.transmission import TransmissionOperator

Real = NDArray[np.float64]

#: Functions on the grid at most, of the maps of one port: more of them would take longer than the
#: transforms of the samples themselves.
MAX_FIELDS = 8


@dataclass(frozen=True, slots=True, eq=False)
class Fields:
    """For each port the functions (R, P) that couple its maps i and k >= i."""

    ports: tuple[dict[tuple[int, int], Real], ...]
    _kept: dict[Any, Any] = field(default_factory=dict)

    @property
    def alike(self) -> bool:
        """Whether the first port's components of spin 1 have one function, and nothing couples them."""
        first = self.ports[0].get((0, 0))
        return first is not None and first is self.ports[0].get((1, 1)) and len(self.ports[0]) == 2

    @property
    def nbytes(self) -> int:
        """Bytes of them, and as many again for products of low orders or in single precision."""
        return 2 * sum(x.nbytes for port in self.ports for x in port.values())

    def of_low_orders(self, top: int) -> dict[tuple[int, int], Real]:
        """Those of the first port for products of functions up to order ``top``."""
        if top not in self._kept:
            own = self.ports[0]
            made = {id(x): fine_grid.of_low_orders(x, top) for x in own.values()}
            self._kept[top] = {pair: made[id(x)] for pair, x in own.items()}
        found: dict[tuple[int, int], Real] = self._kept[top]
        return found

    def in_columns(self, top: int | None, kind: Any) -> NDArray[Any]:
        """The first of those, (columns, R), as `kernel.circular` has it; of all orders if ``top`` is None."""
        if (top, kind) not in self._kept:
            own = self.ports[0] if top is None else self.of_low_orders(top)
            self._kept[top, kind] = np.ascontiguousarray(own[0, 0].T, kind)
        return np.asarray(self._kept[top, kind])


def grid_fields(operator: TransmissionOperator, weights: Real) -> Fields | None:
    """What stands for samples of weights (M,) in the normal equations, the same at all frequencies.

    None where the grid would not pay: the radius varies, or the probe has many azimuthal orders.
    """
    if operator.nodes > 1:
        return None
    if operator.order is not None:
        weights = weights[operator.order]
    found, start = [], 0
    for g, orders in zip(operator.geometry, operator.separation.over_degree, strict=True):
        own = weights[start : start + g.count]
        start += g.count
        spins = [s for s, _ in orders for _ in range(1 if s == 0 else 2)]
        if len(spins) * (len(spins) + 1) > 2 * MAX_FIELDS or max(spins) > operator.degree:
            return None
        turns: list[Any] = [turn for s, _ in orders for turn in g.turns(s)]
        jobs: dict[tuple[bool, bytes], Callable[..., Real]] = {}
        which = {}
        for i, one in enumerate(turns):
            for k, other in enumerate(turns[i:], i):
                at = _at_positions(own, one * other, g.position, g.radius.size)
                if at.any():
                    odd = bool((spins[i] + spins[k]) % 2)
                    # Two chi at a right angle give both maps the same.
                    which[i, k] = odd, at.tobytes()
                    jobs[which[i, k]] = partial(
                        fine_grid.impulses, g.location, at, degree=operator.degree, odd=odd
                    )
        inner = max(1, operator.threads // max(1, len(jobs)))
        made = spin.run([partial(job, threads=inner) for job in jobs.values()], operator.threads)
        fields = dict(zip(jobs, made, strict=True))
        each = {pair: fields[of] for pair, of in which.items()}
        found.append(_alike(each) if len(spins) == 2 else each)
    return Fields(tuple(found))


def _alike(fields: dict[tuple[int, int], Real]) -> dict[tuple[int, int], Real]:
    """One function for both components where they differ by rounding only: both polarisations everywhere."""
    one, two, cross = (fields.get(pair, np.zeros(1)) for pair in ((0, 0), (1, 1), (0, 1)))
    if one is two and not cross.any():
        return {(0, 0): one, (1, 1): one}
    if max(np.abs(one - two).max(), np.abs(cross).max()) > 100 * fine_grid.EPSILON * np.abs(one).max():
        return fields
    mean = (one + two) / 2
    return {(0, 0): mean, (1, 1): mean}


def _at_positions(weights: Real, factor: Real, position: NDArray[np.intp] | None, size: int) -> Real:
    """Sum of weights times factors over the samples of each position, (P,)."""
    if position is not None:
        return np.asarray(np.bincount(position, weights * factor, size), dtype=float)
    return np.asarray((weights.reshape(-1, size) * factor).sum(axis=0))
