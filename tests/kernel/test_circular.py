"""Products on the grid by matrices of a table, against the transforms of the library."""

import numpy as np
import pytest

from nf2ff.kernel import circular, fine_grid, spin


def random_maps(degree, rng):
    """Packed gradient and curl, none where no wave is."""
    packed = rng.normal(size=(2, 2, spin.packed_numbers(degree)[1].size, 2)) @ [1, 1j]
    packed[:, :, 0] = packed[1, :, : degree + 1] = 0
    return packed


def random_field(degree, rng):
    rings, columns = fine_grid.fine_shape(degree)
    return rng.uniform(0.5, 1.5, (rings, columns))


@pytest.mark.parametrize("degree", [1, 2, 13, 120])
def test_circular_parts(degree, rng):
    packed = random_maps(degree, rng)
    parts = circular.from_maps(packed)
    np.testing.assert_allclose(circular.to_maps(parts, degree), packed, atol=1e-15 * np.abs(packed).max())
    # The change is unitary.
    assert np.linalg.norm(parts) == pytest.approx(np.linalg.norm(packed), rel=1e-14)


@pytest.mark.parametrize("kind", [np.float64, np.float32])
@pytest.mark.parametrize("degree", [1, 2, 13, 40, circular.MAX_DEGREE])
def test_against_the_library(degree, kind, rng):
    packed, field = random_maps(degree, rng), random_field(degree, rng)
    found = circular.weighted_product(
        circular.from_maps(packed).astype(kind)[None],
        np.ascontiguousarray(field.T, kind),
        degree=degree,
        threads=1,
    )[0]
    assert found.dtype == kind
    fields = {(0, 0): field, (1, 1): field}
    real, imag = (
        fine_grid.weighted_product([(1, part)], fields, degree=degree, threads=1)[0]
        for part in spin.split(packed, 1)
    )
    wanted = spin.join(real, imag, 1, degree, 1)
    gap = np.linalg.norm(circular.to_maps(found, degree) - wanted)
    # Rounding of the table, as of `gpu.wave_table`, and in single precision what `solver.normal` counts on.
    accuracy = 1e-14 + 4e-16 * degree**1.5 if kind == np.float64 else 1e-6
    assert gap < accuracy * np.linalg.norm(wanted)


@pytest.mark.parametrize("bands", [1, 3])
@pytest.mark.parametrize("threads", [1, 2])
def test_products_of_low_orders(bands, threads, rng):
    # Those of all orders, of parts that have the low ones only, as far as these go.
    degree = 40
    parts, field = circular.from_maps(random_maps(degree, rng))[None], random_field(degree, rng)
    end, top = circular.ends(degree)[bands - 1], circular.BAND * bands - 1
    parts[:, end:] = 0
    low = fine_grid.of_low_orders(field, top)
    assert low.shape[1] < field.shape[1]
    wanted, found = (
        circular.weighted_product(given, of.T.copy(), degree=degree, threads=threads)
        for given, of in ((parts, field), (parts[:, :end], low))
    )
    np.testing.assert_allclose(found, wanted[:, :end], atol=1e-13 * np.abs(wanted).max())


@pytest.mark.parametrize("threads", [2, 3])
def test_the_same_bits_on_any_number_of_threads(threads, rng):
    parts, field = (
        circular.from_maps(random_maps(20, rng))[None],
        random_field(20, rng).T.copy(),
    )
    one, other = (circular.weighted_product(parts, field, degree=20, threads=t) for t in (1, threads))
    np.testing.assert_array_equal(one, other)


@pytest.mark.parametrize("kind", [np.float64, np.float32])
def test_the_same_bits_alone_and_beside_others(kind, rng):
    parts = np.stack([circular.from_maps(random_maps(20, rng)) for _ in range(5)]).astype(kind)
    field = random_field(20, rng).T.astype(kind, order="C")
    together = circular.weighted_product(parts, field, degree=20, threads=1)
    for one, found in zip(parts, together, strict=True):
        alone = circular.weighted_product(one[None].copy(), field, degree=20, threads=2)[0]
        np.testing.assert_array_equal(found, alone)
