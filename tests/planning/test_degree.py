"""Degree and steps of a scan: against closed forms, a slow oracle, and simulated scans."""

import math

import mpmath
import numpy as np
import pytest

from nf2ff.antenna.closed_form import far_field_of
from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.antenna.far_field import far_field
from nf2ff.antenna.modes import SPEED_OF_LIGHT, required_degree, wavenumber
from nf2ff.measurement.probe import field_probe
from nf2ff.measurement.simulated import simulate_grid
from nf2ff.planning.degree import (
    Spectrum,
    choose_degree,
    customary_degree,
    power_above_db,
    scan_grid,
)
from nf2ff.solver.solve import solve

#: Wavenumber 1.
UNIT = SPEED_OF_LIGHT / (2 * math.pi)


@pytest.mark.parametrize(
    ("kr0", "degrees"),
    [(10, (14, 17, 19)), (50, (57, 60, 64)), (100, (108, 113, 117)), (500, (513, 521, 528))],
)
def test_degree_far_away(kr0, degrees):
    """Exact degrees for tails of -40, -60 and -80 dB (closed form: the transverse dipole)."""
    for degree, tail in zip(degrees, (-40, -60, -80), strict=True):
        found = choose_degree(kr0, tail_db=tail)
        assert found.spectrum_degree == required_degree(kr0, tail_db=tail) == degree
        # Far away a radial dipole, which has up to twice the share above, may ask for one more.
        assert degree <= found.degree <= degree + 1


@pytest.mark.parametrize(("kr0", "tail"), [(10, -102.7), (50, -60.5), (100, -49.6), (500, -34.7)])
def test_the_customary_rule_and_its_tail(kr0, tail):
    """N = k r0 + 10 (common practice, no source); its tail (closed form, one printed digit)."""
    degree = customary_degree(kr0)
    assert degree == kr0 + 10
    assert power_above_db(kr0, degree) == pytest.approx(tail, abs=0.051)
    # The exact degree for just that tail, and not one less.
    exact = power_above_db(kr0, degree)
    assert required_degree(kr0, tail_db=exact + 1e-6) == degree
    assert power_above_db(kr0, degree - 1) > exact


@pytest.mark.parametrize(("diameter", "degree", "samples"), [(0.3, 99, 40_400), (0.05, 25, 2808)])
def test_somewhere_in_the_box_or_known_place(diameter, degree, samples):
    """28 GHz: figures of a prototype by the customary rule; a box of 30 cm against a part of 5 cm."""
    kr0 = float(wavenumber(28e9)) * diameter / 2
    assert customary_degree(kr0) == degree
    grid = scan_grid(degree)
    assert 2 * grid.theta.size * grid.phi.size == samples
    assert grid.degree >= degree
    # Steps at most pi / N and 2 pi / (2N + 1) (closed form).
    assert grid.theta[1] <= math.pi / degree
    assert grid.phi[1] <= 2 * math.pi / (2 * degree + 1)


def slow_levels(kr0, kr, top):
    """Radiated power and field at kr of three unit dipoles in each degree, with 60 digits."""
    radiated, reaching = np.zeros((3, top)), np.zeros((3, top))
    gain = np.zeros(top)
    with mpmath.workdps(60):
        x0, x = mpmath.mpf(kr0), mpmath.mpf(kr)

        def regular(n, z):
            return mpmath.sqrt(mpmath.pi / (2 * z)) * mpmath.besselj(n + mpmath.mpf(1) / 2, z)

        def outgoing(n, z):
            return mpmath.sqrt(mpmath.pi / (2 * z)) * mpmath.hankel2(n + mpmath.mpf(1) / 2, z)

        for n in range(1, top + 1):
            j = regular(n, x0)
            d = regular(n - 1, x0) - n * j / x0
            h = outgoing(n, x)
            g = [abs(x * h) ** 2, abs(x * (outgoing(n - 1, x) - n * h / x)) ** 2]
            p = [3 * (2 * n + 1) * j**2 / 4, 3 * (2 * n + 1) * d**2 / 4]
            radial = 3 * n * (n + 1) * (2 * n + 1) * (j / x0) ** 2 / 2
            radiated[:, n - 1] = [p[0] + p[1], p[0] + p[1], radial]
            reaching[:, n - 1] = [p[0] * g[0] + p[1] * g[1], p[1] * g[0] + p[0] * g[1], radial * g[1]]
            gain[n - 1] = min(g)
    return radiated, reaching, gain


@pytest.mark.parametrize(("kr0", "kr", "top"), [(3.0, 9.3, 25), (30.0, 36.28, 90), (0.01, 1.5, 12)])
def test_levels_against_many_digits(kr0, kr, top):
    radiated, reaching, gain = slow_levels(kr0, kr, top)
    found = Spectrum.of(kr0, kr, top=top)
    # Bessel functions of scipy are right to 1e-13 or so where they are small; both recurrences lose
    # n eps. Near a zero of j_n the error is relative to the total, 1.
    for x, y in [(found.radiated, radiated), (found.reaching, reaching)]:
        np.testing.assert_allclose(x, y, rtol=1e-11, atol=1e-13)
    np.testing.assert_allclose(np.exp(found.log_gain), gain, rtol=1e-12)


@pytest.mark.parametrize("kr0", [0.5, 10, 300])
def test_each_dipole_radiates_its_power(kr0):
    """Sums over all degrees are 1 (closed form: sum rules 4/3 and 2/3)."""
    found = Spectrum.of(kr0, kr0 + 7, top=int(kr0) + 120)
    np.testing.assert_allclose(found.radiated.sum(axis=1), 1, rtol=1e-12)


def test_no_overflow_where_both_functions_leave_the_range_of_doubles():
    """Far above kr0 the level falls by (r0/r)^2 a degree (closed form: j_n y_n ~ (r0/r)^n)."""
    kr0, kr = 300.0, 306.28
    found = Spectrum.of(kr0, kr, top=6000)
    assert np.all(np.isfinite(found.reaching))
    ratio = found.reaching[2, 5999] / found.reaching[2, 5998]
    # n^3 of transverse fields adds 3/n.
    assert ratio == pytest.approx((kr0 / kr) ** 2, rel=2e-3)


def field_error(position, moment, degree, radius):
    """Largest far-field error of a dipole sampled on the planned grid, over its largest field."""
    antenna = DipoleCluster(np.array([position]), np.array([moment], dtype=complex), np.zeros((1, 3)))
    samples = simulate_grid(antenna, frequency=[UNIT], grid=scan_grid(degree), radius=radius)
    solution = solve(samples, field_probe(), degree=degree)
    theta, phi = np.radians(np.arange(0, 181, 3)), np.radians(np.arange(0, 360, 6))
    found = far_field(solution.modes, theta=theta, phi=phi)
    true = far_field_of(
        antenna, frequency=[UNIT], theta=np.repeat(theta, phi.size), phi=np.tile(phi, theta.size)
    )
    size = np.hypot(*(np.abs(x[0]) for x in true))
    error = np.hypot(
        *(np.abs(x[0].ravel() - y[0]) for x, y in zip((found.e_theta, found.e_phi), true, strict=True))
    )
    weight = np.sin(np.repeat(theta, phi.size))
    rms = math.sqrt((error**2 @ weight) / (size**2 @ weight))
    return rms, error.max() / size.max()


@pytest.mark.parametrize(("kr0", "degree"), [(10, 17), (10, 28), (30, 44), (30, 55)])
def test_aliases_at_one_wavelength(kr0, degree):
    """The level that is told bounds what a scan of the worst dipoles shows, and not by much.

    At k r0 = 30 a sampling for -200 dB (degree 55) was known to leave about 1e-6.
    """
    kr = kr0 + 2 * math.pi
    told = choose_degree(kr0, kr=kr, degree=degree)
    bound = math.sqrt(10 ** (told.alias_db / 10) + 10 ** (told.tail_db / 10))
    north = np.array([math.sin(1.0), 0, math.cos(1.0)])
    east = np.array([math.cos(1.0), 0, -math.sin(1.0)])
    worst = 0.0
    for moment in (north, east):
        rms, largest = field_error(kr0 * north, moment, degree, kr)
        assert rms < bound
        worst = max(worst, largest)
    assert bound / 10 < worst < 1.5 * bound


def test_close_to_the_antenna_the_distance_asks_for_more():
    """At one wavelength, for -200 dB, 1.5 to 2.5 times the degree of the spectrum are needed."""
    for kr0 in (30, 300):
        plain = required_degree(kr0, tail_db=-200)
        assert choose_degree(kr0, kr=kr0 + 2 * math.pi, degree=plain).alias_db > -120
        near = choose_degree(kr0, kr=kr0 + 2 * math.pi, tail_db=-200)
        assert 1.5 * plain < near.degree < 2.5 * plain
        assert near.alias_db <= -200
        # One degree less does not do.
        less = choose_degree(kr0, kr=kr0 + 2 * math.pi, degree=near.degree - 1)
        assert max(less.alias_db, less.tail_db) > -200
    far = choose_degree(30, kr=3000, tail_db=-60)
    assert far.degree - far.spectrum_degree in (0, 1)


def test_refused():
    with pytest.raises(ValueError, match=r"inside the minimum sphere"):
        choose_degree(30, kr=29)
    with pytest.raises(ValueError, match=r"kr0 is nan"):
        choose_degree(math.nan)
    with pytest.raises(ValueError, match=r"tail_db is 3.*negative"):
        choose_degree(3, tail_db=3)
    with pytest.raises(ValueError, match=r"degree above 10000.*farther out"):
        choose_degree(300, kr=300.1, tail_db=-200)
    with pytest.raises(ValueError, match=r"degree is 0, expected"):
        choose_degree(3, degree=0)


@pytest.mark.parametrize("tail", [-40, -60, -80])
def test_a_radial_dipole_needs_one_degree_more_at_most(tail):
    """As `required_degree` says: up to 3.0 dB above the transverse one, closed form."""
    more = []
    for kr0 in (0.5, 3, 10, 20, 57.3, 200):
        degree = required_degree(kr0, tail_db=tail)
        radiated = Spectrum.of(kr0, math.inf, top=degree + 100).radiated
        transverse, radial = radiated[0, degree:].sum(), radiated[2, degree:].sum()
        assert transverse < radial < 10**0.3 * transverse
        assert radiated[2, degree + 1 :].sum() <= 10 ** (tail / 10)
        more.append(radial > 10 ** (tail / 10))
    assert any(more)
    assert not all(more)
