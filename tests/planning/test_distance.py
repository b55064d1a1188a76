"""Distance of a near-field scan: what is refused, what is warned of, and levels."""

import math

import pytest

from nf2ff.antenna.modes import SPEED_OF_LIGHT
from nf2ff.messages.planning import PlanCode
from nf2ff.planning.distance import Link, check_distance, reactive_radius, told_of_noise
from nf2ff.ranges.lengths import free_space_loss_db

#: Wavelength 0.1 m.
F = SPEED_OF_LIGHT / 0.1


def test_reactive_zone():
    """lambda / 2 pi beyond the minimum sphere (closed form)."""
    assert reactive_radius(0.2, F) == pytest.approx(0.2 + 0.1 / (2 * math.pi), rel=1e-14)


def test_distances():
    known = {"minimum_radius": 0.2, "frequency": F}
    assert check_distance(0.3, **known) == []
    (told,) = check_distance(0.25, **known)
    assert told.code is PlanCode.CLOSE
    assert told.figures["wavelengths"] == pytest.approx(0.5)
    with pytest.raises(ValueError, match=r"distance is 0.2 m, inside the minimum sphere of 0.2 m.*farther"):
        check_distance(0.2, **known)
    with pytest.raises(ValueError, match=r"distance is 0.21 m, in the reactive zone, up to 0.2159 m"):
        check_distance(0.21, **known)
    with pytest.raises(ValueError, match=r"distance is 3 m, but the chamber allows 2 m"):
        check_distance(3, room=2, **known)


def test_levels():
    """30 dBm - 54.78 dB + 10 dBi - (-90 dBm) (closed form; loss at 0.467 m and 28 GHz)."""
    link = Link(eirp_dbm=30, probe_gain_dbi=10, noise_dbm=-90)
    loss = free_space_loss_db(2 * 0.05**2 / SPEED_OF_LIGHT * 28e9, 28e9)
    assert link.dynamic_range_db(loss) == pytest.approx(75.22, abs=0.01)
    assert told_of_noise(59, 2, -60) == []
    assert [x.code for x in told_of_noise(50, 2, -60)] == [PlanCode.NOISE]
    assert [x.code for x in told_of_noise(-1, 0, -60)] == [PlanCode.NO_SIGNAL]
