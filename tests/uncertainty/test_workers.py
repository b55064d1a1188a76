"""Parts that are shared among processes which are killed: nothing is lost, and none stays."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from nf2ff.uncertainty.workers import in_order

PARTS = [slice(i, i + 1) for i in range(30)]
#: A process whose two workers tell their ids and then are busy for ever.
OWNER = """
import os, sys, time
from pathlib import Path
from nf2ff.uncertainty.workers import in_order

def make(which, threads):
    (Path(sys.argv[1]) / str(os.getpid())).touch()
    while True:
        time.sleep(0.01)

list(in_order(make, [slice(0, 1), slice(1, 2)], 2))
"""


def gone(pid):
    """Whether a process has ended; one whose end nobody has asked for is a zombie."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")")[1].split()[0] == "Z"
    except FileNotFoundError:
        return True


def wait_until(done):
    """Wait until it holds; a test fails where it does not within 20 s."""
    end = time.monotonic() + 20
    while not done():
        assert time.monotonic() < end
        time.sleep(0.02)


# At the first part, before which none can come: where one comes between two kills is a matter of time.
@pytest.mark.parametrize(("times", "at"), [(0, 2), (1, 2), (3, 0)])
@pytest.mark.slow
def test_what_a_killed_worker_held_is_made_again(tmp_path, times, at):
    # Killed three times the parts can only be made by the owner: it does so at the second kill in a row.
    owner = os.getpid()

    def make(which, threads):
        kills = [*tmp_path.iterdir()]
        if which.start == at and len(kills) < times and os.getpid() != owner:
            (tmp_path / str(len(kills))).touch()
            os.kill(os.getpid(), signal.SIGKILL)
        return which.start**2, os.getpid(), threads

    found = list(in_order(make, PARTS, 2))
    assert [which for which, _ in found] == PARTS
    assert [value for _, (value, *_) in found] == [i**2 for i in range(30)]
    alone = {(pid, threads) for _, (_, pid, threads) in found[at:]}
    assert ((owner, None) in alone) == (times == 3)
    assert len([*tmp_path.iterdir()]) == min(times, 2)


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="processes are looked at in /proc")
@pytest.mark.parametrize("end", [pytest.param(signal.SIGTERM, marks=pytest.mark.slow), signal.SIGKILL])
def test_no_worker_outlives_its_owner(tmp_path, end):
    owner = subprocess.Popen([sys.executable, "-c", OWNER, tmp_path])
    try:
        wait_until(lambda: len([*tmp_path.iterdir()]) == 2)
        workers = [int(x.name) for x in tmp_path.iterdir()]
        assert not any(map(gone, workers))
        owner.send_signal(end)
        assert owner.wait(20) == -end
        wait_until(lambda: all(map(gone, workers)))
    finally:
        owner.kill()
        owner.wait()
