"""Antennas, scans and checks that several test files share."""

import functools

import numpy as np
from error_scans import ANTENNA, FIGURES, PROBE, spiral_scan

from nf2ff.measurement.simulated import simulate
from nf2ff.solver.solve import solve
from nf2ff.solver.strategy import LeastSquares
from nf2ff.uncertainty.draws import monte_carlo
from nf2ff.uncertainty.errors.position import AxisZero
from nf2ff.uncertainty.errors.receiver import PhaseNoise

#: One thread: sums of several differ from run to run, and small scans wait for them.
ONE_THREAD = LeastSquares(threads=1)


THETA, PHI = np.array([0.3, 0.9, 1.7, 2.6]), np.array([0.1, 2.0, 4.0, 5.5])


def received(antenna, samples, _probe):
    return simulate(
        antenna,
        frequency=samples.frequency,
        theta=samples.theta,
        phi=samples.phi,
        chi=samples.chi,
        radius=samples.radius,
    )


FEW = {"rng": 9, "directions": (THETA, PHI)}


TWO_TERMS = [PhaseNoise(rms=0.05), AxisZero(axis="theta", offset=0.01)]


@functools.lru_cache
def small_scan():
    return spiral_scan(ANTENNA, 3, radius=2.0)


@functools.lru_cache
def small_solution():
    return solve(small_scan(), PROBE, degree=3, method=ONE_THREAD)


def few(draws, **more):
    return monte_carlo(small_solution(), TWO_TERMS, FIGURES[:3], draws=draws, **FEW, **more)
