"""Readings at a pole, one direction whatever phi."""

import numpy as np

from nf2ff.power_only.peak import fit_scan
from nf2ff.power_only.poles import pole_warnings
from nf2ff.power_only.scan import PowerScan


def scan(ripple_db, rng, noise=0.002):
    theta, phi = (
        x.ravel()
        for x in np.radians(np.meshgrid(np.arange(0, 181, 15), np.arange(0, 360, 30), indexing="ij"))
    )
    values = 1 + 0.5 * np.cos(theta) + 0.2 * np.sin(theta) * np.cos(phi)
    values = values * (1 + noise * rng.normal(size=values.size))
    values = np.where(theta == 0, values * 10 ** (ripple_db / 20 * np.sin(phi)), values)
    return PowerScan([1e9], theta, phi, eirp_total=values[None])


def test_a_ripple_at_the_pole_is_told_with_its_size(rng):
    found = scan(0.6, rng)
    ((told,),) = pole_warnings(found, fit_scan(found))
    assert told.code.name == "POLE"
    assert told.figures["theta_deg"] == 0
    # Closed form: from -0.3 to 0.3 dB, and noise of 0.009 dB a reading.
    assert abs(told.figures["spread_db"] - 0.6) < 0.1


def test_noise_alone_is_not_told(rng):
    for noise in (0.0, 0.002, 0.05):
        found = scan(0.0, rng, noise)
        assert pole_warnings(found, fit_scan(found)) == ((),)


def test_one_reading_at_a_pole_tells_nothing(rng):
    whole = scan(0.6, rng)
    keep = (whole.theta > 0) | (whole.phi == 0)
    found = PowerScan([1e9], whole.theta[keep], whole.phi[keep], eirp_total=whole.eirp_total[:, keep])
    assert pole_warnings(found, fit_scan(found)) == ((),)
