"""Direct against fast physical optics: seconds of CPU, and what they differ by, one row for each frequency.

    python benchmarks/compact_range.py [GHz ...]

OMP_NUM_THREADS=1 keeps both to one thread. A serrated reflector of 1 m (F 1.5 m, offset 0.75 m), a plane of
101 x 101 points, 0.5 m wide. The direct sum is timed on 101 of the points and its time scaled up.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from nf2ff.ranges.compact_range import reflected_field
from nf2ff.ranges.physical_optics import radiated_field
from nf2ff.ranges.reflector import Reflector, SerratedRim
from nf2ff.ranges.zone import Zone


def main(ghz: list[float]) -> None:
    """Print the rows."""
    zone = Zone(0.25, "square", 1e-3, (0, 0.75, 2.5))
    reflector = Reflector(1.5, 0.75, SerratedRim(0.3, 0.5, 30))
    feed = reflector.feed(exponent=6)
    x = np.linspace(-0.25, 0.25, 101)
    points = np.stack([a.ravel() for a in np.meshgrid(x, x, [0.0])], axis=1) + zone.centre
    some = np.random.default_rng(1).permutation(len(points))[:101]
    print("   GHz  currents    waves  fast s  direct s  ratio differ dB")
    for f in ghz:
        reflected_field(reflector, feed, zone, frequency=1e9 * f / 4)  # libraries are loaded, caches filled
        start = time.process_time()
        found = reflected_field(reflector, feed, zone, frequency=1e9 * f)
        fast = found.field_at(points)
        middle = time.process_time()
        exact = radiated_field(found.currents, points[some])
        direct = (time.process_time() - middle) * len(points) / len(some)
        took = middle - start
        apart = 20 * np.log10(np.abs(fast[some] - exact).max() / np.abs(exact).max())
        count = len(found.currents.position), len(found.waves.direction)
        print(
            f"{f:6g} {count[0]:9d} {count[1]:8d} {took:7.2f} {direct:9.1f} {direct / took:6.0f} {apart:9.1f}"
        )


if __name__ == "__main__":
    main([float(x) for x in sys.argv[1:]] or [10.0, 28.0, 40.0, 90.0])
