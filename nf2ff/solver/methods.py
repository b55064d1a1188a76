"""Least squares from the responses of one frequency to modes: by iteration, and by a dense matrix."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel import spin
from nf2ff.kernel.arrays import inner, norm, ratio
from nf2ff.solver.dense import Factor
from nf2ff.solver.normal import Equations, NormalOperator, Solved, solve_together
from nf2ff.solver.normal_fields import Fields
from nf2ff.solver.positions import Geometry
from nf2ff.solver.transform_check import check_adjoint, check_points
from nf2ff.solver.transmission import TransmissionOperator, attained

Real = NDArray[np.float64]

Complex = NDArray[Any]


@dataclass(frozen=True, slots=True, eq=False)
class Estimate:
    """Modes of one frequency, and how they were reached.

    Parameters
    ----------
    coefficients : (J,) ndarray
        Q [sqrt(W)].
    residual : float
        Norm of (responses - model) over norm of responses.
    iterations : int
        Steps taken, 0 for a method without any.
    converged : bool
        Whether the tolerance was reached.
    unevenness : float
        Mean fourth power of (responses - model) over the square of its mean square: 2 of complex
        noise that is alike everywhere (closed form), more where few samples make the residual.
    factorised : bool
        Whether the iteration stalled, and a dense factorisation solved in its place.
    """

    coefficients: NDArray[np.complex128]
    residual: float
    iterations: int
    converged: bool
    unevenness: float = 0.0
    factorised: bool = False


def unevenness(left: NDArray[Any]) -> float:
    """Mean fourth power of what is left over the square of its mean square."""
    square = np.square(left.real) + np.square(left.imag)
    return ratio(np.mean(np.square(square)), np.mean(square) ** 2)


def _square(x: NDArray[np.complex128], weights: Real) -> float:
    """Sum of weights |x|^2."""
    parts = (x.real, x.imag)
    return float(sum(np.einsum("i,i,i->", weights, part, part) for part in parts))


#: How far the remainder carried along may be from that of the solution, relative to the sum of
#: what its products were allowed to be wrong by.
DRIFT = 10.0
#: Times that the iteration begins again, with the accuracy of its first step throughout, where the
#: two differ by more.
RESTARTS = 2


#: By how much less than in any step so far the gradient is foreseen to fall in the next one (measured with
#: positions that err: up to 1.7, since what is left is what falls slowly).
SLOWER = 2.0


#: A solution under way: it yields what is to be solved on the grid, is sent what came of it, and returns what
#: `by_conjugate_gradients` does.
Underway = Generator[Equations, Solved, tuple[Estimate, Complex]]


def run_together(underway: Iterable[Underway]) -> list[tuple[Estimate, Complex]]:
    """Results of solutions under way, side by side; each as it would be alone."""
    runs = list(underway)
    found: dict[int, tuple[Estimate, Complex]] = {}
    answers: dict[int, Solved | None] = dict.fromkeys(range(len(runs)))
    while answers:
        asked = {}
        for i, answer in answers.items():
            try:
                asked[i] = next(runs[i]) if answer is None else runs[i].send(answer)
            except StopIteration as end:
                found[i] = end.value
        answers = dict(zip(asked, solve_together(list(asked.values())), strict=True))
    return [found[i] for i in range(len(runs))]


def by_conjugate_gradients(
    operator: TransmissionOperator, response: NDArray[np.complex128], **options: Any
) -> tuple[Estimate, Complex]:
    """Result of `conjugate_gradients`, which tells of the parameters."""
    return run_together([conjugate_gradients(operator, response, **options)])[0]


def conjugate_gradients(
    operator: TransmissionOperator,
    response: NDArray[np.complex128],
    *,
    weights: Real,
    rtol: float,
    max_iterations: int,
    damping: float,
    start: NDArray[np.complex128] | None = None,
    verify: bool = False,
    fields: Fields | None = None,
    judged: bool = True,
) -> Underway:
    """Conjugate gradients on the weighted, damped normal equations (CGLS).

    Minimises sum_i weights_i |w_i - (A x)_i|^2 + damping^2 |x|^2 until the gradient has fallen
    by ``rtol``. Then what was carried along, the remainder or the gradient, is compared with that of
    the solution: where they differ by more than the products' accuracy explains, the iteration begins
    again from there, and has not converged if they still differ in the end.

    Parameters
    ----------
    operator : TransmissionOperator
        A.
    response : (M,) ndarray
        w.
    weights : (M,) ndarray
        Weights of the samples, summing to about 4 pi for each polarisation.
    rtol, max_iterations, damping
        As in ``LeastSquares``.
    start : ndarray, optional
        Packed coefficients to begin with.
    verify : bool
        Compare the transforms with direct sums; `WrongTransformError` if they differ.
    fields : Fields, optional
        From `normal_fields.grid_fields` for these weights: the iteration then never goes to the samples.
    judged : bool
        Whether to form the residual, and to compare; without, it and the unevenness are NaN.

    Returns
    -------
    estimate : Estimate
        Its residual is unweighted, and that of the solution itself.
    x : ndarray
        Packed coefficients.

    References
    ----------
    A. Bjorck, Numerical Methods for Least Squares Problems, SIAM 1996, algorithm 7.4.1.
    """
    if operator.order is not None:
        response, weights = response[operator.order], weights[operator.order]
    # Products of little accuracy are in single precision, whose range is small. A power of two
    # changes no digit.
    unit = 2.0 ** np.frexp(np.abs(response).max(initial=0))[1]
    response = response / unit
    gradient = operator.adjoint_ordered(weights * response)
    target = rtol * norm(gradient)
    remainder = response.copy()
    if start is None:
        x = np.zeros_like(gradient)
    else:
        x = start / unit
        remainder -= operator.forward_ordered(x)
        gradient = operator.adjoint_ordered(weights * remainder) - damping**2 * x
    size = norm(gradient) ** 2
    first = max(size, np.finfo(float).tiny)
    # What the products may be wrong by in all, in the norm of the weighted remainder.
    allowed = attained(operator.tolerance) * np.sqrt(_square(response, weights)) if judged else 0.0
    steps = restarts = 0
    agrees = True

    def accuracy(size: float) -> float:
        # The nearer the solution, the smaller what a product still adds to it, and the less
        # exact it need be (Simoncini & Szyld, SIAM J. Sci. Comput. 25(2), 2003, from memory).
        # That holds for products with the direction only: the gradient is therefore updated
        # rather than formed anew from the remainder, which noise keeps large.
        return operator.tolerance * (1 if restarts else max(1, np.sqrt(first / size)))

    right = gradient
    while size > target**2 and steps < max_iterations:
        if fields is None:
            for step in _steps(
                operator,
                gradient,
                weights,
                target,
                max_iterations - steps,
                damping=damping,
                accuracy=accuracy,
            ):
                if verify and steps == 0:
                    check_adjoint(
                        inner(weights * remainder, step.image),
                        complex(step.length * (step.size + damping**2 * inner(x, step.direction))),
                        max(np.sqrt(_square(step.image, weights)), abs(step.length) * norm(step.direction))
                        * np.sqrt(_square(remainder, weights)),
                        accuracy=operator.tolerance,
                    )
                allowed += attained(step.accuracy) * np.sqrt(step.length * step.size)
                x += step.length * step.direction
                remainder -= step.image
                steps += 1
        else:
            normal = NormalOperator(operator, fields)
            solved = yield Equations(normal, gradient, target, max_iterations - steps, damping)
            x += solved.x
            gradient = solved.gradient
            steps += solved.steps
        size = norm(gradient) ** 2
        if not judged:
            break
        # Once, with all its accuracy: what the solution leaves indeed.
        image = operator.forward_ordered(x)
        truth = response - image
        checks: list[Callable[[], None]] = [partial(check_points, operator, x, image)] if verify else []
        if verify and fields is not None and start is None and not restarts:
            given = (right, gradient, x, image, response, weights, damping, operator.tolerance)
            checks.append(partial(_check_normal, *given))
        spin.run(checks, operator.threads)
        if fields is None:
            remainder -= truth
            agrees = bool(np.sqrt(_square(remainder, weights)) <= DRIFT * allowed)
        else:
            # What the solution leaves must be across its own image, but for the damping.
            along = inner(image, weights * truth) - inner(x, damping**2 * x + gradient)
            agrees = abs(along) <= DRIFT * allowed * np.sqrt(_square(image, weights))
        remainder = truth
        if agrees or restarts == RESTARTS or steps == max_iterations:
            break
        gradient = operator.adjoint_ordered(weights * remainder) - damping**2 * x
        size = norm(gradient) ** 2
        agrees = bool(size <= target**2)
        restarts += 1
    x *= unit
    converged = agrees and bool(size <= target**2)
    said = (ratio(norm(remainder), norm(response)), unevenness(remainder)) if judged else (np.nan, np.nan)
    return Estimate(operator.to_modes(x), said[0], steps, converged, said[1]), x


def by_factor(factor: Factor, response: NDArray[np.complex128], *, iterations: int) -> Estimate:
    """Solution by a factorisation for responses (M,), after so many steps of an iteration."""
    operator = factor.operator
    if operator.order is not None:
        response = response[operator.order]
    x, left, converged = factor.solve(response)
    return Estimate(
        operator.to_modes(x),
        ratio(norm(left), norm(response)),
        iterations,
        converged,
        unevenness(left),
        factorised=True,
    )


def _check_normal(
    right: Complex,
    gradient: Complex,
    x: Complex,
    image: Complex,
    response: Complex,
    weights: Real,
    damping: float,
    accuracy: float,
) -> None:
    """Compare <A x, W w> with <x, A^H W w> (``right``), and |A x|^2 with what was carried along of it."""
    square, size = _square(image, weights), _square(response, weights)
    # Products err by a part of |x|, of which little may reach the samples where they are few.
    reach = max(np.sqrt(square), norm(x))
    along = inner(x, right)
    check_adjoint(inner(image, weights * response), along, reach * np.sqrt(size), accuracy=accuracy)
    carried = along - inner(x, gradient + damping**2 * x)
    check_adjoint(complex(square), carried, reach * max(reach, np.sqrt(size)), accuracy=accuracy)


class _Step(NamedTuple):
    """``length`` times ``direction``, its image under A, and what the gradient was squared."""

    length: float
    direction: Complex
    image: Complex
    size: float
    accuracy: float


def _steps(
    operator: TransmissionOperator,
    gradient: Complex,
    weights: Real,
    target: float,
    most: int,
    *,
    damping: float = 0.0,
    accuracy: Callable[[float], float] | None = None,
    foreseen: bool = False,
) -> Iterator[_Step]:
    """Steps of conjugate gradients on A^H W A + damping^2 until the norm of ``gradient``, which
    follows them in place, falls to ``target``.

    If ``foreseen``, the last step is as long as the one before where the gradient would fall to the target
    even if it fell `SLOWER` than in any step so far: that takes no product. One step alone does not tell:
    it may take nearly all, and leave what falls slowly.
    """
    direction = gradient.copy()
    size = norm(gradient) ** 2
    length = slowest = 0.0
    for step in range(most):
        if size <= target**2:
            return
        if foreseen and step > 1 and SLOWER * slowest * np.sqrt(size) <= target:
            yield _Step(length, direction, np.zeros(0), size, 0.0)
            return
        epsilon = operator.tolerance if accuracy is None else accuracy(size)
        image = operator.forward_ordered(direction, accuracy=epsilon)
        length = size / (_square(image, weights) + damping**2 * norm(direction) ** 2)
        image *= length
        yield _Step(length, direction, image, size, epsilon)
        image *= weights
        gradient -= operator.adjoint_ordered(image, accuracy=epsilon)
        if damping:
            gradient -= (damping**2 * length) * direction
        before, size = size, norm(gradient) ** 2
        slowest = max(slowest, float(np.sqrt(size / before)))
        direction *= size / before
        direction += gradient


def normal_solution(
    operator: TransmissionOperator,
    right: Complex,
    *,
    weights: Real,
    rtol: float,
    max_iterations: int,
    fields: Fields | None = None,
    foreseen: bool = False,
) -> Complex:
    """Packed (A^H W A)^-1 ``right``, which the adjoint of a solution needs; as `by_conjugate_gradients`.

    If ``foreseen``, products are no more exact than need be, and the last step is `_steps`' guess.
    """
    if fields is not None:
        target = rtol * norm(right)
        return NormalOperator(operator, fields).solve(right, target=target, most=max_iterations).x
    if operator.order is not None:
        weights = weights[operator.order]
    x, first = np.zeros_like(right), norm(right)

    def accuracy(size: float) -> float:
        return operator.tolerance * (max(1.0, first / np.sqrt(size)) if foreseen else 1.0)

    given = (operator, right.copy(), weights, rtol * first, max_iterations)
    for step in _steps(*given, accuracy=accuracy, foreseen=foreseen):
        x += step.length * step.direction
    return x


def area_weights(geometry: tuple[Geometry, ...], *, degree: int, threads: int) -> Real:
    """Solid angle that each sample stands for, (M,) [sr], from the density of the positions.

    They add up to 8 pi, 4 pi for each of two polarisations. With them the normal equations of an
    uneven sample set are nearly as well conditioned as those of an even one.
    """
    location = geometry[0].aside if len(geometry) == 1 else np.concatenate([g.aside for g in geometry])
    counts = np.concatenate([g.multiplicity() for g in geometry])
    density = spin.point_density(location, counts, degree=degree, threads=threads, moved=True)
    # The smoothed density of impulses can come out near zero only by rounding.
    area = 1 / np.maximum(density, 1e-6 * density.max())
    weights = np.empty(sum(g.count for g in geometry))
    start = 0
    for g in geometry:
        weights[g.rows] = g.spread(area[start : start + g.radius.size])
        start += g.radius.size
    weights *= 8 * np.pi / weights.sum()
    return weights
