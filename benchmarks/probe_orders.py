"""Products with the transmission operator of a probe of many azimuthal orders.

Run as ``python benchmarks/probe_orders.py [DEGREE ...]``. The probe is of degree and order 7, the
positions are an equal-area spiral. First where chi is 0 and 90 deg at every position: against a
sum over spins, and against the library's own convolution on the sphere at equal accuracy, which
is counted twice, for the real and the imaginary part of the response, each with both kinds of
waves. Then where every sample has a chi of its own: over (1 + mu_max) transforms of one spin.
"""

from __future__ import annotations

import sys
from functools import partial

import ducc0
import numpy as np
from measure import best_time

from nf2ff.antenna.modes import SPEED_OF_LIGHT, mode_count
from nf2ff.antenna.points import PointSet, equal_area_spiral_for_degree
from nf2ff.kernel import spin
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.solver.positions import plan_geometry
from nf2ff.solver.transmission import TransmissionOperator

ORDER = 7
EPSILON = 1e-10


def operator_of(points: PointSet, chi: np.ndarray, degree: int) -> TransmissionOperator:
    """Operator for samples at ``points``, as often as there are values of chi for each."""
    rng = np.random.default_rng(degree)
    r = rng.standard_normal((1, 1, mode_count(ORDER), 2)) @ [1, 1j]
    count = chi.size // points.count
    samples = Samples(
        [SPEED_OF_LIGHT],
        np.tile(points.theta, count),
        np.tile(points.phi, count),
        chi,
        (1.1 * degree + 30) / (2 * np.pi),
        1,
        np.zeros((1, chi.size)),
    )
    return TransmissionOperator(plan_geometry(samples), Probe(None, r), SPEED_OF_LIGHT, degree, EPSILON, 2)


def library_convolution(points: PointSet, degree: int) -> float:
    """Seconds of the library's convolution for both parts of the response."""
    rng = np.random.default_rng(degree)
    size = (degree + 1) * (degree + 2) // 2
    sky = rng.standard_normal((2, size, 2)) @ [1, 1j]
    sky[:, : degree + 1] = sky[:, : degree + 1].real
    beam_size = sum(degree + 1 - m for m in range(ORDER + 1))
    beam = rng.standard_normal((2, beam_size, 2)) @ [1, 1j]
    beam[:, : degree + 1] = beam[:, : degree + 1].real
    where = np.stack(
        [np.tile(points.theta, 2), np.tile(points.phi, 2), np.repeat([0, np.pi / 2], points.count)], axis=1
    )

    def convolve() -> None:
        found = ducc0.totalconvolve.Interpolator(
            sky, beam, False, degree, ORDER, epsilon=EPSILON, ofactor=1.5, nthreads=2
        )
        found.interpol(where)

    return 2 * best_time(convolve, repeats=2)


def main(degrees: list[int]) -> None:
    """Print the tables."""
    rng = np.random.default_rng(0)
    print(
        f"{'degree':>6} {'positions':>9} {'product':>8} {'forward/s':>9} {'spins/s':>8} "
        f"{'library/s':>9} {'factor':>6} {'difference':>10}"
    )
    for degree in degrees:
        points = equal_area_spiral_for_degree(degree)
        chi = np.repeat([0, np.pi / 2], points.count)
        ours = operator_of(points, chi, degree)
        plain = operator_of(points, chi, degree)
        vars(plain)["turned"] = [None]
        x = ours.from_modes(rng.standard_normal((mode_count(degree), 2)) @ [1, 1j])
        w = rng.standard_normal((chi.size, 2)) @ [1, 1j]
        library = library_convolution(points, degree)
        for name, value in (("forward", x), ("adjoint", w)):
            one, other = (partial(getattr(a, name), value) for a in (ours, plain))
            difference = np.linalg.norm(one() - other()) / np.linalg.norm(other())
            fast, slow = best_time(one, repeats=5), best_time(other, repeats=3)
            print(
                f"{degree:6d} {points.count:9d} {name:>8} {fast:9.3f} {slow:8.3f} {library:9.3f} "
                f"{min(slow, library) / fast:6.2f} {difference:10.1e}",
                flush=True,
            )
    print(f"{'degree':>6} {'product':>8} {'any chi/s':>9} {'one spin/s':>10} {'over 1+mu_max':>13}")
    for degree in degrees:
        points = equal_area_spiral_for_degree(degree)
        turned = operator_of(points, rng.uniform(0, 2 * np.pi, points.count), degree)
        x = turned.from_modes(rng.standard_normal((mode_count(degree), 2)) @ [1, 1j])
        w = rng.standard_normal((points.count, 2)) @ [1, 1j]
        location = turned.geometry[0].location
        maps = np.stack([w, w])
        options = {"spin": 1, "location": location, "epsilon": EPSILON, "threads": 2}
        single = {
            "forward": partial(spin.point_synthesis, x, **options),
            "adjoint": partial(spin.point_adjoint, maps, degree=degree, **options),
        }
        for name, value in (("forward", x), ("adjoint", w)):
            took = best_time(partial(getattr(turned, name), value), repeats=3)
            one_spin = best_time(single[name], repeats=5)
            print(
                f"{degree:6d} {name:>8} {took:9.3f} {one_spin:10.4f} {took / one_spin / (1 + ORDER):13.2f}",
                flush=True,
            )


if __name__ == "__main__":
    main([int(x) for x in sys.argv[1:]] or [200, 400])
