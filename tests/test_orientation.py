"""Turned antennas and joined scans, against antennas whose dipoles were turned as vectors."""

from dataclasses import replace

import numpy as np
import pytest
from sources import EPS, ONE_METRE, random_cluster, random_directions

from nf2ff.antennas import DipoleCluster, array_of, huygens_source
from nf2ff.beam import peak
from nf2ff.farfield import far_field
from nf2ff.geometry import plan_geometry
from nf2ff.grid import gauss_legendre_grid
from nf2ff.modes import SPEED_OF_LIGHT, Modes, mode_count, mode_index, required_degree
from nf2ff.operator import TransmissionOperator
from nf2ff.orientation import (
    Drift,
    average_modes,
    device_frame,
    merge_samples,
    rotate,
    scan_drift,
)
from nf2ff.points import equal_area_spiral
from nf2ff.probe import Probe, field_probe
from nf2ff.rotation import axis_rotation, rotation_matrix
from nf2ff.samples import Samples
from nf2ff.simulate import far_field_of, simulate, simulate_grid
from nf2ff.solve import Direct, LeastSquares, Quadrature, solve
from nf2ff.waves import far_field_points

ANGLES = [(0.4, 1.2, -2.0), (3.0, -0.3, 0.1), (0.0, np.pi, 0.0), (0.9, 0.0, 0.0), (0.0, 0.0, -2.2)]
#: Turned over about a slanted axis, as a device laid on its other side.
OVER = axis_rotation([1.0, 0.1, 0.0], angle=np.pi)


def named(abc):
    return dict(zip(("alpha", "beta", "gamma"), abc, strict=True))


def turned(cluster, rotation):
    """The cluster with its positions and moments turned as vectors."""
    return DipoleCluster(*(x @ rotation.T for x in (cluster.position, cluster.electric)),
                         cluster.magnetic @ rotation.T)  # fmt: skip


def modes_of(antenna, degree, frequency=ONE_METRE):
    samples = simulate_grid(
        antenna, frequency=frequency, grid=gauss_legendre_grid(degree + 1, 2 * degree + 1),
        radius=5.0,
    )  # fmt: skip
    return solve(samples, field_probe(), degree=degree).modes


def relative_error(found, expected):
    return np.abs(np.array(found) - np.array(expected)).max() / np.abs(expected).max()


# --- modes ---------------------------------------------------------------------------------


@pytest.mark.parametrize("abc", ANGLES)
def test_far_field_of_turned_dipoles(abc):
    # Dipoles within half a wavelength of the origin leave 1e-13 of their field above degree 20. The
    # transforms of solution and far field are asked for 1e-12 and give a tenth of it.
    cluster = random_cluster(size=0.5)
    assert required_degree(np.pi, tail_db=-260) <= 20
    frequency = SPEED_OF_LIGHT * np.array([1.0, 0.8])
    there = rotate(modes_of(cluster, 20, frequency), **named(abc))
    theta, phi = random_directions(200)
    expected = far_field_of(
        turned(cluster, rotation_matrix(**named(abc))), frequency=frequency, theta=theta, phi=phi
    )
    assert relative_error(far_field_points(there, theta=theta, phi=phi), expected) < 1e-12


def test_turned_there_and_back_all_else_kept(random_q):
    q = [random_q(50), random_q(50)]
    modes = Modes([1e9, 2e9], q, "relative")
    there = rotate(modes, alpha=0.4, beta=1.2, gamma=-2.0)
    back = rotate(there, alpha=2.0, beta=-1.2, gamma=-0.4)
    assert there.reference == back.reference == "relative"
    np.testing.assert_array_equal(there.frequency, modes.frequency)
    # 2 N eps of the norm for each rotation, see test_rotation.py.
    norm = np.linalg.norm(modes.coefficients, axis=1)
    error = np.linalg.norm(back.coefficients - modes.coefficients, axis=1)
    assert np.all(error < 4 * 50 * EPS * norm)
    assert np.all(np.linalg.norm(there.coefficients - modes.coefficients, axis=1) > norm)
    spectrum = modes.power_spectrum()
    np.testing.assert_allclose(there.power_spectrum(), spectrum, rtol=4 * 2 * 50 * EPS)
    # s = 1 and s = 2 stay apart.
    only = modes.coefficients.copy()
    only[:, 1::2] = 0
    assert not rotate(Modes([1e9, 2e9], only), **named(ANGLES[0])).coefficients[:, 1::2].any()


@pytest.mark.parametrize("abc", ANGLES)
def test_peak_and_polarisation_move_along(abc):
    # A broadside array towards a slanted direction, polarised at a slant.
    out, side = np.array([0.36, 0.48, 0.8]), np.array([0.8, -0.6, 0.0])
    up = np.cross(out, side)
    steps = np.arange(-2, 3) / 2
    place = (steps[:, None, None] * side + steps[None, :, None] * up).reshape(-1, 3)
    element = huygens_source(direction=out, polarisation=side + 0.5j * up)
    modes = modes_of(array_of(element, positions=place), 20)
    there = rotate(modes, **named(abc))
    before, after = peak(modes), peak(there)
    matrix = rotation_matrix(**named(abc))

    def vector(p):
        theta, phi = p.theta[0], p.phi[0]
        sine = np.sin(theta)
        return np.array([sine * np.cos(phi), sine * np.sin(phi), np.cos(theta)])

    # 1e-4 deg are what `peak` promises of both.
    np.testing.assert_allclose(vector(before), out, atol=np.radians(1e-4))
    np.testing.assert_allclose(vector(after), matrix @ out, atol=2 * np.radians(1e-4))
    assert after.directivity[0] == pytest.approx(before.directivity[0], rel=1e-9)
    # The field vector there, in Cartesian components, is the turned one. Off the peak by 1e-4 deg
    # it differs by the phase across the array, k 1.4 m 1.7e-6 = 1.5e-5; the peak itself is known.
    theta, phi = np.arctan2(np.hypot(*(matrix @ out)[:2]), (matrix @ out)[2]), 0.0
    phi = np.arctan2((matrix @ out)[1], (matrix @ out)[0])
    e = far_field(there, theta=[theta], phi=[phi])
    along = [np.cos(theta) * np.cos(phi), np.cos(theta) * np.sin(phi), -np.sin(theta)]
    across = [-np.sin(phi), np.cos(phi), 0.0]
    field = e.e_theta[0, 0, 0] * np.array(along) + e.e_phi[0, 0, 0] * np.array(across)
    expected = matrix @ (side + 0.5j * up)
    assert abs(np.vdot(expected, field)) == pytest.approx(
        np.linalg.norm(expected) * np.linalg.norm(field), rel=1e-9
    )
    # Equal up to a phase that a dipole's far field -jk Z0/(4 pi) gives it: -j.
    np.testing.assert_allclose(
        field / np.linalg.norm(field), -1j * expected / np.linalg.norm(expected), atol=1e-9
    )


def test_average_of_modes(random_q):
    one, other = Modes([1e9], [random_q(3)]), Modes([1e9], [random_q(5)])
    low = np.zeros((1, mode_count(5)), dtype=complex)
    low[:, : mode_count(3)] = one.coefficients
    mean = average_modes([one, other])
    np.testing.assert_allclose(mean.coefficients, (low + other.coefficients) / 2, rtol=4 * EPS)
    mean = average_modes([one, other], weights=[3, 1])
    np.testing.assert_allclose(mean.coefficients, (3 * low + other.coefficients) / 4, rtol=4 * EPS)
    assert mean.reference == "absolute"
    assert average_modes([one, Modes([1e9], low, "relative")]).reference == "relative"
    # The sum of weights does not matter.
    assert average_modes([one], weights=[0.3]).coefficients == pytest.approx(one.coefficients)


def test_averages_that_are_refused(random_q):
    one = Modes([1e9], [random_q(3)])
    with pytest.raises(ValueError, match="no modes to average"):
        average_modes([])
    for weights in ([1.0], [1.0, -1.0], [0.0, 0.0]):
        with pytest.raises(ValueError, match=r"weights are .* for 2 results: one each, none neg"):
            average_modes([one, one], weights=weights)
    with pytest.raises(ValueError, match=r"frequency 1 is 1 GHz in the first, 1\.1 GHz in"):
        average_modes([one, Modes([1.1e9], one.coefficients)])
    with pytest.raises(ValueError, match="first has 1 frequencies, the other 2: keep those that"):
        average_modes([one, Modes([1e9, 2e9], np.tile(one.coefficients, (2, 1)))])


# --- samples -------------------------------------------------------------------------------


def awkward_positions(rotation):
    """Theta, phi, chi, radius: random, poles, beyond the pole, and what the rotation takes there.

    A position at R z is a pole of the device, one next to it is nearly that.
    """
    rng = np.random.default_rng(5)
    theta, phi = random_directions(300)
    theta[:100] *= -1
    theta[100:106] = [0, np.pi, -np.pi, 0, 1e-9, np.pi - 1e-9]
    pole = rotation[:, 2]
    at = np.arctan2(np.hypot(*pole[:2]), pole[2]), np.arctan2(pole[1], pole[0])
    theta[106:110] = [at[0], np.pi - at[0], at[0] + 1e-9, -at[0]]
    phi[106:110] = [at[1], at[1] + np.pi, at[1], at[1] + np.pi]
    theta = np.clip(theta, -np.pi, np.pi)
    return theta, phi, rng.uniform(-4, 4, 300), rng.uniform(2.0, 3.0, 300)


@pytest.mark.parametrize("abc", ANGLES)
def test_device_frame_is_where_the_probe_stood(abc):
    cluster, rotation = random_cluster(), rotation_matrix(**named(abc))
    theta, phi, chi, radius = awkward_positions(rotation)
    place = {"theta": theta, "phi": phi, "chi": chi, "radius": radius}
    scan = simulate(turned(cluster, rotation), frequency=ONE_METRE, **place)
    told = device_frame(scan, rotation=rotation)
    assert told.theta.min() >= 0
    assert told.phi.min() >= 0
    np.testing.assert_array_equal(told.response, scan.response)
    same = simulate(
        cluster, frequency=ONE_METRE, theta=told.theta, phi=told.phi, chi=told.chi,
        radius=told.radius,
    )  # fmt: skip
    assert relative_error(same.response, scan.response) < 1e-12
    # And back.
    again = device_frame(told, rotation=rotation.T)
    same = simulate(
        turned(cluster, rotation), frequency=ONE_METRE, theta=again.theta, phi=again.phi,
        chi=again.chi, radius=again.radius,
    )  # fmt: skip
    assert relative_error(same.response, scan.response) < 1e-12


def test_device_frame_by_hand():
    # The device turned by +90 deg about z: a probe at azimuth 90 deg sees what stood at azimuth 0.
    quarter = axis_rotation([0, 0, 1], angle=np.pi / 2)
    scan = Samples([1e9], [1.0], [np.pi / 2], [0.3], [2.0], [2], [[1j]], "relative")
    told = device_frame(scan, rotation=quarter)
    assert told.theta[0] == pytest.approx(1.0, abs=4 * EPS)
    assert np.sin(told.phi[0]) == pytest.approx(0.0, abs=4 * EPS)
    assert np.cos(told.phi[0]) == 1
    assert told.chi[0] == pytest.approx(0.3, abs=4 * EPS)
    assert (told.port[0], told.radius[0], told.response_unit) == (2, 2.0, "relative")
    # By +90 deg about y, z to x: a probe on x, its axis along y (phi^), sees the pole. There
    # theta^ is along the x of phi = 0, which stood along -z, and y is chi = 90 deg from it.
    over = axis_rotation([0, 1, 0], angle=np.pi / 2)
    scan = Samples([1e9], [np.pi / 2], [0.0], [np.pi / 2], [2.0], [1], [[1j]])
    told = device_frame(scan, rotation=over)
    assert told.theta[0] == pytest.approx(0.0, abs=4 * EPS)
    assert told.phi[0] + told.chi[0] == pytest.approx(np.pi / 2, abs=4 * EPS)


def test_device_frame_for_a_probe_that_hears_more_than_its_axis(random_q):
    # All six dipoles in each of two ports: axial and magnetic ones tell every axis of the probe.
    degree, rotation = 7, rotation_matrix(**named(ANGLES[0]))
    rng = np.random.default_rng(6)
    r = rng.normal(size=(1, 2, 6)) + 1j * rng.normal(size=(1, 2, 6))
    assert r[0, 0, mode_index(s=2, m=0, n=1)] != 0
    probe = Probe(None, r)
    theta, phi, chi, radius = awkward_positions(rotation)
    port = rng.integers(1, 3, theta.size)
    scan = Samples(ONE_METRE, theta, phi, chi, radius, port, np.ones((1, theta.size)), "sqrt(W)")
    modes = Modes(ONE_METRE, [random_q(degree)])
    there = rotate(modes, **named(ANGLES[0]))

    def responses(samples, q):
        operator = TransmissionOperator(plan_geometry(samples), probe, ONE_METRE[0], degree)
        return operator.forward(operator.from_modes(q.coefficients[0]))

    found = responses(device_frame(scan, rotation=rotation), modes)
    # The operator is asked for 1e-12.
    assert relative_error(found, responses(scan, there)) < 1e-11


def test_merged_samples_stand_in_order():
    rng = np.random.default_rng(7)
    f = [1e9, 2e9]

    def scan(count, *, moving, port):
        shape = (2, count) if moving else (count,)
        theta, phi, chi = rng.uniform(0.1, 3.0, (3, *shape))
        response = rng.normal(size=(2, count)) + 1j * rng.normal(size=(2, count))
        response[1, 2] = np.nan
        return Samples(f, theta, phi, chi, 2.0 + 0 * theta[..., :], port, response, "sqrt(W)")

    for moving in (False, True):
        one = scan(5, moving=False, port=np.full(5, 1))
        other = scan(4, moving=moving, port=np.full(4, 2))
        factor = np.array([2.0, 1j])
        both = merge_samples(one, other, rotation=OVER, factor=factor)
        told = device_frame(other, rotation=OVER)
        assert both.moving == moving
        for i in range(2):
            for name in ("theta", "phi", "chi", "radius"):
                pair = [np.broadcast_to(getattr(x, name), (2, x.port.size)) for x in (one, told)]
                found = np.broadcast_to(getattr(both, name), (2, 9))
                np.testing.assert_array_equal(found[i], np.concatenate([x[i] for x in pair]))
        np.testing.assert_array_equal(both.port, [1] * 5 + [2] * 4)
        np.testing.assert_array_equal(both.response[:, :5], one.response)
        np.testing.assert_allclose(both.response[:, 5:] * factor[:, None], other.response)
        assert both.response_unit == "sqrt(W)"
    swapped = merge_samples(other, one, rotation=OVER)
    assert swapped.moving
    np.testing.assert_array_equal(swapped.response[:, 4:], one.response)


def test_merges_that_are_refused():
    one = simulate(
        random_cluster(), frequency=ONE_METRE, theta=[1, 2], phi=0.0, chi=0.0, radius=2.0
    )
    with pytest.raises(ValueError, match=r"responses are in V/m and in relative: state both"):
        merge_samples(one, replace(one, response_unit="relative"), rotation=OVER)
    with pytest.raises(ValueError, match=r"frequency 1 is 0\.299792458 GHz in the first, 1 GHz in"):
        merge_samples(one, replace(one, frequency=np.array([1e9])), rotation=OVER)
    for factor in (0.0, [1.0, 2.0], np.ones((1, 1))):
        with pytest.raises(ValueError, match=r"factor is .*, expected 1 numbers \(or one\), none"):
            merge_samples(one, one, rotation=OVER, factor=factor)
    with pytest.raises(ValueError, match="rotation is not orthogonal"):
        merge_samples(one, one, rotation=2 * OVER)
    with pytest.raises(ValueError, match="mirror image"):
        device_frame(one, rotation=-np.eye(3))


# --- two scans of one device ---------------------------------------------------------------

CLUSTER = random_cluster(size=1.0)
#: 1e-10 of the field of dipoles so far from the origin lies above this degree.
DEGREE = required_degree(2 * np.pi * CLUSTER.minimum_radius, tail_db=-200)
SPIRAL = equal_area_spiral(700)


def half_scan(antenna, limit_deg, *, frequency=ONE_METRE, spiral=SPIRAL):
    """Both polarisations on a spiral, without what the base of the device hides."""
    keep = spiral.theta < np.radians(limit_deg)
    theta, phi = (np.tile(x[keep], 2) for x in (spiral.theta, spiral.phi))
    chi = np.repeat([0.0, np.pi / 2], keep.sum())
    return simulate(antenna, frequency=frequency, theta=theta, phi=phi, chi=chi, radius=3.0)


def test_two_halves_make_a_whole():
    first, second = half_scan(CLUSTER, 110), half_scan(turned(CLUSTER, OVER), 110)
    theta, phi = random_directions(200)
    exact = far_field_of(CLUSTER, frequency=ONE_METRE, theta=theta, phi=phi)

    def error(samples):
        modes = solve(samples, field_probe(), degree=DEGREE).modes
        return relative_error(far_field_points(modes, theta=theta, phi=phi), exact)

    # 1e-10 above the degree, and the iteration stops at 1e-9 of its gradient: a few times that.
    assert error(merge_samples(first, second, rotation=OVER)) < 1e-8
    # With another rotation, or from one half alone, nothing is known of the far side.
    slanted = axis_rotation([1.0, 0.1, 0.0], angle=2.0)
    assert error(merge_samples(first, second, rotation=slanted)) > 0.1
    assert error(first) > 0.1
    # A drift that is left in costs about its own size where the second scan alone saw.
    drifted = replace(second, response=1.1 * second.response)
    assert 0.03 < error(merge_samples(first, drifted, rotation=OVER)) < 0.2


#: Two frequencies and what happened between the scans at each.
TWO = SPEED_OF_LIGHT * np.array([1.0, 0.8])
FACTOR = np.array([0.9 * np.exp(0.4j), 3 * np.exp(-2j)])


def drifted_scans(limit_deg=110):
    first = half_scan(CLUSTER, limit_deg, frequency=TWO)
    second = half_scan(turned(CLUSTER, OVER), limit_deg, frequency=TWO)
    return first, replace(second, response=FACTOR[:, None] * second.response)


@pytest.mark.parametrize("missing", [False, True])
def test_drift_is_found(missing):
    first, second = drifted_scans()
    if missing:
        response = second.response.copy()
        response[1, ::9] = np.nan
        second = replace(second, response=response)
    found = scan_drift(first, second, field_probe(), rotation=OVER, degree=DEGREE)
    # The residuals are as exact as the iteration, 1e-9, and what lies above the degree, 1e-10.
    np.testing.assert_allclose(found.factor, FACTOR, rtol=1e-8)
    assert np.all(found.uncertainty < 1e-8)
    # Both saw the band within 20 deg of the equator, and as far beyond as a sample reaches: between
    # 4 pi sin(20 deg) and 4 pi sin(20 deg + 1.5 pi/N), widened a little by the slant of the axis.
    assert np.all(found.shared > 0.98 * 4 * np.pi * np.sin(np.radians(20)))
    assert np.all(found.shared < 1.02 * 4 * np.pi * np.sin(np.radians(20) + 1.5 * np.pi / DEGREE))
    merged = merge_samples(first, second, rotation=OVER, factor=found.factor)
    modes = solve(merged, field_probe(), degree=DEGREE).modes
    theta, phi = random_directions(100)
    exact = far_field_of(CLUSTER, frequency=TWO, theta=theta, phi=phi)
    assert relative_error(far_field_points(modes, theta=theta, phi=phi), exact) < 1e-7


def test_drift_by_the_dense_solution():
    # A dipole pair at the origin is of degree 1: nothing is left out.
    first, second = (half_scan(x, 120, spiral=equal_area_spiral(60)) for x in (PAIR, TURNED_PAIR))
    second = replace(second, response=FACTOR[0] * second.response)
    found = scan_drift(first, second, field_probe(), rotation=OVER, degree=4, method=Direct())
    # Rounding of a dense solution of 180 rows: about sqrt(180) eps times its condition, below 100.
    np.testing.assert_allclose(found.factor, FACTOR[:1], rtol=1e-12)


PAIR = DipoleCluster(np.zeros((1, 3)), [[1, 2j, 0.3]], [[0, 300, 200j]])
TURNED_PAIR = turned(PAIR, OVER)


def test_drift_under_noise_is_unbiased_and_its_uncertainty_true():
    # One noise after the other stands at frequencies that are equal but for their names.
    count, noise, true, degree = 40, 0.1, 0.4 - 0.3j, 6
    frequency = SPEED_OF_LIGHT * (1 + 1e-8 * np.arange(1, count + 1))
    rng = np.random.default_rng(8)
    scans, level = [], 0.0
    for antenna, factor in ((PAIR, 1.0), (TURNED_PAIR, true)):
        scan = half_scan(antenna, 120, frequency=frequency, spiral=equal_area_spiral(60))
        parts = rng.normal(size=(2, *scan.response.shape))
        level = level or noise * np.sqrt(np.mean(np.abs(scan.response) ** 2) / 2)  # of the first
        response = factor * scan.response + level * (parts[0] + 1j * parts[1])
        scans.append(replace(scan, response=response))
    found = scan_drift(*scans, field_probe(), rotation=OVER, degree=degree)
    error = (found.factor - true) / true
    spread = np.sqrt(np.mean(np.abs(error) ** 2) / 2)
    # A mean of 40 real parts scatters by spread/sqrt(40); four times that. Plain least squares
    # would take 1/factor too small by 2 u^2 times the residual's degrees of freedom in the second
    # scan, 90 - 96/2: by 4 %.
    assert spread < 0.025
    assert np.abs(error.mean().real) < 4 * spread / np.sqrt(count)
    assert np.abs(error.mean().imag) < 4 * spread / np.sqrt(count)
    # A standard deviation from 80 numbers is known to 1/sqrt(160) = 7.9 %, four times that. The
    # uncertainty leaves out noise times noise, at most 2 u^2 times 42 of its square: 2 % of it.
    expected = pytest.approx(spread * abs(true), rel=4 / np.sqrt(4 * count) + 0.02)
    assert found.uncertainty.mean() == expected


def test_drifts_that_are_refused():
    probe = field_probe()
    first, second = drifted_scans(70)
    with pytest.raises(ValueError, match=r"share no part of the sphere at 0\.299792458 GHz: mea"):
        scan_drift(first, second, probe, rotation=OVER, degree=DEGREE)
    first, second = drifted_scans()
    with pytest.raises(ValueError, match=r"method is Quadrature.* use LeastSquares or Direct"):
        scan_drift(first, second, probe, rotation=OVER, degree=DEGREE, method=Quadrature())
    # Of another device; of a dead channel; and one so weak that its part of the residual drowns.
    rng = np.random.default_rng(9)
    noise = rng.normal(size=second.response.shape) * np.abs(second.response).max()
    quick = LeastSquares(rtol=1e-4)
    for response in (noise, 1e-3 * (second.response + 1e-3 * noise) + 1e-2 * noise):
        other = replace(second, response=response.astype(complex))
        for pair in ((first, other), (other, first)):
            with pytest.raises(ValueError, match=r"do not settle level and phase.* known factor"):
                scan_drift(*pair, probe, rotation=OVER, degree=DEGREE, method=quick)
    dead = replace(second, response=0 * second.response)
    with pytest.raises(ValueError, match="responses are zero"):
        scan_drift(first, dead, probe, rotation=OVER, degree=6)


def test_a_drift_says_what_fits_together():
    with pytest.raises(ValueError, match="uncertainty has 1 values, expected 2"):
        Drift([1.0, 1j], [0.1], [1.0, 1.0])
    with pytest.raises(ValueError, match="shared is nan at index"):
        Drift([1.0], [0.1], [np.nan])
    with pytest.raises(ValueError, match="read-only"):
        Drift([1.0], [0.1], [1.0]).factor[0] = 2
