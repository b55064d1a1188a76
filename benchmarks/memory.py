"""Peak memory of import, transform and export over the size of the samples, held against a bound.

Run as ``python benchmarks/memory.py [--fraction X] [--text]``: 1,001 frequencies at degree 30 and 101 at
degree 100 on a spiral, or that fraction of them; with ``--text`` imported from CSV as well. Memory is what
the system counts as resident at most, less that of the same command with --help, which imports the same
libraries. It exits with 1 where a bound is not met.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

from measure import peak_of_command

#: Degree, positions on the spiral (each at two chi), and frequencies.
CASES = ((30, 2528, 1001), (100, 39900, 101))
#: Most memory over the bytes of the responses.
BOUND = 4.0
#: Radius of the antenna and of the scan over degree / k.
ANTENNA, SCAN = 0.6, 1.3
HEAD = f"{'degree':>6} {'frequencies':>11} {'command':<24} {'samples/MB':>10} {'libraries':>9} {'peak/MB':>8}"


class Row(NamedTuple):
    """What one command took [bytes, s]."""

    command: str
    samples: int
    libraries: int
    peak: int
    seconds: float

    @property
    def ratio(self) -> float:
        """Memory beyond the libraries over the samples."""
        return (self.peak - self.libraries) / self.samples


def write_scan(path: Path, degree: int, positions: int, frequencies: int, text: bool) -> None:
    """Readings of four dipoles with noise of -60 dB on an equal-area spiral, in a native file or CSV."""
    import numpy as np

    import nf2ff
    from nf2ff.antenna.dipoles import DipoleCluster
    from nf2ff.antenna.modes import SPEED_OF_LIGHT
    from nf2ff.io.native import write_samples
    from nf2ff.io.tables import write_table

    rng = np.random.default_rng(1)
    place = rng.normal(size=(4, 3))
    place *= ANTENNA * degree / (2 * np.pi) / np.linalg.norm(place, axis=1, keepdims=True)
    antenna = DipoleCluster(place, rng.normal(size=(4, 3, 2)) @ [1, 1j])
    theta = np.arccos(1 - (2 * np.arange(positions) + 1) / positions)
    phi = np.mod(np.sqrt(positions * np.pi) * theta, 2 * np.pi)
    where = {
        "theta": np.tile(theta, 2),
        "phi": np.tile(phi, 2),
        "chi": np.repeat([0, np.pi / 2], positions),
        "radius": (SCAN * degree + 10) / (2 * np.pi),
    }
    hertz = SPEED_OF_LIGHT * np.linspace(0.9, 1, frequencies)
    some = [nf2ff.simulate(antenna, frequency=hertz[k : k + 1], **where) for k in range(frequencies)]
    response = np.concatenate([x.response for x in some])
    noise = rng.normal(size=(2, *response.shape)) / np.sqrt(2)
    response += 1e-3 * np.sqrt(np.mean(np.abs(response) ** 2)) * (noise[0] + 1j * noise[1])
    samples = nf2ff.Samples(hertz, **where, port=1, response=response)
    (write_table if text else write_samples)(path, samples)


def rows(degree: int, positions: int, frequencies: int, *, text: bool = False) -> list[Row]:
    """Peak memory of each command on a scan of so many positions and frequencies."""
    found: list[Row] = []
    samples = 16 * 2 * positions * frequencies
    with tempfile.TemporaryDirectory() as folder:
        scan, table, result = (str(Path(folder) / x) for x in ("scan.h5", "scan.csv", "result.h5"))
        for path, is_text in ((scan, ""), *([(table, "text")] if text else [])):
            # By another process, since the memory of a child counts from that of its parent on.
            words = (path, degree, positions, frequencies, is_text)
            subprocess.run([sys.executable, __file__, "--write", *map(str, words)], check=True)

        def measure(name: str, command: str, *words: str) -> None:
            program = [sys.executable, "-m", "nf2ff", command]
            libraries, _ = peak_of_command([*program, "--help"])
            found.append(Row(name, samples, libraries, *peak_of_command([*program, *words])))

        measure("import, native", "import", scan, "-o", f"{folder}/again.h5")
        if text:
            measure("import, CSV", "import", table, "-o", f"{folder}/text.h5", "--response-unit", "V/m")
        measure("transform", "transform", scan, "-o", result, "--degree", str(degree))
        measure("export, far field", "export", result, "-o", f"{folder}/field.h5")
        measure("export, cuts", "export", result, "-o", f"{folder}/cuts.csv")
    return found


def main(words: list[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fraction", type=float, default=1.0)
    parser.add_argument("--text", action="store_true")
    asked = parser.parse_args(words)
    print(f"{HEAD} {'ratio':>6} {'seconds':>7}")
    met = True
    for degree, positions, most in CASES:
        frequencies = max(1, round(asked.fraction * most))
        for row in rows(degree, positions, frequencies, text=asked.text):
            sizes = (row.samples, row.libraries, row.peak)
            a, b, c = (f"{x / 1e6:.1f}" for x in sizes)
            told = "" if row.ratio <= BOUND else f"  NOT MET: {BOUND:g}"
            met = met and not told
            print(f"{degree:>6} {frequencies:>11} {row.command:<24} {a:>10} {b:>9} {c:>8}", end=" ")
            print(f"{row.ratio:>6.2f} {row.seconds:>7.1f}{told}", flush=True)
    return 0 if met else 1


if __name__ == "__main__":
    if sys.argv[1:2] == ["--write"]:
        path, *numbers, is_text = sys.argv[2:]
        write_scan(Path(path), *map(int, numbers), bool(is_text))
    else:
        sys.exit(main())
