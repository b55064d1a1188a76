"""The way of a sample from CSV to EIRP: what `nf2ff transform` imports, executes and opens."""

import json
import subprocess
import sys

import click
import pytest
from commands import IN_FIELDS, simulated

from nf2ff.cli import COMMANDS, main

#: Runs the program's words and prints what it imported, the files of the package whose functions ran
#: (imports and what they do left out), and how often the input was opened.
PROGRAM = """
import json, sys
from pathlib import Path
import nf2ff
from nf2ff.cli import main

root, words = str(Path(nf2ff.__file__).parent), sys.argv[1:]
main.get_command(None, words[0])  # imports what the command needs
ran, opened = set(), []

def importing(frame):
    while frame is not None:
        if frame.f_code.co_name == "<module>" and frame.f_code.co_filename.startswith(root):
            return True
        frame = frame.f_back
    return False

def called(frame, event, _):
    file = frame.f_code.co_filename
    if event == "call" and file.startswith(root) and file not in ran and not importing(frame):
        ran.add(file)

def audited(event, arguments):
    if event == "open" and str(arguments[0]).endswith(Path(words[1]).name):
        opened.append(str(arguments[0]))

sys.addaudithook(audited)
sys.setprofile(called)
main(words, standalone_mode=False)
sys.setprofile(None)
ran = sorted(file[len(root) + 1:] for file in ran)
print(json.dumps({"modules": sorted(sys.modules), "ran": ran, "opened": len(opened)}), file=sys.stderr)
"""


@pytest.fixture(scope="module")
def trip(tmp_path_factory):
    folder = tmp_path_factory.mktemp("trip")
    steps = ("--theta-step-deg", 15, "--phi-step-deg", 15)
    scan = simulated(folder / "scan.csv", "--frequency-ghz", 1, "--radius-m", 0.4, *steps)
    words = ["transform", scan, "-o", folder / "result.h5", *IN_FIELDS]
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, *map(str, words)],
        cwd=folder,
        capture_output=True,
        text=True,
        check=True,
    )
    return json.loads(done.stderr.splitlines()[-1])


@pytest.mark.slow
def test_transform_imports_nothing_of_other_tasks(trip):
    others = tuple(f"nf2ff.{name}" for name in ("uncertainty", "ranges", "power_only"))
    assert "nf2ff.metrics.transformation" in trip["modules"]
    assert [name for name in trip["modules"] if name.startswith(others)] == []
    assert not {"matplotlib", "scipy.stats", "pyshtools"} & set(trip["modules"])


def test_few_files_stand_between_command_and_solver(trip):
    # Counted, not derived: what there is today, so that it grows no further unnoticed. The functions that
    # run have 5,500 lines, which alone would fill twelve files of the greatest length allowed.
    layers = [name for name in trip["ran"] if name.startswith(("cli", "io", "report"))]
    assert "cli/transform.py" in layers
    assert len(layers) <= 15, layers
    assert len(trip["ran"]) <= 59, trip["ran"]


def test_the_scan_is_opened_once_for_its_bytes_and_once_to_parse_them(trip):
    # The checksum in the provenance is that of the bytes that were read.
    assert trip["opened"] <= 2


def test_help_has_a_short_sentence_for_each_command():
    context = click.Context(main)
    for name, words in COMMANDS.items():
        assert main.get_command(context, name).name == name
        assert words[0].isupper()
        assert words.endswith(".")
        # The room that click leaves beside the longest name in 80 columns less 2: one line each.
        assert len(words) <= 78 - 6 - max(map(len, COMMANDS))
