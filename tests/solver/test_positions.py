"""Positions planned for many products, and which of them are different."""

import dataclasses

import numpy as np
import pytest
from operator_cases import EPS, FREQUENCY, ORACLE_ERROR, operator_of, relative, responses_from_the_field

from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.solver.positions import elsewhere, plan_geometry


def told_to_samples(plans, samples):
    """Theta, phi, radius and chi of every sample, (M, 4), as the plans have them."""
    table = np.full((samples.theta.size, 4), np.nan)
    for g in plans:
        assert g.multiplicity().sum() == g.count
        places = np.column_stack([g.location, g.radius])
        assert np.unique(places, axis=0).shape == places.shape
        chi = g.chi
        if g.position is None:
            chi = np.broadcast_to(chi, (chi.shape[0], g.radius.size)).ravel()
        rows = np.column_stack([*(g.spread(x) for x in places.T), chi])
        assert np.isnan(table[g.rows]).all()
        table[g.rows] = rows
    return table


@pytest.mark.parametrize("order", ["halves", "pairs", "shuffled", "some twice", "all different"])
@pytest.mark.parametrize("same_chi", [True, False])
def test_each_place_is_planned_once(order, same_chi, rng):
    theta, phi = rng.uniform(0.1, 3, (2, 10))
    radius = rng.uniform(1, 2, 10)
    pick = {
        "halves": np.tile(np.arange(10), 2),
        "pairs": np.repeat(np.arange(10), 2),
        "shuffled": rng.permutation(np.tile(np.arange(10), 2)),
        "some twice": np.append(np.arange(10), [3, 4, 4]),
        "all different": np.arange(10),
    }[order]
    chi = np.where(np.arange(pick.size) < 10, 0.0, np.pi / 2)
    if not same_chi:
        chi = rng.uniform(0, 6, pick.size)
    samples = Samples([FREQUENCY], theta[pick], phi[pick], chi, radius[pick], 1, np.zeros((1, pick.size)))
    (g,) = plan_geometry(samples)
    assert g.location.shape == (10, 2)
    assert g.count == pick.size
    wanted = np.column_stack([samples.theta, samples.phi, samples.radius, samples.chi])
    np.testing.assert_array_equal(told_to_samples((g,), samples), wanted)
    # Places that differ in radius alone are two.
    moved = dataclasses.replace(samples, radius=2 + 0.01 * np.arange(pick.size))
    assert plan_geometry(moved)[0].location.shape == (pick.size, 2)


@pytest.mark.parametrize("order", ["halves", "shuffled", "some twice"])
@pytest.mark.parametrize("together", [True, False])
@pytest.mark.parametrize("ports", [1, 2])
def test_the_same_samples_elsewhere(ports, together, order, rng):
    pick = {
        "halves": np.tile(np.arange(10), 2),
        "shuffled": rng.permutation(np.tile(np.arange(10), 2)),
        "some twice": np.append(np.arange(10), [3, 4, 4]),
    }[order]
    port = 1 + np.arange(pick.size) % ports

    def scan():
        # Samples of a place move together or not; some go beyond the poles.
        at = pick if together else np.arange(pick.size)
        theta, phi, chi = rng.uniform(-3, 3, (3, pick.size))
        radius = rng.uniform(1, 2, pick.size)
        none = np.zeros((1, pick.size))
        return Samples([FREQUENCY], theta[at], phi[at], chi, radius[at], port, none)

    samples, moved = scan(), scan()
    plans = elsewhere(plan_geometry(samples), moved.theta, moved.phi, moved.chi, moved.radius)
    wanted = told_to_samples(plan_geometry(moved), moved)
    if together and ports == 1 and order != "some twice":
        assert plans[0].radius.size == 10
    table = np.full(wanted.shape, np.nan)
    for g in plans:
        chi = np.broadcast_to(g.chi, (g.chi.shape[0], g.radius.size)).ravel()
        table[g.rows] = np.column_stack([*(g.spread(x) for x in (*g.location.T, g.radius)), chi])
    np.testing.assert_array_equal(table, wanted)


def test_geometry_brings_angles_into_range():
    samples = Samples(
        [FREQUENCY], [-1.0, 1.0, -np.pi], [0.5, -0.25, 7.0], [0.1, 0.2, 0.3], 2.0, [1, 2, 2], np.zeros((1, 3))
    )
    plans = plan_geometry(samples)
    assert [g.count for g in plans] == [1, 2]
    wanted = [
        [1.0, 0.5 + np.pi, 2.0, 0.1 + np.pi],
        [1.0, 2 * np.pi - 0.25, 2.0, 0.2],
        [np.pi, 7.0 + np.pi - 2 * np.pi, 2.0, 0.3 + np.pi],
    ]
    np.testing.assert_allclose(told_to_samples(plans, samples), wanted, rtol=8 * EPS)


def test_port_without_any_reception(scan, dipole_probe, random_q):
    # A dead port reads zero, not what happens to lie in memory.
    samples = scan(ports=2)
    r = np.array(dipole_probe(2).coefficients)
    r[0, 1] = 0
    probe, q = Probe(None, r), random_q(6)
    operator = operator_of(samples, probe, 6)
    got = operator.forward(operator.from_modes(q))
    assert np.all(got[samples.port == 2] == 0)
    wanted = responses_from_the_field(samples, probe, q, 6)
    assert relative(got, wanted) < 1e-12 + ORACLE_ERROR
    y = np.where(samples.port == 2, 1.0 + 0j, 0.0)
    assert np.all(operator.adjoint(y) == 0)


def test_second_port_alone(scan, dipole_probe, random_q):
    # All of port 1 may be missing.
    samples = dataclasses.replace(scan(), port=2)
    probe, q = dipole_probe(2), random_q(6)
    operator = operator_of(samples, probe, 6)
    wanted = responses_from_the_field(samples, probe, q, 6)
    assert relative(operator.forward(operator.from_modes(q)), wanted) < 1e-12 + ORACLE_ERROR
