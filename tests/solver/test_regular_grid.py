"""Which samples are taken for a full grid, and the maps that are made of them."""

import dataclasses
from itertools import permutations

import numpy as np
import oracle
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nf2ff.antenna.grids import ANGLE_TOLERANCE, RULES, equiangular_grid, ring_angles
from nf2ff.measurement.samples import Samples
from nf2ff.solver.regular_grid import NotAGridError, recognise_grid

EPS = 2.0**-52
DEGREE = np.pi / 180
FREQUENCY = 3e9


def field(theta, phi):
    """A tangential field that is one vector at each place, poles included, as (M, 3) Cartesian.

    A polynomial in the direction's coordinates with complex numbers without any symmetry.
    """
    rng = np.random.default_rng(7)
    constant, first, second = (rng.normal(size=s) + 1j * rng.normal(size=s) for s in (3, (3, 3), (3, 3, 3)))
    r = oracle.cartesian(theta, phi)[0]
    return constant + r @ first + np.einsum("mi,mj,ijk->mk", r, r, second)


def read(theta, phi, chi):
    """What the ideal field probe reads of `field`: E . (theta^ cos(chi) + phi^ sin(chi)).

    theta^ and phi^ are those of the given angles, theta < 0 included.
    """
    _, theta_unit, phi_unit = oracle.cartesian(theta, phi)
    axis = theta_unit * np.cos(chi)[:, None] + phi_unit * np.sin(chi)[:, None]
    return np.sum(field(theta, phi) * axis, axis=1)


def raster(theta, phi, chi):
    """All triples of the three axes as columns, phi fastest."""
    return [x.ravel() for x in np.meshgrid(theta, phi, chi, indexing="ij")]


def samples_of(theta, phi, chi, **changes):
    """Samples of `field`."""
    theta, phi, chi = (np.asarray(x, dtype=float) for x in (theta, phi, chi))
    response = read(theta, phi, chi)[None]
    arguments = {"radius": 2.0, "port": 1, "response": response, **changes}
    return Samples(frequency=[FREQUENCY], theta=theta, phi=phi, chi=chi, **arguments)


def assert_maps(scan, response, tolerance):
    """The maps are E_theta and E_phi of `field` on the grid."""
    grid = scan.grid
    theta, phi = np.repeat(grid.theta, grid.phi.size), np.tile(grid.phi, grid.theta.size)
    wanted = np.stack([read(theta, phi, 0 * theta), read(theta, phi, 0 * theta + np.pi / 2)])
    got = scan.maps(response)
    assert got.shape == (2, grid.theta.size, grid.phi.size)
    np.testing.assert_allclose(got.reshape(2, -1), wanted, rtol=0, atol=tolerance * np.abs(wanted).max())


# --- rows in any order --------------------------------------------------------------------------

#: Pairs of chi that see both polarisations [deg], any turn of the probe being allowed.
CHI_PAIRS = [(0, 90), (90, 0), (45, 135), (0, -90), (180, 270), (30, 110), (0, 90, 45), (0, 60, 120)]


@pytest.mark.slow
@given(
    rule=st.sampled_from(RULES),
    half_rings=st.integers(2, 4),
    half_columns=st.integers(2, 4),
    phi0=st.floats(0, 0.9),
    swing=st.booleans(),
    end_columns=st.booleans(),
    pole_once=st.booleans(),
    chi=st.sampled_from(CHI_PAIRS),
    turns=st.integers(-1, 1),
    repeats=st.integers(0, 5),
    noise=st.sampled_from([0.0, 0.4]),
    shuffle=st.booleans(),
    seed=st.integers(0, 2**32 - 1),
)
def test_any_order_and_coverage(
    rule,
    half_rings,
    half_columns,
    phi0,
    swing,
    end_columns,
    pole_once,
    chi,
    turns,
    repeats,
    noise,
    shuffle,
    seed,
):
    rng = np.random.default_rng(seed)
    # At least four rings, five where both poles may be visited only once.
    rings = ring_angles(rule, 2 * half_rings + 1)
    columns = 2 * half_columns
    step = 2 * np.pi / columns
    # An end column closes a scan that starts at phi = 0; an offset grid has none.
    start = 0.0 if end_columns else phi0 * step
    if swing:
        theta = np.unique(np.concatenate([-rings, rings]))
        phi = start + step * np.arange(columns // 2 + end_columns)
    else:
        theta, phi = rings, start + step * np.arange(columns + end_columns)
    theta, phi, chi = raster(theta, phi, np.radians(chi))
    if pole_once:
        pole = (np.abs(theta) < 1e-9) | (np.abs(theta) > np.pi - 1e-9)
        first = pole & (phi == phi[0])
        keep = ~pole | first
        theta, phi, chi = theta[keep], phi[keep], chi[keep]
    again = rng.integers(0, theta.size, repeats)
    order = np.concatenate([np.arange(theta.size), again])
    order = rng.permutation(order) if shuffle else order
    theta, phi, chi = theta[order], phi[order], chi[order] + np.pi * turns
    # Angles as they come from a file: whole turns more, and rounding far below the tolerance.
    phi = phi + 2 * np.pi * rng.integers(-1, 2, phi.size)
    phi += noise * ANGLE_TOLERANCE * rng.uniform(-1, 1, phi.size)
    samples = samples_of(theta, phi, chi)
    scan = recognise_grid(samples)
    assert (scan.grid.rule, scan.grid.theta.size, scan.grid.phi.size) == (rule, rings.size, columns)
    np.testing.assert_allclose(scan.grid.theta, rings, rtol=0, atol=1e-12)
    wanted = start + step * np.arange(columns)
    np.testing.assert_allclose(scan.grid.phi, wanted, rtol=0, atol=2 * ANGLE_TOLERANCE)
    assert scan.radius == 2.0
    # Two readings 80 deg apart or more lose little; the angles' rounding shows as it is, in a
    # field whose components change by less than 10 times their largest value in a radian.
    assert_maps(scan, samples.response[0], 100 * EPS + 10 * noise * ANGLE_TOLERANCE)


@pytest.mark.parametrize("chi", CHI_PAIRS)
def test_pairs_of_chi(chi):
    theta, phi, chi = raster(ring_angles("fejer-1", 6), np.arange(8) * np.pi / 4, np.radians(chi))
    samples = samples_of(theta, phi, chi)
    assert_maps(recognise_grid(samples), samples.response[0], 20 * EPS)


def test_swing_through_the_poles_turns_the_probe():
    # At theta < 0 both theta^ and phi^ are the opposite of the canonical ones (closed form):
    # without that half turn of chi, half of the maps would have the wrong sign.
    theta, phi, chi = raster(
        np.arange(-180, 181, 30) * DEGREE, np.arange(0, 180, 45) * DEGREE, [0, np.pi / 2]
    )
    samples = samples_of(theta, phi, chi)
    scan = recognise_grid(samples)
    assert (scan.grid.rule, scan.grid.theta.size, scan.grid.phi.size) == ("clenshaw-curtis", 7, 8)
    assert scan.grid.degree == 3
    assert_maps(scan, samples.response[0], 20 * EPS)
    # The test's own field obeys it: read(-theta, phi) = -read(theta, phi + pi).
    one = np.array([0.7])
    np.testing.assert_allclose(read(-one, one, one), -read(one, one + np.pi, one), rtol=20 * EPS, atol=0)


@pytest.mark.parametrize("order", list(permutations(range(3))))
def test_rasters_are_taken_as_they_stand(order):
    # Whichever axis runs fastest: the maps are the responses themselves, bit by bit, no copy.
    grid = equiangular_grid(5, 6, phi0=0.1)
    axes = (grid.theta, grid.phi, np.array([0, np.pi / 2]))
    mesh = np.meshgrid(*axes, indexing="ij")
    theta, phi, chi = (x.transpose(order).ravel() for x in mesh)
    samples = samples_of(theta, phi, chi)
    scan = recognise_grid(samples)
    assert scan.shape is not None
    maps = scan.maps(samples.response[0])
    assert np.shares_memory(maps, samples.response)
    table = samples.response[0].reshape([len(axes[i]) for i in order])
    np.testing.assert_array_equal(maps, table.transpose(np.argsort(order)).transpose(2, 0, 1))
    assert_maps(scan, samples.response[0], 20 * EPS)
    np.testing.assert_array_equal(scan.grid.phi, grid.phi)


@pytest.mark.parametrize("rule", RULES)
def test_scan_with_other_axes_in_order(rule):
    # Descending, serpentine (every other cut backwards), chi = 90 deg first, theta by halves:
    # none is the raster above, each is the same grid.
    rings = ring_angles(rule, 6)
    columns = np.arange(8) * np.pi / 4
    theta, phi, chi = raster(rings, columns, np.radians([0, 90]))
    base = np.arange(theta.size).reshape(6, 8, 2)
    serpentine = base.copy()
    serpentine[1::2] = serpentine[1::2, ::-1]
    for order in (
        base[::-1],
        base[:, ::-1],
        base[..., ::-1],
        serpentine,
        np.roll(base, 3, axis=1),
        np.concatenate([base[::2], base[1::2]]),
    ):
        pick = order.ravel()
        samples = samples_of(theta[pick], phi[pick], chi[pick])
        scan = recognise_grid(samples)
        assert scan.grid.rule == rule
        assert_maps(scan, samples.response[0], 20 * EPS)


def test_single_pole_samples_are_told_to_every_azimuth():
    # One visit of each pole, at an azimuth and a pair of chi of its own.
    grid = equiangular_grid(5, 8)
    theta, phi, chi = raster(grid.theta[1:-1], grid.phi, np.radians([0, 90]))
    theta = np.concatenate([theta, [0, 0, np.pi, np.pi]])
    phi = np.concatenate([phi, np.radians([77, 77, 200, 311])])
    chi = np.concatenate([chi, np.radians([10, 120, -40, 5])])
    samples = samples_of(theta, phi, chi)
    scan = recognise_grid(samples)
    assert_maps(scan, samples.response[0], 50 * EPS)


def test_repeated_rows_are_averaged():
    grid = equiangular_grid(5, 6, rule="fejer-1")
    theta, phi, chi = raster(grid.theta, grid.phi, np.radians([0, 90]))
    theta, phi, chi = (np.append(x, [x[20], x[20], x[20]]) for x in (theta, phi, chi))
    samples = samples_of(theta, phi, chi)
    response = np.array(samples.response[0])
    # Mean of the value itself and three others: +0.75 d.
    response[-3:] += np.array([1.0, 0.5j, 1.5 - 0.5j])
    scan = recognise_grid(samples)
    difference = scan.maps(response) - scan.maps(samples.response[0])
    wanted = np.zeros((5, 6, 2), dtype=complex)
    wanted.ravel()[20] = 2.5 / 4
    np.testing.assert_allclose(difference, wanted.transpose(2, 0, 1), rtol=0, atol=50 * EPS)


def test_end_columns_are_averaged_with_the_first():
    # phi = 0 and 360 deg are one place.
    grid = equiangular_grid(5, 6, rule="fejer-1")
    around = np.append(grid.phi, 2 * np.pi)
    theta, phi, chi = raster(grid.theta, around, np.radians([0, 90]))
    samples = samples_of(theta, phi, chi)
    scan = recognise_grid(samples)
    assert scan.grid.phi.size == 6
    drift = np.where(phi == around[-1], 1.0 + 0.3j, 0.0)
    difference = scan.maps(samples.response[0] + drift) - scan.maps(samples.response[0])
    wanted = np.zeros((2, 5, 6), dtype=complex)
    wanted[:, :, 0] = (1 + 0.3j) / 2
    np.testing.assert_allclose(difference, wanted, rtol=0, atol=50 * EPS)


def test_readings_are_fitted_in_the_least_squares_sense():
    # Three chi at each place: u, v minimise the sum of squares (closed form: chi = 0, 60, 120
    # deg have the normal matrix 3/2 times one).
    grid = equiangular_grid(4, 5, rule="fejer-1")
    chis = np.radians([0, 60, 120])
    theta, phi, chi = raster(grid.theta, grid.phi, chis)
    samples = samples_of(theta, phi, chi)
    scan = recognise_grid(samples)
    noise = np.random.default_rng(3).normal(size=(4, 5, 3))
    got = scan.maps(noise.ravel() + 0j)
    for part, turn in zip(got, (np.cos(chis), np.sin(chis)), strict=True):
        np.testing.assert_allclose(part, noise @ turn / 1.5, rtol=0, atol=20 * EPS)


def test_small_grid_with_single_poles():
    # 3 rings with both poles and 3 columns determine degree 1: 6 unknowns, 10 samples.
    theta, phi, chi = raster([np.pi / 2], np.arange(3) * 2 * np.pi / 3, np.radians([0, 90]))
    theta = np.concatenate([theta, [0, 0, np.pi, np.pi]])
    phi = np.concatenate([phi, [0, 0, 0, 0]])
    chi = np.concatenate([chi, np.radians([0, 90, 0, 90])])
    samples = samples_of(theta, phi, chi)
    scan = recognise_grid(samples)
    assert scan.grid.degree == 1
    assert_maps(scan, samples.response[0], 20 * EPS)


def test_radius_may_vary_by_rounding():
    grid = equiangular_grid(5, 6)
    theta, phi, chi = raster(grid.theta, grid.phi, np.radians([0, 90]))
    radius = 2 + 0.5e-9 * 299792458.0 / FREQUENCY * np.linspace(-0.9, 0.9, theta.size)
    assert recognise_grid(samples_of(theta, phi, chi, radius=radius)).radius == radius[0]


# --- what is no grid ----------------------------------------------------------------------------


def full(theta_count=7, phi_count=8, rule="clenshaw-curtis"):
    grid = equiangular_grid(theta_count, phi_count, rule=rule)
    return raster(grid.theta, grid.phi, np.radians([0, 90]))


def refused(samples, message):
    with pytest.raises(NotAGridError, match=message) as error:
        recognise_grid(samples)
    assert isinstance(error.value, ValueError)
    assert "\n" not in str(error.value)


@given(at=st.sets(st.integers(8, 47), min_size=1, max_size=8), shuffle=st.booleans())
def test_holes_are_named(at, shuffle):
    # Positions 8 ... 47 of 56 are away from the poles; both polarisations are taken out.
    theta, phi, chi = full()
    keep = ~np.isin(np.arange(theta.size) // 2, list(at))
    pick = np.flatnonzero(keep)
    if shuffle:
        pick = np.random.default_rng(1).permutation(pick)
    columns_left = np.unique(np.round(phi[pick & ~1], 9)).size
    assert columns_left == 8
    first = min(at)
    where = f"theta {30 * (first // 8):g} deg, phi {45 * (first % 8):g} deg"
    message = rf"^{len(at)} of 56 positions of the grid are missing, first at {where}$"
    if len(at) == 8 and len({i // 8 for i in at}) == 1:
        message = "follow no quadrature rule"  # a whole ring is gone
    refused(samples_of(theta[pick], phi[pick], chi[pick]), message)


def test_a_missing_pole_is_another_rule_or_none():
    # Without one pole of "clenshaw-curtis" the other rings are of no rule; without both they are
    # "fejer-2", which determines less.
    theta, phi, chi = full()
    keep = theta > 0
    refused(samples_of(theta[keep], phi[keep], chi[keep]), "the 6 different polar angles follow no")
    keep &= theta < 3.1
    scan = recognise_grid(samples_of(theta[keep], phi[keep], chi[keep]))
    assert (scan.grid.rule, scan.grid.degree) == ("fejer-2", 2)


@pytest.mark.parametrize("value", [0, 180, 360, -180, 0.3])
def test_missing_polarisation(value):
    # Everywhere, then at one place: the second chi is the first, turned by half or whole turns,
    # or by less than half a degree.
    theta, phi, chi = full()
    second = chi > 1
    message = r"of 56 positions lack a second polarisation \(another chi\), first at theta "
    refused(samples_of(theta, phi, np.where(second, np.radians(value), 0)), message)
    chi[2 * 21 + 1] = np.radians(value)
    refused(samples_of(theta, phi, chi), "^1 of 56 .* first at theta 60 deg, phi 225 deg$")
    refused(samples_of(theta[~second], phi[~second], chi[~second]), message)


def test_pole_with_one_polarisation():
    theta, phi, chi = full()
    keep = (theta > 0) | ((phi == 0) & (chi == 0))
    message = "^1 of 56 positions lack a second polarisation .* first at theta 0 deg"
    refused(samples_of(theta[keep], phi[keep], chi[keep]), message)
    # All azimuths of the pole with one chi do see both.
    keep = (theta > 0) | (chi == 0)
    samples = samples_of(theta[keep], phi[keep], chi[keep])
    assert_maps(recognise_grid(samples), samples.response[0], 20 * EPS)


@pytest.mark.parametrize("shift", [1e-6, 1 * DEGREE])
def test_irregular_azimuths(shift):
    theta, phi, chi = full()
    moved = np.where(np.isclose(phi, np.pi), phi + shift, phi)
    refused(samples_of(theta, moved, chi), "the 8 different azimuth angles are not equal steps")
    one = phi.copy()
    one[2 * 21 : 2 * 21 + 2] += shift
    refused(samples_of(theta, one, chi), "the 9 different azimuth angles are not equal steps")


def test_part_of_a_circle():
    theta, phi, chi = full()
    keep = phi < 3
    refused(samples_of(theta[keep], phi[keep], chi[keep]), "4 different azimuth angles are not eq")
    keep = phi == 0
    refused(samples_of(theta[keep], phi[keep], chi[keep]), "the 1 different azimuth angles are not")


@pytest.mark.parametrize("shift", [1e-6, -1 * DEGREE])
def test_irregular_polar_angles(shift):
    theta, phi, chi = full()
    moved = np.where(np.isclose(theta, np.pi / 3), theta + shift, theta)
    refused(samples_of(moved, phi, chi), "the 7 different polar angles follow no quadrature rule")


def test_part_of_a_sphere():
    theta, phi, chi = full()
    keep = theta < 2
    refused(samples_of(theta[keep], phi[keep], chi[keep]), "the 4 different polar angles follow no")


def test_scattered_positions(rng):
    theta, phi, chi = (rng.uniform(0.1, 3, 60) for _ in range(3))
    refused(samples_of(theta, phi, chi), "60 samples have 60 different polar angles")


def test_poles_alone():
    zero = np.zeros(8)
    refused(samples_of(zero, zero, np.arange(8.0)), "all samples are at the poles")


def test_varying_radius():
    theta, phi, chi = full()
    radius = np.full(theta.size, 2.0)
    radius[17] += 1e-6
    refused(samples_of(theta, phi, chi, radius=radius), "the radius varies by 1e-06 m")


def test_several_ports():
    theta, phi, chi = full()
    port = np.where(chi > 1, 2, 1)
    refused(samples_of(theta, phi, chi, port=port), "the samples are of several ports")


def test_missing_responses():
    theta, phi, chi = full()
    response = read(theta, phi, chi)[None].repeat(2, axis=0)
    response[1, [3, 30]] = np.nan
    samples = Samples([1e9, 2.5e9], theta, phi, chi, 2.0, 1, response)
    refused(samples, "^2 samples are missing at 2.5 GHz$")


@pytest.mark.parametrize("name", ["theta", "phi", "chi", "radius"])
def test_moving_positions(name):
    samples = samples_of(*full())
    moving = dataclasses.replace(samples, **{name: getattr(samples, name)[None]})
    assert moving.moving
    refused(moving, "the positions differ from frequency to frequency")


# --- probes of several orders -------------------------------------------------------------------


def orders_of(spins):
    """Azimuthal orders mu of a probe."""
    return sorted({mu for s in spins for mu in (s, -s)})


def functions(spins, theta, phi, degree=4):
    """f_mu(theta, phi), {mu: (M,)}: random sums of d^n_{m mu}(theta) e^(j m phi).

    What a probe reads is the sum of f_mu e^(j mu chi), in this form at the poles and at theta < 0
    too (the transmission formula; d by the oracle's eigenvectors).
    """
    rng = np.random.default_rng(11)
    result = {}
    for mu in orders_of(spins):
        total = np.zeros(theta.size, dtype=complex)
        for n in range(max(1, abs(mu)), degree + 1):
            m = np.arange(-n, n + 1)
            q = rng.normal(size=m.size) + 1j * rng.normal(size=m.size)
            d = np.array([oracle.rotation_matrix(n, t)[:, n + mu] for t in theta])
            total += (d * np.exp(1j * np.outer(phi, m))) @ q
        result[mu] = total
    return result


def orders_samples(spins, theta, phi, chi):
    """Samples of a probe with these orders."""
    f = functions(spins, theta, phi)
    response = sum(np.exp(1j * mu * chi) * f[mu] for mu in f)[None]
    return Samples([FREQUENCY], theta, phi, chi, 2.0, 1, response, "sqrt(W)")


def assert_orders(scan, response, spins, tolerance):
    """u = f_s + f_{-s} and v = j (f_s - f_{-s}), since e^(+-j s chi) = cos +- j sin; f_0 alone."""
    grid = scan.grid
    theta, phi = np.repeat(grid.theta, grid.phi.size), np.tile(grid.phi, grid.theta.size)
    f = functions(spins, theta, phi)
    wanted = []
    for s in spins:
        wanted += [f[0]] if s == 0 else [f[s] + f[-s], 1j * (f[s] - f[-s])]
    got = scan.maps(response)
    assert got.shape == (len(wanted), grid.theta.size, grid.phi.size)
    size = np.abs(wanted).max()
    np.testing.assert_allclose(got.reshape(len(wanted), -1), np.array(wanted), rtol=0, atol=tolerance * size)


#: Spins and enough values of chi [deg]: equal steps, others, more than it takes.
SEVERAL = {
    "0, 1": ((0, 1), (0, 120, 240)),
    "1 at other angles": ((1,), (20, 100)),
    "0, 1 at other angles": ((0, 1), (0, 90, 200)),
    "2": ((2,), (0, 45)),
    "0, 2": ((0, 2), (0, 60, 120)),
    "1, 2": ((1, 2), (0, 75, 150, 220, 290)),
    "0, 1, 2": ((0, 1, 2), (0, 72, 144, 216, 288)),
    "0 to 5": ((0, 1, 2, 3, 4, 5), tuple(360 / 11 * i for i in range(11))),
    "1, 3": ((1, 3), (0, 45, 90, 135)),
    "1, 3 and more": ((1, 3), (0, 40, 80, 120, 160, 200, 240)),
}


@pytest.mark.slow
@pytest.mark.parametrize(("spins", "chi"), SEVERAL.values(), ids=SEVERAL)
@pytest.mark.parametrize("order", [(0, 1, 2), (2, 0, 1), (1, 2, 0)])
def test_several_orders_from_a_raster(spins, chi, order):
    grid = equiangular_grid(5, 6, phi0=0.1)
    mesh = np.meshgrid(grid.theta, grid.phi, np.radians(chi), indexing="ij")
    theta, phi, chi = (x.transpose(order).ravel() for x in mesh)
    samples = orders_samples(spins, theta, phi, chi)
    scan = recognise_grid(samples, spins=spins)
    assert scan.spins == spins
    assert scan.shape is not None  # found without sorting, poles with all their columns
    # The values of chi above are told apart with a condition below 4; sums of 11 terms.
    assert_orders(scan, samples.response[0], spins, 200 * EPS)


@pytest.mark.slow
@pytest.mark.parametrize(("spins", "chi"), SEVERAL.values(), ids=SEVERAL)
@pytest.mark.parametrize("swing", [False, True])
@pytest.mark.parametrize("poles", ["all columns", "once"])
def test_several_orders_in_any_order(spins, chi, swing, poles, rng):
    rings, columns = ring_angles("clenshaw-curtis", 5), np.arange(8) * np.pi / 4
    if swing:
        rings, columns = np.unique(np.concatenate([-rings, rings])), columns[:4]
    theta, phi, chi = raster(rings, columns, np.radians(chi))
    if poles == "once":
        pole = (np.abs(theta) < 1e-9) | (np.abs(theta) > np.pi - 1e-9)
        # One visit of each, at an azimuth that is no column.
        at = (0.0, np.pi) if not swing else (0.0, -np.pi)
        values = np.unique(chi)
        theta = np.concatenate([theta[~pole], np.repeat(at, values.size)])
        phi = np.concatenate([phi[~pole], np.repeat([0.3, 4.1], values.size)])
        chi = np.concatenate([chi[~pole], values, values + 0.7])
    # A different turn of the probe at each position, some read twice, rows at random.
    chi = chi + 0.05 * np.round(10 * theta) + 0.03 * np.round(10 * phi)
    again = rng.integers(0, theta.size, 7)
    pick = rng.permutation(np.append(np.arange(theta.size), again))
    samples = orders_samples(spins, theta[pick], phi[pick], chi[pick])
    scan = recognise_grid(samples, spins=spins)
    assert scan.shape is None
    assert (scan.grid.theta.size, scan.grid.phi.size) == (5, 8)
    # The normal equations square the condition, 16; repeated readings may double it.
    assert_orders(scan, samples.response[0], spins, 1000 * EPS)


@pytest.mark.parametrize("spins", [(0, 1), (1, 2)])
def test_columns_of_a_pole_share_their_values_of_chi(spins, rng):
    # At a pole phi is a turn of the probe: one reading in each of eight columns are eight chi.
    rings, columns = ring_angles("clenshaw-curtis", 5), np.arange(8) * np.pi / 4
    theta, phi, chi = raster(rings[1:-1], columns, np.arange(5) * 2 * np.pi / 5)
    theta = np.concatenate([theta, np.zeros(8), np.full(8, np.pi)])
    phi = np.concatenate([phi, columns, columns])
    chi = np.concatenate([chi, rng.uniform(0, 1e-3, 16)])
    samples = orders_samples(spins, theta, phi, chi)
    scan = recognise_grid(samples, spins=spins)
    assert_orders(scan, samples.response[0], spins, 1000 * EPS)


def test_orders_that_the_readings_lack_come_out_zero():
    # Asked for more than is there: +-1 alone, separated into 0, +-1 and +-2.
    grid = equiangular_grid(4, 6, rule="fejer-1")
    theta, phi, chi = raster(grid.theta, grid.phi, np.arange(5) * 2 * np.pi / 5)
    samples = orders_samples((1,), theta, phi, chi)
    maps = recognise_grid(samples, spins=(0, 1, 2)).maps(samples.response[0])
    size = np.abs(maps[1:3]).max()
    np.testing.assert_allclose(maps[[0, 3, 4]], 0, rtol=0, atol=50 * EPS * size)


#: Spins and values of chi [deg] that do not tell them apart: too few; and with enough of them,
#: orders whose difference times every step of chi is a whole number of turns.
TOO_ALIKE = {
    "two of three": ((0, 1), (0, 90)),
    "three of four": ((1, 2), (0, 90, 200)),
    "thirds: -1 and 2 alike": ((1, 2), (0, 120, 240, 0, 120)),
    "quarters: 2 and -2 alike": ((0, 1, 2), (0, 90, 180, 270, 0)),
    "halves: all even ones alike": ((0, 2), (0, 180, 360)),
    "fourths: 1 and -3 alike": ((1, 3), (0, 90, 180, 270)),
    "half a degree apart": ((0, 1), (0, 0.5, 1.0)),
}


@pytest.mark.parametrize(("spins", "chi"), TOO_ALIKE.values(), ids=TOO_ALIKE)
@pytest.mark.parametrize("shuffled", [False, True])
def test_chi_that_cannot_separate_the_orders(spins, chi, shuffled, rng):
    grid = equiangular_grid(5, 6, rule="fejer-1")
    theta, phi, chi = raster(grid.theta, grid.phi, np.radians(chi))
    pick = rng.permutation(theta.size) if shuffled else np.arange(theta.size)
    samples = orders_samples(spins, theta[pick], phi[pick], chi[pick])
    names = ", ".join("0" if s == 0 else rf"\+-{s}" for s in spins)
    message = (
        "^30 of 30 positions have values of chi that cannot separate the probe's azimuthal orders "
        rf"{names}, first at theta 18 deg, phi 0 deg$"
    )
    with pytest.raises(NotAGridError, match=message):
        recognise_grid(samples, spins=spins)


def test_one_place_with_too_few_values_of_chi():
    grid = equiangular_grid(5, 6, rule="fejer-1")
    theta, phi, chi = raster(grid.theta, grid.phi, np.radians([0, 120, 240]))
    keep = np.arange(theta.size) != 3 * 8 + 1  # one of the three of position 8, ring 1, column 2
    samples = orders_samples((0, 1), theta[keep], phi[keep], chi[keep])
    message = "^1 of 30 positions have values of chi .* first at theta 54 deg, phi 120 deg$"
    with pytest.raises(NotAGridError, match=message):
        recognise_grid(samples, spins=(0, 1))


def test_pole_with_too_few_values_of_chi():
    grid = equiangular_grid(5, 6)
    theta, phi, chi = raster(grid.theta, grid.phi, np.radians([0, 120, 240]))
    # On the -z axis chi - phi counts: 0, 120 and 240 deg at phi of as much are one and the same.
    south = theta > 3.1
    keep = ~south | np.isclose(chi, phi)
    samples = orders_samples((0, 1), theta[keep], phi[keep], chi[keep])
    message = "^1 of 30 positions have values of chi .* first at theta 180 deg, phi 0 deg$"
    with pytest.raises(NotAGridError, match=message):
        recognise_grid(samples, spins=(0, 1))


def test_gaps_are_named_before_values_of_chi():
    grid = equiangular_grid(5, 6, rule="fejer-1")
    theta, phi, chi = raster(grid.theta, grid.phi, np.radians([0, 90]))
    keep = np.arange(theta.size) // 2 != 8
    samples = orders_samples((0, 1), theta[keep], phi[keep], chi[keep])
    with pytest.raises(NotAGridError, match=r"^1 of 30 positions of the grid are missing, first"):
        recognise_grid(samples, spins=(0, 1))
