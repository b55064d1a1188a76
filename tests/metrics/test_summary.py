"""The figures that a result carries, against closed forms."""

import numpy as np
import pytest

from nf2ff.antenna.modes import Modes, mode_index, rotate
from nf2ff.metrics.beam import peak
from nf2ff.metrics.summary import summarise
from nf2ff.report.result import frequency_facts

EPS = np.finfo(float).eps


def modes_of(*frequencies):
    """Modes of degree 1, (s, m) to Q, one mapping for each frequency."""
    q = np.zeros((len(frequencies), 6), dtype=complex)
    for row, parts in zip(q, frequencies, strict=True):
        for (s, m), value in parts.items():
            row[mode_index(s=s, m=m, n=1)] = value
    return Modes(1e9 * np.arange(1, 1 + len(frequencies)), q)


#: Check values of the project, conjugated for exp(+jwt): dipoles along x and z and a Huygens source
#: towards +z.
X_DIPOLE = {(2, -1): -1, (2, 1): 1}
Z_DIPOLE = {(2, 0): -1}
HUYGENS = {(2, -1): -1, (2, 1): 1, (1, -1): -1, (1, 1): -1}
LEFT_HAND = {(2, 1): 1}


def test_huygens_source():
    # U ~ (1 + cos)^2 falls to a half where 1 + cos = sqrt 2; the integral of (1 + c)^2 over c from
    # -h to h is 2 h + 2 h^3 / 3, that over all c 8/3 (closed forms).
    modes = modes_of(HUYGENS)
    facts = frequency_facts(summarise(modes, peak(modes)))[0]
    width = 2 * np.degrees(np.arccos(np.sqrt(2) - 1))
    assert facts["half_power_beamwidth_theta_deg"] == pytest.approx(width, rel=1e-9)
    assert facts["half_power_beamwidth_phi_deg"] == pytest.approx(width, rel=1e-9)
    assert facts["first_sidelobe_theta_db"] is None
    assert facts["highest_sidelobe_phi_db"] is None
    assert facts["front_to_back_db"] is None or facts["front_to_back_db"] > 240
    assert facts["upper_hemisphere_fraction"] == pytest.approx(7 / 8, rel=100 * EPS)
    for degrees in (15, 30, 45):
        h = np.sin(np.radians(degrees))
        wanted = (2 * h + 2 * h**3 / 3) / (8 / 3)
        found = facts[f"near_horizon_{degrees}_deg_fraction"]
        assert found == pytest.approx(wanted, rel=100 * EPS)


def test_polarisation_at_the_peak():
    modes = modes_of(X_DIPOLE, Z_DIPOLE, LEFT_HAND)
    summary = summarise(modes, peak(modes))
    facts = frequency_facts(summary)
    assert facts[0]["sense"] == facts[1]["sense"] == "linear"
    assert facts[0]["axial_ratio_db"] is None
    # m = +1 is exp(+j phi) along theta^, x + jy on the axis: Re(exp(+jwt) (x + jy)) turns from x
    # to -y, counter-clockwise seen from behind the wave: left-hand (IEEE Std 145, from memory).
    assert facts[2]["axial_ratio_db"] == pytest.approx(0, abs=1e-6)
    assert facts[2]["sense"] == "left-hand"
    # A circle has no tilt.
    assert facts[2]["tilt_deg"] is None
    assert np.isnan(summary["tilt"].values).tolist() == [False, False, True]
    # A z dipole has its tilt along theta^.
    assert facts[1]["tilt_deg"] == pytest.approx(0, abs=1e-9)
    assert facts[1]["half_power_beamwidth_theta_deg"] == pytest.approx(90, rel=1e-9)
    # Around the dipole nothing falls off.
    assert facts[1]["half_power_beamwidth_phi_deg"] is None
    assert facts[1]["front_to_back_db"] == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("azimuth", [0.0, 0.7, 3.0, 5.5])
def test_tilt_and_planes_at_a_pole_do_not_turn_with_the_azimuth(azimuth):
    # A Huygens source, E along x, swung by 2 deg towards any azimuth: its field stays along x but
    # for the square of the swing.
    turned = {"alpha": azimuth, "beta": np.radians(2), "gamma": -azimuth}
    modes = rotate(modes_of(HUYGENS), **turned)
    top = peak(modes)
    facts = frequency_facts(summarise(modes, top))[0]
    assert np.degrees(top.theta[0]) == pytest.approx(2, abs=1e-3)
    assert facts["tilt_deg"] == pytest.approx(0, abs=np.degrees(np.radians(2) ** 2))
    assert (facts["plane_theta"], facts["plane_phi"]) == ("phi = 0 deg", "phi = 90 deg")


def test_units_of_the_file():
    modes = modes_of(HUYGENS)
    for name, (values, units, long_name) in summarise(modes, peak(modes)).items():
        assert values.shape == (1,)
        assert units in ("1", "rad")
        angle = name == "tilt" or "beamwidth" in name or name.startswith("plane_")
        assert (units == "rad") == angle
        assert long_name
