"""Many sets of readings at once: by numpy everywhere, and by CuPy where there is a device."""

import sys
import types

import numpy as np
import pytest

from nf2ff.kernel import fine_grid, gpu, spin
from nf2ff.kernel.rotation import rotation_sequences
from nf2ff.messages.input_error import InputError

#: Gradient and curl of the two circular parts: c+- = +-(G +- iC) / sqrt 2, solved for G and C.
GRADIENT_AND_CURL = np.array([[1, -1], [-1j, -1j]]) / np.sqrt(2)


def host(x):
    return x.get() if hasattr(x, "get") else x


def normal(rng, *shape):
    return rng.normal(size=shape) + 1j * rng.normal(size=shape)


def batch_at(xp, degree, tolerance, rng, count=90):
    """Positions at random, some at the poles and on rings of the grid, both polarisations, own weights."""
    rings, _ = fine_grid.fine_shape(degree)
    special = [0, np.pi, 1e-9, 0.5 * np.pi / rings, np.pi * (1 - 0.5 / rings)]
    theta = np.concatenate([special, np.arccos(rng.uniform(-1, 1, count - len(special)))])
    phi = np.concatenate([[0, 6.0, 0], rng.uniform(0, 2 * np.pi, count - 3)])
    location = np.stack([theta, phi], axis=1)
    chi = rng.uniform(0, 7, count) + np.array([[0], [np.pi / 2]])
    weights = rng.uniform(0.5, 1.5, count)
    # cos^2 and sin^2 of chi add up to one, their products to nothing.
    field = fine_grid.impulses(location, weights, degree=degree, odd=False)
    both = np.tile(weights, (2, 1))
    made = gpu.Batch(xp, degree, tolerance, location=location, chi=chi, weights=both, field=field)
    return made, location, chi


def coefficients(batch, rng, sets):
    """Random ones, none where no wave is."""
    place = np.unique(host(batch._places[0]))
    x = np.zeros((4 * batch.count, sets), dtype=complex)
    x[place] = normal(rng, place.size, sets)
    return batch.xp.asarray(x.reshape(-1, 4, sets))


@pytest.mark.parametrize(("degree", "tolerance"), [(1, 1e-10), (2, 1e-6), (13, 1e-10), (40, 1e-12)])
def test_readings_and_products(xp, degree, tolerance, rng):
    batch, location, chi = batch_at(xp, degree, tolerance, rng)
    x = coefficients(batch, rng, 3)
    turn = batch.xp.asarray(np.broadcast_to(GRADIENT_AND_CURL, (degree, 2, 2))[..., None])
    maps = host(batch.modes(x, turn))
    found = batch.forward(x)
    for i in range(3):
        packed = spin.pack(maps[..., i])
        theta, phi = spin.point_synthesis(packed, spin=1, location=location, epsilon=3e-13, threads=1)
        wanted = theta * np.cos(chi) + phi * np.sin(chi)
        # As accurate as asked for.
        assert np.abs(host(found)[..., i] - wanted).max() < tolerance * np.abs(wanted).max()
    # The dot test, to rounding.
    w = xp.asarray(normal(rng, *found.shape))
    back = batch.adjoint(w)
    sizes = np.linalg.norm(host(w)) * np.linalg.norm(host(found))
    assert abs(np.vdot(host(w), host(found)) - np.vdot(host(back), host(x))) < 1e-14 * sizes
    # By way of the grid as by way of the positions: two products as accurate as asked for, and the impulses.
    wanted = host(batch.adjoint(batch.weights * found))
    gap = np.abs(host(batch.product(x)) - wanted).max() / np.abs(wanted).max()
    assert gap < 10 * (tolerance + fine_grid.EPSILON)


def test_norms_are_those_of_gradient_and_curl(rng):
    batch, _, _ = batch_at(np, 6, 1e-6, rng)
    x = coefficients(batch, rng, 2)
    maps = batch.modes(x, np.broadcast_to(GRADIENT_AND_CURL, (6, 2, 2))[..., None])
    wanted = np.sum(np.abs(maps) ** 2, axis=(0, 1))  # the change is unitary
    np.testing.assert_allclose(gpu._inner(np, x, x), wanted, rtol=1e-13)


@pytest.mark.parametrize("degree", [5, 300, gpu.MAX_DEGREE])
def test_table(degree):
    # The recurrence of its own, by LAPACK, at rings that are near the poles as well.
    rings, m = 40, np.unique([0, 1, degree // 3, degree])
    rows, slices = gpu._layout(degree)
    if degree == gpu.MAX_DEGREE:
        rings = 2
    table = gpu.wave_table(np, degree, rings, rows, slices[-1][1].stop)
    theta = (np.arange(rings) + 0.5) * np.pi / rings
    wanted, n = rotation_sequences(degree, theta, mu=1, m=m)
    wanted *= np.sqrt((2 * n + 1) / (4 * np.pi))
    at = np.concatenate([rows[i, i:] for i in m])
    # Rounding of N steps of a recurrence, of functions up to sqrt(N) large.
    np.testing.assert_allclose(table[at].T, wanted, atol=4e-16 * degree**1.5)
    # Rows that pad are empty.
    used = np.zeros(len(table), dtype=bool)
    used[np.concatenate([rows[i, i:] for i in range(degree + 1)])] = True
    assert not table[~used].any()
    assert np.count_nonzero(used) > 0.9 * used.size or degree < 100


def test_the_same_bits_each_time(xp, rng):
    batch, _, chi = batch_at(xp, 4, 1e-10, rng)
    readings = xp.asarray(normal(rng, *chi.shape, 5))
    options = {"rtol": 1e-9, "most": 50, "damping": 0.1}
    first, again = (batch.solve(readings, **options) for _ in range(2))
    for one, other in zip(first, again, strict=True):
        np.testing.assert_array_equal(host(one), host(other))
    alone = batch.solve(xp.ascontiguousarray(readings[..., 3:4]), **options)
    # Matrix products of other shapes may add in another order.
    np.testing.assert_allclose(host(alone[0])[..., 0], host(first[0])[..., 3], atol=1e-13)


def test_sets_of_nothing_and_too_few_steps(xp, rng):
    batch, _, chi = batch_at(xp, 4, 1e-10, rng)
    readings = normal(rng, *chi.shape, 3)
    readings[..., 1] = 0
    x, _, residual, steps, reached, unevenness = map(
        host, batch.solve(xp.asarray(readings), rtol=1e-9, most=2, damping=0.0)
    )
    assert steps.tolist() == [2, 0, 2]
    assert reached.tolist() == [False, True, False]
    assert not x[..., 1].any()
    assert residual[1] == unevenness[1] == 0
    assert np.isfinite(x).all()
    # Of complex noise alike everywhere, 2 (closed form); of 180 readings within a fifth or so.
    np.testing.assert_allclose(unevenness[[0, 2]], 2, atol=0.6)


def test_without_the_library(monkeypatch):
    monkeypatch.setitem(sys.modules, "cupy", None)
    with pytest.raises(InputError, match=r"CuPy.*not installed.*pip install 'nf2ff\[gpu\]'.*device=\"cpu\""):
        gpu.array_module()


def test_without_a_device(monkeypatch):
    def none():
        raise RuntimeError("cudaErrorNoDevice: no CUDA-capable device is detected")

    runtime = types.SimpleNamespace(getDeviceCount=none)
    fake = types.SimpleNamespace(cuda=types.SimpleNamespace(runtime=runtime))
    monkeypatch.setitem(sys.modules, "cupy", fake)
    with pytest.raises(InputError, match=r"finds none \(cudaErrorNoDevice"):
        gpu.array_module()
