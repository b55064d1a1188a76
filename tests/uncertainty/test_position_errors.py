"""Where a faulty positioner puts the probe, by plain loops, rotation matrices and known fields."""

import re

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from sources import EPS, ONE_METRE, K, basis, random_cluster

from nf2ff.antenna.closed_form import near_field
from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.measurement.samples import Samples
from nf2ff.measurement.simulated import simulate
from nf2ff.uncertainty.errors.axes import AxesSeparation, AxesSkew, Backlash, TimingLag
from nf2ff.uncertainty.errors.position import AXES, ArmSag, AxisZero, EncoderSteps, PositionNoise, Wobble


def samples_at(theta, phi, chi=0.0, radius=2.0, port=1, response=1.0):
    theta, phi, chi = np.broadcast_arrays(np.asarray(theta, float), phi, chi)
    shape = (1, theta.shape[-1]) if theta.ndim < 2 else theta.shape
    frequency = ONE_METRE * (1 + 0.1 * np.arange(shape[0]))
    return Samples(frequency, theta, phi, chi, radius, port, np.full(shape, response, complex))


def scattered(count=40, seed=7):
    """Random positions, of both signs of theta, close to the poles and on them."""
    rng = np.random.default_rng(seed)
    special = [0.0, np.pi, -np.pi, 1e-3, -1e-3, np.pi - 1e-3, 1e-3 - np.pi]
    theta = np.concatenate([special, rng.uniform(-np.pi, np.pi, count)])
    phi, chi = rng.uniform(-4, 4, (2, theta.size))
    return samples_at(theta, phi, chi, rng.uniform(1.5, 3, theta.size))


def coordinates(samples):
    return np.array([samples.theta, samples.phi, samples.chi, samples.radius])


def chain(theta, phi, chi, radius, shift=(0, 0, 0), tilt=0.0, collimation=0.0):
    """Position and frame of one probe: the chain of axes, matrix by matrix."""
    outer = Rotation.from_euler("z", phi)
    inner = Rotation.from_euler("x", tilt) * Rotation.from_euler("y", theta)
    inner = inner * Rotation.from_euler("x", collimation)
    position = outer.apply(np.array(shift) + inner.apply([0, 0, radius]))
    return position, (outer * inner * Rotation.from_euler("z", chi)).as_matrix()


# --- one axis ------------------------------------------------------------------------------------


@pytest.mark.parametrize("axis", AXES)
@pytest.mark.parametrize("sign", [1, -1])
def test_axis_zero_moves_its_axis(axis, sign):
    samples = scattered()
    moved = AxisZero(axis=axis, offset=0.01).displace(samples, sign=sign)
    for name in AXES:
        shift = getattr(moved, name) - getattr(samples, name)
        # theta beyond a pole goes on from -180 deg: a whole turn of the theta axis.
        turns = np.round(shift / (2 * np.pi)) if name == "theta" else 0
        np.testing.assert_allclose(
            shift - 2 * np.pi * turns, sign * 0.01 * (name == axis), rtol=0, atol=4 * np.pi * EPS
        )
    assert np.abs(moved.theta).max() <= np.pi
    np.testing.assert_array_equal(moved.response, samples.response)


def test_beyond_a_pole_is_the_same_position_from_the_other_side():
    samples = samples_at([3.1, -3.1], [0.3, 0.3], [0.2, 0.2])
    moved = AxisZero(axis="theta", offset=0.1).displace(samples)
    np.testing.assert_allclose(moved.theta, [3.2 - 2 * np.pi, -3.0], rtol=0, atol=4 * EPS)
    back = AxisZero(axis="theta", offset=0.1).displace(samples, sign=-1)
    np.testing.assert_allclose(back.theta, [3.0, 2 * np.pi - 3.2], rtol=0, atol=4 * EPS)
    for i, theta in enumerate([3.2, -3.0]):
        wanted = chain(theta, 0.3, 0.2, 2.0)
        got = chain(moved.theta[i], moved.phi[i], moved.chi[i], moved.radius[i])
        np.testing.assert_allclose(got[0], wanted[0], rtol=0, atol=20 * EPS)
        np.testing.assert_allclose(got[1], wanted[1], rtol=0, atol=10 * EPS)


def test_phi_zero_is_a_rotated_antenna():
    # What is read at phi + d of an antenna is read at phi of one turned by -d about z (closed
    # form). Tolerance: rounding of the phase k r, twice, times a few.
    antenna, d = random_cluster(size=0.5), 0.3
    turn = Rotation.from_euler("z", -d).as_matrix()
    turned = DipoleCluster(antenna.position @ turn.T, antenna.electric @ turn.T, antenna.magnetic @ turn.T)
    samples = scattered()
    place = dict(zip(("theta", "phi", "chi", "radius"), coordinates(samples), strict=True))
    true = AxisZero(axis="phi", offset=d).displace(samples)
    there = dict(zip(("theta", "phi", "chi", "radius"), coordinates(true), strict=True))
    got = simulate(antenna, frequency=ONE_METRE, **there).response
    wanted = simulate(turned, frequency=ONE_METRE, **place).response
    np.testing.assert_allclose(got, wanted, rtol=0, atol=20 * K * 3 * EPS * np.abs(wanted).max())


def test_chi_zero_turns_the_polarisation():
    # E_theta cos(chi + d) + E_phi sin(chi + d): at chi = 0 and 90 deg the components turned by -d
    # (closed form).
    antenna, d = random_cluster(size=0.5), 0.2
    theta, phi = np.linspace(0.1, 3, 9), np.linspace(0, 5, 9)
    e = near_field(antenna, frequency=ONE_METRE, theta=theta, phi=phi, radius=2.0)[1:]
    for chi, wanted in (
        (0.0, e[0] * np.cos(d) + e[1] * np.sin(d)),
        (np.pi / 2, e[1] * np.cos(d) - e[0] * np.sin(d)),
    ):
        true = AxisZero(axis="chi", offset=d).displace(samples_at(theta, phi, chi))
        got = simulate(antenna, frequency=ONE_METRE, theta=theta, phi=phi, chi=true.chi, radius=2.0).response
        np.testing.assert_allclose(got, wanted, rtol=0, atol=10 * EPS * np.abs(e).max())


def test_radius_offset_is_a_phase_and_a_spreading():
    # exp(-jkr)/r far away (closed form); what is left of a cluster of size a at distance r changes
    # by (ka)^2/(2kr) d/r, here below 1e-9.
    antenna, d, r = random_cluster(size=0.5), 0.02, 1e5
    samples = samples_at([0.4, 1.2, 2.5], [0.0, 1.0, 4.0], 0.3, r)
    true = AxisZero(axis="radius", offset=d).displace(samples)
    here, there = (
        simulate(antenna, frequency=ONE_METRE, theta=s.theta, phi=s.phi, chi=s.chi, radius=s.radius).response
        for s in (samples, true)
    )
    wanted = here * np.exp(-1j * K * d) * r / (r + d)
    np.testing.assert_allclose(there, wanted, rtol=0, atol=1e-9 * np.abs(here).max())


@pytest.mark.parametrize("axis", AXES)
def test_encoder_steps_of_commanded_positions(axis):
    samples, step = scattered(), 0.03
    term = EncoderSteps(axis=axis, step=step)
    assert not term.random
    true = getattr(term.displace(samples), axis)
    for recorded, got in zip(getattr(samples, axis), true, strict=True):
        # By plain search for the nearest multiple.
        multiples = step * np.arange(-200, 201)
        nearest = multiples[np.argmin(np.abs(multiples - recorded))]
        if axis == "theta" and abs(nearest) > np.pi:
            nearest -= 2 * np.pi * np.sign(nearest)
        assert got == pytest.approx(nearest, abs=20 * EPS)
    other = term.displace(samples, sign=-1)
    if axis != "theta":
        shift = true - getattr(samples, axis)
        np.testing.assert_allclose(
            getattr(other, axis), getattr(samples, axis) - shift, rtol=0, atol=20 * EPS
        )


def test_encoder_steps_of_readings_are_rectangular():
    # Standard deviation step/sqrt(12) (closed form); that of its estimate from M draws is 0.45/
    # sqrt(M) of it (kurtosis 9/5: sqrt((1.8 - 1)/4)), five of them are allowed.
    count, step = 20_000, 0.1
    samples = samples_at(np.full(count, 1.0), 0.0)
    term = EncoderSteps(axis="phi", step=step, recorded="read-back")
    assert term.random
    shift = term.displace(samples, 3).phi
    assert np.abs(shift).max() <= step / 2
    assert np.abs(shift).max() > 0.999 * step / 2
    assert shift.std() == pytest.approx(step / np.sqrt(12), rel=5 * 0.45 / np.sqrt(count))
    (effect,) = term.effects(samples)
    assert (effect.quantity, effect.draws) == ("phi", count)
    np.testing.assert_allclose(effect.rms, step / np.sqrt(12))
    assert EncoderSteps(axis="phi", step=step).effects(samples) == ()


@pytest.mark.parametrize("axis", AXES)
@pytest.mark.parametrize("of", ["theta", "phi", "chi"])
def test_wobble_by_its_formula(axis, of):
    samples = scattered()
    term = Wobble(axis=axis, of=of, amplitude=0.02, order=3, phase=0.7)
    got = coordinates(term.displace(samples))
    for i, recorded in enumerate(coordinates(samples).T):
        wanted = dict(zip(AXES, recorded, strict=True))
        wanted[axis] += 0.02 * np.sin(3 * wanted[of] + 0.7)
        if abs(wanted["theta"]) > np.pi:
            wanted["theta"] -= 2 * np.pi * np.sign(wanted["theta"])
        np.testing.assert_allclose(got[:, i], list(wanted.values()), rtol=0, atol=10 * EPS)


def test_arm_sag_by_its_formula():
    # A weight pulls the arm that is level away from the upright, and shortens the upright one.
    term = ArmSag(angle=0.01, stretch=0.002)
    theta = np.array([0.0, np.pi / 2, -np.pi / 2, np.pi / 6, np.pi])
    true = term.displace(samples_at(theta, 0.4))
    sag = true.theta[:4] - theta[:4]
    np.testing.assert_allclose(sag, [0, 0.01, -0.01, 0.005], rtol=0, atol=5 * EPS)
    wanted = 2 - 0.002 * np.array([1, 0, 0, np.sqrt(3) / 2, -1])
    np.testing.assert_allclose(true.radius, wanted, rtol=0, atol=5 * EPS)
    np.testing.assert_array_equal(true.phi, 0.4)
    # Horizontal phi axis, the arm upright at theta = 90 deg: there it does not sag sideways.
    true = ArmSag(angle=0.01, stretch=0.002, upright=np.pi / 2).displace(samples_at(theta, 0.4))
    sag = true.theta[:2] - theta[:2]
    np.testing.assert_allclose(sag, [-0.01, 0], rtol=0, atol=5 * EPS)
    np.testing.assert_allclose(true.radius[:2], [2, 1.998], rtol=0, atol=5 * EPS)


# --- random --------------------------------------------------------------------------------------


@pytest.mark.parametrize("axis", AXES)
def test_position_noise(axis):
    # A standard deviation from M draws scatters by 1/sqrt(2M) of itself, their mean by 1/sqrt(M).
    count, rms = 20_000, 0.003
    samples = samples_at(np.full(count, 1.0), 0.4, 0.2)
    term = PositionNoise(axis=axis, rms=rms)
    assert term.random
    moved = term.displace(samples, 5)
    for name in AXES:
        shift = getattr(moved, name) - getattr(samples, name)
        if name != axis:
            assert not shift.any()
            continue
        assert shift.std() == pytest.approx(rms, rel=5 / np.sqrt(2 * count))
        assert abs(shift.mean()) < 5 * rms / np.sqrt(count)
        # Independent: the correlation of neighbours scatters by 1/sqrt(M).
        assert abs(np.mean(shift[1:] * shift[:-1])) < 5 * rms**2 / np.sqrt(count)
    again, other = term.displace(samples, 5), term.displace(samples, 6)
    np.testing.assert_array_equal(getattr(again, axis), getattr(moved, axis))
    assert not np.array_equal(getattr(other, axis), getattr(moved, axis))
    opposite = getattr(term.displace(samples, 5, sign=-1), axis)
    both = getattr(moved, axis) + opposite
    np.testing.assert_allclose(both, 2 * getattr(samples, axis), rtol=0, atol=10 * EPS)
    (effect,) = term.effects(samples)
    assert effect.quantity == axis
    np.testing.assert_array_equal(effect.rms, np.full(count, rms))


def test_ports_read_at_once_share_the_error_of_position():
    # Two ports at every place, one place visited twice; the order is mixed.
    theta = np.array([0.5, 0.7, 0.5, 0.7, 0.5, 0.5, 0.9])
    port = np.array([1, 1, 2, 2, 2, 1, 1])
    samples = samples_at(theta, 0.1, port=port)
    (effect,) = PositionNoise(axis="phi", rms=1.0).effects(samples)
    same = effect.group[:, None] == effect.group
    wanted = np.eye(7, dtype=bool)
    for pair in ((0, 2), (1, 3), (4, 5)):
        wanted[pair] = wanted[pair[::-1]] = True
    np.testing.assert_array_equal(same, wanted)
    assert effect.draws == 4
    (apart,) = PositionNoise(axis="phi", rms=1.0, together=False).effects(samples)
    assert apart.draws == 7
    # Where the axes move from frequency to frequency, a place is all of them.
    moving = samples_at(np.stack([theta, theta + 0.01 * np.arange(7)]), 0.1, port=port)
    assert PositionNoise(axis="phi", rms=1.0).effects(moving)[0].draws == 7
    moved = PositionNoise(axis="phi", rms=0.1).displace(samples, 1).phi
    assert moved[0] == moved[2]
    assert np.unique(moved).size == 4


# --- between axes --------------------------------------------------------------------------------

SHIFT = np.array([0.013, -0.021, 0.017])


def test_axes_apart_against_the_chain():
    samples = scattered()
    term = AxesSeparation(x=SHIFT[0], y=SHIFT[1], z=SHIFT[2])
    for sign in (1, -1):
        moved = coordinates(term.displace(samples, sign=sign)).T
        for recorded, got in zip(coordinates(samples).T, moved, strict=True):
            position, frame = chain(*recorded, shift=sign * SHIFT)
            here, own = chain(*got)
            np.testing.assert_allclose(here, position, rtol=0, atol=20 * EPS * 3)
            # The probe as it stands, swung the shortest way until it looks at the origin.
            outward = position / np.linalg.norm(position)
            cross = np.cross(frame[:, 2], outward)
            angle = np.arctan2(np.linalg.norm(cross), frame[:, 2] @ outward)
            swing = Rotation.from_rotvec(cross * (angle / max(np.linalg.norm(cross), 1e-300)))
            np.testing.assert_allclose(own, swing.as_matrix() @ frame, rtol=0, atol=100 * EPS)
            # What is left out is a tilt of at most shift over distance.
            assert angle <= np.linalg.norm(SHIFT) / (recorded[3] - np.linalg.norm(SHIFT))


@pytest.mark.parametrize(("between", "name"), [("phi-theta", "tilt"), ("theta-chi", "collimation")])
def test_axes_not_square_against_the_chain(between, name):
    samples, angle = scattered(), 0.02
    term = AxesSkew(angle=angle, between=between)
    for sign in (1, -1):
        true = term.displace(samples, sign=sign)
        np.testing.assert_array_equal(true.radius, samples.radius)
        moved = coordinates(true).T
        for recorded, got in zip(coordinates(samples).T, moved, strict=True):
            position, frame = chain(*recorded, **{name: sign * angle})
            here, own = chain(*got)
            np.testing.assert_allclose(here, position, rtol=0, atol=20 * EPS * 3)
            np.testing.assert_allclose(own, frame, rtol=0, atol=100 * EPS)


@pytest.mark.parametrize(
    "term",
    [
        AxesSeparation(x=1e-4, y=-2e-4, z=3e-4),
        AxesSkew(angle=1e-4),
        AxesSkew(angle=1e-4, between="theta-chi"),
    ],
    ids=["apart", "phi-theta", "theta-chi"],
)
def test_displaced_coordinates_go_on_steadily(term):
    # Away from the poles a shift by d at distance A moves no coordinate by more than d/(A sin
    # theta) and its like; phi and chi come without whole turns, theta with its sign.
    rng = np.random.default_rng(3)
    theta = rng.uniform(0.3, np.pi - 0.3, 60) * rng.choice([-1, 1], 60)
    samples = samples_at(theta, rng.uniform(-9, 9, 60), rng.uniform(-9, 9, 60))
    change = np.abs(coordinates(term.displace(samples)) - coordinates(samples))
    assert change.max() < 4e-4 / np.sin(0.3) * 1.5
    assert change[:3].max() > 1e-5
    # On a pole phi turns by at most a quarter, and theta moves a little, if from 180 to -180 deg.
    pole = samples_at([0.0, np.pi, -np.pi], 2.0, 0.5)
    change = np.abs(coordinates(term.displace(pole)) - coordinates(pole))
    assert np.minimum(change[0], 2 * np.pi - change[0]).max() < 4e-4
    assert change[1].max() <= np.pi / 2


def test_axes_of_a_frequency_sweep_in_motion():
    # Positions (F, M): each frequency as if it were alone.
    rng = np.random.default_rng(4)
    theta, phi = rng.uniform(0.2, 3, (2, 2, 5))
    moving = samples_at(theta, phi, np.full(theta.shape, 0.3))
    for term in (
        AxesSeparation(x=0.01, y=0.02),
        AxesSkew(angle=0.03),
        AxisZero(axis="theta", offset=0.1),
        Wobble(axis="phi", of="theta", amplitude=0.1),
    ):
        together = term.displace(moving)
        for f in (0, 1):
            alone = term.displace(samples_at(theta[f], phi[f], 0.3))
            for axis in AXES:
                np.testing.assert_array_equal(
                    np.atleast_2d(getattr(together, axis))[-1 if f else 0], getattr(alone, axis)
                )


# --- in motion -----------------------------------------------------------------------------------


def backlash_by_hand(values, width, turning):
    """Shift of each sample, in the order of time."""
    steps = np.diff(values)
    if turning:
        steps = (steps + np.pi) % (2 * np.pi) - np.pi
    last = next((s for s in steps if s), 0.0)
    shift = [-width / 2 * np.sign(last)]
    for step in steps:
        last = step or last
        shift.append(-width / 2 * np.sign(last))
    return np.array(shift)


@pytest.mark.parametrize(
    ("axis", "values"),
    [
        ("theta", [0.1, 0.1, 0.2, 0.3, 0.3, 0.2, 0.1, 0.1, 0.4]),
        ("theta", [0.5, 0.4, 0.4, 0.6, 0.7, 0.7, 0.7, 0.2, 0.1]),
        # 350 deg to 10 deg is upwards.
        ("phi", np.radians([320, 350, 10, 40, 40, 10, 350, 320, 330.0])),
        ("radius", [2.0, 2.1, 2.2, 2.2, 2.1, 2.0, 1.9, 2.0, 2.1]),
    ],
)
def test_backlash_by_the_direction_of_motion(axis, values):
    place = {"theta": 1.0, "phi": 0.0, "radius": 2.0} | {axis: np.asarray(values)}
    theta = np.broadcast_to(place["theta"], 9)
    wanted = backlash_by_hand(np.asarray(values), 0.02, axis == "phi")
    assert {-0.01, 0.01} == set(np.round(wanted, 12))
    samples = samples_at(theta, place["phi"], radius=place["radius"])
    true = Backlash(axis=axis, width=0.02, time="rows").displace(samples)
    np.testing.assert_allclose(getattr(true, axis) - values, wanted, rtol=0, atol=10 * EPS)
    # The rows in another order, with the times they were taken at.
    mixed = np.random.default_rng(2).permutation(9)
    samples = samples_at(
        theta[mixed],
        np.broadcast_to(place["phi"], 9)[mixed],
        radius=np.broadcast_to(place["radius"], 9)[mixed],
    )
    time = 100 + 0.5 * np.arange(9.0)[mixed]
    true = Backlash(axis=axis, width=0.02, time=time).displace(samples)
    shift = getattr(true, axis) - getattr(samples, axis)
    np.testing.assert_allclose(shift, wanted[mixed], rtol=0, atol=10 * EPS)


def test_backlash_takes_no_notice_of_scatter_or_of_an_axis_at_rest():
    values = np.array([0.1, 0.2, 0.2 - 1e-4, 0.2 + 1e-4, 0.1, 0.1 + 1e-4])
    samples = samples_at(values, 0.0)
    true = Backlash(axis="theta", width=0.02, time="rows", still=1e-3).displace(samples)
    np.testing.assert_allclose(true.theta - values, [-0.01] * 4 + [0.01] * 2, rtol=0, atol=10 * EPS)
    rest = Backlash(axis="phi", width=0.02, time="rows").displace(samples)
    np.testing.assert_array_equal(rest.phi, samples.phi)
    # Two ports read at one time are one step.
    pair = samples_at([0.1, 0.1, 0.2, 0.2], 0.0, port=[1, 2, 1, 2])
    true = Backlash(axis="theta", width=0.02, time=[0.0, 0.0, 1.0, 1.0]).displace(pair)
    np.testing.assert_allclose(true.theta, pair.theta - 0.01, rtol=0, atol=10 * EPS)


def test_lag_of_a_steady_motion_is_speed_times_lag():
    # A spiral of constant speeds, phi beyond a turn folded back: true = recorded + speed x lag
    # (closed form). Tolerance: differences of angles up to 2 pi over steps of 0.05 s.
    time = 0.05 * np.arange(200)
    theta, phi = 0.01 + 0.3 * time, np.mod(2.0 * time, 2 * np.pi)
    samples = samples_at(theta, phi)
    term = TimingLag(lag=0.02, axes=("theta", "phi"), time=time)
    true = term.displace(samples)
    np.testing.assert_allclose(true.theta - theta, 0.02 * 0.3, rtol=0, atol=20 * EPS)
    np.testing.assert_allclose(true.phi - phi, 0.02 * 2.0, rtol=0, atol=40 * EPS)
    rows = TimingLag(lag=0.02, axes="phi", time="rows", interval=0.05).displace(samples)
    np.testing.assert_allclose(rows.phi, true.phi, rtol=0, atol=40 * EPS)
    np.testing.assert_array_equal(rows.theta, theta)
    # In another order of rows, and the opposite way.
    mixed = np.random.default_rng(2).permutation(200)
    other = TimingLag(lag=0.02, axes=["phi"], time=time[mixed]).displace(
        samples_at(theta[mixed], phi[mixed]), sign=-1
    )
    np.testing.assert_allclose(other.phi - phi[mixed], -0.04, rtol=0, atol=40 * EPS)


def test_lag_in_sweeps_with_a_way_back_between():
    # Three lines in phi, 0.1 s from sample to sample, two seconds to go back; both ways in turn.
    line = np.arange(6) * 0.05
    phi = np.concatenate([line, line[::-1], line])
    time = np.concatenate([0.1 * np.arange(6) + start for start in (0, 2.5, 5.0)])
    speed = np.repeat([0.5, -0.5, 0.5], 6)
    true = TimingLag(lag=0.04, axes=["phi"], time=time).displace(samples_at(np.ones(18), phi))
    np.testing.assert_allclose(true.phi - phi, 0.04 * speed, rtol=0, atol=20 * EPS)
    # Speed that changes: the mean over the two sides of each sample.
    phi = np.array([0.0, 0.1, 0.3, 0.6])
    true = TimingLag(lag=0.5, axes=["phi"], time=[0.0, 1.0, 2.0, 3.0]).displace(samples_at(np.ones(4), phi))
    np.testing.assert_allclose(true.phi - phi, [0.05, 0.075, 0.125, 0.15], rtol=0, atol=EPS)
    alone = samples_at([1.0], [0.3])
    assert TimingLag(lag=0.5, axes=["phi"], time=[0.0]).displace(alone).phi[0] == 0.3


def test_lag_of_rows_in_lines_with_a_way_back_between():
    # Lines of theta, the way back within one row: no speed of the sweep (closed form, 100 deg/s).
    line = np.radians(np.arange(10.0, 171.0, 10.0))
    theta, phi = np.tile(line, 3), np.repeat(np.radians([0.0, 20.0, 40.0]), line.size)
    term = TimingLag(lag=0.01, axes=["theta", "phi"], time="rows", interval=0.1)
    true = term.displace(samples_at(theta, phi))
    np.testing.assert_allclose(true.theta - theta, np.radians(1.0), rtol=0, atol=40 * EPS)
    np.testing.assert_allclose(true.phi, phi, rtol=0, atol=EPS)  # from line to line it stands
    # Two rows at each place: half the speed, but at the ends of a line, where one side stands.
    theta = np.repeat(theta, 2)
    twice = term.displace(samples_at(theta, np.repeat(phi, 2)))
    inside = np.tile(np.arange(34) % 33 > 0, 3)
    wanted = np.where(inside, np.radians(0.5), 0.0)
    wanted[[0, -1]] = 0.0
    np.testing.assert_allclose(twice.theta - theta, wanted, rtol=0, atol=40 * EPS)
    # There and back without a way back.
    both = np.concatenate([line, line[::-1]])
    true = TimingLag(lag=0.01, axes="theta", time="rows", interval=0.1).displace(samples_at(both, 0.0))
    wanted = np.radians(np.repeat([1.0, 0.5, -0.5, -1.0], [16, 1, 1, 16]))
    np.testing.assert_allclose(true.theta - both, wanted, rtol=0, atol=40 * EPS)
    # Along an even spiral the moves of phi shrink away from the pole, and all of them count.
    i = np.arange(200) + 0.5
    theta = np.arccos(1 - i / 100)
    phi = 8 * theta
    speed = np.gradient(phi) / 0.1  # central differences, one-sided at the ends
    true = TimingLag(lag=0.01, axes="phi", time="rows", interval=0.1).displace(samples_at(theta, phi))
    np.testing.assert_allclose(true.phi - phi, 0.01 * speed, rtol=0, atol=100 * EPS)


# --- what they are for ---------------------------------------------------------------------------


def test_simulation_at_true_positions_of_axes_that_are_apart():
    # The field itself at the true place along the probe's true axis, which is tilted. Samples
    # know no tilt: the difference is the radial field times the tilt, and its square.
    antenna = random_cluster(size=0.5)
    samples = scattered()
    term = AxesSeparation(x=SHIFT[0], y=SHIFT[1], z=SHIFT[2])
    true = term.displace(samples)
    got = simulate(
        antenna, frequency=ONE_METRE, theta=true.theta, phi=true.phi, chi=true.chi, radius=true.radius
    ).response[0]
    for i, recorded in enumerate(coordinates(samples).T):
        position, frame = chain(*recorded, shift=SHIFT)
        r = np.linalg.norm(position)
        theta, phi = np.arccos(position[2] / r), np.arctan2(position[1], position[0])
        parts = near_field(antenna, frequency=ONE_METRE, theta=[theta], phi=[phi], radius=[r])
        e = sum(p[0, 0] * u[0] for p, u in zip(parts, basis([theta], [phi]), strict=True))
        tilt = np.arccos(np.clip(frame[:, 2] @ position / r, -1, 1))
        allowed = tilt * abs(parts[0][0, 0]) + tilt**2 * np.linalg.norm(e) + 1e-12
        assert abs(got[i] - e @ frame[:, 0]) <= allowed


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: PositionNoise(axis="phi", rms=-0.1), "rms is -0.1 rad, expected a number >= 0"),
        (lambda: PositionNoise(axis="radius", rms=-0.1), "rms is -0.1 m, expected"),
        (lambda: PositionNoise(axis="phy", rms=0.1), "axis is 'phy' (did you mean 'phi'?)"),
        (lambda: AxisZero(axis="phi", offset=np.nan), "offset is nan, expected a finite number"),
        (lambda: AxisZero(axis="phi", offset="0.1 deg"), "offset is 0.1 deg, expected a finite"),
        (lambda: AxisZero(axis="phi", offset=True), "offset is True, expected a finite number"),
        (lambda: AxisZero(axis="phi", offset=None), "offset is None, expected a finite number"),
        (lambda: EncoderSteps(axis="phi", step=0.1, recorded="read"), "did you mean 'read-back'?"),
        (lambda: EncoderSteps(axis="phi", step=-0.1), "encoder-steps: step is -0.1 rad"),
        (lambda: Backlash(axis="theta", width=-1e-3), "backlash: width is -0.001 rad"),
        (lambda: Backlash(axis="theta", width=0.1, time="row"), "time is 'row' (did you mean"),
        (lambda: Backlash(axis="theta", width=0.1, time=[0, np.nan]), "backlash: time is nan at"),
        (lambda: Wobble(axis="phi", of="radius", amplitude=0.1), "of is 'radius', expected one of"),
        (lambda: Wobble(axis="phi", of="phi", amplitude=0.1, order=0), "order is 0, expected a"),
        (lambda: Wobble(axis="phi", of="phi", amplitude=0.1, order=1.5), "order is 1.5, expected"),
        (lambda: Wobble(axis="phi", of="phi", amplitude=-0.1), "amplitude is -0.1 rad, expected"),
        (lambda: AxesSkew(angle=0.1, between="theta-phi"), "between is 'theta-phi'"),
        (lambda: TimingLag(lag=0.1, axes=["ph"]), "timing-lag: axes is 'ph' (did you mean 'phi'"),
        (lambda: AxisZero(axis="phi", offset=1, distribution="gauss"), "distribution is 'gauss'"),
        (
            lambda: AxisZero(axis="radius", offset=2.5).displace(scattered(), sign=-1),
            "axis-zero moves a sample to the distance",
        ),
        (
            lambda: AxisZero(axis="phi", offset=0.1).displace(scattered(), sign=2),
            "sign is 2, expected 1 or -1",
        ),
        (
            lambda: Backlash(axis="phi", width=0.1).displace(scattered()),
            "backlash depends on when each sample was taken, and the scan has no times: give time",
        ),
        (
            lambda: TimingLag(lag=0.1, axes=["phi"], time=[0.0, 1.0]).displace(scattered()),
            "timing-lag: there are 2 times for 47 samples: give one for each",
        ),
        (
            lambda: TimingLag(lag=0.1, axes=["phi"], time="rows").displace(scattered()),
            "timing-lag needs the speed, which the order of the rows does not tell: give interval",
        ),
    ],
)
def test_what_cannot_be_is_refused(make, message):
    with pytest.raises(ValueError, match=re.escape(message)) as caught:
        make()
    assert "\n" not in str(caught.value)
