"""Where the box is, and fields on surfaces about it, against sources in closed form."""

import numpy as np
import pytest
from origin_cases import FREQUENCY, WAVELENGTH, modes_of, noisy, source

from nf2ff.antenna.closed_form import near_field
from nf2ff.antenna.dipoles import array_of, huygens_source
from nf2ff.diagnostics.location import locate, move_origin
from nf2ff.diagnostics.origin import centre_uncertainty, radiation_centre
from nf2ff.diagnostics.surface import Surface, read_surface, surface_field
from nf2ff.kernel.sphere import direction_angles, unit_vectors

PLACE = np.array([0.02, -0.03, 0.05])


@pytest.mark.slow
def test_noise_does_not_draw_the_centre_to_the_origin():
    """A source at PLACE, closed form; with all degrees noise 30 dB below would draw the centre off."""
    modes, size = noisy(modes_of(source(PLACE)), -30, np.random.default_rng(1))
    found = locate(modes, noise=size)
    off = np.linalg.norm(found.centre - PLACE, axis=1)
    assert np.all(off < 0.02 * WAVELENGTH)
    assert np.all(np.linalg.norm(radiation_centre(modes) - PLACE, axis=1) > 2 * off)
    # A degree is 1/k, 4.8 mm; what is within two of it is no sphere at all.
    assert np.all(found.radius < 2.5 / (2 * np.pi) * WAVELENGTH)
    np.testing.assert_allclose(found.radius_about_origin, np.linalg.norm(PLACE), atol=0.4 * WAVELENGTH)
    centre, radius = found.smallest(0)
    assert radius == found.radius[0]
    np.testing.assert_array_equal(centre, found.centre[0])


@pytest.mark.slow
def test_the_uncertainty_of_the_centre_is_its_scatter():
    """24 draws of each: both scatter by 1/sqrt(48), 15 %; three times their sum in squares is 60 %."""
    rng = np.random.default_rng(2)
    clean = modes_of(source(PLACE), 14).at(0)
    draws = [noisy(clean, -40, rng) for _ in range(24)]
    size = draws[0][1]
    happened = np.std([locate(x, noise=size).centre[0] for x, _ in draws], axis=0, ddof=1)
    told = centre_uncertainty(clean, size, draws=24)[0]
    assert np.all(np.abs(np.log(told / happened)) < 0.6)
    assert np.all(np.isnan(centre_uncertainty(clean, np.nan)))


def test_modes_moved_to_the_centre_are_those_of_the_source_there():
    # Closed form: a Huygens source about its own place has degree 1 alone.
    moved, place = move_origin(modes_of(source(PLACE)))
    np.testing.assert_allclose(place, PLACE, atol=1e-8 * WAVELENGTH)
    power = moved.power_spectrum()
    np.testing.assert_allclose(power[:, 0], power.sum(axis=1), rtol=1e-12)
    asked, place = move_origin(modes_of(source(PLACE)), PLACE)
    np.testing.assert_array_equal(place, PLACE)
    assert asked.degree <= 12


@pytest.mark.parametrize(("text", "kind", "at"), [("sphere=0.1", "sphere", 0.1), (" z = -5e-3", "z", -0.005)])
def test_surfaces_are_read(text, kind, at):
    assert read_surface(text) == Surface(kind, at)


@pytest.mark.parametrize(
    ("text", "message"),
    [("w=1", "surface is 'w=1': expected sphere="), ("sphere=0", "the sphere has a radius of 0 m")],
)
def test_surfaces_that_are_none(text, message):
    with pytest.raises(ValueError, match=message):
        read_surface(text)


@pytest.mark.parametrize(("kind", "at"), [("sphere", 0.06), ("x", 0.07), ("y", -0.08), ("z", 0.1)])
def test_outside_the_sphere_it_is_the_near_field(kind, at):
    """Closed form of the dipoles, which lie within 0.4 wavelengths of PLACE; what is cut is 1e-7 and less."""
    antenna = array_of(source(PLACE), positions=[[0.01, 0, 0], [0, -0.012, 0.003]], weights=[1, 0.5j])
    found = surface_field(modes_of(antenna).at(0), Surface(kind, at), centre=PLACE, radius=0.015, noise=0.0)
    p = found.projection.points
    theta, phi = direction_angles(p)
    e = near_field(antenna, frequency=FREQUENCY[:1], theta=theta, phi=phi, radius=np.linalg.norm(p, axis=1))
    truth = sum(part[0][:, None] * u for part, u in zip(e, unit_vectors(theta, phi), strict=True))
    scale = np.abs(truth).max()
    np.testing.assert_allclose(found.projection.field[0], truth, atol=1e-6 * scale)
    assert found.method == "spherical waves about the centre of radiation"
    if kind == "sphere":
        np.testing.assert_allclose(np.linalg.norm(p - PLACE, axis=1), at, atol=1e-12)
    else:
        # Rows go up, columns across, in the frame of the scan.
        i = "xyz".index(kind)
        first, second = (j for j in range(3) if j != i)
        grid = truth.reshape(found.up.size, found.across.size, 3)
        np.testing.assert_allclose(found.field[:, :, 0], grid[:, :, first], atol=1e-6 * scale)
        np.testing.assert_allclose(found.field[:, :, 1], grid[:, :, second], atol=1e-6 * scale)
        place = p.reshape(*grid.shape)
        np.testing.assert_allclose(place[:, :, i], at, atol=1e-12)
        np.testing.assert_allclose(place[0, :, first], found.across, atol=1e-12)
        np.testing.assert_allclose(place[:, 0, second], found.up, atol=1e-12)


@pytest.mark.parametrize("axis", "xyz")
def test_within_the_sphere_waves_are_those_that_leave_it(axis):
    """The strongest place is that of the source, and rows and columns are those of the scan's frame."""
    i = "xyz".index(axis)
    direction = np.eye(3)[i]
    first, second = (j for j in range(3) if j != i)
    place = np.array([0.02, 0.03, 0.04])
    antenna = huygens_source(direction=direction, polarisation=np.eye(3)[first], position=place)
    found = surface_field(
        modes_of(antenna).at(0), Surface(axis, float(place[i])), centre=np.zeros(3), radius=0.055, noise=0.0
    )
    assert found.method.startswith(f"plane waves that travel towards +{axis},")
    most = np.unravel_index(np.argmax(np.abs(found.field[:, :, 0])), found.field.shape[:2])
    step = found.across[1] - found.across[0]
    assert abs(found.across[most[1]] - place[first]) <= step
    assert abs(found.up[most[0]] - place[second]) <= step


def test_a_plane_through_the_middle_takes_the_side_of_more_power():
    for sign in (1, -1):
        antenna = huygens_source(direction=[0, 0, sign], polarisation=[1, 0, 0])
        found = surface_field(modes_of(antenna, 4).at(0), Surface("z", 0.0), centre=np.zeros(3), radius=0.02)
        assert found.method.startswith(f"plane waves that travel towards {'+' if sign > 0 else '-'}z,")
