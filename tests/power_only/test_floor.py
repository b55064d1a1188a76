"""The floor of noise under scans of power, against arrays read by a receiver of known noise."""

import json

import numpy as np
import pytest
from commands import assert_refused, succeed
from power_arrays import full_grid, pair, planar, readings, rotations, unit

from nf2ff.antenna.points import constant_density, equal_area_spiral
from nf2ff.power_only.peak import scan_peak
from nf2ff.power_only.scan import PowerScan, SensitivityScan
from nf2ff.power_only.totals import scan_tis, scan_trp

ORIENTATIONS = 24


def decibel(ratio):
    return 10 * np.log10(ratio)


def scanned(antenna, points, *, floor_db=None, samples=1, seed=0, count=ORIENTATIONS):
    """A scan in random orientations, each polarisation with a floor ``floor_db`` over the peak.

    Returns
    -------
    PowerScan, float
        The scan, whose TRP is 1 without noise, and the floor of both polarisations together.
    """
    rng = np.random.default_rng(seed)
    theta, phi = points
    fields = antenna.fields(rotations(count, rng), theta, phi)
    floor = 0.0 if floor_db is None else antenna.peak * 10 ** (floor_db / 10)
    if floor == 0:
        powers = np.abs(fields) ** 2
    elif np.isinf(samples):
        powers = np.abs(fields) ** 2 + floor
    else:
        powers = readings(fields, floor, samples, rng)
    return PowerScan(np.arange(1.0, count + 1), theta, phi, *powers), 2 * floor


def spiral(count):
    points = equal_area_spiral(count)
    return points.theta, points.phi


def told(found, words):
    return np.array([any(words in x for x in some) for some in found.warnings])


@pytest.mark.slow
@pytest.mark.parametrize("points", [full_grid(10), spiral(700)], ids=["grid", "spiral"])
@pytest.mark.parametrize(
    ("samples", "floor_db"), [(1, -25), (1, -30), (10, -20), (10, -25), (200, -25), (np.inf, -25)]
)
def test_a_floor_is_subtracted(points, samples, floor_db):
    scan, floor = scanned(planar(4, 4), points, floor_db=floor_db, samples=samples)
    before = scan_trp(scan, noise_floor=0)
    # Closed form: noise adds its mean power to the total, 1.2 dB at 25 dB below the peak. Chance:
    # the deviation of one is below 0.15 dB (single samples), of the mean of 24 a fifth of that.
    assert decibel(before.trp).mean() == pytest.approx(decibel(1 + floor), abs=0.1)
    found = scan_trp(scan)
    assert np.mean(told(found, "a floor of noise of ")) >= 0.9
    held = np.abs(found.trp - 1) <= 1.96 * found.standard_uncertainty
    # Where it was not subtracted it is named.
    assert np.mean(held | told(found, "if that is noise")) >= 0.9
    assert np.mean(held) >= 0.87
    # No bias of more than a sixth of what it was, nor of one reading's uncertainty.
    assert abs(decibel(found.trp).mean()) < decibel(1 + floor) / 6
    np.testing.assert_allclose(found.trp + found.noise_floor, before.trp, rtol=1e-12)


def test_the_amount_is_said():
    scan, floor = scanned(planar(4, 4), full_grid(10), floor_db=-25, samples=10, count=1)
    found = scan_trp(scan)
    message = next(x for x in found.warnings[0] if "floor of noise" in x)
    assert f"a floor of noise of {decibel(found.noise_floor[0]) + 30:.1f} dBm" in message
    rise = decibel(1 + found.noise_floor[0] / found.trp[0])
    assert f"it had raised TRP by {rise:.2g} dB" in message
    assert rise == pytest.approx(decibel(1 + floor), abs=0.15)
    # The peak is lower by as much as one reading was.
    difference = scan_peak(scan, noise_floor=0).eirp - scan_peak(scan).eirp
    np.testing.assert_allclose(difference, found.noise_floor, rtol=0.1)


def test_a_floor_without_scatter_might_be_radiated():
    # Constant back radiation looks like it: the interval of 95 % holds TRP with and without.
    scan, floor = scanned(planar(4, 4), full_grid(10), floor_db=-25, samples=np.inf)
    found = scan_trp(scan)
    assert np.all(told(found, "unless the device radiates that evenly there"))
    for truth in (1, 1 + floor):
        assert np.all(np.abs(found.trp - truth) <= 2.1 * found.standard_uncertainty)


@pytest.mark.parametrize(
    ("antenna", "step", "floor_db"),
    [(planar(8, 2), 10, -25), (planar(8, 8), 10, -30), (planar(8, 2), 15, -20)],
    ids=["8 x 2", "8 x 8", "8 x 2 coarse"],
)
def test_lobes_too_fine_hide_single_samples(antenna, step, floor_db):
    # Lobes between the samples scatter as noise does: said, not subtracted, or held.
    scan, floor = scanned(antenna, full_grid(step), floor_db=floor_db, seed=3)
    found = scan_trp(scan)
    held = np.abs(found.trp - 1) <= 1.96 * found.standard_uncertainty
    named = told(found, "the tenth of the sphere that reads least is about")
    assert np.all(held | named | (found.noise_floor > 0))
    assert np.mean(named) > 0.3
    assert floor > 0.2


def test_where_no_reading_is_low_the_scatter_is_named():
    # A dipole: 0.13 dB by a floor 20 dB below the peak, which nothing tells from its pattern.
    scan, floor = scanned(planar(1, 1, "dipole"), full_grid(10), floor_db=-20)
    found = scan_trp(scan)
    assert np.mean(told(found, "readings scatter by ")) >= 0.9
    message = next(x for x in found.warnings[0] if "readings scatter" in x)
    single = float(message.split("made TRP ")[1].split(" dB")[0])
    # Closed form: r^2 = sum of 2 S F + F^2 over both, half of it each: about TRP times the floor.
    assert single == pytest.approx(decibel(1 + floor), rel=0.35)


QUIET = {
    "one": planar(1, 1),
    "dipole": planar(1, 1, "dipole"),
    "2 x 1": planar(2, 1),
    "2 x 2": planar(2, 2),
    "4 x 4": planar(4, 4),
    "fringes": pair(11),
}


@pytest.mark.slow
@pytest.mark.parametrize("points", [full_grid(7.5), spiral(1000)], ids=["grid", "spiral"])
@pytest.mark.parametrize("name", QUIET)
def test_without_noise_nothing_is_subtracted(name, points):
    scan, _ = scanned(QUIET[name], points, count=12)
    found = scan_trp(scan)
    np.testing.assert_array_equal(found.noise_floor, 0)
    np.testing.assert_array_equal(found.trp, scan_trp(scan, noise_floor=0).trp)
    assert found.warnings == ((),) * 12


def test_smooth_patterns_have_no_floor():
    # Without nulls, or with broad ones; the last reads 26 dB less over half of the sphere, not
    # evenly.
    theta, phi = full_grid(10)
    z = unit(theta, phi)[:, 2]
    values = [
        np.ones_like(z),
        1.1 + z,
        (1 + z) ** 2,
        1 - 0.99 * z**2,
        np.maximum(z, 0) ** 4,
        ((1 + z) / 2) ** 8 + 0.002 * (1 - z) ** 2,
    ]
    found = scan_trp(PowerScan(np.arange(1.0, 7), theta, phi, eirp_total=values))
    np.testing.assert_array_equal(found.noise_floor, 0)


def test_a_clipped_table():
    # Readings below a level written as the level: TRP between those of 0 and of the level there.
    scan, _ = scanned(planar(4, 4), full_grid(10))
    level = planar(4, 4).peak * 10**-2.5
    columns = [np.maximum(x, level) for x in (scan.eirp_theta, scan.eirp_phi)]
    clipped = PowerScan(scan.frequency, scan.theta, scan.phi, *columns)
    before, found = scan_trp(clipped, noise_floor=0), scan_trp(clipped)
    assert np.all(decibel(before.trp) > 0.8)
    assert np.all(told(found, "of the sphere reads just "))
    assert np.all(np.abs(found.trp - 1) <= 1.96 * found.standard_uncertainty)
    # Rectangular: half of what the positions clipped add up to, and 1/sqrt(12) of it.
    weights = found.weights / (4 * np.pi)
    most = sum((x == level) @ weights for x in columns) * level
    np.testing.assert_allclose(found.noise_floor, most / 2, rtol=0.05)


def test_a_floor_that_was_measured():
    scan, floor = scanned(planar(2, 2), full_grid(15), floor_db=-20, samples=np.inf, count=3)
    found = scan_trp(scan, noise_floor=floor)
    silent, _ = scanned(planar(2, 2), full_grid(15), count=3)
    np.testing.assert_allclose(found.trp, scan_trp(silent).trp, rtol=1e-12)
    np.testing.assert_array_equal(found.noise_floor, floor)
    peak = scan_peak(scan, noise_floor=floor)
    np.testing.assert_allclose(peak.eirp, scan_peak(silent).eirp, rtol=1e-12)
    for function in (scan_trp, scan_peak):
        with pytest.raises(ValueError, match=r"noise_floor is -90 W, expected 0, .*convert dBm to"):
            function(scan, noise_floor=-90)
        with pytest.raises(
            ValueError,
            match=r"noise_floor is 2 W \(33\.01 dBm\), but the mean over the sphere is 1\.\d+ W \(3\d",
        ):
            function(scan, noise_floor=2)


def test_few_positions_show_no_floor():
    points = constant_density(9)
    values = np.array([[1e-4, 1e-4, 1e-4, 1, 1, 1e-4, 1e-4, 1e-4, 1e-4]])
    found = scan_trp(PowerScan([1e9], points.theta, points.phi, eirp_total=values))
    assert found.noise_floor[0] == 0


def test_a_search_that_ends_is_no_sensitivity():
    # Sensitivity of an array, nothing weaker than 20 dB above the best tried: written down as the
    # power where the search ended, or left empty.
    array = planar(4, 4)
    theta, phi = full_grid(10)
    gain = np.abs(array.fields([np.eye(3)], theta, phi)) ** 2
    eis = 1e-12 / np.maximum(gain, 1e-9)
    highest = 1e-12 / array.peak * 100
    written = scan_tis(SensitivityScan([1e9], theta, phi, *np.minimum(eis, highest)))
    (message,) = [x for x in written.warnings[0] if "has the same sensitivity" in x]
    assert f"the weakest, {decibel(highest) + 30:.1f} dBm" in message
    # Left empty it is within what is said of the other: TIS up to so much higher.
    empty = SensitivityScan([1e9], theta, phi, *np.where(eis > highest, np.nan, eis))
    left = scan_tis(empty, highest_power=highest)
    assert not any("has the same sensitivity" in x for x in left.warnings[0])
    stated = float(message.split("then up to ")[1].split(" dB")[0])
    assert decibel(left.tis[0] / written.tis[0]) == pytest.approx(stated, rel=0.06)
    np.testing.assert_allclose(left.lowest_tis, written.tis, rtol=1e-9)


def test_inspect_says_and_takes_a_floor(tmp_path):
    scan, floor = scanned(planar(4, 4), full_grid(10), floor_db=-25, samples=10, count=1)
    rows = [
        f"{t:.6f},{p:.6f},1e9,{a:.6f},{b:.6f}"
        for t, p, a, b in zip(
            np.degrees(scan.theta),
            np.degrees(scan.phi),
            decibel(scan.eirp_theta[0]) + 30,
            decibel(scan.eirp_phi[0]) + 30,
            strict=True,
        )
    ]
    path = tmp_path / "power.csv"
    header = "theta_deg,phi_deg,frequency_hz,eirp_theta_dbm,eirp_phi_dbm"
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    facts = json.loads(succeed("inspect", path, "--json"))
    (u,) = facts["trp_sampling_uncertainty_db"]
    assert abs(facts["trp_dbm"][0] - 30) < 2 * u < 0.5
    assert facts["trp_noise_floor_dbm"][0] == pytest.approx(decibel(floor) + 30, abs=0.5)
    assert facts["trp_noise_correction_db"][0] == pytest.approx(-decibel(1 + floor), abs=0.15)
    assert 0 < facts["peak_uncertainty_db"][0] < 0.5
    assert any("a floor of noise of" in x for x in facts["warnings"])
    lowest = scan.eirp.min() / (1 + floor)
    assert facts["trp_rise_by_lowest_reading_db"][0] == pytest.approx(-decibel(1 - lowest), rel=0.05)
    none = json.loads(succeed("inspect", path, "--json", "--noise-floor-dbm", "-200"))
    assert none["trp_noise_correction_db"][0] == pytest.approx(0, abs=1e-9)
    assert none["trp_dbm"][0] == pytest.approx(30 + decibel(1 + floor), abs=0.1)
    other = tmp_path / "eis.csv"
    other.write_text(
        "theta_deg,phi_deg,frequency_hz,eis_theta_dbm,eis_phi_dbm\n0,0,1e9,-90,-90\n", encoding="utf-8"
    )
    says = "holds no EIRP without phase: leave the noise floor out"
    assert_refused(tmp_path, "inspect", other, "--noise-floor-dbm", "-60", says=says)
