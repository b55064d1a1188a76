"""A command that takes too long, or crashes, ends in one line, with all that it started."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from commands import run, simulated

import nf2ff

#: A package that stands for the command: it does what its first word says.
COMMAND = """
import os, signal, subprocess, sys, time
if __name__ == "__main__":
    word, *more = sys.argv[1:]
    if word == "hang":
        other = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
        print(other.pid, flush=True)
        time.sleep(60)
    if word == "crash":
        os.kill(os.getpid(), signal.SIGSEGV)
    print(more)
    sys.exit(7)
"""
RUN = """
import sys
from nf2ff.cli.limited import run_limited
print(run_limited(sys.argv[2:], float(sys.argv[1])))
"""


def limited(folder, *words, seconds=20.0):
    """What ``run_limited`` prints and gives with the package in place of the genuine one."""
    package = folder / "nf2ff"
    package.mkdir(exist_ok=True)
    genuine = str(Path(nf2ff.__file__).parent)
    (package / "__main__.py").write_text(COMMAND)
    (package / "__init__.py").write_text(f"__version__ = '0'\n__path__.append({genuine!r})\n")
    done = subprocess.run(
        [sys.executable, "-c", RUN, str(seconds), *words],
        cwd=folder, env=os.environ | {"PYTHONPATH": str(folder)}, capture_output=True, text=True, check=True,
    )  # fmt: skip
    return done.stdout.splitlines()


@pytest.mark.slow
def test_what_hangs_or_crashes_is_ended(tmp_path):
    pid, code = limited(tmp_path, "hang", seconds=1.0)
    assert code == "None"
    for _ in range(200):
        try:
            os.kill(int(pid), 0)
        except ProcessLookupError:
            break
        time.sleep(0.02)
    else:
        os.kill(int(pid), signal.SIGKILL)
        pytest.fail("what it started outlives it")
    assert limited(tmp_path, "crash") == [str(-signal.SIGSEGV)]
    assert limited(tmp_path, "other", "--an-option", "a b") == ["['--an-option', 'a b']", "7"]


@pytest.mark.parametrize(
    ("seconds", "code", "says"),
    [
        ("100", 0, ""),
        ("0.01", 1, "nf2ff: ended after 0.01 s, not done: give it more time, or do not trust its files\n"),
        ("0", 2, "is not in the range x>0.\n"),
    ],
)
def test_the_option(tmp_path, seconds, code, says):
    scan = simulated(tmp_path / "scan.h5", "--theta-step-deg", 30, "--phi-step-deg", 30)
    words = [sys.executable, "-m", "nf2ff", "--time-limit-s", seconds, "inspect", scan, "--json"]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == code
    assert done.stderr.endswith(says)
    if not code:
        assert json.loads(done.stdout)["holds"] == "samples"


@pytest.mark.parametrize("seconds", ["nan", "inf", "1e10"])
def test_a_limit_that_is_none(tmp_path, seconds):
    says = f"nf2ff: --time-limit-s is {float(seconds):g}, expected seconds above 0, at most 1e+09\n"
    assert run("--time-limit-s", seconds, "inspect", tmp_path) == (2, "", says)
