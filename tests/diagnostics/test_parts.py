"""Parts of an antenna found: modules of sources whose places and powers are known."""

import numpy as np
import pytest
from origin_cases import WAVELENGTH, modes_of, noisy, source

from nf2ff.antenna.dipoles import DipoleCluster, array_of
from nf2ff.antenna.modes import Modes
from nf2ff.diagnostics.origin import translate
from nf2ff.diagnostics.parts import power_map, radiating_parts


def module(place, weight=1.0):
    x = (np.arange(3) - 1) * WAVELENGTH / 2
    grid = np.stack(np.meshgrid(x, x, [0.0]), axis=-1).reshape(-1, 3)
    return array_of(source([0, 0, 0]), positions=grid + place, weights=np.full(9, weight))


def joined(*parts):
    names = ("position", "electric", "magnetic")
    return DipoleCluster(*(np.concatenate([getattr(x, y) for x in parts]) for y in names))


PLACES = np.array([[5.2, 0.3, 0.4], [-4.8, -0.2, -0.6]]) * WAVELENGTH


def test_the_map_is_the_power_about_each_place():
    # The slow way: translated modes, one place at a time.
    modes = modes_of(joined(module(PLACES[0] / 4), source(PLACES[1] / 4)), 25).at(0)
    places, power = power_map(modes, radius=1.2 * WAVELENGTH)
    for i, j, k in [(0, 0, 0), (3, 2, 4), (1, 4, 2), (-1, -1, -1)]:
        place = [places[0][i], places[1][j], places[2][k]]
        low = translate(modes, place).truncate(2)
        assert power[i, j, k] == pytest.approx(
            (low.radiated_power() / modes.radiated_power())[0], rel=1e-6, abs=1e-9
        )


@pytest.mark.slow
def test_neighbours_whose_waves_overlap_are_told_apart():
    """Two modules 4.2 wavelengths apart at -38 dB of noise: their degrees reach half the way to each other.

    The weak one is found across the beam to 0.02 wavelengths: noise 26 dB below it, the prototype's 0.0005
    at 50 dB times 10^(24/20), rounded up.
    """
    places = np.array([[2.0, 0.6, 1.0], [-2.0, -0.6, 0.0]]) * WAVELENGTH
    clean = modes_of(joined(module(places[0]), module(places[1], 0.5)), 32).at(0)
    modes, size = noisy(clean, -38, np.random.default_rng(7))
    found = radiating_parts(modes, radius=2.9 * WAVELENGTH, count=2, size=WAVELENGTH, noise=size[0])
    off = (found.position - places) / WAVELENGTH
    assert np.all(np.abs(off[:, :2]) < 0.02)
    assert np.all(np.abs(off[:, 2]) < 0.08)
    # The second has a quarter of the power; both interfere by some percent of their sum.
    assert 10 * np.log10(found.power[1] / found.power[0]) == pytest.approx(-6.02, abs=0.1)
    assert 10 * np.log10(found.remainder) == pytest.approx(-38, abs=1.5)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("level_db", "place_aim", "power_aim_db"), [(0.0, 0.002, 0.01), (-6.0, 0.002, 0.01), (-20.0, 0.004, 0.03)]
)
def test_two_modules_ten_wavelengths_apart_at_50_db(level_db, place_aim, power_aim_db):
    """Alignment prototype: .0008/.0005 wavelengths (equal to -6 dB), .0018 (-20 dB), ratio .004 to .015 dB.

    The aims are for one draw across the beam: some two and a half of those standard uncertainties; along the
    beam the place is known four times less well.
    """
    weak = 10 ** (level_db / 20)
    clean = modes_of(joined(module(PLACES[0]), module(PLACES[1], weak)), 50).at(0)
    modes, _ = noisy(clean, -50, np.random.default_rng(3))
    found = radiating_parts(modes, radius=6 * WAVELENGTH, count=2)
    order = np.argsort(-found.position[:, 0])
    apart = (found.position[order] - PLACES) / WAVELENGTH
    assert np.all(np.abs(apart[:, :2]) < place_aim)
    assert np.all(np.abs(apart[:, 2]) < 4 * place_aim)
    ratio = 10 * np.log10(found.power[order[1]] / found.power[order[0]])
    assert abs(ratio - level_db) < power_aim_db
    # Uncertainties as stated, to what 16 draws tell of them, and one draw of noise.
    assert np.all(np.abs(apart) * WAVELENGTH < 5 * found.position_uncertainty[order])
    spread = 10 / np.log(10) * np.hypot(*(found.power_uncertainty / found.power))
    assert abs(ratio - level_db) < 5 * spread
    assert np.all(found.position_uncertainty[:, :2] < place_aim * WAVELENGTH)
    # What is left is the noise.
    assert 10 * np.log10(found.remainder) == pytest.approx(-50, abs=1)


def test_a_single_source_is_one_part():
    place = np.array([0.7, -0.4, 1.1]) * WAVELENGTH
    found = radiating_parts(modes_of(source(place), 25).at(0), radius=2 * WAVELENGTH, count=1)
    np.testing.assert_allclose(found.position, [place], atol=1e-5 * WAVELENGTH)
    assert found.power[0] == pytest.approx(1)
    assert found.remainder < 1e-9


@pytest.mark.parametrize(
    ("frequencies", "options", "message"),
    [
        (2, {"radius": 1.0, "count": 1}, r"2 frequencies, expected one: take one by `Modes.at`"),
        (1, {"radius": 0.0, "count": 1}, r"radius is 0 m .*give positive ones"),
        (1, {"radius": 1.0, "count": 0}, r"count is 0 .*at least one part"),
        (1, {"radius": 0.05, "count": 3}, r"no place is left for part 2 .*fewer parts"),
    ],
)
def test_bad_input(frequencies, options, message):
    modes = Modes(np.linspace(1e9, 2e9, frequencies), np.ones((frequencies, 6)))
    with pytest.raises(ValueError, match=message):
        radiating_parts(modes, **options)


def test_an_array_larger_than_a_part_is_not_put_far_in_front_of_it():
    # Seven by seven elements 3 wavelengths wide; a part of 3/4 of a wavelength had explained most of the
    # power from behind the edge of what is looked at.
    x = (np.arange(7) - 3) * WAVELENGTH / 2
    grid = np.stack(np.meshgrid(x, x, [0.0]), axis=-1).reshape(-1, 3)
    modes = modes_of(array_of(source([0, 0, 0]), positions=grid, weights=np.ones(49)), 25).at(0)
    with pytest.raises(ValueError, match=r"part 1 is drawn out of .*larger than a part.*state a larger size"):
        radiating_parts(modes, radius=2.3 * WAVELENGTH, count=1)
    found = radiating_parts(modes, radius=2.3 * WAVELENGTH, count=1, size=2.2 * WAVELENGTH)
    # The array is its own image about the plane x = 0 and y = 0.
    np.testing.assert_allclose(found.position[0, :2], 0, atol=1e-3 * WAVELENGTH)
    assert found.remainder < 1e-3
