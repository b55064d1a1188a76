"""Times of scans against axes that are simulated tick by tick, and against closed forms."""

import math
from dataclasses import replace

import numpy as np
import pytest
from planning_axes import Bench, stop_and_go, sweep

from nf2ff.antenna.closed_form import far_field_of
from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.antenna.far_field import far_field
from nf2ff.antenna.modes import SPEED_OF_LIGHT
from nf2ff.measurement.probe import field_probe
from nf2ff.measurement.simulated import simulate
from nf2ff.planning.axes import Axis, Positioner, Receiver
from nf2ff.planning.degree import choose_degree, scan_grid
from nf2ff.planning.scan_time import NAMES, WORDS, schedule, schedules
from nf2ff.solver.solve import solve

DEG = math.pi / 180
SLOW = Axis(speed=10 * DEG, acceleration=20 * DEG, settling=0.2)
FAST = Axis(speed=30 * DEG, acceleration=60 * DEG, settling=0.1)
CHI = Axis(speed=45 * DEG, acceleration=90 * DEG, settling=0.3)
SWITCHED, TURNED = Positioner(SLOW, FAST), Positioner(SLOW, FAST, CHI)
RECEIVER = Receiver(sweep=0.15, beams=2, beam_switch=0.02, polarisation_switch=0.05)


def test_moves():
    """Closed forms: 2 sqrt(d/a) below v^2/a, d/v + v/a above, alike where they meet."""
    axis = Axis(speed=2.0, acceleration=4.0, settling=0.5)
    np.testing.assert_allclose(
        axis.stop_time([0.0, 0.25, 1.0, -1.0, 5.0]), [0.0, 1.0, 1.5, 1.5, 3.5], rtol=1e-14
    )


def test_readings_at_a_position():
    """Closed form: two polarisations of two sweeps and a change of beam, and one change between them."""
    assert RECEIVER.dwell(switched=True) == pytest.approx(2 * 0.32 + 0.05, rel=1e-14)
    assert RECEIVER.dwell(switched=False) == pytest.approx(0.32, rel=1e-14)
    assert (RECEIVER.rearm(switched=True), RECEIVER.rearm(switched=False)) == (0.05, 0.02)
    assert Receiver(sweep=1, beam_switch=3).rearm(switched=False) == 0


def held_against(made, bench):
    """Every reading, its place and time, and the end, as the simulation has them."""
    record = np.array(bench.record)
    assert made.time.size == len(record) == 2 * made.positions
    assert made.duration == pytest.approx(bench.now, rel=0.01)
    # A tick of 1 ms is lost at each event at most, of which there are some ten at a position.
    np.testing.assert_allclose(made.time, record[:, 0], rtol=0.01, atol=0.05)
    # The slower ticks move an axis by 0.03 deg, those lost at the crossings too.
    for mine, theirs in zip((made.theta, made.phi, made.chi), record[:, 1:].T, strict=True):
        np.testing.assert_allclose(mine, theirs, atol=0.3 * DEG)
    # No axis goes farther than told, nor much less far.
    for angle, moved, beyond in zip(
        (made.theta, made.phi), np.transpose(bench.extremes), made.overtravel, strict=True
    ):
        first = angle[made.chi == 0]
        farthest = max(first.min() - moved.min(), moved.max() - first.max())
        assert farthest == pytest.approx(beyond, rel=0.02, abs=0.1 * DEG)


@pytest.mark.parametrize("positioner", [SWITCHED, TURNED], ids=["switched", "turned"])
@pytest.mark.parametrize("name", ["grid", "equal-area-spiral", "constant-density"])
def test_stop_and_go(name, positioner):
    made = schedule(name, 3, positioner, RECEIVER)
    step = 2 if positioner is SWITCHED else 1
    places = slice(0, step * made.positions, step)
    bench = stop_and_go(made.theta[places], made.phi[places], positioner, RECEIVER)
    held_against(made, bench)


@pytest.mark.parametrize("positioner", [SWITCHED, TURNED], ids=["switched", "turned"])
@pytest.mark.parametrize("slow_phi", [False, True])
def test_swept_grid(positioner, slow_phi):
    if slow_phi:
        positioner = Positioner(positioner.phi, positioner.theta, positioner.chi)
    made = schedule("swept-grid", 3, positioner, RECEIVER)
    grid = scan_grid(3)
    step = 2 if positioner.chi is None else 1
    inner = "phi" if np.ptp(made.phi[: step * 4 : step]) else "theta"
    bench = Bench(positioner, RECEIVER)
    fast, slow = (bench.phi, bench.theta) if inner == "phi" else (bench.theta, bench.phi)
    places = list(grid.phi if inner == "phi" else grid.theta)
    rings = list(grid.theta if inner == "phi" else grid.phi)
    # The fastest at which the receiver keeps up, a little below lest a tick be in the way.
    cycle = RECEIVER.dwell(switched=step == 2) + RECEIVER.rearm(switched=step == 2)
    speed = min(fast.axis.speed, (places[1] - places[0]) / (cycle * 1.003))
    fast.at = -(speed**2) / fast.axis.acceleration / 2
    slow.at = slow.goal = rings[0]
    order = rings if step == 2 else rings + rings[::-1]
    for i, ring in enumerate(order):
        if i == len(rings):
            bench.chi.go(math.pi / 2)
            bench.chi.rest = 0.0
            bench.wait(lambda: bench.chi.settled)
        elif i:
            slow.go(ring)
            slow.rest = 0.0
            bench.wait(lambda: slow.settled)
        sweep(bench, fast, places if i % 2 == 0 else places[::-1], speed)
    held_against(made, bench)


@pytest.mark.parametrize("positioner", [SWITCHED, TURNED], ids=["switched", "turned"])
def test_constant_rate_spiral(positioner):
    made = schedule("constant-rate-spiral", 3, positioner, RECEIVER)
    switched = positioner.chi is None
    step = 2 if switched else 1
    places = made.theta[: step * made.positions : step]
    cycle = 1.003 * (RECEIVER.dwell(switched=switched) + RECEIVER.rearm(switched=switched))
    # 7 turns for degree 3; the phi axis or the receiver is the slower.
    rate = min(SLOW.speed, FAST.speed / 14, (places[1] - places[0]) / cycle)
    ramp = max(rate / SLOW.acceleration, 14 * rate / FAST.acceleration)
    bench = Bench(positioner, RECEIVER)
    bench.theta.at, bench.phi.at = -rate * ramp / 2, -14 * rate * ramp / 2
    for i in range(3 - step):
        sense = -1 if i else 1
        if i:
            bench.chi.go(math.pi / 2)
            bench.chi.rest = 0.0
            bench.wait(lambda: bench.chi.settled)
        bench.theta.run(sense * rate, rate / ramp)
        bench.phi.run(sense * 14 * rate, 14 * rate / ramp)
        for place in places[::sense]:
            bench.wait(lambda at=place, s=sense: s * (bench.theta.at - at) >= 0)
            bench.read()
            bench.wait(lambda: not bench.busy)
        for motor in (bench.theta, bench.phi):
            motor.run(0.0, motor.pull)
        bench.wait(lambda: bench.theta.speed == bench.phi.speed == 0)
    held_against(made, bench)


def test_readings_never_overlap_and_places_support_the_degree():
    for positioner in (SWITCHED, TURNED):
        switched = positioner.chi is None
        for made in schedules(12, positioner, RECEIVER):
            assert np.all(np.diff(made.time) >= RECEIVER.one_polarisation - 1e-9)
            assert made.time[-1] + RECEIVER.one_polarisation <= made.duration + 1e-9
            # What a degree needs (measured rules of `antenna.points`; a grid leaves 0.71 steps).
            assert made.gap < 1.2 * math.pi / 12
            assert np.ptp(made.phi[made.chi == 0]) > 0
            # Each position in both polarisations; on the fly the second a little beyond the first.
            first, second = (made.theta[made.chi == x] for x in (0.0, math.pi / 2))
            if not switched:
                second = second[::-1]
            away = made.overtravel[0] if switched else 0.0
            assert np.all(np.abs(first - second) <= away + 1e-9)


def test_counts():
    """Closed forms: (N+2)(2N+2) on a grid, 1.5 N(N+2) on even sets, (N+4)(2N+1.5)+1 on the spiral."""
    found = {x.name: x.positions for x in schedules(25, SWITCHED, RECEIVER)}
    assert found == {
        "grid": 27 * 52,
        "swept-grid": 27 * 52,
        "constant-rate-spiral": round(29 * 51.5) + 1,
        "equal-area-spiral": math.ceil(1.5 * 25 * 27),
        "constant-density": math.ceil(1.5 * 25 * 27),
    }
    assert list(found) == list(NAMES) == list(WORDS)


def test_what_axes_cannot_do():
    limited = Positioner(SLOW, Axis(FAST.speed, FAST.acceleration, FAST.settling, turns=1.0))
    found = {x.name: x.impossible for x in schedules(6, limited, RECEIVER)}
    assert not found["grid"]
    assert not found["constant-density"]
    # N + 4 turns (closed form), and what the second polarisation adds.
    assert found["constant-rate-spiral"].startswith("phi would turn 10")
    assert found["equal-area-spiral"].endswith("times, and can 1")


def test_refused():
    with pytest.raises(ValueError, match=r"speed is 0, expected a number above 0"):
        Axis(0, 1)
    with pytest.raises(ValueError, match=r"settling is -1"):
        Axis(1, 1, -1)
    with pytest.raises(ValueError, match=r"infinite"):
        Axis(math.inf, 1)
    with pytest.raises(ValueError, match=r"beams is 0"):
        Receiver(1, beams=0)
    with pytest.raises(ValueError, match=r"sweep is 0"):
        Receiver(0)
    with pytest.raises(ValueError, match=r"scan is 'zigzag', expected one of grid"):
        schedule("zigzag", 3, SWITCHED, RECEIVER)


def test_the_worst_dipole_is_found_on_every_set():
    """One wavelength from an antenna of k r0 = 10: errors stay below the level told for a grid."""
    kr0, degree = 10.0, 20
    radius = kr0 + 2 * math.pi
    told = choose_degree(kr0, kr=radius, degree=degree)
    at = kr0 * np.array([math.sin(1.0), 0, math.cos(1.0)])
    antenna = DipoleCluster(at[None], at[None] + 0j, np.zeros((1, 3)))
    unit = [SPEED_OF_LIGHT / (2 * math.pi)]
    theta, phi = np.radians(np.arange(0, 181, 6)), np.radians(np.arange(0, 360, 12))
    places = {"theta": np.repeat(theta, phi.size), "phi": np.tile(phi, theta.size)}
    true = np.array(far_field_of(antenna, frequency=unit, **places))
    weight = np.sin(places["theta"])
    for made in schedules(degree, SWITCHED, RECEIVER):
        # What lies beyond the pole is on the circle's other half.
        swung = np.where(made.theta > math.pi, made.theta - 2 * math.pi, made.theta)
        samples = simulate(antenna, frequency=unit, theta=swung, phi=made.phi, chi=made.chi, radius=radius)
        found = far_field(solve(samples, field_probe(), degree=degree).modes, theta=theta, phi=phi)
        error = np.array([found.e_theta, found.e_phi]).reshape(true.shape) - true
        level = np.sum(np.abs(error) ** 2 * weight) / np.sum(np.abs(true) ** 2 * weight)
        assert 10 * math.log10(level) < told.alias_db, made.name


@pytest.mark.parametrize("name", ["swept-grid", "constant-rate-spiral"])
def test_what_moving_during_a_sweep_does(name):
    """The last frequency is read on the way: an error within 20 dB below the bound, mended by true places."""
    radius, distance, frequency = 0.1, 0.3, 3e9
    rng = np.random.default_rng(3)
    place = rng.normal(size=(12, 3))
    place *= (radius * np.cbrt(rng.uniform(size=12)) / np.linalg.norm(place, axis=1))[:, None]
    antenna = DipoleCluster(place, rng.normal(size=(12, 3)) + 1j * rng.normal(size=(12, 3)))
    kr0 = 2 * math.pi * frequency / SPEED_OF_LIGHT * radius
    degree = choose_degree(kr0).degree
    scan = schedule(name, degree, TURNED, Receiver(sweep=0.02))
    # Both ways along the path, from one reading to the next.
    count = scan.time.size
    step, beat = np.diff(scan.phi), np.diff(scan.time)
    along = np.append(step / beat, step[-1] / beat[-1])
    turned = np.append(np.diff(scan.theta), 0) / np.append(beat, beat[-1])
    if name == "swept-grid":  # between runs the slow axis moves: as in the run before
        along, turned = (np.sign(x) * np.median(np.abs(x)) for x in (along, turned))
    assert scan.speed == pytest.approx(max(np.median(np.abs(along)), np.median(np.abs(turned))), rel=1e-6)
    sweep_time = 0.02

    def solved(theta, phi, response=None):
        theta = np.where(theta > math.pi, theta - 2 * math.pi, theta)
        at = {"theta": theta, "phi": phi, "chi": scan.chi, "radius": distance}
        samples = simulate(antenna, frequency=[frequency], **at)
        if response is not None:
            samples = replace(samples, response=response)
        return samples.response, solve(samples, field_probe(), degree=degree).modes.coefficients[0]

    _, true = solved(scan.theta, scan.phi)
    moved = scan.theta + sweep_time * turned, scan.phi + sweep_time * along
    read, right = solved(*moved)
    _, wrong = solved(scan.theta, scan.phi, read)
    error, mended = (np.linalg.norm(x - true) / np.linalg.norm(true) for x in (wrong, right))
    bound = kr0 * scan.speed * sweep_time
    assert count == 2 * scan.positions
    assert 0.1 * bound < error < bound
    assert mended < error / 50
