"""How often antennas are found without a phase reference, how well, and what their certificates are worth.

Run as ``python benchmarks/phaseless_certificates.py [--degree N] [--set NAME ...] [--antenna NAME ...]
[--count K] [--starts S] [--unknown-noise]``. One row for each set: truths certified, truths whose error is
within 1 dB of that of the most likely antenna near the truth ("known"), false certificates (certified, and
more than 3 dB worse than known), median errors of the complex far field over its rms up to one phase, the
predicted one, and seconds a scan. Wavelength 1; grids with 1.25 times the needed steps; noise -50 dB of the
largest reading.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace

import numpy as np

from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.antenna.grids import equiangular_grid
from nf2ff.antenna.modes import SPEED_OF_LIGHT, WAVE_IMPEDANCE, required_degree
from nf2ff.antenna.points import equal_area_spiral
from nf2ff.measurement.coherence import with_coherence
from nf2ff.measurement.probe import Probe, field_probe
from nf2ff.measurement.samples import Samples
from nf2ff.measurement.simulated import simulate
from nf2ff.solver.phaseless.certificate import apart
from nf2ff.solver.phaseless.likelihood import Readings, groups_of, most_likely
from nf2ff.solver.phaseless.projection import range_of
from nf2ff.solver.phaseless.reconstruction import reconstruct

FREQUENCY = SPEED_OF_LIGHT
OVERSAMPLING = 1.25
NOISE_DB = -50.0
#: Spheres [wavelengths beyond the antenna], chi [deg], and what shares a phase.
SETS: dict[str, tuple[tuple[float, ...], tuple[float, ...], str]] = {
    "powers": ((1, 3), (0, 90), "nothing"),
    "ports": ((1, 3), (0, 90), "positions"),
    "four": ((1, 3), (0, 45, 90, 135), "nothing"),
    "cuts": ((1,), (0, 90), "cuts"),
    "displaced": ((1,), (0, 90), "elements"),
    "spiral": ((1, 3), (0, 90), "nothing"),
    "spiral-ports": ((1, 3), (0, 90), "positions"),
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


def scan(
    name: str, degree: int, antenna: DipoleCluster, rng: np.random.Generator
) -> tuple[Samples, Samples, float]:
    """Readings of unknown phases, those without noise, and the noise."""
    place = positions(name, degree, radius_of(degree))
    given = {x: getattr(place, x) for x in ("theta", "phi", "chi", "radius")}
    true = replace(simulate(antenna, frequency=[FREQUENCY], **given), coherence=place.coherence)
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


def row(name: str, kind: str, degree: int, count: int, starts: int, *, stated: bool) -> str:
    """A line of the table."""
    make = {"cluster": cluster, "panel": panel}[kind]
    probe = field_probe()
    errors, best, predicted, seconds, certified, false = [], [], [], [], 0, 0
    for seed in range(count):
        rng = np.random.default_rng([seed, degree])
        samples, true, noise = scan(name, degree, make(radius_of(degree), rng), rng)
        near, truth = known(samples, true, probe, degree, noise)
        start = time.perf_counter()
        found = reconstruct(
            samples, probe, degree=degree, noise=noise if stated else None, starts=starts, rng=seed
        )
        seconds.append(time.perf_counter() - start)
        one = found.certificates[0]
        errors.append(db(apart(found.modes.coefficients[0], truth)))
        best.append(db(apart(near, truth)))
        predicted.append(db(one.error))
        certified += one.certified
        false += one.certified and errors[-1] > best[-1] + 3
    within = int(np.sum(np.array(errors) < np.array(best) + 1))
    return (
        f"{name:13} {kind:8} {degree:3d} {count:5d} {certified:9d} {within:6d} {false:5d} "
        f"{np.median(errors):8.1f} {np.median(best):8.1f} {np.median(predicted):9.1f} "
        f"{np.median(seconds):7.1f}"
    )


def main(
    degree: int, sets: list[str], kinds: list[str], count: int, starts: int, *, stated: bool = True
) -> None:
    """Print the table."""
    print("set           antenna    N count certified within false error/dB known/dB predicted seconds")
    for name in sets:
        for kind in kinds:
            print(row(name, kind, degree, count, starts, stated=stated), flush=True)


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--degree", type=int, default=12)
    parser.add_argument("--set", nargs="*", choices=SETS, default=list(SETS))
    parser.add_argument("--antenna", nargs="*", choices=["cluster", "panel"], default=["cluster", "panel"])
    parser.add_argument("--count", type=int, default=10)
    parser.add_argument("--starts", type=int, default=8)
    parser.add_argument("--unknown-noise", action="store_true")
    asked = parser.parse_args()
    main(asked.degree, asked.set, asked.antenna, asked.count, asked.starts, stated=not asked.unknown_noise)
