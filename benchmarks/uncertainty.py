"""Errors propagated by draws and by derivatives: time for each, and whether they agree.

Run as ``python benchmarks/uncertainty.py [DEGREE [DRAWS [WORKERS]]]``. A scan of an array on an
equal-area spiral, two polarisations at each position, and seven figures of merit. Three sets of
errors: of the responses alone, for which the positions are planned once; of the angles too; of the
distance too, where samples at any distance cost several transforms. For each the time of all draws
on all workers, the processor time of a draw in one process, and the standard uncertainty of the
field's power in a direction by draws over that by derivatives, whose scatter is 1/sqrt(2 D). Last,
the derivatives of ten errors.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import Any

import numpy as np

import nf2ff
from nf2ff.antenna.dipoles import array_of, huygens_source
from nf2ff.antenna.modes import SPEED_OF_LIGHT
from nf2ff.uncertainty.derivatives import linearised
from nf2ff.uncertainty.draws import monte_carlo
from nf2ff.uncertainty.errors.catalogue import make_term
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.simulated_scan import SimulatedScan

FIGURES = [
    Figure("eirp-towards", theta=0.3, phi=0.5),
    Figure("directivity"),
    Figure("eirp"),
    Figure("trp"),
    Figure("beamwidth"),
    Figure("pointing-theta"),
    Figure("sidelobe-level"),
]
RESPONSES = [
    make_term("receiver-noise", {"rms_db": -60}),
    make_term("phase-noise", {"rms_deg": 1}),
    make_term("leakage", {"level_db": -60}),
    make_term("random-walk", {"phase_deg": 3, "time": "rows"}),
]
ANGLES = [
    make_term("position-noise", {"axis": "theta", "rms_deg": 0.02}),
    make_term("axis-zero", {"axis": "theta", "offset_deg": 0.02}),
    make_term("axes-not-square", {"angle_deg": 0.02}),
]
DISTANCE = [
    make_term("position-noise", {"axis": "radius", "rms": 2e-3}),
    make_term("axes-apart", {"x": 1e-3, "y": 1e-3, "z": 1e-3}),
]
TENTH = make_term("probe-gain", {"amplitude": 0.01})


def scan_of_degree(degree: int) -> nf2ff.Samples:
    """Samples at one metre wavelength of an array as large as the degree asks for."""
    side = 0.8 * degree / (2 * np.pi)
    x, y = (v.ravel() for v in np.meshgrid(*2 * [np.linspace(-side, side, 9) / np.sqrt(2)]))
    element = huygens_source(direction=[0, 0, 1], polarisation=[1, 0, 0])
    steer = np.exp(-2j * np.pi * (0.2 * x + 0.1 * y))
    antenna = array_of(element, positions=np.stack([x, y, 0 * x], axis=1), weights=steer)
    return SimulatedScan(antenna, SPEED_OF_LIGHT, 1.5 * degree / (2 * np.pi), degree).samples()


def processor_time(call: Callable[[], Any]) -> tuple[Any, float, float]:
    """Result, seconds by the clock, and seconds of the processors."""
    start, before = time.perf_counter(), time.process_time()
    result = call()
    return result, time.perf_counter() - start, time.process_time() - before


def main(degree: int = 60, draws: int = 200, workers: int = -1) -> None:
    """Print the table."""
    samples, probe = scan_of_degree(degree), nf2ff.field_probe()
    count = samples.theta.size
    print(f"degree {degree}, {count // 2} positions, {count} samples, {len(FIGURES)} figures")
    print(f"{'errors of':>20} {'draws':>6} {'wall/s':>7} {'CPU/draw/ms':>12} {'ratio':>6}")

    def run(terms: list[Any], number: int, jobs: int) -> Any:
        return monte_carlo(
            nf2ff.solve(samples, probe, degree=degree), terms, FIGURES, draws=number, rng=1, jobs=jobs
        )

    run(RESPONSES, 2, 1)  # imports, and tables that are kept
    few = min(draws, 20)
    sets = {
        "responses": RESPONSES,
        "angles too": RESPONSES + ANGLES,
        "distance too": RESPONSES + ANGLES + DISTANCE,
    }
    for name, terms in sets.items():
        _, _, one = processor_time(lambda terms=terms: run(terms, few, 1))
        found, wall, _ = processor_time(lambda terms=terms: run(terms, draws, workers))
        linear = linearised(nf2ff.solve(samples, probe, degree=degree), terms, FIGURES[:1]).combined()[0, 0]
        ratio = found.standard_uncertainty()[0, 0] / linear
        print(f"{name:>20} {found.count:6d} {wall:7.2f} {1e3 * one / few:12.1f} {ratio:6.3f}", flush=True)
    ten = [*RESPONSES, *ANGLES, *DISTANCE, TENTH]
    _, wall, cpu = processor_time(
        lambda: linearised(nf2ff.solve(samples, probe, degree=degree), ten, FIGURES)
    )
    print(f"derivatives of {len(ten)} errors: {wall:.2f} s, {cpu:.2f} s of processor time")


if __name__ == "__main__":
    main(*(int(x) for x in sys.argv[1:]))
