"""The smallest sphere about the rotation centre that holds what radiates, and a better centre."""

import math

import numpy as np
import pytest

from nf2ff.planning.enclosure import Part, best_centre, minimum_radius


def test_boxes_and_spheres():
    """Closed forms: half the diagonal; distance plus radius; distance to the farthest corner."""
    box = Part(sides=(0.16, 0.08, 0.01))
    assert minimum_radius([box]) == pytest.approx(math.sqrt(0.08**2 + 0.04**2 + 0.005**2), rel=1e-14)
    ball = Part(centre=(0.03, 0, 0.04), diameter=0.05)
    assert minimum_radius([ball]) == pytest.approx(0.05 + 0.025, rel=1e-14)
    assert minimum_radius([box, ball], about=(0.03, 0, 0.04)) == pytest.approx(
        math.sqrt(0.11**2 + 0.04**2 + 0.045**2), rel=1e-14
    )


def test_the_best_centre():
    """Closed forms: of a box its middle; of two balls on a line the middle of their outer ends."""
    centre, radius = best_centre([Part(centre=(0.1, 0.2, 0.3), sides=(0.16, 0.08, 0.01))])
    np.testing.assert_allclose(centre, [0.1, 0.2, 0.3], atol=1e-9)
    assert radius == pytest.approx(math.sqrt(0.08**2 + 0.04**2 + 0.005**2), rel=1e-9)
    two = [Part(centre=(0, 0, 0.1), diameter=0.02), Part(centre=(0, 0, -0.06), diameter=0.06)]
    centre, radius = best_centre(two)
    # Ends at z = 0.11 and -0.09.
    np.testing.assert_allclose(centre, [0, 0, 0.01], atol=1e-8)
    assert radius == pytest.approx(0.1, rel=1e-9)
    ball, radius = best_centre([Part(centre=(1, 2, 3), diameter=0.5)])
    np.testing.assert_allclose(ball, [1, 2, 3], atol=1e-12)
    assert radius == pytest.approx(0.25, rel=1e-12)
    # A ball that holds the other.
    inside = [Part(centre=(1, 2, 3), diameter=0.5), Part(centre=(1.1, 2, 3), diameter=0.1)]
    centre, radius = best_centre(inside)
    np.testing.assert_allclose(centre, [1, 2, 3], atol=1e-6)
    assert radius == pytest.approx(0.25, rel=1e-6)


def test_the_best_centre_is_no_worse_than_any_other(rng):
    for _ in range(5):
        parts = [Part(centre=rng.normal(size=3), sides=rng.uniform(0.1, 1, 3)) for _ in range(3)]
        centre, radius = best_centre(parts)
        assert minimum_radius(parts, about=centre) == pytest.approx(radius, rel=1e-9)
        for step in rng.normal(size=(50, 3)):
            assert minimum_radius(parts, about=centre + 0.01 * step) > radius * (1 - 1e-7)


def test_refused():
    with pytest.raises(ValueError, match=r"either sides or a diameter"):
        Part()
    with pytest.raises(ValueError, match=r"either sides or a diameter"):
        Part(sides=(1, 1, 1), diameter=1)
    with pytest.raises(ValueError, match=r"diameter is 0, expected"):
        Part(diameter=0)
    with pytest.raises(ValueError, match=r"sides .* expected 3"):
        Part(sides=(1, 1))
    with pytest.raises(ValueError, match=r"sides .* at least 0"):
        Part(sides=(1, 1, -1))
    with pytest.raises(ValueError, match=r"nothing that radiates"):
        minimum_radius([])
