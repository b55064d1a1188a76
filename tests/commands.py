"""Runs the commands as a user does, and the scans that the tests of them start from."""

import json
import os
import re
import subprocess
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from click.testing import CliRunner

from nf2ff.antenna.closed_form import far_field_of
from nf2ff.antenna.modes import WAVE_IMPEDANCE
from nf2ff.cli import main

#: Off-centre along x, y and z, electric and magnetic, in and out of phase.
ANTENNA = """\
[[dipole]]
position_m = [0.030, -0.010, 0.020]
electric_a_m = [1e-3, [0, 2e-4], 0]

[[dipole]]
position_m = [-0.015, 0.040, 0.005]
magnetic_v_m = [[0.2, 0.1], 0, 0.3]

[[dipole]]
position_m = [0.010, 0.020, -0.035]
electric_a_m = [0, 3e-4, [5e-4, -2e-4]]
magnetic_v_m = [0.05, [0, -0.1], 0]
"""


#: A minus sign before nothing, as -0.0 (of +0.1/-0.0 it is the word).
MINUS_NOTHING = re.compile(r"(?<![\w./])-0(\.0*)?(?![.,]?\d|[eE-])")
#: What is said of a table of fields.
IN_FIELDS = ("--response-unit", "V/m")


class Done(NamedTuple):
    """What a command left behind."""

    code: int
    out: str
    err: str


def run(*words: object) -> Done:
    """A command in this process; an exception that it lets through is raised here."""
    result = CliRunner().invoke(main, [str(word) for word in words])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert not MINUS_NOTHING.search(result.output), result.output
    return Done(result.exit_code, result.stdout, result.stderr)


def succeed(*words: object) -> str:
    """Standard output of a command that must succeed and have nothing to complain of."""
    done = run(*words)
    assert (done.code, done.err) == (0, ""), done
    return done.out


def start(*words: object, folder: Path) -> Done:
    """The same in a process of its own, without a display."""
    unset = ("DISPLAY", "WAYLAND_DISPLAY", "MPLBACKEND")
    done = subprocess.run(
        [sys.executable, "-m", "nf2ff", *map(str, words)],
        cwd=folder,
        env={name: value for name, value in os.environ.items() if name not in unset},
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    return Done(done.returncode, done.stdout, done.stderr)


def simulated(path: Path, *options: object, antenna: str = ANTENNA) -> Path:
    """``path``, written by ``nf2ff simulate``; at 3 GHz and 0.4 m if not told otherwise."""
    source = path.with_suffix(".toml")
    source.write_text(antenna, encoding="utf-8")
    given = {"--frequency-ghz": 3, "--radius-m": 0.4}
    words = [x for pair in given.items() if pair[0] not in options for x in pair]
    succeed("simulate", source, "-o", path, *words, *options)
    return path


def transformed(scan: Path, result: Path, *options: object) -> list[dict[str, Any]]:
    """Objects per frequency that ``nf2ff transform --json`` prints, without a warning.

    A table, of which nothing else is said, is stated to be in V/m.
    """
    if scan.suffix == ".csv" and not {"--response-unit", "--level"} & set(options):
        options = (*options, *IN_FIELDS)
    out = succeed("transform", scan, "-o", result, "--json", *options)
    (line,) = out.splitlines()
    found = json.loads(line)
    assert found.keys() == {"frequencies"}
    return found["frequencies"]


def rows_of(path: Path) -> tuple[list[list[str]], list[str]]:
    """Rows of a table and its header, as text cells."""
    header, *lines = path.read_text(encoding="utf-8").splitlines()
    return [line.split(",") for line in lines], header.split(",")


def put_rows(path: Path, rows: Iterable[Sequence[str]], header: Sequence[str]) -> Path:
    """``path``, written as a table."""
    lines = (",".join(cells) for cells in [header, *rows])
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def db(ratio: Any) -> Any:
    """Decibels of a ratio of powers."""
    return 10 * np.log10(ratio)


def eirp_of(antenna: Any, frequency: float, theta: Any, phi: Any) -> Any:
    """Closed form, 4 pi |r E|^2 / (2 Z0), in each direction [W]."""
    e = far_field_of(antenna, frequency=[frequency], theta=theta, phi=phi)
    return 4 * np.pi * sum(np.abs(x[0]) ** 2 for x in e) / (2 * WAVE_IMPEDANCE)


def snapshot(folder: Path) -> dict[Path, bytes | None]:
    """All that is in a folder, byte by byte."""
    return {x: x.read_bytes() if x.is_file() else None for x in folder.rglob("*")}


def assert_refused(folder: Path, *words: object, says: str) -> str:
    """The command ends with 1 and one line that ``says`` so; no file in ``folder`` has changed."""
    before = snapshot(folder)
    done = run(*words)
    assert (done.code, done.out) == (1, ""), done
    (line,) = done.err.splitlines()
    assert line.startswith("nf2ff: ")
    assert "Traceback" not in line
    assert re.search(says, line), line
    assert snapshot(folder) == before
    return line


def assert_file_refused(folder: Path, command: str, file: Path, *options: object, says: str) -> None:
    """So it is with a new output and with one that may be replaced; the line names the file."""
    line = assert_refused(folder, command, file, "-o", folder / "out.h5", *options, says=says)
    assert line.startswith(f"nf2ff: {file}")
    (folder / "old.h5").write_bytes(b"precious")
    words = (command, file, "-o", folder / "old.h5", "--overwrite", *options)
    assert assert_refused(folder, *words, says=says) == line
