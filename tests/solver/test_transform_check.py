"""A library made wrong on purpose is found; a healthy one never raises a false alarm.

Right and wrong here are what the test has put in: each error is a factor of its own making.
"""

import dataclasses
import importlib.metadata
import re
from functools import partial

import numpy as np
import pytest
from commands import run, simulated

from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.antenna.grids import RULES, Grid, grid_for_degree, ring_angles
from nf2ff.antenna.modes import SPEED_OF_LIGHT
from nf2ff.antenna.points import equal_area_spiral, equal_area_spiral_for_degree
from nf2ff.kernel import circular, fine_grid, grid_analysis, spin, torus
from nf2ff.measurement.probe import Probe, field_probe
from nf2ff.measurement.samples import Samples
from nf2ff.measurement.simulated import simulate
from nf2ff.solver import dense, direct, methods, quadrature, transform_check
from nf2ff.solver.positions import plan_geometry
from nf2ff.solver.solve import prepare, solve
from nf2ff.solver.strategy import LeastSquares, Quadrature
from nf2ff.solver.transform_check import WrongTransformError
from nf2ff.solver.transmission import TransmissionOperator

ONE_METRE = np.array([SPEED_OF_LIGHT])
RIGHT_ANGLES = (0.0, np.pi / 2)
LIBRARY = f"ducc0 {importlib.metadata.version('ducc0')}"


def probe_to_order(top, ports=1, seed=5):
    """A probe of random coefficients of all azimuthal orders up to ``top``."""
    rng = np.random.default_rng(seed)
    shape = (1, ports, 2 * top * (top + 2))
    return Probe(None, rng.normal(size=shape) + 1j * rng.normal(size=shape))


def samples_at(theta, phi, *, probe, degree, chi=RIGHT_ANGLES, kr=None, spread=0.0, ports=1):
    """Responses of random waves at each position and chi, computed by a healthy library."""
    rng = np.random.default_rng(7)
    count = theta.size
    turns = len(chi) * ports
    radius = ((kr or 1.3 * degree + 5) + spread * rng.uniform(-1, 1, count)) / (2 * np.pi)
    samples = Samples(
        ONE_METRE,
        np.tile(theta, turns),
        np.tile(phi, turns),
        np.tile(np.repeat(chi, count), ports),
        np.tile(radius, turns),
        np.repeat(np.arange(ports) + 1, count * len(chi)),
        np.ones((1, count * turns)),
        response_unit=probe.response_unit,
    )
    operator = TransmissionOperator(plan_geometry(samples), probe, ONE_METRE[0], degree, 1e-12)
    q = rng.normal(size=(2, degree * (degree + 2))) + 1j * rng.normal(size=(2, 1))
    return dataclasses.replace(samples, response=operator.forward(spin.pack(q))[None])


def spiral(degree, **more):
    points = equal_area_spiral_for_degree(degree)
    return samples_at(points.theta, points.phi, degree=degree, **more)


def on_grid(degree, grid=None, **more):
    grid = grid or grid_for_degree(degree)
    theta, phi = (x.ravel() for x in np.meshgrid(grid.theta, grid.phi, indexing="ij"))
    return samples_at(theta, phi, degree=degree, **more)


def solved(samples, probe, degree, method):
    return prepare(samples, probe, degree=degree, method=method).estimates(samples.response)[0]


# --- a wrong library ----------------------------------------------------------------------------

DEGREE = 12
FIELD = field_probe()
TWO_CHI = {
    "ideal probe, spiral": (spiral, FIELD),
    "ideal probe, grid": (on_grid, FIELD),
    "orders to 3, spiral": (spiral, probe_to_order(3)),
}
CHI = tuple(np.arange(7) * 2 * np.pi / 7)


def everywhere(theta):
    return np.ones(theta.size, dtype=bool)


def at_the_north(theta):
    return theta == theta.min()


def at_the_south(theta):
    return theta == theta.max()


def wrong_by(call, at, *, adjoint):
    """The library's ``call`` with values at some points made wrong by 1e-4."""

    def changed(**given):
        theta = given["loc" if "loc" in given else "coord"][:, 0]
        factor = 1 + 1e-4 * at(theta)
        name = "points" if "points" in given else "map"
        if adjoint:
            return call(**{**given, name: (given[name] * factor).astype(given[name].dtype)})
        return call(**given) * factor

    return changed


@pytest.mark.parametrize("at", [everywhere, at_the_north, at_the_south])
@pytest.mark.parametrize("which", ["forward", "adjoint", "both"])
@pytest.mark.parametrize("kind", TWO_CHI)
def test_wrong_transforms_at_points(kind, which, at, monkeypatch):
    scan, probe = TWO_CHI[kind]
    chi = RIGHT_ANGLES if probe is FIELD else CHI
    samples = scan(DEGREE, probe=probe, chi=chi)
    assert solved(samples, probe, DEGREE, LeastSquares()).converged
    for module, forward, back in (
        (spin.ducc0.sht, "synthesis_general", "adjoint_synthesis_general"),
        (torus.ducc0.nufft, "u2nu", "nu2u"),
    ):
        if which != "adjoint":
            call = wrong_by(getattr(module, forward), at, adjoint=False)
            monkeypatch.setattr(module, forward, call)
        if which != "forward":
            call = wrong_by(getattr(module, back), at, adjoint=True)
            monkeypatch.setattr(module, back, call)
    with pytest.raises(WrongTransformError) as caught:
        solved(samples, probe, DEGREE, LeastSquares())
    found = re.fullmatch(
        f"{re.escape(LIBRARY)} computes wrong values here: .* are off by (.*) of their rms, where "
        r"(.*) is allowed; no result is given: install another release of ducc0 .*",
        str(caught.value),
    )
    off, allowed = (float(x) for x in found.groups())
    assert allowed < off < 1e-3


def test_the_torus_is_where_many_orders_go(monkeypatch):
    # Otherwise the test above would not have tried it.
    probe = probe_to_order(3)
    samples = spiral(DEGREE, probe=probe, chi=RIGHT_ANGLES)
    call = wrong_by(torus.ducc0.nufft.u2nu, everywhere, adjoint=False)
    monkeypatch.setattr(torus.ducc0.nufft, "u2nu", call)
    with pytest.raises(WrongTransformError):
        solved(samples, probe, DEGREE, LeastSquares())


@pytest.mark.parametrize("which", ["synthesis_2d", "adjoint_synthesis_2d"])
def test_wrong_transforms_of_the_normal_equations(which, monkeypatch):
    # Where a reading of one polarisation is missing, the matrices of `circular` do not serve.
    samples = spiral(DEGREE, probe=FIELD)
    samples = samples.part([0], np.arange(samples.theta.size) > 0)
    right = getattr(fine_grid.ducc0.sht, which)

    def wrong(**given):
        found = right(**given)
        found *= 1.0001
        return found

    monkeypatch.setattr(fine_grid.ducc0.sht, which, wrong)
    with pytest.raises(WrongTransformError, match="transforms and their adjoint are off"):
        solved(samples, FIELD, DEGREE, LeastSquares())


def test_wrong_matrices_of_the_normal_equations(monkeypatch):
    samples = spiral(DEGREE, probe=FIELD)
    right = circular.weighted_product
    monkeypatch.setattr(circular, "weighted_product", lambda *a, **b: 1.0001 * right(*a, **b))
    with pytest.raises(WrongTransformError, match="transforms and their adjoint are off"):
        solved(samples, FIELD, DEGREE, LeastSquares())


@pytest.mark.parametrize("factor", [1.001, 0.2])
def test_wrong_normal_equations_are_found_by_what_the_solution_leaves(factor, monkeypatch):
    samples = spiral(DEGREE, probe=FIELD)
    free = solved(samples, FIELD, DEGREE, LeastSquares())
    right = fine_grid.impulses
    monkeypatch.setattr(fine_grid, "impulses", lambda *a, **b: right(*a, **b) * factor)
    monkeypatch.setattr(transform_check, "FACTOR", 1e12)  # the check of the first solution is blind
    got = solved(dataclasses.replace(samples), FIELD, DEGREE, LeastSquares())
    assert got.iterations > free.iterations
    # Begun again twice, each time from a remainder 1,000 times smaller; or five times too far.
    gap = np.linalg.norm(got.coefficients - free.coefficients) / np.linalg.norm(free.coefficients)
    assert got.converged == (factor == 1.001) == (gap < 1e-7)


@pytest.mark.parametrize("at", [everywhere, at_the_north, at_the_south])
@pytest.mark.parametrize(
    ("rule", "which"),
    [
        ("clenshaw-curtis", "analysis_2d"),
        ("gauss-legendre", "leg2alm"),
        ("clenshaw-curtis", "alm2leg"),
        ("gauss-legendre", "alm2leg"),
    ],
)
@pytest.mark.parametrize("orders", [1, 2])
def test_wrong_transforms_of_rings(orders, rule, which, at, monkeypatch):
    probe = FIELD if orders == 1 else probe_to_order(2)
    grid = grid_for_degree(DEGREE, rule=rule)
    samples = on_grid(DEGREE, grid, probe=probe, chi=RIGHT_ANGLES if orders == 1 else CHI)
    assert solved(samples, probe, DEGREE, Quadrature()).residual < 1e-12
    right = getattr(grid_analysis.ducc0.sht, which)

    def wrong(**given):
        if which == "alm2leg":
            return right(**given) * (1 + 1e-4 * at(given["theta"]))[:, None]
        rings = "map" if which == "analysis_2d" else "leg"
        rows = np.arange(given[rings].shape[1]).astype(float)
        return right(**{**given, rings: given[rings] * (1 + 1e-4 * at(rows))[:, None]})

    monkeypatch.setattr(grid_analysis.ducc0.sht, which, wrong)
    transform_check.check_analysis.cache_clear()
    with pytest.raises(WrongTransformError, match="rings are off by"):
        solved(samples, probe, DEGREE, Quadrature())


def test_not_a_number_is_wrong(monkeypatch):
    samples = spiral(DEGREE, probe=FIELD)
    right = spin.point_synthesis
    monkeypatch.setattr(spin, "point_synthesis", lambda *a, **b: right(*a, **b) * np.nan)
    with pytest.raises(WrongTransformError):
        solved(samples, FIELD, DEGREE, LeastSquares())


def test_a_command_says_so_in_one_line(tmp_path, monkeypatch):
    scan = simulated(tmp_path / "scan.h5", "--theta-step-deg", 15, "--phi-step-deg", 15)
    right = spin.ducc0.sht.analysis_2d
    monkeypatch.setattr(spin.ducc0.sht, "analysis_2d", lambda **given: right(**given) * 1.0001)
    done = run("transform", scan, "-o", tmp_path / "result.h5")
    assert done.code == 1
    assert re.fullmatch(f"nf2ff: {re.escape(LIBRARY)} computes wrong values .*\n", done.err)
    assert not (tmp_path / "result.h5").exists()


def test_other_errors_of_the_library_are_not_hidden(tmp_path, monkeypatch):
    scan = simulated(tmp_path / "scan.h5", "--theta-step-deg", 15, "--phi-step-deg", 15)

    def broken(**_):
        msg = "assertion failed"
        raise RuntimeError(msg)

    monkeypatch.setattr(spin.ducc0.sht, "analysis_2d", broken)
    with pytest.raises(RuntimeError, match="assertion failed"):
        run("transform", scan, "-o", tmp_path / "result.h5")


@pytest.mark.parametrize("method", [Quadrature(), LeastSquares()])
def test_once_for_each_prepared(method, monkeypatch):
    calls = []

    def counted(right, *given, **named):
        calls.append(right)
        right(*given, **named)

    for module, name in ((methods, "check_points"), (quadrature, "check_rings")):
        monkeypatch.setattr(module, name, partial(counted, getattr(module, name)))
    samples = on_grid(DEGREE, probe=FIELD)
    frequency, response = ONE_METRE[0] * np.array([1, 1.1]), np.tile(samples.response, (2, 1))
    samples = dataclasses.replace(samples, frequency=frequency, response=response)
    prepared = prepare(samples, FIELD, degree=DEGREE, method=method)
    for _ in range(2):
        prepared.estimates(samples.response)
    assert len(calls) == 1


# --- a healthy one ------------------------------------------------------------------------------


@pytest.mark.parametrize("rtol", [1e-12, 1e-9, 1e-6, 1e-4, 1e-2])
@pytest.mark.parametrize("noise", [0.0, 0.1])
def test_any_tolerance(rtol, noise, rng):
    for probe, chi in ((FIELD, RIGHT_ANGLES), (probe_to_order(5), CHI)):
        samples = spiral(DEGREE, probe=probe, chi=chi)
        level = noise * np.sqrt(np.mean(np.abs(samples.response) ** 2))
        extra = rng.normal(size=samples.response.shape) * level
        samples = dataclasses.replace(samples, response=samples.response + extra)
        solved(samples, probe, DEGREE, LeastSquares(rtol=rtol))


@pytest.mark.parametrize("size", [0.0, 1e-60, 1e60])
@pytest.mark.parametrize("method", [Quadrature(), LeastSquares()])
def test_any_size(size, method):
    samples = on_grid(DEGREE, probe=FIELD)
    samples = dataclasses.replace(samples, response=size * samples.response)
    got = solved(samples, FIELD, DEGREE, method)
    assert got.converged
    assert got.residual < 1e-8


@pytest.mark.slow
@pytest.mark.parametrize("kr", [1.0, 8.0])
@pytest.mark.parametrize("method", [Quadrature(), LeastSquares(max_iterations=3)])
def test_waves_far_above_kr(kr, method, rng):
    # At 1 the response of degree 180 is beyond any number: (2n - 1)!! / kr^n > 1e308.
    degree = 180 if kr == 1 else 30
    samples = on_grid(degree, probe=FIELD, kr=1000.0)
    noise = 1e-3 * rng.normal(size=samples.response.shape) * np.abs(samples.response).max()
    samples = dataclasses.replace(
        samples, response=samples.response + noise, radius=np.full(samples.theta.size, kr / (2 * np.pi))
    )
    solved(samples, FIELD, degree, method)


@pytest.mark.parametrize("rule", RULES)
def test_every_rule(rule, rng):
    # Waves above the degree are in the samples, as in any others.
    for degree, count in ((1, 4), (5, 12), (40, 90)):
        grid = Grid(ring_angles(rule, count), np.arange(90) * 4 * np.pi / 180, rule)
        samples = on_grid(degree, grid, probe=FIELD)
        noise = rng.normal(size=samples.response.shape) * np.abs(samples.response).max()
        samples = dataclasses.replace(samples, response=samples.response + noise)
        solved(samples, FIELD, degree, Quadrature())


@pytest.mark.slow
@pytest.mark.parametrize("degree", [1, 2, 60, 200])
def test_any_degree(degree):
    solved(spiral(degree, probe=FIELD), FIELD, degree, LeastSquares(max_iterations=30))
    solved(on_grid(degree, probe=FIELD), FIELD, degree, Quadrature())


@pytest.mark.slow
def test_two_ports_at_varied_distances():
    probe = probe_to_order(4, ports=2)
    samples = spiral(DEGREE, probe=probe, chi=CHI, spread=3.0, ports=2)
    solved(samples, probe, DEGREE, LeastSquares(max_iterations=3))


def test_positions_that_do_not_stand_in_layers(rng):
    samples = spiral(DEGREE, probe=FIELD)
    keep = np.sort(rng.permutation(samples.theta.size)[: samples.theta.size - 20])
    columns = {x: getattr(samples, x)[keep] for x in ("theta", "phi", "chi", "radius", "port")}
    few = dataclasses.replace(samples, response=samples.response[:, keep], **columns)
    for geometry in plan_geometry(few):
        assert geometry.position is not None
    solved(few, FIELD, DEGREE, LeastSquares())


# --- the remainder ------------------------------------------------------------------------------


def test_an_iteration_begins_again_where_a_product_went_wrong(monkeypatch):
    # As ducc0 0.42.0 does it: one sample, at some accuracies and not at that of the check. The radius
    # varies, so that each step goes to the samples.
    samples = spiral(DEGREE, probe=FIELD, spread=3.0)
    free = solved(samples, FIELD, DEGREE, LeastSquares())
    right = TransmissionOperator.forward_ordered

    def wrong(self, x, *, accuracy=None):
        found = right(self, x, accuracy=accuracy)
        if accuracy is not None and 1e-8 < accuracy < 1e-6:
            found[3] += 0.2 * np.abs(found).max()
        return found

    monkeypatch.setattr(TransmissionOperator, "forward_ordered", wrong)
    got = solved(samples, FIELD, DEGREE, LeastSquares())
    assert got.converged
    assert got.iterations > free.iterations
    # What both stopping rules leave, with a condition of the normal matrix below 10.
    gap = np.linalg.norm(got.coefficients - free.coefficients)
    assert gap < 1e-8 * np.linalg.norm(free.coefficients)
    monkeypatch.setattr(methods, "DRIFT", np.inf)
    lost = solved(samples, FIELD, DEGREE, LeastSquares())
    gap = np.linalg.norm(lost.coefficients - free.coefficients)
    assert gap > 1e-6 * np.linalg.norm(free.coefficients)


def test_an_iteration_that_never_agrees_has_not_converged(monkeypatch, rng):
    samples = spiral(DEGREE, probe=FIELD, spread=3.0)
    right = TransmissionOperator.forward_ordered

    def wrong(self, x, *, accuracy=None):
        found = right(self, x, accuracy=accuracy)
        if accuracy is not None:
            found += 1e-5 * rng.normal(size=found.size)
        return found

    monkeypatch.setattr(TransmissionOperator, "forward_ordered", wrong)
    monkeypatch.setattr(transform_check, "FACTOR", 1e9)
    monkeypatch.setattr(dense, "MOST_MODES", 0)
    got = solved(samples, FIELD, DEGREE, LeastSquares())
    assert not got.converged


def test_the_residual_is_that_of_the_solution():
    # Apart from the iteration: the dense matrix, which shares no transform.
    samples = spiral(DEGREE, probe=FIELD)
    response = samples.response + 0.1 * np.abs(samples.response).max()
    samples = dataclasses.replace(samples, response=response)
    got = solved(samples, FIELD, DEGREE, LeastSquares())
    matrix = direct.dense_matrix(plan_geometry(samples), FIELD, frequency=ONE_METRE[0], degree=DEGREE)
    rest = np.linalg.norm(response[0] - matrix @ got.coefficients) / np.linalg.norm(response)
    assert got.residual == pytest.approx(rest, rel=1e-9)


@pytest.mark.slow
@pytest.mark.parametrize("count", [485, 500, 520])
def test_few_samples_are_no_fault_of_the_library(count):
    """At one position a pair noise fits waves that the samples hardly see: large, of small responses."""
    rng = np.random.default_rng(0)
    place = 0.03 * rng.normal(size=(6, 3))
    antenna = DipoleCluster(place, rng.normal(size=(6, 3)) + 1j * rng.normal(size=(6, 3)))
    points = equal_area_spiral(count)
    samples = simulate(
        antenna,
        frequency=[10e9],
        theta=np.repeat(points.theta, 2),
        phi=np.repeat(points.phi, 2),
        chi=np.tile([0, np.pi / 2], points.count),
        radius=0.3,
    )
    # That is said, and nothing is blamed on the transforms.
    found = solve(samples, field_probe(), degree=21)
    (told,) = found.warnings[0]
    assert "hardly determine all waves of degree 21" in told
