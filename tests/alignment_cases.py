"""Scans of a set-up whose faults are known, from the benchmark's closed forms."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))

from misaligned_scans import (  # noqa: F401
    FREQUENCY,
    WAVELENGTH,
    Faults,
    cluster,
    error_db,
    measured,
    poses,
    probe_of,
    responses,
    true_modes,
    two_by_two,
)
