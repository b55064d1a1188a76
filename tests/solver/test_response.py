"""Responses at radii that vary, against those at each radius."""

import numpy as np
from operator_cases import TOLERANCES, operator_of, relative

from nf2ff.antenna.modes import mode_count
from nf2ff.measurement.probe import field_probe


def test_one_radius_needs_one_function(scan):
    assert operator_of(scan(), field_probe(), 5).nodes == 1
    # Rounding of the radius is no variation.
    samples = scan(radius=(4.0, 4.0 + 1e-14))
    assert operator_of(samples, field_probe(), 5).nodes == 1


def test_functions_of_radius_grow_with_variation_and_accuracy(scan):
    counts = np.array(
        [
            [operator_of(samples, field_probe(), 12, t).nodes for t in TOLERANCES]
            for samples in (scan(radius=(4 - d, 4 + d)) for d in (1e-4, 1e-2, 0.3))
        ]
    )
    assert np.all(np.diff(counts, axis=0) >= 0)
    assert np.all(np.diff(counts, axis=1) >= 0)
    assert np.all(counts > 1)
    # The point of it: far fewer transforms than radii.
    assert counts.max() < 20


def test_waves_beyond_the_range_of_a_double(scan, random_q):
    # kA = 12, N = 400: h_n leaves the range of a double near n = 210. What the probe cannot
    # receive is left out, nothing becomes NaN, and the rest is as with fewer degrees.
    samples = scan(20)
    operator = operator_of(samples, field_probe(), 400)
    small = operator_of(samples, field_probe(), 30)
    q = np.zeros(mode_count(400), dtype=complex)
    q[: mode_count(30)] = random_q(30)
    x = operator.from_modes(q)
    got = operator.forward(x)
    assert relative(got, small.forward(small.from_modes(q[: mode_count(30)]))) < 2e-12
    ahw = operator.adjoint(got)
    assert np.isfinite(ahw).all()
    modes = operator.to_modes(ahw)
    assert np.isfinite(modes).all()
    assert np.all(modes[mode_count(300) :] == 0)
