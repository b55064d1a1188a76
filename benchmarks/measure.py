"""Time and memory of a call, for the benchmarks."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any


def best_time(call: Callable[[], Any], *, repeats: int) -> float:
    """Shortest of several runs [s]; what else the machine does only ever adds."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        call()
        times.append(time.perf_counter() - start)
    return min(times)


def peak_memory(call: Callable[[], Any]) -> tuple[Any, int]:
    """Result, and the most memory that the process held beyond what it held before [bytes].

    Resident memory, read every millisecond, since the transforms allocate outside Python. On
    systems without /proc the figure is 0.
    """
    status = Path("/proc/self/statm")

    def resident() -> int:
        return int(status.read_text().split()[1]) * 4096 if status.exists() else 0

    before, done, highest = resident(), threading.Event(), [0]

    def watch() -> None:
        while not done.is_set():
            highest[0] = max(highest[0], resident())
            time.sleep(1e-3)

    thread = threading.Thread(target=watch)
    thread.start()
    try:
        result = call()
    finally:
        done.set()
        thread.join()
    return result, max(0, highest[0] - before)


#: Runs a command and prints the most memory that it held [KiB]. A child is counted from what its parent holds
#: on, which is little here.
_LAUNCHER = """
import resource, subprocess, sys
code = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL).returncode
print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)
sys.exit(code)
"""


def peak_of_command(words: Sequence[str]) -> tuple[int, float]:
    """The most memory that a command held [bytes, on Linux], and how long it took [s]."""
    start = time.perf_counter()
    done = subprocess.run([sys.executable, "-c", _LAUNCHER, *words], capture_output=True, text=True)
    if done.returncode:
        raise RuntimeError(done.stderr)
    return 1024 * int(done.stdout), time.perf_counter() - start
