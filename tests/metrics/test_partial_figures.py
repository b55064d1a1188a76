"""Widths, sidelobes and ratios of partial scans are right, or not told.

Truth is the closed form of the dipoles (`partial_scans`), searched on circles by its own formulas.
"""

import math

import numpy as np
import partial_scans as scans
import pytest
from partial_cases import source
from partial_scans import GHZ, RADIUS
from scipy.optimize import brentq

import nf2ff
from nf2ff.io.nsma_cuts import nsma_pattern
from nf2ff.metrics.comparison import compare
from nf2ff.metrics.transformation import transform_samples
from nf2ff.report.comparison import comparison_lines
from nf2ff.report.page.figures import figure_rows
from nf2ff.report.result import result_facts

CUTS = {"theta": 0.0, "phi": np.pi / 2}


def antenna(name):
    """By name; the pair is 180 deg wide across its moment, |cos(pi/4 (1 - cos theta))|^2 (closed form)."""
    return scans.array(1, 1) if name == "pair" else source(name)


def scan(src, last_deg):
    rows = scans.grid()
    rows = rows.keep(scans.nothing(last_deg + 1, 180)(rows))
    response = scans.readings(src, rows)
    return nf2ff.Samples([10 * GHZ], rows.theta, rows.phi, rows.chi, RADIUS, rows.port, [response], "V/m")


def level(src, azimuth, angle):
    """Intensity on the circle through +z at an azimuth, over that at +z."""
    angle = np.atleast_1d(angle)
    theta, phi = np.abs(angle), np.where(angle < 0, azimuth + np.pi, azimuth)
    top = scans.intensity(src, frequency=10 * GHZ, theta=np.zeros(1), phi=np.zeros(1))
    return scans.intensity(src, frequency=10 * GHZ, theta=theta, phi=phi) / top


def true_width(src, azimuth):
    """Of the beam at +z [deg], NaN where the intensity never falls to half."""
    found = []
    for sign in (1, -1):
        angle = np.linspace(0, np.pi, 2001)
        below = np.flatnonzero(level(src, azimuth, sign * angle) < 0.5)
        if not below.size:
            return math.nan
        ends = angle[below[0] - 1], angle[below[0]]
        found.append(brentq(lambda x, s=sign: level(src, azimuth, s * x)[0] - 0.5, *ends))
    return math.degrees(sum(found))


def true_lobes(src, azimuth, within):
    """Levels of the lobes beside the beam at +z up to an angle from it."""
    angle = np.linspace(-np.pi, np.pi, 7201)
    u = level(src, azimuth, angle)
    top = np.flatnonzero((u[1:-1] > u[:-2]) & (u[1:-1] > u[2:]) & (np.abs(angle[1:-1]) > 1e-2)) + 1
    return u[top][np.abs(angle[top]) < within]


@pytest.mark.parametrize("name", ["pole", "small", "pair"])
@pytest.mark.parametrize("last_deg", [60, 90, 120, 150])
def test_width_of_a_cap_is_right_or_not_told(name, last_deg):
    src = antenna(name)
    facts = result_facts(transform_samples(scan(src, last_deg), nf2ff.field_probe()))[0]
    for cut, azimuth in CUTS.items():
        found, true = facts[f"half_power_beamwidth_{cut}_deg"], true_width(src, azimuth)
        if found is not None:
            # 0.1 dB, what directions that are trusted may be off, at the slope of a Gaussian beam there,
            # 12 dB / width: 0.1 / 12 on each side.
            assert found == pytest.approx(true, rel=0.017)
        # Flanks that nothing was measured near are not known.
        if not true / 2 < last_deg:
            assert found is None
            assert any("half-power beamwidth" in x and "not seen" in x for x in facts["warnings"])


@pytest.mark.parametrize("last_deg", [90, 150])
def test_lobes_of_a_cap_are_those_that_were_seen(last_deg):
    src = source("pole")
    result = transform_samples(scan(src, last_deg), nf2ff.field_probe())
    facts = result_facts(result)[0]
    assert facts["half_power_beamwidth_theta_deg"] is not None
    assert facts["front_to_back_db"] is None
    theta = result.far_field.theta[result.far_field.trusted[0].all(axis=1)].max()
    for cut, azimuth in CUTS.items():
        lobes = true_lobes(src, azimuth, theta)
        found = facts[f"highest_sidelobe_{cut}_db"]
        # Trusted directions are right to 0.1 dB of the field at the peak: -38.7 dB below it.
        assert 10 ** (found / 20) == pytest.approx(math.sqrt(lobes.max()), abs=10 ** (-38.7 / 20))
    shown = {row.name: row.shown(0) for row in figure_rows(result)}
    assert shown["highest_sidelobe_theta"] == f"{facts['highest_sidelobe_theta_db']:.2f} dB, partial"
    assert shown["front_to_back"] == "-"
    (told,) = [x for x in facts["warnings"] if "front-to-back ratio" in x]
    assert "not seen" in told


def test_no_lobe_is_told_of_a_beam_whose_flanks_were_not_seen():
    # There is none in the wide cut; ripples of the computed field stand on its flat top.
    facts = result_facts(transform_samples(scan(antenna("pair"), 90), nf2ff.field_probe()))[0]
    assert facts["highest_sidelobe_phi_db"] is None


def test_every_figure_of_a_whole_sphere_is_told():
    facts = result_facts(transform_samples(scan(source("pole"), 180), nf2ff.field_probe()))[0]
    assert None not in [facts[f"{x}_{cut}_deg"] for x in ("half_power_beamwidth",) for cut in CUTS]
    assert facts["front_to_back_db"] is not None
    assert not [x for x in facts["warnings"] if "not seen" in x]


def test_a_comparison_tells_the_figures_that_both_saw():
    src = antenna("pair")
    whole, half = (transform_samples(scan(src, x), nf2ff.field_probe()) for x in (180, 90))
    fields = [x.far_field.at(0) for x in (whole, half)]
    found = compare(whole.modes, half.modes.extend(whole.modes.degree), seen=fields)
    # The wide cut, phi = 90 deg.
    assert np.degrees(found.beamwidth[0, 1, 0]) == pytest.approx(180, abs=0.1)
    assert np.isnan(found.beamwidth[1, 1, 0])
    text = "\n".join(comparison_lines(found))
    assert "highest sidelobe of what was measured" in text


def test_a_pattern_file_leaves_out_what_was_not_seen():
    result = transform_samples(scan(antenna("pair"), 90), nf2ff.field_probe())
    given = {"up": [0, 1, 0], "angle": np.radians([-90.0, 0, 90]), "fields": {}, "gain_dbi": 3.0}
    every, told = (nsma_pattern(result.modes, **given, seen=x).fields for x in (None, result.far_field))
    # Up is y: the wide cut is V.
    assert every.keys() - told.keys() == {"ELWIDT", "FRTOBA"}
    assert float(told["AZWIDT"]) == pytest.approx(true_width(antenna("pair"), 0.0), rel=0.017)


def test_no_sidelobe_is_called_told_where_none_is():
    told = transform_samples(scan(antenna("pair"), 90), nf2ff.field_probe()).warnings[0]
    (left_out,) = (words for words in told if words.startswith("not known, since they hang"))
    assert "highest sidelobe (phi = 0 deg), highest sidelobe (phi = 90 deg)" in left_out
    assert "what was seen" not in left_out
