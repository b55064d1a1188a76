"""Regular waves against the textbook's formulas."""

import numpy as np
import oracle
import pytest

from nf2ff.kernel.sphere import direction_angles
from nf2ff.ranges.regular_waves import magnetic, regular_waves, truncation_error_db
from nf2ff.ranges.zone_waves import zone_degree

K = 3.0


def test_waves_are_those_of_the_textbook(rng):
    points = np.concatenate([rng.normal(size=(9, 3)), [[0, 0, 1.3], [0, 0, -0.7]]])
    theta, phi = direction_angles(points)
    spherical = oracle.waves(6, K * np.linalg.norm(points, axis=1), theta, phi, c=1)
    axes = np.stack(oracle.cartesian(theta, phi), axis=1)
    expected = K * np.sqrt(oracle.Z0) * np.einsum("mjc,mcx->mxj", spherical, axes)
    found = regular_waves(6, points, wavenumber=K)
    # Recurrences of 6 degrees: some ten roundings.
    assert np.abs(found - expected).max() < 1e-14 * np.abs(expected).max()


def test_at_the_origin_only_dipoles_are_felt():
    # F^(1)_{2,+-1,1} = -+(x^ +- j y^)/sqrt(12 pi), F^(1)_{2,0,1} = z^/sqrt(6 pi) (closed form); every
    # other vanishes.
    found = regular_waves(4, np.zeros((1, 3)), wavenumber=K)[0] / (K * np.sqrt(oracle.Z0))
    expected = np.zeros((3, 48), dtype=complex)
    expected[:, oracle.position(2, 1, 1)] = -np.array([1, 1j, 0]) / np.sqrt(12 * np.pi)
    expected[:, oracle.position(2, -1, 1)] = np.array([1, -1j, 0]) / np.sqrt(12 * np.pi)
    expected[:, oracle.position(2, 0, 1)] = np.array([0, 0, 1]) / np.sqrt(6 * np.pi)
    assert found == pytest.approx(expected, abs=1e-9)


def test_magnetic_field_is_the_curl(rng):
    # Z0 H = (j/k) curl E, by central differences of step h: error (kh)^2/6.
    point, h = rng.normal(size=(1, 3)), 1e-4
    e = np.array(
        [
            [regular_waves(3, point + sign * h * np.eye(3)[i], wavenumber=K)[0] for sign in (1, -1)]
            for i in range(3)
        ]
    )
    slope = (e[:, 0] - e[:, 1]) / (2 * h)  # derivative along i of component x
    curl = np.stack([slope[1, 2] - slope[2, 1], slope[2, 0] - slope[0, 2], slope[0, 1] - slope[1, 0]])
    here = regular_waves(3, point, wavenumber=K)
    found = magnetic(here)[0]
    assert np.abs(found - 1j / K * curl).max() < 10 * (K * h) ** 2 * np.abs(found).max()


# Printed values of a prototype, whole dB.
@pytest.mark.parametrize(
    ("more", "kr", "expected"),
    [
        (10, 10, -92),
        (10, 50, -42),
        (10, 100, -29),
        (10, 200, -19),
        (20, 10, -232),
        (20, 50, -111),
        (20, 100, -79),
        (20, 200, -55),
    ],
)
def test_error_of_a_truncated_plane_wave(more, kr, expected):
    assert truncation_error_db(kr + more, kr) == pytest.approx(expected, abs=0.5)
    # And by the sum up to N against exp(-jx), as far as doubles reach.
    if expected > -200:
        n = np.arange(kr + more + 1)
        from scipy.special import spherical_jn

        left = np.exp(-1j * kr) - np.sum((2 * n + 1) * (-1j) ** (n % 4) * spherical_jn(n, kr))
        assert 20 * np.log10(abs(left)) == pytest.approx(truncation_error_db(kr + more, kr), abs=0.01)


def test_degree_of_a_zone():
    k = 2 * np.pi * 28e9 / 299792458
    for radius in (0.02, 0.15):
        degree = zone_degree(radius, frequency=28e9, error_db=-60)
        assert truncation_error_db(degree, k * radius) <= -60 < truncation_error_db(degree - 1, k * radius)
    with pytest.raises(ValueError, match="k R is"):
        zone_degree(-1, frequency=28e9)
    with pytest.raises(ValueError, match=r"position has shape \(1, 2\)"):
        regular_waves(2, [[1, 2]], wavenumber=1)
