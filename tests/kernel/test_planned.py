"""Transforms at planned points against those of the library, and against each other."""

import numpy as np
import pytest

from nf2ff.kernel import planned, spin
from nf2ff.kernel.by_degree import apply_by_degree


def complexes(rng, *shape):
    return rng.normal(size=shape) + 1j * rng.normal(size=shape)


def points(rng, count=300):
    """Anywhere, and at the poles and the seam of phi."""
    some = np.stack([np.arccos(rng.uniform(-1, 1, count)), rng.uniform(0, 2 * np.pi, count)], axis=1)
    some[:5] = [[0, 0], [np.pi, 1], [1, 0], [1, np.nextafter(2 * np.pi, 0)], [np.pi / 2, 1.5 * np.pi]]
    return some


@pytest.mark.parametrize("degree", [1, 2, 7, 8, 9, 60])
def test_functions_at_points_are_those_of_the_library(degree, rng):
    location = points(rng)
    x = spin.pack(complexes(rng, 2, degree * (degree + 2)))
    matrix = complexes(rng, degree, 2, 2)
    _, n = spin.packed_numbers(degree)
    one, two = spin.point_synthesis(
        apply_by_degree(matrix, x, n), spin=1, location=location, epsilon=1e-12, threads=1
    )
    wanted = np.stack([one - 1j * two, one + 1j * two]) / np.sqrt(2)
    rows = planned.circular_rows(matrix)
    given = (rows[:, :, 0] * x[:, 0] + rows[:, :, 1] * x[:, 1]).astype(np.complex64)
    got = planned.PointPlan(location, degree, 2e-6).synthesis(given)
    # The accuracy asked for, and points that are a rounding of single precision away: 2^-24 of 1.5 pi.
    error = 2e-6 + degree * 2.0**-24 * 1.5 * np.pi
    assert np.linalg.norm(got - wanted) < error * np.linalg.norm(wanted)
    assert np.linalg.norm(got - wanted) > 1e-9 * np.linalg.norm(wanted)  # single precision indeed


@pytest.mark.parametrize("degree", [1, 8, 33])
def test_the_adjoint_is_that_of_the_functions(degree, rng):
    plan = planned.PointPlan(points(rng), degree, 1e-5)
    there = planned.circular_rows(np.ones((degree, 2, 2)) + 0j)[:, :, :1].any(axis=2)
    rows = (complexes(rng, 2, 2, there.shape[-1]) * there).astype(np.complex64)
    values = complexes(rng, 2, 300).astype(np.complex64)
    back = plan.adjoint(values) * there
    difference = np.vdot(values, plan.synthesis(rows)) - np.vdot(back, rows)
    assert abs(difference) < 1e-6 * np.linalg.norm(back) * np.linalg.norm(rows)
    np.testing.assert_array_equal(back, plan.adjoint(values) * there)
