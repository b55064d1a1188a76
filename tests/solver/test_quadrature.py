"""What a quadrature says that its coefficients leave of the maps."""

import numpy as np
import pytest

from nf2ff.antenna.closed_form import near_field
from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.antenna.grids import gauss_legendre_grid
from nf2ff.antenna.modes import SPEED_OF_LIGHT
from nf2ff.measurement.probe import field_probe
from nf2ff.measurement.samples import Samples
from nf2ff.solver import quadrature
from nf2ff.solver.solve import prepare

PROBE = field_probe()
DEGREE = 80
GRID = gauss_legendre_grid(DEGREE + 1, 2 * DEGREE + 2)
RADIUS = 1.3 * DEGREE / (2 * np.pi)


@pytest.fixture(scope="module")
def field():
    """u and v (2, T, P) at one metre wavelength, closed form, and strongest at 1."""
    rng = np.random.default_rng(3)
    place = rng.normal(size=(4, 3))
    place *= 0.3 * DEGREE / (2 * np.pi) / np.linalg.norm(place, axis=1, keepdims=True)
    antenna = DipoleCluster(place, rng.normal(size=(4, 3, 2)) @ [1, 1j])
    theta, phi = (x.ravel() for x in np.meshgrid(GRID.theta, GRID.phi, indexing="ij"))
    e = near_field(antenna, frequency=[SPEED_OF_LIGHT], theta=theta, phi=phi, radius=RADIUS)
    maps = np.array(e[1:]).reshape(2, GRID.theta.size, GRID.phi.size)
    return maps / np.abs(maps).max()


def white(field):
    rng = np.random.default_rng(8)
    return (rng.normal(size=field.shape) + 1j * rng.normal(size=field.shape)) / np.sqrt(2)


def estimate(maps):
    chi, theta, phi = (x.ravel() for x in np.meshgrid([0, np.pi / 2], GRID.theta, GRID.phi, indexing="ij"))
    samples = Samples([SPEED_OF_LIGHT], theta, phi, chi, RADIUS, 1, maps.reshape(1, -1))
    return prepare(samples, PROBE, degree=DEGREE).estimates(samples.response)[0]


@pytest.fixture
def by_all_orders(monkeypatch):
    def found(maps):
        with monkeypatch.context() as inside:
            inside.setattr(quadrature, "LITTLE", 0.0)
            return estimate(maps)

    return found


def test_a_few_orders_tell_of_noise_what_all_do(field, by_all_orders):
    assert estimate(field).residual < 1e-11
    noisy = field + 1e-4 * white(field)
    few, whole = estimate(noisy), by_all_orders(noisy)
    # 26 of 126 orders that some stand for, of two maps on 8 rings: 400 exponential values, whose sum is known
    # to 5 %, its root to half of that. Three such deviations.
    assert few.residual == pytest.approx(whole.residual, rel=0.075)
    assert (few.unevenness, whole.unevenness > 1) == (0, True)


@pytest.mark.parametrize("ring", [0, -1])
@pytest.mark.parametrize("order", [0, 1, 9, 30, -51, DEGREE])
def test_a_ring_beside_a_pole(ring, order, field, by_all_orders):
    # Off by 1e-5 of the largest, in whatever order.
    off = field.copy()
    off[1, ring] += 1e-5 * np.exp(1j * order * GRID.phi)
    few, whole = estimate(off), by_all_orders(off)
    assert few.residual > 1e-7
    assert few.residual == pytest.approx(whole.residual, rel=0.1)


def test_a_ring_and_an_order_that_are_not_looked_at(field):
    # The coefficients have less power than the maps by what they leave. An order has 162 numbers on 81 rings,
    # of which its waves, degrees 41 to 80, take 80, nearly all on the two thirds of the rings that hear it:
    # they leave a quarter of the power there, half of the amplitude, and by area, pi/2 sin(theta), 0.6.
    off = field.copy()
    off[0, 33] += 1e-4 * np.exp(41j * GRID.phi)
    missed = np.linalg.norm(off - field) / np.linalg.norm(field)
    assert 0.4 * missed < estimate(off).residual < 0.8 * missed


def test_all_orders_where_much_is_left_on_rings_of_little_area(field):
    # A reading off by a tenth, 3e-4 of the integral of all: whether the rest is even is asked from 1e-3 on.
    off = field.copy()
    off[0, 0, 5] += 0.1
    found = estimate(off)
    assert found.residual > 1e-3
    assert found.unevenness > 20
