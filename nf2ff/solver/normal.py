"""The normal equations of least squares, A^H W A, without going to the samples (`kernel.fine_grid`)."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property, partial
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel import circular, fine_grid, spin
from nf2ff.kernel.by_degree import apply_by_degree
from nf2ff.solver.transmission import TransmissionOperator

Real = NDArray[np.float64]
Complex = NDArray[Any]

#: Functions on the grid at most, of the maps of one port: more of them would take longer than the
#: transforms of the samples themselves.
MAX_FIELDS = 8
#: Accuracy from which single precision does on the grid: its products are right to 2e-7 (measured).
SINGLE_ACCURACY = 1e-6

#: For each port the functions that couple its maps.
Fields = tuple[dict[tuple[int, int], Real], ...]


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
    return tuple(found)


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


class Solved(NamedTuple):
    """Packed solution, what is left of the gradient, and steps taken."""

    x: Complex
    gradient: Complex
    steps: int


@dataclass(frozen=True, eq=False)
class NormalOperator:
    """A^H W A on a grid.

    It acts on a complex map's coefficients as two real maps have them, (2, 2, A): real and imaginary part,
    gradient and curl. Their norm is that of the packed ones if orders m > 0 count twice.

    Parameters
    ----------
    operator : TransmissionOperator
        A, of one radius.
    fields : tuple
        From `grid_fields`.
    """

    operator: TransmissionOperator
    fields: Fields

    def solve(self, right: Complex, *, target: float, most: int, damping: float = 0.0) -> Solved:
        """Conjugate gradients on (A^H W A + damping^2) x = ``right``, packed, until the norm of what
        is left falls to ``target``."""
        return solve_together([Equations(self, right, target, most, damping)])[0]

    def product(self, x: Complex) -> Complex:
        """A^H W A x of packed coefficients."""
        threads = self.operator.threads
        real, imag = self._of_parts(np.stack(spin.split(x, threads)), list(self._ports()))
        return spin.join(real, imag, 1, self.operator.degree, threads)

    def _ports(self) -> Iterator[tuple[list[_Channel], dict[tuple[int, int], Real]]]:
        n = np.maximum(spin.packed_numbers(self.operator.degree)[1] - 1, 0)
        over_degree = self.operator.separation.over_degree
        for orders, fields in zip(over_degree, self.fields, strict=True):
            yield [_Channel.of(s, matrix[0], n) for s, matrix in orders], fields

    @cached_property
    def heard(self) -> Complex:
        """What the maps of the first port have of the coefficients of each degree, (N, 2, 2)."""
        return self.operator.separation.over_degree[0][0][1][0]

    @cached_property
    def in_one_map(self) -> bool:
        """Whether the samples hear one map of spin 1, and of it both kinds of waves of each degree: then the
        change from coefficients to what is heard of them keeps norms, and is made once for all steps."""
        if [s for orders in self.operator.separation.over_degree for s, _ in orders] != [1]:
            return False
        return bool(np.abs(self.heard @ self.heard.conj().swapaxes(1, 2) - np.eye(2)).max() < 1e-9)

    @cached_property
    def by_matrices(self) -> bool:
        """Whether `kernel.circular` serves."""
        field = self.fields[0].get((0, 0))
        alike = field is not None and field is self.fields[0].get((1, 1))
        return alike and self.operator.degree <= circular.MAX_DEGREE and self.in_one_map

    def by_maps(self) -> Callable[[Complex, Real], Complex]:
        """Product of real and imaginary part (1, 2, 2, A), for `_iterate`; of maps if `in_one_map`."""
        ports = list(self._ports())

        def of_heard(direction: Complex, _: Real) -> Complex:
            image = np.stack([part[0] for part in self._on_grid([(1, direction[0])], self.fields[0])])
            image[..., 0] = 0
            return image[None]

        return of_heard if self.in_one_map else lambda x, _: self._of_parts(x[0], ports)[None]

    def _of_parts(
        self, x: Complex, ports: list[tuple[list[_Channel], dict[tuple[int, int], Real]]]
    ) -> Complex:
        total = np.zeros_like(x)
        for channels, fields in ports:
            parts = self._on_grid([(channel.spin, channel.of_maps(x)) for channel in channels], fields)
            for channel, re, im in zip(channels, *parts, strict=True):
                channel.add_adjoint(re, im, total)
        total[..., 0] = 0
        return total

    def _on_grid(
        self, maps: list[tuple[int, Complex]], fields: dict[tuple[int, int], Real]
    ) -> list[list[Complex]]:
        """Products of real and imaginary part of maps (2, C, A) of each spin."""
        threads = self.operator.threads
        jobs = [
            partial(
                fine_grid.weighted_product,
                [(s, alm[part]) for s, alm in maps],
                fields,
                degree=self.operator.degree,
                threads=max(1, threads // 2),
            )
            for part in (0, 1)
        ]
        return spin.run(jobs, threads)


@dataclass(frozen=True, slots=True, eq=False)
class _Channel:
    """Maps of one spin, and real and imaginary part of what each map has of gradient and curl."""

    spin: int
    rows: int
    parts: dict[tuple[int, int], tuple[Real, Real]]

    @classmethod
    def of(cls, s: int, matrix: Complex, n: NDArray[Any]) -> _Channel:
        """Of a matrix (N, C, 2) of each degree; no map has degrees below its spin."""
        matrix = matrix.copy()
        matrix[: max(s - 1, 0)] = 0
        parts = {}
        for row in range(matrix.shape[1]):
            for column in range(matrix.shape[2]):
                entry = matrix[:, row, column]
                if entry.any():
                    parts[row, column] = entry.real.take(n), entry.imag.take(n)
        return cls(s, matrix.shape[1], parts)

    def of_maps(self, x: Complex) -> Complex:
        """Coefficients (2, C, A) of real and imaginary part of the maps."""
        found = np.zeros((2, self.rows, x.shape[-1]), dtype=complex)
        for (row, column), (re, im) in self.parts.items():
            found[0, row] += re * x[0, column] - im * x[1, column]
            found[1, row] += im * x[0, column] + re * x[1, column]
        return found

    def add_adjoint(self, real: Complex, imag: Complex, total: Complex) -> None:
        for (row, column), (re, im) in self.parts.items():
            total[0, column] += re * real[row] + im * imag[row]
            total[1, column] += re * imag[row] - im * real[row]


class Equations(NamedTuple):
    """What `NormalOperator.solve` takes."""

    normal: NormalOperator
    right: Complex
    target: float
    most: int
    damping: float


def solve_together(sets: Sequence[Equations]) -> list[Solved]:
    """Solve several, each as it would be alone to the last bit; those of one field take products together."""
    found: dict[int, Solved] = {}
    together: dict[tuple[float, ...], list[int]] = {}
    for i, one in enumerate(sets):
        operator = one.normal.operator
        key = id(one.normal.fields), operator.tolerance, operator.threads, -1 if one.normal.by_matrices else i
        together.setdefault(key, []).append(i)
    for some in together.values():
        for start in range(0, len(some), circular.TOGETHER):
            which = some[start : start + circular.TOGETHER]
            found.update(zip(which, _solve([sets[i] for i in which]), strict=True))
    return [found[i] for i in range(len(sets))]


def _solve(sets: Sequence[Equations]) -> list[Solved]:
    """Solve sets of one field, or a single one."""
    normal = sets[0].normal
    operator, options = normal.operator, [(one.target, one.most, one.damping) for one in sets]
    threads, degree = operator.threads, operator.degree
    if not normal.by_matrices:
        right = _times(normal.heard, sets[0].right) if normal.in_one_map else sets[0].right
        left = np.stack(spin.split(right, threads))[None]
        [(x, rest, steps)] = _iterate(left, normal.by_maps(), partial(_inner, degree=degree), options)
        joined = [spin.join(real, imag, 1, degree, threads) for real, imag in (x, rest)]
        if normal.in_one_map:
            back = normal.heard.conj().swapaxes(1, 2)
            joined = spin.run([partial(_times, back, part) for part in joined], threads)
        return [Solved(joined[0], joined[1], steps)]
    columns = normal.fields[0][0, 0].T
    fields = {kind: np.ascontiguousarray(columns, kind) for kind in (np.float32, np.float64)}

    def product(directions: Real, lost: Real) -> Real:
        """As exact as need be where a direction is so much smaller than the first one."""
        single = operator.tolerance / lost >= SINGLE_ACCURACY
        images = np.empty_like(directions)
        for kind, some in ((np.float32, single), (np.float64, ~single)):
            if some.any():
                # Of size 1: smaller numbers of single precision lose digits, and take long.
                given = directions if some.all() else directions[some]
                unit = 2.0 ** np.frexp(np.maximum(given.max(axis=1), -given.min(axis=1)))[1][:, None]
                given = np.multiply(given, 1 / unit, dtype=kind, casting="same_kind")
                image = circular.weighted_product(given, fields[kind], degree=degree, threads=threads)
                if some.all():
                    return np.multiply(image, unit, out=images)
                images[some] = image * unit
        return images

    left = np.stack([circular.from_maps(_times(one.normal.heard, one.right)) for one in sets])
    found = []
    for one, (x, rest, steps) in zip(sets, _iterate(left, product, _dot, options), strict=True):
        back = one.normal.heard.conj().swapaxes(1, 2)
        maps = [_times(back, circular.to_maps(part, degree)) for part in (x, rest)]
        found.append(Solved(maps[0], maps[1], steps))
    return found


def _dot(a: Real, b: Real) -> float:
    return float(np.einsum("i,i->", a, b))


def _times(matrix: Complex, packed: Complex) -> Complex:
    """Packed product of a matrix (N, 2, 2) of each degree."""
    return apply_by_degree(matrix, packed, spin.packed_numbers(spin.degree_of_packed(packed))[1])


def _iterate(
    left: Any,
    product: Callable[[Any, Real], Any],
    inner: Callable[[Any, Any], float],
    options: Sequence[tuple[float, int, float]],
) -> list[tuple[Any, Any, int]]:
    """Solution, what is left of the right-hand side and steps of each set ``left`` (B, ...).

    ``product`` takes directions, and of each the norm of what is left over the first one; ``options`` are
    target, most steps and damping of each.
    """
    x, direction = np.zeros_like(left), left.copy()
    target, most, damping = (np.array(each) for each in zip(*options, strict=True))
    active, steps = np.arange(len(left)), np.zeros(len(left), dtype=int)
    stuck = np.zeros(len(left), dtype=bool)
    found: dict[int, tuple[Any, Any, int]] = {}

    def inners(a: Any, b: Any) -> Real:
        return np.array([inner(*pair) for pair in zip(a, b, strict=True)])

    def column(values: Real) -> Real:
        return values.reshape(-1, *(1,) * (left.ndim - 1))

    size = first = inners(left, left)
    while True:
        done = stuck | ~(size > target**2) | (steps >= most)
        found.update((int(active[i]), (x[i], left[i], int(steps[i]))) for i in np.flatnonzero(done))
        if done.all():
            return [found[i] for i in range(len(found))]
        if done.any():
            x, left, direction = x[~done], left[~done], direction[~done]
            size, first, target, most, damping = (v[~done] for v in (size, first, target, most, damping))
            active, steps = active[~done], steps[~done]
        image = product(direction, np.sqrt(size / first))
        if damping.any():
            image += column(damping**2) * direction
        bend = inners(direction, image)
        stuck = ~(bend > 0)  # beneath rounding
        length = np.where(stuck, 0, size / np.where(stuck, 1, bend))
        x += column(length) * direction
        image *= column(length)
        left -= image
        before, size = size, inners(left, left)
        direction *= column(size / before)
        direction += left
        steps += ~stuck


def _inner(a: Complex, b: Complex, degree: int) -> float:
    """Real part of the inner product of packed coefficients, without BLAS: its threads are in the way."""
    flat = (np.ascontiguousarray(x).ravel().view(float) for x in (a, b))
    first = np.sum(a[..., : degree + 1].real * b[..., : degree + 1].real)
    return float(2 * np.einsum("i,i->", *flat) - first)
