"""A measured scan taken elsewhere: against simulations there."""

from dataclasses import replace

import numpy as np
from error_scans import PROBE, spiral_scan
from probe_oracle import cluster_modes
from sources import ONE_METRE, K, random_cluster

from nf2ff.antenna.modes import Modes
from nf2ff.measurement.simulated import simulate
from nf2ff.solver.solve import solve
from nf2ff.uncertainty.draws import monte_carlo
from nf2ff.uncertainty.errors.axes import AxesSkew
from nf2ff.uncertainty.errors.catalogue import simulated
from nf2ff.uncertainty.errors.position import AxisZero
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.remeasured import Remeasured

DEGREE = 8
ANTENNA = random_cluster(3, 0.15, seed=2)
MODES = Modes(ONE_METRE, [cluster_modes(ANTENNA, K, DEGREE)])


def known(samples):
    """A solution of the samples whose modes are those of the antenna."""
    return replace(solve(samples, PROBE, degree=DEGREE), modes=MODES)


def there(samples, _probe=PROBE):
    return simulate(
        ANTENNA,
        frequency=samples.frequency,
        theta=samples.theta,
        phi=samples.phi,
        chi=samples.chi,
        radius=samples.radius,
    )


def test_responses_elsewhere_and_what_was_measured_besides():
    samples = spiral_scan(ANTENNA, DEGREE, radius=2.0)
    besides = 0.1 * np.exp(1j * np.arange(samples.theta.size))[None]
    measured = replace(samples, response=samples.response + besides)
    again = Remeasured(known(measured))
    assert np.abs(again(measured, PROBE).response - measured.response).max() == 0
    for angle in (0.05, -0.02):
        place = AxesSkew(angle=angle).displace(samples)
        wanted = there(place).response + besides
        got = again(place, PROBE)
        # What the antenna has above the degree, below 1e-9, and transforms to 1e-8.
        assert np.abs(got.response - wanted).max() < 1e-7 * np.abs(wanted).max()
        assert np.array_equal(got.theta, place.theta)


def test_missing_samples_stay_missing_at_their_frequency():
    samples = spiral_scan(ANTENNA, DEGREE, radius=2.0, frequency=ONE_METRE * [1.0, 0.9])
    response = samples.response.copy()
    response[1, [3, 40]] = np.nan
    holes = replace(samples, response=response)
    solution = solve(holes, PROBE, degree=DEGREE)
    place = AxisZero(axis="theta", offset=0.02).displace(holes)
    got = Remeasured(solution)(place, PROBE).response
    wanted = there(place).response
    assert np.array_equal(np.isnan(got), np.isnan(response))
    here = ~np.isnan(got)
    # The solution errs by what the antenna has above the degree, at the higher frequency too.
    assert np.abs(got - wanted)[here].max() < 1e-5 * np.abs(wanted).max()


def test_draws_of_it_are_those_of_a_simulation():
    # To second order too, where a record that is moved differs.
    samples = spiral_scan(ANTENNA, DEGREE, radius=2.0)
    figure, term = [Figure("trp")], [AxisZero(axis="radius", offset=0.02)]
    solution, how = solve(samples, PROBE, degree=DEGREE), {"draws": 30, "rng": 1, "jobs": 1}
    truth, again, record = (
        monte_carlo(solution, term, figure, measure=measure, **how).values
        for measure in (there, Remeasured(known(samples)), None)
    )
    change = np.abs(truth - truth.mean()).max()
    # A draw is solved to 1e-4 of its change.
    assert np.abs(again - truth).max() < 1e-3 * change
    assert np.abs(record - truth).max() > 1e-2 * change


def test_signal_errors_act_on_what_is_received_there():
    samples = spiral_scan(ANTENNA, DEGREE, radius=2.0)
    terms = [AxisZero(axis="phi", offset=0.03)]
    one = simulated(terms, samples, PROBE, Remeasured(known(samples)))
    two = simulated(terms, samples, PROBE, there)
    assert np.abs(one.response - two.response).max() < 1e-7 * np.abs(two.response).max()
    assert np.array_equal(one.phi, samples.phi)
