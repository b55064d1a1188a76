"""Turned antennas, against antennas whose dipoles were turned as vectors."""

import numpy as np
import pytest
from orientation_cases import ANGLES, named, relative_error, turned
from rotations import rotation_matrix
from sources import EPS, ONE_METRE, random_cluster, random_directions

from nf2ff.antenna.closed_form import far_field_of
from nf2ff.antenna.dipoles import array_of, huygens_source
from nf2ff.antenna.far_field import far_field
from nf2ff.antenna.fields import far_field_points
from nf2ff.antenna.grids import gauss_legendre_grid
from nf2ff.antenna.modes import SPEED_OF_LIGHT, Modes, average_modes, mode_count, required_degree, rotate
from nf2ff.measurement.probe import field_probe
from nf2ff.measurement.simulated import simulate_grid
from nf2ff.metrics.beam import peak
from nf2ff.solver.solve import solve


def modes_of(antenna, degree, frequency=ONE_METRE):
    samples = simulate_grid(
        antenna, frequency=frequency, grid=gauss_legendre_grid(degree + 1, 2 * degree + 1), radius=5.0
    )
    return solve(samples, field_probe(), degree=degree).modes


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
    # 2 N eps of the norm for each rotation, see kernel/test_rotation.py.
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
        with pytest.raises(
            ValueError, match=r"weights are .* for 2 results: expected one for each, none neg"
        ):
            average_modes([one, one], weights=weights)
    with pytest.raises(ValueError, match=r"frequency 1 is 1 GHz in the first, 1\.1 GHz in"):
        average_modes([one, Modes([1.1e9], one.coefficients)])
    with pytest.raises(ValueError, match="first has 1 frequencies, the other 2: keep those that"):
        average_modes([one, Modes([1e9, 2e9], np.tile(one.coefficients, (2, 1)))])
