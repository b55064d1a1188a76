"""Products of a small matrix of each degree."""

import numpy as np

from nf2ff.kernel import spin
from nf2ff.kernel.by_degree import apply_by_degree, packed_modes


def complexes(rng, *shape):
    return rng.normal(size=shape) + 1j * rng.normal(size=shape)


def columns(packed):
    """The same numbers in another order of memory: components are neighbours."""
    return np.ascontiguousarray(packed.swapaxes(1, 2)).swapaxes(1, 2)


def test_products_do_not_depend_on_what_lies_behind_in_memory(rng):
    # To the last bit. numpy 2.0 multiplies with other roundings where strided numbers end right before those
    # of another operand: other memory each time finds that.
    degree = 10
    matrix = complexes(rng, degree, 2, 2)
    packed = spin.pack(complexes(rng, 2, degree * (degree + 2)))
    n = spin.packed_numbers(degree)[1]
    wanted = apply_by_degree(matrix, packed, n)
    modes = packed_modes(matrix, packed, np.empty((2, n.size, 2), dtype=complex), threads=1)
    held = []
    for _ in range(500):
        held.append(np.empty(rng.integers(1, 4 * packed.nbytes), dtype=np.uint8))
        if len(held) > 30:
            del held[rng.integers(len(held))]
        other = columns(packed)
        np.testing.assert_array_equal(apply_by_degree(matrix, other, n), wanted)
        room = np.empty((2, n.size, 2), dtype=complex)
        np.testing.assert_array_equal(packed_modes(matrix, other, room, threads=1), modes)
