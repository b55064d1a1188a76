"""Work in parts, shared among processes that may be stopped or killed."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable, Generator, Sequence
from concurrent.futures import BrokenExecutor
from contextlib import contextmanager
from typing import TypeVar

T = TypeVar("T")

#: How often a worker looks whether the process that started it is there [s].
_LOOK = 0.5
_WATCH = "nf2ff-owner"


def worker_count(jobs: int) -> int:
    """Processes that ``jobs`` stands for."""
    from joblib import effective_n_jobs

    return int(effective_n_jobs(jobs))


def few_cores() -> bool:
    """Whether processes of this machine would be three at most."""
    from joblib.parallel import get_active_backend

    backend, _ = get_active_backend()
    return type(backend).__name__ == "LokyBackend" and worker_count(-1) <= 3


def in_order(
    make: Callable[[slice, int | None], T], parts: Sequence[slice], jobs: int
) -> Generator[tuple[slice, T]]:
    """Each part with what ``make(part, threads)`` gives, in their order.

    Parameters
    ----------
    make : callable
        Makes one part, on so many threads; None leaves their number open.
    parts : sequence of slice
        What there is to make.
    jobs : int
        Processes, as in `uncertainty.draws.monte_carlo`. What one did not finish that was killed is made
        again; where they are killed twice without a part between, this process makes the rest.
    """
    from joblib import Parallel, delayed

    owner, left, killed = os.getpid(), list(parts), 0
    workers = worker_count(jobs) if len(parts) > 1 else 1

    def worked(which: slice) -> tuple[slice, T]:
        _as_worker(owner)
        return which, make(which, 1)

    while left and killed < 2 and workers > 1:
        # No process without a part, which would not learn of its owner's end.
        pool = Parallel(n_jobs=min(workers, len(left)), return_as="generator")
        with _deaf_to_hang_up():
            found = pool(delayed(worked)(which) for which in tuple(left))
        try:
            for which, part in found:
                yield which, part
                del left[0]
                killed = 0
        except BrokenExecutor:
            killed += 1
        finally:
            found.close()
    for which in left:
        yield which, make(which, None)


@contextmanager
def _deaf_to_hang_up() -> Generator[None]:
    """What is started within, as loky's own tracker of resources, goes on where its terminal is closed."""
    if not hasattr(signal, "SIGHUP"):  # Windows
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGHUP})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _as_worker(owner: int) -> None:
    """In a process that ``owner`` started: leave Ctrl-C to it, and end when it is gone."""
    if os.getpid() == owner or threading.current_thread() is not threading.main_thread():
        return
    # Ctrl-C reaches all processes of a terminal. The owner stops the others, which would each print
    # a traceback. SIGTERM ends them without one, and so a pool of which one was killed.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    local = multiprocessing.current_process().name.startswith("Loky")
    if local and all(thread.name != _WATCH for thread in threading.enumerate()):
        threading.Thread(target=_end_with, args=(owner,), name=_WATCH, daemon=True).start()


def _end_with(owner: int) -> None:
    while os.getppid() == owner:
        time.sleep(_LOOK)
    os._exit(1)
