"""Plans in TOML: what they give, and one clear line where they are wrong."""

import math

import numpy as np
import pytest

from nf2ff.io.plan_points import COLUMNS, write_points
from nf2ff.io.plan_toml import plan_template, read_plan
from nf2ff.planning.axes import Axis, Positioner, Receiver
from nf2ff.planning.scan_time import schedule


@pytest.fixture
def read(tmp_path):
    """Return a function that reads the template with changes made to it."""

    def make(*changes):
        text = plan_template()
        for before, after in changes:
            assert text.count(before) == 1, before
            text = text.replace(before, after)
        path = tmp_path / "plan.toml"
        path.write_text(text, encoding="utf-8")
        return read_plan(path)

    return make


@pytest.fixture
def refused(read, tmp_path):
    """Return a function that does so, must fail with one line, and returns that."""

    def make(*changes):
        with pytest.raises(ValueError, match=r"\A[^\n]+\Z") as caught:
            read(*changes)
        start = f"{tmp_path / 'plan.toml'}: "
        assert str(caught.value).startswith(start)
        return str(caught.value).removeprefix(start)

    return make


def test_the_template_is_a_plan(read):
    found = read()
    np.testing.assert_allclose(found.frequency, [26.5e9, 27.5e9, 28.5e9, 29.5e9], rtol=1e-14)
    assert (found.device.diameter, found.parts[0].diameter) == (0.3, 0.05)
    assert (found.distance, found.room, found.largest_device) == (0.5, 3.0, 0.5)
    assert found.positioner.theta == Axis(math.radians(10), math.radians(20), 0.3, 1.0)
    assert found.positioner.phi == Axis(math.radians(20), math.radians(40), 0.3)
    assert found.positioner.chi is None
    # One sweep: 0.02 s and four times 0.01 s.
    assert found.receiver == Receiver(0.02 + 4 * 0.01, 1, 0.0, 0.01)
    assert (found.tail_db, found.wanted, found.reference) == (-60, ("pattern", "eirp", "trp"), "port")
    assert found.link is None
    assert (found.degree, found.step, found.scan, found.time_limit) == (None, None, None, None)


def test_what_a_plan_may_say(read):
    found = read(
        ("diameter_m = 0.30", "size_m = [0.2, 0.1, 0.02]"),
        (
            "[[part]]\n",
            '[[part]]\nname = "second"\ncentre_m = [0.05, 0, 0]\nsize_m = [0.01, 0.01, 0]\n[[part]]\n',
        ),
        ("diameter_m = 0.05", "size_m = [0.04, 0.04, 0.002]"),
        ("start_ghz = 26.5\nstop_ghz = 29.5\ncount = 4", "ghz = [28]"),
        ("polarisation_switch_s = 0.01\n", ""),
        ("# [axes.chi]\n", "[axes.chi]\nspeed_deg_per_s = 90\nacceleration_deg_per_s2 = 45\n"),
        ('# scan = "grid"', 'scan = "grid"\nstep_deg = 3\ntime_limit_h = 2'),
        (
            "# [level]\n# eirp_dbm = 30.0\n# probe_gain_dbi = 10.0\n# noise_dbm = -90.0\n",
            "[level]\neirp_dbm = 30\nprobe_gain_dbi = 10\nnoise_dbm = -90\n",
        ),
    )
    assert found.frequency.tolist() == [28e9]
    assert [part.sides.tolist() for part in found.parts] == [[0.01, 0.01, 0], [0.04, 0.04, 0.002]]
    assert found.positioner.chi == Axis(math.radians(90), math.radians(45))
    assert found.receiver.sweep == pytest.approx(0.03)
    assert (found.scan, found.step, found.time_limit) == ("grid", math.radians(3), 7200)
    assert found.link.dynamic_range_db(50) == 80


@pytest.mark.parametrize(
    ("before", "after", "says"),
    [
        (
            "speed_deg_per_s = 10.0",
            "speed_deg_per_s = 0",
            "axes, theta, speed_deg_per_s is 0, expected a number above 0",
        ),
        ("diameter_m = 0.30", "diameter_m = -1", "device, diameter_m is -1, expected a number above 0"),
        ("diameter_m = 0.30", "", "device: has none of size_m and diameter_m: give one of them"),
        ("diameter_m = 0.05", "", "part 1 ('array'): has none of size_m and diameter_m"),
        ("diameter_m = 0.05", "size_m = [1, 2]", "part 1 ('array'), size_m is [1, 2], expected a list of 3"),
        (
            "diameter_m = 0.30",
            "size_m = [1e300, 1, 1]",
            "device, size_m[1] is 1e+300, expected a list of 3 numbers",
        ),
        ("count = 4", "", "frequency: expected either ghz, or start_ghz, stop_ghz and count"),
        (
            "stop_ghz = 29.5",
            "stop_ghz = 20",
            "frequency: frequencies are not numbers above 0 in increasing order",
        ),
        (
            "start_ghz = 26.5\nstop_ghz = 29.5\ncount = 4",
            "ghz = [26.5, 28e9, 29.5]",
            "frequency: 2.8e+10 GHz is beyond 1e+06 GHz: give frequencies in GHz",
        ),
        ("distance_m = 0.5", "", "chamber, key 'distance_m' is missing"),
        ("polarisation_switch_s = 0.01", "", "has none of axes.chi and receiver.polarisation_switch_s"),
        ("beams = 1", "beams = 0", "receiver, beams is 0, expected a whole number from 1"),
        ("tail_db = -60.0", "tail_db = 3", "wishes, tail_db is 3, expected a level"),
        ("[signal]", "[signals]", "key 'signals' is unknown"),
        ('# scan = "grid"', 'scan = "zigzag"', "scan is 'zigzag', expected one of grid"),
        ('# scan = "grid"', "degree = 30\nstep_deg = 3", "a degree and a step are wished: give one of them"),
        ('reference = "port"', 'reference = "guess"', "signal, reference is 'guess', expected one of port"),
    ],
)
def test_refused(refused, before, after, says):
    assert refused((before, after)).startswith(says)


def test_points(tmp_path):
    positioner = Positioner(Axis(0.2, 0.4, 0.1), Axis(0.5, 1, 0.1))
    for name in ("grid", "constant-rate-spiral"):
        scan = schedule(name, 4, positioner, Receiver(0.1, polarisation_switch=0.02))
        path = tmp_path / f"{name}.csv"
        write_points(path, scan)
        lines = [x for x in path.read_text(encoding="utf-8").splitlines() if not x.startswith("#")]
        assert lines[0] == ",".join(COLUMNS) == "time_s,theta_deg,phi_deg,chi_deg"
        rows = np.array([[float(x) for x in line.split(",")] for line in lines[1:]])
        np.testing.assert_allclose(rows[:, 0], scan.time, atol=1e-4)
        for column, angle in zip(rows[:, 1:].T, (scan.theta, scan.phi, scan.chi), strict=True):
            np.testing.assert_allclose(column, np.degrees(angle), atol=1e-6)
        # Only the spiral swings through the pole, and says what that means.
        assert path.read_text(encoding="utf-8").startswith("# theta beyond 180") == (name != "grid")
        with pytest.raises(ValueError, match="exists"):
            write_points(path, scan)
