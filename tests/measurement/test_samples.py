"""What `Samples` takes, and what it refuses."""

import numpy as np
import pytest

from nf2ff.measurement.samples import RESPONSE_UNITS, Samples

F, M = 3, 5
FREQUENCY = np.array([1e9, 2e9, 4e9])
THETA = np.linspace(-1, 2, M)
RESPONSE = np.arange(F * M).reshape(F, M) * (1 + 2j)


def make(**changes):
    """Samples at M positions and F frequencies, some arguments changed."""
    arguments = {
        "frequency": FREQUENCY,
        "theta": THETA,
        "phi": THETA + 1,
        "chi": 0.0,
        "radius": 2.0,
        "port": 1,
        "response": RESPONSE,
    }
    return Samples(**{**arguments, **changes})


def test_scalars_are_shared_by_all_samples():
    samples = make(theta=0.1, phi=0.2, chi=0.3, radius=4, port=2)
    for name, value in {"theta": 0.1, "phi": 0.2, "chi": 0.3, "radius": 4.0, "port": 2}.items():
        got = getattr(samples, name)
        assert got.shape == (M,)
        assert np.all(got == value)
    assert not samples.moving
    assert samples.response_unit == "V/m"


def test_arrays_are_converted_and_read_only():
    theta = THETA.copy()
    samples = make(theta=theta, port=[1, 2, 1, 2, 3], radius=[1, 2, 3, 4, 5])
    assert theta.flags.writeable
    assert samples.radius.dtype == float
    assert samples.port.dtype == np.int16
    assert samples.response.dtype == complex
    for name in ("frequency", "theta", "phi", "chi", "radius", "port", "response"):
        with pytest.raises(ValueError, match="read-only"):
            getattr(samples, name)[:] = 0
    with pytest.raises(AttributeError):
        samples.theta = theta


@pytest.mark.parametrize("name", ["theta", "phi", "chi", "radius"])
def test_positions_may_differ_from_frequency_to_frequency(name):
    value = 1 + np.arange(F * M).reshape(F, M) / 20
    samples = make(**{name: value})
    assert samples.moving
    for i in range(F):
        one = samples.at_frequency(i)
        assert not one.moving
        np.testing.assert_array_equal(getattr(one, name), value[i])
        np.testing.assert_array_equal(one.response, RESPONSE[i : i + 1])
        np.testing.assert_array_equal(one.frequency, FREQUENCY[i : i + 1])


def test_at_frequency_leaves_missing_samples_out():
    response = RESPONSE.copy()
    response[1, [0, 3]] = np.nan
    response[2, 4] = complex(1, np.nan)
    theta = np.tile(THETA, (F, 1)) + np.arange(F)[:, None] / 10
    samples = make(
        response=response,
        theta=theta,
        port=[1, 2, 3, 4, 5],
        chi=np.arange(M) / 7,
        radius=1 + np.arange(M),
        response_unit="sqrt(W)",
    )
    for i, present in enumerate([[0, 1, 2, 3, 4], [1, 2, 4], [0, 1, 2, 3]]):
        one = samples.at_frequency(i)
        np.testing.assert_array_equal(one.response, RESPONSE[i : i + 1, present])
        np.testing.assert_array_equal(one.theta, theta[i, present])
        np.testing.assert_array_equal(one.phi, samples.phi[present])
        np.testing.assert_array_equal(one.chi, samples.chi[present])
        np.testing.assert_array_equal(one.radius, samples.radius[present])
        np.testing.assert_array_equal(one.port, samples.port[present])
        assert one.response_unit == "sqrt(W)"


def test_at_frequency_without_any_sample():
    response = RESPONSE.copy()
    response[1] = np.nan
    samples = make(response=response)
    assert samples.at_frequency(0).response.shape == (1, M)
    with pytest.raises(ValueError, match="there is no sample at 2 GHz: leave that frequency"):
        samples.at_frequency(1)


@pytest.mark.parametrize("limit", [-np.pi, np.pi, np.radians(-180.0), np.radians(180.0)])
def test_theta_reaches_both_poles(limit):
    assert make(theta=limit).theta[0] == limit


@pytest.mark.parametrize("unit", RESPONSE_UNITS)
def test_units(unit):
    assert make(response_unit=unit).response_unit == unit


BAD_THETA = THETA.copy()
BAD_THETA[3] = 3.2
BAD_RADIUS = np.array([1.0, 2, 0, 1, 1])
LARGE = RESPONSE.copy()
LARGE[1, 2] = complex(np.nan, -1e80)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"frequency": 1e9}, "frequency has 0 dimensions, expected 1"),
        ({"frequency": [0.0, 1e9, 2e9]}, "frequency is 0.0 Hz, expected positive values"),
        ({"frequency": [-1e9, 1e9, 2e9]}, "frequency is -1000000000.0 Hz, expected positive"),
        ({"frequency": [1e9, 2e9, 1e9]}, "frequency holds 1000000000 Hz twice: leave one out"),
        ({"frequency": [1e9, np.nan, 2e9]}, r"frequency is nan at index \(1\), expected finite"),
        ({"frequency": FREQUENCY * 1j}, "frequency must be real"),
        ({"response": RESPONSE[0]}, "response has 1 dimensions, expected 2"),
        ({"response": RESPONSE[:2]}, "response has 2 rows for 3 frequencies"),
        ({"response": RESPONSE[:, :0]}, "there is no sample: give at least one"),
        ({"frequency": [], "response": RESPONSE[:0]}, "there is no frequency: give at least one"),
        ({"response": RESPONSE + np.inf}, r"response is .*inf.* at index \(0, 0\), expected"),
        ({"response": RESPONSE * 1e200}, "response of sample . is .*e.200.*, expected at most 1e.70: check"),
        ({"response": LARGE}, "response of sample 3 is nan-1e.80j, expected at most 1e.70: check its unit"),
        ({"theta": THETA[:4]}, r"theta has shape \(4,\), expected \(M,\) = \(5,\) or \(F, M\) = "),
        ({"phi": np.zeros((2, M))}, r"phi has shape \(2, 5\), expected .* like the response"),
        ({"chi": np.zeros((M, F))}, r"chi has shape \(5, 3\), expected"),
        ({"radius": np.ones(F)}, r"radius has shape \(3,\), expected"),
        ({"port": np.ones((F, M))}, r"port has shape \(3, 5\), expected \(M,\) = \(5,\) like the"),
        ({"theta": [0, 1, np.nan, 1, 1]}, r"theta is nan at index \(2\)"),
        ({"phi": np.nan}, "phi is nan, expected finite"),
        ({"chi": [0, 1, np.inf, 1, 1]}, r"chi is inf at index \(2\)"),
        ({"radius": [1, 1, 1, 1, np.nan]}, r"radius is nan at index \(4\)"),
        ({"theta": THETA * 1j}, "theta must be real"),
        ({"theta": BAD_THETA}, "theta is 183.346 deg at sample 4, expected -180 to 180 deg"),
        ({"theta": np.stack([THETA, BAD_THETA, THETA])}, "theta is 183.346 deg at sample 4"),
        ({"theta": -3.2}, "theta is -183.346 deg at sample 1"),
        ({"theta": np.degrees(THETA)}, "theta is .* deg at sample"),
        ({"radius": BAD_RADIUS}, "radius is 0 m at sample 3, expected > 0"),
        ({"radius": np.stack([BAD_RADIUS + 1, BAD_RADIUS + 1, -BAD_RADIUS])}, "radius is -2 m at s"),
        ({"port": [1, 2, 0, 1, 1]}, "port is 0, ports are counted from 1"),
        ({"port": [1, 2, 1.5, 1, 1]}, "port must hold whole numbers"),
        ({"port": [1, 2, np.nan, 1, 1]}, "port must hold whole numbers"),
        # Not port 1 of a narrow integer.
        ({"port": [1, 2, 65537, 1, 1]}, "port is 65537, expected 1 to 32767"),
        ({"response_unit": "dBm"}, r"response_unit is 'dBm', expected one of \('V/m', 'sqrt\(W\)'"),
    ],
)
def test_bad_input_is_refused_with_one_line(changes, message):
    with pytest.raises(ValueError, match=message) as error:
        make(**changes)
    assert "\n" not in str(error.value)


def test_times_go_with_their_samples():
    assert make().time is None
    samples = make(time=np.arange(F * M).reshape(F, M))
    assert not samples.moving
    np.testing.assert_array_equal(samples.at_frequency(1).time, np.arange(M, 2 * M))
    which = np.arange(M) > 2
    np.testing.assert_array_equal(make(time=np.arange(M)).part([0, 2], which).time, [3, 4])
    with pytest.raises(ValueError, match=r"time has shape \(2,\), expected \(M,\) = \(5,\) or \(F, M\)"):
        make(time=[1, 2])
    with pytest.raises(ValueError, match=r"time is nan at index \(1\)"):
        make(time=[0, np.nan, 2, 3, 4])


def test_other_columns_alone_are_checked():
    samples = Samples([1e9], [0.1, 0.2], [0.0, 1.0], 0.0, 2.0, 1, [[1.0, 2.0]])
    other = samples.changed(theta=np.array([0.3, 0.4]), response=np.array([[np.nan, 3.0]]))
    np.testing.assert_array_equal(other.theta, [0.3, 0.4])
    assert not other.theta.flags.writeable
    assert other.any_missing
    assert not samples.any_missing
    assert other.phi is samples.phi
    np.testing.assert_array_equal(samples.theta, [0.1, 0.2])
    for column, value, message in (
        ("theta", np.array([0.1, 4.0]), r"theta is 229\.183 deg at sample 2"),
        ("theta", np.array([0.1]), r"theta has shape \(1,\), expected \(M,\) = \(2,\)"),
        ("radius", np.array([1.0, 0.0]), "radius is 0 m at sample 2"),
        ("response", np.array([[1.0, 2.0], [1.0, 2.0]]), "response has 2 rows for 1 frequencies"),
        ("phi", np.array([np.inf, 0.0]), "phi is inf"),
    ):
        with pytest.raises(ValueError, match=message):
            samples.changed(**{column: value})


def test_what_is_found_of_the_positions_is_kept():
    asked = []

    def widest(samples, power):
        asked.append(power)
        return float(samples.theta.max()) ** power

    samples = make()
    wanted = float(samples.theta.max())
    assert [samples.once(widest, x) for x in (1, 2, 1)] == [wanted, wanted**2, wanted]
    # Other responses at the same positions: the same. Other positions: anew.
    assert samples.changed(response=2 * samples.response).once(widest, 2) == wanted**2
    assert asked == [1, 2]
    assert samples.changed(theta=samples.theta / 2).once(widest, 1) == wanted / 2
    assert asked == [1, 2, 1]


def test_what_is_known_holds_though_the_array_given_is_changed():
    theta = THETA.copy()
    samples = make(theta=theta)
    assert samples.once(lambda x: x.theta.max()) == THETA.max()
    theta *= 0.5
    np.testing.assert_array_equal(samples.theta, THETA)
    # What cannot be changed is not copied.
    assert np.shares_memory(samples.theta, samples.part([0, 1]).theta)


def test_least_median_and_largest_radius():
    samples = make()
    count = samples.theta.size
    one = samples.changed(radius=np.full(count, 2.0))
    assert (one.nearest, one.middle, one.farthest) == (2, 2, 2)
    radius = np.linspace(1, 3, count)
    several = samples.changed(radius=radius)
    assert (several.nearest, several.middle, several.farthest) == (1, np.median(radius), 3)
