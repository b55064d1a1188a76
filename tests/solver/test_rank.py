"""Samples in few directions: what they do not determine is refused, whatever the residual."""

import math

import numpy as np
import pytest

from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.measurement.probe import field_probe
from nf2ff.measurement.simulated import simulate
from nf2ff.solver.solve import solve
from nf2ff.solver.strategy import Direct, LeastSquares

ANTENNA = DipoleCluster([[0.03, -0.01, 0.02]], electric=[[1e-3, 2e-4, 5e-4]])
#: Directions in general position [rad].
THETA = np.radians([50.0, 110, 160, 80, 20, 130])
PHI = np.radians([200.0, 100, 330, 260, 170, 20])


def scan(count, *, times=1, apart=0.0, noise=0.0, radius=0.4):
    """So many directions with both polarisations, each read some ``times``, ``apart`` by so much [rad]."""
    rng = np.random.default_rng(1)
    theta, phi = (np.tile(x[:count], 2 * times) for x in (THETA, PHI))
    chi = np.repeat([0.0, math.pi / 2], count * times)
    theta, phi = theta + apart * rng.normal(size=theta.size), phi + apart * rng.normal(size=phi.size)
    return simulate(
        ANTENNA, frequency=[3e9], theta=theta, phi=phi, chi=chi, radius=radius, noise=noise, rng=rng
    )


# A direction determines its two components of the field, at one radius: closed form.
@pytest.mark.parametrize("method", [None, LeastSquares(), Direct()])
@pytest.mark.parametrize("degree", [None, 1])
@pytest.mark.parametrize(
    ("count", "how"),
    [
        (1, {"times": 40}),
        (1, {"times": 40, "noise": 1e-2}),
        (2, {"times": 9}),
        (2, {"times": 20, "apart": 1e-4}),
    ],
)
def test_fewer_waves_than_unknowns(count, how, degree, method):
    samples = scan(count, **how)
    says = (
        f"^the {samples.port.size} samples determine {2 * count} of the 6 waves of degree 1: measure in more"
    )
    with pytest.raises(ValueError, match=says):
        solve(samples, field_probe(), degree=degree, method=method)


def test_as_many_readings_as_unknowns():
    says = "^the 6 samples are no more than the 6 unknowns of degree 1: they would fit whatever was"
    with pytest.raises(ValueError, match=says):
        solve(scan(3), field_probe())
    says = "^the 6 different ones of 60 samples are no more than the 6 unknowns of degree 1"
    with pytest.raises(ValueError, match=says):
        solve(scan(3, times=10, noise=1e-3), field_probe())


def test_many_samples_in_few_directions():
    # A part of them is looked at first; no row of it may be what the rest needs.
    with pytest.raises(ValueError, match="the 4800 samples determine 2 of the 6 waves of degree 1: measure"):
        solve(scan(1, times=2400), field_probe(), degree=1)
    samples = scan(4, times=400)
    assert solve(samples, field_probe(), degree=1).degree[0] == 1


def test_two_rings_do_not_determine_degree_4():
    # On a ring of 5 positions orders m and m - 5 are one: 2 rings, 2 components and 5 orders make 20 waves of
    # the 48, closed form.
    theta = np.repeat(np.radians([60.0, 120]), 5)
    phi = np.tile(2 * np.pi / 5 * np.arange(5), 2)
    place = (np.tile(x, 6) for x in (theta, phi))
    chi = np.repeat(np.radians([0, 90, 30, 60, 120, 150]), 10)
    samples = simulate(ANTENNA, frequency=[3e9], theta=next(place), phi=next(place), chi=chi, radius=0.4)
    says = "^the 60 samples determine 20 of the 48 waves of degree 4: .*, or take a lower degree$"
    with pytest.raises(ValueError, match=says):
        solve(samples, field_probe(), degree=4, method=LeastSquares())


def test_a_dipole_in_the_centre_needs_four_directions():
    # Degree 1 holds all of it, and 8 readings show that it does.
    antenna = DipoleCluster([[0.0, 0, 0]], electric=[[1e-3, 2e-4, 5e-4]])
    place = {
        "theta": np.tile(THETA[:4], 2),
        "phi": np.tile(PHI[:4], 2),
        "chi": np.repeat([0, math.pi / 2], 4),
    }
    samples = simulate(antenna, frequency=[3e9], radius=0.4, **place)
    solution = solve(samples, field_probe(), degree=1)
    assert solution.residual[0] < 1e-9
    # Power of an electric dipole, k^2 Z0 |I l|^2 / (12 pi) for peak values: from memory.
    k, z0 = 2 * np.pi * 3e9 / 299_792_458, 376.730313668
    power = k**2 * z0 * (1e-3**2 + 2e-4**2 + 5e-4**2) / (12 * np.pi)
    assert solution.modes.radiated_power()[0] == pytest.approx(power, rel=1e-8)
