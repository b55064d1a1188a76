"""Totals and peaks of scans without phase, against closed forms, brute force and simulation."""

from dataclasses import replace

import numpy as np
import pytest
from power_scan_cases import grid, scan_of, vectors

from nf2ff.antenna.far_field import FarField, far_field
from nf2ff.antenna.modes import Modes
from nf2ff.metrics.gain_and_power import eirp
from nf2ff.power_only.peak import scan_peak
from nf2ff.power_only.scan import PowerScan, SensitivityScan, power_scan
from nf2ff.power_only.totals import scan_tis, scan_trp

# --- scans ---------------------------------------------------------------------------------


def test_angles_beyond_the_pole_are_brought_back():
    scan = PowerScan([1e9], [-0.5, 0.5, np.pi], [0.2, -0.1, -1e-18], [[1, 2, 3]], [[4, 5, 6]])
    np.testing.assert_allclose(scan.theta, [0.5, 0.5, np.pi], rtol=1e-15)
    np.testing.assert_allclose(scan.phi, [0.2 + np.pi, 2 * np.pi - 0.1, 0], rtol=1e-15)
    np.testing.assert_array_equal(scan.eirp, [[5, 7, 9]])
    # The same direction: theta = -0.5 at phi is 0.5 at phi + pi.
    r = [np.sin(-0.5) * np.cos(0.2), np.sin(-0.5) * np.sin(0.2), np.cos(-0.5)]
    np.testing.assert_allclose(vectors(scan.theta, scan.phi)[0], r, rtol=1e-14)
    assert not scan.theta.flags.writeable
    assert not scan.phi.flags.writeable
    with pytest.raises(ValueError, match="read-only"):
        scan.eirp_theta[0, 0] = 1


def test_scan_of_a_far_field(random_q):
    modes = Modes([1e9, 2e9], [random_q(3), random_q(3)])
    field = far_field(modes, theta=[0.3, 1.2, 2.0], phi=[0.1, 5])
    scan = power_scan(field)
    np.testing.assert_allclose(scan.eirp.reshape(2, 3, 2), eirp(field), rtol=1e-14)
    np.testing.assert_array_equal(scan.theta, [0.3, 0.3, 1.2, 1.2, 2, 2])
    np.testing.assert_array_equal(scan.phi, [0.1, 5] * 3)
    # EIRP_theta = 4 pi |E_theta|^2 / (2 Z0).
    expected = 4 * np.pi * np.abs(field.e_theta) ** 2 / (2 * 376.730313)  # ohm, CODATA
    np.testing.assert_allclose(scan.eirp_theta.reshape(2, 3, 2), expected, rtol=1e-8)
    relative = FarField([1e9], [1.0], [1.0], [[[1]]], [[[1]]], [1], "relative")
    with pytest.raises(ValueError, match="EIRP needs absolute data"):
        power_scan(relative)


def test_results_are_read_only_and_have_one_value_a_frequency():
    theta, phi = grid(6, 12)
    scan = scan_of(np.ones((2, theta.size)), theta, phi)
    eis = SensitivityScan(scan.frequency, theta, phi, scan.eirp, scan.eirp)
    for found, names in (
        (scan_trp(scan), ("frequency", "trp", "standard_uncertainty", "weights")),
        (scan_tis(eis), ("tis", "lowest_tis", "standard_uncertainty", "missing", "weights")),
        (scan_peak(scan), ("theta", "phi", "eirp", "sample", "sample_eirp")),
    ):
        for name in names:
            with pytest.raises(ValueError, match="read-only"):
                getattr(found, name)[0] = 1
        with pytest.raises(ValueError, match=f"{names[1]} has 1 values, expected 2, one for each freq"):
            replace(found, **{names[1]: [1.0]})


ONE = [[1.0]]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"eirp_phi": None}, "given is eirp_theta: expected eirp_theta and eirp_phi, or eirp_tot"),
        ({"eirp_total": ONE}, "given is eirp_theta, eirp_phi, eirp_total: expected"),
        ({"eirp_theta": None, "eirp_phi": None}, "given is none: expected eirp_theta and"),
        ({"frequency": [0]}, "frequency is 0 Hz, expected positive"),
        ({"frequency": []}, "frequency is empty, expected positive"),
        ({"phi": [0, 1]}, "theta and phi are 1 and 2 angles, expected equally many"),
        ({"theta": [], "phi": []}, "theta and phi are 0 and 0 angles, expected equally many, at least one"),
        ({"theta": [90]}, "theta is 90 rad at position 1, expected -pi to pi: convert degrees"),
        ({"eirp_phi": [[1, 2]]}, r"eirp_phi has shape \(1, 2\), expected \(F, M\) = \(1, 1\)"),
        ({"eirp_phi": [[-30]]}, r"eirp_phi is -30 W at 1e\+09 Hz, position 1: .* dBm to watts"),
        ({"eirp_theta": [[np.nan]]}, r"eirp_theta is nan at index \(0, 0\), expected finite"),
    ],
)
def test_power_scans_that_are_refused(change, message):
    given = {"frequency": [1e9], "theta": [1], "phi": [1], "eirp_theta": ONE, "eirp_phi": ONE}
    with pytest.raises(ValueError, match=message):
        PowerScan(**(given | change))
