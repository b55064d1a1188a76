"""Scans of a set-up whose faults are known, from the benchmark's closed forms."""

import sys
from functools import cache
from pathlib import Path

import numpy as np

from nf2ff.diagnostics.alignment.estimate import estimate_alignment
from nf2ff.uncertainty.errors.axes import AxesSeparation, AxesSkew
from nf2ff.uncertainty.errors.position import AxisZero
from nf2ff.uncertainty.errors.receiver import ChannelImbalance, Leakage, ReceiverNoise, ThermalRamp

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))

from misaligned_scans import (  # noqa: F401
    FREQUENCY,
    Faults,
    cluster,
    draw_faults,
    error_db,
    huygens_pair,
    known_solution,
    measured,
    poses,
    probe_of,
    record,
    responses,
    true_modes,
    two_by_two,
)

#: A small antenna, whose modes beyond this degree are 90 dB down: k r0 = 2.5 (closed form of its dipoles).
DEGREE, KR0 = 10, 2.5
PORTS = huygens_pair()
PROBE = probe_of(PORTS, degree=1)
DEG = np.pi / 180
NOISE = ReceiverNoise(rms=10 ** (-50 / 20))
GEOMETRY = [
    AxisZero(axis="theta", offset=0.5 * DEG),
    AxesSeparation(x=1e-3, y=1e-3),
    AxesSkew(angle=0.3 * DEG),
]
SIGNAL = [
    ChannelImbalance(amplitude=0.05, phase=5 * DEG),
    Leakage(level=10 ** (-40 / 20)),
    ThermalRamp(amplitude=0.03, phase=10 * DEG),
]
TERMS = [*GEOMETRY, *SIGNAL, NOISE]


@cache
def case(scan, seed, terms=tuple(TERMS), degree=DEGREE):
    """A faulty scan, what is wrong with it, and what is found."""
    place, rng = record(scan, degree), np.random.default_rng(seed)
    antenna = cluster(KR0, seed=seed, count=6)
    size, wrong, parameters = draw_faults(terms, place, rng)
    samples = measured(place, antenna, PORTS, wrong, seed=seed)
    found = estimate_alignment(samples, PROBE, terms, degree=degree, threads=1)
    truth = true_modes(antenna, degree)
    recorded, known = (
        error_db(known_solution(samples, PROBE, parameters, x, degree), truth) for x in (0 * size, size)
    )
    return samples, size, found, truth, recorded, error_db(found.modes, truth), known
