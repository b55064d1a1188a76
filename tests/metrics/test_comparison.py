"""Two results compared: against sums over far fields in closed form, and against turns that were made."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from nf2ff.antenna.closed_form import far_field_of
from nf2ff.antenna.dipoles import DipoleCluster, huygens_source, line_array
from nf2ff.antenna.expansion import modes_from_far_field
from nf2ff.antenna.far_field import FarField
from nf2ff.antenna.grids import gauss_legendre_grid
from nf2ff.antenna.modes import Modes, rotate
from nf2ff.kernel.rotation import euler_angles
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.comparison import compare, fit_to

FREQUENCY = np.array([10e9, 12e9])
GRID = gauss_legendre_grid(60, 120)


def field_of(*antennas, theta=GRID.theta, phi=GRID.phi):
    """Far field of several antennas on a grid, closed form, (F, T, P) each."""
    t, p = (x.ravel() for x in np.meshgrid(theta, phi, indexing="ij"))
    parts = [far_field_of(x, frequency=FREQUENCY, theta=t, phi=p) for x in antennas]
    return [sum(x[i] for x in parts).reshape(-1, theta.size, phi.size) for i in (0, 1)]


def modes_of(e_theta, e_phi, reference="absolute"):
    power = np.full(FREQUENCY.size, 1.0)
    field = FarField(FREQUENCY, GRID.theta, GRID.phi, e_theta, e_phi, power, reference)
    return modes_from_far_field(field, degree=30)


def antenna():
    element = huygens_source(direction=[0.6, 0, 0.8], polarisation=[0, 1, 0], position=[0, 0, 0.01])
    return line_array(element, count=4, spacing=0.015, axis=[0, 1, 0])


def stray():
    return huygens_source(direction=[0, -1, 0], polarisation=[0, 0, 1], moment=0.04, position=[0.01, 0.02, 0])


def weights():
    """Solid angles of the grid, by the Gauss-Legendre rule, (T, 1)."""
    x, w = np.polynomial.legendre.leggauss(GRID.theta.size)
    return w[np.argsort(-x)][:, None] * 2 * np.pi / GRID.phi.size


def test_error_level_is_the_integral_of_the_difference():
    # Closed form of both fields, summed by a rule that is exact for them (degree 60 of the square).
    a, b = field_of(antenna()), field_of(antenna(), stray())
    found = compare(modes_of(*a), modes_of(*b), cone=np.radians(30))
    square = sum(np.abs(x - y) ** 2 for x, y in zip(a, b, strict=True))
    level = sum(np.abs(x) ** 2 for x in a)
    expected = np.sqrt((weights() * square).sum((1, 2)) / (weights() * level).sum((1, 2)))
    np.testing.assert_allclose(found.error, expected, rtol=1e-8)
    assert found.error_in_cone is not None
    assert np.all(found.error_in_cone < found.error)


def test_error_in_a_cone_of_the_whole_sphere_is_the_error():
    a, b = field_of(antenna()), field_of(antenna(), stray())
    found = compare(modes_of(*a), modes_of(*b), cone=np.pi)
    np.testing.assert_allclose(found.error_in_cone, found.error, rtol=1e-9)


def test_equivalent_stray_signal_is_the_largest_difference_over_the_peak():
    # Brute force on a fine grid: the lobe of a small source is wide, 1 deg apart from its top
    # costs less than 1 - cos(1 deg) = 1.5e-4 of it.
    a, b = modes_of(*field_of(antenna())), modes_of(*field_of(antenna(), stray()))
    found = compare(a, b)
    theta, phi = np.radians(np.arange(0, 180.5)), np.radians(np.arange(0, 360))
    fields = [field_of(x, theta=theta, phi=phi) for x in (antenna(), stray())]
    top, lost = (np.sqrt(np.abs(e) ** 2 + np.abs(h) ** 2).max((1, 2)) for e, h in fields)
    np.testing.assert_allclose(found.stray, lost / top, rtol=3e-4)
    # The stray source looks along -y.
    np.testing.assert_allclose(np.degrees(found.stray_theta), 90, atol=1)
    np.testing.assert_allclose(np.degrees(found.stray_phi), 270, atol=1)


@pytest.mark.slow
@pytest.mark.parametrize("vector_deg", [[0, 0, 3.0], [2.0, 0, 0], [-1.0, 1.5, 2.0], [0, 0, 0]])
def test_a_turn_that_was_made_is_found(vector_deg):
    a = modes_of(*field_of(antenna()))
    turn = Rotation.from_rotvec(np.radians(vector_deg))
    alpha, beta, gamma = euler_angles(turn.inv().as_matrix())
    b = rotate(a, alpha=alpha, beta=beta, gamma=gamma)
    found = compare(a, b, free=["rotation"])
    # Rounding of the transforms, some 1e-13, over a change of order of the degree a radian.
    np.testing.assert_allclose(found.rotation, turn.as_rotvec(), atol=1e-11)
    assert np.all(found.error < 1e-10)
    assert np.all(found.offset < 1e-6)


@pytest.mark.parametrize("free", [["rotation"], ["phase", "rotation"], ["phase", "level", "rotation"]])
def test_a_turn_that_changes_nothing_does_not_run_away(free):
    # A dipole about itself; and, with the phase free, a circular Huygens source about its beam: the
    # steps were hundreds of rad and left -20 dB.
    moment = np.array([[1, 2, 0.5]], dtype=complex)
    antennas = [DipoleCluster([[0, 0, 0]], moment)]
    if "phase" in free:
        antennas.append(huygens_source(direction=[0.6, 0, 0.8], polarisation=[0.8, 1j, -0.6]))
    for one in antennas:
        a = modes_of(*field_of(one)).truncate(3)
        found = compare(a, rotate(a, alpha=0.05, beta=0.1, gamma=0.02), free=free)
        assert np.all(found.error < 1e-12)
        assert np.linalg.norm(found.rotation) < 0.3


def test_opposite_fields_need_a_phase():
    a = modes_of(*field_of(antenna()))
    b = Modes(a.frequency, np.array([[1], [-1]]) * a.coefficients)
    for free in (["level"], ["level", "rotation"]):
        with pytest.raises(InputError, match=r"at 12 GHz no level above 0 .* let the phase be fitted too"):
            compare(a, b, free=free)


@pytest.mark.parametrize("free", [[], ["level"], ["phase", "level", "rotation"]])
def test_a_frequency_without_power_is_named(free):
    a = modes_of(*field_of(antenna()))
    b = Modes(a.frequency, np.array([[1], [0]]) * a.coefficients)
    for pair in ((a, b), (b, a)):
        with pytest.raises(InputError, match=r"radiated power is 0 W at 1.2e\+10 Hz"):
            compare(*pair, free=free)


def test_a_turn_is_found_beside_phase_level_and_a_stray_signal():
    clean, dirty = field_of(antenna()), field_of(antenna(), stray())
    a, b = modes_of(*clean), modes_of(*dirty)
    before = compare(a, b, free=["phase", "level"])
    turn = Rotation.from_rotvec(np.radians([1.0, -2.0, 1.5]))
    alpha, beta, gamma = euler_angles(turn.inv().as_matrix())
    factor = np.array([0.5 * np.exp(2j), 2 * np.exp(-1j)])
    c = rotate(b, alpha=alpha, beta=beta, gamma=gamma)
    c = Modes(c.frequency, factor[:, None] * c.coefficients)
    found = compare(a, c, free=["phase", "level", "rotation"])
    # The least squares cannot be worse than the turn that was made, and hardly better: the stray
    # signal at -40 dB moves the best turn by its level over the number of lobes.
    assert np.all(found.error <= before.error * (1 + 1e-9))
    assert np.all(found.error > 0.9 * before.error)
    np.testing.assert_allclose(found.rotation, turn.as_rotvec(), atol=1e-2)
    np.testing.assert_allclose(np.abs(found.factor * factor), 1, atol=1e-2)


@pytest.mark.parametrize(
    ("free", "expected"),
    [
        (["phase"], [1.0, 1.0]),  # |1 - |f||, f = 2 exp(1j), relative
        (["level"], [1.0, 1.0]),
        (["phase", "level"], [0.0, 0.0]),
    ],
)
def test_phase_and_level_are_fitted_where_they_are_free(free, expected):
    # Closed form: of b = 2 exp(1j) a, phase alone leaves |1 - 2|; level alone leaves the sine of the
    # phase, or all of it where the two are more than 90 deg apart, here sin(1 rad) = 0.84.
    a = modes_of(*field_of(antenna()))
    b = Modes(a.frequency, 2 * np.exp(1j) * a.coefficients)
    found = compare(a, b, free=free)
    if free == ["level"]:
        expected = np.sin([1.0, 1.0])
    np.testing.assert_allclose(found.error, expected, atol=1e-12)


def test_equal_results_differ_by_nothing():
    a = modes_of(*field_of(antenna()))
    found = compare(a, a, cone=np.radians(20))
    for values in (found.error, found.error_in_cone, found.stray, found.offset):
        np.testing.assert_array_equal(values, 0)
    np.testing.assert_array_equal(found.beamwidth[0], found.beamwidth[1])


def test_degrees_may_differ():
    a = modes_of(*field_of(antenna()))
    np.testing.assert_allclose(compare(a, a.extend(40)).error, 0, atol=1e-15)


def test_beamwidths_and_sidelobes_stand_side_by_side():
    # The second has one element fewer: its beam is wider across the array.
    a = modes_of(*field_of(antenna()))
    element = huygens_source(direction=[0.6, 0, 0.8], polarisation=[0, 1, 0], position=[0, 0, 0.01])
    b = modes_of(*field_of(line_array(element, count=3, spacing=0.015, axis=[0, 1, 0])))
    found = compare(a, b, free=["level"])
    assert found.beamwidth.shape == (2, 2, 2)
    assert np.any(found.beamwidth[1] > 1.2 * found.beamwidth[0])


def test_absolute_and_relative_are_not_compared_without_a_word():
    a, b = modes_of(*field_of(antenna())), modes_of(*field_of(antenna()), "relative")
    with pytest.raises(ValueError, match=r"first level is absolute, the second relative: let the level"):
        compare(a, b)
    assert np.all(compare(a, b, free=["level"]).error < 1e-12)


def test_other_frequencies_are_refused():
    a = modes_of(*field_of(antenna()))
    with pytest.raises(ValueError, match="keep those that both have"):
        compare(a, a.at(0))


def test_what_is_not_known_cannot_be_fitted():
    a = modes_of(*field_of(antenna()))
    with pytest.raises(ValueError, match="cannot fit colour: choose from phase, level, rotation"):
        fit_to(a, a, ["colour"])
