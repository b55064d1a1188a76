"""The three ways from the responses of one frequency to modes: quadrature, iteration, dense."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import mode_count, wavenumber
from nf2ff.kernel import spin
from nf2ff.kernel.rotation import rotation_coefficients
from nf2ff.measurement.probe import Probe, response_constants
from nf2ff.messages.input_error import InputError
from nf2ff.solver.positions import Geometry, check_port
from nf2ff.solver.regular_grid import GridScan
from nf2ff.solver.response import spin_constants
from nf2ff.solver.self_check import check_adjoint, check_analysis, check_points, check_rings
from nf2ff.solver.transmission import TransmissionOperator, attained

Complex = NDArray[Any]

#: Least and largest number of rings on which the residual of a quadrature is formed, one in twenty
#: between: all of them would cost as much as the solution itself.
RESIDUAL_RINGS = (8, 16)


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
    """

    coefficients: NDArray[np.complex128]
    residual: float
    iterations: int
    converged: bool
    unevenness: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class QuadratureMatrix:
    """From coefficients of the maps of a grid to modes, degree by degree.

    Parameters
    ----------
    inverse : (N, 2, C) ndarray
        From the coefficients of all maps (for each spin one, or gradient and curl) to (Q_1, Q_2).
    forward : (N, C, 2) ndarray or None
        The other way; None where that says nothing new, the maps being as many as the modes.
    """

    inverse: NDArray[np.complex128]
    forward: NDArray[np.complex128] | None


def quadrature_matrix(
    probe: Probe,
    *,
    port: int = 1,
    frequency: float,
    radius: float,
    degree: int,
    spins: tuple[int, ...] = (1,),
) -> QuadratureMatrix:
    """Least squares over all maps, for each degree; waves far above kA get zero.

    Raises
    ------
    ValueError
        If the probe has azimuthal orders other than +-``spins``.
    """
    constants = response_constants(probe, frequency=frequency, radius=radius, degree=degree)
    matrices = spin_constants(constants[port - 1])
    if not {s for s, _ in matrices} <= set(spins):
        raise InputError(
            f"the probe has the azimuthal orders {[s for s, _ in matrices]}, the maps are of {list(spins)}",
            "use LeastSquares",
            option="--method least-squares",
        )
    k = float(wavenumber(frequency))
    scale = np.exp(-1j * k * radius) / (k * radius)
    found = {s: matrix[0] * scale for s, matrix in matrices}
    rows = [found.get(s, np.zeros((degree, 1 if s == 0 else 2, 2))) for s in spins]
    forward = np.concatenate(rows, axis=1)
    finite = np.isfinite(forward).all(axis=(1, 2))
    # Waves far above kA: their response exceeds any number, so what was measured of them is none.
    forward[~finite] = np.eye(forward.shape[1], 2)
    if forward.shape[1] == 2:
        inverse = np.linalg.inv(forward)
        inverse[~finite] = 0
        return QuadratureMatrix(inverse, None)
    inverse = np.linalg.pinv(forward)
    forward[~finite] = 0
    inverse[~finite] = 0
    return QuadratureMatrix(inverse, forward)


def by_quadrature(
    scan: GridScan,
    response: NDArray[np.complex128],
    matrix: QuadratureMatrix,
    *,
    threads: int,
    verify: bool = False,
) -> Estimate:
    """Non-iterative solution on a full grid.

    Parameters
    ----------
    scan : GridScan
        The grid.
    response : (M,) ndarray
        Responses of one frequency.
    matrix : QuadratureMatrix
        For the spins of the grid.
    threads : int
        Threads.
    verify : bool
        Compare the transforms with direct sums.

    Raises
    ------
    WrongTransformError
        If they differ.

    Notes
    -----
    The residual is that of the maps on some rings; where several maps tell of the same modes, what
    they contradict each other in is added.
    """
    inverse = matrix.inverse
    degree = inverse.shape[0]
    grid = scan.grid
    maps = scan.maps(response)
    count = grid.theta.size
    rings = np.unique(
        np.linspace(0, count - 1, min(count, int(np.clip(count // 20, *RESIDUAL_RINGS)))).round()
    ).astype(int)
    parts = []
    missed = measured_power = fourth = 0.0
    looked = 0
    at = 0
    for s in scan.spins:
        own = maps[at : at + (1 if s == 0 else 2)]
        at += len(own)
        measured = own[:, rings]
        if s <= degree:
            part, model = spin.grid_analysis(
                own,
                spin=s,
                degree=degree,
                rule=grid.rule,
                phi0=float(grid.phi[0]),
                threads=threads,
                check=grid.theta[rings],
            )
            if verify and s in (scan.spins[0], scan.spins[-1]):
                check_rings(part, model, s=s, theta=grid.theta[rings], phi0=float(grid.phi[0]))
                check_analysis(s=s, degree=degree, rule=grid.rule, count=count)
        else:  # no wave of so low a degree is received in that order
            part = np.zeros((len(own), degree * (degree + 2)), dtype=complex)
            model = np.zeros_like(measured)
        model -= measured
        missed += _norm(model) ** 2
        fourth += float(np.sum(np.square(np.square(np.abs(model)))))
        looked += model.size
        measured_power += _norm(measured) ** 2
        parts.append(part)
    found = parts[0] if len(parts) == 1 else np.concatenate(parts)
    residual = _ratio(np.sqrt(missed), np.sqrt(measured_power))
    q = np.empty((found.shape[1], 2), dtype=complex)
    orders = 2 * np.arange(1, degree + 1) + 1

    def assemble(s: int) -> None:
        present = [c for c in range(len(found)) if inverse[:, s, c].any()]
        if not present:
            q[:, s] = 0
        for c in present:
            factor = np.repeat(inverse[:, s, c], orders)
            if c == present[0]:
                np.multiply(found[c], factor, out=q[:, s])
            else:
                q[:, s] += found[c] * factor

    spin.run([partial(assemble, s) for s in (0, 1)], spin.sharing(degree, threads))
    if matrix.forward is not None:
        again = np.einsum("jcs,js->cj", np.repeat(matrix.forward, orders, axis=0), q)
        seen = np.repeat(matrix.forward.any(axis=(1, 2)), orders)
        contradiction = _ratio(_norm((again - found)[:, seen]), _norm(found[:, seen]))
        residual = float(np.hypot(residual, contradiction))
    return Estimate(q.ravel(), residual, 0, True, _ratio(fourth * looked, missed**2))


def _norm(x: NDArray[Any]) -> float:
    # Not BLAS: its threads stand in the way of ours.
    flat = np.ascontiguousarray(x).ravel().view(float)
    return float(np.sqrt(np.einsum("i,i->", flat, flat)))


def _unevenness(left: NDArray[Any]) -> float:
    square = np.square(left.real) + np.square(left.imag)
    return _ratio(np.mean(np.square(square)), np.mean(square) ** 2)


def _ratio(part: Any, whole: Any) -> float:
    return float(part / whole) if whole > 0 else 0.0


#: How far the remainder carried along may be from that of the solution, relative to the sum of
#: what its products were allowed to be wrong by.
DRIFT = 10.0
#: Times that the iteration begins again, with the accuracy of its first step throughout, where the
#: two differ by more.
RESTARTS = 2


def by_conjugate_gradients(
    operator: TransmissionOperator,
    response: NDArray[np.complex128],
    *,
    weights: NDArray[np.float64],
    rtol: float,
    max_iterations: int,
    damping: float,
    start: NDArray[np.complex128] | None = None,
    verify: bool = False,
) -> tuple[Estimate, Complex]:
    """Conjugate gradients on the weighted, damped normal equations (CGLS).

    Minimises sum_i weights_i |w_i - (A x)_i|^2 + damping^2 |x|^2 until the gradient has fallen
    by ``rtol``. Then the remainder carried along is compared with that of the solution: where they
    differ by more than the products' accuracy explains, the iteration begins again from there, and
    has not converged if they still differ in the end.

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
        Compare the transforms with direct sums.

    Returns
    -------
    estimate : Estimate
        Its residual is unweighted, and that of the solution itself.
    x : ndarray
        Packed coefficients.

    Raises
    ------
    WrongTransformError
        If the transforms differ from direct sums.

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
    target = rtol * _norm(gradient)
    remainder = response.copy()
    if start is None:
        x = np.zeros_like(gradient)
    else:
        x = start / unit
        remainder -= operator.forward_ordered(x)
        gradient = operator.adjoint_ordered(weights * remainder)
        gradient -= damping**2 * x
    direction = gradient.copy()
    size = _norm(gradient) ** 2
    first = max(size, np.finfo(float).tiny)
    # What the products may be wrong by in all, in the norm of the weighted remainder.
    allowed = attained(operator.tolerance) * np.sqrt(_square(response, weights))
    steps = restarts = 0
    agrees = True
    while size > target**2 and steps < max_iterations:
        while size > target**2 and steps < max_iterations:
            # The nearer the solution, the smaller what a product still adds to it, and the less
            # exact it need be (Simoncini & Szyld, SIAM J. Sci. Comput. 25(2), 2003, from memory).
            # That holds for products with the direction only: the gradient is therefore updated
            # rather than formed anew from the remainder, which noise keeps large.
            loss = 1 if restarts else max(1, np.sqrt(first / size))
            accuracy = operator.tolerance * loss
            image = operator.forward_ordered(direction, accuracy=accuracy)
            spread = _square(image, weights)
            if verify and steps == 0:
                check_adjoint(
                    complex(np.vdot(weights * remainder, image)),
                    complex(size + damping**2 * np.vdot(x, direction)),
                    np.sqrt(spread * _square(remainder, weights)),
                    accuracy=operator.tolerance,
                )
            curvature = spread + damping**2 * _norm(direction) ** 2
            length = size / curvature
            allowed += attained(accuracy) * np.sqrt(length * size)
            x += length * direction
            image *= length
            remainder -= image
            image *= weights
            gradient -= operator.adjoint_ordered(image, accuracy=accuracy)
            if damping:
                gradient -= (damping**2 * length) * direction
            before, size = size, _norm(gradient) ** 2
            direction *= size / before
            direction += gradient
            steps += 1
        # Once, with all its accuracy: what the solution leaves indeed.
        truth = response - operator.forward_ordered(x)
        if verify:
            check_points(operator, x, response - truth)
        remainder -= truth
        agrees = bool(np.sqrt(_square(remainder, weights)) <= DRIFT * allowed)
        remainder = truth
        if agrees or restarts == RESTARTS or steps == max_iterations:
            break
        gradient = operator.adjoint_ordered(weights * remainder)
        gradient -= damping**2 * x
        direction = gradient.copy()
        size = _norm(gradient) ** 2
        agrees = bool(size <= target**2)
        restarts += 1
    x *= unit
    residual = _ratio(_norm(remainder), _norm(response))
    converged = agrees and bool(size <= target**2)
    return Estimate(operator.to_modes(x), residual, steps, converged, _unevenness(remainder)), x


def normal_solution(
    operator: TransmissionOperator,
    right: Complex,
    *,
    weights: NDArray[np.float64],
    rtol: float,
    max_iterations: int,
) -> Complex:
    """Packed (A^H W A)^-1 right, by conjugate gradients: what the adjoint of a solution needs.

    Parameters
    ----------
    operator : TransmissionOperator
        A.
    right : ndarray
        Packed coefficients.
    weights : (M,) ndarray
        W.
    rtol, max_iterations
        As in ``LeastSquares``.
    """
    if operator.order is not None:
        weights = weights[operator.order]
    x = np.zeros_like(right)
    gradient = right.copy()
    direction = gradient.copy()
    size = first = _norm(gradient) ** 2
    for _ in range(max_iterations):
        if size <= rtol**2 * first:
            break
        image = operator.forward_ordered(direction)
        length = size / _square(image, weights)
        x += length * direction
        image *= weights
        gradient -= length * operator.adjoint_ordered(image)
        before, size = size, _norm(gradient) ** 2
        direction *= size / before
        direction += gradient
    return x


def _square(x: NDArray[np.complex128], weights: NDArray[np.float64]) -> float:
    """Sum of weights |x|^2."""
    parts = (x.real, x.imag)
    return float(sum(np.einsum("i,i,i->", weights, part, part) for part in parts))


def area_weights(geometry: tuple[Geometry, ...], *, degree: int, threads: int) -> NDArray[np.float64]:
    """Solid angle that each sample stands for, (M,) [sr], from the density of the positions.

    They add up to 8 pi, 4 pi for each of two polarisations. With them the normal equations of an
    uneven sample set are nearly as well conditioned as those of an even one.
    """
    location = np.concatenate([g.location for g in geometry])
    counts = np.concatenate([g.multiplicity() for g in geometry])
    density = spin.point_density(location, counts, degree=degree, threads=threads)
    # The smoothed density of impulses can come out near zero only by rounding.
    area = 1 / np.maximum(density, 1e-6 * density.max())
    weights = np.empty(sum(g.count for g in geometry))
    start = 0
    for g in geometry:
        weights[g.rows] = g.spread(area[start : start + g.radius.size])
        start += g.radius.size
    weights *= 8 * np.pi / weights.sum()
    return weights


def dense_matrix(
    geometry: tuple[Geometry, ...], probe: Probe, *, frequency: float, degree: int
) -> NDArray[np.complex128]:
    """The whole transmission matrix (M, J), summed as the formula stands, without fast transforms.

    The oracle of the fast operator: rotation coefficients by their own recurrence.
    """
    for g in geometry:
        check_port(g.port, probe)
    k = float(wavenumber(frequency))
    count = sum(g.count for g in geometry)
    matrix = np.zeros((count, mode_count(degree)), dtype=complex)
    n = np.repeat(np.arange(1, degree + 1), 2 * np.arange(1, degree + 1) + 1)
    m = np.arange(n.size) + 1 - n * (n + 1)
    for g in geometry:
        radius, which = np.unique(g.radius, return_inverse=True)
        constants = response_constants(probe, frequency=frequency, radius=radius, degree=degree)
        constants = constants[g.port - 1] * (np.exp(-1j * k * radius) / (k * radius))[:, None, None, None]
        top = constants.shape[1] // 2
        turn = np.exp(1j * np.outer(g.location[:, 1], m))
        position = g.spread(np.arange(g.radius.size))
        chi = (
            g.chi
            if g.position is not None
            else np.broadcast_to(g.chi, (g.chi.shape[0], g.radius.size)).ravel()
        )
        rows = np.zeros((g.count, n.size, 2), dtype=complex)
        for mu in range(-top, top + 1):
            p = constants[:, top + mu]
            if p.any():
                d = rotation_coefficients(degree, g.location[:, 0], mu=mu) * turn
                term = (d[:, :, None] * p[which][:, n - 1])[position]
                rows += term * np.exp(1j * mu * chi)[:, None, None]
        matrix[g.rows] = rows.reshape(g.count, -1)
    return matrix


def by_dense_matrix(matrix: NDArray[np.complex128], response: NDArray[np.complex128]) -> Estimate:
    """Least squares with the dense matrix, columns scaled to equal norm."""
    norm = np.linalg.norm(matrix, axis=0)
    norm[norm == 0] = 1
    scaled, *_ = np.linalg.lstsq(matrix / norm, response, rcond=None)
    residual = response - (matrix / norm) @ scaled
    return Estimate(
        scaled / norm,
        _ratio(np.linalg.norm(residual), np.linalg.norm(response)),
        0,
        True,
        _unevenness(residual),
    )
