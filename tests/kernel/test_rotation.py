"""Rotation of coefficients and rotation matrices: many digits, closed forms, scipy's rotations."""

import time

import mpmath
import numpy as np
import oracle
import pytest
from rotations import rotation_matrix

from nf2ff.kernel import rotation
from nf2ff.kernel.rotation import checked_rotation, euler_angles, rotate_coefficients

EPS = np.finfo(float).eps
#: Products of three matrices of entries up to 1: three sums of three terms, and the sines.
MATRIX_ATOL = 12 * EPS
#: Inside, beyond a turn, backwards, at the poles and next to them.
ANGLES = [
    (0.3, 1.1, -2.0),
    (-2.7, np.pi / 2, 0.4),
    (0.7, 0.0, 0.4),
    (1.0, np.pi, 2.0),
    (0.2, -0.7, 9.0),
    (1.0, 4.0, -30.0),
    (1.0, 7.5, 2.0),
    (0.1, 1e-9, 0.3),
    (0.1, np.pi - 1e-6, 0.2),
]


def random_coefficients(rng, degree, *shape):
    size = (*shape, degree * (degree + 2))
    return rng.normal(size=size) + 1j * rng.normal(size=size)


def unit(n, m, degree):
    q = np.zeros(degree * (degree + 2), dtype=complex)
    q[n * (n + 1) + m - 1] = 1
    return q


def named(abc):
    return dict(zip(("alpha", "beta", "gamma"), abc, strict=True))


def of_degree(n):
    return slice(n * n - 1, n * (n + 2))


def textbook(q, alpha, beta, gamma, d):
    """sum_m' exp(-j m alpha) d^n_{m m'}(beta) exp(-j m' gamma) q_nm', d(n, beta) the matrix."""
    result = np.empty_like(q)
    for n in range(1, round(np.sqrt(q.shape[-1] + 1))):
        m = np.arange(-n, n + 1)
        matrix = np.exp(-1j * m * alpha)[:, None] * d(n, beta) * np.exp(-1j * m * gamma)
        result[..., of_degree(n)] = q[..., of_degree(n)] @ matrix.T
    return result


def assert_close_by_degree(found, expected, *, rounding=2.0):
    """Each degree to ``rounding`` n eps of its norm.

    A recurrence of n steps rounds n times by eps/2, once more in each of two phases: 2 n eps.
    """
    for n in range(1, round(np.sqrt(found.shape[-1] + 1))):
        part = of_degree(n)
        error = np.linalg.norm(found[..., part] - expected[..., part], axis=-1)
        assert np.all(error <= rounding * n * EPS * np.linalg.norm(expected[..., part], axis=-1)), n


# --- coefficients --------------------------------------------------------------------------


@pytest.mark.parametrize("abc", ANGLES[:2])
def test_against_many_digits(rng, abc):
    def d(n, beta):
        order = range(-n, n + 1)
        with mpmath.workdps(30):
            rows = [[oracle.rotation_coefficient_mp(n, m, k, beta) for k in order] for m in order]
            return np.array(rows, dtype=float)

    q = random_coefficients(rng, 8, 2)
    assert_close_by_degree(rotate_coefficients(q, **named(abc)), textbook(q, *abc, d))


@pytest.mark.parametrize("abc", ANGLES)
def test_against_the_exponential_of_the_generator(rng, abc):
    q = random_coefficients(rng, 40)
    expected = textbook(q, *abc, oracle.rotation_matrix)
    # The oracle's phases exp(-j m angle) are rounded where their argument is, by n |angle| eps/2
    # each, and its eigenvectors err by as much as the recurrence.
    rounding = 4 + np.abs(abc).sum()
    assert_close_by_degree(rotate_coefficients(q, **named(abc)), expected, rounding=rounding)


def test_printed_samples():
    # Check values, section 1: d^1_{1,0}(pi/3), d^2_{1,-1}(pi/3), d^5_{1,3}(1.1), <n m|..|n mu>.
    for n, m, mu, beta, value in [
        (1, 1, 0, np.pi / 3, -0.6123724357),
        (2, 1, -1, np.pi / 3, 0.5),
        (5, 1, 3, 1.1, -0.148552103566),
    ]:
        q = rotate_coefficients(unit(n, mu, n), alpha=0.0, beta=beta, gamma=0.0)
        # Half a unit of the last digit printed.
        assert q[n * (n + 1) + m - 1] == pytest.approx(value, abs=5e-11)


@pytest.mark.slow
@pytest.mark.parametrize(("n", "mu"), [(1000, -317), (640, 640), (999, 998)])
def test_single_waves_of_high_degree(n, mu):
    q = rotate_coefficients(unit(n, mu, n), alpha=0.0, beta=0.8, gamma=0.0)
    for m in (-n, -301, 0, 450):
        with mpmath.workdps(400):  # binomials of 2000 and powers of a small sine
            value = float(oracle.rotation_coefficient_mp(n, m, mu, 0.8))
        assert abs(q[n * (n + 1) + m - 1] - value) < 2 * n * EPS


@pytest.mark.parametrize("degree", [200, 500])
def test_there_and_back(rng, degree):
    # Two rotations of 2 N eps of the norm at most; 1e-10 is asked for degree 200.
    q = random_coefficients(rng, degree)
    turned = rotate_coefficients(q, alpha=0.3, beta=1.1, gamma=-2.0)
    back = rotate_coefficients(turned, alpha=2.0, beta=-1.1, gamma=-0.3)
    assert np.linalg.norm(turned - q) > np.linalg.norm(q)
    assert np.linalg.norm(back - q) < 2 * degree * EPS * np.linalg.norm(q)
    # Nothing passes from one degree to another: each is turned by a unitary matrix.
    norm = [np.linalg.norm(x[of_degree(degree // 2)]) for x in (q, turned)]
    assert norm[1] == pytest.approx(norm[0], rel=2 * degree * EPS)


def test_degree_200_takes_no_noteworthy_time(rng):
    q = random_coefficients(rng, 200, 2)
    begin = time.process_time()
    rotate_coefficients(q, alpha=0.3, beta=1.1, gamma=-2.0)
    # 0.05 s of one core; N^4 operations, or a Python loop over orders, would take longer.
    assert time.process_time() - begin < 2


@pytest.mark.parametrize("which", ["alpha", "gamma"])
def test_about_z_a_phase(rng, which):
    q = random_coefficients(rng, 60)
    n = np.repeat(np.arange(1, 61), 2 * np.arange(1, 61) + 1)
    m = np.arange(n.size) + 1 - n * (n + 1)
    turned = rotate_coefficients(q, **{"alpha": 0.0, "beta": 0.0, "gamma": 0.0, which: 0.7})
    assert_close_by_degree(turned, q * np.exp(-0.7j * m))


def test_two_rotations_are_one(rng):
    q = random_coefficients(rng, 30)
    one, other = ANGLES[0], ANGLES[4]
    both = rotation_matrix(**named(other)) @ rotation_matrix(**named(one))
    once = rotate_coefficients(q, **named(euler_angles(both)))
    twice = rotate_coefficients(rotate_coefficients(q, **named(one)), **named(other))
    # Three rotations, and the angles of the product: N times the rounding of a matrix.
    assert_close_by_degree(twice, once, rounding=3 * 2 + MATRIX_ATOL / EPS)


def test_many_sets_at_once_in_pieces(rng, monkeypatch):
    q = random_coefficients(rng, 5, 3, 2)
    whole = rotate_coefficients(q, **named(ANGLES[0]))
    monkeypatch.setattr(rotation, "_AT_ONCE", 80)  # two sets of 35, the last time one fewer
    pieces = rotate_coefficients(q[:, :1], **named(ANGLES[0]), threads=1)
    assert whole.shape == q.shape
    # The order of sums differs with the number of sets.
    assert_close_by_degree(pieces, whole[:, :1])
    for index in np.ndindex(3, 2):
        one = rotate_coefficients(q[index], **named(ANGLES[0]))
        assert_close_by_degree(one, whole[index])
    assert rotate_coefficients(q[:0], **named(ANGLES[0])).shape == (0, 2, 35)


def test_coefficients_that_are_refused():
    zero = named((0.0, 0.0, 0.0))
    for count in (0, 4, 7):
        message = rf"{count} coefficients are not a complete set: expected N \(N \+ 2\), e.g. 3, 8"
        with pytest.raises(ValueError, match=message):
            rotate_coefficients(np.zeros((2, count)), **zero)
    with pytest.raises(ValueError, match="1 coefficients are not a complete set"):
        rotate_coefficients(1.0, **zero)
    with pytest.raises(ValueError, match=r"coefficients is .*nan.* at index \(1\), expected"):
        rotate_coefficients([0, np.nan, 0], **zero)
    for name in zero:
        with pytest.raises(ValueError, match=f"{name} is inf"):
            rotate_coefficients([0, 1, 0], **{**zero, name: np.inf})


# --- matrices ------------------------------------------------------------------------------


@pytest.mark.parametrize("beta", [0.0, 1e-300, 1e-16, 1e-14, 1e-9, 1.0, np.pi - 1e-9, np.pi])
def test_angles_give_the_matrix_back(rng, beta):
    for alpha, gamma in rng.uniform(-np.pi, np.pi, (20, 2)):
        matrix = rotation_matrix(alpha=alpha, beta=beta, gamma=gamma)
        found = euler_angles(matrix)
        assert 0 <= found[1] <= np.pi
        assert np.abs(found).max() <= np.pi
        # The nearest orthogonal matrix, and the product again.
        np.testing.assert_allclose(rotation_matrix(**named(found)), matrix, atol=2 * MATRIX_ATOL)
        if beta == 1.0:
            np.testing.assert_allclose(found, (alpha, beta, gamma), atol=2 * MATRIX_ATOL)
        if beta in (0.0, np.pi):
            assert found[0] == 0


def test_angles_of_plain_turns():
    # Exact matrices, as a user types them.
    assert euler_angles(np.eye(3)) == (0.0, 0.0, 0.0)
    alpha, beta, gamma = euler_angles(np.diag([1, -1, -1]))
    assert (alpha, beta, abs(gamma)) == (0.0, np.pi, np.pi)
    assert euler_angles(np.diag([-1, 1, -1])) == (0.0, np.pi, 0.0)


def test_a_matrix_of_six_digits_is_made_a_rotation():
    exact = rotation_matrix(**named(ANGLES[0]))
    found = checked_rotation(exact.round(6))
    np.testing.assert_allclose(found.T @ found, np.eye(3), atol=MATRIX_ATOL)
    # Half a digit in each of nine entries.
    np.testing.assert_allclose(found, exact, atol=9 * 5e-7)


def test_matrices_that_are_refused():
    r = rotation_matrix(**named(ANGLES[0]))
    with pytest.raises(ValueError, match=r"rotation has shape \(2, 3\), expected \(3, 3\)"):
        checked_rotation(r[:2])
    with pytest.raises(ValueError, match="rotation has 1 dimensions, expected 2"):
        checked_rotation(r[0])
    with pytest.raises(ValueError, match=r"not orthogonal \(R\^T R differs from 1 by 0.0201.*its"):
        checked_rotation(1.01 * r)
    with pytest.raises(ValueError, match="determinant -1, a mirror image: reverse one axis"):
        euler_angles(r[:, [1, 0, 2]])
