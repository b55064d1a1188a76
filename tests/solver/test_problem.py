"""Solutions prepared once and used many times; probes of several orders, exactly and cut short."""

import dataclasses
import functools
import re

import numpy as np
import probe_oracle
import pytest
from sources import X, Y, Z, random_cluster, random_directions

from nf2ff.antenna.closed_form import far_field_of, radiated_power_of
from nf2ff.antenna.dipoles import DipoleCluster, huygens_source
from nf2ff.antenna.fields import far_field_points
from nf2ff.antenna.grids import gauss_legendre_grid, grid_for_degree
from nf2ff.antenna.modes import SPEED_OF_LIGHT, WAVE_IMPEDANCE, Modes, wavenumber
from nf2ff.antenna.points import equal_area_spiral_for_degree
from nf2ff.measurement.probe import keep_orders, probe_from_modes
from nf2ff.measurement.samples import Samples
from nf2ff.measurement.simulated import receive
from nf2ff.solver.problem import Problem
from nf2ff.solver.quadrature import quadrature_matrix
from nf2ff.solver.regular_grid import NotAGridError
from nf2ff.solver.solve import prepare, solve
from nf2ff.solver.strategy import Direct, LeastSquares, Quadrature

#: Wavelengths of 1 m, and of a little less.
FREQUENCY = SPEED_OF_LIGHT * np.array([1.0, 1.05, 1.1])
#: Six dipole pairs within 0.2 wavelengths: degrees above 12 carry 1e-12 of its field.
ANTENNA = random_cluster(size=0.25, seed=3)
DEGREE = 12
RADIUS = 2.0
DIRECTIONS = dict(zip(("theta", "phi"), random_directions(150, 9), strict=True))
#: In up to three threads sums are formed in one order: the same work gives the same digits.
STRICT = LeastSquares(rtol=1e-12, threads=1)


def truth(frequency):
    return np.array(far_field_of(ANTENNA, frequency=frequency, **DIRECTIONS))


def error(modes):
    """Largest error of the far field relative to its maximum, worst of the frequencies."""
    found, wanted = np.array(far_field_points(modes, **DIRECTIONS)), truth(modes.frequency)
    return (np.abs(found - wanted).max(axis=(0, 2)) / np.abs(wanted).max(axis=(0, 2))).max()


def ring(orders, count=16, radius=0.08, height=0.04, seed=4):
    """Dipole pairs on a ring that radiate the azimuthal orders given, and no others.

    x + jy, x - jy and z have the orders 1, -1 and 0 of their own, the rest is in the phase around
    the ring. Orders that differ by ``count`` come along: of order 13 at least here, and
    J_12(k radius) = 1e-16 (k radius = 0.55), beneath notice.
    """
    rng = np.random.default_rng(seed)
    phi = 2 * np.pi / count * np.arange(count)
    place = np.stack([radius * np.cos(phi), radius * np.sin(phi), np.full(count, height)], axis=1)
    moments = np.zeros((2, count, 3), dtype=complex)
    for total in moments:
        for vector, own in ((X + 1j * Y, 1), (X - 1j * Y, -1), (Z, 0)):
            for q in orders:
                weight = rng.normal(size=2) @ [1, 1j] * 2.0 ** (abs(q) - 1)
                total += np.outer(weight * np.exp(1j * (q - own) * phi), vector) / count
    return place, moments[0], WAVE_IMPEDANCE * moments[1]


def probe_cluster(orders=(-2, -1, 0, 1, 2), polarisation=X, level=0.3, seed=4):
    """A Huygens source and a ring that radiates ``orders``."""
    main = huygens_source(direction=Z, polarisation=polarisation)
    place, electric, magnetic = ring(orders, seed=seed)
    return DipoleCluster(
        np.concatenate([main.position, place]),
        np.concatenate([main.electric, level * electric]),
        np.concatenate([main.magnetic, level * magnetic]),
    )


def probe_of(*clusters, frequency=FREQUENCY, degree=11):
    """The probe whose ports radiate as the clusters do, by the oracle's reciprocity integral.

    Degrees above 11 carry less than 1e-13 of what these probes radiate.
    """
    ports = []
    for cluster in clusters:
        q = [probe_oracle.cluster_modes(cluster, k, degree) for k in wavenumber(frequency)]
        power = radiated_power_of(cluster, frequency=frequency)
        ports.append(Modes(frequency, np.array(q) / np.sqrt(power)[:, None]))
    return probe_from_modes(ports)


CLUSTER = probe_cluster()
PROBE = probe_of(CLUSTER)
SECOND = probe_of(probe_cluster(polarisation=Y, seed=6))


def everywhere(theta, phi, chi):
    """Every position at each value of chi."""
    return {
        "theta": np.tile(theta, len(chi)),
        "phi": np.tile(phi, len(chi)),
        "chi": np.repeat(chi, theta.size),
    }


def on_grid(grid, chi):
    theta, phi = np.repeat(grid.theta, grid.phi.size), np.tile(grid.phi, grid.theta.size)
    return everywhere(theta, phi, chi)


def scan(where, probes=(CLUSTER,), frequency=FREQUENCY, **more):
    """Closed form: no spherical wave is in these samples."""
    return receive(ANTENNA, list(probes), frequency=frequency, **{"radius": RADIUS, **where, **more})


FIVE = 2 * np.pi / 5 * np.arange(5)
GRID = grid_for_degree(DEGREE + 1)


def spiral(chi=(0.0, np.pi / 2)):
    points = equal_area_spiral_for_degree(DEGREE)
    return everywhere(points.theta, points.phi, np.array(chi))


@functools.cache
def spiral_scan():
    """What most tests below begin with."""
    return scan(spiral())


@functools.cache
def two_turns():
    return scan(on_grid(GRID, np.array([0, np.pi / 2])))


# --- what goes in -------------------------------------------------------------------------------


def test_the_probe_has_the_orders_said():
    # `probe_from_modes` leaves out orders below an amplitude of 1e-13; a ring of 16 makes none.
    assert PROBE.orders() == [-2, -1, 0, 1, 2]
    for mu in (0, 1, 2):
        part = keep_orders(PROBE, orders=(mu, -mu)).coefficients
        assert np.linalg.norm(part) > 0.01 * np.linalg.norm(PROBE.coefficients)
    more = probe_of(CLUSTER, degree=14).coefficients[:, :, PROBE.coefficients.shape[2] :]
    assert np.linalg.norm(more) < 1e-12 * np.linalg.norm(PROBE.coefficients)


# --- prepared once ------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("method", [Quadrature(threads=1), STRICT, Direct(), None])
def test_prepared_is_solved(method):
    # Digit by digit: the same code must run. Degree 6, for the dense matrix's sake.
    where = on_grid(grid_for_degree(7), FIVE)
    samples = scan(where, frequency=FREQUENCY[:2])
    prepared = prepare(samples, PROBE, degree=6, method=method)
    first = prepared.modes(samples.response)
    solution = solve(samples, PROBE, degree=6, method=method)
    np.testing.assert_array_equal(first.coefficients, solution.modes.coefficients)
    assert first.reference == "absolute"
    np.testing.assert_array_equal(first.frequency, samples.frequency)
    for estimate, residual, steps in zip(
        prepared.estimates(samples.response), solution.residual, solution.iterations, strict=True
    ):
        assert (estimate.residual, estimate.iterations) == (residual, steps)
    # Again, with what was kept: other responses, and the first ones after them.
    rng = np.random.default_rng(5)
    other = samples.response * rng.uniform(0.5, 2, samples.response.shape)
    second = prepared.modes(other)
    changed = dataclasses.replace(samples, response=other)
    np.testing.assert_array_equal(
        second.coefficients, solve(changed, PROBE, degree=6, method=method).modes.coefficients
    )
    np.testing.assert_array_equal(prepared.modes(samples.response).coefficients, first.coefficients)


def test_prepared_takes_quadrature_where_it_can():
    where = on_grid(GRID, FIVE)
    samples = scan(where, frequency=FREQUENCY[:1])
    assert prepare(samples, PROBE, degree=DEGREE).method == Quadrature()
    assert prepare(samples, PROBE, degree=GRID.degree).method == Quadrature()
    assert prepare(samples, PROBE, degree=GRID.degree + 1).method == LeastSquares()
    few = scan(on_grid(GRID, FIVE[:2]), frequency=FREQUENCY[:1])
    assert prepare(few, PROBE, degree=DEGREE).method == LeastSquares()


@functools.cache
def nine():
    """Scan and probe at nine frequencies."""
    frequency = SPEED_OF_LIGHT * np.linspace(1.0, 1.1, 9)
    return scan(on_grid(GRID, FIVE), frequency=frequency), probe_of(CLUSTER, frequency=frequency)


@pytest.mark.slow
@pytest.mark.parametrize("method", [Quadrature(), STRICT])
def test_many_frequencies(method):
    # More than twice the threads, so that a quadrature runs them side by side; each is as alone.
    samples, probe = nine()
    method = dataclasses.replace(method, threads=2)
    prepared = prepare(samples, probe, degree=DEGREE, method=method)
    modes = prepared.modes(samples.response)
    # Truncation of antenna and probe, 1e-12; rtol times a condition of about 10.
    assert error(modes) < 1e-10
    for i in (0, 4, 8):
        alone = prepare(samples.at_frequency(i), probe, degree=DEGREE, method=method)
        got = alone.modes(samples.response[i : i + 1]).coefficients[0]
        # Several threads may add in another order: some eps.
        np.testing.assert_allclose(got, modes.coefficients[i], rtol=0, atol=1e-13 * np.abs(got).max())


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["first order", "two turns", "one turn", "any chi"])
def test_the_same_solution_every_time(kind, rng):
    # To the last bit, on one, two or three threads, so that a result can be made again from its samples. Of
    # noise, which takes as many steps as there are. On another number the library may take another kernel.
    points = equal_area_spiral_for_degree(60)
    where = everywhere(points.theta, points.phi, (0.0, np.pi / 2))
    probe, port = PROBE, 1
    if kind == "first order":
        probe = keep_orders(PROBE, orders=(-1, 1))
    elif kind == "one turn":
        probe = dataclasses.replace(
            PROBE, coefficients=np.concatenate([PROBE.coefficients, SECOND.coefficients], axis=1)
        )
        port, where["chi"] = np.repeat([1, 2], points.count), 0.0
    elif kind == "any chi":
        where["chi"] = rng.uniform(0, 2 * np.pi, 2 * points.count)
    response = rng.normal(size=(1, 2 * points.count, 2)) @ [1, 1j]
    samples = Samples(
        FREQUENCY[:1], radius=12.0, port=port, response=response, response_unit="sqrt(W)", **where
    )
    for threads in (1, 2, 3):
        method = LeastSquares(max_iterations=4, threads=threads)
        first, *others = (
            prepare(samples, probe, degree=60, method=method).modes(response).coefficients for _ in range(3)
        )
        for other in others:
            np.testing.assert_array_equal(other, first)


@pytest.mark.slow
def test_positions_are_planned_once(monkeypatch):
    # Nine frequencies at the same positions, used twice: one plan; where axes move, one for each.
    count = 0

    def counted(samples):
        nonlocal count
        count += 1
        return plan(samples)

    from nf2ff.solver import problem as module

    plan = module.plan_geometry
    monkeypatch.setattr(module, "plan_geometry", counted)
    samples = spiral_scan()
    prepared = prepare(samples, PROBE, degree=DEGREE, method=LeastSquares())
    for _ in range(2):
        prepared.modes(samples.response)
    assert count == 1
    theta = samples.theta * np.array([[1.0], [0.99], [0.98]])
    moving = scan({**spiral(), "theta": theta})
    prepared = prepare(moving, PROBE, degree=DEGREE, method=LeastSquares())
    for _ in range(2):
        prepared.modes(moving.response)
    assert count == 4


@pytest.mark.slow
def test_missing_samples(rng):
    samples = spiral_scan()
    response = np.array(samples.response)
    gone = rng.random(response.shape) < np.array([[0.02], [0.0], [0.04]])
    response[gone] = np.nan
    missing = dataclasses.replace(samples, response=response)
    prepared = prepare(missing, PROBE, degree=DEGREE, method=STRICT)
    modes = prepared.modes(missing.response)
    assert error(modes) < 1e-10
    solved = solve(missing, PROBE, degree=DEGREE, method=STRICT).modes
    np.testing.assert_array_equal(modes.coefficients, solved.coefficients)
    # What stands in the place of a missing sample does not count.
    filled = np.where(gone, 1e3, response)
    np.testing.assert_array_equal(prepared.modes(filled).coefficients, modes.coefficients)


def test_missing_samples_of_the_dense_method(rng):
    samples = scan(spiral(), frequency=FREQUENCY[:2])
    response = np.array(samples.response)
    gone = rng.random(response.shape) < np.array([[0.02], [0.0]])
    response[gone] = np.nan
    missing = dataclasses.replace(samples, response=response)
    prepared = prepare(missing, PROBE, degree=6, method=Direct())
    modes = prepared.modes(response)
    solved = solve(missing, PROBE, degree=6, method=Direct()).modes
    np.testing.assert_array_equal(modes.coefficients, solved.coefficients)
    filled = np.where(gone, 1e3, response)
    np.testing.assert_array_equal(prepared.modes(filled).coefficients, modes.coefficients)


@pytest.mark.slow
def test_axes_that_move_during_the_sweep():
    where = spiral()
    theta = where["theta"] * np.array([[1.0], [0.99], [0.98]])
    phi = where["phi"] + np.array([[0.0], [0.01], [0.03]])
    samples = scan({**where, "theta": theta, "phi": phi})
    assert samples.moving
    prepared = prepare(samples, PROBE, degree=DEGREE, method=STRICT)
    modes = prepared.modes(samples.response)
    assert error(modes) < 1e-10
    solved = solve(samples, PROBE, degree=DEGREE, method=STRICT).modes
    np.testing.assert_array_equal(modes.coefficients, solved.coefficients)


def test_relative_data():
    samples = dataclasses.replace(spiral_scan(), response_unit="relative")
    prepared = prepare(samples, PROBE, degree=DEGREE)
    assert prepared.modes(samples.response).reference == "relative"


@pytest.mark.slow
def test_probe_between_its_frequencies():
    # The probe is taken to the frequencies of the scan when it is prepared, once and for all.
    samples = scan(spiral(), frequency=FREQUENCY[:1] * 1.02)
    known = probe_of(CLUSTER, frequency=SPEED_OF_LIGHT * np.linspace(0.95, 1.15, 9))
    prepared = prepare(samples, known, degree=DEGREE, method=STRICT)
    np.testing.assert_array_equal(prepared.probe.frequency, samples.frequency)
    # A cubic spline errs by 5/384 of the fourth power of a step (C. de Boor, A Practical Guide to
    # Splines, 1978, from memory), here in phase k d with d < 0.09 m: 2 pi 0.025 0.09, 5e-10 in all.
    assert error(prepared.modes(samples.response)) < 1e-9


# --- several orders by quadrature ---------------------------------------------------------------

#: Orders and the number of chi values that tell them apart.
ORDERS = {
    "1": ((-1, 1), 2),
    "0, 1": ((-1, 0, 1), 3),
    "1, 2": ((-2, -1, 1, 2), 5),
    "0, 1, 2": ((-2, -1, 0, 1, 2), 5),
    "0, 1, 2 from seven": ((-2, -1, 0, 1, 2), 7),
    "0 to 3": ((-3, -2, -1, 0, 1, 2, 3), 7),
}


@pytest.mark.slow
@pytest.mark.parametrize(("orders", "count"), ORDERS.values(), ids=ORDERS)
def test_orders_from_enough_values_of_chi(orders, count):
    cluster = probe_cluster(orders)
    probe = probe_of(cluster, frequency=FREQUENCY[:1], degree=12)
    assert probe.orders() == list(orders)
    chi = 2 * np.pi / count * np.arange(count) if count > 2 else np.array([0, np.pi / 2])
    samples = scan(on_grid(GRID, chi), [cluster], FREQUENCY[:1])
    solution = solve(samples, probe, degree=DEGREE, method=Quadrature())
    # Nothing is iterated: truncation of antenna and probe is left.
    assert error(solution.modes) < 1e-11
    assert solution.residual[0] < 1e-11
    assert solution.status.startswith("quadrature on a clenshaw-curtis grid")
    # Where it can be done it is done without being asked for.
    unasked = solve(samples, probe, degree=DEGREE)
    np.testing.assert_array_equal(unasked.modes.coefficients, solution.modes.coefficients)


@pytest.mark.slow
@pytest.mark.parametrize("count", [2, 3, 4])
def test_too_few_values_of_chi_are_left_to_the_iteration(count):
    # Five orders, fewer values of chi; all positions together do tell the orders apart.
    samples = scan(on_grid(GRID, FIVE[:count]), frequency=FREQUENCY[:1])
    with pytest.raises(ValueError, match=r"separate the probe's azimuthal orders 0, \+-1, \+-2, f"):
        solve(samples, PROBE, degree=DEGREE, method=Quadrature())
    solution = solve(samples, PROBE, degree=DEGREE)
    assert solution.status == "least squares by conjugate gradients"
    # rtol of 1e-9 times a condition of some ten.
    assert error(solution.modes) < 1e-7
    assert error(solve(samples, PROBE, degree=DEGREE, method=STRICT).modes) < 1e-10


@pytest.mark.slow
def test_an_iteration_that_is_long_for_want_of_chi_says_so():
    samples, few = two_turns(), LeastSquares(max_iterations=2)
    # Two values of chi tell +1 from -1, and nothing beside them.
    pairs = keep_orders(PROBE, orders=(-2, -1, 1, 2))
    text = "the iteration stopped after 2 steps without converging: raise max_iterations or lower "
    for probe, first in ((PROBE, False), (pairs, False), (PROBE, True)):
        method = dataclasses.replace(few, first_order=first)
        sentences = solve(samples, probe, degree=DEGREE, method=method).warnings[0]
        (found,) = [x for x in sentences if "stopped" in x]
        more = "" if first else ", or measure at more values of chi"
        assert found == f"{text}the degree{more}"


@pytest.mark.slow
@pytest.mark.parametrize("rule", ["clenshaw-curtis", "fejer-1", "gauss-legendre"])
def test_orders_on_other_grids_in_any_order(rule, rng):
    if rule == "gauss-legendre":
        grid = gauss_legendre_grid(DEGREE + 2, 2 * DEGREE + 3)
    else:
        grid = grid_for_degree(DEGREE + 1, rule=rule)
    where = on_grid(grid, FIVE)
    # The probe starts somewhere else at each position, and rows come in any order.
    where["chi"] = where["chi"] + 0.1 * np.round(10 * where["theta"])
    pick = rng.permutation(where["theta"].size)
    samples = scan({name: x[pick] for name, x in where.items()}, frequency=FREQUENCY[:1])
    solution = solve(samples, PROBE, degree=DEGREE, method=Quadrature())
    assert error(solution.modes) < 1e-11


def test_poles_visited_once():
    where = on_grid(GRID, FIVE)
    pole = (where["theta"] < 1e-9) | (where["theta"] > np.pi - 1e-9)
    keep = ~pole | (where["phi"] == 0)
    samples = scan({name: x[keep] for name, x in where.items()}, frequency=FREQUENCY[:1])
    solution = solve(samples, PROBE, degree=DEGREE, method=Quadrature())
    assert error(solution.modes) < 1e-11


@pytest.mark.slow
def test_residual_shows_maps_that_contradict_each_other():
    # The maps of 0, +-1 and +-2 all tell of the same modes. With a probe whose order 2 is wrong
    # in sign none of them is rough, so that only their contradiction can show it.
    samples = scan(on_grid(GRID, FIVE), frequency=FREQUENCY[:1])
    right = solve(samples, PROBE, degree=DEGREE, method=Quadrature())
    r = np.array(PROBE.coefficients)
    two = keep_orders(PROBE, orders=(-2, 2)).coefficients
    wrong = dataclasses.replace(PROBE, coefficients=r - 2 * two)
    solution = solve(samples, wrong, degree=DEGREE, method=Quadrature())
    assert right.residual[0] < 1e-11
    # Twice what is received in +-2, as the strong orders settle the modes, and what they are bent
    # by is its square; the map of order 0, some per cent of all, counts half in the sum.
    missed = 2 * response_in((-2, 2), FREQUENCY[0])
    assert solution.residual[0] == pytest.approx(missed, rel=0.05)
    assert missed > 0.02
    # Without them there is nothing to contradict.
    ones = Quadrature(first_order=True)
    assert solve(samples, wrong, degree=DEGREE, method=ones).residual[0] < 1e-11


@pytest.mark.slow
def test_two_ports():
    # Quadrature takes one port; the iteration takes both at one chi each, and agrees.
    other = probe_cluster(polarisation=Y, seed=6)
    probe = probe_of(CLUSTER, other, frequency=FREQUENCY[:1])
    second = scan({**on_grid(GRID, FIVE), "port": 2}, [CLUSTER, other], FREQUENCY[:1])
    assert error(solve(second, probe, degree=DEGREE, method=Quadrature()).modes) < 1e-11
    # Of a port with fewer orders fewer values of chi will do, whatever the other port has.
    plain = probe_cluster((-1, 1), polarisation=Y)
    uneven = probe_of(CLUSTER, plain, frequency=FREQUENCY[:1])
    where = {**on_grid(GRID, np.array([0, np.pi / 2])), "port": 2}
    fewer = scan(where, [CLUSTER, plain], FREQUENCY[:1])
    assert error(solve(fewer, uneven, degree=DEGREE, method=Quadrature()).modes) < 1e-11
    where = on_grid(GRID, np.zeros(2))
    port = np.repeat([1, 2], where["theta"].size // 2)
    both = scan({**where, "port": port}, [CLUSTER, other], FREQUENCY[:1])
    prepared = prepare(both, probe, degree=DEGREE, method=STRICT)
    assert error(prepared.modes(both.response)) < 1e-10
    message = r"not a full regular grid: the samples are of several ports; use LeastSquares$"
    with pytest.raises(ValueError, match=message):
        solve(both, probe, degree=DEGREE, method=Quadrature())


# --- first order only ---------------------------------------------------------------------------


@functools.cache
def response_in(orders, frequency):
    """Rms response in azimuthal orders mu over that in all, over the sphere and chi.

    From the closed form: 24 x 48 directions of a Gauss-Legendre grid, whose products of waves up
    to degree 23 it integrates exactly, and eight values of chi, of whose Fourier coefficients
    those of |mu| <= 3 are exact.
    """
    grid = gauss_legendre_grid(24, 48)
    chi = 2 * np.pi / 8 * np.arange(8)
    samples = scan(on_grid(grid, chi), frequency=[frequency])
    f = np.fft.fft(samples.response[0].reshape(8, grid.theta.size, grid.phi.size), axis=0)
    power = np.einsum("utp,t->u", np.abs(f) ** 2, grid.weights.reshape(grid.theta.size, -1)[:, 0])
    return float(np.sqrt(sum(power[mu] for mu in orders) / power.sum()))


@pytest.mark.slow
@pytest.mark.parametrize("method", [Quadrature(first_order=True), LeastSquares(first_order=True)])
def test_first_order_says_what_it_neglects(method):
    samples = two_turns()
    solution = solve(samples, PROBE, degree=DEGREE, method=method)
    # -20 dB or so were left out, and the far field is wrong by about as much: never silently.
    off = error(solution.modes)
    assert 0.01 < off < 0.5
    for frequency, sentences in zip(FREQUENCY, solution.warnings, strict=True):
        (sentence,) = [x for x in sentences if "neglected" in x]
        found = re.fullmatch(
            r"the probe's azimuthal orders other than \+-1 were neglected, as asked: they carry "
            r"(-\d+\.\d) dB of its response at 2 m",
            sentence,
        )
        true = 20 * np.log10(response_in((-2, 0, 2), frequency))
        # The share is found with modes that are themselves wrong by ``off``: each of the two
        # responses, and so the share, by at most that. 0.05 dB is the rounding of the text.
        assert float(found[1]) == pytest.approx(true, abs=-20 * np.log10(1 - off) + 0.05)


def test_all_orders_where_the_first_errs():
    # The same samples: what the first order alone makes wrong is right with all of them.
    assert error(solve(two_turns(), PROBE, degree=DEGREE, method=STRICT).modes) < 1e-10


def test_first_order_of_a_probe_that_has_no_other():
    cluster = probe_cluster((-1, 1))
    probe = probe_of(cluster, frequency=FREQUENCY[:1])
    samples = scan(on_grid(GRID, np.array([0, np.pi / 2])), [cluster], FREQUENCY[:1])
    for method in (Quadrature(first_order=True), LeastSquares(rtol=1e-12, first_order=True)):
        solution = solve(samples, probe, degree=DEGREE, method=method)
        assert error(solution.modes) < 1e-10
        # Nothing: the floor of the estimate, not a number made of rounding.
        assert "they carry -300.0 dB of its response" in solution.warnings[0][0]


def test_first_order_errs_nothing_where_chi_goes_all_round():
    # Over five equal steps of chi e^(j mu chi), |mu| <= 2, are orthogonal: the other orders take
    # no part in the fit of +-1. The sentence is on the response, which does hold them.
    samples = scan(on_grid(GRID, FIVE), frequency=FREQUENCY[:1])
    for method in (Quadrature(first_order=True), LeastSquares(rtol=1e-12, first_order=True)):
        solution = solve(samples, PROBE, degree=DEGREE, method=method)
        assert error(solution.modes) < 1e-10
        assert "orders other than +-1 were neglected" in solution.warnings[0][0]


def test_first_order_is_prepared_too():
    samples = two_turns()
    one = {"first_order": True, "threads": 1}
    for method in (Quadrature(**one), LeastSquares(**one)):
        prepared = prepare(samples, PROBE, degree=DEGREE, method=method)
        assert prepared.probe.orders() == [-1, 1]
        solution = solve(samples, PROBE, degree=DEGREE, method=method)
        np.testing.assert_array_equal(
            prepared.modes(samples.response).coefficients, solution.modes.coefficients
        )


# --- what is refused ----------------------------------------------------------------------------


def test_prepare_refuses():
    samples = scan(on_grid(GRID, FIVE), frequency=FREQUENCY[:1])
    with pytest.raises(ValueError, match=r"^degree is 0, expected at least 1$"):
        prepare(samples, PROBE, degree=0)
    with pytest.raises(ValueError, match=r"^degree 1000 is not within 1 ... \d+, the samples'$"):
        prepare(samples, PROBE, degree=1000)
    message = f"^the grid determines degree {GRID.degree}, not {GRID.degree + 1}: use LeastSquares$"
    with pytest.raises(ValueError, match=message):
        prepare(samples, PROBE, degree=GRID.degree + 1, method=Quadrature())
    scattered = scan(spiral(), frequency=FREQUENCY[:1])
    with pytest.raises(ValueError, match=r"^the samples are not a full regular grid: .*LeastSq"):
        prepare(scattered, PROBE, degree=DEGREE, method=Quadrature())
    with pytest.raises(ValueError, match=r"^the samples use port 2, the probe has 1 port: give a"):
        prepare(dataclasses.replace(samples, port=2), PROBE, degree=DEGREE)
    with pytest.raises(ValueError, match=r"^the responses are in V/m, the probe answers in sqrt"):
        prepare(dataclasses.replace(samples, response_unit="V/m"), PROBE, degree=DEGREE)
    with pytest.raises(ValueError, match=r"^the probe: 0\.2\d+ GHz is not among or between"):
        prepare(dataclasses.replace(samples, frequency=FREQUENCY[:1] / 1.2), PROBE, degree=DEGREE)
    one = dataclasses.replace(samples, chi=np.zeros(samples.theta.size))
    with pytest.raises(ValueError, match="have chi = 0 deg: a second polarisation"):
        prepare(one, PROBE, degree=DEGREE)


@pytest.mark.slow
@pytest.mark.parametrize("method", [Quadrature(), LeastSquares(), Direct()])
def test_responses_that_are_not_those_of_the_samples(method):
    samples = scan(on_grid(GRID, FIVE), frequency=FREQUENCY[:2])
    prepared = prepare(samples, PROBE, degree=4, method=method)
    count = samples.theta.size
    for wrong in (samples.response[0], samples.response[:1], samples.response[:, 1:]):
        message = rf"^response has shape {re.escape(str(wrong.shape))}, expected \(2, {count}\): a row"
        with pytest.raises(ValueError, match=message):
            prepared.modes(wrong)
    hole = np.array(samples.response)
    hole[1, 6] = np.nan
    frequency = re.escape(f"{FREQUENCY[1] / 1e9:.9g}")
    message = rf"^sample 7 is missing at {frequency} GHz, where it was not .* prepared for: prep"
    with pytest.raises(ValueError, match=message):
        prepared.modes(hole)


@pytest.mark.slow
@pytest.mark.parametrize("method", [Quadrature(), LeastSquares(), Direct()])
def test_responses_that_are_no_finite_complex_numbers(method):
    samples = scan(on_grid(GRID, FIVE), frequency=FREQUENCY[:1])
    prepared = prepare(samples, PROBE, degree=4, method=method)
    response = np.array(samples.response)
    response[0, 3] = np.inf
    with pytest.raises(ValueError, match=r"^sample 4 is \(inf\+0j\) at .* GHz, expected finite: le"):
        prepared.modes(response)
    # Real and whole numbers are complex ones.
    for kind in (float, int):
        own = np.round(100 * samples.response.real).astype(kind)
        np.testing.assert_array_equal(prepared.modes(own).coefficients, prepared.modes(own + 0j).coefficients)


@pytest.mark.parametrize("method", [Quadrature(), Direct()])
def test_only_the_iteration_has_an_operator(method):
    samples = scan(on_grid(GRID, FIVE), frequency=FREQUENCY[:1])
    prepared = prepare(samples, PROBE, degree=4, method=method)
    message = f"^{type(method).__name__} has no iteration: prepare LeastSquares$"
    with pytest.raises(ValueError, match=message):
        prepared.iteration(0)


def test_iteration_gives_operator_and_weights():
    samples = scan(spiral(), frequency=FREQUENCY[:1])
    prepared = prepare(samples, PROBE, degree=DEGREE, method=LeastSquares())
    operator, weights = prepared.iteration(0)
    assert operator.shape[0] == weights.size == samples.theta.size
    assert weights.sum() == pytest.approx(8 * np.pi)
    assert prepared.iteration(0)[0] is operator


def test_quadrature_without_a_grid():
    samples = scan(spiral(), frequency=FREQUENCY[:1])
    prepared = Problem(samples, PROBE, DEGREE, Quadrature())
    with pytest.raises(ValueError, match=r"^a quadrature needs a full regular grid: prepare Least"):
        prepared.modes(samples.response)


def test_maps_of_other_orders_than_the_probe_has():
    message = r"has the azimuthal orders \[0, 1, 2\], the maps are of \[0, 1\]: use LeastSquares$"
    with pytest.raises(ValueError, match=message):
        quadrature_matrix(PROBE, frequency=FREQUENCY[0], radius=2.0, degree=3, spins=(0, 1))


def test_refusals_of_a_grid_are_of_one_kind():
    # `solve` turns to the iteration where it is left to choose, whatever the grid lacks.
    assert issubclass(NotAGridError, ValueError)
    where = on_grid(GRID, FIVE)
    samples = scan(where, frequency=FREQUENCY[:1])
    keep = np.arange(samples.theta.size) != 77  # away from the poles
    hole = Samples(
        samples.frequency,
        *(x[keep] for x in (samples.theta, samples.phi, samples.chi, samples.radius)),
        samples.port[keep],
        samples.response[:, keep],
        samples.response_unit,
    )
    solution = solve(hole, PROBE, degree=DEGREE)
    assert solution.status == "least squares by conjugate gradients"
    assert error(solution.modes) < 1e-7


@pytest.mark.slow
@pytest.mark.parametrize("degree", [1, 2, 3])
def test_degree_below_the_orders_of_the_probe(degree):
    # A dipole at the origin, of degree 1 alone, and a probe of orders to 3: what no wave of the
    # degree asked for can be received in is left out.
    dipole = DipoleCluster([[0, 0, 0]], [X + 0.3j * Z])
    cluster = probe_cluster((-3, -2, -1, 0, 1, 2, 3))
    probe = probe_of(cluster, frequency=FREQUENCY[:1])
    chi = 2 * np.pi / 7 * np.arange(7)
    samples = receive(dipole, [cluster], frequency=FREQUENCY[:1], radius=RADIUS, **on_grid(GRID, chi))
    wanted = np.array(far_field_of(dipole, frequency=FREQUENCY[:1], **DIRECTIONS))
    for method in (Quadrature(), None):
        solution = solve(samples, probe, degree=degree, method=method)
        found = np.array(far_field_points(solution.modes, **DIRECTIONS))
        assert np.abs(found - wanted).max() < 1e-11 * np.abs(wanted).max()
        assert solution.residual[0] < 1e-11


@pytest.mark.parametrize("method", [Quadrature(), LeastSquares(), Direct()])
def test_one_frequency_for_other_responses(method, rng):
    samples = scan(on_grid(GRID, FIVE), frequency=FREQUENCY[:2])
    response = rng.normal(size=(*samples.response.shape, 2)) @ [1, 1j]
    prepared = prepare(samples, PROBE, degree=4, method=method)
    wanted = prepared.modes(response).coefficients[1]
    found = prepared.roughly(1, response[1])
    # A fall of the gradient to 1e-6, with a condition below 10.
    assert np.linalg.norm(found - wanted) < 1e-5 * np.linalg.norm(wanted)
