"""Limits of quiet zones."""

import numpy as np
import pytest
from zone_cases import line, probed, towards, wave

from nf2ff.ranges.quiet_zone import evaluate
from nf2ff.ranges.zone import Zone
from nf2ff.ranges.zone_limits import COMMON_PRACTICE, ZoneLimits, judge


def found(**more):
    x = line()
    co = 10 ** (-1.2 * (x[:, 0] / 0.15) ** 2 / 20) * wave(x, towards(2))
    return evaluate(probed(x, np.abs(co) if more else co, **more), Zone(0.15))


def test_only_limits_that_are_set_are_judged():
    (verdict,) = judge(found(), ZoneLimits(tilt_deg=1.9))
    assert (verdict.name, verdict.passed) == ("tilt_deg", False)
    assert verdict.value == pytest.approx(2, abs=1e-9)
    assert judge(found(), ZoneLimits()) == ()


def test_common_practice():
    verdicts = judge(found(), COMMON_PRACTICE)
    assert {v.name: (v.limit, v.passed) for v in verdicts} == {
        "amplitude_taper_db": (1.0, False),  # it is 1.2 dB
        "amplitude_ripple_db": (0.5, True),
        "phase_total_deg": (10.0, True),
    }


def test_what_was_not_measured_is_not_known():
    verdicts = judge(found(phase=False), ZoneLimits(phase_taper_deg=5, cross_db=-30, amplitude_total_db=2))
    assert [v.passed for v in verdicts] == [True, None, None]


def test_limits_out_of_range_are_refused():
    with pytest.raises(ValueError, match="limit tilt_deg is 0, expected a number above 0"):
        ZoneLimits(tilt_deg=0)
    with pytest.raises(ValueError, match="limit cross_db is nan"):
        ZoneLimits(cross_db=np.nan)
