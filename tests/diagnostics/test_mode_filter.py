"""Echoes suppressed by degrees, against antennas in closed form with and without their image."""

import numpy as np
import pytest
from origin_cases import FREQUENCY, WAVELENGTH, modes_of, source

import nf2ff
from nf2ff.antenna.dipoles import DipoleCluster, array_of
from nf2ff.antenna.grids import grid_for_degree
from nf2ff.antenna.modes import Modes, rotate
from nf2ff.diagnostics.mode_filter import filter_modes
from nf2ff.measurement.simulated import simulate_grid


def array():
    """A 5 x 5 module: k r0 = 9, so 18 is what it needs for -60 dB."""
    x = (np.arange(5) - 2) * WAVELENGTH / 2
    place = np.stack(np.meshgrid(x, x, [0.0]), axis=-1).reshape(-1, 3)
    return array_of(source([0, 0, 0]), positions=place)


def with_echo(antenna, distance, level):
    """The antenna and, at -30 dB, its own copy far to the side: an image that turns with it."""
    copy = array_of(antenna, positions=[[distance, 0, 0]], weights=[level])
    return DipoleCluster(
        *(
            np.concatenate([getattr(x, y) for x in (antenna, copy)])
            for y in ("position", "electric", "magnetic")
        )
    )


def error(found, clean):
    rest = Modes(clean.frequency, found.extend(clean.degree).coefficients - clean.coefficients)
    return 10 * np.log10(rest.radiated_power() / clean.radiated_power())


def test_an_image_at_15_wavelengths_is_suppressed_where_the_scan_resolves_it():
    """Alignment prototype: 23.1 dB for an array, degree 118 cut at 18; aim 19 dB."""
    antenna, distance = array(), 15 * WAVELENGTH
    clean = modes_of(antenna, 118).at(0)
    dirty = modes_of(with_echo(antenna, distance, 10 ** (-30 / 20)), 118).at(0)
    found = filter_modes(dirty, centre=[0, 0, 0], radius=11 / 2 / np.pi * WAVELENGTH, echo_distance=distance)
    suppressed = error(dirty, clean)[0] - error(found.modes, clean)[0]
    assert suppressed > 19
    assert found.warnings == ((),)
    assert 10 * np.log10(found.removed[0]) == pytest.approx(-30, abs=1)


def test_a_scan_that_does_not_resolve_the_image_gains_little_and_is_warned_of():
    """Alignment prototype: 1.3 dB with a scan for degree 18, 2.6 dB for 36."""
    antenna, distance = array(), 15 * WAVELENGTH
    both = with_echo(antenna, distance, 10 ** (-30 / 20))
    gained = []
    for degree in (18, 36):
        clean, dirty = (
            nf2ff.solve(
                simulate_grid(x, frequency=FREQUENCY[:1], grid=grid_for_degree(degree), radius=1.0),
                nf2ff.field_probe(),
                degree=degree,
            ).modes
            for x in (antenna, both)
        )
        found = filter_modes(
            dirty, centre=[0, 0, 0], radius=11 / 2 / np.pi * WAVELENGTH, echo_distance=distance
        )
        gained.append(error(dirty, clean)[0] - error(found.modes, clean)[0])
        assert [notice.code.name for notice in found.warnings[0]] == ["COARSE"]
        assert found.warnings[0][0].figures["degree"] == degree
    assert gained[0] < 3
    assert gained[1] < 8


def test_what_radiates_within_the_sphere_stays():
    antenna = array_of(array(), positions=[[0.1, -0.05, 0.2]])
    modes = modes_of(antenna, 80)
    found = filter_modes(modes, centre=[0.1, -0.05, 0.2], radius=0.06, tail_db=-100)
    # The worst dipole on the sphere loses -100 dB: amplitude 1e-5.
    assert np.all(found.removed < 1e-10)
    assert found.warnings == ((), ())


def test_an_echo_of_the_wall_stays():
    """The wall stands still while a centred antenna turns: what it returns is the antenna's own field, turned
    and weaker, with the antenna's degrees. Closed form: nothing of it is beyond them, 0 dB are gained."""
    clean = modes_of(array(), 40).at(0)
    turned = rotate(clean, alpha=0.3, beta=0.8, gamma=-0.2)
    dirty = Modes(clean.frequency, clean.coefficients + 10 ** (-30 / 20) * turned.coefficients)
    found = filter_modes(dirty, centre=[0, 0, 0], radius=11 / 2 / np.pi * WAVELENGTH, scan_degree=118)
    assert error(dirty, clean)[0] == pytest.approx(-30, abs=1e-9)
    assert error(dirty, clean)[0] - error(found.modes, clean)[0] == pytest.approx(0, abs=0.01)


def test_a_sphere_beside_the_antenna_is_warned_of():
    found = filter_modes(modes_of(array()), centre=[0.3, 0, 0], radius=0.05)
    assert "MUCH_REMOVED" in [notice.code.name for notice in found.warnings[0]]
    assert np.all(found.removed > 0.5)


def test_bad_input():
    with pytest.raises(ValueError, match="radius is 0 m, expected a finite number > 0"):
        filter_modes(modes_of(source([0, 0, 0]), 4), centre=[0, 0, 0], radius=0)
