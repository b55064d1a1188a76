"""More frequencies than lines on one screen: what the commands print of them, and --all."""

import json

import h5py
import numpy as np
import pytest
from commands import run, simulated, succeed

from nf2ff.io.native import read_samples, write_samples

#: Most lines that a command prints: a screen (asked of us, no source).
SCREEN = 60
#: Frequencies: more than its lines.
COUNT = 64
#: Near the origin: degree 4 suffices, and 9 x 16 positions.
ANTENNA = """\
[[dipole]]
position_m = [0.006, -0.002, 0.004]
electric_a_m = [1e-3, [0, 2e-4], 0]
magnetic_v_m = [[0.2, 0.1], 0, 0.3]
"""
BUDGET = """\
metrics = ["directivity", "gain", "eirp", "trp", "beamwidth", "pointing"]

[[term]]
name = "cable"
standard_uncertainty = { eirp_db = 0.1, trp_db = 0.2 }

[[term]]
name = "room"
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Scan and result at all frequencies."""
    folder = tmp_path_factory.mktemp("many")
    words = [x for ghz in np.linspace(2, 2.2, COUNT) for x in ("--frequency-ghz", f"{ghz:.6g}")]
    steps = ("--theta-step-deg", 22.5, "--phi-step-deg", 22.5, "--noise", 1e-5)
    simulated(folder / "scan.h5", *words, *steps, antenna=ANTENNA)
    (folder / "told.txt").write_text(succeed("transform", folder / "scan.h5", "-o", folder / "result.h5"))
    return folder


@pytest.fixture(scope="module")
def assessed(folder):
    """What `nf2ff uncertainty` prints of them; it wrote told.h5."""
    (folder / "budget.toml").write_text(BUDGET, encoding="utf-8")
    return run(*assess_words(folder), "-o", folder / "told.h5")


def assess_words(folder):
    return "uncertainty", folder / "scan.h5", folder / "budget.toml", "--linear"


def test_transform_fits_a_screen(folder):
    lines = (folder / "told.txt").read_text().splitlines()
    assert len(lines) < 15
    assert lines[2] == f"{COUNT} frequencies from 2 to 2.2 GHz"
    eirp = json.loads(succeed("inspect", folder / "result.h5", "--json"))["peak_eirp_dbm"]
    (row,) = (x.split() for x in lines if x.startswith("EIRP"))
    expected = [min(eirp), np.median(eirp), max(eirp)]
    assert [float(row[i]) for i in (1, 3, 4)] == pytest.approx(expected, abs=5.1e-5)  # four decimals
    assert float(row[2]) == pytest.approx(np.linspace(2, 2.2, COUNT)[np.argmin(eirp)], rel=1e-5)
    everything = succeed("transform", folder / "scan.h5", "-o", folder / "d.h5", "--all").splitlines()
    assert len(everything) == 3 + COUNT


@pytest.mark.slow
def test_uncertainty_fits_a_screen(folder, assessed):
    assert assessed.code == 0
    lines = assessed.out.splitlines()
    assert len(lines) <= SCREEN
    assert f"{COUNT} frequencies from 2 to 2.2 GHz" in lines
    at = next(i for i, x in enumerate(lines) if x.startswith("TRP"))
    # 1.96 times 0.2 dB, equal sides in amplitude (closed form).
    amplitude = 1.96 * 0.2 * np.log(10) / 20
    up, down = 20 * np.log10(1 + amplitude), -20 * np.log10(1 - amplitude)
    found = [float(lines[at + i].split("incomplete")[1].split()[0]) for i in (1, 2)]
    assert found == pytest.approx([up, down], abs=0.005)
    assert "TRP: cable 0.2 dB" in lines
    assert "not supplied, and so not part of it: room" in lines
    whole = run(*assess_words(folder), "-o", folder / "v.h5", "--all").out.splitlines()
    assert sum(x.endswith(" GHz") for x in whole) == COUNT


@pytest.mark.slow
def test_warnings_are_told_once(folder):
    done = run("transform", folder / "scan.h5", "-o", folder / "e.h5", "--degree", 1)
    assert done.code == 0
    told = done.err.splitlines()
    assert 0 < len(told) < 5
    assert any(x.startswith(f"warning, at {COUNT} of {COUNT} frequencies, 2 to 2.2 GHz: ") for x in told)
    exported = run("export", folder / "e.h5", "-o", folder / "cuts.csv")
    assert exported.err.splitlines() == told


@pytest.mark.parametrize("file", ["scan.h5", "result.h5", pytest.param("told.h5", marks=pytest.mark.slow)])
def test_inspect_fits_a_screen(folder, file, request):
    if file == "told.h5":
        request.getfixturevalue("assessed")
    lines = succeed("inspect", folder / file).splitlines()
    assert len(lines) <= SCREEN
    assert max(map(len, lines)) < 130
    if file == "scan.h5":
        return
    assert f"{COUNT} frequencies from 2 to 2.2 GHz" in lines
    assert len(succeed("inspect", folder / file, "--all").splitlines()) > COUNT


@pytest.mark.slow
def test_blocks_of_frequencies_change_no_bit(folder, tmp_path, monkeypatch):
    # Half of the sphere, so that directions are marked, too.
    samples = read_samples(folder / "scan.h5").part(range(9))
    write_samples(folder / "half.h5", samples.part(range(9), samples.theta < 1.6))
    found = []
    for block, chunk in ((2**24, 2**20), (1, 2**12)):
        monkeypatch.setattr("nf2ff.antenna.far_field._BLOCK", block)
        monkeypatch.setattr("nf2ff.io.hdf5._CHUNK", chunk)
        result = tmp_path / f"{block}.h5"
        assert run("transform", folder / "half.h5", "-o", result, "--degree", 4).code == 0
        outputs = {"": result}
        for name, words in {
            "field.h5": (),
            "other.h5": ("--theta-step-deg", 10, "--frequency-ghz", 2.01587, "--frequency-ghz", 2.02222),
            "field.csv": ("--what", "field"),
            "levels.csv": ("--what", "levels"),
            "cuts.csv": (),
        }.items():
            outputs[name] = tmp_path / f"{block}-{name}"
            assert run("export", result, "-o", outputs[name], *words).code == 0
        found.append({name: contents(path) for name, path in outputs.items()})
    assert found[0] == found[1]
    assert found[0][""]["far_field/trusted"].count(0) > 1000


def contents(path):
    """Bytes of a text, or of each dataset."""
    if path.suffix == ".csv":
        return path.read_bytes()
    data = {}
    with h5py.File(path) as file:
        file.visititems(lambda name, x: data.update({name: x[()].tobytes()}) if hasattr(x, "shape") else None)
    return data
