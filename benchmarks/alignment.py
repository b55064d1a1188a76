"""Faults of a set-up found out from scans of a cluster of dipoles, against the solution that knows them.

Run as ``python benchmarks/alignment.py [--repetitions R] [--degree N] [SCAN ...]``. Each scan has faults
drawn from their priors, a cluster and noise of its own, in closed form. Of each a row: far-field error as
recorded, aligned, with everything known, and predicted, rms over the repetitions [dB], and the most by which
one was above that with everything known; scatter of so many estimates over their stated uncertainty, and of
the far field's error over its own; solutions taken at most, and seconds.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
from misaligned_scans import (
    NOISE_DB,
    cluster,
    draw_faults,
    error_db,
    huygens_pair,
    known_solution,
    measured,
    probe_of,
    record,
    true_modes,
    two_by_two,
)

from nf2ff.diagnostics.alignment.estimate import estimate_alignment
from nf2ff.uncertainty.errors.axes import AxesSeparation, AxesSkew, TimingLag
from nf2ff.uncertainty.errors.error_term import ErrorTerm
from nf2ff.uncertainty.errors.model import ProbePointing
from nf2ff.uncertainty.errors.position import AxisZero
from nf2ff.uncertainty.errors.receiver import ChannelImbalance, Leakage, ReceiverNoise, SlowDrift, ThermalRamp

SCANS = (
    "grid",
    "grid +-180",
    "equal-area",
    "equal-area + 1",
    "equal-area + 2",
    "equal-area + 2 turned",
    "constant-rate",
    "constant-rate +-180",
)


def faults(*, lag: bool = False, drift: bool = False) -> list[ErrorTerm]:
    """Standard uncertainties of a set-up's faults: customary sizes, no source."""
    terms: list[ErrorTerm] = [
        AxisZero(axis="theta", offset=np.radians(0.3)),
        AxesSeparation(x=5e-4, y=5e-4),
        AxesSkew(angle=np.radians(0.2)),
        ProbePointing(tilt_x=np.radians(1), tilt_y=np.radians(1)),
        ChannelImbalance(amplitude=0.05, phase=np.radians(5)),
        ThermalRamp(amplitude=0.035, phase=np.radians(15)),
        Leakage(level=10 ** (-45 / 20)),
        ReceiverNoise(rms=10 ** (NOISE_DB / 20)),
    ]
    if lag:
        terms += [TimingLag(lag=0.1, axes=("theta",)), TimingLag(lag=0.1, axes=("phi",))]
    if drift:
        terms.append(SlowDrift(phase=np.radians(5), amplitude=0.0116))  # 0.1 dB
    return terms


def study(
    scan: str,
    degree: int,
    repetitions: int,
    *,
    lag: bool = False,
    drift: bool = False,
    small_probe: bool = False,
) -> str:
    """One row."""
    ports = huygens_pair() if small_probe else two_by_two()
    probe = probe_of(ports, degree=1 if small_probe else 9)
    place, terms = record(scan, degree), faults(lag=lag, drift=drift)
    kr0 = 11.0 * degree / 24 if degree <= 24 else degree - 22.0
    errors, ratios, solves, seconds = [], [], [], 0.0
    for seed in range(repetitions):
        antenna = cluster(kr0, seed=seed)
        size, wrong, parameters = draw_faults(terms, place, np.random.default_rng(1000 + seed))
        samples = measured(place, antenna, ports, wrong, seed=seed)
        truth = true_modes(antenna, degree)
        start = time.perf_counter()
        found = estimate_alignment(samples, probe, terms, degree=degree)
        seconds += time.perf_counter() - start
        recorded = known_solution(samples, probe, parameters, 0 * size, degree)
        known = known_solution(samples, probe, parameters, size, degree)
        errors.append([error_db(x, truth) for x in (recorded, found.modes, known)])
        errors[-1].append(20 * np.log10(found.far_field_after))
        ratios.append((found.value - size) / found.uncertainty)
        solves.append(found.solves)
    power = 10 ** (np.array(errors) / 10)
    mean = 10 * np.log10(power.mean(axis=0))
    worst = np.max(np.array(errors)[:, 1] - np.array(errors)[:, 2])
    pairs = np.concatenate(ratios)
    happened = np.sqrt(np.mean(power[:, 1] / power[:, 3]))
    return (
        f"{scan:22}{degree:4d}{mean[0]:7.1f}{mean[1]:7.1f}{mean[2]:7.1f}{mean[3]:7.1f}{worst:7.1f}"
        f"{np.sqrt(np.mean(pairs**2)):7.2f}{pairs.size:5d}{happened:7.2f}{max(solves):5d}"
        f"{seconds / repetitions:7.1f}"
    )


def main(scans: list[str], *, degree: int = 24, repetitions: int = 8, **what: bool) -> None:
    """Print the rows."""
    print("scan                    N    rec.  align. known  pred.  worst  scat.  of   field  sol. s")
    for scan in scans:
        print(study(scan, degree, repetitions, **what), flush=True)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("scans", nargs="*", default=list(SCANS))
    parser.add_argument("--degree", type=int, default=24)
    parser.add_argument("--repetitions", type=int, default=8)
    for name in ("lag", "drift", "small-probe"):
        parser.add_argument(f"--{name}", action="store_true")
    given = vars(parser.parse_args())
    main(given.pop("scans"), **given)
