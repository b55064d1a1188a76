"""Tables of power without phase: what is read, and what is refused."""

import numpy as np
import pytest
from power_scan_cases import HEADER, ROUNDING, grid, put

from nf2ff.io.power_tables import read_power_table, read_sensitivity_table
from nf2ff.power_only.totals import scan_trp

ROWS = [
    f"{t},{p},{f},{t / 10 + f / 1e9},{p / 20}"
    for f in (2e9, 1e9)
    for t in (0, 90, 180)
    for p in (0, 90, 180, 270)
]


def test_table_of_power(tmp_path, rng):
    scan = read_power_table(put(tmp_path / "a.csv", "# a comment", HEADER, *ROWS))
    np.testing.assert_array_equal(scan.frequency, [1e9, 2e9])
    np.testing.assert_allclose(np.degrees(scan.theta), np.repeat([0, 90, 180], 4))
    np.testing.assert_allclose(np.degrees(scan.phi), np.tile([0, 90, 180, 270], 3))
    # dBm: 30 dBm is 1 W.
    level = np.degrees(scan.theta) / 10 + np.array([[1], [2]])
    np.testing.assert_allclose(10 * np.log10(scan.eirp_theta) + 30, level, atol=1e-12)
    np.testing.assert_allclose(10 * np.log10(scan.eirp_phi[0]) + 30, np.degrees(scan.phi) / 20)
    # Rows and columns in any order: the same samples.
    columns = rng.permutation(5)
    lines = [",".join(line.split(",")[i] for i in columns) for line in (HEADER, *ROWS)]
    order = rng.permutation(len(ROWS))
    again = read_power_table(put(tmp_path / "b.csv", lines[0], *(lines[1 + i] for i in order)))
    a, b = (np.lexsort((s.phi, s.theta)) for s in (scan, again))
    for name in ("theta", "phi"):
        np.testing.assert_array_equal(getattr(scan, name)[a], getattr(again, name)[b])
    for name in ("eirp_theta", "eirp_phi"):
        np.testing.assert_array_equal(getattr(scan, name)[:, a], getattr(again, name)[:, b])


def test_table_of_totals_and_repeated_directions(tmp_path):
    header = "theta_deg,phi_deg,frequency_hz,eirp_dbm"
    rows = ["0,0,1e9,10", "-90,0,1e9,20", "0,0,1e9,30"]
    scan = read_power_table(put(tmp_path / "a.csv", header, *rows))
    assert scan.eirp_theta is None
    np.testing.assert_allclose(scan.eirp_total, [[1e-2, 1e-1, 1]], rtol=1e-14)
    np.testing.assert_allclose(np.degrees(scan.theta), [0, 90, 0])
    np.testing.assert_allclose(np.degrees(scan.phi), [0, 180, 0])


def test_a_table_gives_a_total(tmp_path):
    # 0 dBm in each polarisation everywhere: 2 mW.
    theta, phi = grid(6, 12)
    rows = [f"{t:.9g},{p:.9g},1e9,0,0" for t, p in np.degrees(np.stack([theta, phi], axis=1))]
    scan = read_power_table(put(tmp_path / "a.csv", HEADER, *rows))
    found = scan_trp(scan)
    assert found.method == "quadrature"
    np.testing.assert_allclose(found.trp, 2e-3, rtol=ROUNDING)


def test_table_of_sensitivity(tmp_path):
    header = "theta_deg,phi_deg,frequency_hz,eis_theta_dbm,eis_phi_dbm"
    rows = ["0,0,1e9,-90,", "90,0,1e9,,-80", "90,90,1e9,,"]
    scan = read_sensitivity_table(put(tmp_path / "a.csv", header, *rows))
    np.testing.assert_allclose(scan.eis_theta, [[1e-12, np.nan, np.nan]], rtol=1e-13)
    np.testing.assert_allclose(scan.eis_phi, [[np.nan, 1e-11, np.nan]], rtol=1e-13)
    with pytest.raises(ValueError, match=r"a.csv, line 2, column eis_theta_dbm: is -900: expected"):
        read_sensitivity_table(put(tmp_path / "a.csv", header, "0,0,1e9,-900,", *rows))
    with pytest.raises(ValueError, match=r"is 'inf': .* leave eis_phi_dbm empty where missing$"):
        read_sensitivity_table(put(tmp_path / "a.csv", header, "0,0,1e9,-90,inf", *rows))


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        ([HEADER, "0,0,1e9,1,300"], "line 2, column eirp_phi_dbm: is 300: expected a level in dBm"),
        ([HEADER, "0,0,1e9,1,"], "line 2, column eirp_phi_dbm: is empty: expected a number"),
        (
            [HEADER, "0,0,1e9,1,-inf"],
            "line 2, column eirp_phi_dbm: is '-inf': exp.* number; -200 stands for no power$",
        ),
        ([HEADER, "0,0,1e9,1,x"], "line 2, column eirp_phi_dbm: is 'x': expected a number"),
        ([HEADER, "0,0,1e9,1,2", "190,0,1e9,1,2"], "line 3, column theta_deg: is 190: exp.* -180"),
        ([HEADER, "0,0,-1,1,2"], "line 2, column frequency_hz: is -1: expected a positive"),
        ([HEADER, "0,0,1e9,1"], "line 2: has 4 fields, the header has 5"),
        (
            [HEADER, "0,0,1e9,1,2", "10,20,1e9,1,2", "0,0,2e9,1,2"],
            "line 3: theta_deg 10, phi_deg 20 has no row like this at frequency_hz 2000000000: g",
        ),
        (
            ["theta_deg,phi_deg,frequency_hz,eirp_theta_dbm", "0,0,1e9,1"],
            "line 1: has eirp_theta_dbm: expected eirp_theta_dbm and eirp_phi_dbm, or eirp_dbm",
        ),
        (["theta_deg,phi_deg,frequency_hz", "0,0,1e9"], "line 1: has no level: expected eirp_th"),
        (
            ["# first", HEADER + ",eirp_dbm", "0,0,1e9,1,2,3"],
            "line 2: has eirp_theta_dbm and eirp_phi_dbm and eirp_dbm: expected .* alone",
        ),
        (["theta_deg,phi_deg,eirp_dbm", "0,0,1"], "line 1: column frequency_hz is missing"),
    ],
)
def test_tables_that_are_refused(tmp_path, lines, message):
    with pytest.raises(ValueError, match=rf"bad\.csv, {message}") as caught:
        read_power_table(put(tmp_path / "bad.csv", *lines))
    assert "\n" not in str(caught.value)
