"""The locked set for laboratories against what pyproject.toml asks for."""

import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
LINES = (ROOT / "requirements-locked.txt").read_text(encoding="utf-8").splitlines()
LOCKED = dict(line.split(" ")[0].split("==") for line in LINES if not line.startswith("#"))


def numbers(version):
    return tuple(int(x) for x in re.findall(r"[0-9]+", version))


@pytest.mark.parametrize("needed", PROJECT["dependencies"])
def test_direct_dependencies_are_within_their_bounds(needed):
    name, lowest = needed.split(">=")
    assert numbers(LOCKED[name]) >= numbers(lowest)


def test_every_line_is_a_version_with_its_hash():
    assert re.fullmatch(r"# Python 3\.[0-9]+, Linux x86_64; written by \.ci/lock", LINES[0])
    for line in LINES[1:]:
        assert re.fullmatch(r"[a-z0-9._-]+==[0-9a-z.]+ --hash=sha256:[0-9a-f]{64}", line)


def test_every_bound_is_one_from_below():
    # `.ci/run` makes the lowest set of them by writing == for >=.
    for needed in PROJECT["dependencies"] + PROJECT["optional-dependencies"]["test"]:
        assert re.fullmatch(r"[a-z0-9-]+>=[0-9.]+", needed)
