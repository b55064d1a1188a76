"""The normal equations of least squares, A^H W A, without going to the samples (`kernel.fine_grid`)."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property, partial
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel import circular, fine_grid, spin
from nf2ff.kernel.by_degree import apply_by_degree
from nf2ff.solver.normal_fields import Fields
from nf2ff.solver.transmission import TransmissionOperator

Real = NDArray[np.float64]
Complex = NDArray[Any]

#: Accuracy from which single precision does on the grid: its products are right to 2e-7 (measured). Where
#: steps are many they add up: with half of it, one uneven spiral was 1.5e-8 off.
SINGLE_ACCURACY = 1e-6
#: Degree from which real and imaginary part of maps in two threads save time.
SHARED = 40
#: Numbers of low orders that products are formed of alone: twice and one and a half times each other.
LEVELS = sorted({a * 2**k for a in (8, 12) for k in range(10)} - {12})
#: How much more than the last one a product may move what is beyond an order, and what of the direction there
#: counts as none.
MARGIN, TINY = 4.0, 1e-15
#: What a step leaves at most where products of low orders do.
FAST = 0.25

#: Images (B, ...) of directions, of the accuracy (B,) asked for, by the levels (B,) of `_Levels`.
Product = Callable[[Any, Real, NDArray[np.intp]], Any]


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
    fields : Fields
        From `normal_fields.grid_fields`.
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
        for orders, fields in zip(over_degree, self.fields.ports, strict=True):
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
        return self.operator.degree <= circular.MAX_DEGREE and self.fields.alike and self.in_one_map

    @cached_property
    def low_orders(self) -> list[tuple[int, int]]:
        """Orders up to which products may be formed alone, each with where their coefficients end."""
        degree = self.operator.degree
        tops = [x - 1 for x in LEVELS if x <= degree] if self.in_one_map else []
        if self.by_matrices:
            ends = circular.ends(degree)
            return [(top, ends[top // circular.BAND]) for top in tops]
        return [(top, (top + 1) * (degree + 1) - top * (top + 1) // 2) for top in tops]

    def by_maps(self) -> Product:
        """Product of real and imaginary part (1, 2, 2, A), for `_iterate`; of maps if `in_one_map`."""
        ports = list(self._ports())

        def of_heard(direction: Complex, _: Real, level: NDArray[np.intp]) -> Complex:
            top, end = [*self.low_orders, (None, None)][level[0]]
            fields = self.fields.ports[0] if top is None else self.fields.of_low_orders(top)
            image = direction.copy()
            image[0, ..., :end] = [
                part[0] for part in self._on_grid([(1, direction[0, ..., :end])], fields, top)
            ]
            image[..., 0] = 0
            return image

        return of_heard if self.in_one_map else lambda x, *_: self._of_parts(x[0], ports)[None]

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
        self,
        maps: list[tuple[int, Complex]],
        fields: dict[tuple[int, int], Real],
        top: int | None = None,
    ) -> list[list[Complex]]:
        """Products of real and imaginary part of maps (2, C, A) of each spin, up to an order."""
        threads = self.operator.threads if self.operator.degree >= SHARED else 1
        jobs = [
            partial(
                fine_grid.weighted_product,
                [(s, alm[part]) for s, alm in maps],
                fields,
                degree=self.operator.degree,
                threads=max(1, threads // 2),
                top=top,
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
    threads, degree, levels = operator.threads, operator.degree, _Levels(normal, len(sets))
    if not normal.by_matrices:
        right = _times(normal.heard, sets[0].right) if normal.in_one_map else sets[0].right
        left = np.stack(spin.split(right, threads))[None]
        [(x, rest, steps)] = _iterate(left, normal.by_maps(), partial(_inner, degree=degree), options, levels)
        joined = [spin.join(real, imag, 1, degree, threads) for real, imag in (x, rest)]
        if normal.in_one_map:
            back = normal.heard.conj().swapaxes(1, 2)
            joined = spin.run([partial(_times, back, part) for part in joined], threads)
        return [Solved(joined[0], joined[1], steps)]

    def product(directions: Real, accuracy: Real, level: NDArray[np.intp]) -> Real:
        """As exact as need be where a direction is so much smaller than the first one."""
        images = directions.copy()
        single = accuracy >= SINGLE_ACCURACY
        for exact, which in sorted({*zip((~single).tolist(), level.tolist(), strict=True)}):
            kind: Any = np.float64 if exact else np.float32
            top, end = [*normal.low_orders, (None, None)][which]
            some = np.flatnonzero((single != exact) & (level == which))
            # Of size 1: smaller numbers of single precision lose digits, and take long.
            given = directions[some, :end]
            unit = 2.0 ** np.frexp(np.maximum(given.max(axis=1), -given.min(axis=1)))[1][:, None]
            given = np.multiply(given, 1 / unit, dtype=kind, casting="same_kind")
            field = normal.fields.in_columns(top, kind)
            images[some, :end] = unit * circular.weighted_product(
                given, field, degree=degree, threads=threads
            )
        return images

    left = np.stack([circular.from_maps(_times(one.normal.heard, one.right)) for one in sets])
    found = []
    for one, (x, rest, steps) in zip(sets, _iterate(left, product, _dot, options, levels), strict=True):
        back = one.normal.heard.conj().swapaxes(1, 2)
        maps = [_times(back, circular.to_maps(part, degree)) for part in (x, rest)]
        found.append(Solved(maps[0], maps[1], steps))
    return found


class _Levels:
    """Up to which order to form the product of each set's direction.

    Samples that are even but about the poles, as on a spiral, leave waves of high order as they are: those
    have no part in what is near the poles. What the product before moved those beyond an order by, over what
    its direction had there, tells what leaving them out would do to the next one. The first direction tells
    nothing: it is that of the antenna, those after it are what the poles leave.
    """

    def __init__(self, normal: NormalOperator, count: int) -> None:
        self.ends = [end for _, end in normal.low_orders]
        self.tolerance = normal.operator.tolerance
        self.moved = np.full((count, len(self.ends)), np.inf)
        self.fast = np.ones(count, dtype=bool)

    def beyond(self, x: Any) -> Real:
        """Norm (B, 1 + L) of coefficients (B, ..., A), and of those beyond each order."""
        numbers = x.view(x.real.dtype)
        each = numbers.shape[-1] // x.shape[-1]
        rows = numbers.reshape(len(x), -1, numbers.shape[-1])
        edges = [each * end for end in (0, *self.ends, x.shape[-1])]
        squares = [np.einsum("bri,bri->b", rows[..., a:b], rows[..., a:b]) for a, b in pairwise(edges)]
        return np.asarray(np.sqrt(np.cumsum(squares[::-1], axis=0)[::-1].T))

    def choose(self, beyond: Real, accuracy: Real, active: NDArray[np.intp]) -> NDArray[np.intp]:
        """Index of the lowest level that does for directions, L of none, (B,)."""
        size = beyond[:, :1]
        enough = MARGIN * self.moved[active] * np.maximum(beyond[:, 1:], TINY * size)
        fits = (enough <= accuracy[:, None] * size) & self.fast[active, None]
        return np.where(fits.any(axis=1), fits.argmax(axis=1), len(self.ends))

    def learn(
        self,
        beyond: Real,
        change: Any,
        level: NDArray[np.intp],
        active: NDArray[np.intp],
        fast: NDArray[np.bool_],
    ) -> None:
        """Take in by what products of so many orders changed directions, and whether steps are ``fast``.

        Where one is not, all orders are taken from then on: many directions must be conjugate.
        """
        ratio = self.beyond(change)[:, 1:] / np.maximum(beyond[:, 1:], TINY * beyond[:, :1])
        formed = np.arange(len(self.ends)) < level[:, None]
        self.moved[active] = np.where(formed, ratio, self.moved[active])
        self.fast[active] &= fast


def _dot(a: Real, b: Real) -> float:
    return float(np.einsum("i,i->", a, b))


def _times(matrix: Complex, packed: Complex) -> Complex:
    """Packed product of a matrix (N, 2, 2) of each degree."""
    return apply_by_degree(matrix, packed, spin.packed_numbers(spin.degree_of_packed(packed))[1])


def _iterate(
    left: Any,
    product: Product,
    inner: Callable[[Any, Any], float],
    options: Sequence[tuple[float, int, float]],
    levels: _Levels,
) -> list[tuple[Any, Any, int]]:
    """Solution, what is left of the right-hand side and steps of each set ``left`` (B, ...).

    ``options`` are target, most steps and damping of each.
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
        # As `methods.conjugate_gradients` has it.
        accuracy, level = levels.tolerance * np.sqrt(first / size), np.full(len(left), len(levels.ends))
        later = bool(levels.ends and steps.any() and levels.fast[active].any())
        if later:
            beyond = levels.beyond(direction)
            level = levels.choose(beyond, accuracy, active)
        image = product(direction, accuracy, level)
        change = image - direction if later else None
        if damping.any():
            image += column(damping**2) * direction
        bend = inners(direction, image)
        stuck = ~(bend > 0)  # beneath rounding
        length = np.where(stuck, 0, size / np.where(stuck, 1, bend))
        x += column(length) * direction
        image *= column(length)
        left -= image
        before, size = size, inners(left, left)
        if change is not None:
            fast = size < FAST**2 * before
            levels.learn(beyond, change, level, active, fast)
        direction *= column(size / before)
        direction += left
        steps += ~stuck


def _inner(a: Complex, b: Complex, degree: int) -> float:
    """Real part of the inner product of packed coefficients, without BLAS: its threads are in the way."""
    flat = (np.ascontiguousarray(x).ravel().view(float) for x in (a, b))
    first = np.sum(a[..., : degree + 1].real * b[..., : degree + 1].real)
    return float(2 * np.einsum("i,i->", *flat) - first)
