"""`nf2ff plot`: every kind of picture is written, and wrong wishes end with one line."""

from dataclasses import replace

import numpy as np
import pytest
from commands import assert_refused, run, simulated, succeed
from patterns import HUYGENS, modes_of

from nf2ff.antenna.dipoles import huygens_source
from nf2ff.antenna.grids import grid_for_degree
from nf2ff.cli.plot import KINDS
from nf2ff.io.native import read_samples, write_modes, write_samples
from nf2ff.io.radiation import read_radiation
from nf2ff.measurement.simulated import simulate_grid
from nf2ff.report.picture_set import PICTURE_SET, picture_set


@pytest.fixture
def files(tmp_path):
    write_modes(tmp_path / "a.h5", HUYGENS)
    write_modes(tmp_path / "b.h5", modes_of({(1, 0, 1): 1.0}))
    antenna = huygens_source(direction=[0, 0, 1], polarisation=[1, 0, 0])
    scan = simulate_grid(antenna, frequency=[1e9], grid=grid_for_degree(4), radius=2.0)
    write_samples(tmp_path / "scan.h5", scan)
    return tmp_path


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_is_written(files, kind):
    source = "scan.h5" if kind == "near-field" else "a.h5"
    done = run("plot", files / source, "-o", files / "it.png", "--kind", kind)
    assert (done.code, done.err) == (0, "")
    assert (files / "it.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"


@pytest.mark.slow
@pytest.mark.parametrize(("ending", "start"), [("svg", b"<?xml"), ("pdf", b"%PDF")])
def test_other_formats(files, ending, start):
    assert run("plot", files / "a.h5", files / "b.h5", "-o", files / f"it.{ending}").code == 0
    assert (files / f"it.{ending}").read_bytes().startswith(start)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        (["a.h5", "-o", "it.bmp"], 1, "is not a picture, expected a name that ends in .png, .pdf, .svg"),
        (["a.h5", "b.h5", "-o", "it.png", "--kind", "map"], 2, "--kind map draws one file, 2 were given"),
        (
            ["a.h5", "b.h5", "-o", "it.png", "--label", "x"],
            2,
            "--label: 1 for 2 files, expected one for each",
        ),
        (["a.h5", "a.h5", "-o", "it.png"], 2, "give each a --label of its own"),
        (
            ["a.h5", "-o", "it.png", "--frequency-ghz", "3"],
            1,
            "holds no 3 GHz, the nearest frequency is 1 GHz",
        ),
        (["scan.h5", "-o", "it.png"], 1, "holds samples, expected a far field over the whole sphere"),
        (
            ["a.h5", "-o", "it.png", "--kind", "map", "--plane", "E"],
            2,
            "--plane is for --kind cuts and polar, not map",
        ),
        (["a.h5", "-o", "it.png", "--port", "1"], 2, "--port is for --kind near-field, not cuts"),
        (["scan.h5", "-o", "it.png", "--kind", "near-field", "--port", "3"], 1, "the scan has no port 3"),
        (
            ["scan.h5", "-o", "it.png", "--kind", "near-field", "--chi-deg", "45"],
            1,
            "the scan has no chi of 45 deg: the nearest is",
        ),
        (["a.h5", "-o", "it.png", "--reach-deg", "0"], 2, "--reach-deg is 0, expected more than 0"),
    ],
)
def test_wrong_wishes_end_with_a_line_and_write_nothing(files, words, code, message):
    done = run("plot", *(files / x if x.endswith((".h5", ".png", ".bmp")) else x for x in words))
    assert done.code == code
    assert message in done.err
    assert not (files / "it.png").exists()


def test_powers_are_called_powers(files):
    (files / "eirp.csv").write_text("theta_deg,phi_deg,frequency_hz,eirp_dbm\n0,0,1e9,0\n", encoding="ascii")
    done = run("plot", files / "eirp.csv", "-o", files / "it.png")
    assert done.code == 1
    assert "eirp.csv: holds powers without phase, expected a far field over the whole sphere" in done.err


def test_what_a_result_warns_of_is_told(files):
    scan = read_samples(files / "scan.h5")
    readings = np.where(scan.theta < 1.6, scan.response, np.nan)
    seen = (files / "half.h5", files / "half-result.h5")
    write_samples(seen[0], replace(scan, response=readings))
    assert run("transform", seen[0], "-o", seen[1]).code == 0
    done = run("plot", seen[1], "-o", files / "it.png", "--kind", "map")
    assert done.code == 0
    told = read_radiation(seen[1])[1]
    assert told
    assert done.err == "".join(f"warning, {seen[1]}: {sentence}\n" for sentence in told)


@pytest.mark.slow
def test_a_picture_that_exists_stays(files):
    (files / "it.png").write_bytes(b"mine")
    done = run("plot", files / "a.h5", "-o", files / "it.png")
    assert done.code == 1
    assert (files / "it.png").read_bytes() == b"mine"
    assert run("plot", files / "a.h5", "-o", files / "it.png", "--overwrite").code == 0


def test_figures_over_other_frequencies_are_not_mixed(files):
    modes = HUYGENS
    write_modes(files / "c.h5", type(modes)(2 * np.asarray(modes.frequency), modes.coefficients))
    done = run("plot", files / "a.h5", files / "c.h5", "-o", files / "it.png", "--kind", "frequency")
    assert done.code == 1
    assert "c has other frequencies than the first file: draw them one by one" in done.err


@pytest.fixture(scope="module")
def sweep(tmp_path_factory):
    """A scan at two frequencies."""
    path = tmp_path_factory.mktemp("sweep") / "scan.h5"
    return simulated(
        path, "--frequency-ghz", 1, "--frequency-ghz", 1.1, "--theta-step-deg", 15, "--phi-step-deg", 15
    )


@pytest.mark.slow
def test_transform_draws_all_pictures(sweep, tmp_path):
    folder = tmp_path / "pictures"
    succeed("transform", sweep, "-o", tmp_path / "r.h5", "--figures", folder)
    names = {f"{x}.png" for x in ("cuts", "map", "balloon", "spectrum", "near-field", "frequency")}
    assert {x.name for x in folder.iterdir()} == names
    from matplotlib.image import imread

    for path in folder.iterdir():
        assert imread(path)[..., :3].std() > 0.01  # a blank picture has 0
    words = ("transform", sweep, "-o", tmp_path / "new.h5", "--figures")
    assert_refused(
        tmp_path, *words, folder, says=r"pictures/cuts\.png: exists: choose another folder or give --ov"
    )
    assert_refused(
        tmp_path, *words, tmp_path / "r.h5", says=r"r\.h5: is a file, expected a folder for pictures"
    )
    assert_refused(tmp_path, *words, tmp_path / "no" / "where", says="there is no folder")
    succeed(*words, folder, "--overwrite")


def test_over_frequency_needs_several(sweep):
    samples = read_samples(sweep)
    assert "frequency" not in picture_set(HUYGENS, samples)
    assert set(picture_set(HUYGENS, samples)) == set(PICTURE_SET) - {"frequency"}
