"""How often antennas are found without a phase reference, how well, and what their certificates are worth.

Run as ``python benchmarks/phaseless_certificates.py [--degree N ...] [--set NAME ...] [--antenna NAME ...]
[--count K] [--first S] [--starts S] [--unknown-noise] [--jobs J] [--cases FILE]``. One row for each set:
truths certified, truths whose error is within 1 dB of that of the most likely antenna near the truth
("known"), both at once, false certificates (certified, and more than 3 dB worse than known), median errors of
the complex far field over its rms up to one phase, the predicted one, and seconds a scan. Wavelength 1; grids
with 1.25 times the needed steps; noise -50 dB of the largest reading. ``--cases`` writes each scan as a line
of JSON when it is done, and takes those that are there as done.
"""

from __future__ import annotations

import argparse
import json
import os
import time
from collections.abc import Iterator
from dataclasses import replace
from multiprocessing import Pool
from pathlib import Path

import numpy as np

from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.antenna.expansion import expand_far_field
from nf2ff.antenna.far_field import far_field
from nf2ff.antenna.grids import equiangular_grid
from nf2ff.antenna.modes import SPEED_OF_LIGHT, WAVE_IMPEDANCE, required_degree
from nf2ff.antenna.points import equal_area_spiral
from nf2ff.measurement.coherence import with_coherence
from nf2ff.measurement.probe import Probe, field_probe, probe_from_modes
from nf2ff.measurement.probe_models import huygens_source
from nf2ff.measurement.samples import Samples
from nf2ff.solver.phaseless.certificate import apart
from nf2ff.solver.phaseless.likelihood import Readings, groups_of, most_likely
from nf2ff.solver.phaseless.projection import range_of
from nf2ff.solver.phaseless.reconstruction import reconstruct
from nf2ff.uncertainty.simulated_scan import received

FREQUENCY = SPEED_OF_LIGHT
OVERSAMPLING = 1.25
NOISE_DB = -50.0
#: Spheres [wavelengths beyond the antenna], chi [deg], and what shares a phase.
SETS: dict[str, tuple[tuple[float, ...], tuple[float, ...], str]] = {
    "powers": ((1, 3), (0, 90), "nothing"),
    "ports": ((1, 3), (0, 90), "positions"),
    "four": ((1, 3), (0, 45, 90, 135), "nothing"),
    "rings": ((1, 3), (0, 90), "rings"),
    "cuts": ((1,), (0, 90), "cuts"),
    "displaced": ((1,), (0, 90), "elements"),
    "spiral": ((1, 3), (0, 90), "nothing"),
    "spiral-ports": ((1, 3), (0, 90), "positions"),
    "probe": ((1, 3), (0, 90), "nothing"),
    "probe-ports": ((1, 3), (0, 90), "positions"),
}


def radius_of(degree: int) -> float:
    """Radius of an antenna that needs the degree, -60 dB of its power above it."""
    radii = np.linspace(0.02 * degree, degree / (2 * np.pi), 400)
    needed = [required_degree(2 * np.pi * r) for r in radii]
    return float(radii[np.searchsorted(needed, degree, side="right") - 1])


def cluster(radius: float, rng: np.random.Generator) -> DipoleCluster:
    """Forty dipoles anywhere in the sphere."""
    place = rng.standard_normal((40, 3))
    place *= (radius * rng.random(40) ** (1 / 3) / np.linalg.norm(place, axis=1))[:, None]
    return DipoleCluster(place, rng.standard_normal((40, 3)) + 1j * rng.standard_normal((40, 3)))


def panel(radius: float, rng: np.random.Generator) -> DipoleCluster:
    """A square array of Huygens sources in half-wave steps, steered and turned at random, with errors."""
    half = 0.98 * radius / np.sqrt(2)
    steps = np.arange(-half, half + 1e-9, 0.5)
    x, y = (a.ravel() - steps.mean() for a in np.meshgrid(steps, steps))
    place = np.stack([x, y, np.zeros(x.size)], axis=1)
    pair = rng.standard_normal((2, x.size))
    weight = np.exp(-2j * np.pi * (place[:, :2] @ rng.uniform(-0.5, 0.5, 2))) * (
        1 + 0.1 * (pair[0] + 1j * pair[1])
    )
    angle = rng.uniform(0, 2 * np.pi)
    along = np.array([np.cos(angle), np.sin(angle), 0])
    turn = np.linalg.qr(rng.standard_normal((3, 3)))[0]
    turn *= np.sign(np.linalg.det(turn))
    across = np.cross([0, 0, 1], along)
    electric, magnetic = weight[:, None] * along, weight[:, None] * across * WAVE_IMPEDANCE
    return DipoleCluster(place @ turn, electric @ turn, magnetic @ turn)


def positions(name: str, degree: int, radius: float) -> Samples:
    """Where a set reads, with its groups and without readings."""
    spheres, turns, along = SETS[name]
    if name.startswith("spiral"):
        points = equal_area_spiral(int(2 * OVERSAMPLING * (degree + 1) ** 2))
        theta, phi = points.theta, points.phi
    else:
        rings = int(np.ceil(OVERSAMPLING * degree)) + 1
        columns = int(np.ceil(OVERSAMPLING * (2 * degree + 1)))
        grid = equiangular_grid(rings, columns, rule="fejer-1")
        theta, phi = np.repeat(grid.theta, columns), np.tile(grid.phi, rings)
    offsets = (-np.pi / degree / 4, np.pi / degree / 4) if along == "elements" else (0.0,)
    rows = [
        (
            theta + offset,
            phi,
            np.full(theta.size, np.radians(chi)),
            np.full(theta.size, radius + sphere),
            sphere,
        )
        for sphere in spheres
        for offset in offsets
        for chi in turns
    ]
    t, p, c, r = (np.concatenate([row[i] for row in rows]) for i in range(4))
    samples = Samples([FREQUENCY], t, p, c, r, 1, np.zeros((1, t.size)))
    if along == "elements":
        return replace(samples, coherence=np.tile(np.arange(theta.size), len(rows)))
    return with_coherence(samples, along)


def probe_of(name: str) -> Probe:
    """The ideal probe, or one of a pattern that was measured every 5 deg, with azimuthal orders to 3."""
    if not name.startswith("probe"):
        return field_probe()
    rng = np.random.default_rng(0)
    modes = huygens_source([FREQUENCY]).extend(3)
    more = rng.standard_normal((2, *modes.coefficients.shape))
    modes = replace(modes, coefficients=modes.coefficients + 0.03 * (more[0] + 1j * more[1]))
    grid = equiangular_grid(37, 72)
    pattern = far_field(modes, theta=grid.theta, phi=grid.phi)
    return probe_from_modes(expand_far_field(pattern, degree=5).modes)


def scan(
    name: str, degree: int, antenna: DipoleCluster, rng: np.random.Generator
) -> tuple[Samples, Samples, float]:
    """Readings of unknown phases, those without noise, and the noise."""
    place = positions(name, degree, radius_of(degree))
    true = replace(
        received(antenna, replace(place, coherence=None), probe_of(name)), coherence=place.coherence
    )
    noise = float(np.abs(true.response).max() * 10 ** (NOISE_DB / 20))
    pair = rng.standard_normal((2, true.port.size))
    _, of = np.unique(place.coherence, return_inverse=True)
    turn = np.exp(2j * np.pi * rng.random(of.max() + 1))[of]
    read = (true.response[0] + noise / np.sqrt(2) * (pair[0] + 1j * pair[1])) * turn
    return replace(true, response=read[None]), true, noise


def known(
    samples: Samples, true: Samples, probe: Probe, degree: int, noise: float
) -> tuple[np.ndarray, np.ndarray]:
    """Modes of the most likely antenna near the truth, and of the truth."""
    one = range_of(samples, probe, degree)
    last = None
    for _ in range(8):
        _, last = one.project(true.response[0][one.order] * one.scale, last)
    readings = Readings(
        samples.response[0][one.order] * one.scale, groups_of(samples.coherence[one.order]), one.scale**-2
    )
    return one.to_modes(most_likely(one, readings, last, noise**2).z), one.to_modes(last)


def db(ratio: float) -> float:
    return 20 * np.log10(ratio)


def case(asked: dict) -> dict:
    """One scan, and what was found from it."""
    degree, seed = asked["degree"], asked["seed"]
    make = {"cluster": cluster, "panel": panel}[asked["antenna"]]
    probe = probe_of(asked["set"])
    rng = np.random.default_rng([seed, degree])
    samples, true, noise = scan(asked["set"], degree, make(radius_of(degree), rng), rng)
    near, truth = known(samples, true, probe, degree, noise)
    start = time.perf_counter()
    told = noise if asked["stated"] else None
    given = {"degree": degree, "starts": asked["starts"], "rng": seed, "jobs": asked["threads"]}
    found = reconstruct(samples, probe, noise=told, **given)
    one = found.certificates[0]
    return asked | {
        "seconds": time.perf_counter() - start,
        "verdict": one.verdict,
        "why": [x.code.name for x in one.reasons],
        "agreeing": one.agreeing,
        "error_db": db(apart(found.modes.coefficients[0], truth)),
        "known_db": db(apart(near, truth)),
        "predicted_db": db(one.error),
    }


def row(found: list[dict]) -> str:
    """A line of the table, of the cases of one set, antenna and degree."""
    first = found[0]
    error, near, predicted, seconds = (
        np.array([x[key] for x in found]) for key in ("error_db", "known_db", "predicted_db", "seconds")
    )
    certified = np.array([x["verdict"] == "certified" for x in found])
    within = error < near + 1
    counts = (
        certified.sum(),
        within.sum(),
        (certified & within).sum(),
        (certified & (error > near + 3)).sum(),
    )
    return (
        f"{first['set']:13} {first['antenna']:8} {first['degree']:3d} {len(found):5d} {counts[0]:9d} "
        f"{counts[1]:6d} {counts[2]:4d} {counts[3]:5d} {np.median(error):8.1f} {np.median(near):8.1f} "
        f"{np.median(predicted):9.1f} {np.median(seconds):7.1f}"
    )


def done(cases: list[dict], path: Path | None, jobs: int) -> Iterator[dict]:
    """The cases as they are done, those in the file first."""
    old = [] if path is None or not path.exists() else [json.loads(x) for x in path.read_text().splitlines()]
    yield from (x for x in old if any(asked.items() <= x.items() for asked in cases))
    left = [asked for asked in cases if not any(asked.items() <= x.items() for x in old)]
    if jobs == 1:
        made: Iterator[dict] = map(case, left)
    else:
        made = Pool(jobs).imap_unordered(case, left)
    for one in made:
        if path is not None:
            with path.open("a") as file:
                file.write(json.dumps(one) + "\n")
        yield one


def main(
    degrees: list[int],
    sets: list[str],
    kinds: list[str],
    count: int,
    starts: int,
    *,
    first: int = 0,
    stated: bool = True,
    jobs: int = 1,
    path: Path | None = None,
) -> None:
    """Print the table, each row when its cases are done."""
    print("set           antenna    N count certified within both false error/dB known/dB predicted seconds")
    how = {"starts": starts, "stated": stated, "threads": os.cpu_count() if jobs == 1 else 1}
    seeds = range(first, first + count)
    rows = {(n, s, k): [] for n in degrees for s in sets for k in kinds}
    cases = [{"degree": n, "set": s, "antenna": k, "seed": seed} | how for n, s, k in rows for seed in seeds]
    for one in done(cases, path, jobs):
        own = rows[one["degree"], one["set"], one["antenna"]]
        own.append(one)
        if len(own) == count:
            print(row(own), flush=True)


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--degree", type=int, nargs="*", default=[12])
    parser.add_argument("--set", nargs="*", choices=SETS, default=list(SETS))
    parser.add_argument("--antenna", nargs="*", choices=["cluster", "panel"], default=["cluster", "panel"])
    parser.add_argument("--count", type=int, default=10)
    parser.add_argument("--first", type=int, default=0, help="seed of the first scan")
    parser.add_argument("--starts", type=int, default=8)
    parser.add_argument("--unknown-noise", action="store_true")
    parser.add_argument("--jobs", type=int, default=1, help="processes, each of one thread")
    parser.add_argument("--cases", type=Path)
    asked = parser.parse_args()
    main(
        asked.degree,
        asked.set,
        asked.antenna,
        asked.count,
        asked.starts,
        first=asked.first,
        stated=not asked.unknown_noise,
        jobs=asked.jobs,
        path=asked.cases,
    )
