"""What libhdf5 needs to write: a file on which no write fails, and no Ctrl-C meanwhile.

It crashes where a disk is full, and where the interrupt is raised in what h5py calls to write for it.
"""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from io import FileIO
from types import FrameType
from typing import Any

from nf2ff.io.safe import PathLike


class Target(FileIO):
    """A new file that keeps the first error of the disk to itself until it is asked for.

    Parameters
    ----------
    path : path
        File to write, which must not exist.
    """

    def __init__(self, path: PathLike) -> None:
        super().__init__(os.fspath(path), "x+b")
        self._error: OSError | None = None

    def write(self, data: Any) -> int:
        """Write all of it; what a full disk has no room for is left out."""
        view, done = memoryview(data).cast("B"), 0
        try:
            while self._error is None and done < len(view):
                done += super().write(view[done:]) or 0
        except OSError as error:
            self._error = error
        return len(view)

    def truncate(self, size: int | None = None) -> int:
        """Set the length."""
        try:
            return super().truncate(size)
        except OSError as error:
            self._error = self._error or error
        return size or 0

    def check(self) -> None:
        """Raise what went wrong."""
        if self._error is not None:
            raise self._error

    def finish(self) -> None:
        """Bring all onto the disk, or raise what went wrong."""
        self.check()
        os.fsync(self.fileno())


@contextmanager
def interrupts_later() -> Iterator[Callable[[], None]]:
    """Hold Ctrl-C and the like back; what is given lets them come, and so does the end."""
    stopped: list[int] = []
    before: dict[int, Callable[[int, FrameType | None], Any]] = {}

    def check() -> None:
        while stopped:
            number = stopped.pop(0)
            before[number](number, None)

    if threading.current_thread() is threading.main_thread():
        for number in (getattr(signal, x, None) for x in ("SIGINT", "SIGTERM", "SIGHUP")):
            if number is not None and callable(handler := signal.getsignal(number)):
                before[number] = handler
                signal.signal(number, lambda number, _: stopped.append(number))
    try:
        yield check
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    check()
