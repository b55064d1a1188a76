"""Phases that jump from cut to cut are told of; scans without such a fault are left alone."""

import math
from dataclasses import replace

import numpy as np
import pytest
from sources import ONE_METRE

import nf2ff
from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.antenna.grids import equiangular_grid, gauss_legendre_grid
from nf2ff.antenna.modes import WAVE_IMPEDANCE, required_degree
from nf2ff.antenna.points import constant_rate_spiral_for_degree, equal_area_spiral_for_degree
from nf2ff.measurement.coherence import with_coherence
from nf2ff.measurement.samples import Samples
from nf2ff.measurement.simulated import simulate
from nf2ff.messages.input_error import InputError
from nf2ff.messages.scan import ReadingCode
from nf2ff.solver.line_phases import judge_phases, naming_jumps, phase_jumps

SETS = ("poles", "no poles", "half steps", "through the poles", "equal area", "constant rate")


def antenna(rng, kind, size):
    """Dipoles anywhere in a sphere [m]; a steered array of Huygens sources, turned; one dipole along z."""
    if kind == "dipole":
        return DipoleCluster(np.zeros((1, 3)), np.array([[0, 0, 1e-3 + 0j]]))
    if kind == "cluster":
        place = rng.standard_normal((20, 3))
        place *= (size * rng.random(20) ** (1 / 3) / np.linalg.norm(place, axis=1))[:, None]
        return DipoleCluster(place, 1e-3 * (rng.standard_normal((20, 3)) + 1j * rng.standard_normal((20, 3))))
    steps = np.arange(-size / 1.5, size / 1.5 + 1e-9, 0.5)
    x, y = (a.ravel() for a in np.meshgrid(steps, steps))
    place = np.stack([x, y, 0 * x], axis=1)
    weight = 1e-3 * np.exp(-2j * np.pi * (place[:, :2] @ rng.uniform(-0.5, 0.5, 2)))
    turn = np.linalg.qr(rng.standard_normal((3, 3)))[0]
    turn *= np.sign(np.linalg.det(turn))
    electric = weight[:, None] * turn[0]
    return DipoleCluster(place @ turn, electric, weight[:, None] * turn[1] * WAVE_IMPEDANCE)


def positions(kind, degree):
    if kind == "equal area":
        points = equal_area_spiral_for_degree(degree)
        return points.theta, points.phi
    if kind == "constant rate":
        points = constant_rate_spiral_for_degree(degree)
        return points.theta, points.phi
    if kind == "through the poles":
        theta, phi = np.linspace(-np.pi, np.pi, 2 * degree + 3), np.pi * np.arange(degree + 2) / (degree + 2)
    else:
        grid = {
            "poles": lambda: equiangular_grid(degree + 2, 2 * degree + 2),
            "no poles": lambda: gauss_legendre_grid(degree + 1, 2 * degree + 1),
            "half steps": lambda: equiangular_grid(degree + 2, 2 * degree + 1, rule="fejer-1"),
        }[kind]()
        theta, phi = grid.theta, grid.phi
    return tuple(x.ravel() for x in np.meshgrid(theta, phi, indexing="ij"))


def scan(seed, *, kind=None, where=None, finer=None, noise_db=None, jumps_deg=0.0, along="cuts"):
    """A scan of an antenna drawn by the seed; what is not given is drawn as well."""
    rng = np.random.default_rng(seed)
    kind = kind or rng.choice(["cluster", "array", "dipole"], p=[0.5, 0.4, 0.1])
    where = where or rng.choice(SETS)
    finer = finer or rng.choice([0.8, 1, 1.25, 1.6])
    noise_db = rng.choice([-70, -50, -40, -25]) if noise_db is None else noise_db
    size = rng.uniform(0.4, 1.8)
    degree = math.ceil(finer * required_degree(2 * np.pi * size))
    theta, phi = positions(where, degree)
    chi = np.repeat([0, np.pi / 2], theta.size)
    place = {
        "theta": np.tile(theta, 2),
        "phi": np.tile(phi, 2),
        "chi": chi,
        "radius": size + rng.uniform(1, 4),
    }
    samples = simulate(antenna(rng, kind, size), frequency=ONE_METRE, **place)
    white = (
        rng.standard_normal((2, chi.size)) * np.abs(samples.response).max() * 10 ** (noise_db / 20) / 2**0.5
    )
    groups = with_coherence(samples, along).coherence if jumps_deg else np.zeros(chi.size, int)
    turns = np.exp(1j * np.radians(jumps_deg) * rng.standard_normal(groups.max() + 1))[groups]
    return replace(samples, response=(samples.response + white[0] + 1j * white[1]) * turns)


@pytest.mark.slow  # 200 scans, 2 s.
def test_no_false_alarms():
    # Grids and spirals, arrays and single dipoles, nulls at the poles, too coarse and finer than needed.
    assert [seed for seed in range(200) if phase_jumps(scan(seed)) is not None] == []


@pytest.mark.parametrize("shift", [2, 3, 4])
def test_rounding_is_no_jump(shift):
    # Beside the origin, so that readings have many orders, and without noise: what is left is 1e-11 and less.
    x, y = (a.ravel() for a in np.meshgrid(*2 * [np.arange(6) / 2 + shift]))
    array = DipoleCluster(np.stack([x, y - shift, 0 * x], axis=1), np.full((36, 3), 1e-3 + 0j))
    axes = np.radians(np.arange(-180, 180, 5)), np.radians(np.arange(0, 180, 5))
    theta, phi = np.meshgrid(*axes, indexing="ij")
    place = {"theta": np.tile(theta.ravel(), 2), "phi": np.tile(phi.ravel(), 2)}
    chi = np.repeat([0, np.pi / 2], theta.size)
    assert phase_jumps(simulate(array, frequency=ONE_METRE, **place, chi=chi, radius=9.0)) is None


def test_faults_that_are_no_jumps(rng):
    samples = scan(1, kind="cluster", where="half steps", finer=1.25, noise_db=-60)
    column = np.unique(np.round(samples.phi, 9), return_inverse=True)[1]
    slow = np.exp(1j * np.radians(20) * np.sin(samples.phi))
    level = 1 + 0.1 * rng.standard_normal(column.max() + 1)[column]
    moved = simulate(
        antenna(np.random.default_rng(3), "cluster", 1.0),
        frequency=ONE_METRE,
        theta=np.abs(samples.theta + 0.01),
        phi=samples.phi,
        chi=samples.chi,
        radius=3.0,
    )
    for response in (samples.response * slow, samples.response * level, moved.response):
        assert phase_jumps(replace(samples, response=response)) is None


@pytest.mark.parametrize("where", ["poles", "no poles", "half steps", "through the poles"])
@pytest.mark.parametrize("jumps_deg", [6, 30, 1000])
def test_jumps_are_found(where, jumps_deg):
    found = [
        phase_jumps(scan(seed, kind="cluster", where=where, finer=1.25, noise_db=-50, jumps_deg=jumps_deg))
        for seed in range(3)
    ]
    assert all(x is not None and x.along == "cuts" for x in found)
    # From one cut to the next independent phases differ by sqrt(2) of their scatter, phases at random by
    # pi/sqrt(3); of some tens of cuts to three standard errors.
    expected = min(math.radians(jumps_deg) * 2**0.5, np.pi / 3**0.5)
    assert [x.rms for x in found] == pytest.approx([expected] * 3, rel=0.4)


@pytest.mark.parametrize("kind", ["cluster", "array"])
@pytest.mark.parametrize("jumps_deg", [6, 40, 1000])
def test_jumps_of_each_polarisation_are_told_apart(kind, jumps_deg):
    # Common phases take away most of what they leave in an array, whose one polarisation is stronger.
    given = {"kind": kind, "where": "poles", "finer": 1.6, "noise_db": -60, "jumps_deg": jumps_deg}
    (one,) = judge_phases(scan(0, **given, along="cuts-by-polarisation"))
    assert one.code is ReadingCode.PHASE_JUMPS
    assert "nf2ff transform SCAN -o RESULT.h5 --coherent cuts-by-polarisation --degree " in one


def test_what_cannot_tell_says_nothing():
    samples = scan(0, kind="cluster", where="half steps", finer=1.25, noise_db=-50, jumps_deg=40)
    assert phase_jumps(samples) is not None
    assert phase_jumps(replace(samples, coherence=np.arange(samples.port.size))) is None
    equator = np.abs(samples.theta - np.pi / 2) < 0.6
    assert phase_jumps(samples.part([0], equator)) is None
    few = np.isin(np.round(samples.phi, 9), np.unique(np.round(samples.phi, 9))[:8])
    assert phase_jumps(samples.part([0], few)) is None
    empty = replace(samples, response=np.zeros_like(samples.response))
    assert phase_jumps(empty) is None


def test_the_frequency_is_named():
    samples = scan(0, kind="cluster", where="half steps", finer=1.25, noise_db=-50)
    jumped = scan(0, kind="cluster", where="half steps", finer=1.25, noise_db=-50, jumps_deg=40)
    both = Samples(
        ONE_METRE * [1, 1.01],
        **{x: getattr(samples, x) for x in ("theta", "phi", "chi", "radius", "port")},
        response=np.concatenate([samples.response, jumped.response]),
        response_unit=samples.response_unit,
    )
    (one,) = judge_phases(both)
    assert "deg (rms) at 0.302790383 GHz, which no antenna makes that" in one


def test_a_refusal_offers_the_cure():
    jumped = scan(0, kind="cluster", where="half steps", finer=1.0, noise_db=-60, jumps_deg=1000)
    with pytest.raises(
        ValueError, match=r"too coarse.*: from one cut.* cuts --degree \d+\), or use finer steps"
    ):
        nf2ff.solve(jumped, nf2ff.field_probe())
    with (
        pytest.raises(InputError, match=r"^so it is: use another$"),
        naming_jumps(scan(0, kind="cluster", where="half steps", finer=1.0, noise_db=-60)),
    ):
        raise InputError("so it is", "use another")
