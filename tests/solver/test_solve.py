"""From simulated samples, whose fields use no spherical wave, to modes and the far field."""

import re

import numpy as np
import oracle
import pytest
from scipy.special import sici
from solve_cases import (
    FREQUENCY,
    PROBE,
    PROMISED,
    K,
    changed,
    cluster,
    directions,
    far_field_error,
    grid_samples,
    random_samples,
    relative,
    respond,
)

from nf2ff.antenna.closed_form import far_field_of, near_field, radiated_power_of
from nf2ff.antenna.dipoles import (
    DipoleCluster,
    SinusoidalWire,
    circular_aperture,
    huygens_source,
    line_array,
    line_source,
)
from nf2ff.antenna.far_field import far_field
from nf2ff.antenna.fields import far_field_points, near_field_points
from nf2ff.antenna.grids import RULES, equiangular_grid, grid_for_degree
from nf2ff.antenna.modes import WAVE_IMPEDANCE, Modes, mode_count, mode_index, required_degree
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.measurement.simulated import simulate_grid
from nf2ff.metrics.gain_and_power import directivity
from nf2ff.solver.quadrature import quadrature_matrix
from nf2ff.solver.solve import solve
from nf2ff.solver.strategy import Direct, LeastSquares, Quadrature

EPS = 2.0**-52


X, Y, Z = np.eye(3)


def near_field_degree(kr0, kr, tail_db=-220.0):
    """Degree above which the field of a dipole at r0, seen at r, is that far below its strongest.

    Terms n^3 |j_n(kr0) h_n(kr)|, by ratios of successive n (backward for j, forward for h), which
    neither under- nor overflow; from n = kr0 on, where both are monotonic.
    """
    first, last = int(np.ceil(kr0)), int(kr0) + 4000
    n = np.arange(1, last + 1)
    j = np.zeros(last + 2)  # j_n / j_{n-1} = 1/((2n+1)/x - j_{n+1}/j_n)
    for i in range(last, 0, -1):
        j[i] = 1 / ((2 * i + 1) / kr0 - j[i + 1])
    h = np.empty(last + 1, dtype=complex)  # h_n / h_{n-1}
    h[0] = 1j  # h_0/h_{-1} in exp(+jwt), h_{-1} = -j h_0
    for i in range(1, last + 1):
        h[i] = (2 * i - 1) / kr - 1 / h[i - 1]
    log = np.cumsum(np.log(np.abs(j[1 : last + 1] * h[1:])) + 3 * np.log1p(1 / n))[first:]
    return first + int(np.flatnonzero(log - log.max() > tail_db * np.log(10) / 20)[-1]) + 1


def check_promise(kr0, distance, method=None):
    """One case: sampling enough for the near field there, degree for -200 dB of the power."""
    antenna = cluster(kr0)
    r0 = kr0 / K
    radius = {"one wavelength": r0 + 1, "ten times": 10 * r0}[distance]
    degree = required_degree(kr0, tail_db=-200)
    # What lies above the degree of the grid is folded about it, so that up to ``degree`` only
    # what is above 2 G - degree can come.
    enough = (near_field_degree(kr0, K * radius) + degree) // 2
    samples = grid_samples(antenna, max(degree, enough), radius)
    solution = solve(samples, PROBE, degree=degree, method=method)
    assert solution.status.startswith("quadrature")
    assert solution.modes.degree == degree
    assert solution.degree_reason == "given"
    # -200 dB is an amplitude of 1e-10.
    assert far_field_error(solution.modes, antenna) < PROMISED
    power = radiated_power_of(antenna, frequency=[FREQUENCY])
    np.testing.assert_allclose(solution.modes.radiated_power(), power, rtol=PROMISED)


# --- the promise --------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("distance", ["one wavelength", "ten times"])
@pytest.mark.parametrize("kr0", [3, 10, 30, 100])
def test_off_centre_cluster(kr0, distance):
    check_promise(kr0, distance)


@pytest.mark.slow
@pytest.mark.parametrize("distance", ["one wavelength", "ten times"])
def test_off_centre_cluster_of_a_hundred_wavelengths(distance):
    check_promise(300, distance)


@pytest.mark.parametrize("rule", RULES)
def test_every_rule(rule):
    antenna = cluster(10)
    degree = required_degree(10, tail_db=-200)
    samples = grid_samples(antenna, degree + 6, 6.0, rule=rule)
    solution = solve(samples, PROBE, degree=degree)
    assert solution.status.startswith(f"quadrature on a {rule} grid of ")
    assert far_field_error(solution.modes, antenna) < PROMISED
    # The model explains the data to what the tail leaves in the near field.
    assert solution.residual[0] < 1e-8


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4))
def test_modes_are_exact_where_nothing_is_truncated(seed):
    # All degrees that have power: the far field to rounding, amplitude and phase, and the near
    # field from the scan's radius outwards (inwards degree 40 would magnify rounding).
    antenna = cluster(4, seed=seed)
    samples = grid_samples(antenna, 40, 2.5)
    solution = solve(samples, PROBE, degree=40)
    # Rounding in simulate (kr = 16), transforms of degree 40: 10 (kr + N) eps.
    assert far_field_error(solution.modes, antenna) < 600 * EPS
    assert solution.residual[0] < 600 * EPS
    theta, phi = directions(50)
    radius = np.linspace(2.5, 30, theta.size)
    wanted = near_field(antenna, frequency=[FREQUENCY], theta=theta, phi=phi, radius=radius)
    got = near_field_points(solution.modes, theta=theta, phi=phi, radius=radius)
    # POINT_EPSILON of the transforms at points.
    for g, w in zip(got, wanted, strict=True):
        assert relative(g, w) < 1e-12


@pytest.mark.slow
@pytest.mark.parametrize("kr0", [3, 10, 30, 100])
def test_automatic_degree_keeps_the_promise(kr0):
    # Where the sampling is fine enough nothing but the data need be given, near or far.
    antenna = cluster(kr0)
    degree = required_degree(kr0, tail_db=-200)
    for radius in (kr0 / K + 1, 10 * kr0 / K):
        enough = (near_field_degree(kr0, K * radius) + degree) // 2
        solution = solve(grid_samples(antenna, max(degree, enough), radius), PROBE)
        assert solution.warnings == ((),)
        assert far_field_error(solution.modes, antenna) < PROMISED


def textbook_samples(place, moment, grid, radius):
    """Samples of one displaced Hertzian dipole, from the textbook field about its own centre."""
    theta, phi = np.repeat(grid.theta, grid.phi.size), np.tile(grid.phi, grid.theta.size)
    r_unit, theta_unit, phi_unit = oracle.cartesian(theta, phi)
    from_dipole = radius * r_unit - place
    distance = np.linalg.norm(from_dipole, axis=1)
    t = np.arccos(from_dipole[:, 2] / distance)
    p = np.arctan2(from_dipole[:, 1], from_dipole[:, 0])
    along = oracle.hertzian_dipole(moment, K, distance, t, p)
    field = np.einsum("mu,umi->mi", along, np.array(oracle.cartesian(t, p)))
    response = np.concatenate([np.sum(field * u, axis=1) for u in (theta_unit, phi_unit)])
    chi = np.repeat([0, np.pi / 2], theta.size)
    return Samples([FREQUENCY], np.tile(theta, 2), np.tile(phi, 2), chi, radius, 1, response[None])


def textbook_far_field(place, moment, theta, phi):
    """-j k Z0/(4 pi) times the transverse moment, ahead in phase by k r^.place (closed form)."""
    r_unit, theta_unit, phi_unit = oracle.cartesian(theta, phi)
    level = -1j * K * WAVE_IMPEDANCE / (4 * np.pi) * np.exp(1j * K * r_unit @ place)
    return np.array([level * (theta_unit @ moment), level * (phi_unit @ moment)])


# --- orientation --------------------------------------------------------------------------------


@pytest.mark.parametrize("axis", [X, Y, Z, -X, (X - 2 * Y + 2 * Z) / 3])
@pytest.mark.parametrize(
    "moment", [X, Y, Z, np.array([0.3 - 0.5j, -0.7 + 0.1j, 0.4 + 0.6j])], ids=["x", "y", "z", "any"]
)
def test_displaced_dipole(axis, moment):
    # k r0 = 4; degree 34 leaves (kr0)^n/(2n+1)!! of the far field: below rounding.
    place = 4 / K * np.asarray(axis)
    samples = textbook_samples(place, moment, grid_for_degree(34), 2.5)
    theta, phi = directions()
    modes = solve(samples, PROBE, degree=34).modes
    got = np.array(far_field_points(modes, theta=theta, phi=phi))[:, 0]
    wanted = textbook_far_field(place, moment, theta, phi)
    assert relative(got, wanted) < 1e-12
    # Where the strongest phase is met, and along both components, not only in the mean.
    np.testing.assert_allclose(got, wanted, rtol=0, atol=1e-12 * np.abs(wanted).max())


@pytest.mark.parametrize("axis", [X, Y, Z], ids=["+x", "+y", "+z"])
@pytest.mark.parametrize(
    "mutate",
    [
        lambda s: {"chi": -s.chi},
        lambda s: {"chi": np.pi / 2 - s.chi},
        lambda s: {"chi": s.chi + np.pi},
        lambda s: {"response": s.response.conj()},
        lambda s: {"phi": -s.phi},
        lambda s: {"phi": s.phi + np.pi / 2},
        lambda s: {"theta": np.pi - s.theta},
        lambda s: {"theta": -s.theta},
        lambda s: {"response": s.response * np.where(s.theta > np.pi / 2, -1, 1)},
        lambda s: {"response": 2 * s.response},
    ],
    ids=[
        "chi sense",
        "components",
        "sign",
        "conjugate",
        "phi sense",
        "phi origin",
        "theta sense",
        "theta < 0",
        "sign behind",
        "factor two",
    ],
)
def test_wrong_conventions_are_seen(mutate, axis):
    # So that none of the tests above passes by symmetry: the dipole is oblique and complex.
    place, moment = 4 / K * axis, np.array([0.3 - 0.5j, -0.7 + 0.1j, 0.4 + 0.6j])
    samples = textbook_samples(place, moment, grid_for_degree(34), 2.5)
    theta, phi = directions()
    wanted = textbook_far_field(place, moment, theta, phi)
    for given, wrong in ((samples, False), (changed(samples, **mutate(samples)), True)):
        modes = solve(given, PROBE, degree=34).modes
        error = relative(np.array(far_field_points(modes, theta=theta, phi=phi))[:, 0], wanted)
        assert (error > 0.1) == wrong
        assert (error < 1e-12) != wrong


def test_data_of_the_other_time_factor_are_conjugated(random_q):
    # Waves as the textbook writes them, exp(-iwt), of random modes; their conjugate belongs to
    # Q'_smn = (-1)^m conj(Q_{s,-m,n}).
    degree, radius = 7, 1.9
    grid = grid_for_degree(degree)
    theta, phi = np.repeat(grid.theta, grid.phi.size), np.tile(grid.phi, grid.theta.size)
    q = random_q(degree)
    e = oracle.field(q, degree, K, radius, theta, phi, c=3)
    there = np.concatenate([e[:, 1], e[:, 2]])
    chi = np.repeat([0, np.pi / 2], theta.size)
    samples = Samples([FREQUENCY], np.tile(theta, 2), np.tile(phi, 2), chi, radius, 1, there.conj()[None])
    solution = solve(samples, PROBE, degree=degree)
    wanted = oracle.conjugate_convention(q, degree)
    assert relative(solution.modes.coefficients[0], wanted) < 1e-12
    # And the far fields are each other's conjugates.
    t, p = directions(20)
    far = np.array(far_field_points(solution.modes, theta=t, phi=p))[:, 0]
    assert relative(far.T, oracle.far_field(q, degree, t, p, c=3).conj()) < 1e-11


def with_holes(samples, at):
    response = np.array(samples.response)
    response[:, at] = np.nan
    return changed(samples, response=response)


# --- incomplete grids ---------------------------------------------------------------------------


def test_incomplete_grids_are_solved_by_least_squares():
    antenna = cluster(10)
    samples = with_holes(grid_samples(antenna, 34, 6.0), [100, 2000])
    solution = solve(samples, PROBE, degree=28, method=LeastSquares(rtol=1e-11))
    assert far_field_error(solution.modes, antenna) < PROMISED
    solution = solve(samples, PROBE, degree=28)
    assert solution.status == "least squares by conjugate gradients"
    assert far_field_error(solution.modes, antenna) < 1e-7
    with pytest.raises(ValueError, match="not a full regular grid: 2 of 2592 positions lack a second"):
        solve(samples, PROBE, degree=28, method=Quadrature())


@pytest.mark.slow
@pytest.mark.parametrize("rule", ["clenshaw-curtis", "fejer-1", "gauss-legendre"])
@pytest.mark.parametrize("degree", [24, 40])
def test_automatic_degree_of_an_incomplete_grid(rule, degree):
    # Two samples less of thousands: the count of samples, which has some to spare, must not lead
    # to degrees that the steps do not determine.
    antenna = cluster(10)
    whole = grid_samples(antenna, degree, 15.0, rule=rule)
    solution = solve(with_holes(whole, [100, 2000]), PROBE)
    # Degree 24 leaves -130 dB of the power.
    assert far_field_error(solution.modes, antenna) < 1e-6


def test_missing_at_one_frequency_only():
    antenna = cluster(3)
    frequency = FREQUENCY * np.array([0.9, 1.0])
    samples = grid_samples(antenna, 18, 1.6, frequency=frequency)
    response = np.array(samples.response)
    response[1, 77] = np.nan
    samples = changed(samples, response=response)
    solution = solve(samples, PROBE, degree=18, method=LeastSquares(rtol=1e-12))
    assert far_field_error(solution.modes, antenna) < PROMISED
    # The other frequency is solved as if alone.
    both, alone = (solve(x, PROBE, degree=18) for x in (samples, samples.at_frequency(0)))
    assert both.status.startswith("quadrature on a clenshaw-curtis grid of 20 x 40 positions (0.269")
    assert both.status.endswith("; least squares by conjugate gradients (0.299792458 GHz)")
    np.testing.assert_array_equal(both.modes.coefficients[0], alone.modes.coefficients[0])


def test_a_frequency_without_samples():
    samples = grid_samples(cluster(3), 8, 1.6, frequency=FREQUENCY * np.array([0.9, 1.0]))
    response = np.array(samples.response)
    response[1] = np.nan
    with pytest.raises(ValueError, match=r"there is no sample at 0\.299792458 GHz: leave that"):
        solve(changed(samples, response=response), PROBE, degree=4)


@pytest.mark.parametrize("chi", [0.0, 0.3, np.pi])
@pytest.mark.parametrize("method", [None, LeastSquares(), Direct()])
def test_one_polarisation_is_not_enough(chi, method):
    # chi + 180 deg is the same polarisation. At one frequency of two is enough to be refused.
    samples = grid_samples(cluster(3), 8, 1.6, frequency=FREQUENCY * np.array([0.9, 1.0]))
    one = changed(samples, chi=np.where(samples.chi > 1, chi, 0.0))
    message = (
        r"GHz have chi = 0 deg \(two frequencies mixed in one grid\?\): a second polarisation, chi "
        "90 deg from it, is needed at each frequency"
    )
    if chi != 0.3:
        with pytest.raises(ValueError, match=f"all samples at 0.269813212 {message}"):
            solve(one, PROBE, degree=3, method=method)
    response = np.array(samples.response)
    response[1, samples.chi > 1] = np.nan
    with pytest.raises(ValueError, match=f"all samples at 0.299792458 {message}"):
        solve(changed(samples, response=response), PROBE, degree=3, method=method)


def part(samples, keep):
    names = ("theta", "phi", "chi", "radius", "port")
    return changed(
        samples, response=samples.response[:, keep], **{n: getattr(samples, n)[keep] for n in names}
    )


def test_part_of_the_sphere_unseen():
    # A cap of 40 deg about the south pole, where degree 15 allows gaps of 18 deg.
    samples = grid_samples(cluster(3), 20, 3.0)
    most = part(samples, samples.theta < np.radians(140))
    solution = solve(most, PROBE, degree=15)
    (sentence,) = solution.warnings[0]
    assert "of the sphere was not measured (theta 14" in sentence
    assert "to 180 deg), and degree 15 bridges gaps of up to 18 deg: TRP, dir" in sentence
    assert solution.partial.tolist() == [True]
    assert np.isfinite(solution.modes.coefficients).all()
    with pytest.raises(ValueError, match=r"was not measured .*: give a damping"):
        solve(most, PROBE, degree=15, method=LeastSquares(damping=0.0))
    finer = grid_samples(cluster(3), 40, 3.0)
    cap = part(finer, finer.theta < np.radians(30))
    with pytest.raises(ValueError, match=r"was not measured .*: measure more of the sphere"):
        solve(cap, PROBE, degree=15)


# --- several frequencies ------------------------------------------------------------------------


@pytest.mark.parametrize("threads", [1, 2, None])
def test_five_frequencies_are_five_calls(threads):
    antenna = cluster(4)
    frequency = FREQUENCY * np.array([0.8, 1.2, 0.9, 1.0, 1.1])
    samples = grid_samples(antenna, 32, 2.5, frequency=frequency)
    method = Quadrature(threads=threads)
    solution = solve(samples, PROBE, degree=30, method=method)
    np.testing.assert_array_equal(solution.modes.frequency, frequency)
    assert solution.modes.coefficients.shape == (5, mode_count(30))
    assert far_field_error(solution.modes, antenna) < 1e-12
    for i in range(5):
        one = solve(samples.at_frequency(i), PROBE, degree=30, method=method)
        # Threads may share the rings otherwise: rounding, no more.
        assert relative(solution.modes.coefficients[i], one.modes.coefficients[0]) < 100 * EPS
        assert solution.residual[i] == pytest.approx(one.residual[0], rel=0.5)
        assert solution.tail_db[i] == pytest.approx(one.tail_db[0], abs=0.01)
        assert solution.warnings[i] == one.warnings[0]


def test_probe_with_a_table_of_frequencies():
    antenna = cluster(3)
    frequency = FREQUENCY * np.array([0.9, 1.0])
    r = PROBE.coefficients[0] * np.array([2.0, 3j])[:, None, None]
    probe = Probe(frequency, r, "V/m")
    samples = grid_samples(antenna, 18, 1.6, frequency=frequency)
    louder = changed(samples, response=samples.response * np.array([[2.0], [3j]]))
    assert far_field_error(solve(louder, probe, degree=18).modes, antenna) < PROMISED
    other = changed(louder, frequency=frequency * 1.01)
    with pytest.raises(ValueError, match=r"the probe: 0\.30279\d+ GHz is not among or between"):
        solve(other, probe, degree=18)


def test_probe_is_interpolated_between_its_frequencies():
    # A level that is a parabola over frequency, which a cubic spline gives back; the estimate
    # leaves a neighbour out and finds the same parabola, so that there is nothing to warn of.
    antenna = cluster(3)
    known = FREQUENCY * np.array([0.8, 0.9, 1.0, 1.1])
    samples = grid_samples(antenna, 18, 1.6, frequency=[0.95 * FREQUENCY])

    def level(f):
        return 2 - (f / FREQUENCY) ** 2

    r = PROBE.coefficients[0] * level(known)[:, None, None]
    louder = changed(samples, response=samples.response * level(0.95 * FREQUENCY))
    solution = solve(louder, Probe(known, r, "V/m"), degree=18)
    assert far_field_error(solution.modes, antenna) < PROMISED
    assert solution.warnings == ((),)
    # Two frequencies give a line, of which nothing can be said.
    solution = solve(louder, Probe(known[1:3], r[1:3], "V/m"), degree=18)
    assert "changes it by an unknown amount: measure it in finer steps" in solution.warnings[0][0]
    # A single one that is off: the neighbours say by how much.
    wrong = r * np.array([1, 1, 1.1, 1])[:, None, None]
    solution = solve(louder, Probe(known, wrong, "V/m"), degree=18)
    assert re.search(r"leaving out the nearest of them changes it by -\d+ dB", solution.warnings[0][0])


# --- units and what is refused ------------------------------------------------------------------


def test_relative_data_make_relative_modes():
    samples = grid_samples(cluster(3), 8, 1.6)
    relative_probe = Probe(None, PROBE.coefficients, "relative")
    volts = solve(samples, PROBE, degree=6)
    assert volts.modes.reference == "absolute"
    for s, p in (
        (changed(samples, response_unit="relative"), PROBE),
        (samples, relative_probe),
        (changed(samples, response_unit="relative"), relative_probe),
    ):
        assert solve(s, p, degree=6).modes.reference == "relative"


def test_units_that_do_not_fit():
    samples = changed(grid_samples(cluster(3), 8, 1.6), response_unit="sqrt(W)")
    with pytest.raises(ValueError, match=r"responses are in sqrt\(W\), the probe answers in V/m"):
        solve(samples, PROBE, degree=6)
    power_probe = Probe(None, PROBE.coefficients, "sqrt(W)")
    assert solve(samples, power_probe, degree=6).modes.reference == "absolute"
    with pytest.raises(ValueError, match=r"responses are in V/m, the probe answers in sqrt\(W\)"):
        solve(changed(samples, response_unit="V/m"), power_probe, degree=6)


def test_unit_probe_in_watts_reads_the_wave_itself():
    # R of the field probe in sqrt(W) is that in V/m without k sqrt(Z0).
    samples = grid_samples(cluster(3), 8, 1.6)
    watts = changed(
        samples, response=samples.response / (K * np.sqrt(WAVE_IMPEDANCE)), response_unit="sqrt(W)"
    )
    a = solve(samples, PROBE, degree=6).modes.coefficients
    b = solve(watts, Probe(None, PROBE.coefficients, "sqrt(W)"), degree=6).modes.coefficients
    assert relative(b, a) < 100 * EPS


@pytest.mark.parametrize("radius", [1e-3, 0.99 / K])
def test_reactive_zone(radius):
    grid = equiangular_grid(8, 12)
    antenna = DipoleCluster([[0, 0, 0]], [[0, 0, 1]])
    samples = simulate_grid(antenna, frequency=[FREQUENCY], grid=grid, radius=radius)
    with pytest.raises(ValueError, match="within the reactive zone of any antenna") as error:
        solve(samples, PROBE, degree=2)
    assert "check the unit of the radius (m) and of the frequency (Hz)" in str(error.value)
    # The lowest frequency decides.
    samples = simulate_grid(antenna, frequency=[30 * FREQUENCY, FREQUENCY * 0.1], grid=grid, radius=1.0)
    with pytest.raises(ValueError, match="within the reactive zone of any antenna"):
        solve(samples, PROBE, degree=2)


@pytest.mark.parametrize("value", [0.0, -1.0, np.inf, np.nan])
def test_minimum_radius_that_is_none(value):
    samples = grid_samples(cluster(3), 8, 1.6)
    with pytest.raises(ValueError, match=r"minimum_radius is .* m, expected a finite number > 0"):
        solve(samples, PROBE, minimum_radius=value)


def test_scan_inside_the_minimum_sphere():
    samples = grid_samples(cluster(3), 8, 1.6)
    with pytest.raises(ValueError, match=r"radius is 1.6 m, inside the antenna's minimum sphere"):
        solve(samples, PROBE, minimum_radius=1.6)


def test_silence():
    samples = grid_samples(cluster(3), 8, 1.6, frequency=FREQUENCY * np.array([1.0, 2.0]))
    response = np.array(samples.response)
    response[1] = 0
    for method in (Quadrature(), LeastSquares(), Direct()):
        with pytest.raises(ValueError, match=r"all responses are zero at 0\.599584916 GHz"):
            solve(changed(samples, response=response), PROBE, degree=4, method=method)


def test_quadrature_wants_a_grid_and_enough_values_of_chi(rng, random_q):
    samples = random_samples(rng, 100, (1.8, 1.8))
    samples = respond(samples, PROBE, random_q(3), 3)
    with pytest.raises(ValueError, match="not a full regular grid: 100 samples have 100 different"):
        solve(samples, PROBE, degree=3, method=Quadrature())
    grid = grid_samples(cluster(3), 8, 1.6)
    axial = np.array(PROBE.coefficients)
    axial[0, 0, mode_index(s=2, m=0, n=1)] = 0.1
    probe = Probe(None, axial, "V/m")
    message = r"values of chi that cannot separate the probe's azimuthal orders 0, \+-1, first at"
    with pytest.raises(ValueError, match=message):
        solve(grid, probe, degree=4, method=Quadrature())
    with pytest.raises(ValueError, match=r"orders \[0, 1\], the maps are of \[1\]: use LeastSq"):
        quadrature_matrix(probe, frequency=FREQUENCY, radius=1.6, degree=4)
    assert solve(grid, probe, degree=4).status == "least squares by conjugate gradients"


def test_circular_probe_cannot_tell_two_polarisations():
    # A probe of mu = +1 alone reads exp(j chi) times one number: no rotation adds to that.
    r = np.zeros((1, 1, 6), dtype=complex)
    r[0, 0, mode_index(s=2, m=1, n=1)] = 1
    samples = grid_samples(cluster(3), 8, 1.6)
    with pytest.raises(
        ValueError, match=r"port 1 .* one circular polarisation or none: a probe that receives"
    ):
        solve(samples, Probe(None, r, "V/m"), degree=4)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"rtol": 0.0}, "rtol is 0.0, expected between 0 and 1"),
        ({"rtol": 1.0}, "rtol is 1.0, expected between 0 and 1"),
        ({"rtol": 1e-320}, "rtol is 1e-320, expected between 0 and 1, and not below rounding, 1e-16"),
        ({"rtol": np.nan}, "rtol is nan, expected between 0 and 1"),
        ({"max_iterations": 0}, "max_iterations is 0, expected at least 1"),
        ({"damping": -1.0}, "damping is -1.0, expected 0 "),
        ({"damping": 1e308}, r"damping is 1e\+308, expected 0 \(no wave is held back\) to 1 \(all are\)"),
        ({"damping": np.inf}, "damping is inf, expected 0 "),
        ({"damping": np.nan}, "damping is nan, expected 0 "),
        ({"spared": (1.0, 0.0)}, r"spared is \(1\.0, 0\.0\), expected all above 0"),
    ],
)
def test_least_squares_refuses(options, message):
    with pytest.raises(ValueError, match=message):
        LeastSquares(**options)


@pytest.mark.parametrize("method", [Quadrature(threads=0), LeastSquares(threads=0)])
def test_threads_are_at_least_one(method):
    with pytest.raises(ValueError, match="threads is 0, expected at least 1"):
        solve(grid_samples(cluster(3), 8, 1.6), PROBE, degree=4, method=method)


@pytest.mark.slow
@pytest.mark.parametrize("method", [Quadrature(), LeastSquares(rtol=1e-11)])
def test_degrees_far_above_ka(method):
    # kA = 4, N = 200: h_n leaves the range of a double near n = 180. Nothing becomes NaN, and
    # what the probe sees is found.
    antenna = DipoleCluster([[0.05, 0, 0]], [[1, 1j, 0]])
    samples = grid_samples(antenna, 200, 4 / K)
    solution = solve(samples, PROBE, degree=200, method=method)
    assert np.isfinite(solution.modes.coefficients).all()
    assert far_field_error(solution.modes, antenna) < PROMISED


def pattern_of(antenna, degree, radius, theta, phi=0.0):
    """Directivity (T, P) through the whole chain: samples, modes, far field, directivity."""
    solution = solve(grid_samples(antenna, degree, radius), PROBE, degree=degree)
    return directivity(far_field(solution.modes, theta=theta, phi=np.atleast_1d(phi)))[0]


# --- known antennas -----------------------------------------------------------------------------


def test_huygens_source():
    # D = 3 in front, none behind (check values, section 2, closed form).
    source = huygens_source(direction=Z, polarisation=X, moment=0.7 - 0.2j)
    d = pattern_of(source, 12, 1.3, [0.0, np.pi / 2, np.pi], [0.0, 1.0])
    np.testing.assert_allclose(d[0], 3, rtol=1e-11)
    np.testing.assert_allclose(d[1], 0.75, rtol=1e-11)
    # (1 + cos)^2: an error of 1e-12 in the field at the back is 1e-24 in power.
    assert np.all(d[2] < 1e-22)
    # Its four coefficients, all of the same size: Q_{2,-1,1} = -1, Q_{2,1,1} = Q_{1,+-1,1} = +1 in
    # exp(-iwt) (check values, section 1); mapped: (-1)^m conj(Q_{s,-m,n}).
    modes = solve(grid_samples(source, 12, 1.3), PROBE, degree=12).modes
    q = modes.coefficients[0]
    there = np.zeros(6, dtype=complex)
    for (s, m), value in {(2, -1): -1, (2, 1): 1, (1, -1): 1, (1, 1): 1}.items():
        there[mode_index(s=s, m=m, n=1)] = value
    here = oracle.conjugate_convention(there, 1)
    assert relative(q[:6] / q[mode_index(s=2, m=1, n=1)], here / here[5]) < 1e-11
    assert np.linalg.norm(q[6:]) < 1e-11 * np.linalg.norm(q)


def test_hertzian_dipoles_and_their_coefficients():
    # Q of unit dipoles at the origin (check values, section 1, closed form), exp(-iwt): z:
    # Q_{2,0,1} = -q; x: Q_{2,-+1,1} = -+ q/sqrt 2; y: Q_{2,+-1,1} = -i q/sqrt 2. D = 1.5 each.
    tables = {
        "x": {-1: -1 / np.sqrt(2), 1: 1 / np.sqrt(2)},
        "y": {-1: -1j / np.sqrt(2), 1: -1j / np.sqrt(2)},
        "z": {0: -1.0},
    }
    found = {}
    for axis, moment in zip("xyz", (X, Y, Z), strict=True):
        antenna = DipoleCluster([[0, 0, 0]], [moment])
        modes = solve(grid_samples(antenna, 10, 1.3), PROBE, degree=10).modes
        there = np.zeros(6, dtype=complex)
        for m, value in tables[axis].items():
            there[mode_index(s=2, m=m, n=1)] = value
        here = oracle.conjugate_convention(there, 1)
        q = modes.coefficients[0]
        found[axis] = np.vdot(here, q[:6])
        assert relative(q[:6], found[axis] * here) < 1e-11
        assert np.linalg.norm(q[6:]) < 1e-11 * np.linalg.norm(q)
        across = far_field(modes, theta=[np.pi / 2], phi=[0.0 if axis != "x" else np.pi / 2])
        np.testing.assert_allclose(directivity(across), 1.5, rtol=1e-11)
        # P = k^2 Z0 |Il|^2/(12 pi) = |q|^2/2 (closed form).
        np.testing.assert_allclose(modes.radiated_power(), K**2 * WAVE_IMPEDANCE / (12 * np.pi), rtol=1e-11)
    # The same factor q for all three: nothing depends on the direction.
    assert found["x"] == pytest.approx(found["z"], rel=1e-11)
    assert found["y"] == pytest.approx(found["z"], rel=1e-11)


def test_half_wave_dipole():
    # D = 4/Cin(2 pi) = 1.640922377 (check values, section 2, closed form).
    cin = np.euler_gamma + np.log(2 * np.pi) - sici(2 * np.pi)[1]
    wire = SinusoidalWire(0.5, 1.0, axis=(1.0, 1.0, 0.0))
    d = pattern_of(wire, 24, 1.3, [0.0, np.pi / 2], [3 * np.pi / 4, np.pi / 4])
    assert f"{d[0, 0]:.9f}" == "1.640922377"
    np.testing.assert_allclose([d[0, 0], d[0, 1], d[1, 0]], 4 / cin, rtol=1e-10)
    assert d[1, 1] < 1e-20  # along the wire


@pytest.mark.parametrize(("length", "printed"), [(0.25, 1.53184), (1.0, 2.41100), (1.25, 3.28248)])
def test_dipoles_of_other_lengths(length, printed):
    # Check values, section 2, closed form, five decimals; the peak is across the wire.
    d = pattern_of(SinusoidalWire(length, 1.0), 40, 2.0, [np.pi / 2])
    assert d[0, 0] == pytest.approx(printed, abs=0.5e-5)


def cut_along(antenna, degree, radius, psi):
    """Far field of dipoles along z on the x axis in the plane z = 0, psi from the x axis.

    There the dipole itself is isotropic: this is the array factor, times a constant.
    """
    modes = solve(grid_samples(antenna, degree, radius), PROBE, degree=degree).modes
    return far_field_points(modes, theta=np.full(np.size(psi), np.pi / 2), phi=psi)[0][0]


@pytest.mark.parametrize(
    ("spacing", "excess", "at", "printed", "error"),
    [
        (0.5, None, np.pi / 2, 10, 1e-9),
        (0.25, None, np.pi / 2, 5.16601, 0.5e-5),
        (0.25, 0.0, 0.0, 10, 1e-9),
        (0.25, np.pi / 10, 0.0, 17.790, 0.5e-3),
        (0.25, 2.92 / 10, 0.0, 17.961, 0.5e-3),
    ],
)
def test_uniform_array_of_ten(spacing, excess, at, printed, error):
    # Check values, section 2, closed form, of isotropic elements: their power is integrated from
    # the array factor, a polynomial in the cosine's exponential, by Gauss-Legendre.
    step = 0.0 if excess is None else -(K * spacing + excess)
    element = DipoleCluster([[0, 0, 0]], [Z])
    array = line_array(element, count=10, spacing=spacing, axis=X, phase_step=step)
    kr0 = K * array.minimum_radius
    c, weight = np.polynomial.legendre.leggauss(60)
    # Four radii away the sampling need not be finer than the far field asks for.
    degree = required_degree(kr0, tail_db=-220)
    cut = cut_along(array, degree, 4 * array.minimum_radius, np.append(np.arccos(c), at))
    power = weight @ np.abs(cut[:-1]) ** 2 / 2
    assert np.abs(cut[-1]) ** 2 / power == pytest.approx(printed, abs=error)


@pytest.mark.parametrize(
    ("taper", "level", "first_null"), [("uniform", -13.261, 1.0), ("cosine", -22.999, 1.5)]
)
def test_line_source(taper, level, first_null):
    # First sidelobe (check values, section 2, closed form), of a line of 8 wavelengths.
    length = 8.0
    element = DipoleCluster([[0, 0, 0]], [Z])
    source = line_source(element, length=length, axis=X, nodes=40, taper=taper)
    degree = required_degree(K * source.minimum_radius, tail_db=-220)
    u = np.concatenate([[0.0, first_null], np.linspace(first_null, first_null + 1, 2001)])
    cut = np.abs(cut_along(source, degree, 20.0, np.arccos(u / length)))
    assert 20 * np.log10(cut[2:].max() / cut[0]) == pytest.approx(level, abs=0.5e-3)
    assert cut[1] < 1e-9 * cut[0]


@pytest.mark.slow
@pytest.mark.parametrize(("radius", "printed"), [(1, 42.28506), (2, 163.67628), (3, 364.06138)])
def test_circular_aperture(radius, printed):
    # Uniform circle of Huygens elements (check values, section 2, computed), five decimals.
    element = huygens_source(direction=Z, polarisation=X)
    x = K * radius
    disc = circular_aperture(
        element, radius=radius, rings=int(x / 4 + 5 * x ** (1 / 3)) + 1, spokes=int(x + 10 * x ** (1 / 3)) + 1
    )
    degree = required_degree(x, tail_db=-220)
    d = pattern_of(disc, degree, 4.0 * radius, [0.0])
    assert d[0, 0] == pytest.approx(printed, abs=0.5e-5)


def test_the_five_lines():
    import nf2ff

    antenna = cluster(3)
    samples = nf2ff.simulate_grid(
        antenna, frequency=[FREQUENCY], grid=nf2ff.equiangular_grid(26, 50), radius=1.6
    )
    probe = nf2ff.field_probe()
    solution = nf2ff.solve(samples, probe, degree=24)
    theta, phi = np.linspace(0, np.pi, 19), np.linspace(0, 2 * np.pi, 37)
    pattern = nf2ff.far_field(solution.modes, theta=theta, phi=phi)
    peak = nf2ff.directivity(pattern).max(axis=(1, 2))
    t, p = np.meshgrid(theta, phi, indexing="ij")
    e = far_field_of(antenna, frequency=[FREQUENCY], theta=t.ravel(), phi=p.ravel())
    intensity = np.sum(np.abs(e) ** 2, axis=0) / (2 * WAVE_IMPEDANCE)
    power = radiated_power_of(antenna, frequency=[FREQUENCY])
    np.testing.assert_allclose(peak, 4 * np.pi * intensity.max() / power, rtol=PROMISED)
    assert isinstance(solution.modes, Modes)
