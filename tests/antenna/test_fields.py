"""The textbook oracle against printed numbers, then the package's fields against the oracle."""

import mpmath
import numpy as np
import oracle
import pytest
from scipy.special import spherical_jn

from nf2ff.antenna.fields import far_field_grid, far_field_points, near_field_points
from nf2ff.antenna.modes import SPEED_OF_LIGHT, Modes, mode_index, required_degree
from nf2ff.kernel.sphere import canonical_angles

EPS = 2.0**-52
#: Relative accuracy promised of fields at points, stated here so that the code cannot loosen it.
ACCURACY = 1e-12


def modes_of(q, k):
    """Modes of one frequency with wavenumber k [rad/m]."""
    return Modes([k * SPEED_OF_LIGHT / (2 * np.pi)], np.asarray(q)[None])


def relative(value, wanted):
    """Relative L2 error over all components and points."""
    return np.linalg.norm(np.subtract(value, wanted)) / np.linalg.norm(wanted)


# --- the oracle itself --------------------------------------------------------------------------

# kr = 5, theta = 1, phi = 0.5, components (r, theta, phi), outgoing wave in exp(-iwt). Source:
# the project's check values, section 1 (closed form; Hansen 1988).
PRINTED = {
    (2, 1, 3): [-0.01810712 - 0.00836807j, -0.02880911 + 0.05053409j, 0.00649275 + 0.00370147j],
    (1, -2, 4): [0, -0.0339173 + 0.00735432j, -0.01490067 - 0.06872019j],
}
HALF_UNIT = 0.51e-8  # of the last printed digit, of real and imaginary part each


@pytest.mark.parametrize("mode", PRINTED)
def test_oracle_gives_the_printed_waves(mode):
    f = oracle.waves(4, 5.0, [1.0], [0.5], c=3)[0, oracle.position(*mode)]
    error = f - PRINTED[mode]
    assert max(np.abs(error.real).max(), np.abs(error.imag).max()) < HALF_UNIT


def test_oracle_conventions_are_each_others_conjugates(random_q, points):
    # conj(F_smn) = (-1)^m F'_{s,-m,n}. Rounding only: some 20 operations, 100 eps of the largest.
    theta, phi, _ = points(5)
    f, g = (oracle.waves(6, 7.0, theta, phi, c) for c in (3, 4))
    for s, m, n in oracle.modes(6):
        a, b = f[:, oracle.position(s, m, n)], g[:, oracle.position(s, -m, n)]
        np.testing.assert_allclose(a.conj(), (-1) ** m * b, rtol=0, atol=100 * EPS)
    q = random_q(6)
    there = oracle.field(q, 6, 3.0, 2.0, theta, phi, c=3)
    here = oracle.field(oracle.conjugate_convention(q, 6), 6, 3.0, 2.0, theta, phi, c=4)
    assert relative(here, there.conj()) < 100 * EPS


@pytest.mark.slow
@pytest.mark.parametrize("mode", [(1, 3, 60), (2, 60, 60), (2, -30, 55), (2, 0, 60), (1, -1, 41)])
@pytest.mark.parametrize("theta", [0.02, 1.3, -2.5])
def test_oracle_keeps_its_digits_up_to_degree_60(mode, theta):
    # Against 40 digits. Normalisation from logarithms up to log 120! = 457: 457 eps = 1e-13; the
    # recurrence and scipy's Bessel functions about 60 eps each.
    f = oracle.waves(60, 70.0, [theta], [0.4])[0, oracle.position(*mode)]
    with mpmath.workdps(40):
        wanted = oracle.wave_mp(*mode, 70.0, theta, 0.4)
    assert relative(f, wanted) < 600 * EPS


@pytest.mark.parametrize(("a", "b"), [(0, 0), (3, 3), (1, 6), (40, 2)])
def test_oracle_jacobi_polynomials(a, b):
    # Against mpmath's hypergeometric series.
    with mpmath.workdps(30):
        for x in (-0.9, 0.1, 0.99):
            for n, value in enumerate(oracle.jacobi(12, a, b, mpmath.mpf(x))):
                assert mpmath.almosteq(value, mpmath.jacobi(n, a, b, x), 1e-25)


def test_oracle_rotation_coefficients_three_ways():
    # Eigenvectors, matrix exponential (norm n theta <= 36: 36^2 eps at worst, each of the
    # squarings doubling what came before) and Wigner's formula in 30 digits.
    for n in (1, 2, 5, 12):
        for theta in (0.3, 1.1, 2.9):
            d = oracle.rotation_matrix(n, theta)
            np.testing.assert_allclose(oracle.rotation_matrix_expm(n, theta), d, rtol=0, atol=36**2 * EPS)
            with mpmath.workdps(30):
                wigner = [
                    [float(oracle.rotation_coefficient_mp(n, m, mu, theta)) for mu in range(-n, n + 1)]
                    for m in range(-n, n + 1)
                ]
            np.testing.assert_allclose(d, wigner, rtol=0, atol=4 * n * EPS + 4 * EPS)


@pytest.mark.parametrize("x", [0.1, 5.0, 40.0])
def test_oracle_sum_rules(x):
    # sum n(n+1)(2n+1)(j_n/x)^2 = 2/3; sum (2n+1)[j_n^2 + ((x j_n)'/x)^2] = 4/3 (closed form).
    # 100 positive terms: 100 eps, twice for the squares, and scipy's j_n as good as 10 eps.
    n = np.arange(1, 101)
    z, dz = oracle.radial(n, x, c=1)
    np.testing.assert_allclose(np.sum(n * (n + 1) * (2 * n + 1) * (z / x) ** 2), 2 / 3, rtol=5e-14)
    np.testing.assert_allclose(np.sum((2 * n + 1) * (z**2 + dz**2)), 4 / 3, rtol=5e-14)
    np.testing.assert_array_equal(z, spherical_jn(n, x))


HALF = np.sqrt(0.5)
# Dipoles at the origin, unit q, in exp(-iwt): same source.
DIPOLES = {
    "x": ((1, 0, 0), {(2, -1, 1): -HALF, (2, 1, 1): HALF}),
    "y": ((0, 1, 0), {(2, -1, 1): -1j * HALF, (2, 1, 1): -1j * HALF}),
    "z": ((0, 0, 1), {(2, 0, 1): -1}),
}


def dipole_q(axis, k, c):
    """Moment and Q of a dipole Il = 1 A m: q^2/2 = P = Z0 (k Il)^2/(12 pi) (Balanis, ch. 4)."""
    moment, listed = DIPOLES[axis]
    q = np.zeros(6, dtype=complex)
    for mode, value in listed.items():
        q[oracle.position(*mode)] = value * k * np.sqrt(oracle.Z0 / (6 * np.pi))
    return moment, q if c == 3 else oracle.conjugate_convention(q, 1)


@pytest.mark.parametrize("axis", DIPOLES)
def test_oracle_dipoles_have_the_closed_form_field(axis, points):
    theta, phi, _ = points(6)
    k, radius = 3.0, 0.8
    for c in (3, 4):
        moment, q = dipole_q(axis, k, c)
        wanted = oracle.hertzian_dipole(moment, k, radius, theta, phi)
        wanted = wanted if c == 4 else wanted.conj()
        assert relative(oracle.field(q, 1, k, radius, theta, phi, c), wanted) < 100 * EPS


def test_oracle_far_field_is_the_limit_of_the_field(random_q, points):
    # Next term of h_n: n(n+1)/(2kr) of each wave, 55/1e6 at the most; it halves as r doubles.
    theta, phi, _ = points(6)
    q, k = random_q(10), 1.0
    limit = oracle.far_field(q, 10, theta, phi)
    error = []
    for r in (1e6, 2e6):
        e = oracle.field(q, 10, k, r, theta, phi)[:, 1:] * r * np.exp(1j * k * r)
        error.append(relative(e, limit))
    assert error[0] < 55 / 1e6
    # 1 + O(n^2/kr) of a ratio of 2, and the rounding of kr in exp: 2e6 eps / 2e-5 = 2e-5.
    assert abs(error[0] / error[1] - 2) < 1e-3


def test_oracle_huygens_source_has_directivity_three():
    # Q_{2,-1,1} = -1, Q_{2,1,1} = Q_{1,+-1,1} = 1 towards +z: D(0) = 3, D(pi) = 0 (closed form),
    # in exp(-iwt) as printed, and mapped.
    q = np.zeros(6, dtype=complex)
    for mode, value in {(2, -1, 1): -1, (2, 1, 1): 1, (1, -1, 1): 1, (1, 1, 1): 1}.items():
        q[oracle.position(*mode)] = value
    for c, v in ((3, q), (4, oracle.conjugate_convention(q, 1))):
        k = np.einsum("j,mjx->mx", v, oracle.far_waves(1, [0.0, np.pi], 0.3, c))
        d = np.sum(np.abs(k) ** 2, axis=1) / np.sum(np.abs(v) ** 2)
        np.testing.assert_allclose(d, [3, 0], rtol=0, atol=20 * EPS)


# --- fields of modes ----------------------------------------------------------------------------


@pytest.mark.parametrize("mode", PRINTED)
def test_mapping_from_the_other_time_factor(mode):
    # A wave Q_smn = 1 in exp(-iwt) is Q_{s,-m,n} = (-1)^m here, and its field is the conjugate of
    # the printed one: k sqrt(Z0) conj(F). k = 1, r = 5.
    s, m, n = mode
    q = np.zeros(48, dtype=complex)
    q[mode_index(s=s, m=-m, n=n)] = (-1) ** m
    e = near_field_points(modes_of(q, 1.0), theta=[1.0], phi=[0.5], radius=5.0)
    f = np.conj(np.array(e)[:, 0, 0]) / np.sqrt(oracle.Z0)
    error = f - PRINTED[mode]
    assert max(np.abs(error.real).max(), np.abs(error.imag).max()) < HALF_UNIT


@pytest.mark.slow
@pytest.mark.parametrize("degree", [1, 2, 5, 12, 20])
def test_near_field_against_the_oracle(degree, random_q, points, rng):
    # Random modes, points at both poles and at negative theta, all radii different. At least as
    # far as kr = degree, where no wave is evanescent by much. Error: what is asked of the
    # transforms, relative to the norm; the oracle adds some 500 eps = 1e-13.
    theta, phi, _ = points(40)
    theta[::3] *= -1
    phi[1::4] -= 4 * np.pi
    k = 2.0
    radius = rng.uniform(0.5 * degree + 0.5, 2.0 * degree + 2.0, theta.size)
    q = np.stack([random_q(degree), random_q(degree)])
    modes = Modes(np.array([k, 1.5 * k]) * SPEED_OF_LIGHT / (2 * np.pi), q)
    e = near_field_points(modes, theta=theta, phi=phi, radius=radius)
    assert all(part.shape == (2, theta.size) for part in e)
    for i, ki in enumerate((k, 1.5 * k)):
        wanted = oracle.field(q[i], degree, ki, radius, theta, phi).T
        for part, w in zip(e, wanted, strict=True):
            assert relative(part[i], w) < ACCURACY


@pytest.mark.parametrize("degree", [1, 3, 20])
def test_far_field_points_against_the_oracle(degree, random_q, points):
    theta, phi, _ = points(40)
    theta[::3] *= -1
    q = random_q(degree)
    e = far_field_points(modes_of(q, 2.0), theta=theta, phi=phi, threads=1)
    wanted = oracle.far_field(q, degree, theta, phi).T
    for part, w in zip(e, wanted, strict=True):
        assert part.shape == (1, theta.size)
        assert relative(part[0], w) < ACCURACY


GRID_PHI = {
    "full circle": np.linspace(0, 2 * np.pi, 47, endpoint=False),
    "full circle, closed": np.linspace(0, 2 * np.pi, 48),
    "full circle, turned": 0.3 - np.pi + np.linspace(0, 2 * np.pi, 50, endpoint=False),
    "fewer steps than orders": np.linspace(0, 2 * np.pi, 4, endpoint=False),
    "two turns": np.arange(16) * np.pi / 4,
    "part of the circle": np.linspace(-0.4, 2.0, 9),
    "uneven": np.array([0.0, 0.1, 5.0, -3.0]),
    "falling": np.linspace(2 * np.pi, 0, 9),
    "one": np.array([1.2]),
}


@pytest.mark.parametrize("name", GRID_PHI)
def test_far_field_grid_against_the_oracle(name, random_q):
    # No interpolation here: recurrences of 20 steps and Fourier sums, about 1e-14; the oracle's
    # normalisation, logarithms up to log 40! = 110, and its sum of 880 terms: 1000 eps.
    degree, phi = 20, GRID_PHI[name]
    theta = np.array([0.0, 0.01, 0.7, 2.0, 3.0, np.pi])
    q = random_q(degree)
    e = far_field_grid(modes_of(q, 2.0), theta=theta, phi=phi)
    t, p = (x.ravel() for x in np.meshgrid(theta, phi, indexing="ij"))
    wanted = oracle.far_field(q, degree, t, p)
    for axis, part in enumerate(e):
        assert part.shape == (1, theta.size, phi.size)
        assert relative(part[0].ravel(), wanted[:, axis]) < 1000 * EPS


def test_far_field_is_the_limit_of_the_near_field(random_q, points):
    # Next term of h_n: n(n+1)/(2kr) of each wave, 55/1e7 at the most.
    theta, phi, _ = points(12)
    modes, r = modes_of(random_q(10), 1.0), 1e7
    _, *near = near_field_points(modes, theta=theta, phi=phi, radius=r)
    far = far_field_points(modes, theta=theta, phi=phi)
    for a, b in zip(near, far, strict=True):
        assert relative(a * r * np.exp(1j * r), b) < 55 / r


@pytest.mark.parametrize("axis", DIPOLES)
def test_dipole_at_the_origin(axis, points):
    # The closed-form Hertzian dipole; x, y and z told apart.
    theta, phi, _ = points(12)
    k = 3.0
    moment, q = dipole_q(axis, k, c=4)
    radius = np.linspace(0.2, 4.0, theta.size)
    wanted = oracle.hertzian_dipole(moment, k, radius, theta, phi).T
    e = near_field_points(modes_of(q, k), theta=theta, phi=phi, radius=radius)
    for part, w in zip(e, wanted, strict=True):
        assert np.linalg.norm(part[0] - w) < ACCURACY * np.linalg.norm(wanted)
    # P = Z0 (k Il)^2 / (12 pi).
    power = modes_of(q, k).radiated_power()
    np.testing.assert_allclose(power, oracle.Z0 * k**2 / (12 * np.pi), rtol=10 * EPS)


@pytest.mark.parametrize("turn", ["theta", "phi"])
def test_points_through_the_pole_and_around(turn, random_q):
    # (-theta, phi) is the point (theta, phi + pi) with both unit vectors reversed.
    modes = modes_of(random_q(4), 2.0)
    theta, phi = np.array([0.3, 2.0]), np.array([0.4, 5.0])
    r, t, p = near_field_points(modes, theta=theta, phi=phi, radius=3.0)
    if turn == "theta":
        again = near_field_points(modes, theta=-theta, phi=phi - np.pi, radius=3.0)
        wanted = (r, -t, -p)
    else:
        again = near_field_points(modes, theta=theta, phi=phi + 6 * np.pi, radius=3.0)
        wanted = (r, t, p)
    assert relative(again, wanted) < ACCURACY


def test_canonical_angles():
    theta, phi, turned = canonical_angles(
        np.array([0.5, -0.5, -np.pi, 0.0, 0.5]), np.array([-0.1, 0.2, 0.0, 7.0, -1e-17])
    )
    np.testing.assert_array_equal(theta, [0.5, 0.5, np.pi, 0.0, 0.5])
    np.testing.assert_allclose(
        phi, [2 * np.pi - 0.1, np.pi + 0.2, np.pi, 7.0 - 2 * np.pi, 0], rtol=4 * EPS, atol=4 * EPS
    )
    np.testing.assert_array_equal(turned, [False, True, True, False, False])
    assert np.all((phi >= 0) & (phi < 2 * np.pi))


# --- large degrees ------------------------------------------------------------------------------

HIGH = [
    (400, 1, 0, 420.0),
    (400, 2, 137, 300.0),
    (400, 2, -399, 500.0),
    (700, 1, -1, 770.0),
    (700, 2, 1, 630.0),
    (1000, 2, 617, 1010.0),
]


@pytest.mark.slow
@pytest.mark.parametrize(("n", "s", "m", "kr"), HIGH)
def test_single_high_modes(n, s, m, kr, rng):
    # One wave of high degree against 40 digits, also where it is evanescent (n > kr), and near
    # the pole. Errors, of the largest value: what is asked of the transform; 2 n eps each from the
    # radial function and from exp(i m phi); and the Legendre recurrence of the transform, which
    # knows theta by cos(theta) only: eps of cos is eps/sin(theta) of theta, the wave turns by n
    # times that, and within 1/n of the pole it turns no faster.
    q = np.zeros(2 * n * (n + 2), dtype=complex)
    q[mode_index(s=s, m=m, n=n)] = 1
    theta = np.arcsin(rng.uniform(max(abs(m) / n, 0.003), 1, 6))
    theta[0] = np.arcsin(max(abs(m), 3) / n)
    theta[1::2] = np.pi - theta[1::2]
    phi = rng.uniform(0, 2 * np.pi, theta.size)
    e = near_field_points(modes_of(q, 2.0), theta=theta, phi=phi, radius=kr / 2)
    with mpmath.workdps(40):
        f = [oracle.wave_mp(s, m, n, kr, t, p) for t, p in zip(theta, phi, strict=True)]
    wanted = 2.0 * np.sqrt(oracle.Z0) * np.array(f).T
    error = np.abs(np.array(e)[:, 0] - wanted) / np.abs(wanted).max()
    turning = 1 / np.maximum(np.sin(theta), 1 / n)
    assert np.all(error <= ACCURACY + n * EPS * (4 + turning))


def test_waves_that_radiate_nothing_do_no_harm():
    # Degree 400 at kr = 20: h_400, of the order of 799!!/20^401 = 1e466, is infinite, but only
    # waves up to degree 3 are present.
    q = np.zeros(2 * 400 * 402, dtype=complex)
    q[:30] = np.arange(1, 31) - 4j
    theta, phi = [0.3, 2.0], [0.4, 5.0]
    many = near_field_points(modes_of(q, 2.0), theta=theta, phi=phi, radius=10.0)
    few = oracle.field(q[:30], 3, 2.0, 10.0, theta, phi).T
    assert relative(np.array(many)[:, 0], few) < ACCURACY


# --- errors -------------------------------------------------------------------------------------

MODES = modes_of(np.ones(16), 2.0)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"theta": 3.2, "phi": 0.0}, r"theta of a direction lies in \[-pi, pi\] rad, and is 3.2: convert"),
        ({"theta": [0.1, -3.2], "phi": 0.0}, r"lies in \[-pi, pi\] rad, and is -3.2: convert it"),
        ({"theta": [[0.1]], "phi": 0.0}, r"points have shape \(1, 1\), expected \(M,\)"),
        ({"theta": [np.nan], "phi": 0.0}, r"theta is nan at index \(0\)"),
        ({"theta": [0.1], "phi": [np.inf]}, r"phi is inf at index \(0\)"),
    ],
)
def test_directions_refused(arguments, message):
    with pytest.raises(ValueError, match=message):
        far_field_points(MODES, **arguments)
    with pytest.raises(ValueError, match=message):
        near_field_points(MODES, radius=1.0, **arguments)


@pytest.mark.parametrize(
    ("radius", "message"),
    [
        ([1.0, 0.0], r"radius is 0.0 m, expected > 0"),
        ([-2.0, 1.0], r"radius is -2.0 m, expected > 0"),
        ([np.nan, 1.0], r"radius is nan at index \(0\)"),
    ],
)
def test_radius_refused(radius, message):
    with pytest.raises(ValueError, match=message):
        near_field_points(MODES, theta=[0.1, 0.2], phi=0.0, radius=radius)


def test_radius_in_the_reactive_zone_refused():
    # h_200(0.2) is of the order of 399!!/0.2^201 > 1e308.
    modes = modes_of(np.ones(2 * 200 * 202), 2.0)
    with pytest.raises(ValueError, match=r"radius 0.1 m is too small for degree 200 \(kr = 0.2\)"):
        near_field_points(modes, theta=[0.1], phi=[0.2], radius=0.1)


@pytest.mark.parametrize("theta", [[-0.1, 0.5], [0.5, 3.2]])
def test_grid_theta_refused(theta):
    bad = next(x for x in theta if not 0 <= x <= np.pi)
    says = rf"theta of a grid of directions lies in \[0, pi\] rad, and is {bad}: convert it if"
    with pytest.raises(ValueError, match=says):
        far_field_grid(MODES, theta=np.array(theta), phi=np.array([0.0]))


def test_threads_refused():
    with pytest.raises(ValueError, match="threads is 0, expected at least 1"):
        far_field_points(MODES, theta=[0.1], phi=[0.2], threads=0)


def test_degree_from_the_sphere_carries_the_transverse_dipole():
    # Ties mode numbers and waves: an x dipole at height z = r0 has in degree n the power of
    # `required_degree`'s series. Its coefficients follow by reciprocity from the regular waves at
    # its place, |Q_smn|^2 ~ |x . F^(1)_{s,-m,n}|^2, mu = +-1 only.
    kr0 = 10.0
    f = oracle.waves(40, kr0, [0.0], [0.0], c=1)[0, :, 1]
    power = np.zeros(40)
    for at, (_, _, n) in enumerate(oracle.modes(40)):
        power[n - 1] += np.abs(f[at]) ** 2
    above = np.append(np.cumsum(power[::-1])[::-1], 0)[1:] / power.sum()
    for tail_db in (-40.0, -60.0, -80.0):
        assert 1 + np.argmax(10 * np.log10(above[:30]) <= tail_db) == required_degree(kr0, tail_db=tail_db)
