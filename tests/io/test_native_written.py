"""Native files: full disks leave the old file, no text is where a wrong bit makes libhdf5 hang."""

from __future__ import annotations

import resource
import stat
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from nf2ff.antenna.far_field import FarField
from nf2ff.antenna.modes import Modes
from nf2ff.io import native
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.result import Quantity, Result

FREQUENCY = [1e9, 2.5e9]
RNG = np.random.default_rng(0)
MODES = Modes(FREQUENCY, RNG.normal(size=(2, 16)) + 1j, "absolute")


def write_result(path: Path) -> None:
    field = FarField(
        FREQUENCY, [0, 1.5], [0, 1, 2.0], *RNG.normal(size=(2, 2, 2, 3)), [0.5, 0.25], "relative"
    )
    some = {"peak": Quantity([10.5, np.nan], "dBi", "peak directivity")}
    native.write_result(path, Result(MODES, field, some, [["short of samples", "θ"], []], {"method": "a"}))


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
