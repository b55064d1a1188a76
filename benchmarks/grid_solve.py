"""Solution on full grids against the bare library calls that it cannot do without.

Run as ``python benchmarks/grid_solve.py [DEGREE ...]``. Each row: error of the coefficients,
seconds of `nf2ff.solve`, seconds of the two bare analyses (real and imaginary part, in two Python
threads as `nf2ff` runs them, or with the library's own two threads, whichever is faster), their
ratio, and peak memory over the size of the responses. The last rows: many frequencies at once
against one call for each.
"""

from __future__ import annotations

import sys
from concurrent.futures import ThreadPoolExecutor

import ducc0
import numpy as np
from measure import best_time, peak_memory

import nf2ff
from nf2ff.antenna import fields
from nf2ff.antenna.grids import Rule, grid_for_degree
from nf2ff.antenna.modes import SPEED_OF_LIGHT, WAVE_IMPEDANCE, mode_count
from nf2ff.kernel import spin
from nf2ff.kernel.radial import radial_functions

GEOMETRY = {"clenshaw-curtis": "CC", "fejer-1": "F1", "gauss-legendre": "GL"}


def random_scan(
    degree: int, rule: Rule, *, frequencies: int = 1
) -> tuple[nf2ff.Samples, np.ndarray, np.ndarray]:
    """Samples of random modes, the modes, and the maps (2, T, P) of the first frequency."""
    rng = np.random.default_rng(degree)
    frequency = SPEED_OF_LIGHT * (1 + 0.01 * np.arange(frequencies))
    k = 2 * np.pi * frequency / SPEED_OF_LIGHT
    radius = (1.1 * degree + 30) / k[0]
    grid = grid_for_degree(degree, rule=rule)
    shape = (frequencies, mode_count(degree))
    q = rng.standard_normal(shape) + 1j * rng.standard_normal(shape)
    response = []
    for i in range(frequencies):
        g1, g2 = radial_functions(degree, k[i] * radius)
        scale = k[i] * np.sqrt(WAVE_IMPEDANCE) * np.exp(-1j * k[i] * radius) / (k[i] * radius)
        packed = fields.tangential_coefficients(q[i], scale * g1, scale * g2)
        maps = spin.ring_synthesis(packed, spin=1, theta=grid.theta, phi_count=grid.phi.size, threads=2)
        response.append(maps.ravel())
    t, p = np.meshgrid(grid.theta, grid.phi, indexing="ij")
    samples = nf2ff.Samples(
        frequency,
        np.tile(t.ravel(), 2),
        np.tile(p.ravel(), 2),
        np.repeat([0, np.pi / 2], t.size),
        radius,
        1,
        np.array(response),
    )
    return samples, q, samples.response[0].reshape(2, *t.shape)


def bare_seconds(maps: np.ndarray, degree: int, rule: str, repeats: int) -> float:
    """Time of the two analyses that any solution on this grid needs."""

    def analyse(part: np.ndarray, threads: int) -> None:
        ducc0.sht.analysis_2d(map=part, spin=1, lmax=degree, geometry=GEOMETRY[rule], nthreads=threads)

    parts = (maps.real, maps.imag)
    with ThreadPoolExecutor(2) as pool:
        side_by_side = best_time(
            lambda: list(pool.map(lambda part: analyse(part, 1), parts)), repeats=repeats
        )
    return min(side_by_side, best_time(lambda: [analyse(part, 2) for part in parts], repeats=repeats))


def main(degrees: list[int], *, frequencies: int = 101, repeats: int | None = None) -> None:
    """Print the table; times are the best of ``repeats`` calls."""
    probe = nf2ff.field_probe()
    print(f"{'degree':>6} {'rule':>16} {'error':>9} {'solve/s':>9} {'bare/s':>9} {'ratio':>6} {'memory':>7}")
    for rule in ("clenshaw-curtis", "fejer-1", "gauss-legendre"):
        for degree in degrees:
            samples, q, maps = random_scan(degree, rule)
            solution, memory = peak_memory(lambda s=samples, n=degree: nf2ff.solve(s, probe, degree=n))
            error = np.linalg.norm(solution.modes.coefficients - q) / np.linalg.norm(q)
            often = repeats or max(5, 3000 // degree)
            ours = best_time(lambda s=samples, n=degree: nf2ff.solve(s, probe, degree=n), repeats=often)
            bare = bare_seconds(maps, degree, rule, often)
            print(
                f"{degree:6d} {rule:>16} {error:9.1e} {ours:9.4f} {bare:9.4f} "
                f"{ours / bare:6.2f} {memory / samples.response.nbytes:7.2f}"
            )
    samples, q, _ = random_scan(30, "clenshaw-curtis", frequencies=frequencies)
    one_by_one = [samples.at_frequency(i) for i in range(frequencies)]
    together = best_time(lambda: nf2ff.solve(samples, probe, degree=30), repeats=repeats or 5)
    apart = best_time(lambda: [nf2ff.solve(s, probe, degree=30) for s in one_by_one], repeats=repeats or 3)
    found = nf2ff.solve(samples, probe, degree=30).modes.coefficients
    error = np.linalg.norm(found - q) / np.linalg.norm(q)
    print(
        f"{frequencies} frequencies at degree 30: error {error:.1e}, together {together:.3f} s, "
        f"in as many calls {apart:.3f} s, ratio {together / apart:.2f}"
    )


if __name__ == "__main__":
    main([int(x) for x in sys.argv[1:]] or [100, 400, 1000])
