"""Both signs of m at once, against the library's analysis of real maps and its own parts."""

import ducc0
import numpy as np
import pytest

from nf2ff.antenna.grids import RULES, ring_angles
from nf2ff.kernel import grid_analysis as module
from nf2ff.kernel import spin as spins

EPS = 2.0**-52


def maps_of(rng, spin, rings, columns):
    shape = (2 if spin else 1, rings, columns)
    return rng.normal(size=shape) + 1j * rng.normal(size=shape)


@pytest.mark.parametrize("spin", [0, 1, 2, 5])
def test_any_maps_on_gauss_legendre_rings(spin, rng):
    # Not functions of the degree: noise. The library analyses real and imaginary part.
    degree, columns = 17, 40
    maps, check = maps_of(rng, spin, degree + 1, columns), ring_angles("gauss-legendre", degree + 1)[::5]
    packed, left = module.grid_analysis(
        maps, spin=spin, degree=degree, rule="gauss-legendre", phi0=0.4, threads=1
    )
    options = {"spin": spin, "lmax": degree, "geometry": "GL", "phi0": 0.4}
    real, imag = (ducc0.sht.analysis_2d(map=part, **options) for part in (maps.real, maps.imag))
    wanted = spins.join(real, imag, spin, degree, 1)
    np.testing.assert_allclose(packed, wanted, rtol=0, atol=100 * EPS * degree * np.abs(wanted).max())
    # What is left of them, ring by ring: orthonormal functions, whose integrals these rings give exactly.
    angles, weight = (f("gauss-legendre", degree + 1) for f in (ring_angles, spins.ring_weights))
    rest = maps - spins.ring_synthesis(
        wanted, spin=spin, theta=angles, phi_count=columns, phi0=0.4, threads=1
    )
    if not spin:  # no wave has a mean, which is left out of the coefficients alone
        rest -= np.sum(weight[:, None] * rest) / (4 * np.pi * columns)
    parts = [float(np.sum(weight[:, None] * np.abs(x) ** 2)) for x in (rest, maps)]
    assert left == pytest.approx(parts[0] / parts[1], rel=1e-12)
    again = spins.ring_synthesis(wanted, spin=spin, theta=check, phi_count=columns, phi0=0.4, threads=1)
    model = module.orders_on_rings(
        packed,
        spin=spin,
        theta=check,
        phi0=0.4,
        columns=columns,
        orders=np.arange(-degree, degree + 1),
        threads=1,
    )
    again = np.fft.fft(again, norm="forward")
    np.testing.assert_allclose(model, again, rtol=0, atol=100 * EPS * degree * np.abs(again).max())


@pytest.mark.parametrize("spin", [0, 1, 3])
def test_a_few_orders_on_rings(spin, rng):
    degree, columns = 40, 90
    wanted = np.ascontiguousarray(spins.pack(maps_of(rng, spin, 1, degree * (degree + 2))[:, 0]))
    spins.clear_below(wanted, max(spin, 1))
    theta, check = ring_angles("gauss-legendre", degree + 1), np.array([0.0, 0.3, 2.5])
    again = spins.ring_synthesis(wanted, spin=spin, theta=check, phi_count=columns, phi0=0.3, threads=1)
    again = np.fft.fft(again, norm="forward")
    orders = np.array([-40, -7, -1, 0, 1, 7, 23])
    options = {"spin": spin, "phi0": 0.3, "threads": 1}
    model = module.orders_on_rings(wanted, theta=check, columns=columns, orders=orders, **options)
    wrong = np.abs(model - again)
    assert wrong[..., orders].max() < 100 * EPS * degree * np.abs(again).max()
    others = np.setdiff1d(np.arange(columns), orders % columns)
    assert not model[..., others].any()
    # Nothing is left of what the degree holds, and of noise that weak the part beyond it.
    maps = spins.ring_synthesis(wanted, theta=theta, phi_count=columns, **options)
    options |= {"degree": degree, "rule": "gauss-legendre"}
    found, left = module.grid_analysis(maps, **options)
    np.testing.assert_allclose(found, wanted, rtol=0, atol=100 * EPS * degree * np.abs(wanted).max())
    assert left < 1e-14
    noise = maps_of(rng, spin, degree + 1, columns)
    share = module.grid_analysis(noise, **options)[1]
    for level in (1e-5, 1e-3):
        power = (level * np.linalg.norm(noise) / np.linalg.norm(maps)) ** 2
        left = module.grid_analysis(maps + level * noise, **options)[1]
        # Powers are of unweighted sums here: rings towards the poles count for more than their area.
        assert left == pytest.approx(share * power, rel=0.2)


@pytest.mark.parametrize("rule", RULES)
def test_threads_change_no_bit(rule, rng):
    degree = 210  # from 200 on the work is shared
    rings = {"clenshaw-curtis": degree + 2, "fejer-2": 2 * degree + 1}.get(rule, degree + 1)
    maps = maps_of(rng, 1, rings, 2 * degree + 2)
    one, two = (
        module.grid_analysis(maps, spin=1, degree=degree, rule=rule, threads=threads) for threads in (1, 2)
    )
    for first, second in zip(one, two, strict=True):
        np.testing.assert_array_equal(first, second)


@pytest.mark.parametrize("spin", [0, 1, 3])
@pytest.mark.parametrize("rule", RULES)
def test_one_order_alone(rule, spin, rng):
    degree, order, columns = 9, 3, 20
    rings = {"clenshaw-curtis": degree + 2, "fejer-2": 2 * degree + 1}.get(rule, degree + 1)
    values = maps_of(rng, spin, rings, 1)
    maps = values * np.exp(2j * np.pi * order / columns * np.arange(columns))
    packed, _ = module.grid_analysis(maps, spin=spin, degree=degree, rule=rule, threads=1)
    whole = spins.unpack(packed)
    found = module.analysis_of_order(values[..., 0], order=order, spin=spin, degree=degree, rule=rule)
    n = np.arange(order, degree + 1)
    scale = np.abs(whole).max()
    np.testing.assert_allclose(found[:, n], whole[:, n * (n + 1) + order - 1], rtol=0, atol=1e-13 * scale)
