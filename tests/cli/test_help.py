"""The commands as a user runs them: help, demo, simulate and inspect."""

import json
import subprocess
import sys

import pytest
from commands import succeed

import nf2ff

# --- help ---------------------------------------------------------------------------------------


def test_help_is_quick(tmp_path):
    """It imports nothing that is slow to import, and does little by itself.

    What cannot be done without is imported first; what comes after is named, and the processor's
    time for it taken in that process alone: neither depends on what else the machine does.
    """
    code = (
        "import json, sys, time, click, ducc0, numpy, scipy.special; "
        "before, begin = set(sys.modules), time.process_time(); "
        "from nf2ff.cli import main; main(['--help'], standalone_mode=False); "
        "print(json.dumps([time.process_time() - begin, [*set(sys.modules) - before]]), "
        "file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert done.stdout.startswith("Usage: ")
    seconds, modules = json.loads(done.stderr)
    assert "nf2ff.solver.solve" in modules
    known = {"nf2ff", "click", *sys.stdlib_module_names}
    assert [x for x in modules if x.partition(".")[0] not in known] == []
    # Some 0.1 s for a hundred small files; half a second is what users are promised in all.
    assert seconds < 0.5


@pytest.mark.parametrize(
    "command",
    [
        "demo",
        "export",
        "import",
        "inspect",
        "plan",
        "quiet-zone",
        "simulate",
        "study",
        "transform",
        "uncertainty",
    ],
)
def test_help_of_each_command(command):
    assert f"  {command} " in succeed("--help")
    assert succeed(command, "-h").startswith(f"Usage: nf2ff {command} [OPTIONS]")


def test_version():
    assert succeed("--version") == f"nf2ff, version {nf2ff.__version__}\n"
