"""Least squares on spirals against the library's own iteration on the same points.

Run as ``python benchmarks/any_points.py [DEGREE ...]``. First table: solution of random modes on
the equal-area and the constant-rate spiral, two polarisations at each position, against ducc0's
`pseudo_analysis_general` at equal coefficient error, called once for the real and once for the
imaginary part with two threads. Second table: cost over degree, and the exponent between rows.
Third: a dense least-squares solution at degree 30.
"""

from __future__ import annotations

import sys
import time

import ducc0
import numpy as np
from measure import best_time, peak_memory

import nf2ff
from nf2ff.antenna import fields
from nf2ff.antenna.modes import SPEED_OF_LIGHT, WAVE_IMPEDANCE, mode_count
from nf2ff.antenna.points import PointSet, constant_rate_spiral_for_degree, equal_area_spiral_for_degree
from nf2ff.kernel import sphere, spin
from nf2ff.kernel.radial import radial_functions
from nf2ff.solver import methods
from nf2ff.solver.positions import plan_geometry

SPIRALS = {"equal-area": equal_area_spiral_for_degree, "constant-rate": constant_rate_spiral_for_degree}
EPSILON = 1e-12


def random_scan(degree: int, points: PointSet) -> tuple[nf2ff.Samples, np.ndarray, np.ndarray]:
    """Samples of random modes at one radius, the modes, and the two maps (2, P)."""
    rng = np.random.default_rng(degree)
    k = 2 * np.pi
    radius = (1.1 * degree + 30) / k
    q = rng.standard_normal(mode_count(degree)) + 1j * rng.standard_normal(mode_count(degree))
    g1, g2 = radial_functions(degree, k * radius)
    scale = k * np.sqrt(WAVE_IMPEDANCE) * np.exp(-1j * k * radius) / (k * radius)
    packed = fields.tangential_coefficients(q, scale * g1, scale * g2)
    theta, phi, _ = sphere.canonical_angles(points.theta, points.phi)
    location = np.stack([theta, phi], axis=1)
    maps = spin.point_synthesis(packed, spin=1, location=location, epsilon=EPSILON, threads=2)
    samples = nf2ff.Samples(
        [SPEED_OF_LIGHT],
        np.tile(theta, 2),
        np.tile(phi, 2),
        np.repeat([0, np.pi / 2], theta.size),
        radius,
        1,
        maps.reshape(1, -1),
    )
    return samples, q, maps


def bare(
    samples: nf2ff.Samples, maps: np.ndarray, degree: int, epsilon: float
) -> tuple[float, list[int], list[np.ndarray]]:
    """Seconds, steps and coefficients of the library's iteration."""
    size = maps.shape[1]
    location = np.stack([samples.theta[:size], samples.phi[:size]], axis=1)
    steps, found = [], []
    start = time.perf_counter()
    for part in (maps.real, maps.imag):
        alm, _, count, *_ = ducc0.sht.pseudo_analysis_general(
            lmax=degree,
            map=np.ascontiguousarray(part),
            loc=location,
            spin=1,
            nthreads=2,
            maxiter=300,
            epsilon=epsilon,
        )
        steps.append(int(count))
        found.append(alm)
    return time.perf_counter() - start, steps, found


def bare_error(found: list[np.ndarray], reference: np.ndarray, degree: int) -> float:
    """Relative error of the library's coefficients (m >= 0 of the complex maps)."""
    m, _ = spin.packed_numbers(degree)
    weight = np.where(m > 0, 2.0, 1.0)
    plus, minus = reference
    flipped = (1 - 2.0 * (m & 1)) * np.conj(minus)
    wanted = [0.5 * (plus + flipped), -0.5j * (plus - flipped)]
    first = slice(0, degree + 1)
    wanted[0][:, first], wanted[1][:, first] = plus[:, first].real, plus[:, first].imag
    error = sum(np.sum(weight * np.abs(a - b) ** 2) for a, b in zip(found, wanted, strict=True))
    size = sum(np.sum(weight * np.abs(b) ** 2) for b in wanted)
    return float(np.sqrt(error / size))


def main(degrees: list[int], growth: list[int], *, dense: int = 30) -> None:
    """Print the tables."""
    probe = nf2ff.field_probe()
    print(
        f"{'degree':>6} {'spiral':>14} {'positions':>9} {'steps':>5} {'error':>8} {'solve/s':>8} "
        f"{'bare steps':>10} {'error':>8} {'bare/s':>8} {'ratio':>6} {'memory/MB':>9}"
    )
    for kind, build in SPIRALS.items():
        for degree in degrees:
            points = build(degree)
            samples, q, maps = random_scan(degree, points)

            def solve(s: nf2ff.Samples = samples, n: int = degree) -> nf2ff.Solution:
                return nf2ff.solve(s, probe, degree=n, method=nf2ff.LeastSquares(rtol=1e-9))

            solution, memory = peak_memory(solve)
            error = np.linalg.norm(solution.modes.coefficients[0] - q) / np.linalg.norm(q)
            ours = best_time(solve, repeats=3 if degree <= 400 else 1)
            # Coefficients of the maps themselves, to compare at equal error of those.
            g1, g2 = radial_functions(degree, 2 * np.pi * samples.radius[0])
            kr = 2 * np.pi * samples.radius[0]
            scale = 2 * np.pi * np.sqrt(WAVE_IMPEDANCE) * np.exp(-1j * kr) / kr
            reference = fields.tangential_coefficients(q, scale * g1, scale * g2)
            seconds, steps, found = bare(samples, maps, degree, 1e-9)
            print(
                f"{degree:6d} {kind:>14} {points.count:9d} {solution.iterations[0]:5d} "
                f"{error:8.1e} {ours:8.3f} {max(steps):10d} "
                f"{bare_error(found, reference, degree):8.1e} {seconds:8.3f} "
                f"{ours / seconds:6.2f} {memory / 1e6:9.0f}",
                flush=True,
            )
    print("\ncost over degree, equal-area spiral")
    before: tuple[int, float] | None = None
    for degree in growth:
        samples, q, _ = random_scan(degree, equal_area_spiral_for_degree(degree))
        start = time.perf_counter()
        solution = nf2ff.solve(samples, probe, degree=degree, method=nf2ff.LeastSquares())
        seconds = time.perf_counter() - start
        error = np.linalg.norm(solution.modes.coefficients[0] - q) / np.linalg.norm(q)
        slope = (
            ""
            if before is None
            else (f"exponent {np.log(seconds / before[1]) / np.log(degree / before[0]):.2f}")
        )
        print(
            f"{degree:6d} {samples.response.size:9d} samples {seconds:8.3f} s, "
            f"{solution.iterations[0]} steps, error {error:.1e} {slope}",
            flush=True,
        )
        before = (degree, seconds)
    degree = dense
    samples, q, _ = random_scan(degree, equal_area_spiral_for_degree(degree))
    matrix = methods.dense_matrix(plan_geometry(samples), probe, frequency=SPEED_OF_LIGHT, degree=degree)
    start = time.perf_counter()
    full = np.linalg.lstsq(matrix, samples.response[0], rcond=None)[0]
    slow = time.perf_counter() - start
    fast = best_time(
        lambda: nf2ff.solve(samples, probe, degree=degree, method=nf2ff.LeastSquares()), repeats=3
    )
    ours = nf2ff.solve(samples, probe, degree=degree, method=nf2ff.LeastSquares())
    apart = np.linalg.norm(ours.modes.coefficients[0] - full) / np.linalg.norm(full)
    print(
        f"\ndegree {degree}, dense least squares {slow:.2f} s (without making the matrix), here "
        f"{fast:.3f} s, {slow / fast:.0f} times faster, difference {apart:.1e}"
    )


if __name__ == "__main__":
    given = [int(x) for x in sys.argv[1:]]
    main(given or [100, 400, 1000], given or [50, 100, 200, 400, 800, 1600])
