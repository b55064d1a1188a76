"""The degree of a partial scan is that of the antenna, and its figures are right or their doubt is told.

Truth is that of `partial_scans`: closed forms of dipoles, nothing of the program's.
"""

import numpy as np
import partial_scans as scans
import pytest

import nf2ff
from nf2ff.messages.result import ResultCode
from nf2ff.messages.solution import SolutionCode
from nf2ff.metrics.transformation import transform_samples

WAVE = scans.WAVELENGTH
SMALL = {
    "dipole": scans.dipole(1, 0, 0).moved(0.3 * WAVE, 0, 0.2 * WAVE),
    "cardioid": scans.array(1, 1).moved(0.3 * WAVE, 0.2 * WAVE, 0.25 * WAVE),
}
ARRAYS = {"4x4": scans.array(4, 4), "8x8": scans.array(8, 8), "10x4": scans.array(10, 4)}


def transformed(true, keep, *, radius, noise_db, step=5.0, seed=1):
    """The result, and errors of EIRP, directivity and TRP [dB]."""
    rows = scans.grid(step)
    rows = rows.keep(keep(rows))
    response = scans.readings(true, rows, radius=radius)
    if noise_db is not None:
        response = response + scans.noise(response, noise_db, seed)
    samples = nf2ff.Samples([10e9], rows.theta, rows.phi, rows.chi, radius, rows.port, [response], "V/m")
    result = transform_samples(samples, nf2ff.field_probe())
    truth = scans.truth(true)
    found = (
        (result.quantities["peak_eirp"].values[0], truth.eirp),
        (result.quantities["peak_directivity"].values[0], truth.directivity),
        (result.modes.radiated_power()[0], truth.trp),
    )
    return result, np.array([10 * np.log10(a / b) for a, b in found])


def told(result, code):
    """Figures of the warning of that kind, None if there is none."""
    return next((x.figures for x in result.warnings[0] if x.code is code), None)


@pytest.mark.parametrize("noise_db", [None, -60, -40])
@pytest.mark.parametrize("name", SMALL)
def test_a_small_antenna_is_found_where_fine_steps_would_allow_much_more(name, noise_db):
    # kr0 = 2.3 and 3.4: of waves from degree 12 on there is less than noise of -60 dB (j_12(3.4) < 1e-6).
    # Steps of 5 deg allow 32. One polarisation within 30 deg of the pole had made it 1.2 dB too much.
    result, off = transformed(SMALL[name], scans.no_cross(0, 30), radius=4 * WAVE, noise_db=noise_db)
    assert result.modes.degree <= 12 or noise_db is None
    assert np.abs(off).max() < 0.05
    assert told(result, SolutionCode.LOWER_DEGREE)["degree"] == result.modes.degree


def test_a_small_antenna_is_found_in_a_cap_that_lacks_a_polarisation_too():
    def keep(rows):
        return scans.nothing(100.5, 180)(rows) & scans.no_cross(0, 30)(rows)

    result, off = transformed(SMALL["cardioid"], keep, radius=4 * WAVE, noise_db=-60)
    assert result.modes.degree <= 12
    # EIRP; the rest is said not to be known.
    assert abs(off[0]) < 0.1
    assert told(result, SolutionCode.GAP)
    assert told(result, SolutionCode.LEAST_DEGREE)["degree"] == result.modes.degree


@pytest.mark.parametrize("noise_db", [None, -60, -40])
def test_a_dipole_in_half_a_sphere_leaves_no_doubt_of_its_spectrum(noise_db):
    result, off = transformed(
        scans.dipole(1, 0, 0), scans.nothing(92.5, 180), radius=4 * WAVE, noise_db=noise_db
    )
    assert result.modes.degree <= 2
    assert np.abs(off).max() < 0.05
    assert [x.code for x in result.warnings[0]] == [SolutionCode.LOWER_DEGREE]


@pytest.mark.slow
@pytest.mark.parametrize("last", [100, 120, 150])
@pytest.mark.parametrize("name", ARRAYS)
@pytest.mark.parametrize("noise_db", [-20, -30])
def test_noise_holds_nothing_of_a_beam_back(name, last, noise_db):
    found = []
    for seed in (1, 2, 3):
        true = ARRAYS[name]
        result, off = transformed(
            true, scans.nothing(last + 0.5, 180), radius=scans.RADIUS, noise_db=noise_db, seed=seed
        )
        doubt = told(result, ResultCode.NOISE_IN_POWER) or {"power_db": 0.0, "eirp_db": 0.0}
        found.append((*off, doubt["power_db"], doubt["eirp_db"]))
    eirp, directivity, trp, power, scatter = np.mean(found, axis=0)
    # Three deviations of a mean of three, and what waves weaker than noise may add to a beam.
    assert abs(eirp) < 0.2 + 3 * scatter / np.sqrt(3)
    # TRP and directivity are off by what noise is told to add, but for the part that was not measured.
    assert trp == pytest.approx(power, abs=0.2)
    assert directivity == pytest.approx(-power, abs=0.4)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "last", "noise_db", "most"),
    [
        # EIRP of the one without noise had been 1.4 dB too low.
        ("8x8", 120, (-20, None), 0.05),
        # Beside the noisy one it had been 0.52, 0.47 and 0.06 dB too high.
        ("dipole", 95, (-20, -60), 0.06),
        ("dipole", 95, (-20, -40), 0.15),
        ("cardioid", 110, (-20, -60), 0.01),
    ],
)
def test_noise_of_one_frequency_hides_nothing_at_another(name, last, noise_db, most):
    true, radius = (ARRAYS | SMALL)[name], scans.RADIUS
    rows = scans.grid()
    rows = rows.keep(scans.nothing(last + 0.5, 180)(rows))
    frequency = [9.9e9, 9.95e9, 10e9]
    response = np.array([scans.readings(true, rows, frequency=f, radius=radius) for f in frequency])
    for f, level in ((0, noise_db[0]), (1, noise_db[1]), (2, noise_db[1])):
        if level is not None:
            response[f] += scans.noise(response[f], level, f)

    def solved(*some):
        place = (rows.theta, rows.phi, rows.chi, radius, rows.port)
        samples = nf2ff.Samples([frequency[f] for f in some], *place, response[list(some)], "V/m")
        return transform_samples(samples, nf2ff.field_probe())

    found, alone, noisy = solved(0, 1, 2), solved(1, 2), solved(0)
    eirp = found.quantities["peak_eirp"].values
    assert abs(10 * np.log10(eirp[2] / scans.truth(true, 10e9).eirp)) < most
    # Each is what it is without the other; the operators' tolerance hangs on the damping.
    for part, which in ((alone, [1, 2]), (noisy, [0])):
        np.testing.assert_array_equal(
            part.quantities["degree"].values, found.quantities["degree"].values[which]
        )
        np.testing.assert_allclose(part.quantities["peak_eirp"].values, eirp[which], rtol=1e-6)
        # Figures in them come from draws of noise.
        told = [[x.code for x in some] for some in part.warnings]
        assert told == [[x.code for x in found.warnings[f]] for f in which]


@pytest.mark.slow
def test_frequencies_of_like_noise_stay_together():
    rows = scans.grid()
    rows = rows.keep(scans.nothing(110.5, 180)(rows))
    frequency = [9.9e9, 10e9]
    response = np.array([scans.readings(SMALL["dipole"], rows, frequency=f, radius=0.2) for f in frequency])
    for f, level in enumerate((-40, -33)):  # a factor of 2.2
        response[f] += scans.noise(response[f], level, f)
    place = (rows.theta, rows.phi, rows.chi, 0.2, rows.port)
    solution = nf2ff.solve(nf2ff.Samples(frequency, *place, response, "V/m"), nf2ff.field_probe())
    assert [part.frequencies for part in solution.parts] == [(0, 1)]


def test_noise_of_waves_that_a_polarisation_lacks_for_does_not_fill_the_gap():
    # EIRP had been 2.0 dB and TRP 6.7 dB too high, and no figure told.
    keep = scans.no_cross(0, 15)
    result, off = transformed(ARRAYS["10x4"], keep, radius=scans.RADIUS, noise_db=-20)
    doubt = told(result, ResultCode.NOISE_IN_POWER)
    assert abs(off[0]) < 0.1 + 3 * doubt["eirp_db"]
    assert off[2] == pytest.approx(doubt["power_db"], abs=0.3)
    # What is small is not said to be 0.0 dB.
    small = ResultCode.NOISE_IN_POWER(power_db=0.123, eirp_db=0.00456)
    assert "about 0.12 dB to TRP" in small
    assert "scatter by 0.0046 dB" in small


def test_no_lower_degree_is_offered_for_a_small_cap():
    # At degree 6, which would count more than a quarter of the sphere as seen, TRP is 9 dB too high.
    with pytest.raises(ValueError, match="was not measured") as refused:
        transformed(ARRAYS["4x4"], scans.nothing(40.5, 180), radius=scans.RADIUS, noise_db=-60)
    assert "degree" not in str(refused.value)


def test_complete_scans_are_told_nothing_of_it():
    result, _ = transformed(SMALL["dipole"], scans.nothing(181, 182), radius=4 * WAVE, noise_db=-20)
    codes = {x.code for x in result.warnings[0]}
    assert not codes & {SolutionCode.LOWER_DEGREE, SolutionCode.LEAST_DEGREE, ResultCode.NOISE_IN_POWER}
