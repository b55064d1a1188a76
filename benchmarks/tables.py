"""One table of the solver, and one of dipoles with the bounds that their errors must meet.

Run as ``python -m benchmarks [--degrees 50 100 ...] [--output FILE]``. First table: far field of dipoles
against closed form, on regular grids and a spiral, by an ideal probe and by one of azimuthal orders to
5: its error, seconds of `nf2ff.solve` on two threads, of new samples (first) and of the same again, whose
positions are then known, their ratio to the bare library calls in the same run, steps, peak memory beyond
the samples', and the exponent of growth from the degree before; above degree 1000 it is one solution. Then
many frequencies at once against as many single solutions, taken in turns. Second table: single dipoles, at
other places, along other axes, at other frequencies and distances. All of it is saved as JSON with the
machine and the versions. The exit is 1 where a bound is not met.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import platform
import time
from pathlib import Path
from typing import Any

import ducc0
import numpy as np
import regressions
import scipy
from measure import best_time, peak_memory
from scans import Case, bare_seconds, far_field_error, probe_of

import nf2ff

DEGREES = [50, 100, 200, 400, 800, 1600]
POSITIONS = ("clenshaw-curtis", "gauss-legendre", "spiral")
THREADS = 2


def solver_rows(degrees: list[int]) -> list[dict[str, Any]]:
    """Rows of the first table, printed as they come."""
    rows: list[dict[str, Any]] = []
    print(
        f"{'degree':>6} {'positions':>16} {'probe':>12} {'samples':>9} {'steps':>5} {'error':>8} "
        f"{'first/s':>8} {'seconds':>8} {'CPU/s':>8} {'bare/s':>8} {'ratio':>6} {'MB':>7} {'grows':>6}"
    )
    for probe in ("ideal", "orders to 5"):
        for positions in POSITIONS:
            before: dict[str, Any] | None = None
            for degree in degrees:
                row = _solver_row(Case(degree, positions, probe))
                if before is not None:
                    steps = math.log(degree / before["degree"])
                    row["exponent"] = math.log(row["seconds"] / before["seconds"]) / steps
                before = row
                rows.append(row)
                print(_line(row), flush=True)
    return rows


def _solver_row(case: Case) -> dict[str, Any]:
    samples, probe = case.samples(), probe_of(case.probe)
    kind = nf2ff.LeastSquares if case.positions == "spiral" else nf2ff.Quadrature

    times = []

    def solve() -> nf2ff.Solution:
        start = time.perf_counter(), time.process_time()
        found = nf2ff.solve(samples, probe, degree=case.degree, method=kind(threads=THREADS))
        times.append((time.perf_counter() - start[0], time.process_time() - start[1]))
        return found

    solution, memory = peak_memory(solve)
    repeats = max(1, min(9, 2000 // case.degree))
    for _ in range(repeats - 1):
        solve()
    seconds, cpu = min(times)
    bare = bare_seconds(case, samples, repeats)
    return {
        "degree": case.degree,
        "positions": case.positions,
        "probe": case.probe,
        "samples": samples.response.size,
        "steps": int(solution.iterations[0]),
        "error": far_field_error(solution.modes, case.antenna),
        "first_seconds": times[0][0],
        "seconds": seconds,
        "processor_seconds": cpu,
        "bare_seconds": bare,
        "ratio": None if bare is None else seconds / bare,
        "peak_memory_bytes": memory,
        "exponent": None,
    }


def _line(row: dict[str, Any]) -> str:
    def shown(key: str, form: str, width: int) -> str:
        return f"{'' if row[key] is None else format(row[key], form):>{width}}"

    return (
        f"{row['degree']:6d} {row['positions']:>16} {row['probe']:>12} {row['samples']:9d} {row['steps']:5d} "
        f"{row['error']:8.1e} {row['first_seconds']:8.4f} {row['seconds']:8.4f} "
        f"{row['processor_seconds']:8.4f} "
        f"{shown('bare_seconds', '.4f', 8)} {shown('ratio', '.2f', 6)} {row['peak_memory_bytes'] / 1e6:7.0f} "
        f"{shown('exponent', '.2f', 6)}"
    )


def frequency_rows(degree: int, count: int, turns: int) -> list[dict[str, Any]]:
    """Many frequencies at once against one by one, taken in turns."""
    rows: list[dict[str, Any]] = []
    probe = nf2ff.field_probe()
    for positions in ("clenshaw-curtis", "spiral"):
        one = Case(degree, positions, "ideal").samples()
        frequency = one.frequency[0] * (1 + 2e-4 * np.arange(count))
        response = one.response * np.exp(0.1j * np.arange(count))[:, None]
        many = nf2ff.Samples(frequency, one.theta, one.phi, one.chi, one.radius, one.port, response)
        together, single = [], []
        for _ in range(turns):
            together.append(best_time(lambda s=many: nf2ff.solve(s, probe, degree=degree), repeats=1))
            single.append(best_time(lambda s=one: nf2ff.solve(s, probe, degree=degree), repeats=5))
        whole = nf2ff.solve(many, probe, degree=degree)
        last = nf2ff.solve(many.at_frequency(count - 1), probe, degree=degree)
        same = np.array_equal(whole.modes.coefficients[-1], last.modes.coefficients[0])
        rows.append(
            {
                "degree": degree,
                "positions": positions,
                "frequencies": count,
                "seconds": min(together),
                "single_seconds": min(single),
                "ratio": min(together) / (count * min(single)),
                "same_bits": bool(same),
            }
        )
        print(
            f"{count} frequencies, degree {degree}, {positions}: {min(together):.3f} s, one "
            f"{min(single):.4f} s, ratio {rows[-1]['ratio']:.2f}, "
            f"{'the same' if same else 'OTHER'} bits as alone",
            flush=True,
        )
    return rows


def machine() -> dict[str, Any]:
    """What the figures were found on."""
    about = Path("/proc/cpuinfo")
    lines = about.read_text(encoding="utf-8").splitlines() if about.exists() else []
    names = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    return {
        "machine": platform.machine(),
        "processor": names[0] if names else platform.processor(),
        "cores": os.cpu_count(),
        "load": os.getloadavg()[0] if hasattr(os, "getloadavg") else None,
        "threads": THREADS,
        "system": platform.platform(),
        "python": platform.python_version(),
        "versions": {x.__name__: x.__version__ for x in (nf2ff, np, scipy, ducc0)},
    }


def main(arguments: list[str] | None = None) -> int:
    """Print and save the tables; 1 where a bound is not met."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks", description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--degrees", type=int, nargs="+", default=DEGREES, help="degrees of the first table")
    parser.add_argument("--frequencies", type=int, default=101, help="frequencies solved together")
    parser.add_argument("--short", action="store_true", help="fewer dipoles, frequencies at degree 10")
    parser.add_argument("--output", type=Path, default=Path("benchmarks.json"), help="file of the results")
    asked = parser.parse_args(arguments)
    found: dict[str, Any] = {"machine": machine(), "solver": solver_rows(asked.degrees)}
    degree, turns = (10, 1) if asked.short else (100, 3)
    found["frequencies"] = frequency_rows(degree, asked.frequencies, turns)
    found["dipoles"] = regressions.run(asked.short)
    print(f"{'varied':>12} {'positions':>16} {'degree':>6} {'error':>8} {'bound':>8}")
    for row in found["dipoles"]:
        what = f"{row['place']}, {row['along']}, {row['ghz']} GHz, {row['over']}"
        missed = "" if row["met"] else f"  NOT MET: {what}"
        print(
            f"{row['varied']:>12} {row['positions']:>16} {row['degree']:6d} {row['error']:8.1e} "
            f"{row['bound']:8.0e}{missed}"
        )
    asked.output.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    print(f"written: {asked.output}")
    return 0 if all(row["met"] for row in found["dipoles"]) else 1
