"""What `nf2ff inspect` says of a table of power without phase."""

import json
import re

import numpy as np
import pytest
from commands import succeed
from power_scan_cases import HEADER, decibel, grid, line_of_eight, put, scan_of, vectors
from scipy.spatial.transform import Rotation

from nf2ff.antenna.points import constant_density
from nf2ff.io.power_columns import POWER_COLUMNS, SENSITIVITY_COLUMNS, power_table_kind
from nf2ff.power_only.totals import scan_trp
from nf2ff.power_only.weights import different_positions, voronoi_weights
from nf2ff.report.describe_power import power_facts


def table_of(path, columns, theta, phi, *levels):
    """A table of levels (F, M) [dBm] at 1, 2 ... GHz; NaN is left empty."""
    rows = [
        [np.degrees(theta[i]), np.degrees(phi[i]), (f + 1) * 1e9, *(x[f, i] for x in levels)]
        for f in range(len(levels[0]))
        for i in range(len(theta))
    ]
    rows = [",".join("" if np.isnan(x) else f"{x:.12g}" for x in row) for row in rows]
    return put(path, ",".join(columns), *rows)


def test_facts_of_a_table_of_power(tmp_path):
    # Closed form: (1 + r . a)^2 / 4 has the peak 1 at a and the mean 1/3; half of it each.
    theta, phi = grid(6, 12)
    u = (1 + vectors(theta, phi) @ vectors(0.9, 2.0)) ** 2 / 4
    levels = decibel(np.stack([u, u / 10]) / 2) + 30
    path = table_of(tmp_path / "a.csv", POWER_COLUMNS, theta, phi, levels, levels)
    facts = json.loads(succeed("inspect", path, "--json"))
    assert facts["holds"] == "power without phase"
    assert facts["frequencies_ghz"] == [1, 2]
    assert (facts["samples_per_frequency"], facts["directions"]) == (84, 62)
    assert (facts["theta_from_deg"], facts["theta_to_deg"]) == (0, pytest.approx(180))
    assert facts["polarisations"] == "theta and phi"
    # Twelve digits of a level: 1e-9 dB.
    np.testing.assert_allclose(facts["trp_dbm"], decibel([1 / 3, 1 / 30]) + 30, atol=1e-8)
    np.testing.assert_allclose(facts["peak_eirp_dbm"], [30, 20], atol=1e-8)
    np.testing.assert_allclose(facts["peak_theta_deg"], np.degrees(0.9), atol=1e-4)
    np.testing.assert_allclose(facts["peak_phi_deg"], np.degrees(2.0), atol=1e-4)
    np.testing.assert_allclose(facts["highest_sample_dbm"], decibel([u.max(), u.max() / 10]) + 30)
    np.testing.assert_allclose(facts["trp_sampling_uncertainty_db"], 0, atol=1e-8)
    assert facts["trp_by"] == "quadrature: clenshaw-curtis, 7 rings of 12"
    assert (facts["resolved_degree"], facts["warnings"]) == (5, [])
    assert re.search(r"^TRP \[dBm\] +25.23 +15.23$", succeed("inspect", path), re.MULTILINE)  # 1/3 and 1/30 W


def test_facts_show_no_azimuth_of_360_deg(tmp_path):
    # Bodies of revolution, whose ridge may be found a rounding before phi = 0.
    for rings in (6, 12, 13, 14):
        theta, phi = grid(rings, 2 * rings)
        u = 1e-12 + 0.15 * np.sin(theta) ** 2 + 0.015 * (1 + np.cos(theta)) ** 2
        path = table_of(
            tmp_path / f"{rings}.csv", (*POWER_COLUMNS[:3], "eirp_dbm"), theta, phi, decibel(u[None]) + 30
        )
        assert json.loads(succeed("inspect", path, "--json"))["peak_phi_deg"][0] < 359.9999


def test_facts_of_an_uncertain_total(tmp_path):
    # One column for the sum of polarisations; a pattern too fine, told once at its frequency.
    theta, phi = grid(6, 12)
    fine = line_of_eight(vectors(theta, phi) @ Rotation.from_euler("y", 1.0).as_matrix())
    values = np.stack([np.ones(theta.size), fine])
    columns = (*POWER_COLUMNS[:3], "eirp_dbm")
    path = table_of(tmp_path / "a.csv", columns, theta, phi, decibel(values) + 30)
    facts = power_facts(path, "power")
    assert facts["polarisations"] == "their sum"
    told = [x for x in facts["warnings"] if "(rms)" in x]
    assert len(told) == 1
    assert re.match(r"2 GHz: \d+ % \(rms\) of the pattern is beyond the degree 5", told[0])
    found = scan_trp(scan_of(values, theta, phi))
    expected = decibel(1 + found.standard_uncertainty / found.trp)
    np.testing.assert_allclose(facts["trp_sampling_uncertainty_db"], expected, rtol=1e-6, atol=1e-9)
    # The peak of what is too coarse has none.
    first, second = facts["peak_uncertainty_db"]
    assert first == pytest.approx(0, abs=1e-9)
    assert second is None


def test_facts_of_a_table_of_sensitivity(tmp_path):
    points = constant_density(80)
    level = np.full((2, 80), -90.0)
    holes = level.copy()
    holes[0, 5] = np.nan
    level[1, 7] = -87.0
    path = table_of(tmp_path / "a.csv", SENSITIVITY_COLUMNS, points.theta, points.phi, level, holes)
    facts = json.loads(succeed("inspect", path, "--json"))
    assert (facts["holds"], facts["not_reached"]) == ("sensitivity without phase", [1, 0])
    assert facts["tis_by"] == "voronoi: areas of Voronoi cells"
    # Closed form: 1/EIS weighted by the cells; what was not reached is none, or the weakest, -87.
    weight = voronoi_weights(different_positions(points.theta, points.phi)) / (4 * np.pi)
    inverse = 10 ** (-np.stack([level, np.where(np.isnan(holes), np.inf, holes)]) / 10)
    total = inverse.sum(axis=0) @ weight
    np.testing.assert_allclose(facts["tis_dbm"], -decibel(total), atol=1e-9)
    total[0] += weight[5] * 10**8.7
    np.testing.assert_allclose(facts["lowest_tis_dbm"], -decibel(total), atol=1e-9)
    assert len(facts["tis_sampling_uncertainty_db"]) == 2
    # All reached: one total. Nothing reached: none, and why.
    whole = table_of(tmp_path / "b.csv", SENSITIVITY_COLUMNS, points.theta, points.phi, level, level)
    assert "lowest_tis_dbm" not in power_facts(whole, "sensitivity")
    nothing = np.full((2, 80), np.nan)
    none = table_of(tmp_path / "c.csv", SENSITIVITY_COLUMNS, points.theta, points.phi, nothing, nothing)
    facts = power_facts(none, "sensitivity")
    assert facts["total"].startswith("no: sensitivity was reached nowhere at 1e+09 Hz")
    assert "tis_dbm" not in facts


def test_facts_of_a_part_of_the_sphere(tmp_path):
    theta, phi = grid(6, 12)
    upper = theta < 1.6
    columns = (*POWER_COLUMNS[:3], "eirp_dbm")
    level = np.zeros((1, upper.sum()))
    path = table_of(tmp_path / "a.csv", columns, theta[upper], phi[upper], level)
    facts = json.loads(succeed("inspect", path, "--json"))
    assert facts["total"].startswith("no: no position within 90")
    assert facts["highest_sample_dbm"] == [pytest.approx(0, abs=1e-9)]
    assert "trp_dbm" not in facts


@pytest.mark.parametrize(
    ("lines", "kind"),
    [
        (["# eirp_dbm", HEADER], "power"),
        (["theta_deg, eirp_dbm"], "power"),
        (["theta_deg,eis_phi_dbm"], "sensitivity"),
        (["theta_deg,phi_deg,frequency_hz"], None),
        (["# a comment", ""], None),
        (["theta_deg,phi_deg,directivity_dbi,eirp_dbm"], None),
    ],
)
def test_kind_of_a_table(tmp_path, lines, kind):
    assert power_table_kind(put(tmp_path / "a.csv", *lines)) == kind


def test_a_table_of_both_kinds_is_refused(tmp_path):
    path = put(tmp_path / "a.csv", HEADER + ",eis_theta_dbm,eis_phi_dbm", "0,0,1e9,1,2,3,4")
    with pytest.raises(ValueError, match=r"a.csv: has columns of EIRP and of EIS: keep those of"):
        power_table_kind(path)
