"""`nf2ff locate`, `filter-modes` and `transform --origin`: a box looked into, by its files."""

import csv
import json
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
from commands import assert_refused, run, succeed

from nf2ff.antenna.closed_form import far_field_of
from nf2ff.antenna.dipoles import DipoleCluster, array_of, huygens_source
from nf2ff.antenna.expansion import modes_from_far_field
from nf2ff.antenna.far_field import FarField
from nf2ff.antenna.grids import gauss_legendre_grid, grid_for_degree
from nf2ff.antenna.modes import SPEED_OF_LIGHT
from nf2ff.io.native import read_modes, read_result, write_modes, write_samples
from nf2ff.measurement.simulated import simulate_grid

WAVELENGTH = 0.03
FREQUENCY = SPEED_OF_LIGHT / WAVELENGTH
SOURCE = huygens_source(direction=[0, 0, 1], polarisation=[1, 0, 0], moment=1e-3)
PLACES = np.array([[0.04, 0.01, 0.02], [-0.05, 0, -0.01]])


def pair():
    """Two sources: the second has half the field, a quarter of the power, 0.1 m away."""
    return array_of(SOURCE, positions=PLACES, weights=[1, 0.5j])


def modes_of(antenna, degree, hertz=(FREQUENCY,)):
    """Modes from the far field in closed form, by a quadrature that is exact for the degree."""
    grid = gauss_legendre_grid(degree + 20, 2 * (degree + 20))
    t, p = (x.ravel() for x in np.meshgrid(grid.theta, grid.phi, indexing="ij"))
    hertz = np.array(hertz)
    e = far_field_of(antenna, frequency=hertz, theta=t, phi=p)
    shape = (hertz.size, grid.theta.size, grid.phi.size)
    field = FarField(hertz, grid.theta, grid.phi, *(x.reshape(shape) for x in e), np.ones(hertz.size))
    return modes_from_far_field(field, degree=degree)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A result of a scan with noise 50 dB below the strongest reading and less."""
    folder = tmp_path_factory.mktemp("box")
    hertz, grid = [FREQUENCY, 1.05 * FREQUENCY], grid_for_degree(20)
    scan = simulate_grid(pair(), frequency=hertz, grid=grid, radius=0.5, noise=0.1, rng=1)
    write_samples(folder / "scan.h5", scan)
    assert run("transform", folder / "scan.h5", "-o", folder / "box.h5").code == 0
    return folder


@pytest.fixture
def box(made, tmp_path):
    """A folder with that scan and its result."""
    return Path(shutil.copytree(made, tmp_path, dirs_exist_ok=True))


def facts_of(*words):
    done = run("locate", *words, "--json")
    assert done.code == 0, done
    return json.loads(done.out)


def test_centre_and_sphere_of_each_frequency(box):
    """The centre lies on the line of both sources; apart by 3.3 wavelengths they hardly interfere, so that
    it divides it as their powers, 4 to 1, do: within the beat of both, of some 1/(k d) = 5 % of 0.1 m."""
    facts = facts_of(box / "box.h5")
    assert len(facts["frequencies"]) == 2
    for one in facts["frequencies"]:
        np.testing.assert_allclose(one["centre_m"], PLACES[0] + 0.2 * (PLACES[1] - PLACES[0]), atol=5e-3)
        # The source farther off is 0.0510 m from the origin; a degree is 1/k = 4.8 mm.
        assert one["minimum_radius_about_origin_m"] == pytest.approx(0.051, abs=5e-3)
        assert one["noise_db"] < -30
    assert facts["noise_from"] == "noise: from what the scan's redundancy left over"
    done = run("locate", box / "box.h5")
    assert "centre of radiation, x [mm]" in done.out
    assert "standard uncertainty" not in done.out
    # Of one frequency it is told how sure the centre is.
    assert "standard uncertainty" in run("locate", box / "box.h5", "--frequency-ghz", FREQUENCY / 1e9).out


def test_spheres_of_a_partial_scan_are_left_out(tmp_path):
    # Half a sphere: of a source of 1.8 mm the waves found make spheres of some 50 mm. Both come from the same
    # scan, whose whole tells that this one has a sphere.
    source = array_of(SOURCE, positions=[[0, 0, 0.0018]], weights=[1.0])
    scan = simulate_grid(
        source, frequency=[FREQUENCY], grid=grid_for_degree(20), radius=0.4, noise=1e-4, rng=1
    )
    for name, one in (("whole", scan), ("half", scan.part([0], scan.theta < 1.6))):
        write_samples(tmp_path / f"{name}.h5", one)
        run("transform", tmp_path / f"{name}.h5", "-o", tmp_path / f"{name}-result.h5")
    radii = "minimum_radius_m", "minimum_radius_about_origin_m"
    (fact,) = facts_of(tmp_path / "whole-result.h5")["frequencies"]
    assert all(fact[x] < 0.005 for x in radii)
    (fact,) = facts_of(tmp_path / "half-result.h5")["frequencies"]
    assert [fact[x] for x in radii] == [None, None]
    assert "centre_uncertainty_m" not in fact
    # To a tenth of a wavelength; seen from the front, the phase of its beam tells it.
    np.testing.assert_allclose(fact["centre_m"], [0, 0, 0.0018], atol=3e-3)
    done = run("locate", tmp_path / "half-result.h5", "-o", tmp_path / "box.png")
    assert re.search(r"sphere about the centre \[mm\] +-\n", done.out), done.out
    assert "the spheres that hold what radiates, are not known" in done.err
    # Nor is it said how sure parts, fields and excitations are.
    (tmp_path / "places.csv").write_text("x_m,y_m,z_m\n0,0,0.0018\n0.02,0,0.0018\n", encoding="ascii")
    element = ("--element", tmp_path / "whole-result.h5")
    for name, known in (("whole", True), ("half", False)):
        path = tmp_path / f"{name}-result.h5"
        (part,) = facts_of(path, "--parts", 1)["parts"]
        doubt = [*part["position_uncertainty_m"], part["power_uncertainty_db"]]
        assert [x is not None for x in doubt] == [known] * 4
        (line,) = (x for x in run("locate", path, "--parts", 1).out.splitlines() if re.match(" +1 ", x))
        assert ("-" in line.split()) != known
        assert (facts_of(path, "--surface", "z=0.1")["surface"]["error_db"] is not None) == known
        found = facts_of(path, "--elements", tmp_path / "places.csv", *element)["elements"]
        assert [x["uncertainty_db"] is not None for x in found] == [known] * 2


@pytest.mark.slow
def test_parts_their_table_and_picture(box):
    facts = facts_of(box / "box.h5", "--parts", 2, "-o", box / "p.csv", "-o", box / "p.png")
    for found, place, power in zip(facts["parts"], PLACES, [0.8, 0.2], strict=True):
        np.testing.assert_allclose(found["position_m"], place, atol=0.01 * WAVELENGTH)
        # Interference moves the power of the whole by a few percent.
        assert 10 ** (found["power_db"] / 10) == pytest.approx(power, rel=0.05)
    with (box / "p.csv").open(encoding="ascii") as file:
        rows = list(csv.DictReader(file))
    assert [row["part"] for row in rows] == ["1", "2"]
    assert float(rows[1]["x_m"]) == pytest.approx(facts["parts"][1]["position_m"][0], rel=1e-8)
    assert (box / "p.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"


@pytest.mark.slow
def test_a_field_on_a_surface(box):
    facts = facts_of(box / "box.h5", "--surface", "z=0.02", "--size-m", 0.15, "-o", box / "s.csv")["surface"]
    assert facts["error_db"] < -25
    assert "towards +z" in facts["method"]
    np.testing.assert_allclose(facts["strongest_m"], [0.04, 0.01, 0.02], atol=0.25 * WAVELENGTH)
    with (box / "s.csv").open(encoding="ascii") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == facts["points"]
    assert {row["z_m"] for row in rows} == {"0.02"}
    done = run("locate", box / "box.h5", "--surface", "sphere=0.1", "-o", box / "s.png")
    assert done.code == 0
    assert "spherical waves about the" in done.out
    assert "resolution" in done.out


@pytest.mark.slow
def test_excitations_of_an_array(tmp_path):
    places = np.stack(np.meshgrid([-0.0225, -0.0075, 0.0075, 0.0225], [-0.0075, 0.0075], [0.01]), -1)
    places = places.reshape(-1, 3)
    weights = np.array([1, 1, 0, 1, 1, 1, 1, 0.5])
    write_modes(tmp_path / "array.h5", modes_of(array_of(SOURCE, positions=places, weights=weights), 24))
    write_modes(tmp_path / "one.h5", modes_of(SOURCE, 4))
    np.savetxt(tmp_path / "at.csv", places, delimiter=",", header="x_m,y_m,z_m", comments="")
    words = ("--elements", tmp_path / "at.csv", "--element", tmp_path / "one.h5")
    facts = facts_of(tmp_path / "array.h5", *words, "-o", tmp_path / "e.csv", "-o", tmp_path / "e.png")
    assert [one["dead"] for one in facts["elements"]] == (weights == 0).tolist()
    assert facts["elements"][7]["amplitude_db"] == pytest.approx(20 * np.log10(0.5), abs=1e-6)
    text = run("locate", tmp_path / "array.h5", *words).out
    assert "dead: element 3 at (7.50, -7.50, 10.00) mm" in text
    assert (tmp_path / "e.csv").read_text(encoding="ascii").splitlines()[3].endswith(",1")


def test_noise_that_no_redundancy_tells_is_taken_from_the_highest_degrees(tmp_path):
    write_modes(tmp_path / "m.h5", modes_of(pair(), 24))
    facts = facts_of(tmp_path / "m.h5")
    assert facts["noise_from"].startswith("noise: not stated in the file, so taken from the highest degrees")


def test_the_origin_moves_to_the_centre(box):
    """The peak of the pattern stays, and the centre is at the origin, to what noise leaves."""
    done = run("transform", box / "scan.h5", "-o", box / "auto.h5", "--origin", "auto")
    assert done.code == 0
    assert "origin: (" in done.out
    there, here = (read_result(box / x) for x in ("auto.h5", "box.h5"))
    assert "the centre of radiation" in there.notes["origin"]
    np.testing.assert_allclose(
        there.quantities["peak_directivity"].values, here.quantities["peak_directivity"].values, rtol=1e-9
    )
    for one in facts_of(box / "auto.h5")["frequencies"]:
        assert np.linalg.norm(one["centre_m"]) < 0.1 * WAVELENGTH
    # Closed form of the phase: exp(-jk r^ . origin), here towards +z.
    run("transform", box / "scan.h5", "-o", box / "up.h5", "--origin", "0,0,0.01")
    up = read_result(box / "up.h5")
    ratio = up.far_field.e_theta[0, 0, 0] / here.far_field.e_theta[0, 0, 0]
    np.testing.assert_allclose(ratio, np.exp(-2j * np.pi * 0.01 / WAVELENGTH), atol=1e-9)


def with_image(tmp_path, degree=60):
    """An antenna and, 30 dB below, its image 6 wavelengths to the side; of a scan that resolves it."""
    image = array_of(SOURCE, positions=[[6 * WAVELENGTH, 0, 0]], weights=[10**-1.5])
    names = ("position", "electric", "magnetic")
    both = DipoleCluster(*(np.concatenate([getattr(a, n) for a in (SOURCE, image)]) for n in names))
    write_samples(
        tmp_path / "scan.h5",
        simulate_grid(both, frequency=[FREQUENCY], grid=grid_for_degree(degree), radius=1.0),
    )
    assert run("transform", tmp_path / "scan.h5", "-o", tmp_path / "echo.h5").code == 0


def test_an_image_is_filtered_out_of_a_result(tmp_path):
    with_image(tmp_path)
    words = ("--radius-m", 0.01, "--echo-distance-m", 6 * WAVELENGTH, "--plot", tmp_path / "f.png")
    done = run("filter-modes", tmp_path / "echo.h5", "-o", tmp_path / "quiet.h5", *words, "--json")
    (one,) = json.loads(done.out)["frequencies"]
    assert one["removed_db"] == pytest.approx(-30, abs=0.5)
    assert one["warnings"] == []
    clean = modes_of(SOURCE, 60)
    q = [read_result(tmp_path / x).modes.extend(60).coefficients for x in ("echo.h5", "quiet.h5")]
    errors = [np.linalg.norm(x - clean.coefficients) / np.linalg.norm(clean.coefficients) for x in q]
    # Of degrees 1 to 5 the image has (2/3)/(k d)^2 of its power and less a degree: -26 dB together.
    assert 20 * np.log10(errors[0]) == pytest.approx(-30, abs=0.1)
    assert 20 * np.log10(errors[1] / errors[0]) < -13
    new, old = (read_result(tmp_path / x) for x in ("quiet.h5", "echo.h5"))
    # Figures and far field are those of the modes left: a Huygens source has the directivity 3.
    assert new.quantities["peak_directivity"].values[0] == pytest.approx(3, rel=0.02)
    assert old.quantities["peak_directivity"].values[0] > 3.15
    assert new.quantities["residual"].values == old.quantities["residual"].values
    assert "0.01 m of (0, 0, 0) m kept" in new.notes["filter"]
    peak_field = np.abs(new.far_field.e_theta[0, 0, 0]) ** 2 / 2 / 376.730313668
    assert 4 * np.pi * peak_field / new.modes.radiated_power()[0] == pytest.approx(3, rel=0.02)


def test_modes_stay_modes_and_a_coarse_scan_is_warned_of(tmp_path):
    write_modes(tmp_path / "m.h5", modes_of(SOURCE, 8))
    done = run(
        "filter-modes", tmp_path / "m.h5", "-o", tmp_path / "q.h5", "--radius-m", 0.01, "--echo-distance-m", 1
    )
    assert done.code == 0
    assert "the scan determines degrees up to 8" in done.err
    # Degrees above the sphere's own are gone: the source at the origin has the first alone.
    assert read_modes(tmp_path / "q.h5").degree == 8
    assert "power removed [dB]" in done.out


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--surface", "z=0.01", "--size-m", "0"), "--size-m is 0, expected a length above 0"),
        (("--parts", 1, "--surface", "z=1"), "are looked for one at a time"),
        (("--elements", "x.csv"), "--elements and --element belong together"),
        (("--radius-m", 1), "--radius-m belongs to --parts"),
        (("--part-size-m", 1), "--part-size-m belongs to --parts"),
        (("--parts", 1, "--part-size-m", -1), "--part-size-m is -1, expected a length above 0"),
        (("--parts", 1, "--part-size-m", 1e-320), "expected a length above 0, 1e-6 to 1e+06 m"),
        (("--surface", "z=0.01", "--size-m", 1e308), "--size-m is 1e+308, expected a length above 0, 1e-6"),
        (("-o", "t.csv"), "a table is written of --parts, --surface or --elements"),
    ],
)
def test_wrong_usage(tmp_path, words, says):
    write_modes(tmp_path / "m.h5", modes_of(SOURCE, 4))
    done = run("locate", tmp_path / "m.h5", *words)
    assert done.code == 2
    assert says in " ".join(done.err.split())


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--surface", "w=1"), r"surface is 'w=1': expected sphere=RADIUS about the origin"),
        (("--surface", "sphere=-1"), r"the sphere has a radius of -1 m: give one above 0"),
        (("--surface", "z=1e308"), r"surface is 'z=1e308': expected .*, all in m, at most 1e.06"),
        (("--parts", 1, "--radius-m", 1e6), r"parts are looked for up to 1e.06 m from the origin, and modes"),
        (("--parts", 10**9), r"1000000000 parts of size 0.0225 m have .* modes, the most is 10000: ask for"),
        (("--frequency-ghz", "nan"), r"holds no nan GHz, the nearest frequency is 9.99308"),
        (("--frequency-ghz", 3), r"holds no 3 GHz, the nearest frequency is 9.99308"),
        (("-o", "t.bmp"), r"is not a picture, expected a name that ends in"),
    ],
)
def test_bad_input_ends_with_one_line(tmp_path, words, says):
    write_modes(tmp_path / "m.h5", modes_of(SOURCE, 4))
    assert_refused(tmp_path, "locate", tmp_path / "m.h5", *words, says=says)


def test_elements_at_another_frequency_are_refused(tmp_path):
    write_modes(tmp_path / "m.h5", modes_of(SOURCE, 4))
    write_modes(tmp_path / "one.h5", modes_of(SOURCE, 4, hertz=[9e9]))
    (tmp_path / "at.csv").write_text("x_m,y_m,z_m\n0,0,0\n", encoding="ascii")
    words = ("--elements", tmp_path / "at.csv", "--element", tmp_path / "one.h5")
    says = r"one.h5: holds no 9.99308.* GHz, the nearest frequency is 9 GHz"
    assert_refused(tmp_path, "locate", tmp_path / "m.h5", *words, says=says)


@pytest.mark.parametrize(
    ("places", "says"),
    [
        ("0,0,0\n1e6,0,0\n", r"elements stand up to 1e.06 m from the origin, and modes up to degree 4 hold"),
        ("0,0,0\n" * 60, "there are 60 elements for 48 modes of degree 4: leave out elements"),
    ],
)
def test_elements_that_modes_cannot_hold_are_refused(tmp_path, places, says):
    write_modes(tmp_path / "m.h5", modes_of(SOURCE, 4))
    (tmp_path / "at.csv").write_text("x_m,y_m,z_m\n" + places, encoding="ascii")
    words = ("--elements", tmp_path / "at.csv", "--element", tmp_path / "m.h5")
    assert_refused(tmp_path, "locate", tmp_path / "m.h5", *words, says=says)


def test_a_scan_is_not_filtered(box):
    says = r"scan.h5: holds samples, expected modes: give a result of transform"
    words = (box / "scan.h5", "-o", box / "q.h5", "--radius-m", 1)
    assert_refused(box, "filter-modes", *words, says=says)


def test_an_origin_is_three_numbers(tmp_path):
    done = run("transform", tmp_path / "x.h5", "-o", tmp_path / "y.h5", "--origin", "1,2")
    assert done.code == 2
    assert "--origin is '1,2', expected X,Y,Z in m, or auto" in done.err


def test_help_has_an_example():
    for command in ("locate", "filter-modes"):
        assert "Example: nf2ff" in succeed(command, "--help")
