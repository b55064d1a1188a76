"""Units that are doubted aloud, and everyday scans that are not."""

import json
from dataclasses import replace

import numpy as np
import pytest
from commands import ANTENNA, assert_refused, put_rows, rows_of, run, simulated, succeed

from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.antenna.grids import equiangular_grid
from nf2ff.antenna.modes import SPEED_OF_LIGHT
from nf2ff.antenna.points import constant_rate_spiral, equal_area_spiral_for_degree
from nf2ff.measurement.probe import field_probe
from nf2ff.measurement.samples import Samples
from nf2ff.measurement.simulated import simulate, simulate_grid
from nf2ff.messages.scan import UnitCode
from nf2ff.solver.solve import solve
from nf2ff.solver.suspected_units import (
    suspect_angles,
    suspect_form_at_sight,
    suspect_lengths,
    suspect_level,
    suspect_waves,
)

PROBE = field_probe()
RADIANS = r"are these angles in radians\? Tables hold degrees"


@pytest.fixture(scope="module")
def table(tmp_path_factory):
    """A scan at 3 GHz and 0.4 m, steps of 15 deg."""
    path = tmp_path_factory.mktemp("scan") / "scan.csv"
    return simulated(path, "--theta-step-deg", 15, "--phi-step-deg", 15)


def edited(table, path, **changes):
    """``path``, the table with some columns changed: each a function of the number there."""
    rows, header = rows_of(table)
    for name, change in changes.items():
        i = header.index(name)
        for cells in rows:
            cells[i] = repr(float(change(float(cells[i]))))
    return put_rows(path, rows, header)


def places(theta_deg, phi_deg, chi_deg=(0, 90)):
    """Samples at all of these [deg]."""
    theta, phi, chi = (x.ravel() for x in np.meshgrid(theta_deg, phi_deg, chi_deg, indexing="ij"))
    return Samples(
        [3e9], np.radians(theta), np.radians(phi), np.radians(chi), 0.4, 1, np.ones((1, theta.size))
    )


# --- angles ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("columns", "says"),
    [
        (("theta_deg", "phi_deg", "chi_deg"), r"theta 0 to 3\.14159 deg and phi 0 to 6\.02139 deg"),
        (("theta_deg", "phi_deg"), r"theta 0 to 3\.14159 deg and phi 0 to 6\.02139 deg"),
        (("theta_deg",), r"all samples are at theta 0 to 3\.14159 deg"),
        (("phi_deg",), r"all samples are at phi 0 to 6\.02139 deg"),
    ],
)
def test_radians_in_a_table(table, tmp_path, columns, says):
    # 345 deg = 6.02139 rad.
    path = edited(table, tmp_path / "scan.csv", **dict.fromkeys(columns, np.radians))
    line = assert_refused(tmp_path, "transform", path, "-o", tmp_path / "out.h5", says=RADIANS)
    assert_refused(tmp_path, "transform", path, "-o", tmp_path / "out.h5", says=says)
    assert "multiply them by 180/pi" in line
    facts = json.loads(succeed("inspect", path, "--json"))
    assert "in radians?" in facts["warnings"][0]


def test_chi_in_radians(table, tmp_path):
    path = edited(table, tmp_path / "scan.csv", chi_deg=lambda x: round(np.radians(x), 4))
    assert_refused(
        tmp_path,
        "transform",
        path,
        "-o",
        tmp_path / "out.h5",
        says=r"chi is 0 to 1\.5708 deg: is it in radians\? .* multiply chi by 180/pi",
    )


@pytest.mark.parametrize("half", [False, True])
def test_radians_of_half_a_sphere(half, table, tmp_path):
    # And those rounded to 4 decimals.
    rows, header = rows_of(table)
    i = header.index("theta_deg")
    rows = [r for r in rows if float(r[i]) <= (90 if half else 180)]
    few = put_rows(tmp_path / "few.csv", rows, header)
    path = edited(
        few,
        tmp_path / "scan.csv",
        **dict.fromkeys(("theta_deg", "phi_deg", "chi_deg"), lambda x: round(np.radians(x), 4)),
    )
    assert_refused(tmp_path, "transform", path, "-o", tmp_path / "out.h5", says=RADIANS)


@pytest.mark.parametrize("name", ["phi", "chi"])
def test_degrees_in_python(name):
    # theta in degrees is refused by Samples, being beyond pi.
    good = places(np.arange(0, 181, 15), np.arange(0, 360, 15))
    wrong = replace(good, **{name: np.round(np.degrees(getattr(good, name)), 9)})
    largest = {"phi": 345, "chi": 90}[name]
    with pytest.raises(ValueError, match=rf"{name} reaches {largest} rad .* is it in degrees\?"):
        solve(wrong, PROBE)


@pytest.mark.parametrize(
    "samples",
    [
        places(np.arange(0, 181, 5), np.arange(0, 360, 5)),
        places(np.arange(-180, 180, 5), np.arange(0, 180, 5)),
        places(np.arange(0, 181, 5), np.arange(0, 360, 5), (45, -45)),
        places(np.arange(0, 181, 5), np.arange(0, 360, 5), (0, 120, 240)),
        places(np.arange(0, 181, 5), np.arange(0, 360, 5), (0, 30)),
        places(np.arange(0, 181, 1), [0, 180]),
        places(np.arange(-180, 181, 1), [0]),
        places([90], np.arange(0, 360, 1)),
        places(np.arange(0, 91, 5), np.arange(0, 360, 5)),
        # A rotary axis that runs on, and one that starts elsewhere.
        places(np.arange(0, 181, 5), np.arange(0, 360, 5) + 3600),
        places(np.arange(0, 181, 5), np.arange(-180, 180, 5)),
    ],
)
def test_angles_that_are_not_doubted(samples):
    assert suspect_angles(samples) is None


def test_spirals_are_not_doubted():
    for points in (equal_area_spiral_for_degree(15), constant_rate_spiral(turns=40, samples_per_turn=80)):
        count = points.theta.size
        phi = np.unwrap(points.phi)
        assert phi.max() > 30
        samples = Samples(
            [3e9], points.theta, phi, np.pi / 2 * (np.arange(count) % 2), 0.4, 1, np.ones((1, count))
        )
        assert suspect_angles(samples) is None


# --- lengths and frequencies ----------------------------------------------------------------------


def test_millimetres(table, tmp_path):
    path = edited(table, tmp_path / "scan.csv", radius_m=lambda x: 1000 * x)
    done = run("transform", path, "-o", tmp_path / "out.h5", "--json")
    assert done.code == 0
    (fact,) = json.loads(done.out)["frequencies"]
    (sentence,) = [w for w in fact["warnings"] if "few ranges are that long" in w]
    assert "the radius is 400 m" in sentence
    assert "(0.4 m if it is in mm, 4 m if it is in cm)" in sentence
    assert "few ranges are that long" in done.err
    unit = ("--response-unit", "V/m")
    facts = json.loads(succeed("inspect", path, "--json", *unit))
    assert facts["warnings"] == [sentence]
    # As it was, there is nothing to be said.
    succeed("transform", table, "-o", tmp_path / "good.h5", *unit)
    assert json.loads(succeed("inspect", table, "--json", *unit))["warnings"] == []


def at(radius, frequency=3e9):
    return replace(
        places(np.arange(0, 181, 15), np.arange(0, 360, 15)),
        radius=np.full(624, float(radius)),
        frequency=np.atleast_1d(frequency).astype(float),
    )


@pytest.mark.parametrize("radius", [0.0101, 0.3, 0.5, 3, 10, 30, 100, 199])
def test_radii_of_everyday(radius):
    assert suspect_lengths(at(radius)) == [[]]


@pytest.mark.parametrize(
    ("radius", "says"),
    [
        (300, "0.3 m if it is in mm, 3 m if it is in cm"),
        (5000, "5 m if it is in mm, 50 m if"),
        (30000, "(30 m if it is in mm)"),
        (1e9, "must be metres, since EIRP"),
        (0.0005, "no probe is that close"),
    ],
)
def test_radii_that_are_doubted(radius, says):
    ((sentence,),) = suspect_lengths(at(radius))
    assert f"the radius is {radius:.6g} m" in sentence
    assert says in sentence
    assert "EIRP and TRP grow with its square" in sentence


@pytest.mark.parametrize(
    ("frequency", "doubted"), [(24.0, True), (2.4e5, True), (2e6, False), (3e11, False), (2.4e19, True)]
)
def test_frequencies(frequency, doubted):
    told = suspect_lengths(at(3, frequency))[0]
    assert len(told) == doubted
    if doubted:
        assert "which must be Hz" in told[0]


def test_gigahertz_are_refused(table, tmp_path):
    # 3 Hz at 0.4 m: k r = 2.5e-8.
    path = edited(table, tmp_path / "scan.csv", frequency_hz=lambda x: x / 1e9)
    assert_refused(
        tmp_path,
        "transform",
        path,
        "-o",
        tmp_path / "out.h5",
        says=r"reactive zone .* check the unit of the radius \(m\) and of the frequency \(Hz\)",
    )


def test_waves_too_fine_for_the_wavelength():
    # 20 wavelengths away from dipoles up to 2 wavelengths from the origin; the frequency then
    # taken for 40 times less, so that k r = pi while the field has degrees of 13 and more.
    rng = np.random.default_rng(2)
    place = rng.normal(size=(8, 3))
    place *= 5.0 / np.linalg.norm(place, axis=1)[:, None]
    antenna = DipoleCluster(place, rng.normal(size=(8, 3)))
    spiral = equal_area_spiral_for_degree(45)
    good = simulate(
        antenna,
        frequency=[SPEED_OF_LIGHT],
        radius=20.0,
        theta=np.repeat(spiral.theta, 2),
        phi=np.repeat(spiral.phi, 2),
        chi=np.tile([0, np.pi / 2], spiral.theta.size),
    )
    solution = solve(good, PROBE)
    assert suspect_waves(good, PROBE, solution.modes) == [[]]
    wrong = replace(good, frequency=good.frequency / 40)
    found = solve(wrong, PROBE, degree=30)
    assert UnitCode.FINE_WAVES in [x.code for x in found.warnings[0]]


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("kr", [1.5, 3.0, 10.0])
def test_antennas_that_fill_the_sphere_are_not_doubted(seed, kr):
    # Dipoles at up to 0.8 of the radius of the scan.
    rng = np.random.default_rng(seed)
    radius = kr / (2 * np.pi)
    place = rng.normal(size=(8, 3))
    place *= 0.8 * radius * rng.uniform(0.2, 1, (8, 1)) / np.linalg.norm(place, axis=1)[:, None]
    antenna = DipoleCluster(place, rng.normal(size=(8, 3)))
    spiral = equal_area_spiral_for_degree(40)
    samples = simulate(
        antenna,
        frequency=[SPEED_OF_LIGHT],
        radius=radius,
        theta=np.repeat(spiral.theta, 2),
        phi=np.repeat(spiral.phi, 2),
        chi=np.tile([0, np.pi / 2], spiral.theta.size),
    )
    solution = solve(samples, PROBE, degree=40)
    assert suspect_waves(samples, PROBE, solution.modes) == [[]]


# --- level ----------------------------------------------------------------------------------------


def test_level():
    assert suspect_level(np.array([4e4, 1e-9]), np.array([9e5, 1.0])) == [[], []]
    first, second, third = suspect_level(np.array([6e4, 1.0, 6e4]), np.array([1.0, 2e6, 3e6]))
    assert "TRP would be 6e+04 W and EIRP 1 W, more than is radiated in any chamber" in first[0]
    assert "EIRP 2e+06 W" in second[0]
    assert len(third) == 1
    assert suspect_level(np.array([6e4]), None)[0][0].startswith("TRP would be 6e+04 W, more")


def test_level_of_millimetres_by_the_command(tmp_path):
    # 300 MHz, 3 m in mm: a dipole of 0.02 A m radiates k^2 Z0 |p|^2 / (12 pi) = 0.16 W (closed
    # form), and seems to radiate a million times that.
    path = simulated(
        tmp_path / "good.csv",
        "--frequency-ghz",
        0.3,
        "--radius-m",
        3,
        "--theta-step-deg",
        15,
        "--phi-step-deg",
        15,
        antenna=ANTENNA.replace("1e-3", "2e-2"),
    )
    as_field = ("--json", "--response-unit", "V/m")
    fact = json.loads(succeed("transform", path, "-o", tmp_path / "a.h5", *as_field))
    true = fact["frequencies"][0]["radiated_power_w"]
    wrong = edited(path, tmp_path / "scan.csv", radius_m=lambda x: 1000 * x)
    done = run("transform", wrong, "-o", tmp_path / "b.h5", *as_field)
    (fact,) = json.loads(done.out)["frequencies"]
    assert fact["radiated_power_w"] == pytest.approx(1e6 * true, rel=0.01)
    assert [w for w in fact["warnings"] if "more than is radiated in any chamber" in w]
    assert [w for w in fact["warnings"] if "(3 m if it is in mm, 30 m if it is in cm)" in w]
    assert "check the unit of the responses" in done.err
    relative = run("transform", wrong, "-o", tmp_path / "c.h5", "--json", "--response-unit", "relative")
    assert "TRP" not in "".join(json.loads(relative.out)["frequencies"][0]["warnings"][1:])


def off_centre_scan():
    """A dipole 60 mm from the origin: k r0 is 3.8, so that phases fill all of a turn."""
    antenna = DipoleCluster(
        np.array([[0.06, 0, 0.02]]), np.array([[1e-3, 0.5e-3, 0]], complex), np.zeros((1, 3), complex)
    )
    return simulate_grid(antenna, frequency=[3e9], grid=equiangular_grid(25, 48), radius=0.5)


@pytest.mark.parametrize(("unit", "level"), [("in dB", True), ("in linear measure", False)])
@pytest.mark.parametrize(("angle", "turn"), [("deg", 360.0), ("rad", 2 * np.pi)])
def test_amplitude_and_phase_in_the_place_of_real_and_imaginary_part(unit, level, angle, turn):
    samples = off_centre_scan()
    w = samples.response
    size = 20 * np.log10(np.abs(w)) if level else np.abs(w)
    wrong = replace(samples, response=size + 1j * np.angle(w) * turn / (2 * np.pi))
    assert suspect_form_at_sight(wrong) == UnitCode.POLAR_AT_SIGHT(angle=angle)
    for some in (w * 200 / np.abs(w).max(), w * 4 / np.abs(w).max(), size + 0j, 0 * w):
        assert suspect_form_at_sight(replace(samples, response=some)) is None
    ((notice, *_),) = solve(wrong, PROBE).warnings
    assert notice.code is UnitCode.POLAR
    assert (notice.figures["unit"], notice.figures["angle"]) == (unit, angle)
    # What the scan itself leaves, and more by the accuracy of the model that is compared.
    assert notice.figures["rest"] < 1e-4


@pytest.mark.parametrize(("unit", "level"), [(" in dB", True), ("", False)])
def test_amplitudes_without_phase(unit, level):
    samples = off_centre_scan()
    size = np.abs(samples.response)
    wrong = replace(samples, response=(20 * np.log10(size / size.max()) if level else size) + 0j)
    ((notice, *_),) = solve(wrong, PROBE).warnings
    assert notice == UnitCode.NO_PHASE(unit=unit)


def test_a_field_in_phase_everywhere_is_one():
    # A dipole at the origin has one phase all over the sphere, and may be normalised to it.
    antenna = DipoleCluster(np.zeros((1, 3)), np.array([[1e-3, 0, 0]], complex), np.zeros((1, 3), complex))
    samples = simulate_grid(antenna, frequency=[3e9], grid=equiangular_grid(13, 24), radius=0.5)
    w = samples.response
    real = replace(samples, response=(w / w.flat[np.argmax(np.abs(w))]).real + 0j)
    ((*told,),) = solve(real, PROBE).warnings
    assert not any(isinstance(x.code, UnitCode) for x in told)


def test_elevation_in_the_place_of_theta():
    samples = off_centre_scan()
    wrong = replace(samples, theta=np.pi / 2 - samples.theta)
    ((notice, *_),) = solve(wrong, PROBE).warnings
    assert notice.code is UnitCode.ELEVATION
    # A half sphere that was scanned twice, from either side, is none.
    place = {"phi": np.tile(samples.phi, 2), "chi": np.tile(samples.chi, 2)}
    upper = np.tile(samples.theta < 1.6, 2)
    theta = np.concatenate([samples.theta, -samples.theta])
    antenna = DipoleCluster(np.zeros((1, 3)), np.array([[1e-3, 0, 0]], complex), np.zeros((1, 3), complex))
    place = {name: x[upper] for name, x in {"theta": theta, **place}.items()}
    twice = simulate(antenna, frequency=[3e9], radius=0.5, **place)
    assert not any(x.code is UnitCode.ELEVATION for x in solve(twice, PROBE).warnings[0])
