"""Directions and their angles."""

import numpy as np

from nf2ff.kernel import sphere


def test_angles_do_not_depend_on_what_lies_behind_in_memory(rng):
    # To the last bit: see the test of `by_degree`, the same of numpy's arctan2 with strided numbers.
    direction = rng.normal(size=(201, 3))
    wanted, held = sphere.direction_angles(direction), []
    for _ in range(500):
        held.append(np.empty(rng.integers(1, 4 * direction.nbytes), dtype=np.uint8))
        if len(held) > 30:
            del held[rng.integers(len(held))]
        np.testing.assert_array_equal(sphere.direction_angles(direction.copy()), wanted)
