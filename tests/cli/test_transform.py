"""Transform as a user runs it; its figures against the closed forms of the antenna."""

import json
import sys

import numpy as np
import pytest
from commands import IN_FIELDS, db, eirp_of, put_rows, rows_of, run, simulated, start, succeed, transformed

import nf2ff
from nf2ff.antenna.closed_form import far_field_of, radiated_power_of
from nf2ff.antenna.modes import WAVE_IMPEDANCE
from nf2ff.io import safe, tables
from nf2ff.io.antenna_toml import read_antenna
from nf2ff.io.native import file_kind, read_far_field, read_modes, read_provenance, read_result, write_probe

FREQUENCY = np.array([3e9, 3.4e9])
SWEEP = ("--frequency-ghz", 3, "--frequency-ghz", 3.4)
STEPS = ("--theta-step-deg", 7.5, "--phi-step-deg", 7.5)
#: What the project promises of the far field; powers are its square.
FIELD, POWER = 1e-9, 2e-9
#: The same samples twice, their angles through degrees and back: some 100 roundings of 2 pi in
#: angles that the field depends on n-fold, n up to 23.
SAME = 23 * 100 * 2 * np.pi * np.finfo(float).eps

#: Keys of the JSON that others rely on, and what the program adds of its own.
KEYS = {"frequency_hz", "degree", "samples", "iterations", "residual", "peak", "radiated_power_w", "warnings"}
OWN_KEYS = {
    "degree_reason",
    "tail_db",
    "noise_floor_db",
    "noise_gain_db",
    "unseen_sr",
    "largest_gap_deg",
    "partial",
    "trusted_fraction",
    "half_power_beamwidth_theta_deg",
    "half_power_beamwidth_phi_deg",
    "first_sidelobe_theta_db",
    "first_sidelobe_phi_db",
    "highest_sidelobe_theta_db",
    "highest_sidelobe_phi_db",
    "front_to_back_db",
    "axial_ratio_db",
    "tilt_deg",
    "sense",
    "upper_hemisphere_fraction",
    "near_horizon_15_deg_fraction",
    "near_horizon_30_deg_fraction",
    "near_horizon_45_deg_fraction",
    "plane_theta",
    "plane_theta_azimuth_deg",
    "plane_theta_turn_deg",
    "plane_phi",
    "plane_phi_azimuth_deg",
    "plane_phi_turn_deg",
}
PEAK_KEYS = {"seen", "theta_deg", "phi_deg", "directivity_dbi"}


@pytest.fixture(scope="module")
def scan(tmp_path_factory):
    """A table of 25 x 48 positions, two frequencies; scan.toml is its antenna."""
    return simulated(tmp_path_factory.mktemp("scan") / "scan.csv", *SWEEP, *STEPS)


@pytest.fixture(scope="module")
def antenna(scan):
    return read_antenna(scan.with_suffix(".toml"))


@pytest.fixture(scope="module")
def facts(scan, tmp_path_factory):
    """JSON of the transform of ``scan``."""
    return transformed(scan, tmp_path_factory.mktemp("facts") / "result.h5")


def assert_same_facts(one, other, tolerance=SAME):
    """Objects of the JSON agree: words and counts exactly, figures to ``tolerance``."""
    assert len(one) == len(other)
    for a, b in zip(one, other, strict=True):
        assert a.keys() == b.keys()
        for name in ("frequency_hz", "degree", "samples", "warnings"):
            assert a[name] == b[name], name
        # A peak is found to 1e-4 deg; 10 log10(1 + x) is 4.4 x at most.
        assert a["peak"] == pytest.approx(b["peak"], rel=0, abs=1e-4)
        for name in ("directivity_dbi", "eirp_dbm"):
            assert a["peak"][name] == pytest.approx(b["peak"][name], rel=0, abs=4.4 * tolerance)
        assert a["radiated_power_w"] == pytest.approx(b["radiated_power_w"], rel=tolerance)


def assert_same_far_field(one, other, tolerance=SAME):
    a, b = read_far_field(one), read_far_field(other)
    for name in ("frequency", "theta", "phi"):
        np.testing.assert_array_equal(getattr(a, name), getattr(b, name))
    fields = [np.array([x.e_theta, x.e_phi]) for x in (a, b)]
    assert np.linalg.norm(fields[0] - fields[1]) <= tolerance * np.linalg.norm(fields[0])


# --- transform ----------------------------------------------------------------------------------


def test_json_has_the_keys_promised(facts):
    for fact in facts:
        assert fact.keys() == KEYS | OWN_KEYS
        assert fact["peak"].keys() == PEAK_KEYS | {"eirp_dbm"}
        assert fact["warnings"] == []
        # A full grid has no gap, and so no largest one.
        assert (fact["unseen_sr"], fact["largest_gap_deg"], fact["trusted_fraction"]) == (0, None, 1)


def test_noise_figures(tmp_path):
    # Of 2400 samples with noise of known level, and 1050 unknowns.
    scan = simulated(tmp_path / "scan.h5", *STEPS, "--noise", 0.01)
    response = nf2ff.read_samples(scan).response
    level = 10 * np.log10(0.01**2 / np.mean(np.abs(response) ** 2))
    for method in ("quadrature", "least-squares"):
        words = ("--degree", 21, "--method", method)
        (fact,) = transformed(scan, tmp_path / f"{method}.h5", *words)
        scalars = read_result(tmp_path / f"{method}.h5").quantities
        # Logarithms of two libraries, each within an ulp, and a product that is rounded.
        floor, gain = (scalars[name].values[0] for name in ("noise_floor", "noise_gain"))
        assert fact["noise_floor_db"] == pytest.approx(20 * np.log10(floor), rel=2**-50, abs=0)
        assert fact["noise_gain_db"] == pytest.approx(10 * np.log10(gain), rel=2**-50, abs=0)
        # 1350 redundant samples tell a power to 4.34 / sqrt(1350) = 0.12 dB, and the 16 of 25
        # rings at which a quadrature looks to 0.15 dB; four times.
        assert fact["noise_floor_db"] == pytest.approx(level, abs=0.6)
        # At most as much noise in the far field as in the samples: they are redundant.
        assert -12 < fact["noise_gain_db"] < 0


def test_figures_are_those_of_the_closed_form(facts, antenna):
    power = radiated_power_of(antenna, frequency=FREQUENCY)
    theta, phi = np.meshgrid(np.radians(np.arange(181)), np.radians(np.arange(360)))
    for fact, hertz, watts in zip(facts, FREQUENCY, power, strict=True):
        assert fact["frequency_hz"] == hertz
        assert fact["samples"] == 2 * 25 * 48
        assert fact["degree"] == 23  # T rings with both poles: T - 2; P columns: (P - 1) // 2
        assert fact["iterations"] == 0
        assert fact["residual"] < FIELD
        assert fact["tail_db"] < -180
        assert fact["radiated_power_w"] == pytest.approx(watts, rel=POWER)
        top = fact["peak"]
        eirp = eirp_of(antenna, hertz, np.radians(top["theta_deg"]), np.radians(top["phi_deg"]))[0]
        assert 10 ** (top["eirp_dbm"] / 10) * 1e-3 == pytest.approx(eirp, rel=POWER)
        assert 10 ** (top["directivity_dbi"] / 10) == pytest.approx(eirp / watts, rel=POWER)
        # It is the maximum: nothing on a grid of 1 deg exceeds it, and its neighbour comes near.
        others = eirp_of(antenna, hertz, theta.ravel(), phi.ravel()).max()
        assert eirp * (1 - 2e-3) < others <= eirp * (1 + POWER)


def test_far_field_is_that_of_the_closed_form(scan, antenna, tmp_path):
    transformed(scan, tmp_path / "result.h5")
    field = read_far_field(tmp_path / "result.h5")
    t, p = (x.ravel() for x in np.meshgrid(field.theta, field.phi, indexing="ij"))
    exact = np.array(far_field_of(antenna, frequency=FREQUENCY, theta=t, phi=p))
    found = np.array([field.e_theta, field.e_phi]).reshape(exact.shape)
    assert np.linalg.norm(found - exact) <= FIELD * np.linalg.norm(exact)


def test_table_is_printed(scan, facts, tmp_path):
    out = succeed("transform", scan, "-o", tmp_path / "result.h5", *IN_FIELDS)
    lines = out.splitlines()
    assert lines[0].startswith(f"{tmp_path / 'result.h5'}: quadrature on a clenshaw-curtis grid")
    assert lines[1] == "degree 23: sampling"
    assert lines[2].split() == ["GHz", "D/dBi", "theta/deg", "phi/deg", "EIRP/dBm", "TRP/dBm", "residual"]
    for line, fact in zip(lines[3:], facts, strict=True):
        top = fact["peak"]
        names = ("directivity_dbi", "theta_deg", "phi_deg", "eirp_dbm")
        trp = db(fact["radiated_power_w"] / 1e-3)
        expected = [fact["frequency_hz"] / 1e9, *(top[name] for name in names), trp]
        np.testing.assert_allclose([float(x) for x in line.split()[:6]], expected, atol=5.1e-5)


def test_chain_through_a_native_file(scan, facts, tmp_path):
    native = tmp_path / "scan.h5"
    assert succeed("import", scan, "-o", native, *IN_FIELDS) == f"{native}: 2400 samples at 2 frequencies\n"
    about = {}
    for file, words in ((scan, IN_FIELDS), (native, ())):
        about[file] = json.loads(succeed("inspect", file, "--json", *words))
        del about[file]["file"]
    assert about[scan] == about[native]
    assert about[native]["regular_grid"] == "clenshaw-curtis, 25 x 48"
    assert about[native]["grid_supports_degree"] == 23
    found = transformed(native, tmp_path / "result.h5")
    assert_same_facts(found, facts)
    assert json.loads(read_provenance(native)["inputs"]) == {str(scan): safe.sha256(scan)}


def test_relative_responses_give_no_power(scan, facts, tmp_path):
    result = tmp_path / "result.h5"
    found = transformed(scan, result, "--response-unit", "relative")
    for fact, absolute in zip(found, facts, strict=True):
        assert fact["radiated_power_w"] is None
        assert fact["peak"].keys() == PEAK_KEYS
        assert fact["peak"]["directivity_dbi"] == absolute["peak"]["directivity_dbi"]
    assert read_far_field(result).reference == "relative"
    assert not {"peak_eirp", "radiated_power"} & read_result(result).quantities.keys()
    out = succeed("transform", scan, "-o", result, "--response-unit", "relative", "--overwrite")
    assert out.splitlines()[3].split()[4:6] == ["-", "-"]


def test_other_time_convention_is_the_conjugate(scan, facts, tmp_path):
    rows, header = rows_of(scan)
    at = header.index("imag")
    for row in rows:
        row[at] = repr(-float(row[at]))
    table = put_rows(tmp_path / "scan.csv", rows, header)
    results = [tmp_path / name for name in ("plus.h5", "minus.h5", "wrong.h5")]
    transformed(scan, results[0])
    assert transformed(table, results[1], "--time-convention", "exp(-iwt)") == facts
    assert_same_far_field(results[0], results[1], tolerance=0)
    # Read as exp(+jwt), its waves run inwards; no degree fits them, so that one must be given.
    assert run("transform", table, "-o", results[2], "--degree", 23).code == 0
    with pytest.raises(AssertionError):
        assert_same_far_field(results[0], results[2], tolerance=0.5)


def test_rows_and_columns_in_any_order(scan, facts, tmp_path, rng):
    rows, header = rows_of(scan)
    order = rng.permutation(len(header))
    rows = [[rows[i][j] for j in order] for i in rng.permutation(len(rows))]
    table = put_rows(tmp_path / "scan.csv", rows, [header[j] for j in order])
    assert_same_facts(transformed(table, tmp_path / "result.h5"), facts)


def test_theta_through_the_pole(antenna, facts, tmp_path):
    # Half a turn of phi, theta from -180 to 180 deg: the closed form itself at negative theta.
    theta, phi = np.radians(np.arange(-180, 181, 7.5)), np.radians(np.arange(0, 180, 7.5))
    t, p, c = (x.ravel() for x in np.meshgrid(theta, phi, [0, np.pi / 2], indexing="ij"))
    samples = nf2ff.simulate(antenna, frequency=FREQUENCY, theta=t, phi=p, chi=c, radius=0.4)
    tables.write_table(tmp_path / "scan.csv", samples)
    found = transformed(tmp_path / "scan.csv", tmp_path / "result.h5")
    assert_same_facts(found, [fact | {"samples": 2 * 49 * 24} for fact in facts])


def test_a_missing_response_is_left_out_at_its_frequency(scan, facts, tmp_path):
    rows, header = rows_of(scan)
    rows[777][header.index("real")] = rows[777][header.index("imag")] = ""
    table = put_rows(tmp_path / "scan.csv", rows, header)
    found = transformed(table, tmp_path / "result.h5", "--degree", 20)
    assert [fact["samples"] for fact in found] == [2399, 2400]
    for fact, full in zip(found, facts, strict=True):
        assert fact["radiated_power_w"] == pytest.approx(full["radiated_power_w"], rel=POWER)


# --- its options --------------------------------------------------------------------------------


def test_degree_given(scan, facts, tmp_path):
    found = transformed(scan, tmp_path / "result.h5", "--degree", 20)
    assert {fact["degree"] for fact in found} == {20}
    assert {fact["degree_reason"] for fact in found} == {"given"}
    assert read_modes(tmp_path / "result.h5").degree == 20
    for fact, full in zip(found, facts, strict=True):
        assert fact["radiated_power_w"] == pytest.approx(full["radiated_power_w"], rel=POWER)


def test_degree_from_the_minimum_sphere(scan, antenna, tmp_path):
    radius = antenna.minimum_radius
    found = transformed(scan, tmp_path / "result.h5", "--minimum-radius-m", radius)
    k = nf2ff.antenna.modes.wavenumber(FREQUENCY.max())
    expected = nf2ff.required_degree(float(k * radius), tail_db=-200.0)
    assert {fact["degree"] for fact in found} == {expected}
    assert found[0]["degree_reason"].startswith(f"minimum sphere of {radius:.6g} m")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("options", "theta_count", "phi_count"),
    [
        ([], 91, 180),  # 2 deg, the first of the steps below 90 / 23 = 3.9 deg
        (["--theta-step-deg", 3], 61, 120),
        (["--phi-step-deg", 4], 91, 90),
        (["--theta-step-deg", 22.5, "--phi-step-deg", 0.5], 9, 720),
    ],
)
def test_steps_of_the_far_field(scan, tmp_path, options, theta_count, phi_count):
    transformed(scan, tmp_path / "result.h5", *options)
    field = read_far_field(tmp_path / "result.h5")
    theta, phi = np.linspace(0, np.pi, theta_count), np.arange(phi_count) * 2 * np.pi / phi_count
    np.testing.assert_allclose(field.theta, theta, rtol=1e-15, atol=0)
    np.testing.assert_allclose(field.phi, phi, rtol=1e-15, atol=0)
    modes = nf2ff.solve(nf2ff.read_samples(scan), nf2ff.field_probe()).modes
    expected = nf2ff.far_field(modes, theta=field.theta, phi=field.phi)
    for name in ("e_theta", "e_phi", "radiated_power"):
        np.testing.assert_array_equal(getattr(field, name), getattr(expected, name))


def test_default_steps_become_coarser_before_the_memory_is_full(scan, tmp_path, monkeypatch):
    # 2 deg would be 2 x 91 x 180 directions, the next coarser step of 5 deg 2 x 37 x 72.
    monkeypatch.setattr("nf2ff.metrics.transformation.MAX_FAR_FIELD", 2 * 91 * 180 - 1)
    transformed(scan, tmp_path / "result.h5")
    assert read_far_field(tmp_path / "result.h5").e_theta.shape == (2, 37, 72)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("options", "status", "steps"),
    [
        (["--method", "quadrature"], "quadrature on a clenshaw-curtis grid of 7 x 12", 0),
        (["--method", "least-squares"], "least squares by conjugate gradients", 1),
        (["--rtol", "1e-11"], "least squares by conjugate gradients", 1),
        (["--method", "direct"], "dense least squares", 0),
    ],
)
def test_methods(tmp_path, options, status, steps):
    dipole = "[[dipole]]\nposition_m = [1e-4, 0, 0]\nelectric_a_m = [0, 0, 1e-3]\n"
    steps_of_scan = ("--theta-step-deg", 30, "--phi-step-deg", 30)
    scan = simulated(tmp_path / "scan.csv", *steps_of_scan, antenna=dipole)
    (fact,) = transformed(scan, tmp_path / "result.h5", "--degree", 4, *options)
    assert read_result(tmp_path / "result.h5").notes["status"].startswith(status)
    assert min(fact["iterations"], 1) == steps
    # Hertzian dipole, closed form. Degrees above 4 have less than (k r0)^4 = 2e-9 of the field.
    k = nf2ff.antenna.modes.wavenumber(3e9)
    watts = k**2 * WAVE_IMPEDANCE * 1e-3**2 / (12 * np.pi)
    assert fact["radiated_power_w"] == pytest.approx(watts, rel=POWER)


@pytest.mark.slow
def test_a_tolerance_and_a_damping_are_used(scan, facts, tmp_path):
    words = ("--degree", 20, "--method", "least-squares")
    loose = transformed(scan, tmp_path / "loose.h5", *words, "--rtol", "1e-3")
    tight = transformed(scan, tmp_path / "tight.h5", *words)
    assert loose[0]["iterations"] < tight[0]["iterations"]
    damped = transformed(scan, tmp_path / "damped.h5", "--degree", 20, "--damping", 0.1)
    # Damping holds the norm of the solution down and lets the residual grow, but not beyond 1, that
    # of no modes at all.
    assert damped[0]["radiated_power_w"] < 0.999 * facts[0]["radiated_power_w"]
    assert 100 * tight[0]["residual"] < damped[0]["residual"] < 1


def test_least_squares_of_noisy_samples_converges(tmp_path):
    scan = simulated(tmp_path / "scan.h5", *STEPS, "--noise", 0.1)
    found = {}
    for method in ("quadrature", "least-squares"):
        words = ("-o", tmp_path / f"{method}.h5", "--json", "--degree", 20, "--method", method)
        done = run("transform", scan, *words)
        (found[method],) = json.loads(done.out)["frequencies"]
    one, other = found.values()
    assert 0 < other["iterations"] < 50
    # The least residual there is, is no more than that of the truth: the noise in the samples.
    response = nf2ff.read_samples(scan).response
    noise = 0.1 / np.sqrt(np.mean(np.abs(response) ** 2))
    assert other["residual"] < 1.05 * noise  # chance: 1 / sqrt(2400) = 2 % of its norm
    # Of the noise of M samples J coefficients take the share sqrt(J/M); power is quadratic, and
    # each of the two methods may err.
    share = noise * np.sqrt(nf2ff.antenna.modes.mode_count(20) / 2400)
    watts = one["radiated_power_w"]
    assert other["radiated_power_w"] == pytest.approx(watts, rel=4 * share)


def test_probe_from_a_file(scan, facts, tmp_path):
    write_probe(tmp_path / "probe.h5", nf2ff.field_probe())
    result = tmp_path / "result.h5"
    assert transformed(scan, result, "--probe", tmp_path / "probe.h5") == facts
    used = json.loads(read_provenance(result)["inputs"])
    assert used == {str(x): safe.sha256(x) for x in (scan, tmp_path / "probe.h5")}


def test_overwrite_replaces(scan, facts, tmp_path):
    result = tmp_path / "result.h5"
    result.write_text("old")
    assert transformed(scan, result, "--overwrite") == facts
    assert file_kind(result) == "result"


def test_truncated_spectrum_warns(tmp_path):
    scan = simulated(tmp_path / "scan.csv", *STEPS)
    for words in ([], ["--json"]):
        words = [*words, *IN_FIELDS]
        done = run("transform", scan, "-o", tmp_path / f"{len(words)}.h5", "--degree", 4, *words)
        assert done.code == 0
        (line,) = done.err.splitlines()
        assert line.startswith("warning, 3 GHz: the mode spectrum has not fallen off at degree 4")
    (fact,) = json.loads(done.out)["frequencies"]
    assert line == f"warning, 3 GHz: {fact['warnings'][0]}"
    assert read_result(tmp_path / "3.h5").warnings == (tuple(fact["warnings"]),)
    assert json.loads(succeed("inspect", tmp_path / "3.h5", "--json"))["warnings"] == [
        f"3 GHz: {fact['warnings'][0]}"
    ]


# --- the result file and the program ------------------------------------------------------------


def test_result_says_what_the_json_says(scan, tmp_path, monkeypatch):
    path = tmp_path / "result file.h5"
    words = ["transform", str(scan), "-o", str(path), "--json", *IN_FIELDS]
    monkeypatch.setattr(sys, "argv", ["nf2ff", *words])
    facts = json.loads(succeed(*words))["frequencies"]
    result = read_result(path)
    in_file = {name: x.values.tolist() for name, x in result.quantities.items()}
    for name in ("iterations", "residual", "tail_db"):
        assert in_file[name] == [fact[name] for fact in facts]
    for name, factor in (("noise_floor", 20), ("noise_gain", 10)):
        levels = factor * np.log10(in_file[name])
        assert levels.tolist() == pytest.approx([fact[f"{name}_db"] for fact in facts], abs=1e-12)
    assert in_file["radiated_power"] == [fact["radiated_power_w"] for fact in facts]
    peak = [fact["peak"] for fact in facts]
    assert np.degrees(in_file["peak_theta"]).tolist() == [x["theta_deg"] for x in peak]
    assert np.degrees(in_file["peak_phi"]).tolist() == [x["phi_deg"] for x in peak]
    assert db(in_file["peak_directivity"]) == pytest.approx([x["directivity_dbi"] for x in peak])
    assert db(np.array(in_file["peak_eirp"]) / 1e-3) == pytest.approx([x["eirp_dbm"] for x in peak])
    assert result.notes["degree_reason"] == facts[0]["degree_reason"]
    assert json.loads(result.provenance["inputs"]) == {str(scan): safe.sha256(scan)}
    assert result.provenance["program"].startswith("nf2ff ")
    assert result.provenance["command"] == f"nf2ff transform {scan} -o '{path}' --json --response-unit V/m"
    # And inspect tells it again, each figure with its unit.
    about = json.loads(succeed("inspect", path, "--json"))
    assert about["holds"] == "result"
    for name in PEAK_KEYS - {"seen"} | {"eirp_dbm"}:
        assert about[f"peak_{name}"] == pytest.approx([x[name] for x in peak], rel=1e-14)
    assert about["radiated_power_w"] == in_file["radiated_power"]
    assert about["frequencies_ghz"] == [3.0, 3.4]


@pytest.mark.slow
def test_streams_and_exit_codes_of_the_program(scan, facts, tmp_path):
    done = start("transform", scan, "-o", "result.h5", "--json", *IN_FIELDS, folder=tmp_path)
    assert (done.code, done.err) == (0, "")
    assert_same_facts(json.loads(done.out)["frequencies"], facts)
    done = start("transform", "absent.csv", "-o", "other.h5", "--json", folder=tmp_path)
    assert (done.code, done.out) == (1, "")
    assert done.err == "nf2ff: absent.csv: no such file: check its name and folder\n"
    assert [x.name for x in tmp_path.iterdir()] == ["result.h5"]
