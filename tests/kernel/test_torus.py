"""Sums over spins on rings, taken to points, against the sums that define them."""

import numpy as np
import oracle
import pytest

from nf2ff.kernel import spin as transforms
from nf2ff.kernel import torus

EPS = 2.0**-52
#: Asked of the transforms at points; they reach about a tenth of it.
EPSILON = 1e-12
#: In single precision: 2^-23 times some ten roundings of a sum, and what is asked.
SINGLE = 2e-6
#: Sets of spins: each parity alone, mixed, with gaps, out of order.
SPINS = [(0,), (1,), (2,), (3,), (0, 1), (1, 2), (0, 2, 4), (5, 1, 0, 2)]


def relative(value, wanted):
    """Relative L2 error."""
    return np.linalg.norm(value - wanted) / np.linalg.norm(wanted)


def numbers(degree):
    """Arrays m and n of the order n (n+1) + m - 1."""
    pairs = [(m, n) for n in range(1, degree + 1) for m in range(-n, n + 1)]
    return np.array(pairs).T


def random_coefficients(rng, s, degree):
    """Coefficients (C, N(N+2)), those with n < s zero as every spin-s function's are."""
    _, n = numbers(degree)
    shape = (2 if s else 1, n.size)
    return (rng.normal(size=shape) + 1j * rng.normal(size=shape)) * (n >= s)


def columns(s, degree, theta, phi, chi):
    """What each coefficient contributes to a reading at ``chi``, (P, C, N(N+2)).

    map_1 cos(s chi) + map_2 sin(s chi) is half of (map_1 - j map_2) e^(j s chi) plus half of
    (map_1 + j map_2) e^(-j s chi); both are sums over y_n d^n_{m,+-s} e^(j m phi), as the
    docstring of `spin` states them; d by the oracle's eigenvectors.
    """
    m, n = numbers(degree)
    wave = np.sqrt((2 * n + 1) / (4 * np.pi)) * np.exp(1j * np.outer(phi, m))

    def d(mu):
        result = np.zeros((theta.size, m.size))
        for k in range(max(abs(mu), 1), degree + 1):
            for i, t in enumerate(theta):
                result[i, k * k - 1 : k * (k + 2)] = oracle.rotation_matrix(k, t)[:, k + mu]
        return result

    if s == 0:
        return (wave * d(0))[:, None]
    minus = -0.5 * wave * d(s) * np.exp(1j * s * chi)  # of G - jC
    plus = 0.5 * (-1) ** (s + 1) * wave * d(-s) * np.exp(-1j * s * chi)  # of G + jC
    return np.stack([minus + plus, 1j * (plus - minus)], axis=1)


def readings(coefficients, turn):
    """The sum over all spins at the points of a turn, slowly."""
    theta, phi = turn.location.T
    total = np.zeros(theta.size, dtype=complex)
    for s, a in coefficients.items():
        degree = round(np.sqrt(a.shape[1] + 1)) - 1
        total += np.einsum("pcj,cj->p", columns(s, degree, theta, phi, turn.chi), a)
    return total


@pytest.fixture
def turns(points):
    """Three turns, each with both poles, at places and rotations of their own."""

    def make(count=20):
        theta, phi, _ = points(count)
        location = np.stack([theta, phi], axis=1)
        return (
            torus.Turn(0.0, location),
            torus.Turn(np.pi / 2, location[::-1][: count // 2 + 4].copy()),
            torus.Turn(-2.3, location[1::2].copy()),
        )

    return make


@pytest.mark.parametrize("threads", [1, 2, 3])
@pytest.mark.parametrize("spins", SPINS)
def test_synthesis_is_the_sum(spins, threads, turns, rng):
    degree, where = 9, turns()
    a = {s: random_coefficients(rng, s, degree) for s in spins}
    parts = [(s, transforms.pack(x)) for s, x in a.items()]
    got = torus.synthesis(parts, where, epsilon=EPSILON, threads=threads)
    assert len(got) == len(where)
    for turn, values in zip(where, got, strict=True):
        assert values.shape == turn.location.shape[:1]
        assert relative(values, readings(a, turn)) < EPSILON


@pytest.mark.parametrize("degree", [1, 2, 3, 4, 5, 8, 13, 19])
def test_every_degree(degree, turns, rng):
    # From degree 1 upward the number of rings goes through lengths that the FFT likes and does
    # not; both parities, up to the highest spin that the degree has.
    where = turns(8)
    a = {s: random_coefficients(rng, s, degree) for s in range(min(degree, 6) + 1)}
    got = torus.synthesis([(s, transforms.pack(x)) for s, x in a.items()], where, epsilon=EPSILON, threads=2)
    for turn, values in zip(where, got, strict=True):
        assert relative(values, readings(a, turn)) < EPSILON


@pytest.mark.parametrize("s", [0, 1, 2, 3])
@pytest.mark.parametrize("m", [-3, -1, 0, 2, 3])
def test_each_order_by_itself(s, m, turns, rng):
    # So that +m and -m, the two parities and the two poles cannot be exchanged unseen.
    degree, where = 4, turns()
    a = {s: random_coefficients(rng, s, degree) * (numbers(degree)[0] == m)}
    got = torus.synthesis([(s, transforms.pack(a[s]))], where, epsilon=EPSILON, threads=2)
    for turn, values in zip(where, got, strict=True):
        assert relative(values, readings(a, turn)) < EPSILON


@pytest.mark.parametrize("pole", [0.0, np.pi])
def test_poles(pole, rng):
    # At a pole only m = s (north, d = 1) or m = -s (south) of either sign is left, and chi and
    # phi do the same: turning both at once, the one back, leaves the reading as it is.
    degree, phi = 6, np.linspace(0, 2 * np.pi, 7)
    location = np.stack([np.full(phi.size, pole), phi], axis=1)
    sign = 1 if pole == 0 else -1
    a = {s: random_coefficients(rng, s, degree) for s in (0, 1, 2, 3)}
    parts = [(s, transforms.pack(x)) for s, x in a.items()]
    where = [torus.Turn(0.4 - sign * p, location[i : i + 1]) for i, p in enumerate(phi)]
    got = np.concatenate(torus.synthesis(parts, where, epsilon=EPSILON, threads=2))
    np.testing.assert_allclose(got, got[0], rtol=0, atol=EPSILON * np.abs(got[0]) * 10)
    assert relative(got, np.concatenate([readings(a, turn) for turn in where])) < EPSILON * 10


def test_it_is_the_sum_of_transforms_at_points(turns, rng):
    # The other way to the same readings, one transform for each spin: degree 60, beyond what the
    # oracle does in a second.
    degree, where = 60, turns(60)
    a = {s: transforms.pack(random_coefficients(rng, s, degree)) for s in (0, 1, 2, 5, 7)}
    got = torus.synthesis(list(a.items()), where, epsilon=EPSILON, threads=2)
    for turn, values in zip(where, got, strict=True):
        wanted = 0
        for s, packed in a.items():
            maps = transforms.point_synthesis(
                packed, spin=s, location=turn.location, epsilon=EPSILON, threads=2
            )
            angle = s * turn.chi
            wanted = wanted + (maps[0] if s == 0 else maps[0] * np.cos(angle))
            wanted = wanted + (0 if s == 0 else maps[1] * np.sin(angle))
        # Both err, each by less than asked.
        assert relative(values, wanted) < 2 * EPSILON


@pytest.mark.parametrize("threads", [1, 2])
@pytest.mark.parametrize("spins", SPINS)
def test_dot_products_agree(spins, threads, turns, rng):
    degree, where = 9, turns()
    options = {"epsilon": EPSILON, "threads": threads}
    x = [(s, transforms.pack(random_coefficients(rng, s, degree))) for s in spins]
    ax = torus.synthesis(x, where, **options)
    y = [rng.normal(size=v.shape) + 1j * rng.normal(size=v.shape) for v in ax]
    ahy = torus.adjoint(y, spins, where, degree=degree, **options)
    left = sum(np.vdot(a, b) for a, b in zip(ax, y, strict=True))
    right = sum(np.vdot(a, b) for (_, a), b in zip(x, ahy, strict=True))
    size = np.linalg.norm(np.concatenate(ax)) * np.linalg.norm(np.concatenate(y))
    assert abs(left - right) < EPSILON * size
    # The test would be empty with products much smaller than the norms.
    assert abs(left) > 1e-3 * size


@pytest.mark.parametrize("spins", [(0,), (1,), (2, 1), (3, 0)])
def test_adjoint_is_the_conjugate_transpose_of_the_sum(spins, turns, rng):
    # Coefficient by coefficient, which a dot test with one pair of vectors does not show.
    degree, where = 5, turns(6)
    y = [rng.normal(size=len(t.location)) + 1j * rng.normal(size=len(t.location)) for t in where]
    found = torus.adjoint(y, spins, where, degree=degree, epsilon=EPSILON, threads=2)
    for s, packed in zip(spins, found, strict=True):
        wanted = 0
        for turn, values in zip(where, y, strict=True):
            matrix = columns(s, degree, *turn.location.T, turn.chi)
            wanted = wanted + np.einsum("pcj,p->cj", matrix.conj(), values)
        assert relative(transforms.unpack(packed), wanted) < 2 * EPSILON
        # Entries that stand for no coefficient are zero: (-, m = 0) and n < max(s, 1).
        m, n = transforms.packed_numbers(degree)
        assert np.all(packed[:, :, n < max(s, 1)] == 0)
        assert np.all(packed[1][:, m == 0] == 0)
        assert np.all(packed[0][:, n >= max(s, 1)] != 0)


@pytest.mark.parametrize("threads", [1, 2, 4])
@pytest.mark.parametrize("count", [1, 7, 8])
def test_adjoint_of_a_single_turn(count, threads, turns, rng):
    # From four threads on, the points of one turn, however many, are shared by two.
    degree, spins = 5, (0, 1, 2)
    turn = turns(12)[0]
    where = [torus.Turn(0.7, turn.location[3 : 3 + count].copy())]
    y = rng.normal(size=(count, 2)) @ [1, 1j]
    found = torus.adjoint([y], spins, where, degree=degree, epsilon=EPSILON, threads=threads)
    for s, packed in zip(spins, found, strict=True):
        matrix = columns(s, degree, *where[0].location.T, where[0].chi)
        wanted = np.einsum("pcj,p->cj", matrix.conj(), y)
        assert relative(transforms.unpack(packed), wanted) < 2 * EPSILON


@pytest.mark.parametrize("count", [1, 2])
def test_adjoint_is_the_same_every_time(count, points, rng):
    # To the last bit, on up to three threads: one adds up all points of a turn, in its own order.
    theta, phi, _ = points(30_000)  # of few all are added by one thread
    location = np.stack([theta, phi], axis=1)
    where = [torus.Turn(chi, location) for chi in (0.0, np.pi / 2, -np.pi / 2)[:count]]
    y = [rng.normal(size=(theta.size, 2)) @ [1, 1j] for _ in where]
    first, *others = (
        torus.adjoint(y, (1, 2), where, degree=40, epsilon=1e-9, threads=threads)
        for threads in (1, 2, 3, 2, 3, 1)
    )
    for other in others:
        np.testing.assert_array_equal(np.array(other), np.array(first))


def test_single_precision(turns, rng):
    degree, spins, where = 12, (0, 1, 2), turns()
    a = {s: random_coefficients(rng, s, degree) for s in spins}
    parts = [(s, transforms.pack(x).astype(np.complex64)) for s, x in a.items()]
    got = torus.synthesis(parts, where, epsilon=SINGLE, threads=2)
    for turn, values in zip(where, got, strict=True):
        assert values.dtype == np.complex64
        assert relative(values, readings(a, turn)) < 2 * SINGLE
    back = torus.adjoint(got, spins, where, degree=degree, epsilon=SINGLE, threads=2)
    assert {x.dtype for x in back} == {np.dtype(np.complex64)}
    squares = sum(np.vdot(v, v).real for v in got)
    products = sum(np.vdot(x, b) for (_, x), b in zip(parts, back, strict=True))
    assert products == pytest.approx(squares, rel=2 * SINGLE)


def test_turn_factors():
    # 1 for s = 0; else cos(s chi), sin(s chi), with exact zeros at right angles, where s chi is
    # off by as many roundings of pi/2 as s says.
    chi = np.array([0.0, np.pi / 2, np.pi, -np.pi / 2, 0.3])
    (one,) = torus.turn_factors(0, chi)
    np.testing.assert_array_equal(one, np.ones(5))
    for s in range(1, 9):
        cos, sin = torus.turn_factors(s, chi)
        np.testing.assert_allclose(cos, np.cos(s * chi), rtol=0, atol=8 * EPS * s)
        np.testing.assert_allclose(sin, np.sin(s * chi), rtol=0, atol=8 * EPS * s)
        even = s % 2 == 0
        np.testing.assert_array_equal(sin[[0, 2]], 0)
        np.testing.assert_array_equal((sin if even else cos)[[1, 3]], 0)
        assert np.all((cos if even else sin)[[1, 3]] != 0)
        assert np.all(np.array([cos, sin])[:, 4] != 0)


@pytest.mark.parametrize("taken", [np.int64, np.uint64, None])
def test_orders_in_the_type_that_the_library_takes(taken, monkeypatch):
    # ducc0 0.42 takes unsigned ones only, 0.41 and older signed ones only.
    def library(**given):
        if not given["mval"].dtype == given["mstart"].dtype == taken:
            msg = "type mismatch"
            raise RuntimeError(msg)

    monkeypatch.setattr(torus.ducc0.sht, "alm2leg", library)
    torus._index_type.cache_clear()
    try:
        if taken is None:
            with pytest.raises(RuntimeError, match="neither signed nor unsigned"):
                torus._index_type()
        else:
            assert torus._index_type() == taken
    finally:
        torus._index_type.cache_clear()
