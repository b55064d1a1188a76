"""Faults that are not among the terms are named, and nothing else is."""

from dataclasses import replace

import numpy as np
import pytest
from alignment_cases import (
    DEG,
    DEGREE,
    KR0,
    NOISE,
    PORTS,
    PROBE,
    TERMS,
    case,
    cluster,
    draw_faults,
    measured,
    record,
)

from nf2ff.diagnostics.alignment.estimate import estimate_alignment
from nf2ff.diagnostics.alignment.result import check_explained
from nf2ff.uncertainty.errors.receiver import CableFlexing, ReceiverNoise


def bent(scan, axis, degrees):
    """A faulty scan, with a cable that an axis bends beside."""
    place, antenna = record(scan, DEGREE), cluster(KR0, seed=1, count=6)
    _, wrong, _ = draw_faults(TERMS, place, np.random.default_rng(1))
    phase = degrees * DEG * np.sin(getattr(place, axis) + 0.7)
    return measured(place, antenna, PORTS, replace(wrong, gain=wrong.gain + 1j * phase), seed=1)


@pytest.mark.slow
@pytest.mark.parametrize("degrees", [2.0, 5.0])
def test_a_cable_over_phi_that_is_not_among_the_terms_is_named(degrees):
    samples = bent("equal-area + 2", "phi", degrees)
    found = estimate_alignment(samples, PROBE, TERMS, degree=DEGREE, threads=1)
    first = found.unlisted[0]
    assert (first.kind, first.words) == ("cable-flexing", "a cable bent by phi")
    assert "add cable-flexing to the terms" in found.warnings[0]
    with pytest.raises(ValueError, match=r"it looks like a cable bent by phi.*: add cable-flexing"):
        check_explained(found)
    if degrees == 5:
        terms = [*TERMS, CableFlexing(axis="phi", amplitude=5 * DEG)]
        named = estimate_alignment(samples, PROBE, terms, degree=DEGREE, threads=1)
        assert named.unlisted == ()
        check_explained(named)
        sine, cosine = (x for x in zip(named.parameters, named.value, strict=True) if "cable" in x[0].name)
        assert np.hypot(sine[1], cosine[1]) == pytest.approx(5 * DEG, rel=0.1)


@pytest.mark.slow
def test_noise_that_is_understated_is_no_other_fault():
    samples = case("grid +-180", 1)[0]
    terms = [x for x in TERMS if x is not NOISE]
    low = estimate_alignment(
        samples, PROBE, [*terms, ReceiverNoise(rms=10 ** (-54 / 20))], degree=DEGREE, threads=1
    )
    assert low.chi_square == pytest.approx(10**0.4, rel=0.15)
    assert low.unlisted == ()


@pytest.mark.slow
def test_scans_with_faults_among_the_terms_raise_no_alarm():
    for scan in ("equal-area + 2", "equal-area", "grid +-180"):
        for seed in (1, 2):
            found = case(scan, seed)[2]
            assert found.unlisted == ()
            assert found.solves <= 60
