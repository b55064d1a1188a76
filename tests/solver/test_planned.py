"""Planned products against those of the transmission operator."""

import dataclasses
from types import SimpleNamespace

import numpy as np
import pytest
from error_scans import ANTENNA, spiral_scan
from operator_cases import operator_of, relative

from nf2ff.kernel import spin
from nf2ff.measurement.probe import field_probe
from nf2ff.solver.methods import area_weights, normal_solution
from nf2ff.solver.planned import PlannedOperator
from nf2ff.solver.positions import elsewhere
from nf2ff.solver.transmission import SINGLE_ACCURACY


def planned_and_exact(samples, probe, degree, tolerance):
    """Both at positions a little apart from those of the samples."""
    shift = 1e-3 * np.sin(np.arange(samples.theta.size))
    place = (samples.theta + shift, samples.phi - shift, samples.chi + 2 * shift, samples.radius)
    exact = operator_of(samples, probe, degree)
    exact = dataclasses.replace(exact, geometry=elsewhere(exact.geometry, *place))
    given = {f.name: getattr(exact, f.name) for f in dataclasses.fields(exact)}
    return PlannedOperator(**{**given, "tolerance": tolerance, "threads": 1}), exact


def ideal(ports):
    """Field probes, the second of half the gain and a quarter of a period late."""
    one = field_probe()
    both = np.concatenate([one.coefficients, -0.5j * one.coefficients], axis=1)
    return one if ports == 1 else dataclasses.replace(one, coefficients=both)


@pytest.mark.parametrize("radius", [(4.0, 4.0), (3.9, 4.1)])
@pytest.mark.parametrize(("ports", "layers"), [(1, None), (1, 2), (2, 2)])
@pytest.mark.parametrize("first", [True, False])
def test_products_are_those_of_the_operator(first, ports, layers, radius, scan, dipole_probe, rng):
    # An ideal probe is of spin 1 and no other; dipoles aside of the axis are not, and take the other way.
    degree, tolerance = 10, 2e-5
    probe = ideal(ports) if first else dipole_probe(ports)
    samples = scan(ports=ports, radius=radius, layers=layers)
    planned, exact = planned_and_exact(samples, probe, degree, tolerance)
    assert planned.serves == first
    assert (planned.nodes == 1) == (radius[0] == radius[1])
    q = rng.normal(size=exact.shape[1]) + 1j * rng.normal(size=exact.shape[1])
    wanted = exact.forward(exact.from_modes(q))
    assert relative(planned.forward(planned.from_modes(q)), wanted) < 2 * tolerance
    # Of what is separated for more accuracy, the same functions of radius or fewer.
    finer = dataclasses.replace(planned, tolerance=1e-9)
    coarser = finer.coarser(tolerance)
    assert coarser.nodes <= finer.nodes
    assert coarser.serves == first
    assert not finer.serves
    x = coarser.from_modes(q)
    assert relative(coarser.forward(x), wanted) < 2 * tolerance
    # The dot test, in single precision.
    shape = (2, degree * (degree + 2))
    x = spin.pack(rng.normal(size=shape) + 1j * rng.normal(size=shape))
    y = rng.normal(size=exact.shape[0]) + 1j * rng.normal(size=exact.shape[0])
    back = planned.adjoint(y)
    difference = np.vdot(y, planned.forward(x)) - np.vdot(back, x)
    assert abs(difference) < 2 * tolerance * np.linalg.norm(back) * np.linalg.norm(x)
    np.testing.assert_array_equal(back, planned.adjoint(y))


def test_it_serves_in_single_precision_up_to_the_degree_of_its_table(scan):
    planned, exact = planned_and_exact(scan(), field_probe(), 10, 2e-5)
    assert planned.serves
    assert not dataclasses.replace(planned, tolerance=0.5 * SINGLE_ACCURACY).serves
    assert not dataclasses.replace(planned, degree=121).serves
    geometry = dataclasses.replace(exact.geometry[0], position=np.arange(exact.shape[0]))
    assert not dataclasses.replace(planned, geometry=(geometry,)).serves


class Counted(PlannedOperator):
    """Counts its products."""

    products = 0

    def forward_ordered(self, x, *, accuracy=None):
        Counted.products += 1
        return super().forward_ordered(x, accuracy=accuracy)


@pytest.mark.parametrize("even", [True, False])
def test_a_step_that_is_foreseen_takes_no_product(even, scan, rng):
    # To the definition: what the exact operator leaves of the gradient of even samples. Of uneven ones, where
    # steps are slow, nothing is foreseen.
    rtol = 1e-4
    samples = spiral_scan(ANTENNA, 6, radius=4.0) if even else scan()
    planned, exact = planned_and_exact(samples, field_probe(), 6, 0.2 * rtol)
    given = {f.name: getattr(planned, f.name) for f in dataclasses.fields(planned)}
    weights = area_weights(exact.geometry, degree=6, threads=1)
    right = exact.adjoint(weights * (rng.normal(size=weights.size) + 1j * rng.normal(size=weights.size)))
    found, products = [], []
    for foreseen in (False, True):
        Counted.products = 0
        options = {"weights": weights, "rtol": rtol, "max_iterations": 300, "foreseen": foreseen}
        found.append(normal_solution(Counted(**given), right, **options))
        products.append(Counted.products)
    assert products[0] - products[1] == even
    if even:
        for x in found:
            left = right - exact.adjoint(weights * exact.forward(x))
            assert np.linalg.norm(left) < 1.5 * rtol * np.linalg.norm(right)
    else:
        np.testing.assert_array_equal(*found)


def test_one_step_foresees_nothing():
    # Closed form: of eigenvalues 1 and 1/2 a first step of nearly 1 leaves half of the little that the second
    # has, as little as would need but one step more if it fell so again; another such step halves it only.
    root = np.sqrt([1, 0.5])
    operator = SimpleNamespace(
        order=None,
        tolerance=1e-12,
        forward_ordered=lambda x, **_: root * x,
        adjoint_ordered=lambda w, **_: root * w,
    )
    right = np.array([1, 0.005 + 0j])
    options = {"weights": np.ones(2), "rtol": 1e-4, "max_iterations": 10}
    x = normal_solution(operator, right, foreseen=True, **options)
    assert np.linalg.norm(right - root**2 * x) < 1e-4
