"""Many frequencies of one spiral together, over as many times one alone.

Run as ``python benchmarks/frequencies.py [DEGREE [FREQUENCIES]]``. Seconds are the shortest of several runs.
The frequencies differ by a thousandth each, the antenna's degree hardly.
"""

from __future__ import annotations

import sys

import numpy as np
from measure import best_time
from scans import Case, antenna_of

import nf2ff
from nf2ff.antenna.modes import SPEED_OF_LIGHT


def main(degree: int = 100, frequencies: int = 101) -> None:
    """Print the figures."""
    one = Case(degree, "spiral", "ideal").samples()
    many = nf2ff.simulate(
        antenna_of(degree),
        frequency=SPEED_OF_LIGHT * (1 - 1e-3 * np.arange(frequencies)),
        theta=one.theta,
        phi=one.phi,
        chi=one.chi,
        radius=one.radius,
    )
    probe, first = nf2ff.field_probe(), many.part([0])
    alone = best_time(lambda: nf2ff.solve(first, probe, degree=degree), repeats=10)
    together = best_time(lambda: nf2ff.solve(many, probe, degree=degree), repeats=3)
    print(f"degree {degree}, {one.theta.size // 2} positions")
    print(f"one frequency {1e3 * alone:.1f} ms, {frequencies} together {together:.2f} s, ", end="")
    print(f"{together / (frequencies * alone):.2f} of {frequencies} alone")


if __name__ == "__main__":
    main(*(int(x) for x in sys.argv[1:]))
