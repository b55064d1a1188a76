"""Scans of a set-up whose faults are known, from the benchmark's closed forms."""

import sys
from pathlib import Path

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
