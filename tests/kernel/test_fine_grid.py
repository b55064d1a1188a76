"""Sums over points taken on a grid, against the sums themselves."""

import numpy as np
import pytest

from nf2ff.kernel import fine_grid, spin


def coefficients(rng, degree, s):
    """Of real maps: those of order 0 are real, and none below the spin."""
    n = spin.packed_numbers(degree)[1]
    a = rng.normal(size=(1 if s == 0 else 2, n.size)) + 1j * rng.normal(size=(1 if s == 0 else 2, n.size))
    a[:, : degree + 1] = a[:, : degree + 1].real
    a[:, n < max(s, 1)] = 0
    return a


@pytest.mark.parametrize(
    ("degree", "spins"), [(1, (1,)), (1, (0, 1)), (4, (1, 2)), (13, (1,)), (13, (0, 1)), (13, (3,))]
)
def test_products_are_those_at_the_points(degree, spins, rng):
    # Slow twin: the maps at the points themselves, couplings and all, and back.
    count = 70
    theta = np.concatenate([[0, np.pi, 0, np.pi / 2], np.arccos(rng.uniform(-1, 1, count - 4))])
    location = np.stack([theta, rng.uniform(0, 2 * np.pi, count)], axis=1)
    given = [(s, coefficients(rng, degree, s)) for s in spins]
    of_map = [s for s, alm in given for _ in alm]
    weights, fields = {}, {}
    for i, s in enumerate(of_map):
        for k, other in enumerate(of_map[i:], i):
            weights[i, k] = weights[k, i] = rng.normal(size=count)
            odd = bool((s + other) % 2)
            fields[i, k] = fine_grid.impulses(location, weights[i, k], degree=degree, odd=odd)
    sht = spin.ducc0.sht
    options = {"lmax": degree, "loc": spin.aside(location), "epsilon": 1e-12}
    maps = np.concatenate([sht.synthesis_general(alm=alm, spin=s, **options) for s, alm in given])
    mixed = np.array([sum(weights[i, k] * maps[k] for k in range(len(maps))) for i in range(len(maps))])
    found = fine_grid.weighted_product(given, fields, degree=degree, threads=1)
    at = 0
    for (s, alm), got in zip(given, found, strict=True):
        own = mixed[at : at + len(alm)]
        at += len(alm)
        wanted = sht.adjoint_synthesis_general(map=own, spin=s, **options)
        there = spin.packed_numbers(degree)[1] >= max(s, 1)
        # What the transforms at points are asked for, and the impulses.
        np.testing.assert_allclose(got[:, there], wanted[:, there], atol=1e-11 * np.abs(wanted).max())


@pytest.mark.parametrize("top", [0, 3, 8])
def test_products_of_low_orders(top, rng):
    # Those of all orders, of coefficients that have the low ones only, as far as these go.
    degree = 13
    rings, columns = fine_grid.fine_shape(degree)
    field = rng.normal(size=(rings, columns))
    alm, m = coefficients(rng, degree, 1), spin.packed_numbers(degree)[0]
    alm[:, m > top] = 0
    size = np.count_nonzero(m <= top)
    wanted, found = (
        fine_grid.weighted_product([(1, given)], {(0, 0): f, (1, 1): f}, degree=degree, threads=1, top=up_to)[
            0
        ]
        for given, f, up_to in (
            (alm, field, None),
            (alm[:, :size], fine_grid.of_low_orders(field, top), top),
        )
    )
    np.testing.assert_allclose(found, wanted[:, :size], atol=1e-13 * np.abs(wanted).max())


@pytest.mark.parametrize("odd", [False, True])
def test_one_impulse_is_the_kernel_of_its_degree(odd):
    # A unit impulse at (t, p), up to degree 2N of the torus, is the product of two Dirichlet kernels
    # (closed form), sin((2N + 1/2) x) / sin(x/2), and as much from its other side, -t and p + pi: the
    # negative of it for functions that change sign across the poles.
    degree, t, p = 3, 0.7, 1.9
    rings, columns = fine_grid.fine_shape(degree)
    theta = (np.arange(rings) + 0.5)[:, None] * np.pi / rings
    phi = 2 * np.pi * np.arange(columns) / columns

    def kernel(x):
        return np.sin((2 * degree + 0.5) * x) / np.sin(x / 2)

    sign = -1 if odd else 1
    wanted = kernel(theta - t) * kernel(phi - p) + sign * kernel(theta + t) * kernel(phi - p - np.pi)
    got = fine_grid.impulses(np.array([[t, p]]), np.ones(1), degree=degree, odd=odd)
    np.testing.assert_allclose(got, wanted / (2 * rings * columns), atol=1e-11 * np.abs(got).max())


@pytest.mark.parametrize("degree", [7, 220])  # from 200 on shares are handed over
def test_impulses_have_the_same_bits_on_any_threads(degree, rng):
    location = np.stack([np.arccos(rng.uniform(-1, 1, 500)), rng.uniform(0, 2 * np.pi, 500)], axis=1)
    weights = rng.normal(size=500)
    one, two, three = (
        fine_grid.impulses(location, weights, degree=degree, odd=True, threads=n) for n in (1, 2, 3)
    )
    np.testing.assert_array_equal(two, one)
    np.testing.assert_array_equal(three, one)
