"""The field in a plane by travelling waves, against far fields and near fields in closed form."""

import numpy as np
import pytest
from origin_cases import FREQUENCY, WAVELENGTH, modes_of, noisy, source

from nf2ff.antenna.closed_form import far_field_of, near_field
from nf2ff.antenna.dipoles import DipoleCluster, array_of
from nf2ff.antenna.modes import WAVE_IMPEDANCE, Modes, wavenumber
from nf2ff.diagnostics.aperture import aperture_field
from nf2ff.kernel.sphere import direction_angles, unit_vectors

K = float(wavenumber(FREQUENCY[0]))


def panel(count, dead=None):
    """Elements half a wavelength apart in the plane z = 0 that look along z; one of them off if asked."""
    x = (np.arange(count) - (count - 1) / 2) * WAVELENGTH / 2
    place = np.stack(np.meshgrid(x, x, [0.0], indexing="ij"), axis=-1).reshape(-1, 3)
    weights = np.ones(len(place))
    if dead is not None:
        weights[dead] = 0
    return array_of(source([0, 0, 0]), positions=place, weights=weights), place


def test_it_is_the_integral_over_the_half_space():
    """Gauss-Legendre in both angles on the far field in closed form: exact to rounding at 60 x 60."""
    rng = np.random.default_rng(1)
    place = rng.normal(size=(6, 3)) * 0.01
    antenna = DipoleCluster(place, rng.normal(size=(6, 3)) + 1j * rng.normal(size=(6, 3)), 0 * place)
    # Waves towards y: across x up is z x x = y.
    x, y = np.array([-0.02, 0.03]), np.array([0.0, 0.01, 0.05])
    found = aperture_field(modes_of(antenna).at(0), [0, 0.01, 0], across=[0, 0, 2], up=[1, 0, 0], x=x, y=y)
    x0, w = np.polynomial.legendre.leggauss(60)
    theta, phi = (v.ravel() for v in np.meshgrid(*2 * [np.pi / 2 * (x0 + 1)]))
    e = far_field_of(antenna, frequency=FREQUENCY[:1], theta=theta, phi=phi)
    r, *basis = unit_vectors(theta, phi)
    far = sum(part[0][:, None] * u for part, u in zip(e, basis, strict=True))
    area = np.sin(theta) * np.outer(w, w).ravel() * (np.pi / 2) ** 2
    for point, field in zip(found.points, found.field[0], strict=True):
        turned = far * (area * np.exp(-1j * K * (r @ point)))[:, None]
        expected = -1j * K / (2 * np.pi) * turned.sum(axis=0)
        np.testing.assert_allclose(field, expected, atol=1e-9 * np.abs(expected).max())
    np.testing.assert_allclose(found.points[1], [0, 0.01, 0.03], atol=1e-15)


def test_in_front_of_a_panel_it_is_the_near_field():
    """Closed form of the dipoles. What fades away is left out: an 8 x 8 panel has some -30 dB of it there."""
    antenna, _ = panel(8)
    x = np.linspace(-1.5, 1.5, 13) * WAVELENGTH
    found = aperture_field(
        modes_of(antenna, 60).at(0), [0, 0, 1.5 * WAVELENGTH], across=[1, 0, 0], up=[0, 1, 0], x=x, y=x
    )
    theta, phi = direction_angles(found.points)
    parts = near_field(
        antenna,
        frequency=FREQUENCY[:1],
        theta=theta,
        phi=phi,
        radius=np.linalg.norm(found.points, axis=1),
    )
    truth = sum(e[0][:, None] * u for e, u in zip(parts, unit_vectors(theta, phi), strict=True))
    assert np.linalg.norm(found.field[0] - truth) < 0.04 * np.linalg.norm(truth)
    np.testing.assert_allclose(found.resolution, WAVELENGTH / 2)


def test_a_dead_element_shows():
    """At 50 dB the image of a dead element lies far below its neighbours (prototype: -27.6 dB)."""
    antenna, place = panel(8, dead=27)
    modes, size = noisy(modes_of(antenna, 40), -50, np.random.default_rng(3))
    x = np.unique(place[:, 0])
    found = aperture_field(modes.at(0), [0, 0, 0], across=[1, 0, 0], up=[0, 1, 0], x=x, y=x, noise=size[0])
    # The places are x by y, the points y by x.
    level = np.abs(found.field[0, :, 0]).reshape(8, 8).T.ravel()
    beside = [
        np.flatnonzero(np.linalg.norm(place - place[27] - d, axis=1) < 1e-9)[0]
        for d in WAVELENGTH / 2 * np.array([[1, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0]])
    ]
    assert np.argmin(level) == 27
    assert 20 * np.log10(level[27] / np.mean(level[beside])) < -20
    assert found.degree[0] < 40


def test_the_error_of_noise_is_what_noise_does():
    """5 %: 30 points, two thirds of them apart, two components, 20 draws."""
    rng = np.random.default_rng(4)
    q = rng.normal(size=(2, 20, 2 * 30 * 32))
    sigma = 0.3
    # White noise as modes; what is asked of it is the field of noise itself.
    draws = Modes(np.full(20, FREQUENCY[0]), sigma / np.sqrt(2) * (q[0] + 1j * q[1]))
    x = np.linspace(-2, 2, 6) * WAVELENGTH
    found = aperture_field(draws, [0, 0, 0.01], across=[1, 0, 0], up=[0, 1, 0], x=x, y=x)
    size = np.sqrt(np.mean(np.sum(np.abs(found.field) ** 2, axis=2)))
    assert size == pytest.approx(K * sigma * np.sqrt(WAVE_IMPEDANCE / np.pi), rel=0.05)
    told = aperture_field(
        draws.at(0), [0, 0, 0.01], across=[1, 0, 0], up=[0, 1, 0], x=x, y=x, noise=2 * sigma
    )
    rms = np.sqrt(np.mean(np.sum(np.abs(told.field[0]) ** 2, axis=1)))
    assert told.error[0] * rms == pytest.approx(2 * K * sigma * np.sqrt(WAVE_IMPEDANCE / np.pi))
    assert [notice.code.name for notice in told.warnings[0]] == ["NOISE"]


def test_bad_input():
    with pytest.raises(ValueError, match="must be at right angles"):
        aperture_field(
            modes_of(source([0, 0, 0]), 4), [0, 0, 0], across=[1, 0, 0], up=[1, 0, 0], x=[0.0], y=[0.0]
        )
