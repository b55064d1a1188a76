"""Quadrature on a full grid: one exact analysis, then a matrix for each degree."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import wavenumber
from nf2ff.kernel import spin
from nf2ff.kernel.arrays import norm, ratio
from nf2ff.kernel.by_degree import apply_by_degree, in_order, packed_modes
from nf2ff.kernel.grid_analysis import grid_analysis, orders_on_rings, room
from nf2ff.measurement.probe import Probe, response_constants
from nf2ff.messages.input_error import InputError
from nf2ff.solver.methods import Estimate
from nf2ff.solver.model_agreement import RESIDUAL
from nf2ff.solver.regular_grid import GridScan
from nf2ff.solver.response import spin_constants
from nf2ff.solver.transform_check import check_analysis, check_rings, largest_order

#: Least and largest number of rings on which the residual of a quadrature is formed, one in twenty
#: between: all of them would cost as much as the solution itself.
RESIDUAL_RINGS = (8, 16)
#: Part of the power that the coefficients leave up to which a few azimuthal orders on these rings tell it
#: well enough, half of the residual from which more is asked, and how many.
LITTLE, FEW = (RESIDUAL / 2) ** 2, 32
#: Part from which it is known by what less power the coefficients have: a hundred times the rounding.
KNOWN = 1e-12


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


@lru_cache(maxsize=4)
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

    A probe of azimuthal orders other than +-``spins`` is refused.
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
    """Solution for responses (M,) of one frequency on a full grid, by a matrix for its spins.

    The residual is that of the maps on some rings; where several maps tell of the same modes, what
    they contradict each other in is added. ``verify`` compares the transforms with direct sums and
    raises `WrongTransformError` if they differ.
    """
    inverse = matrix.inverse
    degree = inverse.shape[0]
    grid = scan.grid
    maps = scan.maps(response)
    count, columns = maps.shape[1:]
    rings = np.unique(
        np.linspace(0, count - 1, min(count, int(np.clip(count // 20, *RESIDUAL_RINGS)))).round()
    ).astype(int)
    theta, phi0 = grid.theta[rings], float(grid.phi[0])
    found = room("coefficients", (2, len(maps), (degree + 1) * (degree + 2) // 2))
    missed = least = measured_power = fourth = 0.0
    looked = 0
    at = 0
    for s in scan.spins:
        part = slice(at, at + (1 if s == 0 else 2))
        own, at = maps[part], part.stop
        measured = own[:, rings]
        power = norm(measured) ** 2
        left = np.fft.fft(measured, norm="forward")
        whole, lost = True, 0.0
        if s <= degree:
            packed, lost = grid_analysis(
                own, spin=s, degree=degree, rule=grid.rule, phi0=phi0, threads=threads, out=found[:, part]
            )
            options = {"spin": s, "theta": theta, "phi0": phi0, "columns": columns, "threads": threads}
            seen, whole = left, not lost < LITTLE
            if not whole:
                orders, share = _few(degree, s, tuple(theta.tolist()), columns)
                model = orders_on_rings(packed, orders=orders, **options)
                left = seen - model
                left *= share
                whole = columns * norm(left) ** 2 > LITTLE * power
            if whole:
                orders = np.arange(-degree, degree + 1)
                model = orders_on_rings(packed, orders=orders, **options)
                left = seen - model
            if verify and s in (scan.spins[0], scan.spins[-1]):
                level = model if whole else seen
                check_rings(packed, model, s=s, theta=theta, phi0=phi0, orders=orders, level=level)
                check_analysis(s=s, degree=degree, rule=grid.rule, count=count)
        else:  # no wave of so low a degree is received in that order
            found[:, part] = 0
        missed += columns * norm(left) ** 2
        least += lost * power if lost > KNOWN else 0.0
        measured_power += power
        looked += left.size
        if whole:
            left = np.fft.ifft(left, norm="forward")
            fourth += float(np.sum(np.square(np.square(np.abs(left)))))
    residual = ratio(np.sqrt(max(missed, least)), np.sqrt(measured_power))
    q = packed_modes(inverse, found, room("maps", (2, found.shape[2], 2)), threads=threads)
    if matrix.forward is not None:
        n = spin.packed_numbers(degree)[1]
        again = apply_by_degree(matrix.forward, q.swapaxes(1, 2), n)
        seen = (n > 0) & np.any(matrix.forward != 0, axis=(1, 2)).take(np.maximum(n - 1, 0))
        contradiction = ratio(norm((again - found)[..., seen]), norm(found[..., seen]))
        residual = float(np.hypot(residual, contradiction))
    return Estimate(in_order(q), residual, 0, True, ratio(fourth * looked, missed**2))


@lru_cache(maxsize=4)
def _few(
    degree: int, spin: int, theta: tuple[float, ...], columns: int
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """A few azimuthal orders, and what all of a transform count for on rings, (R, P).

    All that are heard on the outermost rings, and some others, at equal steps, for all others. Orders that
    are not heard on a ring count too: there the model is zero.
    """
    heard = np.array([largest_order(degree, t, spin) for t in theta])
    low = int(heard.min())
    steps = np.linspace(-degree, degree, FEW).round().astype(int)
    steps = steps[np.abs(steps) > low]
    m = np.minimum(np.arange(columns), columns - np.arange(columns))
    hidden = (m > low) & (m <= heard[:, None])
    some = np.zeros(columns, dtype=bool)
    some[steps] = True
    stands_for = hidden.sum(axis=1) / np.maximum(1, (hidden & some).sum(axis=1))
    share = np.where(hidden, some * np.sqrt(stands_for)[:, None], 1.0)
    orders = np.concatenate([np.arange(-low, low + 1), steps])
    orders.flags.writeable = share.flags.writeable = False
    return orders, share
