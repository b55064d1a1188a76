"""Cuts through the poles: where they go, and that they show what a spiral does not."""

import numpy as np
import pytest
from alignment_cases import (
    FREQUENCY,
    Faults,
    cluster,
    error_db,
    huygens_pair,
    measured,
    probe_of,
    record,
    true_modes,
)

from nf2ff.diagnostics.alignment.estimate import estimate_alignment
from nf2ff.diagnostics.alignment.tie_cuts import tie_cuts
from nf2ff.measurement.samples import Samples
from nf2ff.uncertainty.errors.receiver import ReceiverNoise, SlowDrift, ThermalRamp

DEG = np.pi / 180


def test_cuts_go_through_poles_and_beam():
    found = tie_cuts(24, beam_phi=0.7)
    assert found.positions == 106  # 212 readings of two ports beside the 1872 of a spiral
    first, second = found.phi[:53], found.phi[53:]
    assert set(first) == {0.7}
    np.testing.assert_allclose(second, 0.7 + np.pi / 2)
    np.testing.assert_array_equal(found.chi, np.repeat([0.0, np.pi / 2], 53))
    for theta in (found.theta[:53], found.theta[53:]):
        assert sorted(theta)[::26] == pytest.approx([-np.pi, 0, np.pi], abs=1e-12)
        assert np.abs(np.diff(theta)).max() <= np.pi / 26 * (1 + 1e-9)
    assert tie_cuts(10, cuts=6).phi[-1] == pytest.approx(5 * np.pi / 6)


@pytest.mark.parametrize(
    ("how", "message"),
    [
        ({"cuts": 0}, "cuts is 0, expected 1 to 6"),
        ({"degree": 0}, "degree is 0"),
        ({"beam_phi": np.nan}, "beam_phi is nan"),
    ],
)
def test_refused(how, message):
    with pytest.raises(ValueError, match=message):
        tie_cuts(**{"degree": 8, **how})


@pytest.mark.slow
def test_a_cut_shows_the_drift_that_a_spiral_hides():
    degree, ports, antenna = 8, huygens_pair(), cluster(2.0, seed=2, count=5)
    terms = [
        ThermalRamp(phase=10 * DEG),
        SlowDrift(phase=5 * DEG, intervals=4),
        ReceiverNoise(rms=10 ** (-50 / 20)),
    ]
    spiral, cuts = record("equal-area", degree), tie_cuts(degree, cuts=1)
    aligned = {}
    for name, theta, phi in (
        ("spiral", [], []),
        ("cut", cuts.theta, cuts.phi),
        ("ring", np.full(cuts.positions, np.pi / 2), np.linspace(0, 2 * np.pi, cuts.positions)),
    ):
        count = spiral.port.size + 2 * len(theta)
        place = Samples(
            [FREQUENCY],
            np.append(spiral.theta, np.repeat(theta, 2)),
            np.append(spiral.phi, np.repeat(phi, 2)),
            0.0,
            0.4,
            np.tile([1, 2], count // 2),
            np.zeros((1, count)),
            "sqrt(W)",
            time=np.repeat(np.arange(count // 2), 2),
        )
        share = place.time / place.time.max()
        drift = 10 * DEG * share + 5 * DEG * np.sin(2 * np.pi * share + 1)
        samples = measured(place, antenna, ports, Faults(gain=1j * drift))
        found = estimate_alignment(samples, probe_of(ports, degree=1), terms, degree=degree, threads=1)
        aligned[name] = error_db(found.modes, true_modes(antenna, degree))
    assert aligned["cut"] < -38
    assert min(aligned["spiral"], aligned["ring"]) > aligned["cut"] + 6
