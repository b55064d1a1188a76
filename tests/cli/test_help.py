"""The commands as a user runs them: help, demo, simulate and inspect."""

import io
import re
import subprocess
import sys
import time

import pytest
from commands import run, simulated, succeed

import nf2ff
from nf2ff.cli import COMMANDS, options

# --- help ---------------------------------------------------------------------------------------


def test_help_is_quick(tmp_path):
    """It imports click, the standard library, and none of the package but the table of commands."""
    code = (
        "import sys; from nf2ff.cli import main; main(['--help'], standalone_mode=False); "
        "print(*sys.modules, file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert done.stdout.startswith("Usage: ")
    modules = set(done.stderr.split())
    assert "click" in modules
    assert not modules & {"numpy", "scipy", "h5py", "ducc0", "matplotlib"}
    ours = {x for x in modules if x.startswith("nf2ff.")}
    assert ours == {"nf2ff.cli", "nf2ff.messages", "nf2ff.messages.input_error"}


@pytest.mark.parametrize("command", COMMANDS)
def test_help_of_each_command(command, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert f"  {command} " in succeed("--help")
    told = succeed(command, "-h")
    assert told.startswith(f"Usage: nf2ff {command} [OPTIONS]")
    (example,) = re.findall(r"^ +Example: (nf2ff .*(?:\n .*)*)", told, flags=re.MULTILINE)
    name, *words = example.split()[1:]
    assert name == command
    # The command takes it: what it is refused for is the file that is not there.
    done = run(command, *words) if command != "demo" else None
    assert done is None or (done.code == 1 and "no such file" in done.err), done


def test_version():
    assert succeed("--version") == f"nf2ff, version {nf2ff.__version__}\n"


def test_work_that_takes_long_is_told_of(monkeypatch):
    told = io.StringIO()
    monkeypatch.setattr("sys.stderr", told)
    monkeypatch.setattr(options, "RENEWED", 0.01)
    with options.working("solving"):
        time.sleep(0.05)
    assert told.getvalue() == ""  # no terminal
    monkeypatch.setattr(options, "on_terminal", lambda: True)
    with options.working("solving"):
        time.sleep(0.05)
    assert told.getvalue() == ""  # not yet two seconds
    monkeypatch.setattr(options, "PATIENCE", 0.0)
    with options.working("solving"):
        time.sleep(0.2)
        options.tell("warning")
    assert "solving, 00:00" in told.getvalue()
    assert "warning\n" in told.getvalue().replace("\r", "\n")
    assert told.getvalue().split("\r")[-1].strip() == ""  # nothing is left on the line


def test_commands_say_what_they_do(tmp_path, monkeypatch):
    monkeypatch.setattr(options, "RENEWED", 0.001)
    monkeypatch.setattr(options, "PATIENCE", 0.0)
    quiet = simulated(tmp_path / "quiet.h5")  # no terminal: nothing but the result
    monkeypatch.setattr(options, "on_terminal", lambda: True)
    words = (tmp_path / "quiet.toml", "-o", tmp_path / "scan.h5", "--frequency-ghz", 3, "--radius-m", 0.4)
    for command, word in (
        (("simulate", *words), "simulating"),
        (("import", quiet, "-o", tmp_path / "again.h5"), "reading"),
        (("transform", quiet, "-o", tmp_path / "result.h5"), "solving"),
        (("export", tmp_path / "result.h5", "-o", tmp_path / "cuts.csv"), "writing"),
    ):
        done = run(*command)
        assert done.code == 0
        assert f"{word}, 00:00" in done.err, command
        assert word not in done.out
