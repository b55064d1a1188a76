"""The commands as a user runs them: help, demo, simulate and inspect."""

import json
import re
import subprocess
import sys

import h5py
import numpy as np
import pytest
import xarray
from commands import (
    assert_refused,
    db,
    eirp_of,
    put_rows,
    rows_of,
    run,
    simulated,
    start,
    succeed,
    transformed,
)

import nf2ff
from nf2ff import io
from nf2ff.antennas import huygens_source
from nf2ff.inspection import read_antenna
from nf2ff.simulate import far_field_of, radiated_power_of

FREQUENCY = np.array([3e9, 3.4e9])
SWEEP = ("--frequency-ghz", 3, "--frequency-ghz", 3.4)
STEPS = ("--theta-step-deg", 7.5, "--phi-step-deg", 7.5)
#: What the project promises of the far field; powers are its square.
FIELD, POWER = 1e-9, 2e-9


@pytest.fixture(scope="module")
def scan(tmp_path_factory):
    """A table of 25 x 48 positions, two frequencies; scan.toml is its antenna."""
    return simulated(tmp_path_factory.mktemp("scan") / "scan.csv", *SWEEP, *STEPS)


@pytest.fixture(scope="module")
def antenna(scan):
    return read_antenna(scan.with_suffix(".toml"))


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
    assert "nf2ff.solve" in modules
    known = {"nf2ff", "click", *sys.stdlib_module_names}
    assert [x for x in modules if x.partition(".")[0] not in known] == []
    # Some 0.1 s for a hundred small files; half a second is what users are promised in all.
    assert seconds < 0.5


@pytest.mark.parametrize(
    "command",
    ["demo", "export", "import", "inspect", "simulate", "study", "transform", "uncertainty"],
)
def test_help_of_each_command(command):
    assert f"  {command} " in succeed("--help")
    assert succeed(command, "-h").startswith(f"Usage: nf2ff {command} [OPTIONS]")


def test_version():
    assert succeed("--version") == f"nf2ff, version {nf2ff.__version__}\n"


# --- demo ---------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """Folder in which ``nf2ff demo`` ran, and what it left behind."""
    folder = tmp_path_factory.mktemp("demo")
    return folder, start("demo", folder=folder)


def test_demo_writes_files_that_can_be_read(demo):
    folder, done = demo
    assert (done.code, done.err) == (0, "")
    assert [x.name for x in folder.iterdir()] == ["nf2ff-demo"]
    folder = folder / "nf2ff-demo"
    pictures = ["polar-cuts.png", "power-spectrum.png", "principal-cuts.png"]
    names = sorted([*pictures, "result.h5", "scan.csv", "scan.h5"])
    assert sorted(x.name for x in folder.iterdir()) == names
    assert f"written to nf2ff-demo: {', '.join(names)}\n" in done.out
    native, table = (io.read_samples(folder / name) for name in ("scan.h5", "scan.csv"))
    np.testing.assert_array_equal(native.response, table.response)
    for name in pictures:
        from matplotlib.image import imread

        assert imread(folder / name)[..., :3].std() > 0.01  # a blank picture has 0


def test_demo_result_opens_in_xarray(demo):
    path = demo[0] / "nf2ff-demo" / "result.h5"
    with xarray.open_dataset(path, group="/far_field", engine="h5netcdf") as found:
        units = {"frequency": "Hz", "theta": "rad", "phi": "rad", "e_theta": "V", "e_phi": "V"}
        assert {name: found[name].attrs["units"] for name in units} == units
        assert found["e_theta"].dims == found["e_phi"].dims == ("frequency", "theta", "phi")
        field = io.read_far_field(path)
        np.testing.assert_array_equal(found["e_theta"].values, field.e_theta)
        np.testing.assert_array_equal(found["theta"].values, field.theta)


def test_demo_figures(demo):
    from nf2ff.demo import FREQUENCY, LARGEST_ERROR, weather_station_panel

    folder, done = demo
    rows = re.findall(r"^(.+\S) +(\S+\d) +(\S+\d) +(\S+\d)$", done.out, flags=re.MULTILINE)
    found = {name: [float(x) for x in figures] for name, *figures in rows}
    panel = weather_station_panel()
    theta, phi = (
        np.radians(float(re.search(rf"{x} (\S+) deg", done.out)[1])) for x in ("theta", "phi")
    )
    eirp = eirp_of(panel, FREQUENCY, theta, phi)[0]
    power = radiated_power_of(panel, frequency=[FREQUENCY])[0]
    exact = {
        # The direction is printed to half of 1e-3 deg; off the peak of a beam of b = 8 deg the
        # level falls by 12 (d/b)^2 dB, 5e-8 dB here. Printed to half of 1e-6 dB.
        "peak directivity [dBi]": db(eirp / power),
        "peak EIRP [dBm]": db(eirp / 1e-3),
        "total radiated power [dBm]": db(power / 1e-3),
    }
    assert found.keys() == exact.keys()
    for name, (got, closed_form, difference) in found.items():
        assert closed_form == pytest.approx(exact[name], abs=6e-7), name
        assert got == pytest.approx(closed_form, abs=1e-6), name
        assert abs(difference) < 4.4 * POWER, name
    (error,) = re.findall(r"^far field, relative error +(\S+)$", done.out, flags=re.MULTILINE)
    field = io.read_far_field(folder / "nf2ff-demo" / "result.h5")
    t, p = (x.ravel() for x in np.meshgrid(field.theta, field.phi, indexing="ij"))
    closed = np.array(far_field_of(panel, frequency=[FREQUENCY], theta=t, phi=p))
    got = np.array([field.e_theta, field.e_phi]).reshape(closed.shape)
    own = np.linalg.norm(got - closed) / np.linalg.norm(closed)
    assert float(error) == pytest.approx(own, rel=0.06)  # printed to two digits
    assert own < LARGEST_ERROR <= FIELD


def test_demo_that_fails_goes_into_a_new_folder_and_exits_with_1(demo, monkeypatch):
    folder, _ = demo
    before = {x: x.read_bytes() for x in (folder / "nf2ff-demo").iterdir()}
    monkeypatch.chdir(folder)
    monkeypatch.setattr("nf2ff.demo.LARGEST_ERROR", 0.0)
    # One pair of dipoles in place of the panel takes a tenth of the time.
    small = huygens_source(direction=[1, 0, 0], polarisation=[0, 0, 1], position=[0.02, 0, 0])
    monkeypatch.setattr("nf2ff.demo.weather_station_panel", lambda: small)
    done = run("demo")
    assert done.code == 1
    assert done.err == "nf2ff: the error against the closed form is too large\n"
    assert "written to nf2ff-demo-2: " in done.out
    rows = ("peak directivity", "peak EIRP", "total radiated power", "far field")
    assert [x for x in rows if f"\n{x}" in done.out] == [*rows]
    assert {x.name for x in folder.iterdir()} == {"nf2ff-demo", "nf2ff-demo-2"}
    assert {x: x.read_bytes() for x in (folder / "nf2ff-demo").iterdir()} == before


# --- inspect and simulate ----------------------------------------------------------------------


def test_inspect_says_none_where_a_figure_is_not_finite(scan, tmp_path):
    # JSON has no infinity; the tail of a spectrum that ends early is -inf dB.
    transformed(scan, tmp_path / "result.h5")
    with h5py.File(tmp_path / "result.h5", "r+") as file:
        file["solution/tail_db"][0] = -np.inf
    about = json.loads(succeed("inspect", tmp_path / "result.h5", "--json"))
    assert about["tail_db"][0] is None
    assert about["tail_db"][1] < -180
    assert re.search(r"^tail db +-, -", succeed("inspect", tmp_path / "result.h5"), re.MULTILINE)


def test_inspect_each_kind_of_file(scan, tmp_path):
    transformed(scan, tmp_path / "result.h5")
    field = io.read_far_field(tmp_path / "result.h5")
    io.write_modes(tmp_path / "modes.h5", io.read_modes(tmp_path / "result.h5"))
    io.write_far_field(tmp_path / "far_field.h5", field)
    io.write_probe(tmp_path / "probe.h5", nf2ff.field_probe())
    io.write_pattern(tmp_path / "pattern.csv", field)
    expected = {
        "modes": {"degree": 23, "level": "absolute", "frequencies_ghz": [3.0, 3.4]},
        "far_field": {"directions": 91 * 180, "level": "absolute"},
        "probe": {"ports": 1, "degree": 1, "frequencies": 0, "response_unit": "V/m"},
        "pattern": {"directions": 91 * 180, "ports": 1, "frequencies_ghz": [3.0, 3.4]},
    }
    for kind, about in expected.items():
        path = tmp_path / f"{kind}.{'csv' if kind == 'pattern' else 'h5'}"
        found = json.loads(succeed("inspect", path, "--json"))
        assert found == found | about | {"file": str(path), "holds": kind.replace("_", " ")}
        lines = succeed("inspect", path).splitlines()
        assert [x.split("  ")[0] for x in lines] == [x.replace("_", " ") for x in found]


def test_inspect_says_why_it_is_no_grid(scan, tmp_path):
    rows, header = rows_of(scan)
    table = put_rows(tmp_path / "scan.csv", [x for x in rows if x[:3] != rows[60][:3]], header)
    about = json.loads(succeed("inspect", table, "--json"))
    assert about["samples_per_frequency"] == 2399
    assert about["regular_grid"] == (
        "no: 1 of 1200 positions lack a second polarisation (another chi), first at theta 7.5 deg, "
        "phi 90 deg"
    )
    assert "grid_supports_degree" not in about


def test_simulate_writes_the_closed_form(scan, antenna):
    samples = nf2ff.read_samples(scan, response_unit="V/m")
    place = {name: getattr(samples, name) for name in ("theta", "phi", "chi", "radius")}
    assert set(samples.radius) == {0.4}
    expected = nf2ff.simulate(antenna, frequency=FREQUENCY, **place)
    np.testing.assert_allclose(samples.response, expected.response, rtol=0, atol=1e-12)
    assert samples.response_unit == "V/m"
    assert nf2ff.read_samples(scan).response_unit == "relative"


def test_simulate_takes_each_frequency_once(scan, tmp_path):
    words = ("--frequency-ghz", 3, "--frequency-ghz", 3.0, "--radius-m", 0.4)
    antenna = scan.with_suffix(".toml")
    assert_refused(
        tmp_path, "simulate", antenna, "-o", tmp_path / "scan.csv", *words,
        says="--frequency-ghz is 3 twice: give each once",
    )  # fmt: skip


def test_simulate_adds_noise_by_its_seed(tmp_path):
    found = {}
    for name, seed in {"a": 1, "b": 1, "c": 2}.items():
        path = simulated(tmp_path / f"{name}.h5", *STEPS, "--noise", 1e-3, "--seed", seed)
        found[name] = nf2ff.read_samples(path).response
        assert io.read_provenance(path)["rng_seed"] == str(seed)
    clean = nf2ff.read_samples(simulated(tmp_path / "clean.h5", *STEPS)).response
    np.testing.assert_array_equal(found["a"], found["b"])
    for noise in (found["a"] - clean, found["c"] - clean, (found["a"] - found["c"]) / np.sqrt(2)):
        # |noise|^2 is exponential: its mean over M = 2400 samples is 1e-6 within 5 / sqrt(M).
        assert np.mean(np.abs(noise) ** 2) == pytest.approx(1e-6, rel=5 / np.sqrt(2400))
