"""All frequencies at once, against the iteration and the dense matrix, by numpy and on a device if any."""

import dataclasses

import numpy as np
import pytest

from nf2ff.antenna.modes import SPEED_OF_LIGHT, mode_count, mode_numbers
from nf2ff.antenna.points import equal_area_spiral_for_degree
from nf2ff.kernel import gpu
from nf2ff.measurement.probe import Probe, field_probe
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.solver import direct
from nf2ff.solver.nearby import NearbySolver
from nf2ff.solver.positions import plan_geometry
from nf2ff.solver.solve import prepare, solve
from nf2ff.solver.strategy import LeastSquares

FREQUENCY = SPEED_OF_LIGHT * np.array([1.0, 1.01, 1.03])
DEGREE = 10


@pytest.fixture(autouse=True)
def device(xp, monkeypatch):
    monkeypatch.setattr(gpu, "array_module", lambda: xp)


def random_probe(rng, *, orders=(1,), ports=1):
    """Of degree 3 and the azimuthal orders +- given, those not +-1 a tenth as strong."""
    q = rng.normal(size=(1, ports, mode_count(3), 2)) @ [1, 1j]
    m = np.abs(mode_numbers(3)[1])
    return Probe(None, q * np.isin(m, orders) * np.where(m == 1, 1, 0.1), "sqrt(W)")


def scan(rng, *, chi=(0.3, 0.3 + np.pi / 2), shuffled=False, unit="V/m"):
    """A spiral with noise as responses; shuffled, samples of a position do not stand together."""
    points = equal_area_spiral_for_degree(DEGREE)
    theta, phi = (np.tile(x, 2) for x in (points.theta, points.phi))
    chi = np.repeat(chi, points.count)
    order = rng.permutation(theta.size) if shuffled else np.arange(theta.size)
    response = rng.normal(size=(FREQUENCY.size, theta.size, 2)) @ [1, 1j]
    return Samples(FREQUENCY, theta[order], phi[order], chi[order], 3.0, 1, response, unit)


def gap(found, wanted):
    return np.linalg.norm(found - wanted) / np.linalg.norm(wanted)


@pytest.mark.parametrize("damping", [0.0, 0.2])
@pytest.mark.parametrize("shuffled", [False, True])
@pytest.mark.parametrize("ideal", [True, False])
def test_as_on_the_processor(ideal, shuffled, damping, rng, monkeypatch):
    monkeypatch.setattr(gpu, "MOST", 2)  # the third in a batch of its own
    probe = field_probe() if ideal else random_probe(rng)
    samples = scan(rng, shuffled=shuffled, unit="V/m" if ideal else "sqrt(W)")
    method = LeastSquares(damping=damping, threads=1)
    wanted, found = (
        prepare(samples, probe, degree=DEGREE, method=m).estimates(samples.response)
        for m in (method, dataclasses.replace(method, device="gpu"))
    )
    for one, other in zip(found, wanted, strict=True):
        # Products are 1e-10 accurate, and the condition is below 2.
        assert gap(one.coefficients, other.coefficients) < 1e-9
        assert one.residual == pytest.approx(other.residual, rel=1e-9)
        assert one.unevenness == pytest.approx(other.unevenness, rel=1e-9)
        assert (one.iterations, one.converged) == (other.iterations, other.converged) != (0, False)


def test_modes_of_the_dense_matrix(rng):
    samples, probe = scan(rng), field_probe()
    q = rng.normal(size=(FREQUENCY.size, mode_count(DEGREE), 2)) @ [1, 1j]
    # Of a size that all waves are heard with.
    response = np.empty_like(samples.response)
    for f, own in enumerate(FREQUENCY):
        geometry = plan_geometry(samples.at_frequency(f))
        response[f] = direct.dense_matrix(geometry, probe, frequency=own, degree=DEGREE) @ q[f]
    method = LeastSquares(rtol=1e-11, device="gpu")
    solution = solve(samples.changed(response=response), probe, degree=DEGREE, method=method)
    # The gradient falls to 1e-11, times the condition of Q: k r is above N.
    assert gap(solution.modes.coefficients, q) < 1e-9
    assert np.all(solution.residual < 1e-9)


def test_what_it_does_not_take(rng):
    samples, ideal = scan(rng), field_probe()
    response = samples.response.copy()
    response[1, 7] = np.nan

    def refused(match, samples=samples, probe=ideal, degree=DEGREE, **options):
        prepared = prepare(samples, probe, degree=degree, method=LeastSquares(device="gpu", **options))
        with pytest.raises(InputError, match=match + r'.*choose device="cpu"'):
            prepared.estimates(samples.response)

    refused("same samples at all frequencies", samples.changed(response=response))
    refused("no unweighted finish", unweighted_finish=True)
    refused("one radius", samples.changed(radius=rng.uniform(2.9, 3.1, samples.theta.size)))
    waves = scan(rng, unit="sqrt(W)")
    refused("orders mu = \\+-1", waves, random_probe(rng, orders=(0, 1)))
    refused("both polarisations", scan(rng, chi=(0.0, 1.0)))
    two = np.arange(samples.theta.size) % 2 + 1
    refused("one port", waves.changed(port=two), random_probe(rng, ports=2))
    refused("both polarisations", samples.part(range(3), np.arange(samples.theta.size) > 0))
    with pytest.raises(InputError, match='device is "tpu", expected "cpu" or "gpu"'):
        LeastSquares(device="tpu")


def test_degrees_out_of_reach(rng, monkeypatch):
    samples = scan(rng)
    prepared = prepare(samples, field_probe(), degree=DEGREE, method=LeastSquares(device="gpu"))
    monkeypatch.setattr(gpu, "MAX_DEGREE", DEGREE - 1)
    with pytest.raises(InputError, match=f"degrees up to {DEGREE - 1}, not {DEGREE}"):
        prepared.estimates(samples.response)


def test_a_wrong_device_is_found(rng, monkeypatch):
    # One column of the table too large, as a faulty product would have it.
    right = gpu.wave_table

    def wrong(*args):
        table = right(*args)
        table[40] *= 1.001
        return table

    monkeypatch.setattr(gpu, "wave_table", wrong)
    samples = scan(rng)
    prepared = prepare(samples, field_probe(), degree=DEGREE, method=LeastSquares(device="gpu"))
    with pytest.raises(InputError, match="wrong values"):
        prepared.estimates(samples.response)


def test_partial_sphere_and_what_is_drawn_from_it(rng):
    # Without the cap about +z: the same damping, the same rule to stop by, and draws with other radii.
    whole = scan(rng)
    samples = whole.part(range(FREQUENCY.size), whole.theta > 0.7)
    found, wanted = (
        solve(samples, field_probe(), degree=DEGREE, method=LeastSquares(device=device, threads=1))
        for device in ("gpu", "cpu")
    )
    methods = [x.parts[0].prepared.method for x in (found, wanted)]
    assert methods[0] == dataclasses.replace(methods[1], device="gpu", spared=methods[0].spared)
    np.testing.assert_allclose(methods[0].spared, methods[1].spared, atol=1e-5)
    assert methods[0].damping > 0
    assert found.iterations.tolist() == wanted.iterations.tolist()
    # As many steps of products that are 1e-7 accurate or better, a fifth of the rule to stop by.
    assert gap(found.modes.coefficients, wanted.modes.coefficients) < 1e-5
    drawn = samples.changed(radius=samples.radius + rng.normal(scale=1e-4, size=samples.theta.size))
    modes = NearbySolver(found.parts, found.modes, samples, 1).modes(drawn, field_probe(), DEGREE)
    assert gap(modes.coefficients, found.modes.coefficients) < 0.1
