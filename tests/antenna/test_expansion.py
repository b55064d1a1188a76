"""A far field on a grid of directions becomes modes; the oracle's waves are the reference."""

import numpy as np
import oracle
import pytest

from nf2ff.antenna import rings
from nf2ff.antenna.closed_form import far_field_of
from nf2ff.antenna.dipoles import DipoleCluster, huygens_source
from nf2ff.antenna.expansion import (
    Expansion,
    expand_far_field,
    expand_ports,
    modes_from_far_field,
)
from nf2ff.antenna.far_field import FarField, far_field
from nf2ff.antenna.grids import ring_angles
from nf2ff.antenna.modes import SPEED_OF_LIGHT, Modes, mode_count, mode_index, mode_numbers
from nf2ff.messages.antenna import ExpansionCode

EPS = 2.0**-52
#: At this frequency the wavelength is one metre.
ONE_METRE = [SPEED_OF_LIGHT]
DEGREE = 8
#: Rounding of the oracle's recurrences and of sums over 160 modes, both some N EPS, through a fit
#: whose condition is below 3: a few hundred EPS. What is found is below 1e-14.
RTOL = 500 * EPS

#: Rings 15 deg apart: each rule, and three that belong to none, with and without poles.
RINGS = {
    **{
        rule: ring_angles(rule, 13)
        for rule in ("clenshaw-curtis", "fejer-1", "fejer-2", "north-pole", "south-pole")
    },
    "gauss-legendre": ring_angles("gauss-legendre", 13),
    "off both poles": np.radians(np.arange(5, 180, 15)),
    "one step off the south pole": np.radians(np.arange(0, 170, 15)),
    "uneven": np.radians([0, 13, 27, 41, 55, 68, 83, 97, 110, 125, 138, 152, 167, 180]),
}
PHI = 0.1 + 2 * np.pi * np.arange(20) / 20


def oracle_pattern(q, theta, phi):
    """E_theta, E_phi (T, P) by the oracle."""
    t, p = (x.ravel() for x in np.meshgrid(theta, phi, indexing="ij"))
    degree = round(np.sqrt(q.size / 2 + 1)) - 1
    e = oracle.far_field(q, degree, t, p)
    return e.T.reshape(2, theta.size, phi.size)


def make(theta, phi, e, reference="absolute", frequency=(1e9,)):
    """FarField of fields (F, 2, T, P)."""
    e = np.asarray(e).reshape(len(frequency), 2, len(theta), len(phi))
    power = np.zeros(len(frequency))
    return FarField(frequency, theta, phi, e[:, 0], e[:, 1], power, reference)


def error(found, q):
    """Largest deviation of coefficients, the shorter set extended by zeros, over the largest."""
    both = np.zeros((2, max(len(found), len(q))), dtype=complex)
    both[0, : len(found)], both[1, : len(q)] = found, q
    return np.abs(both[0] - both[1]).max() / np.abs(q).max()


# --- exactness ----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", RINGS)
def test_waves_of_the_oracle_are_found(name, random_q):
    q, theta = random_q(DEGREE), RINGS[name]
    found = expand_far_field(make(theta, PHI, oracle_pattern(q, theta, PHI)))
    assert found.modes.degree == DEGREE
    assert found.order == DEGREE
    assert error(found.modes.coefficients[0], q) < RTOL
    assert found.residual[0] < RTOL
    assert "-200 dB" in found.degree_reason
    assert (found.missing_fraction, found.missing_power[0], found.origin) == (0, 0, 0)
    assert found.warnings == ((),)


@pytest.mark.parametrize("name", RINGS)
def test_all_degrees_that_the_rings_determine(name, random_q):
    # Up to the limit itself, which the pattern fills: given, since it has not fallen off there.
    theta = RINGS[name]
    limit = rings.degree_limit(theta)
    assert (
        limit
        == {
            "clenshaw-curtis": 11,
            "fejer-2": 13,
            "fejer-1": 12,
            "north-pole": 12,
            "south-pole": 12,
            "gauss-legendre": 12,
            "off both poles": 12,
            "one step off the south pole": 11,
            "uneven": 12,
        }[name]
    )
    phi = 2 * np.pi * np.arange(2 * limit + 1) / (2 * limit + 1)
    q = random_q(limit)
    found = expand_far_field(make(theta, phi, oracle_pattern(q, theta, phi)), degree=limit)
    assert error(found.modes.coefficients[0], q) < RTOL
    assert found.degree_reason == "given"
    with pytest.raises(ValueError, match=rf"degree is {limit + 1}, but .* 1 to {limit}: measure"):
        expand_far_field(make(theta, phi, oracle_pattern(q, theta, phi)), degree=limit + 1)


def test_the_fit_is_the_quadrature_where_both_apply(random_q):
    # The slow twin: least squares on rings for which there is an exact rule.
    theta, q = RINGS["fejer-1"], random_q(DEGREE)
    arranged = rings.arrange(theta, PHI, oracle_pattern(q, theta, PHI)[None])
    exact = rings.analyse(arranged, degree=DEGREE, order=DEGREE)
    m = np.arange(-DEGREE, DEGREE + 1)
    orders = np.einsum("bctp,mp->bctm", arranged.field, np.exp(-1j * np.outer(m, PHI)) / PHI.size)
    fitted = rings._fit(orders, theta, DEGREE)
    for one, other in zip(exact, fitted, strict=True):
        np.testing.assert_allclose(one, other, atol=RTOL * np.abs(one).max())


def test_a_large_step_limits_the_degree(random_q):
    # Rings 10 deg apart, two left out: a step of 30 deg, 180/30 = 6, though there are 16 rings.
    theta = np.radians([x for x in range(5, 180, 10) if x not in (45, 55)])
    assert rings.degree_limit(theta) == 6
    q = random_q(6)
    found = expand_far_field(make(theta, PHI, oracle_pattern(q, theta, PHI)), degree=6)
    assert error(found.modes.coefficients[0], q) < RTOL


def test_the_fit_weighs_rings_by_their_area(rng):
    # What the waves cannot follow is orthogonal to all of them in the sense of the areas: the
    # normal equations, by the oracle's waves.
    theta = RINGS["uneven"]
    limit = rings.degree_limit(theta)
    phi = 2 * np.pi * np.arange(2 * limit + 1) / (2 * limit + 1)
    e = rng.normal(size=(2, theta.size, phi.size)) + 0j
    found = expand_far_field(make(theta, phi, e), degree=limit)
    t, p = (x.ravel() for x in np.meshgrid(theta, phi, indexing="ij"))
    k = oracle.far_waves(limit, t, p)
    again = oracle.far_field(found.modes.coefficients[0], limit, t, p)
    edges = np.concatenate([[0], (theta[1:] + theta[:-1]) / 2, [np.pi]])
    area = np.repeat(np.diff(-np.cos(edges)), phi.size)
    left = np.moveaxis(e, 0, -1).reshape(-1, 2) - again
    weighted = np.einsum("m,mc,mjc->j", area, left, k.conj())
    # Against the same sum of magnitudes.
    size = np.einsum("m,mc,mjc->j", area, np.abs(left), np.abs(k))
    assert np.all(np.abs(weighted) < RTOL * size.max())
    assert found.residual[0] > 0.1


def test_inverse_of_far_field_at_every_frequency_and_port(random_q):
    q = np.array([[random_q(d) for _ in range(3)] for d in (5, 5)])  # (F, L, J)
    theta, phi = RINGS["clenshaw-curtis"], PHI
    ports = [far_field(Modes([1e9, 2e9], q[:, i]), theta=theta, phi=phi) for i in range(3)]
    found = expand_ports(
        frequency=[1e9, 2e9],
        theta=theta,
        phi=phi,
        e_theta=np.stack([f.e_theta for f in ports], axis=1),
        e_phi=np.stack([f.e_phi for f in ports], axis=1),
        input_power=None,
    )
    assert len(found) == 3
    for i, expansion in enumerate(found):
        assert expansion.modes.frequency.tolist() == [1e9, 2e9]
        assert expansion.residual.shape == (2,)
        for f in range(2):
            assert error(expansion.modes.coefficients[f], q[f, i]) < RTOL
        assert len(expansion.warnings) == 2
    again = modes_from_far_field(ports[1])
    np.testing.assert_array_equal(again.coefficients, found[1].modes.coefficients)
    assert modes_from_far_field(ports[1], degree=3).degree == 3


def test_ports_share_a_degree():
    # Port 1 ends at degree 1, port 2 at degree 4.
    q = np.zeros((1, 2, mode_count(4)), dtype=complex)
    q[0, 0, 0] = q[0, 1, mode_index(s=2, m=1, n=4)] = 1
    theta = RINGS["fejer-1"]
    e = [far_field(Modes([1e9], q[:, i]), theta=theta, phi=PHI) for i in range(2)]
    found = expand_ports(
        frequency=[1e9],
        theta=theta,
        phi=PHI,
        e_theta=np.stack([x.e_theta for x in e], axis=1),
        e_phi=np.stack([x.e_phi for x in e], axis=1),
    )
    assert [x.modes.degree for x in found] == [4, 4]


def test_relative_patterns_stay_relative_and_levels_stay(random_q):
    q = random_q(3)
    theta = RINGS["clenshaw-curtis"]
    e = oracle_pattern(q, theta, PHI)
    for reference in ("relative", "absolute"):
        found = expand_far_field(make(theta, PHI, 2 * e, reference))
        assert found.modes.reference == reference
        # Twice the field is four times the power, 1/2 sum |Q|^2.
        power = 2 * np.sum(np.abs(q) ** 2)
        np.testing.assert_allclose(found.modes.radiated_power(), [power], rtol=RTOL)


# --- arrangement --------------------------------------------------------------------------------


def test_order_of_angles_and_the_closing_azimuth_do_not_matter(random_q, rng):
    q, theta = random_q(4), RINGS["off both poles"]
    # 0 and 360 deg, and -18 deg for 342.
    phi = np.concatenate([[-np.pi / 10], 2 * np.pi * np.arange(19) / 20, [2 * np.pi]])
    phi[1] = -1e-17  # a zero that the remainder by 2 pi takes to 2 pi
    e = oracle_pattern(q, theta, phi)
    # What drifted between the two: the mean is taken.
    e[:, :, 1] += 0.25
    e[:, :, -1] -= 0.25
    rows, columns = rng.permutation(theta.size), rng.permutation(phi.size)
    shuffled = make(theta[rows], phi[columns], e[:, rows][:, :, columns])
    assert error(expand_far_field(shuffled).modes.coefficients[0], q) < RTOL


def test_angles_written_in_degrees(random_q):
    # Seven decimals of a degree are within the tolerance of the grid, 1e-7 rad; what they cost is
    # N times their rounding, 8 x 1e-9 rad.
    q = random_q(DEGREE)
    theta = np.radians(np.round(np.degrees(RINGS["north-pole"]), 7))
    phi = np.radians(np.arange(0, 360, 15))
    found = expand_far_field(make(theta, phi, oracle_pattern(q, theta, phi)), degree=DEGREE)
    assert error(found.modes.coefficients[0], q) < DEGREE * 1e-8


@pytest.mark.parametrize(
    ("theta_deg", "phi_deg", "message"),
    [
        ([0, 60, 60, 120, 180], None, "theta 60 deg occurs twice: keep one"),
        ([90], None, "theta has 1 values: a pattern needs rings from pole to pole"),
        (None, range(0, 181, 10), r"steps of 10 to 180 deg, the largest from 180 deg on.*measure"),
        (None, [0, 90, 180], r"steps of 90 to 180 deg, the largest from 180"),
        (None, [0, 80, 180, 270], r"steps of 80 to 100 deg, the largest from 80 deg on"),
        (None, [0, 180], r"in phi do not determine even degree 1: measure in finer steps"),
        ([0, 180], None, r"steps of 180 deg in theta .* do not determine even degree 1"),
        (None, [45], r"do not determine even degree 1"),
    ],
)
def test_angles_that_make_no_grid(theta_deg, phi_deg, message):
    theta = np.radians(range(0, 181, 15) if theta_deg is None else theta_deg)
    phi = np.radians(range(0, 360, 15) if phi_deg is None else list(phi_deg))
    with pytest.raises(ValueError, match=message):
        expand_far_field(make(theta, phi, np.ones((2, theta.size, phi.size))))


def test_negative_theta_is_refused():
    one = np.ones((1, 1, 3, 4))
    with pytest.raises(ValueError, match=r"theta is -60 deg, expected 0 to 180: write .* phi \+ 180"):
        expand_ports(
            frequency=[1e9],
            theta=np.radians([-60, 0, 60]),
            phi=np.radians([0, 90, 180, 270]),
            e_theta=one,
            e_phi=one,
        )


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"e_phi": np.ones((1, 1, 3, 5))}, r"e_phi has shape \(1, 1, 3, 5\), expected \(F, L, T"),
        ({"e_theta": np.ones((1, 3, 4))}, "e_theta has 3 dimensions, expected 4"),
        (
            {"e_theta": np.ones((1, 0, 3, 4)), "e_phi": np.ones((1, 0, 3, 4))},
            r"e_theta has shape \(1, 0, 3, 4\), expected \(F, L, T, P\) = \(1, 1, 3, 4\)",
        ),
        ({"frequency": [1e9, 2e9]}, r"e_theta has shape .* = \(2, 1, 3, 4\)"),
        ({"missing": "ignore"}, "missing is 'ignore', expected 'refuse' or 'zero'"),
        ({"e_theta": np.full((1, 1, 3, 4), np.nan)}, "e_theta is .*nan.* at index"),
        (
            {"e_theta": np.zeros((1, 1, 3, 4)), "e_phi": np.zeros((1, 1, 3, 4))},
            "pattern of port 1 is zero at 1 GHz: leave that frequency or port out",
        ),
    ],
)
def test_bad_arguments(changes, message):
    arguments = {
        "frequency": [1e9],
        "theta": [0, np.pi / 2, np.pi],
        "phi": np.pi / 2 * np.arange(4),
        "e_theta": np.ones((1, 1, 3, 4)),
        "e_phi": np.ones((1, 1, 3, 4)),
    }
    with pytest.raises(ValueError, match=message):
        expand_ports(**{**arguments, **changes})


def test_which_port_is_zero():
    for f, port in ((1, 0), (0, 1)):
        e = np.ones((2, 2, 3, 4))
        e[f, port] = 0
        with pytest.raises(ValueError, match=f"port {port + 1} is zero at {f + 1} GHz"):
            expand_ports(
                frequency=[1e9, 2e9],
                theta=[0, np.pi / 2, np.pi],
                phi=np.pi / 2 * np.arange(4),
                e_theta=e,
                e_phi=e,
            )


def test_account_has_one_value_a_frequency(random_q):
    modes = Modes([1e9], random_q(1)[None])
    with pytest.raises(ValueError, match="residual has 2 values, expected 1, one for each frequency"):
        Expansion(modes, [0, 0], [0], "given", 1, 0.0, 0.0, [0], ((),))


# --- degree and order ---------------------------------------------------------------------------


def test_residual_is_the_power_left_out():
    # Orthogonality: what degrees 6 to 8 radiate is missing from a fit to degree 5, closed form.
    rng = np.random.default_rng(3)
    q = rng.normal(size=mode_count(8))
    n = mode_numbers(8)[2]
    theta, phi = np.radians(np.arange(1, 180, 2)), np.radians(np.arange(0, 360, 10))
    for size in (0.005, 0.1):
        part = np.where(n > 5, size, 1) * q
        found = expand_far_field(make(theta, phi, oracle_pattern(part, theta, phi)), degree=5)
        left = np.sqrt(np.sum(part[n > 5] ** 2) / np.sum(part**2))
        # Rings half way to their neighbours weigh with an error of (N h)^2 / 6, N = 8, h = 2 deg.
        np.testing.assert_allclose(found.residual, [left], rtol=0.013)
        assert error(found.modes.coefficients[0], part[n <= 5]) < RTOL
        told = found.warnings[0]
        # Above -40 dB it is told.
        assert len(told) == (left > 0.01)
        for sentence in told:
            level = 20 * np.log10(found.residual[0])
            assert sentence.startswith(f"degree 5 leaves {level:.1f} dB of the pattern: noise, ")
            assert sentence.code is ExpansionCode.RESIDUAL
            assert sentence.figures == {"degree": 5, "residual_db": pytest.approx(level)}


def test_degree_above_a_floor_of_noise(rng):
    # Degree 6 and noise 60 dB below its rms: no more than two degrees above are kept.
    q = rng.normal(size=mode_count(6)) + 0j
    theta, phi = np.radians(np.arange(2.5, 180, 5)), np.radians(np.arange(0, 360, 5))
    # |E|^2 = 2 Z0 U, whose mean over the sphere is 2 Z0 P / 4 pi, P = 1/2 sum |Q|^2.
    rms = np.sqrt(oracle.Z0 / (4 * np.pi)) * np.linalg.norm(q)
    noise = rng.normal(size=(4, theta.size, phi.size)) * 1e-3 * rms / 2
    e = oracle_pattern(q, theta, phi) + noise[:2] + 1j * noise[2:]
    found = expand_far_field(make(theta, phi, e))
    assert 6 <= found.modes.degree <= 8
    assert "floor of noise" in found.degree_reason
    # M directions with noise 1e-3 rms in two components: variance of a coefficient 1e-6 |q|^2 / 2M,
    # times pi^2/8 for directions that crowd at the poles. That one of 96 magnitudes exceeds 4
    # deviations has a chance of 96 exp(-16).
    deviation = 1e-3 * np.linalg.norm(q) * np.sqrt(np.pi**2 / 8 / (2 * theta.size * phi.size))
    worst = np.abs(found.modes.coefficients[0, : q.size] - q).max()
    assert 0.5 * deviation < worst < 4 * deviation
    # The residual is the noise, less 80 of 2592 parts that the coefficients take up, and uncertain
    # by 1/sqrt(2 x 5184 x 8/pi^2).
    np.testing.assert_allclose(found.residual, 1e-3, rtol=0.016 + 4 * 0.011)


def test_a_weak_degree_stands_out_of_the_noise_by_its_coefficients(rng):
    # Degree 3 with ten times the power of the noise in each of its coefficients, but less in all
    # than the noise of degree 30 has in its many.
    theta, phi = np.radians(np.arange(2.5, 180, 5)), np.radians(np.arange(0, 360, 5))
    noise = rng.normal(size=(4, theta.size, phi.size)) / 2
    # As above: power of noise in a coefficient, in units of |E|^2 = Z0/(4 pi) |Q|^2.
    power = np.pi**2 / 8 / (2 * theta.size * phi.size) / (oracle.Z0 / (4 * np.pi))
    q = np.sqrt(10 * power) * np.exp(1j * rng.uniform(0, 6, mode_count(3)))
    q[:6] *= 100
    e = oracle_pattern(q, theta, phi) + noise[:2] + 1j * noise[2:]
    found = expand_far_field(make(theta, phi, e))
    assert "floor of noise" in found.degree_reason
    assert found.modes.degree == 3 + 2


def test_a_step_is_no_floor_of_noise():
    # Constant in front, nothing behind: degrees fall as a power, and all are kept.
    theta, phi = np.radians(np.arange(0, 181, 5)), np.radians(np.arange(0, 360, 30))
    front = np.where(theta < 1.6, 1.0, 0.0)[:, None]
    e = np.array([front * np.cos(phi), -front * np.sin(phi)])
    found = expand_far_field(make(theta, phi, e))
    assert found.modes.degree == 35
    assert found.degree_reason == "steps in theta"
    assert any("has not fallen off where the steps in theta end" in w for w in found.warnings[0])
    assert ExpansionCode.TAIL in [w.code for w in found.warnings[0]]


def test_too_coarse_steps_are_refused(random_q):
    q = random_q(20)
    theta, phi = np.radians(np.arange(0, 181, 15)), np.radians(np.arange(0, 360, 5))
    far = make(theta, phi, oracle_pattern(q, theta, phi))
    with pytest.raises(
        ValueError,
        match=r"steps of 15 deg in theta and 5 deg in phi are too coarse for this pattern: at 1 "
        r"GHz degree 11, the largest they determine, still has -\d.* dB of the power; measure "
        r"in finer steps, or give the degree to accept the error",
    ):
        expand_far_field(far)
    told = expand_far_field(far, degree=11).warnings[0]
    assert any("has not fallen off" in w for w in told)


def test_few_azimuths_suffice_for_few_orders():
    # Order +-1 alone, degree 9: from eight azimuths, which determine orders to 3, without being
    # asked; from four only if asserted.
    q = np.zeros(mode_count(9), dtype=complex)
    rng = np.random.default_rng(5)
    q[np.abs(mode_numbers(9)[1]) == 1] = rng.normal(size=36)
    theta = RINGS["gauss-legendre"]
    for count, order in ((8, None), (4, 1), (8, 2)):
        phi = 0.3 + 2 * np.pi * np.arange(count) / count
        far = make(theta, phi, oracle_pattern(q, theta, phi))
        found = expand_far_field(far, order=order)
        assert found.modes.degree == 9
        assert found.order == (order or 3)
        others = np.abs(mode_numbers(9)[1]) > found.order
        assert not found.modes.coefficients[:, others].any()
        assert error(found.modes.coefficients[0], q) < RTOL
    phi = np.pi / 2 * np.arange(4)
    far = make(theta, phi, oracle_pattern(q, theta, phi))
    with pytest.raises(
        ValueError,
        match=r"in theta and 90 deg in phi are too coarse .* order 1, the largest they determine, "
        r"still has 0.0 dB of the power; measure in finer steps, or give the order",
    ):
        expand_far_field(far)
    with pytest.raises(ValueError, match=r"order is 2, but steps of .* determine 1 to 1: measure"):
        expand_far_field(far, order=2)
    with pytest.raises(ValueError, match=r"order is 0, but"):
        expand_far_field(far, order=0)
    told = expand_far_field(far, order=1).warnings[0]
    assert told == ("azimuthal order 1, the largest taken, has 0.0 dB of the power: use finer steps in phi",)


# --- a part of the sphere ------------------------------------------------------------------------


def test_missing_part_is_named():
    phi = np.radians(np.arange(0, 360, 30))
    for degrees, message in (
        (range(0, 91, 10), r"lacks theta 90 to 180 deg \(50 % of the sphere\): measure that part, or"),
        (range(0, 151, 10), r"lacks theta 150 to 180 deg \(6.7 % of the sphere\).*missing='zero'"),
        (range(5, 166, 10), r"lacks theta 165 to 180 deg \(1.7 % of the sphere\)"),
        (range(30, 181, 10), r"lacks theta 0 to 30 deg \(6.7 % of the sphere\)"),
        (range(60, 121, 10), r"0 to 60 deg and 120 to 180 deg \(50 % of the sphere\)"),
    ):
        theta = np.radians(list(degrees))
        with pytest.raises(ValueError, match=message):
            expand_far_field(make(theta, phi, np.ones((2, theta.size, phi.size))))


@pytest.mark.parametrize(
    ("degrees", "added"),
    [
        (range(0, 91, 5), (0, 18)),
        (range(0, 121, 4), (0, 15)),
        (np.arange(2.5, 120, 5), (0, 12)),
        (range(0, 116, 7), (0, 9)),
        (range(60, 181, 5), (12, 0)),
        (range(45, 136, 5), (9, 9)),
    ],
)
def test_missing_part_as_zero(degrees, added):
    # Intensity 1 in every direction measured, so that the edge's intensity is that of all.
    theta, phi = np.radians(list(degrees)), np.radians(np.arange(0, 360, 30))
    e = np.broadcast_to(np.array([np.cos(phi), -np.sin(phi)])[:, None], (2, theta.size, phi.size))
    arranged, count = rings.complete(rings.arrange(theta, phi, e[None] + 0j), zero=True)
    assert count == added
    steps = np.diff(arranged.theta)
    np.testing.assert_allclose(steps, steps[0], rtol=1e-12)
    assert max(arranged.theta[0], np.pi - arranged.theta[-1]) <= steps[0] * (1 + 1e-9)
    found = expand_far_field(make(theta, phi, e), missing="zero")
    # Between the last ring and the first of zero lies the edge, in the middle.
    half = steps[0] / 2
    low = np.cos(theta[0] - half) if added[0] else 1
    high = np.cos(theta[-1] + half) if added[1] else -1
    seen = (low - high) / 2
    np.testing.assert_allclose(found.missing_fraction, 1 - seen, rtol=1e-12)
    np.testing.assert_allclose(found.missing_power, (1 - seen) / seen, rtol=1e-12)
    level = 10 * np.log10((1 - seen) / seen)
    assert any(f"would hold about {level:.1f} dB of the power at" in w for w in found.warnings[0])


def test_half_a_pattern_against_an_integral():
    # cos(theta)^3 in front, nothing behind, measured in front only. Its waves are integrals over
    # the front, here by Gauss-Legendre quadrature of a polynomial, exact, with the oracle's waves.
    degree = 20
    x, weight = np.polynomial.legendre.leggauss(40)
    t = np.arccos((x + 1) / 2)
    phi = np.pi / 2 * np.arange(4)
    tt, pp = (v.ravel() for v in np.meshgrid(t, phi, indexing="ij"))
    k = oracle.far_waves(degree, tt, pp)
    e = np.cos(tt)[:, None] ** 3 * np.stack([np.cos(pp), -np.sin(pp)], -1)
    solid = np.repeat(weight / 2, 4) * np.pi / 2
    q = np.einsum("m,mc,mjc->j", solid, e, k.conj()) / np.sqrt(4 * np.pi * oracle.Z0)
    q[np.abs(mode_numbers(degree)[1]) != 1] = 0
    theta, phi = np.radians(np.arange(0, 91, 2)), np.radians(np.arange(0, 360, 30))
    front = np.cos(theta)[:, None] ** 3
    far = make(theta, phi, [front * np.cos(phi), -front * np.sin(phi)])
    found = expand_far_field(far, missing="zero", degree=degree)
    # The third derivative jumps: the quadrature in steps of 2 deg errs by about (h/pi)^4 ~ 1.5e-8
    # times its size, 6, relative to coefficients of order one.
    assert error(found.modes.coefficients[0], q) < 1e-6
    assert found.missing_power[0] < 1e-30
    assert found.warnings == ((),)
    # Without a degree: all that 90 steps of 2 deg determine, with both poles.
    found = expand_far_field(far, missing="zero")
    assert (found.modes.degree, found.degree_reason) == (89, "steps in theta")


def test_no_floor_of_noise_is_seen_behind_an_edge():
    # An edge at 57.5 deg beats with rings of 5 deg: the upper half of the degrees looks flat.
    theta, phi = np.radians(np.arange(0, 56, 5)), np.radians(np.arange(0, 360, 30))
    e = np.broadcast_to(np.array([np.cos(phi), -np.sin(phi)])[:, None], (2, theta.size, phi.size))
    found = expand_far_field(make(theta, phi, e), missing="zero")
    assert (found.modes.degree, found.degree_reason) == (35, "steps in theta")


# --- the reference of phases ---------------------------------------------------------------------


def offset_dipole(distance):
    return DipoleCluster([[0, 0, distance]], [[1, 0, 0]])


def grid_far_field(antenna, theta, phi):
    t, p = (x.ravel() for x in np.meshgrid(theta, phi, indexing="ij"))
    e = far_field_of(antenna, frequency=ONE_METRE, theta=t, phi=p)
    return make(theta, phi, np.array(e)[:, 0], frequency=ONE_METRE)


def test_each_port_and_frequency_has_its_own_phase():
    theta, f = RINGS["fejer-1"], SPEED_OF_LIGHT * np.array([0.5, 1.0])
    t, p = (x.ravel() for x in np.meshgrid(theta, PHI, indexing="ij"))
    dipoles = [DipoleCluster([[0, 0, 0.6]], [moment]) for moment in ([1, 0, 0], [0, 2, 0])]
    e = np.array([far_field_of(d, frequency=f, theta=t, phi=p) for d in dipoles])
    e = e.transpose(1, 2, 0, 3).reshape(2, 2, 2, theta.size, PHI.size)
    found = expand_ports(
        frequency=f, theta=theta, phi=PHI, e_theta=e[0], e_phi=e[1], origin=0.6, input_power=None
    )
    assert [x.modes.degree for x in found] == [1, 1]
    for x, moment in zip(found, (1, 2), strict=True):
        # k^2 Z0 |p|^2 / (12 pi), closed form.
        power = (2 * np.pi * f / SPEED_OF_LIGHT * moment) ** 2 * oracle.Z0 / (12 * np.pi)
        np.testing.assert_allclose(x.modes.radiated_power(), power, rtol=RTOL)


def test_expanding_about_the_phase_centre_needs_fewer_degrees():
    theta, phi = np.radians(np.arange(0, 181, 6)), np.radians(np.arange(0, 360, 15))
    far = grid_far_field(offset_dipole(0.8), theta, phi)
    about_zero = expand_far_field(far)
    about_it = expand_far_field(far, origin=0.8)
    wrong_way = expand_far_field(far, origin=-0.8, degree=28)
    assert about_it.origin == 0.8
    assert about_it.modes.degree == 1
    # k r0 = 5 takes more than ten degrees to -200 dB.
    assert about_zero.modes.degree > 12
    assert wrong_way.modes.power_spectrum()[0, 7:].sum() > 0.1 * wrong_way.modes.radiated_power()[0]
    # Check values, section 1: x-dipole Q_{2,-+1,1} = -+ q/sqrt(2), q of its power k^2 Z0/(12 pi).
    q = np.zeros(6, dtype=complex)
    q[mode_index(s=2, m=-1, n=1)], q[mode_index(s=2, m=1, n=1)] = -1, 1
    power = (2 * np.pi) ** 2 * oracle.Z0 / (12 * np.pi)
    np.testing.assert_allclose(about_it.modes.radiated_power(), [power], rtol=RTOL)
    np.testing.assert_allclose(about_zero.modes.radiated_power(), [power], rtol=RTOL)
    assert error(about_it.modes.coefficients[0], q * np.sqrt(power)) < RTOL


# --- level ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("power", "said"), [(0.8, False), (1.0, False), (1.25, True)])
def test_more_power_than_went_in_is_told(power, said):
    source = huygens_source(direction=[0, 0, 1], polarisation=[1, 0, 0])
    theta, phi = RINGS["fejer-1"], PHI
    far = grid_far_field(source, theta, phi)
    # A Huygens source radiates twice what its dipole does alone.
    scale = np.sqrt(power / (2 * (2 * np.pi) ** 2 * oracle.Z0 / (12 * np.pi)))
    e = scale * np.stack([far.e_theta, far.e_phi], axis=1)
    for reference, given, tell in (
        ("absolute", 1.0, said),
        ("absolute", None, False),
        ("relative", 1.0, False),
        ("absolute", 2.0, False),
    ):
        found = expand_far_field(make(theta, phi, e, reference, ONE_METRE), input_power=given)
        np.testing.assert_allclose(found.modes.radiated_power(), [power], rtol=RTOL)
        if tell:
            assert found.warnings[0] == (
                "the pattern radiates 1.25 W for 1 W into the port: its level is too high by "
                "0.969 dB at least, check its calibration",
            )
        else:
            assert found.warnings == ((),)
    told = expand_ports(frequency=ONE_METRE, theta=theta, phi=phi, e_theta=e[:, :1], e_phi=e[:, 1:])[
        0
    ].warnings
    assert bool(told[0]) == said
    assert all(w.code is ExpansionCode.POWER for w in told[0])
