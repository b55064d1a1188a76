"""Modes about another origin, the centre of radiation and the sphere that holds it."""

import numpy as np
import pytest
from origin_cases import FREQUENCY, WAVELENGTH, modes_of, noisy, source

from nf2ff.antenna.dipoles import DipoleCluster, array_of
from nf2ff.antenna.modes import Modes, mode_count, required_degree, wavenumber
from nf2ff.diagnostics.origin import minimum_sphere, radiation_centre, translate


@pytest.mark.parametrize("place", [[0.02, 0.01, -0.03], [0, 0, 0.05], [-0.04, 0, 0]])
def test_a_translated_antenna_is_the_antenna_at_the_origin(place):
    # Closed form of both, 1e-13: rounding of two transforms of degree 40.
    moved = translate(modes_of(source(place)), place, degree=10)
    np.testing.assert_allclose(
        moved.coefficients, modes_of(source([0, 0, 0]), 10).coefficients, atol=1e-10 * 662
    )


def test_there_and_back_is_the_same():
    rng = np.random.default_rng(4)
    q = rng.normal(size=(2, 2, mode_count(12)))
    modes = Modes(FREQUENCY, q[0] + 1j * q[1], "relative")
    there = translate(modes, [0.01, -0.02, 0.03])
    back = translate(there, [-0.01, 0.02, -0.03], degree=12)
    np.testing.assert_allclose(back.coefficients, modes.coefficients, atol=1e-12)
    np.testing.assert_allclose(there.radiated_power(), modes.radiated_power(), rtol=1e-12)
    assert back.reference == "relative"


def test_no_way_at_all_changes_nothing():
    modes = modes_of(source([0.01, 0, 0]))
    np.testing.assert_allclose(translate(modes, [0, 0, 0]).coefficients, modes.coefficients, atol=1e-12 * 662)


@pytest.mark.parametrize("place", [[0.001, 0, 0], [0, 0, 0]])
def test_more_degrees_than_the_way_needs_are_zero(place):
    modes = modes_of(source([0, 0, 0]), 3)
    found, enough = translate(modes, place, degree=60), translate(modes, place)
    np.testing.assert_allclose(
        found.coefficients, enough.extend(60).coefficients, atol=1e-12 * np.abs(modes.coefficients).max()
    )


def test_the_centre_of_one_source_is_its_place():
    # Closed form: an elementary source about its own place has degree 1 only, the least that there is.
    place = [0.031, -0.017, 0.052]
    np.testing.assert_allclose(
        radiation_centre(modes_of(source(place))), [place, place], atol=1e-9 * WAVELENGTH
    )


def test_the_centre_of_equal_sources_far_apart_is_their_middle():
    # By symmetry.
    ends = np.array([[0.05, 0.02, 0.01], [-0.03, -0.02, 0.03]])
    pair = array_of(source([0, 0, 0]), positions=ends)
    np.testing.assert_allclose(
        radiation_centre(modes_of(pair)), [ends.mean(axis=0)] * 2, atol=1e-9 * WAVELENGTH
    )


@pytest.mark.slow
def test_the_centre_under_noise_is_known_as_the_reference_says():
    """A 3 x 3 module at 50 dB: 0.0009 wavelengths across the beam, 0.004 along it (alignment prototype)."""
    step = WAVELENGTH / 2
    grid = np.stack(np.meshgrid([-1, 0, 1], [-1, 0, 1], [0]), axis=-1).reshape(-1, 3) * step
    place = np.array([0.05, 0.02, 0.03])
    clean = modes_of(array_of(source([0, 0, 0]), positions=grid + place)).at(0).truncate(30)
    rng = np.random.default_rng(1)
    found = [radiation_centre(noisy(clean, -50, rng)[0])[0] for _ in range(20)]
    scatter = np.std(found, axis=0) / WAVELENGTH
    # Scatter of 20 is itself known to 16 %: three of its standard uncertainties.
    assert np.all(scatter[:2] < 1.5 * 0.0009 * 2)
    assert scatter[2] < 1.5 * 0.004 * 2


@pytest.mark.parametrize("tail_db", [-40.0, -60.0])
def test_the_sphere_holds_the_worst_dipole(tail_db):
    # Closed form: the degree of `required_degree` belongs to a dipole on the sphere, across the radius.
    radius = 0.05
    dipole = DipoleCluster([[radius, 0, 0]], [[0, 1.0, 0]], [[0, 0, 0]])
    found = minimum_sphere(modes_of(dipole), tail_db=tail_db)
    k = wavenumber(FREQUENCY)
    need = [required_degree(float(x) * radius, tail_db=tail_db) for x in k]
    got = [required_degree(float(x) * r, tail_db=tail_db) for x, r in zip(k, found, strict=True)]
    assert got == need
    np.testing.assert_allclose(found, radius, atol=1.1 / k[0])


def test_bad_input():
    modes = modes_of(source([0, 0, 0]), 4)
    with pytest.raises(ValueError, match=r"vector has 2 components, expected 3"):
        translate(modes, [0, 1])
    with pytest.raises(ValueError, match="degree is 0, expected at least 1"):
        translate(modes, [0, 0, 1], degree=0)
    with pytest.raises(ValueError, match=r"tail_db is 3.* negative"):
        minimum_sphere(modes, tail_db=3)
