"""A command in a process of its own, which is ended when its time is over: libhdf5 hears no interrupt."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Sequence

from nf2ff.cli import stopped_by


def run_limited(words: Sequence[str], seconds: float) -> int | None:
    """Run ``nf2ff`` with these words.

    Parameters
    ----------
    words : sequence of str
        Name and arguments of the command.
    seconds : float
        When it is ended, with all processes that it started.

    Returns
    -------
    int or None
        Its exit code, minus a signal that ended it; None where the time was over.
    """
    # Modules come from where this process has them; a folder that happens to be the current one is none.
    path = os.pathsep.join(filter(None, sys.path))
    child = subprocess.Popen(
        [sys.executable, "-P", "-m", "nf2ff", *words],
        env=os.environ | {"PYTHONPATH": path},
        start_new_session=True,
    )
    try:
        return child.wait(seconds)
    except subprocess.TimeoutExpired:
        return None
    except KeyboardInterrupt:
        os.killpg(child.pid, stopped_by())
        return child.wait()
    finally:
        if child.poll() is None:
            os.killpg(child.pid, signal.SIGKILL)
            child.wait()
