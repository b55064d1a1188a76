"""Excitations of an array against those that its dipoles were given."""

import numpy as np
import pytest
from origin_cases import FREQUENCY, WAVELENGTH, modes_of, noisy, source

from nf2ff.antenna.dipoles import array_of
from nf2ff.antenna.modes import Modes
from nf2ff.diagnostics.array import array_excitations

X = (np.arange(8) - 3.5) * WAVELENGTH / 2
PLACE = np.stack(np.meshgrid(X, X, [0.02]), axis=-1).reshape(-1, 3)
ELEMENT = modes_of(source([0, 0, 0]), 4).at(0)


def driven(rng, dead=()):
    weights = (1 + 0.1 * rng.normal(size=64)) * np.exp(0.2j * rng.normal(size=64))
    weights[list(dead)] = 0
    return weights, modes_of(array_of(source([0, 0, 0]), positions=PLACE, weights=weights), 45).at(0)


def test_without_noise_they_are_exact():
    # Closed form; degree 45 for k r0 = 13 leaves less than 1e-12, and the condition is some 100.
    weights, modes = driven(np.random.default_rng(1))
    found = array_excitations(modes, ELEMENT, PLACE)
    np.testing.assert_allclose(found.excitation, weights, atol=1e-9)
    assert found.remainder < 1e-18
    assert np.all(np.isnan(found.uncertainty))
    assert not found.dead().any()


@pytest.mark.slow
def test_dead_elements_are_found_and_the_uncertainty_is_what_happens():
    """Prototype: -40.2 dB of error, one dead element of 8 x 8 at 50 dB.

    Errors of neighbours go together: one draw scatters by 19 % (measured), ten by 6 %; twice that.
    """
    rng = np.random.default_rng(2)
    weights, modes = driven(rng, dead=[10, 37])
    squares = []
    for _ in range(10):
        dirty, size = noisy(modes, -50, rng)
        found = array_excitations(dirty, ELEMENT, PLACE, noise=size[0])
        assert np.flatnonzero(found.dead()).tolist() == [10, 37]
        off = np.abs(found.excitation - weights)
        assert 20 * np.log10(np.linalg.norm(off) / np.linalg.norm(weights)) < -40
        squares.append(np.mean((off / found.uncertainty) ** 2))
    assert np.sqrt(np.mean(squares)) == pytest.approx(1, abs=0.12)


def test_where_noise_hides_an_element_it_is_not_called_dead():
    rng = np.random.default_rng(3)
    _, modes = driven(rng, dead=[10])
    dirty, size = noisy(modes, -15, rng)
    found = array_excitations(dirty, ELEMENT, PLACE, noise=size[0])
    assert not found.dead().any()


@pytest.mark.parametrize(
    ("element", "place", "message"),
    [
        (ELEMENT, PLACE[:, :2], r"positions have shape \(64, 2\), expected \(P, 3\) with P >= 1"),
        (
            Modes([9e9], ELEMENT.coefficients),
            PLACE,
            r"the element is known at 9e\+09 Hz, the array at 1e\+10 Hz",
        ),
        (ELEMENT, [[0, 0, 0], [0, 0, 1e-8]], "fields of 2 elements cannot be told apart at 10 GHz"),
        (Modes(FREQUENCY, np.ones((2, 6))), PLACE, "the modes have 2 frequencies, expected one"),
    ],
)
def test_bad_input(element, place, message):
    with pytest.raises(ValueError, match=message):
        array_excitations(modes_of(source([0, 0, 0]), 4).at(0), element, place)
