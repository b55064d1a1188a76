"""Readers on damaged files: what they held or one line, never a wrong number, a traceback, a crash or a hang.

A longer run over all bytes, or with more faults at random, is that of ``python tests/damage.py``.
"""

import importlib.util
from pathlib import Path

import pytest
from corpus import NATIVE, SEEDS
from damage import flipped, mutated, run

#: Bytes between two flips; bytes of the largest file between two of its own.
STRIDE, LARGE = 149, 1499
#: Mutations of each reader.
COUNT = 25


@pytest.fixture(scope="module")
def verdicts(tmp_path_factory):
    """Verdicts by reader and kind of damage, of one process for all: what takes long is to start it."""
    flips = [[name, "flip", 0, -1, LARGE if name == "uncertainty" else STRIDE] for name in NATIVE]
    fuzz = [[name, "fuzz", 0, COUNT // 5 if name in NATIVE else COUNT, 1] for name in SEEDS]
    return run(tmp_path_factory.mktemp("damaged"), flips + fuzz)


@pytest.mark.slow
@pytest.mark.parametrize("name", NATIVE)
def test_no_wrong_bit_changes_a_value(verdicts, name):
    found = verdicts[name, "flip"]
    assert set(found) == {"refused", "the same"}
    assert found.total() > 30


@pytest.mark.slow
@pytest.mark.parametrize("name", SEEDS)
def test_each_fault_is_told_in_one_line(verdicts, name):
    found = verdicts[name, "fuzz"]
    assert set(found) <= {"refused", "the same", "other"}
    assert found.total() >= COUNT // 5
    # A guess of what a table holds refuses next to nothing, and the kind of a file is in its first line.
    assert found["refused"] > 0 or name in ("kind", "proposal")


#: Readers that do what no reader may, at the third byte that is wrong.
BAD = """
import os, signal, time
from collections import namedtuple

Seed = namedtuple("Seed", "write read suffix")

def reader(fault):
    def read(path):
        if path.read_bytes()[2:3] != b"o":
            fault()
    return Seed(lambda path: path.write_bytes(b"whole"), read, "")

SEEDS = {
    "hang": reader(lambda: time.sleep(99)),
    "crash": reader(lambda: os.kill(os.getpid(), signal.SIGSEGV)),
    "traceback": reader(lambda: 1 / 0),
    "good": reader(lambda: None),
}
content = repr
"""


@pytest.mark.slow
def test_a_hang_and_a_crash_are_seen(tmp_path):
    text = Path(__file__).parents[1].joinpath("damage.py").read_text()
    (tmp_path / "damage.py").write_text(text.replace("LIMIT = 10", "LIMIT = 0.2"))
    (tmp_path / "corpus.py").write_text(BAD)
    spec = importlib.util.spec_from_file_location("damage_of_bad_readers", tmp_path / "damage.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    found = {}
    for name in ("hang", "crash", "traceback", "good"):
        found |= {key: set(x) for key, x in module.run(tmp_path, [[name, "flip", 0, -1, 1]]).items()}
    # What is behind it is read, too.
    assert found == {
        ("hang", "flip"): {"hangs at 2", "the same"},
        ("crash", "flip"): {"ends with -11 at 2", "the same"},
        ("traceback", "flip"): {"the same", "ZeroDivisionError: division by zero"},
        ("good", "flip"): {"the same"},
    }
    assert (tmp_path / "traceback-flip-2").read_bytes()[2:3] != b"o"


def test_faults_are_the_same_each_time():
    assert [a ^ b for a, b in zip(flipped(b"abc", 1), b"abc", strict=True)].count(0) == 2
    whole = b"whole" * 9
    assert mutated(whole, "a", 3) == mutated(whole, "a", 3)
    assert len({mutated(whole, name, at) for name in "ab" for at in range(20)}) > 30
