"""Native files with a wrong bit, and disks that are full: one line, never a wrong number or a hang."""

from __future__ import annotations

import resource
import stat
import subprocess
import sys
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from nf2ff.antenna.far_field import FarField
from nf2ff.antenna.modes import Modes
from nf2ff.io import native
from nf2ff.io.growth import write_growth
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.result import Quantity, Result
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.growth import Growth

FREQUENCY = [1e9, 2.5e9]
RNG = np.random.default_rng(0)
MODES = Modes(FREQUENCY, RNG.normal(size=(2, 16)) + 1j, "absolute")


def write_result(path: Path) -> None:
    field = FarField(
        FREQUENCY, [0, 1.5], [0, 1, 2.0], *RNG.normal(size=(2, 2, 2, 3)), [0.5, 0.25], "relative"
    )
    some = {"peak": Quantity([10.5, np.nan], "dBi", "peak directivity")}
    native.write_result(path, Result(MODES, field, some, [["short of samples", "θ"], []], {"method": "a"}))


def write_samples(path: Path) -> None:
    response = RNG.normal(size=(2, 3)) + 1j
    native.write_samples(path, Samples(FREQUENCY, [0.1, -2, 3], 0.5, 0, 1.5, [1, 2, 1], response, "sqrt(W)"))


def write_study(path: Path) -> None:
    count = {"degree": [4, 5], "samples": [90, 91], "draws": [20, 7]}
    figure = Figure("beamwidth", plane=0.5, drop_db=10.0)
    errors = {x: RNG.normal(size=(2, 1, 1)) for x in ("reference", "mean", "spread", "low", "high")}
    level = {x: RNG.normal(size=(2, 1)) for x in ("level_db", "level_low_db", "level_high_db")}
    arrays: Any = {x: np.array(y) for x, y in count.items()} | errors | level
    values, frequency = np.array([0.5, 1.0]), np.full((2, 1), 1e9)
    write_growth(path, Growth("size", values, (figure,), frequency, **arrays, confidence=0.9))


KINDS = {
    "modes": (lambda path: native.write_modes(path, MODES), "native", "read_modes"),
    "samples": (write_samples, "native", "read_samples"),
    "probe": (lambda path: native.write_probe(path, Probe(None, np.eye(2, 6)[None])), "native", "read_probe"),
    "result": (write_result, "native", "read_result"),
    "growth": (write_study, "growth", "read_growth"),
}
#: Bytes between two flips; with 1 there is one in each byte.
STRIDE = 149
FLIPS = """
import importlib, pickle, sys
from pathlib import Path
from nf2ff.messages.input_error import InputError

path, module, name, stride = Path(sys.argv[1]), *sys.argv[2:4], int(sys.argv[4])
read = getattr(importlib.import_module("nf2ff.io." + module), name)
whole, right = path.read_bytes(), pickle.dumps(read(path))
for k, at in enumerate(range(0, len(whole), stride)):
    data = bytearray(whole)
    data[at] ^= 1 << k % 8
    path.write_bytes(data)
    try:
        print("harmless" if pickle.dumps(read(path)) == right else f"byte {at} changes a value", flush=True)
    except InputError as error:
        print("refused" if str(error).count("\\n") == 0 else f"byte {at}: {error!r}", flush=True)
"""


@pytest.mark.parametrize("kind", KINDS)
def test_no_wrong_bit_passes(tmp_path: Path, kind: str) -> None:
    write, *reader = KINDS[kind]
    path = tmp_path / "a.h5"
    write(path)
    size = path.stat().st_size
    words = [sys.executable, "-c", FLIPS, path, *reader, str(STRIDE)]
    done = subprocess.run(words, capture_output=True, text=True, timeout=120, check=True)  # or it hangs
    found = done.stdout.splitlines()
    assert set(found) == {"refused", "harmless"}
    assert len(found) == -(-size // STRIDE)


@pytest.mark.parametrize("room", [0, 100, 2048, 8000])
def test_a_full_disk_leaves_the_old_file(tmp_path: Path, room: int) -> None:
    path = tmp_path / "m.h5"
    path.write_text("old")
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (room, limits[1]))
    try:
        with pytest.raises(InputError, match=r"^[^\n]*m\.h5: cannot be written \(File too large\): free"):
            native.write_modes(path, MODES, overwrite=True)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert path.read_text() == "old"
    assert [x.name for x in tmp_path.iterdir()] == ["m.h5"]


def test_no_text_is_of_variable_length(tmp_path: Path) -> None:
    write_result(tmp_path / "r.h5")
    kinds = []

    def look(name: str, item: Any) -> None:
        kinds.extend((name, x, item.attrs.get_id(x).dtype.kind) for x in item.attrs)
        if isinstance(item, h5py.Dataset):
            kinds.append((name, "", item.dtype.kind))

    with h5py.File(tmp_path / "r.h5") as file:
        file.visititems(look)
    # Only the names of axes, which other programs read, are lists in the heap.
    assert {x for _, x, kind in kinds if kind == "O"} == {"DIMENSION_LIST"}
    assert len(kinds) > 50


def test_overwriting_keeps_the_mode(tmp_path: Path) -> None:
    path = tmp_path / "m.h5"
    native.write_modes(path, MODES)
    path.chmod(0o640)
    native.write_modes(path, MODES, overwrite=True)
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
