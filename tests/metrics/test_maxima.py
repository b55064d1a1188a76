"""The tools of the search on the expansion: patches, their polynomials, and maxima on grids."""

import numpy as np
import oracle
import pytest
from scipy.signal import find_peaks

from nf2ff.antenna.modes import Modes
from nf2ff.kernel.sphere import unit_vectors
from nf2ff.metrics import cuts, maxima


def square(field, *_):
    return np.sum(np.abs(field) ** 2, axis=-1)


def patches_of(modes, centre, width, index=None):
    index = np.zeros(len(centre), dtype=int) if index is None else np.asarray(index)
    return maxima.sample_patches(
        modes,
        index=index,
        centre=centre,
        width=width,
        objective=square,
        keep=lambda top: np.full(top.size, True),
    )


def textbook(q, degree, direction):
    """Cartesian far field of the textbook's expansion."""
    flat = direction.reshape(-1, 3)
    theta, phi = (np.arctan2(np.hypot(flat[:, 0], flat[:, 1]), flat[:, 2]), np.arctan2(*flat.T[1::-1]))
    e = oracle.far_field(q, degree, theta, phi)
    _, along, across = oracle.cartesian(theta, phi)
    return (e[:, :1] * along + e[:, 1:] * across).reshape(direction.shape)


CENTRES = unit_vectors(np.array([0.0, 1e-9, 0.7, 2.0, np.pi]), np.array([0.0, 1.0, 2.0, 5.0, 0.0]))[0]


@pytest.mark.parametrize("degree", [1, 6, 15])
def test_polynomials_are_the_field(random_q, rng, degree):
    # pi/4N to either side, over the poles too; 6e-14 by Bernstein's inequality, and what the
    # transforms at points leave, asked for 1e-12, both of the largest field.
    q = [random_q(degree), random_q(degree)]
    width = np.pi / (4 * max(degree, 3))
    index = [0, 0, 0, 1, 1]
    patches = patches_of(Modes([1e9, 2e9], q), CENTRES, width, index)
    at = rng.uniform(-1, 1, (5, 9, 2))
    direction, field = patches.direction(at), patches.field(at)
    np.testing.assert_allclose(np.linalg.norm(direction, axis=-1), 1, rtol=1e-15)
    for k, f in enumerate(index):
        wanted = textbook(q[f], degree, direction[k])
        size = np.sqrt(oracle.Z0 / (4 * np.pi)) * np.linalg.norm(q[f]) * (degree + 1)
        np.testing.assert_allclose(field[k], wanted, atol=1e-12 * size)


def test_directions_lie_where_they_are_said_to(random_q, rng):
    # sqrt(x^2 + y^2) times the width away, towards x theta^ + y phi^.
    patches = patches_of(Modes([1e9], [random_q(2)]), CENTRES[2:3], 0.2)
    r, along, across = oracle.cartesian(0.7, 2.0)
    for at, towards in (([0.5, 0], along), ([0, -1], -across), ([0.6, 0.8], 0.6 * along + 0.8 * across)):
        angle = 0.2 * np.hypot(*at)
        wanted = np.cos(angle) * r + np.sin(angle) * towards
        found = patches.direction(np.array([[at]]))[0, 0]
        np.testing.assert_allclose(found, wanted, atol=1e-15)
    at = rng.uniform(-1, 1, (1, 20, 2))
    at[0, 0] = 0
    np.testing.assert_allclose(patches.coordinates(patches.direction(at)), at, atol=1e-14)


def test_patches_about_an_axis_point_away_from_it(random_q):
    # ``along`` leads away from the axis of the frequency, theta^ where the axis is in the middle.
    axes = unit_vectors(np.array([0.3, 1.5]), np.array([1.0, 4.0]))[0]
    # Rounding may leave a direction that means nothing.
    centre = np.concatenate([axes[:1] + np.array([1e-16, -1e-16, 0]), CENTRES[2:4]])
    index = np.array([0, 0, 1])
    patches = maxima.sample_patches(
        Modes([1e9, 2e9], [random_q(2), random_q(2)]),
        index=index,
        centre=centre,
        width=0.2,
        objective=square,
        keep=lambda top: np.full(top.size, True),
        axes=axes,
    )
    frame = np.stack([patches.along, patches.across, patches.centre], axis=1)
    np.testing.assert_allclose(
        frame @ frame.swapaxes(1, 2), np.broadcast_to(np.eye(3), (3, 3, 3)), atol=1e-15
    )
    ahead = patches.direction(np.array([[[1.0, 0.0]]] * 3))[:, 0]
    angle = np.arccos(np.sum(ahead * axes[index], axis=1))
    before = np.arccos(np.minimum(np.sum(centre * axes[index], axis=1), 1))
    np.testing.assert_allclose(angle, before + 0.2, atol=1e-12)
    np.testing.assert_allclose(patches.along[0], oracle.cartesian(0.3, 1.0)[1], atol=1e-15)


def test_derivatives_are_those_of_the_field(random_q, rng):
    # Central differences of the polynomials: h^2/6 times the next derivatives, below 10 of the
    # field on a patch, and rounding over h^2.
    patches = patches_of(Modes([1e9], [random_q(5)]), CENTRES[2:4], 0.15)
    at, h = rng.uniform(-0.9, 0.9, (2, 2)), 1e-4
    d = patches.derivatives(at)
    size = np.abs(d).max()

    def moved(x, y):
        return patches.field((at + np.array([x, y]))[:, None])[:, 0]

    first = [(moved(h, 0) - moved(-h, 0)) / (2 * h), (moved(0, h) - moved(0, -h)) / (2 * h)]
    second = [
        (moved(h, 0) - 2 * moved(0, 0) + moved(-h, 0)) / h**2,
        (moved(h, h) - moved(h, -h) - moved(-h, h) + moved(-h, -h)) / (4 * h**2),
        (moved(0, h) - 2 * moved(0, 0) + moved(0, -h)) / h**2,
    ]
    np.testing.assert_allclose(d[..., 0, 0], moved(0, 0), atol=1e-14 * size)
    np.testing.assert_allclose([d[..., 1, 0], d[..., 0, 1]], first, atol=1e-7 * size)
    np.testing.assert_allclose([d[..., 2, 0], d[..., 1, 1], d[..., 0, 2]], second, atol=1e-6 * size)


def test_components_of_a_cartesian_field(rng):
    # At a pole phi counts as 0: theta^ is x^ at +z, -x^ at -z.
    direction = np.concatenate([CENTRES, rng.normal(size=(6, 3))])
    direction /= np.linalg.norm(direction, axis=1)[:, None]
    direction[[0, 4], :2] = 0
    theta = np.arctan2(np.hypot(direction[:, 0], direction[:, 1]), direction[:, 2])
    _, along, across = oracle.cartesian(theta, np.arctan2(direction[:, 1], direction[:, 0]))
    field = rng.normal(size=direction.shape) + 1j * rng.normal(size=direction.shape)
    e_theta, e_phi = maxima.components_towards(field, direction)
    np.testing.assert_allclose(e_theta, np.sum(field * along, axis=1), atol=1e-14)
    np.testing.assert_allclose(e_phi, np.sum(field * across, axis=1), atol=1e-14)


def test_maxima_of_a_grid():
    value = np.zeros((6, 8))
    value[2, 0], value[3, 7] = 3.0, 2.0  # neighbours over the seam: the higher one alone
    value[4, 4] = 1.0
    assert [x.tolist() for x in maxima.grid_maxima(value, least=0.5, limit=9)] == [[2, 4], [0, 4]]
    assert [x.tolist() for x in maxima.grid_maxima(value, least=0.5, limit=1)] == [[2], [0]]
    assert maxima.grid_maxima(value, least=9.0, limit=9)[0].size == 0
    # To the left, to the right, and over the seam the other way.
    value = np.zeros((6, 8))
    value[2, 6], value[3, 7], value[3, 1], value[4, 0] = 2.0, 3.0, 2.0, 2.5
    assert [x.tolist() for x in maxima.grid_maxima(value, least=0.5, limit=9)] == [[3], [7]]
    # The whole next ring borders on a pole.
    value = np.zeros((6, 8))
    value[0], value[1, 5], value[5], value[4, 2] = 1.0, 2.0, 1.0, 2.0
    assert maxima.grid_maxima(value, least=0.5, limit=9)[0].tolist() == [1, 4]
    # The last row is an edge, not a pole, if so told.
    value[4, 2], value[5, 6] = 0.0, 3.0
    i, j = maxima.grid_maxima(value, least=2.5, limit=9, last_is_pole=False)
    assert (i.tolist(), j.tolist()) == ([5], [6])
    value[5, 6], value[4, 2] = 1.0, 2.0
    i, _ = maxima.grid_maxima(value, least=0.5, limit=9, last_is_pole=False)
    assert 5 in i.tolist()
    # A ring of equal values has one place.
    ring = np.zeros((5, 8))
    ring[2] = 1.0
    assert [x.tolist() for x in maxima.grid_maxima(ring, least=0.5, limit=9)] == [[2], [0]]
    # So has each ring of nothing at all, without a division by it.
    assert maxima.grid_maxima(np.zeros((3, 4)), least=0.0, limit=9)[0].tolist() == [0, 1, 2]


@pytest.mark.parametrize("least", [1e-12, 0.5, 2.0])
def test_prominent_maxima_are_those_of_another_library(rng, least):
    for size in (2, 3, 10, 400):
        smooth = np.convolve(rng.normal(size=size + 20), np.ones(5), mode="same")[10:-10]
        # Without and with equal neighbours and equal heights, also at the ends.
        for value in (smooth, np.round(smooth), np.zeros(size), np.append(9.0, smooth)):
            expected, _ = find_peaks(value, prominence=least)
            np.testing.assert_array_equal(cuts.prominent_maxima(value, least), expected)


def test_climbing_with_and_without_derivatives_agrees(random_q):
    # The same maximum by Newton's steps on |E|^2 and by the shrinking square.
    modes = Modes([1e9], [random_q(4)])
    theta, phi = (x.ravel() for x in np.meshgrid(np.linspace(0.2, 2.9, 8), np.arange(0, 6, 0.7)))
    patches = patches_of(modes, unit_vectors(theta, phi)[0], 0.2)
    at, value = maxima.climb(patches)
    inside = np.flatnonzero(np.all(np.abs(at) < 1, axis=1))
    assert inside.size > 3
    some = patches.take(inside)
    direction, field, top = maxima.climb_within(some, square, lambda _, direction: direction)
    found = some.coordinates(direction[:, None])[:, 0]
    np.testing.assert_allclose(top, square(field), rtol=1e-14)
    # The square stops where a gain of 1e-10 is left, 1e-5 of a patch from the maximum; one that
    # starts at the best node may end on a higher maximum of the patch.
    same = np.abs(found - at[inside]).max(axis=1) < 0.01
    assert np.count_nonzero(same) > 3
    np.testing.assert_allclose(found[same], at[inside][same], atol=3e-4)
    np.testing.assert_allclose(top[same], value[inside][same], rtol=1e-9)
    assert np.all(top >= value[inside] * (1 - 1e-9))


def test_the_patches_of_a_frequency_are_left_once_one_has_enough(random_q):
    modes = Modes([1e9, 2e9], [random_q(4), random_q(4)])
    theta, phi = (x.ravel() for x in np.meshgrid(np.linspace(0.2, 2.9, 8), np.arange(0, 6, 0.7)))
    centre = unit_vectors(theta, phi)[0]
    # Most are of the first frequency, so that what goes on without them is fewer than half.
    index = (np.arange(centre.shape[0]) >= 60).astype(int)
    patches = maxima.sample_patches(
        modes,
        index=index,
        centre=centre,
        width=0.2,
        objective=square,
        keep=lambda top: np.ones(top.size, dtype=bool),
    )
    looked = []

    def counted(field, _, index):
        looked.append(np.count_nonzero(index == 0))
        return square(field) * np.where(index == 0, scale, 1.0)[:, None]

    def stay(_, direction):
        return direction

    scale = 1.0
    top = maxima.climb_within(patches, counted, stay)[2]
    alone = sum(looked)
    looked.clear()
    # One patch of the first frequency has enough where it begins, of the other frequency none.
    enough = 2 * top[index == 1].max()
    begin = square(patches.field(patches.best[:, None]))[index == 0, 0]
    scale = enough / (0.5 * np.sum(np.sort(begin)[-2:]))
    found = maxima.climb_within(patches, counted, stay, enough=enough)[2]
    # One look at each, no more; the other frequency goes on as if it were alone, but for the
    # rounding of sums over another number of patches.
    assert sum(looked) == 60 < alone
    np.testing.assert_allclose(found[index == 1], top[index == 1], rtol=1e-13)
    assert found[index == 0].max() >= enough
