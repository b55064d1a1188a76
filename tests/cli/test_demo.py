"""`nf2ff demo`: files that can be read, and an error that is told."""

import re

import numpy as np
import pytest
import xarray
from commands import assert_refused, db, eirp_of, run, start

from nf2ff.antenna.closed_form import far_field_of, radiated_power_of
from nf2ff.antenna.dipoles import huygens_source
from nf2ff.io.native import read_far_field, read_samples

FREQUENCY = np.array([3e9, 3.4e9])


#: What the project promises of the far field; powers are its square.
FIELD, POWER = 1e-9, 2e-9


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """Folder in which ``nf2ff demo`` ran, and what it left behind."""
    folder = tmp_path_factory.mktemp("demo")
    return folder, start("demo", folder=folder)


@pytest.mark.slow
def test_demo_writes_files_that_can_be_read(demo):
    folder, done = demo
    assert (done.code, done.err) == (0, "")
    assert [x.name for x in folder.iterdir()] == ["nf2ff-demo"]
    folder = folder / "nf2ff-demo"
    pictures = ["peak-cuts.png", "polar-cuts.png", "power-spectrum.png"]
    names = sorted([*pictures, "result.h5", "scan.csv", "scan.h5"])
    assert sorted(x.name for x in folder.iterdir()) == names
    assert f"written to nf2ff-demo: {', '.join(names)}\n" in done.out
    native, table = (read_samples(folder / name) for name in ("scan.h5", "scan.csv"))
    np.testing.assert_array_equal(native.response, table.response)
    for name in pictures:
        from matplotlib.image import imread

        assert imread(folder / name)[..., :3].std() > 0.01  # a blank picture has 0


@pytest.mark.slow
def test_demo_result_opens_in_xarray(demo):
    path = demo[0] / "nf2ff-demo" / "result.h5"
    with xarray.open_dataset(path, group="/far_field", engine="h5netcdf") as found:
        units = {"frequency": "Hz", "theta": "rad", "phi": "rad", "e_theta": "V", "e_phi": "V"}
        assert {name: found[name].attrs["units"] for name in units} == units
        assert found["e_theta"].dims == found["e_phi"].dims == ("frequency", "theta", "phi")
        field = read_far_field(path)
        np.testing.assert_array_equal(found["e_theta"].values, field.e_theta)
        np.testing.assert_array_equal(found["theta"].values, field.theta)


@pytest.mark.slow
def test_demo_figures(demo):
    from nf2ff.cli.example_scan import FREQUENCY, MAX_ERROR, weather_station_panel

    folder, done = demo
    rows = re.findall(r"^(.+\S) +(\S+\d) +(\S+\d) +(\S+\d)$", done.out, flags=re.MULTILINE)
    found = {name: [float(x) for x in figures] for name, *figures in rows}
    panel = weather_station_panel()
    theta, phi = (np.radians(float(re.search(rf"{x} (\S+) deg", done.out)[1])) for x in ("theta", "phi"))
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
    field = read_far_field(folder / "nf2ff-demo" / "result.h5")
    t, p = (x.ravel() for x in np.meshgrid(field.theta, field.phi, indexing="ij"))
    closed = np.array(far_field_of(panel, frequency=[FREQUENCY], theta=t, phi=p))
    got = np.array([field.e_theta, field.e_phi]).reshape(closed.shape)
    own = np.linalg.norm(got - closed) / np.linalg.norm(closed)
    assert float(error) == pytest.approx(own, rel=0.06)  # printed to two digits
    assert own < MAX_ERROR <= FIELD


@pytest.mark.slow
def test_demo_that_fails_goes_into_a_new_folder_and_exits_with_1(demo, monkeypatch):
    folder, _ = demo
    before = {x: x.read_bytes() for x in (folder / "nf2ff-demo").iterdir()}
    monkeypatch.chdir(folder)
    monkeypatch.setattr("nf2ff.cli.example_scan.MAX_ERROR", 0.0)
    # One pair of dipoles in place of the panel takes a tenth of the time.
    small = huygens_source(direction=[1, 0, 0], polarisation=[0, 0, 1], position=[0.02, 0, 0])
    monkeypatch.setattr("nf2ff.cli.example_scan.weather_station_panel", lambda: small)
    done = run("demo")
    assert done.code == 1
    assert done.err == "nf2ff: the error against the closed form is too large\n"
    assert "written to nf2ff-demo-2: " in done.out
    rows = ("peak directivity", "peak EIRP", "total radiated power", "far field")
    assert [x for x in rows if f"\n{x}" in done.out] == [*rows]
    assert {x.name for x in folder.iterdir()} == {"nf2ff-demo", "nf2ff-demo-2"}
    assert {x: x.read_bytes() for x in (folder / "nf2ff-demo").iterdir()} == before


def test_demo_writes_into_no_file(tmp_path):
    (tmp_path / "notes").write_text("mine", encoding="ascii")
    (tmp_path / "scan.csv").write_text("mine", encoding="ascii")
    for name in ("notes", "scan.csv", "new.h5", "new.PNG"):
        says = rf"^nf2ff: .*{name}: is the name of a file, and several files are written: give a folder$"
        assert_refused(tmp_path, "demo", "-o", tmp_path / name, says=says)
    assert_refused(tmp_path, "demo", "-o", tmp_path, says="is not empty: choose another folder$")
